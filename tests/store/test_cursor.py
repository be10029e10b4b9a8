"""The cursor as text: what is written is read back, anything else is refused."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import CursorRefused
from service.store.cursor import read_cursor, write_cursor
from service.store.database import new_id


@given(st.datetimes(timezones=st.just(UTC)))
def test_a_cursor_is_read_back(moment):
    identifier = new_id()
    cursor = write_cursor(moment, identifier)
    assert read_cursor(cursor) == (moment, identifier)
    assert len(cursor) == 32
    assert cursor.isascii()


@pytest.mark.parametrize("moment", [datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)])
def test_the_ends_of_time_are_read_and_the_next_microsecond_is_refused(moment):
    identifier = new_id()
    assert read_cursor(write_cursor(moment, identifier)) == (moment, identifier)

    class Beyond:
        """A moment one microsecond outside what a datetime holds."""

        def __sub__(self, epoch):
            return (moment - epoch) + timedelta(microseconds=1 if moment.year == 9999 else -1)

    with pytest.raises(CursorRefused):
        read_cursor(write_cursor(Beyond(), identifier))


def test_a_cursor_with_another_kind_of_identifier_is_refused():
    with pytest.raises(CursorRefused):
        read_cursor(write_cursor(datetime(2024, 7, 1, tzinfo=UTC), uuid.uuid4()))


@given(st.text())
def test_any_other_text_is_refused_and_nothing_else_happens(text):
    try:
        moment, identifier = read_cursor(text)
    except CursorRefused:
        return
    assert write_cursor(moment, identifier) == text
