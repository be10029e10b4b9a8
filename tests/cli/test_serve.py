"""`airside serve` as a process of its own: it starts from nothing, answers, and stops however it is told to."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil
import pytest

from service.store.embedded import EmbeddedServer

AIRSIDE = Path(sys.executable).parent / "airside"


class Served:
    """A running service with its own data folder."""

    def __init__(self, folder: Path, *options: str) -> None:
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port: int = free.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}"
        self.data = folder / "data"
        self.log = folder / "log"
        kept = {k: v for k, v in os.environ.items() if not k.startswith("AIRSIDE_") and k != "DATABASE_URL"}
        self.environment = {**kept, "AIRSIDE_DATA": str(self.data)}
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [AIRSIDE, "serve", "--port", str(self.port), *options],
                env=self.environment,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def wait_until_ready(self) -> None:
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            assert self.process.poll() is None, self.log.read_text()
            try:
                with urllib.request.urlopen(f"{self.address}/health/ready", timeout=2) as answer:
                    assert answer.status == 200
                    return
            except (urllib.error.URLError, ConnectionError, TimeoutError):
                time.sleep(0.1)
        pytest.fail(self.log.read_text())

    def airside(self, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [AIRSIDE, *arguments],
            env={**self.environment, **environment},
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )

    def stop(self) -> None:
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(60)


def alive(process: psutil.Process) -> bool:
    """Whether it still runs; one that has ended and that nobody has asked after does not."""
    try:
        return process.is_running() and process.status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[..., Served]]:
    running: list[Served] = []

    def start(*options: str) -> Served:
        running.append(Served(tmp_path, *options))
        running[-1].wait_until_ready()
        return running[-1]

    yield start
    for served in running:
        served.stop()


def test_it_serves_from_nothing_and_keeps_what_it_is_sent(serve: Callable[..., Served], tmp_path: Path) -> None:
    served = serve("--workers", "2")
    tenant = served.airside("tenants", "create", "Invented tenant").stdout.strip()
    key = served.airside("keys", "create", "--tenant", tenant, "--label", "test").stdout.strip()
    key_file = tmp_path / "key"
    key_file.write_text(key)

    sent = served.airside("demo", "--at", served.address, "--key-file", str(key_file))
    assert sent.returncode == 0, sent.stderr
    local = served.airside("demo")
    # The same answer as without a service, then how to repeat it; never the key itself.
    assert sent.stdout.startswith(local.stdout)
    assert re.search(r"Kept as [0-9a-f-]{36}\.", sent.stdout)
    assert key not in sent.stdout

    by_variable = served.airside("demo", "--json", "--units", "si", "--at", served.address, AIRSIDE_KEY=key)
    assert json.loads(by_variable.stdout)["units"] == "si"

    refused = served.airside("demo", "--at", served.address, AIRSIDE_KEY="ak_" + "x" * 43)
    assert refused.returncode == 6
    assert "The service answered 401" in refused.stderr
    assert served.airside("demo", "--at", "http://127.0.0.1:1", AIRSIDE_KEY=key).returncode == 5
    assert served.airside("demo", "--at", "ftp://127.0.0.1", AIRSIDE_KEY=key).returncode == 2
    failing = served.airside("demo", "--fail-on", "fault", "--at", served.address, AIRSIDE_KEY=key)
    assert failing.returncode == 1

    taken = served.airside("serve", "--port", str(served.port))
    assert taken.returncode == 5
    assert f"Port {served.port} on 127.0.0.1 is taken" in taken.stderr


@pytest.mark.parametrize("signals", [[signal.SIGTERM], [signal.SIGINT], [signal.SIGINT, signal.SIGTERM, signal.SIGINT]])
def test_it_stops_when_told(serve: Callable[..., Served], signals: list[signal.Signals]) -> None:
    """As from a terminal, the whole group gets the signal; impatience must not make it hang."""
    served = serve()
    processes = [*psutil.Process(served.process.pid).children(recursive=True)]
    database = EmbeddedServer(served.data)
    assert processes
    assert database.process() is not None
    for one in signals:
        os.killpg(served.process.pid, one)
    assert served.process.wait(30) == 0, served.log.read_text()
    assert "Stopped." in served.log.read_text()
    deadline = time.monotonic() + 15
    while any(map(alive, processes)):
        assert time.monotonic() < deadline, processes
        time.sleep(0.1)
    assert database.process() is None
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", served.port), timeout=5)


def test_server_processes_do_not_outlive_their_parent(serve: Callable[..., Served]) -> None:
    served = serve("--workers", "2")
    served.process.kill()
    served.process.wait(10)
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        try:
            socket.create_connection(("127.0.0.1", served.port), timeout=5).close()
        except ConnectionRefusedError:
            break
        time.sleep(0.2)
    else:
        pytest.fail("the port is still served")
    # The database outlives it too; the next start takes it over, and this one stops it.
    database = EmbeddedServer(served.data).process()
    assert database is not None
    database.send_signal(signal.SIGINT)
    database.wait(30)
