"""The best setting: as a document with the answer first, as a picture, and as plain data."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.improve.settings import Setting
from spreadcheck.improve.tune import BEYOND, CLEAR, LOWEST, UNCLEAR, WIDEST, Answer, Tuning
from spreadcheck.limits import LIMITS
from spreadcheck.show.compare import sheet_json
from spreadcheck.show.data import envelope, picked
from spreadcheck.show.document import Block, Column, Document, Heading, Note, Paragraph, Picture, Points, Table
from spreadcheck.show.format import names_of, rate_unit, show_figure, show_width
from spreadcheck.show.plots import drawn, mark_centre, offset_label, panels, plain, plain_style, scales
from spreadcheck.units import from_inside, show, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_INK, _BAND, _SECOND = "#1b4f72", "#d9d9d9", "#c0651a"
_MARKS = "os^Dv<>P*X"
_CAUTION = (
    "Nothing is said beyond the settings tested. Change a setting only as the machine maker's manual says, with hopper "
    "and discs stopped and locked out; keep people well clear of turning discs."
)
_CAUTION_SPEED = "The manual and the crush strength of the granules set the highest speed."


def tuning_document(found: Tuning, system: str = "metric") -> Document:
    """The answers, the tests, what one goal costs the other, and what the answers rest on, with a picture."""
    blocks: list[Block] = []
    if found.left_out:
        names = names_of((*found.results, *found.left_out))[len(found.results) :]
        told = zip(names, found.left_out, strict=True)
        named = "; ".join(f"{name}: {', '.join(one.blocking)}" for name, one in told)
        words = f"Left out, for they can't be judged. {named}. Put them right first: they may change the answer."
        blocks.append(Note("Doubt", words))
    best = [_best(found, one, system) for one in found.answers.values()]
    for words, one in zip(best, found.answers.values(), strict=True):
        blocks += [Paragraph(words, "strong"), Points(tuple(_standing(found, one, system)))]
    blocks.append(_tests(found, system))
    if len(found.trade_off) > 1:
        heads = (*_heads(found, system), Column("effective width", shown_unit("length", system)))
        rows = [
            (
                *(one.number(value) for one, value in zip(found.tested.settings, setting, strict=True)),
                show_figure(cv),
                show(width, "length", system, unit=False, digits=1),
            )
            for setting, cv, width in found.trade_off
        ]
        blocks.append(Table(heads, tuple(rows), "What a wider spread costs in CV, from the model"))
    blocks += [Heading("What this rests on"), Points(tuple(_notes(found, system)), small=True)]
    speed = any(one.unit == "rpm" for one in found.tested.settings)
    blocks.append(Note("Caution", f"{_CAUTION} {_CAUTION_SPEED}" if speed else _CAUTION))
    picture = drawn(tuning_figure, found, system)
    blocks.append(Picture("Profiles, CV and width over the setting", " ".join(best), picture, wide=True))
    value = found.tested.value
    highest, lowest = value.max(axis=0), [f"{low:.6g}" for low in value.min(axis=0)]
    ends = _said(found, zip(lowest, highest, strict=True), lambda one, end: f"{end[0]} to {one.typed(end[1])}")
    about = [f"{len(found.results)} tests at {len(np.unique(value, axis=0))} settings, {ends}"]
    machines = dict.fromkeys(result.test.text("machine") for result in found.results)
    about.append(", ".join(word for word in (*found.products, *machines) if word))
    if (top := found.tested.highest_rpm) is not None:
        about.append(f"Highest speed that the granules allow: {show(top, 'turning speed')}")
    return Document(f"The best {found.label}", tuple(blocks), about=tuple(line for line in about if line))


def next_words(found: Tuning, sheet: str) -> str:
    """Which setting goes into the sheet of the next test, and why."""
    one = found.main
    if one is None:
        return f"{sheet} gets no setting: none is best."
    goal = "the lowest CV" if one.goal == LOWEST else "the widest effective width"
    why = f"the best one for {goal}, to confirm it" if one.next is None else f"the next one to test for {goal}"
    setting = one.best if one.next is None else one.next.setting
    return f"{sheet} gets {_said(found, setting)}: {why}."


def _heads(found: Tuning, system: str) -> list[Column]:
    """The heads of the settings, and of the CV where a bout width is wanted."""
    heads = [Column(one.label, one.unit) for one in found.tested.settings]
    return heads + [Column(f"CV at {show_width(found.bout_width_m, system)}", "%")] * (LOWEST in found.drawn)


def _said(found: Tuning, values: Iterable[Any], words: Callable[[Setting, Any], str] = Setting.shown) -> str:
    """A value of each setting in words: "720 rpm", or both with their labels where two are tuned."""
    settings = found.tested.settings
    labels = [f"{one.label} " if len(settings) > 1 else "" for one in settings]
    return ", ".join(label + words(*pair) for label, *pair in zip(labels, settings, values, strict=True))


def _stretch(one: Setting, ends: tuple[float, float]) -> str:
    """A stretch of a setting, or the one value of it."""
    low, high = map(one.number, ends)
    return one.shown(ends[0]) if low == high else f"{low} to {one.shown(ends[1])}"


def _figure(one: Answer, value: float, system: str, *, unit: bool = True) -> str:
    """A CV or a width of an answer."""
    if one.goal == WIDEST:
        return show(value, "length", system, unit=unit, digits=1)
    return show_figure(value) + (" %" if unit else "")


def _best(found: Tuning, one: Answer, system: str) -> str:
    """The best setting in plain words, with the band of its figure and the best test."""
    value, *ends = one.figures[one.goal]
    low, high = (_figure(one, end, system, unit=False) for end in ends)
    if one.goal == LOWEST:
        lead = f"At {show_width(found.bout_width_m, system)} the CV is lowest"
        measured = _figure(one, found.measured(LOWEST)[one.best_tested], system)
    else:
        lead = "The effective width is widest"
        measured = show_width(found.results[one.best_tested].effective_width_m(found.method), system)
    return (
        f"{lead} at {_said(found, one.best)}: {_figure(one, value, system)} ({found.level_pct:g} % band {low} to "
        f"{high}); best test: {measured} at {_said(found, found.tested.value[one.best_tested], Setting.typed)}."
    )


def _standing(found: Tuning, one: Answer, system: str) -> Iterator[str]:
    """How sure it is, what is gained, and what to test next."""
    of_cv = " of CV" if one.goal == LOWEST else ""
    if one.standing == BEYOND:
        yield "That is the edge of the tested range: the best may lie beyond it."
    elif one.at_highest:
        yield "That is the highest speed that the granules allow: don't test above it."
    else:
        yield f"The best setting lies from {_said(found, one.interval, _stretch)}, {found.level_pct:g} % sure."
    if one.standing == UNCLEAR:
        straight = len(found.results) <= len(found.tested.settings) + 1
        why = ": two settings give no more than a straight line between them" if straight else ""
        yield f"Which setting is best is unclear{why}."
    alike = _said(found, one.alike, _stretch)
    if alike != _said(found, one.best):  # else it is the best itself
        yield f"Can't be told from the best: {alike}."
    if one.gain > 0 and one.probability_pct > 0:
        gain = _figure(one, one.gain, system) + of_cv
        yield f"Against the best setting tested it gains {gain}, and is better with {one.probability_pct:.0f} % chance."
    following = one.next
    if following is None and found.left_out:
        yield "Don't stop here: put the tests that were left out right, and tune again."
    elif following is None and one.standing == CLEAR:
        yield "Stop here: a last test at that setting confirms it."
    elif following is None:
        limit = LIMITS["least gain" if one.goal == LOWEST else "least gain in width"]
        least = _figure(one, limit.value, system) + of_cv
        yield f"Stop here: another test within the range is expected to gain less than {least}."
    elif following.gain is None:
        manual = "the manual and the granules allow" if following.setting[0] > one.best[0] else "the manual allows"
        yield f"Next: test at {_said(found, following.setting)}, if {manual} it."
    else:
        at = f"{'once more ' if following.again else ''}at {_said(found, following.setting)}"
        gain = _figure(one, following.gain, system) + of_cv
        yield f"Next: test {at}; it is expected to teach most, and to gain {gain}."


def _tests(found: Tuning, system: str) -> Table:
    """A line a test."""
    columns, wanted = _heads(found, system), LOWEST in found.drawn
    columns += [Column("verdict", align="left")] * wanted
    columns += [Column("width", shown_unit("length", system)), Column("passes"), Column("test", align="left")]
    rows = []
    for values, result, over in zip(found.tested.value, found.results, found.tested.over, strict=True):
        cells = [f"{value:.6g}" for value in values.tolist()]
        cells[0] += "*" if over else ""
        if wanted:
            cells += [show_figure(result.bouts[found.method].cv_pct), result.verdicts[found.method].state]
        cells.append(show_width(result.effective_width_m(found.method), system, unit=False))
        rows.append((*cells, str(result.profile.passes_used), result.test.name))
    notes = ("* over the highest speed: never taken for the best",) if found.tested.over.any() else ()
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
    if WIDEST not in found.answers:
        yield "No setting has an effective width within the limit."
    if found.cut_short:
        short = ", ".join(found.cut_short)
        yield f"As wide as the tray line, so the true width may be larger: {short}; a longer line would tell."
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
    columns = [found.tested.value, found.results, found.measured(LOWEST), found.measured(WIDEST)]
    tests = [
        sheet_json(result) | {"setting": values, "cv_pct": float(cv), "effective_width_m": float(width)}
        for values, result, cv, width in zip(*columns, strict=True)
    ]
    bands = {goal: [[end if end > 0 else None for end in row] for row in found.band(goal)] for goal in found.drawn}
    told = {goal: dict(zip(("most_likely", "low", "high"), rows, strict=True)) for goal, rows in bands.items()}
    return envelope(
        "tuning/3",
        tests,
        [doubt for result in (*found.results, *found.left_out) for doubt in result.doubts],
        left_out=[sheet_json(result) for result in found.left_out],
        settings=[picked(one, "label unit") for one in found.tested.settings],
        **picked(
            found,
            "bout_width_m cv_limit_pct=limit_pct level_pct driving=method driving_stated=method_stated products bins "
            "highest_speed_rpm=tested.highest_rpm",
        ),
        lowest_cv=_answer_json(found.answers.get(LOWEST)),
        widest=_answer_json(found.answers.get(WIDEST)),
        trade_off=[
            {"setting": setting, "cv_pct": cv, "effective_width_m": width} for setting, cv, width in found.trade_off
        ],
        model={
            "length_share_of_range": found.model.length,
            "shift_between_tests_m": found.model.errors.shift_m,
            "scatter_assumed": found.model.errors.assumed,
            "setting": found.setting,
            "cv_pct": told.get(LOWEST),
            "effective_width_m": told[WIDEST],
        },
        width_limited_by_tray_line=found.cut_short,
        other_settings=dict(found.other_settings),
    )


def _answer_json(one: Answer | None) -> dict[str, Any] | None:
    if one is None:
        return None
    (cv, *cv_band), (width, *width_band) = (one.figures.get(goal, [None]) for goal in (LOWEST, WIDEST))
    why = "beyond the edge of the range" if one.next and one.next.gain is None else "expected to teach most"
    return {
        "standing": one.standing,
        "at_highest_speed": one.at_highest,
        "best": {
            **picked(one, "setting=best interval"),
            "cv_pct": cv,
            "cv_band_pct": cv_band or None,
            "effective_width_m": width,
            "effective_width_band_m": width_band or None,
        },
        **picked(one, "not_told_from_best=alike best_tested gain probability_best_pct=probability_pct"),
        "next": None if one.next is None else {"setting": one.next.setting, "why": why, "gain": one.next.gain},
    }


@plain_style()
def tuning_figure(found: Tuning, system: str = "metric") -> Figure:
    """Profiles over the setting; CV and width with their bands and the tests as points; maps where two are tuned."""
    answers = found.answers.values()
    figure, (first, *others) = panels("", 8, 3.3 * (1 + len(answers)), 1 + len(answers))
    length, rate = scales(found.results[0], system)
    place, shades = found.model.place_m * length, np.linspace(0.75, 0.25, len(found.results))
    for number, (profile, values) in enumerate(zip(found.model.rate, found.tested.value, strict=True)):
        style: dict[str, Any] = {"color": str(shades[number]), "lw": 1, "marker": _MARKS[number % len(_MARKS)], "ms": 3}
        label = plain(", ".join(map(Setting.typed, found.tested.settings, values)))
        first.plot(place, profile * rate, label=label, **style)
    if found.main is not None:
        best = found.model.mean(found.tested.share(np.array([found.main.best])))[0]
        first.plot(place, best * rate, color=_INK, lw=2.5, label="best, from the model")
    mark_centre(first)
    unit = f"Rate, scaled to one mean ({rate_unit(found.results[0], system)})"
    first.set(title=f"Profiles over the {plain(found.label)}", xlabel=offset_label(system), ylabel=unit)
    first.set_ylim(bottom=0)
    draw = _draw_curve if len(found.tested.settings) == 1 else _draw_map
    for axes, one in zip(others, answers, strict=True):
        draw(axes, found, one, system)
    for axes in (first, *others):
        axes.legend(fontsize=7, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return figure


def _axis(one: Setting) -> str:
    return plain(f"{one.label.capitalize()} ({one.unit})" if one.unit else one.label.capitalize())


def _scale(found: Tuning, one: Answer, system: str) -> tuple[float, str, str]:
    """What the figure of a goal is multiplied with to be drawn, its unit and its title."""
    if one.goal == LOWEST:
        return 1.0, "%", f"CV at {show_width(found.bout_width_m, system)}, {found.method}"
    unit = shown_unit("length", system)
    return from_inside(1.0, unit, "length"), unit, f"Effective width, CV up to {found.limit_pct:g} %, {found.method}"


def _draw_curve(axes: Axes, found: Tuning, one: Answer, system: str) -> None:
    """The figure over one setting: most likely, band, tests, best and what can't be told from it."""
    scale, unit, title = _scale(found, one, system)
    setting, value, highest = found.setting[:, 0], found.tested.value[:, 0], found.tested.highest_rpm
    mean, low, high = (np.where(row > 0, row, np.nan) * scale for row in found.band(one.goal))
    axes.fill_between(setting, np.nan_to_num(low), high, color=_BAND, lw=0, label=f"{found.level_pct:g} % band")
    axes.plot(setting, mean, color=_INK, lw=2, label="most likely")
    axes.plot(value, found.measured(one.goal) * scale, "o", ms=6, color="black", label="tests", zorder=4)
    start, end = one.alike[0]
    if start < end:
        alike = f"can't be told from the best:\n{plain(_said(found, one.alike, _stretch))}"
        axes.axvspan(start, end, ymax=0.03, color="black", alpha=0.6, lw=0, label=alike)
    best = f"best: {_said(found, one.best)}, {one.figures[one.goal][0] * scale:.1f} {unit}"
    axes.axvline(one.best[0], color="black", lw=1.2, ls="-.", label=plain(best))
    if highest is not None and found.tested.settings[0].unit == "rpm":
        axes.axvline(highest, color=_SECOND, lw=2, ls=":", label=f"highest speed: {show(highest, 'turning speed')}")
    if one.goal == LOWEST:
        axes.set_ylim(bottom=0)
        if axes.get_ylim()[1] > found.limit_pct:  # named with the others: on the line another could cross its name
            axes.axhline(found.limit_pct, color="black", lw=1.2, ls="--", label=f"limit {found.limit_pct:g} %")
    named = "CV" if one.goal == LOWEST else "Effective width"
    axes.set(title=title, xlabel=_axis(found.tested.settings[0]), ylabel=f"{named} ({unit})")


