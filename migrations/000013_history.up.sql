-- Why a call came back to a repair, as the owner and the tech see it.
CREATE TABLE come_back (
    shop_id   uuid NOT NULL,
    call_id   uuid NOT NULL, -- the call that came back
    reason    text COLLATE "C" NOT NULL CHECK (reason IN ('same_part', 'wrong_diagnosis', 'workmanship', 'new_part_bad', 'duct_or_installation', 'use', 'unrelated')),
    note      text NOT NULL DEFAULT '' CHECK (length(note) <= 2000),
    set_by    uuid NOT NULL,
    set_at    timestamptz NOT NULL,
    version   bigint NOT NULL DEFAULT 1,
    PRIMARY KEY (shop_id, call_id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, set_by) REFERENCES person (shop_id, id)
);
ALTER TABLE come_back ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON come_back TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON come_back TO drumline_app;
GRANT SELECT ON come_back TO drumline_worker;

-- Units whose history is to be put together anew: something of it has changed.
CREATE TABLE history_stale (
    shop_id uuid NOT NULL,
    unit_id uuid NOT NULL,
    PRIMARY KEY (shop_id, unit_id),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id)
);
ALTER TABLE history_stale ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON history_stale TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, DELETE ON history_stale TO drumline_app;
GRANT SELECT, INSERT, DELETE ON history_stale TO drumline_worker;
-- FOR UPDATE, and writing a mark again, ask for the right to update.
GRANT UPDATE (unit_id) ON history_stale TO drumline_app, drumline_worker;
CREATE POLICY scan ON history_stale FOR SELECT TO drumline_worker USING (true);

-- One row a call that put a unit back to service, and how long that lasted.
CREATE TABLE call_row (
    shop_id    uuid NOT NULL,
    call_id    uuid NOT NULL,
    unit_id    uuid NOT NULL,
    kind       text COLLATE "C" NOT NULL,
    model      text COLLATE "C" NOT NULL,
    complaint  text COLLATE "C" NOT NULL,
    tech_id    uuid,             -- who concluded, else who closed
    closed_on  date NOT NULL,    -- in the shop's zone
    ended_on   date,             -- none: nothing has come since
    cause      smallint NOT NULL CHECK (cause BETWEEN 0 AND 2), -- 1 the same complaint again, 2 another, 0 neither
    next_call  uuid,             -- that came then
    visits     int NOT NULL,
    PRIMARY KEY (shop_id, call_id),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id)
);
CREATE INDEX call_row_unit ON call_row (shop_id, unit_id);
CREATE INDEX call_row_closed ON call_row (shop_id, closed_on);
ALTER TABLE call_row ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON call_row TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, DELETE ON call_row TO drumline_app;
GRANT SELECT, INSERT, DELETE ON call_row TO drumline_worker;

-- One row a repair of a fault, and how long it lasted.
CREATE TABLE repair_row (
    shop_id       uuid NOT NULL,
    conclusion_id uuid NOT NULL,
    call_id       uuid NOT NULL,
    unit_id       uuid NOT NULL,
    kind          text COLLATE "C" NOT NULL,
    model         text COLLATE "C" NOT NULL,
    complaint     text COLLATE "C" NOT NULL,
    part          text COLLATE "C" NOT NULL,
    fault         text COLLATE "C" NOT NULL,
    part_number   text COLLATE "C" NOT NULL DEFAULT '', -- fitted; none: nothing was
    part_source   text COLLATE "C" NOT NULL DEFAULT '',
    lot           text COLLATE "C" NOT NULL DEFAULT '',
    tech_id       uuid NOT NULL,
    fixed_on      date NOT NULL,
    ended_on      date,
    cause         smallint NOT NULL CHECK (cause BETWEEN 0 AND 2), -- 1 the same fault again, 2 another fault, 0 neither
    PRIMARY KEY (shop_id, conclusion_id),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id)
);
CREATE INDEX repair_row_unit ON repair_row (shop_id, unit_id);
CREATE INDEX repair_row_fixed ON repair_row (shop_id, fixed_on);
ALTER TABLE repair_row ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON repair_row TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, DELETE ON repair_row TO drumline_app;
GRANT SELECT, INSERT, DELETE ON repair_row TO drumline_worker;

