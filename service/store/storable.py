"""What PostgreSQL can hold, checked before a connection is taken for it."""

import re
from datetime import UTC, datetime

import msgspec

from service.errors import RecordRefused

LONGEST_TEXT = 256
"""Characters; the edge may ask for less."""

LONGEST = {"words": 262_144, "revision_reason": 2000, "reason": 2000, "note": 2000, "url": 2000}
"""Characters, for fields that hold more."""

_UNSTORABLE = re.compile("[\x00\ud800-\udfff]")


def refuse_unstorable(record: msgspec.Struct) -> None:
    """Check every text and time of a record.

    Raises:
        RecordRefused: a text with U+0000 or a lone surrogate, which PostgreSQL cannot hold, or longer than `LONGEST`
            or else `LONGEST_TEXT` says; a time without offset, or one that has no UTC equivalent between the years 1
            and 9999.
    """
    for field in record.__struct_fields__:
        value = getattr(record, field)
        if isinstance(value, str):
            most = LONGEST.get(field, LONGEST_TEXT)
            if len(value) > most:
                raise RecordRefused(field, f"is longer than {most} characters")
            if _UNSTORABLE.search(value):
                raise RecordRefused(field, "holds U+0000 or a lone surrogate")
        elif isinstance(value, datetime):
            if value.utcoffset() is None:
                raise RecordRefused(field, "has no offset from UTC")
            try:
                value.astimezone(UTC)
            except (OverflowError, ValueError) as beyond:
                raise RecordRefused(field, "lies beyond the years 1 to 9999 in UTC") from beyond
