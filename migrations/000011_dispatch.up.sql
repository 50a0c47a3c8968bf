-- Two times of a visit: when the tech means to be there (starts_at, ends_at),
-- and the window the customer was promised. A visit booked outside hours or
-- without a competence says why.
ALTER TABLE visit
    ADD COLUMN arrive_from  timestamptz,
    ADD COLUMN arrive_until timestamptz,
    ADD COLUMN override     text NOT NULL DEFAULT '' CHECK (length(override) <= 400),
    ADD COLUMN return_visit    boolean NOT NULL DEFAULT false, -- comes back to a call that was visited before
    ADD CONSTRAINT visit_window CHECK ((arrive_from IS NULL) = (arrive_until IS NULL) AND arrive_from < arrive_until),
    ADD CONSTRAINT visit_in_window CHECK (starts_at >= arrive_from AND starts_at <= arrive_until);
-- A day is put in another order by one statement: what counts is how it ends.
ALTER TABLE visit DROP CONSTRAINT visit_no_double_booking;
ALTER TABLE visit ADD CONSTRAINT visit_no_double_booking
    EXCLUDE USING gist (shop_id WITH =, tech_id WITH =, tstzrange(starts_at, ends_at, '[)') WITH &&)
    WHERE (status IN ('booked', 'on_the_way', 'on_site', 'done')) DEFERRABLE INITIALLY IMMEDIATE;

-- Every state a visit was in, with who changed it and why.
CREATE TABLE visit_version (
    shop_id      uuid NOT NULL,
    visit_id     uuid NOT NULL,
    version      bigint NOT NULL,
    tech_id      uuid,
    starts_at    timestamptz NOT NULL,
    ends_at      timestamptz NOT NULL,
    arrive_from  timestamptz,
    arrive_until timestamptz,
    status       text COLLATE "C" NOT NULL,
    reason       text NOT NULL DEFAULT '' CHECK (length(reason) <= 400),
    changed_by   uuid, -- none: the service itself
    changed_at   timestamptz NOT NULL,
    PRIMARY KEY (shop_id, visit_id, version),
    FOREIGN KEY (shop_id, visit_id) REFERENCES visit (shop_id, id),
    FOREIGN KEY (shop_id, changed_by) REFERENCES person (shop_id, id)
);
ALTER TABLE visit_version ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON visit_version TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT ON visit_version TO drumline_app;

-- How long finished visits took, for the length of those to come.
CREATE TABLE visit_minutes (
    shop_id   uuid NOT NULL,
    visit_id  uuid NOT NULL,
    kind      text COLLATE "C" NOT NULL,
    complaint text COLLATE "C" NOT NULL,
    return_visit boolean NOT NULL,
    minutes   float8 NOT NULL CHECK (minutes > 0 AND minutes <= 1440),
    ended_at  timestamptz NOT NULL,
    PRIMARY KEY (shop_id, visit_id),
    FOREIGN KEY (shop_id, visit_id) REFERENCES visit (shop_id, id)
);
CREATE INDEX visit_minutes_recent ON visit_minutes (shop_id, kind, complaint, return_visit, ended_at);
ALTER TABLE visit_minutes ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON visit_minutes TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT ON visit_minutes TO drumline_app;

-- How the shop drives and books. A shop without a row has the defaults.
CREATE TABLE dispatch_rule (
    shop_id         uuid PRIMARY KEY REFERENCES shop,
    detour          float8 NOT NULL CHECK (detour >= 1 AND detour <= 5),            -- road to great circle
    speed           float8 NOT NULL CHECK (speed > 0 AND speed <= 60),              -- m/s
    unknown_minutes float8 NOT NULL CHECK (unknown_minutes >= 0 AND unknown_minutes <= 480), -- travel where a place is unknown
    window_minutes  float8 NOT NULL CHECK (window_minutes >= 15 AND window_minutes <= 720),  -- arrival window promised
    hold_minutes    float8 NOT NULL CHECK (hold_minutes >= 1 AND hold_minutes <= 120),
    labour_days     int NOT NULL CHECK (labour_days BETWEEN 0 AND 3650),            -- guarantee on our work
    part_days       int NOT NULL CHECK (part_days BETWEEN 0 AND 3650),              -- guarantee on parts
    version         bigint NOT NULL DEFAULT 1
);
ALTER TABLE dispatch_rule ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON dispatch_rule TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON dispatch_rule TO drumline_app;

