"""This visit against earlier ones: what changed since the newest of them, and where several of them lead.

Compared is like with like: the same mode, part of the house, zones, doors and exhaust fans; for airflow, external
static pressure and power also the same speed setting. Pressures and powers of the fan are taken at equal density, and
an element's resistance as the drop it would show at today's flow.

Uncertainty of a comparison. Errors of two visits are independent, but for two kinds. The exponent of an element is one
number on both. And an instrument with the same id and the same calibration date on both visits keeps that part of its
scale error which the assumption `calibration_kept` says; the rest, its zero and its resolution are new on each visit.
Tolerances of ratings and of the blower table count as new each time too, although one nameplate is read twice: what a
sheet does not know of a blower may itself have changed. Taking more errors as shared would call more changes proven.

Trends are robust lines (`physics.trend`) through the visits since work was last done that bears on the quantity. The
doubt of a slope is what the visits' own uncertainties make of it, or what their scatter about the line says, if more.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Sequence

import msgspec

from service.derive.air import supply_density
from service.derive.flow_methods import element_density
from service.derive.plan import WorkedOut, work_out
from service.derive.propagate import combine, difference, propagate, ratio
from service.derive.worksheet import Worksheet
from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.ruleset import Ruleset
from service.model.visit import PressureDropRating, Visit
from service.physics import resistance, trend

DAY = 86400.0
LEVEL = 0.95
"""Confidence of a slope's interval; 1.96 standard uncertainties on either side."""
COVERAGE = 1.96

AIRFLOW_METHODS = (
    "airflow_measured", "airflow_from_traverse", "airflow_from_temperature_rise", "airflow_from_blower_table",
)  # fmt: skip
"""Compared with themselves where both visits have them, the surest first."""
ELEMENTS = {"filter": "filter", "coil": "coil", "return": "return_duct", "supply": "supply_duct"}
"""Part of the air path -> kind of element whose exponent holds for it."""
BEARING = {
    "filter": frozenset({"filter_replaced", "filter_cleaned"}),
    "coil": frozenset({"coil_cleaned", "coil_replaced"}),
    "air": frozenset({
        "filter_replaced", "filter_cleaned", "coil_cleaned", "coil_replaced", "blower_cleaned", "blower_replaced",
        "belt_adjusted", "speed_setting_changed", "ducts_sealed", "duct_enlarged", "duct_added", "dampers_opened",
    }),
}  # fmt: skip
"""What a trend is about -> kinds of work after which it begins anew."""
PLAIN_RATIOS = ("duct_leakage_total", "duct_leakage_to_outside", "envelope_leakage")
PLAIN_DIFFERENCES = ("house_pressure", "natural_draft_zone_pressure")
COPIED_KINDS = frozenset({
    "static_pressure", "pressure_difference", "dry_bulb_temperature", "wet_bulb_temperature", "relative_humidity",
    "airflow", "electric_power", "register_airflow", "zone_pressure",
})  # fmt: skip
"""Readings that two visits hardly repeat to the digit."""

Limits = Callable[[Worksheet, str], float | None]
"""Upper limit in force of a criterion (by id) in a context, SI; None where there is none."""


class Seen(msgspec.Struct, frozen=True):
    """One earlier visit worked out."""

    visit: Visit
    sheets: tuple[Worksheet, ...]
    at: datetime.datetime
    whole_house: Worksheet | None = None


def work_out_earlier(visit: Visit, ruleset: Ruleset) -> tuple[Seen, ...]:
    """The earlier visits that a visit brings, each worked out as if it stood alone, oldest first."""
    return tuple(
        Seen(earlier, tuple(worked.contexts), earlier.visited_at, worked.whole_house)
        for earlier in visit.earlier
        if earlier.visited_at is not None and (worked := work_out(earlier, ruleset))
    )


def derive_history(worked: WorkedOut, seen: Sequence[Seen], limits: Limits) -> None:
    """Record on each sheet of a visit what changed since earlier ones. Does nothing where there are none."""
    if not seen:
        return
    if worked.whole_house is not None:
        before = next((entry.whole_house for entry in reversed(seen) if entry.whole_house is not None), None)
        if before is not None:
            compare_contexts(before, worked.whole_house)
    for sheet in worked.contexts:
        compare_with_earlier(sheet, seen)
        trends(sheet, seen, limits)


