"""A quantity of one equipment over its visits, as clients read it."""

import datetime
from collections.abc import Sequence
from typing import Literal
from uuid import UUID

import msgspec
from msgspec import UNSET, UnsetType

from service.model.quantity import Measured
from service.model.ruleset import Ruleset
from service.model.trend import (
    Against,
    Basis,
    FollowedTrend,
    Forecast,
    LeftOut,
    LeftOutReason,
    Line,
    Outcome,
    OutcomeReason,
    Place,
    Refusal,
    RefusalCode,
)
from service.model.units import UnitSystem, UnitTable
from service.wire.render import COVERAGE_FACTOR, DISCLAIMER, rounded
from service.wire.response import Answer, ContextView, RulesetReference, Value
from service.wire.speech import Speech

DAY = 86400.0
YEAR = 365.25 * DAY

LEFT_OUT_BECAUSE: dict[LeftOutReason, str] = {
    "superseded": "It was corrected; the correction stands in its place.",
    "unreadable": "The kept request is no longer accepted.",
    "no_like_state": "Nothing was read there in this mode with the same zones, doors and exhaust fans.",
    "not_worked_out": "The quantity was not worked out there.",
    "speed_setting_not_stated": "The speed setting is not stated, there or on the newest visit.",
    "other_speed_setting": "The blower ran in another speed setting.",
    "other_coil_surface": "The coil was wet there and is dry now, or the other way round.",
    "other_filter": "Another filter is stated there.",
    "other_coil": "Another coil is stated there.",
    "other_blower": "Another blower is stated there.",
    "no_airflow_in_common": "No airflow by the method that the others have, or no air density.",
    "no_air_density": "No air density: site elevation or barometer is missing.",
    "filter_change_not_dated": "The day of the filter change before it is not stated in work_done.",
    "before_work": "Work that bears on the quantity was done since.",
}
REFUSED_BECAUSE: dict[RefusalCode, str] = {
    "not_worked_out": "No visit has this quantity in this state and part of the house.",
    "too_few_visits": "{there} of at least {needed} visits that can be compared. A line always fits two points; only "
    "from the third on do the visits show how far they stray from it.",
    "too_short_span": "The visits that can be compared cover {there} days; a drift shows over {needed} days or more.",
}
NOT_FORESEEN_BECAUSE: dict[OutcomeReason, str] = {
    "drift_not_proven": "No rise or fall stands out from its uncertainty; more visits, or more time between them, "
    "would tell.",
    "moves_away": "It moves away from the limit.",
    "too_far_off": "It lies further off than dates go.",
    "no_limit_in_force": "No limit is in force, or the rating that gives it is missing.",
    "of_another_quantity": "This criterion judges another quantity.",
}
CARRIED_ON = (
    "A forecast carries on what the visits show, as if nothing else changed. It replaces no inspection and no "
    "maintenance interval of the manufacturer."
)


class TrendPointView(Answer, frozen=True, kw_only=True):
    """One visit that the line rests on."""

    evaluation_id: UUID
    at: datetime.datetime
    days_since_filter_change: float | UnsetType = UNSET
    value: Value
    expanded_uncertainty: Value


class LeftOutView(Answer, frozen=True, kw_only=True):
    """One visit that the line does not rest on, and why."""

    evaluation_id: UUID
    at: datetime.datetime
    reason: LeftOutReason
    detail: str
    value: Value | UnsetType = UNSET
    expanded_uncertainty: Value | UnsetType = UNSET


class RestartView(Answer, frozen=True, kw_only=True):
    """Work that bears on the quantity, after which the trend begins anew."""

    at: datetime.datetime
    kind: str
    done_on: datetime.date | UnsetType = UNSET


class TrendRefusalView(Answer, frozen=True, kw_only=True):
    """Why there is no line."""

    code: RefusalCode
    detail: str
    needed: float | UnsetType = UNSET
    there: float | UnsetType = UNSET


class LineEndView(Answer, frozen=True, kw_only=True):
    """One end of the line, over the visits that it rests on."""

    at: datetime.datetime | UnsetType = UNSET
    days_since_filter_change: float | UnsetType = UNSET
    value: Value
    expanded_uncertainty: Value


class TrendLineView(Answer, frozen=True, kw_only=True):
    """The robust line: the median of the slopes between all pairs of visits."""

    change: Value
    expanded_uncertainty: Value
    per: Literal["year", "day"]
    drift: Literal["rising", "falling", "not_proven"]
    visits: int
    span_days: float
    start: LineEndView
    end: LineEndView


