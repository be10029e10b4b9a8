"""The fault visits on resistance: written by the generator, and each shows its hidden fault to arithmetic alone."""

from __future__ import annotations

import pytest

from tests.visits.healthy import ROOT
from tests.visits.house import AS_BUILT, Solution, solve
from tests.visits.resistance_faults import VISITS, FaultVisit, LongerPath, documents

BY_ID = {visit.id: visit for visit in VISITS}


def test_the_committed_visits_are_what_the_generator_writes() -> None:
    for path, text in documents().items():
        assert (ROOT / path).read_text(encoding="utf-8") == text, path


def solved(visit: FaultVisit, faulty: bool = True) -> Solution:
    return solve(visit.house, visit.operation, visit.faults if faulty else AS_BUILT)


@pytest.mark.parametrize("visit", VISITS, ids=lambda visit: visit.id)
def test_drops_add_up_to_the_blowers_rise(visit: FaultVisit) -> None:
    """Losses in series end at room pressure again (Bernoulli along one stream)."""
    solution = solved(visit)
    assert sum(solution.drops.values()) == pytest.approx(solution.blower_rise, rel=1e-6)
    assert solution.pressures[-1] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("name", "element", "more"),
    [
        ("filter_loaded_1600_m", "filter", True),
        ("coil_fouled_sea_level", "coil", True),
        ("return_small_1600_m", "return_duct", True),
        ("supply_restricted_sea_level", "supply_duct", True),
        ("return_apart_1600_m", "return_duct", False),
        ("supply_apart_1600_m", "supply_duct", False),
    ],
)
def test_a_hidden_fault_moves_its_own_part_and_the_others_the_other_way(name: str, element: str, more: bool) -> None:
    """Resistance up: its drop rises, flow falls, so every other part's drop falls (fan curve against system curve)."""
    visit = BY_ID[name]
    before, after = solved(visit, faulty=False), solved(visit)
    assert (after.drops[element] > before.drops[element]) == more
    assert (after.blower_flow < before.blower_flow) == more
    others = {"filter", "coil"} - {element}
    assert all((after.drops[other] < before.drops[other]) == more for other in others)


def test_a_longer_path_has_its_further_element() -> None:
    visit = BY_ID["accessory_dirty_1600_m"]
    assert isinstance(visit.house, LongerPath)
    assert visit.house.path.index("accessory") == visit.house.path.index("supply_duct") - 1
    assert [element["kind"] for element in visit.request()["equipment"]["air_path"]] == list(visit.house.path)
