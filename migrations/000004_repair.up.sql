-- How a unit was made dead and proven so. It covers readings until the next
-- powered check, or the tech, ends it.
CREATE TABLE isolation (
    shop_id        uuid NOT NULL,
    id             uuid NOT NULL,
    call_id        uuid NOT NULL,
    visit_id       uuid NOT NULL,
    method         text COLLATE "C" NOT NULL CHECK (method IN ('plug_in_hand', 'plug_in_sight', 'plug_locked', 'breaker_locked', 'gas_cock_and_plug')),
    tester_before  boolean NOT NULL, -- tester shown good on a known source before
    proven_dead    text[] NOT NULL,  -- pairs of points found dead: l1_l2, l1_n, l2_n, l1_ground, l2_ground, n_ground
    tester_after   boolean NOT NULL, -- and after
    note           text NOT NULL DEFAULT '' CHECK (length(note) <= 2000),
    isolated_by    uuid NOT NULL,
    isolated_at    timestamptz NOT NULL,
    ended_at       timestamptz,
    ended_because  text NOT NULL DEFAULT '' CHECK (length(ended_because) <= 400),
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, visit_id) REFERENCES visit (shop_id, id),
    CHECK (ended_at >= isolated_at),
    FOREIGN KEY (shop_id, isolated_by) REFERENCES person (shop_id, id)
);
CREATE UNIQUE INDEX isolation_open ON isolation (shop_id, visit_id) WHERE ended_at IS NULL;
CREATE INDEX isolation_call ON isolation (shop_id, call_id, isolated_at);
ALTER TABLE isolation ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON isolation TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON isolation TO drumline_app;

CREATE TABLE reading (
    shop_id       uuid NOT NULL,
    id            uuid NOT NULL,
    call_id       uuid NOT NULL,
    visit_id      uuid NOT NULL,
    check_id      text COLLATE "C" NOT NULL,
    position      text COLLATE "C" NOT NULL DEFAULT '',
    phase         text COLLATE "C" NOT NULL CHECK (phase IN ('as_found', 'after_action', 'verification')),
    observed_at   timestamptz NOT NULL,
    recorded_at   timestamptz NOT NULL,
    person_id     uuid NOT NULL,
    instrument_id uuid,
    -- the instrument as it was then: a later change of its accuracy changes no verdict
    method        text COLLATE "C" NOT NULL DEFAULT '',
    percent       float8 NOT NULL DEFAULT 0 CHECK (percent >= 0 AND percent <= 100),
    counts        float8 NOT NULL DEFAULT 0 CHECK (counts >= 0 AND counts <= 1000),
    resolution    float8 NOT NULL DEFAULT 0 CHECK (resolution >= 0 AND resolution < 'Infinity'),
    overdue       boolean NOT NULL DEFAULT false, -- its calibration was past due
    lead_ohm      float8 NOT NULL DEFAULT 0 CHECK (lead_ohm >= 0 AND lead_ohm < 100),
    isolation_id  uuid,
    not_done      text NOT NULL DEFAULT '' CHECK (length(not_done) <= 400),
    note          text NOT NULL DEFAULT '' CHECK (length(note) <= 2000),
    -- posted without the competence the check needs: kept, not weighed, until countersigned
    set_aside     boolean NOT NULL DEFAULT false,
    countersigned_by uuid,
    countersigned_at timestamptz,
    catalogue_version int NOT NULL,
    series_t      float8[] NOT NULL DEFAULT '{}', -- seconds
    series_value  float8[] NOT NULL DEFAULT '{}', -- SI
    series_closed boolean[] NOT NULL DEFAULT '{}',
    series_unit   text NOT NULL DEFAULT '',
    voided_at     timestamptz,
    voided_by     uuid,
    void_reason   text NOT NULL DEFAULT '' CHECK (length(void_reason) <= 400),
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, visit_id) REFERENCES visit (shop_id, id),
    FOREIGN KEY (shop_id, person_id) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, instrument_id) REFERENCES instrument (shop_id, id),
    FOREIGN KEY (shop_id, isolation_id) REFERENCES isolation (shop_id, id),
    FOREIGN KEY (shop_id, countersigned_by) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, voided_by) REFERENCES person (shop_id, id),
    CHECK (cardinality(series_t) = cardinality(series_value)),
    CHECK (cardinality(series_closed) IN (0, cardinality(series_t))),
    CHECK ((voided_at IS NULL) = (void_reason = ''))
);
CREATE INDEX reading_call ON reading (shop_id, call_id, observed_at);
ALTER TABLE reading ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON reading TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON reading TO drumline_app;

