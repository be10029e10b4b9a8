"""Invented houses, healthy by design. No maker, model, place or person behind any number here.

Each blower's curve is an invented shape laid through its house's design point, then rounded as a maker rounds a
table. Each house would be called well installed by common practice: external static pressure at most about 80 % of
the rated maximum, 350 to 425 cfm per ton, at most 0.45 W per cfm, a rise near the middle of its range.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from tests.visits.house import (
    BTU_PER_HOUR,
    CFM,
    EXPONENTS,
    INCH,
    TON,
    Blower,
    BlowerKind,
    Cooling,
    Curve,
    ElectricHeat,
    FilterSize,
    GasHeat,
    House,
    Operation,
    Resistance,
)

_SHAPE_PRESSURES = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0, 2.25, 2.5, 3.0)
_SHAPES: dict[BlowerKind, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "permanent_split_capacitor": (
        (1.145, 1.116, 1.083, 1.045, 1.0, 0.950, 0.893, 0.826, 0.748, 0.653, 0.537, 0.20),
        (1.21, 1.18, 1.13, 1.07, 1.0, 0.945, 0.89, 0.84, 0.79, 0.735, 0.68, 0.57),
    ),
    "constant_torque": (
        (1.13, 1.10, 1.07, 1.035, 1.0, 0.962, 0.922, 0.880, 0.835, 0.788, 0.738, 0.62),
        (0.93, 0.95, 0.97, 0.985, 1.0, 1.012, 1.02, 1.027, 1.03, 1.03, 1.025, 1.01),
    ),
    "constant_airflow": (
        (1.008, 1.006, 1.004, 1.002, 1.0, 0.998, 0.996, 0.992, 0.980, 0.950, 0.900, 0.78),
        (0.62, 0.72, 0.81, 0.905, 1.0, 1.10, 1.20, 1.31, 1.40, 1.45, 1.46, 1.46),
    ),
    "belt_driven": (
        (1.16, 1.125, 1.085, 1.045, 1.0, 0.950, 0.895, 0.830, 0.755, 0.660, 0.540, 0.20),
        (1.22, 1.17, 1.12, 1.06, 1.0, 0.94, 0.87, 0.80, 0.73, 0.66, 0.58, 0.45),
    ),
}
"""Blower kind -> flow and power at multiples of the design external static pressure, as shares of the design point."""


def _curve(
    kind: BlowerKind, speed: float, flow: float, pressure: float, power: float, units: Literal["ip", "si"]
) -> Curve:
    """A setting at `speed` times the design speed, on a maker's grid: 0.1 in. and 5 cfm, or 10 Pa and 5 m3/h."""
    flows, powers = _SHAPES[kind]
    held = kind == "constant_airflow"
    reach = pressure if held else pressure * speed**2
    step, flow_step = (0.1 * INCH, 5 * CFM) if units == "ip" else (10.0, 5 / 3600)
    grid = step * np.arange(int(3.0 * reach / step) + 1)
    at = grid / reach
    return Curve(
        tuple(float(value) for value in grid),
        tuple(
            float(round(value * flow * speed / flow_step) * flow_step)
            for value in np.interp(at, _SHAPE_PRESSURES, flows)
        ),
        tuple(
            float(round(value * power * speed ** (2 if held else 3)))
            for value in np.interp(at, _SHAPE_PRESSURES, powers)
        ),
    )


def permanent_split_capacitor_blower(flow: float, pressure: float, watts: float) -> Blower:
    """A three-speed blower laid through a flow in cfm at an external static pressure in in. w.c. and its watts."""
    kind: BlowerKind = "permanent_split_capacitor"
    settings = {
        name: _curve(kind, speed, flow * CFM, pressure * INCH, watts, "ip")
        for name, speed in (("low", 0.82), ("medium", 0.91), ("high", 1.0))
    }
    return Blower(kind, settings, published=(0.1 * INCH, 0.9 * INCH))


def _resistances(flow: float, unit: float, **drops: float) -> dict[str, Resistance]:
    return {element: Resistance(drop * unit, flow, EXPONENTS[element]) for element, drop in drops.items()}


