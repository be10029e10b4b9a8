"""Batches over a real socket: a line each way, in order, whatever becomes of single lines."""

import contextlib
import json
import os
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import h11
import msgspec
import psutil
import psycopg
import pytest
from click.testing import CliRunner

from service.cli import main

ROOT = Path(__file__).parents[2]
VISIT: dict[str, Any] = msgspec.json.decode((ROOT / "openapi" / "examples" / "first_visit.json").read_bytes())
LONGEST = 64 * 1024


class Server(msgspec.Struct):
    """The service in a process of its own."""

    port: int
    process: int

    def crew(self) -> list[psutil.Process]:
        """The processes that judge, of all server processes."""
        found = []
        for process in psutil.Process(self.process).children(recursive=True):
            with contextlib.suppress(psutil.NoSuchProcess):  # over, or over but for its parent's notice
                if "service.crew" in process.cmdline():
                    found.append(process)
        return found

    def fetch(self, path: str, key: dict[str, str]) -> Any:
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}{path}", headers=key)
        with urllib.request.urlopen(request, timeout=10) as answer:
            return json.load(answer)


@pytest.fixture(scope="module")
def server(database_url: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port: int = free.getsockname()[1]
    command = [
        *(sys.executable, "-m", "granian", "--interface", "asgi", "--factory", "service.app:application"),
        *("--host", "127.0.0.1", "--port", str(port), "--workers", "1", "--http", "1", "--no-ws"),
    ]
    settings = {
        "DATABASE_URL": database_url,
        "AIRSIDE_WEBHOOKS": "off",
        "AIRSIDE_BATCH_WORKERS": "2",
        "AIRSIDE_BODY_BYTES": str(LONGEST),
        "AIRSIDE_BODY_SECONDS": "6",  # more than the processes that judge take to start beside other tests
    }
    log = tmp_path_factory.mktemp("batches") / "log"
    with (
        log.open("wb") as output,
        subprocess.Popen(command, cwd=ROOT, env={**os.environ, **settings}, stdout=output, stderr=output) as process,
    ):
        try:
            until = time.monotonic() + 30
            while time.monotonic() < until:
                with contextlib.suppress(OSError):
                    urllib.request.urlopen(f"http://127.0.0.1:{port}/health/ready", timeout=2).close()
                    break
                assert process.poll() is None, log.read_text()
                time.sleep(0.1)
            yield Server(port=port, process=process.pid)
        finally:
            process.terminate()
            process.wait(15)


class Batch:
    """One request under way: lines are sent and answers read as the test likes."""

    def __init__(self, server: Server, key: dict[str, str], query: str = "", **fields: str) -> None:
        self._socket = socket.create_connection(("127.0.0.1", server.port), timeout=60)
        self._http = h11.Connection(h11.CLIENT)
        self._held = b""
        self.ended = False
        given = {"host": "localhost", "transfer-encoding": "chunked", "content-type": "application/x-ndjson"}
        self._put(
            h11.Request(
                method="POST", target=f"/v1/evaluations/batch{query}", headers=list({**given, **key, **fields}.items())
            )
        )
        self.status = 0

    def _put(self, event: Any) -> None:
        self._socket.sendall(self._http.send(event) or b"")

    def send(self, *octets: bytes) -> None:
        for some in octets:
            self._put(h11.Data(data=some))

    def end(self) -> None:
        self._put(h11.EndOfMessage())

    def line(self) -> dict[str, Any]:
        """The next answer; empty where there is no further one."""
        while b"\n" not in self._held and not self.ended:
            event = self._http.next_event()
            if event is h11.NEED_DATA:
                self._http.receive_data(self._socket.recv(65536))
            elif isinstance(event, h11.Response):
                self.status = event.status_code
            elif isinstance(event, h11.Data):
                self._held += event.data
            elif isinstance(event, h11.EndOfMessage):
                self.ended = True
        line, _, self._held = self._held.partition(b"\n")
        return msgspec.json.decode(line) if line else {}

    def lines(self) -> list[dict[str, Any]]:
        return list(iter(self.line, {}))

    def cut(self) -> None:
        """Go away without a word more."""
        self._socket.close()


@pytest.fixture
def begin(server: Server) -> Iterator[Callable[..., Batch]]:
    """Begin a batch; the connection is closed after the test."""
    with contextlib.ExitStack() as begun:

        def one(key: dict[str, str], query: str = "", **fields: str) -> Batch:
            batch = Batch(server, key, query, **fields)
            begun.callback(batch.cut)
            return batch

        yield one


def a_line(key: str | None = None, **changes: Any) -> bytes:
    """A line as sent, with its end."""
    held = {"visit": {**VISIT, **changes}} | ({} if key is None else {"idempotency_key": key})
    return msgspec.json.encode(held) + b"\n"


def test_a_line_is_answered_while_the_body_is_being_sent(
    server: Server, begin: Callable[..., Batch], ours: Any
) -> None:
    batch = begin(ours.full)
    for number in (1, 2, 3):
        batch.send(a_line(job_reference=f"job-{number}"))
        answered = batch.line()
        assert (answered["line"], answered["status"]) == (number, 201)
        assert server.fetch(answered["location"], ours.full)["result"]["job_reference"] == f"job-{number}"
    batch.end()
    assert batch.lines() == []
    assert batch.ended


def test_a_line_is_judged_as_the_visit_alone(begin: Callable[..., Batch], ours: Any, post: Callable[..., Any]) -> None:
    alone = post("/v1/evaluations", VISIT, ours.full).json()["result"]
    batch = begin(ours.full, "?answer=full")
    batch.send(a_line())
    batch.end()
    (answered,) = batch.lines()
    assert answered["result"] == alone
    assert {found["code"] for found in answered["findings"]} == {found["code"] for found in alone["findings"]}


def test_lines_are_answered_in_order_each_with_its_own_fate(
    server: Server, begin: Callable[..., Batch], ours: Any
) -> None:
    wrong = {
        3: b'{"visit": {"readings": [}}\n',
        5: a_line(readings=[{"kind": "no_such_kind"}]),
        8: b'{"visit": ' + b" " * LONGEST + b"{}}\n",
        11: b'{"readings": []}\n',
        13: a_line("a key with spaces"),
    }
    blank = {6: b"\n", 7: b" \t\r\n"}
    sent = [{**wrong, **blank}.get(number, a_line(job_reference=f"job-{number}")) for number in range(1, 121)]
    sent[-1] = sent[-1].rstrip(b"\n")
    sent[1] = sent[1].replace(b"\n", b"\r\n")
    batch = begin(ours.full)
    body = b"".join(sent)
    batch.send(*(body[at : at + 50_001] for at in range(0, len(body), 50_001)))
    batch.end()
    answered = batch.lines()
    assert batch.status == 200
    assert [one["line"] for one in answered] == [number for number in range(1, 121) if number not in blank]
    fates = {one["line"]: one for one in answered}
    assert {number for number, one in fates.items() if one["status"] != 201} == set(wrong)
    types = {number: fates[number]["problem"]["type"].rpartition("/")[2] for number in wrong}
    assert types == {
        3: "not_well_formed",
        5: "request_refused",
        8: "body_too_large",
        11: "request_refused",
        13: "request_refused",
    }
    assert fates[5]["problem"]["errors"][0]["pointer"] == "#/visit/readings/0/kind"
    assert {fault["pointer"] for fault in fates[11]["problem"]["errors"]} == {"#/readings", "#/visit"}
    assert fates[13]["problem"]["errors"][0]["pointer"] == "#/idempotency_key"
    ids = [one["id"] for one in answered if one["status"] == 201]
    assert len(set(ids)) == len(ids) == 113
    for number in (1, 2, 120):
        assert server.fetch(fates[number]["location"], ours.full)["result"]["job_reference"] == f"job-{number}"


def test_a_byte_order_mark_is_told(begin: Callable[..., Batch], ours: Any) -> None:
    batch = begin(ours.full)
    batch.send(b"\xef\xbb\xbf" + a_line(), a_line())
    batch.end()
    first, second = batch.lines()
    assert "byte order mark" in first["problem"]["errors"][0]["detail"]
    assert second["status"] == 201


def test_a_batch_that_was_cut_is_sent_again(begin: Callable[..., Batch], ours: Any, post: Callable[..., Any]) -> None:
    keys = [f"invented-{os.urandom(6).hex()}" for _ in range(60)]
    lines = [a_line(key, job_reference=f"job-{number}") for number, key in enumerate(keys)]
    first = begin(ours.full)
    first.send(*lines[:40])
    before = [first.line() for _ in range(20)]
    first.cut()
    again = begin(ours.full)
    again.send(*lines)
    again.end()
    after = again.lines()
    assert [one for one in after if "id" not in one] == []
    assert [one["id"] for one in after[:20]] == [one["id"] for one in before]
    assert all(one["repeated"] for one in after[:20])
    assert [one["findings"] for one in after[:20]] == [one["findings"] for one in before]
    assert not any(one.get("repeated") for one in after[40:])
    assert len({one["id"] for one in after}) == 60
    alone = post("/v1/evaluations", {**VISIT, "job_reference": "job-3"}, ours.full, **{"idempotency-key": keys[3]})
    assert alone.json()["id"] == before[3]["id"]
    other = begin(ours.full)
    other.send(a_line(keys[0], job_reference="another"))
    other.end()
    assert other.lines()[0]["problem"]["type"] == "/problems/idempotency_key_reused"


def test_a_line_with_a_key_is_tried_again_where_the_database_was_late(
    begin: Callable[..., Batch], ours: Any, database_url: str
) -> None:
    """A statement is given up after two seconds; here the first of the line has to wait for longer."""
    batch = begin(ours.full)
    batch.send(a_line())
    assert batch.line()["status"] == 201  # the processes that judge are there
    with psycopg.connect(database_url) as late:
        late.execute("LOCK TABLE airside.idempotency IN ACCESS EXCLUSIVE MODE")
        batch.send(a_line(f"invented-{os.urandom(6).hex()}"))
        batch.end()
        time.sleep(2.5)
    answered = batch.lines()
    assert [(one["status"], one.get("problem")) for one in answered] == [(201, None)]


def test_one_key_on_two_lines_at_once_is_kept_once(begin: Callable[..., Batch], ours: Any) -> None:
    line = a_line(f"invented-{os.urandom(6).hex()}")
    batch = begin(ours.full)
    batch.send(line * 4)
    batch.end()
    answered = batch.lines()
    assert len({one["id"] for one in answered}) == 1
    assert sum(not one.get("repeated") for one in answered) == 1


def test_a_process_that_dies_costs_no_line(server: Server, begin: Callable[..., Batch], ours: Any) -> None:
    batch = begin(ours.full)
    batch.send(a_line())
    assert batch.line()["status"] == 201
    killed = server.crew()
    assert 1 <= len(killed) <= 2
    for process in killed:
        process.suspend()  # so that it is busy when it dies
    batch.send(a_line())
    time.sleep(0.3)
    for process in killed:
        process.kill()
    batch.send(*[a_line()] * 8)  # one of them may meet a process that died idle
    batch.end()
    assert [(one["line"], one["status"]) for one in batch.lines()] == [(at, 201) for at in range(2, 11)]
    assert not {process.pid for process in killed} & {process.pid for process in server.crew()}


def test_a_line_at_which_every_process_dies_is_lost_alone(
    server: Server, begin: Callable[..., Batch], ours: Any
) -> None:
    batch = begin(ours.full)
    batch.send(a_line())
    assert batch.line()["status"] == 201
    over = threading.Event()

    def kill() -> None:
        while not over.wait(0.02):
            for process in server.crew():
                with contextlib.suppress(psutil.NoSuchProcess):
                    process.kill()

    for process in server.crew():
        process.suspend()  # so that none answers before it is killed
    batch.send(a_line())
    killing = threading.Thread(target=kill)
    killing.start()
    try:
        lost = batch.line()
    finally:
        over.set()
        killing.join()
    assert (lost["line"], lost["status"], lost["problem"]["type"]) == (2, 500, "/problems/internal_fault")
    batch.send(*[a_line()] * 8)
    batch.end()
    assert [one["status"] for one in batch.lines()] == [201] * 8


def test_a_line_that_does_not_arrive_ends_the_batch(begin: Callable[..., Batch], ours: Any) -> None:
    batch = begin(ours.full)
    batch.send(a_line(), a_line()[:200])
    assert [one.get("problem", {}).get("type") for one in batch.lines()] == [None, "/problems/body_too_slow"]


def test_a_client_that_does_not_read_is_not_judged_for(begin: Callable[..., Batch], ours: Any) -> None:
    """What the network holds may be judged ahead, no more: the sender is made to wait."""
    batch = begin(ours.full, "?answer=full")
    batch._socket.settimeout(1.0)
    with pytest.raises(TimeoutError):
        batch.send(*[a_line()] * 20_000)


def test_memory_does_not_grow_with_the_lines(server: Server, begin: Callable[..., Batch], ours: Any) -> None:
    """Lines that are refused cost the least, so that many go through. The bound leaves 8 MiB for what allocators keep;
    the lines are 40 MB."""

    def run(count: int) -> int:
        batch = begin(ours.full)
        line = b'{"visit": ' + b" " * 20_000 + b"}\n"
        for at in range(count):
            batch.send(line)
            if at >= 20:
                assert batch.line()["status"] == 400
        batch.end()
        assert len(batch.lines()) == 20
        below = psutil.Process(server.process).children(recursive=True)
        return sum(process.memory_info().rss for process in below)

    before = run(200)
    assert run(2000) - before < 8 * 1024 * 1024


@pytest.mark.parametrize(
    ("query", "fields", "status"),
    [("?answer=none", {}, 422), ("", {"content-type": "application/json"}, 415), ("", {"accept": "text/html"}, 406)],
)
def test_what_is_no_batch_is_refused(
    begin: Callable[..., Batch], ours: Any, query: str, fields: dict[str, str], status: int
) -> None:
    batch = begin(ours.full, query, **fields)
    batch.end()
    batch.lines()
    assert batch.status == status


def test_it_needs_the_scope(begin: Callable[..., Batch], ours: Any) -> None:
    batch = begin(ours.reading)
    batch.end()
    batch.lines()
    assert batch.status == 403


def test_the_command_line_answers_as_the_batch_does_less_what_is_kept(begin: Callable[..., Batch], ours: Any) -> None:
    given = [a_line(), b"{}\n", b"\n", b"[\n", a_line(units="si", ruleset="0.0.0"), a_line(units="si")]
    batch = begin(ours.full, "?answer=full")
    batch.send(*given)
    batch.end()
    alone = CliRunner().invoke(main, ["evaluate", "--lines", "--full", "--processes", "1", "-"], input=b"".join(given))
    told = [json.loads(line) for line in alone.stdout.splitlines()]
    expected = batch.lines()
    for one in expected:
        one.pop("id", None)
        one.pop("location", None)
        if "problem" in one:
            del one["problem"]["request_id"]
        else:
            one["status"] = 200
    assert told == expected
    assert [one["line"] for one in told] == [1, 2, 4, 5, 6]
