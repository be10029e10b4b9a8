"""Erasing for good: what goes, what stays, what is left of it; and sweeping by age."""

import asyncio
import hashlib
import uuid
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import psycopg
import pytest
from psycopg import sql

from service.errors import RecordRefused, StoreUnavailable
from service.model.erasure import Selector, Swept
from service.model.record import Sent, StoredReassessment
from service.store.database import new_id
from service.store.embedded import embedded_server
from service.store.erasures import REMEMBERED_DAYS, Erasures
from service.store.evaluations import Store
from service.store.keys import create_tenant, set_retention
from service.store.migrate import migrate
from service.store.sweeping import keep_sweeping

NOW = datetime(2026, 7, 14, 12, 0, tzinfo=UTC)
MARK = "zz-erase-me-9"
"""In every text of a client that an evaluation has."""


@contextmanager
def looking(database_server):
    """As superuser, whom no policy narrows."""
    with psycopg.connect(database_server.superuser_url, autocommit=True) as connection:
        yield connection


def tables(connection):
    return [
        name
        for (name,) in connection.execute(
            "SELECT relname FROM pg_class WHERE relnamespace = 'airside'::regnamespace AND relkind IN ('r', 'p')"
        )
    ]


def rows_of(connection, evaluation_id):
    """Table -> rows that name the evaluation, in every table that has such a column."""
    found = {}
    columns = connection.execute(
        "SELECT table_name, column_name FROM information_schema.columns WHERE table_schema = 'airside'"
        " AND (column_name = 'evaluation_id' OR column_name LIKE '%%supersedes%%' OR column_name LIKE '%%evaluation%%')"
        " AND data_type = 'uuid'"
    ).fetchall()
    assert {name for name, _ in columns} >= {
        "evaluations", "evaluation_findings", "evaluation_words", "reassessments", "tombstones", "webhook_deliveries",
    }  # fmt: skip
    for table, column in columns:
        counting = sql.SQL("SELECT count(*) FROM airside.{} WHERE {} = %s").format(
            sql.Identifier(table), sql.Identifier(column)
        )
        (count,) = connection.execute(counting, (evaluation_id,)).fetchone()
        if count:
            found[table] = count
    return found


def holding(connection, text):
    """Tables with a row in which the text stands, as text or as bytes."""
    found = set()
    for table in tables(connection):
        looked_for = sql.SQL("SELECT count(*) FROM airside.{} AS t WHERE t::text LIKE %s OR t::text LIKE %s").format(
            sql.Identifier(table)
        )
        (count,) = connection.execute(looked_for, (f"%{text}%", f"%{text.encode().hex()}%")).fetchone()
        if count:
            found.add(table)
    return found


def beside(evaluation):
    return StoredReassessment(
        evaluation_id=evaluation.evaluation_id, reassessment_id=new_id(), created_at=NOW, ruleset_version="1.0.0",
        ruleset_digest="0" * 64, service_version="1", units="ip", evaluation=MARK.encode(), difference=b"{}",
    )  # fmt: skip


def full(an_evaluation, **changes):
    """An evaluation with something in every table that evaluations reach."""
    return an_evaluation(
        **{
            "request": MARK.encode(), "evaluation": MARK.encode(), "words": MARK, "site_reference": MARK,
            "equipment_reference": MARK, "job_reference": MARK, "request_id": MARK,
            "findings": {"filter_loaded": "fault"},
        }
        | changes
    )  # fmt: skip


def add_webhook(connection, tenant):
    connection.execute(
        "INSERT INTO airside.webhooks (tenant_id, webhook_id, created_at, url, events)"
        " VALUES (%s, gen_random_uuid(), now(), 'https://dispatch.example.com', %s)",
        (tenant, ["evaluation.created", "evaluation.reassessed", "evaluations.erased"]),
    )


def by(kind, value):
    return Selector(kind=kind, value=str(value))


async def erased(store, tenant, selector, reason="asked for"):
    return await Erasures(store).erase(tenant, selector, reason, new_id(), NOW)


