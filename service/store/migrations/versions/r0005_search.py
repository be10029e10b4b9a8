"""Indexes, words and the function to find evaluations by; what was kept before gets its findings and words."""

import json
from collections.abc import Iterator
from typing import Any, cast

import psycopg
from alembic import op

from service.store.migrations import run_sql_beside
from service.store.words import searchable

revision = "0005"
down_revision = "0004"

SEVERITIES = ["note", "advisory", "fault", "hazard"]


def upgrade() -> None:
    """Run the SQL file of the same name, then read what was kept before, tenant by tenant."""
    run_sql_beside(__file__)
    complete(cast("psycopg.Connection", op.get_bind().connection.driver_connection))


def complete(connection: "psycopg.Connection") -> None:
    """Note the findings and words of every evaluation that has none noted."""
    for (tenant_id,) in connection.execute("SELECT tenant_id FROM airside.tenants").fetchall():
        connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant_id),))
        with connection.cursor(name="kept_before") as kept:
            kept.itersize = 20
            kept.execute("SELECT evaluation_id, created_at, request, evaluation FROM airside.evaluations")
            for evaluation_id, created_at, request, evaluation in kept:
                _complete(connection, tenant_id, evaluation_id, created_at, request, evaluation)
    connection.execute("SELECT set_config('airside.tenant', '', true)")


def _complete(
    connection: "psycopg.Connection", tenant_id: Any, evaluation_id: Any, created_at: Any, request: bytes, made: bytes
) -> None:
    for code, severity in _gravest(_read(made)).items():
        connection.execute(
            "INSERT INTO airside.evaluation_findings (tenant_id, code, created_at, evaluation_id, severity)"
            " VALUES (%s, %s, %s, %s, %s) ON CONFLICT DO NOTHING",
            (tenant_id, code, created_at, evaluation_id, severity),
        )
    words = searchable("\n".join(_words(_read(request))))
    if words:
        connection.execute(
            "INSERT INTO airside.evaluation_words (tenant_id, evaluation_id, created_at, lexemes)"
            " VALUES (%s, %s, %s, array_to_tsvector(%s)) ON CONFLICT DO NOTHING",
            (tenant_id, evaluation_id, created_at, [f"tenant {tenant_id}", *words]),
        )


def _read(kept: bytes) -> Any:
    try:
        read = json.loads(kept)
    except ValueError:
        read = None
    return read if isinstance(read, dict) else {}  # what nothing reads any more stays, and is found by its columns


def _gravest(evaluation: Any) -> dict[str, str]:
    found: dict[str, str] = {}
    for part in [evaluation.get("whole_house") or {}, *evaluation.get("contexts", [])]:
        for finding in part.get("findings", []):
            known = found.setdefault(finding["code"], finding["severity"])
            found[finding["code"]] = max(known, finding["severity"], key=SEVERITIES.index)
    return found


def _words(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for name, held in value.items():
            if name in ("label", "note") and isinstance(held, str):
                yield held
            elif name != "earlier_visits":
                yield from _words(held)
    elif isinstance(value, list):
        for held in value:
            yield from _words(held)
