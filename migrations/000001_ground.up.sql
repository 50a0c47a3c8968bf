-- Roles are made outside (they belong to the cluster): drumline_owner owns all
-- of this, drumline_app and drumline_worker sign in and own nothing.
-- Row-level security is enabled, not forced: forced, it would blind the
-- owner's own migrations. The service checks at start what FORCE would do.

CREATE EXTENSION IF NOT EXISTS btree_gist;

REVOKE ALL ON SCHEMA public FROM PUBLIC;
GRANT USAGE ON SCHEMA public TO drumline_app, drumline_worker;

-- The only table without row-level security: what is needed before the shop is
-- known, and nothing else.
CREATE TABLE shop_directory (
    code text COLLATE "C" PRIMARY KEY CHECK (code ~ '^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])$'),
    id   uuid NOT NULL UNIQUE
);
GRANT SELECT, INSERT ON shop_directory TO drumline_app;
GRANT SELECT ON shop_directory TO drumline_worker;

CREATE TABLE shop (
    shop_id    uuid PRIMARY KEY REFERENCES shop_directory (id),
    name       text NOT NULL CHECK (length(name) BETWEEN 1 AND 120),
    time_zone  text NOT NULL,
    version    bigint NOT NULL DEFAULT 1,
    created_at timestamptz NOT NULL,
    retired_at timestamptz
);
ALTER TABLE shop ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON shop TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON shop TO drumline_app;

CREATE TABLE person (
    shop_id       uuid NOT NULL REFERENCES shop,
    id            uuid NOT NULL,
    name          text NOT NULL CHECK (length(name) BETWEEN 1 AND 120),
    email         text NOT NULL CHECK (length(email) BETWEEN 3 AND 254),
    email_norm    text COLLATE "C" NOT NULL GENERATED ALWAYS AS (lower(email COLLATE "C")) STORED,
    role          text NOT NULL CHECK (role IN ('owner', 'dispatcher', 'tech')),
    password_hash text NOT NULL,
    epoch         bigint NOT NULL DEFAULT 1, -- raised when rights or password change: older tokens are refused
    version       bigint NOT NULL DEFAULT 1,
    created_at    timestamptz NOT NULL,
    disabled_at   timestamptz,
    PRIMARY KEY (shop_id, id),
    UNIQUE (shop_id, email_norm)
);
ALTER TABLE person ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON person TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON person TO drumline_app;

CREATE TABLE competence (
    shop_id     uuid NOT NULL,
    person_id   uuid NOT NULL,
    name        text NOT NULL CHECK (name IN ('live', 'gas', 'refrigerant')),
    certificate text NOT NULL DEFAULT '',
    expires_on  date NOT NULL,
    PRIMARY KEY (shop_id, person_id, name),
    FOREIGN KEY (shop_id, person_id) REFERENCES person (shop_id, id)
);
ALTER TABLE competence ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON competence TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE, DELETE ON competence TO drumline_app;

-- A session is a family of refresh tokens, one live at a time.
CREATE TABLE session (
    shop_id    uuid NOT NULL,
    id         uuid NOT NULL,
    person_id  uuid NOT NULL,
    created_at timestamptz NOT NULL,
    revoked_at timestamptz,
    PRIMARY KEY (shop_id, id),
    FOREIGN KEY (shop_id, person_id) REFERENCES person (shop_id, id)
);
CREATE INDEX session_person ON session (shop_id, person_id);
ALTER TABLE session ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON session TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON session TO drumline_app;

CREATE TABLE refresh_token (
    shop_id    uuid NOT NULL,
    hash       bytea NOT NULL CHECK (length(hash) = 32), -- SHA-256 of the token
    session_id uuid NOT NULL,
    issued_at  timestamptz NOT NULL,
    expires_at timestamptz NOT NULL,
    spent_at   timestamptz,
    PRIMARY KEY (shop_id, hash),
    FOREIGN KEY (shop_id, session_id) REFERENCES session (shop_id, id)
);
ALTER TABLE refresh_token ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON refresh_token TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON refresh_token TO drumline_app;

CREATE TABLE invitation (
    shop_id    uuid NOT NULL REFERENCES shop,
    id         uuid NOT NULL,
    hash       bytea NOT NULL CHECK (length(hash) = 32),
    name       text NOT NULL CHECK (length(name) BETWEEN 1 AND 120),
    email      text NOT NULL CHECK (length(email) BETWEEN 3 AND 254),
    role       text NOT NULL CHECK (role IN ('owner', 'dispatcher', 'tech')),
    invited_by uuid NOT NULL,
    created_at timestamptz NOT NULL,
    expires_at timestamptz NOT NULL,
    used_at    timestamptz,
    revoked_at timestamptz,
    PRIMARY KEY (shop_id, id),
    UNIQUE (shop_id, hash),
    FOREIGN KEY (shop_id, invited_by) REFERENCES person (shop_id, id)
);
ALTER TABLE invitation ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON invitation TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON invitation TO drumline_app;

-- Idempotency keys, written in the transaction they guard.
CREATE TABLE once (
    shop_id    uuid NOT NULL,
    person_id  uuid NOT NULL,
    route      text COLLATE "C" NOT NULL,
    key        text COLLATE "C" NOT NULL CHECK (length(key) BETWEEN 1 AND 255),
    request    bytea NOT NULL CHECK (length(request) = 32), -- SHA-256 of path and body
    answer     text NOT NULL,
    created_at timestamptz NOT NULL,
    PRIMARY KEY (shop_id, person_id, route, key)
);
CREATE INDEX once_age ON once (shop_id, created_at);
ALTER TABLE once ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON once TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT, DELETE ON once TO drumline_app;

-- Who did what to which record: field names only, never values, so that
-- erasing a person does not contradict an append-only trail.
CREATE TABLE audit (
    shop_id    uuid NOT NULL,
    id         uuid NOT NULL,
    at         timestamptz NOT NULL,
    person_id  uuid,
    actor      text NOT NULL, -- role, or the system's reason
    action     text NOT NULL,
    entity     text NOT NULL,
    entity_id  uuid NOT NULL,
    fields     text[] NOT NULL DEFAULT '{}',
    request_id text NOT NULL DEFAULT '',
    PRIMARY KEY (shop_id, id)
);
CREATE INDEX audit_entity ON audit (shop_id, entity, entity_id, at);
ALTER TABLE audit ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON audit TO drumline_app, drumline_worker
    USING (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid))
    WITH CHECK (shop_id = (SELECT nullif(current_setting('app.shop', true), '')::uuid));
GRANT SELECT, INSERT ON audit TO drumline_app, drumline_worker;
