"""Belief in causes and worth of readings: by hand, by enumeration with scipy, and what must hold for any evidence."""

from __future__ import annotations

import itertools
import json
import math
import random
from pathlib import Path
from typing import Any

import msgspec
import pytest
from scipy.stats import entropy

from service import pipeline
from service.explain.belief import Beliefs, Hypothesis, Known, information
from service.explain.findings import Explained, Explainer, Material
from service.model.evaluation import Verdict
from service.model.reasoning import Firing
from service.model.ruleset import (
    Cause,
    Criterion,
    Diagnosis,
    Evidence,
    Limit,
    Procedure,
    Release,
    Ruleset,
    Weight,
)
from service.ruleset import rules_folder
from service.ruleset.lint import lint, tokens
from service.ruleset.load import read_cases
from service.wire.request import EvaluationRequest
from tests.cases.judging import changed, visit

PREPARED = pipeline.working()
RULES = PREPARED.ruleset

# A small ruleset with round numbers --------------------------------------------------------------------------------


def weight(value: float) -> Weight:
    return Weight(meaning="", value=value, checked="practice", sources=["here"])


EVIDENCE = Evidence(
    strengths={"nearly_always": weight(81.0), "usually": weight(9.0), "sometimes": weight(3.0)},
    named=weight(3.0),
    priors={"common": weight(4.0), "usual": weight(2.0), "rare": weight(1.0)},
    not_listed=weight(1.0),
    beyond_without=weight(0.1),
    seldom_beyond_without=weight(0.02),
    seldom=["d"],
    seen_without={"other": weight(0.25), "noted": weight(0.05)},
    tie=weight(1.25),
    words={"likely": weight(0.5), "possible": weight(0.1), "unlikely": weight(0.0)},
    gravity={"note": weight(0.5), "advisory": weight(1.0), "fault": weight(2.0), "hazard": weight(4.0)},
    settles={"not_measured": weight(0.05), "undecided": weight(0.02), "implausible": weight(0.04)},
    asked=weight(0.1),
    again=weight(0.25),
    restatements={"same_reading": ["a", "n"]},
)


def criterion(id: str, lower: float | None = None) -> Criterion:
    limit = Limit(unit="Pa", upper=1.0, lower=lower, source="here", locator="", checked="practice")
    return Criterion(id=id, title=id, quantity=f"{id}_quantity", decision_rule="guarded", confidence=0.9, limit=[limit])


CRITERIA = {name: criterion(name) for name in "abcdn"} | {"w": criterion("w", lower=0.0)}


def cause(expects: list[str], **more: Any) -> Cause:
    return Cause(title="A cause", remedy="A remedy.", expects=expects, **more)


def procedure(id: str, *quantities: str) -> Procedure:
    return Procedure(
        id=id, title=id, purpose="", reading_kind=id, gives=[f"{name}_quantity" for name in quantities], steps=[],
        settled_when="", cautions=[], sources=[],
    )  # fmt: skip


def small(causes: dict[str, Cause], procedures: list[Procedure] | None = None, **severities: Any) -> Ruleset:
    """One rule that names every cause, or a rule for each severity given."""
    rules = [
        Diagnosis(id=name, title=name, status="stable", since="0.1.0", when=["seen"], severity=severity, causes=named)
        for name, (severity, named) in (severities or {"rule": ("fault", list(causes))}).items()
    ]
    release = Release(version="0.0.1", released="2026-01-01", title="", summary="", fan_out_limit=60)  # type: ignore[arg-type]
    return Ruleset(
        release=release, digest="", dimensions={}, quantities={}, stations={}, places={}, elements={}, arrangements={},
        observations={}, assumptions={}, instruments={}, sources={}, criteria=CRITERIA,
        diagnoses={rule.id: rule for rule in rules}, causes=causes, cautions={},
        procedures={entry.id: entry for entry in procedures or []}, evidence=EVIDENCE,
    )  # fmt: skip


def verdict(name: str, word: Any, above: float | None = None, below: float | None = None) -> Verdict:
    return Verdict(name, f"{name}_quantity", word, f"{name}.{word}", probability_above=above, probability_below=below)


