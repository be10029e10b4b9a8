-- What was reported of an evaluation is told where the evaluation is read, and on timelines.

-- The reports on some evaluations that prevail: of each finding in each context the last one, newest first, with how
-- many there were. No row for an evaluation without any. Runs as its caller, so that row-level security binds it.
CREATE FUNCTION airside.reported_of(p_tenant_id uuid, p_evaluation_ids uuid[])
RETURNS TABLE (evaluation_id uuid, outcomes jsonb)
LANGUAGE sql STABLE
AS $$
    SELECT p.evaluation_id,
           jsonb_agg(to_jsonb(p) - 'evaluation_id' ORDER BY p.created_at DESC, p.outcome_id DESC)
      FROM (SELECT DISTINCT ON (o.evaluation_id, o.finding, o.state, o.area)
                   o.evaluation_id, o.outcome_id, o.created_at, o.finding, o.state, o.area, o.outcome, o.cause,
                   count(*) OVER (PARTITION BY o.evaluation_id, o.finding, o.state, o.area) AS reports
              FROM airside.outcomes o
             WHERE o.tenant_id = p_tenant_id AND o.evaluation_id = ANY (p_evaluation_ids)
             ORDER BY o.evaluation_id, o.finding, o.state, o.area, o.created_at DESC, o.outcome_id DESC) p
     GROUP BY p.evaluation_id
$$;

-- The three below as before, with `outcomes`. Processes of the version before name their columns, and go on.

DROP FUNCTION airside.fetch_in_chain(uuid, uuid);
CREATE FUNCTION airside.fetch_in_chain(p_tenant_id uuid, p_evaluation_id uuid)
RETURNS TABLE (
    evaluation_id uuid, created_at timestamptz, visited_at timestamptz, site_reference text,
    equipment_reference text, job_reference text, ruleset_version text, ruleset_digest text,
    highest_severity airside.severity, units text, request bytea, evaluation bytea, request_id text,
    trace_parent text, supersedes uuid, revision_reason text, account_limits bytea, superseded_by uuid,
    outcomes jsonb)
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
                 WHERE r.tenant_id = p_tenant_id AND r.supersedes = e.evaluation_id),
               s.outcomes
          FROM airside.evaluations e
          LEFT JOIN airside.reported_of(p_tenant_id, ARRAY[p_evaluation_id]) s ON true
         WHERE e.tenant_id = p_tenant_id AND e.evaluation_id = p_evaluation_id;
END
$$;

DROP FUNCTION airside.fetch_these(uuid, uuid[]);
CREATE FUNCTION airside.fetch_these(p_tenant_id uuid, p_evaluation_ids uuid[])
RETURNS TABLE (
    evaluation_id uuid, created_at timestamptz, visited_at timestamptz, site_reference text,
    equipment_reference text, job_reference text, ruleset_version text, ruleset_digest text,
    highest_severity airside.severity, units text, request bytea, evaluation bytea, request_id text,
    trace_parent text, supersedes uuid, revision_reason text, account_limits bytea, superseded_by uuid,
    outcomes jsonb)
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
                 WHERE r.tenant_id = p_tenant_id AND r.supersedes = e.evaluation_id),
               s.outcomes
          FROM unnest(p_evaluation_ids) AS k (evaluation_id)
          JOIN airside.evaluations e ON e.tenant_id = p_tenant_id AND e.evaluation_id = k.evaluation_id
          LEFT JOIN airside.reported_of(p_tenant_id, p_evaluation_ids) s ON s.evaluation_id = e.evaluation_id
         ORDER BY e.created_at DESC, e.evaluation_id DESC;
END
$$;

DROP FUNCTION airside.timeline(uuid, text, text, timestamptz, uuid, integer);
CREATE FUNCTION airside.timeline(
    p_tenant_id uuid, p_site_reference text, p_equipment_reference text,
    p_place_at timestamptz, p_place_evaluation_id uuid, p_rows integer)
RETURNS TABLE (
    evaluation_id uuid, at timestamptz, created_at timestamptz, visited_at timestamptz, site_reference text,
    equipment_reference text, job_reference text, ruleset_version text, ruleset_digest text,
    highest_severity airside.severity, supersedes uuid, request bytea, evaluation bytea, reassessments bigint,
    before uuid, found_before text[], outcomes jsonb)
LANGUAGE plpgsql SET plan_cache_mode = force_custom_plan
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        WITH page AS (
            SELECT e.evaluation_id, coalesce(e.visited_at, e.created_at) AS at, e.created_at, e.visited_at,
                   e.site_reference, e.equipment_reference, e.job_reference, e.ruleset_version, e.ruleset_digest,
                   e.highest_severity, e.supersedes, e.request, e.evaluation
              FROM airside.evaluations e
             WHERE e.tenant_id = p_tenant_id
               AND (p_site_reference IS NULL OR e.site_reference = p_site_reference)
               AND (p_equipment_reference IS NULL OR e.equipment_reference = p_equipment_reference)
               AND (p_place_at IS NULL
                    OR (coalesce(e.visited_at, e.created_at), e.evaluation_id) < (p_place_at, p_place_evaluation_id))
               AND NOT EXISTS (SELECT FROM airside.evaluations r
                                WHERE r.tenant_id = p_tenant_id AND r.supersedes = e.evaluation_id)
             ORDER BY coalesce(e.visited_at, e.created_at) DESC, e.evaluation_id DESC
             LIMIT p_rows)
        SELECT e.evaluation_id, e.at, e.created_at, e.visited_at, e.site_reference, e.equipment_reference,
               e.job_reference, e.ruleset_version, e.ruleset_digest, e.highest_severity, e.supersedes, e.request,
               e.evaluation,
               (SELECT count(*) FROM airside.reassessments a
                 WHERE a.tenant_id = p_tenant_id AND a.evaluation_id = e.evaluation_id),
               b.evaluation_id,
               (SELECT array_agg(f.code ORDER BY f.code) FROM airside.evaluation_findings f
                 WHERE f.tenant_id = p_tenant_id AND f.evaluation_id = b.evaluation_id),
               s.outcomes
          FROM page e
          LEFT JOIN LATERAL (
              SELECT o.evaluation_id
                FROM airside.evaluations o
               WHERE o.tenant_id = p_tenant_id AND o.equipment_reference = e.equipment_reference
                 AND (coalesce(o.visited_at, o.created_at), o.evaluation_id)
                     < (e.at, e.evaluation_id)
                 AND NOT EXISTS (SELECT FROM airside.evaluations r
                                  WHERE r.tenant_id = p_tenant_id AND r.supersedes = o.evaluation_id)
               ORDER BY coalesce(o.visited_at, o.created_at) DESC, o.evaluation_id DESC
               LIMIT 1) b ON true
          LEFT JOIN airside.reported_of(p_tenant_id, ARRAY(SELECT p.evaluation_id FROM page p)) s
            ON s.evaluation_id = e.evaluation_id
         ORDER BY e.at DESC, e.evaluation_id DESC;
END
$$;

REVOKE ALL ON ALL FUNCTIONS IN SCHEMA airside FROM PUBLIC;
GRANT EXECUTE ON FUNCTION
    airside.reported_of, airside.fetch_in_chain, airside.fetch_these, airside.timeline TO airside_app;
