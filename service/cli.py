"""The console command `airside`: judge a visit from a file, serve, and look after rules, contract and keys."""

from __future__ import annotations

import contextlib
import errno
import http.client
import json
import multiprocessing
import os
import shlex
import shutil
import socket
import sys
import threading
import unicodedata
import urllib.error
import urllib.request
import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, BinaryIO, cast

import click
import msgspec

from service import pipeline
from service.document.blocks import READERS, Document, Paper, Reader
from service.errors import (
    RecordRefused,
    RulesetRefused,
    SettingsRefused,
    StoreRefused,
    StoreUnavailable,
)
from service.model.erasure import Swept
from service.model.evaluation import SEVERITIES, Severity
from service.model.record import SCOPES, Scope
from service.model.ruleset import Ruleset
from service.model.units import UnitSystem
from service.printout import (
    comparison_printout,
    difference_printout,
    printable,
    printout,
    rule_record_csv,
    rule_record_printout,
)
from service.settings import VARIABLES, Settings, read_settings
from service.wire.faults import RequestRefused
from service.wire.render import result
from service.wire.response import EvaluationResult, Fault, KeptEvaluation
from service.wire.speech import ENGLISH, ORIGINAL, Speech

# Server, database and contract are imported by the commands that use them: judging a file needs none of them, and
# starts in half the time without.

DONE, FOUND, USAGE, REFUSED, RULES, UNAVAILABLE, KEY = range(7)

EXIT_STATUS = """\b
Exit status:
  0  done; for a visit, judged
  1  a finding as serious as --fail-on names; a check that found something;
     nothing there to revoke
  2  wrong usage, or a setting that cannot be used
  3  the request was refused; every fault is printed with its pointer
  4  the rules were refused; every fault is printed
  5  database, address or service cannot be reached or used
  6  the service refused the API key"""

WIDTH_WITHOUT_TERMINAL = 100


class Stopped(click.ClickException):
    """Ends the command with a message on standard error and one of the exit statuses."""

    def __init__(self, message: str, status: int) -> None:
        super().__init__(message)
        self.exit_code = status  # type: ignore[misc]

    def show(self, file: Any = None) -> None:
        click.echo(self.message, err=True)


