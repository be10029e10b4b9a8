"""Which limit is in force: dates, conditions, ratings, overrides; and what is said where there is none."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Set
from typing import Any

import msgspec
import pytest

from service import pipeline
from service.judge import Bench, prepare
from service.judge.bench import NoLimit
from service.model.evaluation import Verdict
from service.model.quantity import Measured, Quantity
from service.model.ruleset import Criterion, Limit
from service.model.visit import LimitOverride

PREPARED = pipeline.working()
RULES, UNITS = PREPARED.ruleset, PREPARED.units
INCH = 249.08891
TODAY = datetime.date(2026, 3, 10)
SOURCED = {"source": "field_practice", "locator": "test", "checked": "practice"}


def bench(*limits: dict[str, Any], **more: Any) -> Bench:
    """A bench with one criterion, on external static pressure unless told otherwise."""
    criterion = Criterion(
        id="test",
        title="Test",
        limit=[msgspec.convert({**SOURCED, **limit}, Limit) for limit in limits],
        **{"quantity": "external_static_pressure", "decision_rule": "guarded", "confidence": 0.95, **more},
    )
    return prepare(msgspec.structs.replace(RULES, criteria={"test": criterion}), UNITS)


def quantity(inches: float, uncertainty: float = 0.0, subject: str | None = None) -> Quantity:
    return Quantity("external_static_pressure", inches * INCH, uncertainty * INCH, "test", (), {}, subject)


def judged(
    on_bench: Bench,
    *quantities: Quantity,
    lacking: Mapping[str, tuple[str, ...]] | None = None,
    observations: Set[str] = frozenset(),
    ratings: Mapping[str, Measured] | None = None,
    overrides: Mapping[str, LimitOverride] | None = None,
    on: datetime.date | None = TODAY,
) -> tuple[list[Verdict], list[NoLimit]]:
    return on_bench.judge(quantities, lacking or {}, observations, ratings or {}, overrides or {}, on)


def only(result: tuple[list[Verdict], list[NoLimit]]) -> Verdict:
    (verdict,), limitless = result
    assert limitless == []
    return verdict


UPPER = {"unit": "[in_i'H2O]", "upper": 0.5}


def test_a_limit_is_told_in_si_with_its_source() -> None:
    verdict = only(judged(bench(UPPER), quantity(0.7, 0.01)))
    assert (verdict.verdict, verdict.token) == ("above", "test.above")
    assert verdict.upper == pytest.approx(0.5 * INCH)
    assert verdict.lower is None
    assert (verdict.source, verdict.locator, verdict.checked) == ("field_practice", "test", "practice")
    assert (verdict.decision_rule, verdict.confidence) == ("guarded", 0.95)
    assert verdict.probability == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("inches", "verdict"), [(0.47, "within"), (0.49, "undecided"), (0.51, "undecided"), (0.53, "above")]
)
def test_a_limit_inside_the_uncertainty_is_undecided(inches: float, verdict: str) -> None:
    """u 0.015: guard bands 0.5 -+ 1.645 x 0.015 = 0.475 and 0.525."""
    assert only(judged(bench(UPPER), quantity(inches, 0.015))).verdict == verdict


def test_a_lacking_quantity_is_not_measured_and_an_inapplicable_one_is_passed_over() -> None:
    assert only(judged(bench(UPPER), lacking={"external_static_pressure": ("a reading",)})).token == "test.not_measured"
    assert judged(bench(UPPER)) == ([], [])


@pytest.mark.parametrize(
    ("inches", "verdict"), [(-0.51, "implausible"), (-0.49, "within"), (4.9, "above"), (5.1, "implausible")]
)
def test_beyond_what_can_be_true_nothing_is_compared(inches: float, verdict: str) -> None:
    """The vocabulary calls -0.5 to 5 in. w.c. plausible."""
    found = only(judged(bench(UPPER), quantity(inches, 0.001)))
    assert found.verdict == verdict
    assert (found.probability is None) == (verdict == "implausible")


def test_what_cannot_be_true_is_implausible_even_without_a_limit() -> None:
    """A rating that is missing, or a date out of force, does not make an absurd value one that merely has no limit."""
    without = bench({"upper_rating": "maximum_external_static_pressure"})
    verdict = only(judged(without, quantity(50.0)))
    assert (verdict.verdict, verdict.lower, verdict.upper, verdict.source) == ("implausible", None, None, None)
    mixed = [quantity(0.5, subject="a"), quantity(50.0, subject="b")]
    verdicts, limitless = judged(without, *mixed)
    assert [(entry.subject, entry.verdict) for entry in verdicts] == [("b", "implausible")]
    assert limitless == [NoLimit("test", "external_static_pressure", ("maximum_external_static_pressure",))]


def test_each_of_several_parts_is_judged_on_its_own() -> None:
    verdicts, _ = judged(bench(UPPER), quantity(0.2, 0.01, "first"), quantity(0.9, 0.01, "second"))
    assert [(verdict.subject, verdict.verdict) for verdict in verdicts] == [("first", "within"), ("second", "above")]


# Dates -----------------------------------------------------------------------------------------------------------

FROM, UNTIL = datetime.date(2020, 1, 1), datetime.date(2019, 12, 31)
DATED = (
    {**UPPER, "upper": 0.4, "from_date": FROM, "locator": "new"},
    {**UPPER, "upper": 0.6, "until_date": UNTIL, "locator": "old"},
)


@pytest.mark.parametrize(
    ("on", "locator"),
    [
        (datetime.date(2019, 12, 30), "old"),
        (datetime.date(2019, 12, 31), "old"),
        (datetime.date(2020, 1, 1), "new"),
        (datetime.date(2020, 1, 2), "new"),
        (None, "new"),
    ],
)
def test_the_visits_date_picks_the_limit(on: datetime.date | None, locator: str) -> None:
    """Both ends belong to their period; an undated visit is judged by what has not run out."""
    assert only(judged(bench(*DATED), quantity(0.5), on=on)).locator == locator


def test_a_limit_not_yet_or_no_longer_in_force_is_none() -> None:
    for limit, on in ((DATED[0], UNTIL), (DATED[1], FROM), (DATED[1], None)):
        verdicts, limitless = judged(bench(limit), quantity(0.5), on=on)
        assert verdicts == []
        assert limitless == [NoLimit("test", "external_static_pressure", ())]


# Conditions ------------------------------------------------------------------------------------------------------


def test_the_first_limit_whose_conditions_all_hold_is_taken() -> None:
    limits = (
        {**UPPER, "upper": 0.3, "when": ["mode.cooling", "coil_surface.wet"], "locator": "both"},
        {**UPPER, "upper": 0.4, "when": ["mode.cooling"], "locator": "one"},
        {**UPPER, "locator": "any"},
    )
    for observations, locator in (
        ({"mode.cooling", "coil_surface.wet", "blower.on"}, "both"),
        ({"mode.cooling"}, "one"),
        ({"coil_surface.wet"}, "any"),
        (set(), "any"),
    ):
        assert only(judged(bench(*limits), quantity(0.2), observations=observations)).locator == locator


# Ratings ---------------------------------------------------------------------------------------------------------

RATED = {"upper_rating": "maximum_external_static_pressure", "upper_factor": 0.4}


def test_a_limit_may_be_a_part_of_a_rating() -> None:
    ratings = {"maximum_external_static_pressure": Measured(0.5 * INCH)}
    verdict = only(judged(bench(RATED), quantity(0.25), ratings=ratings))
    assert verdict.verdict == "above"
    assert verdict.upper == pytest.approx(0.2 * INCH)


def test_a_missing_rating_is_named_once() -> None:
    verdicts, limitless = judged(bench(RATED, {**RATED, "upper_factor": 0.5}), quantity(0.25))
    assert verdicts == []
    assert limitless == [NoLimit("test", "external_static_pressure", ("maximum_external_static_pressure",))]


def test_without_its_rating_the_next_limit_holds() -> None:
    assert only(judged(bench(RATED, UPPER), quantity(0.6))).upper == pytest.approx(0.5 * INCH)


# Overrides -------------------------------------------------------------------------------------------------------


def test_a_clients_own_limit_replaces_the_rulesets_and_says_so() -> None:
    own = {"test": LimitOverride("test", "The owner's limit.", upper=0.9 * INCH)}
    verdict = only(judged(bench(RATED, UPPER), quantity(0.7, 0.01), overrides=own))
    assert verdict.verdict == "within"
    assert verdict.overridden == "The owner's limit."
    assert verdict.source is None
    assert verdict.upper == pytest.approx(0.9 * INCH)


def test_a_clients_own_limit_holds_where_the_ruleset_has_none() -> None:
    own = {"test": LimitOverride("test", "The owner's limit.", lower=0.1 * INCH)}
    assert only(judged(bench(RATED), quantity(0.05), overrides=own)).verdict == "below"


# The rules as they are -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(RULES.criteria))
def test_both_sides_of_every_fixed_limit(name: str) -> None:
    """Every number in rules/criteria decides: without uncertainty, just inside is within and just outside is not."""
    criterion = RULES.criteria[name]
    dimension = RULES.quantities[criterion.quantity].dimension
    plausible = RULES.quantities[criterion.quantity].plausible
    low, high = (UNITS.to_si(dimension, end, plausible.unit) for end in (plausible.low, plausible.high))
    whole = prepare(msgspec.structs.replace(RULES, criteria={name: criterion}), UNITS)
    for limit in criterion.limit:
        on = limit.from_date or limit.until_date or TODAY
        for bound, outside in ((limit.lower, "below"), (limit.upper, "above")):
            if bound is None or limit.unit is None:
                continue
            exact = UNITS.to_si(dimension, bound, limit.unit)
            step = (1e-6 * abs(exact) or 1e-6) * (1.0 if outside == "above" else -1.0)
            beyond = outside if low <= exact + step <= high else "implausible"
            for value, expected in ((exact, "within"), (exact - step, "within"), (exact + step, beyond)):
                verdicts, _ = whole.judge(
                    [Quantity(criterion.quantity, value, 0.0, "test", ())], {}, set(limit.when), {}, {}, on
                )
                assert [verdict.verdict for verdict in verdicts] == [expected], (name, value)
