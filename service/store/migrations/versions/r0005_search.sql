-- Finding evaluations: by severity, ruleset and time of visit besides what there was, by finding, and by words.

-- One partial index a severity: a list of this severity and graver ones reads one of them in order.
CREATE INDEX evaluations_from_note ON airside.evaluations (tenant_id, created_at DESC, evaluation_id DESC)
    WHERE highest_severity >= 'note';
CREATE INDEX evaluations_from_advisory ON airside.evaluations (tenant_id, created_at DESC, evaluation_id DESC)
    WHERE highest_severity >= 'advisory';
CREATE INDEX evaluations_from_fault ON airside.evaluations (tenant_id, created_at DESC, evaluation_id DESC)
    WHERE highest_severity >= 'fault';
CREATE INDEX evaluations_from_hazard ON airside.evaluations (tenant_id, created_at DESC, evaluation_id DESC)
    WHERE highest_severity >= 'hazard';
CREATE INDEX evaluations_of_ruleset
    ON airside.evaluations (tenant_id, ruleset_version, created_at DESC, evaluation_id DESC);
CREATE INDEX evaluations_by_visit
    ON airside.evaluations (tenant_id, visited_at, created_at, evaluation_id) WHERE visited_at IS NOT NULL;

-- The words of an evaluation as the service folds them, with the tenant as one lexeme more, so that a search by the
-- index reads one tenant's entries only. A client's word is letters and digits, so none is taken for a tenant.
CREATE TABLE airside.evaluation_words (
    tenant_id uuid NOT NULL,
    evaluation_id uuid NOT NULL,
    created_at timestamptz NOT NULL,
    lexemes tsvector NOT NULL,
    PRIMARY KEY (tenant_id, evaluation_id),
    FOREIGN KEY (tenant_id, evaluation_id) REFERENCES airside.evaluations (tenant_id, evaluation_id) ON DELETE CASCADE
);
-- Without the list of pending entries, which every search would have to read through.
CREATE INDEX evaluation_words_lexemes ON airside.evaluation_words USING gin (lexemes) WITH (fastupdate = off);

ALTER TABLE airside.evaluation_words ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.evaluation_words FORCE ROW LEVEL SECURITY;
CREATE POLICY own_rows ON airside.evaluation_words
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);
-- For airside.having_words alone.
CREATE POLICY owner_reads ON airside.evaluation_words FOR SELECT TO CURRENT_USER USING (true);

CREATE FUNCTION airside.note_words() RETURNS trigger
LANGUAGE plpgsql
AS $$
BEGIN
    INSERT INTO airside.evaluation_words (tenant_id, evaluation_id, created_at, lexemes)
    VALUES (NEW.tenant_id, NEW.evaluation_id, NEW.created_at,
            array_to_tsvector(ARRAY['tenant ' || NEW.tenant_id] || string_to_array(NEW.words, ' ')));
    RETURN NULL;
END
$$;
CREATE TRIGGER note_words AFTER INSERT ON airside.evaluations
    FOR EACH ROW WHEN (NEW.words <> '') EXECUTE FUNCTION airside.note_words();

-- The query for all of these words, of this tenant.
CREATE FUNCTION airside.words_wanted(p_tenant_id uuid, p_words text[]) RETURNS tsquery
LANGUAGE sql IMMUTABLE
RETURN (SELECT string_agg(quote_literal(w), ' & ')
          FROM unnest(ARRAY['tenant ' || p_tenant_id] || p_words) AS w)::tsquery;

-- Evaluations of the tenant that is set which have all of these words. Runs as its owner, whom no policy narrows on
-- that table, because a condition that a policy must go before cannot use an index unless it is leakproof, and `@@`
-- is not. It takes the tenant from the setting, so that it shows what the policy would.
CREATE FUNCTION airside.having_words(p_words text[])
RETURNS TABLE (created_at timestamptz, evaluation_id uuid)
LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = pg_catalog, pg_temp SET plan_cache_mode = force_custom_plan
AS $$
#variable_conflict use_column
DECLARE
    own uuid := nullif(current_setting('airside.tenant', true), '')::uuid;
    wanted tsquery := airside.words_wanted(own, p_words);
BEGIN
    RETURN QUERY
        SELECT w.created_at, w.evaluation_id FROM airside.evaluation_words w
         WHERE w.tenant_id = own AND w.lexemes @@ wanted;
END
$$;

