"""Erasing evaluations for good: on request, and by the age at which an account no longer has them kept."""

import asyncio
import hashlib
import uuid
from datetime import datetime, timedelta

import msgspec

from service.errors import OutOfRange
from service.model.erasure import Erasure, ErasurePage, Selector, Swept, Tombstone
from service.store.cursor import read_cursor, write_cursor
from service.store.database import LONGEST_PAGE, Database, new_id
from service.store.storable import refuse_unstorable

REMEMBERED_DAYS = 30
"""Days for which the key of a request that may be sent again is remembered at least."""

MOST_ERASED = 20_000
"""Evaluations that one request erases, all in one transaction."""

ERASING_SECONDS = 60.0
"""Longest such transaction, s. Measured: 10,000 evaluations with ten findings and a reassessment each take about 2."""

SWEPT_AT_ONCE = 200
"""Rows that a sweep removes in one transaction, so that none holds up what is served."""

_ERASURE = (
    "erasure_id", "created_at", "kind", "selector_sha256", "reason", "key_id", "evaluations", "complete",
)  # fmt: skip
_COLUMNS = ", ".join(_ERASURE)
_ERASE = "SELECT erased, complete FROM airside.erase(%s, %s, %s, %s, %s, %s, %s, NULL, %s, %s, %s, %s, true)"
_ERASE_OUTDATED = "SELECT erased, complete FROM airside.erase_outdated(%s, %s, %s, %s)"
_RETAINING = "SELECT tenant_id FROM airside.retaining_tenants()"
_FORGET_KEYS = "SELECT airside.forget_keys(%s, %s)"
_TOMBSTONE = "SELECT erased_at, erasure_id FROM airside.tombstone_of(%s, %s)"
_FETCH = f"SELECT {_COLUMNS} FROM airside.fetch_erasure(%s, %s)"  # noqa: S608
_NEWEST = f"SELECT {_COLUMNS} FROM airside.newest_erasures(%s, %s, %s, %s)"  # noqa: S608


class Erasures:
    """What was erased of an account, and erasing more."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._turn = asyncio.Semaphore(1)  # one request at a time, so that long ones leave connections to the others

    async def erase(
        self, tenant_id: uuid.UUID, selector: Selector, reason: str, key_id: uuid.UUID, at: datetime
    ) -> Erasure:
        """Erase every evaluation that fits, with all that belongs to it and with what it corrects, in one transaction.

        Of what was selected only a digest is kept. Where more than `MOST_ERASED` fit, the oldest of them are erased
        and `complete` is false.

        Raises:
            RecordRefused: a text holds what PostgreSQL cannot.
        """
        refuse_unstorable(selector)
        erasure = Erasure(
            erasure_id=new_id(),
            created_at=at,
            kind=selector.kind,
            selector_sha256=hashlib.sha256(selector.value.encode()).digest(),
            reason=reason,
            key_id=key_id,
            evaluations=0,
            complete=True,
        )
        refuse_unstorable(erasure)
        narrowed = [selector.value if selector.kind == kind else None for kind in ("site", "job", "evaluation")]
        async with self._turn:
            rows = await self._database.rows(
                _ERASE,
                (
                    tenant_id, erasure.erasure_id, at, selector.kind, *narrowed, erasure.selector_sha256, reason,
                    key_id, MOST_ERASED,
                ),
                seconds=ERASING_SECONDS,
            )  # fmt: skip
        ((evaluations, complete),) = rows
        return msgspec.structs.replace(erasure, evaluations=evaluations, complete=complete)

    async def tombstone(self, tenant_id: uuid.UUID, evaluation_id: uuid.UUID) -> Tombstone | None:
        """That an evaluation of this tenant was erased; None where there never was one, or it is still there."""
        for erased_at, erasure_id in await self._database.rows(_TOMBSTONE, (tenant_id, evaluation_id)):
            return Tombstone(erased_at=erased_at, erasure_id=erasure_id)
        return None

    async def fetch(self, tenant_id: uuid.UUID, erasure_id: uuid.UUID) -> Erasure | None:
        """One erasure of this tenant; None if there is none, or it is another's."""
        for row in await self._database.rows(_FETCH, (tenant_id, erasure_id)):
            return Erasure(**dict(zip(_ERASURE, row, strict=True)))
        return None

    async def list(self, tenant_id: uuid.UUID, cursor: str | None = None, limit: int = 50) -> ErasurePage:
        """Erasures of this tenant, newest first.

        Raises:
            CursorRefused: a cursor that this did not give out.
            OutOfRange: `limit` is not from 1 to `LONGEST_PAGE`.
        """
        if not 1 <= limit <= LONGEST_PAGE:
            raise OutOfRange("limit", limit, 1, LONGEST_PAGE)
        place = (None, None) if cursor is None else read_cursor(cursor)
        rows = await self._database.rows(_NEWEST, (tenant_id, *place, limit + 1))
        items = tuple(Erasure(**dict(zip(_ERASURE, row, strict=True))) for row in rows[:limit])
        return ErasurePage(
            items=items,
            next_cursor=write_cursor(items[-1].created_at, items[-1].erasure_id) if len(rows) > limit else None,
        )

    async def sweep(self, now: datetime, at_once: int = SWEPT_AT_ONCE) -> Swept:
        """Erase what is older than its account has it kept, and forget old idempotency keys, batch by batch.

        Each account's is one erasure in its log. What another process is sweeping just now is left to it.
        """
        erasure_id = new_id()
        erased = forgotten = 0
        for (tenant_id,) in await self._database.rows(_RETAINING):
            complete = False
            while not complete:
                rows = await self._database.rows(_ERASE_OUTDATED, (tenant_id, erasure_id, now, at_once))
                ((count, complete),) = rows
                if count is None:
                    break
                erased += count
        while True:
            rows = await self._database.rows(_FORGET_KEYS, (now - timedelta(days=REMEMBERED_DAYS), at_once))
            ((count,),) = rows
            forgotten += count
            if count < at_once:
                return Swept(evaluations=erased, keys=forgotten)
