"""Blower and air path as numbers that changes work on, and the point where they meet.

All flows here are actual ones at the density of the air entering the blower. A part follows its power law through the
drop it had at the flow as found. The maker's table is anchored: its airflow is scaled so that it passes through the
point as found, and so is its power. Parts inside the box count with what they have above (or below) the table's own:
the table holds for the box as rated.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from service.errors import OutOfRange
from service.model.projection import AirSystem
from service.model.visit import BlowerTable
from service.physics import blower as fan
from service.physics import domain, power, system

HELD = "constant_airflow"
SECANT_STEP, SECANT_STEPS, SECANT_CLOSE = 1e-3, 6, 1e-4
"""First step as a share of the pressure, most steps, and how near two points are when the later one is taken: it lies
nearer still by about the square of that. How to compute, not what to judge by."""


class Refused(Exception):
    """A change that cannot be projected, with the reason and what is missing."""

    def __init__(self, reason: str, *missing: str) -> None:
        super().__init__(reason)
        self.reason = reason
        self.missing = missing


@dataclass(frozen=True)
class Boxed:
    """A part inside the box: its drop now, and the drop that the table was made with."""

    now: system.Element
    rated: system.Element


@dataclass(frozen=True)
class Arrangement:
    """One system, as found or changed.

    Attributes:
        flow: as found, m3/s at `found_density`; pressure and power as found, Pa and W.
        density: of the air entering the blower, kg/m3, now.
        path: parts outside the box by name, in series.
        boxed: parts inside the box that differ from what the table was made with.
        table: of the setting that runs now; found_table of the one that ran.
        speed: wheel speed over that as found; found_speed: as found over the table's, where both are known.
        as_printed: the blower stands to its table as printed, not as it was found.
        held_exponent: of density, by which a held airflow falls as air grows denser.
    """

    flow: float
    pressure: float
    power: float | None
    density: float
    found_density: float
    blower_kind: str | None
    path: Mapping[str, system.Part]
    found_path: Mapping[str, system.Part]
    boxed: Mapping[str, Boxed] = field(default_factory=dict)
    found_boxed: Mapping[str, Boxed] = field(default_factory=dict)
    table: BlowerTable | None = None
    found_table: BlowerTable | None = None
    maximum_pressure: float | None = None
    speed: float = 1.0
    found_speed: float = 1.0
    as_printed: bool = False
    held_exponent: float = 0.0

    @property
    def held_share(self) -> float:
        """Held airflow at the density now over that at the density as found."""
        return float((self.density / self.found_density) ** -self.held_exponent)

    def with_path(self, **parts: system.Part) -> Arrangement:
        """The same with parts outside the box put in place of those of that name."""
        return replace(self, path={**self.path, **parts})


@dataclass(frozen=True)
class Point:
    """Where blower and path meet: m3/s at the blower, Pa, W or None, what decides it where that is a limit, and the
    pressure at which the blower's table is entered."""

    flow: float
    pressure: float
    power: float | None
    set_by: str = "curve"
    entry: float = 0.0


def as_found(found: AirSystem, numbers: Mapping[str, float]) -> Arrangement:
    """The system with one set of numbers for its uncertain inputs; see `inputs_of`."""
    density = numbers["blower_density"]
    flow = numbers["airflow"] * numbers["density"] / density
    path: dict[str, system.Part] = {
        part.name: system.Element(
            part.name, numbers[f"part.{part.name}"], flow, numbers[f"exponent.{part.kind}"], density
        )
        for part in found.parts
    }
    boxed: dict[str, Boxed] = {}
    for part in found.inside:
        ratio = numbers.get(f"{part.kind}_to_rated")
        if ratio is not None and ratio > 0.0:
            drop, exponent = numbers[f"part.{part.name}"], numbers[f"exponent.{part.kind}"]
            now = system.Element(part.name, drop, flow, exponent, density)
            boxed[part.name] = Boxed(now, system.scaled(now, drop_factor=1.0 / ratio))
    return Arrangement(
        flow=flow,
        pressure=sum(numbers[f"part.{part.name}"] for part in found.parts),
        power=numbers.get("power"),
        density=density,
        found_density=density,
        blower_kind=found.blower_kind,
        path=path,
        found_path=path,
        boxed=boxed,
        found_boxed=boxed,
        table=found.table,
        found_table=found.table,
        maximum_pressure=found.maximum_pressure,
        found_speed=numbers.get("blower_speed_to_table", 1.0),
        held_exponent=numbers["held_airflow_density_exponent"],
    )


def anchor(state: Arrangement) -> float:
    """Airflow as found over the table's at the pressure as found.

    Raises
    ------
    Refused : no table, or the point as found lies outside it
    """
    if state.found_table is None:
        raise Refused("The blower's curve is not known.", "blower.settings with the setting that ran")
    entry = state.pressure + _beyond_rated(state.found_boxed, state.flow, state.found_density)
    rows = _at_speed(_at_density(state.found_table, state.blower_kind, state.found_density), state.found_speed)
    try:
        return state.flow / fan.flow_at_pressure(rows, entry, state.found_density)
    except (OutOfRange, ZeroDivisionError):
        raise Refused(
            "The point as found lies outside the rows of the blower table; nothing is extrapolated.",
            "blower.settings with rows at the external static pressure as found",
        ) from None


