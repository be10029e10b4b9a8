"""Leases are shared out fairly between accounts, not only between webhooks."""

from service.store.migrations import run_sql_beside

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
