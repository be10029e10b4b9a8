"""Parts of an answer in words, as printouts and documents say them."""

from __future__ import annotations

import math

from service.model.ruleset import Ruleset
from service.model.units import UnitSystem, UnitTable
from service.wire import response
from service.wire.speech import ENGLISH, Speech


def context_words(context: response.ContextView, speech: Speech = ENGLISH) -> str:
    """An operating state and a part of the house, `cooling, speed high, upstairs`."""
    if context.whole_house:
        return speech.say("whole house")
    mode = (context.mode or "").replace("_", " ")
    parts = [speech.say("state not named")] if context.state == "unspecified" else []
    if not parts and context.state not in (context.mode, mode):
        parts.append(context.state)
    if mode:
        parts.append(speech.say(mode))
    if context.speed_setting:
        parts.append(speech.fill("speed {setting}", setting=context.speed_setting))
    if context.area:
        parts.append(context.area)
    return ", ".join(parts)


def percent_words(probability: float, speech: Speech = ENGLISH) -> str:
    """A probability in words, never rounded to certainty."""
    if probability > 0.999:
        return speech.fill("above {percent}", percent="99.9\N{NO-BREAK SPACE}%")
    if probability < 0.001:
        return speech.fill("below {percent}", percent="0.1\N{NO-BREAK SPACE}%")
    return f"{100.0 * probability:.1f}\N{NO-BREAK SPACE}%"


class NumberWords:
    """Numbers of an answer in the decimals and symbols that words of their dimension use."""

    def __init__(self, rules: Ruleset, units: UnitTable, system: UnitSystem, speech: Speech = ENGLISH) -> None:
        self.rules, self.units, self.system, self.speech = rules, units, system, speech

    def number(self, quantity: str, value: response.Value, uncertainty: response.Value | None = None) -> str:
        """The number alone; with more decimals where its expanded uncertainty would round to nothing."""
        known = self.rules.quantities.get(quantity)
        if known is None:
            return f"{value.value:.6g}"
        decimals = self.units.display[known.dimension][self.system].decimals
        if uncertainty is not None and 0.0 < uncertainty.value < 0.5 * 10.0**-decimals:
            decimals = min(decimals + 3, math.ceil(-math.log10(uncertainty.value)))
        shown = f"{value.value:.{decimals}f}"
        return shown.removeprefix("-") if float(shown) == 0.0 else shown.replace("-", "\N{MINUS SIGN}")

    def symbol(self, quantity: str, value: response.Value) -> str:
        """The unit's symbol."""
        known = self.rules.quantities.get(quantity)
        if known is None:
            return value.unit
        return self.speech.say(self.units.display[known.dimension][self.system].scale.symbol)

    def words(self, quantity: str, value: response.Value, uncertainty: response.Value | None = None) -> str:
        """Number, expanded uncertainty where it is given and not nothing, unit."""
        text = self.number(quantity, value, uncertainty)
        if uncertainty is not None and uncertainty.value > 0.0:
            text += f" ± {self.number(quantity, uncertainty, uncertainty)}"
        symbol = self.symbol(quantity, value)
        return f"{text}{'' if symbol in ('', '%') else ' '}{symbol}"
