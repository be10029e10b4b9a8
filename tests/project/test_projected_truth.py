"""What a change brings, against simulated houses solved with the change made: their solver shares no code with the
service. All four kinds of blower."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.derive.sheets import request, static
from tests.project.houses import alone, asked, mended, only, value
from tests.visits.house import AS_BUILT, CFM, INCH, Faults
from tests.visits.library import HOUSES, cooling, fan_only, heating

BLOWERS = {
    "permanent_split_capacitor": "furnace_1600_m",
    "constant_torque": "furnace_held_torque_sea_level",
    "constant_airflow": "furnace_held_flow_1600_m",
    "belt_driven": "belt_driven_1600_m",
}
SETTINGS = {"belt_driven": "sheave as set"}


def operation_of(kind: str) -> Any:
    return cooling(SETTINGS.get(kind, "high"))


@pytest.mark.parametrize("kind", BLOWERS)
def test_houses_have_the_blowers(kind: str) -> None:
    assert HOUSES[BLOWERS[kind]].blower.kind == kind


@pytest.mark.parametrize("kind", [kind for kind in BLOWERS if kind != "belt_driven"])
def test_a_clean_filter_brings_what_it_brings(kind: str) -> None:
    """Airflow within 1 %, external static pressure and power within 3 % of the house solved anew."""
    house = HOUSES[BLOWERS[kind]]
    written, before, after = mended(house, operation_of(kind), Faults(filter_loading=4.0))
    found = alone(written, {"kind": "replace_filter"})
    airflow = value(found, "airflow")
    assert airflow.before.value == pytest.approx(before.flow_at("return_plenum"), rel=0.01)
    assert airflow.after.value == pytest.approx(after.flow_at("return_plenum"), rel=0.01)
    pressure = value(found, "external_static_pressure")
    assert pressure.after.value == pytest.approx(after.external_static_pressure, rel=0.03)
    assert value(found, "blower_power").after.value == pytest.approx(after.blower_power, rel=0.03)


@pytest.mark.parametrize("kind", BLOWERS)
def test_a_wider_supply_brings_what_it_brings(kind: str) -> None:
    """Registers and ducts opened to a third of their resistance."""
    house = HOUSES[BLOWERS[kind]]
    shut = Faults(supply_restricted=3.0, registers_closed=3.0)
    written, _, after = mended(house, operation_of(kind), shut)
    found = alone(written, {"kind": "open_dampers", "pressure_drop_factor": 1.0 / 3.0})
    assert value(found, "airflow").after.value == pytest.approx(after.flow_at("return_plenum"), rel=0.01)
    pressure = value(found, "external_static_pressure")
    assert pressure.after.value == pytest.approx(after.external_static_pressure, rel=0.03)
    assert value(found, "blower_power").after.value == pytest.approx(after.blower_power, rel=0.03)


@pytest.mark.parametrize(
    ("name", "setting", "fouling"),
    [("furnace_1600_m", "high", 3.0), ("air_handler_1600_m", "tap 3", 1.6), ("air_handler_sea_level", "tap 3", 1.6)],
)
def test_a_clean_coil_outside_and_inside_the_box(name: str, setting: str, fouling: float) -> None:
    """A furnace's coil lies outside its rated box, an air handler's inside, where the table knows it clean and wet."""
    house = HOUSES[name]
    written, _, after = mended(house, cooling(setting), Faults(coil_fouling=fouling))
    found = alone(written, {"kind": "clean_coil"})
    assert value(found, "airflow").after.value == pytest.approx(after.flow_at("return_plenum"), rel=0.015)
    pressure = value(found, "external_static_pressure")
    assert pressure.after.value == pytest.approx(after.external_static_pressure, rel=0.04)


@pytest.mark.parametrize("kind", ["permanent_split_capacitor", "constant_torque", "constant_airflow"])
def test_another_speed_setting(kind: str) -> None:
    house = HOUSES[BLOWERS[kind]]
    settings = list(house.blower.settings)
    written, _, after = mended(house, operation_of(kind), AS_BUILT, Faults(wired_setting=settings[-2]))
    found = alone(written, {"kind": "speed_setting", "setting": settings[-2]})
    assert value(found, "airflow").after.value == pytest.approx(after.flow_at("return_plenum"), rel=0.01)
    assert value(found, "blower_power").after.value == pytest.approx(after.blower_power, rel=0.03)


def test_other_sheaves_on_a_belt_drive() -> None:
    """Fan laws along a path whose exponents lie between 1.4 and 2."""
    house = HOUSES["belt_driven_1600_m"]
    written, _, after = mended(house, operation_of("belt_driven"), AS_BUILT, Faults(blower_speed=0.9))
    found = alone(written, {"kind": "speed_setting", "speed_factor": 0.9})
    assert value(found, "airflow").after.value == pytest.approx(after.flow_at("return_plenum"), rel=0.01)
    assert value(found, "blower_power").after.value == pytest.approx(after.blower_power, rel=0.02)


@pytest.mark.parametrize("kind", ["permanent_split_capacitor", "constant_torque", "constant_airflow"])
def test_the_same_house_at_another_elevation(kind: str) -> None:
    house = replace(HOUSES[BLOWERS[kind]], barometer=None)
    there = 0.0 if house.elevation > 800.0 else 1600.0
    operation = fan_only("high")
    written, before, after = mended(
        house, operation, AS_BUILT, house_after=replace(house, elevation=there, barometer=None)
    )
    found = alone(written, {"kind": "other_air", "elevation": {"value": there, "unit": "m"}})
    assert value(found, "airflow").after.value == pytest.approx(after.flow_at("return_plenum"), rel=0.01)
    pressure = value(found, "external_static_pressure")
    assert pressure.after.value == pytest.approx(after.external_static_pressure, rel=0.02)
    assert value(found, "blower_power").after.value == pytest.approx(after.blower_power, rel=0.02)
    assert abs(after.external_static_pressure / before.external_static_pressure - 1.0) > 0.01


def test_temperature_rise_falls_as_airflow_grows() -> None:
    house = HOUSES["furnace_1600_m"]
    written, before, after = mended(house, heating("high"), Faults(filter_loading=4.0))
    rise = value(alone(written, {"kind": "replace_filter"}), "temperature_rise")
    true = [s.air_at("supply_plenum").temperature - s.air[0].temperature for s in (before, after)]
    assert rise.before.value == pytest.approx(true[0], rel=0.01)
    assert rise.after.value == pytest.approx(true[1], rel=0.015)


def test_two_changes_together_are_not_their_sum() -> None:
    house = HOUSES["furnace_1600_m"]
    written, before, after = mended(house, cooling("high"), Faults(filter_loading=4.0, coil_fouling=3.0))
    found = only(asked(written, {"kind": "replace_filter"}, {"kind": "clean_coil"}))
    assert found.together is not None
    assert found.together.indices == (0, 1)
    whole = value(found.together, "airflow")
    assert whole.after.value == pytest.approx(after.flow_at("return_plenum"), rel=0.015)
    steps = sum(value(result, "airflow").change.value for result in found.each)
    assert whole.change.value == pytest.approx(
        after.flow_at("return_plenum") - before.flow_at("return_plenum"), rel=0.1
    )
    assert steps != pytest.approx(whole.change.value, rel=1e-3)


RESISTANCES = (("return", 0.11, 1.88), ("filter", 0.62, 1.4), ("coil", 0.22, 1.8), ("supply", 0.16, 1.88))
"""Drop in in. w.c. at 1200 cfm, and exponent."""
ROWS = ((0.1, 1350), (0.2, 1310), (0.3, 1265), (0.4, 1210), (0.5, 1150), (0.6, 1080), (0.7, 1000), (0.8, 905))


def met(filter_drop: float) -> float:
    """Flow in cfm where the table's straight lines meet the power laws, by scipy."""
    pressures, flows = zip(*ROWS, strict=True)

    def surplus(flow: float) -> float:
        asked = sum((filter_drop if name == "filter" else drop) * (flow / 1200.0) ** n for name, drop, n in RESISTANCES)
        return float(np.interp(flow, flows[::-1], pressures[::-1])) - asked

    return float(brentq(surplus, 906.0, 1349.0))


