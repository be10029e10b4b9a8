"""How long erasing takes: `python -m tests.bench.erasing`. Prints a table; nothing passes or fails.

Each count of evaluations is erased in one transaction, from among as many others again of the same tenant, through the
store and in the role that serves. Each has ten findings, words to search, a delivery that waits, a reassessment, and
about as many bytes as a real one.
"""

from __future__ import annotations

import argparse
import asyncio
import tempfile
import time
import uuid
from datetime import UTC, datetime
from pathlib import Path

import psycopg

from service.model.erasure import Selector
from service.store.database import Database, new_id
from service.store.embedded import embedded_server
from service.store.erasures import MOST_ERASED, SWEPT_AT_ONCE, Erasures
from service.store.keys import create_tenant
from service.store.migrate import migrate

_FILL = (
    """
    INSERT INTO airside.webhooks (tenant_id, webhook_id, created_at, url, events)
    VALUES (%(tenant)s, gen_random_uuid(), now(), 'https://dispatch.example.com', '{evaluation.created}')
    """,
    """
    INSERT INTO airside.evaluations (
        tenant_id, evaluation_id, created_at, site_reference, ruleset_version, ruleset_digest, units, request,
        evaluation, words)
    SELECT %(tenant)s, airside.new_id(), now() - n * interval '1 minute',
           CASE WHEN n <= %(count)s THEN 'erased' ELSE 'S-' || n / 20 END, '1.0.0', repeat('0', 64), 'ip',
           decode(repeat(md5(n::text), 150), 'hex'), decode(repeat(md5(n::text), 1200), 'hex'), 'attic hall ' || n
      FROM generate_series(1, 2 * %(count)s) n
    """,
    """
    INSERT INTO airside.evaluation_findings (tenant_id, code, created_at, evaluation_id, severity)
    SELECT e.tenant_id, 'code_' || k, e.created_at, e.evaluation_id, 'fault'
      FROM airside.evaluations e, generate_series(1, 10) k WHERE e.tenant_id = %(tenant)s
    """,
    """
    INSERT INTO airside.reassessments (
        tenant_id, evaluation_id, reassessment_id, created_at, ruleset_version, ruleset_digest, service_version, units,
        evaluation, difference)
    SELECT e.tenant_id, e.evaluation_id, gen_random_uuid(), now(), '1.0.0', repeat('0', 64), '1', 'ip', e.evaluation, ''
      FROM airside.evaluations e WHERE e.tenant_id = %(tenant)s AND e.site_reference = 'erased'
    """,
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("counts", nargs="*", type=int, default=[SWEPT_AT_ONCE, 2_000, 10_000, MOST_ERASED])
    counts: list[int] = parser.parse_args().counts
    with tempfile.TemporaryDirectory(prefix="airside-erasing-") as name, embedded_server(Path(name)) as server:
        url = server.database_url
        migrate(url)
        print(f"{'evaluations':>12} {'seconds':>9} {'ms each':>9}")
        for count in counts:
            tenant = create_tenant(url, f"Invented tenant of {count}")
            with psycopg.connect(url) as connection:
                connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
                for statement in _FILL:
                    connection.execute(statement, {"tenant": tenant, "count": count})
            with psycopg.connect(url, autocommit=True) as connection:
                connection.execute("ANALYZE")
            erased, seconds = asyncio.run(_erase(url, tenant))
            print(f"{erased:12,} {seconds:9.2f} {seconds / erased * 1e3:9.3f}")


async def _erase(url: str, tenant: uuid.UUID) -> tuple[int, float]:
    database = Database(url, pool_size=1)
    await database.open()
    try:
        await database.ready()
        started = time.perf_counter()
        erasure = await Erasures(database).erase(
            tenant, Selector(kind="site", value="erased"), "measured", new_id(), datetime.now(UTC)
        )
        return erasure.evaluations, time.perf_counter() - started
    finally:
        await database.close()


if __name__ == "__main__":
    main()
