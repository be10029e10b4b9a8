"""The order in which a sheet is worked out. Each step takes what the steps before it found."""

from __future__ import annotations

from typing import Any

import msgspec

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
from service.derive.worksheet import Placed, Worksheet, holds_everywhere
from service.model.ruleset import Ruleset
from service.model.visit import WHOLE_HOUSE, SiteFacts, Visit

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

STEPS_OF_EVERY_SHEET = (derive_leakage, derive_house_pressure, derive_combustion, derive_ventilation)
STEPS_BETWEEN_STATES = (derive_responses, derive_zone_changes)
STATES_OF_AIR = frozenset(
    {"dry_bulb_temperature", "wet_bulb_temperature", "dew_point_temperature", "relative_humidity", "airflow"}
)


class WorkedOut(msgspec.Struct, frozen=True):
    """The sheets of one visit: what belongs to no state, None where nothing does, and every context."""

    whole_house: Worksheet | None
    contexts: list[Worksheet]


def work_out(visit: Visit, ruleset: Ruleset) -> WorkedOut:
    """A visit worked out: the whole house, each context by itself, then what only several states show together.

    A state that the client never named is left out where all that was brought belongs to the whole house.
    """
    visit = without_proven_offsets(visit, ruleset)
    shared: dict[tuple[str, ...], Any] = {}
    house: Worksheet | None = None
    sheets = _contexts(visit, ruleset, shared)
    if _of_no_state(visit):
        house = Worksheet(visit, ruleset, WHOLE_HOUSE, None, shared)
        derive(house)
        shared[("station_pressure",)] = house.get("station_pressure")
    if _stand_alone(visit) and not any(_has_own(sheet) for sheet in sheets):
        sheets = [sheet for sheet in sheets if not sheet.state.invented]
    for sheet in sheets:
        derive(sheet)
    compare(sheets)
    return WorkedOut(house, sheets)


def contexts(visit: Visit, ruleset: Ruleset) -> list[Worksheet]:
    """One empty sheet per operating state and area that has readings of its own; at least one."""
    return _contexts(without_proven_offsets(visit, ruleset), ruleset, {})


def _contexts(visit: Visit, ruleset: Ruleset, shared: dict[tuple[str, ...], Any]) -> list[Worksheet]:
    sheets: list[Worksheet] = []
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


def _of_no_state(visit: Visit) -> bool:
    """Whether something belongs to no state: a record, where the site lies, how large the house is, its ducts."""
    facts = visit.elevation is not None or visit.site != SiteFacts() or bool(visit.equipment.duct_runs)
    records: tuple[Placed, ...] = (*visit.readings, *visit.noted)
    return facts or _stand_alone(visit) or any(record.state is None for record in records)


def _stand_alone(visit: Visit) -> bool:
    """Whether something was brought that can be judged without any state; the air of a room serves the states only."""
    records: tuple[Placed, ...] = (
        *visit.leakage_tests,
        *(reading for reading in visit.readings if reading.kind not in STATES_OF_AIR),
    )
    return visit.weather is not None or bool(visit.appliances) or any(record.state is None for record in records)


def _has_own(sheet: Worksheet) -> bool:
    """Whether the context has a record that is not of the whole house."""
    visit = sheet.visit
    records: tuple[Placed, ...] = (*visit.readings, *visit.traverses, *visit.leakage_tests, *visit.gas_clocks)
    return any(record.state == sheet.state.id or record.area is not None for record in records)


def derive(sheet: Worksheet) -> None:
    """Work out everything that the sheet's records allow, and note what is lacking for the rest."""
    observe(sheet)
    derive_steadiness(sheet)
    derive_site_air(sheet)
    if not sheet.whole_house:
        derive_air(sheet)
        derive_pressure(sheet)
    derive_instruments(sheet)
    derive_run_capacitor(sheet)
    derive_redundancy(sheet)
    if sheet.whole_house:
        derive_ducts(sheet)
    elif sheet.blower_on:
        for step in STEPS_WITH_BLOWER_ON:
            step(sheet)
    for step in STEPS_OF_EVERY_SHEET:
        step(sheet)


def compare(sheets: list[Worksheet]) -> None:
    """Set states against each other. Each sheet has been worked out by itself before."""
    for step in STEPS_BETWEEN_STATES:
        step(sheets)
