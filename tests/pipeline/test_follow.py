"""A quantity followed over visits: what is compared, the line, when a limit is reached, and what is refused.

The visits are of simulated houses (`tests/visits`) whose filter loads as it is told, read with instruments that err
anew each time; lines and intervals are checked against scipy and by simulation.
"""

import copy
import datetime
import math
import random
from collections.abc import Callable, Sequence
from typing import Any
from uuid import UUID

import msgspec
import pytest
from scipy.stats import theilslopes

from service.derive import following
from service.model.quantity import Measured
from service.model.trend import Asked, FollowedTrend, Forecast, TrendPoint
from service.pipeline import Rulebook, follow, load
from tests.visits.healthy import ROOT
from tests.visits.history_faults import EXAMPLE_SERIES, History, Past
from tests.visits.house import Faults
from tests.visits.library import HOUSES

DAY = 86400.0
HOUSE = HOUSES["furnace_1600_m"]
Change = Callable[[dict[str, Any]], None]


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load()


@pytest.fixture(scope="module")
def followed(rulebook: Rulebook) -> Callable[..., FollowedTrend]:
    """Follow a quantity over a house as its filter loads."""
    decoder, prepared = rulebook.decoder(), rulebook.current
    written: dict[str, list[dict[str, Any]]] = {}

    def run(
        past: Sequence[Past], quantity: str, changes: dict[int, Change] | None = None, **asked: Any
    ) -> FollowedTrend:
        *earlier, last = past
        key = repr(past)
        if key not in written:
            request = History("followed", HOUSE, tuple(earlier), last.faults, last.work).request()
            visits = request.pop("earlier_visits")
            written[key] = [*visits, request]
        requests = copy.deepcopy(written[key])
        for place, change in (changes or {}).items():
            change(requests[place])
        visits = [decoder.decode(msgspec.json.encode(request)) for request in requests]
        kept = [
            (UUID(int=index), visit.visited_at or datetime.datetime.now(datetime.UTC), visit)
            for index, visit in enumerate(visits)
        ]
        return follow(kept, Asked(quantity=quantity, **asked), prepared)

    return run


def loading(days: Sequence[float], a_day: float = 0.012, first: float = 1.0, **work: Any) -> list[Past]:
    """Visits at these days before the last one, the filter's resistance growing with time since the first."""
    works = work.get("work", {})
    return [
        Past(day, Faults(filter_loading=first + a_day * (days[0] - day)), works.get(place, ()))
        for place, day in enumerate(days)
    ]


STEADY = loading([200, 170, 140, 110, 80, 50, 20, 0])


def reasons(found: FollowedTrend) -> dict[int, str]:
    return {left.evaluation_id.int: left.reason for left in found.left_out}


def used(found: FollowedTrend) -> list[int]:
    return [point.evaluation_id.int for point in found.points]


# The line --------------------------------------------------------------------------------------------------------


def test_the_slope_is_that_of_scipy_and_the_truth_lies_within_its_uncertainty(
    followed: Callable[..., FollowedTrend],
) -> None:
    found = followed(STEADY, "filter_pressure_drop")
    assert found.line is not None
    assert (found.basis, found.airflow, found.line.visits) == ("at_equal_flow_and_density", "airflow_measured", 8)
    times = [(point.at - found.points[0].at).total_seconds() for point in found.points]
    values = [point.value.value for point in found.points]
    assert found.line.slope.value == pytest.approx(theilslopes(values, times).slope, rel=1e-9)
    assert found.line.drift == "rising"
    # The house's filter has 1 + 0.012 a day times its first drop, at one flow.
    clean = found.line.at(0.0)
    truth = 0.012 / DAY * clean.value
    assert abs(found.line.slope.value - truth) < 3.0 * math.hypot(
        found.line.slope.uncertainty, 0.012 / DAY * clean.uncertainty
    )