def explained(rules: Ruleset, *verdicts: Verdict, seen: tuple[str, ...] = (), **more: Any) -> Explained:
    firings = [Firing(name, rule.conclusion) for name, rule in rules.diagnoses.items()]
    return Explainer(rules).explain(Material(verdicts, {"seen", *seen}, firings, {}, (), **more))


def beliefs(rules: Ruleset, *verdicts: Verdict, **more: Any) -> dict[str, float]:
    """Belief in each cause of the first finding."""
    return {entry.cause: entry.belief for entry in explained(rules, *verdicts, **more).findings[0].causes}


# By hand ---------------------------------------------------------------------------------------------------------


def test_belief_by_hand() -> None:
    """Without a cause: above 0.1, within 0.9. Odds times 9 for above: 0.9 + 0.9 = 1.8 in all, so that above is
    9 / 1.8 = 5 times and within 1 / 1.8 times as likely as without. Odds through 9: 0.1/9 + 0.9 = 0.9111 in all, so
    that above is 0.1111 / 0.9111 = 0.1220 times as likely. Prior weights 2, not listed 1:
    both 2 x 5 x 5 = 50, one 2 x 5 = 10, contradicted 2 x 5 x 0.1220 = 1.2195, not listed 1; in all 62.2195."""
    causes = {
        "contradicted": cause(["a.above"], against=["b.above"]),
        "one": cause(["a.above", "c.above"]),
        "both": cause(["a.above", "b.above"]),
    }
    (finding,) = explained(small(causes), verdict("a", "above"), verdict("b", "above")).findings
    assert [(entry.cause, entry.rank, entry.word) for entry in finding.causes] == [
        ("both", 1, "likely"),
        ("one", 2, "possible"),
        ("contradicted", 3, "unlikely"),
    ]
    assert [entry.belief for entry in finding.causes] == pytest.approx(
        [50 / 62.2195, 10 / 62.2195, 1.2195 / 62.2195], rel=1e-4
    )
    assert finding.causes[0].score == pytest.approx(math.log2(25))
    assert finding.causes[0].evidence_for == ("a.above", "b.above")
    assert finding.causes[2].evidence_against == ("b.above",)


def test_prior_and_strength_by_hand() -> None:
    """Common: weight 4. Nearly always: odds times 81, 8.1 + 0.9 = 9 in all, above 81 / 9 = 9 times as likely; now and
    then: 0.3 + 0.9 = 1.2, 2.5 times. 4 x 5 = 20, 2 x 9 = 18, 1 x 2.5 = 2.5, not listed 1; in all 41.5."""
    causes = {
        "common": cause(["a.above"], prior="common"),
        "firm": cause(["a.above"], strength={"a.above": "nearly_always"}),
        "rare": cause(["a.above"], prior="rare", strength={"a.above": "sometimes"}),
    }
    assert beliefs(small(causes), verdict("a", "above")) == pytest.approx(
        {"common": 20 / 41.5, "firm": 18 / 41.5, "rare": 2.5 / 41.5}
    )


def test_the_outcome_in_place_of_the_expected_one_speaks_against() -> None:
    """Within is 1 / 1.8 times as likely with the cause: 2 / 1.8 = 1.1111 against 1 not listed."""
    (finding,) = explained(small({"x": cause(["a.above"])}), verdict("a", "within")).findings
    assert finding.causes[0].belief == pytest.approx(1.1111 / 2.1111, rel=1e-4)
    assert finding.causes[0].evidence_against == ("a.within",)
    assert finding.causes[0].score == pytest.approx(-math.log2(1.8))


def test_outcomes_of_a_limit_with_two_ends_are_alternatives() -> None:
    """Above 0.1, within 0.8, below 0.1. Above expected: 0.9 + 0.8 + 0.1 = 1.8 in all; above 5, below 1 / 1.8 times."""
    rules = small({"x": cause(["w.above"]), "y": cause(["w.below"])})
    assert beliefs(rules, verdict("w", "above")) == pytest.approx(
        {"x": 10 / (10 + 2 / 1.8 + 1), "y": (2 / 1.8) / (10 + 2 / 1.8 + 1)}
    )


