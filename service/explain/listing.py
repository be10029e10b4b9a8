"""Cautions and sources gathered over a whole evaluation."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from service.model.equipped import HEATING_PARTS, Equipped
from service.model.evaluation import CautionText, ContextResult, SourceText
from service.model.ruleset import Ruleset
from service.ruleset.guidance import cautions_of_equipment


def equipped(contexts: Sequence[ContextResult]) -> Equipped:
    """What the contexts of a visit tell of its equipment; heating that was neither stated nor seen is not there."""
    held = {token for context in contexts for token in context.observations}
    known = {quantity.name for context in contexts for quantity in context.quantities}

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


def cautions_of(ruleset: Ruleset, contexts: Sequence[ContextResult]) -> tuple[CautionText, ...]:
    """Cautions that hold always, those brought up by the equipment, a token, a finding or a reading to take next; in
    that order."""
    held = {token for context in contexts for token in context.observations}
    held |= {verdict.token for context in contexts for verdict in context.verdicts}
    held |= {conclusion for context in contexts for _, conclusion in context.firings}
    named = [caution.id for caution in ruleset.cautions.values() if caution.always]
    named += cautions_of_equipment(ruleset, equipped(contexts)) if contexts else []
    named += [c.id for c in ruleset.cautions.values() if any(token in held for token in c.with_tokens)]
    named += [name for context in contexts for finding in context.findings for name in finding.cautions]
    named += [name for context in contexts for reading in context.next_readings for name in reading.cautions]
    entries = [ruleset.cautions[name] for name in dict.fromkeys(named)]
    return tuple(CautionText(entry.id, entry.text, entry.rests_on, entry.title, entry.checked) for entry in entries)


def sources_of(ruleset: Ruleset, keys: Iterable[str]) -> tuple[SourceText, ...]:
    """The sources cited, by key."""
    entries = [ruleset.sources[key] for key in sorted(set(keys))]
    return tuple(
        SourceText(entry.id, entry.title, entry.kind, entry.publisher, entry.edition, entry.checked)
        for entry in entries
    )
