"""Airflow by every method the readings allow, as actual flow at the return, and the best estimate of them all."""

from __future__ import annotations

import math

from service.derive.air import heat_sources, return_stations, supply_density
from service.derive.propagate import combine, difference, mean, propagate, ratio, with_tolerance
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.visit import BlowerTable, Reading
from service.physics import blower as fan
from service.physics import flow, heating, power
from service.physics.air import from_dry_bulb_and_humidity_ratio
from service.physics.uncertainty import chi_square_survival, weighted_mean

METHODS = ("airflow_measured", "airflow_from_blower_table", "airflow_from_temperature_rise")


def derive_temperatures(sheet: Worksheet) -> None:
    """Temperature rise while heating, temperature split while cooling, heater power."""
    entering, leaving = sheet.get("return_air_temperature"), sheet.get("supply_air_temperature")
    mode = sheet.state.mode
    name = {"heating": "temperature_rise", "cooling": "temperature_split"}.get(mode or "")
    if name is not None:
        if entering is not None and leaving is not None:
            change = difference(leaving, entering) if mode == "heating" else difference(entering, leaving)
            sheet.record(
                name, change, "difference of the readings", ("return_air_temperature", "supply_air_temperature")
            )
        else:
            sheet.lack(name, "dry_bulb_temperature at the return and supply plenums")
    if mode == "heating" and (
        sheet.index("electric_heater") is not None or "electric_heat_phases" in sheet.visit.equipment.ratings
    ):
        _component_power(sheet, "electric_heater", "electric_heater_power", 1.0, "electric_heat_phases")


def derive_blower_power(sheet: Worksheet) -> None:
    """Real power of the blower."""
    factor = sheet.visit.equipment.ratings.get("blower_power_factor")
    _component_power(sheet, "blower", "blower_power", None if factor is None else factor.value, "blower_phases")


def _component_power(sheet: Worksheet, component: str, name: str, factor: float | None, phases_name: str) -> None:
    direct = sheet.reading("electric_power", [component])
    if direct is not None:
        sheet.record(name, direct[0], "power reading", direct[1])
        return
    volts, amps = sheet.reading("voltage", [component]), sheet.reading("current", [component])
    if volts is None or amps is None or factor is None:
        words = component.replace("_", " ")
        if component == "electric_heater":
            sheet.lack(name, f"electric_power, or voltage and current, of the {words}")
        elif volts is not None and amps is not None:
            sheet.lack(name, f"electric_power of the {words}, or its power_factor")
        else:
            sheet.lack(name, f"electric_power of the {words}")
        return
    phases = sheet.visit.equipment.ratings.get(phases_name, Measured(1.0)).value
    sheet.attempt(
        name,
        "voltage times current" if component == "electric_heater" else "voltage times current times power factor",
        (*volts[1], *amps[1]),
        lambda: propagate(lambda v, a: power.real_power(v, a, factor, int(phases)), volts[0], amps[0]),
    )


def derive_airflow(sheet: Worksheet) -> None:
    """Each method, their agreement, the best estimate, and what follows from it."""
    _measured(sheet)
    _blower_table(sheet)
    _temperature_rise(sheet)
    _best(sheet)
    _against_table(sheet)
    _consequences(sheet)


def table_of(sheet: Worksheet) -> BlowerTable | None:
    """The blower table of the speed setting that ran; None where it is not known which."""
    tables = sheet.visit.equipment.tables
    setting = sheet.state.speed_setting
    if setting is not None:
        return next((table for table in tables if table.setting == setting), None)
    return tables[0] if len(tables) == 1 else None


def fan_table(table: BlowerTable) -> fan.BlowerTable:
    """The table as the physics takes it."""
    points = tuple(fan.BlowerPoint(p.external_static_pressure, p.airflow, p.power) for p in table.points)
    return fan.BlowerTable(points, table.density)


def blower_density(sheet: Worksheet) -> Measured | None:
    """Density at the blower inlet: behind a coil or heat exchanger at work it is that of the supply air."""
    blower = sheet.index("blower")
    upstream = {element.kind for element in sheet.path[: blower or 0]}
    if upstream & set(heat_sources(sheet)):
        return supply_density(sheet) or sheet.get("return_air_density")
    return sheet.get("return_air_density")


def table_flow(sheet: Worksheet, rows: fan.BlowerTable, pressure: Measured, density: Measured) -> Measured:
    """Airflow the table gives at the site: a motor that holds torque speeds up in thin air, others do not."""
    held = sheet.visit.equipment.blower_kind == "constant_torque"
    read = fan.flow_at_held_torque if held else fan.flow_at_pressure
    return propagate(lambda p, rho: read(rows, p, rho), pressure, density)


def table_power(sheet: Worksheet, rows: fan.BlowerTable, pressure: Measured, density: Measured) -> Measured:
    """Blower power the table gives at the site."""
    held = sheet.visit.equipment.blower_kind == "constant_torque"
    read = fan.power_at_held_torque if held else fan.power_at_pressure
    return propagate(lambda p, rho: read(rows, p, rho), pressure, density)


