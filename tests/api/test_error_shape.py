"""Every way to fail, and the one shape that all of them have."""

import asyncio
import json
import uuid
from collections.abc import Awaitable, Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from service.api import problems
from service.api.problems import KINDS
from service.app import create_app
from service.model.record import StoredEvaluation
from service.pipeline import Rulebook
from service.settings import Settings
from service.store.database import new_id
from service.store.embedded import EmbeddedServer
from service.store.evaluations import Store
from service.store.keys import create_key, create_tenant
from service.store.migrate import migrate
from service.store.webhooks import MOST_WEBHOOKS

MARK = "zz-echo-7"
"""Sent wherever a client may send text; it must come back nowhere."""

JSON = {"content-type": "application/json"}
NOBODY = str(uuid.UUID(int=7 << 76 | 2 << 62))


def assert_problem(status: int, headers: Any, body: bytes, code: str) -> dict[str, Any]:
    """The shape of every error."""
    assert status == KINDS[code].status
    assert headers["content-type"] == "application/problem+json"
    assert headers["cache-control"] == "no-store"
    problem: dict[str, Any] = json.loads(body)
    assert problem.keys() <= {"type", "title", "status", "detail", "errors", "request_id", "retry_after"}
    assert problem["type"] == f"/problems/{code}"
    assert problem["title"] == KINDS[code].title
    assert problem["status"] == status
    assert problem["detail"]
    assert problem["request_id"] == headers["x-request-id"]
    for fault in problem.get("errors", []):
        assert fault.keys() <= {"pointer", "parameter", "code", "detail", "accepted"}
    assert MARK not in body.decode()
    assert "Traceback" not in body.decode()
    assert all(MARK not in value for value in headers.values())
    assert ("retry-after" in headers) == (status == 503) == ("retry_after" in problem)
    assert ("www-authenticate" in headers) == (status in (401, 403))
    assert ("allow" in headers) == (status == 405)
    return problem


