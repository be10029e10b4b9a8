"""A document written as HTML, PDF or plain text, and the quantities of an evaluation as CSV."""

from __future__ import annotations

import base64
import csv
import functools
import hashlib
import io
import json
import re
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Literal

import jinja2
import msgspec
import typst
from markupsafe import Markup

from service.document.blocks import Bullets, Document, Facts, Figure, Heading, Notice, Paragraph, Table
from service.document.comparison import ComparisonTold, comparison_of
from service.document.content import Told
from service.document.spreadsheet import FORMULA
from service.wire.render import COVERAGE_FACTOR

TEMPLATES = Path(__file__).parent / "templates"
PDF_FONT = "Libertinus Serif"
"""Of those that come with the PDF writer, the one for the words of plots."""

TEXT_WIDTH = 78
SHORT = 16
"""Characters up to which a column of a table keeps its own width."""
LONGEST_CODE = 45
"""The same for a column of codes."""

NO_GLYPH = "could not be displayed with"
"""What the PDF writer says of a character that no font has."""

QUANTITY_COLUMNS = (
    "evaluation_id", "visited_at", "site_reference", "equipment_reference", "job_reference", "state", "mode",
    "speed_setting", "area", "quantity", "title", "subject", "value", "expanded_uncertainty", "coverage_factor", "unit",
    "method", "verdicts", "ruleset_version",
)  # fmt: skip

COMPARED_COLUMNS = (
    "before_evaluation_id", "after_evaluation_id", "before_visited_at", "after_visited_at", "site_reference",
    "equipment_reference", "before_state", "state", "mode", "before_speed_setting", "speed_setting", "area", "quantity",
    "title", "subject", "basis", "before", "before_uncertainty", "after", "after_uncertainty", "unit", "difference",
    "expanded_uncertainty", "difference_unit", "coverage_factor", "moved", "turn", "not_comparable_because",
    "ruleset_version",
)  # fmt: skip

_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]")


def html(document: Document) -> str:
    """A page that needs nothing beside itself and runs no script; `style_digest` is for its security policy."""
    logo = "" if not document.logo else f"data:image/png;base64,{base64.b64encode(document.logo).decode()}"
    return (
        _environment()
        .get_template("document.html")
        .render(document=document, style=Markup(_style()), logo=logo, drawing=_drawing, bullets=lambda one: one.items)  # noqa: S704
    )


def style_digest() -> str:
    """SHA-256 of the page's style in base64, as a Content-Security-Policy names it."""
    return base64.b64encode(hashlib.sha256(_style().encode()).digest()).decode()


def pdf(document: Document) -> bytes:
    """PDF with tags for those who do not see it (PDF/UA-1, unless a client's words hold characters that no font at
    hand has); the same bytes for the same document.

    What clients sent goes in as data and is never read as markup.
    """
    data = msgspec.to_builtins(document, builtin_types=(bytes,))
    data = _printable(data)
    data["logo"] = list(document.logo)
    for entry in data["blocks"]:
        if entry["type"] == "table":
            columns = [entry["columns"], *entry["rows"]]
            entry["short"] = [_short([row[at] for row in columns]) for at in range(len(entry["columns"]))]
    words = json.dumps(data, ensure_ascii=False).encode("utf-8", "replace").decode()
    try:
        return _compiled(words, "ua-1")
    except typst.TypstError as error:
        if not _only_of_glyphs(error):
            raise
        return _compiled(words, None)  # shown as boxes, which PDF/UA forbids


def _only_of_glyphs(error: typst.TypstError) -> bool:
    """Whether all that was wrong is characters of a client that no font at hand has."""
    faults = re.findall("^error: (.*)", error.diagnostic, re.MULTILINE)
    return bool(faults) and all(fault.startswith("PDF/UA") and NO_GLYPH in fault for fault in faults)


def _short(cells: Sequence[str]) -> bool:
    """Whether a column of a table keeps its own width: its cells are short, or words that do not break, such as
    codes."""
    longest = max(map(len, cells))
    return longest <= SHORT or (longest <= LONGEST_CODE and not any(" " in cell for cell in cells))


def _compiled(words: str, standard: Literal["ua-1"] | None) -> bytes:
    written = typst.compile(
        str(TEMPLATES / "document.typ"),
        root=str(TEMPLATES),
        ignore_system_fonts=True,
        sys_inputs={"document": words},
        pdf_standards=standard,
    )
    assert isinstance(written, bytes)
    return written


def text(document: Document) -> str:
    """Plain text, its lines not longer than their longest word needs."""
    lines = [document.company, *document.contact, ""] if document.company or document.contact else []
    lines += [document.title, "=" * len(document.title), ""]
    for block in document.blocks:
        lines += [*_lines(block), ""]
    return _UNPRINTABLE.sub(" ", "\n".join([*lines, document.running, ""]))


