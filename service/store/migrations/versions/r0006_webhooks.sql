-- Webhooks: who wants to be told of what, and the outbox of what they are yet to be told.

CREATE TABLE airside.webhooks (
    tenant_id uuid NOT NULL REFERENCES airside.tenants (tenant_id),
    webhook_id uuid NOT NULL,
    created_at timestamptz NOT NULL,
    url text NOT NULL,
    label text,
    events text[] NOT NULL CHECK (cardinality(events) > 0),
    minimum_severity airside.severity,  -- absent: also where nothing was found
    enabled boolean NOT NULL DEFAULT true,
    gone_at timestamptz,                -- when the target answered that it is gone, which disabled it
    failures_in_a_row integer NOT NULL DEFAULT 0,
    failing_since timestamptz,
    PRIMARY KEY (tenant_id, webhook_id)
);

-- Signing needs the secret itself, so it cannot be a digest. Sealed by the service where it has a key for that. Apart
-- from the webhooks, so that the application role reads it only through the function that leases what is due.
CREATE TABLE airside.webhook_secrets (
    tenant_id uuid NOT NULL,
    webhook_id uuid NOT NULL,
    secret_id uuid NOT NULL,
    created_at timestamptz NOT NULL,
    sealed bytea NOT NULL,
    expires_at timestamptz,             -- absent for the current one
    PRIMARY KEY (tenant_id, webhook_id, secret_id),
    FOREIGN KEY (tenant_id, webhook_id) REFERENCES airside.webhooks (tenant_id, webhook_id) ON DELETE CASCADE
);

-- The outbox. It holds identifiers only; what is said is read at the time of sending. So erasing an evaluation erases
-- what would have been said of it.
CREATE TABLE airside.webhook_deliveries (
    tenant_id uuid NOT NULL,
    delivery_id uuid NOT NULL,
    webhook_id uuid NOT NULL,
    event text NOT NULL,
    created_at timestamptz NOT NULL,    -- when it happened
    evaluation_id uuid,
    about uuid,                         -- the reassessment, outcome or erasure
    state text NOT NULL DEFAULT 'pending' CHECK (state IN ('pending', 'delivered', 'dead')),
    due_at timestamptz NOT NULL,        -- of the next try; while a lease is out, when that ends
    lease uuid,                         -- of the process that is sending it just now
    attempts integer NOT NULL DEFAULT 0,
    tries integer NOT NULL DEFAULT 0,   -- since it happened, or since it was last replayed
    finished_at timestamptz,
    PRIMARY KEY (tenant_id, delivery_id),
    FOREIGN KEY (tenant_id, webhook_id) REFERENCES airside.webhooks (tenant_id, webhook_id) ON DELETE CASCADE,
    FOREIGN KEY (tenant_id, evaluation_id) REFERENCES airside.evaluations (tenant_id, evaluation_id) ON DELETE CASCADE
);
CREATE INDEX webhook_deliveries_due
    ON airside.webhook_deliveries (tenant_id, webhook_id, due_at) WHERE state = 'pending';
CREATE INDEX webhook_deliveries_leased
    ON airside.webhook_deliveries (tenant_id, webhook_id) WHERE lease IS NOT NULL;
CREATE INDEX webhook_deliveries_newest
    ON airside.webhook_deliveries (tenant_id, webhook_id, created_at DESC, delivery_id DESC);
CREATE INDEX webhook_deliveries_newest_of_state
    ON airside.webhook_deliveries (tenant_id, webhook_id, state, created_at DESC, delivery_id DESC);
CREATE INDEX webhook_deliveries_of_evaluation
    ON airside.webhook_deliveries (tenant_id, evaluation_id) WHERE evaluation_id IS NOT NULL;
CREATE INDEX webhook_deliveries_finished ON airside.webhook_deliveries (finished_at) WHERE finished_at IS NOT NULL;