WAYS: list[tuple[str, str, str, str | None, dict[str, str], bytes, str]] = [
    # name, method, path, which key, header fields, body, code
    ("empty body", "POST", "/v1/evaluations", "full", JSON, b"", "not_well_formed"),
    ("broken JSON", "POST", "/v1/evaluations/preview", "full", JSON, b'{"' + MARK.encode(), "not_well_formed"),
    ("stray byte", "POST", "/v1/evaluations", "full", JSON, b'{"' + MARK.encode() + b'": "\xff"}', "not_well_formed"),
    ("deep nesting", "POST", "/v1/evaluations", "full", JSON, b"[" * 60_000, "not_well_formed"),
    ("half a surrogate", "POST", "/v1/evaluations", "full", JSON, b'{"a": "\\ud800"}', "not_well_formed"),
    ("no key", "GET", f"/v1/evaluations?cursor={MARK}", None, {}, b"", "key_refused"),
    ("no key, preview", "POST", "/v1/evaluations/preview", None, JSON, b"{}", "key_refused"),
    ("not a key", "GET", "/v1/evaluations", None, {"authorization": f"Bearer {MARK}"}, b"", "key_refused"),
    ("unknown key", "GET", "/v1/evaluations", None, {"authorization": f"Bearer ak_{'a' * 43}"}, b"", "key_refused"),
    ("other scheme", "GET", "/v1/evaluations", None, {"authorization": f"Basic {MARK}"}, b"", "key_refused"),
    ("long key", "GET", "/v1/evaluations", None, {"authorization": f"Bearer {'k' * 8000}"}, b"", "key_refused"),
    ("reading key writes", "POST", "/v1/evaluations", "reading", JSON, b"{}", "scope_missing"),
    ("writing key reads", "GET", "/v1/evaluations", "writing", {}, b"", "scope_missing"),
    ("no such address", "GET", f"/v1/{MARK}", None, {}, b"", "not_found"),
    ("no such address, posted", "POST", f"/{MARK}?{MARK}", None, JSON, b"{}", "not_found"),
    ("dots in the path", "GET", "/docs/..%2f..%2fsettings.py", None, {}, b"", "not_found"),
    ("NUL in the path", "GET", "/v1/rulesets/%00", None, {}, b"", "not_found"),
    ("no such evaluation", "GET", f"/v1/evaluations/{NOBODY}", "full", {}, b"", "not_found"),
    ("not an id", "GET", f"/v1/evaluations/{MARK}", "full", {}, b"", "not_found"),
    ("no such ruleset", "GET", f"/v1/rulesets/{MARK}", None, {}, b"", "not_found"),
    ("no such problem", "GET", f"/problems/{MARK}", None, {}, b"", "not_found"),
    ("no such file", "GET", f"/docs/{MARK}", None, {}, b"", "not_found"),
    ("made-up cursor", "GET", f"/v1/evaluations?cursor={'A' * 32}", "full", {}, b"", "cursor_unknown"),
    ("wrong method", "DELETE", "/v1/evaluations", "full", {}, b"", "method_not_allowed"),
    ("unusual method", "TRACE", "/health/live", None, {}, b"", "method_not_allowed"),
    ("invented method", "BREW", "/v1/rulesets", None, {}, b"", "method_not_allowed"),
    ("other Accept", "GET", "/v1/rulesets", None, {"accept": f"text/html, {MARK}/x"}, b"", "not_acceptable"),
    ("JSON excluded", "GET", "/v1/rulesets", None, {"accept": "*/*, application/json;q=0"}, b"", "not_acceptable"),
    ("private target", "POST", "/v1/webhooks", "full", JSON,
     b'{"url": "https://127.0.0.1/' + MARK.encode() + b'", "events": ["outcome.reported"]}', "target_refused"),
    ("unknown language", "PUT", "/v1/account", "full", JSON, b'{"language": "' + MARK.encode() + b'"}',
     "settings_refused"),
    ("settings of another time", "PUT", "/v1/account", "full", JSON | {"if-match": f'"{MARK}"'}, b"{}",
     "changed_meanwhile"),
    ("key that has ended", "POST", "/v1/account/keys", "full", JSON,
     b'{"label": "' + MARK.encode() + b'", "scopes": ["evaluations:read"], "expires_at": "2020-01-01T00:00:00Z"}',
     "key_not_made"),
    ("too large", "POST", "/v1/evaluations", "full", JSON, b'"' + b"a" * 70_000 + b'"', "body_too_large"),
    ("no type", "POST", "/v1/evaluations", "full", {}, b"{}", "unsupported_media_type"),
    ("other type", "POST", "/v1/evaluations", "full", {"content-type": MARK}, b"{}", "unsupported_media_type"),
    ("form", "POST", "/v1/evaluations/preview", "full", {"content-type": "multipart/form-data"}, b"{}",
     "unsupported_media_type"),
    ("compressed", "POST", "/v1/evaluations", "full", JSON | {"content-encoding": "gzip"}, b"\x1f\x8b",
     "unsupported_media_type"),
    ("not the contract", "POST", "/v1/evaluations", "full", JSON, b'{"units": "' + MARK.encode() + b'"}',
     "request_refused"),
    ("unknown parameter", "GET", f"/v1/evaluations?{MARK}={MARK}", "full", {}, b"", "request_refused"),
    ("parameter twice", "GET", "/v1/evaluations?limit=1&limit=2", "full", {}, b"", "request_refused"),
    ("faulty parameter", "GET", f"/v1/evaluations/{NOBODY}?units={MARK}", "full", {}, b"", "request_refused"),
    ("parameter where none is", "POST", f"/v1/evaluations?{MARK}=1", "full", JSON, b"{}", "request_refused"),
    ("parameter of an open read", "GET", f"/v1/procedures?{MARK}=1", None, {}, b"", "request_refused"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("method", "path", "key", "headers", "body", "code"), [way[1:] for way in WAYS], ids=[way[0] for way in WAYS]
)
def test_a_request_that_fails_gets_a_problem(
    client: TestClient[Litestar],
    ours: Any,
    method: str,
    path: str,
    key: str | None,
    headers: dict[str, str],
    body: bytes,
    code: str,
) -> None:
    fields = {**(getattr(ours, key) if key else {}), **headers, "user-agent": MARK}
    answer = client.request(method, path, headers=fields, content=body)
    assert_problem(answer.status_code, answer.headers, answer.content, code)


def in_loop(client: TestClient[Litestar], call: Callable[[], Awaitable[Any]]) -> Any:
    """Run a coroutine in the loop that the application runs in."""
    with client.portal() as portal:
        return portal.call(call)


def ask(
    client: TestClient[Litestar], headers: dict[str, str], receive: Callable[[], Awaitable[Any]]
) -> tuple[int, dict[str, str], bytes]:
    """Post to the application without a client in between that would mend the request."""
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def run() -> None:
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": "POST",
            "scheme": "http",
            "path": "/v1/evaluations/preview",
            "raw_path": b"/v1/evaluations/preview",
            "root_path": "",
            "query_string": b"",
            "headers": [(name.encode(), value.encode()) for name, value in (JSON | headers).items()],
            "client": ("127.0.0.1", 1),
            "server": ("127.0.0.1", 2),
        }
        await client.app(scope, receive, send)  # type: ignore[arg-type]

    in_loop(client, run)
    fields = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
    return sent[0]["status"], fields, b"".join(message.get("body", b"") for message in sent[1:])


