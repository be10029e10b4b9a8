"""Reading the TOML files. Shapes are checked here, meaning in `lint`; `load_ruleset` refuses faults of either kind."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from service.errors import RulesetRefused
from service.model.ruleset import (
    Access,
    Arrangement,
    Assumption,
    CaseFile,
    Cause,
    Caution,
    ChangeKind,
    Criterion,
    Diagnosis,
    Dimension,
    ElementKind,
    Evidence,
    Fix,
    Instrument,
    Language,
    LanguageFacts,
    Observation,
    Place,
    Procedure,
    QuantityEntry,
    Release,
    Ruleset,
    SeverityCriteria,
    Source,
    StationName,
    Technique,
    Wording,
)
from service.ruleset.languages import WORDS
from service.ruleset.lint import lint
from service.ruleset.released import digest_of

T = TypeVar("T")


class _Folder:
    """One rules folder and the faults met in it."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.faults: list[str] = []

    def document(self, path: Path) -> dict[str, Any]:
        name = path.relative_to(self.root).as_posix()
        try:
            content = path.read_bytes()
        except OSError:
            self.faults.append(f"{name}: cannot be read")
            return {}
        try:
            return tomllib.loads(content.decode())
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            self.faults.append(f"{name}: {error}")
            return {}

    def convert(self, where: str, value: object, kind: type[T]) -> T | None:
        try:
            return msgspec.convert(value, kind)
        except msgspec.ValidationError as error:
            self.faults.append(f"{where}: {error}")
            return None

    def table(self, pattern: str, kind: type[T]) -> dict[str, T]:
        """Files whose top-level keys are ids."""
        entries: dict[str, T] = {}
        for path in sorted(self.root.glob(pattern)):
            name = path.relative_to(self.root).as_posix()
            for key, value in self.document(path).items():
                if key in entries:
                    self.faults.append(f"{name}: {key} is defined twice")
                entry = self.convert(f"{name}: {key}", value, kind)
                if entry is not None:
                    entries[key] = entry
        return entries

    def files(self, pattern: str, kind: type[T]) -> dict[str, T]:
        """One record a file, whose name is the record's id."""
        entries: dict[str, T] = {}
        for path in sorted(self.root.glob(pattern)):
            name = path.relative_to(self.root).as_posix()
            entry = self.convert(name, self.document(path), kind)
            if entry is None:
                continue
            key: str = entry.id  # type: ignore[attr-defined]
            if key != path.stem:
                self.faults.append(f"{name}: its id is {key}; the file name must be the id")
            if key in entries:
                self.faults.append(f"{name}: {key} is defined twice")
            entries[key] = entry
        return entries


def load_ruleset(root: Path) -> Ruleset:
    """The ruleset under `root`.

    Raises
    ------
    RulesetRefused : with every fault of shape or meaning; a ruleset is used whole or not at all
    """
    ruleset, faults = read_ruleset(root)
    if ruleset is None or faults:
        raise RulesetRefused(faults)
    return ruleset


def read_ruleset(root: Path) -> tuple[Ruleset | None, list[str]]:
    """The ruleset as far as its shape allows, and every fault of shape and meaning."""
    folder = _Folder(root)
    release = folder.convert("ruleset.toml", folder.document(root / "ruleset.toml"), Release)
    evidence = folder.convert("vocabulary/evidence.toml", folder.document(root / "vocabulary/evidence.toml"), Evidence)
    parts = {
        "dimensions": folder.table("vocabulary/units.toml", Dimension),
        "quantities": folder.table("vocabulary/quantities/*.toml", QuantityEntry),
        "stations": folder.table("vocabulary/stations.toml", StationName),
        "places": folder.table("vocabulary/places.toml", Place),
        "elements": folder.table("vocabulary/elements.toml", ElementKind),
        "arrangements": folder.table("vocabulary/arrangements.toml", Arrangement),
        "observations": folder.table("vocabulary/observations.toml", Observation),
        "assumptions": folder.table("vocabulary/assumptions.toml", Assumption),
        "changes": folder.table("vocabulary/changes.toml", ChangeKind),
        "fixes": folder.table("vocabulary/fixes.toml", Fix),
        "causes": folder.table("vocabulary/causes/*.toml", Cause),
        "instruments": folder.files("instruments/*.toml", Instrument),
        "sources": folder.files("sources/*.toml", Source),
        "criteria": folder.files("criteria/*/*.toml", Criterion),
        "diagnoses": folder.files("diagnosis/*/*.toml", Diagnosis),
        "cautions": folder.files("cautions/*.toml", Caution),
        "procedures": folder.files("procedures/*.toml", Procedure),
        "access": folder.files("access/*.toml", Access),
        "techniques": folder.files("techniques/*.toml", Technique),
        "severities": folder.table("severity.toml", SeverityCriteria),
        "wording": folder.convert("wording.toml", folder.document(root / "wording.toml"), Wording),
    }
    languages = _languages(folder)
    if release is None or evidence is None or folder.faults:
        return None, folder.faults
    topics = {path.stem: path.parent.name for path in sorted(root.glob("diagnosis/*/*.toml"))}
    ruleset = Ruleset(
        release=release,
        digest="",
        languages=languages,
        evidence=evidence,
        topics=topics,
        **parts,  # type: ignore[arg-type]
    )
    ruleset = msgspec.structs.replace(ruleset, digest=digest_of(ruleset))
    return ruleset, lint(ruleset)


def _languages(folder: _Folder) -> dict[str, Language]:
    """Every folder under `languages/`, by its name."""
    found: dict[str, Language] = {}
    for path in sorted(folder.root.glob("languages/*/language.toml")):
        code = path.parent.name
        name = path.relative_to(folder.root).as_posix()
        facts = folder.convert(name, folder.document(path), LanguageFacts)
        entries = {
            kind: {
                **folder.table(f"languages/{code}/{kind}.toml", dict[str, Any]),
                **folder.table(f"languages/{code}/{kind}/*.toml", dict[str, Any]),
            }
            for kind in WORDS
        }
        known = {f"{kind}.toml" for kind in WORDS} | {"language.toml", "phrases.toml"}
        folder.faults += [
            f"{other.relative_to(folder.root).as_posix()}: no kind of record with words has this name"
            for other in sorted(path.parent.iterdir())
            if other.name not in known and other.name not in WORDS
        ]
        phrases = folder.table(f"languages/{code}/phrases.toml", str)
        if facts is not None:
            found[code] = Language(facts, entries, phrases)
    return found


def read_cases(root: Path) -> tuple[dict[str, CaseFile], list[str]]:
    """Case files by rule, and every fault of their shape."""
    folder = _Folder(root)
    cases: dict[str, CaseFile] = {}
    for path in sorted(root.glob("cases/*/*.toml")):
        if path.parent.name in ("healthy", "visits"):
            continue
        name = path.relative_to(root).as_posix()
        entry = folder.convert(name, folder.document(path), CaseFile)
        if entry is None:
            continue
        if entry.rule != path.stem:
            folder.faults.append(f"{name}: it is about {entry.rule}; the file name must be the rule's id")
        cases[entry.rule] = entry
    return cases, folder.faults
