"""Reading the rules folder: shapes, all or nothing, and the digest that names exactly these rules."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from service.errors import RulesetRefused
from service.ruleset import load_ruleset, rules_folder
from service.ruleset.load import read_cases, read_ruleset

CAUTION = "cautions/capacitor_charge.toml"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the rules without their cases."""
    return Path(shutil.copytree(rules_folder(), tmp_path / "rules", ignore=shutil.ignore_patterns("cases")))


def edit(path: Path, change: Callable[[str], str]) -> None:
    before = path.read_text(encoding="utf-8")
    after = change(before)
    assert after != before
    path.write_text(after, encoding="utf-8")


def test_the_rules_that_come_with_the_service_are_fit_to_be_used() -> None:
    ruleset = load_ruleset(rules_folder())
    assert len(ruleset.diagnoses) >= 35
    assert all(key == entry.id for key, entry in ruleset.diagnoses.items())


# The digest ------------------------------------------------------------------------------------------------------


def test_the_same_rules_have_the_same_digest(folder: Path) -> None:
    assert load_ruleset(folder).digest == load_ruleset(folder).digest == load_ruleset(rules_folder()).digest


def test_a_digest_is_sha_256_in_hexadecimal(folder: Path) -> None:
    assert len(bytes.fromhex(load_ruleset(folder).digest)) == 32


@pytest.mark.parametrize(
    ("name", "before", "after"),
    [
        ("ruleset.toml", 'version = "', 'version = "9'),
        ("vocabulary/units.toml", 'symbol = "Pa"', 'symbol = "pa"'),
        (CAUTION, 'title = "', 'title = "Mind: '),
        ("criteria/static_pressure/external_static_pressure_maximum.toml", "confidence = 0.95", "confidence = 0.9"),
        ("diagnosis/filter/filter_loaded.toml", 'severity = "advisory"', 'severity = "note"'),
        ("instruments/manometer.toml", "share = 0.01", "share = 0.02"),
    ],
)
def test_whatever_bears_on_a_judgement_changes_the_digest(folder: Path, name: str, before: str, after: str) -> None:
    known = load_ruleset(folder).digest
    edit(folder / name, lambda text: text.replace(before, after, 1))
    changed, _ = read_ruleset(folder)
    assert changed is not None
    assert changed.digest != known


def test_form_and_place_are_no_part_of_the_digest(folder: Path) -> None:
    before = load_ruleset(folder).digest
    edit(folder / CAUTION, lambda text: "# A remark.\n" + "\n".join(reversed(text.strip().splitlines())) + "\n")
    place = folder / "diagnosis" / "filter" / "filter_loaded.toml"
    place.rename(folder / "diagnosis" / "coil" / "filter_loaded.toml")
    assert load_ruleset(folder).digest == before


def test_words_about_the_rules_are_no_part_of_the_digest(folder: Path) -> None:
    before = load_ruleset(folder).digest
    edit(folder / "README.md", lambda text: text + "One more line.\n")
    edit(folder / "ruleset.toml", lambda text: text.replace('title = "', 'title = "Other: '))
    (folder / "cases" / "filter").mkdir(parents=True)
    (folder / "cases" / "filter" / "filter_loaded.toml").write_text('rule = "filter_loaded"\ncase = []\n')
    assert load_ruleset(folder).digest == before


# Refusals of shape -----------------------------------------------------------------------------------------------


def refusal(folder: Path) -> str:
    with pytest.raises(RulesetRefused) as refused:
        load_ruleset(folder)
    return str(refused.value)


def test_an_unknown_key_is_refused_and_named(folder: Path) -> None:
    edit(folder / CAUTION, lambda text: text + 'colour = "red"\n')
    assert CAUTION in refusal(folder)
    assert "colour" in refusal(folder)


def test_a_missing_key_is_refused_and_named(folder: Path) -> None:
    edit(folder / CAUTION, lambda text: text.replace("rests_on =", "# rests_on ="))
    assert "rests_on" in refusal(folder)


def test_a_word_outside_a_closed_list_is_refused(folder: Path) -> None:
    edit(folder / CAUTION, lambda text: text.replace('checked = "practice"', 'checked = "believed"'))
    assert "believed" in refusal(folder)


@pytest.mark.parametrize(
    "content", [b"id = ", b'id = "a"\nid = "b"\n', b'id = "\xff\xfe"\n'], ids=["cut off", "key twice", "not UTF-8"]
)
def test_broken_toml_is_refused_with_its_file(folder: Path, content: bytes) -> None:
    (folder / CAUTION).write_bytes(content)
    assert CAUTION in refusal(folder)


def test_a_file_name_that_is_not_the_id_is_refused(folder: Path) -> None:
    (folder / CAUTION).rename(folder / "cautions" / "stored_charge.toml")
    assert "the file name must be the id" in refusal(folder)


def test_an_id_in_two_topics_is_refused(folder: Path) -> None:
    rule = folder / "diagnosis" / "filter" / "filter_loaded.toml"
    shutil.copy(rule, folder / "diagnosis" / "coil" / "filter_loaded.toml")
    assert "filter_loaded is defined twice" in refusal(folder)


def test_a_word_defined_in_two_files_is_refused(folder: Path) -> None:
    shutil.copy(folder / "vocabulary" / "causes" / "coil.toml", folder / "vocabulary" / "causes" / "coil_again.toml")
    assert "coil_fouled is defined twice" in refusal(folder)


def test_a_folder_without_its_version_is_refused(folder: Path) -> None:
    (folder / "ruleset.toml").unlink()
    assert "ruleset.toml" in refusal(folder)


def test_a_ruleset_is_used_whole_or_not_at_all_and_every_fault_is_said(folder: Path) -> None:
    edit(folder / CAUTION, lambda text: text + 'colour = "red"\n')
    edit(folder / "instruments" / "manometer.toml", lambda text: text.replace("share = 0.01", 'share = "one"'))
    ruleset, faults = read_ruleset(folder)
    assert ruleset is None
    assert len(faults) == 2
    assert all(name in " ".join(faults) for name in (CAUTION, "manometer"))


def test_faults_of_meaning_are_refused_too(folder: Path) -> None:
    (folder / "sources" / "jcgm_106.toml").unlink()
    assert "the source jcgm_106 is not in sources/" in refusal(folder)


# Cases -----------------------------------------------------------------------------------------------------------


def cases_of(folder: Path, name: str, content: str) -> list[str]:
    path = folder / "cases" / "filter" / name
    path.parent.mkdir(parents=True)
    path.write_text(content, encoding="utf-8")
    return read_cases(folder)[1]


CASE = '[[case]]\nkind = "fires"\ntitle = "t"\narithmetic = "a"\nvisit = "v"\n'


def test_a_case_file_is_read(folder: Path) -> None:
    assert cases_of(folder, "filter_loaded.toml", f'rule = "filter_loaded"\n{CASE}') == []
    assert [case.kind for case in read_cases(folder)[0]["filter_loaded"].case] == ["fires"]


def test_a_case_file_about_another_rule_is_refused(folder: Path) -> None:
    faults = cases_of(folder, "filter_loaded.toml", f'rule = "filter_missing"\n{CASE}')
    assert len(faults) == 1
    assert "the file name must be the rule's id" in faults[0]


def test_a_kind_of_case_that_does_not_exist_is_refused(folder: Path) -> None:
    faults = cases_of(folder, "filter_loaded.toml", f'rule = "filter_loaded"\n{CASE.replace("fires", "burns")}')
    assert len(faults) == 1
    assert "burns" in faults[0]
