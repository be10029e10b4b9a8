"""A simulated house with its air handler: hidden truth in, the operating point out.

Static pressures are gauge, against the air around the equipment, and start and end at zero outside the return
grille and the registers; velocity pressure is left out, as the trade's readings do. Dry-air mass flow is the same
everywhere; volume flow follows the local density. The few pascals of gauge pressure do not change the density.

Every element follows drop = k rho^(n-1) Q^n, with rho and Q the mean of the air entering and leaving it: the only
form that one power law in Reynolds number leaves (the viscosity is taken as unchanged). For n = 2 it is k rho Q^2.

A blower's curve is what its maker publishes: external static pressure across the rating boundary, flow and power,
in air of the table's density, with the inside of the box as new. Its total pressure rise is the external static
pressure plus the drops inside; that total follows the fan laws (Q ~ N, p ~ N^2 rho, W ~ N^3 rho). Permanent-split-
capacitor and belt-driven blowers keep their speed in thin air; a constant-torque blower speeds up as 1/sqrt(rho),
because torque ~ N^2 rho; a constant-airflow blower keeps its flow.

SI throughout: Pa, m3/s, W, K, kg/s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy.optimize import brentq

from tests.visits.air import STANDARD_DENSITY, Air, standard_atmosphere

INCH = 249.08891
"""Conventional inch of water in Pa (NIST SP 811, table B.8)."""
CFM = 0.3048**3 / 60
"""Cubic foot per minute in m3/s."""
BTU_PER_HOUR = 1055.05585262 / 3600
"""International Table Btu per hour in W."""
TON = 12000 * BTU_PER_HOUR

BlowerKind = Literal["permanent_split_capacitor", "constant_torque", "constant_airflow", "belt_driven"]
Mode = Literal["heating", "cooling", "fan_only"]

PATHS: dict[str, tuple[str, ...]] = {
    "furnace_with_cased_coil": (
        "return_grille", "return_duct", "filter", "blower", "heat_exchanger", "coil", "supply_duct", "register",
    ),
    "air_handler_with_internal_coil": (
        "return_grille", "return_duct", "filter", "coil", "blower", "electric_heater", "supply_duct", "register",
    ),
    "packaged_unit": (
        "return_grille", "return_duct", "filter", "coil", "blower", "heat_exchanger", "supply_duct", "register",
    ),
    "ducted_metric_unit": (
        "return_grille", "return_duct", "filter", "coil", "blower", "supply_duct", "register",
    ),
    "belt_driven_unit": (
        "return_grille", "return_duct", "filter", "coil", "heat_exchanger", "blower", "supply_duct", "register",
    ),
}  # fmt: skip
INSIDE: dict[str, tuple[str, ...]] = {
    "furnace_with_cased_coil": ("blower", "heat_exchanger"),
    "air_handler_with_internal_coil": ("coil", "blower", "electric_heater"),
    "packaged_unit": ("filter", "coil", "blower", "heat_exchanger"),
    "ducted_metric_unit": ("filter", "coil", "blower"),
    "belt_driven_unit": ("filter", "coil", "heat_exchanger", "blower"),
}

EXPONENTS: dict[str, float] = {
    "return_grille": 2.0,
    "return_duct": 1.88,
    "filter": 1.4,
    "heat_exchanger": 1.9,
    "electric_heater": 1.9,
    "coil": 1.8,
    "supply_duct": 1.88,
    "register": 2.0,
}
"""Growth of the drop with flow: ducts from Colebrook's equation (1.84 to 1.92), openings 2, pleated media 1.2 to 1.6,
coils 1.7 to 1.9 (openings, media and coils from memory)."""


@dataclass(frozen=True)
class Resistance:
    """`drop` Pa at `flow` m3/s of air of `density` kg/m3, growing as density^(exponent - 1) flow^exponent."""

    drop: float
    flow: float
    exponent: float
    density: float = STANDARD_DENSITY

    def at(self, flow: float, density: float) -> float:
        """Drop in Pa at a flow in m3/s and a density in kg/m3."""
        return float(
            self.drop * (density / self.density) ** (self.exponent - 1.0) * (flow / self.flow) ** self.exponent
        )


@dataclass(frozen=True)
class Curve:
    """One speed setting: external static pressure (Pa, rising), flow (m3/s, not rising), power (W)."""

    pressures: tuple[float, ...]
    flows: tuple[float, ...]
    powers: tuple[float, ...]

    def flow(self, pressure: float) -> float:
        return float(np.interp(pressure, self.pressures, self.flows))

    def power(self, pressure: float) -> float:
        return float(np.interp(pressure, self.pressures, self.powers))


@dataclass(frozen=True)
class Blower:
    """Settings of a blower in air of `density`; `published` bounds the external static pressures that are printed."""

    kind: BlowerKind
    settings: dict[str, Curve]
    published: tuple[float, float]
    density: float = STANDARD_DENSITY
    phases: Literal[1, 3] = 1
    voltage: float = 120.0
    power_factor: float = 0.9


@dataclass(frozen=True)
class GasHeat:
    """Input in W as fired at the site (after any altitude derate), its steady-state efficiency, rise range in K."""

    input: float
    efficiency: float
    rise: tuple[float, float]


@dataclass(frozen=True)
class ElectricHeat:
    """Rated power in W at the rated voltage (line to line where three-phase)."""

    power: float
    voltage: float
    phases: Literal[1, 3] = 1


@dataclass(frozen=True)
class Cooling:
    """Nominal capacity, total capacity delivered at the design flow (W) and sensible heat ratio.

    At another flow the coil delivers (1 - exp(-1.5 m/m_design)) / (1 - exp(-1.5)) of it: invented, but falling short
    of proportion as a coil does, and never cold enough to freeze.
    """

    nominal: float
    total: float
    sensible_heat_ratio: float


@dataclass(frozen=True)
class FilterSize:
    """Face of the filter: width, height, depth in m, and how many."""

    kind: str
    width: float
    height: float
    depth: float
    count: int = 1


@dataclass(frozen=True)
class House:
    """Everything built in. `resistances` are as new (the coil wet); `dry_coil` is the coil's dry share of that."""

    id: str
    title: str
    arrangement: str
    elevation: float
    resistances: dict[str, Resistance]
    blower: Blower
    rated_maximum: float
    design_flow: float
    filter_size: FilterSize
    cooling: Cooling
    gas: GasHeat | None = None
    electric: ElectricHeat | None = None
    dry_coil: float = 0.8
    table_coil: Literal["wet", "dry"] = "wet"
    barometer: float | None = None

    @property
    def pressure(self) -> float:
        """Absolute pressure at the site, Pa."""
        return standard_atmosphere(self.elevation) if self.barometer is None else self.barometer

    @property
    def path(self) -> tuple[str, ...]:
        return PATHS[self.arrangement]

    @property
    def inside(self) -> tuple[str, ...]:
        return INSIDE[self.arrangement]


