"""Keeping, fetching and listing: every byte, every row once, only the tenant's own."""

import os
import uuid
from datetime import UTC, datetime, timedelta, timezone

import msgspec
import psycopg
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.errors import CursorRefused, OutOfRange, RecordRefused
from service.model.evaluation import SEVERITIES
from service.model.record import EvaluationFilter, EvaluationSummary, StoredEvaluation
from service.store.database import LONGEST_PAGE, new_id
from service.store.keys import create_tenant

NOON = datetime(2024, 7, 1, 12, tzinfo=UTC)


async def _every_page(store, tenant, filters=None, limit=3, between=None):
    found, cursor = [], None
    while True:
        page = await store.list(tenant, filters, cursor, limit)
        assert len(page.items) <= limit
        found += page.items
        if page.next_cursor is None:
            return found
        cursor = page.next_cursor
        if between is not None:
            await between()


def test_what_is_fetched_is_what_was_kept_byte_for_byte(in_store, an_evaluation, tenant):
    kept = an_evaluation(
        created_at=NOON + timedelta(microseconds=1),
        visited_at=datetime(2024, 7, 1, 6, 30, tzinfo=timezone(timedelta(hours=-6))),
        site_reference="Maßstraße 7; '\"\\%s \U0001f9f0",
        equipment_reference="",
        job_reference="x" * 256,
        highest_severity="hazard",
        units="si",
        request=bytes(range(256)) + b'{"a": 1E22, "a": -0.0}\r\n' + os.urandom(250_000),
        evaluation=b"\x00" * 1000,
        request_id="r-1",
        trace_parent="00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01",
    )

    async def body(store):
        await store.keep(tenant, kept)
        return await store.fetch(tenant, kept.evaluation_id)

    fetched = in_store(body)
    assert fetched == kept
    assert type(fetched.evaluation_id) is uuid.UUID
    assert fetched.created_at.utcoffset() == timedelta(0)


def test_what_was_left_out_stays_left_out(in_store, an_evaluation, tenant):
    kept = an_evaluation()

    async def body(store):
        await store.keep(tenant, kept)
        return await store.fetch(tenant, kept.evaluation_id), (await store.list(tenant)).items

    fetched, items = in_store(body)
    assert fetched == kept
    expected = {name: getattr(kept, name) for name in EvaluationSummary.__struct_fields__}
    assert [msgspec.structs.asdict(item) for item in items] == [expected]


def test_identifiers_are_of_version_7_and_ordered_by_time():
    # RFC 9562, section 5.7: version 7, variant 10, first 48 bits the milliseconds since 1970.
    before = int(datetime.now(UTC).timestamp() * 1000)
    made = [new_id() for _ in range(1000)]
    after = int(datetime.now(UTC).timestamp() * 1000)
    assert made == sorted(set(made))
    assert {identifier.version for identifier in made} == {7}
    assert {identifier.variant for identifier in made} == {uuid.RFC_4122}
    assert all(before <= identifier.int >> 80 <= after for identifier in made)


def test_the_same_identifier_is_kept_once_and_never_overwritten(in_store, an_evaluation, tenant):
    first = an_evaluation(request=b"first")

    async def body(store):
        await store.keep(tenant, first)
        with pytest.raises(psycopg.errors.UniqueViolation):
            await store.keep(tenant, msgspec.structs.replace(first, request=b"second"))
        return await store.fetch(tenant, first.evaluation_id)

    assert in_store(body) == first


def test_a_tenant_never_sees_another_ones(in_store, an_evaluation, tenant, other_tenant):
    same_site = {"site_reference": "SITE-1", "created_at": NOON}
    mine, theirs = ([an_evaluation(**same_site) for _ in range(4)] for _ in range(2))

    async def body(store):
        for ours, others in zip(mine, theirs, strict=True):
            await store.keep(tenant, ours)
            await store.keep(other_tenant, others)
        for evaluation in theirs:
            assert await store.fetch(tenant, evaluation.evaluation_id) is None
        assert await store.fetch(uuid.uuid4(), mine[0].evaluation_id) is None
        their_cursor = (await store.list(other_tenant, limit=1)).next_cursor
        return (
            await _every_page(store, tenant, EvaluationFilter(site_reference="SITE-1"), limit=1),
            (await store.list(tenant, cursor=their_cursor)).items,
        )

    listed, through_their_cursor = in_store(body)
    own = {evaluation.evaluation_id for evaluation in mine}
    assert {item.evaluation_id for item in listed} == own
    assert {item.evaluation_id for item in through_their_cursor} <= own


