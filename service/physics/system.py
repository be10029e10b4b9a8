"""Blower and air path together: where they meet, and where they would meet after a change.

An air path is made of elements in series and in parallel. Each follows the power law of `resistance`. It holds the
elements outside the box of the blower's rating, since that is what a table's external static pressure counts. An
element inside the box that is worse than when rated enters with its excess drop only.

To take a drop away never just subtracts it: the blower answers. A blower on a falling curve gives more air, so what
remains drops more; one that holds its airflow gives back the whole drop and draws less power instead.

Nothing is extrapolated. `OutOfRange` on "system_drop at the table's largest flow" says that the path is too open
for the table (its lowest pressure is not reached), on "... smallest flow" that it is too tight.
"""

from collections.abc import Iterator
from math import inf
from typing import Any

import msgspec

from service.errors import OutOfRange
from service.physics import blower, domain, duct, resistance
from service.physics.air import STANDARD_AIR_DENSITY
from service.physics.blower import BlowerPoint, BlowerTable
from service.physics.power import air_power

_SLACK = 1e-9
_ROOT = {"xtol": 1e-15, "rtol": 1e-12}


class Element(msgspec.Struct, frozen=True, gc=False):
    """One resistance of the air path: its drop at one flow, and how the drop goes with flow.

    Parameters
    ----------
    name : str, unique in its air path
    drop : float, Pa at `flow` and `density`, above 0
    flow : float, m3/s actual at `density`, above 0; with 1 m3/s the drop is the coefficient of the power law
    exponent : float, 1, from 1 to 2
    density : float, kg/m3 at which drop and flow belong together, above 0

    Raises
    ------
    OutOfRange : outside these ranges

    Source: `resistance`.
    """

    name: str
    drop: float
    flow: float
    exponent: float
    density: float = STANDARD_AIR_DENSITY

    def __post_init__(self) -> None:
        domain.positive("drop", self.drop)
        domain.positive("flow", self.flow)
        domain.within("exponent", self.exponent, *resistance.EXPONENT_RANGE)
        domain.positive("density", self.density)


class Series(msgspec.Struct, frozen=True):
    """Parts that the same air passes one after another: their drops add up.

    Parameters
    ----------
    parts : tuple[Element | Series | Parallel, ...], shape (n,), n at least 1

    Raises
    ------
    OutOfRange : no part

    Source: conservation of mass; density taken as the same in all parts.
    """

    parts: "tuple[Element | Series | Parallel, ...]"

    def __post_init__(self) -> None:
        if not self.parts:
            raise OutOfRange("number of parts", 0, 1, inf)


class Parallel(msgspec.Struct, frozen=True):
    """Parts that share the air between them: their flows add up and they have one drop.

    Parameters
    ----------
    parts : tuple[Element | Series | Parallel, ...], shape (n,), n at least 1

    Raises
    ------
    OutOfRange : no part

    Source: conservation of mass; the branches leave from and arrive at the same pressure.
    """

    parts: "tuple[Element | Series | Parallel, ...]"

    def __post_init__(self) -> None:
        if not self.parts:
            raise OutOfRange("number of parts", 0, 1, inf)


Part = Element | Series | Parallel
"""An air path, or a piece of one."""


class ElementLoad(msgspec.Struct, frozen=True, gc=False):
    """What one element of an air path carries.

    Parameters
    ----------
    name : str
    flow : float, m3/s actual
    drop : float, Pa

    Source: `loads`.
    """

    name: str
    flow: float
    drop: float


class PermanentSplitCapacitorBlower(msgspec.Struct, frozen=True):
    """A blower whose speed sags under load as the maker's table already shows.

    Parameters
    ----------
    table : BlowerTable of the speed setting in use

    Source: `blower.flow_at_pressure`.
    """

    table: BlowerTable


class ConstantTorqueBlower(msgspec.Struct, frozen=True):
    """A blower whose motor holds its torque: it turns faster in thin air.

    Parameters
    ----------
    table : BlowerTable of the torque setting in use

    Source: `blower.flow_at_held_torque`.
    """

    table: BlowerTable


class BeltDrivenBlower(msgspec.Struct, frozen=True):
    """A blower at a fixed wheel speed, changed by other sheaves.

    Parameters
    ----------
    table : BlowerTable at the table's wheel speed
    speed_ratio : float, 1, wheel speed over the table's, above 0

    Raises
    ------
    OutOfRange : speed ratio not above 0

    Source: fan laws, `blower.at_speed_ratio`; motor and belt efficiency taken as unchanged.
    """

    table: BlowerTable
    speed_ratio: float = 1.0

    def __post_init__(self) -> None:
        domain.positive("speed_ratio", self.speed_ratio)


