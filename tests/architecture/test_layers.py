"""What may import what, and what may lie where."""

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FILES = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
FOLDERS = {"service", "rules", "tests", "openapi", "deploy"}
NAMELESS = {"utils", "util", "helpers", "helper", "common", "manager", "managers", "misc", "shared", "lib"}
"""Names that say nothing about what lies there."""


def tracked() -> list[str]:
    """Every file under version control, or about to be, by its path from the top."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"],
        cwd=ROOT,
        capture_output=True,
        check=True,
    )
    return [name for name in listed.stdout.decode().split("\0") if name and (ROOT / name).is_file()]


def test_imports_point_down() -> None:
    """The contracts in pyproject.toml, by import-linter; exhaustive, so a module without a layer fails as well."""
    program = Path(sys.executable).parent / "lint-imports"
    done = subprocess.run([program, "--no-logo", "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "2 kept, 0 broken" in done.stdout


def test_a_broken_layer_is_noticed(tmp_path: Path) -> None:
    """The same contract, held against a package in which a lower layer reaches up and a sibling reaches across."""
    contract = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"][0]
    layers = ",".join(f'"{layer}"' for layer in contract["layers"])
    package = tmp_path / "service"
    package.mkdir()
    names = {name.strip(" ()") for layer in contract["layers"] for name in layer.split("|")}
    for name in {*names, "__init__"}:
        (package / f"{name}.py").write_text("")
    (tmp_path / "pyproject.toml").write_text(
        '[tool.importlinter]\nroot_package = "service"\n[[tool.importlinter.contracts]]\nname = "layers"\n'
        f'type = "layers"\ncontainers = ["service"]\nexhaustive = true\nlayers = [{layers}]\n'
    )

    def status() -> int:
        program = Path(sys.executable).parent / "lint-imports"
        return subprocess.run(
            [program, "--no-logo", "--no-cache"], cwd=tmp_path, capture_output=True, check=False
        ).returncode

    assert status() == 0
    (package / "physics.py").write_text("import service.store\n")
    assert status() != 0, "a lower layer reached up"
    (package / "physics.py").write_text("")
    (package / "derive.py").write_text("import service.judge\n")
    assert status() != 0, "a sibling reached across"
    (package / "derive.py").write_text("")
    (package / "stray.py").write_text("")
    assert status() != 0, "a module has no layer"


def test_top_level_is_as_laid_out() -> None:
    found = {name.partition("/")[0] for name in tracked()}
    assert {name for name in found if not name.startswith(".")} == FILES | FOLDERS


def test_names_say_what_lies_there() -> None:
    parts = {part.removesuffix(".py") for name in tracked() for part in Path(name).parts}
    assert parts & NAMELESS == set()


def test_tests_lie_in_no_package() -> None:
    """pytest imports each by its own path, so file names must differ from folder to folder."""
    files = [Path(name) for name in tracked() if name.startswith("tests/") and name.endswith(".py")]
    assert [str(path) for path in files if path.name == "__init__.py"] == []
    names = [path.name for path in files if path.name.startswith("test_")]
    assert len(names) > 20
    assert sorted(names) == sorted(set(names))


@pytest.mark.parametrize(
    "mark",
    # Split, so that this file does not hold what it looks for.
    ["/wo" + "rk/", "/ro" + "ot/", "/ho" + "me/", "/opt/py" + "pi", "/opt/wh" + "eels", "index" + "-url"],
)
def test_no_file_names_a_machine(mark: str) -> None:
    """Nothing in the project depends on, or tells of, the machine it was written on."""
    naming = []
    for name in tracked():
        try:
            text = (ROOT / name).read_text("utf-8")
        except UnicodeDecodeError:
            continue
        if mark in text:
            naming.append(name)
    assert naming == []
