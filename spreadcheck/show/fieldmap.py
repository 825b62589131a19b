"""The picture and the web page of a field map: rate bands, boundary, track, numbered spots, scale bar, north."""

from __future__ import annotations

import base64
import struct
import zlib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

import numpy as np

from spreadcheck.field.case import FieldCase, FieldStudy
from spreadcheck.field.deposit import ARC
from spreadcheck.field.fieldmap import BANDS_PCT, NEAR_PCT, SHARES, FieldMap
from spreadcheck.field.places import rings_of
from spreadcheck.field.study import Worth
from spreadcheck.show.document import Place
from spreadcheck.show.field import field_document, length_words, way_words
from spreadcheck.show.html import document_html, web_part
from spreadcheck.show.plots import plain, plain_style
from spreadcheck.show.verdict import to_hand_over
from spreadcheck.units import from_inside, show, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


COLOURS = ("#ffffff", "#ffe9a8", "#f6b85a", "#86a89b", "#3f6f8f", "#14213d")  # each at least 35 of 255 darker in grey
BAND_NAMES = ("nil", "under half", "under", "near the target", "over", "far over")
INK, TRACK = "#000000", "#555555"
_MOST_ROWS = 1500  # of a picture: more can't be told apart


def band_labels(target_kg_ha: float, system: str, *, relative: bool = False) -> list[str]:
    """The legend: name, share of the target and rates of each band."""
    labels = []
    unit = shown_unit("rate", system)
    for name, low, high in zip(BAND_NAMES, BANDS_PCT[:-1], BANDS_PCT[1:], strict=True):
        ends = [from_inside(share / 100 * target_kg_ha, unit, "rate") for share in (low, high)]
        if np.isinf(high):
            share, rates = f"above {low:.0f} %", f"above {ends[0]:.0f} {unit}"
        elif low == 0:
            share, rates = f"below {high:.0f} %", f"below {ends[1]:.0f} {unit}"
        else:
            share, rates = f"{low:.0f} to {high:.0f} %", f"{ends[0]:.0f} to {ends[1]:.0f} {unit}"
        labels.append(f"{name}: {share}" if relative else f"{name}: {share} ({rates})")
    return labels


@plain_style()
def field_figure(study: FieldStudy, system: str = "metric") -> Figure:
    """The map with its legend and spots, and beside it where the two landing models disagree.

    Parameters
    ----------
    study : FieldStudy
        The study; its first case is drawn. [-]
    system : str
        "metric" or "us". [-]

    Returns
    -------
    matplotlib.figure.Figure
        The figure. [-]

    Examples
    --------
    >>> field_figure.__name__  # a picture is in docs/field.md
    'field_figure'
    """
    from matplotlib.figure import Figure
    from matplotlib.patches import Patch

    west, south, east, north = study.case.ground.polygon.bounds
    high = min(max(5.2 * (north - south) / (east - west) + 2.2, 5.6), 9.5)
    figure = Figure(figsize=(8.5, high), layout="constrained")
    grid = figure.add_gridspec(3, 2, width_ratios=(1.8, 1), height_ratios=(1, 1, 1.5))
    axes, side = figure.add_subplot(grid[:, 0]), figure.add_subplot(grid[2, 1])
    words, named = figure.add_subplot(grid[0, 1]), figure.add_subplot(grid[1, 1])
    found = study.case.found
    title = f"{plain(study.name)}: field CV {found.field_cv_pct:.1f} %"
    inner = found.interior_cv_pct
    under = f"interior {inner:.1f} %, edge {found.edge_cv_pct:.1f} %" if inner is not None else "all of it is edge"
    figure.suptitle(f"{title}\n{under}; {way_words(study.case, study.cases, system)}", x=0.01, ha="left",
                    fontsize=11, fontweight="normal")  # fmt: skip
    draw_map(axes, study, system)
    relative = study.assessment.profile.relative and not study.target_known
    labels = band_labels(study.target_kg_ha, system, relative=relative)
    patches = [
        Patch(facecolor=colour, edgecolor=INK, linewidth=0.6, hatch="////" if number == 0 else None, label=label)
        for number, (colour, label) in enumerate(zip(COLOURS, labels, strict=True))
    ][::-1]
    words.axis("off")
    words.legend(handles=patches, loc="upper left", fontsize=7, title="Rate and share of the target",
                 title_fontsize=8, borderaxespad=0, alignment="left")  # fmt: skip
    spots = "\n".join(f"{spot.number}  {plain(spot.name)}: {_times(spot.times)}" for spot in study.spots)
    named.axis("off")
    named.text(0, 1, f"Heaviest and lightest places\n{spots}" if spots else "", fontsize=7, va="top")
    _draw_difference(side, study)
    model = "an arc of the throw" if study.landing.model == ARC else "a line behind"
    figure.supxlabel(
        f"Cells of {length_words(found.raster.cell_m, system)}; granules land on {model}, "
        f"{length_words(study.landing.distance_m, system)}. An estimate for advice, never a permit: keep "
        "distances to water by local rules.",
        fontsize=7,
    )
    return figure


