"""Webhooks in the database: subscriptions and their secrets, and what was or is to be delivered."""

import base64
import secrets
import uuid
from datetime import datetime
from typing import Literal

from service.errors import OutOfRange
from service.model.webhook import Attempt, Delivery, DeliveryPage, DeliveryState, Webhook
from service.store.cursor import read_cursor, write_cursor
from service.store.database import LONGEST_PAGE, Database, new_id
from service.store.sealing import Seal
from service.store.storable import refuse_unstorable

MOST_WEBHOOKS = 20
"""Webhooks that an account may have."""

MOST_REPLAYED = 10_000
"""Dead deliveries that one call sends again."""

_KEEP = "SELECT airside.keep_webhook(%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)"
_WEBHOOK = (
    "webhook_id", "created_at", "url", "label", "events", "minimum_severity", "enabled", "gone_at",
    "failures_in_a_row", "failing_since",
)  # fmt: skip
_COLUMNS = ", ".join(_WEBHOOK).replace("minimum_severity", "minimum_severity::text")
_FETCH = f"SELECT {_COLUMNS} FROM airside.fetch_webhooks(%s, %s)"  # noqa: S608
_CHANGE = f"SELECT {_COLUMNS} FROM airside.change_webhook(%s, %s, %s, %s, %s, %s, %s)"  # noqa: S608
_REMOVE = "SELECT airside.remove_webhook(%s, %s)"
_ROTATE = "SELECT airside.rotate_webhook_secret(%s, %s, %s, %s, %s, %s)"
_PING = "SELECT airside.ping_webhook(%s, %s, %s)"
_DELIVERY = (
    "delivery_id", "webhook_id", "event", "created_at", "evaluation_id", "about", "state", "due_at", "attempts",
    "finished_at", "status", "failure",
)  # fmt: skip
_NEWEST = f"SELECT {', '.join(_DELIVERY)} FROM airside.newest_deliveries(%s, %s, %s, %s, %s, %s)"  # noqa: S608
_FETCH_DELIVERY = f"""
    SELECT {", ".join(_DELIVERY)}, tried_at, tried_milliseconds, tried_status, tried_failure
      FROM airside.fetch_delivery(%s, %s, %s)
"""  # noqa: S608
_REPLAY = "SELECT airside.replay_delivery(%s, %s, %s)"
_REPLAY_DEAD = "SELECT airside.replay_dead(%s, %s, %s, %s, %s)"


def new_secret() -> str:
    """A signing secret as Standard Webhooks writes it: `whsec_` and 256 random bits in base64 (24 to 64 octets are
    allowed there)."""
    return "whsec_" + base64.b64encode(secrets.token_bytes(32)).decode()


