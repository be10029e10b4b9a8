"""The sheet that one operating context is worked out on: readings in, quantities and what is lacking out."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Literal, Protocol, TypeVar

from service.derive.propagate import mean, with_error
from service.errors import OutOfRange
from service.model.quantity import Measured, Quantity
from service.model.ruleset import Ruleset
from service.model.visit import AMBIENT, WHOLE_HOUSE, Element, LeakageTest, Reading, State, Visit

OF_THE_HOUSE = frozenset(
    {"station_pressure", "spillage", "draft_pressure", "flue_carbon_monoxide", "ventilation_airflow", "capacitance"}
)
"""Kinds of reading that belong to the whole house: to every area, unless they name one."""


class Placed(Protocol):
    """What was taken in one operating state and part of the house, or holds in all of them."""

    @property
    def state(self) -> str | None:
        """State id; None where it holds in every state."""

    @property
    def area(self) -> str | None:
        """Part of the house; None where it is of the whole."""


Record = TypeVar("Record", bound=Placed)

LARGEST = 1e60
"""Beyond this, in SI units, a number means nothing and may not survive the change of its unit."""


def holds_everywhere(reading: Reading, ruleset: Ruleset) -> bool:
    """Whether a reading belongs to every area: the site's barometer, and air at a place told without an area."""
    if reading.kind == "station_pressure":
        return True
    return reading.area is None and (reading.kind in OF_THE_HOUSE or reading.location in ruleset.places)