class ConstantAirflowBlower(msgspec.Struct, frozen=True):
    """A blower whose control speeds the wheel up until the set airflow is reached, as far as it can.

    Power comes from the maker's table, or from air power over an overall efficiency, or is not known.
    At its largest pressure or power flow falls as if that were held. Past the largest pressure a real
    wheel at full speed gives no less than this, so the flow told there is a lower bound.

    Parameters
    ----------
    flow : float, m3/s actual at the site, above 0
    largest_pressure : float, Pa at the site up to which it holds the flow, above 0
    table : BlowerTable with power, or None
    efficiency : float, 1, above 0 to 1: air power over electrical power; None unless there is no table
    largest_power : float, W, above 0; None if not known; needs a table or an efficiency

    Raises
    ------
    OutOfRange : outside these ranges; table and efficiency at once; a largest power that nothing compares with

    Source: definition of the control; a bounding model at its limits.
    """

    flow: float
    largest_pressure: float
    table: BlowerTable | None = None
    efficiency: float | None = None
    largest_power: float | None = None

    def __post_init__(self) -> None:
        domain.positive("flow", self.flow)
        domain.positive("largest_pressure", self.largest_pressure)
        known = (self.table is not None) + (self.efficiency is not None)
        needed = 0 if self.largest_power is None else 1
        domain.within("number of sources of power", known, needed, 1)
        if self.table is not None and not self.table.has_power:
            raise OutOfRange("number of points with power", 0, len(self.table.points), len(self.table.points))
        if self.efficiency is not None:
            domain.share("efficiency", self.efficiency)
        if self.largest_power is not None:
            domain.positive("largest_power", self.largest_power)


Blower = PermanentSplitCapacitorBlower | ConstantTorqueBlower | BeltDrivenBlower | ConstantAirflowBlower
"""A blower of one of the four kinds."""


class OperatingPoint(msgspec.Struct, frozen=True, gc=False):
    """Where a blower and an air path meet.

    Parameters
    ----------
    flow : float, m3/s actual at the site
    pressure : float, Pa, external static
    power : float, W electrical; None if the blower's is not known
    set_by : str, what decides the point: curve, airflow, largest pressure or largest power

    Source: `operating_point`.
    """

    flow: float
    pressure: float
    power: float | None
    set_by: str


def drop_at_flow(part: Part, flow: float, density: float) -> float:
    """Pressure drop of an air path at a flow.

    Parameters
    ----------
    part : Part, Pa, m3/s, 1, kg/m3
    flow : float, m3/s actual at `density`, 0 or more
    density : float, kg/m3, above 0

    Returns
    -------
    float, Pa

    Raises
    ------
    OutOfRange : outside these ranges

    Source: conservation of mass over power laws; shares of parallel parts by Brent's method (scipy).
    """
    domain.not_negative("flow", flow)
    domain.positive("density", density)
    if isinstance(part, Element):
        return resistance.drop_at_flow(part.drop, part.flow, flow, part.exponent, density, part.density)
    if isinstance(part, Series):
        return sum(drop_at_flow(each, flow, density) for each in part.parts)
    if flow == 0.0:
        return 0.0
    # Even the easiest branch with all the air needs no less; with an even share each branch needs no more than it.
    high = min(drop_at_flow(each, flow, density) for each in part.parts)
    low = min(drop_at_flow(each, flow / len(part.parts), density) for each in part.parts)
    return _root(lambda drop: flow_at_drop(part, drop, density) - flow, low, high)


def flow_at_drop(part: Part, drop: float, density: float) -> float:
    """Flow that a pressure drop drives through an air path; inverse of `drop_at_flow`.

    Parameters
    ----------
    part : Part, Pa, m3/s, 1, kg/m3
    drop : float, Pa, 0 or more
    density : float, kg/m3, above 0

    Returns
    -------
    float, m3/s actual at `density`

    Raises
    ------
    OutOfRange : outside these ranges

    Source: as `drop_at_flow`.
    """
    domain.not_negative("drop", drop)
    domain.positive("density", density)
    if isinstance(part, Element):
        return resistance.flow_at_drop(part.drop, part.flow, drop, part.exponent, density, part.density)
    if isinstance(part, Parallel):
        return sum(flow_at_drop(each, drop, density) for each in part.parts)
    if drop == 0.0:
        return 0.0
    high = min(flow_at_drop(each, drop, density) for each in part.parts)
    low = min(flow_at_drop(each, drop / len(part.parts), density) for each in part.parts)
    return _root(lambda flow: drop_at_flow(part, flow, density) - drop, low, high)


