"""Airflow by traverse, registers, drops and wheel speed, and the odd method, against sums by hand."""

from __future__ import annotations

import math
from typing import Any

import pytest

from service.derive import Worksheet
from tests.derive.sheets import reading, request, sheet, static
from tests.visits.house import CFM, INCH

FOOT = 0.3048
SEA = {"site": {"elevation": {"value": 0, "unit": "ft"}}}
COOL = [{"id": "s", "mode": "cooling"}]
RETURN = [
    reading("dry_bulb_temperature", 69.2, "degF", location="return_plenum", state="s"),
    reading("relative_humidity", 0.0, "%", location="return_plenum", state="s"),
    reading("station_pressure", 1013.25, "hPa"),
]
"""Dry air of 69.2 degF at 1013.25 hPa is standard air of 0.075 lb/ft3."""


def rectangular(width: float, height: float, unit: str = "in") -> dict[str, Any]:
    return {
        "shape": "rectangular",
        "width": {"value": width, "unit": unit},
        "height": {"value": height, "unit": unit},
    }


def traverse(
    values: list[float], unit: str = "inH2O", duct: dict[str, Any] | None = None, **more: Any
) -> dict[str, Any]:
    return {
        "kind": "velocity_traverse",
        "location": "return_plenum",
        "duct": duct or rectangular(20, 12),
        "velocity_pressures": {"values": values, "unit": unit},
        "state": "s",
        **more,
    }


def worked(*readings: dict[str, Any], **more: Any) -> Worksheet:
    equipment = {"design_airflow": {"value": 1000, "unit": "cfm"}, **more.pop("equipment", {})}
    return sheet(request(*RETURN, *readings, states=more.pop("states", COOL), equipment=equipment, **more))


# Traverse --------------------------------------------------------------------------------------------------------


def test_velocities_are_averaged_not_pressures() -> None:
    """Velocity pressures .09, .16, .25, .16 in. w.c. of standard air: mean velocity 1602.0 fpm by 4005 sqrt(p), not
    1626.8 from the mean pressure (worked example, common in texts on the traverse); the exact constant is 4008.6
    (conventional inch of water), 0.1 % more. 20 x 12 in. are 1.667 ft2."""
    found = worked(traverse([0.09, 0.16, 0.25, 0.16] * 7)).quantities["airflow_from_traverse"]
    assert found.value / CFM == pytest.approx(1602.0 * 4008.55 / 4005.0 * 20 * 12 / 144, rel=2e-4)


def test_a_round_duct_is_traversed_along_whole_diameters() -> None:
    """6 points on two diameters, 0.25 in. w.c. each: 2004.3 fpm through 10 in. (0.5454 ft2) is 1093 cfm."""
    duct = {"shape": "round", "diameter": {"value": 10, "unit": "in"}}
    found = worked(traverse([0.25] * 12, duct=duct)).quantities["airflow_from_traverse"]
    assert found.value / CFM == pytest.approx(2004.3 * math.pi / 4 * (10 / 12) ** 2, rel=2e-4)


def test_a_hot_wire_traverse_needs_no_density() -> None:
    entry = traverse([1.0])
    del entry["velocity_pressures"]
    entry["velocities"] = {"values": [600.0] * 25, "unit": "fpm"}
    found = worked(entry)
    assert found.quantities["airflow_from_traverse"].value / CFM == pytest.approx(1000.0)
    assert "traverse_velocity_pressure" not in found.quantities
    assert "traverse_velocity_pressure" not in found.lacking


def test_a_zero_error_moves_all_points_together() -> None:
    """At 0.03 in. w.c. a zero error of 0.001 moves the velocity by 1.6 % (half of 1/30), 25 points or one. The
    allowance of 2 % for the traverse itself, the density's and the last digit's are added in quadrature."""
    accuracy = {"floor": 0.001, "resolution": 1e-6, "unit": "inH2O"}
    checked = [{"id": "g", "kind": "micromanometer", "zero_check": {"corrected": True}}]
    found = worked(traverse([0.03] * 25, accuracy=accuracy, instrument="g"), instruments=checked)
    quantity = found.quantities["airflow_from_traverse"]
    zero = quantity.terms["instrument.g.zero"] / quantity.value
    assert zero == pytest.approx(0.5 * 0.001 / math.sqrt(3.0) / 0.03, rel=1e-3)
    assert quantity.uncertainty / quantity.value > 0.02
    assert found.quantities["traverse_velocity_pressure"].value / INCH == pytest.approx(0.03)


