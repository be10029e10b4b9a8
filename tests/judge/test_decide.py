"""Decision rules against the numbers of JCGM 106:2012 and against scipy's normal distribution."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from service.derive.propagate import ratio
from service.judge import decide
from service.judge.decide import probability_beyond
from service.model.quantity import Measured


@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.8416), (0.90, 1.2816), (0.95, 1.6449), (0.99, 2.3263), (0.999, 3.0902)]
)
def test_one_sided_conformance_probability(probability: float, z: float) -> None:
    """JCGM 106:2012, table 1: P = Phi((T_U - y) / u)."""
    decision = decide(-z, 1.0, None, 0.0, "guarded", 0.95)
    assert decision.probability_above is not None
    assert 1.0 - decision.probability_above == pytest.approx(probability, abs=5e-5)


def test_a_value_just_above_its_limit_is_undecided() -> None:
    """Limit 0.45, y 0.46, u 0.02: P(conform) = Phi(-0.5) = 0.3085, neither 95 % within nor 95 % above."""
    decision = decide(0.46, 0.02, None, 0.45, "guarded", 0.95)
    assert decision.verdict == "undecided"
    assert decision.probability_above is not None
    assert 1.0 - decision.probability_above == pytest.approx(0.3085, abs=5e-5)


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(0.4170, "within"), (0.4172, "undecided"), (0.45, "undecided"), (0.4828, "undecided"), (0.4830, "above")],
)
def test_guard_bands_around_an_upper_limit(value: float, verdict: str) -> None:
    """0.45 -+ 1.645 x 0.02: guarded acceptance up to 0.4171, guarded rejection from 0.4829 (JCGM 106, 8.3)."""
    assert decide(value, 0.02, None, 0.45, "guarded", 0.95).verdict == verdict


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(0.4170, "below"), (0.4172, "undecided"), (0.45, "undecided"), (0.4828, "undecided"), (0.4830, "within")],
)
def test_guard_bands_around_a_lower_limit(value: float, verdict: str) -> None:
    assert decide(value, 0.02, 0.45, None, "guarded", 0.95).verdict == verdict


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (299.0, "below"),
        (335.0, "below"),
        (350.0, "undecided"),
        (400.0, "within"),
        (450.0, "undecided"),
        (480.0, "above"),
    ],
)
def test_a_range_has_two_sides(value: float, verdict: str) -> None:
    assert decide(value, 8.0, 350.0, 450.0, "guarded", 0.95).verdict == verdict


def test_a_range_narrower_than_the_uncertainty_decides_nothing() -> None:
    decision = decide(400.0, 100.0, 350.0, 450.0, "guarded", 0.95)
    assert decision.verdict == "undecided"
    assert decision.probability_above == pytest.approx(norm.sf(0.5))
    assert decision.probability_below == pytest.approx(norm.sf(0.5))


@pytest.mark.parametrize(
    ("value", "verdict"), [(350.0, "within"), (450.0, "within"), (349.999, "below"), (450.001, "above")]
)
@pytest.mark.parametrize("rule", ["simple", "guarded", "precautionary"])
def test_without_uncertainty_the_ends_belong_to_the_range(rule: str, value: float, verdict: str) -> None:
    decision = decide(value, 0.0, 350.0, 450.0, rule, 0.95)  # type: ignore[arg-type]
    assert decision.verdict == verdict
    assert not decision.precaution


@pytest.mark.parametrize(("value", "verdict"), [(0.4499, "within"), (0.45, "within"), (0.4501, "above")])
def test_simple_acceptance_compares_the_value_itself(value: float, verdict: str) -> None:
    """JCGM 106, 8.2.1: the risk is shared; the probability is returned all the same."""
    decision = decide(value, 0.02, None, 0.45, "simple", 0.95)
    assert decision.verdict == verdict
    assert decision.probability_above == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize(
    ("value", "verdict", "precaution"),
    [(0.41, "within", False), (0.43, "above", True), (0.46, "above", True), (0.49, "above", False)],
)
def test_precaution_counts_the_undecided_as_exceeded_and_says_so(value: float, verdict: str, precaution: bool) -> None:
    decision = decide(value, 0.02, None, 0.45, "precautionary", 0.95)
    assert (decision.verdict, decision.precaution) == (verdict, precaution)


def test_precaution_takes_the_likelier_end() -> None:
    assert decide(352.0, 8.0, 350.0, 450.0, "precautionary", 0.95).verdict == "below"
    assert decide(448.0, 8.0, 350.0, 450.0, "precautionary", 0.95).verdict == "above"


@given(distance=st.floats(-10.0, 10.0), uncertainty=st.floats(1e-3, 10.0))
def test_probability_as_scipys_normal_distribution(distance: float, uncertainty: float) -> None:
    assert probability_beyond(distance, uncertainty) == pytest.approx(norm.cdf(distance / uncertainty), rel=1e-9)


finite = st.floats(-1e13, 1e13)


@given(value=finite, uncertainty=st.floats(0.0, 1e13), ends=st.lists(finite, min_size=2, max_size=2, unique=True))
def test_every_rule_answers_every_number(value: float, uncertainty: float, ends: list[float]) -> None:
    lower, upper = sorted(ends)
    for low, high in ((lower, upper), (lower, None), (None, upper)):
        for rule in ("simple", "guarded", "precautionary"):
            decision = decide(value, uncertainty, low, high, rule, 0.9)  # type: ignore[arg-type]
            assert decision.verdict in ("above", "below", "within", "undecided")
            assert decision.verdict != "undecided" or rule == "guarded"
            assert (decision.probability_above is None) == (high is None)
            assert (decision.probability_below is None) == (low is None)
            for probability in (decision.probability_above, decision.probability_below):
                assert probability is None or (math.isfinite(probability) and 0.0 <= probability <= 1.0)


@given(value=st.floats(-100.0, 100.0), uncertainty=st.floats(1e-6, 50.0))
def test_a_limit_inside_the_expanded_uncertainty_is_never_a_fault(value: float, uncertainty: float) -> None:
    """At 95 % nothing within 1.6 standard uncertainties of its limit is called above or below."""
    for limit in (value - 1.6 * uncertainty, value, value + 1.6 * uncertainty):
        assert decide(value, uncertainty, None, limit, "guarded", 0.95).verdict == "undecided"
        assert decide(value, uncertainty, limit, None, "guarded", 0.95).verdict == "undecided"


# Skewed values ---------------------------------------------------------------------------------------------------


@given(st.floats(-3.0, 3.0), st.floats(0.1, 2.0), st.floats(0.1, 2.0))
def test_a_skewed_value_is_judged_by_the_side_that_the_limit_lies_on(value: float, down: float, up: float) -> None:
    """Two halves of normal distributions that meet at the value (scipy)."""
    decision = decide(value, 1.0, 0.0, 1.0, "guarded", 0.95, (down, up))
    assert decision.probability_above == pytest.approx(norm.sf(1.0, value, up if value < 1.0 else down))
    assert decision.probability_below == pytest.approx(norm.cdf(0.0, value, down if value > 0.0 else up))


def test_a_reciprocal_is_judged_as_what_it_is_the_reciprocal_of() -> None:
    """A rate of 0.060 +- 0.0157 under a friction of 0.110: Phi(3.2) that it is less, though the ratio is known to 36 %
    only (normal distribution, computed)."""
    rate = Measured(0.060, {"rate": 0.0157})
    found = ratio(Measured(0.110), rate)
    assert found.sides is not None
    assert decide(found.value, found.uncertainty, None, 1.0, "guarded", 0.95).verdict == "undecided"
    assert decide(found.value, found.uncertainty, None, 1.0, "guarded", 0.95, found.sides).verdict == "above"
    assert norm.cdf(0.110, 0.060, 0.0157) > 0.99
