-- Visits in the order they took place: visited_at where it was given, else when the evaluation was kept. The indexes
-- hold that very expression, so that statements must repeat it word for word.

CREATE INDEX evaluations_along_site
    ON airside.evaluations (tenant_id, site_reference, coalesce(visited_at, created_at) DESC, evaluation_id DESC)
    WHERE site_reference IS NOT NULL;
CREATE INDEX evaluations_along_equipment
    ON airside.evaluations (tenant_id, equipment_reference, coalesce(visited_at, created_at) DESC, evaluation_id DESC)
    WHERE equipment_reference IS NOT NULL;

-- Visits of a site or of an equipment, newest first, after a place where one is given; what was corrected is left out.
-- `before` is the visit before to the same equipment, with what it found; a visit that names no equipment has none.
-- The limit is taken before anything is looked up for a row.
CREATE FUNCTION airside.timeline(
    p_tenant_id uuid, p_site_reference text, p_equipment_reference text,
    p_place_at timestamptz, p_place_evaluation_id uuid, p_rows integer)
RETURNS TABLE (
    evaluation_id uuid, at timestamptz, created_at timestamptz, visited_at timestamptz, site_reference text,
    equipment_reference text, job_reference text, ruleset_version text, ruleset_digest text,
    highest_severity airside.severity, supersedes uuid, request bytea, evaluation bytea, reassessments bigint,
    before uuid, found_before text[])
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
                 WHERE f.tenant_id = p_tenant_id AND f.evaluation_id = b.evaluation_id)
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
         ORDER BY e.at DESC, e.evaluation_id DESC;
END
$$;

-- Requests of the newest visits to an equipment within a time, newest first; `corrected` are the evaluations that a
-- row stands for now, the latest of them first.
CREATE FUNCTION airside.visits_to(
    p_tenant_id uuid, p_equipment_reference text, p_from timestamptz, p_before timestamptz, p_rows integer)
RETURNS TABLE (evaluation_id uuid, at timestamptz, request bytea, units text, corrected uuid[])
LANGUAGE plpgsql SET plan_cache_mode = force_custom_plan
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT e.evaluation_id, coalesce(e.visited_at, e.created_at), e.request, e.units,
               ARRAY(WITH RECURSIVE chain AS (
                         SELECT e.supersedes AS id, 1 AS place
                         UNION ALL
                         SELECT c.supersedes, chain.place + 1
                           FROM chain JOIN airside.evaluations c
                             ON c.tenant_id = p_tenant_id AND c.evaluation_id = chain.id)
                     SELECT chain.id FROM chain WHERE chain.id IS NOT NULL ORDER BY chain.place)
          FROM airside.evaluations e
         WHERE e.tenant_id = p_tenant_id
           AND e.equipment_reference = p_equipment_reference
           AND (p_from IS NULL OR coalesce(e.visited_at, e.created_at) >= p_from)
           AND (p_before IS NULL OR coalesce(e.visited_at, e.created_at) < p_before)
           AND NOT EXISTS (SELECT FROM airside.evaluations r
                            WHERE r.tenant_id = p_tenant_id AND r.supersedes = e.evaluation_id)
         ORDER BY coalesce(e.visited_at, e.created_at) DESC, e.evaluation_id DESC
         LIMIT p_rows;
END
$$;

REVOKE ALL ON ALL FUNCTIONS IN SCHEMA airside FROM PUBLIC;
GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA airside TO airside_app;
