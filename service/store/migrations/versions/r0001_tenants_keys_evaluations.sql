-- Tenants, their API keys, and the evaluations they keep.
--
-- Every primary, unique and foreign key leads with tenant_id, so that the tables can be spread over machines by
-- tenant. evaluation_id is a UUID of version 7, which begins with its time: the evaluations can be partitioned by
-- month with ranges of evaluation_id, primary key unchanged.

DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_catalog.pg_roles WHERE rolname = 'airside_app') THEN
        BEGIN
            CREATE ROLE airside_app NOLOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE;
        EXCEPTION
            WHEN duplicate_object OR unique_violation THEN NULL;  -- another database's migration was quicker
            WHEN insufficient_privilege THEN
                RAISE insufficient_privilege USING
                    MESSAGE = format('the user %I may not create the role airside_app', current_user),
                    HINT = format(
                        'Either let it create roles (ALTER ROLE %1$I CREATEROLE), or have an administrator run: '
                        'CREATE ROLE airside_app NOLOGIN; GRANT airside_app TO %1$I;', current_user);
        END;
    END IF;

    -- From version 16 on, being a member and being allowed to SET ROLE are two things.
    IF NOT pg_has_role(current_user, 'airside_app',
                       CASE WHEN current_setting('server_version_num')::integer >= 160000
                            THEN 'SET' ELSE 'MEMBER' END) THEN
        BEGIN
            EXECUTE format('GRANT airside_app TO %I', current_user);
        EXCEPTION
            WHEN insufficient_privilege THEN
                RAISE insufficient_privilege USING
                    MESSAGE = format('the user %I may not act as the role airside_app', current_user),
                    HINT = format('Have an administrator run: GRANT airside_app TO %I;', current_user);
        END;
    END IF;
END
$$;

CREATE TABLE airside.tenants (
    tenant_id uuid PRIMARY KEY,
    name text NOT NULL,
    units text NOT NULL DEFAULT 'ip' CHECK (units IN ('ip', 'si')),
    created_at timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE airside.api_keys (
    tenant_id uuid NOT NULL REFERENCES airside.tenants (tenant_id),
    key_id uuid NOT NULL,
    label text NOT NULL,
    secret_sha256 bytea NOT NULL CHECK (octet_length(secret_sha256) = 32),
    scopes text[] NOT NULL CHECK (cardinality(scopes) > 0),
    created_at timestamptz NOT NULL DEFAULT now(),
    expires_at timestamptz,
    revoked_at timestamptz,
    last_used_at timestamptz,
    PRIMARY KEY (tenant_id, key_id),
    UNIQUE (tenant_id, secret_sha256)
);

-- The look-up happens before the tenant is known. Not unique, because a unique key would have to lead with the
-- tenant; secrets are 256 random bits, so two alike do not happen.
CREATE INDEX api_keys_by_secret ON airside.api_keys (secret_sha256);

CREATE TYPE airside.severity AS ENUM ('note', 'advisory', 'fault', 'hazard');

CREATE TABLE airside.evaluations (
    tenant_id uuid NOT NULL REFERENCES airside.tenants (tenant_id),
    evaluation_id uuid NOT NULL,
    created_at timestamptz NOT NULL,
    visited_at timestamptz,
    site_reference text,
    equipment_reference text,
    job_reference text,
    ruleset_version text NOT NULL,
    ruleset_digest text NOT NULL,
    highest_severity airside.severity,  -- absent where nothing was found
    units text NOT NULL CHECK (units IN ('ip', 'si')),
    request bytea NOT NULL,     -- the very bytes received
    evaluation bytea NOT NULL,  -- the encoded evaluation, in SI units
    request_id text,
    trace_parent text,
    PRIMARY KEY (tenant_id, evaluation_id)
);

CREATE INDEX evaluations_newest
    ON airside.evaluations (tenant_id, created_at DESC, evaluation_id DESC);
CREATE INDEX evaluations_of_site
    ON airside.evaluations (tenant_id, site_reference, created_at DESC, evaluation_id DESC)
    WHERE site_reference IS NOT NULL;
CREATE INDEX evaluations_of_equipment
    ON airside.evaluations (tenant_id, equipment_reference, created_at DESC, evaluation_id DESC)
    WHERE equipment_reference IS NOT NULL;
CREATE INDEX evaluations_of_job
    ON airside.evaluations (tenant_id, job_reference, created_at DESC, evaluation_id DESC)
    WHERE job_reference IS NOT NULL;

-- FORCE, because the owner of a table is otherwise exempt. nullif, because a connection on which the setting was
-- once made reports it as '' afterwards, not as NULL.
ALTER TABLE airside.tenants ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.tenants FORCE ROW LEVEL SECURITY;
ALTER TABLE airside.api_keys ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.api_keys FORCE ROW LEVEL SECURITY;
ALTER TABLE airside.evaluations ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.evaluations FORCE ROW LEVEL SECURITY;

CREATE POLICY own_rows ON airside.tenants
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);
CREATE POLICY own_rows ON airside.api_keys
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);
CREATE POLICY own_rows ON airside.evaluations
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);

-- The migrating user finds a key before its tenant is known, and lists tenants; it still writes one tenant at a
-- time, and of the evaluations it too reads only one tenant's.
CREATE POLICY owner_reads ON airside.tenants FOR SELECT TO CURRENT_USER USING (true);
CREATE POLICY owner_reads ON airside.api_keys FOR SELECT TO CURRENT_USER USING (true);

