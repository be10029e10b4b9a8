"""Air around the site: its barometric pressure in order of trust, and the outdoor air.

A barometer read at the site is trusted first, unless it is proven nearer to the pressure reduced to sea level than to
the local one: then somebody typed a weather report's number, and it is not used. Next comes the altimeter setting of
a weather report carried to the site's elevation, then its sea-level pressure, then the standard atmosphere; a report
so old or far that the standard atmosphere is the surer of the two gives way to it.

Moisture outdoors is over water also below freezing, as weather services and hygrometers tell it.
"""

from __future__ import annotations

from contextlib import suppress
from statistics import NormalDist

import msgspec

from service.derive.propagate import difference, mean, propagate, ratio, with_error
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.physics import air, weather

ELEVATION_MISSING = "site elevation"
AT_ELEVATION = "carried to the site's elevation"


class _Source(msgspec.Struct, frozen=True):
    """One way to the station pressure."""

    token: str
    measured: Measured
    method: str
    inputs: tuple[str, ...]


def derive_site_air(sheet: Worksheet) -> None:
    """Station pressure and its checks, then the outdoor air."""
    _weather_itself(sheet)
    outdoor = _outdoor_temperature(sheet)
    _station_pressure(sheet, outdoor)
    if outdoor is not None:
        _outdoor_moisture(sheet, outdoor)


def _weather_itself(sheet: Worksheet) -> None:
    """How old and how far the observation is, and the wind it reports."""
    report = sheet.visit.weather
    if report is None:
        return
    if report.age is None:
        sheet.observations.add("weather.time_unknown")
        sheet.lack("weather_observation_age", "time of the weather observation, and visited_at")
    else:
        sheet.record(
            "weather_observation_age", Measured(report.age), "time between observation and visit", ("weather",)
        )
    if report.distance is None:
        sheet.observations.add("weather.distance_unknown")
        sheet.lack("weather_station_distance", "distance of the weather station from the site")
    else:
        sheet.record("weather_station_distance", Measured(report.distance), "as stated", ("weather.distance",))
    for name, told in (("reported_wind_speed", report.wind_speed), ("reported_wind_gust", report.wind_gust)):
        if told is not None:
            sheet.record(name, told, "weather report", ("weather",))


# Station pressure ----------------------------------------------------------------------------------------------------


def _station_pressure(sheet: Worksheet, outdoor: Measured | None) -> None:
    standard = _from_standard_atmosphere(sheet)
    reports = _from_weather(sheet, outdoor)
    name = "station_pressure"
    readings = sheet.of_kind(name)
    if readings:
        keys = tuple(reading.key for reading in readings)
        measured = mean([reading.measured for reading in readings], f"{keys[0]}.scatter")
        _against_standard_atmosphere(sheet, measured, keys)
        if reports:
            sheet.record(
                "station_pressure_to_weather",
                ratio(measured, reports[0].measured),
                f"barometer over the {reports[0].method}",
                (*keys, *reports[0].inputs),
            )
        if not _reduced_to_sea_level(sheet, measured, keys):
            sheet.observations.add("station_pressure.measured")
            sheet.record(name, measured, "barometer at the site", keys)
            return
        sheet.observations.add("station_pressure.reading_reduced")
    # A report that knows less than the climate does is no better than the elevation alone.
    sources = [r for r in reports if standard is None or r.measured.uncertainty < standard.measured.uncertainty]
    sources += [] if standard is None else [standard]
    if sources:
        first = sources[0]
        sheet.observations.add(first.token)
        sheet.record(name, first.measured, first.method, first.inputs)
        return
    sheet.observations.add("station_pressure.unknown")
    missing = ELEVATION_MISSING if sheet.visit.elevation is None and sheet.visit.weather is not None else None
    sheet.lack(name, missing or "station_pressure reading or site elevation")


def _from_standard_atmosphere(sheet: Worksheet) -> _Source | None:
    elevation = sheet.visit.elevation
    if elevation is None:
        return None
    weather_share = sheet.assumption("standard_atmosphere_deviation")
    try:
        pressure = propagate(
            lambda z, share: air.standard_atmosphere_pressure(z) * (1.0 + share), elevation, weather_share
        )
    except OutOfRange:
        return None
    return _Source(
        "station_pressure.from_elevation", pressure, "standard atmosphere at the elevation", ("site.elevation",)
    )


def _from_weather(sheet: Worksheet, outdoor: Measured | None) -> list[_Source]:
    """Station pressure from each pressure that a weather report holds, the more trusted first."""
    report, elevation = sheet.visit.weather, sheet.visit.elevation
    if report is None or elevation is None:
        return []
    found: list[_Source] = []
    if report.altimeter_setting is not None:
        with suppress(OutOfRange):
            found.append(
                _Source(
                    "station_pressure.from_altimeter_setting",
                    propagate(air.station_pressure_from_altimeter_setting, report.altimeter_setting, elevation),
                    f"altimeter setting of the weather report {AT_ELEVATION}",
                    ("weather.altimeter_setting", "site.elevation"),
                )
            )
    if report.sea_level_pressure is not None:
        column = sheet.assumption("reduction_temperature")
        usual = outdoor is None
        base = Measured(column.value + air.CELSIUS_ZERO, column.terms) if outdoor is None else outdoor
        # The reduction used a mean of twelve hours, which the present temperature is not.
        spread = sheet.ruleset.assumptions["reduction_temperature_now"].uncertainty
        temperature = with_error(base, "weather.reduction_temperature", spread)
        with suppress(OutOfRange):
            found.append(
                _Source(
                    "station_pressure.from_sea_level_pressure",
                    propagate(
                        weather.station_pressure_from_sea_level_pressure,
                        report.sea_level_pressure,
                        elevation,
                        temperature,
                    ),
                    f"sea-level pressure of the weather report {AT_ELEVATION}",
                    (
                        "weather.sea_level_pressure",
                        "site.elevation",
                        "assumption.reduction_temperature" if usual else "outdoor_air_temperature",
                    ),
                )
            )
    return found


