"""The database dies, hangs, is slow, is busy: a quick and plain answer, and recovery by itself.

A killed process is what these prove survival of. A power cut, which also loses what the disk had not written, they
do not.
"""

import asyncio
import os
import signal
import time

import psutil
import psycopg
import pytest

from service.errors import EmbeddedServerRefused, StoreUnavailable
from service.store.embedded import EmbeddedServer, embedded_server
from service.store.evaluations import Store
from service.store.keys import create_key, create_tenant
from service.store.migrate import migrate


@pytest.fixture
def own_server(tmp_path):
    with embedded_server(tmp_path / "postgresql") as server:
        migrate(server.database_url)
        yield server


def _tree(server):
    process = server.process()
    return [process, *process.children(recursive=True)]


def _kill(server):
    processes = _tree(server)
    for process in processes:
        process.kill()
    psutil.wait_procs(processes, timeout=5)


async def _seconds_until_unavailable(call):
    start = time.monotonic()
    with pytest.raises(StoreUnavailable) as refused:
        await call
    assert 1 <= refused.value.retry_after <= 60
    return time.monotonic() - start


async def _seconds_until_answered(store, call):
    start = time.monotonic()
    while time.monotonic() - start < 20:
        try:
            await call()
        except StoreUnavailable:
            continue
        return time.monotonic() - start
    raise AssertionError("no recovery within 20 s")


def test_killed_and_started_again_while_the_service_runs_on(own_server, an_evaluation):
    tenant = create_tenant(own_server.database_url, "Invented Outage")
    secret = create_key(own_server.database_url, tenant, "key").secret
    kept = [an_evaluation(request=os.urandom(500)) for _ in range(20)]

    async def body():
        store = Store(own_server.database_url, pool_size=3)
        await store.open()
        try:
            for evaluation in kept:
                await store.keep(tenant, evaluation)
            _kill(own_server)
            waits = [
                await _seconds_until_unavailable(call)
                for call in (
                    store.keep(tenant, an_evaluation()), store.fetch(tenant, kept[0].evaluation_id),
                    store.list(tenant), store.authenticate(secret),
                )
            ]  # fmt: skip
            assert max(waits) < 3.0, waits
            assert await store.ready() is False
            again = EmbeddedServer(own_server.folder)
            await asyncio.to_thread(again.start)
            recovery = await _seconds_until_answered(store, lambda: store.list(tenant))
            assert recovery < 6.0
            assert await store.ready() is True
            # Acknowledged before the kill, so still there, byte for byte.
            assert [await store.fetch(tenant, evaluation.evaluation_id) for evaluation in kept] == kept
            assert (await store.authenticate(secret)).tenant_id == tenant
        finally:
            await store.close()
            await asyncio.to_thread(again.stop)

    asyncio.run(body())


def test_a_restart_between_calls_costs_no_failed_call(own_server):
    tenant = create_tenant(own_server.database_url, "Invented Restart")

    async def body():
        store = Store(own_server.database_url, pool_size=3)
        await store.open()
        try:
            await asyncio.gather(*(store.list(tenant) for _ in range(12)))
            _kill(own_server)
            again = EmbeddedServer(own_server.folder)
            await asyncio.to_thread(again.start)
            for _ in range(12):
                await store.list(tenant)
        finally:
            await store.close()
            await asyncio.to_thread(again.stop)

    asyncio.run(body())


def test_a_server_that_hangs_is_unavailable_too(own_server):
    tenant = create_tenant(own_server.database_url, "Invented Hang")

    async def body():
        store = Store(own_server.database_url, pool_size=2)
        await store.open()
        try:
            await store.list(tenant)
            stopped = _tree(own_server)
            for process in stopped:
                process.send_signal(signal.SIGSTOP)
            try:
                waits = [await _seconds_until_unavailable(store.list(tenant)) for _ in range(3)]
                assert max(waits) < 3.6, waits
            finally:
                for process in stopped:
                    process.send_signal(signal.SIGCONT)
            assert await _seconds_until_answered(store, lambda: store.list(tenant)) < 8
        finally:
            await store.close()

    asyncio.run(body())


def test_a_statement_that_waits_too_long_is_given_up(in_store, an_evaluation, tenant, database_url):
    kept = an_evaluation()

    async def body(store):
        async with await psycopg.AsyncConnection.connect(database_url) as other:
            await other.execute("LOCK TABLE airside.evaluations IN ACCESS EXCLUSIVE MODE")
            assert await _seconds_until_unavailable(store.keep(tenant, kept)) < 3.0
        assert await store.fetch(tenant, kept.evaluation_id) is None
        await store.keep(tenant, kept)
        assert await store.fetch(tenant, kept.evaluation_id) == kept

    in_store(body)


