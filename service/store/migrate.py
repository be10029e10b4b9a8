"""Bringing a database to the revision that this version of the service needs."""

from functools import cache
from pathlib import Path

import psycopg
import sqlalchemy
from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory

from service.errors import MigrationRefused, StoreUnavailable

MIGRATIONS = Path(__file__).parent / "migrations"
LOCK = 0x61697273696465
"""Any fixed number of 64 bits: two migrations of one database at once take turns."""


def migrate(database_url: str) -> str:
    """Bring the database to the newest revision, from empty or from any earlier one; return that revision.

    The user of `database_url` becomes owner of the schema `airside`. It needs the right to create a schema in the
    database and, where the role `airside_app` does not exist yet, to create roles; it need not be superuser. A user
    that only serves, and does not migrate, needs `GRANT airside_app TO ...` and nothing else.

    Everything happens in one transaction: a migration that fails leaves the database as it was.

    Raises:
        StoreUnavailable: the database cannot be reached.
        MigrationRefused: the user lacks a right, or a statement failed; the message says which and what to do.
    """
    try:
        with psycopg.connect(database_url, connect_timeout=5, application_name="airside migrate") as connection:
            engine = sqlalchemy.create_engine(
                "postgresql+psycopg://", creator=lambda: connection, poolclass=sqlalchemy.StaticPool
            )
            with engine.connect() as bound, bound.begin():
                connection.execute("SELECT pg_advisory_xact_lock(%s)", (LOCK,))
                if connection.execute("SELECT to_regnamespace('airside')").fetchone() == (None,):
                    connection.execute("CREATE SCHEMA airside")
                configuration = _configuration()
                configuration.attributes["connection"] = bound
                command.upgrade(configuration, "head")
    except psycopg.OperationalError as failure:
        raise StoreUnavailable from failure
    except (psycopg.Error, sqlalchemy.exc.DBAPIError) as failure:
        raise MigrationRefused(_reason(failure)) from failure
    return newest_revision()


@cache
def newest_revision() -> str:
    """The revision that this version of the service needs, four digits."""
    head = ScriptDirectory.from_config(_configuration()).get_current_head()
    if head is None:
        raise MigrationRefused("the migrations are missing from this installation")
    return head


def _configuration() -> Config:
    configuration = Config()
    configuration.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    configuration.set_main_option("path_separator", "os")
    return configuration


def _reason(failure: Exception) -> str:
    cause = failure.orig if isinstance(failure, sqlalchemy.exc.DBAPIError) else failure
    if not isinstance(cause, psycopg.Error):
        return str(failure)
    message, hint = cause.diag.message_primary or str(cause), cause.diag.message_hint
    return f"{message}. {hint}" if hint else message
