"""Requests that decode, however odd: drawn from the request structs themselves, or grown out of a sound visit.

`any_request` follows the structs' own types and bounds, so a field added to the contract is drawn without a change
here. `spoiled` takes a written visit and damages it at random, which reaches deeper than chance alone.
"""

from __future__ import annotations

import copy
import datetime
import math
import random
from functools import cache
from typing import Any

import msgspec
from hypothesis import strategies as st
from msgspec import inspect

from service.model.ruleset import Ruleset
from service.wire.decode import accepted_units
from service.wire.request import (
    LARGEST,
    MEASURES,
    Accuracy,
    EarlierVisit,
    EvaluationRequest,
    LimitOverride,
)

ODD_NUMBERS = (
    0.0, -0.0, 1.0, -1.0, 1e-9, -1e-9, 5e-324, -5e-324, 1e-300, 2.2e-308, 1e-160, LARGEST, -LARGEST, LARGEST - 1,
    0.5, 0.31, -0.22, 0.6, 70.0, 120.0, 68.0, 13.3, -40.0, 100.0, 101.0, 0.8, 29.92, 400.0, 1200.0, 60000.0, 240.0,
)  # fmt: skip
"""Zeros, the smallest and largest that a request may carry, and values that make sense in some unit or other."""

IDENTIFIERS = ("cooling", "heating", "gauge-1", "thermometer-1", "a", "B.2:x")
REPORTS = (
    "METAR KXYZ 141553Z 20012G20KT 10SM FEW050 22/13 A2992 RMK AO2 SLP130 T02220128",
    "METAR KXYZ 141553Z 00000KT 10SM M05/M12 Q1013",
    "METAR of nothing",
)
LABELS = ("upstairs", "down stairs", "high", "low", "tap 3", "é∆ label")
MOMENTS = (
    datetime.datetime(2026, 3, 10, 10, 30, tzinfo=datetime.timezone(datetime.timedelta(hours=-7))),
    datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC),
    datetime.datetime(2199, 12, 31, 23, 59, 59, tzinfo=datetime.timezone(datetime.timedelta(hours=14))),
    datetime.datetime(1, 1, 1, tzinfo=datetime.timezone(datetime.timedelta(hours=14))),
    datetime.datetime(9999, 12, 31, 23, 59, 59, tzinfo=datetime.timezone(datetime.timedelta(hours=-12))),
)
KINDS = (
    "return_grille", "return_duct", "filter", "blower", "heat_exchanger", "electric_heater", "coil", "accessory",
    "zone_damper", "supply_duct", "register",
)  # fmt: skip

PLACED = ("station", "input_station", "reference_station", "location", "zone", "reference", "place")
"""Fields that take a station or a place."""


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    """Any number a field allows, odd ones often."""
    odd = [number for number in ODD_NUMBERS if low <= number <= high]
    return st.one_of(st.sampled_from(odd or [low]), st.floats(low, high, allow_nan=False))


