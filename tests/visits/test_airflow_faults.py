"""The fault visits on airflow, power, heat and soundness: written by the generator, and true to the physics."""

from __future__ import annotations

import pytest

from tests.visits.airflow_faults import VISITS, FaultVisit, documents, factor_on, stations_exchanged, swinging
from tests.visits.healthy import ROOT
from tests.visits.house import AS_BUILT, Solution, solve

BY_ID = {visit.id: visit for visit in VISITS}


def solved(visit: FaultVisit, faulty: bool = True) -> Solution:
    return solve(visit.house, visit.operation, visit.faults if faulty else AS_BUILT)


def test_the_committed_visits_are_what_the_generator_writes() -> None:
    for path, text in documents().items():
        assert (ROOT / path).read_text(encoding="utf-8") == text, path


def test_no_id_is_used_twice() -> None:
    assert len(BY_ID) == len(VISITS)


@pytest.mark.parametrize("visit", VISITS, ids=lambda visit: visit.id)
def test_drops_add_up_to_the_blowers_rise(visit: FaultVisit) -> None:
    """Losses in series end at room pressure again (Bernoulli along one stream)."""
    solution = solved(visit)
    assert sum(solution.drops.values()) == pytest.approx(solution.blower_rise, rel=1e-6)


@pytest.mark.parametrize("name", ["blower_slow_1600_m", "belt_slips_1600_m"])
def test_a_slow_wheel_follows_the_fan_laws(name: str) -> None:
    """Same ducts: flow as N, power as N^3 (fan laws); within 5 %, since exponents of the parts lie a little below 2."""
    visit = BY_ID[name]
    speed = visit.faults.blower_speed
    slow, built = solved(visit), solved(visit, faulty=False)
    assert slow.blower_flow / built.blower_flow == pytest.approx(speed, rel=0.05)
    assert slow.blower_power / built.blower_power == pytest.approx(speed**3, rel=0.05)


@pytest.mark.parametrize("name", ["over_fired_1600_m", "under_fired_1600_m"])
def test_the_rise_follows_the_gas_input(name: str) -> None:
    """Heat balance: at nearly the same mass flow the rise goes as the heat; within 5 % for the blower's own heat."""
    visit = BY_ID[name]

    def rise(solution: Solution) -> float:
        return solution.air_at("supply_plenum").temperature - solution.air[0].temperature

    assert rise(solved(visit)) / rise(solved(visit, faulty=False)) == pytest.approx(visit.faults.gas_input, rel=0.05)


def test_a_mistake_with_nothing_to_spoil_is_refused() -> None:
    request = BY_ID["return_through_attic_1600_m"].request()
    for mistake in (
        factor_on("airflow", None, 0.2),
        stations_exchanged("supply_plenum", "filter_outlet"),
        swinging("static_pressure", "supply_plenum", 0.1),
    ):
        with pytest.raises(LookupError):
            mistake(request)
