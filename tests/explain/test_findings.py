"""Findings out of conclusions: ranking of causes, certainty, next readings, cautions, sources, what was not judged."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import Any

import msgspec
import pytest

from service import pipeline
from service.explain.findings import MOST_NEXT_READINGS, Explained, Explainer, Material
from service.model.evaluation import SEVERITIES, Evaluation, Verdict
from service.model.reasoning import Firing
from service.model.ruleset import Cause, Criterion, Diagnosis, Limit, Procedure, Release, Ruleset
from service.wire.request import EvaluationRequest
from tests.visits import mistakes
from tests.visits.healthy import EXAMPLE_VISIT, VISITS
from tests.visits.house import Faults, solve
from tests.visits.library import HOUSES, cooling, heating
from tests.visits.writing import Run, write_visit

PREPARED = pipeline.working()
RULES = PREPARED.ruleset

# A small ruleset of its own ---------------------------------------------------------------------------------------

LIMIT = Limit(unit="Pa", upper=1.0, source="here", locator="", checked="practice")


def criterion(id: str, quantity: str, report: bool = True) -> Criterion:
    return Criterion(
        id=id, title=id, quantity=quantity, decision_rule="guarded", confidence=0.9, limit=[LIMIT], report=report
    )


COMPARED = {name: criterion(name, f"{name}_quantity") for name in "abcdfghn"}


def diagnosis(id: str, when: list[str], **more: Any) -> Diagnosis:
    return Diagnosis(id=id, title=id, status="stable", since="0.1.0", when=when, **more)


def cause(expects: list[str], **more: Any) -> Cause:
    return Cause(title="A cause", remedy="A remedy.", expects=expects, **more)


def procedure(id: str, gives: list[str], station: str | None = None, kind: str = "static_pressure") -> Procedure:
    return Procedure(
        id=id,
        title=id,
        purpose="",
        reading_kind=kind,
        station=station,
        gives=gives,
        steps=[],
        settled_when="",
        cautions=[],
        sources=[],
    )


def small(
    diagnoses: Sequence[Diagnosis],
    causes: dict[str, Cause] | None = None,
    criteria: Sequence[Criterion] = (),
    procedures: Sequence[Procedure] = (),
) -> Ruleset:
    release = Release(version="0.0.1", released=datetime.date(2026, 1, 1), title="", summary="", fan_out_limit=60)
    return Ruleset(
        release=release, digest="", dimensions={}, quantities={}, stations={}, places={}, elements={}, arrangements={},
        observations={}, assumptions={}, instruments={}, sources={},
        criteria={**COMPARED, **{entry.id: entry for entry in criteria}},
        diagnoses={entry.id: entry for entry in diagnoses}, causes=causes or {}, cautions={},
        procedures={entry.id: entry for entry in procedures}, evidence=RULES.evidence,
    )  # fmt: skip


def explained(
    rules: Ruleset,
    verdicts: Sequence[Verdict] = (),
    observations: Sequence[str] = (),
    fired: Sequence[str] = (),
    **more: Any,
) -> Explained:
    material = Material(
        verdicts=verdicts,
        observations=set(observations),
        firings=[Firing(rule, rules.diagnoses[rule].conclusion) for rule in fired],
        lacking=more.pop("lacking", {}),
        limitless=more.pop("limitless", ()),
        **more,
    )
    return Explainer(rules).explain(material)


def verdict(criterion: str, word: Any, above: float | None = None) -> Verdict:
    return Verdict(
        criterion, f"{criterion}_quantity", word, f"{criterion}.{word}", probability_above=above, source="here"
    )


# Causes ----------------------------------------------------------------------------------------------------------


def test_a_cause_that_is_ruled_out_or_lacks_what_it_needs_is_not_named() -> None:
    causes = {
        "out": cause(["a.above"], excluded_by=["seen.it"]),
        "belt": cause(["a.above"], needs=["belt.there"]),
        "left": cause(["a.above"]),
    }
    rules = small([diagnosis("d", ["a.above"], severity="fault", causes=list(causes))], causes)
    (finding,) = explained(rules, [verdict("a", "above")], ["seen.it"], ["d"]).findings
    assert [c.cause for c in finding.causes] == ["left"]
    (finding,) = explained(rules, [verdict("a", "above")], ["belt.there"], ["d"]).findings
    assert {c.cause for c in finding.causes} == {"out", "belt", "left"}


def test_what_a_cause_still_waits_for() -> None:
    """Undecided or not measured is open; a verdict the other way is an answer."""
    causes = {"x": cause(["a.above", "b.above", "c.above", "d.above"])}
    criteria = [criterion(name, f"{name}_quantity") for name in "abcd"]
    rules = small([diagnosis("dd", ["a.above"], severity="fault", causes=["x"])], causes, criteria)
    verdicts = [verdict("a", "above"), verdict("b", "undecided"), verdict("c", "not_measured"), verdict("d", "within")]
    (finding,) = explained(rules, verdicts, fired=["dd"]).findings
    assert finding.causes[0].not_yet_known == ("b.above", "c.above")


# Findings --------------------------------------------------------------------------------------------------------


def test_most_serious_first_then_the_surest() -> None:
    rules = small([diagnosis(name, [f"{name}.above"], severity=severity) for name, severity in
                   (("n", "note"), ("h", "hazard"), ("f", "fault"), ("g", "fault"), ("a", "advisory"))])  # fmt: skip
    verdicts = [
        verdict(name, "above", p) for name, p in (("n", 0.99), ("h", 0.91), ("f", 0.92), ("g", 0.97), ("a", 0.9))
    ]
    findings = explained(rules, verdicts, fired=["a", "f", "g", "h", "n"]).findings
    assert [finding.code for finding in findings] == ["h", "g", "f", "a", "n"]


def test_a_finding_is_as_sure_as_its_weakest_comparison() -> None:
    rules = small(
        [diagnosis("base", ["a.above"]), diagnosis("top", ["conclusion:base", "b.above", "seen"], severity="fault")]
    )
    verdicts = [verdict("a", "above", 0.93), verdict("b", "above", 0.99)]
    (finding,) = explained(rules, verdicts, ["seen"], ["base", "top"]).findings
    assert finding.certainty == pytest.approx(0.93)
    assert set(finding.evidence) == {"a.above", "b.above", "seen", "conclusion:base"}
    assert finding.evidence[:2] == ("b.above", "a.above") or finding.evidence[:2] == ("a.above", "b.above")


def test_a_finding_without_comparisons_states_no_certainty() -> None:
    rules = small([diagnosis("d", ["seen"], severity="note")])
    (finding,) = explained(rules, observations=["seen"], fired=["d"]).findings
    assert finding.certainty is None


def test_two_rules_with_one_conclusion_make_one_finding_of_the_higher_severity() -> None:
    rules = small(
        [
            diagnosis("mild", ["a.above"], concludes="same", severity="note", sources=["s1"]),
            diagnosis("grave", ["b.above"], concludes="same", severity="fault", sources=["s2"]),
        ]
    )
    (finding,) = explained(rules, [verdict("a", "above"), verdict("b", "above")], fired=["mild", "grave"]).findings
    assert (finding.code, finding.severity, finding.title) == ("same", "fault", "grave")
    assert finding.rules == ("grave", "mild")
    assert {"s1", "s2", "here"} == set(finding.sources)


def test_an_intermediate_conclusion_is_no_finding() -> None:
    rules = small([diagnosis("base", ["a.above"])])
    assert explained(rules, [verdict("a", "above")], fired=["base"]).findings == ()


# Not judged, and what to read next -------------------------------------------------------------------------------


def test_everything_that_could_not_be_judged_is_listed_with_its_reason() -> None:
    rules = small([], criteria=[criterion(name, f"{name}_quantity") for name in "abcd"])
    listed = explained(
        rules,
        [verdict("a", "not_measured"), verdict("b", "undecided"), verdict("c", "implausible")],
        lacking={"a_quantity": ("a reading", "a rating")},
        limitless=[("d", ("maximum_external_static_pressure",))],
    ).not_judged
    assert [(entry.criterion, entry.reason) for entry in listed] == [
        ("a", "not_measured"), ("b", "undecided"), ("c", "implausible"), ("d", "no_limit"),
    ]  # fmt: skip
    assert listed[0].detail == "Missing: a reading; a rating."
    assert listed[0].missing == ("a reading", "a rating")
    assert "maximum external static pressure" in listed[3].detail


def test_a_criterion_that_only_feeds_rules_is_not_reported() -> None:
    rules = small([], criteria=[criterion("a", "a_quantity", report=False)])
    assert explained(rules, [verdict("a", "not_measured")]).not_judged == ()


STATIONS = {"one": "x|y", "also_one": "x|y", "two": "y|z"}


def next_for(procedures: Sequence[Procedure], word: str = "not_measured", **more: Any) -> list[str]:
    rules = small([], criteria=[criterion("a", "a_quantity")], procedures=procedures)
    more.setdefault("stations", STATIONS)
    return [entry.procedure for entry in explained(rules, [verdict("a", word)], **more).next_readings]


def test_a_reading_that_gives_what_is_missing_is_asked_for() -> None:
    assert next_for([procedure("p", ["a_quantity"], "one"), procedure("q", ["other"], "two")]) == ["p"]


def test_a_reading_that_was_taken_is_not_asked_for_again() -> None:
    both = [procedure("p", ["a_quantity"], "one"), procedure("q", ["a_quantity"], "two")]
    assert next_for(both, taken=frozenset({("static_pressure", "x|y")})) == ["q"]


def test_a_reading_that_left_the_question_undecided_may_be_asked_for_again() -> None:
    taken = frozenset({("static_pressure", "x|y")})
    assert next_for([procedure("p", ["a_quantity"], "one")], "undecided", taken=taken) == ["p"]


def test_a_reading_without_a_station_was_taken_where_its_first_quantity_is_known() -> None:
    flow = procedure("flow", ["flow_measured", "a_quantity"], kind="airflow")
    assert next_for([flow]) == ["flow"]
    assert next_for([flow], known=frozenset({"flow_measured"})) == []
    assert next_for([flow], "undecided", known=frozenset({"flow_measured"})) == ["flow"]


def test_no_station_that_the_path_does_not_have_and_none_twice() -> None:
    procedures = [
        procedure("p", ["a_quantity"], "one"), procedure("q", ["a_quantity"], "also_one"),
        procedure("r", ["a_quantity"], "nowhere"),
    ]  # fmt: skip
    assert next_for(procedures) == ["p"]


def test_five_at_most_those_that_settle_most_first() -> None:
    procedures = [procedure(f"p{n}", ["a_quantity"], kind=f"kind{n}") for n in range(7)]
    rules = small(
        [diagnosis("d", ["b.above"], severity="fault", next_readings=["p6"])],
        criteria=[criterion("a", "a_quantity"), criterion("b", "b_quantity")],
        procedures=procedures,
    )
    found = explained(rules, [verdict("a", "not_measured"), verdict("b", "above")], fired=["d"]).next_readings
    assert [entry.procedure for entry in found] == ["p6", "p0", "p1", "p2", "p3"]
    assert found[0].settles == ("d", "a")


def test_nothing_is_asked_for_where_nothing_is_open() -> None:
    rules = small(
        [diagnosis("d", ["b.above"], severity="fault", next_readings=["p"])],
        criteria=[criterion("b", "b_quantity")],
        procedures=[procedure("p", ["b_quantity"])],
    )
    assert explained(rules, [verdict("b", "above")], fired=["d"]).next_readings == ()


# The rules as they are -------------------------------------------------------------------------------------------


def evaluated(request: dict[str, Any]) -> Evaluation:
    return pipeline.evaluate(msgspec.convert(request, EvaluationRequest, strict=False), PREPARED)


def faulty() -> list[dict[str, Any]]:
    """Simulated houses with one hidden fault each, and sound ones with a mistake made on the way to the tablet."""
    statics = ("static:return_plenum", "static:filter_outlet", "static:heat_exchanger_outlet", "static:supply_plenum")
    readings = (*statics, "airflow:filter_inlet", "power:blower", "dry_bulb:return_plenum", "dry_bulb:supply_plenum")
    requests = []
    for faults in (
        Faults(filter_loading=4.0), Faults(coil_fouling=3.0), Faults(return_undersized=5.0),
        Faults(supply_restricted=5.0), Faults(supply_disconnected=0.05), Faults(blower_speed=0.75),
        Faults(gas_input=1.4),
    ):  # fmt: skip
        for operation in (cooling("high"), heating("high")) if faults.gas_input == 1.0 else (heating("high"),):
            run = Run("state", solve(HOUSES["furnace_sea_level"], operation, faults), readings)
            requests.append(write_visit([run], units="ip", seed=3))
    sound = VISITS[0].request(VISITS[0].runs())
    requests += [
        mistakes.hose_swapped(sound, "return_plenum"),
        mistakes.pascals_typed_as_inches(sound),
        mistakes.sign_dropped(sound),
        mistakes.bulbs_swapped(sound, "return_plenum"),
        mistakes.power_in_wrong_unit(sound, "kW"),
        mistakes.celsius_typed_as_fahrenheit(sound),
        EXAMPLE_VISIT.request(EXAMPLE_VISIT.runs()),
    ]
    return requests


FAULTY = [evaluated(request) for request in faulty()]


def test_the_faulty_visits_are_found_faulty() -> None:
    assert all(evaluation.highest_severity in ("advisory", "fault", "hazard") for evaluation in FAULTY)
    codes = {finding.code for evaluation in FAULTY for part in evaluation.parts for finding in part.findings}
    assert len(codes) >= 20


def test_an_offset_nobody_looked_for_leaves_its_doubt() -> None:
    sound = VISITS[0].request(VISITS[0].runs())
    evaluation = evaluated(mistakes.zero_offset_unnoticed(sound, 0.05))
    assert "zero_not_checked" in {finding.code for part in evaluation.parts for finding in part.findings}


@pytest.mark.parametrize("number", range(len(FAULTY)))
def test_findings_hold_together(number: int) -> None:
    for context in FAULTY[number].parts:
        severities = [SEVERITIES.index(finding.severity) for finding in context.findings]
        assert severities == sorted(severities, reverse=True)
        assert len({finding.code for finding in context.findings}) == len(context.findings)
        held = {verdict.token for verdict in context.verdicts} | set(context.observations)
        held |= {conclusion for _, conclusion in context.firings}
        for finding in context.findings:
            assert finding.evidence
            assert set(finding.evidence) <= held
            assert finding.sources
            assert set(finding.sources) <= set(RULES.sources)
            assert set(finding.cautions) <= set(RULES.cautions)
            assert set(finding.next_readings) <= set(RULES.procedures)
            assert finding.certainty is None or 0.5 <= finding.certainty <= 1.0
            ranks = [entry.rank for entry in finding.causes]
            assert ranks == sorted(ranks)
            assert not ranks or ranks[0] == 1
            for entry in finding.causes:
                assert not set(RULES.causes[entry.cause].excluded_by) & held
                assert set(entry.evidence_for) | set(entry.evidence_against) <= held


@pytest.mark.parametrize("number", range(len(FAULTY)))
def test_every_source_and_caution_named_is_told_in_full(number: int) -> None:
    evaluation = FAULTY[number]
    told = {source.key for source in evaluation.sources}
    cautions = {caution.code for caution in evaluation.cautions}
    always = {caution.id for caution in RULES.cautions.values() if caution.always}
    assert always
    assert always <= cautions
    for context in evaluation.parts:
        for finding in context.findings:
            assert set(finding.sources) <= told
            assert set(finding.cautions) <= cautions
        for verdict in context.verdicts:
            assert verdict.source is None or verdict.source in told
        for entry in context.next_readings:
            assert set(entry.cautions) <= cautions


@pytest.mark.parametrize("number", range(len(FAULTY)))
def test_next_readings_are_few_possible_and_new(number: int) -> None:
    for context in FAULTY[number].parts:
        asked = [entry.procedure for entry in context.next_readings]
        assert len(asked) <= MOST_NEXT_READINGS
        assert len(set(asked)) == len(asked)
        open_words = ("undecided", "not_measured", "implausible")
        open_quantities = {verdict.quantity for verdict in context.verdicts if verdict.verdict in open_words}
        for name in asked:
            assert open_quantities & set(RULES.procedures[name].gives), name


def test_an_undecided_value_is_never_a_fault() -> None:
    """No finding above a note rests on an undecided comparison."""
    for evaluation in FAULTY:
        for context in evaluation.parts:
            for finding in context.findings:
                if any(token.endswith(".undecided") for token in finding.evidence):
                    assert finding.severity in ("note", "advisory"), finding.code


@pytest.mark.parametrize(
    ("reading", "hazards"),
    [
        ({"kind": "carbon_monoxide", "value": {"value": 120.0, "unit": "[ppm]"}},
         ["carbon_monoxide_leave_now", "carbon_monoxide_high"]),
        ({"kind": "carbon_monoxide", "value": {"value": 50.0, "unit": "[ppm]"}}, ["carbon_monoxide_high"]),
    ],
)  # fmt: skip
def test_to_leave_is_said_before_what_is_done_at_less(reading: dict[str, Any], hazards: list[str]) -> None:
    visit = EXAMPLE_VISIT.request(EXAMPLE_VISIT.runs())
    visit["readings"].append({**reading, "location": "indoor", "state": "heating"})
    found = pipeline.evaluate(msgspec.convert(visit, EvaluationRequest), PREPARED)
    (heard,) = [part for part in found.contexts if part.state.id == "heating"]
    assert [one.code for one in heard.findings if one.severity == "hazard"] == hazards