-- The newest evaluations that fit, after the place (p_place_created_at, p_place_evaluation_id) where one is given. The
-- statement holds only the conditions that are asked for and is planned with their values, because which index is
-- right depends on both.
--
-- Words and times of visits have no index in the order of the list. What is frequent among the newest fills a page from
-- a look at `most` of those; what is not is rare, or old, and gathered by its own index and sorted. Left to itself the
-- planner takes all times for independent, and walks through a million visits of this year to find those of last year.
--
-- random_page_cost as for disks without arms and rows that are mostly in memory; with the server's own a table of some
-- ten thousand evaluations is sooner read from end to end.
CREATE FUNCTION airside.find(
    p_tenant_id uuid, p_site_reference text, p_equipment_reference text, p_job_reference text,
    p_least_severity airside.severity, p_finding text, p_ruleset_version text,
    p_created_from timestamptz, p_created_before timestamptz, p_visited_from timestamptz, p_visited_before timestamptz,
    p_words text[], p_superseded boolean,
    p_place_created_at timestamptz, p_place_evaluation_id uuid, p_rows integer)
RETURNS TABLE (
    evaluation_id uuid, created_at timestamptz, visited_at timestamptz, site_reference text,
    equipment_reference text, job_reference text, ruleset_version text, ruleset_digest text,
    highest_severity airside.severity, units text, supersedes uuid, superseded_by uuid,
    finding_codes text[], finding_severities text[])