-- One row an entered value: as written, and in SI. n counts values of one input.
CREATE TABLE reading_value (
    shop_id    uuid NOT NULL,
    reading_id uuid NOT NULL,
    input      text COLLATE "C" NOT NULL,
    n          int NOT NULL CHECK (n >= 0),
    entered    text NOT NULL CHECK (length(entered) <= 80), -- a number as typed, or a choice
    unit       text NOT NULL DEFAULT '',
    si         float8 CHECK (si > '-Infinity' AND si < 'Infinity'), -- that excludes NaN, which sorts above all
    over_range boolean NOT NULL DEFAULT false,
    PRIMARY KEY (shop_id, reading_id, input, n),
    FOREIGN KEY (shop_id, reading_id) REFERENCES reading (shop_id, id)
);
ALTER TABLE reading_value ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON reading_value TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT ON reading_value TO drumline_app;

-- Append-only: a late sheet value or a newer engine derives anew and
-- supersedes. Of a verdict only superseded_by may ever be set.
CREATE TABLE verdict (
    shop_id        uuid NOT NULL,
    id             uuid NOT NULL,
    reading_id     uuid NOT NULL,
    call_id        uuid NOT NULL,
    n              int NOT NULL CHECK (n >= 0), -- order within the reading
    part           text COLLATE "C" NOT NULL,
    outcome        text COLLATE "C" NOT NULL CHECK (outcome IN ('conforms', 'does_not_conform', 'inconclusive')),
    fault          text COLLATE "C" NOT NULL DEFAULT '',
    finding        text COLLATE "C" NOT NULL,
    probability    float8 NOT NULL CHECK (probability >= 0 AND probability <= 1),
    explains       text NOT NULL DEFAULT '' CHECK (explains IN ('', 'yes', 'no', 'second_barrier')),
    measured       float8 CHECK (measured > '-Infinity' AND measured < 'Infinity'),
    uncertainty    float8 NOT NULL DEFAULT 0 CHECK (uncertainty >= 0 AND uncertainty < 'Infinity'),
    limit_low      float8 CHECK (limit_low > '-Infinity' AND limit_low < 'Infinity'),
    limit_high     float8 CHECK (limit_high > '-Infinity' AND limit_high < 'Infinity'),
    limit_unit     text NOT NULL DEFAULT '',
    limit_mark     text NOT NULL DEFAULT '',
    limit_origin   text NOT NULL DEFAULT '',
    limit_confirmed boolean NOT NULL DEFAULT false,
    sentence       text NOT NULL,
    do_next        text NOT NULL DEFAULT '',
    missing        text NOT NULL DEFAULT '',
    engine_version text NOT NULL,
    basis          text COLLATE "C" NOT NULL, -- hash of engine, catalogue, complaint, unit and data sheet it was derived from
    derived_at     timestamptz NOT NULL,
    superseded_by  uuid,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, reading_id) REFERENCES reading (shop_id, id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, superseded_by) REFERENCES verdict (shop_id, id)
);
CREATE INDEX verdict_call ON verdict (shop_id, call_id) WHERE superseded_by IS NULL;
CREATE INDEX verdict_reading ON verdict (shop_id, reading_id);
ALTER TABLE verdict ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON verdict TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE (superseded_by) ON verdict TO drumline_app;

-- Something done to the unit: it ends the evidence of what it touches.
CREATE TABLE action (
    shop_id     uuid NOT NULL,
    id          uuid NOT NULL,
    call_id     uuid NOT NULL,
    visit_id    uuid NOT NULL,
    action      text COLLATE "C" NOT NULL,
    part        text COLLATE "C" NOT NULL DEFAULT '',
    note        text NOT NULL DEFAULT '' CHECK (length(note) <= 2000),
    done_by     uuid NOT NULL,
    done_at     timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL,
    voided_at   timestamptz,
    voided_by   uuid,
    void_reason text NOT NULL DEFAULT '' CHECK (length(void_reason) <= 400),
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, visit_id) REFERENCES visit (shop_id, id),
    FOREIGN KEY (shop_id, done_by) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, voided_by) REFERENCES person (shop_id, id),
    CHECK ((voided_at IS NULL) = (void_reason = ''))
);
CREATE INDEX action_call ON action (shop_id, call_id, done_at);
ALTER TABLE action ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON action TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON action TO drumline_app;

