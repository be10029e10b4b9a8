"""Migrations: from empty, again, by a user without rights, and what they leave behind."""

import hashlib
import re
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest

from service.errors import MigrationRefused, StoreUnavailable
from service.store.database import NEEDED_REVISION
from service.store.keys import SCOPES, create_key, create_tenant
from service.store.migrate import MIGRATIONS, migrate, newest_revision


@pytest.fixture
def empty_database(database_server, request):
    name = re.sub("[^a-z]", "", request.node.name)[:40]
    with psycopg.connect(database_server.superuser_url, autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name} OWNER airside_owner")
    return database_server.database_url.replace("/airside?", f"/{name}?")


def test_from_empty_and_again(empty_database):
    assert migrate(empty_database) == newest_revision()
    with psycopg.connect(empty_database) as connection:
        before = connection.execute("SELECT oid, relname FROM pg_class ORDER BY oid").fetchall()
    assert migrate(empty_database) == newest_revision()
    with psycopg.connect(empty_database) as connection:
        assert connection.execute("SELECT oid, relname FROM pg_class ORDER BY oid").fetchall() == before
        assert connection.execute("SELECT version_num FROM airside.revision").fetchall() == [(newest_revision(),)]


def test_several_at_once_take_turns(empty_database):
    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(migrate, [empty_database] * 4)) == [newest_revision()] * 4


def test_serving_needs_the_newest_revision():
    assert newest_revision() == NEEDED_REVISION


def test_each_revision_has_its_sql_beside_it():
    versions = MIGRATIONS / "versions"
    revisions = sorted(path.stem for path in versions.glob("r*.py"))
    assert revisions
    assert revisions == sorted(path.stem for path in versions.glob("*.sql"))
    assert all(re.fullmatch(r"r\d{4}_\w+", name) for name in revisions)
    assert all(f'revision = "{path.stem[1:5]}"' in Path(path).read_text() for path in versions.glob("r*.py"))


def test_what_a_database_may_have_run_never_changes():
    """A mistake is mended by the next revision, whose digest is added; those that are there stay as they are."""
    kept = (Path(__file__).parent / "migrations.sha256").read_text()
    files = sorted((MIGRATIONS / "versions").glob("*.sql"))
    assert kept == "".join(f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.name}\n" for path in files)


def test_a_process_of_the_version_before_still_rotates_keys(database_url):
    tenant = create_tenant(database_url, "invented-company")
    key = create_key(database_url, tenant, "invented-key")
    now = datetime.now(UTC)
    with psycopg.connect(database_url) as connection:
        connection.execute("SET ROLE airside_app")
        made = connection.execute(
            "SELECT label, scopes, expires_at FROM airside.rotate_key(%s, %s, %s, %s, %s, %s, %s, %s, %s)",
            (tenant, key.key_id, uuid4(), b"s" * 32, now, now, list(SCOPES), uuid4(), key.key_id),
        ).fetchall()
    assert made == [("invented-key", sorted(SCOPES), None)]


def test_every_key_leads_with_the_tenant_and_every_table_has_forced_row_security(database_url):
    with psycopg.connect(database_url) as connection:
        keys = connection.execute(
            "SELECT conrelid::regclass::text, conname, a.attname FROM pg_constraint c"
            " JOIN pg_attribute a ON a.attrelid = c.conrelid AND a.attnum = c.conkey[1]"
            " WHERE c.connamespace = 'airside'::regnamespace AND contype IN ('p', 'u', 'f')"
            " AND conrelid <> 'airside.revision'::regclass"
        ).fetchall()
        assert len(keys) >= 6
        assert [key for key in keys if key[2] != "tenant_id"] == []
        tables = connection.execute(
            "SELECT relname, relrowsecurity AND relforcerowsecurity FROM pg_class"
            " WHERE relnamespace = 'airside'::regnamespace AND relkind = 'r' AND relname <> 'revision'"
        ).fetchall()
        assert {
            "api_keys",
            "evaluation_findings",
            "evaluations",
            "idempotency",
            "reassessments",
            "tenants",
            "webhooks",
        } <= {name for name, _ in tables}
        assert [name for name, forced in tables if not forced] == []


def test_a_user_who_may_not_create_a_schema_is_told_so(database_server):
    with psycopg.connect(database_server.superuser_url, autocommit=True) as server:
        server.execute("CREATE ROLE only_reads LOGIN")
        server.execute("CREATE DATABASE untouched")
    url = database_server.database_url.replace("airside_owner@/airside?", "only_reads@/untouched?")
    with pytest.raises(MigrationRefused, match="permission denied for database untouched"):
        migrate(url)


def test_a_user_who_may_not_act_as_the_application_role_is_told_what_to_run(database_server, database_url):
    with psycopg.connect(database_server.superuser_url, autocommit=True) as server:
        server.execute("CREATE ROLE plain_owner LOGIN")
        server.execute("CREATE DATABASE plainly_owned OWNER plain_owner")
    url = database_server.database_url.replace("airside_owner@/airside?", "plain_owner@/plainly_owned?")
    with pytest.raises(MigrationRefused, match=r"Have an administrator run: GRANT airside_app TO plain_owner;"):
        migrate(url)
    with psycopg.connect(url) as connection:
        assert connection.execute("SELECT to_regnamespace('airside')").fetchone() == (None,)
    with psycopg.connect(database_server.superuser_url, autocommit=True) as server:
        server.execute("GRANT airside_app TO plain_owner")
    assert migrate(url) == newest_revision()


def test_no_server_is_unavailable_not_refused(tmp_path):
    with pytest.raises(StoreUnavailable):
        migrate(f"postgresql://nobody@/nothing?host={tmp_path}")
