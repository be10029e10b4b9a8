"""One visit, normalised: SI units, canonical stations, error terms, nothing left to interpret."""

from __future__ import annotations

import datetime
import itertools
from typing import Literal

import msgspec

from service.model.quantity import Measured

Mode = Literal["heating", "cooling", "fan_only", "off"]

AMBIENT = "ambient"
"""The air around the equipment: the far end of every open hose, and both ends of the air path."""


RATINGS = frozenset(
    {
        "maximum_external_static_pressure",
        "nominal_cooling_capacity",
        "design_airflow",
        "gas_input",
        "steady_state_efficiency",
        "temperature_rise_minimum",
        "temperature_rise_maximum",
        "electric_heat_power",
        "electric_heat_phases",
        "blower_phases",
        "blower_power_factor",
        "filter_face_area",
    }
)
"""Names a rated number of the equipment goes by; a limit of a criterion may rest on one."""


class Element(msgspec.Struct, frozen=True):
    """One part of the air path, in the direction of flow."""

    name: str
    kind: str


class Steadiness(msgspec.Struct, frozen=True, omit_defaults=True):
    """What a sample series says about whether the reading had settled."""

    samples: int
    effective_samples: float
    duration: float
    standard_deviation: float
    slope: float
    slope_probability: float
    settled: bool
    verdict: Literal["settled", "drifting", "scattered"]


class Reading(msgspec.Struct, frozen=True, omit_defaults=True):
    """One reading in SI units.

    Attributes:
        key: `reading.<index in the payload>`, the name it goes by in the trace.
        pointer: JSON Pointer into the payload.
        kind: reading kind as in the request.
        measured: value and error terms, SI.
        location: station `upstream|downstream`, place, or component; None where the kind needs none.
        low: for a pressure difference, the station at the low port (`location` is the high port).
        state: id of the operating state; None means it holds in every state.
        area: part of the house being tested; None means the whole.
        basis: for airflow, `actual` or `standard`.
        method: for airflow, how it was taken.
    """

    key: str
    pointer: str
    kind: str
    measured: Measured
    location: str | None = None
    low: str | None = None
    state: str | None = None
    area: str | None = None
    basis: Literal["actual", "standard"] | None = None
    method: str | None = None
    instrument: str | None = None
    taken_at: datetime.datetime | None = None
    note: str | None = None
    steadiness: Steadiness | None = None


class State(msgspec.Struct, frozen=True, omit_defaults=True):
    """An operating state that readings were taken in."""

    id: str
    mode: Mode | None = None
    speed_setting: str | None = None
    blower: Literal["on", "off"] = "on"
    exhaust_fans: Literal["on", "off"] | None = None
    interior_doors: Literal["open", "closed"] | None = None
    coil_surface: Literal["wet", "dry"] | None = None
    zones_calling: tuple[str, ...] = ()
    label: str | None = None


class BlowerPoint(msgspec.Struct, frozen=True, omit_defaults=True):
    """External static pressure (Pa), airflow (m3/s) and power (W) at the table's density."""

    external_static_pressure: float
    airflow: float
    power: float | None = None


class BlowerTable(msgspec.Struct, frozen=True):
    """Rows of a maker's blower table for one speed setting, by rising external static pressure."""

    setting: str
    points: tuple[BlowerPoint, ...]
    density: float


class PressureDropRating(msgspec.Struct, frozen=True):
    """A maker's pressure drop (Pa) at a flow (m3/s) of air of `density` (kg/m3)."""

    drop: float
    flow: float
    density: float


class Equipment(msgspec.Struct, frozen=True, omit_defaults=True):
    """Equipment ratings in SI units.

    Attributes:
        path: elements in the direction of flow.
        inside: names of the elements inside the rating boundary.
        boundary_assumed: True where the boundary is the arrangement's default, not the client's statement.
        ratings: rated numbers by name (`maximum_external_static_pressure` Pa, `nominal_cooling_capacity` W,
            `gas_input` W, `steady_state_efficiency` ratio, `temperature_rise_minimum`/`_maximum` K,
            `electric_heat_phases`, `electric_heat_power_factor`, `design_airflow` m3/s of actual air at the site,
            `filter_face_area` m2 ...).
        filter_rating, coil_rating_wet, coil_rating_dry: rated pressure drops.
        station_names: trade names of stations that this path has, and the station each means.
    """

    arrangement: str
    path: tuple[Element, ...]
    inside: tuple[str, ...]
    boundary_assumed: bool
    reference: str | None = None
    label: str | None = None
    blower_kind: str | None = None
    filter_kind: str | None = None
    tables: tuple[BlowerTable, ...] = ()
    ratings: dict[str, Measured] = {}
    filter_rating: PressureDropRating | None = None
    coil_rating_wet: PressureDropRating | None = None
    coil_rating_dry: PressureDropRating | None = None
    station_names: dict[str, str] = {}

    def element(self, name: str) -> Element | None:
        """The element of that name, or None."""
        return next((element for element in self.path if element.name == name), None)

    @property
    def stations(self) -> tuple[str, ...]:
        """Stations of the path in the direction of flow, each `upstream|downstream`."""
        names = [element.name for element in self.path]
        return tuple(f"{up}|{down}" for up, down in itertools.pairwise(names))


class SetAside(msgspec.Struct, frozen=True):
    """Something the payload said that could not be used, with the remedy; the rest is still judged."""

    pointer: str
    code: str
    detail: str
    remedy: str


class LimitOverride(msgspec.Struct, frozen=True, omit_defaults=True):
    """A client's own limit for one criterion, SI units, with its reason."""

    criterion: str
    reason: str
    lower: float | None = None
    upper: float | None = None


class InstrumentUse(msgspec.Struct, frozen=True, omit_defaults=True):
    """What the client recorded of an instrument; `zero_offset` in Pa, for gauges."""

    id: str
    zero_checked: bool
    zero_offset: float | None = None
    offset_corrected: bool = True
    calibrated_on: datetime.date | None = None


class Visit(msgspec.Struct, frozen=True, omit_defaults=True):
    """Everything the later stages see of a visit."""

    equipment: Equipment
    states: tuple[State, ...]
    readings: tuple[Reading, ...]
    instruments: tuple[InstrumentUse, ...] = ()
    elevation: Measured | None = None
    visited_at: datetime.datetime | None = None
    site_reference: str | None = None
    job_reference: str | None = None
    overrides: tuple[LimitOverride, ...] = ()
    set_aside: tuple[SetAside, ...] = ()
