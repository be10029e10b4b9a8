"""Static pressures along the air path: differences between any two stations, whatever was read.

Every static pressure joins a station to the ambient air; every pressure difference joins two stations. The pressure
between two points is the sum along the shortest chain of readings between them, so a reading taken elsewhere is
carried over with measured drops, and each number keeps the error terms of exactly the readings it rests on.

Where readings are redundant and do not close, one of them is off. It is left out if it can be told which: if it alone
accounts for every proven gap, and what remains still closes at least once. Else the shortest chain stands.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

import msgspec

from service.derive.propagate import combine, difference, mean, ratio
from service.derive.worksheet import Worksheet
from service.model.figure import AirPath, PathStation
from service.model.quantity import Measured
from service.model.ruleset import Assumption
from service.model.visit import AMBIENT, Reading

DROP_KINDS = ("filter", "coil", "heat_exchanger", "electric_heater", "accessory", "zone_damper")
DUCT_KINDS = ("return_grille", "return_duct", "zone_damper", "supply_duct", "register")


class Rise(msgspec.Struct, frozen=True):
    """Pressure at one point minus pressure at another, and the readings it rests on."""

    measured: Measured
    keys: tuple[str, ...]


Link = tuple[str, str]
Assumptions = Mapping[str, Assumption]


class PressureNetwork:
    """Stations as points, readings as the links between them.

    Attributes:
        links: from each point to its neighbours, without what is outvoted.
        outvoted: low and high point of the link that the others contradict together, and its rise; None where none is.
    """

    def __init__(self, readings: list[Reading], assumptions: Assumptions | None = None) -> None:
        links: dict[tuple[str, str], list[Reading]] = {}
        for reading in readings:
            if reading.kind == "static_pressure" and reading.location is not None:
                links.setdefault((AMBIENT, reading.location), []).append(reading)
            elif reading.kind == "pressure_difference" and reading.location is not None and reading.low is not None:
                links.setdefault((reading.low, reading.location), []).append(reading)
        self.links: dict[str, dict[str, Rise]] = {}
        self.outvoted: tuple[Link, Rise] | None = None
        rises: dict[Link, Rise] = {}
        for (low, high), found in links.items():
            keys = tuple(reading.key for reading in found)
            rises[low, high] = Rise(mean([reading.measured for reading in found], f"{keys[0]}.scatter"), keys)
            self._join(low, high, rises[low, high])
        if assumptions is not None and any(AMBIENT not in link for link in rises):
            self._vote(rises, assumptions)

    def _join(self, low: str, high: str, rise: Rise) -> None:
        self.links.setdefault(low, {}).setdefault(high, rise)
        back = Rise(combine((-1.0, rise.measured)), rise.keys)
        self.links.setdefault(high, {}).setdefault(low, back)

    def _vote(self, rises: dict[Link, Rise], assumptions: Assumptions) -> None:
        """Leave out the one link that accounts for every gap, if there is such a one."""
        gaps = _gaps(rises, assumptions)
        if len(gaps) < 2 or not any(gaps):
            return
        suspects = []
        for link in rises:
            rest = {other: rise for other, rise in rises.items() if other != link}
            closures = _gaps(rest, assumptions)
            # One closure fewer: the link was part of one. What is left must still close, or it proves nothing.
            if 1 <= len(closures) < len(gaps) and not any(closures):
                suspects.append(link)
        if len(suspects) == 1:
            (low, high), rise = suspects[0], rises[suspects[0]]
            self.outvoted = (suspects[0], rise)
            del self.links[low][high], self.links[high][low]

    def rise(self, start: str, end: str, *, without: tuple[str, str] | None = None) -> Rise | None:
        """Pressure at `end` minus pressure at `start`, along the fewest readings; None where no chain joins them."""
        if start == end:
            return Rise(Measured(0.0), ())
        if without is None and end in self.links.get(start, {}):
            return self.links[start][end]
        came_from: dict[str, str] = {start: start}
        queue = deque([start])
        while queue:
            point = queue.popleft()
            for neighbour in self.links.get(point, {}):
                if neighbour in came_from or (without is not None and {point, neighbour} == set(without)):
                    continue
                came_from[neighbour] = point
                if neighbour == end:
                    return self._along(came_from, start, end)
                queue.append(neighbour)
        return None

    def _along(self, came_from: dict[str, str], start: str, end: str) -> Rise:
        steps: list[Rise] = []
        point = end
        while point != start:
            previous = came_from[point]
            steps.append(self.links[previous][point])
            point = previous
        if len(steps) == 1:
            return steps[0]
        total = combine(*((1.0, step.measured) for step in steps))
        return Rise(total, tuple(key for step in reversed(steps) for key in step.keys))


def _gaps(rises: Mapping[Link, Rise], assumptions: Assumptions) -> list[bool]:
    """For each independent closure of a network, whether the readings around it are proven not to close.

    A pressure may move between two readings, so every link has that doubt beside its own.
    """
    proof = assumptions["pressure_closure_proof"].value
    moved = assumptions["pressure_between_readings"].uncertainty
    potentials: dict[str, Measured] = {}
    around: dict[str, dict[str, tuple[float, Measured]]] = {}
    for (low, high), rise in rises.items():
        entry = Measured(rise.measured.value, {**rise.measured.terms, f"{rise.keys[0]}.moved": moved})
        around.setdefault(low, {})[high] = (1.0, entry)
        around.setdefault(high, {})[low] = (-1.0, entry)
    tree: set[frozenset[str]] = set()
    for start in around:
        if start in potentials:
            continue
        potentials[start] = Measured(0.0)
        queue = deque([start])
        while queue:
            point = queue.popleft()
            for neighbour, (sign, entry) in around[point].items():
                if neighbour not in potentials:
                    potentials[neighbour] = combine((1.0, potentials[point]), (sign, entry))
                    tree.add(frozenset((point, neighbour)))
                    queue.append(neighbour)
    gaps = []
    for low, high in rises:
        if frozenset((low, high)) not in tree:
            error = combine((1.0, around[low][high][1]), (-1.0, potentials[high]), (1.0, potentials[low]))
            gaps.append(abs(error.value) > proof * error.uncertainty)
    return gaps


def air_path(sheet: Worksheet) -> AirPath:
    """Static pressure at each station of the path against the ambient air, as far as readings reach it."""
    network = PressureNetwork(sheet.readings, sheet.ruleset.assumptions)
    stations = []
    for after, station in enumerate(sheet.gaps):
        rise = network.rise(AMBIENT, station) if sheet.blower_on else None
        read = station != AMBIENT and station in network.links.get(AMBIENT, {})
        stations.append(PathStation(after, None if rise is None else rise.measured, read))
    inside = [i for i, element in enumerate(sheet.path) if element.name in sheet.visit.equipment.inside]
    rated = sheet.visit.equipment.ratings.get("maximum_external_static_pressure")
    return AirPath(
        elements=tuple(sheet.path),
        stations=tuple(stations),
        inside=(inside[0], inside[-1]),
        external=sheet.get("external_static_pressure"),
        rated_maximum=None if rated is None else rated.value,
    )


def gap(sheet: Worksheet, index: int) -> str:
    """Station before the element at `index` of the path; the ambient air at its ends."""
    return sheet.gaps[index]


def boundary(sheet: Worksheet) -> tuple[str, str]:
    """Entering and leaving station of the rating boundary."""
    inside = [i for i, element in enumerate(sheet.path) if element.name in sheet.visit.equipment.inside]
    return gap(sheet, inside[0]), gap(sheet, inside[-1] + 1)


def station_words(sheet: Worksheet, station: str) -> str:
    """A station for people: `between the filter and the blower`."""
    if station == AMBIENT:
        return "the ambient air"
    up, down = station.split("|")
    names = {e.name: sheet.ruleset.elements[e.kind].title.lower() for e in sheet.path}
    return f"between the {names[up]} and the {names[down]}"


def derive_pressure(sheet: Worksheet) -> None:
    """External static pressure, drops, shares, and the checks of sign and closure."""
    network = PressureNetwork(sheet.readings, sheet.ruleset.assumptions)
    _largest(sheet)
    if not sheet.blower_on:
        return
    _signs(sheet)
    _closure(sheet, network)
    total = _external(sheet, network)
    _drops(sheet, network)
    _ducts(sheet, network)
    _shares(sheet, total)


def _largest(sheet: Worksheet) -> None:
    readings = [*sheet.of_kind("static_pressure"), *sheet.of_kind("pressure_difference")]
    if readings:
        largest = max(readings, key=lambda reading: abs(reading.measured.value))
        sign = -1.0 if largest.measured.value < 0.0 else 1.0
        sheet.record("largest_pressure_reading", combine((sign, largest.measured)), "reading", (largest.key,))


def _signs(sheet: Worksheet) -> None:
    blower = sheet.index("blower")
    if blower is None:
        return
    before, after = sheet.gaps[1 : blower + 1], sheet.gaps[blower + 1 : -1]
    returns = [reading for reading in sheet.of_kind("static_pressure") if reading.location in before]
    supplies = [reading for reading in sheet.of_kind("static_pressure") if reading.location in after]
    if returns:
        highest = max(returns, key=lambda reading: reading.measured.value)
        sheet.record(
            "highest_return_static_pressure", highest.measured, "reading", (highest.key,), subject=highest.location
        )
    if supplies:
        lowest = min(supplies, key=lambda reading: reading.measured.value)
        sheet.record(
            "lowest_supply_static_pressure", lowest.measured, "reading", (lowest.key,), subject=lowest.location
        )


def _closure(sheet: Worksheet, network: PressureNetwork) -> None:
    """The closure that is worst for its doubt; told of the outvoted reading, where there is one."""
    if network.outvoted is not None:
        (low, high), own = network.outvoted
        rest = network.rise(low, high)
        assert rest is not None
        error = difference(own.measured, rest.measured)
        sheet.record(
            "pressure_closure_error", error, "reading that the others contradict minus the way round",
            (*own.keys, *rest.keys),
        )  # fmt: skip
        return
    worst: tuple[float, Measured, tuple[str, ...]] | None = None
    for reading in sheet.of_kind("pressure_difference"):
        if reading.location is None or reading.low is None:
            continue
        other = network.rise(reading.low, reading.location, without=(reading.low, reading.location))
        if other is None:
            continue
        error = difference(reading.measured, other.measured)
        weight = abs(error.value) / max(error.uncertainty, 1e-9)
        if worst is None or weight > worst[0]:
            worst = (weight, error, (reading.key, *other.keys))
    if worst is not None:
        sheet.record("pressure_closure_error", worst[1], "direct reading minus the way round", worst[2])


def _external(sheet: Worksheet, network: PressureNetwork) -> Measured | None:
    entering, leaving = boundary(sheet)
    rise = network.rise(entering, leaving)
    name = "external_static_pressure"
    if rise is None or not rise.keys:
        missing = [
            f"static_pressure {station_words(sheet, station)}"
            for station in (entering, leaving)
            if station not in network.links.get(AMBIENT, {}) and station != AMBIENT
        ] or ["an air path with parts outside the rating boundary"]
        sheet.lack(name, *missing)
        sheet.lack("external_static_pressure_to_rating", *missing)
        if _spans_blower(sheet, network):
            sheet.observations.add("external_static_pressure.elsewhere")
        return None
    by_statics = all(station == AMBIENT or station in network.links.get(AMBIENT, {}) for station in (entering, leaving))
    if AMBIENT not in (entering, leaving) and leaving in network.links.get(entering, {}):
        method = "pressure difference read across the rating boundary"
    elif by_statics:
        method = "difference of the static pressures at the rating boundary"
    else:
        method = "static pressures read elsewhere, carried to the rating boundary with measured drops"
        sheet.observations.add("external_static_pressure.corrected")
    total = sheet.record(name, rise.measured, method, rise.keys)
    rated = sheet.visit.equipment.ratings.get("maximum_external_static_pressure")
    if rated is None:
        sheet.lack("external_static_pressure_to_rating", "rated_maximum_external_static_pressure")
    else:
        sheet.attempt(
            "external_static_pressure_to_rating",
            "external static pressure over the rated maximum",
            (name, "rating.maximum_external_static_pressure"),
            lambda: ratio(total, rated),
        )
    return total


def _spans_blower(sheet: Worksheet, network: PressureNetwork) -> bool:
    """Whether readings join some station before the blower to one after it."""
    blower = sheet.index("blower")
    if blower is None:
        return False
    before, after = sheet.gaps[1 : blower + 1], sheet.gaps[blower + 1 : -1]
    return any(network.rise(low, high) is not None for low in before for high in after)


def _drops(sheet: Worksheet, network: PressureNetwork) -> None:
    for index, element in enumerate(sheet.path):
        if element.kind not in DROP_KINDS:
            continue
        name = f"{element.kind}_pressure_drop"
        drop = network.rise(gap(sheet, index + 1), gap(sheet, index))
        if drop is None:
            if element.kind in ("filter", "coil"):
                sheet.lack(name, f"static_pressure before and after the {element.kind}")
            continue
        sheet.record(name, drop.measured, "pressure before minus pressure after", drop.keys, subject=element.name)


def _ducts(sheet: Worksheet, network: PressureNetwork) -> None:
    blower = sheet.index("blower")
    if blower is None:
        return
    for name, indices, words in (
        ("return_duct_pressure_drop", range(blower), "static_pressure at the return plenum"),
        ("supply_duct_pressure_drop", range(blower + 1, len(sheet.path)), "static_pressure at the supply plenum"),
    ):
        ducts = [index for index in indices if sheet.path[index].kind in DUCT_KINDS]
        if not ducts:
            continue
        # Something in between, such as a filter behind the grille, belongs to neither side: sum the pieces.
        starts = [index for index in ducts if index - 1 not in ducts]
        ends = [index + 1 for index in ducts if index + 1 not in ducts]
        pieces = [network.rise(gap(sheet, end), gap(sheet, start)) for start, end in zip(starts, ends, strict=True)]
        found = [piece for piece in pieces if piece is not None and piece.keys]
        if len(found) < len(pieces):
            sheet.lack(name, words if len(pieces) == 1 else "static_pressure at both ends of each duct")
        else:
            total = combine(*((1.0, piece.measured) for piece in found))
            keys = tuple(key for piece in found for key in piece.keys)
            sheet.record(name, total, "pressure before minus pressure after", keys)


def _shares(sheet: Worksheet, total: Measured | None) -> None:
    inside = {e.kind for e in sheet.path if e.name in sheet.visit.equipment.inside}
    for part, kind in (("return_duct", None), ("supply_duct", None), ("filter", "filter"), ("coil", "coil")):
        drop = sheet.get(f"{part}_pressure_drop")
        if kind in inside or (drop is None and f"{part}_pressure_drop" not in sheet.lacking):
            continue
        if drop is None or total is None:
            sheet.lack(f"{part}_share", "external static pressure and the drop of the part")
            continue
        whole, piece = total, drop
        sheet.attempt(
            f"{part}_share",
            "drop over external static pressure",
            (f"{part}_pressure_drop", "external_static_pressure"),
            lambda piece=piece, whole=whole: ratio(piece, whole),  # type: ignore[misc]
        )
