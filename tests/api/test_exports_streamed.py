"""Long exports from a real server: memory stays flat, a client that stops holds nothing up, what fails is cut off."""

import contextlib
import http.client
import json
import time
import urllib.request
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import psutil
import psycopg
import pytest

from tests.bench.__main__ import serving, wait_until

EXAMPLE = Path(__file__).parents[2] / "openapi" / "examples" / "visit.json"
COUNT = 1200
PAUSE = 1.5


class Server(msgspec.Struct):
    port: int
    pid: int
    headers: dict[str, str]
    bytes_of_one: int
    log: Path


@pytest.fixture(scope="module")
def server(
    database_url: str, account: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Server]:
    """A server with one connection to the database, whose clients may pause for 1.5 s, and one visit 1200 times."""
    folder: Path = tmp_path_factory.mktemp("exports")
    (folder / "short_pause.py").write_text(
        f"from service.api import exports\nfrom service.app import application\n\nexports.LONGEST_PAUSE = {PAUSE}\n"
    )
    someone = account("Invented Long Record")
    extra = {"DATABASE_URL": database_url, "AIRSIDE_POOL_SIZE": "1", "PYTHONPATH": f"{folder}:{Path.cwd()}"}
    with serving("short_pause:application", extra, folder / "server.log") as (port, pid):
        wait_until(f"http://127.0.0.1:{port}/health/ready")
        request = urllib.request.Request(
            f"http://127.0.0.1:{port}/v1/evaluations",
            EXAMPLE.read_bytes(),
            someone.full | {"content-type": "application/json"},
        )
        with urllib.request.urlopen(request) as answer:
            made = json.loads(answer.read())["id"]
        with psycopg.connect(database_url) as connection:
            for (tenant,) in connection.execute("SELECT tenant_id FROM airside.tenants").fetchall():
                connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
                connection.execute(
                    "INSERT INTO airside.evaluations (tenant_id, evaluation_id, created_at, site_reference,"
                    " ruleset_version, ruleset_digest, units, request, evaluation)"
                    " SELECT tenant_id, uuidv7(), created_at - n * interval '1 minute', 's' || n %% 10,"
                    " ruleset_version, ruleset_digest, units, request, evaluation"
                    " FROM airside.evaluations, generate_series(1, %s - 1) n WHERE evaluation_id = %s",
                    (COUNT, uuid.UUID(made)),
                )
        length = len(answer_of(port, f"/v1/evaluations/{made}", someone.full))
        yield Server(port, pid, someone.full, length, folder / "server.log")


def answer_of(port: int, path: str, headers: dict[str, str]) -> bytes:
    with urllib.request.urlopen(urllib.request.Request(f"http://127.0.0.1:{port}{path}", headers=headers)) as answer:
        content: bytes = answer.read()
        return content


@contextlib.contextmanager
def exporting(
    server: Server, query: str = "", accept: str = "application/x-ndjson"
) -> Iterator[http.client.HTTPResponse]:
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=30)
    connection.request("GET", f"/v1/evaluations/export?{query}", headers=server.headers | {"accept": accept})
    answer = connection.getresponse()
    assert answer.status == 200
    try:
        yield answer
    finally:
        answer.close()
        connection.close()


def cut_by(server: Server) -> str:
    """What the log says that the last answer was cut by."""
    lines = [json.loads(line) for line in server.log.read_text().splitlines() if line.startswith("{")]
    assert lines[-1]["route"] == "/v1/evaluations/export"
    return str(lines[-1]["cut"])


def memory(server: Server) -> int:
    family = [psutil.Process(server.pid), *psutil.Process(server.pid).children(recursive=True)]
    return sum(process.memory_info().rss for process in family)


def test_memory_stays_flat_however_much_is_exported(server: Server) -> None:
    """What is written is many times what the server may grow by."""
    with exporting(server, "site_reference=s1") as answer:  # a tenth, so that what is kept for good is there
        assert answer.read().count(b"\n") == COUNT // 10
    before, grown, size, lines = memory(server), 0, 0, 0
    with exporting(server) as answer:
        while chunk := answer.read(1 << 18):
            size += len(chunk)
            lines += chunk.count(b"\n")
            grown = max(grown, memory(server) - before)
    assert lines == COUNT
    assert size > 0.8 * COUNT * server.bytes_of_one
    assert size > 80e6
    assert grown < 20e6


def test_a_client_that_stops_holds_no_connection_and_is_cut_off(server: Server, database_url: str) -> None:
    with exporting(server) as answer:
        assert answer.readline().startswith(b"{")
        stopped = time.monotonic()
        # The only connection of the pool serves the next request, and waits for one with nothing open.
        assert answer_of(server.port, "/v1/evaluations?limit=1", server.headers)
        seen: dict[int, set[str]] = {}
        with psycopg.connect(database_url, autocommit=True) as connection:
            for _ in range(10):
                for pid, state in connection.execute(
                    "SELECT pid, state FROM pg_stat_activity"
                    " WHERE application_name = 'airside' AND datname = current_database()"
                ).fetchall():
                    seen.setdefault(pid, set()).add(state)
                time.sleep(0.02)
        assert seen
        assert all("idle" in states for states in seen.values())
        assert time.monotonic() - stopped < PAUSE
        time.sleep(2 * PAUSE)
        with pytest.raises((http.client.IncompleteRead, ConnectionError)):
            answer.read()
    assert cut_by(server) == "ClientStalled"


def test_a_database_that_fails_in_between_leaves_an_answer_that_is_not_whole(server: Server, database_url: str) -> None:
    """RFC 9112, 8: a chunked message whose zero-sized chunk never came is incomplete, and clients must see so."""
    with exporting(server) as answer:
        assert answer.readline().startswith(b"{")
        with psycopg.connect(database_url, autocommit=True) as connection:
            connection.execute("ALTER FUNCTION airside.fetch_these RENAME TO fetched_those")
            try:
                with pytest.raises((http.client.IncompleteRead, ConnectionError)):
                    answer.read()
            finally:
                connection.execute("ALTER FUNCTION airside.fetched_those RENAME TO fetch_these")
    assert cut_by(server) == "StoreRefused"
    with exporting(server, "site_reference=s1&rows=quantities", "text/csv") as answer:
        assert answer.read().endswith(b"\r\n")


def test_a_client_that_goes_away_ends_its_export(server: Server) -> None:
    with exporting(server) as answer:
        assert answer.readline()
    process = psutil.Process(server.pid)
    time.sleep(0.5)

    def spent() -> float:
        return sum(sum(one.cpu_times()[:2]) for one in [process, *process.children(recursive=True)])

    before = spent()
    time.sleep(1.0)
    assert spent() - before < 0.3  # writing on would keep a core busy
