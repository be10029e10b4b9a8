"""What is noted without an instrument, the run capacitor, zones, and where the filter sits."""

from __future__ import annotations

import json
from typing import Any

import msgspec
import pytest

from service import derive, normalise
from service.derive import Worksheet
from service.model.visit import Visit
from service.ruleset import rules_folder
from service.wire.request import EvaluationRequest
from tests.derive.sheets import PREPARED

BASE = (rules_folder() / "cases" / "healthy" / "furnace_1600_m.json").read_bytes()
"""A healthy furnace, read in heating and in cooling."""


def visit(equipment: dict[str, Any] | None = None, readings: Any = (), **changes: Any) -> Visit:
    request = json.loads(BASE)
    request["equipment"].update(equipment or {})
    request["readings"] += readings
    request.update(changes)
    decoded = msgspec.convert(request, EvaluationRequest, strict=False)
    return normalise.normalise(decoded, PREPARED.ruleset, PREPARED.units)


def sheets(plain: Visit) -> dict[str, Worksheet]:
    return {sheet.state.id: sheet for sheet in derive.work_out(plain, PREPARED.ruleset).contexts}


def test_what_is_noted_in_one_state_is_known_in_that_state_only() -> None:
    found = sheets(visit(noted=[{"what": "limit_switch_opened", "state": "heating"}]))
    assert "noted.limit_switch_opened" in found["heating"].observations
    assert "noted.limit_switch_opened" not in found["cooling"].observations


def test_what_is_noted_without_a_state_holds_in_all() -> None:
    found = sheets(visit(noted=[{"what": "wheel_dirty"}]))
    assert all("noted.wheel_dirty" in found[state].observations for state in ("heating", "cooling"))


def test_a_note_of_an_unknown_state_is_set_aside_and_the_rest_is_judged() -> None:
    plain = visit(noted=[{"what": "wheel_dirty", "state": "defrost"}, {"what": "duct_apart"}])
    assert [(entry.pointer, entry.code) for entry in plain.set_aside] == [("#/noted/0/state", "unknown_state")]
    assert "cooling" in plain.set_aside[0].remedy
    assert [entry.what for entry in plain.noted] == ["duct_apart"]


@pytest.mark.parametrize(("calling", "idle"), [([], False), (["up"], True), (["up", "down"], False)])
def test_zones_are_idle_where_some_but_not_all_call(calling: list[str], idle: bool) -> None:
    states = json.loads(BASE)["states"]
    states = [{**state, "zones_calling": calling} for state in states]
    found = sheets(visit({"zones": ["up", "down"]}, states=states))
    assert ("zones.some_idle" in found["cooling"].observations) is idle


def test_calling_zones_of_a_system_without_declared_zones_say_nothing() -> None:
    states = [{**state, "zones_calling": ["up"]} for state in json.loads(BASE)["states"]]
    assert "zones.some_idle" not in sheets(visit(states=states))["cooling"].observations


@pytest.mark.parametrize(
    ("path", "at_grille"),
    [
        (("return_grille", "filter", "return_duct", "blower", "heat_exchanger", "coil", "supply_duct"), True),
        (("return_grille", "return_duct", "filter", "blower", "heat_exchanger", "coil", "supply_duct"), False),
        (("filter", "blower", "heat_exchanger", "coil", "supply_duct"), False),
    ],
)
def test_a_filter_before_the_return_duct_is_at_the_grille(path: tuple[str, ...], at_grille: bool) -> None:
    found = sheets(visit({"air_path": [{"kind": kind} for kind in path]}))
    assert all(("filter.at_grille" in sheet.observations) is at_grille for sheet in found.values())


def capacitor(value: float | None, rated: float | None, unit: str = "uF") -> Worksheet:
    readings = [] if value is None else [{"kind": "capacitance", "value": {"value": value, "unit": unit}}]
    blower = json.loads(BASE)["equipment"]["blower"]
    if rated is not None:
        blower = {**blower, "run_capacitance": {"value": rated, "unit": "uF"}}
    return sheets(visit({"blower": blower}, readings))["cooling"]


def test_capacitance_over_its_rating() -> None:
    """9.2 of 10.0 microfarads; the usual meter states 2 % or 0.1 microfarad, as limits (rectangular, JCGM 100, 4.3.7).

    0.02 x 9.2 / sqrt(3) = 0.10623; the resolution of 0.1 adds 0.1 / sqrt(12) = 0.02887 (JCGM 100, F.2.2.1);
    together sqrt(0.10623^2 + 0.02887^2) / 10 = 0.01101.
    """
    found = capacitor(9.2, 10.0).quantities["capacitance_to_rated"]
    assert found.value == pytest.approx(0.92)
    assert found.uncertainty == pytest.approx(0.01101, rel=1e-3)


def test_capacitance_is_the_same_in_every_unit() -> None:
    assert capacitor(9200.0, 10.0, "nF").quantities["capacitance_to_rated"].value == pytest.approx(0.92)
    assert capacitor(9.2, 10.0, "MFD").quantities["capacitance_to_rated"].value == pytest.approx(0.92)


def test_what_is_missing_of_the_capacitor_is_said() -> None:
    assert capacitor(None, 10.0).lacking["capacitance_to_rated"] == ("capacitance of the run capacitor",)
    assert capacitor(9.2, None).lacking["capacitance_to_rated"] == ("blower.run_capacitance",)


def test_without_reading_and_rating_nothing_is_said_of_a_capacitor() -> None:
    sheet = capacitor(None, None)
    assert "capacitance_to_rated" not in sheet.quantities
    assert "capacitance_to_rated" not in sheet.lacking
