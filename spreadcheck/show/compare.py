"""A comparison of tests for a terminal, plain words first, and as plain data."""

from __future__ import annotations

from typing import Any

from spreadcheck.doubts.doubt import warnings_data
from spreadcheck.improve.compare import Change, Comparison, Difference
from spreadcheck.improve.settings import setting_changes
from spreadcheck.judge.assessment import Assessment
from spreadcheck.passes.evidence import Evidence, alpha
from spreadcheck.sheet.labels import LABELS, METHODS
from spreadcheck.show.document import Block, Column, Document, Heading, Paragraph, Picture, Points, Table
from spreadcheck.show.format import rate_unit, show_pct, show_rate, show_width
from spreadcheck.show.json import envelope
from spreadcheck.units import show, shown_unit

_DATA_UNIT = {"length": "m", "rate": "kg_ha", "share": "pct"}


def comparison_document(found: Comparison, system: str = "metric", *, svg: str = "") -> Document:
    """Every test held against the first: what changed in words, in figures, and what that rests on."""
    blocks: list[Block] = [_ranked(found, system)] if found.ranking else []
    for change in found.changes:
        before, after = _names(change)
        if len(found.changes) > 1:
            blocks.append(Heading(f"{after}, against {before}"))
        differing = setting_changes([result.test for result in (change.before, change.after)], system=system)
        said = "; ".join(f"{label} {one} -> {other}" for label, (one, other) in differing)
        blocks += [
            Paragraph(f"The sheets differ in: {said}" if said else "The sheets name no setting that differs"),
            Points(tuple(_sentences(found, change, system))),
            _table(found, change, system),
            Points(tuple(_notes(found, change, system)), small=True),
        ]
    if svg:
        words = "The profiles of all tests, what changed, and CV against bout width."
        blocks.append(Picture("Profiles, changes and CV", words, svg))
    about = tuple(f"{result.test.name}, {_passes(result.profile.passes_used)}" for result in found.results)
    return Document("Tests held against each other", (*blocks, Paragraph(_footer(found), "small")), about=about)


def _names(change: Change) -> list[str]:
    """What the tests are called; with their files where both are called the same."""
    tests = [change.before.test, change.after.test]
    same = tests[0].name == tests[1].name
    return [f"{test.name} ({test.source})" if same and test.source else test.name for test in tests]


def _passes(count: int) -> str:
    return "1 pass" if count == 1 else f"mean of {count} passes"


def _sentences(found: Comparison, change: Change, system: str) -> list[str]:
    """Plain words; where no figure can be judged for one reason, the reason is said once."""
    evidence = [change.trays.overall, *(one.evidence for one in change.differences)]
    reasons = {one.why_not for one in evidence}
    alone = len(reasons) == 1 and "" not in reasons
    lines = [f"{_what(found, one, system)}{_verdict(one, alone)}" for one in change.differences]
    lines.append(f"{_profile_words(change, system)}{_verdict(change.trays.overall, alone)}")
    if alone:
        reason = reasons.pop()
        remedy = "; drive two passes or more a test" if "one pass" in reason else ""
        lines.append(f"No statement is possible on whether chance explains this: {reason}{remedy}.")
    return lines


def _verdict(one: Difference | Evidence, alone: bool) -> str:
    if isinstance(one, Difference):
        if one.change is not None and abs(one.change) < 1e-9:
            return "."
        one = one.evidence
    if alone:
        return "."
    if one.p is None:
        return f"; no statement is possible: {one.why_not}."
    explains = "is more than chance explains" if one.beyond else "chance may explain"
    return f"; that {explains} ({_p(one.p)})."


def _p(p: float) -> str:
    return "p < 0.001" if p < 0.0005 else f"p = {p:.3f}" if p < 0.0995 else f"p = {p:.2f}"


def _what(found: Comparison, one: Difference, system: str) -> str:
    """What a figure did, in words."""
    before, after = (_figure(found, one, value, system) for value in (one.before, one.after))
    went = "stayed at" if before == after else ""
    if one.code == "mean rate":
        unit, over = shown_unit("rate", system), _reference(found, system)
        return f"The mean rate {over} " + (
            f"{went} {after} {unit}" if went else f"went from {before} to {after} {unit}"
        )
    if one.code == "centre":
        return _moved(one, system)
    if one.code == "left share":
        return f"The left share {went} {after} %" if went else f"The left share went from {before} % to {after} %"
    if one.code == "CV":
        lead = f"At {show_width(found.bout_width_m, system)}, {one.method}, the CV"
        turn = "fell" if (one.change or 0) < 0 else "rose"
        return f"{lead} {went} {after} %" if went else f"{lead} {turn} from {before} % to {after} %"
    turn = "went" if one.change is None else "grew" if one.change > 0 else "shrank"
    ends = [show_width(value, system) for value in (one.before, one.after)]
    lead = f"The effective width {one.method}"
    return f"{lead} stayed at {ends[1]}" if went else f"{lead} {turn} from {ends[0]} to {ends[1]}"


