"""API keys: who is asking, and what the key allows."""

import hashlib
import re
import time
from typing import Any
from uuid import UUID

from litestar.connection import ASGIConnection
from litestar.handlers import BaseRouteHandler

from service.api.problems import ProblemRaised
from service.api.sharing import UnderWay
from service.errors import StoreUnavailable
from service.model.record import Tenant
from service.store.evaluations import Store

CONFIRMED_FOR = 10.0
"""Seconds for which a key that the database knew is not asked for again; a revoked key may work this much longer."""

REMEMBERED_FOR = 900.0
"""Seconds for which such a key still opens what needs no database, while the database is down."""

MOST_REMEMBERED = 2048

_BEARER = re.compile(r"[Bb][Ee][Aa][Rr][Ee][Rr] +([^ ]+) *")


class KeyRing:
    """The keys seen lately by this process, as digests, so that a preview outlives an outage of the database."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._known: dict[bytes, tuple[Tenant, float, float]] = {}
        self._asked = UnderWay()

    def forget(self, tenant_id: UUID) -> None:
        """Ask the database again for every key of an account that changed something of itself."""
        for digest in [digest for digest, known in self._known.items() if known[0].tenant_id == tenant_id]:
            del self._known[digest]

    async def tenant(self, secret: str, *, through_outage: bool = False) -> Tenant | None:
        """The tenant that a key belongs to; None for a key that is not valid.

        Raises
        ------
        StoreUnavailable : the database cannot answer, and the key was not confirmed lately
        """
        digest = hashlib.sha256(secret.encode()).digest()
        now = time.monotonic()
        known = self._known.get(digest)
        if known is not None and now < known[1]:
            return known[0]
        try:
            tenant, _ = await self._asked.share(digest, lambda: self._store.authenticate(secret))
        except StoreUnavailable:
            if known is None or not through_outage or now >= known[2]:
                raise
            # Not asked again for a while, so that an outage does not slow down each request.
            self._known[digest] = (known[0], now + 1.0, known[2])
            return known[0]
        self._known.pop(digest, None)
        if tenant is not None:
            if len(self._known) >= MOST_REMEMBERED:
                del self._known[next(iter(self._known))]
            self._known[digest] = (tenant, now + CONFIRMED_FOR, now + REMEMBERED_FOR)
        return tenant


async def authorised(connection: ASGIConnection[Any, Any, Any, Any], handler: BaseRouteHandler) -> None:
    """Guard of every handler with `scope` in its options: sets `user` to the tenant, or ends the exchange."""
    if connection.scope["method"] == "OPTIONS":  # type: ignore[typeddict-item]
        return
    scope: str = handler.opt["scope"]
    bearer = _BEARER.fullmatch(connection.headers.get("authorization", ""))
    if bearer is None:
        raise ProblemRaised(
            "key_refused",
            "no API key was sent as a bearer token",
            headers={"www-authenticate": 'Bearer realm="airside"'},
        )
    keys: KeyRing = connection.app.state.service.keys
    tenant = await keys.tenant(bearer.group(1), through_outage=handler.opt.get("through_outage", False))
    if tenant is None:
        raise ProblemRaised(
            "key_refused",
            "the API key is not valid",
            headers={"www-authenticate": 'Bearer realm="airside", error="invalid_token"'},
        )
    connection.scope["user"] = tenant
    connection.scope["state"]["tenant_id"] = str(tenant.tenant_id)
    if scope not in tenant.scopes:
        raise ProblemRaised(
            "scope_missing",
            f"this needs a key with the scope {scope}",
            headers={"www-authenticate": f'Bearer realm="airside", error="insufficient_scope", scope="{scope}"'},
        )
