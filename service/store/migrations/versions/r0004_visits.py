"""Visits of a site or an equipment in the order they took place."""

from service.store.migrations import run_sql_beside

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
