"""Pressures of house, rooms and zones, and how they answer when blower, exhaust fans or doors change.

A pressure difference is named first place less second. What one state shows is worked out by `derive_house_pressure`;
what only two states show together, by `derive_responses`, on the sheet of the state in which more is switched on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from math import hypot

import msgspec

from service.derive.leakage import ENVELOPE_PRESSURE
from service.derive.propagate import combine, difference, mean, propagate, sampled, with_error
from service.derive.surroundings import indoor_air, outdoor_air
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.visit import Reading, State
from service.physics import house
from service.physics.air import STANDARD_AIR_DENSITY

INSIDE = ("indoor", "equipment_room")
"""Places that are the main body of the house."""
BEHIND = ("garage", "attic", "crawl_space", "basement")
"""Zones that lie between the house and the outside."""


class Factor(msgspec.Struct, frozen=True):
    """One thing that two states may differ in: its quantity, who has it on, what must be the same, what is missing.

    `alone` names the factors that must be idle before a missing counterpart is worth asking for.
    """

    quantity: str
    differs: Callable[[State, State], bool]
    same: tuple[str, ...]
    alone: tuple[str, ...]
    missing: str


def _blower(state: State) -> bool:
    return state.blower == "on" and state.mode != "off"


FACTORS = (
    Factor(
        "house_response_to_air_handler",
        lambda on, off: _blower(on) and not _blower(off),
        ("exhaust_fans", "interior_doors"),
        ("house_response_to_exhaust", "house_response_to_doors"),
        "zone_pressure indoors against outdoors with the blower off and all else alike",
    ),
    Factor(
        "house_response_to_exhaust",
        lambda on, off: on.exhaust_fans == "on" and off.exhaust_fans == "off",
        ("blower", "interior_doors"),
        ("house_response_to_air_handler", "house_response_to_doors"),
        "zone_pressure indoors against outdoors with the exhaust fans off and all else alike",
    ),
    Factor(
        "house_response_to_doors",
        lambda on, off: on.interior_doors == "closed" and off.interior_doors == "open",
        ("blower", "exhaust_fans"),
        ("house_response_to_exhaust",),
        "zone_pressure indoors against outdoors with the interior doors open and all else alike",
    ),
)


# One state -------------------------------------------------------------------------------------------------------


def derive_house_pressure(sheet: Worksheet) -> None:
    """House, zones and rooms in this state; what weather and exhaust fans would make."""
    if sheet.whole_house:
        _exhaust(sheet)
        return
    pressures = sheet.of_kind("zone_pressure")
    carried = _carried(sheet)
    if pressures or carried is not None:
        closed = sheet.state.interior_doors == "closed"
        sheet.observations.add(f"interior_doors.{'closed' if closed else 'not_closed'}")
        _house(sheet, carried)
        _weather(sheet)
    if pressures:
        _zones(sheet)
        _rooms(sheet)
    _exhaust(sheet)


def zone_difference(sheet: Worksheet, zone: str, reference: str) -> tuple[Measured, tuple[str, ...]] | None:
    """Pressure of one place less another, read either way round, with the gusts a single look cannot average out."""
    found: list[Reading] = []
    parts: list[Measured] = []
    firsts = INSIDE if zone == "indoor" else (zone,)
    seconds = INSIDE if reference == "indoor" else (reference,)
    for reading in sheet.of_kind("zone_pressure"):
        if reading.room is not None:
            continue
        if reading.location in firsts and reading.low in seconds:
            sign = 1.0
        elif reading.location in seconds and reading.low in firsts:
            sign = -1.0
        else:
            continue
        found.append(reading)
        parts.append(combine((sign, _gusty(sheet, reading))))
    if not found:
        return None
    keys = tuple(reading.key for reading in found)
    return mean(parts, f"{keys[0]}.scatter"), keys


def against_outdoors(sheet: Worksheet, zone: str) -> tuple[Measured, tuple[str, ...]] | None:
    """Pressure of a place less outdoors: read so, or through the house."""
    direct = zone_difference(sheet, zone, "outdoor")
    if direct is not None or zone == "indoor":
        return direct
    inner, outer = zone_difference(sheet, zone, "indoor"), zone_difference(sheet, "indoor", "outdoor")
    if inner is None or outer is None:
        return None
    return combine((1.0, inner[0]), (1.0, outer[0])), (*inner[1], *outer[1])


def _gusty(sheet: Worksheet, reading: Reading) -> Measured:
    if reading.steadiness is not None or "outdoor" not in (reading.location, reading.low):
        return reading.measured
    gusts = sheet.ruleset.assumptions["single_house_pressure"].uncertainty
    return with_error(reading.measured, f"{reading.key}.gusts", gusts)


def _house(sheet: Worksheet, carried: tuple[Measured, tuple[str, ...]] | None) -> None:
    direct = zone_difference(sheet, "indoor", "outdoor")
    if direct is not None and _test_fan_runs(sheet, direct[0]):
        sheet.observations.add("test_fan.running")
    elif direct is not None:
        sheet.record("house_pressure", direct[0], "read with one gauge between indoors and outdoors", direct[1])
        if carried is not None:
            pressure = carried[0]
            sheet.attempt(
                "house_pressure_disagreement", "carried barometer less the direct reading",
                ("house_pressure_by_barometer", "house_pressure"), lambda: difference(pressure, direct[0]),
            )  # fmt: skip
    elif carried is not None:
        method = "one barometer carried between indoors and outdoors, height and drift removed"
        sheet.record("house_pressure", carried[0], method, ("house_pressure_by_barometer",))
        sheet.observations.add("house_pressure.carried")


def _test_fan_runs(sheet: Worksheet, pressure: Measured) -> bool:
    """Whether this house pressure is that of an envelope test taken in this very state."""
    alone = len(sheet.visit.states) == 1
    tested = any(test.state == sheet.state.id or alone for test in sheet.leakage_tests("envelope"))
    return tested and abs(pressure.value) >= sheet.ruleset.assumptions["zone_test_pressure"].value


def _carried(sheet: Worksheet) -> tuple[Measured, tuple[str, ...]] | None:
    """Indoors less outdoors from one barometer read at both in turn; None and `lacking` where it cannot tell."""
    readings = [r for r in sheet.of_kind("station_pressure") if r.location in (*INSIDE, "outdoor")]
    here = [reading for reading in readings if reading.location != "outdoor"]
    if not here or len(here) == len(readings):
        return None
    name = "house_pressure_by_barometer"
    missing: list[str] = []
    if len(sheet.visit.states) > 1 and any(reading.state is None for reading in readings):
        missing.append("the operating state of each barometer reading")
    if len({reading.instrument for reading in readings}) > 1 or readings[0].instrument is None:
        missing.append("one and the same declared instrument for all barometer readings")
    if any(reading.taken_at is None for reading in readings):
        missing.append("taken_at of each barometer reading")
    if any(reading.height is None for reading in readings):
        missing.append("height of each barometer reading above a common level")
    if len(readings) < 3:
        missing.append("the first place read again at the end")
    if missing:
        sheet.lack(name, *missing)
        return None
    try:
        pressure, bracketed = _without_height_and_drift(sheet, readings)
    except OutOfRange as error:
        words = error.name.replace("_", " ")
        sheet.lack(name, f"barometer readings in turn at both places ({words} is out of range)")
        return None
    if not bracketed:
        sheet.lack(name, "the first place read again at the end")
        return None
    keys = tuple(reading.key for reading in readings)
    sheet.record(name, pressure, "one barometer carried between the places, height and steady drift removed", keys)
    return pressure, keys


def _without_height_and_drift(sheet: Worksheet, readings: Sequence[Reading]) -> tuple[Measured, bool]:
    first = min(r.taken_at for r in readings if r.taken_at is not None)
    times = [(r.taken_at - first).total_seconds() for r in readings if r.taken_at is not None]
    heights = [r.height for r in readings if r.height is not None]
    levels = [height.value for height in heights]
    inside = [reading.location != "outdoor" for reading in readings]
    density = mean_density(sheet)
    result = house.carried_difference(times, [r.measured.value for r in readings], levels, inside, density.value)
    lapse = house.barometric_lapse(density.value)
    assumptions = sheet.ruleset.assumptions
    noise = assumptions["barometer_repeatability"].uncertainty
    if result.residual_deviation is not None:
        noise = max(noise, result.residual_deviation)
    bend = assumptions["barometer_bent_drift"].uncertainty * result.drift * max(times)
    found = combine(
        *((weight, reading.measured) for weight, reading in zip(result.weights, readings, strict=True)),
        (house.GRAVITY * result.height_difference, density),
    )
    # A tape measures the step between the places once, however often they are read.
    found = with_error(found, "barometer.height", lapse * assumptions["barometer_height"].uncertainty)
    found = with_error(found, "barometer.repeatability", noise * hypot(*result.weights))
    return with_error(found, "barometer.bent_drift", bend), result.bracketed


def mean_density(sheet: Worksheet) -> Measured:
    """Density midway between indoor and outdoor air: of the air that a barometer or an opening joins."""
    return combine((0.5, indoor_air(sheet).density), (0.5, outdoor_air(sheet).density))


def _weather(sheet: Worksheet) -> None:
    """Stack and wind pressure to be expected today, whatever the equipment does."""
    height = sheet.visit.site.height
    if height is None:
        sheet.lack("stack_pressure_expected", "site.height")
    else:
        level = sheet.assumption("neutral_level")
        try:
            indoor, outdoor = indoor_air(sheet), outdoor_air(sheet)
        except OutOfRange:
            return
        if outdoor.assumed:
            sheet.lack("stack_pressure_expected", "dry_bulb_temperature outdoors, or the weather")
        else:
            sheet.attempt(
                "stack_pressure_expected", "weight of warm against cold air from the lowest floor to the neutral level",
                ("site.height", *indoor.inputs, *outdoor.inputs),
                lambda: propagate(
                    lambda share, inside, outside: house.stack_pressure(-share * height, inside, outside),
                    level, indoor.density, outdoor.density,
                ),
            )  # fmt: skip
    weather = sheet.visit.weather
    if weather is None:
        return
    if weather.wind_speed is None:
        sheet.lack("wind_pressure_expected", "wind speed of the weather report")
        return
    wind = weather.wind_gust or weather.wind_speed
    sheltered = sheet.assumption("wind_at_house")

    def pressure(speed: float, shelter: float, density: float) -> float:
        return house.wind_pressure(abs(speed) * shelter, density, 1.0)

    sheet.attempt(
        "wind_pressure_expected", "pressure of the reported wind or gust, slowed by shelter",
        ("weather.wind_speed",), lambda: propagate(pressure, wind, sheltered, outdoor_air(sheet).density),
    )  # fmt: skip


def _zones(sheet: Worksheet) -> None:
    """Garage, attic, crawl space and basement against the house; how open each is to it."""
    whole = zone_difference(sheet, "indoor", "outdoor")
    for zone in BEHIND:
        inner = zone_difference(sheet, "indoor", zone)
        if inner is None:
            outer = zone_difference(sheet, zone, "outdoor")
            if outer is None or whole is None:
                continue
            inner = difference(whole[0], outer[0]), (*whole[1], *outer[1])
        if "test_fan.running" not in sheet.observations:
            sheet.record(f"house_to_{zone}_pressure", inner[0], "indoors less the zone", inner[1])
        name = f"{zone}_leakage_ratio"
        if whole is None:
            sheet.lack(name, "zone_pressure indoors against outdoors in the same state")
            continue
        least = sheet.ruleset.assumptions["zone_test_pressure"].value
        if abs(whole[0].value) < least:
            continue  # A few pascals of weather cannot share out leaks; a test fan's pressure can.
        total, part = whole[0], inner[0]
        exponent = sheet.get("envelope_leakage_exponent") or sheet.assumption("leakage_exponent_envelope")

        def leaks(inside: float, across: float, n: float) -> float:
            outside = abs(across) - abs(inside)
            return house.series_leakage_ratio(abs(inside), outside, n)

        sheet.attempt(
            name, "the same air passes both leaks in turn", (*inner[1], *whole[1]),
            lambda part=part, total=total, exponent=exponent, leaks=leaks: propagate(  # type: ignore[misc]
                leaks, part, total, exponent
            ),
        )  # fmt: skip


# Rooms -----------------------------------------------------------------------------------------------------------


def _rooms(sheet: Worksheet) -> None:
    rooms: dict[str, list[tuple[Measured, str]]] = {}
    for reading in sheet.of_kind("zone_pressure"):
        if reading.room is None:
            continue
        if reading.location == "room" or reading.low in INSIDE:
            rooms.setdefault(reading.room, []).append((reading.measured, reading.key))
        elif reading.location in INSIDE:
            rooms.setdefault(reading.room, []).append((combine((-1.0, reading.measured)), reading.key))
    found = [
        (room, mean([value for value, _ in entries], f"{entries[0][1]}.scatter"), tuple(key for _, key in entries))
        for room, entries in rooms.items()
    ]
    # The room that is furthest from the house comes first: the words of a finding name it.
    for room, pressure, keys in sorted(found, key=lambda entry: -abs(entry[1].value)):
        sheet.record("room_pressure", pressure, "room less the main body of the house", keys, subject=room)
    for room, pressure, keys in sorted(found, key=lambda entry: -abs(entry[1].value)):
        _transfer(sheet, room, pressure, keys)


def _transfer(sheet: Worksheet, room: str, pressure: Measured, keys: tuple[str, ...]) -> None:
    """Opening that would bring a closed room down to the pressure aimed at."""
    target = sheet.ruleset.assumptions["room_pressure_aim"].value
    if abs(pressure.value) <= target:
        return
    registers = [r for r in sheet.of_kind("register_airflow") if r.room == room]
    if not registers:
        sheet.lack("transfer_area", f"register_airflow of the room {room}")
        return
    try:
        dense = STANDARD_AIR_DENSITY / indoor_air(sheet).density.value
    except OutOfRange:
        return
    net = combine(
        *(
            ((1.0 if r.side == "supply" else -1.0) * (dense if r.basis == "standard" else 1.0), r.measured)
            for r in registers
        )
    )

    def area(flow: float, between: float, density: float) -> float:
        return house.added_transfer_area(abs(flow), abs(between), target, density)

    sheet.attempt(
        "transfer_area", "opening that passes the room's net flow at the pressure aimed at, less its present gaps",
        (*keys, *(r.key for r in registers)),
        lambda: propagate(area, net, pressure, indoor_air(sheet).density), subject=room,
    )  # fmt: skip


# Exhaust against the envelope ------------------------------------------------------------------------------------


def fan_flows(sheet: Worksheet, direction: str, duty: str | None = None) -> list[Reading]:
    """Readings of ventilation fans that blow one way."""
    return [
        reading
        for reading in sheet.of_kind("ventilation_airflow")
        if (reading.method or "").startswith(direction) and (duty is None or (reading.method or "").endswith(duty))
    ]


def _exhaust(sheet: Worksheet) -> None:
    """Pressure that all exhaust fans together would make, supplies running, on a calm day."""
    out, into = fan_flows(sheet, "exhaust"), fan_flows(sheet, "supply")
    if not out:
        return
    name = "exhaust_depressurization_expected"
    leakage, exponent = sheet.get("envelope_leakage"), sheet.get("envelope_leakage_exponent")
    if leakage is None or exponent is None:
        sheet.lack(name, "an envelope_leakage test")
        return
    net = combine(*((-1.0, r.measured) for r in out), *((1.0, r.measured) for r in into))
    sheet.attempt(
        name, "net flow of the measured fans through the leaks of the envelope, without weather",
        (*(r.key for r in (*out, *into)), "envelope_leakage", "envelope_leakage_exponent"),
        lambda: propagate(
            lambda q, at_test, n: house.pressure_from_net_flow(q, at_test * ENVELOPE_PRESSURE**-n, n),
            net, leakage, exponent,
        ),
    )  # fmt: skip


# Two states ------------------------------------------------------------------------------------------------------


def derive_responses(sheets: Sequence[Worksheet]) -> None:
    """What the house pressure does when one thing is switched: each sheet against the state that differs in that."""
    with_pressure = [sheet for sheet in sheets if "house_pressure" in sheet.quantities]
    for sheet in with_pressure:
        for factor in FACTORS:
            _response(sheet, factor, with_pressure)
        _dominant_leak(sheet)


def counterpart(sheet: Worksheet, factor: Factor, sheets: Iterable[Worksheet]) -> Worksheet | None:
    """The sheet of the state that differs from this one's in the factor alone."""
    for other in sheets:
        on, off = sheet.state, other.state
        alike = all(getattr(on, name) == getattr(off, name) for name in factor.same)
        if other.area == sheet.area and alike and factor.differs(on, off):
            return other
    return None


