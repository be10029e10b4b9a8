"""What was found to be true on site, and how often each rule was right."""

from service.store.migrations import run_sql_beside

revision = "0014"
down_revision = "0013"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
