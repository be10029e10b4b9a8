"""Writes the visits of the cases on leakage, house pressure, combustion zones and ventilation:
`python -m tests.visits.house_air`.

Everything is invented. A house is three bodies of air, main body, one closed room and attached garage, joined to each
other and to outdoors by power-law leaks; the main body leaks at a low and at a high level, so that a cold day pulls it
down at the floor. Fans, duct leaks and registers are given flows. The pressures at which mass balances are solved;
instruments then show them rounded to their resolution. Nothing here is shared with the service.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from scipy.optimize import brentq

from tests.visits.writing import ROOT, as_json

FOLDER = Path("rules/cases/visits")
CFM = 0.028316846592 / 60.0
FOOT = 0.3048
GRAVITY = 9.80665
STANDARD_DENSITY = 0.075 * 0.45359237 / 0.028316846592
STANDARD_KELVIN = 293.15

Request = dict[str, Any]


def site_pressure(elevation: float) -> float:
    """Pa at an elevation in m, US Standard Atmosphere 1976."""
    return 101325.0 * float((1.0 - 2.25577e-5 * elevation) ** 5.25588)


def density(celsius: float, elevation: float) -> float:
    """kg/m3 of air with 6 g/kg of water: ideal gas, virtual temperature."""
    return site_pressure(elevation) / (287.055 * (celsius + 273.15) * (1.0 + 0.6078 * 0.006))


def viscosity(celsius: float) -> float:
    """Pa s, Sutherland's law."""
    kelvin = celsius + 273.15
    return 1.716e-5 * float((kelvin / 273.15) ** 1.5) * (273.15 + 110.4) / (kelvin + 110.4)


@dataclass(frozen=True)
class Running:
    """One operating state and what its fans move, cfm."""

    id: str
    blower: bool = False
    exhaust: bool = False
    doors_closed: bool = False

    def declared(self) -> Request:
        return {
            "id": self.id,
            "mode": "fan_only" if self.blower else "off",
            "blower": "on" if self.blower else "off",
            "exhaust_fans": "on" if self.exhaust else "off",
            "interior_doors": "closed" if self.doors_closed else "open",
        }


RESTING = Running("resting")
BLOWING = Running("blowing", blower=True)
EXHAUSTING = Running("exhausting", exhaust=True)
SHUT = Running("shut", blower=True, doors_closed=True)


@dataclass(frozen=True)
class Dwelling:
    """A house, its leaks and its fans. Flows in cfm; leaks as standard air at 50 Pa (envelope) or 25 Pa (ducts)."""

    id: str
    elevation: float = 0.0
    indoor: float = 21.0
    outdoor: float = 18.0
    floor_area: float = 2000.0
    storey_height: float = 8.5
    envelope: float = 1100.0
    envelope_exponent: float = 0.65
    airflow: float = 1000.0
    supply_leak: float = 20.0
    return_leak: float = 20.0
    duct_total: float = 70.0
    duct_outside: float = 40.0
    duct_exponent: float = 0.60
    exhausts: tuple[tuple[str, float, bool], ...] = (("bath fan", 105.0, True), ("range hood", 30.0, False))
    room_supply: float = 120.0
    room_gap: float = 0.040
    room_share: float = 0.05
    garage_to_house: float = 60.0
    garage_to_outside: float = 1500.0
    garage_return_leak: float = 0.0
    attic: float | None = None
    attic_in_return: float = 0.0
    registers: float | None = None
    appliances: tuple[Request, ...] = ()
    extra: tuple[Request, ...] = field(default_factory=tuple)
    readings: tuple[str, ...] = ()
    states: tuple[Running, ...] = (RESTING, BLOWING, EXHAUSTING, SHUT)

    @property
    def volume(self) -> float:
        """ft3."""
        return self.floor_area * self.storey_height

    @property
    def inside(self) -> float:
        """kg/m3."""
        return density(self.indoor, self.elevation)

    @property
    def outside(self) -> float:
        """kg/m3."""
        return density(self.outdoor, self.elevation)


def _leak(flow_at_50: float, exponent: float, pressure: float) -> float:
    """Outflow, cfm, with the sign of the pressure; a straight piece through zero keeps the solver steady."""
    coefficient = flow_at_50 / float(50.0**exponent)
    size = abs(pressure)
    if size < 1e-3:
        return coefficient * float(1e-3**exponent) * pressure / 1e-3
    return math.copysign(coefficient * size**exponent, pressure)


