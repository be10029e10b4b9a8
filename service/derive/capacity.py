"""Cooling capacity on the air side: what the unit took from the air, gross and net, at its registers, against ratings.

Return air is read before blower and coil, supply air after both, so what is measured is the net capacity: the coil's
less the blower's heat, all of whose electrical power is taken to end in the air stream.
"""

from __future__ import annotations

from collections.abc import Callable

from service.derive.air import return_stations, supply_stations
from service.derive.propagate import combine, propagate, ratio, with_tolerance
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.physics import air, capacity, performance
from service.physics.air import STANDARD_AIR_DENSITY, AirState


def derive_capacity(sheet: Worksheet) -> None:
    """Sensible, latent and total capacity while cooling, and what they are held against."""
    if sheet.state.mode != "cooling" or sheet.index("coil") is None:
        return
    mass = _dry_air(sheet)
    leaving = _supply_humidity(sheet)
    sensible = _sensible(sheet, mass)
    net = _latent_and_total(sheet, mass, leaving, sensible)
    heat = _blower_heat(sheet)
    if net is not None and heat is not None:
        sheet.record(
            "gross_total_capacity",
            combine((1.0, net), (1.0, heat)),
            "net total capacity plus the blower's heat",
            ("net_total_capacity", "blower_heat"),
        )
    _delivered(sheet, mass, sensible)
    _to_nominal(sheet, net)
    _to_rated(sheet, net)


def _dry_air(sheet: Worksheet) -> Measured | None:
    """Mass flow of dry air, kg/s."""
    flow, temperature = sheet.get("airflow"), sheet.get("return_air_temperature")
    humidity, pressure = sheet.return_humidity, sheet.get("station_pressure")
    if flow is None or temperature is None or humidity is None or pressure is None:
        return None
    return sheet.attempt(
        "dry_air_mass_flow",
        "airflow over the specific volume of the return air",
        ("airflow", "return_air_temperature", "station_pressure"),
        lambda: propagate(
            lambda q, t, w, p: capacity.dry_air_mass_flow(q, AirState(t, w, p)), flow, temperature, humidity, pressure
        ),
    )


def _supply_humidity(sheet: Worksheet) -> Measured | None:
    """Humidity ratio of the supply air from whichever moisture reading stands beside its dry bulb."""
    temperature, pressure = sheet.get("supply_air_temperature"), sheet.get("station_pressure")
    if temperature is None or pressure is None:
        return None
    located = sheet.reading("dry_bulb_temperature", supply_stations(sheet))
    assert located is not None
    how: Callable[[float, float, float], AirState]
    for kind, method, how in (
        ("wet_bulb_temperature", "dry bulb and wet bulb", air.from_dry_bulb_and_wet_bulb),
        ("relative_humidity", "dry bulb and relative humidity", air.from_dry_bulb_and_relative_humidity),
        ("dew_point_temperature", "dry bulb and dew point", air.from_dry_bulb_and_dew_point),
    ):
        found = sheet.reading(kind, [located[2]])
        if found is not None:
            moisture, keys, _ = found
            return sheet.attempt(
                "supply_air_humidity_ratio",
                method,
                ("supply_air_temperature", *keys, "station_pressure"),
                lambda how=how, moisture=moisture: propagate(  # type: ignore[misc]
                    lambda t, m, p: how(t, m, p).humidity_ratio, temperature, moisture, pressure
                ),
            )
    return None


def _sensible(sheet: Worksheet, mass: Measured | None) -> Measured | None:
    name = "net_sensible_capacity"
    entering, leaving = sheet.get("return_air_temperature"), sheet.get("supply_air_temperature")
    humidity = sheet.return_humidity
    if mass is None or entering is None or leaving is None or humidity is None:
        sheet.lack(name, *_missing(sheet))
        return None
    return sheet.attempt(
        name,
        "dry-air mass flow times the fall of enthalpy at the return's humidity",
        ("dry_air_mass_flow", "return_air_temperature", "supply_air_temperature"),
        lambda: propagate(_sensible_heat, mass, entering, leaving, humidity),
    )


