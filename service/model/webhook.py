"""Webhooks: who wants to be told of what, what they are to be told, and what came of each try."""

import uuid
from collections.abc import Sequence
from datetime import datetime
from typing import Literal

import msgspec

from service.model.evaluation import Severity

Event = Literal[
    "evaluation.created",
    "evaluation.revised",
    "evaluation.reassessed",
    "outcome.reported",
    "evaluations.erased",
]
"""What an account may be told of."""

DeliveryState = Literal["pending", "delivered", "dead"]


class Webhook(msgspec.Struct, frozen=True, kw_only=True):
    """Where an account wants to be told of what.

    Attributes:
        minimum_severity: of evaluations, only those with a finding as serious; None also for those without any.
        gone_at: when the target answered 410 Gone, which disabled it.
        failures_in_a_row: tries that failed since the last that did not, the first of them at `failing_since`.
    """

    webhook_id: uuid.UUID
    created_at: datetime
    url: str
    label: str | None
    events: Sequence[Event]
    minimum_severity: Severity | None
    enabled: bool = True
    gone_at: datetime | None = None
    failures_in_a_row: int = 0
    failing_since: datetime | None = None


class Delivery(msgspec.Struct, frozen=True, kw_only=True):
    """What one webhook is to be told of one event.

    Attributes:
        event: an `Event`, or `webhook.ping`.
        created_at: when it happened.
        about: the reassessment, outcome or erasure.
        due_at: when it is tried next; None once it is finished.
        status, failure: what came of the last try: the status of its answer, or why there was none.
    """

    delivery_id: uuid.UUID
    webhook_id: uuid.UUID
    event: str
    created_at: datetime
    evaluation_id: uuid.UUID | None
    about: uuid.UUID | None
    state: DeliveryState
    due_at: datetime | None
    attempts: int
    finished_at: datetime | None
    status: int | None
    failure: str | None


class Attempt(msgspec.Struct, frozen=True, kw_only=True):
    """One try at a delivery: the status of the answer, or why there was none."""

    finished_at: datetime
    milliseconds: int
    status: int | None
    failure: str | None


class DeliveryPage(msgspec.Struct, frozen=True, kw_only=True):
    """Some deliveries, newest first, and the cursor to the next page where there is one."""

    items: tuple[Delivery, ...]
    next_cursor: str | None


class DueDelivery(msgspec.Struct, frozen=True, kw_only=True):
    """A delivery leased to be sent now, with what is to be said and what it is signed with.

    Attributes:
        lease: who may record what came of it.
        tries: this one and those before it, since it happened or was replayed last.
        secrets: still sealed, the current one first.
        supersedes: the evaluation that this one corrects.
        findings: codes, the gravest first; None where the event tells none.
    """

    tenant_id: uuid.UUID
    delivery_id: uuid.UUID
    webhook_id: uuid.UUID
    lease: uuid.UUID
    tries: int
    url: str
    secrets: Sequence[bytes]
    event: str
    created_at: datetime
    evaluation_id: uuid.UUID | None
    about: uuid.UUID | None
    supersedes: uuid.UUID | None
    highest_severity: Severity | None
    findings: Sequence[str] | None

    def __repr__(self) -> str:
        """Without address and secrets, so that they do not end up in a log."""
        return f"DueDelivery(delivery_id={self.delivery_id!r}, event={self.event!r}, tries={self.tries})"


class TryOutcome(msgspec.Struct, frozen=True, kw_only=True):
    """What came of one try: the status of the answer, or why there was none.

    `again`: seconds after which to try again; None for never. `gone`: the target answered that it is gone for good.
    """

    milliseconds: int
    status: int | None = None
    failure: str | None = None
    delivered: bool = False
    again: float | None = None
    gone: bool = False