def test_nothing_is_left_of_what_was_erased_in_any_table(in_store, an_evaluation, tenant, database_server):
    gone, other = full(an_evaluation), full(an_evaluation, site_reference="another", request=b"{}")
    with looking(database_server) as connection:
        add_webhook(connection, tenant)

    async def keep(store):
        await store.keep(tenant, gone, Sent(key="k", digest=b"d" * 32))
        await store.keep(tenant, other)
        await store.keep_reassessment(tenant, beside(gone))

    in_store(keep)
    with looking(database_server) as connection:
        before = rows_of(connection, gone.evaluation_id)
        kept = rows_of(connection, other.evaluation_id)
    assert before == {
        "evaluations": 1, "evaluation_findings": 1, "evaluation_words": 1, "reassessments": 1, "webhook_deliveries": 2,
    }  # fmt: skip

    async def erase(store):
        erasure = await erased(store, tenant, by("site", MARK))
        return erasure, await Erasures(store).tombstone(tenant, gone.evaluation_id)

    erasure, tombstone = in_store(erase)
    assert (erasure.evaluations, erasure.complete) == (1, True)
    assert (tombstone.erased_at, tombstone.erasure_id) == (NOW, erasure.erasure_id)
    with looking(database_server) as connection:
        assert rows_of(connection, gone.evaluation_id) == {"tombstones": 1}
        assert rows_of(connection, other.evaluation_id) == kept
        about = (erasure.erasure_id,)
        told = connection.execute("SELECT event FROM airside.webhook_deliveries WHERE about = %s", about)
        assert told.fetchall() == [("evaluations.erased",)]


def test_every_table_that_names_an_evaluation_loses_its_rows_with_it(database_server, database_url):
    """Also those that the tests here put nothing into: by a foreign key that cascades."""
    with looking(database_server) as connection:
        naming = connection.execute(
            "SELECT c.relname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid"
            " WHERE c.relnamespace = 'airside'::regnamespace AND c.relkind IN ('r', 'p')"
            " AND a.attname = 'evaluation_id' AND NOT a.attisdropped"
        ).fetchall()
        keys = connection.execute(
            "SELECT c.relname, f.confdeltype::text FROM pg_constraint f JOIN pg_class c ON c.oid = f.conrelid"
            " WHERE f.contype = 'f' AND f.confrelid = 'airside.evaluations'::regclass"
        ).fetchall()
    names = {name for (name,) in naming}
    assert {"evaluation_findings", "evaluation_words", "reassessments", "webhook_deliveries"} <= names
    assert dict(keys) == dict.fromkeys(names - {"evaluations", "tombstones"}, "c")


def test_no_text_of_it_stands_anywhere(in_store, an_evaluation, tenant, database_server):
    mark = f"zz-only-{uuid.uuid4().hex}"
    here = full(
        an_evaluation, site_reference=mark, request=mark.encode(), evaluation=mark.encode(), words=mark,
        equipment_reference=mark, job_reference=mark, request_id=mark, revision_reason=mark,
    )  # fmt: skip

    async def keep(store):
        await store.keep(tenant, here)

    async def erase(store):
        return await erased(store, tenant, by("job", mark))

    in_store(keep)
    with looking(database_server) as connection:
        assert "evaluations" in holding(connection, mark)
    erasure = in_store(erase)
    assert erasure.selector_sha256 == hashlib.sha256(mark.encode()).digest()
    with looking(database_server) as connection:
        assert holding(connection, mark) == set()


def test_what_it_corrects_goes_too_and_what_corrects_it_stays(in_store, an_evaluation, tenant):
    first = an_evaluation(site_reference="mistyped")
    second = an_evaluation(site_reference="right", supersedes=first.evaluation_id, revision_reason="site")
    third = an_evaluation(site_reference="moved", supersedes=second.evaluation_id, revision_reason="site again")
    alone = an_evaluation(site_reference="mistyped")

    async def body(store):
        for evaluation in (first, second, third, alone):
            await store.keep(tenant, evaluation)
        erasure = await erased(store, tenant, by("site", "right"))
        chain = await store.chain(tenant, third.evaluation_id)
        return erasure, [member.evaluation_id for member in chain], [
            (await store.fetch(tenant, one.evaluation_id)) is not None for one in (first, second, third, alone)
        ]  # fmt: skip

    erasure, chain, there = in_store(body)
    assert erasure.evaluations == 2
    assert chain == [third.evaluation_id]
    assert there == [False, False, True, True]


