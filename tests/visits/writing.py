"""From operating points to the request a technician's tablet would send.

Readings are asked for in words: `static:return_plenum`, `static:return_plenum@reference` (hose on the gauge's
reference port), `difference:filter_inlet>filter_outlet`, `dry_bulb:supply_plenum`, `wet_bulb:return_plenum`,
`humidity:return_plenum`, `dew_point:return_plenum`, `airflow:filter_inlet`, `standard_airflow:filter_inlet`,
`power:blower`, `voltage:blower`, `current:electric_heater`, `barometer`. A trailing `*20` gives the mean of a series
of 20 samples one second apart, which flutter by up to 2 % of the reading as in turbulent air.
"""

from __future__ import annotations

import json
import math
import random
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from tests.visits.air import STANDARD_DENSITY
from tests.visits.house import BTU_PER_HOUR, CFM, INCH, House, Resistance, Solution
from tests.visits.instruments import Kit, kit

Request = dict[str, Any]

ROOT = Path(__file__).resolve().parents[2]

DERATED_ABOVE = 609.6
"""m: above 2000 ft a house's gas input is the one it fires there, and the request says so."""


@dataclass(frozen=True)
class Run:
    """One operating state of a visit: its solution, and the readings taken in it."""

    id: str
    solution: Solution
    readings: tuple[str, ...]
    label: str | None = None


def write_visit(
    runs: Sequence[Run],
    *,
    units: Literal["ip", "si"],
    seed: int | None = None,
    instruments: Kit | None = None,
    visited_at: str = "2026-03-10T10:30:00-07:00",
    omit: Sequence[str] = (),
) -> Request:
    """The request for one visit.

    Args:
        runs: operating states of one house, at least one.
        units: units of ratings and readings.
        seed: draws each instrument's error inside its accuracy; None means exact but for rounding.
        instruments: instead of the usual kit, for example with a zero offset.
        visited_at: RFC 3339 with offset.
        omit: top-level keys of `equipment` left out, as where no rating plate could be read.
    """
    house = runs[0].solution.house
    carried = instruments or kit(units)
    if seed is not None:
        carried = {measures: instrument.perturbed(seed) for measures, instrument in carried.items()}
    noise = random.Random(f"{seed}/noise")
    used: dict[str, Any] = {}
    readings = []
    for run in runs:
        for wanted in run.readings:
            reading = _reading(wanted, run, carried, noise if seed is not None else None)
            used[reading["instrument"]] = None
            readings.append(reading)
    return {
        "job_reference": f"invented-visit-{house.id}",
        "visited_at": visited_at,
        "units": units,
        "site": {
            "reference": f"invented-site-{house.id}",
            "elevation": _length(house.elevation, units),
        },
        "equipment": {key: value for key, value in _equipment(house, units).items() if key not in omit},
        "instruments": [item.stated() for item in carried.values() if item.id in used],
        "states": [_state(run) for run in runs],
        "readings": readings,
    }


def as_json(request: Request) -> str:
    """Indented, with each measure and each series of samples on one line."""
    text = json.dumps(request, indent=2, ensure_ascii=False)
    text = re.sub(r'\{\s+"value": (\S+),\s+"unit": ("[^"]*")\s+\}', r'{"value": \1, "unit": \2}', text)
    text = re.sub(r"\[\s+([-+.\d,\s]+?)\s+\]", lambda found: f"[{' '.join(found[1].split())}]", text)
    return text + "\n"


def _state(run: Run) -> dict[str, Any]:
    operation = run.solution.operation
    state: dict[str, Any] = {"id": run.id}
    if run.label:
        state["label"] = run.label
    state |= {"mode": operation.mode, "speed_setting": operation.setting, "blower": "on"}
    wet = operation.mode == "cooling" and run.solution.house.cooling.sensible_heat_ratio < 1
    state["coil_surface"] = "wet" if wet else "dry"
    return state


def _reading(wanted: str, run: Run, carried: Kit, noise: random.Random | None) -> dict[str, Any]:
    wanted, _, samples = wanted.partition("*")
    kind, _, where = wanted.partition(":")
    solution = run.solution
    blower = solution.house.blower
    reading: dict[str, Any]
    sign = 1.0
    if kind == "static":
        station, _, port = where.partition("@")
        measures, true = "pressure", solution.pressure_at(station)
        reading = {"kind": "static_pressure", "station": station}
        if port == "reference":
            reading["probe_port"] = "reference"
            sign = -1.0
    elif kind == "difference":
        high, _, low = where.partition(">")
        measures, true = "pressure", solution.pressure_at(high) - solution.pressure_at(low)
        reading = {"kind": "pressure_difference", "input_station": high, "reference_station": low}
    elif kind in ("dry_bulb", "wet_bulb", "dew_point"):
        air = solution.air_at(where)
        true = {"dry_bulb": air.temperature, "wet_bulb": air.wet_bulb, "dew_point": air.dew_point}[kind]
        measures = "temperature"
        reading = {"kind": f"{kind}_temperature", "location": where}
    elif kind == "humidity":
        measures, true = "humidity", solution.air_at(where).relative_humidity
        reading = {"kind": "relative_humidity", "location": where}
    elif kind in ("airflow", "standard_airflow"):
        measures, true = "airflow", solution.flow_at(where)
        if kind == "standard_airflow":
            true *= solution.air_at(where).density / STANDARD_DENSITY
        basis = "actual" if kind == "airflow" else "standard"
        reading = {"kind": "airflow", "location": where, "basis": basis, "method": "flow_grid"}
    elif kind == "power":
        measures = "power"
        true = solution.blower_power if where == "blower" else solution.heat
        reading = {"kind": "electric_power", "component": where}
    elif kind == "voltage":
        measures, true = "voltage", blower.voltage if where == "blower" else _heater_voltage(solution)
        reading = {"kind": "voltage", "component": where}
    elif kind == "current":
        measures, true = "current", solution.heater_current
        if where == "blower":
            true = solution.blower_power / (blower.voltage * blower.power_factor * math.sqrt(blower.phases))
        reading = {"kind": "current", "component": where}
    elif kind == "barometer":
        measures, true = "barometer", solution.house.pressure
        reading = {"kind": "station_pressure"}
    else:
        raise ValueError(f"unknown reading {wanted!r}")

    instrument = carried[measures]

    def shown(flutter: float = 0.0) -> float:
        if noise is None:
            return sign * instrument.show(sign * true) + 0.0
        air = true * (1.0 + flutter * noise.uniform(-1.0, 1.0))
        return sign * instrument.show(sign * air, noise.uniform(-0.1, 0.1)) + 0.0

    if samples:
        series = [shown(flutter=0.02) for _ in range(int(samples))]
        value = instrument.rounded(sum(series) / len(series))
        reading["samples"] = {"interval_seconds": 1.0, "values": series}
    else:
        value = shown()
    reading["value"] = {"value": value, "unit": instrument.unit}
    reading["state"] = run.id
    reading["instrument"] = instrument.id
    return reading