def test_points_alone_average_out() -> None:
    accuracy = {"resolution": 0.01, "unit": "inH2O"}
    few, many = (
        worked(traverse([0.1] * count, accuracy=accuracy)).quantities["airflow_from_traverse"].terms["reading.3.points"]
        for count in (25, 100)
    )
    assert few / many == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("count", "duct", "enough"),
    [
        (25, rectangular(20, 12), True),
        (24, rectangular(20, 12), False),
        (30, rectangular(30, 12), True),
        (29, rectangular(30, 12), False),
        (42, rectangular(40, 30), True),
        (41, rectangular(40, 30), False),
        (12, {"shape": "round", "diameter": {"value": 10, "unit": "in"}}, True),
        (20, {"shape": "round", "diameter": {"value": 10, "unit": "in"}}, True),
        (13, {"shape": "round", "diameter": {"value": 10, "unit": "in"}}, False),
        (10, {"shape": "round", "diameter": {"value": 10, "unit": "in"}}, False),
    ],
)
def test_a_traverse_has_its_points_or_is_set_aside(count: int, duct: dict[str, Any], enough: bool) -> None:
    """5 lines along a side below 30 in., 6 from 30 to 36, 7 above; two whole diameters of 6, 8 or 10 (ISO 3966)."""
    found = worked(traverse([0.1] * count, duct=duct))
    assert ("airflow_from_traverse" in found.quantities) is enough
    assert [entry.code for entry in found.visit.set_aside] == ([] if enough else ["too_few_points"])


def test_air_that_turns_back_is_set_aside_and_noise_about_zero_is_not() -> None:
    accuracy = {"floor": 0.002, "resolution": 0.001, "unit": "inH2O"}
    noise = worked(traverse([0.1] * 24 + [-0.002], accuracy=accuracy))
    back = worked(traverse([0.1] * 24 + [-0.02], accuracy=accuracy))
    assert noise.quantities["airflow_from_traverse"].value / CFM == pytest.approx(
        24 / 25 * 4008.55 * math.sqrt(0.1) * 20 * 12 / 144, rel=2e-4
    )
    assert "airflow_from_traverse" not in back.quantities
    assert back.visit.set_aside[0].code == "air_turns_back"


def test_a_supply_traverse_is_told_at_the_return() -> None:
    """The same velocity in air of another density is another mass flow; without its temperature nothing is told."""
    entry = traverse([0.1] * 25, location="supply_plenum")
    assert worked(entry).lacking["airflow_from_traverse"] == ("dry_bulb_temperature at the supply plenum",)
    cold = reading("dry_bulb_temperature", 49.2, "degF", location="supply_plenum", state="s")
    at_supply = worked(entry, cold).quantities["airflow_from_traverse"].value
    at_return = worked(traverse([0.1] * 25)).quantities["airflow_from_traverse"].value
    # v ~ 1/sqrt(rho), mass ~ sqrt(rho): at the return the flow is larger by the root of the density ratio.
    assert at_supply / at_return == pytest.approx(math.sqrt((69.2 + 459.67) / (49.2 + 459.67)), rel=1e-3)


# Registers -------------------------------------------------------------------------------------------------------


def register(room: str, flow: float, design: float | None = None, side: str = "return", **more: Any) -> dict[str, Any]:
    entry = reading("register_airflow", flow, "cfm", room=room, side=side, basis="actual", state="s", **more)
    return entry if design is None else {**entry, "design_airflow": {"value": design, "unit": "cfm"}}


def test_registers_add_up_and_share_their_hood() -> None:
    """One hood's scale error is common to all registers: 5 % limits make 2.9 % of the sum, not 2.9 % / sqrt(3)."""
    hood = [{"id": "h", "kind": "flow_hood", "accuracy": {"share_of_reading": 0.05, "unit": "cfm"}}]
    flows = (400.0, 250.0, 350.0)
    found = worked(
        *(register(f"room {i}", flow, flow, instrument="h", side="supply") for i, flow in enumerate(flows)),
        reading("dry_bulb_temperature", 69.2, "degF", location="supply_plenum", state="s"),
        instruments=hood,
    )
    total = found.quantities["register_airflow_supply"]
    assert total.value / CFM == pytest.approx(1000.0, rel=1e-6)
    assert total.terms["instrument.h.scale"] / total.value == pytest.approx(0.05 / math.sqrt(3.0), rel=1e-6)
    allowed = found.quantities["airflow_from_registers"]
    assert allowed.value / total.value == pytest.approx(1 / 0.95)
    assert allowed.uncertainty / allowed.value > 0.05