class Worksheet:
    """Readings, quantities and observations of one operating state and one area, or of the whole house.

    On the sheet of the whole house stand the records that belong to no state and no area. They stand on every other
    sheet as well, beside those of its state.

    Attributes:
        quantities: derived quantities by name; where several elements have one, by name and subject.
        lacking: quantity name -> what is missing for it. A quantity that does not apply to the context is in
            neither, so nothing is said of it.
        observations: yes-or-no tokens that hold.
        own: those among them that a record of this very state brings, whatever the house brings.
        whole_house: whether this is the sheet of the whole house; its state is then no state of the visit.
        shared: what was worked out from the visit alone, for all its sheets.
        gaps: station before each element of the path, and after the last; the ambient air at both ends.
        blower_on: whether air was moved; a system that is off moves none.
        return_humidity: humidity ratio of the return air, read or taken as usual; None without a barometric pressure.
    """

    def __init__(
        self,
        visit: Visit,
        ruleset: Ruleset,
        state: State,
        area: str | None,
        shared: dict[tuple[str, ...], Any] | None = None,
    ) -> None:
        self.visit = visit
        self.ruleset = ruleset
        self.state = state
        self.area = area
        self.shared = {} if shared is None else shared
        self.quantities: dict[str, Quantity] = {}
        self.lacking: dict[str, tuple[str, ...]] = {}
        self.observations: set[str] = set()
        self.own: set[str] = set()
        self.whole_house = state is WHOLE_HOUSE
        self.gaps = (AMBIENT, *visit.equipment.stations, AMBIENT)
        self.blower_on = state.blower == "on" and state.mode != "off"
        self.return_humidity: Measured | None = None
        self._measured: dict[str, Measured] = {}
        self.readings = [reading for reading in visit.readings if self._belongs(reading)]
        self._by_kind: dict[str, list[Reading]] = {}
        for reading in self.readings:
            self._by_kind.setdefault(reading.kind, []).append(reading)

    def _belongs(self, reading: Reading) -> bool:
        if reading.state is not None and reading.state != self.state.id:
            return False
        return reading.area == self.area or holds_everywhere(reading, self.ruleset)

    def see(self, token: str, of_state: str | None) -> None:
        """Note a token that a record of the state brings; None where the record is of the whole house."""
        self.observations.add(token)
        if of_state is not None:
            self.own.add(token)

    # Readings --------------------------------------------------------------------------------------------------

    def of_kind(self, kind: str) -> list[Reading]:
        """Readings of one kind, in the order of the payload."""
        return self._by_kind.get(kind, [])

    def reading(self, kind: str, locations: Iterable[str]) -> tuple[Measured, tuple[str, ...], str] | None:
        """Mean of the readings at the first of the locations that has any, their keys, and that location."""
        found = self.of_kind(kind)
        if not found:
            return None
        for location in locations:
            here = [reading for reading in found if reading.location == location]
            if here:
                keys = tuple(r.key for r in here)
                return mean([r.measured for r in here], f"{keys[0]}.scatter"), keys, location
        return None

    def of_context(self, records: Iterable[Record], *, of_whole: bool = False) -> list[Record]:
        """Records of this state and area; those of the whole house as well where `of_whole` says so."""
        return [
            record
            for record in records
            if record.state in (None, self.state.id)
            and (record.area == self.area or (of_whole and record.area is None))
        ]

    def leakage_tests(self, subject: Literal["duct", "envelope"]) -> list[LeakageTest]:
        """Leakage tests of the ducts or of the envelope that hold in this state and area."""
        return [
            test
            for test in self.visit.leakage_tests
            if test.subject == subject and test.state in (None, self.state.id) and test.area in (None, self.area)
        ]

    # Path ------------------------------------------------------------------------------------------------------

    @property
    def path(self) -> tuple[Element, ...]:
        """Elements in the direction of flow."""
        return self.visit.equipment.path

    def index(self, kind: str) -> int | None:
        """Place of the first element of a kind in the path."""
        return next((index for index, element in enumerate(self.path) if element.kind == kind), None)

    # Quantities ------------------------------------------------------------------------------------------------

    def get(self, name: str) -> Measured | None:
        """A quantity worked out before, or None."""
        return self._measured.get(name)

    def record(
        self, name: str, measured: Measured, method: str, inputs: Iterable[str], subject: str | None = None
    ) -> Measured:
        """Keep a quantity; with a subject, further ones of that name stand beside the first.

        Raises
        ------
        OutOfRange : value or uncertainty is not a number, or beyond `LARGEST`; cannot happen to sums of readings
        """
        uncertainty = measured.uncertainty
        if not (abs(measured.value) <= LARGEST and uncertainty <= LARGEST):
            raise OutOfRange(name, measured.value, -LARGEST, LARGEST)
        sides = measured.sides
        if measured.sampled:
            method = f"{method}; uncertainty by sampling"
            measured = Measured(measured.value, measured.terms)  # what rests on it says it for itself
        key = name
        if name in self.quantities:
            key = f"{name}:{subject}"
        else:
            self._measured[name] = measured
        self.quantities[key] = Quantity(
            name=name,
            value=measured.value,
            uncertainty=uncertainty,
            method=method,
            inputs=tuple(inputs),
            terms=measured.terms,
            subject=subject,
            sides=sides,
        )
        self.lacking.pop(name, None)
        return measured

    def lack(self, name: str, *missing: str) -> None:
        """Say what is missing for a quantity that would apply."""
        if name not in self.quantities:
            self.lacking[name] = missing

    def attempt(
        self,
        name: str,
        method: str,
        inputs: Iterable[str],
        function: Callable[[], Measured],
        subject: str | None = None,
    ) -> Measured | None:
        """Keep what the function works out; where the physics refuses the values, say so as what is lacking."""
        try:
            return self.record(name, function(), method, inputs, subject)
        except OutOfRange as error:
            self.lack(name, f"readings that can be true together ({error.name.replace('_', ' ')} is out of range)")
            return None

    def assumption(self, name: str) -> Measured:
        """An assumed value with its own error source, in the unit the assumption is stated in."""
        entry = self.ruleset.assumptions[name]
        return with_error(Measured(entry.value), f"assumption.{name}", entry.uncertainty)

    def exponent(self, kind: str) -> Measured:
        """Exponent of the flow in the pressure drop of a kind of part."""
        entry = self.ruleset.elements[kind]
        return with_error(Measured(entry.exponent), f"exponent.{kind}", entry.exponent_uncertainty)

    def mixed(self, temperature: Measured, location: str) -> Measured:
        """One temperature reading that stands for a stream which is not fully mixed, or for that of all registers."""
        spread = self.ruleset.assumptions["temperature_mixing"].uncertainty
        return with_error(temperature, f"mixing.{location}", spread)

    def tolerance(self, name: str) -> float:
        """Standard uncertainty of a rating, as a share of its value."""
        return self.ruleset.assumptions[f"tolerance_{name}"].uncertainty
