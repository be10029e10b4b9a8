"""Air in the equipment: the state of the air entering and leaving it."""

from __future__ import annotations

from collections.abc import Callable

from service.derive.propagate import difference, propagate
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.visit import AMBIENT
from service.physics import air


def derive_air(sheet: Worksheet) -> None:
    """Return air, then supply air."""
    _return_air(sheet)
    _supply_air(sheet)


def return_stations(sheet: Worksheet) -> list[str]:
    """Stations where the air has not met blower, coil or heater yet, the nearest to them first; then indoors."""
    first = min(
        index
        for index, element in enumerate(sheet.path)
        if element.kind in ("blower", "coil", "heat_exchanger", "electric_heater")
    )
    return [*sheet.gaps[first:0:-1], AMBIENT, "indoor"]


def heat_sources(sheet: Worksheet) -> tuple[str, ...]:
    """Kinds of element that warm or cool the air in this mode: where it is not known which, all that may."""
    if sheet.state.mode == "cooling":
        return ("coil",)
    if sheet.state.mode != "heating":
        return ()
    if "gas_input" in sheet.visit.equipment.ratings:
        return ("heat_exchanger",)
    if any(r.location == "electric_heater" for kind in ("electric_power", "current") for r in sheet.of_kind(kind)):
        return ("electric_heater",)
    return ("heat_exchanger", "electric_heater", "coil")


def supply_stations(sheet: Worksheet) -> list[str]:
    """Stations between the last part that changes the air in this mode and the end of the equipment, nearest first."""
    kinds = heat_sources(sheet) or ("heat_exchanger", "electric_heater", "coil")
    last = max(index for index, element in enumerate(sheet.path) if element.kind in (*kinds, "blower"))
    stations: list[str] = []
    for index in range(last + 1, len(sheet.path)):
        stations.append(sheet.gaps[index])
        if sheet.path[index].kind in ("supply_duct", "register"):
            break
    return stations


def _return_air(sheet: Worksheet) -> None:
    found = sheet.reading("dry_bulb_temperature", return_stations(sheet))
    pressure = sheet.get("station_pressure")
    if found is None:
        sheet.observations.add("return_air.assumed")
        sheet.lack("return_air_temperature", "dry_bulb_temperature at the return plenum")
        assumed = sheet.assumption("return_air_temperature")
        temperature = Measured(assumed.value + air.CELSIUS_ZERO, assumed.terms)
        inputs: tuple[str, ...] = ("assumption.return_air_temperature",)
        humidity = None
        relative = sheet.reading("relative_humidity", return_stations(sheet))
        if relative is not None:
            sheet.record("return_air_relative_humidity", relative[0], "reading", relative[1])
        sheet.lack("return_air_humidity_ratio", "dry_bulb_temperature at the return plenum")
    else:
        reading, inputs, location = found
        temperature = sheet.record("return_air_temperature", sheet.mixed(reading, location), "reading", inputs)
        _wet_bulb_depression(sheet, "return", temperature, location, inputs)
        humidity = _return_humidity(sheet, temperature, location, inputs)
    if pressure is None:
        for name in ("return_air_density", "return_air_humidity_ratio"):
            sheet.lack(name, "station_pressure reading or site elevation")
        return
    if humidity is None:
        sheet.observations.add("return_air.assumed")
        usual = sheet.assumption("return_air_relative_humidity")
        try:
            humidity = propagate(
                lambda t, rh, p: air.from_dry_bulb_and_relative_humidity(t, rh, p).humidity_ratio,
                temperature,
                sheet.get("return_air_relative_humidity") or usual,
                pressure,
            )
        except OutOfRange:
            humidity = Measured(0.0)
        humidity_inputs: tuple[str, ...] = ("assumption.return_air_relative_humidity",)
    else:
        humidity_inputs = ("return_air_humidity_ratio",)
    sheet.return_humidity = humidity
    sheet.attempt(
        "return_air_density",
        "moist air at the site's pressure",
        (*inputs, *humidity_inputs, "station_pressure"),
        lambda: propagate(air.density, temperature, humidity, pressure),
    )


def _wet_bulb_depression(sheet: Worksheet, side: str, dry: Measured, location: str, inputs: tuple[str, ...]) -> None:
    """Dry bulb minus wet bulb of two readings one after the other: the stream's spread stays between them."""
    wet = sheet.reading("wet_bulb_temperature", [location])
    if wet is not None:
        sheet.record(
            f"{side}_wet_bulb_depression", difference(dry, wet[0]), "dry bulb minus wet bulb", (*inputs, *wet[1])
        )
    elif sheet.state.mode == "cooling":
        sheet.lack(f"{side}_wet_bulb_depression", f"wet_bulb_temperature at the {side} plenum")


def _return_humidity(
    sheet: Worksheet, temperature: Measured, location: str, inputs: tuple[str, ...]
) -> Measured | None:
    """Humidity ratio of the return air from whichever moisture reading stands beside its dry bulb."""
    pressure = sheet.get("station_pressure")
    wet = sheet.reading("wet_bulb_temperature", [location])
    relative = sheet.reading("relative_humidity", [location])
    dew = sheet.reading("dew_point_temperature", [location])
    if relative is not None:
        sheet.record("return_air_relative_humidity", relative[0], "reading", relative[1])
    if pressure is None:
        return None
    if wet is not None:
        how: Callable[[float, float, float], air.AirState] = air.from_dry_bulb_and_wet_bulb
        (reading, keys, _), method = wet, "dry bulb and wet bulb"
    elif relative is not None:
        how = air.from_dry_bulb_and_relative_humidity
        (reading, keys, _), method = relative, "dry bulb and relative humidity"
    elif dew is not None:
        how = air.from_dry_bulb_and_dew_point
        (reading, keys, _), method = dew, "dry bulb and dew point"
    else:
        sheet.lack("return_air_humidity_ratio", "wet_bulb_temperature or relative_humidity at the return plenum")
        return None
    humidity = sheet.attempt(
        "return_air_humidity_ratio",
        method,
        (*inputs, *keys, "station_pressure"),
        lambda: propagate(lambda t, m, p: how(t, m, p).humidity_ratio, temperature, reading, pressure),
    )
    if humidity is not None and relative is None:
        # Temperature and pressure are behind the humidity ratio as well; their shared terms keep count of that.
        sheet.attempt(
            "return_air_relative_humidity",
            method,
            (*inputs, *keys, "station_pressure"),
            lambda: propagate(
                lambda t, w, p: air.from_dry_bulb_and_humidity_ratio(t, w, p).relative_humidity,
                temperature,
                humidity,
                pressure,
            ),
        )
    return humidity


def _supply_air(sheet: Worksheet) -> None:
    found = sheet.reading("dry_bulb_temperature", supply_stations(sheet))
    if found is None:
        if sheet.state.mode in ("heating", "cooling"):
            sheet.lack("supply_air_temperature", "dry_bulb_temperature at the supply plenum")
        return
    reading, inputs, location = found
    temperature = sheet.record("supply_air_temperature", sheet.mixed(reading, location), "reading", inputs)
    _wet_bulb_depression(sheet, "supply", temperature, location, inputs)


def supply_density(sheet: Worksheet) -> Measured | None:
    """Density of the air leaving the equipment, with the return air's humidity; in cooling that errs by under 1 %."""
    temperature, humidity = sheet.get("supply_air_temperature"), sheet.return_humidity
    pressure = sheet.get("station_pressure")
    if temperature is None or humidity is None or pressure is None:
        return None
    try:
        return propagate(air.density, temperature, humidity, pressure)
    except OutOfRange:
        return None
