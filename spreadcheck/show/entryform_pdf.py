"""The entry form on paper: a clipboard page with the details, the tray line, the conditions and one row a tray.

Rows are at least 8.5 mm high, so that they can be written on with gloves. Up to five columns stand upright, up to nine
across the page; more go on further pages. All sizes in mm.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import TypeAlias

from spreadcheck.crew.form import CAUTIONS, CELL_RULE, Detail, EntryForm
from spreadcheck.show.entryform_sketch import SKETCH_HEIGHT, draw_sketch
from spreadcheck.show.paper import PAPERS, Page, pdf_of, text_width, unprintable, wrapped

MARGIN = 12.0
ROW = 8.5
ROW_TALLEST = 11.0
ROWS_WORTH_STARTING = 5  # fewer rows than these under the details, and the table starts on the next page
UPRIGHT_COLUMNS, ACROSS_COLUMNS = 5, 9
TRAY_ROOM, PLACE_ROOM, NOTE_ROOM = 17.0, 23.0, 36.0
CATCH_WIDEST = 30.0

TITLE_HEIGHT, RUNNING_HEIGHT, FOOT_HEIGHT = 11.0, 8.0, 4.0
HEADING_HEIGHT, HEADING_BASE, DETAIL_HEIGHT = 5.8, 4.4, 9.0
RULE_HEIGHT, HEAD_HEIGHT = 5.0, 12.0
CAUTION_SIZE, CAUTION_LEADING = 7.5, 3.6
UNIT_COLUMN = 15.2  # details are laid on columns of about this width
SPAN, SPAN_NAME, SPAN_CHOICE = 3, 4, 6  # of those columns
SIGNS_A_COLUMN = 7
NAMES = ("test", "date", "place", "operator", "machine", "product")

# One row of details with the width of each, and the rows under each heading.
_Row: TypeAlias = tuple[tuple[Detail, float], ...]
_Details: TypeAlias = tuple[tuple[str, tuple[_Row, ...]], ...]


@dataclass(frozen=True)
class PrintedForm:
    """The PDF of an entry form, and what its user is told about it."""

    data: bytes
    pages: int
    across: bool
    column_pages: int  # on how many pages the columns of one tray stand
    unprintable: str  # characters that the font lacks; "?" stands for each
    left_out: tuple[str, ...]  # the sheet's own rows that found no room on the first page


@dataclass(frozen=True)
class _Layout:
    """Where everything goes: the page, and which trays and columns stand on which."""

    width: float
    height: float
    across: bool
    details: _Details
    columns: tuple[range, ...]
    trays: tuple[range, ...]  # page by page; an empty first one where the details fill their page
    left_out: tuple[str, ...]

    @property
    def room(self) -> float:
        return self.width - 2 * MARGIN

    @property
    def blocks(self) -> list[tuple[range, range]]:
        """Trays and columns of each page; the columns of a set of trays follow one another."""
        first = [(self.trays[0], self.columns[0])]
        rest = [(trays, columns) for trays in self.trays for columns in self.columns if len(trays)]
        return rest if len(self.trays[0]) else first + rest


def entry_form_pdf(form: EntryForm, *, paper: str = "a4", on_page: Callable[[], object] | None = None) -> PrintedForm:
    """The entry form as a PDF for a clipboard; `on_page` is called after each page."""
    layout = _layout(form, paper)
    data = pdf_of(_pages(form, layout), title=f"Entry form: {form.test.name}", on_page=on_page)
    written = [form.test.name, *form.test.tray, *form.test.note, *(column.name for column in form.columns)]
    written += [f"{row.label}{row.value}{row.unit}" for row in form.test.form]
    return PrintedForm(
        data, len(layout.blocks), layout.across, len(layout.columns), unprintable("".join(written)), layout.left_out
    )


def page_count(form: EntryForm, *, paper: str = "a4") -> int:
    """How many pages the form takes, known before any is drawn."""
    return len(_layout(form, paper).blocks)


def _layout(form: EntryForm, paper: str) -> _Layout:
    upright = PAPERS[paper]
    across = len(form.columns) > UPRIGHT_COLUMNS
    width, height = upright[::-1] if across else upright
    room = width - 2 * MARGIN
    own = len(form.further)
    while (taken := _head_height(details := _details_of(form, own, room), room)) > height - 2 * MARGIN - FOOT_HEIGHT:
        own -= 1
    bottom = height - 2 * MARGIN - FOOT_HEIGHT - RULE_HEIGHT - HEAD_HEIGHT - _remark_height(form)
    trays = tuple(_tray_pages(len(form.test.tray), bottom - taken, bottom - RUNNING_HEIGHT))
    columns = tuple(_column_pages([c.pass_no for c in form.columns], ACROSS_COLUMNS if across else UPRIGHT_COLUMNS))
    return _Layout(width, height, across, details, columns, trays, tuple(row.label for row in form.further[own:]))


def _details_of(form: EntryForm, own: int, room: float) -> _Details:
    """The details in rows under their headings, with so many of the sheet's own rows."""
    parts = (("The test", form.about + form.further[:own]), ("Conditions to note", form.conditions))
    return tuple((heading, tuple(_detail_rows(asked, room))) for heading, asked in parts)


