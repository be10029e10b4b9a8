"""A kept visit under other rules: what differs, and which record of the rules, or the service itself, did it.

Every change is made by this test, so that what is to be blamed is known beforehand.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest
from msgspec.structs import replace

from service import pipeline
from service.model.difference import EvaluationDifference, FindingChange, Reason
from service.model.evaluation import Evaluation
from service.model.ruleset import Ruleset
from service.pipeline import Rulebook, evaluate, reassess
from service.ruleset.released import digest_of
from service.wire.request import EvaluationRequest

VISIT = msgspec.json.decode(
    (Path(__file__).parents[2] / "openapi" / "examples" / "visit.json").read_bytes(), type=EvaluationRequest
)
FIRST = pipeline.working()
RULES = replace(FIRST.ruleset, release=replace(FIRST.ruleset.release, version="1.0.0"))
RULES = replace(RULES, digest=digest_of(RULES))
LIMIT = "external_static_pressure_maximum"
RULE = "external_static_pressure_above_rating"
PROVEN = "coil_pressure_drop_against_rating"
KEPT: Evaluation = replace(
    evaluate(VISIT, FIRST), ruleset_version="1.0.0", ruleset_digest=RULES.digest, service_version="0.0.1"
)


def changed(**sections: dict[str, Any]) -> Ruleset:
    """Version 2.0.0 with some records replaced, or taken out where None is given."""
    parts = {
        name: {key: one for key, one in (getattr(RULES, name) | entries).items() if one is not None}
        for name, entries in sections.items()
    }
    other = replace(RULES, release=replace(RULES.release, version="2.0.0"), **parts)
    return replace(other, digest=digest_of(other))


def book(other: Ruleset, first: Ruleset | None = RULES) -> Rulebook:
    readers = {"2.0.0": lambda: other}
    if first is not None:
        readers["1.0.0"] = lambda: first
    return Rulebook(readers)


def between(other: Ruleset, kept: Evaluation = KEPT, first: Ruleset | None = RULES) -> EvaluationDifference:
    evaluation, found = reassess(VISIT, kept, book(other, first), "2.0.0")
    assert (evaluation.ruleset_version, evaluation.ruleset_digest) == ("2.0.0", other.digest)
    assert (found.before.ruleset_version, found.before.service_version) == (kept.ruleset_version, kept.service_version)
    assert (found.after.ruleset_version, found.after.service_version) == ("2.0.0", pipeline.SERVICE_VERSION)
    return found


def finding(found: EvaluationDifference, code: str) -> FindingChange:
    return next(change for change in found.findings if change.code == code)


def test_the_visit_has_what_is_to_be_changed() -> None:
    assert RULE in {one.code for part in KEPT.parts for one in part.findings}


def test_nothing_differs_under_the_same_rules_by_another_name() -> None:
    found = between(changed())
    assert (found.findings, found.verdicts, found.attributed) == ((), (), True)


def in_every_context(evaluation: Evaluation) -> Evaluation:
    """As evaluations were kept before the whole house had a part of its own: told in each state again."""
    house = evaluation.whole_house
    assert house is not None
    return replace(
        evaluation,
        whole_house=None,
        contexts=tuple(
            replace(
                context,
                quantities=house.quantities + context.quantities,
                verdicts=house.verdicts + context.verdicts,
                findings=house.findings + context.findings,
            )
            for context in evaluation.contexts
        ),
    )


def test_what_the_whole_house_tells_was_told_by_every_context_before_and_is_no_difference() -> None:
    house = KEPT.whole_house
    assert house is not None
    assert house.findings
    found = between(changed(), kept=in_every_context(KEPT))
    assert (found.findings, found.verdicts, found.attributed) == ((), (), True)


def test_a_rule_of_the_whole_house_that_goes_is_lost_once() -> None:
    house = KEPT.whole_house
    assert house is not None
    code = house.findings[0].code
    found = between(changed(diagnoses={code: None}))
    lost = [change for change in found.findings if change.code == code]
    assert [(change.state.id, change.change) for change in lost] == [("whole_house", "lost")]


def test_a_limit_that_was_loosened_moves_its_verdict_and_takes_back_its_finding() -> None:
    criterion = RULES.criteria[LIMIT]
    looser = replace(criterion, limit=[replace(one, upper_factor=3.0) for one in criterion.limit])
    found = between(changed(criteria={LIMIT: looser}))
    by_limit = Reason(by="limit", id=LIMIT, change="changed", parts=("upper_factor",))
    moves = [move for move in found.verdicts if move.criterion == LIMIT]
    assert moves
    for move in moves:
        assert (move.before, move.after) == ("above", "within")
        assert move.value_before == move.value_after
        assert move.upper_before is not None
        assert move.upper_after == pytest.approx(3 * move.upper_before)
        assert move.reasons == (by_limit,)
    lost = finding(found, RULE)
    assert (lost.change, lost.severity_before, lost.severity_after) == ("lost", RULES.diagnoses[RULE].severity, None)
    assert by_limit in lost.reasons
    assert all(Reason(by="unknown") not in change.reasons for change in found.findings)


def test_another_confidence_is_the_criterions_doing() -> None:
    """0.993 is enough for 0.95 and not for 0.9999."""
    found = between(changed(criteria={PROVEN: replace(RULES.criteria[PROVEN], confidence=0.9999)}))
    (move,) = (move for move in found.verdicts if move.criterion == PROVEN)
    assert (move.before, move.after) == ("above", "undecided")
    assert move.reasons == (Reason(by="criterion", id=PROVEN, change="changed", parts=("confidence",)),)
    assert finding(found, "coil_pressure_drop_above_rating").reasons == move.reasons


def test_a_rule_taken_out_takes_its_finding_with_it_and_one_brought_brings_it() -> None:
    rule = RULES.diagnoses[RULE]
    twin = replace(rule, id="invented_twin", title="Invented twin")
    found = between(changed(diagnoses={"invented_twin": twin}))
    gained = finding(found, "invented_twin")
    assert (gained.change, gained.title, gained.severity_after) == ("gained", "Invented twin", rule.severity)
    assert gained.reasons == (Reason(by="rule", id="invented_twin", change="gained"),)
    back, kept = changed(), evaluate(VISIT, book(changed(diagnoses={"invented_twin": twin})).current)
    first = replace(changed(diagnoses={"invented_twin": twin}), release=RULES.release)
    first = replace(first, digest=digest_of(first))
    kept = replace(kept, ruleset_version="1.0.0", ruleset_digest=first.digest)
    lost = finding(between(back, kept, first), "invented_twin")
    assert (lost.change, lost.severity_before) == ("lost", rule.severity)
    assert lost.reasons == (Reason(by="rule", id="invented_twin", change="lost"),)


def test_another_severity_and_other_words_are_told_apart() -> None:
    rule = RULES.diagnoses[RULE]
    milder = finding(between(changed(diagnoses={RULE: replace(rule, severity="note")})), RULE)
    assert (milder.change, milder.severity_before, milder.severity_after) == ("changed", rule.severity, "note")
    assert milder.parts == ("severity",)
    assert milder.reasons == (Reason(by="rule", id=RULE, change="changed", parts=("severity",)),)
    worded = finding(between(changed(diagnoses={RULE: replace(rule, summary="Other words.")})), RULE)
    assert worded.parts == ("words",)
    assert worded.reasons == (Reason(by="rule", id=RULE, change="changed", parts=("summary",)),)


def test_a_cause_that_expects_less_changes_the_ranking_and_is_named() -> None:
    weaker = replace(RULES.causes["coil_fouled"], expects=[])
    found = between(changed(causes={"coil_fouled": weaker}))
    assert finding(found, RULE).parts == ("causes",)
    assert finding(found, RULE).reasons == (Reason(by="cause", id="coil_fouled", change="changed", parts=("expects",)),)


def test_a_quantity_worked_out_with_another_number_names_that_number() -> None:
    """The exponent by which a coil's rated drop is carried to today's flow, far less sure: nothing is proven by it."""
    coil = RULES.elements["coil"]
    found = between(changed(elements={"coil": replace(coil, exponent_uncertainty=coil.exponent_uncertainty + 0.4)}))
    (move,) = (move for move in found.verdicts if move.criterion == PROVEN)
    assert (move.before, move.after) == ("above", "undecided")
    by_exponent = Reason(by="quantity", id=move.quantity, change="changed", parts=("elements coil",))
    assert move.reasons == (by_exponent,)
    assert by_exponent in finding(found, "coil_pressure_drop_above_rating").reasons


def test_what_the_service_works_out_otherwise_is_put_down_to_the_service() -> None:
    """The kept evaluation says what this service, under the same rules, does not."""
    doctored = msgspec.convert(
        {
            **msgspec.to_builtins(KEPT),
            "contexts": [
                {
                    **context,
                    "findings": [one for one in context["findings"] if one["code"] != RULE],
                    "verdicts": [
                        {**one, "verdict": "within", "token": f"{LIMIT}.within"} if one["criterion"] == LIMIT else one
                        for one in context["verdicts"]
                    ],
                }
                for context in msgspec.to_builtins(KEPT)["contexts"]
            ],
        },
        Evaluation,
    )
    found = between(changed(), doctored)
    assert finding(found, RULE).change == "gained"
    assert finding(found, RULE).reasons == (Reason(by="service"),)
    assert {move.reasons for move in found.verdicts if move.criterion == LIMIT} == {(Reason(by="service"),)}
    both = between(changed(diagnoses={RULE: replace(RULES.diagnoses[RULE], severity="note")}), doctored)
    assert [reason.by for reason in finding(both, RULE).reasons] == ["service", "rule"]


@pytest.mark.parametrize("first", [None, replace(RULES, digest="0" * 64)], ids=["gone", "not as it was"])
def test_without_the_rules_that_judged_first_no_reason_is_made_up(first: Ruleset | None) -> None:
    criterion = RULES.criteria[LIMIT]
    looser = replace(criterion, limit=[replace(one, upper_factor=3.0) for one in criterion.limit])
    found = between(changed(criteria={LIMIT: looser}), first=first)
    assert not found.attributed
    assert finding(found, RULE).change == "lost"
    assert {reason for change in (*found.findings, *found.verdicts) for reason in change.reasons} == {
        Reason(by="unknown")
    }


def test_the_same_version_again_shows_the_services_part_alone() -> None:
    evaluation, found = reassess(VISIT, KEPT, book(changed()), "1.0.0")
    assert evaluation.ruleset_version == "1.0.0"
    assert (found.findings, found.verdicts, found.attributed) == ((), (), True)


def test_a_difference_is_read_back_as_it_was_written() -> None:
    found = between(changed(diagnoses={RULE: replace(RULES.diagnoses[RULE], severity="note")}))
    assert found.findings
    assert msgspec.json.decode(msgspec.json.encode(found), type=EvaluationDifference) == found
