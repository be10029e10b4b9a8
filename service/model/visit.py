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
        "outlet_air_maximum",
        "blower_table_speed",
        "run_capacitance",
    }
)
"""Names a rated number of the equipment goes by; a limit of a criterion may rest on one."""


class Element(msgspec.Struct, frozen=True):
    """One part of the air path, in the direction of flow."""

    name: str
    kind: str


class Steadiness(msgspec.Struct, frozen=True, omit_defaults=True):
    """What a sample series says about whether the reading had settled.

    Attributes:
        samples, effective_samples, duration: how many, worth how many independent ones, over how many seconds.
        standard_deviation, slope, drift: of the series without what was left out; slope a second, drift in all.
        slope_probability: chance of at least such a slope in a settled series.
        mean, median: of all samples.
        left_out: samples that stood apart from all others and were left out.
        further_seconds: until a reading would be settled; 0 where it is, None where no end is in sight.
        dominated_by: what keeps it from being settled.
    """

    samples: int
    effective_samples: float
    duration: float
    standard_deviation: float
    slope: float
    slope_probability: float
    settled: bool
    verdict: Literal["settled", "drifting", "scattered"]
    mean: float
    median: float
    drift: float
    left_out: int = 0
    further_seconds: float | None = None
    dominated_by: Literal["drift", "gusts", "scatter", "outliers"] | None = None


class SteadyReading(msgspec.Struct, frozen=True):
    """A series by itself: kind and dimension, the settled SI value, its standard uncertainty, what the series says.

    `uncertainty` holds the scatter and the drift of the series and the instrument's own errors; `tolerance` is how far
    a settled series may drift, or its mean be uncertain.
    """

    kind: str
    dimension: str
    unit: str
    value: float
    uncertainty: float
    tolerance: float
    steadiness: Steadiness


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
        method: for airflow, how it was taken; `air_free` or `as_measured` for flue carbon monoxide; `exhaust` or
            `supply` for a ventilation airflow, with its duty: `exhaust.continuous`.
        room, side, design: for a register's airflow.
        height: of a barometer above a common level, m.
        seconds: for spillage, time since the burner was lit.
        orientation: -1 where the probe sat on the gauge's reference port, so that its offset counts the other way.
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
    room: str | None = None
    side: Literal["supply", "return"] | None = None
    design: Measured | None = None
    height: Measured | None = None
    seconds: float | None = None
    orientation: float = 1.0


class State(msgspec.Struct, frozen=True, omit_defaults=True):
    """An operating state that readings were taken in; `invented` where the visit names none."""

    id: str
    mode: Mode | None = None
    speed_setting: str | None = None
    blower: Literal["on", "off"] = "on"
    exhaust_fans: Literal["on", "off"] | None = None
    interior_doors: Literal["open", "closed"] | None = None
    coil_surface: Literal["wet", "dry"] | None = None
    zones_calling: tuple[str, ...] = ()
    label: str | None = None
    invented: bool = False


WHOLE_HOUSE = State(id="whole_house", blower="off")
"""Stands in place of a state where what belongs to no state is worked out."""


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
    performance: tuple[PerformanceRow, ...] = ()
    performance_is_gross: bool = False
    duct_runs: tuple[DuctRun, ...] = ()
    input_is_derated: bool = False
    station_names: dict[str, str] = {}
    zones: tuple[str, ...] = ()

    def element(self, name: str) -> Element | None:
        """The element of that name, or None."""
        return next((element for element in self.path if element.name == name), None)

    @property
    def stations(self) -> tuple[str, ...]:
        """Stations of the path in the direction of flow, each `upstream|downstream`."""
        names = [element.name for element in self.path]
        return tuple(f"{up}|{down}" for up, down in itertools.pairwise(names))


class Traverse(msgspec.Struct, frozen=True, omit_defaults=True):
    """A duct traverse: inside dimensions in m, and velocity pressures (Pa) or velocities (m/s) at its points.

    `zero` and `scale` are the standard uncertainties that all points share (as a share of the reading for `scale`),
    `each` that of one point alone; `instrument` is the error source's name.
    """

    key: str
    pointer: str
    location: str
    instrument: str
    zero: float
    scale: float
    each: float
    width: float | None = None
    height: float | None = None
    diameter: float | None = None
    velocity_pressures: tuple[float, ...] = ()
    velocities: tuple[float, ...] = ()
    state: str | None = None
    area: str | None = None


class LeakageTest(msgspec.Struct, frozen=True, omit_defaults=True):
    """A fan pressurisation test: pressures (Pa, magnitude) and flows (m3/s as the fan shows them for standard air)."""

    key: str
    pointer: str
    subject: Literal["duct", "envelope"]
    kind: str
    points: tuple[tuple[Measured, Measured], ...]
    state: str | None = None
    area: str | None = None


