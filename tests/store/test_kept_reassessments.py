"""Reassessments as rows: kept once beside their evaluation, listed in order, and no other tenant's."""

import uuid
from datetime import UTC, datetime, timedelta

import psycopg
import pytest

from service.errors import CursorRefused, OutOfRange, RecordRefused
from service.model.record import Kept, StoredReassessment
from service.store.database import new_id
from service.store.keys import create_key, create_tenant, list_tenants, pin_ruleset


def a_reassessment(evaluation, **changes):
    fields = {
        "evaluation_id": evaluation.evaluation_id,
        "reassessment_id": new_id(),
        "created_at": datetime.now(UTC),
        "ruleset_version": "2.0.0",
        "ruleset_digest": "1" * 64,
        "service_version": "0.1.0",
        "units": "si",
        "evaluation": b"\x00evaluation",
        "difference": b"\xffdifference",
    }
    return StoredReassessment(**(fields | changes))


def test_one_is_given_back_as_it_was_kept(in_store, an_evaluation, tenant):
    evaluation = an_evaluation()
    plain = a_reassessment(evaluation)
    full = a_reassessment(evaluation, highest_severity="hazard", request_id="r-1", trace_parent="00-" + "a" * 32)

    async def body(store):
        await store.keep(tenant, evaluation)
        for one in (plain, full):
            await store.keep_reassessment(tenant, one)
        return [
            await store.fetch_reassessment(tenant, evaluation.evaluation_id, one.reassessment_id)
            for one in (plain, full)
        ], await store.fetch(tenant, evaluation.evaluation_id)

    assert in_store(body) == ([plain, full], evaluation)


def test_pages_show_each_once_newest_first_also_within_one_microsecond(in_store, an_evaluation, tenant):
    evaluation, moment = an_evaluation(), datetime.now(UTC)
    made = [a_reassessment(evaluation, created_at=moment + timedelta(seconds=index // 3)) for index in range(7)]

    async def body(store):
        await store.keep(tenant, evaluation)
        before = await store.list_reassessments(tenant, evaluation.evaluation_id)
        for one in made:
            await store.keep_reassessment(tenant, one)
        pages, cursor = [], None
        while True:
            page = await store.list_reassessments(tenant, evaluation.evaluation_id, cursor, limit=2)
            pages.append([item.reassessment_id for item in page.items])
            cursor = page.next_cursor
            if cursor is None:
                return before, pages

    before, pages = in_store(body)
    assert (before.items, before.next_cursor) == ((), None)
    assert [len(page) for page in pages] == [2, 2, 2, 1]
    expected = sorted(made, key=lambda one: (one.created_at, one.reassessment_id), reverse=True)
    assert [one for page in pages for one in page] == [one.reassessment_id for one in expected]


def test_bad_pages_are_refused(in_store, an_evaluation, tenant):
    evaluation = an_evaluation()

    async def body(store):
        await store.keep(tenant, evaluation)
        for limit in (0, 201):
            with pytest.raises(OutOfRange):
                await store.list_reassessments(tenant, evaluation.evaluation_id, limit=limit)
        with pytest.raises(CursorRefused):
            await store.list_reassessments(tenant, evaluation.evaluation_id, "x" * 32)

    in_store(body)


def test_no_tenant_sees_or_adds_beside_anothers(in_store, an_evaluation, tenant, other_tenant):
    evaluation = an_evaluation()
    mine, foreign = a_reassessment(evaluation), a_reassessment(evaluation)

    async def body(store):
        await store.keep(tenant, evaluation)
        await store.keep_reassessment(tenant, mine)
        return (
            await store.keep_reassessment(other_tenant, foreign),
            await store.fetch_reassessment(other_tenant, evaluation.evaluation_id, mine.reassessment_id),
            await store.list_reassessments(other_tenant, evaluation.evaluation_id),
            await store.list_reassessments(tenant, uuid.uuid4()),
            [i.reassessment_id for i in (await store.list_reassessments(tenant, evaluation.evaluation_id)).items],
        )

    nothing = Kept(fate="nothing_to_correct", made=None)
    assert in_store(body) == (nothing, None, None, None, [mine.reassessment_id])


@pytest.fixture(params=["database_url", "superuser_url"])
def as_application(request, database_server, database_url):
    """A connection that has taken on the role that serves."""
    with psycopg.connect(getattr(database_server, request.param)) as connection:
        connection.execute("SET ROLE airside_app")
        connection.commit()
        yield connection


def test_without_a_where_clause_only_own_rows_are_seen(as_application, in_store, an_evaluation, tenant, other_tenant):
    kept = {}

    async def body(store):
        for owner in (tenant, other_tenant):
            evaluation = an_evaluation()
            kept[owner] = a_reassessment(evaluation)
            await store.keep(owner, evaluation)
            await store.keep_reassessment(owner, kept[owner])

    in_store(body)
    seen = "SELECT reassessment_id FROM airside.reassessments"
    assert as_application.execute(seen).fetchall() == []
    as_application.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
    assert as_application.execute(seen).fetchall() == [(kept[tenant].reassessment_id,)]
    with pytest.raises(psycopg.errors.InsufficientPrivilege, match="row-level security"):
        as_application.execute(
            "INSERT INTO airside.reassessments SELECT %s, evaluation_id, gen_random_uuid(), created_at, '', '', '',"
            " NULL, 'ip', '', '' FROM airside.reassessments",
            (other_tenant,),
        )


@pytest.mark.parametrize("what", ["UPDATE {} SET units = 'si'", "DELETE FROM {}", "TRUNCATE {}"])
def test_the_application_role_may_not_change_one(as_application, tenant, what):
    as_application.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        as_application.execute(what.format("airside.reassessments"))


# The version that a tenant pins ------------------------------------------------------------------------------------


def test_a_tenant_is_set_to_a_version_and_back(in_store, database_url, tenant, other_tenant):
    secrets = [create_key(database_url, one, "test").secret for one in (tenant, other_tenant)]

    async def rulesets(store):
        return [(await store.authenticate(secret)).ruleset for secret in secrets]

    assert in_store(rulesets) == [None, None]
    assert pin_ruleset(database_url, tenant, "1.2.3")
    assert in_store(rulesets) == ["1.2.3", None]
    listed = {one.tenant_id: one.ruleset for one in list_tenants(database_url)}
    assert (listed[tenant], listed[other_tenant]) == ("1.2.3", None)
    assert pin_ruleset(database_url, tenant, None)
    assert in_store(rulesets) == [None, None]


def test_pinning_works_as_owner_and_as_superuser_and_tells_of_no_tenant(database_server, database_url):
    for url in (database_url, database_server.superuser_url):
        tenant = create_tenant(url, "Invented Branch Office")
        assert pin_ruleset(url, tenant, "1.0.0")
        assert not pin_ruleset(url, uuid.uuid4(), "1.0.0")


@pytest.mark.parametrize("version", ["", "1", "1.0", "1.0.0-rc1", "1.0.0\n", "newest", "1" * 10 + ".0.0"])
def test_what_is_no_version_cannot_be_pinned(database_url, tenant, version):
    with pytest.raises(RecordRefused, match="ruleset"):
        pin_ruleset(database_url, tenant, version)
