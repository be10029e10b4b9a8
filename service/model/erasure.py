"""What is erased, and what is left to say that it was."""

import uuid
from datetime import datetime
from typing import Literal

import msgspec

SelectorKind = Literal["site", "job", "evaluation"]
ErasureKind = Literal["site", "job", "evaluation", "retention"]


class Selector(msgspec.Struct, frozen=True, kw_only=True):
    """What to erase: the visits to a site or of a job by its reference, or one evaluation by its id."""

    kind: SelectorKind
    value: str


class Erasure(msgspec.Struct, frozen=True, kw_only=True):
    """One erasure in the log.

    Attributes:
        erasure_id: UUID of version 7.
        created_at: when it was carried out, with offset.
        kind: what was selected, or `retention` where it was age.
        selector_sha256: SHA-256 of the reference or id that was selected, in UTF-8; None for `retention`.
        reason: in the words of who asked; None for `retention`.
        key_id: the API key it was asked for with; None for `retention`.
        evaluations: how many were erased.
        complete: whether all that fitted were.
    """

    erasure_id: uuid.UUID
    created_at: datetime
    kind: ErasureKind
    selector_sha256: bytes | None
    reason: str | None
    key_id: uuid.UUID | None
    evaluations: int
    complete: bool


class ErasurePage(msgspec.Struct, frozen=True, kw_only=True):
    """Some erasures, newest first, and the cursor to the next page where there is one."""

    items: tuple[Erasure, ...]
    next_cursor: str | None


class Tombstone(msgspec.Struct, frozen=True, kw_only=True):
    """That there was an evaluation, and when and by which erasure it went."""

    erased_at: datetime
    erasure_id: uuid.UUID


class Swept(msgspec.Struct, frozen=True, kw_only=True):
    """What a sweep removed: evaluations, and idempotency keys."""

    evaluations: int
    keys: int
