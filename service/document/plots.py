"""Plots of one operating context: pressure along the air path, and the blower's curve against the system's.

What was read, carried over or projected differs by the shape of its mark; lines that differ, by their dash.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from typing import Literal

import msgspec

from service.document.svg import ACCENT, FONT, INK, SOFT, Drawing, Scale, decimal, wrapped
from service.model.evaluation import ContextResult, Evaluation
from service.model.figure import AirPath, BlowerAgainstSystem, ContextFigures
from service.model.quantity import Measured
from service.model.ruleset import Ruleset
from service.model.units import UnitSystem, UnitTable
from service.wire.speech import ENGLISH, Speech

COVERAGE_FACTOR = 2.0
WIDTH, HEIGHT = 760.0, 430.0
LEFT, RIGHT, TOP = 74.0, 736.0, 40.0
MOST_PROJECTED = 5
"""Projected points in one plot; those that would bring most."""

KNOWN_STATIONS = 2
"""Stations with a pressure, beside the open ends, from which a profile says something."""


PlotKind = Literal["air_path", "blower_and_system"]


class Plot(msgspec.Struct, frozen=True):
    """A drawing with what it is called, what it shows in words, and where it belongs.

    `kind` is `air_path` or `blower_and_system`; `name` tells it from the others of its evaluation.
    """

    name: str
    kind: PlotKind
    state: str
    area: str | None
    title: str
    description: str
    svg: str


def plots_of(
    evaluation: Evaluation,
    figures: Sequence[ContextFigures],
    rules: Ruleset,
    units: UnitTable,
    system: UnitSystem,
    speech: Speech = ENGLISH,
    font: str = FONT,
) -> tuple[Plot, ...]:
    """Every plot that the visit's readings allow, context by context; none where they tell too little.

    Parameters
    ----------
    evaluation : of the visit; what repairs are projected to bring is taken from it
    figures : of the same visit, by the same version of the rules
    font : families of the words, for where the usual ones are not at hand
    """
    results = {(context.state.id, context.area): context for context in evaluation.contexts}
    plots: list[Plot] = []
    for place, entry in enumerate(figures, start=1):
        pen = _Pen(entry, rules, units, system, speech, font)
        if entry.path is not None and tells_enough(entry.path):
            plots.append(pen.air_path(entry.path, place))
        if entry.blower is not None:
            context = results.get((entry.state.id, entry.area))
            plots.append(pen.blower_and_system(entry.blower, place, context))
    return tuple(plots)


def air_paths_of_both(
    pairs: Sequence[tuple[ContextFigures, ContextFigures]],
    rules: Ruleset,
    units: UnitTable,
    system: UnitSystem,
    speech: Speech = ENGLISH,
    font: str = FONT,
) -> tuple[Plot, ...]:
    """Pressure along the air path before and after, both on one scale, for each pair where both visits tell it."""
    plots: list[Plot] = []
    for place, pair in enumerate(pairs, start=1):
        before, after = (_Pen(entry, rules, units, system, speech, font) for entry in pair)
        paths = [entry.path for entry in pair if entry.path is not None and tells_enough(entry.path)]
        if len(paths) == len(pair):
            ends = [*before.ends(paths[0]), *after.ends(paths[1])]
            titles = ("Static pressure along the air path, before: {where}",
                      "Static pressure along the air path, after: {where}")  # fmt: skip
            plots += [
                pen.air_path(path, place, title=title, cover=ends)
                for pen, path, title in zip((before, after), paths, titles, strict=True)
            ]
    return tuple(plots)


def tells_enough(path: AirPath) -> bool:
    """Whether a profile of the path says something."""
    return sum(s.read or s.pressure is not None for s in path.stations[1:-1]) >= KNOWN_STATIONS


class _Projected(msgspec.Struct, frozen=True):
    title: str
    airflow: float
    external: float
    gained: float


class _Pen:
    """Draws one context in one unit system and language."""

    def __init__(
        self,
        entry: ContextFigures,
        rules: Ruleset,
        units: UnitTable,
        system: UnitSystem,
        speech: Speech,
        font: str,
    ) -> None:
        self.entry = entry
        self.rules, self.units, self.system, self.speech, self.font = rules, units, system, speech, font
        label = entry.state.label or entry.state.id
        self.where = f"{label}, {entry.area}" if entry.area else label

    def say(self, text: str, **parts: str) -> str:
        return self.speech.fill(text, **parts)

    def drawing(self, height: float, title: str, description: str) -> Drawing:
        return Drawing(WIDTH, height, title, description, font=self.font, language=self.speech.code)

    def shown(self, dimension: str, value: float) -> float:
        return self.units.shown(dimension, value, self.system)[0]

    def spread(self, dimension: str, uncertainty: float) -> float:
        return COVERAGE_FACTOR * self.units.shown_difference(dimension, uncertainty, self.system)[0]

    def symbol(self, dimension: str) -> str:
        return self.speech.say(self.units.display[dimension][self.system].scale.symbol)

    def words(self, dimension: str, value: float, uncertainty: float | None = None) -> str:
        symbol = self.units.display[dimension][self.system].scale.symbol
        text = self.units.words(dimension, value, self.system, uncertainty)
        return text.removesuffix(symbol) + self.speech.say(symbol)

    def measured(self, dimension: str, entry: Measured) -> str:
        return self.words(dimension, entry.value, entry.uncertainty)

    # Pressure along the air path --------------------------------------------------------------------------------

    def ends(self, path: AirPath) -> list[float]:
        """Both ends of each bar of a path, in the unit shown."""
        return [
            self.shown("gauge_pressure", s.pressure.value)
            + sign * self.spread("gauge_pressure", s.pressure.uncertainty)
            for s in path.stations
            if s.pressure
            for sign in (1.0, -1.0)
        ]

    def air_path(
        self,
        path: AirPath,
        place: int,
        *,
        title: str = "Static pressure along the air path: {where}",
        cover: Sequence[float] = (),
    ) -> Plot:
        """`cover` are values that the scale covers beside its own."""
        title = self.say(title, where=self.where)
        description = _sentences(self._path_in_words(path))
        labels = [wrapped(self._element(element.kind), 11)[:3] for element in path.elements]
        bottom = HEIGHT - 104.0
        drawing = self.drawing(HEIGHT, title, description)
        drawing.words(LEFT - 60, 20, title, bold=True, size=14)
        known = [(station.after, station.pressure, station.read) for station in path.stations if station.pressure]
        values = [self.shown("gauge_pressure", pressure.value) for _, pressure, _ in known]
        spreads = [self.spread("gauge_pressure", pressure.uncertainty) for _, pressure, _ in known]
        ends = [*self.ends(path), *cover]
        room = 0.05 * (max(ends) - min(ends))  # for the numbers beside the outermost marks
        up = Scale(min(ends) - room, max(ends) + room, bottom, TOP)
        step = (RIGHT - 118.0 - LEFT) / len(path.elements)
        at = [LEFT + index * step for index in range(len(path.elements) + 1)]
        entering, leaving = path.inside[0], path.inside[1] + 1
        drawing.area([(at[entering], TOP), (at[leaving], TOP), (at[leaving], bottom), (at[entering], bottom)])
        across = Scale(0.0, 1.0, LEFT, at[-1])
        drawing.axes(
            across,
            up,
            "",
            self.say("Static pressure against the ambient air, {unit}", unit=self.symbol("gauge_pressure")),
            across_labels=[],
        )
        for index, lines in enumerate(labels):
            for row, text in enumerate(lines):
                drawing.words((at[index] + at[index + 1]) / 2, bottom + 20 + 14 * row, text, anchor="middle", size=11)
        for x in at:
            drawing.line([(x, bottom), (x, bottom + 5)], ink=SOFT, width=1.0)
        for x in (at[entering], at[leaving]):
            drawing.line([(x, TOP), (x, bottom + 66)], ink=SOFT, width=1.2, dash="chained")
        if up.holds(0.0):
            drawing.line([(LEFT, up(0.0)), (at[-1], up(0.0))], ink=SOFT, width=1.2)
        middle = (at[entering] + at[leaving]) / 2
        drawing.words(middle, bottom + 80, self.say("inside the rating"), anchor="middle", ink=SOFT, size=11)
        places = [(at[after], up(value)) for (after, _, _), value in zip(known, values, strict=True)]
        for (before, after), line in zip(pairwise(after for after, _, _ in known), pairwise(places), strict=True):
            drawing.line(line, ink=ACCENT, width=2.0, dash="solid" if after == before + 1 else "dashed")
        decimals = self.units.display["gauge_pressure"][self.system].decimals
        following = [*values[1:], 0.0]
        for (after, _, read), (x, y), value, spread, then in zip(
            known, places, values, spreads, following, strict=True
        ):
            if spread > 0.0:
                drawing.error_bar(x, up(value - spread), up(value + spread))
            open_end = after in (0, len(path.elements))
            drawing.mark(x, y, "square" if open_end else "disc", open_=not read)
            if not open_end:
                # On the side that the line to the next mark leaves free.
                drawing.words(x + 7, y + (-7 if then <= value else 12), decimal(value, decimals), size=11)
        self._external(drawing, path, up, at)
        self._legend(
            drawing,
            HEIGHT - 10,
            [
                ("disc", False, self.say("read there")),
                ("disc", True, self.say("carried over from other readings")),
                ("square", True, self.say("open end")),
            ],
            self.say("Bars: expanded uncertainty, coverage factor 2"),
        )
        return self._plot(place, "air_path", title, description, drawing)

    def _external(self, drawing: Drawing, path: AirPath, up: Scale, at: Sequence[float]) -> None:
        """What lies between both sides of the rating boundary, as a bracket beside the path."""
        entering, leaving = path.stations[path.inside[0]], path.stations[path.inside[1] + 1]
        if path.external is None or entering.pressure is None or leaving.pressure is None:
            return
        x = at[-1] + 22
        low, high = (up(self.shown("gauge_pressure", s.pressure.value)) for s in (entering, leaving) if s.pressure)
        for station, y in ((entering, low), (leaving, high)):
            drawing.line([(at[station.after], y), (x + 6, y)], ink=SOFT, width=1.0, dash="dotted")
        drawing.line([(x, low), (x, high)], width=2.0)
        named = wrapped(self.say("External static pressure"), 15)
        texts = [*named, self.measured("gauge_pressure", path.external)]
        if path.rated_maximum is not None:
            rated = self.words("gauge_pressure", path.rated_maximum)
            texts += wrapped(self.say("rated for at most {limit}", limit=rated), 15)
        top = (low + high) / 2 - 7 * len(texts)
        for row, text in enumerate(texts):
            drawing.words(x + 10, top + 14 * (row + 1), text, size=11, bold=row == len(named))

    def _path_in_words(self, path: AirPath) -> Iterator[str]:
        for station in path.stations[1:-1]:
            if station.pressure is not None:
                up, down = (self._element(path.elements[i].kind) for i in (station.after - 1, station.after))
                yield self.say(
                    "Between {before} and {after}: {value}.",
                    before=_small(up),
                    after=_small(down),
                    value=self.measured("gauge_pressure", station.pressure),
                )
        if path.external is not None:
            yield self.say("External static pressure: {value}.", value=self.measured("gauge_pressure", path.external))

    def _element(self, kind: str) -> str:
        return self.speech.say(self.rules.elements[kind].title)

    # Blower and system ------------------------------------------------------------------------------------------

    def blower_and_system(self, found: BlowerAgainstSystem, place: int, context: ContextResult | None) -> Plot:
        title = self.say("Blower and air path: {where}", where=self.where)
        projected = sorted(self._projected(context), key=lambda one: -one.gained)[:MOST_PROJECTED]
        description = _sentences(self._blower_in_words(found, projected))
        rows = len(projected)
        bottom = HEIGHT - 84.0
        height = HEIGHT + 24 + 16 * rows
        drawing = self.drawing(height, title, description)
        drawing.words(LEFT - 60, 20, title, bold=True, size=14)
        flow = self.shown("volume_flow", found.airflow.value)
        pressure = self.shown("gauge_pressure", found.external.value)
        flow_spread = self.spread("volume_flow", found.airflow.uncertainty)
        pressure_spread = self.spread("gauge_pressure", found.external.uncertainty)
        points = [(self.shown("volume_flow", q), self.shown("gauge_pressure", p)) for q, p in found.blower]
        marks = [(self.shown("volume_flow", p.airflow), self.shown("gauge_pressure", p.external)) for p in projected]
        most_flow = max(q for q, _ in [(flow + flow_spread, 0.0), *points, *marks])
        rated = None if found.rated_maximum is None else self.shown("gauge_pressure", found.rated_maximum)
        most_pressure = max([pressure + pressure_spread, rated or 0.0, *(p for _, p in [*points, *marks])])
        # From half the least flow on: the curves lie close together near the point as found.
        least_flow = 0.5 * min(q for q, _ in [(flow - flow_spread, 0.0), *points, *marks])
        across = Scale(max(least_flow, 0.0), most_flow, LEFT, RIGHT)
        up = Scale(0.0, most_pressure, bottom, TOP)
        drawing.axes(
            across,
            up,
            self.say("Airflow at the return, {unit}", unit=self.symbol("volume_flow")),
            self.say("External static pressure, {unit}", unit=self.symbol("gauge_pressure")),
        )
        if rated is not None:
            drawing.line([(LEFT, up(rated)), (RIGHT, up(rated))], ink=SOFT, width=1.4, dash="chained")
            text = self.say("rated for at most {limit}", limit=self.words("gauge_pressure", found.rated_maximum or 0.0))
            drawing.words(LEFT + 8, up(rated) - 6, text, ink=SOFT, size=11)
        curve = [(self.shown("volume_flow", q), self.shown("gauge_pressure", p)) for q, p in found.system]
        drawing.line(_within(curve, across, up), ink=INK, width=1.6, dash="dashed")
        if points:
            drawing.line([(across(q), up(p)) for q, p in points if p >= 0.0], ink=ACCENT, width=2.2)
            for q, p in points:
                if p >= 0.0:
                    drawing.mark(across(q), up(p), "square", ink=ACCENT, size=2.6)
        if flow_spread > 0.0:
            drawing.error_bar(up(pressure), across(flow - flow_spread), across(flow + flow_spread), upright=False)
        if pressure_spread > 0.0:
            drawing.error_bar(across(flow), up(max(pressure - pressure_spread, 0.0)), up(pressure + pressure_spread))
        drawing.mark(across(flow), up(pressure), "disc")
        for index, (q, p) in enumerate(marks, start=1):
            drawing.mark(across(q), up(p), "diamond", open_=True, ink=ACCENT)
            drawing.words(across(q) + 7, up(p) - 7, str(index), size=11, bold=True, ink=ACCENT)
        entries = [
            ("disc", False, self.say("as found")),
            ("dashed", False, self.say("the air path")),
        ]
        if points:
            name = self.say("blower, setting {setting}", setting=found.setting or "")
            if found.as_printed:
                name += f" {self.say('(table as printed; the point as found lies outside it)')}"
            entries.append(("square", False, name))
        if marks:
            entries.append(("diamond", True, self.say("projected")))
        self._legend(drawing, bottom + 62, entries, None)
        for index, one in enumerate(projected, start=1):
            text = self.say(
                "{number}. {what}: {airflow} at {pressure}",
                number=str(index),
                what=one.title,
                airflow=self.words("volume_flow", one.airflow),
                pressure=self.words("gauge_pressure", one.external),
            )
            drawing.words(LEFT, bottom + 68 + 16 * index, text, size=11.5)
        drawing.words(LEFT, height - 8, self.say("Bars: expanded uncertainty, coverage factor 2"), size=11, ink=SOFT)
        return self._plot(place, "blower_and_system", title, description, drawing)

    def _projected(self, context: ContextResult | None) -> Iterator[_Projected]:
        """What mending each cause would bring, where the evaluation projected it."""
        for gain in () if context is None else context.gains.values():
            told = {one.name: one for one in gain.quantities}
            if gain.fix in self.rules.fixes and {"airflow", "external_static_pressure"} <= set(told):
                title = self.speech.say(self.rules.fixes[gain.fix].title)
                flow, pressure = told["airflow"], told["external_static_pressure"]
                yield _Projected(title, flow.after, pressure.after, abs(flow.change))

    def _blower_in_words(self, found: BlowerAgainstSystem, projected: Sequence[_Projected]) -> Iterator[str]:
        yield self.say(
            "As found: {airflow} at {pressure}.",
            airflow=self.measured("volume_flow", found.airflow),
            pressure=self.measured("gauge_pressure", found.external),
        )
        for one in projected:
            yield self.say(
                "{what}, projected: {airflow} at {pressure}.",
                what=one.title,
                airflow=self.words("volume_flow", one.airflow),
                pressure=self.words("gauge_pressure", one.external),
            )

    # Both -------------------------------------------------------------------------------------------------------

    def _legend(self, drawing: Drawing, y: float, entries: Sequence[tuple[str, bool, str]], remark: str | None) -> None:
        x = LEFT
        for shape, open_, text in entries:
            if shape == "dashed":
                drawing.line([(x - 8, y - 4), (x + 10, y - 4)], width=1.6, dash="dashed")
            else:
                ink = ACCENT if shape == "diamond" or (shape == "square" and not open_) else INK
                drawing.mark(x, y - 4, shape, open_=open_, ink=ink)
            drawing.words(x + 14, y, text, size=11)
            x += 34 + 5.8 * len(text)
        if remark is not None:
            drawing.words(RIGHT, y, remark, size=11, anchor="end", ink=SOFT)

    def _plot(self, place: int, kind: PlotKind, title: str, description: str, drawing: Drawing) -> Plot:
        return Plot(f"{kind}_{place}", kind, self.entry.state.id, self.entry.area, title, description, drawing.text())


def _within(curve: Sequence[tuple[float, float]], across: Scale, up: Scale) -> list[tuple[float, float]]:
    """The part of a rising curve that the plot holds, cut where it enters and leaves."""
    places: list[tuple[float, float]] = []
    for (q0, p0), (q1, p1) in pairwise(curve):
        enters = max(0.0, (across.low - q0) / (q1 - q0), (up.low - p0) / (p1 - p0))
        leaves = min(1.0, (across.high - q0) / (q1 - q0), (up.high - p0) / (p1 - p0))
        if enters < leaves:
            for share in ([] if places else [enters]) + [leaves]:
                places.append((across(q0 + share * (q1 - q0)), up(p0 + share * (p1 - p0))))
    return places


def _small(text: str) -> str:
    return text[:1].lower() + text[1:]


def _sentences(sentences: Iterable[str]) -> str:
    """Sentences in a row, with one full stop where a unit ends in one itself."""
    return " ".join(sentence.replace("..", ".") for sentence in sentences)