@dataclass(frozen=True)
class Faults:
    """What is hidden. 1 means as new; resistance factors multiply k, the others multiply what they name.

    `wheel_dirt` is the share of its flow that a dirty wheel still moves at the same speed: blades filled with dust turn
    the air less, so the pressure falls as its square, and the power only as the flow. `motor_loss` multiplies the power
    that the same work costs: a weak capacitor, a dragging bearing.
    """

    filter_loading: float = 1.0
    coil_fouling: float = 1.0
    heat_exchanger_fouling: float = 1.0
    return_undersized: float = 1.0
    return_disconnected: float = 1.0
    supply_restricted: float = 1.0
    supply_disconnected: float = 1.0
    registers_closed: float = 1.0
    blower_speed: float = 1.0
    wheel_dirt: float = 1.0
    motor_loss: float = 1.0
    wired_setting: str | None = None
    gas_input: float = 1.0
    electric_heat: float = 1.0
    cooling_capacity: float = 1.0

    def factor(self, element: str) -> float:
        """Factor on the resistance of an element."""
        return {
            "return_grille": self.return_undersized * self.return_disconnected,
            "return_duct": self.return_undersized * self.return_disconnected,
            "filter": self.filter_loading,
            "coil": self.coil_fouling,
            "heat_exchanger": self.heat_exchanger_fouling,
            "supply_duct": self.supply_restricted * self.supply_disconnected,
            "register": self.registers_closed * self.supply_disconnected,
        }.get(element, 1.0)


