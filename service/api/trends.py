"""A quantity of one equipment over its visits."""

import asyncio
from typing import Any, cast

from litestar import Response, Router, get

from service.api.access import authorised
from service.api.exchange import (
    JSON,
    AnyRequest,
    answer_text,
    answer_unless_held,
    chosen_media,
    judging,
    language,
    negotiated,
    serving,
    spoken,
)
from service.api.plots import SVG
from service.api.timelines import EquipmentReference, refuse_odd_reference
from service.document.trend_plot import trend_plot
from service.model.timeline import KeptVisit
from service.model.trend import Asked, FollowedTrend, LeftOut
from service.pipeline import follow
from service.store.visits import Visits
from service.wire.account import with_limits
from service.wire.decode import RequestDecoder
from service.wire.faults import RequestRefused
from service.wire.query import TrendQuery, decode_query
from service.wire.request import EvaluationRequest
from service.wire.trends import Read, TrendView, trend_view

MOST_VISITS = 60
"""Visits worked out for one answer, the newest; 2 to 5 ms each."""


@get(
    "/trends",
    operation_id="get_equipment_trend",
    summary="Follow a quantity of an equipment over its visits",
    opt={
        "scope": "evaluations:read",
        "query": TrendQuery,
        "pinned": True,
        "spoken": True,
        "media": {JSON: "", SVG: "The trend as SVG, with title and description, on a transparent ground."},
    },
)
async def get_equipment_trend(request: AnyRequest, equipment_reference: EquipmentReference) -> Response[TrendView]:
    """One quantity over the visits to an equipment, with a robust line, and when it will reach a limit; or why that
    cannot be told. As JSON, or drawn as SVG, by `Accept`.

    The newest 60 visits are worked out anew from their requests by one version of the rules, so that one method holds
    and what instruments have in common is shared; `truncated` says that there are older ones, to be had by
    `visited_before`. `earlier_visits` inside a request are left aside: a visit counts where it was kept itself. Taken
    together are visits in one state, at one speed setting and with the same filter, coil and blower; `left_out` says
    why others are not. Work that bears on the quantity begins the line anew. A limit is that of the newest visit: its
    own, else the account's of today, else that of the rules.

    A reference that no visit carries has no points: it cannot be told from one that never was.
    """
    refuse_odd_reference("equipment_reference", equipment_reference)
    at_hand = serving(request)
    query = decode_query(request.scope["query_string"], TrendQuery, at_hand.decoder.names)
    prepared = await judging(request, query.ruleset)
    kept = await Visits(at_hand.store).of_equipment(
        request.user.tenant_id,
        equipment_reference,
        query.visited_from or None,
        query.visited_before or None,
        MOST_VISITS + 1,
    )
    asked = Asked(
        quantity=query.quantity,
        state=query.state or None,
        area=query.area or None,
        criterion=query.criterion or None,
        against=query.against,
    )
    speech = language(request, prepared)
    system = query.units or request.user.units
    media = chosen_media(request)

    def worked() -> TrendView | bytes:
        found, read = _followed(kept)
        if media == SVG:
            plot = trend_plot(found, read, prepared.ruleset, prepared.units, system, speech)
            return plot.encode()
        return trend_view(found, read, prepared.ruleset, prepared.units, system, speech)

    def _followed(kept: tuple[KeptVisit, ...]) -> tuple[FollowedTrend, Read]:
        newest = kept[:MOST_VISITS]
        limits, criteria = request.user.limit_overrides, prepared.ruleset.criteria
        decoded = [(entry, _decoded(at_hand.decoder, entry)) for entry in newest]
        requests = [(entry, visit and with_limits(visit, limits, criteria)[0]) for entry, visit in decoded]
        found = follow([(e.evaluation_id, e.at, visit) for e, visit in requests if visit is not None], asked, prepared)
        left = [
            LeftOut(evaluation_id=e.evaluation_id, at=e.at, reason="unreadable") for e, visit in requests if not visit
        ]
        left += [
            LeftOut(evaluation_id=one, at=entry.at, reason="superseded") for entry in newest for one in entry.corrected
        ]
        read = Read(
            equipment_reference=equipment_reference,
            left_out=tuple(left),
            visits=len(newest),
            truncated=len(kept) > MOST_VISITS,
        )
        return found, read

    made = await asyncio.to_thread(worked)
    headers: dict[str, str] = {**spoken(speech), "vary": "Accept, Accept-Language"}
    if isinstance(made, bytes):
        return cast("Response[Any]", answer_text(request, made, SVG, headers=headers))
    return answer_unless_held(request, made, headers=headers)


def _decoded(decoder: RequestDecoder, entry: KeptVisit) -> EvaluationRequest | None:
    try:
        return decoder.decode_kept(entry.request)
    except RequestRefused:
        return None


ROUTER = Router(
    "/v1/equipment/{equipment_reference:str}",
    route_handlers=[get_equipment_trend],
    guards=[negotiated, authorised],
    tags=["History"],
)