def _sensible_heat(mass: float, entering: float, leaving: float, humidity: float) -> float:
    return mass * (air.enthalpy(entering, humidity) - air.enthalpy(leaving, humidity))


def _missing(sheet: Worksheet, *more: str) -> list[str]:
    """What capacity still wants, the air first."""
    wanted = [
        ("airflow", "any airflow method"),
        ("return_air_temperature", "dry_bulb_temperature at the return plenum"),
        ("supply_air_temperature", "dry_bulb_temperature at the supply plenum"),
        ("station_pressure", "station_pressure reading or site elevation"),
    ]
    return [*(words for name, words in wanted if sheet.get(name) is None), *more]


def _latent_and_total(
    sheet: Worksheet, mass: Measured | None, leaving: Measured | None, sensible: Measured | None
) -> Measured | None:
    entering, temperature = sheet.get("return_air_humidity_ratio"), sheet.get("supply_air_temperature")
    names = ("latent_capacity", "net_total_capacity", "sensible_heat_ratio", "condensate_rate")
    if mass is None or sensible is None or entering is None or leaving is None or temperature is None:
        moist = [
            words
            for value, words in (
                (entering, "wet_bulb_temperature or relative_humidity at the return plenum"),
                (leaving, "wet_bulb_temperature or relative_humidity at the supply plenum"),
            )
            if value is None
        ]
        for name in names:
            sheet.lack(name, *_missing(sheet, *moist))
        return None
    inputs = ("dry_air_mass_flow", "return_air_humidity_ratio", "supply_air_humidity_ratio")
    latent = sheet.attempt(
        "latent_capacity",
        "dry-air mass flow times the enthalpy of the vapour taken out, at the supply's dry bulb",
        (*inputs, "supply_air_temperature"),
        lambda: propagate(
            lambda m, w_in, w_out, t: m * (air.enthalpy(t, w_in) - air.enthalpy(t, w_out)),
            mass, entering, leaving, temperature,
        ),
    )  # fmt: skip
    sheet.attempt(
        "condensate_rate",
        "dry-air mass flow times the fall of the humidity ratio",
        inputs,
        lambda: propagate(lambda m, w_in, w_out: m * (w_in - w_out), mass, entering, leaving),
    )
    if latent is None:
        sheet.lack("net_total_capacity", *sheet.lacking.get("latent_capacity", ()))
        return None
    total = sheet.record(
        "net_total_capacity",
        combine((1.0, sensible), (1.0, latent)),
        "sensible and latent capacity",
        ("net_sensible_capacity", "latent_capacity"),
    )
    sheet.attempt(
        "sensible_heat_ratio",
        "sensible over total capacity, both net",
        ("net_sensible_capacity", "net_total_capacity"),
        lambda: ratio(sensible, total),
    )
    return total


def _blower_heat(sheet: Worksheet) -> Measured | None:
    power = sheet.get("blower_power")
    if power is None:
        if "net_total_capacity" in sheet.quantities:
            sheet.lack("gross_total_capacity", "electric_power of the blower")
        return None
    return sheet.record("blower_heat", power, "the blower's electrical power, all of it in the air", ("blower_power",))


def _delivered(sheet: Worksheet, mass: Measured | None, sensible: Measured | None) -> None:
    """Sensible capacity from the rooms' air to the registers' air; leaked air would come on top."""
    registers = [f"{up.name}|{down.name}" for up, down in zip(sheet.path, sheet.path[1:], strict=False)
                 if down.kind == "register"]  # fmt: skip
    found = sheet.reading("dry_bulb_temperature", [name for name in registers if name not in supply_stations(sheet)])
    if found is None:
        return
    if mass is None or sensible is None or sheet.return_humidity is None:
        for name in ("delivered_sensible_capacity", "delivered_to_net_sensible_capacity"):
            sheet.lack(name, *_missing(sheet))
        return
    reading, keys, location = found
    leaving = sheet.mixed(reading, location)
    plenum = sheet.reading("dry_bulb_temperature", return_stations(sheet))
    rooms = sheet.reading("dry_bulb_temperature", ["return_grille|return_duct", "indoor"])
    entering, inputs = sheet.get("return_air_temperature"), keys
    if rooms is not None and plenum is not None and rooms[2] != plenum[2]:
        entering, inputs = rooms[0], (*rooms[1], *keys)
    if entering is None:
        return
    room_air, humidity = entering, sheet.return_humidity
    delivered = sheet.attempt(
        "delivered_sensible_capacity",
        "dry-air mass flow times the fall of enthalpy from room to register; air lost on the way comes on top",
        ("dry_air_mass_flow", *inputs),
        lambda: propagate(_sensible_heat, mass, room_air, leaving, humidity),
    )
    if delivered is not None:
        sheet.attempt(
            "delivered_to_net_sensible_capacity",
            "sensible capacity at the registers over that at the equipment",
            ("delivered_sensible_capacity", "net_sensible_capacity"),
            lambda: ratio(delivered, sensible),
        )


