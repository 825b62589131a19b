"""What a study of the field edge says: text for a terminal, plain data for other programs, rows for a spreadsheet."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import asdict
from functools import partial
from typing import Any

from spreadcheck.field.edge import EdgeCase, EdgeStudy, WholeField
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.csv import csv_text, in_units
from spreadcheck.show.format import show_pct, show_width
from spreadcheck.show.json import envelope
from spreadcheck.show.verdict import verdict_data
from spreadcheck.spread.tails import FigureRange
from spreadcheck.units import show, shown_unit

WIDTH = 80
CAUTIONS = (
    "Check local rules: beside water courses, hedges, neighbours and boundaries they and the product label decide how "
    "close may be spread. No distance here is a legal one.",
    "Border-spreading equipment changes the pattern: set it as the machine maker's manual says, and test it with trays "
    "of its own.",
    "Granules bounce and wind carries them: more may cross the edge than the trays show.",
)
_LABEL, _CELLS = 36, 44  # columns for the label and for all cells together


def edge_text(study: EdgeStudy, system: str = "metric") -> str:
    """The study for a terminal, 80 columns wide."""
    title = textwrap.shorten(f"Field edge: {study.test.name}", WIDTH, placeholder="...")
    parts = [title + "\n" + _basis(study, system)]
    for distance in dict.fromkeys(case.first_pass_m for case in study.cases):
        parts.append(_distance(study, distance, system))
    parts += [
        _kept(study, system),
        _wrapped(_over_tails(study, system)),
        "\n".join(_wrapped(line) for line in (_explained(system), *CAUTIONS)),
    ]
    return "\n\n".join(part for part in parts if part)


def _basis(study: EdgeStudy, system: str) -> str:
    mean = study.fields[0].endless_mean_kg_ha
    about = f"Bout width {show_width(study.bout_width_m, system)}, "
    if study.target_kg_ha is not None:
        return about + f"rates scaled to the target of {show(mean, 'rate', system)}"
    if study.profile.relative:
        return about + "rates in proportion only: no masses"
    return about + f"rates at the metering of the test (mean {show(mean, 'rate', system)})"


def _row(label: str, cells: Sequence[str]) -> str:
    """Cells share their room: two methods, or two methods with two sides each."""
    return (f"{label:<{_LABEL}}" + "".join(f"{cell:>{_CELLS // len(cells)}}" for cell in cells)).rstrip()


def _heading(label: str, study: EdgeStudy) -> list[str]:
    """Driving methods, and below them the sides of the machine."""
    return [_row(label, METHODS), _row("side of the machine to the edge", [case.side for case in _first(study)])]


def _first(study: EdgeStudy) -> list[EdgeCase]:
    """The ways of driving, as the cases of the first distance."""
    return [case for case in study.cases if case.first_pass_m == study.cases[0].first_pass_m]


def _distance(study: EdgeStudy, distance_m: float, system: str) -> str:
    """One distance of the first pass: the edge, then the whole field."""
    cases = [case for case in study.cases if case.first_pass_m == distance_m]
    fields = [field for field in study.fields if field.first_pass_m == distance_m]
    half = " (half a bout)" if distance_m == study.bout_width_m / 2 else ""
    length, mass = shown_unit("length", system), shown_unit("mass", system)
    edge: list[tuple[str, Callable[[EdgeCase], str]]] = [
        (f"beyond the edge, {mass}", lambda c: _mass(c.beyond_kg, system)),
        ("beyond, % of a pass", lambda c: show_pct(c.beyond_pct)),
        (f"short inside, {mass}", lambda c: _mass(c.short_kg, system)),
        ("short, % of a pass", lambda c: show_pct(c.short_pct)),
        (f"edge zone, {length}", lambda c: _length(c.zone_m, system)),
        (f"of it under 90 % of the mean, {length}", lambda c: _length(c.strip_m, system)),
        (f"the same without an edge, {length}", lambda c: _length(c.strip_endless_m, system)),
    ]
    whole: list[tuple[str, Callable[[WholeField], str]]] = [
        ("mean, % of the endless field's", lambda f: show_pct(f.mean_pct_of_endless)),
        ("CV by line, %", lambda f: show_pct(f.cv_line_pct)),
        ("endless field's CV by line, %", lambda f: show_pct(f.endless_cv_line_pct)),
        ("past both edges, % of all spread", lambda f: show_pct(f.beyond_pct)),
    ]
    lines = _heading(f"First pass {show_width(distance_m, system)} from the edge", study)
    lines.append(f"  Per {_edge(system)} of edge{half}")
    for label, cell in edge:
        cells = [cell(case) for case in cases]
        if study.over_tails is not None and label.startswith("beyond"):
            cells = _spans(study, distance_m, system, of_pass="%" in label)
        if set(cells) != {"-"}:  # masses, where only proportions are known
            lines.append(_row(f"    {label}", cells))
    lines.append(f"  A field of {fields[0].passes} passes, {show_width(fields[0].width_m, system)} wide, no headland")
    return "\n".join(lines + [_row(f"    {label}", [cell(field) for field in fields]) for label, cell in whole])


def _spans(study: EdgeStudy, distance_m: float, system: str, *, of_pass: bool) -> list[str]:
    """What falls beyond the edge over all plausible tails: least-most, a cell a way of driving."""
    found = study.over_tails
    ranges = None if found is None else found.beyond_pct if of_pass else found.beyond_kg
    here = [at for at, case in enumerate(study.cases) if case.first_pass_m == distance_m]
    if ranges is None:
        return ["-"] * len(here)
    shown = show_pct if of_pass else partial(_mass, system=system)
    return ["-".join(dict.fromkeys((shown(ranges[at].least), shown(ranges[at].most)))) for at in here]


def _edge(system: str) -> str:
    """The length of edge that masses are told for."""
    return shown_unit("mass per edge", system).split("/")[1]


def _mass(mass_kg_100_m: float | None, system: str) -> str:
    return show(mass_kg_100_m, "mass per edge", system, unit=False)


def _length(length_m: float, system: str) -> str:
    return show(length_m, "length", system, unit=False)


def _kept(study: EdgeStudy, system: str) -> str:
    """The first-pass distance that keeps each share inside, and what it leaves under 90 %."""
    if not study.kept:
        return ""
    length = shown_unit("length", system)
    lines = _heading("First pass that keeps inside", study)
    for share in dict.fromkeys(kept.share_pct for kept in study.kept):
        cases = [kept.case for kept in study.kept if kept.share_pct == share]
        at = [_length(case.first_pass_m, system) for case in cases]
        if study.over_tails is not None:
            wanted = [span for span, kept in zip(study.over_tails.first_pass_m, study.kept, strict=True)
                      if kept.share_pct == share]  # fmt: skip
            at = [
                "-".join(show(end, "length", system, unit=False, digits=1) for end in (span.least, span.most))
                for span in wanted
            ]
        lines.append(_row(f"  {share:g} % of a pass: at, {length}", at))
        lines.append(_row(f"    strip under 90 %, {length}", [_length(c.strip_m, system) for c in cases]))
    return "\n".join(lines)


def _over_tails(study: EdgeStudy, system: str) -> str:
    """What the end trays leave open, in words; the least and the most of all ways of driving."""
    found = study.over_tails
    if found is None:
        return ""

    def span(ranges: Sequence[FigureRange], shown: Callable[[float], str]) -> str:
        return f"{shown(min(one.least for one in ranges))} to {shown(max(one.most for one in ranges))}"

    parts = [f"{span(found.beyond_pct, show_pct)} % of a pass"]
    if found.beyond_kg is not None:
        mass = span(found.beyond_kg, lambda kilos: _mass(kilos, system))
        parts.insert(0, f"{mass} {shown_unit('mass', system)} per {_edge(system)}")
    return (
        "THE END TRAYS STILL CATCH: what fell beyond them is not known. Over all plausible tails, beyond the edge: "
        f"{', '.join(parts)}. Figures with a hyphen are the least and the most of these; the rest is drawn on a guess. "
        "Beside water and hedges take the largest; lay trays farther out to know."
    )


def _explained(system: str) -> str:
    return (
        "Beyond: what the passes driven leave past the edge. Short: what passes past the edge would have left inside. "
        f"Both per {_edge(system)} of edge, in % of what one pass spreads on it. The edge zone is as far in as those "
        "passes would reach."
    )


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def edge_json(study: EdgeStudy) -> dict[str, Any]:
    """The study as plain data, schema spreadcheck/edge/1: SI throughout, keys carry their units."""
    return envelope(
        "edge/1",
        study.test,
        study.doubts,
        verdict=verdict_data(study.verdict),
        bout_width_m=study.bout_width_m,
        target_rate_kg_ha=study.target_kg_ha,
        edge=[_case_json(case) for case in study.cases],
        kept_inside=[{"share_pct": kept.share_pct, **_case_json(kept.case)} for kept in study.kept],
        over_tails=_tails_json(study),
        whole_field=[_field_json(field, relative=study.profile.relative) for field in study.fields],
    )


def _tails_json(study: EdgeStudy) -> dict[str, Any] | None:
    """Least and most beyond the edge over all plausible tails, beside "edge" and "kept_inside"."""
    found = study.over_tails
    if found is None:
        return None
    return {
        "beyond_pct": [[one.least, one.most] for one in found.beyond_pct],
        "beyond_kg_per_100_m": found.beyond_kg and [[one.least, one.most] for one in found.beyond_kg],
        "first_pass_m": [[one.least, one.most] for one in found.first_pass_m],
    }


def _case_json(case: EdgeCase) -> dict[str, Any]:
    named = {"beyond_kg": "beyond_kg_per_100_m", "short_kg": "short_kg_per_100_m"}
    return {named.get(key, key): value for key, value in asdict(case).items()}


def _field_json(field: WholeField, *, relative: bool) -> dict[str, Any]:
    data = asdict(field) | {"mean_pct_of_endless": field.mean_pct_of_endless}
    unit = "_pct_of_peak" if relative else "_kg_ha"
    return {key.replace("_kg_ha", unit): value for key, value in data.items()}


# JSON key -> kind of quantity; what is not here has no unit to change
_KINDS = {
    "first_pass_m": "length", "beyond_kg_per_100_m": "mass per edge", "short_kg_per_100_m": "mass per edge",
    "zone_m": "length", "strip_m": "length", "strip_endless_m": "length",
}  # fmt: skip


def edge_csv(study: EdgeStudy, system: str = "metric") -> str:
    """The study for a spreadsheet: one row a distance, driving method and side; the kept shares below."""
    rows = [("", case) for case in study.cases] + [(f"{kept.share_pct:g}", kept.case) for kept in study.kept]
    return csv_text([{"keep_inside_pct": share, **in_units(_case_json(case), _KINDS, system)} for share, case in rows])