def network(blower: dict[str, Any], flow: float) -> dict[str, Any]:
    """The resistances as they are read at a flow."""
    drops = {name: drop * (flow / 1200.0) ** n for name, drop, n in RESISTANCES}
    back = drops["return"]
    return request(
        static("return_plenum", -back),
        static("filter_outlet", -back - drops["filter"]),
        static("heat_exchanger_outlet", drops["coil"] + drops["supply"]),
        static("supply_plenum", drops["supply"]),
        {"kind": "airflow", "location": "filter_inlet", "basis": "actual",
         "value": {"value": flow, "unit": "[cft_i]/min"}},
        {"kind": "dry_bulb_temperature", "location": "return_plenum", "value": {"value": 69.2, "unit": "[degF]"}},
        {"kind": "relative_humidity", "location": "return_plenum", "value": {"value": 0.0, "unit": "1"}},
        site={"elevation": {"value": 0.0, "unit": "m"}},
        states=[{"id": "fan", "mode": "fan_only", "speed_setting": "high"}],
        equipment={
            "blower": blower,
            "rated_maximum_external_static_pressure": {"value": 1.0, "unit": "[in_i'H2O]"},
        },
    )  # fmt: skip


SETTINGS_OF_ROWS = [{
    "setting": "high",
    "rows": [
        {"external_static_pressure": {"value": p, "unit": "[in_i'H2O]"},
         "airflow": {"value": float(q), "unit": "[cft_i]/min"}}
        for p, q in ROWS
    ],
}]  # fmt: skip
NEW_FILTER = {
    "kind": "replace_filter",
    "rated": {
        "pressure_drop": {"value": 0.10, "unit": "[in_i'H2O]"},
        "airflow": {"value": 1200.0, "unit": "[cft_i]/min"},
    },
}