def _response(sheet: Worksheet, factor: Factor, sheets: Sequence[Worksheet]) -> None:
    if not factor.differs(sheet.state, _idle(sheet.state)):
        return
    other = counterpart(sheet, factor, sheets)
    if other is None:
        if not any(rest.differs(sheet.state, _idle(sheet.state)) for rest in FACTORS if rest.quantity in factor.alone):
            sheet.lack(factor.quantity, factor.missing)
        return
    here, there = sheet.quantities["house_pressure"], other.quantities["house_pressure"]
    sheet.record(
        factor.quantity, difference(here.measured, there.measured),
        f"house pressure of this state less that of {other.state.id}",
        ("house_pressure", *there.inputs), subject=other.state.id,
    )  # fmt: skip


def _idle(state: State) -> State:
    return msgspec.structs.replace(state, blower="off", exhaust_fans="off", interior_doors="open")


def _dominant_leak(sheet: Worksheet) -> None:
    """Net flow that the ducts lose to, or gain from, outside, from the house's answer to the air handler."""
    response = sheet.get("house_response_to_air_handler")
    if response is None:
        return
    if sheet.state.interior_doors == "closed":
        return  # Closed doors alone pressurise rooms and depressurise the rest.
    leakage, exponent = sheet.get("envelope_leakage"), sheet.get("envelope_leakage_exponent")
    if leakage is None or exponent is None:
        sheet.lack("net_duct_leakage", "an envelope_leakage test")
        return
    sheet.attempt(
        "net_duct_leakage", "flow through the envelope that explains the house's answer to the air handler",
        ("house_response_to_air_handler", "envelope_leakage", "envelope_leakage_exponent"),
        lambda: sampled(
            lambda p, at_test, n: house.net_flow_from_pressure(p, at_test * ENVELOPE_PRESSURE**-n, n),
            response, leakage, exponent,
        ),
    )  # fmt: skip
