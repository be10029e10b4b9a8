"""Indoor and outdoor air: what leaks through the envelope, and what carries a barometer's height."""

from __future__ import annotations

import msgspec

from service.derive.propagate import propagate
from service.derive.worksheet import Worksheet
from service.model.quantity import Measured
from service.physics import air


class Surrounding(msgspec.Struct, frozen=True):
    """Air on one side of the envelope: K, kg/m3, and the readings behind them; `assumed` where none was read."""

    temperature: Measured
    density: Measured
    inputs: tuple[str, ...]
    assumed: bool


def site_pressure(sheet: Worksheet) -> Measured:
    """Barometric pressure of the site, or the range that dwellings lie in where neither it nor the elevation is known.

    Leakage depends on it by about the power -0.15, so even the range says much.
    """
    return sheet.get("station_pressure") or sheet.assumption("station_pressure")


def indoor_air(sheet: Worksheet) -> Surrounding:
    """Air of the rooms: read indoors or in the return, else as usual.

    Raises
    ------
    OutOfRange : the readings are no state of air
    """
    read = sheet.reading("dry_bulb_temperature", ["indoor"])
    if read is not None:
        return _state(sheet, read[0], read[1])
    returned = sheet.get("return_air_temperature")
    if returned is not None:
        return _state(sheet, returned, ("return_air_temperature",))
    assumed = sheet.assumption("return_air_temperature")
    return _state(sheet, Measured(assumed.value + air.CELSIUS_ZERO, assumed.terms), ())


def outdoor_air(sheet: Worksheet) -> Surrounding:
    """Air outside: read there, else from the weather report, else anything between a cold and a hot day.

    Raises
    ------
    OutOfRange : the readings are no state of air
    """
    read = sheet.reading("dry_bulb_temperature", ["outdoor"])
    if read is not None:
        return _state(sheet, read[0], read[1])
    weather = sheet.visit.weather
    if weather is not None and weather.temperature is not None:
        return _state(sheet, weather.temperature, ("weather.temperature",))
    assumed = sheet.assumption("outdoor_temperature")
    return _state(sheet, Measured(assumed.value + air.CELSIUS_ZERO, assumed.terms), ())


def _state(sheet: Worksheet, temperature: Measured, inputs: tuple[str, ...]) -> Surrounding:
    # One humidity for both sides: a house airs, and a difference of 3 g/kg moves a density by 0.2 %.
    humidity = sheet.return_humidity or sheet.assumption("house_humidity_ratio")
    density = propagate(air.density, temperature, humidity, site_pressure(sheet))
    return Surrounding(temperature, density, inputs, not inputs)
