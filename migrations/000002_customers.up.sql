CREATE TABLE customer (
    shop_id    uuid NOT NULL REFERENCES shop,
    id         uuid NOT NULL,
    name       text NOT NULL CHECK (length(name) BETWEEN 1 AND 120),
    email      text NOT NULL DEFAULT '' CHECK (length(email) <= 254),
    phone      text NOT NULL DEFAULT '' CHECK (length(phone) <= 40),
    note       text NOT NULL DEFAULT '' CHECK (length(note) <= 2000),
    version    bigint NOT NULL DEFAULT 1,
    created_at timestamptz NOT NULL,
    updated_at timestamptz NOT NULL,
    retired_at timestamptz,
    PRIMARY KEY (shop_id, id)
);
CREATE INDEX customer_name ON customer (shop_id, name COLLATE "C", id);
ALTER TABLE customer ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON customer TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON customer TO drumline_app;

CREATE TABLE site (
    shop_id      uuid NOT NULL,
    id           uuid NOT NULL,
    customer_id  uuid NOT NULL,
    label        text NOT NULL DEFAULT '' CHECK (length(label) <= 120),
    address      text NOT NULL CHECK (length(address) BETWEEN 1 AND 400),
    postal_code  text NOT NULL DEFAULT '' CHECK (length(postal_code) <= 20),
    time_zone    text NOT NULL,
    latitude     float8 CHECK (latitude BETWEEN -90 AND 90),
    longitude    float8 CHECK (longitude BETWEEN -180 AND 180),
    access_notes text NOT NULL DEFAULT '' CHECK (length(access_notes) <= 2000),
    version      bigint NOT NULL DEFAULT 1,
    created_at   timestamptz NOT NULL,
    updated_at   timestamptz NOT NULL,
    retired_at   timestamptz,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, customer_id) REFERENCES customer (shop_id, id)
);
CREATE INDEX site_customer ON site (shop_id, customer_id, id);
ALTER TABLE site ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON site TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON site TO drumline_app;

CREATE TABLE unit (
    shop_id      uuid NOT NULL,
    id           uuid NOT NULL,
    site_id      uuid NOT NULL,
    kind         text NOT NULL,
    maker        text NOT NULL DEFAULT '' CHECK (length(maker) <= 80),
    model        text NOT NULL DEFAULT '' CHECK (length(model) <= 80),
    model_norm   text COLLATE "C" NOT NULL GENERATED ALWAYS AS (upper(regexp_replace(model COLLATE "C", '[^A-Za-z0-9]', '', 'g'))) STORED,
    serial       text NOT NULL DEFAULT '' CHECK (length(serial) <= 80),
    fuel         text NOT NULL DEFAULT 'electric' CHECK (fuel IN ('electric', 'gas')),
    supply_volts float8 CHECK (supply_volts > 0 AND supply_volts <= 1000),
    supply_wires int CHECK (supply_wires IN (2, 3, 4)),
    breaker_amps float8 CHECK (breaker_amps > 0 AND breaker_amps <= 400),
    rated_watts  float8 CHECK (rated_watts > 0 AND rated_watts <= 100000),
    features     text[] NOT NULL DEFAULT '{}',
    exhaust      jsonb CHECK (exhaust IS NULL OR jsonb_typeof(exhaust) = 'object'),
    installed_on date,
    note         text NOT NULL DEFAULT '' CHECK (length(note) <= 2000),
    version      bigint NOT NULL DEFAULT 1,
    created_at   timestamptz NOT NULL,
    updated_at   timestamptz NOT NULL,
    retired_at   timestamptz,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, site_id) REFERENCES site (shop_id, id)
);
CREATE INDEX unit_site ON unit (shop_id, site_id, id);
CREATE INDEX unit_model ON unit (shop_id, kind, model_norm);
ALTER TABLE unit ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON unit TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON unit TO drumline_app;

