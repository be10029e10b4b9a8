"""What a client sends. Strict: unknown fields are refused, numbers are bounded, text is bounded and free of U+0000.

The accepted unit spellings of each measure are a closed list, published in the contract and under
`/v1/vocabulary/units`; they live in `rules/vocabulary/units.toml`.
"""

import datetime
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

LARGEST = 1e9

Number = Annotated[float, Meta(ge=-LARGEST, le=LARGEST)]
NotNegative = Annotated[float, Meta(ge=0, le=LARGEST)]
Share = Annotated[float, Meta(ge=0, le=1)]
UnitCode = Annotated[str, Meta(min_length=1, max_length=40)]
Identifier = Annotated[
    str,
    Meta(min_length=1, max_length=64, pattern="^[A-Za-z0-9][A-Za-z0-9_.:-]*$(?!\\n)", description="An id of your own."),
]
REFERENCE: dict[str, Any] = {
    "type": "string",
    "minLength": 1,
    "maxLength": 64,
    "pattern": "^[A-Za-z0-9][A-Za-z0-9_.:-]*$",
}
"""Schema of an `Identifier`, for where it stands in an address."""
Text = Annotated[str, Meta(max_length=2000, pattern="^[^\\u0000]*$")]
Label = Annotated[str, Meta(min_length=1, max_length=120, pattern="^[^\\u0000]*$")]
Moment = Annotated[datetime.datetime, Meta(tz=True, description="RFC 3339 with offset.")]
Location = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=80,
        pattern="^[a-z][a-z0-9_.]*$(?!\\n)",
        description="A station of the air path: a trade name from `/v1/vocabulary/stations`, or `before.<element>` "
        "or `after.<element>`; for readings of air, also a place from `/v1/vocabulary/places`.",
    ),
]
RulesetVersion = Annotated[str, Meta(max_length=32, pattern="^[0-9]+\\.[0-9]+\\.[0-9]+$(?!\\n)")]
ElementName = Annotated[str, Meta(min_length=1, max_length=40, pattern="^[a-z][a-z0-9_]*$(?!\\n)")]


class Body(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True, kw_only=True):
    """Base of all request structs."""


# Measures: one struct per dimension, so that the contract can list the units each accepts ------------------------


class Pressure(Body, frozen=True, kw_only=True):
    """A gauge pressure or a pressure difference."""

    value: Number
    unit: UnitCode


class AbsolutePressure(Body, frozen=True, kw_only=True):
    """A pressure above vacuum, such as a barometer's at the site (not reduced to sea level)."""

    value: Number
    unit: UnitCode


class Temperature(Body, frozen=True, kw_only=True):
    """A temperature on a scale with an offset."""

    value: Number
    unit: UnitCode


class TemperatureDifference(Body, frozen=True, kw_only=True):
    """A difference of two temperatures: 20 degF here is 11.1 K, not -6.7 degC."""

    value: Number
    unit: UnitCode


class Ratio(Body, frozen=True, kw_only=True):
    """A dimensionless number: relative humidity, efficiency, power factor."""

    value: Number
    unit: UnitCode


class VolumeFlow(Body, frozen=True, kw_only=True):
    """A volume of air (or gas) per time."""

    value: Number
    unit: UnitCode


class ElectricPower(Body, frozen=True, kw_only=True):
    """Real electric power."""

    value: Number
    unit: UnitCode


class HeatRate(Body, frozen=True, kw_only=True):
    """Heating or cooling capacity, gas input."""

    value: Number
    unit: UnitCode


class Voltage(Body, frozen=True, kw_only=True):
    """Electric potential difference."""

    value: Number
    unit: UnitCode


class Current(Body, frozen=True, kw_only=True):
    """Electric current."""

    value: Number
    unit: UnitCode


class Length(Body, frozen=True, kw_only=True):
    """A length, such as an elevation or a filter's side."""

    value: Number
    unit: UnitCode


class Density(Body, frozen=True, kw_only=True):
    """Mass of air per volume."""

    value: Number
    unit: UnitCode


class Velocity(Body, frozen=True, kw_only=True):
    """Speed of air or wind."""

    value: Number
    unit: UnitCode


class Area(Body, frozen=True, kw_only=True):
    """An area, such as a floor area."""

    value: Number
    unit: UnitCode


class Volume(Body, frozen=True, kw_only=True):
    """A volume, of a house or of gas through a meter."""

    value: Number
    unit: UnitCode


class RotationalSpeed(Body, frozen=True, kw_only=True):
    """Speed of a wheel or sheave."""

    value: Number
    unit: UnitCode


class Capacitance(Body, frozen=True, kw_only=True):
    """Electric capacitance."""

    value: Number
    unit: UnitCode


class Concentration(Body, frozen=True, kw_only=True):
    """Volume of a gas per volume of air."""

    value: Number
    unit: UnitCode


class HeatingValue(Body, frozen=True, kw_only=True):
    """Heat of combustion per volume of gas (higher heating value)."""

    value: Number
    unit: UnitCode


class PressureSeries(Body, frozen=True, kw_only=True):
    """Several gauge pressures in one unit."""

    values: Annotated[list[Number], Meta(min_length=1, max_length=400)]
    unit: UnitCode


class VelocitySeries(Body, frozen=True, kw_only=True):
    """Several velocities in one unit."""

    values: Annotated[list[Number], Meta(min_length=1, max_length=400)]
    unit: UnitCode


# Instruments -----------------------------------------------------------------------------------------------------


