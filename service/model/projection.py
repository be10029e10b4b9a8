"""An air system as found, changes to it, and what they would bring; SI units."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import msgspec

from service.model.quantity import Measured
from service.model.visit import BlowerTable, DuctRun, PerformanceRow, PressureDropRating, SetAside, State

Side = Literal["return", "supply"]


class SystemPart(msgspec.Struct, frozen=True):
    """One resistance of the path: its drop (Pa) at the airflow as found, and the kind that gives its exponent.

    `name` is the element's, or `return` and `supply` for all ducts of a side, or `rest` for what was not read apart.
    """

    name: str
    kind: str
    drop: Measured


class AirSystem(msgspec.Struct, frozen=True, omit_defaults=True):
    """What one operating context tells of blower and ducts together.

    Attributes:
        airflow: actual at the return, m3/s.
        density: of the return air; blower_density of the air entering the blower, kg/m3.
        external_static_pressure: Pa across the rating boundary.
        power: measured, W.
        parts: outside the rating boundary, in the direction of flow; their drops add up to the external static
            pressure. `inside`: filter and coil inside it, as far as read.
        table: the blower table of the setting that ran; `tables` all of them.
        filter_to_rated, coil_to_rated: their drops over the clean ones at the same flow; filter_area: its face, m2.
        heat: whether the heat into the air stays the same when the airflow changes.
        wet_bulb, outdoor: entries of the performance table, K.
        airflow_beside_table: m3/s, by the methods other than the blower's table; what the blower is held against it by.
        design_airflow: m3/s; rise_range: least and most temperature rise of the heat source, K.
        speed_to_table: speed of the wheel over that of its table.
        leakage: what a side loses or draws in, m3/s at the return's density, as tests or temperatures tell it.
        whole_runs: names of the duct runs that carry their whole side.
        run_sizes: diameter that would serve a run, m, by the run's name.
        missing: what would have been needed, where there is no system at all.
    """

    state: State
    area: str | None
    missing: tuple[str, ...] = ()
    airflow: Measured = Measured(0.0)
    density: Measured = Measured(0.0)
    blower_density: Measured = Measured(0.0)
    external_static_pressure: Measured = Measured(0.0)
    power: Measured | None = None
    parts: tuple[SystemPart, ...] = ()
    inside: tuple[SystemPart, ...] = ()
    blower_kind: str | None = None
    table: BlowerTable | None = None
    tables: tuple[BlowerTable, ...] = ()
    maximum_pressure: float | None = None
    filter_to_rated: Measured | None = None
    filter_area: float | None = None
    coil_to_rated: Measured | None = None
    duct_runs: tuple[DuctRun, ...] = ()
    whole_runs: tuple[str, ...] = ()
    station_pressure: float | None = None
    temperature_rise: Measured | None = None
    heat: bool = False
    capacity: Measured | None = None
    performance: tuple[PerformanceRow, ...] = ()
    wet_bulb: Measured | None = None
    outdoor: Measured | None = None
    airflow_beside_table: Measured | None = None
    design_airflow: float | None = None
    rise_range: tuple[float, float] | None = None
    speed_to_table: Measured | None = None
    leakage: Mapping[Side, Measured] = {}
    run_sizes: Mapping[str, float] = {}


# Changes ---------------------------------------------------------------------------------------------------------


class ReplaceFilter(msgspec.Struct, frozen=True, omit_defaults=True):
    """A clean filter: by its own rating, or of the present make with another face area (m2), or the same again."""

    rating: PressureDropRating | None = None
    area: float | None = None


class CleanCoil(msgspec.Struct, frozen=True, omit_defaults=True):
    """The coil brought to its rated drop, or to a share of today's at the same flow."""

    factor: float | None = None


class AddDuct(msgspec.Struct, frozen=True, omit_defaults=True):
    """One more duct beside those of a side, with its grille or register."""

    run: DuctRun
    opening: PressureDropRating | None = None