def _head_height(details: _Details, room: float) -> float:
    """How much of the first page everything above the table takes."""
    rows = sum(HEADING_HEIGHT + DETAIL_HEIGHT * len(rows) for _, rows in details)
    cautions = HEADING_HEIGHT + CAUTION_LEADING * len(_cautions(room))
    return TITLE_HEIGHT + rows + SKETCH_HEIGHT + cautions


def _tray_pages(count: int, first: float, further: float) -> Iterator[range]:
    """The trays of each page, for so much room under the details and on a further page."""
    on_first = int(first // ROW)
    if on_first < min(ROWS_WORTH_STARTING, count):
        on_first = 0
    start = min(on_first, count)
    yield range(start)
    needed = -(-(count - start) // int(further // ROW))
    for page in range(needed):  # even pages rather than a last one with two rows
        stop = start + -(-(count - start) // (needed - page))
        yield range(start, stop)
        start = stop


def _column_pages(passes: list[int], most: int) -> Iterator[range]:
    """The columns of each page, components of one pass kept together where they fit."""
    start = stop = 0
    for _, group in groupby(passes):
        size = len(list(group))
        if stop > start and stop - start + size > most:
            yield range(start, stop)
            start = stop
        stop += size
        while stop - start > most:
            yield range(start, start + most)
            start += most
    yield range(start, stop)


def _detail_rows(asked: tuple[Detail, ...], room: float) -> Iterator[_Row]:
    """Details packed into rows, each row stretched to the full width."""
    most = round(room / UNIT_COLUMN)
    row: list[tuple[Detail, int]] = []
    for detail in asked:
        span = min(_span(detail), most)
        if sum(taken for _, taken in row) + span > most:
            yield _stretched(row, room)
            row = []
        row.append((detail, span))
    yield _stretched(row, room)


def _span(detail: Detail) -> int:
    """How many columns a detail takes; a long text that is known already gets the room to be read."""
    span = SPAN_NAME if detail.label in NAMES else SPAN_CHOICE if detail.choices else SPAN
    return max(span, len(detail.value) // SIGNS_A_COLUMN)


def _stretched(row: list[tuple[Detail, int]], room: float) -> _Row:
    total = sum(span for _, span in row)
    return tuple((detail, span * room / total) for detail, span in row)


def _cautions(room: float) -> list[str]:
    """The cautions broken into lines, the later lines of one set in under its first."""
    lines = []
    for caution in CAUTIONS:
        first, *more = wrapped(caution, room - 4, CAUTION_SIZE)
        lines += ["\u2013 " + first, *("   " + line for line in more)]
    return lines


def _remark_height(form: EntryForm) -> float:
    return 4.5 if form.remarks else 0.0


def _pages(form: EntryForm, layout: _Layout) -> Iterator[Page]:
    blocks = layout.blocks
    for number, (trays, columns) in enumerate(blocks, start=1):
        page = Page(layout.width, layout.height)
        y = _first_head(page, form, layout) if number == 1 else _running_head(page, form, layout)
        if len(trays):
            _table(page, form, layout, y, trays, columns)
        _foot(page, form, number, len(blocks), trays, columns)
        yield page


def _first_head(page: Page, form: EntryForm, layout: _Layout) -> float:
    y = MARGIN + 6
    page.text(MARGIN, y, "Tray test entry form", size=15, bold=True)
    page.text(MARGIN + layout.room, y, form.test.name, size=11, align="right", room=layout.room - 75)
    y = MARGIN + TITLE_HEIGHT
    for heading, rows in layout.details:
        page.text(MARGIN, y + HEADING_BASE, heading, size=9, bold=True)
        y = _details(page, rows, y + HEADING_HEIGHT)
    y = draw_sketch(page, form, x=MARGIN, y=y, room=layout.room)
    page.text(MARGIN, y + HEADING_BASE, "Cautions", size=9, bold=True)
    y += HEADING_HEIGHT
    for line in _cautions(layout.room):
        left = MARGIN + (2.6 if line.startswith("   ") else 0)
        page.text(left, y + 2.6, line, size=CAUTION_SIZE)
        y += CAUTION_LEADING
    return y


def _details(page: Page, rows: tuple[_Row, ...], y: float) -> float:
    for row in rows:
        x = MARGIN
        for detail, width in row:
            _detail(page, detail, x, y, width)
            x += width
        y += DETAIL_HEIGHT
    return y


def _detail(page: Page, detail: Detail, x: float, y: float, width: float) -> None:
    page.box(x, y, width, DETAIL_HEIGHT)
    page.text(x + 1, y + 2.6, detail.label, size=6.5, room=width - 2)
    base = y + DETAIL_HEIGHT - 1.8
    unit_room = text_width(detail.unit, 7.5)
    page.text(x + width - 1, base, detail.unit, size=7.5, align="right")
    if detail.value.strip():
        page.text(x + 1.5, base, detail.value, size=9.5, room=width - 4 - unit_room)
    elif detail.choices:
        label_room = text_width(detail.label, 6.5) + 4
        page.text(
            x + width - 1,
            y + 2.6,
            " / ".join(_single(detail.choices)),
            size=6,
            align="right",
            room=width - 1 - label_room,
        )


def _single(choices: tuple[str, ...]) -> list[str]:
    """Choices of one word; "ahead left" goes without saying."""
    return [choice for choice in choices if " " not in choice]


def _running_head(page: Page, form: EntryForm, layout: _Layout) -> float:
    known = (form.test.name, form.test.text("date"), form.test.text("product"))
    page.text(MARGIN, MARGIN + 4, ", ".join(word for word in known if word), size=10, bold=True, room=layout.room)
    return MARGIN + RUNNING_HEIGHT


def _table(page: Page, form: EntryForm, layout: _Layout, y: float, trays: range, columns: range) -> None:
    page.text(MARGIN, y + 3.5, "From left to right as seen when driving: " + CELL_RULE, size=7.5, room=layout.room)
    y += RULE_HEIGHT
    if form.remarks:
        page.text(MARGIN, y + 3, " ".join(form.remarks), size=7.5, bold=True, room=layout.room)
        y += _remark_height(form)
    edges = _column_edges(layout, columns)
    _table_head(page, form, columns, edges, y)
    y += HEAD_HEIGHT
    row = min((layout.height - MARGIN - FOOT_HEIGHT - y) / len(trays), ROW_TALLEST)
    for tray in trays:
        _table_row(page, form, tray, columns, edges, y, row)
        y += row


def _column_edges(layout: _Layout, columns: range) -> list[float]:
    """Left edges of tray, place, each catch and the note, and the right edge of the note."""
    room = layout.room - TRAY_ROOM - PLACE_ROOM
    catch = min((room - NOTE_ROOM) / len(columns), CATCH_WIDEST)
    start = MARGIN + TRAY_ROOM + PLACE_ROOM
    return [
        MARGIN, MARGIN + TRAY_ROOM, *(start + catch * number for number in range(len(columns) + 1)),
        MARGIN + layout.room,
    ]  # fmt: skip


def _table_head(page: Page, form: EntryForm, columns: range, edges: list[float], y: float) -> None:
    reverse = set(form.test.reversed_passes)
    heads = [("tray", "", ""), ("offset", "", "")]
    for at in columns:
        column = form.columns[at]
        other_way = " (other way)" if column.pass_no in reverse else ""
        heads.append((f"pass {column.pass_no}", column.component, column.unit + other_way))
    heads.append(("note", "", ""))
    for (name, component, unit), left, right in zip(heads, edges, edges[1:], strict=False):
        page.box(left, y, right - left, HEAD_HEIGHT, weight=1)
        room = right - left - 2
        page.text(left + 1, y + 4, name, size=9, bold=True, room=room)
        page.text(left + 1, y + 7.6, component, size=8, room=room)
        page.text(left + 1, y + HEAD_HEIGHT - 1.1, unit, size=7.5, room=room)


def _table_row(
    page: Page, form: EntryForm, tray: int, columns: range, edges: list[float], y: float, height: float
) -> None:
    catches = [form.cells[tray][at] for at in columns]
    written = [form.test.tray[tray], form.places[tray], *catches, form.test.note[tray]]
    base = y + height / 2 + 1.4
    for at, (text, left, right) in enumerate(zip(written, edges, edges[1:], strict=False)):
        page.box(left, y, right - left, height)
        page.text(left + 1.5, base, text, size=11 if at == 0 else 9, bold=at == 0, room=right - left - 2.5)
    if tray and form.test.offset[tray - 1] < 0 <= form.test.offset[tray]:
        page.line(edges[0], y, edges[-1], y, weight=1.8)


def _foot(page: Page, form: EntryForm, number: int, pages: int, trays: range, columns: range) -> None:
    y = page.height - MARGIN
    parts = [f"page {number} of {pages}"]
    if len(trays):
        parts.append(f"trays {form.test.tray[trays[0]]} to {form.test.tray[trays[-1]]}")
        parts.append(_columns_named(form, columns))
    else:
        parts.append("the trays are on the next pages")
    page.text(MARGIN, y, ", ".join(parts), size=7.5, room=page.width - 2 * MARGIN)


def _columns_named(form: EntryForm, columns: range) -> str:
    first, last = form.columns[columns[0]], form.columns[columns[-1]]
    return first.name if first == last else f"{first.name} to {last.name}"
