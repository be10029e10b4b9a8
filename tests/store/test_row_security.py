"""Row-level security binds the role that serves, whoever the address logs in as.

PostgreSQL exempts superusers, roles with BYPASSRLS and, without FORCE, a table's owner
(PostgreSQL documentation, chapter "Row Security Policies"); a test that connects as one of these proves nothing.
"""

import psycopg
import pytest

from service.errors import RoleRefused, StoreRefused, StoreUnavailable
from service.store.keys import create_key, create_tenant, list_tenants


@pytest.fixture(params=["database_url", "superuser_url"])
def as_application(request, database_server, database_url):
    """A connection that has taken on the role that serves, from the owner's and from the superuser's address."""
    with psycopg.connect(getattr(database_server, request.param)) as connection:
        connection.execute("SET ROLE airside_app")
        connection.commit()
        yield connection


@pytest.fixture
def two_tenants_rows(in_store, an_evaluation, tenant, other_tenant):
    mine, theirs = [an_evaluation() for _ in range(3)], [an_evaluation() for _ in range(2)]

    async def keep(store):
        for evaluation in mine:
            await store.keep(tenant, evaluation)
        for evaluation in theirs:
            await store.keep(other_tenant, evaluation)

    in_store(keep)
    return {evaluation.evaluation_id for evaluation in mine}


def _all_rows(connection):
    return {row[0] for row in connection.execute("SELECT evaluation_id FROM airside.evaluations")}


def test_without_a_where_clause_only_own_rows_are_seen(as_application, two_tenants_rows, tenant):
    as_application.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
    assert _all_rows(as_application) == two_tenants_rows


def test_of_tenants_and_keys_only_own_ones_are_seen(as_application, database_url, tenant, other_tenant):
    keys = [create_key(database_url, one, "a key").key_id for one in (tenant, other_tenant)]
    as_application.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
    assert as_application.execute("SELECT tenant_id FROM airside.tenants").fetchall() == [(tenant,)]
    seen = {row[0] for row in as_application.execute("SELECT key_id FROM airside.api_keys")}
    assert keys[0] in seen
    assert keys[1] not in seen
    changed = as_application.execute("UPDATE airside.tenants SET units = 'si' WHERE tenant_id = %s", (other_tenant,))
    assert changed.rowcount == 0
    as_application.rollback()


def test_without_a_tenant_nothing_is_seen_also_after_one_was_set(as_application, two_tenants_rows, tenant):
    assert _all_rows(as_application) == set()
    as_application.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
    assert _all_rows(as_application) != set()
    as_application.commit()
    assert as_application.execute("SELECT current_setting('airside.tenant', true)").fetchone() == ("",)
    assert _all_rows(as_application) == set()


def test_the_owner_of_the_tables_is_bound_too(database_url, two_tenants_rows, tenant):
    with psycopg.connect(database_url) as connection:
        assert _all_rows(connection) == set()
        connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
        assert _all_rows(connection) == two_tenants_rows


def test_a_row_for_another_tenant_cannot_be_added(as_application, tenant, other_tenant):
    as_application.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
    with pytest.raises(psycopg.errors.InsufficientPrivilege, match="row-level security"):
        as_application.execute(
            "INSERT INTO airside.evaluations (tenant_id, evaluation_id, created_at, ruleset_version, ruleset_digest,"
            " units, request, evaluation) VALUES (%s, gen_random_uuid(), now(), '', '', 'ip', '', '')",
            (other_tenant,),
        )


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE airside.evaluations SET units = 'si'",
        "DELETE FROM airside.evaluations",
        "TRUNCATE airside.evaluations",
        "SELECT * FROM airside.api_keys",
        "UPDATE airside.tenants SET name = 'another'",
        "DELETE FROM airside.tenants",
        "UPDATE airside.api_keys SET scopes = '{account:manage}'",
        "DELETE FROM airside.api_keys",
        "UPDATE airside.account_changes SET what = 'settings'",
        "DELETE FROM airside.account_changes",
        "INSERT INTO airside.tenants (tenant_id, name) VALUES (gen_random_uuid(), 'mine')",
        "UPDATE airside.revision SET version_num = '0000'",
        "DROP POLICY own_rows ON airside.evaluations",
        "ALTER TABLE airside.evaluations DISABLE ROW LEVEL SECURITY",
        "CREATE TABLE airside.more (n integer)",
    ],
)
def test_the_application_role_may_only_add_and_read_evaluations(as_application, tenant, statement):
    as_application.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        as_application.execute(statement)


def test_serving_from_a_superuser_address_is_bound(in_store, database_server, two_tenants_rows, tenant):
    async def look(store):
        async with store._pool.connection() as connection, connection.transaction():
            await connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
            rows = await (await connection.execute("SELECT evaluation_id FROM airside.evaluations")).fetchall()
            role = await (await connection.execute("SELECT current_user, session_user")).fetchone()
            return {row[0] for row in rows}, role

    seen, role = in_store(look, url=database_server.superuser_url)
    assert seen == two_tenants_rows
    assert role == ("airside_app", "postgres")


@pytest.mark.parametrize("exemption", ["SUPERUSER", "BYPASSRLS"])
def test_serving_is_refused_while_the_role_is_exempt(in_store, database_server, database_url, tenant, exemption):
    async def look(store):
        with pytest.raises(RoleRefused, match="ALTER ROLE airside_app NOSUPERUSER NOBYPASSRLS"):
            await store.list(tenant)
        return await store.ready()

    with psycopg.connect(database_server.superuser_url, autocommit=True) as server:
        server.execute(f"ALTER ROLE airside_app {exemption}")
        try:
            assert in_store(look, url=database_server.superuser_url) is False
        finally:
            server.execute(f"ALTER ROLE airside_app NO{exemption}")


def test_a_login_that_only_serves_needs_the_role_and_nothing_else(in_store, database_server, database_url, tenant):
    with psycopg.connect(database_server.superuser_url, autocommit=True) as server:
        server.execute("CREATE ROLE serves LOGIN")
    url = database_url.replace("airside_owner@", "serves@")

    async def ready(store):
        return await store.ready()

    async def refused(store):
        with pytest.raises(StoreUnavailable):
            await store.list(tenant)

    in_store(refused, url=url)
    with psycopg.connect(database_server.superuser_url, autocommit=True) as server:
        server.execute("GRANT airside_app TO serves")
    assert in_store(ready, url=url) is True
    with pytest.raises(StoreRefused, match="use the one that runs the migrations"):
        create_tenant(url.replace("airside?", "airside?options=-crole%3Dairside_app&"), "not mine to make")


def test_managing_works_as_owner_and_as_superuser(database_server, database_url):
    for url in (database_url, database_server.superuser_url):
        tenant = create_tenant(url, "Invented Branch Office")
        assert tenant in [listed.tenant_id for listed in list_tenants(url)]
        assert create_key(url, tenant, "one").tenant_id == tenant
