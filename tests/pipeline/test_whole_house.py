"""What belongs to no state is told once; nothing is lost by it, and nothing is told that no context would say alone."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec
import pytest

from service import derive, normalise, pipeline
from service.model.evaluation import Conclusions, Evaluation
from service.wire import render
from service.wire.request import EvaluationRequest
from service.wire.response import EvaluationResult

RULES = Path(__file__).parents[2] / "rules"
PREPARED = pipeline.load().current
VISITS = sorted([*(RULES / "cases" / "visits").glob("*.json"), *(RULES / "cases" / "healthy").glob("*.json")])
DUCT_TEST = {
    "kind": "duct_leakage",
    "extent": "total",
    "points": [{"pressure": {"value": 25.0, "unit": "Pa"}, "airflow": {"value": 160.0, "unit": "[cft_i]/min"}}],
}


def request(document: dict[str, Any]) -> EvaluationRequest:
    return msgspec.convert(document, EvaluationRequest, strict=False)


def evaluated(document: dict[str, Any]) -> Evaluation:
    return pipeline.evaluate(request(document), PREPARED)


def each_alone(document: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> Evaluation:
    """The evaluation with every context told by itself, as if nothing belonged to the whole house."""
    together = derive.work_out

    def without_house(*given: Any) -> derive.WorkedOut:
        return derive.WorkedOut(None, together(*given).contexts)

    with monkeypatch.context() as patched:
        patched.setattr(pipeline.derive, "work_out", without_house)
        visit = normalise.normalise(request(document), PREPARED.ruleset, PREPARED.units)
        return pipeline.judge_visit(visit, PREPARED)


def written(evaluation: Evaluation) -> EvaluationResult:
    return render.result(evaluation, PREPARED.ruleset, PREPARED.units, "si")


def findings(evaluation: Evaluation) -> set[tuple[str, str, tuple[str, ...], str]]:
    """Findings as a reader sees them, with every number filled in."""
    return {
        (f.code, f.severity, tuple(e.token + e.statement for e in f.evidence), f.summary + f.what_to_do)
        for f in written(evaluation).findings
    }


def numbers(parts: tuple[Conclusions, ...]) -> set[bytes]:
    return {msgspec.json.encode(entry) for part in parts for entry in (*part.quantities, *part.verdicts)}


def not_judged(parts: tuple[Conclusions, ...]) -> set[tuple[str, str, str]]:
    return {(entry.criterion, entry.reason, entry.detail) for part in parts for entry in part.not_judged}


def visit(*readings: dict[str, Any], states: tuple[str, ...] = (), **more: Any) -> dict[str, Any]:
    document = {"equipment": {"arrangement": "furnace_with_cased_coil"}, "readings": list(readings), **more}
    if states:
        document["states"] = [{"id": name, "mode": name} for name in states]
    return document


@pytest.mark.parametrize("path", VISITS, ids=lambda path: path.stem)
def test_nothing_is_lost_and_nothing_is_added(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    document = json.loads(path.read_text(encoding="utf-8"))
    told, alone = evaluated(document), each_alone(document, monkeypatch)
    assert alone.whole_house is None
    assert [(c.state, c.area) for c in told.contexts] == [(c.state, c.area) for c in alone.contexts]
    assert findings(told) == findings(alone)
    assert numbers(told.parts) == numbers(alone.parts)
    assert not_judged(told.parts) == not_judged(alone.parts)
    assert {c.code for c in told.cautions} == {c.code for c in alone.cautions}
    assert told.highest_severity == alone.highest_severity


@pytest.mark.parametrize("path", VISITS, ids=lambda path: path.stem)
def test_what_the_house_tells_no_context_tells_again(path: Path) -> None:
    told = evaluated(json.loads(path.read_text(encoding="utf-8")))
    house = told.whole_house
    if house is None:
        assert path.stem == "elevation_not_given_1600_m", "every other visit tells where its site lies"
        return
    for context in told.contexts:
        assert {q.name for q in house.quantities}.isdisjoint(q.name for q in context.quantities)
        assert {v.criterion for v in house.verdicts}.isdisjoint(v.criterion for v in context.verdicts)
        assert {n.criterion for n in house.not_judged}.isdisjoint(n.criterion for n in context.not_judged)
        assert {(f.code, f.evidence) for f in house.findings}.isdisjoint((f.code, f.evidence) for f in context.findings)


def test_a_leakage_test_is_told_once_for_three_states() -> None:
    document = visit(DUCT_TEST, states=("heating", "cooling", "fan_only"))
    told = evaluated(document | {"site": {"floor_area": {"value": 1500.0, "unit": "[sft_i]"}}})
    codes = [(part is told.whole_house, f.code) for part in told.parts for f in part.findings]
    assert codes.count((True, "duct_leakage_above_new_work")) == 1
    assert (False, "duct_leakage_above_new_work") not in codes
    assert len(told.contexts) == 3


def test_a_leakage_test_is_told_once_although_only_one_state_knows_the_air() -> None:
    """The air of the rooms is the visit's: a state without a temperature does not tell another leakage."""
    air = {"kind": "dry_bulb_temperature", "location": "return_plenum", "value": {"value": 24.0, "unit": "Cel"}}
    told = evaluated(visit(DUCT_TEST, air | {"state": "cooling"}, states=("heating", "cooling")))
    assert told.whole_house is not None
    assert "duct_leakage_total" in {quantity.name for quantity in told.whole_house.quantities}


