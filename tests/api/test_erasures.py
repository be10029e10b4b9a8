"""Erasing over HTTP: what is answered from then on, and the log."""

import hashlib
import json
import re
import time
import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from service.app import create_app
from service.pipeline import Rulebook
from service.settings import Settings
from service.store.evaluations import Store

REASON = "the customer asked for it"


@pytest.fixture
def visit(post: Callable[..., Any], example: bytes) -> Callable[..., Any]:
    """Keep a visit with these references."""

    def visit(account: Any, headers: dict[str, str] | None = None, site: str = "", **references: str) -> Any:
        body = json.loads(example) | references
        if site:
            body["site"] = body.get("site", {}) | {"reference": site}
        body = json.dumps(body).encode()
        made = post("/v1/evaluations", body, account.full | (headers or {}))
        assert made.status_code == 201, made.text
        return made

    return visit


@pytest.fixture
def erase(post: Callable[..., Any]) -> Callable[..., Any]:
    def erase(account: Any, **selection: str) -> Any:
        return post("/v1/erasures", {"selection": selection, "reason": REASON}, account.full)

    return erase


def gone(answer: Any) -> bool:
    if answer.status_code != 410:
        return False
    assert answer.json()["type"] == "/problems/erased"
    return True


def test_everything_under_what_was_erased_is_answered_410_and_the_rest_stays(
    client: TestClient[Litestar],
    post: Callable[..., Any],
    visit: Callable[..., Any],
    erase: Callable[..., Any],
    account: Any,
) -> None:
    someone = account()
    before = datetime.now(UTC)
    one = visit(someone, site="site-a", job_reference="job-1").headers["location"]
    other = visit(someone, site="site-b", job_reference="job-1").headers["location"]
    again = post(f"{one}/reassessments", {}, someone.full).headers["location"]
    erasure = erase(someone, kind="site", site_reference="site-a")
    assert erasure.status_code == 201, erasure.text
    body = erasure.json()
    assert (body["kind"], body["evaluations"], body["complete"], body["reason"]) == ("site", 1, True, REASON)
    assert body["selector_sha256"] == hashlib.sha256(b"site-a").hexdigest()
    assert "site-a" not in erasure.text
    assert before <= datetime.fromisoformat(body["created_at"]) <= datetime.now(UTC)
    keys = {line["id"] for line in client.get("/v1/erasures", headers=someone.full).json()["items"]}
    assert keys == {body["id"]}

    # Taken from the routes, so that a new one cannot be forgotten.
    known = {"evaluation_id": one.rpartition("/")[2], "reassessment_id": again.rpartition("/")[2]}
    paths = [
        re.sub(r"\{(\w+)\}", lambda name: known.get(name[1], str(uuid.uuid4())), route.path_format)
        for route in client.app.routes
        if "{evaluation_id}" in route.path_format and "GET" in getattr(route, "methods", ())
    ]
    assert {one, f"{one}/trace", f"{one}/revisions", f"{one}/reassessments", again, f"{one}/plots"} <= set(paths)
    for path in paths:
        answer = client.get(path, headers=someone.full)
        assert gone(answer), (path, answer.text)
        assert body["id"] in answer.json()["detail"]
    assert gone(post(f"{one}/reassessments", {}, someone.full))
    listed = client.get("/v1/evaluations?job_reference=job-1", headers=someone.full).json()["items"]
    assert [item["id"] for item in listed] == [other.rpartition("/")[2]]
    assert client.get(other, headers=someone.full).status_code == 200


def test_a_correction_of_what_was_erased_is_refused(
    post: Callable[..., Any], visit: Callable[..., Any], erase: Callable[..., Any], example: bytes, account: Any
) -> None:
    someone = account()
    one = visit(someone, job_reference="j-1").headers["location"]
    erase(someone, kind="job", job_reference="j-1")
    assert gone(post(f"{one}/revisions", b'{"reason": "x", "visit": ' + example + b"}", someone.full))


def test_a_request_sent_again_for_what_was_erased_is_answered_410(
    client: TestClient[Litestar],
    post: Callable[..., Any],
    visit: Callable[..., Any],
    erase: Callable[..., Any],
    account: Any,
) -> None:
    someone = account()
    key = {"idempotency-key": "job-77-first"}
    one = visit(someone, key, job_reference="job-77")
    beside = {**someone.full, "idempotency-key": "job-77-again"}
    assert post(f"{one.headers['location']}/reassessments", {}, beside).status_code == 201
    erase(someone, kind="evaluation", evaluation_id=one.json()["id"].upper())
    answer = post("/v1/evaluations", one.request.content, someone.full | key)
    assert gone(answer), answer.text
    assert gone(post(f"{one.headers['location']}/reassessments", {}, beside))
    other = post("/v1/evaluations", one.request.content + b" ", someone.full | key)
    assert (other.status_code, other.json()["type"]) == (422, "/problems/idempotency_key_reused")
    assert client.get("/v1/evaluations", headers=someone.full).json() == {"items": []}


