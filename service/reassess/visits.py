"""Two visits to one equipment, both judged by one version of the rules: what became of findings, and the verdict.

Silence is not health. A finding of the first visit that the second does not have is resolved only where, for every rule
that made it, the second visit decided one of the comparisons that the rule rests on, and decided it otherwise. What
nobody read, or what is too close to call, or what was seen then and not spoken of now, is no longer judged.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import msgspec

from service.model.comparison import (
    ComparedQuantity,
    ContextComparison,
    FindingFate,
    Judgement,
    RepairVerdict,
    Turn,
    VerdictReason,
    WorkProof,
)
from service.model.evaluation import Conclusions, Finding, Verdict
from service.model.ruleset import Ruleset

DECIDED = frozenset({"above", "within", "below"})
CONCLUSION = "conclusion:"
GRAVE = frozenset({"fault", "hazard"})
EITHER_OR = frozenset({"mode", "blower", "blower_kind", "arrangement", "coil_surface", "speed_setting"})
"""Families of observations of which one always holds: where another one holds, the first does not."""


class Side:
    """What one visit concluded in a context, with what it told once for the whole house."""

    def __init__(self, parts: Sequence[Conclusions], rules: Ruleset) -> None:
        self.rules = rules
        self.findings: dict[str, Finding] = {}
        self.verdicts: list[Verdict] = []
        self.observations: set[str] = set()
        for part in parts:
            for finding in part.findings:
                self.findings.setdefault(finding.code, finding)
            self.verdicts += part.verdicts
            self.observations |= set(part.observations)
        self.decided = {v.criterion for v in self.verdicts if v.verdict in DECIDED}
        self.tokens = {v.token for v in self.verdicts}
        self.families = {token.partition(".")[0] for token in self.observations} & EITHER_OR

    def rules_out(self, finding: Finding) -> bool:
        """Whether what this visit judged contradicts every rule that made a finding."""
        return all(self._against(rule, frozenset()) for rule in finding.rules)

    def _against(self, rule: str, seen: frozenset[str]) -> bool:
        entry = self.rules.diagnoses.get(rule)
        return entry is not None and any(self._denied(token, seen | {rule}) for token in entry.when)

    def _denied(self, token: str, seen: frozenset[str]) -> bool:
        if token.startswith(CONCLUSION):
            makers = [r.id for r in self.rules.diagnoses.values() if r.conclusion == token and r.id not in seen]
            return bool(makers) and all(self._against(maker, seen) for maker in makers)
        criterion, _, verdict = token.rpartition(".")
        if criterion in self.rules.criteria:
            return criterion in self.decided and token not in self.tokens and verdict in DECIDED | UNDECIDED
        return token.partition(".")[0] in self.families and token not in self.observations


UNDECIDED = frozenset({"undecided", "not_measured", "implausible"})


def fates(before: Side | None, after: Side | None) -> tuple[FindingFate, ...]:
    """What became of each finding of a context; None for a side that did not read it."""
    then = {} if before is None else before.findings
    now = {} if after is None else after.findings
    return tuple(_fate(code, then.get(code), now.get(code), before, after) for code in dict.fromkeys([*now, *then]))


def _fate(code: str, then: Finding | None, now: Finding | None, before: Side | None, after: Side | None) -> FindingFate:
    named = now or then
    assert named is not None
    if then is not None and now is not None:
        fate = "still_there"
    elif then is not None:
        fate = "resolved" if after is not None and after.rules_out(then) else "no_longer_judged"
    else:
        assert now is not None
        fate = "new" if before is not None and before.rules_out(now) else "not_judged_before"
    return FindingFate(
        code=code,
        title=named.title,
        fate=fate,  # type: ignore[arg-type]
        severity_before=None if then is None else then.severity,
        severity_after=None if now is None else now.severity,
    )


def with_turns(
    rows: Sequence[ComparedQuantity], before: Side, after: Side, meant: Mapping[str, int]
) -> tuple[ComparedQuantity, ...]:
    """The rows with the turn of each that moved: as work means it (`meant`: name -> -1 or 1), else by limits."""
    return tuple(msgspec.structs.replace(row, turn=_turn(row, before, after, meant)) for row in rows)


def _turn(row: ComparedQuantity, before: Side, after: Side, meant: Mapping[str, int]) -> Turn:
    if row.moved == "no_change_shown":
        return "neutral"
    turns = set(_by_limits(row, before, after))
    if row.name in meant:
        turns.add("better" if (row.difference.value > 0.0) == (meant[row.name] > 0) else "worse")
    if "worse" in turns:
        return "worse"
    return "better" if "better" in turns else "neutral"


def _by_limits(row: ComparedQuantity, before: Side, after: Side) -> Iterator[Turn]:
    """Nearer to a limit from beyond it is better, further beyond is worse; within it nothing is."""
    limits = {
        v.criterion: (v.lower, v.upper)
        for side in (before, after)
        for v in side.verdicts
        if v.quantity == row.name and v.subject == row.subject and after.rules.criteria[v.criterion].report
    }
    for lower, upper in limits.values():
        then, now = (_beyond(value, lower, upper) for value in (row.before.value, row.after.value))
        if then != now:
            yield "better" if now < then else "worse"


def _beyond(value: float, lower: float | None, upper: float | None) -> float:
    return max(0.0, value - upper if upper is not None else 0.0, lower - value if lower is not None else 0.0)


def verdict(
    works: Sequence[WorkProof],
    contexts: Sequence[ContextComparison],
    evidence: Mapping[str, set[str]],
    confidence: float,
) -> RepairVerdict:
    """The verdict on a repair.

    Worse: a work moved what it is meant to move the other way, or a new fault or hazard rests on a quantity that moved
    for the worse. Proven: every work that was done shows. Not proven otherwise.

    Parameters
    ----------
    evidence : code of a finding of the later visit -> quantities that it rests on
    """
    reasons: list[VerdictReason] = []
    code = {"proven": "work_proven", "not_proven": "work_not_shown", "worse": "work_worse"}
    for work in works:
        reasons.append(VerdictReason(code=code.get(work.verdict, "work_not_judged"), about=work.kind))  # type: ignore[arg-type]
    if not works:
        reasons.append(VerdictReason(code="no_work_stated"))
    for context in contexts:
        worsened = {row.name for row in context.quantities if row.turn == "worse"}
        for finding in context.findings:
            if (
                finding.fate == "new"
                and finding.severity_after in GRAVE
                and evidence.get(finding.code, set()) & worsened
            ):
                reasons.append(VerdictReason(code="new_fault", about=finding.code))
    found: Judgement = "not_proven"
    if any(reason.code in ("work_worse", "new_fault") for reason in reasons):
        found = "worse"
    elif works and all(work.verdict == "proven" for work in works):
        found = "proven"
    return RepairVerdict(
        verdict=found, confidence=confidence, works=tuple(works), reasons=tuple(dict.fromkeys(reasons))
    )
