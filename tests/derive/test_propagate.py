"""Propagation of uncertainty against the `uncertainties` package, against sampling, and against worked examples."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat, umath

from service.derive.propagate import combine, difference, mean, product, propagate, ratio, sampled, with_tolerance
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.normalise.accuracy import Accuracy, error_terms

SOURCES = ("gauge.zero", "gauge.scale", "reading.1", "reading.2", "rating")
terms_of = st.dictionaries(st.sampled_from(SOURCES), st.floats(-0.002, 0.002), max_size=5)
inputs_of = st.builds(Measured, st.floats(0.5, 5.0), terms_of)


def with_package(*entries: Measured) -> list[Any]:
    """The same inputs as variables of the `uncertainties` package: one independent variable for each source."""
    sources = {source: ufloat(0.0, 1.0) for source in SOURCES}
    return [
        sum(
            (term * sources[source] for source, term in entry.terms.items()),
            start=entry.value + 0.0 * sources[SOURCES[0]],
        )
        for entry in entries
    ]


def assert_as_package(ours: Measured, theirs: Any, relative: float) -> None:
    assert ours.value == pytest.approx(theirs.n, rel=1e-12)
    assert ours.uncertainty == pytest.approx(theirs.s, rel=relative, abs=1e-12)


@settings(deadline=None)
@given(a=inputs_of, b=inputs_of, c=inputs_of)
def test_sums_products_and_ratios_as_the_uncertainties_package(a: Measured, b: Measured, c: Measured) -> None:
    x, y, z = with_package(a, b, c)
    assert_as_package(combine((2.0, a), (-1.0, b), (0.5, c)), 2.0 * x - y + 0.5 * z, 1e-9)
    assert_as_package(difference(a, b), x - y, 1e-9)
    assert_as_package(product(a, b), x * y, 1e-9)
    assert_as_package(ratio(a, b), x / y, 1e-9)
    assert_as_package(with_tolerance(a, "tolerance", 0.03), x * ufloat(1.0, 0.03), 1e-6)


FUNCTIONS: tuple[tuple[str, Callable[..., float], Callable[..., Any]], ...] = (
    ("difference of squares", lambda x, y, z: x * x - y * z, lambda x, y, z: x * x - y * z),
    ("power law", lambda x, y, z: x * (y / z) ** 1.8, lambda x, y, z: x * (y / z) ** 1.8),
    ("exponential", lambda x, y, z: math.exp(-x) * y + z, lambda x, y, z: umath.exp(-x) * y + z),
    ("square root", lambda x, y, z: math.sqrt(x * y) / z, lambda x, y, z: umath.sqrt(x * y) / z),
)


@pytest.mark.parametrize(("function", "package"), [case[1:] for case in FUNCTIONS], ids=[case[0] for case in FUNCTIONS])
@settings(deadline=None, max_examples=60)
@given(a=inputs_of, b=inputs_of, c=inputs_of)
def test_nonlinear_functions_of_correlated_inputs_as_the_uncertainties_package(
    function: Callable[..., float], package: Callable[..., Any], a: Measured, b: Measured, c: Measured
) -> None:
    # Slopes over plus and minus one standard uncertainty differ from derivatives in the third order only.
    theirs = package(*with_package(a, b, c))
    scale = 1e-3 * sum(entry.uncertainty for entry in (a, b, c))
    assert propagate(function, a, b, c).uncertainty == pytest.approx(theirs.s, rel=2e-4, abs=scale + 1e-12)


@settings(deadline=None)
@given(a=inputs_of, b=inputs_of)
def test_covariance_as_the_uncertainties_package(a: Measured, b: Measured) -> None:
    x, y = with_package(a, b)
    shared = sum(x.derivatives.get(v, 0.0) * y.derivatives.get(v, 0.0) * v.s**2 for v in x.derivatives)
    assert a.covariance(b) == pytest.approx(shared, rel=1e-9, abs=1e-15)


def test_nonlinear_function_of_correlated_inputs_as_sampled() -> None:
    chance = np.random.default_rng(1)
    first = Measured(120.0, {"scale": 3.0, "a": 2.0})
    second = Measured(35.0, {"scale": -0.8, "b": 0.7})
    draws = {source: chance.standard_normal(200_000) for source in ("scale", "a", "b")}
    x = first.value + sum(term * draws[source] for source, term in first.terms.items())
    y = second.value + sum(term * draws[source] for source, term in second.terms.items())
    ours = propagate(lambda a, b: a**1.4 / b, first, second)
    assert ours.uncertainty == pytest.approx(float(np.std(x**1.4 / y)), rel=0.05)


# Worked numbers --------------------------------------------------------------------------------------------------


def gauge_reading(value: float, gauge: str, key: str, orientation: float = 1.0, share: float = 0.0) -> Measured:
    accuracy = Accuracy(share=share, floor=0.005, resolution=0.0, zero_unchecked=0.0)
    return Measured(value, error_terms(value, accuracy, gauge, key, orientation, zero_unchecked=False))


def test_external_static_pressure_of_two_gauges() -> None:
    """0.31 - (-0.22) = 0.53, each +-0.005 rectangular, independent: u = 0.005 sqrt(2/3) = 0.00408 (JCGM 100, 5.1.2)."""
    total = difference(gauge_reading(0.31, "one", "a"), gauge_reading(-0.22, "two", "b"))
    assert total.value == pytest.approx(0.53)
    assert total.uncertainty == pytest.approx(0.00408, abs=5e-6)


def test_common_zero_of_one_gauge_cancels_in_the_difference() -> None:
    total = difference(gauge_reading(0.31, "one", "a"), gauge_reading(-0.22, "one", "b"))
    assert total.uncertainty == pytest.approx(0.0, abs=1e-15)


def test_common_zero_of_one_gauge_adds_when_the_hose_was_swapped() -> None:
    """Read with the hose on the other port the zero counts twice: linear limit 2 x 0.005, over sqrt(3) = 0.00577."""
    total = difference(gauge_reading(0.31, "one", "a"), gauge_reading(-0.22, "one", "b", orientation=-1.0))
    assert total.uncertainty == pytest.approx(0.00577, abs=5e-6)


def test_common_scale_error_follows_the_difference() -> None:
    """1 % of 0.53 over sqrt(3), whatever the orientation, where no floor counts."""
    accuracy = Accuracy(share=0.01, floor=0.0, resolution=0.0, zero_unchecked=0.0)
    high, low = (
        Measured(value, error_terms(value, accuracy, "gauge", key, orientation, zero_unchecked=False))
        for value, key, orientation in ((0.31, "a", 1.0), (-0.22, "b", -1.0))
    )
    assert difference(high, low).uncertainty == pytest.approx(0.0053 / math.sqrt(3.0), rel=1e-9)


def test_airflow_from_heat_and_temperature_rise() -> None:
    """64 000 (3 %) over 1.08 (1 %) and 50 K-steps of degF with two sensors of u 0.5: 1185.2, u 41.1, U 82."""
    flow = propagate(
        lambda heat, factor, leaving, entering: heat / (factor * (leaving - entering)),
        Measured(64000.0, {"heat": 64000.0 * 0.03}),
        Measured(1.08, {"factor": 0.0108}),
        Measured(120.0, {"supply": 0.5}),
        Measured(70.0, {"return": 0.5}),
    )
    assert flow.value == pytest.approx(1185.2, abs=0.05)
    assert flow.uncertainty == pytest.approx(41.1, abs=0.05)
    assert 2.0 * flow.uncertainty == pytest.approx(82.0, abs=0.5)


def test_fan_power_per_airflow() -> None:
    """540 W (U 2 %) over 1200 cfm (U 7 %): 0.450, U 0.033 W/cfm (JCGM 100, 5.1.6: relative variances add)."""
    share = ratio(Measured(540.0, {"power": 5.4}), Measured(1200.0, {"flow": 42.0}))
    assert share.value == pytest.approx(0.450)
    assert 2.0 * share.uncertainty == pytest.approx(0.033, abs=5e-4)


# Ends of a range -------------------------------------------------------------------------------------------------


def bounded(low: float, high: float) -> Callable[[float], float]:
    def square(x: float) -> float:
        if not low <= x <= high:
            raise OutOfRange("x", x, low, high)
        return x * x

    return square


@pytest.mark.parametrize(("value", "step"), [(0.0, 0.1), (1.0, 0.1)])
def test_the_slope_at_an_end_is_taken_from_the_inner_side(value: float, step: float) -> None:
    ours = propagate(bounded(0.0, 1.0), Measured(value, {"s": step}))
    inner = value - step if value == 1.0 else value + step
    assert ours.uncertainty == pytest.approx(abs(inner**2 - value**2))


def test_a_value_outside_the_range_is_refused() -> None:
    with pytest.raises(OutOfRange):
        propagate(bounded(0.0, 1.0), Measured(1.5, {"s": 0.1}))


def test_an_uncertainty_wider_than_the_range_is_refused() -> None:
    with pytest.raises(OutOfRange):
        propagate(bounded(0.0, 1.0), Measured(0.5, {"s": 2.0}))


def test_inputs_are_what_they_were_after_a_refused_step() -> None:
    seen: list[tuple[float, float]] = []

    def function(x: float, y: float) -> float:
        seen.append((x, y))
        return bounded(0.0, 1.0)(x) * y

    propagate(function, Measured(1.0, {"a": 0.1}), Measured(2.0, {"b": 0.5}))
    assert all(x == 1.0 for x, y in seen if y != 2.0)


@pytest.mark.parametrize("function", [lambda x: 1.0 / x, lambda x: (1e200 + x) ** 2.0])
def test_numbers_too_large_to_compute_with_are_refused(function: Callable[[float], float]) -> None:
    with pytest.raises(OutOfRange):
        propagate(function, Measured(0.0, {"s": 0.0}))


def test_division_by_zero_is_refused() -> None:
    with pytest.raises(OutOfRange):
        ratio(Measured(1.0), Measured(0.0))


# Bent functions --------------------------------------------------------------------------------------------------

A_LOT = np.random.default_rng(20260310).standard_normal((400_000, 3))
"""Their standard deviation is known to 0.1 %."""


def spread(function: Callable[..., Any], *inputs: Measured) -> float:
    """Standard deviation of the function by numpy over many normal draws."""
    drawn = function(*(entry.value + entry.uncertainty * A_LOT[:, index] for index, entry in enumerate(inputs)))
    return float(np.std(drawn))


@pytest.mark.parametrize("share", [0.02, 0.05, 0.08, 0.1, 0.12, 0.15, 0.17])
def test_a_reciprocal_scatters_as_sampled(share: float) -> None:
    """Far beyond these a normal denominator may be nothing, and the spread has no end."""
    found = propagate(lambda x: 1.0 / x, Measured(1.0, {"x": share}))
    assert found.value == 1.0
    assert found.uncertainty == pytest.approx(spread(lambda x: 1.0 / x, Measured(1.0, {"x": share})), rel=0.05)
    assert found.sampled == (share > 0.11)


@pytest.mark.parametrize("share", [0.1, 0.25, 0.5, 0.8])
def test_an_exponential_has_the_spread_of_the_log_normal_distribution(share: float) -> None:
    """exp(s^2/2) sqrt(exp(s^2) - 1) for an exponent of standard uncertainty s (log-normal distribution, any text)."""
    found = propagate(math.exp, Measured(0.0, {"x": share}))
    assert found.uncertainty == pytest.approx(math.exp(share**2 / 2) * math.sqrt(math.exp(share**2) - 1), rel=0.05)


def test_a_square_about_nothing_has_a_spread_that_slopes_do_not_show() -> None:
    """Chi-square distribution of one degree of freedom: variance 2."""
    found = propagate(lambda x: x * x, Measured(0.0, {"x": 1.0}))
    assert found.uncertainty == pytest.approx(math.sqrt(2.0), rel=0.01)
    assert found.covariance(Measured(0.0, {"x": 1.0})) == 0.0


def test_a_power_about_nothing_is_sampled_where_it_is_asked_for() -> None:
    """E |z|^1.3 = 2^0.65 Gamma(1.15) / sqrt(pi) (absolute moments of the normal distribution)."""
    function, zero = (lambda x: math.copysign(abs(x) ** 0.65, x)), Measured(0.0, {"x": 1.0})
    exact = math.sqrt(2.0**0.65 * math.gamma(1.15) / math.sqrt(math.pi))
    assert sampled(function, zero).uncertainty == pytest.approx(exact, rel=0.02)
    assert propagate(function, zero).uncertainty == pytest.approx(1.0)


def test_a_quotient_of_what_is_not_well_known() -> None:
    one, other = Measured(1.0, {"a": 0.1}), Measured(2.0, {"b": 0.35})
    assert ratio(one, other).uncertainty == pytest.approx(spread(lambda a, b: a / b, one, other), rel=0.05)
    assert ratio(one, other).sampled
    assert not ratio(one, Measured(2.0, {"b": 0.1})).sampled


def test_what_is_sampled_keeps_what_it_shares() -> None:
    """An error common to both sides cancels in the quotient however large it is."""
    one, other = Measured(1.0, {"common": 0.2, "a": 0.01}), Measured(2.0, {"common": 0.4})
    assert ratio(one, other).uncertainty == pytest.approx(0.005 * (1.0 + 1.5 * 0.2**2), rel=0.02)
    bent = propagate(lambda x: 1.0 / x, Measured(1.0, {"x": 0.2, "y": 0.1}))
    assert bent.covariance(Measured(0.0, {"x": 1.0})) == pytest.approx(-0.2, rel=0.1)


def test_sampling_leaves_out_what_cannot_be() -> None:
    """The square of half a normal number is that of a whole one (chi-square distribution): variance 2."""
    found = sampled(bounded(0.0, 10.0), Measured(0.0, {"x": 1.0}))
    assert found.value == 0.0
    assert found.uncertainty == pytest.approx(math.sqrt(2.0), rel=0.05)


@given(st.lists(inputs_of, min_size=2, max_size=2))
@settings(max_examples=50, deadline=None)
def test_sampling_is_always_the_same_and_agrees_where_nothing_is_bent(entries: list[Measured]) -> None:
    ours = sampled(lambda a, b: 2.0 * a - 3.0 * b, *entries)
    assert ours == sampled(lambda a, b: 2.0 * a - 3.0 * b, *entries)
    assert not ours.sampled
    assert ours.uncertainty == pytest.approx(combine((2.0, entries[0]), (-3.0, entries[1])).uncertainty, rel=1e-6)


# Repeated readings -----------------------------------------------------------------------------------------------


def test_repeats_that_agree_keep_what_they_share() -> None:
    entries = [Measured(5.0, {"gauge": 0.3, f"step.{index}": 0.1}) for index in range(4)]
    ours = mean(entries, "scatter")
    assert ours.value == 5.0
    assert ours.uncertainty == pytest.approx(math.hypot(0.3, 0.1 / 2.0))


def test_repeats_that_contradict_make_the_mean_doubtful() -> None:
    """Standard deviation of a mean of n: s / sqrt(n) (JCGM 100, 4.2.3); of -0.2 and 0.2 that is 0.2."""
    ours = mean([Measured(-0.2), Measured(0.2)], "scatter")
    assert ours.value == pytest.approx(0.0)
    assert ours.terms == {"scatter": pytest.approx(0.2)}


def test_one_reading_is_its_own_mean() -> None:
    only = Measured(3.0, {"gauge": 0.1})
    assert mean([only], "scatter") is only


def test_numbers_whose_squares_are_beyond_computing_are_answered() -> None:
    found = propagate(lambda x: x * x, Measured(1.0, {"a": 1e80}))
    assert found.value == 1.0
    assert found.uncertainty >= 0.0
