"""The floor: the least an application on this server could do. It decodes the body into the same structs and returns
a prepared answer of the same size, with or without one insert of that answer."""

from __future__ import annotations

import os
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import msgspec
import psycopg_pool

from service.wire.request import EvaluationRequest

Receive = Callable[[], Awaitable[dict[str, Any]]]
Send = Callable[[dict[str, Any]], Awaitable[None]]


def application() -> Callable[[dict[str, Any], Receive, Send], Awaitable[None]]:
    """Factory for the server; the answer and the database come from the environment."""
    answer = Path(os.environ["AIRSIDE_BENCH_ANSWER"]).read_bytes()
    decoder = msgspec.json.Decoder(EvaluationRequest)
    pool = psycopg_pool.AsyncConnectionPool(os.environ["DATABASE_URL"], min_size=8, max_size=8, open=False)

    async def app(scope: dict[str, Any], receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await receive()
            await pool.open(wait=True)
            async with pool.connection() as connection:
                await connection.execute("CREATE TABLE IF NOT EXISTS floor (answer bytea)")
            await send({"type": "lifespan.startup.complete"})
            await receive()
            await pool.close()
            await send({"type": "lifespan.shutdown.complete"})
            return
        if scope["path"] != "/ready":
            body = b""
            while True:
                part = await receive()
                body += part["body"]
                if not part.get("more_body"):
                    break
            decoder.decode(body)
        if scope["path"] == "/insert":
            async with pool.connection() as connection:
                await connection.execute("INSERT INTO floor VALUES (%s)", (answer,))
        headers = [(b"content-type", b"application/json"), (b"content-length", str(len(answer)).encode())]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": answer})

    return app
