"""What is known of equipment, for choosing the words that belong to it."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from service.model.ruleset import EquipmentMatch

HEATING_PARTS = {"gas": "heat_exchanger", "electric": "electric_heater"}
"""Kind of heating -> the part of the air path that it is done with, where it has one of its own."""


class Equipped(msgspec.Struct, frozen=True):
    """What is known of one installation; None where it is left open.

    Attributes:
        arrangement: as in the vocabulary.
        blower_kind: as in the request.
        heating: everything that warms its air.
        parts: kinds of elements that its air path has or may have.
        appliances: whether a fuel-burning appliance is in the house, the equipment itself among them.
    """

    arrangement: str | None = None
    blower_kind: str | None = None
    heating: frozenset[str] | None = None
    parts: frozenset[str] | None = None
    appliances: bool | None = None

    def may_be(self, match: EquipmentMatch) -> bool:
        """Whether this can be equipment of that kind: nothing that is known speaks against it."""
        return (
            _open_or_in(self.arrangement, match.arrangement)
            and _open_or_in(self.blower_kind, match.blower_kind)
            and _open_or_any(self.heating, match.heating)
            and _open_or_any(self.parts, match.parts)
            and not (match.appliances and self.appliances is False)
        )

    def may_be_any(self, matches: list[EquipmentMatch]) -> bool:
        """Whether this can be equipment of one of these kinds; of none where the list is empty."""
        return any(self.may_be(match) for match in matches)


def _open_or_in(known: str | None, wanted: Sequence[str]) -> bool:
    return not wanted or known is None or known in wanted


def _open_or_any(known: frozenset[str] | None, wanted: Sequence[str]) -> bool:
    return not wanted or known is None or not known.isdisjoint(wanted)