AS_BUILT = Faults()


@dataclass(frozen=True)
class Operation:
    """How the system runs: mode, the setting the technician believes it runs on, and the air returning to it."""

    mode: Mode
    setting: str
    return_temperature: float
    return_humidity: float
    heater_voltage: float | None = None


@dataclass(frozen=True)
class Solution:
    """The operating point. Lists run along the stations: index 0 outside the return grille, i after element i."""

    house: House
    operation: Operation
    faults: Faults
    dry_air_flow: float
    pressures: tuple[float, ...]
    air: tuple[Air, ...]
    drops: dict[str, float]
    blower_rise: float
    blower_power: float
    table_pressure: float
    heat: float = 0.0
    heater_current: float = 0.0
    flows: tuple[float, ...] = field(default=())

    def station(self, name: str) -> int:
        """Index of a station given by its trade name, `before.<element>` or `after.<element>`."""
        path = self.house.path
        if name in _AFTER:
            name = f"after.{_AFTER[name]}"
        elif name in _BEFORE:
            name = f"before.{_BEFORE[name]}"
        side, _, element = name.partition(".")
        return path.index(element) + (1 if side == "after" else 0)

    def pressure_at(self, name: str) -> float:
        return self.pressures[self.station(name)]

    def air_at(self, name: str) -> Air:
        return self.air[self.station(name)]

    def flow_at(self, name: str) -> float:
        return self.flows[self.station(name)]

    @property
    def external_static_pressure(self) -> float:
        """Across the rating boundary, Pa."""
        inside = self.house.inside
        return self.pressure_at(f"after.{inside[-1]}") - self.pressure_at(f"before.{inside[0]}")

    @property
    def blower_flow(self) -> float:
        """Volume flow entering the blower, m3/s."""
        return self.flow_at("before.blower")


_AFTER = {
    "return_grille": "return_grille",
    "return_plenum": "return_duct",
    "filter_outlet": "filter",
    "blower_outlet": "blower",
    "heat_exchanger_outlet": "heat_exchanger",
    "coil_outlet": "coil",
}
_BEFORE = {
    "filter_inlet": "filter",
    "blower_inlet": "blower",
    "coil_inlet": "coil",
    "supply_plenum": "supply_duct",
    "supply_register": "register",
}


def solve(house: House, operation: Operation, faults: Faults = AS_BUILT) -> Solution:
    """Find where the blower's rise equals the sum of all drops.

    Raises:
        ValueError: the resistances meet the blower outside its curve, which is never extrapolated.
    """
    curve = house.blower.settings[faults.wired_setting or operation.setting]
    low, high = curve.pressures[0], curve.pressures[-1]

    def surplus(table_pressure: float) -> float:
        point = _march(house, operation, faults, curve, table_pressure)
        return point.blower_rise - sum(point.drops.values())

    if surplus(low) > 0 or surplus(high) < 0:
        raise ValueError(f"{house.id}: the operating point lies outside the blower's curve")
    return _march(house, operation, faults, curve, brentq(surplus, low, high, xtol=1e-9, rtol=1e-13))


