"""The plot of a trend: what it holds, in words and in marks, and its axis of dates."""

import datetime
from collections.abc import Callable
from typing import Any
from uuid import UUID
from xml.etree import ElementTree

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.api.exchange import encode
from service.derive import following
from service.document.trend_plot import DateScale, trend_plot
from service.model.quantity import Measured
from service.model.trend import Asked, FollowedTrend, TrendPoint
from service.pipeline import Rulebook, follow, load
from service.wire.trends import Read, trend_view
from tests.visits.history_faults import History, Past
from tests.visits.house import Faults
from tests.visits.library import HOUSES

SVG = "{http://www.w3.org/2000/svg}"
DAY = 86400.0


def moment(text: str) -> float:
    return datetime.datetime.fromisoformat(f"{text}T00:00:00+00:00").timestamp()


@pytest.mark.parametrize(
    ("first", "last", "labels"),
    [
        ("2026-01-10", "2026-01-12", ["2026-01-10", "2026-01-11", "2026-01-12"]),
        ("2025-12-26", "2026-03-02", ["2025-12", "2026-01", "2026-02", "2026-03", "2026-04"]),
        (
            "2025-12-26", "2026-11-02",
            ["2025-11", "2026-01", "2026-03", "2026-05", "2026-07", "2026-09", "2026-11", "2027-01"],
        ),
        ("2019-05-01", "2024-12-31", ["2019", "2020", "2021", "2022", "2023", "2024", "2025"]),
        ("1998-05-01", "2031-12-31", ["1995", "2000", "2005", "2010", "2015", "2020", "2025", "2030", "2035"]),
    ],
)  # fmt: skip
def test_dates_are_at_days_months_or_years_and_cover(first: str, last: str, labels: list[str]) -> None:
    scale = DateScale(moment(first), moment(last), 0.0, 100.0, most=9)
    assert 2 <= len(scale.ticks) <= 9
    assert scale.ticks[0] <= moment(first) < moment(last) <= scale.ticks[-1]
    assert scale.labels == labels
    assert (scale(scale.ticks[0]), scale(scale.ticks[-1])) == (0.0, 100.0)
    for tick, label in zip(scale.ticks, scale.labels, strict=True):
        whole = {4: "-01-01", 7: "-01", 10: ""}[len(label)]
        assert tick == moment(label + whole)


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load()


@pytest.fixture(scope="module")
def draw(rulebook: Rulebook) -> Callable[..., ElementTree.Element]:
    def run(
        visits: int, quantity: str = "filter_pressure_drop", system: Any = "ip", language: str = "en", **asked: Any
    ) -> ElementTree.Element:
        past = [
            Past(
                30.0 * (visits - place), Faults(filter_loading=1.0 + 0.36 * place), (("filter_replaced", 30 * visits),)
            )
            for place in range(visits)
        ]
        request = History(
            "plotted", HOUSES["furnace_1600_m"], tuple(past[:-1]), past[-1].faults, past[-1].work
        ).request()
        requests = [*request.pop("earlier_visits"), request]
        decoded = [rulebook.decoder().decode(msgspec.json.encode(one)) for one in requests]
        prepared = rulebook.current
        kept = [
            (UUID(int=n), one.visited_at or datetime.datetime.now(datetime.UTC), one) for n, one in enumerate(decoded)
        ]
        found = follow(kept, Asked(quantity=quantity, **asked), prepared)
        return ElementTree.fromstring(
            trend_plot(
                found,
                _read("<invented & unit>"),
                prepared.ruleset,
                prepared.units,
                system,
                prepared.languages[language],
            )
        )

    return run


def _read(reference: str) -> Read:
    return Read(equipment_reference=reference, left_out=(), visits=8, truncated=False)


def texts(root: ElementTree.Element) -> list[str]:
    return [text.text or "" for text in root.iter(f"{SVG}text")]


def test_points_line_band_limit_and_forecast_are_drawn(draw: Callable[..., ElementTree.Element]) -> None:
    root = draw(7)
    discs = [c for c in root.iter(f"{SVG}circle") if c.get("fill") != "#ffffff"]
    assert len(discs) == 7 + 1, "each visit, and the legend"
    assert "limit: 0.250 in. w.c." in texts(root)
    assert any("limit of 0.250 in. w.c. reached about 20" in text for text in texts(root))
    dashes = {line.get("stroke-dasharray") for line in root.iter(f"{SVG}polyline")}
    assert {"7 4", "2 3", "9 3 2 3"} <= dashes, "carried on, work done, limit: told apart by their dash"
    assert [p for p in root.iter(f"{SVG}polygon") if p.get("fill-opacity")], "the band"
    description = root.find(f"{SVG}desc").text or ""  # type: ignore[union-attr]
    assert description.count("±") == 7
    assert "reached about" in description
    assert (root.find(f"{SVG}title").text or "").startswith("Filter pressure drop: <invented & unit>")  # type: ignore[union-attr]


