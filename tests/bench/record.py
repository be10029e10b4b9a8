"""How reading the record stands growth: `python -m tests.bench.record`. Prints a table; nothing passes or fails.

Two databases in one server are filled with generated evaluations of twelve tenants, a million and ten thousand unless
asked otherwise. Each question is asked of both, through the store and in the role that serves, with row-level security
in force. `ratio` is the median time of the large one against the small one; `read` and `thrown away` are rows in the
worst of five plans, which are of the large one. Kept bytes are short here, and the database fits in memory, so times
are those of finding, not of disks.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import statistics
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import psycopg

from service.store.embedded import embedded_server
from service.store.evaluations import Store
from service.store.migrate import migrate
from tests.bench.plans import Watched, Work
from tests.bench.questions import Question, questions
from tests.bench.rows import fill


class Listening(Store):
    """A store that remembers what it sent."""

    def __init__(self, database_url: str) -> None:
        super().__init__(database_url, pool_size=1, seconds=60.0)
        self.sent: list[tuple[str, Sequence[object]]] = []

    async def rows(
        self, query: str, parameters: Sequence[object] = (), *, seconds: float | None = None
    ) -> Sequence[tuple[Any, ...]]:
        self.sent.append((query, parameters))
        return await super().rows(query, parameters, seconds=seconds)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, default=1_000_000, help="evaluations in the large database")
    parser.add_argument("--against", type=int, default=10_000, help="evaluations in the small database")
    parser.add_argument("--only", default="", help="questions whose name holds this")
    parser.add_argument("--times", type=int, default=21, help="times that each question is asked")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="airside-record-") as name, embedded_server(Path(name)) as server:
        with psycopg.connect(server.superuser_url, autocommit=True) as connection:
            for setting, value in {"shared_buffers": "2GB", "max_wal_size": "8GB", "autovacuum": "off"}.items():
                connection.execute(f"ALTER SYSTEM SET {setting} = '{value}'")
        times: dict[int, dict[str, float]] = {}
        works: dict[str, Work] = {}
        for rows in (asked.against, asked.rows):
            with psycopg.connect(server.superuser_url, autocommit=True) as connection:
                connection.execute(f"CREATE DATABASE of_{rows} OWNER airside_owner")
            url, superuser_url = (
                address.replace("/airside?", f"/of_{rows}?") for address in (server.database_url, server.superuser_url)
            )
            migrate(url)
            started = time.perf_counter()
            fill(superuser_url, rows)
            with psycopg.connect(superuser_url) as connection:
                ((size,),) = connection.execute("SELECT pg_database_size(current_database())").fetchall()
            print(f"{rows} evaluations in {time.perf_counter() - started:.0f} s, {size / 1e6:.0f} MB", flush=True)
            chosen = {name: ask for name, ask in questions(rows).items() if asked.only in name}
            times[rows] = asyncio.run(timed(url, chosen, asked.times))
            works = asyncio.run(watched(url, superuser_url, chosen))
        table(times[asked.rows], times[asked.against], works)


async def timed(url: str, asked: dict[str, Question], times: int) -> dict[str, float]:
    """Median time of each question, s."""
    store = Listening(url)
    await store.open()
    medians = {}
    for name, ask in asked.items():
        draw = random.Random(1)
        spent = []
        for _ in range(times):
            started = time.perf_counter()
            await ask(store, draw)
            spent.append(time.perf_counter() - started)
        medians[name] = statistics.median(spent)
    await store.close()
    return medians


async def watched(url: str, superuser_url: str, asked: dict[str, Question], times: int = 5) -> dict[str, Work]:
    """The most work that the server had with each question."""
    store = Listening(url)
    await store.open()
    watch = Watched(superuser_url)
    most = {}
    for name, ask in asked.items():
        draw = random.Random(2)
        works = []
        for _ in range(times):
            store.sent.clear()
            await ask(store, draw)
            works.append(watch.work(store.sent))
        most[name] = max(works, key=lambda work: (len(work.scanned), work.read + work.discarded))
    watch.close()
    await store.close()
    return most


def table(large: dict[str, float], small: dict[str, float], works: dict[str, Work]) -> None:
    print(f"\n{'':<36} {'small ms':>9} {'large ms':>9} {'ratio':>6} {'read':>8} {'thrown away':>12}  by")
    for name, spent in large.items():
        work = works[name]
        by = [*(f"EVERY ROW OF {table}" for table in work.scanned), *work.indexes]
        print(
            f"{name:<36} {small[name] * 1e3:>9.2f} {spent * 1e3:>9.2f} {spent / small[name]:>6.1f} {work.read:>8}"
            f" {work.discarded:>12}  {', '.join(by)}"
        )


if __name__ == "__main__":
    main()
