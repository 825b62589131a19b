"""The settings card on one sheet of paper, A4 or US Letter, black on white.

Rows are 6.4 mm high or more, so that an empty one can be written on. All sizes in mm.
"""

from __future__ import annotations

from itertools import pairwise

from spreadcheck.show.card import TITLE, CardRow, CardSection, SettingsCard
from spreadcheck.show.paper import PAPERS, Page, pdf_of, unprintable, wrapped

MARGIN, GAP = 12.0, 5.0
ROW, NOTED_ROW = 6.4, 7.6
HEADING = 6.0
LABEL_SHARE, NOTE_SHARE = 0.4, 0.43  # of a row; a wide row has its note in a third column
WIDE_LABEL_SHARE = 0.3
SMALL, LEADING = 7.2, 3.3
FOOT = 13.0


def card_unprintable(card: SettingsCard) -> str:
    """The signs on the card that the font lacks, each once."""
    sections = (card.about, card.product, card.settings, card.controller, card.result)
    written = [card.name, *card.doubts, *(row.value for section in sections for row in section.rows)]
    return unprintable("".join(written))


def card_pdf(card: SettingsCard, *, paper: str = "a4") -> bytes:
    """The card as a PDF of one page."""
    width, height = PAPERS[paper]
    page = Page(width, height)
    y = _head(page, card)
    y = _columns(page, card, y)
    y = _wide_section(page, card.controller, y, weight=1.6)
    y = _wide_section(page, card.result, y)
    _foot(page, card, y)
    return pdf_of([page], title=f"{TITLE}: {card.name}")


def _head(page: Page, card: SettingsCard) -> float:
    room = page.width - 2 * MARGIN
    page.text(MARGIN, MARGIN + 5, TITLE, size=15, bold=True)
    page.text(MARGIN + room, MARGIN + 2.5, card.name, size=10, bold=True, align="right", room=room - 50)
    page.text(MARGIN + room, MARGIN + 7, f"Date of the test: {card.date or '____________'}", size=8.5, align="right")
    return MARGIN + 9


def _columns(page: Page, card: SettingsCard, y: float) -> float:
    """Test and product on the left, settings on the right; returns where both have ended."""
    room = (page.width - 2 * MARGIN - GAP) / 2
    left = y
    for section in (card.about, card.product):
        left = _section(page, section, MARGIN, left, room)
    right = _section(page, card.settings, MARGIN + room + GAP, y, room)
    return max(left, right)


def _section(page: Page, section: CardSection, x: float, y: float, room: float) -> float:
    page.text(x, y + HEADING - 1.6, section.heading, size=9, bold=True, room=room)
    y += HEADING
    for row in section.rows:
        _cells(page, row, (x, x + LABEL_SHARE * room, x + room), y, ROW)
        y += ROW
    return y


def _wide_section(page: Page, section: CardSection, y: float, *, weight: float = 0.5) -> float:
    """Rows across the page with their notes beside them, so that an empty value leaves room to write."""
    room = page.width - 2 * MARGIN
    page.text(MARGIN, y + HEADING - 1.6, section.heading, size=9, bold=True, room=room)
    y += HEADING
    top, noted = y, MARGIN + (1 - NOTE_SHARE) * room
    for row in section.rows:
        _cells(page, row, (MARGIN, MARGIN + WIDE_LABEL_SHARE * room, noted, MARGIN + room), y, NOTED_ROW)
        lines = wrapped(row.note, NOTE_SHARE * room - 3, SMALL)
        for number, line in enumerate(lines):
            page.text(noted + 1.5, y + (3.2 if len(lines) > 1 else 4.8) + number * 3.1, line, size=SMALL)
        y += NOTED_ROW
    page.box(MARGIN, top, room, y - top, weight=weight)
    return y


def _cells(page: Page, row: CardRow, edges: tuple[float, ...], y: float, height: float) -> None:
    for left, right in pairwise(edges):
        page.box(left, y, right - left, height)
    base = y + height / 2 + 1.2
    page.text(edges[0] + 1.5, base, row.label, size=8, room=edges[1] - edges[0] - 2.5)
    page.text(edges[1] + 1.5, base, row.value, size=9, bold=True, room=edges[2] - edges[1] - 2.5)


def _foot(page: Page, card: SettingsCard, y: float) -> None:
    """Doubts as far as there is room, the cautions whole, and a place to sign."""
    room = page.width - 2 * MARGIN
    cautions = _lines(card.cautions, room)
    signed = page.height - MARGIN - FOOT
    free = int((signed - y - HEADING - len(cautions) * LEADING) / LEADING)
    if card.doubts:
        y = _listed(page, "Doubts about the test", _kept(_lines(card.doubts, room), free - 2), y)
    _listed(page, "Cautions", cautions, y)
    for x, wide, what in ((MARGIN, 0.62 * room, "Signature"), (MARGIN + 0.68 * room, 0.32 * room, "Date")):
        page.line(x, signed + FOOT - 4, x + wide, signed + FOOT - 4)
        page.text(x, signed + FOOT - 0.5, what, size=SMALL)


def _lines(texts: tuple[str, ...], room: float) -> list[str]:
    lines: list[str] = []
    for text in texts:
        first, *more = wrapped(text, room - 4, SMALL)
        lines += [f"-  {first}", *("    " + line for line in more)]
    return lines


def _kept(lines: list[str], most: int) -> list[str]:
    if len(lines) <= most:
        return lines
    return [*lines[: max(most - 1, 0)], "-  and more, told by spreadcheck analyse"]


def _listed(page: Page, heading: str, lines: list[str], y: float) -> float:
    page.text(MARGIN, y + HEADING - 1.6, heading, size=9, bold=True)
    y += HEADING
    for line in lines:
        indent = 2.6 if line.startswith("    ") else 0.0
        page.text(MARGIN + indent, y + 2.4, line.strip(), size=SMALL, room=page.width - 2 * MARGIN - indent)
        y += LEADING
    return y