# Like with like --------------------------------------------------------------------------------------------------


def counterpart(sheet: Worksheet, others: Sequence[Worksheet]) -> Worksheet | None:
    """The context of another visit that ran as this one did: mode, area, blower, zones, doors and exhaust fans alike.

    Among several the one with the same speed setting comes first, then the one with the coil as wet or dry.
    """
    state = sheet.state

    def alike(other: Worksheet) -> bool:
        there = other.state
        return (
            (state.mode, sheet.area, sheet.blower_on) == (there.mode, other.area, other.blower_on)
            and set(state.zones_calling) == set(there.zones_calling)
            and (state.exhaust_fans, state.interior_doors) == (there.exhaust_fans, there.interior_doors)
        )

    found = [other for other in others if alike(other)]
    return min(found, key=lambda other: (not same_setting(sheet, other), not same_surface(sheet, other)), default=None)


def same_setting(one: Worksheet, other: Worksheet) -> bool:
    return one.state.speed_setting is not None and one.state.speed_setting == other.state.speed_setting


def _surface(sheet: Worksheet) -> str | None:
    return next((token for token in sheet.observations if token.startswith("coil_surface.")), None)


def same_surface(one: Worksheet, other: Worksheet) -> bool:
    return _surface(one) == _surface(other)


def carried_over(entry: Measured, visit: Visit, name: str, ruleset: Ruleset) -> Measured:
    """A value of one visit with its error sources named so that only what lasts is shared with other visits.

    Parameters
    ----------
    entry : value as worked out within its visit
    visit : the visit it belongs to
    name : of the visit among its error sources; empty for the visit being judged, whose sources keep their names
    ruleset : holds the assumption `calibration_kept`, the lasting share of a scale error's variance
    """
    calibrated = {use.id: use.calibrated_on for use in visit.instruments}
    kept = ruleset.assumptions["calibration_kept"].value
    prefix = f"{name}." if name else ""
    terms: dict[str, float] = {}
    for source, term in entry.terms.items():
        instrument = source.removeprefix("instrument.").removesuffix(".scale")
        day = calibrated.get(instrument) if source == f"instrument.{instrument}.scale" else None
        if day is not None:
            terms[f"{source}.calibration.{day.isoformat()}"] = term * math.sqrt(kept)
            terms[prefix + source] = term * math.sqrt(1.0 - kept)
        elif source.startswith("exponent."):
            terms[source] = term
        else:
            terms[prefix + source] = term
    return Measured(entry.value, terms)


class Reader:
    """Quantities of one context of one visit, with error sources named for comparison across visits."""

    def __init__(self, sheet: Worksheet, name: str = "") -> None:
        self.sheet = sheet
        self.name = name

    def over(self, entry: Measured) -> Measured:
        """A value of this sheet for comparison with other visits."""
        return carried_over(entry, self.sheet.visit, self.name, self.sheet.ruleset)

    def get(self, name: str) -> Measured | None:
        """A quantity of this sheet; None where it was not worked out."""
        found = self.sheet.get(name)
        return None if found is None else self.over(found)

    def at_density(self, name: str, reference: float) -> Measured | None:
        """Pressure or power of the fan at a reference density (kg/m3)."""
        found, density = self.sheet.get(name), self.sheet.get("return_air_density")
        if found is None or density is None:
            return None
        return self.over(propagate(lambda value, here: trend.same_density(value, here, reference), found, density))

    def drop(self, part: str, flow: float, density: float, airflow: str) -> Measured | None:
        """Drop of a part of the path at a flow (m3/s at the return) of local density (kg/m3), from one airflow.

        Raises
        ------
        OutOfRange : the flow is not above zero
        """
        sheet = self.sheet
        name = f"{part}_pressure_drop" if part in ("filter", "coil") else f"{part}_duct_pressure_drop"
        found, moved, at_return = sheet.get(name), sheet.get(airflow), sheet.get("return_air_density")
        here = local_density(sheet, part)
        if found is None or moved is None or at_return is None or here is None:
            return None
        entry = sheet.ruleset.elements[ELEMENTS[part]]
        exponent = Measured(entry.exponent, {f"exponent.{ELEMENTS[part]}": entry.exponent_uncertainty})

        def at(drop: float, q: float, n: float, rho: float, local: float) -> float:
            return resistance.drop_carried(drop, q * rho / local, flow, n, local, density)

        return self.over(propagate(at, found, moved, exponent, at_return, here))


