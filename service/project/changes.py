"""Each change as a step from one arrangement to another, with what is said about it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import msgspec

from service.errors import OutOfRange
from service.model.projection import (
    AddDuct,
    AirSystem,
    Change,
    CleanCoil,
    EnlargeDuct,
    FixDuctLeakage,
    LowerDrop,
    OpenDampers,
    OtherAir,
    ReplaceFilter,
    Side,
    SpeedSetting,
    StandToTable,
    StretchFlexible,
)
from service.model.visit import BlowerTable, DuctRun
from service.physics import air, duct, resistance, system
from service.project.arrangement import HELD, Arrangement, Boxed, Refused

Numbers = Mapping[str, float]
ROUGHNESS = {
    "galvanized_steel": "roughness_steel",
    "flexible": "roughness_flexible",
    "fibrous_glass": "roughness_glass",
}
OPENINGS = {"return": "return_grille", "supply": "register"}
ROUNDING = 1e-6
"""Shares of a flow or a drop below this are what rounding leaves."""


def applied(change: Change, state: Arrangement, found: AirSystem, numbers: Numbers) -> Arrangement:
    """The arrangement with the change made.

    Raises
    ------
    Refused : the readings do not tell what the change starts from
    OutOfRange : the change itself is impossible
    """
    match change:
        case ReplaceFilter():
            return _filter(change, state, found, numbers)
        case CleanCoil():
            return _coil(change, state, found, numbers)
        case AddDuct():
            return _add(change, state, numbers)
        case EnlargeDuct():
            return _enlarge(change, state, found, numbers)
        case OpenDampers():
            return _open(change, state, found, numbers)
        case SpeedSetting():
            return _speed(change, state, found)
        case FixDuctLeakage():
            return _seal(change, state, numbers)
        case OtherAir():
            return _air(change, state, found, numbers)
        case LowerDrop():
            return _lower(change, state)
        case StretchFlexible():
            return _stretch(state, found, numbers)
        case StandToTable():
            return replace(state, as_printed=True, table=_known(state.found_table))


def notes_of(change: Change, found: AirSystem) -> list[str]:
    """What the projection of a change takes for granted."""
    match change:
        case ReplaceFilter(rating=None, area=None):
            return ["The new filter is taken to be of the present make and size, clean, by its rated drop."]
        case ReplaceFilter(rating=None):
            return ["The new filter is taken to be of the present make: the same clean drop at the same face velocity."]
        case CleanCoil(factor=None):
            return ["The coil is taken to reach its rated drop; how far cleaning brings it is for the work to show."]
        case AddDuct(opening=None):
            return ["The grille or register of the added duct is taken as usually sized."]
        case OpenDampers(factor=None):
            return ["The opened damper is taken to keep a small share of its drop."]
        case SpeedSetting(setting=str()):
            return ["The blower is taken to stand to its table at the other setting as it does at the one that ran."]
        case SpeedSetting():
            return ["Fan laws; motor and belt efficiency are taken as unchanged. Motor load is for the maker to allow."]
        case EnlargeDuct(run=name) if not _alone(found, name):
            return [
                "The flow of the run follows from its size and the drop it shares with the other runs of its side; "
                "runs that are not described carry what remains."
            ]
        case FixDuctLeakage(leakage=None):
            return ["The leakage is the one that the visit tells, at operating pressure."]
        case OtherAir():
            return _notes_of_air(change, found)
        case _:
            return []


def _notes_of_air(change: OtherAir, found: AirSystem) -> list[str]:
    notes = []
    if change.elevation is not None and found.heat:
        notes.append("The heat input is taken as unchanged; burners are set anew for another elevation.")
    if found.capacity is not None and found.performance:
        notes.append(
            "Capacity goes with the mass flow over the coil, by the performance table; the outdoor unit is taken to "
            "work as it does here, although thin air takes some from it."
        )
    if found.blower_kind == HELD:
        notes.append(
            "The blower is taken to hold its volume flow in other air; a control that goes by torque may hold more of "
            "the mass flow, and the uncertainty allows for it."
        )
    return notes


# Parts -----------------------------------------------------------------------------------------------------------


def _element(state: Arrangement, found: AirSystem, kind: str) -> tuple[system.Element, bool]:
    """The filter or coil as it stands in the arrangement, and whether it lies inside the box."""
    for part in found.parts:
        if part.kind == kind:
            here = state.path[part.name]
            if not isinstance(here, system.Element):
                raise Refused(f"The {kind} was changed by another change already.")
            return here, False
    for part in found.inside:
        if part.kind == kind:
            if part.name not in state.boxed:
                raise Refused(
                    f"The {kind} lies inside the rated box, whose table holds for a clean one of known drop.",
                    f"{kind}.rated: the clean pressure drop at a flow",
                )
            return state.boxed[part.name].now, True
    raise Refused(f"The {kind}'s pressure drop was not read.", f"static_pressure before and after the {kind}")


def _put(state: Arrangement, element: system.Element, inside: bool) -> Arrangement:
    if not inside:
        return state.with_path(**{element.name: element})
    boxed = {**state.boxed, element.name: Boxed(element, state.boxed[element.name].rated)}
    return replace(state, boxed=boxed)


def _clean(state: Arrangement, found: AirSystem, numbers: Numbers, kind: str) -> tuple[system.Element, bool]:
    element, inside = _element(state, found, kind)
    ratio = numbers.get(f"{kind}_to_rated")
    if ratio is None or ratio <= 0.0:
        missing = "filter.rated" if kind == "filter" else "coil.rated_wet or coil.rated_dry"
        raise Refused(f"The clean drop of the {kind} is not known.", f"{missing}: the clean pressure drop at a flow")
    return system.scaled(element, drop_factor=1.0 / ratio), inside


def _filter(change: ReplaceFilter, state: Arrangement, found: AirSystem, numbers: Numbers) -> Arrangement:
    if change.rating is None:
        clean, inside = _clean(state, found, numbers, "filter")
        if change.area is not None:
            if found.filter_area is None:
                raise Refused("The face of the present filter is not known.", "filter.width and filter.height")
            clean = system.scaled(clean, area_factor=change.area / found.filter_area)
        return _put(state, clean, inside)
    element, inside = _element(state, found, "filter")
    rating, exponent = change.rating, numbers["exponent.filter"]
    drop = resistance.drop_at_flow(
        rating.drop, rating.flow, numbers["airflow"], exponent, numbers["density"], rating.density
    )
    drop *= numbers["tolerance.rated_pressure_drop"]
    return _put(state, system.Element(element.name, drop, state.flow, exponent, state.found_density), inside)


def _coil(change: CleanCoil, state: Arrangement, found: AirSystem, numbers: Numbers) -> Arrangement:
    if change.factor is not None:
        element, inside = _element(state, found, "coil")
        return _put(state, system.scaled(element, drop_factor=change.factor), inside)
    return _put(state, *_clean(state, found, numbers, "coil"))


# Ducts -----------------------------------------------------------------------------------------------------------


def _side(state: Arrangement, side: Side) -> system.Part:
    if side not in state.path:
        raise Refused(f"The drop of the {side} ducts was not read.", f"static_pressure at the {side} plenum")
    return state.path[side]


def run_element(name: str) -> str:
    """Name of a run's element, apart from the path's own names, which a client's run may share."""
    return f"run {name}"