class Commands(click.Group):
    """Turns the service's own errors into messages and exit statuses."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except RequestRefused as refused:
            raise Stopped(_faults(refused), REFUSED) from refused
        except RulesetRefused as refused:
            raise Stopped(f"The rules were refused. Faults: {len(refused.faults)}\n{refused}", RULES) from refused
        except SettingsRefused as refused:
            raise Stopped(f"Settings that cannot be used:\n{refused}", USAGE) from refused
        except RecordRefused as refused:
            raise Stopped(f"Refused: {refused}", USAGE) from refused
        except StoreUnavailable as failure:
            raise Stopped(
                "The database cannot be reached. Check that the server runs, that the address in DATABASE_URL is right "
                f"and that its user may log in. {_cause(failure)}",
                UNAVAILABLE,
            ) from failure
        except StoreRefused as refused:
            raise Stopped(f"The database cannot be used: {refused}", UNAVAILABLE) from refused


@click.group(cls=Commands, epilog=EXIT_STATUS, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(version("airside-findings"), prog_name="airside")
def main() -> None:
    """Judges the air-side readings of a visit to heating and cooling equipment.

    What it says is advice from readings. It declares no site, appliance or heat exchanger safe; local codes, the
    manufacturer's instructions and licensed practice come first.
    """


# Judging -----------------------------------------------------------------------------------------------------------

_units = click.option(
    "--units", type=click.Choice(["ip", "si"]), help="Units of the answer; default: the visit's, or ip."
)
_as_json = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
_language = click.option("--language", default=ORIGINAL, show_default=True, help="Language of the words, such as es.")
_reader = click.option(
    "--reader", type=click.Choice(READERS), default="customer", show_default=True, help="Who is to read the document."
)
_paper = click.option(
    "--paper", type=click.Choice(["letter", "a4"]), help="Size of the pages; default: letter for ip, else a4."
)
_fail_on = click.option(
    "--fail-on", type=click.Choice(SEVERITIES), help="Exit with 1 where a finding is this serious or more."
)


@main.command(epilog=EXIT_STATUS)
@click.argument("file", type=click.File("rb"))
@_as_json
@_units
@_language
@click.option(
    "--rules",
    "folders",
    multiple=True,
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Judge by the rules in this folder; repeat for several versions.",
)
@_fail_on
@click.option("--lines", is_flag=True, help="FILE has a visit on each line; answer with a line of JSON for each.")
@click.option("--full", is_flag=True, help="With --lines: the whole result of each visit, not only what was found.")
@click.option(
    "--processes",
    type=click.IntRange(1, 256),
    help="With --lines: how many judge side by side; default: one for each core.",
)
def evaluate(
    file: BinaryIO,
    as_json: bool,
    units: UnitSystem | None,
    language: str,
    folders: tuple[Path, ...],
    fail_on: Severity | None,
    lines: bool,
    full: bool,
    processes: int | None,
) -> None:
    """Judge the visit in FILE, a request body of the API; `-` reads standard input.

    With --lines, each line of FILE is one of a batch, as {"visit": {...}}. They are answered in their order while later
    ones are read, with the fields of the API's answers that do not depend on being kept; a line that is refused has a
    problem, and the exit status is then 3.

    Needs neither server nor database, and keeps nothing.
    """
    if lines:
        _judge_lines(file, folders, units=units, language=language, fail_on=fail_on, full=full, processes=processes)
        return
    if full or processes:
        raise click.UsageError("--full and --processes go with --lines")
    _judge(file.read(), pipeline.load(*folders), as_json=as_json, units=units, language=language, fail_on=fail_on)


@main.command(epilog=EXIT_STATUS)
@click.argument("before", type=click.File("rb"))
@click.argument("after", type=click.File("rb"))
@_units
@_language
@click.option(
    "--output",
    type=click.Path(dir_okay=False, writable=True, path_type=Path),
    help="Write a document to this file instead; its ending chooses the format: .html, .pdf, .txt, or .csv for the "
    "quantities.",
)
@_reader
@_paper
def compare(
    before: BinaryIO,
    after: BinaryIO,
    units: UnitSystem | None,
    language: str,
    output: Path | None,
    reader: Reader,
    paper: Paper | None,
) -> None:
    """Hold the visit in AFTER against that in BEFORE, both request bodies of the API for one equipment.

    Says what moved beyond the joint uncertainty, what became of findings, and whether the readings prove the work done;
    with --output as a document for one reader. Needs neither server nor database, and keeps nothing.
    """
    if output is not None:
        _ends_well(output)
    rulebook = pipeline.load()
    one, other = (
        msgspec.structs.replace(rulebook.decoder().decode(file.read()), earlier_visits=[]) for file in (before, after)
    )
    if one.visited_at and other.visited_at and other.visited_at < one.visited_at:
        raise click.UsageError("AFTER took place before BEFORE")
    named = {visit.equipment.reference for visit in (one, other) if visit.equipment and visit.equipment.reference}
    if len(named) > 1:
        raise click.UsageError("the visits name different equipment")
    prepared = rulebook.current
    speech = _spoken(prepared, language)
    system = units or other.units or "ip"
    if output is not None:
        from service.document import comparison, write
        from service.document.svg import FONT

        drawing = reader == "technician"
        told = comparison.told_of_both(
            pipeline.judge_and_compare(one, other, prepared),
            (one, other),
            (pipeline.figures(one, prepared), pipeline.figures(other, prepared)) if drawing else ((), ()),
            prepared.ruleset,
            prepared.units,
            system,
            speech,
            font=write.PDF_FONT if output.suffix == ".pdf" else FONT,
        )
        _write(output, comparison.comparison_document(told, reader, paper), lambda: write.compared_csv(told))
        return
    found = pipeline.compare_visits(one, other, prepared)
    _print(comparison_printout(found, prepared.ruleset, prepared.units, system, speech))


@main.command(epilog=EXIT_STATUS)
@_as_json
@_units
@_language
@_fail_on
@click.option(
    "--at", metavar="URL", help="Have the service at this address judge and keep it, instead of this process."
)
@click.option(
    "--key-file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="File with the API key for --at; default: the variable AIRSIDE_KEY.",
)
def demo(
    as_json: bool,
    units: UnitSystem | None,
    language: str,
    fail_on: Severity | None,
    at: str | None,
    key_file: Path | None,
) -> None:
    """Judge the bundled example visit, an invented house at 1,600 m."""
    example = _example()
    rulebook = pipeline.load()
    if at is None:
        _judge(example.read_bytes(), rulebook, as_json=as_json, units=units, language=language, fail_on=fail_on)
        return
    if key_file is None and not os.environ.get("AIRSIDE_KEY"):
        raise click.UsageError("--at needs --key-file or the variable AIRSIDE_KEY")
    body = _in_units(example.read_bytes(), units)
    key = key_file.read_text().strip() if key_file else os.environ["AIRSIDE_KEY"]
    kept = _send(at, key, body, language)
    _show(kept.result, rulebook, as_json=as_json)
    if not as_json:
        held = f"$(cat {shlex.quote(str(key_file))})" if key_file else "$AIRSIDE_KEY"
        click.echo(
            f"\nKept as {kept.id}. To send the same visit again:\n\n"
            f'  curl -sS -H "Authorization: Bearer {held}" -H "Content-Type: application/json" '
            f"--data-binary @{shlex.quote(str(example))} {shlex.quote(at.rstrip('/') + '/v1/evaluations')}"
        )
    _exit_on(kept.result, fail_on)


@main.command(epilog=EXIT_STATUS)
@click.argument("file", type=click.File("rb"))
@_reader
@click.option(
    "--output",
    required=True,
    type=click.Path(dir_okay=False, writable=True, path_type=Path),
    help="File to write; its ending chooses the format: .html, .pdf, .txt, or .csv for the quantities.",
)
@_units
@_language
@_paper
def document(
    file: BinaryIO, reader: Reader, output: Path, units: UnitSystem | None, language: str, paper: Paper | None
) -> None:
    """Judge the visit in FILE and write a document of it; `-` reads standard input.

    Needs neither server nor database, and keeps nothing.
    """
    from service.document import content, write
    from service.document.svg import FONT

    _ends_well(output)
    rulebook = pipeline.load()
    visit = rulebook.decoder().decode(file.read())
    prepared = rulebook.versions[visit.ruleset] if visit.ruleset else rulebook.current
    told = content.told_of(
        pipeline.evaluate(visit, prepared),
        visit,
        pipeline.figures(visit, prepared) if reader == "technician" else (),
        prepared.ruleset,
        prepared.units,
        units or visit.units or "ip",
        _spoken(prepared, language),
        font=write.PDF_FONT if output.suffix == ".pdf" else FONT,
    )
    _write(output, content.document(told, reader, paper), lambda: write.quantities_csv(told))


def _ends_well(output: Path) -> None:
    if output.suffix not in (".html", ".pdf", ".txt", ".csv"):
        raise click.BadParameter("must end in .html, .pdf, .txt or .csv", param_hint="--output")


def _write(output: Path, page: Document, rows: Callable[[], str]) -> None:
    """Writes a document, or the rows of its quantities, in the format that the file's ending chooses."""
    from service.document import write

    match output.suffix:
        case ".html":
            written = write.html(page).encode()
        case ".pdf":
            written = write.pdf(page)
        case ".csv":
            written = rows().encode()
        case _:
            written = write.text(page).encode()
    output.write_bytes(written)
    click.echo(f"{output} was written.")