def local_density(sheet: Worksheet, part: str) -> Measured | None:
    """Density of the air in a part of the path; None without one at the return."""
    density = sheet.get("return_air_density")
    if density is None or part in ("filter", "return"):
        return density
    return (supply_density(sheet) or density) if part == "supply" else element_density(sheet, part, density)


def airflow_in_common(sheet: Worksheet, other: Worksheet) -> str | None:
    """Airflow quantity to compare two contexts by: one method on both where there is one, else the best of each."""
    common = [name for name in AIRFLOW_METHODS if _positive(sheet, name) and _positive(other, name)]
    if common:
        return min(common, key=lambda name: _share(sheet, name) + _share(other, name))
    told_by_drop = any("airflow.from_drop" in each.observations for each in (sheet, other))
    best = not told_by_drop and _positive(sheet, "airflow") and _positive(other, "airflow")
    return "airflow" if best else None


def _positive(sheet: Worksheet, name: str) -> bool:
    found = sheet.get(name)
    return found is not None and found.value > 0.0


def _share(sheet: Worksheet, name: str) -> float:
    found = sheet.get(name)
    return 0.0 if found is None else found.uncertainty / found.value


# Two visits ------------------------------------------------------------------------------------------------------


def compare_with_earlier(sheet: Worksheet, seen: Sequence[Seen]) -> None:
    """The newest earlier visit with a like context against this one; what was done since, and what differs on paper."""
    sheet.observations.add("history.present")
    found = next(
        ((entry, other) for entry in reversed(seen) if (other := counterpart(sheet, entry.sheets)) is not None), None
    )
    if found is None:
        sheet.observations.add("history.no_like_state")
        words = "an earlier visit with readings in this mode, with the same zones, doors and exhaust fans"
        if sheet.blower_on:
            for name in ("airflow", "external_static_pressure"):
                sheet.lack(f"{name}_to_earlier", words)
            for part in ("filter", "coil"):
                if sheet.index(part) is not None:
                    sheet.lack(f"{part}_resistance_to_earlier", words)
        return
    entry, other = found
    done = work_since(sheet.visit, seen, entry)
    sheet.observations |= {f"work.{kind}" for kind in done}
    sheet.observations.add("work.done" if done else "work.none_stated")
    compare_contexts(other, sheet)
    _facts(sheet, other, done)
    _copied(sheet, other)


def work_since(visit: Visit, seen: Sequence[Seen], entry: Seen) -> frozenset[str]:
    """Kinds of work done after an earlier visit, as that and later visits state it."""
    place = [other.at for other in seen].index(entry.at)
    return frozenset(kind for kind, start, _ in _all_work(visit, seen) if start > place)


def _all_work(visit: Visit, seen: Sequence[Seen]) -> list[tuple[str, int, datetime.date | None]]:
    """Each work's kind, the place of the first visit read after it, and its day. The visit itself has the last place.

    Undated work was done between the visit that states it and the one before. Dated work of the day of an earlier
    visit came after that visit's readings, unless that visit states it.
    """
    visits = [*(entry.visit for entry in seen), visit]
    days = [other.visited_at.date() for other in visits if other.visited_at is not None]
    return work_between(days, visits)


def work_between(days: Sequence[datetime.date], visits: Sequence[Visit]) -> list[tuple[str, int, datetime.date | None]]:
    """Each work that visits of these days, oldest first, state: its kind, the place of the first visit read after it,
    and its day; `_all_work` says how it is placed."""
    found = []
    for place, other in enumerate(visits):
        for work in other.work:
            start = place
            if work.done_on is not None:
                since = (i for i, day in enumerate(days) if day > work.done_on or (i >= place and day >= work.done_on))
                start = next(since, place)  # no day of its own where a visit states it ahead of the day
            found.append((work.kind, start, work.done_on))
    return found