def _heater_voltage(solution: Solution) -> float:
    electric = solution.house.electric
    assert electric is not None
    return solution.operation.heater_voltage or electric.voltage


# Ratings ---------------------------------------------------------------------------------------------------------


def _measure(value: float, digits: int, unit: str) -> dict[str, Any]:
    return {"value": round(value, digits), "unit": unit}


def _pressure(pascal: float, units: str) -> dict[str, Any]:
    return _measure(pascal / INCH, 3, "[in_i'H2O]") if units == "ip" else _measure(pascal, 1, "Pa")


def _flow(flow: float, units: str) -> dict[str, Any]:
    return _measure(flow / CFM, 0, "[cft_i]/min") if units == "ip" else _measure(flow * 3600, 0, "m3/h")


def _heat(watt: float, units: str) -> dict[str, Any]:
    return _measure(watt / BTU_PER_HOUR, 0, "[Btu_IT]/h") if units == "ip" else _measure(watt, 0, "W")


def _rise(kelvin: float, units: str) -> dict[str, Any]:
    return _measure(kelvin * 9 / 5, 0, "[degR]") if units == "ip" else _measure(kelvin, 0, "K")


def _length(meter: float, units: str) -> dict[str, Any]:
    return _measure(meter / 0.3048, 0, "[ft_i]") if units == "ip" else _measure(meter, 0, "m")


def _side(meter: float, units: str) -> dict[str, Any]:
    return _measure(meter / 0.0254, 1, "[in_i]") if units == "ip" else _measure(meter * 1000, 0, "mm")


def _rated(resistance: Resistance, share: float, units: str) -> dict[str, Any]:
    return {"pressure_drop": _pressure(resistance.drop * share, units), "airflow": _flow(resistance.flow, units)}


def _equipment(house: House, units: str) -> dict[str, Any]:
    blower, size = house.blower, house.filter_size
    equipment: dict[str, Any] = {
        "reference": f"invented-equipment-{house.id}",
        "label": f"Invented: {house.title}",
        "arrangement": house.arrangement,
        "rated_maximum_external_static_pressure": _pressure(house.rated_maximum, units),
        "nominal_cooling_capacity": _heat(house.cooling.nominal, units),
        "design_airflow": _flow(house.design_flow, units),
        "blower": {
            "kind": blower.kind,
            "table_air_density": (
                _measure(0.075, 4, "[lb_av]/[cft_i]") if units == "ip" else _measure(blower.density, 4, "kg/m3")
            ),
            "settings": [
                {
                    "setting": setting,
                    "rows": [
                        {
                            "external_static_pressure": _pressure(pressure, units),
                            "airflow": _flow(flow, units),
                            "power": _measure(power, 0, "W"),
                        }
                        for pressure, flow, power in zip(curve.pressures, curve.flows, curve.powers, strict=True)
                        if blower.published[0] - 1e-6 <= pressure <= blower.published[1] + 1e-6
                    ],
                }
                for setting, curve in blower.settings.items()
            ],
        },
        "filter": {
            "kind": size.kind,
            "width": _side(size.width, units),
            "height": _side(size.height, units),
            "depth": _side(size.depth, units),
            "count": size.count,
            "rated": _rated(house.resistances["filter"], 1.0, units),
        },
        "coil": {
            "rated_wet": _rated(house.resistances["coil"], 1.0, units),
            "rated_dry": _rated(house.resistances["coil"], house.dry_coil, units),
        },
    }
    if blower.phases == 3:
        equipment["blower"] |= {"phases": 3, "power_factor": blower.power_factor}
    if house.gas:
        low, high = house.gas.rise
        equipment["gas_heat"] = {
            "input": _heat(house.gas.input, units),
            "steady_state_efficiency": _measure(house.gas.efficiency * 100, 1, "%"),
            "temperature_rise_minimum": _rise(low, units),
            "temperature_rise_maximum": _rise(high, units),
        }
        if house.elevation > DERATED_ABOVE:
            equipment["gas_heat"]["input_is_derated"] = True
    if house.electric:
        equipment["electric_heat"] = {"rated_power": _measure(house.electric.power, 0, "W")}
        if house.electric.phases == 3:
            equipment["electric_heat"]["phases"] = 3
    return equipment
