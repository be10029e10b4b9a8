"""Webhooks: who wants to be told of what, and the outbox of what they are yet to be told."""

from service.store.migrations import run_sql_beside

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