def test_one_by_its_id_and_again_erases_nothing_but_is_logged(in_store, an_evaluation, tenant, other_tenant):
    one, foreign = an_evaluation(), an_evaluation()

    async def body(store):
        await store.keep(tenant, one)
        await store.keep(other_tenant, foreign)
        erasures = Erasures(store)
        counts = [
            (await erased(store, tenant, by("evaluation", one.evaluation_id))).evaluations,
            (await erased(store, tenant, by("evaluation", one.evaluation_id))).evaluations,
            (await erased(store, tenant, by("evaluation", foreign.evaluation_id))).evaluations,
        ]
        return (
            counts,
            (await erasures.list(tenant)).items,
            (await erasures.list(other_tenant)).items,
            await store.fetch(other_tenant, foreign.evaluation_id),
            await erasures.tombstone(other_tenant, one.evaluation_id),
        )

    counts, log, other_log, still, foreign_tombstone = in_store(body)
    assert counts == [1, 0, 0]
    assert sorted(entry.evaluations for entry in log) == [0, 0, 1]
    assert {entry.kind for entry in log} == {"evaluation"}
    assert other_log == ()
    assert still is not None
    assert foreign_tombstone is None


def test_the_references_of_two_tenants_are_two_references(in_store, an_evaluation, tenant, other_tenant):
    async def body(store):
        for owner in (tenant, other_tenant):
            await store.keep(owner, an_evaluation(site_reference="12"))
        erasure = await erased(store, tenant, by("site", "12"))
        return erasure.evaluations, len((await store.list(tenant)).items), len((await store.list(other_tenant)).items)

    assert in_store(body) == (1, 0, 1)


def test_more_than_one_erasure_takes_is_said(in_store, an_evaluation, tenant, monkeypatch):
    monkeypatch.setattr("service.store.erasures.MOST_ERASED", 3)

    async def body(store):
        for minute in range(5):
            await store.keep(tenant, an_evaluation(site_reference="s", created_at=NOW - timedelta(minutes=minute)))
        turns = [await erased(store, tenant, by("site", "s")) for _ in range(2)]
        return [(turn.evaluations, turn.complete) for turn in turns]

    assert in_store(body) == [(3, False), (2, True)]


def test_a_reassessment_that_comes_while_its_evaluation_is_erased_finds_it_gone(
    in_store, an_evaluation, tenant, database_url
):
    """Held open: the erasure has removed the evaluation and not committed when the reassessment comes."""
    gone = an_evaluation()

    async def body(store):
        await store.keep(tenant, gone)
        async with await psycopg.AsyncConnection.connect(database_url) as erasing:
            await erasing.execute(
                "SELECT airside.erase(%s, %s, %s, 'evaluation', NULL, NULL, %s, NULL, NULL, NULL, NULL, 10, true)",
                (tenant, new_id(), NOW, gone.evaluation_id),
            )
            keeping = asyncio.create_task(
                store.keep_reassessment(tenant, beside(gone), Sent(key="late", digest=b"d" * 32))
            )
            await asyncio.sleep(0.2)
            assert not keeping.done()
            await erasing.commit()
            kept = await keeping
        return kept.fate, await store.claimed(tenant, Sent(key="late", digest=b"d" * 32))

    assert in_store(body) == ("nothing_to_correct", None)


def test_erasures_that_take_long_leave_connections_to_the_others(in_store, an_evaluation, tenant, database_url):
    """All of them are held up by one that another process has under way; the pool has two connections."""

    async def body(store):
        await store.keep(tenant, an_evaluation(site_reference="s"))
        erasures = Erasures(store)
        async with await psycopg.AsyncConnection.connect(database_url) as elsewhere:
            await elsewhere.execute(
                "SELECT pg_advisory_xact_lock(hashtextextended('erasures of ' || %s, 0))", (str(tenant),)
            )
            asked = (tenant, by("site", "s"), "asked for", new_id(), NOW)
            waiting = [asyncio.create_task(erasures.erase(*asked)) for _ in range(5)]
            await asyncio.sleep(0.1)
            listed = [len((await store.list(tenant)).items) for _ in range(3)]
            assert not any(task.done() for task in waiting)
            await elsewhere.rollback()
        return listed, sorted(erasure.evaluations for erasure in await asyncio.gather(*waiting))

    assert in_store(body) == ([1, 1, 1], [0, 0, 0, 0, 1])


