"""What the plots of a visit show, in SI units: pressure along the air path, and blower against system."""

from __future__ import annotations

import msgspec

from service.model.quantity import Measured
from service.model.visit import Element, State


class PathStation(msgspec.Struct, frozen=True, omit_defaults=True):
    """A gap of the air path and its static pressure against the ambient air, Pa.

    Attributes:
        after: how many elements of the path lie upstream of it; 0 and all of them are the open ends.
        pressure: along the shortest chain of readings; None where no reading reaches it.
        read: whether it was read there, rather than carried over from elsewhere.
    """

    after: int
    pressure: Measured | None = None
    read: bool = False


class AirPath(msgspec.Struct, frozen=True, omit_defaults=True):
    """Static pressure along the path, in the direction of flow.

    Attributes:
        elements: of the path.
        stations: one more than elements.
        inside: first and last element (by place) inside the rating boundary.
        external: static pressure across the rating boundary, Pa; None where it cannot be told.
        rated_maximum: of the equipment's rating, Pa.
    """

    elements: tuple[Element, ...]
    stations: tuple[PathStation, ...]
    inside: tuple[int, int]
    external: Measured | None = None
    rated_maximum: float | None = None


class BlowerAgainstSystem(msgspec.Struct, frozen=True, omit_defaults=True):
    """Blower and air path in one plane: airflow at the return (m3/s actual) and external static pressure (Pa).

    Attributes:
        airflow, external: as found.
        system: what the path outside the box takes, from no flow on.
        blower: what the blower gives by its table, at the site's air and as it was found; empty without a table.
        as_printed: True where the curve could not be brought through the point as found, and stands as printed.
        setting: speed setting of that table.
        rated_maximum: Pa.
    """

    airflow: Measured
    external: Measured
    system: tuple[tuple[float, float], ...]
    blower: tuple[tuple[float, float], ...] = ()
    as_printed: bool = False
    setting: str | None = None
    rated_maximum: float | None = None


class ContextFigures(msgspec.Struct, frozen=True, omit_defaults=True):
    """What can be drawn of one operating context."""

    state: State
    area: str | None
    path: AirPath | None = None
    blower: BlowerAgainstSystem | None = None