def _against_standard_atmosphere(sheet: Worksheet, measured: Measured, keys: tuple[str, ...]) -> None:
    name, elevation = "station_pressure_to_standard_atmosphere", sheet.visit.elevation
    if elevation is None:
        sheet.lack(name, ELEVATION_MISSING)
        return
    # Weather belongs to the limit here, not to the uncertainty of the ratio.
    sheet.attempt(
        name,
        "barometer over the standard atmosphere at the elevation",
        (*keys, "site.elevation"),
        lambda: ratio(measured, propagate(air.standard_atmosphere_pressure, elevation)),
    )


def _reduced_to_sea_level(sheet: Worksheet, measured: Measured, keys: tuple[str, ...]) -> bool:
    """Whether the reading is proven nearer to the pressure reduced to sea level than to the local one, and near it."""
    elevation, report = sheet.visit.elevation, sheet.visit.weather
    if elevation is None:
        return False
    told = None if report is None else report.altimeter_setting or report.sea_level_pressure
    if told is None:
        share = sheet.assumption("standard_atmosphere_deviation")
        told = Measured(
            air.STANDARD_PRESSURE * (1.0 + share.value),
            {source: air.STANDARD_PRESSURE * term for source, term in share.terms.items()},
        )
    try:
        reduction = propagate(weather.sea_level_reduction_in_reading, measured, elevation, told)
    except OutOfRange:  # too near to sea level to tell, or no pressure of any place
        return False
    sheet.record(
        "sea_level_reduction_in_barometer",
        reduction,
        "place of the reading between local pressure and pressure reduced to sea level",
        (*keys, "site.elevation"),
    )
    reach = sheet.ruleset.assumptions["sea_level_reduction_recognised"].value
    confidence = sheet.ruleset.assumptions["proof_confidence"].value
    margin = reach - NormalDist().inv_cdf(confidence) * reduction.uncertainty
    return abs(reduction.value - 1.0) < margin


# Outdoor air ---------------------------------------------------------------------------------------------------------


def _outdoor_temperature(sheet: Worksheet) -> Measured | None:
    report = sheet.visit.weather
    told = None if report is None else report.temperature
    name = "outdoor_air_temperature"
    read = sheet.reading("dry_bulb_temperature", ["outdoor"])
    if read is None:
        return None if told is None else sheet.record(name, told, "weather report", ("weather.temperature",))
    if told is not None:
        sheet.record(
            "outdoor_temperature_to_weather",
            difference(read[0], told),
            "outdoor reading minus the weather report's",
            (*read[1], "weather.temperature"),
        )
    return sheet.record(name, read[0], "reading", read[1])


def _vapour_over_water(temperature: float, relative_humidity: float) -> float:
    return relative_humidity * weather.saturation_pressure_over_water(temperature)


def _outdoor_moisture(sheet: Worksheet, temperature: Measured) -> None:
    """Dew point and relative humidity over water, humidity ratio and density, from whatever moisture there is."""
    dew_point = _outdoor_dew_point(sheet, temperature)
    if dew_point is None:
        return
    measured, inputs = dew_point
    if "outdoor_air_relative_humidity" not in sheet.quantities:
        sheet.attempt(
            "outdoor_air_relative_humidity",
            "from dew point, over water",
            ("outdoor_air_temperature", *inputs),
            lambda: propagate(weather.relative_humidity_over_water, temperature, measured),
        )
    pressure = sheet.get("station_pressure")
    if pressure is None:
        sheet.lack("outdoor_air_humidity_ratio", "station_pressure reading or site elevation")
        sheet.lack("outdoor_air_density", "station_pressure reading or site elevation")
        return
    humidity = sheet.attempt(
        "outdoor_air_humidity_ratio",
        "from dew point over water, at the site's pressure",
        ("outdoor_air_dew_point", "station_pressure"),
        lambda: propagate(weather.humidity_ratio_from_reported_dew_point, measured, pressure),
    )
    if humidity is not None:
        sheet.attempt(
            "outdoor_air_density",
            "moist air at the site's pressure",
            ("outdoor_air_temperature", "outdoor_air_humidity_ratio", "station_pressure"),
            lambda: propagate(air.density, temperature, humidity, pressure),
        )


def _outdoor_dew_point(sheet: Worksheet, temperature: Measured) -> tuple[Measured, tuple[str, ...]] | None:
    name, place = "outdoor_air_dew_point", ["outdoor"]
    read = sheet.reading("dew_point_temperature", place)
    if read is not None:
        return sheet.record(name, read[0], "reading, over water", read[1]), read[1]
    relative = sheet.reading("relative_humidity", place)
    if relative is not None:
        percent, keys = relative[0], relative[1]
        sheet.record("outdoor_air_relative_humidity", percent, "reading", keys)
        found = sheet.attempt(
            name,
            "dry bulb and relative humidity, over water",
            ("outdoor_air_temperature", *keys),
            lambda: propagate(
                lambda t, rh: weather.dew_point_over_water(_vapour_over_water(t, rh)), temperature, percent
            ),
        )
        return None if found is None else (found, keys)
    report = sheet.visit.weather
    if report is not None and report.dew_point is not None:
        inputs = ("weather.dew_point",)
        return sheet.record(name, report.dew_point, "weather report, over water", inputs), inputs
    return None
