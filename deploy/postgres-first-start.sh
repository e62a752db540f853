#!/bin/sh
# Run once by the image of PostgreSQL, as it makes its data: a database of linklag's own and a user who owns it and nothing else.
# Needs POSTGRES_USER (who runs the server) and STORE_PASSWORD_FILE (first line: the password of the user linklag).
set -eu
psql --no-psqlrc --quiet --set ON_ERROR_STOP=1 --username "$POSTGRES_USER" --dbname postgres <<'SQL'
\set password `head -n 1 "$STORE_PASSWORD_FILE"`
CREATE ROLE linklag LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE PASSWORD :'password';
CREATE DATABASE linklag OWNER linklag;
REVOKE ALL ON DATABASE linklag FROM PUBLIC;
SQL
sed -i 's/^host\([[:space:]]\)/hostssl\1/' "$PGDATA/pg_hba.conf"  # over the network by TLS alone