def pressures(house: Dwelling, state: Running) -> tuple[float, float, float]:
    """Main body at its floor, closed room and garage, each less outdoors at the same height, Pa."""
    rise = GRAVITY * (house.outside - house.inside) * house.storey_height * FOOT
    level = 0.5 * (1.0 - house.room_share) * house.envelope
    n = house.envelope_exponent
    blower = 1.0 if state.blower else 0.0
    exhaust = sum(flow for _, flow, _ in house.exhausts) if state.exhaust else 0.0
    room_in = blower * house.room_supply
    main_in = blower * (house.return_leak + house.garage_return_leak - house.supply_leak - house.room_supply) - exhaust
    gap = house.room_gap if state.doors_closed else 1.5

    def door(between: float) -> float:
        """From room to main body, cfm."""
        size = max(abs(between), 1e-9)
        return math.copysign(0.6 * gap * math.sqrt(2.0 * size / house.inside) / CFM, between)

    def room_at(main: float) -> float:
        shell = house.room_share * house.envelope
        return _zero(lambda room: room_in - door(room - main) - _leak(shell, n, room + 0.5 * rise))

    def garage_at(main: float) -> float:
        taken = blower * house.garage_return_leak
        return _zero(
            lambda garage: (
                _leak(house.garage_to_house, n, main - garage) - _leak(house.garage_to_outside, n, garage) - taken
            )
        )

    def excess(main: float) -> float:
        leaves = _leak(level, n, main) + _leak(level, n, main + rise)
        leaves += _leak(house.garage_to_house, n, main - garage_at(main))
        return main_in + door(room_at(main) - main) - leaves

    main = _zero(excess, 500.0)
    return main, room_at(main), garage_at(main)


def _zero(falling: Callable[[float], float], reach: float = 5000.0) -> float:
    """Where a falling function of a pressure is zero, within `reach` Pa of nothing."""
    return float(brentq(falling, -reach, reach, xtol=1e-10))


def envelope_points(house: Dwelling, levels: tuple[float, ...]) -> list[Request]:
    """Points of a depressurisation test as its gauge shows them: leaks pass outdoor air, the fan indoor air."""
    n = house.envelope_exponent
    carried = (viscosity(STANDARD_KELVIN - 273.15) / viscosity(house.outdoor)) ** (2.0 * n - 1.0)
    carried *= (STANDARD_DENSITY / house.outside) ** (1.0 - n)
    shown = carried * house.outside / house.inside * math.sqrt(house.inside / STANDARD_DENSITY)
    return [_point(level, house.envelope * (level / 50.0) ** n * shown) for level in levels]


def duct_points(house: Dwelling, flow: float, levels: tuple[float, ...]) -> list[Request]:
    """Points of a duct test as its gauge shows them: fan and leaks pass indoor air."""
    n = house.duct_exponent
    carried = (viscosity(STANDARD_KELVIN - 273.15) / viscosity(house.indoor)) ** (2.0 * n - 1.0)
    carried *= (STANDARD_DENSITY / house.inside) ** (1.0 - n) * math.sqrt(house.inside / STANDARD_DENSITY)
    return [_point(level, flow * (level / 25.0) ** n * carried) for level in levels]


def _point(pressure: float, flow: float) -> Request:
    return {
        "pressure": {"value": pressure, "unit": "Pa"},
        "airflow": {"value": float(round(flow)), "unit": "[cft_i]/min"},
    }


def _reading(kind: str, value: float, unit: str, **more: Any) -> Request:
    return {"kind": kind, **more, "value": {"value": value, "unit": unit}}


def _fahrenheit(celsius: float) -> float:
    return round(celsius * 1.8 + 32.0, 1)