class GasClock(msgspec.Struct, frozen=True, omit_defaults=True):
    """Gas clocked at its meter: volume passed (m3) in a time (s), and its higher heating value (J/m3)."""

    key: str
    pointer: str
    volume: Measured
    seconds: Measured
    heating_value: Measured
    state: str | None = None
    area: str | None = None


class Appliance(msgspec.Struct, frozen=True, omit_defaults=True):
    """A fuel-burning appliance."""

    id: str
    kind: str
    venting: Literal["natural_draft", "fan_assisted", "power_vented", "direct_vent", "unvented"]
    zone: str | None = None
    vents_with: str | None = None
    vent_damper: bool = False


class Noted(msgspec.Struct, frozen=True, omit_defaults=True):
    """Something seen, heard or told; without a state it holds in every one."""

    what: str
    state: str | None = None
    area: str | None = None


class Weather(msgspec.Struct, frozen=True, omit_defaults=True):
    """A weather observation, SI: Pa, K, m/s; `distance` from the site in m, `age` in s between it and the visit.

    What age and distance cost is in the error terms already, usual ones where they are not known.
    """

    altimeter_setting: Measured | None = None
    sea_level_pressure: Measured | None = None
    temperature: Measured | None = None
    dew_point: Measured | None = None
    wind_speed: Measured | None = None
    wind_gust: Measured | None = None
    observed_at: datetime.datetime | None = None
    distance: float | None = None
    age: float | None = None


class SiteFacts(msgspec.Struct, frozen=True, omit_defaults=True):
    """The house: floor area m2, volume m3, height m of its conditioned part, and what ventilation asks of it."""

    floor_area: float | None = None
    volume: float | None = None
    height: float | None = None
    storeys: int | None = None
    bedrooms: int | None = None
    weather_and_shielding_factor: float | None = None


class EnergyUse(msgspec.Struct, frozen=True, omit_defaults=True):
    """Blower seconds a year, price of a joule in `currency`."""

    seconds_per_year: float
    price_per_joule: float | None = None
    currency: str | None = None


class PerformanceRow(msgspec.Struct, frozen=True, omit_defaults=True):
    """A row of a maker's cooling performance table, SI (K, K, m3/s standard, W, W)."""

    return_wet_bulb: float
    outdoor_temperature: float
    airflow: float
    total: float
    sensible: float | None = None


class DuctRun(msgspec.Struct, frozen=True, omit_defaults=True):
    """A run of duct, SI; `compression` as a share of the stretched length."""

    name: str
    side: Literal["return", "supply"]
    material: str
    length: float
    diameter: float | None = None
    width: float | None = None
    height: float | None = None
    fittings_equivalent_length: float = 0.0
    compression: float = 0.0
    design_airflow: float | None = None


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
    """What the client recorded of an instrument; `zero_offset` in Pa, for gauges.

    `offset_in_readings` is an offset (Pa) that the readings themselves prove, taken off them since.
    """

    id: str
    zero_checked: bool
    zero_offset: float | None = None
    offset_corrected: bool = True
    calibrated_on: datetime.date | None = None
    offset_in_readings: Measured | None = None


class Work(msgspec.Struct, frozen=True, omit_defaults=True):
    """Work done since the visit before, ahead of the readings of the visit that states it; `done_on` where known."""

    kind: str
    done_on: datetime.date | None = None


class Visit(msgspec.Struct, frozen=True, omit_defaults=True):
    """Everything the later stages see of a visit. `earlier` are visits before it to the same equipment, oldest first,
    each dated and without earlier ones of its own."""

    equipment: Equipment
    states: tuple[State, ...]
    readings: tuple[Reading, ...]
    traverses: tuple[Traverse, ...] = ()
    leakage_tests: tuple[LeakageTest, ...] = ()
    gas_clocks: tuple[GasClock, ...] = ()
    appliances: tuple[Appliance, ...] = ()
    noted: tuple[Noted, ...] = ()
    weather: Weather | None = None
    site: SiteFacts = SiteFacts()
    energy: EnergyUse | None = None
    instruments: tuple[InstrumentUse, ...] = ()
    elevation: Measured | None = None
    visited_at: datetime.datetime | None = None
    site_reference: str | None = None
    job_reference: str | None = None
    overrides: tuple[LimitOverride, ...] = ()
    set_aside: tuple[SetAside, ...] = ()
    work: tuple[Work, ...] = ()
    earlier: tuple[Visit, ...] = ()
