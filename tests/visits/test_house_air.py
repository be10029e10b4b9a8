"""The visits on leakage, pressures and appliances: written by the generator, and true to the physics."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.visits.healthy import ROOT
from tests.visits.house_air import (
    BLOWING,
    CFM,
    DWELLINGS,
    EXHAUSTING,
    RESTING,
    SHUT,
    Dwelling,
    documents,
    pressures,
)

PLAIN = Dwelling("plain", envelope=1200.0, outdoor=20.0, indoor=20.0, garage_to_house=1e-6, supply_leak=0.0)


def test_the_committed_visits_are_what_the_generator_writes() -> None:
    for path, text in documents().items():
        assert (ROOT / path).read_text(encoding="utf-8") == text, path


def test_no_id_is_used_twice() -> None:
    assert len({dwelling.id for dwelling in DWELLINGS}) == len(DWELLINGS)


@pytest.mark.parametrize(("cfm", "pascals"), [(250.0, 4.48), (400.0, 9.22)])
def test_an_exhaust_pulls_as_the_power_law_says(cfm: float, pascals: float) -> None:
    """(Q/C)^(1/n): 1200 cfm at 50 Pa, n 0.65 (computed by hand)."""
    house = replace(PLAIN, exhausts=(("hood", cfm, False),), room_share=1e-6)
    assert pressures(house, EXHAUSTING)[0] == pytest.approx(-pascals, abs=0.01)


def test_a_cold_day_pulls_the_floor_down_by_half_the_stack() -> None:
    """0.865 Pa per m between 20 and 0 degC at sea level; equal leaks low and high put the neutral level half way."""
    house = replace(PLAIN, outdoor=0.0, storey_height=10.0 / 0.3048, room_share=1e-6)
    assert pressures(house, RESTING)[0] == pytest.approx(-0.5 * 10.0 * 0.865, rel=0.02)


def test_equal_leaks_of_supply_and_return_show_nothing() -> None:
    house = replace(PLAIN, supply_leak=120.0, return_leak=120.0)
    assert pressures(house, BLOWING)[0] == pytest.approx(pressures(house, RESTING)[0], abs=0.01)


def test_a_closed_room_stands_at_what_its_gap_takes() -> None:
    """Orifice with 0.6: dp = rho/2 (Q/(0.6 A))^2 where nothing else lets the room's air out."""
    house = replace(PLAIN, room_share=1e-6, room_supply=120.0, room_gap=0.03)
    main, room, _ = pressures(house, SHUT)
    assert room - main == pytest.approx(0.5 * house.inside * (120.0 * CFM / (0.6 * 0.03)) ** 2, rel=0.001)
