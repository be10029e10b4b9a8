"""Plots of an evaluation, as listed."""

from typing import Literal

import msgspec

from service.wire.response import Answer


class PlotView(Answer, frozen=True, kw_only=True):
    """One plot: what it shows in words, and where it is drawn."""

    name: str
    kind: Literal["air_path", "blower_and_system"]
    title: str
    description: str
    state: str
    area: str | msgspec.UnsetType = msgspec.UNSET
    address: str


class PlotList(Answer, frozen=True, kw_only=True):
    """The plots that the readings of a visit allow."""

    items: list[PlotView]
