"""Whole-house ventilation against the published form of ASHRAE 62.2 and its worked numbers."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import leakage, ventilation

CFM = 4.719474432e-4
SQUARE_FOOT = 0.3048**2
FOOT = 0.3048
PER_AREA = 0.03 * CFM / SQUARE_FOOT
PER_PERSON = 7.5 * CFM


def test_total_rate() -> None:
    """.03 x 2000 + 7.5 x 4 = 90 cfm (equation 1 of ASHRAE 62.2 as quoted by a member of its committee)."""
    assert ventilation.total_rate(2000 * SQUARE_FOOT, 3, PER_AREA, PER_PERSON) / CFM == pytest.approx(90.0)


def test_total_rate_in_the_standards_metric_form() -> None:
    """.15 L/s per m2 + 3.5 L/s per person (ASHRAE 62.2, metric, from memory): within rounding, 1.6 %."""
    metric = ventilation.total_rate(185.8, 3, 0.15e-3, 3.5e-3)
    assert metric == pytest.approx(ventilation.total_rate(185.8, 3, PER_AREA, PER_PERSON), rel=0.016)


def test_infiltration_credit_worked() -> None:
    """SLA 2.857e-4, H 16 ft, wsf .5, 2000 ft2: NL .3733, 51.1 cfm, phi .568, fan 60.9 unbalanced, 38.9 balanced.

    By hand with the equations as coded in the open residential simulation workflow of NREL.
    """
    area = 2000 * SQUARE_FOOT
    normalized = leakage.normalized_leakage(2.857e-4, 16 * FOOT)
    infiltration = ventilation.annual_infiltration(normalized, 0.5, area)
    total = ventilation.total_rate(area, 3, PER_AREA, PER_PERSON)
    assert infiltration / CFM == pytest.approx(51.1, abs=0.05)
    assert infiltration / total == pytest.approx(0.568, abs=5e-4)
    assert ventilation.required_fan_flow(total, infiltration, balanced=False) / CFM == pytest.approx(60.9, abs=0.06)
    assert ventilation.required_fan_flow(total, infiltration, balanced=True) / CFM == pytest.approx(38.9, abs=0.06)


def test_shared_walls_are_not_credited() -> None:
    """phi Q_inf A_ext: 90 - 51.1 x .6 = 59.34 cfm balanced, 90 - .5678 x 51.1 x .6 = 72.59 unbalanced, by hand."""
    total, infiltration = 90.0 * CFM, 51.1 * CFM
    assert ventilation.required_fan_flow(total, infiltration, True, 0.6) / CFM == pytest.approx(59.34, abs=0.01)
    assert ventilation.required_fan_flow(total, infiltration, False, 0.6) / CFM == pytest.approx(72.59, abs=0.01)


def test_a_leaky_house_needs_no_fan() -> None:
    assert ventilation.required_fan_flow(0.04, 0.05, balanced=True) < 0.0
    assert ventilation.required_fan_flow(0.04, 0.05, balanced=False) < 0.0
    assert ventilation.required_fan_flow(0.04, 0.04, balanced=False) == pytest.approx(0.0, abs=1e-15)


def test_combined_flow_3_4_5() -> None:
    """Infiltration 40 with 30 of exhaust alone is 50 in quadrature; balanced, 30 is simply added."""
    assert ventilation.combined_flow(0.040, 0.0, 0.030) == pytest.approx(0.050)
    assert ventilation.combined_flow(0.040, 0.030, 0.030) == pytest.approx(0.070)
    assert ventilation.combined_flow(0.040, 0.050, 0.020) == pytest.approx(0.020 + 0.050)


flows = st.floats(1e-4, 0.2)


@given(flows, flows, st.floats(0.05, 1.0))
def test_balanced_fans_are_credited_at_least_as_much_while_infiltration_does_not_suffice(
    total: float, part: float, exterior: float
) -> None:
    infiltration = total * part / 0.2
    unbalanced = ventilation.required_fan_flow(total, infiltration, False, exterior)
    balanced = ventilation.required_fan_flow(total, infiltration, True, exterior)
    assert -1e-12 <= balanced <= unbalanced + 1e-12 <= total + 2e-12


@given(flows, flows)
def test_the_credit_of_an_unbalanced_fan_against_quadrature(total: float, part: float) -> None:
    """The two are different models of one thing: fan and infiltration in quadrature reach 87 to 100 % of the total.

    With x = Q_inf/Q_tot the sum over the total is sqrt(x^2 + (1 - x^2)^2), whose least value is sqrt(3)/2 at x^2 = 1/2.
    """
    infiltration = total * part / 0.2
    fan = ventilation.required_fan_flow(total, infiltration, balanced=False)
    together = ventilation.combined_flow(infiltration, 0.0, fan if fan > 0.0 else 0.0)
    assert math.sqrt(3.0) / 2.0 * (1.0 - 1e-9) <= together / total <= 1.0 + 1e-9


@given(st.floats(0.0, 0.2), st.floats(0.0, 0.2), st.floats(0.0, 0.2))
def test_combined_flow_lies_between_the_largest_and_the_sum(infiltration: float, supply: float, exhaust: float) -> None:
    combined = ventilation.combined_flow(infiltration, supply, exhaust)
    assert max(infiltration, supply, exhaust) - 1e-12 <= combined <= infiltration + max(supply, exhaust) + 1e-12
    assert ventilation.combined_flow(infiltration, exhaust, supply) == pytest.approx(combined)
    assert ventilation.unbalanced_flow(supply, exhaust) == supply - exhaust


Function = Callable[..., float]
REFUSED: list[tuple[Function, tuple[float, ...], str]] = [
    (ventilation.total_rate, (0.0, 3, PER_AREA, PER_PERSON), "floor_area"),
    (ventilation.total_rate, (100.0, -1, PER_AREA, PER_PERSON), "bedrooms"),
    (ventilation.total_rate, (100.0, 3, -1.0, PER_PERSON), "rate_per_area"),
    (ventilation.total_rate, (100.0, 3, PER_AREA, math.nan), "rate_per_person"),
    (ventilation.annual_infiltration, (-0.1, 0.5, 100.0), "normalized_leakage"),
    (ventilation.annual_infiltration, (0.3, -0.5, 100.0), "weather_factor"),
    (ventilation.annual_infiltration, (0.3, 0.5, 0.0), "floor_area"),
    (ventilation.required_fan_flow, (0.0, 0.01, True), "total"),
    (ventilation.required_fan_flow, (0.04, -0.01, True), "infiltration"),
    (ventilation.required_fan_flow, (0.04, 0.01, True, 0.0), "exterior_share"),
    (ventilation.combined_flow, (-0.1, 0.0, 0.0), "infiltration"),
    (ventilation.combined_flow, (0.1, -0.1, 0.0), "supply"),
    (ventilation.combined_flow, (0.1, 0.0, math.inf), "exhaust"),
    (ventilation.unbalanced_flow, (-0.1, 0.0), "supply"),
    (ventilation.unbalanced_flow, (0.1, math.nan), "exhaust"),
]


@pytest.mark.parametrize(("function", "arguments", "name"), REFUSED)
def test_refused(function: Function, arguments: tuple[float, ...], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        function(*arguments)
    assert refused.value.name == name
