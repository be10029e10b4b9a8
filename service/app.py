"""The application: settings, rules and store put together, and what is done once at the start of a process."""

import asyncio
import contextlib
import gc
import logging
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager
from typing import Any

from litestar import Litestar
from litestar.exceptions import HTTPException

from service.api.contract import contract_bytes
from service.api.edge import Service
from service.api.exchange import Serving
from service.api.problems import answer_problem
from service.api.routes import ROUTES
from service.errors import SettingsRefused
from service.notify.sender import Sending, sender_over, sending_as_set
from service.pipeline import Rulebook, load
from service.settings import Settings, read_settings
from service.store.evaluations import Store
from service.store.sweeping import SWEPT_EVERY, keep_sweeping


def create_app(
    settings: Settings,
    rulebook: Rulebook,
    store: Store,
    sending: Sending | None = None,
    sweep_every: float | None = None,
) -> Litestar:
    """The application over these; it opens and closes the store. With `sending` it also sends to webhooks, and with
    `sweep_every` it sweeps every so many seconds.

    It starts without the database, and says on `/health/ready` whether it can take work.
    """
    application = Service(
        ROUTES,
        exception_handlers={HTTPException: answer_problem, Exception: answer_problem},
        lifespan=[
            _lifespan,
            *([] if sending is None else [_sends(settings, sending)]),
            *([] if sweep_every is None else [_sweeps(sweep_every)]),
        ],
        request_max_body_size=settings.body_bytes,
        openapi_config=None,
        logging_config=None,
    )
    application.state.service = Serving(settings, rulebook, store, contract_bytes)
    return application


@contextlib.asynccontextmanager
async def _lifespan(application: Litestar) -> AsyncIterator[None]:
    serving: Serving = application.state.service
    await serving.store.open()
    # What is alive now stays: leave it out of every later collection, and collect seldom. Measured: the collector
    # made most of the slowest one in a hundred answers.
    before = gc.get_threshold()
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)
    try:
        yield
    finally:
        gc.unfreeze()
        gc.set_threshold(*before)
        await serving.crew.close()
        await serving.store.close()


def _sends(settings: Settings, sending: Sending) -> Callable[[Litestar], AbstractAsyncContextManager[None]]:
    """Beside serving, with connections of its own, so that neither waits for the other."""

    @contextlib.asynccontextmanager
    async def beside(_: Litestar) -> AsyncIterator[None]:
        async with sender_over(settings, sending) as sender:
            task = asyncio.create_task(sender.run())
            try:
                yield
            finally:
                task.cancel()
                await asyncio.wait([task])

    return beside


def _sweeps(every: float) -> Callable[[Litestar], AbstractAsyncContextManager[None]]:
    """Beside serving, over the same connections: a sweep takes one at a time, and each for a moment."""

    @contextlib.asynccontextmanager
    async def beside(application: Litestar) -> AsyncIterator[None]:
        task = asyncio.create_task(keep_sweeping(application.state.service.erasures, every))
        try:
            yield
        finally:
            task.cancel()
            await asyncio.wait([task])

    return beside


def application() -> Litestar:
    """Factory for the server: settings from the environment, the rules that came with the service.

    Raises
    ------
    SettingsRefused : a setting cannot be used, or `DATABASE_URL` is not set
    """
    settings = read_settings()
    log_requests()
    if settings.database_url is None:
        raise SettingsRefused(["DATABASE_URL: must be set for a serving process; `airside serve` sets it"])
    store = Store(
        settings.database_url,
        pool_size=settings.pool_size,
        pool_waiting=settings.pool_waiting,
        seconds=settings.store_seconds,
    )
    sending = sending_as_set(settings) if settings.webhooks else None
    return create_app(settings, load(current=settings.ruleset), store, sending, SWEPT_EVERY)


def application_of_a_process() -> Litestar:
    """Factory for each server process that `airside serve` starts: the application, out of reach of the terminal.

    Ctrl-C goes to a whole process group, and the parent then sends a signal of its own; a server process that gets
    two at once may hang (seen in about one of five tries, until it was killed). Where the parent is killed, the
    process stops of itself rather than hold the port for ever.
    """
    parent = multiprocessing.parent_process()
    if parent is not None:
        os.setpgid(0, 0)
        threading.Thread(target=_stop_after, args=(parent,), daemon=True).start()
    return application()


def _stop_after(parent: Any) -> None:
    parent.join()
    os.kill(os.getpid(), signal.SIGTERM)


def log_requests() -> None:
    """One JSON line a request to standard output; warnings of other parts to standard error."""
    logger = logging.getLogger("airside.requests")
    if not logger.handlers:
        handler = logging.StreamHandler(sys.stdout)
        handler.setFormatter(logging.Formatter("%(message)s"))
        logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    logger.propagate = False
