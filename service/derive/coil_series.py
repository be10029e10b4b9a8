"""Whether a wet coil closes while one looks on: its drop at the end of a series, or of a visit, over that at the start.

A coil that only gets wet gains 15 to 40 % within a quarter of an hour and stays there; ice goes on gaining. Both ends
are read with one gauge, so its scale error leaves the ratio as it is.
"""

from __future__ import annotations

import math

from service.derive.pressure import gap
from service.derive.propagate import combine, ratio
from service.derive.worksheet import Worksheet
from service.model.quantity import Measured
from service.model.visit import Reading

NAME = "coil_pressure_drop_rise"


def derive_coil_series(sheet: Worksheet) -> None:
    """Rise of the wet coil's drop while cooling, from direct differences across it; nothing where none covers time."""
    place = sheet.index("coil")
    if place is None or sheet.state.mode != "cooling" or "coil_surface.wet" not in sheet.observations:
        return
    before, after = gap(sheet, place), gap(sheet, place + 1)
    across = [
        (1.0 if reading.location == before else -1.0, reading)
        for reading in sheet.of_kind("pressure_difference")
        if {reading.location, reading.low} == {before, after}
    ]
    shortest = sheet.ruleset.assumptions["coil_series_shortest"].value * 60.0
    ends = _of_series(across, shortest) or _of_readings(across, shortest)
    if ends is None:
        return
    first, last, method, keys = ends
    if first.value > 0.0:
        sheet.attempt(NAME, method, keys, lambda: ratio(last, first))


_Ends = tuple[Measured, Measured, str, tuple[str, ...]]


def _of_series(across: list[tuple[float, Reading]], shortest: float) -> _Ends | None:
    """Ends of the line through the longest series."""
    found = [(sign, reading) for sign, reading in across if reading.steadiness is not None]
    sign, reading = max(found, key=lambda entry: entry[1].steadiness.duration, default=(0.0, None))  # type: ignore[union-attr]
    series = None if reading is None else reading.steadiness
    if reading is None or series is None or series.duration < shortest:
        return None
    own = {f"{reading.key}.drift", f"{reading.key}.repeatability"}
    lasting = {source: sign * term for source, term in reading.measured.terms.items() if source not in own}
    count = series.samples
    line = (series.slope * series.duration) ** 2 * count * (count + 1) / (12.0 * (count - 1) ** 2)
    # An end of the line is known at least as well as one sample departs from it.
    apart = math.sqrt(max(series.standard_deviation**2 - line, 0.0))

    def end(side: float, name: str) -> Measured:
        value = sign * (reading.measured.value + side * 0.5 * series.drift)
        return Measured(value, {**lasting, f"{reading.key}.{name}": apart})

    minutes = series.duration / 60.0
    return (
        end(-1.0, "beginning"),
        end(1.0, "end"),
        f"end over beginning of a series of {minutes:.0f} minutes",
        (reading.key,),
    )


def _of_readings(across: list[tuple[float, Reading]], shortest: float) -> _Ends | None:
    """The first and the last of the readings that say when they were taken."""
    dated = sorted(
        ((reading.taken_at, sign, reading) for sign, reading in across if reading.taken_at is not None),
        key=lambda entry: entry[0],
    )
    if len(dated) < 2 or (dated[-1][0] - dated[0][0]).total_seconds() < shortest:
        return None
    (start, sign, one), (end, other_sign, other) = dated[0], dated[-1]
    if one.instrument != other.instrument:
        return None
    minutes = (end - start).total_seconds() / 60.0
    first, last = (_signed(s, reading) for s, reading in ((sign, one), (other_sign, other)))
    return first, last, f"last over first reading, {minutes:.0f} minutes apart", (one.key, other.key)


def _signed(sign: float, reading: Reading) -> Measured:
    return combine((sign, reading.measured))
