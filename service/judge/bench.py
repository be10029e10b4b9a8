"""The criteria of a ruleset, made ready once: limits in SI units, grouped by the quantity they judge."""

from __future__ import annotations

import datetime
from collections.abc import Collection, Iterable, Mapping, Set
from typing import get_args

import msgspec

from service.judge.decide import decide
from service.model.evaluation import Verdict, VerdictToken
from service.model.quantity import Measured, Quantity
from service.model.ruleset import Criterion, Ruleset
from service.model.units import UnitTable
from service.model.visit import LimitOverride


class InForce(msgspec.Struct, frozen=True):
    """The limits that hold for one visit."""

    lower: float | None
    upper: float | None
    source: str | None
    locator: str | None
    checked: str | None
    overridden: str | None = None


WITHOUT_LIMIT = InForce(None, None, None, None, None)


class ReadyLimit(msgspec.Struct, frozen=True):
    """One limit with its numbers in SI units; `fixed` is what it comes to, except for what a rating adds."""

    fixed: InForce
    lower_rating: str | None
    upper_rating: str | None
    lower_factor: float
    upper_factor: float
    when: frozenset[str]
    from_date: datetime.date | None
    until_date: datetime.date | None

    def holds(self, observations: Set[str], on: datetime.date | None) -> bool:
        """Whether its conditions hold and it is in force on the day; an undated visit gets what has not run out."""
        if not self.when <= observations:
            return False
        if on is None:
            return self.until_date is None
        return (self.from_date is None or self.from_date <= on) and (self.until_date is None or on <= self.until_date)

    def with_ratings(self, ratings: Mapping[str, Measured]) -> InForce | tuple[str, ...]:
        """The limit for an equipment, or the ratings that are missing for it."""
        if self.lower_rating is None and self.upper_rating is None:
            return self.fixed
        names = [name for name in (self.lower_rating, self.upper_rating) if name is not None]
        absent = tuple(name for name in names if name not in ratings)
        if absent:
            return absent
        lower, upper = self.fixed.lower, self.fixed.upper
        if self.lower_rating is not None:
            lower = ratings[self.lower_rating].value * self.lower_factor
        if self.upper_rating is not None:
            upper = ratings[self.upper_rating].value * self.upper_factor
        return msgspec.structs.replace(self.fixed, lower=lower, upper=upper)


class ReadyCriterion(msgspec.Struct, frozen=True):
    """One criterion made ready."""

    criterion: Criterion
    plausible_low: float
    plausible_high: float
    limits: tuple[ReadyLimit, ...]
    tokens: dict[str, str]

    def plausible(self, quantity: Quantity) -> bool:
        """Whether the value can be true of a house."""
        return self.plausible_low <= quantity.value <= self.plausible_high


class NoLimit(msgspec.Struct, frozen=True):
    """A criterion whose quantity is known but for which no limit is in force, and what is missing for one."""

    criterion: str
    quantity: str
    missing: tuple[str, ...]


class Bench:
    """Judges the quantities of one context against every criterion of one ruleset."""

    def __init__(self, criteria: Iterable[ReadyCriterion]) -> None:
        self._criteria = tuple(criteria)
        self._by_id = {ready.criterion.id: ready for ready in self._criteria}

    def limits(
        self,
        criterion: str,
        observations: Set[str],
        ratings: Mapping[str, Measured],
        override: LimitOverride | None,
        on: datetime.date | None,
    ) -> InForce:
        """The limits in force of one criterion; `WITHOUT_LIMIT` where it has none, or the ruleset does not know it."""
        ready = self._by_id.get(criterion)
        limit = None if ready is None else _in_force(ready, observations, ratings, override, on)
        return limit if isinstance(limit, InForce) else WITHOUT_LIMIT

    def judge(
        self,
        quantities: Collection[Quantity],
        lacking: Mapping[str, tuple[str, ...]],
        observations: Set[str],
        ratings: Mapping[str, Measured],
        overrides: Mapping[str, LimitOverride],
        on: datetime.date | None,
    ) -> tuple[list[Verdict], list[NoLimit]]:
        """Verdicts in the order of the criteria's ids, and the criteria without a limit in force.

        A quantity that is neither known nor lacking does not apply to the context and is passed over. A value that
        cannot be true is implausible whether or not there is a limit to compare it with.
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
                        Verdict(criterion.id, criterion.quantity, "not_measured", ready.tokens["not_measured"])
                    )
                continue
            limit = _in_force(ready, observations, ratings, overrides.get(criterion.id), on)
            if isinstance(limit, NoLimit):
                absurd = [quantity for quantity in found if not ready.plausible(quantity)]
                verdicts += [_verdict(ready, quantity, WITHOUT_LIMIT) for quantity in absurd]
                if len(absurd) < len(found):
                    limitless.append(limit)
                continue
            for quantity in found:
                verdicts.append(_verdict(ready, quantity, limit))
        return verdicts, limitless


def _in_force(
    ready: ReadyCriterion,
    observations: Set[str],
    ratings: Mapping[str, Measured],
    override: LimitOverride | None,
    on: datetime.date | None,
) -> InForce | NoLimit:
    if override is not None:
        return InForce(override.lower, override.upper, None, None, None, override.reason)
    missing: dict[str, None] = {}
    for limit in ready.limits:
        if limit.holds(observations, on):
            found = limit.with_ratings(ratings)
            if isinstance(found, InForce):
                return found
            missing.update(dict.fromkeys(found))
    return NoLimit(ready.criterion.id, ready.criterion.quantity, tuple(missing))


def _verdict(ready: ReadyCriterion, quantity: Quantity, limit: InForce) -> Verdict:
    criterion = ready.criterion
    if not ready.plausible(quantity):
        return Verdict(
            criterion=criterion.id,
            quantity=quantity.name,
            verdict="implausible",
            token=ready.tokens["implausible"],
            subject=quantity.subject,
            lower=limit.lower,
            upper=limit.upper,
            source=limit.source,
            locator=limit.locator,
            checked=limit.checked,
            overridden=limit.overridden,
        )
    decision = decide(
        quantity.value,
        quantity.uncertainty,
        limit.lower,
        limit.upper,
        criterion.decision_rule,
        criterion.confidence,
        quantity.sides,
    )
    return Verdict(
        criterion=criterion.id,
        quantity=quantity.name,
        verdict=decision.verdict,
        token=ready.tokens[decision.verdict],
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
                InForce(
                    si(limit.lower, limit.unit), si(limit.upper, limit.unit), limit.source, limit.locator, limit.checked
                ),
                limit.lower_rating,
                limit.upper_rating,
                limit.lower_factor,
                limit.upper_factor,
                frozenset(limit.when),
                limit.from_date,
                limit.until_date,
            )
            for limit in criterion.limit
        )
        ready.append(
            ReadyCriterion(
                criterion,
                float("-inf") if low is None else low,
                float("inf") if high is None else high,
                limits,
                {verdict: f"{criterion.id}.{verdict}" for verdict in get_args(VerdictToken)},
            )
        )
    return Bench(ready)
