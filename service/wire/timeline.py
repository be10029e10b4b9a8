"""A timeline: visits in the order they took place, each in short."""

import datetime
from collections.abc import Collection
from typing import Literal
from uuid import UUID

import msgspec
from msgspec import UNSET, UnsetType

from service.model.evaluation import SEVERITIES, Conclusions, ContextResult, Evaluation
from service.model.ruleset import Ruleset
from service.model.timeline import TimelineEntry
from service.model.units import UnitSystem, UnitTable
from service.model.visit import WHOLE_HOUSE
from service.wire.outcomes import prevailing_outcomes
from service.wire.render import COVERAGE_FACTOR, DISCLAIMER, rounded
from service.wire.response import Answer, ContextView, PrevailingOutcome, RulesetReference, Severity, Value
from service.wire.speech import Speech

USUAL_QUANTITIES = (
    "external_static_pressure", "airflow", "filter_pressure_drop", "coil_pressure_drop", "temperature_rise",
    "temperature_split", "net_total_capacity", "heating_output", "blower_power", "duct_leakage_total",
    "duct_leakage_to_outside", "envelope_leakage", "house_pressure", "natural_draft_zone_pressure",
    "ambient_carbon_monoxide",
)  # fmt: skip
"""What a timeline shows of a visit where none are asked for."""


class TimelineFinding(Answer, frozen=True, kw_only=True):
    """One code that a visit found, with its gravest severity, and whether the visit before had found it as well."""

    code: str
    title: str
    severity: Severity
    change: Literal["new", "still_there"] | UnsetType = UNSET


class TimelineQuantity(Answer, frozen=True, kw_only=True):
    """A quantity of a visit with its expanded uncertainty (coverage factor 2)."""

    name: str
    title: str
    context: ContextView
    value: Value
    expanded_uncertainty: Value
    coverage_factor: float
    subject: str | UnsetType = UNSET


class WorkView(Answer, frozen=True, kw_only=True):
    """Work that a visit states was done ahead of its readings."""

    kind: str
    done_on: datetime.date | UnsetType = UNSET
    note: str | UnsetType = UNSET


class TimelineVisit(Answer, frozen=True, kw_only=True):
    """One visit on a timeline, as it was judged when it was kept. What was corrected later is not shown."""

    id: UUID
    at: datetime.datetime
    created_at: datetime.datetime
    visited_at: datetime.datetime | UnsetType = UNSET
    site_reference: str | UnsetType = UNSET
    equipment_reference: str | UnsetType = UNSET
    job_reference: str | UnsetType = UNSET
    ruleset: RulesetReference
    highest_severity: Severity | UnsetType = UNSET
    findings: list[TimelineFinding]
    compared_with: UUID | UnsetType = UNSET
    gone: list[str]
    work_done: list[WorkView]
    quantities: list[TimelineQuantity]
    reassessments: int
    outcomes: list[PrevailingOutcome]
    supersedes: UUID | UnsetType = UNSET
    readable: bool


class TimelineView(Answer, frozen=True, kw_only=True):
    """A page of a timeline, newest visit first. Of a reference that no visit carries the timeline is empty: it cannot
    be told from one that never was."""

    items: list[TimelineVisit]
    next_cursor: str | UnsetType = UNSET
    disclaimer: str


class _Work(msgspec.Struct, frozen=True):
    kind: str
    done_on: datetime.date | UnsetType = UNSET
    note: str | UnsetType = UNSET


class _Stated(msgspec.Struct, frozen=True):
    """Of a kept request what a timeline shows."""

    work_done: list[_Work] = []


_stated = msgspec.json.Decoder(_Stated)


