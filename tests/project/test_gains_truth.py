"""What mending a cause brings, against the simulated house solved again with the fault taken away: its solver shares no
code with the service. Every kind of blower, every kind of fix. Sealing and duct runs against networks solved here."""

from __future__ import annotations

import copy
import math
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from service import derive, pipeline
from service.model.projection import Gain, Gained
from service.project import gain
from service.wire.request import EvaluationRequest
from tests.derive.sheets import PREPARED, everything, sheet, visit
from tests.project.houses import alone, asked, only, prepared, value
from tests.project.test_projected_truth import BLOWERS, RESISTANCES, ROWS, SETTINGS_OF_ROWS, met, network, operation_of
from tests.visits.duct_faults import run
from tests.visits.house import AS_BUILT, CFM, INCH, Faults, House, Operation, Solution, solve
from tests.visits.library import HOUSES, cooling, heating
from tests.visits.resistance_faults import VISITS, _longer

FURNACES = [kind for kind in BLOWERS if kind != "belt_driven"]


def mending(
    house: House, operation: Operation, before: Faults, fix: str, limits: tuple[tuple[str, float], ...] = ()
) -> tuple[Gain, Solution]:
    """What a fix brings to a house with faults, and the house as found."""
    written, found = visit(house, operation, everything(house, operation), faults=before)
    return gain(derive.air_system(sheet(written)), fix, PREPARED.ruleset, dict(limits)), found


def told(result: Gain, name: str) -> Gained:
    """One quantity of a gain."""
    return next(entry for entry in result.quantities if entry.name == name)


def agrees(result: Gain, before: Solution, after: Solution) -> None:
    """Airflow, external static pressure and power after it, and each change within its stated expanded uncertainty."""
    assert result.quantities, result.not_projected
    truth = {
        "airflow": (before.flow_at("return_plenum"), after.flow_at("return_plenum"), 0.02),
        "external_static_pressure": (before.external_static_pressure, after.external_static_pressure, 0.05),
        "blower_power": (before.blower_power, after.blower_power, 0.05),
    }
    for name, (was, will_be, near) in truth.items():
        entry = told(result, name)
        assert entry.after == pytest.approx(will_be, rel=near), name
        # 0.3 % for readings rounded and drops shared out by the mean density of each part.
        assert abs(entry.change - (will_be - was)) <= 2.0 * entry.uncertainty + 0.003 * was, name


def side_drop(solution: Solution, side: str) -> float:
    """Drop of all ducts and openings of a side as the truth has it, Pa."""
    parts = ("return_grille", "return_duct") if side == "return" else ("supply_duct", "register")
    return sum(solution.drops[part] for part in parts)


@pytest.mark.parametrize("kind", BLOWERS)
@pytest.mark.parametrize("side", ["return", "supply"])
def test_a_side_brought_to_its_usual_part(kind: str, side: str) -> None:
    """The side's factor is the one that leaves the limit at the flow as found; the limit is 60 % of what it drops."""
    house, operation = HOUSES[BLOWERS[kind]], operation_of(kind)

    def faults(times: float) -> Faults:
        if side == "return":
            return Faults(return_undersized=times)
        return Faults(supply_restricted=times, registers_closed=times)

    before = solve(house, operation, faults(3.0))
    limit = 0.6 * side_drop(before, side)
    result, found = mending(
        house, operation, faults(3.0), f"{side}_side_to_usual_part", ((f"{side}_pressure_budget", limit),)
    )
    agrees(result, found, solve(house, operation, faults(3.0 * 0.6)))
    assert told(result, "external_static_pressure").change < 0.0
    if kind != "constant_airflow":
        assert result.airflow is not None
        assert result.airflow > 0.0


@pytest.mark.parametrize("kind", FURNACES)
@pytest.mark.parametrize(
    ("fix", "fault"), [("clean_filter", Faults(filter_loading=4.0)), ("clean_coil", Faults(coil_fouling=3.0))]
)
def test_a_clean_filter_and_a_clean_coil(kind: str, fix: str, fault: Faults) -> None:
    house, operation = HOUSES[BLOWERS[kind]], operation_of(kind)
    result, found = mending(house, operation, fault, fix)
    agrees(result, found, solve(house, operation, AS_BUILT))


