"""Inks, axes and marks of every picture, readable in greyscale, left of travel on the left; the panels of an analysis.

matplotlib is imported inside, so that nothing else waits for it.
"""

from __future__ import annotations

import io
import logging
import textwrap
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from spreadcheck.errors import Fault, OutputError, visible
from spreadcheck.judge.assessment import Assessment
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.show.format import rate_unit, show_width
from spreadcheck.show.verdict import effective_words, verdict_sentence
from spreadcheck.spread.overlap import bout_deposit, deposit_shares
from spreadcheck.spread.profile import CUT, SAME_PLACE
from spreadcheck.units import from_inside, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BLUE, ORANGE, GREY = "#1b4f72", "#c0651a", "#777777"
LINE: dict[str, dict[str, Any]] = {
    METHODS[0]: {"color": BLUE, "ls": "-", "marker": "o"},
    METHODS[1]: {"color": ORANGE, "ls": "--", "marker": "s"},
}
_DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 3)))
_INKS = ("black", ORANGE, BLUE, GREY, "#4a7c3a", "#8a4f7d")
_MARKS = "osD^v<>Ph*"
_SHADES = ("#d9d9d9", "#b0b0b0")
_OWN = {
    "axes.spines.top": False, "axes.spines.right": False, "legend.fontsize": 8, "legend.frameon": False,
    "figure.titlesize": 13, "figure.titleweight": "bold",
}  # fmt: skip
_BOUTS_SHOWN = 3
_MOST_POINTS = 60  # of CV by trays: more would hide the curve
_MOST_PLACES = 3001  # along a line of deposit: more can't be told apart on paper
_NEIGHBOURS = ("pass before", "this pass", "next pass")


@contextmanager
def plain_style(**settings: Any) -> Iterator[None]:
    """Draw with matplotlib's own settings and these, whatever a matplotlibrc file of the user or of the folder says."""
    log = logging.getLogger("matplotlib")
    level = log.level
    log.setLevel(logging.CRITICAL)  # it tells of every bad line in a file that isn't used here
    try:
        import matplotlib
    except (OSError, UnicodeError) as error:  # it reads the file while it is loaded
        words = "can't be read, and matplotlib, which draws the picture, won't start without"
        raise OutputError(Fault("file matplotlibrc", words, "mend it, or run from another folder")) from error
    finally:
        log.setLevel(level)
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        own: Any = _OWN | settings  # matplotlib's type of names is a list of all it has
        matplotlib.rcParams.update(own)
        yield


def plain(text: str) -> str:
    """What a person typed, as a picture shows it: hidden signs as escapes, the sign that starts a formula literally."""
    return visible(text).replace("$", r"\$")


def missing_signs(figure: Figure) -> str:
    """The signs in a figure's words that its fonts don't have; the picture shows a box for each."""
    from matplotlib.font_manager import findfont, get_font
    from matplotlib.text import Text

    with plain_style():
        missing: set[str] = set()
        for text in figure.findobj(Text):
            foreign = {sign for sign in text.get_text() if not sign.isascii()}
            if foreign:
                known = get_font(findfont(text.get_fontproperties())).get_charmap()
                missing |= {sign for sign in foreign if ord(sign) not in known}
    return "".join(sorted(missing))


def figure_bytes(figure: Figure, file_format: str) -> bytes:
    """A figure as the content of a file."""
    content = io.BytesIO()
    no_date = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(file_format)
    own = {"svg.fonttype": "none", "pdf.fonttype": 42, "svg.hashsalt": "spreadcheck"}
    with plain_style(**own), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing from")  # the picture shows a box for it
        if (layout := figure.get_layout_engine()) is not None:
            layout.execute(figure)
            figure.set_layout_engine("none")
            for axes in figure.axes:  # the last digits of the layout differ from run to run, and the file must not
                axes.set_position(np.round(axes.get_position(original=True).bounds, 9).tolist())
        figure.savefig(content, format=file_format, metadata=no_date, dpi=150)
    return content.getvalue()


def drawn(draw: Callable[..., Figure], *given: Any) -> Callable[[], str]:
    """The SVG of a figure for a document, drawn once and only where something shows it."""
    return cache(lambda: figure_bytes(draw(*given), "svg").decode())


