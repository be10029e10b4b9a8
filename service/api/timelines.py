"""Visits to a site or an equipment in the order they took place."""

import asyncio
import re
from typing import Annotated
from urllib.parse import urlencode

import msgspec
from litestar import Response, Router, get
from litestar.params import PathParameter

from service.api.access import authorised
from service.api.evaluations import decoded_evaluation
from service.api.exchange import AnyRequest, answer, judging, language, made_ready, negotiated, serving, spoken
from service.api.problems import ProblemRaised
from service.model.evaluation import Evaluation
from service.model.timeline import TimelineEntry, Whose
from service.store.visits import Visits
from service.wire.faults import RequestRefused
from service.wire.query import TimelineQuery, decode_query
from service.wire.request import REFERENCE
from service.wire.response import Fault
from service.wire.timeline import TimelineView, TimelineVisit, TimelineWriter

SiteReference = Annotated[str, PathParameter(description="`reference` of a site, as visits give it.")]
EquipmentReference = Annotated[str, PathParameter(description="`reference` of an equipment, as visits give it.")]


@get(
    "/timeline",
    operation_id="get_site_timeline",
    summary="Follow a site over its visits",
    opt={"scope": "evaluations:read", "query": TimelineQuery, "pinned": True, "spoken": True},
)
async def get_site_timeline(request: AnyRequest, site_reference: SiteReference) -> Response[TimelineView]:
    """Every visit to a site, newest first, a page at a time: what was found, what is new and what is gone since the
    visit before to the same equipment, work done, and key quantities. By `visited_at` where it was given, else by when
    it was kept. Corrected evaluations are left out.

    A visit that names no equipment is compared with none. A site that no visit names has an empty timeline: it cannot
    be told from one that never was. Follow `next_cursor`, or the `Link` header field with `rel="next"`.
    """
    refuse_odd_reference("site_reference", site_reference)
    return await _timeline(request, Whose(site_reference=site_reference), f"/v1/sites/{site_reference}/timeline")


@get(
    "/timeline",
    operation_id="get_equipment_timeline",
    summary="Follow an equipment over its visits",
    opt={"scope": "evaluations:read", "query": TimelineQuery, "pinned": True, "spoken": True},
)
async def get_equipment_timeline(
    request: AnyRequest, equipment_reference: EquipmentReference
) -> Response[TimelineView]:
    """Every visit to an equipment, newest first, a page at a time: what was found, what is new and what is gone since
    the visit before, work done, and key quantities. By `visited_at` where it was given, else by when it was kept.
    Corrected evaluations are left out.

    An equipment that no visit names has an empty timeline: it cannot be told from one that never was. Follow
    `next_cursor`, or the `Link` header field with `rel="next"`.
    """
    refuse_odd_reference("equipment_reference", equipment_reference)
    whose = Whose(equipment_reference=equipment_reference)
    return await _timeline(request, whose, f"/v1/equipment/{equipment_reference}/timeline")


async def _timeline(request: AnyRequest, whose: Whose, address: str) -> Response[TimelineView]:
    at_hand = serving(request)
    query = decode_query(request.scope["query_string"], TimelineQuery, at_hand.decoder.names)
    page = await Visits(at_hand.store).timeline(
        request.user.tenant_id, whose, cursor=query.cursor or None, limit=query.limit
    )
    prepared = await judging(request, msgspec.UNSET)
    speech = language(request, prepared)
    system = query.units or request.user.units
    # Each visit in the terms of the version that judged it; where that is not installed, of the account's.
    judged_by = {entry.ruleset_version for entry in page.items}
    versions = {name: await made_ready(at_hand.rulebook, name) for name in judged_by if name in at_hand.rulebook.names}

    def written() -> list[TimelineVisit]:
        visits = []
        for entry in page.items:
            own = versions.get(entry.ruleset_version, prepared)
            writer = TimelineWriter(own.ruleset, own.units, system, speech, query.quantity)
            visits.append(writer.visit(entry, _readable(entry)))
        return visits

    writer = TimelineWriter(prepared.ruleset, prepared.units, system, speech)
    view = writer.page(await asyncio.to_thread(written), page.next_cursor)
    headers = spoken(speech)
    if page.next_cursor is not None:
        following = msgspec.to_builtins(msgspec.structs.replace(query, cursor=page.next_cursor))
        headers["link"] = f'<{address}?{urlencode(following, doseq=True)}>; rel="next"'
    return answer(view, headers=headers)


def _readable(entry: TimelineEntry) -> Evaluation | None:
    try:
        return decoded_evaluation(entry.evaluation)
    except ProblemRaised:
        return None


def refuse_odd_reference(parameter: str, reference: str) -> None:
    """Refuse a reference that no visit could carry.

    Raises
    ------
    RequestRefused : it does not match the pattern of references
    """
    if not re.fullmatch(REFERENCE["pattern"], reference) or len(reference) > REFERENCE["maxLength"]:
        detail = f"must have 1 to {REFERENCE['maxLength']} characters and match {REFERENCE['pattern']}"
        raise RequestRefused([Fault(parameter=parameter, code="pattern", detail=detail)])


SITES = Router(
    "/v1/sites/{site_reference:str}",
    route_handlers=[get_site_timeline],
    guards=[negotiated, authorised],
    tags=["History"],
)
EQUIPMENT = Router(
    "/v1/equipment/{equipment_reference:str}",
    route_handlers=[get_equipment_timeline],
    guards=[negotiated, authorised],
    tags=["History"],
)
