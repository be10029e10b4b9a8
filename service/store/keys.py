"""Tenants and their API keys, for the operator.

These functions connect as the user in the database address, who must be the one that migrated: the role that serves
requests has no right to the two tables.
"""

import contextlib
import re
import uuid
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

import psycopg
import uuid_utils.compat

from service.errors import RecordRefused, StoreRefused, StoreUnavailable
from service.model.record import (
    SCOPES,
    KeyCreated,
    KeySummary,
    Scope,
    TenantSummary,
    Units,
)
from service.store.accounts import new_key_secret, secret_digest
from service.store.storable import LONGEST_TEXT

LONGEST_RETENTION = 36_500
"""Days."""

_SET_TENANT = "SELECT set_config('airside.tenant', %s, true)"
_VERSION = re.compile(r"[0-9]{1,9}\.[0-9]{1,9}\.[0-9]{1,9}")
_PRINTABLE = re.compile("[^\x00-\x1f\x7f\ud800-\udfff]+")


def create_tenant(database_url: str, name: str, units: Units = "ip") -> uuid.UUID:
    """Add a tenant; `units` is the unit system of its answers where a request asks for none."""
    _refuse_text("name", name)
    if units not in ("ip", "si"):
        raise RecordRefused("units", "must be ip or si")
    tenant_id = uuid_utils.compat.uuid7()
    with as_owner(database_url) as connection:
        connection.execute(_SET_TENANT, (str(tenant_id),))
        connection.execute(
            "INSERT INTO airside.tenants (tenant_id, name, units) VALUES (%s, %s, %s)", (tenant_id, name, units)
        )
    return tenant_id


def list_tenants(database_url: str) -> tuple[TenantSummary, ...]:
    """Every tenant, oldest first."""
    with as_owner(database_url) as connection:
        rows = connection.execute(
            "SELECT tenant_id, name, units, created_at, ruleset FROM airside.tenants ORDER BY created_at, tenant_id"
        )
        return tuple(
            TenantSummary(tenant_id=tenant_id, name=name, units=units, created_at=created_at, ruleset=ruleset)
            for tenant_id, name, units, created_at, ruleset in rows
        )


def pin_ruleset(database_url: str, tenant_id: uuid.UUID, version: str | None) -> bool:
    """Set the version of the rules that judges a tenant's visits where a request names none, or with None have the
    current one judge again; False if there is no such tenant. Serving processes follow within 10 s.

    Raises:
        RecordRefused: `version` is not built like one.
    """
    if version is not None and not _VERSION.fullmatch(version):
        raise RecordRefused("ruleset", "must be a version like 1.0.0")
    with as_owner(database_url) as connection:
        connection.execute(_SET_TENANT, (str(tenant_id),))
        pinned = connection.execute(
            "UPDATE airside.tenants SET ruleset = %s, settings_revision = settings_revision + 1 WHERE tenant_id = %s",
            (version, tenant_id),
        )
        return pinned.rowcount == 1


def set_retention(database_url: str, tenant_id: uuid.UUID, days: int | None) -> bool:
    """Have a tenant's evaluations kept for so many days, or with None until they are erased; False if there is no such
    tenant. The next sweep erases what is older.

    Raises:
        RecordRefused: `days` is not from 1 to 36500.
    """
    if days is not None and not 1 <= days <= LONGEST_RETENTION:
        raise RecordRefused("retention_days", f"must be from 1 to {LONGEST_RETENTION}")
    with as_owner(database_url) as connection:
        connection.execute(_SET_TENANT, (str(tenant_id),))
        changed = connection.execute(
            """UPDATE airside.tenants SET retention_days = %s, settings_revision = settings_revision + 1
                WHERE tenant_id = %s""",
            (days, tenant_id),
        )
        return changed.rowcount == 1


