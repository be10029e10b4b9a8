"""Leakage of ducts and envelope: the power law of a test carried to standard air, and what follows from it.

A test fan's gauge shows flow as if standard air passed the fan. Three steps carry that to the leak: the fan's own
density correction, the mass balance between fan and leaks, and the air's density and viscosity in the leak. All
results are for standard air, so that tests of different days and elevations compare.
"""

from __future__ import annotations

from functools import cache
from math import exp, inf, log

import msgspec

from service.derive.air import return_stations
from service.derive.pressure import PressureNetwork, gap
from service.derive.propagate import propagate, ratio, with_error
from service.derive.surroundings import Surrounding, indoor_air, outdoor_air, site_pressure
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.visit import AMBIENT, LeakageTest
from service.physics import domain, leakage
from service.physics.air import CELSIUS_ZERO, STANDARD_AIR_DENSITY
from service.physics.uncertainty import coverage_factor

DUCT_PRESSURE = 25.0
"""Pa, test pressure that the flow of a duct test is told at (ANSI/RESNET/ICC 380)."""
ENVELOPE_PRESSURE = 50.0
"""Pa, test pressure that the flow of an envelope test is told at (ANSI/RESNET/ICC 380, ASTM E779)."""
STANDARD_TEMPERATURE = CELSIUS_ZERO + 20.0
"""K, of standard air."""
LEAK_PLACES = ("attic", "garage", "crawl_space", "basement")
"""Places that a leaking return may draw air from."""
AT_THE_EQUIPMENT = (
    "airflow_measured",
    "airflow_from_traverse",
    "airflow_from_temperature_rise",
    "airflow_from_blower_table",
)
"""Airflow methods that know nothing of the registers, the surest first."""


class Law(msgspec.Struct, frozen=True):
    """Power law of one test as shown by the fan: logarithm of the coefficient (m3/s at 1 Pa), exponent."""

    log_coefficient: Measured
    exponent: Measured
    fitted: bool
    method: str


class Air(msgspec.Struct, frozen=True):
    """Air through the fan and through the leaks, and the temperature of the latter."""

    fan: Measured
    leak: Measured
    leak_temperature: Measured
    inputs: tuple[str, ...]
    words: str


def derive_leakage(sheet: Worksheet) -> None:
    """Duct tests, envelope tests, return leak fraction, and registers against the blower."""
    for test in sheet.leakage_tests("duct"):
        _duct(sheet, test)
    for test in sorted(sheet.leakage_tests("envelope"), key=lambda test: test.kind):
        _envelope(sheet, test)
    total, outside = sheet.get("duct_leakage_total"), sheet.get("duct_leakage_to_outside")
    if total is not None and outside is not None:
        sheet.attempt(
            "duct_leakage_outside_to_total", "leakage to outside over total leakage",
            ("duct_leakage_to_outside", "duct_leakage_total"), lambda: ratio(outside, total),
        )  # fmt: skip
    if sheet.blower_on:
        _operating(sheet)
        _return_leak(sheet)
        _registers(sheet)


# Tests -----------------------------------------------------------------------------------------------------------


def law_of(sheet: Worksheet, test: LeakageTest, pressure: float) -> Law:
    """The power law behind the points: fitted through three or more that lie far enough apart, else through the point
    nearest to `pressure` with the usual exponent. Worked out once for all operating states.

    Raises
    ------
    OutOfRange : the points allow no law
    """
    key = ("leakage law", test.key, str(pressure))
    if key not in sheet.shared:
        sheet.shared[key] = _law_of(sheet, test, pressure)
    law: Law = sheet.shared[key]
    return law


