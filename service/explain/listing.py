"""Cautions and sources gathered over a whole evaluation."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from service.model.evaluation import CautionText, ContextResult, SourceText
from service.model.ruleset import Ruleset


def cautions_of(ruleset: Ruleset, contexts: Sequence[ContextResult]) -> tuple[CautionText, ...]:
    """Cautions that hold always, those brought up by a token, a finding or a reading to take next; in that order."""
    held = {token for context in contexts for token in context.observations}
    held |= {verdict.token for context in contexts for verdict in context.verdicts}
    held |= {conclusion for context in contexts for _, conclusion in context.firings}
    named = [caution.id for caution in ruleset.cautions.values() if caution.always]
    named += [c.id for c in ruleset.cautions.values() if any(token in held for token in c.with_tokens)]
    named += [name for context in contexts for finding in context.findings for name in finding.cautions]
    named += [name for context in contexts for reading in context.next_readings for name in reading.cautions]
    entries = [ruleset.cautions[name] for name in dict.fromkeys(named)]
    return tuple(CautionText(entry.id, entry.text, entry.rests_on) for entry in entries)


def sources_of(ruleset: Ruleset, keys: Iterable[str]) -> tuple[SourceText, ...]:
    """The sources cited, by key."""
    entries = [ruleset.sources[key] for key in sorted(set(keys))]
    return tuple(
        SourceText(entry.id, entry.title, entry.kind, entry.publisher, entry.edition, entry.checked)
        for entry in entries
    )
