"""Every change alone, then all together, with the uncertainty of what is projected.

A projected change is less sure than the numbers behind it: the assumption `projected_change` widens it by a share of
itself, for the table's shape between its rows and the work's departure from its plan.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from service.errors import OutOfRange
from service.model.projection import (
    AirSystem,
    Change,
    ContextProjections,
    EnlargeDuct,
    FixDuctLeakage,
    NotProjected,
    OtherAir,
    PlannedChange,
    Projected,
    Projection,
)
from service.model.quantity import Measured
from service.model.ruleset import Ruleset
from service.physics import performance
from service.physics.air import STANDARD_AIR_DENSITY, specific_heat
from service.project.arrangement import Arrangement, Point, Refused, as_found, operating_point
from service.project.changes import applied, leakage_of, notes_of, run_flows
from service.project.spread import spread

ASSUMED = (
    "roughness_steel",
    "roughness_flexible",
    "roughness_glass",
    "return_grille_drop",
    "register_drop",
    "added_duct_velocity",
    "open_damper_share",
    "capacity_flow_exponent",
    "held_airflow_density_exponent",
    "branch_drop_share",
)
FIXED = ("house_humidity_ratio", "opening_exponent", "run_share_of_side")
"""Assumptions whose doubt moves nothing projected: 0.003 of humidity is 0.6 % of the blower's part of a rise."""
TOLERANCES = ("rated_pressure_drop", "fitting_length", "flexible_compression", "leakage_airflow")


def project(found: AirSystem, planned: Sequence[PlannedChange], rules: Ruleset) -> ContextProjections:
    """What each change, and all of them, would bring in one operating context."""
    inputs = inputs_of(found, rules) if not found.missing else {}
    each = [_one([entry], found, inputs, rules) for entry in planned]
    good = [
        entry for entry, result in zip(planned, each, strict=True) if entry.change is not None and result.quantities
    ]
    together = _one(good, found, inputs, rules) if len(good) > 1 else None
    return ContextProjections(found.state, found.area, tuple(each), together)


def inputs_of(found: AirSystem, rules: Ruleset) -> dict[str, Measured]:
    """Everything uncertain that a projection rests on, by name."""
    inputs = {
        "airflow": found.airflow,
        "density": found.density,
        "blower_density": found.blower_density,
        **{f"part.{part.name}": part.drop for part in (*found.parts, *found.inside)},
    }
    for kind in {"filter", "coil", *(part.kind for part in (*found.parts, *found.inside))}:
        entry = rules.elements[kind]
        inputs[f"exponent.{kind}"] = Measured(entry.exponent, {f"exponent.{kind}": entry.exponent_uncertainty})
    optional = {
        "power": found.power,
        "filter_to_rated": found.filter_to_rated,
        "coil_to_rated": found.coil_to_rated,
        "temperature_rise": found.temperature_rise,
        "capacity": found.capacity,
        "wet_bulb": found.wet_bulb,
        "outdoor": found.outdoor,
        "blower_speed_to_table": found.speed_to_table,
        **{f"leakage.{side}": entry for side, entry in found.leakage.items()},
    }
    inputs |= {name: entry for name, entry in optional.items() if entry is not None}
    for name in ASSUMED:
        assumed = rules.assumptions[name]
        inputs[name] = Measured(assumed.value, {f"assumption.{name}": assumed.uncertainty})
    inputs |= {name: Measured(rules.assumptions[name].value) for name in FIXED}
    for name in TOLERANCES:
        share = rules.assumptions[f"tolerance_{name}"].uncertainty
        inputs[f"tolerance.{name}"] = Measured(1.0, {f"projected.{name}": share})
    return inputs


def _one(
    planned: Sequence[PlannedChange], found: AirSystem, inputs: Mapping[str, Measured], rules: Ruleset
) -> Projection:
    indices, kinds = tuple(entry.index for entry in planned), tuple(entry.kind for entry in planned)

    def refused(reason: str, missing: Sequence[str]) -> Projection:
        entry = NotProjected("airflow", reason, tuple(missing))
        return Projection(indices, kinds, (), (), (entry,))

    if found.missing:
        return refused("The system as found is not known.", found.missing)
    changes: list[Change] = []
    for entry in planned:
        if entry.change is None:
            return refused("The change could not be read.", [f"{aside.detail} {aside.remedy}" for aside in entry.aside])
        changes.append(entry.change)
    quantities, notes, missing = outcome(changes, found, inputs, rules)
    return Projection(indices, kinds, quantities, notes, missing)


