"""Heat rates from flow and temperature difference."""

import math
from collections.abc import Callable

import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import air, heat_rate, heating

CFM = 4.719474432e-4
BTU_PER_HOUR = 1055.05585262 / 3600
GALLON_PER_MINUTE = 3.785411784e-3 / 60


def kelvin(fahrenheit: float) -> float:
    return (fahrenheit + 459.67) / 1.8


def water(fahrenheit: float) -> tuple[float, float]:
    """Density and specific heat by CoolProp at 2 bar."""
    return tuple(PropsSI(key, "T", kelvin(fahrenheit), "P", 2e5, "Water") for key in ("D", "C"))


def test_cold_water_against_the_shortcut_of_500() -> None:
    """Btu/h = 500 x gallons per minute x degF (common practice, no source): 10 at 20 degF are 100 000."""
    found = heat_rate.hydronic_heat_rate(10 * GALLON_PER_MINUTE, 20 / 1.8, *water(60))
    assert found / BTU_PER_HOUR == pytest.approx(100_000, rel=3e-3)


def test_hot_water_carries_less() -> None:
    """Against enthalpy and density of water from CoolProp, 180 to 160 degF: some 2.5 % below the shortcut."""
    flow = 4 * GALLON_PER_MINUTE
    density = PropsSI("D", "T", kelvin(180), "P", 2e5, "Water")
    ends = [PropsSI("H", "T", kelvin(t), "P", 2e5, "Water") for t in (180, 160)]
    found = heat_rate.hydronic_heat_rate(flow, 20 / 1.8, density, water(170)[1])
    assert found == pytest.approx(flow * density * (ends[0] - ends[1]), rel=1e-3)
    assert found / BTU_PER_HOUR / (500 * 4 * 20) == pytest.approx(0.975, abs=5e-3)


def test_heat_pump_output_against_the_shortcut_and_real_gas() -> None:
    """1200 cfm of .075 lb/ft3, 70 to 95 degF: 1.08 x 1200 x 25 = 32 400 Btu/h (common practice at sea level); and
    CoolProp's enthalpies of moist air."""
    mass_flow = 1200 * CFM * air.STANDARD_AIR_DENSITY
    found = heat_rate.heat_from_rise(mass_flow, kelvin(70), kelvin(95), 0.0)
    assert found / BTU_PER_HOUR == pytest.approx(32_400, rel=3e-3)
    ends = [HAPropsSI("H", "T", kelvin(t), "W", 0.006, "P", 101_325.0) for t in (70, 95)]
    moist = heat_rate.heat_from_rise(mass_flow, kelvin(70), kelvin(95), 0.006)
    assert moist == pytest.approx(mass_flow * (ends[1] - ends[0]), rel=2e-3)


@given(st.floats(0.05, 3.0), st.floats(270.0, 300.0), st.floats(0.5, 50.0), st.floats(0.0, 0.015))
def test_heat_and_mass_flow_are_inverse(mass_flow: float, inlet: float, rise: float, w: float) -> None:
    heat = heat_rate.heat_from_rise(mass_flow, inlet, inlet + rise, w)
    assert heating.mass_flow_from_heat(heat, inlet, inlet + rise, w) == pytest.approx(mass_flow, rel=1e-9)
    assert heating.temperature_rise(heat, mass_flow, w) == pytest.approx(rise, rel=1e-9)
    assert heat_rate.heat_from_rise(mass_flow, inlet, inlet, w) == 0.0


@given(st.floats(1e-6, 1e-2), st.floats(0.01, 40.0))
def test_warmed_liquid_is_negative_and_nothing_is_nothing(flow: float, difference: float) -> None:
    found = heat_rate.hydronic_heat_rate(flow, difference, 983.0, 4185.0)
    assert found > 0.0
    assert heat_rate.hydronic_heat_rate(flow, -difference, 983.0, 4185.0) == -found
    assert heat_rate.hydronic_heat_rate(0.0, difference, 983.0, 4185.0) == 0.0


REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: heat_rate.hydronic_heat_rate(-1.0, 10.0, 983.0, 4185.0), "flow"),
    (lambda: heat_rate.hydronic_heat_rate(1.0, math.inf, 983.0, 4185.0), "temperature_difference"),
    (lambda: heat_rate.hydronic_heat_rate(1.0, 10.0, 0.0, 4185.0), "density"),
    (lambda: heat_rate.hydronic_heat_rate(1.0, 10.0, 983.0, math.nan), "specific_heat"),
    (lambda: heat_rate.heat_from_rise(-1.0, 290.0, 300.0, 0.0), "dry_air_mass_flow"),
    (lambda: heat_rate.heat_from_rise(1.0, 290.0, 289.9, 0.0), "outlet"),
    (lambda: heat_rate.heat_from_rise(1.0, 290.0, 474.0, 0.0), "dry_bulb"),
    (lambda: heat_rate.heat_from_rise(1.0, 290.0, 300.0, -0.001), "humidity_ratio"),
]


@pytest.mark.parametrize(("call", "name"), REFUSED)
def test_refusals_name_the_argument(call: Callable[[], object], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        call()
    assert refused.value.name == name
