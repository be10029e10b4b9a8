"""Leakage tests carried to standard air, and what follows from them, against truth, print and other libraries."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from service.derive import Worksheet
from service.derive.leakage import derive_leakage
from service.model.quantity import Measured
from tests.derive.sheets import reading, request, sheet, sheets, static
from tests.visits import house_air
from tests.visits.house_air import DWELLINGS, RESTING, Dwelling

CFM = 4.719474432e-4
SQUARE_INCH = 0.00064516
TESTED = [dwelling for dwelling in DWELLINGS if "envelope" in dwelling.readings]


def test_of(kind: str, points: list[tuple[float, float]], **more: Any) -> dict[str, Any]:
    """A leakage test with pressures in Pa and flows in cfm."""
    return {
        "kind": kind,
        "points": [
            {"pressure": {"value": p, "unit": "Pa"}, "airflow": {"value": q, "unit": "[cft_i]/min"}} for p, q in points
        ],
        **more,
    }


test_of.__test__ = False  # type: ignore[attr-defined]


def envelope(*points: tuple[float, float], direction: str = "depressurization") -> dict[str, Any]:
    return test_of("envelope_leakage", list(points), direction=direction)


def ducts(*points: tuple[float, float], extent: str = "total") -> dict[str, Any]:
    return test_of("duct_leakage", list(points), extent=extent)


def places(indoor: float, outdoor: float) -> tuple[dict[str, Any], dict[str, Any]]:
    return (
        reading("dry_bulb_temperature", indoor, "Cel", location="indoor"),
        reading("dry_bulb_temperature", outdoor, "Cel", location="outdoor"),
    )


def house(*readings: dict[str, Any], feet: float = 0.0, **site: Any) -> Worksheet:
    facts = {"elevation": {"value": feet, "unit": "[ft_i]"}, **site}
    return sheet(request(*readings, site=facts, states=[{"id": "s", "mode": "fan_only"}]))


def value(worked: Worksheet, name: str) -> float:
    return worked.quantities[name].value


# Against truth and print -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("dwelling", TESTED, ids=lambda dwelling: dwelling.id)
def test_the_leaks_of_a_simulated_house_are_found(dwelling: Dwelling) -> None:
    """Truth: flow of standard air at 50 Pa and exponent that the house was built with; fan shown to 1 cfm."""
    worked = sheets(house_air.request(dwelling))[0]
    assert value(worked, "envelope_leakage") / CFM == pytest.approx(dwelling.envelope, rel=0.003)
    assert value(worked, "envelope_leakage_exponent") == pytest.approx(dwelling.envelope_exponent, abs=0.003)
    if "ducts" in dwelling.readings:
        assert value(worked, "duct_leakage_total") / CFM == pytest.approx(dwelling.duct_total, rel=0.01)


def test_effective_leakage_area_and_air_changes_of_a_printed_example() -> None:
    """ELA (in2) = 0.28332 x Q4 (cfm) at 1.2 kg/m3; 1500 cfm at 50 Pa and n 0.65 make 82.3 in2 (ASTM E779, computed)."""
    worked = house(envelope((50.0, 1500.0)), *places(20.0, 20.0), volume={"value": 16000, "unit": "[cft_i]"})
    assert value(worked, "effective_leakage_area") / SQUARE_INCH == pytest.approx(82.3, rel=0.005)
    assert value(worked, "envelope_air_changes") * 3600.0 == pytest.approx(1500.0 * 60.0 / 16000.0, rel=0.005)


@pytest.mark.parametrize("feet", [2000.0, 5000.0, 7500.0])
def test_the_correction_for_elevation_agrees_with_the_standards(feet: float) -> None:
    """ANSI/RESNET/ICC 380: factor 1 + 6e-6 per foot (remembered); the physics stays within 0.3 % of it."""
    low, high = (house(envelope((50.0, 1500.0)), *places(20.0, 20.0), feet=level) for level in (0.0, feet))
    factor = value(high, "envelope_leakage") / value(low, "envelope_leakage")
    assert factor == pytest.approx(1.0 + 6e-6 * feet, abs=0.003)


def test_the_correction_for_temperature() -> None:
    """Depressurising, 68 degF in, 32 degF out: leaks pass 0.932 of the fan's flow (mass balance); ASTM E779's factor
    for viscosity and density is 1.0082 with n 0.65."""
    warm, cold = (house(envelope((50.0, 1500.0)), *places(20.0, outside)) for outside in (20.0, 0.0))
    ratio = value(cold, "envelope_leakage") / value(warm, "envelope_leakage")
    assert ratio == pytest.approx(0.932 * 1.0082, rel=0.001)


def test_leakage_in_operation() -> None:
    """38 cfm at 25 Pa, ducts at half of 62 Pa: 43.2 cfm (power law with n 0.6, computed)."""
    pascals = 62.0 / 249.08891
    worked = house(
        ducts((25.0, 38.0)), static("return_plenum", -pascals), static("supply_plenum", pascals), *places(20.0, 20.0)
    )
    assert value(worked, "duct_leakage_operating") / CFM == pytest.approx(43.2, rel=0.01)


def test_attic_air_in_the_return_is_the_share_it_was_mixed_with() -> None:
    """Adiabatic mixing by mass: dry bulbs lie on a straight line (HOF 2017 ch. 1)."""
    dwelling = next(d for d in DWELLINGS if d.attic_in_return and not d.garage_return_leak)
    worked = next(s for s in sheets(house_air.request(dwelling)) if s.state.id == "blowing")
    found = worked.quantities["return_leak_fraction_attic"]
    assert found.value == pytest.approx(dwelling.attic_in_return, abs=0.005)
    assert abs(found.value - dwelling.attic_in_return) < 2.0 * found.uncertainty


def test_leakage_per_floor_area() -> None:
    """IECC's unit: 80 cfm in 2000 ft2 are 4 cfm per 100 ft2."""
    worked = house(ducts((25.0, 80.0)), *places(20.0, 20.0), floor_area={"value": 2000, "unit": "[sft_i]"})
    assert value(worked, "duct_leakage_total_per_floor_area") / (CFM / 9.290304) == pytest.approx(4.0, rel=0.005)


