"""Many visits in one request, read, judged and answered line by line."""

import asyncio
import re
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from typing import Any, cast
from uuid import UUID

import msgspec
from litestar import Response, Router, post
from litestar.types import ASGIApp, Receive, Scope, Send

from service.api.access import authorised
from service.api.evaluations import fetch_kept
from service.api.exchange import LINES, AnyRequest, encode, judging, language, languages, negotiated, serving, spoken
from service.api.problems import KINDS, ProblemRaised, problem_of
from service.api.repetition import PATTERN, sent_as
from service.crew import JudgedVisit, Reply, Task
from service.errors import StoreUnavailable
from service.model.record import Sent, StoredEvaluation
from service.store.database import new_id
from service.wire.batches import BatchAnswer, BatchLine, BatchQuery, LineAtHand
from service.wire.faults import RequestRefused
from service.wire.query import decode_query
from service.wire.response import EvaluationResult, Fault, FoundView, Problem, RulesetReference

_at_hand = msgspec.json.Decoder(LineAtHand)
_KEY = re.compile(PATTERN)
_MARK = b"\xef\xbb\xbf"
AGAIN_AFTER = 1.0
"""Seconds after which a line with a key is tried once more where the database was late."""


@post(
    "/",
    operation_id="create_evaluations",
    summary="Judge and keep many visits",
    status_code=200,
    # No bound on the whole body; `_lines` bounds each line.
    request_max_body_size=None,
    opt={
        "scope": "evaluations:write",
        "body": BatchLine,
        "takes": LINES,
        "query": BatchQuery,
        "media": {LINES: "One JSON object a line, in the order of the lines sent."},
        "line": BatchAnswer,
        "spoken": True,
        "pinned": True,
    },
)
async def create_evaluations(request: AnyRequest) -> Response[bytes]:
    """Judges and keeps any number of visits, one on each line of the body (newline-delimited JSON), several at a time.

    Each line that is not blank is answered by one line, in the order sent, as soon as it is known, while later ones are
    still being sent: read while you write. A fault of one line never ends the batch; its answer has the `problem`, with
    pointers into that line. Each line may be as large as a single visit, and has to arrive within the same time; one
    that does not ends the batch. The language is that of the account's version of the rules.

    Give lines an `idempotency_key`, and you can send the batch again after a cut: lines that were kept are answered
    with the same `id` and `repeated`. A line with a key is also tried once more where the database is late. The
    same visit sent alone under that key as `Idempotency-Key` counts as the same.
    """
    query = decode_query(request.scope["query_string"], BatchQuery)
    prepared = await judging(request, msgspec.UNSET)
    return _Conversation(request, query, spoken(language(request, prepared)))


class _Conversation(Response[bytes]):
    """An answer that is written while the body is read; the framework's streams would read the body to look for a
    client that went away."""

    def __init__(self, request: AnyRequest, query: BatchQuery, fields: dict[str, str]) -> None:
        super().__init__(b"", media_type=LINES, headers=fields)
        self._batch = _Batch(request, query)
        self._fields = {"content-type": LINES, **fields}

    def to_asgi_response(self, *_: Any, **__: Any) -> ASGIApp:  # type: ignore[override]
        async def converse(scope: Scope, receive: Receive, send: Send) -> None:
            await self._batch.converse(receive, send, self._fields)

        return converse


class _ClientGone(Exception):
    pass


