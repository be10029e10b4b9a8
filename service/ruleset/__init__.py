"""`rules/` read into one immutable `Ruleset` with its SHA-256 digest: all of it or, with every fault named, none."""

from service.ruleset.folder import rules_folder
from service.ruleset.lint import lint
from service.ruleset.load import load_ruleset
from service.ruleset.released import completed, read_lock, read_released, version_key, working_faults

__all__ = [
    "completed",
    "lint",
    "load_ruleset",
    "read_lock",
    "read_released",
    "rules_folder",
    "version_key",
    "working_faults",
]
