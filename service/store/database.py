"""The database as serving processes reach it: a pool of connections in the restricted role that mends itself."""

import asyncio
import contextlib
import logging
import math
import os
import select
import socket
import time
import uuid
from collections.abc import AsyncIterator, Iterator, Sequence
from typing import Any

import psycopg
import psycopg_pool
import uuid_utils.compat

from service.errors import RoleRefused, StoreRefused, StoreUnavailable

NEEDED_REVISION = "0017"
"""Revision of the database that the statements of the store were written for; a later one serves them too."""

LONGEST_PAGE = 200

_log = logging.getLogger(__name__)

_TRUSTED_FOR = 1.0
"""Seconds for which a connection that answered is taken to be alive without asking it."""

_UNAVAILABLE = (psycopg.OperationalError, psycopg.InterfaceError, psycopg.errors.ReadOnlySqlTransaction)
_UNFIT = (
    psycopg.errors.InvalidSchemaName,
    psycopg.errors.UndefinedTable,
    psycopg.errors.UndefinedFunction,
    psycopg.errors.UndefinedColumn,
    psycopg.errors.InsufficientPrivilege,
)

CONFIGURE = """
    SELECT set_config('role', 'airside_app', false), set_config('timezone', 'UTC', false),
           set_config('random_page_cost', '1.1', false), set_config('statement_timeout', %s, false)
"""
"""What each connection is set to, with the longest statement in ms.

The cost of a page out of turn is that of disks without arms and of rows that are mostly in memory; with the server's
own the planner would sooner read a table of some ten thousand rows from end to end than go by an index.
"""

_ROLE_IS_BOUND = """
    SELECT NOT (rolsuper OR rolbypassrls) AND row_security_active('airside.evaluations')
      FROM pg_catalog.pg_roles WHERE rolname = current_user
"""
_READY = "SELECT version_num FROM airside.revision"


def new_id() -> uuid.UUID:
    """A UUID of version 7 (RFC 9562): unique without asking anyone, and ordered by time."""
    return uuid_utils.compat.uuid7()


class Database:
    """PostgreSQL, through a pool of connections that mends itself.

    `rows` takes one round trip, and raises `StoreUnavailable` after about `seconds`, at most a second more, whether
    the database is down, refuses, hangs or is merely too busy. Once it is back, the pool is too, within about 5 s.

    Parameters:
        database_url: a `postgresql://` address whose user may act as `airside_app`.
        pool_size: connections kept open.
        pool_waiting: calls that may wait for a connection before the next is turned away at once.
        seconds: longest wait for a connection, and longest statement of a call that did not wait.
    """

    def __init__(self, database_url: str, *, pool_size: int = 8, pool_waiting: int = 64, seconds: float = 2.0) -> None:
        self._seconds = seconds
        self._refused: RoleRefused | None = None
        self._pool = psycopg_pool.AsyncConnectionPool(
            database_url,
            connection_class=_Connection,
            kwargs={
                "autocommit": True,
                "application_name": "airside",
                "connect_timeout": max(2, math.ceil(seconds)),  # libpq counts whole seconds, 2 at least
                "tcp_user_timeout": math.ceil(seconds * 1000),
            },
            min_size=pool_size,
            max_size=pool_size,
            timeout=seconds,
            max_waiting=pool_waiting,
            reconnect_timeout=5,
            configure=self._configure,
            open=False,
            name="store",
        )

    async def open(self) -> None:
        """Begin connecting; does not wait for the database, which may come later."""
        await self._pool.open(wait=False)

    async def close(self) -> None:
        """Give back every connection; calls under way finish first, within their time."""
        await self._pool.close(timeout=self._seconds + 1)

    async def ready(self) -> bool:
        """Whether the database answers and has every migration that this version needs."""
        try:
            rows = await self.rows(_READY)
        except (StoreUnavailable, StoreRefused):
            return False
        return any(revision >= NEEDED_REVISION for (revision,) in rows)

    async def rows(
        self, query: str, parameters: Sequence[object] = (), *, seconds: float | None = None
    ) -> Sequence[tuple[Any, ...]]:
        """Every row that one statement answers, in one round trip; with `seconds` it may take that long, and takes
        more of them.

        Raises:
            StoreUnavailable: the database did not answer in time; what was to be written may or may not have been.
            StoreRefused: it answered, but is not migrated, or the role may not do this.
        """
        deadline = time.monotonic() + self._seconds
        try:
            while True:
                async with self._pool.connection(max(0.0, deadline - time.monotonic())) as connection:
                    if await _is_alive(connection):
                        # What waited for its connection has less left for its statement.
                        left = min(self._seconds + 0.5, deadline + 1.0 - time.monotonic())
                        with _severed_after(left if seconds is None else seconds + 0.5, connection):
                            async with _taking(connection, seconds):
                                result = await connection.execute(query, parameters, binary=True)
                                rows = await result.fetchall()
                        connection.answered_at = time.monotonic()
                        return rows
        except _UNAVAILABLE as failure:
            if self._refused is not None:
                raise self._refused from failure
            _log.warning("store unavailable: %s", type(failure).__name__)
            raise StoreUnavailable from failure
        except _UNFIT as failure:
            raise StoreRefused(
                "the database lacks what this version needs; migrate it as the user that owns the tables"
            ) from failure

    async def _configure(self, connection: "_Connection") -> None:
        """Take on the restricted role, for the life of the connection, and refuse to serve without it."""
        with _severed_after(self._seconds, connection):
            await connection.execute(CONFIGURE, (str(math.ceil(self._seconds * 1000)),))
            bound = await (await connection.execute(_ROLE_IS_BOUND)).fetchone()
        if bound != (True,):
            self._refused = RoleRefused(
                "the role airside_app is superuser or exempt from row-level security, so tenants would not be kept "
                "apart; run: ALTER ROLE airside_app NOSUPERUSER NOBYPASSRLS"
            )
            raise self._refused
        self._refused = None


