"""A quantity of one equipment followed over kept visits: points, robust line, and when a limit will be reached. SI."""

import datetime
from typing import Literal
from uuid import UUID

import msgspec

from service.model.quantity import Measured
from service.model.visit import State

Against = Literal["time", "days_since_filter_change"]
Basis = Literal["as_worked_out", "at_equal_density", "at_equal_flow_and_density"]
LeftOutReason = Literal[
    "superseded",
    "unreadable",
    "no_like_state",
    "not_worked_out",
    "speed_setting_not_stated",
    "other_speed_setting",
    "other_coil_surface",
    "other_filter",
    "other_coil",
    "other_blower",
    "no_airflow_in_common",
    "no_air_density",
    "filter_change_not_dated",
    "before_work",
]
RefusalCode = Literal["not_worked_out", "too_few_visits", "too_short_span"]
Outcome = Literal["foreseen", "already_beyond", "not_foreseeable", "no_limit"]
OutcomeReason = Literal["drift_not_proven", "moves_away", "too_far_off", "no_limit_in_force", "of_another_quantity"]


class Asked(msgspec.Struct, frozen=True, kw_only=True):
    """What is to be followed.

    Attributes:
        state, area: of the newest visit that has the quantity there; None for the first that has it.
        criterion: whose limit is to be reached; None for every reported criterion of the quantity.
    """

    quantity: str
    state: str | None = None
    area: str | None = None
    criterion: str | None = None
    against: Against = "time"


class TrendPoint(msgspec.Struct, frozen=True, kw_only=True):
    """The quantity on one visit; `used_for` is the time since the filter was changed, s, where it is against that."""

    evaluation_id: UUID
    at: datetime.datetime
    value: Measured
    used_for: float | None = None


class LeftOut(msgspec.Struct, frozen=True, kw_only=True):
    """A visit that the line does not rest on; `value` where there is one all the same."""

    evaluation_id: UUID
    at: datetime.datetime
    reason: LeftOutReason
    value: Measured | None = None


class Restart(msgspec.Struct, frozen=True, kw_only=True):
    """Work after which the trend begins anew; `at` is the first visit read after it."""

    at: datetime.datetime
    kind: str
    done_on: datetime.date | None


class Refusal(msgspec.Struct, frozen=True, kw_only=True):
    """Why there is no line: how many visits, or how long a time (s), it takes, and how many there are."""

    code: RefusalCode
    needed: float | None = None
    there: float | None = None


class Line(msgspec.Struct, frozen=True, kw_only=True):
    """A robust line over x, in s from the first point, or from the change of the filter where it is against that.

    Attributes:
        centre: x about which level and slope err independently, but for what they share by source.
        level: at the centre, U.
        slope: U/s.
        factor: that makes a standard uncertainty of the line an interval at `confidence`.
        drift: what the slope proves.
        first, last: x of the first and last point.
    """

    centre: float
    level: Measured
    slope: Measured
    factor: float
    confidence: float
    drift: Literal["rising", "falling", "not_proven"]
    first: float
    last: float
    visits: int

    def at(self, place: float) -> Measured:
        """The line at a place of its axis, s."""
        terms = dict(self.level.terms)
        for source, term in self.slope.terms.items():
            terms[source] = terms.get(source, 0.0) + (place - self.centre) * term
        return Measured(self.level.value + (place - self.centre) * self.slope.value, terms)


class Forecast(msgspec.Struct, frozen=True, kw_only=True):
    """When a limit in force will be reached; times in s after the newest visit that the line rests on.

    Attributes:
        expected, earliest, latest: where it is foreseen, at the confidence of the line.
        no_earlier_than: where it is not; None where it may have been reached already.
    """

    criterion: str
    side: Literal["upper", "lower"] | None = None
    limit: float | None = None
    outcome: Outcome
    reason: OutcomeReason | None = None
    expected: float | None = None
    earliest: float | None = None
    latest: float | None = None
    no_earlier_than: float | None = None


class Place(msgspec.Struct, frozen=True):
    """An operating state and part of the house, and on how many visits the quantity is known there."""

    state: State
    area: str | None
    whole_house: bool
    visits: int


class FollowedTrend(msgspec.Struct, frozen=True, kw_only=True):
    """What follows from the visits, all worked out by one version of the rules.

    Attributes:
        where: the state and part of the house that is followed; None where the quantity is known nowhere.
        airflow: method by which drops were brought to one flow.
        points: that the line rests on, oldest first.
        limits: criterion, side and limit in force, SI, on the newest of them.
    """

    asked: Asked
    where: Place | None
    places: tuple[Place, ...]
    basis: Basis
    airflow: str | None
    points: tuple[TrendPoint, ...]
    left_out: tuple[LeftOut, ...]
    restarts: tuple[Restart, ...]
    refusal: Refusal | None = None
    line: Line | None = None
    forecasts: tuple[Forecast, ...] = ()
    limits: tuple[tuple[str, Literal["upper", "lower"], float], ...] = ()
