"""Two visits to one equipment: which quantities moved beyond what both are uncertain by, and whether work shows.

Contexts are paired as `history.counterpart` pairs them. Pressure and power of the fan are compared at one density, the
mean of both visits; drops of the parts of the path at that density and at one airflow, the geometric mean of both, so
that the comparison backwards is its mirror image. Errors are shared between visits as `history` says.

Whether work shows. Each kind of work is meant to move few quantities in one direction (`AIMS`). A work is proven, or
has made worse, where one of them moved as meant, or the other way, with at least the probability `proof_confidence` of
the rules; its complement is divided by the number of quantities asked (Bonferroni), so that work that did nothing is
called proven no more often than once in twenty.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from statistics import NormalDist

import msgspec

from service.derive.history import (
    ELEMENTS,
    Reader,
    airflow_in_common,
    counterpart,
    differing_facts,
    local_density,
    same_setting,
    same_surface,
    weather_apart,
    work_between,
)
from service.derive.plan import WorkedOut
from service.derive.propagate import difference
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.comparison import (
    Basis,
    ComparedQuantity,
    Deciding,
    Moved,
    NotComparableReason,
    NotCompared,
    WorkJudgement,
    WorkProof,
)
from service.model.quantity import Measured
from service.model.visit import Visit

COVERAGE = 2.0
AT_DENSITY = frozenset({"external_static_pressure", "blower_power"})
DROPS = {f"{part}_pressure_drop" if part in ("filter", "coil") else f"{part}_duct_pressure_drop": part
         for part in ELEMENTS}  # fmt: skip
BY_ITSELF = (
    "leakage", "carbon_monoxide", "combustible", "outdoor", "weather", "station_pressure", "elevation", "density",
    "return_air_", "return_wet_bulb", "zero_offset", "calibration", "required", "gas_input", "_to_rated",
    "thermometer", "gauge",
)  # fmt: skip
"""Words in names of quantities that do not depend on the blower's speed setting."""
FALLS, RISES = -1, 1
TOWARDS_LIMIT = 0
"""The direction that brings the airflow to its limits, as the first visit judged it."""
AIMS: Mapping[str, tuple[tuple[str, int], ...]] = {
    "filter_replaced": (("filter_pressure_drop", FALLS),),
    "filter_cleaned": (("filter_pressure_drop", FALLS),),
    "coil_cleaned": (("coil_pressure_drop", FALLS),),
    "coil_replaced": (("coil_pressure_drop", FALLS),),
    "blower_cleaned": (("airflow", RISES),),
    "blower_replaced": (("airflow", TOWARDS_LIMIT),),
    "belt_adjusted": (("airflow", TOWARDS_LIMIT),),
    "speed_setting_changed": (("airflow", TOWARDS_LIMIT),),
    "ducts_sealed": (("duct_leakage_total", FALLS), ("duct_leakage_to_outside", FALLS)),
    "duct_enlarged": (("return_duct_pressure_drop", FALLS), ("supply_duct_pressure_drop", FALLS)),
    "duct_added": (("return_duct_pressure_drop", FALLS), ("supply_duct_pressure_drop", FALLS)),
    "dampers_opened": (("supply_duct_pressure_drop", FALLS),),
    "envelope_sealed": (("envelope_leakage", FALLS),),
    "refrigerant_charge_adjusted": (("net_total_capacity", RISES),),
}
"""Kind of work -> what it is meant to move, and how. Of other work the readings of the air side tell no direction."""


class Pair(msgspec.Struct, frozen=True):
    """A context of the earlier visit and its counterpart of the later one."""

    before: Worksheet
    after: Worksheet


class Rows(msgspec.Struct, frozen=True, kw_only=True):
    """The quantities of a pair; `density` (kg/m3) and `flow` (m3/s) are those that they are compared at."""

    quantities: tuple[ComparedQuantity, ...]
    not_compared: tuple[NotCompared, ...]
    density: float | None
    flow: float | None
    method: str | None