@pytest.mark.parametrize("url", ["database_url", "superuser_url"])
@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM airside.evaluations",
        "DELETE FROM airside.reassessments",
        "DELETE FROM airside.tombstones",
        "DELETE FROM airside.erasures",
        "UPDATE airside.erasures SET evaluations = 0",
        "INSERT INTO airside.tombstones VALUES (gen_random_uuid(), gen_random_uuid(), now(), gen_random_uuid())",
    ],
)
def test_the_application_role_erases_only_through_the_function(database_server, database_url, tenant, url, statement):
    with psycopg.connect(getattr(database_server, url)) as connection:
        connection.execute("SET ROLE airside_app")
        connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            connection.execute(statement)


def test_an_erasure_without_a_selector_is_refused(in_store, an_evaluation, tenant, database_url):
    async def keep(store):
        await store.keep(tenant, an_evaluation())

    in_store(keep)
    with psycopg.connect(database_url) as connection:
        connection.execute("SET ROLE airside_app")
        with pytest.raises(psycopg.errors.RaiseException, match="exactly one selector"):
            connection.execute(
                "SELECT airside.erase(%s, %s, now(), 'site', NULL, NULL, NULL, NULL, NULL, NULL, NULL, 10, true)",
                (tenant, new_id()),
            )


# By age ------------------------------------------------------------------------------------------------------------


def retain(database_url, tenant, days):
    assert set_retention(database_url, tenant, days)


@pytest.mark.parametrize("days", [0, -1, 36_501])
def test_days_that_are_none_are_refused(database_url, tenant, days):
    with pytest.raises(RecordRefused, match="must be from 1 to 36500"):
        set_retention(database_url, tenant, days)


def test_a_tenant_that_is_not_there_has_nothing_kept(database_url):
    assert set_retention(database_url, uuid.uuid4(), 1) is False


@pytest.fixture
def own_database(database_server):
    """A database of its own, since a sweep goes through every tenant."""
    name = f"swept_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(database_server.superuser_url, autocommit=True) as server:
        server.execute(sql.SQL("CREATE DATABASE {} OWNER airside_owner").format(sql.Identifier(name)))
    url = database_server.database_url.replace("/airside?", f"/{name}?")
    migrate(url)
    return url


def test_both_sides_of_the_day_on_which_an_evaluation_is_no_longer_kept(in_store, an_evaluation, own_database):
    tenant, other, unlimited = (create_tenant(own_database, f"Invented {n}") for n in range(3))
    retain(own_database, tenant, 30)
    retain(own_database, other, 31)
    edge = NOW - timedelta(days=30)
    moments = [edge - timedelta(microseconds=1), edge, edge - timedelta(days=300)]
    kept = {owner: [an_evaluation(created_at=at) for at in moments] for owner in (tenant, other, unlimited)}

    async def body(store):
        for owner, evaluations in kept.items():
            for evaluation in evaluations:
                await store.keep(owner, evaluation)
        erasures = Erasures(store)
        swept = [await erasures.sweep(NOW, at_once=1), await erasures.sweep(NOW)]
        there = {
            owner: [await store.fetch(owner, evaluation.evaluation_id) is not None for evaluation in evaluations]
            for owner, evaluations in kept.items()
        }
        logs = [(await erasures.list(owner)).items for owner in (tenant, other, unlimited)]
        return swept, list(there.values()), logs, await erasures.tombstone(tenant, kept[tenant][0].evaluation_id)

    swept, there, logs, tombstone = in_store(body, url=own_database)
    assert swept == [Swept(evaluations=3, keys=0), Swept(evaluations=0, keys=0)]
    assert there == [[False, True, False], [True, True, False], [True, True, True]]
    assert [len(log) for log in logs] == [1, 1, 0]
    (entry,) = logs[0]
    assert (entry.kind, entry.evaluations, entry.complete, entry.created_at) == ("retention", 2, True, NOW)
    assert (entry.reason, entry.key_id, entry.selector_sha256) == (None, None, None)
    assert tombstone.erasure_id == entry.erasure_id


