"""Run by alembic for each command; the connection is handed over by `service.store.migrate`."""

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    version_table="revision",
    version_table_schema="airside",
)
with context.begin_transaction():
    context.run_migrations()