def _of_state(house: Dwelling, state: Running) -> list[Request]:
    main, room, garage = pressures(house, state)
    wanted, found = house.readings, []

    def pressure(zone: str, reference: str, value: float, **more: Any) -> None:
        found.append(
            _reading(
                "zone_pressure", round(value, 1) + 0.0, "Pa", state=state.id, instrument="micromanometer-1",
                zone=zone, reference=reference, **more,
            )
        )  # fmt: skip

    if "house" in wanted:
        pressure("indoor", "outdoor", main)
    if "zone" in wanted:
        pressure("combustion_zone", "outdoor", main)
    if "garage" in wanted and state.blower and not state.doors_closed:
        pressure("indoor", "garage", main - garage)
    if "room" in wanted and state.doors_closed:
        pressure("room", "indoor", room - main, room="north bedroom")
        found.append(
            _reading(
                "register_airflow", house.room_supply, "[cft_i]/min", state=state.id, room="north bedroom",
                side="supply", basis="actual",
            )
        )  # fmt: skip
    if state.blower and not state.doors_closed and "flow" in wanted:
        found.append(
            _reading(
                "airflow", house.airflow, "[cft_i]/min", state=state.id, instrument="grid-1", location="filter_inlet",
                basis="actual", method="flow_grid",
            )
        )  # fmt: skip
        for station, value in (("return_plenum", -0.2), ("supply_plenum", 0.25)):
            found.append(
                _reading(
                    "static_pressure", value, "[in_i'H2O]", state=state.id, instrument="manometer-1", station=station
                )
            )
    if state.blower and not state.doors_closed and house.attic is not None:
        mixed = house.indoor + house.attic_in_return * (house.attic - house.indoor)
        found.append(
            _reading(
                "dry_bulb_temperature", _fahrenheit(mixed), "[degF]", state=state.id, instrument="thermometer-1",
                location="return_plenum",
            )
        )  # fmt: skip
    return found


def request(house: Dwelling) -> Request:
    """The visit: a complete request."""
    readings: list[Request] = [
        _reading(
            "dry_bulb_temperature", _fahrenheit(house.indoor), "[degF]", instrument="thermometer-1", location="indoor"
        ),
        _reading(
            "dry_bulb_temperature", _fahrenheit(house.outdoor), "[degF]", instrument="thermometer-1",
            location="outdoor",
        ),
    ]  # fmt: skip
    if house.attic is not None:
        place = "garage" if house.garage_return_leak else "attic"
        readings.append(
            _reading(
                "dry_bulb_temperature", _fahrenheit(house.attic), "[degF]", instrument="thermometer-1", location=place
            )
        )
    if "ducts" in house.readings:
        for extent, flow in (("total", house.duct_total), ("to_outside", house.duct_outside)):
            points = duct_points(house, flow, (10.0, 15.0, 20.0, 25.0, 30.0))
            readings.append({"kind": "duct_leakage", "instrument": "duct-fan-1", "extent": extent, "points": points})
    if "envelope" in house.readings:
        points = envelope_points(house, (60.0, 50.0, 40.0, 30.0, 20.0))
        readings.append(
            {
                "kind": "envelope_leakage", "instrument": "door-fan-1", "direction": "depressurization",
                "points": points,
            }
        )  # fmt: skip
    if "fans" in house.readings:
        for name, flow, continuous in house.exhausts:
            readings.append(
                _reading(
                    "ventilation_airflow", flow, "[cft_i]/min", fan=name, direction="exhaust",
                    duty="continuous" if continuous else "on_demand",
                )
            )  # fmt: skip
    for state in house.states:
        readings += _of_state(house, state)
    readings += [dict(reading) for reading in house.extra]
    return {
        "job_reference": f"invented-visit-{house.id}",
        "visited_at": "2026-04-14T09:30:00-06:00",
        "units": "ip",
        "site": {
            "reference": f"invented-site-{house.id}",
            "elevation": {"value": round(house.elevation / FOOT), "unit": "[ft_i]"},
            "floor_area": {"value": house.floor_area, "unit": "[sft_i]"},
            "volume": {"value": house.volume, "unit": "[cft_i]"},
            "height": {"value": house.storey_height, "unit": "[ft_i]"},
            "storeys": 1,
            "bedrooms": 3,
            "weather_and_shielding_factor": 0.5,
        },
        "equipment": {
            "label": "Invented: furnace with cased coil",
            "arrangement": "furnace_with_cased_coil",
        },
        "appliances": [dict(appliance) for appliance in house.appliances],
        "states": [state.declared() for state in house.states],
        "instruments": [
            {"id": "micromanometer-1", "kind": "micromanometer", "zero_check": {"at": "2026-04-14T09:00:00-06:00"}},
            {"id": "manometer-1", "kind": "manometer", "zero_check": {"at": "2026-04-14T09:00:00-06:00"}},
            {"id": "thermometer-1", "kind": "thermometer"},
            {"id": "grid-1", "kind": "flow_grid"},
            {"id": "duct-fan-1", "kind": "leakage_tester"},
            {"id": "door-fan-1", "kind": "leakage_tester"},
            {"id": "barometer-1", "kind": "barometer"},
        ],
        "readings": readings,
    }