class Accuracy(Body, frozen=True, kw_only=True):
    """A maker's accuracy: plus or minus a share of the reading or a floor, whichever is larger.

    `floor` and `resolution` are in `unit`, a unit of the readings this instrument takes (for thermometers, a unit
    of temperature difference).
    """

    share_of_reading: Share = 0.0
    floor: NotNegative = 0.0
    resolution: NotNegative = 0.0
    unit: UnitCode


class MeasuringRange(Body, frozen=True, kw_only=True):
    """The least and the greatest reading that the instrument's maker states, in a unit of its readings."""

    low: Number
    high: Number
    unit: UnitCode


class ZeroCheck(Body, frozen=True, kw_only=True):
    """The gauge was read with its ports open to the same air."""

    at: Moment | msgspec.UnsetType = msgspec.UNSET
    offset_found: Pressure | msgspec.UnsetType = msgspec.UNSET
    corrected: bool = True


class Instrument(Body, frozen=True, kw_only=True):
    """An instrument carried on the visit."""

    id: Identifier
    kind: Literal[
        "manometer",
        "micromanometer",
        "thermometer",
        "hygrometer",
        "barometer",
        "flow_hood",
        "flow_grid",
        "powered_hood",
        "anemometer",
        "velocity_probe",
        "power_meter",
        "clamp_meter",
        "voltmeter",
        "capacitance_meter",
        "tachometer",
        "leakage_tester",
        "carbon_monoxide_meter",
        "combustible_gas_detector",
        "other",
    ]
    label: Label | msgspec.UnsetType = msgspec.UNSET
    accuracy: Accuracy | msgspec.UnsetType = msgspec.UNSET
    measuring_range: MeasuringRange | msgspec.UnsetType = msgspec.UNSET
    zero_check: ZeroCheck | msgspec.UnsetType = msgspec.UNSET
    calibrated_on: datetime.date | msgspec.UnsetType = msgspec.UNSET


# Equipment -------------------------------------------------------------------------------------------------------

ElementKind = Literal[
    "return_grille",
    "return_duct",
    "filter",
    "blower",
    "heat_exchanger",
    "electric_heater",
    "coil",
    "accessory",
    "zone_damper",
    "supply_duct",
    "register",
]


class PathElement(Body, frozen=True, kw_only=True):
    """One part of the air path. `name` is needed only where a kind occurs twice."""

    kind: ElementKind
    name: ElementName | msgspec.UnsetType = msgspec.UNSET


class RatingBoundary(Body, frozen=True, kw_only=True):
    """Which elements are inside the box that the rated external static pressure belongs to."""

    inside: Annotated[list[ElementName], Meta(min_length=1, max_length=24)]


class BlowerTableRow(Body, frozen=True, kw_only=True):
    """One row of the maker's table."""

    external_static_pressure: Pressure
    airflow: VolumeFlow
    power: ElectricPower | msgspec.UnsetType = msgspec.UNSET


class BlowerSetting(Body, frozen=True, kw_only=True):
    """The maker's table for one speed setting."""

    setting: Label
    rows: Annotated[list[BlowerTableRow], Meta(min_length=1, max_length=40)]


class Blower(Body, frozen=True, kw_only=True):
    """The blower. `constant_torque` and `constant_airflow` are electronically commutated motors under control."""

    kind: Literal["permanent_split_capacitor", "constant_torque", "constant_airflow", "belt_driven"] | (
        msgspec.UnsetType
    ) = msgspec.UNSET
    settings: Annotated[list[BlowerSetting], Meta(max_length=12)] = []
    table_air_density: Density | msgspec.UnsetType = msgspec.UNSET
    table_speed: RotationalSpeed | msgspec.UnsetType = msgspec.UNSET
    run_capacitance: Capacitance | msgspec.UnsetType = msgspec.UNSET
    phases: Literal[1, 3] = 1
    power_factor: Share | msgspec.UnsetType = msgspec.UNSET


class PressureDrop(Body, frozen=True, kw_only=True):
    """A maker's pressure drop at a flow of standard air, unless `air_density` says otherwise."""

    pressure_drop: Pressure
    airflow: VolumeFlow
    air_density: Density | msgspec.UnsetType = msgspec.UNSET


class Filter(Body, frozen=True, kw_only=True):
    """The filter: face size for its velocity, and the clean pressure drop the maker rates."""

    kind: Literal["fiberglass", "pleated", "pleated_deep", "electronic", "washable", "other"] | (
        msgspec.UnsetType
    ) = msgspec.UNSET
    width: Length | msgspec.UnsetType = msgspec.UNSET
    height: Length | msgspec.UnsetType = msgspec.UNSET
    depth: Length | msgspec.UnsetType = msgspec.UNSET
    count: Annotated[float, Meta(ge=1, le=12, multiple_of=1)] = 1.0
    rated: PressureDrop | msgspec.UnsetType = msgspec.UNSET


class Coil(Body, frozen=True, kw_only=True):
    """The indoor coil's rated pressure drops."""

    rated_wet: PressureDrop | msgspec.UnsetType = msgspec.UNSET
    rated_dry: PressureDrop | msgspec.UnsetType = msgspec.UNSET


class GasHeat(Body, frozen=True, kw_only=True):
    """Gas furnace ratings. Steady-state efficiency is not the seasonal efficiency on the label."""

    input: HeatRate
    steady_state_efficiency: Ratio | msgspec.UnsetType = msgspec.UNSET
    temperature_rise_minimum: TemperatureDifference | msgspec.UnsetType = msgspec.UNSET
    temperature_rise_maximum: TemperatureDifference | msgspec.UnsetType = msgspec.UNSET
    outlet_air_maximum: Temperature | msgspec.UnsetType = msgspec.UNSET
    input_is_derated: bool = False


