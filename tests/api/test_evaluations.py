"""Judging, keeping, reading, listing; entity tags; tenants kept apart."""

import json
import uuid
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import quote

import pytest
from litestar import Litestar
from litestar.testing import TestClient

from service.api.routes import ROUTES


def kept(post: Callable[..., Any], body: bytes | dict[str, Any], account: Any) -> Any:
    answer = post("/v1/evaluations", body, account.full)
    assert answer.status_code == 201, answer.text
    return answer


def one_reading(**more: Any) -> dict[str, Any]:
    reading = {"kind": "static_pressure", "station": "supply_plenum", "value": {"value": 0.3, "unit": "inH2O"}}
    return {"readings": [reading], "equipment": {"arrangement": "furnace_with_cased_coil"}, **more}


def test_a_visit_is_judged_kept_and_read_back(
    client: TestClient[Litestar], post: Callable[..., Any], example: bytes, ours: Any
) -> None:
    created = kept(post, example, ours)
    body = created.json()
    assert created.headers["location"] == f"/v1/evaluations/{body['id']}"
    assert uuid.UUID(body["id"]).version == 7
    assert body["result"]["findings"]

    read = client.get(created.headers["location"], headers=ours.reading)
    assert read.status_code == 200
    assert read.content == created.content

    trace = client.get(f"{created.headers['location']}/trace", headers=ours.reading).json()
    assert trace["id"] == body["id"]
    assert trace["created_at"] == body["created_at"]
    assert len(trace["trace"]["request"]["readings"]) == len(json.loads(example)["readings"])
    numbers = {(quantity["name"], quantity["context"]["state"]) for quantity in body["result"]["quantities"]}
    assert numbers == {(quantity["name"], quantity["context"]["state"]) for quantity in trace["trace"]["quantities"]}


def test_a_preview_says_the_same_and_keeps_nothing(
    client: TestClient[Litestar], post: Callable[..., Any], example: bytes, account: Callable[..., Any]
) -> None:
    someone = account()
    preview = post("/v1/evaluations/preview", example, someone.full)
    assert preview.status_code == 200
    assert client.get("/v1/evaluations", headers=someone.full).json() == {"items": []}
    assert kept(post, example, someone).json()["result"] == preview.json()


def test_a_visit_with_one_reading_is_a_visit(post: Callable[..., Any], ours: Any) -> None:
    result = kept(post, one_reading(), ours).json()["result"]
    assert result["not_judged"]
    assert "null" not in json.dumps(result)


def test_the_unit_system_is_the_one_asked_for_else_the_accounts(
    client: TestClient[Litestar], post: Callable[..., Any], ours: Any, theirs: Any
) -> None:
    def units(answer: Any) -> str:
        return str(answer.json()["result"]["units"])

    assert units(kept(post, one_reading(), ours)) == "ip"
    assert units(kept(post, one_reading(), theirs)) == "si"
    asked = kept(post, one_reading(units="si"), ours)
    assert units(asked) == "si"
    address = asked.headers["location"]
    assert units(client.get(address, headers=ours.full)) == "si"
    assert units(client.get(f"{address}?units=ip", headers=ours.full)) == "ip"
    answered = post("/v1/evaluations/preview", one_reading(units="si"), ours.full).json()
    assert {quantity["value"]["unit"] for quantity in answered["quantities"]} <= {"Pa", "1", "%", "K", "hPa", "kg/m3"}


def test_a_ruleset_may_be_pinned(client: TestClient[Litestar], post: Callable[..., Any], ours: Any) -> None:
    version = client.get("/v1/rulesets").json()["items"][0]["version"]
    assert kept(post, one_reading(ruleset=version), ours).json()["result"]["ruleset"]["version"] == version


def test_what_cannot_be_used_is_set_aside_not_an_error(post: Callable[..., Any], ours: Any) -> None:
    visit = one_reading()
    visit["readings"].append({**visit["readings"][0], "station": "chimney"})
    (entry,) = kept(post, visit, ours).json()["result"]["set_aside"]
    assert entry["pointer"].startswith("#/readings/1")
    assert entry["remedy"]


