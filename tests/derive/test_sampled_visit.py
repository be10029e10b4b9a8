"""The uncertainty of every derived quantity of a whole visit against sampling of its error sources (JCGM 101).

Each independent error source is drawn from a normal distribution by its name. A draw moves the readings and ratings
through their own terms, and the tolerances, assumptions and exponents that `derive` brings in; the moved visit is
then worked out again without any uncertainty. What scatters is compared with what was propagated.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Any

import msgspec
import numpy as np
import pytest

from service import derive, normalise
from service.derive import Worksheet, airflow, capacity, condition, energy, flow_methods
from service.derive import air as air_step
from service.model.quantity import Measured
from service.model.ruleset import Ruleset
from service.model.visit import Traverse, Visit
from service.physics.uncertainty import WeightedMean, weighted_mean
from service.wire.request import EvaluationRequest
from tests.derive.sheets import PREPARED, everything, visit
from tests.visits.cooling_faults import table
from tests.visits.heat_and_flow import EVEN, gas_meter, registers, traverse
from tests.visits.house import House, Operation
from tests.visits.library import HOUSES, cooling, heating

DRAWS = 4000
"""The standard deviation of 4000 draws is known to 1.1 %, so that 5 % are more than four standard deviations of it."""


class Draw(defaultdict[str, float]):
    """One draw of every error source, by name, made when it is first asked for."""

    def __init__(self, chance: np.random.Generator) -> None:
        super().__init__()
        self.chance = chance

    def __missing__(self, source: str) -> float:
        self[source] = float(self.chance.standard_normal())
        return self[source]

    def moved(self, entry: Measured) -> Measured:
        return Measured(entry.value + sum(term * self[source] for source, term in entry.terms.items()))


def moved_visit(plain: Visit, draw: Draw) -> Visit:
    readings = tuple(
        msgspec.structs.replace(reading, measured=draw.moved(reading.measured)) for reading in plain.readings
    )
    ratings = {name: draw.moved(entry) for name, entry in plain.equipment.ratings.items()}
    clocks = tuple(
        msgspec.structs.replace(
            clock,
            volume=draw.moved(clock.volume),
            seconds=draw.moved(clock.seconds),
            heating_value=draw.moved(clock.heating_value),
        )
        for clock in plain.gas_clocks
    )
    return msgspec.structs.replace(
        plain,
        readings=readings,
        gas_clocks=clocks,
        traverses=tuple(moved_traverse(traverse, draw) for traverse in plain.traverses),
        equipment=msgspec.structs.replace(plain.equipment, ratings=ratings),
    )


def moved_traverse(plain: Traverse, draw: Draw) -> Traverse:
    """One draw of the gauge's zero and scale for all points, and of each point's own error."""
    zero, scale = plain.zero * draw[f"{plain.instrument}.zero"], plain.scale * draw[f"{plain.instrument}.scale"]

    def moved(points: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(
            point * (1.0 + scale) + zero + plain.each * draw[f"{plain.key}.{index}"]
            for index, point in enumerate(points)
        )

    return msgspec.structs.replace(
        plain,
        velocity_pressures=moved(plain.velocity_pressures),
        velocities=moved(plain.velocities),
        zero=0.0,
        scale=0.0,
        each=0.0,
    )


def moved_rules(rules: Ruleset, draw: Draw) -> Ruleset:
    elements = {
        kind: msgspec.structs.replace(
            entry,
            exponent=entry.exponent + entry.exponent_uncertainty * draw[f"exponent.{kind}"],
            exponent_uncertainty=0.0,
        )
        for kind, entry in rules.elements.items()
    }
    return msgspec.structs.replace(rules, elements=elements)


@pytest.fixture
def draws(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """Turns what `derive` adds of its own into the draw in force, and keeps the weights of the airflow methods."""
    now: dict[str, Any] = {}
    assumed = Worksheet.assumption

    def with_tolerance(entry: Measured, source: str, share: float) -> Measured:
        return Measured(entry.value * (1.0 + share * now["draw"][source]))

    def mixed(sheet: Worksheet, temperature: Measured, location: str) -> Measured:
        spread = sheet.ruleset.assumptions["temperature_mixing"].uncertainty
        return Measured(temperature.value + spread * now["draw"][f"mixing.{location}"])

    def assumption(sheet: Worksheet, name: str) -> Measured:
        return now["draw"].moved(assumed(sheet, name))

    def weighed(values: list[float], covariance: list[list[float]]) -> WeightedMean:
        weights = next(now["weights"])
        mean = sum(weight * value for weight, value in zip(weights, values, strict=True))
        return WeightedMean(mean, 0.0, weights, 0.0, len(values) - 1)

    def begin() -> dict[str, Any]:
        monkeypatch.setattr(flow_methods, "with_tolerance", with_tolerance)
        monkeypatch.setattr(energy, "with_tolerance", with_tolerance)
        monkeypatch.setattr(airflow, "with_tolerance", with_tolerance)
        monkeypatch.setattr(condition, "with_tolerance", with_tolerance)
        monkeypatch.setattr(capacity, "with_tolerance", with_tolerance)
        monkeypatch.setattr(air_step, "mixed", mixed)
        monkeypatch.setattr(capacity, "_mixed", mixed)
        monkeypatch.setattr(Worksheet, "assumption", assumption)
        monkeypatch.setattr(airflow, "weighted_mean", weighed)
        return now

    return begin


VISITS = [
    ("furnace_1600_m", heating("high")),
    ("furnace_sea_level", cooling("high")),
    ("air_handler_sea_level", heating("tap 3")),
    ("packaged_1600_m", cooling("high")),
]


def add_cooling(request: dict[str, Any], house: House, operation: Operation) -> None:
    """The maker's performance table, the air outdoors and a register two kelvin warmer than the plenum."""
    request["equipment"]["cooling_performance"] = table(house, operation, "net")
    (supply,) = [
        r for r in request["readings"] if r["kind"] == "dry_bulb_temperature" and r["location"] == "supply_plenum"
    ]
    warmer = {"value": supply["value"]["value"] + 2.0, "unit": supply["value"]["unit"]}
    request["readings"] += [
        {**supply, "location": "supply_register", "value": warmer},
        {**supply, "location": "outdoor", "value": {"value": 32.0, "unit": "Cel"}},
    ]