def test_everything_lies_within_the_drawing(draw: Callable[..., ElementTree.Element]) -> None:
    for root in (
        draw(7),
        draw(7, against="days_since_filter_change", system="si"),
        draw(2),
        draw(3, "airflow_measured"),
    ):
        _, _, width, height = map(float, root.get("viewBox", "").split())
        for line in [*root.iter(f"{SVG}polyline"), *root.iter(f"{SVG}polygon")]:
            for place in line.get("points", "").split():
                x, y = map(float, place.split(","))
                assert 0.0 <= x <= width
                assert 0.0 <= y <= height
        for circle in root.iter(f"{SVG}circle"):
            assert 0.0 <= float(circle.get("cx", "-1")) <= width
            assert 0.0 <= float(circle.get("cy", "-1")) <= height


def test_without_a_line_it_says_why(draw: Callable[..., ElementTree.Element]) -> None:
    root = draw(2)
    assert any(text.startswith("2 of at least 3 visits") for text in texts(root))
    assert sum(1 for _ in root.iter(f"{SVG}circle")) == 2 + 1
    nothing = draw(3, "duct_leakage_total")
    assert "No visit has this quantity in this state and part of the house." in texts(nothing)
    assert list(nothing.iter(f"{SVG}circle")) == []


def test_units_and_language_are_those_asked_for(draw: Callable[..., ElementTree.Element]) -> None:
    root = draw(7, system="si", language="es", against="days_since_filter_change")
    assert root.get("lang") == "es"
    assert "Días desde el cambio del filtro" in texts(root)
    assert "límite: 62.3 Pa" in texts(root)


def test_nothing_is_referred_to_outside(draw: Callable[..., ElementTree.Element]) -> None:
    for element in draw(7).iter():
        assert not [name for name in element.attrib if name.endswith(("href", "src", "style"))]
        assert element.tag != f"{SVG}script"


NUMBERS = st.one_of(st.floats(-1e3, 1e3), st.sampled_from([0.0, 5.0]), st.floats(-1e60, 1e60), st.floats(0.0, 1e-290))


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.0, 3e9), NUMBERS, NUMBERS), min_size=3, max_size=8),
    NUMBERS,
    st.sampled_from(["ip", "si"]),
)
def test_whatever_the_numbers_an_answer_can_be_written_and_drawn(
    rulebook: Rulebook, visits: list[tuple[float, float, float]], limit: float, system: Any
) -> None:
    """Numbers as clients may send them, beyond all that a house can have."""
    prepared = rulebook.current
    start = datetime.datetime(2090, 1, 1, tzinfo=datetime.UTC)
    points = tuple(
        TrendPoint(
            evaluation_id=UUID(int=place),
            at=start + datetime.timedelta(seconds=after),
            value=Measured(value, {f"visit.{place}": uncertainty}),
        )
        for place, (after, value, uncertainty) in enumerate(sorted(visits))
    )
    asked = Asked(quantity="external_static_pressure")
    criterion = "external_static_pressure_maximum"
    found = FollowedTrend(
        asked=asked, where=None, places=(), basis="as_worked_out", airflow=None, points=points, left_out=(),
        restarts=(), limits=((criterion, "upper", limit),),
    )  # fmt: skip
    refusal = following._refusal(points, asked, "air", prepared.ruleset.assumptions)
    if refusal is None:
        line = following._line(points, prepared.ruleset.assumptions)
        forecast = following._forecast(line, points[-1], following.along(points)[-1], criterion, "upper", limit)
        found = msgspec.structs.replace(found, line=line, forecasts=(forecast,))
    else:
        found = msgspec.structs.replace(found, refusal=refusal)
    parts = (found, _read("invented"), prepared.ruleset, prepared.units, system, prepared.languages["es"])
    assert b"null" not in encode(trend_view(*parts))
    root = ElementTree.fromstring(trend_plot(*parts))
    assert sum(1 for _ in root.iter(f"{SVG}circle")) >= len(points)
