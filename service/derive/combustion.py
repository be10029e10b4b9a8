"""Zones that fuel-burning appliances draw their air from: pressure, draft, spillage, carbon monoxide, leaking gas.

An appliance that takes its air from outside and sends its flue gas there through sealed pipes (direct vent) does not
feel the pressure of the zone, so nothing of it is judged here but its flue gas.
"""

from __future__ import annotations

from collections.abc import Sequence

from service.derive.house_pressure import INSIDE, against_outdoors
from service.derive.propagate import difference, mean
from service.derive.worksheet import Worksheet
from service.model.quantity import Measured
from service.model.visit import Appliance, Reading

ZONE = "combustion_zone"
"""Zone of an appliance that names none."""
DRAFTING = ("natural_draft", "fan_assisted", "power_vented")
"""Ways of venting that feel the pressure of the zone."""
LIVED_IN = (*INSIDE, "room", "basement", "combustion_zone")
"""Places whose air people in the house breathe."""
FLUE_QUANTITY = {
    "furnace": "flue_carbon_monoxide_furnace",
    "boiler": "flue_carbon_monoxide_furnace",
    "water_heater": "flue_carbon_monoxide_water_heater",
    "space_heater": "flue_carbon_monoxide_space_heater",
    "cooking": "oven_carbon_monoxide",
}
"""Kind of appliance -> quantity of its flue gas, each with a limit of its own."""


def derive_combustion(sheet: Worksheet) -> None:
    """What this state shows of each appliance and its zone."""
    _gases(sheet)
    appliances = sheet.visit.appliances
    if not appliances:
        return
    _observe(sheet)
    if not sheet.whole_house:
        for appliance in appliances:
            _zone(sheet, appliance)
    _draft(sheet)
    _spillage(sheet)
    _flue(sheet)


def _observe(sheet: Worksheet) -> None:
    tokens, appliances = sheet.observations, sheet.visit.appliances
    tokens.update(f"appliance.{appliance.venting}" for appliance in appliances)
    if not sheet.whole_house:
        running = sheet.blower_on or sheet.state.exhaust_fans != "off"
        # What is not stated may run.
        tokens.add("house_fans.running" if running else "house_fans.off")
    natural = [appliance for appliance in appliances if appliance.venting == "natural_draft"]
    if any(a.kind == "water_heater" and not _shares_vent(a, appliances) for a in natural):
        tokens.add("vent.water_heater_alone")
    if any(_shares_vent(a, appliances) and not a.vent_damper for a in natural):
        tokens.add("vent.shared")
    if all(appliance.venting == "direct_vent" for appliance in appliances):
        tokens.add("appliance.direct_vent_only")


def _shares_vent(appliance: Appliance, appliances: Sequence[Appliance]) -> bool:
    return any(appliance.vents_with == other.id or other.vents_with == appliance.id for other in appliances)


def zone_of(appliance: Appliance) -> str:
    """Place that the appliance draws its air from."""
    return appliance.zone or ZONE


def zone_pressure(sheet: Worksheet, appliance: Appliance) -> tuple[Measured, tuple[str, ...]] | None:
    """Pressure of the appliance's zone less outdoors in this state; of the house where the zone is part of it."""
    zone = zone_of(appliance)
    return against_outdoors(sheet, "indoor" if zone in INSIDE else zone)


def _zone(sheet: Worksheet, appliance: Appliance) -> None:
    if appliance.venting not in DRAFTING:
        return
    name = f"{appliance.venting}_zone_pressure"
    found = zone_pressure(sheet, appliance)
    if found is None:
        if appliance.venting == "natural_draft":
            sheet.lack(name, f"zone_pressure of the {zone_of(appliance).replace('_', ' ')} against outdoors")
        return
    lower = sheet.get(name)
    if lower is None or found[0].value < lower.value:
        _record_first(sheet, name, found, appliance.id, "appliance's zone less outdoors")
    else:
        sheet.record(name, found[0], "appliance's zone less outdoors", found[1], subject=appliance.id)


def _record_first(
    sheet: Worksheet, name: str, found: tuple[Measured, tuple[str, ...]], subject: str, method: str
) -> None:
    """Keep a quantity ahead of those of its name already kept: the words of a finding name the first."""
    before = {key: kept for key, kept in sheet.quantities.items() if kept.name == name}
    for key in before:
        del sheet.quantities[key]
    sheet.record(name, found[0], method, found[1], subject=subject)
    for kept in before.values():
        sheet.record(name, kept.measured, kept.method, kept.inputs, subject=kept.subject)


def _draft(sheet: Worksheet) -> None:
    by_appliance = {appliance.id: appliance for appliance in sheet.visit.appliances}
    readings = [r for r in sheet.of_kind("draft_pressure") if r.location in by_appliance]
    drafting = [r for r in readings if by_appliance[r.location or ""].venting in ("natural_draft", "fan_assisted")]
    for appliance, found in _worst_first(drafting):
        sheet.record("vent_draft", found[0], "vent less the appliance's room", found[1], subject=appliance)
    if not drafting and "appliance.natural_draft" in sheet.observations:
        sheet.lack("vent_draft", "draft_pressure of each natural draft appliance, burner on")