class ElectricHeat(Body, frozen=True, kw_only=True):
    """Electric heater ratings; its power comes from its voltage and current readings."""

    rated_power: ElectricPower | msgspec.UnsetType = msgspec.UNSET
    phases: Literal[1, 3] = 1


class CoolingPerformanceRow(Body, frozen=True, kw_only=True):
    """One row of the maker's cooling performance table (gross or net as the sheet says; net is usual)."""

    return_wet_bulb: Temperature
    outdoor_temperature: Temperature
    airflow: VolumeFlow
    total_capacity: HeatRate
    sensible_capacity: HeatRate | msgspec.UnsetType = msgspec.UNSET


class CoolingPerformance(Body, frozen=True, kw_only=True):
    """The maker's cooling performance table, in standard airflow."""

    capacity_is: Literal["net", "gross"] = "net"
    rows: Annotated[list[CoolingPerformanceRow], Meta(min_length=1, max_length=120)]


class DuctRun(Body, frozen=True, kw_only=True):
    """One run of duct, for its friction and for the size that its design flow asks for.

    `compression` is the share by which a flexible duct is shorter than when fully stretched.
    """

    name: Label
    side: Literal["return", "supply"]
    shape: Literal["round", "rectangular"] = "round"
    diameter: Length | msgspec.UnsetType = msgspec.UNSET
    width: Length | msgspec.UnsetType = msgspec.UNSET
    height: Length | msgspec.UnsetType = msgspec.UNSET
    material: Literal["galvanized_steel", "flexible", "fibrous_glass"] = "galvanized_steel"
    length: Length
    fittings_equivalent_length: Length | msgspec.UnsetType = msgspec.UNSET
    compression: Share = 0.0
    design_airflow: VolumeFlow | msgspec.UnsetType = msgspec.UNSET


class Equipment(Body, frozen=True, kw_only=True):
    """The air-moving equipment and its ratings. Everything is optional: what is missing is not judged, and said."""

    reference: Identifier | msgspec.UnsetType = msgspec.UNSET
    label: Label | msgspec.UnsetType = msgspec.UNSET
    arrangement: Literal[
        "furnace_with_cased_coil",
        "air_handler_with_internal_coil",
        "packaged_unit",
        "ducted_metric_unit",
        "belt_driven_unit",
        "custom",
    ]
    air_path: Annotated[list[PathElement], Meta(min_length=1, max_length=24)] | msgspec.UnsetType = msgspec.UNSET
    rating_boundary: RatingBoundary | msgspec.UnsetType = msgspec.UNSET
    rated_maximum_external_static_pressure: Pressure | msgspec.UnsetType = msgspec.UNSET
    nominal_cooling_capacity: HeatRate | msgspec.UnsetType = msgspec.UNSET
    design_airflow: VolumeFlow | msgspec.UnsetType = msgspec.UNSET
    blower: Blower | msgspec.UnsetType = msgspec.UNSET
    filter: Filter | msgspec.UnsetType = msgspec.UNSET
    coil: Coil | msgspec.UnsetType = msgspec.UNSET
    cooling_performance: CoolingPerformance | msgspec.UnsetType = msgspec.UNSET
    duct_runs: Annotated[list[DuctRun], Meta(max_length=60)] = []
    gas_heat: GasHeat | msgspec.UnsetType = msgspec.UNSET
    electric_heat: ElectricHeat | msgspec.UnsetType = msgspec.UNSET
    zones: Annotated[list[Label], Meta(max_length=24)] = []


# Operating states and readings -----------------------------------------------------------------------------------


class OperatingState(Body, frozen=True, kw_only=True):
    """How the system ran while readings were taken."""

    id: Identifier
    label: Label | msgspec.UnsetType = msgspec.UNSET
    mode: Literal["heating", "cooling", "fan_only", "off"] | msgspec.UnsetType = msgspec.UNSET
    speed_setting: Label | msgspec.UnsetType = msgspec.UNSET
    blower: Literal["on", "off"] = "on"
    exhaust_fans: Literal["on", "off"] | msgspec.UnsetType = msgspec.UNSET
    interior_doors: Literal["open", "closed"] | msgspec.UnsetType = msgspec.UNSET
    coil_surface: Literal["wet", "dry"] | msgspec.UnsetType = msgspec.UNSET
    zones_calling: Annotated[list[Label], Meta(max_length=24)] = []


class Samples(Body, frozen=True, kw_only=True):
    """A series of samples at equal intervals, in the unit of the reading's value."""

    interval_seconds: Annotated[float, Meta(ge=0.01, le=3600)]
    values: Annotated[list[Number], Meta(min_length=4, max_length=7200)]


class _Reading(Body, frozen=True, tag_field="kind", kw_only=True):
    state: Identifier | msgspec.UnsetType = msgspec.UNSET
    area: Label | msgspec.UnsetType = msgspec.UNSET
    instrument: Identifier | msgspec.UnsetType = msgspec.UNSET
    accuracy: Accuracy | msgspec.UnsetType = msgspec.UNSET
    samples: Samples | msgspec.UnsetType = msgspec.UNSET
    taken_at: Moment | msgspec.UnsetType = msgspec.UNSET
    note: Text | msgspec.UnsetType = msgspec.UNSET


