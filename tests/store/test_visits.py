"""Visits in the order they took place: corrected ones left out, what came before, only the tenant's own."""

from datetime import UTC, datetime, timedelta

import psycopg
import pytest

from service.errors import OutOfRange, RecordRefused
from service.model.outcome import Outcome
from service.model.timeline import Whose
from service.store.database import new_id
from service.store.outcomes import Outcomes
from service.store.visits import Visits

NOON = datetime(2024, 7, 1, 12, tzinfo=UTC)


def test_order_is_by_visit_else_by_when_it_was_kept_and_pages_show_each_once(in_store, an_evaluation, tenant):
    days = [3, None, 1, 7, 5, None, 5]
    kept = [
        an_evaluation(
            equipment_reference="e-1",
            created_at=NOON + timedelta(days=4, hours=index),
            visited_at=None if day is None else NOON + timedelta(days=day),
        )
        for index, day in enumerate(days)
    ]

    async def body(store):
        for evaluation in kept:
            await store.keep(tenant, evaluation)
        found, cursor = [], None
        while True:
            page = await Visits(store).timeline(tenant, Whose(equipment_reference="e-1"), cursor, 2)
            assert len(page.items) <= 2
            found += page.items
            cursor = page.next_cursor
            if cursor is None:
                return found

    found = in_store(body)
    at = {one.evaluation_id: one.visited_at or one.created_at for one in kept}
    assert [one.evaluation_id for one in found] == sorted(at, key=lambda one: (at[one], one), reverse=True)
    assert [one.at for one in found] == sorted(at.values(), reverse=True)
    assert [one.before for one in found] == [*(one.evaluation_id for one in found[1:]), None]


def test_what_was_corrected_is_left_out_and_what_was_before_is_told(in_store, an_evaluation, tenant):
    def at(day, **more):
        return an_evaluation(
            site_reference="s-1", equipment_reference="e-1", visited_at=NOON + timedelta(days=day), **more
        )

    first = at(1, findings={"a": "note", "b": "fault"})
    wrong = at(2, findings={"c": "fault"})
    worse = at(2, findings={"d": "fault"}, supersedes=wrong.evaluation_id)
    right = at(2, findings={"a": "note"}, supersedes=worse.evaluation_id)
    last = at(3)
    nameless = an_evaluation(site_reference="s-1", visited_at=NOON + timedelta(days=4))
    other = an_evaluation(site_reference="s-1", equipment_reference="e-2", visited_at=NOON + timedelta(days=5))

    async def body(store):
        for evaluation in (first, wrong, worse, right, last, nameless, other):
            assert (await store.keep(tenant, evaluation)).fate == "kept"
        visits = Visits(store)
        site = await visits.timeline(tenant, Whose(site_reference="s-1"))
        equipment = await visits.of_equipment(tenant, "e-1", None, None, 60)
        within = await visits.of_equipment(tenant, "e-1", NOON + timedelta(days=1), NOON + timedelta(days=3), 60)
        newest = await visits.of_equipment(tenant, "e-1", None, None, 1)
        return site.items, equipment, within, newest

    site, equipment, within, newest = in_store(body)
    assert [one.evaluation_id for one in site] == [one.evaluation_id for one in (other, nameless, last, right, first)]
    assert [(one.before, one.found_before) for one in site] == [
        (None, ()), (None, ()), (right.evaluation_id, ("a",)), (first.evaluation_id, ("a", "b")), (None, ()),
    ]  # fmt: skip
    assert [(one.evaluation_id, one.corrected) for one in equipment] == [
        (last.evaluation_id, ()),
        (right.evaluation_id, (worse.evaluation_id, wrong.evaluation_id)),
        (first.evaluation_id, ()),
    ]
    assert [one.evaluation_id for one in within] == [right.evaluation_id, first.evaluation_id]
    assert [one.evaluation_id for one in newest] == [last.evaluation_id]


def test_another_tenant_sees_nothing(in_store, an_evaluation, tenant, other_tenant):
    async def body(store):
        await store.keep(tenant, an_evaluation(site_reference="s-1", equipment_reference="e-1"))
        visits = Visits(store)
        return (
            await visits.timeline(other_tenant, Whose(site_reference="s-1")),
            await visits.of_equipment(other_tenant, "e-1", None, None, 60),
        )

    page, requests = in_store(body)
    assert (page.items, page.next_cursor, requests) == ((), None, ())


def test_what_cannot_be_asked_is_refused(in_store, tenant):
    async def body(store):
        visits = Visits(store)
        for limit in (0, 201):
            with pytest.raises(OutOfRange):
                await visits.timeline(tenant, Whose(site_reference="s-1"), None, limit)
        with pytest.raises(RecordRefused):
            await visits.timeline(tenant, Whose(site_reference="s\0"))
        with pytest.raises(RecordRefused):
            await visits.of_equipment(tenant, "e\0", None, None, 60)
        return True

    assert in_store(body) is True