def _to_nominal(sheet: Worksheet, net: Measured | None) -> None:
    name, nominal = "net_total_capacity_to_nominal", sheet.visit.equipment.ratings.get("nominal_cooling_capacity")
    if nominal is None:
        return
    if net is None:
        sheet.lack(name, *sheet.lacking.get("net_total_capacity", ()))
        return
    sheet.attempt(
        name,
        "net total capacity over nominal; nominal is no capacity at today's conditions",
        ("net_total_capacity", "rating.nominal_cooling_capacity"),
        lambda: ratio(net, nominal),
    )


def _to_rated(sheet: Worksheet, net: Measured | None) -> None:
    name, equipment = "total_capacity_to_rated", sheet.visit.equipment
    if not equipment.performance:
        return
    measured = sheet.get("gross_total_capacity") if equipment.performance_is_gross else net
    if measured is None:
        gross = "gross_total_capacity" if equipment.performance_is_gross else "net_total_capacity"
        sheet.lack(name, *sheet.lacking.get(gross, sheet.lacking.get("net_total_capacity", ())))
        return
    outdoor = sheet.get("outdoor_air_temperature")
    flow, pressure = sheet.get("standard_airflow"), sheet.get("station_pressure")
    temperature, humidity = sheet.get("return_air_temperature"), sheet.get("return_air_humidity_ratio")
    if outdoor is None:
        sheet.lack(name, "dry_bulb_temperature outdoor, or weather.temperature")
        return
    density = sheet.get("return_air_density")
    if flow is None or pressure is None or temperature is None or humidity is None or density is None:
        sheet.lack(name, *_missing(sheet))
        return
    rows = [
        performance.PerformancePoint(row.return_wet_bulb, row.outdoor_temperature, row.airflow, row.total)
        for row in equipment.performance
    ]

    def rated(wet_bulb: float, out: float, q: float) -> float:
        return performance.capacity_at(rows, wet_bulb, out, q)

    try:
        wet_bulb = propagate(lambda t, w, p: AirState(t, w, p).wet_bulb, temperature, humidity, pressure)
        expected = propagate(rated, wet_bulb, outdoor, flow)
    except OutOfRange as error:
        sheet.observations.add("cooling_performance.beyond")
        axis = error.name.replace("_", " ")
        sheet.lack(name, f"rows of the performance table around today's {axis}")
        return
    expected = with_tolerance(expected, "rating.cooling_performance", sheet.tolerance("cooling_performance"))
    thin = max(0.0, 1.0 - density.value / STANDARD_AIR_DENSITY)
    share = sheet.ruleset.assumptions["capacity_in_thin_air"].uncertainty * thin
    expected = with_tolerance(expected, "assumption.capacity_in_thin_air", share)
    kind = "gross" if equipment.performance_is_gross else "net"
    sheet.attempt(
        name,
        f"{kind} total capacity over the performance table's at the same wet bulb, outdoor temperature and mass flow",
        (
            f"{kind}_total_capacity",
            "return_air_humidity_ratio",
            "standard_airflow",
            "outdoor_air_temperature",
            "cooling_performance",
        ),
        lambda: ratio(measured, expected),
    )