def diameter_of(run: DuctRun) -> float:
    """Diameter that counts for friction, m."""
    if run.diameter is not None:
        return run.diameter
    assert run.width is not None
    assert run.height is not None
    return duct.equivalent_diameter(run.width, run.height)


def _duct(run: DuctRun, flow: float, density: float, numbers: Numbers) -> system.Element:
    """A run as an element near a flow."""
    diameter = diameter_of(run)
    factor = 1.0
    if run.material == "flexible" and run.compression > 0.0:
        factor += (duct.flexible_compression_factor(run.compression, diameter) - 1.0) * numbers[
            "tolerance.flexible_compression"
        ]
    length = run.length + run.fittings_equivalent_length * numbers["tolerance.fitting_length"]
    return system.duct_element(
        run_element(run.name), flow, diameter, length, numbers[ROUGHNESS[run.material]], density, factor
    )


def _add(change: AddDuct, state: Arrangement, numbers: Numbers) -> Arrangement:
    side, run = change.run.side, change.run
    present = _side(state, side)
    assert run.diameter is not None
    usual = 0.25 * math.pi * run.diameter**2 * numbers["added_duct_velocity"]
    element = _duct(run, usual, state.found_density, numbers)
    squared = numbers["opening_exponent"]
    if change.opening is None:
        opening = numbers[f"{OPENINGS[side]}_drop"]
    else:
        rating = change.opening
        opening = resistance.drop_at_flow(rating.drop, rating.flow, usual, squared, state.found_density, rating.density)
    added = _with_opening(element, opening, usual, state.found_density, numbers)
    return state.with_path(**{side: system.Parallel((present, added))})


def _enlarge(change: EnlargeDuct, state: Arrangement, found: AirSystem, numbers: Numbers) -> Arrangement:
    run = next((run for run in found.duct_runs if run.name == change.run), None)
    if run is None:
        raise Refused("The visit has no duct run of that name.", "equipment.duct_runs with the run's name")
    state = _with_runs(state, run.side, found, numbers, run)
    return _with_run(state, replace_run(run, change.diameter), found, numbers)


