"""What goes wrong between the gauge and the tablet: each function takes a request and returns a changed copy.

Each raises `LookupError` where the request has nothing to spoil, so that a case can never pass by doing nothing.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

from tests.visits.air import standard_atmosphere
from tests.visits.instruments import UNITS
from tests.visits.writing import Request

Reading = dict[str, Any]


def changed(request: Request, choose: Callable[[Reading], bool], change: Callable[[Reading], None]) -> Request:
    """A copy with `change` applied to every reading that `choose` picks."""
    spoiled = copy.deepcopy(request)
    chosen = [reading for reading in spoiled["readings"] if choose(reading)]
    if not chosen:
        raise LookupError("no reading of that kind in this visit")
    for reading in chosen:
        change(reading)
    return spoiled


def _negate(reading: Reading) -> None:
    reading["value"]["value"] = 0.0 - reading["value"]["value"]
    if "samples" in reading:
        reading["samples"]["values"] = [0.0 - value for value in reading["samples"]["values"]]


def _static(station: str | None) -> Callable[[Reading], bool]:
    return lambda reading: reading["kind"] == "static_pressure" and station in (None, reading["station"])


def hose_swapped(request: Request, station: str) -> Request:
    """The hose sat on the other port and nobody minded the sign."""
    return changed(request, _static(station), _negate)


def drop_inverted(request: Request) -> Request:
    """Every pressure difference written the wrong way round."""
    return changed(request, lambda reading: reading["kind"] == "pressure_difference", _negate)


def pascals_typed_as_inches(request: Request, station: str | None = None) -> Request:
    """The gauge showed Pa, the form said in. w.c. (all static pressures, or those at one station)."""

    def change(reading: Reading) -> None:
        size, _ = UNITS[reading["value"]["unit"]]
        reading["value"] = {"value": round(reading["value"]["value"] * size, 1), "unit": "[in_i'H2O]"}
        reading.pop("samples", None)

    return changed(request, _static(station), change)


def sign_dropped(request: Request) -> Request:
    """All static pressures written without their sign."""

    def change(reading: Reading) -> None:
        if reading["value"]["value"] < 0:
            _negate(reading)

    return changed(request, _static(None), change)


def zero_offset_unnoticed(request: Request, offset: float) -> Request:
    """The gauge stood at `offset` (in its own unit) with both ports open; every pressure carries it, no zero check."""

    def change(reading: Reading) -> None:
        sign = -1.0 if reading.get("probe_port") == "reference" else 1.0
        reading["value"]["value"] = round(reading["value"]["value"] + sign * offset, 6)
        reading.pop("samples", None)

    spoiled = changed(request, lambda reading: reading["kind"] in ("static_pressure", "pressure_difference"), change)
    for instrument in spoiled["instruments"]:
        if instrument["kind"] == "manometer":
            instrument.pop("zero_check", None)
    return spoiled


def station_mistaken(request: Request, taken_at: str, written_as: str) -> Request:
    """Read at one station, written down as another: after the coil as the furnace's outlet, for example."""
    without = {
        **request,
        "readings": [reading for reading in request["readings"] if reading.get("station", "") != written_as],
    }
    return changed(without, _static(taken_at), lambda reading: reading.update(station=written_as))


def station_not_read(request: Request, station: str) -> Request:
    """Static pressures at one station left out, so that the rest may not span the rating boundary."""
    kept = [reading for reading in request["readings"] if not _static(station)(reading)]
    if len(kept) == len(request["readings"]):
        raise LookupError(f"no static pressure at {station}")
    return {**copy.deepcopy(request), "readings": copy.deepcopy(kept)}


def sea_level_barometer(request: Request, sea_level_pressure: float | None = None) -> Request:
    """The weather report's pressure, reduced to sea level, typed in as the site's own."""

    def change(reading: Reading) -> None:
        size, _ = UNITS[reading["value"]["unit"]]
        pressure = standard_atmosphere(0.0) if sea_level_pressure is None else sea_level_pressure
        reading["value"]["value"] = round(pressure / size, 2)

    return changed(request, lambda reading: reading["kind"] == "station_pressure", change)


def bulbs_swapped(request: Request, location: str) -> Request:
    """Wet bulb and dry bulb written in each other's field at one location, state by state."""
    spoiled = copy.deepcopy(request)
    pairs = 0
    here = [reading for reading in spoiled["readings"] if reading.get("location") == location]
    for dry in [reading for reading in here if reading["kind"] == "dry_bulb_temperature"]:
        for wet in [reading for reading in here if reading["kind"] == "wet_bulb_temperature"]:
            if wet.get("state") == dry.get("state"):
                dry["value"], wet["value"] = wet["value"], dry["value"]
                pairs += 1
    if not pairs:
        raise LookupError(f"no pair of dry and wet bulb at {location}")
    return spoiled


def power_in_wrong_unit(request: Request, unit: str) -> Request:
    """The number of watts typed against another unit, such as `[HP]` or `kW`."""
    return changed(
        request,
        lambda reading: reading["kind"] == "electric_power",
        lambda reading: reading["value"].update(unit=unit),
    )


def celsius_typed_as_fahrenheit(request: Request, location: str | None = None) -> Request:
    """Thermometer set to degC, form in degF."""

    def change(reading: Reading) -> None:
        size, zero = UNITS[reading["value"]["unit"]]
        kelvin = reading["value"]["value"] * size + zero
        reading["value"] = {"value": round(kelvin - 273.15, 1), "unit": "[degF]"}

    return changed(
        request,
        lambda reading: reading["kind"].endswith("_temperature") and location in (None, reading["location"]),
        change,
    )