def compare_contexts(before: Worksheet, after: Worksheet) -> None:
    """Record on `after` what changed since `before`, a like context of an earlier visit to the same equipment.

    Recorded are, as far as both have the readings: `airflow_to_earlier`, `external_static_pressure_to_earlier`,
    `<part>_resistance_to_earlier`, `blower_power_to_earlier`, `heat_to_earlier`, `cooling_capacity_to_earlier`,
    leakages and house pressures; what cannot be compared is lacking, with what it takes.
    """
    then, now = Reader(before, "earlier"), Reader(after)
    day = "" if before.visit.visited_at is None else f" of {before.visit.visited_at.date().isoformat()}"
    against = f"over that of the visit{day}"
    if after.blower_on:
        flow = airflow_in_common(after, before)
        _setting(before, after)
        _fan(then, now, flow, against)
        for part in ELEMENTS:
            _resistance(then, now, part, flow, against)
        _heat(then, now, flow, against)
    for name in PLAIN_RATIOS:
        one, other = now.get(name), then.get(name)
        if one is not None and other is not None:
            _ratio(after, f"{name}_to_earlier", one, other, f"{name.replace('_', ' ')} {against}", (name,))
        elif one is not None:
            after.lack(f"{name}_to_earlier", f"the same test on the earlier visit{day}")
    for name in PLAIN_DIFFERENCES:
        one, other = now.get(name), then.get(name)
        if one is not None and other is not None:
            after.record(
                f"{name}_since_earlier",
                difference(one, other),
                f"less that of the visit{day}",
                (name, f"earlier.{name}"),
            )
        elif one is not None:
            after.lack(f"{name}_since_earlier", f"{name.replace('_', ' ')} on the earlier visit{day}")


def _ratio(
    sheet: Worksheet, name: str, one: Measured, other: Measured, method: str, inputs: tuple[str, ...]
) -> Measured | None:
    behind = tuple(f"earlier.{entry}" for entry in inputs)
    return sheet.attempt(name, method, (*inputs, *behind), lambda: ratio(one, other))


def _setting(before: Worksheet, after: Worksheet) -> None:
    settings = (before.state.speed_setting, after.state.speed_setting)
    if None in settings:
        after.observations.add("speed_setting.not_comparable")
    elif settings[0] == settings[1]:
        after.observations.add("speed_setting.same")
    else:
        after.observations.add("speed_setting.differs")


def _fan(then: Reader, now: Reader, flow: str | None, against: str) -> None:
    """Airflow, external static pressure and power, at one speed setting and equal density."""
    sheet = now.sheet
    if "speed_setting.same" not in sheet.observations:
        names = ["airflow", "external_static_pressure"] + ["blower_power"] * (sheet.get("blower_power") is not None)
        for name in names:
            sheet.lack(f"{name}_to_earlier", "both visits in one speed setting, stated for the operating state of each")
        return
    moved = None
    if flow is None:
        sheet.lack("airflow_to_earlier", "an airflow method that rests on no part's drop, on both visits")
    else:
        one, other = now.get(flow), then.get(flow)
        assert one is not None
        assert other is not None
        moved = _ratio(sheet, "airflow_to_earlier", one, other, f"{_plain(flow)} {against}", (flow,))
    density = sheet.get("return_air_density")
    pressures = powers = None
    if density is not None:
        pressures = [reader.at_density("external_static_pressure", density.value) for reader in (now, then)]
        powers = [reader.at_density("blower_power", density.value) for reader in (now, then)]
    if pressures is None or pressures[0] is None or pressures[1] is None:
        sheet.lack("external_static_pressure_to_earlier", "external static pressure and site elevation on both visits")
    else:
        _ratio(
            sheet, "external_static_pressure_to_earlier", pressures[0], pressures[1], f"at equal density, {against}",
            ("external_static_pressure", "return_air_density"),
        )  # fmt: skip
    if powers is None or powers[0] is None:
        return
    if powers[1] is None or moved is None:
        sheet.lack("blower_power_to_earlier", "blower power and one airflow method on both visits")
    elif abs(moved.value - 1.0) > sheet.ruleset.assumptions["same_point_span"].value:
        sheet.lack("blower_power_to_earlier", "about the same airflow on both visits, as power belongs to a flow")
    else:
        _ratio(
            sheet, "blower_power_to_earlier", powers[0], powers[1], f"at equal density and about equal flow, {against}",
            ("blower_power", "return_air_density"),
        )  # fmt: skip


