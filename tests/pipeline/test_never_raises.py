"""Whatever decodes is answered: no exception, no number that JSON cannot carry, no promise broken by odd input."""

from __future__ import annotations

import json
import math
import random
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service import derive, normalise, pipeline
from service.model.evaluation import Evaluation
from service.model.units import UnitSystem
from service.wire import render
from service.wire.request import EvaluationRequest
from tests.pipeline.requests import any_request, spoiled
from tests.visits import house_air
from tests.visits.healthy import EXAMPLE_VISIT, VISITS

SYSTEMS: tuple[UnitSystem, ...] = ("ip", "si")
PREPARED = pipeline.working()
WRITTEN = [
    *(visit.request(visit.runs()) for visit in (*VISITS, EXAMPLE_VISIT)),
    *(house_air.request(dwelling) for dwelling in house_air.DWELLINGS),
]


def unfit(tree: Any, path: str = "") -> list[str]:
    """Paths of everything in plain data that JSON cannot carry or an answer never holds: NaN, infinity, null."""
    if tree is None or (isinstance(tree, float) and not math.isfinite(tree)):
        return [f"{path}: {tree}"]
    if isinstance(tree, dict):
        return [fault for key, value in tree.items() for fault in unfit(value, f"{path}/{key}")]
    if isinstance(tree, list | tuple):
        return [fault for index, value in enumerate(tree) for fault in unfit(value, f"{path}/{index}")]
    return []


def answer(request: EvaluationRequest) -> Evaluation:
    """The evaluation, after everything that every answer must hold was looked at."""
    evaluation = pipeline.evaluate(request, PREPARED)
    rules, units = PREPARED.ruleset, PREPARED.units
    for system in SYSTEMS:
        result = render.result(evaluation, rules, units, system)
        trace = render.trace(evaluation, rules, units, request, system)
        assert unfit(msgspec.to_builtins(result)) == []
        assert unfit(msgspec.to_builtins(trace.quantities)) == []
        json.loads(msgspec.json.encode(trace))
        for finding in result.findings:
            words = " ".join((finding.summary, finding.why_it_matters, finding.what_to_do))
            assert "{" not in words
            assert "}" not in words
    house = () if evaluation.whole_house is None else evaluation.whole_house.quantities
    for context in evaluation.parts:
        assert len(context.next_readings) <= 5
        for quantity in context.quantities:
            assert quantity.uncertainty >= 0.0
        for verdict in context.verdicts:
            for probability in (verdict.probability_above, verdict.probability_below):
                assert probability is None or 0.0 <= probability <= 1.0
        named = {quantity.name for quantity in (*house, *context.quantities)}
        for verdict in context.verdicts:
            assert (verdict.quantity in named) == (verdict.verdict != "not_measured")
    assert {caution.id for caution in rules.cautions.values() if caution.always} <= {
        caution.code for caution in evaluation.cautions
    }
    return evaluation


@settings(deadline=None, max_examples=250, suppress_health_check=list(HealthCheck))
@given(request=any_request(PREPARED.ruleset))
def test_any_request_is_answered(request: EvaluationRequest) -> None:
    answer(request)


@settings(deadline=None, max_examples=600, suppress_health_check=list(HealthCheck))
@given(
    visit=st.sampled_from(range(len(WRITTEN))),
    seed=st.integers(0, 2**32),
    times=st.sampled_from([1, 2, 4, 8, 16, 40]),
)
def test_a_spoiled_visit_is_answered(visit: int, seed: int, times: int) -> None:
    answer(spoiled(WRITTEN[visit], PREPARED.ruleset, random.Random(seed), times))


