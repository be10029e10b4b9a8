"""What the tests of installing and starting share: a folder of its own for each, and no setting of the user's."""

import os
import socket
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture
def environment() -> dict[str, str]:
    """The variables of this process without any that set up the service."""
    return {
        name: value
        for name, value in os.environ.items()
        if not name.startswith("AIRSIDE_") and name not in ("DATABASE_URL", "VIRTUAL_ENV", "PYTHONPATH", "CC")
    }


@pytest.fixture
def free_port() -> int:
    """A port on which nothing listens just now."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port: int = free.getsockname()[1]
    return port