def test_a_room_with_two_registers_is_judged_on_both() -> None:
    found = worked(
        register("hall", 60.0, 50.0, "supply"),
        register("hall", 40.0, 75.0, "supply"),
        register("bath", 30.0, 60.0, "supply"),
        reading("dry_bulb_temperature", 69.2, "degF", location="supply_plenum", state="s"),
    )
    rooms = {q.subject: q.value for q in found.quantities.values() if q.name == "room_airflow_to_design"}
    assert rooms == {"hall": pytest.approx(0.8, rel=1e-6), "bath": pytest.approx(0.5, rel=1e-6)}


def test_the_return_grilles_are_a_method_of_their_own() -> None:
    found = worked(register("hall", 950.0, 1000.0))
    assert found.quantities["airflow"].value / CFM == pytest.approx(1000.0)
    assert found.quantities["airflow"].method == "one method alone: sum at the return grilles"


@pytest.mark.parametrize("flow", [-10.0, 0.0])
def test_registers_without_air_give_no_airflow(flow: float) -> None:
    found = worked(register("hall", flow, 1000.0))
    assert "airflow_from_return_grilles" not in found.quantities
    assert "airflow" not in found.quantities


@pytest.mark.parametrize("entry", [register("hall", 100.0, 100.0), register("hall", 950.0)])
def test_some_registers_are_not_all_of_them(entry: dict[str, Any]) -> None:
    """One closed room's grille, or grilles whose designs are not known, say nothing of the equipment's airflow."""
    found = worked(entry, reading("airflow", 1000.0, "cfm", location="filter_inlet", basis="actual", state="s"))
    assert "register_airflow_return" in found.lacking
    assert found.quantities["airflow"].method == "one method alone: airflow reading"


# Parts as flow meters --------------------------------------------------------------------------------------------

RATED = {"pressure_drop": {"value": 0.25, "unit": "inH2O"}, "airflow": {"value": 1200, "unit": "cfm"}}
COIL_DROP = (static("heat_exchanger_outlet", 0.40, state="s"), static("supply_plenum", 0.10, state="s"))


def test_a_coils_drop_tells_the_flow_and_not_the_coil() -> None:
    """0.30 in. where a clean coil has 0.25 at 1200 cfm; at the usual e^0.1 = 1.105 times the clean drop and n = 1.8
    that is 1200 (0.30 / 0.2763)^(1/1.8) = 1256 cfm (by hand)."""
    found = worked(*COIL_DROP, equipment={"coil": {"rated_wet": RATED}})
    assert found.quantities["airflow"].value / CFM == pytest.approx(1256.0, abs=1.0)
    assert "airflow.from_drop" in found.observations
    assert found.lacking["coil_pressure_drop_to_rated"] == ("an airflow method that rests on no part's drop",)


def test_a_drop_is_not_heard_beside_another_method() -> None:
    flow = reading("airflow", 1000.0, "cfm", location="filter_inlet", basis="actual", state="s")
    found = worked(*COIL_DROP, flow, equipment={"coil": {"rated_wet": RATED}})
    assert found.quantities["airflow"].value / CFM == pytest.approx(1000.0)
    assert "airflow.from_drop" not in found.observations
    # 0.25 in. at 1200 cfm is 0.25 (1000/1200)^1.8 = 0.1800 at 1000; 0.30 is 1.667 times that (by hand).
    assert found.quantities["coil_pressure_drop_to_rated"].value == pytest.approx(0.30 / 0.1800, rel=1e-3)


def test_a_filter_alone_is_no_flow_meter() -> None:
    """It may be loaded, or missing: its drop gives a quantity but no airflow."""
    found = worked(
        static("return_plenum", -0.05, state="s"),
        static("filter_outlet", -0.25, state="s"),
        equipment={"filter": {"rated": RATED}},
    )
    assert "airflow_from_filter_pressure_drop" in found.quantities
    assert "airflow" not in found.quantities


# Wheel speed -----------------------------------------------------------------------------------------------------


