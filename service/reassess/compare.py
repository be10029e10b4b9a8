"""Findings gained, lost and changed, verdicts moved, and why.

Three evaluations tell causes apart: the one that was kept, the same request judged today by the rules of that time,
and the same request judged by the other rules. What differs between the first two is the service's own doing, what
differs between the last two is that of the rules; which record did it is read off the difference of the two versions.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import count
from typing import TypeVar

import msgspec

from service.model.difference import (
    By,
    EntryChange,
    EvaluationDifference,
    FindingChange,
    JudgedBy,
    Reason,
    VerdictMove,
)
from service.model.evaluation import ContextResult, Evaluation, Finding, RankedCause, Verdict
from service.model.quantity import Quantity
from service.model.ruleset import Ruleset
from service.model.visit import WHOLE_HOUSE
from service.ruleset.difference import WORDED, difference

Place = tuple[str, str | None]
"""Operating state and area."""

VerdictKey = tuple[str, str | None, int]
"""Criterion, subject, and the how-manieth of those."""

Key = TypeVar("Key")

SAME = 1e-9
"""Relative difference below which two numbers are one: rounding of the same sum in another order."""

NUMBERS = ("assumptions", "instruments", "elements", "arrangements", "stations", "places", "dimensions")
"""Sections that quantities are worked out with."""

UNKNOWN = Reason(by="unknown")
SERVICE = Reason(by="service")


def compare(
    kept: Evaluation, again: Evaluation | None, other: Evaluation, rules: Ruleset | None, other_rules: Ruleset
) -> EvaluationDifference:
    """What lies between a kept evaluation and another one of the same request.

    Parameters
    ----------
    kept : the evaluation as it was kept
    again : the same request judged today by the rules of that time; None where they are not at hand
    other : the same request judged today by the other rules
    rules, other_rules : the rules of that time, None where they are not at hand, and the other rules
    """
    changes: dict[tuple[str, str], EntryChange] = {}
    if rules is not None and rules.digest != other_rules.digest:
        changes = {(entry.section, entry.id): entry for entry in difference(rules, other_rules).entries}
    findings: list[FindingChange] = []
    verdicts: list[VerdictMove] = []
    apart = kept.whole_house is not None
    first, third = _by_place(kept, apart), _by_place(other, apart)
    second = None if again is None else _by_place(again, apart)
    for place in dict.fromkeys([*first, *third]):
        old, new = _side(first, place), _side(third, place)
        context = _Context(old, None if second is None else _side(second, place), new, changes)
        findings += context.findings()
        verdicts += context.verdicts()
    return EvaluationDifference(
        before=_judged_by(kept),
        after=_judged_by(other),
        attributed=again is not None,
        findings=tuple(findings),
        verdicts=tuple(verdicts),
    )


def _judged_by(evaluation: Evaluation) -> JudgedBy:
    return JudgedBy(
        ruleset_version=evaluation.ruleset_version,
        ruleset_digest=evaluation.ruleset_digest,
        service_version=evaluation.service_version,
    )


def _by_place(evaluation: Evaluation, apart: bool) -> dict[Place, ContextResult]:
    """The contexts, with the whole house beside them where it stands `apart`, else with what it tells in each.

    Evaluations kept before the whole house had a part of its own told it in every context.
    """
    contexts = {(context.state.id, context.area): context for context in evaluation.contexts}
    house = evaluation.whole_house
    if house is None:
        return contexts
    told = {name: getattr(house, name) for name in house.__struct_fields__}
    if apart or not contexts:
        return {(WHOLE_HOUSE.id, None): ContextResult(state=WHOLE_HOUSE, area=None, **told), **contexts}
    return {
        place: msgspec.structs.replace(
            context,
            quantities=house.quantities + context.quantities,
            verdicts=house.verdicts + context.verdicts,
            findings=house.findings + context.findings,
        )
        for place, context in contexts.items()
    }


class _Side:
    """One context of one evaluation, by what identifies its parts."""

    def __init__(self, context: ContextResult | None) -> None:
        self.context = context
        self.verdicts: dict[VerdictKey, Verdict] = {}
        self.findings: dict[str, Finding] = {}
        self.quantities: dict[tuple[str, str | None], Quantity] = {}
        self.held: set[str] = set()
        self.makers: dict[str, list[str]] = {}
        if context is None:
            return
        for verdict in context.verdicts:
            key = next(k for n in count() if (k := (verdict.criterion, verdict.subject, n)) not in self.verdicts)
            self.verdicts[key] = verdict
        self.findings = {finding.code: finding for finding in context.findings}
        for quantity in context.quantities:
            self.quantities.setdefault((quantity.name, quantity.subject), quantity)
        for rule, conclusion in context.firings:
            self.makers.setdefault(conclusion, []).append(rule)
        self.held = {verdict.token for verdict in context.verdicts} | set(context.observations) | set(self.makers)

    def quantity(self, verdict: Verdict | None) -> Quantity | None:
        """What a verdict was reached on."""
        return None if verdict is None else self.quantities.get((verdict.quantity, verdict.subject))


def _side(places: Mapping[Place, ContextResult] | None, place: Place) -> _Side:
    return _Side(None if places is None else places.get(place))


class _Context:
    """One context as it was kept, as the rules of that time judge it today, and as the other rules do."""

    def __init__(
        self, kept: _Side, again: _Side | None, other: _Side, changes: Mapping[tuple[str, str], EntryChange]
    ) -> None:
        self.kept = kept
        self.again = again
        self.other = other
        self.changes = changes
        found = other.context or kept.context
        assert found is not None
        self.state, self.area = found.state, found.area

    # Verdicts --------------------------------------------------------------------------------------------------

    def verdicts(self) -> Iterator[VerdictMove]:
        for key in dict.fromkeys([*self.kept.verdicts, *self.other.verdicts]):
            old, new = self.kept.verdicts.get(key), self.other.verdicts.get(key)
            named = new or old
            if named is None or (old is not None and new is not None and old.verdict == new.verdict):
                continue
            before, after = self.kept.quantity(old), self.other.quantity(new)
            yield VerdictMove(
                criterion=named.criterion,
                quantity=named.quantity,
                state=self.state,
                area=self.area,
                subject=named.subject,
                before=None if old is None else old.verdict,
                after=None if new is None else new.verdict,
                value_before=None if before is None else before.value,
                value_after=None if after is None else after.value,
                lower_before=None if old is None else old.lower,
                lower_after=None if new is None else new.lower,
                upper_before=None if old is None else old.upper,
                upper_after=None if new is None else new.upper,
                reasons=self._ascribed(key, _token, self._verdict_reasons),
            )

    def _verdict_reasons(self, again: _Side, key: VerdictKey) -> Iterator[Reason]:
        """Why the rules of that time and the other rules judge one quantity differently today."""
        old, new = again.verdicts.get(key), self.other.verdicts.get(key)
        entry = self.changes.get(("criteria", key[0]))
        if entry is not None and entry.change != "changed":
            yield Reason(by="criterion", id=key[0], change=entry.change)
        elif entry is not None:
            judged = tuple(part.part for part in entry.parts if part.part not in WORDED)
            if judged:
                yield Reason(by="criterion", id=key[0], change="changed", parts=judged)
            if entry.limits and _limits(old) != _limits(new):
                parts = dict.fromkeys(part for limit in entry.limits for part in limit.parts)
                yield Reason(by="limit", id=key[0], change="changed", parts=tuple(parts))
        if old is not None and new is not None:
            yield from self._quantity_reasons(again.quantity(old), self.other.quantity(new), new.quantity)

    def _quantity_reasons(self, old: Quantity | None, new: Quantity | None, name: str) -> Iterator[Reason]:
        bounds = self.changes.get(("quantities", name))
        changed = [f"quantities {name}"] if bounds is not None and bounds.step != "patch" else []
        if _differ(old, new):
            changed += [f"{section} {key}" for section, key in self.changes if section in NUMBERS]
        if changed:
            yield Reason(by="quantity", id=name, change="changed", parts=tuple(changed))

    # Findings --------------------------------------------------------------------------------------------------

    def findings(self) -> Iterator[FindingChange]:
        for code in dict.fromkeys([*self.kept.findings, *self.other.findings]):
            old, new = self.kept.findings.get(code), self.other.findings.get(code)
            named = new or old
            parts = () if old is None or new is None else _parts(old, new)
            if named is None or (old is not None and new is not None and not parts):
                continue
            yield FindingChange(
                code=code,
                title=named.title,
                state=self.state,
                area=self.area,
                change="gained" if old is None else "lost" if new is None else "changed",
                severity_before=None if old is None else old.severity,
                severity_after=None if new is None else new.severity,
                parts=parts,
                reasons=self._ascribed(code, _content, self._finding_reasons),
            )

    def _finding_reasons(self, again: _Side, code: str) -> Iterator[Reason]:
        """Why the rules of that time and the other rules say different things today."""
        old, new = again.findings.get(code), self.other.findings.get(code)
        worded = old is not None and new is not None
        for rule in dict.fromkeys([*(old.rules if old else ()), *(new.rules if new else ())]):
            yield from self._record("rules", "rule", rule, worded=worded)
        if old is None or new is None:
            yield from self._firing_reasons(again, old, new)
            return
        parts = _parts(old, new)
        moved = set(old.evidence) ^ set(new.evidence)
        if "causes" in parts:
            for cause in dict.fromkeys([*(c.cause for c in old.causes), *(c.cause for c in new.causes)]):
                yield from self._record("causes", "cause", cause, worded=True)
            yield from self._record("evidence", "evidence", "evidence", worded=False)
            moved |= _cited(old.causes) ^ _cited(new.causes)
        if "cautions" in parts:
            for caution in sorted(set(old.cautions) ^ set(new.cautions)):
                yield from self._record("cautions", "caution", caution, worded=False)
        if "next_readings" in parts:
            for procedure in dict.fromkeys([*old.next_readings, *new.next_readings]):
                yield from self._record("procedures", "procedure", procedure, worded=False)
        if "certainty" in parts or "causes" in parts:
            moved |= set(new.evidence)
        yield from self._token_reasons(again, sorted(moved), set())

    def _firing_reasons(self, again: _Side, old: Finding | None, new: Finding | None) -> Iterator[Reason]:
        """Why a finding is there on one side only: tokens of its rules that hold on that side only."""
        there = new or old
        tokens = [] if there is None else list(there.evidence)
        one_sided = again.held ^ self.other.held
        yield from self._token_reasons(again, [token for token in tokens if token in one_sided], set())

    def _token_reasons(self, again: _Side, tokens: Iterable[str], seen: set[str]) -> Iterator[Reason]:
        for token in tokens:
            if token in seen:
                continue
            seen.add(token)
            makers = dict.fromkeys([*again.makers.get(token, ()), *self.other.makers.get(token, ())])
            if makers:
                for rule in makers:
                    yield from self._record("rules", "rule", rule, worded=False)
                continue
            criterion, _, _ = token.rpartition(".")
            keys = [key for key in dict.fromkeys([*again.verdicts, *self.other.verdicts]) if key[0] == criterion]
            for key in keys:
                yield from self._verdict_reasons(again, key)
            if not keys and token in again.held ^ self.other.held:
                yield Reason(by="observation", id=token)

    # Both ------------------------------------------------------------------------------------------------------

    def _record(self, section: str, by: By, key: str, *, worded: bool) -> Iterator[Reason]:
        """A record that differs between the versions; one that only words its part differently where words count."""
        entry = self.changes.get((section, key))
        if entry is None:
            return
        parts = tuple(part.part for part in entry.parts if worded or part.part.split(".")[0] not in WORDED)
        if entry.change != "changed" or parts:
            yield Reason(by=by, id=key, change=entry.change, parts=parts)

    def _ascribed(
        self,
        key: Key,
        seen: Callable[[_Side, Key], object],
        of_rules: Callable[[_Side, Key], Iterable[Reason]],
    ) -> tuple[Reason, ...]:
        """The service's part, then that of the rules; unknown where one of them is at work and does not show."""
        if self.again is None:
            return (UNKNOWN,)
        reasons: list[Reason] = []
        if seen(self.kept, key) != seen(self.again, key):
            reasons.append(SERVICE)
        if seen(self.again, key) != seen(self.other, key):
            reasons += dict.fromkeys(of_rules(self.again, key)) or [UNKNOWN]
        return tuple(reasons) or (UNKNOWN,)


