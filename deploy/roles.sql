-- Roles and database of one installation. Run once, in database postgres, as
-- somebody who may create roles and databases (superuser, or CREATEROLE and
-- CREATEDB):
--
--   psql "$ADMIN_URL" -f deploy/roles.sql
--
-- Then give the three that sign in their passwords, by \password drumline_app
-- and so on: a password in a file stays in the file.

CREATE ROLE drumline_owner NOLOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE NOREPLICATION;
CREATE ROLE drumline_migrator LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE NOREPLICATION;
CREATE ROLE drumline_app LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE NOREPLICATION;
CREATE ROLE drumline_worker LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE NOREPLICATION;

-- The migrator acts as the owner; who runs this must be a member to make a
-- database for the owner.
GRANT drumline_owner TO drumline_migrator;
GRANT drumline_owner TO CURRENT_USER;

CREATE DATABASE drumline OWNER drumline_owner ENCODING 'UTF8' TEMPLATE template0;
REVOKE ALL ON DATABASE drumline FROM PUBLIC;
GRANT CONNECT ON DATABASE drumline TO drumline_migrator, drumline_app, drumline_worker;

REVOKE drumline_owner FROM CURRENT_USER;