def _resistance(then: Reader, now: Reader, part: str, flow: str | None, against: str) -> None:
    sheet, name = now.sheet, f"{part}_resistance_to_earlier"
    drop_name = f"{part}_pressure_drop" if part in ("filter", "coil") else f"{part}_duct_pressure_drop"
    if drop_name not in sheet.quantities and drop_name not in sheet.lacking:
        return
    if part == "coil" and not same_surface(then.sheet, sheet):
        sheet.lack(name, "both visits with a wet coil, or both with a dry one")
        return
    here = local_density(sheet, part)
    if flow is None or here is None:
        sheet.lack(name, "an airflow method that rests on no part's drop, and site elevation, on both visits")
        return
    moved = sheet.get(flow)
    assert moved is not None
    try:
        one, other = (reader.drop(part, moved.value, here.value, flow) for reader in (now, then))
    except OutOfRange:
        one = other = None
    if one is None or other is None:
        sheet.lack(name, f"static_pressure before and after the {part.replace('_', ' ')} on both visits")
        return
    _ratio(
        sheet, name, one, other, f"drop at equal flow and density, {against}; flow by {_plain(flow)}",
        (drop_name, flow, "return_air_density"),
    )  # fmt: skip


def _heat(then: Reader, now: Reader, flow: str | None, against: str) -> None:
    """Temperature rise at equal flow while heating, capacity while cooling."""
    sheet = now.sheet
    if sheet.state.mode == "heating" and sheet.get("temperature_rise") is not None:
        if flow is None or flow == "airflow_from_temperature_rise" or then.get("temperature_rise") is None:
            sheet.lack("heat_to_earlier", "temperature rise, and an airflow method other than it, on both visits")
        else:
            one, other = (_heat_carried(reader, flow) for reader in (now, then))
            if one is not None and other is not None:
                _ratio(
                    sheet, "heat_to_earlier", one, other, f"temperature rise at equal mass flow, {against}",
                    ("temperature_rise", flow, "return_air_density"),
                )  # fmt: skip
    if sheet.state.mode == "cooling" and sheet.get("net_total_capacity") is not None:
        one, other = now.get("net_total_capacity"), then.get("net_total_capacity")
        apart = weather_apart(then.sheet, sheet)
        if one is None or other is None or apart is None:
            sheet.lack("cooling_capacity_to_earlier", "capacity and outdoor temperature on both visits")
        elif apart > sheet.ruleset.assumptions["same_weather_span"].value:
            sheet.lack("cooling_capacity_to_earlier", "about the same outdoor and return air on both visits")
        else:
            _ratio(
                sheet,
                "cooling_capacity_to_earlier",
                one,
                other,
                f"net total capacity {against}",
                ("net_total_capacity",),
            )


def _heat_carried(reader: Reader, flow: str) -> Measured | None:
    rise, moved, density = (reader.sheet.get(name) for name in ("temperature_rise", flow, "return_air_density"))
    if rise is None or moved is None or density is None:
        return None
    return reader.over(propagate(lambda kelvin, q, rho: kelvin * q * rho, rise, moved, density))


def weather_apart(before: Worksheet, after: Worksheet) -> float | None:
    """Largest difference (K) of what the capacity depends on: outdoor air and return air; None where not read."""
    gaps = []
    for name in ("outdoor_air_temperature", "return_air_temperature"):
        one, other = after.get(name), before.get(name)
        if one is None or other is None:
            return None
        gaps.append(abs(one.value - other.value))
    return max(gaps)


def _facts(sheet: Worksheet, other: Worksheet, done: frozenset[str]) -> None:
    differing = differing_facts(other.visit, sheet.visit, done)
    words = f"stated otherwise: {', '.join(differing)}" if differing else "stated alike wherever both visits state it"
    sheet.record(
        "equipment_facts_differing", Measured(float(len(differing))), words, ("equipment", "earlier.equipment")
    )