class Webhooks:
    """Webhooks of an account. Every method takes one round trip."""

    def __init__(self, database: Database, seal: Seal) -> None:
        self._database = database
        self._seal = seal

    async def keep(self, tenant_id: uuid.UUID, webhook: Webhook, secret: str) -> bool:
        """Add one, signed with `secret`; False where the account has `MOST_WEBHOOKS` already."""
        refuse_unstorable(webhook)
        ((kept,),) = await self._database.rows(
            _KEEP,
            (
                tenant_id, webhook.webhook_id, webhook.created_at, webhook.url, webhook.label, list(webhook.events),
                webhook.minimum_severity, webhook.enabled, new_id(), self._seal.seal(secret), MOST_WEBHOOKS,
            ),
        )  # fmt: skip
        return bool(kept)

    async def list(self, tenant_id: uuid.UUID) -> tuple[Webhook, ...]:
        """All of them, oldest first."""
        rows = await self._database.rows(_FETCH, (tenant_id, None))
        return tuple(Webhook(**dict(zip(_WEBHOOK, row, strict=True))) for row in rows)

    async def fetch(self, tenant_id: uuid.UUID, webhook_id: uuid.UUID) -> Webhook | None:
        """One; None if there is none, or it is another account's."""
        for row in await self._database.rows(_FETCH, (tenant_id, webhook_id)):
            return Webhook(**dict(zip(_WEBHOOK, row, strict=True)))
        return None

    async def change(self, tenant_id: uuid.UUID, webhook: Webhook) -> Webhook | None:
        """Replace what the client may set, and give it back as it then is; None if there is none.

        With another address, or enabled again, it is no longer taken to be gone or failing.
        """
        refuse_unstorable(webhook)
        rows = await self._database.rows(
            _CHANGE,
            (
                tenant_id, webhook.webhook_id, webhook.url, webhook.label, list(webhook.events),
                webhook.minimum_severity, webhook.enabled,
            ),
        )  # fmt: skip
        for row in rows:
            return Webhook(**dict(zip(_WEBHOOK, row, strict=True)))
        return None

    async def remove(self, tenant_id: uuid.UUID, webhook_id: uuid.UUID) -> bool:
        """Take it away, with its secrets and all its deliveries; False if there is none."""
        ((removed,),) = await self._database.rows(_REMOVE, (tenant_id, webhook_id))
        return bool(removed)

    async def rotate(
        self, tenant_id: uuid.UUID, webhook_id: uuid.UUID, secret: str, now: datetime, until: datetime
    ) -> bool:
        """Sign with `secret`, and until `until` with the one before as well; False if there is no such webhook."""
        ((rotated,),) = await self._database.rows(
            _ROTATE, (tenant_id, webhook_id, now, new_id(), self._seal.seal(secret), until)
        )
        return bool(rotated)

    async def ping(
        self, tenant_id: uuid.UUID, webhook_id: uuid.UUID, delivery_id: uuid.UUID
    ) -> Literal["sent", "disabled", "missing"]:
        """Have it sent an event to try it out."""
        ((fate,),) = await self._database.rows(_PING, (tenant_id, webhook_id, delivery_id))
        known: dict[str, Literal["sent", "disabled", "missing"]] = {"sent": "sent", "disabled": "disabled"}
        return known.get(fate, "missing")

    async def deliveries(
        self,
        tenant_id: uuid.UUID,
        webhook_id: uuid.UUID,
        state: DeliveryState | None = None,
        cursor: str | None = None,
        limit: int = 50,
    ) -> DeliveryPage:
        """Deliveries of one webhook, newest first, from just after `cursor` on.

        Raises:
            CursorRefused: a cursor that this did not give out.
            OutOfRange: `limit` is not from 1 to `LONGEST_PAGE`.
        """
        if not 1 <= limit <= LONGEST_PAGE:
            raise OutOfRange("limit", limit, 1, LONGEST_PAGE)
        place = (None, None) if cursor is None else read_cursor(cursor)
        rows = await self._database.rows(_NEWEST, (tenant_id, webhook_id, state, *place, limit + 1))
        items = tuple(Delivery(**dict(zip(_DELIVERY, row, strict=True))) for row in rows[:limit])
        more = len(rows) > limit
        return DeliveryPage(
            items=items, next_cursor=write_cursor(items[-1].created_at, items[-1].delivery_id) if more else None
        )

    async def delivery(
        self, tenant_id: uuid.UUID, webhook_id: uuid.UUID, delivery_id: uuid.UUID
    ) -> tuple[Delivery, tuple[Attempt, ...]] | None:
        """One delivery with every try at it that was recorded, the first first; None if there is none."""
        for row in await self._database.rows(_FETCH_DELIVERY, (tenant_id, webhook_id, delivery_id)):
            tried = zip(*(column or () for column in row[len(_DELIVERY) :]), strict=True)
            return (
                Delivery(**dict(zip(_DELIVERY, row, strict=False))),
                tuple(
                    Attempt(finished_at=at, milliseconds=taken, status=status, failure=failure)
                    for at, taken, status, failure in tried
                ),
            )
        return None

    async def replay(self, tenant_id: uuid.UUID, webhook_id: uuid.UUID, delivery_id: uuid.UUID) -> bool:
        """Have it sent again now, whatever became of it; False if there is none."""
        ((found,),) = await self._database.rows(_REPLAY, (tenant_id, webhook_id, delivery_id))
        return bool(found)

    async def replay_dead(
        self,
        tenant_id: uuid.UUID,
        webhook_id: uuid.UUID,
        created_from: datetime | None,
        created_before: datetime | None,
    ) -> int | None:
        """Have dead ones sent again, the oldest `MOST_REPLAYED`: how many; None if there is no such webhook."""
        ((replayed,),) = await self._database.rows(
            _REPLAY_DEAD, (tenant_id, webhook_id, created_from, created_before, MOST_REPLAYED)
        )
        return None if replayed is None else int(replayed)
