"""Duct runs as derived from a visit, against hand formulas outside the project and a worked example."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from service.derive import Worksheet
from service.derive import ducts as step
from service.model.quantity import Quantity
from tests.derive.sheets import PREPARED, reading, request, sheet, static
from tests.visits.duct_faults import VISITS, DuctVisit, run
from tests.visits.house import CFM, INCH

PER_100_FEET = INCH / 30.48
NAMES = {
    "duct_equivalent_diameter", "supply_run_velocity", "return_run_velocity", "duct_compression_factor",
    "duct_run_friction", "duct_run_loss", "total_effective_length", "available_static_pressure",
    "available_friction_rate", "duct_run_friction_to_available", "duct_diameter_for_flow",
}  # fmt: skip


def found(worked: Worksheet, name: str, subject: str | None = None) -> Quantity:
    return next(q for q in worked.quantities.values() if q.name == name and subject in (None, q.subject))


def colebrook(flow: float, diameter: float, roughness: float, density: float) -> float:
    """Pa/m by Darcy-Weisbach, Colebrook's equation (HOF ch. 21) iterated to a fixed point here."""
    velocity = flow / (math.pi / 4 * diameter**2)
    reynolds = density * velocity * diameter / 1.82e-5
    root = 0.15
    for _ in range(60):
        root = 1.0 / (-2.0 * math.log10(roughness / diameter / 3.7 + 2.51 / (reynolds * root)))
    return float(root**2 / diameter * density * velocity**2 / 2)


@pytest.mark.parametrize("visit", VISITS, ids=lambda visit: visit.id)
def test_friction_velocity_and_loss_by_hand(visit: DuctVisit) -> None:
    worked = sheet(visit.request())
    density = worked.quantities["return_air_density"].value
    for entry in visit.runs:
        name, flow = entry["name"], entry["design_airflow"]["value"] * CFM
        if entry["shape"] == "round":
            diameter = entry["diameter"]["value"] * 0.0254
            area = math.pi / 4 * diameter**2
        else:
            a, b = entry["width"]["value"] * 0.0254, entry["height"]["value"] * 0.0254
            diameter = 1.30 * (a * b) ** 0.625 / (a + b) ** 0.25
            area = a * b
            assert found(worked, "duct_equivalent_diameter", name).value == pytest.approx(diameter)
        factor = 1.0 + 0.58 * 100 * entry.get("compression", 0.0) * math.exp(-0.126 * diameter / 0.0254)
        rough = 9e-5 if entry["material"] == "galvanized_steel" else 9e-4
        friction = colebrook(flow, diameter, rough, density) * factor
        assert found(worked, "duct_run_friction", name).value == pytest.approx(friction, rel=1e-6)
        assert found(worked, f"{entry['side']}_run_velocity", name).value == pytest.approx(flow / area)
        length = (entry["length"]["value"] + entry["fittings_equivalent_length"]["value"]) * 0.3048
        assert found(worked, "duct_run_loss", name).value == pytest.approx(friction * length, rel=1e-6)


def test_equivalent_diameter_of_the_handbook() -> None:
    """8 x 20 in. of 13.5 in. (HOF ch. 21, table of circular equivalents; from memory, computed 13.48)."""
    worked = sheet(next(visit for visit in VISITS if visit.id == "ducts_small_1600_m").request())
    assert found(worked, "duct_equivalent_diameter").value / 0.0254 == pytest.approx(13.5, abs=0.05)


def example(**equipment: Any) -> dict[str, Any]:
    """0.50 in. w.c. rated; filter 0.10 and coil 0.20 read at the design airflow; 250 ft of ducts."""
    return request(
        static("return_plenum", -0.1),
        static("filter_outlet", -0.2),
        static("heat_exchanger_outlet", 0.30),
        static("supply_plenum", 0.10),
        reading("dry_bulb_temperature", 70.0, "[degF]", location="return_plenum"),
        reading("airflow", 1200.0, "[cft_i]/min", location="filter_inlet", basis="actual"),
        site={"elevation": {"value": 0.0, "unit": "m"}},
        states=[{"id": "fan", "mode": "fan_only"}],
        equipment={
            "design_airflow": {"value": 1200.0, "unit": "[cft_i]/min"},
            "rated_maximum_external_static_pressure": {"value": 0.5, "unit": "[in_i'H2O]"},
            "duct_runs": [
                run("return", "return", 20.0, 50.0, 50.0, 1200.0),
                run("longest supply", "supply", 7.0, 60.0, 90.0, 120.0),
                run("short supply", "supply", 7.0, 10.0, 20.0, 120.0),
            ],
            **equipment,
        },
    )


def test_worked_example_of_the_friction_rate() -> None:
    """.50 - (.20 + .10 + .03 + .03) = .14 in. w.c. over 250 ft: .056 per 100 ft (worked by hand after the idea of
    ACCA Manual D; the service takes grille and register at 7.5 Pa, .0301 in. w.c.)."""
    worked = sheet(example())
    assert found(worked, "available_static_pressure").value / INCH == pytest.approx(0.14, abs=5e-4)
    assert found(worked, "total_effective_length").value / 0.3048 == pytest.approx(250.0)
    assert found(worked, "available_friction_rate").value / PER_100_FEET == pytest.approx(0.056, abs=2e-4)


