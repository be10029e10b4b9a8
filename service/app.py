"""The application: settings, rules and store put together, and what is done once at the start of a process."""

import contextlib
import gc
import logging
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import AsyncIterator
from typing import Any

from litestar import Litestar
from litestar.exceptions import HTTPException

from service.api.contract import contract_bytes
from service.api.edge import Service
from service.api.exchange import Serving
from service.api.problems import answer_problem
from service.api.routes import ROUTES
from service.errors import SettingsRefused
from service.pipeline import Rulebook, load
from service.settings import Settings, read_settings
from service.store.evaluations import Store


def create_app(settings: Settings, rulebook: Rulebook, store: Store) -> Litestar:
    """The application over these; it opens and closes the store.

    It starts without the database, and says on `/health/ready` whether it can take work.
    """
    application = Service(
        ROUTES,
        exception_handlers={HTTPException: answer_problem, Exception: answer_problem},
        lifespan=[_lifespan],
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
        await serving.store.close()


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
    return create_app(settings, load(current=settings.ruleset), store)


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
