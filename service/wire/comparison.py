"""Two visits to one equipment held against each other, as clients read it."""

import datetime
from collections.abc import Sequence
from typing import Literal
from uuid import UUID

import msgspec
from msgspec import UNSET, UnsetType

from service.model.comparison import (
    Achieved,
    AloneContext,
    Basis,
    ComparedQuantity,
    ContextComparison,
    Fate,
    FindingFate,
    Judgement,
    Moved,
    NotComparableReason,
    ReasonCode,
    RepairVerdict,
    Turn,
    VerdictReason,
    VisitComparison,
    WorkJudgement,
)
from service.model.ruleset import Ruleset
from service.model.units import UnitSystem, UnitTable
from service.model.visit import State
from service.wire.render import COVERAGE_FACTOR, DISCLAIMER, rounded, stated_probability
from service.wire.response import Answer, CautionView, ContextView, RulesetReference, Severity, Value
from service.wire.speech import Speech

NOT_COMPARABLE_BECAUSE: dict[NotComparableReason, str] = {
    "other_speed_setting": "The blower ran in another speed setting.",
    "speed_setting_not_stated": "The speed setting is not stated on both visits.",
    "other_coil_surface": "The coil was wet on one visit and dry on the other.",
    "other_weather": "Outdoor and return air were not about the same, or were not read on both visits.",
    "no_airflow_in_common": "No airflow that both visits tell by itself, so the drops cannot be brought to one flow.",
    "no_air_density": "No air density on both visits: site elevation or barometer is missing.",
}
FATE_IN_WORDS: dict[Fate, str] = {
    "resolved": "Found before; judged again, and no longer so.",
    "new": "Found now; judged before, and not so then.",
    "still_there": "Found on both visits.",
    "no_longer_judged": "Found before; the later visit does not tell whether it is still so. That is no all-clear.",
    "not_judged_before": "Found now; the earlier visit does not tell whether it was so then.",
}
VERDICT_IN_WORDS: dict[Judgement, str] = {
    "proven": "The readings show that the work had the effect it was done for.",
    "not_proven": "The readings do not show that the work had the effect it was done for. Silence is not success.",
    "worse": "The readings show that something has become worse.",
}
REASONS_IN_WORDS: dict[ReasonCode, str] = {
    "work_proven": "What {about} is meant to move has moved that way, beyond what both visits are uncertain by.",
    "work_not_shown": "What {about} is meant to move has not moved that way beyond what both visits are uncertain by.",
    "work_worse": "What {about} is meant to move has moved the other way.",
    "work_not_judged": "Nothing that {about} is meant to move can be compared; take the same readings on both visits.",
    "no_work_stated": "The later visit states no work done since the earlier one; state it in work_done.",
    "new_fault": "{about} is found now and was not before, and what it rests on has become worse.",
}
RULE_OF_DECISION = (
    "Proven: for every work done, a quantity that it is meant to move has moved that way with at least the probability "
    "stated. Worse: one has moved the other way so surely, or a new fault or hazard rests on a quantity that became "
    "worse. Not proven: anything else."
)
NO_REFERENCE = (
    "Not both visits name their equipment by equipment.reference, so nobody has checked that it is the same one."
)
CORRECTED = "One of these evaluations has been corrected since; compare the one that superseded it."
JUDGED_BY_OTHERS = (
    "These evaluations were kept as judged by other rules; here both are worked out anew, so findings may differ from "
    "those kept."
)


class ComparedVisitView(Answer, frozen=True, kw_only=True):
    """One of the two visits, and the rules that judged it when it was kept."""

    evaluation_id: UUID
    visited_at: datetime.datetime | UnsetType = UNSET
    created_at: datetime.datetime
    job_reference: str | UnsetType = UNSET
    ruleset: RulesetReference


class ComparedQuantityView(Answer, frozen=True, kw_only=True):
    """One quantity before and after, on one basis."""

    name: str
    title: str
    subject: str | UnsetType = UNSET
    basis: Basis
    before: Value
    before_uncertainty: Value
    after: Value
    after_uncertainty: Value
    difference: Value
    expanded_uncertainty: Value
    moved: Moved
    turn: Turn


