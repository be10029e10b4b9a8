"""Translations: what the lint refuses of them, and what a reader of the rules gets."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from service.model.ruleset import Language, LanguageFacts
from service.ruleset import load_ruleset, rules_folder
from service.ruleset.languages import WORDS, digest, in_language, language_faults, unfinished, words
from service.ruleset.load import read_ruleset

RULESET = replace(load_ruleset(rules_folder()), languages={})
RULE = RULESET.diagnoses["filter_loaded"]
ENGLISH = words(RULE, "diagnoses")
SPANISH: dict[str, Any] = {
    name: [f"Texto: {text}" for text in value] if isinstance(value, list) else f"Texto: {value}"
    for name, value in ENGLISH.items()
}


def language(status: Any = "draft", kind: str = "diagnoses", name: str = RULE.id, **entry: Any) -> Language:
    facts = LanguageFacts(title="Español", status=status, note="Sin revisar.")
    return Language(facts, {kind: {name: {"of": digest(ENGLISH), **SPANISH, **entry}}}, {})


def faults(words_of: Language) -> list[str]:
    return list(language_faults(RULESET, "es", words_of))


def test_a_draft_may_be_incomplete_but_not_wrong() -> None:
    assert faults(language()) == []


def test_a_complete_language_names_every_record_it_lacks() -> None:
    found = faults(language("complete"))
    lacking = sum(bool(words(record, kind)) for kind in WORDS for record in getattr(RULESET, kind).values()) - 1
    assert len(found) == lacking
    assert all(fault.endswith(" is missing") for fault in found)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (lambda: language(of="000000000000"), "is stale"),
        (lambda: language(title=""), "title is empty"),
        (lambda: language(summary="El filtro está cargado."), "summary has other placeholders"),
        (lambda: language(why_it_matters=RULE.why_it_matters), "why_it_matters is still in English"),
        (lambda: language(known_false_alarms=[]), "has not the shape of the English"),
        (lambda: language(cure="Cámbielo."), "has not the shape of the English"),
        (lambda: language(title=["Filtro"]), "title has not the shape"),
        (lambda: language(kind="proverbs"), "proverbs is no kind of record"),
        (lambda: language(name="no_such_rule"), "diagnoses has no no_such_rule"),
        (lambda: replace(language(), phrases={"{what} falls.": "Baja."}), "has other placeholders"),
        (lambda: replace(language(), phrases={"None at all, here.": "None at all, here."}), "still in English"),
    ],
)
def test_a_fault_is_named(wrong: Callable[[], Language], said: str) -> None:
    assert any(said in fault for fault in faults(wrong())), faults(wrong())


def test_changed_english_makes_a_translation_stale() -> None:
    changed = replace(RULE, what_to_do=RULE.what_to_do + " Then read it again.")
    ruleset = replace(RULESET, diagnoses={**RULESET.diagnoses, RULE.id: changed})
    found = list(language_faults(ruleset, "es", language()))
    assert len(found) == 1
    assert "filter_loaded is stale" in found[0]
    assert "filter_loaded" in unfinished(ruleset, language())["diagnoses"]
    assert "filter_loaded" not in unfinished(RULESET, language())["diagnoses"]


def test_what_is_unfinished_is_given_with_the_digest_it_must_have() -> None:
    entry = unfinished(RULESET, Language(language().facts, {}, {}))["diagnoses"][RULE.id]
    assert entry == {"of": digest(ENGLISH), **ENGLISH}


def test_a_ruleset_in_a_language_keeps_everything_but_its_words() -> None:
    spoken = in_language(RULESET, language()).diagnoses[RULE.id]
    assert spoken.title == f"Texto: {RULE.title}"
    assert spoken.known_false_alarms == [f"Texto: {text}" for text in RULE.known_false_alarms]
    restored = replace(spoken, **{name: getattr(RULE, name) for name in WORDS["diagnoses"]})
    assert restored == RULE


def test_translations_do_not_change_the_digest(tmp_path: Path) -> None:
    plain, _ = read_ruleset(copied(tmp_path / "plain"))
    folder = copied(tmp_path / "spoken")
    spoken_folder = folder / "languages" / "xx"
    spoken_folder.mkdir(parents=True)
    (spoken_folder / "language.toml").write_text('title = "Invented"\nstatus = "draft"\nnote = "None."\n')
    (spoken_folder / "phrases.toml").write_text('"not measured" = "xyz"\n')
    spoken, found = read_ruleset(folder)
    assert plain is not None
    assert spoken is not None
    assert found == []
    assert spoken.digest == plain.digest
    assert spoken.languages["xx"].phrases == {"not measured": "xyz"}


def test_a_file_of_no_known_kind_is_refused(tmp_path: Path) -> None:
    folder = copied(tmp_path / "rules")
    spoken_folder = folder / "languages" / "xx"
    spoken_folder.mkdir(parents=True)
    (spoken_folder / "language.toml").write_text('title = "Invented"\nstatus = "draft"\nnote = "None."\n')
    (spoken_folder / "proverbs.toml").write_text("")
    _, found = read_ruleset(folder)
    assert found == ["languages/xx/proverbs.toml: no kind of record with words has this name"]


def copied(folder: Path) -> Path:
    """The rules without cases."""
    folder.mkdir()
    for entry in rules_folder().iterdir():
        if entry.name not in ("cases", "languages", "released"):
            (folder / entry.name).symlink_to(entry)
    return folder
