"""The words of an answer in the language asked for.

Answers are kept and worked out in English, with the numbers left open; a text is translated as a whole, just before
its numbers are filled in. A text without a translation, such as one of an older version of the rules, stays English.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from werkzeug.datastructures import LanguageAccept
from werkzeug.http import parse_accept_header

from service.model.ruleset import Language, Ruleset
from service.ruleset.languages import WORDS, in_language, pairs, words

ORIGINAL = "en"
OPEN = re.compile(r"\{([a-z_]+)\}")


class Speech:
    """One language of one ruleset.

    Attributes:
        code: BCP 47 code.
        note: what a reader should know of the translation, in that language; None for the original.
        ruleset: the ruleset with its words in this language; None for the original, which needs no other.
    """

    def __init__(
        self,
        code: str = ORIGINAL,
        note: str | None = None,
        texts: Mapping[str, str] | None = None,
        phrases: Mapping[str, str] | None = None,
        ruleset: Ruleset | None = None,
    ) -> None:
        self.code = code
        self.note = note
        self.ruleset = ruleset
        self._texts = {**(texts or {}), **(phrases or {})}
        self._patterns = [
            (re.compile(OPEN.sub(r"(?P<\1>.+?)", _escaped(english))), translated)
            for english, translated in (phrases or {}).items()
            if OPEN.search(english)
        ]

    def say(self, text: str) -> str:
        """The text in this language, placeholders kept; the text itself where it has no translation."""
        if not self._texts:
            return text
        found = self._texts.get(text)
        return found if found is not None else self._composed(text)

    def knows(self, text: str) -> bool:
        """Whether the text has a translation, whole or by a phrase that it is an instance of."""
        return text in self._texts or any(pattern.fullmatch(text) for pattern, _ in self._patterns)

    def fill(self, phrase: str, **parts: str) -> str:
        """A phrase of the service itself with its parts filled in, the parts as they are."""
        return self.say(phrase).format(**parts)

    def _composed(self, text: str) -> str:
        """A text that the service put together: the phrase it is an instance of, its parts translated in turn."""
        for pattern, translated in self._patterns:
            if found := pattern.fullmatch(text):
                parts = {name: self._parts(part) for name, part in found.groupdict().items()}
                return translated.format(**parts)
        return text

    def _parts(self, text: str) -> str:
        """A part of a text: a text itself, or a list of them; a name of one word stands in any list."""
        if text not in self._texts:
            for mark in ("; ", ", "):
                parts = text.split(mark)
                listed = all(" " not in part or self.knows(part) for part in parts)
                if len(parts) > 1 and (listed or not self.knows(text)):
                    return mark.join(self._parts(part) for part in parts)
        return self.say(text)


def _escaped(text: str) -> str:
    """A phrase as a regular expression with its open places left as they are."""
    return "".join(part if OPEN.fullmatch(part) else re.escape(part) for part in re.split(r"(\{[a-z_]+\})", text))


ENGLISH = Speech()


def speeches(ruleset: Ruleset) -> dict[str, Speech]:
    """The languages that an answer of this ruleset can be given in, the original first."""
    complete = {code: entry for code, entry in ruleset.languages.items() if entry.facts.status == "complete"}
    return {ORIGINAL: ENGLISH} | {code: speech(ruleset, code, entry) for code, entry in complete.items()}


def speech(ruleset: Ruleset, code: str, language: Language) -> Speech:
    """One language, by the English texts it translates."""
    texts: dict[str, str] = {}
    for kind in WORDS:
        records: Mapping[str, Any] = getattr(ruleset, kind)
        for name, entry in language.entries.get(kind, {}).items():
            if name not in records:  # a ruleset with a part taken out of it speaks of the rest
                continue
            translated = {key: value for key, value in entry.items() if key != "of"}
            for _, english, text in pairs(words(records[name], kind), translated, name):
                texts.setdefault(english, text)
    return Speech(code, language.facts.note, texts, language.phrases, in_language(ruleset, language))


def preferred(field: str, spoken: Mapping[str, Speech]) -> Speech:
    """The language that an `Accept-Language` field asks for, the original for none of those spoken.

    The lookup of RFC 4647, 3.4: the ranges by their weight (RFC 9110, 12.5.4), each shortened from its end until it
    is a language that is spoken.
    """
    for asked, weight in parse_accept_header(field, LanguageAccept):
        parts = asked.split("-") if weight > 0 else []
        for length in range(len(parts), 0, -1):
            if (found := spoken.get("-".join(parts[:length]).lower())) is not None:
                return found
        if asked == "*" and weight > 0:
            break
    return spoken[ORIGINAL]