class NotComparedView(Answer, frozen=True, kw_only=True):
    """A quantity that both visits have and that is not to be compared."""

    name: str
    title: str
    subject: str | UnsetType = UNSET
    reason: NotComparableReason
    detail: str


class FindingFateView(Answer, frozen=True, kw_only=True):
    """What became of a finding."""

    code: str
    title: str
    fate: Fate
    detail: str
    severity_before: Severity | UnsetType = UNSET
    severity_after: Severity | UnsetType = UNSET


class FixGainView(Answer, frozen=True, kw_only=True):
    """A fix whose gain the earlier visit projects."""

    fix: str
    title: str
    done: bool
    airflow: Value | UnsetType = UNSET


class AchievedView(Answer, frozen=True, kw_only=True):
    """A change as projected for all that was done, against the change measured."""

    name: str
    title: str
    projected: Value
    projected_uncertainty: Value
    achieved: Value
    achieved_uncertainty: Value
    expanded_uncertainty: Value
    agrees: bool


class ContextComparisonView(Answer, frozen=True, kw_only=True):
    """A context of both visits that ran alike."""

    context: ContextView
    before_context: ContextView
    reference_density: Value | UnsetType = UNSET
    reference_airflow: Value | UnsetType = UNSET
    airflow_method: str | UnsetType = UNSET
    quantities: list[ComparedQuantityView]
    not_comparable: list[NotComparedView]
    findings: list[FindingFateView]
    gains: list[FixGainView]
    achieved: list[AchievedView]


class AloneContextView(Answer, frozen=True, kw_only=True):
    """A context that only one of the visits has."""

    visit: Literal["before", "after"]
    context: ContextView
    findings: list[FindingFateView]


class DecidingView(Answer, frozen=True, kw_only=True):
    """A quantity that decides on a work."""

    name: str
    title: str
    context: ContextView
    meant: Literal["rise", "fall"]
    difference: Value
    expanded_uncertainty: Value
    probability: float


class WorkProofView(Answer, frozen=True, kw_only=True):
    """One work done, and whether it shows."""

    kind: str
    verdict: WorkJudgement
    needed: float
    deciding: list[DecidingView]


class VerdictReasonView(Answer, frozen=True, kw_only=True):
    """Why the verdict is what it is."""

    code: ReasonCode
    about: str | UnsetType = UNSET
    detail: str


class RepairVerdictView(Answer, frozen=True, kw_only=True):
    """Whether the repair is proven."""

    verdict: Judgement
    summary: str
    confidence: float
    decision_rule: str
    works: list[WorkProofView]
    reasons: list[VerdictReasonView]


class VisitComparisonView(Answer, frozen=True, kw_only=True):
    """Two visits to one equipment, both worked out anew by one version of the rules."""

    before: ComparedVisitView
    after: ComparedVisitView
    equipment_reference: str | UnsetType = UNSET
    ruleset: RulesetReference
    units: Literal["ip", "si"]
    coverage_factor: float
    verdict: RepairVerdictView
    contexts: list[ContextComparisonView]
    unmatched: list[AloneContextView]
    facts_differing: list[str]
    work_done: list[str]
    notes: list[str]
    cautions: list[CautionView]
    language: str
    disclaimer: str


class ComparedVisit(msgspec.Struct, frozen=True, kw_only=True):
    """What is told of a kept evaluation beside the comparison."""

    evaluation_id: UUID
    created_at: datetime.datetime
    visited_at: datetime.datetime | None
    job_reference: str | None
    equipment_reference: str | None
    ruleset_version: str
    ruleset_digest: str
    superseded: bool = False


