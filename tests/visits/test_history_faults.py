"""The histories: written by the generator, and each hidden change shows in the houses themselves."""

from __future__ import annotations

import itertools

import pytest

from tests.visits.healthy import ROOT
from tests.visits.history_faults import VISITS, History, Sealing, documents
from tests.visits.house import Solution, solve

BY_ID = {visit.id: visit for visit in VISITS}


def test_the_committed_visits_are_what_the_generator_writes() -> None:
    for path, text in documents().items():
        assert (ROOT / path).read_text(encoding="utf-8") == text, path


def solutions(name: str) -> list[Solution]:
    """The house at each visit, oldest first."""
    visit = BY_ID[name]
    assert isinstance(visit, History)
    return [solve(visit.house, past.operation or visit.operation, past.faults) for past in visit.visits()]


@pytest.mark.parametrize(
    ("name", "element", "rises"),
    [
        ("filter_changed_1600_m", "filter", False),
        ("filter_denser_after_change_1600_m", "filter", True),
        ("coil_cleaned_sea_level", "coil", False),
        ("coil_worse_after_cleaning_sea_level", "coil", True),
        ("airflow_fell_1600_m", "return_duct", True),
        ("filter_loads_fast_1600_m", "filter", True),
        ("filter_near_its_limit_sea_level", "filter", True),
        ("coil_creeps_1600_m", "coil", True),
        ("static_pressure_creeps_sea_level", "supply_duct", True),
    ],
)
def test_what_was_hidden_moves_its_own_part_and_the_airflow_against_it(name: str, element: str, rises: bool) -> None:
    """Resistance up: its drop rises and the flow falls, on every visit of the history (fan against system curve)."""
    history = solutions(name)
    for before, after in itertools.pairwise(history):
        assert (after.drops[element] > before.drops[element]) == rises
        assert (after.blower_flow < before.blower_flow) == rises


def test_a_blower_that_holds_its_airflow_pays_in_power() -> None:
    before, after = solutions("held_flow_power_up_1600_m")
    assert after.blower_flow == pytest.approx(before.blower_flow, rel=0.03)
    assert after.blower_power > 1.2 * before.blower_power


def test_visits_are_dated_in_order_and_only_copied_ones_are_equal() -> None:
    for visit in VISITS:
        request = visit.request()
        moments = [earlier["visited_at"] for earlier in request["earlier_visits"]] + [request["visited_at"]]
        assert moments == sorted(moments)
        if isinstance(visit, Sealing):
            continue
        copied = request["readings"] == request["earlier_visits"][-1]["readings"]
        assert copied == visit.copied
