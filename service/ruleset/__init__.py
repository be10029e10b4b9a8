"""`rules/` read into one immutable `Ruleset` with its SHA-256 digest: all of it or, with every fault named, none."""

from service.ruleset.folder import rules_folder
from service.ruleset.lint import lint
from service.ruleset.load import load_ruleset

__all__ = ["lint", "load_ruleset", "rules_folder"]
