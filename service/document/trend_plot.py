"""Plot of a quantity over visits: points with error bars, the robust line with its band, limits, and the forecast.

What the line rests on, and what it leaves out, differ by the shape of their marks; line, what it is carried on to, and
limits by their dash.
"""

import datetime
import math
from collections.abc import Iterator, Sequence

from service.document.svg import ACCENT, FONT, INK, SOFT, Drawing, Scale, wrapped
from service.model.quantity import Measured
from service.model.ruleset import Ruleset
from service.model.trend import FollowedTrend, Forecast, Line
from service.model.units import UnitSystem, UnitTable
from service.wire.render import COVERAGE_FACTOR
from service.wire.speech import Speech
from service.wire.trends import DAY, NOT_FORESEEN_BECAUSE, Read, refusal_in_words

WIDTH, HEIGHT = 760.0, 430.0
LEFT, RIGHT, TOP, BOTTOM = 74.0, 736.0, 44.0, 326.0
LONGEST_UPRIGHT = 46
"""Characters of a title beside the plot that do not run out of it."""

CARRIED_ON = 1.5
"""The axis goes on behind the newest visit by at most this share of what lies before it."""

MONTHS = (1, 2, 3, 6, 12, 24, 60, 120, 240, 600, 1200)
DAYS = (1, 2, 7)


class DateScale(Scale):
    """A scale over moments, in s since 1970, with ticks at the first of months or years; of days where they are few."""

    def __init__(self, low: float, high: float, start: float, end: float, most: int = 8) -> None:
        first, last = _moment(low), _moment(high)
        self.ticks, self.labels = next(
            found for found in _date_ticks(first, last) if len(found[0]) <= most and len(found[0]) >= 2
        )
        self.low, self.high = min(low, self.ticks[0]), max(high, self.ticks[-1])
        self.start, self.end = start, end


def _moment(seconds: float) -> datetime.datetime:
    return datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC) + datetime.timedelta(seconds=seconds)


def _seconds(moment: datetime.datetime) -> float:
    return (moment - datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)).total_seconds()


def _date_ticks(first: datetime.datetime, last: datetime.datetime) -> Iterator[tuple[list[float], list[str]]]:
    """Ticks that cover two moments with their labels, from the closest on."""
    day = first.replace(hour=0, minute=0, second=0, microsecond=0)
    for step in DAYS:
        count = math.ceil((last - day) / datetime.timedelta(days=step))
        if count < 8:
            days = [day + datetime.timedelta(days=step * index) for index in range(max(count, 1) + 1)]
            yield [_seconds(one) for one in days], [one.date().isoformat() for one in days]
    for step in MONTHS:
        month = first.year * 12 + first.month - 1
        month -= month % step
        ticks, labels = [], []
        while True:
            year, index = divmod(month, 12)
            tick = datetime.datetime(year, index + 1, 1, tzinfo=datetime.UTC)
            ticks.append(_seconds(tick))
            labels.append(f"{year}" if step % 12 == 0 else f"{year}-{index + 1:02d}")
            if tick >= last or len(ticks) > 12:
                break
            month += step
        yield ticks, labels


def trend_plot(
    found: FollowedTrend,
    read: Read,
    rules: Ruleset,
    units: UnitTable,
    system: UnitSystem,
    speech: Speech,
    font: str = FONT,
) -> str:
    """The trend as SVG, in a unit system and a language; without a line, the points and why there is none."""
    return _Pen(found, read, rules, units, system, speech).drawn(font)


