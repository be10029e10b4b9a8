"""Webhooks: telling an account's own systems what happened."""

from datetime import UTC, datetime, timedelta
from typing import Annotated
from urllib.parse import urlencode
from uuid import UUID

import msgspec
from litestar import Response, Router, delete, get, post, put
from litestar.params import PathParameter

from service.api.access import authorised
from service.api.exchange import AnyRequest, answer, answer_unless_held, negotiated, read_body, serving
from service.api.problems import ProblemRaised
from service.model.webhook import Webhook
from service.notify.targets import TargetRefused, refuse_target
from service.store.database import new_id
from service.store.webhooks import MOST_WEBHOOKS, new_secret
from service.wire.query import decode_query
from service.wire.webhooks import (
    DeliveryPageView,
    DeliveryQuery,
    DeliveryView,
    DeliveryWithAttempts,
    NewSecret,
    NewWebhook,
    Replayed,
    ReplayRequest,
    SecretRotationRequest,
    WebhookList,
    WebhookRequest,
    WebhookView,
    delivery_view,
    delivery_with_attempts,
    new_webhook,
    webhook_view,
)

WebhookId = Annotated[UUID, PathParameter(description="`id` of a webhook.")]
DeliveryId = Annotated[UUID, PathParameter(description="`id` of a delivery.")]


@post(
    "/",
    operation_id="create_webhook",
    summary="Have an address told of what happens",
    opt={"scope": "account:manage", "body": WebhookRequest, "conflict": "target_refused"},
)
async def create_webhook(request: AnyRequest) -> Response[NewWebhook]:
    """Adds a webhook, and answers with its secret this once. `POST .../pings` tries it out.

    What it is told of goes with the kept evaluation: either both are there or neither is. Each delivery is signed as
    Standard Webhooks describes and comes at least once, so keep the `webhook-id` of what was dealt with. The order is
    not promised. Answer 2xx within the seconds that the server allows, 15 by default; anything else is tried again
    for about three and a half days, and 410 disables the webhook.

    An address that leads to a private or local network is refused, here and at each delivery.
    """
    asked = serving(request).decoder.decode_as(await read_body(request), WebhookRequest)
    await _refuse_target(request, asked.url)
    webhook = _webhook(asked, new_id())
    secret = new_secret()
    if not await serving(request).webhooks.keep(request.user.tenant_id, webhook, secret):
        raise ProblemRaised("too_many_webhooks", f"the account has {MOST_WEBHOOKS} webhooks; remove one first")
    location = f"/v1/webhooks/{webhook.webhook_id}"
    return answer(new_webhook(webhook, secret), status=201, headers={"location": location, "cache-control": "no-store"})


@get("/", operation_id="list_webhooks", summary="List webhooks", opt={"scope": "account:manage"})
async def list_webhooks(request: AnyRequest) -> Response[WebhookList]:
    """Lists the webhooks of the account, oldest first."""
    found = await serving(request).webhooks.list(request.user.tenant_id)
    return answer_unless_held(request, WebhookList(items=[webhook_view(webhook) for webhook in found]))


@get("/{webhook_id:uuid}", operation_id="get_webhook", summary="Read a webhook", opt={"scope": "account:manage"})
async def get_webhook(request: AnyRequest, webhook_id: WebhookId) -> Response[WebhookView]:
    """Reads one webhook: what it is told of, and how it does."""
    return answer_unless_held(request, webhook_view(await _fetch(request, webhook_id)))


@put(
    "/{webhook_id:uuid}",
    operation_id="change_webhook",
    summary="Change, enable or disable a webhook",
    opt={"scope": "account:manage", "body": WebhookRequest, "conflict": "target_refused"},
)
async def change_webhook(request: AnyRequest, webhook_id: WebhookId) -> Response[WebhookView]:
    """Replaces what a webhook is told of and where; what is left out is as if never set.

    While it is disabled nothing new is put down for it. What waits then goes on waiting, for 30 days.
    """
    asked = serving(request).decoder.decode_as(await read_body(request), WebhookRequest)
    await _refuse_target(request, asked.url)
    changed = await serving(request).webhooks.change(request.user.tenant_id, _webhook(asked, webhook_id))
    if changed is None:
        raise _no_webhook()
    return answer(webhook_view(changed))


