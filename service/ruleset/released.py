"""Released versions of the rules: each frozen in one file, with its digest in a lock that only grows.

`released/<version>.json` holds a whole `Ruleset`. It is plain JSON rather than compressed: a reviewer can read it and
compare two of them, a repository stores near-alike texts as differences, and a wheel is compressed as it is.
"""

from __future__ import annotations

import datetime
import hashlib
import tomllib
from pathlib import Path

import msgspec

from service.errors import RulesetRefused
from service.model.difference import STEPS, RulesetDifference, Step
from service.model.ruleset import Record, Ruleset, Unit
from service.ruleset.changelog import changelog_faults
from service.ruleset.difference import JUDGES_NOTHING, affected_dates, difference

FOLDER = "released"
LOCK = "lock.toml"
HEADING = "# Written by `airside rules release`, one entry a version; entries are never edited or removed.\n"

FILLED = (
    "dimensions", "quantities", "stations", "places", "elements", "arrangements", "observations", "assumptions",
    "instruments", "sources", "changes",
)  # fmt: skip
"""What the service itself looks up; an older version may lack entries that came later."""


class LockEntry(Record, frozen=True, kw_only=True):
    """One released version."""

    version: str
    released: datetime.date
    digest: str


class _Lock(Record, frozen=True, kw_only=True):
    release: list[LockEntry] = []


def digest_of(ruleset: Ruleset) -> str:
    """SHA-256, hexadecimal, of everything that bears on a judgement, in one canonical form.

    Version and every record count; what ruleset.toml says about the version, the translations, comments, the order of
    keys and the place of files do not. Fields at their default are left out, so that a field added later changes no
    digest.
    """
    judged = {name: getattr(ruleset, name) for name in ruleset.__struct_fields__ if name not in JUDGES_NOTHING}
    content = {"version": ruleset.release.version} | {name: held for name, held in judged.items() if held}
    return hashlib.sha256(msgspec.json.encode(content, order="sorted")).hexdigest()


def version_key(version: str) -> tuple[int, ...]:
    """Orders versions by their numbers."""
    return tuple(int(part) for part in version.split("."))


# Reading ---------------------------------------------------------------------------------------------------------


def read_lock(root: Path) -> tuple[LockEntry, ...]:
    """The released versions under a rules folder, oldest first; none where nothing was released.

    Raises
    ------
    RulesetRefused : the lock cannot be read, or names a version twice or out of order
    """
    path = root / FOLDER / LOCK
    if not path.is_file():
        return ()
    try:
        entries = msgspec.convert(tomllib.loads(path.read_text(encoding="utf-8")), _Lock).release
        keys = [version_key(entry.version) for entry in entries]
    except (tomllib.TOMLDecodeError, msgspec.ValidationError, ValueError) as error:
        raise RulesetRefused([f"{FOLDER}/{LOCK}: {error}"]) from None
    if keys != sorted(set(keys)):
        raise RulesetRefused([f"{FOLDER}/{LOCK}: versions must each stand there once, oldest first"])
    return tuple(entries)


def read_released(root: Path, entry: LockEntry) -> Ruleset:
    """A released version from its file. Fields that came later have their defaults; it is not linted again.

    Raises
    ------
    RulesetRefused : the file is missing, is no ruleset, or is not what was locked
    """
    name = f"{FOLDER}/{entry.version}.json"
    try:
        ruleset = msgspec.json.decode((root / name).read_bytes(), type=Ruleset)
    except OSError:
        raise RulesetRefused([f"{name}: cannot be read"]) from None
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise RulesetRefused([f"{name}: {error}"]) from None
    digest = digest_of(ruleset)
    if (ruleset.release.version, digest, ruleset.digest) != (entry.version, entry.digest, entry.digest):
        raise RulesetRefused([f"{name}: it is not the version {entry.version} that was locked"])
    return ruleset


def released_faults(root: Path, working: Ruleset | None = None) -> list[str]:
    """Files that are not what was locked, files that were never locked, and working rules that a lock forbids."""
    try:
        lock = read_lock(root)
    except RulesetRefused as refused:
        return list(refused.faults)
    faults: list[str] = []
    for entry in lock:
        try:
            read_released(root, entry)
        except RulesetRefused as refused:
            faults += refused.faults
    known = {f"{entry.version}.json" for entry in lock} | {LOCK}
    strays = sorted(path.name for path in (root / FOLDER).glob("*") if path.name not in known)
    faults += [f"{FOLDER}/{name}: the lock does not name it" for name in strays]
    return faults + ([] if working is None else working_faults(lock, working))


def working_faults(lock: tuple[LockEntry, ...], working: Ruleset) -> list[str]:
    """Whether the working rules go under the version of a release that they are not."""
    version = working.release.version
    if any(entry.version == version and entry.digest != working.digest for entry in lock):
        return [f"ruleset.toml: version {version} was released with other content; raise the version"]
    return []


# Old versions under a newer service --------------------------------------------------------------------------------


