"""The picture and the web page of a field map: rate bands, boundary, track, numbered spots, scale bar, north."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.field.deposit import ARC
from spreadcheck.field.fieldmap import BANDS_PCT, NEAR_PCT, FieldMap
from spreadcheck.field.places import rings_of
from spreadcheck.field.study import FieldCase, FieldStudy, Worth
from spreadcheck.show.document import Place
from spreadcheck.show.field import field_document, length_words, share_words, times_words, way_words
from spreadcheck.show.pages import document_html, from_template, web_part
from spreadcheck.show.plots import plain, plain_style
from spreadcheck.show.verdict import to_hand_over
from spreadcheck.units import from_inside, show, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


COLOURS = ("#ffffff", "#ffe9a8", "#f6b85a", "#86a89b", "#3f6f8f", "#14213d")  # each at least 35 of 255 darker in grey
BAND_NAMES = ("nil", "under half", "under", "near the target", "over", "far over")
INK, TRACK = "#000000", "#555555"
_MOST_ROWS, _PAGE_ROWS = 1500, 700  # of a picture, of one on the page: more can't be told apart


def _legend(study: FieldStudy, system: str) -> list[tuple[str, str]]:
    """Colour of each band, the highest first, with its name, share of the target and rates."""
    labels = []
    unit = shown_unit("rate", system)
    for name, low, high in zip(BAND_NAMES, BANDS_PCT[:-1], BANDS_PCT[1:], strict=True):
        ends = [from_inside(share / 100 * study.case.found.target_kg_ha, unit, "rate") for share in (low, high)]
        if np.isinf(high):
            share, rates = f"above {low:.0f} %", f"above {ends[0]:.0f} {unit}"
        elif low == 0:
            share, rates = f"below {high:.0f} %", f"below {ends[1]:.0f} {unit}"
        else:
            share, rates = f"{low:.0f} to {high:.0f} %", f"{ends[0]:.0f} to {ends[1]:.0f} {unit}"
        labels.append(f"{name}: {share}" if study.in_proportion else f"{name}: {share} ({rates})")
    return list(zip(COLOURS, labels, strict=True))[::-1]


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
    _draw_map(axes, study, system)
    patches = [
        Patch(facecolor=colour, edgecolor=INK, linewidth=0.6, hatch="////" * (colour == COLOURS[0]), label=label)
        for colour, label in _legend(study, system)
    ]
    words.axis("off")
    words.legend(handles=patches, loc="upper left", fontsize=7, title="Rate and share of the target",
                 title_fontsize=8, borderaxespad=0, alignment="left")  # fmt: skip
    told = ["Heaviest and lightest places, times the target"] if study.spots else []
    told += [f"{spot.number}  {plain(spot.name)}: {times_words(spot)}" for spot in study.spots]
    named.axis("off")
    named.text(0, 1, "\n".join(told), fontsize=7, va="top")
    _draw_difference(side, study)
    model = "an arc of the throw" if study.landing.model == ARC else "a line behind"
    figure.supxlabel(
        f"Cells of {length_words(found.raster.cell_m, system)}; granules land on {model}, "
        f"{length_words(study.landing.distance_m, system)}. An estimate for advice, never a permit: keep "
        "distances to water by local rules.",
        fontsize=7,
    )
    return figure


def _thinned(found: FieldMap, most: int) -> tuple[Any, tuple[float, float, float, float]]:
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


def _draw_map(axes: Axes, study: FieldStudy, system: str) -> None:
    """The map itself."""
    from matplotlib.colors import BoundaryNorm, ListedColormap

    found = study.case.found
    rates, extent = _thinned(found, _MOST_ROWS)
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
    # limits, scale bar and north; the numbers of the axes would tell nobody anything
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
    long, said = _scale_bar(size, system)
    low = south - room - 0.05 * size
    axes.plot([west, west + long], [low, low], color=INK, lw=3, solid_capstyle="butt")
    axes.text(west + long / 2, low + 0.012 * size, said, ha="center", va="bottom", fontsize=8)
    tip = low + 0.06 * size
    axes.annotate("", xy=(east, tip), xytext=(east, low), arrowprops={"arrowstyle": "-|>", "color": INK, "shrinkB": 0})
    axes.text(east, tip, "N", ha="center", va="bottom", fontsize=9)


def _scale_bar(size_m: float, system: str) -> tuple[float, str]:
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
    model = "an arc" if other.found.landing.model == ARC else "a line"
    axes.set_title(
        f"Grey: {other.differ_pct:.1f} % of the field gets more than\n{NEAR_PCT:.0f} % of the target more or less if "
        f"granules\nland on {model} instead (field CV {other.found.field_cv_pct:.1f} %)",
        fontsize=7, loc="left",
    )  # fmt: skip


def field_page(
    study: FieldStudy, steps: Sequence[tuple[float, FieldCase]], system: str = "metric", *, worth: Sequence[Worth] = ()
) -> str:
    """The study as one page, complete in itself, with a slider over the steps of switching."""
    told = []
    for later, case in steps:
        by = show(abs(later), "length", system, digits=0)
        moved = f"{by} {'later' if later > 0 else 'earlier'}" if later else "as in the figures above"
        words = f"Slide switched {moved}: field CV {case.found.field_cv_pct:.1f} %; {share_words(case.found)}; outside "
        told.append({"image": _png_url(case.found), "words": words + show(case.found.outside_kg, "mass", system)})
    start = [later for later, _ in steps].index(0.0)
    own = _map_part(study, len(steps), start, system), web_part("field.js"), {"steps": told}
    document = field_document(study, system, worth=worth, front=(Place("map", lambda: own),))
    return document_html(to_hand_over(document, study.doubts, system))


def _png_url(found: FieldMap) -> str:
    """The rate bands as a picture of few colours, rows from the north, clear where nothing falls."""
    from PIL import Image

    rates, _ = _thinned(found, _PAGE_ROWS)
    band = np.searchsorted(np.array(BANDS_PCT[1:-1]), rates, "right") + 1
    band[rates <= 0] = 0
    picture = Image.fromarray(band[::-1].astype(np.uint8))
    picture.putpalette(bytes.fromhex("".join(("ffffff", *(colour[1:] for colour in COLOURS)))))
    content = io.BytesIO()
    picture.save(content, "png", optimize=True, transparency=0)
    return "data:image/png;base64," + base64.b64encode(content.getvalue()).decode()


def _map_part(study: FieldStudy, steps: int, start: int, system: str) -> str:
    """Picture, boundary, spots and legend in metres from the north-west corner, and the slider."""
    case = study.case
    _, (west, east, south, north) = _thinned(case.found, _PAGE_ROWS)
    low_x, low_y, high_x, high_y = case.ground.polygon.bounds
    room = 0.06 * max(high_x - low_x, high_y - low_y) + 10
    box = (low_x - room - west, north - high_y - room, high_x - low_x + 2 * room, high_y - low_y + 3 * room)
    long, said = _scale_bar(max(box[2:]), system)

    def placed(line: Any) -> Any:
        return ((np.asarray(line) - (west, north)) * (1, -1)).tolist()

    return from_template(
        "fieldmap.html", image=_png_url(case.found), width=east - west, height=north - south, box=box,
        size=max(box[2:]), room=room, left=low_x - west, right=high_x - west, low=north - low_y + 1.2 * room,
        long=long, said=said, outline=map(placed, rings_of(case.ground.polygon)),
        drives=[placed(line) for leg in case.legs for line in leg.open_lines],
        spots=[(spot.x_m - west, north - spot.y_m, spot.number) for spot in study.spots],
        ink=INK, track=TRACK, legend=_legend(study, system), steps=steps, start=start,
    )  # fmt: skip