class _Structs:
    """Strategies for every struct of the request, by walking its types."""

    def __init__(self, rules: Ruleset) -> None:
        self.rules = rules
        self.units = accepted_units([rules])
        self.locations = [
            *rules.stations,
            *rules.places,
            *(f"{side}.{kind}" for side in ("before", "after") for kind in (*KINDS, "filter_2", "nowhere")),
            "supply_plenun",
        ]
        self._built: dict[type, st.SearchStrategy[dict[str, Any]]] = {}

    def struct(self, kind: inspect.StructType) -> st.SearchStrategy[dict[str, Any]]:
        if kind.cls not in self._built:
            self._built[kind.cls] = self._struct(kind)
        return self._built[kind.cls]

    def _struct(self, kind: inspect.StructType) -> st.SearchStrategy[dict[str, Any]]:
        required: dict[str, st.SearchStrategy[Any]] = {}
        optional: dict[str, st.SearchStrategy[Any]] = {}
        if kind.tag is not None:
            required[str(kind.tag_field)] = st.just(kind.tag)
        for field in kind.fields:
            target = required if field.required else optional
            target[field.encode_name] = self._field(kind.cls, field.encode_name, field.type)
        if kind.cls in (EvaluationRequest, EarlierVisit):
            optional.pop("ruleset")
        return st.fixed_dictionaries(required, optional=optional)

    def _field(self, owner: type, name: str, kind: inspect.Type) -> st.SearchStrategy[Any]:
        if name == "unit":
            own = self.units[owner]
            return st.one_of(st.sampled_from(own[:2]), st.sampled_from(own))
        if name in PLACED and "LiteralType" not in repr(kind):
            return st.sampled_from(self.locations)
        if owner is LimitOverride and name == "criterion":
            return st.sampled_from([*self.rules.criteria, "no_such_criterion"])
        if name in ("readings", "air_path"):
            return st.lists(self._any(_item(kind)), min_size=1, max_size=9)
        if name == "inside":
            return st.lists(st.sampled_from([*KINDS, "filter_2", "nowhere"]), min_size=1, max_size=5)
        return self._any(kind)

    def _any(self, kind: inspect.Type) -> st.SearchStrategy[Any]:
        match kind:
            case inspect.Metadata():
                return self._any(kind.type)
            case inspect.StructType():
                return self.struct(kind)
            case inspect.UnionType():
                arms = [arm for arm in kind.types if not isinstance(arm, inspect.CustomType)]
                return st.one_of([self._any(arm) for arm in arms if "Unset" not in repr(arm)])
            case inspect.ListType():
                # Longer lists add time, not variety.
                low = kind.min_length or 0
                return st.lists(self._any(kind.item_type), min_size=low, max_size=low + 2)
            case inspect.FloatType() if kind.multiple_of is not None:
                return st.integers(int(_or(kind.ge, 0)), int(_or(kind.le, 12))).map(float)
            case inspect.FloatType():
                least = _or(kind.ge, -LARGEST) if kind.gt is None else math.nextafter(float(kind.gt), math.inf)
                return numbers(least, _or(kind.le, LARGEST))
            case inspect.IntType():
                return st.integers(int(_or(kind.ge, 0)), int(_or(kind.le, 12)))
            case inspect.BoolType():
                return st.booleans()
            case inspect.LiteralType():
                return st.sampled_from(kind.values)
            case inspect.DateTimeType():
                return st.sampled_from(MOMENTS).map(lambda moment: moment.isoformat())
            case inspect.DateType():
                return st.sampled_from(MOMENTS).map(lambda moment: moment.date().isoformat())
            case inspect.StrType():
                if kind.pattern is None:
                    return st.sampled_from(LABELS)
                if kind.pattern.startswith("^[A-Za-z0-9]"):
                    return st.sampled_from(IDENTIFIERS)
                if kind.pattern.startswith("^[A-Z]"):
                    return st.just("USD")
                if kind.pattern.startswith("^[ -~]"):
                    return st.sampled_from(REPORTS)
                if kind.pattern.startswith("^[a-z]"):
                    return st.sampled_from([*KINDS, "filter_2", "extra"])
                return st.sampled_from(LABELS)
            case _:
                raise NotImplementedError(f"the request has a kind of field not drawn here: {kind!r}")


def _item(kind: inspect.Type) -> inspect.Type:
    """What a list field, perhaps optional, holds."""
    if isinstance(kind, inspect.Metadata):
        return _item(kind.type)
    if isinstance(kind, inspect.UnionType):
        return _item(next(arm for arm in kind.types if "List" in repr(arm)))
    assert isinstance(kind, inspect.ListType)
    return kind.item_type


def _or(bound: float | None, otherwise: float) -> float:
    return otherwise if bound is None else float(bound)


@cache
def _tree(digest: str) -> dict[str, st.SearchStrategy[dict[str, Any]]]:
    return {}


@st.composite
def any_request(draw: st.DrawFn, rules: Ruleset) -> EvaluationRequest:
    """Any request that the structs allow, as decoded from JSON."""
    built = _tree(rules.digest)
    if "request" not in built:
        kind = inspect.type_info(EvaluationRequest)
        assert isinstance(kind, inspect.StructType)
        built["request"] = _Structs(rules).struct(kind)
    tree = draw(built["request"])
    return msgspec.json.decode(msgspec.json.encode(tree), type=EvaluationRequest)