@settings(deadline=None, max_examples=250, suppress_health_check=list(HealthCheck))
@given(request=any_request(PREPARED.ruleset))
def test_every_reading_is_used_or_set_aside_with_a_remedy(request: EvaluationRequest) -> None:
    visit = normalise.normalise(request, PREPARED.ruleset, PREPARED.units)
    records = (*visit.readings, *visit.traverses, *visit.leakage_tests, *visit.gas_clocks)
    used = {record.pointer for record in records}
    for entry in visit.set_aside:
        assert entry.pointer.startswith("#/")
        assert entry.code
        assert entry.detail.endswith(".")
        assert entry.remedy.endswith(".")
    for index in range(len(request.readings)):
        pointer = f"#/readings/{index}"
        said = [
            entry for entry in visit.set_aside if entry.pointer == pointer or entry.pointer.startswith(pointer + "/")
        ]
        assert pointer in used or said, f"{pointer} was dropped without a word"
    read = {reading.key for sheet in derive.contexts(visit, PREPARED.ruleset) for reading in sheet.readings}
    assert read == {reading.key for reading in visit.readings}


@pytest.mark.parametrize(
    "readings",
    [
        [{"kind": "static_pressure", "station": "supply_plenum", "value": {"value": 0.31, "unit": "inH2O"}}],
        [{"kind": "static_pressure", "station": "before.nowhere", "value": {"value": 0.31, "unit": "inH2O"}}],
        [{"kind": "voltage", "component": "blower", "value": {"value": 0.0, "unit": "V"}}],
        [{"kind": "electric_power", "component": "blower", "value": {"value": 0.0, "unit": "W"}}],
        [{"kind": "airflow", "location": "filter_inlet", "basis": "standard", "value": {"value": -1e9, "unit": "cfm"}}],
        [{"kind": "station_pressure", "value": {"value": 0.0, "unit": "hPa"}}],
        [{"kind": "dry_bulb_temperature", "location": "indoor", "value": {"value": -1e9, "unit": "F"}}],
    ],
)
@pytest.mark.parametrize(
    "arrangement",
    [
        "furnace_with_cased_coil",
        "air_handler_with_internal_coil",
        "packaged_unit",
        "ducted_metric_unit",
        "belt_driven_unit",
        "custom",
    ],
)
def test_a_single_reading_is_a_visit(arrangement: str, readings: list[dict[str, Any]]) -> None:
    request = msgspec.convert({"equipment": {"arrangement": arrangement}, "readings": readings}, EvaluationRequest)
    evaluation = answer(request)
    barometer = readings[0]["kind"] == "station_pressure"
    assert len(evaluation.contexts) == (0 if barometer else 1)
    assert evaluation.whole_house is not None or not barometer


def test_nothing_is_wrong_where_nothing_was_said() -> None:
    """A single plausible reading on unknown equipment: no fault may be found in it."""
    request = msgspec.convert(
        {
            "equipment": {"arrangement": "furnace_with_cased_coil"},
            "readings": [{"kind": "dry_bulb_temperature", "location": "indoor", "value": {"value": 70.0, "unit": "F"}}],
        },
        EvaluationRequest,
    )
    evaluation = answer(request)
    assert evaluation.highest_severity in (None, "note")
    assert evaluation.contexts[0].not_judged


@pytest.mark.parametrize("smallest", [5e-324, 1e-300, 1e-160])
@pytest.mark.parametrize(
    "rating", ["nominal_cooling_capacity", "design_airflow", "rated_maximum_external_static_pressure"]
)
def test_a_rating_next_to_nothing_makes_no_number_beyond_all_measure(rating: str, smallest: float) -> None:
    unit = {"nominal_cooling_capacity": "Btu/h", "design_airflow": "cfm"}.get(rating, "inH2O")
    request = msgspec.convert(
        {
            "equipment": {"arrangement": "furnace_with_cased_coil", rating: {"value": smallest, "unit": unit}},
            "readings": [
                {
                    "kind": "airflow",
                    "location": "filter_inlet",
                    "basis": "actual",
                    "value": {"value": 1e9, "unit": "cfm"},
                },
                {"kind": "static_pressure", "station": "filter_outlet", "value": {"value": -1e9, "unit": "psi"}},
                {"kind": "static_pressure", "station": "coil_inlet", "value": {"value": 1e9, "unit": "psi"}},
            ],
        },
        EvaluationRequest,
    )
    evaluation = answer(request)
    assert all(abs(quantity.value) < 1e61 for quantity in evaluation.contexts[0].quantities)
