"""This visit against earlier ones: simulated truth, sampling of the error sources, and honest refusal."""

from __future__ import annotations

import copy
import datetime
import re
from dataclasses import replace
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.stats import theilslopes

from service import derive, normalise, pipeline
from service.derive import history
from service.derive.history import Point, carried_over, differing_facts, trend_of
from service.model.quantity import Measured
from service.model.visit import InstrumentUse, Visit, Work
from service.wire import render
from service.wire.request import EarlierVisit, EvaluationRequest
from tests.derive.sheets import PREPARED, fine
from tests.pipeline.requests import any_request
from tests.visits.history_faults import NOW, VISITS
from tests.visits.house import Faults, House, Operation, Solution, solve
from tests.visits.library import HOUSES, cooling, heating
from tests.visits.writing import Run, write_visit

RULES = PREPARED.ruleset
FURNACE = (
    "static:return_plenum", "static:filter_outlet", "static:heat_exchanger_outlet", "static:supply_plenum",
    "airflow:filter_inlet", "power:blower", "dry_bulb:return_plenum", "humidity:return_plenum",
    "dry_bulb:supply_plenum", "barometer",
)  # fmt: skip
FAULTS = Faults(filter_loading=1.05)


MOMENT = datetime.datetime(2026, 6, 1, 12, tzinfo=datetime.UTC)
REQUESTS = any_request(RULES)


def decoded(payload: dict[str, Any]) -> EvaluationRequest:
    return msgspec.convert(payload, EvaluationRequest, strict=False)


def normal(payload: dict[str, Any]) -> Visit:
    return normalise.normalise(decoded(payload), RULES, PREPARED.units)


def worked(visit: Visit) -> derive.Worksheet:
    """The only context of a visit, set against its earlier ones."""
    together = derive.work_out(visit, RULES)
    (sheet,) = together.contexts
    derive.derive_history(together, derive.work_out_earlier(visit, RULES), lambda _, criterion: LIMITS.get(criterion))
    return sheet


LIMITS = {"filter_pressure_drop_against_rating": 2.0, "external_static_pressure_maximum": 124.544455}
"""Twice the clean drop; 0.50 in. of water in Pa."""


def written(house: House, operation: Operation, faults: Faults, days: float, units: Any = "si") -> dict[str, Any]:
    """A visit read with exact instruments; the blower table is left out."""
    run = Run("state", solve(house, operation, faults), FURNACE)
    at = (NOW - datetime.timedelta(days=days)).isoformat()
    request = write_visit([run], units=units, instruments=fine(units), visited_at=at)
    del request["equipment"]["blower"]["settings"], request["equipment"]["blower"]["table_air_density"]
    return request


def series(
    house: House, operation: Operation, past: list[tuple[float, Faults]], now: Faults, units: Any = "si"
) -> tuple[dict[str, Any], list[Solution]]:
    """The visit being judged with its earlier ones, and the truth at each visit, oldest first."""
    request = written(house, operation, now, 0.0, units)
    request["earlier_visits"] = [written(house, operation, faults, days, units) for days, faults in past]
    return request, [solve(house, operation, faults) for faults in (*(faults for _, faults in past), now)]


def quantity(sheet: derive.Worksheet, name: str) -> Measured:
    assert name in sheet.quantities, f"{name} lacks {sheet.lacking.get(name)}"
    return sheet.quantities[name].measured


# Against the truth -----------------------------------------------------------------------------------------------

CHANGES = [
    ("furnace_1600_m", cooling("high"), Faults(filter_loading=5.0), FAULTS),
    ("furnace_sea_level", heating("high"), Faults(coil_fouling=3.0), Faults(coil_fouling=1.2, filter_loading=1.5)),
    ("furnace_2200_m", cooling("medium"), FAULTS, Faults(return_undersized=4.0, supply_restricted=2.0)),
    ("furnace_held_flow_1600_m", cooling("high"), FAULTS, Faults(filter_loading=3.0)),
]
IDS = [f"{name}-{operation.mode}" for name, operation, _, _ in CHANGES]