def test_the_line_goes_through_a_line() -> None:
    """Points on a straight line: the line is that line, at any place."""
    points = made([3.0 + 0.25 * day for day in range(0, 400, 40)], list(range(0, 400, 40)), 0.1)
    line = following._line(points, load().current.ruleset.assumptions)
    for day in (-100.0, 0.0, 180.0, 1000.0):
        assert line.at(day * DAY).value == pytest.approx(3.0 + 0.25 * day)
    # Least squares have s / sqrt(sum of squares) for the slope and s / sqrt(n) for the level; robust ones sqrt(pi/3)
    # more (asymptotic efficiency 3/pi, from memory).
    mean = sum(range(0, 400, 40)) / 10
    squares = sum((day - mean) ** 2 for day in range(0, 400, 40))
    loss = math.sqrt(math.pi / 3.0)
    assert line.slope.uncertainty * DAY == pytest.approx(loss * 0.1 / math.sqrt(squares))
    assert line.level.uncertainty == pytest.approx(loss * 0.1 / math.sqrt(10.0))
    assert line.at(line.centre).uncertainty == pytest.approx(line.level.uncertainty)


def test_what_one_calibration_leaves_behind_does_not_tilt_the_line(followed: Callable[..., FollowedTrend]) -> None:
    """With instruments calibrated on one day, a part of their scale error is the same on all visits."""

    def calibrate(request: dict[str, Any]) -> None:
        for instrument in request["instruments"]:
            instrument["calibrated_on"] = "2025-06-01"

    anew = followed(STEADY, "external_static_pressure")
    shared = followed(STEADY, "external_static_pressure", dict.fromkeys(range(8), calibrate))
    assert shared.line is not None
    assert anew.line is not None
    assert shared.line.slope.value == anew.line.slope.value
    assert shared.line.slope.uncertainty < anew.line.slope.uncertainty


def made(values: Sequence[float], days: Sequence[float], own: float, shared: float = 0.0) -> tuple[TrendPoint, ...]:
    """Points with an error of their own each, and a scale error that all share."""
    start = datetime.datetime(2020, 1, 1, tzinfo=datetime.UTC)
    return tuple(
        TrendPoint(
            evaluation_id=UUID(int=place),
            at=start + datetime.timedelta(days=day),
            value=Measured(value, {f"visit.{place}": own, "scale": shared * value}),
        )
        for place, (value, day) in enumerate(zip(values, days, strict=True))
    )


@pytest.mark.parametrize(
    ("count", "own", "scatter", "scale", "most"),
    [
        (3, 0.5, 0.0, 0.0, 1.0), (3, 1e-9, 0.5, 0.0, 1.0), (4, 0.3, 0.5, 0.02, 1.0), (6, 0.5, 0.0, 0.0, 1.0),
        (8, 1e-9, 0.5, 0.0, 1.0), (12, 0.5, 0.0, 0.0, 0.985), (12, 1e-9, 0.5, 0.0, 0.985),
        (16, 0.3, 0.5, 0.02, 0.985),
    ],
)  # fmt: skip
def test_limits_are_reached_within_the_interval_as_often_as_it_says(
    count: int, own: float, scatter: float, scale: float, most: float
) -> None:
    """Simulated: a true line with errors stated (`own`, `scale`) and not stated (`scatter`). Of 600 runs at least
    92.5 % hold the true date, or a `no_earlier_than` before it; from 12 visits on not many more than 95 %. Few visits
    stay on the safe side: with 4 to 8 the interval from ranks is wider than it need be."""
    assumptions = load().current.ruleset.assumptions
    chance = random.Random(f"{count}/{own}/{scatter}/{scale}")
    right = runs = 0
    while runs < 600:
        days = [0.0, *sorted(chance.uniform(0.0, 1000.0) for _ in range(count - 2)), 1000.0]
        gauge = 1.0 + scale * chance.gauss(0.0, 1.0)
        values = [
            (50.0 + 0.01 * day) * gauge + own * chance.gauss(0.0, 1.0) + scatter * chance.gauss(0.0, 1.0)
            for day in days
        ]
        points = made(values, days, own, scale)
        line = following._line(points, assumptions)
        found = following._forecast(line, points[-1], 1000.0 * DAY, "made", "upper", 66.0)
        truth = 600.0 * DAY
        if found.outcome == "already_beyond":
            continue
        runs += 1
        if found.outcome == "foreseen":
            assert found.earliest is not None
            assert found.latest is not None
            right += found.earliest <= truth <= found.latest
        else:
            right += found.no_earlier_than is None or found.no_earlier_than <= truth
    assert 0.925 <= right / runs <= most


