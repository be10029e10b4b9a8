-- What was found to be true on site of what an evaluation found. Rows are only added: of those of one finding in one
-- context the last one prevails. The rules, their version and the rank of the cause stand here as they were, so that the
-- record of the rules is read without decoding an evaluation.
CREATE TABLE airside.outcomes (
    tenant_id uuid NOT NULL,
    evaluation_id uuid NOT NULL,
    outcome_id uuid NOT NULL,
    created_at timestamptz NOT NULL,
    finding text NOT NULL,
    state text NOT NULL,
    area text NOT NULL,                 -- empty for the whole
    outcome text NOT NULL CHECK (outcome IN ('confirmed', 'ruled_out', 'repaired')),
    cause text,                         -- what was really found
    cause_rank integer,                 -- that the finding had given it; absent where it had not named it
    causes_ranked integer NOT NULL,     -- how many the finding had named
    rules text[] NOT NULL,              -- that led to the finding
    ruleset_version text NOT NULL,
    note text,
    observed_at timestamptz,
    reported_by text,
    PRIMARY KEY (tenant_id, evaluation_id, outcome_id),
    FOREIGN KEY (tenant_id, evaluation_id) REFERENCES airside.evaluations (tenant_id, evaluation_id) ON DELETE CASCADE
);
CREATE INDEX outcomes_newest
    ON airside.outcomes (tenant_id, evaluation_id, created_at DESC, outcome_id DESC);

ALTER TABLE airside.outcomes ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.outcomes FORCE ROW LEVEL SECURITY;
CREATE POLICY own_rows ON airside.outcomes
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);

CREATE FUNCTION airside.announce_outcome() RETURNS trigger
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM airside.announce(NEW.tenant_id, 'outcome.reported', NEW.evaluation_id, NEW.outcome_id, NULL);
    RETURN NULL;
END
$$;
CREATE TRIGGER announce AFTER INSERT ON airside.outcomes
    FOR EACH ROW EXECUTE FUNCTION airside.announce_outcome();

-- Keeps an outcome. `fate` is `kept`; `repeated` or `other_request` as `claim` says; `nothing_to_correct` where the
-- evaluation is not there.
CREATE FUNCTION airside.keep_outcome(
    p_tenant_id uuid, p_evaluation_id uuid, p_outcome_id uuid, p_created_at timestamptz, p_finding text,
    p_state text, p_area text, p_outcome text, p_cause text, p_cause_rank integer, p_causes_ranked integer,
    p_rules text[], p_ruleset_version text, p_note text, p_observed_at timestamptz, p_reported_by text,
    p_idempotency_key text, p_request_sha256 bytea, OUT fate text, OUT made uuid)
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    PERFORM FROM airside.evaluations e WHERE e.tenant_id = p_tenant_id AND e.evaluation_id = p_evaluation_id;
    IF NOT FOUND THEN
        fate := 'nothing_to_correct';
        RETURN;
    END IF;
    SELECT c.fate, c.made INTO fate, made
      FROM airside.claim(p_tenant_id, p_idempotency_key, p_request_sha256, p_outcome_id) c;
    IF fate = 'first' THEN
        INSERT INTO airside.outcomes (
            tenant_id, evaluation_id, outcome_id, created_at, finding, state, area, outcome, cause, cause_rank,
            causes_ranked, rules, ruleset_version, note, observed_at, reported_by)
        VALUES (
            p_tenant_id, p_evaluation_id, p_outcome_id, p_created_at, p_finding, p_state, p_area, p_outcome, p_cause,
            p_cause_rank, p_causes_ranked, p_rules, p_ruleset_version, p_note, p_observed_at, p_reported_by);
        fate := 'kept';
    END IF;
END
$$;

-- Outcomes of one evaluation, newest first, from a place on; or the one of an id. `prevails` where no later one speaks
-- of the same finding in the same context.
CREATE FUNCTION airside.outcomes_of(
    p_tenant_id uuid, p_evaluation_id uuid, p_outcome_id uuid, p_before timestamptz, p_before_id uuid, p_limit integer)
