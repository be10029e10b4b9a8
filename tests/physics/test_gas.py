"""Clocked gas input, gas conditions and altitude."""

import math
from collections.abc import Callable

import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import air, gas

CUBIC_FOOT = 0.3048**3
BTU = 1055.05585262
BTU_PER_HOUR = BTU / 3600
PSI = 6894.757293168
INCH_OF_WATER = 249.08891
FOOT = 0.3048


@pytest.mark.parametrize(
    ("seconds", "dial", "cubic_feet_per_hour"),
    [
        (10, 0.25, 90),
        (10, 5, 1800),
        (16, 0.5, 113),
        (22, 0.5, 82),
        (24, 2, 300),
        (36, 1, 100),
        (40, 1, 90),
        (54, 2, 133),
        (60, 0.5, 30),
        (60, 5, 300),
    ],
)
def test_gas_rate_table(seconds: float, dial: float, cubic_feet_per_hour: float) -> None:
    """Rows of the gas-rate table in a furnace maker's service manual (public), rounded to whole cubic feet per hour."""
    flow = gas.clocked_flow(dial * CUBIC_FOOT, 1, seconds)
    assert flow / CUBIC_FOOT * 3600 == pytest.approx(cubic_feet_per_hour, abs=0.51)


@pytest.mark.parametrize(("seconds", "btu_per_hour"), [(20, 180_000), (36, 100_000), (60, 60_000), (72, 50_000)])
def test_firing_rate_table(seconds: float, btu_per_hour: float) -> None:
    """A wholesaler's public chart: one cubic foot at 1000 Btu per cubic foot."""
    heating_value = 1000 * BTU / CUBIC_FOOT
    flow = gas.clocked_flow(CUBIC_FOOT, 1, seconds)
    assert gas.gas_input(flow, heating_value) / BTU_PER_HOUR == pytest.approx(btu_per_hour, rel=1e-9)
    assert gas.clocked_flow(CUBIC_FOOT, 2, 2 * seconds) == pytest.approx(flow)


def test_metered_gas_at_altitude_is_thinner() -> None:
    """5000 ft, 12.2278 psia, 7 in. of water in the meter, 60 degF: (12.2278 + .2529)/14.73 = .8473 by hand."""
    pressure = air.standard_atmosphere_pressure(5000 * FOOT) + 7 * INCH_OF_WATER
    factor = gas.volume_factor(pressure, (60 + 459.67) / 1.8)
    assert factor == pytest.approx(0.8473, abs=2e-4)
    assert pytest.approx(14.73 * PSI, rel=1e-6) == gas.REFERENCE_PRESSURE
    # 100 000 Btu/h clocked on a sea-level heating value are 84 730.
    clocked = gas.gas_input(100 * CUBIC_FOOT / 3600, 1000 * BTU / CUBIC_FOOT, factor)
    assert clocked / BTU_PER_HOUR == pytest.approx(84_730, abs=20)


@pytest.mark.parametrize(("fluid", "tolerance"), [("Methane", 3e-3), ("Propane", 0.02)])
def test_volume_factor_against_real_gas_density(fluid: str, tolerance: float) -> None:
    """CoolProp densities; the ideal-gas ratio is what a meter without correction needs."""
    here, there = (85_000.0, 278.15), (gas.REFERENCE_PRESSURE, gas.REFERENCE_TEMPERATURE)
    real = PropsSI("D", "P", here[0], "T", here[1], fluid) / PropsSI("D", "P", there[0], "T", there[1], fluid)
    assert gas.volume_factor(*here) == pytest.approx(real, rel=tolerance)


@pytest.mark.parametrize(
    ("feet", "percent"), [(-200, 0.0), (0, 0.0), (2000, 0.0), (2001, 8.004), (5000, 20.0), (7500, 30.0)]
)
def test_altitude_derate(feet: float, percent: float) -> None:
    """National Fuel Gas Code, 4 % per 1000 ft counted from sea level, from 2000 ft up (from memory)."""
    derate = gas.altitude_derate(feet * FOOT, 0.04 / (1000 * FOOT), 2000 * FOOT + 1e-9)
    assert 100 * derate == pytest.approx(percent, abs=1e-6)
    assert gas.altitude_derate(600.0, 1e-4, 600.0) == 0.0  # the elevation itself still counts as below
    assert gas.derated_input(30_000.0, derate) == pytest.approx(30_000.0 * (1 - percent / 100))


@given(st.floats(1e-3, 0.2), st.floats(5.0, 300.0), st.floats(1e7, 1e8), st.floats(0.6, 1.2))
def test_input_is_proportional(volume: float, seconds: float, heating_value: float, factor: float) -> None:
    here = gas.gas_input(gas.clocked_flow(volume, 1, seconds), heating_value, factor)
    # Heat per turn does not depend on how long it took.
    assert here * seconds == pytest.approx(volume * heating_value * factor)
    assert gas.gas_input(gas.clocked_flow(volume, 1, seconds / 2), heating_value, factor) == pytest.approx(2 * here)


@given(st.floats(60_000.0, 110_000.0), st.floats(250.0, 320.0), st.floats(1.0, 5_000.0))
def test_volume_factor_is_one_at_the_reference_and_turns_round(p: float, t: float, more: float) -> None:
    assert gas.volume_factor(p, t, p, t) == 1.0
    assert gas.volume_factor(p + more, t) > gas.volume_factor(p, t) > gas.volume_factor(p, t + 1.0)
    assert gas.volume_factor(p, t, p + more, t) * gas.volume_factor(p + more, t, p, t) == pytest.approx(1.0)


REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: gas.clocked_flow(0.0, 1, 10), "volume_per_revolution"),
    (lambda: gas.clocked_flow(0.01, 0, 10), "revolutions"),
    (lambda: gas.clocked_flow(0.01, 1, 0), "seconds"),
    (lambda: gas.clocked_flow(0.01, 1, math.nan), "seconds"),
    (lambda: gas.volume_factor(0.0, 280.0), "pressure"),
    (lambda: gas.volume_factor(1e5, 0.0), "temperature"),
    (lambda: gas.volume_factor(1e5, 280.0, 0.0), "reference_pressure"),
    (lambda: gas.volume_factor(1e5, 280.0, 1e5, -1.0), "reference_temperature"),
    (lambda: gas.gas_input(-1.0, 1e7), "flow"),
    (lambda: gas.gas_input(1.0, 0.0), "heating_value"),
    (lambda: gas.gas_input(1.0, 1e7, 0.0), "factor"),
    (lambda: gas.altitude_derate(math.nan, 0.0, 0.0), "elevation"),
    (lambda: gas.altitude_derate(1000.0, -1e-9, 0.0), "share_per_metre"),
    (lambda: gas.altitude_derate(1000.0, 1e-4, -1.0), "starts_above"),
    (lambda: gas.altitude_derate(10_000.0, 1e-4, 600.0), "elevation"),
    (lambda: gas.derated_input(-1.0, 0.1), "nameplate_input"),
    (lambda: gas.derated_input(1.0, 1.0), "derate"),
    (lambda: gas.derated_input(1.0, -0.1), "derate"),
]


@pytest.mark.parametrize(("call", "name"), REFUSED)
def test_refusals_name_the_argument(call: Callable[[], object], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        call()
    assert refused.value.name == name