class _Pen:
    def __init__(
        self, found: FollowedTrend, read: Read, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech
    ) -> None:
        self.found, self.read, self.units, self.system, self.speech = found, read, units, system, speech
        entry = rules.quantities.get(found.asked.quantity)
        self.dimension = "count" if entry is None else entry.dimension
        self.name = found.asked.quantity if entry is None else speech.say(entry.title)
        self.against_time = found.asked.against == "time"
        self.rules = rules
        # Places along: s since 1970, or s since the filter was changed.
        origin = found.points[0].at if found.points else None
        self.origin = _seconds(origin) if self.against_time and origin is not None else 0.0
        self.marks = [
            (self.place(point.at) if point.used_for is None else point.used_for, point.value) for point in found.points
        ]
        others = found.left_out if self.against_time else ()
        self.others = [(self.place(left.at), left.value, left.reason) for left in others if left.value is not None]

    def place(self, at: datetime.datetime) -> float:
        return _seconds(at)

    def say(self, phrase: str, **parts: str) -> str:
        return self.speech.fill(phrase, **parts)

    def shown(self, value: float) -> float:
        return self.units.shown(self.dimension, value, self.system)[0]

    def words(self, value: float, uncertainty: float | None = None) -> str:
        symbol = self.units.display[self.dimension][self.system].scale.symbol
        text = self.units.words(self.dimension, value, self.system, uncertainty)
        return text.removesuffix(symbol) + self.speech.say(symbol) if symbol else text

    @property
    def title(self) -> str:
        where = self.found.where
        parts = [self.read.equipment_reference]
        if where is not None:
            parts += [where.state.label or where.state.id, where.state.speed_setting or "", where.area or ""]
        return f"{self.name}: {', '.join(part for part in parts if part)}"

    # Drawing ---------------------------------------------------------------------------------------------------

    def drawn(self, font: str) -> str:
        remarks = self.remarks()
        lines = [line for remark in remarks for line in wrapped(remark, 132)]
        empty = not (self.marks or self.others)
        base = 46.0 if empty else HEIGHT - 8
        height = base + 8 + 16 * max(len(lines) - empty, 0)
        drawing = Drawing(
            WIDTH, height, self.title, " ".join([*self.in_words(), *remarks]), font=font, language=self.speech.code
        )
        drawing.words(LEFT - 60, 22, self.title, bold=True, size=14)
        if not empty:
            self.plot(drawing)
        for index, line in enumerate(lines):
            drawing.words(LEFT - 60, base + 16 * index, line, size=11.5)
        if not empty:
            bars = self.say("Bars: expanded uncertainty, coverage factor 2")
            drawing.words(LEFT - 60, height - 8, bars, size=11, ink=SOFT)
        return drawing.text()

    def plot(self, drawing: Drawing) -> None:
        across, up = self.scales()
        unit = self.speech.say(self.units.display[self.dimension][self.system].scale.symbol)
        labels = across.labels if isinstance(across, DateScale) else None
        name = f"{self.name}, {unit}" if unit else self.name
        if len(name) > LONGEST_UPRIGHT:  # the title of the plot has it
            name = unit
        under = self.say("Visit") if self.against_time else self.say("Days since the filter was changed")
        line = self.found.line
        if line is not None:
            self.band(drawing, line, across, up)
        drawing.axes(across, up, under, name, across_labels=labels)
        restarts = sorted({self.place(restart.at) for restart in self.found.restarts}) if self.against_time else []
        begun = [x for x in map(across, restarts) if LEFT <= x <= RIGHT]
        for x in begun:
            drawing.line([(x, up.start), (x, up.end)], ink=SOFT, width=1.2, dash="dotted")
            drawing.words(x + 4, up.end + 10, self.say("work done"), ink=SOFT, size=11)
        for criterion, side, limit in self.found.limits:
            y = self.shown(limit)
            if up.holds(y):
                drawing.line([(LEFT, up(y)), (RIGHT, up(y))], ink=INK, width=1.4, dash="chained")
                text = self.say("limit: {limit}", limit=self.words(limit))
                below = side == "lower"
                x = LEFT + 6
                for start in begun:  # beside the lines where work was done
                    x = start + 6 if x - 2 < start < x + 5.8 * len(text) else x
                drawing.words(x, up(y) + (14 if below else -6), text, size=11)
                self.forecast(drawing, criterion, limit, across, up)
        if line is not None:
            self.line(drawing, line, across, up)
        for x, value, reason in self.others:
            self.mark(
                drawing, across(self.along(x)), value, up, "triangle" if reason != "before_work" else "disc", True
            )
        for x, value in self.marks:
            self.mark(drawing, across(self.along(x)), value, up, "disc", False)
        self.legend(drawing)

    def along(self, place: float) -> float:
        return place if self.against_time else place / DAY

    def scales(self) -> tuple[Scale, Scale]:
        places = [x for x, _ in self.marks] + [x for x, _, _ in self.others]
        first, newest = min(places), max(places)
        last = newest + max(0.04 * (newest - first), 0.5 * DAY)
        for forecast in self.found.forecasts:
            ends = [end for end in (forecast.expected, forecast.latest) if end is not None]
            if ends:
                now = self.marks[-1][0]
                last = max(last, min(now + 1.05 * max(ends), newest + CARRIED_ON * max(newest - first, DAY)))
        self.last = last
        values = [v for _, v in self.marks] + [v for _, v, _ in self.others]
        ends = [self.shown(v.value + sign * COVERAGE_FACTOR * v.uncertainty) for v in values for sign in (1.0, -1.0)]
        line = self.found.line
        if line is not None:
            ends += [self.shown(line.at(x - self.origin).value) for x in (self.origin + line.first, last)]
        low, high = min(ends), max(ends)
        reach = max(high - low, 0.1 * abs(high))
        for limit in (self.shown(limit) for _, _, limit in self.found.limits):
            if low - reach <= limit <= high + reach:
                low, high = min(low, limit), max(high, limit + 0.04 * reach)
        up = Scale(low, high, BOTTOM, TOP)
        if self.against_time:
            return DateScale(first, last, LEFT, RIGHT), up
        return Scale(min(first, 0.0) / DAY, last / DAY, LEFT, RIGHT), up

    def steps(self, line: Line, until: float) -> list[float]:
        """Places along the line, from its first point on."""
        start = self.origin + line.first
        return [start + (until - start) * index / 40 for index in range(41)]

    def band(self, drawing: Drawing, line: Line, across: Scale, up: Scale) -> None:
        upper: list[tuple[float, float]] = []
        lower: list[tuple[float, float]] = []
        for x in self.steps(line, min(self.last, _end(across, self.against_time))):
            value = line.at(x - self.origin)
            for side, sign in ((upper, 1.0), (lower, -1.0)):
                edge = self.shown(value.value + sign * line.factor * value.uncertainty)
                side.append((across(self.along(x)), up(min(max(edge, up.low), up.high))))
        drawing.area([*upper, *reversed(lower)])

    def line(self, drawing: Drawing, line: Line, across: Scale, up: Scale) -> None:
        now = self.origin + line.last
        for places, dash in (
            (self.steps(line, now), "solid"),
            ([now, min(self.last, _end(across, self.against_time))], "dashed"),
        ):
            ends = [(x, self.shown(line.at(x - self.origin).value)) for x in (places[0], places[-1])]
            drawing.line([(across(self.along(x)), up(y)) for x, y in _held(ends, up)], ink=ACCENT, width=2.0, dash=dash)

    def forecast(self, drawing: Drawing, criterion: str, limit: float, across: Scale, up: Scale) -> None:
        for one in self.found.forecasts:
            if (one.criterion, one.limit, one.outcome) != (criterion, limit, "foreseen"):
                continue
            now, y = self.marks[-1][0], up(self.shown(limit))
            assert one.earliest is not None
            assert one.latest is not None
            assert one.expected is not None
            end = _end(across, self.against_time)
            low, high = (min(now + after, end) for after in (one.earliest, one.latest))
            if now + one.latest <= end:
                drawing.error_bar(y, across(self.along(low)), across(self.along(high)), upright=False, ink=ACCENT)
            else:  # goes on beyond the plot
                drawing.line([(across(self.along(low)), y), (across(self.along(high)), y)], ink=ACCENT, width=2.4)
            if now + one.expected <= end:
                drawing.mark(across(self.along(now + one.expected)), y, "diamond", open_=True, ink=ACCENT)

    def mark(self, drawing: Drawing, x: float, value: Measured, up: Scale, shape: str, open_: bool) -> None:
        ink = SOFT if open_ else INK
        spread = COVERAGE_FACTOR * value.uncertainty
        if spread > 0.0:
            low, high = (up(self.shown(value.value + sign * spread)) for sign in (-1.0, 1.0))
            drawing.error_bar(x, low, high, ink=ink)
        drawing.mark(x, up(self.shown(value.value)), shape, open_=open_, ink=ink)

    def legend(self, drawing: Drawing) -> None:
        entries = [("disc", False, INK, self.say("compared"))] if self.marks else []
        if any(reason == "before_work" for _, _, reason in self.others):
            entries.append(("disc", True, SOFT, self.say("before work was done")))
        if any(reason != "before_work" for _, _, reason in self.others):
            entries.append(("triangle", True, SOFT, self.say("not to be compared")))
        if self.found.line is not None:
            entries.append(("line", False, ACCENT, self.say("robust line and its band")))
        if any(one.outcome == "foreseen" for one in self.found.forecasts):
            entries.append(("diamond", True, ACCENT, self.say("limit reached")))
        x, y = LEFT - 52, BOTTOM + 68
        for shape, open_, ink, text in entries:
            if shape == "line":
                drawing.line([(x - 8, y - 4), (x + 10, y - 4)], ink=ink, width=2.0)
            else:
                drawing.mark(x, y - 4, shape, open_=open_, ink=ink)
            drawing.words(x + 14, y, text, size=11)
            x += 34 + 5.8 * len(text)

    # Words -----------------------------------------------------------------------------------------------------

    def remarks(self) -> list[str]:
        """Under the plot: what is foreseen, or why nothing is."""
        if self.found.refusal is not None:
            return [refusal_in_words(self.found.refusal, self.speech)]
        told = [self.foreseen(forecast) for forecast in self.found.forecasts]
        return [text for text in told if text is not None]

    def foreseen(self, forecast: Forecast) -> str | None:
        title = self.speech.say(self.rules.criteria[forecast.criterion].title)
        limit = "" if forecast.limit is None else self.words(forecast.limit)
        line = self.found.line
        if forecast.outcome == "already_beyond":
            return self.say("{title}: the newest visit is beyond the limit of {limit}.", title=title, limit=limit)
        if forecast.outcome == "foreseen" and line is not None:
            days = [self.day(after) for after in (forecast.expected, forecast.earliest, forecast.latest)]
            return self.say(
                "{title}: limit of {limit} reached about {expected}, between {earliest} and {latest} ({confidence}).",
                title=title,
                limit=limit,
                expected=days[0],
                earliest=days[1],
                latest=days[2],
                confidence=f"{100 * line.confidence:.0f}%",
            )
        if forecast.no_earlier_than is not None:
            return self.say(
                "{title}: limit of {limit} not reached before {day}.",
                title=title,
                limit=limit,
                day=self.day(forecast.no_earlier_than),
            )
        if forecast.reason is None or forecast.reason == "moves_away":
            return None
        why = self.speech.say(NOT_FORESEEN_BECAUSE[forecast.reason])
        return f"{title}: {why}"

    def day(self, after: float | None) -> str:
        moment = self.found.points[-1].at + datetime.timedelta(seconds=after or 0.0)
        return moment.date().isoformat()

    def in_words(self) -> Iterator[str]:
        for point in self.found.points:
            value = self.words(point.value.value, point.value.uncertainty)
            yield f"{point.at.date().isoformat()}: {value}."


def _end(across: Scale, against_time: bool) -> float:
    return across.high if against_time else across.high * DAY


def _held(ends: Sequence[tuple[float, float]], up: Scale) -> list[tuple[float, float]]:
    """A straight piece as far as the plot holds it."""
    (x0, y0), (x1, y1) = ends
    if y0 == y1:
        return list(ends)
    cuts = sorted(((up.low - y0) / (y1 - y0), (up.high - y0) / (y1 - y0)))
    enters, leaves = max(0.0, cuts[0]), min(1.0, cuts[1])
    return [(x0 + share * (x1 - x0), y0 + share * (y1 - y0)) for share in (enters, leaves)] if enters < leaves else []