def create_key(
    database_url: str,
    tenant_id: uuid.UUID,
    label: str,
    scopes: Sequence[Scope] = SCOPES,
    expires_at: datetime | None = None,
) -> KeyCreated:
    """Make an API key. Only the digest of its secret is kept.

    Raises:
        RecordRefused: no scope or an unknown one, an expiry without offset or in the past, an unfit label, or no
            such tenant.
    """
    _refuse_text("label", label)
    unknown = set(scopes) - set(SCOPES)
    if not scopes or unknown:
        raise RecordRefused("scopes", f"must be one or more of {', '.join(SCOPES)}")
    if expires_at is not None and expires_at.utcoffset() is None:
        raise RecordRefused("expires_at", "has no offset from UTC")
    if expires_at is not None and expires_at <= datetime.now(UTC):
        raise RecordRefused("expires_at", "lies in the past")
    key_id = uuid_utils.compat.uuid7()
    secret = new_key_secret()
    with as_owner(database_url) as connection:
        connection.execute(_SET_TENANT, (str(tenant_id),))
        try:
            connection.execute(
                "INSERT INTO airside.api_keys (tenant_id, key_id, label, secret_sha256, scopes, expires_at)"
                " VALUES (%s, %s, %s, %s, %s, %s)",
                (
                    tenant_id,
                    key_id,
                    label,
                    secret_digest(secret),
                    sorted(set(scopes)),
                    expires_at,
                ),
            )
        except psycopg.errors.ForeignKeyViolation as missing:
            raise RecordRefused("tenant_id", "is not the identifier of a tenant") from missing
    return KeyCreated(tenant_id=tenant_id, key_id=key_id, secret=secret, expires_at=expires_at)


def revoke_key(database_url: str, key_id: uuid.UUID) -> bool:
    """Make a key useless from now on, for good; False if there is no such key or it was revoked before."""
    with as_owner(database_url) as connection:
        tenant = connection.execute("SELECT tenant_id FROM airside.api_keys WHERE key_id = %s", (key_id,)).fetchone()
        if tenant is None:
            return False
        connection.execute(_SET_TENANT, (str(tenant[0]),))
        revoked = connection.execute(
            "UPDATE airside.api_keys SET revoked_at = now()"
            " WHERE tenant_id = %s AND key_id = %s AND revoked_at IS NULL",
            (tenant[0], key_id),
        )
        return revoked.rowcount == 1


def list_keys(database_url: str, tenant_id: uuid.UUID) -> tuple[KeySummary, ...]:
    """Every key of a tenant, oldest first, revoked and expired ones too."""
    with as_owner(database_url) as connection:
        rows = connection.execute(
            "SELECT tenant_id, key_id, label, scopes, created_at, expires_at, revoked_at, last_used_at"
            " FROM airside.api_keys WHERE tenant_id = %s ORDER BY created_at, key_id",
            (tenant_id,),
        )
        return tuple(
            KeySummary(
                tenant_id=row[0],
                key_id=row[1],
                label=row[2],
                scopes=tuple(row[3]),
                created_at=row[4],
                expires_at=row[5],
                revoked_at=row[6],
                last_used_at=row[7],
            )
            for row in rows
        )


@contextlib.contextmanager
def as_owner(database_url: str) -> Iterator[psycopg.Connection[tuple[Any, ...]]]:
    """One transaction as the user of the address, times in UTC."""
    try:
        with psycopg.connect(database_url, connect_timeout=5, application_name="airside keys") as connection:
            connection.execute("SET LOCAL timezone = 'UTC'")
            yield connection
    except psycopg.OperationalError as failure:
        raise StoreUnavailable from failure
    except psycopg.errors.InsufficientPrivilege as failure:
        raise StoreRefused(
            "this database user may not manage tenants and keys; use the one that runs the migrations"
        ) from failure
    except (
        psycopg.errors.InvalidSchemaName,
        psycopg.errors.UndefinedTable,
        psycopg.errors.UndefinedColumn,
    ) as failure:
        raise StoreRefused("the database has not been migrated yet") from failure


def _refuse_text(field: str, text: str) -> None:
    if len(text) > LONGEST_TEXT or not _PRINTABLE.fullmatch(text):
        raise RecordRefused(field, f"must be 1 to {LONGEST_TEXT} characters, without control characters")