def test_beyond_the_waiting_line_calls_are_turned_away_at_once(database_url, tenant):
    async def body():
        store = Store(database_url, pool_size=1, pool_waiting=4)
        await store.open()
        try:
            await store.list(tenant)
            async with await psycopg.AsyncConnection.connect(database_url) as other:
                await other.execute("LOCK TABLE airside.evaluations IN ACCESS EXCLUSIVE MODE")
                start = time.monotonic()
                calls = [asyncio.create_task(store.list(tenant)) for _ in range(20)]
                await asyncio.sleep(0.5)
                away = [call for call in calls if call.done()]
                assert len(away) == 15  # one holds the connection, four wait
                done = await asyncio.gather(*calls, return_exceptions=True)
                assert {type(outcome) for outcome in done} == {StoreUnavailable}
                assert time.monotonic() - start < 4
            assert await _seconds_until_answered(store, lambda: store.list(tenant)) < 8
        finally:
            await store.close()

    asyncio.run(body())


def test_a_call_that_waited_for_its_connection_has_less_left_for_its_statement(database_url, tenant):
    async def body():
        store = Store(database_url, pool_size=1)
        await store.open()
        try:
            await store.list(tenant)
            async with await psycopg.AsyncConnection.connect(database_url) as other:
                await other.execute("LOCK TABLE airside.evaluations IN ACCESS EXCLUSIVE MODE")
                async with store._pool.connection():
                    waits = asyncio.create_task(_seconds_until_unavailable(store.list(tenant)))
                    await asyncio.sleep(1.8)
                    assert not waits.done()
                assert await waits < 3.7  # two seconds and at most one more; a whole statement would make it 3.8
            assert await _seconds_until_answered(store, lambda: store.list(tenant)) < 8
        finally:
            await store.close()

    asyncio.run(body())


def test_a_database_that_takes_no_writes_is_unavailable_for_keeping_only(in_store, an_evaluation, tenant):
    kept = an_evaluation()

    async def body(store):
        await store.keep(tenant, kept)
        async with store._pool.connection() as first, store._pool.connection() as second:
            for connection in (first, second):  # both connections of this store
                await connection.execute("SET default_transaction_read_only = on")
        with pytest.raises(StoreUnavailable):
            await store.keep(tenant, an_evaluation())
        return await store.fetch(tenant, kept.evaluation_id)

    assert in_store(body) == kept


def test_the_service_opens_without_a_database_and_finds_it_when_it_comes(tmp_path):
    server = EmbeddedServer(tmp_path / "postgresql")

    async def body():
        store = Store(server.database_url, pool_size=1)
        start = time.monotonic()
        await store.open()
        assert time.monotonic() - start < 0.5
        try:
            assert await store.ready() is False
            await asyncio.to_thread(server.start)
            assert await store.ready() is False  # not migrated yet
            await asyncio.to_thread(migrate, server.database_url)
            start = time.monotonic()
            while not await store.ready():
                assert time.monotonic() - start < 10
        finally:
            await store.close()

    try:
        asyncio.run(body())
    finally:
        server.stop()


def test_the_server_starts_again_after_only_its_main_process_was_killed(own_server):
    tenant = create_tenant(own_server.database_url, "Invented Orphans")
    main = own_server.process()
    main.kill()
    main.wait(5)
    with embedded_server(own_server.folder) as again, psycopg.connect(again.superuser_url) as connection:
        assert connection.execute("SELECT tenant_id FROM airside.tenants").fetchall() == [(tenant,)]


def test_a_left_over_lock_that_names_some_other_process_is_no_obstacle(tmp_path):
    with embedded_server(tmp_path / "postgresql") as server:
        lock = (server.folder / "data" / "postmaster.pid").read_text()
    (server.folder / "data" / "postmaster.pid").write_text(lock.replace(lock.split("\n")[0], str(os.getpid()), 1))
    with embedded_server(server.folder) as again:
        assert again.process() is not None


def test_the_server_keeps_its_data_and_belongs_to_whoever_started_it(tmp_path):
    folder = tmp_path / "a folder's name, with % and a long tail " / ("x" * 90)
    with embedded_server(folder) as server:
        migrate(server.database_url)
        tenant = create_tenant(server.database_url, "Invented Second Start")
        with embedded_server(folder) as guest:
            assert guest.database_url == server.database_url
        assert server.process() is not None
    assert server.process() is None
    with embedded_server(folder) as again, psycopg.connect(again.database_url) as connection:
        assert connection.execute("SELECT tenant_id FROM airside.tenants").fetchall() == [(tenant,)]
        assert connection.execute(
            "SELECT rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = current_user"
        ).fetchone() == (False,)


def test_a_folder_that_cannot_be_used_is_refused_with_the_reason(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(EmbeddedServerRefused, match="file"):
        EmbeddedServer(tmp_path / "file").start()
    data = tmp_path / "postgresql" / "data"
    data.mkdir(parents=True)
    (data / "PG_VERSION").write_text("9.1\n")
    with pytest.raises(EmbeddedServerRefused, match="does not start"):
        EmbeddedServer(tmp_path / "postgresql").start()
