#!/bin/sh
# Sets the passwords of the three roles that sign in, from the environment: on
# standard input, because every user of the machine can read a command line.
set -eu
psql -X -q -v ON_ERROR_STOP=1 -U "${POSTGRES_USER:-postgres}" -d postgres <<'SQL'
SET password_encryption = 'scram-sha-256';
\getenv migrator DRUMLINE_MIGRATOR_PASSWORD
\getenv app DRUMLINE_APP_PASSWORD
\getenv worker DRUMLINE_WORKER_PASSWORD
ALTER ROLE drumline_migrator PASSWORD :'migrator';
ALTER ROLE drumline_app PASSWORD :'app';
ALTER ROLE drumline_worker PASSWORD :'worker';
SQL