@pytest.mark.parametrize("kind", FURNACES)
def test_a_filter_of_enough_area(kind: str) -> None:
    """The same clean medium over more face: the drop at a flow goes with (area as is / area)^1.4."""
    house, operation = HOUSES[BLOWERS[kind]], operation_of(kind)
    before = solve(house, operation, Faults(filter_loading=3.0))
    size = house.filter_size
    velocity = before.flow_at("return_plenum") / (size.width * size.height * size.count)
    limit = 0.7 * velocity
    result, found = mending(
        house, operation, Faults(filter_loading=3.0), "filter_of_usual_face_velocity",
        (("filter_face_velocity_usual", limit),),
    )  # fmt: skip
    agrees(result, found, solve(house, operation, Faults(filter_loading=0.7**1.4)))


@pytest.mark.parametrize("kind", FURNACES)
@pytest.mark.parametrize("part", ["filter", "coil"])
def test_a_part_brought_to_its_usual_share(kind: str, part: str) -> None:
    """A fifth of the whole once it is there: a quarter of what the others drop."""
    house, operation = HOUSES[BLOWERS[kind]], operation_of(kind)

    def faults(times: float) -> Faults:
        return Faults(filter_loading=times) if part == "filter" else Faults(coil_fouling=times)

    before = solve(house, operation, faults(4.0))
    others = before.external_static_pressure - before.drops[part]
    times = 4.0 * 0.25 * others / before.drops[part]
    assert times < 4.0
    result, found = mending(house, operation, faults(4.0), f"{part}_of_usual_share", ((f"{part}_share_usual", 0.2),))
    agrees(result, found, solve(house, operation, faults(times)))


@pytest.mark.parametrize("kind", FURNACES)
def test_an_accessory_brought_to_its_usual_part(kind: str) -> None:
    """A dirty accessory of 0.30 in. w.c. at the design flow brought to 40 % of what it drops."""
    house, operation = HOUSES[BLOWERS[kind]], operation_of(kind)
    dirty = _longer(house, "accessory", "supply_duct", 0.30, 1.9)
    clean = _longer(house, "accessory", "supply_duct", 0.30 * 0.4, 1.9)
    found, after = solve(dirty, operation), solve(clean, operation)
    written, _ = visit(
        replace(dirty, id=f"{house.id}_accessory"), operation,
        (*everything(house, operation), "static:before.accessory", "static:after.accessory"),
    )  # fmt: skip
    written["equipment"]["air_path"] = [{"kind": element} for element in dirty.path]
    result = gain(
        derive.air_system(sheet(written)), "accessory_to_usual_part", PREPARED.ruleset,
        {"accessory_pressure_budget": 0.4 * found.drops["accessory"]},
    )  # fmt: skip
    agrees(result, found, after)


@pytest.mark.parametrize(
    ("kind", "speed"),
    [("permanent_split_capacitor", 0.85), ("constant_torque", 0.85), ("constant_airflow", 0.9), ("belt_driven", 0.85)],
)
def test_a_weak_blower_brought_to_its_table(kind: str, speed: float) -> None:
    """A wheel that turns too slowly, or moves as if it did; afterwards the table as printed."""
    house, operation = HOUSES[BLOWERS[kind]], operation_of(kind)
    result, found = mending(house, operation, Faults(blower_speed=speed), "blower_at_its_table")
    agrees(result, found, solve(house, operation, AS_BUILT))
    assert result.airflow is not None
    assert result.airflow > 0.05 * found.flow_at("return_plenum")


@pytest.mark.parametrize("kind", FURNACES)
def test_a_setting_lower_than_stated(kind: str) -> None:
    house, operation = HOUSES[BLOWERS[kind]], operation_of(kind)
    result, found = mending(house, operation, Faults(wired_setting="medium"), "blower_at_its_table")
    agrees(result, found, solve(house, operation, AS_BUILT))


@pytest.mark.parametrize("kind", FURNACES)
@pytest.mark.parametrize("runs", ["low", "medium", "high"])
def test_the_setting_for_the_design_airflow(kind: str, runs: str) -> None:
    """Of the settings solved one by one, the one whose airflow lies nearest to the design airflow."""
    house = HOUSES[BLOWERS[kind]]
    solutions = {name: solve(house, cooling(name)) for name in house.blower.settings}
    best = min(solutions, key=lambda name: abs(solutions[name].flow_at("return_plenum") - house.design_flow))
    result, found = mending(house, cooling(runs), AS_BUILT, "setting_for_design_airflow")
    agrees(result, found, solutions[best])


