"""A coded aviation weather report (METAR or SPECI) into SI values, each group read or set aside with a reason.

The library `metar` decodes the groups. It takes the month from the clock, lets the last of several groups win,
accepts an empty text, and gives up altogether at one group it does not know; here it gets a fixed month, one report,
only the remarks that are used, and keeps what it could read.
"""

from __future__ import annotations

import calendar
import datetime
import re
from collections.abc import Mapping, Sequence

import msgspec
from metar.Datatypes import pressure, temperature
from metar.Metar import Metar, ParserError

from service.model.ruleset import Assumption
from service.physics.air import ALTIMETER_SETTING_RANGE, CELSIUS_ZERO

LONGEST_REPORT = 800
"""Characters; real reports stay below 500 (from memory). The library's work grows with the square of the length."""
INCH_OF_MERCURY = 3386.389
"""Pa; the library's own factor is 2.7e-6 too large."""

_TIME = re.compile(r"\d{6}Z")
_FORECAST_PERIOD = re.compile(r"\d{4}/\d{4}")
_WIND_WITHOUT_UNIT = re.compile(r"(?:\d{3}|VRB)P?\d{2,3}(?:GP?\d{2,3})?")
_WIND_BEYOND_SCALE = re.compile(r"(?:\d{3}|VRB)(?:P\d|\d{2,3}GP).*")
_PRESSURE = re.compile(r"(?:A|Q|QNH)\d{4}(?:INS)?")
_SEA_LEVEL_PRESSURE = re.compile(r"SLP\d{3}")
_TENTHS = re.compile(r"T[01]\d{3}(?:[01]\d{3})?")
_TEMPERATURES = re.compile(r"(?:M|-)?\d{1,2}/(?:(?:M|-)?\d{1,2})?")
_WIND = re.compile(r"(?:\d{3}|VRB)\d{2,3}(?:G\d{1,3})?(?:KTS?|KMH|MPS)")
# Some stations leave out the word RMK; the kind of the automatic station then comes first.
_REMARKS = frozenset({"RMK", "AO1", "AO2", "AO2A"})
_TREND = frozenset({"TEMPO", "BECMG", "NOSIG"})
_GROUP_OF = {"_handleTime": "day and time", "_handleWind": "wind"}


class WeatherFault(msgspec.Struct, frozen=True):
    """What is wrong with a report or with one of its groups.

    Attributes:
        group: the group as written, empty where it is the whole report.
        code: stable, machine-readable.
        detail: what is wrong, in words.
        remedy: what to send instead.
    """

    group: str
    code: str
    detail: str
    remedy: str


class WeatherReport(msgspec.Struct, frozen=True):
    """What a weather report says, in SI units; None where it does not say.

    Attributes:
        station: four-character location indicator.
        day, hour, minute: of the observation, UTC; a report does not name the month.
        altimeter_setting: Pa, sea-level pressure by the standard atmosphere. A Q group is rounded down to 1 hPa.
        altimeter_step: Pa, smallest step of that group: 0.01 inHg or 1 hPa.
        sea_level_pressure: Pa, reduced with the day's temperature; another number than the altimeter setting.
        temperature, dew_point: K; dew point is over water also below freezing.
        temperature_step: K, smallest step of both: 1, or 5/9 with the tenths group, since automatic stations of the
            United States round to whole degrees Fahrenheit before they convert (from memory).
        wind_speed, wind_gust: m/s, ten-metre mast.
        unread: groups that could not be read and were passed over.
        set_aside: groups that were read and cannot be right.
    """

    station: str | None
    day: int | None
    hour: int | None
    minute: int | None
    altimeter_setting: float | None
    altimeter_step: float | None
    sea_level_pressure: float | None
    temperature: float | None
    dew_point: float | None
    temperature_step: float | None
    wind_speed: float | None
    wind_gust: float | None
    unread: tuple[str, ...] = ()
    set_aside: tuple[WeatherFault, ...] = ()


def parse_metar(text: str, assumptions: Mapping[str, Assumption]) -> WeatherReport | WeatherFault:
    """The report in `text`, or what is wrong with it; `assumptions` bound what can be true. Never raises.

    Source of the code form: WMO-No. 306 FM 15; remarks after the US Federal Meteorological Handbook No. 1.
    """
    if len(text) > LONGEST_REPORT:
        return _refused("report_too_long", f"A weather report is shorter than {LONGEST_REPORT} characters.")
    if not text.isascii() or any(not (character.isprintable() or character.isspace()) for character in text):
        return _refused("not_a_report", "A weather report holds letters, digits and few signs only.")
    tokens = text.upper().replace("=", " ").split()
    if sum(1 for token in tokens if _TIME.fullmatch(token)) > 1:
        return _refused("several_reports", "There is more than one weather report in the text.")
    body, remarks = _split(tokens)
    fault = _whole(body)
    if fault is not None:
        return fault
    return _Reader(body, remarks, assumptions).report()


