-- The roles of a real PostgreSQL server, run once as an administrator, connected to the database `airside`.
-- Running it again changes nothing. Passwords, or another way to log in, are set apart from it.
--
--   airside_app      nobody logs in as it; every serving connection takes it on, and row-level security binds it
--   airside_owner    migrates, owns the tables, makes tenants and keys
--   airside_serving  serves: may become airside_app, and nothing else

DO $$
DECLARE
    role record;
BEGIN
    FOR role IN SELECT * FROM (VALUES
        ('airside_app', 'NOLOGIN'), ('airside_owner', 'LOGIN'), ('airside_serving', 'LOGIN')
    ) AS wanted (name, login)
    LOOP
        IF NOT EXISTS (SELECT FROM pg_catalog.pg_roles WHERE rolname = role.name) THEN
            EXECUTE format('CREATE ROLE %I %s NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE', role.name, role.login);
        END IF;
    END LOOP;
    EXECUTE format('ALTER DATABASE %I OWNER TO airside_owner', current_database());
END
$$;

GRANT airside_app TO airside_owner;
GRANT airside_app TO airside_serving WITH INHERIT FALSE, SET TRUE;