def _draw_map(axes: Axes, found: Tuning, one: Answer, system: str) -> None:
    """The figure over two settings in shades of grey, the tests as points with their figures."""
    scale, unit, title = _scale(found, one, system)
    x, y = found.setting.T
    values = found.drawn[one.goal][0] * scale
    shades = axes.tricontourf(x, y, values, levels=8, cmap="Greys", alpha=0.7)
    axes.tricontour(x, y, values, levels=8, colors=_INK, linewidths=0.7)
    axes.figure.colorbar(shades, ax=axes, location="left", format="%.1f", label=f"{title.split(',')[0]} ({unit})")
    axes.plot(*found.tested.value.T, "o", ms=6, color="black", clip_on=False, label=f"tests, as measured ({unit})")
    for at, value in zip(found.tested.value, found.measured(one.goal), strict=True):
        words = "none" if math.isnan(value) else f"{value * scale:.1f}"
        axes.annotate(words, at, textcoords="offset points", xytext=(6, 4), fontsize=8, zorder=6,
                      bbox={"fc": "white", "ec": "none", "pad": 0.5, "alpha": 0.85})  # fmt: skip
    best = plain(f"best: {', '.join(map(Setting.shown, found.tested.settings, one.best))}")
    axes.plot(*one.best, "*", ms=14, mfc="white", color="black", clip_on=False, zorder=5, label=best)
    across, (bottom, top) = one.alike
    axes.fill_between(across, bottom, top, fc="none", ec=_SECOND, ls="--", lw=2,
                      label="within it: can't be told\nfrom the best")  # fmt: skip
    axes.set(title=title, xlabel=_axis(found.tested.settings[0]), ylabel=_axis(found.tested.settings[1]))
    room_x, room_y = 0.1 * np.ptp(found.setting, axis=0)
    axes.set_xlim(x.min() - room_x, x.max() + room_x)
    axes.set_ylim(y.min() - room_y, y.max() + room_y)
