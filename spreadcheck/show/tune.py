"""The best setting: as a document with the answer first, as a picture, and as plain data."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.improve.tune import BEYOND, CLEAR, LOWEST, UNCLEAR, WIDEST, Answer, Tuning
from spreadcheck.show.compare import doubt_blocks, names_of, sheet_json
from spreadcheck.show.data import envelope
from spreadcheck.show.document import Block, Column, Document, Heading, Note, Paragraph, Picture, Points, Table
from spreadcheck.show.format import rate_unit, show_figure, show_width
from spreadcheck.show.plots import mark_centre, offset_label, plain, plain_style, scales
from spreadcheck.units import from_inside, show, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.tri import TriContourSet

_INK, _BAND, _SECOND = "#1b4f72", "#d9d9d9", "#c0651a"
_CAUTION = (
    "Nothing is said beyond the settings tested. Change a setting only as the machine maker's manual says, with hopper "
    "and discs stopped and locked out; keep people well clear of turning discs."
)
_CAUTION_SPEED = "The manual and the crush strength of the granules set the highest speed."


def tuning_document(found: Tuning, system: str = "metric", *, svg: str = "") -> Document:
    """The answers, the tests, what one goal costs the other, and what the answers rest on; for paper with a picture."""
    blocks: list[Block] = []
    if found.left_out:
        names = names_of((*found.results, *found.left_out))[len(found.results) :]
        told = zip(names, found.left_out, strict=True)
        named = "; ".join(f"{name}: {', '.join(one.blocking)}" for name, one in told)
        words = f"Left out, for they can't be judged. {named}. Put them right first: they may change the answer."
        blocks.append(Note("Doubt", words))
    for one in (found.cv, found.width):
        if one is not None:
            blocks += [Paragraph(_best(found, one, system), "strong"), Points(tuple(_standing(found, one, system)))]
    blocks.append(_tests(found, system))
    if len(found.trade_off) > 1:
        heads = [Column(one.label, one.unit) for one in found.settings]
        heads += [Column(f"CV at {show_width(found.bout_width_m, system)}", "%")]
        heads += [Column("effective width", shown_unit("length", system))]
        rows = [
            (
                *(one.number(value) for one, value in zip(found.settings, setting, strict=True)),
                show_figure(cv),
                show(width, "length", system, unit=False, digits=1),
            )
            for setting, cv, width in found.trade_off
        ]
        blocks.append(Table(tuple(heads), tuple(rows), "What a wider spread costs in CV, from the model"))
    blocks += [Heading("What this rests on"), Points(tuple(_notes(found, system)), small=True)]
    speed = any(one.unit == "rpm" for one in found.settings)
    blocks.append(Note("Caution", f"{_CAUTION} {_CAUTION_SPEED}" if speed else _CAUTION))
    if svg:
        words = " ".join(_best(found, one, system) for one in (found.cv, found.width) if one is not None)
        picture = Picture("Profiles, CV and width over the setting", words, svg, wide=True)
        blocks += [*doubt_blocks((*found.results, *found.left_out), system), picture]
    ends = [
        f"{f'{one.label} ' if len(found.settings) > 1 else ''}{low:.6g} to {one.typed(high)}"
        for one, low, high in zip(found.settings, found.value.min(axis=0), found.value.max(axis=0), strict=True)
    ]
    settings = len(np.unique(found.value, axis=0))
    about = [f"{len(found.results)} tests at {settings} settings, {', '.join(ends)}"]
    machines = dict.fromkeys(result.test.text("machine") for result in found.results)
    about.append(", ".join(word for word in (*found.products, *machines) if word))
    if found.highest_rpm is not None:
        about.append(f"Highest speed that the granules allow: {show(found.highest_rpm, 'turning speed')}")
    return Document(f"The best {_labels(found)}", tuple(blocks), about=tuple(line for line in about if line))


def next_words(found: Tuning, sheet: str) -> str:
    """Which setting goes into the sheet of the next test, and why."""
    one = found.main
    if one is None:
        return f"{sheet} gets no setting: none is best."
    goal = "the lowest CV" if one.goal == LOWEST else "the widest effective width"
    why = f"the best one for {goal}, to confirm it" if one.next is None else f"the next one to test for {goal}"
    return f"{sheet} gets {_at(found, one.to_test)}: {why}."


def _labels(found: Tuning) -> str:
    return " and ".join(one.label for one in found.settings)


def _at(found: Tuning, setting: tuple[float, ...]) -> str:
    """A setting in words: "720 rpm", or both with their labels where two are tuned."""
    if len(found.settings) == 1:
        return found.settings[0].shown(setting[0])
    return ", ".join(f"{one.label} {one.shown(value)}" for one, value in zip(found.settings, setting, strict=True))


def _tested(found: Tuning, test: int, *, labels: bool = True) -> str:
    """The setting of a test in words."""
    values = zip(found.settings, found.value[test].tolist(), strict=True)
    named = labels and len(found.settings) > 1
    return ", ".join(f"{one.label} {one.typed(value)}" if named else one.typed(value) for one, value in values)


def _stretch(found: Tuning, ends: tuple[tuple[float, float], ...]) -> str:
    """A stretch of settings in words."""
    parts = []
    for one, (low, high) in zip(found.settings, ends, strict=True):
        label = f"{one.label} " if len(found.settings) > 1 else ""
        same = one.number(low) == one.number(high)
        parts.append(f"{label}{one.shown(low)}" if same else f"{label}{one.number(low)} to {one.shown(high)}")
    return ", ".join(parts)


def _best(found: Tuning, one: Answer, system: str) -> str:
    """The best setting in plain words, with the band of its figure and the best test."""
    tested = found.results[one.best_tested]
    at = _tested(found, one.best_tested)
    if one.goal == LOWEST:
        low, high = (show_figure(end) for end in one.cv_band_pct or (0.0, 0.0))
        measured = show_figure(tested.bouts[found.method].cv_pct)
        lead = f"At {show_width(found.bout_width_m, system)} the CV is lowest at {_at(found, one.best)}"
        return (
            f"{lead}: {show_figure(one.cv_pct or 0.0)} % ({found.level_pct:g} % band {low} to {high}); best test: "
            f"{measured} % at {at}."
        )
    unit = shown_unit("length", system)
    low, high, value = (
        show(end, "length", system, unit=False, digits=1)
        for end in (*(one.width_band_m or (0.0, 0.0)), one.width_m or 0.0)
    )
    measured = show_width(tested.effective_width_m(found.method), system)
    return (
        f"The effective width is widest at {_at(found, one.best)}: {value} {unit} ({found.level_pct:g} % band {low} to "
        f"{high}); best test: {measured} at {at}."
    )


def _standing(found: Tuning, one: Answer, system: str) -> Iterator[str]:
    """How sure it is, what is gained, and what to test next."""
    level = f"{found.level_pct:g} %"
    if one.standing == BEYOND:
        yield "That is the edge of the tested range: the best may lie beyond it."
    elif one.at_highest:
        yield "That is the highest speed that the granules allow: don't test above it."
    else:
        yield f"The best setting lies from {_stretch(found, one.interval)}, {level} sure."
    if one.standing == UNCLEAR:
        straight = len(found.results) <= len(found.settings) + 1
        why = ": two settings give no more than a straight line between them" if straight else ""
        yield f"Which setting is best is unclear{why}."
    alike = _stretch(found, one.alike)
    if alike != _stretch(found, tuple((value, value) for value in one.best)):  # else it is the best itself
        yield f"Can't be told from the best: {alike}."
    if one.gain > 0 and one.probability_pct > 0:
        gain = f"{show_figure(one.gain)} % of CV" if one.goal == LOWEST else show(one.gain, "length", system, digits=1)
        yield f"Against the best setting tested it gains {gain}, and is better with {one.probability_pct:.0f} % chance."
    yield _next(found, one, system)


def _next(found: Tuning, one: Answer, system: str) -> str:
    """What to test next, or that testing can stop."""
    following = one.next
    if following is None and found.left_out:
        return "Don't stop here: put the tests that were left out right, and tune again."
    if following is None and one.standing == CLEAR:
        return "Stop here: a last test at that setting confirms it."
    if following is None:
        least = "0.1 % of CV" if one.goal == LOWEST else show(0.1, "length", system, digits=1)
        return f"Stop here: another test within the range is expected to gain less than {least}."
    again = " once more" if following.again else ""
    if following.gain is None:
        higher = following.setting[0] > one.best[0]
        allowed = ", if the manual and the granules allow it" if higher else ", if the manual allows it"
        return f"Next: test at {_at(found, following.setting)}{allowed}."
    gain = f"{following.gain:.1f} % of CV" if one.goal == LOWEST else show(following.gain, "length", system, digits=1)
    return f"Next: test{again} at {_at(found, following.setting)}; it is expected to teach most, and to gain {gain}."


def _tests(found: Tuning, system: str) -> Table:
    """A line a test."""
    wanted = found.bout_width_m is not None
    columns = [Column(one.label, one.unit) for one in found.settings]
    if wanted:
        columns.append(Column(f"CV at {show_width(found.bout_width_m, system)}", "%"))
        columns.append(Column("verdict", align="left"))
    columns += [Column("width", shown_unit("length", system)), Column("passes"), Column("test", align="left")]
    rows = []
    for values, result, over in zip(found.value, found.results, found.over, strict=True):
        cells = [f"{value:.6g}" for value in values.tolist()]
        cells[0] += "*" if over else ""
        if wanted:
            cells += [show_figure(result.bouts[found.method].cv_pct), result.verdicts[found.method].state]
        cells.append(show_width(result.effective_width_m(found.method), system, unit=False))
        rows.append((*cells, str(result.profile.passes_used), result.test.name))
    notes = ("* over the highest speed: never taken for the best",) if found.over.any() else ()
    return Table(tuple(columns), tuple(rows), "The tests, as measured (width: effective width)", notes)


def _notes(found: Tuning, system: str) -> Iterator[str]:
    errors = found.model.errors
    yield (
        "What every tray catches is taken to change smoothly with the setting; between the tests the pattern is worked "
        "out from all of them, and driven side by side at each setting. One more test may read a little otherwise."
    )
    if errors.assumed:
        yield "No test has two passes or more: how far passes differ is assumed, as common practice has it."
    else:
        yield "How far chance goes is known from how the passes of each test differ."
    yield f"From test to test the pattern is taken to shift by {show(errors.shift_m, 'length', system)} either way."
    driving = "" if found.method_stated else "; the forms don't agree on the driving, --driving says which is meant"
    yield f"Driving: {found.method}{driving}. CV limit {found.limit_pct:g} %."
    if len(found.bins) > 1:
        numbers = " and ".join(map(str, found.bins))
        yield f"Bins {numbers} run together: the trays are held against the sum of their target rates."
    elif found.bins:
        other = "; --bin says another" if found.bins == (1,) else ""
        yield f"Of the machine's bins it is bin {found.bins[0]} whose product and target rate count{other}."
    if found.bout_width_m is None:
        yield 'No bout width is known: add --bout-width, such as "24 m", for the CV there.'
    if found.width is None:
        yield "No setting has an effective width within the limit."
    if found.cut_short:
        yield (
            f"As wide as the tray line, so the true width may be larger: {', '.join(found.cut_short)}; a longer line "
            "would tell."
        )
    place = found.model.place_m
    if any(len(one.profile.offset_m) != len(place) or one.profile.offset_m[0] != place[0] for one in found.results):
        ends = [show(float(place[at]), "length", system, unit=at == -1) for at in (0, -1)]
        yield f"The tray lines differ: all is worked out on the stretch that they share, from {' to '.join(ends)}."
    if len(found.products) > 1:
        yield f"Tests of different products are mixed, as asked for: {', '.join(found.products)}."
    elif found.products == ("not stated",):
        yield "No form names a product; the answer means something for one product only."
    if found.other_settings:
        said = "; ".join(f"{label} ({', '.join(dict.fromkeys(values))})" for label, values in found.other_settings)
        yield f"The sheets differ in more than that: {said}."


def tuning_json(found: Tuning) -> dict[str, Any]:
    """The tuning as plain data, schema spreadcheck/tuning/3: SI throughout, settings in the unit named with them."""
    surface = found.surface
    return envelope(
        "tuning/3",
        [
            sheet_json(result) | {"setting": values, "cv_pct": cv, "effective_width_m": width}
            for values, result, cv, width in zip(
                found.value.tolist(),
                found.results,
                found.measured(LOWEST).tolist(),
                found.measured(WIDEST).tolist(),
                strict=True,
            )
        ],
        [doubt for result in (*found.results, *found.left_out) for doubt in result.doubts],
        left_out=[sheet_json(result) for result in found.left_out],
        settings=[{"label": one.label, "unit": one.unit} for one in found.settings],
        bout_width_m=found.bout_width_m,
        cv_limit_pct=found.limit_pct,
        level_pct=found.level_pct,
        driving=found.method,
        driving_stated=found.method_stated,
        products=list(found.products),
        bins=list(found.bins),
        highest_speed_rpm=found.highest_rpm,
        lowest_cv=_answer_json(found.cv),
        widest=_answer_json(found.width),
        trade_off=[
            {"setting": list(setting), "cv_pct": cv, "effective_width_m": width}
            for setting, cv, width in found.trade_off
        ],
        model={
            "length_share_of_range": found.model.length,
            "shift_between_tests_m": found.model.errors.shift_m,
            "scatter_assumed": found.model.errors.assumed,
            "setting": surface.setting.tolist(),
            "cv_pct": None if surface.cv_pct is None else _band_json(surface.cv_pct),
            "effective_width_m": _band_json(surface.width_m),
        },
        width_limited_by_tray_line=list(found.cut_short),
        other_settings={label: list(values) for label, values in found.other_settings},
    )


def _band_json(band: Any) -> dict[str, list[float | None]]:
    return {
        name: [value if value > 0 else None for value in row.tolist()]
        for name, row in zip(("most_likely", "low", "high"), band, strict=True)
    }


def _answer_json(one: Answer | None) -> dict[str, Any] | None:
    if one is None:
        return None
    why = "beyond the edge of the range" if one.next and one.next.gain is None else "expected to teach most"
    return {
        "standing": one.standing,
        "at_highest_speed": one.at_highest,
        "best": {
            "setting": list(one.best),
            "interval": [list(ends) for ends in one.interval],
            "cv_pct": one.cv_pct,
            "cv_band_pct": list(one.cv_band_pct) if one.cv_band_pct else None,
            "effective_width_m": one.width_m,
            "effective_width_band_m": list(one.width_band_m) if one.width_band_m else None,
        },
        "not_told_from_best": [list(ends) for ends in one.alike],
        "best_tested": one.best_tested,
        "gain": one.gain,
        "probability_best_pct": one.probability_pct,
        "next": None if one.next is None else {"setting": list(one.next.setting), "why": why, "gain": one.next.gain},
    }


@plain_style()
def tuning_figure(found: Tuning, system: str = "metric") -> Figure:
    """Profiles over the setting; CV and width with their bands and the tests as points; maps where two are tuned."""
    from matplotlib.figure import Figure

    answers = [one for one in (found.cv, found.width) if one is not None]
    figure = Figure(figsize=(8, 3.3 * (1 + len(answers))), layout="constrained")
    panels = figure.subplots(1 + len(answers), 1, squeeze=False)[:, 0]
    _draw_profiles(panels[0], found, system)
    if len(found.settings) == 1:
        for axes, one in zip(panels[1:], answers, strict=True):
            _draw_curve(axes, found, one, system)
        return figure
    lines = [_draw_map(axes, found, one, system) for axes, one in zip(panels[1:], answers, strict=True)]
    figure.draw_without_rendering()  # where labels stand is known only once all is laid out
    for axes, each in zip(panels[1:], lines, strict=True):
        _thin_labels(axes, each)
    return figure


def _draw_profiles(axes: Axes, found: Tuning, system: str) -> None:
    """The profiles of the tests, thin, from light to dark, and the one at the best setting, thick."""
    first = found.results[0]
    length, rate = scales(first, system)
    place = found.model.place_m * length
    shades = np.linspace(0.75, 0.25, len(found.results))
    marks = "os^Dv<>P*X"
    for number, profile in enumerate(found.model.rate):
        axes.plot(place, profile * rate, color=str(shades[number]), lw=1, marker=marks[number % len(marks)], ms=3,
                  label=plain(_tested(found, number, labels=False)))  # fmt: skip
    if found.best_kg_ha is not None:
        axes.plot(place, found.best_kg_ha * rate, color=_INK, lw=2.5,
                  label="best, from the model")  # fmt: skip
    mark_centre(axes)
    axes.set(
        title=f"Profiles over the {plain(_labels(found))}",
        xlabel=offset_label(system),
        ylabel=f"Rate, scaled to one mean ({rate_unit(first, system)})",
    )
    axes.set_ylim(bottom=0)
    axes.legend(fontsize=7, loc="upper left", bbox_to_anchor=(1.0, 1.0))


def _axis(found: Tuning, at: int) -> str:
    one = found.settings[at]
    return plain(f"{one.label.capitalize()} ({one.unit})" if one.unit else one.label.capitalize())


def _figure_of(found: Tuning, one: Answer, system: str) -> tuple[Any, float, str, str]:
    """The surface of a goal's figure, its scale, its unit and its title."""
    if one.goal == LOWEST:
        return found.surface.cv_pct, 1.0, "%", f"CV at {show_width(found.bout_width_m, system)}"
    unit = shown_unit("length", system)
    return (
        found.surface.width_m,
        from_inside(1.0, unit, "length"),
        unit,
        (f"Effective width, CV up to {found.limit_pct:g} %"),
    )


