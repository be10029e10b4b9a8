"""How fast, and where the time goes: `python -m tests.bench`. Prints a table from one run; nothing passes or fails.

Ratios are against a floor in the same run: the same server (granian), the same body decoded into the same structs,
and a prepared body of the same size returned; once without a database and once with one insert. Both sides are driven
by the same client, which shares the machine's cores with the server, so the ratios count and the rates only orient.
`cpu us` is processor time of the server process for one request, which the client's share does not touch.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import platform
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec
import psutil

from service import derive, normalise, pipeline
from service.explain.findings import Material
from service.store.embedded import embedded_server
from service.store.keys import create_key, create_tenant
from service.store.migrate import migrate
from service.wire import render
from service.wire.request import EvaluationRequest
from tests.bench.load import Load, run_load
from tests.bench.visits import sized_visits

ROOT = Path(__file__).parents[2]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=4.0, help="length of each measurement")
    parser.add_argument("--connections", type=int, default=8, help="connections that ask at once")
    asked = parser.parse_args()
    print(f"{platform.processor() or platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    prepared = pipeline.working()
    visits = sized_visits()
    print(f"\nrules: {len(prepared.ruleset.diagnoses)}, criteria: {len(prepared.ruleset.criteria)}\n")
    pipeline_table(prepared, visits, asked.seconds)
    stage_table(prepared, visits)
    http_table(visits["standard"], asked.seconds, asked.connections)


def per_call(function: Callable[[], object], seconds: float) -> float:
    """Processor seconds for one call, over at least `seconds` of calls after a warm-up."""
    for _ in range(20):
        function()
    count, start, clock = 0, time.process_time(), time.perf_counter()
    while time.perf_counter() - clock < seconds:
        function()
        count += 1
    return (time.process_time() - start) / count


def pipeline_table(prepared: pipeline.Prepared, visits: dict[str, bytes], seconds: float) -> None:
    decoder = msgspec.json.Decoder(EvaluationRequest)
    print("pipeline.evaluate, one core        readings  contexts   us/visit   visits/s   against small")
    first: float | None = None
    for name, body in visits.items():
        request = decoder.decode(body)
        cost = per_call(lambda request=request: pipeline.evaluate(request, prepared), seconds / 2)  # type: ignore[misc]
        first = first or cost
        contexts = len(pipeline.evaluate(request, prepared).contexts)
        print(
            f"  {name:<32} {len(request.readings):>8} {contexts:>9} {cost * 1e6:>10.0f} {1 / cost:>10.0f}"
            f" {cost / first:>14.2f}"
        )


def stage_table(prepared: pipeline.Prepared, visits: dict[str, bytes]) -> None:
    """Each stage alone on the same input; `reason (cache off)` is the rule engine without its memory."""
    decoder = msgspec.json.Decoder(EvaluationRequest)
    print("\nmicroseconds by stage            " + "".join(f"{name:>12}" for name in visits))
    rows: dict[str, list[float]] = {}
    rules, units = prepared.ruleset, prepared.units
    for body in visits.values():
        request = decoder.decode(body)
        visit = normalise.normalise(request, rules, units)

        def derived(visit=visit):  # type: ignore[no-untyped-def]
            worked = derive.work_out(visit, rules)
            return [*worked.contexts, *([] if worked.whole_house is None else [worked.whole_house])]

        sheets = derived()

        def judged(sheets=sheets, visit=visit):  # type: ignore[no-untyped-def]
            return [
                prepared.bench.judge(
                    sheet.quantities.values(), sheet.lacking, sheet.observations, visit.equipment.ratings, {}, None
                )
                for sheet in sheets
            ]

        verdicts = judged()
        tokens = [
            {*(v.token for v in found), *sheet.observations} for (found, _), sheet in zip(verdicts, sheets, strict=True)
        ]
        firings = [prepared.reasoner.conclude(held) for held in tokens]
        materials = [
            Material(found, sheet.observations, fired, sheet.lacking, [(n.criterion, n.missing) for n in none])
            for (found, none), sheet, fired in zip(verdicts, sheets, firings, strict=True)
        ]
        evaluation = pipeline.evaluate(request, prepared)
        result = render.result(evaluation, rules, units, "ip")
        stages: dict[str, Callable[[], object]] = {
            "decode": lambda body=body: decoder.decode(body),
            "normalise": lambda request=request: normalise.normalise(request, rules, units),
            "derive": derived,
            "judge": judged,
            "reason": lambda tokens=tokens: [prepared.reasoner.conclude(held) for held in tokens],
            "reason (cache off)": lambda tokens=tokens: [
                prepared.reasoner.conclude(held, cached=False) for held in tokens
            ],
            "explain": lambda materials=materials: [prepared.explainer.explain(m) for m in materials],
            "render": lambda evaluation=evaluation: render.result(evaluation, rules, units, "ip"),
            "encode": lambda result=result: msgspec.json.encode(result),
        }
        for stage, function in stages.items():
            rows.setdefault(stage, []).append(per_call(function, 0.4) * 1e6)
    for stage, costs in rows.items():
        print(f"  {stage:<30} " + "".join(f"{cost:>12.0f}" for cost in costs))


def http_table(body: bytes, seconds: float, connections: int) -> None:
    with tempfile.TemporaryDirectory(prefix="airside-bench-") as name:
        folder = Path(name)
        with embedded_server(folder / "database") as server:
            url = server.database_url
            migrate(url)
            secret = create_key(url, create_tenant(url, "bench", "ip"), "bench").secret
            headers = {"Authorization": f"Bearer {secret}", "Content-Type": "application/json"}
            rows: list[tuple[str, Load]] = []
            with serving("service.app:application", {"DATABASE_URL": url}, folder / "service.log") as (port, pid):
                wait_until(f"http://127.0.0.1:{port}/health/ready")
                answer = ask(f"http://127.0.0.1:{port}/v1/evaluations/preview", body, headers)
                rows.append(
                    ("preview", drive(port, pid, "/v1/evaluations/preview", body, headers, seconds, connections))
                )
                rows.append(("stored", drive(port, pid, "/v1/evaluations", body, headers, seconds, connections)))
            prepared_answer = folder / "answer.json"
            prepared_answer.write_bytes(answer)
            extra = {"DATABASE_URL": url, "AIRSIDE_BENCH_ANSWER": str(prepared_answer)}
            with serving("tests.bench.floor:application", extra, folder / "floor.log") as (port, pid):
                wait_until(f"http://127.0.0.1:{port}/ready")
                rows.append(("floor", drive(port, pid, "/answer", body, headers, seconds, connections)))
                rows.append(("floor, one insert", drive(port, pid, "/insert", body, headers, seconds, connections)))
    floors = {"preview": "floor", "stored": "floor, one insert"}
    by_name = dict(rows)
    print(f"\nHTTP, body {len(body)} B in, {len(answer)} B out, {connections} connections, one server process")
    print("                          requests/s   p50 ms   p99 ms   cpu us   rate against floor   cpu against floor")
    for label, load in rows:
        line = f"  {label:<24} {load.rate:>9.0f} {load.p50 * 1e3:>8.1f} {load.p99 * 1e3:>8.1f} {load.cpu * 1e6:>8.0f}"
        floor = by_name.get(floors.get(label, ""))
        if floor is not None:
            line += f" {load.rate / floor.rate:>20.3f} {load.cpu / floor.cpu:>19.1f}"
        print(line)


def drive(
    port: int, pid: int, path: str, body: bytes, headers: dict[str, str], seconds: float, connections: int
) -> Load:
    process = psutil.Process(pid)
    asyncio.run(run_load(port, path, body, headers, 1.0, connections))
    before = cpu_seconds(process)
    load = asyncio.run(run_load(port, path, body, headers, seconds, connections))
    return msgspec.structs.replace(load, cpu=(cpu_seconds(process) - before) / load.requests)


def cpu_seconds(process: psutil.Process) -> float:
    return sum(sum(part.cpu_times()[:2]) for part in (process, *process.children(recursive=True)))


@contextlib.contextmanager
def serving(factory: str, extra: dict[str, str], log: Path) -> Iterator[tuple[int, int]]:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port: int = free.getsockname()[1]
    command = [
        *(sys.executable, "-m", "granian", "--interface", "asgi", "--factory", factory, "--host", "127.0.0.1"),
        *("--port", str(port), "--workers", "1", "--http", "1", "--no-ws", "--log-level", "warning"),
    ]
    with (
        log.open("wb") as output,
        subprocess.Popen(
            command, cwd=ROOT, env={**os.environ, **extra}, stdout=output, stderr=subprocess.STDOUT
        ) as process,
    ):
        try:
            yield port, process.pid
        finally:
            process.terminate()
            process.wait(30)


def wait_until(address: str) -> None:
    deadline = time.monotonic() + 30
    while True:
        try:
            with urllib.request.urlopen(address, timeout=2):
                return
        except OSError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.1)


def ask(address: str, body: bytes, headers: dict[str, str]) -> bytes:
    request = urllib.request.Request(address, body, headers)
    with urllib.request.urlopen(request, timeout=10) as answer:
        content: bytes = answer.read()
    assert json.loads(content)
    return content


if __name__ == "__main__":
    main()