@pytest.mark.parametrize(("name", "operation", "before", "after"), CHANGES, ids=IDS)
def test_exact_instruments_find_what_changed(name: str, operation: Operation, before: Faults, after: Faults) -> None:
    request, (then, now) = series(HOUSES[name], operation, [(30.0, before)], after)
    sheet = worked(normal(request))
    expected = {
        "airflow_to_earlier": now.flow_at("filter_inlet") / then.flow_at("filter_inlet"),
        "external_static_pressure_to_earlier": now.external_static_pressure / then.external_static_pressure,
        "filter_resistance_to_earlier": after.filter_loading / before.filter_loading,
        "coil_resistance_to_earlier": after.coil_fouling / before.coil_fouling,
        "return_resistance_to_earlier": after.return_undersized / before.return_undersized,
        "supply_resistance_to_earlier": None,
    }
    for part, value in expected.items():
        if value is not None:
            # The air in a part is taken at one of its ends here, at its mean in the house; grille and duct as one.
            assert quantity(sheet, part).value == pytest.approx(value, rel=0.02), part
    if abs(expected["airflow_to_earlier"] - 1.0) < 0.1:
        assert quantity(sheet, "blower_power_to_earlier").value == pytest.approx(
            now.blower_power / then.blower_power, rel=0.005
        )
    else:
        assert "blower_power_to_earlier" in sheet.lacking
    if operation.mode == "heating":
        assert quantity(sheet, "heat_to_earlier").value == pytest.approx(1.0, rel=0.02)


def test_supply_side_is_compared_as_a_whole() -> None:
    request, _ = series(HOUSES["furnace_sea_level"], cooling("high"), [(30.0, FAULTS)], Faults(
        filter_loading=1.05, supply_restricted=3.0, registers_closed=3.0
    ))  # fmt: skip
    assert quantity(worked(normal(request)), "supply_resistance_to_earlier").value == pytest.approx(3.0, rel=0.02)


def test_another_day_of_other_weather_is_no_change() -> None:
    """Thin and thick air of two days: pressure and power follow density; at equal density nothing changed."""
    house = HOUSES["furnace_sea_level"]
    request = written(house, cooling("high", 74.0, 0.45), FAULTS, 0.0)
    earlier = written(replace(house, barometer=98000.0), cooling("high", 80.0, 0.55), FAULTS, 300.0)
    request["earlier_visits"] = [earlier]
    sheet = worked(normal(request))
    for name in ("airflow", "external_static_pressure", "blower_power"):
        assert quantity(sheet, f"{name}_to_earlier").value == pytest.approx(1.0, abs=0.012), name
    for part in ("filter", "coil", "return", "supply"):
        assert quantity(sheet, f"{part}_resistance_to_earlier").value == pytest.approx(1.0, abs=0.012), part


LOADINGS = [(30.0, Faults(filter_loading=1.0)), (20.0, Faults(filter_loading=1.3)), (10.0, Faults(filter_loading=1.6))]


def test_a_filter_that_loads_evenly_is_told_when_it_reaches_its_limit() -> None:
    """From 1.0 to 1.9 times clean in 30 days, 0.03 a day: 2.0 is reached after 3.3 days, 33.3 after the change."""
    request, _ = series(HOUSES["furnace_1600_m"], cooling("high"), LOADINGS, Faults(filter_loading=1.9))
    request["earlier_visits"][0]["work_done"] = [{"kind": "filter_replaced", "done_on": "2026-06-14"}]
    sheet = worked(normal(request))
    growth = quantity(sheet, "filter_resistance_growth").value * 86400.0
    assert growth == pytest.approx(0.03 / 1.9, rel=0.01)
    rated = quantity(sheet, "filter_pressure_drop_to_rated").value
    assert quantity(sheet, "filter_time_to_limit").value / 86400.0 == pytest.approx((2.0 - rated) / 0.03, abs=0.2)
    assert quantity(sheet, "filter_life").value / 86400.0 == pytest.approx(33.3, abs=1.5)


