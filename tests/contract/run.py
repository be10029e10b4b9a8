"""Tests the running service against its own contract with generated requests: `python -m tests.contract.run`.

Starts a PostgreSQL server, migrates it, makes two tenants with a key each, serves on a real socket and runs
schemathesis with every check and all four phases. Fails on a finding, on a warning that does not hang on chance, when
a phase or an operation was left out or an operation never succeeded, and when the check of object-level authorisation
had nothing to work on.

Exit status: 0 nothing found; 1 something found; 2 the check could not be carried out as it must.
"""

import argparse
import collections
import contextlib
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from service.store.embedded import embedded_server
from service.store.keys import create_key, create_tenant
from service.store.migrate import migrate
from tests.contract.known import keep_what_is_met

ROOT = Path(__file__).parents[2]
CONFIGURATION = ROOT / "openapi" / "schemathesis.toml"
PHASES = ("examples", "coverage", "fuzzing", "stateful")
TENANTS = {"tenant-a", "tenant-b"}
FEWEST_CASES = 1000
"""Generated requests below which a run is taken to have gone wrong."""
FEWEST_PROBED = 3
"""Operations on one thing by its id that one tenant must have tried on a thing of the other's."""


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Test the service against its contract with generated requests.")
    parser.add_argument("--max-examples", type=int, help="most requests an operation and phase, in place of the file's")
    parser.add_argument("--report", type=Path, help="keep the report of the run in this file (NDJSON)")
    asked = parser.parse_args(arguments)
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="airside-contract-") as name:
        folder = Path(name)
        report = asked.report or folder / "report.ndjson"
        with embedded_server(folder / "database") as server:
            url = server.database_url
            migrate(url)
            keys = {
                tenant: create_key(url, create_tenant(url, tenant, units), "contract check")
                for tenant, units in (("tenant-a", "ip"), ("tenant-b", "si"))
            }
            with serving(url, folder / "service.log") as address:
                known = {tenant: keep_what_is_met(address, key.secret, str(key.key_id)) for tenant, key in keys.items()}
                (folder / "known.json").write_text(json.dumps(known))
                secrets = {tenant: key.secret for tenant, key in keys.items()}
                status = schemathesis(address, secrets, folder, report, asked.max_examples)
        counts, gaps = read_report(report)
    for phase, cases in sorted(counts.items()):
        print(f"{phase}: {cases} requests")
    print(f"contract check: {sum(counts.values())} requests in {time.monotonic() - began:.0f} s")
    for gap in gaps:
        print(f"contract check: {gap}", file=sys.stderr)
    return 2 if gaps else int(status != 0)


