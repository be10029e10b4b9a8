"""`rules/` read into one immutable `Ruleset` with its SHA-256 digest: all of it or, with every fault named, none."""

from service.ruleset.folder import rules_folder
from service.ruleset.lint import lint
from service.ruleset.load import load_ruleset
from service.ruleset.released import (
    LockEntry,
    completed,
    read_lock,
    read_released,
    spoken_today,
    version_key,
    working_faults,
)

__all__ = [
    "LockEntry",
    "completed",
    "lint",
    "load_ruleset",
    "read_lock",
    "read_released",
    "rules_folder",
    "spoken_today",
    "version_key",
    "working_faults",
]
