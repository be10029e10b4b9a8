"""Trends over HTTP: a house whose filter loads over kept visits."""

import datetime
from collections.abc import Callable
from typing import Any
from xml.etree import ElementTree

import jsonschema_rs
import msgspec
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from service.api.contract import contract
from service.api.trends import MOST_VISITS
from service.pipeline import Rulebook
from service.wire.trends import LEFT_OUT_BECAUSE
from tests.visits.history_faults import History, Past
from tests.visits.house import Faults
from tests.visits.library import HOUSES

Post = Callable[..., Any]
Visit = dict[str, Any]


def house_over_time(reference: str, days: tuple[int, ...] = (200, 160, 120, 80, 40, 0)) -> list[Visit]:
    """Visits to one equipment so many days before the last, the filter new on the first."""
    past = [
        Past(day, Faults(filter_loading=1.0 + 0.012 * (days[0] - day)), (("filter_replaced", days[0]),) * (place == 0))
        for place, day in enumerate(days)
    ]
    last = past.pop()
    request = History("kept", HOUSES["furnace_1600_m"], tuple(past), last.faults, last.work).request()
    visits = [*request.pop("earlier_visits"), request]
    for visit in visits:
        visit["equipment"]["reference"] = reference
    return visits


def address(reference: str, **query: str) -> str:
    return f"/v1/equipment/{reference}/trends?" + "&".join(f"{name}={value}" for name, value in query.items())


@pytest.fixture(scope="module")
def kept(post: Post, ours: Any) -> list[str]:
    """Ids of the visits to `trend-house`, oldest first."""
    visits = house_over_time("trend-house")
    return [post("/v1/evaluations", visit, ours.full).json()["id"] for visit in visits]


@pytest.fixture(scope="module")
def post(client: TestClient[Litestar]) -> Post:
    def send(path: str, body: Visit, headers: dict[str, str]) -> Any:
        answer = client.post(
            path, content=msgspec.json.encode(body), headers={"content-type": "application/json", **headers}
        )
        assert answer.status_code == 201
        return answer

    return send


def test_a_loading_filter_is_followed_and_foreseen(
    client: TestClient[Litestar], ours: Any, kept: list[str], rulebook: Rulebook
) -> None:
    answer = client.get(address("trend-house", quantity="filter_pressure_drop"), headers=ours.reading)
    assert answer.status_code == 200
    found = answer.json()
    schema = {
        "$ref": "#/components/schemas/TrendView",
        "components": contract(rulebook.decoder())["components"],
    }
    jsonschema_rs.Draft202012Validator(schema, validate_formats=True).validate(found)
    assert [point["evaluation_id"] for point in found["points"]] == kept
    assert (found["left_out"], found["truncated"], found["visits_read"]) == ([], False, 6)
    assert (found["basis"], found["airflow_method"]) == ("at_equal_flow_and_density", "airflow_measured")
    assert found["restarts"][0]["kind"] == "filter_replaced"
    line = found["line"]
    assert (line["drift"], line["per"], line["visits"], line["span_days"]) == ("rising", "year", 6, 200.0)
    assert line["change"]["value"] > line["expanded_uncertainty"]["value"] > 0.0
    # A year's change over the 200 days is what lies between both ends of the line.
    rise = line["end"]["value"]["value"] - line["start"]["value"]["value"]
    assert rise == pytest.approx(line["change"]["value"] * 200.0 / 365.25, rel=1e-4)
    (forecast,) = found["forecasts"]
    assert (forecast["criterion"], forecast["outcome"]) == ("filter_pressure_drop_usual", "foreseen")
    moments = [
        datetime.datetime.fromisoformat(moment)
        for moment in (
            found["points"][-1]["at"], forecast["earliest_at"], forecast["expected_at"], forecast["latest_at"],
        )
    ]  # fmt: skip
    assert moments == sorted(moments)
    assert "declares no site" in found["disclaimer"]
    again = client.get(
        address("trend-house", quantity="filter_pressure_drop"),
        headers={**ours.reading, "if-none-match": answer.headers["etag"]},
    )
    assert again.status_code == 304


def test_it_is_drawn_where_svg_is_accepted(client: TestClient[Litestar], ours: Any, kept: list[str]) -> None:
    for accept, kind in (("image/svg+xml", "image/svg+xml"), ("*/*", "application/json"), ("image/*", "image/svg+xml")):
        answer = client.get(address("trend-house"), headers={**ours.reading, "accept": accept})
        assert (answer.status_code, answer.headers["content-type"].partition(";")[0]) == (200, kind)
        assert answer.headers["vary"] == "Accept, Accept-Language"
    drawn = client.get(
        address("trend-house", units="si"), headers={**ours.reading, "accept": "image/svg+xml", "accept-language": "es"}
    )
    root = ElementTree.fromstring(drawn.content)
    assert (root.get("lang"), drawn.headers["content-language"]) == ("es", "es")
    assert "límite: 124.5 Pa" in [text.text for text in root.iter("{http://www.w3.org/2000/svg}text")]
    assert client.get(address("trend-house"), headers={**ours.reading, "accept": "image/png"}).status_code == 406