def loads(part: Part, flow: float, density: float) -> tuple[ElementLoad, ...]:
    """Flow through and drop over every element of an air path.

    Parameters
    ----------
    part : Part, Pa, m3/s, 1, kg/m3
    flow : float, m3/s actual at `density` through the whole path, 0 or more
    density : float, kg/m3, above 0

    Returns
    -------
    tuple[ElementLoad, ...], m3/s and Pa, shape (number of elements,), in the order of the path

    Raises
    ------
    OutOfRange : outside these ranges

    Source: as `drop_at_flow`.
    """
    drop = drop_at_flow(part, flow, density)
    if isinstance(part, Element):
        return (ElementLoad(part.name, flow, drop),)
    found: list[ElementLoad] = []
    for each in part.parts:
        share = flow if isinstance(part, Series) else flow_at_drop(each, drop, density)
        found += loads(each, share, density)
    return tuple(found)


def elements(part: Part) -> Iterator[Element]:
    """The elements of an air path.

    Parameters
    ----------
    part : Part, Pa, m3/s, 1, kg/m3

    Returns
    -------
    Iterator[Element], Pa, m3/s, 1, kg/m3, in the order of the path

    Raises
    ------
    OutOfRange : never

    Source: definition.
    """
    if isinstance(part, Element):
        yield part
    else:
        for each in part.parts:
            yield from elements(each)


def replaced(part: Part, name: str, by: Part) -> Part:
    """The air path with one element replaced.

    Parameters
    ----------
    part : Part, Pa, m3/s, 1, kg/m3
    name : str, of exactly one element
    by : Part, Pa, m3/s, 1, kg/m3: a new element, or several in series or parallel

    Returns
    -------
    Part, Pa, m3/s, 1, kg/m3

    Raises
    ------
    OutOfRange : no element has that name, or more than one

    Source: definition.
    """
    _only(part, name)
    return _replaced(part, name, by)


def removed(part: Part, name: str) -> Part:
    """The air path without one element of a series, as with the filter out.

    Parameters
    ----------
    part : Part, Pa, m3/s, 1, kg/m3
    name : str, of exactly one element, in series with something else

    Returns
    -------
    Part, Pa, m3/s, 1, kg/m3

    Raises
    ------
    OutOfRange : no element has that name, more than one has, or nothing would resist any more: the element stands
        alone or is a whole branch, where to take it away would leave an opening or a wall

    Source: definition.
    """
    _only(part, name)
    return _removed(part, name)


def paralleled(part: Part, name: str, beside: Part) -> Part:
    """The air path with something added beside one element, as with a second return duct.

    Parameters
    ----------
    part : Part, Pa, m3/s, 1, kg/m3
    name : str, of exactly one element
    beside : Part, Pa, m3/s, 1, kg/m3

    Returns
    -------
    Part, Pa, m3/s, 1, kg/m3

    Raises
    ------
    OutOfRange : no element has that name, or more than one

    Source: definition.
    """
    return replaced(part, name, Parallel((_only(part, name), beside)))


def scaled(element: Element, drop_factor: float = 1.0, area_factor: float = 1.0) -> Element:
    """The same element cleaned or fouled, or of the same make with another area.

    Parameters
    ----------
    element : Element, Pa, m3/s, 1, kg/m3
    drop_factor : float, 1, new drop over old at the same velocity, above 0
    area_factor : float, 1, new area over old, above 0; the velocity at a flow goes down with it

    Returns
    -------
    Element, Pa, m3/s, 1, kg/m3

    Raises
    ------
    OutOfRange : outside these ranges

    Source: conservation of volume: the drop belongs to a velocity.
    """
    domain.positive("drop_factor", drop_factor)
    domain.positive("area_factor", area_factor)
    return msgspec.structs.replace(element, drop=element.drop * drop_factor, flow=element.flow * area_factor)


def duct_element(
    name: str,
    flow: float,
    diameter: float,
    effective_length: float,
    roughness: float,
    density: float,
    compression_factor: float = 1.0,
) -> Element:
    """A duct run as an element, exact at one flow and following the local exponent around it.

    Parameters
    ----------
    name : str, unique in its air path
    flow : float, m3/s actual at `density` near which it will be used, above 0
    diameter : float, m inside, above 0
    effective_length : float, m with fittings, above 0
    roughness : float, m, 0 to 0.05 of the diameter
    density : float, kg/m3, above 0
    compression_factor : float, 1, 1 or more, from `duct.flexible_compression_factor`

    Returns
    -------
    Element, Pa, m3/s, 1, kg/m3

    Raises
    ------
    OutOfRange : outside these ranges

    Source: `duct.loss` and `duct.flow_exponent`.
    """
    drop = duct.loss(flow, diameter, effective_length, roughness, density, duct.AIR_VISCOSITY, compression_factor)
    exponent = duct.flow_exponent(flow, diameter, roughness, density)
    return Element(name, drop, flow, exponent, density)