def _stretch(state: Arrangement, found: AirSystem, numbers: Numbers) -> Arrangement:
    crumpled = [run for run in found.duct_runs if run.material == "flexible" and run.compression > 0.0]
    if not crumpled:
        raise Refused("No flexible run with its compression is described.", "equipment.duct_runs with compression")
    for run in crumpled:
        state = _with_runs(state, run.side, found, numbers, run)
        state = _with_run(state, msgspec.structs.replace(run, compression=0.0), found, numbers)
    return state


def _alone(found: AirSystem, name: str) -> bool:
    sides = [run.side for run in found.duct_runs if run.name == name]
    return bool(sides) and sum(run.side == sides[0] for run in found.duct_runs) == 1


def _with_run(state: Arrangement, run: DuctRun, found: AirSystem, numbers: Numbers) -> Arrangement:
    """The run as given in place of the one of its name."""
    if run.name in found.whole_runs:
        element = _duct(run, state.flow, state.found_density, numbers)
    else:
        assert run.design_airflow is not None
        element = _branch(run, run.design_airflow, state.found_density, numbers)
    return state.with_path(**{run.side: system.replaced(state.path[run.side], element.name, element)})


def _with_runs(state: Arrangement, side: Side, found: AirSystem, numbers: Numbers, asked: DuctRun) -> Arrangement:
    """The same system with the ducts of a side told run by run, as far as they are described.

    Runs that carry the whole side lie in series. The others branch off and share one drop, each with an opening of its
    own; what is not described carries the air that remains. Where the described ones would carry more than there is,
    more of the side's drop lies before they branch off.
    """
    present = _side(state, side)
    if any(element.name == run_element(asked.name) for element in system.elements(present)):
        return state
    whole = next((element for element in system.elements(present) if element.name == side), None)
    if whole is None:
        raise Refused("The ducts of that side were changed by another change already.")
    density, flow = state.found_density, state.flow
    if asked.design_airflow is None and asked.name not in found.whole_runs:
        raise Refused("How much of its side's air the run carries is not known.", "design_airflow of the duct run")
    runs = [run for run in found.duct_runs if run.side == side]
    trunks = [_duct(run, flow, density, numbers) for run in runs if run.name in found.whole_runs]
    branches: list[system.Part] = [
        _branch(run, run.design_airflow, density, numbers)
        for run in runs
        if run.design_airflow is not None and run.name not in found.whole_runs
    ]
    drop = system.drop_at_flow(whole, flow, density)
    left = drop - sum(system.drop_at_flow(part, flow, density) for part in trunks)
    if left < (1.0 - numbers["run_share_of_side"]) * drop:
        raise Refused("By its size the run would lose more than was read on its side.", "its length, fittings and size")
    parts: list[system.Part] = list(trunks)
    if branches:
        shared = left * numbers["branch_drop_share"]
        carried = sum(system.flow_at_drop(part, shared, density) for part in branches)
        if carried < flow * (1.0 - ROUNDING):
            branches.append(system.Element("other ducts", shared, flow - carried, whole.exponent, density))
        else:
            shared = system.drop_at_flow(system.Parallel(tuple(branches)), flow, density)
        parts.append(system.Parallel(tuple(branches)))
        left -= shared
    if left > ROUNDING * drop:
        parts.append(system.Element("rest of the side", left, flow, whole.exponent, density))
    return state.with_path(**{side: system.replaced(present, side, system.Series(tuple(parts)))})


def _branch(run: DuctRun, usual: float, density: float, numbers: Numbers) -> system.Element:
    """A run with its grille or register, which has its usual drop at the run's design airflow."""
    opening = numbers[f"{OPENINGS[run.side]}_drop"]
    return _with_opening(_duct(run, usual, density, numbers), opening, usual, density, numbers)


def _with_opening(
    element: system.Element, opening: float, usual: float, density: float, numbers: Numbers
) -> system.Element:
    """A duct and its opening as one power law that fits both at their usual flow: their exponents are close."""
    whole = opening + element.drop
    exponent = (numbers["opening_exponent"] * opening + element.exponent * element.drop) / whole
    return system.Element(element.name, whole, usual, exponent, density)


