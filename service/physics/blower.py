"""Blower tables: airflow and power against external static pressure at one speed setting.

A maker's table holds at one density. A blower at the same wheel speed moves the same actual volume at any
density, while its pressure and shaft power go with density (fan laws). So the table is entered with the
site's pressure multiplied by table density over site density.

The wheel speed is taken as unchanged. An induction motor runs slightly faster in thin air, and a
controlled motor may hold torque or airflow instead; how far that matters is for the caller to say.

Between points the table is read along straight lines: that never leaves the two neighbouring values, needs
no assumption about the curve, and for the usual bend of a residential table (airflow losing 5 to 15 cfm more
at each 0.1 in. of water than at the last) is short of a smooth curve by about an eighth of that bend, 0.2 %.
"""

from bisect import bisect_left
from collections.abc import Callable, Sequence
from itertools import pairwise
from math import inf, sqrt

import msgspec

from service.errors import OutOfRange
from service.physics import domain
from service.physics.air import STANDARD_AIR_DENSITY


class BlowerPoint(msgspec.Struct, frozen=True, gc=False):
    """One row of a blower table.

    Parameters
    ----------
    pressure : float, Pa, external static, 0 or more
    flow : float, m3/s actual, 0 or more
    power : float, W, electrical input of the blower, above 0; None if the maker gives none

    Raises
    ------
    OutOfRange : outside these ranges

    Source: the maker's table.
    """

    pressure: float
    flow: float
    power: float | None = None

    def __post_init__(self) -> None:
        domain.not_negative("pressure", self.pressure)
        domain.not_negative("flow", self.flow)
        if self.power is not None:
            domain.positive("power", self.power)


class BlowerTable(msgspec.Struct, frozen=True):
    """A maker's table for one speed setting, at the density it was measured or stated at.

    Parameters
    ----------
    points : tuple[BlowerPoint, ...], shape (n,), n at least 2, strictly rising in pressure, Pa, m3/s, W
    density : float, kg/m3, above 0

    Raises
    ------
    OutOfRange : too few points, pressure not rising, or power given for some points only

    Source: the maker's table.
    """

    points: tuple[BlowerPoint, ...]
    density: float = STANDARD_AIR_DENSITY

    def __post_init__(self) -> None:
        domain.positive("density", self.density)
        count = len(self.points)
        if count < 2:
            raise OutOfRange("number of points", count, 2, inf)
        for index in range(1, count):
            before, here = self.points[index - 1].pressure, self.points[index].pressure
            if here <= before:
                raise OutOfRange(f"points[{index}].pressure", here, before, inf)
        with_power = sum(point.power is not None for point in self.points)
        if with_power not in {0, count}:
            raise OutOfRange("number of points with power", with_power, count, count)

    @property
    def has_power(self) -> bool:
        """Whether the maker gives power."""
        return self.points[0].power is not None


def flow_at_pressure(table: BlowerTable, pressure: float, density: float) -> float:
    """Airflow the blower moves against an external static pressure at the site's density.

    Parameters
    ----------
    table : BlowerTable
    pressure : float, Pa at the site, within the table's pressures times density over table density
    density : float, kg/m3 at the site, above 0

    Returns
    -------
    float, m3/s actual at `density`

    Raises
    ------
    OutOfRange : the table does not reach that pressure; nothing is extrapolated

    Source: fan laws (ANSI/AMCA 210 and HOF Systems and Equipment, fans; from memory).
    """
    left, right, share = _bracket(table, pressure, density)
    return left.flow + share * (right.flow - left.flow)


def pressure_at_flow(table: BlowerTable, flow: float, density: float) -> float:
    """External static pressure at which the blower moves an airflow; inverse of `flow_at_pressure`.

    Parameters
    ----------
    table : BlowerTable, airflow falling from row to row
    flow : float, m3/s actual at `density`, within the table's flows
    density : float, kg/m3 at the site, above 0

    Returns
    -------
    float, Pa at the site

    Raises
    ------
    OutOfRange : the table does not reach that flow, or its flow does not fall from row to row

    Source: fan laws, as `flow_at_pressure`.
    """
    domain.positive("density", density)
    points = table.points
    for before, here in pairwise(points):
        if here.flow >= before.flow:
            raise OutOfRange("flow", here.flow, 0.0, before.flow)
    domain.within("flow", flow, points[-1].flow, points[0].flow)
    index = next(i for i in range(1, len(points)) if points[i].flow <= flow)
    left, right = points[index - 1], points[index]
    share = (left.flow - flow) / (left.flow - right.flow)
    return (left.pressure + share * (right.pressure - left.pressure)) * density / table.density


