"""What every exchange gets, whatever happens in it."""

import json
import logging
import re
import secrets
import time
import traceback
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Any, cast

from litestar import Litestar
from litestar.enums import ScopeType
from litestar.exceptions import LitestarException
from litestar.routes import BaseRoute, HTTPRoute
from litestar.types import LifeSpanReceive, LifeSpanScope, LifeSpanSend, Message, Receive, Scope, Send

from service.api.problems import MEDIA_TYPE, encode_problem, problem_of
from service.errors import AirsideError

_REQUEST_ID = re.compile(r"[0-9A-Za-z][0-9A-Za-z._-]{0,63}")
_TRACE_PARENT = re.compile(r"00-(?!0{32})[0-9a-f]{32}-(?!0{16})[0-9a-f]{16}-[0-9a-f]{2}")

_HEADERS = {
    b"x-content-type-options": b"nosniff",
    b"referrer-policy": b"no-referrer",
    b"content-security-policy": b"default-src 'none'; frame-ancestors 'none'",
    b"cross-origin-resource-policy": b"same-origin",
    b"cache-control": b"no-store",
}
"""Set unless the handler said otherwise."""

_log = logging.getLogger("airside.requests")


class Service(Litestar):
    """The application with an edge around it.

    - `X-Request-Id` is taken over if it is 1 to 64 letters, digits, `.`, `_` or `-`, else made; a valid `traceparent`
      (W3C Trace Context, version 00) is echoed. Both are kept with an evaluation.
    - HEAD is answered as GET without the body.
    - An exception that even the framework's exception handling lets through is answered as a problem.
    - An answer that fails once it has begun is cut off; `cut` in the log says by what.
    - One JSON line a request goes to the log. It names the route, never the path, the query, a key or a body.
    """

    async def __call__(
        self, scope: Scope | LifeSpanScope, receive: Receive | LifeSpanReceive, send: Send | LifeSpanSend
    ) -> None:
        """ASGI entry point."""
        if scope["type"] != ScopeType.HTTP:
            await super().__call__(scope, receive, send)
            return
        exchange = _Exchange(cast("dict[str, Any]", scope), cast(Send, send), self.routes)
        try:
            await super().__call__(cast(Scope, exchange.scope), receive, exchange.send)
        except Exception as failure:
            if exchange.status is not None:
                exchange.cut(failure)
                raise  # the server closes the connection, so that the client sees that the answer is not whole
            exchange.state["fault"] = failure
            await exchange.fail(failure)
        finally:
            exchange.log()


class _Exchange:
    def __init__(self, scope: dict[str, Any], send: Send, routes: Sequence[BaseRoute]) -> None:
        self._routes = routes
        self._started = time.perf_counter()
        self._send = send
        self._head = scope["method"] == "HEAD"
        self._method = scope["method"]
        given_id = trace_parent = None
        for name, value in scope["headers"]:
            if name == b"x-request-id":
                given_id = _REQUEST_ID.fullmatch(value.decode("latin-1"))
            elif name == b"traceparent":
                trace_parent = _TRACE_PARENT.fullmatch(value.decode("latin-1"))
        self.state: dict[str, Any] = {
            **scope.get("state", {}),
            "request_id": given_id.group() if given_id else secrets.token_hex(16),
            "trace_parent": trace_parent.group() if trace_parent else None,
            "head": self._head,
        }
        self.scope = {**scope, "method": "GET" if self._head else self._method, "state": self.state}
        self.status: int | None = None
        self._sent_bytes = 0

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            message["headers"] = self._headers(message["headers"])
        elif message["type"] == "http.response.body":
            self._sent_bytes += len(message["body"])
            if self._head:
                message["body"] = b""
        await self._send(message)

    def _headers(self, given: Iterable[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
        headers = []
        names = set()
        for name, value in given:
            names.add(name.lower())
            headers.append((name.lower(), self._allowed(value.decode()) if name.lower() == b"allow" else value))
        headers += [(name, value) for name, value in _HEADERS.items() if name not in names]
        headers.append((b"x-request-id", self.state["request_id"].encode()))
        if self.state["trace_parent"] is not None:
            headers.append((b"traceparent", self.state["trace_parent"].encode()))
        return headers

    def _allowed(self, listed: str) -> bytes:
        """The methods of the address; the framework's answer to OPTIONS lists those of one handler only."""
        methods = {method.strip() for method in listed.split(",")}
        for route in self._routes:
            if isinstance(route, HTTPRoute) and route.path_format == self.scope.get("path_template"):
                methods |= {str(method) for method in route.methods}
        return ", ".join(sorted(methods | ({"HEAD"} if "GET" in methods else set()))).encode()

    async def fail(self, failure: Exception) -> None:
        raised = problem_of(failure)
        self.state["problem"] = raised.code
        status, headers, body = encode_problem(raised, self.state["request_id"])
        fields = {**headers, "content-type": MEDIA_TYPE, "content-length": str(len(body))}
        await self.send(
            {
                "type": "http.response.start",
                "status": status,
                "headers": [(name.encode(), value.encode()) for name, value in fields.items()],
            }
        )
        await self.send({"type": "http.response.body", "body": body, "more_body": False})

    def cut(self, failure: Exception) -> None:
        cause = failure.__cause__ if isinstance(failure, LitestarException) and failure.__cause__ else failure
        self.state["cut"] = type(cause).__name__
        if not isinstance(cause, AirsideError):
            self.state["fault"] = cause

    def log(self) -> None:
        fault = self.state.get("fault")
        line: dict[str, Any] = {
            "at": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "level": "error" if fault is not None else "warning" if "cut" in self.state else "info",
            "request_id": self.state["request_id"],
            "method": self._method,
            "route": self.scope.get("path_template") or None,
            "status": self.status,
            "milliseconds": round((time.perf_counter() - self._started) * 1e3, 2),
            "bytes": self._sent_bytes,
            "trace_parent": self.state["trace_parent"],
            "tenant_id": self.state.get("tenant_id"),
            "problem": self.state.get("problem"),
            "cut": self.state.get("cut"),
        }
        if fault is not None:
            # The words of an exception may hold what a client sent; where it came from cannot.
            frames = traceback.extract_tb(fault.__traceback__)
            line["fault"] = type(fault).__name__
            line["trace"] = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in frames[-12:]]
        _log.info(json.dumps({name: value for name, value in line.items() if value is not None}))
