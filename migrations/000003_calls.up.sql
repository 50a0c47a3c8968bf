CREATE TABLE call (
    shop_id      uuid NOT NULL,
    id           uuid NOT NULL,
    unit_id      uuid NOT NULL,
    complaint    text COLLATE "C" NOT NULL,
    description  text NOT NULL DEFAULT '' CHECK (length(description) <= 2000),
    status       text COLLATE "C" NOT NULL CHECK (status IN ('open', 'waiting_for_parts', 'closed')),
    outcome      text COLLATE "C" CHECK (outcome IN ('returned_to_service', 'left_out_of_service', 'limited', 'declined',
                     'not_worth_repairing', 'no_fault_found', 'no_access', 'cancelled')),
    outcome_note text NOT NULL DEFAULT '' CHECK (length(outcome_note) <= 2000),
    comes_back_from uuid, -- the earlier call whose repair this one follows up
    opened_by    uuid NOT NULL,
    opened_at    timestamptz NOT NULL,
    closed_by    uuid,
    closed_at    timestamptz,
    version      bigint NOT NULL DEFAULT 1,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id),
    FOREIGN KEY (shop_id, opened_by) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, closed_by) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, comes_back_from) REFERENCES call (shop_id, id),
    CHECK ((status = 'closed') = (outcome IS NOT NULL)),
    CHECK ((status = 'closed') = (closed_at IS NOT NULL))
);
CREATE INDEX call_unit ON call (shop_id, unit_id, opened_at);
CREATE INDEX call_opened ON call (shop_id, opened_at, id);
ALTER TABLE call ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON call TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON call TO drumline_app;

CREATE TABLE call_answer (
    shop_id  uuid NOT NULL,
    call_id  uuid NOT NULL,
    question text COLLATE "C" NOT NULL,
    answer   text COLLATE "C" NOT NULL,
    asked_by uuid NOT NULL,
    asked_at timestamptz NOT NULL,
    PRIMARY KEY (shop_id, call_id, question),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, asked_by) REFERENCES person (shop_id, id)
);
ALTER TABLE call_answer ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON call_answer TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE, DELETE ON call_answer TO drumline_app;

CREATE TABLE visit (
    shop_id       uuid NOT NULL,
    id            uuid NOT NULL,
    call_id       uuid NOT NULL,
    tech_id       uuid, -- none: not assigned yet
    starts_at     timestamptz NOT NULL CHECK (isfinite(starts_at)),
    ends_at       timestamptz NOT NULL CHECK (isfinite(ends_at)),
    status        text COLLATE "C" NOT NULL CHECK (status IN ('booked', 'on_the_way', 'on_site', 'done', 'cancelled', 'no_access')),
    note          text NOT NULL DEFAULT '' CHECK (length(note) <= 2000),
    cancel_reason text NOT NULL DEFAULT '' CHECK (length(cancel_reason) <= 400),
    version       bigint NOT NULL DEFAULT 1,
    created_at    timestamptz NOT NULL,
    updated_at    timestamptz NOT NULL,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, tech_id) REFERENCES person (shop_id, id),
    CONSTRAINT visit_ends_after_start CHECK (ends_at > starts_at), -- an empty range would never conflict
    CONSTRAINT visit_at_most_a_day CHECK (ends_at <= starts_at + interval '24 hours'),
    CONSTRAINT visit_no_double_booking EXCLUDE USING gist (shop_id WITH =, tech_id WITH =, tstzrange(starts_at, ends_at, '[)') WITH &&)
        WHERE (status IN ('booked', 'on_the_way', 'on_site', 'done'))
);
CREATE INDEX visit_call ON visit (shop_id, call_id, starts_at);
CREATE INDEX visit_start ON visit (shop_id, starts_at, id);
CREATE INDEX visit_tech ON visit (shop_id, tech_id, starts_at);
ALTER TABLE visit ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON visit TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON visit TO drumline_app;

-- The change feed: a counter per shop, raised as the last statement of a
-- visit's transaction, so that order of numbers is order of commits.
CREATE TABLE shop_feed (
    shop_id uuid PRIMARY KEY REFERENCES shop,
    seq     bigint NOT NULL DEFAULT 0
);
ALTER TABLE shop_feed ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON shop_feed TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON shop_feed TO drumline_app;

CREATE TABLE visit_change (
    shop_id  uuid NOT NULL,
    seq      bigint NOT NULL,
    visit_id uuid NOT NULL,
    change   text NOT NULL CHECK (change IN ('booked', 'moved', 'assigned', 'status', 'cancelled', 'noted')),
    at       timestamptz NOT NULL,
    PRIMARY KEY (shop_id, seq),
    FOREIGN KEY (shop_id, visit_id) REFERENCES visit (shop_id, id)
);
ALTER TABLE visit_change ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON visit_change TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT ON visit_change TO drumline_app;