def asked_to_stop() -> bool:
    """Whether the task that asks was cancelled, also where the cancellation was lost on its way.

    It is lost where it meets the moment in which a connection is given out or breaks: the pool waits by
    `asyncio.wait_for`, which in CPython 3.11 then answers instead (python/cpython issue 86296), and a statement cut
    short ends in an error of the connection. A loop that lives on errors of the database has to ask.
    """
    task = asyncio.current_task()
    return task is not None and task.cancelling() > 0


class _Connection(psycopg.AsyncConnection[tuple[Any, ...]]):
    answered_at = -math.inf


@contextlib.asynccontextmanager
async def _taking(connection: _Connection, seconds: float | None) -> AsyncIterator[None]:
    """A transaction in which a statement may take this long; nothing for None."""
    if seconds is None:
        yield
        return
    async with connection.transaction():
        await connection.execute("SELECT set_config('statement_timeout', %s, true)", (str(math.ceil(seconds * 1000)),))
        yield


async def _is_alive(connection: _Connection) -> bool:
    """Whether a connection still answers; one that does not is closed, so that the pool replaces it.

    It is asked only if it has not answered just now, or something has come in since: an end that the server or its
    kernel announced makes the socket readable, and to see that costs no round trip.

    The pool's own `check` is not used: it asks each time, and sleeps a second and more after each dead connection,
    so that after a restart of the database a call would time out with good connections waiting.
    """
    try:
        stir = select.poll()
        stir.register(connection.fileno(), select.POLLIN)
        if not stir.poll(0) and time.monotonic() - connection.answered_at <= _TRUSTED_FOR:
            return True
        with _severed_after(1.0, connection):
            await connection.execute("")
    except _UNAVAILABLE:
        await connection.close()
        return False
    return True


@contextlib.contextmanager
def _severed_after(seconds: float, connection: _Connection) -> Iterator[None]:
    """Shut the socket if the body takes longer, which makes psycopg raise OperationalError at once.

    The server's own statement_timeout does not help where the server hangs, and cancelling the task would first send
    the hanging server a request to cancel, and wait for it.
    """
    timer = asyncio.get_running_loop().call_later(seconds, _sever, connection)
    try:
        yield
    finally:
        timer.cancel()


def _sever(connection: _Connection) -> None:
    with (
        contextlib.suppress(OSError, psycopg.Error),
        socket.socket(fileno=os.dup(connection.fileno())) as same,
    ):
        same.shutdown(socket.SHUT_RDWR)