CREATE TABLE conclusion (
    shop_id          uuid NOT NULL,
    id               uuid NOT NULL,
    call_id          uuid NOT NULL,
    visit_id         uuid NOT NULL,
    part             text COLLATE "C" NOT NULL,
    fault            text COLLATE "C" NOT NULL,
    action_id        uuid,
    note             text NOT NULL DEFAULT '' CHECK (length(note) <= 2000),
    against_evidence text NOT NULL DEFAULT '' CHECK (length(against_evidence) <= 2000), -- the stated reason
    supported        boolean NOT NULL,
    probability      float8 NOT NULL CHECK (probability >= 0 AND probability <= 1), -- the engine's, at that moment
    assessment       jsonb NOT NULL, -- what the engine said then
    engine_version   text NOT NULL,
    concluded_by     uuid NOT NULL,
    concluded_at     timestamptz NOT NULL,
    voided_at        timestamptz,
    voided_by        uuid,
    void_reason      text NOT NULL DEFAULT '' CHECK (length(void_reason) <= 400),
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, visit_id) REFERENCES visit (shop_id, id),
    FOREIGN KEY (shop_id, action_id) REFERENCES action (shop_id, id),
    FOREIGN KEY (shop_id, concluded_by) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, voided_by) REFERENCES person (shop_id, id),
    CHECK (supported OR against_evidence <> ''),
    CHECK ((voided_at IS NULL) = (void_reason = ''))
);
CREATE INDEX conclusion_call ON conclusion (shop_id, call_id, concluded_at);
ALTER TABLE conclusion ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON conclusion TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON conclusion TO drumline_app;

CREATE TABLE part_fitted (
    shop_id       uuid NOT NULL,
    conclusion_id uuid NOT NULL,
    n             int NOT NULL CHECK (n >= 0),
    number        text COLLATE "C" NOT NULL CHECK (length(number) BETWEEN 1 AND 80),
    name          text NOT NULL DEFAULT '' CHECK (length(name) <= 120),
    source        text COLLATE "C" NOT NULL CHECK (source IN ('new_maker', 'new_other_maker', 'used', 'customer')),
    lot           text NOT NULL DEFAULT '' CHECK (length(lot) <= 80),
    old_part_kept boolean NOT NULL DEFAULT false,
    PRIMARY KEY (shop_id, conclusion_id, n),
    FOREIGN KEY (shop_id, conclusion_id) REFERENCES conclusion (shop_id, id)
);
ALTER TABLE part_fitted ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON part_fitted TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT ON part_fitted TO drumline_app;

CREATE TABLE conclusion_reading (
    shop_id       uuid NOT NULL,
    conclusion_id uuid NOT NULL,
    reading_id    uuid NOT NULL,
    PRIMARY KEY (shop_id, conclusion_id, reading_id),
    FOREIGN KEY (shop_id, conclusion_id) REFERENCES conclusion (shop_id, id),
    FOREIGN KEY (shop_id, reading_id) REFERENCES reading (shop_id, id)
);
ALTER TABLE conclusion_reading ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON conclusion_reading TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT ON conclusion_reading TO drumline_app;

CREATE TABLE hazard (
    shop_id      uuid NOT NULL,
    id           uuid NOT NULL,
    call_id      uuid NOT NULL,
    visit_id     uuid NOT NULL,
    what         text COLLATE "C" NOT NULL,
    level        text COLLATE "C" NOT NULL CHECK (level IN ('danger_now', 'at_risk', 'below_present_code')),
    found        text NOT NULL CHECK (length(found) BETWEEN 1 AND 2000),
    done         text NOT NULL CHECK (length(done) BETWEEN 1 AND 2000),
    told         text NOT NULL CHECK (length(told) BETWEEN 1 AND 200),
    told_at      timestamptz NOT NULL,
    notice_given boolean NOT NULL DEFAULT false,
    found_by     uuid NOT NULL,
    found_at     timestamptz NOT NULL,
    cleared_at   timestamptz,
    cleared_by   uuid,
    cleared_note text NOT NULL DEFAULT '' CHECK (length(cleared_note) <= 2000),
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, visit_id) REFERENCES visit (shop_id, id),
    FOREIGN KEY (shop_id, found_by) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, cleared_by) REFERENCES person (shop_id, id)
);
CREATE INDEX hazard_call ON hazard (shop_id, call_id);
ALTER TABLE hazard ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON hazard TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON hazard TO drumline_app;

-- What the tech confirmed when closing, by id of the catalogue's closing list.
CREATE TABLE closing_statement (
    shop_id   uuid NOT NULL,
    call_id   uuid NOT NULL,
    statement text COLLATE "C" NOT NULL,
    stated_by uuid NOT NULL,
    stated_at timestamptz NOT NULL,
    PRIMARY KEY (shop_id, call_id, statement),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    FOREIGN KEY (shop_id, stated_by) REFERENCES person (shop_id, id)
);
ALTER TABLE closing_statement ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON closing_statement TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON closing_statement TO drumline_app;