def panels(title: str, wide: float, high: float, count: int = 1) -> tuple[Figure, list[Axes]]:
    """An empty figure of so many inches and panels, one below the other."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(wide, high), layout="constrained")
    if title:
        figure.suptitle(plain(title))
    return figure, figure.subplots(count, 1, squeeze=False)[:, 0].tolist()


@plain_style()
def analysis_figure(result: Assessment, system: str = "metric") -> Figure:
    """Three panels: catches and profile; the deposit over three bouts; CV against bout width; and the verdict."""
    figure, axes = panels(result.test.name, 8, 10.5, 3)
    if result.verdict is not None:  # a picture is handed on without its page
        told = textwrap.fill(verdict_sentence(result.verdict, system), 110)
        figure.text(0.5, 0.0, told, ha="center", va="bottom", fontsize=9)
        figure.set_layout_engine("constrained", rect=(0, 0.035, 1, 0.965))
    for draw, panel in zip((draw_profile, draw_deposit, draw_widths), axes, strict=True):
        draw(panel, result, system)
    return figure


def scales(result: Assessment, system: str) -> tuple[float, float]:
    """What offsets and rates are multiplied with to be drawn."""
    length = from_inside(1.0, shown_unit("length", system), "length")
    return length, 1.0 if result.profile.relative else from_inside(1.0, shown_unit("rate", system), "rate")


def offset_label(system: str) -> str:
    """What stands at the axis across the travel direction."""
    return f"Offset from the driving centre line ({shown_unit('length', system)}): left - right"


def line_style(number: int, *, marks: bool = False) -> dict[str, Any]:
    """A line that can be told from the others without colour."""
    style: dict[str, Any] = {"ls": _DASHES[number % len(_DASHES)], "color": _INKS[number % len(_INKS)]}
    return style | {"marker": _MARKS[number % len(_MARKS)]} if marks else style


def mark_centre(axes: Axes) -> None:
    """The driving centre line."""
    axes.axvline(0, color=GREY, lw=1, ls=":")


def mark_limit(axes: Axes, limit_pct: float, side: Literal["left", "right"] = "right") -> None:
    """The CV limit, named at one end."""
    axes.axhline(limit_pct, color="black", lw=1.2)
    axes.text(0.005 if side == "left" else 0.995, limit_pct, f"limit {limit_pct:g} %", ha=side, va="bottom",
              transform=axes.get_yaxis_transform(), fontsize=8)  # fmt: skip


def mark_driven(axes: Axes, width_m: float | None, system: str) -> None:
    """The bout width driven, where it is known."""
    if width_m is not None:
        at = from_inside(width_m, shown_unit("length", system), "length")
        axes.axvline(at, color="black", lw=3, alpha=0.25, label=f"driven: {show_width(width_m, system)}")


def legend_above(axes: Axes, title: str) -> None:
    """The legend between the title and the picture, so that it hides no curve."""
    axes.set_title(title, pad=10 + 11 * len(axes.get_legend_handles_labels()[0]))
    axes.legend(loc="lower left", bbox_to_anchor=(0, 1), borderaxespad=0.2, labelspacing=0.3)


def draw_profile(axes: Axes, result: Assessment, system: str = "metric") -> None:
    """Catches of every pass and the single-pass profile."""
    profile, (length, rate) = result.profile, scales(result, system)
    rates = result.passes.rate_kg_ha.T
    for number, (name, row) in enumerate(zip(result.test.passes, rates, strict=True)):
        mark = _MARKS[number % len(_MARKS)]
        label = f"pass {name}" if len(rates) <= 6 else "passes" if number == 0 else None
        axes.plot(result.test.offset_m * length, row * rate, mark, ms=4, mfc="none", color=GREY, label=label)
    x, y = profile.knots
    axes.plot(x * length, y * rate, color="black", lw=2, label="single-pass profile (mean)")
    if profile.filled_offset_m:
        filled = np.isin(profile.offset_m, profile.filled_offset_m)
        x, y = profile.offset_m[filled], profile.rate_kg_ha[filled]
        axes.plot(x * length, y * rate, "X", ms=8, color="white", mec="black", label="filled between neighbours")
    mark_centre(axes)
    axes.axvline(profile.centre_m * length, color="black", lw=1, ls="-.", label="centre of the spread")
    axes.set(title="Catches and single-pass profile", xlabel=offset_label(system))
    axes.set_ylabel(f"Application rate ({rate_unit(result, system)})")
    axes.set_ylim(bottom=0)
    axes.legend(frameon=True, framealpha=0.85, edgecolor="none", loc="best")


def shown_bout(result: Assessment) -> tuple[str, float]:
    """The driving method and bout width that the deposit is drawn for: what is driven, else what would be best."""
    method = result.driving or BACK_AND_FORTH
    best = result.curves[method].best
    width = result.bout_width_m or result.effective_width_m(method) or (best[0] if best else None)
    return method, width or float(result.scans[method].width_m[-1])


def draw_deposit(axes: Axes, result: Assessment, system: str = "metric") -> None:
    """The overlapped deposit over three bouts, with the share of every pass."""
    method, width = shown_bout(result)
    length, rate = scales(result, system)
    half, profile = _BOUTS_SHOWN * width / 2, result.profile
    edges = np.append(bout_deposit(profile, np.array([width]), method).start_m, width / 2)
    turned = -edges if method == BACK_AND_FORTH else edges
    x = np.unique(np.concatenate((turned - width, edges, turned + width)))  # where the deposit bends
    if profile.tails == CUT:  # both sides of each place where it may step
        step = 2 * SAME_PLACE * profile.spacing_m
        x = np.unique(np.concatenate((x - step, x + step)))
    if len(x) > _MOST_PLACES:
        x = np.linspace(-half, half, _MOST_PLACES)
    numbers, shares = deposit_shares(profile, x, width, method)
    shades = [_SHADES[int(number) % 2] for number in numbers]
    areas = axes.stackplot(x * length, shares * rate, colors=shades, edgecolor="#555555", lw=0.6)
    for area, number in zip(areas, numbers, strict=True):
        area.set_hatch("///" if number % 2 else "")
    total = shares.sum(axis=0) * rate
    mean = profile.area_kg_ha_m / width * rate
    axes.plot(x * length, total, color="black", lw=2, label="overlapped deposit")
    if not result.tail_curves:  # else the mean rests on what fell beyond the end trays
        axes.axhline(mean, color=BLUE, lw=1, ls="--", label=f"mean {mean:.4g} {rate_unit(result, system)}")
    axes.set_ylim(0, 1.25 * float(total.max()))
    for number in range(-1, 2):
        way = "↓" if method == BACK_AND_FORTH and number % 2 else "↑"
        place = (number * width * length, 1.14 * float(total.max()))
        axes.annotate(f"{way} {_NEIGHBOURS[number + 1]}", place, ha="center", va="center", fontsize=8)
    for edge in (-0.5, 0.5):
        axes.axvline(edge * width * length, color=GREY, lw=1, ls=":")
    axes.set(xlabel=offset_label(system), ylabel=f"Application rate ({rate_unit(result, system)})")
    axes.set(title=f"Overlapped deposit at a bout width of {show_width(width, system)}, {method}")
    axes.set_xlim(-half * length, half * length)
    axes.legend(frameon=True, framealpha=0.85, loc="lower right")


def draw_widths(axes: Axes, result: Assessment, system: str = "metric") -> None:
    """CV over every bout width for both driving methods, with CV by trays as points at whole tray spacings.

    The axis shows the lowest CVs and those at the width driven, also where none comes near the limit.
    """
    length, lowest, highest = scales(result, system)[0], np.inf, result.limit_pct
    for method, scan in result.scans.items():
        curve, style = result.curves[method], LINE[method]
        widths = np.union1d(curve.width_m, scan.width_m)
        cv = curve.cv_of(widths)
        effective = result.effective_width_m(method)
        label = f"{method}: effective width {effective_words(result, method, system)}"
        axes.plot(widths * length, cv, color=style["color"], ls=style["ls"], label=label)
        whole = result.whole_spacings(scan.width_m)
        if whole.sum() <= _MOST_POINTS:
            points = "points: CV by trays at whole spacings" if method == METHODS[0] else None
            axes.plot(scan.width_m[whole] * length, scan.cv_trays_pct[whole], style["marker"], ms=4, mfc="white",
                      mec=style["color"], label=points)  # fmt: skip
        lowest = min(lowest, float(np.nanmin(cv, initial=np.inf)))
        highest = max(highest, float(np.nanmax(cv, initial=0)))
        if effective is not None and not result.tail_curves:
            axes.axvline(effective * length, color=style["color"], ls=style["ls"], lw=1)
    mark_limit(axes, result.limit_pct)
    mark_driven(axes, result.bout_width_m, system)
    part = "the worst part, scaled to one limit" if result.blend else "what trays read on average"
    axes.set(xlabel=f"Bout width ({shown_unit('length', system)})", ylabel=f"CV (%): {part}")
    driven = [bout.cv_pct for bout in result.bouts.values() if bout.cv_pct > 0]
    axes.set_ylim(0, min(highest * 1.05, max(4 * result.limit_pct, 40.0, 1.6 * lowest, *(1.2 * cv for cv in driven))))
    legend_above(axes, "CV against bout width")
