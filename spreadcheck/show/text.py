"""A document as plain text: 80 columns for a terminal, or Markdown with every sign of markup escaped."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable
from itertools import groupby, zip_longest
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.sheet.traytest import FloatArray
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
    """The document as lines of at most so many columns; blank lines set groups apart, a heading stays with its own."""
    shown = gated(document)
    head = [line for text in (shown.over, shown.title, *shown.about) if text for line in wrapped(text, width)]
    groups = [head]
    heading: list[str] = []
    for kind, run in groupby(text_blocks(shown.blocks), type):
        for lines in [_answers(run, width)] if kind is Answer else (_lines(block, width) for block in run):
            if kind is Heading:
                heading += ["", *lines] if heading else lines
            elif lines:
                groups.append(heading + lines)
                heading = []
    groups += [heading, wrapped(shown.foot, width) if shown.foot else []]
    return "\n\n".join("\n".join(lines) for lines in groups if lines)


def _lines(block: Block, width: int) -> list[str]:
    match block:
        case Heading(text=text) | Paragraph(text=text):
            return wrapped(text, width)
        case Points(items=items, numbered=numbered):
            marks = [f"{at}. " if numbered else "- " for at in range(1, len(items) + 1)]
            pairs = zip(marks, items, strict=True)
            return [line for mark, item in pairs for line in wrapped(mark + item, width, " " * len(mark))]
        case Note(kind=kind, text=text, points=points):
            lines = wrapped(f"{kind}: {text}", width, "  ")
            return [*lines, *(line for point in points for line in wrapped(f"  - {point}", width, " " * 4))]
        case Picture(title=title, drawn=drawn) if drawn:
            return [title, *drawn.split("\n")]
        case Table():
            return _table(block, width)
    return []


def wrapped(text: str, width: int = WIDTH, indent: str = "", *, hyphens: bool = False) -> list[str]:
    """A text in lines of at most so many columns; words break at `hyphens` on request, no unit leaves its number."""
    kept = _UNIT.sub(_KEPT, text)
    lines = textwrap.wrap(kept, width, subsequent_indent=indent, break_on_hyphens=hyphens) or [""]
    return [line.replace(_KEPT, " ") for line in lines]


def _answers(blocks: Iterable[Block], width: int) -> list[str]:
    """Answers in a row share one column of questions."""
    answers = [block for block in blocks if isinstance(block, Answer)]
    room = min(max(len(answer.question) for answer in answers), MOST_QUESTION)
    pairs = ((wrapped(each.question, room), wrapped(each.answer, width - room - GAP)) for each in answers)
    lines = (line for pair in pairs for line in zip_longest(*pair, fillvalue=""))
    return [f"{left:<{room + GAP}}{right}".rstrip() for left, right in lines]


def _table(table: Table, width: int) -> list[str]:
    """Columns side by side; where there is no room for all, the rest stands below with the first column again."""
    columns, room = table.columns, width - INDENT
    wide, least, whole = [], [], []  # what the heads and cells of each column want and need, and its longest word
    for at, column in enumerate(columns):
        head, unit = (column.head, column.unit) if table.headed else ("", "")
        cells = max(map(len, (unit, *(row[at] for row in table.rows))))
        words = max(map(len, re.split(r" |(?<=-)", _UNIT.sub(_KEPT, head))))  # a number stays with its unit
        alike = sum(each.over == column.over for each in columns) if column.over else 0
        across = -(-(len(column.over) + 4 + GAP) // alike) - GAP if alike else 0  # its part of what stands over it
        words = max(words, across)
        wide.append(max(len(head), cells, words, 1))
        whole.append(max(map(len, " ".join((head, *(row[at] for row in table.rows))).split(" "))))
        least.append(min(wide[at], NARROWEST) if column.align == "left" else max(words, cells, 1))
    pages = [[0]]
    for at in range(1, len(columns)):
        if len(pages[-1]) > 1 and sum(least[c] + GAP for c in (*pages[-1], at)) - GAP > room:
            pages.append([0])
        pages[-1].append(at)
    lines = wrapped(table.caption, width) if table.caption else []
    for page in pages:
        given = {at: wide[at] for at in page}
        for _ in range(sum(given.values()) + GAP * (len(page) - 1) - room):
            spare = [at for at in page if given[at] > least[at]]
            figures = [at for at in spare if columns[at].align == "right"]
            between_words = [at for at in spare if given[at] > whole[at]]
            if spare:  # heads over figures wrap first, then the widest text between its words, then words break
                given[max(figures or between_words or spare, key=lambda at: given[at])] -= 1
        lines += _side_by_side(table, given)
    return lines + [line for note in table.notes for line in wrapped(note, width)]


def _side_by_side(table: Table, given: dict[int, int]) -> list[str]:
    """Some columns of a table, each in the room given to it; heads stand on their units."""
    columns = [table.columns[at] for at in given]
    rows = [[wrapped(row[at], room) for at, room in given.items()] for row in table.rows]
    if table.headed:
        units = [[column.unit] for column in columns]
        narrow = [any(len(word) > room for word in table.columns[at].head.split()) for at, room in given.items()]
        heads = [wrapped(c.head, given[at], hyphens=cut) for c, at, cut in zip(columns, given, narrow, strict=True)]
        deep = max(map(len, heads))
        rows[:0] = [[[""] * (deep - len(head)) + head for head in heads], *([units] if any(map(any, units)) else [])]
    over: list[list[Any]] = []  # what stands over several columns, and the room across them
    for column, room in zip(columns, given.values(), strict=True):
        if over and column.over and over[-1][0] == column.over:
            over[-1][1] += GAP + room
        else:
            over.append([column.over, room])
    told = (" ".join(("", text, ""))[:room].center(room, "-") if text else " " * room for text, room in over)
    lines = [(" " * INDENT + (" " * GAP).join(told)).rstrip()] if any(text for text, _ in over) else []
    for row in rows:
        for texts in zip_longest(*row, fillvalue=""):
            cells = zip(texts, columns, given.values(), strict=True)
            told = (text.ljust(room) if column.align == "left" else text.rjust(room) for text, column, room in cells)
            lines.append((" " * INDENT + (" " * GAP).join(told)).rstrip())
    return lines


def markdown_text(document: Document) -> str:
    """The document as Markdown; every sign of Markdown or HTML in its words is escaped."""
    title, *about, foot = gated((document.title, *document.about, document.foot), _escaped)
    blocks = (_marked(gated(block, _escaped)) for block in text_blocks(document.blocks))
    return "\n\n".join(filter(None, (f"# {title}", *about, *blocks, foot))) + "\n"


def _marked(block: Block) -> str:
    match block:
        case Heading(text=text):
            return f"## {text}"
        case Paragraph(text=text, weight=weight):
            return f"**{text}**" if weight == "strong" else text
        case Points(items=items, numbered=numbered):
            return "\n".join(f"{f'{at}.' if numbered else '-'} {item}" for at, item in enumerate(items, 1))
        case Answer(question=question, answer=answer):
            return f"**{question}** {answer}"
        case Note(kind=kind, text=text, points=points):
            return "\n".join([f"> **{kind}:** {text}", *(f"> - {point}" for point in points)])
        case Picture(title=title, words=words, drawn=drawn):
            return "\n\n".join([f"**{title}.** {words}", *([textwrap.indent(drawn, "    ")] if drawn else [])])
        case Table(columns=columns, rows=rows, caption=caption, notes=notes):
            heads = [f"{column.over} {column.head}, {column.unit}".strip().removesuffix(",") for column in columns]
            rules = ["---" if column.align == "left" else "---:" for column in columns]
            lines = (f"| {' | '.join(cells)} |".replace("|  |", "| |") for cells in (heads, rules, *rows))
            return "\n\n".join([*([f"**{caption}**"] if caption else []), "\n".join(lines), *notes])
    return ""


def _escaped(text: str) -> str:
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
