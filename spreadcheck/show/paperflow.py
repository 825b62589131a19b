"""Words, tables and pictures one below the other, over as many printed pages as they need.

All sizes in mm, type sizes in points.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any

from spreadcheck.show.paper import PAPERS, Page, printable, text_width, wrapped
from spreadcheck.show.sheettables import Table

MARGIN, FOOT = 16.0, 9.0
BODY, BODY_LEADING = 9.5, 4.7
HEADING, HEADING_SPACE = 12.0, 10.0
CELL, CELL_LEADING, CELL_PAD = 7.5, 3.5, 1.2
POINT_INDENT = 4.0
TABLE_SPACE = 14.0  # what a table takes besides its rows
MOST_LINES = 40  # of one cell or paragraph: more is cut with an ellipsis
WIDEST_WORDS = 70.0  # a column of words wraps beyond this


class Flow:
    """A document in the making: `y` is how far down the last page it has come."""

    def __init__(self, paper: str) -> None:
        self.size = PAPERS[paper]
        self.pages: list[Page] = []
        self.y = 0.0
        self.new_page()

    @property
    def room(self) -> float:
        """The width between the margins."""
        return self.size[0] - 2 * MARGIN

    @property
    def bottom(self) -> float:
        """Where the last line of a page may stand."""
        return self.size[1] - MARGIN - FOOT

    def new_page(self) -> None:
        """Go on at the top of a new page."""
        self.pages.append(Page(*self.size))
        self.y = MARGIN

    def need(self, height: float) -> None:
        """Begin a new page where so much does not fit on this one any more."""
        if self.y + height > self.bottom and self.y > MARGIN:
            self.new_page()

    def line(self, text: str, *, size: float, leading: float, bold: bool = False, indent: float = 0.0) -> None:
        """One line, set smaller or cut where a single word is too long for it."""
        self.need(leading)
        self.y += leading
        self.pages[-1].text(
            MARGIN + indent, self.y - 0.25 * leading, text, size=size, bold=bold, room=self.room - indent
        )

    def heading(self, text: str, *, keep: float = 3 * BODY_LEADING) -> None:
        """A heading; it takes what follows, so much of it at least, to the same page."""
        self.need(HEADING_SPACE + keep)
        self.y += HEADING_SPACE - 6.0 if self.y > MARGIN else 0.0
        self.line(text, size=HEADING, leading=6.0, bold=True)
        self.y += 0.8

    def paragraph(self, text: str, *, bold: bool = False, size: float = BODY, mark: str = "") -> None:
        """Running text; `mark` stands before its first line and the rest is set in."""
        indent = POINT_INDENT if mark else 0.0
        leading = BODY_LEADING * size / BODY
        lines = wrapped(text, (self.room - indent) * (0.92 if bold else 1.0), size)[:MOST_LINES]
        self.need(leading * min(len(lines), 3))
        for number, line in enumerate(lines):
            self.line(line, size=size, leading=leading, bold=bold, indent=indent)
            if mark and number == 0:
                self.pages[-1].text(MARGIN + 0.8, self.y - 0.25 * leading, mark, size=size)
        self.y += 0.9

    def plot(self, draw: Callable[[Any], None], *, height: float, left: float = 16.0, below: float = 13.0) -> None:
        """A plot as wide as the page, with room beside and below it for its scales."""
        self.need(height + below + 6)
        self.y += 2
        draw(self.pages[-1].axes(MARGIN + left, self.y, self.room - left - 2, height))
        self.y += height + below

    def table(self, table: Table) -> None:
        """A table, kept on one page where it fits on one; its head comes again on every further page."""
        columns = _column_widths(table, self.room)
        head, *rows = (
            [_cell_lines(cell, width) for cell, width in zip(row, columns, strict=True)]
            for row in (table.head, *table.rows)
        )
        whole = TABLE_SPACE + sum(map(_height, [head, *rows]))
        self.need(whole if whole <= self.bottom - MARGIN else TABLE_SPACE + _height(head) + 4 * CELL_LEADING)
        self.y += 2
        self.line(table.caption, size=BODY, leading=BODY_LEADING, bold=True)
        self._row(head, columns, table, bold=True)
        for cells in rows:
            if self.y + _height(cells) > self.bottom:
                self.new_page()
                self._row(head, columns, table, bold=True)
            self._row(cells, columns, table)
        if table.note:
            self.y += 0.8
            self.paragraph(table.note, size=CELL + 0.5)
        self.y += 2

    def _row(self, cells: list[list[str]], columns: list[float], table: Table, *, bold: bool = False) -> None:
        """One row with a rule below it; figures stand to the right, words and the first column to the left."""
        x, page, height = MARGIN, self.pages[-1], _height(cells)
        for at, (lines, width) in enumerate(zip(cells, columns, strict=True)):
            left = at == 0 or at in table.words
            for number, text in enumerate(lines):
                base = self.y + 0.8 + CELL_LEADING * (number + 0.75)
                place = x + CELL_PAD if left else x + width - CELL_PAD
                page.text(place, base, text, size=CELL, bold=bold or at == 0, align="left" if left else "right",
                          room=width - 2 * CELL_PAD)  # fmt: skip
            x += width
        self.y += height
        page.line(MARGIN, self.y, x, self.y, weight=0.9 if bold else 0.25)

    def feet(self, words: str) -> None:
        """Words and the page number at the foot of every page."""
        y = self.size[1] - MARGIN + 4
        for number, page in enumerate(self.pages, start=1):
            page.text(MARGIN, y, words, size=7.5, room=self.room - 30)
            page.text(MARGIN + self.room, y, f"page {number} of {len(self.pages)}", size=7.5, align="right")


def _height(cells: list[list[str]]) -> float:
    return 1.0 + CELL_LEADING * max(len(lines) for lines in cells)


def _cell_lines(cell: str, width: float) -> list[str]:
    if _wide(cell) <= width - 2 * CELL_PAD:
        return [cell]
    return wrapped(cell, width - 2 * CELL_PAD, CELL)[:MOST_LINES]


@lru_cache(maxsize=4096)
def _wide(text: str) -> float:
    return text_width(printable(text), CELL, bold=True)


def _column_widths(table: Table, room: float) -> list[float]:
    """As wide as the cells and the longest word of the head; all narrowed alike where the page is too narrow."""
    widths = []
    for at, head in enumerate(table.head):
        cells = [_wide(row[at]) for row in table.rows]
        two_lines = 0.6 * _wide(head)
        most = max([*cells, *map(_wide, head.split()), two_lines, 10.0])
        widths.append(min(most, WIDEST_WORDS) + 2 * CELL_PAD)
    spare = room / sum(widths)
    return [width * min(spare, 1.0) for width in widths]
