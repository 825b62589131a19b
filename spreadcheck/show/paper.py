"""A printed page measured in millimetres from its top left corner, drawn with matplotlib's PDF backend.

Black on white only; grey is never the only carrier of meaning.
"""

from __future__ import annotations

import io
from bisect import bisect_right
from collections.abc import Callable, Iterable
from functools import cache
from typing import Any

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # mm

MM_INCH = 25.4
FONT = "DejaVu Sans"  # comes with matplotlib, so every machine prints the same page
MOST_SIGNS = 2_000  # more than the widest line takes of the narrowest sign
SMALLEST = 0.75  # of its size: text that does not fit is set smaller, down to this, then cut with an ellipsis


class Page:
    """One page; all places and sizes in mm from the top left corner, type sizes in points."""

    def __init__(self, width: float, height: float) -> None:
        from matplotlib.figure import Figure
        from matplotlib.transforms import Affine2D

        self.width, self.height = width, height
        self.figure = Figure(figsize=(width / MM_INCH, height / MM_INCH))
        inches = Affine2D().scale(1 / MM_INCH, -1 / MM_INCH).translate(0, height / MM_INCH)
        self._mm = inches + self.figure.dpi_scale_trans

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float = 9,
        bold: bool = False,
        align: str = "left",
        room: float | None = None,
    ) -> None:
        """Text on the base line y; `room` is the width it has to fit into."""
        if room is not None:
            text, size = fitted(text, room, size, bold)
        self.figure.text(
            x, y, printable(text), transform=self._mm, fontfamily=FONT, fontsize=size,
            fontweight="bold" if bold else "normal", ha=align, va="baseline", parse_math=False,
        )  # fmt: skip

    def line(
        self, x0: float, y0: float, x1: float, y1: float, *, weight: float = 0.5, dashes: tuple[float, ...] = ()
    ) -> None:
        """A straight line; `weight` in points."""
        from matplotlib.lines import Line2D

        drawn = Line2D([x0, x1], [y0, y1], color="black", linewidth=weight, transform=self._mm, solid_capstyle="butt")
        if dashes:
            drawn.set_linestyle((0, dashes))
        self.figure.add_artist(drawn)

    def box(self, x: float, y: float, width: float, height: float, *, weight: float = 0.5) -> None:
        """A box with its top left corner at x, y."""
        from matplotlib.patches import Rectangle

        outline = Rectangle((x, y), width, height, fill=False, edgecolor="black", linewidth=weight, transform=self._mm)
        self.figure.add_artist(outline)

    def axes(self, x: float, y: float, width: float, height: float) -> Any:
        """A place for a plot with its frame's top left corner at x, y; what stands around the frame is outside it."""
        place = (x / self.width, 1 - (y + height) / self.height, width / self.width, height / self.height)
        return self.figure.add_axes(place)

    def arrow_up(self, x: float, y: float, length: float) -> None:
        """A solid arrow whose tip is at x, y."""
        from matplotlib.patches import Polygon

        corners = [
            (x, y), (x + 2.2, y + 3.6), (x + 0.8, y + 3.6), (x + 0.8, y + length), (x - 0.8, y + length),
            (x - 0.8, y + 3.6), (x - 2.2, y + 3.6),
        ]  # fmt: skip
        self.figure.add_artist(Polygon(corners, closed=True, color="black", transform=self._mm))


def pdf_of(pages: Iterable[Page], *, title: str, on_page: Callable[[], object] | None = None) -> bytes:
    """One PDF of many pages; `on_page` is called after each one, for a progress bar."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_pdf import PdfPages

    out = io.BytesIO()
    about = {"Title": title, "Creator": "spreadcheck", "Producer": None, "CreationDate": None}
    with rc_context({"pdf.fonttype": 42}), PdfPages(out, metadata=about) as pdf:
        for page in pages:
            pdf.savefig(page.figure)
            if on_page:
                on_page()
    return out.getvalue()


def unprintable(text: str) -> str:
    """The characters of a text that the font has no sign for, each once."""
    signs = _signs()
    return "".join(dict.fromkeys(c for c in text if ord(c) not in signs and not c.isspace()))


def printable(text: str) -> str:
    """One line of text, with a question mark for each character that the font has no sign for."""
    lost = unprintable(text)
    return " ".join(text.translate({ord(c): "?" for c in lost}).split()) if text else ""


def fitted(text: str, room: float, size: float, bold: bool = False) -> tuple[str, float]:
    """A text and the type size at which it fits: set smaller down to three quarters, then cut with an ellipsis."""
    text = printable(text[:MOST_SIGNS])
    wide = text_width(text, size, bold)
    if wide <= room:
        return text, size
    if wide * SMALLEST <= room:
        return text, size * room / wide
    small = size * SMALLEST
    signs = bisect_right(range(len(text)), room, key=lambda count: text_width(text[:count] + "…", small, bold)) - 1
    return text[: max(signs, 0)].rstrip() + "…", small


def wrapped(text: str, room: float, size: float) -> list[str]:
    """A text broken into lines at its spaces."""
    lines: list[str] = [""]
    for word in printable(text).split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and text_width(longer, size) > room:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def text_width(text: str, size: float, bold: bool = False) -> float:
    """The width of a text as it is printed. [mm]"""
    from matplotlib.textpath import text_to_path

    if not text:
        return 0.0
    points, _, _ = text_to_path.get_text_width_height_descent(text, _font(bold, size), ismath=False)
    return float(points) / 72 * MM_INCH


@cache
def _font(bold: bool, size: float) -> Any:
    from matplotlib.font_manager import FontProperties

    return FontProperties(family=FONT, weight="bold" if bold else "normal", size=size)


@cache
def _signs() -> frozenset[int]:
    from matplotlib.font_manager import findfont, get_font

    return frozenset(get_font(findfont(_font(True, 9))).get_charmap()) & frozenset(
        get_font(findfont(_font(False, 9))).get_charmap()
    )