class StaticPressureReading(_Reading, frozen=True, tag="static_pressure", kw_only=True):
    """Static pressure at a station against the air around the equipment; the return side is negative.

    `probe_port` says to which port of the gauge the probe's hose went; the value keeps its sign either way.
    """

    station: Location
    value: Pressure
    probe_port: Literal["input", "reference"] = "input"


class PressureDifferenceReading(_Reading, frozen=True, tag="pressure_difference", kw_only=True):
    """Pressure at the station on the gauge's input port minus the pressure at the station on its reference port."""

    input_station: Location
    reference_station: Location
    value: Pressure


class DryBulbReading(_Reading, frozen=True, tag="dry_bulb_temperature", kw_only=True):
    """Dry-bulb temperature of the air at a station or place."""

    location: Location
    value: Temperature


class WetBulbReading(_Reading, frozen=True, tag="wet_bulb_temperature", kw_only=True):
    """Wet-bulb temperature of the air at a station or place."""

    location: Location
    value: Temperature


class RelativeHumidityReading(_Reading, frozen=True, tag="relative_humidity", kw_only=True):
    """Relative humidity of the air at a station or place."""

    location: Location
    value: Ratio


class DewPointReading(_Reading, frozen=True, tag="dew_point_temperature", kw_only=True):
    """Dew-point temperature of the air at a station or place."""

    location: Location
    value: Temperature


class AirflowReading(_Reading, frozen=True, tag="airflow", kw_only=True):
    """Airflow through the equipment: `actual` at the state of the air where it was measured, or `standard`
    (reduced to air of 0.075 lb/ft3, 1.2014 kg/m3)."""

    location: Location
    value: VolumeFlow
    basis: Literal["actual", "standard"]
    method: Literal["flow_grid", "flow_hood", "powered_hood", "traverse", "other"] = "other"


class ElectricPowerReading(_Reading, frozen=True, tag="electric_power", kw_only=True):
    """Real power drawn by a component, as a power meter shows it."""

    component: Literal["blower", "electric_heater"]
    value: ElectricPower


class VoltageReading(_Reading, frozen=True, tag="voltage", kw_only=True):
    """Voltage at a component; line to line where it has three phases."""

    component: Literal["blower", "electric_heater"]
    value: Voltage


class CurrentReading(_Reading, frozen=True, tag="current", kw_only=True):
    """Current of a component; of one line where it has three phases."""

    component: Literal["blower", "electric_heater"]
    value: Current


class StationPressureReading(_Reading, frozen=True, tag="station_pressure", kw_only=True):
    """Barometric pressure at the site itself, not reduced to sea level.

    One barometer carried between places tells their pressure difference only if `place`, `height` above a common
    level and `taken_at` are given, and the first place is read again at the end.
    """

    value: AbsolutePressure
    place: Location | msgspec.UnsetType = msgspec.UNSET
    height: Length | msgspec.UnsetType = msgspec.UNSET


class RectangularDuct(Body, frozen=True, tag="rectangular", tag_field="shape", kw_only=True):
    """Inside dimensions of a rectangular duct."""

    width: Length
    height: Length


class RoundDuct(Body, frozen=True, tag="round", tag_field="shape", kw_only=True):
    """Inside diameter of a round duct."""

    diameter: Length


class VelocityTraverseReading(_Reading, frozen=True, tag="velocity_traverse", kw_only=True):
    """Velocity pressures, or velocities, at the points of a duct traverse (log-Tchebycheff in rectangular ducts,
    log-linear in round ones), for the airflow through the equipment. Give one of the two series."""

    location: Location
    duct: RectangularDuct | RoundDuct
    velocity_pressures: PressureSeries | msgspec.UnsetType = msgspec.UNSET
    velocities: VelocitySeries | msgspec.UnsetType = msgspec.UNSET


class RegisterAirflowReading(_Reading, frozen=True, tag="register_airflow", kw_only=True):
    """Airflow at one supply register or return grille of a room."""

    room: Label
    side: Literal["supply", "return"]
    value: VolumeFlow
    basis: Literal["actual", "standard"]
    design_airflow: VolumeFlow | msgspec.UnsetType = msgspec.UNSET


class RotationalSpeedReading(_Reading, frozen=True, tag="rotational_speed", kw_only=True):
    """Speed of the blower wheel."""

    value: RotationalSpeed


class CapacitanceReading(_Reading, frozen=True, tag="capacitance", kw_only=True):
    """Capacitance of the blower motor's run capacitor, taken out of the circuit and discharged."""

    value: Capacitance


class GasMeterReading(_Reading, frozen=True, tag="gas_meter", kw_only=True):
    """Gas clocked at its meter with only this appliance burning: volume of one turn of the dial, turns, seconds."""

    volume_per_revolution: Volume
    revolutions: Annotated[float, Meta(ge=1, le=1000, multiple_of=1)] = 1.0
    seconds: Annotated[float, Meta(ge=0.1, le=86400)]
    heating_value: HeatingValue


class WaterFlowReading(_Reading, frozen=True, tag="water_flow", kw_only=True):
    """Flow of water through a hydronic coil."""

    value: VolumeFlow


class WaterTemperatureReading(_Reading, frozen=True, tag="water_temperature", kw_only=True):
    """Temperature of the water entering or leaving a hydronic coil."""

    location: Literal["entering", "leaving"]
    value: Temperature


class LeakagePoint(Body, frozen=True, kw_only=True):
    """One point of a leakage test: pressure difference made, and flow through the test fan as its gauge or its maker's
    chart shows it for standard air; it is corrected here for the air that passed the fan."""

    pressure: Pressure
    airflow: VolumeFlow


