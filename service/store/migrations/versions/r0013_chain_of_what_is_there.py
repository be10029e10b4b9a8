"""The chain of an evaluation that was erased is empty."""

from service.store.migrations import run_sql_beside

revision = "0013"
down_revision = "0012"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