LANGUAGE plpgsql SET random_page_cost = 1.1
AS $$
#variable_conflict use_column
DECLARE
    most constant integer := 1000;
    source text := ' FROM airside.evaluations e'
        || CASE WHEN p_finding IS NULL THEN '' ELSE
           ' JOIN airside.evaluation_findings f ON f.tenant_id = e.tenant_id AND f.created_at = e.created_at'
           ' AND f.evaluation_id = e.evaluation_id' END;
    narrowed text := concat_ws(' AND ', ' WHERE e.tenant_id = $1',
        CASE WHEN p_site_reference IS NOT NULL THEN 'e.site_reference = $2' END,
        CASE WHEN p_equipment_reference IS NOT NULL THEN 'e.equipment_reference = $3' END,
        CASE WHEN p_job_reference IS NOT NULL THEN 'e.job_reference = $4' END,
        CASE WHEN p_least_severity IS NOT NULL THEN 'e.highest_severity >= $5' END,
        CASE WHEN p_finding IS NOT NULL THEN 'f.tenant_id = $1 AND f.code = $6' END,
        CASE WHEN p_ruleset_version IS NOT NULL THEN 'e.ruleset_version = $7' END,
        CASE WHEN p_created_from IS NOT NULL THEN 'e.created_at >= $8' END,
        CASE WHEN p_created_before IS NOT NULL THEN 'e.created_at < $9' END,
        CASE WHEN p_place_created_at IS NOT NULL THEN '(e.created_at, e.evaluation_id) < ($14, $15)' END,
        -- The same of the findings, which the planner does not infer from their being equal.
        CASE WHEN p_finding IS NOT NULL AND p_created_from IS NOT NULL THEN 'f.created_at >= $8' END,
        CASE WHEN p_finding IS NOT NULL AND p_created_before IS NOT NULL THEN 'f.created_at < $9' END,
        CASE WHEN p_finding IS NOT NULL AND p_place_created_at IS NOT NULL
             THEN '(f.created_at, f.evaluation_id) < ($14, $15)' END);
    visited text := concat_ws(' AND ',
        CASE WHEN p_visited_from IS NOT NULL THEN 'e.visited_at >= $10' END,
        CASE WHEN p_visited_before IS NOT NULL THEN 'e.visited_at < $11' END);
    -- For a few rows, looked up one by one: NOT EXISTS may become a reading of every correction that there is.
    uncorrected text := CASE WHEN p_superseded THEN '' ELSE
        ' AND (SELECT r.evaluation_id FROM airside.evaluations r'
        ' WHERE r.tenant_id = $1 AND r.supersedes = e.evaluation_id) IS NULL' END;
    -- For many rows.
    uncorrected_of_many text := CASE WHEN p_superseded THEN '' ELSE
        ' AND NOT EXISTS (SELECT FROM airside.evaluations r WHERE r.tenant_id = $1 AND r.supersedes = e.evaluation_id)'
        END;
    in_order constant text := ' ORDER BY e.created_at DESC, e.evaluation_id DESC LIMIT ';
    statement text;
    looked_at integer;
    keys uuid[];
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    IF visited = '' AND p_words IS NULL THEN
        statement := 'SELECT 0, ARRAY(SELECT e.evaluation_id' || source || narrowed || uncorrected || in_order
            || '$16)';
    ELSE
        statement := 'WITH e AS MATERIALIZED (SELECT e.evaluation_id, e.created_at, e.visited_at'
            || source || narrowed || in_order || most || ') SELECT (SELECT count(*) FROM e), ARRAY('
            'SELECT e.evaluation_id FROM e WHERE ' || concat_ws(' AND ', nullif(visited, ''),
                CASE WHEN p_words IS NOT NULL THEN
                'EXISTS (SELECT FROM airside.evaluation_words w WHERE w.tenant_id = $1'
                ' AND w.evaluation_id = e.evaluation_id AND w.lexemes @@ airside.words_wanted($1, $12))' END)
            || uncorrected || in_order || '$16)';
    END IF;
    EXECUTE statement INTO looked_at, keys USING
        p_tenant_id, p_site_reference, p_equipment_reference, p_job_reference, p_least_severity, p_finding,
        p_ruleset_version, p_created_from, p_created_before, p_visited_from, p_visited_before, p_words, p_superseded,
        p_place_created_at, p_place_evaluation_id, p_rows;

    IF looked_at = most AND cardinality(keys) < p_rows THEN
        IF p_words IS NOT NULL THEN
            source := source || ' JOIN airside.having_words($12) h ON h.created_at = e.created_at'
                ' AND h.evaluation_id = e.evaluation_id';
        END IF;
        IF visited = '' THEN
            statement := 'SELECT ARRAY(SELECT e.evaluation_id' || source || narrowed || uncorrected || in_order
                || '$16)';
        ELSE
            statement := 'WITH e AS MATERIALIZED (SELECT e.evaluation_id, e.created_at' || source || narrowed || ' AND '
                || visited || ') SELECT ARRAY(SELECT e.evaluation_id FROM e WHERE true' || uncorrected_of_many
                || in_order || '$16)';
        END IF;
        EXECUTE statement INTO keys USING
            p_tenant_id, p_site_reference, p_equipment_reference, p_job_reference, p_least_severity, p_finding,
            p_ruleset_version, p_created_from, p_created_before, p_visited_from, p_visited_before, p_words,
            p_superseded, p_place_created_at, p_place_evaluation_id, p_rows;
    END IF;

    RETURN QUERY
        SELECT e.evaluation_id, e.created_at, e.visited_at, e.site_reference, e.equipment_reference, e.job_reference,
               e.ruleset_version, e.ruleset_digest, e.highest_severity, e.units, e.supersedes,
               (SELECT r.evaluation_id FROM airside.evaluations r
                 WHERE r.tenant_id = p_tenant_id AND r.supersedes = e.evaluation_id),
               ARRAY(SELECT f.code FROM airside.evaluation_findings f
                      WHERE f.tenant_id = p_tenant_id AND f.evaluation_id = e.evaluation_id
                      ORDER BY f.severity DESC, f.code),
               ARRAY(SELECT f.severity::text FROM airside.evaluation_findings f
                      WHERE f.tenant_id = p_tenant_id AND f.evaluation_id = e.evaluation_id
                      ORDER BY f.severity DESC, f.code)
          FROM unnest(keys) WITH ORDINALITY AS k (evaluation_id, place)
          JOIN airside.evaluations e ON e.tenant_id = p_tenant_id AND e.evaluation_id = k.evaluation_id
         ORDER BY k.place;
END
$$;

-- Some evaluations in full, newest first.
CREATE FUNCTION airside.fetch_these(p_tenant_id uuid, p_evaluation_ids uuid[])
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
          FROM unnest(p_evaluation_ids) AS k (evaluation_id)
          JOIN airside.evaluations e ON e.tenant_id = p_tenant_id AND e.evaluation_id = k.evaluation_id
         ORDER BY e.created_at DESC, e.evaluation_id DESC;
END
$$;

REVOKE ALL ON ALL FUNCTIONS IN SCHEMA airside FROM PUBLIC;
GRANT SELECT, INSERT ON airside.evaluation_words TO airside_app;
GRANT EXECUTE ON FUNCTION
    airside.note_words(), airside.words_wanted(uuid, text[]), airside.having_words(text[]),
    airside.find(uuid, text, text, text, airside.severity, text, text, timestamptz, timestamptz, timestamptz,
                 timestamptz, text[], boolean, timestamptz, uuid, integer),
    airside.fetch_these(uuid, uuid[])
    TO airside_app;