def power_at_pressure(table: BlowerTable, pressure: float, density: float) -> float:
    """Electrical power of the blower against an external static pressure at the site's density.

    Parameters
    ----------
    table : BlowerTable with power
    pressure : float, Pa at the site, within the table's pressures times density over table density
    density : float, kg/m3 at the site, above 0

    Returns
    -------
    float, W

    Raises
    ------
    OutOfRange : the table does not reach that pressure, or gives no power

    Source: fan laws. Motor efficiency is taken as unchanged, which is a fair first approximation only.
    """
    left, right, share = _bracket(table, pressure, density)
    if left.power is None or right.power is None:
        raise OutOfRange("number of points with power", 0, len(table.points), len(table.points))
    return (left.power + share * (right.power - left.power)) * density / table.density


def pressure_at_power(table: BlowerTable, power: float, density: float) -> float:
    """External static pressure at which a blower that holds its airflow draws a power; inverse of `power_at_pressure`.

    Such a blower speeds up against a restriction, so that its power tells the pressure that its airflow hides.

    Parameters
    ----------
    table : BlowerTable with power that rises with pressure
    power : float, W electrical, within the table's powers times density over table density
    density : float, kg/m3 at the site, above 0

    Returns
    -------
    float, Pa at the site

    Raises
    ------
    OutOfRange : the table does not reach that power, its power does not rise, or it gives none

    Source: fan laws, as `power_at_pressure`.
    """
    domain.positive("density", density)
    ratio = density / table.density
    powers = [point.power for point in table.points if point.power is not None]
    if len(powers) < len(table.points):
        raise OutOfRange("number of points with power", len(powers), len(table.points), len(table.points))
    for before, here in pairwise(powers):
        if here <= before:
            raise OutOfRange("power of the table", here, before, inf)
    domain.within("power", power, powers[0] * ratio, powers[-1] * ratio)
    entry = power / ratio
    index = min(max(bisect_left(powers, entry), 1), len(powers) - 1)
    left, right = table.points[index - 1], table.points[index]
    share = (entry - powers[index - 1]) / (powers[index] - powers[index - 1])
    return (left.pressure + share * (right.pressure - left.pressure)) * ratio


def flow_at_held_torque(table: BlowerTable, pressure: float, density: float) -> float:
    """Airflow of a blower whose motor holds torque, against an external static pressure at the site's density.

    Torque goes with density times speed squared, so in thin air the wheel speeds up until density times speed
    squared is what it was: pressure is unchanged, airflow and speed go with the inverse square root of density.

    Parameters
    ----------
    table : BlowerTable
    pressure : float, Pa at the site, within the table's pressures
    density : float, kg/m3 at the site, above 0

    Returns
    -------
    float, m3/s actual at `density`

    Raises
    ------
    OutOfRange : the table does not reach that pressure; nothing is extrapolated

    Source: fan laws with torque held; a derivation, and a motor's control may limit its speed.
    """
    domain.positive("density", density)
    return flow_at_pressure(table, pressure, table.density) * sqrt(table.density / density)


def pressure_at_held_torque(table: BlowerTable, flow: float, density: float) -> float:
    """External static pressure at which a blower that holds torque moves an airflow; inverse of `flow_at_held_torque`.

    Parameters
    ----------
    table : BlowerTable, airflow falling from row to row
    flow : float, m3/s actual at `density`, within what the table gives there
    density : float, kg/m3 at the site, above 0

    Returns
    -------
    float, Pa at the site

    Raises
    ------
    OutOfRange : the table does not reach that flow, or its flow does not fall from row to row

    Source: as `flow_at_held_torque`.
    """
    domain.positive("density", density)
    return pressure_at_flow(table, flow * sqrt(density / table.density), table.density)


def power_at_held_torque(table: BlowerTable, pressure: float, density: float) -> float:
    """Electrical power of a blower whose motor holds torque: it goes with speed.

    Parameters
    ----------
    table : BlowerTable with power
    pressure : float, Pa at the site, within the table's pressures
    density : float, kg/m3 at the site, above 0

    Returns
    -------
    float, W

    Raises
    ------
    OutOfRange : the table does not reach that pressure, or gives no power

    Source: as `flow_at_held_torque`.
    """
    domain.positive("density", density)
    return power_at_pressure(table, pressure, table.density) * sqrt(table.density / density)


