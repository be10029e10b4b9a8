"""One quantity of an equipment over many visits: what may be compared, the robust line through it, where it leads.

The newest visit that has the quantity is the reference: every other is taken in the context that ran as it did
(`history.counterpart`), in the same speed setting unless the quantity does not depend on it, and with the same filter,
coil and blower as far as both state them. Pressures and powers of the fan are taken at the density of the reference,
drops of filter and coil also at its airflow, by one airflow method for all visits.

Errors are shared between visits as in `history`: what one calibration left behind does not tilt a line.

The line is `history.trend_of` for its slope and the median of pair means of what remains for its level. What scatters
more than the visits' own uncertainties is known from few visits only; the factor of the interval widens for that as
Student's t does. A limit is reached where the line cannot be told from it (`physics.trend.limit_reached`).
"""

from __future__ import annotations

import datetime
import functools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Literal
from uuid import UUID

import msgspec

from service.derive.history import (
    AIRFLOW_METHODS,
    BEARING,
    DAY,
    Point,
    Reader,
    counterpart,
    differing_facts,
    local_density,
    trend_of,
    work_between,
)
from service.derive.plan import WorkedOut
from service.derive.propagate import combine
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.ruleset import Assumption
from service.model.trend import (
    Asked,
    Basis,
    FollowedTrend,
    Forecast,
    LeftOut,
    LeftOutReason,
    Line,
    Place,
    Refusal,
    Restart,
    TrendPoint,
)
from service.model.visit import Visit
from service.physics import trend, uncertainty
from service.wire.faults import YEARS

DROPS = {"filter_pressure_drop": "filter", "coil_pressure_drop": "coil"}
AT_DENSITY = frozenset({"external_static_pressure", "blower_power"})
"""Taken at the density of the reference, as the fan makes them in proportion to it."""
OF_A_PART = {**DROPS, "filter_pressure_drop_to_rated": "filter", "coil_pressure_drop_to_rated": "coil"}
"""Quantities of a part by itself, whatever flows -> the part."""
BEARING_ON_LEAKAGE = frozenset({"ducts_sealed", "duct_enlarged", "duct_added"})
FACTS: Mapping[str, tuple[str, LeftOutReason]] = {
    "filter": ("filter", "other_filter"), "coil": ("coil", "other_coil"), "air": ("blower", "other_blower"),
}  # fmt: skip
SCATTER, SCATTER_OF_LEVEL = "scatter.trend", "scatter.level"
LAST_DAY = datetime.datetime(YEARS[1], 12, 31, tzinfo=datetime.UTC)
"""Where the calendar of answers ends; no date is foreseen beyond it."""
EPOCH = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)

Limits = Callable[[Worksheet, str], tuple[float | None, float | None]]
"""Lower and upper limit in force of a criterion in a context, SI."""


class Followed(msgspec.Struct, frozen=True):
    """One kept visit worked out."""

    evaluation_id: UUID
    at: datetime.datetime
    visit: Visit
    worked: WorkedOut


def follow(visits: Sequence[Followed], asked: Asked, criteria: Sequence[str], limits: Limits) -> FollowedTrend:
    """The trend of a quantity over the visits to one equipment, oldest first, all worked out by the same rules.

    Parameters
    ----------
    criteria : those whose limits are to be foreseen
    limits : what they are in a context
    """
    places = _places(visits, asked.quantity)
    reference = _reference(visits, asked)
    if reference is None:
        left = tuple(LeftOut(evaluation_id=v.evaluation_id, at=v.at, reason="not_worked_out") for v in visits)
        return FollowedTrend(
            asked=asked, where=None, places=places, basis="as_worked_out", airflow=None, points=(), left_out=left,
            restarts=(), refusal=Refusal(code="not_worked_out"),
        )  # fmt: skip
    gathered = _Gathering(visits, reference, asked.quantity)
    about = gathered.about
    restarts = [] if about is None else _restarts(visits, _bearing(asked, about, gathered.basis))
    points, left = _split(visits, gathered, asked, max((r.at for r in restarts), default=None))
    found = FollowedTrend(
        asked=asked,
        where=_place(reference[1], [place.visits for place in places if _same_place(place, reference[1])]),
        places=places,
        basis=gathered.basis,
        airflow=gathered.airflow,
        points=points,
        left_out=left,
        restarts=tuple(restarts),
        limits=tuple(_limits(reference[1], criteria, limits)),
    )
    rules = reference[1].ruleset
    refusal = _refusal(points, asked, about, rules.assumptions)
    if refusal is not None:
        return msgspec.structs.replace(found, refusal=refusal)
    line = _line(points, rules.assumptions)
    now = along(points)[-1]
    forecasts = [_forecast(line, points[-1], now, *limit) for limit in found.limits]
    limited = {criterion for criterion, _, _ in found.limits}
    forecasts += [
        Forecast(criterion=name, outcome="no_limit", reason="no_limit_in_force")
        for name in criteria
        if name not in limited
    ]
    return msgspec.structs.replace(found, line=line, forecasts=tuple(forecasts))


