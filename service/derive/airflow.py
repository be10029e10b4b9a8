"""Airflow by every method the readings allow, as actual flow at the return, and the best estimate of them all."""

from __future__ import annotations

import math

import msgspec

from service.derive.air import heat_sources, return_stations, supply_density
from service.derive.flow_methods import derive_flow_from_drops, derive_registers, derive_traverse
from service.derive.propagate import combine, difference, mean, propagate, ratio, with_tolerance
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.visit import BlowerTable, Reading
from service.physics import blower as fan
from service.physics import flow, heating, power
from service.physics.air import from_dry_bulb_and_humidity_ratio
from service.physics.uncertainty import chi_square_survival, weighted_mean

METHODS: dict[str, str] = {
    "airflow_measured": "airflow reading",
    "airflow_from_blower_table": "blower table",
    "airflow_from_temperature_rise": "temperature rise",
    "airflow_from_traverse": "traverse",
    "airflow_from_registers": "sum at the registers",
    "airflow_from_return_grilles": "sum at the return grilles",
}
"""Quantity of each method that stands by itself, and its name in words."""

DROP_METHODS: dict[str, str] = {
    "airflow_from_coil_pressure_drop": "coil's rated curve",
    "airflow_from_filter_pressure_drop": "filter's rated curve",
}
"""Methods that take a part to be as dirty as is usual: heard only where no other method is, as one drop cannot tell
both the flow and how dirty the part is. The filter, the dirtier of the two or missing altogether, is heard beside
the coil only."""


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
    _speed(sheet)
    _blower_table(sheet)
    _temperature_rise(sheet)
    derive_traverse(sheet)
    derive_registers(sheet)
    derive_flow_from_drops(sheet)
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
    """Airflow the table gives at the site: a motor that holds torque speeds up in thin air, others do not.

    Where the wheel of a belt-driven blower turns at another speed than its table's, the fan laws carry the table over.
    """
    held = sheet.visit.equipment.blower_kind == "constant_torque"
    read = fan.flow_at_held_torque if held else fan.flow_at_pressure
    speed = sheet.get("blower_speed_to_table")
    if speed is None:
        return propagate(lambda p, rho: read(rows, p, rho), pressure, density)
    return propagate(lambda p, rho, r: r * read(rows, p / (r * r), rho), pressure, density, speed)


def table_power(sheet: Worksheet, rows: fan.BlowerTable, pressure: Measured, density: Measured) -> Measured:
    """Blower power the table gives at the site."""
    held = sheet.visit.equipment.blower_kind == "constant_torque"
    read = fan.power_at_held_torque if held else fan.power_at_pressure
    speed = sheet.get("blower_speed_to_table")
    if speed is None:
        return propagate(lambda p, rho: read(rows, p, rho), pressure, density)
    return propagate(lambda p, rho, r: r**3 * read(rows, p / (r * r), rho), pressure, density, speed)


def _speed(sheet: Worksheet) -> None:
    """Speed of a belt-driven wheel against the speed its table is stated for."""
    name, rated = "blower_speed_to_table", sheet.visit.equipment.ratings.get("blower_table_speed")
    found = sheet.reading("rotational_speed", ["blower"])
    if sheet.visit.equipment.blower_kind != "belt_driven" or (found is None and rated is None):
        return
    if found is None or rated is None:
        sheet.lack(name, "rotational_speed of the blower" if found is None else "blower.table_speed")
        return
    if found[0].value <= 0.0:
        sheet.lack(name, "a rotational_speed above zero")
        return
    sheet.attempt(
        name, "speed read over the speed of the table", (*found[1], "rating.blower_table_speed"),
        lambda: ratio(found[0], rated),
    )  # fmt: skip


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
        f"blower table, setting {table.setting}, entered at its own density"
        + (", carried to the speed read by the fan laws" if sheet.get("blower_speed_to_table") else ""),
        ("external_static_pressure", "return_air_density", f"blower_table.{table.setting}"),
        at_return,
    )


def _temperature_rise(sheet: Worksheet) -> None:
    name = "airflow_from_temperature_rise"
    if sheet.state.mode != "heating":
        return
    source = _heat(sheet)
    if source is None:
        return
    if isinstance(source, str):
        sheet.lack(name, source)
        return
    output, inputs, method = source
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


def _heat(sheet: Worksheet) -> tuple[Measured, list[str], str] | str | None:
    """Heat given to the air, what it rests on, how; or what is lacking for it; None where nothing is known to heat."""
    ratings = sheet.visit.equipment.ratings
    heater, water = sheet.get("electric_heater_power"), sheet.get("hydronic_heat")
    efficiency = ratings.get("steady_state_efficiency")
    gas = next(
        ((name, found) for name in ("gas_input_clocked", "gas_input_expected") if (found := sheet.get(name))), None
    )
    electric = heater is not None and heater.value > 0.0
    if electric + (gas is not None) + (water is not None and water.value > 0.0) > 1:
        return "a state with the gas burner, the electric heater or the hot water alone"
    if water is not None and water.value > 0.0:
        return water, ["hydronic_heat"], "heat of the water over the temperature rise"
    if heater is not None and (electric or gas is None):
        return heater, ["electric_heater_power"], "electric heat over the temperature rise"
    if gas is not None:
        name, found = gas
        if efficiency is None:
            return "gas_heat.steady_state_efficiency"
        output = propagate(heating.gas_output, found, efficiency)
        how = "clocked gas" if name == "gas_input_clocked" else "gas heat"
        return output, [name, "rating.steady_state_efficiency"], f"{how} over the temperature rise"
    if "hydronic_heat" in sheet.lacking:
        return "water_flow and both water_temperature readings"
    if sheet.index("electric_heater") is not None or "electric_heat_phases" in ratings:
        return "voltage and current of the electric heater"
    return None