def test_the_setting_for_the_rise() -> None:
    house = HOUSES["furnace_1600_m"]
    assert house.gas is not None
    solutions = {name: solve(house, heating(name)) for name in house.blower.settings}

    def rise(name: str) -> float:
        return solutions[name].air_at("supply_plenum").temperature - solutions[name].air[0].temperature

    middle = sum(house.gas.rise) / 2.0
    best = min(solutions, key=lambda name: abs(rise(name) - middle))
    other = max(solutions, key=lambda name: abs(rise(name) - middle))
    assert best != other
    result, found = mending(house, heating(other), AS_BUILT, "setting_for_rise")
    agrees(result, found, solutions[best])
    entry = told(result, "temperature_rise")
    assert abs(entry.change - (rise(best) - rise(other))) <= 2.0 * entry.uncertainty + 0.1


# What is sound gains nothing, and less resistance never less air ---------------------------------------------------

GENEROUS = (
    ("return_pressure_budget", 500.0), ("supply_pressure_budget", 500.0), ("filter_share_usual", 0.9),
    ("coil_share_usual", 0.9), ("filter_face_velocity_usual", 20.0),
)  # fmt: skip
OF_SOUND_PARTS = (
    "clean_filter", "clean_coil", "filter_of_usual_face_velocity", "filter_of_usual_share", "coil_of_usual_share",
    "return_side_to_usual_part", "supply_side_to_usual_part", "blower_at_its_table", "setting_for_design_airflow",
)  # fmt: skip


@pytest.mark.parametrize("kind", FURNACES)
@pytest.mark.parametrize("fix", OF_SOUND_PARTS)
def test_mending_what_is_sound_gains_nothing(kind: str, fix: str) -> None:
    house, operation = HOUSES[BLOWERS[kind]], operation_of(kind)
    result, found = mending(house, operation, AS_BUILT, fix, GENEROUS)
    assert result.airflow == pytest.approx(0.0, abs=0.01 * found.flow_at("return_plenum"))


@given(st.floats(1.0, 200.0), st.sampled_from(["return", "supply"]), st.sampled_from(FURNACES))
@settings(max_examples=25, deadline=None)
def test_less_resistance_never_means_less_air(limit: float, side: str, kind: str) -> None:
    """Nor more pressure; and a lower limit gains at least as much as a higher one."""
    house, operation = HOUSES[BLOWERS[kind]], operation_of(kind)
    fault = Faults(return_undersized=3.0, supply_restricted=3.0)
    written, _ = visit(house, operation, everything(house, operation), faults=fault)
    system = derive.air_system(sheet(written))
    gains = [
        gain(system, f"{side}_side_to_usual_part", PREPARED.ruleset, {f"{side}_pressure_budget": at})
        for at in (limit, 1.2 * limit)
    ]
    if not all(result.quantities for result in gains):  # the system would leave the blower's table
        return
    assert gains[0].airflow is not None
    assert gains[1].airflow is not None
    assert gains[0].airflow >= gains[1].airflow - 1e-9
    assert gains[1].airflow >= -1e-9
    assert told(gains[0], "external_static_pressure").change <= 1e-9


