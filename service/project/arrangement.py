"""Blower and air path as numbers that changes work on, and the point where they meet.

All flows here are actual ones at the density of the air entering the blower. A part follows its power law through the
drop it had at the flow as found. The maker's table is anchored: its airflow is scaled so that it passes through the
point as found, and so is its power. Parts inside the box count with what they have above (or below) the table's own:
the table holds for the box as rated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise

from service.errors import OutOfRange
from service.model.projection import AirSystem
from service.model.visit import BlowerTable
from service.physics import blower as fan
from service.physics import power, system

HELD = "constant_airflow"


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
        speed: wheel speed over that as found.
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

    def with_path(self, **parts: system.Part) -> Arrangement:
        """The same with parts outside the box put in place of those of that name."""
        return replace(self, path={**self.path, **parts})


@dataclass(frozen=True)
class Point:
    """Where blower and path meet: m3/s at the blower, Pa, W or None, and what decides it where that is a limit."""

    flow: float
    pressure: float
    power: float | None
    set_by: str = "curve"


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
    rows = _at_density(state.found_table, state.blower_kind, state.found_density)
    try:
        return state.flow / fan.flow_at_pressure(rows, entry, state.found_density)
    except (OutOfRange, ZeroDivisionError):
        raise Refused(
            "The point as found lies outside the rows of the blower table; nothing is extrapolated.",
            "blower.settings with rows at the external static pressure as found",
        ) from None


def operating_point(state: Arrangement) -> Point:
    """Where the system as it is now meets its blower.

    Raises
    ------
    Refused : the blower's curve is not known there; nothing is extrapolated
    OutOfRange : a part's numbers are impossible
    """
    if state.table is None or (state.blower_kind == HELD and not _falls(state.table)):
        return _held(state)
    share = anchor(state)
    rows = _at_density(state.table, state.blower_kind, state.density)
    if state.speed != 1.0:
        rows = fan.BlowerTable(tuple(fan.at_speed_ratio(row, state.speed) for row in rows.points), rows.density)
    scaled = fan.BlowerTable(
        tuple(fan.BlowerPoint(row.pressure, row.flow * share, row.power) for row in rows.points), rows.density
    )

    def asked(flow: float) -> float:
        return _drop(state, flow) + _beyond_rated(state.boxed, flow, state.density)

    try:
        met = fan.operating_point(scaled, asked, state.density)
    except OutOfRange as error:
        raise Refused(_table_words(error), "blower.settings with more rows") from None
    return Point(met.flow, _drop(state, met.flow), _power(state, met, rows))


def _power(state: Arrangement, met: fan.BlowerPoint, rows: fan.BlowerTable) -> float | None:
    """The table's power, scaled as the measured one stood to it."""
    if met.power is None:
        return None
    if state.power is None or state.found_table is None or state.found_table.points[0].power is None:
        return met.power
    entry = state.pressure + _beyond_rated(state.found_boxed, state.flow, state.found_density)
    found_rows = _at_density(state.found_table, state.blower_kind, state.found_density)
    return met.power * state.power / fan.power_at_pressure(found_rows, entry, state.found_density)


def _held(state: Arrangement) -> Point:
    """A blower that holds its airflow, where no falling curve is at hand: up to the most that is known of it."""
    if state.blower_kind != HELD:
        raise Refused("The blower's curve is not known.", "blower.settings with the setting that ran")
    if state.boxed or state.found_boxed:
        raise Refused("A part inside the box needs the blower's curve.", "blower.settings with falling airflow")
    if state.speed != 1.0:
        raise Refused("Another wheel speed of a blower that sets its own speed means nothing.")
    most = state.maximum_pressure
    if state.found_table is not None:
        most = state.found_table.points[-1].external_static_pressure * state.density / state.found_table.density
    if most is None or most < state.pressure:
        raise Refused(
            "How far the blower holds its airflow is not known.", "rated_maximum_external_static_pressure or its table"
        )
    efficiency = None if state.power is None else power.overall_efficiency(state.flow, state.pressure, state.power)
    if efficiency is not None and not 0.0 < efficiency <= 1.0:
        efficiency = None
    held = system.ConstantAirflowBlower(state.flow, most, efficiency=efficiency)
    met = system.operating_point(held, system.Series(tuple(state.path.values())), state.density)
    return Point(met.flow, met.pressure, met.power, met.set_by)


def _drop(state: Arrangement, flow: float) -> float:
    return sum(system.drop_at_flow(part, flow, state.density) for part in state.path.values())


def _beyond_rated(boxed: Mapping[str, Boxed], flow: float, density: float) -> float:
    return sum(
        system.drop_at_flow(part.now, flow, density) - system.drop_at_flow(part.rated, flow, density)
        for part in boxed.values()
    )


def _at_density(table: BlowerTable, kind: str | None, density: float) -> fan.BlowerTable:
    """The table as the physics takes it; of a blower that holds torque, as it stands at the site's density."""
    points = tuple(fan.BlowerPoint(p.external_static_pressure, p.airflow, p.power) for p in table.points)
    rows = fan.BlowerTable(points, table.density)
    if kind != "constant_torque":
        return rows
    return fan.BlowerTable(
        tuple(
            fan.BlowerPoint(
                row.pressure,
                fan.flow_at_held_torque(rows, row.pressure, density),
                fan.power_at_held_torque(rows, row.pressure, density) if rows.has_power else None,
            )
            for row in points
        ),
        density,
    )


def _falls(table: BlowerTable) -> bool:
    flows = [point.airflow for point in table.points]
    return all(after <= before for before, after in pairwise(flows))


def _table_words(error: OutOfRange) -> str:
    if "largest flow" in error.name:
        return "The blower would leave its table at the lowest pressure; nothing is extrapolated."
    if "smallest flow" in error.name:
        return "The blower would leave its table at the highest pressure; nothing is extrapolated."
    return "The blower table does not tell one airflow for one pressure."
