"""Many visits in one request, against single requests and against the pipeline alone: `python -m tests.bench.batch`.

Prints a table from one run; nothing passes or fails. The rates share the machine with the client and the database, so
the ratios count. Memory is the resident set of all server processes, read 20 times a second.
"""

import argparse
import asyncio
import os
import tempfile
import time
from collections.abc import AsyncIterator
from pathlib import Path

import h11
import msgspec
import psutil

from service import pipeline
from service.store.embedded import embedded_server
from service.store.keys import create_key, create_tenant
from service.store.migrate import migrate
from service.wire.request import EvaluationRequest
from tests.bench.__main__ import drive, per_call, serving, wait_until
from tests.bench.visits import sized_visits


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--lines", type=int, default=2000, help="visits in one request")
    parser.add_argument("--seconds", type=float, default=4.0, help="length of each other measurement")
    asked = parser.parse_args()
    body = sized_visits()["standard"]
    prepared = pipeline.working()
    visit = msgspec.json.decode(body, type=EvaluationRequest)
    alone = 1 / per_call(lambda: pipeline.evaluate(visit, prepared), asked.seconds)
    with tempfile.TemporaryDirectory(prefix="airside-bench-") as name:
        folder = Path(name)
        with embedded_server(folder / "database") as server:
            url = server.database_url
            migrate(url)
            secret = create_key(url, create_tenant(url, "bench", "ip"), "bench").secret
            headers = {"Authorization": f"Bearer {secret}", "Content-Type": "application/json"}
            with serving("service.app:application", {"DATABASE_URL": url}, folder / "log") as (port, pid):
                wait_until(f"http://127.0.0.1:{port}/health/ready")
                single = drive(port, pid, "/v1/evaluations", body, headers, asked.seconds, 8).rate
                headers["Content-Type"] = "application/x-ndjson"
                asyncio.run(batch(port, pid, body, headers, 50))
                rate, sizes = asyncio.run(batch(port, pid, body, headers, asked.lines))
    print(f"{os.cpu_count()} cores, body {len(body)} B, one server process, as many judging as cores")
    print(f"  pipeline.evaluate alone, one core   {alone:>8.0f} visits/s")
    print(f"  single requests, 8 connections      {single:>8.0f} visits/s  {single / alone:>6.2f} of the pipeline")
    print(f"  one batch of {asked.lines:<22} {rate:>8.0f} visits/s  {rate / alone:>6.2f} of the pipeline")
    print(f"  batch against single requests       {rate / single:>8.2f}")
    tenths = [sizes[len(sizes) * part // 10] / 2**20 for part in range(10)] + [sizes[-1] / 2**20]
    print("  MiB over the batch                  " + " ".join(f"{size:.0f}" for size in tenths))


async def batch(port: int, pid: int, visit: bytes, headers: dict[str, str], lines: int) -> tuple[float, list[int]]:
    """Visits a second of one batch, and octets of memory over it."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    http = h11.Connection(h11.CLIENT)
    fields = {"Host": "127.0.0.1", "Transfer-Encoding": "chunked", **headers}
    head = h11.Request(method="POST", target="/v1/evaluations/batch", headers=list(fields.items()))
    writer.write(http.send(head) or b"")
    line = b'{"visit": ' + visit.strip().replace(b"\n", b" ") + b"}\n"
    began = time.perf_counter()

    async def send() -> None:
        for _ in range(lines):
            writer.write(http.send(h11.Data(data=line)) or b"")
            await writer.drain()
        writer.write(http.send(h11.EndOfMessage()) or b"")

    sizes: list[int] = []
    sending, watching = asyncio.create_task(send()), asyncio.create_task(watch(pid, sizes))
    answered = 0
    async for octets in answers(http, reader):
        answered += octets.count(b'"status":201')
    await sending
    watching.cancel()
    writer.close()
    if answered != lines:
        raise RuntimeError(f"{answered} of {lines} lines were kept")
    return lines / (time.perf_counter() - began), sizes


async def answers(http: h11.Connection, reader: asyncio.StreamReader) -> AsyncIterator[bytes]:
    """The lines of the answer, whole ones."""
    held = b""
    while not isinstance(event := http.next_event(), h11.EndOfMessage):
        if event is h11.NEED_DATA:
            http.receive_data(await reader.read(65536))
        elif isinstance(event, h11.Data):
            whole, end, rest = (held + bytes(event.data)).rpartition(b"\n")
            held = rest
            yield whole + end


async def watch(pid: int, sizes: list[int]) -> None:
    server = psutil.Process(pid)
    while True:
        sizes.append(sum(one.memory_info().rss for one in (server, *server.children(recursive=True))))
        await asyncio.sleep(0.05)


if __name__ == "__main__":
    main()