def quantities_csv(told: Told) -> str:
    """Every quantity, a row each, with the verdicts on it (RFC 4180; numbers with a point, whatever the language)."""
    file = io.StringIO(newline="")
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(QUANTITY_COLUMNS)
    answer = told.answer
    head = (
        str(told.evaluation_id or ""),
        answer.visited_at.isoformat() if answer.visited_at else "",
        answer.site_reference or "",
        answer.equipment_reference or "",
        answer.job_reference or "",
    )
    for quantity in answer.quantities:
        context = quantity.context
        verdicts = "; ".join(
            f"{verdict.criterion}={verdict.verdict}"
            for verdict in answer.verdicts
            if (verdict.quantity, verdict.context) == (quantity.name, context)
            and (verdict.subject or None) in (None, quantity.subject or None)
        )
        writer.writerow(
            [
                *map(guarded, head), guarded(context.state), context.mode or "", guarded(context.speed_setting or ""),
                guarded(context.area or ""), quantity.name, quantity.title, quantity.subject or "",
                repr(quantity.value.value), repr(quantity.expanded_uncertainty.value), quantity.coverage_factor,
                quantity.value.unit, guarded(quantity.method), verdicts, answer.ruleset.version,
            ]
        )  # fmt: skip
    return file.getvalue()


def compared_csv(told: ComparisonTold) -> str:
    """Every quantity that both visits have, a row each; of those that may not be compared, why (RFC 4180)."""
    file = io.StringIO(newline="")
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(COMPARED_COLUMNS)
    visits = (told.before, told.after)
    answers = [visit.answer for visit in visits]
    site, equipment = (
        next((str(found) for answer in reversed(answers) if (found := getattr(answer, name))), "")
        for name in ("site_reference", "equipment_reference")
    )
    head = (
        *(str(visit.evaluation_id or "") for visit in visits),
        *(answer.visited_at.isoformat() if answer.visited_at else "" for answer in answers),
        site,
        equipment,
    )
    for context in comparison_of(told):
        then, now = context.before_context, context.context
        where = (
            then.state, now.state, now.mode or "", then.speed_setting or "", now.speed_setting or "", now.area or "",
        )  # fmt: skip
        start = [*map(guarded, head), *map(guarded, where)]
        for row in context.quantities:
            writer.writerow(
                [
                    *start, row.name, row.title, row.subject or "", row.basis, repr(row.before.value),
                    repr(row.before_uncertainty.value), repr(row.after.value), repr(row.after_uncertainty.value),
                    row.before.unit, repr(row.difference.value), repr(row.expanded_uncertainty.value),
                    row.difference.unit, COVERAGE_FACTOR, row.moved, row.turn, "", told.found.ruleset_version,
                ]
            )  # fmt: skip
        for left in context.not_comparable:
            blank = [""] * 10
            writer.writerow(
                [
                    *start, left.name, left.title, left.subject or "", *blank, "", "", left.reason,
                    told.found.ruleset_version,
                ]
            )  # fmt: skip
    return file.getvalue()


def guarded(cell: str) -> str:
    """A client's text as a cell that no spreadsheet takes for a formula: an apostrophe goes before what would begin
    one."""
    return f"'{cell}" if cell.startswith(FORMULA) else cell


def _lines(block: object) -> Iterator[str]:
    match block:
        case Heading(words, level, mark, _):
            line = f"{mark.upper()}: {words}" if mark else words
            yield from ("", line, ("-" if level == 2 else ".") * min(len(line), TEXT_WIDTH))
        case Paragraph(words, _):
            yield from _wrapped(words)
        case Notice(title, paragraphs):
            yield from ("*" * TEXT_WIDTH, *_wrapped(title.upper()))
            for words in paragraphs:
                yield from ("", *_wrapped(words))
            yield "*" * TEXT_WIDTH
        case Bullets(items, ordered):
            for number, words in enumerate(items, start=1):
                head = f"{number}. " if ordered else "- "
                yield from _wrapped(words, head, " " * len(head))
        case Facts(rows):
            for name, texts in rows:
                yield from _wrapped(f"{name}: {texts[0]}", "", "  ")
                for words in texts[1:]:
                    yield from _wrapped(words, "  ", "  ")
        case Table(caption, columns, rows, _):
            yield from _wrapped(f"[{caption}]")
            for row in rows:
                cells = [f"{name}: {cell}" for name, cell in zip(columns[1:], row[1:], strict=True) if cell]
                yield from _wrapped(f"{row[0]} | {' | '.join(cells)}", "", "    ")
        case Figure(title, description, _):
            yield from _wrapped(f"[{title}]")
            yield from _wrapped(description, "  ", "  ")


def _wrapped(words: str, first: str = "", later: str = "") -> list[str]:
    return textwrap.wrap(
        words, TEXT_WIDTH, initial_indent=first, subsequent_indent=later, break_long_words=False, break_on_hyphens=False
    ) or [first]


def _printable(value: Any) -> Any:
    """The same without characters that no font shows: controls and those that turn the direction of writing."""
    if isinstance(value, str):
        return _UNPRINTABLE.sub(" ", value)
    if isinstance(value, dict):
        return {name: _printable(held) for name, held in value.items()}
    return [_printable(held) for held in value] if isinstance(value, list | tuple) else value


def _drawing(block: Figure) -> Markup:
    return Markup(block.svg)  # noqa: S704 (written by `document.svg`, which escapes what it holds)


@functools.cache
def _style() -> str:
    return (TEMPLATES / "document.css").read_text(encoding="utf-8")


@functools.cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