def test_an_undecided_verdict_counts_by_its_probability() -> None:
    """Above with 0.8: (0.8 x 0.1 x 5 + 0.2 x 0.9 / 1.8) / (0.8 x 0.1 + 0.2 x 0.9) = 0.5 / 0.26 = 1.923 times as likely.
    An even chance tells nothing: (0.05 x 5 + 0.45 / 1.8) / 0.5 = 1."""
    rules = small({"x": cause(["a.above"])})
    assert beliefs(rules, verdict("a", "undecided", 0.8))["x"] == pytest.approx(3.846 / 4.846, rel=1e-3)
    assert beliefs(rules, verdict("a", "undecided", 0.5))["x"] == pytest.approx(2 / 3)
    assert beliefs(rules, verdict("a", "not_measured"))["x"] == pytest.approx(2 / 3)
    assert beliefs(rules, verdict("a", "implausible"))["x"] == pytest.approx(2 / 3)


def test_what_only_a_mistake_passes_tells_more() -> None:
    """d is above with 0.02 without a cause: 9 / (0.18 + 0.98) = 7.759 times as likely with it; implausible alike."""
    rules = small({"x": cause(["d.above"]), "y": cause(["a.implausible"])})
    assert beliefs(rules, verdict("d", "above"))["x"] == pytest.approx(15.517 / 18.517, rel=1e-4)
    assert beliefs(rules, verdict("a", "implausible"))["y"] == pytest.approx(15.517 / 18.517, rel=1e-4)


def test_what_restates_one_reading_counts_once() -> None:
    """a and n look at one reading: above counts 5 times once; the rest lies with one cause not listed."""
    rules = small({"x": cause(["a.above", "n.above"])})
    assert beliefs(rules, verdict("a", "above"), verdict("n", "above"))["x"] == pytest.approx(10 / 11)
    both_ways = beliefs(rules, verdict("a", "above"), verdict("n", "within"))["x"]
    assert both_ways == pytest.approx((10 / 1.8) / (10 / 1.8 + 1))


def test_a_yes_or_no_token_counts_where_it_holds_only() -> None:
    """Odds times 9 on 0.25: 9 / (0.25 x 9 + 0.75) = 3 times as likely."""
    rules = small({"x": cause(["noticed"])})
    assert beliefs(rules, seen=("noticed",))["x"] == pytest.approx(6 / 7)
    assert beliefs(rules)["x"] == pytest.approx(2 / 3)


def test_the_farthest_of_several_rooms_counts() -> None:
    rules = small({"x": cause(["a.above"])})
    rooms = [verdict("a", "within", 0.01), verdict("a", "above", 1.0), verdict("a", "within", 0.02)]
    for order in itertools.permutations(rooms):
        assert beliefs(rules, *order)["x"] == pytest.approx(10 / 11)


def test_a_weakly_supported_single_candidate_is_not_sure() -> None:
    for evidence in ([], [verdict("a", "above")]):
        assert beliefs(small({"x": cause(["a.above"])}), *evidence)["x"] < 0.95


# Ties ------------------------------------------------------------------------------------------------------------


def test_beliefs_within_the_tie_ratio_share_a_rank() -> None:
    """An undecided verdict with 0.55 is (0.275 + 0.45 x 0.5) / (0.055 + 0.405) = 1.087 times as likely: a tie."""
    causes = {"x": cause(["a.above"]), "y": cause(["a.above", "b.above"]), "z": cause(["c.above"])}
    (finding,) = explained(small(causes), verdict("a", "above"), verdict("b", "undecided", 0.55)).findings
    assert [(entry.cause, entry.rank) for entry in finding.causes] == [("y", 1), ("x", 1), ("z", 3)]
    assert finding.causes[0].belief == pytest.approx(1.087 * finding.causes[1].belief, rel=1e-3)


def test_ties_are_ordered_by_gain() -> None:
    causes = {
        name: cause(["a.above"], fix=fix) for name, fix in (("w", None), ("x", "clean_coil"), ("y", "clean_filter"))
    }
    gains = {"clean_coil": 0.01, "clean_filter": 0.05}
    (finding,) = explained(small(causes), verdict("a", "above"), gain=gains.get).findings
    assert [(entry.cause, entry.rank, entry.projected_gain) for entry in finding.causes] == [
        ("y", 1, 0.05), ("x", 1, 0.01), ("w", 1, None),
    ]  # fmt: skip