def pair_contexts(before: WorkedOut, after: WorkedOut) -> tuple[list[Pair], list[Worksheet], list[Worksheet]]:
    """Contexts that ran alike, the whole house first, and those of each visit that have no counterpart.

    Contexts in one speed setting find each other ahead of others; none has two counterparts.
    """
    pairs = []
    if before.whole_house is not None and after.whole_house is not None:
        pairs.append(Pair(before.whole_house, after.whole_house))
    there, here = list(before.contexts), list(after.contexts)
    for strict in (True, False):
        for sheet in list(here):
            found = counterpart(sheet, there)
            if found is not None and (not strict or same_setting(sheet, found)):
                pairs.append(Pair(found, sheet))
                there = [other for other in there if other is not found]
                here = [other for other in here if other is not sheet]
    return pairs, there, here


def moved(entry: Measured) -> Moved:
    """Whether a difference stands out from its uncertainty, coverage factor 2."""
    if abs(entry.value) <= COVERAGE * entry.uncertainty:
        return "no_change_shown"
    return "rose" if entry.value > 0.0 else "fell"


def compare_quantities(pair: Pair, apart: Sequence[Pair] = (), setting_is_the_work: bool = False) -> Rows:
    """Every quantity that both contexts have.

    Parameters
    ----------
    apart : the pair of the whole house, whose quantities stand on every sheet and are told there
    setting_is_the_work : the speed setting was changed as work; the airflow is compared all the same
    """
    before, after = pair.before, pair.after
    then, now = Reader(before, "before"), Reader(after, "after")
    one, other = before.get("return_air_density"), after.get("return_air_density")
    density = None if one is None or other is None else 0.5 * (one.value + other.value)
    method = airflow_in_common(after, before) if after.blower_on else None
    flow = None
    if method is not None:
        flows = [sheet.get(method) for sheet in (before, after)]
        flow = math.prod(math.sqrt(entry.value) for entry in flows if entry is not None)
    rows: list[ComparedQuantity] = []
    left: list[NotCompared] = []
    for key, quantity in after.quantities.items():
        if key not in before.quantities or any(_told_of(house, pair, key) for house in apart):
            continue
        name, subject = quantity.name, quantity.subject
        reason: NotComparableReason | None = _unlike(pair, name, setting_is_the_work)
        basis: Basis = "as_worked_out"
        values: tuple[Measured | None, Measured | None]
        values = then.over(before.quantities[key].measured), now.over(quantity.measured)
        if reason is None and key in DROPS and after.blower_on:
            basis, values = "at_equal_flow_and_density", (None, None)
            if method is not None and flow is not None:
                values = _drops(then, now, DROPS[key], flow, method)
            reason = "no_airflow_in_common" if values[0] is None or values[1] is None else None
        elif reason is None and key in AT_DENSITY:
            basis = "at_equal_density"
            values = (None, None)
            if density is not None:
                with suppress(OutOfRange):
                    values = then.at_density(key, density), now.at_density(key, density)
            reason = "no_air_density" if values[0] is None or values[1] is None else None
        if reason is not None or values[0] is None or values[1] is None:
            left.append(NotCompared(name=name, subject=subject, reason=reason or "no_air_density"))
            continue
        apart_by = difference(values[1], values[0])
        rows.append(
            ComparedQuantity(
                name=name, subject=subject, basis=basis, before=values[0], after=values[1], difference=apart_by,
                moved=moved(apart_by),
            )
        )  # fmt: skip
    return Rows(quantities=tuple(rows), not_compared=tuple(left), density=density, flow=flow, method=method)


def _told_of(house: Pair, pair: Pair, key: str) -> bool:
    """Whether a quantity stands on the sheets of the whole house just as on those of a context."""
    return all(
        key in told.quantities and told.quantities[key].value == own.quantities[key].value
        for told, own in ((house.before, pair.before), (house.after, pair.after))
    )


def _drops(then: Reader, now: Reader, part: str, flow: float, method: str) -> tuple[Measured | None, Measured | None]:
    """Drops of a part at one flow and the mean of its densities on both visits."""
    one, other = local_density(then.sheet, part), local_density(now.sheet, part)
    if one is None or other is None:
        return None, None
    local = 0.5 * (one.value + other.value)
    try:
        return then.drop(part, flow, local, method), now.drop(part, flow, local, method)
    except OutOfRange:
        return None, None