def observed_at(report: WeatherReport, near: datetime.datetime) -> datetime.datetime | None:
    """Time of the observation, in the month that brings it nearest to `near`; `ValueError` if that has no offset."""
    if near.tzinfo is None:
        raise ValueError("near carries no offset")
    if report.day is None or report.hour is None or report.minute is None:
        return None
    centre = near.astimezone(datetime.UTC)
    candidates = []
    for shift in (-1, 0, 1):
        year, month = divmod(centre.year * 12 + centre.month - 1 + shift, 12)
        if datetime.MINYEAR <= year <= datetime.MAXYEAR and report.day <= calendar.monthrange(year, month + 1)[1]:
            candidates.append(
                datetime.datetime(year, month + 1, report.day, report.hour, report.minute, tzinfo=datetime.UTC)
            )
    return min(candidates, key=lambda each: abs(each - centre))


def temperature_on_earth(kelvin: float, assumptions: Mapping[str, Assumption]) -> bool:
    """Whether air anywhere near the ground has this temperature."""
    lowest, highest = assumptions["weather_lowest_temperature"].value, assumptions["weather_highest_temperature"].value
    return lowest <= kelvin - CELSIUS_ZERO <= highest


def _split(tokens: Sequence[str]) -> tuple[list[str], list[str]]:
    """Groups of the observation, and of its remarks; a trend forecast between the two is left out."""
    place = next((i for i, token in enumerate(tokens) if token in _REMARKS), len(tokens))
    observation = tokens[:place]
    end = next((i for i, token in enumerate(observation) if token in _TREND), len(observation))
    return list(observation[:end]), list(tokens[place + 1 :])


def _whole(body: Sequence[str]) -> WeatherFault | None:
    if not body:
        return _refused("empty_report", "There is no weather report in the text.")
    if body[0] == "TAF" or any(_FORECAST_PERIOD.fullmatch(token) for token in body):
        return _refused("forecast", "This is a forecast, not an observation.")
    if "NIL" in body:
        return _refused("no_data", "The station reported no data (NIL).")
    return None


class _Decoded(Metar):
    """Keeps what was decoded when a group could not be; the library raises and throws all of it away."""

    def __init__(self, groups: Sequence[str]) -> None:
        self.failure = ""
        try:
            # A month of 31 days; the library would ask the clock.
            super().__init__(" ".join(groups), month=1, year=2000)
        except ParserError as refused:
            self.failure = str(refused)


