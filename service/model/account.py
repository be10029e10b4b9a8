"""An account: what it sets for itself, its keys, and who changed what."""

import uuid
from datetime import datetime

import msgspec

from service.model.letterhead import Letterhead
from service.model.record import Units


class Account(msgspec.Struct, frozen=True, kw_only=True):
    """An account with its settings.

    Attributes:
        units: unit system of its answers where a request asks for none.
        ruleset: version of the rules that judges where a request names none; None for the service's current one.
        language: BCP 47 code of its words where a reader asks for none; None for English.
        limit_overrides: encoded limits of its own in place of the rules'; None for none.
        retention_days: after so many days what is kept is erased; None for never.
        revision: counts the changes of its settings.
    """

    tenant_id: uuid.UUID
    name: str
    created_at: datetime
    units: Units
    ruleset: str | None = None
    language: str | None = None
    letterhead: Letterhead = Letterhead()
    limit_overrides: bytes | None = None
    retention_days: int | None = None
    revision: int = 0


class AccountKey(msgspec.Struct, frozen=True, kw_only=True):
    """An API key without its secret; `last_used_at` is kept to the hour."""

    key_id: uuid.UUID
    label: str
    scopes: tuple[str, ...]
    created_at: datetime
    expires_at: datetime | None = None
    revoked_at: datetime | None = None
    last_used_at: datetime | None = None


class AccountChange(msgspec.Struct, frozen=True, kw_only=True):
    """A change of an account: which key made it, and the settings changed or the keys concerned."""

    change_id: uuid.UUID
    changed_at: datetime
    key_id: uuid.UUID
    what: str
    names: tuple[str, ...]


class AccountChangePage(msgspec.Struct, frozen=True, kw_only=True):
    """Some changes, newest first, and the cursor to the next page where there is one."""

    items: tuple[AccountChange, ...]
    next_cursor: str | None
