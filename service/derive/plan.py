"""The order in which a context is worked out. Each step takes what the steps before it found."""

from __future__ import annotations

from service.derive.air import derive_air
from service.derive.airflow import derive_airflow, derive_blower_power, derive_temperatures
from service.derive.condition import derive_instruments, derive_power, derive_resistances, observe
from service.derive.pressure import derive_pressure
from service.derive.worksheet import Worksheet, holds_everywhere
from service.model.ruleset import Ruleset
from service.model.visit import Visit

STEPS_WITH_BLOWER_ON = (derive_temperatures, derive_blower_power, derive_airflow, derive_resistances, derive_power)


def contexts(visit: Visit, ruleset: Ruleset) -> list[Worksheet]:
    """One empty sheet per operating state and area that has readings of its own; at least one."""
    sheets: list[Worksheet] = []
    for state in visit.states:
        here = [r for r in visit.readings if r.state in (None, state.id) and not holds_everywhere(r, ruleset)]
        areas = {reading.area for reading in here} or {None}
        sheets += [Worksheet(visit, ruleset, state, area) for area in sorted(areas, key=lambda area: area or "")]
    return sheets


def derive(sheet: Worksheet) -> None:
    """Work out everything the context's readings allow, and note what is lacking for the rest."""
    observe(sheet)
    derive_air(sheet)
    derive_pressure(sheet)
    derive_instruments(sheet)
    if sheet.blower_on:
        for step in STEPS_WITH_BLOWER_ON:
            step(sheet)
