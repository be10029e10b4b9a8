"""Differences as answers: between two versions of the rules, and between two evaluations of one visit."""

import datetime
from collections.abc import Sequence
from typing import Annotated
from uuid import UUID

from msgspec import UNSET, Meta, UnsetType

from service.model.difference import (
    By,
    Change,
    EntryChange,
    EvaluationDifference,
    FindingChange,
    JudgedBy,
    LimitChange,
    Reason,
    RulesetDifference,
    Step,
    VerdictMove,
)
from service.model.evaluation import VerdictToken
from service.model.ruleset import Ruleset
from service.model.units import UnitSystem, UnitTable
from service.model.visit import WHOLE_HOUSE, State
from service.wire.catalogue import limit_view
from service.wire.render import rounded
from service.wire.response import (
    Answer,
    ContextView,
    CriterionLimitView,
    EvaluationResult,
    RulesetReference,
    Severity,
    Value,
)
from service.wire.speech import ENGLISH, Speech


class PartChangeView(Answer, frozen=True, kw_only=True):
    """One part of a record that differs; a list that was only put in another order has neither gained nor lost."""

    part: Annotated[str, Meta(description="Name of the part, as in the rules' files.")]
    before: Annotated[str, Meta(description="What it was, as text; absent where it was not there.")] | UnsetType = UNSET
    after: Annotated[str, Meta(description="What it is, as text; absent where it is not there.")] | UnsetType = UNSET
    gained: Annotated[list[str], Meta(description="What a list has now and had not.")] = []
    lost: Annotated[list[str], Meta(description="What a list had and has no longer.")] = []


class LimitChangeView(Answer, frozen=True, kw_only=True):
    """One limit of a criterion that differs, whole, with its dates and its source."""

    change: Change
    parts: Annotated[
        list[str], Meta(description="Fields that differ; none where only its place in the order does.")
    ] = []
    before: Annotated[CriterionLimitView, Meta(description="The limit as it was.")] | UnsetType = UNSET
    after: Annotated[CriterionLimitView, Meta(description="The limit as it is.")] | UnsetType = UNSET


class RulesetChangeView(Answer, frozen=True, kw_only=True):
    """One record of the rules that differs."""

    section: Annotated[
        str, Meta(description="`rules`, `criteria`, `quantities`, `causes`, `cautions`, `procedures` or another part.")
    ]
    id: str
    title: str
    change: Change
    step: Step
    parts: Annotated[list[PartChangeView], Meta(description="What differs in it, apart from limits.")] = []
    limits: Annotated[list[LimitChangeView], Meta(description="The limits of a criterion that differ.")] = []


class RulesetDifferenceView(Answer, frozen=True, kw_only=True):
    """What lies between two versions of the rules."""

    before: Annotated[RulesetReference, Meta(description="The version that is gone from.")]
    after: Annotated[RulesetReference, Meta(description="The version that is come to.")]
    changes: Annotated[list[RulesetChangeView], Meta(description="Every record that differs, rules first.")]
    step: (
        Annotated[Step, Meta(description="The largest step among the changes; absent where nothing differs.")]
        | UnsetType
    ) = UNSET


def ruleset_difference(found: RulesetDifference) -> RulesetDifferenceView:
    """The difference of two versions as clients read it."""
    return RulesetDifferenceView(
        before=RulesetReference(version=found.version, digest=found.digest),
        after=RulesetReference(version=found.other_version, digest=found.other_digest),
        changes=[_entry(entry) for entry in found.entries],
        step=found.step or UNSET,
    )


def _entry(entry: EntryChange) -> RulesetChangeView:
    return RulesetChangeView(
        section=entry.section,
        id=entry.id,
        title=entry.title,
        change=entry.change,
        step=entry.step,
        parts=[
            PartChangeView(
                part=part.part,
                before=UNSET if part.before is None else part.before,
                after=UNSET if part.after is None else part.after,
                gained=list(part.gained),
                lost=list(part.lost),
            )
            for part in entry.parts
        ],
        limits=[_limit(change) for change in entry.limits],
    )


def _limit(change: LimitChange) -> LimitChangeView:
    return LimitChangeView(
        change=change.change,
        parts=list(change.parts),
        before=UNSET if change.before is None else limit_view(change.before),
        after=UNSET if change.after is None else limit_view(change.after),
    )


# Two evaluations of one visit --------------------------------------------------------------------------------------


class JudgedByView(Answer, frozen=True, kw_only=True):
    """The rules and the service that an evaluation was made by."""

    ruleset: RulesetReference
    service_version: str | UnsetType = UNSET


class ReasonView(Answer, frozen=True, kw_only=True):
    """What made a finding or a verdict differ."""

    by: By
    id: str | UnsetType = UNSET
    change: Change | UnsetType = UNSET
    parts: list[str] = []