def test_a_read_is_not_sent_again_to_who_holds_it(
    client: TestClient[Litestar], post: Callable[..., Any], ours: Any
) -> None:
    address = kept(post, one_reading(), ours).headers["location"]
    for path in (address, f"{address}/trace", "/v1/rulesets", "/v1/vocabulary/units", "/problems"):
        first = client.get(path, headers=ours.full)
        tag = first.headers["etag"]
        for field in (tag, f"W/{tag}", f'"other", {tag}', "*"):
            again = client.get(path, headers=ours.full | {"if-none-match": field})
            assert again.status_code == 304
            assert again.content == b""
            assert again.headers["etag"] == tag
        assert first.headers["cache-control"] == ("private, no-cache" if path.startswith(address) else "no-cache")
        assert client.get(path, headers=ours.full | {"if-none-match": '"other"'}).content == first.content
    other = client.get(f"{address}?units=si", headers=ours.full)
    assert other.headers["etag"] != client.get(f"{address}?units=ip", headers=ours.full).headers["etag"]


def test_pages_show_everything_once_newest_first(
    client: TestClient[Litestar], post: Callable[..., Any], account: Callable[..., Any]
) -> None:
    someone = account()
    made = [kept(post, one_reading(job_reference=f"job-{index}"), someone).json()["id"] for index in range(7)]
    seen: list[str] = []
    address: str | None = "/v1/evaluations?limit=3"
    sizes = []
    while address is not None:
        page = client.get(address, headers=someone.full)
        items = page.json()["items"]
        sizes.append(len(items))
        seen += [item["id"] for item in items]
        link = page.headers.get("link")
        assert (link is None) == ("next_cursor" not in page.json())
        address = link.removeprefix("<").partition(">")[0] if link else None
        if link:
            assert link.endswith('; rel="next"')
            assert "limit=3" in link
    assert sizes == [3, 3, 1]
    assert seen == made[::-1]


def test_a_listing_is_narrowed_by_each_filter(
    client: TestClient[Litestar], post: Callable[..., Any], example: bytes, account: Callable[..., Any]
) -> None:
    someone = account()
    plain = kept(post, one_reading(job_reference="a", site={"reference": "house"}), someone).json()
    visit = one_reading(job_reference="b")
    visit["equipment"]["reference"] = "unit:1"
    other = kept(post, visit, someone).json()
    serious = kept(post, example, someone).json()

    def listed(query: str) -> list[str]:
        return [item["id"] for item in client.get(f"/v1/evaluations?{query}", headers=someone.full).json()["items"]]

    assert listed("job_reference=a") == [plain["id"]]
    assert listed("site_reference=house") == [plain["id"]]
    assert listed("equipment_reference=unit%3A1") == [other["id"]]
    assert listed("job_reference=a&site_reference=elsewhere") == []
    assert listed(f"created_from={other['created_at']}") == [serious["id"], other["id"]]
    assert listed(f"created_before={other['created_at']}") == [plain["id"]]
    worst = serious["result"]["highest_severity"]
    assert serious["id"] in listed(f"minimum_severity={worst}")
    code = serious["result"]["findings"][0]["code"]
    assert serious["id"] in listed(f"finding={code}&minimum_severity={worst}")
    assert listed("finding=no_such_finding") == []
    label = json.loads(example)["equipment"]["label"]
    assert listed(f"words={quote(label.upper())}") == [serious["id"]]
    assert listed(f"words={quote(label)}+nowheresaid") == listed("words=%2C") == []
    version = plain["result"]["ruleset"]["version"]
    assert listed(f"ruleset_version={version}") == [serious["id"], other["id"], plain["id"]]
    assert listed("ruleset_version=0.0.0") == []
    taken = datetime.fromisoformat(json.loads(example)["visited_at"])
    after = quote((taken + timedelta(seconds=1)).isoformat())
    assert listed(f"visited_from={quote(taken.isoformat())}&visited_before={after}") == [serious["id"]]
    assert listed(f"visited_from={after}") == listed(f"visited_before={quote(taken.isoformat())}") == []
    assert set(listed("minimum_severity=note")) == {
        made["id"] for made in (plain, other, serious) if "highest_severity" in made["result"]
    }


