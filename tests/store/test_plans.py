"""That no question reads the whole record: every question of `tests.bench.questions`, over 20,000 generated rows.

The plans are those that were carried out, inside the functions, in the role that serves (`tests.bench.plans`).
"""

import asyncio
import uuid

import psycopg
import pytest

from service.store.migrate import migrate
from tests.bench.plans import Watched
from tests.bench.questions import questions
from tests.bench.record import watched
from tests.bench.rows import fill

ROWS = 20_000
MOST_READ = 5_000
"""Rows given on by scans: a look at the 1000 newest, with what is asked of each, and a page of 51 with its findings."""
MOST_DISCARDED = 1_500
"""Rows read and thrown away: of those looked at, and what a planner takes into the bargain."""
GATHERED = {"visited in two years long ago": 3 * ROWS * 0.5 * (700 / 1800)}
"""Read as much as fits, three times: from the index, into what is sorted, out of it. The tenant has half the rows."""


@pytest.fixture(scope="module")
def works(database_server):
    name = f"planned_{uuid.uuid4().hex}"
    with psycopg.connect(database_server.superuser_url, autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name} OWNER airside_owner")
    url, superuser_url = (
        address.replace("/airside?", f"/{name}?")
        for address in (database_server.database_url, database_server.superuser_url)
    )
    migrate(url)
    fill(superuser_url, ROWS)
    yield asyncio.run(watched(url, superuser_url, questions(ROWS)))
    with psycopg.connect(database_server.superuser_url, autocommit=True) as server:
        server.execute(f"DROP DATABASE {name} WITH (FORCE)")


def test_no_question_reads_a_whole_table(works):
    assert len(works) > 50
    assert {name: work.scanned for name, work in works.items() if work.scanned} == {}


def test_what_is_read_is_bounded_by_what_is_answered_not_by_what_is_kept(works):
    read = {name: work.read for name, work in works.items()}
    assert {name: rows for name, rows in read.items() if rows > GATHERED.get(name, 0) + MOST_READ} == {}
    discarded = {name: work.discarded for name, work in works.items()}
    assert {name: rows for name, rows in discarded.items() if rows > MOST_DISCARDED} == {}


@pytest.mark.parametrize(
    ("question", "index"),
    [
        ("all, from a place", "evaluations_newest"),
        ("site", "evaluations_of_site"),
        ("equipment", "evaluations_of_equipment"),
        ("job", "evaluations_of_job"),
        ("severity: hazard", "evaluations_from_hazard"),
        ("severity: fault", "evaluations_from_fault"),
        ("severity: note", "evaluations_from_note"),
        ("finding: rare, from a place", "evaluation_findings_pkey"),
        ("ruleset: old", "evaluations_of_ruleset"),
        ("visited in a month", "evaluations_by_visit"),
        ("word: rare", "evaluation_words_lexemes"),
        ("sent again", "idempotency_pkey"),
        ("one evaluation", "outcomes_newest"),
        ("timeline of a site", "outcomes_newest"),
    ],
)
def test_each_filter_has_its_index(works, question, index):
    assert index in works[question].indexes


def test_what_is_erased_with_an_evaluation_is_found_by_an_index(database_url):
    """PostgreSQL makes no index for a foreign key by itself, and would read the whole table for each row erased."""
    with psycopg.connect(database_url) as connection:
        bare = connection.execute(
            "SELECT conrelid::regclass::text FROM pg_constraint k WHERE contype = 'f' AND confdeltype = 'c'"
            " AND connamespace = 'airside'::regnamespace AND NOT EXISTS (SELECT FROM pg_index i"
            " WHERE i.indrelid = k.conrelid AND (i.indkey::int2[])[0:cardinality(k.conkey) - 1] @> k.conkey)"
        ).fetchall()
        cascading = connection.execute(
            "SELECT count(*) FROM pg_constraint WHERE contype = 'f' AND confrelid = 'airside.evaluations'::regclass"
            " AND confdeltype = 'c'"
        ).fetchone()
    assert cascading[0] >= 4
    assert bare == []


def test_the_measure_sees_a_table_that_is_read_whole(database_server, database_url):
    """So that the tests above can fail: this table of the server has no index on what is asked."""
    watch = Watched(database_server.superuser_url)
    work = watch.work([("SELECT FROM pg_catalog.pg_proc WHERE length(prosrc) > 99999", ())])
    watch.close()
    assert work.scanned == ("pg_proc",)
    assert work.discarded > MOST_DISCARDED
