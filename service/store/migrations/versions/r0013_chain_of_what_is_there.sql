-- The whole chain that an evaluation belongs to, the oldest first; as before, but of one that was erased nothing, though
-- what corrected it may still be there.
CREATE OR REPLACE FUNCTION airside.chain_of(p_tenant_id uuid, p_evaluation_id uuid)
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
            SELECT b.evaluation_id, 0 AS place FROM back b WHERE b.place = 0
            UNION ALL
            SELECT e.evaluation_id, f.place + 1
              FROM forth f JOIN airside.evaluations e
                ON e.tenant_id = p_tenant_id AND e.supersedes = f.evaluation_id),
        members AS (SELECT b.evaluation_id, b.place FROM back b UNION SELECT f.evaluation_id, f.place FROM forth f)
        SELECT e.evaluation_id, e.created_at, e.visited_at, e.ruleset_version, e.ruleset_digest, e.highest_severity,
               e.supersedes, e.revision_reason
          FROM members m JOIN airside.evaluations e
            ON e.tenant_id = p_tenant_id AND e.evaluation_id = m.evaluation_id
         ORDER BY m.place;
END
$$;
