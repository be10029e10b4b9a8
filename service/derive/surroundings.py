"""Indoor and outdoor air: what leaks through the envelope, and what carries a barometer's height.

A record that belongs to no state is seen with the air of the visit, whatever the state it is looked at from: readings
that belong to no state before those of states.
"""

from __future__ import annotations

from collections.abc import Collection

import msgspec

from service.derive.air import return_stations
from service.derive.propagate import mean, propagate
from service.derive.worksheet import Worksheet
from service.model.quantity import Measured
from service.model.visit import Reading
from service.physics import air


class Surrounding(msgspec.Struct, frozen=True):
    """Air on one side of the envelope: K, kg/m3, and the readings behind them; `assumed` where none was read."""

    temperature: Measured
    density: Measured
    inputs: tuple[str, ...]
    assumed: bool


def site_pressure(sheet: Worksheet, *, of_visit: bool = False) -> Measured | None:
    """Barometric pressure of the site; `of_visit`: what the whole house knows of it first."""
    told: Measured | None = sheet.shared.get(("station_pressure",)) if of_visit else None
    return told or sheet.get("station_pressure")


def indoor_air(sheet: Worksheet, *, of_visit: bool = False) -> Surrounding:
    """Air of the rooms: read indoors or in the return, else as usual; of this state, or of the whole visit.

    Raises
    ------
    OutOfRange : the readings are no state of air
    """
    if of_visit:
        read = _of_visit(sheet, ("indoor",))
        if read is not None:
            return _state(sheet, *read, of_visit=True)
        returned = _of_visit(sheet, return_stations(sheet))
        if returned is not None:
            return _state(sheet, sheet.mixed(returned[0], "return"), returned[1], of_visit=True)
    else:
        found = sheet.reading("dry_bulb_temperature", ["indoor"])
        if found is not None:
            return _state(sheet, found[0], found[1])
        returning = sheet.get("return_air_temperature")
        if returning is not None:
            return _state(sheet, returning, ("return_air_temperature",))
    assumed = sheet.assumption("return_air_temperature")
    return _state(sheet, Measured(assumed.value + air.CELSIUS_ZERO, assumed.terms), (), of_visit=of_visit)


def outdoor_air(sheet: Worksheet, *, of_visit: bool = False) -> Surrounding:
    """Air outside: read there, else from the weather report, else anything between a cold and a hot day.

    Raises
    ------
    OutOfRange : the readings are no state of air
    """
    if of_visit:
        read = _of_visit(sheet, ("outdoor",))
    else:
        found = sheet.reading("dry_bulb_temperature", ["outdoor"])
        read = None if found is None else found[:2]
    if read is not None:
        return _state(sheet, *read, of_visit=of_visit)
    weather = sheet.visit.weather
    if weather is not None and weather.temperature is not None:
        return _state(sheet, weather.temperature, ("weather.temperature",), of_visit=of_visit)
    assumed = sheet.assumption("outdoor_temperature")
    return _state(sheet, Measured(assumed.value + air.CELSIUS_ZERO, assumed.terms), (), of_visit=of_visit)


def _of_visit(sheet: Worksheet, locations: Collection[str]) -> tuple[Measured, tuple[str, ...]] | None:
    """Mean of the visit's dry-bulb readings at these locations: of those of no state where there are any."""
    key = ("dry_bulb_temperature", *locations)
    if key not in sheet.shared:
        here = [r for r in sheet.visit.readings if r.kind == "dry_bulb_temperature" and r.location in locations]
        chosen: list[Reading] = [reading for reading in here if reading.state is None] or here
        keys = tuple(reading.key for reading in chosen)
        measured = mean([reading.measured for reading in chosen], f"{keys[0]}.scatter") if chosen else None
        sheet.shared[key] = None if measured is None else (measured, keys)
    found: tuple[Measured, tuple[str, ...]] | None = sheet.shared[key]
    return found


def _state(sheet: Worksheet, temperature: Measured, inputs: tuple[str, ...], *, of_visit: bool = False) -> Surrounding:
    # One humidity for both sides: a house airs, and a difference of 3 g/kg moves a density by 0.2 %.
    usual = sheet.assumption("house_humidity_ratio")
    humidity = usual if of_visit else sheet.return_humidity or usual
    # Without barometer and elevation, the range that dwellings lie in: leakage goes with its power -0.15 or so.
    pressure = site_pressure(sheet, of_visit=of_visit) or sheet.assumption("station_pressure")
    density = propagate(air.density, temperature, humidity, pressure)
    return Surrounding(temperature, density, inputs, not inputs)