def test_a_limit_of_the_account_is_foreseen(client: TestClient[Litestar], post: Post, account: Any) -> None:
    mine = account()
    for visit in house_over_time("trend-house"):
        post("/v1/evaluations", visit, mine.full)
    limit = {
        "criterion": "filter_pressure_drop_usual",
        "upper": 400.0,
        "unit": "Pa",
        "reason": "house rule of the invented company",
    }
    assert client.put("/v1/account", json={"limit_overrides": [limit]}, headers=mine.full).status_code == 200
    query = address("trend-house", quantity="filter_pressure_drop", units="si")
    assert client.get(query, headers=mine.full).json()["forecasts"][0]["limit"] == {"value": 400.0, "unit": "Pa"}
    assert client.put("/v1/account", json={}, headers=mine.full).status_code == 200
    assert client.get(query, headers=mine.full).json()["forecasts"][0]["limit"]["value"] < 200.0


def test_times_narrow_and_too_few_are_refused(client: TestClient[Litestar], ours: Any, kept: list[str]) -> None:
    whole = client.get(address("trend-house", quantity="filter_pressure_drop"), headers=ours.reading).json()
    third = whole["points"][2]["at"]
    query = {"quantity": "filter_pressure_drop", "visited_before": third}
    two = client.get(address("trend-house", **query), headers=ours.reading).json()
    assert [point["evaluation_id"] for point in two["points"]] == kept[:2]
    assert (two["refusal"]["code"], two["refusal"]["needed"], two["refusal"]["there"]) == ("too_few_visits", 3, 2)
    assert two["refusal"]["detail"].startswith("2 of at least 3 visits")
    assert "line" not in two
    query = {"quantity": "filter_pressure_drop", "visited_from": third}
    rest = client.get(address("trend-house", **query), headers=ours.reading).json()
    assert [point["evaluation_id"] for point in rest["points"]] == kept[2:]


def test_against_days_since_the_filter_was_changed(client: TestClient[Litestar], ours: Any, kept: list[str]) -> None:
    query = {"quantity": "filter_pressure_drop", "against": "days_since_filter_change", "units": "si"}
    found = client.get(address("trend-house", **query), headers=ours.reading).json()
    assert [point["days_since_filter_change"] for point in found["points"]] == [0, 40, 80, 120, 160, 200]
    assert (found["line"]["per"], found["line"]["change"]["unit"]) == ("day", "Pa")
    assert "at" not in found["line"]["start"]


def test_what_is_left_out_says_why(client: TestClient[Litestar], post: Post, ours: Any) -> None:
    visits = house_over_time("trend-mixed", (300, 200, 100, 0))
    for state in visits[1]["states"]:
        state["speed_setting"] = "low"
    ids = [post("/v1/evaluations", visit, ours.full).json()["id"] for visit in visits]
    found = client.get(address("trend-mixed"), headers={**ours.reading, "accept-language": "es"}).json()
    (left,) = found["left_out"]
    assert (left["evaluation_id"], left["reason"]) == (ids[1], "other_speed_setting")
    assert left["detail"] == "El ventilador funcionaba en otro ajuste de velocidad."
    assert [point["evaluation_id"] for point in found["points"]] == [ids[0], *ids[2:]]
    assert set(LEFT_OUT_BECAUSE) > {left["reason"]}


def test_more_visits_than_are_worked_out_are_told(client: TestClient[Litestar], post: Post, ours: Any) -> None:
    (visit,) = house_over_time("trend-many", (0,))
    del visit["work_done"]
    start = datetime.datetime.fromisoformat("2020-01-01T12:00:00+00:00")
    for place in range(MOST_VISITS + 1):
        moment = start + datetime.timedelta(days=7 * place)
        post("/v1/evaluations", {**visit, "visited_at": moment.isoformat()}, ours.full)
    found = client.get(address("trend-many"), headers=ours.reading).json()
    assert (found["truncated"], found["visits_read"], len(found["points"])) == (True, MOST_VISITS, MOST_VISITS)
    assert datetime.datetime.fromisoformat(found["points"][0]["at"]) == start + datetime.timedelta(days=7)
    older = client.get(address("trend-many", visited_before=found["points"][0]["at"]), headers=ours.reading).json()
    assert (older["truncated"], len(older["points"])) == (False, 1)


def test_another_account_and_a_reference_never_used_look_alike(
    client: TestClient[Litestar], ours: Any, theirs: Any, kept: list[str]
) -> None:
    for reference, headers in (("trend-house", theirs.reading), ("never-used", ours.reading)):
        answer = client.get(address(reference), headers=headers)
        assert (answer.status_code, answer.json()["points"]) == (200, [])
        assert answer.json()["refusal"]["code"] == "not_worked_out"
    assert client.get(address("trend-house"), headers=ours.writing).status_code == 403


def test_every_fault_of_a_query_is_told_at_once(client: TestClient[Litestar], ours: Any) -> None:
    query = {"quantity": "x", "criterion": "x", "against": "x", "ruleset": "9.9.9", "state": "-", "visited_from": "x"}
    answer = client.get(address("trend-house", **query), headers=ours.reading)
    assert answer.status_code == 422
    assert {fault["parameter"] for fault in answer.json()["errors"]} == set(query)
    odd = client.get(address("a" * 65), headers=ours.reading)
    assert (odd.status_code, odd.json()["errors"][0]["parameter"]) == (422, "equipment_reference")