@contextlib.contextmanager
def serving(database_url: str, log: Path) -> Iterator[str]:
    """The service on a free port of this machine; its address."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    command = [
        *(sys.executable, "-m", "granian", "--interface", "asgi", "--factory", "service.app:application"),
        *("--host", "127.0.0.1", "--port", str(port), "--workers", "1", "--http", "1", "--no-ws"),
    ]
    environment = {**os.environ, "DATABASE_URL": database_url, "AIRSIDE_WEBHOOKS": "off"}
    with (
        log.open("wb") as output,
        subprocess.Popen(command, cwd=ROOT, env=environment, stdout=output, stderr=subprocess.STDOUT) as process,
    ):
        try:
            address = f"http://127.0.0.1:{port}"
            _wait_until_ready(address, process, log)
            yield address
        finally:
            process.terminate()
            try:
                process.wait(15)
            except subprocess.TimeoutExpired:
                process.kill()


def _wait_until_ready(address: str, process: "subprocess.Popen[bytes]", log: Path) -> None:
    for _ in range(150):
        with contextlib.suppress(urllib.error.URLError, ConnectionError):
            urllib.request.urlopen(f"{address}/health/ready", timeout=2).close()  # raises unless 2xx
            return
        if process.poll() is not None:
            break
        time.sleep(0.2)
    raise SystemExit(f"the service does not start:\n{log.read_text()[-3000:]}")


def schemathesis(address: str, keys: dict[str, str], folder: Path, report: Path, max_examples: int | None) -> int:
    """Run it; its exit status."""
    identities = folder / "keys.json"
    identities.write_text(
        json.dumps(
            {
                "auth": [
                    {"name": tenant, "fixedHeaders": [{"name": "Authorization", "value": f"Bearer {secret}"}]}
                    for tenant, secret in keys.items()
                ]
            }
        )
    )
    command = [
        *(sys.executable, "-m", "schemathesis.cli", "--config-file", str(CONFIGURATION)),
        *("run", f"{address}/openapi.json", "--checks", "all"),
        *("--phases", "examples,coverage,fuzzing,stateful", "--report-ndjson-path", str(report)),
        *(("--max-examples", str(max_examples)) if max_examples else ()),
    ]
    environment = {
        **os.environ,
        "AIRSIDE_CONTRACT_KEYS": str(identities),
        "AIRSIDE_CONTRACT_KNOWN": str(folder / "known.json"),
        "SCHEMATHESIS_HOOKS": "tests.contract.hooks",
        "PYTHONPATH": str(ROOT),
    }
    return subprocess.run(command, cwd=folder, env=environment, check=False).returncode


def read_report(report: Path) -> tuple[dict[str, int], list[str]]:
    """Requests by phase, and what the run left out."""
    counts: collections.Counter[str] = collections.Counter()
    finished: dict[str, str] = {}
    operations: dict[str, set[str]] = collections.defaultdict(set)
    identities: set[str] = set()
    probed: collections.Counter[str] = collections.Counter()
    succeeded: set[str] = set()
    with report.open() as lines:
        for line in lines:
            ((event, content),) = json.loads(line).items()
            if event == "PhaseFinished":
                finished[content["phase"]["name"]] = content["status"]
            elif event == "ScenarioFinished":
                phase, scenario = content["phase"], content["recorder"]
                cases: dict[str, Any] = scenario.get("cases", {})
                counts[phase] += len(cases)
                for number, case in cases.items():
                    request = case["value"]
                    response = scenario["interactions"].get(number, {}).get("response") or {}
                    if 200 <= response.get("status_code", 0) < 300:
                        succeeded.add(f"{request['method']} {request['path']}")
                    operations[phase].add(f"{request['method']} {request['path']}")
                    identity = request.get("auth_identity")
                    identities |= {identity} if identity else set()
                    owner = cases.get(case.get("parent_id"), {}).get("value", {})
                    if (
                        "_id}" in request["path"]
                        and owner.get("path") == request["path"]
                        and {identity, owner.get("auth_identity")} == TENANTS
                    ):
                        probed[request["path"]] += 1
    gaps = [
        f"the {phase} phase did not run to its end: {finished.get(phase, 'absent')}"
        for phase in PHASES
        if finished.get(phase) not in ("success", "failure")
    ]
    contract = json.loads((ROOT / "openapi" / "openapi.json").read_bytes())
    declared = {f"{method.upper()} {path}" for path, item in contract["paths"].items() for method in item}
    missing = declared - set().union(*operations.values())
    gaps += [f"{operation} was never called" for operation in sorted(missing)]
    gaps += [f"{operation} never succeeded" for operation in sorted(declared - succeeded - missing)]
    if identities != TENANTS:
        gaps.append(f"requests were sent as {sorted(identities)}, not as both {sorted(TENANTS)}")
    # Which ones is left to chance; tests/api/test_tenant_isolation.py tries every operation.
    if len(probed) < FEWEST_PROBED:
        gaps.append(f"only under {sorted(probed)} did one tenant ask for what is the other's")
    if counts.total() < FEWEST_CASES:
        gaps.append(f"only {counts.total()} requests were made")
    return counts, gaps


if __name__ == "__main__":
    sys.exit(main())
