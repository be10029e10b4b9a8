"""What the server really did for a statement, also inside functions: plans with actual rows, by auto_explain."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

import msgspec
import psycopg

from service.store.database import CONFIGURE

FEW = 200
"""Rows that are as well read without an index."""


class Work(msgspec.Struct, frozen=True):
    """What one call made the server read.

    Attributes:
        indexes: names of the indexes used, in the order of use.
        scanned: tables of which more than `FEW` rows were read without an index.
        read: rows that scans gave on.
        discarded: rows that were read and then thrown away by a filter.
        milliseconds: of all plans together, with the cost of counting.
    """

    indexes: tuple[str, ...]
    scanned: tuple[str, ...]
    read: int
    discarded: int
    milliseconds: float


class Watched:
    """A connection in the role that serves, all of whose plans are told."""

    def __init__(self, superuser_url: str) -> None:
        self._told: list[str] = []
        self._connection = psycopg.connect(superuser_url, autocommit=True)
        self._connection.execute(
            "LOAD 'auto_explain'; SET auto_explain.log_min_duration = 0; SET auto_explain.log_nested_statements = on;"
            "SET auto_explain.log_analyze = on; SET auto_explain.log_timing = off; SET auto_explain.log_format = json;"
            "SET auto_explain.log_level = notice"
        )
        self._connection.execute(CONFIGURE, ("60000",))
        self._connection.add_notice_handler(lambda notice: self._told.append(notice.message_primary or ""))

    def work(self, statements: Sequence[tuple[str, Sequence[object]]]) -> Work:
        """Of these statements together."""
        self._told.clear()
        for query, parameters in statements:
            self._connection.execute(query, parameters).fetchall()
        plans = [json.loads(text[text.index("{") :]) for text in self._told if text.startswith("duration: ")]
        nodes = [node for plan in plans for node in _nodes(plan["Plan"])]
        assert nodes
        spent = [float(text.split()[1]) for text in self._told if text.startswith("duration: ")]
        return Work(
            indexes=tuple(dict.fromkeys(node["Index Name"] for node in nodes if "Index Name" in node)),
            scanned=tuple(
                node["Relation Name"] for node in nodes if node["Node Type"] == "Seq Scan" and _through(node) > FEW
            ),
            read=sum(
                round(node["Actual Rows"] * node["Actual Loops"]) for node in nodes if "Scan" in node["Node Type"]
            ),
            discarded=sum(
                round(node.get(f"Rows Removed by {reason}", 0) * node["Actual Loops"])
                for node in nodes
                for reason in ("Filter", "Index Recheck", "Join Filter")
            ),
            milliseconds=max(spent),
        )

    def close(self) -> None:
        self._connection.close()


def _discarded(node: dict[str, Any]) -> int:
    reasons = ("Filter", "Index Recheck", "Join Filter")
    return round(sum(node.get(f"Rows Removed by {reason}", 0) for reason in reasons) * node["Actual Loops"])


def _through(node: dict[str, Any]) -> int:
    return round(node["Actual Rows"] * node["Actual Loops"]) + _discarded(node)


def _nodes(plan: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield plan
    for below in plan.get("Plans", []):
        yield from _nodes(below)