class TimelineWriter:
    """Writes visits for a timeline.

    Parameters
    ----------
    rules : titles and dimensions of quantities
    wanted : names of the quantities to show; `USUAL_QUANTITIES` where empty
    """

    def __init__(
        self, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech, wanted: Collection[str] = ()
    ) -> None:
        self.rules, self.units, self.system, self.speech = rules, units, system, speech
        self.wanted = frozenset(wanted or USUAL_QUANTITIES)

    def page(self, visits: list[TimelineVisit], next_cursor: str | None) -> TimelineView:
        """A page of visits."""
        return TimelineView(
            items=visits,
            next_cursor=UNSET if next_cursor is None else next_cursor,
            disclaimer=self.speech.say(DISCLAIMER),
        )

    def visit(self, entry: TimelineEntry, evaluation: Evaluation | None) -> TimelineVisit:
        """One visit; `evaluation` is None where its kept shape is no longer read."""
        found = {} if evaluation is None else evaluation.gravest
        before = None if entry.before is None else frozenset(entry.found_before)
        return TimelineVisit(
            id=entry.evaluation_id,
            at=entry.at,
            created_at=entry.created_at,
            visited_at=entry.visited_at or UNSET,
            site_reference=entry.site_reference or UNSET,
            equipment_reference=entry.equipment_reference or UNSET,
            job_reference=entry.job_reference or UNSET,
            ruleset=RulesetReference(version=entry.ruleset_version, digest=entry.ruleset_digest),
            highest_severity=entry.highest_severity or UNSET,
            findings=[] if evaluation is None else self._findings(evaluation, before),
            compared_with=entry.before or UNSET,
            gone=[] if evaluation is None else sorted((before or frozenset()) - found.keys()),
            work_done=_work(entry.request),
            quantities=[] if evaluation is None else [q for part in evaluation.parts for q in self._quantities(part)],
            reassessments=entry.reassessments,
            outcomes=prevailing_outcomes(entry.outcomes),
            supersedes=entry.supersedes or UNSET,
            readable=evaluation is not None,
        )

    def _findings(self, evaluation: Evaluation, before: frozenset[str] | None) -> list[TimelineFinding]:
        titles = {finding.code: finding.title for part in evaluation.parts for finding in part.findings}
        ordered = sorted(evaluation.gravest.items(), key=lambda item: -SEVERITIES.index(item[1]))
        return [
            TimelineFinding(
                code=code,
                title=self.speech.say(titles[code]),
                severity=severity,
                change=UNSET if before is None else "still_there" if code in before else "new",
            )
            for code, severity in ordered
        ]

    def _quantities(self, part: Conclusions) -> list[TimelineQuantity]:
        where = context_view(part)
        shown = []
        for quantity in part.quantities:
            entry = self.rules.quantities.get(quantity.name)
            if quantity.name not in self.wanted or entry is None:
                continue
            value, unit = self.units.shown(entry.dimension, quantity.value, self.system)
            spread, of_differences = self.units.shown_difference(
                entry.dimension, COVERAGE_FACTOR * quantity.uncertainty, self.system
            )
            shown.append(
                TimelineQuantity(
                    name=quantity.name,
                    title=self.speech.say(entry.title),
                    context=where,
                    value=Value(value=rounded(value), unit=unit),
                    expanded_uncertainty=Value(value=rounded(spread), unit=of_differences),
                    coverage_factor=COVERAGE_FACTOR,
                    subject=quantity.subject or UNSET,
                )
            )
        return shown


def context_view(part: Conclusions) -> ContextView:
    """Which operating state and part of the house conclusions belong to."""
    if not isinstance(part, ContextResult):
        return ContextView(state=WHOLE_HOUSE.id, whole_house=True)
    return ContextView(
        state=part.state.id,
        mode=part.state.mode or UNSET,
        speed_setting=part.state.speed_setting or UNSET,
        area=part.area or UNSET,
    )


def _work(request: bytes) -> list[WorkView]:
    try:
        stated = _stated.decode(request)
    except msgspec.MsgspecError:
        return []
    return [WorkView(kind=work.kind, done_on=work.done_on, note=work.note) for work in stated.work_done]
