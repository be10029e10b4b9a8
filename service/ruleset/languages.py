"""The words of a ruleset in further languages: reading them, and finding what is missing, stale or out of step.

A translation lies in `languages/<code>/<kind>.toml`, or in `languages/<code>/<kind>/<any name>.toml`, under the id of
the record it translates. `of` is the digest of the English words it was made from: when those change, the translation
is stale and refused, so that no one is told in one language what the rules no longer say in the other.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

import msgspec

from service.model.ruleset import Language, Ruleset

WORDS: Mapping[str, tuple[str, ...]] = {
    "diagnoses": ("title", "summary", "why_it_matters", "what_to_do", "known_false_alarms"),
    "causes": ("title", "remedy"),
    "criteria": ("title",),
    "quantities": ("title",),
    "observations": ("title", "meaning"),
    "cautions": ("title", "text", "rests_on"),
    "procedures": (
        "title",
        "purpose",
        "where",
        "where_on",
        "elsewhere",
        "probe",
        "isolate_first",
        "steps",
        "settled_when",
        "close_up",
        "mistakes",
    ),
    "techniques": ("probe", "isolate_first", "steps", "settled_when", "close_up", "mistakes"),
    "access": ("where", "on", "by_position", "keep_clear"),
    "changes": ("title", "meaning"),
    "fixes": ("title", "meaning"),
    "stations": ("title", "meaning"),
    "places": ("title", "meaning"),
    "elements": ("title", "meaning"),
    "arrangements": ("title", "meaning"),
}
"""Kinds of record, named as in `Ruleset`, and their fields that hold words shown to people."""

PLACEHOLDER = re.compile(r"\{[a-z0-9_:]*\}")
SHORT = 3
"""Texts of at most this many words may be the same in both languages: names, numbers, abbreviations."""

Words = dict[str, Any]


def words(record: object, kind: str) -> Words:
    """The word fields of a record that are not empty, as they stand in English."""
    held = {name: msgspec.to_builtins(getattr(record, name)) for name in WORDS[kind]}
    return {name: value for name, value in held.items() if value}


def digest(held: Words) -> str:
    """Twelve hexadecimal digits that change with the English words."""
    return hashlib.sha256(json.dumps(held, sort_keys=True, ensure_ascii=False).encode()).hexdigest()[:12]


def pairs(english: object, translated: object, where: str) -> Iterator[tuple[str, str, str]]:
    """Place, English text and its translation for every text of two values of one shape.

    Raises
    ------
    ValueError : the shapes differ
    """
    match english, translated:
        case str(), str():
            yield where, english, translated
        case list(), list() if len(english) == len(translated):
            for index, (first, second) in enumerate(zip(english, translated, strict=True)):
                yield from pairs(first, second, f"{where}.{index}")
        case dict(), dict() if english.keys() == translated.keys():
            for name in english:
                yield from pairs(english[name], translated[name], f"{where}.{name}")
        case _:
            raise ValueError(f"{where} has not the shape of the English")


def language_faults(ruleset: Ruleset, code: str, language: Language) -> Iterator[str]:
    """Faults of one language: of its texts in any status, and of what it lacks once it is called complete."""
    for kind, fields in language.entries.items():
        if kind not in WORDS:
            yield f"languages {code}: {kind} is no kind of record with words"
            continue
        records: Mapping[str, object] = getattr(ruleset, kind)
        yield from (f"languages {code}: {kind} has no {name}" for name in fields if name not in records)
    for kind in WORDS:
        entries = language.entries.get(kind, {})
        for name, record in getattr(ruleset, kind).items():
            held = words(record, kind)
            entry = entries.get(name)
            where = f"languages {code}: {kind} {name}"
            if not held:
                continue
            if entry is None:
                if language.facts.status == "complete":
                    yield f"{where} is missing"
                continue
            if entry.get("of") != digest(held):
                yield f'{where} is stale: its English words have changed (of = "{digest(held)}" once it is revised)'
                continue
            yield from _entry_faults(where, held, {key: text for key, text in entry.items() if key != "of"})
    for english, translated in language.phrases.items():
        yield from _text_faults(f"languages {code}: phrases {english!r}", english, translated)


def _entry_faults(where: str, held: Words, translated: Words) -> Iterator[str]:
    try:
        for place, english, text in pairs(held, translated, where):
            yield from _text_faults(place, english, text)
    except ValueError as error:
        yield str(error)


def _text_faults(place: str, english: str, text: str) -> Iterator[str]:
    if not text.strip():
        yield f"{place} is empty"
    elif text == english and len(english.split()) > SHORT:
        yield f"{place} is still in English"
    if sorted(PLACEHOLDER.findall(english)) != sorted(PLACEHOLDER.findall(text)):
        yield f"{place} has other placeholders than the English"


def in_language(ruleset: Ruleset, language: Language) -> Ruleset:
    """The ruleset with its words in a language; what has no translation keeps its English ones."""
    worded: dict[str, Any] = {}
    for kind in WORDS:
        records: dict[str, Any] = dict(getattr(ruleset, kind))
        for name, entry in language.entries.get(kind, {}).items():
            if name not in records:
                continue
            held = {key: value for key, value in entry.items() if key != "of"}
            kept = msgspec.to_builtins(records[name])
            records[name] = msgspec.convert({**kept, **held}, type(records[name]))
        worded[kind] = records
    return msgspec.structs.replace(ruleset, **worded)


def unfinished(ruleset: Ruleset, language: Language) -> dict[str, dict[str, Words]]:
    """Kind -> id -> English words with their digest `of`, for every record whose translation is missing or stale."""
    open_entries: dict[str, dict[str, Words]] = {}
    for kind in WORDS:
        for name, record in getattr(ruleset, kind).items():
            held = words(record, kind)
            if held and language.entries.get(kind, {}).get(name, {}).get("of") != digest(held):
                open_entries.setdefault(kind, {})[name] = {"of": digest(held), **held}
    return open_entries
