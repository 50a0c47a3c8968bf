-- What the customer says by a link has no person behind it, and a shop has
-- care tasks with scopes of its own.
ALTER TABLE cleaning ALTER COLUMN recorded_by DROP NOT NULL;
ALTER TABLE cleaning DROP CONSTRAINT cleaning_scopes_check;
ALTER TABLE cleaning ADD CONSTRAINT cleaning_scopes_check CHECK (cardinality(scopes) BETWEEN 1 AND 20);

-- A visit for care alone ends as care done.
ALTER TABLE call DROP CONSTRAINT call_outcome_check;
ALTER TABLE call ADD CONSTRAINT call_outcome_check CHECK (outcome IN ('returned_to_service', 'left_out_of_service', 'limited', 'declined',
    'not_worth_repairing', 'no_fault_found', 'no_access', 'cancelled', 'care_done'));

-- A shop's own care task: of a kind of unit or of one unit; or an own interval
-- for one that is built in.
CREATE TABLE care_task (
    shop_id    uuid NOT NULL REFERENCES shop,
    id         uuid NOT NULL,
    kind       text COLLATE "C" NOT NULL DEFAULT '',
    unit_id    uuid,
    shortens   text COLLATE "C" NOT NULL DEFAULT '', -- the built-in task whose interval it sets
    name       text NOT NULL CHECK (length(name) BETWEEN 1 AND 120),
    whose      text COLLATE "C" NOT NULL CHECK (whose IN ('us', 'customer')),
    scopes     text[] COLLATE "C" NOT NULL CHECK (cardinality(scopes) <= 8),
    months     int NOT NULL CHECK (months BETWEEN 1 AND 60),
    advice     text NOT NULL DEFAULT '' CHECK (length(advice) <= 400), -- what the householder may do
    version    bigint NOT NULL DEFAULT 1,
    created_at timestamptz NOT NULL,
    updated_at timestamptz NOT NULL,
    retired_at timestamptz,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id),
    CHECK ((kind = '') = (unit_id IS NOT NULL))
);
ALTER TABLE care_task ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON care_task TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON care_task TO drumline_app;
GRANT SELECT ON care_task TO drumline_worker;

-- How and when the shop writes. A shop without a row writes nothing.
CREATE TABLE care_policy (
    shop_id        uuid PRIMARY KEY REFERENCES shop,
    enabled        boolean NOT NULL,
    paused         boolean NOT NULL,
    dry_run        boolean NOT NULL, -- everything but the sending
    language       text COLLATE "C" NOT NULL CHECK (language IN ('en', 'es')),
    sender_name    text NOT NULL CHECK (length(sender_name) BETWEEN 1 AND 120),
    sender_address text NOT NULL CHECK (length(sender_address) BETWEEN 3 AND 254),
    reply_to       text NOT NULL CHECK (length(reply_to) <= 254),
    phone          text NOT NULL CHECK (length(phone) <= 40),
    postal_address text NOT NULL CHECK (length(postal_address) BETWEEN 5 AND 300),
    greeting       text NOT NULL CHECK (length(greeting) <= 300), -- the shop's own words, plain text
    closing        text NOT NULL CHECK (length(closing) <= 300),
    lead_days      int[] NOT NULL CHECK (cardinality(lead_days) BETWEEN 1 AND 6),
    grace_days     int NOT NULL CHECK (grace_days BETWEEN 1 AND 90),
    window_from    int NOT NULL, -- minutes of the civil day at the site
    window_to      int NOT NULL,
    season_from    int CHECK (season_from BETWEEN 1 AND 12), -- months the shop would rather clean in
    season_to      int CHECK (season_to BETWEEN 1 AND 12),
    tasks          text[] COLLATE "C" NOT NULL CHECK (cardinality(tasks) <= 50), -- reminded of; none: all that are ours
    per_minute     int NOT NULL CHECK (per_minute BETWEEN 1 AND 6000),
    flood          int NOT NULL CHECK (flood BETWEEN 1 AND 1000000), -- more than so many late at once wait for the owner's word
    flood_until    timestamptz, -- the owner's word
    confirm_visits boolean NOT NULL,
    day_before     boolean NOT NULL,
    send_report    boolean NOT NULL,
    bounce_key     bytea NOT NULL CHECK (length(bounce_key) = 32),
    version        bigint NOT NULL DEFAULT 1,
    updated_at     timestamptz NOT NULL,
    CHECK (window_from >= 480 AND window_to <= 1200 AND window_to - window_from >= 60), -- quiet from 20:00 to 08:00
    CHECK ((season_from IS NULL) = (season_to IS NULL))
);
ALTER TABLE care_policy ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON care_policy TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON care_policy TO drumline_app;
GRANT SELECT ON care_policy TO drumline_worker;

