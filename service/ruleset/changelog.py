"""`CHANGELOG.md` of the rules: one section a version, each saying which visits its changes bear on."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from pathlib import Path

NAME = "CHANGELOG.md"
UNRELEASED = "Unreleased"
"""Where changes may be noted until they are given a version."""

_SECTION = re.compile(r"^## (\S+)[^\n]*\n(.*?)(?=^## |\Z)", re.MULTILINE | re.DOTALL)
_DAY = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
_AFFECTED = re.compile(
    rf"^Visits affected: (?:all|none|from {_DAY}(?: until {_DAY})?|until {_DAY})(?:[.,;:][^\n]*)?$", re.MULTILINE
)


def sections(root: Path) -> dict[str, str]:
    """Version -> its section, newest first as they stand."""
    path = root / NAME
    return dict(_SECTION.findall(path.read_text(encoding="utf-8"))) if path.is_file() else {}


def changelog_faults(root: Path, version: str, dates: Sequence[date] = ()) -> list[str]:
    """What the section of a version lacks.

    Parameters
    ----------
    dates : dates of limits that changed; the section must name each
    """
    said = sections(root)
    if version not in said:
        return [f"{NAME}: there is no section `## {version}`"]
    faults = [f"{NAME}: put what stands under `## {UNRELEASED}` into the section of the version"] * (UNRELEASED in said)
    faults += [f"{NAME}: version {version} does not say when {day} comes in" for day in _unsaid(said[version], dates)]
    if not _AFFECTED.search(said[version]):
        faults.append(
            f"{NAME}: version {version} has no line `Visits affected:` with all, none, from YYYY-MM-DD, "
            "until YYYY-MM-DD or from YYYY-MM-DD until YYYY-MM-DD"
        )
    return faults


def _unsaid(section: str, dates: Sequence[date]) -> list[str]:
    return [day.isoformat() for day in dates if day.isoformat() not in section]