# Uncertainty -----------------------------------------------------------------------------------------------------

SCATTERED = ((60.0, 1711.0), (50.0, 1480.0), (40.0, 1310.0), (30.0, 1058.0), (20.0, 835.0), (12.0, 590.0))


def test_exponent_and_its_scatter_are_those_of_least_squares() -> None:
    """scipy.stats.linregress on the logarithms; its standard error widened as Student's t with n - 2."""
    worked = house(envelope(*SCATTERED), *places(20.0, 20.0))
    line = stats.linregress(np.log([p for p, _ in SCATTERED]), np.log([q for _, q in SCATTERED]))
    found = worked.quantities["envelope_leakage_exponent"]
    assert found.value == pytest.approx(line.slope, rel=1e-9)
    widening = stats.t.ppf(0.975, len(SCATTERED) - 2) / stats.norm.ppf(0.975)
    assert found.terms["reading.0.slope"] == pytest.approx(line.stderr * widening, rel=1e-9)
    at_one = worked.quantities["envelope_leakage_coefficient"]
    scatter = math.hypot(at_one.terms["reading.0.slope"], at_one.terms["reading.0.level"]) / at_one.value
    assert scatter == pytest.approx(line.intercept_stderr * widening, rel=0.02)


@pytest.mark.parametrize(("name", "pressure"), [("envelope_leakage", 50.0), ("effective_leakage_area", 4.0)])
def test_errors_of_the_instruments_come_through_as_drawn(name: str, pressure: float) -> None:
    """Monte Carlo: points on one power law, each source of error drawn as its own normal, numpy's own line."""
    points = [(p, round(100.0 * (p / 50.0) ** 0.65 * 15.0, 6)) for p in (60.0, 45.0, 30.0, 20.0, 12.0)]
    worked = house(envelope(*points), *places(20.0, 20.0))
    (test,) = worked.visit.leakage_tests
    generator = np.random.default_rng(20260414)
    draws: dict[str, Any] = {}

    def drawn(entry: Any) -> Any:
        total = np.full(20000, entry.value)
        for source, term in entry.terms.items():
            total = total + term * draws.setdefault(source, generator.standard_normal(20000))
        return total

    x = np.log(np.array([drawn(p) for p, _ in test.points]))
    y = np.log(np.array([drawn(q) for _, q in test.points]))
    slope = ((x - x.mean(0)) * (y - y.mean(0))).sum(0) / ((x - x.mean(0)) ** 2).sum(0)
    flow = np.exp(y.mean(0) + slope * (math.log(pressure) - x.mean(0)))
    found = worked.quantities[name]
    instrument = math.hypot(*(term for source, term in found.terms.items() if source in draws))
    assert instrument / found.value == pytest.approx(float(flow.std() / flow.mean()), rel=0.05)


