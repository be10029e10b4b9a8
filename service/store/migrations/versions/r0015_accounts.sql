-- What an account sets for itself, its keys in its own hands, and who changed what.

ALTER TABLE airside.tenants
    ADD COLUMN language text,           -- absent: English where a reader asks for none
    ADD COLUMN letterhead bytea,        -- encoded
    ADD COLUMN limit_overrides bytea,   -- encoded
    ADD COLUMN settings_revision integer NOT NULL DEFAULT 0;

CREATE TABLE airside.account_changes (
    tenant_id uuid NOT NULL REFERENCES airside.tenants (tenant_id),
    change_id uuid NOT NULL,
    changed_at timestamptz NOT NULL DEFAULT now(),
    key_id uuid NOT NULL,       -- of who changed it
    what text NOT NULL CHECK (what IN ('settings', 'key_created', 'key_rotated', 'key_revoked')),
    names text[] NOT NULL,      -- settings that changed, or ids of the keys concerned
    PRIMARY KEY (tenant_id, change_id)
);
CREATE INDEX account_changes_newest ON airside.account_changes (tenant_id, changed_at DESC, change_id DESC);
ALTER TABLE airside.account_changes ENABLE ROW LEVEL SECURITY;
ALTER TABLE airside.account_changes FORCE ROW LEVEL SECURITY;
CREATE POLICY own_rows ON airside.account_changes
    USING (tenant_id = nullif(current_setting('airside.tenant', true), '')::uuid);

-- As before, with the tenant's language and limits. Processes of the version before name their columns, and go on.
DROP FUNCTION airside.authenticate(bytea);
CREATE FUNCTION airside.authenticate(p_secret_sha256 bytea)
RETURNS TABLE (tenant_id uuid, key_id uuid, scopes text[], units text, ruleset text, language text,
               limit_overrides bytea)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp
AS $$
#variable_conflict use_column
DECLARE
    last_use timestamptz;
BEGIN
    SELECT k.tenant_id, k.key_id, k.scopes, t.units, t.ruleset, t.language, t.limit_overrides, k.last_used_at
      INTO authenticate.tenant_id, authenticate.key_id, authenticate.scopes, authenticate.units,
           authenticate.ruleset, authenticate.language, authenticate.limit_overrides, last_use
      FROM airside.api_keys k JOIN airside.tenants t ON t.tenant_id = k.tenant_id
     WHERE k.secret_sha256 = p_secret_sha256
       AND k.revoked_at IS NULL
       AND (k.expires_at IS NULL OR k.expires_at > now());
    IF NOT FOUND THEN
        RETURN;
    END IF;
    IF (last_use IS NULL OR last_use < now() - interval '1 hour')
       AND current_setting('transaction_read_only') = 'off' THEN
        PERFORM set_config('airside.tenant', authenticate.tenant_id::text, true);
        UPDATE airside.api_keys k SET last_used_at = now()
         WHERE k.tenant_id = authenticate.tenant_id AND k.key_id = authenticate.key_id
           AND k.last_used_at IS NOT DISTINCT FROM last_use;
    END IF;
    RETURN NEXT;
END
$$;

-- The functions below run as their caller, so that row-level security binds them.

CREATE FUNCTION airside.fetch_account(p_tenant_id uuid)
RETURNS TABLE (name text, created_at timestamptz, units text, ruleset text, language text, letterhead bytea,
               limit_overrides bytea, retention_days integer, settings_revision integer)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT t.name, t.created_at, t.units, t.ruleset, t.language, t.letterhead, t.limit_overrides,
               t.retention_days, t.settings_revision
          FROM airside.tenants t WHERE t.tenant_id = p_tenant_id;
END
$$;

-- Puts all settings in place of those of revision p_revision; false where they have moved on since.
CREATE FUNCTION airside.change_account(
    p_tenant_id uuid, p_revision integer, p_units text, p_ruleset text, p_language text, p_letterhead bytea,
    p_limit_overrides bytea, p_retention_days integer, p_change_id uuid, p_key_id uuid, p_names text[])
RETURNS boolean
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    UPDATE airside.tenants t
       SET units = p_units, ruleset = p_ruleset, language = p_language, letterhead = p_letterhead,
           limit_overrides = p_limit_overrides, retention_days = p_retention_days,
           settings_revision = t.settings_revision + 1
     WHERE t.tenant_id = p_tenant_id AND t.settings_revision = p_revision;
    IF NOT FOUND THEN
        RETURN false;
    END IF;
    INSERT INTO airside.account_changes (tenant_id, change_id, key_id, what, names)
    VALUES (p_tenant_id, p_change_id, p_key_id, 'settings', p_names);
    RETURN true;
END
$$;

CREATE FUNCTION airside.newest_account_changes(
    p_tenant_id uuid, p_place_changed_at timestamptz, p_place_change_id uuid, p_rows integer)
RETURNS TABLE (change_id uuid, changed_at timestamptz, key_id uuid, what text, names text[])
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT c.change_id, c.changed_at, c.key_id, c.what, c.names
          FROM airside.account_changes c
         WHERE c.tenant_id = p_tenant_id
           AND (p_place_changed_at IS NULL OR (c.changed_at, c.change_id) < (p_place_changed_at, p_place_change_id))
         ORDER BY c.changed_at DESC, c.change_id DESC
         LIMIT p_rows;
