"""Processes that judge visits side by side, so that a batch uses several cores:
`python -m service.crew [--ruleset=VERSION] [FOLDER...]`.

The parent asks over standard input and is answered over standard output, each message MessagePack after its length in
four octets. Judging keeps nothing, so what a process that died had is judged once more by a fresh one; a visit at which
that dies too, or at which one hangs, is lost. Such a process is replaced and never keeps the caller waiting. Where the
parent goes, standard input ends, and so does the process.
"""

import asyncio
import contextlib
import datetime
import os
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import BinaryIO, Literal

import msgspec

from service.errors import AirsideError
from service.model.evaluation import Severity
from service.pipeline import Rulebook, evaluate, load
from service.wire.account import with_limits
from service.wire.batches import BatchLine
from service.wire.decode import RequestDecoder
from service.wire.faults import RequestRefused
from service.wire.render import result
from service.wire.request import words_to_search
from service.wire.response import Fault
from service.wire.revisions import visit_of
from service.wire.speech import preferred

LONGEST = 60.0
"""Seconds that a process may take for one visit, its start included, before it is taken to hang."""


class CrewMemberLost(AirsideError):
    """The process that judged a visit hung, or two that judged it died."""


class Task(msgspec.Struct, frozen=True, kw_only=True):
    """A line of a batch to be judged.

    Attributes:
        line: its bytes.
        ruleset: version of the rules where the visit pins none; None for the current one.
        units: unit system where the visit names none.
        limits: limits of the account, encoded; None for none.
        languages: as `Accept-Language` has them.
        full: whether the whole result is to be told.
        shown_in: unit system of the result whatever the visit names; None for that of the visit.
    """

    line: bytes
    ruleset: str | None
    units: Literal["ip", "si"]
    limits: bytes | None
    languages: str
    full: bool
    shown_in: Literal["ip", "si"] | None = None


class JudgedVisit(msgspec.Struct, frozen=True, kw_only=True):
    """What the parent keeps of a visit; the fields mean what they mean in `StoredEvaluation`.

    `result` is the whole result as JSON, empty where it was not asked for.
    """

    request: bytes
    evaluation: bytes
    ruleset_version: str
    ruleset_digest: str
    units: Literal["ip", "si"]
    visited_at: datetime.datetime | None
    site_reference: str | None
    equipment_reference: str | None
    job_reference: str | None
    highest_severity: Severity | None
    findings: dict[str, Severity]
    words: str
    account_limits: bytes | None
    result: bytes


class Reply(msgspec.Struct, frozen=True, kw_only=True):
    """A visit judged, or the faults for which the line was refused, or neither where the service failed."""

    judged: JudgedVisit | None = None
    faults: tuple[Fault, ...] = ()
    well_formed: bool = True


_encoder = msgspec.msgpack.Encoder()
_json = msgspec.json.Encoder()
_tasks = msgspec.msgpack.Decoder(Task)
_replies = msgspec.msgpack.Decoder(Reply)


_DIED = (OSError, EOFError, msgspec.MsgspecError)
"""What is met where a process died, or was cut short in its answer."""


class Crew:
    """Processes that judge, started as they are needed, up to `size`; for one event loop.

    Parameters:
        size: most processes.
        ruleset: version of the rules that judges where none is named; None for the newest released one.
        folders: of rules, in place of those that came with this installation.
    """

    def __init__(self, size: int, ruleset: str | None = None, folders: Sequence[Path] = ()) -> None:
        self.size = size
        named = [f"--ruleset={ruleset}"] if ruleset else []
        self._command = (sys.executable, "-m", "service.crew", *named, *(str(folder.resolve()) for folder in folders))
        # The last one used comes first, so that no more are started than are busy at a time.
        self._places: asyncio.LifoQueue[asyncio.subprocess.Process | None] = asyncio.LifoQueue()
        for _ in range(size):
            self._places.put_nowait(None)
        self._asked: set[asyncio.Task[Reply]] = set()

    async def judge(self, task: Task) -> Reply:
        """What a process makes of a line.

        Where the caller is cancelled the process finishes all the same, and is free again.

        Raises:
            CrewMemberLost: it took longer than `LONGEST`, or died and so did the fresh one that was asked after it.
        """
        asked = asyncio.create_task(self._ask(task))
        self._asked.add(asked)
        asked.add_done_callback(self._done)
        return await asyncio.shield(asked)

    def _done(self, asked: "asyncio.Task[Reply]") -> None:
        self._asked.discard(asked)
        if not asked.cancelled():
            asked.exception()  # seen, also where nobody waits for it any more

    async def _ask(self, task: Task) -> Reply:
        process = await self._places.get()
        try:
            try:
                async with asyncio.timeout(LONGEST):
                    process = await self._alive(process)
                    return await _answer(process, task)
            except TimeoutError:  # an OSError too, but a visit that takes too long is not tried again
                raise
            except _DIED:
                # It may have died while it was idle: that is heard of a moment later only.
                _kill(process)
                process = None
            async with asyncio.timeout(LONGEST):
                process = await self._alive(None)
                return await _answer(process, task)
        except BaseException as failure:
            _kill(process)
            process = None
            if isinstance(failure, _DIED):
                raise CrewMemberLost from failure
            raise
        finally:
            self._places.put_nowait(process)

    async def _alive(self, process: asyncio.subprocess.Process | None) -> asyncio.subprocess.Process:
        if process is not None and process.returncode is None:
            return process
        return await asyncio.create_subprocess_exec(
            *self._command,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            start_new_session=True,  # out of reach of Ctrl-C
        )

    async def close(self) -> None:
        """End every process."""
        for asked in tuple(self._asked):
            asked.cancel()
        if self._asked:
            await asyncio.wait(self._asked)
        processes = [self._places.get_nowait() for _ in range(self.size)]
        for process in processes:
            self._places.put_nowait(None)
            if process is not None:
                _kill(process)
                await process.wait()