def run_flows(name: str, found: AirSystem, before: Arrangement, state: Arrangement, flow: float, numbers: Numbers
) -> tuple[float, float] | None:  # fmt: skip
    """Flow of a run before and after, m3/s at the blower; None where it is not told apart."""
    run = next((run for run in found.duct_runs if run.name == name), None)
    if run is None or _alone(found, name):
        return None
    told = _with_runs(before, run.side, found, numbers, run)
    pair = []
    for arrangement, through in ((told, before.flow), (state, flow)):
        loads = system.loads(arrangement.path[run.side], through, arrangement.density)
        pair.append(next(load.flow for load in loads if load.name == run_element(name)))
    return pair[0], pair[1]


def replace_run(run: DuctRun, diameter: float) -> DuctRun:
    """The run with a round section of another diameter."""
    return msgspec.structs.replace(run, diameter=diameter, width=None, height=None)


def _open(change: OpenDampers, state: Arrangement, found: AirSystem, numbers: Numbers) -> Arrangement:
    for part in found.parts:
        if part.kind == "zone_damper":
            factor = numbers["open_damper_share"] if change.factor is None else change.factor
            if factor <= 0.0:
                raise OutOfRange("factor", factor, 0.0, 1.0)
            return state.with_path(**{part.name: _scaled(state.path[part.name], drop_factor=factor)})
    present = _side(state, change.side)
    if change.factor is None:
        raise Refused(
            "How much of the side's drop the dampers make was not read.",
            "pressure_drop_factor, or static_pressure before and after the zone damper",
        )
    return state.with_path(**{change.side: _scaled(present, drop_factor=change.factor)})


def _seal(change: FixDuctLeakage, state: Arrangement, numbers: Numbers) -> Arrangement:
    present = _side(state, change.side)
    share = leakage_of(change, numbers) / numbers["airflow"]
    if not 0.0 < share < 1.0:
        raise Refused("The leakage is not below the airflow.", "a leakage_airflow at operating pressure")
    # What passed the ducts themselves made the side's drop; now all the air has to.
    return state.with_path(**{change.side: _scaled(present, area_factor=1.0 - share)})


def leakage_of(change: FixDuctLeakage, numbers: Numbers) -> float:
    """What the leak loses or draws in, m3/s at the return's density.

    Raises
    ------
    Refused : neither the change nor the visit tells it
    """
    if change.leakage is not None:
        return change.leakage * numbers["tolerance.leakage_airflow"]
    told = numbers.get(f"leakage.{change.side}")
    if told is None:
        raise Refused(
            f"What the {change.side} ducts lose in operation is not known.",
            "duct_leakage with both plenum pressures, or register_airflow of all registers",
        )
    return max(told, 0.0)


def _lower(change: LowerDrop, state: Arrangement) -> Arrangement:
    name = change.name
    if name in state.boxed:
        now = state.boxed[name].now
        factor = change.drop / system.drop_at_flow(now, state.flow, state.found_density)
        return state if factor >= 1.0 else _put(state, system.scaled(now, drop_factor=factor), True)
    if name not in state.path:
        raise Refused(f"The drop of the {name.replace('_', ' ')} was not read apart.", "static_pressure on both sides")
    part = state.path[name]
    factor = change.drop / system.drop_at_flow(part, state.flow, state.found_density)
    return state if factor >= 1.0 else state.with_path(**{name: _scaled(part, drop_factor=factor)})


def _scaled(part: system.Part, drop_factor: float = 1.0, area_factor: float = 1.0) -> system.Part:
    """Every element of a part scaled alike, which scales the whole of it."""
    if isinstance(part, system.Element):
        return system.scaled(part, drop_factor, area_factor)
    return type(part)(tuple(_scaled(each, drop_factor, area_factor) for each in part.parts))


# Blower and air --------------------------------------------------------------------------------------------------


def _speed(change: SpeedSetting, state: Arrangement, found: AirSystem) -> Arrangement:
    if change.factor is not None:
        return replace(state, speed=state.speed * change.factor)
    table = next((table for table in found.tables if table.setting == change.setting), None)
    if table is None:
        named = ", ".join(table.setting for table in found.tables) or "none"
        raise Refused("The visit has no blower table for that setting.", f"blower.settings with it; there: {named}")
    return replace(state, table=table)


def _known(table: BlowerTable | None) -> BlowerTable:
    if table is None:
        raise Refused("The blower's curve is not known.", "blower.settings with the setting that ran")
    return table


def _air(change: OtherAir, state: Arrangement, found: AirSystem, numbers: Numbers) -> Arrangement:
    if change.density is not None:
        return replace(state, density=state.density * change.density / numbers["density"])
    assert change.elevation is not None
    if found.station_pressure is None:
        raise Refused("The pressure at the site is not known.", "station_pressure reading or site elevation")
    return replace(
        state, density=state.density * air.standard_atmosphere_pressure(change.elevation) / found.station_pressure
    )
