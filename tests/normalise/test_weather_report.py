"""Coded weather reports against the code's published examples; station names are invented.

Groups as published: SLP982 is 998.2 hPa (US Air Force manual 15-111, 2019, table of remarks, and a US Navy training
text); T01280083 is 12.8/8.3 degC and SLP179 is 1017.9 hPa in an archived decode of a real report, and T00331033 with
03/M03 in another.
"""

import datetime
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.normalise.weather import LONGEST_REPORT, WeatherFault, WeatherReport, observed_at, parse_metar
from service.ruleset import load_ruleset, rules_folder

ASSUMPTIONS = load_ruleset(rules_folder()).assumptions
INCH_OF_MERCURY = 3386.389
KNOT = 1852.0 / 3600.0
ALL_GROUPS = "METAR KZZZ 240156Z 26016G22KT 9SM BKN012 13/08 A3006 RMK AO2 PK WND 26027/0109 SLP179 T01280083"
COLD = "KZZZ 191853Z 32014G22KT 290V350 9SM -SN BKN038 OVC047 03/M03 A2989 RMK AO2 SNE1756B45 SLP129 P0000 T00331033"


def read(text: str) -> WeatherReport:
    report = parse_metar(text, ASSUMPTIONS)
    assert isinstance(report, WeatherReport), report
    return report


def refused(text: str) -> WeatherFault:
    fault = parse_metar(text, ASSUMPTIONS)
    assert isinstance(fault, WeatherFault), fault
    assert fault.detail.endswith(".")
    assert fault.remedy.endswith(".")
    return fault


# --- published examples -------------------------------------------------------------------------------------------


def test_every_group_of_an_archived_report() -> None:
    report = read(ALL_GROUPS)
    assert (report.station, report.day, report.hour, report.minute) == ("KZZZ", 24, 1, 56)
    assert report.altimeter_setting == pytest.approx(30.06 * INCH_OF_MERCURY, rel=1e-9)
    assert report.altimeter_step == pytest.approx(33.86389)
    assert report.sea_level_pressure == pytest.approx(101_790.0)
    assert report.temperature == pytest.approx(285.95)
    assert report.dew_point == pytest.approx(281.45)
    assert report.temperature_step == pytest.approx(5.0 / 9.0)
    assert report.wind_speed == pytest.approx(16 * KNOT, rel=1e-5)
    assert report.wind_gust == pytest.approx(22 * KNOT, rel=1e-5)
    assert report.unread == ()
    assert report.set_aside == ()


def test_dew_point_below_freezing_in_tenths() -> None:
    report = read(COLD)
    assert report.temperature == pytest.approx(276.45)
    assert report.dew_point == pytest.approx(269.85)
    assert report.altimeter_setting == pytest.approx(29.89 * INCH_OF_MERCURY)
    assert report.sea_level_pressure == pytest.approx(101_290.0)


def test_whole_degrees_without_the_tenths_group() -> None:
    report = read("KZZZ 191853Z 32014KT 9SM OVC047 03/M03 A2989")
    assert report.temperature == pytest.approx(276.15)
    assert report.dew_point == pytest.approx(270.15)
    assert report.temperature_step == 1.0
    assert report.sea_level_pressure is None
    assert report.wind_gust is None


@pytest.mark.parametrize(
    ("remark", "altimeter", "pascals"),
    [
        ("SLP982", "A2948", 99_820.0),
        ("SLP179", "A3006", 101_790.0),
        ("SLP132", "A3011", 101_320.0),
        ("SLP549", "A3115", 105_490.0),
        ("SLP510", "A2808", 95_100.0),
    ],
)
def test_the_dropped_digits_of_sea_level_pressure(remark: str, altimeter: str, pascals: float) -> None:
    """Tens, units and tenths of hPa; the leading 9 or 10 is the one that fits the altimeter setting."""
    report = read(f"KZZZ 191853Z 32014KT 13/08 {altimeter} RMK {remark}")
    assert report.sea_level_pressure == pytest.approx(pascals)


def test_hectopascals_metres_a_second_and_an_automatic_station() -> None:
    report = read("SPECI LZZZ 050720Z AUTO 24006MPS 9999 M05/M07 Q0998=")
    assert report.altimeter_setting == pytest.approx(99_800.0)
    assert report.altimeter_step == 100.0
    assert report.wind_speed == pytest.approx(6.0)
    assert report.temperature == pytest.approx(268.15)
    assert report.dew_point == pytest.approx(266.15)


def test_both_pressure_groups_agree_and_the_finer_is_taken() -> None:
    """29.91 inHg is 1012.9 hPa, coded Q1012 (rounded down)."""
    report = read("LZZZ 050720Z 12010KT 13/08 Q1012 A2991")
    assert report.altimeter_setting == pytest.approx(29.91 * INCH_OF_MERCURY)
    assert report.set_aside == ()