class DuctLeakageReading(_Reading, frozen=True, tag="duct_leakage", kw_only=True):
    """A duct leakage test, in total or to outside (the house held at the ducts' pressure)."""

    extent: Literal["total", "to_outside"]
    points: Annotated[list[LeakagePoint], Meta(min_length=1, max_length=40)]


class EnvelopeLeakageReading(_Reading, frozen=True, tag="envelope_leakage", kw_only=True):
    """An air leakage test of the building envelope with a fan in a door or window."""

    direction: Literal["depressurization", "pressurization"]
    points: Annotated[list[LeakagePoint], Meta(min_length=1, max_length=40)]


class ZonePressureReading(_Reading, frozen=True, tag="zone_pressure", kw_only=True):
    """Pressure of a zone minus pressure of another, read directly with one gauge. `room` names one of several."""

    zone: Location
    reference: Location
    value: Pressure
    room: Label | msgspec.UnsetType = msgspec.UNSET


class SpillageReading(_Reading, frozen=True, tag="spillage", kw_only=True):
    """Whether flue gas spilled at an appliance's draft hood or burner, this long after it was lit."""

    appliance: Identifier
    spills: bool
    seconds_after_lighting: Annotated[float, Meta(ge=0, le=7200)] | msgspec.UnsetType = msgspec.UNSET


class DraftPressureReading(_Reading, frozen=True, tag="draft_pressure", kw_only=True):
    """Pressure in an appliance's vent minus pressure of its room; negative where it draws."""

    appliance: Identifier
    value: Pressure


class CarbonMonoxideReading(_Reading, frozen=True, tag="carbon_monoxide", kw_only=True):
    """Carbon monoxide in the air of a place."""

    location: Location
    value: Concentration


class FlueCarbonMonoxideReading(_Reading, frozen=True, tag="flue_carbon_monoxide", kw_only=True):
    """Carbon monoxide in an appliance's flue gas, undiluted: reduced to air-free, or as measured."""

    appliance: Identifier
    value: Concentration
    basis: Literal["air_free", "as_measured"]


class CombustibleGasReading(_Reading, frozen=True, tag="combustible_gas", kw_only=True):
    """Combustible gas in the air of a place, as a share of its lower explosive limit."""

    location: Location
    value: Ratio


class VentilationAirflowReading(_Reading, frozen=True, tag="ventilation_airflow", kw_only=True):
    """Airflow of one exhaust or supply fan of the house."""

    fan: Label
    direction: Literal["exhaust", "supply"]
    duty: Literal["continuous", "on_demand"] = "on_demand"
    value: VolumeFlow


AnyReading = (
    StaticPressureReading
    | PressureDifferenceReading
    | DryBulbReading
    | WetBulbReading
    | RelativeHumidityReading
    | DewPointReading
    | AirflowReading
    | ElectricPowerReading
    | VoltageReading
    | CurrentReading
    | StationPressureReading
    | VelocityTraverseReading
    | RegisterAirflowReading
    | RotationalSpeedReading
    | CapacitanceReading
    | GasMeterReading
    | WaterFlowReading
    | WaterTemperatureReading
    | DuctLeakageReading
    | EnvelopeLeakageReading
    | ZonePressureReading
    | SpillageReading
    | DraftPressureReading
    | CarbonMonoxideReading
    | FlueCarbonMonoxideReading
    | CombustibleGasReading
    | VentilationAirflowReading
)


class Noted(Body, frozen=True, kw_only=True):
    """Something seen, heard or told on the visit that no instrument reads."""

    what: Literal[
        "frost_on_coil",
        "coil_dirty",
        "water_carried_off_coil",
        "water_standing_in_drain_pan",
        "wheel_dirty",
        "wheel_turns_backward",
        "belt_loose_or_worn",
        "filter_dirty",
        "filter_missing",
        "gap_beside_filter",
        "cabinet_panel_open",
        "limit_switch_opened",
        "airflow_reduced_by_control",
        "duct_apart",
        "flexible_duct_kinked",
        "damper_closed",
        "registers_closed",
        "return_grille_blocked",
        "humidity_complaint",
        "room_complaint",
        "noise_complaint",
    ]
    state: Identifier | msgspec.UnsetType = msgspec.UNSET
    area: Label | msgspec.UnsetType = msgspec.UNSET
    note: Text | msgspec.UnsetType = msgspec.UNSET


class LimitOverride(Body, frozen=True, kw_only=True):
    """A limit of your own in place of the ruleset's, with the reason that the result repeats."""

    criterion: Annotated[str, Meta(min_length=1, max_length=80, pattern="^[a-z][a-z0-9_.]*$(?!\\n)")]
    lower: Number | msgspec.UnsetType = msgspec.UNSET
    upper: Number | msgspec.UnsetType = msgspec.UNSET
    unit: UnitCode
    reason: Label


class Site(Body, frozen=True, kw_only=True):
    """Where the visit took place. The elevation fixes the air density unless a barometer was read."""

    reference: Identifier | msgspec.UnsetType = msgspec.UNSET
    elevation: Length | msgspec.UnsetType = msgspec.UNSET
    floor_area: Area | msgspec.UnsetType = msgspec.UNSET
    volume: Volume | msgspec.UnsetType = msgspec.UNSET
    height: Length | msgspec.UnsetType = msgspec.UNSET
    storeys: Annotated[float, Meta(ge=1, le=3, multiple_of=1)] | msgspec.UnsetType = msgspec.UNSET
    bedrooms: Annotated[float, Meta(ge=0, le=20, multiple_of=1)] | msgspec.UnsetType = msgspec.UNSET
    weather_and_shielding_factor: Annotated[float, Meta(ge=0.1, le=2)] | msgspec.UnsetType = msgspec.UNSET