@pytest.mark.parametrize(
    ("query", "index"),
    [
        ("SELECT * FROM airside.timeline(%s, 's-9', NULL, NULL, NULL, 21)", "evaluations_along_site"),
        ("SELECT * FROM airside.timeline(%s, NULL, 'e-9', NULL, NULL, 21)", "evaluations_along_equipment"),
        ("SELECT * FROM airside.visits_to(%s, 'e-9', NULL, NULL, 61)", "evaluations_along_equipment"),
    ],
)
def test_order_comes_from_an_index(database_url, tenant, query, index):
    """Over 3000 rows of which 30 are wanted: the index is used, and the table is never read through."""
    with psycopg.connect(database_url) as connection:
        connection.execute("SELECT set_config('airside.tenant', %s, false)", (str(tenant),))
        connection.execute(
            "INSERT INTO airside.evaluations (tenant_id, evaluation_id, created_at, visited_at, site_reference,"
            " equipment_reference, ruleset_version, ruleset_digest, units, request, evaluation)"
            " SELECT %s, gen_random_uuid(), now(), now() - n * interval '1 day', 's-' || n %% 100, 'e-' || n %% 100,"
            " '1.0.0', '', 'ip', '{}', '{}' FROM generate_series(1, 3000) n",
            (tenant,),
        )
        connection.execute("ANALYZE airside.evaluations")
        scans = "SELECT pg_stat_get_xact_numscans(%s::regclass)"
        (before,) = connection.execute(scans, ("airside.evaluations",)).fetchone()
        assert len(connection.execute(query, (tenant,)).fetchall()) in (21, 30)
        (by_index,) = connection.execute(scans, (f"airside.{index}",)).fetchone()
        (whole_table,) = connection.execute(scans, ("airside.evaluations",)).fetchone()
        connection.rollback()
    assert by_index > 0
    assert whole_table == before


def test_the_reports_that_prevail_are_told_with_a_visit(in_store, an_evaluation, tenant, other_tenant):
    """Of each finding in each context the last, with how many there were; wherever the evaluation is read."""

    def report(at, finding, outcome, **more):
        fields = {
            "outcome_id": new_id(), "created_at": NOON + timedelta(hours=at), "finding": finding, "state": "cooling",
            "area": "", "outcome": outcome, "cause": None, "cause_rank": None, "causes_ranked": 2, "rules": ("r",),
            "ruleset_version": "1.0.0", "note": None, "observed_at": None, "reported_by": None,
        }  # fmt: skip
        return Outcome(**fields | more)

    reported, silent = (an_evaluation(site_reference="s-1", visited_at=NOON + timedelta(days=day)) for day in (1, 2))
    reports = [
        report(1, "a", "confirmed", cause="loose"),
        report(4, "a", "ruled_out"),
        report(2, "a", "repaired"),  # kept last, but said of an earlier hour
        report(3, "a", "confirmed", state="heating", cause="dirt"),
        report(5, "b", "repaired", area="upstairs"),
        report(1, "b", "ruled_out"),
    ]

    async def body(store):
        outcomes = Outcomes(store)
        for evaluation in (reported, silent):
            await store.keep(tenant, evaluation)
        for one in reports:
            assert (await outcomes.keep(tenant, reported.evaluation_id, one)).fate == "kept"
        others = an_evaluation(site_reference="s-1")
        await store.keep(other_tenant, others)
        await outcomes.keep(other_tenant, others.evaluation_id, report(9, "a", "ruled_out"))
        page = await Visits(store).timeline(tenant, Whose(site_reference="s-1"))
        return (
            [entry.outcomes for entry in page.items],
            (await store.fetch(tenant, reported.evaluation_id)).outcomes,
            [one.outcomes for one in await store.fetch_these(tenant, [reported.evaluation_id, silent.evaluation_id])],
        )

    (of_silent, told), read, exported = in_store(body)
    assert of_silent == ()
    assert read == told
    assert sorted(exported, key=len) == [(), told]
    assert [(one.outcome_id, one.created_at, one.cause, one.reports) for one in told] == [
        (reports[4].outcome_id, reports[4].created_at, None, 1),
        (reports[1].outcome_id, reports[1].created_at, None, 3),
        (reports[3].outcome_id, reports[3].created_at, "dirt", 1),
        (reports[5].outcome_id, reports[5].created_at, None, 1),
    ]
    assert [(one.finding, one.state, one.area, one.outcome) for one in told] == [
        ("b", "cooling", "upstairs", "repaired"),
        ("a", "cooling", "", "ruled_out"),
        ("a", "heating", "", "confirmed"),
        ("b", "cooling", "", "ruled_out"),
    ]