class _Reader:
    def __init__(self, body: Sequence[str], remarks: Sequence[str], assumptions: Mapping[str, Assumption]) -> None:
        self.assumptions = assumptions
        self.set_aside: list[WeatherFault] = []
        self.sea_level = self._one(_SEA_LEVEL_PRESSURE, [*body, *remarks])
        self.tenths = self._one(_TENTHS, [*body, *remarks])
        self.body = [t for t in body if not (_SEA_LEVEL_PRESSURE.fullmatch(t) or _TENTHS.fullmatch(t))]

    def report(self) -> WeatherReport | WeatherFault:
        decoded = _Decoded(self.body)
        handler, failed, rest = decoded.failure.partition(" failed while processing '")
        if failed:
            name = _GROUP_OF.get(handler, "this")
            return WeatherFault(
                rest.split(" ", 1)[0],
                "unreadable_group",
                f"The {name} group of the weather report cannot be read.",
                "Correct the group, leave it out, or send the values as fields.",
            )
        remarks = _Decoded(["RMK", *(group for group in (self.sea_level, self.tenths) if group)])
        altimeter, step = self._altimeter(decoded)
        temperature, dew_point, temperature_step = self._temperatures(decoded, remarks)
        wind, gust = self._wind(decoded)
        sea_level = self._sea_level_pressure(remarks, altimeter)
        if altimeter is None and sea_level is None and temperature is None and wind is None:
            if self.set_aside:
                return self.set_aside[0]
            return _refused("not_a_report", "No pressure, temperature or wind group was found in the text.")
        observed = decoded.time
        return WeatherReport(
            station=decoded.station_id,
            day=None if observed is None else observed.day,
            hour=None if observed is None else observed.hour,
            minute=None if observed is None else observed.minute,
            altimeter_setting=altimeter,
            altimeter_step=step,
            sea_level_pressure=sea_level,
            temperature=temperature,
            dew_point=dew_point,
            temperature_step=temperature_step,
            wind_speed=wind,
            wind_gust=gust,
            unread=tuple(decoded._unparsed_groups),
            set_aside=tuple(self.set_aside),
        )

    def _altimeter(self, decoded: Metar) -> tuple[float | None, float | None]:
        groups = [token for token in self.body if _PRESSURE.fullmatch(token)]
        if not groups or decoded.press is None:
            return None, None
        read = [(each, _pascals(press)) for each in groups if (press := _Decoded([each]).press) is not None]
        # Inches are the finer step. Whole hectopascals are rounded down, so the two may part by 1 hPa and a bit.
        read.sort(key=lambda pair: not _in_inches(pair[0]))
        group, value = read[0]
        for other, its in read[1:]:
            if abs(its - value) > self.assumptions["weather_pressure_groups"].value:
                self._aside(other, "groups_disagree", "The report has two pressure groups that disagree.")
                return None, None
        if not ALTIMETER_SETTING_RANGE[0] <= value <= ALTIMETER_SETTING_RANGE[1]:
            self._aside(group, "out_of_range", "No sea-level pressure on Earth has this value.")
            return None, None
        return value, 0.01 * INCH_OF_MERCURY if _in_inches(group) else 100.0

    def _sea_level_pressure(self, remarks: Metar, altimeter: float | None) -> float | None:
        if remarks.press_sea_level is None:
            return None
        value = remarks.press_sea_level.value("HPA") * 100.0
        if altimeter is None:
            return value
        # The leading 9 or 10 is not coded; the altimeter setting of the same air tells it.
        return min((value - 10_000.0, value, value + 10_000.0), key=lambda each: abs(each - altimeter))

    def _temperatures(self, decoded: Metar, remarks: Metar) -> tuple[float | None, float | None, float | None]:
        whole = _kelvin(decoded.temp), _kelvin(decoded.dewpt)
        tenths = _kelvin(remarks.temp), _kelvin(remarks.dewpt)
        group = self.tenths or next((token for token in self.body if _TEMPERATURES.fullmatch(token)), "")
        for rough, fine in zip(whole, tenths, strict=True):
            if (
                rough is not None
                and fine is not None
                and abs(rough - fine) > self.assumptions["weather_temperature_groups"].value
            ):
                self._aside(group, "groups_disagree", "The tenths group does not round to the whole-degree group.")
                return None, None, None
        finer = tenths[0] is not None and (tenths[1] is not None or whole[1] is None)
        temperature, dew_point = tenths if finer else whole
        if temperature is None:
            return None, None, None
        if not temperature_on_earth(temperature, self.assumptions):
            self._aside(group, "out_of_range", "No air temperature on Earth has this value.")
            return None, None, None
        if dew_point is not None and dew_point > temperature:
            self._aside(group, "dew_point_above_temperature", "A dew point cannot be above the temperature.")
            return None, None, None
        return temperature, dew_point, 5.0 / 9.0 if finer else 1.0

    def _wind(self, decoded: Metar) -> tuple[float | None, float | None]:
        if decoded.wind_speed is None:
            return None, None
        for token in self.body:
            if _WIND_WITHOUT_UNIT.fullmatch(token):
                self._aside(token, "wind_unit_missing", "The wind group does not end in its unit.")
                return None, None
            if _WIND_BEYOND_SCALE.fullmatch(token):
                self._aside(token, "wind_beyond_scale", "The wind was stronger than the report can say.")
                return None, None
        speed = decoded.wind_speed.value("MPS")
        gust = None if decoded.wind_gust is None else decoded.wind_gust.value("MPS")
        group = next((token for token in self.body if _WIND.fullmatch(token)), "")
        if max(speed, gust or 0.0) > self.assumptions["weather_highest_wind"].value:
            self._aside(group, "out_of_range", "No wind at a weather station has this speed.")
            return None, None
        if gust is not None and gust < speed:
            self._aside(group, "gust_below_wind", "A gust cannot be slower than the mean wind.")
            return None, None
        return speed, gust

    def _one(self, pattern: re.Pattern[str], tokens: Sequence[str]) -> str | None:
        found = sorted({token for token in tokens if pattern.fullmatch(token)})
        if len(found) > 1:
            self._aside(found[1], "groups_disagree", "The report has this group twice, with different digits.")
            return None
        return found[0] if found else None

    def _aside(self, group: str, code: str, detail: str) -> None:
        remedy = "Compare the group with the report as issued, or send the value as a field."
        self.set_aside.append(WeatherFault(group, code, detail, remedy))


def _in_inches(group: str) -> bool:
    return group.startswith("A") or group.endswith("INS")


def _pascals(reading: pressure) -> float:
    # As coded; the library's conversion between units is bypassed.
    inches = reading.value("IN")
    return inches * INCH_OF_MERCURY if reading.value() == inches else reading.value("HPA") * 100.0


def _kelvin(reading: temperature | None) -> float | None:
    return None if reading is None else reading.value("C") + CELSIUS_ZERO


def _refused(code: str, detail: str) -> WeatherFault:
    return WeatherFault(
        "", code, detail, "Send one METAR or SPECI as issued, or the altimeter setting and temperature as fields."
    )
