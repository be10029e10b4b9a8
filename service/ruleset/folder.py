"""Where the rules are: beside the package in a checkout, inside it in an installed wheel."""

from __future__ import annotations

from pathlib import Path

from service.errors import RulesetRefused


def rules_folder() -> Path:
    """Folder of the rules that came with this installation.

    Raises
    ------
    RulesetRefused : neither place holds a `ruleset.toml`
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "bundled_rules", package.parent / "rules"):
        if (folder / "ruleset.toml").is_file():
            return folder
    raise RulesetRefused(["no rules came with this installation: ruleset.toml is missing"])