-- Counts the changes of the two tables above, so that an answer can tell
-- whether it still stands.
CREATE TABLE history_state (
    shop_id uuid PRIMARY KEY REFERENCES shop,
    version bigint NOT NULL DEFAULT 0
);
ALTER TABLE history_state ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON history_state TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON history_state TO drumline_app;
GRANT SELECT, INSERT, UPDATE ON history_state TO drumline_worker;

-- Answers to the usual questions, kept until the rows or the day change.
CREATE TABLE history_answer (
    shop_id  uuid NOT NULL REFERENCES shop,
    question text COLLATE "C" NOT NULL CHECK (length(question) <= 100),
    version  bigint NOT NULL,
    cut_on   date NOT NULL,
    answer   bytea NOT NULL,
    PRIMARY KEY (shop_id, question)
);
ALTER TABLE history_answer ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON history_answer TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE, DELETE ON history_answer TO drumline_app;

CREATE INDEX visit_version_arrived ON visit_version (shop_id, changed_at) WHERE status = 'on_site';

-- Contracts: the history reads these and nothing of the tables behind them.
CREATE VIEW history_call WITH (security_invoker = true) AS
    SELECT c.shop_id, c.id AS call_id, c.unit_id, c.complaint, c.status, c.outcome, c.comes_back_from, c.opened_at, c.closed_at, c.closed_by, c.status_since,
           (SELECT count(*) FROM visit v WHERE v.shop_id = c.shop_id AND v.call_id = c.id AND v.status IN ('done', 'on_site')) AS visits
    FROM call c;
CREATE VIEW history_conclusion WITH (security_invoker = true) AS
    SELECT n.shop_id, n.id AS conclusion_id, n.call_id, c.unit_id, n.part, n.fault, n.action_id IS NOT NULL AS mended, n.concluded_by, n.concluded_at, n.against_evidence,
           coalesce(f.number, '') AS part_number, coalesce(f.source, '') AS part_source, coalesce(f.lot, '') AS lot
    FROM conclusion n
    JOIN call c ON c.shop_id = n.shop_id AND c.id = n.call_id
    LEFT JOIN part_fitted f ON f.shop_id = n.shop_id AND f.conclusion_id = n.id AND f.n = 0
    WHERE n.voided_at IS NULL;
CREATE VIEW history_unit WITH (security_invoker = true) AS
    SELECT shop_id, id AS unit_id, kind, model_norm AS model, installed_on, created_at, retired_at FROM unit;
CREATE VIEW history_hazard WITH (security_invoker = true) AS
    SELECT shop_id, id AS hazard_id, call_id, level, found, found_at, cleared_at FROM hazard;
CREATE VIEW history_proof WITH (security_invoker = true) AS -- readings that prove a repair
    SELECT shop_id, id AS reading_id, call_id FROM reading WHERE phase = 'verification' AND voided_at IS NULL AND not_done = '';
CREATE VIEW history_minutes WITH (security_invoker = true) AS
    SELECT shop_id, visit_id, minutes, ended_at FROM visit_minutes;
CREATE VIEW history_drive WITH (security_invoker = true) AS -- from setting out to arriving
    SELECT a.shop_id, a.visit_id, a.changed_at AS arrived_at, extract(epoch FROM a.changed_at - w.left_at)::float8 / 60 AS minutes
    FROM visit_version a CROSS JOIN LATERAL (SELECT max(x.changed_at) AS left_at FROM visit_version x
        WHERE x.shop_id = a.shop_id AND x.visit_id = a.visit_id AND x.status = 'on_the_way' AND x.version < a.version) w
    WHERE a.status = 'on_site' AND NOT EXISTS (SELECT FROM visit_version y
        WHERE y.shop_id = a.shop_id AND y.visit_id = a.visit_id AND y.status = 'on_site' AND y.version < a.version);