class _Batch:
    def __init__(self, request: AnyRequest, query: BatchQuery) -> None:
        self._request = request
        self._serving = serving(request)
        self._full = query.answer == "full"

    async def converse(self, receive: Receive, send: Send, fields: dict[str, str]) -> None:
        """Reads, judges and answers; at most as many lines are under way as keep the processes busy."""
        waiting: asyncio.Queue[asyncio.Task[bytes] | None] = asyncio.Queue(2 * self._serving.crew.size + 2)
        await send(
            {
                "type": "http.response.start",
                "status": 200,
                "headers": [(name.encode(), value.encode()) for name, value in fields.items()],
            }
        )
        gone = False
        try:
            async with asyncio.TaskGroup() as group:
                reading = group.create_task(self._read(receive, waiting, group))
                while (fate := await waiting.get()) is not None:
                    await send({"type": "http.response.body", "body": await fate, "more_body": True})
                reading.cancel()
        except* _ClientGone:
            gone = True
        if not gone:
            await send({"type": "http.response.body", "body": b"", "more_body": False})

    async def _read(
        self, receive: Receive, waiting: asyncio.Queue[asyncio.Task[bytes] | None], group: asyncio.TaskGroup
    ) -> None:
        """Has each line judged, in turn; then stays to see whether the client goes away."""
        settings = self._serving.settings
        async for number, line in _lines(receive, settings.body_bytes, settings.body_seconds):
            await waiting.put(group.create_task(self._fate(number, line)))
        await waiting.put(None)
        while (await receive())["type"] != "http.disconnect":
            pass
        raise _ClientGone

    async def _fate(self, number: int, line: bytes | ProblemRaised) -> bytes:
        """The answer to a line; nothing that happens to it ends the batch."""
        try:
            answered = await self._kept_if_late(number, line)
        except Exception as failure:  # noqa: BLE001
            answered = self._refused(number, failure)
        return encode(answered) + b"\n"

    async def _kept_if_late(self, number: int, line: bytes | ProblemRaised) -> BatchAnswer:
        """A line with a key is tried once more where the database was late: it cannot be kept twice."""
        try:
            return await self._kept(number, line)
        except StoreUnavailable:
            if isinstance(line, ProblemRaised) or _sending(line) is None:
                raise
            await asyncio.sleep(AGAIN_AFTER)
            return await self._kept(number, line)

    def _refused(self, number: int, failure: Exception) -> BatchAnswer:
        raised = problem_of(failure)
        if raised.code == "internal_fault":
            self._request.scope["state"]["fault"] = failure
        return refused_line(number, raised, str(self._request.scope["state"]["request_id"]))

    async def _kept(self, number: int, line: bytes | ProblemRaised) -> BatchAnswer:
        if isinstance(line, ProblemRaised):
            raise line
        refuse_mark(number, line)
        request, user = self._request, self._request.user
        store = self._serving.store
        sending = _sending(line)
        earlier = None if sending is None else await store.claimed(user.tenant_id, sending)
        if earlier is not None:
            return await self._again(number, earlier.fate, earlier.made)
        task = Task(
            line=line,
            ruleset=user.ruleset,
            units=user.units,
            limits=user.limit_overrides,
            languages=languages(request),
            full=self._full,
        )
        judged = judged_line(await self._serving.crew.judge(task))
        stored = self._to_keep(judged)
        kept = await store.keep(user.tenant_id, stored, sending)
        if kept.fate != "kept":
            return await self._again(number, kept.fate, kept.made)
        return _told(number, stored, told_result(judged) if self._full else None)

    async def _again(self, number: int, fate: str, made: UUID | None) -> BatchAnswer:
        if fate != "repeated" or made is None:
            raise ProblemRaised("idempotency_key_reused", "another request was sent under this key before")
        kept = await fetch_kept(self._request, made)
        stored = msgspec.structs.replace(kept.stored, findings=kept.evaluation.gravest)
        told = None
        if self._full:
            speech = language(self._request, kept.prepared)
            told = (await asyncio.to_thread(kept.view, stored.units, speech)).result
        return msgspec.structs.replace(_told(number, stored, told), repeated=True)

    def _to_keep(self, judged: JudgedVisit) -> StoredEvaluation:
        state = self._request.scope["state"]
        return StoredEvaluation(
            evaluation_id=new_id(),
            created_at=datetime.now(UTC),
            ruleset_version=judged.ruleset_version,
            ruleset_digest=judged.ruleset_digest,
            units=judged.units,
            request=judged.request,
            evaluation=judged.evaluation,
            visited_at=judged.visited_at,
            site_reference=judged.site_reference,
            equipment_reference=judged.equipment_reference,
            job_reference=judged.job_reference,
            highest_severity=judged.highest_severity,
            findings=judged.findings,
            words=judged.words,
            account_limits=judged.account_limits,
            request_id=str(state["request_id"]),
            trace_parent=state["trace_parent"],
        )