-- What came of each try. What the target answered beyond its status is not kept.
CREATE TABLE airside.webhook_attempts (
    tenant_id uuid NOT NULL,
    delivery_id uuid NOT NULL,
    attempt integer NOT NULL,
    finished_at timestamptz NOT NULL,
    milliseconds integer NOT NULL,
    status integer,                     -- absent where there was no answer
    failure text,                       -- why there was none
    PRIMARY KEY (tenant_id, delivery_id, attempt),
    FOREIGN KEY (tenant_id, delivery_id) REFERENCES airside.webhook_deliveries (tenant_id, delivery_id)
        ON DELETE CASCADE
);

ALTER TABLE airside.webhooks ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.webhooks FORCE ROW LEVEL SECURITY;
ALTER TABLE airside.webhook_secrets ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.webhook_secrets FORCE ROW LEVEL SECURITY;
ALTER TABLE airside.webhook_deliveries ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.webhook_deliveries FORCE ROW LEVEL SECURITY;
ALTER TABLE airside.webhook_attempts ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.webhook_attempts FORCE ROW LEVEL SECURITY;
CREATE POLICY own_rows ON airside.webhooks
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);
CREATE POLICY own_rows ON airside.webhook_secrets
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);
CREATE POLICY own_rows ON airside.webhook_deliveries
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);
CREATE POLICY own_rows ON airside.webhook_attempts
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);

-- Which tenants have something due must be seen before one of them is named. Everything else the owner too does as
-- one tenant at a time.
CREATE POLICY owner_reads ON airside.webhooks FOR SELECT TO CURRENT_USER USING (true);
CREATE POLICY owner_reads ON airside.webhook_deliveries FOR SELECT TO CURRENT_USER USING (true);

-- A UUID of version 7 (RFC 9562): a random one, its first 48 bits the milliseconds since 1970 and its version set.
CREATE FUNCTION airside.new_id() RETURNS uuid
LANGUAGE sql VOLATILE
AS $$
    SELECT encode(
        set_bit(set_bit(overlay(
            uuid_send(gen_random_uuid())
            PLACING substring(int8send((extract(epoch FROM clock_timestamp()) * 1000)::bigint) FROM 3) FROM 1 FOR 6
        ), 52, 1), 53, 1), 'hex')::uuid
$$;

-- Adds to the outbox for every webhook that wants to be told. Called in the transaction in which it happens, by its
-- triggers, so that one is never without the other. Only what is told of an evaluation has a severity to go by. A
-- webhook that is being taken away is waited for, and then has nothing added.
CREATE FUNCTION airside.announce(p_tenant_id uuid, p_event text, p_evaluation_id uuid, p_about uuid,
                                 p_severity airside.severity)
RETURNS void
LANGUAGE plpgsql
AS $$
BEGIN
    INSERT INTO airside.webhook_deliveries (
        tenant_id, delivery_id, webhook_id, event, created_at, evaluation_id, about, due_at)
    SELECT h.tenant_id, airside.new_id(), h.webhook_id, p_event, now(), p_evaluation_id, p_about, now()
      FROM airside.webhooks h
     WHERE h.tenant_id = p_tenant_id AND h.enabled AND p_event = ANY (h.events)
       AND (h.minimum_severity IS NULL OR p_severity >= h.minimum_severity
            OR p_event NOT IN ('evaluation.created', 'evaluation.revised', 'evaluation.reassessed'))
       FOR KEY SHARE OF h;
END
$$;

CREATE FUNCTION airside.announce_evaluation() RETURNS trigger
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM airside.announce(
        NEW.tenant_id, CASE WHEN NEW.supersedes IS NULL THEN 'evaluation.created' ELSE 'evaluation.revised' END,
        NEW.evaluation_id, NULL, NEW.highest_severity);
    RETURN NULL;
END
$$;
CREATE TRIGGER announce AFTER INSERT ON airside.evaluations
    FOR EACH ROW EXECUTE FUNCTION airside.announce_evaluation();

CREATE FUNCTION airside.announce_reassessment() RETURNS trigger
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM airside.announce(
        NEW.tenant_id, 'evaluation.reassessed', NEW.evaluation_id, NEW.reassessment_id, NEW.highest_severity);
    RETURN NULL;
