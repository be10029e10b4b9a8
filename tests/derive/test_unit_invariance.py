"""The same visit in any accepted units gives the same answer, over every measure that a visit of the sampling has."""

from __future__ import annotations

import re
from collections import defaultdict
from typing import Any

import msgspec
import pytest

from service import normalise
from service.wire import request as wire
from service.wire.request import EvaluationRequest
from tests.derive.sampling import worked_out
from tests.derive.sheets import PREPARED
from tests.derive.test_sampled_visit import VISITS

SCALES = PREPARED.units.scales
NAMES = {"Pressure": "gauge_pressure", "PressureSeries": "gauge_pressure", "VelocitySeries": "velocity"}
MEASURES = {
    kind: NAMES.get(name, re.sub(r"(?<=.)([A-Z])", r"_\1", name).lower())
    for name, kind in vars(wire).items()
    if isinstance(kind, type)
    and issubclass(kind, msgspec.Struct)
    and kind.__struct_fields__ in (("value", "unit"), ("values", "unit"))
}
"""Structs of one measure, or of several in one unit, and the dimension of each: one struct per dimension."""
CODES = {
    dimension: [unit.code for unit in PREPARED.ruleset.dimensions[dimension].unit] for dimension in MEASURES.values()
}
TURNS = max(map(len, CODES.values()))


def in_other_units(thing: Any, turn: int, used: dict[str, set[str]]) -> Any:
    """The same request with every measure in its dimension's unit of that turn."""
    dimension = MEASURES.get(type(thing))
    if dimension is not None:
        code = CODES[dimension][turn % len(CODES[dimension])]
        used[dimension].add(code)
        return msgspec.structs.replace(
            thing,
            unit=code,
            **{
                name: converted(getattr(thing, name), dimension, thing.unit, code)
                for name in thing.__struct_fields__
                if name != "unit"
            },
        )
    if isinstance(thing, msgspec.Struct):
        changed = {name: in_other_units(getattr(thing, name), turn, used) for name in thing.__struct_fields__}
        samples, value = changed.get("samples"), getattr(thing, "value", None)
        if isinstance(samples, wire.Samples) and value is not None:  # its values are in the unit of the value
            values = converted(samples.values, MEASURES[type(value)], value.unit, changed["value"].unit)
            changed["samples"] = msgspec.structs.replace(samples, values=values)
        return msgspec.structs.replace(thing, **changed)
    if isinstance(thing, list):
        return [in_other_units(entry, turn, used) for entry in thing]
    return thing


def converted(numbers: Any, dimension: str, unit: str, code: str) -> Any:
    if isinstance(numbers, list):
        return [converted(number, dimension, unit, code) for number in numbers]
    scale = SCALES[dimension][code]
    return (PREPARED.units.to_si(dimension, numbers, unit) - scale.offset) / scale.factor


def answer(request: EvaluationRequest) -> dict[tuple[int, str], tuple[float, float]]:
    return {
        (number, key): (quantity.value, quantity.uncertainty)
        for number, sheet in enumerate(worked_out(normalise.normalise(request, PREPARED.ruleset, PREPARED.units)))
        for key, quantity in sheet.quantities.items()
    }


@pytest.mark.parametrize("name", VISITS)
def test_the_same_visit_in_any_units_gives_the_same_answer(name: str) -> None:
    request = msgspec.convert(VISITS[name](), EvaluationRequest, strict=False)
    plain = answer(request)
    for turn in range(TURNS):
        other = answer(in_other_units(request, turn, defaultdict(set)))
        assert other.keys() == plain.keys()
        for key, (value, uncertainty) in plain.items():
            # A difference of nearly equal numbers keeps the digits of those numbers, not of itself.
            slack = 1e-6 * uncertainty + 1e-9
            assert other[key][0] == pytest.approx(value, rel=1e-9, abs=slack), key
            assert other[key][1] == pytest.approx(uncertainty, rel=1e-5, abs=1e-12), key


def test_every_unit_of_every_measure_is_used() -> None:
    used: dict[str, set[str]] = defaultdict(set)
    for made in VISITS.values():
        request = msgspec.convert(made(), EvaluationRequest, strict=False)
        for turn in range(TURNS):
            in_other_units(request, turn, used)
    assert used == {dimension: set(codes) for dimension, codes in CODES.items()}
