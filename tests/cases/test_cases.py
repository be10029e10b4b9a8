"""Every rule against its cases, and every healthy visit against silence."""

from __future__ import annotations

import json
from pathlib import Path

import msgspec
import pytest

from service.model.evaluation import SEVERITIES
from service.model.ruleset import Case
from service.pipeline import Prepared, prepare
from service.ruleset import load_ruleset, rules_folder
from service.ruleset.lint import lint_cases
from service.ruleset.load import read_cases
from tests.cases.judging import changed, judged, problems, shape_faults, visit

RULES = rules_folder()
CASE_FILES, FAULTS = read_cases(RULES)
HEALTHY = sorted((RULES / "cases" / "healthy").glob("*.json"))


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    return prepare(load_ruleset(RULES))


def test_case_files_have_their_shape() -> None:
    assert FAULTS == []
    assert len(CASE_FILES) >= 35


def test_every_rule_has_the_four_kinds_of_case(prepared: Prepared) -> None:
    assert lint_cases(prepared.ruleset, CASE_FILES) == []


@pytest.mark.parametrize("rule", sorted(CASE_FILES))
def test_cases_say_what_their_kind_calls_for(rule: str, prepared: Prepared) -> None:
    faults = [
        f"{case.kind}: {fault}"
        for case in CASE_FILES[rule].case
        for fault in shape_faults(rule, case, prepared.ruleset)
    ]
    assert faults == []


@pytest.mark.parametrize(
    ("rule", "case"),
    [
        pytest.param(rule, case, id=f"{rule}-{case.kind}-{index}")
        for rule, file in sorted(CASE_FILES.items())
        for index, case in enumerate(file.case)
    ],
)
def test_case(rule: str, case: Case, prepared: Prepared) -> None:
    assert problems(rule, case, visit(RULES, case.visit), prepared) == [], case.title


@pytest.mark.parametrize("path", HEALTHY, ids=lambda path: path.stem)
def test_nothing_above_a_note_is_said_of_a_healthy_visit(path: Path, prepared: Prepared) -> None:
    evaluation = judged(json.loads(path.read_text(encoding="utf-8")), prepared)
    loud = [
        (getattr(part, "state", None), finding.severity, finding.code)
        for part in evaluation.parts
        for finding in part.findings
        if SEVERITIES.index(finding.severity) > SEVERITIES.index("note")
    ]
    assert loud == []
    assert all(context.verdicts for context in evaluation.contexts)
    assert evaluation.set_aside == ()


def test_healthy_visits_are_enough_and_at_both_elevations() -> None:
    elevations = [json.loads(path.read_text(encoding="utf-8"))["site"]["elevation"]["value"] for path in HEALTHY]
    assert len(HEALTHY) >= 30
    assert elevations.count(0) >= 3
    assert sum(elevation > 1000 for elevation in elevations) >= 3


def test_a_quarter_of_the_fault_visits_lies_at_elevation() -> None:
    names = {case.visit for file in CASE_FILES.values() for case in file.case if case.kind == "fires"}
    high = [
        name for name in sorted(names) if visit(RULES, name).get("site", {}).get("elevation", {}).get("value", 0) > 1000
    ]
    assert len(high) >= len(names) / 4


def test_a_case_that_expects_the_wrong_thing_is_noticed(prepared: Prepared) -> None:
    """The checks above can fail: each expectation turned round is reported."""
    rule = "external_static_pressure_above_rating"
    fires = next(case for case in CASE_FILES[rule].case if case.kind == "fires")
    request = visit(RULES, fires.visit)
    assert problems(rule, fires, request, prepared) == []
    for wrong in (
        {"kind": "near_miss"},
        {"expect": ["filter_pressure_drop_far_below_rating"]},
        {"expect_not": [rule]},
        {"expect_verdicts": ["external_static_pressure_maximum.within"]},
        {"state": "no such state"},
    ):
        assert problems(rule, msgspec.structs.replace(fires, **wrong), request, prepared) != [], wrong


@pytest.mark.parametrize("field", ["set", "remove"])
def test_a_name_that_no_reading_answers_to_is_refused(field: str) -> None:
    base = next(iter(CASE_FILES.values())).case[0]
    value: object = {"static_pressure nowhere": 1.0} if field == "set" else ["static_pressure nowhere"]
    case = msgspec.structs.replace(base, **{"set": {}, "remove": [], field: value})
    with pytest.raises(LookupError, match="nowhere"):
        changed(visit(RULES, base.visit), case)


def test_no_visit_lies_unused() -> None:
    written = {path.stem for path in (RULES / "cases" / "visits").glob("*.json")}
    used = {case.visit for file in CASE_FILES.values() for case in file.case}
    assert written - used == set()
    assert {name for name in used if not name.startswith("healthy/")} <= written
