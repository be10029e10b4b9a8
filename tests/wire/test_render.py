"""Evaluations as clients read them: numbers in the unit system asked for, words with their numbers in."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import msgspec
import pytest

from service import pipeline
from service.model.evaluation import ContextResult, Evaluation, Verdict
from service.model.quantity import Quantity
from service.model.units import UnitSystem
from service.model.visit import State
from service.ruleset.load import read_cases
from service.wire import render
from service.wire.request import EvaluationRequest
from service.wire.response import EvaluationResult
from tests.cases.judging import changed, visit

ROOT = Path(__file__).parents[2]
PREPARED = pipeline.working()
RULES, UNITS = PREPARED.ruleset, PREPARED.units
INCH = 249.08891
SYSTEMS: tuple[UnitSystem, ...] = ("ip", "si")
VISITS = [
    ROOT / "openapi" / "examples" / "visit.json",
    *sorted((ROOT / "rules" / "cases" / "visits").glob("*.json")),
    *sorted((ROOT / "rules" / "cases" / "healthy").glob("*.json")),
]
"""The example, every fault visit and every healthy one; with what cases change in them every rule fires."""


def evaluated(document: Any) -> tuple[EvaluationRequest, Evaluation]:
    request = msgspec.convert(document, EvaluationRequest, strict=False)
    return request, pipeline.evaluate(request, PREPARED)


EVALUATED = {path.stem: evaluated(json.loads(path.read_text())) for path in VISITS}
for _rule, _file in read_cases(ROOT / "rules")[0].items():
    _case = next(case for case in _file.case if case.kind == "fires")
    if _case.set or _case.remove:
        EVALUATED[f"case of {_rule}"] = evaluated(changed(visit(ROOT / "rules", _case.visit), _case))


def result(name: str, system: UnitSystem) -> EvaluationResult:
    return render.result(EVALUATED[name][1], RULES, UNITS, system)


def words_of(view: EvaluationResult) -> list[str]:
    words = [entry.detail for entry in view.not_judged]
    for finding in view.findings:
        words += [finding.title, finding.summary, finding.why_it_matters, finding.what_to_do]
        words += [entry.statement for entry in finding.evidence]
        for cause in finding.causes:
            words += [cause.title, cause.remedy, *cause.evidence_for, *cause.evidence_against]
    return words


# Words -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("name", EVALUATED)
def test_words_are_whole(name: str, system: UnitSystem) -> None:
    """Nothing left in braces, no token in place of a sentence, no number that is none, no doubled stop or space."""
    for text in words_of(result(name, system)):
        assert not re.search(r"[{}]", text), text
        assert not re.search(r"\b(nan|inf|UNSET)\b|None(?!,)", text), text
        assert "  " not in text, text
        assert ".." not in text, text
        assert " ." not in text, text
        assert not re.search(r"\b[a-z]+_[a-z_]+\.(above|below|within|undecided)\b", text), text
        assert not re.search(r"± 0(\.0+)?(?![\d.])", text), text
        assert not re.search(r"-0(\.0+)?(?![\d.])", text), text


def test_every_rule_is_put_into_words_here() -> None:
    fired = {rule for _, evaluation in EVALUATED.values() for part in evaluation.parts for rule, _ in part.firings}
    assert fired == set(RULES.diagnoses)


@pytest.mark.parametrize("name", EVALUATED)
def test_no_filled_text_calls_a_known_quantity_not_measured(name: str) -> None:
    """A summary that names a quantity is only reached where the quantity is there."""
    for finding in result(name, "ip").findings:
        assert "not measured" not in finding.summary, finding.code
        assert "its limit" not in finding.summary, finding.code


def test_units_of_one_system_only() -> None:
    for name in EVALUATED:
        for text in words_of(result(name, "si")):
            assert not re.search(r"\d (in\. w\.c\.|cfm|fpm|°F|Btu/h|W/cfm|cfm/ton|inHg)", text), text
        # House, zone and vent pressures are told in pascals in both systems, as the trade does.
        pascals = {q.name for q in result(name, "ip").quantities if q.value.unit == "Pa"}
        assert all(RULES.quantities[quantity].dimension == "zone_pressure" for quantity in pascals)
        metric = r"\d (hPa|m³/h|m/s|°C|g/kg)(?!\w)" if pascals else r"\d (Pa|hPa|m³/h|m/s|°C|g/kg)(?!\w)"
        for text in words_of(result(name, "ip")):
            # So are the pressures at which leakage is tested.
            assert not re.search(metric, re.sub(r"[Aa]t (25|50) Pa", "", text)), text


def one(quantity: Quantity, verdict: Verdict, system: UnitSystem = "ip") -> str:
    """The statement of one verdict."""
    context = ContextResult(
        state=State("s"), area=None, quantities=(quantity,), verdicts=(verdict,), observations=(), findings=(),
        causes=(), not_judged=(), next_readings=(), firings=(),
    )  # fmt: skip
    return render._Writer(context, RULES, UNITS, system).statement(verdict.token)


def pressure(word: Any, *, lower: float | None = None, upper: float | None = None, value: float = 0.62) -> str:
    quantity = Quantity("external_static_pressure", value * INCH, 0.005 * INCH, "test", ())
    verdict = Verdict(
        "external_static_pressure_maximum", "external_static_pressure", word, f"x.{word}",
        lower=None if lower is None else lower * INCH, upper=None if upper is None else upper * INCH,
    )  # fmt: skip
    return one(quantity, verdict)


@pytest.mark.parametrize(
    ("statement", "expected"),
    [
        (pressure("above", upper=0.5), "0.620 ± 0.010 in. w.c. is above the limit of 0.500 in. w.c."),
        (pressure("below", lower=0.7), "0.620 ± 0.010 in. w.c. is below the limit of 0.700 in. w.c."),
        (pressure("within", upper=0.7), "0.620 ± 0.010 in. w.c. is not above the limit of 0.700 in. w.c."),
        (pressure("within", lower=0.5), "0.620 ± 0.010 in. w.c. is not below the limit of 0.500 in. w.c."),
        (
            pressure("within", lower=0.5, upper=0.7),
            "0.620 ± 0.010 in. w.c. is within the limits of 0.500 to 0.700 in. w.c.",
        ),
        (
            pressure("undecided", upper=0.62),
            "0.620 ± 0.010 in. w.c. is too close to the limit to decide (0.620 in. w.c.).",
        ),
        (
            pressure("undecided", lower=0.5, upper=0.62),
            "0.620 ± 0.010 in. w.c. is too close to the limit to decide (0.500 to 0.620 in. w.c.).",
        ),
        (pressure("implausible", value=9.0), "9.000 ± 0.010 in. w.c. is outside what can be true of a house."),
    ],
)
def test_a_verdict_in_words(statement: str, expected: str) -> None:
    assert statement == f"External static pressure {expected}"


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        (174.0, 16.05, "174 ± 32%"),
        (264.0, None, "264%"),
        (58.6, 0.05, "58.6 ± 0.1%"),
        (66.0, 0.0, "66%"),
    ],
)
def test_percentages_carry_no_more_digits_than_they_are_worth(
    value: float, uncertainty: float | None, expected: str
) -> None:
    share = None if uncertainty is None else uncertainty / 100.0
    assert UNITS.words("ratio", value / 100.0, "ip", share) == expected


@pytest.mark.parametrize(
    ("dimension", "value", "uncertainty", "expected"),
    [
        ("count", 0.0004, 0.0, "less than 0.01"),
        ("count", 0.0, None, "0.00"),
        ("gauge_pressure", 2.0e7, 1.0e5, "80293 ± 803 in. w.c."),
        ("temperature", 294.15, 0.25, "69.8 ± 0.9 °F"),
        ("gauge_pressure", -1e-9, None, "0.000 in. w.c."),
    ],
)
def test_numbers_in_words(dimension: str, value: float, uncertainty: float | None, expected: str) -> None:
    assert UNITS.words(dimension, value, "ip", uncertainty) == expected


def test_a_range_says_its_unit_once() -> None:
    assert UNITS.range_words("ratio", 0.9, 1.1, "ip") == ("90", "110%")
    assert UNITS.range_words("gauge_pressure", 100.0, 200.0, "si") == ("100.0", "200.0 Pa")


# Numbers ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["visit", "furnace_sea_level", "ducted_metric_sea_level"])
def test_both_systems_tell_the_same_numbers(name: str) -> None:
    ip, si = result(name, "ip"), result(name, "si")
    assert len(ip.quantities) == len(si.quantities) > 10
    for mine, theirs in zip(ip.quantities, si.quantities, strict=True):
        dimension = RULES.quantities[mine.name].dimension
        values = [UNITS.to_si(dimension, view.value.value, view.value.unit) for view in (mine, theirs)]
        assert values[0] == pytest.approx(values[1], rel=1e-5, abs=1e-4)
        spreads = [
            view.expanded_uncertainty.value
            * UNITS.scales[difference_dimension(dimension)][view.expanded_uncertainty.unit].factor
            for view in (mine, theirs)
        ]
        assert spreads[0] == pytest.approx(spreads[1], rel=1e-5, abs=1e-9)
    assert [finding.code for finding in ip.findings] == [finding.code for finding in si.findings]


def difference_dimension(dimension: str) -> str:
    return "temperature_difference" if dimension == "temperature" else dimension


def test_expanded_uncertainty_is_twice_the_standard_one_in_the_trace() -> None:
    request, evaluation = EVALUATED["visit"]
    shown = render.result(evaluation, RULES, UNITS, "si").quantities
    traced = render.trace(evaluation, RULES, UNITS, request, "si").quantities
    for view, trace in zip(shown, traced, strict=True):
        assert view.coverage_factor == 2.0
        assert view.expanded_uncertainty.value == pytest.approx(2.0 * trace.standard_uncertainty.value, rel=1e-5)
        squares = sum(term.contribution.value**2 for term in trace.error_terms)
        assert squares**0.5 == pytest.approx(trace.standard_uncertainty.value, rel=1e-4, abs=1e-9)


def test_a_trace_names_only_inputs_that_exist() -> None:
    for request, evaluation in EVALUATED.values():
        trace = render.trace(evaluation, RULES, UNITS, request, "ip")
        known = {view.name for view in trace.quantities} | {f"reading.{i}" for i in range(len(request.readings))}
        parts = {
            "weather": request.weather,
            "cooling_performance": request.equipment.cooling_performance,
            "duct_runs": request.equipment.duct_runs or msgspec.UNSET,
            "equipment": request.equipment,
            "work_done": next((v.work_done for v in (request, *request.earlier_visits) if v.work_done), msgspec.UNSET),
        }
        told = {name for name, part in parts.items() if part is not msgspec.UNSET}
        told |= {f"limit.{name}" for name in RULES.criteria}
        for earlier in request.earlier_visits:
            assert earlier.visited_at is not msgspec.UNSET
            told |= {"earlier.equipment", f"visit.{earlier.visited_at.date().isoformat()}"}
            told |= {f"earlier.{name}" for name in known}
        told |= {f"duct_run.{run.name}" for run in request.equipment.duct_runs}
        for view in trace.quantities:
            for name in view.inputs:
                assert (
                    name in known
                    or name in told
                    or ("weather" in told and name.startswith("weather."))
                    or name.split(".")[0] in ("rating", "assumption", "site", "instrument", "blower_table")
                ), (view.name, name)


def test_probabilities_are_never_nought_or_one() -> None:
    for name in EVALUATED:
        for verdict in result(name, "ip").verdicts:
            for probability in (verdict.probability_above, verdict.probability_below):
                assert probability is msgspec.UNSET or 0.0 < probability < 1.0


def test_findings_of_all_states_come_most_serious_first_with_their_state() -> None:
    view = result("visit", "ip")
    order = ["hazard", "fault", "advisory", "note"]
    places = [order.index(finding.severity) for finding in view.findings]
    assert places == sorted(places)
    assert view.highest_severity == view.findings[0].severity
    states = {finding.context.state for finding in view.findings if not finding.context.whole_house}
    assert states == {"heating", "cooling", "fan"}
    assert any(finding.context.whole_house for finding in view.findings)


def test_what_is_absent_is_left_out() -> None:
    text = msgspec.json.encode(result("visit", "ip")).decode()
    assert "null" not in text
    assert "disclaimer" in text
