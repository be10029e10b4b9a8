"""Airflow by methods of several numbers: traverse, sums of registers and grilles, parts as flow meters.

Each is told as actual flow at the state of the return air. What one number or one table gives is in `airflow`.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from service.derive.air import heat_sources, return_stations, supply_density
from service.derive.propagate import combine, mean, propagate, ratio, with_error, with_tolerance
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.visit import PressureDropRating, Reading, Traverse
from service.physics import flow, resistance, traverse

NO_DENSITY = "site elevation or station_pressure reading"
NO_SUPPLY_AIR = "dry_bulb_temperature at the supply plenum"


def derive_traverse(sheet: Worksheet) -> None:
    """Airflow from the traverses of the context, and what they say of the place they were taken at."""
    traverses = sheet.of_context(sheet.visit.traverses)
    if not traverses:
        return
    name = "airflow_from_traverse"
    flows: list[Measured] = []
    keys: list[str] = []
    for entry in traverses:
        upstream = entry.location in return_stations(sheet)
        here = sheet.get("return_air_density")
        there = here if upstream else _leaving_density(sheet)
        if here is None or there is None:
            missing = NO_DENSITY if here is None else NO_SUPPLY_AIR
            sheet.lack(name, missing)
            if entry.velocity_pressures:
                sheet.lack("traverse_velocity_pressure", missing)
                sheet.lack("traverse_evenness", missing)
            continue
        try:
            section = _section(entry)
            found = _over_points(entry, there, lambda v, _, section=section: section * v)  # type: ignore[misc]
            if not upstream:
                found = propagate(flow.flow_at_density, found, there, here)
            allowance = sheet.assumption("tolerance_velocity_traverse")
            flows.append(propagate(lambda q, share: q * (1.0 + share), found, allowance))
            keys.append(entry.key)
        except OutOfRange:
            sheet.lack(name, "velocity pressures or velocities that can be true together")
            continue
        _place(sheet, entry, there)
    if flows:
        sheet.record(
            name, mean(flows, f"{keys[0]}.scatter"), "mean of the velocities times the duct's section", (*keys,)
        )


def _leaving_density(sheet: Worksheet) -> Measured | None:
    """Density of the air behind the blower; without heating or cooling that of the return air."""
    if sheet.state.mode == "fan_only":
        return sheet.get("return_air_density")
    return supply_density(sheet)


def _section(entry: Traverse) -> float:
    if entry.diameter is not None:
        return traverse.round_area(entry.diameter)
    return traverse.rectangular_area(entry.width or 0.0, entry.height or 0.0)


def _over_points(entry: Traverse, density: Measured, result: Callable[[float, float], float]) -> Measured:
    """`result` of the mean velocity (m/s) and the density: zero and scale move all points together, each point's own
    error averages out."""
    zero = with_error(Measured(0.0), f"{entry.instrument}.zero", entry.zero)
    scale = with_error(Measured(0.0), f"{entry.instrument}.scale", entry.scale)
    points = entry.velocity_pressures or entry.velocities

    def velocity(point: float, rho: float) -> float:
        # Nothing stands below zero but the gauge's own error.
        return flow.velocity_from_pressure(max(point, 0.0), rho) if entry.velocity_pressures else point

    def mean_of(z: float, s: float, rho: float) -> float:
        return result(sum(velocity(point * (1.0 + s) + z, rho) for point in points) / len(points), rho)

    found = propagate(mean_of, zero, scale, density)
    rho, each = density.value, entry.each
    swings = [0.5 * (velocity(point + each, rho) - velocity(point - each, rho)) for point in points]
    centre, own = sum(velocity(point, rho) for point in points) / len(points), math.hypot(*swings) / len(points)
    swing = 0.5 * (result(centre + own, rho) - result(max(centre - own, 0.0), rho))
    return with_error(found, f"{entry.key}.points", swing)


def _place(sheet: Worksheet, entry: Traverse, density: Measured) -> None:
    """How strong and how even the flow is where it was traversed; only pressures tell."""
    points = entry.velocity_pressures
    if not points:
        return
    sheet.attempt(
        "traverse_velocity_pressure",
        "velocity pressure of the mean velocity",
        (entry.key,),
        lambda: _over_points(entry, density, flow.velocity_pressure),
        subject=entry.key,
    )
    sheet.attempt(
        "traverse_evenness",
        "points above a tenth of the largest velocity pressure, over all points",
        (entry.key,),
        lambda: Measured(traverse.share_above_tenth_of_largest([max(p, 0.0) for p in points])),
        subject=entry.key,
    )


# Registers and grilles -------------------------------------------------------------------------------------------


def derive_registers(sheet: Worksheet) -> None:
    """Sums at the registers and at the return grilles, and each room against its design."""
    readings = sheet.of_kind("register_airflow")
    if not readings:
        return
    for side, total, method in (
        ("supply", "register_airflow_supply", "airflow_from_registers"),
        ("return", "register_airflow_return", "airflow_from_return_grilles"),
    ):
        here = [reading for reading in readings if reading.side == side]
        if not here:
            continue
        words = "registers" if side == "supply" else "return grilles"
        if side == "supply":
            _rooms(sheet, here)
        if not _all_read(sheet, here):
            missing = (
                f"design_airflow of all {words}, adding up to equipment.design_airflow, to know that all were read"
            )
            sheet.lack(total, missing)
            sheet.lack(method, missing)
            continue
        flows = [_outlet_flow(sheet, reading) for reading in here]
        known = [entry for entry in flows if isinstance(entry, Measured)]
        if len(known) < len(flows):
            untold = dict.fromkeys(entry for entry in flows if isinstance(entry, str))
            sheet.lack(total, *untold)
            sheet.lack(method, *untold)
            continue
        keys = tuple(reading.key for reading in here)
        added = combine(*((1.0, entry) for entry in known))
        try:
            sheet.record(total, added, f"sum of {len(here)} {words}", keys)
        except OutOfRange:
            sheet.lack(total, "airflows that can be added")
            continue
        lost = sheet.assumption("airflow_lost_before_registers")
        if added.value > 0.0:
            sheet.attempt(
                method,
                f"sum of {len(here)} {words}, with the usual loss between them and the equipment",
                (total, "assumption.airflow_lost_before_registers"),
                lambda added=added, lost=lost: propagate(lambda q, share: q / (1.0 - share), added, lost),  # type: ignore[misc]
            )


def _all_read(sheet: Worksheet, readings: list[Reading]) -> bool:
    """Whether the design airflows of the outlets read add up to nearly that of the equipment: a sum of some of them
    means nothing."""
    whole = sheet.visit.equipment.ratings.get("design_airflow")
    designs = [reading.design for reading in readings]
    if whole is None or None in designs:
        return False
    share = sheet.ruleset.assumptions["registers_read_share"].value
    return sum(entry.value for entry in designs if entry is not None) >= share * whole.value


def _outlet_flow(sheet: Worksheet, reading: Reading) -> Measured | str:
    """Flow of one outlet as actual flow at the return, or what is missing to tell it."""
    here = sheet.get("return_air_density")
    try:
        if reading.basis == "standard":
            return NO_DENSITY if here is None else propagate(flow.actual_from_standard, reading.measured, here)
        if reading.side == "return" or sheet.state.mode == "fan_only":
            flow.standard_from_actual(reading.measured.value, 1.0)
            return reading.measured
        there = supply_density(sheet)
        if here is None or there is None:
            return NO_DENSITY if here is None else NO_SUPPLY_AIR
        return propagate(flow.flow_at_density, reading.measured, there, here)
    except OutOfRange:
        return "an airflow that is not negative"


def _rooms(sheet: Worksheet, readings: list[Reading]) -> None:
    name = "room_airflow_to_design"
    rooms: dict[str, list[Reading]] = {}
    for reading in readings:
        rooms.setdefault(reading.room or "", []).append(reading)
    for room, here in rooms.items():
        design = [reading.design for reading in here if reading.design is not None]
        flows = [_outlet_flow(sheet, reading) for reading in here]
        known = [entry for entry in flows if isinstance(entry, Measured)]
        if len(design) < len(here) or len(known) < len(here):
            missing = [entry for entry in flows if isinstance(entry, str)]
            sheet.lack(name, *dict.fromkeys(missing or ["design_airflow of the room's registers"]))
            continue
        found, wanted = (combine(*((1.0, entry) for entry in entries)) for entries in (known, design))
        sheet.attempt(
            name,
            "airflow of the room's registers over their design airflow",
            tuple(reading.key for reading in here),
            lambda found=found, wanted=wanted: ratio(found, wanted),  # type: ignore[misc]
            subject=room,
        )


# Parts as flow meters --------------------------------------------------------------------------------------------


def derive_flow_from_drops(sheet: Worksheet) -> None:
    """Airflow that the filter's and the coil's rated curve gives for their drops, at a usual cleanliness."""
    equipment = sheet.visit.equipment
    wet = "coil_surface.wet" in sheet.observations
    for kind, rating in (
        ("filter", equipment.filter_rating),
        ("coil", equipment.coil_rating_wet if wet else equipment.coil_rating_dry),
    ):
        drop, density = sheet.get(f"{kind}_pressure_drop"), sheet.get("return_air_density")
        if rating is None or drop is None or density is None or drop.value <= 0.0:
            continue
        sheet.attempt(
            f"airflow_from_{kind}_pressure_drop",
            f"rated curve of the {kind}, taken as dirty as is usual",
            (f"{kind}_pressure_drop", f"rating.{kind}", f"assumption.usual_{kind}_drop"),
            lambda kind=kind, rating=rating, drop=drop, density=density: _flow_from_drop(  # type: ignore[misc]
                sheet, kind, rating, drop, density
            ),
        )


def element_density(sheet: Worksheet, kind: str, density: Measured) -> Measured:
    """Density of the air in a part: behind what warms or cools it, that of the supply air."""
    sources = heat_sources(sheet)
    first = next((i for i, element in enumerate(sheet.path) if element.kind in sources), len(sheet.path))
    place = sheet.index(kind)
    return density if place is None or place <= first else supply_density(sheet) or density


def _flow_from_drop(
    sheet: Worksheet, kind: str, rating: PressureDropRating, drop: Measured, density: Measured
) -> Measured:
    exponent = sheet.exponent(kind)
    there = element_density(sheet, kind, density)
    rated = with_tolerance(
        Measured(rating.drop), f"rating.{kind}_pressure_drop", sheet.tolerance("rated_pressure_drop")
    )
    usual = sheet.assumption(f"usual_{kind}_drop")

    def at_return(clean: float, dirt: float, fall: float, n: float, at: float, here: float) -> float:
        through = resistance.flow_at_drop(clean * math.exp(dirt), rating.flow, fall, n, here, rating.density)
        return flow.flow_at_density(through, here, at)

    return propagate(at_return, rated, usual, drop, exponent, density, there)