def _furnace(
    id: str,
    title: str,
    *,
    elevation: float,
    tons: float,
    flow: float,
    kind: BlowerKind,
    watts: float,
    gas: float,
    rise: tuple[float, float],
    delivered: float,
    sensible: float,
    filter_sides: tuple[float, float, float],
    barometer: float | None = None,
    design: float | None = None,
) -> House:
    """Furnace with cased coil, IP: flow in cfm, gas input in Btu/h, rise in degF, filter sides in in.

    `design` is the design airflow where it is not the flow that the curve is laid through: a blower that holds torque
    moves more in thin air.
    """
    drops = {
        "return_grille": 0.025, "return_duct": 0.060, "filter": 0.070, "coil": 0.110,
        "supply_duct": 0.070, "register": 0.025,
    }  # fmt: skip
    pressure = sum(drops.values()) * INCH
    return House(
        id=id,
        title=title,
        arrangement="furnace_with_cased_coil",
        elevation=elevation,
        resistances=_resistances(flow * CFM, INCH, **drops, heat_exchanger=0.15),
        blower=Blower(
            kind=kind,
            settings={
                name: _curve(kind, speed, flow * CFM, pressure, watts, "ip")
                for name, speed in (("low", 0.82), ("medium", 0.91), ("high", 1.0))
            },
            published=(0.1 * INCH, 0.8 * INCH),
        ),
        rated_maximum=0.50 * INCH,
        design_flow=(design or flow) * CFM,
        filter_size=_filter("pleated_deep", filter_sides),
        cooling=Cooling(tons * TON, tons * TON * delivered, sensible),
        gas=GasHeat(gas * BTU_PER_HOUR, 0.80, (rise[0] * 5 / 9, rise[1] * 5 / 9)),
        barometer=barometer,
    )


def _filter(kind: str, sides: tuple[float, float, float], unit: float = 0.0254, count: int = 1) -> FilterSize:
    return FilterSize(kind, sides[0] * unit, sides[1] * unit, sides[2] * unit, count)


def _air_handler(
    id: str,
    title: str,
    *,
    elevation: float,
    tons: float,
    flow: float,
    kind: BlowerKind,
    watts: float,
    kilowatts: float,
    delivered: float,
    sensible: float,
    filter_sides: tuple[float, float, float],
    design: float | None = None,
) -> House:
    """Air handler with internal coil and electric heater, IP."""
    drops = {
        "return_grille": 0.030, "return_duct": 0.080, "filter": 0.070, "supply_duct": 0.100, "register": 0.035,
    }  # fmt: skip
    return House(
        id=id,
        title=title,
        arrangement="air_handler_with_internal_coil",
        elevation=elevation,
        resistances=_resistances(flow * CFM, INCH, **drops, coil=0.20, electric_heater=0.03),
        blower=Blower(
            kind=kind,
            settings={
                name: _curve(kind, speed, flow * CFM, sum(drops.values()) * INCH, watts, "ip")
                for name, speed in (("tap 2", 0.88), ("tap 3", 1.0))
            },
            published=(0.1 * INCH, 0.7 * INCH),
            voltage=240.0,
        ),
        rated_maximum=0.50 * INCH,
        design_flow=(design or flow) * CFM,
        filter_size=_filter("pleated", filter_sides),
        cooling=Cooling(tons * TON, tons * TON * delivered, sensible),
        electric=ElectricHeat(kilowatts * 1000, 240.0),
    )


def _packaged(
    id: str,
    title: str,
    *,
    elevation: float,
    delivered: float,
    sensible: float,
    gas: float,
    kind: BlowerKind = "permanent_split_capacitor",
) -> House:
    """Packaged gas unit of 3 tons, IP."""
    flow = 1190 * CFM
    drops = {"return_grille": 0.035, "return_duct": 0.095, "supply_duct": 0.130, "register": 0.040}
    return House(
        id=id,
        title=title,
        arrangement="packaged_unit",
        elevation=elevation,
        resistances=_resistances(flow, INCH, **drops, filter=0.08, coil=0.18, heat_exchanger=0.12),
        blower=Blower(
            kind=kind,
            settings={
                name: _curve(kind, speed, flow, sum(drops.values()) * INCH, 480, "ip")
                for name, speed in (("low", 0.86), ("high", 1.0))
            },
            published=(0.1 * INCH, 0.7 * INCH),
            voltage=230.0,
        ),
        rated_maximum=0.50 * INCH,
        design_flow=flow,
        filter_size=_filter("pleated", (20, 20, 2), count=1),
        cooling=Cooling(3 * TON, 3 * TON * delivered, sensible),
        gas=GasHeat(gas * BTU_PER_HOUR, 0.80, (25 * 5 / 9, 55 * 5 / 9)),
    )