def scattered(
    request: dict[str, Any], draws: Any, monkeypatch: pytest.MonkeyPatch
) -> tuple[Worksheet, dict[str, list[float]]]:
    """The visit worked out as propagated, and every quantity's values over the draws."""
    plain = normalise.normalise(
        msgspec.convert(request, EvaluationRequest, strict=False), PREPARED.ruleset, PREPARED.units
    )
    kept: list[tuple[float, ...]] = []

    def remember(values: Any, covariance: Any) -> WeightedMean:
        result = weighted_mean(values, covariance)
        kept.append(result.weights)
        assert result.chi_square <= result.degrees_of_freedom, "choose a visit whose methods agree"
        return result

    monkeypatch.setattr(airflow, "weighted_mean", remember)
    (nominal,) = derive.contexts(plain, PREPARED.ruleset)
    derive.derive(nominal)
    now = draws()
    chance = np.random.default_rng(20260310)
    sampled: dict[str, list[float]] = defaultdict(list)
    for _ in range(DRAWS):
        draw = now["draw"] = Draw(chance)
        now["weights"] = iter(kept)
        (worked,) = derive.contexts(moved_visit(plain, draw), moved_rules(PREPARED.ruleset, draw))
        derive.derive(worked)
        for key, quantity in worked.quantities.items():
            sampled[key].append(quantity.value)
    return nominal, sampled


@pytest.mark.parametrize(("house", "operation"), VISITS, ids=[f"{name}-{op.mode}" for name, op in VISITS])
def test_every_quantity_scatters_as_propagated(
    house: str, operation: Any, draws: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    moist = ("wet_bulb:supply_plenum",) if operation.mode == "cooling" else ()
    request, _ = visit(HOUSES[house], operation, (*everything(HOUSES[house], operation), *moist))
    if operation.mode == "cooling":
        add_cooling(request, HOUSES[house], operation)
    nominal, sampled = scattered(request, draws, monkeypatch)
    compared = 0
    if operation.mode == "cooling":
        assert {"total_capacity_to_rated", "delivered_to_net_sensible_capacity"} <= set(nominal.quantities)
    for key, quantity in nominal.quantities.items():
        if key == "airflow_agreement":
            continue  # a probability, given without an uncertainty of its own
        spread = float(np.std(sampled[key], ddof=1))
        assert quantity.uncertainty == pytest.approx(spread, rel=0.05, abs=1e-12), key
        compared += spread > 0.0
    assert compared >= 20


HEATED = ("furnace_sea_level", "high")
FURTHER = {
    "heating": (traverse(14, 12, "return_plenum"), registers(0.95, EVEN), gas_meter),
    "cooling": (traverse(14, 12, "return_plenum"), registers(0.95, EVEN)),
}


@pytest.mark.parametrize("mode", ["heating", "cooling"])
def test_further_methods_scatter_as_propagated(mode: str, draws: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Traverse, registers, clocked gas and the yearly energy beside the methods of one number."""
    name, setting = HEATED
    house = HOUSES[name]
    request, solution = visit(house, heating(setting) if mode == "heating" else cooling(setting), units="ip")
    for reading in request["readings"]:
        reading["state"] = mode
    request["states"][0]["id"] = mode
    for extra in FURTHER[mode]:
        extra(request, solution)
    request["energy_use"] = {"blower_hours_per_year": 2000.0, "price_per_kilowatt_hour": 0.2}
    nominal, sampled = scattered(request, draws, monkeypatch)
    expected = {"airflow_from_traverse", "airflow_from_registers", "register_airflow_supply", "yearly_fan_cost"}
    expected |= {"gas_input_clocked", "heating_output"} if mode == "heating" else {"airflow_from_coil_pressure_drop"}
    assert expected <= set(nominal.quantities)
    for key, quantity in nominal.quantities.items():
        # A probability; a ratio to a rating that is by definition without doubt; and one whose method is picked by its
        # uncertainty, of which a draw has none, with the one that rests on it.
        picked = ("airflow_measured_to_table", "blower_power_per_airflow_to_table")
        if key in ("airflow_agreement", "gas_input_to_expected", *picked):
            continue
        spread = float(np.std(sampled[key], ddof=1))
        assert quantity.uncertainty == pytest.approx(spread, rel=0.05, abs=1e-12), key