def test_a_trunk_and_its_longest_branch_lie_one_after_the_other() -> None:
    """100 ft of return, then a supply trunk of 40 ft and the longer of two branches, 150 ft: 290 ft by addition."""
    trunk = run("trunk", "supply", 18.0, 20.0, 20.0, 1200.0)
    written = example(duct_runs=[*example()["equipment"]["duct_runs"], trunk])
    worked = sheet(written)
    assert found(worked, "total_effective_length").value / 0.3048 == pytest.approx(290.0)
    assert found(worked, "available_friction_rate").value / PER_100_FEET == pytest.approx(0.14 / 2.9, abs=2e-4)


def test_the_diameter_that_would_serve_has_the_friction_rate() -> None:
    """Inverse of friction: by the equation as iterated here."""
    worked = sheet(example())
    density = worked.quantities["return_air_density"].value
    diameter = found(worked, "duct_diameter_for_flow", "short supply").value
    rate = found(worked, "available_friction_rate").value
    assert colebrook(120.0 * CFM, diameter, 9e-5, density) == pytest.approx(rate, rel=1e-6)
    ratio = found(worked, "duct_run_friction_to_available", "short supply").value
    assert (ratio > 1.0) == (diameter > 7.0 * 0.0254)


def test_thin_air_loses_less() -> None:
    """500 cfm in 10 in.: .1286 in. w.c. per 100 ft in standard air, .1102 at .0623 lb/ft3 (fluids, computed)."""
    runs = [run("trunk", "supply", 10.0, 10.0, 0.0, 500.0)]
    low, high = example(duct_runs=runs), example(duct_runs=runs)
    high["site"] = {"elevation": {"value": 5000.0, "unit": "[ft_i]"}}
    at = [found(sheet(written), "duct_run_friction").value / PER_100_FEET for written in (low, high)]
    assert at[0] == pytest.approx(0.1286, rel=0.01)
    assert at[1] / at[0] == pytest.approx(0.1102 / 0.1286, rel=0.005)


def test_a_run_alone_on_its_side_carries_the_airflow() -> None:
    written = example(duct_runs=[run("return", "return", 20.0, 50.0, 50.0, None)])
    velocity = found(sheet(written), "return_run_velocity")
    assert velocity.value == pytest.approx(1200 * CFM / (math.pi / 4 * (20 * 0.0254) ** 2))
    assert velocity.uncertainty > 0.0
    two = example(duct_runs=[run(name, "return", 20.0, 50.0, 50.0, None) for name in ("one", "other")])
    worked = sheet(two)
    assert "return_run_velocity" not in worked.quantities
    assert worked.lacking["return_run_velocity"] == ("design_airflow of the duct run other",)


def test_a_flexible_duct_outside_the_tests_is_not_computed() -> None:
    worked = sheet(example(duct_runs=[run("wide", "supply", 14.0, 10.0, 0.0, 500.0, "flexible", 0.1)]))
    assert "duct_run_friction" not in worked.quantities
    assert "flexible_duct.untested" in worked.observations
    assert "flexible duct within what was tested" in worked.lacking["duct_compression_factor"][0]


def test_without_duct_runs_nothing_is_said() -> None:
    worked = sheet(example(duct_runs=[]))
    assert NAMES & set(worked.quantities) == set()
    assert NAMES & set(worked.lacking) == set()


def test_every_quantity_is_in_the_vocabulary() -> None:
    assert set(PREPARED.ruleset.quantities) >= NAMES


def test_friction_and_diameter_scatter_as_propagated() -> None:
    """Sampling of roughness, density, compression and rate (JCGM 101), 5 %."""
    soft = run("soft", "supply", 8.0, 60.0, 90.0, 120.0, "flexible", 0.05)
    written = example(duct_runs=[run("return", "return", 20.0, 50.0, 50.0, 1200.0), soft])
    worked = sheet(written)
    chance = np.random.default_rng(7)
    rate, density = found(worked, "available_friction_rate"), worked.quantities["return_air_density"]
    rough, factor = worked.assumption("roughness_flexible"), found(worked, "duct_compression_factor")
    draws: dict[str, list[float]] = {"duct_run_friction": [], "duct_diameter_for_flow": []}
    sources = sorted({*rate.terms, *density.terms, *rough.terms, *factor.terms})
    for _ in range(4000):
        drawn = dict(zip(sources, map(float, chance.standard_normal(len(sources))), strict=True))
        e, k, rho, r = (q.value + sum(t * drawn[s] for s, t in q.terms.items()) for q in (rough, factor, density, rate))
        e = max(e, 1e-6)
        draws["duct_run_friction"].append(k * step.duct.loss_per_length(120 * CFM, 8 * 0.0254, e, rho))
        draws["duct_diameter_for_flow"].append(step.duct.diameter_for_flow(120 * CFM, max(r, 1e-3) / k, e, rho))
    spread = np.std(draws["duct_run_friction"])
    assert found(worked, "duct_run_friction", "soft").uncertainty == pytest.approx(spread, rel=0.05)
    # A diameter goes with the fifth root of the rate, which is bent over the tails of a rate known to a fifth.
    bent = np.std(draws["duct_diameter_for_flow"])
    assert found(worked, "duct_diameter_for_flow", "soft").uncertainty == pytest.approx(bent, rel=0.05)
    assert found(worked, "duct_diameter_for_flow", "soft").method.endswith("; uncertainty by sampling")