def _measured(sheet: Worksheet) -> None:
    readings = sheet.of_kind("airflow")
    if not readings:
        sheet.lack("airflow_measured", "airflow reading")
        return
    flows: list[Measured] = []
    keys: list[str] = []
    missing: list[str] = []
    for reading in readings:
        try:
            flows.append(_at_return(sheet, reading))
            keys.append(reading.key)
        except OutOfRange:
            missing.append("an airflow that is not negative")
        except _Unknown as error:
            missing.append(error.missing)
    if not flows:
        sheet.lack("airflow_measured", *dict.fromkeys(missing))
        return
    sheet.record("airflow_measured", mean(flows, f"{keys[0]}.scatter"), "reading, as actual flow at the return", keys)


class _Unknown(Exception):
    """A reading cannot be told at the return's density; says what is missing for it."""

    def __init__(self, missing: str) -> None:
        super().__init__(missing)
        self.missing = missing


def _at_return(sheet: Worksheet, reading: Reading) -> Measured:
    density = sheet.get("return_air_density")
    if reading.basis == "standard":
        if density is None:
            raise _Unknown("site elevation or station_pressure reading, for the density")
        return propagate(flow.actual_from_standard, reading.measured, density)
    if reading.location in return_stations(sheet):
        return reading.measured
    if reading.location in sheet.ruleset.places:
        raise _Unknown("an airflow reading at a station of the air path")
    there = supply_density(sheet)
    if there is None or density is None:
        return reading.measured
    return propagate(flow.flow_at_density, reading.measured, there, density)


def _blower_table(sheet: Worksheet) -> None:
    name = "airflow_from_blower_table"
    table = table_of(sheet)
    if table is None:
        if sheet.visit.equipment.tables:
            sheet.lack(name, "states[].speed_setting naming one of the blower's settings")
        else:
            sheet.lack(name, "blower.settings: the maker's blower table")
        return
    pressure, density = sheet.get("external_static_pressure"), blower_density(sheet)
    if pressure is None or density is None:
        missing = [] if pressure is not None else ["external static pressure"]
        sheet.lack(name, *missing, *([] if density is not None else ["site elevation or station_pressure reading"]))
        return
    rows = fan_table(table)
    try:
        found = table_flow(sheet, rows, pressure, density)
    except OutOfRange:
        sheet.observations.add("blower_table.beyond")
        sheet.lack(name, "an external static pressure within the rows of the blower table")
        return
    here = sheet.get("return_air_density")

    def at_return() -> Measured:
        if here is None or here is density:
            return found
        return propagate(flow.flow_at_density, found, density, here)

    found = with_tolerance(found, "rating.blower_table", sheet.tolerance("blower_table"))
    sheet.attempt(
        name,
        f"blower table, setting {table.setting}, entered at its own density",
        ("external_static_pressure", "return_air_density", f"blower_table.{table.setting}"),
        at_return,
    )


def _temperature_rise(sheet: Worksheet) -> None:
    name = "airflow_from_temperature_rise"
    if sheet.state.mode != "heating":
        return
    ratings = sheet.visit.equipment.ratings
    heater = sheet.get("electric_heater_power")
    gas_input, efficiency = ratings.get("gas_input"), ratings.get("steady_state_efficiency")
    if heater is not None and heater.value > 0.0 and gas_input is not None:
        sheet.lack(name, "a state with the gas burner or the electric heater alone")
        return
    if heater is not None and (heater.value > 0.0 or gas_input is None):
        output, inputs, method = heater, ["electric_heater_power"], "electric heat over the temperature rise"
    elif gas_input is not None and efficiency is not None:
        output = propagate(heating.gas_output, gas_input, efficiency)
        inputs, method = ["rating.gas_input", "rating.steady_state_efficiency"], "gas heat over the temperature rise"
    elif gas_input is not None:
        sheet.lack(name, "gas_heat.steady_state_efficiency")
        return
    elif sheet.index("electric_heater") is not None or "electric_heat_phases" in ratings:
        sheet.lack(name, "voltage and current of the electric heater")
        return
    else:
        return
    entering, leaving = sheet.get("return_air_temperature"), sheet.get("supply_air_temperature")
    if entering is None or leaving is None:
        sheet.lack(name, "dry_bulb_temperature at the return and supply plenums")
        return
    blower = sheet.get("blower_power")
    if blower is not None:
        heat = combine((1.0, output), (1.0, blower))
        inputs.append("blower_power")
    else:
        share = sheet.assumption("blower_heat_share")
        heat = propagate(lambda q, s: q * (1.0 + s), output, share)
        inputs.append("assumption.blower_heat_share")
    pressure, humidity = sheet.get("station_pressure"), sheet.return_humidity
    if pressure is None or humidity is None:
        sheet.lack(name, "site elevation or station_pressure reading")
        return

    def flow_at_return(q: float, t_in: float, t_out: float, w: float, p: float) -> float:
        return heating.flow_from_temperature_rise(q, from_dry_bulb_and_humidity_ratio(t_in, w, p), t_out).return_flow

    sheet.attempt(
        name,
        f"{method}, at the site's density",
        (*inputs, "return_air_temperature", "supply_air_temperature", "station_pressure"),
        lambda: propagate(flow_at_return, heat, entering, leaving, humidity, pressure),
    )