def _march(house: House, operation: Operation, faults: Faults, curve: Curve, table_pressure: float) -> Solution:
    """Follow the air through the path with the blower at one point of its curve."""
    blower = house.blower
    table_flow = curve.flow(table_pressure)
    start = Air.from_relative_humidity(house.pressure, operation.return_temperature, operation.return_humidity)

    def through(element: str, air: Air, power: float, dry_air_flow: float) -> Air:
        if element == "blower":
            return air.heated(power, dry_air_flow)
        if element == "coil" and operation.mode == "cooling":
            share = dry_air_flow * start.volume / house.design_flow
            total = house.cooling.total * math.expm1(-1.5 * share) / math.expm1(-1.5)
            return air.cooled(total * faults.cooling_capacity, house.cooling.sensible_heat_ratio, dry_air_flow)
        if element in ("heat_exchanger", "electric_heater") and operation.mode == "heating":
            return air.heated(heat, dry_air_flow)
        return air

    heat, heater_current = 0.0, 0.0
    if operation.mode == "heating" and house.gas:
        heat = house.gas.input * faults.gas_input * house.gas.efficiency
    elif operation.mode == "heating" and house.electric:
        volts = operation.heater_voltage or house.electric.voltage
        heat = house.electric.power * (volts / house.electric.voltage) ** 2 * faults.electric_heat
        heater_current = heat / (volts * math.sqrt(house.electric.phases))

    upstream = house.path[: house.path.index("blower")]
    dry_air_flow, speed, density = table_flow / start.volume, 1.0, start.density
    for _ in range(60):
        air = start
        for element in upstream:
            air = through(element, air, 0.0, dry_air_flow)
        density = air.density
        speed = faults.blower_speed
        if blower.kind == "constant_torque":
            speed *= math.sqrt(blower.density / density)
        previous, dry_air_flow = dry_air_flow, table_flow * speed * faults.wheel_dirt / air.volume
        if abs(dry_air_flow / previous - 1.0) < 1e-13:
            break
    power = curve.power(table_pressure) * (density / blower.density) * speed**3 * faults.wheel_dirt * faults.motor_loss

    inside_as_rated = sum(
        house.resistances[element].at(table_flow, blower.density)
        * (house.dry_coil if element == "coil" and house.table_coil == "dry" else 1.0)
        for element in house.inside
        if element != "blower"
    )
    rise = (table_pressure + inside_as_rated) * (density / blower.density) * (speed * faults.wheel_dirt) ** 2

    states, pressures, drops = [start], [0.0], {}
    coil_is_wet = operation.mode == "cooling" and house.cooling.sensible_heat_ratio < 1.0
    for element in house.path:
        entering = states[-1]
        leaving = through(element, entering, power, dry_air_flow)
        if element == "blower":
            change = rise
        else:
            volume = (entering.volume + leaving.volume) / 2
            moisture = (entering.humidity_ratio + leaving.humidity_ratio) / 2
            drop = house.resistances[element].at(dry_air_flow * volume, (1.0 + moisture) / volume)
            drop *= faults.factor(element)
            if element == "coil" and not coil_is_wet:
                drop *= house.dry_coil
            drops[element] = drop
            change = -drop
        states.append(leaving)
        pressures.append(pressures[-1] + change)
    return Solution(
        house=house,
        operation=operation,
        faults=faults,
        dry_air_flow=dry_air_flow,
        pressures=tuple(pressures),
        air=tuple(states),
        drops=drops,
        blower_rise=rise,
        blower_power=power,
        table_pressure=table_pressure,
        heat=heat,
        heater_current=heater_current,
        flows=tuple(dry_air_flow * air.volume for air in states),
    )


def curve_of_rows(rows: Sequence[tuple[float, float, float]], pressure_unit: float, flow_unit: float) -> Curve:
    """A curve from (external static pressure, flow, watts) rows in the given units."""
    return Curve(
        tuple(row[0] * pressure_unit for row in rows),
        tuple(row[1] * flow_unit for row in rows),
        tuple(row[2] for row in rows),
    )
