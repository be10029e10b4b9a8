-- A rotation counts towards the most live keys of an account.

-- Adds a successor with the label and scopes of a live key, which ends at p_until or before; no row where there is no
-- such key, one without label where the account has p_most live keys. One that ended before p_until keeps its end.
-- The function of the same name without p_most serves processes of the version before.
CREATE FUNCTION airside.rotate_key(
    p_tenant_id uuid, p_key_id uuid, p_successor uuid, p_secret_sha256 bytea, p_created_at timestamptz,
    p_until timestamptz, p_scopes_at_most text[], p_most integer, p_change_id uuid, p_by_key_id uuid)
RETURNS TABLE (label text, scopes text[], expires_at timestamptz)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    PERFORM 1 FROM airside.tenants t WHERE t.tenant_id = p_tenant_id FOR UPDATE;
    SELECT k.label, k.scopes, k.expires_at INTO rotate_key.label, rotate_key.scopes, rotate_key.expires_at
      FROM airside.api_keys k
     WHERE k.tenant_id = p_tenant_id AND k.key_id = p_key_id AND k.revoked_at IS NULL
       AND (k.expires_at IS NULL OR k.expires_at > p_created_at) AND k.scopes <@ p_scopes_at_most;
    IF NOT FOUND THEN
        RETURN;
    END IF;
    IF (SELECT count(*) FROM airside.api_keys k
         WHERE k.tenant_id = p_tenant_id AND k.revoked_at IS NULL
           AND (k.expires_at IS NULL OR k.expires_at > p_created_at)) >= p_most THEN
        label := NULL;
        RETURN NEXT;
        RETURN;
    END IF;
    INSERT INTO airside.api_keys (tenant_id, key_id, label, secret_sha256, scopes, created_at, expires_at)
    VALUES (p_tenant_id, p_successor, rotate_key.label, p_secret_sha256, rotate_key.scopes, p_created_at,
            rotate_key.expires_at);
    UPDATE airside.api_keys k SET expires_at = least(k.expires_at, p_until)
     WHERE k.tenant_id = p_tenant_id AND k.key_id = p_key_id;
    INSERT INTO airside.account_changes (tenant_id, change_id, key_id, what, names)
    VALUES (p_tenant_id, p_change_id, p_by_key_id, 'key_rotated', ARRAY[p_key_id::text, p_successor::text]);
    RETURN NEXT;
END
$$;

REVOKE ALL ON FUNCTION airside.rotate_key(
    uuid, uuid, uuid, bytea, timestamptz, timestamptz, text[], integer, uuid, uuid) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION airside.rotate_key(
    uuid, uuid, uuid, bytea, timestamptz, timestamptz, text[], integer, uuid, uuid) TO airside_app;