END
$$;
CREATE TRIGGER announce AFTER INSERT ON airside.reassessments
    FOR EACH ROW EXECUTE FUNCTION airside.announce_reassessment();

-- Subscriptions. These run as their caller, so that row-level security binds them.

CREATE FUNCTION airside.keep_webhook(
    p_tenant_id uuid, p_webhook_id uuid, p_created_at timestamptz, p_url text, p_label text, p_events text[],
    p_minimum_severity airside.severity, p_enabled boolean, p_secret_id uuid, p_sealed bytea, p_most integer)
RETURNS boolean  -- false: there are p_most already
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    PERFORM pg_advisory_xact_lock(hashtextextended('webhooks of ' || p_tenant_id, 0));
    IF (SELECT count(*) FROM airside.webhooks h WHERE h.tenant_id = p_tenant_id) >= p_most THEN
        RETURN false;
    END IF;
    INSERT INTO airside.webhooks (tenant_id, webhook_id, created_at, url, label, events, minimum_severity, enabled)
    VALUES (p_tenant_id, p_webhook_id, p_created_at, p_url, p_label, p_events, p_minimum_severity, p_enabled);
    INSERT INTO airside.webhook_secrets (tenant_id, webhook_id, secret_id, created_at, sealed)
    VALUES (p_tenant_id, p_webhook_id, p_secret_id, p_created_at, p_sealed);
    RETURN true;
END
$$;

CREATE FUNCTION airside.fetch_webhooks(p_tenant_id uuid, p_webhook_id uuid)  -- null: all
RETURNS SETOF airside.webhooks
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT h.* FROM airside.webhooks h
         WHERE h.tenant_id = p_tenant_id AND (p_webhook_id IS NULL OR h.webhook_id = p_webhook_id)
         ORDER BY h.created_at, h.webhook_id;
END
$$;

-- Another target, or being enabled again, begins with a clean slate.
CREATE FUNCTION airside.change_webhook(
    p_tenant_id uuid, p_webhook_id uuid, p_url text, p_label text, p_events text[],
    p_minimum_severity airside.severity, p_enabled boolean)
RETURNS SETOF airside.webhooks
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        UPDATE airside.webhooks h
           SET url = p_url, label = p_label, events = p_events, minimum_severity = p_minimum_severity,
               enabled = p_enabled,
               gone_at = CASE WHEN h.url = p_url AND NOT p_enabled THEN h.gone_at END,
               failures_in_a_row =
                   CASE WHEN h.url = p_url AND h.enabled = p_enabled THEN h.failures_in_a_row ELSE 0 END,
               failing_since = CASE WHEN h.url = p_url AND h.enabled = p_enabled THEN h.failing_since END
         WHERE h.tenant_id = p_tenant_id AND h.webhook_id = p_webhook_id
     RETURNING h.*;
END
$$;

CREATE FUNCTION airside.remove_webhook(p_tenant_id uuid, p_webhook_id uuid) RETURNS boolean
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    DELETE FROM airside.webhooks h WHERE h.tenant_id = p_tenant_id AND h.webhook_id = p_webhook_id;
    RETURN FOUND;
END
$$;

-- A new secret; the one before also signs until p_until, and one older than that no more. False: no such webhook.
CREATE FUNCTION airside.rotate_webhook_secret(
    p_tenant_id uuid, p_webhook_id uuid, p_created_at timestamptz, p_secret_id uuid, p_sealed bytea,
    p_until timestamptz)
RETURNS boolean
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    PERFORM FROM airside.webhooks h
      WHERE h.tenant_id = p_tenant_id AND h.webhook_id = p_webhook_id FOR NO KEY UPDATE;
    IF NOT FOUND THEN
        RETURN false;
    END IF;
    DELETE FROM airside.webhook_secrets s
     WHERE s.tenant_id = p_tenant_id AND s.webhook_id = p_webhook_id AND s.expires_at IS NOT NULL;
    UPDATE airside.webhook_secrets s SET expires_at = p_until
     WHERE s.tenant_id = p_tenant_id AND s.webhook_id = p_webhook_id;
    INSERT INTO airside.webhook_secrets (tenant_id, webhook_id, secret_id, created_at, sealed)
    VALUES (p_tenant_id, p_webhook_id, p_secret_id, p_created_at, p_sealed);
    RETURN true;
