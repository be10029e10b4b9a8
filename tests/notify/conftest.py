"""A database of its own, since senders work through the outbox of all tenants; a receiver; a tenant with a webhook."""

import asyncio
import uuid
from collections.abc import Awaitable, Callable, Iterator
from datetime import UTC, datetime
from typing import Any

import psycopg
import pytest

from service.model.record import StoredEvaluation
from service.model.webhook import Event, Webhook
from service.notify.sender import Sender, Sending
from service.store.database import new_id
from service.store.embedded import EmbeddedServer
from service.store.evaluations import Store
from service.store.keys import create_tenant
from service.store.migrate import migrate
from service.store.outbox import Outbox
from service.store.sealing import Seal
from service.store.webhooks import Webhooks, new_secret
from tests.notify.receiver import Receiver

EVENTS: tuple[Event, ...] = (
    "evaluation.created", "evaluation.revised", "evaluation.reassessed", "outcome.reported", "evaluations.erased"
)  # fmt: skip
KEY = "3q2-7wAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA="


class Over:
    """What the tests of sending work with, over one open store."""

    def __init__(self, url: str, store: Store, tenant: uuid.UUID, **sending: Any) -> None:
        self.url = url
        self.store = store
        self.tenant = tenant
        self.seal = Seal([KEY])
        self.webhooks = Webhooks(store, self.seal)
        self.outbox = Outbox(store)
        self.sending = Sending(
            **{"retries": (5.0, 300.0), "private_targets": True, "seconds": 5.0, "poll": 0.05, **sending}
        )
        self.sender = Sender(self.outbox, self.seal, self.sending, chance=lambda: 0.0)

    async def subscribe(self, url: str, tenant: uuid.UUID | None = None, **changes: Any) -> tuple[Webhook, str]:
        """A webhook and its secret."""
        fields = {"label": None, "events": EVENTS, "minimum_severity": None, **changes}
        webhook = Webhook(webhook_id=new_id(), created_at=datetime.now(UTC), url=url, **fields)
        secret = new_secret()
        assert await self.webhooks.keep(tenant or self.tenant, webhook, secret)
        return webhook, secret

    async def happen(self, **changes: Any) -> uuid.UUID:
        """An evaluation is kept."""
        kept = an_evaluation(**changes)
        assert (await self.store.keep(self.tenant, kept)).fate == "kept"
        return kept.evaluation_id

    async def listed(self, webhook: Webhook, state: Any = None) -> tuple[Any, ...]:
        return (await self.webhooks.deliveries(self.tenant, webhook.webhook_id, state)).items

    def pass_time(self, seconds: float) -> None:
        """Let everything but what happened be that long ago: what waits, leases, ends, secrets on their way out."""
        with psycopg.connect(self.url) as connection:
            connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(self.tenant),))
            connection.execute(
                "UPDATE airside.webhook_deliveries SET due_at = due_at - make_interval(secs => %s),"
                " finished_at = finished_at - make_interval(secs => %s)",
                (seconds, seconds),
            )
            connection.execute(
                "UPDATE airside.webhook_secrets SET expires_at = expires_at - make_interval(secs => %s)", (seconds,)
            )


def an_evaluation(**changes: Any) -> StoredEvaluation:
    fields: dict[str, Any] = {
        "evaluation_id": new_id(),
        "created_at": datetime.now(UTC),
        "ruleset_version": "1.0.0",
        "ruleset_digest": "0" * 64,
        "units": "ip",
        "request": b"{}",
        "evaluation": b"{}",
    }
    return StoredEvaluation(**(fields | changes))


@pytest.fixture(scope="session")
def outbox_server(database_server: EmbeddedServer) -> tuple[str, str]:
    """Addresses of the database as owner and as superuser."""
    with psycopg.connect(database_server.superuser_url, autocommit=True) as server:
        server.execute("CREATE DATABASE outbox OWNER airside_owner")
    owner, superuser = (
        url.replace("/airside?", "/outbox?").replace("/postgres?", "/outbox?")
        for url in (database_server.database_url, database_server.superuser_url)
    )
    migrate(owner)
    return owner, superuser


@pytest.fixture
def outbox_url(outbox_server: tuple[str, str]) -> str:
    """The database, with no webhook of another test in it."""
    owner, superuser = outbox_server
    with psycopg.connect(superuser) as connection:
        connection.execute("DELETE FROM airside.webhooks")
    return owner


@pytest.fixture
def tenant(outbox_url: str) -> uuid.UUID:
    return create_tenant(outbox_url, "Invented Air Works")


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    receiver = Receiver()
    yield receiver
    receiver.close()


@pytest.fixture
def over(outbox_url: str, tenant: uuid.UUID) -> Callable[..., Any]:
    """Run a coroutine function with `Over`, in a loop of its own."""

    def run(body: Callable[[Over], Awaitable[Any]], **sending: Any) -> Any:
        async def opened() -> Any:
            store = Store(outbox_url, pool_size=3)
            await store.open()
            over = Over(outbox_url, store, tenant, **sending)
            try:
                return await body(over)
            finally:
                await over.sender.close()
                await store.close()

        return asyncio.run(opened())

    return run