Outcome = tuple[tuple[Projected, ...], tuple[str, ...], tuple[NotProjected, ...]]
"""What is projected, what it takes for granted, and what could not be projected."""


def outcome(
    changes: Sequence[Change],
    found: AirSystem,
    inputs: Mapping[str, Measured],
    rules: Ruleset,
    *,
    both_ways: bool = True,
) -> Outcome:
    """What changes made together would bring to a system that is known, with its uncertainty.

    Slopes are taken over a step of every input both ways, or one way only, in half the time.
    """

    def refused(reason: str, missing: Sequence[str]) -> Outcome:
        return (), (), (NotProjected("airflow", reason, tuple(missing)),)

    values = {name: entry.value for name, entry in inputs.items()}
    missing: dict[str, NotProjected] = {}

    def results(numbers: Mapping[str, float], near: Point | None = None) -> dict[str, float]:
        missing.clear()
        before = as_found(found, numbers)
        state = before
        for change in changes:
            state = applied(change, state, found, numbers)
        met = operating_point(state, near)
        return _results(before, state, met, changes, found, numbers, missing)

    try:
        state = as_found(found, values)
        for change in changes:
            state = applied(change, state, found, values)
        met = operating_point(state)
        near = met if met.entry > 0.0 else None
        slopes = spread(lambda numbers: results(numbers, near), _needed(inputs, changes, found), both_ways)
        results(values)
    except Refused as refusal:
        return refused(refusal.reason, refusal.missing)
    except OutOfRange as error:
        return refused(f"A number of the change or of the system is out of range: {error.name.replace('_', ' ')}.", ())
    share = rules.assumptions["projected_change"].uncertainty
    quantities = []
    for name in [key.removeprefix("after.") for key in slopes if key.startswith("after.")]:
        before, after, difference = (slopes[f"{part}.{name}"] for part in ("before", "after", "change"))
        doubt = {"assumption.projected_change": difference.value * share}
        quantities.append(
            Projected(
                name,
                before,
                Measured(after.value, {**after.terms, **doubt}),
                Measured(difference.value, {**difference.terms, **doubt}),
            )
        )
    notes = [note for change in changes for note in notes_of(change, found)]
    return tuple(quantities), tuple(dict.fromkeys([*_anchored(found), *notes])), tuple(missing.values())


def _needed(inputs: Mapping[str, Measured], changes: Sequence[Change], found: AirSystem) -> Mapping[str, Measured]:
    """The inputs; every change reads its own few of the assumptions, and the others cost two solutions each for naught.

    A step that moves nothing leaves the terms unchanged, so only time is spared.
    """
    kinds = {type(change).__name__ for change in changes}
    idle: set[str] = set()
    if not kinds & {"AddDuct", "EnlargeDuct", "StretchFlexible"}:
        idle |= {"roughness_steel", "roughness_flexible", "roughness_glass", "return_grille_drop", "register_drop"}
        idle |= {"tolerance.fitting_length", "tolerance.flexible_compression"}
    if "AddDuct" not in kinds:
        idle.add("added_duct_velocity")
    if not kinds & {"EnlargeDuct", "StretchFlexible"}:
        idle.add("branch_drop_share")
    if "OpenDampers" not in kinds:
        idle.add("open_damper_share")
    if "FixDuctLeakage" not in kinds:
        idle |= {"tolerance.leakage_airflow", "leakage.return", "leakage.supply"}
    if "ReplaceFilter" not in kinds:
        idle.add("tolerance.rated_pressure_drop")
    boxed = {part.kind for part in found.inside}
    if "filter" not in boxed and "ReplaceFilter" not in kinds:
        idle.add("filter_to_rated")
    if "coil" not in boxed and "CleanCoil" not in kinds:
        idle.add("coil_to_rated")
    if "OtherAir" not in kinds:
        idle.add("held_airflow_density_exponent")
    if found.capacity is None or found.performance:
        idle.add("capacity_flow_exponent")
    return {name: Measured(entry.value) if name in idle else entry for name, entry in inputs.items()}


def _anchored(found: AirSystem) -> list[str]:
    if found.table is None:
        return [] if found.power is None else ["The blower's overall efficiency is taken as unchanged."]
    return [
        "The blower table's airflow is scaled so that its curve passes through the point as found; its power likewise."
    ]


