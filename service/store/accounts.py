"""What an account sets for itself, and its keys, as serving processes reach them."""

import hashlib
import secrets
import uuid
from collections.abc import Sequence
from datetime import datetime
from typing import Literal

import msgspec

from service.errors import OutOfRange
from service.model.account import Account, AccountChange, AccountChangePage, AccountKey
from service.model.letterhead import Letterhead
from service.store.cursor import read_cursor, write_cursor
from service.store.database import LONGEST_PAGE, Database, new_id

MOST_KEYS = 100
"""Live keys that an account may have."""

_FETCH = """
    SELECT name, created_at, units, ruleset, language, letterhead, limit_overrides, retention_days, settings_revision
      FROM airside.fetch_account(%s)
"""
_CHANGE = "SELECT airside.change_account(%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)"
_CHANGES = "SELECT change_id, changed_at, key_id, what, names FROM airside.newest_account_changes(%s, %s, %s, %s)"
_KEYS = """
    SELECT key_id, label, scopes, created_at, expires_at, revoked_at, last_used_at FROM airside.fetch_keys(%s, %s)
"""
_ADD_KEY = "SELECT airside.add_key(%s, %s, %s, %s, %s, %s, %s, %s, %s, %s)"
_REVOKE_KEY = "SELECT airside.revoke_key(%s, %s, %s, %s)"
_ROTATE_KEY = "SELECT label, scopes, expires_at FROM airside.rotate_key(%s, %s, %s, %s, %s, %s, %s, %s, %s, %s)"

_encoder = msgspec.json.Encoder()
_letterheads = msgspec.json.Decoder(Letterhead)

Revoked = Literal["revoked", "already", "absent", "not_yours_any_more"]


def new_key_secret() -> str:
    """The secret of an API key: `ak_` and 256 random bits in base64url."""
    return "ak_" + secrets.token_urlsafe(32)


def secret_digest(secret: str) -> bytes:
    """What is kept of a secret: its SHA-256. A plain digest is enough, and quick, because 256 random bits cannot be
    guessed; the slow digests meant for passwords make up for guessable ones."""
    return hashlib.sha256(secret.encode()).digest()


class Accounts:
    """Settings and keys of an account. Every method takes one round trip."""

    def __init__(self, database: Database) -> None:
        self._database = database

    async def fetch(self, tenant_id: uuid.UUID) -> Account:
        """The account as it is now."""
        ((name, created_at, units, ruleset, language, letterhead, limits, days, revision),) = await self._database.rows(
            _FETCH, (tenant_id,)
        )
        return Account(
            tenant_id=tenant_id,
            name=name,
            created_at=created_at,
            units=units,
            ruleset=ruleset,
            language=language,
            letterhead=Letterhead() if letterhead is None else _letterheads.decode(letterhead),
            limit_overrides=limits,
            retention_days=days,
            revision=revision,
        )

    async def change(self, account: Account, key_id: uuid.UUID, names: Sequence[str]) -> bool:
        """Put these settings in place of those of `account.revision`; False where they have moved on since.

        Parameters:
            key_id: of who changes them.
            names: settings that change, for the record of changes.
        """
        bare = account.letterhead == Letterhead()
        ((done,),) = await self._database.rows(
            _CHANGE,
            (
                account.tenant_id, account.revision, account.units, account.ruleset, account.language,
                None if bare else _encoder.encode(account.letterhead), account.limit_overrides,
                account.retention_days, new_id(), key_id, list(names),
            ),
        )  # fmt: skip
        return bool(done)

    async def changes(self, tenant_id: uuid.UUID, cursor: str | None = None, limit: int = 50) -> AccountChangePage:
        """Who changed what, newest first.

        Raises:
            CursorRefused: a cursor that this did not give out.
            OutOfRange: `limit` is not from 1 to `LONGEST_PAGE`.
        """
        if not 1 <= limit <= LONGEST_PAGE:
            raise OutOfRange("limit", limit, 1, LONGEST_PAGE)
        place = (None, None) if cursor is None else read_cursor(cursor)
        rows = await self._database.rows(_CHANGES, (tenant_id, *place, limit + 1))
        items = tuple(
            AccountChange(change_id=row[0], changed_at=row[1], key_id=row[2], what=row[3], names=tuple(row[4]))
            for row in rows[:limit]
        )
        more = len(rows) > limit
        return AccountChangePage(
            items=items, next_cursor=write_cursor(items[-1].changed_at, items[-1].change_id) if more else None
        )

    async def keys(self, tenant_id: uuid.UUID, key_id: uuid.UUID | None = None) -> tuple[AccountKey, ...]:
        """Every key, oldest first, revoked and expired ones too; or the one asked for, if it is the account's."""
        rows = await self._database.rows(_KEYS, (tenant_id, key_id))
        return tuple(
            AccountKey(
                key_id=row[0], label=row[1], scopes=tuple(row[2]), created_at=row[3], expires_at=row[4],
                revoked_at=row[5], last_used_at=row[6],
            )
            for row in rows
        )  # fmt: skip

    async def add_key(self, tenant_id: uuid.UUID, key: AccountKey, secret: str, by: uuid.UUID) -> bool:
        """Add a key, for the key `by`; False where the account has `MOST_KEYS` live ones."""
        ((added,),) = await self._database.rows(
            _ADD_KEY,
            (
                tenant_id, key.key_id, key.label, secret_digest(secret), list(key.scopes), key.created_at,
                key.expires_at, MOST_KEYS, new_id(), by,
            ),
        )  # fmt: skip
        return bool(added)

    async def revoke_key(self, tenant_id: uuid.UUID, key_id: uuid.UUID, by: uuid.UUID) -> Revoked:
        """Make a key useless for good, for the key `by`, which must itself be live."""
        ((fate,),) = await self._database.rows(_REVOKE_KEY, (tenant_id, key_id, new_id(), by))
        found: Revoked = fate
        return found

    async def rotate_key(
        self,
        tenant_id: uuid.UUID,
        key_id: uuid.UUID,
        secret: str,
        now: datetime,
        until: datetime,
        scopes: Sequence[str],
        by: uuid.UUID,
    ) -> AccountKey | Literal["absent", "too_many"]:
        """Add a successor to a live key whose scopes are among `scopes`; the key itself ends at `until`. `absent` where
        there is no such key, `too_many` where the account has `MOST_KEYS` live ones."""
        successor = new_id()
        for label, granted, expires_at in await self._database.rows(
            _ROTATE_KEY,
            (tenant_id, key_id, successor, secret_digest(secret), now, until, list(scopes), MOST_KEYS, new_id(), by),
        ):
            if label is None:
                return "too_many"
            return AccountKey(
                key_id=successor, label=label, scopes=tuple(granted), created_at=now, expires_at=expires_at
            )
        return "absent"
