-- What a record needs besides its evaluations: what supersedes what, what was found, words to search, repeated sends.

ALTER TABLE airside.evaluations
    ADD COLUMN supersedes uuid,         -- the evaluation that this one corrects
    ADD COLUMN revision_reason text,    -- why, in the words of who corrected it
    ADD COLUMN words text,              -- labels and notes of the request, to be searched
    ADD COLUMN account_limits bytea;    -- encoded limits of the account that held besides those of the request

-- One evaluation is corrected once, by the next; that one may be corrected again. So revisions are a chain.
CREATE UNIQUE INDEX evaluations_superseding
    ON airside.evaluations (tenant_id, supersedes) WHERE supersedes IS NOT NULL;

-- Each code that an evaluation found, once, with the gravest severity it had. Rows of their own, because a list by
-- finding is then as quick as one by site, page by page.
CREATE TABLE airside.evaluation_findings (
    tenant_id uuid NOT NULL,
    code text NOT NULL,
    created_at timestamptz NOT NULL,
    evaluation_id uuid NOT NULL,
    severity airside.severity NOT NULL,
    PRIMARY KEY (tenant_id, code, created_at, evaluation_id),
    FOREIGN KEY (tenant_id, evaluation_id) REFERENCES airside.evaluations (tenant_id, evaluation_id) ON DELETE CASCADE
);
CREATE INDEX evaluation_findings_of ON airside.evaluation_findings (tenant_id, evaluation_id);

-- A request that was sent with a key of its own, and what came of it. Only the digest of the body is kept.
CREATE TABLE airside.idempotency (
    tenant_id uuid NOT NULL REFERENCES airside.tenants (tenant_id),
    idempotency_key text NOT NULL CHECK (length(idempotency_key) BETWEEN 1 AND 255),
    request_sha256 bytea NOT NULL CHECK (octet_length(request_sha256) = 32),  -- operation, address and body
    made uuid NOT NULL,         -- id of what the first request made
    created_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (tenant_id, idempotency_key)
);

ALTER TABLE airside.evaluation_findings ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.evaluation_findings FORCE ROW LEVEL SECURITY;
ALTER TABLE airside.idempotency ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.idempotency FORCE ROW LEVEL SECURITY;
CREATE POLICY own_rows ON airside.evaluation_findings
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);
CREATE POLICY own_rows ON airside.idempotency
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);

-- Whether this request is the first under its key. Called in the transaction that keeps what it made: a second one
-- waits here until the first has committed or failed. `fate` is `first`; `repeated`, with what the first made; or
-- `other_request`.
CREATE FUNCTION airside.claim(p_tenant_id uuid, p_key text, p_request_sha256 bytea, p_made uuid,
                              OUT fate text, OUT made uuid)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
DECLARE
    earlier airside.idempotency;
BEGIN
    fate := 'first';
    made := p_made;
    IF p_key IS NULL THEN
        RETURN;
    END IF;
    INSERT INTO airside.idempotency (tenant_id, idempotency_key, request_sha256, made)
    VALUES (p_tenant_id, p_key, p_request_sha256, p_made) ON CONFLICT DO NOTHING;
    IF NOT FOUND THEN
        SELECT i.* INTO earlier FROM airside.idempotency i
         WHERE i.tenant_id = p_tenant_id AND i.idempotency_key = p_key;
        made := earlier.made;
        fate := CASE WHEN earlier.request_sha256 = p_request_sha256 THEN 'repeated' ELSE 'other_request' END;
    END IF;
END
$$;

-- What came of an earlier request under this key, without waiting for one under way; no row where there was none.
CREATE FUNCTION airside.claimed(p_tenant_id uuid, p_key text, p_request_sha256 bytea)
RETURNS TABLE (fate text, made uuid)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT CASE WHEN i.request_sha256 = p_request_sha256 THEN 'repeated' ELSE 'other_request' END, i.made
          FROM airside.idempotency i
         WHERE i.tenant_id = p_tenant_id AND i.idempotency_key = p_key;
END
$$;

-- Keeps an evaluation. `fate` is `kept`; `repeated` or `other_request` as above; `superseded` where what it corrects
-- was corrected already, with what did it; `nothing_to_correct` where that is not there. Only `kept` has kept.
CREATE FUNCTION airside.keep_evaluation(
    p_tenant_id uuid, p_evaluation_id uuid, p_created_at timestamptz, p_visited_at timestamptz,
    p_site_reference text, p_equipment_reference text, p_job_reference text,
    p_ruleset_version text, p_ruleset_digest text, p_highest_severity airside.severity, p_units text,
    p_request bytea, p_evaluation bytea, p_request_id text, p_trace_parent text,
    p_finding_codes text[], p_finding_severities text[], p_words text, p_account_limits bytea,
    p_supersedes uuid, p_revision_reason text, p_idempotency_key text, p_request_sha256 bytea,
    OUT fate text, OUT evaluation_id uuid)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    SELECT c.fate, c.made INTO fate, evaluation_id
      FROM airside.claim(p_tenant_id, p_idempotency_key, p_request_sha256, p_evaluation_id) c;
    IF fate <> 'first' THEN
        RETURN;
    END IF;
    IF p_supersedes IS NOT NULL AND NOT EXISTS (
        SELECT FROM airside.evaluations e WHERE e.tenant_id = p_tenant_id AND e.evaluation_id = p_supersedes)
    THEN
        fate := 'nothing_to_correct';
    ELSE
        INSERT INTO airside.evaluations (
            tenant_id, evaluation_id, created_at, visited_at, site_reference, equipment_reference, job_reference,
            ruleset_version, ruleset_digest, highest_severity, units, request, evaluation, request_id, trace_parent,
            words, account_limits, supersedes, revision_reason)
        VALUES (
            p_tenant_id, p_evaluation_id, p_created_at, p_visited_at, p_site_reference, p_equipment_reference,
            p_job_reference, p_ruleset_version, p_ruleset_digest, p_highest_severity, p_units, p_request,
            p_evaluation, p_request_id, p_trace_parent, p_words, p_account_limits, p_supersedes, p_revision_reason)
        ON CONFLICT (tenant_id, supersedes) WHERE supersedes IS NOT NULL DO NOTHING;
        fate := CASE WHEN FOUND THEN 'kept' ELSE 'superseded' END;
    END IF;
    IF fate = 'kept' THEN
        INSERT INTO airside.evaluation_findings (tenant_id, code, created_at, evaluation_id, severity)
        SELECT p_tenant_id, f.code, p_created_at, p_evaluation_id, f.severity::airside.severity
          FROM unnest(p_finding_codes, p_finding_severities) AS f (code, severity);
        RETURN;
    END IF;
    -- Nothing was made, so nothing may be answered for under this key.
    DELETE FROM airside.idempotency i
     WHERE i.tenant_id = p_tenant_id AND i.idempotency_key = p_idempotency_key AND i.made = p_evaluation_id;
    SELECT e.evaluation_id INTO evaluation_id
      FROM airside.evaluations e WHERE e.tenant_id = p_tenant_id AND e.supersedes = p_supersedes;
END
$$;

REVOKE ALL ON ALL FUNCTIONS IN SCHEMA airside FROM PUBLIC;
GRANT SELECT, INSERT ON airside.evaluation_findings TO airside_app;
GRANT SELECT, INSERT, DELETE ON airside.idempotency TO airside_app;
GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA airside TO airside_app;
