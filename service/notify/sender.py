"""The sender: takes what is due from the outbox, sends it, and records what came of it.

Delivery is at least once: a process that ends between sending and recording leaves a lease that runs out, and the next
one sends it again under the same `webhook-id`. The order is not promised. No database connection is held while
sending.
"""

import asyncio
import contextlib
import logging
import random
import time
from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime

import httpcore
import httpx
import msgspec

from service.errors import SettingsRefused, StoreRefused, StoreUnavailable
from service.model.webhook import DueDelivery, TryOutcome
from service.notify.signing import signed
from service.notify.targets import CheckedNetwork, Resolve, TargetRefused, refuse_url, resolve
from service.settings import Settings
from service.store.database import Database, asked_to_stop
from service.store.outbox import Outbox
from service.store.sealing import Seal, SealBroken
from service.wire.webhooks import event_body

MOST_ANSWER_OCTETS = 16_384
"""Octets of an answer that are read, to keep the connection for the next delivery; none of them is kept."""

MOST_ANSWER_SECONDS = 1.0

STOPS_WITHIN = 5.0
"""Seconds that deliveries under way are given when the sender is told to stop; what is not done then is sent again."""

_log = logging.getLogger(__name__)


class Sending(msgspec.Struct, frozen=True, kw_only=True):
    """How to send.

    Attributes
    ----------
    retries : seconds between the tries; after the last a delivery is dead
    jitter : each of them is lengthened by up to this share, so that what failed together is not retried together
    seconds : longest time a try may take in all
    private_targets : whether targets in private and local networks, and plain `http`, are allowed
    at_once : deliveries under way in this process
    each : deliveries of one webhook under way in all processes; of one account, twice as many
    poll : seconds between looks into the outbox while nothing is due
    kept_days : days after which a finished delivery is removed
    """

    retries: tuple[float, ...]
    jitter: float = 0.2
    seconds: float = 15.0
    private_targets: bool = False
    at_once: int = 64
    each: int = 8
    poll: float = 1.0
    kept_days: float = 30.0


