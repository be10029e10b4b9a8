"""Procedures as a front end asks for them."""

from __future__ import annotations

from typing import Any

import pytest
from litestar import Litestar
from litestar.testing import TestClient

from service.pipeline import Rulebook

FURNACE = "arrangement=furnace_with_cased_coil&position=upflow&heating=gas&blower_kind=constant_torque"


def listed(client: TestClient[Litestar], query: str) -> list[dict[str, Any]]:
    answered = client.get(f"/v1/procedures?{query}")
    assert answered.status_code == 200
    items: list[dict[str, Any]] = answered.json()["items"]
    return items


def test_a_beginner_is_led_through_a_reading(client: TestClient[Litestar]) -> None:
    (found,) = listed(client, f"{FURNACE}&reading_kind=static_pressure&station=supply_plenum")
    assert found["id"] == "static_pressure_supply_plenum"
    (where,) = found["where"]
    assert "on top of the coil case" in where["text"]
    assert where["title"] == "Supply plenum"
    assert [note["position"] for note in where["on_equipment"]] == ["upflow"]
    for part in ("purpose", "probe", "isolate_first", "steps", "settled_when", "close_up", "mistakes", "sources"):
        assert found[part]
    assert {"drilling_near_coil", "energised_and_moving_parts"} <= {caution["code"] for caution in found["cautions"]}
    assert all(caution["rests_on"] and caution["checked"] for caution in found["cautions"])


def test_one_procedure_in_the_words_of_the_equipment(client: TestClient[Litestar]) -> None:
    address = "/v1/procedures/static_pressure_supply_plenum"
    general = client.get(address).json()
    handler = client.get(f"{address}?arrangement=air_handler_with_internal_coil").json()
    assert general["steps"] == handler["steps"]
    said = {note.get("arrangement"): note["text"] for note in general["where"][0]["on_equipment"]}
    assert handler["where"][0]["text"] == said["air_handler_with_internal_coil"]


def test_what_is_not_known_is_not_found(client: TestClient[Litestar]) -> None:
    answered = client.get("/v1/procedures/read_the_stars")
    assert answered.status_code == 404
    assert answered.json()["type"] == "/problems/not_found"


@pytest.mark.parametrize(
    ("query", "parameter", "accepted"),
    [
        ("arrangement=rocket", "arrangement", "packaged_unit"),
        ("blower_kind=steam", "blower_kind", "belt_driven"),
        ("heating=coal", "heating", "hydronic"),
        ("backup_heating=coal", "backup_heating", "electric"),
        ("position=sideways", "position", "horizontal"),
        ("zone_dampers=perhaps", "zone_dampers", "yes"),
        ("reading_kind=mood", "reading_kind", "static_pressure"),
        ("station=moon", "station", "coil_inlet"),
        ("component=moon", "component", "blower"),
        ("quantity=haste", "quantity", "external_static_pressure"),
    ],
)
def test_an_unknown_value_is_refused_with_those_that_are_known(
    client: TestClient[Litestar], query: str, parameter: str, accepted: str
) -> None:
    answered = client.get(f"/v1/procedures?{query}")
    assert answered.status_code == 422
    (fault,) = answered.json()["errors"]
    assert (fault["parameter"], fault["code"]) == (parameter, "unknown_value")
    assert accepted in fault["accepted"]
    # The contract lists the same.
    document = client.get("/openapi.json").json()
    (published,) = [p for p in document["paths"]["/v1/procedures"]["get"]["parameters"] if p["name"] == parameter]
    assert published["schema"]["enum"] == fault["accepted"]


def test_every_fault_at_once(client: TestClient[Litestar]) -> None:
    answered = client.get("/v1/procedures?station=moon&heating=coal&mood=1&coil=yes&coil=no")
    assert [fault["code"] for fault in answered.json()["errors"]] == [
        "unknown_value", "unknown_value", "unknown_field", "given_twice",
    ]  # fmt: skip


def test_one_procedure_takes_no_filter(client: TestClient[Litestar]) -> None:
    answered = client.get("/v1/procedures/zero_check?station=coil_inlet")
    assert answered.status_code == 422
    assert answered.json()["errors"][0]["code"] == "unknown_field"


@pytest.mark.parametrize("quantity", ["external_static_pressure", "airflow", "ambient_carbon_monoxide"])
def test_readings_for_a_quantity(client: TestClient[Litestar], rulebook: Rulebook, quantity: str) -> None:
    found = listed(client, f"quantity={quantity}")
    wanted = [p.id for p in rulebook.current.ruleset.procedures.values() if quantity in p.gives]
    assert set(wanted) <= {item["id"] for item in found}
    assert all(quantity in item["gives"] for item in found)


def test_a_held_answer_is_not_sent_again(client: TestClient[Litestar]) -> None:
    address = f"/v1/procedures?{FURNACE}"
    tag = client.get(address).headers["etag"]
    assert client.get(address, headers={"if-none-match": tag}).status_code == 304
    other = client.get("/v1/procedures?heating=hydronic", headers={"if-none-match": tag})
    assert other.status_code == 200