class Weather(Body, frozen=True, kw_only=True):
    """The nearest weather report: its text (METAR), or what it says. Fields given beside the text take its place."""

    metar: Annotated[str, Meta(min_length=4, max_length=400, pattern="^[ -~]*$(?!\\n)")] | msgspec.UnsetType = (
        msgspec.UNSET
    )
    altimeter_setting: AbsolutePressure | msgspec.UnsetType = msgspec.UNSET
    sea_level_pressure: AbsolutePressure | msgspec.UnsetType = msgspec.UNSET
    temperature: Temperature | msgspec.UnsetType = msgspec.UNSET
    dew_point: Temperature | msgspec.UnsetType = msgspec.UNSET
    wind_speed: Velocity | msgspec.UnsetType = msgspec.UNSET
    wind_gust: Velocity | msgspec.UnsetType = msgspec.UNSET
    observed_at: Moment | msgspec.UnsetType = msgspec.UNSET
    distance: Length | msgspec.UnsetType = msgspec.UNSET


class Appliance(Body, frozen=True, kw_only=True):
    """A fuel-burning appliance and how it is vented."""

    id: Identifier
    kind: Literal["furnace", "boiler", "water_heater", "space_heater", "fireplace", "cooking", "other"]
    venting: Literal["natural_draft", "fan_assisted", "power_vented", "direct_vent", "unvented"]
    zone: Location | msgspec.UnsetType = msgspec.UNSET
    vents_with: Identifier | msgspec.UnsetType = msgspec.UNSET
    vent_damper: bool = False


class EnergyUse(Body, frozen=True, kw_only=True):
    """Blower hours in a year and what a kilowatt hour costs, for energy and cost."""

    blower_hours_per_year: Annotated[float, Meta(ge=0, le=8784)]
    price_per_kilowatt_hour: Annotated[float, Meta(ge=0, le=100)] | msgspec.UnsetType = msgspec.UNSET
    currency: Annotated[str, Meta(min_length=3, max_length=3, pattern="^[A-Z]{3}$(?!\\n)")] | msgspec.UnsetType = (
        msgspec.UNSET
    )


WorkKind = Literal[
    "filter_replaced",
    "filter_cleaned",
    "coil_cleaned",
    "coil_replaced",
    "blower_cleaned",
    "blower_replaced",
    "belt_adjusted",
    "speed_setting_changed",
    "ducts_sealed",
    "duct_enlarged",
    "duct_added",
    "dampers_opened",
    "envelope_sealed",
    "gas_input_adjusted",
    "refrigerant_charge_adjusted",
    "other",
]


class Work(Body, frozen=True, kw_only=True):
    """Work done on the system since the visit before, ahead of the readings of this one."""

    kind: WorkKind
    done_on: datetime.date | msgspec.UnsetType = msgspec.UNSET
    note: Text | msgspec.UnsetType = msgspec.UNSET


class _Visit(Body, frozen=True, kw_only=True):
    """What one visit holds."""

    readings: Annotated[list[AnyReading], Meta(min_length=1, max_length=500)]
    equipment: Equipment
    site: Site | msgspec.UnsetType = msgspec.UNSET
    weather: Weather | msgspec.UnsetType = msgspec.UNSET
    appliances: Annotated[list[Appliance], Meta(max_length=20)] = []
    noted: Annotated[list[Noted], Meta(max_length=60)] = []
    energy_use: EnergyUse | msgspec.UnsetType = msgspec.UNSET
    states: Annotated[list[OperatingState], Meta(max_length=40)] = []
    instruments: Annotated[list[Instrument], Meta(max_length=40)] = []
    visited_at: Moment | msgspec.UnsetType = msgspec.UNSET
    job_reference: Identifier | msgspec.UnsetType = msgspec.UNSET
    limit_overrides: Annotated[list[LimitOverride], Meta(max_length=60)] = []
    units: Literal["ip", "si"] | msgspec.UnsetType = msgspec.UNSET
    ruleset: RulesetVersion | msgspec.UnsetType = msgspec.UNSET
    work_done: Annotated[list[Work], Meta(max_length=20)] = []


class EarlierVisit(_Visit, frozen=True, kw_only=True):
    """An earlier visit to the same equipment, as it was sent then. It is worked out again and compared, not judged:
    its `limit_overrides`, `units` and `ruleset` have no bearing. It needs `visited_at`."""


class EvaluationRequest(_Visit, frozen=True, kw_only=True):
    """One visit: what was read, on which equipment, in which operating states; and earlier visits to compare with."""

    earlier_visits: Annotated[list[EarlierVisit], Meta(max_length=24)] = []


def words_to_search(visit: EvaluationRequest) -> str:
    """The client's own words in a visit, one a line, each once: labels and notes; earlier visits have their own."""
    words: dict[str, None] = {}

    def gather(value: object) -> None:
        if isinstance(value, msgspec.Struct):
            for name in value.__struct_fields__:
                held = getattr(value, name)
                if name in ("label", "note") and isinstance(held, str):
                    words[held] = None
                elif name != "earlier_visits":
                    gather(held)
        elif isinstance(value, (list, tuple)):
            for held in value:
                gather(held)

    gather(visit)
    return "\n".join(words)


# Sample series by themselves ---------------------------------------------------------------------------------------