def _draw_curve(axes: Axes, found: Tuning, one: Answer, system: str) -> None:
    """The figure over one setting: most likely, band, tests, best and what can't be told from it."""
    surface, scale, unit, title = _figure_of(found, one, system)
    setting = found.surface.setting[:, 0]
    mean, low, high = (np.where(row > 0, row, np.nan) * scale for row in surface)
    axes.fill_between(setting, np.nan_to_num(low), high, color=_BAND, lw=0, label=f"{found.level_pct:g} % band")
    axes.plot(setting, mean, color=_INK, lw=2, label="most likely")
    axes.plot(found.value[:, 0], found.measured(one.goal) * scale, "o", ms=6, color="black", label="tests",
              zorder=4)  # fmt: skip
    start, end = one.alike[0]
    if start < end:
        axes.axvspan(start, end, ymax=0.03, color="black", alpha=0.6, lw=0,
                     label=f"can't be told from the best:\n{plain(_stretch(found, one.alike))}")  # fmt: skip
    value = (one.cv_pct if one.goal == LOWEST else one.width_m) or 0.0
    axes.axvline(one.best[0], color="black", lw=1.2, ls="-.",
                 label=plain(f"best: {_at(found, one.best)}, {value * scale:.1f} {unit}"))  # fmt: skip
    if found.highest_rpm is not None and found.settings[0].unit == "rpm":
        axes.axvline(found.highest_rpm, color=_SECOND, lw=2, ls=":",
                     label=f"highest speed: {show(found.highest_rpm, 'turning speed')}")  # fmt: skip
    if one.goal == LOWEST:
        axes.set_ylim(bottom=0)
        if axes.get_ylim()[1] > found.limit_pct:  # named with the others: on the line another could cross its name
            axes.axhline(found.limit_pct, color="black", lw=1.2, ls="--", label=f"limit {found.limit_pct:g} %")
    axes.set(title=f"{title}, {found.method}", xlabel=_axis(found, 0))
    axes.set_ylabel(f"{'CV' if one.goal == LOWEST else 'Effective width'} ({unit})")
    axes.legend(fontsize=7, loc="upper left", bbox_to_anchor=(1.0, 1.0))