def test_a_tie_names_the_reading_that_separates_it() -> None:
    """b is expected more firmly than c; d tells nothing of either."""
    causes = {
        "x": cause(["a.above", "b.above"], strength={"b.above": "nearly_always"}),
        "y": cause(["a.above", "c.above"], strength={"c.above": "sometimes"}),
        "z": cause(["d.above"]),
    }
    asked = [procedure("reads_d", "d"), procedure("reads_c", "c"), procedure("reads_b", "b")]
    openly = [verdict(name, "not_measured") for name in "bcd"]
    (finding,) = explained(small(causes, asked), verdict("a", "above"), *openly).findings
    assert [(entry.cause, entry.rank, entry.separated_by) for entry in finding.causes] == [
        ("x", 1, "reads_b"), ("y", 1, "reads_b"), ("z", 3, None),
    ]  # fmt: skip
    (finding,) = explained(small(causes, asked), verdict("a", "above")).findings
    assert [entry.separated_by for entry in finding.causes] == [None, None, None]


def test_how_common_causes_are_does_not_separate_them() -> None:
    """The same evidence, 20 against 5 of 26: one rank, the common one first, whatever mending the other brings."""
    causes = {"common": cause(["a.above"], prior="common"), "rare": cause(["a.above"], prior="rare", fix="clean_coil")}
    (finding,) = explained(small(causes), verdict("a", "above"), gain={"clean_coil": 0.1}.get).findings
    assert [(entry.cause, entry.rank) for entry in finding.causes] == [("common", 1), ("rare", 1)]
    assert [entry.belief for entry in finding.causes] == pytest.approx([20 / 26, 5 / 26])


def test_what_a_rule_rests_on_counts_for_the_causes_it_names() -> None:
    """a.above with odds times 3: 0.3 + 0.9 = 1.2, so 3 / 1.2 = 2.5 times as likely; x that speaks of a itself: 5 times.
    2 x 2.5 = 5, 2 x 5 = 10, not listed 1. A comparison within its limit counts neither for nor against."""
    causes = {"silent": cause([]), "x": cause(["a.above"])}
    rules = small(causes)
    rule = msgspec.structs.replace(rules.diagnoses["rule"], when=["seen", "a.above", "b.within"])
    rules = msgspec.structs.replace(rules, diagnoses={"rule": rule})
    assert beliefs(rules, verdict("a", "above"), verdict("b", "within")) == pytest.approx(
        {"silent": 5 / 16, "x": 10 / 16}
    )


# The whole context -----------------------------------------------------------------------------------------------


def test_one_cause_of_several_findings_comes_first() -> None:
    causes = {
        "first_only": cause(["a.above"]),
        "second_only": cause(["b.above"]),
        "behind_both": cause(["a.above", "b.above"]),
    }
    rules = small(
        causes, one=("fault", ["first_only", "behind_both"]), two=("fault", ["second_only", "behind_both"])
    )  # fmt: skip
    found = explained(rules, verdict("a", "above"), verdict("b", "above")).causes
    assert [(entry.cause, entry.rank, entry.explains) for entry in found] == [
        ("behind_both", 1, ("one", "two")), ("first_only", 2, ("one",)), ("second_only", 2, ("two",)),
    ]  # fmt: skip


def test_notes_do_not_lead_where_there_is_more() -> None:
    causes = {"of_note": cause(["a.above"]), "of_fault": cause(["b.above"])}
    rules = small(causes, grave=("fault", ["of_fault"]), mild=("note", ["of_note"]))
    assert [entry.cause for entry in explained(rules, verdict("a", "above")).causes] == ["of_fault"]
    rules = small(causes, mild=("note", ["of_note"]))
    assert [entry.cause for entry in explained(rules, verdict("a", "above")).causes] == ["of_note"]


# What a reading would tell ---------------------------------------------------------------------------------------


def enumerated(prior: dict[str, float], told: dict[str, list[list[float]]]) -> float:
    """Mutual information of a cause and independent outcomes, by going through all of them, with scipy's entropy."""
    after = 0.0
    for outcome in itertools.product(*(range(3) for _ in next(iter(told.values())))):
        joint = [
            share * math.prod(chances[at] for chances, at in zip(told[name], outcome, strict=True))
            for name, share in prior.items()
        ]
        if sum(joint) > 0:
            after += sum(joint) * float(entropy(joint, base=2))
    return float(entropy(list(prior.values()), base=2)) - after


