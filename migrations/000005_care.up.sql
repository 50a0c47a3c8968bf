-- A cleaning with its scopes. Due dates are derived from these rows, never stored.
CREATE TABLE cleaning (
    shop_id     uuid NOT NULL,
    id          uuid NOT NULL,
    unit_id     uuid NOT NULL,
    action_id   uuid, -- the action of a call it was, none for the customer's word
    done_on     date NOT NULL,
    scopes      text[] NOT NULL CHECK (cardinality(scopes) > 0 AND scopes <@ ARRAY['screen', 'blower', 'cabinet', 'transition_duct', 'run', 'hood']),
    done_by     text COLLATE "C" NOT NULL CHECK (done_by IN ('us', 'customer', 'other_firm')),
    note        text NOT NULL DEFAULT '' CHECK (length(note) <= 2000),
    recorded_by uuid NOT NULL,
    recorded_at timestamptz NOT NULL,
    voided_at   timestamptz,
    voided_by   uuid,
    void_reason text NOT NULL DEFAULT '' CHECK (length(void_reason) <= 400),
    PRIMARY KEY (shop_id, id),
    UNIQUE (shop_id, action_id),
    FOREIGN KEY (shop_id, unit_id) REFERENCES unit (shop_id, id),
    FOREIGN KEY (shop_id, action_id) REFERENCES action (shop_id, id),
    FOREIGN KEY (shop_id, recorded_by) REFERENCES person (shop_id, id),
    FOREIGN KEY (shop_id, voided_by) REFERENCES person (shop_id, id),
    CHECK ((voided_at IS NULL) = (void_reason = ''))
);
CREATE INDEX cleaning_unit ON cleaning (shop_id, unit_id, done_on);
ALTER TABLE cleaning ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON cleaning TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON cleaning TO drumline_app;