CREATE VIEW history_expiring WITH (security_invoker = true) AS
    SELECT k.shop_id, k.name AS what, p.name AS whose, k.expires_on FROM competence k
    JOIN person p ON p.shop_id = k.shop_id AND p.id = k.person_id AND p.disabled_at IS NULL
    UNION ALL
    SELECT i.shop_id, i.name, coalesce(p.name, ''), i.calibration_due_on FROM instrument i
    LEFT JOIN person p ON p.shop_id = i.shop_id AND p.id = i.person_id
    WHERE i.retired_at IS NULL AND i.calibration_due_on IS NOT NULL;
GRANT SELECT ON history_hazard, history_proof, history_minutes, history_drive, history_expiring TO drumline_app;
GRANT SELECT ON history_call, history_conclusion, history_unit TO drumline_app, drumline_worker;
GRANT SELECT ON conclusion, part_fitted TO drumline_worker;

-- Marks come with the change itself, whoever makes it.
CREATE FUNCTION mark_history() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    unit uuid;
BEGIN
    IF TG_TABLE_NAME = 'unit' THEN
        unit := NEW.id;
    ELSIF TG_TABLE_NAME = 'call' THEN
        unit := NEW.unit_id;
    ELSIF TG_TABLE_NAME = 'shop' THEN -- another zone: other civil days
        INSERT INTO history_stale (shop_id, unit_id) SELECT DISTINCT c.shop_id, c.unit_id FROM call c WHERE c.shop_id = NEW.shop_id ORDER BY c.unit_id
        ON CONFLICT (shop_id, unit_id) DO UPDATE SET unit_id = excluded.unit_id;
        RETURN NULL;
    ELSIF TG_TABLE_NAME = 'part_fitted' THEN
        SELECT c.unit_id INTO unit FROM conclusion n JOIN call c ON c.shop_id = n.shop_id AND c.id = n.call_id WHERE n.shop_id = NEW.shop_id AND n.id = NEW.conclusion_id;
    ELSE
        SELECT c.unit_id INTO unit FROM call c WHERE c.shop_id = NEW.shop_id AND c.id = NEW.call_id;
    END IF;
    INSERT INTO history_stale (shop_id, unit_id) VALUES (NEW.shop_id, unit) ON CONFLICT (shop_id, unit_id) DO UPDATE SET unit_id = excluded.unit_id;
    RETURN NULL;
END $$;
CREATE TRIGGER mark_history AFTER INSERT OR UPDATE OF status, outcome, closed_at, complaint, unit_id ON call FOR EACH ROW EXECUTE FUNCTION mark_history();
CREATE TRIGGER mark_history AFTER INSERT OR UPDATE OF voided_at, part, fault ON conclusion FOR EACH ROW EXECUTE FUNCTION mark_history();
CREATE TRIGGER mark_history AFTER INSERT ON part_fitted FOR EACH ROW EXECUTE FUNCTION mark_history();
CREATE TRIGGER mark_history AFTER UPDATE OF kind, model, retired_at, site_id ON unit FOR EACH ROW EXECUTE FUNCTION mark_history();
CREATE TRIGGER mark_history AFTER UPDATE OF status ON visit FOR EACH ROW WHEN (NEW.status IN ('done', 'on_site')) EXECUTE FUNCTION mark_history();
CREATE TRIGGER mark_history AFTER UPDATE OF time_zone ON shop FOR EACH ROW WHEN (OLD.time_zone <> NEW.time_zone) EXECUTE FUNCTION mark_history();
INSERT INTO history_stale (shop_id, unit_id) SELECT DISTINCT shop_id, unit_id FROM call;
