"""Query strings: each parameter known, given once, within its bounds."""

import datetime

import pytest
from msgspec import UNSET

from service.wire.faults import RequestRefused
from service.wire.query import ComparisonQuery, ListQuery, NoQuery, ReadQuery, decode_query


def faults(text: bytes) -> dict[str, str]:
    with pytest.raises(RequestRefused) as refused:
        decode_query(text, ListQuery)
    return {str(fault.parameter or "?"): fault.code for fault in refused.value.faults}


def test_nothing_asked_gives_the_defaults() -> None:
    assert decode_query(b"", ListQuery) == ListQuery()
    assert decode_query(b"", ReadQuery).units is UNSET


def test_everything_asked_is_understood() -> None:
    query = decode_query(
        b"limit=7&site_reference=site%3A1&minimum_severity=fault&created_from=2026-07-14T15:30:00%2B02:00", ListQuery
    )
    assert query.limit == 7
    assert query.site_reference == "site:1"
    assert query.minimum_severity == "fault"
    assert query.created_from == datetime.datetime(2026, 7, 14, 13, 30, tzinfo=datetime.UTC)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (b"limit=0", {"limit": "out_of_range"}),
        (b"limit=201", {"limit": "out_of_range"}),
        (b"limit=", {"limit": "out_of_range"}),
        (b"limit=1.0", {"limit": "out_of_range"}),
        (b"limit=+1", {"limit": "out_of_range"}),
        (b"limit=%D9%A1", {"limit": "out_of_range"}),
        (b"limit=" + b"9" * 5000, {"limit": "out_of_range"}),
        (b"limit=1&limit=1", {"limit": "given_twice"}),
        (b"cursor=abc", {"cursor": "pattern"}),
        (b"cursor=" + b"a" * 32 + b"%0A", {"cursor": "pattern"}),
        (b"site_reference=a%00", {"site_reference": "pattern"}),
        (b"minimum_severity=FAULT", {"minimum_severity": "unknown_value"}),
        (b"created_from=nan", {"created_from": "wrong_format"}),
        (b"created_from=1700000000", {"created_from": "wrong_format"}),
        (b"created_from=2026-07-14T15:30:00", {"created_from": "wrong_format"}),
        (b"created_before=0001-01-01T00:00:00Z", {"created_before": "wrong_format"}),
        (b"offset=3", {"?": "unknown_field"}),
        (b"Limit=3", {"?": "unknown_field"}),
        (b"limit=x&cursor=x", {"limit": "out_of_range", "cursor": "pattern"}),
        (b"site_reference=%FF", {"?": "wrong_format"}),
        (b"&".join(b"a=1" for _ in range(60)), {"?": "wrong_format"}),
    ],
)
def test_each_fault_names_its_parameter(text: bytes, expected: dict[str, str]) -> None:
    assert faults(text) == expected


def test_a_parameter_where_none_is_known() -> None:
    with pytest.raises(RequestRefused):
        decode_query(b"units=ip", NoQuery)


@pytest.mark.parametrize("ruleset", ["", "0" * 41])
def test_a_parameter_without_a_pattern_is_refused_by_its_length(ruleset: str) -> None:
    one = "e3e70682-c209-4cac-a29f-6fbed82c07cd"
    with pytest.raises(RequestRefused) as refused:
        decode_query(f"before={one}&after={one}&ruleset={ruleset}".encode(), ComparisonQuery)
    (fault,) = refused.value.faults
    assert (fault.parameter, fault.code, fault.detail) == ("ruleset", "out_of_range", "must have 1 to 40 characters")