def test_one_reading_by_hand() -> None:
    """x and y at one half each; with x above has 0.5, with y 0.1, so 0.3 on the whole.
    0.5 (0.5 log2 5/3 + 0.5 log2 5/7) + 0.5 (0.1 log2 1/3 + 0.9 log2 9/7) = 0.1468 bits."""
    made = Beliefs(small({"x": cause(["a.above"]), "y": cause(["b.above"])}))
    pair = [Hypothesis(0.5, 1.0, made.ratios[name]) for name in ("x", "y")]
    by_hand = 0.5 * (0.5 * math.log2(5 / 3) + 0.5 * math.log2(5 / 7)) + 0.5 * (
        0.1 * math.log2(1 / 3) + 0.9 * math.log2(9 / 7)
    )
    assert by_hand == pytest.approx(0.1468, abs=5e-5)
    assert information(pair, {"a"}, made) == pytest.approx(by_hand)
    assert information(pair, {"d"}, made) == 0.0
    assert information([], {"a"}, made) == 0.0


@pytest.mark.parametrize("seed", range(40))
def test_information_agrees_with_enumeration(seed: int) -> None:
    chance = random.Random(seed)
    causes = {
        name: cause(
            [f"{c}.{chance.choice(('above', 'within'))}" for c in chance.sample("abcw", chance.randint(0, 3))],
            strength={},
        )
        for name in "stuvxyz"[: chance.randint(2, 7)]
    }
    made = Beliefs(small(causes))
    weights = [chance.random() + 0.01 for _ in causes]
    prior = {name: value / sum(weights) for name, value in zip(causes, weights, strict=True)}
    read = chance.sample("abcw", chance.randint(1, 3))
    told = {
        name: [
            [w * r for w, r in zip(made.without[c], made.ratios[name].get(c, (1.0, 1.0, 1.0)), strict=True)]
            for c in read
        ]
        for name in causes
    }
    for chances in told.values():
        assert [sum(entry) for entry in chances] == pytest.approx([1.0] * len(read))
    found = information([Hypothesis(prior[name], 1.0, made.ratios[name]) for name in causes], set(read), made)
    assert found >= 0.0
    assert found == pytest.approx(enumerated(prior, told), abs=1e-9)
    graver = information([Hypothesis(prior[name], 2.0, made.ratios[name]) for name in causes], set(read), made)
    assert graver == pytest.approx(2.0 * found)


def test_more_told_is_never_worth_less() -> None:
    made = PREPARED.explainer._beliefs
    chance = random.Random(5)
    for _ in range(200):
        names = chance.sample(sorted(RULES.causes), 6)
        shares = [chance.random() for _ in names]
        entries = [
            Hypothesis(share / sum(shares), chance.choice((0.25, 1.0, 2.0, 4.0)), made.ratios[name])
            for name, share in zip(names, shares, strict=True)
        ]
        mentioned = sorted({c for name in names for c in made.ratios[name]})
        if len(mentioned) > 1:
            one, two = chance.sample(mentioned, 2)
            alone = information(entries, {one}, made)
            assert 0.0 <= alone <= information(entries, {one, two}, made) + 1e-12
        assert information(entries, set(RULES.criteria) - set(mentioned), made) == 0.0


def test_a_reading_is_worth_its_parts() -> None:
    """Cause x and not listed at 2/3 and 1/3 in a fault of gravity 2. Above: 0.5 with x, 0.1 without, 0.3667 in all."""
    rules = small({"x": cause(["a.above"])}, [procedure("reads_a", "a"), procedure("reads_d", "d")])
    whole = explained(rules, verdict("a", "not_measured"), verdict("d", "not_measured")).next_readings
    assert [entry.procedure for entry in whole] == ["reads_a", "reads_d"]
    above = (2 * 0.5 + 0.1) / 3
    bits = (
        float(entropy([above, 1 - above], base=2))
        - (2 * float(entropy([0.5, 0.5], base=2)) + float(entropy([0.1, 0.9], base=2))) / 3
    )
    first, second = (entry.expected_reduction for entry in whole)
    assert first.causes == pytest.approx(2 * bits)
    assert (first.verdicts, first.findings) == (0.05, 0.0)
    assert first.bits == pytest.approx(2 * bits + 0.05)
    assert (second.causes, second.verdicts, second.findings) == (0.0, 0.05, 0.0)
    assert (whole[0].separates, whole[1].separates) == (("x",), ())