class Estimate(msgspec.Struct, frozen=True):
    """Airflow by several methods taken together.

    Attributes:
        value: the estimate with its error terms.
        method: how, in words.
        names: quantities of the methods heard.
        agreement: probability that they would differ as much by chance; None where that cannot be told.
        outlier: the one method without which the others agree, where there is just one such.
        rest: estimate of the others, where there is an outlier.
    """

    value: Measured
    method: str
    names: tuple[str, ...]
    agreement: float | None = None
    outlier: str | None = None
    rest: Measured | None = None


def airflow_without(sheet: Worksheet, *left_out: str) -> Estimate | None:
    """Best estimate from the methods whose quantities are not named, so that a part can be judged by the others."""
    for methods in (METHODS, DROP_METHODS):
        found: dict[str, Measured] = {
            name: value
            for name in methods
            if name not in left_out and (value := sheet.get(name)) is not None and value.value > 0.0
        }
        if found and set(found) != {"airflow_from_filter_pressure_drop"}:
            return _estimate(found, sheet.ruleset.assumptions["outlier_significance"].value)
    return None


def _estimate(found: dict[str, Measured], significance: float) -> Estimate:
    """Weighted mean of the methods; where one alone disagrees with others that agree, of those others."""
    together = _weighted(found)
    if len(found) < 3 or together.agreement is None or together.agreement >= significance:
        return together
    # The largest consistent subset (M. G. Cox, Metrologia 44 (2007) 187), where it is the only one.
    subsets = {name: _weighted({other: value for other, value in found.items() if other != name}) for name in found}
    consistent = [
        name for name, rest in subsets.items() if rest.agreement is not None and rest.agreement >= significance
    ]
    if len(consistent) != 1:
        return together
    outlier = consistent[0]
    rest = subsets[outlier]
    return Estimate(
        rest.value,
        f"{rest.method}; {_plain(outlier)} left out, as it alone disagrees",
        together.names,
        together.agreement,
        outlier,
        rest.value,
    )


def _weighted(found: dict[str, Measured]) -> Estimate:
    names, entries = tuple(found), list(found.values())
    if len(entries) == 1:
        return Estimate(entries[0], f"one method alone: {_plain(names[0])}", names)
    surest = min(range(len(entries)), key=lambda index: entries[index].uncertainty)
    covariance = [[first.covariance(second) for second in entries] for first in entries]
    try:
        result = weighted_mean([entry.value for entry in entries], covariance)
        agreement = chi_square_survival(result.chi_square, result.degrees_of_freedom)
    except (OutOfRange, OverflowError):
        return Estimate(entries[surest], f"the surest method: {_plain(names[surest])}", names)
    if min(result.weights) < 0.0:
        # Strong correlation would put the mean outside the values and lean on the correlation being right.
        value = entries[surest]
        method = f"the surest of methods that share most of their errors: {_plain(names[surest])}"
    else:
        value = combine(*zip(result.weights, entries, strict=True))
        method = "weighted mean of " + ", ".join(_plain(name) for name in names)
    spread = math.sqrt(result.chi_square / result.degrees_of_freedom)
    if spread > 1.0:
        # Birge ratio: methods that disagree are each less sure than they say.
        value = Measured(value.value, {source: term * spread for source, term in value.terms.items()})
        method += f"; widened {spread:.1f} times because they disagree"
    return Estimate(value, method, names, agreement)


def _best(sheet: Worksheet) -> None:
    best = airflow_without(sheet)
    if best is None:
        sheet.lack(
            "airflow", "an airflow reading, the blower table with its setting, or a temperature rise with its heat"
        )
        return
    estimate = best.value
    if sheet.attempt("airflow", best.method, best.names, lambda: estimate) is None:
        return
    if best.names[0] in DROP_METHODS:
        sheet.observations.add("airflow.from_drop")
    if best.agreement is None:
        alone = len(best.names) == 1
        sheet.lack(
            "airflow_agreement", "a second airflow method" if alone else "airflow methods with errors of their own"
        )
        return
    sheet.record(
        "airflow_agreement",
        Measured(best.agreement),
        "chi-square test of the methods, with their covariances",
        best.names,
    )
    if best.outlier is None or best.rest is None:
        return
    odd, rest = sheet.get(best.outlier), best.rest
    if odd is not None:
        sheet.observations.add(_outlier(best.outlier))
        sheet.attempt(
            "airflow_outlier_to_rest",
            f"{_plain(best.outlier)} over what the other methods agree on",
            best.names,
            lambda: ratio(odd, rest),
        )


def _plain(name: str) -> str:
    return METHODS.get(name) or DROP_METHODS[name]


def _against_table(sheet: Worksheet) -> None:
    table = sheet.get("airflow_from_blower_table")
    if table is None:
        return
    # Registers miss what leaks on the way, and an odd method says nothing of the blower.
    found = [
        (name, value)
        for name in ("airflow_measured", "airflow_from_temperature_rise", "airflow_from_traverse")
        if (value := sheet.get(name)) is not None and value.value > 0.0 and _outlier(name) not in sheet.observations
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


def _outlier(name: str) -> str:
    """Token of a method that stands out."""
    return f"airflow_outlier.{name.removeprefix('airflow_').removeprefix('from_')}"


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
