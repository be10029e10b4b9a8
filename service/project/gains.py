"""What mending a cause would bring: each fix of the rules as changes to the system, projected like any other.

A part that is sound already gains nothing: a fix never makes a part worse than it was found.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec

from service.errors import OutOfRange
from service.model.projection import (
    AirSystem,
    Change,
    CleanCoil,
    EnlargeDuct,
    FixDuctLeakage,
    Gain,
    Gained,
    LowerDrop,
    NotProjected,
    OpenDampers,
    Projected,
    ReplaceFilter,
    SpeedSetting,
    StandToTable,
    StretchFlexible,
)
from service.model.quantity import Measured
from service.model.ruleset import Fix, Ruleset
from service.model.visit import BlowerTable
from service.project.arrangement import Refused, as_found, operating_point
from service.project.changes import applied, diameter_of
from service.project.plan import inputs_of, outcome

KEYS = ("delivered_airflow", "drawn_airflow", "airflow")
"""What a gain is ordered by: the first of these that was projected."""


def gain(found: AirSystem, name: str, rules: Ruleset, limits: Mapping[str, float]) -> Gain:
    """What a fix would bring; `limits` are the upper limits in force by criterion, SI."""

    def refused(reason: str, missing: Sequence[str]) -> Gain:
        return Gain(name, None, not_projected=(NotProjected("airflow", reason, tuple(missing)),))

    if found.missing:
        return refused("The system as found is not known.", found.missing)
    fix = rules.fixes[name]
    try:
        if fix.does == "table":
            found = _held_against_table(found, rules)
        inputs = inputs_of(found, rules)
        changes = changes_of(fix, found, {key: entry.value for key, entry in inputs.items()}, limits)
    except Refused as refusal:
        return refused(refusal.reason, refusal.missing)
    except OutOfRange as error:
        return refused(f"A number of the system is out of range: {error.name.replace('_', ' ')}.", ())
    if not changes:  # nothing changes, whatever the numbers are
        inputs = {key: Measured(entry.value) for key, entry in inputs.items()}
    quantities, notes, missing = outcome(changes, found, inputs, rules, both_ways=False)
    gained = tuple(
        Gained(entry.name, entry.before.value, entry.after.value, entry.change.value, entry.change.uncertainty)
        for entry in quantities
    )
    told = {entry.name: entry.change for entry in gained}
    return Gain(name, next((told[key] for key in KEYS if key in told), None), gained, notes, missing)


def together(
    found: AirSystem, names: Sequence[str], rules: Ruleset, limits: Mapping[str, float]
) -> tuple[Projected, ...]:
    """What several fixes made together would bring, with its error terms; nothing where one cannot be projected.

    A fix that holds the system against its blower table stands for a system of its own and is told alone only.
    """
    if found.missing or not names:
        return ()
    if any(rules.fixes[name].does == "table" for name in names):
        if len(names) > 1:
            return ()
        try:
            found = _held_against_table(found, rules)
        except Refused:
            return ()
    try:
        inputs = inputs_of(found, rules)
        values = {key: entry.value for key, entry in inputs.items()}
        changes = [change for name in names for change in changes_of(rules.fixes[name], found, values, limits)]
    except (Refused, OutOfRange):
        return ()
    return outcome(changes, found, inputs, rules)[0] if changes else ()


def _held_against_table(found: AirSystem, rules: Ruleset) -> AirSystem:
    """The system with the airflow that the other methods tell: the table itself says what a sound blower would give.

    How filter and coil stand to their ratings is told anew for that airflow.
    """
    beside = found.airflow_beside_table
    if beside is None or beside.value <= 0.0 or found.airflow is None or found.airflow.value <= 0.0:
        raise Refused("Only the blower's table tells the airflow.", "an airflow method other than the blower table")

    def anew(ratio: Measured | None, kind: str) -> Measured | None:
        if ratio is None:
            return None
        try:
            times = float((found.airflow.value / beside.value) ** rules.elements[kind].exponent)
        except OverflowError:
            raise Refused("The airflow methods lie too far apart.", "airflow methods that agree") from None
        return Measured(ratio.value * times, {source: term * times for source, term in ratio.terms.items()})

    return msgspec.structs.replace(
        found,
        airflow=beside,
        filter_to_rated=anew(found.filter_to_rated, "filter"),
        coil_to_rated=anew(found.coil_to_rated, "coil"),
    )


def changes_of(fix: Fix, found: AirSystem, numbers: Mapping[str, float], limits: Mapping[str, float]) -> list[Change]:
    """The changes that a fix means for this system.

    Raises
    ------
    Refused : the visit does not tell where the fix would end
    """
    match fix.does:
        case "rated_drop":
            ratio = numbers.get(f"{fix.part}_to_rated")
            if ratio is not None and ratio <= 1.0:
                return []
            return [ReplaceFilter() if fix.part == "filter" else CleanCoil()]
        case "opened":
            return [OpenDampers()]
        case "usual_drop":
            name = fix.side or _named(found, fix.part)
            return [LowerDrop(name, _limit(fix, limits))]
        case "usual_share":
            name = _named(found, fix.part)
            share = _limit(fix, limits)
            # The part at its usual share of the whole that is left once it has that share.
            rest = sum(numbers[f"part.{part.name}"] for part in found.parts if part.name != name)
            return [LowerDrop(name, rest * share / (1.0 - share))]
        case "usual_face_velocity":
            if found.filter_area is None:
                raise Refused("The face of the present filter is not known.", "filter.width and filter.height")
            area = numbers["airflow"] / _limit(fix, limits)
            return [] if area <= found.filter_area else [ReplaceFilter(None, area)]
        case "stretched":
            return [StretchFlexible()]
        case "sized":
            return _sized(found)
        case "design_airflow" | "middle_of_rise":
            return _setting(fix, found, numbers)
        case "table":
            return [StandToTable()]
        case "sealed":
            assert fix.side is not None
            if found.leakage.get(fix.side, Measured(1.0)).value <= 0.0:
                return []
            return [FixDuctLeakage(fix.side)]


def _named(found: AirSystem, kind: str | None) -> str:
    name = next((part.name for part in (*found.parts, *found.inside) if part.kind == kind), None)
    if name is None:
        words = str(kind).replace("_", " ")
        raise Refused(f"The {words}'s pressure drop was not read.", f"static_pressure before and after the {words}")
    return name


def _limit(fix: Fix, limits: Mapping[str, float]) -> float:
    limit = limits.get(str(fix.criterion))
    if limit is None or limit <= 0.0:
        raise Refused("The limit that a sound part keeps is not in force.", f"what the criterion {fix.criterion} needs")
    return limit


def _sized(found: AirSystem) -> list[Change]:
    if not found.run_sizes:
        raise Refused(
            "The diameter that would serve is not known.", "duct_runs of both sides with design_airflow, design_airflow"
        )
    return [
        EnlargeDuct(run.name, found.run_sizes[run.name])
        for run in found.duct_runs
        if run.name in found.run_sizes and found.run_sizes[run.name] > diameter_of(run)
    ]


def _setting(fix: Fix, found: AirSystem, numbers: Mapping[str, float]) -> list[Change]:
    """The setting that comes nearest to the design airflow, or to the middle of the range of the temperature rise."""
    best: tuple[float, BlowerTable] | None = None
    before = as_found(found, numbers)
    for table in found.tables:
        try:
            met = operating_point(applied(SpeedSetting(table.setting), before, found, numbers))
        except (Refused, OutOfRange):
            continue
        distance = _distance(fix, found, numbers, met.flow / before.flow)
        if best is None or distance < best[0]:
            best = distance, table
    if best is None:
        raise Refused("No setting of the blower's table reaches there.", "blower.settings with every setting")
    return [] if found.table is not None and best[1].setting == found.table.setting else [SpeedSetting(best[1].setting)]


def _distance(fix: Fix, found: AirSystem, numbers: Mapping[str, float], ratio: float) -> float:
    if fix.does == "design_airflow":
        if found.design_airflow is None:
            raise Refused("The airflow that the equipment needs is not known.", "design_airflow")
        return abs(numbers["airflow"] * ratio - found.design_airflow)
    if found.rise_range is None or "temperature_rise" not in numbers or not found.heat:
        raise Refused(
            "The rise that the heat source asks for is not known.",
            "gas_heat with temperature_rise_minimum and temperature_rise_maximum, in heating",
        )
    return abs(numbers["temperature_rise"] / ratio - sum(found.rise_range) / 2.0)