def differing_facts(before: Visit, after: Visit, done: frozenset[str] = frozenset()) -> tuple[str, ...]:
    """Names of facts of the equipment that both visits state, and differently; not those that stated work changes."""
    one, other = after.equipment, before.equipment
    pairs: dict[str, tuple[object, object]] = {
        "arrangement": (one.arrangement, other.arrangement),
        "blower kind": (one.blower_kind, other.blower_kind),
        "filter kind": (one.filter_kind, other.filter_kind),
        "filter rating": (_plain_rating(one.filter_rating), _plain_rating(other.filter_rating)),
        "wet coil rating": (_plain_rating(one.coil_rating_wet), _plain_rating(other.coil_rating_wet)),
        "dry coil rating": (_plain_rating(one.coil_rating_dry), _plain_rating(other.coil_rating_dry)),
    }
    for name, rated in one.ratings.items():
        if name in other.ratings and name not in ("blower_phases", "electric_heat_phases"):
            pairs[name.replace("_", " ")] = (_rounded(rated.value), _rounded(other.ratings[name].value))
    tables = {table.setting: table for table in other.tables}
    for table in one.tables:
        if table.setting in tables:
            rows = [[_rounded(p.external_static_pressure), _rounded(p.airflow)] for p in table.points]
            there = [[_rounded(p.external_static_pressure), _rounded(p.airflow)] for p in tables[table.setting].points]
            pairs["blower table"] = (rows, there)
    changed = tuple(
        part
        for part, kinds in (
            ("filter", {"filter_replaced"}),
            ("coil", {"coil_replaced"}),
            ("blower", {"blower_replaced"}),
        )
        if kinds & done
    )
    return tuple(
        name
        for name, (new, old) in pairs.items()
        if new is not None and old is not None and new != old and not any(part in name for part in changed)
    )


def _plain_rating(rating: PressureDropRating | None) -> tuple[float, ...] | None:
    return None if rating is None else tuple(map(_rounded, (rating.drop, rating.flow, rating.density)))


def _rounded(value: float) -> float:
    """Three figures: what is left of a number that was written down in another unit."""
    return float(f"{value:.3g}")


def _copied(sheet: Worksheet, other: Worksheet) -> None:
    """Share of the readings that both visits took which are equal to the digit."""
    then = {_place(r): r.measured.value for r in other.readings if r.kind in COPIED_KINDS}
    pairs = [
        (reading.key, reading.measured.value, then[_place(reading)])
        for reading in sheet.readings
        if reading.kind in COPIED_KINDS and _place(reading) in then and reading.measured.value != 0.0
    ]
    if len(pairs) < sheet.ruleset.assumptions["copied_readings_fewest"].value:
        return
    equal = [key for key, one, two in pairs if math.isclose(one, two, rel_tol=1e-9)]
    sheet.record(
        "readings_repeated",
        Measured(len(equal) / len(pairs)),
        f"equal to the digit: {len(equal)} of {len(pairs)}",
        equal,
    )


def _place(reading: object) -> tuple[object, ...]:
    return tuple(getattr(reading, name) for name in ("kind", "location", "low", "room", "method"))


def _plain(name: str) -> str:
    return name.replace("_", " ")


# Several visits --------------------------------------------------------------------------------------------------


class Point(msgspec.Struct, frozen=True):
    """A value of one visit in a trend: when, and how much, in one SI unit for all; error sources are shared by name."""

    at: datetime.datetime
    value: Measured


class Trend(msgspec.Struct, frozen=True):
    """Where a value leads: its slope a second in its own SI unit, on how many visits it rests, over what time (s)."""

    slope: Measured
    visits: int
    span: float