def test_a_body_that_does_not_arrive_in_time(client: TestClient[Litestar], ours: Any) -> None:
    async def receive() -> dict[str, Any]:
        await asyncio.sleep(0.1)
        return {"type": "http.request", "body": b" ", "more_body": True}

    status, headers, body = ask(client, ours.full, receive)
    assert_problem(status, headers, body, "body_too_slow")
    assert headers["connection"] == "close"


def test_a_body_in_pieces_that_grows_too_large(client: TestClient[Litestar], ours: Any) -> None:
    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b" " * 10_000, "more_body": True}

    assert_problem(*ask(client, ours.full, receive), "body_too_large")


def test_a_length_that_is_no_number(client: TestClient[Litestar], ours: Any) -> None:
    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"{}", "more_body": False}

    assert_problem(*ask(client, ours.full | {"content-length": MARK}, receive), "bad_request")


def test_a_client_that_goes_away_is_no_fault_of_ours(client: TestClient[Litestar], ours: Any) -> None:
    async def receive() -> dict[str, Any]:
        return {"type": "http.disconnect"}

    assert_problem(*ask(client, ours.full, receive), "bad_request")


def test_an_evaluation_of_a_ruleset_that_is_not_installed(
    client: TestClient[Litestar], database_url: str, application: Litestar
) -> None:
    tenant = create_tenant(database_url, "Invented")
    key = {"authorization": f"Bearer {create_key(database_url, tenant, 'test').secret}"}
    kept = StoredEvaluation(
        evaluation_id=new_id(),
        created_at=datetime.now(UTC),
        ruleset_version="0.0.1",
        ruleset_digest="0" * 64,
        units="ip",
        request=b"{}",
        evaluation=b"{}",
    )
    in_loop(client, lambda: application.state.service.store.keep(tenant, kept))
    for path in ("", "/trace"):
        answer = client.get(f"/v1/evaluations/{kept.evaluation_id}{path}", headers=key)
        assert_problem(answer.status_code, answer.headers, answer.content, "ruleset_not_installed")
    version = application.state.service.rulebook.names[0]
    gone = msgspec.structs.replace(kept, evaluation_id=new_id(), ruleset_version=version)
    in_loop(client, lambda: application.state.service.store.keep(tenant, gone))
    for path in ("", "/trace"):
        answer = client.get(f"/v1/evaluations/{gone.evaluation_id}{path}", headers=key)
        assert_problem(answer.status_code, answer.headers, answer.content, "kept_visit_unreadable")


def fail(*_: object) -> Any:
    raise RuntimeError(MARK)