def _law_of(sheet: Worksheet, test: LeakageTest, pressure: float) -> Law:
    pressures = [point[0] for point in test.points]
    flows = [point[1] for point in test.points]
    count = len(test.points)
    lowest, highest = min(p.value for p in pressures), max(p.value for p in pressures)
    if count >= 3 and highest >= lowest * sheet.ruleset.assumptions["leakage_pressure_span"].value:

        @cache  # The exponent and the coefficient ask for the same lines.
        def fitted(*values: float) -> leakage.LeakageFit:
            return leakage.fit(values[:count], values[count:])

        line = fitted(*(entry.value for entry in (*pressures, *flows)))
        exponent = propagate(lambda *v: fitted(*v).exponent, *pressures, *flows)
        level = propagate(lambda *v: log(fitted(*v).coefficient), *pressures, *flows)
        # Scatter about the line: its level and its slope err independently (least squares), and few points
        # tell their scatter badly, so it is widened as Student's t is against the normal distribution.
        confidence = sheet.ruleset.assumptions["leakage_fit_confidence"].value
        widening = coverage_factor(confidence, line.degrees_of_freedom) / coverage_factor(confidence)
        slope = line.exponent_variance**0.5
        lever = line.covariance / slope if slope > 0.0 else 0.0
        rest = max(line.log_coefficient_variance - lever * lever, 0.0) ** 0.5
        level = with_error(
            with_error(level, f"{test.key}.slope", widening * lever), f"{test.key}.level", widening * rest
        )
        return Law(
            level,
            with_error(exponent, f"{test.key}.slope", widening * slope),
            True,
            f"power law through {count} points",
        )
    nearest = min(test.points, key=lambda point: abs(_log(point[0].value / pressure)))
    assumed = sheet.assumption(f"leakage_exponent_{test.subject}")
    level = propagate(lambda p, q, n: _log(leakage.coefficient_from_point(q, p, n)), *nearest, assumed)
    return Law(level, assumed, False, "one point with the usual exponent")


def _log(number: float) -> float:
    """Natural logarithm; a number that vanished in rounding has none."""
    if number <= 0.0:
        raise OutOfRange("coefficient", number, 0.0, inf)
    return log(number)


def standard_coefficient(level: float, exponent: float, fan: float, leak: float, temperature: float) -> float:
    """Leakage coefficient (m3/s at 1 Pa) for standard air from what the fan showed.

    Raises
    ------
    OutOfRange : a number outside its range
    """
    if not -700.0 <= level <= 700.0:
        raise OutOfRange("coefficient", level, -700.0, 700.0)
    shown = leakage.fan_flow_from_indicated(exp(level), fan, STANDARD_AIR_DENSITY)
    through = shown * fan / leak
    return leakage.coefficient_for_air(
        through, exponent, leak, leakage.viscosity(temperature),
        STANDARD_AIR_DENSITY, leakage.viscosity(STANDARD_TEMPERATURE),
    )  # fmt: skip


def _flow(law: Law, air: Air, pressure: float) -> Measured:
    def at(level: float, exponent: float, fan: float, leak: float, temperature: float) -> float:
        coefficient = standard_coefficient(level, exponent, fan, leak, temperature)
        return leakage.leakage_flow(coefficient, exponent, pressure)

    return propagate(at, law.log_coefficient, law.exponent, air.fan, air.leak, air.leak_temperature)


def _words(*sides: Surrounding) -> str:
    return "air of the day assumed" if any(side.assumed for side in sides) else "carried to standard air"


def _law_and_air(sheet: Worksheet, name: str, test: LeakageTest, pressure: float) -> tuple[Law, Air] | None:
    try:
        law = law_of(sheet, test, pressure)
        whole = test.state is None
        indoor = indoor_air(sheet, of_visit=whole)
        if test.subject == "duct":
            air = Air(indoor.density, indoor.density, indoor.temperature, indoor.inputs, _words(indoor))
        else:
            outdoor = outdoor_air(sheet, of_visit=whole)
            fan, leak = (indoor, outdoor) if test.kind == "depressurization" else (outdoor, indoor)
            inputs = (*indoor.inputs, *outdoor.inputs)
            air = Air(fan.density, leak.density, leak.temperature, inputs, _words(indoor, outdoor))
    except OutOfRange as error:
        sheet.lack(name, f"test points that can be true together ({error.name.replace('_', ' ')} is out of range)")
        return None
    if "assumed" in air.words or site_pressure(sheet, of_visit=whole) is None:
        sheet.see("leakage_air.assumed", test.state)
    return law, air