# The collection --------------------------------------------------------------------------------------------------

WATER_HEATER: Request = {
    "id": "water-heater-1", "kind": "water_heater", "venting": "natural_draft", "zone": "combustion_zone",
}  # fmt: skip
FURNACE: Request = {
    "id": "furnace-1", "kind": "furnace", "venting": "fan_assisted", "zone": "combustion_zone",
}  # fmt: skip
BOILER: Request = {
    "id": "boiler-1", "kind": "boiler", "venting": "power_vented", "zone": "combustion_zone",
}  # fmt: skip
SEALED: Request = {"id": "furnace-2", "kind": "furnace", "venting": "direct_vent", "zone": "combustion_zone"}
HEATER: Request = {"id": "heater-1", "kind": "space_heater", "venting": "natural_draft", "zone": "combustion_zone"}
OVEN: Request = {"id": "oven-1", "kind": "cooking", "venting": "unvented"}
BURNERS = (FURNACE, WATER_HEATER, HEATER, OVEN)
ALL = ("house", "garage", "room", "flow", "ducts", "envelope", "fans")


def _test_of_zone(zone: str, house: float, between: float) -> tuple[Request, Request]:
    """House against outdoors, and against a zone, with a test fan holding the house down."""
    common = {"state": "test", "instrument": "micromanometer-1"}
    return (
        _reading("zone_pressure", -house, "Pa", zone="indoor", reference="outdoor", **common),
        _reading("zone_pressure", -between, "Pa", zone="indoor", reference=zone, **common),
    )


def _between(to_house: float, to_outside: float, exponent: float, total: float) -> float:
    """Pressure between house and zone where the same air passes both leaks: series of two power laws."""
    ratio = float((to_house / to_outside) ** (1.0 / exponent))
    return round(total / (1.0 + ratio), 1)


def _carried(house: Dwelling, main: float, lift: float) -> tuple[Request, ...]:
    """A barometer read indoors, outdoors, indoors, outdoors, indoors, outdoors half a metre lower; weather falls."""
    found = []
    for step in range(5):
        outside = step % 2 == 1
        height = 0.5 if outside else 1.5
        seconds = 40 * step
        rho = 0.5 * (house.inside + house.outside)
        value = site_pressure(house.elevation) - 0.01 * seconds - rho * GRAVITY * height + (0.0 if outside else main)
        found.append(
            _reading(
                "station_pressure", round(value + lift) / 100.0, "hPa", state="resting", instrument="barometer-1",
                place="outdoor" if outside else "indoor", height={"value": height, "unit": "m"},
                taken_at=f"2026-04-14T09:{40 + seconds // 60}:{seconds % 60:02d}-06:00",
                accuracy={"floor": 2.0, "resolution": 0.01, "share_of_reading": 0.0, "unit": "hPa"},
            )
        )  # fmt: skip
    return tuple(found)


_SOUND = Dwelling("house_sound_1600_m", elevation=1600.0, readings=ALL)
_CARRIED = Dwelling("barometer_carried_1600_m", elevation=1600.0, states=(RESTING,))
_TEST = Running("test")

COMBUSTION_READINGS: tuple[Request, ...] = (
    _reading(
        "draft_pressure", -4.0, "Pa", state="exhausting", instrument="micromanometer-1", appliance="water-heater-1"
    ),
    {
        "kind": "spillage", "state": "exhausting", "appliance": "water-heater-1", "spills": False,
        "seconds_after_lighting": 300,
    },
    _reading("carbon_monoxide", 1.0, "[ppm]", location="combustion_zone"),
    _reading("carbon_monoxide", 2.0, "[ppm]", location="garage"),
    _reading("combustible_gas", 0.0, "%", location="combustion_zone"),
    _reading(
        "flue_carbon_monoxide", 40.0, "[ppm]", state="exhausting", appliance="furnace-1", basis="air_free"
    ),
    _reading(
        "flue_carbon_monoxide", 30.0, "[ppm]", state="exhausting", appliance="water-heater-1", basis="air_free"
    ),
    _reading(
        "flue_carbon_monoxide", 30.0, "[ppm]", state="exhausting", appliance="heater-1", basis="air_free"
    ),
    _reading("flue_carbon_monoxide", 60.0, "[ppm]", state="exhausting", appliance="oven-1", basis="as_measured"),
)  # fmt: skip

