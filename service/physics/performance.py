"""A maker's cooling performance table: capacity at a return wet bulb, an outdoor temperature and an airflow.

Capacity rises with wet bulb and, weakly, with airflow, and falls with outdoor temperature. Between rows it is read
along straight lines, first in airflow, then in outdoor temperature, then in wet bulb. A table need not be complete:
only the rows around the entry must be there.
"""

from collections.abc import Sequence
from math import inf

import msgspec

from service.errors import OutOfRange
from service.physics import domain

_AXES = ("airflow", "outdoor_temperature", "return_wet_bulb")


class PerformancePoint(msgspec.Struct, frozen=True, gc=False):
    """One row of a performance table.

    Parameters
    ----------
    return_wet_bulb : float, K, above 0
    outdoor_temperature : float, K, above 0
    airflow : float, m3/s of standard air, above 0
    capacity : float, W, total or sensible, above 0

    Raises
    ------
    OutOfRange : outside these ranges

    Source: the maker's table.
    """

    return_wet_bulb: float
    outdoor_temperature: float
    airflow: float
    capacity: float

    def __post_init__(self) -> None:
        domain.positive("return_wet_bulb", self.return_wet_bulb)
        domain.positive("outdoor_temperature", self.outdoor_temperature)
        domain.positive("airflow", self.airflow)
        domain.positive("capacity", self.capacity)


def capacity_at(
    points: Sequence[PerformancePoint], return_wet_bulb: float, outdoor_temperature: float, airflow: float
) -> float:
    """Capacity the table gives at one entry; nothing is extrapolated.

    Parameters
    ----------
    points : Sequence[PerformancePoint], shape (n,), n at least 1, any order, K, K, m3/s, W
    return_wet_bulb : float, K, within the rows
    outdoor_temperature : float, K, within the rows
    airflow : float, m3/s of standard air, within the rows

    Returns
    -------
    float, W

    Raises
    ------
    OutOfRange : no rows, or none on both sides of the entry; the error names the axis

    Source: linear interpolation, as makers' sheets allow between their rows (common practice, no source).
    """
    if not points:
        raise OutOfRange("number of points", 0, 1, inf)
    return _along(points, (airflow, outdoor_temperature, return_wet_bulb), 0)


def _along(points: Sequence[PerformancePoint], entry: tuple[float, float, float], axis: int) -> float:
    if axis == len(_AXES):
        return sum(point.capacity for point in points) / float(len(points))
    name, wanted = _AXES[axis], entry[axis]
    stops: list[float] = sorted({getattr(point, name) for point in points})
    domain.within(name, wanted, stops[0], stops[-1])
    low = max(stop for stop in stops if stop <= wanted)
    high = min(stop for stop in stops if stop >= wanted)

    def at(stop: float) -> float:
        return _along([point for point in points if getattr(point, name) == stop], entry, axis + 1)

    if low == high:
        return at(low)
    share = (wanted - low) / (high - low)
    return (1.0 - share) * at(low) + share * at(high)
