"""Cautions and sources gathered over a whole evaluation."""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Set

from service.model.equipped import HEATING_PARTS, Equipped
from service.model.evaluation import CautionText, Conclusions, SourceText
from service.model.ruleset import Ruleset
from service.ruleset.guidance import cautions_of_equipment


def equipped(held: Set[str], known: Set[str]) -> Equipped:
    """What observations and names of quantities tell of the equipment; heating that was neither stated nor seen is not
    there."""

    def told(prefix: str) -> frozenset[str]:
        return frozenset(token.removeprefix(prefix) for token in held if token.startswith(prefix))

    parts = told("element.")
    heating = {kind for kind in ("gas", "electric") if f"{kind}_heat.present" in held}
    heating |= {kind for kind, part in HEATING_PARTS.items() if part in parts}
    heating |= {"hydronic"} if "hydronic_heat" in known else set()
    heating |= {"heat_pump"} if "heat_pump_output" in known else set()
    blower = next(iter(told("blower_kind.") - {"unknown"}), None)
    arrangement = next(iter(told("arrangement.")), None)
    appliances = "gas" in heating or bool(told("appliance."))
    return Equipped(arrangement, blower, frozenset(heating), parts, appliances)


def cautions_of(ruleset: Ruleset, parts: Sequence[Conclusions]) -> tuple[CautionText, ...]:
    """Cautions that hold always, those brought up by the equipment, a token, a finding or a reading to take next; in
    that order."""
    held = {token for part in parts for token in part.observations}
    held |= {verdict.token for part in parts for verdict in part.verdicts}
    held |= {conclusion for part in parts for _, conclusion in part.firings}
    named = [caution.id for caution in ruleset.cautions.values() if caution.always]
    seen = {token for part in parts for token in part.observations}
    known = {quantity.name for part in parts for quantity in part.quantities}
    named += cautions_of_equipment(ruleset, equipped(seen, known)) if parts else []
    named += [c.id for c in ruleset.cautions.values() if any(token in held for token in c.with_tokens)]
    named += [name for part in parts for finding in part.findings for name in finding.cautions]
    named += [name for part in parts for reading in part.next_readings for name in reading.cautions]
    entries = [ruleset.cautions[name] for name in dict.fromkeys(named)]
    return tuple(CautionText(entry.id, entry.text, entry.rests_on, entry.title, entry.checked) for entry in entries)


def sources_of(ruleset: Ruleset, keys: Iterable[str]) -> tuple[SourceText, ...]:
    """The sources cited, by key."""
    entries = [ruleset.sources[key] for key in sorted(set(keys))]
    return tuple(
        SourceText(entry.id, entry.title, entry.kind, entry.publisher, entry.edition, entry.checked)
        for entry in entries
    )