# Which context ---------------------------------------------------------------------------------------------------


def _sheets(worked: WorkedOut) -> Iterator[Worksheet]:
    """The whole house first: what belongs to no state depends on none, though every context rests on it as well."""
    if worked.whole_house is not None:
        yield worked.whole_house
    yield from worked.contexts


def _places(visits: Sequence[Followed], quantity: str) -> tuple[Place, ...]:
    """Every state and part of the house in which the quantity is known, that of the newest visit first."""
    known: dict[tuple[str, str | None], list[Worksheet]] = {}
    for entry in reversed(visits):
        for sheet in _sheets(entry.worked):
            if sheet.get(quantity) is not None:
                known.setdefault((sheet.state.id, sheet.area), []).append(sheet)
    return tuple(_place(sheets[0], [len(sheets)]) for sheets in known.values())


def _place(sheet: Worksheet, counts: Sequence[int]) -> Place:
    return Place(sheet.state, sheet.area, sheet.whole_house, max(counts, default=0))


def _same_place(place: Place, sheet: Worksheet) -> bool:
    return (place.state.id, place.area) == (sheet.state.id, sheet.area)


def _reference(visits: Sequence[Followed], asked: Asked) -> tuple[Followed, Worksheet] | None:
    """The newest visit that has the quantity in the state and part of the house asked for, and its sheet there."""
    for entry in reversed(visits):
        for sheet in _sheets(entry.worked):
            fits = asked.state in (None, sheet.state.id) and asked.area in (None, sheet.area)
            if fits and sheet.get(asked.quantity) is not None:
                return entry, sheet
    return None


# What may be compared --------------------------------------------------------------------------------------------


class _Gathering:
    """The quantity on each visit as it compares with the reference, or why it does not.

    `values` by place of the visit: the value, and why it is left out, where it is.
    """

    def __init__(self, visits: Sequence[Followed], reference: tuple[Followed, Worksheet], quantity: str) -> None:
        self.quantity = quantity
        self.sheet = reference[1]
        self.part = DROPS.get(quantity)
        self.about = self._about()
        self.others = [self._counterpart(entry) for entry in visits]
        self.airflow = self._airflow()
        self.density = self.sheet.get("return_air_density")
        self.basis: Basis = "as_worked_out"
        if self.part is not None and self.airflow is not None:
            self.basis = "at_equal_flow_and_density"
        elif quantity in AT_DENSITY and self.density is not None:
            self.basis = "at_equal_density"
        self.values = [
            self._value(other, f"visit.{entry.evaluation_id}") for entry, other in zip(visits, self.others, strict=True)
        ]

    def _about(self) -> str | None:
        """What work and which parts bear on it: `filter`, `coil`, `air` or `leakage`; None for nothing."""
        if self.quantity in OF_A_PART:
            return OF_A_PART[self.quantity]
        if "leakage" in self.quantity:
            return "leakage"
        return "air" if self.sheet.blower_on else None

    def _counterpart(self, entry: Followed) -> Worksheet | None:
        if self.sheet.whole_house:
            return entry.worked.whole_house
        return counterpart(self.sheet, entry.worked.contexts)

    def _airflow(self) -> str | None:
        """Of the methods that the reference has, the one that most visits have; the surest of equals."""
        if self.part is None or local_density(self.sheet, self.part) is None:
            return None
        counts = {
            name: sum(_positive(other, name) for other in self.others)
            for name in AIRFLOW_METHODS
            if _positive(self.sheet, name)
        }
        return max(counts, key=lambda name: counts[name], default=None)

    def _value(self, other: Worksheet | None, name: str) -> tuple[Measured | None, LeftOutReason | None]:
        if other is None:
            return None, "no_like_state"
        if other.get(self.quantity) is None:
            return None, "not_worked_out"
        reader = Reader(other, name)
        plain = reader.get(self.quantity)
        reason = self._unlike(other)
        if reason is not None or self.basis == "as_worked_out":
            return plain, reason
        assert self.density is not None
        if self.basis == "at_equal_density":
            value = reader.at_density(self.quantity, self.density.value)
            return (plain, "no_air_density") if value is None else (value, None)
        return self._drop(reader) or (None, "no_airflow_in_common")

    def _drop(self, reader: Reader) -> tuple[Measured, None] | None:
        """Its drop at the flow and density of the reference."""
        assert self.part is not None
        assert self.airflow is not None
        flow, here = self.sheet.get(self.airflow), local_density(self.sheet, self.part)
        assert flow is not None
        assert here is not None
        if not _positive(reader.sheet, self.airflow):
            return None
        try:
            carried = reader.drop(self.part, flow.value, here.value, self.airflow)
        except OutOfRange:
            return None
        return None if carried is None else (carried, None)

    def _unlike(self, other: Worksheet) -> LeftOutReason | None:
        """Why the quantity there is not to be compared with that of the reference."""
        mine, theirs = self.sheet.state.speed_setting, other.state.speed_setting
        one_flow = self.basis == "at_equal_flow_and_density" or self.quantity.endswith("_to_rated")
        if self.about == "air" or (self.part is not None and not one_flow):
            if mine is None or theirs is None:
                return "speed_setting_not_stated" if other is not self.sheet else None
            if mine != theirs:
                return "other_speed_setting"
        if self.about == "coil" and _surface(self.sheet) != _surface(other):
            return "other_coil_surface"
        if self.about is not None and self.about in FACTS:
            word, reason = FACTS[self.about]
            if any(word in fact for fact in differing_facts(other.visit, self.sheet.visit)):
                return reason
        return None


