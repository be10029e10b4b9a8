"""The whole way as one pure function: the same bytes for the same visit, no world outside, versions pinned."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec
import pytest

from service import pipeline, ruleset
from service.errors import RulesetRefused
from service.model.evaluation import Evaluation
from service.wire import render
from service.wire.request import EvaluationRequest

ROOT = Path(__file__).parents[2]
EXAMPLE = (ROOT / "openapi" / "examples" / "visit.json").read_bytes()
HEALTHY = sorted((ROOT / "rules" / "cases" / "healthy").glob("*.json"))
PREPARED = pipeline.working()

ANSWER = """
import hashlib, sys, msgspec
from pathlib import Path
from service import pipeline
from service.wire import render
from service.wire.request import EvaluationRequest
prepared = pipeline.working()
for name in sys.argv[1:]:
    request = msgspec.json.decode(Path(name).read_bytes(), type=EvaluationRequest)
    evaluation = pipeline.evaluate(request, prepared)
    kept = msgspec.json.encode(evaluation)
    result = render.result(evaluation, prepared.ruleset, prepared.units, "si")
    print(hashlib.sha256(kept + msgspec.json.encode(result)).hexdigest())
"""


def decoded(body: bytes) -> EvaluationRequest:
    return msgspec.json.decode(body, type=EvaluationRequest)


def answered(body: bytes) -> bytes:
    """The evaluation and its result in both unit systems, as bytes."""
    evaluation = pipeline.evaluate(decoded(body), PREPARED)
    parts = [msgspec.json.encode(evaluation)]
    for system in ("ip", "si"):
        parts.append(msgspec.json.encode(render.result(evaluation, PREPARED.ruleset, PREPARED.units, system)))  # type: ignore[arg-type]
    return b"".join(parts)


def shuffled(tree: Any, chance: random.Random) -> Any:
    """The same JSON with the keys of every object in another order."""
    if isinstance(tree, list):
        return [shuffled(part, chance) for part in tree]
    if isinstance(tree, dict):
        keys = list(tree)
        chance.shuffle(keys)
        return {key: shuffled(tree[key], chance) for key in keys}
    return tree


# Determinism -----------------------------------------------------------------------------------------------------


def test_the_same_bytes_again() -> None:
    first = answered(EXAMPLE)
    assert len(first) > 10_000
    assert all(answered(EXAMPLE) == first for _ in range(5))


@pytest.mark.parametrize("seed", range(5))
def test_the_same_bytes_in_any_order_of_keys(seed: int) -> None:
    mixed = json.dumps(shuffled(json.loads(EXAMPLE), random.Random(seed))).encode()
    assert mixed != EXAMPLE
    assert answered(mixed) == answered(EXAMPLE)


def test_the_same_bytes_from_another_process_with_another_hash_seed() -> None:
    names = [str(ROOT / "openapi" / "examples" / "visit.json"), *map(str, HEALTHY[:3])]
    printed = [
        subprocess.run(
            [sys.executable, "-c", ANSWER, *names],
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            check=True,
        ).stdout.split()
        for seed in ("0", "1", "4711")
    ]
    assert len(printed[0]) == len(names)
    assert printed[0] == printed[1] == printed[2]


def test_one_visit_leaves_no_trace_in_the_next() -> None:
    alone = answered(EXAMPLE)
    for path in HEALTHY:
        answered(path.read_bytes())
    assert answered(EXAMPLE) == alone


def test_a_request_is_not_changed() -> None:
    request = decoded(EXAMPLE)
    before = msgspec.json.encode(request)
    pipeline.evaluate(request, PREPARED)
    assert msgspec.json.encode(request) == before


# Purity ----------------------------------------------------------------------------------------------------------


def test_no_network_no_file_no_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    import builtins
    import time

    expected = answered(EXAMPLE)

    def refused(*_: Any, **__: Any) -> Any:
        raise AssertionError("the pipeline reached outside")

    monkeypatch.setattr(socket, "socket", refused)
    monkeypatch.setattr(builtins, "open", refused)
    monkeypatch.setattr(Path, "open", refused)
    monkeypatch.setattr(time, "time", refused)
    assert answered(EXAMPLE) == expected


def test_the_pipeline_does_not_load_a_database_or_server() -> None:
    code = (
        "import sys, service.pipeline; "
        "print([name for name in ('psycopg', 'litestar', 'granian', 'alembic') if name in sys.modules])"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    found = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


# Round trip ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", [ROOT / "openapi" / "examples" / "visit.json", *HEALTHY], ids=lambda path: path.stem)
def test_a_kept_evaluation_reads_back_as_it_was(path: Path) -> None:
    request = decoded(path.read_bytes())
    evaluation = pipeline.evaluate(request, PREPARED)
    kept = msgspec.json.decode(msgspec.json.encode(evaluation), type=Evaluation)
    assert kept == evaluation
    rules, units = PREPARED.ruleset, PREPARED.units
    for system in ("ip", "si"):
        for write in (
            lambda entry, system=system: render.result(entry, rules, units, system),
            lambda entry, system=system: render.trace(entry, rules, units, request, system),
        ):
            assert msgspec.json.encode(write(kept)) == msgspec.json.encode(write(evaluation))


# Versions --------------------------------------------------------------------------------------------------------


@pytest.fixture
def two_versions(tmp_path: Path) -> pipeline.Rulebook:
    """The rules as they are, and a copy called 0.0.9 with another limit on the external static pressure."""
    old = tmp_path / "old"
    shutil.copytree(ruleset.rules_folder(), old)
    release = old / "ruleset.toml"
    text = release.read_text()
    assert f'"{PREPARED.ruleset.release.version}"' in text
    release.write_text(text.replace(f'"{PREPARED.ruleset.release.version}"', '"0.0.9"', 1))
    limit = old / "criteria" / "static_pressure" / "external_static_pressure_maximum.toml"
    changed = limit.read_text().replace(
        'upper_rating = "maximum_external_static_pressure"',
        'upper_rating = "maximum_external_static_pressure"\nupper_factor = 3.0',
    )
    assert changed != limit.read_text()
    limit.write_text(changed)
    return pipeline.load(ruleset.rules_folder(), old)


def test_several_versions_stand_side_by_side(two_versions: pipeline.Rulebook) -> None:
    assert set(two_versions.versions) == {PREPARED.ruleset.release.version, "0.0.9"}
    assert two_versions.current.ruleset.release.version == PREPARED.ruleset.release.version
    assert two_versions.version(None) is two_versions.current
    assert two_versions.version("9.9.9") is None
    old = two_versions.version("0.0.9")
    assert old is not None
    verdicts = {}
    for prepared in (two_versions.current, old):
        evaluation = pipeline.evaluate(decoded(EXAMPLE), prepared)
        assert evaluation.ruleset_version == prepared.ruleset.release.version
        assert evaluation.ruleset_digest == prepared.ruleset.digest
        verdicts[evaluation.ruleset_version] = next(
            verdict.verdict
            for verdict in evaluation.contexts[0].verdicts
            if verdict.criterion == "external_static_pressure_maximum"
        )
    assert verdicts == {PREPARED.ruleset.release.version: "above", "0.0.9": "within"}
    assert len({prepared.ruleset.digest for prepared in two_versions.versions.values()}) == 2


def test_one_version_twice_is_refused() -> None:
    with pytest.raises(RulesetRefused, match="installed twice"):
        pipeline.load(ruleset.rules_folder(), ruleset.rules_folder())


def test_the_digest_is_a_sha_256() -> None:
    assert len(PREPARED.ruleset.digest.removeprefix("sha256:")) == len(hashlib.sha256().hexdigest())


# What it says ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", HEALTHY, ids=lambda path: path.stem)
def test_nothing_above_a_note_is_said_of_a_healthy_visit(path: Path) -> None:
    evaluation = pipeline.evaluate(decoded(path.read_bytes()), PREPARED)
    assert evaluation.highest_severity in (None, "note")
    assert evaluation.set_aside == ()


def test_the_example_visit_is_found_restricted() -> None:
    """A loaded filter and a matted coil at 1600 m, external static pressure above the rated maximum."""
    evaluation = pipeline.evaluate(decoded(EXAMPLE), PREPARED)
    codes = {finding.code for part in evaluation.parts for finding in part.findings}
    assert {"external_static_pressure_above_rating", "filter_loaded", "coil_pressure_drop_above_rating"} <= codes
    assert evaluation.highest_severity == "fault"
    assert [context.state.id for context in evaluation.contexts] == ["heating", "cooling", "fan"]


def test_a_clients_own_limit_changes_the_verdict_and_is_said() -> None:
    tree = json.loads(EXAMPLE)
    tree["limit_overrides"] = [
        {"criterion": "external_static_pressure_maximum", "upper": 2.0, "unit": "inH2O", "reason": "Agreed."}
    ]
    evaluation = pipeline.evaluate(decoded(json.dumps(tree).encode()), PREPARED)
    for context in evaluation.parts:
        for verdict in context.verdicts:
            if verdict.criterion == "external_static_pressure_maximum" and verdict.verdict != "not_measured":
                assert (verdict.verdict, verdict.overridden) == ("within", "Agreed.")
                assert verdict.source is None
    codes = {finding.code for part in evaluation.parts for finding in part.findings}
    assert "external_static_pressure_above_rating" not in codes