END
$$;

-- Deliveries, seen and replayed. Each with the last answer it had.

CREATE FUNCTION airside.newest_deliveries(
    p_tenant_id uuid, p_webhook_id uuid, p_state text, p_place_created_at timestamptz, p_place_delivery_id uuid,
    p_rows integer)
RETURNS TABLE (
    delivery_id uuid, webhook_id uuid, event text, created_at timestamptz, evaluation_id uuid, about uuid, state text,
    due_at timestamptz, attempts integer, finished_at timestamptz, status integer, failure text)
LANGUAGE plpgsql SET plan_cache_mode = force_custom_plan
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT d.delivery_id, d.webhook_id, d.event, d.created_at, d.evaluation_id, d.about, d.state,
               CASE WHEN d.state = 'pending' THEN d.due_at END, d.attempts, d.finished_at, l.status, l.failure
          FROM airside.webhook_deliveries d
          LEFT JOIN LATERAL (
                SELECT a.status, a.failure FROM airside.webhook_attempts a
                 WHERE a.tenant_id = d.tenant_id AND a.delivery_id = d.delivery_id
                 ORDER BY a.attempt DESC LIMIT 1) l ON true
         WHERE d.tenant_id = p_tenant_id AND d.webhook_id = p_webhook_id
           AND (p_state IS NULL OR d.state = p_state)
           AND (p_place_created_at IS NULL
                OR (d.created_at, d.delivery_id) < (p_place_created_at, p_place_delivery_id))
         ORDER BY d.created_at DESC, d.delivery_id DESC
         LIMIT p_rows;
END
$$;

CREATE FUNCTION airside.fetch_delivery(p_tenant_id uuid, p_webhook_id uuid, p_delivery_id uuid)
RETURNS TABLE (
    delivery_id uuid, webhook_id uuid, event text, created_at timestamptz, evaluation_id uuid, about uuid, state text,
    due_at timestamptz, attempts integer, finished_at timestamptz, status integer, failure text,
    tried_at timestamptz[], tried_status integer[], tried_failure text[], tried_milliseconds integer[])
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT d.delivery_id, d.webhook_id, d.event, d.created_at, d.evaluation_id, d.about, d.state,
               CASE WHEN d.state = 'pending' THEN d.due_at END, d.attempts, d.finished_at,
               t.tried_status[cardinality(t.tried_status)], t.tried_failure[cardinality(t.tried_failure)],
               t.tried_at, t.tried_status, t.tried_failure, t.tried_milliseconds
          FROM airside.webhook_deliveries d
         CROSS JOIN LATERAL (
                SELECT array_agg(a.finished_at ORDER BY a.attempt) AS tried_at,
                       array_agg(a.status ORDER BY a.attempt) AS tried_status,
                       array_agg(a.failure ORDER BY a.attempt) AS tried_failure,
                       array_agg(a.milliseconds ORDER BY a.attempt) AS tried_milliseconds
                  FROM airside.webhook_attempts a
                 WHERE a.tenant_id = d.tenant_id AND a.delivery_id = d.delivery_id) t
         WHERE d.tenant_id = p_tenant_id AND d.webhook_id = p_webhook_id AND d.delivery_id = p_delivery_id;
END
$$;

