"""Electrical and air power; conversions are the definitions of NIST SP 811."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import power

INCH = 249.08891
CFM = 4.719474432e-4
HORSEPOWER = 745.6998716


def test_air_power_unit() -> None:
    """1 cfm x 1 in. of water (conventional) is 0.117556874 W; air horsepower is cfm x in./6343.3."""
    assert power.air_power(CFM, INCH) == pytest.approx(0.117556874, rel=1e-8)
    assert power.air_power(6343.3 * CFM, INCH) == pytest.approx(HORSEPOWER, rel=1e-5)


def test_worked_blower() -> None:
    """1200 cfm at .5 in.: 70.5 W; of 450 W that is 15.7 %, and .375 W/cfm."""
    assert power.air_power(1200 * CFM, 0.5 * INCH) == pytest.approx(70.5, abs=0.05)
    assert power.overall_efficiency(1200 * CFM, 0.5 * INCH, 450.0) == pytest.approx(0.157, abs=5e-4)
    assert power.specific_fan_power(450.0, 1200 * CFM) * CFM == pytest.approx(0.375, rel=1e-12)


def test_fan_power_example() -> None:
    """540 W at 1200 cfm is .450 W/cfm; 1 W/cfm is 2118.88 W/(m3/s)."""
    assert power.specific_fan_power(540.0, 1200 * CFM) == pytest.approx(0.45 * 2118.88, rel=1e-5)


def test_impossible_power_is_told_not_hidden() -> None:
    assert power.overall_efficiency(1.0, 100.0, 50.0) == 2.0


def test_real_power_worked_values() -> None:
    """240 V x 40 A resistance heater: 9 600 W = 32 757 Btu/h. Three-phase: sqrt(3) x 208 V x 30 A (circuit theory)."""
    assert power.real_power(240.0, 40.0, 1.0, 1) == 9600.0
    assert power.real_power(240.0, 40.0, 1.0, 1) * 3.412141633 == pytest.approx(32_757, abs=1)
    # Three equal resistances in star: each sees 208/sqrt(3) V and 30 A.
    assert power.real_power(208.0, 30.0, 1.0, 3) == pytest.approx(3 * (208.0 / math.sqrt(3)) * 30.0)
    assert power.real_power(230.0, 2.0, 0.6, 1) == pytest.approx(276.0)


@given(st.floats(0.01, 5.0), st.floats(1.0, 500.0), st.floats(0.05, 1.0))
def test_efficiency_gives_back_electrical_power(flow: float, rise: float, efficiency: float) -> None:
    electrical = power.air_power(flow, rise) / efficiency
    assert power.overall_efficiency(flow, rise, electrical) == pytest.approx(efficiency, rel=1e-12)


@given(st.floats(0.0, 600.0), st.floats(0.0, 100.0), st.floats(0.01, 1.0), st.sampled_from([1, 3]))
def test_real_power_never_exceeds_apparent_power(v: float, i: float, factor: float, phases: int) -> None:
    assert power.real_power(v, i, factor, phases) <= power.real_power(v, i, 1.0, phases)


REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: power.air_power(-1e-9, 1.0), "flow"),
    (lambda: power.air_power(math.inf, 1.0), "flow"),
    (lambda: power.air_power(1.0, -1e-9), "pressure_rise"),
    (lambda: power.air_power(1.0, math.nan), "pressure_rise"),
    (lambda: power.overall_efficiency(1.0, 1.0, 0.0), "power"),
    (lambda: power.overall_efficiency(1.0, 1.0, math.inf), "power"),
    (lambda: power.overall_efficiency(-1e-9, 1.0, 1.0), "flow"),
    (lambda: power.specific_fan_power(-1e-9, 1.0), "power"),
    (lambda: power.specific_fan_power(math.inf, 1.0), "power"),
    (lambda: power.specific_fan_power(1.0, 0.0), "flow"),
    (lambda: power.specific_fan_power(1.0, math.inf), "flow"),
    (lambda: power.real_power(-1e-9, 1.0, 1.0, 1), "voltage"),
    (lambda: power.real_power(math.inf, 1.0, 1.0, 1), "voltage"),
    (lambda: power.real_power(1.0, -1e-9, 1.0, 1), "current"),
    (lambda: power.real_power(1.0, math.inf, 1.0, 1), "current"),
    (lambda: power.real_power(1.0, 1.0, 0.0, 1), "power_factor"),
    (lambda: power.real_power(1.0, 1.0, 1.000001, 1), "power_factor"),
    (lambda: power.real_power(1.0, 1.0, 1.0, 0), "phases"),
    (lambda: power.real_power(1.0, 1.0, 1.0, 2), "phases"),
    (lambda: power.real_power(1.0, 1.0, 1.0, 4), "phases"),
]


@pytest.mark.parametrize(("call", "name"), REFUSED)
def test_refused(call: Callable[[], object], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        call()
    assert refused.value.name == name
