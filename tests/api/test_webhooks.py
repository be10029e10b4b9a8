"""Webhooks over HTTP: made, changed, tried out, seen, replayed; kept to their account."""

import inspect
import json
import time
import uuid

import pytest
from litestar.testing import TestClient
from standardwebhooks import Webhook as Verifier

from service.app import application, create_app
from service.notify.sender import Sending
from service.settings import Settings
from service.store.evaluations import Store
from service.store.webhooks import MOST_WEBHOOKS
from tests.notify.receiver import Receiver

ASKED = {"url": "https://dispatch.example.com/airside", "events": ["evaluation.created", "evaluations.erased"]}


@pytest.fixture
def made(account, post):
    """An account with a webhook."""
    owner = account()
    created = post("/v1/webhooks", {**ASKED, "label": "dispatch"}, owner.full)
    assert created.status_code == 201, created.text
    return owner, created.json(), created.headers


def test_the_secret_is_shown_once(client, made):
    owner, created, headers = made
    assert created["secret"].startswith("whsec_")
    assert headers["cache-control"] == "no-store"
    assert headers["location"] == f"/v1/webhooks/{created['id']}"
    read = client.get(headers["location"], headers=owner.full)
    assert read.json() == {name: value for name, value in created.items() if name != "secret"}
    assert read.json() | ASKED | {"label": "dispatch", "enabled": True, "failing": False} == read.json()
    assert client.get("/v1/webhooks", headers=owner.full).json() == {"items": [read.json()]}
    held = client.get(headers["location"], headers={**owner.full, "if-none-match": read.headers["etag"]})
    assert held.status_code == 304


def test_it_is_changed_as_a_whole(client, made):
    owner, created, headers = made
    body = {"url": "https://other.example.com/", "events": ["outcome.reported"] * 2, "enabled": False}
    changed = client.put(headers["location"], json=body, headers=owner.full)
    assert changed.status_code == 200
    assert changed.json() | body | {"events": ["outcome.reported"], "id": created["id"]} == changed.json()
    assert "label" not in changed.json()
    assert client.get(headers["location"], headers=owner.full).json() == changed.json()


def test_it_is_removed(client, made):
    owner, _, headers = made
    removed = client.delete(headers["location"], headers=owner.full)
    assert (removed.status_code, removed.content) == (204, b"")
    assert client.get(headers["location"], headers=owner.full).status_code == 404
    assert client.delete(headers["location"], headers=owner.full).status_code == 404


@pytest.mark.parametrize(
    ("change", "pointer", "code"),
    [
        ({"url": "ftp://dispatch.example.com/"}, "#/url", "pattern"),
        ({"url": "https://user@dispatch.example.com/"}, "#/url", "pattern"),
        ({"url": "https://dispatch.example.com/#part"}, "#/url", "pattern"),
        ({"url": "https://dispatch.example.com/a b"}, "#/url", "pattern"),
        ({"url": "https://dispatch.example.com/\n"}, "#/url", "pattern"),
        ({"url": "https://dispatch.example.com/" + "a" * 2000}, "#/url", "too_long"),
        ({"events": []}, "#/events", "too_few"),
        ({"events": ["evaluation.read"]}, "#/events/0", "unknown_value"),
        ({"events": ["webhook.ping"]}, "#/events/0", "unknown_value"),
        ({"minimum_severity": "grave"}, "#/minimum_severity", "unknown_value"),
        ({"enabled": "yes"}, "#/enabled", "wrong_type"),
        ({"secret": "whsec_"}, "#/secret", "unknown_field"),
    ],
)
def test_what_does_not_match_the_contract_is_refused(post, ours, change, pointer, code):
    refused = post("/v1/webhooks", {**ASKED, **change}, ours.full)
    assert refused.status_code == 422
    assert [(fault["pointer"], fault["code"]) for fault in refused.json()["errors"]] == [(pointer, code)]


@pytest.mark.parametrize(
    "url", ["http://dispatch.example.com/", "https://127.0.0.1/", "https://[::1]:8443/", "https://localhost:8443/"]
)
def test_where_the_service_does_not_send_to_is_refused(client, post, made, url):
    owner, _, headers = made
    for refused in (
        post("/v1/webhooks", {**ASKED, "url": url}, owner.full),
        client.put(headers["location"], json={**ASKED, "url": url}, headers=owner.full),
    ):
        assert refused.status_code == 409
        assert refused.json()["type"] == "/problems/target_refused"
    assert client.get(headers["location"], headers=owner.full).json()["url"] == ASKED["url"]


def test_there_is_a_most_number(account, post):
    owner = account()
    statuses = [post("/v1/webhooks", ASKED, owner.full).status_code for _ in range(MOST_WEBHOOKS + 1)]
    assert statuses == [201] * MOST_WEBHOOKS + [409]


def test_another_accounts_and_a_smaller_keys_do_not_reach_it(client, post, made, theirs):
    owner, created, headers = made
    delivery = post(f"{headers['location']}/pings", b"", owner.full).json()
    calls = [
        ("GET", "", None), ("PUT", "", ASKED), ("DELETE", "", None), ("POST", "/secret-rotations", {}),
        ("POST", "/pings", None), ("POST", "/replays", {}), ("GET", "/deliveries", None),
        ("GET", f"/deliveries/{delivery['id']}", None), ("POST", f"/deliveries/{delivery['id']}/replays", None),
    ]  # fmt: skip
    for method, path, body in calls:
        answered = client.request(method, headers["location"] + path, json=body, headers=theirs.full)
        assert (answered.status_code, method, path) == (404, method, path)
        for key in (owner.reading, owner.writing):
            answered = client.request(method, headers["location"] + path, json=body, headers=key)
            assert (answered.status_code, method, path) == (403, method, path)
    assert created["id"] not in client.get("/v1/webhooks", headers=theirs.full).text
    assert client.get(headers["location"], headers=owner.full).status_code == 200
    unknown = f"{headers['location']}/deliveries/{uuid.uuid4()}"
    assert client.get(unknown, headers=owner.full).status_code == 404


