"""API keys: made, known, revoked, expired; the secret is kept nowhere."""

import hashlib
import uuid
from datetime import UTC, datetime, timedelta

import psycopg
import pytest

from service.errors import RecordRefused
from service.store.keys import create_key, create_tenant, list_keys, revoke_key


@pytest.fixture
def who(in_store):
    def ask(secret):
        async def authenticate(store):
            return await store.authenticate(secret)

        return in_store(authenticate)

    return ask


def test_a_key_names_its_tenant_scopes_and_units(database_url, who):
    tenant = create_tenant(database_url, "Invented Ducts", "si")
    key = create_key(database_url, tenant, "dispatch", ["evaluations:read"])
    known = who(key.secret)
    assert (known.tenant_id, known.key_id, known.scopes, known.units) == (
        tenant, key.key_id, frozenset({"evaluations:read"}), "si"
    )  # fmt: skip


def test_the_secret_holds_256_random_bits_and_only_its_digest_is_kept(database_server, database_url, tenant):
    first, second = create_key(database_url, tenant, "one"), create_key(database_url, tenant, "two")
    assert first.secret.startswith("ak_")
    assert len(first.secret) == 3 + 43  # ceil(256 / 6) characters of base64
    assert first.secret != second.secret
    assert first.secret not in repr(first)
    with psycopg.connect(database_server.superuser_url) as connection:
        row = connection.execute(
            "SELECT secret_sha256, k::text FROM airside.api_keys k WHERE key_id = %s", (first.key_id,)
        ).fetchone()
    assert row[0] == hashlib.sha256(first.secret.encode()).digest()
    assert first.secret not in row[1]


def test_a_revoked_key_is_unknown_at_once_and_its_sibling_lives_on(database_url, tenant, who):
    old, new = create_key(database_url, tenant, "old"), create_key(database_url, tenant, "new")
    assert who(old.secret) is not None
    assert revoke_key(database_url, old.key_id) is True
    assert who(old.secret) is None
    assert who(new.secret) is not None
    assert revoke_key(database_url, old.key_id) is False
    assert revoke_key(database_url, uuid.uuid4()) is False


def test_a_key_expires(database_server, database_url, tenant, who):
    key = create_key(database_url, tenant, "short", expires_at=datetime.now(UTC) + timedelta(hours=1))
    assert who(key.secret) is not None
    with psycopg.connect(database_server.superuser_url) as connection:
        connection.execute(
            "UPDATE airside.api_keys SET expires_at = now() - interval '1 second' WHERE key_id = %s", (key.key_id,)
        )
    assert who(key.secret) is None


@pytest.mark.parametrize(
    "other", ["", "ak_", "ak_" + "A" * 43, "ak_" + "A" * 42 + "\n", "bearer", "ak_" + "\x00" * 43, "ak_" + "ä" * 43]
)
def test_any_other_text_is_unknown(who, other):
    assert who(other) is None


def test_keys_are_listed_with_their_fate(database_url, tenant, other_tenant, who):
    kept, revoked = create_key(database_url, tenant, "kept"), create_key(database_url, tenant, "revoked")
    create_key(database_url, other_tenant, "not listed")
    who(kept.secret)
    revoke_key(database_url, revoked.key_id)
    listed = {key.label: key for key in list_keys(database_url, tenant)}
    assert set(listed) == {"kept", "revoked"}
    assert listed["kept"].last_used_at is not None
    assert listed["kept"].revoked_at is None
    assert listed["revoked"].revoked_at is not None
    assert listed["revoked"].last_used_at is None


def test_last_use_is_written_once_an_hour(database_server, database_url, tenant, who):
    key = create_key(database_url, tenant, "busy")

    def last_use():
        return list_keys(database_url, tenant)[0].last_used_at

    who(key.secret)
    first = last_use()
    who(key.secret)
    assert last_use() == first
    with psycopg.connect(database_server.superuser_url) as connection:
        connection.execute(
            "UPDATE airside.api_keys SET last_used_at = now() - interval '61 minutes' WHERE key_id = %s", (key.key_id,)
        )
    who(key.secret)
    assert last_use() >= first


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        ("scopes", {"scopes": []}),
        ("scopes", {"scopes": ["everything"]}),
        ("label", {"label": ""}),
        ("label", {"label": "a\x00b"}),
        ("label", {"label": "x" * 257}),
        ("label", {"label": "\ud800"}),
        ("expires_at", {"expires_at": datetime(2999, 1, 1)}),
        ("expires_at", {"expires_at": datetime(2000, 1, 1, tzinfo=UTC)}),
        ("tenant_id", {"tenant_id": uuid.UUID(int=0)}),
    ],
)
def test_an_unfit_key_is_refused_by_name(database_url, tenant, field, changes):
    with pytest.raises(RecordRefused) as refused:
        create_key(database_url, **({"tenant_id": tenant, "label": "fit"} | changes))
    assert refused.value.field == field
    assert list_keys(database_url, tenant) == ()


def test_an_unfit_tenant_is_refused(database_url):
    with pytest.raises(RecordRefused, match="units must be ip or si"):
        create_tenant(database_url, "Invented", "metric")
    with pytest.raises(RecordRefused, match="name must be"):
        create_tenant(database_url, "")