class Sender:
    """Sends what is due until told to stop; several processes may do so over one database."""

    def __init__(
        self,
        outbox: Outbox,
        seal: Seal,
        sending: Sending,
        *,
        by: Resolve = resolve,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        chance: Callable[[], float] = random.random,
    ) -> None:
        self._outbox = outbox
        self._seal = seal
        self._sending = sending
        self._resolve = by
        self._now = now
        self._chance = chance
        self._swept_at = -float("inf")
        self._trusted = httpx.create_ssl_context()
        self._pool: httpcore.AsyncConnectionPool | None = None

    async def run(self) -> None:
        """Send for as long as this is not cancelled. While the database is down it waits and looks again; nothing that
        goes wrong with one delivery touches another."""
        under_way: set[asyncio.Task[None]] = set()
        pause = self._sending.poll
        try:
            while True:
                room = self._sending.at_once - len(under_way)
                try:
                    due = await self._outbox.lease(room, self._sending.each, self._lease) if room else ()
                    for one in due:
                        task = asyncio.create_task(self._deliver_safely(one))
                        under_way.add(task)
                        task.add_done_callback(under_way.discard)
                    await self._sweep_now_and_then()
                    pause = 0.0 if due else self._sending.poll
                except (StoreUnavailable, StoreRefused):  # which the store has logged
                    pause = min(max(1.0, pause * 2), 30.0)
                except Exception:  # noqa: BLE001 (logged; a sender that stops for good would do so unseen)
                    _log.exception("the outbox cannot be worked through by a fault of the service")
                    pause = 30.0
                if asked_to_stop():
                    break
                if under_way:
                    await asyncio.wait(under_way, timeout=max(pause, 0.05), return_when=asyncio.FIRST_COMPLETED)
                else:
                    await asyncio.sleep(pause * (1 + self._sending.jitter * self._chance()))
        finally:
            if under_way:
                await asyncio.wait(under_way, timeout=STOPS_WITHIN)
            for task in under_way:
                task.cancel()
            await asyncio.gather(*under_way, return_exceptions=True)
            await self.close()

    async def close(self) -> None:
        """Close connections that are kept for the next delivery."""
        if self._pool is not None:
            await self._pool.aclose()
            self._pool = None

    async def deliver_due(self) -> int:
        """Send once what is due now, as much as may be under way at once; how many deliveries were tried."""
        due = await self._outbox.lease(self._sending.at_once, self._sending.each, self._lease)
        await asyncio.gather(*(self.deliver(one) for one in due))
        return len(due)

    async def deliver_all_due(self) -> int:
        """Send until nothing is due; how many tries were made."""
        tried = 0
        while now := await self.deliver_due():
            tried += now
        return tried

    async def deliver(self, due: DueDelivery) -> None:
        """Try one delivery and record what came of it."""
        await self._outbox.record(due, await self.attempt(due))

    async def attempt(self, due: DueDelivery) -> TryOutcome:
        """Try one delivery; what came of it."""
        began = time.monotonic()
        status, failure, retry_after = None, None, 0.0
        try:
            async with asyncio.timeout(self._sending.seconds):
                status, retry_after = await self._send(due)
        except SealBroken:
            failure = "secret_not_readable"
        except TargetRefused:
            failure = "target_refused"
        except (TimeoutError, httpcore.TimeoutException):
            failure = "timed_out"
        except httpcore.ConnectError:
            failure = "not_connected"
        except (httpcore.NetworkError, httpcore.ProtocolError, OSError):
            failure = "connection_broken"
        except Exception:  # noqa: BLE001 (recorded, so that it is given up in the end, and logged)
            _log.exception("delivery %s failed by a fault of the service", due.delivery_id)
            failure = "internal_fault"
        milliseconds = round((time.monotonic() - began) * 1000)
        delivered = status is not None and 200 <= status < 300
        return TryOutcome(
            milliseconds=milliseconds,
            status=status,
            failure=failure,
            delivered=delivered,
            again=None if delivered or status == 410 else self._again(due.tries, retry_after),
            gone=status == 410,
        )

    @property
    def _lease(self) -> float:
        """Seconds: well longer than a try and recording it may take."""
        return 4 * self._sending.seconds + 30

    def _again(self, tries: int, retry_after: float) -> float | None:
        """Seconds until the next try after so many; None where that was the last."""
        if tries > len(self._sending.retries):
            return None
        wait = self._sending.retries[tries - 1] * (1 + self._sending.jitter * self._chance())
        return max(wait, min(retry_after, self._sending.retries[-1]))

    async def _send(self, due: DueDelivery) -> tuple[int, float]:
        """Status of the answer, and the seconds that it asks to wait."""
        refuse_url(due.url, private_targets=self._sending.private_targets)
        body = event_body(due)
        headers: dict[str, str] = {
            "content-type": "application/json",
            "user-agent": "airside-findings",
            **signed(due.delivery_id, self._now(), body, [self._seal.open(sealed) for sealed in due.secrets]),
        }
        each_step = dict.fromkeys(("connect", "read", "write", "pool"), self._sending.seconds)
        # Redirects are not followed: where they lead was looked at by nobody.
        async with self._connections().stream(
            "POST", due.url, headers=list(headers.items()), content=body, extensions={"timeout": each_step}
        ) as answered:
            await _read_some(answered)
            named = {name.lower(): value for name, value in answered.headers}
            asked = named.get(b"retry-after", b"") if answered.status in (429, 503) else b""
            return answered.status, float(asked) if asked.isdigit() and len(asked) < 7 else 0.0

    def _connections(self) -> httpcore.AsyncConnectionPool:
        if self._pool is None:
            self._pool = httpcore.AsyncConnectionPool(
                ssl_context=self._trusted,
                max_connections=self._sending.at_once,
                max_keepalive_connections=self._sending.at_once,
                keepalive_expiry=5.0,
                http2=False,
                network_backend=CheckedNetwork(private_targets=self._sending.private_targets, by=self._resolve),
            )
        return self._pool

    async def _deliver_safely(self, due: DueDelivery) -> None:
        """What cannot be recorded is sent again once the lease has run out."""
        try:
            await self.deliver(due)
        except (StoreUnavailable, StoreRefused):
            _log.warning("delivery %s was tried, and what came of it could not be recorded", due.delivery_id)

    async def _sweep_now_and_then(self) -> None:
        """Each hour, in portions; the first time some seconds after the start, at random."""
        now = time.monotonic()
        if self._swept_at == -float("inf"):
            self._swept_at = now - 3600 + 600 * self._chance()
        if now - self._swept_at >= 3600:
            swept = await self._outbox.sweep(self._sending.kept_days, 2000)
            self._swept_at = now if swept < 2000 else self._swept_at


def sending_as_set(settings: Settings) -> Sending:
    """How to send, as the operator has set it."""
    return Sending(
        retries=settings.webhook_retries,
        seconds=settings.webhook_seconds,
        private_targets=settings.webhook_private_targets,
    )


@contextlib.asynccontextmanager
async def sender_over(settings: Settings, sending: Sending) -> AsyncIterator[Sender]:
    """A sender with two connections of its own to the database, which may come later.

    Raises
    ------
    SettingsRefused : `DATABASE_URL` is not set
    """
    if settings.database_url is None:
        raise SettingsRefused(["DATABASE_URL: must be set for a process that sends to webhooks"])
    database = Database(settings.database_url, pool_size=2, pool_waiting=256, seconds=max(10.0, settings.store_seconds))
    await database.open()
    try:
        yield Sender(Outbox(database), Seal(settings.sealing_keys), sending)
    finally:
        await database.close()


async def _read_some(answered: httpcore.Response) -> None:
    """Whatever goes wrong here, the status has arrived, and that counts."""
    read = 0
    with contextlib.suppress(httpcore.NetworkError, httpcore.ProtocolError, httpcore.TimeoutException, TimeoutError):
        async with asyncio.timeout(MOST_ANSWER_SECONDS):
            async for part in answered.aiter_stream():
                read += len(part)
                if read > MOST_ANSWER_OCTETS:
                    return