class FindingChangeView(Answer, frozen=True, kw_only=True):
    """A finding that was gained, lost or changed."""

    code: str
    title: str
    context: ContextView
    change: Change
    severity_before: Severity | UnsetType = UNSET
    severity_after: Severity | UnsetType = UNSET
    parts: list[str] = []
    reasons: list[ReasonView]


class VerdictMoveView(Answer, frozen=True, kw_only=True):
    """A verdict that is another than it was, or that there is on one side only."""

    criterion: str
    title: str
    context: ContextView
    quantity: str
    subject: str | UnsetType = UNSET
    before: VerdictToken | UnsetType = UNSET
    after: VerdictToken | UnsetType = UNSET
    value_before: Value | UnsetType = UNSET
    value_after: Value | UnsetType = UNSET
    lower_before: Value | UnsetType = UNSET
    lower_after: Value | UnsetType = UNSET
    upper_before: Value | UnsetType = UNSET
    upper_after: Value | UnsetType = UNSET
    reasons: list[ReasonView]


class EvaluationDifferenceView(Answer, frozen=True, kw_only=True):
    """What lies between two evaluations of one visit, and what did it."""

    before: JudgedByView
    after: JudgedByView
    attributed: bool
    findings: list[FindingChangeView]
    verdicts: list[VerdictMoveView]


class KeptReassessment(Answer, frozen=True, kw_only=True):
    """A kept visit judged again, kept beside its evaluation."""

    id: UUID
    evaluation_id: UUID
    created_at: datetime.datetime
    difference: EvaluationDifferenceView
    result: EvaluationResult


class ReassessmentSummaryView(Answer, frozen=True, kw_only=True):
    """One line of a listing of reassessments."""

    id: UUID
    created_at: datetime.datetime
    ruleset: RulesetReference
    service_version: str
    highest_severity: Severity | UnsetType = UNSET


class ReassessmentPage(Answer, frozen=True, kw_only=True):
    """A page of the reassessments of one evaluation, newest first; `next_cursor` is absent on the last."""

    items: list[ReassessmentSummaryView]
    next_cursor: str | UnsetType = UNSET


def evaluation_difference(
    found: EvaluationDifference, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech = ENGLISH
) -> EvaluationDifferenceView:
    """The difference of two evaluations as clients read it; `rules` are those that judged again."""
    return EvaluationDifferenceView(
        before=_judged_by(found.before),
        after=_judged_by(found.after),
        attributed=found.attributed,
        findings=[_finding(change, speech) for change in found.findings],
        verdicts=[_verdict(move, rules, units, system, speech) for move in found.verdicts],
    )


def _judged_by(judged: JudgedBy) -> JudgedByView:
    return JudgedByView(
        ruleset=RulesetReference(version=judged.ruleset_version, digest=judged.ruleset_digest),
        service_version=judged.service_version or UNSET,
    )


def _context(state: State, area: str | None) -> ContextView:
    if state is WHOLE_HOUSE:
        return ContextView(state=state.id, whole_house=True)
    return ContextView(
        state=state.id, mode=state.mode or UNSET, speed_setting=state.speed_setting or UNSET, area=area or UNSET
    )


def _finding(change: FindingChange, speech: Speech) -> FindingChangeView:
    return FindingChangeView(
        code=change.code,
        title=speech.say(change.title),
        context=_context(change.state, change.area),
        change=change.change,
        severity_before=change.severity_before or UNSET,
        severity_after=change.severity_after or UNSET,
        parts=list(change.parts),
        reasons=_reasons(change.reasons),
    )


def _verdict(
    move: VerdictMove, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech
) -> VerdictMoveView:
    criterion, quantity = rules.criteria.get(move.criterion), rules.quantities.get(move.quantity)

    def value(held: float | None) -> Value | UnsetType:
        if held is None or quantity is None:  # a quantity that the other rules do not know has no unit there
            return UNSET
        shown, code = units.shown(quantity.dimension, held, system)
        return Value(value=rounded(shown), unit=code)

    return VerdictMoveView(
        criterion=move.criterion,
        title=move.criterion if criterion is None else speech.say(criterion.title),
        context=_context(move.state, move.area),
        quantity=move.quantity,
        subject=move.subject or UNSET,
        before=move.before or UNSET,
        after=move.after or UNSET,
        value_before=value(move.value_before),
        value_after=value(move.value_after),
        lower_before=value(move.lower_before),
        lower_after=value(move.lower_after),
        upper_before=value(move.upper_before),
        upper_after=value(move.upper_after),
        reasons=_reasons(move.reasons),
    )


def _reasons(reasons: Sequence[Reason]) -> list[ReasonView]:
    return [
        ReasonView(by=reason.by, id=reason.id or UNSET, change=reason.change or UNSET, parts=list(reason.parts))
        for reason in reasons
    ]
