"""Recomputes the sums written out in a case, so that the arithmetic shown to a reader is right.

Read are chains of numbers joined by + - x / ^, brackets, bars and `sqrt` with an equals sign and a number after them,
also inside a bracket: `0.377 / (0.07 x (998/1240)^1.4 = 0.0517) = 7.29`. The right side may be rounded and may be in
per cent.
"""

from __future__ import annotations

import ast
import math
import operator
import re
from collections.abc import Callable

INNER = re.compile(
    r"\(((?:[-\d.\s+x/^]|\([-\d.\s+x/^]*\))*\d(?:[-\d.\s+x/^]|\([-\d.\s+x/^]*\))*)=\s*(-?\d+(?:\.\d+)?)[^()=]*\)"
)
CHAIN = re.compile(r"(?<![\w.])((?:sqrt\(|[-\d.\s+x/^()|])*[\d)|])\s*=\s*([-+]?\d+(?:\.\d+)?)(?!\s*[/x^\d.]+\d)(\s*%)?")
BARS = re.compile(r"\|([^|]*)\|")
FUNCTIONS: dict[str, Callable[[float], float]] = {"sqrt": math.sqrt, "abs": abs}
OPERATORS: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Pow: operator.pow,
}


def value(expression: str) -> float | None:
    """Value of a written sum; None where it is not one."""
    try:
        tree = ast.parse(BARS.sub(r"abs(\1)", expression).strip().replace("x", "*").replace("^", "**"), mode="eval")
    except SyntaxError:
        return None
    return _value(tree.body)


def _value(node: ast.expr) -> float | None:
    if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        return float(node.value)
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        inner = _value(node.operand)
        return None if inner is None else -inner
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and len(node.args) == 1:
        inner = _value(node.args[0])
        return None if inner is None else FUNCTIONS[node.func.id](inner)
    if isinstance(node, ast.BinOp) and type(node.op) in OPERATORS:
        left, right = _value(node.left), _value(node.right)
        return None if left is None or right is None else OPERATORS[type(node.op)](left, right)
    return None


def wrong_sums(text: str) -> tuple[list[str], int]:
    """The sums in a text that do not come out as written, and how many sums were found."""
    wrong: list[str] = []
    found = 0

    def check(expression: str, written: str, percent: bool) -> None:
        nonlocal found
        result = value(expression)
        if result is None:
            return
        found += 1
        digits = len(written.partition(".")[2])
        shown = float(written)
        computed = 100 * result if percent else result
        if abs(computed - shown) > 0.51 * 10.0**-digits + 1e-9:
            wrong.append(f"{expression.strip()} is {computed:.6g}, not {written}")

    def resolve(match: re.Match[str]) -> str:
        check(match[1], match[2], percent=False)
        return match[2]

    while True:
        simpler = INNER.sub(resolve, text)
        if simpler == text:
            break
        text = simpler
    place = 0
    while match := CHAIN.search(text, place):
        check(match[1], match[2], percent=match[3] is not None)
        place = match.start(2)
    return wrong, found
