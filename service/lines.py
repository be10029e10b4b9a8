"""Many visits judged line by line without a server: answers as those of a batch, and nothing kept."""

import asyncio
import contextlib
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import BinaryIO, Literal

import msgspec

from service.api.batches import judged_line, refuse_mark, refused_line, told_result
from service.api.exchange import encode
from service.api.problems import ProblemRaised, problem_of
from service.crew import Crew, CrewMemberLost, Task
from service.wire.batches import BatchAnswer
from service.wire.response import FoundView, RulesetReference


class Asked(msgspec.Struct, frozen=True, kw_only=True):
    """How lines are to be judged and answered.

    Attributes:
        units: unit system of results; None for that of each visit, inch-pound where it names none.
        language: of the words, by its code.
        full: whether the whole result is to be told.
    """

    units: Literal["ip", "si"] | None
    language: str
    full: bool


def judge_lines(
    lines: BinaryIO, answer: Callable[[BatchAnswer, bytes], None], asked: Asked, size: int, folders: Sequence[Path] = ()
) -> None:
    """Judges lines of the shape that a batch takes, in `size` processes, and hands each answer on with its JSON, in the
    order of the lines. At most two lines a process and two more are under way. Blank lines are counted, not answered.

    Raises
    ------
    OSError : the lines cannot be read to their end
    """
    asyncio.run(_judge_lines(lines, answer, asked, Crew(size, folders=folders)))


async def _judge_lines(lines: BinaryIO, answer: Callable[[BatchAnswer, bytes], None], asked: Asked, crew: Crew) -> None:
    read: asyncio.Queue[bytes | OSError] = asyncio.Queue(1)
    loop = asyncio.get_running_loop()
    threading.Thread(target=_read, args=(lines, read, loop), daemon=True).start()
    under_way: asyncio.Queue[asyncio.Task[tuple[BatchAnswer, bytes]] | OSError | None] = asyncio.Queue(
        2 * crew.size + 2
    )

    async def begin() -> None:
        number = 0
        while line := await read.get():
            if isinstance(line, OSError):
                await under_way.put(line)
                return
            number += 1
            if line.strip():
                await under_way.put(asyncio.create_task(_fate(number, line.removesuffix(b"\n"), asked, crew)))
        await under_way.put(None)

    beginning = asyncio.create_task(begin())
    try:
        while (fate := await under_way.get()) is not None:
            if isinstance(fate, OSError):
                raise fate
            answer(*await fate)
    finally:
        beginning.cancel()
        await crew.close()


def _read(lines: BinaryIO, read: "asyncio.Queue[bytes | OSError]", loop: asyncio.AbstractEventLoop) -> None:
    """Hands on line after line, and an empty one at the end. In a thread that does not keep the process from ending
    while it waits for standard input."""

    def hand_on(line: bytes | OSError) -> None:
        asyncio.run_coroutine_threadsafe(read.put(line), loop).result()

    with contextlib.suppress(RuntimeError, asyncio.CancelledError):  # the loop ended before the lines did
        try:
            for line in lines:
                hand_on(line)
        except OSError as failure:
            hand_on(failure)
        hand_on(b"")


async def _fate(number: int, line: bytes, asked: Asked, crew: Crew) -> tuple[BatchAnswer, bytes]:
    task = Task(
        line=line.removesuffix(b"\r"),
        ruleset=None,
        units="ip",
        limits=None,
        languages=asked.language,
        full=asked.full,
        shown_in=asked.units,
    )
    try:
        refuse_mark(number, line)
        judged = judged_line(await crew.judge(task))
    except CrewMemberLost:
        answered = refused_line(number, ProblemRaised("internal_fault", "the processes that judged it died or hung"))
    except Exception as failure:  # noqa: BLE001
        answered = refused_line(number, problem_of(failure))
    else:
        answered = BatchAnswer(
            line=number,
            status=200,
            ruleset=RulesetReference(version=judged.ruleset_version, digest=judged.ruleset_digest),
            highest_severity=judged.highest_severity or msgspec.UNSET,
            findings=[FoundView(code=code, severity=severity) for code, severity in judged.findings.items()],
            result=told_result(judged) if asked.full else msgspec.UNSET,
        )
    return answered, encode(answered) + b"\n"
