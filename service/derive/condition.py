"""What the parts are like: drops against their ratings, fan power, instruments and the observations of the context."""

from __future__ import annotations

from service.derive.airflow import blower_density, fan_table, table_of, table_power
from service.derive.flow_methods import element_density
from service.derive.propagate import product, propagate, ratio, with_tolerance
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.visit import BlowerTable, PressureDropRating
from service.physics import resistance

OBSERVED_KINDS = frozenset({"filter", "coil", "heat_exchanger", "electric_heater", "accessory", "zone_damper"})
GAUGE_KINDS = ("static_pressure", "pressure_difference")


def derive_resistances(sheet: Worksheet) -> None:
    """Filter and coil drop against their rated drops at today's flow."""
    equipment = sheet.visit.equipment
    _against_rating(sheet, "filter", equipment.filter_rating, "filter.rated: the clean pressure drop at a flow")
    wet = "coil_surface.wet" in sheet.observations
    rating = equipment.coil_rating_wet if wet else equipment.coil_rating_dry
    which = "coil.rated_wet" if wet else "coil.rated_dry"
    _against_rating(sheet, "coil", rating, f"{which}: the clean pressure drop at a flow")


def _against_rating(sheet: Worksheet, kind: str, rating: PressureDropRating | None, missing: str) -> None:
    name, drop_name = f"{kind}_pressure_drop_to_rated", f"{kind}_pressure_drop"
    if sheet.index(kind) is None:
        return
    # A flow told from the drop of a part taken as usually dirty says nothing of how dirty this one is.
    airflow = None if "airflow.from_drop" in sheet.observations else sheet.get("airflow")
    drop, density = sheet.get(drop_name), sheet.get("return_air_density")
    lacking = [
        words
        for value, words in (
            (drop, f"static_pressure before and after the {kind}"),
            (rating, missing),
            (airflow, "an airflow method that rests on no part's drop"),
            (density, "site elevation or station_pressure reading"),
        )
        if value is None
    ]
    if drop is None or rating is None or airflow is None or density is None:
        sheet.lack(name, *lacking)
        return
    exponent = sheet.exponent(kind)
    there = element_density(sheet, kind, density)

    rated = with_tolerance(
        Measured(rating.drop), f"rating.{kind}_pressure_drop", sheet.tolerance("rated_pressure_drop")
    )

    def to_clean(fall: float, clean: float, q: float, n: float, at_return: float, here: float) -> float:
        return fall / resistance.drop_at_flow(clean, rating.flow, q * at_return / here, n, here, rating.density)

    def against() -> Measured:
        return propagate(to_clean, drop, rated, airflow, exponent, density, there)

    sheet.attempt(name, "drop over the rated drop at the same flow", (drop_name, "airflow", f"rating.{kind}"), against)


def derive_power(sheet: Worksheet) -> None:
    """Air power, overall efficiency, power per airflow, power against the table."""
    blower, airflow, pressure = sheet.get("blower_power"), sheet.get("airflow"), sheet.get("external_static_pressure")
    if airflow is not None and pressure is not None:
        air = sheet.attempt(
            "air_power", "airflow times external static pressure", ("airflow", "external_static_pressure"),
            lambda: product(airflow, pressure),
        )  # fmt: skip
        if blower is not None and air is not None:
            sheet.attempt(
                "blower_efficiency", "air power over blower power", ("air_power", "blower_power"),
                lambda: ratio(air, blower),
            )  # fmt: skip
    elif blower is not None:
        sheet.lack("blower_efficiency", "any airflow method" if airflow is None else "external static pressure")
    if blower is None:
        for name in ("power_per_airflow", "blower_efficiency"):
            sheet.lack(name, "electric_power of the blower")
        if _tabled_power(sheet) is not None:
            sheet.lack("blower_power_to_table", "electric_power of the blower")
        return
    if airflow is None:
        sheet.lack("power_per_airflow", "any airflow method")
    else:
        sheet.attempt(
            "power_per_airflow", "blower power over airflow", ("blower_power", "airflow"),
            lambda: ratio(blower, airflow),
        )  # fmt: skip
    _power_to_table(sheet, blower, pressure)


def _tabled_power(sheet: Worksheet) -> BlowerTable | None:
    """The blower table of this state, where it tells the power."""
    table = table_of(sheet)
    return None if table is None or table.points[0].power is None else table


def _power_to_table(sheet: Worksheet, blower: Measured, pressure: Measured | None) -> None:
    name = "blower_power_to_table"
    table = _tabled_power(sheet)
    if table is None:
        if table_of(sheet) is not None:
            sheet.lack(name, "blower.settings with the power of each row")
        return
    density = blower_density(sheet)
    if pressure is None or density is None:
        sheet.lack(
            name, "external static pressure" if pressure is None else "site elevation or station_pressure reading"
        )
        return
    try:
        expected = table_power(sheet, fan_table(table), pressure, density)
    except OutOfRange:
        sheet.lack(name, "an external static pressure within the rows of the blower table")
        return
    expected = with_tolerance(expected, "rating.blower_table_power", sheet.tolerance("blower_table_power"))
    to_table = sheet.attempt(
        name,
        f"blower power over the table's, setting {table.setting}",
        ("blower_power", "external_static_pressure", f"blower_table.{table.setting}"),
        lambda: ratio(blower, expected),
    )
    airflow = sheet.get("airflow_measured_to_table")
    if to_table is not None and airflow is not None:
        sheet.attempt(
            "blower_power_per_airflow_to_table",
            "blower power against the table over airflow against the table",
            (name, "airflow_measured_to_table"),
            lambda: ratio(to_table, airflow),
        )