-- When the worker has next to look at a shop, and how far it has read the
-- shop's changes of visits. Times and numbers only: the worker reads it across
-- shops.
CREATE TABLE care_agenda (
    shop_id   uuid PRIMARY KEY REFERENCES shop,
    wake_at   timestamptz NOT NULL,
    visit_seq bigint NOT NULL DEFAULT 0
);
CREATE INDEX care_agenda_wake ON care_agenda (wake_at);
ALTER TABLE care_agenda ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON care_agenda TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON care_agenda TO drumline_app;
GRANT SELECT, INSERT, UPDATE ON care_agenda TO drumline_worker;
CREATE POLICY scan ON care_agenda FOR SELECT TO drumline_worker USING (true);

-- Units whose due dates are to be derived anew: what they rest on has changed.
CREATE TABLE care_stale (
    shop_id uuid NOT NULL,
    unit_id uuid NOT NULL,
    PRIMARY KEY (shop_id, unit_id),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id)
);
ALTER TABLE care_stale ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON care_stale TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, DELETE ON care_stale TO drumline_app;
GRANT SELECT, INSERT, DELETE ON care_stale TO drumline_worker;
CREATE POLICY scan ON care_stale FOR SELECT TO drumline_worker USING (true);
-- FOR UPDATE asks for the right to update some column.
GRANT UPDATE (unit_id) ON care_stale TO drumline_app, drumline_worker;
CREATE POLICY scan ON shop_feed FOR SELECT TO drumline_worker USING (true);

-- When each task of each unit is due: derived, never typed.
CREATE TABLE care_due (
    shop_id      uuid NOT NULL,
    unit_id      uuid NOT NULL,
    task         text COLLATE "C" NOT NULL,
    due_on       date NOT NULL,
    months       int NOT NULL,  -- how long the task may go: when nothing is done it is asked for again
    asked_on     date NOT NULL, -- the date that is written about: due_on, or so many months after it
    derived_on   date NOT NULL, -- since when this date is known
    led_on       date,          -- the last day ahead whose message has been seen to
    next_lead_on date,          -- the next one; none: nothing more to write
    PRIMARY KEY (shop_id, unit_id, task),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id)
);
CREATE INDEX care_due_day ON care_due (shop_id, due_on, unit_id, task);
CREATE INDEX care_due_lead ON care_due (shop_id, next_lead_on, unit_id, task) WHERE next_lead_on IS NOT NULL;
ALTER TABLE care_due ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON care_due TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE, DELETE ON care_due TO drumline_app;
GRANT SELECT, INSERT, UPDATE, DELETE ON care_due TO drumline_worker;

-- Due dates of an area begin at its sites.
CREATE INDEX site_area ON site (shop_id, postal_code COLLATE "C", id);

-- One e-mail to one customer: an entry of the ledger, and a place in the queue.
CREATE TABLE mail (
    shop_id      uuid NOT NULL,
    id           uuid NOT NULL,
    kind         text COLLATE "C" NOT NULL CHECK (kind IN ('care', 'visit', 'visit_tomorrow', 'report')),
    customer_id  uuid NOT NULL,
    day          date NOT NULL, -- at the site; one message about care a day
    message_id   text COLLATE "C" NOT NULL,
    token_hash   bytea NOT NULL CHECK (length(token_hash) = 32), -- of the links in it
    bounce_hash  bytea NOT NULL CHECK (length(bounce_hash) = 32), -- of the address it comes back to
    state        text COLLATE "C" NOT NULL CHECK (state IN ('claimed', 'handed', 'accepted', 'soft_failed', 'hard_failed', 'suppressed', 'superseded', 'missed', 'ambiguous')),
    attempt      int NOT NULL,
    ambiguous    int NOT NULL DEFAULT 0, -- attempts whose end nobody knows
    next_at      timestamptz NOT NULL,   -- of soft_failed: the next attempt; of claimed and handed: the end of the lease
    useless_at   timestamptz NOT NULL,   -- from then on it is not sent any more
    claimed_by   text COLLATE "C" NOT NULL,
    handed_at    timestamptz,
    created_at   timestamptz NOT NULL,
    settled_at   timestamptz,
    reply        text NOT NULL DEFAULT '' CHECK (length(reply) <= 400), -- of the server, or why not
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, customer_id) REFERENCES customer (shop_id, id)
);
CREATE UNIQUE INDEX mail_one_a_day ON mail (shop_id, customer_id, day) WHERE kind = 'care' AND state NOT IN ('superseded', 'missed');
CREATE UNIQUE INDEX mail_token ON mail (shop_id, token_hash);
CREATE UNIQUE INDEX mail_bounce ON mail (shop_id, bounce_hash);
CREATE INDEX mail_queue ON mail (shop_id, next_at) WHERE state IN ('claimed', 'handed', 'soft_failed');
CREATE INDEX mail_handed ON mail (shop_id, handed_at) WHERE handed_at IS NOT NULL;
CREATE INDEX mail_customer ON mail (shop_id, customer_id, created_at);
ALTER TABLE mail ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON mail TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, UPDATE ON mail TO drumline_app;
GRANT SELECT, INSERT, UPDATE ON mail TO drumline_worker;

