"""A document as plain text: 80 columns for a terminal, or Markdown with every sign of markup escaped."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator
from itertools import groupby, zip_longest

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.show.document import (
    Answer,
    Block,
    Column,
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
from spreadcheck.units import from_inside, shown_unit

WIDTH = 80
_MARGIN = 11  # left of the bars of a line of trays
INDENT = 2
GAP = 2
NARROWEST = 12  # a column of words is not wrapped to less than this
MOST_QUESTION = 34
_KEPT = "\xa0"
_UNITS = "%|[kcm]?m|ft|in|k?g|lb|oz|ml|L|kg/(?:ha|L|m3)|lb/(?:ac|ft3)|km/h|mph|m/s|rpm|ha|ac|h|min|s|deg|degC|points"
_UNIT = re.compile(rf"(?<=\d) (?=(?:{_UNITS})(?![\w/]))")


def terminal_text(document: Document, *, width: int = WIDTH) -> str:
    """The document as lines of at most so many columns, groups set apart by a blank line.

    >>> from spreadcheck.show.document import Column
    >>> table = Table((Column("tray", align="left"), Column("rate", "kg/ha")), (("L1", "98.5"), ("C", "101.25")))
    >>> print(terminal_text(Document("A test", (Answer("Even enough?", "yes"), table))))
    A test
    <BLANKLINE>
    Even enough?  yes
    <BLANKLINE>
      tray    rate
             kg/ha
      L1      98.5
      C     101.25
    """
    shown = gated(document)
    head = [line for text in (shown.over, shown.title, *shown.about) if text for line in wrapped(text, width)]
    groups = ["\n".join(head)] if head else []
    groups += list(_groups(text_blocks(shown.blocks), width))
    groups += ["\n".join(wrapped(shown.foot, width))] if shown.foot else []
    return "\n\n".join(groups)


def _groups(blocks: Iterable[Block], width: int) -> Iterator[str]:
    """Headings stay with what follows them; answers in a row share one column of questions."""
    heading = ""
    for kind, run in groupby(blocks, type):
        parts = list(run)
        if kind is Heading:
            heading = "\n\n".join("\n".join(wrapped(part.text, width)) for part in parts if isinstance(part, Heading))
            continue
        texts = [_answers(parts, width)] if kind is Answer else filter(None, (_text(part, width) for part in parts))
        for text in texts:
            yield f"{heading}\n{text}" if heading else text
            heading = ""
    if heading:
        yield heading


def _text(block: Block, width: int) -> str:
    match block:
        case Paragraph(text=text):
            return "\n".join(wrapped(text, width))
        case Points(items=items, numbered=numbered):
            marks = [f"{at}. " if numbered else "- " for at in range(1, len(items) + 1)]
            pairs = zip(marks, items, strict=True)
            return "\n".join(line for mark, item in pairs for line in wrapped(mark + item, width, " " * len(mark)))
        case Note(kind=kind, text=text, points=points):
            lines = wrapped(f"{kind}: {text}", width, "  ")
            return "\n".join([*lines, *(line for point in points for line in wrapped(f"  - {point}", width, " " * 4))])
        case Picture(title=title, drawn=drawn) if drawn:
            return f"{title}\n{drawn}"
        case Table():
            return "\n".join(_table(block, width))
    return ""


def wrapped(text: str, width: int = WIDTH, indent: str = "") -> list[str]:
    """A text in lines of at most so many columns; no word is broken at its hyphens, no unit parted from its number."""
    kept = _UNIT.sub(_KEPT, text)
    lines = textwrap.wrap(kept, width, subsequent_indent=indent, break_on_hyphens=False) or [""]
    return [line.replace(_KEPT, " ") for line in lines]


def _answers(blocks: Iterable[Block], width: int) -> str:
    answers = [block for block in blocks if isinstance(block, Answer)]
    room = min(max(len(answer.question) for answer in answers), MOST_QUESTION)
    lines: list[str] = []
    for answer in answers:
        question = wrapped(answer.question, room)
        told = wrapped(answer.answer, width - room - GAP)
        for left, right in zip_longest(question, told, fillvalue=""):
            lines.append(f"{left:<{room + GAP}}{right}".rstrip())
    return "\n".join(lines)


def _table(table: Table, width: int) -> list[str]:
    lines = wrapped(table.caption, width) if table.caption else []
    for columns in _pages(table, width - INDENT):
        lines += _rows(table, columns, width - INDENT)
    return lines + [line for note in table.notes for line in wrapped(note, width)]


def _pages(table: Table, width: int) -> list[list[int]]:
    """The columns that stand side by side; where there is no room for all, the first one comes again."""
    pages: list[list[int]] = [[0]]
    for at in range(1, len(table.columns)):
        if len(pages[-1]) > 1 and sum(_least(table, c) + GAP for c in [*pages[-1], at]) - GAP > width:
            pages.append([0])
        pages[-1].append(at)
    return pages


def _wide(table: Table, at: int) -> int:
    column = table.columns[at]
    heads = (column.head, column.unit) if table.headed else ()
    return max(map(len, (*heads, *(row[at] for row in table.rows))), default=0)


def _least(table: Table, at: int) -> int:
    wide = _wide(table, at)
    if table.columns[at].align == "left":
        return min(wide, NARROWEST)
    words = _UNIT.sub(_KEPT, table.columns[at].head).split(" ")  # a number stays with its unit
    heads = max(map(len, words)) if table.headed else 0
    return max(heads, len(table.columns[at].unit), *(len(row[at]) for row in table.rows), 1)


def _rows(table: Table, at: list[int], width: int) -> list[str]:
    wide = [_wide(table, c) for c in at]
    least = [_least(table, c) for c in at]
    over = sum(wide) + GAP * (len(at) - 1) - width
    while over > 0 and wide != least:  # heads over figures wrap first, then the widest words
        spare = [c for c in range(len(at)) if wide[c] > least[c]]
        figures = [c for c in spare if table.columns[at[c]].align == "right"]
        widest = max(figures or spare, key=lambda c: wide[c])
        wide[widest] -= 1
        over -= 1
    columns = [table.columns[c] for c in at]
    lines: list[str] = []
    if table.headed:
        heads = [wrapped(column.head, max(room, 1)) for column, room in zip(columns, wide, strict=True)]
        deep = max(map(len, heads))
        lines += _set([[""] * (deep - len(head)) + head for head in heads], columns, wide)
        if any(column.unit for column in columns):
            lines += _set([[column.unit] for column in columns], columns, wide)
    for row in table.rows:
        lines += _set([wrapped(row[c], max(room, 1)) for c, room in zip(at, wide, strict=True)], columns, wide)
    return lines


def _set(cells: list[list[str]], columns: list[Column], wide: list[int]) -> list[str]:
    """One row of cells, each of one or more lines."""
    lines = []
    for texts in zip_longest(*cells, fillvalue=""):
        line = (" " * GAP).join(
            text.ljust(room) if column.align == "left" else text.rjust(room)
            for text, column, room in zip(texts, columns, wide, strict=True)
        )
        lines.append((" " * INDENT + line).rstrip())
    return lines


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
    parts = [f"# {escaped(shown.title)}", *map(escaped, shown.about), *map(_marked, text_blocks(shown.blocks))]
    return "\n\n".join(filter(None, (*parts, escaped(shown.foot)))) + "\n"


def _marked(block: Block) -> str:
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
            return _marked_table(block)
    return ""


def _marked_table(table: Table) -> str:
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


def bar_picture(
    offset_m: ArrayLike,
    rate: ArrayLike,
    *,
    width: int = WIDTH,
    height: int = 5,
    system: str = "metric",
    plain: bool = False,
) -> str:
    """Bars over a line of trays, left of the travel direction on the left: a column or more a tray, or the reverse."""
    offsets, rates = np.asarray(offset_m, dtype=float), np.asarray(rate, dtype=float)
    columns = _bar_heights(offsets, rates, width - _MARGIN - 2)
    top, signs = float(np.nanmax(rates)) if np.isfinite(rates).any() else 0.0, " .:#" if plain else " ▁▂▃▄▅▆▇█"
    steps = len(signs) - 1
    filled = np.nan_to_num(columns / top if top > 0 else columns * 0.0) * height * steps
    levels = np.where((filled > 0) & (filled < 1), 1, np.round(filled)).astype(int)
    highest = f"{top:.0f}" if top >= 100 or top == int(top) else f"{top:.3g}"
    lines = []
    for row in reversed(range(height)):
        here = [signs[part] for part in np.clip(levels - row * steps, 0, steps).tolist()]
        if row == 0 and not plain:
            here = ["·" if gap else sign for gap, sign in zip(np.isnan(columns).tolist(), here, strict=True)]
        lines.append(f"{f'{highest} |' if row == height - 1 else '|':>{_MARGIN}}{''.join(here)}")
    # below them the axis with the centre line marked, and the offsets of both ends
    unit, last = shown_unit("length", system), len(columns) - 1
    left, right = (
        f"{abs(from_inside(end, unit, 'length')):.4g} {unit}{' left' if end < 0 else ' right' if end > 0 else ''}"
        for end in offsets[[0, -1]].tolist()
    )
    axis, labels = ["-"] * len(columns), [" "] * len(columns)
    centre = -offsets[0] / (np.ptp(offsets) or 1.0) * last
    if 0 <= centre <= last:
        axis[round(centre)] = "|"
        if len(left) < centre < last - 1 - len(right):
            labels[round(centre)] = "0"
    text = left + "".join(labels)[len(left) :]
    text = text[: max(len(columns) - len(right), len(left) + 2)].ljust(len(left) + 2) + right
    lines += [f"{'0 +':>{_MARGIN}}{''.join(axis)}", f"{'':>{_MARGIN}}{text}"]
    return "\n".join(line.rstrip() for line in lines)


def _bar_heights(offsets: FloatArray, rates: FloatArray, room: int) -> FloatArray:
    """The height at each column of the picture: the tray nearest to it, or the mean of the trays that share it."""
    spacing = float(np.diff(offsets).min()) if len(offsets) > 1 else 1.0
    places = round((offsets[-1] - offsets[0]) / spacing) + 1
    if places > room:
        at = np.minimum(((offsets - offsets[0]) / (offsets[-1] - offsets[0]) * room).astype(int), room - 1)
        known = ~np.isnan(rates)
        counts = np.bincount(at[known], minlength=room)
        sums = np.bincount(at[known], rates[known], room)
        return np.asarray(np.divide(sums, counts, out=np.full(room, np.nan), where=counts > 0))
    columns = np.full(places, np.nan)
    columns[np.round((offsets - offsets[0]) / spacing).astype(int)] = rates
    return np.repeat(columns, max(1, min(room // places, 4)))