def _moved(one: Difference, system: str) -> str:
    moved = one.change or 0.0
    far = show(abs(moved), "length", system)
    if float(far.split()[0]) == 0:
        return "The centre of the spread stayed where it was"
    return f"The change moved the centre of the spread {far} to the {'right' if moved > 0 else 'left'}"


def _profile_words(change: Change, system: str) -> str:
    """At how many trays the profiles differ, or where most."""
    at = float(change.place_m[change.most])
    place = f"{show_width(abs(at), system)} {'left' if at < 0 else 'right'}" if at else "the driving line"
    most = _signed(float(show_rate(float(change.difference_kg_ha[change.most]), change.before, system)), 1)
    where = "trays" if change.same_trays else "places"
    large = f"{most} {rate_unit(change.before, system)} at {place}"
    if change.trays.overall.p is None:
        return f"The profiles differ most by {large}"
    beyond = int(change.trays.beyond.sum())
    if not beyond:
        return f"At none of {len(change.place_m)} {where} does the profile stand out, the most is {large}"
    return f"The profile differs at {beyond} of {len(change.place_m)} {where}, most by {large}"


def _signed(value: float, digits: int) -> str:
    text = f"{value:+.{digits}f}"
    return text.lstrip("+-") if float(text) == 0 else text


def _reference(found: Comparison, system: str) -> str:
    width = show_width(found.reference_width_m, system)
    return f"at {width}" if found.bout_width_m is not None else f"over the {width} of the tray line"


def _figure(found: Comparison, one: Difference, value: float | None, system: str) -> str:
    if value is None:
        return "none"
    if one.kind == "rate":
        return show_rate(value, found.results[0], system)
    if one.code == "effective width":
        return show_width(value, system, unit=False)
    return show(value, "length", system, unit=False) if one.kind == "length" else show_pct(value)


def _table(found: Comparison, change: Change, system: str) -> Table:
    """A line a figure: both tests, change, the range of the change, and the chance."""
    rows = []
    for one in change.differences:
        before, after = (_figure(found, one, value, system) for value in (one.before, one.after))
        cells = (_label(one, system), before, after, _change_shown(one, one.change, system), _range(one, system))
        rows.append((*cells, _p_cell(one.evidence)))
    beyond = f"{int(change.trays.beyond.sum())} of {len(change.place_m)}"
    rows.append(("Trays that differ", "", "", beyond, "", _p_cell(change.trays.overall)))
    heads = (*_heads(found, change), "change", "range", "p")
    return Table((Column("", align="left"), *map(Column, heads)), tuple(rows))


def _heads(found: Comparison, change: Change) -> tuple[str, str]:
    """Two tests of one machine are before and after; two machines are not."""
    machines = {result.test.text("machine").casefold() for result in (change.before, change.after)}
    if len(found.results) > 2:
        return "first", "this one"
    return ("before", "after") if len(machines) == 1 else ("first", "second")


def _ranked(found: Comparison, system: str) -> Table:
    """Three tests or more, from best to worst, each with the chance that it is the best."""
    is_cv = found.ranking[0].code == "CV"
    rows = []
    for one in found.ranking:
        shown = show_pct(one.value or 0.0) if is_cv else show_width(one.value, system, unit=False)
        value = "none" if one.value is None else shown
        rows.append((found.results[one.test].test.name, value, show_pct(one.probability_pct, digits=0)))
    head = f"CV at {show_width(found.bout_width_m, system)}" if is_cv else "effective width"
    unit = "%" if is_cv else shown_unit("length", system)
    columns = (Column("test", align="left"), Column(head, unit), Column("chance to be best", "%"))
    return Table(columns, tuple(rows), "From best to worst")


def _label(one: Difference, system: str) -> str:
    units = {"rate": shown_unit("rate", system), "length": shown_unit("length", system), "share": "%"}
    names = {
        "mean rate": "Mean rate",
        "centre": "Centre (right +)",
        "left share": "Left share",
        "CV": "CV",
        "effective width": "Width",
    }
    return f"{names[one.code]} {one.method}".strip() + f", {units[one.kind]}"


def _change_shown(one: Difference, value: float | None, system: str) -> str:
    if value is None:
        return "-"
    if one.kind == "share":
        return _signed(value, 1)
    text = _length_or_rate(one, value, system)
    return _signed(float(text), len(text.partition(".")[2]))


def _length_or_rate(one: Difference, value: float, system: str) -> str:
    if one.code == "effective width":
        return show_width(value, system, unit=False)
    return show(value, one.kind, system, unit=False)


def _range(one: Difference, system: str) -> str:
    low, high = one.evidence.low, one.evidence.high
    if low is None or high is None:
        return ""
    return f"{_change_shown(one, low, system)} to {_change_shown(one, high, system)}"


def _p_cell(evidence: Evidence) -> str:
    if evidence.p is None:
        return "-"
    p = "< 0.001" if evidence.p < 0.0005 else f"{evidence.p:.3f}"
    return f"{p} *" if evidence.beyond else p