-- A person's week, in the shop's zone, and where their day begins and ends.
CREATE TABLE working_week (
    shop_id    uuid NOT NULL,
    person_id  uuid NOT NULL,
    latitude   float8 CHECK (latitude BETWEEN -90 AND 90),
    longitude  float8 CHECK (longitude BETWEEN -180 AND 180),
    version    bigint NOT NULL DEFAULT 1,
    updated_at timestamptz NOT NULL,
    PRIMARY KEY (shop_id, person_id),
    FOREIGN KEY (shop_id, person_id) REFERENCES person (shop_id, id),
    CHECK ((latitude IS NULL) = (longitude IS NULL))
);
ALTER TABLE working_week ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON working_week TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON working_week TO drumline_app;

CREATE TABLE working_span (
    shop_id   uuid NOT NULL,
    person_id uuid NOT NULL,
    weekday   int NOT NULL CHECK (weekday BETWEEN 1 AND 7), -- 1 is Monday (ISO 8601)
    starts    int NOT NULL CHECK (starts >= 0 AND starts < 1440), -- minutes of the civil day
    ends      int NOT NULL CHECK (ends > starts AND ends <= 1440),
    PRIMARY KEY (shop_id, person_id, weekday, starts),
    FOREIGN KEY (shop_id, person_id) REFERENCES working_week (shop_id, person_id)
);
ALTER TABLE working_span ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON working_span TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, DELETE ON working_span TO drumline_app;

-- Days off: of one person, or of the whole shop.
CREATE TABLE time_off (
    shop_id    uuid NOT NULL,
    id         uuid NOT NULL,
    person_id  uuid, -- none: the shop is closed
    starts_on  date NOT NULL,
    ends_on    date NOT NULL, -- the last day
    starts     int CHECK (starts >= 0 AND starts < 1440), -- a part of each day; none: the whole day
    ends       int CHECK (ends > starts AND ends <= 1440),
    note       text NOT NULL DEFAULT '' CHECK (length(note) <= 200),
    created_at timestamptz NOT NULL,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, person_id) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id) REFERENCES shop,
    CHECK (ends_on >= starts_on AND ends_on <= starts_on + 366),
    CHECK ((starts IS NULL) = (ends IS NULL))
);
CREATE INDEX time_off_days ON time_off (shop_id, starts_on);
ALTER TABLE time_off ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON time_off TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, DELETE ON time_off TO drumline_app;

-- A window kept free for minutes, while somebody is on the phone.
CREATE TABLE hold (
    shop_id      uuid NOT NULL,
    id           uuid NOT NULL,
    call_id      uuid NOT NULL,
    tech_id      uuid NOT NULL,
    starts_at    timestamptz NOT NULL,
    ends_at      timestamptz NOT NULL CHECK (ends_at > starts_at),
    arrive_from  timestamptz,
    arrive_until timestamptz,
    held_by      uuid NOT NULL,
    expires_at   timestamptz NOT NULL,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, tech_id) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, held_by) REFERENCES person (shop_id, id)
);
CREATE INDEX hold_tech ON hold (shop_id, tech_id, starts_at);
ALTER TABLE hold ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON hold TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, DELETE ON hold TO drumline_app;

-- Calendar feeds. The token names the shop; only its hash is kept.
CREATE TABLE calendar (
    shop_id    uuid NOT NULL,
    id         uuid NOT NULL,
    person_id  uuid, -- none: the whole shop
    name       text NOT NULL CHECK (length(name) BETWEEN 1 AND 120),
    token_hash bytea NOT NULL CHECK (length(token_hash) = 32),
    created_by uuid NOT NULL,
    created_at timestamptz NOT NULL,
    revoked_at timestamptz,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, person_id) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, created_by) REFERENCES person (shop_id, id)
);
CREATE UNIQUE INDEX calendar_token ON calendar (shop_id, token_hash);
ALTER TABLE calendar ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON calendar TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON calendar TO drumline_app;

-- Since when a call stands where it stands: how long it has waited for parts.
ALTER TABLE call ADD COLUMN status_since timestamptz;
UPDATE call SET status_since = coalesce(closed_at, opened_at);
ALTER TABLE call ALTER COLUMN status_since SET NOT NULL;
ALTER TABLE call ADD COLUMN parts_arrived_at timestamptz;