def test_a_fault_of_ours(
    client: TestClient[Litestar], ours: Any, example: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.api.evaluations.evaluate", fail)
    answer = client.post("/v1/evaluations/preview", content=example, headers=JSON | ours.full)
    assert_problem(answer.status_code, answer.headers, answer.content, "internal_fault")


def test_a_fault_while_answering_a_problem(client: TestClient[Litestar], monkeypatch: pytest.MonkeyPatch) -> None:
    """The framework lets it through; the edge does not."""
    monkeypatch.setattr(problems, "problem_of", fail)
    answer = client.get(f"/{MARK}")
    assert_problem(answer.status_code, answer.headers, answer.content, "internal_fault")


def test_a_number_that_is_not_finite_is_a_fault_never_null(
    client: TestClient[Litestar], ours: Any, example: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    from service.wire.render import result

    def broken(*arguments: Any) -> Any:
        whole = result(*arguments)
        value = msgspec.structs.replace(whole.quantities[0].value, value=float("nan"))
        return msgspec.structs.replace(
            whole, quantities=[msgspec.structs.replace(whole.quantities[0], value=value), *whole.quantities[1:]]
        )

    monkeypatch.setattr("service.api.evaluations.result", broken)
    answer = client.post("/v1/evaluations/preview", content=example, headers=JSON | ours.full)
    assert_problem(answer.status_code, answer.headers, answer.content, "internal_fault")


@pytest.fixture
def outage(tmp_path: Path, rulebook: Rulebook) -> Iterator[tuple[TestClient[Litestar], EmbeddedServer, dict[str, str]]]:
    """An application whose database may be stopped."""
    server = EmbeddedServer(tmp_path / "db")
    url = server.start()
    try:
        migrate(url)
        key = {"authorization": f"Bearer {create_key(url, create_tenant(url, 'Invented'), 'test').secret}"}
        store = Store(url, pool_size=2, seconds=1.0)
        with TestClient(create_app(Settings(database_url=url), rulebook, store)) as client:
            yield client, server, key
    finally:
        server.stop()


def test_without_the_database(
    outage: tuple[TestClient[Litestar], EmbeddedServer, dict[str, str]], example: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What needs it is refused with a time to try again; what does not goes on; no restart is needed afterwards."""
    client, server, key = outage
    assert client.get("/health/ready").status_code == 200
    assert client.post("/v1/evaluations/preview", content=example, headers=JSON | key).status_code == 200
    server.stop()

    for method, path, body in (
        ("POST", "/v1/evaluations", example),
        ("GET", "/v1/evaluations", b""),
        ("GET", f"/v1/evaluations/{NOBODY}", b""),
        ("GET", f"/v1/evaluations/{NOBODY}/trace", b""),
        ("GET", "/health/ready", b""),
    ):
        answer = client.request(method, path, content=body, headers=JSON | key)
        problem = assert_problem(answer.status_code, answer.headers, answer.content, "database_unavailable")
        assert int(answer.headers["retry-after"]) == problem["retry_after"] >= 1
    assert client.get("/health/live").status_code == 200
    assert client.get("/v1/rulesets").status_code == 200

    # A key that was seen lately still opens the preview, also once it would have to be confirmed; others do not.
    keys = client.app.state.service.keys
    keys._known = {digest: (tenant, 0.0, until) for digest, (tenant, _, until) in keys._known.items()}
    assert client.post("/v1/evaluations/preview", content=example, headers=JSON | key).status_code == 200
    stranger = {"authorization": f"Bearer ak_{'b' * 43}"}
    answer = client.post("/v1/evaluations/preview", content=example, headers=JSON | stranger)
    assert_problem(answer.status_code, answer.headers, answer.content, "database_unavailable")
    keys._known = {digest: (tenant, 0.0, 0.0) for digest, (tenant, _, _) in keys._known.items()}
    answer = client.post("/v1/evaluations/preview", content=example, headers=JSON | key)
    assert_problem(answer.status_code, answer.headers, answer.content, "database_unavailable")

    server.start()
    for _ in range(100):
        if client.get("/health/ready").status_code == 200:
            break
    assert client.post("/v1/evaluations", content=example, headers=JSON | key).status_code == 201


def test_webhooks_that_cannot_be(client: TestClient[Litestar], account: Any) -> None:
    owner = account().full
    body = {"url": f"https://dispatch.example.com/{MARK}", "events": ["outcome.reported"], "enabled": False}
    made = [client.post("/v1/webhooks", json=body, headers=owner) for _ in range(MOST_WEBHOOKS + 1)]
    assert_problem(made[-1].status_code, made[-1].headers, made[-1].content, "too_many_webhooks")
    answer = client.post(f"{made[0].headers['location']}/pings", headers=owner)
    assert_problem(answer.status_code, answer.headers, answer.content, "webhook_disabled")


def test_another_request_under_a_key_that_was_used(client: TestClient[Litestar], ours: Any, example: bytes) -> None:
    headers = JSON | ours.full | {"idempotency-key": f"{MARK}-used"}
    assert client.post("/v1/evaluations", content=example, headers=headers).status_code == 201
    answer = client.post("/v1/evaluations", content=example + b"\n", headers=headers)
    assert_problem(answer.status_code, answer.headers, answer.content, "idempotency_key_reused")


def test_what_was_corrected_is_corrected_no_more(client: TestClient[Litestar], ours: Any, example: bytes) -> None:
    made = client.post("/v1/evaluations", content=example, headers=JSON | ours.full)
    body = b'{"reason": "' + MARK.encode() + b'", "visit": ' + example + b"}"
    address = f"{made.headers['location']}/revisions"
    first = client.post(address, content=body, headers=JSON | ours.full)
    answer = client.post(address, content=body, headers=JSON | ours.full)
    problem = assert_problem(answer.status_code, answer.headers, answer.content, "superseded")
    assert problem["detail"].endswith(first.headers["location"])
    assert answer.headers["link"] == f'<{first.headers["location"]}>; rel="successor-version"'


def test_what_was_erased_is_gone(client: TestClient[Litestar], account: Any, example: bytes) -> None:
    owner = account().full
    made = client.post("/v1/evaluations", content=example, headers=JSON | owner)
    selection = {"kind": "evaluation", "evaluation_id": made.json()["id"]}
    body = {"selection": selection, "reason": MARK}
    assert client.post("/v1/erasures", json=body, headers=owner).status_code == 201
    answer = client.get(made.headers["location"], headers=owner)
    assert_problem(answer.status_code, answer.headers, answer.content, "erased")


def test_every_kind_of_problem_is_met_in_this_file() -> None:
    met = {way[-1] for way in WAYS}
    met |= {"body_too_slow", "bad_request", "ruleset_not_installed", "internal_fault", "database_unavailable"}
    met |= {"kept_visit_unreadable", "too_many_webhooks", "webhook_disabled"}
    met |= {"kept_visit_unreadable", "idempotency_key_reused", "superseded", "erased"}
    met |= {"visits_not_comparable", "finding_not_there"}  # in the tests of comparisons and of outcomes
    met |= {"key_in_use"}  # in the tests of the account
    assert met == set(KINDS)
