"""The place in a list of evaluations, as 32 characters that a client hands back unread.

It holds the time and identifier of the last evaluation shown: 8 bytes of microseconds since 1970 and 16 of UUID, in
base64url. It is not signed, because it grants nothing: the tenant comes from the API key, never from the cursor, so a
forged one reads from another place in the forger's own list.
"""

import base64
import re
import uuid
from datetime import UTC, datetime, timedelta

from service.errors import CursorRefused

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def write_cursor(created_at: datetime, evaluation_id: uuid.UUID) -> str:
    """The cursor for the place just after this evaluation."""
    microseconds = (created_at - _EPOCH) // _MICROSECOND
    return base64.urlsafe_b64encode(microseconds.to_bytes(8, signed=True) + evaluation_id.bytes).decode()


def read_cursor(cursor: str) -> tuple[datetime, uuid.UUID]:
    """The time and identifier in a cursor.

    Raises:
        CursorRefused: it is not one that `write_cursor` makes.
    """
    if not re.fullmatch("[0-9A-Za-z_-]{32}", cursor):
        raise CursorRefused
    octets = base64.urlsafe_b64decode(cursor)
    evaluation_id = uuid.UUID(bytes=octets[8:])
    if evaluation_id.version != 7:
        raise CursorRefused
    try:
        created_at = _EPOCH + int.from_bytes(octets[:8], signed=True) * _MICROSECOND
    except OverflowError as beyond:
        raise CursorRefused from beyond
    return created_at, evaluation_id