def _judge(
    body: bytes,
    rulebook: pipeline.Rulebook,
    *,
    as_json: bool,
    units: UnitSystem | None,
    language: str,
    fail_on: Severity | None,
) -> None:
    request = rulebook.decoder().decode(body)
    prepared = rulebook.versions[request.ruleset] if request.ruleset else rulebook.current
    speech = _spoken(prepared, language)
    evaluation = pipeline.evaluate(request, prepared)
    answer = result(evaluation, prepared.ruleset, prepared.units, units or request.units or "ip", speech)
    _show(answer, rulebook, as_json=as_json)
    _exit_on(answer, fail_on)


def _judge_lines(
    file: BinaryIO,
    folders: tuple[Path, ...],
    *,
    units: UnitSystem | None,
    language: str,
    fail_on: Severity | None,
    full: bool,
    processes: int | None,
) -> None:
    from service.lines import Asked, judge_lines
    from service.wire.batches import BatchAnswer

    _spoken(pipeline.load(*folders).current, language)
    out = sys.stdout.buffer
    answered: list[int] = [0, 0, 0]  # all, refused, as serious as --fail-on names

    def answer(said: BatchAnswer, line: bytes) -> None:
        out.write(line)
        out.flush()
        answered[0] += 1
        answered[1] += bool(said.problem)
        answered[2] += _as_serious(said.highest_severity or None, fail_on)

    asked = Asked(units=units, language=language, full=full)
    judge_lines(file, answer, asked, processes or os.cpu_count() or 1, folders)
    if answered[1]:
        raise Stopped(f"Of {answered[0]} visits {answered[1]} came to nothing; each line says why.", REFUSED)
    if answered[2]:
        raise Stopped(f"Of {answered[0]} visits {answered[2]} have a finding as serious as {fail_on}.", FOUND)


def _as_serious(found: Severity | None, fail_on: Severity | None) -> bool:
    return bool(fail_on and found) and SEVERITIES.index(cast(Severity, found)) >= SEVERITIES.index(fail_on)


def _spoken(prepared: pipeline.Prepared, language: str) -> Speech:
    """The language by its code, where the rules speak it."""
    if language not in prepared.languages:
        known = ", ".join(prepared.languages)
        raise click.BadParameter(f"{language} is not spoken by these rules: {known}", param_hint="--language")
    return prepared.languages[language]


def _show(answer: EvaluationResult, rulebook: pipeline.Rulebook, *, as_json: bool) -> None:
    if as_json:
        _print(msgspec.json.format(msgspec.json.encode(answer)).decode())
        return
    terminal = sys.stdout.isatty()
    prepared = rulebook.version(answer.ruleset.version) or rulebook.current
    _print(
        printout(
            answer,
            prepared.ruleset,
            prepared.units,
            prepared.languages.get(answer.language, ENGLISH),
            width=min(shutil.get_terminal_size().columns, 120) if terminal else WIDTH_WITHOUT_TERMINAL,
            colour=terminal and "NO_COLOR" not in os.environ,
        ).rstrip("\n")
    )