def test_calm_and_variable_wind() -> None:
    assert read("KZZZ 191853Z 00000KT 13/08 A2989").wind_speed == 0.0
    assert read("KZZZ 191853Z VRB03KT 13/08 A2989").wind_speed == pytest.approx(3 * KNOT, rel=1e-5)


def test_lower_case_and_line_breaks_do_not_matter() -> None:
    assert read(ALL_GROUPS.lower().replace(" ", "\n ")) == read(ALL_GROUPS)


def test_remarks_without_their_mark_and_a_trend() -> None:
    assert read(ALL_GROUPS.replace("RMK ", "")) == read(ALL_GROUPS)
    report = read("LZZZ 050720Z 24006KT 9999 12/11 Q0998 TEMPO 25035G50KT 0500 TSRA")
    assert report.wind_speed == pytest.approx(6 * KNOT, rel=1e-5)
    assert (report.wind_gust, report.unread) == (None, ())


def test_a_remark_nobody_needs_cannot_spoil_the_report() -> None:
    assert read(ALL_GROUPS.replace("26027/0109", "26027/9999")) == read(ALL_GROUPS)


def test_missing_groups_are_none() -> None:
    report = read("KZZZ 191853Z AUTO /////KT //// 08/ A//// RMK SLPNO")
    assert (report.wind_speed, report.altimeter_setting, report.dew_point) == (None, None, None)
    assert report.sea_level_pressure is None
    assert report.temperature == pytest.approx(281.15)
    assert report.set_aside == ()


def test_an_unknown_group_is_passed_over_and_named() -> None:
    report = read("KZZZ 191853Z 32014KT 9SM 13/08 A29.89")
    assert report.altimeter_setting is None
    assert report.unread == ("A29.89",)
    assert report.temperature == pytest.approx(286.15)


# --- groups that cannot be right ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "group", "code", "lost"),
    [
        ("32014KT 13/08 A0989", "A0989", "out_of_range", ["altimeter_setting"]),
        ("32014KT 13/08 Q2989", "Q2989", "out_of_range", ["altimeter_setting"]),
        ("32014KT 13/08 A2989 A2998", "A2998", "groups_disagree", ["altimeter_setting"]),
        ("32014KT 13/08 Q1020 A2989", "Q1020", "groups_disagree", ["altimeter_setting"]),
        ("32014KT 08/13 A2989", "08/13", "dew_point_above_temperature", ["temperature", "dew_point"]),
        ("32014KT 98/13 A2989", "98/13", "out_of_range", ["temperature", "dew_point"]),
        ("32014KT 08/03 A2989 RMK T01280083", "T01280083", "groups_disagree", ["temperature", "dew_point"]),
        ("32014 13/08 A2989", "32014", "wind_unit_missing", ["wind_speed"]),
        ("320P99KT 13/08 A2989", "320P99KT", "wind_beyond_scale", ["wind_speed"]),
        ("32022G14KT 13/08 A2989", "32022G14KT", "gust_below_wind", ["wind_speed", "wind_gust"]),
        ("320190MPS 13/08 A2989", "320190MPS", "out_of_range", ["wind_speed"]),
    ],
)
def test_a_group_that_cannot_be_right_is_set_aside_alone(text: str, group: str, code: str, lost: list[str]) -> None:
    report = read(f"KZZZ 191853Z {text}")
    assert [(fault.group, fault.code) for fault in report.set_aside] == [(group, code)]
    for field in ("altimeter_setting", "temperature", "dew_point", "wind_speed"):
        assert (getattr(report, field) is None) == (field in lost)


def test_one_remark_given_twice() -> None:
    report = read("KZZZ 191853Z 32014KT 13/08 A2989 RMK SLP129 SLP192")
    assert report.sea_level_pressure is None
    assert [(fault.group, fault.code) for fault in report.set_aside] == [("SLP192", "groups_disagree")]


# --- texts that are no report -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "empty_report"),
        (" \n\t", "empty_report"),
        ("RMK SLP129", "empty_report"),
        ("sunny and mild", "not_a_report"),
        ("KZZZ 191853Z", "not_a_report"),
        ("KZZZ 191853Z 13/08 A2989 ½SM", "not_a_report"),
        ("KZZZ 191853Z\x00 13/08 A2989", "not_a_report"),
        ("KZZZ 191853Z 13/08 A\ud800", "not_a_report"),
        ("KZZZ 191853Z NIL", "no_data"),
        ("TAF KZZZ 191720Z 1918/2018 32014KT P6SM", "forecast"),
        ("KZZZ 191720Z 1918/2018 32014KT P6SM", "forecast"),
        (f"{ALL_GROUPS}\n{COLD}", "several_reports"),
        ("A2989 " * 200, "report_too_long"),
    ],
)
def test_refused(text: str, code: str) -> None:
    assert refused(text).code == code