def _positive(sheet: Worksheet | None, name: str) -> bool:
    found = None if sheet is None else sheet.get(name)
    return found is not None and found.value > 0.0


def _surface(sheet: Worksheet) -> str | None:
    return next((token for token in sheet.observations if token.startswith("coil_surface.")), None)


# Since when ------------------------------------------------------------------------------------------------------


def _bearing(asked: Asked, about: str, basis: Basis) -> frozenset[str]:
    """Kinds of work after which the trend begins anew."""
    if about == "leakage":
        return BEARING_ON_LEAKAGE
    # A drop as it was read depends on all that changes the airflow.
    by_itself = basis == "at_equal_flow_and_density" or asked.quantity.endswith("_to_rated")
    kinds = BEARING[about if by_itself else "air"]
    return kinds - BEARING["filter"] if asked.against == "days_since_filter_change" else kinds


def _work(visits: Sequence[Followed], kinds: frozenset[str]) -> list[tuple[str, int, datetime.date | None]]:
    """Work of these kinds, as `work_between` places it; what several visits state of one day is one work, placed as
    the first of them has it."""
    work: dict[tuple[object, ...], tuple[str, int, datetime.date | None]] = {}
    days = [entry.at.date() for entry in visits]
    for kind, start, day in work_between(days, [entry.visit for entry in visits]):
        if kind in kinds:
            work.setdefault((kind, start if day is None else day), (kind, start, day))
    return list(work.values())


def _restarts(visits: Sequence[Followed], kinds: frozenset[str]) -> list[Restart]:
    return [Restart(at=visits[start].at, kind=kind, done_on=day) for kind, start, day in _work(visits, kinds)]


def _used_for(visits: Sequence[Followed]) -> list[float | None]:
    """Time (s, whole days) since the filter was last changed or cleaned before each visit; None where the day of that
    is not stated."""
    days = [entry.at.date() for entry in visits]
    used: list[float | None] = [None] * len(visits)
    changes = [(start, day) for _, start, day in _work(visits, BEARING["filter"])]
    # Of several before one visit the latest counts, and one without a day hides what came before it.
    for start, day in sorted(changes, key=lambda change: (change[0], change[1] or datetime.date.max)):
        for place in range(start, len(visits)):
            used[place] = None if day is None else (days[place] - day).total_seconds()
    return used


def _split(
    visits: Sequence[Followed], gathered: _Gathering, asked: Asked, since: datetime.datetime | None
) -> tuple[tuple[TrendPoint, ...], tuple[LeftOut, ...]]:
    """The points that the line rests on, and the visits left out."""
    used = _used_for(visits) if asked.against == "days_since_filter_change" else None
    points: list[TrendPoint] = []
    left: list[LeftOut] = []
    for place, (entry, (value, reason)) in enumerate(zip(visits, gathered.values, strict=True)):
        if reason is None and used is not None and used[place] is None:
            reason = "filter_change_not_dated"
        if reason is None and since is not None and entry.at < since:
            reason = "before_work"
        if reason is not None or value is None:
            left.append(
                LeftOut(evaluation_id=entry.evaluation_id, at=entry.at, reason=reason or "not_worked_out", value=value)
            )
        else:
            points.append(
                TrendPoint(
                    evaluation_id=entry.evaluation_id,
                    at=entry.at,
                    value=value,
                    used_for=None if used is None else used[place],
                )
            )
    return tuple(points), tuple(left)


# The line, and where it leads ------------------------------------------------------------------------------------


def along(points: Sequence[TrendPoint]) -> list[float]:
    """Place of each point on the axis of the line, s: since the change of the filter, else since the first visit."""
    return [(point.at - points[0].at).total_seconds() if point.used_for is None else point.used_for for point in points]