def _notes(found: Comparison, change: Change, system: str) -> list[str]:
    """How the tests were made comparable, and what to keep in mind."""
    length = shown_unit("length", system)
    ends = [show(float(change.place_m[at]), "length", system, unit=False) for at in (0, -1)]
    notes: list[str] = []
    if change.why_scaled:
        notes.append(f"Profiles: the later one times {change.factor:.3f}, to the same mean ({change.why_scaled}).")
    else:
        notes.append("Profiles: as measured.")
    if not change.same_trays:
        notes.append(
            f"The trays stood differently: all figures here are from the lines drawn between trays, at "
            f"{len(change.place_m)} places from {ends[0]} to {ends[1]} {length} that both tray lines cover; what "
            "falls beyond is left out."
        )
    if change.passes != tuple(one.profile.passes_used for one in (change.before, change.after)):
        notes.append(
            f"Passes with catches in half of the trays or more, on which the tests rest: {change.passes[0]} before, "
            f"{change.passes[1]} after."
        )
    stated = {result.test.bout_width_m for result in (change.before, change.after)} - {None}
    if found.bout_width_m is None:
        notes.append('No bout width is known: add --bout-width, such as "24 m", to compare the CV there.')
    elif stated - {found.bout_width_m}:
        notes.append(
            f"The sheets name other bout widths too; all figures are at {show_width(found.bout_width_m, system)}."
        )
    return notes


def _footer(found: Comparison) -> str:
    level, terms = alpha(found.level_pct), found.terms
    asked = f"The question was the {found.question}: it is judged alone. " if found.question else ""
    learned = f", and learned from {found.repeats} repeats" if found.repeats else ""
    text = (
        f"* more than chance explains: p up to {level:g}. {asked}p is good for all lines of a comparison together "
        f"(Holm's rule): where nothing changed, at most about {100 * level:g} comparisons in 100 have a star. "
        f"Chance is the spread of the passes, and what differs from test to test: line laid {terms.laying_m:g} m off, "
        f"wind of the day {terms.wind_m:g} m, rate {terms.rate_pct:g} %, stretch {terms.stretch_pct:g} % (standard "
        f"deviations, common practice{learned}). More passes don't cure that; repeated tests do. CV limit "
        f"{found.limit_pct:g} %."
    )
    return text + (" Each test is compared with the first only." if len(found.changes) > 1 else "")


def comparison_json(found: Comparison) -> dict[str, Any]:
    """The comparison as plain data, schema spreadcheck/comparison/2: SI throughout, keys carry their units."""
    return envelope(
        "comparison/2",
        [_test_json(result) for result in found.results],
        [doubt for result in found.results for doubt in result.doubts],
        cv_limit_pct=found.limit_pct,
        level_pct=found.level_pct,
        bout_width_m=found.bout_width_m,
        mean_rate_over_m=found.reference_width_m,
        changes=[_change_json(change, at) for at, change in enumerate(found.changes, start=1)],
    )


def _test_json(result: Assessment) -> dict[str, Any]:
    profile = result.profile
    return {
        "name": result.test.name,
        "source": result.test.source,
        "form": {LABELS[k].key: list(v) if isinstance(v, tuple) else v for k, v in result.test.values.items()},
        "passes_used": profile.passes_used,
        "offset_m": profile.offset_m.tolist(),
        f"rate_{_rate_key(result)}": profile.rate_kg_ha.tolist(),
        "effective_width_m": {method: result.effective_width_m(method) for method in METHODS},
        "warnings": warnings_data(result.doubts),
    }


def _rate_key(result: Assessment) -> str:
    return "pct_of_peak" if result.profile.relative else "kg_ha"


def _change_json(change: Change, after: int) -> dict[str, Any]:
    unit = _rate_key(change.before)
    return {
        "before": 0,
        "after": after,
        "passes_compared": list(change.passes),
        "settings": {
            label: {"before": before, "after": later}
            for label, (before, later) in setting_changes([change.before.test, change.after.test])
        },
        "differences": [_difference_json(one) for one in change.differences],
        "profile": {
            "offset_m": change.place_m.tolist(),
            f"before_{unit}": change.before_kg_ha.tolist(),
            f"after_{unit}": change.after_kg_ha.tolist(),
            f"difference_{unit}": change.difference_kg_ha.tolist(),
            "after_multiplied_by": change.factor,
            "why_scaled": change.why_scaled or None,
            "same_trays": change.same_trays,
            "rule": change.trays.rule,
            "p_together": change.trays.p.tolist(),
            "beyond_spread": change.trays.beyond.tolist(),
            **_evidence_json(change.trays.overall, ""),
        },
    }


def _difference_json(one: Difference) -> dict[str, Any]:
    unit = _DATA_UNIT[one.kind]
    return {
        "figure": one.code,
        "driving": one.method or None,
        f"before_{unit}": one.before,
        f"after_{unit}": one.after,
        f"change_{unit}": one.change,
        **_evidence_json(one.evidence, unit),
    }


def _evidence_json(evidence: Evidence, unit: str) -> dict[str, Any]:
    data: dict[str, Any] = {
        "p": evidence.p,
        "more_than_chance": evidence.beyond,
        "why_no_statement": evidence.why_not or None,
    }
    if unit:
        data |= {f"low_{unit}": evidence.low, f"high_{unit}": evidence.high}
    return data