# Forecasts -------------------------------------------------------------------------------------------------------


def only(found: FollowedTrend, side: str = "upper") -> Forecast:
    (forecast,) = [one for one in found.forecasts if one.side == side]
    return forecast


def test_a_loading_filter_is_foreseen_and_the_house_agrees(followed: Callable[..., FollowedTrend]) -> None:
    """The house is solved on: at the day foreseen as the earliest its filter is not beyond the limit by the reading,
    and at the latest it is."""
    forecast = only(followed(STEADY, "filter_pressure_drop"))
    assert forecast.outcome == "foreseen"
    assert forecast.limit is not None
    assert forecast.earliest is not None
    assert forecast.expected is not None
    assert forecast.latest is not None
    assert 0.0 < forecast.earliest < forecast.expected < forecast.latest
    for after, beyond in ((forecast.earliest, False), (forecast.latest, True)):
        days = after / DAY
        whole = [Past(past.days + days, past.faults, past.work) for past in STEADY]
        whole.append(Past(0.0, Faults(filter_loading=1.0 + 0.012 * (200.0 + days))))
        then = followed(whole, "filter_pressure_drop")
        first = followed(STEADY, "filter_pressure_drop").points[-1].value
        # Brought to the flow of the visit that the forecast rests on: as the drops of both are to each other.
        ratio = then.points[-1].value.value / then.points[-2].value.value
        assert (first.value * ratio > forecast.limit) is beyond


def test_beyond_the_limit_already(followed: Callable[..., FollowedTrend]) -> None:
    def lower(limit: float) -> Change:
        def change(request: dict[str, Any]) -> None:
            request["limit_overrides"] = [
                {
                    "criterion": "filter_pressure_drop_usual",
                    "upper": limit,
                    "unit": "Pa",
                    "reason": "Invented for this test.",
                }
            ]

        return change

    value = followed(STEADY, "filter_pressure_drop").points[-1].value.value
    below = only(followed(STEADY, "filter_pressure_drop", {7: lower(value * 1.001)}))
    assert below.limit == pytest.approx(value * 1.001)
    assert below.outcome == "foreseen"
    assert only(followed(STEADY, "filter_pressure_drop", {7: lower(value * 0.999)})).outcome == "already_beyond"
    # An override of an earlier visit has no bearing.
    assert only(followed(STEADY, "filter_pressure_drop", {6: lower(value * 0.999)})).limit != below.limit


def test_what_does_not_drift_is_not_foreseeable_but_bounded(followed: Callable[..., FollowedTrend]) -> None:
    found = followed(loading([1400, 1200, 1000, 800, 600, 400, 200, 0], 0.0), "external_static_pressure")
    assert found.line is not None
    assert found.line.drift == "not_proven"
    forecast = only(found)
    assert (forecast.outcome, forecast.reason) == ("not_foreseeable", "drift_not_proven")
    assert forecast.no_earlier_than is not None
    assert forecast.no_earlier_than > 0.0


def test_what_moves_away_from_a_limit_does_not_reach_it(followed: Callable[..., FollowedTrend]) -> None:
    found = followed(STEADY, "filter_pressure_drop_to_rated")
    away = only(found, "lower")
    assert (away.outcome, away.reason, away.no_earlier_than) == ("not_foreseeable", "moves_away", None)


