"""Requests sent again under an `Idempotency-Key`: kept once, answered alike, whoever asks how often and where."""

import asyncio
import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from service.api import evaluations
from service.api.repetition import sent_as
from service.api.sharing import UnderWay
from service.app import create_app
from service.pipeline import Rulebook
from service.settings import Settings
from service.store.evaluations import Store
from service.store.keys import create_key, create_tenant

ROOT = Path(__file__).parents[2]


def keyed(account: Any, key: str, **more: str) -> dict[str, str]:
    return {**account.full, "idempotency-key": key, **more}


def count(client: TestClient[Litestar], account: Any) -> int:
    return len(client.get("/v1/evaluations?limit=200", headers=account.full).json()["items"])


def refused(answer: Any, code: str) -> Any:
    assert (answer.status_code, answer.json()["type"]) == (422, f"/problems/{code}"), answer.text
    return answer.json()


def test_the_same_request_is_kept_once_and_answered_alike(
    client: TestClient[Litestar], post: Callable[..., Any], example: bytes, account: Callable[..., Any]
) -> None:
    someone = account()
    first = post("/v1/evaluations", example, keyed(someone, "visit-17"))
    again = post("/v1/evaluations", example, keyed(someone, "visit-17"))
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.content == first.content
    assert again.headers["location"] == first.headers["location"]
    assert "idempotency-replayed" not in first.headers
    assert again.headers["idempotency-replayed"] == "true"
    assert count(client, someone) == 1
    spanish = post("/v1/evaluations", example, keyed(someone, "visit-17", **{"accept-language": "es"}))
    assert (spanish.status_code, spanish.headers["content-language"]) == (201, "es")
    assert spanish.json()["id"] == first.json()["id"]
    assert count(client, someone) == 1


def test_another_process_answers_alike_after_a_restart(
    post: Callable[..., Any], example: bytes, ours: Any, database_url: str, rulebook: Rulebook
) -> None:
    first = post("/v1/evaluations", example, keyed(ours, "over-a-restart"))
    later = create_app(Settings(database_url=database_url), rulebook, Store(database_url, pool_size=1))
    with TestClient(later) as client:
        fields = {**keyed(ours, "over-a-restart"), "content-type": "application/json"}
        again = client.post("/v1/evaluations", content=example, headers=fields)
    assert again.content == first.content
    assert again.headers["idempotency-replayed"] == "true"


def test_another_request_under_the_key_is_refused_and_keeps_nothing(
    client: TestClient[Litestar], post: Callable[..., Any], example: bytes, account: Callable[..., Any]
) -> None:
    someone = account()
    made = post("/v1/evaluations", example, keyed(someone, "k"))
    refused(post("/v1/evaluations", example + b" ", keyed(someone, "k")), "idempotency_key_reused")
    refused(post(f"{made.headers['location']}/reassessments", example, keyed(someone, "k")), "request_refused")
    refused(post(f"{made.headers['location']}/reassessments", b"{}", keyed(someone, "k")), "idempotency_key_reused")
    assert count(client, someone) == 1
    assert post("/v1/evaluations", example, someone.full).json()["id"] != made.json()["id"]


def test_a_request_that_was_refused_has_not_used_its_key_up(
    post: Callable[..., Any], example: bytes, ours: Any
) -> None:
    refused(post("/v1/evaluations", b'{"units": 1}', keyed(ours, "mended")), "request_refused")
    assert post("/v1/evaluations", example, keyed(ours, "mended")).status_code == 201


def test_the_key_of_another_account_is_another_key(
    client: TestClient[Litestar], post: Callable[..., Any], example: bytes, ours: Any, theirs: Any
) -> None:
    mine = post("/v1/evaluations", example, keyed(ours, "shared-word"))
    other = post("/v1/evaluations", example + b"\n", keyed(theirs, "shared-word"))
    assert (mine.status_code, other.status_code) == (201, 201)
    assert other.json()["id"] != mine.json()["id"]
    assert "idempotency-replayed" not in other.headers


