"""Every sentence that the service says of the visits of the cases has its words in each further language."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, get_args, get_type_hints

import msgspec
import pytest

from service import normalise, pipeline
from service.cases import changed, visit
from service.derive.comparing import facts_apart
from service.model.evaluation import DecisionRule, Severity
from service.model.ruleset import CaseKind, Checked, Source
from service.model.units import UnitSystem
from service.model.visit import Mode
from service.printout import printout
from service.ruleset import rules_folder
from service.ruleset.languages import WORDS, words
from service.ruleset.load import read_cases
from service.wire import render
from service.wire.request import EvaluationRequest
from service.wire.speech import Speech, speech

RULES = rules_folder()
ROOT = Path(__file__).parents[2]
WORKING = pipeline.working()
RULESET = WORKING.ruleset
SYSTEMS: tuple[UnitSystem, UnitSystem] = ("ip", "si")

FIELD = re.compile(r"[a-z]+([_.][a-z]+)+( (and|or) [a-z]+([_.][a-z]+)+)*")
"""A name of the request: the same in every language."""
UNIT_WORDS = re.compile(r"\b(times|days|tons|per|a)\b")


def strings(value: object) -> Iterator[str]:
    """Every string in a value of lists and tables."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for entry in value.values():
            yield from strings(entry)
    elif isinstance(value, list):
        for entry in value:
            yield from strings(entry)


RECORDS = {
    text for kind in WORDS for record in getattr(RULESET, kind).values() for text in strings(words(record, kind))
}
"""Words of the records; the lint of translations asks for those."""
STATIONS = {"before.<element>", "after.<element>"}
SYMBOLS = {
    display.scale.symbol
    for systems in WORKING.units.display.values()
    for display in systems.values()
    if not UNIT_WORDS.search(display.scale.symbol)
}


class Listener(Speech):
    """A language that keeps the texts it was asked for and does not know."""

    def __init__(self, spoken: Speech) -> None:
        self.__dict__.update(spoken.__dict__)
        self.unknown: set[str] = set()

    def say(self, text: str) -> str:
        if not self.knows(text):
            self.unknown.add(text)
        return super().say(text)


def listener(code: str) -> Listener:
    return Listener(speech(RULESET, code, RULESET.languages[code]))


def unsaid(request: dict[str, Any], code: str, systems: Sequence[UnitSystem] = SYSTEMS) -> set[str]:
    """Texts without a translation among those said of a visit; a client's own words and names are no texts."""
    asked = msgspec.convert(request, EvaluationRequest, strict=False)
    evaluation = pipeline.evaluate(asked, WORKING)
    ears = listener(code)
    for system in systems:
        answer = render.result(evaluation, RULESET, WORKING.units, system, ears)
        printout(answer, RULESET, WORKING.units, ears)
    own = {*strings(request), *names(), *RECORDS, *SYMBOLS, *STATIONS}
    return {text for text in ears.unknown - own if re.search("[A-Za-z]", text) and not FIELD.fullmatch(text)}


def names() -> Iterator[str]:
    """Names of stations and criteria that texts quote as the interface spells them."""
    yield from RULESET.stations
    yield from RULESET.places
    yield from RULESET.criteria
    yield from (f"{side}.{element}" for side in ("before", "after") for element in RULESET.elements)


def whole_visits() -> list[Path]:
    return sorted([*RULES.glob("cases/visits/*.json"), *RULES.glob("cases/healthy/*.json")])


@pytest.mark.parametrize("code", sorted(RULESET.languages))
@pytest.mark.parametrize("path", whole_visits(), ids=lambda path: path.stem)
def test_all_that_is_said_of_a_visit_is_translated(path: Path, code: str) -> None:
    assert unsaid(json.loads(path.read_text()), code) == set()


@pytest.mark.parametrize("code", sorted(RULESET.languages))
def test_all_that_is_said_of_changed_visits_is_translated(code: str) -> None:
    missing: dict[str, str] = {}
    for rule, file in read_cases(RULES)[0].items():
        for case in file.case:
            if case.kind == "fires" and (case.set or case.remove):
                request = changed(visit(RULES, case.visit), case)
                missing |= dict.fromkeys(unsaid(request, code, SYSTEMS[:1]), f"{rule}: {case.title}")
    assert missing == {}


def spoken_in_sources() -> set[str]:
    """The texts that the pages of the rulebook and the printout name as they stand."""
    sources = [*ROOT.glob("service/document/templates/*.html"), ROOT / "service/document/rulebook.py"]
    sources += [ROOT / "service/printout.py"]
    called = re.compile(r"""(?:\bsay|\bfill|\bend)\(\s*(?:"([^"]+)"|'([^']+)')""")
    return {one or other for source in sources for one, other in called.findall(source.read_text())}


def facts_of_equipment() -> set[str]:
    """Names of all facts of the equipment that two visits may state otherwise: every one is stated, and otherwise."""
    rates = re.findall(r'rate\(\s*"(\w+)"|ratings\["(\w+)"\] =', (ROOT / "service/normalise/visit.py").read_text())
    one, other = (
        normalise.normalise(msgspec.convert(twice, EvaluationRequest, strict=False), RULESET, WORKING.units)
        for twice in (_stated(1), _stated(2))
    )
    assert {name for pair in rates for name in pair if name} == one.equipment.ratings.keys()
    found = facts_apart(one, other, ())
    # Two that are no facts by themselves, and six that are no ratings.
    assert len(found) == len(one.equipment.ratings) - 2 + 6 + len(["blower table", "instruments"])
    return set(found)


