"""Fixtures that several folders of tests share."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.store.embedded import EmbeddedServer, embedded_server
from service.store.migrate import migrate


@pytest.fixture(scope="session")
def database_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[EmbeddedServer]:
    """A PostgreSQL server for the whole run; do not stop it. Without one the tests fail, none is skipped."""
    folder: Path = tmp_path_factory.mktemp("postgresql")
    with embedded_server(folder) as server:
        yield server


@pytest.fixture(scope="session")
def database_url(database_server: EmbeddedServer) -> str:
    """A migrated database, as its owner. Shared: make a tenant of your own in each test."""
    migrate(database_server.database_url)
    return database_server.database_url
