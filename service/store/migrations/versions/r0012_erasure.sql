-- Erasing evaluations for good, on request and by age, and forgetting old idempotency keys.
--
-- Every table that belongs to an evaluation has a foreign key to it that cascades, so that erasing it leaves nothing.

ALTER TABLE airside.tenants
    ADD COLUMN IF NOT EXISTS retention_days integer CHECK (retention_days >= 1);  -- absent: kept until erased

DO $$
DECLARE
    old name := (SELECT conname FROM pg_catalog.pg_constraint
                  WHERE conrelid = 'airside.reassessments'::regclass AND contype = 'f'
                    AND confrelid = 'airside.evaluations'::regclass);
BEGIN
    EXECUTE format('ALTER TABLE airside.reassessments DROP CONSTRAINT %I, ADD CONSTRAINT %1$I '
                   'FOREIGN KEY (tenant_id, evaluation_id) '
                   'REFERENCES airside.evaluations (tenant_id, evaluation_id) ON DELETE CASCADE', old);
END
$$;

-- The log. What was asked for is kept as a digest only.
CREATE TABLE airside.erasures (
    tenant_id uuid NOT NULL REFERENCES airside.tenants (tenant_id),
    erasure_id uuid NOT NULL,
    created_at timestamptz NOT NULL,
    kind text NOT NULL CHECK (kind IN ('site', 'job', 'evaluation', 'retention')),
    selector_sha256 bytea CHECK (octet_length(selector_sha256) = 32),  -- absent for retention
    reason text,                        -- absent for retention
    key_id uuid,                        -- absent for retention
    evaluations integer NOT NULL,
    complete boolean NOT NULL,          -- false: more fit than one erasure takes
    PRIMARY KEY (tenant_id, erasure_id)
);
CREATE INDEX erasures_newest ON airside.erasures (tenant_id, created_at DESC, erasure_id DESC);

-- That there was an evaluation of this id, and nothing else of it.
CREATE TABLE airside.tombstones (
    tenant_id uuid NOT NULL,
    evaluation_id uuid NOT NULL,
    erased_at timestamptz NOT NULL,
    erasure_id uuid NOT NULL,
    PRIMARY KEY (tenant_id, evaluation_id),
    FOREIGN KEY (tenant_id, erasure_id) REFERENCES airside.erasures (tenant_id, erasure_id)
);

ALTER TABLE airside.erasures ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.erasures FORCE ROW LEVEL SECURITY;
ALTER TABLE airside.tombstones ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.tombstones FORCE ROW LEVEL SECURITY;
CREATE POLICY own_rows ON airside.erasures
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);
CREATE POLICY own_rows ON airside.tombstones
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);

-- For airside.forget_keys alone, which forgets those of all tenants at once.
CREATE POLICY owner_reads ON airside.idempotency FOR SELECT TO CURRENT_USER USING (true);
CREATE POLICY owner_forgets ON airside.idempotency FOR DELETE TO CURRENT_USER USING (true);
CREATE INDEX idempotency_oldest ON airside.idempotency (created_at);

CREATE FUNCTION airside.announce_erasure() RETURNS trigger
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM airside.announce(NEW.tenant_id, 'evaluations.erased', NULL, NEW.erasure_id, NULL);
    RETURN NULL;
END
$$;
CREATE TRIGGER announce AFTER INSERT ON airside.erasures
    FOR EACH ROW WHEN (NEW.evaluations > 0) EXECUTE FUNCTION airside.announce_erasure();

-- Erases what fits, at most about p_most of it and the oldest first, with all that belongs to it; and also what it
-- corrects, which would otherwise stand again. Runs as its owner, since the application role may not remove an
-- evaluation; it names the tenant, so that row-level security, forced, binds it to that one's rows. `erased` is null
-- where another erasure of the tenant is under way and p_wait is false.
CREATE FUNCTION airside.erase(
    p_tenant_id uuid, p_erasure_id uuid, p_erased_at timestamptz, p_kind text, p_site_reference text,
    p_job_reference text, p_evaluation_id uuid, p_created_before timestamptz, p_selector_sha256 bytea, p_reason text,
    p_key_id uuid, p_most integer, p_wait boolean, OUT erased integer, OUT complete boolean)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp SET plan_cache_mode = force_custom_plan