def test_units_do_not_change_what_is_found() -> None:
    found = []
    past = [(days, Faults(filter_loading=1.0 + 0.01 * (30.0 - days))) for days in (30.0, 20.0, 10.0)]
    for units in ("si", "ip"):
        request, _ = series(HOUSES["furnace_1600_m"], cooling("high"), past, Faults(filter_loading=1.3), units)
        sheet = worked(normal(request))
        found.append({name: q.value for name, q in sheet.quantities.items() if name in RULES_OF_HISTORY})
    assert found[0].keys() == found[1].keys()
    assert len(found[0]) >= 9
    for name, value in found[0].items():
        # Ratings and elevation are rounded in their own units.
        assert found[1][name] == pytest.approx(value, rel=0.03, abs=3e-10), name


RULES_OF_HISTORY = {
    name for name in RULES.quantities if name.endswith(("_to_earlier", "_since_earlier", "_growth", "_to_limit"))
}


# Uncertainty -----------------------------------------------------------------------------------------------------

DRAWS = 1000
"""The standard deviation of 1000 draws is known to 2.2 %, so that 8 % are more than three standard deviations of it."""


class Draw(dict[str, float]):
    """One draw of every error source, by name."""

    def __init__(self, chance: np.random.Generator) -> None:
        super().__init__()
        self.chance = chance

    def __missing__(self, source: str) -> float:
        self[source] = float(self.chance.standard_normal())
        return self[source]


def moved(visit: Visit, draw: Draw, name: str) -> Visit:
    """The visit with its readings moved by a draw; what lasts between visits is drawn once for all of them."""
    readings = []
    for reading in visit.readings:
        terms = carried_over(reading.measured, visit, name, RULES).terms
        value = reading.measured.value + sum(term * draw[source] for source, term in terms.items())
        readings.append(msgspec.structs.replace(reading, measured=Measured(value)))
    return msgspec.structs.replace(visit, readings=tuple(readings))


@pytest.mark.parametrize("calibrated", [False, True])
def test_comparisons_and_trends_scatter_as_propagated(calibrated: bool) -> None:
    """Readings of all visits and the exponents drawn by their sources (JCGM 101), worked out again without doubt."""
    past = [(900.0, FAULTS), (600.0, Faults(coil_fouling=1.3, filter_loading=1.2))]
    request, _ = series(HOUSES["furnace_1600_m"], cooling("high"), past, Faults(coil_fouling=1.6, filter_loading=1.35))
    if calibrated:
        for one in (request, *request["earlier_visits"]):
            for instrument in one["instruments"]:
                instrument["calibrated_on"] = "2026-01-15"
    plain = normal(request)
    nominal = worked(plain)
    if calibrated:
        # The dates are kept out of the sampled visits: with them the accuracy is the same, only the names differ.
        assert any(
            source.endswith("calibration.2026-01-15") for source in nominal.quantities["airflow_to_earlier"].terms
        )
    chance = np.random.default_rng(20260714)
    sampled: dict[str, list[float]] = {}
    for _ in range(DRAWS):
        draw = Draw(chance)
        elements = {
            kind: msgspec.structs.replace(
                entry,
                exponent=min(max(entry.exponent + entry.exponent_uncertainty * draw[f"exponent.{kind}"], 1.0), 2.0),
                exponent_uncertainty=0.0,
            )
            for kind, entry in RULES.elements.items()
        }
        rules = msgspec.structs.replace(RULES, elements=elements)
        visit = msgspec.structs.replace(
            moved(plain, draw, ""),
            earlier=tuple(
                moved(earlier, draw, f"visit.{earlier.visited_at.isoformat()}")
                for earlier in plain.earlier
                if earlier.visited_at is not None
            ),
        )
        together = derive.work_out(visit, rules)
        (sheet,) = together.contexts
        derive.derive_history(together, derive.work_out_earlier(visit, rules), lambda *_: None)
        for name in RULES_OF_HISTORY & sheet.quantities.keys():
            sampled.setdefault(name, []).append(sheet.quantities[name].value)
    compared = 0
    for name, values in sampled.items():
        if name == "blower_power_to_earlier":
            continue  # only where the airflows of the draw are about equal
        assert len(values) == DRAWS, name
        spread = float(np.std(values, ddof=1))
        # What is drawn: not how far the true change departs from a line, nor what the steps assume of mixed air.
        terms = nominal.quantities[name].terms.items()
        drawn = [term for source, term in terms if re.search(r"(reading|instrument|exponent)\.", source)]
        propagated = float(np.hypot.reduce(drawn))
        assert propagated == pytest.approx(spread, rel=0.08, abs=1e-15), name
        compared += 1
    assert compared >= 9


