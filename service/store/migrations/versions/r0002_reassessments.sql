-- Evaluations judged again under another version of the rules, and the version that an account pins.

ALTER TABLE airside.tenants
    ADD COLUMN ruleset text CHECK (ruleset ~ '^[0-9]+\.[0-9]+\.[0-9]+$');  -- absent: the service's current one

-- As before, with the tenant's version of the rules. Processes of the version before name their columns, and go on.
DROP FUNCTION airside.authenticate(bytea);
CREATE FUNCTION airside.authenticate(p_secret_sha256 bytea)
RETURNS TABLE (tenant_id uuid, key_id uuid, scopes text[], units text, ruleset text)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
#variable_conflict use_column
DECLARE
    last_use timestamptz;
BEGIN
    SELECT k.tenant_id, k.key_id, k.scopes, t.units, t.ruleset, k.last_used_at
      INTO authenticate.tenant_id, authenticate.key_id, authenticate.scopes, authenticate.units,
           authenticate.ruleset, last_use
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

-- Beside the evaluation, which stays as it is. The difference is kept as it was found on that day, since the version
-- that the evaluation was judged by may be gone later.
CREATE TABLE airside.reassessments (
    tenant_id uuid NOT NULL REFERENCES airside.tenants (tenant_id),
    evaluation_id uuid NOT NULL,
    reassessment_id uuid NOT NULL,
    created_at timestamptz NOT NULL,
    ruleset_version text NOT NULL,
    ruleset_digest text NOT NULL,
    service_version text NOT NULL,
    highest_severity airside.severity,  -- absent where nothing was found
    units text NOT NULL CHECK (units IN ('ip', 'si')),
    evaluation bytea NOT NULL,  -- the encoded evaluation, in SI units
    difference bytea NOT NULL,  -- the encoded difference to the evaluation that was kept first
    request_id text,
    trace_parent text,
    PRIMARY KEY (tenant_id, evaluation_id, reassessment_id),
    FOREIGN KEY (tenant_id, evaluation_id) REFERENCES airside.evaluations (tenant_id, evaluation_id)
);

CREATE INDEX reassessments_newest
    ON airside.reassessments (tenant_id, evaluation_id, created_at DESC, reassessment_id DESC);

ALTER TABLE airside.reassessments ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.reassessments FORCE ROW LEVEL SECURITY;

CREATE POLICY own_rows ON airside.reassessments
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);

-- These run as their caller, so that row-level security binds them; one statement, one round trip.

CREATE FUNCTION airside.keep_reassessment(
    p_tenant_id uuid, p_evaluation_id uuid, p_reassessment_id uuid, p_created_at timestamptz,
    p_ruleset_version text, p_ruleset_digest text, p_service_version text, p_highest_severity airside.severity,
    p_units text, p_evaluation bytea, p_difference bytea, p_request_id text, p_trace_parent text)
RETURNS void
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    INSERT INTO airside.reassessments (
        tenant_id, evaluation_id, reassessment_id, created_at, ruleset_version, ruleset_digest, service_version,
        highest_severity, units, evaluation, difference, request_id, trace_parent)
    VALUES (
        p_tenant_id, p_evaluation_id, p_reassessment_id, p_created_at, p_ruleset_version, p_ruleset_digest,
        p_service_version, p_highest_severity, p_units, p_evaluation, p_difference, p_request_id, p_trace_parent);
END
$$;

CREATE FUNCTION airside.fetch_reassessment(p_tenant_id uuid, p_evaluation_id uuid, p_reassessment_id uuid)
RETURNS SETOF airside.reassessments
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT r.* FROM airside.reassessments r
         WHERE r.tenant_id = p_tenant_id AND r.evaluation_id = p_evaluation_id
           AND r.reassessment_id = p_reassessment_id;
END
$$;

-- Newest first, after a place where one is given. No row where there is no such evaluation; one of nulls where it has
-- no reassessment.
CREATE FUNCTION airside.newest_reassessments(
    p_tenant_id uuid, p_evaluation_id uuid, p_place_created_at timestamptz, p_place_reassessment_id uuid,
    p_rows integer)
RETURNS TABLE (
    reassessment_id uuid, created_at timestamptz, ruleset_version text, ruleset_digest text, service_version text,
    highest_severity airside.severity, units text)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT n.reassessment_id, n.created_at, n.ruleset_version, n.ruleset_digest, n.service_version,
               n.highest_severity, n.units
          FROM airside.evaluations e
          LEFT JOIN LATERAL (
                SELECT r.* FROM airside.reassessments r
                 WHERE r.tenant_id = p_tenant_id AND r.evaluation_id = p_evaluation_id
                   AND (p_place_created_at IS NULL
                        OR (r.created_at, r.reassessment_id) < (p_place_created_at, p_place_reassessment_id))
                 ORDER BY r.created_at DESC, r.reassessment_id DESC
                 LIMIT p_rows) n ON true
         WHERE e.tenant_id = p_tenant_id AND e.evaluation_id = p_evaluation_id
         ORDER BY n.created_at DESC, n.reassessment_id DESC;
END
$$;

-- Append-only, as evaluations are.
REVOKE ALL ON ALL FUNCTIONS IN SCHEMA airside FROM PUBLIC;
GRANT SELECT, INSERT ON airside.reassessments TO airside_app;
GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA airside TO airside_app;