AS $$
#variable_conflict use_column
DECLARE
    turn constant bigint := hashtextextended('erasures of ' || p_tenant_id, 0);
    doomed uuid[];
BEGIN
    IF num_nonnulls(p_site_reference, p_job_reference, p_evaluation_id, p_created_before) <> 1 THEN
        RAISE 'an erasure needs exactly one selector';
    END IF;
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    IF p_wait THEN
        PERFORM pg_advisory_xact_lock(turn);
    ELSIF NOT pg_try_advisory_xact_lock(turn) THEN
        complete := false;
        RETURN;
    END IF;
    doomed := ARRAY(
        SELECT e.evaluation_id FROM airside.evaluations e
         WHERE e.tenant_id = p_tenant_id
           AND (p_site_reference IS NULL OR e.site_reference = p_site_reference)
           AND (p_job_reference IS NULL OR e.job_reference = p_job_reference)
           AND (p_evaluation_id IS NULL OR e.evaluation_id = p_evaluation_id)
           AND (p_created_before IS NULL OR e.created_at < p_created_before)
         ORDER BY e.created_at, e.evaluation_id
         LIMIT p_most + 1);
    complete := cardinality(doomed) <= p_most;
    doomed := doomed[:p_most];
    doomed := ARRAY(
        WITH RECURSIVE chain AS (
            SELECT unnest(doomed) AS evaluation_id
            UNION
            SELECT e.supersedes FROM chain c JOIN airside.evaluations e
                ON e.tenant_id = p_tenant_id AND e.evaluation_id = c.evaluation_id
             WHERE e.supersedes IS NOT NULL)
        SELECT e.evaluation_id FROM chain c JOIN airside.evaluations e
            ON e.tenant_id = p_tenant_id AND e.evaluation_id = c.evaluation_id);
    erased := cardinality(doomed);
    IF erased = 0 AND p_kind = 'retention' THEN
        RETURN;
    END IF;
    INSERT INTO airside.erasures AS l (
        tenant_id, erasure_id, created_at, kind, selector_sha256, reason, key_id, evaluations, complete)
    VALUES (p_tenant_id, p_erasure_id, p_erased_at, p_kind, p_selector_sha256, p_reason, p_key_id, erased, complete)
    ON CONFLICT (tenant_id, erasure_id) DO UPDATE
       SET evaluations = l.evaluations + excluded.evaluations, complete = excluded.complete;
    INSERT INTO airside.tombstones (tenant_id, evaluation_id, erased_at, erasure_id)
    SELECT p_tenant_id, d.evaluation_id, p_erased_at, p_erasure_id FROM unnest(doomed) AS d (evaluation_id);
    DELETE FROM airside.evaluations e WHERE e.tenant_id = p_tenant_id AND e.evaluation_id = ANY (doomed);
END
$$;

-- What is older than the tenant has it kept, in one batch; nothing where it has all kept.
CREATE FUNCTION airside.erase_outdated(
    p_tenant_id uuid, p_erasure_id uuid, p_now timestamptz, p_most integer, OUT erased integer, OUT complete boolean)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
#variable_conflict use_column
DECLARE
    days integer := (SELECT t.retention_days FROM airside.tenants t WHERE t.tenant_id = p_tenant_id);
BEGIN
    IF days IS NULL THEN
        erased := 0;
        complete := true;
        RETURN;
    END IF;
    SELECT x.erased, x.complete INTO erased, complete
      FROM airside.erase(p_tenant_id, p_erasure_id, p_now, 'retention', NULL, NULL, NULL,
                         p_now - make_interval(days => days), NULL, NULL, NULL, p_most, false) x;
END
$$;

-- Tenants that do not have everything kept.
CREATE FUNCTION airside.retaining_tenants() RETURNS TABLE (tenant_id uuid)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
    SELECT t.tenant_id FROM airside.tenants t WHERE t.retention_days IS NOT NULL ORDER BY t.tenant_id
$$;