def _print(text: str) -> None:
    """Print, with stand-ins for what standard output cannot encode."""
    encoding = sys.stdout.encoding or "ascii"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = unicodedata.normalize("NFKC", text.replace("±", "+/-").replace("°", "deg "))
        text = text.encode(encoding, "replace").decode(encoding)
    click.echo(text)


def _exit_on(answer: EvaluationResult, fail_on: Severity | None) -> None:
    found = answer.highest_severity or None
    if _as_serious(found, fail_on):
        raise Stopped(f"Most serious finding: {found}; --fail-on {fail_on} was asked for.", FOUND)


def _faults(refused: RequestRefused) -> str:
    return f"The request was refused. Faults: {len(refused.faults)}\n" + "\n".join(map(_fault, refused.faults))


def _fault(fault: Fault) -> str:
    where = fault.pointer or fault.parameter or "#"
    accepted = f" Accepted: {', '.join(fault.accepted)}." if fault.accepted else ""
    return printable(f"{where}  {fault.code}: {fault.detail}.{accepted}")


def _example() -> Path:
    """The example visit: inside the package in an installed wheel, beside it in a checkout."""
    package = Path(__file__).resolve().parent
    bundled = package / "api" / "examples" / "visit.json"
    return bundled if bundled.is_file() else package.parent / "openapi" / "examples" / "visit.json"


def _in_units(body: bytes, units: UnitSystem | None) -> bytes:
    return body if units is None else json.dumps({**json.loads(body), "units": units}).encode()


def _send(address: str, key: str, body: bytes, language: str) -> KeptEvaluation:
    if not address.startswith(("http://", "https://")):
        raise click.UsageError("--at takes an address like http://127.0.0.1:8350")
    request = urllib.request.Request(  # noqa: S310 (checked above)
        f"{address.rstrip('/')}/v1/evaluations",
        body,
        {
            "Authorization": f"Bearer {key}",
            "Content-Type": "application/json",
            "Accept": "application/json",
            "Accept-Language": language,
        },
    )
    try:
        with urllib.request.urlopen(request, timeout=30) as answered:  # noqa: S310
            return msgspec.json.decode(answered.read(), type=KeptEvaluation)
    except urllib.error.HTTPError as problem:
        with problem:
            said = printable(problem.read(65_536).decode(errors="replace"))
        status = KEY if problem.code in (401, 403) else REFUSED if problem.code in (400, 413, 422) else UNAVAILABLE
        raise Stopped(f"The service answered {problem.code}: {said}", status) from problem
    except (OSError, http.client.HTTPException, ValueError) as failure:
        raise Stopped(f"The service at {address} cannot be reached: {failure}", UNAVAILABLE) from failure


# Serving -----------------------------------------------------------------------------------------------------------


@main.command(epilog=EXIT_STATUS)
@click.option("--host", help="Address to listen on; default: AIRSIDE_HOST, or 127.0.0.1.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port; default: AIRSIDE_PORT, or 8350.")
@click.option("--workers", type=click.IntRange(1, 64), help="Server processes; default: AIRSIDE_WORKERS, or 1.")
@click.option(
    "--migrate/--no-migrate",
    default=True,
    show_default=True,
    help="Bring the database up to date first; leave it out where the serving user may not.",
)
def serve(host: str | None, port: int | None, workers: int | None, migrate: bool) -> None:
    """Serve the API until interrupted.

    DATABASE_URL names the PostgreSQL database. Without it an embedded server is started, with its data in the folder
    that AIRSIDE_DATA names, and stopped at the end.
    """
    given = {"host": host, "port": port, "workers": workers}
    settings = read_settings({**os.environ, **{VARIABLES[k][0]: str(v) for k, v in given.items() if v is not None}})
    _refuse_unfit_rules(settings)
    _refuse_taken(settings.host, settings.port)
    with _database(settings, migrated=migrate) as url:
        os.environ["DATABASE_URL"] = url
        click.echo(f"Serving on http://{_bracketed(settings.host)}:{settings.port} (press Ctrl-C to stop)", err=True)
        _run_server(settings)
        click.echo("Stopped.", err=True)


def _refuse_unfit_rules(settings: Settings) -> None:
    """Here, once, rather than in each server process, and released versions before a request asks for them."""
    from service.ruleset import rules_folder
    from service.ruleset.released import released_faults

    pipeline.load(current=settings.ruleset)
    if faults := released_faults(rules_folder()):
        raise RulesetRefused(faults)


