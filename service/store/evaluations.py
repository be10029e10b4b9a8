"""The store as serving processes use it: who is asking, keep one, fetch one, list; reassessments likewise."""

import asyncio
import contextlib
import hashlib
import logging
import math
import os
import re
import select
import socket
import time
import uuid
from collections.abc import Iterator, Sequence
from typing import Any

import psycopg
import psycopg_pool
import uuid_utils.compat

from service.errors import OutOfRange, RoleRefused, StoreRefused, StoreUnavailable
from service.model.record import (
    EvaluationFilter,
    EvaluationPage,
    EvaluationSummary,
    ReassessmentPage,
    ReassessmentSummary,
    StoredEvaluation,
    StoredReassessment,
    Tenant,
)
from service.store.cursor import read_cursor, write_cursor
from service.store.storable import refuse_unstorable

NEEDED_REVISION = "0002"
"""Revision of the database that the statements below were written for; a later one serves them too."""

LONGEST_PAGE = 200
SECRET = re.compile(r"ak_[0-9A-Za-z_-]{43}")

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

_CONFIGURE = """
    SELECT set_config('role', 'airside_app', false), set_config('timezone', 'UTC', false),
           set_config('statement_timeout', %s, false)
"""
_ROLE_IS_BOUND = """
    SELECT NOT (rolsuper OR rolbypassrls) AND row_security_active('airside.evaluations')
      FROM pg_catalog.pg_roles WHERE rolname = current_user
"""
_READY = "SELECT version_num FROM airside.revision"
_AUTHENTICATE = "SELECT tenant_id, key_id, scopes, units, ruleset FROM airside.authenticate(%s)"
_KEEP = "SELECT airside.keep(%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)"
_FETCH = """
    SELECT evaluation_id, created_at, visited_at, site_reference, equipment_reference, job_reference,
           ruleset_version, ruleset_digest, highest_severity::text, units, request, evaluation, request_id,
           trace_parent
      FROM airside.fetch(%s, %s)
"""
_NEWEST = """
    SELECT evaluation_id, created_at, visited_at, site_reference, equipment_reference, job_reference,
           ruleset_version, ruleset_digest, highest_severity::text, units
      FROM airside.newest(%s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
"""
_KEEP_REASSESSMENT = "SELECT airside.keep_reassessment(%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)"
_FETCH_REASSESSMENT = """
    SELECT evaluation_id, reassessment_id, created_at, ruleset_version, ruleset_digest, service_version,
           highest_severity::text, units, evaluation, difference, request_id, trace_parent
      FROM airside.fetch_reassessment(%s, %s, %s)
"""
_NEWEST_REASSESSMENTS = """
    SELECT reassessment_id, created_at, ruleset_version, ruleset_digest, service_version, highest_severity::text, units
      FROM airside.newest_reassessments(%s, %s, %s, %s, %s)
"""
_FETCHED_REASSESSMENT = (
    "evaluation_id", "reassessment_id", "created_at", "ruleset_version", "ruleset_digest", "service_version",
    "highest_severity", "units", "evaluation", "difference", "request_id", "trace_parent",
)  # fmt: skip
_LISTED_REASSESSMENT = _FETCHED_REASSESSMENT[1:8]
_FETCHED = (
    "evaluation_id", "created_at", "visited_at", "site_reference", "equipment_reference", "job_reference",
    "ruleset_version", "ruleset_digest", "highest_severity", "units", "request", "evaluation", "request_id",
    "trace_parent",
)  # fmt: skip
_LISTED = _FETCHED[:10]


def new_evaluation_id() -> uuid.UUID:
    """A UUID of version 7 (RFC 9562): unique without asking anyone, and ordered by time."""
    return uuid_utils.compat.uuid7()


