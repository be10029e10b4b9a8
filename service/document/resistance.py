"""A picture for people at home: how hard the fan has to push, against the most that the maker allows.

One bar an operating state: the external static pressure as a share of its rating, in the parts that hold back the air
where all of them are known. Parts differ by their number, never by colour alone.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence

import msgspec

from service.document.blocks import Figure
from service.document.svg import ACCENT, FAINT, FONT, INK, SOFT, Drawing, Scale, decimal
from service.wire.response import ContextView, EvaluationResult, QuantityView
from service.wire.speech import ENGLISH, Speech
from service.wire.words import context_words

WIDTH, LEFT, RIGHT, TOP = 760.0, 24.0, 724.0, 48.0
BAR, STEP = 24.0, 58.0
"""Height of a bar, and from one bar to the next."""
LEAST_NUMBERED = 14.0
"""Width from which a part has room for its number."""
MOST_BARS = 6
WHOLE = "external_static_pressure_to_rating"
PARTS = {
    "return_duct_share": "the way of the air back to the system",
    "filter_share": "the air filter",
    "coil_share": "the cooling coil",
    "supply_duct_share": "the way of the air to the rooms",
}
"""Quantity -> what a customer calls it, in the direction of the air."""
ALL_PARTS = 2.0
"""Percent by which the parts may miss the whole and still be taken for all of it."""
STATES = {"cooling": "While cooling", "heating": "While heating", "fan_only": "With the fan alone"}


class Bar(msgspec.Struct, frozen=True):
    """One bar: `share` and its expanded uncertainty `spread` in percent of the most allowed.

    `parts` are percent of the same, by quantity; empty where they do not make up the whole.
    """

    label: str
    share: float
    spread: float
    parts: dict[str, float] = {}


def bars_of(
    answer: EvaluationResult, speech: Speech = ENGLISH, *, contexts: Sequence[ContextView] | None = None, when: str = ""
) -> list[Bar]:
    """A bar for each context (of those given) that tells the pressure and its rating, labelled `when` and the state."""
    entries = [q for q in answer.quantities if q.name == WHOLE and (contexts is None or q.context in contexts)]
    modes = Counter(q.context.mode for q in entries)
    return [_bar(q, answer, speech, when, alone=modes[q.context.mode] == 1) for q in entries]


def _bar(whole: QuantityView, answer: EvaluationResult, speech: Speech, when: str, *, alone: bool) -> Bar:
    shares = {q.name: q.value.value for q in answer.quantities if q.context == whole.context and q.name in PARTS}
    sound = all(share >= 0.0 for share in shares.values()) and abs(sum(shares.values()) - 100.0) <= ALL_PARTS
    share = whole.value.value
    known = STATES.get(whole.context.mode or "")
    label = speech.say(known) if known and alone else context_words(whole.context, speech)
    return Bar(
        label=f"{speech.say(when)}, {label[:1].lower()}{label[1:]}" if when else f"{label[:1].upper()}{label[1:]}",
        share=share,
        spread=whole.expanded_uncertainty.value,
        parts={name: shares[name] / 100.0 * share for name in PARTS if name in shares} if sound else {},
    )


def resistance(bars: Sequence[Bar], speech: Speech = ENGLISH, font: str = FONT) -> Figure | None:
    """The picture, told in words as well; None without a bar that can be drawn."""
    bars = [bar for bar in bars if bar.share > 0.0][:MOST_BARS]
    if not bars:
        return None
    title = speech.say("How hard the fan has to push")
    description = " ".join([*(_told(bar, speech) for bar in bars), speech.say("Less is better for the fan.")])
    named = [name for name in PARTS if any(name in bar.parts for bar in bars)]
    bottom = TOP + STEP * len(bars)
    drawing = Drawing(
        WIDTH, bottom + 48.0 + 18.0 * math.ceil(len(named) / 2), title, description, font=font, language=speech.code
    )
    across = Scale(0.0, max(100.0, *(bar.share + bar.spread for bar in bars)) * 1.02, LEFT, RIGHT)
    for tick in across.ticks:
        drawing.line([(across(tick), TOP - 6), (across(tick), bottom)], ink=FAINT, width=1.0)
        drawing.words(across(tick), bottom + 16, f"{decimal(tick, 0)}%", anchor="middle", ink=SOFT)
    limit = speech.say("the most that the maker allows (100%)")
    drawing.words(across(100.0) + 4, 14, limit, anchor="end", size=11.5)
    for place, bar in enumerate(bars):
        _draw(drawing, bar, TOP + STEP * place, across, named)
    drawing.line([(across(100.0), 20), (across(100.0), bottom + 4)], width=2.4, dash="dashed")
    for place, name in enumerate(named):
        text = f"{place + 1}  {speech.say(PARTS[name])}"
        drawing.words(LEFT + (place % 2) * 350.0, bottom + 42 + 18 * (place // 2), text, size=11.5)
    return Figure(title, description, drawing.text())


def _draw(drawing: Drawing, bar: Bar, top: float, across: Scale, named: Sequence[str]) -> None:
    drawing.words(LEFT, top + 12, f"{bar.label}, {_percent(bar.share)}", bold=True)
    upper, lower = top + 18, top + 18 + BAR
    start = 0.0
    for place, (name, size) in enumerate(bar.parts.items() or [("", bar.share)]):
        left, right = across(start), across(start + size)
        corners = [(left, upper), (right, upper), (right, lower), (left, lower)]
        drawing.area(corners, ink=ACCENT if place % 2 else SOFT, opacity=0.3)
        drawing.line([*corners, corners[0]], ink=INK, width=1.0)
        if name and right - left >= LEAST_NUMBERED:
            drawing.words((left + right) / 2, lower - 8, str(named.index(name) + 1), anchor="middle", bold=True)
        start += size
    if bar.spread > 0.0:
        drawing.error_bar(
            (upper + lower) / 2, across(max(bar.share - bar.spread, 0.0)), across(bar.share + bar.spread), upright=False
        )


def _told(bar: Bar, speech: Speech) -> str:
    said = speech.fill(
        "{when}: {share} of the most that the maker allows, give or take {spread}.",
        when=bar.label,
        share=_percent(bar.share),
        spread=_percent(math.ceil(bar.spread)),
    )
    if bar.parts:
        said += " " + speech.fill("Of this, {parts}.", parts=", ".join(_parts(bar, speech)))
    return said


def _parts(bar: Bar, speech: Speech) -> Iterator[str]:
    for name, size in sorted(bar.parts.items(), key=lambda part: -part[1]):
        yield f"{speech.say(PARTS[name])} {_percent(size)}"


def _percent(share: float) -> str:
    return f"{share:.0f}%"