def test_a_reassessment_is_kept_once_for_its_address(
    client: TestClient[Litestar], post: Callable[..., Any], example: bytes, ours: Any
) -> None:
    one, other = (post("/v1/evaluations", example, ours.full).headers["location"] for _ in range(2))
    first = post(f"{one}/reassessments", b"{}", keyed(ours, "again-1"))
    again = post(f"{one}/reassessments", b"{}", keyed(ours, "again-1"))
    assert (first.status_code, again.status_code) == (201, 201), first.text
    assert again.content == first.content
    assert again.headers["location"] == first.headers["location"]
    assert (first.headers.get("idempotency-replayed"), again.headers["idempotency-replayed"]) == (None, "true")
    assert len(client.get(f"{one}/reassessments", headers=ours.full).json()["items"]) == 1
    refused(post(f"{other}/reassessments", b"{}", keyed(ours, "again-1")), "idempotency_key_reused")
    missing = post(f"/v1/evaluations/{'0' * 8}-0000-7000-8000-{'0' * 12}/reassessments", b"{}", keyed(ours, "again-2"))
    assert missing.status_code == 404


@pytest.mark.parametrize("key", ["!", "~" * 255, '"8e03978e-40d5-43dd-bc93-6894a57f9324"'])
def test_a_key_is_1_to_255_visible_characters(post: Callable[..., Any], example: bytes, account: Any, key: str) -> None:
    someone = account()
    assert post("/v1/evaluations", example, keyed(someone, key)).status_code == 201
    again = post("/v1/evaluations", example, keyed(someone, key))
    assert again.headers["idempotency-replayed"] == "true"


@pytest.mark.parametrize("key", [b"", b"~" * 256, b"two words", b"caf\xc3\xa9", b"tab\there"])
def test_anything_else_is_refused_and_named(
    client: TestClient[Litestar], example: bytes, ours: Any, key: bytes
) -> None:
    fields = [(b"idempotency-key", key), (b"content-type", b"application/json")]
    fields += [(name.encode(), value.encode()) for name, value in ours.full.items()]
    (fault,) = refused(client.post("/v1/evaluations", content=example, headers=fields), "request_refused")["errors"]
    assert (fault["parameter"], fault["code"]) == ("Idempotency-Key", "pattern")


def test_two_keys_are_refused(client: TestClient[Litestar], example: bytes, ours: Any) -> None:
    fields = [("idempotency-key", "a"), ("idempotency-key", "b"), ("content-type", "application/json")]
    fields += list(ours.full.items())
    (fault,) = refused(client.post("/v1/evaluations", content=example, headers=fields), "request_refused")["errors"]
    assert (fault["parameter"], fault["code"]) == ("Idempotency-Key", "pattern")


def test_what_makes_a_request_the_same_is_told_apart_part_by_part() -> None:
    known = {sent_as("k", *parts).digest for parts in (("ab", "c", b"d"), ("a", "bc", b"d"), ("a", "b", b"cd"))}
    assert len(known) == 3
    assert sent_as("k", "a", "b", b"") == sent_as("k", "a", "b", b"")
    assert sent_as("k", "a", "b", b"").key != "k"


# Many at once ------------------------------------------------------------------------------------------------------