def belt(speed: float | None, kind: str = "belt_driven") -> Worksheet:
    rows = [
        {"external_static_pressure": {"value": p, "unit": "inH2O"}, "airflow": {"value": q, "unit": "cfm"}}
        for p, q in ((0.3, 1265), (0.5, 1150), (0.7, 1000))
    ]
    blower = {"kind": kind, "settings": [{"setting": "as set", "rows": rows}]}
    extra = []
    if speed is not None:
        blower["table_speed"] = {"value": 1000, "unit": "rpm"}
        extra = [reading("rotational_speed", speed, "rpm", state="s")]
    # 0.405 = 0.5 x 0.9^2
    return worked(
        static("return_plenum", -0.2, state="s"),
        static("supply_plenum", 0.205, state="s"),
        *extra,
        equipment={"blower": blower},
        arrangement="packaged_unit",
    )


def test_fan_laws_carry_the_table_to_the_wheels_speed() -> None:
    """At 0.9 of the speed 1150 cfm at 0.50 in. w.c. become 1035 at 0.405 (fan laws: N and N squared)."""
    found = belt(900.0)
    assert found.quantities["blower_speed_to_table"].value == pytest.approx(0.9)
    assert found.quantities["airflow_from_blower_table"].value / CFM == pytest.approx(1035.0, rel=2e-4)


def test_the_speed_of_another_blower_says_nothing() -> None:
    other = belt(900.0, "permanent_split_capacitor")
    assert "blower_speed_to_table" not in other.quantities
    assert (
        other.quantities["airflow_from_blower_table"].value == belt(None).quantities["airflow_from_blower_table"].value
    )


# The odd method --------------------------------------------------------------------------------------------------


def three(grid: float, hood: float, rise: float) -> Worksheet:
    """A grid reading, a traverse and grilles told by hand, each some 3 to 5 % unsure."""
    points = [(hood / (20 * 12 / 144) / 4008.55) ** 2] * 25
    return worked(
        reading("airflow", grid, "cfm", location="filter_inlet", basis="actual", method="powered_hood", state="s"),
        traverse(points),
        register("hall", 0.95 * rise, 1000.0),
    )


def test_the_one_that_disagrees_is_named_and_left_out() -> None:
    found = three(1200.0, 1200.0, 700.0)
    assert "airflow_outlier.return_grilles" in found.observations
    assert found.quantities["airflow"].value / CFM == pytest.approx(1200.0, rel=2e-3)
    assert found.quantities["airflow_outlier_to_rest"].value == pytest.approx(700.0 / 1200.0, rel=3e-3)
    assert found.quantities["airflow_agreement"].value < 0.05
    assert "left out" in found.quantities["airflow"].method


@pytest.mark.parametrize("flows", [(1200.0, 1200.0, 1200.0), (1200.0, 900.0, 600.0)])
def test_no_one_is_named_where_all_agree_or_all_disagree(flows: tuple[float, float, float]) -> None:
    found = three(*flows)
    assert not [token for token in found.observations if token.startswith("airflow_outlier.")]
    assert "airflow_outlier_to_rest" not in found.quantities


def test_two_that_disagree_name_no_one() -> None:
    grid = reading("airflow", 1200.0, "cfm", location="filter_inlet", basis="actual", state="s")
    found = worked(grid, register("hall", 500.0, 1000.0))
    assert found.quantities["airflow_agreement"].value < 0.05
    assert not [token for token in found.observations if token.startswith("airflow_outlier.")]


# Properties ------------------------------------------------------------------------------------------------------


def test_nothing_is_said_where_nothing_was_read() -> None:
    found = sheet(request(static("filter_outlet", -0.2)))
    names = {"airflow_from_traverse", "register_airflow_supply", "room_airflow_to_design", "blower_speed_to_table"}
    assert not names & {*found.quantities, *found.lacking}


def test_the_answer_does_not_hang_on_units() -> None:
    plain = worked(traverse([0.1, 0.2, 0.15, 0.12, 0.18] * 5), register("hall", 400.0, 1000.0))
    metric = sheet(
        request(
            *RETURN,
            traverse(
                [p * INCH for p in (0.1, 0.2, 0.15, 0.12, 0.18)] * 5, "Pa", rectangular(20 * 25.4, 12 * 25.4, "mm")
            ),
            {**register("hall", 1.0, 1000.0), "value": {"value": 400.0 * CFM * 3600, "unit": "m3/h"}},
            states=COOL,
            equipment={"design_airflow": {"value": 1000.0 * CFM, "unit": "m3/s"}},
        )
    )
    for name in ("airflow_from_traverse", "airflow_from_return_grilles", "airflow", "traverse_velocity_pressure"):
        one, other = plain.quantities[name], metric.quantities[name]
        assert one.value == pytest.approx(other.value, rel=1e-9)
        assert one.uncertainty == pytest.approx(other.uncertainty, rel=1e-9)
