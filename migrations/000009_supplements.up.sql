-- What a shop adds to the built-in catalogue. An edition numbers the shop's
-- content as a whole; a call keeps the edition it is judged by.
ALTER TABLE shop ADD COLUMN edition bigint NOT NULL DEFAULT 0;
ALTER TABLE call ADD COLUMN edition bigint NOT NULL DEFAULT 0;

CREATE TABLE supplement (
    shop_id    uuid NOT NULL,
    id         uuid NOT NULL,
    kind       text COLLATE "C" NOT NULL,
    title      text NOT NULL CHECK (length(title) BETWEEN 1 AND 200),
    version    bigint NOT NULL DEFAULT 1,
    created_at timestamptz NOT NULL,
    updated_at timestamptz NOT NULL,
    retired_at timestamptz,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id) REFERENCES shop
);
CREATE UNIQUE INDEX supplement_title ON supplement (shop_id, kind, lower(title)) WHERE retired_at IS NULL;
ALTER TABLE supplement ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON supplement TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON supplement TO drumline_app;

-- Each version for ever: what an old call was judged by can be read again.
CREATE TABLE supplement_version (
    shop_id       uuid NOT NULL,
    supplement_id uuid NOT NULL,
    version       bigint NOT NULL,
    edition       bigint NOT NULL CHECK (edition > 0), -- the first with this version
    retired       boolean NOT NULL,                    -- from this edition on it is no part of the content
    body          jsonb NOT NULL,
    changed_by    uuid NOT NULL,
    changed_at    timestamptz NOT NULL,
    PRIMARY KEY (shop_id, supplement_id, version),
    FOREIGN KEY (shop_id, supplement_id) REFERENCES supplement (shop_id, id),
    FOREIGN KEY (shop_id, changed_by) REFERENCES person (shop_id, id)
);
CREATE INDEX supplement_version_edition ON supplement_version (shop_id, edition);
ALTER TABLE supplement_version ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON supplement_version TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT ON supplement_version TO drumline_app;
