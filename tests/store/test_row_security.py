"""Row-level security binds the role that serves, whoever the address logs in as.

PostgreSQL exempts superusers, roles with BYPASSRLS and, without FORCE, a table's owner
(PostgreSQL documentation, chapter "Row Security Policies"); a test that connects as one of these proves nothing.
"""

import hashlib
import uuid
from datetime import UTC, datetime, timedelta

import psycopg
import pytest
from psycopg import sql

from service.errors import RoleRefused, StoreRefused, StoreUnavailable
from service.store.keys import create_key, create_tenant, list_tenants

AS_OWNER = {
    "authenticate": "a key is looked up before its tenant is known",
    "having_words": "a search by words cannot use its index under a policy; takes the tenant from the setting",
    "lease_deliveries": "which tenants have something to be sent is seen before one of them is taken on",
    "sweep_deliveries": "the same of what is to be cleared away",
    "retaining_tenants": "which tenants have old evaluations erased; gives their ids alone",
    "erase": "the application role may not remove an evaluation; bound to the tenant that it names",
    "erase_outdated": "reads how long one tenant has evaluations kept, and erases by the function above",
    "forget_keys": "forgets old keys of repetition of all tenants at once; tells how many",
}
"""Functions that run as the owner of the tables, whom some policies let see more, and why; all others run as their
caller."""

NOT_TO_BE_CALLED = {"rule_record_of_all", "announce_erasure"}
"""Functions that the application role may not call: for the operator, and a trigger of the owner's alone."""


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


def test_functions_run_as_their_caller_unless_there_is_a_reason(database_server, database_url):
    with psycopg.connect(database_server.superuser_url) as server:
        found = server.execute(
            "SELECT p.proname, p.prosecdef, p.proconfig, o.rolsuper OR o.rolbypassrls, p.proleakproof,"
            " has_function_privilege('airside_app', p.oid, 'EXECUTE'),"
            " has_function_privilege('public', p.oid, 'EXECUTE')"
            " FROM pg_catalog.pg_proc p JOIN pg_catalog.pg_roles o ON o.oid = p.proowner"
            " WHERE p.pronamespace = 'airside'::regnamespace"
        ).fetchall()
    assert {name for name, definer, *_ in found if definer} == set(AS_OWNER)
    assert {name for name, *_, callable_by_app, _ in found if not callable_by_app} == NOT_TO_BE_CALLED
    for name, definer, settings, exempt, leakproof, _, public in found:
        assert (exempt, leakproof, public) == (False, False, False), name
        if definer:  # otherwise the caller's own operators could take the place of those that are meant
            assert "search_path=pg_catalog, pg_temp" in settings, name


def test_the_application_role_has_no_way_round(database_server, database_url):
    """TRUNCATE and REFERENCES pass by row-level security; a trigger runs as whoever changes the row (PostgreSQL
    documentation, chapters "Row Security Policies" and "CREATE TRIGGER")."""
    with psycopg.connect(database_server.superuser_url) as server:
        role = server.execute(
            "SELECT rolsuper, rolbypassrls, rolcreaterole, rolcreatedb, rolreplication, rolcanlogin"
            " FROM pg_catalog.pg_roles WHERE rolname = 'airside_app'"
        ).fetchone()
        assert role == (False,) * 6
        for question in (
            "SELECT roleid::regrole FROM pg_catalog.pg_auth_members WHERE member = 'airside_app'::regrole",
            "SELECT classid::regclass, objid FROM pg_catalog.pg_shdepend"
            " WHERE refobjid = 'airside_app'::regrole AND deptype = 'o'",
            "SELECT relname FROM pg_catalog.pg_class WHERE relnamespace = 'airside'::regnamespace AND relkind <> 'i'"
            " AND has_table_privilege('airside_app', oid, 'TRUNCATE, REFERENCES, TRIGGER')",
            "SELECT nspname FROM pg_catalog.pg_namespace WHERE nspname !~ '^pg_(toast_)?temp_'"
            " AND has_schema_privilege('airside_app', oid, 'CREATE')",
            "SELECT 1 WHERE has_database_privilege('airside_app', current_database(), 'CREATE')",
        ):
            assert server.execute(question).fetchall() == [], question


def test_keys_lead_with_the_tenant(database_server, database_url):
    """A unique key over all tenants would tell one by its refusal what another has; PostgreSQL checks keys past all
    policies."""
    with psycopg.connect(database_server.superuser_url) as server:
        unique = server.execute(
            "SELECT i.indexrelid::regclass::text, a.attname FROM pg_catalog.pg_index i"
            " JOIN pg_catalog.pg_class c ON c.oid = i.indrelid JOIN pg_catalog.pg_attribute a"
            " ON a.attrelid = c.oid AND a.attnum = i.indkey[0]"
            " WHERE c.relnamespace = 'airside'::regnamespace AND (i.indisunique OR i.indisexclusion)"
        ).fetchall()
        foreign = server.execute(
            "SELECT k.conname, a.attname, b.attname FROM pg_catalog.pg_constraint k"
            " JOIN pg_catalog.pg_attribute a ON a.attrelid = k.conrelid AND a.attnum = k.conkey[1]"
            " JOIN pg_catalog.pg_attribute b ON b.attrelid = k.confrelid AND b.attnum = k.confkey[1]"
            " WHERE k.connamespace = 'airside'::regnamespace AND k.contype = 'f'"
        ).fetchall()
    assert {index for index, leading in unique if leading != "tenant_id"} == {"airside.revision_pkc"}
    assert len(foreign) > 5
    assert {leading for _, *both in foreign for leading in both} == {"tenant_id"}