DWELLINGS = (
    _SOUND,
    replace(
        _SOUND, id="supply_leaks_outside_1600_m", supply_leak=215.0, return_leak=10.0, duct_total=330.0,
        duct_outside=260.0,
    ),
    replace(
        _SOUND, id="return_leaks_outside_sea_level", elevation=0.0, supply_leak=10.0, return_leak=235.0,
        duct_total=330.0, duct_outside=280.0, attic=46.0, attic_in_return=0.2, outdoor=30.0, indoor=25.0,
    ),
    replace(
        _SOUND, id="return_draws_garage_1600_m", garage_return_leak=90.0, attic=4.0, attic_in_return=0.18,
        outdoor=2.0, supply_leak=60.0,
    ),
    replace(_SOUND, id="room_closed_off_1600_m", room_gap=0.012, room_supply=260.0, room_share=0.3),
    replace(_SOUND, id="house_leaky_cold_sea_level", elevation=0.0, envelope=4800.0, outdoor=-15.0, indoor=22.0,
            storey_height=17.0),
    replace(
        _SOUND, id="house_tight_strong_hood_sea_level", elevation=0.0, envelope=800.0, outdoor=19.0,
        exhausts=(("bath fan", 30.0, True), ("range hood", 480.0, False)),
        readings=("house", "zone", "envelope", "fans"), states=(RESTING, EXHAUSTING),
        appliances=(WATER_HEATER,),
    ),
    replace(
        _SOUND, id="house_tight_strong_hood_fan_vented_1600_m", envelope=650.0, outdoor=19.0,
        exhausts=(("bath fan", 30.0, True), ("range hood", 480.0, False)),
        readings=("house", "zone", "envelope", "fans"), states=(RESTING, EXHAUSTING), appliances=(FURNACE, BOILER),
    ),
    replace(
        _SOUND, id="natural_draft_on_a_cold_day_1600_m", outdoor=-10.0, readings=("zone",), appliances=(WATER_HEATER,),
        states=(RESTING,),
    ),
    replace(
        _SOUND, id="appliances_sound_sea_level", elevation=0.0, outdoor=40.0, indoor=25.0, storey_height=17.0,
        readings=("zone",), exhausts=(("bath fan", 20.0, True),), appliances=BURNERS,
        states=(RESTING, EXHAUSTING), extra=COMBUSTION_READINGS,
    ),
    replace(
        _SOUND, id="appliances_sealed_1600_m", envelope=650.0, readings=("house", "zone"), appliances=(SEALED,),
        exhausts=(("range hood", 480.0, False),), states=(RESTING, EXHAUSTING),
        extra=(
            _reading("flue_carbon_monoxide", 50.0, "[ppm]", state="resting", appliance="furnace-2", basis="air_free"),
            {"kind": "spillage", "state": "resting", "appliance": "furnace-2", "spills": False},
        ),
    ),
    replace(
        _SOUND, id="garage_and_attic_joined_1600_m", garage_to_house=700.0, garage_to_outside=900.0,
        readings=("envelope",), states=(_TEST,),
        extra=(
            *_test_of_zone("garage", 50.0, _between(700.0, 900.0, 0.65, 50.0)),
            _test_of_zone("attic", 50.0, _between(900.0, 1500.0, 0.65, 50.0))[1],
        ),
    ),
    replace(_CARRIED, extra=_carried(_CARRIED, pressures(_CARRIED, RESTING)[0], 0.0)),
)  # fmt: skip


def documents() -> dict[Path, str]:
    """Path under the repository's root -> text."""
    return {FOLDER / f"{house.id}.json": as_json(request(house)) for house in DWELLINGS}


def main() -> None:
    for path, text in documents().items():
        (ROOT / path).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
