"""What practitioners agree on, and the diagnosis with them.

Source: common practice, no source, except where physics is named. Each house has the hidden fault the practice names.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.model.evaluation import ContextResult, Finding
from service.pipeline import Prepared, prepare
from service.ruleset import load_ruleset, rules_folder
from tests.cases.judging import judged
from tests.visits.house import Faults, House, solve
from tests.visits.library import HOUSES, cooling
from tests.visits.resistance_faults import AIR, BOX, FLOW, FURNACE
from tests.visits.writing import Run, write_visit

TOO_HIGH = "external_static_pressure_above_rating"


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    return prepare(load_ruleset(rules_folder()))


def answer(
    prepared: Prepared, house: House, faults: Faults, readings: tuple[str, ...] = (*FURNACE, *FLOW, *AIR)
) -> ContextResult:
    request: dict[str, Any] = write_visit([Run("cooling", solve(house, cooling("high"), faults), readings)], units="ip")
    return judged(request, prepared).contexts[0]


def finding(context: ContextResult, code: str) -> Finding:
    return next(found for found in context.findings if found.code == code)


@pytest.mark.parametrize("house", ["furnace_sea_level", "furnace_1600_m"])
@pytest.mark.parametrize(
    ("faults", "causes", "part"),
    [
        (Faults(filter_loading=11.0), {"filter_loaded_with_dirt"}, "filter_takes_too_much"),
        (Faults(coil_fouling=7.0), {"coil_fouled"}, "coil_takes_too_much"),
        (Faults(return_undersized=9.0), {"return_ducts_or_grilles_too_small"}, "return_side_takes_too_much"),
        (
            Faults(supply_restricted=8.0, registers_closed=8.0),
            {"supply_ducts_or_registers_too_small"},
            "supply_side_takes_too_much",
        ),
    ],
    ids=["dirty filter", "dirty coil", "small return", "closed and kinked supply"],
)
def test_high_static_pressure_is_put_down_to_the_part_that_is_restricted(
    house: str, faults: Faults, causes: set[str], part: str, prepared: Prepared
) -> None:
    context = answer(prepared, HOUSES[house], faults)
    high = finding(context, TOO_HIGH)
    assert {cause.cause for cause in high.causes if cause.rank == 1} == causes
    assert finding(context, part).severity == "fault"


def test_low_static_pressure_without_an_airflow_reading_is_never_called_health(prepared: Prepared) -> None:
    """Practice: ducts apart or a blower that does not work; neither finding nor first cause says all is well."""
    faults = Faults(supply_disconnected=0.05, return_disconnected=0.3)
    context = answer(prepared, HOUSES["packaged_1600_m"], faults, (*BOX, *AIR))
    low = finding(context, "external_static_pressure_low_unexplained")
    assert low.severity == "advisory"
    assert low.causes[0].cause != "ducts_generous"
    assert "airflow_reading" in low.next_readings


def test_a_part_that_clogs_moves_the_pressure_after_it(prepared: Prepared) -> None:
    """Practice: static pressure after the filter shifts as it loads; the filter's drop against its rating grows."""
    house = HOUSES["furnace_1600_m"]

    def ratio(loading: float) -> float:
        context = answer(prepared, house, Faults(filter_loading=loading))
        return next(q.value for q in context.quantities if q.name == "filter_pressure_drop_to_rated")

    clean, loaded = ratio(1.0), ratio(3.0)
    assert loaded / clean == pytest.approx(3.0, rel=0.03)


def test_an_internal_coil_is_not_charged_to_external_static_pressure(prepared: Prepared) -> None:
    """Physics: the drop of a part inside the rating boundary cannot raise the pressure across it."""
    house = HOUSES["air_handler_1600_m"]
    readings = (
        "static:return_plenum",
        "static:filter_outlet",
        "static:coil_outlet",
        "static:supply_plenum",
        *FLOW,
        *AIR,
    )

    def pressure(fouling: float) -> float:
        solution = solve(house, cooling("tap 3"), Faults(coil_fouling=fouling))
        context = judged(write_visit([Run("cooling", solution, readings)], units="ip"), prepared).contexts[0]
        assert not any(found.code == TOO_HIGH for found in context.findings)
        return next(q.value for q in context.quantities if q.name == "external_static_pressure")

    assert pressure(3.0) <= pressure(1.0)
