"""What supersedes what, what was found, words to search, and requests that were sent again."""

from service.store.migrations import run_sql_beside

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