@pytest.mark.parametrize("count", [3, 4, 6])
def test_a_slope_scatters_as_its_visits_do(count: int) -> None:
    """Independent errors, a shared one, and time steps as they come."""
    chance = np.random.default_rng(count)
    start = datetime.datetime(2024, 1, 1, tzinfo=datetime.UTC)
    days = np.cumsum(chance.uniform(60.0, 200.0, count))
    true = 20.0 + 0.01 * days

    def points(values: Any) -> list[Point]:
        return [
            Point(start + datetime.timedelta(days=float(day)), Measured(float(value), {f"visit.{i}": 0.1, "same": 0.4}))
            for i, (day, value) in enumerate(zip(days, values, strict=True))
        ]

    found = trend_of(points(true))
    assert found.visits == count
    assert found.slope.value * 86400.0 == pytest.approx(0.01)
    slopes = [
        trend_of(points(true + 0.4 * chance.standard_normal() + 0.1 * chance.standard_normal(count))).slope.value
        for _ in range(3000)
    ]
    # The efficiency is that of many visits at equal steps; for few at odd ones a tenth is its due.
    assert found.slope.uncertainty == pytest.approx(float(np.std(slopes)), rel=0.1)


def test_scatter_beyond_the_uncertainty_widens_the_slope() -> None:
    start = datetime.datetime(2024, 1, 1, tzinfo=datetime.UTC)
    values = [20.0, 26.0, 19.0, 27.0, 22.0, 30.0]
    points = [
        Point(start + datetime.timedelta(days=100.0 * i), Measured(value, {f"visit.{i}": 0.01}))
        for i, value in enumerate(values)
    ]
    slope = trend_of(points, "drop").slope
    assert slope.terms["scatter.drop"] > 10.0 * trend_of(points[:2]).slope.terms["visit.0"] / 5.0
    theirs = theilslopes(values, [8640000.0 * i for i in range(6)], 0.95)
    assert slope.uncertainty == pytest.approx((theirs.high_slope - theirs.low_slope) / (2.0 * 1.96), rel=1e-6)


def test_only_what_lasts_is_shared_between_visits() -> None:
    day = datetime.date(2026, 1, 15)
    visit = normal(written(HOUSES["furnace_1600_m"], cooling("high"), FAULTS, 0.0))
    dated = msgspec.structs.replace(visit, instruments=(InstrumentUse("gauge-1", True, calibrated_on=day),))
    entry = Measured(
        100.0,
        {
            "instrument.gauge-1.scale": 2.0,
            "instrument.gauge-1.zero": 1.0,
            "reading.0.resolution": 0.1,
            "exponent.coil": 3.0,
        },
    )
    other = carried_over(entry, dated, "earlier", RULES)
    mine = carried_over(entry, dated, "", RULES)
    assert other.uncertainty == pytest.approx(entry.uncertainty)
    assert mine.uncertainty == pytest.approx(entry.uncertainty)
    # Half of the variance of the scale error lasts (2.0**2 / 2), and all of the exponent's.
    assert mine.covariance(other) == pytest.approx(2.0 + 9.0)
    undated = carried_over(entry, visit, "earlier", RULES)
    assert mine.covariance(undated) == pytest.approx(9.0)
    recalibrated = msgspec.structs.replace(
        visit, instruments=(InstrumentUse("gauge-1", True, calibrated_on=datetime.date(2025, 1, 15)),)
    )
    assert mine.covariance(carried_over(entry, recalibrated, "earlier", RULES)) == pytest.approx(9.0)


# Like with like --------------------------------------------------------------------------------------------------