def operating_point(state: Arrangement, near: Point | None = None) -> Point:
    """Where the system as it is now meets its blower.

    `near` is where a system that differs by little meets it; a few secant steps from there spare the search.

    Raises
    ------
    Refused : the blower's curve is not known there; nothing is extrapolated
    OutOfRange : a part's numbers are impossible
    """
    if state.table is None or (state.blower_kind == HELD and not _falls(state.table)):
        return _held(state)
    share = 1.0 if state.as_printed else anchor(state)
    speed = state.speed if state.as_printed else state.speed * state.found_speed
    if state.blower_kind == HELD:
        share *= state.held_share
    rows = _at_speed(_at_density(state.table, state.blower_kind, state.density), speed)

    through = _laws(state)

    def asked(printed: float) -> float:
        return through(printed * share)

    met = None if near is None else _met_near(rows, asked, near.entry, state.density)
    if met is None:
        try:
            met = fan.operating_point(rows, asked, state.density)
        except OutOfRange as error:
            raise Refused(_table_words(error), "blower.settings with more rows") from None
    flow = met.flow * share
    # What the blower is asked for, less what parts inside the box take beyond the table's own.
    external = met.pressure - _beyond_rated(state.boxed, flow, state.density)
    return Point(flow, external, _power(state, met), entry=met.pressure)


def _met_near(
    table: fan.BlowerTable, asked: Callable[[float], float], entry: float, density: float
) -> fan.BlowerPoint | None:
    """The crossing by the secant method from a pressure close to it; None where that leaves the table or wanders."""

    def excess(pressure: float) -> float:
        return asked(fan.flow_at_pressure(table, pressure, density)) - pressure

    try:
        here, there = entry, entry * (1.0 + SECANT_STEP)
        at_here, at_there = excess(here), excess(there)
        for _ in range(SECANT_STEPS):
            if at_there == at_here:
                return None
            here, there, at_here = there, there - at_there * (there - here) / (at_there - at_here), at_there
            if abs(there - here) <= SECANT_CLOSE * entry:
                power = fan.power_at_pressure(table, there, density) if table.has_power else None
                return fan.BlowerPoint(there, fan.flow_at_pressure(table, there, density), power)
            at_there = excess(there)
    except OutOfRange:
        return None
    return None


def _power(state: Arrangement, met: fan.BlowerPoint) -> float | None:
    """The table's power, scaled as the measured one stood to it; as printed where the blower stands to its table."""
    if met.power is None:
        return None
    if state.power is None or state.found_table is None or state.found_table.points[0].power is None:
        return met.power
    if state.as_printed:
        return met.power
    entry = state.pressure + _beyond_rated(state.found_boxed, state.flow, state.found_density)
    found_rows = _at_speed(_at_density(state.found_table, state.blower_kind, state.found_density), state.found_speed)
    return met.power * state.power / fan.power_at_pressure(found_rows, entry, state.found_density)


def _held(state: Arrangement) -> Point:
    """A blower that holds its airflow, where no falling curve is at hand: up to the most that is known of it."""
    if state.blower_kind != HELD:
        raise Refused("The blower's curve is not known.", "blower.settings with the setting that ran")
    if state.speed != 1.0:
        raise Refused("Another wheel speed of a blower that sets its own speed means nothing.")
    flow = _held_flow(state)
    more = _beyond_rated(state.boxed, flow, state.density)
    before = _beyond_rated(state.found_boxed, state.flow, state.found_density)
    most = state.maximum_pressure
    if state.table is not None:
        most = state.table.points[-1].external_static_pressure * state.density / state.table.density
    if most is None or most < state.pressure + before:
        raise Refused(
            "How far the blower holds its airflow is not known.", "rated_maximum_external_static_pressure or its table"
        )
    if most <= more:
        raise Refused("A part inside the box would take all that the blower gives.", "blower.settings with more rows")
    known: dict[str, Any] = {}
    if not (state.boxed or state.found_boxed):  # what a part inside takes comes on top of what the efficiency counts
        known = _held_power(state)
    held = system.ConstantAirflowBlower(flow, most - more, **known)
    met = system.operating_point(held, system.Series(tuple(state.path.values())), state.density)
    return Point(met.flow, met.pressure, met.power, met.set_by)


def _held_flow(state: Arrangement) -> float:
    """Airflow held now: as found, carried to other air and, along the tables, to another setting or to its own."""
    if state.table is None or (state.table is state.found_table and not state.as_printed):
        return state.flow * state.held_share
    if state.as_printed:
        return _table_flow(state.table, state.pressure, state.found_density)
    if state.found_table is None:
        raise Refused("The airflow of the setting that ran is not known.", "states[].speed_setting")
    ratio = _table_flow(state.table, state.pressure, state.found_density) / _table_flow(
        state.found_table, state.pressure, state.found_density
    )
    return state.flow * state.held_share * ratio


