-- How many cases the kind's own mean counts for against a model's, and the
-- built-in one against the kind's: fitted to this shop's models at closing.
CREATE TABLE prior_strength (
    shop_id   uuid NOT NULL,
    complaint text COLLATE "C" NOT NULL,
    kind      text COLLATE "C" NOT NULL,
    strength  float8 NOT NULL CHECK (strength > 0 AND strength < 'Infinity'),
    models    bigint NOT NULL, -- it was fitted to
    fitted_at timestamptz NOT NULL,
    PRIMARY KEY (shop_id, complaint, kind),
    FOREIGN KEY (shop_id) REFERENCES shop
);
ALTER TABLE prior_strength ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON prior_strength TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON prior_strength TO drumline_app;