def _run_server(settings: Settings) -> None:
    from granian.constants import HTTPModes, Interfaces
    from granian.log import LogLevels
    from granian.server.mp import MPServer

    class Awake(threading.Event):
        """Python handles signals in the main thread only, and another thread may take one while that one sleeps."""

        def wait(self, timeout: float | None = None) -> bool:
            while not super().wait(0.5):
                pass
            return True

    class Once(MPServer):
        """A second signal while the first is being handled would wait for a lock that the first holds, for ever."""

        def signal_handler_interrupt(self, *args: Any, **kwargs: Any) -> None:
            if not self.interrupt_signal:
                super().signal_handler_interrupt(*args, **kwargs)  # type: ignore[no-untyped-call]

    # Not forked: this process has threads of the rule engine by now.
    multiprocessing.set_start_method("spawn", force=True)
    server = Once(
        "service.app:application_of_a_process",
        address=settings.host,
        port=settings.port,
        interface=Interfaces.ASGI,
        factory=True,
        workers=settings.workers,
        http=HTTPModes.http1,
        websockets=False,
        respawn_failed_workers=True,
        workers_kill_timeout=20,
        log_level=LogLevels.warning,
    )
    server.main_loop_interrupt = Awake()
    try:
        server.serve()
    except SystemExit as end:
        if not server.interrupt_signal:
            raise Stopped("The server processes fail as soon as they start; see above.", UNAVAILABLE) from end


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _refuse_taken(host: str, port: int) -> None:
    """Say now, in words, what the server would only log."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        socket.create_server((host, port), family=family).close()
    except OSError as failure:
        if failure.errno == errno.EADDRINUSE:
            message = (
                f"Port {port} on {host} is taken. Stop what listens there, or choose another port with AIRSIDE_PORT."
            )
        else:
            message = f"Cannot listen on {host} port {port}: {failure.strerror or failure}."
        raise Stopped(message, UNAVAILABLE) from failure


@contextlib.contextmanager
def _database(settings: Settings, *, migrated: bool) -> Iterator[str]:
    """Address of the database; of the embedded server, always up to date, where none is set."""
    from service.store.embedded import embedded_server
    from service.store.migrate import migrate

    if settings.database_url is not None:
        if migrated:
            migrate(settings.database_url)
        yield settings.database_url
        return
    with embedded_server(settings.data) as server:
        migrate(server.database_url)
        yield server.database_url


def _cause(failure: BaseException) -> str:
    """What the database driver said, on one line; it never repeats a password."""
    cause = failure.__cause__
    return "" if cause is None else f"({printable(' '.join(str(cause).split()))})"


@main.command(epilog=EXIT_STATUS)
def migrate() -> None:
    """Bring the database up to date, as the user who owns it."""
    from service.store.migrate import newest_revision

    with _database(read_settings(), migrated=True):
        click.echo(f"The database is at revision {newest_revision()}.")


# Webhooks ----------------------------------------------------------------------------------------------------------


@main.group()
def webhooks() -> None:
    """Look after what webhooks are to be told."""


@webhooks.command(epilog=EXIT_STATUS)
@click.option("--once", is_flag=True, help="Send what is due now, and end.")
def deliver(once: bool) -> None:
    """Send to webhooks until interrupted, as serving processes do unless AIRSIDE_WEBHOOKS is off.

    As many of these may run over one database as wanted. Needs DATABASE_URL.
    """
    import asyncio
    import signal

    from service.notify.sender import sender_over, sending_as_set

    settings = read_settings()

    async def work() -> int:
        async with sender_over(settings, sending_as_set(settings)) as sender:
            if once:
                try:
                    return await sender.deliver_all_due()
                finally:
                    await sender.close()
            running = asyncio.create_task(sender.run())
            for stop in (signal.SIGINT, signal.SIGTERM):
                asyncio.get_running_loop().add_signal_handler(stop, running.cancel)
            click.echo("Sending (press Ctrl-C to stop)", err=True)
            await asyncio.wait([running])
            return 0

    tried = asyncio.run(work())
    click.echo(f"Tried: {tried}." if once else "Stopped.", err=not once)


# Rules and contract ------------------------------------------------------------------------------------------------


@main.group()
def rules() -> None:
    """Look after the rules."""


@rules.command(epilog=EXIT_STATUS)
@click.argument("folder", required=False, type=click.Path(exists=True, file_okay=False, path_type=Path))
def check(folder: Path | None) -> None:
    """Check the rules in FOLDER, by default those of this installation: shapes, meaning, units, cases of each rule."""
    from service.ruleset import rules_folder
    from service.ruleset.lint import lint_cases
    from service.ruleset.load import read_cases, read_ruleset
    from service.ruleset.released import released_faults

    root = folder or rules_folder()
    ruleset, faults = read_ruleset(root)
    cases, faults_of_cases = read_cases(root)
    faults = [*faults, *faults_of_cases]
    if ruleset is not None:
        faults += [*lint_cases(ruleset, cases), *released_faults(root, ruleset)]
        try:
            pipeline.prepare(ruleset)
        except RulesetRefused as refused:
            faults += [fault for fault in refused.faults if fault not in faults]
    if ruleset is None or faults:
        raise RulesetRefused(faults)
    click.echo(
        f"Version {ruleset.release.version} is fit to be used: {len(ruleset.criteria)} criteria, "
        f"{len(ruleset.diagnoses)} rules, {sum(len(file.case) for file in cases.values())} cases, "
        f"{len(ruleset.sources)} sources. Digest {ruleset.digest}."
    )


@rules.command(epilog=EXIT_STATUS)
@click.argument("folder", required=False, type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--dry-run", is_flag=True, help="Say what would be released, or what stands against it; write nothing.")
def release(folder: Path | None, dry_run: bool) -> None:
    """Freeze the rules in FOLDER, by default those of this installation, as the version that ruleset.toml names.

    Refused where the version was released before, a fault or a case stands against it, CHANGELOG.md does not describe
    it, or the step of the version is too small for what changed.
    """
    from service.cases import failures
    from service.ruleset import load_ruleset, rules_folder
    from service.ruleset.released import release_faults, write_release

    root = folder or rules_folder()
    ruleset = load_ruleset(root)
    faults = release_faults(root, ruleset, datetime.now(UTC).date())
    if faults := faults or failures(root, pipeline.prepare(ruleset)):
        raise RulesetRefused(faults)
    if dry_run:
        click.echo(f"Version {ruleset.release.version} may be released. Digest {ruleset.digest}.")
        return
    entry = write_release(root, ruleset)
    click.echo(f"Version {entry.version} of {entry.released} is released. Digest {entry.digest}.")


@rules.command(epilog=EXIT_STATUS)
@click.argument("before")
@click.argument("after", default="working")
@_as_json
def diff(before: str, after: str, as_json: bool) -> None:
    """Print what lies between the rules BEFORE and AFTER: rules, limits, quantities, causes, cautions, procedures.

    Each is a version, `working` for the rules as they stand in this installation, or a rules folder.
    """
    from service.ruleset.difference import difference
    from service.wire.differences import ruleset_difference

    found = difference(_ruleset(before), _ruleset(after))
    if as_json:
        _print(msgspec.json.format(msgspec.json.encode(ruleset_difference(found))).decode())
    else:
        _print(difference_printout(found).rstrip("\n"))


def _ruleset(name: str) -> Ruleset:
    from service.ruleset import load_ruleset, read_lock, read_released, rules_folder

    root = rules_folder()
    if name == "working":
        return load_ruleset(root)
    if Path(name).is_dir():
        return load_ruleset(Path(name))
    released = {entry.version: entry for entry in read_lock(root)}
    if name in released:
        return read_released(root, released[name])
    working = load_ruleset(root)
    if name == working.release.version:
        return working
    known = ", ".join([*released, f"working ({working.release.version})"])
    raise click.UsageError(f"{printable(name)} is neither a version nor a folder; there are: {known}")


@rules.command(epilog=EXIT_STATUS)
@click.option("--ruleset", "version", help="Only findings by this version of the rules.")
@click.option("--rule", help="Only this rule.")
@click.option("--since", type=click.DateTime(["%Y-%m-%d"]), help="Only reported on this day, in UTC, or later.")
@click.option("--format", "shape", type=click.Choice(["table", "csv", "json"]), default="table", show_default=True)
def record(version: str | None, rule: str | None, since: datetime | None, shape: str) -> None:
    """Print how often each rule was right, by what was reported to all accounts: counts, nothing of whose they are.

    Connects to DATABASE_URL as the user who migrated, or to the embedded server.
    """
    from service.store.outcomes import rule_record_of_all
    from service.wire.outcomes import DISCLAIMER, RuleRecord, record_entry

    with _database(read_settings(), migrated=False) as url:
        counts = rule_record_of_all(url, version, rule, None if since is None else since.replace(tzinfo=UTC))
    entries = [record_entry(count) for count in counts]
    if shape == "json":
        answered = RuleRecord(items=entries, disclaimer=DISCLAIMER)
        _print(msgspec.json.format(msgspec.json.encode(answered)).decode())
    elif shape == "csv":
        _print(rule_record_csv(entries).rstrip("\n"))
    else:
        _print(rule_record_printout(entries, DISCLAIMER).rstrip("\n"))


@rules.command(epilog=EXIT_STATUS)
@click.argument("language")
@click.option("--kind", help="Records of this kind only, such as diagnoses.")
def words(language: str, kind: str | None) -> None:
    """Print as TOML, in English, the words that LANGUAGE lacks or has of an earlier English; `of` is as it must be."""
    from service.model.ruleset import Language, LanguageFacts
    from service.ruleset import rules_folder
    from service.ruleset.languages import unfinished
    from service.ruleset.load import read_ruleset

    ruleset, faults = read_ruleset(rules_folder())
    if ruleset is None:
        raise RulesetRefused(faults)
    none = Language(LanguageFacts(title=language, status="draft", note=""), {}, {})
    found = unfinished(ruleset, ruleset.languages.get(language, none))
    for name, entries in found.items():
        if kind in (None, name):
            click.echo(f"# {name}")
            for key, held in entries.items():
                click.echo(f"\n[{json.dumps(key)}]")
                for field, text in held.items():
                    click.echo(f"{field} = {_toml(text)}")
            click.echo()


@rules.command(epilog=EXIT_STATUS)
@click.argument("into", type=click.Path(file_okay=False, path_type=Path))
@_language
def pages(into: Path, language: str) -> None:
    """Write the rulebook as HTML pages below the folder INTO; start with its index.html."""
    from service.document.rulebook import RulePages
    from service.document.rulebook import write as write_pages
    from service.ruleset import rules_folder
    from service.ruleset.load import read_cases

    prepared = pipeline.load(rules_folder()).current
    cases, _ = read_cases(rules_folder())
    count = write_pages(RulePages(prepared.ruleset, cases, _spoken(prepared, language)), into)
    click.echo(f"{count} files were written; open {into / 'index.html'}.")


def _toml(value: Any) -> str:
    """A text, a list or a table of texts as TOML writes it."""
    match value:
        case list():
            return "[" + "".join(f"\n  {_toml(one)}," for one in value) + "\n]"
        case dict():
            return "{ " + ", ".join(f"{json.dumps(key)} = {_toml(one)}" for key, one in value.items()) + " }"
        case _:
            return json.dumps(value, ensure_ascii=False)


@main.group()
def openapi() -> None:
    """Look after the API's contract."""