def test_a_criterion_may_be_named(followed: Callable[..., FollowedTrend]) -> None:
    named = followed(STEADY, "filter_pressure_drop_to_rated", criterion="filter_pressure_drop_above_clean")
    assert [one.criterion for one in named.forecasts] == ["filter_pressure_drop_above_clean"]
    other = followed(STEADY, "filter_pressure_drop", criterion="external_static_pressure_maximum")
    assert [(one.outcome, one.reason) for one in other.forecasts] == [("no_limit", "of_another_quantity")]

    def without_rating(request: dict[str, Any]) -> None:
        del request["equipment"]["rated_maximum_external_static_pressure"]

    none = followed(STEADY, "external_static_pressure", {7: without_rating})
    assert [(one.outcome, one.reason) for one in none.forecasts] == [("no_limit", "no_limit_in_force")]


def test_the_example_over_the_years_leads_to_a_date(rulebook: Rulebook) -> None:
    """The visits of the contract's examples, kept one by one: the filter of now, and both of them by their days."""
    decoder = rulebook.decoder()
    visits = []
    for place, path in enumerate(sorted((ROOT / EXAMPLE_SERIES).glob("*.json"))):
        visit = decoder.decode(path.read_bytes())
        assert isinstance(visit.visited_at, datetime.datetime)
        visits.append((UUID(int=place), visit.visited_at, visit))
    assert len(visits) == 7
    now = follow(visits, Asked(quantity="filter_pressure_drop"), rulebook.current)
    assert (used(now), only(now).outcome) == ([3, 4, 5, 6], "foreseen")
    both = follow(visits, Asked(quantity="filter_pressure_drop", against="days_since_filter_change"), rulebook.current)
    assert (len(used(both)), only(both).outcome) == (7, "foreseen")
    # Both filters load alike, so that all visits together tell more closely.
    assert both.line is not None
    assert now.line is not None
    assert both.line.slope.uncertainty < now.line.slope.uncertainty


# What is refused -------------------------------------------------------------------------------------------------


def test_three_visits_are_the_fewest(followed: Callable[..., FollowedTrend]) -> None:
    two = followed(loading([200, 0]), "external_static_pressure")
    assert two.line is None
    assert two.refusal is not None
    assert (two.refusal.code, two.refusal.needed, two.refusal.there) == ("too_few_visits", 3.0, 2.0)
    assert two.forecasts == ()
    three = followed(loading([200, 100, 0]), "external_static_pressure")
    assert three.refusal is None
    assert three.line is not None


@pytest.mark.parametrize(("quantity", "days"), [("external_static_pressure", 180), ("filter_pressure_drop", 14)])
def test_the_visits_must_cover_some_time(followed: Callable[..., FollowedTrend], quantity: str, days: float) -> None:
    short = followed(loading([days - 0.5, days / 2, 0]), quantity)
    assert short.refusal is not None
    assert (short.refusal.code, short.refusal.needed) == ("too_short_span", days * DAY)
    assert followed(loading([days, days / 2, 0]), quantity).refusal is None


def test_what_no_visit_has_is_said(followed: Callable[..., FollowedTrend]) -> None:
    found = followed(STEADY, "duct_leakage_total")
    assert found.refusal is not None
    assert (found.refusal.code, found.points, len(found.left_out)) == ("not_worked_out", (), 8)


# What is compared ------------------------------------------------------------------------------------------------


def speed(setting: str | None) -> Change:
    def change(request: dict[str, Any]) -> None:
        for state in request["states"]:
            state.pop("speed_setting", None)
            if setting is not None:
                state["speed_setting"] = setting

    return change


def test_other_speed_settings_are_left_out_but_for_drops_at_one_flow(followed: Callable[..., FollowedTrend]) -> None:
    changes = {1: speed("low"), 2: speed(None)}
    found = followed(STEADY, "external_static_pressure", changes)
    assert reasons(found) == {1: "other_speed_setting", 2: "speed_setting_not_stated"}
    assert used(found) == [0, 3, 4, 5, 6, 7]
    assert reasons(followed(STEADY, "filter_pressure_drop", changes)) == {}


