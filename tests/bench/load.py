"""A bounded client that asks the same thing over kept connections, with as little work of its own as possible."""

from __future__ import annotations

import asyncio
import time

import msgspec


class Load(msgspec.Struct, frozen=True):
    """What a measurement saw: rate in 1/s, latencies in s, processor time of the server for one request in s."""

    requests: int
    rate: float
    p50: float
    p99: float
    cpu: float = 0.0


async def run_load(
    port: int, path: str, body: bytes, headers: dict[str, str], seconds: float, connections: int
) -> Load:
    """Ask for `seconds` over `connections`. Raises `RuntimeError` at the first answer that is not a success."""
    head = f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: {len(body)}\r\n"
    head += "".join(f"{name}: {value}\r\n" for name, value in headers.items()) + "\r\n"
    message = head.encode() + body
    began = time.perf_counter()
    until = began + seconds
    times: list[float] = []
    await asyncio.gather(*(_one(port, message, until, times) for _ in range(connections)))
    length = time.perf_counter() - began
    times.sort()
    return Load(len(times), len(times) / length, times[len(times) // 2], times[int(len(times) * 0.99)])


async def _one(port: int, message: bytes, until: float, times: list[float]) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=1 << 20)
    try:
        while (start := time.perf_counter()) < until:
            writer.write(message)
            head = await reader.readuntil(b"\r\n\r\n")
            if not head.startswith((b"HTTP/1.1 200", b"HTTP/1.1 201")):
                raise RuntimeError(head.decode(errors="replace"))
            at = head.lower().index(b"content-length:") + 15
            await reader.readexactly(int(head[at : head.index(b"\r\n", at)]))
            times.append(time.perf_counter() - start)
    finally:
        writer.close()