@pytest.mark.parametrize(
    ("text", "group", "words"),
    [
        ("KZZZ 321853Z 32014KT 13/08 A2989", "321853Z", "day and time"),
        ("KZZZ 192460Z 32014KT 13/08 A2989", "192460Z", "day and time"),
        ("KZZZ 191853Z 99914KT 13/08 A2989", "99914KT", "wind"),
    ],
)
def test_an_impossible_group_names_itself(text: str, group: str, words: str) -> None:
    fault = refused(text)
    assert (fault.code, fault.group) == ("unreadable_group", group)
    assert words in fault.detail


# --- day and time -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("near", "expected"),
    [
        ("2026-03-24T02:30:00+00:00", "2026-03-24T01:56:00+00:00"),
        ("2026-03-23T20:30:00-06:00", "2026-03-24T01:56:00+00:00"),
        ("2026-04-02T12:00:00+00:00", "2026-03-24T01:56:00+00:00"),
        ("2026-01-01T12:00:00+00:00", "2025-12-24T01:56:00+00:00"),
        ("2025-12-28T12:00:00+00:00", "2025-12-24T01:56:00+00:00"),
        ("0001-01-01T00:00:00+00:00", "0001-01-24T01:56:00+00:00"),
    ],
)
def test_the_month_is_the_one_nearest_to_the_visit(near: str, expected: str) -> None:
    when = observed_at(read(ALL_GROUPS), datetime.datetime.fromisoformat(near))
    assert when == datetime.datetime.fromisoformat(expected)


def test_the_31st_is_found_from_a_short_month_and_whatever_today_is() -> None:
    report = read("KZZZ 312350Z 32014KT 13/08 A2989")
    near = datetime.datetime(2026, 2, 2, tzinfo=datetime.UTC)
    assert observed_at(report, near) == datetime.datetime(2026, 1, 31, 23, 50, tzinfo=datetime.UTC)


def test_no_time_no_date_and_a_clock_without_offset() -> None:
    report = read("13/08 A2989")
    assert (report.day, report.hour, report.minute) == (None, None, None)
    assert observed_at(report, datetime.datetime(2026, 2, 2, tzinfo=datetime.UTC)) is None
    with pytest.raises(ValueError, match="offset"):
        observed_at(report, datetime.datetime(2026, 2, 2))


# --- any text -----------------------------------------------------------------------------------------------------

GROUPS = [*ALL_GROUPS.split(), *COLD.split(), "1/0SM", "NIL", "TEMPO", "=", "////", "VRB03KT", "Q1013", "AUTO", "$"]


SHREDS = st.text("AGKMPQRST/0123-+V", max_size=8)


@given(st.text(max_size=200) | st.lists(st.sampled_from(GROUPS) | SHREDS).map(" ".join))
def test_any_text_is_read_or_refused(text: str) -> None:
    report = parse_metar(text, ASSUMPTIONS)
    if isinstance(report, WeatherFault):
        assert report.code
        return
    for value in (report.altimeter_setting, report.sea_level_pressure):
        assert value is None or 80_000.0 < value < 120_000.0
    assert report.wind_speed is None or 0.0 <= report.wind_speed <= (report.wind_gust or 115.0)
    if report.temperature is not None and report.dew_point is not None:
        assert 180.0 <= report.dew_point <= report.temperature <= 335.0


@given(st.integers(2700, 3200), st.integers(-40, 45), st.integers(0, 30), st.integers(0, 60), st.integers(0, 30))
def test_what_is_coded_is_read(inches: int, temperature: int, below: int, wind: int, gust: int) -> None:
    def degrees(value: int) -> str:
        return f"M{-value:02d}" if value < 0 else f"{value:02d}"

    gusting = f"G{wind + gust:02d}" if gust else ""
    groups = f"{degrees(temperature)}/{degrees(temperature - below)} A{inches}"
    report = read(f"KZZZ 191853Z 320{wind:02d}{gusting}KT {groups}")
    assert report.altimeter_setting == pytest.approx(inches / 100.0 * INCH_OF_MERCURY)
    assert report.temperature == pytest.approx(temperature + 273.15)
    assert report.dew_point == pytest.approx(temperature - below + 273.15)
    assert report.wind_speed == pytest.approx(wind * KNOT, rel=1e-5)
    assert report.wind_gust == (pytest.approx((wind + gust) * KNOT, rel=1e-5) if gust else None)


@pytest.mark.parametrize("unit", ["/", "1 ", "BLU/", "-", "RA", "+VC", "M", "A2989 ", "TS "])
def test_repeated_groups_end_and_do_not_multiply_the_work(unit: str) -> None:
    """Calls are counted, not time: a parser that starts over at each group would run away on these."""
    calls = 0

    def count(*_: object) -> None:
        nonlocal calls
        calls += 1

    text = ("KZZZ 191853Z " + unit * LONGEST_REPORT)[:LONGEST_REPORT]
    sys.setprofile(count)
    try:
        parse_metar(text, ASSUMPTIONS)
    finally:
        sys.setprofile(None)
    assert calls < 50_000