-- Send one again now, whatever became of it; one that is being sent just now is left to that. How many were found.
CREATE FUNCTION airside.replay_delivery(p_tenant_id uuid, p_webhook_id uuid, p_delivery_id uuid) RETURNS integer
LANGUAGE plpgsql
AS $$
DECLARE
    found_rows integer;
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    UPDATE airside.webhook_deliveries d
       SET state = 'pending', tries = 0, finished_at = NULL,
           due_at = CASE WHEN d.lease IS NULL THEN now() ELSE d.due_at END
     WHERE d.tenant_id = p_tenant_id AND d.webhook_id = p_webhook_id AND d.delivery_id = p_delivery_id;
    GET DIAGNOSTICS found_rows = ROW_COUNT;
    RETURN found_rows;
END
$$;

-- Send dead ones again, the oldest first, at most p_most; how many. Null: no such webhook.
CREATE FUNCTION airside.replay_dead(
    p_tenant_id uuid, p_webhook_id uuid, p_from timestamptz, p_before timestamptz, p_most integer)
RETURNS integer
LANGUAGE plpgsql
AS $$
DECLARE
    replayed integer;
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    IF NOT EXISTS (SELECT FROM airside.webhooks h WHERE h.tenant_id = p_tenant_id AND h.webhook_id = p_webhook_id) THEN
        RETURN NULL;
    END IF;
    UPDATE airside.webhook_deliveries d
       SET state = 'pending', tries = 0, finished_at = NULL, due_at = now()
      FROM (SELECT o.delivery_id FROM airside.webhook_deliveries o
             WHERE o.tenant_id = p_tenant_id AND o.webhook_id = p_webhook_id AND o.state = 'dead'
               AND (p_from IS NULL OR o.created_at >= p_from) AND (p_before IS NULL OR o.created_at < p_before)
             ORDER BY o.created_at, o.delivery_id
             LIMIT p_most
               FOR NO KEY UPDATE SKIP LOCKED) o
     WHERE d.tenant_id = p_tenant_id AND d.delivery_id = o.delivery_id;
    GET DIAGNOSTICS replayed = ROW_COUNT;
    RETURN replayed;
END
$$;

-- A delivery to try a webhook out. `fate` is `sent`, `disabled` or `missing`.
CREATE FUNCTION airside.ping_webhook(p_tenant_id uuid, p_webhook_id uuid, p_delivery_id uuid, OUT fate text)
LANGUAGE plpgsql
AS $$
DECLARE
    is_enabled boolean;
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    SELECT h.enabled INTO is_enabled FROM airside.webhooks h
     WHERE h.tenant_id = p_tenant_id AND h.webhook_id = p_webhook_id FOR KEY SHARE;
    fate := CASE WHEN is_enabled THEN 'sent' WHEN NOT is_enabled THEN 'disabled' ELSE 'missing' END;
    IF is_enabled THEN
        INSERT INTO airside.webhook_deliveries (
            tenant_id, delivery_id, webhook_id, event, created_at, due_at)
        VALUES (p_tenant_id, p_delivery_id, p_webhook_id, 'webhook.ping', now(), now());
    END IF;
END
$$;

-- Sending.

-- What is due, of all tenants, leased to the caller: until the lease ends nobody else gets it, and if the caller is
-- gone by then, the next one does. At most p_each of a webhook are out at a time, so that a slow target does not hold
-- up the others. Runs as its owner, to see of all tenants which webhooks have something due; then it takes on one
-- tenant after the other and reads as that. It gives out the sealed secrets of these webhooks.
CREATE FUNCTION airside.lease_deliveries(p_limit integer, p_each integer, p_lease interval)
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
        SELECT least(p_limit - given, p_each - count(*)) INTO room
          FROM airside.webhook_deliveries d
         WHERE d.tenant_id = hook.tenant_id AND d.webhook_id = hook.webhook_id AND d.lease IS NOT NULL
           AND d.due_at > now();
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

-- What came of one try, by whoever holds the lease; false, and nothing done, where another one has it by now.
-- p_again: after how long to try again; null: not at all. p_gone disables the webhook.
CREATE FUNCTION airside.record_attempt(
    p_tenant_id uuid, p_delivery_id uuid, p_lease uuid, p_status integer, p_failure text, p_milliseconds integer,
    p_delivered boolean, p_again interval, p_gone boolean)
