"""Duct runs as the visit describes them: friction and velocity at the design flow, the pressure there is for them, and
the size that would serve.

A run's flow is its design airflow, as actual air at the site; a run alone on its side carries the whole airflow. To
size ducts the blower table is taken as printed: how far this blower departs from it is judged elsewhere.
"""

from __future__ import annotations

import math
from contextlib import suppress

from service.derive.airflow import blower_density, fan_table, table_of
from service.derive.propagate import combine, propagate, ratio, with_tolerance
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.visit import DuctRun
from service.physics import blower as fan
from service.physics import duct, resistance

DEVICE_KINDS = ("filter", "coil", "heat_exchanger", "electric_heater", "accessory", "zone_damper")
ROUGHNESS = {
    "galvanized_steel": "roughness_steel",
    "flexible": "roughness_flexible",
    "fibrous_glass": "roughness_glass",
}


def derive_ducts(sheet: Worksheet) -> None:
    """What each run of duct does, and what it could be given."""
    runs = sheet.visit.equipment.duct_runs
    if not runs:
        return
    if sheet.whole_house:
        for run in runs:
            _size(sheet, run)
        return
    rate = _friction_rate(sheet, runs)
    for run in runs:
        _run(sheet, run, rate)


def diameter_of(run: DuctRun) -> float:
    """Diameter that counts for friction, m."""
    if run.diameter is not None:
        return run.diameter
    assert run.width is not None
    assert run.height is not None
    return duct.equivalent_diameter(run.width, run.height)


def area_of(run: DuctRun) -> float:
    """Area of the section, m2."""
    if run.diameter is not None:
        return 0.25 * math.pi * run.diameter * run.diameter
    assert run.width is not None
    assert run.height is not None
    return run.width * run.height


def roughness_of(sheet: Worksheet, run: DuctRun) -> Measured:
    """Roughness of the run's material with its doubt, m."""
    return sheet.assumption(ROUGHNESS[run.material])


def effective_length(sheet: Worksheet, run: DuctRun) -> Measured:
    """Length with the fittings' equivalent length and its doubt, m."""
    fittings = run.fittings_equivalent_length
    told = with_tolerance(Measured(fittings), f"fittings.{run.name}", sheet.tolerance("fitting_length"))
    return combine((1.0, Measured(run.length)), (1.0, told))


def compression_factor(sheet: Worksheet, run: DuctRun) -> Measured | None:
    """How many times the stretched duct's loss a flexible run has.

    Raises
    ------
    OutOfRange : the run's diameter or compression lies outside the tests
    """
    if run.material != "flexible" or run.compression == 0.0:
        return None
    factor = duct.flexible_compression_factor(run.compression, diameter_of(run))
    added = with_tolerance(
        Measured(factor - 1.0), "model.flexible_compression", sheet.tolerance("flexible_compression")
    )
    return combine((1.0, Measured(1.0)), (1.0, added))


def flow_of(sheet: Worksheet, run: DuctRun) -> tuple[Measured, str] | None:
    """Flow that the run is looked at with, and where it comes from."""
    if run.design_airflow is not None:
        return Measured(run.design_airflow), f"duct_run.{run.name}"
    alone = sum(other.side == run.side for other in sheet.visit.equipment.duct_runs) == 1
    airflow = sheet.get("airflow")
    return (airflow, "airflow") if alone and airflow is not None else None


def carries_whole_side(sheet: Worksheet, run: DuctRun) -> bool:
    """Whether a run carries all the air of its side: it is alone there, or its design airflow is nearly all of it."""
    if sum(other.side == run.side for other in sheet.visit.equipment.duct_runs) == 1:
        return True
    whole = sheet.visit.equipment.ratings.get("design_airflow") or sheet.get("airflow")
    if run.design_airflow is None or whole is None:
        return False
    return run.design_airflow >= sheet.ruleset.assumptions["whole_side_share"].value * whole.value