class _Series(Body, frozen=True, tag_field="kind", kw_only=True):
    unit: UnitCode
    interval_seconds: Annotated[float, Meta(ge=0.01, le=3600)]
    values: Annotated[list[Number], Meta(min_length=4, max_length=7200)]
    accuracy: Accuracy | msgspec.UnsetType = msgspec.UNSET


class StaticPressureSeries(_Series, frozen=True, tag="static_pressure", kw_only=True):
    """Samples of static pressures at one station, in one unit, at equal intervals."""


class PressureDifferenceSeries(_Series, frozen=True, tag="pressure_difference", kw_only=True):
    """Samples of pressure differences between two stations, in one unit, at equal intervals."""


class ZonePressureSeries(_Series, frozen=True, tag="zone_pressure", kw_only=True):
    """Samples of pressures of a zone against another, in one unit, at equal intervals."""


class DraftPressureSeries(_Series, frozen=True, tag="draft_pressure", kw_only=True):
    """Samples of draft pressures, in one unit, at equal intervals."""


class StationPressureSeries(_Series, frozen=True, tag="station_pressure", kw_only=True):
    """Samples of barometer readings at one place, in one unit, at equal intervals."""


class DryBulbSeries(_Series, frozen=True, tag="dry_bulb_temperature", kw_only=True):
    """Samples of dry-bulb temperatures, in one unit, at equal intervals."""


class WetBulbSeries(_Series, frozen=True, tag="wet_bulb_temperature", kw_only=True):
    """Samples of wet-bulb temperatures, in one unit, at equal intervals."""


class DewPointSeries(_Series, frozen=True, tag="dew_point_temperature", kw_only=True):
    """Samples of dew-point temperatures, in one unit, at equal intervals."""


class WaterTemperatureSeries(_Series, frozen=True, tag="water_temperature", kw_only=True):
    """Samples of water temperatures, in one unit, at equal intervals."""


class RelativeHumiditySeries(_Series, frozen=True, tag="relative_humidity", kw_only=True):
    """Samples of relative humidities, in one unit, at equal intervals."""


class AirflowSeries(_Series, frozen=True, tag="airflow", kw_only=True):
    """Samples of airflows through the equipment, in one unit, at equal intervals."""


class RegisterAirflowSeries(_Series, frozen=True, tag="register_airflow", kw_only=True):
    """Samples of airflows at one register or grille, in one unit, at equal intervals."""


class VentilationAirflowSeries(_Series, frozen=True, tag="ventilation_airflow", kw_only=True):
    """Samples of airflows of one fan of the house, in one unit, at equal intervals."""


class WaterFlowSeries(_Series, frozen=True, tag="water_flow", kw_only=True):
    """Samples of water flows, in one unit, at equal intervals."""


class ElectricPowerSeries(_Series, frozen=True, tag="electric_power", kw_only=True):
    """Samples of real electric powers, in one unit, at equal intervals."""


class VoltageSeries(_Series, frozen=True, tag="voltage", kw_only=True):
    """Samples of voltages, in one unit, at equal intervals."""


class CurrentSeries(_Series, frozen=True, tag="current", kw_only=True):
    """Samples of currents, in one unit, at equal intervals."""


class RotationalSpeedSeries(_Series, frozen=True, tag="rotational_speed", kw_only=True):
    """Samples of speeds of the blower wheel, in one unit, at equal intervals."""


class CarbonMonoxideSeries(_Series, frozen=True, tag="carbon_monoxide", kw_only=True):
    """Samples of carbon monoxide in the air of a place, in one unit, at equal intervals."""


class FlueCarbonMonoxideSeries(_Series, frozen=True, tag="flue_carbon_monoxide", kw_only=True):
    """Samples of carbon monoxide in flue gas, in one unit, at equal intervals."""


class CombustibleGasSeries(_Series, frozen=True, tag="combustible_gas", kw_only=True):
    """Samples of combustible gas as a share of its lower explosive limit, in one unit, at equal intervals."""


AnySeries = (
    StaticPressureSeries
    | PressureDifferenceSeries
    | ZonePressureSeries
    | DraftPressureSeries
    | StationPressureSeries
    | DryBulbSeries
    | WetBulbSeries
    | DewPointSeries
    | WaterTemperatureSeries
    | RelativeHumiditySeries
    | AirflowSeries
    | RegisterAirflowSeries
    | VentilationAirflowSeries
    | WaterFlowSeries
    | ElectricPowerSeries
    | VoltageSeries
    | CurrentSeries
    | RotationalSpeedSeries
    | CarbonMonoxideSeries
    | FlueCarbonMonoxideSeries
    | CombustibleGasSeries
)

SERIES_DIMENSIONS: dict[type[Body], str] = {
    StaticPressureSeries: "gauge_pressure",
    PressureDifferenceSeries: "gauge_pressure",
    ZonePressureSeries: "gauge_pressure",
    DraftPressureSeries: "gauge_pressure",
    StationPressureSeries: "absolute_pressure",
    DryBulbSeries: "temperature",
    WetBulbSeries: "temperature",
    DewPointSeries: "temperature",
    WaterTemperatureSeries: "temperature",
    RelativeHumiditySeries: "ratio",
    AirflowSeries: "volume_flow",
    RegisterAirflowSeries: "volume_flow",
    VentilationAirflowSeries: "volume_flow",
    WaterFlowSeries: "volume_flow",
    ElectricPowerSeries: "electric_power",
    VoltageSeries: "voltage",
    CurrentSeries: "current",
    RotationalSpeedSeries: "rotational_speed",
    CarbonMonoxideSeries: "concentration",
    FlueCarbonMonoxideSeries: "concentration",
    CombustibleGasSeries: "ratio",
}
"""Struct of a sample series -> name of the dimension of its unit."""


