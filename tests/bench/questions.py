"""What is asked of a full record, each as a call of the store with values drawn anew each time."""

from __future__ import annotations

import hashlib
import random
import uuid
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from service.model.erasure import Selector
from service.model.record import EvaluationFilter, Sent, StoredEvaluation
from service.model.timeline import Whose
from service.store.cursor import write_cursor
from service.store.database import new_id
from service.store.erasures import Erasures
from service.store.evaluations import Store
from service.store.outbox import Outbox
from service.store.sealing import Seal
from service.store.visits import Visits
from service.store.webhooks import Webhooks
from tests.bench.rows import TENANTS

BEGAN, DAYS = datetime(2021, 1, 1, tzinfo=UTC), 1800
BIG, _, SMALL = TENANTS[:3]

Question = Callable[[Store, random.Random], Awaitable[Any]]


def questions(rows: int) -> dict[str, Question]:
    """Name -> the call, for a record of so many generated rows."""
    sites = rows // 150

    def site(draw: random.Random) -> str:
        return f"S-{draw.randrange(sites)}"

    def day(draw: random.Random, first: int = 0, last: int = DAYS) -> datetime:
        return BEGAN + timedelta(days=draw.randrange(first, last))

    def span(name: str, first: int, last: int, days: int) -> Callable[[random.Random], dict[str, datetime]]:
        def drawn(draw: random.Random) -> dict[str, datetime]:
            start = day(draw, first, last)
            return {f"{name}_from": start, f"{name}_before": start + timedelta(days=days)}

        return drawn

    def listed(
        *filters: Callable[[random.Random], dict[str, Any]] | dict[str, Any],
        tenant: uuid.UUID = BIG,
        from_place: bool = False,
    ) -> Question:
        async def ask(store: Store, draw: random.Random) -> Any:
            given = {
                name: value for one in filters for name, value in (one if isinstance(one, dict) else one(draw)).items()
            }
            cursor = write_cursor(day(draw), new_id()) if from_place else None
            return await store.list(tenant, EvaluationFilter(**given), cursor, limit=50)

        return ask

    def some_site(draw: random.Random) -> dict[str, Any]:
        return {"site_reference": site(draw)}

    def some_equipment(draw: random.Random) -> dict[str, Any]:
        return {"equipment_reference": f"{site(draw).replace('S', 'E')}-1"}

    def some_job(draw: random.Random) -> dict[str, Any]:
        return {"job_reference": f"J-1-{draw.randrange(rows // 2)}"}

    def word(least: int, most: int) -> Callable[[random.Random], dict[str, Any]]:
        return lambda draw: {"words": f"W{draw.randrange(least, most)}"}

    def two_words(draw: random.Random) -> dict[str, Any]:
        return {"words": f"w{draw.randrange(10, 100)} w{draw.randrange(100, 1000)}"}

    month_kept, month_visited = span("created", 0, 1700, 30), span("visited", 0, 1700, 30)
    years_ago = span("visited", 0, 200, 700)
    hazard, fault, note = ({"least_severity": severity} for severity in ("hazard", "fault", "note"))
    common, rare = {"finding": "finding_2"}, {"finding": "finding_50"}
    old, newest = {"ruleset_version": "1.0.0"}, {"ruleset_version": "1.2.0"}

    async def fetched(store: Store, draw: random.Random) -> Any:
        page = await store.list(BIG, EvaluationFilter(**some_site(draw)), limit=1)
        return await store.fetch(BIG, page.items[0].evaluation_id)

    async def sent_again(store: Store, draw: random.Random) -> Any:
        number = draw.randrange(1, rows)
        return await store.claimed(BIG, Sent(key=f"key-{number}", digest=hashlib.sha256(str(number).encode()).digest()))

    async def kept(store: Store, draw: random.Random) -> Any:
        made = StoredEvaluation(
            evaluation_id=new_id(),
            created_at=datetime.now(UTC),
            visited_at=datetime.now(UTC),
            ruleset_version="1.2.0",
            ruleset_digest="0" * 64,
            units="ip",
            request=b"{}" * 50,
            evaluation=b"{}" * 100,
            highest_severity="hazard",
            findings={f"finding_{code}": "hazard" for code in (2, 30, 48, 50)},
            words=" ".join(f"w{draw.randrange(20_000)}" for _ in range(13)),
            **some_site(draw),
            **some_equipment(draw),
        )
        return await store.keep(BIG, made, Sent(key=str(made.evaluation_id), digest=b"0" * 32))

    async def reassessments(store: Store, draw: random.Random) -> Any:
        page = await store.list(BIG, EvaluationFilter(**some_site(draw)), limit=1)
        return await store.list_reassessments(BIG, page.items[0].evaluation_id)

    async def chain(store: Store, draw: random.Random) -> Any:
        page = await store.list(BIG, EvaluationFilter(**some_site(draw)), limit=1)
        return await store.chain(BIG, page.items[0].evaluation_id)

    async def erased(store: Store, draw: random.Random) -> Any:
        selector = Selector(kind="site", value=site(draw))
        return await Erasures(store).erase(BIG, selector, "asked for", BIG, datetime.now(UTC))

    async def deliveries(store: Store, draw: random.Random) -> Any:
        return await Webhooks(store, Seal()).deliveries(BIG, BIG, None, write_cursor(day(draw), new_id()))

    async def dead_deliveries(store: Store, draw: random.Random) -> Any:
        return await Webhooks(store, Seal()).deliveries(BIG, BIG, "dead")

    async def due_deliveries(store: Store, draw: random.Random) -> Any:
        return await Outbox(store).lease(16, 4, 0.001)

    async def exported(store: Store, draw: random.Random) -> Any:
        page = await store.list(BIG, EvaluationFilter(**common), write_cursor(day(draw), new_id()), limit=16)
        return await store.fetch_these(BIG, [item.evaluation_id for item in page.items])

    async def site_timeline(store: Store, draw: random.Random) -> Any:
        return await Visits(store).timeline(BIG, Whose(**some_site(draw)))

    async def equipment_timeline(store: Store, draw: random.Random) -> Any:
        return await Visits(store).timeline(BIG, Whose(**some_equipment(draw)))

    async def of_equipment(store: Store, draw: random.Random) -> Any:
        return await Visits(store).of_equipment(BIG, some_equipment(draw)["equipment_reference"], None, None, 60)

    return {
        "all": listed(),
        "all, from a place": listed(from_place=True),
        "all, a small tenant": listed(tenant=SMALL),
        "superseded as well": listed({"superseded": True}),
        "site": listed(some_site),
        "equipment": listed(some_equipment),
        "job": listed(some_job),
        "severity: hazard": listed(hazard),
        "severity: hazard, from a place": listed(hazard, from_place=True),
        "severity: fault": listed(fault),
        "severity: note": listed(note),
        "severity: hazard, a small tenant": listed(hazard, tenant=SMALL),
        "finding: common": listed(common),
        "finding: rare": listed(rare),
        "finding: rare, from a place": listed(rare, from_place=True),
        "finding: unheard of": listed({"finding": "finding_none"}),
        "ruleset: newest": listed(newest),
        "ruleset: old": listed(old),
        "ruleset: unheard of": listed({"ruleset_version": "0.0.1"}),
        "kept in a month": listed(month_kept),
        "visited in a month": listed(month_visited),
        "visited on a day": listed(span("visited", 0, 1700, 1)),
        "visited in two years long ago": listed(years_ago),
        "visited lately": listed({"visited_from": BEGAN + timedelta(days=DAYS - 60)}),
        "word: common": listed(word(0, 3)),
        "word: less common": listed(word(30, 100)),
        "word: rare": listed(word(5000, 20_000)),
        "word: unheard of": listed({"words": "nowhere"}),
        "word: common, a small tenant": listed(word(0, 3), tenant=SMALL),
        "word: rare, a small tenant": listed(word(5000, 20_000), tenant=SMALL),
        "two words": listed(two_words),
        "site and finding": listed(some_site, common),
        "site and severity": listed(some_site, hazard),
        "site and word": listed(some_site, word(0, 3)),
        "site and visited in a month": listed(some_site, month_visited),
        "equipment and kept in a month": listed(some_equipment, month_kept),
        "severity and kept in a month": listed(hazard, month_kept),
        "severity and visited in a month": listed(hazard, month_visited),
        "severity and rare finding": listed(fault, rare),
        "hazard and common finding": listed(hazard, common),
        "finding and kept in a month": listed(common, month_kept),
        "finding and visited in a month": listed(common, month_visited),
        "rare finding, visited long ago": listed(rare, years_ago),
        "ruleset and hazard": listed(old, hazard),
        "ruleset and rare finding": listed(old, rare),
        "ruleset and word": listed(old, word(30, 100)),
        "word and hazard": listed(word(30, 100), hazard),
        "word and visited in a month": listed(word(30, 100), month_visited),
        "word and rare finding": listed(word(0, 3), rare),
        "one evaluation": fetched,
        "page of an export": exported,
        "chain of corrections": chain,
        "deliveries, from a place": deliveries,
        "deliveries that are dead": dead_deliveries,
        "deliveries that are due": due_deliveries,
        "sent again": sent_again,
        "kept, once under its key": kept,
        "reassessments of one": reassessments,
        "timeline of a site": site_timeline,
        "timeline of an equipment": equipment_timeline,
        "visits for a trend": of_equipment,
        "a site erased": erased,
    }
