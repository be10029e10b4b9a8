"""Erasing evaluations for good, on request and by age, and forgetting old idempotency keys."""

from service.store.migrations import run_sql_beside

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