-- Forgets keys that were claimed before p_before, of whichever tenant, in one batch; how many.
CREATE FUNCTION airside.forget_keys(p_before timestamptz, p_most integer) RETURNS integer
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
DECLARE
    forgotten integer;
BEGIN
    IF NOT pg_try_advisory_xact_lock(hashtextextended('forgetting of keys', 0)) THEN
        RETURN 0;
    END IF;
    DELETE FROM airside.idempotency i
     WHERE (i.tenant_id, i.idempotency_key) IN (
           SELECT o.tenant_id, o.idempotency_key FROM airside.idempotency o
            WHERE o.created_at < p_before ORDER BY o.created_at LIMIT p_most);
    GET DIAGNOSTICS forgotten = ROW_COUNT;
    RETURN forgotten;
END
$$;

-- These run as their caller, so that row-level security binds them.

CREATE FUNCTION airside.tombstone_of(p_tenant_id uuid, p_evaluation_id uuid) RETURNS SETOF airside.tombstones
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT t.* FROM airside.tombstones t WHERE t.tenant_id = p_tenant_id AND t.evaluation_id = p_evaluation_id;
END
$$;

CREATE FUNCTION airside.fetch_erasure(p_tenant_id uuid, p_erasure_id uuid) RETURNS SETOF airside.erasures
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT l.* FROM airside.erasures l WHERE l.tenant_id = p_tenant_id AND l.erasure_id = p_erasure_id;
END
$$;

CREATE FUNCTION airside.newest_erasures(
    p_tenant_id uuid, p_place_created_at timestamptz, p_place_erasure_id uuid, p_rows integer)
RETURNS SETOF airside.erasures
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT l.* FROM airside.erasures l
         WHERE l.tenant_id = p_tenant_id
           AND (p_place_created_at IS NULL
                OR (l.created_at, l.erasure_id) < (p_place_created_at, p_place_erasure_id))
         ORDER BY l.created_at DESC, l.erasure_id DESC
         LIMIT p_rows;
END
$$;

-- As before, and without a fault where the evaluation is erased just now.
CREATE OR REPLACE FUNCTION airside.keep_reassessment(
    p_tenant_id uuid, p_evaluation_id uuid, p_reassessment_id uuid, p_created_at timestamptz,
    p_ruleset_version text, p_ruleset_digest text, p_service_version text, p_highest_severity airside.severity,
    p_units text, p_evaluation bytea, p_difference bytea, p_request_id text, p_trace_parent text,
    p_idempotency_key text, p_request_sha256 bytea, OUT fate text, OUT made uuid)
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    SELECT c.fate, c.made INTO fate, made
      FROM airside.claim(p_tenant_id, p_idempotency_key, p_request_sha256, p_reassessment_id) c;
    IF fate = 'first' THEN
        INSERT INTO airside.reassessments (
            tenant_id, evaluation_id, reassessment_id, created_at, ruleset_version, ruleset_digest, service_version,
            highest_severity, units, evaluation, difference, request_id, trace_parent)
        VALUES (
            p_tenant_id, p_evaluation_id, p_reassessment_id, p_created_at, p_ruleset_version, p_ruleset_digest,
            p_service_version, p_highest_severity, p_units, p_evaluation, p_difference, p_request_id, p_trace_parent);
        fate := 'kept';
    END IF;
EXCEPTION
    WHEN foreign_key_violation THEN  -- which has undone the claim too
        fate := 'nothing_to_correct';
        made := NULL;
END
$$;

REVOKE ALL ON ALL FUNCTIONS IN SCHEMA airside FROM PUBLIC;
GRANT SELECT ON airside.erasures, airside.tombstones TO airside_app;
GRANT EXECUTE ON FUNCTION
    airside.erase(uuid, uuid, timestamptz, text, text, text, uuid, timestamptz, bytea, text, uuid, integer, boolean),
    airside.erase_outdated(uuid, uuid, timestamptz, integer), airside.retaining_tenants(),
    airside.forget_keys(timestamptz, integer), airside.tombstone_of(uuid, uuid), airside.fetch_erasure(uuid, uuid),
    airside.newest_erasures(uuid, timestamptz, uuid, integer)
    TO airside_app;
