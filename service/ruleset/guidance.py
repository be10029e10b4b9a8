"""Procedures made whole: with their technique, for the equipment at hand, with the cautions that go with them."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from service.model.equipped import Equipped
from service.model.ruleset import Procedure, Ruleset, StationName

PARTS = ("probe", "isolate_first", "steps", "settled_when", "close_up", "mistakes")
"""Fields that a procedure shares with its technique."""


class Guidance(msgspec.Struct, frozen=True):
    """The parts of a procedure, its technique's sentences first."""

    probe: list[str]
    isolate_first: list[str]
    steps: list[str]
    settled_when: str
    close_up: list[str]
    mistakes: list[str]


def guidance(ruleset: Ruleset, procedure: Procedure) -> Guidance:
    """A procedure with what its technique adds."""
    if procedure.technique is None:
        return Guidance(**{name: getattr(procedure, name) for name in PARTS})
    shared = ruleset.techniques[procedure.technique]
    return Guidance(
        probe=[*shared.probe, *procedure.probe],
        isolate_first=[*shared.isolate_first, *procedure.isolate_first],
        steps=[*shared.steps, *procedure.steps],
        settled_when=procedure.settled_when or shared.settled_when,
        close_up=[*shared.close_up, *procedure.close_up],
        mistakes=[*shared.mistakes, *procedure.mistakes],
    )


def gives(ruleset: Ruleset, procedure: Procedure) -> list[str]:
    """Quantities that a procedure gives, through the one that it stands in for as well."""
    other = ruleset.procedures[procedure.in_place_of].gives if procedure.in_place_of else []
    return list(dict.fromkeys([*other, *procedure.gives]))


def sources(ruleset: Ruleset, procedure: Procedure) -> list[str]:
    """Sources of a procedure and its technique."""
    shared = ruleset.techniques[procedure.technique].sources if procedure.technique else []
    return list(dict.fromkeys([*procedure.sources, *shared]))


def has_station(station: StationName, parts: Iterable[str] | None) -> bool:
    """Whether an air path of these parts has a station; None where the parts are not known."""
    return parts is None or not set(parts).isdisjoint((*station.after, *station.before))


def locations(ruleset: Ruleset, procedure: Procedure, equipped: Equipped) -> list[str]:
    """Stations and places of a procedure that the equipment can have, the foremost first."""
    named = dict.fromkeys([*([procedure.station] if procedure.station else []), *procedure.locations])
    return [
        name for name in named if name not in ruleset.stations or has_station(ruleset.stations[name], equipped.parts)
    ]


def applies(ruleset: Ruleset, procedure: Procedure, equipped: Equipped) -> bool:
    """Whether the equipment can have the reading."""
    if procedure.only_on and not equipped.may_be_any(procedure.only_on):
        return False
    if procedure.station is None and not procedure.locations:
        return True
    return bool(locations(ruleset, procedure, equipped) or procedure.elsewhere)


def cautions(ruleset: Ruleset, procedure: Procedure, equipped: Equipped, at: Iterable[str]) -> list[str]:
    """Cautions of a procedure: its own, then those of the places `at` which it is taken."""
    named = list(procedure.cautions)
    for name in at:
        access = ruleset.access[name]
        named += access.cautions
        for arrangement, further in access.cautions_on.items():
            if equipped.arrangement in (None, arrangement):
                named += further
    return list(dict.fromkeys(named))


def cautions_of_equipment(ruleset: Ruleset, equipped: Equipped) -> list[str]:
    """Cautions that the equipment itself brings up, whatever is done to it."""
    return [name for name, entry in ruleset.cautions.items() if equipped.may_be_any(entry.with_equipment)]