def test_a_listing_says_what_was_found_without_opening_each(
    client: TestClient[Litestar], post: Callable[..., Any], example: bytes, account: Callable[..., Any]
) -> None:
    someone = account()
    result = kept(post, example, someone).json()["result"]
    (line,) = client.get("/v1/evaluations", headers=someone.full).json()["items"]
    severity = {"note": 0, "advisory": 1, "fault": 2, "hazard": 3}
    ranks = [severity[entry["severity"]] for entry in line["findings"]]
    assert ranks == sorted(ranks, reverse=True)
    assert len(ranks) > 1
    for entry in line["findings"]:
        same = [one["severity"] for one in result["findings"] if one["code"] == entry["code"]]
        assert entry["severity"] == max(same, key=severity.__getitem__)
    assert {entry["code"] for entry in line["findings"]} == {one["code"] for one in result["findings"]}


def test_no_operation_shows_one_tenant_what_another_keeps(
    client: TestClient[Litestar], post: Callable[..., Any], ours: Any, theirs: Any
) -> None:
    """Each operation with an evaluation's id, taken from the routes, so that a new one cannot be forgotten."""
    address = kept(post, one_reading(job_reference="ours-alone"), ours).headers["location"]
    identifier = address.rpartition("/")[2]
    again = post(f"{address}/reassessments", {}, ours.full).json()["id"]
    paths = [
        route.path_format.replace("{evaluation_id}", identifier).replace("{reassessment_id}", again)
        for route in client.app.routes
        if "{evaluation_id}" in route.path_format and "GET" in getattr(route, "methods", ())
    ]
    paths = [path for path in paths if "{" not in path]  # what has a name of its own besides is listed by another
    assert len(paths) >= 5
    for path in paths:
        assert client.get(path, headers=ours.full).status_code == 200
        refused = client.get(path, headers=theirs.full)
        never_was = client.get(path.replace(identifier, str(uuid.uuid4())), headers=theirs.full)
        assert refused.status_code == never_was.status_code == 404
        assert refused.json() | {"request_id": ""} == never_was.json() | {"request_id": ""}
    listed = client.get("/v1/evaluations?job_reference=ours-alone&limit=200", headers=theirs.full).json()
    assert listed == {"items": []}
    # Nor does a cursor lead into another's list.
    for _ in range(2):
        kept(post, one_reading(job_reference="paged"), ours)
    cursor = client.get("/v1/evaluations?limit=1", headers=ours.full).json()["next_cursor"]
    ids = {item["id"] for item in client.get(f"/v1/evaluations?cursor={cursor}", headers=theirs.full).json()["items"]}
    assert not ids & {item["id"] for item in client.get("/v1/evaluations?limit=200", headers=ours.full).json()["items"]}


@pytest.mark.parametrize("field", ["id", "tenant_id", "created_at", "result"])
def test_what_the_service_sets_cannot_be_sent(post: Callable[..., Any], ours: Any, field: str) -> None:
    refused = post("/v1/evaluations", one_reading(**{field: str(uuid.uuid4())}), ours.full)
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["pointer"] == f"#/{field}"


def test_every_operation_on_evaluations_needs_a_key() -> None:
    routers = [router for router in ROUTES if getattr(router, "path", "").startswith("/v1/evaluations")]
    handlers = [handler for router in routers for route in router.routes for handler in route.route_handlers]
    assert len([handler for handler in handlers if "scope" in handler.opt]) > 10
    assert all("scope" in handler.opt or handler.http_methods == {"OPTIONS"} for handler in handlers)