@delete(
    "/{webhook_id:uuid}",
    operation_id="remove_webhook",
    summary="Remove a webhook",
    opt={"scope": "account:manage"},
)
async def remove_webhook(request: AnyRequest, webhook_id: WebhookId) -> None:
    """Removes a webhook with its secrets and all its deliveries, also those that wait."""
    if not await serving(request).webhooks.remove(request.user.tenant_id, webhook_id):
        raise _no_webhook()


@post(
    "/{webhook_id:uuid}/secret-rotations",
    operation_id="rotate_webhook_secret",
    summary="Sign with a new secret",
    status_code=200,
    opt={"scope": "account:manage", "body": SecretRotationRequest},
)
async def rotate_webhook_secret(request: AnyRequest, webhook_id: WebhookId) -> Response[NewSecret]:
    """Makes a new secret, and answers with it this once.

    For some hours deliveries carry a signature by each, so a receiver may change over in between. A secret that was
    on its way out already signs no more.
    """
    asked = serving(request).decoder.decode_as(await read_body(request), SecretRotationRequest)
    secret, now = new_secret(), datetime.now(UTC)
    until = now + timedelta(hours=asked.overlap_hours)
    if not await serving(request).webhooks.rotate(request.user.tenant_id, webhook_id, secret, now, until):
        raise _no_webhook()
    return answer(NewSecret(secret=secret, earlier_secret_until=until), headers={"cache-control": "no-store"})


@post(
    "/{webhook_id:uuid}/pings",
    operation_id="ping_webhook",
    summary="Try a webhook out",
    status_code=202,
    opt={"scope": "account:manage", "conflict": "webhook_disabled"},
)
async def ping_webhook(request: AnyRequest, webhook_id: WebhookId) -> Response[DeliveryView]:
    """Has the event `webhook.ping` sent, like any other; the delivery says what came of it."""
    at_hand, tenant_id, delivery_id = serving(request), request.user.tenant_id, new_id()
    match await at_hand.webhooks.ping(tenant_id, webhook_id, delivery_id):
        case "missing":
            raise _no_webhook()
        case "disabled":
            raise ProblemRaised("webhook_disabled", "enable the webhook first")
    return answer(await _delivery(request, webhook_id, delivery_id), status=202)


@get(
    "/{webhook_id:uuid}/deliveries",
    operation_id="list_webhook_deliveries",
    summary="List the deliveries of a webhook, newest first",
    opt={"scope": "account:manage", "query": DeliveryQuery},
)
async def list_webhook_deliveries(request: AnyRequest, webhook_id: WebhookId) -> Response[DeliveryPageView]:
    """Lists what the webhook was or is to be told, newest first, a page at a time; finished ones for 30 days.

    Follow `next_cursor`, or the `Link` header field with `rel="next"`, until it is absent.
    """
    query = decode_query(request.scope["query_string"], DeliveryQuery)
    await _fetch(request, webhook_id)
    page = await serving(request).webhooks.deliveries(
        request.user.tenant_id, webhook_id, query.state or None, query.cursor or None, query.limit
    )
    view = DeliveryPageView(
        items=[delivery_view(delivery) for delivery in page.items],
        next_cursor=msgspec.UNSET if page.next_cursor is None else page.next_cursor,
    )
    if page.next_cursor is None:
        return answer(view)
    following = urlencode(msgspec.to_builtins(msgspec.structs.replace(query, cursor=page.next_cursor)))
    return answer(view, headers={"link": f'</v1/webhooks/{webhook_id}/deliveries?{following}>; rel="next"'})


