-- Leases are shared out fairly between accounts, not only between webhooks: an account may have several slow ones.

-- What is due, of all tenants, leased to the caller: until the lease ends nobody else gets it, and if the caller is
-- gone by then, the next one does. At most p_each of a webhook and twice that of a tenant are out at a time, so that slow
-- targets do not hold up the others. Runs as its owner, to see of all tenants which webhooks have something due; then it takes on one
-- tenant after the other and reads as that. It gives out the sealed secrets of these webhooks.
CREATE OR REPLACE FUNCTION airside.lease_deliveries(p_limit integer, p_each integer, p_lease interval)
RETURNS TABLE (
    tenant_id uuid, delivery_id uuid, webhook_id uuid, lease uuid, tries integer, url text, secrets bytea[],
    event text, created_at timestamptz, evaluation_id uuid, about uuid, supersedes uuid,
    highest_severity text, findings text[])
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
#variable_conflict use_column
DECLARE
    hook record;
    room integer;
    given integer := 0;
    just_given integer;
BEGIN
    FOR hook IN
        WITH RECURSIVE waiting AS (  -- each webhook with something pending, by one look into the index
            (SELECT d.tenant_id, d.webhook_id FROM airside.webhook_deliveries d
              WHERE d.state = 'pending' ORDER BY d.tenant_id, d.webhook_id LIMIT 1)
            UNION ALL
            SELECT n.tenant_id, n.webhook_id
              FROM waiting w CROSS JOIN LATERAL (
                    SELECT d.tenant_id, d.webhook_id FROM airside.webhook_deliveries d
                     WHERE d.state = 'pending' AND (d.tenant_id, d.webhook_id) > (w.tenant_id, w.webhook_id)
                     ORDER BY d.tenant_id, d.webhook_id LIMIT 1) n)
        SELECT h.tenant_id, h.webhook_id, h.url
          FROM waiting w
          JOIN airside.webhooks h ON h.tenant_id = w.tenant_id AND h.webhook_id = w.webhook_id AND h.enabled
         CROSS JOIN LATERAL (
                SELECT d.due_at FROM airside.webhook_deliveries d
                 WHERE d.tenant_id = w.tenant_id AND d.webhook_id = w.webhook_id AND d.state = 'pending'
                 ORDER BY d.due_at LIMIT 1) oldest
         WHERE oldest.due_at <= now()
         ORDER BY oldest.due_at
    LOOP
        PERFORM set_config('airside.tenant', hook.tenant_id::text, true);
        SELECT least(p_limit - given, p_each - count(*) FILTER (WHERE d.webhook_id = hook.webhook_id),
                     2 * p_each - count(*)) INTO room
          FROM airside.webhook_deliveries d
         WHERE d.tenant_id = hook.tenant_id AND d.lease IS NOT NULL AND d.due_at > now();
        CONTINUE WHEN room <= 0;
        RETURN QUERY
            WITH due AS MATERIALIZED (
                SELECT d.delivery_id FROM airside.webhook_deliveries d
                 WHERE d.tenant_id = hook.tenant_id AND d.webhook_id = hook.webhook_id AND d.state = 'pending'
                   AND d.due_at <= now()
                 ORDER BY d.due_at
                 LIMIT room
                   FOR NO KEY UPDATE SKIP LOCKED),
            leased AS (
                UPDATE airside.webhook_deliveries d
                   SET lease = gen_random_uuid(), due_at = now() + p_lease, attempts = d.attempts + 1,
                       tries = d.tries + 1
                  FROM due WHERE d.tenant_id = hook.tenant_id AND d.delivery_id = due.delivery_id
             RETURNING d.*)
            SELECT d.tenant_id, d.delivery_id, d.webhook_id, d.lease, d.tries, hook.url,
                   ARRAY(SELECT s.sealed FROM airside.webhook_secrets s
                          WHERE s.tenant_id = d.tenant_id AND s.webhook_id = d.webhook_id
                            AND (s.expires_at IS NULL OR s.expires_at > now())
                          ORDER BY s.created_at DESC),
                   d.event, d.created_at, d.evaluation_id, d.about, e.supersedes,
                   CASE WHEN d.event = 'evaluation.reassessed' THEN r.highest_severity
                        ELSE e.highest_severity END::text,
                   CASE WHEN d.event IN ('evaluation.created', 'evaluation.revised') THEN
                       ARRAY(SELECT f.code FROM airside.evaluation_findings f
                              WHERE f.tenant_id = d.tenant_id AND f.evaluation_id = d.evaluation_id
                              ORDER BY f.severity DESC, f.code)
                   END
              FROM leased d
              LEFT JOIN airside.evaluations e
                ON e.tenant_id = d.tenant_id AND e.evaluation_id = d.evaluation_id
              LEFT JOIN airside.reassessments r
                ON r.tenant_id = d.tenant_id AND r.evaluation_id = d.evaluation_id AND r.reassessment_id = d.about;
        GET DIAGNOSTICS just_given = ROW_COUNT;
        given := given + just_given;
        EXIT WHEN given >= p_limit;
    END LOOP;
    PERFORM set_config('airside.tenant', '', true);
END
$$;