def _duct(sheet: Worksheet, test: LeakageTest) -> None:
    name = "duct_leakage_total" if test.kind == "total" else "duct_leakage_to_outside"
    found = _law_and_air(sheet, name, test, DUCT_PRESSURE)
    if found is None:
        return
    law, air = found
    inputs = (test.key, *air.inputs)
    sheet.record("duct_leakage_exponent", law.exponent, law.method, inputs, subject=name)
    if not law.fitted:
        sheet.see("leakage_exponent.assumed", test.state)
    method = f"{law.method}, {air.words}"
    flow = sheet.attempt(name, method, inputs, lambda: _flow(law, air, DUCT_PRESSURE), subject=test.key)
    if flow is None:
        return
    sheet.attempt("duct_leakage_coefficient", method, inputs, lambda: _flow(law, air, 1.0), subject=name)
    area = sheet.visit.site.floor_area
    per_area = f"{name}_per_floor_area"
    if area is None:
        sheet.lack(per_area, "site.floor_area")
    else:
        sheet.attempt(
            per_area, "flow over floor area", (name, "site.floor_area"),
            lambda: ratio(flow, Measured(area)), subject=test.key,
        )  # fmt: skip
    if not sheet.blower_on:
        return
    blown, whose = sheet.get("standard_airflow"), "standard_airflow"
    share = f"{name}_to_airflow"
    if blown is None:
        sheet.lack(share, "any airflow method")
        return
    sheet.attempt(
        share, "flow over the airflow of the equipment", (name, whose),
        lambda: ratio(flow, blown), subject=test.key,
    )  # fmt: skip


def _envelope(sheet: Worksheet, test: LeakageTest) -> None:
    name = "envelope_leakage"
    found = _law_and_air(sheet, name, test, ENVELOPE_PRESSURE)
    if found is None:
        return
    law, air = found
    inputs, subject, method = (test.key, *air.inputs), test.kind, f"{law.method}, {air.words}"
    sheet.record("envelope_leakage_exponent", law.exponent, law.method, inputs, subject=subject)
    if not law.fitted:
        sheet.see("leakage_exponent.assumed", test.state)
    flow = sheet.attempt(name, method, inputs, lambda: _flow(law, air, ENVELOPE_PRESSURE), subject=subject)
    if flow is None:
        return
    sheet.attempt("envelope_leakage_coefficient", method, inputs, lambda: _flow(law, air, 1.0), subject=subject)
    pressure, discharge = leakage.EFFECTIVE_LEAKAGE
    area = sheet.attempt(
        "effective_leakage_area", "opening that leaks as much at 4 Pa with a discharge coefficient of 1", inputs,
        lambda: propagate(
            lambda q: leakage.leakage_area(q, pressure, STANDARD_AIR_DENSITY, discharge), _flow(law, air, pressure)
        ),
        subject=subject,
    )  # fmt: skip
    site = sheet.visit.site
    if site.volume is None:
        sheet.lack("envelope_air_changes", "site.volume")
    else:
        volume = site.volume
        sheet.attempt(
            "envelope_air_changes", "flow at 50 Pa over the volume", (name, "site.volume"),
            lambda: propagate(lambda q: leakage.air_changes(q, volume), flow), subject=subject,
        )  # fmt: skip
    if site.floor_area is None or site.height is None:
        sheet.lack("normalized_leakage", *(f"site.{n}" for n in ("floor_area", "height") if getattr(site, n) is None))
    elif area is not None:
        floor, height = site.floor_area, site.height
        sheet.attempt(
            "normalized_leakage", "effective leakage area over floor area, for one storey",
            ("effective_leakage_area", "site.floor_area", "site.height"),
            lambda: propagate(
                lambda a: leakage.normalized_leakage(leakage.specific_leakage_area(a, floor), height), area
            ),
            subject=subject,
        )  # fmt: skip


# In operation ----------------------------------------------------------------------------------------------------


