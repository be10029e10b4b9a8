"""Projections asked of simulated houses: the visit of a fault, the change that mends it, and the truth after it."""

from __future__ import annotations

import functools
from typing import Any

import msgspec

from service import pipeline
from service.model.projection import ContextProjections, Projection, Projections
from service.wire.request import ProjectionRequest
from tests.derive.sheets import everything, visit
from tests.visits.house import AS_BUILT, Faults, House, Operation, Solution, solve


@functools.cache
def prepared() -> pipeline.Prepared:
    """The current version of the rules."""
    return pipeline.working()


def asked(written: dict[str, Any], *changes: dict[str, Any], **more: Any) -> Projections:
    """The projections of changes to a visit as a client writes them."""
    request = msgspec.convert({"visit": written, "changes": list(changes), **more}, ProjectionRequest, strict=False)
    return pipeline.project(request, prepared())


def only(found: Projections) -> ContextProjections:
    """The only context."""
    (context,) = found.contexts
    return context


def alone(written: dict[str, Any], change: dict[str, Any]) -> Projection:
    """One change to a visit with one context."""
    (result,) = only(asked(written, change)).each
    return result


def mended(
    house: House, operation: Operation, before: Faults, after: Faults = AS_BUILT, *, house_after: House | None = None
) -> tuple[dict[str, Any], Solution, Solution]:
    """The visit before, read exactly, and the truth before and after."""
    written, found = visit(house, operation, everything(house, operation), faults=before)
    return written, found, solve(house_after or house, operation, after)


def value(result: Projection, name: str) -> Any:
    """One projected quantity."""
    return next(entry for entry in result.quantities if entry.name == name)
