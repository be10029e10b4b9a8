"""The visits on further airflow methods and heat: written by the generator, and what they say of the house is so."""

from __future__ import annotations

import pytest

from tests.visits.healthy import ROOT
from tests.visits.heat_and_flow import CROWDED, LINES, VISITS, documents
from tests.visits.house import CFM, solve


def test_the_committed_visits_are_what_the_generator_writes() -> None:
    for path, text in documents().items():
        assert (ROOT / path).read_text(encoding="utf-8") == text, path


def test_the_traverse_stands_at_the_points_in_print() -> None:
    """Symmetric about the middle, as ISO 3966 prints them."""
    assert [round(a + b, 3) for a, b in zip(LINES, reversed(LINES), strict=True)] == [1.0] * 5


def test_the_crowded_flow_is_as_it_says() -> None:
    assert sum(share**2 > 0.1 * max(CROWDED) ** 2 for share in CROWDED) == 18


def test_what_a_traverse_was_written_from_comes_back_by_hand() -> None:
    """sum of sqrt(2 p / rho) over the points, times the section, is the flow that was solved."""
    visit = next(entry for entry in VISITS if entry.id == "traverse_behind_bend_1600_m")
    solution = solve(visit.house, visit.operation, visit.faults)
    reading = visit.request()["readings"][-1]
    density = solution.air_at("return_plenum").density
    points = reading["velocity_pressures"]["values"]
    velocity = sum((2 * p / density) ** 0.5 for p in points) / len(points)
    flow = velocity * 14 * 12 * 0.0254**2
    assert flow / CFM == pytest.approx(solution.flow_at("return_plenum") / CFM, rel=5e-3)
