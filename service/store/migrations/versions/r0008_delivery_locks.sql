-- Recording a try locks the webhook before the delivery. Removing a webhook does so too, and whoever went the other way
-- round would each wait for the other.

-- What came of one try, by whoever holds the lease; false, and nothing done, where another one has it by now.
-- p_again: after how long to try again; null: not at all. p_gone disables the webhook.
CREATE OR REPLACE FUNCTION airside.record_attempt(
    p_tenant_id uuid, p_delivery_id uuid, p_lease uuid, p_status integer, p_failure text, p_milliseconds integer,
    p_delivered boolean, p_again interval, p_gone boolean)
RETURNS boolean
LANGUAGE plpgsql
AS $$
DECLARE
    done airside.webhook_deliveries;
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    PERFORM FROM airside.webhooks h
      WHERE h.tenant_id = p_tenant_id
        AND h.webhook_id = (SELECT d.webhook_id FROM airside.webhook_deliveries d
                             WHERE d.tenant_id = p_tenant_id AND d.delivery_id = p_delivery_id)
        FOR NO KEY UPDATE;
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