def refuse_mark(number: int, line: bytes) -> None:
    """Refuse a first line that begins with a byte order mark.

    Raises
    ------
    RequestRefused : it does
    """
    if number == 1 and line.startswith(_MARK):
        detail = "begins with a byte order mark; send UTF-8 without one"
        raise RequestRefused([Fault(pointer="#", code="not_json", detail=detail)], well_formed=False)


def judged_line(reply: Reply) -> JudgedVisit:
    """What a process made of a line.

    Raises
    ------
    RequestRefused : it refused the line
    ProblemRaised : it failed
    """
    if reply.faults:
        raise RequestRefused(reply.faults, well_formed=reply.well_formed)
    if reply.judged is None:
        raise ProblemRaised("internal_fault", "the fault was logged by the process that judged")
    return reply.judged


def told_result(judged: JudgedVisit) -> EvaluationResult:
    """The whole result, as the process that judged wrote it."""
    return cast("EvaluationResult", msgspec.Raw(judged.result))


def refused_line(
    number: int, raised: ProblemRaised, request_id: str | msgspec.UnsetType = msgspec.UNSET
) -> BatchAnswer:
    """The answer to a line that came to nothing."""
    kind = KINDS[raised.code]
    problem = Problem(
        type=f"/problems/{raised.code}",
        title=kind.title,
        status=kind.status,
        detail=raised.detail,
        errors=list(raised.errors) or msgspec.UNSET,
        request_id=request_id,
        retry_after=msgspec.UNSET if raised.retry_after is None else raised.retry_after,
    )
    return BatchAnswer(line=number, status=kind.status, problem=problem)


def _told(number: int, stored: StoredEvaluation, result: EvaluationResult | None) -> BatchAnswer:
    return BatchAnswer(
        line=number,
        status=201,
        id=stored.evaluation_id,
        location=f"/v1/evaluations/{stored.evaluation_id}",
        ruleset=RulesetReference(version=stored.ruleset_version, digest=stored.ruleset_digest),
        highest_severity=stored.highest_severity or msgspec.UNSET,
        findings=[FoundView(code=code, severity=severity) for code, severity in stored.findings.items()],
        result=result or msgspec.UNSET,
    )


def _sending(line: bytes) -> Sent | None:
    """The line as one that may have been sent before; None where it has no key, or is going to be refused."""
    try:
        at_hand = _at_hand.decode(line)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return None
    key = at_hand.idempotency_key
    if key is msgspec.UNSET or not _KEY.fullmatch(key):
        return None
    return sent_as(key, "create_evaluation", "/v1/evaluations", bytes(at_hand.visit))


async def _lines(receive: Receive, longest: int, seconds: float) -> AsyncIterator[tuple[int, bytes | ProblemRaised]]:
    """The lines of a body that are not blank, numbered from 1 with those that are, as they come.

    A line that is longer than `longest` octets is not held, and comes as a problem. One that takes longer than
    `seconds` comes as a problem, and is the last.

    Raises:
        _ClientGone: before the body was complete.
    """
    loop = asyncio.get_running_loop()
    held = bytearray()
    number, searched, more, cut_off = 1, 0, True, False
    deadline = loop.time() + seconds
    while True:
        end = held.find(b"\n", searched)
        if end < 0 and more:
            searched = len(held)
            if searched > longest + 1:  # one for a carriage return
                cut_off = True
            if cut_off:
                held.clear()
                searched = 0
            try:
                async with asyncio.timeout_at(deadline):
                    message: Any = await receive()
            except TimeoutError:
                yield number, ProblemRaised("body_too_slow", f"the line was not complete within {seconds:g} s")
                return
            if message["type"] == "http.disconnect":
                raise _ClientGone
            held += message.get("body", b"")
            more = message.get("more_body", False)
            continue
        line = bytes(held[: end if end >= 0 else len(held)]).removesuffix(b"\r")
        del held[: end + 1 if end >= 0 else len(held)]
        if cut_off or len(line) > longest:
            yield number, ProblemRaised("body_too_large", f"a line may have {longest} octets")
        elif line.strip():
            yield number, line
        if end < 0:
            return
        number, searched, cut_off = number + 1, 0, False
        deadline = loop.time() + seconds


ROUTER = Router(
    "/v1/evaluations/batch", route_handlers=[create_evaluations], guards=[negotiated, authorised], tags=["Evaluations"]
)
