"""Evaluations found by what is known of them, against plain Python that goes through all of them."""

import random
import re
import unicodedata
import uuid
from datetime import UTC, datetime, timedelta

import msgspec
import psycopg
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.model.evaluation import SEVERITIES
from service.model.record import EvaluationFilter
from service.store.database import new_id
from service.store.keys import create_tenant
from service.store.migrations.versions import r0005_search
from service.store.words import LONGEST_WORD, MOST, searchable

NOON = datetime(2024, 7, 1, 12, tzinfo=UTC)
CODES = {"airflow_low": "fault", "filter_loaded": "advisory", "vent_spilling": "hazard", "zero_drifted": "note"}
NOTES = ("Return plenum, north", "supply plenum (loose)", "RETURN grille: whistles", "")


@pytest.fixture(scope="module")
def kept_before(database_url):
    """One tenant with 300 evaluations that vary in all that can be asked for; some of them corrected later."""
    import asyncio

    from service.model.record import StoredEvaluation
    from service.store.evaluations import Store

    tenant = create_tenant(database_url, "Invented Finders")
    draw = random.Random(5)
    made = []
    for number in range(300):
        codes = draw.sample(sorted(CODES), draw.choice([0, 0, 1, 2]))
        severities = [CODES[code] for code in codes]
        corrected = draw.choice(made) if number > 50 and draw.random() < 0.1 else None
        if corrected is not None and any(one.supersedes == corrected.evaluation_id for one in made):
            corrected = None
        made.append(
            StoredEvaluation(
                evaluation_id=new_id(),
                created_at=NOON + timedelta(hours=number // 3),
                visited_at=draw.choice([None, NOON - timedelta(hours=draw.randrange(100))]),
                site_reference=draw.choice([None, "A", "B"]),
                equipment_reference=draw.choice([None, "A", "B"]),
                job_reference=draw.choice([None, "A", "B"]),
                ruleset_version=draw.choice(["1.0.0", "1.1.0"]),
                ruleset_digest="0" * 64,
                highest_severity=max(severities, key=SEVERITIES.index, default=None),
                findings=dict(zip(codes, severities, strict=True)),
                units="ip",
                request=b"{}",
                evaluation=b"{}",
                words=draw.choice(NOTES),
                supersedes=corrected and corrected.evaluation_id,
                revision_reason=corrected and "read again",
            )
        )

    async def keep():
        store = Store(database_url, pool_size=1)
        await store.open()
        try:
            for one in made:
                assert (await store.keep(tenant, one)).fate == "kept"
        finally:
            await store.close()

    asyncio.run(keep())
    return tenant, made


def wanted(one, filters, made):
    """Whether a filter means this evaluation, as the contract words it."""
    words = re.findall(r"[a-z]+", (filters.words or "").lower())
    return (
        all(
            getattr(filters, name) in (None, getattr(one, name))
            for name in ("site_reference", "equipment_reference", "job_reference", "ruleset_version")
        )
        and (filters.finding is None or filters.finding in one.findings)
        and (
            filters.least_severity is None
            or any(SEVERITIES.index(s) >= SEVERITIES.index(filters.least_severity) for s in one.findings.values())
        )
        and (filters.created_from is None or one.created_at >= filters.created_from)
        and (filters.created_before is None or one.created_at < filters.created_before)
        and (filters.visited_from is None or (one.visited_at and one.visited_at >= filters.visited_from))
        and (filters.visited_before is None or (one.visited_at and one.visited_at < filters.visited_before))
        and set(words) <= set(re.findall(r"[a-z]+", one.words.lower()))
        and (filters.superseded or all(other.supersedes != one.evaluation_id for other in made))
    )


def rarely(strategy):
    return st.one_of(st.none(), st.none(), strategy)


reference = rarely(st.sampled_from(["A", "B"]))
FILTERS = st.builds(
    EvaluationFilter,
    site_reference=reference,
    equipment_reference=reference,
    job_reference=reference,
    least_severity=rarely(st.sampled_from(SEVERITIES)),
    finding=rarely(st.sampled_from([*CODES, "unheard_of"])),
    ruleset_version=rarely(st.sampled_from(["1.0.0", "1.1.0", "9.9.9"])),
    created_from=rarely(st.integers(0, 100).map(lambda hours: NOON + timedelta(hours=hours))),
    created_before=rarely(st.integers(0, 100).map(lambda hours: NOON + timedelta(hours=hours))),
    visited_from=rarely(st.integers(0, 100).map(lambda hours: NOON - timedelta(hours=hours))),
    visited_before=rarely(st.integers(0, 100).map(lambda hours: NOON - timedelta(hours=hours))),
    words=rarely(st.sampled_from(["return", "PLENUM", "plenum; Return!", "plen", "supply\tloose"])),
    superseded=st.booleans(),
)


async def every_page(store, tenant, filters, limit):
    found, cursor = [], None
    while True:
        page = await store.list(tenant, filters, cursor, limit)
        found += page.items
        if page.next_cursor is None:
            return found
        cursor = page.next_cursor


@pytest.mark.parametrize("looked_at", [1000, 8])
def test_each_combination_of_filters_finds_what_it_says_newest_first(in_store, database_server, kept_before, looked_at):
    """Also with so short a look at the newest that what is rare is gathered by its index, as in a large account."""
    tenant, made = kept_before
    with psycopg.connect(database_server.superuser_url) as connection:
        source = connection.execute(
            "SELECT pg_get_functiondef(oid) FROM pg_proc WHERE proname = 'find'"
            " AND pronamespace = 'airside'::regnamespace"
        ).fetchone()[0]
        assert source.count("most constant integer := 1000;") == 1

    def look(most):
        with psycopg.connect(database_server.database_url, autocommit=True) as connection:
            connection.execute(source.replace("integer := 1000;", f"integer := {most};"))

    @settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
    @given(filters=FILTERS, limit=st.integers(3, 60))
    def check(filters, limit):
        items = in_store(lambda store: every_page(store, tenant, filters, limit))
        expected = [one for one in made if wanted(one, filters, made)]
        expected.sort(key=lambda one: (one.created_at, one.evaluation_id), reverse=True)
        assert [item.evaluation_id for item in items] == [one.evaluation_id for one in expected]
        for item, one in zip(items, expected, strict=True):
            assert item.findings == one.findings
            ranks = [SEVERITIES.index(severity) for severity in item.findings.values()]
            assert ranks == sorted(ranks, reverse=True)

    try:
        look(looked_at)
        check()
    finally:
        look(1000)


def test_a_superseded_one_is_hidden_until_it_is_asked_for(in_store, an_evaluation, tenant):
    first = an_evaluation()
    second = an_evaluation(supersedes=first.evaluation_id, revision_reason="hoses were swapped")

    async def body(store):
        await store.keep(tenant, first)
        await store.keep(tenant, second)
        return [
            {item.evaluation_id for item in (await store.list(tenant, EvaluationFilter(superseded=also))).items}
            for also in (False, True)
        ]

    assert in_store(body) == [{second.evaluation_id}, {first.evaluation_id, second.evaluation_id}]


def test_evaluations_of_another_tenant_are_not_fetched_by_their_ids(in_store, an_evaluation, tenant, other_tenant):
    mine, theirs = an_evaluation(request=b"mine"), an_evaluation(request=b"theirs")

    async def body(store):
        await store.keep(tenant, mine)
        await store.keep(other_tenant, theirs)
        return await store.fetch_these(tenant, [theirs.evaluation_id, mine.evaluation_id, new_id()])

    assert in_store(body) == (mine,)


def test_words_of_one_tenant_are_not_found_by_another(in_store, an_evaluation, tenant, other_tenant):
    mine, theirs = an_evaluation(words="squirrel nest"), an_evaluation(words="Squirrel")

    async def body(store):
        await store.keep(tenant, mine)
        await store.keep(other_tenant, theirs)
        asked = ["squirrel", f"tenant {other_tenant}", str(other_tenant)]
        return [[i.evaluation_id for i in (await store.list(tenant, EvaluationFilter(words=a))).items] for a in asked]

    assert in_store(body) == [[mine.evaluation_id], [], []]


def test_the_search_that_no_policy_narrows_shows_the_tenant_that_is_set_only(
    in_store, database_url, an_evaluation, tenant, other_tenant
):
    async def body(store):
        await store.keep(tenant, an_evaluation(words="magpie"))
        await store.keep(other_tenant, an_evaluation(words="magpie"))

    in_store(body)
    asked = "SELECT count(*) FROM airside.having_words(ARRAY['magpie'])"
    with psycopg.connect(database_url) as connection:
        connection.execute("SET ROLE airside_app")
        assert connection.execute(asked).fetchone() == (0,)
        connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
        assert connection.execute(asked).fetchone() == (1,)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Return, RETURN return!", ["return"]),
        ("supply/return 0.62 in.w.c.", ["supply", "return", "0", "62", "in", "w", "c"]),
        ("FILTRACIÓN Straße", ["filtración", "strasse"]),  # full case folding: Unicode, CaseFolding.txt, ß -> ss
        ("half\N{LATIN SMALL LIGATURE FI}lter Å", ["halffilter", "å"]),
        ("_ - '\" \\ % ' | & !", []),
    ],
)
def test_words_are_runs_of_letters_and_digits_in_one_case(text, words):
    assert searchable(text) == words
    assert searchable(unicodedata.normalize("NFD", text)) == words


