"""Each change as a step from one arrangement to another, with what is said about it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from service.errors import OutOfRange
from service.model.projection import (
    AddDuct,
    AirSystem,
    Change,
    CleanCoil,
    EnlargeDuct,
    FixDuctLeakage,
    OpenDampers,
    OtherAir,
    ReplaceFilter,
    Side,
    SpeedSetting,
)
from service.model.visit import DuctRun
from service.physics import air, duct, resistance, system
from service.project.arrangement import Arrangement, Boxed, Refused

Numbers = Mapping[str, float]
ROUGHNESS = {
    "galvanized_steel": "roughness_steel",
    "flexible": "roughness_flexible",
    "fibrous_glass": "roughness_glass",
}
OPENINGS = {"return": "return_grille", "supply": "register"}
OPENING_EXPONENT = 2.0
"""A grille or register loses pressure with the square of its flow."""
MOST_OF_A_SIDE = 0.95
"""A run that loses more than this share of its side's measured drop by computation contradicts the reading."""


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
        case OtherAir(elevation=float()) if found.heat:
            return ["The heat input is taken as unchanged; burners are set anew for another elevation."]
        case _:
            return []


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


def _duct(run: DuctRun, flow: float, density: float, numbers: Numbers) -> system.Element:
    """A run as an element near a flow."""
    diameter = run.diameter
    if diameter is None:
        assert run.width is not None
        assert run.height is not None
        diameter = duct.equivalent_diameter(run.width, run.height)
    factor = 1.0
    if run.material == "flexible" and run.compression > 0.0:
        factor += (duct.flexible_compression_factor(run.compression, diameter) - 1.0) * numbers[
            "tolerance.flexible_compression"
        ]
    length = run.length + run.fittings_equivalent_length * numbers["tolerance.fitting_length"]
    return system.duct_element(run.name, flow, diameter, length, numbers[ROUGHNESS[run.material]], density, factor)


def _add(change: AddDuct, state: Arrangement, numbers: Numbers) -> Arrangement:
    side, run = change.run.side, change.run
    present = _side(state, side)
    assert run.diameter is not None
    usual = 0.25 * math.pi * run.diameter**2 * numbers["added_duct_velocity"]
    element = _duct(run, usual, state.found_density, numbers)
    if change.opening is None:
        opening = numbers[f"{OPENINGS[side]}_drop"]
    else:
        rating = change.opening
        opening = resistance.drop_at_flow(
            rating.drop, rating.flow, usual, OPENING_EXPONENT, state.found_density, rating.density
        )
    # Opening and duct as one power law that fits both at their usual flow: their exponents are nearly the same.
    whole = opening + element.drop
    exponent = (OPENING_EXPONENT * opening + element.exponent * element.drop) / whole
    added = system.Element(run.name, whole, usual, exponent, state.found_density)
    return state.with_path(**{side: system.Parallel((present, added))})


def _enlarge(change: EnlargeDuct, state: Arrangement, found: AirSystem, numbers: Numbers) -> Arrangement:
    run = next((run for run in found.duct_runs if run.name == change.run), None)
    if run is None:
        raise Refused("The visit has no duct run of that name.", "equipment.duct_runs with the run's name")
    if sum(other.side == run.side for other in found.duct_runs) > 1:
        raise Refused(
            "The run is one of several on its side; how the air divides between them was not read.",
            "a duct run that carries the whole side, alone on it",
        )
    present = _side(state, run.side)
    if not isinstance(present, system.Element):
        raise Refused("The ducts of that side were changed by another change already.")
    before = _duct(run, state.flow, state.found_density, numbers)
    whole = system.drop_at_flow(present, state.flow, state.found_density)
    if before.drop > MOST_OF_A_SIDE * whole:
        raise Refused("By its size the run would lose more than was read on its side.", "its length, fittings and size")
    wider = replace_run(run, change.diameter)
    after = _duct(wider, state.flow, state.found_density, numbers)
    rest = system.Element("rest of the side", whole - before.drop, state.flow, present.exponent, state.found_density)
    return state.with_path(**{run.side: system.Series((rest, after))})


def replace_run(run: DuctRun, diameter: float) -> DuctRun:
    """The run with a round section of another diameter."""
    return DuctRun(
        run.name, run.side, run.material, run.length, diameter, None, None, run.fittings_equivalent_length,
        run.compression, run.design_airflow,
    )  # fmt: skip


def _open(change: OpenDampers, state: Arrangement, found: AirSystem, numbers: Numbers) -> Arrangement:
    for part in found.parts:
        if part.kind == "zone_damper":
            here = state.path[part.name]
            assert isinstance(here, system.Element)
            factor = numbers["open_damper_share"] if change.factor is None else change.factor
            if factor <= 0.0:
                raise OutOfRange("factor", factor, 0.0, 1.0)
            return state.with_path(**{part.name: system.scaled(here, drop_factor=factor)})
    present = _side(state, change.side)
    if change.factor is None:
        raise Refused(
            "How much of the side's drop the dampers make was not read.",
            "pressure_drop_factor, or static_pressure before and after the zone damper",
        )
    if not isinstance(present, system.Element):
        raise Refused("The ducts of that side were changed by another change already.")
    return state.with_path(**{change.side: system.scaled(present, drop_factor=change.factor)})


def _seal(change: FixDuctLeakage, state: Arrangement, numbers: Numbers) -> Arrangement:
    present = _side(state, change.side)
    if not isinstance(present, system.Element):
        raise Refused("The ducts of that side were changed by another change already.")
    share = change.leakage * numbers["tolerance.leakage_airflow"] / numbers["airflow"]
    if not 0.0 < share < 1.0:
        raise Refused("The leakage is not below the airflow.", "a leakage_airflow at operating pressure")
    # What passed the ducts themselves made the side's drop; now all the air has to.
    return state.with_path(**{change.side: system.scaled(present, area_factor=1.0 - share)})


# Blower and air --------------------------------------------------------------------------------------------------


def _speed(change: SpeedSetting, state: Arrangement, found: AirSystem) -> Arrangement:
    if change.factor is not None:
        return replace(state, speed=state.speed * change.factor)
    table = next((table for table in found.tables if table.setting == change.setting), None)
    if table is None:
        named = ", ".join(table.setting for table in found.tables) or "none"
        raise Refused("The visit has no blower table for that setting.", f"blower.settings with it; there: {named}")
    return replace(state, table=table)


def _air(change: OtherAir, state: Arrangement, found: AirSystem, numbers: Numbers) -> Arrangement:
    if change.density is not None:
        return replace(state, density=state.density * change.density / numbers["density"])
    assert change.elevation is not None
    if found.station_pressure is None:
        raise Refused("The pressure at the site is not known.", "station_pressure reading or site elevation")
    return replace(
        state, density=state.density * air.standard_atmosphere_pressure(change.elevation) / found.station_pressure
    )
