-- What the engine said when a call ended, beside what was verified: kept for
-- calibration and for the priors. Written once, with the closing.
CREATE TABLE ended_case (
    shop_id        uuid NOT NULL,
    call_id        uuid NOT NULL,
    complaint      text COLLATE "C" NOT NULL,
    kind           text COLLATE "C" NOT NULL,
    model          text COLLATE "C" NOT NULL, -- without case, spaces and punctuation; '' where it is not known
    faults         text[] NOT NULL,           -- the ranking, likeliest first
    probabilities  float8[] NOT NULL,         -- of each, that it was there
    coverage       float8 NOT NULL CHECK (coverage >= 0 AND coverage <= 1),
    verified       text[] NOT NULL,           -- faults concluded and mended, or no_fault
    counts         boolean NOT NULL,          -- what was verified holds: the machine was proven or found sound
    engine_version text NOT NULL,
    ended_at       timestamptz NOT NULL,
    PRIMARY KEY (shop_id, call_id),
    FOREIGN KEY (shop_id, call_id) REFERENCES call (shop_id, id),
    CHECK (cardinality(faults) = cardinality(probabilities)),
    CHECK (0 <= ALL (probabilities) AND 1 >= ALL (probabilities))
);
CREATE INDEX ended_case_time ON ended_case (shop_id, ended_at);
ALTER TABLE ended_case ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON ended_case TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT ON ended_case TO drumline_app;

-- How often each fault was verified behind a complaint, kept up with each
-- closing. The row with an empty model counts all models of the kind, the row
-- with an empty fault all cases.
CREATE TABLE fault_count (
    shop_id   uuid NOT NULL,
    complaint text COLLATE "C" NOT NULL,
    kind      text COLLATE "C" NOT NULL,
    model     text COLLATE "C" NOT NULL,
    fault     text COLLATE "C" NOT NULL,
    cases     bigint NOT NULL CHECK (cases > 0),
    PRIMARY KEY (shop_id, complaint, kind, model, fault),
    FOREIGN KEY (shop_id) REFERENCES shop
);
ALTER TABLE fault_count ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON fault_count TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON fault_count TO drumline_app;

-- A contract: the history reads this and nothing of the tables behind it.
CREATE VIEW history_ended_case WITH (security_invoker = true) AS
    SELECT shop_id, call_id, complaint, kind, model, faults, probabilities, coverage, verified, counts, engine_version, ended_at
    FROM ended_case;
GRANT SELECT ON history_ended_case TO drumline_app;
