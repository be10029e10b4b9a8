"""The order in which a context is worked out. Each step takes what the steps before it found."""

from __future__ import annotations

from typing import Any

from service.derive.air import derive_air
from service.derive.airflow import derive_airflow, derive_blower_power, derive_temperatures
from service.derive.capacity import derive_capacity
from service.derive.coil_series import derive_coil_series
from service.derive.combustion import derive_combustion, derive_zone_changes
from service.derive.condition import (
    derive_instruments,
    derive_power,
    derive_resistances,
    derive_run_capacitor,
    observe,
)
from service.derive.ducts import derive_ducts
from service.derive.energy import derive_energy
from service.derive.heat import derive_heat_input, derive_heat_output
from service.derive.house_pressure import derive_house_pressure, derive_responses
from service.derive.instruments import derive_redundancy, without_proven_offsets
from service.derive.leakage import derive_leakage
from service.derive.pressure import derive_pressure
from service.derive.site_air import derive_site_air
from service.derive.steadiness import derive_steadiness
from service.derive.ventilation import derive_ventilation
from service.derive.worksheet import Worksheet, holds_everywhere
from service.model.ruleset import Ruleset
from service.model.visit import Visit

STEPS_WITH_BLOWER_ON = (
    derive_temperatures,
    derive_blower_power,
    derive_heat_input,
    derive_airflow,
    derive_heat_output,
    derive_resistances,
    derive_coil_series,
    derive_power,
    derive_capacity,
    derive_ducts,
    derive_energy,
)

STEPS_OF_THE_HOUSE = (derive_leakage, derive_house_pressure, derive_combustion, derive_ventilation)
STEPS_BETWEEN_STATES = (derive_responses, derive_zone_changes)


def work_out(visit: Visit, ruleset: Ruleset) -> list[Worksheet]:
    """Every context of a visit worked out: each by itself, then what only several states show together."""
    sheets = contexts(visit, ruleset)
    for sheet in sheets:
        derive(sheet)
    compare(sheets)
    return sheets


def contexts(visit: Visit, ruleset: Ruleset) -> list[Worksheet]:
    """One empty sheet per operating state and area that has readings of its own; at least one."""
    visit = without_proven_offsets(visit, ruleset)
    sheets: list[Worksheet] = []
    shared: dict[tuple[str, ...], Any] = {}
    for state in visit.states:
        here = [r for r in visit.readings if r.state in (None, state.id) and not holds_everywhere(r, ruleset)]
        areas = {reading.area for reading in here}
        areas |= {traverse.area for traverse in visit.traverses if traverse.state == state.id}
        # What holds for the whole house makes no context of its own beside those of the parts.
        areas |= {test.area for test in visit.leakage_tests if test.state == state.id and test.area is not None}
        areas |= {clock.area for clock in visit.gas_clocks if clock.state == state.id and clock.area is not None}
        areas = areas or {None}
        ordered = sorted(areas, key=lambda area: area or "")
        sheets += [Worksheet(visit, ruleset, state, area, shared) for area in ordered]
    return sheets


def derive(sheet: Worksheet) -> None:
    """Work out everything the context's readings allow, and note what is lacking for the rest."""
    observe(sheet)
    derive_steadiness(sheet)
    derive_site_air(sheet)
    derive_air(sheet)
    derive_pressure(sheet)
    derive_instruments(sheet)
    derive_run_capacitor(sheet)
    derive_redundancy(sheet)
    if sheet.blower_on:
        for step in STEPS_WITH_BLOWER_ON:
            step(sheet)
    for step in STEPS_OF_THE_HOUSE:
        step(sheet)


def compare(sheets: list[Worksheet]) -> None:
    """Set states against each other. Each sheet has been worked out by itself before."""
    for step in STEPS_BETWEEN_STATES:
        step(sheets)
