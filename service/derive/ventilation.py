"""Outdoor air for the people of a house: what is required, what fans bring, and how much an exhaust may take."""

from __future__ import annotations

from service.derive.house_pressure import fan_flows
from service.derive.propagate import combine, propagate, ratio
from service.derive.worksheet import Worksheet
from service.model.quantity import Measured
from service.physics import ventilation


def derive_ventilation(sheet: Worksheet) -> None:
    """Required whole-house rate, infiltration credit, measured fans against it, largest exhaust."""
    if not sheet.of_kind("ventilation_airflow"):
        return
    provided = _provided(sheet)
    _largest(sheet)
    site = sheet.visit.site
    name = "ventilation_required"
    if site.floor_area is None or site.bedrooms is None:
        missing = [f"site.{n}" for n in ("floor_area", "bedrooms") if getattr(site, n) is None]
        sheet.lack(name, *missing)
        if provided is not None:
            sheet.lack("ventilation_to_required", *missing)
        return
    area, bedrooms = site.floor_area, site.bedrooms
    per_area, per_person = sheet.assumption("ventilation_per_area"), sheet.assumption("ventilation_per_person")
    total = sheet.attempt(
        name, "rate per floor area and per person, persons being bedrooms and one",
        ("site.floor_area", "site.bedrooms"),
        lambda: propagate(lambda a, p: ventilation.total_rate(area, bedrooms, a, p), per_area, per_person),
    )  # fmt: skip
    if total is None:
        return
    needed = _credited(sheet, total, area)
    if provided is None:
        sheet.lack("ventilation_to_required", "ventilation_airflow of the fans that run all the time")
    elif needed is not None:
        if needed.value <= 0.0:
            sheet.observations.add("ventilation.by_leaks_alone")
            return
        sheet.attempt(
            "ventilation_to_required", "what continuous fans bring over what fans must bring",
            ("ventilation_provided", "ventilation_required_of_fans"),
            lambda: _to_required(sheet, provided, needed, total),
        )  # fmt: skip


def _to_required(sheet: Worksheet, provided: Measured, needed: Measured, total: Measured) -> Measured:
    credit = sheet.get("infiltration_credit")
    if credit is None:
        return ratio(provided, needed)
    balanced = "ventilation.balanced" in sheet.observations
    # In one step, so that what is bent is seen whole.
    return propagate(lambda v, q, i: v / ventilation.required_fan_flow(q, i, balanced), provided, total, credit)


def _provided(sheet: Worksheet) -> Measured | None:
    """Outdoor air that the continuous fans bring: the larger of the two directions, since the lesser adds nothing."""
    sums: dict[str, Measured] = {}
    for direction in ("exhaust", "supply"):
        readings = fan_flows(sheet, direction, "continuous")
        if readings:
            keys = tuple(reading.key for reading in readings)
            total = combine(*((1.0, reading.measured) for reading in readings))
            sums[direction] = sheet.record(f"ventilation_{direction}", total, "sum of the continuous fans", keys)
    if not sums:
        return None
    if len(sums) == 2:
        larger, smaller = max(v.value for v in sums.values()), min(v.value for v in sums.values())
        margin = sheet.ruleset.assumptions["balanced_margin"].value
        sheet.observations.add(
            "ventilation.balanced" if smaller >= (1.0 - margin) * larger else "ventilation.unbalanced"
        )
    else:
        sheet.observations.add("ventilation.unbalanced")
    name, flow = max(sums.items(), key=lambda entry: entry[1].value)
    return sheet.record("ventilation_provided", flow, "larger of exhaust and supply", (f"ventilation_{name}",))


def _credited(sheet: Worksheet, total: Measured, area: float) -> Measured | None:
    """What is left for fans once infiltration is credited, where envelope test and the place's factor allow."""
    leakage, factor = sheet.get("normalized_leakage"), sheet.visit.site.weather_and_shielding_factor
    name = "ventilation_required_of_fans"
    if leakage is None or factor is None:
        sheet.observations.add("infiltration.not_credited")
        return sheet.record(name, total, "whole rate, without credit for infiltration", ("ventilation_required",))
    infiltration = sheet.attempt(
        "infiltration_credit", "normalized leakage, weather and shielding factor, floor area",
        ("normalized_leakage", "site.weather_and_shielding_factor", "site.floor_area"),
        lambda: propagate(lambda nl: ventilation.annual_infiltration(nl, factor, area), leakage),
    )  # fmt: skip
    if infiltration is None:
        return None
    balanced = "ventilation.balanced" in sheet.observations
    return sheet.attempt(
        name, "whole rate less the credit for infiltration", ("ventilation_required", "infiltration_credit"),
        lambda: propagate(lambda q, i: ventilation.required_fan_flow(q, i, balanced), total, infiltration),
    )  # fmt: skip


def _largest(sheet: Worksheet) -> None:
    exhausts = fan_flows(sheet, "exhaust")
    if not exhausts:
        return
    largest = max(exhausts, key=lambda reading: reading.measured.value)
    sheet.record("largest_exhaust", largest.measured, "reading", (largest.key,), subject=largest.location)
    if any(appliance.venting == "natural_draft" for appliance in sheet.visit.appliances):
        sheet.observations.add("appliance.natural_draft")