@get(
    "/{webhook_id:uuid}/deliveries/{delivery_id:uuid}",
    operation_id="get_webhook_delivery",
    summary="Read a delivery with its tries",
    opt={"scope": "account:manage"},
)
async def get_webhook_delivery(
    request: AnyRequest, webhook_id: WebhookId, delivery_id: DeliveryId
) -> Response[DeliveryWithAttempts]:
    """Reads one delivery with every try at it. What the target answered beyond its status is not kept."""
    found = await serving(request).webhooks.delivery(request.user.tenant_id, webhook_id, delivery_id)
    if found is None:
        raise _no_delivery()
    return answer_unless_held(request, delivery_with_attempts(*found))


@post(
    "/{webhook_id:uuid}/deliveries/{delivery_id:uuid}/replays",
    operation_id="replay_webhook_delivery",
    summary="Send a delivery again",
    status_code=202,
    opt={"scope": "account:manage"},
)
async def replay_webhook_delivery(
    request: AnyRequest, webhook_id: WebhookId, delivery_id: DeliveryId
) -> Response[DeliveryView]:
    """Has one delivery sent again now, whatever became of it, under the same `webhook-id` and with all its tries
    anew. One that is being sent just now is left to that."""
    if not await serving(request).webhooks.replay(request.user.tenant_id, webhook_id, delivery_id):
        raise _no_delivery()
    return answer(await _delivery(request, webhook_id, delivery_id), status=202)


@post(
    "/{webhook_id:uuid}/replays",
    operation_id="replay_dead_webhook_deliveries",
    summary="Send dead deliveries again",
    status_code=202,
    opt={"scope": "account:manage", "body": ReplayRequest},
)
async def replay_dead_webhook_deliveries(request: AnyRequest, webhook_id: WebhookId) -> Response[Replayed]:
    """Has deliveries that were given up sent again, the oldest first, at most 10000 at once."""
    asked = serving(request).decoder.decode_as(await read_body(request), ReplayRequest)
    replayed = await serving(request).webhooks.replay_dead(
        request.user.tenant_id, webhook_id, asked.created_from or None, asked.created_before or None
    )
    if replayed is None:
        raise _no_webhook()
    return answer(Replayed(replayed=replayed), status=202)


def _webhook(asked: WebhookRequest, webhook_id: UUID) -> Webhook:
    return Webhook(
        webhook_id=webhook_id,
        created_at=datetime.now(UTC),
        url=asked.url,
        label=asked.label or None,
        events=tuple(dict.fromkeys(asked.events)),
        minimum_severity=asked.minimum_severity or None,
        enabled=asked.enabled,
    )


async def _refuse_target(request: AnyRequest, url: str) -> None:
    try:
        await refuse_target(url, private_targets=serving(request).settings.webhook_private_targets)
    except TargetRefused as refused:
        raise ProblemRaised("target_refused", refused.reason) from None


async def _fetch(request: AnyRequest, webhook_id: UUID) -> Webhook:
    webhook = await serving(request).webhooks.fetch(request.user.tenant_id, webhook_id)
    if webhook is None:
        raise _no_webhook()
    return webhook


async def _delivery(request: AnyRequest, webhook_id: UUID, delivery_id: UUID) -> DeliveryView:
    found = await serving(request).webhooks.delivery(request.user.tenant_id, webhook_id, delivery_id)
    if found is None:  # removed in between
        raise _no_delivery()
    return delivery_view(found[0])


def _no_webhook() -> ProblemRaised:
    return ProblemRaised("not_found", "no webhook of this account has that id")


def _no_delivery() -> ProblemRaised:
    return ProblemRaised("not_found", "no delivery of this webhook has that id")


ROUTER = Router(
    "/v1/webhooks",
    route_handlers=[
        create_webhook,
        list_webhooks,
        get_webhook,
        change_webhook,
        remove_webhook,
        rotate_webhook_secret,
        ping_webhook,
        list_webhook_deliveries,
        get_webhook_delivery,
        replay_webhook_delivery,
        replay_dead_webhook_deliveries,
    ],
    guards=[negotiated, authorised],
    tags=["Webhooks"],
)