async def _answer(process: asyncio.subprocess.Process, task: Task) -> Reply:
    told, heard = process.stdin, process.stdout
    assert told is not None
    assert heard is not None
    message = _encoder.encode(task)
    told.write(len(message).to_bytes(4) + message)
    await told.drain()
    size = int.from_bytes(await heard.readexactly(4))
    return _replies.decode(await heard.readexactly(size))


def _kill(process: asyncio.subprocess.Process | None) -> None:
    if process is not None:
        with contextlib.suppress(ProcessLookupError):
            process.kill()


def judge_line(task: Task, rulebook: Rulebook, decoder: RequestDecoder) -> Reply:
    """What this process makes of a line. What cannot be told is not kept, so the answer is written in any case."""
    try:
        line = decoder.decode_as(task.line, BatchLine)
    except RequestRefused as refused:
        return Reply(faults=refused.faults, well_formed=refused.well_formed)
    visit = line.visit
    prepared = rulebook.version(visit.ruleset or task.ruleset)
    assert prepared is not None  # the decoder knows the versions, and the parent has looked at the account's
    limited, limits = with_limits(visit, task.limits, prepared.ruleset.criteria)
    evaluation = evaluate(limited, prepared)
    units = task.shown_in or visit.units or task.units
    speech = preferred(task.languages, prepared.languages)
    told = _json.encode(result(evaluation, prepared.ruleset, prepared.units, units, speech))
    return Reply(
        judged=JudgedVisit(
            request=visit_of(task.line),
            evaluation=_json.encode(evaluation),
            ruleset_version=evaluation.ruleset_version,
            ruleset_digest=evaluation.ruleset_digest,
            units=units,
            visited_at=evaluation.visited_at,
            site_reference=evaluation.site_reference,
            equipment_reference=evaluation.equipment_reference,
            job_reference=evaluation.job_reference,
            highest_severity=evaluation.highest_severity,
            findings=evaluation.gravest,
            words=words_to_search(visit),
            account_limits=limits,
            result=told if task.full else b"",
        )
    )


def work(asked: BinaryIO, answered: BinaryIO, rulebook: Rulebook) -> None:
    """Judge what comes in until it ends."""
    decoder = rulebook.decoder()
    while len(size := asked.read(4)) == 4:
        task = _tasks.decode(asked.read(int.from_bytes(size)))
        try:
            reply = judge_line(task, rulebook, decoder)
        except Exception as failure:  # noqa: BLE001
            # The words of an exception may hold what a client sent; where it came from cannot.
            frames = traceback.extract_tb(failure.__traceback__)[-12:]
            print(type(failure).__name__, *(f"{one.filename}:{one.lineno}" for one in frames), file=sys.stderr)
            reply = Reply()
        message = _encoder.encode(reply)
        answered.write(len(message).to_bytes(4) + message)
        answered.flush()


def main() -> None:
    """Work as one of a crew. Whatever else writes to standard output goes to standard error."""
    answered = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    named = [argument.removeprefix("--ruleset=") for argument in sys.argv[1:] if argument.startswith("--ruleset=")]
    folders = [Path(argument) for argument in sys.argv[1:] if not argument.startswith("--ruleset=")]
    work(sys.stdin.buffer, answered, load(*folders, current=named[0] if named else None))


if __name__ == "__main__":
    main()
