"""Tests held against each other: as a document in plain words, as pictures, and as plain data."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.doubts.doubt import warnings_data
from spreadcheck.improve.between import Evidence, alpha
from spreadcheck.improve.compare import KIND, Change, Comparison, Difference
from spreadcheck.improve.settings import setting_changes
from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.verdict import CANT_BE_JUDGED
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.show import plots
from spreadcheck.show.data import envelope, form_data, picked
from spreadcheck.show.document import Block, Column, Document, Heading, Paragraph, Picture, Points, Table
from spreadcheck.show.format import names_of, rate_unit, show_figure, show_rate, show_width
from spreadcheck.show.verdict import verdict_sentence
from spreadcheck.units import show, shown_unit, side_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_DATA_UNIT = {"length": "m", "rate": "kg_ha", "share": "pct"}
_NAMES = {"mean rate": "Mean rate", "centre": "Centre (right +)", "left share": "Left share", "CV": "CV",
          "effective width": "Width"}  # fmt: skip
_WHY_NOT = "one pass shows no spread"  # why no statement is possible
_TRAYS_NAMED = 3  # of those that differ
_SIDE_BY_SIDE = 3  # tests that find room beside each other


def comparison_document(found: Comparison, system: str = "metric") -> Document:
    """Every test held against the first: in words, in figures, and what that rests on, with pictures."""
    blocks: list[Block] = []
    names = names_of(found.results)
    tests = list(zip(names, found.results, strict=True))
    verdicts = []
    for name, result in tests:
        if result.verdict is not None:
            verdicts.append(f"{name}. {verdict_sentence(result.verdict, system)}")
        elif result.blocking:  # without a bout width only those that can't be judged are told
            verdicts.append(f"{name}. It {CANT_BE_JUDGED}. What blocks it: {', '.join(result.blocking)}.")
    if verdicts:
        blocks.append(Points(tuple(verdicts)))
    if blocked := [name for name, result in tests if result.blocking]:
        words = "until then a difference may be the slip and not the machine."
        blocks.append(Paragraph(f"Put right first what blocks {' and '.join(blocked)}: {words}", "strong"))
    words = "What the field gets where passes lie side by side: thick line the sum, dashed line its mean."
    blocks.append(Picture("Side by side", words, plots.drawn(side_figure, found, system), wide=True))
    if found.ranking:
        blocks.append(_ranked(found, system))
    for change, after in zip(found.changes, names[1:], strict=True):
        if len(found.changes) > 1:
            blocks.append(Heading(f"{after}, against {names[0]}"))
        differing = setting_changes([change.before.test, change.after.test], system=system)
        said = "; ".join(f"{label} {one} -> {other}" for label, (one, other) in differing)
        blocks += [
            Paragraph(f"The sheets differ in: {said}" if said else "The sheets name no setting that differs"),
            Points(tuple(_sentences(found, change, system))),
            _table(found, change, system),
            Points(tuple(_notes(found, change, system)), small=True),
        ]
    blocks.append(Paragraph(_footer(found, system), "small"))
    words = "The profiles of all tests, what changed, and CV against bout width."
    svg = plots.drawn(comparison_figure, found, system)
    blocks.append(Picture("Profiles, changes and CV", words, svg, wide=True))
    counts = [(name, result.profile.passes_used) for name, result in tests]
    about = tuple(f"{name}, {'1 pass' if count == 1 else f'mean of {count} passes'}" for name, count in counts)
    return Document("Tests held against each other", tuple(blocks), about=about)


def doubtful(found: Comparison) -> tuple[Assessment, ...]:
    """The tests whose doubts are told: those compared, and the repeats that nothing is learned from."""
    return (*found.results, *(one for one in found.left_out if one is not found.results[0]))


def _sentences(found: Comparison, change: Change, system: str) -> Iterator[str]:
    """Plain words; where no figure can be judged, the reason is said once."""
    alone = all(one.p is None for one in (change.trays.overall, *(one.evidence for one in change.differences)))
    for one in change.differences:
        same = one.change is not None and abs(one.change) < 1e-9
        said = f"{_what(found, change, one, system)}{'' if alone or same else _chance(one.evidence)}"
        yield f"{said}: a small shift of the line takes one of them to the other." if one.jumps else f"{said}."
    yield f"{_profile_words(change, system)}{'' if alone else _chance(change.trays.overall)}."
    if alone:
        yield (
            f"No statement is possible on whether chance explains this: {_WHY_NOT}; drive two passes or more a test."
        )


def _chance(evidence: Evidence) -> str:
    if evidence.p is None:
        return f"; no statement is possible: {_WHY_NOT}"
    return "; that is more than chance explains" if evidence.beyond else "; chance may explain that"


def _one_machine(change: Change) -> bool:
    """Two tests of one machine are before and after; two machines are not."""
    return len({result.test.text("machine").casefold() for result in (change.before, change.after)}) == 1


def _what(found: Comparison, change: Change, one: Difference, system: str) -> str:
    """What a figure did, in words."""
    moved = one.change or 0.0
    if one.code == "centre":
        far = show(abs(moved), "length", system)
        if float(far.split()[0]) == 0:
            return "The centre of the spread lies where it lay"
        return f"The centre of the spread lies {far} farther to the {'right' if moved > 0 else 'left'}"
    over = show_width(found.reference_width_m, system)
    lead = {
        "mean rate": f"The mean rate at {over}"
        if found.bout_width_m
        else f"The mean rate over the {over} of the tray line",
        "left share": "The left share",
        "CV": f"At {over}, {one.method}, the CV",
        "effective width": f"The effective width {one.method}",
    }[one.code]
    before, after = (_figure(found, one, value, system) for value in (one.before, one.after))
    before, after = (
        value if value == "none" else f"{value} {shown_unit(KIND[one.code], system)}" for value in (before, after)
    )
    if before == after:
        return f"{lead} stayed at {after}" if _one_machine(change) else f"{lead} is {after} in both"
    if not _one_machine(change):
        return f"{lead} is {after} against {before}"
    up, down = ("grew", "shrank") if one.code == "effective width" else ("rose", "fell")
    verb = "went" if one.change is None else up if moved > 0 else down
    return f"{lead} {verb} from {before} to {after}"


def _profile_words(change: Change, system: str) -> str:
    """Which trays the profiles differ at, or where most."""
    places = f"{len(change.place_m)} {'trays' if change.same_trays else 'places'}"
    largest = np.argsort(-np.abs(change.difference_kg_ha), kind="stable")
    beyond = [at for at in largest if change.trays.beyond[at]]
    large = _difference_at(change, largest[0], system)
    if change.trays.overall.p is None:
        return f"The profiles differ most by {large}"
    lead = "Beyond what rate, shift and stretch of the whole explain, the profile differs"
    if not beyond:
        return f"{lead} at none of {places} (with them it differs most by {large})"
    named = ", ".join(_difference_at(change, at, system) for at in beyond[:_TRAYS_NAMED])
    most = "most: " if len(beyond) > _TRAYS_NAMED else ""
    return f"{lead} at {len(beyond)} of {places} ({most}{named})"


def _difference_at(change: Change, tray: int, system: str) -> str:
    at = float(change.place_m[tray])
    place = f"{show_width(abs(at), system)} {side_of(at)}" if at else "the driving line"
    moved = show_rate(float(change.difference_kg_ha[tray]), change.before, system)
    differs = _signed(moved) if float(moved) else "under 0.1"
    return f"{differs} {rate_unit(change.before, system)} at {place}"


def _signed(text: str) -> str:
    """A rounded number with its sign; 0 has none."""
    return text.lstrip("+-") if float(text) == 0 else text if text.startswith("-") else f"+{text}"


def _figure(found: Comparison, one: Difference, value: float | None, system: str) -> str:
    if one.code == "effective width" or value is None:
        return show_width(value, system, unit=False)
    if one.code == "mean rate":
        return show_rate(value, found.results[0], system)
    return show(value, "length", system, unit=False) if one.code == "centre" else show_figure(value)


def _table(found: Comparison, change: Change, system: str) -> Table:
    """A line a figure: both tests, change, the range of the change, and how often chance makes one as striking."""
    rows = []
    for one in change.differences:
        before, after = (_figure(found, one, value, system) for value in (one.before, one.after))
        ends = [one.evidence.low, one.evidence.high]
        told = [_signed(_figure(found, one, end, system)) for end in ends if end is not None]
        moved = "-" if one.change is None else _signed(_figure(found, one, one.change, system))
        label = f"{_NAMES[one.code]} {one.method}".strip() + f", {shown_unit(KIND[one.code], system)}"
        rows.append((label, before, after, moved, " to ".join(told), _by_chance(one.evidence)))
    beyond = f"{int(change.trays.beyond.sum())} of {len(change.place_m)}"
    rows.append(("Trays that differ", "", "", beyond, "", _by_chance(change.trays.overall)))
    first, second = ("before", "after") if _one_machine(change) else ("first", "second")
    if len(found.results) > 2:
        first, second = "first", "this one"
    heads = (first, second, "change", "range", "by chance, %")
    return Table((Column("", align="left"), *map(Column, heads)), tuple(rows))


def _by_chance(evidence: Evidence) -> str:
    if evidence.p is None:
        return "-"
    share = 100 * evidence.p
    text = "< 0.1" if share < 0.05 else f"{share:.1f}" if share < 9.95 else f"{share:.0f}"
    return f"{text} *" if evidence.beyond else text


def _ranked(found: Comparison, system: str) -> Table:
    """Three tests or more, from best to worst, each with the chance that it is the best."""
    is_cv, names, rows = found.bout_width_m is not None, names_of(found.results), []
    for one in found.ranking:
        value = show_figure(one.value) if is_cv and one.value is not None else show_width(one.value, system, unit=False)
        chance = show_figure(one.probability_pct, digits=0)
        rows.append((names[one.test], value, CANT_BE_JUDGED if found.results[one.test].blocking else chance))
    head = f"CV at {show_width(found.bout_width_m, system)}" if is_cv else "effective width"
    unit = "%" if is_cv else shown_unit("length", system)
    columns = (Column("test", align="left"), Column(head, unit), Column("chance to be best", "%"))
    values = [one.value for one in found.ranking if not found.results[one.test].blocking]
    note = "The chances are among the tests that have a figure; how far off the others are is not known."
    if len(values) - values.count(None) == 1:
        figure = "a CV there" if is_cv else "a width within the limit"
        note = f"Only one test has {figure}: how far off the others are is not known, and so no chance is given."
    return Table(columns, tuple(rows), "From best to worst", (note,) if None in values else ())


def _notes(found: Comparison, change: Change, system: str) -> Iterator[str]:
    """How the tests were made comparable, and what to keep in mind."""
    if change.why_scaled:
        yield f"Profiles: the later one times {change.factor:.3f}, to the same mean ({change.why_scaled})."
    else:
        yield "Profiles: as measured."
    if not change.same_trays:
        ends = " to ".join(show(float(change.place_m[at]), "length", system, unit=bool(at)) for at in (0, -1))
        yield (
            "The trays stood differently: all figures here are from the lines drawn between trays, at "
            f"{len(change.place_m)} places from {ends} that both tray lines cover; what falls beyond is left out."
        )
    if change.passes != tuple(one.profile.passes_used for one in (change.before, change.after)):
        counts = f"{change.passes[0]} before, {change.passes[1]} after"
        yield f"Passes with catches in half of the trays or more, on which the tests rest: {counts}."
    stated = {result.test.bout_width_m for result in (change.before, change.after)} - {None}
    if found.bout_width_m is None:
        yield 'No bout width is known: add --bout-width, such as "24 m", to compare the CV there.'
    elif stated - {found.bout_width_m}:
        yield f"The sheets name other bout widths too; all figures are at {show_width(found.bout_width_m, system)}."


def _footer(found: Comparison, system: str) -> str:
    level, terms = 100 * alpha(found.level_pct), found.terms
    asked = f"The question was the {found.question}: it is judged alone. " if found.question else ""
    count = sum(map(len, found.unchanged))
    learned = f"; learned from {count} tests in which nothing was changed, too" if count else ""
    laying, wind = (show(value, "length", system) for value in (terms.laying_m, terms.wind_m))
    text = (
        "* More than chance explains. By chance: in so many of 100 comparisons with nothing changed, some line differs "
        f"as much; a star marks {level:g} or fewer. Each range is for its own line only. {asked}Chance is how far "
        f"passes differ, and how far tests differ though nothing was changed: line laid {laying} off, wind of the day "
        f"{wind}, rate {terms.rate_pct:g} %, pattern {terms.stretch_pct:g} % wider or narrower (two tests of three "
        f"keep within; common practice{learned}). More passes don't cure that; repeated tests do. CV limit "
        f"{found.limit_pct:g} %."
    )
    if found.left_out or found.passed_over:
        every = (*doubtful(found), *found.passed_over)
        names = dict(zip(map(id, every), names_of(every), strict=True))
        told = [names[id(one)] for one in found.left_out]
        told += [f"{names[id(one)]} of the archive ({', '.join(one.blocking)})" for one in found.passed_over]
        text += f" Nothing is learned from tests that can't be judged: {'; '.join(told)}."
    return text + (" Each test is compared with the first only." if len(found.changes) > 1 else "")


def comparison_json(found: Comparison) -> dict[str, Any]:
    """The comparison as plain data, schema spreadcheck/comparison/2: SI throughout, keys carry their units."""
    tests = [
        sheet_json(one)
        | picked(one.profile, f"offset_m rate_{'pct_of_peak' if one.profile.relative else 'kg_ha'}=rate_kg_ha")
        | {"effective_width_m": {method: one.effective_width_m(method) for method in METHODS}}
        for one in found.results
    ]
    return envelope(
        "comparison/2",
        tests,
        [doubt for result in doubtful(found) for doubt in result.doubts],
        **picked(found, "cv_limit_pct=limit_pct level_pct bout_width_m mean_rate_over_m=reference_width_m"),
        between_tests={**vars(found.terms), "learned_from_tests": sum(map(len, found.unchanged))},
        left_out=[sheet_json(result) for result in (*found.left_out, *found.passed_over)],
        ranking=[vars(one) for one in found.ranking],
        changes=[_change_json(change, at) for at, change in enumerate(found.changes, start=1)],
    )


def sheet_json(result: Assessment) -> dict[str, Any]:
    """What stands under `tests` for one of several sheets."""
    return {
        **picked(result, "name=test.name source=test.source"),
        "form": form_data(result.test),
        "passes_used": result.profile.passes_used,
        "verdict": result.verdict,
        "warnings": warnings_data(result.doubts),
    }


def _change_json(change: Change, after: int) -> dict[str, Any]:
    unit, differences = "pct_of_peak" if change.before.profile.relative else "kg_ha", []
    for one in change.differences:
        in_unit = _DATA_UNIT[KIND[one.code]]
        differences.append(
            {"figure": one.code, "driving": one.method or None}
            | picked(one, f"before_{in_unit}=before after_{in_unit}=after change_{in_unit}=change")
            | _evidence_json(one.evidence)
            | picked(one.evidence, f"low_{in_unit}=low high_{in_unit}=high")
        )
    settings = setting_changes([change.before.test, change.after.test])
    profile = picked(
        change,
        f"offset_m=place_m before_{unit}=before_kg_ha after_{unit}=after_kg_ha difference_{unit}=difference_kg_ha "
        "after_multiplied_by=factor why_scaled same_trays",
    )
    profile |= {"rule": "Bonferroni"} | picked(change.trays, "p_together=p beyond_spread=beyond")
    return {
        "before": 0,
        "after": after,
        "passes_compared": change.passes,
        "settings": {label: {"before": before, "after": later} for label, (before, later) in settings},
        "differences": differences,
        "profile": profile
        | {"rule": "Bonferroni", "why_scaled": change.why_scaled or None}
        | _evidence_json(change.trays.overall),
    }


def _evidence_json(evidence: Evidence) -> dict[str, Any]:
    return picked(evidence, "p more_than_chance=beyond") | {
        "why_no_statement": _WHY_NOT if evidence.p is None else None
    }


@plots.plain_style()
def side_figure(found: Comparison, system: str = "metric") -> Figure:
    """What the field gets, test beside test; of many the first and those that rank best."""
    from matplotlib.figure import Figure

    best = [one.test for one in found.ranking if one.test][: _SIDE_BY_SIDE - 1]
    shown = (0, *sorted(best)) if found.ranking else range(min(len(found.results), _SIDE_BY_SIDE))
    figure = Figure(figsize=(8, 3.6), layout="constrained")
    panels = figure.subplots(1, len(shown), sharey=True, squeeze=False)[0]
    highest = 0.0
    for axes, number in zip(panels, shown, strict=True):
        result = found.results[number]
        plots.draw_deposit(axes, result, system)
        method, width = plots.shown_bout(result)
        cv = show_figure(result.bouts_at(width)[method].cv_pct)
        axes.set_title(f"{_short(found, number, 34)}\nCV {cv} % at {show_width(width, system)}", fontsize=10)
        axes.set_xlabel(f"Across the field ({shown_unit('length', system)}), {method}", fontsize=9)
        axes.get_legend().remove()
        axes.label_outer()
        highest = max(highest, axes.get_ylim()[1])
    panels[0].set_ylim(0, highest)
    return figure


def _short(found: Comparison, number: int, longest: int = 44) -> str:
    """What a test is called in a picture; the file that tells it from another stays whole."""
    name = found.results[number].test.name
    file = names_of(found.results)[number].removeprefix(name)
    return plots.plain(textwrap.shorten(name, max(longest - len(file), 10), placeholder="...") + file)


@plots.plain_style()
def comparison_figure(found: Comparison, system: str = "metric") -> Figure:
    """Three panels: the profiles of all tests; each less the first; CV against bout width, as the first is driven."""
    figure, (top, middle, bottom) = plots.panels("", 8, 9.4, 3)
    middle.sharex(top)
    length, rate = plots.scales(found.results[0], system)
    unit, method = rate_unit(found.results[0], system), found.results[0].driving or BACK_AND_FORTH
    middle.axhline(0, color="black", lw=1)
    highest = found.limit_pct
    for number, (result, change) in enumerate(zip(found.results, (None, *found.changes), strict=True)):
        name, style, factor = _short(found, number), plots.line_style(number, marks=True), 1.0
        if change is not None:
            factor = change.factor
            x, y, beyond = change.place_m * length, change.difference_kg_ha * rate, change.trays.beyond
            middle.plot(x, y, lw=1.4, ms=5, mfc="white", label=f"{name}, less the first", **style)
            if beyond.any():
                label = f"  more than chance explains ({beyond.sum()} of {len(x)})"
                middle.plot(x[beyond], y[beyond], ms=6, label=label, **style | {"ls": ""})
        x, y = result.profile.knots
        label = name + (f", times {factor:.3f}" if factor != 1.0 else "")
        top.plot(x * length, y * factor * rate, lw=1.6, ms=3.5, label=label, **style)
        centre = style | {"ls": "", "ms": 9, "mfc": "white"}
        top.plot(result.profile.centre_m * length, 0, clip_on=False, zorder=5, **centre)
        curve = result.curves[method]
        style |= {"markevery": max(len(curve.width_m) // 12, 1)}
        label = f"{name}: {show_width(result.effective_width_m(method), system)}"
        bottom.plot(curve.width_m * length, curve.cv_pct, lw=1.6, ms=4, label=label, **style)
        highest = max(highest, float(curve.cv_pct.max(initial=0.0)))
    for axes in (top, middle):
        plots.mark_centre(axes)
    where = plots.offset_label(system)
    top.set(title="Single-pass profiles", xlabel=f"{where}; large open marks: centres")
    top.set_ylabel(f"Application rate ({unit})")
    top.set_ylim(bottom=0)
    middle.set(title="Change of the profile", xlabel=where, ylabel=f"Difference ({unit})")
    plots.mark_limit(bottom, found.limit_pct)
    plots.mark_driven(bottom, found.bout_width_m, system)
    bottom.set(title=f"CV against bout width, {method}", xlabel=f"Bout width ({shown_unit('length', system)})")
    bottom.set_ylabel("CV (%)")
    bottom.set_ylim(0, min(highest * 1.05, max(4 * found.limit_pct, 60)))
    for axes in (top, middle, bottom):
        axes.legend(loc="best")
    return figure