def test_the_log_is_told_page_by_page_and_each_by_its_id(
    client: TestClient[Litestar], visit: Callable[..., Any], erase: Callable[..., Any], account: Any
) -> None:
    someone = account()
    made = [erase(someone, kind="job", job_reference=f"none-{n}") for n in range(3)]
    assert [one.json()["evaluations"] for one in made] == [0, 0, 0]
    first = client.get("/v1/erasures?limit=2", headers=someone.full)
    assert first.headers["link"] == f'</v1/erasures?limit=2&cursor={first.json()["next_cursor"]}>; rel="next"'
    rest = client.get(f"/v1/erasures?limit=2&cursor={first.json()['next_cursor']}", headers=someone.full).json()
    assert "next_cursor" not in rest
    assert first.json()["items"] + rest["items"] == [one.json() for one in reversed(made)]
    for one in made:
        read = client.get(one.headers["location"], headers=someone.full)
        assert read.json() == one.json()
        held = client.get(one.headers["location"], headers=someone.full | {"if-none-match": read.headers["etag"]})
        assert held.status_code == 304


def test_no_other_account_erases_or_sees_what_was_erased(
    client: TestClient[Litestar],
    visit: Callable[..., Any],
    erase: Callable[..., Any],
    account: Any,
) -> None:
    someone, stranger = account(), account("Made-up Comfort")
    one = visit(someone, site="house-1")
    assert erase(stranger, kind="site", site_reference="house-1").json()["evaluations"] == 0
    assert erase(stranger, kind="evaluation", evaluation_id=one.json()["id"]).json()["evaluations"] == 0
    assert client.get(one.headers["location"], headers=someone.full).status_code == 200
    erasure = erase(someone, kind="site", site_reference="house-1")
    refused = client.get(one.headers["location"], headers=stranger.full)
    never_was = client.get(f"/v1/evaluations/{uuid.uuid4()}", headers=stranger.full)
    assert refused.status_code == never_was.status_code == 404
    assert refused.json() | {"request_id": ""} == never_was.json() | {"request_id": ""}
    assert client.get(erasure.headers["location"], headers=stranger.full).status_code == 404
    assert erasure.json()["id"] not in client.get("/v1/erasures", headers=stranger.full).text


def test_erasing_needs_a_key_that_manages_the_account(
    client: TestClient[Litestar], post: Callable[..., Any], ours: Any
) -> None:
    body = {"selection": {"kind": "site", "site_reference": "a"}, "reason": REASON}
    for account in (ours.reading, ours.writing):
        assert post("/v1/erasures", body, account).status_code == 403
        assert client.get("/v1/erasures", headers=account).status_code == 403
        assert client.get(f"/v1/erasures/{uuid.uuid4()}", headers=account).status_code == 403


@pytest.mark.parametrize(
    ("body", "pointers"),
    [
        ({}, {"#/selection", "#/reason"}),
        ({"selection": {}, "reason": ""}, {"#/selection/kind", "#/reason"}),
        ({"selection": {"kind": "everything"}, "reason": "x"}, {"#/selection/kind"}),
        ({"selection": {"kind": "site", "job_reference": "a"}, "reason": "x"},
         {"#/selection/site_reference", "#/selection/job_reference"}),
        ({"selection": {"kind": "evaluation", "evaluation_id": "not-one"}, "reason": "x"},
         {"#/selection/evaluation_id"}),
        ({"selection": {"kind": "site", "site_reference": "a b"}, "reason": "x" * 2001},
         {"#/selection/site_reference", "#/reason"}),
    ],
)  # fmt: skip
def test_nothing_is_erased_by_a_request_that_is_not_clear(
    client: TestClient[Litestar], post: Callable[..., Any], account: Any, body: Any, pointers: set[str]
) -> None:
    someone = account()
    refused = post("/v1/erasures", body, someone.full)
    assert refused.status_code == 422
    assert {fault["pointer"] for fault in refused.json()["errors"]} == pointers
    assert client.get("/v1/erasures", headers=someone.full).json() == {"items": []}


def test_a_serving_process_sweeps_by_itself(
    client: TestClient[Litestar],
    visit: Callable[..., Any],
    account: Any,
    database_url: str,
    database_server: Any,
    rulebook: Rulebook,
) -> None:
    someone = account()
    old, young = (visit(someone).headers["location"] for _ in range(2))
    with psycopg.connect(database_server.superuser_url) as connection:
        (tenant,) = connection.execute(
            "UPDATE airside.evaluations SET created_at = %s WHERE evaluation_id = %s RETURNING tenant_id",
            (datetime.now(UTC) - timedelta(days=8), old.rpartition("/")[2]),
        ).fetchone() or (None,)
        connection.execute("UPDATE airside.tenants SET retention_days = 7 WHERE tenant_id = %s", (tenant,))
    store = Store(database_url, pool_size=1)
    sweeping = create_app(Settings(database_url=database_url), rulebook, store, sweep_every=0.05)
    with TestClient(sweeping) as process:
        until = time.monotonic() + 20
        while not gone(process.get(old, headers=someone.full)):
            assert time.monotonic() < until
            time.sleep(0.05)
    assert client.get(young, headers=someone.full).status_code == 200
    (entry,) = client.get("/v1/erasures", headers=someone.full).json()["items"]
    assert (entry["kind"], entry["evaluations"]) == ("retention", 1)
    assert not {"reason", "key_id", "selector_sha256"} & entry.keys()