class TrendForecastView(Answer, frozen=True, kw_only=True):
    """When the line reaches a limit in force."""

    criterion: str
    title: str
    side: Literal["upper", "lower"] | UnsetType = UNSET
    limit: Value | UnsetType = UNSET
    outcome: Outcome
    reason: OutcomeReason | UnsetType = UNSET
    detail: str | UnsetType = UNSET
    expected_at: datetime.datetime | UnsetType = UNSET
    earliest_at: datetime.datetime | UnsetType = UNSET
    latest_at: datetime.datetime | UnsetType = UNSET
    no_earlier_than: datetime.datetime | UnsetType = UNSET
    confidence: float | UnsetType = UNSET


class TrendContextView(Answer, frozen=True, kw_only=True):
    """An operating state and part of the house in which the quantity is known."""

    context: ContextView
    visits: int


class TrendView(Answer, frozen=True, kw_only=True):
    """A quantity of one equipment followed over its visits, all worked out anew by one version of the rules.

    Of a reference that no visit carries it has no points: it cannot be told from one that never was.
    """

    equipment_reference: str
    quantity: str
    title: str
    ruleset: RulesetReference
    against: Against
    context: ContextView | UnsetType = UNSET
    contexts: list[TrendContextView]
    basis: Basis
    airflow_method: str | UnsetType = UNSET
    coverage_factor: float
    points: list[TrendPointView]
    left_out: list[LeftOutView]
    restarts: list[RestartView]
    refusal: TrendRefusalView | UnsetType = UNSET
    line: TrendLineView | UnsetType = UNSET
    forecasts: list[TrendForecastView]
    visits_read: int
    truncated: bool
    language: str
    disclaimer: str


class Read(msgspec.Struct, frozen=True, kw_only=True):
    """What was read to follow the quantity, beside what could be worked out: visits left out ahead of that, how many
    visits were read, and whether there are older ones."""

    equipment_reference: str
    left_out: tuple[LeftOut, ...]
    visits: int
    truncated: bool


def trend_view(
    found: FollowedTrend, read: Read, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech
) -> TrendView:
    """The trend in a unit system and a language."""
    return _Writer(found, read, rules, units, system, speech).view()