def _unlike(pair: Pair, name: str, setting_is_the_work: bool) -> NotComparableReason | None:
    """Why a quantity of a pair is not to be compared."""
    before, after = pair.before, pair.after
    if name.startswith("coil_") and not same_surface(before, after):
        return "other_coil_surface"
    if "_capacity" in name and not name.startswith("airflow") and after.state.mode == "cooling":
        gap = weather_apart(before, after)
        if gap is None or gap > after.ruleset.assumptions["same_weather_span"].value:
            return "other_weather"
    if not after.blower_on or after.whole_house or name in DROPS or any(word in name for word in BY_ITSELF):
        return None
    if setting_is_the_work and name.startswith("airflow"):
        return None
    if before.state.speed_setting is None or after.state.speed_setting is None:
        return "speed_setting_not_stated"
    return None if same_setting(before, after) else "other_speed_setting"


# Facts and work --------------------------------------------------------------------------------------------------


def work_of(before: Visit, after: Visit) -> tuple[str, ...]:
    """Kinds of work done between the readings of two dated visits, as they state it, in the order stated."""
    visits = [before, after]
    days = [visit.visited_at.date() for visit in visits if visit.visited_at is not None]
    if len(days) < len(visits):
        return tuple(dict.fromkeys(work.kind for work in after.work))
    return tuple(dict.fromkeys(kind for kind, start, _ in work_between(days, visits) if start > 0))


def facts_apart(before: Visit, after: Visit, work: Sequence[str]) -> tuple[str, ...]:
    """Facts stated otherwise that the work does not explain; `instruments` where others were used."""
    used = [{use.id for use in visit.instruments} for visit in (before, after)]
    return (*differing_facts(before, after, frozenset(work)), *(["instruments"] if used[0] != used[1] else []))


def prove(
    work: Sequence[str],
    rows: Sequence[tuple[Pair, Sequence[ComparedQuantity]]],
    towards: Mapping[int, int],
    confidence: float,
) -> tuple[WorkProof, ...]:
    """Whether each work shows.

    Parameters
    ----------
    rows : quantities of each pair of contexts
    towards : place of a pair -> direction that brings its airflow to its limits, where the first visit tells one
    confidence : `proof_confidence` of the rules
    """
    return tuple(_proof(kind, rows, towards, confidence) for kind in work)


def _proof(
    kind: str,
    rows: Sequence[tuple[Pair, Sequence[ComparedQuantity]]],
    towards: Mapping[int, int],
    confidence: float,
) -> WorkProof:
    found = list(_deciding(kind, rows, towards))
    needed = 1.0 - (1.0 - confidence) / max(len(found), 1)
    verdict: WorkJudgement = "not_proven" if found else "not_judged"
    if any(1.0 - entry.probability >= needed for entry in found):
        verdict = "worse"
    elif any(entry.probability >= needed for entry in found):
        verdict = "proven"
    return WorkProof(kind=kind, verdict=verdict, needed=needed, deciding=tuple(found))


def _deciding(
    kind: str, rows: Sequence[tuple[Pair, Sequence[ComparedQuantity]]], towards: Mapping[int, int]
) -> Iterator[Deciding]:
    aims = dict(AIMS.get(kind, ()))
    for place, (pair, quantities) in enumerate(rows):
        asked: set[str] = set()  # of several parts of one name the first
        for row in quantities:
            way = aims.get(row.name)
            if way == TOWARDS_LIMIT:
                way = towards.get(place)
            if not way or row.name in asked:
                continue
            asked.add(row.name)
            gain = way * row.difference.value
            doubt = row.difference.uncertainty
            times = gain / doubt if doubt > 0.0 else math.copysign(math.inf, gain) if gain else 0.0
            yield Deciding(
                name=row.name,
                state=pair.after.state,
                area=pair.after.area,
                whole_house=pair.after.whole_house,
                meant="rise" if way == RISES else "fall",
                difference=row.difference,
                probability=NormalDist().cdf(times),
            )