def operating_point(fan: Blower, path: Part, density: float) -> OperatingPoint:
    """Where a blower and an air path meet.

    Parameters
    ----------
    fan : Blower, Pa, m3/s, W
    path : Part, Pa, m3/s, 1, kg/m3: what lies outside the box of the blower's rating
    density : float, kg/m3 at the site, above 0

    Returns
    -------
    OperatingPoint, m3/s, Pa, W

    Raises
    ------
    OutOfRange : the curves do not meet within the table; the name says at which end, see the module's text

    Source: `blower.operating_point` on the table as the kind of blower changes it with density and speed.
    """
    if isinstance(fan, ConstantAirflowBlower):
        return _held(fan, path, density)
    found = blower.operating_point(_table(fan, density), lambda flow: drop_at_flow(path, flow, density), density)
    return OperatingPoint(found.flow, found.pressure, found.power, "curve")


def _table(fan: PermanentSplitCapacitorBlower | ConstantTorqueBlower | BeltDrivenBlower, density: float) -> BlowerTable:
    table = fan.table
    if isinstance(fan, BeltDrivenBlower):
        return BlowerTable(tuple(blower.at_speed_ratio(row, fan.speed_ratio) for row in table.points), table.density)
    if isinstance(fan, ConstantTorqueBlower):
        rows = (
            BlowerPoint(
                row.pressure,
                blower.flow_at_held_torque(table, row.pressure, density),
                blower.power_at_held_torque(table, row.pressure, density) if table.has_power else None,
            )
            for row in table.points
        )
        return BlowerTable(tuple(rows), density)
    return table


def _held(fan: ConstantAirflowBlower, path: Part, density: float) -> OperatingPoint:
    flow, pressure, set_by = fan.flow, drop_at_flow(path, fan.flow, density), "airflow"
    if pressure > fan.largest_pressure:
        pressure, set_by = fan.largest_pressure, "largest pressure"
        flow = flow_at_drop(path, pressure, density)

    def power_at(drop: float, moved: float) -> float:
        if fan.table is not None:
            # The table's power is for the held flow; at the limit air power, and power with it, goes with flow.
            return blower.power_at_pressure(fan.table, drop, density) * moved / fan.flow
        assert fan.efficiency is not None
        return air_power(moved, drop) / fan.efficiency

    if fan.table is None and fan.efficiency is None:
        return OperatingPoint(flow, pressure, None, set_by)
    power = power_at(pressure, flow)
    if fan.largest_power is not None and power > fan.largest_power:
        most = fan.largest_power
        lowest = 0.0 if fan.table is None else fan.table.points[0].pressure * density / fan.table.density
        domain.within("largest_power", most, power_at(lowest, flow_at_drop(path, lowest, density)), inf)
        from scipy.optimize import brentq

        pressure = float(
            brentq(lambda p: power_at(p, flow_at_drop(path, p, density)) - most, lowest, pressure, **_ROOT)
        )
        flow, power, set_by = flow_at_drop(path, pressure, density), most, "largest power"
    return OperatingPoint(flow, pressure, power, set_by)


def _root(function: Any, low: float, high: float) -> float:
    """The root of a rising function between two bounds that are right but for rounding."""
    from scipy.optimize import brentq

    return float(brentq(function, low * (1.0 - _SLACK), high * (1.0 + _SLACK), **_ROOT))


def _only(part: Part, name: str) -> Element:
    named = [each for each in elements(part) if each.name == name]
    if len(named) != 1:
        raise OutOfRange(f"number of elements named {name}", len(named), 1, 1)
    return named[0]


def _replaced(part: Part, name: str, by: Part) -> Part:
    if isinstance(part, Element):
        return by if part.name == name else part
    return type(part)(tuple(_replaced(each, name, by) for each in part.parts))


def _removed(part: Part, name: str) -> Part:
    if isinstance(part, Element):
        if part.name == name:
            raise OutOfRange("number of elements in series", 1, 2, inf)
        return part
    if isinstance(part, Series):
        kept = tuple(each for each in part.parts if not (isinstance(each, Element) and each.name == name))
        if len(kept) < len(part.parts):
            if not kept:
                raise OutOfRange("number of elements in series", 1, 2, inf)
            return Series(kept)
    return type(part)(tuple(_removed(each, name) for each in part.parts))