def _best(sheet: Worksheet) -> None:
    found = [(name, value) for name in METHODS if (value := sheet.get(name)) is not None and value.value > 0.0]
    if not found:
        sheet.lack(
            "airflow", "an airflow reading, the blower table with its setting, or a temperature rise with its heat"
        )
        return
    names = tuple(name for name, _ in found)
    entries = [value for _, value in found]
    if len(entries) == 1:
        sheet.record("airflow", entries[0], f"one method alone: {_plain(names[0])}", names)
        sheet.lack("airflow_agreement", "a second airflow method")
        return
    surest = min(range(len(entries)), key=lambda index: entries[index].uncertainty)
    covariance = [[first.covariance(second) for second in entries] for first in entries]
    try:
        result = weighted_mean([entry.value for entry in entries], covariance)
        agreement = chi_square_survival(result.chi_square, result.degrees_of_freedom)
    except (OutOfRange, OverflowError):
        sheet.record("airflow", entries[surest], f"the surest method: {_plain(names[surest])}", names)
        sheet.lack("airflow_agreement", "airflow methods with errors of their own")
        return
    sheet.record(
        "airflow_agreement", Measured(agreement), "chi-square test of the methods, with their covariances", names
    )
    if min(result.weights) < 0.0:
        # Strong correlation would put the mean outside the values and lean on the correlation being right.
        estimate = entries[surest]
        method = f"the surest of methods that share most of their errors: {_plain(names[surest])}"
    else:
        estimate = combine(*zip(result.weights, entries, strict=True))
        method = "weighted mean of " + ", ".join(_plain(name) for name in names)
    spread = math.sqrt(result.chi_square / result.degrees_of_freedom)
    if spread > 1.0:
        # Birge ratio: methods that disagree are each less sure than they say.
        estimate = Measured(estimate.value, {source: term * spread for source, term in estimate.terms.items()})
        method += f"; widened {spread:.1f} times because they disagree"
    sheet.attempt("airflow", method, names, lambda: estimate)


def _plain(name: str) -> str:
    return {
        "airflow_measured": "airflow reading",
        "airflow_from_blower_table": "blower table",
        "airflow_from_temperature_rise": "temperature rise",
    }[name]


def _against_table(sheet: Worksheet) -> None:
    table = sheet.get("airflow_from_blower_table")
    if table is None:
        return
    found = [
        (name, value)
        for name in ("airflow_measured", "airflow_from_temperature_rise")
        if (value := sheet.get(name)) is not None and value.value > 0.0
    ]
    if not found:
        sheet.lack("airflow_measured_to_table", "an airflow reading or a temperature rise with its heat")
        return
    name, value = min(found, key=lambda entry: entry[1].uncertainty)
    sheet.attempt(
        "airflow_measured_to_table",
        f"{_plain(name)} over the table's airflow at the same external static pressure",
        (name, "airflow_from_blower_table"),
        lambda: ratio(value, table),
    )


def _consequences(sheet: Worksheet) -> None:
    ratings = sheet.visit.equipment.ratings
    best, density = sheet.get("airflow"), sheet.get("return_air_density")
    if best is None:
        if sheet.index("coil") is not None and sheet.state.mode != "heating":
            sheet.lack("airflow_per_capacity", "any airflow method")
        if sheet.index("filter") is not None:
            size = () if "filter_face_area" in ratings else ("filter.width and filter.height",)
            sheet.lack("filter_face_velocity", "any airflow method", *size)
        if "design_airflow" in ratings:
            sheet.lack("airflow_to_design", "any airflow method")
        return
    if density is not None:
        sheet.attempt(
            "standard_airflow",
            "airflow times density over standard density",
            ("airflow", "return_air_density"),
            lambda: propagate(flow.standard_from_actual, best, density),
        )
    if "design_airflow" in ratings:
        _over_rating(sheet, best, "airflow_to_design", "design_airflow", "both as actual air at the site")
    if "nominal_cooling_capacity" in ratings:
        if sheet.state.mode != "heating":
            _over_rating(sheet, best, "airflow_per_capacity", "nominal_cooling_capacity")
    elif sheet.index("coil") is not None and sheet.state.mode == "cooling":
        sheet.lack("airflow_per_capacity", "nominal_cooling_capacity")
    if "filter_face_area" in ratings:
        _over_rating(sheet, best, "filter_face_velocity", "filter_face_area")
    elif sheet.index("filter") is not None:
        sheet.lack("filter_face_velocity", "filter.width and filter.height")


def _over_rating(sheet: Worksheet, best: Measured, name: str, rating: str, how: str = "") -> None:
    sheet.attempt(
        name,
        f"airflow over {rating.replace('_', ' ')}{', ' if how else ''}{how}",
        ("airflow", f"rating.{rating}"),
        lambda: ratio(best, sheet.visit.equipment.ratings[rating]),
    )
