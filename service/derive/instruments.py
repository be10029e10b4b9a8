"""What redundant readings say of the instruments: a zero offset that they prove, two instruments that disagree.

A gauge whose zero is off by o shows every pressure o too high (o too low where the probe sat on its reference port).
A pressure difference read directly then departs from the difference of the two static pressures at its ends by o, if
all three were read with that gauge. One such closure may as well come from a leaking hose or a pressure that moved;
two or more that agree on one offset, far from nothing, prove it, and it is taken off every reading of the gauge.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import msgspec

from service.derive.propagate import combine, difference, mean, with_error
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.ruleset import Ruleset
from service.model.visit import Reading, Visit
from service.physics.uncertainty import chi_square_survival, weighted_mean

OFFSET_KINDS = frozenset({"static_pressure", "pressure_difference", "zone_pressure", "draft_pressure"})
"""Readings that carry a gauge's zero offset."""
ZERO_TERMS = ("zero", "zero_unchecked")
COMPARED = {
    "static_pressure": "gauge_disagreement",
    "pressure_difference": "gauge_disagreement",
    "dry_bulb_temperature": "thermometer_disagreement",
    "station_pressure": "barometer_disagreement",
}
"""Kind of reading -> quantity that two instruments at one place make of it."""


def without_proven_offsets(visit: Visit, ruleset: Ruleset) -> Visit:
    """The visit with the zero offsets taken off that its own readings prove; the same visit where there are none."""
    if not any(reading.kind == "pressure_difference" for reading in visit.readings):
        return visit
    proven: dict[str, Measured] = {}
    for use in visit.instruments:
        closures = list(_closures([reading for reading in visit.readings if reading.instrument == use.id], ruleset))
        offset = _proven(closures, ruleset)
        if offset is not None:
            proven[use.id] = offset
    if not proven:
        return visit
    return msgspec.structs.replace(
        visit,
        readings=tuple(_corrected(reading, proven) for reading in visit.readings),
        instruments=tuple(
            msgspec.structs.replace(use, offset_in_readings=proven.get(use.id)) for use in visit.instruments
        ),
    )


def _closures(readings: list[Reading], ruleset: Ruleset) -> Iterable[Measured]:
    """What each closure of one gauge says of its offset, without the gauge's own zero errors."""
    moved = ruleset.assumptions["pressure_between_readings"].uncertainty
    statics: dict[tuple[str | None, str | None, str | None], list[Reading]] = {}
    for reading in readings:
        if reading.kind == "static_pressure":
            statics.setdefault((reading.state, reading.area, reading.location), []).append(reading)
    for reading in readings:
        if reading.kind != "pressure_difference":
            continue
        high = statics.get((reading.state, reading.area, reading.location))
        low = statics.get((reading.state, reading.area, reading.low))
        if high is None or low is None:
            continue
        times = reading.orientation - high[0].orientation + low[0].orientation
        if times == 0.0 or any(len({each.orientation for each in end}) > 1 for end in (high, low)):
            continue
        error = combine(
            (1.0 / times, _zeroless(reading)),
            (-1.0 / times, mean([_zeroless(each) for each in high], f"{high[0].key}.scatter")),
            (1.0 / times, mean([_zeroless(each) for each in low], f"{low[0].key}.scatter")),
        )
        yield with_error(error, f"{reading.key}.moved", moved / times)


def _zeroless(reading: Reading) -> Measured:
    terms = reading.measured.terms
    return Measured(
        reading.measured.value,
        {source: term for source, term in terms.items() if source.rpartition(".")[2] not in ZERO_TERMS},
    )


def _proven(closures: list[Measured], ruleset: Ruleset) -> Measured | None:
    """The offset that the closures agree on, if there are several and it is far from nothing."""
    if len(closures) < 2:
        return None
    covariance = [[one.covariance(other) for other in closures] for one in closures]
    try:
        offset = weighted_mean([closure.value for closure in closures], covariance)
        agreement = chi_square_survival(offset.chi_square, offset.degrees_of_freedom)
    except OutOfRange:
        return None
    assumptions = ruleset.assumptions
    far = abs(offset.value) > assumptions["zero_offset_proof"].value * offset.standard_uncertainty
    agreed = agreement >= 1.0 - assumptions["proof_confidence"].value
    return Measured(offset.value, {"": offset.standard_uncertainty}) if far and agreed else None


def _corrected(reading: Reading, proven: dict[str, Measured]) -> Reading:
    offset = proven.get(reading.instrument or "")
    if offset is None or reading.kind not in OFFSET_KINDS:
        return reading
    left = _zeroless(reading)
    terms = {**left.terms, f"instrument.{reading.instrument}.zero": reading.orientation * offset.uncertainty}
    return msgspec.structs.replace(reading, measured=Measured(left.value - reading.orientation * offset.value, terms))


def derive_redundancy(sheet: Worksheet) -> None:
    """The offsets taken off, and how far two instruments at one place part."""
    _offsets(sheet)
    _disagreements(sheet)


def _offsets(sheet: Worksheet) -> None:
    used = [reading for reading in sheet.readings if reading.kind in OFFSET_KINDS]
    for use in sheet.visit.instruments:
        states = {reading.state for reading in used if reading.instrument == use.id}
        if use.offset_in_readings is not None and states:
            sheet.see("zero_offset.proven", max(states, key=lambda state: state is not None))
            offset = Measured(
                use.offset_in_readings.value, {f"instrument.{use.id}.zero": use.offset_in_readings.uncertainty}
            )
            sheet.record(
                "zero_offset_in_readings",
                offset,
                "direct differences minus the differences of static pressures, all with one gauge",
                (f"instrument.{use.id}",),
                subject=use.id,
            )


def _disagreements(sheet: Worksheet) -> None:
    worst: dict[str, tuple[float, Measured, tuple[str, ...], str | None]] = {}
    for kind, name in COMPARED.items():
        places: dict[tuple[str | None, str | None], dict[str, list[Reading]]] = {}
        for reading in sheet.of_kind(kind):
            if reading.instrument is not None:
                # Rooms and outdoors of one site share their air pressure but for a few pascals of height and house.
                place = None if kind == "station_pressure" else reading.location
                there = places.setdefault((place, reading.low), {})
                there.setdefault(reading.instrument, []).append(reading)
        for (location, _), by_instrument in places.items():
            for first, second in itertools.combinations(by_instrument.values(), 2):
                one, other = (mean([r.measured for r in own], f"{own[0].key}.scatter") for own in (first, second))
                gap = difference(one, other) if one.value >= other.value else difference(other, one)
                weight = gap.value / max(gap.uncertainty, 1e-9)
                if name not in worst or weight > worst[name][0]:
                    worst[name] = (weight, gap, tuple(r.key for r in (*first, *second)), location)
    for name, (_, gap, keys, location) in worst.items():
        sheet.record(name, gap, "larger minus smaller of two instruments at one place", keys, subject=location)
