"""What an account sets for itself, its keys in its own hands, and who changed what."""

from service.store.migrations import run_sql_beside

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