def four() -> dict[str, Any]:
    """Four visits to one filter."""
    return copy.deepcopy(next(v for v in VISITS if v.id == "filter_loads_fast_1600_m").request())


def test_the_newest_visit_that_ran_alike_is_compared_with() -> None:
    payload = four()
    payload["earlier_visits"][2]["states"][0]["mode"] = "heating"
    sheet = worked(normal(payload))
    assert "2026-07-05" in sheet.quantities["filter_resistance_to_earlier"].method
    for earlier in payload["earlier_visits"]:
        earlier["states"][0]["mode"] = "heating"
    sheet = worked(normal(payload))
    assert "history.no_like_state" in sheet.observations
    assert not RULES_OF_HISTORY & sheet.quantities.keys()
    assert {"airflow_to_earlier", "filter_resistance_to_earlier", "filter_time_to_limit"} <= sheet.lacking.keys()


@pytest.mark.parametrize("field", ["zones_calling", "interior_doors", "exhaust_fans"])
def test_states_that_differ_are_not_compared(field: str) -> None:
    payload = four()
    payload["states"][0][field] = {"zones_calling": ["north"], "interior_doors": "closed", "exhaust_fans": "on"}[field]
    assert "history.no_like_state" in worked(normal(payload)).observations


def test_other_settings_leave_the_resistances_but_not_the_airflow() -> None:
    payload = four()
    payload["earlier_visits"][2]["states"][0]["speed_setting"] = "medium"
    sheet = worked(normal(payload))
    assert "filter_resistance_to_earlier" in sheet.quantities
    assert {"airflow_to_earlier", "external_static_pressure_to_earlier"} <= sheet.lacking.keys()


def test_a_dry_coil_is_not_compared_with_a_wet_one() -> None:
    payload = four()
    payload["earlier_visits"][2]["states"][0]["coil_surface"] = "dry"
    sheet = worked(normal(payload))
    assert sheet.lacking["coil_resistance_to_earlier"] == ("both visits with a wet coil, or both with a dry one",)


def test_trends_begin_anew_with_work_that_bears_on_them() -> None:
    payload = four()
    payload["work_done"] = [{"kind": "filter_replaced"}]
    sheet = worked(normal(payload))
    assert "filter_resistance_growth" in sheet.lacking
    payload["work_done"] = [{"kind": "gas_input_adjusted"}]
    assert "filter_resistance_growth" in worked(normal(payload)).quantities


def test_too_few_visits_and_too_short_a_time_are_refused_with_what_it_takes() -> None:
    payload = four()
    (words,) = worked(normal(payload)).lacking["coil_resistance_growth"]
    assert words == "visits over at least 180 days; these cover 14"
    del payload["earlier_visits"][:2]
    (words,) = worked(normal(payload)).lacking["filter_resistance_growth"]
    assert words.startswith("3 visits")


def test_a_growth_within_its_doubt_is_not_projected() -> None:
    request, _ = series(HOUSES["furnace_1600_m"], cooling("high"), [(d, f) for d, f in LOADINGS], LOADINGS[0][1])
    for earlier in request["earlier_visits"]:
        earlier["readings"] = copy.deepcopy(request["readings"])
    sheet = worked(normal(request))
    assert sheet.lacking["filter_time_to_limit"][0].startswith("a rise that stands out")


@pytest.mark.parametrize(
    ("days", "stated_with", "since"),
    [
        (None, 3, {3}),
        (None, 1, {1, 2, 3}),
        (14, 0, {0, 1, 2, 3}),
        (14, 1, {1, 2, 3}),
        (7, 3, {2, 3}),
        (400, 3, {0, 1, 2, 3}),
    ],
)
def test_work_lies_between_the_visits_that_its_day_lies_between(
    days: int | None, stated_with: int, since: set[int]
) -> None:
    """Visits 14, 9, 5 and 0 days ago. Work of an earlier visit's day came after its readings unless it states it."""
    visit = normal(four())
    on = None if days is None else (NOW - datetime.timedelta(days=days)).date()
    visits = [
        msgspec.structs.replace(one, work=(Work("coil_cleaned", on),) if index == stated_with else ())
        for index, one in enumerate((*visit.earlier, visit))
    ]
    visit = msgspec.structs.replace(visits[-1], earlier=tuple(visits[:-1]))
    seen = derive.work_out_earlier(visit, RULES)
    # Seen from a visit that came after the work, no work was done since.
    after = {index for index, entry in enumerate(seen) if not history.work_since(visit, seen, entry)} | {3}
    assert after == since


