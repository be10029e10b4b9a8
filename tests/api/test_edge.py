"""What every exchange gets: request id, trace context, security headers, HEAD, OPTIONS, one log line."""

import json
import logging
from typing import Any

import pytest
from litestar import Litestar
from litestar.testing import TestClient

from service.api.access import KeyRing
from service.api.exchange import accepts, best_accepted


@pytest.mark.parametrize("given", ["visit-7.a_B", "0", "x" * 64])
def test_a_request_id_is_taken_over(client: TestClient[Litestar], given: str) -> None:
    assert client.get("/health/live", headers={"x-request-id": given}).headers["x-request-id"] == given


@pytest.mark.parametrize("given", ["", "a b", "x" * 65, "-x", "<script>", "é"])
def test_another_request_id_is_made(client: TestClient[Litestar], given: str) -> None:
    made = client.get("/health/live", headers=[(b"x-request-id", given.encode())]).headers["x-request-id"]
    assert made != given
    assert len(made) == 32


def test_each_request_has_an_id_of_its_own(client: TestClient[Litestar]) -> None:
    assert len({client.get("/health/live").headers["x-request-id"] for _ in range(20)}) == 20


def test_a_trace_context_is_echoed_if_it_is_one(client: TestClient[Litestar]) -> None:
    """Examples of W3C Trace Context, 3.2.2: a valid field, and ids of zeros, upper case and version ff."""
    valid = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"
    assert client.get("/health/live", headers={"traceparent": valid}).headers["traceparent"] == valid
    for invalid in (
        "00-00000000000000000000000000000000-00f067aa0ba902b7-01",
        "00-4bf92f3577b34da6a3ce929d0e0e4736-0000000000000000-01",
        valid.upper(),
        "ff" + valid[2:],
        valid + "-00",
    ):
        assert "traceparent" not in client.get("/health/live", headers={"traceparent": invalid}).headers


def test_both_ids_are_kept_with_an_evaluation(
    client: TestClient[Litestar], application: Litestar, ours: Any, example: bytes
) -> None:
    trace = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"
    headers = {"content-type": "application/json", "x-request-id": "kept-1", "traceparent": trace, **ours.full}
    created = client.post("/v1/evaluations", content=example, headers=headers).json()
    serving = application.state.service

    async def fetch() -> Any:
        tenant = await serving.store.authenticate(ours.full["authorization"].partition(" ")[2])
        return await serving.store.fetch(tenant.tenant_id, created["id"])

    with client.portal() as portal:
        stored = portal.call(fetch)
    assert stored.request == example
    assert (stored.request_id, stored.trace_parent) == ("kept-1", trace)


@pytest.mark.parametrize(
    "path", ["/health/live", "/v1/rulesets", "/docs", "/openapi.json", "/nothing", "/v1/evaluations"]
)
def test_security_header_fields_are_on_every_answer(client: TestClient[Litestar], path: str) -> None:
    fields = client.get(path).headers
    assert fields["x-content-type-options"] == "nosniff"
    assert fields["referrer-policy"] == "no-referrer"
    assert fields["content-security-policy"].startswith("default-src 'none'")
    assert "frame-ancestors 'none'" in fields["content-security-policy"]
    assert fields["cross-origin-resource-policy"] == "same-origin"
    assert "cache-control" in fields
    assert "server" not in fields
    assert not [name for name in fields if name.startswith("access-control-")]


@pytest.mark.parametrize("path", ["/health/live", "/v1/rulesets", "/docs", "/openapi.json", "/nothing"])
def test_head_is_get_without_the_body(client: TestClient[Litestar], path: str) -> None:
    got, asked = client.get(path), client.head(path)
    assert asked.status_code == got.status_code
    assert asked.content == b""
    varying = {"x-request-id"}
    assert {k: v for k, v in asked.headers.items() if k not in varying} == {
        k: v for k, v in got.headers.items() if k not in varying
    }


@pytest.mark.parametrize(
    ("path", "methods"),
    [
        ("/v1/evaluations", "GET, HEAD, OPTIONS, POST"),
        ("/v1/evaluations/preview", "OPTIONS, POST"),
        ("/health/live", "GET, HEAD, OPTIONS"),
    ],
)
def test_the_methods_of_an_address_are_listed(client: TestClient[Litestar], path: str, methods: str) -> None:
    assert client.options(path).status_code == 204
    assert client.options(path).headers["allow"] == methods
    assert client.put(path).headers["allow"] == methods