def _operating(sheet: Worksheet) -> None:
    """Leakage of the running system: the test's law at the mean pressure of each side's ducts."""
    for tested in ("duct_leakage_to_outside", "duct_leakage_total"):
        if tested in sheet.quantities:
            break
    else:
        return
    name = "duct_leakage_operating"
    test = next(t for t in sheet.leakage_tests("duct") if (t.kind == "total") == (tested == "duct_leakage_total"))
    network, sides = PressureNetwork(sheet.readings, sheet.ruleset.assumptions), []
    for kind, step in (("return_duct", 1), ("supply_duct", 0)):
        place = sheet.index(kind)
        rise = None if place is None else network.rise(AMBIENT, gap(sheet, place + step))
        sides.append(rise if rise is not None and rise.keys else None)
    entering, leaving = sides
    if entering is None or leaving is None:
        sheet.lack(name, "static_pressure at the return plenum and at the supply plenum")
        return
    share, split = sheet.assumption("duct_pressure_share"), sheet.assumption("supply_leakage_share")

    def operating() -> Measured:
        law = law_of(sheet, test, DUCT_PRESSURE)
        indoor = indoor_air(sheet)
        at_25 = sheet.quantities[tested].measured

        def flow(q: float, n: float, back: float, front: float, part: float, supply: float, density: float) -> float:
            domain.positive("density", density)
            here = q * float((STANDARD_AIR_DENSITY / density) ** (1.0 - n))
            return here * (
                supply * leakage.flow_at_other_pressure(1.0, DUCT_PRESSURE, part * abs(front), n)
                + (1.0 - supply) * leakage.flow_at_other_pressure(1.0, DUCT_PRESSURE, part * abs(back), n)
            )

        return propagate(flow, at_25, law.exponent, entering.measured, leaving.measured, share, split, indoor.density)

    flow = sheet.attempt(
        name, "leakage test at half the plenum pressures, half of it on either side",
        (tested, *entering.keys, *leaving.keys), operating,
    )  # fmt: skip
    airflow = sheet.get("airflow")
    if flow is not None and airflow is not None:
        sheet.attempt(
            "duct_leakage_operating_to_airflow", "leakage in operation over the airflow of the equipment",
            (name, "airflow"), lambda: ratio(flow, airflow),
        )  # fmt: skip


def _return_leak(sheet: Worksheet) -> None:
    """Share of air from an attic, garage or crawl space in the return, from how much it warms or cools the air."""
    places = [place for place in LEAK_PLACES if sheet.reading("dry_bulb_temperature", [place]) is not None]
    if not places:
        return
    room = sheet.reading("dry_bulb_temperature", ["indoor"])
    stations = [station for station in return_stations(sheet) if station not in (AMBIENT, "indoor")]
    at_plenum = sheet.reading("dry_bulb_temperature", stations)
    mixed = None if at_plenum is None else sheet.get("return_air_temperature")
    for place in places:
        name = f"return_leak_fraction_{place}"
        leak = sheet.reading("dry_bulb_temperature", [place])
        if room is None or mixed is None or leak is None:
            sheet.lack(name, "dry_bulb_temperature indoors and at the return plenum")
            continue
        main, other, keys = room[0], leak[0], (*room[1], *leak[1])
        sheet.attempt(
            name, "warming of the air between room and return plenum over that to the other air",
            ("return_air_temperature", *keys),
            lambda main=main, other=other, mixed=mixed: propagate(  # type: ignore[misc]
                leakage.mixing_fraction, mixed, main, other
            ),
        )  # fmt: skip


def _registers(sheet: Worksheet) -> None:
    """Sum of the registers against what the blower moves by a method of its own, one side at a time.

    The best estimate of the airflow will not do: the sum of the registers has a part in it.
    """
    independent = next((name for name in AT_THE_EQUIPMENT if name in sheet.quantities), None)
    for side in ("supply", "return"):
        total, name = sheet.get(f"register_airflow_{side}"), f"register_{side}_to_airflow"
        if total is None:
            continue
        if independent is None:
            sheet.lack(name, "an airflow method at the equipment")
            continue
        part, whole = total, sheet.quantities[independent].measured
        sheet.attempt(
            name, "sum of the registers over the airflow at the equipment",
            (f"register_airflow_{side}", independent),
            lambda part=part, whole=whole: ratio(part, whole),  # type: ignore[misc]
        )  # fmt: skip