def _times(times: float) -> str:
    return f"{times:.1f} times the target" if times >= 0.05 else "nothing"


def thinned(found: FieldMap, most: int = _MOST_ROWS) -> tuple[Any, tuple[float, float, float, float]]:
    """The rates in % of the target and their extent, means of blocks where there are more cells than dots."""
    rates = 100 * found.rate_kg_ha / found.target_kg_ha
    every = -(-max(rates.shape) // most)
    if every > 1:
        rows, columns = (size // every * every for size in rates.shape)
        blocks = rates[:rows, :columns].reshape(rows // every, every, columns // every, every)
        rates = blocks.mean(axis=(1, 3))
    west, _, south, _ = found.raster.extent_m
    cell = found.raster.cell_m * every
    return rates, (west, west + rates.shape[1] * cell, south, south + rates.shape[0] * cell)


def draw_map(axes: Axes, study: FieldStudy, system: str) -> None:
    """The map itself."""
    from matplotlib.colors import BoundaryNorm, ListedColormap

    found = study.case.found
    rates, extent = thinned(found)
    norm = BoundaryNorm([*BANDS_PCT[:-1], 1e9], len(COLOURS))
    axes.imshow(
        np.ma.masked_less_equal(rates, 0.0), origin="lower", extent=extent, cmap=ListedColormap(COLOURS), norm=norm,
        interpolation="nearest",
    )  # fmt: skip
    inside = np.zeros(found.inside.shape)
    inside[found.inside & (100 * found.rate_kg_ha / found.target_kg_ha < BANDS_PCT[1])] = 1.0
    if inside.any():
        hatched = axes.contourf(*found.raster.centres_m, inside, levels=[0.5, 1.5], colors="none", hatches=["////"])
        hatched.set_linewidth(0)
    for line in (line for leg in study.case.legs for line in leg.open_lines):
        axes.plot(*line.T, color=TRACK, lw=0.5, alpha=0.8)
    polygon = study.case.ground.polygon
    for ring in rings_of(polygon):
        axes.plot(*ring.T, color=INK, lw=1.8)
    for spot in study.spots:
        axes.text(
            spot.x_m, spot.y_m, str(spot.number), fontsize=8, ha="center", va="center", fontweight="bold",
            bbox={"boxstyle": "circle,pad=0.25", "facecolor": "white", "edgecolor": INK, "linewidth": 1},
        )  # fmt: skip
    _frame(axes, polygon, system)


def _frame(axes: Axes, polygon: Any, system: str) -> None:
    """Limits, scale bar and north; the numbers of the axes would tell nobody anything."""
    west, south, east, north = polygon.bounds
    size = max(east - west, north - south)
    room = min(0.08 * size + 12, 60)
    axes.set_xlim(west - room, east + room)
    axes.set_ylim(south - room - 0.09 * size, north + room)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)
    long, said = scale_bar(size, system)
    low = south - room - 0.05 * size
    axes.plot([west, west + long], [low, low], color=INK, lw=3, solid_capstyle="butt")
    axes.text(west + long / 2, low + 0.012 * size, said, ha="center", va="bottom", fontsize=8)
    tip = low + 0.06 * size
    axes.annotate("", xy=(east, tip), xytext=(east, low), arrowprops={"arrowstyle": "-|>", "color": INK, "shrinkB": 0})
    axes.text(east, tip, "N", ha="center", va="bottom", fontsize=9)


def scale_bar(size_m: float, system: str) -> tuple[float, str]:
    """A round length of at most a quarter of a field, in metres and in words."""
    unit = shown_unit("length", system)
    wanted = from_inside(size_m / 4, unit, "length")
    nice = max((step * 10**power for power in range(5) for step in (1, 2, 5) if step * 10**power <= wanted), default=1)
    return nice * size_m / 4 / wanted, f"{nice:g} {unit}"


def _draw_difference(axes: Axes, study: FieldStudy) -> None:
    """Where the other landing model gives another rate by more than 15 % of the target."""
    other = study.other
    axes.set_aspect("equal")
    axes.axis("off")
    differ = other.differs
    if differ is not None and differ.any():
        west, east, south, north = other.found.raster.extent_m
        axes.imshow(
            np.ma.masked_equal(differ.astype(float), 0), origin="lower", extent=(west, east, south, north), cmap="gray",
            vmin=-1, vmax=2, interpolation="nearest",
        )  # fmt: skip
    for ring in rings_of(study.case.ground.polygon):
        axes.plot(*ring.T, color=INK, lw=1)
    model = "an arc" if other.landing.model == ARC else "a line"
    axes.set_title(
        f"Grey: {other.differ_pct:.1f} % of the field gets more than\n{NEAR_PCT:.0f} % of the target more or less if "
        f"granules\nland on {model} instead (field CV {other.field_cv_pct:.1f} %)",
        fontsize=7, loc="left",
    )  # fmt: skip


_ROWS = 700  # of the picture on the page


def field_page(
    study: FieldStudy, steps: Sequence[tuple[float, FieldCase]], system: str = "metric", *, worth: Sequence[Worth] = ()
) -> str:
    """The study as one page, complete in itself, with a slider over the steps of switching."""
    document = to_hand_over(field_document(study, system, worth=worth, front=(Place("map"),)), study.doubts, system)
    start = next(number for number, (later, _) in enumerate(steps) if not later)
    relative = study.assessment.profile.relative and not study.target_known
    labels = band_labels(study.target_kg_ha, system, relative=relative)
    places = {"map": _map_svg(study, len(steps), start, labels, system)}
    data = {"steps": [_step(later, case, system) for later, case in steps]}
    return document_html(document, places=places, script=web_part("field.js"), data=data)


def _step(later_m: float, case: FieldCase, system: str) -> dict[str, Any]:
    """What the slider shows at one place: the picture and its figures, in words."""
    found = case.found
    moved = "as in the figures above" if not later_m else f"{show(abs(later_m), 'length', system, digits=0)} "
    moved += "" if not later_m else ("later" if later_m > 0 else "earlier")
    shares = ", ".join(f"{name} {found.share_pct[name]:.1f} %" for name in SHARES)
    words = f"Slide switched {moved}: field CV {found.field_cv_pct:.1f} %; {shares}; outside "
    return {"image": _png_url(found), "words": words + show(found.outside_kg, "mass", system)}


def _png_url(found: FieldMap) -> str:
    """The rate bands as a picture of few colours, rows from the north, clear where nothing falls."""
    rates, _ = thinned(found, _ROWS)
    band = np.searchsorted(np.array(BANDS_PCT[1:-1]), rates, "right") + 1
    band[rates <= 0] = 0
    rows = np.pad(band[::-1].astype(np.uint8), ((0, 0), (1, 0)))  # each row starts with its filter, none
    colours = b"\xff\xff\xff" + b"".join(bytes.fromhex(colour[1:]) for colour in COLOURS)
    size = struct.pack(">IIBBBBB", band.shape[1], band.shape[0], 8, 3, 0, 0, 0)
    parts = ((b"IHDR", size), (b"PLTE", colours), (b"tRNS", b"\0"), (b"IDAT", zlib.compress(rows.tobytes(), 9)))
    content = b"".join(
        struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        for name, body in (*parts, (b"IEND", b""))
    )
    return "data:image/png;base64," + base64.b64encode(b"\x89PNG\r\n\x1a\n" + content).decode()


def _map_svg(study: FieldStudy, steps: int, start: int, labels: Sequence[str], system: str) -> str:
    """Picture, boundary, spots and legend as SVG in metres, and the slider; words are escaped here."""
    found = study.case.found
    _, (west, east, south, north) = thinned(found, _ROWS)
    polygon = study.case.ground.polygon
    low_x, low_y, high_x, high_y = polygon.bounds
    room = 0.06 * max(high_x - low_x, high_y - low_y) + 10
    box = (low_x - room - west, north - high_y - room, high_x - low_x + 2 * room, high_y - low_y + 3 * room)
    size = max(box[2:])
    long, said = scale_bar(size, system)
    left, right, below = low_x - west, high_x - west, north - low_y + 1.2 * room
    marks = (
        f'<path d="M{left:.1f},{below:.1f} h{long:.1f}" stroke="{INK}" stroke-width="{size / 120:.2f}"/>'
        f'<text x="{left + long / 2:.1f}" y="{below - size / 80:.1f}" font-size="{size / 32:.1f}" '
        f'text-anchor="middle">{escape(said)}</text><path d="M{right:.1f},{below:.1f} v{-0.6 * room:.1f} '
        f'l{-size / 120:.1f},{size / 60:.1f} m{size / 120:.1f},{-size / 60:.1f} l{size / 120:.1f},{size / 60:.1f}" '
        f'fill="none" stroke="{INK}" stroke-width="{size / 300:.2f}"/><text x="{right + size / 60:.1f}" '
        f'y="{below:.1f}" font-size="{size / 32:.1f}">N</text>'
    )
    outline = " ".join(f"{_path(ring, west, north)} Z" for ring in rings_of(polygon))
    drives = " ".join(_path(line, west, north) for leg in study.case.legs for line in leg.open_lines)
    spots = "".join(
        f'<circle cx="{spot.x_m - west:.1f}" cy="{north - spot.y_m:.1f}" r="{size / 45:.1f}" fill="#fff" '
        f'stroke="{INK}" stroke-width="{size / 400:.2f}"/>'
        f'<text x="{spot.x_m - west:.1f}" y="{north - spot.y_m + size / 90:.1f}" '
        f'font-size="{size / 32:.1f}" text-anchor="middle">{spot.number}</text>'
        for spot in study.spots
    )
    legend = "".join(
        f'<li><svg width="18" height="14" aria-hidden="true"><rect width="18" height="14" fill="{colour}" '
        f'stroke="{INK}"/></svg> {escape(label)}</li>'
        for colour, label in reversed(list(zip(COLOURS, labels, strict=True)))
    )
    return (
        f'<figure><svg viewBox="{" ".join(f"{value:.1f}" for value in box)}" role="img" aria-label="Map of the field">'
        f'<image id="field-map" href="{_png_url(found)}" x="0" y="0" width="{east - west:.1f}" '
        f'height="{north - south:.1f}" preserveAspectRatio="none" image-rendering="pixelated"/>'
        f'<path d="{drives}" fill="none" stroke="{TRACK}" stroke-width="{size / 900:.2f}"/>'
        f'<path d="{outline}" fill="none" stroke="{INK}" stroke-width="{size / 250:.2f}"/>{spots}{marks}</svg>'
        f'<p><label for="field-switch">Slide opened and shut earlier or later</label><br>'
        f'<input type="range" id="field-switch" min="0" max="{steps - 1}" step="1" value="{start}"></p>'
        f'<p id="field-words" aria-live="polite"></p></figure><ul>{legend}</ul>'
    )


def _path(points: Any, west: float, north: float) -> str:
    """A line as the path of an SVG, to the decimetre."""
    return "M" + " L".join(f"{x - west:.1f},{north - y:.1f}" for x, y in points)