def _size(sheet: Worksheet, run: DuctRun) -> tuple[Measured, str] | None:
    """What needs no state of the air: equivalent diameter and velocity. Gives the flow, where it is known."""
    subject = run.name
    if run.diameter is None:
        sheet.attempt(
            "duct_equivalent_diameter",
            "round duct of the same loss at the same flow (Huebscher)",
            (f"duct_run.{subject}",),
            lambda: Measured(diameter_of(run)),
            subject,
        )
    found = flow_of(sheet, run)
    if found is not None:
        flow, origin = found
        area = area_of(run)
        sheet.attempt(
            f"{run.side}_run_velocity",
            "flow over the section",
            (origin, f"duct_run.{subject}"),
            lambda: propagate(lambda q: q / area, flow),
            subject,
        )
    return found


def _run(sheet: Worksheet, run: DuctRun, rate: Measured | None) -> None:
    subject, density = run.name, sheet.get("return_air_density")
    found = _size(sheet, run)
    if found is None:
        for name in (f"{run.side}_run_velocity", "duct_run_friction", "duct_run_loss"):
            sheet.lack(name, f"design_airflow of the duct run {subject}")
        return
    flow, origin = found
    if density is None:
        for name in ("duct_run_friction", "duct_run_loss"):
            sheet.lack(name, "station_pressure reading or site elevation")
        return
    try:
        factor = compression_factor(sheet, run)
    except OutOfRange as error:
        for name in ("duct_compression_factor", "duct_run_friction", "duct_run_loss"):
            sheet.lack(name, f"a flexible duct within what was tested ({error.name.replace('_', ' ')} is not)")
        sheet.observations.add("flexible_duct.untested")
        return
    if factor is not None:
        sheet.record(
            "duct_compression_factor",
            factor,
            "loss over that of the duct fully stretched, by its compression",
            (f"duct_run.{subject}",),
            subject,
        )
    times = factor or Measured(1.0)
    rough = roughness_of(sheet, run)
    diameter = diameter_of(run)

    def friction() -> Measured:
        return propagate(
            lambda q, e, k, rho: k * duct.loss_per_length(q, diameter, e, rho), flow, rough, times, density
        )

    inputs = (origin, f"duct_run.{subject}", "return_air_density")
    gradient = sheet.attempt(
        "duct_run_friction", "Darcy-Weisbach with Colebrook's friction factor at the site's density", inputs, friction,
        subject,
    )  # fmt: skip
    if gradient is None:
        return
    length = effective_length(sheet, run)
    sheet.attempt(
        "duct_run_loss",
        "friction times length, fittings as equivalent length",
        ("duct_run_friction", f"duct_run.{subject}"),
        lambda: propagate(lambda g, m: g * m, gradient, length),
        subject,
    )
    if rate is None or rate.value <= 0.0:
        sheet.lack("duct_run_friction_to_available", "a friction rate that the ducts may use")
        return
    sheet.attempt(
        "duct_run_friction_to_available",
        "friction over the rate that the longest way may use",
        ("duct_run_friction", "available_friction_rate"),
        lambda: ratio(gradient, rate),
        subject,
    )
    sheet.attempt(
        "duct_diameter_for_flow",
        "round duct of the same make that would have the friction rate at this flow",
        (origin, "available_friction_rate", "return_air_density"),
        lambda: propagate(
            lambda q, r, e, k, rho: duct.diameter_for_flow(q, r / k, e, rho), flow, rate, rough, times, density
        ),
        subject,
    )


def _friction_rate(sheet: Worksheet, runs: tuple[DuctRun, ...]) -> Measured | None:
    name = "available_friction_rate"
    available = _available(sheet)
    if available is None:
        sheet.lack(name, *sheet.lacking.get("available_static_pressure", ()))
        return None
    way: list[Measured] = []
    for side in ("return", "supply"):
        here = [run for run in runs if run.side == side]
        if not here:
            sheet.lack(name, f"duct_runs of the {side} side")
            return None
        trunks = [run for run in here if carries_whole_side(sheet, run)]
        branches = [effective_length(sheet, run) for run in here if run not in trunks]
        way += [effective_length(sheet, run) for run in trunks]
        way += [max(branches, key=lambda length: length.value)] if branches else []
    total = combine(*((1.0, length) for length in way))
    sheet.record(
        "total_effective_length",
        total,
        "longest way on either side: runs that carry the whole side one after another, then the longest of the others; "
        "fittings as equivalent length",
        ("duct_runs",),
    )
    return sheet.attempt(
        name,
        "available static pressure over total effective length",
        ("available_static_pressure", "total_effective_length"),
        lambda: ratio(available, total),
    )


