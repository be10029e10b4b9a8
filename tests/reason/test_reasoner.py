"""The reasoner against plain forward chaining, and what could go wrong with the engine under it."""

import itertools
import os
import random
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import durable.engine
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import AirsideError, ReasoningFailed, RulesetRefused
from service.model.reasoning import FAN_OUT_LIMIT, Firing, RuleEdge
from service.reason import Reasoner
from service.reason.engine import TopicEngine
from tests.reason.forward_chaining import basic_tokens, chain, random_edges

HERE = Path(__file__).parent

LADDER = (
    RuleEdge("first_step", ("a",), "conclusion:one"),
    RuleEdge("second_step", ("conclusion:one", "b"), "conclusion:two"),
    RuleEdge("another_way_to_two", ("c",), "conclusion:two"),
    RuleEdge("third_step", ("d", "conclusion:two", "conclusion:one"), "conclusion:three"),
    RuleEdge("elsewhere", ("x", "y"), "conclusion:elsewhere"),
)


def rules_that_fire(reasoner: Reasoner, *tokens: str, cached: bool = False) -> set[str]:
    return {firing.rule for firing in reasoner.conclude(tokens, cached=cached)}


# the same answer as plain forward chaining ----------------------------------------------------------------------


@st.composite
def small_graphs(draw: st.DrawFn) -> list[RuleEdge]:
    """Up to 16 rules that shrink well: one or two topics, up to three levels, conclusions shared."""
    edges: list[RuleEdge] = []
    for topic in draw(st.sampled_from(["p", "pq"])):
        readable = [f"{topic}{place}" for place in range(5)]
        for level in range(draw(st.integers(1, 3))):
            concluded = set()
            for _ in range(draw(st.integers(1, 4))):
                when = draw(st.lists(st.sampled_from(readable), min_size=1, max_size=3, unique=True))
                concludes = f"conclusion:{topic}{level}{draw(st.integers(0, 2))}"
                edges.append(RuleEdge(f"rule{len(edges):02}", tuple(when), concludes))
                concluded.add(concludes)
            readable += sorted(concluded)
    return draw(st.permutations(edges))


@settings(deadline=None, max_examples=300)
@given(edges=small_graphs(), data=st.data())
def test_small_graphs_as_plain_forward_chaining(edges: list[RuleEdge], data: st.DataObject) -> None:
    reasoner = Reasoner(edges)
    alphabet = [*basic_tokens(edges), "unknown", edges[0].concludes]
    for _ in range(3):
        tokens = data.draw(st.lists(st.sampled_from(alphabet)))
        expected = chain(edges, tokens)
        assert reasoner.conclude(tokens, cached=False) == expected
        assert reasoner.conclude(reversed(tokens), cached=False) == expected
        assert reasoner.conclude(tokens) == expected
        assert reasoner.conclude(tokens) == expected


@settings(deadline=None, max_examples=200)
@given(
    seed=st.integers(0, 2**32 - 1),
    rules=st.integers(40, 120),
    tokens=st.integers(20, 60),
    topics=st.integers(1, 6),
)
def test_large_graphs_as_plain_forward_chaining(seed: int, rules: int, tokens: int, topics: int) -> None:
    rng = random.Random(seed)
    edges = random_edges(rng, rules, tokens, topics)
    reasoner = Reasoner(edges)
    alphabet = basic_tokens(edges)
    for share in (0.2, 0.5, 0.8, 1.0):
        given_tokens = [token for token in alphabet if rng.random() <= share]
        expected = chain(edges, given_tokens)
        for _ in range(3):
            rng.shuffle(given_tokens)
            assert reasoner.conclude(given_tokens, cached=False) == expected
            assert reasoner.conclude(given_tokens) == expected


def test_the_random_graphs_chain_share_conclusions_and_fall_into_topics() -> None:
    edges = random_edges(random.Random(1), rules=120, tokens=60, topics=4)
    assert len(edges) == 120
    fired = chain(edges, basic_tokens(edges))
    assert len(fired) == 120
    without_chaining = [edge for edge in edges if set(edge.when) <= set(basic_tokens(edges))]
    assert len(without_chaining) < 90
    assert len({edge.concludes for edge in edges}) < 100
    assert len(Reasoner(edges).conclude(basic_tokens(edges))) == 120


def test_every_order_of_tokens_and_both_rules_of_one_conclusion() -> None:
    reasoner = Reasoner(LADDER)
    expected = (
        Firing("another_way_to_two", "conclusion:two"),
        Firing("first_step", "conclusion:one"),
        Firing("second_step", "conclusion:two"),
        Firing("third_step", "conclusion:three"),
    )
    for order in itertools.permutations("abcd"):
        assert reasoner.conclude(order, cached=False) == expected


