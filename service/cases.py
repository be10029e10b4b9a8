"""Applies a case of a rule to its visit and says in which way the answer departs from what the case expects."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from service.model.evaluation import SEVERITIES, Conclusions, Evaluation, Finding
from service.model.ruleset import Case, Ruleset
from service.model.visit import WHOLE_HOUSE
from service.pipeline import Prepared, evaluate
from service.ruleset.lint import lint_cases
from service.ruleset.load import read_cases
from service.wire.request import EvaluationRequest

Request = dict[str, Any]
PLACES = ("station", "location", "component", "zone", "appliance", "fan", "room", "extent", "direction")


def visit(folder: Path, name: str) -> Request:
    """The request of a visit by name, or of a healthy one as `healthy/<name>`."""
    path = folder / "cases" / (f"{name}.json" if name.startswith("healthy/") else f"visits/{name}.json")
    request: Request = json.loads(path.read_text(encoding="utf-8"))
    return request


def changed(request: Request, case: Case) -> Request:
    """A copy of the request with the case's changes.

    Raises
    ------
    LookupError : a name that no reading, or more than one where a number is set, answers to
    """
    spoiled = copy.deepcopy(request)
    for name, value in case.set.items():
        if name.startswith("/"):
            _put(spoiled, name, value)
            continue
        found = _readings(spoiled, name)
        if len(found) != 1:
            raise LookupError(f"{name!r} names {len(found)} readings")
        found[0]["value"]["value"] = value
        found[0].pop("samples", None)
    for name in case.remove:
        if name.startswith("/"):
            _take(spoiled, name)
            continue
        found = _readings(spoiled, name)
        if not found:
            raise LookupError(f"{name!r} names no reading")
        spoiled["readings"] = [reading for reading in spoiled["readings"] if not any(reading is f for f in found)]
    return spoiled


def _readings(request: Request, name: str) -> list[dict[str, Any]]:
    kind, *words = name.split()
    found = [reading for reading in request["readings"] if reading["kind"] == kind]
    for word in words:
        found = [reading for reading in found if word in (_place(reading), reading.get("state"))]
    return found


def _place(reading: Mapping[str, Any]) -> str:
    if reading["kind"] == "pressure_difference":
        return f"{reading['input_station']}>{reading['reference_station']}"
    if reading["kind"] == "zone_pressure":
        return f"{reading['zone']}>{reading['reference']}"
    return next((str(reading[name]) for name in PLACES if name in reading), "")


def _steps(pointer: str) -> list[str]:
    return [step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:]]


def _put(document: Any, pointer: str, value: object) -> None:
    """Set a value by JSON Pointer (RFC 6901); missing parents are made, lists where an index follows."""
    *parents, last = _steps(pointer)
    for step, following in zip(parents, [*parents, last][1:], strict=True):
        fresh: Any = [] if following.isdigit() else {}
        if isinstance(document, list):
            if int(step) == len(document):
                document.append(fresh)
            document = document[int(step)]
        else:
            document = document.setdefault(step, fresh)
    if isinstance(document, list) and int(last) == len(document):
        document.append(value)
    elif isinstance(document, list):
        document[int(last)] = value
    else:
        document[last] = value


def _take(document: Any, pointer: str) -> None:
    *parents, last = _steps(pointer)
    for step in parents:
        document = document[int(step)] if isinstance(document, list) else document[step]
    del document[int(last) if isinstance(document, list) else last]


def judged(request: Request, prepared: Prepared) -> Evaluation:
    """The evaluation of a request, decoded as the service decodes it."""
    return evaluate(msgspec.json.decode(json.dumps(request), type=EvaluationRequest), prepared)


class Outcome(NamedTuple):
    """What one state, or the whole house, came to: rules that fired, what they concluded, tokens that held."""

    state: str
    rules: frozenset[str]
    conclusions: frozenset[str]
    tokens: frozenset[str]


def problems(rule: str, case: Case, request: Request, prepared: Prepared) -> list[str]:
    """How the answer departs from the case; an empty list where it does not."""
    evaluation = judged(changed(request, case), prepared)
    return departures(rule, case, outcomes_of(evaluation), prepared.ruleset)


def outcomes_of(evaluation: Evaluation) -> list[Outcome]:
    """What each context concludes; what the whole house says holds in all of them and is not said again there."""
    house = evaluation.whole_house
    everywhere = frozenset(() if house is None else (verdict.token for verdict in house.verdicts))
    if house is not None and not evaluation.contexts:
        return [_outcome(WHOLE_HOUSE.id, house, everywhere)]
    return [_outcome(context.state.id, context, everywhere) for context in evaluation.contexts]


def _outcome(state: str, part: Conclusions, everywhere: frozenset[str]) -> Outcome:
    return Outcome(
        state,
        frozenset(name for name, _ in part.firings),
        frozenset(conclusion for _, conclusion in part.firings),
        everywhere | {verdict.token for verdict in part.verdicts},
    )


def departures(rule: str, case: Case, outcomes: Sequence[Outcome], ruleset: Ruleset) -> list[str]:
    """How the outcomes of a case's visit depart from the case."""
    asked = [outcome for outcome in outcomes if case.state in (None, outcome.state)]
    if not asked:
        return [f"no operating state {case.state}"]
    fired = {name for outcome in asked for name in outcome.rules}
    conclusions = {conclusion for outcome in asked for conclusion in outcome.conclusions}
    established = fired | {conclusion.removeprefix("conclusion:") for conclusion in conclusions}
    tokens = {token for outcome in asked for token in outcome.tokens}
    wrong = []
    if (case.kind == "fires" or by_precaution(rule, case, ruleset)) != (rule in fired):
        wrong.append(f"a case of the kind {case.kind}, but {rule} {'fired' if rule in fired else 'was silent'}")
    wrong += [f"{name} was expected" for name in case.expect if name not in established]
    wrong += [f"{name} was not to fire" for name in case.expect_not if name in established]
    wrong += [f"the verdict {token} was expected" for token in case.expect_verdicts if token not in tokens]
    return wrong


