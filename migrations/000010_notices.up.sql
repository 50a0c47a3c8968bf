-- What a maker or an authority warns of, for a model and a range of serial
-- numbers. A model that ends with * stands for all that begin like it.
CREATE TABLE safety_notice (
    shop_id      uuid NOT NULL REFERENCES shop,
    id           uuid NOT NULL,
    kind         text COLLATE "C" NOT NULL,
    maker        text NOT NULL DEFAULT '' CHECK (length(maker) <= 80),
    model        text NOT NULL CHECK (length(model) BETWEEN 1 AND 80),
    model_norm   text COLLATE "C" NOT NULL GENERATED ALWAYS AS (upper(regexp_replace(model COLLATE "C", '[^A-Za-z0-9]', '', 'g'))) STORED
        CHECK (model_norm <> ''),
    model_prefix boolean NOT NULL GENERATED ALWAYS AS (right(model, 1) = '*') STORED,
    serial_from  text NOT NULL DEFAULT '' CHECK (length(serial_from) <= 80),
    serial_to    text NOT NULL DEFAULT '' CHECK (length(serial_to) <= 80),
    title        text NOT NULL CHECK (length(title) BETWEEN 1 AND 200),
    what_to_do   text NOT NULL CHECK (length(what_to_do) BETWEEN 1 AND 2000),
    level        text COLLATE "C" NOT NULL CHECK (level IN ('danger_now', 'at_risk', 'information')),
    reference    text NOT NULL CHECK (length(reference) BETWEEN 1 AND 400),
    issued_on    date NOT NULL,
    version      bigint NOT NULL DEFAULT 1,
    created_at   timestamptz NOT NULL,
    updated_at   timestamptz NOT NULL,
    retired_at   timestamptz,
    PRIMARY KEY (shop_id, id)
);
CREATE INDEX safety_notice_kind ON safety_notice (shop_id, kind) WHERE retired_at IS NULL;
ALTER TABLE safety_notice ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON safety_notice TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON safety_notice TO drumline_app;

-- Somebody did for one unit what a notice asks, or found on its nameplate that
-- the notice does not concern it. One such record stands at a time.
CREATE TABLE safety_notice_handling (
    shop_id     uuid NOT NULL,
    id          uuid NOT NULL,
    notice_id   uuid NOT NULL,
    unit_id     uuid NOT NULL,
    done_on     date NOT NULL,
    done_by     text NOT NULL CHECK (length(done_by) BETWEEN 1 AND 200),
    note        text NOT NULL CHECK (length(note) BETWEEN 1 AND 2000),
    recorded_by uuid NOT NULL,
    recorded_at timestamptz NOT NULL,
    voided_at   timestamptz,
    voided_by   uuid,
    void_reason text NOT NULL DEFAULT '' CHECK (length(void_reason) <= 400),
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, notice_id) REFERENCES safety_notice (shop_id, id),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id),
    FOREIGN KEY (shop_id, recorded_by) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, voided_by) REFERENCES person (shop_id, id),
    CHECK ((voided_at IS NULL) = (void_reason = '') AND (voided_at IS NULL) = (voided_by IS NULL))
);
CREATE UNIQUE INDEX safety_notice_handling_once ON safety_notice_handling (shop_id, unit_id, notice_id) WHERE voided_at IS NULL;
ALTER TABLE safety_notice_handling ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON safety_notice_handling TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON safety_notice_handling TO drumline_app;