CREATE TABLE data_sheet (
    shop_id    uuid NOT NULL REFERENCES shop,
    id         uuid NOT NULL,
    kind       text NOT NULL,
    model      text NOT NULL CHECK (length(model) BETWEEN 1 AND 80),
    model_norm text COLLATE "C" NOT NULL GENERATED ALWAYS AS (upper(regexp_replace(model COLLATE "C", '[^A-Za-z0-9]', '', 'g'))) STORED,
    title      text NOT NULL DEFAULT '' CHECK (length(title) <= 200),
    version    bigint NOT NULL DEFAULT 1,
    created_at timestamptz NOT NULL,
    updated_at timestamptz NOT NULL,
    retired_at timestamptz,
    PRIMARY KEY (shop_id, id)
);
CREATE UNIQUE INDEX data_sheet_model ON data_sheet (shop_id, kind, model_norm) WHERE retired_at IS NULL;
ALTER TABLE data_sheet ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON data_sheet TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON data_sheet TO drumline_app;

-- One row a parameter. Figures are SI; entered is what the person wrote.
CREATE TABLE data_sheet_value (
    shop_id       uuid NOT NULL,
    data_sheet_id uuid NOT NULL,
    parameter     text COLLATE "C" NOT NULL,
    value         float8 CHECK (value > '-Infinity' AND value < 'Infinity'),
    low           float8 CHECK (low > '-Infinity' AND low < 'Infinity'),
    high          float8 CHECK (high > '-Infinity' AND high < 'Infinity'),
    curve_kelvin  float8[] NOT NULL DEFAULT '{}',
    curve_ohm     float8[] NOT NULL DEFAULT '{}',
    words         text NOT NULL DEFAULT '' CHECK (length(words) <= 400),
    unit          text NOT NULL DEFAULT '',
    entered       jsonb NOT NULL,
    origin        text NOT NULL CHECK (length(origin) BETWEEN 1 AND 200),
    entered_by    uuid NOT NULL,
    entered_at    timestamptz NOT NULL,
    confirmed_by  uuid CHECK (confirmed_by <> entered_by), -- two people, or it is not confirmed
    confirmed_at  timestamptz,
    PRIMARY KEY (shop_id, data_sheet_id, parameter),
    FOREIGN KEY (shop_id, data_sheet_id) REFERENCES data_sheet (shop_id, id),
    FOREIGN KEY (shop_id, entered_by) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, confirmed_by) REFERENCES person (shop_id, id),
    CHECK (cardinality(curve_kelvin) = cardinality(curve_ohm)),
    CHECK (low <= high)
);
ALTER TABLE data_sheet_value ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON data_sheet_value TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE, DELETE ON data_sheet_value TO drumline_app;

CREATE TABLE instrument (
    shop_id            uuid NOT NULL REFERENCES shop,
    id                 uuid NOT NULL,
    person_id          uuid, -- whose it is; none: the shop's
    name               text NOT NULL CHECK (length(name) BETWEEN 1 AND 120),
    serial             text NOT NULL DEFAULT '' CHECK (length(serial) <= 80),
    calibration_due_on date,
    version            bigint NOT NULL DEFAULT 1,
    created_at         timestamptz NOT NULL,
    updated_at         timestamptz NOT NULL,
    retired_at         timestamptz,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, person_id) REFERENCES person (shop_id, id)
);
ALTER TABLE instrument ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON instrument TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON instrument TO drumline_app;

-- What one instrument measures and how well: limit of error = percent of
-- reading + counts x resolution (SI of the quantity).
CREATE TABLE instrument_accuracy (
    shop_id       uuid NOT NULL,
    instrument_id uuid NOT NULL,
    quantity      text COLLATE "C" NOT NULL,
    method        text NOT NULL CHECK (method IN ('meter', 'clamp', 'bead', 'bead_on_surface', 'infrared', 'manometer', 'pitot', 'vane')),
    percent       float8 NOT NULL CHECK (percent >= 0 AND percent <= 100),
    counts        float8 NOT NULL CHECK (counts >= 0 AND counts <= 1000),
    resolution    float8 NOT NULL CHECK (resolution >= 0 AND resolution < 'Infinity'),
    unit          text NOT NULL, -- UCUM code the resolution was entered in
    PRIMARY KEY (shop_id, instrument_id, quantity),
    FOREIGN KEY (shop_id, instrument_id) REFERENCES instrument (shop_id, id)
);
ALTER TABLE instrument_accuracy ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON instrument_accuracy TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE, DELETE ON instrument_accuracy TO drumline_app;
