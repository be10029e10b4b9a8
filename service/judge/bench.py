"""The criteria of a ruleset, made ready once: limits in SI units, grouped by the quantity they judge."""

from __future__ import annotations

import datetime
from collections.abc import Collection, Iterable, Mapping

import msgspec

from service.judge.decide import decide
from service.model.evaluation import Verdict
from service.model.quantity import Measured, Quantity
from service.model.ruleset import Criterion, Ruleset
from service.model.units import UnitTable
from service.model.visit import LimitOverride


class ReadyLimit(msgspec.Struct, frozen=True):
    """One limit with its numbers in SI units."""

    lower: float | None
    upper: float | None
    lower_rating: str | None
    upper_rating: str | None
    lower_factor: float
    upper_factor: float
    when: frozenset[str]
    from_date: datetime.date | None
    until_date: datetime.date | None
    source: str
    locator: str
    checked: str


class InForce(msgspec.Struct, frozen=True):
    """The limits that hold for one visit."""

    lower: float | None
    upper: float | None
    source: str | None
    locator: str | None
    checked: str | None
    overridden: str | None = None


class ReadyCriterion(msgspec.Struct, frozen=True):
    """One criterion made ready."""

    criterion: Criterion
    plausible_low: float
    plausible_high: float
    limits: tuple[ReadyLimit, ...]


class NoLimit(msgspec.Struct, frozen=True):
    """A criterion whose quantity is known but for which no limit is in force, and what is missing for one."""

    criterion: str
    quantity: str
    missing: tuple[str, ...]


class Bench:
    """Judges the quantities of one context against every criterion of one ruleset."""

    def __init__(self, criteria: Iterable[ReadyCriterion]) -> None:
        self._criteria = tuple(criteria)

    def judge(
        self,
        quantities: Collection[Quantity],
        lacking: Mapping[str, tuple[str, ...]],
        observations: Collection[str],
        ratings: Mapping[str, Measured],
        overrides: Mapping[str, LimitOverride],
        on: datetime.date | None,
    ) -> tuple[list[Verdict], list[NoLimit]]:
        """Verdicts in the order of the criteria's ids, and the criteria without a limit in force.

        A quantity that is neither known nor lacking does not apply to the context and is passed over.
        """
        by_name: dict[str, list[Quantity]] = {}
        for quantity in quantities:
            by_name.setdefault(quantity.name, []).append(quantity)
        verdicts: list[Verdict] = []
        limitless: list[NoLimit] = []
        for ready in self._criteria:
            criterion = ready.criterion
            found = by_name.get(criterion.quantity)
            if found is None:
                if criterion.quantity in lacking:
                    verdicts.append(
                        Verdict(criterion.id, criterion.quantity, "not_measured", f"{criterion.id}.not_measured")
                    )
                continue
            limit = _in_force(ready, observations, ratings, overrides.get(criterion.id), on)
            if isinstance(limit, NoLimit):
                limitless.append(limit)
                continue
            verdicts.extend(_verdict(ready, quantity, limit) for quantity in found)
        return verdicts, limitless


def _in_force(
    ready: ReadyCriterion,
    observations: Collection[str],
    ratings: Mapping[str, Measured],
    override: LimitOverride | None,
    on: datetime.date | None,
) -> InForce | NoLimit:
    if override is not None:
        return InForce(override.lower, override.upper, None, None, None, override.reason)
    missing: list[str] = []
    for limit in ready.limits:
        if not limit.when <= set(observations):
            continue
        if on is not None and (
            (limit.from_date is not None and on < limit.from_date)
            or (limit.until_date is not None and on > limit.until_date)
        ):
            continue
        if on is None and limit.until_date is not None:
            continue
        names = [name for name in (limit.lower_rating, limit.upper_rating) if name is not None]
        absent = [name for name in names if name not in ratings]
        if absent:
            missing += [name for name in absent if name not in missing]
            continue
        lower, upper = limit.lower, limit.upper
        if limit.lower_rating is not None:
            lower = ratings[limit.lower_rating].value * limit.lower_factor
        if limit.upper_rating is not None:
            upper = ratings[limit.upper_rating].value * limit.upper_factor
        return InForce(lower, upper, limit.source, limit.locator, limit.checked)
    return NoLimit(ready.criterion.id, ready.criterion.quantity, tuple(missing))


def _verdict(ready: ReadyCriterion, quantity: Quantity, limit: InForce) -> Verdict:
    criterion = ready.criterion
    if not ready.plausible_low <= quantity.value <= ready.plausible_high:
        return Verdict(
            criterion=criterion.id,
            quantity=quantity.name,
            verdict="implausible",
            token=f"{criterion.id}.implausible",
            subject=quantity.subject,
            lower=limit.lower,
            upper=limit.upper,
            source=limit.source,
            locator=limit.locator,
            checked=limit.checked,
            overridden=limit.overridden,
        )
    decision = decide(
        quantity.value, quantity.uncertainty, limit.lower, limit.upper, criterion.decision_rule, criterion.confidence
    )
    return Verdict(
        criterion=criterion.id,
        quantity=quantity.name,
        verdict=decision.verdict,
        token=f"{criterion.id}.{decision.verdict}",
        subject=quantity.subject,
        lower=limit.lower,
        upper=limit.upper,
        probability_above=decision.probability_above,
        probability_below=decision.probability_below,
        decision_rule=criterion.decision_rule,
        confidence=criterion.confidence,
        source=limit.source,
        locator=limit.locator,
        checked=limit.checked,
        overridden=limit.overridden,
        precaution=decision.precaution,
    )


def prepare(ruleset: Ruleset, units: UnitTable) -> Bench:
    """The bench of a ruleset: every limit and plausible range converted to SI units once."""
    ready: list[ReadyCriterion] = []
    for _, criterion in sorted(ruleset.criteria.items()):
        entry = ruleset.quantities[criterion.quantity]
        dimension, plausible = entry.dimension, entry.plausible

        def si(number: float | None, unit: str | None, dimension: str = dimension) -> float | None:
            return None if number is None or unit is None else units.to_si(dimension, number, unit)

        low, high = si(plausible.low, plausible.unit), si(plausible.high, plausible.unit)
        limits = tuple(
            ReadyLimit(
                si(limit.lower, limit.unit),
                si(limit.upper, limit.unit),
                limit.lower_rating,
                limit.upper_rating,
                limit.lower_factor,
                limit.upper_factor,
                frozenset(limit.when),
                limit.from_date,
                limit.until_date,
                limit.source,
                limit.locator,
                limit.checked,
            )
            for limit in criterion.limit
        )
        ready.append(
            ReadyCriterion(
                criterion, float("-inf") if low is None else low, float("inf") if high is None else high, limits
            )
        )
    return Bench(ready)