def test_deliveries_are_seen_page_by_page(client, post, made, example):
    owner, created, headers = made
    kept = [post("/v1/evaluations", example, owner.full).json()["id"] for _ in range(3)]
    post(f"{headers['location']}/pings", b"", owner.full)
    path, seen = f"{headers['location']}/deliveries?limit=3&state=pending", []
    while path:
        page = client.get(path, headers=owner.full)
        assert page.status_code == 200
        seen += page.json()["items"]
        following = page.links.get("next", {}).get("url") if "link" in page.headers else None
        assert (following is None) == ("next_cursor" not in page.json())
        path = following
    assert [one.get("evaluation_id") for one in seen] == [None, *reversed(kept)]
    assert {(one["state"], one["attempts"], one["webhook_id"]) for one in seen} == {("pending", 0, created["id"])}
    assert client.get(f"{headers['location']}/deliveries?state=dead", headers=owner.full).json() == {"items": []}
    read = client.get(f"{headers['location']}/deliveries/{seen[0]['id']}", headers=owner.full)
    assert read.json() == seen[0] | {"tried": []}
    assert client.get(f"{headers['location']}/deliveries?cursor={'A' * 32}", headers=owner.full).status_code == 404


def test_a_disabled_webhook_is_not_tried_out(client, post, made):
    owner, _, headers = made
    client.put(headers["location"], json={**ASKED, "enabled": False}, headers=owner.full)
    refused = post(f"{headers['location']}/pings", b"", owner.full)
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/webhook_disabled")


@pytest.mark.parametrize("switch", ["on", "off"])
def test_an_operator_says_whether_serving_processes_send(monkeypatch, database_url, rulebook, switch):
    made, parameters = [], inspect.signature(create_app)
    monkeypatch.setattr("service.app.load", lambda **_: rulebook)
    monkeypatch.setattr("service.app.log_requests", lambda: None)
    monkeypatch.setattr("service.app.create_app", lambda *given: made.append(parameters.bind(*given).arguments))
    for variable, value in {
        "DATABASE_URL": database_url,
        "AIRSIDE_WEBHOOKS": switch,
        "AIRSIDE_WEBHOOK_RETRIES": "7,8",
        "AIRSIDE_WEBHOOK_SECONDS": "9",
        "AIRSIDE_WEBHOOK_PRIVATE_TARGETS": "allowed",
    }.items():
        monkeypatch.setenv(variable, value)
    application()
    (sending,) = (arguments["sending"] for arguments in made)
    expected = Sending(retries=(7.0, 8.0), seconds=9.0, private_targets=True)
    assert sending == (expected if switch == "on" else None)


def test_a_serving_process_sends(database_url, rulebook, account, example):
    """From the request that judges to the receiver, with the setting that allows a local target."""
    owner, receiver = account(), Receiver()
    settings = Settings(database_url=database_url, webhook_private_targets=True)
    sending = Sending(retries=(1.0,), private_targets=True, poll=0.05)
    application = create_app(settings, rulebook, Store(database_url, pool_size=2), sending)
    try:
        with TestClient(application) as client:
            asked = {"url": receiver.url, "events": ["evaluation.created", "evaluation.revised"]}
            created = client.post("/v1/webhooks", json=asked, headers=owner.full).json()
            rotated = client.post(f"/v1/webhooks/{created['id']}/secret-rotations", json={}, headers=owner.full).json()
            kept = client.post(
                "/v1/evaluations", content=example, headers={**owner.full, "content-type": "application/json"}
            ).json()
            correction = {"visit": json.loads(example), "reason": "an invented slip of the pen"}
            revised = client.post(f"/v1/evaluations/{kept['id']}/revisions", json=correction, headers=owner.full).json()
            deliveries = f"/v1/webhooks/{created['id']}/deliveries"
            for _ in range(200):
                delivered = client.get(f"{deliveries}?state=delivered", headers=owner.full).json()["items"]
                if len(delivered) == 2:
                    break
                time.sleep(0.05)
            assert [(one["event"], one["status"]) for one in delivered] == [
                ("evaluation.revised", 204), ("evaluation.created", 204)
            ]  # fmt: skip
            read = client.get(f"{deliveries}/{delivered[0]['id']}", headers=owner.full).json()
            assert [tried["status"] for tried in read["tried"]] == [204]
            replayed = client.post(f"{deliveries}/{delivered[0]['id']}/replays", headers=owner.full)
            assert replayed.status_code == 202
    finally:
        receiver.close()
    told = {}
    for got in receiver.got:
        for secret in (created["secret"], rotated["secret"]):
            event = Verifier(secret).verify(got.body, got.headers)
        told[event["type"]] = event["data"]
    assert told["evaluation.created"]["evaluation_id"] == kept["id"]
    assert told["evaluation.created"]["highest_severity"] == kept["result"]["highest_severity"]
    assert set(told["evaluation.created"]["findings"]) == {found["code"] for found in kept["result"]["findings"]}
    assert told["evaluation.revised"]["evaluation_id"] == revised["id"]
    assert told["evaluation.revised"]["supersedes"] == kept["id"]
    assert not any(b"invented" in got.body for got in receiver.got)
