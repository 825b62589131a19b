"""A document as Markdown; every sign of Markdown or HTML in its words is escaped."""

from __future__ import annotations

import re
from collections.abc import Iterable

from spreadcheck.show.document import (
    Answer,
    Block,
    Document,
    Heading,
    Note,
    Paragraph,
    Picture,
    Points,
    Table,
    gated,
    text_blocks,
)


def markdown_text(document: Document) -> str:
    """The document as Markdown.

    >>> print(markdown_text(Document("Test <1>", (Answer("Even enough?", "yes"), Points(("a*b",))))))
    # Test \\<1\\>
    <BLANKLINE>
    **Even enough?** yes
    <BLANKLINE>
    - a\\*b
    <BLANKLINE>
    """
    shown = gated(document)
    parts = [f"# {escaped(shown.title)}", *map(escaped, shown.about), *map(_text, text_blocks(shown.blocks))]
    return "\n\n".join(filter(None, (*parts, escaped(shown.foot)))) + "\n"


def _text(block: Block) -> str:
    match block:
        case Heading(text=text, level=level):
            return f"{'#' * level} {escaped(text)}"
        case Paragraph(text=text, weight=weight):
            return f"**{escaped(text)}**" if weight == "strong" else escaped(text)
        case Points(items=items, numbered=numbered):
            marks = (f"{at}." if numbered else "-" for at in range(1, len(items) + 1))
            return "\n".join(f"{mark} {escaped(item)}" for mark, item in zip(marks, items, strict=True))
        case Answer(question=question, answer=answer):
            return f"**{escaped(question)}** {escaped(answer)}"
        case Note(kind=kind, text=text, points=points):
            return "\n".join([f"> **{escaped(kind)}:** {escaped(text)}", *(f"> - {escaped(p)}" for p in points)])
        case Picture(title=title, words=words, drawn=drawn):
            said = f"**{escaped(title)}.** {escaped(words)}"
            return said + ("\n\n" + "\n".join(f"    {line}" for line in drawn.splitlines()) if drawn else "")
        case Table():
            return _table(block)
    return ""


def _table(table: Table) -> str:
    heads = (f"{column.head}, {column.unit}" if column.unit else column.head for column in table.columns)
    rules = ("---" if column.align == "left" else "---:" for column in table.columns)
    rows = "\n".join([_row(map(escaped, heads)), _row(rules), *(_row(map(escaped, row)) for row in table.rows)])
    caption = [f"**{escaped(table.caption)}**"] if table.caption else []
    return "\n\n".join([*caption, rows, *map(escaped, table.notes)])


def _row(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |".replace("|  |", "| |")


def escaped(text: str) -> str:
    """Text in which nothing is markup: signs of Markdown and HTML get a backslash."""
    return re.sub(r"([\\`*_{}\[\]<>#|~!&])", r"\\\1", text)