def test_a_process_judges_once_and_leaves_the_line_of_the_pool_to_others(
    database_url: str, rulebook: Rulebook, example: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """200 at once over a pool of 2 with room for 8 to wait, the API key not yet known to the process."""
    tenant = create_tenant(database_url, "Invented Air Works, in a hurry")
    key = create_key(database_url, tenant, "test").secret
    judged: list[object] = []

    def counted(*given: Any) -> Any:
        judged.append(given)
        return judge(*given)

    judge = evaluations.evaluate
    monkeypatch.setattr(evaluations, "evaluate", counted)
    store = Store(database_url, pool_size=2, pool_waiting=8)
    application = create_app(Settings(database_url=database_url), rulebook, store)

    async def ask() -> list[httpx.Response]:
        async with (
            application.lifespan(),
            httpx.AsyncClient(transport=httpx.ASGITransport(application), base_url="http://here") as client,
        ):
            return await asyncio.gather(*(send_one(client, key, example) for _ in range(200)))

    assert_one_record(asyncio.run(ask()))
    assert len(judged) == 1


async def send_one(client: httpx.AsyncClient, key: str, body: bytes) -> httpx.Response:
    fields = {
        "authorization": f"Bearer {key}",
        "content-type": "application/json",
        "idempotency-key": "all-at-once",
    }
    return await client.post("/v1/evaluations", content=body, headers=fields)


def assert_one_record(answers: list[httpx.Response]) -> None:
    assert {answer.status_code for answer in answers} == {201}
    assert len({answer.content for answer in answers}) == 1
    assert len({answer.headers["location"] for answer in answers}) == 1
    assert sum("idempotency-replayed" not in answer.headers for answer in answers) == 1


@contextlib.contextmanager
def served(database_url: str, folder: Path, workers: int) -> Iterator[str]:
    """The service as it is served, on a port of its own."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    environment = {**os.environ, "DATABASE_URL": database_url, "AIRSIDE_POOL_SIZE": "2"}
    command = [
        *(sys.executable, "-m", "granian", "--interface", "asgi", "--factory", "service.app:application"),
        *("--host", "127.0.0.1", "--port", str(port), "--workers", str(workers), "--http", "1", "--no-ws"),
    ]
    with (
        (folder / "log").open("wb") as log,
        subprocess.Popen(
            command, cwd=ROOT, env=environment, stdout=log, stderr=subprocess.STDOUT, start_new_session=True
        ) as process,
    ):
        try:
            until = time.monotonic() + 60
            while True:
                with contextlib.suppress(httpx.HTTPError):
                    if httpx.get(f"http://127.0.0.1:{port}/health/ready").status_code == 200:
                        break
                assert process.poll() is None, (folder / "log").read_text()
                assert time.monotonic() < until, (folder / "log").read_text()
                time.sleep(0.1)
            yield f"http://127.0.0.1:{port}"
        finally:
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)


def test_200_at_once_over_http_and_several_processes_make_one_record(
    database_url: str, example: bytes, tmp_path: Path
) -> None:
    tenant = create_tenant(database_url, "Invented Air Works, several processes")
    key = create_key(database_url, tenant, "test").secret
    limits = httpx.Limits(max_connections=200)

    async def ask(address: str) -> tuple[list[httpx.Response], Any]:
        async with httpx.AsyncClient(base_url=address, limits=limits, timeout=60) as client:
            answers = await asyncio.gather(*(send_one(client, key, example) for _ in range(200)))
            listed = await client.get("/v1/evaluations", headers={"authorization": f"Bearer {key}"})
            return answers, listed.json()

    with served(database_url, tmp_path, workers=2) as address:
        answers, listed = asyncio.run(ask(address))
    assert_one_record(answers)
    assert [item["id"] for item in listed["items"]] == [json.loads(answers[0].content)["id"]]
    lines = [json.loads(line) for line in (tmp_path / "log").read_text().splitlines() if line.startswith('{"at"')]
    assert sum(line.get("route") == "/v1/evaluations" and line["method"] == "POST" for line in lines) == 200


def test_shared_work_goes_on_when_the_first_who_asked_goes_away() -> None:
    begun: list[int] = []

    async def work() -> int:
        begun.append(1)
        await asyncio.sleep(0.05)
        return 7

    async def ask() -> Any:
        sharing = UnderWay()
        first = asyncio.ensure_future(sharing.share("a", work))
        await asyncio.sleep(0)
        second = asyncio.ensure_future(sharing.share("a", work))
        await asyncio.sleep(0)
        first.cancel()
        shared = await second
        return shared, await sharing.share("a", work)

    assert asyncio.run(ask()) == ((7, False), (7, True))
    assert len(begun) == 2


def test_shared_work_that_fails_fails_for_all_and_may_be_tried_again() -> None:
    async def work() -> int:
        await asyncio.sleep(0)
        raise ValueError("invented")

    async def ask() -> Any:
        sharing = UnderWay()
        together = await asyncio.gather(*(sharing.share("a", work) for _ in range(3)), return_exceptions=True)
        with pytest.raises(ValueError, match="invented"):
            await sharing.share("a", work)
        return together

    assert [type(one) for one in asyncio.run(ask())] == [ValueError] * 3
