"""The wheel, built and installed into an empty environment, works without the checkout."""

import json
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CONSTRAINTS = ROOT / "deploy" / "constraints.txt"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "wheel", "--quiet", "--disable-pip-version-check", "--no-deps"]
    done = subprocess.run([*pip, "--wheel-dir", folder, ROOT], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the programs of an environment that holds the wheel and what it asks for, and nothing else."""
    folder = tmp_path_factory.mktemp("environment")
    subprocess.run([sys.executable, "-m", "venv", folder], check=True)
    pip = [folder / "bin" / "python", "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    done = subprocess.run([*pip, "--constraint", CONSTRAINTS, wheel], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return folder / "bin"


def test_the_wheel_carries_all_that_the_service_reads(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        carried = set(archive.namelist())
    for source, target in (("rules", "bundled_rules"), ("openapi/examples", "api/examples"), ("service", "")):
        needed = [
            f"service/{target}/{path.relative_to(ROOT / source).as_posix()}".replace("//", "/")
            for path in (ROOT / source).rglob("*")
            if path.is_file() and "__pycache__" not in path.parts
        ]
        assert needed
        assert set(needed) - carried == set()
    assert any(name.endswith("licenses/LICENSE") for name in carried)
    assert not any(name.startswith(("tests/", "deploy/")) for name in carried)


def test_it_judges_the_example_and_a_file(installed: Path, tmp_path: Path) -> None:
    example = ROOT / "openapi" / "examples" / "visit.json"
    visit = tmp_path / "visit.json"
    visit.write_bytes(example.read_bytes())

    def run(*arguments: str | Path) -> str:
        # Isolated from the checkout by its working folder.
        done = subprocess.run([installed / "airside", *arguments], cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
        return done.stdout

    shown = run("demo")
    assert "1. FAULT" in shown
    assert run("evaluate", visit) == shown
    codes = {finding["code"] for finding in json.loads(run("evaluate", "--json", visit))["findings"]}
    assert "external_static_pressure_above_rating" in codes
    where = subprocess.run(
        [installed / "python", "-c", "import service.ruleset; print(service.ruleset.rules_folder())"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert where.stdout.strip().endswith("site-packages/service/bundled_rules")
