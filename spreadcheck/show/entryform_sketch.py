"""The sketch of the tray line on the clipboard page: trays to scale, wheels, gaps, left and right, travel arrow.

All sizes in mm on the paper.
"""

from __future__ import annotations

from collections.abc import Sequence

from spreadcheck.crew.form import EntryForm
from spreadcheck.show.paper import Page, text_width

SKETCH_HEIGHT = 30.0
LINE_AT, TRAY_HIGH = 15.0, 5.0  # the tray line under the arrow, and how high a tray is drawn
SIDE_ROOM = 6.0
LABEL_SIZE, NOTE_SIZE = 7.0, 6.5


def draw_sketch(page: Page, form: EntryForm, *, x: float, y: float, room: float) -> float:
    """Draw the tray line as seen when driving, left on the left."""
    left, width = x + SIDE_ROOM, room - 2 * SIDE_ROOM
    test = form.test
    half = test.tray_width_m / 2
    reach = max(abs(float(at)) for at in test.offset_m) + half
    reach = max(reach, *(abs(wheel) * 1.2 for wheel in form.wheels_m), 0.0)
    centre, scale = left + width / 2, width / (2 * reach)
    spots = [centre + float(at) * scale for at in test.offset_m]
    page.text(x, y + 4.4, "The tray line as seen when driving", size=9, bold=True)
    page.text(x, y + 11, "LEFT", size=11, bold=True)
    page.text(x + room, y + 11, "RIGHT", size=11, bold=True, align="right")
    page.arrow_up(centre, y + 2, 11)
    page.text(centre + 3.5, y + 5, "travel", size=8)
    for spot in spots:
        page.box(spot - half * scale, y + LINE_AT, 2 * half * scale, TRAY_HIGH, weight=0.6)
    _wheels(page, form, centre, scale, y)
    _gaps(page, form, centre, scale, y)
    _labels(page, form, spots, y)
    return y + SKETCH_HEIGHT


def _wheels(page: Page, form: EntryForm, centre: float, scale: float, y: float) -> None:
    for wheel in form.wheels_m:
        at = centre + wheel * scale
        page.line(at, y + LINE_AT - 3.5, at, y + LINE_AT + TRAY_HIGH + 1, weight=1.6, dashes=(2.0, 1.2))
    if form.wheels_m:
        track = next(d for d in form.about if d.label == "wheel track")
        page.text(
            centre + 18, y + 11, f"dashed: wheel track, {track.value} {track.unit} apart", size=NOTE_SIZE, room=60
        )


def _gaps(page: Page, form: EntryForm, centre: float, scale: float, y: float) -> None:
    middle = y + LINE_AT + TRAY_HIGH / 2
    for start, stop in form.gaps_m:
        page.line(centre + start * scale, middle, centre + stop * scale, middle, weight=0.6, dashes=(1.0, 1.5))
        if (stop - start) * scale > text_width("gap", NOTE_SIZE) + 1:
            page.text(centre + (start + stop) / 2 * scale, middle - 1, "gap", size=NOTE_SIZE, align="center")


def _labels(page: Page, form: EntryForm, spots: list[float], y: float) -> None:
    """Names and places below the trays: the ends and the centre first, then as many as have room."""
    base = y + LINE_AT + TRAY_HIGH
    for names, below, size in ((form.test.tray, 4.0, LABEL_SIZE), (form.places, 7.6, NOTE_SIZE)):
        for at in named_trays(spots, [text_width(name, size) + 2 for name in names]):
            page.text(spots[at], base + below, names[at], size=size, align="center")


def named_trays(spots: Sequence[float], widths: Sequence[float]) -> list[int]:
    """Which trays can carry their name without touching another: both ends, and every one, second, third... between."""
    last = len(spots) - 1

    def apart(one: int, other: int) -> bool:
        return abs(spots[one] - spots[other]) >= (widths[one] + widths[other]) / 2

    for stride in range(1, last + 2):
        even = list(range(last // 2 % stride, last + 1, stride))  # the centre is always one of them
        if all(map(apart, even, even[1:])):
            break
    ends = [0, last] if apart(0, last) else [0]
    return sorted({*ends, *(at for at in even if all(at == end or apart(at, end) for end in ends))})
