"""Kept evaluations as rows of CSV (RFC 4180), safe to open with a spreadsheet program.

A row a visit is what an office asks for, a row a finding what one plans work by, a row a quantity what is charted. Each
begins with the same columns, so that the three can be joined.
"""

import csv
import io
from collections.abc import Callable, Iterable, Iterator
from typing import Literal

from msgspec import UNSET, UnsetType

from service.model.evaluation import SEVERITIES
from service.wire.response import ContextView, KeptEvaluation

Rows = Literal["evaluations", "findings", "quantities"]
Cell = str | float | int | None

VISIT = ("evaluation_id", "created_at", "visited_at", "site_reference", "equipment_reference", "job_reference")
CONTEXT = ("state", "mode", "speed_setting", "area")
COLUMNS: dict[Rows, tuple[str, ...]] = {
    "evaluations": (
        *VISIT, "ruleset_version", "highest_severity", *(f"{severity}_findings" for severity in SEVERITIES[::-1]),
        "findings", "not_judged", "set_aside", "supersedes", "superseded_by", "problem",
    ),
    "findings": (
        *VISIT, *CONTEXT, "severity", "finding", "title", "summary", "what_to_do", "certainty", "likeliest_cause",
        "remedy", "ruleset_version", "problem",
    ),
    "quantities": (
        *VISIT, *CONTEXT, "quantity", "title", "subject", "value", "expanded_uncertainty", "coverage_factor", "unit",
        "method", "verdicts", "ruleset_version", "problem",
    ),
}  # fmt: skip
"""The columns of each kind of row. `problem` is the code of why an evaluation could not be read; its row then holds
nothing else but the first six."""

FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""Beginnings of a cell that spreadsheet programs compute or run (OWASP, CSV Injection; from memory)."""


def header(rows: Rows) -> str:
    """The first line."""
    return _lines([COLUMNS[rows]])


def lines(rows: Rows, kept: KeptEvaluation) -> str:
    """The rows of one evaluation; none where it has no finding or no quantity."""
    return _lines((*_visit(kept), *row, "") for row in _ROWS[rows](kept))


def unreadable(rows: Rows, visit: Iterable[Cell], problem: str) -> str:
    """The row of an evaluation that could not be read, of which `visit` is known."""
    known = [*visit]
    return _lines([[*known, *[""] * (len(COLUMNS[rows]) - len(known) - 1), problem]])


def _lines(rows: Iterable[Iterable[Cell]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerows([_safe(cell) for cell in row] for row in rows)
    return text.getvalue()


def _safe(cell: Cell) -> Cell:
    """With an apostrophe before what a spreadsheet program would compute, as text only: numbers are ours."""
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA) else cell


def _given(value: str | float | UnsetType) -> Cell:
    return "" if value is UNSET else value


def _visit(kept: KeptEvaluation) -> tuple[Cell, ...]:
    result = kept.result
    return (
        str(kept.id),
        kept.created_at.isoformat(),
        "" if result.visited_at is UNSET else result.visited_at.isoformat(),
        _given(result.site_reference),
        _given(result.equipment_reference),
        _given(result.job_reference),
    )


def _context(context: ContextView) -> tuple[Cell, ...]:
    return context.state, _given(context.mode), _given(context.speed_setting), _given(context.area)


def _evaluation(kept: KeptEvaluation) -> Iterator[tuple[Cell, ...]]:
    result = kept.result
    severities = [finding.severity for finding in result.findings]
    yield (
        result.ruleset.version,
        _given(result.highest_severity),
        *(severities.count(severity) for severity in SEVERITIES[::-1]),
        " ".join(dict.fromkeys(finding.code for finding in result.findings)),
        len(result.not_judged),
        len(result.set_aside),
        "" if kept.supersedes is UNSET else str(kept.supersedes),
        "" if kept.superseded_by is UNSET else str(kept.superseded_by),
    )


def _findings(kept: KeptEvaluation) -> Iterator[tuple[Cell, ...]]:
    for finding in kept.result.findings:
        cause = finding.causes[0] if finding.causes else None
        yield (
            *_context(finding.context),
            finding.severity,
            finding.code,
            finding.title,
            finding.summary,
            finding.what_to_do,
            _given(finding.certainty),
            cause.title if cause else "",
            cause.remedy if cause else "",
            kept.result.ruleset.version,
        )


def _quantities(kept: KeptEvaluation) -> Iterator[tuple[Cell, ...]]:
    verdicts: dict[tuple[Cell, ...], list[str]] = {}
    for verdict in kept.result.verdicts:
        of = (*_context(verdict.context), verdict.quantity, _given(verdict.subject))
        verdicts.setdefault(of, []).append(f"{verdict.criterion}={verdict.verdict}")
    for quantity in kept.result.quantities:
        context, subject = _context(quantity.context), _given(quantity.subject)
        yield (
            *context,
            quantity.name,
            quantity.title,
            subject,
            quantity.value.value,
            quantity.expanded_uncertainty.value,
            quantity.coverage_factor,
            quantity.value.unit,
            quantity.method,
            "; ".join(verdicts.get((*context, quantity.name, subject), ())),
            kept.result.ruleset.version,
        )


_ROWS: dict[Rows, Callable[[KeptEvaluation], Iterator[tuple[Cell, ...]]]] = {
    "evaluations": _evaluation,
    "findings": _findings,
    "quantities": _quantities,
}