def _results(
    before: Arrangement,
    state: Arrangement,
    met: Point,
    changes: Sequence[Change],
    found: AirSystem,
    numbers: Mapping[str, float],
    missing: dict[str, NotProjected],
) -> dict[str, float]:
    """Every quantity before and after, as numbers."""
    airflow = numbers["airflow"]
    ratio = met.flow / before.flow
    density = numbers["density"] * state.density / before.density
    pairs: dict[str, tuple[float, float]] = {
        "airflow": (airflow, airflow * ratio),
        "external_static_pressure": (before.pressure, met.pressure),
    }
    powers = None
    if met.power is None:
        missing["blower_power"] = NotProjected(
            "blower_power", "The blower's power is not known.", ("blower.settings with power",)
        )
    elif before.power is None and state.as_printed:
        missing["blower_power"] = NotProjected(
            "blower_power", "The blower's power as found was not read.", ("electric_power of the blower",)
        )
    elif before.power is None and found.table is not None:
        now = operating_point(before).power
        powers = None if now is None else (now, met.power)
    elif before.power is not None:
        powers = (before.power, met.power)
    if powers is not None:
        pairs["blower_power"] = powers
        pairs["power_per_airflow"] = (powers[0] / airflow, powers[1] / (airflow * ratio))
    mass = ratio * density / numbers["density"]
    _rise(pairs, powers, mass, found, numbers, missing)
    _capacity(pairs, mass, changes, found, numbers, missing)
    for side, name in (("supply", "delivered_airflow"), ("return", "drawn_airflow")):
        sealed = [change for change in changes if isinstance(change, FixDuctLeakage) and change.side == side]
        if sealed:
            pairs[name] = (airflow - sum(leakage_of(change, numbers) for change in sealed), airflow * ratio)
    widened = [change.run for change in changes if isinstance(change, EnlargeDuct)]
    if len(widened) == 1:
        flows = run_flows(widened[0], found, before, state, met.flow, numbers)
        if flows is not None:
            pairs["duct_run_airflow"] = (flows[0] * airflow / before.flow, flows[1] * airflow / before.flow)
    flat: dict[str, float] = {}
    for name, (one, other) in pairs.items():
        flat[f"before.{name}"], flat[f"after.{name}"], flat[f"change.{name}"] = one, other, other - one
    return flat


def _rise(
    pairs: dict[str, tuple[float, float]],
    powers: tuple[float, float] | None,
    mass: float,
    found: AirSystem,
    numbers: Mapping[str, float],
    missing: dict[str, NotProjected],
) -> None:
    """Temperature rise at the same heat: it goes with the inverse of mass flow, the blower's heat added."""
    if found.temperature_rise is None:
        return
    if not found.heat:
        missing["temperature_rise"] = NotProjected(
            "temperature_rise", "The heat of a heat pump changes with the airflow.", ("gas_heat or electric_heat",)
        )
        return
    rise = numbers["temperature_rise"]
    more = 0.0
    if powers is not None:
        humidity = numbers["house_humidity_ratio"]
        flow = numbers["airflow"] * numbers["density"] / (1.0 + humidity)
        more = (powers[1] - powers[0]) / (flow * specific_heat(humidity))
    pairs["temperature_rise"] = (rise, (rise + more) / mass)


def _capacity(
    pairs: dict[str, tuple[float, float]],
    mass: float,
    changes: Sequence[Change],
    found: AirSystem,
    numbers: Mapping[str, float],
    missing: dict[str, NotProjected],
) -> None:
    """Net total capacity at another airflow: as the performance table goes, else by a weak power of the flow."""
    if found.capacity is None:
        return
    name, capacity = "net_total_capacity", numbers["capacity"]
    if found.performance and found.wet_bulb is not None and found.outdoor is not None:
        rows = [
            performance.PerformancePoint(row.return_wet_bulb, row.outdoor_temperature, row.airflow, row.total)
            for row in found.performance
        ]
        standard = numbers["airflow"] * numbers["density"] / STANDARD_AIR_DENSITY
        try:
            at = [
                performance.capacity_at(rows, numbers["wet_bulb"], numbers["outdoor"], flow)
                for flow in (standard, standard * mass)
            ]
        except OutOfRange as error:
            missing[name] = NotProjected(
                name,
                "The performance table does not reach there; nothing is extrapolated.",
                (f"cooling_performance with rows around the {error.name.replace('_', ' ')}",),
            )
            return
        pairs[name] = (capacity, capacity * at[1] / at[0])
        return
    if any(isinstance(change, OtherAir) for change in changes):
        missing[name] = NotProjected(
            name,
            "Other air changes the mass flow over the coil and the outdoor unit; only a performance table tells how "
            "capacity goes with it.",
            ("cooling_performance with return wet bulb and outdoor temperature read",),
        )
        return
    pairs[name] = (capacity, capacity * float(mass ** numbers["capacity_flow_exponent"]))