# Leaks -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("side", ["supply", "return"])
def test_a_leak_sealed_against_a_network_solved_here(side: str) -> None:
    """150 cfm of leak past one side's ducts on the invented table; afterwards all the air passes them."""
    pressures, flows = zip(*ROWS, strict=True)
    leak, law = 150.0, {name: (drop, n) for name, drop, n in RESISTANCES if name != "filter"} | {"filter": (0.1, 1.4)}

    def drops(flow: float, lost: float) -> dict[str, float]:
        return {name: drop * ((flow - lost * (name == side)) / 1200.0) ** n for name, (drop, n) in law.items()}

    def crossing(lost: float) -> float:
        return float(
            brentq(
                lambda q: float(np.interp(q, flows[::-1], pressures[::-1])) - sum(drops(q, lost).values()), 906, 1349
            )
        )

    before, after = crossing(leak), crossing(0.0)
    there = drops(before, leak)
    written = network({"kind": "permanent_split_capacitor", "settings": SETTINGS_OF_ROWS}, before)
    stations = {
        "return_plenum": -there["return"], "filter_outlet": -there["return"] - there["filter"],
        "heat_exchanger_outlet": there["coil"] + there["supply"], "supply_plenum": there["supply"],
    }  # fmt: skip
    for reading in written["readings"]:
        if reading["kind"] == "static_pressure":
            reading["value"]["value"] = stations[reading["station"]]
    found = alone(
        written,
        {"kind": "fix_duct_leakage", "side": side, "leakage_airflow": {"value": leak, "unit": "[cft_i]/min"}},
    )
    whole = value(found, "airflow")
    assert whole.after.value / CFM == pytest.approx(after, rel=2e-3)
    through = value(found, "delivered_airflow" if side == "supply" else "drawn_airflow")
    assert through.change.value / CFM == pytest.approx(after - (before - leak), rel=0.02)


def test_registers_tell_what_the_supply_loses() -> None:
    """A tenth of the air does not reach the registers; sealing sends nearly all of it there."""
    house, operation = HOUSES["furnace_1600_m"], cooling("high")
    written, found = visit(house, operation, everything(house, operation))
    flow = found.flow_at("return_plenum")

    def cubic_metres_per_hour(whole: float) -> dict[str, Any]:
        return {"value": whole / 6.0 * 3600.0, "unit": "m3/h"}

    written["readings"] += [
        {
            "kind": "register_airflow",
            "side": "supply",
            "basis": "actual",
            "room": f"room {index}",
            "value": cubic_metres_per_hour(0.9 * found.flow_at("supply_register")),
            "design_airflow": cubic_metres_per_hour(house.design_flow),
        }
        for index in range(6)
    ]
    result = gain(derive.air_system(sheet(written)), "supply_ducts_sealed", PREPARED.ruleset, {})
    delivered = told(result, "delivered_airflow")
    assert delivered.before == pytest.approx(0.9 * flow, rel=0.02)
    assert 0.05 * flow < delivered.change < 0.1 * flow
    assert result.airflow == delivered.change
    assert told(result, "airflow").change < 0.0


def test_without_a_leak_told_none_is_guessed() -> None:
    house, operation = HOUSES["furnace_1600_m"], cooling("high")
    for side in ("supply", "return"):
        result, _ = mending(house, operation, AS_BUILT, f"{side}_ducts_sealed")
        assert result.airflow is None
        assert "register_airflow of all registers" in result.not_projected[0].missing[0]


# Duct runs ---------------------------------------------------------------------------------------------------------

FOOT, INCHES = 0.3048, 0.0254
VISCOSITY = 1.825e-5
"""Pa s, dry air at 20 degC (from memory; US Standard Atmosphere by Sutherland's formula 1.813e-5)."""


def loss(flow: float, diameter: float, length: float, roughness: float, density: float = 1.2014) -> float:
    """Darcy-Weisbach with Colebrook's equation, solved here by bisection; Pa."""
    velocity = flow / (math.pi * diameter**2 / 4.0)
    reynolds = density * velocity * diameter / VISCOSITY

    def off(root: float) -> float:
        return root + 2.0 * math.log10(roughness / (3.7 * diameter) + 2.51 * root / reynolds)

    factor = brentq(off, 1.0, 20.0) ** -2
    return float(factor * length / diameter * density * velocity**2 / 2.0)


def held_network(*runs: dict[str, Any], flow: float = 1000.0) -> dict[str, Any]:
    """A blower that holds its airflow before runs of duct, so that only the ducts answer."""
    written = network({"kind": "constant_airflow"}, flow)
    written["equipment"]["duct_runs"] = list(runs)
    written["equipment"]["design_airflow"] = {"value": flow, "unit": "[cft_i]/min"}
    return written