def _stated(times: int) -> dict[str, Any]:
    """An invented visit whose equipment states everything, as numbers that go with `times`."""

    def of(value: float, unit: str) -> dict[str, Any]:
        return {"value": value * times, "unit": unit}

    kinds = {1: ("furnace_with_cased_coil", "belt_driven", "pleated"), 2: ("packaged_unit", "constant_torque", "other")}
    arrangement, blower, filter_ = kinds[times]
    drop = {"pressure_drop": of(40, "Pa"), "airflow": of(0.5, "m3/s")}
    rows = [{"external_static_pressure": of(p, "Pa"), "airflow": of(q, "m3/s")} for p, q in ((100, 0.5), (150, 0.4))]
    return {
        "equipment": {
            "arrangement": arrangement,
            "rated_maximum_external_static_pressure": of(125, "Pa"),
            "nominal_cooling_capacity": of(10_000, "W"),
            "design_airflow": of(0.5, "m3/s"),
            "blower": {
                "kind": blower,
                "settings": [{"setting": "high", "rows": rows}],
                "table_speed": of(900, "/min"),
                "run_capacitance": of(10, "uF"),
                "power_factor": 0.4 * times,
            },
            "filter": {"kind": filter_, "width": of(0.4, "m"), "height": of(0.5, "m"), "rated": drop},
            "coil": {"rated_wet": drop, "rated_dry": drop},
            "gas_heat": {
                "input": of(20_000, "W"),
                "steady_state_efficiency": of(0.4, "1"),
                "temperature_rise_minimum": of(10, "K"),
                "temperature_rise_maximum": of(20, "K"),
                "outlet_air_maximum": of(40, "Cel"),
            },
            "electric_heat": {"rated_power": of(5_000, "W")},
        },
        "instruments": [{"id": f"gauge-{times}", "kind": "manometer"}],
        "readings": [
            {
                "kind": "static_pressure",
                "station": "blower_outlet",
                "value": of(50, "Pa"),
                "instrument": f"gauge-{times}",
            }
        ],
    }


SETS: dict[str, Callable[[], set[str]]] = {
    "sources": spoken_in_sources,
    "topics": lambda: {topic.replace("_", " ") for topic in RULESET.topics.values()},
    "severities": lambda: set(get_args(Severity)),
    "modes": lambda: {mode.replace("_", " ") for mode in get_args(Mode)},
    "decision rules": lambda: set(get_args(DecisionRule)),
    "kinds of case": lambda: {kind.replace("_", " ") for kind in get_args(CaseKind)},
    "checks": lambda: {kind.replace("_", " ") for kind in get_args(Checked)},
    "kinds of source": lambda: set(get_args(get_type_hints(Source)["kind"])),
    "units": lambda: {
        unit.symbol
        for dimension in RULESET.dimensions.values()
        for unit in dimension.unit
        if UNIT_WORDS.search(unit.symbol)
    },
    "facts of the equipment": facts_of_equipment,
    "verdict phrases": lambda: {*render.VERDICT_PHRASES.values(), render.NOT_ABOVE, render.NOT_BELOW},
}


@pytest.mark.parametrize("code", sorted(RULESET.languages))
@pytest.mark.parametrize("name", SETS)
def test_a_set_of_words_is_translated_whole(name: str, code: str) -> None:
    texts = SETS[name]()
    assert texts
    spoken = listener(code)
    for text in texts:
        spoken.say(text)
    assert spoken.unknown == set()


def test_a_part_is_a_list_or_one_text_with_commas_of_its_own() -> None:
    spoken = Speech(
        "xx",
        phrases={
            "Missing: {list}.": "Falta: {list}.",
            "{count} visits with {what}, this one among them": "{count} visitas con {what}, esta entre ellas",
            "{way}; sampled": "{way}; muestreado",
            "drop at {where}; flow by {way}": "caída en {where}; caudal por {way}",
            "airflow, and elevation": "caudal, y altitud",
            "drop of the {part}": "caída: {part}",
            "coil": "serpentín",
        },
    )
    assert spoken.say(
        "Missing: drop of the coil; site.volume; 3 visits with airflow, and elevation, this one among them."
    ) == ("Falta: caída: serpentín; site.volume; 3 visitas con caudal, y altitud, esta entre ellas.")
    assert spoken.say("drop at coil; flow by coil; sampled") == "caída en serpentín; caudal por serpentín; muestreado"


@pytest.mark.parametrize("code", sorted(RULESET.languages))
@pytest.mark.parametrize("place", ["normalise", "project"])
def test_what_is_said_of_things_set_aside_is_translated(place: str, code: str) -> None:
    """Every whole sentence written in a call that sets something aside or declines to project a change."""
    spoken, found = listener(code), set()
    for path in ROOT.glob(f"service/{place}/**/*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and ast.unparse(node.func).lower().endswith(("aside", "refused", "refusal")):
                found |= {text for text in map(_sentence, node.args) if text}
    assert len(found) > 10
    for text in found:
        spoken.say(text)
    assert {text for text in spoken.unknown if text in found} == set()


def _sentence(node: ast.expr) -> str:
    """A string as it stands, with a name in each place that is filled in later."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        text = node.value
    elif isinstance(node, ast.JoinedStr) and isinstance(node.values[0], ast.Constant):
        text = "".join(str(part.value) if isinstance(part, ast.Constant) else "x" for part in node.values)
    else:
        return ""
    return text if text.endswith(".") and text[0].isupper() else ""
