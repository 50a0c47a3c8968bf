-- Why a call came back, set by the owner with the tech of the earlier repair.
CREATE TABLE come_back (
    shop_id    uuid NOT NULL,
    call_id    uuid NOT NULL,
    reason     text COLLATE "C" NOT NULL CHECK (reason IN ('same_part', 'wrong_diagnosis', 'workmanship', 'new_part_bad', 'duct_or_installation',
                   'use', 'unrelated')),
    note       text NOT NULL DEFAULT '' CHECK (length(note) <= 2000),
    decided_by uuid NOT NULL,
    decided_at timestamptz NOT NULL,
    version    bigint NOT NULL DEFAULT 1,
    PRIMARY KEY (shop_id, call_id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, decided_by) REFERENCES person (shop_id, id)
);
ALTER TABLE come_back ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON come_back TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON come_back TO drumline_app;

-- What follows are roll-ups: all of it can be thrown away and derived anew from
-- the views below. No personal values.

-- seq counts how often the roll-up of a shop was brought up to date with
-- something new; an answer kept is good as long as it stands.
CREATE TABLE history_state (
    shop_id uuid PRIMARY KEY REFERENCES shop,
    seq     bigint NOT NULL DEFAULT 0
);
ALTER TABLE history_state ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON history_state TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON history_state TO drumline_app;

-- Units whose rows are no longer what the views say.
CREATE TABLE history_mark (
    shop_id uuid NOT NULL,
    id      bigint NOT NULL GENERATED ALWAYS AS IDENTITY,
    unit_id uuid NOT NULL,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id)
);
ALTER TABLE history_mark ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON history_mark TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, DELETE ON history_mark TO drumline_app;
GRANT INSERT ON history_mark TO drumline_worker;

-- One row a repaired fault: a conclusion of a call closed as returned to
-- service. ended_on is when the watch over it ended: by cause 1, the same fault
-- on the unit again; 2, another fault; 0, the unit was retired. Null: it is
-- still watched.
CREATE TABLE history_repair (
    shop_id       uuid NOT NULL,
    conclusion_id uuid NOT NULL,
    call_id       uuid NOT NULL,
    unit_id       uuid NOT NULL,
    site_id       uuid NOT NULL,
    kind          text COLLATE "C" NOT NULL,
    model         text COLLATE "C" NOT NULL, -- without case, spaces and punctuation; '' where it is not known
    complaint     text COLLATE "C" NOT NULL,
    part          text COLLATE "C" NOT NULL,
    fault         text COLLATE "C" NOT NULL,
    part_number   text COLLATE "C" NOT NULL, -- of the first part fitted; '' when none was
    part_source   text COLLATE "C" NOT NULL,
    lot           text COLLATE "C" NOT NULL,
    tech_id       uuid NOT NULL,
    closed_on     date NOT NULL,
    ended_on      date,
    cause         int NOT NULL CHECK (cause IN (0, 1, 2)),
    part_ended_on date, -- when a fault of the same part was next concluded, or the unit retired
    part_failed   boolean NOT NULL,
    PRIMARY KEY (shop_id, conclusion_id),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id),
    CHECK (cause = 0 OR ended_on IS NOT NULL),
    CHECK (NOT part_failed OR part_ended_on IS NOT NULL)
);
CREATE INDEX history_repair_unit ON history_repair (shop_id, unit_id);
CREATE INDEX history_repair_closed ON history_repair (shop_id, closed_on);
ALTER TABLE history_repair ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON history_repair TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, DELETE ON history_repair TO drumline_app;

-- One row a call that ended with something found on the unit. returned: as
-- returned to service; such a job comes back with the next call about the same
-- complaint.
CREATE TABLE history_job (
    shop_id      uuid NOT NULL,
    call_id      uuid NOT NULL,
    unit_id      uuid NOT NULL,
    site_id      uuid NOT NULL,
    kind         text COLLATE "C" NOT NULL,
    model        text COLLATE "C" NOT NULL,
    complaint    text COLLATE "C" NOT NULL,
    parts        text[] NOT NULL,
    faults       text[] NOT NULL,
    part_sources text[] NOT NULL,
    tech_id      uuid,          -- who concluded last
    returned     boolean NOT NULL,
    visits       int NOT NULL,  -- attended
    opened_on    date NOT NULL,
    closed_on    date NOT NULL,
    retired_on   date,
    back_call_id uuid,
    back_on      date,
    PRIMARY KEY (shop_id, call_id),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id),
    CHECK ((back_call_id IS NULL) = (back_on IS NULL))
);
CREATE INDEX history_job_unit ON history_job (shop_id, unit_id);
CREATE INDEX history_job_closed ON history_job (shop_id, closed_on);
ALTER TABLE history_job ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON history_job TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, DELETE ON history_job TO drumline_app;

-- Answers to the questions asked without a filter, as long as they hold.
CREATE TABLE history_answer (
    shop_id  uuid NOT NULL REFERENCES shop,
    question text COLLATE "C" NOT NULL,
    cut_on   date NOT NULL,
    seq      bigint NOT NULL,
    answer   jsonb NOT NULL,
    PRIMARY KEY (shop_id, question)
);
ALTER TABLE history_answer ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON history_answer TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON history_answer TO drumline_app;

-- Contracts: the history reads these and nothing of the tables behind them.
-- Civil dates are those of the shop's zone.
CREATE VIEW history_shop WITH (security_invoker = true) AS
    SELECT shop_id, name, time_zone FROM shop;
