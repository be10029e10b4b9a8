-- Keeps a reassessment. `fate` is `kept`; `repeated` or `other_request` as `claim` says; `nothing_to_correct` where
-- the evaluation is not there. The function of the same name that takes no key serves processes of the version before.
CREATE FUNCTION airside.keep_reassessment(
    p_tenant_id uuid, p_evaluation_id uuid, p_reassessment_id uuid, p_created_at timestamptz,
    p_ruleset_version text, p_ruleset_digest text, p_service_version text, p_highest_severity airside.severity,
    p_units text, p_evaluation bytea, p_difference bytea, p_request_id text, p_trace_parent text,
    p_idempotency_key text, p_request_sha256 bytea, OUT fate text, OUT made uuid)
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    IF NOT EXISTS (
        SELECT FROM airside.evaluations e WHERE e.tenant_id = p_tenant_id AND e.evaluation_id = p_evaluation_id)
    THEN
        fate := 'nothing_to_correct';
        RETURN;
    END IF;
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
END
$$;

REVOKE ALL ON ALL FUNCTIONS IN SCHEMA airside FROM PUBLIC;
GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA airside TO airside_app;