def test_both_sides_of_the_day_on_which_a_key_is_forgotten(in_store, an_evaluation, own_database):
    tenant = create_tenant(own_database, "Invented")
    young, old = (Sent(key=name, digest=b"d" * 32) for name in ("young", "old"))

    async def body(store):
        for sent in (young, old):
            await store.keep(tenant, an_evaluation(), sent)
        with psycopg.connect(own_database) as connection:
            connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
            for sent, at in ((young, NOW), (old, NOW - timedelta(microseconds=1))):
                connection.execute(
                    "UPDATE airside.idempotency SET created_at = %s WHERE tenant_id = %s AND idempotency_key = %s",
                    (at - timedelta(days=REMEMBERED_DAYS), tenant, sent.key),
                )
        swept = await Erasures(store).sweep(NOW)
        return swept, await store.claimed(tenant, young) is None, await store.claimed(tenant, old) is None

    assert in_store(body, url=own_database) == (Swept(evaluations=0, keys=1), False, True)


def test_several_sweeps_at_once_share_the_work_and_erase_each_once(in_store, an_evaluation, own_database):
    tenant = create_tenant(own_database, "Invented")
    retain(own_database, tenant, 1)

    async def body(store):
        for minute in range(30):
            await store.keep(tenant, an_evaluation(created_at=NOW - timedelta(days=2, minutes=minute)))
        await store.keep(tenant, an_evaluation(created_at=NOW))
        swept = await asyncio.gather(*(Erasures(store).sweep(NOW, at_once=3) for _ in range(4)))
        rest = await Erasures(store).sweep(NOW)
        log = (await Erasures(store).list(tenant)).items
        return sum(one.evaluations for one in (*swept, rest)), sum(entry.evaluations for entry in log), (
            len((await store.list(tenant)).items)
        )  # fmt: skip

    assert in_store(body, url=own_database) == (30, 30, 1)


def test_sweeping_goes_on_after_an_outage(tmp_path, an_evaluation):
    with embedded_server(tmp_path / "postgresql") as server:
        migrate(server.database_url)
        tenant = create_tenant(server.database_url, "Invented Outage")
        retain(server.database_url, tenant, 1)
        old = an_evaluation(created_at=NOW - timedelta(days=2))

        async def body():
            store = Store(server.database_url, pool_size=1, seconds=1.0)
            await store.open()
            try:
                await store.keep(tenant, old)
                server.stop()
                sweeping = asyncio.create_task(keep_sweeping(Erasures(store), 0.1, now=lambda: NOW))
                try:
                    with pytest.raises(StoreUnavailable):
                        await store.list(tenant)
                    await asyncio.sleep(0.5)
                    await asyncio.to_thread(server.start)
                    async with asyncio.timeout(20):
                        while True:
                            try:
                                if await store.fetch(tenant, old.evaluation_id) is None:
                                    break
                            except StoreUnavailable:
                                pass
                            await asyncio.sleep(0.1)
                    assert not sweeping.done()
                finally:
                    sweeping.cancel()
                    await asyncio.wait([sweeping])
            finally:
                await store.close()

        asyncio.run(body())


def test_sweeping_ends_although_a_cancellation_was_lost():
    """As `asyncio.wait_for` loses one in CPython 3.11 (python/cpython issue 86296)."""

    class Losing:
        def __init__(self):
            self.swept = 0

        async def sweep(self, now):
            self.swept += 1
            try:
                await asyncio.sleep(60)
            except asyncio.CancelledError:
                raise StoreUnavailable from None

    async def body():
        losing = Losing()
        sweeping = asyncio.create_task(keep_sweeping(losing, 0.01))
        async with asyncio.timeout(10):
            while not losing.swept:
                await asyncio.sleep(0.01)
            sweeping.cancel()
            await asyncio.wait([sweeping])
        return losing.swept

    assert asyncio.run(body()) == 1