def test_any_text_can_be_kept_and_found(in_store, an_evaluation, tenant):
    """As many different words as fit, the longest there may be, and whatever else Unicode has."""
    many = " ".join(chr(0x4E00 + n % 20_000) + chr(0x4E00 + n // 20_000) for n in range(60_000))
    texts = [many, "x" * 5000 + " y", "'quoted' \\ \"and\" : * & | ! <-> ()", "".join(map(chr, range(1, 0xD800)))]
    kept = [an_evaluation(words=text) for text in texts]

    async def body(store):
        for one in kept:
            await store.keep(tenant, one)
        found = [
            await store.list(tenant, EvaluationFilter(words=" ".join(searchable(text)[:5])[:200])) for text in texts
        ]
        return [[item.evaluation_id for item in page.items] for page in found]

    found = in_store(body)
    assert [one.evaluation_id in ids for one, ids in zip(kept, found, strict=True)] == [True] * len(texts)
    assert sum(len(word.encode()) + 1 for word in searchable(many)) <= MOST
    assert searchable("x" * 5000) == ["x" * LONGEST_WORD]


def test_what_was_kept_before_the_search_is_found_by_it(database_url, tenant):
    """The migration's reading of kept bytes, over rows as an earlier version left them."""
    found = {
        "contexts": [{"findings": [{"code": "airflow_low", "severity": "advisory"}]}],
        "whole_house": {"findings": [{"code": "airflow_low", "severity": "fault"}]},
    }
    request = {
        "site": {"label": "Mill House"},
        "readings": [{"kind": "x", "note": "gauge drifted", "more": [{"label": 5}]}],
        "earlier_visits": [{"site": {"label": "Elsewhere"}}],
    }
    ids = [uuid.uuid4() for _ in range(3)]
    rows = [
        (ids[0], msgspec.json.encode(request), msgspec.json.encode(found)),
        (ids[1], b"{}", b"{}"),
        (ids[2], b"\xff", b"no JSON"),
    ]
    with psycopg.connect(database_url) as connection:
        connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
        for key, sent, made in rows:
            connection.execute(
                "INSERT INTO airside.evaluations (tenant_id, evaluation_id, created_at, ruleset_version,"
                " ruleset_digest, units, request, evaluation) VALUES (%s, %s, %s, '', '', 'ip', %s, %s)",
                (tenant, key, NOON, sent, made),
            )
        r0005_search.complete(connection)
        connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
        asked = "SELECT code, severity::text, evaluation_id FROM airside.evaluation_findings WHERE tenant_id = %s"
        assert connection.execute(asked, (tenant,)).fetchall() == [("airflow_low", "fault", ids[0])]

        def having(*words):
            return connection.execute("SELECT evaluation_id FROM airside.having_words(%s)", (list(words),)).fetchall()

        assert having("mill", "drifted") == [(ids[0],)]
        assert having("elsewhere") == []
        connection.rollback()