def test_a_repetition_is_worth_less() -> None:
    rules = small({"x": cause(["a.above"])}, [procedure("reads_a", "a")])
    first = explained(rules, verdict("a", "not_measured")).next_readings[0].expected_reduction
    again = explained(rules, verdict("a", "undecided", 0.5)).next_readings[0].expected_reduction
    assert again.causes == pytest.approx(0.25 * first.causes)
    assert (first.verdicts, again.verdicts) == (0.05, 0.02)


# Whatever the evidence -------------------------------------------------------------------------------------------

LINT = lint(RULES)


def verdicts_at_random(chance: random.Random) -> list[Verdict]:
    found = []
    for name in chance.sample(sorted(RULES.criteria), 45):
        word = chance.choice(("above", "within", "below", "undecided", "not_measured", "implausible"))
        above = chance.random()
        probabilities = (above, (1.0 - above) * chance.random()) if word == "undecided" else (None, None)
        entry = RULES.criteria[name]
        found.append(Verdict(name, entry.quantity, word, f"{name}.{word}", None, None, None, *probabilities))
    return found


def test_the_weights_are_fit() -> None:
    assert LINT == []


@pytest.mark.parametrize("seed", range(150))
def test_beliefs_hold_for_any_tokens(seed: int) -> None:
    """Sum to at most 1, whatever the order; nothing that is ruled out or lacks what it needs; ranks follow belief."""
    chance = random.Random(seed)
    verdicts = verdicts_at_random(chance)
    seen = set(chance.sample(sorted(RULES.observations), 12))
    held = {entry.token for entry in verdicts} | seen
    firings = PREPARED.reasoner.conclude(held)
    extra = [Firing(name, RULES.diagnoses[name].conclusion) for name in chance.sample(sorted(RULES.diagnoses), 12)]
    firings = list({entry.rule: entry for entry in [*firings, *extra]}.values())
    found = PREPARED.explainer.explain(Material(verdicts, seen, firings, {}, ()))
    held |= {entry.conclusion for entry in firings}
    shuffled = verdicts[:]
    chance.shuffle(shuffled)
    again = PREPARED.explainer.explain(Material(shuffled, seen, firings, {}, ()))
    assert [(entry.cause, entry.rank) for entry in again.causes] == [
        (entry.cause, entry.rank) for entry in found.causes
    ]
    assert [e.belief for e in again.causes] == pytest.approx([e.belief for e in found.causes])
    assert {e.procedure: e.expected_reduction.bits for e in again.next_readings} == pytest.approx(
        {e.procedure: e.expected_reduction.bits for e in found.next_readings}
    )
    for causes in (found.causes, *(finding.causes for finding in found.findings)):
        assert sum(entry.belief for entry in causes) <= 1.0 + 1e-9
        for entry in causes:
            assert not held & set(RULES.causes[entry.cause].excluded_by)
            assert held >= set(RULES.causes[entry.cause].needs)
            assert 0.0 <= entry.belief <= 1.0
            assert set(entry.evidence_for) | set(entry.evidence_against) <= held
        for first, second in itertools.pairwise(causes):
            tie = RULES.evidence.tie.value * (1 + 1e-9)
            if first.rank < second.rank:
                assert first.belief > second.belief
            leader = max((e for e in causes if e.rank == first.rank), key=lambda e: e.belief)
            like_belief = leader.belief <= tie * second.belief
            like_evidence = abs(leader.score - second.score) <= math.log2(tie)
            assert (first.rank == second.rank) == (like_belief or like_evidence)
    bits = [entry.expected_reduction.bits for entry in found.next_readings]
    assert bits == pytest.approx(sorted(bits, reverse=True))
    for entry in found.next_readings:
        assert min(entry.expected_reduction.causes, entry.expected_reduction.verdicts) >= 0.0
        assert bool(entry.expected_reduction.causes) <= bool(entry.separates)