def _ducted_metric(
    id: str, title: str, *, elevation: float, kind: BlowerKind, delivered: float, sensible: float
) -> House:
    """Ducted indoor unit of 5 kW, SI."""
    flow = 960 / 3600
    drops = {"return_grille": 4.0, "return_duct": 10.0, "supply_duct": 18.0, "register": 6.0}
    return House(
        id=id,
        title=title,
        arrangement="ducted_metric_unit",
        elevation=elevation,
        resistances=_resistances(flow, 1.0, **drops, filter=14.0, coil=28.0),
        blower=Blower(
            kind=kind,
            settings={
                name: _curve(kind, speed, flow, sum(drops.values()), 150, "si")
                for name, speed in (("low", 0.85), ("high", 1.0))
            },
            published=(10.0, 90.0),
            voltage=230.0,
        ),
        rated_maximum=60.0,
        design_flow=flow,
        filter_size=_filter("washable", (700, 300, 10), unit=0.001),
        cooling=Cooling(5000.0, 5000.0 * delivered, sensible),
    )


def _belt_driven(
    id: str, title: str, *, elevation: float, units: Literal["ip", "si"], delivered: float, sensible: float, gas: float
) -> House:
    """Light-commercial belt-driven unit of 7.5 tons on three-phase supply."""
    flow = 3000 * CFM
    drops = {"return_grille": 0.040, "return_duct": 0.130, "supply_duct": 0.140, "register": 0.045}
    kind: BlowerKind = "belt_driven"
    return House(
        id=id,
        title=title,
        arrangement="belt_driven_unit",
        elevation=elevation,
        resistances=_resistances(flow, INCH, **drops, filter=0.09, coil=0.22, heat_exchanger=0.14),
        blower=Blower(
            kind=kind,
            settings={"sheave as set": _curve(kind, 1.0, flow, sum(drops.values()) * INCH, 1150, units)},
            published=(0.1 * INCH, 0.9 * INCH) if units == "ip" else (20.0, 220.0),
            phases=3,
            voltage=208.0 if units == "ip" else 400.0,
            power_factor=0.82,
        ),
        rated_maximum=0.80 * INCH if units == "ip" else 200.0,
        design_flow=flow,
        filter_size=_filter("pleated", (20, 25, 2), count=4),
        cooling=Cooling(7.5 * TON, 7.5 * TON * delivered, sensible),
        gas=GasHeat(gas * BTU_PER_HOUR, 0.80, (20 * 5 / 9, 50 * 5 / 9)),
    )