def _draw_map(axes: Axes, found: Tuning, one: Answer, system: str) -> TriContourSet:
    """The figure over two settings as lines of equal value, the tests as points with their figures."""
    surface, scale, unit, title = _figure_of(found, one, system)
    x, y = found.surface.setting.T
    lines = axes.tricontour(x, y, surface[0] * scale, levels=8, colors=_INK, linewidths=1)
    axes.clabel(lines, fontsize=7, fmt=lambda value: f"{value:.1f}", inline=False, zorder=5)
    for label in lines.labelTexts:
        label.set_bbox({"fc": "white", "ec": "none", "pad": 0.5, "alpha": 0.85})
    axes.plot(*found.value.T, "o", ms=6, color="black", clip_on=False, label=f"tests, as measured ({unit})")
    for (at_x, at_y), value in zip(found.value, found.measured(one.goal).tolist(), strict=True):
        words = "none" if math.isnan(value) else f"{value * scale:.1f}"
        axes.annotate(words, (at_x, at_y), textcoords="offset points", xytext=(6, 4), fontsize=8, zorder=6,
                      bbox={"fc": "white", "ec": "none", "pad": 0.5, "alpha": 0.85})  # fmt: skip
    best = ", ".join(which.shown(value) for which, value in zip(found.settings, one.best, strict=True))
    axes.plot(*one.best, "*", ms=14, mfc="white", color="black", clip_on=False, zorder=5, label=plain(f"best: {best}"))
    (left, right), (bottom, top) = one.alike
    axes.fill_between((left, right), bottom, top, color=_BAND, lw=0, label="within it: can't be told\nfrom the best")
    axes.set(title=f"{title}, {found.method} ({unit})", xlabel=_axis(found, 0), ylabel=_axis(found, 1))
    room = 0.1 * np.ptp(found.surface.setting, axis=0)
    axes.set_xlim(x.min() - room[0], x.max() + room[0])
    axes.set_ylim(y.min() - room[1], y.max() + room[1])
    axes.legend(fontsize=7, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return lines


def _thin_labels(axes: Axes, lines: TriContourSet) -> None:
    """Take away labels that would cover another or the figure of a test, or that a line of another value crosses."""
    from matplotlib.path import Path

    places = {
        f"{level:.1f}": [
            Path(piece).interpolated(10).vertices for piece in path.to_polygons(axes.transData, closed_only=False)
        ]
        for path, level in zip(lines.get_paths(), lines.levels, strict=True)
    }
    taken = [text.get_window_extent() for text in axes.texts if text not in lines.labelTexts]
    for label in lines.labelTexts:
        box = label.get_window_extent()
        others = (piece for level, pieces in places.items() if level != label.get_text() for piece in pieces)
        if any(box.overlaps(one) for one in taken) or any(box.count_contains(piece) for piece in others):
            label.remove()
        else:
            taken.append(box)