CREATE VIEW history_person WITH (security_invoker = true) AS
    SELECT shop_id, id AS person_id, name FROM person;
CREATE VIEW history_call WITH (security_invoker = true) AS
    SELECT c.shop_id, c.id AS call_id, c.unit_id, u.site_id, u.kind, u.model_norm AS model, c.complaint, c.status, c.outcome, c.status_since,
        c.opened_at, c.closed_at, c.comes_back_from, c.version,
        (c.opened_at AT TIME ZONE s.time_zone)::date AS opened_on, (c.closed_at AT TIME ZONE s.time_zone)::date AS closed_on,
        (u.retired_at AT TIME ZONE s.time_zone)::date AS retired_on
    FROM call c JOIN unit u ON u.shop_id = c.shop_id AND u.id = c.unit_id JOIN shop s ON s.shop_id = c.shop_id;
-- A fault that was found: concluded, not voided, on a call that ended so.
CREATE VIEW history_fault WITH (security_invoker = true) AS
    SELECT k.shop_id, k.id AS conclusion_id, k.call_id, k.part, k.fault, k.concluded_by AS tech_id, k.concluded_at, k.against_evidence <> '' AS against_evidence,
        coalesce(f.number, '') AS part_number, coalesce(f.source, '') AS part_source, coalesce(f.lot, '') AS lot
    FROM conclusion k
    LEFT JOIN part_fitted f ON f.shop_id = k.shop_id AND f.conclusion_id = k.id AND f.n = 0
    WHERE k.voided_at IS NULL;
CREATE VIEW history_visit WITH (security_invoker = true) AS
    SELECT v.shop_id, v.id AS visit_id, v.call_id, v.tech_id, v.status, v.starts_at, m.minutes, m.ended_at,
        (SELECT min(x.changed_at) FROM visit_version x WHERE x.shop_id = v.shop_id AND x.visit_id = v.id AND x.status = 'on_the_way') AS left_at,
        (SELECT min(x.changed_at) FROM visit_version x WHERE x.shop_id = v.shop_id AND x.visit_id = v.id AND x.status = 'on_site') AS arrived_at,
        EXISTS (SELECT FROM action a WHERE a.shop_id = v.shop_id AND a.visit_id = v.id AND a.voided_at IS NULL) AS acted,
        EXISTS (SELECT FROM reading r WHERE r.shop_id = v.shop_id AND r.call_id = v.call_id AND r.phase = 'verification' AND r.voided_at IS NULL) AS verified
    FROM visit v LEFT JOIN visit_minutes m ON m.shop_id = v.shop_id AND m.visit_id = v.id;
CREATE VIEW history_expiry WITH (security_invoker = true) AS
    SELECT c.shop_id, c.person_id, 'competence' AS what, c.name, c.expires_on
    FROM competence c JOIN person p ON p.shop_id = c.shop_id AND p.id = c.person_id AND p.disabled_at IS NULL
    UNION ALL SELECT i.shop_id, i.person_id, 'calibration', i.name, i.calibration_due_on
    FROM instrument i WHERE i.calibration_due_on IS NOT NULL AND i.retired_at IS NULL;
GRANT SELECT ON history_shop, history_person, history_call, history_fault, history_visit, history_expiry TO drumline_app;

-- Whatever can change a row of the roll-up marks the unit, in the same
-- transaction, whichever slice wrote it.
CREATE FUNCTION history_mark_unit() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_TABLE_NAME = 'unit' THEN
        INSERT INTO history_mark (shop_id, unit_id) VALUES (NEW.shop_id, NEW.id);
    ELSIF TG_TABLE_NAME = 'call' THEN
        INSERT INTO history_mark (shop_id, unit_id) VALUES (NEW.shop_id, NEW.unit_id);
    ELSIF TG_TABLE_NAME = 'shop' THEN
        INSERT INTO history_mark (shop_id, unit_id) SELECT DISTINCT c.shop_id, c.unit_id FROM call c WHERE c.shop_id = NEW.shop_id;
    ELSE
        INSERT INTO history_mark (shop_id, unit_id)
        SELECT c.shop_id, c.unit_id FROM call c WHERE c.shop_id = NEW.shop_id AND c.id = NEW.call_id AND c.status = 'closed';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER history_mark AFTER INSERT OR UPDATE OF unit_id, complaint, outcome, opened_at, closed_at ON call
    FOR EACH ROW EXECUTE FUNCTION history_mark_unit();
CREATE TRIGGER history_mark AFTER UPDATE OF site_id, kind, model, retired_at ON unit FOR EACH ROW
    WHEN (OLD.site_id <> NEW.site_id OR OLD.kind <> NEW.kind OR OLD.model <> NEW.model OR OLD.retired_at IS DISTINCT FROM NEW.retired_at)
    EXECUTE FUNCTION history_mark_unit();
CREATE TRIGGER history_mark AFTER INSERT OR UPDATE ON conclusion FOR EACH ROW EXECUTE FUNCTION history_mark_unit();
CREATE TRIGGER history_mark AFTER UPDATE OF status ON visit FOR EACH ROW WHEN (OLD.status <> NEW.status) EXECUTE FUNCTION history_mark_unit();
CREATE TRIGGER history_mark AFTER UPDATE OF time_zone ON shop FOR EACH ROW WHEN (OLD.time_zone <> NEW.time_zone) EXECUTE FUNCTION history_mark_unit();
INSERT INTO history_mark (shop_id, unit_id) SELECT DISTINCT shop_id, unit_id FROM call;