def _token(side: _Side, key: VerdictKey) -> str | None:
    verdict = side.verdicts.get(key)
    return None if verdict is None else verdict.token


def _limits(verdict: Verdict | None) -> tuple[object, ...] | None:
    """The limits in force."""
    return None if verdict is None else (verdict.lower, verdict.upper, verdict.source, verdict.locator)


def _differ(old: Quantity | None, new: Quantity | None) -> bool:
    if old is None or new is None:
        return old is not new
    return not (
        math.isclose(old.value, new.value, rel_tol=SAME, abs_tol=SAME)
        and math.isclose(old.uncertainty, new.uncertainty, rel_tol=SAME, abs_tol=SAME)
    )


def _cited(causes: Iterable[RankedCause]) -> set[str]:
    return {token for cause in causes for token in (*cause.evidence_for, *cause.evidence_against)}


def _content(side: _Side, code: str) -> tuple[object, ...]:
    """What makes two findings the same to a reader; probabilities to the three decimals that are shown."""
    finding = side.findings.get(code)
    return () if finding is None else tuple(part(finding) for part in _CONTENT.values())


_CONTENT: dict[str, Callable[[Finding], object]] = {
    "severity": lambda finding: finding.severity,
    "words": lambda f: (f.title, f.summary, f.why_it_matters, f.what_to_do, f.known_false_alarms),
    "rules": lambda finding: sorted(finding.rules),
    "evidence": lambda finding: sorted(finding.evidence),
    "certainty": lambda f: None if f.certainty is None else round(f.certainty, 3),
    "causes": lambda f: [(cause.cause, cause.rank, cause.title, cause.remedy) for cause in f.causes],
    "next_readings": lambda finding: finding.next_readings,
    "cautions": lambda finding: sorted(finding.cautions),
    "sources": lambda finding: sorted(finding.sources),
}


def _parts(old: Finding, new: Finding) -> tuple[str, ...]:
    return tuple(name for name, part in _CONTENT.items() if part(old) != part(new))