def test_a_branch_made_wider_takes_its_share_of_the_air() -> None:
    """Two supply branches described, the rest not; split of the air by Colebrook and scipy at the flow that is held."""
    flow, drop = 1000.0 * CFM, 0.16 * (1000.0 / 1200.0) ** 1.88 * INCH
    rough = PREPARED.ruleset.assumptions["roughness_steel"].value
    register = PREPARED.ruleset.assumptions["register_drop"].value
    shared = PREPARED.ruleset.assumptions["branch_drop_share"].value * drop
    small, large = run("north", "supply", 6.0, 30.0, 40.0, 110.0), run("south", "supply", 8.0, 30.0, 40.0, 200.0)

    def through(diameter: float, design: float, pressure: float) -> float:
        def off(q: float) -> float:
            return loss(q, diameter * INCHES, 70.0 * FOOT, rough) + register * (q / (design * CFM)) ** 2 - pressure

        return float(brentq(off, 1e-4, 1.0))

    others = flow - through(6.0, 110.0, shared) - through(8.0, 200.0, shared)
    assert others > 0.0

    def total(pressure: float, diameter: float) -> float:
        return (
            through(diameter, 110.0, pressure) + through(8.0, 200.0, pressure)
            + others * (pressure / shared) ** (1.0 / 1.88)
        )  # fmt: skip

    after = brentq(lambda pressure: total(pressure, 8.0) - flow, 0.1 * shared, shared)
    found = alone(
        held_network(small, large),
        {"kind": "enlarge_duct", "duct_run": "north", "diameter": {"value": 8.0, "unit": "[in_i]"}},
    )
    branch = value(found, "duct_run_airflow")
    assert branch.before.value == pytest.approx(through(6.0, 110.0, shared), rel=0.02)
    assert branch.after.value == pytest.approx(through(8.0, 110.0, after), rel=0.02)
    assert value(found, "external_static_pressure").change.value == pytest.approx(after - shared, rel=0.05)
    assert value(found, "airflow").change.value == pytest.approx(0.0, abs=1e-9)


def test_a_branch_made_wider_takes_air_from_the_others_and_adds_less_than_it_takes() -> None:
    blower = {"kind": "permanent_split_capacitor", "settings": SETTINGS_OF_ROWS}
    written = network(blower, met(0.62))
    written["equipment"]["duct_runs"] = [run("north", "supply", 6.0, 30.0, 40.0, 110.0)]
    written["equipment"]["duct_runs"].append(run("south", "supply", 8.0, 30.0, 40.0, 200.0))
    written["equipment"]["design_airflow"] = {"value": 1000.0, "unit": "[cft_i]/min"}
    found = alone(written, {"kind": "enlarge_duct", "duct_run": "north", "diameter": {"value": 9.0, "unit": "[in_i]"}})
    more, whole = value(found, "duct_run_airflow").change.value, value(found, "airflow").change.value
    assert 0.0 < whole < more


def test_two_runs_of_one_side_made_wider_together() -> None:
    small, large = run("north", "supply", 6.0, 30.0, 40.0, 110.0), run("south", "supply", 6.0, 30.0, 40.0, 110.0)
    wider = [
        {"kind": "enlarge_duct", "duct_run": name, "diameter": {"value": 8.0, "unit": "[in_i]"}}
        for name in ("north", "south")
    ]
    found = only(asked(held_network(small, large), *wider))
    assert found.together is not None
    each = [value(result, "external_static_pressure").change.value for result in found.each]
    assert value(found.together, "external_static_pressure").change.value < min(each) < 0.0


def test_flexible_duct_pulled_straight() -> None:
    """A flexible run alone on the return, 5 ft of 10 in. compressed by 4 %: the external static pressure falls by what
    the compression cost. Factor 1 + 0.58 x 4 exp(-0.126 x 10), from memory of the published fit that `physics.duct`
    names."""
    flow = 350.0 * CFM
    rough = PREPARED.ruleset.assumptions["roughness_flexible"].value
    written = held_network(run("return", "return", 10.0, 5.0, 0.0, None, "flexible", 0.04), flow=350.0)
    result = gain(derive.air_system(sheet(written)), "flexible_duct_straight", PREPARED.ruleset, {})
    cost = 0.58 * 4.0 * math.exp(-0.126 * 10.0) * loss(flow, 10.0 * INCHES, 5.0 * FOOT, rough)
    assert told(result, "external_static_pressure").change == pytest.approx(-cost, rel=0.02)


# In an evaluation --------------------------------------------------------------------------------------------------


