"""A rotation counts towards the most live keys of an account."""

from service.store.migrations import run_sql_beside

revision = "0017"
down_revision = "0016"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