def test_a_falling_curve_against_a_network_solved_here() -> None:
    """Filter coefficient .62 to .10 on the invented table .1 to .8 in. w.c.: drops never just subtract."""
    before, after = met(0.62), met(0.10)
    blower = {"kind": "permanent_split_capacitor", "settings": SETTINGS_OF_ROWS}
    found = alone(network(blower, before), NEW_FILTER)
    airflow, pressure = value(found, "airflow"), value(found, "external_static_pressure")
    assert airflow.before.value / CFM == pytest.approx(before, rel=1e-3)
    assert airflow.after.value / CFM == pytest.approx(after, rel=2e-3)
    drops = [sum((f if name == "filter" else d) * (q / 1200.0) ** n for name, d, n in RESISTANCES)
             for q, f in ((before, 0.62), (after, 0.10))]  # fmt: skip
    assert pressure.before.value / INCH == pytest.approx(drops[0], rel=1e-3)
    assert pressure.after.value / INCH == pytest.approx(drops[1], rel=5e-3)
    taken = 0.62 * (before / 1200.0) ** 1.4 - 0.10 * (after / 1200.0) ** 1.4
    assert -pressure.change.value / INCH < 0.9 * taken


def test_only_a_held_airflow_gives_back_the_whole_drop() -> None:
    """A blower that holds its airflow: the external static pressure falls by just what the filter's drop falls."""
    found = alone(network({"kind": "constant_airflow"}, 976.0), NEW_FILTER)
    airflow, pressure = value(found, "airflow"), value(found, "external_static_pressure")
    assert airflow.change.value == pytest.approx(0.0, abs=1e-9)
    at = 976.0 / 1200.0
    assert pressure.change.value / INCH == pytest.approx((0.10 - 0.62) * at**1.4, abs=0.003)
