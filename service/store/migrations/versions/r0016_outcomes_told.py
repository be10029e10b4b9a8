"""What was reported of an evaluation, told with it."""

from service.store.migrations import run_sql_beside

revision = "0016"
down_revision = "0015"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