-- The ledger of what is to be written: what, about what, how long ahead, by
-- which way. The key is what keeps a message from being planned twice, whatever
-- happens to the clock or the worker.
CREATE TABLE reminder (
    shop_id     uuid NOT NULL,
    id          uuid NOT NULL,
    kind        text COLLATE "C" NOT NULL CHECK (kind IN ('care', 'visit', 'visit_tomorrow', 'report')),
    channel     text COLLATE "C" NOT NULL CHECK (channel IN ('email')),
    customer_id uuid NOT NULL,
    unit_id     uuid NOT NULL,
    task        text COLLATE "C" NOT NULL DEFAULT '',
    due_on      date NOT NULL, -- of the task; the day of the visit or of the report
    lead_days   int NOT NULL DEFAULT 0,
    visit_id    uuid,
    revision    bigint NOT NULL DEFAULT 0, -- of the visit
    call_id     uuid,
    state       text COLLATE "C" NOT NULL CHECK (state IN ('planned', 'mailed', 'superseded', 'missed', 'suppressed')),
    not_before  timestamptz NOT NULL,
    useless_at  timestamptz NOT NULL,
    mail_id     uuid,
    planned_at  timestamptz NOT NULL,
    settled_at  timestamptz,
    reason      text NOT NULL DEFAULT '' CHECK (length(reason) <= 200),
    PRIMARY KEY (shop_id, id),
    CONSTRAINT reminder_once UNIQUE NULLS NOT DISTINCT (shop_id, unit_id, task, due_on, lead_days, channel, kind, visit_id, revision, call_id),
    FOREIGN KEY (shop_id, customer_id) REFERENCES customer (shop_id, id),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id),
    FOREIGN KEY (shop_id, visit_id) REFERENCES visit (shop_id, id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, mail_id) REFERENCES mail (shop_id, id),
    CHECK ((state = 'mailed') <= (mail_id IS NOT NULL))
);
CREATE INDEX reminder_queue ON reminder (shop_id, not_before, id) WHERE state = 'planned';
CREATE INDEX reminder_mail ON reminder (shop_id, mail_id) WHERE mail_id IS NOT NULL;
CREATE INDEX reminder_customer ON reminder (shop_id, customer_id, planned_at);
CREATE INDEX reminder_visit ON reminder (shop_id, visit_id) WHERE visit_id IS NOT NULL;
CREATE INDEX reminder_planned ON reminder (shop_id, planned_at);
ALTER TABLE reminder ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON reminder TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON reminder TO drumline_app;
GRANT SELECT, INSERT, UPDATE ON reminder TO drumline_worker;

-- Addresses nothing is sent to, by whose wish or for what reason.
CREATE TABLE suppression (
    shop_id    uuid NOT NULL REFERENCES shop,
    id         uuid NOT NULL,
    email_norm text NOT NULL CHECK (length(email_norm) <= 254),
    scope      text COLLATE "C" NOT NULL CHECK (scope IN ('care', 'all')),
    reason     text COLLATE "C" NOT NULL CHECK (reason IN ('unsubscribed', 'bounced', 'by_shop')),
    detail     text NOT NULL DEFAULT '' CHECK (length(detail) <= 400),
    created_at timestamptz NOT NULL,
    lifted_at  timestamptz,
    PRIMARY KEY (shop_id, id)
);
CREATE UNIQUE INDEX suppression_live ON suppression (shop_id, email_norm, scope) WHERE lifted_at IS NULL;
ALTER TABLE suppression ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON suppression TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON suppression TO drumline_app;
GRANT SELECT, INSERT ON suppression TO drumline_worker;

-- What a customer asked for by the links of a message.
CREATE TABLE care_wish (
    shop_id     uuid NOT NULL,
    id          uuid NOT NULL,
    mail_id     uuid NOT NULL,
    customer_id uuid NOT NULL,
    what        text COLLATE "C" NOT NULL CHECK (what IN ('book', 'call_me')),
    note        text NOT NULL DEFAULT '' CHECK (length(note) <= 400),
    made_at     timestamptz NOT NULL,
    handled_at  timestamptz,
    handled_by  uuid,
    call_id     uuid,
    PRIMARY KEY (shop_id, id),
    UNIQUE (shop_id, mail_id, what),
    FOREIGN KEY (shop_id, mail_id) REFERENCES mail (shop_id, id),
    FOREIGN KEY (shop_id, customer_id) REFERENCES customer (shop_id, id),
    FOREIGN KEY (shop_id, handled_by) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id)
);
CREATE INDEX care_wish_open ON care_wish (shop_id, made_at) WHERE handled_at IS NULL;
ALTER TABLE care_wish ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON care_wish TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON care_wish TO drumline_app;

-- A calendar feed may show due dates instead of visits.
ALTER TABLE calendar ADD COLUMN shows text COLLATE "C" NOT NULL DEFAULT 'visits' CHECK (shows IN ('visits', 'care_due'));

-- What the worker reads of a shop's records.
GRANT SELECT ON shop, customer, site, unit, cleaning, call, visit, visit_change, shop_feed TO drumline_worker;

GRANT INSERT ON audit TO drumline_worker;

-- Due dates of what is on record are derived by the worker.
INSERT INTO care_stale (shop_id, unit_id) SELECT shop_id, id FROM unit WHERE retired_at IS NULL;