HOUSES: dict[str, House] = {
    house.id: house
    for house in (
        _furnace(
            "furnace_sea_level", "furnace with cased coil at sea level", elevation=0, tons=3, flow=1200,
            kind="permanent_split_capacitor", watts=440, gas=60000, rise=(25, 55), delivered=0.95, sensible=0.75,
            filter_sides=(20, 25, 4), barometer=101900.0,
        ),
        _furnace(
            "furnace_1600_m", "furnace with cased coil at 1600 m", elevation=1600, tons=3, flow=1240,
            kind="permanent_split_capacitor", watts=460, gas=54000, rise=(25, 55), delivered=0.88, sensible=0.78,
            filter_sides=(20, 25, 4),
        ),
        _furnace(
            "furnace_held_flow_1600_m", "furnace with constant-airflow blower at 1600 m", elevation=1600, tons=4,
            flow=1620, kind="constant_airflow", watts=560, gas=72000, rise=(25, 55), delivered=0.88, sensible=0.78,
            filter_sides=(24, 28, 4), barometer=82900.0,
        ),
        _furnace(
            "furnace_held_torque_sea_level", "furnace with constant-torque blower at sea level", elevation=0,
            tons=2.5, flow=1000, kind="constant_torque", watts=330, gas=50000, rise=(25, 55), delivered=0.95,
            sensible=0.75, filter_sides=(20, 20, 4),
        ),
        _furnace(
            "furnace_2200_m", "furnace with cased coil at 2200 m", elevation=2200, tons=3, flow=1250,
            kind="permanent_split_capacitor", watts=460, gas=50000, rise=(25, 55), delivered=0.85, sensible=0.80,
            filter_sides=(20, 25, 4),
        ),
        _air_handler(
            "air_handler_sea_level", "air handler with internal coil at sea level", elevation=0, tons=3, flow=1200,
            kind="constant_torque", watts=400, kilowatts=9.6, delivered=0.95, sensible=0.75,
            filter_sides=(20, 30, 1),
        ),
        _air_handler(
            "air_handler_1600_m", "air handler with constant-airflow blower at 1600 m", elevation=1600, tons=3,
            flow=1180, kind="constant_airflow", watts=430, kilowatts=9.6, delivered=0.88, sensible=0.78,
            filter_sides=(20, 30, 1),
        ),
        _packaged(
            "packaged_1600_m", "packaged unit at 1600 m", elevation=1600, delivered=0.88, sensible=0.78, gas=54000
        ),
        _packaged(
            "packaged_sea_level", "packaged unit at sea level", elevation=0, delivered=0.95, sensible=0.75, gas=60000
        ),
        _ducted_metric(
            "ducted_metric_sea_level", "ducted indoor unit at sea level", elevation=0, kind="constant_airflow",
            delivered=0.95, sensible=0.76,
        ),
        _ducted_metric(
            "ducted_metric_1600_m", "ducted indoor unit at 1600 m", elevation=1600,
            kind="permanent_split_capacitor", delivered=0.86, sensible=0.80,
        ),
        _belt_driven(
            "belt_driven_sea_level", "belt-driven unit at sea level", elevation=0, units="si", delivered=0.95,
            sensible=0.75, gas=132000,
        ),
        _belt_driven(
            "belt_driven_1600_m", "belt-driven unit at 1600 m", elevation=1600, units="ip", delivered=0.88,
            sensible=0.78, gas=110000,
        ),
        _furnace(
            "furnace_held_torque_1600_m", "furnace with constant-torque blower at 1600 m", elevation=1600, tons=2.5,
            flow=920, kind="constant_torque", watts=330, gas=45000, rise=(25, 55), delivered=0.88, sensible=0.78,
            filter_sides=(20, 20, 4),
        ),
        _furnace(
            "furnace_held_flow_sea_level", "furnace with constant-airflow blower at sea level", elevation=0, tons=4,
            flow=1560, kind="constant_airflow", watts=520, gas=80000, rise=(25, 55), delivered=0.95, sensible=0.75,
            filter_sides=(24, 28, 4),
        ),
        _furnace(
            "furnace_held_torque_2300_m", "furnace with constant-torque blower at 2300 m", elevation=2300, tons=2.5,
            flow=900, kind="constant_torque", watts=320, gas=42000, rise=(25, 55), delivered=0.85, sensible=0.80,
            filter_sides=(20, 20, 4), barometer=77100.0, design=1030,
        ),
        _air_handler(
            "air_handler_sags_sea_level", "air handler with permanent-split-capacitor blower at sea level",
            elevation=0, tons=2.5, flow=1000, kind="permanent_split_capacitor", watts=370, kilowatts=7.5,
            delivered=0.95, sensible=0.75, filter_sides=(20, 25, 1),
        ),
        _air_handler(
            "air_handler_2200_m", "air handler with constant-torque blower at 2200 m", elevation=2200, tons=3,
            flow=1080, kind="constant_torque", watts=400, kilowatts=9.6, delivered=0.85, sensible=0.80,
            filter_sides=(20, 30, 1), design=1240,
        ),
        _packaged(
            "packaged_2400_m", "packaged unit at 2400 m", elevation=2400, delivered=0.84, sensible=0.80, gas=49000
        ),
        _packaged(
            "packaged_held_torque_sea_level", "packaged unit with constant-torque blower at sea level", elevation=0,
            delivered=0.95, sensible=0.75, gas=60000, kind="constant_torque",
        ),
        _ducted_metric(
            "ducted_metric_2300_m", "ducted indoor unit with constant-airflow blower at 2300 m", elevation=2300,
            kind="constant_airflow", delivered=0.84, sensible=0.80,
        ),
        _belt_driven(
            "belt_driven_2250_m", "belt-driven unit at 2250 m", elevation=2250, units="ip", delivered=0.85,
            sensible=0.80, gas=103000,
        ),
    )
}  # fmt: skip
"""Base houses by id."""


def fahrenheit(value: float) -> float:
    """degF to K."""
    return (value + 459.67) * 5 / 9


def cooling(setting: str, temperature: float = 76.0, humidity: float = 0.50) -> Operation:
    """Cooling with return air at a temperature in degF and a relative humidity."""
    return Operation("cooling", setting, fahrenheit(temperature), humidity)


def heating(setting: str, temperature: float = 68.0, humidity: float = 0.35) -> Operation:
    """Heating with return air at a temperature in degF and a relative humidity."""
    return Operation("heating", setting, fahrenheit(temperature), humidity)


def fan_only(setting: str, temperature: float = 72.0, humidity: float = 0.42) -> Operation:
    """Blower alone, return air at a temperature in degF and a relative humidity."""
    return Operation("fan_only", setting, fahrenheit(temperature), humidity)