@pytest.mark.parametrize(
    "statement",
    [
        "RESET ROLE",
        "SET ROLE NONE",
        "SET ROLE airside_owner",
        "SET ROLE postgres",
        "SET SESSION AUTHORIZATION airside_owner",
        "ALTER ROLE airside_app BYPASSRLS",
        "ALTER TABLE airside.evaluations NO FORCE ROW LEVEL SECURITY",
        "ALTER POLICY own_rows ON airside.evaluations USING (true)",
        "CREATE POLICY all_rows ON airside.evaluations USING (true)",
        "CREATE VIEW pg_temp.every AS SELECT evaluation_id FROM airside.evaluations",
        "SET LOCAL row_security = off",
        "SET LOCAL session_replication_role = replica",
        "CREATE OR REPLACE FUNCTION airside.fetch(p_tenant_id uuid, p_evaluation_id uuid)"
        " RETURNS SETOF airside.evaluations LANGUAGE sql AS 'SELECT * FROM airside.evaluations'",
        "GRANT SELECT ON airside.webhook_secrets TO PUBLIC",
    ],
)
def test_who_serves_sees_nothing_of_others_whatever_it_sets(
    database_server, database_url, two_tenants_rows, tenant, statement
):
    """A login as deploy/roles.sql makes it: it may become the application role, and nothing else."""
    login = f"serving_{uuid.uuid4().hex}"
    with psycopg.connect(database_server.superuser_url, autocommit=True) as server:
        named = sql.Identifier(login)
        server.execute(sql.SQL("CREATE ROLE {} LOGIN NOSUPERUSER NOBYPASSRLS").format(named))
        server.execute(sql.SQL("GRANT airside_app TO {} WITH INHERIT FALSE, SET TRUE").format(named))
        try:
            with psycopg.connect(database_url.replace("airside_owner@", f"{login}@")) as connection:
                connection.execute("SET ROLE airside_app")
                connection.commit()
                seen = set()
                try:
                    connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
                    connection.execute(statement)
                    seen = _all_rows(connection)
                except psycopg.errors.InsufficientPrivilege:
                    connection.rollback()
                assert seen <= two_tenants_rows
        finally:
            server.execute(sql.SQL("DROP ROLE {}").format(named))


def test_a_function_of_ones_own_is_not_shown_rows_of_others(as_application, two_tenants_rows, tenant):
    """A cheap condition might be tried before the policy; PostgreSQL lets only leakproof ones, which a superuser
    declares."""
    as_application.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
    as_application.execute("CREATE TEMPORARY TABLE told (evaluation_id uuid)")
    as_application.execute(
        "CREATE FUNCTION pg_temp.tell(uuid) RETURNS boolean LANGUAGE sql COST 0.0000001 AS"
        " 'INSERT INTO pg_temp.told VALUES ($1); SELECT true'"
    )
    assert _all_rows(as_application) == two_tenants_rows
    as_application.execute("SELECT count(*) FROM airside.evaluations WHERE pg_temp.tell(evaluation_id)")
    told = {row[0] for row in as_application.execute("SELECT evaluation_id FROM pg_temp.told")}
    assert told == two_tenants_rows
    as_application.rollback()


def test_what_runs_as_owner_is_bound_to_the_tenant_that_it_names(
    as_application, in_store, an_evaluation, database_url, tenant, other_tenant
):
    mine, theirs = (an_evaluation(words="unheard", site_reference="same") for _ in range(2))

    async def keep(store):
        await store.keep(tenant, mine)
        await store.keep(other_tenant, theirs)

    in_store(keep)
    now = datetime.now(UTC)
    long_ago = now + timedelta(days=1)  # as if all had been kept before it

    def erased(*, site=None, evaluation=None, before=None):
        return as_application.execute(
            "SELECT erased FROM airside.erase(%s, gen_random_uuid(), %s, 'site', %s, NULL, %s, %s, NULL, 'a reason',"
            " NULL, 100, true)",
            (tenant, now, site, evaluation, before),
        ).fetchone()[0]

    def standing():
        as_application.execute("SELECT set_config('airside.tenant', %s, true)", (str(other_tenant),))
        return _all_rows(as_application)

    as_application.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
    words = "SELECT evaluation_id FROM airside.having_words('{unheard}')"
    assert as_application.execute(words).fetchall() == [(mine.evaluation_id,)]
    assert erased(evaluation=theirs.evaluation_id) == 0
    assert erased(site="same") == 1
    assert erased(before=long_ago) == 0
    assert standing() == {theirs.evaluation_id}
    as_application.rollback()
    assert as_application.execute(words).fetchall() == []

    unknown = hashlib.sha256(b"ak_of_nobody").digest()
    assert as_application.execute("SELECT * FROM airside.authenticate(%s)", (unknown,)).fetchall() == []
    secret = create_key(database_url, other_tenant, "a key").secret
    known = hashlib.sha256(secret.encode()).digest()
    found = as_application.execute("SELECT tenant_id FROM airside.authenticate(%s)", (known,)).fetchall()
    assert found == [(other_tenant,)]
    # The functions that take on one tenant after the other leave none of them behind.
    for call in ("lease_deliveries(10, 5, interval '1 minute')", "sweep_deliveries(interval '30 days', 10)"):
        as_application.execute("SELECT * FROM airside." + call)
        assert _all_rows(as_application) == set()
    as_application.rollback()
