"""The rulebook as pages: every record is told of, every reference leads somewhere, nothing comes from elsewhere."""

from __future__ import annotations

import posixpath
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from service import pipeline
from service.document.rulebook import LISTS, RulePages, write
from service.ruleset import rules_folder
from service.ruleset.load import read_cases
from service.wire.speech import Speech

RULES = pipeline.load(rules_folder()).current.ruleset
CASES, _ = read_cases(rules_folder())
PAGES = RulePages(RULES, CASES)
NAMES = [name for name in PAGES.names() if name.endswith(".html")]
VOID = {"meta", "link", "br", "hr", "img", "input"}


class Reader(HTMLParser):
    """What a browser finds on a page: references, anchors, text, and elements that are not closed as opened."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.references: list[str] = []
        self.anchors: set[str] = set()
        self.open: list[str] = []
        self.crossed: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.references += [str(given[name]) for name in ("href", "src") if name in given]
        if "id" in given:
            assert given["id"] not in self.anchors, given["id"]
            self.anchors.add(str(given["id"]))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.crossed.append(tag)

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def page(name: str, pages: RulePages = PAGES) -> str:
    text = pages.page(name)
    assert text is not None
    return text


READ = {name: Reader(page(name)) for name in NAMES}


@pytest.mark.parametrize("name", NAMES)
def test_every_reference_leads_to_a_page_and_a_place_on_it(name: str) -> None:
    for reference in READ[name].references:
        if reference == "data:,":
            continue
        address, _, anchor = reference.partition("#")
        wanted = posixpath.normpath(posixpath.join(posixpath.dirname(name), address)) if address else name
        if wanted == "style.css":
            continue
        assert wanted in READ, reference
        assert not anchor or anchor in READ[wanted].anchors, reference


@pytest.mark.parametrize("name", NAMES)
def test_a_page_is_well_formed(name: str) -> None:
    assert READ[name].open == []
    assert READ[name].crossed == []
    assert page(name).count("<h1>") == 1


def test_every_rule_has_a_page_that_the_first_page_leads_to() -> None:
    listed = set(READ["index.html"].references)
    assert {f"rules/{rule}.html" for rule in RULES.diagnoses} <= listed


@pytest.mark.parametrize("rule", RULES.diagnoses)
def test_a_rules_page_tells_all_of_it(rule: str) -> None:
    entry, text = RULES.diagnoses[rule], READ[f"rules/{rule}.html"].text
    told = [entry.title, *entry.known_false_alarms]
    told += [RULES.cautions[name].text for name in entry.cautions]
    told += [RULES.causes[name].remedy for name in entry.causes]
    told += [RULES.sources[name].title for name in entry.sources]
    told += [" ".join(case.arithmetic.split()) for case in CASES[rule].case]
    for criterion in PAGES._criteria(entry):
        told += [PAGES.limit(RULES.criteria[criterion], limit).text for limit in RULES.criteria[criterion].limit]
    assert [words for words in told if " ".join(words.split()) not in text] == []
    assert not re.search(r"\{[a-z_:]+\}", text)


@pytest.mark.parametrize("part", LISTS)
def test_a_list_has_every_entry_under_its_id(part: str) -> None:
    assert set(getattr(RULES, part)) <= READ[f"{part}.html"].anchors


def test_nothing_comes_from_elsewhere_and_no_script_runs() -> None:
    for name in NAMES:
        assert not re.search(r"(?:https?:)?//", page(name)), name
        assert "<script" not in page(name)
        assert not re.search(r"\son[a-z]+=|style=", page(name))
    assert "url(" not in page("style.css")


def test_limits_read_as_people_say_them() -> None:
    def words(criterion: str) -> list[str]:
        entry = RULES.criteria[criterion]
        return [PAGES.limit(entry, limit).text for limit in entry.limit]

    assert words("filter_face_velocity_usual") == ["at most 300 fpm"]
    assert words("external_static_pressure_maximum") == ["at most the rated value (maximum external static pressure)"]
    assert words("return_pressure_budget")[0] == (
        "at most 0.2 \N{MULTIPLICATION SIGN} the rated value (maximum external static pressure)"
    )


def test_words_that_look_like_markup_stay_words() -> None:
    assert str(PAGES.fill("a < b & {airflow:u}")) == "a &lt; b &amp; <var>Airflow</var>"


def test_pages_speak_the_language_asked_for() -> None:
    speech = Speech("es", "Sin revisar.", {}, {"Rules": "Reglas", "Causes": "Causas"})
    text = page("causes.html", RulePages(RULES, CASES, speech))
    assert '<html lang="es">' in text
    assert "<h1>Causas</h1>" in text
    assert "Sin revisar." in text


@pytest.mark.parametrize("name", ["", "nothing.html", "rules/nothing.html", "rules", "../index.html", "base.html"])
def test_there_is_no_other_page(name: str) -> None:
    assert PAGES.page(name) is None


def test_the_pages_can_be_written_to_a_folder(tmp_path: Path) -> None:
    assert write(PAGES, tmp_path) == len(list(PAGES.names()))
    written = {path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()}
    assert written == set(PAGES.names())


def test_without_cases_a_page_has_none() -> None:
    assert "Cases" not in Reader(page("rules/filter_loaded.html", RulePages(RULES))).text
