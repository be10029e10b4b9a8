"""Heat put in and heat delivered while heating: gas clocked or rated, electric by its lines, hot water, heat pump."""

from __future__ import annotations

from collections.abc import Callable

from service.derive.airflow import airflow_without
from service.derive.propagate import difference, mean, propagate, ratio
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.physics import gas, heat_rate
from service.physics.air import from_dry_bulb_and_humidity_ratio
from service.physics.capacity import dry_air_mass_flow

NO_TEMPERATURES = "dry_bulb_temperature at the return and supply plenums"


def derive_heat_input(sheet: Worksheet) -> None:
    """Gas input clocked and expected, electric heat against its rating, heat of hot water, outlet air."""
    if sheet.state.mode != "heating":
        return
    _gas_input(sheet)
    _outlet_air(sheet)
    _electric_heat(sheet)
    _hydronic_heat(sheet)


def _gas_input(sheet: Worksheet) -> None:
    clocks = sheet.of_context(sheet.visit.gas_clocks, of_whole=True)
    rated = sheet.visit.equipment.ratings.get("gas_input")
    if rated is not None:
        sheet.attempt("gas_input_expected", *_expected_input(sheet, rated))
    if not clocks:
        if rated is not None:
            sheet.lack("gas_input_clocked", "gas_meter reading")
            sheet.lack("gas_input_to_expected", "gas_meter reading")
        return
    found: list[Measured] = []
    for clock in clocks:
        try:
            found.append(
                propagate(
                    lambda volume, seconds, value: gas.gas_input(gas.clocked_flow(volume, 1.0, seconds), value),
                    clock.volume,
                    clock.seconds,
                    clock.heating_value,
                )
            )
        except OutOfRange:
            sheet.lack("gas_input_clocked", "a gas_meter reading that can be true")
            return
    keys = tuple(clock.key for clock in clocks)
    clocked = sheet.attempt(
        "gas_input_clocked",
        "gas clocked at its meter times the heating value",
        keys,
        lambda: mean(found, f"{keys[0]}.scatter"),
    )
    pressure = sheet.get("station_pressure")
    if pressure is None or pressure.value < sheet.ruleset.assumptions["thin_air_station_pressure"].value:
        sheet.observations.add("gas_heating_value.in_thin_air")
    expected = sheet.get("gas_input_expected")
    if clocked is None:
        return
    if expected is None:
        sheet.lack("gas_input_to_expected", "gas_heat.input")
        return
    # How far an input may be off its rating is what is asked here, so that it is no part of the doubt.
    terms = {source: term for source, term in expected.terms.items() if source != "rating.gas_input"}
    exact = Measured(expected.value, terms)
    sheet.attempt(
        "gas_input_to_expected",
        "gas input clocked over the input expected at the site",
        ("gas_input_clocked", "gas_input_expected"),
        lambda: ratio(clocked, exact),
    )


def _expected_input(sheet: Worksheet, rated: Measured) -> tuple[str, tuple[str, ...], Callable[[], Measured]]:
    """Method, inputs and function of the input to expect at the site's elevation."""
    elevation = sheet.visit.elevation
    starts = sheet.ruleset.assumptions["gas_derate_starts_above"].value
    if sheet.visit.equipment.input_is_derated:
        return "rated input, derated for the elevation already", ("rating.gas_input",), lambda: rated
    if elevation is None:
        return "rated input; without the elevation it is not derated", ("rating.gas_input",), lambda: rated
    if elevation.value <= starts:
        return "rated input", ("rating.gas_input",), lambda: rated
    sheet.observations.add("gas_input.derated")
    share = sheet.assumption("gas_derate_per_metre")
    return (
        "rated input, derated for the elevation by the usual share",
        ("rating.gas_input", "site.elevation", "assumption.gas_derate_per_metre"),
        lambda: propagate(
            lambda q, each: gas.derated_input(q, gas.altitude_derate(elevation.value, max(each, 0.0), starts)),
            rated,
            share,
        ),
    )


def _outlet_air(sheet: Worksheet) -> None:
    if "outlet_air_maximum" not in sheet.visit.equipment.ratings:
        return
    supply = sheet.get("supply_air_temperature")
    if supply is None:
        sheet.lack("outlet_air_temperature", "dry_bulb_temperature at the supply plenum")
        return
    sheet.record("outlet_air_temperature", supply, "supply air while heating", ("supply_air_temperature",))


