-- What supersedes what, read both ways.

-- One evaluation, with what corrects it.
CREATE FUNCTION airside.fetch_in_chain(p_tenant_id uuid, p_evaluation_id uuid)
RETURNS TABLE (
    evaluation_id uuid, created_at timestamptz, visited_at timestamptz, site_reference text,
    equipment_reference text, job_reference text, ruleset_version text, ruleset_digest text,
    highest_severity airside.severity, units text, request bytea, evaluation bytea, request_id text,
    trace_parent text, supersedes uuid, revision_reason text, account_limits bytea, superseded_by uuid)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT e.evaluation_id, e.created_at, e.visited_at, e.site_reference, e.equipment_reference, e.job_reference,
               e.ruleset_version, e.ruleset_digest, e.highest_severity, e.units, e.request, e.evaluation,
               e.request_id, e.trace_parent, e.supersedes, e.revision_reason, e.account_limits,
               (SELECT r.evaluation_id FROM airside.evaluations r
                 WHERE r.tenant_id = p_tenant_id AND r.supersedes = e.evaluation_id)
          FROM airside.evaluations e
         WHERE e.tenant_id = p_tenant_id AND e.evaluation_id = p_evaluation_id;
END
$$;

-- The whole chain that an evaluation belongs to, the oldest first.
CREATE FUNCTION airside.chain_of(p_tenant_id uuid, p_evaluation_id uuid)
RETURNS TABLE (
    evaluation_id uuid, created_at timestamptz, visited_at timestamptz, ruleset_version text, ruleset_digest text,
    highest_severity airside.severity, supersedes uuid, revision_reason text)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        WITH RECURSIVE back AS (
            SELECT e.evaluation_id, e.supersedes, 0 AS place FROM airside.evaluations e
             WHERE e.tenant_id = p_tenant_id AND e.evaluation_id = p_evaluation_id
            UNION ALL
            SELECT e.evaluation_id, e.supersedes, b.place - 1
              FROM back b JOIN airside.evaluations e
                ON e.tenant_id = p_tenant_id AND e.evaluation_id = b.supersedes),
        forth AS (
            SELECT e.evaluation_id, 1 AS place FROM airside.evaluations e
             WHERE e.tenant_id = p_tenant_id AND e.supersedes = p_evaluation_id
            UNION ALL
            SELECT e.evaluation_id, f.place + 1
              FROM forth f JOIN airside.evaluations e
                ON e.tenant_id = p_tenant_id AND e.supersedes = f.evaluation_id),
        members AS (SELECT b.evaluation_id, b.place FROM back b UNION ALL SELECT f.evaluation_id, f.place FROM forth f)
        SELECT e.evaluation_id, e.created_at, e.visited_at, e.ruleset_version, e.ruleset_digest, e.highest_severity,
               e.supersedes, e.revision_reason
          FROM members m JOIN airside.evaluations e
            ON e.tenant_id = p_tenant_id AND e.evaluation_id = m.evaluation_id
         ORDER BY m.place;
END
$$;

-- What an evaluation corrects and what corrects it; one row.
CREATE FUNCTION airside.neighbours_of(p_tenant_id uuid, p_evaluation_id uuid,
                                      OUT supersedes uuid, OUT superseded_by uuid)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    SELECT e.supersedes INTO supersedes FROM airside.evaluations e
     WHERE e.tenant_id = p_tenant_id AND e.evaluation_id = p_evaluation_id;
    SELECT r.evaluation_id INTO superseded_by FROM airside.evaluations r
     WHERE r.tenant_id = p_tenant_id AND r.supersedes = p_evaluation_id;
END
$$;

REVOKE ALL ON ALL FUNCTIONS IN SCHEMA airside FROM PUBLIC;
GRANT EXECUTE ON FUNCTION
    airside.fetch_in_chain(uuid, uuid), airside.chain_of(uuid, uuid), airside.neighbours_of(uuid, uuid)
    TO airside_app;
