"""A field map: its document, its plain data, its picture, and the page on which the switching can be moved."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.doubts.doubt import warnings_data
from spreadcheck.field.deposit import ARC, Landing
from spreadcheck.field.fieldmap import BANDS_PCT, NEAR_PCT, NIL_PCT, SHARES, FieldMap
from spreadcheck.field.places import rings_of
from spreadcheck.field.study import DRAWS, LEVEL_PCT, FieldCase, FieldStudy, Worth
from spreadcheck.show.data import envelope, form_data, picked
from spreadcheck.show.document import (
    Answer,
    Block,
    Column,
    Document,
    Heading,
    Note,
    Paragraph,
    Picture,
    Place,
    Points,
    Table,
)
from spreadcheck.show.format import show_figure
from spreadcheck.show.pages import document_html, template, web_part
from spreadcheck.show.plots import drawn, plain, plain_style
from spreadcheck.show.verdict import to_hand_over
from spreadcheck.units import counted, from_inside, show, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

CAUTION = Note(
    "Caution",
    "The map is an estimate for advice, never a permit. It holds for product, setting and weather of the tray test.",
    (
        "Keep the distances to water courses, hedges and neighbours that local rules and the product label ask for.",
        "Stop discs and engine before anyone goes near the spreader; the machine maker's manual says how.",
    ),
)
COLOURS = ("#ffffff", "#ffe9a8", "#f6b85a", "#86a89b", "#3f6f8f", "#14213d")  # each at least 35 of 255 darker in grey
BAND_NAMES = ("nil", "under half", "under", "near the target", "over", "far over")
INK, TRACK = "#000000", "#555555"
SPOTS = "Heaviest and lightest places"
_MOST_ROWS, _PAGE_ROWS = 1500, 700  # of a picture, of one on the page: more can't be told apart
_PICTURE = (
    "Rate on every {} cell in six bands from nil (white, hatched) to far over the target (dark); boundary, track, "
    "scale bar and north. The numbers are the places named below."
)


def field_document(
    study: FieldStudy, system: str = "metric", *, worth: Sequence[Worth] = (), page: Place | None = None
) -> Document:
    """The study as a document: answers first, then the map, what is heavy and light, ways compared, doubts.

    Parameters
    ----------
    study : FieldStudy
        The study. [-]
    system : str
        "metric" or "us". [-]
    worth : sequence of Worth
        Improvements, where they were asked for. [-]
    page : Place or None
        What a page sets in instead of the picture. [-]

    Returns
    -------
    Document
        The document, for any renderer. [-]

    Examples
    --------
    >>> field_document.__name__  # a whole one is in docs/field.md
    'field_document'
    """
    case, found = study.case, study.case.found
    words = _PICTURE.format(length_words(found.raster.cell_m, system))
    picture = Picture(f"What {study.name} gets", words, svg=drawn(field_figure, study, system), wide=True)
    blocks: list[Block] = [*_answers(study), page or picture, _masses(study, system)]
    if study.spots:
        blocks.append(Table((Column("place", align="left"), Column("times the target")), _spots(study), SPOTS))
    if study.headings:
        best, worst = (pick(study.headings, key=lambda pair: pair[1]) for pick in (min, max))
        told = (
            f"Of {len(study.headings)} headings looked at on coarse cells, {best[0]:g} degrees has the lowest field CV "
            f"({best[1]:.1f} %) and {worst[0]:g} degrees the highest ({worst[1]:.1f} %)."
        )
        blocks.append(Paragraph(told))
    if study.nutrients and not study.asked.part:
        rows = [
            {Column("part", align="left"): name, **_figures(part, system, "mean", "field CV", *SHARES)}
            for name, part in study.nutrients
        ]
        blocks.append(_table(rows, caption="Each part of the blend on its own map"))
    if len(study.cases) > 1:
        blocks += [Heading("Ways compared"), _ways(study, system)]
    if worth:
        blocks += [Heading("What better driving would be worth"), _worth(study, worth, system)]
    blocks += [Heading("How far to trust it"), Points(tuple(_trust(study, system))), CAUTION]
    about = f"{show(case.ground.polygon.area, 'area', system)}, with the tray test {study.test.name}"
    return Document(f"Field map: {study.name}", tuple(blocks), about=(about, _driven(study, system)))


def length_words(metres: float, system: str) -> str:
    """A length to the decimetre, whole ones without the nought."""
    return show(metres, "length", system, digits=1).replace(".0 ", " ")


def _driven(study: FieldStudy, system: str) -> str:
    """How the field is driven, in one sentence."""
    case, width = study.case, length_words(study.case.bout_width_m, system)
    if case.plan is None:
        fixes = sum(len(leg.x_m) for leg in study.track.legs) if study.track else 0
        return (
            f"Recorded track of {fixes:,} fixes, judged at a bout width of {width}; {way_words(case, [case], system)}"
        )
    driving = case.plan.driving
    best = min(study.headings, key=lambda pair: pair[1], default=(None, 0.0))[0] == driving.heading_deg
    drift = f"; drift of {length_words(driving.drift_m, system)}" if driving.drift_m else ""
    return (
        f"Plan: {counted(driving.headland_rounds, 'headland round')} and {case.plan.bouts} "
        f"bouts of {width}, {driving.method}, heading {driving.heading_deg:g} degrees{' (the best looked at)' * best}; "
        f"the slide opens {length_words(driving.on_m, system)} and shuts {length_words(driving.off_m, system)} past "
        f"the inner edge of the headland{drift}{'; border device on the outermost round' * driving.border}"
    )


def _spots(study: FieldStudy) -> tuple[tuple[str, str], ...]:
    """Places and how many times the target they get, on the map as in the table; what rounds to none is nothing."""
    times = (f"{spot.times:.1f}" if spot.times >= 0.05 else "nothing" for spot in study.spots)
    return tuple((f"{spot.number}  {spot.name}", each) for spot, each in zip(study.spots, times, strict=True))


def _answers(study: FieldStudy) -> Iterator[Answer]:
    found, sure, inner = study.case.found, study.sure, study.case.found.interior_cv_pct
    further = f"between {sure[0]:.1f} and {sure[1]:.1f} %: one test can't tell it closer" if sure else ""
    yield Answer("Field CV", f"{found.field_cv_pct:.1f} %", further)
    if inner is not None:
        yield Answer("Interior", f"{inner:.1f} %", f"{found.interior_share_pct:.0f} % of the field, clear of the edge")
    edge = "headland, bout ends and boundary" if inner else "all of it"
    yield Answer("Edge", f"{found.edge_cv_pct:.1f} %", edge)
    near = f"nil: under {NIL_PCT:g} % of the target; near: within {NEAR_PCT:g} %"
    yield Answer("Of the field", _share_words(found), near)
    verdict = study.assessment.verdict
    yield Answer(
        "The tray test", verdict.state if verdict else "no bout width", "in an endless field at this bout width"
    )


def _share_words(found: FieldMap) -> str:
    return ", ".join(f"{name} {found.share_pct[name]:.1f} %" for name in SHARES)


def _table(rows: Sequence[dict[Column, str]], **more: Any) -> Table:
    """A table of rows that hold each cell under its column."""
    return Table(tuple(rows[0]), tuple(tuple(row.values()) for row in rows), **more)


def _masses(study: FieldStudy, system: str) -> Table:
    case, found, relative = study.case, study.case.found, study.in_proportion
    labels = {
        "metered": "metered",
        "outside": "outside the boundary",
        "excess": "above the target, where too much fell",
        "missing": "short of the target, where too little fell",
    }
    unit, each = shown_unit("rate", system), "a hectare" if system == "metric" else "an acre"
    rows = []
    for key, label in labels.items():
        mass = found.kg[key]
        all_of_it, rate = (None, None) if relative else (mass, mass / case.ground.area_ha)
        row = {
            Column("mass", align="left"): label,
            Column("all", shown_unit("mass", system)): show(all_of_it, "mass", system, unit=False),
            Column(each, unit): show(rate, "rate", system, unit=False),
            Column("of metered", "%"): show_figure(100 * mass / (found.metered_kg or math.nan)),
        }
        rows.append(row)
    target, mean = (show(rate, "rate", system) for rate in (found.target_kg_ha, found.mean_kg_ha))
    notes = []
    if case.hours is not None and study.track is None:
        notes.append(f"Driving takes {60 * case.hours:.0f} min with turns, without filling.")
    if case.yield_lost_t is not None:
        notes.append(f"Yield lost against an even dressing: {case.yield_lost_t:.2f} t on this field.")
    if case.total_cost is not None:
        notes.append(f"Priced together: {case.total_cost:.0f} {_currency(study)} on this field.".replace("  ", " "))
    if relative:
        notes.append("Rates are known in proportion only: 100 is the target.")
    caption = "Shares" if relative else f"Target {target}, mean in the field {mean}"
    return _table(rows, caption=caption, notes=tuple(notes))


def _figures(found: FieldMap, system: str, *heads: str) -> dict[Column, str]:
    """Figures of a map under their columns."""
    share = found.share_pct
    shares = {"field CV": found.field_cv_pct, "interior": found.interior_cv_pct, **share}
    every = {head: ("%", show_figure(figure)) for head, figure in shares.items()} | {
        "nil + under": ("%", show_figure(share["nil"] + share["under"])),
        "mean": (shown_unit("rate", system), show(found.mean_kg_ha, "rate", system, unit=False)),
        "outside": (shown_unit("mass", system), show(found.kg["outside"], "mass", system, unit=False)),
    }
    return {Column(head, every[head][0]): every[head][1] for head in heads}


def _currency(study: FieldStudy) -> str:
    return study.asked.basis.prices.currency if study.asked.basis else ""


def _ways(study: FieldStudy, system: str) -> Table:
    cases, rows = study.cases, []
    for case in cases:
        figures = _figures(case.found, system, "field CV", "interior", "nil + under", "over", "outside")
        row = {Column("way", align="left", share=0.34): way_words(case, cases, system), **figures}
        if all(each.hours is not None for each in cases):
            row[Column("driving", "min")] = f"{60 * (case.hours or 0):.0f}"
        if any(each.total_cost is not None for each in cases):
            row[Column("cost", _currency(study))] = show_figure(case.total_cost, digits=0)
        rows.append(row)
    return _table(rows)


def way_words(case: FieldCase, cases: Sequence[FieldCase], system: str = "metric") -> str:
    """What sets one way apart from the others it stands beside."""
    own, *told = (_way_parts(each, system) for each in (case, *cases))
    varied = [part for part, others in zip(own, zip(*told, strict=True), strict=True) if len(set(others)) > 1]
    return ", ".join(varied) or ("as planned" if case.plan is not None else own[1])


def _way_parts(case: FieldCase, system: str) -> tuple[str, ...]:
    driving, width = case.driving, length_words(case.bout_width_m, system)
    if driving is None:
        return width, f"switched {_moved(case.later_m, system)}" if case.later_m else "as driven"
    return (
        width,
        counted(driving.headland_rounds, "round"),
        driving.method,
        f"heading {driving.heading_deg:g}",
        f"on {length_words(driving.on_m, system)}",
        f"off {length_words(driving.off_m, system)}",
        f"drift {length_words(driving.drift_m, system)}" if driving.drift_m else "no drift",
        "border device" if driving.border else "no border device",
    )


def _moved(later_m: float, system: str) -> str:
    return f"{length_words(abs(later_m), system)} {'later' if later_m > 0 else 'earlier'}"


def _worth_words(worth: Worth, study: FieldStudy, system: str) -> str:
    """What an improvement is called, with the distance where all switching of a track is moved."""
    by = worth.case.later_m - study.case.later_m
    return worth.label if worth.case.plan is not None or not by else f"{worth.label} {_moved(by, system)}"


def _worth(study: FieldStudy, worth: Sequence[Worth], system: str) -> Table:
    rows, priced = [], any(each.saved_per_year is not None for each in worth)
    for each in worth:
        row = {
            Column("with", align="left"): _worth_words(each, study, system),
            **_figures(each.case.found, system, "field CV"),
            Column("less CV", "points"): f"{each.cv_less_pct:.1f}",
            Column("less wasted", shown_unit("rate", system)): show(each.wasted_less_kg_ha, "rate", system, unit=False),
        }
        if priced:
            row[Column("saved a year", _currency(study))] = show_figure(each.saved_per_year, digits=0)
        rows.append(row)
    unpriced = "Nothing is priced: give --prices and --product-price."
    return _table(rows, notes=("Without the cost of the improvement itself." if priced else unpriced,))


def _model(landing: Landing, system: str) -> str:
    shape, where = ("an arc", "about") if landing.model == ARC else ("a line", "behind")
    return f"{shape} {length_words(landing.distance_m, system)} {where} the antenna"


def _cells_words(study: FieldStudy, system: str) -> str:
    cell = length_words(study.case.found.raster.cell_m, system)
    return f"Cells of {cell}; granules land on {_model(study.landing, system)}."


def _trust(study: FieldStudy, system: str) -> Iterator[str]:
    other, found, sure = study.other, study.case.found, study.sure
    yield _cells_words(study, system)
    yield (
        f"On {_model(other.found.landing, system)} instead, {other.differ_pct:.1f} % of the field would differ by more "
        f"than {NEAR_PCT:g} % of the target: field CV {other.found.field_cv_pct:.1f} % against "
        f"{other.same_cell_cv_pct:.1f} %, both on cells of {length_words(other.found.raster.cell_m, system)}."
    )
    if study.asked.part:
        yield "The landing models and headings are compared for the whole catch."
    elif sure is None:
        yield "The noise of the trays is not known, so neither is its part in the field CV: weigh several passes."
    else:
        yield (
            f"The field CV of {found.field_cv_pct:.1f} % comes from one tray line. With its noise, and what one test "
            f"can't see, drawn {DRAWS} times, the true one lies between {sure[0]:.1f} and "
            f"{sure[1]:.1f} % ({LEVEL_PCT:g} %)."
        )
    if study.asked.target_kg_ha is None:
        yield "No target rate is known: the target is the mean of an endless field at the bout width."


def field_json(study: FieldStudy, worth: Sequence[Worth] = ()) -> dict[str, Any]:
    """The study as plain data, schema spreadcheck/field/1: SI throughout, keys carry their units.

    Parameters
    ----------
    study : FieldStudy
        The study. [-]
    worth : sequence of Worth
        Improvements, where they were asked for. [-]

    Returns
    -------
    dict
        Data that `json.dumps` takes; rates and masses are None where only proportions are known. [SI]

    Examples
    --------
    >>> field_json.__name__  # its keys are in docs/field.md
    'field_json'
    """
    about = form_data(study.test) | picked(study.test, "name source")  # these go before rows of that name
    return envelope("field/1", about, study.doubts, **_field_data(study, worth))


def _field_data(study: FieldStudy, worth: Sequence[Worth] = ()) -> dict[str, Any]:
    sure, relative = study.sure, study.in_proportion
    ways = [_case_data(each, study.cases, relative=relative) for each in study.cases]
    return {
        "field": study.name,
        "part": study.asked.part or None,
        **picked(
            study,
            "area_ha=case.ground.area_ha boundary_assumed=case.ground.assumed "
            "cell_m=case.found.raster.cell_m landing=landing.model landing_distance_m=landing.distance_m",
        ),
        "target_kg_ha": None if relative else study.case.found.target_kg_ha,
        "target_known": study.asked.target_kg_ha is not None,
        **ways[0],
        "field_cv_low_pct": sure and sure[0],
        "field_cv_high_pct": sure and sure[1],
        "spots": [picked(spot, "number name times_target=times x_m y_m") for spot in study.spots],
        "other_landing": picked(
            study.other,
            "landing=found.landing.model landing_distance_m=found.landing.distance_m cell_m=found.raster.cell_m "
            "field_cv_pct=found.field_cv_pct field_cv_of_shown_pct=same_cell_cv_pct differ_pct",
        ),
        "headings": [{"heading_deg": heading, "field_cv_pct": cv} for heading, cv in study.headings],
        "ways": ways,
        "nutrients": [
            {"name": name, **_map_data(found, relative=relative)}
            for name, found in study.nutrients
            if not study.asked.part
        ],
        "worth": [
            {
                "label": _worth_words(each, study, "metric"),
                **picked(each, "field_cv_pct=case.found.field_cv_pct wasted_less_kg_ha saved_per_ha saved_per_year"),
            }
            for each in worth
        ],
        "verdict": study.assessment.verdict,
    }


def fields_document(studies: Sequence[FieldStudy], system: str = "metric") -> Document:
    """Many fields side by side."""
    rows = [
        {
            Column("field", align="left"): study.name,
            Column("area", shown_unit("area", system)): show(case.ground.polygon.area, "area", system, unit=False),
            Column("heading", "deg"): f"{case.driving.heading_deg:g}" if case.driving else "-",
            **_figures(case.found, system, "field CV", "interior", *SHARES, "outside"),
        }
        for study, case in ((study, study.case) for study in studies)
    ]
    return Document(f"{len(studies)} fields with the tray test {studies[0].test.name}", (_table(rows), CAUTION))


def fields_json(studies: Sequence[FieldStudy]) -> dict[str, Any]:
    """Many fields as plain data: each with its own figures and warnings."""
    fields = [{**_field_data(study), "warnings": warnings_data(study.doubts)} for study in studies]
    about = form_data(studies[0].test) | picked(studies[0].test, "name source")
    return envelope("field/1", about, studies[0].assessment.doubts, fields=fields)


def _map_data(found: FieldMap, *, relative: bool) -> dict[str, Any]:
    masses = {"mean_kg_ha": found.mean_kg_ha, **{f"{key}_kg": mass for key, mass in found.kg.items()}}
    shares = picked(found, "field_cv_pct interior_cv_pct interior_share_pct edge_cv_pct share_pct")
    return shares | (dict.fromkeys(masses) if relative else masses)


def _case_data(case: FieldCase, cases: Sequence[FieldCase], *, relative: bool) -> dict[str, Any]:
    planned = (
        "headland_rounds=driving.headland_rounds heading_deg=driving.heading_deg on_distance_m=driving.on_m "
        "off_distance_m=driving.off_m driving=driving.method border_device=driving.border drift_m=driving.drift_m "
        "bouts turns_m=turn_m"
    )
    return {
        "way": way_words(case, cases),
        **picked(case, "bout_width_m spread_m"),
        **(picked(case.plan, planned) if case.plan else {"switched_later_m": case.later_m}),
        **_map_data(case.found, relative=relative),
        **picked(case, "driving_h=hours work_cost yield_lost_t yield_cost product_cost"),
    }


def _legend(study: FieldStudy, system: str) -> list[tuple[str, str]]:
    """Colour of each band, the highest first, with its name, share of the target and rates."""
    unit = shown_unit("rate", system)

    def span(low: float, high: float, unit: str) -> str:
        if np.isinf(high):
            return f"above {low:.0f} {unit}"
        return f"{low:.0f} to {high:.0f} {unit}" if low else f"below {high:.0f} {unit}"

    labels = []
    for name, low, high in zip(BAND_NAMES, BANDS_PCT[:-1], BANDS_PCT[1:], strict=True):
        least, most = (from_inside(share / 100 * study.case.found.target_kg_ha, unit, "rate") for share in (low, high))
        rates = "" if study.in_proportion else f" ({span(least, most, unit)})"
        labels.append(f"{name}: {span(low, high, '%')}{rates}")
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
    panels = figure.subplot_mosaic("ml;mn;ms", width_ratios=(1.8, 1), height_ratios=(1, 1, 1.5))
    words, named = panels["l"], panels["n"]
    found = study.case.found
    inner = found.interior_cv_pct
    under = f"interior {inner:.1f} %, edge {found.edge_cv_pct:.1f} %" if inner is not None else "all of it is edge"
    title = (
        f"{plain(study.name)}: field CV {found.field_cv_pct:.1f} %\n"
        f"{under}; {way_words(study.case, study.cases, system)}"
    )
    figure.suptitle(title, x=0.01, ha="left", fontsize=11, fontweight="normal")
    _draw_map(panels["m"], study, system)
    patches = [
        Patch(facecolor=colour, edgecolor=INK, linewidth=0.6, hatch="////" * (colour == COLOURS[0]), label=label)
        for colour, label in _legend(study, system)
    ]
    words.axis("off")
    words.legend(handles=patches, loc="upper left", fontsize=7, title="Rate and share of the target",
                 title_fontsize=8, borderaxespad=0, alignment="left")  # fmt: skip
    told = [f"{SPOTS}, times the target"] if study.spots else []
    told += [f"{plain(place)}: {times}" for place, times in _spots(study)]
    named.axis("off")
    named.text(0, 1, "\n".join(told), fontsize=7, va="top")
    _draw_difference(panels["s"], study, system)
    said = (
        f"{_cells_words(study, system)} An estimate for advice, never a permit: keep distances to water by local rules."
    )
    figure.supxlabel(said, fontsize=7)
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
    axes.axis("off")
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


def _draw_difference(axes: Axes, study: FieldStudy, system: str) -> None:
    """Where the other landing model gives another rate by more than 15 % of the target."""
    other = study.other
    axes.set_aspect("equal")
    axes.axis("off")
    if other.differs.any():
        west, east, south, north = other.found.raster.extent_m
        differs = np.ma.masked_equal(other.differs.astype(float), 0)
        axes.imshow(differs, "gray", vmin=-1, vmax=2, origin="lower", extent=(west, east, south, north),
                    interpolation="nearest")  # fmt: skip
    for ring in rings_of(study.case.ground.polygon):
        axes.plot(*ring.T, color=INK, lw=1)
    axes.set_title(
        f"Grey: {other.differ_pct:.1f} % of the field gets more than\n{NEAR_PCT:.0f} % of the target more or less if "
        f"granules\nland on {_model(other.found.landing, system)}\ninstead (field CV {other.found.field_cv_pct:.1f} %)",
        fontsize=7, loc="left",
    )  # fmt: skip


def field_page(
    study: FieldStudy, steps: Sequence[tuple[float, FieldCase]], system: str = "metric", *, worth: Sequence[Worth] = ()
) -> str:
    """The study as one page, complete in itself, with a slider over the steps of switching."""
    told = []
    for later, case in steps:
        found, moved = case.found, _moved(later, system) if later else "as in the figures above"
        outside = show(found.kg["outside"], "mass", system)
        words = f"{moved}: field CV {found.field_cv_pct:.1f} %; {_share_words(found)}; outside {outside}"
        told.append({"image": _png_url(found), "words": f"Slide switched {words}"})
    start = [later for later, _ in steps].index(0.0)
    own = _map_part(study, len(steps), start, system), web_part("field.js"), {"steps": told}
    document = field_document(study, system, worth=worth, page=Place("map", lambda: own))
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

    return template("fieldmap.html")(image=_png_url(case.found), width=east - west, height=north - south, box=box,
        size=max(box[2:]), room=room, left=low_x - west, right=high_x - west, low=north - low_y + 1.2 * room,
        long=long, said=said, outline=map(placed, rings_of(case.ground.polygon)),
        drives=[placed(line) for leg in case.legs for line in leg.open_lines],
        spots=[(spot.x_m - west, north - spot.y_m, spot.number) for spot in study.spots],
        ink=INK, track=TRACK, legend=_legend(study, system), steps=steps, start=start,
    )  # fmt: skip
