"""The air path: elements with unique names, the rating boundary, and what a location's name means on it."""

from __future__ import annotations

import difflib

from msgspec import UNSET

from service.model.ruleset import Ruleset
from service.model.visit import AMBIENT, Element, SetAside
from service.wire import request as wire

OUTLET = "outlet"
"""The open end downstream: its pressure is the room's, its air is not."""


class AirPath:
    """The path of one visit's equipment, with everything that could not be used of what the client said of it."""

    def __init__(self, equipment: wire.Equipment, ruleset: Ruleset) -> None:
        self.set_aside: list[SetAside] = []
        self._ruleset = ruleset
        default = ruleset.arrangements[equipment.arrangement]
        self.elements = self._elements(equipment, [Element(kind, kind) for kind in default.air_path])
        self.inside, self.boundary_assumed = self._boundary(equipment, default.inside)

    def _elements(self, equipment: wire.Equipment, default: list[Element]) -> tuple[Element, ...]:
        if equipment.air_path is UNSET:
            return tuple(default)
        elements: list[Element] = []
        taken: set[str] = set()
        for index, part in enumerate(equipment.air_path):
            name = part.kind if part.name is UNSET else part.name
            if name in taken:
                if part.name is not UNSET:
                    self._aside(
                        f"#/equipment/air_path/{index}/name",
                        "name_taken",
                        "Another element of the air path has this name.",
                        "Give each element a name of its own.",
                    )
                name = next(f"{part.kind}_{n}" for n in range(2, 99) if f"{part.kind}_{n}" not in taken)
            taken.add(name)
            elements.append(Element(name, part.kind))
        if not any(element.kind == "blower" for element in elements):
            self._aside(
                "#/equipment/air_path",
                "no_blower",
                "The air path has no blower; the arrangement's usual path was taken instead.",
                "Put the blower where it stands in the direction of flow.",
            )
            return tuple(default)
        return tuple(elements)

    def _boundary(self, equipment: wire.Equipment, default: list[str]) -> tuple[tuple[str, ...], bool]:
        blowers = tuple(e.name for e in self.elements if e.kind == "blower")
        usual = self._contiguous([e.name for e in self.elements if e.kind in default]) or blowers[:1]
        if equipment.rating_boundary is UNSET:
            return usual, True
        stated = equipment.rating_boundary.inside
        names = {e.name for e in self.elements}
        unknown = [name for name in stated if name not in names]
        inside = self._contiguous([name for name in stated if name in names])
        if unknown or inside is None:
            self._aside(
                "#/equipment/rating_boundary/inside",
                "boundary_not_on_path",
                "The rating boundary must name neighbouring elements of the air path, the blower among them; "
                "the arrangement's usual boundary was taken instead.",
                "Name elements of the air path: " + ", ".join(e.name for e in self.elements) + ".",
            )
            return usual, True
        return inside, False

    def _contiguous(self, names: list[str]) -> tuple[str, ...] | None:
        """The names in path order if they are neighbours and hold a blower."""
        order = [e.name for e in self.elements]
        places = sorted({order.index(name) for name in names})
        if not places or places[-1] - places[0] + 1 != len(places):
            return None
        if not any(self.elements[place].kind == "blower" for place in places):
            return None
        return tuple(order[place] for place in places)

    def _aside(self, pointer: str, code: str, detail: str, remedy: str) -> None:
        self.set_aside.append(SetAside(pointer, code, detail, remedy))

    def gap(self, index: int) -> str:
        """Station between elements `index - 1` and `index`; ambient air before the first, `OUTLET` after the last."""
        if 0 < index < len(self.elements):
            return f"{self.elements[index - 1].name}|{self.elements[index].name}"
        return AMBIENT if index == 0 else OUTLET

    def station(self, location: str) -> str | None:
        """Canonical station of a trade name or of `before.<element>` / `after.<element>`; None if there is none."""
        side, _, name = location.partition(".")
        if side in ("before", "after") and name:
            return self._beside(side, self._named(name))
        entry = self._ruleset.stations.get(location)
        if entry is None:
            return None
        for side, kinds in (("before", entry.before), ("after", entry.after)):
            for kind in kinds:
                places = [i for i, e in enumerate(self.elements) if e.kind == kind]
                if places:
                    return self._beside(side, places)
        return None

    def _named(self, name: str) -> list[int]:
        """Places of the element of that name, or of all of that kind."""
        own = [i for i, e in enumerate(self.elements) if e.name == name]
        return own or [i for i, e in enumerate(self.elements) if e.kind == name]

    def _beside(self, side: str, places: list[int]) -> str | None:
        if not places:
            return None
        return self.gap(places[0]) if side == "before" else self.gap(places[-1] + 1)

    def station_names(self) -> dict[str, str]:
        """Trade names that mean a station of this path, and which; not those that mean its open ends."""
        found = {name: self.station(name) for name in self._ruleset.stations}
        return {name: station for name, station in found.items() if station not in (None, AMBIENT, OUTLET)}

    def names(self) -> list[str]:
        """Trade names of the stations this path has, and of the places."""
        return [*(name for name in self._ruleset.stations if self.station(name)), *self._ruleset.places]

    def remedy(self, location: str) -> str:
        """What to write instead of a location that this path does not have."""
        near = difflib.get_close_matches(location, self.names(), n=1)
        hint = f"Did you mean {near[0]}? " if near else ""
        return f"{hint}This air path has: {', '.join(self.names())}; also before.<element> and after.<element>."
