"""A list tells by itself what corrects what."""

from service.store.migrations import run_sql_beside

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
