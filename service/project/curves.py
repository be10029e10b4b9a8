"""The blower's curve and the system's curve of one operating context, to be looked at."""

from __future__ import annotations

from service.errors import OutOfRange
from service.model.figure import BlowerAgainstSystem
from service.model.projection import AirSystem
from service.model.ruleset import Ruleset
from service.project.arrangement import Arrangement, Refused, anchor, as_found, drop, external_curve
from service.project.plan import inputs_of

POINTS = 33
"""Of the system's curve: enough to look smooth."""

BEYOND = 1.35
"""How far the system's curve is drawn, as a multiple of the airflow as found, where no blower curve goes farther."""


def blower_against_system(found: AirSystem, rules: Ruleset) -> BlowerAgainstSystem | None:
    """Both curves at the air as found; None where airflow or external static pressure is not known.

    Flows are as the airflow is told, at the return. The blower's curve holds what is known only: it ends where its
    table ends.
    """
    if found.missing:
        return None
    numbers = {name: entry.value for name, entry in inputs_of(found, rules).items()}
    try:
        state = as_found(found, numbers)
        to_return = numbers["airflow"] / state.flow
        blower, as_printed = _blower(state)
        end = max([BEYOND * state.flow, *(flow for flow, _ in blower)])
        flows = [end * step / (POINTS - 1) for step in range(POINTS)]
        system = tuple((flow * to_return, drop(state, flow)) for flow in flows)
    except OutOfRange:  # a part with impossible numbers; findings tell of it
        return None
    return BlowerAgainstSystem(
        airflow=found.airflow,
        external=found.external_static_pressure,
        system=system,
        blower=tuple((flow * to_return, pressure) for flow, pressure in blower),
        as_printed=as_printed,
        setting=None if found.table is None else found.table.setting,
        rated_maximum=found.maximum_pressure,
    )


def _blower(state: Arrangement) -> tuple[tuple[tuple[float, float], ...], bool]:
    if state.table is None:
        return (), False
    try:
        return external_curve(state, anchor(state)), False
    except Refused:
        return external_curve(state, 1.0), True