def _worst_first(readings: Sequence[Reading]) -> list[tuple[str, tuple[Measured, tuple[str, ...]]]]:
    """Mean of each location's readings, the largest first."""
    grouped: dict[str, list[Reading]] = {}
    for reading in readings:
        grouped.setdefault(reading.location or "", []).append(reading)
    found = [
        (place, (mean([r.measured for r in group], f"{group[0].key}.scatter"), tuple(r.key for r in group)))
        for place, group in grouped.items()
    ]
    return sorted(found, key=lambda entry: -entry[1][0].value)


def _spillage(sheet: Worksheet) -> None:
    """Spillage at start that stops is looked at again; spillage that lasts, or of unknown length, decides."""
    by_appliance = {appliance.id: appliance for appliance in sheet.visit.appliances}
    settling = sheet.ruleset.assumptions["spillage_settling_time"].value
    for reading in sheet.of_kind("spillage"):
        appliance = by_appliance.get(reading.location or "")
        if appliance is None:
            continue
        if reading.measured.value == 0.0:
            sheet.see("spillage.none_seen", reading.state)
        elif appliance.venting == "direct_vent":
            sheet.see("spillage.at_direct_vent", reading.state)
        elif reading.seconds is not None and reading.seconds < settling:
            sheet.see("spillage.at_start", reading.state)
        else:
            sheet.see("spillage.lasting", reading.state)


def _flue(sheet: Worksheet) -> None:
    by_appliance = {appliance.id: appliance for appliance in sheet.visit.appliances}
    named: dict[str, list[Reading]] = {}
    for reading in sheet.of_kind("flue_carbon_monoxide"):
        appliance = by_appliance.get(reading.location or "")
        name = None if appliance is None else FLUE_QUANTITY.get(appliance.kind)
        if appliance is None or name is None:
            continue
        if appliance.venting == "direct_vent" and name != "oven_carbon_monoxide":
            name = "flue_carbon_monoxide_direct_vent"
        wanted = "as_measured" if name == "oven_carbon_monoxide" else "air_free"
        if reading.method != wanted:
            sheet.lack(name, f"flue_carbon_monoxide with basis {wanted}")
            continue
        named.setdefault(name, []).append(reading)
    for name, readings in named.items():
        for subject, found in _worst_first(readings):
            sheet.record(name, found[0], "read in the undiluted flue gas", found[1], subject=subject)


def _gases(sheet: Worksheet) -> None:
    """Carbon monoxide that people breathe, and gas that may burn, at the place where there is most of it."""
    breathed = [r for r in sheet.of_kind("carbon_monoxide") if r.location in LIVED_IN]
    for place, found in _worst_first(breathed):
        sheet.record("ambient_carbon_monoxide", found[0], "read in the air", found[1], subject=place)
    garage = [r for r in sheet.of_kind("carbon_monoxide") if r.location in ("garage", "crawl_space", "attic")]
    for place, found in _worst_first(garage):
        sheet.record("zone_carbon_monoxide", found[0], "read in the air", found[1], subject=place)
    for place, found in _worst_first(sheet.of_kind("combustible_gas")):
        sheet.record("combustible_gas", found[0], "read in the air", found[1], subject=place)
    if sheet.visit.appliances and not breathed:
        sheet.lack("ambient_carbon_monoxide", "carbon_monoxide indoors")


def derive_zone_changes(sheets: Sequence[Worksheet]) -> None:
    """How far running fans pull down each appliance's zone, against the state with blower and exhaust fans off."""
    for appliance in sheets[0].visit.appliances if sheets else ():
        if appliance.venting not in DRAFTING:
            continue
        known = [(sheet, found) for sheet in sheets if (found := zone_pressure(sheet, appliance)) is not None]
        resting = [(sheet, found) for sheet, found in known if _resting(sheet)]
        name = f"{appliance.venting}_zone_pressure_change"
        for sheet, found in known:
            if _resting(sheet):
                continue
            base = next((found for other, found in resting if other.area == sheet.area), None)
            if base is None:
                sheet.lack(name, "zone_pressure of the zone with blower and exhaust fans off")
                continue
            change = difference(found[0], base[0]), (*found[1], *base[1])
            lower = sheet.get(name)
            method = "this state less the state with blower and exhaust fans off"
            if lower is None or change[0].value < lower.value:
                _record_first(sheet, name, change, appliance.id, method)
            else:
                sheet.record(name, change[0], method, change[1], subject=appliance.id)


def _resting(sheet: Worksheet) -> bool:
    return not sheet.blower_on and sheet.state.exhaust_fans == "off"
