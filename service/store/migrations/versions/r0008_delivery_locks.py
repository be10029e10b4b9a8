"""Recording a try locks the webhook before the delivery, as removing the webhook does."""

from service.store.migrations import run_sql_beside

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Run the SQL file of the same name."""
    run_sql_beside(__file__)