def comparison_view(
    found: VisitComparison,
    visits: tuple[ComparedVisit, ComparedVisit],
    rules: Ruleset,
    units: UnitTable,
    system: UnitSystem,
    speech: Speech,
) -> VisitComparisonView:
    """The comparison in a unit system and a language."""
    writer = ComparisonWriter(rules, units, system, speech)
    named = [visit.equipment_reference for visit in visits]
    return VisitComparisonView(
        before=_visit(visits[0]),
        after=_visit(visits[1]),
        equipment_reference=named[1] or named[0] or UNSET,
        ruleset=RulesetReference(version=found.ruleset_version, digest=found.ruleset_digest),
        units=system,
        coverage_factor=COVERAGE_FACTOR,
        verdict=writer.verdict(found.verdict),
        contexts=[writer.context(context) for context in found.contexts],
        unmatched=[
            *(writer.alone("before", context) for context in found.only_before),
            *(writer.alone("after", context) for context in found.only_after),
        ],
        facts_differing=[speech.say(name) for name in found.facts_differing],
        work_done=list(found.work),
        notes=[speech.say(note) for note in notes_of(found, named, visits)],
        cautions=[
            CautionView(
                code=caution.code,
                text=speech.say(caution.text),
                rests_on=speech.say(caution.rests_on),
                title=speech.say(caution.title) if caution.title else UNSET,
                checked=caution.checked or UNSET,
            )
            for caution in found.cautions
        ],
        language=speech.code,
        disclaimer=speech.say(DISCLAIMER),
    )


def notes_of(
    found: VisitComparison, named: Sequence[str | None], kept: Sequence[ComparedVisit] = ()
) -> tuple[str, ...]:
    """What a reader should know of a comparison; `named` are the references of the equipment on both visits."""
    notes = [NO_REFERENCE] if None in named else []
    if any(visit.superseded for visit in kept):
        notes.append(CORRECTED)
    if any(visit.ruleset_digest != found.ruleset_digest for visit in kept):
        notes.append(JUDGED_BY_OTHERS)
    return tuple(notes)


def _visit(visit: ComparedVisit) -> ComparedVisitView:
    return ComparedVisitView(
        evaluation_id=visit.evaluation_id,
        visited_at=visit.visited_at or UNSET,
        created_at=visit.created_at,
        job_reference=visit.job_reference or UNSET,
        ruleset=RulesetReference(version=visit.ruleset_version, digest=visit.ruleset_digest),
    )


