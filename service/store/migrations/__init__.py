"""Migrations: plain SQL, in order, each once, by alembic.

There is no way down: an evaluation that was kept stays kept. A mistake is mended by the next revision.

A revision is a pair of files in `versions/`: `rNNNN_what_it_does.sql` and a Python file of the same name that gives
alembic its place in the order. Revision identifiers are four digits and only grow: `Store.ready` compares them.
"""

from pathlib import Path
from typing import cast

import psycopg
from alembic import op


def run_sql_beside(revision_file: str) -> None:
    """Run the SQL file that stands beside `revision_file`, in the transaction of the migration."""
    sql = Path(revision_file).with_suffix(".sql").read_text(encoding="utf-8")
    # Straight to psycopg without parameters, so that the file may hold several statements and any character.
    connection = cast("psycopg.Connection", op.get_bind().connection.driver_connection)
    connection.execute(sql.encode())