def test_a_single_point_is_sure_at_its_own_pressure_and_doubtful_far_from_it() -> None:
    """ln(50/4) x 0.05 = 12.6 % of the flow at 4 Pa from the exponent alone."""
    worked = house(envelope((50.0, 1500.0)), *places(20.0, 20.0))
    exponent = "assumption.leakage_exponent_envelope"
    at_50, at_4 = worked.quantities["envelope_leakage"], worked.quantities["effective_leakage_area"]
    assert abs(at_50.terms.get(exponent, 0.0)) / at_50.value < 0.005
    assert abs(at_4.terms[exponent]) / at_4.value == pytest.approx(math.log(50.0 / 4.0) * 0.05, rel=0.05)


# Properties ------------------------------------------------------------------------------------------------------


def test_units_do_not_matter() -> None:
    same = envelope(*SCATTERED)
    for point in same["points"]:
        point["pressure"] = {"value": point["pressure"]["value"] / 249.08891, "unit": "[in_i'H2O]"}
        point["airflow"] = {"value": point["airflow"]["value"] * CFM * 3600.0, "unit": "m3/h"}
    plain, other = (house(entry, *places(20.0, 5.0)) for entry in (envelope(*SCATTERED), same))
    for name in ("envelope_leakage", "envelope_leakage_exponent", "effective_leakage_area"):
        assert other.quantities[name].value == pytest.approx(plain.quantities[name].value, rel=1e-9)
        assert other.quantities[name].uncertainty == pytest.approx(plain.quantities[name].uncertainty, rel=1e-6)


def test_both_directions_of_a_house_in_still_air_agree() -> None:
    """With equal air inside and outside the direction does not matter."""
    down, up = (
        house(envelope(*SCATTERED, direction=way), *places(20.0, 20.0))
        for way in ("depressurization", "pressurization")
    )
    assert value(up, "envelope_leakage") == pytest.approx(value(down, "envelope_leakage"), rel=1e-12)


def test_points_close_together_get_the_usual_exponent() -> None:
    worked = house(envelope((49.0, 1490.0), (50.0, 1500.0), (51.0, 1530.0)), *places(20.0, 20.0))
    assert value(worked, "envelope_leakage_exponent") == 0.65
    assert "leakage_exponent.assumed" in worked.observations


def test_what_was_not_tested_is_not_there() -> None:
    worked = house(*places(20.0, 20.0))
    assert not [name for name in worked.quantities if "leakage" in name]
    assert not [name for name in worked.lacking if "leakage" in name]
    dwelling = DWELLINGS[0]
    resting = next(s for s in sheets(house_air.request(dwelling)) if s.state.id == RESTING.id)
    assert "duct_leakage_operating" not in {*resting.quantities, *resting.lacking}


def test_an_absurd_test_is_lacking_or_seen_and_never_raises() -> None:
    falling = house(envelope((20.0, 900.0), (40.0, 500.0), (60.0, 300.0)), *places(20.0, 20.0))
    assert value(falling, "envelope_leakage_exponent") < 0.0
    assert "envelope_leakage" in falling.lacking
    assert "envelope_air_changes" not in falling.quantities


def test_registers_are_set_against_a_method_at_the_equipment_not_against_an_estimate_they_are_part_of() -> None:
    """Continuity: 850 of 1000 cfm arrive; the sum itself is made elsewhere."""
    grid = reading("airflow", 1000.0, "[cft_i]/min", location="filter_inlet", basis="actual", method="flow_grid")
    worked = house(grid, *places(20.0, 20.0))
    worked.record("register_airflow_supply", Measured(850.0 * CFM), "sum", ())
    derive_leakage(worked)
    assert value(worked, "register_supply_to_airflow") == pytest.approx(0.85)
    assert worked.quantities["register_supply_to_airflow"].inputs == ("register_airflow_supply", "airflow_measured")
    alone = house(*places(20.0, 20.0))
    alone.record("register_airflow_supply", Measured(850.0 * CFM), "sum", ())
    derive_leakage(alone)
    assert alone.lacking["register_supply_to_airflow"] == ("an airflow method at the equipment",)