def trend_of(points: Sequence[Point], name: str = "trend", share_of_last: bool = False) -> Trend:
    """The robust slope of a value over visits, for any quantity.

    The uncertainty is that of the points carried through the line (`trend.slope_weights`); where the scatter about it
    says more, the rest is an error source `scatter.<name>`.

    Parameters
    ----------
    points : two or more of different moments, in any order
    name : of the error source that holds the scatter
    share_of_last : slope as a share of the last value instead of in its unit

    Raises
    ------
    OutOfRange : fewer than two different moments, or the last value is zero and was to be divided by
    """
    ordered = sorted(points, key=lambda point: point.at)
    last = ordered[-1]
    times = [(point.at - last.at).total_seconds() for point in ordered]
    line = trend.robust_line(times, [point.value.value for point in ordered], LEVEL)
    carried = combine(*zip(trend.slope_weights(times), (point.value for point in ordered), strict=True))
    terms = dict(carried.terms)
    more = ((line.high - line.low) / (2.0 * COVERAGE)) ** 2 - carried.uncertainty**2
    if more > 0.0:
        terms[f"scatter.{name}"] = math.sqrt(more)
    slope = Measured(line.slope, terms)
    if share_of_last:
        slope = ratio(slope, last.value)
    return Trend(slope, len(ordered), times[-1] - times[0])


def trends(sheet: Worksheet, seen: Sequence[Seen], limits: Limits) -> None:
    """Growth of filter and coil resistance, external static pressure and airflow, and when limits are reached."""
    if not sheet.blower_on:
        return
    now = Reader(sheet)
    readers = [
        Reader(other, f"visit.{entry.at.isoformat()}")
        for entry in seen
        for other in (counterpart(sheet, entry.sheets),)
        if other is not None
    ]
    moments = [entry.at for entry in seen if counterpart(sheet, entry.sheets) is not None]
    for part in ("filter", "coil"):
        if f"{part}_pressure_drop" in sheet.quantities:
            _growth_of_drop(sheet, seen, now, readers, moments, part)
    if "external_static_pressure" in sheet.quantities:
        _growth_of_fan(sheet, seen, now, readers, moments)
    _forecast(
        sheet, limits, "filter_time_to_limit", "filter_pressure_drop_to_rated", "filter_resistance_growth",
        "filter_pressure_drop_against_rating",
    )  # fmt: skip
    _forecast(
        sheet, limits, "external_static_pressure_time_to_limit", "external_static_pressure",
        "external_static_pressure_growth", "external_static_pressure_maximum",
    )  # fmt: skip
    _filter_life(sheet, seen)


def _since(sheet: Worksheet, seen: Sequence[Seen], about: str) -> datetime.datetime | None:
    """Moment of the first visit read after the last work that bears on a trend; None where it begins with this one."""
    starts = [start for kind, start, _ in _all_work(sheet.visit, seen) if kind in BEARING[about]]
    start = max(starts, default=0)
    return seen[start].at if start < len(seen) else None


def _grow(
    sheet: Worksheet,
    seen: Sequence[Seen],
    name: str,
    source: str,
    about: str,
    points: list[Point],
    last: Measured | None,
    words: str,
) -> None:
    """Record a growth as a share of today's value in a second, or say what it takes."""
    assumptions, at = sheet.ruleset.assumptions, sheet.visit.visited_at
    assert at is not None
    since = _since(sheet, seen, about)
    fewest = int(assumptions["trend_fewest_visits"].value)
    shortest = assumptions["trend_filter_span" if about == "filter" else "trend_span"].value
    kept = [] if since is None else [point for point in points if point.at >= since]
    if last is None or len(kept) + 1 < fewest:
        sheet.lack(name, f"{fewest} visits with {words}, this one among them, with no work on it in between")
        return
    span = (at - min(point.at for point in kept)).total_seconds()
    if span < shortest * DAY:
        sheet.lack(name, f"visits over at least {shortest:.0f} days; these cover {span / DAY:.0f}")
        return
    now = last
    sheet.attempt(
        name,
        f"robust slope through {len(kept) + 1} visits over {span / DAY:.0f} days, as a share of today's value",
        (source, *(f"visit.{point.at.date().isoformat()}" for point in kept)),
        lambda: trend_of([*kept, Point(at, now)], name, share_of_last=True).slope,
    )


