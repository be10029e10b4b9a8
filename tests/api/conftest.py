"""The application over a real database, and two tenants."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from service.app import create_app
from service.pipeline import Rulebook, load
from service.settings import Settings
from service.store.evaluations import Store
from service.store.keys import create_key, create_tenant

EXAMPLE = (Path(__file__).parents[2] / "openapi" / "examples" / "visit.json").read_bytes()


class Account(msgspec.Struct):
    """A tenant with its keys, as header fields."""

    full: dict[str, str]
    reading: dict[str, str]
    writing: dict[str, str]


@pytest.fixture(scope="session")
def rulebook() -> Rulebook:
    return load()


@pytest.fixture(scope="session")
def account(database_url: str) -> Callable[..., Account]:
    """Make a tenant."""

    def make(name: str = "Invented Air Works", units: Any = "ip") -> Account:
        tenant = create_tenant(database_url, name, units)

        def key(*scopes: Any) -> dict[str, str]:
            return {"authorization": f"Bearer {create_key(database_url, tenant, 'test', scopes).secret}"}

        return Account(
            full=key("evaluations:read", "evaluations:write", "account:manage"),
            reading=key("evaluations:read"),
            writing=key("evaluations:write"),
        )

    return make


@pytest.fixture(scope="session")
def ours(account: Callable[..., Account]) -> Account:
    return account()


@pytest.fixture(scope="session")
def theirs(account: Callable[..., Account]) -> Account:
    return account("Made-up Comfort", "si")


@pytest.fixture(scope="session")
def application(database_url: str, rulebook: Rulebook) -> Litestar:
    settings = Settings(database_url=database_url, body_seconds=0.3, body_bytes=64 * 1024)
    return create_app(settings, rulebook, Store(database_url, pool_size=2))


@pytest.fixture(scope="session")
def client(application: Litestar) -> Iterator[TestClient[Litestar]]:
    with TestClient(application) as client:
        yield client


@pytest.fixture
def example() -> bytes:
    """The example visit."""
    return EXAMPLE


@pytest.fixture
def post(client: TestClient[Litestar]) -> Callable[..., Any]:
    """Post a body as JSON."""

    def send(path: str, body: bytes | dict[str, Any], headers: dict[str, str], **more: str) -> Any:
        content = body if isinstance(body, bytes) else msgspec.json.encode(body)
        return client.post(path, content=content, headers={"content-type": "application/json", **headers, **more})

    return send