class EnlargeDuct(msgspec.Struct, frozen=True):
    """A run of the visit with another inside diameter, m."""

    run: str
    diameter: float


class OpenDampers(msgspec.Struct, frozen=True, omit_defaults=True):
    """Dampers opened: `factor` is the drop afterwards over today's at the same flow."""

    side: Side = "supply"
    factor: float | None = None


class SpeedSetting(msgspec.Struct, frozen=True, omit_defaults=True):
    """Another speed setting of the blower table, or a wheel speed so many times today's."""

    setting: str | None = None
    factor: float | None = None


class FixDuctLeakage(msgspec.Struct, frozen=True):
    """A leak near the equipment closed, that loses (or draws in) so much air today, m3/s at the return's density; None
    for what the visit itself tells."""

    side: Side
    leakage: float | None = None


class OtherAir(msgspec.Struct, frozen=True, omit_defaults=True):
    """The same system in air of another density (kg/m3 at the return), or at another elevation (m)."""

    density: float | None = None
    elevation: float | None = None


class LowerDrop(msgspec.Struct, frozen=True):
    """A part, or the ducts of a side, brought to a drop (Pa) at today's flow; one that is lower already stays."""

    name: str
    drop: float


class StretchFlexible(msgspec.Struct, frozen=True):
    """Every flexible run of the visit pulled straight to its full length."""


class StandToTable(msgspec.Struct, frozen=True):
    """The blower made to stand to its table as printed."""


Change = (
    ReplaceFilter
    | CleanCoil
    | AddDuct
    | EnlargeDuct
    | OpenDampers
    | SpeedSetting
    | FixDuctLeakage
    | OtherAir
    | LowerDrop
    | StretchFlexible
    | StandToTable
)
"""What a projection can be asked for, and what else mending a cause may mean."""


class PlannedChange(msgspec.Struct, frozen=True):
    """A change of the request by its place there; `change` is None where it could not be read."""

    index: int
    kind: str
    change: Change | None
    aside: tuple[SetAside, ...] = ()


# Results ---------------------------------------------------------------------------------------------------------


class Projected(msgspec.Struct, frozen=True):
    """One quantity before and after; `change` keeps what both have in common out of its uncertainty."""

    name: str
    before: Measured
    after: Measured
    change: Measured


class NotProjected(msgspec.Struct, frozen=True):
    """What could not be projected, why, and what would be needed."""

    subject: str
    reason: str
    missing: tuple[str, ...] = ()


class Projection(msgspec.Struct, frozen=True):
    """What one change, or several together, would bring. `indices` are their places in the request."""

    indices: tuple[int, ...]
    kinds: tuple[str, ...]
    quantities: tuple[Projected, ...]
    notes: tuple[str, ...]
    not_projected: tuple[NotProjected, ...]


class Gained(msgspec.Struct, frozen=True):
    """One quantity before and after a cause is mended; `uncertainty` is the standard one of the change."""

    name: str
    before: float
    after: float
    change: float
    uncertainty: float


class Gain(msgspec.Struct, frozen=True, omit_defaults=True):
    """What mending a cause would bring, by the fix that the rules give it.

    `airflow` is what causes are ordered by: m3/s that more would reach the rooms, or be drawn from them where the
    return leaks; None where it cannot be told.
    """

    fix: str
    airflow: float | None
    quantities: tuple[Gained, ...] = ()
    notes: tuple[str, ...] = ()
    not_projected: tuple[NotProjected, ...] = ()


class ContextProjections(msgspec.Struct, frozen=True):
    """Every projection of one operating context; `together` where more than one change could be projected."""

    state: State
    area: str | None
    each: tuple[Projection, ...]
    together: Projection | None
    elements: Mapping[str, str] = {}


class Projections(msgspec.Struct, frozen=True):
    """The answer to one request for projections."""

    contexts: tuple[ContextProjections, ...]
    set_aside: tuple[SetAside, ...]
    cautions: tuple[str, ...]
