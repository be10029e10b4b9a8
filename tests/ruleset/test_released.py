"""Releasing in a copy of the rules; the lock of this repository; reading released versions with a later service."""

from __future__ import annotations

import datetime
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from msgspec.structs import replace

from service.errors import RulesetRefused
from service.model.ruleset import Ruleset
from service.ruleset import load_ruleset, rules_folder
from service.ruleset.changelog import UNRELEASED, changelog_faults, sections
from service.ruleset.released import (
    completed,
    digest_of,
    read_lock,
    read_released,
    release_faults,
    released_faults,
    spoken_today,
    working_faults,
    write_release,
)

TODAY = datetime.date(2199, 1, 1)
"""Later than any release, so that only the order of dates counts."""

CAUTION = "cautions/capacitor_charge.toml"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the rules at hand, nothing released yet; without translations, which edits here would make stale."""
    left_out = shutil.ignore_patterns("cases", "released", "languages")
    copy = Path(shutil.copytree(rules_folder(), tmp_path / "rules", ignore=left_out))
    version = load_ruleset(copy).release.version
    (copy / "CHANGELOG.md").write_text(f"# Changes\n\n## {version}\n\nVisits affected: all.\n\nFirst rules.\n")
    return copy


def edit(path: Path, change: Callable[[str], str]) -> None:
    before = path.read_text(encoding="utf-8")
    after = change(before)
    assert after != before
    path.write_text(after, encoding="utf-8")


def raise_version(folder: Path, version: str, said: str = "Visits affected: all.\n", **changes: str) -> None:
    known = load_ruleset(folder).release.version
    edit(folder / "ruleset.toml", lambda text: text.replace(f'version = "{known}"', f'version = "{version}"'))
    edit(folder / "CHANGELOG.md", lambda text: text.replace("## ", f"## {version}\n\n{said}\n## ", 1))


def release(folder: Path) -> None:
    ruleset = load_ruleset(folder)
    assert release_faults(folder, ruleset, TODAY) == []
    write_release(folder, ruleset)


def refused(folder: Path, today: datetime.date = TODAY) -> str:
    return "\n".join(release_faults(folder, load_ruleset(folder), today))


# This repository ---------------------------------------------------------------------------------------------------


def test_every_locked_version_is_in_its_file_and_no_lock_forbids_the_rules_at_hand() -> None:
    assert released_faults(rules_folder(), load_ruleset(rules_folder())) == []


def test_the_changelog_begins_with_the_version_at_hand_and_each_version_says_which_visits_it_affects() -> None:
    said = sections(rules_folder())
    version, released = load_ruleset(rules_folder()).release.version, [e.version for e in read_lock(rules_folder())]
    first, *earlier = said
    assert first == version or (first == UNRELEASED and version not in released)
    assert [fault for name in said if name != UNRELEASED for fault in _lacking(name)] == []
    assert UNRELEASED not in earlier
    assert set(released) <= set(said)


def _lacking(version: str) -> list[str]:
    faults = changelog_faults(rules_folder(), version)
    return [fault for fault in faults if UNRELEASED not in fault]


# Releasing -------------------------------------------------------------------------------------------------------


def test_a_release_is_read_back_as_it_was_with_the_digest_of_the_folder(folder: Path) -> None:
    assert read_lock(folder) == ()
    release(folder)
    ruleset = load_ruleset(folder)
    (entry,) = read_lock(folder)
    assert (entry.version, entry.digest) == (ruleset.release.version, ruleset.digest)
    read = read_released(folder, entry)
    assert read == ruleset
    assert [list(getattr(read, name)) for name in ("quantities", "causes", "criteria", "elements")] == [
        list(getattr(ruleset, name)) for name in ("quantities", "causes", "criteria", "elements")
    ]
    assert released_faults(folder, ruleset) == []
    text = (folder / "released" / f"{entry.version}.json").read_text(encoding="utf-8")
    assert re.search(r'\n +"filter_loaded": \{\n +"id": "filter_loaded",\n', text), "one field a line"


def test_a_version_is_released_once(folder: Path) -> None:
    release(folder)
    assert "was released before" in refused(folder)
    edit(folder / CAUTION, lambda text: text.replace('title = "', 'title = "Mind: '))
    assert "was released before" in refused(folder)


def test_the_next_release_is_added_and_the_first_stays(folder: Path) -> None:
    release(folder)
    first = {path.name: path.read_bytes() for path in (folder / "released").iterdir()}
    raise_version(folder, "9.0.0")
    edit(folder / CAUTION, lambda text: text.replace('title = "', 'title = "Mind: '))
    release(folder)
    after = {path.name: path.read_bytes() for path in (folder / "released").iterdir()}
    assert after["lock.toml"].startswith(first.pop("lock.toml"))
    assert after.items() >= first.items()
    assert [entry.version for entry in read_lock(folder)][1:] == ["9.0.0"]


def test_too_small_a_step_is_refused_and_says_what_asks_for_more(folder: Path) -> None:
    raise_version(folder, "9.0.0")
    release(folder)
    raise_version(folder, "9.0.1")
    edit(folder / "instruments" / "manometer.toml", lambda text: text.replace("share = 0.01", "share = 0.02"))
    assert "a major one is needed: instruments manometer changed" in refused(folder)


def test_a_version_without_its_section_or_its_visits_is_refused(folder: Path) -> None:
    edit(folder / "CHANGELOG.md", lambda text: text.replace("Visits affected: all.", "Everything."))
    assert "no line `Visits affected:`" in refused(folder)
    edit(folder / "CHANGELOG.md", lambda text: text.replace("## ", "### "))
    assert "there is no section" in refused(folder)


def test_changes_that_no_version_has_are_refused(folder: Path) -> None:
    edit(folder / "CHANGELOG.md", lambda text: text.replace("## ", "## Unreleased\n\n- More.\n\n## ", 1))
    assert "put what stands under `## Unreleased` into the section of the version" in refused(folder)


@pytest.mark.parametrize(
    ("line", "fit"),
    [
        ("all", True),
        ("none, words only.", True),
        ("from 2027-01-01", True),
        ("from 2027-01-01 until 2027-12-31.", True),
        ("until 2026-12-31; the rest as before", True),
        ("some", False),
        ("from next year", False),
        ("", False),
    ],
)
def test_which_visits_are_affected_is_said_in_one_form(folder: Path, line: str, fit: bool) -> None:
    edit(folder / "CHANGELOG.md", lambda text: text.replace("Visits affected: all.", f"Visits affected: {line}"))
    version = load_ruleset(folder).release.version
    assert (changelog_faults(folder, version) == []) == fit


def test_the_dates_of_a_changed_limit_are_to_be_named(folder: Path) -> None:
    release(folder)
    raise_version(folder, "9.0.0")
    limit = folder / "criteria" / "power" / "power_per_airflow_limit.toml"
    edit(limit, lambda text: text.replace("upper = 0.45", "upper = 0.44", 1))
    assert "does not say when 2020-01-01 comes in" in refused(folder)
    edit(folder / "CHANGELOG.md", lambda text: text.replace("all.\n", "from 2020-01-01.\n", 1))
    assert refused(folder) == ""


def test_the_day_of_a_release_is_neither_ahead_nor_before_the_last(folder: Path) -> None:
    day = load_ruleset(folder).release.released
    assert "lies ahead" in refused(folder, day - datetime.timedelta(days=1))
    release(folder)
    raise_version(folder, "9.0.0")
    edit(folder / CAUTION, lambda text: text.replace('title = "', 'title = "Mind: '))
    edit(folder / "ruleset.toml", lambda text: text.replace(f"released = {day}", "released = 2001-01-01"))
    assert "lies before the release of" in refused(folder)


# The lock --------------------------------------------------------------------------------------------------------


def test_a_released_file_that_was_changed_is_noticed(folder: Path) -> None:
    release(folder)
    (entry,) = read_lock(folder)
    path = folder / "released" / f"{entry.version}.json"
    kept = path.read_text(encoding="utf-8")
    for spoiled in (kept.replace('"share": 0.01', '"share": 0.02', 1), kept.replace('"title"', '"name"', 1), "{"):
        assert spoiled != kept
        path.write_text(spoiled, encoding="utf-8")
        with pytest.raises(RulesetRefused, match=f"released/{entry.version}.json"):
            read_released(folder, entry)
        assert released_faults(folder)
    path.unlink()
    assert released_faults(folder) == [f"released/{entry.version}.json: cannot be read"]


def test_a_file_that_the_lock_does_not_name_is_noticed(folder: Path) -> None:
    release(folder)
    (folder / "released" / "9.9.9.json").write_text("{}")
    assert released_faults(folder) == ["released/9.9.9.json: the lock does not name it"]


@pytest.mark.parametrize("spoil", [lambda text: text + text, lambda text: text + "x", lambda text: text + "y = 1\n"])
def test_a_lock_that_cannot_be_relied_on_is_refused(folder: Path, spoil: Callable[[str], str]) -> None:
    release(folder)
    edit(folder / "released" / "lock.toml", spoil)
    with pytest.raises(RulesetRefused, match=r"released/lock\.toml"):
        read_lock(folder)
    assert released_faults(folder)


def test_rules_under_a_released_version_are_those_that_were_released(folder: Path) -> None:
    release(folder)
    lock = read_lock(folder)
    assert working_faults(lock, load_ruleset(folder)) == []
    edit(folder / CAUTION, lambda text: text.replace('title = "', 'title = "Mind: '))
    assert "raise the version" in working_faults(lock, load_ruleset(folder))[0]
    raise_version(folder, "9.0.0")
    assert working_faults(lock, load_ruleset(folder)) == []


# Older shapes ----------------------------------------------------------------------------------------------------


def test_a_field_that_came_later_has_its_default_and_changes_no_digest(folder: Path) -> None:
    """A file written before `changes`, `languages`, `needs` or `fix` were known."""
    release(folder)
    (entry,) = read_lock(folder)
    path = folder / "released" / f"{entry.version}.json"
    older: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    for section in ("changes", "languages"):
        older.pop(section)
    for cause in older["causes"].values():
        cause.pop("needs", None)
        cause.pop("fix", None)
    ruleset = msgspec.json.decode(json.dumps(older), type=Ruleset)
    assert ruleset.changes == {}
    assert all(cause.needs == [] for cause in ruleset.causes.values())
    spelled_out = msgspec.json.decode(json.dumps(older | {"changes": {}, "languages": {}}), type=Ruleset)
    assert digest_of(ruleset) == digest_of(spelled_out) != entry.digest


def test_an_older_version_is_completed_and_nothing_of_it_changes(folder: Path) -> None:
    newest = load_ruleset(folder)
    pressure = newest.dimensions["gauge_pressure"]
    old = replace(
        newest,
        quantities={k: v for k, v in newest.quantities.items() if k != "largest_exhaust"},
        assumptions={k: v for k, v in newest.assumptions.items() if k != "room_pressure_aim"},
        instruments={
            k: replace(v, reading_kinds=[*v.reading_kinds, "invented"]) if k == "manometer" else v
            for k, v in newest.instruments.items()
            if k != "barometer"
        },
        dimensions=newest.dimensions
        | {"gauge_pressure": replace(pressure, unit=[replace(u, spellings=[]) for u in pressure.unit[1:]])},
        cautions={k: v for k, v in newest.cautions.items() if k not in named_by_changes(newest)},
        changes={},
    )
    newer = replace(
        newest,
        instruments=newest.instruments
        | {"invented": replace(newest.instruments["manometer"], id="invented", reading_kinds=["invented", "other"])},
    )
    full = completed(old, newer)
    for name in Ruleset.__struct_fields__:
        held = getattr(old, name)
        if isinstance(held, dict) and name != "dimensions":
            assert {key: getattr(full, name)[key] for key in held} == held, name
        elif name != "dimensions":
            assert getattr(full, name) == held
    assert full.quantities["largest_exhaust"] == newest.quantities["largest_exhaust"]
    assert full.assumptions["room_pressure_aim"] == newest.assumptions["room_pressure_aim"]
    assert full.instruments["invented"].reading_kinds == ["other"]
    units = {unit.code: unit.spellings for unit in full.dimensions["gauge_pressure"].unit}
    assert units.keys() == {unit.code for unit in pressure.unit}
    assert {spelling for spellings in units.values() for spelling in spellings} == {
        spelling for unit in pressure.unit for spelling in unit.spellings
    }
    added = set(full.cautions) - set(old.cautions)
    assert added == named_by_changes(newest) != set()
    brought = [full.cautions[name] for name in added]
    assert not any(caution.always or caution.with_tokens or caution.with_equipment for caution in brought)
    assert (full.criteria, full.diagnoses, full.causes) == (old.criteria, old.diagnoses, old.causes)


def named_by_changes(ruleset: Ruleset) -> set[str]:
    return {name for change in ruleset.changes.values() for name in change.cautions}


def test_a_released_version_speaks_the_sentences_of_the_service_as_they_are_today(folder: Path) -> None:
    shutil.copytree(rules_folder() / "languages", folder / "languages")
    release(folder)
    said = load_ruleset(folder).languages["es"].phrases
    phrases = folder / "languages" / "es" / "phrases.toml"
    edit(phrases, lambda text: text + '\n"{count} visits are left out." = "Se omiten {count} visitas."\n')
    (entry,) = read_lock(folder)
    old = spoken_today(read_released(folder, entry), load_ruleset(folder))
    assert old.languages["es"].phrases == {**said, "{count} visits are left out.": "Se omiten {count} visitas."}
    assert old.digest == entry.digest
