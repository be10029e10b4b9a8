"""Timelines over HTTP."""

from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

import msgspec
from litestar import Litestar
from litestar.testing import TestClient

Post = Callable[..., Any]


def visited(example: bytes, day: str, equipment: str, site: str, **changes: Any) -> dict[str, Any]:
    visit = msgspec.json.decode(example)
    visit["visited_at"] = f"{day}T10:30:00-07:00"
    visit["site"]["reference"] = site
    visit["equipment"]["reference"] = equipment
    return {**visit, **changes}


def without_rating(visit: dict[str, Any]) -> dict[str, Any]:
    """So that nothing is found against it."""
    del visit["equipment"]["rated_maximum_external_static_pressure"]
    return visit


def test_a_site_is_followed_over_its_visits(
    client: TestClient[Litestar], post: Post, ours: Any, example: bytes
) -> None:
    site, one, other = "timeline-site", "timeline-one", "timeline-other"
    work = [{"kind": "filter_replaced", "done_on": "2026-05-02", "note": "invented"}]
    sent = [
        without_rating(visited(example, "2026-03-01", one, site)),
        visited(example, "2026-05-02", one, site, work_done=work),
        visited(example, "2026-04-01", other, site),
        without_rating(visited(example, "2026-06-01", one, site)),
    ]
    answers = [post("/v1/evaluations", visit, ours.full).json() for visit in sent]
    ids = [answer["id"] for answer in answers]
    codes = [{finding["code"] for finding in answer["result"]["findings"]} for answer in answers]
    assert codes[1] - codes[0], "the rating is what some finding rests on"

    first = client.get(f"/v1/sites/{site}/timeline?limit=3", headers=ours.reading)
    assert first.status_code == 200
    following = first.links["next"]["url"]
    assert urlsplit(following).path == f"/v1/sites/{site}/timeline"
    second = client.get(following, headers=ours.reading)
    assert "next_cursor" not in second.json()
    items = [*first.json()["items"], *second.json()["items"]]
    assert [item["id"] for item in items] == [ids[3], ids[1], ids[2], ids[0]]
    assert [item["equipment_reference"] for item in items] == [one, one, other, one]
    assert [item.get("compared_with") for item in items] == [ids[1], ids[0], None, None]
    assert items[1]["work_done"] == work
    assert {f["code"] for f in items[1]["findings"] if f["change"] == "new"} == codes[1] - codes[0]
    assert {f["code"] for f in items[1]["findings"] if f["change"] == "still_there"} == codes[1] & codes[0]
    assert set(items[0]["gone"]) == codes[1] - codes[3]
    assert all("change" not in finding for item in items[2:] for finding in item["findings"])
    for item, answer in zip(items, (answers[i] for i in (3, 1, 2, 0)), strict=True):
        shown = {(q["name"], q["context"]["state"]): q for q in item["quantities"]}
        assert ("external_static_pressure", answer["result"]["quantities"][0]["context"]["state"]) in shown
        for quantity in answer["result"]["quantities"]:
            if (entry := shown.get((quantity["name"], quantity["context"]["state"]))) is not None:
                assert entry["value"] == quantity["value"]
                assert entry["expanded_uncertainty"] == quantity["expanded_uncertainty"]

    alone = client.get(f"/v1/equipment/{other}/timeline", headers=ours.reading).json()["items"]
    assert [item["id"] for item in alone] == [ids[2]]


def test_what_was_judged_again_is_counted(client: TestClient[Litestar], post: Post, ours: Any, example: bytes) -> None:
    visit = visited(example, "2026-03-01", "timeline-again", "timeline-again")
    evaluation = post("/v1/evaluations", visit, ours.full).json()["id"]
    address = "/v1/equipment/timeline-again/timeline"
    assert client.get(address, headers=ours.reading).json()["items"][0]["reassessments"] == 0
    assert post(f"/v1/evaluations/{evaluation}/reassessments", {}, ours.full).status_code == 201
    assert client.get(address, headers=ours.reading).json()["items"][0]["reassessments"] == 1


def test_quantities_units_and_language_are_those_asked_for(
    client: TestClient[Litestar], post: Post, ours: Any, example: bytes
) -> None:
    post("/v1/evaluations", visited(example, "2026-03-01", "timeline-asked", "timeline-asked"), ours.full)
    answer = client.get(
        "/v1/equipment/timeline-asked/timeline?quantity=return_air_density&quantity=external_static_pressure&units=si",
        headers={**ours.reading, "accept-language": "es"},
    )
    assert answer.headers["content-language"] == "es"
    (item,) = answer.json()["items"]
    assert {(q["name"], q["value"]["unit"]) for q in item["quantities"]} == {
        ("return_air_density", "kg/m3"),
        ("external_static_pressure", "Pa"),
    }


def test_a_reference_that_nobody_or_another_account_used_has_an_empty_timeline(
    client: TestClient[Litestar], post: Post, ours: Any, theirs: Any, example: bytes
) -> None:
    post("/v1/evaluations", visited(example, "2026-03-01", "timeline-ours", "timeline-ours"), ours.full)
    for kind in ("sites", "equipment"):
        for reference, headers in (("timeline-ours", theirs.reading), ("never-used", ours.reading)):
            answer = client.get(f"/v1/{kind}/{reference}/timeline", headers=headers)
            assert (answer.status_code, answer.json()["items"]) == (200, [])
        assert client.get(f"/v1/{kind}/timeline-ours/timeline", headers=ours.writing).status_code == 403


def test_every_fault_of_a_query_is_told_at_once(client: TestClient[Litestar], ours: Any) -> None:
    many = "&".join(["quantity=airflow"] * 25)
    answer = client.get(f"/v1/sites/s/timeline?limit=0&units=x&{many}&quantity=nothing", headers=ours.reading)
    assert answer.status_code == 422
    faults = {(fault["parameter"], fault["code"]) for fault in answer.json()["errors"]}
    assert faults == {
        ("limit", "out_of_range"),
        ("units", "unknown_value"),
        ("quantity", "unknown_value"),
        ("quantity", "out_of_range"),
    }
    for reference in ("%20", "-a", "a" * 65, "a%00"):
        refused = client.get(f"/v1/equipment/{reference}/timeline", headers=ours.reading)
        assert (refused.status_code, refused.json()["errors"][0]["parameter"]) == (422, "equipment_reference")