def by_precaution(rule: str, case: Case, ruleset: Ruleset) -> bool:
    """Whether a value within its doubt of the limit counts as beyond it, because people could be hurt."""
    criteria = [ruleset.criteria.get(token.rpartition(".")[0]) for token in ruleset.diagnoses[rule].when]
    return case.kind == "straddles" and any(c is not None and c.decision_rule == "precautionary" for c in criteria)


def shape_faults(rule: str, case: Case, ruleset: Ruleset) -> list[str]:
    """What a case leaves out that its kind calls for."""
    faults = []
    compares = [token for token in ruleset.diagnoses[rule].when if token.rpartition(".")[0] in ruleset.criteria]
    speaks = case.kind == "fires" or by_precaution(rule, case, ruleset)
    if not speaks and rule not in case.expect_not:
        faults.append(f"it does not say that {rule} stays silent")
    if speaks and rule not in case.expect and ruleset.diagnoses[rule].concludes not in case.expect:
        faults.append(f"it does not expect {rule}")
    if compares and case.kind in ("straddles", "near_miss") and not case.expect_verdicts:
        faults.append("it compares a number but expects no verdict")
    if not any(character.isdigit() for character in case.arithmetic) and compares:
        faults.append("its arithmetic shows no number")
    return faults


def failures(folder: Path, prepared: Prepared) -> list[str]:
    """Every case of a rules folder that comes out otherwise than it says, and what is said of healthy visits."""
    files, faults = read_cases(folder)
    faults += lint_cases(prepared.ruleset, files)
    for rule, file in files.items():
        if rule not in prepared.ruleset.diagnoses:
            continue
        for case in file.case:
            try:
                wrong = problems(rule, case, visit(folder, case.visit), prepared)
            except (LookupError, OSError, ValueError) as error:
                wrong = [f"it cannot be run: {error}"]
            faults += [f"cases {rule}, {case.kind}, {case.title}: {one}" for one in wrong]
    for path in sorted((folder / "cases" / "healthy").glob("*.json")):
        evaluation = judged(json.loads(path.read_bytes()), prepared)
        loud = {finding.code for part in evaluation.parts for finding in said_aloud(part.findings)}
        faults += [f"cases healthy {path.stem}: {code} is said of it" for code in sorted(loud)]
    return faults


def said_aloud(findings: Iterable[Finding]) -> list[Finding]:
    """Findings above a note."""
    return [finding for finding in findings if SEVERITIES.index(finding.severity) > SEVERITIES.index("note")]
