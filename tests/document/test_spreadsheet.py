"""CSV that reads back as it was meant, whatever a client wrote, and that no spreadsheet program computes."""

import csv
import io
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.document.spreadsheet import COLUMNS, header, unreadable

KEPT = datetime(2026, 1, 2, 3, 4, tzinfo=UTC).isoformat()


def read(text):
    return list(csv.reader(io.StringIO(text, newline=""), strict=True))


@given(st.lists(st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")), min_size=4, max_size=4))
def test_any_words_come_back(words):
    """Python's own reader is the check: fields as RFC 4180 has them, an apostrophe apart."""
    for rows, columns in COLUMNS.items():
        first, second = read(header(rows) + unreadable(rows, ["id", KEPT, *words], "kept_visit_unreadable"))
        assert tuple(first) == columns
        assert len(second) == len(columns)
        assert second[:2] == ["id", KEPT]
        assert [cell.removeprefix("'") for cell in second[2:6]] == [word.removeprefix("'") for word in words]
        assert second[-1] == "kept_visit_unreadable"
        assert {*second[6:-1]} <= {""}


@pytest.mark.parametrize("begins", list("=+-@\t\r\n＝＋－＠"))
def test_what_a_spreadsheet_would_compute_is_marked_as_text(begins):
    """The beginnings that OWASP lists under CSV Injection; from memory."""
    cells = [f"{begins}1+1", f"a{begins}", " =1", "'=1"]
    (row,) = read(unreadable("evaluations", ["id", KEPT, *cells], "x"))
    assert row[2:6] == [f"'{begins}1+1", f"a{begins}", " =1", "'=1"]