@openapi.command(epilog=EXIT_STATUS)
@click.option("--check", is_flag=True, help="Write nothing; exit with 1 where the file is not what would be written.")
@click.option(
    "--file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where the contract is; default: openapi/openapi.json of the checkout.",
)
def write(check: bool, file: Path | None) -> None:
    """Write the OpenAPI document that this version of the service generates."""
    from service.api.contract import contract_bytes

    if file is None:
        file = Path(__file__).resolve().parent.parent / "openapi" / "openapi.json"
        if not file.parent.is_dir():
            raise click.UsageError("this installation is no checkout; name the file with --file")
    document = contract_bytes(pipeline.load().decoder())
    if file.is_file() and file.read_bytes() == document:
        click.echo(f"{file} is up to date.")
    elif check:
        raise Stopped(f"{file} is not what would be written; run `airside openapi write`.", FOUND)
    else:
        file.write_bytes(document)
        click.echo(f"{file} was written.")


# Tenants and keys --------------------------------------------------------------------------------------------------

_tenant = click.option(
    "--tenant", required=True, type=click.UUID, help="Id of the tenant, as `tenants list` prints it."
)


@main.group()
def tenants() -> None:
    """Look after tenants: each sees its own evaluations only.

    Connects to DATABASE_URL as the user who migrated, or to the embedded server.
    """