def spoiled(visit: dict[str, Any], rules: Ruleset, chance: random.Random, times: int) -> EvaluationRequest:
    """A visit damaged `times` times: numbers, units, places, states, whole parts; still decodable."""
    tree = copy.deepcopy(visit)
    units = accepted_units([rules])
    by_dimension = {dimension: units[measure] for measure, dimension in MEASURES.items()}
    spellings = {unit: listed for listed in by_dimension.values() for unit in listed}
    every = units[Accuracy]
    locations = _Structs(rules).locations
    for _ in range(times):
        measures = [part for part in _parts(tree) if set(part) == {"value", "unit"}]
        readings = tree["readings"]
        numeric = [reading for reading in readings if "value" in reading] or [{"value": {"value": 0.0, "unit": "Pa"}}]
        match chance.randrange(14):
            case 0 | 1 | 2:
                chance.choice(measures)["value"] = chance.choice(ODD_NUMBERS)
            case 3:
                part = chance.choice(measures)
                part["value"] *= chance.choice((-1.0, 0.0, 10.0, 0.1, 249.08891, 1 / 249.08891, 1e6, 1e-6))
            case 4:
                part = chance.choice(measures)
                part["unit"] = chance.choice(spellings[part["unit"]])
            case 5:
                reading = chance.choice(readings)
                for name in PLACED:
                    if name in reading and not reading["kind"].startswith("water_"):
                        reading[name] = chance.choice(locations)
            case 6:
                twin = copy.deepcopy(chance.choice(readings))
                readings.append(twin)
            case 7:
                if len(readings) > 1:
                    readings.remove(chance.choice(readings))
            case 8:
                reading = chance.choice(numeric)
                reading["samples"] = {
                    "interval_seconds": chance.choice((0.01, 1.0, 3600.0)),
                    "values": [
                        chance.choice((reading["value"]["value"], chance.choice(ODD_NUMBERS)))
                        for _ in range(chance.choice((4, 5, 30)))
                    ],
                }
            case 9:
                holder = chance.choice([part for part in _parts(tree["equipment"]) if part])
                victim = chance.choice(list(holder))
                if victim not in (
                    "arrangement",
                    "value",
                    "unit",
                    "kind",
                    "setting",
                    "rows",
                    "input",
                    "inside",
                ) and not (set(holder) >= {"external_static_pressure", "airflow"} or "pressure_drop" in holder):
                    del holder[victim]
            case 10:
                state = chance.choice(tree["states"]) if tree["states"] else {}
                state["mode"] = chance.choice(("heating", "cooling", "fan_only", "off"))
                state["blower"] = chance.choice(("on", "on", "off"))
            case 11:
                tree["equipment"]["air_path"] = [
                    {"kind": chance.choice(KINDS)} for _ in range(chance.choice((1, 2, 3, 8, 24)))
                ]
                tree["equipment"]["rating_boundary"] = {"inside": [chance.choice(KINDS)]}
            case 12:
                reading = chance.choice(numeric)
                reading["accuracy"] = {
                    "share_of_reading": chance.choice((0.0, 1.0, 0.01, 1e-300)),
                    "floor": abs(chance.choice(ODD_NUMBERS)),
                    "resolution": abs(chance.choice(ODD_NUMBERS)),
                    "unit": chance.choice((reading["value"]["unit"], chance.choice(every))),
                }
            case _:
                reading = chance.choice(readings)
                reading["area"] = chance.choice(LABELS)
    return msgspec.json.decode(msgspec.json.encode(_bounded(tree)), type=EvaluationRequest)


def _parts(tree: Any) -> list[dict[str, Any]]:
    if isinstance(tree, dict):
        return [tree, *(part for value in tree.values() for part in _parts(value))]
    if isinstance(tree, list):
        return [part for value in tree for part in _parts(value)]
    return []


def _bounded(tree: Any) -> Any:
    if isinstance(tree, dict):
        return {name: _bounded(value) for name, value in tree.items() if value != {}}
    if isinstance(tree, list):
        return [_bounded(value) for value in tree]
    if isinstance(tree, float):
        return min(max(tree, -LARGEST), LARGEST)
    return tree
