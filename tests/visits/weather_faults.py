"""Visits that bring a weather report: `python -m tests.visits.weather_faults`.

Everything is invented. The report is made from the house's own pressure, so that it fits the barometer at the site
unless something was done wrong: the altimeter setting by the short form of the US National Weather Service, which the
service does not use; the sea-level pressure is left out. `ZZZZ` stands for a place without a location indicator.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.visits.airflow_faults import Change, FaultVisit, added_to
from tests.visits.healthy import ROOT, as_json
from tests.visits.library import HOUSES, cooling
from tests.visits.mistakes import sea_level_barometer
from tests.visits.writing import Request

FOLDER = Path("rules/cases/visits")
INCH_OF_MERCURY = 3386.389
OUTDOORS = 32.0
"""degC, in the report's whole degrees."""

_SEA = HOUSES["furnace_sea_level"]
_HIGH = HOUSES["furnace_1600_m"]
READINGS = ("dry_bulb:return_plenum", "barometer")


def altimeter_setting(pressure: float, elevation: float) -> float:
    """Pa, from a station pressure (Pa) at an elevation (m): P / ((288 - 0.0065 h) / 288)^5.2561."""
    return float(pressure / ((288.0 - 0.0065 * elevation) / 288.0) ** 5.2561)


def report(pressure: float, elevation: float, day: int = 14, hour: int = 16, minute: int = 10) -> str:
    """A coded report of 2026-07 at a place with this pressure."""
    setting = round(altimeter_setting(pressure, elevation) / INCH_OF_MERCURY * 100)
    return f"METAR ZZZZ {day:02d}{hour:02d}{minute:02d}Z 18008KT 10SM CLR {OUTDOORS:.0f}/10 A{setting:04d}"


def with_report(house: Any, *, miles: float | None = 12.0, day: int = 14) -> Change:
    """The report of a station some miles away, at 16:10 UTC of a day; the visit is at 16:30 of the 14th."""

    def change(request: Request) -> Request:
        weather: dict[str, Any] = {"metar": report(house.pressure, house.elevation, day)}
        if miles is not None:
            weather["distance"] = {"value": miles, "unit": "[mi_i]"}
        return {**request, "weather": weather}

    return change


def outdoor_reading(fahrenheit: float) -> Change:
    """A dry-bulb reading outdoors."""

    def change(request: Request) -> Request:
        thermometer = next(r["instrument"] for r in request["readings"] if r["kind"] == "dry_bulb_temperature")
        reading = {
            "kind": "dry_bulb_temperature",
            "location": "outdoor",
            "value": {"value": fahrenheit, "unit": "[degF]"},
            "state": "cooling",
            "instrument": thermometer,
        }
        return {**request, "readings": [*request["readings"], reading]}

    return change


def setting_typed_as_local(house: Any) -> Change:
    """The report's altimeter setting typed into the barometer's field."""
    return lambda request: sea_level_barometer(request, altimeter_setting(house.pressure, house.elevation))


def time_of_visit_missing(request: Request) -> Request:
    """The date was left out."""
    undated = dict(request)
    del undated["visited_at"]
    return undated


def barometer_missing(request: Request) -> Request:
    """No barometer at hand."""
    kept = [reading for reading in request["readings"] if reading["kind"] != "station_pressure"]
    if len(kept) == len(request["readings"]):
        raise LookupError("no barometer reading in this visit")
    return {**request, "readings": kept}


def _visit(name: str, house: Any, *mistakes: Change) -> FaultVisit:
    return FaultVisit(name, house, cooling("high"), READINGS, mistakes=mistakes)


VISITS: tuple[FaultVisit, ...] = (
    _visit("weather_fits_1600_m", _HIGH, with_report(_HIGH), outdoor_reading(89.6)),
    _visit("altimeter_setting_typed_1600_m", _HIGH, with_report(_HIGH), setting_typed_as_local(_HIGH)),
    _visit("barometer_reads_high_1600_m", _HIGH, with_report(_HIGH), added_to("station_pressure", None, 0.6)),
    _visit("barometer_reads_low_sea_level", _SEA, with_report(_SEA), added_to("station_pressure", None, -0.7)),
    _visit("weather_of_yesterday_1600_m", _HIGH, with_report(_HIGH, day=13)),
    _visit("weather_from_afar_sea_level", _SEA, with_report(_SEA, miles=95.0), barometer_missing),
    _visit("weather_visit_undated_1600_m", _HIGH, with_report(_HIGH), time_of_visit_missing),
    _visit("weather_distance_not_given_sea_level", _SEA, with_report(_SEA, miles=None)),
    _visit("outdoor_sensor_in_sun_1600_m", _HIGH, with_report(_HIGH), outdoor_reading(104.0)),
    _visit("outdoor_sensor_from_cool_room_sea_level", _SEA, with_report(_SEA), outdoor_reading(75.0)),
)


def documents() -> dict[Path, str]:
    """Path under the repository's root -> text."""
    return {FOLDER / f"{visit.id}.json": as_json(visit.request()) for visit in VISITS}


def main() -> None:
    for path, text in documents().items():
        (ROOT / path).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
