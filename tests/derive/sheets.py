"""Visits of simulated houses worked out by `derive`, beside the truth they were written from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import msgspec

from service import derive, normalise, pipeline
from service.derive import Worksheet
from service.wire.request import EvaluationRequest
from tests.visits.house import AS_BUILT, Faults, House, Operation, Solution, solve
from tests.visits.instruments import Kit, kit
from tests.visits.writing import Run, write_visit

PREPARED = pipeline.working()

PRESSURES: dict[str, tuple[str, ...]] = {
    "furnace_with_cased_coil": (
        "static:return_plenum",
        "static:filter_outlet",
        "static:heat_exchanger_outlet",
        "static:supply_plenum",
    ),
    "air_handler_with_internal_coil": (
        "static:return_plenum",
        "static:filter_outlet",
        "static:coil_outlet",
        "static:supply_plenum",
    ),
}
_BOX = ("static:return_plenum", "static:filter_outlet", "static:coil_outlet", "static:supply_plenum")
AIR = ("dry_bulb:return_plenum", "humidity:return_plenum", "dry_bulb:supply_plenum", "barometer")
ELECTRIC = ("voltage:electric_heater", "current:electric_heater")


def fine(units: str = "si") -> Kit:
    """The usual instruments, shown to so many digits that rounding does not matter."""
    return {measures: replace(item, resolution=item.resolution / 1e6) for measures, item in kit(units).items()}


def everything(house: House, operation: Operation) -> tuple[str, ...]:
    """All readings that make sense on a house in one mode."""
    electric = ELECTRIC if operation.mode == "heating" and house.electric else ()
    return (*PRESSURES.get(house.arrangement, _BOX), *AIR, "airflow:filter_inlet", "power:blower", *electric)


_SOLVED: dict[tuple[str, Operation, Faults], Solution] = {}


def solved(house: House, operation: Operation, faults: Faults = AS_BUILT) -> Solution:
    """`solve`, once for each house, operation and set of faults."""
    key = (house.id, operation, faults)
    if key not in _SOLVED:
        _SOLVED[key] = solve(house, operation, faults)
    return _SOLVED[key]


def visit(
    house: House,
    operation: Operation,
    readings: Sequence[str] | None = None,
    *,
    faults: Faults = AS_BUILT,
    instruments: Kit | None = None,
    seed: int | None = None,
    units: Any = "si",
    omit: Sequence[str] = (),
) -> tuple[dict[str, Any], Solution]:
    """The request for one state of a house, and the truth behind it. Exact instruments unless a seed is given."""
    solution = solved(house, operation, faults)
    carried = instruments or (kit(units) if seed is not None else fine(units))
    run = Run("state", solution, tuple(readings if readings is not None else everything(house, operation)))
    return write_visit([run], units=units, instruments=carried, seed=seed, omit=omit), solution


def sheets(request: dict[str, Any]) -> list[Worksheet]:
    """Every context of a request, worked out."""
    decoded = msgspec.convert(request, EvaluationRequest, strict=False)
    normal = normalise.normalise(decoded, PREPARED.ruleset, PREPARED.units)
    return derive.work_out(normal, PREPARED.ruleset).contexts


def sheet(request: dict[str, Any]) -> Worksheet:
    """The only context of a request."""
    (only,) = sheets(request)
    return only


def reading(kind: str, value: float, unit: str, **more: Any) -> dict[str, Any]:
    """One reading as a client writes it."""
    return {"kind": kind, "value": {"value": value, "unit": unit}, **more}


def static(station: str, value: float, unit: str = "[in_i'H2O]", **more: Any) -> dict[str, Any]:
    """A static pressure."""
    return reading("static_pressure", value, unit, station=station, **more)


def request(*readings: dict[str, Any], arrangement: str = "furnace_with_cased_coil", **more: Any) -> dict[str, Any]:
    """A request written by hand; `equipment` in `more` adds to the arrangement."""
    equipment = {"arrangement": arrangement, **more.pop("equipment", {})}
    return {"equipment": equipment, "readings": list(readings), **more}