def observe(sheet: Worksheet) -> None:
    """Tokens that hold whatever the numbers say: of the equipment and what was noted, then of the state."""
    _equipment(sheet)
    if sheet.whole_house:
        return
    state, equipment, tokens = sheet.state, sheet.visit.equipment, sheet.observations
    if state.mode != "off":
        tokens.add(f"mode.{state.mode or 'unknown'}")
    tokens.add("blower.on" if sheet.blower_on else "blower.off")
    surface = state.coil_surface or ("wet" if state.mode == "cooling" else "dry")
    if any(element.kind == "coil" for element in equipment.path):
        tokens.add(f"coil_surface.{surface}")
    if equipment.zones and state.zones_calling and set(equipment.zones) - set(state.zones_calling):
        tokens.add("zones.some_idle")
    _zero_checks(sheet)


def _equipment(sheet: Worksheet) -> None:
    equipment, tokens = sheet.visit.equipment, sheet.observations
    tokens.add(f"blower_kind.{equipment.blower_kind or 'unknown'}")
    tokens.add(f"arrangement.{equipment.arrangement}")
    if equipment.boundary_assumed:
        tokens.add("rating_boundary.assumed")
    kinds = {element.kind for element in equipment.path}
    tokens.update(f"element.{kind}" for kind in kinds if kind in OBSERVED_KINDS)
    if "gas_input" in equipment.ratings:
        tokens.add("gas_heat.present")
    if "electric_heat_phases" in equipment.ratings:
        tokens.add("electric_heat.present")
    if any(element.kind == "filter" and element.name in equipment.inside for element in equipment.path):
        tokens.add("filter.inside_boundary")
    if {"filter", "return_duct"} <= kinds and sheet.index("filter") < sheet.index("return_duct"):  # type: ignore[operator]
        tokens.add("filter.at_grille")
    for entry in sheet.visit.noted:
        if entry.state in (None, sheet.state.id) and entry.area in (None, sheet.area):
            sheet.see(f"noted.{entry.what}", entry.state or entry.area)
    if sheet.visit.set_aside:
        tokens.add("reading.set_aside")


def _zero_checks(sheet: Worksheet) -> None:
    gauges = {use.id: use for use in sheet.visit.instruments}
    used = [reading for reading in sheet.readings if reading.kind in GAUGE_KINDS]
    if any(reading.instrument not in gauges or not gauges[reading.instrument].zero_checked for reading in used):
        sheet.observations.add("zero_check.absent")
    offsets = [
        use for key, use in gauges.items() if use.zero_offset and key in {reading.instrument for reading in used}
    ]
    if any(not use.offset_corrected for use in offsets):
        sheet.observations.add("zero_check.offset_uncorrected")


def derive_run_capacitor(sheet: Worksheet) -> None:
    """Capacitance of the blower motor's run capacitor over its rating, where either is given."""
    name, rated = "capacitance_to_rated", sheet.visit.equipment.ratings.get("run_capacitance")
    found = sheet.reading("capacitance", ["blower"])
    if rated is None and found is None:
        return
    if rated is None or found is None:
        sheet.lack(name, "capacitance of the run capacitor" if found is None else "blower.run_capacitance")
        return
    sheet.attempt(
        name, "reading over the rated capacitance", (*found[1], "rating.run_capacitance"),
        lambda: ratio(found[0], rated),
    )  # fmt: skip


def derive_instruments(sheet: Worksheet) -> None:
    """Zero offset found, and time since calibration."""
    used = {reading.instrument for reading in sheet.readings}
    instruments = [use for use in sheet.visit.instruments if use.id in used]
    offsets = [(abs(use.zero_offset), use.id) for use in instruments if use.zero_offset is not None]
    if offsets:
        largest, key = max(offsets)
        sheet.record("zero_offset_found", Measured(largest), "as recorded with the zero check", (f"instrument.{key}",))
    dated = [(use.calibrated_on, use.id) for use in instruments if use.calibrated_on is not None]
    if not dated:
        return
    if sheet.visit.visited_at is None:
        sheet.lack("time_since_calibration", "visited_at")
        return
    ages = [((sheet.visit.visited_at.date() - day).total_seconds(), key) for day, key in dated]
    # A date after the visit is a mistake, and outweighs how old the others are.
    age, key = min(ages) if min(ages)[0] < 0.0 else max(ages)
    sheet.record("time_since_calibration", Measured(age), "visit date minus calibration date", (f"instrument.{key}",))