END
$$;

CREATE FUNCTION airside.fetch_keys(p_tenant_id uuid, p_key_id uuid)
RETURNS TABLE (key_id uuid, label text, scopes text[], created_at timestamptz, expires_at timestamptz,
               revoked_at timestamptz, last_used_at timestamptz)
LANGUAGE plpgsql
AS $$
#variable_conflict use_column
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    RETURN QUERY
        SELECT k.key_id, k.label, k.scopes, k.created_at, k.expires_at, k.revoked_at, k.last_used_at
          FROM airside.api_keys k
         WHERE k.tenant_id = p_tenant_id AND (p_key_id IS NULL OR k.key_id = p_key_id)
         ORDER BY k.created_at, k.key_id;
END
$$;

-- Adds a key; false where the account has p_most live ones.
CREATE FUNCTION airside.add_key(
    p_tenant_id uuid, p_key_id uuid, p_label text, p_secret_sha256 bytea, p_scopes text[], p_created_at timestamptz,
    p_expires_at timestamptz, p_most integer, p_change_id uuid, p_by_key_id uuid)
RETURNS boolean
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    PERFORM 1 FROM airside.tenants t WHERE t.tenant_id = p_tenant_id FOR UPDATE;  -- one change of keys at a time
    IF (SELECT count(*) FROM airside.api_keys k
         WHERE k.tenant_id = p_tenant_id AND k.revoked_at IS NULL
           AND (k.expires_at IS NULL OR k.expires_at > now())) >= p_most THEN
        RETURN false;
    END IF;
    INSERT INTO airside.api_keys (tenant_id, key_id, label, secret_sha256, scopes, created_at, expires_at)
    VALUES (p_tenant_id, p_key_id, p_label, p_secret_sha256, p_scopes, p_created_at, p_expires_at);
    INSERT INTO airside.account_changes (tenant_id, change_id, key_id, what, names)
    VALUES (p_tenant_id, p_change_id, p_by_key_id, 'key_created', ARRAY[p_key_id::text]);
    RETURN true;
END
$$;

-- Revokes a key for good. `fate` is `revoked`, `already`, `absent`, or `not_yours_any_more` where the key that asks was
-- itself revoked by another meanwhile: so two keys cannot revoke each other and leave the account without one.
CREATE FUNCTION airside.revoke_key(p_tenant_id uuid, p_key_id uuid, p_change_id uuid, p_by_key_id uuid)
RETURNS text
LANGUAGE plpgsql
AS $$
BEGIN
    PERFORM set_config('airside.tenant', p_tenant_id::text, true);
    PERFORM 1 FROM airside.tenants t WHERE t.tenant_id = p_tenant_id FOR UPDATE;
    IF NOT EXISTS (SELECT FROM airside.api_keys k
                    WHERE k.tenant_id = p_tenant_id AND k.key_id = p_by_key_id AND k.revoked_at IS NULL
                      AND (k.expires_at IS NULL OR k.expires_at > now())) THEN
        RETURN 'not_yours_any_more';
    END IF;
    UPDATE airside.api_keys k SET revoked_at = now()
     WHERE k.tenant_id = p_tenant_id AND k.key_id = p_key_id AND k.revoked_at IS NULL;
    IF FOUND THEN
        INSERT INTO airside.account_changes (tenant_id, change_id, key_id, what, names)
        VALUES (p_tenant_id, p_change_id, p_by_key_id, 'key_revoked', ARRAY[p_key_id::text]);
        RETURN 'revoked';
    END IF;
    RETURN CASE WHEN EXISTS (SELECT FROM airside.api_keys k WHERE k.tenant_id = p_tenant_id AND k.key_id = p_key_id)
                THEN 'already' ELSE 'absent' END;
END
$$;

-- Adds a successor with the label and scopes of a live key, which ends at p_until or before; no row where there is no
-- such key. One that ended before p_until keeps its end.
CREATE FUNCTION airside.rotate_key(
    p_tenant_id uuid, p_key_id uuid, p_successor uuid, p_secret_sha256 bytea, p_created_at timestamptz,
    p_until timestamptz, p_scopes_at_most text[], p_change_id uuid, p_by_key_id uuid)
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

-- Of the keys the application role may read everything but what their secrets are told by.
REVOKE ALL ON ALL FUNCTIONS IN SCHEMA airside FROM PUBLIC;
GRANT SELECT ON airside.tenants TO airside_app;
GRANT UPDATE (units, ruleset, language, letterhead, limit_overrides, retention_days, settings_revision)
    ON airside.tenants TO airside_app;
GRANT SELECT (tenant_id, key_id, label, scopes, created_at, expires_at, revoked_at, last_used_at), INSERT,
      UPDATE (expires_at, revoked_at) ON airside.api_keys TO airside_app;
GRANT SELECT, INSERT ON airside.account_changes TO airside_app;
GRANT EXECUTE ON FUNCTION
    airside.authenticate, airside.fetch_account, airside.change_account, airside.newest_account_changes,
    airside.fetch_keys, airside.add_key, airside.revoke_key, airside.rotate_key TO airside_app;
