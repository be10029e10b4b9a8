"""Words as they are searched: folded here, so that case means the same whatever locale the database has."""

import re
import unicodedata

LONGEST_WORD = 64
"""Characters; of a longer one the beginning counts."""

MOST = 65_536
"""Octets of different words that one evaluation is found by, in the order they come."""

_WORD = re.compile(r"[^\W_]+")


def searchable(text: str) -> list[str]:
    """The different words of a text, each a run of letters and digits, folded for case (Unicode, NFKC and full case
    folding), in their order, as far as `MOST` reaches."""
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold())
    words = list(dict.fromkeys(word[:LONGEST_WORD] for word in _WORD.findall(folded)))
    room = MOST
    for count, word in enumerate(words):
        room -= len(word.encode()) + 1
        if room < 0:
            return words[:count]
    return words
