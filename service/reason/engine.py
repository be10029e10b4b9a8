"""The one place that knows durable-rules: one topic's rules on one engine, driven inside its safe lane.

What the engine needs to be right, and where it is kept here:

- It sees small integer codes of a closed vocabulary, one `{"t": code}` fact per call, and nothing else: it
  compares numbers as text in places, and batches of facts give wrong results.
- Every evaluation has a state (`sid`) of its own that is deleted at its end; states not deleted fill a
  table of about a thousand. Deleting a state in which no action ever ran crashes the process, so a rule that
  always fires starts every evaluation.
- One fact meets one condition of a rule only, "not" depends on the order of facts, and one fact may take
  only so many branches: `graph_faults` refuses such rules.
- `Ruleset` is used without `Host`, which would run timer threads.
- Only a token that some rule reads is asserted, so the engine's "not handled" is never provoked and would be
  a failure; "already observed" is normal when two rules share a conclusion.
- An exception inside an action ends up as text in the state; it is looked for and raised.
- An action has exactly one parameter; a second one would make it asynchronous.
- The engine never frees a ruleset by itself; a finalizer does.
"""

import itertools
import weakref
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from threading import Lock
from typing import Any

import durable_rules_engine
from durable.engine import MessageObservedException, Ruleset

from service.errors import ReasoningFailed
from service.model.reasoning import Firing, RuleEdge

_START = 0
"""Code of the fact that starts every evaluation; tokens are numbered from 1."""


class TopicEngine:
    """Forward chaining over the rules of one topic; safe to use from several threads.

    The edges must be free of `graph_faults`. `codes` numbers the tokens that some rule of the topic reads.
    """

    def __init__(self, edges: Sequence[RuleEdge]) -> None:
        read = sorted({token for edge in edges for token in edge.when})
        self.codes = {token: code for code, token in enumerate(read, start=_START + 1)}
        self._lock = Lock()
        self._numbers = itertools.count(1)
        self._sid = ""
        self._started = False
        self._fired: list[Firing] = []
        rules: dict[str, Any] = {"start": {"all": [{"m_0": {"t": _START}}], "run": self._start_action()}}
        for number, edge in enumerate(edges):
            rules[f"r{number}"] = {
                "all": [{f"m_{place}": {"t": self.codes[token]}} for place, token in enumerate(edge.when)],
                "run": self._rule_action(Firing(rule=edge.id, conclusion=edge.concludes)),
            }
        self._ruleset = Ruleset("topic", None, rules)
        weakref.finalize(self, durable_rules_engine.delete_ruleset, self._ruleset._handle).atexit = False

    def conclude(self, codes: Iterable[int]) -> tuple[Firing, ...]:
        """Rules that fire on the tokens with these codes, in no stated order; each code is given once.

        Raises:
            ReasoningFailed: the engine or an action failed; nothing of the evaluation remains.
        """
        with self._lock:
            self._sid = str(next(self._numbers))
            self._started = False
            self._fired = []
            try:
                self._evaluate(codes)
            except ReasoningFailed:
                raise
            except Exception as error:
                raise ReasoningFailed(f"The rule engine refused a fact or an action: {error!r}") from error
            return tuple(self._fired)

    def _evaluate(self, codes: Iterable[int]) -> None:
        state = self._assert(_START)
        try:
            for code in codes:
                self._assert(code)
        finally:
            # Also after a failed assertion: only a state in which an action ran can be deleted.
            try:
                self._run_actions(state)
            finally:
                if self._started:
                    self._ruleset.delete_state(self._sid)

    def _run_actions(self, state: int) -> None:
        outcomes: list[tuple[object, dict[str, Any] | None]] = []
        self._ruleset.do_actions(state, lambda error, after: outcomes.append((error, after)))
        if not outcomes:
            raise ReasoningFailed("The rule engine stopped before the last action (did the clock jump?).")
        for error, after in outcomes:
            if error is not None:
                raise ReasoningFailed(f"The rule engine failed between actions: {error!r}")
            if after is None:
                raise ReasoningFailed("The rule engine ran no action, not even the starting one.")
            if "exception" in after:
                raise ReasoningFailed(f"An action failed: {after['exception']}")

    def _assert(self, code: int) -> int:
        handle: int = self._ruleset.assert_fact({"t": code, "sid": self._sid})
        return handle

    def _start_action(self) -> Callable[[object], None]:
        def start(_: object) -> None:
            self._started = True

        return start

    def _rule_action(self, firing: Firing) -> Callable[[object], None]:
        code = self.codes.get(firing.conclusion)

        def fire(_: object) -> None:
            self._fired.append(firing)
            if code is not None:
                with suppress(MessageObservedException):
                    self._assert(code)

        return fire