@tenants.command("create", epilog=EXIT_STATUS)
@click.argument("name")
@click.option("--units", type=click.Choice(["ip", "si"]), default="ip", show_default=True, help="Units of its answers.")
def create_tenant(name: str, units: UnitSystem) -> None:
    """Add a tenant called NAME and print its id."""
    from service.store import keys

    with _database(read_settings(), migrated=False) as url:
        click.echo(keys.create_tenant(url, name, units))


@tenants.command("list", epilog=EXIT_STATUS)
def list_tenants() -> None:
    """Print id, units, version of the rules and name of each tenant, oldest first."""
    from service.store import keys

    with _database(read_settings(), migrated=False) as url:
        for tenant in keys.list_tenants(url):
            click.echo(f"{tenant.tenant_id}  {tenant.units}  {tenant.ruleset or 'current':<9}  {tenant.name}")


@tenants.command("pin", epilog=EXIT_STATUS)
@click.argument("tenant", type=click.UUID)
@click.argument("version")
def pin_ruleset(tenant: uuid.UUID, version: str) -> None:
    """Have the rules of VERSION judge the visits of TENANT that name no version themselves.

    VERSION must be installed here. Serving processes follow within 10 s.
    """
    names = pipeline.load().names
    if version not in names:
        raise click.BadParameter(f"it is not installed; there are: {', '.join(names)}", param_hint="VERSION")
    _pin(tenant, version)
    click.echo(f"Tenant {tenant} is judged by version {version}.")


@tenants.command("unpin", epilog=EXIT_STATUS)
@click.argument("tenant", type=click.UUID)
def unpin_ruleset(tenant: uuid.UUID) -> None:
    """Have the service's current rules judge the visits of TENANT again."""
    _pin(tenant, None)
    click.echo(f"Tenant {tenant} is judged by the current version.")