class _Writer:
    def __init__(
        self, found: FollowedTrend, read: Read, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech
    ) -> None:
        self.found, self.read, self.rules = found, read, rules
        self.units, self.system, self.speech = units, system, speech
        entry = rules.quantities.get(found.asked.quantity)
        self.dimension = "count" if entry is None else entry.dimension
        self.title = found.asked.quantity if entry is None else speech.say(entry.title)

    def value(self, number: float) -> Value:
        shown, unit = self.units.shown(self.dimension, number, self.system)
        return Value(value=rounded(shown), unit=unit)

    def spread(self, number: float) -> Value:
        shown, unit = self.units.shown_difference(self.dimension, number, self.system)
        return Value(value=rounded(shown), unit=unit)

    def expanded(self, entry: Measured) -> Value:
        return self.spread(COVERAGE_FACTOR * entry.uncertainty)

    def view(self) -> TrendView:
        found, read = self.found, self.read
        return TrendView(
            equipment_reference=read.equipment_reference,
            quantity=found.asked.quantity,
            title=self.title,
            ruleset=RulesetReference(version=self.rules.release.version, digest=self.rules.digest),
            against=found.asked.against,
            context=UNSET if found.where is None else _context(found.where),
            contexts=[TrendContextView(context=_context(place), visits=place.visits) for place in found.places],
            basis=found.basis,
            airflow_method=found.airflow or UNSET,
            coverage_factor=COVERAGE_FACTOR,
            points=[
                TrendPointView(
                    evaluation_id=point.evaluation_id,
                    at=point.at,
                    days_since_filter_change=UNSET if point.used_for is None else point.used_for / DAY,
                    value=self.value(point.value.value),
                    expanded_uncertainty=self.expanded(point.value),
                )
                for point in found.points
            ],
            left_out=self.left_out([*found.left_out, *read.left_out]),
            restarts=[
                RestartView(at=restart.at, kind=restart.kind, done_on=restart.done_on or UNSET)
                for restart in found.restarts
            ],
            refusal=UNSET if found.refusal is None else self.refusal(found.refusal),
            line=UNSET if found.line is None else self.line(found.line),
            forecasts=[self.forecast(forecast) for forecast in found.forecasts],
            visits_read=read.visits,
            truncated=read.truncated,
            language=self.speech.code,
            disclaimer=f"{self.speech.say(CARRIED_ON)} {self.speech.say(DISCLAIMER)}",
        )

    def left_out(self, left: Sequence[LeftOut]) -> list[LeftOutView]:
        return [
            LeftOutView(
                evaluation_id=entry.evaluation_id,
                at=entry.at,
                reason=entry.reason,
                detail=self.speech.say(LEFT_OUT_BECAUSE[entry.reason]),
                value=UNSET if entry.value is None else self.value(entry.value.value),
                expanded_uncertainty=UNSET if entry.value is None else self.expanded(entry.value),
            )
            for entry in sorted(left, key=lambda entry: entry.at)
        ]

    def refusal(self, refusal: Refusal) -> TrendRefusalView:
        scale = DAY if refusal.code == "too_short_span" else 1.0
        return TrendRefusalView(
            code=refusal.code,
            detail=refusal_in_words(refusal, self.speech),
            needed=UNSET if refusal.needed is None else rounded(refusal.needed / scale),
            there=UNSET if refusal.there is None else rounded(refusal.there / scale),
        )

    def line(self, line: Line) -> TrendLineView:
        against_time = self.found.asked.against == "time"
        period = YEAR if against_time else DAY
        return TrendLineView(
            change=self.spread(line.slope.value * period),
            expanded_uncertainty=self.spread(COVERAGE_FACTOR * line.slope.uncertainty * period),
            per="year" if against_time else "day",
            drift=line.drift,
            visits=line.visits,
            span_days=rounded((line.last - line.first) / DAY),
            start=self.end(line, line.first),
            end=self.end(line, line.last),
        )

    def end(self, line: Line, place: float) -> LineEndView:
        value = line.at(place)
        against_time = self.found.asked.against == "time"
        return LineEndView(
            at=self.found.points[0].at + datetime.timedelta(seconds=place) if against_time else UNSET,
            days_since_filter_change=UNSET if against_time else place / DAY,
            value=self.value(value.value),
            expanded_uncertainty=self.expanded(value),
        )

    def forecast(self, forecast: Forecast) -> TrendForecastView:
        line = self.found.line
        return TrendForecastView(
            criterion=forecast.criterion,
            title=self.speech.say(self.rules.criteria[forecast.criterion].title)
            if forecast.criterion in self.rules.criteria
            else forecast.criterion,
            side=forecast.side or UNSET,
            limit=UNSET if forecast.limit is None else self.value(forecast.limit),
            outcome=forecast.outcome,
            reason=forecast.reason or UNSET,
            detail=UNSET if forecast.reason is None else self.speech.say(NOT_FORESEEN_BECAUSE[forecast.reason]),
            expected_at=self.moment(forecast.expected),
            earliest_at=self.moment(forecast.earliest),
            latest_at=self.moment(forecast.latest),
            no_earlier_than=self.moment(forecast.no_earlier_than),
            confidence=UNSET if line is None or forecast.outcome in ("already_beyond", "no_limit") else line.confidence,
        )

    def moment(self, after: float | None) -> datetime.datetime | UnsetType:
        """A time after the newest point, to the hour: a forecast has no minutes."""
        if after is None:
            return UNSET
        moment = self.found.points[-1].at + datetime.timedelta(seconds=after)
        return moment.replace(minute=0, second=0, microsecond=0)


def refusal_in_words(refusal: Refusal, speech: Speech) -> str:
    """Why there is no line, with how much it takes and how much there is."""
    scale = DAY if refusal.code == "too_short_span" else 1.0
    parts = {
        name: f"{number / scale:.0f}"
        for name, number in (("needed", refusal.needed), ("there", refusal.there))
        if number is not None
    }
    return speech.fill(REFUSED_BECAUSE[refusal.code], **parts)


def _context(place: Place) -> ContextView:
    if place.whole_house:
        return ContextView(state=place.state.id, whole_house=True)
    return ContextView(
        state=place.state.id,
        mode=place.state.mode or UNSET,
        speed_setting=place.state.speed_setting or UNSET,
        area=place.area or UNSET,
    )
