"""What the tests of the store share."""

import uuid
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime

import pytest

from service.model.record import StoredEvaluation
from service.store.database import new_id
from service.store.evaluations import Store
from service.store.keys import create_tenant


@pytest.fixture
def tenant(database_url: str) -> uuid.UUID:
    return create_tenant(database_url, "Invented Air Works")


@pytest.fixture
def other_tenant(database_url: str) -> uuid.UUID:
    return create_tenant(database_url, "Made-up Comfort", "si")


@pytest.fixture
def an_evaluation() -> Callable[..., StoredEvaluation]:
    """Make an evaluation to keep, with what matters to the test set."""

    def make(**changes: object) -> StoredEvaluation:
        fields: dict[str, object] = {
            "evaluation_id": new_id(),
            "created_at": datetime.now(UTC),
            "ruleset_version": "1.0.0",
            "ruleset_digest": "0" * 64,
            "units": "ip",
            "request": b"{}",
            "evaluation": b"{}",
        }
        return StoredEvaluation(**(fields | changes))

    return make


@pytest.fixture
def in_store(database_url: str) -> Callable[[Callable[[Store], Awaitable[object]]], object]:
    """Run a coroutine function with an open store, in a loop of its own."""
    import asyncio

    def run(body: Callable[[Store], Awaitable[object]], url: str = database_url) -> object:
        async def opened() -> object:
            store = Store(url, pool_size=2)
            await store.open()
            try:
                return await body(store)
            finally:
                await store.close()

        return asyncio.run(opened())

    return run