def _available(sheet: Worksheet) -> Measured | None:
    """What is left for the ducts at the design airflow."""
    name = "available_static_pressure"
    design = sheet.visit.equipment.ratings.get("design_airflow")
    if design is None:
        sheet.lack(name, "design_airflow")
        return None
    found = _budget(sheet, design)
    if found is None:
        sheet.lack(name, "blower.settings that reach the design airflow, or rated_maximum_external_static_pressure")
        return None
    budget, origin, words = found
    parts: list[tuple[float, Measured]] = [(1.0, budget)]
    inputs, missing = [origin, "rating.design_airflow"], []
    inside = sheet.visit.equipment.inside
    for element in sheet.path:
        if element.kind not in DEVICE_KINDS or element.name in inside:
            continue
        drop = _device(sheet, element.kind, element.name, design)
        if drop is None:
            missing.append(f"static_pressure before and after the {element.kind.replace('_', ' ')}, or its rated drop")
        else:
            parts.append((-1.0, drop))
            inputs.append(f"{element.kind}_pressure_drop")
    if missing:
        sheet.lack(name, *missing)
        return None
    for kind in ("return_grille", "register"):
        if sheet.index(kind) is not None:
            parts.append((-1.0, sheet.assumption(f"{kind}_drop")))
            inputs.append(f"assumption.{kind}_drop")
    return sheet.record(name, combine(*parts), f"{words}, less filter, coil and other parts at that flow", inputs)


def _budget(sheet: Worksheet, design: Measured) -> tuple[Measured, str, str] | None:
    """External static pressure at the design airflow: by the blower table, else the rated maximum."""
    equipment, table, density = sheet.visit.equipment, table_of(sheet), blower_density(sheet)
    if table is not None and density is not None:
        rows = fan_table(table)
        held = equipment.blower_kind == "constant_torque"
        read = fan.pressure_at_held_torque if held else fan.pressure_at_flow
        with suppress(OutOfRange):
            pressure = propagate(lambda q, rho: read(rows, q, rho), design, density)
            words = "what the blower table, as printed, gives at the design airflow"
            return pressure, f"blower_table.{table.setting}", words
    rated = equipment.ratings.get("maximum_external_static_pressure")
    if rated is None:
        return None
    return rated, "rating.maximum_external_static_pressure", "the rated maximum external static pressure"


def _carried(drop: float, flow: float, wanted: float, exponent: float) -> float:
    """A drop (Pa) at one flow carried to another by the power law of its part."""
    if flow <= 0.0 or wanted <= 0.0:
        raise OutOfRange("flow", min(flow, wanted), 0.0, math.inf)
    return float(drop * (wanted / flow) ** exponent)


def _device(sheet: Worksheet, kind: str, name: str, design: Measured) -> Measured | None:
    """Drop of a part at the design airflow: the measured one carried there, else the rated one."""
    exponent = sheet.exponent(kind)
    flow = sheet.get("airflow")
    drop = next(
        (
            quantity.measured
            for quantity in sheet.quantities.values()
            if quantity.name == f"{kind}_pressure_drop" and quantity.subject == name
        ),
        None,
    )
    if drop is not None and flow is not None and drop.value > 0.0 and flow.value > 0.0:
        return propagate(_carried, drop, flow, design, exponent)
    density, equipment = sheet.get("return_air_density"), sheet.visit.equipment
    wet = "coil_surface.wet" in sheet.observations
    rating = {
        "filter": equipment.filter_rating,
        "coil": equipment.coil_rating_wet if wet else equipment.coil_rating_dry,
    }.get(kind)
    if rating is None or density is None:
        return None
    rated = propagate(
        lambda q, n, rho: resistance.drop_at_flow(rating.drop, rating.flow, q, n, rho, rating.density),
        design, exponent, density,
    )  # fmt: skip
    return with_tolerance(rated, f"rating.{kind}_pressure_drop", sheet.tolerance("rated_pressure_drop"))