def test_records_of_the_house_alone_make_no_state() -> None:
    told = evaluated(visit(DUCT_TEST))
    assert told.contexts == ()
    assert told.whole_house is not None
    assert [q.name for q in told.whole_house.quantities if q.name == "duct_leakage_total"]
    assert {entry.context.whole_house for entry in written(told).quantities} == {True}


def test_a_state_that_the_visit_names_is_kept_even_without_records_of_its_own() -> None:
    told = evaluated(visit(DUCT_TEST, states=("cooling",)))
    assert [context.state.id for context in told.contexts] == ["cooling"]
    assert "external_static_pressure_maximum" in {entry.criterion for entry in told.contexts[0].not_judged}


def test_a_visit_without_records_of_the_house_has_no_such_part() -> None:
    pressure = {"kind": "static_pressure", "station": "filter_inlet", "value": {"value": -20.0, "unit": "Pa"}}
    told = evaluated(visit(pressure))
    assert told.whole_house is None
    assert len(told.contexts) == 1
    assert not any(entry.context.whole_house for entry in written(told).not_judged)


def test_a_state_that_knows_more_tells_it_itself() -> None:
    """Carbon monoxide read without a state in one room, and more of it in another while heating."""
    low = {"kind": "carbon_monoxide", "location": "indoor", "value": {"value": 12.0, "unit": "[ppm]"}}
    high = {"kind": "carbon_monoxide", "location": "basement", "value": {"value": 60.0, "unit": "[ppm]"}}
    told = evaluated(visit(low, high | {"state": "heating"}, states=("heating", "cooling")))
    heating, cooling = told.contexts
    first = next(quantity for quantity in heating.quantities if quantity.name == "ambient_carbon_monoxide")
    assert first.subject == "basement"
    assert [q.subject for q in cooling.quantities if q.name == "ambient_carbon_monoxide"] == ["indoor"]
    assert told.whole_house is not None
    assert "ambient_carbon_monoxide" not in {quantity.name for quantity in told.whole_house.quantities}


def test_spillage_without_a_state_is_the_houses_and_that_of_a_state_is_its_own() -> None:
    """Both are told: they are two observations, though their words are the same."""
    appliance = {"id": "heater", "kind": "water_heater", "venting": "natural_draft"}
    seen = {"kind": "spillage", "appliance": "heater", "spills": True, "seconds_after_lighting": 600.0}
    both = visit(seen, seen | {"state": "heating"}, states=("heating", "cooling"), appliances=[appliance])
    told = evaluated(both)
    assert told.whole_house is not None
    assert "flue_gas_spills" in {finding.code for finding in told.whole_house.findings}
    heating, cooling = told.contexts
    assert "flue_gas_spills" in {finding.code for finding in heating.findings}
    assert "flue_gas_spills" not in {finding.code for finding in cooling.findings}
    assert told.highest_severity == "hazard"


def test_a_finding_of_the_house_counts_for_the_highest_severity() -> None:
    gas = {"kind": "carbon_monoxide", "location": "indoor", "value": {"value": 150.0, "unit": "[ppm]"}}
    told = evaluated(visit(gas))
    assert told.contexts == ()
    assert told.highest_severity == "hazard"


def test_a_trace_tells_every_firing_once() -> None:
    path = RULES / "cases" / "visits" / "house_leaky_cold_sea_level.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    told = evaluated(document)
    trace = render.trace(told, PREPARED.ruleset, PREPARED.units, request(document), "si")
    house = {firing.rule for firing in trace.firings if firing.context.whole_house}
    assert house
    assert house.isdisjoint(firing.rule for firing in trace.firings if not firing.context.whole_house)
    names = [quantity.name for quantity in trace.quantities]
    assert names.count("envelope_leakage") == 1