class Store:
    """Evaluations in PostgreSQL, through a pool of connections that mends itself.

    Every method but `open` and `close` takes one round trip, and raises `StoreUnavailable` after about
    `seconds`, at most a second more, whether the database is down, refuses, hangs or is merely too busy. Once it is
    back, the pool is too, within about 5 s.

    Parameters:
        database_url: a `postgresql://` address whose user may act as `airside_app`.
        pool_size: connections kept open.
        pool_waiting: calls that may wait for a connection before the next is turned away at once.
        seconds: longest wait for a connection, and longest statement.
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
            rows = await self._rows(_READY)
        except (StoreUnavailable, StoreRefused):
            return False
        return any(revision >= NEEDED_REVISION for (revision,) in rows)

    async def authenticate(self, secret: str) -> Tenant | None:
        """The tenant whose live API key this is; None for any other text, a revoked or an expired key.

        The database is asked for the SHA-256 digest, and only if the text has the form of a key.
        """
        if not SECRET.fullmatch(secret):
            return None
        rows = await self._rows(_AUTHENTICATE, (hashlib.sha256(secret.encode()).digest(),))
        for tenant_id, key_id, scopes, units, ruleset in rows:
            return Tenant(tenant_id=tenant_id, key_id=key_id, scopes=frozenset(scopes), units=units, ruleset=ruleset)
        return None

    async def keep(self, tenant_id: uuid.UUID, kept: StoredEvaluation) -> None:
        """Add one evaluation, for good: once this returns it has been committed.

        If it raises `StoreUnavailable`, the evaluation may or may not have been kept.

        Raises:
            RecordRefused: it holds something that PostgreSQL cannot; see `refuse_unstorable`.
        """
        refuse_unstorable(kept)
        await self._rows(
            _KEEP,
            (
                tenant_id, kept.evaluation_id, kept.created_at, kept.visited_at, kept.site_reference,
                kept.equipment_reference, kept.job_reference, kept.ruleset_version, kept.ruleset_digest,
                kept.highest_severity, kept.units, kept.request, kept.evaluation, kept.request_id,
                kept.trace_parent,
            ),
        )  # fmt: skip

    async def fetch(self, tenant_id: uuid.UUID, evaluation_id: uuid.UUID) -> StoredEvaluation | None:
        """One evaluation of this tenant, every byte as kept; None if there is none, or it is another's."""
        for row in await self._rows(_FETCH, (tenant_id, evaluation_id)):
            return StoredEvaluation(**dict(zip(_FETCHED, row, strict=True)))
        return None

    async def list(
        self,
        tenant_id: uuid.UUID,
        filters: EvaluationFilter | None = None,
        cursor: str | None = None,
        limit: int = 50,
    ) -> EvaluationPage:
        """Evaluations of this tenant, newest first, from just after `cursor` on.

        Following `next_cursor` shows every evaluation that was there at the start exactly once, also while others
        are being kept and where several were made in the same microsecond. Use the same filters on each page.

        Raises:
            CursorRefused: a cursor that `list` did not give out.
            OutOfRange: `limit` is not from 1 to `LONGEST_PAGE`.
            RecordRefused: a filter holds something that PostgreSQL cannot.
        """
        if not 1 <= limit <= LONGEST_PAGE:
            raise OutOfRange("limit", limit, 1, LONGEST_PAGE)
        place = (None, None) if cursor is None else read_cursor(cursor)
        wanted = filters or EvaluationFilter()
        refuse_unstorable(wanted)
        rows = await self._rows(
            _NEWEST,
            (
                tenant_id, wanted.site_reference, wanted.equipment_reference, wanted.job_reference,
                wanted.least_severity, wanted.created_from, wanted.created_before, *place, limit + 1,
            ),
        )  # fmt: skip
        items = tuple(EvaluationSummary(**dict(zip(_LISTED, row, strict=True))) for row in rows[:limit])
        more = len(rows) > limit
        return EvaluationPage(
            items=items,
            next_cursor=write_cursor(items[-1].created_at, items[-1].evaluation_id) if more else None,
        )

    async def keep_reassessment(self, tenant_id: uuid.UUID, kept: StoredReassessment) -> None:
        """Add one reassessment beside its evaluation, for good, as `keep` does.

        Raises:
            RecordRefused: it holds something that PostgreSQL cannot; see `refuse_unstorable`.
        """
        refuse_unstorable(kept)
        await self._rows(
            _KEEP_REASSESSMENT,
            (
                tenant_id, kept.evaluation_id, kept.reassessment_id, kept.created_at, kept.ruleset_version,
                kept.ruleset_digest, kept.service_version, kept.highest_severity, kept.units, kept.evaluation,
                kept.difference, kept.request_id, kept.trace_parent,
            ),
        )  # fmt: skip

    async def fetch_reassessment(
        self, tenant_id: uuid.UUID, evaluation_id: uuid.UUID, reassessment_id: uuid.UUID
    ) -> StoredReassessment | None:
        """One reassessment of an evaluation of this tenant; None if there is none, or it is another's."""
        for row in await self._rows(_FETCH_REASSESSMENT, (tenant_id, evaluation_id, reassessment_id)):
            return StoredReassessment(**dict(zip(_FETCHED_REASSESSMENT, row, strict=True)))
        return None

    async def list_reassessments(
        self, tenant_id: uuid.UUID, evaluation_id: uuid.UUID, cursor: str | None = None, limit: int = 50
    ) -> ReassessmentPage | None:
        """Reassessments of an evaluation of this tenant, newest first; None if there is no such evaluation.

        Raises:
            CursorRefused: a cursor that this did not give out.
            OutOfRange: `limit` is not from 1 to `LONGEST_PAGE`.
        """
        if not 1 <= limit <= LONGEST_PAGE:
            raise OutOfRange("limit", limit, 1, LONGEST_PAGE)
        place = (None, None) if cursor is None else read_cursor(cursor)
        rows = await self._rows(_NEWEST_REASSESSMENTS, (tenant_id, evaluation_id, *place, limit + 1))
        if not rows:
            return None
        found = [row for row in rows if row[0] is not None]
        items = tuple(ReassessmentSummary(**dict(zip(_LISTED_REASSESSMENT, row, strict=True))) for row in found[:limit])
        more = len(found) > limit
        return ReassessmentPage(
            items=items,
            next_cursor=write_cursor(items[-1].created_at, items[-1].reassessment_id) if more else None,
        )

    async def _rows(self, query: str, parameters: Sequence[object] = ()) -> Sequence[tuple[Any, ...]]:
        deadline = time.monotonic() + self._seconds
        try:
            while True:
                async with self._pool.connection(max(0.0, deadline - time.monotonic())) as connection:
                    if await _is_alive(connection):
                        with _severed_after(self._seconds + 0.5, connection):
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
            await connection.execute(_CONFIGURE, (str(math.ceil(self._seconds * 1000)),))
            bound = await (await connection.execute(_ROLE_IS_BOUND)).fetchone()
        if bound != (True,):
            self._refused = RoleRefused(
                "the role airside_app is superuser or exempt from row-level security, so tenants would not be kept "
                "apart; run: ALTER ROLE airside_app NOSUPERUSER NOBYPASSRLS"
            )
            raise self._refused
        self._refused = None


class _Connection(psycopg.AsyncConnection[tuple[Any, ...]]):
    answered_at = -math.inf


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