def _refusal(
    points: Sequence[TrendPoint], asked: Asked, about: str | None, assumptions: Mapping[str, Assumption]
) -> Refusal | None:
    fewest = assumptions["trend_fewest_visits"].value
    if len(points) < fewest:
        return Refusal(code="too_few_visits", needed=fewest, there=float(len(points)))
    filters = about == "filter" or asked.against == "days_since_filter_change"
    shortest = assumptions["trend_filter_span" if filters else "trend_span"].value * DAY
    places = along(points)
    span = max(places) - min(places)
    return Refusal(code="too_short_span", needed=shortest, there=span) if span < shortest else None


def _line(points: Sequence[TrendPoint], assumptions: Mapping[str, Assumption]) -> Line:
    places = along(points)
    order = sorted(range(len(points)), key=places.__getitem__)
    times, values = [places[i] for i in order], [points[i].value for i in order]
    moments = [EPOCH + datetime.timedelta(seconds=time) for time in times]
    slope = trend_of([Point(at, value) for at, value in zip(moments, values, strict=True)]).slope
    centre, count = math.fsum(times) / len(times), len(times)
    rest = [value.value - slope.value * (time - centre) for time, value in zip(times, values, strict=True)]
    loss = math.sqrt(math.pi / 3.0)  # of the median of pair means, as of pairwise slopes
    carried = combine(*((loss / count, value) for value in values))
    terms = dict(carried.terms)
    scatter = slope.terms.get(SCATTER, 0.0)
    if scatter > 0.0:
        one = scatter / math.hypot(*trend.slope_weights(times))
        terms[SCATTER_OF_LEVEL] = one * loss / math.sqrt(count)
    level = Measured(trend.robust_level(rest), terms)
    confidence = assumptions["proof_confidence"].value
    factor = uncertainty.coverage_factor(confidence, _freedom(slope, scatter, count, confidence))
    proven = abs(slope.value) > max(factor, assumptions["trend_proof"].value) * slope.uncertainty
    return Line(
        centre=centre,
        level=level,
        slope=slope,
        factor=factor,
        confidence=confidence,
        drift="not_proven" if not proven else "rising" if slope.value > 0.0 else "falling",
        first=times[0],
        last=times[-1],
        visits=count,
    )


def _freedom(slope: Measured, scatter: float, count: int, confidence: float) -> float:
    """Effective degrees of freedom of a slope (JCGM 100:2008, G.4.1).

    The visits' own uncertainties have no end of them. The scatter is that of the slope's interval from ranks, which
    holds by itself from as many visits on as have a chance of at least `confidence` that the true slope lies between
    the least and the greatest of their pairs: all but 2 of the n! orders (Kendall's statistic). With fewer it has the
    degrees of freedom that the line leaves.
    """
    share = 0.0 if scatter == 0.0 else (scatter / slope.uncertainty) ** 4
    if share == 0.0 or 1.0 - 2.0 / math.factorial(count) >= confidence:
        return math.inf
    return (count - 2) / share


def _limits(
    sheet: Worksheet, criteria: Sequence[str], limits: Limits
) -> Iterator[tuple[str, Literal["upper", "lower"], float]]:
    for criterion in criteria:
        lower, upper = limits(sheet, criterion)
        if upper is not None:
            yield criterion, "upper", upper
        if lower is not None:
            yield criterion, "lower", lower


def _forecast(
    line: Line, newest: TrendPoint, now: float, criterion: str, side: Literal["upper", "lower"], limit: float
) -> Forecast:
    """When the line reaches a limit, from the newest point on."""
    made = functools.partial(Forecast, criterion=criterion, side=side, limit=limit)
    if (newest.value.value >= limit) if side == "upper" else (newest.value.value <= limit):
        return made(outcome="already_beyond")
    farthest = (LAST_DAY - newest.at).total_seconds()
    here, slope = line.at(now), line.slope
    distance = limit - here.value
    reached = trend.limit_reached(
        distance, slope.value, here.uncertainty, slope.uncertainty, here.covariance(slope), line.factor
    )
    if line.drift == "not_proven":
        earliest = None if reached is None or not 0.0 < reached.earliest <= farthest else reached.earliest
        return made(outcome="not_foreseeable", reason="drift_not_proven", no_earlier_than=earliest)
    if reached is None or (line.drift == "rising") != (side == "upper"):
        return made(outcome="not_foreseeable", reason="moves_away")
    if reached.latest > farthest:
        earliest = reached.earliest if 0.0 < reached.earliest <= farthest else None
        return made(outcome="not_foreseeable", reason="too_far_off", no_earlier_than=earliest)
    return made(
        outcome="foreseen",
        expected=max(distance / slope.value, 0.0),
        earliest=reached.earliest,
        latest=reached.latest,
    )
