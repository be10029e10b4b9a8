"""The visits on cooling capacity: written by the generator, and each shows its hidden fault to arithmetic alone."""

from __future__ import annotations

import pytest

from tests.visits.cooling_faults import VISITS, documents, table
from tests.visits.healthy import ROOT
from tests.visits.house import BTU_PER_HOUR, solve
from tests.visits.library import HOUSES, cooling


def test_the_committed_visits_are_what_the_generator_writes() -> None:
    for path, text in documents().items():
        assert (ROOT / path).read_text(encoding="utf-8") == text, path


@pytest.mark.parametrize("visit", [v for v in VISITS if v.faults.cooling_capacity < 1.0], ids=lambda v: v.id)
def test_a_weak_unit_cools_its_air_less(visit: object) -> None:
    """First law: less heat taken at much the same flow leaves warmer air."""
    from tests.visits.cooling_faults import CoolingVisit

    assert isinstance(visit, CoolingVisit)
    weak, sound = solve(visit.house, visit.operation, visit.faults), solve(visit.house, visit.operation)
    fall = [s.air[0].enthalpy - s.air_at("supply_plenum").enthalpy for s in (weak, sound)]
    assert fall[0] < fall[1]


def test_a_table_gives_more_in_humid_rooms_and_less_in_heat_outdoors() -> None:
    rows = table(HOUSES["furnace_1600_m"], cooling("high"), "net")["rows"]
    by_entry = {
        (r["airflow"]["value"], r["return_wet_bulb"]["value"], r["outdoor_temperature"]["value"]): r["total_capacity"][
            "value"
        ]
        for r in rows
    }
    flows = sorted({flow for flow, _, _ in by_entry})
    for flow in flows:
        assert by_entry[flow, 70.0, 95.0] > by_entry[flow, 60.0, 95.0] > by_entry[flow, 60.0, 105.0]
    assert by_entry[flows[-1], 65.0, 95.0] > by_entry[flows[0], 65.0, 95.0]
    assert HOUSES["furnace_1600_m"].cooling.total / BTU_PER_HOUR > by_entry[flows[2], 60.0, 95.0]