def _electric_heat(sheet: Worksheet) -> None:
    ratings = sheet.visit.equipment.ratings
    rated, power = ratings.get("electric_heat_power"), sheet.get("electric_heater_power")
    if rated is not None:
        if power is None:
            sheet.lack("electric_heat_to_rating", "electric_power, or voltage and current, of the electric heater")
        else:
            sheet.attempt(
                "electric_heat_to_rating",
                "electric heater power over its rating",
                ("electric_heater_power", "rating.electric_heat_power"),
                lambda: ratio(power, rated),
            )
    if ratings.get("electric_heat_phases", Measured(1.0)).value != 3.0:
        return
    lines = [reading for reading in sheet.of_kind("current") if reading.location == "electric_heater"]
    if len(lines) < 3:
        if lines:
            sheet.lack("electric_heater_line_imbalance", "current of each of the three lines of the electric heater")
        return
    entries = [reading.measured for reading in lines]
    middle = sum(entry.value for entry in entries) / len(entries)
    if middle <= 0.0:
        return
    farthest = max(range(len(entries)), key=lambda index: abs(entries[index].value - middle))
    others = [entry for index, entry in enumerate(entries) if index != farthest]
    sign = 1.0 if entries[farthest].value >= middle else -1.0

    def imbalance(odd: float, *rest: float) -> float:
        average = (odd + sum(rest)) / (1 + len(rest))
        return sign * (odd - average) / average

    sheet.attempt(
        "electric_heater_line_imbalance",
        "largest distance of a line's current from the mean of the lines, over that mean",
        tuple(reading.key for reading in lines),
        lambda: propagate(imbalance, entries[farthest], *others),
    )


def _hydronic_heat(sheet: Worksheet) -> None:
    flow = sheet.reading("water_flow", ["water"])
    entering = sheet.reading("water_temperature", ["water.entering"])
    leaving = sheet.reading("water_temperature", ["water.leaving"])
    if flow is None and entering is None and leaving is None:
        return
    name = "hydronic_heat"
    if flow is None or entering is None or leaving is None:
        sheet.lack(name, "water_flow and water_temperature entering and leaving")
        return
    fall = difference(entering[0], leaving[0])
    sheet.attempt(
        name,
        "water flow times density, specific heat and fall of temperature",
        (*flow[1], *entering[1], *leaving[1], "assumption.water_density", "assumption.water_specific_heat"),
        lambda: propagate(
            heat_rate.hydronic_heat_rate,
            flow[0],
            fall,
            sheet.assumption("water_density"),
            sheet.assumption("water_specific_heat"),
        ),
    )


def derive_heat_output(sheet: Worksheet) -> None:
    """Heat the air carries off, by an airflow that was not told from that heat; and a heat pump's part of it."""
    if sheet.state.mode != "heating":
        return
    ratings = sheet.visit.equipment.ratings
    name, pump = "heating_output", "heat_pump_output"
    heater = sheet.get("electric_heater_power")
    others = "gas_input" in ratings or "hydronic_heat" in {*sheet.quantities, *sheet.lacking}
    electric = heater.value > 0.0 if heater is not None else "electric_heat_phases" in ratings
    is_pump = not (others or electric) and sheet.index("coil") is not None and sheet.index("heat_exchanger") is None
    entering, leaving = sheet.get("return_air_temperature"), sheet.get("supply_air_temperature")
    if sheet.get("airflow_from_temperature_rise") is None:
        flow: Measured | None = sheet.get("airflow")
        names: tuple[str, ...] = ("airflow",)
    else:
        independent = airflow_without(sheet, "airflow_from_temperature_rise")
        flow = None if independent is None else independent.value
        names = () if independent is None else independent.names
    pressure, humidity = sheet.get("station_pressure"), sheet.return_humidity
    lacking = [
        words
        for known, words in (
            (entering is not None and leaving is not None, NO_TEMPERATURES),
            (flow is not None, "an airflow method other than the temperature rise"),
            (pressure is not None, "site elevation or station_pressure reading"),
        )
        if not known
    ]
    if entering is None or leaving is None or flow is None or pressure is None or humidity is None:
        sheet.lack(name, *lacking)
        if is_pump:
            sheet.lack(pump, *lacking)
            sheet.lack("heat_pump_output_to_nominal", *lacking)
        return

    def carried(flow: float, t_in: float, t_out: float, w: float, p: float) -> float:
        mass = dry_air_mass_flow(flow, from_dry_bulb_and_humidity_ratio(t_in, w, p))
        return heat_rate.heat_from_rise(mass, t_in, t_out, w)

    output = sheet.attempt(
        name,
        "dry-air mass flow times the rise of enthalpy, blower heat included",
        (*names, "return_air_temperature", "supply_air_temperature", "station_pressure"),
        lambda: propagate(carried, flow, entering, leaving, humidity, pressure),
    )
    if output is None or not is_pump:
        return
    sheet.record(pump, output, "heat delivered with no other source of heat", (name,))
    nominal = ratings.get("nominal_cooling_capacity")
    if nominal is None:
        sheet.lack("heat_pump_output_to_nominal", "nominal_cooling_capacity")
        return
    sheet.attempt(
        "heat_pump_output_to_nominal",
        "heat pump output over the nominal cooling capacity",
        (pump, "rating.nominal_cooling_capacity"),
        lambda: ratio(output, nominal),
    )