@pytest.mark.parametrize("seed", range(60))
def test_what_a_cause_expects_never_lowers_it(seed: int) -> None:
    """Against every cause that says nothing of the same readings."""
    chance = random.Random(seed)
    made = PREPARED.explainer._beliefs
    name = chance.choice([name for name in sorted(RULES.causes) if made.profiles[name].mentions])
    verdicts = verdicts_at_random(chance)
    judged = {entry.criterion for entry in verdicts}
    token = next((t for t in RULES.causes[name].expects if (c := t.rpartition(".")[0]) in RULES.criteria
                  and c not in judged and t.rpartition(".")[2] in ("above", "within", "below")), None)  # fmt: skip
    if token is None:
        name, token = "filter_loaded_with_dirt", "filter_pressure_drop_against_rating.above"
        verdicts = [entry for entry in verdicts if not entry.criterion.startswith("filter")]
    subject, _, word = token.rpartition(".")
    more = [*verdicts, Verdict(subject, RULES.criteria[subject].quantity, word, token)]  # type: ignore[arg-type]
    before, after = (Known(found, {entry.token for entry in found}) for found in (verdicts, more))
    assert made.log_ratio(name, after) >= made.log_ratio(name, before)
    others = [other for other in RULES.causes if subject not in made.ratios[other]]
    log_before = made.shares({other: made.log_ratio(other, before) for other in [name, *others]})
    log_after = made.shares({other: made.log_ratio(other, after) for other in [name, *others]})
    assert log_after[name] >= log_before[name] * (1 - 1e-12)
    assert all(log_after[other] <= log_before[other] * (1 + 1e-12) for other in others)


# The rules' own cases --------------------------------------------------------------------------------------------

FOLDER = rules_folder()
CASES = read_cases(FOLDER)[0]
HARMLESS = {name for name, entry in RULES.causes.items() if entry.remedy.startswith("None")}
"""Causes that are no fault: nothing is to be done about them."""


def evaluated(request: dict[str, Any]) -> Any:
    return pipeline.evaluate(msgspec.convert(request, EvaluationRequest, strict=False), PREPARED)


@pytest.mark.parametrize(
    "topic", sorted({path.parent.name for path in Path(FOLDER).glob("cases/*/*.toml")} - {"healthy"})
)
def test_no_case_names_a_cause_that_its_readings_rule_out(topic: str) -> None:
    named = 0
    for path in sorted((FOLDER / "cases" / topic).glob("*.toml")):
        for case in CASES[path.stem].case:
            for context in evaluated(changed(visit(FOLDER, case.visit), case)).contexts:
                held = {entry.token for entry in context.verdicts} | set(context.observations)
                held |= {conclusion for _, conclusion in context.firings}
                no_flow = "airflow_reading_at_hand.within" not in held
                for causes in (context.causes, *(finding.causes for finding in context.findings)):
                    assert sum(entry.belief for entry in causes) <= 1.0 + 1e-9
                    for entry in causes:
                        named += 1
                        assert not held & set(RULES.causes[entry.cause].excluded_by), (path.stem, entry.cause)
                        if no_flow and "external_static_pressure_low.below" in held:
                            assert entry.cause not in HARMLESS, (path.stem, case.title)
    assert named


def test_low_static_pressure_without_airflow_is_never_health() -> None:
    """No rule that rests on low static pressure offers a harmless cause unless an airflow reading is at hand."""
    assert HARMLESS
    independent = "airflow_reading_at_hand.within"
    offered = set()
    for rule in RULES.diagnoses.values():
        for name in HARMLESS & set(rule.causes):
            offered.add(name)
            needs = {*rule.when, *RULES.causes[name].needs}
            assert independent in needs or not any("static_pressure" in t or "pressure_drop_low" in t for t in needs)
    assert "ducts_generous" in offered


def test_every_token_of_a_cause_is_one_that_can_come() -> None:
    known = tokens(RULES)
    for entry in RULES.causes.values():
        assert {*entry.expects, *entry.against, *entry.excluded_by, *entry.strength} <= known


@pytest.mark.parametrize("path", sorted((FOLDER / "cases" / "healthy").glob("*.json")), ids=lambda path: path.stem)
def test_healthy_visits_have_no_likely_cause(path: Path) -> None:
    for context in evaluated(json.loads(path.read_text(encoding="utf-8"))).contexts:
        assert all(entry.word != "likely" or not entry.evidence_against for entry in context.causes)
