#!/bin/sh
# Run once by the database container, after roles.sql: the passwords of the two roles that log in.
set -eu
psql --no-psqlrc --set ON_ERROR_STOP=1 --username "$POSTGRES_USER" --dbname "$POSTGRES_DB" \
  --set owner="$AIRSIDE_OWNER_PASSWORD" --set serving="$AIRSIDE_SERVING_PASSWORD" <<'SQL'
ALTER ROLE airside_owner PASSWORD :'owner';
ALTER ROLE airside_serving PASSWORD :'serving';
SQL