RETURNS boolean
LANGUAGE plpgsql
AS $$
DECLARE
    done airside.webhook_deliveries;
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    UPDATE airside.webhook_deliveries d
       SET lease = NULL,
           state = CASE WHEN p_delivered THEN 'delivered' WHEN p_again IS NULL THEN 'dead' ELSE 'pending' END,
           due_at = now() + coalesce(p_again, interval '0'),
           finished_at = CASE WHEN p_delivered OR p_again IS NULL THEN now() END
     WHERE d.tenant_id = p_tenant_id AND d.delivery_id = p_delivery_id AND d.lease = p_lease
    RETURNING d.* INTO done;
    IF NOT FOUND THEN
        RETURN false;
    END IF;
    INSERT INTO airside.webhook_attempts (
        tenant_id, delivery_id, attempt, finished_at, milliseconds, status, failure)
    VALUES (p_tenant_id, p_delivery_id, done.attempts, now(), p_milliseconds, p_status, p_failure);
    IF p_delivered THEN
        UPDATE airside.webhooks h SET failures_in_a_row = 0, failing_since = NULL
         WHERE h.tenant_id = p_tenant_id AND h.webhook_id = done.webhook_id AND h.failures_in_a_row > 0;
    ELSE
        UPDATE airside.webhooks h
           SET failures_in_a_row = h.failures_in_a_row + 1, failing_since = coalesce(h.failing_since, now()),
               enabled = h.enabled AND NOT p_gone, gone_at = CASE WHEN p_gone THEN now() ELSE h.gone_at END
         WHERE h.tenant_id = p_tenant_id AND h.webhook_id = done.webhook_id;
    END IF;
    RETURN true;
END
$$;

-- Removes deliveries that were finished longer ago than p_kept, about p_most at a time; how many. What waits for a
-- webhook that is disabled is given up after as long. Runs as its owner, to see whose they are.
CREATE FUNCTION airside.sweep_deliveries(p_kept interval, p_most integer) RETURNS integer
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
DECLARE
    old record;
    swept integer := 0;
    just_swept integer;
BEGIN
    FOR old IN
        SELECT o.tenant_id, array_agg(o.delivery_id) AS deliveries
          FROM (SELECT d.tenant_id, d.delivery_id FROM airside.webhook_deliveries d
                 WHERE d.finished_at < now() - p_kept ORDER BY d.finished_at LIMIT p_most) o
         GROUP BY o.tenant_id
        UNION ALL
        SELECT w.tenant_id, array_agg(w.delivery_id)
          FROM (SELECT d.tenant_id, d.delivery_id
                  FROM airside.webhooks h
                  JOIN airside.webhook_deliveries d
                    ON d.tenant_id = h.tenant_id AND d.webhook_id = h.webhook_id AND d.state = 'pending'
                 WHERE NOT h.enabled AND d.created_at < now() - p_kept LIMIT p_most) w
         GROUP BY w.tenant_id
    LOOP
        PERFORM set_config('airside.tenant', old.tenant_id::text, true);
        DELETE FROM airside.webhook_deliveries d
         WHERE d.tenant_id = old.tenant_id AND d.delivery_id = ANY (old.deliveries);
        GET DIAGNOSTICS just_swept = ROW_COUNT;
        swept := swept + just_swept;
    END LOOP;
    PERFORM set_config('airside.tenant', '', true);
    RETURN swept;
END
$$;

REVOKE ALL ON ALL FUNCTIONS IN SCHEMA airside FROM PUBLIC;
GRANT SELECT, INSERT, UPDATE, DELETE ON airside.webhooks TO airside_app;
GRANT INSERT, DELETE, SELECT (tenant_id, webhook_id, secret_id, created_at, expires_at), UPDATE (expires_at)
    ON airside.webhook_secrets TO airside_app;
GRANT SELECT, INSERT, UPDATE ON airside.webhook_deliveries TO airside_app;
GRANT SELECT, INSERT ON airside.webhook_attempts TO airside_app;
GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA airside TO airside_app;
