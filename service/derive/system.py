"""What a context tells of blower and air path together, for projections."""

from __future__ import annotations

from service.derive.air import heat_sources
from service.derive.airflow import DROP_METHODS, airflow_without, blower_density, table_of
from service.derive.ducts import DEVICE_KINDS, carries_whole_side
from service.derive.propagate import combine, product, propagate
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.projection import AirSystem, Side, SystemPart
from service.model.quantity import Measured
from service.physics.air import AirState


def air_system(sheet: Worksheet) -> AirSystem:
    """The system as found; with `missing` where the readings do not tell it. The sheet has been worked out."""
    airflow, pressure = sheet.get("airflow"), sheet.get("external_static_pressure")
    density, at_blower = sheet.get("return_air_density"), blower_density(sheet)
    missing = [
        words
        for value, words in (
            (airflow, "any airflow method"),
            (pressure, "static_pressure on both sides of the rating boundary"),
            (density, "station_pressure reading or site elevation"),
        )
        if value is None
    ]
    if not sheet.blower_on:
        missing = ["a state with the blower on"]
    for value, words in ((airflow, "an airflow above zero"), (pressure, "an external static pressure above zero")):
        if value is not None and value.value <= 0.0:
            missing.append(words)
    if missing or airflow is None or pressure is None or density is None or at_blower is None:
        return AirSystem(sheet.state, sheet.area, tuple(missing) or ("station_pressure reading or site elevation",))
    outside, inside = _parts(sheet)
    known = combine(*((1.0, part.drop) for part in outside)) if outside else Measured(0.0)
    rest = combine((1.0, pressure), (-1.0, known))
    rounding = sheet.ruleset.assumptions["external_static_pressure_remainder"].value * pressure.value
    if rest.value < -rounding:
        return AirSystem(sheet.state, sheet.area, ("drops that do not exceed the external static pressure",))
    if rest.value > rounding:
        outside = [*outside, SystemPart("rest", "supply_duct", rest)]
    beside = airflow_without(sheet, "airflow_from_blower_table", *DROP_METHODS)
    equipment, ratings = sheet.visit.equipment, sheet.visit.equipment.ratings
    maximum, area = ratings.get("maximum_external_static_pressure"), ratings.get("filter_face_area")
    design = ratings.get("design_airflow")
    station = sheet.get("station_pressure")
    fixed_heat = {"heat_exchanger": "gas_input" in ratings, "electric_heater": "electric_heat_phases" in ratings}
    return AirSystem(
        state=sheet.state,
        area=sheet.area,
        airflow=airflow,
        density=density,
        blower_density=at_blower,
        external_static_pressure=pressure,
        power=sheet.get("blower_power"),
        parts=tuple(outside),
        inside=tuple(inside),
        blower_kind=equipment.blower_kind,
        table=table_of(sheet),
        tables=equipment.tables,
        maximum_pressure=None if maximum is None else maximum.value,
        filter_to_rated=sheet.get("filter_pressure_drop_to_rated"),
        filter_area=None if area is None else area.value,
        coil_to_rated=sheet.get("coil_pressure_drop_to_rated"),
        duct_runs=equipment.duct_runs,
        whole_runs=tuple(run.name for run in equipment.duct_runs if carries_whole_side(sheet, run)),
        station_pressure=None if station is None else station.value,
        temperature_rise=sheet.get("temperature_rise"),
        heat=any(fixed_heat.get(kind, False) for kind in heat_sources(sheet)),
        capacity=sheet.get("net_total_capacity"),
        performance=equipment.performance,
        wet_bulb=_wet_bulb(sheet),
        outdoor=sheet.get("outdoor_air_temperature"),
        airflow_beside_table=None if beside is None else beside.value,
        design_airflow=None if design is None else design.value,
        rise_range=_rise_range(sheet),
        speed_to_table=sheet.get("blower_speed_to_table"),
        leakage=_leakage(sheet, airflow),
        run_sizes={
            quantity.subject: quantity.value
            for quantity in sheet.quantities.values()
            if quantity.name == "duct_diameter_for_flow" and quantity.subject is not None
        },
    )


def _rise_range(sheet: Worksheet) -> tuple[float, float] | None:
    ratings = sheet.visit.equipment.ratings
    least, most = ratings.get("temperature_rise_minimum"), ratings.get("temperature_rise_maximum")
    return None if least is None or most is None else (least.value, most.value)


def _leakage(sheet: Worksheet, airflow: Measured) -> dict[Side, Measured]:
    """What each side loses or draws in: registers against the equipment, mixing of air, else the leakage test."""
    found: dict[Side, Measured] = {}
    operating = sheet.get("duct_leakage_operating")
    if operating is not None:
        split = sheet.assumption("supply_leakage_share")
        found["supply"] = product(operating, split)
        found["return"] = product(operating, combine((1.0, Measured(1.0)), (-1.0, split)))
    mixed = [
        quantity.measured for quantity in sheet.quantities.values() if quantity.name.startswith("return_leak_fraction_")
    ]
    if len(mixed) == 1:  # each place alone would explain the same warming, so two tell nothing
        found["return"] = product(airflow, mixed[0])
    sides: tuple[Side, ...] = ("supply", "return")
    for side in sides:
        reached = sheet.get(f"register_{side}_to_airflow")
        if reached is not None:
            found[side] = product(airflow, combine((1.0, Measured(1.0)), (-1.0, reached)))
    return found


def _parts(sheet: Worksheet) -> tuple[list[SystemPart], list[SystemPart]]:
    """Resistances outside the rating boundary with a drop of their own, and those inside it."""
    boxed = sheet.visit.equipment.inside
    devices: dict[str, SystemPart] = {}
    for element in sheet.path:
        if element.kind not in DEVICE_KINDS:
            continue
        drop = next(
            (
                quantity.measured
                for quantity in sheet.quantities.values()
                if quantity.name == f"{element.kind}_pressure_drop" and quantity.subject == element.name
            ),
            None,
        )
        if drop is not None and drop.value > 0.0:
            devices[element.name] = SystemPart(element.name, element.kind, drop)
    blower = sheet.index("blower") or 0
    outside: list[SystemPart] = []
    for side, elements in (("return", sheet.path[:blower]), ("supply", sheet.path[blower + 1 :])):
        own = [devices[e.name] for e in elements if e.name in devices and e.name not in boxed]
        total = sheet.get(f"{side}_duct_pressure_drop")
        if total is not None:
            # The ducts' drop counts zone dampers as ducts; one that was read apart is taken out again.
            apart = [part.drop for part in own if part.kind == "zone_damper"]
            ducts = combine((1.0, total), *((-1.0, drop) for drop in apart))
            if ducts.value > 0.0:
                own.append(SystemPart(side, f"{side}_duct", ducts))
        outside += own
    return outside, [part for name, part in devices.items() if name in boxed]


def _wet_bulb(sheet: Worksheet) -> Measured | None:
    """Wet bulb of the return air, as the performance table is entered with it."""
    temperature, humidity = sheet.get("return_air_temperature"), sheet.get("return_air_humidity_ratio")
    pressure = sheet.get("station_pressure")
    if temperature is None or humidity is None or pressure is None:
        return None
    try:
        return propagate(lambda t, w, p: AirState(t, w, p).wet_bulb, temperature, humidity, pressure)
    except OutOfRange:
        return None