def test_an_evaluation_says_what_mended_means_and_what_it_brings() -> None:
    written = next(entry for entry in VISITS if entry.id == "return_small_1600_m")
    with_table = replace(written, table=True, readings=(*written.readings, "power:blower")).request()
    evaluation = pipeline.evaluate(msgspec.convert(with_table, EvaluationRequest, strict=False), prepared())
    context = evaluation.contexts[0]
    result = context.gains["return_side_to_usual_part"]
    limit = next(verdict.upper for verdict in context.verdicts if verdict.criterion == "return_pressure_budget")
    house = written.house
    before = solve(house, written.operation, written.faults)
    assert limit == pytest.approx(0.2 * house.rated_maximum)
    factor = written.faults.return_undersized * limit / side_drop(before, "return")
    after = solve(house, written.operation, replace(written.faults, return_undersized=factor))
    entry = told(result, "airflow")
    assert abs(entry.change - (after.flow_at("return_plenum") - before.flow_at("return_plenum"))) <= (
        2.0 * entry.uncertainty + 0.02 * entry.before
    )
    ranked = [
        cause for finding in context.findings for cause in finding.causes
        if cause.cause == "return_ducts_or_grilles_too_small"
    ]  # fmt: skip
    assert ranked
    assert all(cause.projected_gain == result.airflow for cause in ranked)


# Other air, and a blower that holds its airflow --------------------------------------------------------------------


def cooled_at(table: bool) -> dict[str, Any]:
    """The visit whose cooling is weak, with or without its performance table."""
    from tests.visits.cooling_faults import VISITS as COOLING

    written = copy.deepcopy(next(entry for entry in COOLING if entry.id == "cooling_weak_1600_m").request())
    if not table:
        del written["equipment"]["cooling_performance"]
    return written


def test_capacity_in_other_air_goes_with_the_mass_flow_by_the_table() -> None:
    """Interpolated here by scipy between the table's rows at the mass flow that the projection tells."""
    from scipy.interpolate import LinearNDInterpolator

    written = cooled_at(True)
    found = alone(written, {"kind": "other_air", "elevation": {"value": 1400.0, "unit": "m"}})
    capacity, airflow = value(found, "net_total_capacity"), value(found, "airflow")
    assert any("Capacity goes with the mass flow over the coil" in note for note in found.notes)
    system = derive.air_system(sheet(written))
    assert system.wet_bulb is not None
    assert system.outdoor is not None
    # ISA by the barometric formula: density goes with pressure at one temperature.
    thicker = (1.0 - 2.25577e-5 * 1400.0) ** 5.25588 * 101325.0 / system.station_pressure
    standard = airflow.before.value * system.density.value / 1.2014
    more = airflow.after.value / airflow.before.value * thicker
    rows = system.performance
    table = LinearNDInterpolator(
        [(row.return_wet_bulb, row.outdoor_temperature, row.airflow * 100.0) for row in rows],
        [row.total for row in rows],
    )
    at = [
        float(table(system.wet_bulb.value, system.outdoor.value, flow * 100.0)) for flow in (standard, standard * more)
    ]
    assert at[1] > at[0]
    assert capacity.after.value / capacity.before.value == pytest.approx(at[1] / at[0], rel=0.003)


def test_capacity_in_other_air_is_not_guessed_without_a_table() -> None:
    found = alone(cooled_at(False), {"kind": "other_air", "elevation": {"value": 1400.0, "unit": "m"}})
    (entry,) = [entry for entry in found.not_projected if entry.subject == "net_total_capacity"]
    assert "only a performance table tells" in entry.reason
    assert value(found, "airflow").change.value != 0.0


def test_a_held_airflow_in_thin_air_is_as_sure_as_the_assumption() -> None:
    """Volume held against mass held: ln of the density ratio times the exponent's standard uncertainty, of the flow."""
    assumed = PREPARED.ruleset.assumptions["held_airflow_density_exponent"]
    assert assumed.value == 0.0
    written = network({"kind": "constant_airflow"}, 976.0)
    found = alone(written, {"kind": "other_air", "elevation": {"value": 2000.0, "unit": "m"}})
    airflow = value(found, "airflow")
    assert airflow.change.value == pytest.approx(0.0, abs=1e-9)
    ratio = (1.0 - 2.25577e-5 * 2000.0) ** 5.25588
    assert airflow.change.uncertainty / airflow.before.value == pytest.approx(
        -math.log(ratio) * assumed.uncertainty, rel=0.02
    )
    assert any("hold its volume flow" in note for note in found.notes)