@pytest.mark.parametrize(
    ("field", "accepted"),
    [
        ("", True),
        ("*/*", True),
        ("application/*", True),
        ("application/json", True),
        ("APPLICATION/JSON", True),
        ("text/html, application/json;q=0.1", True),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", True),
        ("application/json;charset=utf-8", True),
        ("text/html", False),
        ("application/problem+json", False),
        ("application/json;q=0", False),
        ("*/*;q=1, application/json;q=0.0", False),
        ("application/*;q=0, */*", False),
        (",;/", False),
    ],
)
def test_media_types_are_negotiated(field: str, accepted: bool) -> None:
    """RFC 9110, 12.5.1: the most specific range that matches decides; a weight of zero excludes."""
    assert accepts(field, "application/json") is accepted


def test_one_line_a_request_goes_to_the_log_without_secrets(
    client: TestClient[Litestar], ours: Any, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logging.getLogger("airside.requests"), "propagate", True)
    with caplog.at_level(logging.INFO, "airside.requests"):
        client.get(
            "/v1/evaluations?job_reference=secret-job", headers={**ours.full, "x-request-id": "line-1", "cookie": "c=1"}
        )
        client.get("/secret-path")
    first, second = [json.loads(record.message) for record in caplog.records if record.name == "airside.requests"]
    assert first["request_id"] == "line-1"
    assert first["route"] == "/v1/evaluations"
    assert first["status"] == 200
    assert first["method"] == "GET"
    assert first["tenant_id"]
    assert first["milliseconds"] > 0
    assert (second["status"], second["problem"], second.get("route")) == (404, "not_found", None)
    text = "".join(record.message for record in caplog.records if record.name == "airside.requests")
    for secret in ("secret", "ak_", "Bearer", "cookie"):
        assert secret not in text


def test_a_fault_is_logged_with_its_place_not_its_words(
    client: TestClient[Litestar],
    ours: Any,
    example: bytes,
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fail(*_: object) -> Any:
        raise RuntimeError("secret words")

    monkeypatch.setattr("service.api.evaluations.evaluate", fail)
    monkeypatch.setattr(logging.getLogger("airside.requests"), "propagate", True)
    with caplog.at_level(logging.INFO, "airside.requests"):
        answer = client.post(
            "/v1/evaluations", content=example, headers={"content-type": "application/json", **ours.full}
        )
    (line,) = [json.loads(record.message) for record in caplog.records if record.name == "airside.requests"]
    assert line["request_id"] == answer.json()["request_id"]
    assert (line["level"], line["fault"]) == ("error", "RuntimeError")
    assert any("create_evaluation" in frame for frame in line["trace"])
    assert "secret words" not in json.dumps(line)


def test_a_revoked_key_works_no_longer_than_it_is_remembered(
    client: TestClient[Litestar], database_url: str, application: Litestar
) -> None:
    from service.store.keys import create_key, create_tenant, revoke_key

    made = create_key(database_url, create_tenant(database_url, "Invented"), "test")
    headers = {"authorization": f"bearer {made.secret}"}
    assert client.get("/v1/evaluations", headers=headers).status_code == 200
    assert revoke_key(database_url, made.key_id)
    keys: KeyRing = application.state.service.keys
    keys._known = {digest: (tenant, 0.0, until) for digest, (tenant, _, until) in keys._known.items()}
    assert client.get("/v1/evaluations", headers=headers).status_code == 401


def test_the_number_of_remembered_keys_is_bounded(
    client: TestClient[Litestar], application: Litestar, ours: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.api.access.MOST_REMEMBERED", 2)
    keys: KeyRing = application.state.service.keys
    keys._known.clear()
    for key in (ours.full, ours.reading, ours.writing, ours.full):
        client.get("/v1/evaluations", headers=key)
    assert len(keys._known) == 2
    for _ in range(5):
        client.get("/v1/evaluations", headers={"authorization": "Bearer ak_" + "x" * 43})
    assert len(keys._known) == 2


@pytest.mark.parametrize(
    ("field", "best"),
    [
        ("", "text/html"),
        ("*/*", "text/html"),
        ("application/pdf", "application/pdf"),
        ("text/html;q=0.4, application/pdf;q=0.5", "application/pdf"),
        ("text/*;q=0.5, application/pdf;q=0.5", "text/html"),
        ("image/png", None),
        ("text/html;q=0, */*;q=0.1", "application/pdf"),
    ],
)
def test_of_several_media_types_the_one_that_weighs_most_is_answered(field: str, best: str | None) -> None:
    """RFC 9110, 12.5.1; of equals the first on offer."""
    assert best_accepted(field, ["text/html", "application/pdf"]) == best
