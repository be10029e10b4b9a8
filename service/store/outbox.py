"""The outbox of all tenants, as those see it who send: lease what is due, record what came of it, sweep."""

from collections.abc import Sequence
from datetime import timedelta

from service.model.webhook import DueDelivery, TryOutcome
from service.store.database import Database

_LEASE = """
    SELECT tenant_id, delivery_id, webhook_id, lease, tries, url, secrets, event, created_at, evaluation_id, about,
           supersedes, highest_severity, findings
      FROM airside.lease_deliveries(%s, %s, %s)
"""
_LEASED = DueDelivery.__struct_fields__
_RECORD = "SELECT airside.record_attempt(%s, %s, %s, %s, %s, %s, %s, %s, %s)"
_SWEEP = "SELECT airside.sweep_deliveries(%s, %s)"


class Outbox:
    """What is yet to be delivered. Several processes share it: what one has leased, no other gets."""

    def __init__(self, database: Database) -> None:
        self._database = database

    async def lease(self, most: int, each: int, seconds: float) -> Sequence[DueDelivery]:
        """What is due now, at most `most`, `each` of a webhook and twice that of an account, counting those that are
        out already.

        Whoever has them records what came of them within `seconds`; after that they are given out again.
        """
        rows = await self._database.rows(_LEASE, (most, each, timedelta(seconds=seconds)))
        return [DueDelivery(**dict(zip(_LEASED, row, strict=True))) for row in rows]

    async def record(self, due: DueDelivery, came: TryOutcome) -> bool:
        """Note what came of it; False where the lease was lost, so that another records what came of its own try."""
        ((recorded,),) = await self._database.rows(
            _RECORD,
            (
                due.tenant_id, due.delivery_id, due.lease, came.status, came.failure, came.milliseconds,
                came.delivered, None if came.again is None else timedelta(seconds=came.again), came.gone,
            ),
        )  # fmt: skip
        return bool(recorded)

    async def sweep(self, days: float, most: int) -> int:
        """Remove what was finished more than `days` ago, about `most` at a time; how many."""
        ((swept,),) = await self._database.rows(_SWEEP, (timedelta(days=days), most))
        return int(swept)
