"""Two visits to one equipment held against each other: what moved, what became of findings, and whether the work shows.

Numbers are SI. Errors that both visits share cancel in every difference.
"""

import datetime
from typing import Literal

import msgspec

from service.model.evaluation import CautionText, Evaluation, Severity
from service.model.quantity import Measured
from service.model.visit import State

Basis = Literal["as_worked_out", "at_equal_density", "at_equal_flow_and_density"]
Moved = Literal["rose", "fell", "no_change_shown"]
Turn = Literal["better", "worse", "neutral"]
NotComparableReason = Literal[
    "other_speed_setting",
    "speed_setting_not_stated",
    "other_coil_surface",
    "other_weather",
    "no_airflow_in_common",
    "no_air_density",
]
Fate = Literal["resolved", "new", "still_there", "no_longer_judged", "not_judged_before"]
Judgement = Literal["proven", "not_proven", "worse"]
WorkJudgement = Literal["proven", "not_proven", "worse", "not_judged"]
ReasonCode = Literal["work_proven", "work_not_shown", "work_worse", "work_not_judged", "no_work_stated", "new_fault"]


class ComparedQuantity(msgspec.Struct, frozen=True, kw_only=True):
    """One quantity on both visits, on one basis.

    Attributes:
        moved: beyond twice the standard uncertainty of the difference, or not.
        turn: whether that is for the better, by the limits in force or by what the work done is meant to do.
    """

    name: str
    subject: str | None
    basis: Basis
    before: Measured
    after: Measured
    difference: Measured
    moved: Moved
    turn: Turn = "neutral"


class NotCompared(msgspec.Struct, frozen=True, kw_only=True):
    """A quantity that both visits have and that is not to be compared."""

    name: str
    subject: str | None
    reason: NotComparableReason


class FindingFate(msgspec.Struct, frozen=True, kw_only=True):
    """What became of a finding.

    A finding is `resolved` only where the later visit judged what it rested on, and otherwise. Where the readings for
    that are missing it is `no_longer_judged`. So also backwards: `new`, or `not_judged_before`.
    """

    code: str
    title: str
    fate: Fate
    severity_before: Severity | None = None
    severity_after: Severity | None = None


class Achieved(msgspec.Struct, frozen=True, kw_only=True):
    """One quantity's change as the first visit projected it for all that was done, against the change measured.

    `agrees`: they differ by no more than twice the standard uncertainty of `apart`, measured less projected.
    """

    name: str
    projected: Measured
    achieved: Measured
    apart: Measured
    agrees: bool


class FixGain(msgspec.Struct, frozen=True, kw_only=True):
    """A fix whose gain the first visit projected: the change of its main quantity, and whether it was done."""

    fix: str
    done: bool
    airflow: float | None


class ContextComparison(msgspec.Struct, frozen=True, kw_only=True):
    """An operating context of both visits that ran alike.

    Attributes:
        state_before, state_after, area: where; `whole_house` for what belongs to no state.
        reference_density: kg/m3 at the return, for pressures and powers of the fan; None where not known.
        reference_airflow: m3/s at which drops are compared, by the method `airflow_method`.
        gains: fixes that the first visit projected; `achieved` for those that were done, taken together.
    """

    state_before: State
    state_after: State
    area: str | None
    whole_house: bool
    quantities: tuple[ComparedQuantity, ...]
    not_compared: tuple[NotCompared, ...]
    findings: tuple[FindingFate, ...]
    reference_density: float | None = None
    reference_airflow: float | None = None
    airflow_method: str | None = None
    gains: tuple[FixGain, ...] = ()
    achieved: tuple[Achieved, ...] = ()


class AloneContext(msgspec.Struct, frozen=True, kw_only=True):
    """A context that the other visit did not read, with what became of its findings."""

    state: State
    area: str | None
    findings: tuple[FindingFate, ...]


class Deciding(msgspec.Struct, frozen=True, kw_only=True):
    """One quantity that work is meant to move: `probability` that it moved as meant."""

    name: str
    state: State
    area: str | None
    whole_house: bool
    meant: Literal["rise", "fall"]
    difference: Measured
    probability: float


class WorkProof(msgspec.Struct, frozen=True, kw_only=True):
    """One work done, and whether it shows. `needed` is the probability from which a quantity decides."""

    kind: str
    verdict: WorkJudgement
    needed: float
    deciding: tuple[Deciding, ...]


class VerdictReason(msgspec.Struct, frozen=True, kw_only=True):
    """Why the verdict is what it is; `about` is a kind of work or a finding."""

    code: ReasonCode
    about: str | None = None


class RepairVerdict(msgspec.Struct, frozen=True, kw_only=True):
    """Whether the repair is proven. `confidence` is the level of the rules that each work is held to."""

    verdict: Judgement
    confidence: float
    works: tuple[WorkProof, ...]
    reasons: tuple[VerdictReason, ...]


class VisitComparison(msgspec.Struct, frozen=True, kw_only=True):
    """Two visits to one equipment, both worked out anew by one version of the rules.

    Attributes:
        only_before, only_after: contexts without a counterpart.
        facts_differing: facts of the equipment stated otherwise, `instruments` among them; not what the work changes.
        cautions: of both visits, those of the later one first.
    """

    before_at: datetime.datetime | None
    after_at: datetime.datetime | None
    ruleset_version: str
    ruleset_digest: str
    contexts: tuple[ContextComparison, ...]
    only_before: tuple[AloneContext, ...]
    only_after: tuple[AloneContext, ...]
    facts_differing: tuple[str, ...]
    work: tuple[str, ...]
    verdict: RepairVerdict
    cautions: tuple[CautionText, ...]


class JudgedComparison(msgspec.Struct, frozen=True):
    """Two visits held against each other, with the evaluation of each by its own readings."""

    comparison: VisitComparison
    before: Evaluation
    after: Evaluation
