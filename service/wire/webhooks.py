"""Webhooks: what a client sends and receives, and what is sent to its webhooks."""

import datetime
from collections.abc import Sequence
from typing import Annotated
from uuid import UUID

import msgspec
from msgspec import UNSET, Meta, UnsetType

from service.model.webhook import Attempt, Delivery, DeliveryState, DueDelivery, Event, Webhook
from service.wire.query import PageQuery
from service.wire.request import Body, Label, Moment
from service.wire.response import Answer, Severity

FAILING = 10
"""Tries in a row after which a webhook is flagged as failing."""

TargetUrl = Annotated[
    str,
    Meta(
        max_length=2000,
        pattern=r"^https?://([A-Za-z0-9._-]{1,253}|\[[0-9A-Fa-f:.]{2,45}\])(:[1-9][0-9]{0,4})?"
        r"([/?](%[0-9A-Fa-f]{2}|[A-Za-z0-9._~:/?@!$&'()*+,;=-])*)?$(?!\n)",
    ),
]
"""Without user, password or fragment. Names outside ASCII in their ASCII form (RFC 5891)."""


class WebhookRequest(Body, frozen=True, kw_only=True):
    """Where an account wants to be told of what."""

    url: TargetUrl
    events: Annotated[list[Event], Meta(min_length=1, max_length=20)]
    minimum_severity: Severity | UnsetType = UNSET
    label: Label | UnsetType = UNSET
    enabled: bool = True


class SecretRotationRequest(Body, frozen=True, kw_only=True):
    """How long the secret of now goes on signing beside the new one."""

    overlap_hours: Annotated[float, Meta(ge=0, le=168, multiple_of=1)] = 24.0


class ReplayRequest(Body, frozen=True, kw_only=True):
    """Which dead deliveries are to be sent again; all of them where nothing is said."""

    created_from: Moment | UnsetType = UNSET
    created_before: Moment | UnsetType = UNSET