def airflow_is_single_valued(points: Sequence[BlowerPoint], tolerance: float = 0.0) -> bool:
    """Whether one external static pressure stands for one airflow.

    False if two rows share a pressure but not an airflow, or if airflow anywhere rises with pressure: such a
    blower (a forward-curved wheel in stall, an airflow-holding control) meets one system at several
    points, or tells airflow from pressure only as its control wills.

    Parameters
    ----------
    points : Sequence[BlowerPoint], shape (n,), any order, Pa, m3/s
    tolerance : float, 1, share of airflow by which rows may rise and still count as level, 0 or more

    Returns
    -------
    bool

    Raises
    ------
    OutOfRange : negative tolerance

    Source: definition.
    """
    domain.not_negative("tolerance", tolerance)
    ordered = sorted(points, key=lambda point: (point.pressure, -point.flow))
    lowest = inf
    for index, point in enumerate(ordered):
        if point.flow > lowest * (1.0 + tolerance):
            return False
        if (
            index
            and point.pressure == ordered[index - 1].pressure
            and point.flow < ordered[index - 1].flow * (1.0 - tolerance)
        ):
            return False
        lowest = min(lowest, point.flow)
    return True


def operating_point(table: BlowerTable, system_drop: Callable[[float], float], density: float) -> BlowerPoint:
    """Where the blower and the system it pushes air through meet.

    Parameters
    ----------
    table : BlowerTable, airflow never rising with pressure
    system_drop : Callable[[float], float], m3/s actual to Pa at the site's density, rising with flow
    density : float, kg/m3 at the site, above 0

    Returns
    -------
    BlowerPoint, Pa, m3/s, W at the site

    Raises
    ------
    OutOfRange : airflow rises with pressure somewhere, or the curves do not cross within the table

    Source: Brent's method (scipy) on pressure; removing a resistance shifts this point, drops never just subtract.
    """
    for before, here in zip(table.points, table.points[1:], strict=False):
        domain.within("flow", here.flow, 0.0, before.flow)
    domain.positive("density", density)
    ratio = density / table.density
    low, high = table.points[0].pressure * ratio, table.points[-1].pressure * ratio
    # At the lowest pressure flow is largest, so the system must ask for at least that pressure there.
    at_low, at_high = system_drop(table.points[0].flow), system_drop(table.points[-1].flow)
    domain.within("system_drop at the table's largest flow", at_low, low, inf)
    domain.within("system_drop at the table's smallest flow", at_high, -inf, high)

    def excess(pressure: float) -> float:
        return system_drop(flow_at_pressure(table, pressure, density)) - pressure

    if excess(low) <= 0.0:  # at an end of the table, but for rounding
        pressure = low
    elif excess(high) >= 0.0:
        pressure = high
    else:
        from scipy.optimize import brentq

        pressure = float(brentq(excess, low, high, xtol=1e-12, rtol=1e-12))
    power = power_at_pressure(table, pressure, density) if table.has_power else None
    return BlowerPoint(pressure, flow_at_pressure(table, pressure, density), power)


def at_speed_ratio(point: BlowerPoint, ratio: float) -> BlowerPoint:
    """The same blower in the same system and air at another wheel speed.

    Parameters
    ----------
    point : BlowerPoint, Pa, m3/s, W
    ratio : float, 1, new speed over old, above 0

    Returns
    -------
    BlowerPoint, Pa, m3/s, W

    Raises
    ------
    OutOfRange : ratio not above 0

    Source: fan laws: flow goes with speed, pressure with its square, power with its cube (system exponent 2).
    """
    domain.positive("ratio", ratio)
    power = None if point.power is None else point.power * ratio**3
    return BlowerPoint(point.pressure * ratio**2, point.flow * ratio, power)


def _bracket(table: BlowerTable, pressure: float, density: float) -> tuple[BlowerPoint, BlowerPoint, float]:
    """The two rows around the site pressure and how far along between them it lies, 0 to 1."""
    domain.positive("density", density)
    ratio = density / table.density
    points = table.points
    domain.within("pressure", pressure, points[0].pressure * ratio, points[-1].pressure * ratio)
    entry = pressure / ratio
    index = min(max(bisect_left(points, entry, key=_pressure), 1), len(points) - 1)
    left, right = points[index - 1], points[index]
    return left, right, (entry - left.pressure) / (right.pressure - left.pressure)


def _pressure(point: BlowerPoint) -> float:
    return point.pressure
