"""Tenants, their API keys, and the evaluations they keep."""

from service.store.migrations import run_sql_beside

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
