"""What a client receives. Numbers come in the unit system asked for; absent things are omitted, never null."""

import datetime
from typing import Annotated, Literal
from uuid import UUID

import msgspec
from msgspec import Meta

from service.model.outcome import WhatCame
from service.wire.request import EvaluationRequest

Severity = Literal["note", "advisory", "fault", "hazard"]
Pointer = Annotated[str, Meta(description="JSON Pointer (RFC 6901) into the request, as a URI fragment.")]


class Answer(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """Base of all response structs."""


class Value(Answer, frozen=True, kw_only=True):
    """A number with its UCUM unit code."""

    value: float
    unit: str


class ContextView(Answer, frozen=True, kw_only=True):
    """Which operating state and which part of the house something belongs to."""

    state: Annotated[
        str,
        Meta(
            description="Id of the operating state; `unspecified` where the visit named none, `whole_house` for what "
            "belongs to no state."
        ),
    ]
    mode: str | msgspec.UnsetType = msgspec.UNSET
    speed_setting: str | msgspec.UnsetType = msgspec.UNSET
    area: str | msgspec.UnsetType = msgspec.UNSET
    whole_house: bool = False


class CoverageInterval(Answer, frozen=True, kw_only=True):
    """What holds about 95 % of a sampled quantity; its ends may lie at unlike distances from the value."""

    low: Value
    high: Value


class QuantityView(Answer, frozen=True, kw_only=True):
    """A derived quantity with its expanded uncertainty (coverage factor 2)."""

    name: str
    title: str
    context: ContextView
    value: Value
    expanded_uncertainty: Value
    coverage_factor: float
    coverage_interval: CoverageInterval | msgspec.UnsetType = msgspec.UNSET
    method: str
    subject: Annotated[str, Meta(description="The element or station it belongs to, where there may be several.")] | (
        msgspec.UnsetType
    ) = msgspec.UNSET


class LimitView(Answer, frozen=True, kw_only=True):
    """The limits a verdict was reached against."""

    lower: Value | msgspec.UnsetType = msgspec.UNSET
    upper: Value | msgspec.UnsetType = msgspec.UNSET
    source: str | msgspec.UnsetType = msgspec.UNSET
    locator: str | msgspec.UnsetType = msgspec.UNSET
    checked: (
        Annotated[
            str,
            Meta(description="How the limit was checked: read, computed, second_hand, remembered or practice."),
        ]
        | msgspec.UnsetType
    ) = msgspec.UNSET
    overridden_because: str | msgspec.UnsetType = msgspec.UNSET


class VerdictView(Answer, frozen=True, kw_only=True):
    """One criterion applied to one quantity under a stated decision rule (JCGM 106)."""

    criterion: str
    title: str
    context: ContextView
    quantity: str
    verdict: Literal["above", "within", "below", "undecided", "not_measured", "implausible"]
    subject: str | msgspec.UnsetType = msgspec.UNSET
    value: Value | msgspec.UnsetType = msgspec.UNSET
    expanded_uncertainty: Value | msgspec.UnsetType = msgspec.UNSET
    limits: LimitView | msgspec.UnsetType = msgspec.UNSET
    probability_above: float | msgspec.UnsetType = msgspec.UNSET
    probability_below: float | msgspec.UnsetType = msgspec.UNSET
    decision_rule: str | msgspec.UnsetType = msgspec.UNSET
    confidence: float | msgspec.UnsetType = msgspec.UNSET
    counted_as_exceeded_by_precaution: bool = False


class EvidenceView(Answer, frozen=True, kw_only=True):
    """One token a finding rests on, in words; its numbers stand in the verdict of that criterion and context."""

    token: str
    statement: str
    criterion: str | msgspec.UnsetType = msgspec.UNSET
    probability: (
        Annotated[
            float, Meta(description="Probability that the statement is true, for a comparison under uncertainty.")
        ]
        | msgspec.UnsetType
    ) = msgspec.UNSET


class GainView(Answer, frozen=True, kw_only=True):
    """One quantity before and after a cause is mended."""

    name: str
    title: str
    before: Value
    after: Value
    change: Value
    expanded_uncertainty_of_change: Value
    coverage_factor: float


class NotProjectedView(Answer, frozen=True, kw_only=True):
    """What could not be projected, why, and what would be needed for it."""

    quantity: str
    reason: str
    missing: list[str] = []


class MendedView(Answer, frozen=True, kw_only=True):
    """What a cause mended is taken to mean, and what it would bring."""

    fix: str
    title: str
    meaning: str
    quantities: list[GainView] = []
    notes: list[str] = []
    not_projected: list[NotProjectedView] = []


class CauseView(Answer, frozen=True, kw_only=True):
    """A possible cause. Causes that the readings cannot tell apart share a rank."""

    code: str
    title: str
    remedy: str
    rank: int
    belief: float
    word: str
    score: float
    evidence_for: list[str] = []
    evidence_against: list[str] = []
    not_yet_known: list[str] = []
    separated_by: str | msgspec.UnsetType = msgspec.UNSET
    projected_gain: Value | msgspec.UnsetType = msgspec.UNSET


class SharedCauseView(CauseView, frozen=True, kw_only=True):
    """What one cause may be behind the findings of a context, with the findings that it would explain."""

    context: ContextView
    explains: list[str]
    mended: MendedView | msgspec.UnsetType = msgspec.UNSET


class ReductionView(Answer, frozen=True, kw_only=True):
    """What a reading is expected to bring, bits: the sum of three parts."""

    bits: float
    causes: float
    verdicts: float
    findings: float


class NextReadingView(Answer, frozen=True, kw_only=True):
    """A reading worth taking next, with the procedure to take it."""

    procedure: str
    title: str
    context: ContextView
    settles: list[str]
    expected_reduction: ReductionView
    separates: list[str] = []
    station: str | msgspec.UnsetType = msgspec.UNSET
    cautions: list[str] = []


class FindingView(Answer, frozen=True, kw_only=True):
    """One conclusion: what was seen, against what, why it matters, what to do."""

    code: str
    severity: Severity
    title: str
    context: ContextView
    summary: str
    why_it_matters: str
    what_to_do: str
    rules: list[str]
    evidence: list[EvidenceView]
    certainty: (
        Annotated[
            float,
            Meta(description="Lowest probability among the comparisons it rests on; absent where it rests on none."),
        ]
        | msgspec.UnsetType
    ) = msgspec.UNSET
    causes: list[CauseView] = []
    next_readings: list[str] = []
    cautions: list[str] = []
    sources: list[str] = []
    known_false_alarms: list[str] = []


class NotJudgedView(Answer, frozen=True, kw_only=True):
    """What could not be judged, and the reading or rating that is missing. Silence never reads as health."""

    criterion: str
    title: str
    context: ContextView
    quantity: str
    reason: Literal["not_measured", "undecided", "implausible", "no_limit"]
    detail: str
    missing: list[str] = []
    procedures: list[str] = []


class SetAsideView(Answer, frozen=True, kw_only=True):
    """Something in the request that could not be used, with the remedy; everything else was judged."""

    pointer: Pointer
    code: str
    detail: str
    remedy: str


class CautionView(Answer, frozen=True, kw_only=True):
    """A caution that must reach whoever acts on the findings."""

    code: str
    text: str
    rests_on: str
    title: str | msgspec.UnsetType = msgspec.UNSET
    checked: str | msgspec.UnsetType = msgspec.UNSET


class SourceView(Answer, frozen=True, kw_only=True):
    """A source cited by a finding or limit, and how it was checked."""

    key: str
    title: str
    kind: str
    publisher: str
    edition: str
    checked: str


class RulesetReference(Answer, frozen=True, kw_only=True):
    """Version and SHA-256 digest of the rules that judged the visit."""

    version: str
    digest: str


class EvaluationResult(Answer, frozen=True, kw_only=True):
    """What a senior technician would say about the visit, with the reasons."""

    ruleset: RulesetReference
    units: Literal["ip", "si"]
    findings: Annotated[list[FindingView], Meta(description="Most serious first. An empty list is normal.")]
    causes: list[SharedCauseView]
    quantities: list[QuantityView]
    verdicts: list[VerdictView]
    not_judged: list[NotJudgedView]
    next_readings: list[NextReadingView]
    cautions: list[CautionView]
    sources: list[SourceView]
    set_aside: list[SetAsideView]
    disclaimer: str
    language: str
    translation_note: str | msgspec.UnsetType = msgspec.UNSET
    highest_severity: Severity | msgspec.UnsetType = msgspec.UNSET
    visited_at: datetime.datetime | msgspec.UnsetType = msgspec.UNSET
    site_reference: str | msgspec.UnsetType = msgspec.UNSET
    job_reference: str | msgspec.UnsetType = msgspec.UNSET
    equipment_reference: str | msgspec.UnsetType = msgspec.UNSET


class PrevailingOutcome(Answer, frozen=True, kw_only=True):
    """The report on one finding in one context that prevails, in short."""

    id: UUID
    created_at: datetime.datetime
    finding: str
    state: str
    area: str | msgspec.UnsetType = msgspec.UNSET
    outcome: WhatCame
    cause: str | msgspec.UnsetType = msgspec.UNSET
    reports: int


class KeptEvaluation(Answer, frozen=True, kw_only=True):
    """An evaluation that the service keeps."""

    id: UUID
    created_at: datetime.datetime
    supersedes: UUID | msgspec.UnsetType = msgspec.UNSET
    revision_reason: str | msgspec.UnsetType = msgspec.UNSET
    superseded_by: UUID | msgspec.UnsetType = msgspec.UNSET
    outcomes: list[PrevailingOutcome] | msgspec.UnsetType = msgspec.UNSET
    result: EvaluationResult


class FoundView(Answer, frozen=True, kw_only=True):
    """What was found, in short."""

    code: str
    severity: Severity


class EvaluationSummaryView(Answer, frozen=True, kw_only=True):
    """One line of a listing."""

    id: UUID
    created_at: datetime.datetime
    ruleset: RulesetReference
    findings: list[FoundView]
    highest_severity: Severity | msgspec.UnsetType = msgspec.UNSET
    visited_at: datetime.datetime | msgspec.UnsetType = msgspec.UNSET
    site_reference: str | msgspec.UnsetType = msgspec.UNSET
    job_reference: str | msgspec.UnsetType = msgspec.UNSET
    equipment_reference: str | msgspec.UnsetType = msgspec.UNSET
    supersedes: UUID | msgspec.UnsetType = msgspec.UNSET
    superseded_by: UUID | msgspec.UnsetType = msgspec.UNSET


class EvaluationPage(Answer, frozen=True, kw_only=True):
    """A page of evaluations, newest first; `next_cursor` is absent on the last."""

    items: list[EvaluationSummaryView]
    next_cursor: str | msgspec.UnsetType = msgspec.UNSET


# Steady readings -------------------------------------------------------------------------------------------------


class SteadyReadingResult(Answer, frozen=True, kw_only=True):
    """A settled value out of raw samples, or why there is none yet and how long to go on.

    Numbers are in the unit of the samples; differences of temperatures in its unit of difference.
    """

    ruleset: RulesetReference
    verdict: Literal["settled", "drifting", "scattered"]
    settled: bool
    value: Value
    expanded_uncertainty: Value
    coverage_factor: float
    tolerance: Value
    samples: int
    left_out: int
    effective_samples: float
    duration: Value
    mean: Value
    median: Value
    standard_deviation: Value
    drift: Value
    drift_probability: float
    dominated_by: Literal["drift", "gusts", "scatter", "outliers"] | msgspec.UnsetType = msgspec.UNSET
    further_time: Value | msgspec.UnsetType = msgspec.UNSET


# Trace -----------------------------------------------------------------------------------------------------------


class ErrorTermView(Answer, frozen=True, kw_only=True):
    """Contribution of one independent error source to a quantity (one standard deviation)."""

    source: str
    contribution: Value


class TracedQuantity(Answer, frozen=True, kw_only=True):
    """How one number came about."""

    name: str
    context: ContextView
    value: Value
    standard_uncertainty: Value
    method: str
    inputs: list[str]
    error_terms: list[ErrorTermView]
    subject: str | msgspec.UnsetType = msgspec.UNSET


class TracedFiring(Answer, frozen=True, kw_only=True):
    """A rule that fired and the conclusion it established."""

    context: ContextView
    rule: str
    conclusion: str
    tokens: list[str]


class EvaluationTrace(Answer, frozen=True, kw_only=True):
    """How each number and each finding came about, with the request as it was received."""

    ruleset: RulesetReference
    request: EvaluationRequest
    quantities: list[TracedQuantity]
    verdicts: list[VerdictView]
    observations: list[str]
    firings: list[TracedFiring]


class KeptTrace(Answer, frozen=True, kw_only=True):
    """How an evaluation that the service keeps came about."""

    id: UUID
    created_at: datetime.datetime
    trace: EvaluationTrace


# Rulesets and vocabulary -----------------------------------------------------------------------------------------


class RuleReference(Answer, frozen=True, kw_only=True):
    """A rule in a listing."""

    id: str
    title: str
    status: str
    severity: Severity | msgspec.UnsetType = msgspec.UNSET


class RulesetSummary(Answer, frozen=True, kw_only=True):
    """An installed version of the rules."""

    version: str
    digest: str
    released: datetime.date
    title: str
    rules: int
    current: bool
    status: Annotated[
        Literal["released", "working"],
        Meta(description="A `released` version never changes; a `working` one still may, under the same version."),
    ]


class RulesetList(Answer, frozen=True, kw_only=True):
    """Installed versions, newest first."""

    items: list[RulesetSummary]


class RulesetView(Answer, frozen=True, kw_only=True):
    """One version of the rules with the list of its rules."""

    version: str
    digest: str
    released: datetime.date
    title: str
    summary: str
    current: bool
    rules: list[RuleReference]


class CriterionLimitView(Answer, frozen=True, kw_only=True):
    """One limit of a criterion as it stands in the rules."""

    source: str
    locator: str
    checked: str
    unit: str | msgspec.UnsetType = msgspec.UNSET
    lower: float | msgspec.UnsetType = msgspec.UNSET
    upper: float | msgspec.UnsetType = msgspec.UNSET
    lower_rating: str | msgspec.UnsetType = msgspec.UNSET
    upper_rating: str | msgspec.UnsetType = msgspec.UNSET
    lower_factor: float = 1.0
    upper_factor: float = 1.0
    when: list[str] = []
    from_date: datetime.date | msgspec.UnsetType = msgspec.UNSET
    until_date: datetime.date | msgspec.UnsetType = msgspec.UNSET


class CriterionView(Answer, frozen=True, kw_only=True):
    """A comparison that a rule reads."""

    id: str
    title: str
    quantity: str
    decision_rule: str
    confidence: float
    limits: list[CriterionLimitView]


class RuleView(Answer, frozen=True, kw_only=True):
    """One rule: when it fires, what it says, what it rests on, when it is wrong."""

    id: str
    title: str
    status: str
    since: str
    when: list[str]
    concludes: str
    criteria: list[CriterionView]
    sources: list[SourceView]
    severity: Severity | msgspec.UnsetType = msgspec.UNSET
    summary: str | msgspec.UnsetType = msgspec.UNSET
    why_it_matters: str | msgspec.UnsetType = msgspec.UNSET
    what_to_do: str | msgspec.UnsetType = msgspec.UNSET
    causes: list[str] = []
    next_readings: list[str] = []
    cautions: list[str] = []
    known_false_alarms: list[str] = []


class UnitView(Answer, frozen=True, kw_only=True):
    """An accepted unit."""

    code: str
    symbol: str
    spellings: list[str]


class DimensionView(Answer, frozen=True, kw_only=True):
    """A kind of number and the units accepted for it."""

    name: str
    meaning: str
    display_ip: str
    display_si: str
    units: list[UnitView]


class DimensionList(Answer, frozen=True, kw_only=True):
    """All dimensions."""

    items: list[DimensionView]


class QuantityEntryView(Answer, frozen=True, kw_only=True):
    """A quantity the service derives."""

    name: str
    title: str
    dimension: str
    meaning: str
    method: str
    plausible_unit: str
    sources: list[str]
    needs: list[str]
    plausible_low: float | msgspec.UnsetType = msgspec.UNSET
    plausible_high: float | msgspec.UnsetType = msgspec.UNSET


class QuantityEntryList(Answer, frozen=True, kw_only=True):
    """All quantities."""

    items: list[QuantityEntryView]


class TermView(Answer, frozen=True, kw_only=True):
    """A named thing of the vocabulary with its meaning."""

    name: str
    title: str
    meaning: str


class TermList(Answer, frozen=True, kw_only=True):
    """Names with meanings: stations, places, elements, observations or causes."""

    items: list[TermView]


class ArrangementView(Answer, frozen=True, kw_only=True):
    """A default air path and rating boundary."""

    name: str
    title: str
    meaning: str
    air_path: list[str]
    inside: list[str]
    stations: list[str]


class ArrangementList(Answer, frozen=True, kw_only=True):
    """All arrangements."""

    items: list[ArrangementView]


class EquipmentNote(Answer, frozen=True, kw_only=True):
    """What differs on one arrangement, or where the air goes one way through the equipment."""

    text: str
    arrangement: str | msgspec.UnsetType = msgspec.UNSET
    position: str | msgspec.UnsetType = msgspec.UNSET


class WhereView(Answer, frozen=True, kw_only=True):
    """Where to read: in general, or at one station or place."""

    text: str
    location: str | msgspec.UnsetType = msgspec.UNSET
    title: str | msgspec.UnsetType = msgspec.UNSET
    keep_clear: list[str] = []
    on_equipment: list[EquipmentNote] = []


class ProcedureView(Answer, frozen=True, kw_only=True):
    """How to take one reading, for someone who never did: every part holds something, or says why there is nothing to
    do."""

    id: str
    title: str
    reading_kind: str
    gives: list[str]
    steps: list[str]
    settled_when: str
    cautions: list[CautionView]
    station: str | msgspec.UnsetType = msgspec.UNSET
    purpose: str
    where: list[WhereView]
    probe: list[str]
    isolate_first: list[str]
    close_up: list[str]
    mistakes: list[str]
    sources: list[SourceView]
    locations: list[str] = []
    elsewhere: str | msgspec.UnsetType = msgspec.UNSET
    component: str | msgspec.UnsetType = msgspec.UNSET
    in_place_of: str | msgspec.UnsetType = msgspec.UNSET


class ProcedureList(Answer, frozen=True, kw_only=True):
    """The procedures that fit, and the cautions that the equipment itself brings up."""

    items: list[ProcedureView]
    cautions: list[CautionView]


# Problems and health ---------------------------------------------------------------------------------------------


class Fault(Answer, frozen=True, kw_only=True):
    """One fault of a request: in its body at `pointer`, or in its query or a header field at `parameter`."""

    code: str
    pointer: Pointer | msgspec.UnsetType = msgspec.UNSET
    parameter: Annotated[str, Meta(description="Its name.")] | msgspec.UnsetType = msgspec.UNSET
    detail: str
    accepted: Annotated[list[str], Meta(description="What would have been accepted there.")] | msgspec.UnsetType = (
        msgspec.UNSET
    )


class Problem(Answer, frozen=True, kw_only=True):
    """Problem details (RFC 9457), the one shape of every error."""

    type: str
    title: str
    status: int
    detail: str
    errors: list[Fault] | msgspec.UnsetType = msgspec.UNSET
    request_id: str | msgspec.UnsetType = msgspec.UNSET
    retry_after: int | msgspec.UnsetType = msgspec.UNSET


class ProblemKind(Answer, frozen=True, kw_only=True):
    """What a kind of problem means and what to do about it."""

    type: str
    code: str
    status: int
    title: str
    meaning: str
    remedy: str
    faults: (
        Annotated[dict[str, str], Meta(description="Codes that `errors` of such a problem may hold, with meanings.")]
        | msgspec.UnsetType
    ) = msgspec.UNSET


class ProblemKindList(Answer, frozen=True, kw_only=True):
    """All kinds of problems."""

    items: list[ProblemKind]


class UnreadableEvaluation(Answer, frozen=True, kw_only=True):
    """In an export, an evaluation that is kept but can no longer be read, and why."""

    id: UUID
    created_at: datetime.datetime
    problem: Problem


class Health(Answer, frozen=True, kw_only=True):
    """Whether the process lives, or is ready to take work."""

    status: Literal["live", "ready"]


# Projections -----------------------------------------------------------------------------------------------------


class ProjectedView(Answer, frozen=True, kw_only=True):
    """One quantity before and after. The change is surer than before and after are: they share most of their errors."""

    name: str
    title: str
    before: Value
    expanded_uncertainty_before: Value
    after: Value
    expanded_uncertainty_after: Value
    change: Value
    expanded_uncertainty_of_change: Value
    coverage_factor: float


class ChangeView(Answer, frozen=True, kw_only=True):
    """What one change, or several together, would bring."""

    changes: list[int]
    kinds: list[str]
    titles: list[str]
    quantities: list[ProjectedView]
    notes: list[str]
    not_projected: list[NotProjectedView]


class ContextProjectionView(Answer, frozen=True, kw_only=True):
    """The projections of one operating state; `together` where more than one change could be projected."""

    context: ContextView
    each: list[ChangeView]
    together: ChangeView | msgspec.UnsetType = msgspec.UNSET


class ProjectionResult(Answer, frozen=True, kw_only=True):
    """What changes would bring, by the blower's own curve and the system's own resistances."""

    ruleset: RulesetReference
    units: Literal["ip", "si"]
    contexts: list[ContextProjectionView]
    cautions: list[CautionView]
    set_aside: list[SetAsideView]
    disclaimer: str
    language: str
    translation_note: str | msgspec.UnsetType = msgspec.UNSET