def _table_flow(table: BlowerTable, pressure: float, density: float) -> float:
    try:
        return fan.flow_at_pressure(_at_density(table, HELD, density), pressure, density)
    except OutOfRange:
        raise Refused(
            "The point as found lies outside the rows of the blower table; nothing is extrapolated.",
            "blower.settings with rows at the external static pressure as found",
        ) from None


def _held_power(state: Arrangement) -> dict[str, Any]:
    """What tells the power: the efficiency as found, else the table's own."""
    if state.power is not None:
        efficiency = power.overall_efficiency(state.flow, state.pressure, state.power)
        return {"efficiency": efficiency} if 0.0 < efficiency <= 1.0 else {}
    if state.table is not None and state.table.points[0].power is not None:
        return {"table": _at_density(state.table, HELD, state.density)}
    return {}


def _laws(state: Arrangement) -> Callable[[float], float]:
    """The path's drop (Pa) and what boxed parts take beyond their rating, at a flow; power laws of one exponent as one.

    A search for the operating point asks many times in one air, so all that does not depend on the flow is taken first.
    """
    factors: dict[float, float] = {}
    others: list[system.Part] = []

    def take(part: system.Part, sign: float) -> None:
        if isinstance(part, system.Series):
            for each in part.parts:
                take(each, sign)
        elif isinstance(part, system.Element):
            at_one = system.drop_at_flow(part, 1.0, state.density)
            factors[part.exponent] = factors.get(part.exponent, 0.0) + sign * at_one
        else:
            others.append(part)

    for part in state.path.values():
        take(part, 1.0)
    for boxed in state.boxed.values():
        take(boxed.now, 1.0)
        take(boxed.rated, -1.0)
    laws = tuple(factors.items())

    def drop(flow: float) -> float:
        domain.not_negative("flow", flow)
        drops = sum(factor * flow**exponent for exponent, factor in laws)
        return float(drops + sum(system.drop_at_flow(part, flow, state.density) for part in others))

    return drop


def drop(state: Arrangement, flow: float) -> float:
    """What the path outside the box takes at a flow (m3/s at the blower), Pa."""
    return sum(system.drop_at_flow(part, flow, state.density) for part in state.path.values())


def external_curve(state: Arrangement, share: float) -> tuple[tuple[float, float], ...]:
    """Flow (m3/s at the blower) and external static pressure (Pa) at each row of the table in the air as it is now,
    its flows times `share`; what parts inside the box take beyond the table's own is taken off."""
    assert state.table is not None
    rows = _at_speed(_at_density(state.table, state.blower_kind, state.density), state.speed * state.found_speed)
    to_site = state.density / rows.density
    flows = [(row.flow * share, row.pressure * to_site) for row in rows.points]
    return tuple((flow, pressure - _beyond_rated(state.boxed, flow, state.density)) for flow, pressure in flows)


def _beyond_rated(boxed: Mapping[str, Boxed], flow: float, density: float) -> float:
    return sum(
        system.drop_at_flow(part.now, flow, density) - system.drop_at_flow(part.rated, flow, density)
        for part in boxed.values()
    )


def _at_density(table: BlowerTable, kind: str | None, density: float) -> fan.BlowerTable:
    """The table as the physics takes it; of a blower that holds torque, as it stands at the site's density."""
    return _rows(table) if kind != "constant_torque" else _rows_at_held_torque(table, density)


@functools.lru_cache(maxsize=256)
def _rows(table: BlowerTable) -> fan.BlowerTable:
    points = tuple(fan.BlowerPoint(p.external_static_pressure, p.airflow, p.power) for p in table.points)
    return fan.BlowerTable(points, table.density)


@functools.lru_cache(maxsize=256)
def _rows_at_held_torque(table: BlowerTable, density: float) -> fan.BlowerTable:
    rows = _rows(table)
    return fan.BlowerTable(
        tuple(
            fan.BlowerPoint(
                row.pressure,
                fan.flow_at_held_torque(rows, row.pressure, density),
                fan.power_at_held_torque(rows, row.pressure, density) if rows.has_power else None,
            )
            for row in rows.points
        ),
        density,
    )


def _at_speed(rows: fan.BlowerTable, ratio: float) -> fan.BlowerTable:
    """The table at another wheel speed by the fan laws."""
    if ratio == 1.0:
        return rows
    return fan.BlowerTable(tuple(fan.at_speed_ratio(row, ratio) for row in rows.points), rows.density)


def _falls(table: BlowerTable) -> bool:
    flows = [point.airflow for point in table.points]
    return all(after <= before for before, after in pairwise(flows))


def _table_words(error: OutOfRange) -> str:
    if "largest flow" in error.name:
        return "The blower would leave its table at the lowest pressure; nothing is extrapolated."
    if "smallest flow" in error.name:
        return "The blower would leave its table at the highest pressure; nothing is extrapolated."
    return "The blower table does not tell one airflow for one pressure."