class SteadyReadingRequest(Body, frozen=True, kw_only=True):
    """Raw samples of one reading, to be made a settled value of, or to be told how long to go on."""

    series: AnySeries
    ruleset: RulesetVersion | msgspec.UnsetType = msgspec.UNSET


MEASURES: dict[type[Body], str] = {
    Pressure: "gauge_pressure",
    AbsolutePressure: "absolute_pressure",
    Temperature: "temperature",
    TemperatureDifference: "temperature_difference",
    Ratio: "ratio",
    VolumeFlow: "volume_flow",
    ElectricPower: "electric_power",
    HeatRate: "heat_rate",
    Voltage: "voltage",
    Current: "current",
    Length: "length",
    Density: "density",
    Velocity: "velocity",
    Area: "area",
    Volume: "volume",
    RotationalSpeed: "rotational_speed",
    Capacitance: "capacitance",
    Concentration: "concentration",
    HeatingValue: "heating_value",
    PressureSeries: "gauge_pressure",
    VelocitySeries: "velocity",
}
"""Struct of a measure -> name of its dimension in `rules/vocabulary/units.toml`."""


# Projections -----------------------------------------------------------------------------------------------------


class _Change(Body, frozen=True, tag_field="kind", kw_only=True):
    pass


class ReplaceFilterChange(_Change, frozen=True, tag="replace_filter", kw_only=True):
    """A clean filter in place of the present one: with a rating of its own, or of the present make with another face,
    or, with neither, the same again."""

    rated: PressureDrop | msgspec.UnsetType = msgspec.UNSET
    width: Length | msgspec.UnsetType = msgspec.UNSET
    height: Length | msgspec.UnsetType = msgspec.UNSET
    count: Annotated[float, Meta(ge=1, le=12, multiple_of=1)] = 1.0


class CleanCoilChange(_Change, frozen=True, tag="clean_coil", kw_only=True):
    """The coil cleaned, to its rated drop or to a share of today's at the same flow."""

    pressure_drop_factor: Annotated[float, Meta(ge=0.01, le=1)] | msgspec.UnsetType = msgspec.UNSET


class AddDuctChange(_Change, frozen=True, tag="add_duct", kw_only=True):
    """One more round duct beside those of a side, with a grille or register of its own."""

    side: Literal["return", "supply"]
    diameter: Length
    length: Length
    fittings_equivalent_length: Length | msgspec.UnsetType = msgspec.UNSET
    material: Literal["galvanized_steel", "flexible", "fibrous_glass"] = "galvanized_steel"
    compression: Share = 0.0
    opening: PressureDrop | msgspec.UnsetType = msgspec.UNSET


class EnlargeDuctChange(_Change, frozen=True, tag="enlarge_duct", kw_only=True):
    """A run of the visit's `duct_runs` made wider. One of several on its side needs its `design_airflow` there."""

    duct_run: Label
    diameter: Length


class OpenDampersChange(_Change, frozen=True, tag="open_dampers", kw_only=True):
    """Dampers or registers opened: the zone damper that was read, or the side's drop by a factor."""

    side: Literal["return", "supply"] = "supply"
    pressure_drop_factor: Annotated[float, Meta(ge=0.01, le=1)] | msgspec.UnsetType = msgspec.UNSET


class SpeedSettingChange(_Change, frozen=True, tag="speed_setting", kw_only=True):
    """Another setting of the blower's tables, or of a belt drive a wheel speed so many times today's."""

    setting: Label | msgspec.UnsetType = msgspec.UNSET
    speed_factor: Annotated[float, Meta(ge=0.5, le=1.5)] | msgspec.UnsetType = msgspec.UNSET


class FixDuctLeakageChange(_Change, frozen=True, tag="fix_duct_leakage", kw_only=True):
    """Leakage near the equipment sealed; `leakage_airflow` is what it loses today, at operating pressure. Without it,
    what the visit tells: registers against the equipment, air mixed into the return, or the leakage test."""

    side: Literal["return", "supply"]
    leakage_airflow: VolumeFlow | msgspec.UnsetType = msgspec.UNSET


class OtherAirChange(_Change, frozen=True, tag="other_air", kw_only=True):
    """The same system at another elevation, or in return air of another density."""

    elevation: Length | msgspec.UnsetType = msgspec.UNSET
    air_density: Density | msgspec.UnsetType = msgspec.UNSET


AnyChange = (
    ReplaceFilterChange
    | CleanCoilChange
    | AddDuctChange
    | EnlargeDuctChange
    | OpenDampersChange
    | SpeedSettingChange
    | FixDuctLeakageChange
    | OtherAirChange
)


class ProjectionRequest(Body, frozen=True, kw_only=True):
    """A visit and what one would change. Each change is projected alone, and all together."""

    visit: EvaluationRequest
    changes: Annotated[list[AnyChange], Meta(min_length=1, max_length=20)]
    state: Identifier | msgspec.UnsetType = msgspec.UNSET

    @property
    def ruleset(self) -> str | msgspec.UnsetType:
        """The version of the rules that the visit pins."""
        return self.visit.ruleset


# Reassessments -----------------------------------------------------------------------------------------------------


class ReassessmentRequest(Body, frozen=True, kw_only=True):
    """By which version of the rules a kept visit is to be judged again; an empty object is enough."""

    ruleset: RulesetVersion | msgspec.UnsetType = msgspec.UNSET
    units: Literal["ip", "si"] | msgspec.UnsetType = msgspec.UNSET