def test_pages_are_stable_while_others_are_kept_in_the_same_microsecond(in_store, an_evaluation, tenant):
    there = [an_evaluation(created_at=NOON) for _ in range(10)]

    async def body(store):
        for evaluation in there:
            await store.keep(tenant, evaluation)

        async def add_more():
            await store.keep(tenant, an_evaluation(created_at=NOON))  # the same moment, a later identifier
            await store.keep(tenant, an_evaluation(created_at=NOON + timedelta(seconds=1)))

        return await _every_page(store, tenant, limit=3, between=add_more)

    listed = [item.evaluation_id for item in in_store(body)]
    assert listed == sorted((evaluation.evaluation_id for evaluation in there), reverse=True)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(
        st.tuples(st.integers(0, 3), st.sampled_from([None, "A", "B"]), st.sampled_from([None, *SEVERITIES])),
        max_size=25,
    ),
    limit=st.integers(1, 7),
    site=st.sampled_from([None, "A"]),
    least=st.sampled_from([None, *SEVERITIES]),
    start=st.sampled_from([None, 1]),
    end=st.sampled_from([None, 3]),
)
def test_pages_hold_each_wanted_row_once_newest_first(
    in_store, an_evaluation, database_url, rows, limit, site, least, start, end
):
    tenant = create_tenant(database_url, "Invented Paging")
    kept = [
        an_evaluation(created_at=NOON + timedelta(seconds=second), site_reference=where, highest_severity=severity)
        for second, where, severity in rows
    ]
    filters = EvaluationFilter(
        site_reference=site,
        least_severity=least,
        created_from=None if start is None else NOON + timedelta(seconds=start),
        created_before=None if end is None else NOON + timedelta(seconds=end),
    )

    async def body(store):
        for evaluation in kept:
            await store.keep(tenant, evaluation)
        return await _every_page(store, tenant, filters, limit)

    def wanted(evaluation):
        second = (evaluation.created_at - NOON).seconds
        found = evaluation.highest_severity
        return (
            (site is None or evaluation.site_reference == site)
            and (least is None or (found is not None and SEVERITIES.index(found) >= SEVERITIES.index(least)))
            and (start is None or second >= start)
            and (end is None or second < end)
        )

    expected = sorted(filter(wanted, kept), key=lambda e: (e.created_at, e.evaluation_id), reverse=True)
    assert [item.evaluation_id for item in in_store(body)] == [evaluation.evaluation_id for evaluation in expected]


@pytest.mark.parametrize("name", ["site_reference", "equipment_reference", "job_reference"])
def test_each_reference_filters_exactly(in_store, an_evaluation, tenant, name):
    wanted, other = an_evaluation(**{name: "A-1"}), an_evaluation(**{name: "A-12"})

    async def body(store):
        for evaluation in (wanted, other, an_evaluation()):
            await store.keep(tenant, evaluation)
        return [
            [item.evaluation_id for item in (await store.list(tenant, EvaluationFilter(**{name: value}))).items]
            for value in ("A-1", "a-1", "A-1%", "' OR true --")
        ]

    assert in_store(body) == [[wanted.evaluation_id], [], [], []]


@pytest.mark.parametrize("limit", [0, -1, LONGEST_PAGE + 1, 2**63, -(10**4000)])
def test_a_limit_out_of_range_never_reaches_the_database(in_store, tenant, limit):
    async def body(store):
        with pytest.raises(OutOfRange) as refused:
            await store.list(tenant, limit=limit)
        return refused.value.name

    assert in_store(body) == "limit"


def test_both_ends_of_the_limit_are_served(in_store, an_evaluation, tenant):
    async def body(store):
        for _ in range(2):
            await store.keep(tenant, an_evaluation())
        return len((await store.list(tenant, limit=1)).items), len((await store.list(tenant, limit=LONGEST_PAGE)).items)

    assert in_store(body) == (1, 2)


@pytest.mark.parametrize(
    "cursor", ["", "x", "A" * 31, "A" * 33, "A" * 32, "not/base64+not/base64+not/base64", "\x00" * 32]
)
def test_a_malformed_cursor_is_refused_before_the_database(in_store, tenant, cursor):
    async def body(store):
        with pytest.raises(CursorRefused):
            await store.list(tenant, cursor=cursor)

    in_store(body, url="postgresql://nobody@/nothing?host=/nowhere")


TEXTS = ["site_reference", "equipment_reference", "job_reference", "request_id", "trace_parent", "ruleset_version"]


@pytest.fixture
def refused_field(in_store, tenant):
    """The field for which keeping a record, or listing with a filter, is refused; there is no database behind."""

    def ask(record):
        async def body(store):
            call = store.list if isinstance(record, EvaluationFilter) else store.keep
            with pytest.raises(RecordRefused) as refused:
                await call(tenant, record)
            return refused.value

        return in_store(body, url="postgresql://nobody@/nothing?host=/nowhere")

    return ask


@pytest.mark.parametrize("name", TEXTS)
@pytest.mark.parametrize("text", ["\x00", "a\x00b", "\ud800", "x\udfff", "x" * 257])
def test_text_that_the_database_cannot_hold_never_reaches_it(an_evaluation, refused_field, name, text):
    refused = refused_field(an_evaluation(**{name: text}))
    assert refused.field == name
    assert text not in str(refused)


@pytest.mark.parametrize("name", ["site_reference", "equipment_reference", "job_reference"])
def test_filters_refuse_what_the_database_would(refused_field, name):
    assert refused_field(EvaluationFilter(**{name: "\x00"})).field == name


@pytest.mark.parametrize(
    "moment",
    [
        datetime(2024, 7, 1),
        datetime.max.replace(tzinfo=timezone(timedelta(hours=-1))),
        datetime.min.replace(tzinfo=timezone(timedelta(hours=1))),
    ],
)
def test_times_without_an_equivalent_in_utc_are_refused(an_evaluation, refused_field, moment):
    for name in ("created_at", "visited_at"):
        assert refused_field(an_evaluation(**{name: moment})).field == name
    assert refused_field(EvaluationFilter(created_from=moment)).field == "created_from"


def test_the_first_and_last_moments_are_held(in_store, an_evaluation, tenant):
    ends = [an_evaluation(created_at=moment.replace(tzinfo=UTC)) for moment in (datetime.min, datetime.max)]

    async def body(store):
        for evaluation in ends:
            await store.keep(tenant, evaluation)
        assert [await store.fetch(tenant, evaluation.evaluation_id) for evaluation in ends] == ends
        return await _every_page(store, tenant, limit=1)

    assert [item.created_at for item in in_store(body)] == [ends[1].created_at, ends[0].created_at]


def test_records_are_frozen(an_evaluation):
    with pytest.raises(AttributeError):
        an_evaluation().request = b"changed"
    assert StoredEvaluation.__struct_config__.frozen