def _growth_of_drop(
    sheet: Worksheet,
    seen: Sequence[Seen],
    now: Reader,
    readers: list[Reader],
    moments: list[datetime.datetime],
    part: str,
) -> None:
    here = local_density(sheet, part)
    points: list[Point] = []
    last = None
    for reader, at in zip(readers, moments, strict=True):
        flow = airflow_in_common(sheet, reader.sheet)
        today = None if flow is None else sheet.get(flow)
        if flow is None or today is None or here is None or (part == "coil" and not same_surface(sheet, reader.sheet)):
            continue
        try:
            carried, mine = (each.drop(part, today.value, here.value, flow) for each in (reader, now))
        except OutOfRange:
            continue
        if carried is not None and mine is not None and carried.value > 0.0 and mine.value > 0.0:
            points.append(Point(at, carried))
            last = mine
    words = f"drop of the {part}, airflow and site elevation"
    _grow(sheet, seen, f"{part}_resistance_growth", f"{part}_pressure_drop", part, points, last, words)


def _growth_of_fan(
    sheet: Worksheet, seen: Sequence[Seen], now: Reader, readers: list[Reader], moments: list[datetime.datetime]
) -> None:
    """External static pressure at equal density, and airflow by one method, all in one speed setting."""
    alike = [(reader, at) for reader, at in zip(readers, moments, strict=True) if same_setting(sheet, reader.sheet)]
    density = sheet.get("return_air_density")
    pressures: list[Point] = []
    last = None
    if density is not None:
        last = now.at_density("external_static_pressure", density.value)
        for reader, at in alike:
            pressure = reader.at_density("external_static_pressure", density.value)
            if pressure is not None:
                pressures.append(Point(at, pressure))
    words = "external static pressure in this speed setting, and site elevation"
    _grow(sheet, seen, "external_static_pressure_growth", "external_static_pressure", "air", pressures, last, words)
    methods = {flow for reader, _ in alike if (flow := airflow_in_common(sheet, reader.sheet)) is not None}
    flow = min(methods, key=lambda name: _share(sheet, name), default=None)
    if flow is not None:
        points = [Point(at, value) for reader, at in alike if (value := reader.get(flow)) is not None]
        words = "airflow by one method in this speed setting"
        _grow(sheet, seen, "airflow_growth", flow, "air", points, now.get(flow), words)


def _forecast(sheet: Worksheet, limits: Limits, name: str, quantity: str, growth_name: str, criterion: str) -> None:
    """Time until a rising value reaches the upper limit in force; nothing is said where it is there already."""
    value, growth = sheet.get(quantity), sheet.get(growth_name)
    if growth is None:
        if growth_name in sheet.lacking:
            sheet.lack(name, *sheet.lacking[growth_name])
        return
    limit = limits(sheet, criterion)
    if value is None or limit is None:
        sheet.lack(name, f"{quantity.replace('_', ' ')} and a limit for it")
        return
    if value.value >= limit:
        return  # the criterion itself says so
    if not growth.value > sheet.ruleset.assumptions["trend_proof"].value * growth.uncertainty:
        sheet.lack(name, "a rise that stands out from its uncertainty; more visits, or more time between them")
        return
    sheet.attempt(
        name,
        f"robust line to the limit of {criterion.replace('_', ' ')}",
        (quantity, growth_name, f"limit.{criterion}"),
        lambda: propagate(lambda now, grown: trend.time_until(now, now * grown, limit), value, growth),
    )


def _filter_life(sheet: Worksheet, seen: Sequence[Seen]) -> None:
    """Time from the last filter change to the limit."""
    left, at = sheet.get("filter_time_to_limit"), sheet.visit.visited_at
    if left is None or at is None:
        return
    changes = [(start, day) for kind, start, day in _all_work(sheet.visit, seen) if kind in BEARING["filter"]]
    day = max(changes, key=lambda change: change[0])[1] if changes else None
    if day is None:
        sheet.lack("filter_life", "the day the filter was changed, in work_done")
        return
    # Which hour of its day the filter was changed is not stated.
    used = Measured((at.date() - day).total_seconds(), {"filter_change.hour": DAY / math.sqrt(12.0)})
    sheet.record(
        "filter_life",
        combine((1.0, used), (1.0, left)),
        "days since its change plus days to the limit",
        ("filter_time_to_limit", "work_done"),
    )