def completed(old: Ruleset, newest: Ruleset) -> Ruleset:
    """An older version with what the service looks up today and that version did not know yet, such as the meaning of
    a quantity or a unit that came later. Nothing that was there changes: no criterion, rule, cause, caution, procedure
    or number. Its digest stays that of its own content.
    """
    filled = {name: getattr(newest, name) | getattr(old, name) for name in FILLED}
    covered = {kind for instrument in old.instruments.values() for kind in instrument.reading_kinds}
    filled["instruments"] = {
        key: entry
        if key in old.instruments
        else msgspec.structs.replace(entry, reading_kinds=[k for k in entry.reading_kinds if k not in covered])
        for key, entry in filled["instruments"].items()
    }
    filled["dimensions"] = {
        key: msgspec.structs.replace(entry, unit=_merged(entry.unit, newest.dimensions[key].unit))
        if key in newest.dimensions
        else entry
        for key, entry in filled["dimensions"].items()
    }
    named = {name for key, change in filled["changes"].items() if key not in old.changes for name in change.cautions}
    cautions = {
        name: msgspec.structs.replace(newest.cautions[name], with_tokens=[], with_equipment=[], always=False)
        for name in named - set(old.cautions)
    }
    return msgspec.structs.replace(old, **filled, cautions=old.cautions | cautions)


def spoken_today(old: Ruleset, at_hand: Ruleset) -> Ruleset:
    """A released version with the service's own sentences in the words that its languages have for them today: they
    belong to the service, not to a version of the rules."""
    return msgspec.structs.replace(
        old,
        languages={
            code: msgspec.structs.replace(entry, phrases={**entry.phrases, **at_hand.languages[code].phrases})
            if code in at_hand.languages
            else entry
            for code, entry in old.languages.items()
        },
    )


def _merged(old: list[Unit], new: list[Unit]) -> list[Unit]:
    """Units of an older version, with spellings that came later, and units that came later."""
    taken = {spelling for unit in old for spelling in (unit.code, *unit.spellings)}
    units = {unit.code: unit for unit in old}
    for later in new:
        fresh = [spelling for spelling in later.spellings if spelling not in taken]
        held = units.get(later.code)
        spellings = fresh if held is None else [*held.spellings, *fresh]
        units[later.code] = msgspec.structs.replace(later if held is None else held, spellings=spellings)
    return list(units.values())


# Releasing ---------------------------------------------------------------------------------------------------------


def newest_released(root: Path) -> Ruleset | None:
    """The newest released version; None where nothing was released."""
    lock = read_lock(root)
    return read_released(root, lock[-1]) if lock else None


def release_faults(root: Path, working: Ruleset, today: datetime.date) -> list[str]:
    """What stands against releasing the working rules, apart from faults of their own and of their cases."""
    lock = read_lock(root)
    version = working.release.version
    faults = released_faults(root)
    if any(entry.version == version for entry in lock):
        return [*faults, f"ruleset.toml: version {version} was released before; raise the version"]
    if working.release.released > today:
        faults.append(f"ruleset.toml: {working.release.released} lies ahead; name the day of the release")
    before = None if faults else newest_released(root)
    if before is None:
        return faults + changelog_faults(root, version)
    if working.release.released < lock[-1].released:
        faults.append(f"ruleset.toml: {working.release.released} lies before the release of {lock[-1].version}")
    found = difference(before, working)
    faults += step_faults(found)
    return faults + changelog_faults(root, version, affected_dates(found))


def step_faults(found: RulesetDifference) -> list[str]:
    """Whether the step from one version to the other is as large as what changed asks for."""
    if found.step is None:
        return [f"ruleset.toml: nothing has changed since {found.version}"]
    old, new = version_key(found.version), version_key(found.other_version)
    if new <= old:
        return [f"ruleset.toml: version {found.other_version} does not come after {found.version}"]
    taken: Step = "major" if new[0] > old[0] else "minor" if new[1] > old[1] else "patch"
    if STEPS.index(taken) >= STEPS.index(found.step):
        return []
    asking = [f"{entry.section} {entry.id} {entry.change}" for entry in found.entries if entry.step == found.step]
    return [
        f"ruleset.toml: from {found.version} to {found.other_version} is a {taken} step, but a {found.step} one is "
        f"needed: {', '.join(asking[:8])}{' ...' if len(asking) > 8 else ''}"
    ]


def write_release(root: Path, ruleset: Ruleset) -> LockEntry:
    """Freeze a ruleset in its file and add it to the lock, the lock last."""
    folder = root / FOLDER
    folder.mkdir(exist_ok=True)
    entry = LockEntry(version=ruleset.release.version, released=ruleset.release.released, digest=ruleset.digest)
    content = msgspec.json.format(msgspec.json.encode(ruleset), indent=1) + b"\n"  # in the order of the folder
    (folder / f"{entry.version}.json").write_bytes(content)
    read_released(root, entry)  # what cannot be read back is not locked
    lock = folder / LOCK
    written = lock.read_text(encoding="utf-8") if lock.is_file() else HEADING
    added = f'\n[[release]]\nversion = "{entry.version}"\nreleased = {entry.released}\ndigest = "{entry.digest}"\n'
    lock.write_text(written + added, encoding="utf-8")
    return entry