class ComparisonWriter:
    """Parts of a comparison in a unit system and a language."""

    def __init__(self, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech) -> None:
        self.rules, self.units, self.system, self.speech = rules, units, system, speech

    def title(self, name: str) -> str:
        return self.speech.say(self.rules.quantities[name].title)

    def value(self, name: str, number: float) -> Value:
        return self.shown(self.rules.quantities[name].dimension, number)

    def shown(self, dimension: str, number: float) -> Value:
        shown, unit = self.units.shown(dimension, number, self.system)
        return Value(value=rounded(shown), unit=unit)

    def spread(self, name: str, number: float) -> Value:
        shown, unit = self.units.shown_difference(self.rules.quantities[name].dimension, number, self.system)
        return Value(value=rounded(shown), unit=unit)

    def context(self, found: ContextComparison) -> ContextComparisonView:
        density, flow = found.reference_density, found.reference_airflow
        return ContextComparisonView(
            context=_context(found.state_after, found.area, found.whole_house),
            before_context=_context(found.state_before, found.area, found.whole_house),
            reference_density=UNSET if density is None else self.value("return_air_density", density),
            reference_airflow=UNSET if flow is None else self.value("airflow", flow),
            airflow_method=found.airflow_method or UNSET,
            quantities=[self.quantity(row) for row in found.quantities],
            not_comparable=[
                NotComparedView(
                    name=entry.name,
                    title=self.title(entry.name),
                    subject=entry.subject or UNSET,
                    reason=entry.reason,
                    detail=self.speech.say(NOT_COMPARABLE_BECAUSE[entry.reason]),
                )
                for entry in found.not_compared
            ],
            findings=self.findings(found.findings),
            gains=[
                FixGainView(
                    fix=gain.fix,
                    title=self.speech.say(self.rules.fixes[gain.fix].title),
                    done=gain.done,
                    airflow=UNSET if gain.airflow is None else self.spread("airflow", gain.airflow),
                )
                for gain in found.gains
            ],
            achieved=[self.achieved(entry) for entry in found.achieved],
        )

    def quantity(self, row: ComparedQuantity) -> ComparedQuantityView:
        def expanded(number: float) -> Value:
            return self.spread(row.name, COVERAGE_FACTOR * number)

        return ComparedQuantityView(
            name=row.name,
            title=self.title(row.name),
            subject=row.subject or UNSET,
            basis=row.basis,
            before=self.value(row.name, row.before.value),
            before_uncertainty=expanded(row.before.uncertainty),
            after=self.value(row.name, row.after.value),
            after_uncertainty=expanded(row.after.uncertainty),
            difference=self.spread(row.name, row.difference.value),
            expanded_uncertainty=expanded(row.difference.uncertainty),
            moved=row.moved,
            turn=row.turn,
        )

    def achieved(self, entry: Achieved) -> AchievedView:
        def expanded(number: float) -> Value:
            return self.spread(entry.name, COVERAGE_FACTOR * number)

        return AchievedView(
            name=entry.name,
            title=self.title(entry.name),
            projected=self.spread(entry.name, entry.projected.value),
            projected_uncertainty=expanded(entry.projected.uncertainty),
            achieved=self.spread(entry.name, entry.achieved.value),
            achieved_uncertainty=expanded(entry.achieved.uncertainty),
            expanded_uncertainty=expanded(entry.apart.uncertainty),
            agrees=entry.agrees,
        )

    def findings(self, found: Sequence[FindingFate]) -> list[FindingFateView]:
        return [
            FindingFateView(
                code=entry.code,
                title=self.speech.say(entry.title),
                fate=entry.fate,
                detail=self.speech.say(FATE_IN_WORDS[entry.fate]),
                severity_before=entry.severity_before or UNSET,
                severity_after=entry.severity_after or UNSET,
            )
            for entry in found
        ]

    def alone(self, visit: Literal["before", "after"], found: AloneContext) -> AloneContextView:
        return AloneContextView(
            visit=visit, context=_context(found.state, found.area, False), findings=self.findings(found.findings)
        )

    def verdict(self, found: RepairVerdict) -> RepairVerdictView:
        return RepairVerdictView(
            verdict=found.verdict,
            summary=self.speech.say(VERDICT_IN_WORDS[found.verdict]),
            confidence=found.confidence,
            decision_rule=self.speech.say(RULE_OF_DECISION),
            works=[
                WorkProofView(
                    kind=work.kind,
                    verdict=work.verdict,
                    needed=rounded(work.needed),
                    deciding=[
                        DecidingView(
                            name=entry.name,
                            title=self.title(entry.name),
                            context=_context(entry.state, entry.area, entry.whole_house),
                            meant=entry.meant,
                            difference=self.spread(entry.name, entry.difference.value),
                            expanded_uncertainty=self.spread(
                                entry.name, COVERAGE_FACTOR * entry.difference.uncertainty
                            ),
                            probability=stated_probability(entry.probability),
                        )
                        for entry in work.deciding
                    ],
                )
                for work in found.works
            ],
            reasons=[self.reason(reason) for reason in found.reasons],
        )

    def reason(self, reason: VerdictReason) -> VerdictReasonView:
        return VerdictReasonView(
            code=reason.code,
            about=reason.about or UNSET,
            detail=self.speech.fill(REASONS_IN_WORDS[reason.code], about=f"`{reason.about}`"),
        )


def _context(state: State, area: str | None, whole_house: bool) -> ContextView:
    if whole_house:
        return ContextView(state=state.id, whole_house=True)
    return ContextView(
        state=state.id, mode=state.mode or UNSET, speed_setting=state.speed_setting or UNSET, area=area or UNSET
    )
