"""Faults, cycles, fan-out and topics of a rule graph; cycles and topics against scipy's graph routines."""

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from service.model.reasoning import RuleEdge, fan_out, find_cycle, graph_faults
from service.reason.topics import topics

NAMES = [f"conclusion:{n}" for n in range(6)] + ["a", "b", "c"]

any_edges = st.lists(
    st.builds(
        RuleEdge,
        id=st.uuids().map(str),
        when=st.lists(st.sampled_from(NAMES), min_size=1, max_size=3, unique=True).map(tuple),
        concludes=st.sampled_from(NAMES[:6]),
    ),
    min_size=1,
    max_size=10,
)


def adjacency(edges: list[RuleEdge]) -> csr_array:
    """Matrix with a 1 where a rule reads the row's token and concludes the column's."""
    matrix = np.zeros((len(NAMES), len(NAMES)), dtype=int)
    for edge in edges:
        for token in edge.when:
            matrix[NAMES.index(token), NAMES.index(edge.concludes)] = 1
    return csr_array(matrix)


@given(any_edges)
def test_a_cycle_is_found_exactly_if_tokens_are_strongly_connected(edges: list[RuleEdge]) -> None:
    matrix = adjacency(edges)
    parts, _ = connected_components(matrix, directed=True, connection="strong")
    cyclic = parts < len(NAMES) or bool(matrix.diagonal().any())
    cycle = find_cycle(edges)
    assert bool(cycle) == cyclic
    if cycle:
        assert cycle[0] == cycle[-1]
    for read, concluded in pairwise(cycle):
        assert any(read in edge.when and edge.concludes == concluded for edge in edges)


@given(any_edges)
def test_topics_are_the_connected_parts(edges: list[RuleEdge]) -> None:
    _, part = connected_components(adjacency(edges), directed=False)
    expected: dict[int, list[RuleEdge]] = {}
    for edge in edges:
        expected.setdefault(part[NAMES.index(edge.concludes)], []).append(edge)
    assert topics(edges) == tuple(tuple(group) for group in expected.values())


def test_fan_out_counts_rules() -> None:
    edges = [
        RuleEdge("one", ("b", "a"), "conclusion:x"),
        RuleEdge("two", ("conclusion:x", "a"), "conclusion:y"),
    ]
    assert fan_out(edges) == {"a": 2, "b": 1, "conclusion:x": 1}
    assert list(fan_out(edges)) == ["a", "b", "conclusion:x"]


def test_each_fault_names_its_rule() -> None:
    edges = [
        RuleEdge("same", ("a",), "conclusion:x"),
        RuleEdge("same", ("b",), "conclusion:x"),
        RuleEdge("bare", ("a",), "y"),
        RuleEdge("empty", (), "conclusion:z"),
        RuleEdge("deaf", ("conclusion:nowhere",), "conclusion:w"),
    ]
    same, bare, empty, deaf = graph_faults(edges)
    assert "'same' is used 2 times" in same
    assert "'bare' concludes 'y'" in bare
    assert "'empty' has no condition" in empty
    assert "'deaf' reads 'conclusion:nowhere', which no rule concludes" in deaf


def test_sound_edges_have_no_faults() -> None:
    edges = [
        RuleEdge("one", ("a", "b"), "conclusion:x"),
        RuleEdge("two", ("conclusion:x", "a"), "conclusion:y"),
        RuleEdge("three", ("c",), "conclusion:y"),
    ]
    assert graph_faults(edges) == ()


def test_a_rule_that_reads_its_own_conclusion_is_a_cycle() -> None:
    cycle = find_cycle([RuleEdge("self", ("conclusion:x", "a"), "conclusion:x")])
    assert cycle == ("conclusion:x", "conclusion:x")