def test_nothing_fires_without_tokens_and_strangers_are_ignored() -> None:
    reasoner = Reasoner(LADDER)
    assert reasoner.conclude([]) == ()
    strangers = ['"}{"t":1}', "\x00", "0", "1", "start", "NaN", "A", ""]
    assert reasoner.conclude(strangers, cached=False) == ()
    assert rules_that_fire(reasoner, "a", *strangers, "a") == {"first_step"}


def test_a_conclusion_is_established_by_rules_only() -> None:
    assert rules_that_fire(Reasoner(LADDER), "conclusion:one", "b") == set()


def test_no_rules_no_firings() -> None:
    assert Reasoner([]).conclude(["a"]) == ()


# nothing remains between evaluations ----------------------------------------------------------------------------


def test_consecutive_evaluations_do_not_see_each_other() -> None:
    reasoner = Reasoner(LADDER)
    for _ in range(50):
        assert rules_that_fire(reasoner, "x") == set()
        assert rules_that_fire(reasoner, "y") == set()
        assert rules_that_fire(reasoner, "a") == {"first_step"}
        assert rules_that_fire(reasoner, "b") == set()
        assert rules_that_fire(reasoner, "x", "y") == {"elsewhere"}


def run_alone(job: str, count: int) -> tuple[int, int]:
    """Growth of memory in kB and number of firings of a long run in a fresh process."""
    done = subprocess.run(
        [sys.executable, str(HERE / "endurance.py"), job, str(count)],
        env={**os.environ, "PYTHONPATH": str(HERE.parent.parent)},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    grown, fired = done.stdout.split()
    return int(grown), int(fired)


def test_fifty_thousand_evaluations_leave_no_memory_behind() -> None:
    grown, fired = run_alone("evaluations", 50_000)
    assert fired > 50_000
    assert grown < 1024, "more than 1 MB over 45,000 evaluations is over 23 bytes for each"


def test_dropped_reasoners_are_freed() -> None:
    grown, fired = run_alone("builds", 300)
    assert fired == 300 * 40
    assert grown < 8192, "an engine that is not freed keeps some 0.4 MB"


# cache ----------------------------------------------------------------------------------------------------------


def test_cache_is_per_topic_bounded_and_can_be_passed_by() -> None:
    reasoner = Reasoner(LADDER, cache_size=2)
    for tokens in ("ab", "a", "ba", "bab", "abxy", "bxya"):
        reasoner.conclude(tokens)
    use = reasoner.cache_use()
    # "ab", "a" and "xy" were asked of an engine; "ba", "bab", "ab" twice and "xy" again were known
    assert (use.misses, use.hits, use.entries, use.capacity) == (3, 5, 3, 4)
    for tokens in ("c", "cd", "d"):
        reasoner.conclude(tokens)
    assert reasoner.cache_use().entries == 3
    before = reasoner.cache_use()
    assert rules_that_fire(reasoner, "a", "b", "x", "y") == {"first_step", "second_step", "elsewhere"}
    assert reasoner.cache_use() == before


def test_without_a_cache_every_evaluation_asks_the_engine() -> None:
    reasoner = Reasoner(LADDER, cache_size=0)
    assert [rules_that_fire(reasoner, "a", cached=True) for _ in range(3)] == [{"first_step"}] * 3
    assert reasoner.cache_use() == (0, 3, 0, 0)
    with pytest.raises(ValueError, match="cache_size"):
        Reasoner(LADDER, cache_size=-1)


# threads --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("cached", [False, True])
def test_threads_share_reasoners(cached: bool) -> None:
    """Two reasoners, as when two versions of the rules are served, and eight threads that switch very often."""
    graphs = [random_edges(random.Random(seed), 40, 30, topics=2) for seed in (5, 6)]
    reasoners = [Reasoner(edges, cache_size=20) for edges in graphs]

    def work(number: int) -> int:
        rng = random.Random(number)
        wrong = 0
        for _ in range(100):
            which = rng.randrange(2)
            tokens = rng.sample(basic_tokens(graphs[which]), 8)
            answer = reasoners[which].conclude(tokens, cached=cached)
            wrong += answer != chain(graphs[which], tokens)
        return wrong

    interval = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        with ThreadPoolExecutor(8) as pool:
            assert list(pool.map(work, range(8))) == [0] * 8
    finally:
        sys.setswitchinterval(interval)


# refused rules --------------------------------------------------------------------------------------------------


def test_all_faults_of_the_rules_are_named_at_once() -> None:
    edges = [
        RuleEdge("round", ("conclusion:two",), "conclusion:one"),
        RuleEdge("about", ("conclusion:one", "a"), "conclusion:two"),
        RuleEdge("twice", ("a", "b", "a"), "conclusion:three"),
    ]
    with pytest.raises(RulesetRefused) as refusal:
        Reasoner(edges)
    assert isinstance(refusal.value, AirsideError)
    repeated, circle = refusal.value.faults
    assert "'twice' repeats 'a'" in repeated
    assert "conclusion:one -> conclusion:two" in circle or "conclusion:two -> conclusion:one" in circle
    assert str(refusal.value) == f"{repeated}\n{circle}"


def readers(count: int, place: int) -> list[RuleEdge]:
    """Rules that all read the token `busy`, first or second, and one token of their own."""
    return [
        RuleEdge(f"r{n:03}", ("busy", f"own{n}") if place == 0 else (f"own{n}", "busy"), f"conclusion:{n}")
        for n in range(count)
    ]


@pytest.mark.parametrize("place", [0, 1])
@pytest.mark.parametrize("busy_first", [True, False])
def test_fan_out_at_the_limit_is_right(place: int, busy_first: bool) -> None:
    edges = readers(FAN_OUT_LIMIT, place)
    own = [f"own{n}" for n in range(FAN_OUT_LIMIT)]
    tokens = ["busy", *own] if busy_first else [*own, "busy"]
    answer = Reasoner(edges).conclude(tokens, cached=False)
    assert len(answer) == FAN_OUT_LIMIT
    assert answer == chain(edges, tokens)


def test_fan_out_of_a_conclusion_at_the_limit_is_right() -> None:
    edges = [RuleEdge("root", ("a",), "conclusion:busy")]
    edges += [RuleEdge(f"r{n:03}", ("conclusion:busy",), f"conclusion:{n}") for n in range(FAN_OUT_LIMIT)]
    assert Reasoner(edges).conclude("a", cached=False) == chain(edges, "a")


def test_fan_out_one_over_the_limit_is_refused_with_the_token() -> None:
    with pytest.raises(RulesetRefused, match=f"{FAN_OUT_LIMIT + 1} rules read 'busy'"):
        Reasoner(readers(FAN_OUT_LIMIT + 1, 0))


def test_the_engine_itself_bears_the_headroom() -> None:
    edges = readers(FAN_OUT_LIMIT + 4, 0)
    engine = TopicEngine(edges)
    assert len(engine.conclude(engine.codes.values())) == FAN_OUT_LIMIT + 4


# failures inside the engine -------------------------------------------------------------------------------------


def failing_call(monkeypatch: pytest.MonkeyPatch, which: int) -> Callable[[], None]:
    """Make every which-th fact fail from now on; the function returned puts the engine right again."""
    calls = itertools.count(1)
    sound = durable.engine.Ruleset.assert_fact

    def assert_fact(self: durable.engine.Ruleset, fact: dict[str, object]) -> int:
        if next(calls) % which == 0:
            raise RuntimeError("broken on purpose")
        return int(sound(self, fact))

    monkeypatch.setattr(durable.engine.Ruleset, "assert_fact", assert_fact)
    return lambda: monkeypatch.setattr(durable.engine.Ruleset, "assert_fact", sound)


@pytest.mark.parametrize(
    ("which", "message"),
    [
        (1, "refused a fact"),  # the starting fact: there is no state yet
        (2, "refused a fact"),  # the caller's token: actions must still run before the state may go
        (3, "An action failed.*broken on purpose"),  # the conclusion, asserted inside an action
    ],
)
def test_a_failure_surfaces_is_not_remembered_and_leaves_nothing(
    monkeypatch: pytest.MonkeyPatch, which: int, message: str
) -> None:
    """2,000 times, as states left behind would fill the engine's table at about 1,024."""
    reasoner = Reasoner(LADDER)
    repair = failing_call(monkeypatch, which)
    for _ in range(2000):
        with pytest.raises(ReasoningFailed, match=message):
            reasoner.conclude(["a"])
    repair()
    assert rules_that_fire(reasoner, "a", cached=True) == {"first_step"}
    assert rules_that_fire(reasoner, "b") == set()


def test_a_jump_of_the_clock_is_a_failure_and_not_a_shorter_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """The engine drops an action that seems to take over ten seconds, and says nothing."""
    reasoner = Reasoner(LADDER)
    hours = itertools.count(0, 3600)
    with monkeypatch.context() as jumping:
        jumping.setattr(durable.engine, "_unix_now", lambda: next(hours))
        for _ in range(2000):
            with pytest.raises(ReasoningFailed, match="clock"):
                reasoner.conclude(["a"])
    assert rules_that_fire(reasoner, "a", cached=True) == {"first_step"}


def test_an_engine_that_runs_no_action_is_a_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    reasoner = Reasoner(LADDER)
    with monkeypatch.context() as idle:
        idle.setattr(durable.engine.Ruleset, "do_actions", lambda _self, _state, complete: complete(None, None))
        with pytest.raises(ReasoningFailed, match="no action"):
            reasoner.conclude(["a"])
    assert rules_that_fire(reasoner, "a") == {"first_step"}