def _pin(tenant: uuid.UUID, version: str | None) -> None:
    from service.store import keys

    with _database(read_settings(), migrated=False) as url:
        if not keys.pin_ruleset(url, tenant, version):
            raise Stopped(f"There is no tenant {tenant}.", FOUND)


# Retention ---------------------------------------------------------------------------------------------------------


@main.group()
def retention() -> None:
    """Look after what accounts no longer have kept.

    Connects to DATABASE_URL, for `set` and `unset` as the user who migrated, or to the embedded server.
    """


@retention.command("set", epilog=EXIT_STATUS)
@click.argument("tenant", type=click.UUID)
@click.argument("days", type=click.IntRange(min=1))
def set_retention(tenant: uuid.UUID, days: int) -> None:
    """Have the evaluations of TENANT kept for DAYS days; the next sweep erases for good what is older."""
    _retain(tenant, days)
    click.echo(f"Evaluations of tenant {tenant} are kept for {days} days.")


@retention.command("unset", epilog=EXIT_STATUS)
@click.argument("tenant", type=click.UUID)
def unset_retention(tenant: uuid.UUID) -> None:
    """Have the evaluations of TENANT kept until they are erased."""
    _retain(tenant, None)
    click.echo(f"Evaluations of tenant {tenant} are kept until they are erased.")


def _retain(tenant: uuid.UUID, days: int | None) -> None:
    from service.store import keys

    with _database(read_settings(), migrated=False) as url:
        if not keys.set_retention(url, tenant, days):
            raise Stopped(f"There is no tenant {tenant}.", FOUND)


@retention.command(epilog=EXIT_STATUS)
@click.option(
    "--at", type=click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S"]), help="Time, in UTC, by which age is told; now."
)
def sweep(at: datetime | None) -> None:
    """Erase what is older than its account has it kept, and forget old idempotency keys.

    Serving processes do so every hour by themselves.
    """
    import asyncio

    from service.store.database import Database
    from service.store.erasures import Erasures

    async def swept(url: str) -> Swept:
        database = Database(url, pool_size=1)
        await database.open()
        try:
            return await Erasures(database).sweep(datetime.now(UTC) if at is None else at.replace(tzinfo=UTC))
        finally:
            await database.close()

    with _database(read_settings(), migrated=False) as url:
        gone = asyncio.run(swept(url))
    click.echo(f"Erased evaluations: {gone.evaluations}. Forgotten idempotency keys: {gone.keys}.")


@main.group("keys")
def api_keys() -> None:
    """Look after API keys.

    Connects to DATABASE_URL as the user who migrated, or to the embedded server.
    """


@api_keys.command("create", epilog=EXIT_STATUS)
@_tenant
@click.option("--label", required=True, help="What the key is for.")
@click.option("--scope", "scopes", multiple=True, type=click.Choice(SCOPES), help="What it allows; default: all.")
@click.option("--expires", type=click.DateTime(["%Y-%m-%d"]), help="First day, in UTC, on which it is refused.")
def create_key(tenant: uuid.UUID, label: str, scopes: tuple[str, ...], expires: datetime | None) -> None:
    """Make an API key and print it: on standard output the key alone, which is shown this once."""
    from service.store import keys

    with _database(read_settings(), migrated=False) as url:
        made = keys.create_key(
            url,
            tenant,
            label,
            cast("tuple[Scope, ...]", scopes) or SCOPES,
            None if expires is None else expires.replace(tzinfo=UTC),
        )
    click.echo(f"Key {made.key_id}. Keep it now: it is shown this once.", err=True)
    click.echo(made.secret)


@api_keys.command("revoke", epilog=EXIT_STATUS)
@click.argument("key", type=click.UUID)
def revoke_key(key: uuid.UUID) -> None:
    """Make the key with the id KEY useless, for good, within seconds."""
    from service.store import keys

    with _database(read_settings(), migrated=False) as url:
        if not keys.revoke_key(url, key):
            raise Stopped(f"There is no key {key} in use.", FOUND)
    click.echo(f"Key {key} is revoked.")


@api_keys.command("list", epilog=EXIT_STATUS)
@_tenant
def list_keys(tenant: uuid.UUID) -> None:
    """Print a tenant's keys, oldest first: id, state, scopes, label."""
    from service.store import keys

    with _database(read_settings(), migrated=False) as url:
        for key in keys.list_keys(url, tenant):
            if key.revoked_at is not None:
                state = "revoked"
            elif key.expires_at is not None and key.expires_at <= datetime.now(UTC):
                state = "expired"
            else:
                state = "in use"
            click.echo(f"{key.key_id}  {state:<7}  {','.join(key.scopes)}  {key.label}")
