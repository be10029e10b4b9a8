"""Reassessments of requests that were sent again."""

from service.store.migrations import run_sql_beside

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