RETURNS TABLE (
    outcome_id uuid, created_at timestamptz, finding text, state text, area text, outcome text, cause text,
    cause_rank integer, causes_ranked integer, rules text[], ruleset_version text, note text,
    observed_at timestamptz, reported_by text, prevails boolean)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT o.outcome_id, o.created_at, o.finding, o.state, o.area, o.outcome, o.cause, o.cause_rank,
               o.causes_ranked, o.rules, o.ruleset_version, o.note, o.observed_at, o.reported_by,
               NOT EXISTS (
                   SELECT FROM airside.outcomes l
                    WHERE l.tenant_id = p_tenant_id AND l.evaluation_id = p_evaluation_id AND l.finding = o.finding
                      AND l.state = o.state AND l.area = o.area
                      AND (l.created_at, l.outcome_id) > (o.created_at, o.outcome_id))
          FROM airside.outcomes o
         WHERE o.tenant_id = p_tenant_id AND o.evaluation_id = p_evaluation_id
           AND (p_outcome_id IS NULL OR o.outcome_id = p_outcome_id)
           AND (p_before IS NULL OR (o.created_at, o.outcome_id) < (p_before, p_before_id))
         ORDER BY o.created_at DESC, o.outcome_id DESC
         LIMIT p_limit;
END
$$;

-- How often each rule was right, by what was reported to a tenant: the prevailing outcomes of evaluations that no later
-- one corrects. `cause_named` counts those found true whose finding had ranked causes and whose report names one.
CREATE FUNCTION airside.rule_record(
    p_tenant_id uuid, p_ruleset_version text, p_rule text, p_since timestamptz)
RETURNS TABLE (
    ruleset_version text, rule text, finding text, confirmed bigint, ruled_out bigint, repaired bigint,
    cause_named bigint, cause_listed bigint, cause_first bigint)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        WITH prevailing AS (
            SELECT DISTINCT ON (o.evaluation_id, o.finding, o.state, o.area) o.*
              FROM airside.outcomes o
             WHERE o.tenant_id = p_tenant_id
             ORDER BY o.evaluation_id, o.finding, o.state, o.area, o.created_at DESC, o.outcome_id DESC),
        counted AS (
            SELECT p.*, p.outcome <> 'ruled_out' AND p.causes_ranked > 0 AND p.cause IS NOT NULL AS tells_cause
              FROM prevailing p
             WHERE (p_since IS NULL OR p.created_at >= p_since)
               AND (p_ruleset_version IS NULL OR p.ruleset_version = p_ruleset_version)
               AND NOT EXISTS (
                   SELECT FROM airside.evaluations r
                    WHERE r.tenant_id = p_tenant_id AND r.supersedes = p.evaluation_id))
        SELECT c.ruleset_version, u.rule, c.finding,
               count(*) FILTER (WHERE c.outcome = 'confirmed'), count(*) FILTER (WHERE c.outcome = 'ruled_out'),
               count(*) FILTER (WHERE c.outcome = 'repaired'), count(*) FILTER (WHERE c.tells_cause),
               count(*) FILTER (WHERE c.tells_cause AND c.cause_rank IS NOT NULL),
               count(*) FILTER (WHERE c.tells_cause AND c.cause_rank = 1)
          FROM counted c CROSS JOIN LATERAL unnest(c.rules) AS u (rule)
         WHERE p_rule IS NULL OR u.rule = p_rule
         GROUP BY c.ruleset_version, u.rule, c.finding
         ORDER BY c.ruleset_version, u.rule, c.finding;
END
$$;

-- The same over all tenants, for who maintains the rules; counts alone leave it. Runs as its owner, who may list tenants,
-- and takes on one after the other. The role that serves may not call it.
CREATE FUNCTION airside.rule_record_of_all(p_ruleset_version text, p_rule text, p_since timestamptz)
RETURNS TABLE (
    ruleset_version text, rule text, finding text, confirmed bigint, ruled_out bigint, repaired bigint,
    cause_named bigint, cause_listed bigint, cause_first bigint)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
DECLARE
    one uuid;
BEGIN
    FOR one IN SELECT t.tenant_id FROM airside.tenants t ORDER BY t.tenant_id LOOP
        RETURN QUERY SELECT r.* FROM airside.rule_record(one, p_ruleset_version, p_rule, p_since) r;
    END LOOP;
    PERFORM set_config('airside.tenant', '', true);
END
$$;

REVOKE ALL ON ALL FUNCTIONS IN SCHEMA airside FROM PUBLIC;
GRANT SELECT, INSERT ON airside.outcomes TO airside_app;
GRANT EXECUTE ON FUNCTION
    airside.keep_outcome(uuid, uuid, uuid, timestamptz, text, text, text, text, text, integer, integer, text[], text,
                         text, timestamptz, text, text, bytea),
    airside.outcomes_of(uuid, uuid, uuid, timestamptz, uuid, integer),
    airside.rule_record(uuid, text, text, timestamptz), airside.announce_outcome()
    TO airside_app;
