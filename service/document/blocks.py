"""What a document is made of, whatever it is written as: headings, paragraphs, lists, tables, figures."""

from __future__ import annotations

from typing import Literal

import msgspec

from service.document.plots import Plot

Reader = Literal["customer", "technician", "office"]
READERS: tuple[Reader, ...] = ("customer", "technician", "office")
Paper = Literal["letter", "a4"]


class Heading(msgspec.Struct, frozen=True, tag="heading"):
    """A heading of level 2 or 3; the document's title is level 1. `mark` is a severity in words, where it has one."""

    text: str
    level: int = 2
    mark: str = ""
    grave: bool = False


class Paragraph(msgspec.Struct, frozen=True, tag="paragraph"):
    """A paragraph; `lead` stands first and larger, `small` last and smaller."""

    text: str
    tone: Literal["plain", "lead", "small"] = "plain"


class Notice(msgspec.Struct, frozen=True, tag="notice"):
    """What must not be overlooked."""

    title: str
    paragraphs: tuple[str, ...]


class Bullets(msgspec.Struct, frozen=True, tag="bullets"):
    """A list; `ordered` where the order says something."""

    items: tuple[str, ...]
    ordered: bool = False


class Facts(msgspec.Struct, frozen=True, tag="facts"):
    """Names, each with what it stands for; a name may have several."""

    rows: tuple[tuple[str, tuple[str, ...]], ...]


class Table(msgspec.Struct, frozen=True, tag="table"):
    """A table with a caption, its first column naming the row; `numeric` columns stand to the right."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[int, ...] = ()


class Figure(msgspec.Struct, frozen=True, tag="figure"):
    """A drawing with its description."""

    title: str
    description: str
    svg: str


Block = Heading | Paragraph | Notice | Bullets | Facts | Table | Figure


class Document(msgspec.Struct, frozen=True):
    """A document for one reader, ready to be written.

    Attributes:
        running: told at the foot of every page, beside its number.
        page_words: `Page {page} of {pages}` in its language.
        logo: PNG.
        name: what a file of it may be called, without ending.
    """

    title: str
    language: str
    paper: Paper
    reader: Reader
    blocks: tuple[Block, ...]
    running: str
    page_words: str
    name: str
    company: str = ""
    contact: tuple[str, ...] = ()
    logo: bytes = b""


def figure(plot: Plot) -> Figure:
    """A plot as part of a document."""
    return Figure(plot.title, plot.description, plot.svg)