-- The tenant and key of a live secret, with its scopes and the tenant's units; no row where there is none. Runs as
-- its owner: the application role has no right to the two tables. The time of last use is kept to the hour, so that
-- a busy key is not a write for every request.
CREATE FUNCTION airside.authenticate(p_secret_sha256 bytea)
RETURNS TABLE (tenant_id uuid, key_id uuid, scopes text[], units text)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
#variable_conflict use_column
DECLARE
    last_use timestamptz;
BEGIN
    SELECT k.tenant_id, k.key_id, k.scopes, t.units, k.last_used_at
      INTO authenticate.tenant_id, authenticate.key_id, authenticate.scopes, authenticate.units, last_use
      FROM airside.api_keys k JOIN airside.tenants t ON t.tenant_id = k.tenant_id
     WHERE k.secret_sha256 = p_secret_sha256
       AND k.revoked_at IS NULL
       AND (k.expires_at IS NULL OR k.expires_at > now());
    IF NOT FOUND THEN
        RETURN;
    END IF;
    IF (last_use IS NULL OR last_use < now() - interval '1 hour')
       AND current_setting('transaction_read_only') = 'off' THEN
        PERFORM set_config('airside.tenant', authenticate.tenant_id::text, true);
        UPDATE airside.api_keys k SET last_used_at = now()
         WHERE k.tenant_id = authenticate.tenant_id AND k.key_id = authenticate.key_id
           AND k.last_used_at IS NOT DISTINCT FROM last_use;
    END IF;
    RETURN NEXT;
END
$$;

-- The three functions below run as their caller, so that row-level security binds them. Each names the tenant and
-- does its work in one statement: one round trip, and the setting ends with it.

CREATE FUNCTION airside.keep(
    p_tenant_id uuid, p_evaluation_id uuid, p_created_at timestamptz, p_visited_at timestamptz,
    p_site_reference text, p_equipment_reference text, p_job_reference text,
    p_ruleset_version text, p_ruleset_digest text, p_highest_severity airside.severity, p_units text,
    p_request bytea, p_evaluation bytea, p_request_id text, p_trace_parent text)
RETURNS void
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    INSERT INTO airside.evaluations (
        tenant_id, evaluation_id, created_at, visited_at, site_reference, equipment_reference, job_reference,
        ruleset_version, ruleset_digest, highest_severity, units, request, evaluation, request_id, trace_parent)
    VALUES (
        p_tenant_id, p_evaluation_id, p_created_at, p_visited_at, p_site_reference, p_equipment_reference,
        p_job_reference, p_ruleset_version, p_ruleset_digest, p_highest_severity, p_units, p_request,
        p_evaluation, p_request_id, p_trace_parent);
END
$$;

CREATE FUNCTION airside.fetch(p_tenant_id uuid, p_evaluation_id uuid)
RETURNS SETOF airside.evaluations
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT e.* FROM airside.evaluations e
         WHERE e.tenant_id = p_tenant_id AND e.evaluation_id = p_evaluation_id;
END
$$;

-- Newest first, after the place (p_place_created_at, p_place_evaluation_id) where one is given. Planned anew each
-- time, because which index is right depends on which filters are given.
CREATE FUNCTION airside.newest(
    p_tenant_id uuid, p_site_reference text, p_equipment_reference text, p_job_reference text,
    p_least_severity airside.severity, p_created_from timestamptz, p_created_before timestamptz,
    p_place_created_at timestamptz, p_place_evaluation_id uuid, p_rows integer)
RETURNS TABLE (
    evaluation_id uuid, created_at timestamptz, visited_at timestamptz, site_reference text,
    equipment_reference text, job_reference text, ruleset_version text, ruleset_digest text,
    highest_severity airside.severity, units text)
LANGUAGE plpgsql SET plan_cache_mode = force_custom_plan
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT e.evaluation_id, e.created_at, e.visited_at, e.site_reference, e.equipment_reference,
               e.job_reference, e.ruleset_version, e.ruleset_digest, e.highest_severity, e.units
          FROM airside.evaluations e
         WHERE e.tenant_id = p_tenant_id
           AND (p_site_reference IS NULL OR e.site_reference = p_site_reference)
           AND (p_equipment_reference IS NULL OR e.equipment_reference = p_equipment_reference)
           AND (p_job_reference IS NULL OR e.job_reference = p_job_reference)
           AND (p_least_severity IS NULL OR e.highest_severity >= p_least_severity)
           AND (p_created_from IS NULL OR e.created_at >= p_created_from)
           AND (p_created_before IS NULL OR e.created_at < p_created_before)
           AND (p_place_created_at IS NULL
                OR (e.created_at, e.evaluation_id) < (p_place_created_at, p_place_evaluation_id))
         ORDER BY e.created_at DESC, e.evaluation_id DESC
         LIMIT p_rows;
END
$$;

-- Append-only: the application role may add and read evaluations, never change or remove one.
REVOKE ALL ON ALL FUNCTIONS IN SCHEMA airside FROM PUBLIC;
GRANT USAGE ON SCHEMA airside TO airside_app;
GRANT SELECT, INSERT ON airside.evaluations TO airside_app;
GRANT SELECT ON airside.revision TO airside_app;
GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA airside TO airside_app;
