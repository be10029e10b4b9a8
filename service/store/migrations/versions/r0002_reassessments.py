"""Evaluations judged again under another version of the rules, and the version that an account pins."""

from service.store.migrations import run_sql_beside

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