def test_facts_that_stated_work_changes_do_not_differ() -> None:
    payload = copy.deepcopy(next(v for v in VISITS if v.id == "facts_differ_sea_level").request())
    visit = normal(payload)
    assert set(differing_facts(visit.earlier[0], visit)) == {"filter rating", "nominal cooling capacity"}
    done = frozenset({"filter_replaced"})
    assert differing_facts(visit.earlier[0], visit, done) == ("nominal cooling capacity",)


# What it costs and what it never does ----------------------------------------------------------------------------


def test_a_visit_alone_is_not_touched(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> None:
        raise AssertionError("history was looked at")

    monkeypatch.setattr(derive, "derive_history", never)
    monkeypatch.setattr(derive, "work_out_earlier", never)
    payload = four()
    del payload["earlier_visits"]
    payload["work_done"] = [{"kind": "filter_replaced"}]
    (context,) = pipeline.evaluate(decoded(payload), PREPARED).contexts
    assert not any(token.startswith(("work.", "history.")) for token in context.observations)
    assert not any("earlier" in entry.quantity or "growth" in entry.quantity for entry in context.not_judged)


def test_limits_of_the_client_hold_for_forecasts() -> None:
    payload = copy.deepcopy(next(v for v in VISITS if v.id == "filter_near_its_limit_sea_level").request())

    def days() -> float:
        (context,) = pipeline.evaluate(decoded(payload), PREPARED).contexts
        return next(q.value for q in context.quantities if q.name == "filter_time_to_limit") / 86400.0

    usual = days()
    payload["limit_overrides"] = [
        {"criterion": "filter_pressure_drop_against_rating", "upper": 3.0, "unit": "1", "reason": "deep media"}
    ]
    (context,) = pipeline.evaluate(decoded(payload), PREPARED).contexts
    found = {q.name: q.value for q in context.quantities}
    # One more clean drop at today's growth, which is a share of today's multiple of it.
    more = 1.0 / (found["filter_pressure_drop_to_rated"] * found["filter_resistance_growth"]) / 86400.0
    assert days() - usual == pytest.approx(more, rel=1e-6)


@settings(deadline=None, max_examples=25, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_any_history_is_answered(data: st.DataObject) -> None:
    """Odd visits in one house and state, dated in order; that alone is what chance would hardly bring."""
    now, *others = (data.draw(REQUESTS) for _ in range(3))
    earlier = []
    for year, one in enumerate(others):
        fields = {name: getattr(one, name) for name in EarlierVisit.__struct_fields__}
        alike = {"states": now.states, "equipment": now.equipment, "visited_at": MOMENT.replace(year=2020 + year)}
        earlier.append(EarlierVisit(**{**fields, **alike}))
    request = msgspec.structs.replace(now, visited_at=MOMENT, earlier_visits=earlier)
    evaluation = pipeline.evaluate(request, PREPARED)
    for system in ("ip", "si"):
        result = render.result(evaluation, RULES, PREPARED.units, system)  # type: ignore[arg-type]
        msgspec.json.encode(result)
        for q in result.quantities:
            assert np.isfinite(q.value.value)
            assert np.isfinite(q.expanded_uncertainty.value)


def test_copied_visits_never_raise_whatever_is_left_of_them() -> None:
    payload = four()
    for index in range(len(payload["readings"])):
        spoiled = copy.deepcopy(payload)
        for one in (spoiled, *spoiled["earlier_visits"]):
            del one["readings"][index]
        pipeline.evaluate(decoded(spoiled), PREPARED)
        zero = copy.deepcopy(payload)
        for one in zero["earlier_visits"]:
            one["readings"][index]["value"]["value"] = 0.0
        pipeline.evaluate(decoded(zero), PREPARED)
