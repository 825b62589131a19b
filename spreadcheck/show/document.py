"""A result as a document: headings, paragraphs, lists, tables, pictures and answers that any renderer can show.

A command's file in this room makes the document; `text` and `pages` show it. Its words are plain text: a renderer sends
them through the gate once and escapes them in its own way, so that no word of a sheet is markup.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any, Literal, TypeAlias, TypeVar, cast

from spreadcheck.errors import record, visible

T = TypeVar("T")

TO_WRITE = "____________"  # a cell or value that a person fills in: a line in text, room on paper


@record
class Heading:
    """A heading under the title of the document."""

    text: str


@record
class Paragraph:
    """Running text; `strong` for the sentence that matters most, `small` for a remark."""

    text: str
    weight: Literal["plain", "strong", "small"] = "plain"


@record
class Points:
    """A list of points, with numbers where their order matters."""

    items: tuple[str, ...]
    numbered: bool = False
    small: bool = False


@record
class Answer:
    """A question and its answer on one line; `further` is what stands behind it in smaller letters."""

    question: str
    answer: str
    further: str = ""


@record
class Note:
    """A box that can't be overlooked: what it is ("Doubt", "Caution"), in short, and more."""

    kind: str
    text: str
    points: tuple[str, ...] = ()


@record
class Column:
    """A column of a table: its head, its unit, and whether it holds figures or words."""

    head: str
    unit: str = ""
    align: Literal["right", "left"] = "right"
    share: float = 0.0  # of the room across the page, on paper and screen; 0 for what the cells need
    over: str = ""  # what it has in common with its neighbours: over their heads in text, else before the head


@record
class Table:
    """A table; the first column names its rows."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    notes: tuple[str, ...] = ()
    boxed: bool = False  # lines around every cell, for figures that are read off or written in by hand
    headed: bool = True  # False: the heads are for those who hear the table, and not shown on paper or screen
    row_mm: float = 0.0  # height of a row on paper; 0 for what the cells need
    heavy_above: int = -1  # the row with a heavy line above it

    def __post_init__(self) -> None:
        if any(len(row) != len(self.columns) for row in self.rows):
            raise ValueError(f'every row of the table "{self.caption}" needs {len(self.columns)} cells')


def table(heads: str, rows: Iterable[Iterable[str]], caption: str = "", **more: Any) -> Table:
    """A table by its heads, such as "part<; limit, CV %": a unit follows the comma, < stands behind a head of words."""
    columns = []
    for each in heads.split("; "):
        head, _, unit = each.removesuffix("<").partition(", ")
        columns.append(Column(head, unit, align="left" if each.endswith("<") else "right"))
    return Table(tuple(columns), tuple(map(tuple, rows)), caption, **more)


@record
class Picture:
    """A picture: its title, what it shows for those who can't see it, and how it is drawn: as SVG, or with signs."""

    title: str
    words: str
    svg: Callable[[], str] | None = None  # called where something shows it
    drawn: str = ""
    captioned: bool = True  # whether title and words stand below it as well
    wide: bool = False  # on paper across the whole page


@record
class Field:
    """A box of a form on paper: label, what is known, unit, and the words to choose from."""

    label: str
    value: str = ""
    unit: str = ""
    choices: str = ""
    share: float = 1.0  # of its row


@record
class Fields:
    """Boxes to fill in, row by row."""

    rows: tuple[tuple[Field, ...], ...]


@record
class Side:
    """Two groups side by side where there is room, else one after the other."""

    left: tuple[Block, ...]
    right: tuple[Block, ...]


Own: TypeAlias = tuple[str, str, dict[str, Any]]  # HTML that is escaped already, a script, and the data it reads


@record
class Place:
    """Where the web page sets in something of its own, which `made` gives; other renderers pass it over."""

    name: str
    made: Callable[[], Own]


Block: TypeAlias = "Heading | Paragraph | Points | Answer | Note | Table | Picture | Fields | Side | Place"


@record
class Document:
    """A whole document; `over` stands above the title, `about` lines below it, `foot` at the end or on every page."""

    title: str
    blocks: tuple[Block, ...]
    over: str = ""
    about: tuple[str, ...] = ()
    foot: str = ""
    across: bool = False  # paper on its side
    style: Literal["report", "card", "form"] = "report"


def gated(part: T, escape: Callable[[str], str] = str) -> T:
    """The same part of a document, hiding and steering signs made visible in every word of it, then markup escaped."""
    shown: Any = part
    if isinstance(part, str):
        shown = escape(visible(part))
    elif isinstance(part, tuple):
        shown = tuple(gated(each, escape) for each in part)
    elif is_dataclass(part) and not isinstance(part, type):
        words = {field.name: gated(getattr(part, field.name), escape) for field in fields(part) if field.name != "svg"}
        if isinstance(part, Picture):
            words["drawn"] = visible(part.drawn, lines=True)
        shown = replace(part, **words)
    return cast("T", shown)


def as_data(part: Any, name: str = "") -> Any:
    """A part of a document as plain data for templates, its words gated; each block says in `block` what it is."""
    if isinstance(part, str):
        return visible(part, lines=name == "drawn")
    if isinstance(part, tuple):
        return list(map(as_data, part))
    if is_dataclass(part):
        own = {field.name: as_data(getattr(part, field.name), field.name) for field in fields(part)}
        return {"block": type(part).__name__.lower(), **own}
    return part() if name == "svg" and part else None if callable(part) else part


def text_blocks(blocks: Iterable[Block]) -> Iterator[Block]:
    """The blocks as plain text has them: groups one after the other, fields as points, nothing of a web page's own."""
    for block in blocks:
        match block:
            case Side(left=left, right=right):
                yield from text_blocks((*left, *right))
            case Fields(rows=rows):
                every = (field for row in rows for field in row)
                yield Points(tuple(f"{each.label}: {each.value or TO_WRITE} {each.unit}".rstrip() for each in every))
            case Answer(further=further) if further:
                yield Answer(block.question, f"{block.answer}; {further}")
            case Place():
                pass
            case _:
                yield block