def test_other_filters_are_left_out(followed: Callable[..., FollowedTrend]) -> None:
    def other(request: dict[str, Any]) -> None:
        request["equipment"]["filter"]["rated"]["pressure_drop"]["value"] *= 2.0

    found = followed(STEADY, "filter_pressure_drop", {0: other, 1: other})
    assert reasons(found) == {0: "other_filter", 1: "other_filter"}
    assert reasons(followed(STEADY, "external_static_pressure", {0: other})) == {}


def test_what_is_missing_is_told_apart(followed: Callable[..., FollowedTrend]) -> None:
    def heating(request: dict[str, Any]) -> None:
        for state in request["states"]:
            state["mode"] = "heating"

    def without_airflow(request: dict[str, Any]) -> None:
        request["readings"] = [reading for reading in request["readings"] if reading["kind"] != "airflow"]

    def without_pressures(request: dict[str, Any]) -> None:
        request["readings"] = [reading for reading in request["readings"] if reading["kind"] != "static_pressure"]

    changes = {0: heating, 1: without_airflow, 2: without_pressures}
    found = followed(STEADY, "filter_pressure_drop", changes)
    assert reasons(found) == {0: "no_like_state", 1: "no_airflow_in_common", 2: "not_worked_out"}
    # Where the newest visit is the one without, that of an earlier one is followed.
    newest = followed(STEADY, "filter_pressure_drop", {7: without_pressures})
    assert reasons(newest) == {7: "not_worked_out"}
    assert newest.line is not None


def test_work_that_bears_on_it_begins_the_line_anew(followed: Callable[..., FollowedTrend]) -> None:
    history = loading([300, 260, 220, 180], work={}) + loading([150, 100, 50, 0], work={0: (("filter_replaced", 155),)})
    found = followed(history, "filter_pressure_drop")
    assert reasons(found) == dict.fromkeys(range(4), "before_work")
    assert [(one.kind, one.at) for one in found.restarts] == [("filter_replaced", found.points[0].at)]
    assert all(left.value is not None for left in found.left_out)
    # Visits that state the same work again do not begin it again.
    again = loading([150, 100, 50, 0], work=dict.fromkeys(range(4), (("filter_replaced", 155),)))
    assert used(followed(again, "filter_pressure_drop")) == [0, 1, 2, 3]
    # A new filter does not bear on the coil.
    assert reasons(followed(history, "coil_pressure_drop")) == {}


def test_filters_are_followed_together_against_the_days_since_their_change(
    followed: Callable[..., FollowedTrend],
) -> None:
    history = [
        *loading([300, 260, 220, 180], work={0: (("filter_replaced", None),)}),
        *loading([150, 100, 50, 0], work={0: (("filter_replaced", 150),)}),
    ]
    undated = followed(history, "filter_pressure_drop", against="days_since_filter_change")
    assert reasons(undated) == dict.fromkeys(range(4), "filter_change_not_dated")
    dated = [Past(300, Faults(filter_loading=1.0), (("filter_replaced", 300),)), *history[1:]]
    found = followed(dated, "filter_pressure_drop", against="days_since_filter_change")
    assert reasons(found) == {}
    assert [point.used_for for point in found.points] == [
        day * DAY for day in (0.0, 40.0, 80.0, 120.0, 0.0, 50.0, 100.0, 150.0)
    ]
    assert found.line is not None
    places = [day * DAY for day in (0.0, 40.0, 80.0, 120.0, 0.0, 50.0, 100.0, 150.0)]
    values = [point.value.value for point in found.points]
    assert found.line.slope.value == pytest.approx(theilslopes(values, places).slope, rel=1e-9)


def test_state_and_part_of_the_house_are_those_asked_for(followed: Callable[..., FollowedTrend]) -> None:
    found = followed(STEADY, "external_static_pressure")
    assert found.where is not None
    assert (found.where.state.id, found.where.visits) == ("cooling", 8)
    assert [place.state.id for place in found.places] == ["cooling"]
    elsewhere = followed(STEADY, "external_static_pressure", state="heating")
    assert elsewhere.refusal is not None
    assert (elsewhere.where, elsewhere.refusal.code) == (None, "not_worked_out")
