"""Sweeping beside serving: what accounts no longer have kept, and keys that are old."""

import asyncio
import logging
import random
from collections.abc import Callable
from datetime import UTC, datetime

from service.errors import StoreRefused, StoreUnavailable
from service.store.database import asked_to_stop
from service.store.erasures import Erasures

SWEPT_EVERY = 3600.0
"""Seconds between two sweeps of a process; several processes take turns by the account."""

_AGAIN = 60.0
"""Longest wait, s, before the first sweep, and after one that the database could not carry out."""

_log = logging.getLogger(__name__)


async def keep_sweeping(
    erasures: Erasures,
    every: float = SWEPT_EVERY,
    *,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
    chance: Callable[[], float] = random.random,
) -> None:
    """Sweep every so many seconds for as long as this is not cancelled, through outages of the database too.

    Parameters:
        now: the time by which age is told.
        chance: 0 to 1; spreads the sweeps of processes that started together.
    """
    pause = min(every, _AGAIN) * chance()
    while not asked_to_stop():
        await asyncio.sleep(pause)
        pause = every * (0.9 + 0.2 * chance())
        try:
            swept = await erasures.sweep(now())
        except (StoreUnavailable, StoreRefused):  # which the store has logged
            pause = min(pause, _AGAIN)
        except Exception:  # noqa: BLE001 (logged; a sweep that stops for good would do so unseen)
            _log.exception("the sweep failed by a fault of the service")
        else:
            if swept.evaluations or swept.keys:
                _log.info("swept %d evaluations and %d idempotency keys", swept.evaluations, swept.keys)