class DeliveryQuery(PageQuery, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of a listing of deliveries."""

    state: (
        Annotated[
            DeliveryState,
            Meta(description="Only those waiting or retried, those that arrived, or those given up."),
        ]
        | UnsetType
    ) = UNSET


# Answers ---------------------------------------------------------------------------------------------------------


class WebhookView(Answer, frozen=True, kw_only=True):
    """A webhook. Its secret is not shown again."""

    id: UUID
    created_at: datetime.datetime
    url: str
    events: list[Event]
    minimum_severity: Severity | UnsetType = UNSET
    label: str | UnsetType = UNSET
    enabled: bool
    gone_at: datetime.datetime | UnsetType = UNSET
    failing: bool
    failures_in_a_row: Annotated[int, Meta(ge=0)]
    failing_since: datetime.datetime | UnsetType = UNSET


class NewWebhook(WebhookView, frozen=True, kw_only=True):
    """A new webhook with the secret that its deliveries are signed with, shown this once."""

    secret: str


class WebhookList(Answer, frozen=True, kw_only=True):
    """All webhooks of the account, oldest first."""

    items: list[WebhookView]


class NewSecret(Answer, frozen=True, kw_only=True):
    """The new secret of a webhook, shown this once."""

    secret: str
    earlier_secret_until: datetime.datetime


class DeliveryView(Answer, frozen=True, kw_only=True):
    """What one webhook is to be told of one event, and what came of it so far."""

    id: UUID
    webhook_id: UUID
    event: str
    created_at: datetime.datetime
    evaluation_id: UUID | UnsetType = UNSET
    about: UUID | UnsetType = UNSET
    state: DeliveryState
    attempts: Annotated[int, Meta(ge=0)]
    due_at: datetime.datetime | UnsetType = UNSET
    finished_at: datetime.datetime | UnsetType = UNSET
    status: int | UnsetType = UNSET
    failure: str | UnsetType = UNSET


class AttemptView(Answer, frozen=True, kw_only=True):
    """One try at a delivery."""

    finished_at: datetime.datetime
    milliseconds: Annotated[int, Meta(ge=0)]
    status: int | UnsetType = UNSET
    failure: str | UnsetType = UNSET


class DeliveryWithAttempts(DeliveryView, frozen=True, kw_only=True):
    """A delivery with every try at it."""

    tried: list[AttemptView]


class DeliveryPageView(Answer, frozen=True, kw_only=True):
    """Some deliveries of a webhook, newest first."""

    items: list[DeliveryView]
    next_cursor: str | UnsetType = UNSET


class Replayed(Answer, frozen=True, kw_only=True):
    """How many dead deliveries are sent again."""

    replayed: Annotated[int, Meta(ge=0)]


def webhook_view(webhook: Webhook) -> WebhookView:
    """A webhook as a client sees it."""
    return WebhookView(
        id=webhook.webhook_id,
        created_at=webhook.created_at,
        url=webhook.url,
        events=list(webhook.events),
        minimum_severity=webhook.minimum_severity or UNSET,
        label=webhook.label or UNSET,
        enabled=webhook.enabled,
        gone_at=webhook.gone_at or UNSET,
        failing=webhook.failures_in_a_row >= FAILING,
        failures_in_a_row=webhook.failures_in_a_row,
        failing_since=webhook.failing_since or UNSET,
    )


def new_webhook(webhook: Webhook, secret: str) -> NewWebhook:
    """A webhook just made, with its secret."""
    return NewWebhook(**msgspec.structs.asdict(webhook_view(webhook)), secret=secret)


def delivery_view(delivery: Delivery) -> DeliveryView:
    """A delivery as a client sees it."""
    return DeliveryView(
        id=delivery.delivery_id,
        webhook_id=delivery.webhook_id,
        event=delivery.event,
        created_at=delivery.created_at,
        evaluation_id=delivery.evaluation_id or UNSET,
        about=delivery.about or UNSET,
        state=delivery.state,
        attempts=delivery.attempts,
        due_at=delivery.due_at or UNSET,
        finished_at=delivery.finished_at or UNSET,
        status=delivery.status or UNSET,
        failure=delivery.failure or UNSET,
    )


def delivery_with_attempts(delivery: Delivery, attempts: Sequence[Attempt]) -> DeliveryWithAttempts:
    """A delivery with its tries, the first first."""
    tried = [
        AttemptView(
            finished_at=attempt.finished_at,
            milliseconds=attempt.milliseconds,
            status=attempt.status or UNSET,
            failure=attempt.failure or UNSET,
        )
        for attempt in attempts
    ]
    return DeliveryWithAttempts(**msgspec.structs.asdict(delivery_view(delivery)), tried=tried)


# What is sent ----------------------------------------------------------------------------------------------------
#
# Thin: identifiers, the gravest severity and the codes of what was found. Nothing of the client's own words or
# references, so that a target that leaks gives away no site and no customer.


class NoticeLinks(Answer, frozen=True, kw_only=True):
    """Where to read more, at the address of the service, with an API key."""

    evaluation: str | UnsetType = UNSET
    reassessment: str | UnsetType = UNSET
    earlier_evaluation: str | UnsetType = UNSET
    erasure: str | UnsetType = UNSET


class EvaluationNotice(Answer, frozen=True, kw_only=True):
    """A kept evaluation in short."""

    evaluation_id: UUID
    supersedes: UUID | UnsetType = UNSET
    highest_severity: Severity | UnsetType = UNSET
    findings: list[str]
    links: NoticeLinks


class ReassessmentNotice(Answer, frozen=True, kw_only=True):
    """A kept reassessment in short."""

    evaluation_id: UUID
    reassessment_id: UUID
    highest_severity: Severity | UnsetType = UNSET
    links: NoticeLinks


class OutcomeNotice(Answer, frozen=True, kw_only=True):
    """A reported outcome in short."""

    evaluation_id: UUID
    outcome_id: UUID
    links: NoticeLinks


class ErasureNotice(Answer, frozen=True, kw_only=True):
    """An erasure in short."""

    erasure_id: UUID
    links: NoticeLinks


class PingNotice(Answer, frozen=True, kw_only=True):
    """The webhook that is tried out."""

    webhook_id: UUID


class _Event(Answer, frozen=True, kw_only=True, tag_field="type"):
    timestamp: datetime.datetime


class EvaluationCreated(_Event, frozen=True, kw_only=True, tag="evaluation.created"):
    """A visit was judged and kept."""

    data: EvaluationNotice


class EvaluationRevised(_Event, frozen=True, kw_only=True, tag="evaluation.revised"):
    """A visit that was judged before was corrected and judged again."""

    data: EvaluationNotice


class EvaluationReassessed(_Event, frozen=True, kw_only=True, tag="evaluation.reassessed"):
    """A kept visit was judged again by another version of the rules."""

    data: ReassessmentNotice


class OutcomeReported(_Event, frozen=True, kw_only=True, tag="outcome.reported"):
    """It was reported what was found to be true on site."""

    data: OutcomeNotice


class EvaluationsErased(_Event, frozen=True, kw_only=True, tag="evaluations.erased"):
    """Evaluations were erased for good."""

    data: ErasureNotice


class WebhookPing(_Event, frozen=True, kw_only=True, tag="webhook.ping"):
    """Nothing happened; a webhook is tried out."""

    data: PingNotice


EVENTS: dict[str, type[_Event]] = {
    str(event.__struct_config__.tag): event
    for event in (
        EvaluationCreated,
        EvaluationRevised,
        EvaluationReassessed,
        OutcomeReported,
        EvaluationsErased,
        WebhookPing,
    )
}
"""Name of an event -> struct of the body that is sent."""

_encoder = msgspec.json.Encoder()


def event_body(due: DueDelivery) -> bytes:
    """The body to send: the same octets at every try, since nothing that it tells of ever changes."""
    evaluation = f"/v1/evaluations/{due.evaluation_id}"
    data: Answer
    match due.event, due.evaluation_id, due.about:
        case (("evaluation.created" | "evaluation.revised"), UUID() as evaluation_id, _):
            data = EvaluationNotice(
                evaluation_id=evaluation_id,
                supersedes=due.supersedes or UNSET,
                highest_severity=due.highest_severity or UNSET,
                findings=list(due.findings or ()),
                links=NoticeLinks(
                    evaluation=evaluation,
                    earlier_evaluation=f"/v1/evaluations/{due.supersedes}" if due.supersedes else UNSET,
                ),
            )
        case "evaluation.reassessed", UUID() as evaluation_id, UUID() as reassessment_id:
            data = ReassessmentNotice(
                evaluation_id=evaluation_id,
                reassessment_id=reassessment_id,
                highest_severity=due.highest_severity or UNSET,
                links=NoticeLinks(evaluation=evaluation, reassessment=f"{evaluation}/reassessments/{reassessment_id}"),
            )
        case "outcome.reported", UUID() as evaluation_id, UUID() as outcome_id:
            data = OutcomeNotice(
                evaluation_id=evaluation_id, outcome_id=outcome_id, links=NoticeLinks(evaluation=evaluation)
            )
        case "evaluations.erased", _, UUID() as erasure_id:
            data = ErasureNotice(erasure_id=erasure_id, links=NoticeLinks(erasure=f"/v1/erasures/{erasure_id}"))
        case "webhook.ping", _, _:
            data = PingNotice(webhook_id=due.webhook_id)
        case _:
            raise ValueError(f"there is no event of this shape: {due.event}")
    return _encoder.encode(EVENTS[due.event](timestamp=due.created_at, data=data))  # type: ignore[call-arg]