def test_another_setting_of_a_blower_whose_held_airflow_rises_a_little() -> None:
    """Rows that rise with pressure tell no curve; the held airflow goes as the two settings' rows stand."""
    tables = [
        {
            "setting": name,
            "rows": [
                {"external_static_pressure": {"value": p, "unit": "[in_i'H2O]"},
                 "airflow": {"value": whole + 10.0 * p, "unit": "[cft_i]/min"}}
                for p in (0.1, 0.5, 0.9)
            ],
        }
        for name, whole in (("high", 971.0), ("low", 800.0))
    ]  # fmt: skip
    written = network({"kind": "constant_airflow", "settings": tables}, 976.0)
    found = alone(written, {"kind": "speed_setting", "setting": "low"})
    airflow, pressure = value(found, "airflow"), value(found, "external_static_pressure")
    at = pressure.before.value / INCH
    assert airflow.after.value / airflow.before.value == pytest.approx((800.0 + 10.0 * at) / (971.0 + 10.0 * at))
    through = airflow.after.value / airflow.before.value
    expected = sum(drop * (976.0 / 1200.0 * through) ** n for _, drop, n in RESISTANCES)
    assert pressure.after.value / INCH == pytest.approx(expected, rel=0.01)


def test_belt_slip_with_the_wheel_speed_read_is_told_by_the_fan_laws() -> None:
    """A wheel at 85 % of its table's speed: the table agrees with the flow, and speed alone mends it."""
    house, operation = HOUSES["belt_driven_1600_m"], operation_of("belt_driven")
    written, found = visit(house, operation, everything(house, operation), faults=Faults(blower_speed=0.85))
    written["equipment"]["blower"]["table_speed"] = {"value": 1000.0, "unit": "{rotation}/min"}
    written["readings"].append({"kind": "rotational_speed", "value": {"value": 850.0, "unit": "{rotation}/min"}})
    result = gain(derive.air_system(sheet(written)), "blower_at_its_table", PREPARED.ruleset, {})
    agrees(result, found, solve(house, operation, AS_BUILT))


def test_the_answer_holds_it_with_the_causes_of_the_context() -> None:
    from service.wire import render
    from tests.visits.resistance_faults import VISITS as RESISTANCE_VISITS

    written = next(entry for entry in RESISTANCE_VISITS if entry.id == "filter_loaded_1600_m")
    request = replace(written, table=True, readings=(*written.readings, "power:blower")).request()
    evaluation = pipeline.evaluate(msgspec.convert(request, EvaluationRequest, strict=False), prepared())
    answer = msgspec.to_builtins(render.result(evaluation, PREPARED.ruleset, PREPARED.units, "ip"))
    loaded = next(cause for cause in answer["causes"] if cause["code"] == "filter_loaded_with_dirt")
    mended = loaded["mended"]
    assert mended["fix"] == "clean_filter"
    assert mended["meaning"] == PREPARED.ruleset.fixes["clean_filter"].meaning
    told_of = {entry["name"]: entry for entry in mended["quantities"]}
    assert {"airflow", "external_static_pressure", "blower_power", "net_total_capacity"} <= set(told_of)
    airflow = told_of["airflow"]
    assert airflow["change"]["value"] == pytest.approx(loaded["projected_gain"]["value"], rel=1e-5)
    assert airflow["after"]["value"] - airflow["before"]["value"] == pytest.approx(airflow["change"]["value"], abs=0.01)
    assert airflow["expanded_uncertainty_of_change"]["value"] > 0.0
    assert airflow["before"]["unit"] == "[cft_i]/min"
    for cause in answer["causes"]:
        if "mended" in cause:
            assert cause["mended"]["quantities"] or cause["mended"]["not_projected"]
        else:  # what is unlikely is not projected: it would take longer than all the rest
            least = PREPARED.ruleset.evidence.words["possible"].value
            assert PREPARED.ruleset.causes[cause["code"]].fix is None or cause["belief"] < least
