"""Every public function of the physics says units, ranges, errors and source, and keeps to its layer."""

import ast
import importlib
import inspect
import pickle
import pkgutil
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import service.physics
from service.errors import OutOfRange

MODULES = [importlib.import_module(f"service.physics.{m.name}") for m in pkgutil.iter_modules(service.physics.__path__)]
UNITS = (
    r"(?<![\w/])"
    r"(?:Pa|K|m3/s|kg/m3|kg/s|kg/kg|W/\(m3/s\)|W|V|A|J/\(kg K\)|J/kg|m3 per kg|m/s|m2|m3|m"
    r"|s|U/s|U|1/s|1|any|Pa/m|Pa s|J/m3)"
    r"(?![\w/])"
)
SECTION = re.compile(r"^(Parameters|Returns|Raises)\n-+\n", re.MULTILINE)


def public_members(module: ModuleType, kind: Callable[[Any], bool]) -> list[Any]:
    return [
        member
        for name, member in inspect.getmembers(module, kind)
        if not name.startswith("_") and member.__module__ == module.__name__
    ]


FUNCTIONS = [f for m in MODULES if not m.__name__.endswith(".domain") for f in public_members(m, inspect.isfunction)]
RECORDS = [c for m in MODULES for c in public_members(m, inspect.isclass)]


def sections(doc: str) -> dict[str, str]:
    parts = SECTION.split(doc)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def test_the_package_was_found() -> None:
    assert {m.__name__.rpartition(".")[2] for m in MODULES} >= {"air", "blower", "flow", "heating", "steady"}
    assert len(FUNCTIONS) > 35
    assert len(RECORDS) >= 6


@pytest.mark.parametrize("function", FUNCTIONS, ids=lambda f: f"{f.__module__}.{f.__name__}")
def test_docstring_names_units_errors_and_source(function: Callable[..., object]) -> None:
    doc = inspect.getdoc(function)
    assert doc is not None
    found = sections(doc)
    assert set(found) == {"Parameters", "Returns", "Raises"}
    for name, parameter in inspect.signature(function).parameters.items():
        line = re.search(rf"^{name} : (.*)$", found["Parameters"], re.MULTILINE)
        assert line, f"{name} is not described"
        if parameter.annotation in (float, "float"):
            assert re.match(f"float, {UNITS}", line.group(1)), f"{name} does not open with its unit: {line.group(1)}"
        elif "float" in str(parameter.annotation):
            assert re.search(UNITS, line.group(1).partition(",")[2]), f"{name} has no unit: {line.group(1)}"
    if inspect.signature(function).return_annotation in (float, "float"):
        assert re.match(f"float, {UNITS}", found["Returns"])
    assert found["Returns"].startswith("bool") or re.search(UNITS, found["Returns"].partition(",")[2])
    assert found["Raises"].startswith("OutOfRange")
    assert re.search(r"^Source: \S", doc, re.MULTILINE)


@pytest.mark.parametrize("record", RECORDS, ids=lambda c: f"{c.__module__}.{c.__name__}")
def test_record_describes_every_field_with_unit_and_source(record: type) -> None:
    doc = inspect.getdoc(record)
    assert doc is not None
    for name in record.__annotations__:
        line = re.search(rf"^{name} : (.*)$", doc, re.MULTILINE)
        assert line, f"{name} is not described"
        if "float" in str(record.__annotations__[name]):
            assert re.search(UNITS, line.group(1).partition(",")[2]), f"{name} has no unit: {line.group(1)}"
    assert "Source: " in doc
    for name, member in inspect.getmembers(record, lambda m: isinstance(m, property)):
        if member.fget.__annotations__.get("return") is float:
            assert re.match(UNITS, member.__doc__ or ""), f"{name} does not open with its unit"


def test_only_air_imports_psychrolib() -> None:
    importers = set()
    root = Path(service.physics.__path__[0]).parent
    for path in root.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if any(name.partition(".")[0] == "psychrolib" for name in names):
                importers.add(path.relative_to(root).as_posix())
    assert importers == {"physics/air.py"}


def test_importing_the_physics_loads_neither_numpy_nor_scipy() -> None:
    """They cost 0.07 s and 0.3 s at start; only sample series and coverage factors need them."""
    code = (
        "import sys\n"
        + "".join(f"import {m.__name__}\n" for m in MODULES)
        + "print('numpy' in sys.modules, 'scipy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]


def test_refusal_survives_a_process_boundary() -> None:
    refused = pickle.loads(pickle.dumps(OutOfRange("flow", -1.0, 0.0, 2.0)))
    assert (refused.name, refused.value, refused.low, refused.high) == ("flow", -1.0, 0.0, 2.0)
    assert str(refused) == "flow is -1, outside its range 0 to 2"
