"""What a study of the field edge says: a document, plain data for other programs, rows for a spreadsheet."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import asdict
from functools import partial
from itertools import product
from typing import Any

from spreadcheck.field.edge import EdgeCase, EdgeStudy, OverTails
from spreadcheck.show.data import csv_text, envelope
from spreadcheck.show.document import Block, Column, Document, Paragraph, Points, Table
from spreadcheck.show.format import from_to, show_figure, show_width
from spreadcheck.spread.profile import FigureRange
from spreadcheck.units import show, shown_unit

CAUTIONS = (
    "Check local rules: beside water courses, hedges, neighbours and boundaries they and the product label decide how "
    "close may be spread. No distance here is a legal one.",
    "Border-spreading equipment changes the pattern: set it as the machine maker's manual says, and test it with trays "
    "of its own.",
    "Granules bounce and wind carries them: more may cross the edge than the trays show.",
)

LEVEL = (
    "The passes differ in level, and which is right is not known: masses with a hyphen run from the lightest pass to "
    "the heaviest. Beside water and hedges take the largest."
)


def edge_document(study: EdgeStudy, system: str = "metric") -> Document:
    """The study: a table for each distance of the first pass, distances that keep shares inside, cautions."""
    endless, per = study.fields[0].endless_mean_kg_ha, shown_unit("mass per edge", system).split("/")[1]
    mean = show(endless, "rate", system)
    basis = f"rates at the metering of the test (mean {mean})"
    if study.target_kg_ha is not None:
        basis = f"rates scaled to the target of {mean}"
    elif study.profile.relative:
        basis = "rates in proportion only: no masses"
    elif (mass := study.mass_of_passes) is not None:
        lightest, heaviest = (show(endless * share, "rate", system) for share in (mass.least, mass.most))
        basis = f"rates at the metering of the test (mean {lightest} to {heaviest}, by which pass is right)"
    basis = f"Bout width {show_width(study.bout_width_m, system)}, {basis}"
    explained = (
        "Beyond: what the passes driven leave past the edge. Short: what passes past the edge would have left inside. "
        f"Both per {per} of edge, in % of what one pass spreads on it. The edge zone is as far in as those passes "
        "would reach."
    )
    blocks: tuple[Block, ...] = (
        *(_distance(study, at, per, system) for at in dict.fromkeys(case.first_pass_m for case in study.cases)),
        *([_kept(study, system)] if study.kept else []),
        *([] if (found := study.over_tails) is None else [_over_tails(study, found, per, system)]),
        *([] if study.mass_of_passes is None else [Paragraph(LEVEL)]),
        Paragraph(explained),
        Points(CAUTIONS),
    )
    return Document(f"Field edge: {study.test.name}", blocks, about=(basis,))


def _table(study: EdgeStudy, head: str, rows: Iterable[tuple[str, ...]], caption: str) -> Table:
    """A column of names, then one for each way of driving and side of the machine to the edge."""
    first = [case for case in study.cases if case.first_pass_m == study.cases[0].first_pass_m]
    columns = (Column(head, align="left"), *(Column(case.side, over=case.method) for case in first))
    return Table(columns, tuple(rows), caption)


def _distance(study: EdgeStudy, distance_m: float, per: str, system: str) -> Table:
    """One distance of the first pass: the edge, then the whole field."""
    here = [(at, case) for at, case in enumerate(study.cases) if case.first_pass_m == distance_m]
    fields = [field for field in study.fields if field.first_pass_m == distance_m]
    tails, length, mass = study.over_tails, shown_unit("length", system), shown_unit("mass", system)

    def beyond_kg(at: int, case: EdgeCase) -> str:
        ends = tails.beyond_kg[at] if tails and tails.beyond_kg else None
        return _mass(study, ends.least if ends else case.beyond_kg, ends.most if ends else case.beyond_kg, system)

    def beyond_pct(at: int, case: EdgeCase) -> str:
        return _span(tails.beyond_pct[at], show_figure) if tails else show_figure(case.beyond_pct)

    edge: dict[str, Callable[[int, EdgeCase], str]] = {
        f"beyond the edge, {mass}": beyond_kg,
        "beyond, % of a pass": beyond_pct,
        f"short inside, {mass}": lambda _, case: _mass(study, case.short_kg, case.short_kg, system),
        "short, % of a pass": lambda _, case: show_figure(case.short_pct),
        f"edge zone, {length}": lambda _, case: _length(case.zone_m, system),
        f"under 90 % of the mean, {length}": lambda _, case: _length(case.strip_m, system),
        f"the same without an edge, {length}": lambda _, case: _length(case.strip_endless_m, system),
    }
    whole = {
        "mean, % of the endless field's": "mean_pct_of_endless",
        "CV by line, %": "cv_line_pct",
        "endless field's CV by line, %": "endless_cv_line_pct",
        "past both edges, % of all": "beyond_pct",
    }
    blank = tuple("" for _ in here)
    told = ((f"  {label}", *(cell(at, case) for at, case in here)) for label, cell in edge.items())
    rows = [
        (f"Per {per} of edge", *blank),
        *(row for row in told if set(row[1:]) != {"-"}),  # masses, where only proportions are known
        (f"{fields[0].passes} passes, no headland, {show_width(fields[0].width_m, system)}", *blank),
        *((f"  {label}", *(show_figure(getattr(field, name)) for field in fields)) for label, name in whole.items()),
    ]
    half = " (half a bout)" if distance_m == study.bout_width_m / 2 else ""
    return _table(
        study, "machine side to the edge", rows, f"First pass {show_width(distance_m, system)} from the edge{half}"
    )


def _span(found: FigureRange, shown: Callable[[float], str], between: str = "-") -> str:
    return from_to(shown(found.least), shown(found.most), between)


def _mass(study: EdgeStudy, least_kg: float | None, most_kg: float | None, system: str, between: str = "-") -> str:
    """A mass per length of edge, from the least to the most where it rests on which pass is right."""
    if least_kg is None or most_kg is None:
        return "-"
    by_pass = study.mass_of_passes or FigureRange(1.0, 1.0)
    ends = FigureRange(least_kg * by_pass.least, most_kg * by_pass.most)
    return _span(ends, partial(show, kind="mass per edge", system=system, unit=False), between)


def _length(length_m: float, system: str, digits: int | None = None) -> str:
    return show(length_m, "length", system, unit=False, digits=digits)


def _kept(study: EdgeStudy, system: str) -> Table:
    """The first-pass distance that keeps each share inside, and what it leaves under 90 %."""
    rows: list[tuple[str, ...]] = []
    for share in dict.fromkeys(share for share, _ in study.kept):
        here = [(at, case) for at, (kept, case) in enumerate(study.kept) if kept == share]
        distances = [_length(case.first_pass_m, system) for _, case in here]
        if study.over_tails is not None:
            tenths = partial(_length, system=system, digits=1)
            distances = [_span(study.over_tails.first_pass_m[at], tenths) for at, _ in here]
        rows.append((f"{share:g} % of a pass: at", *distances))
        rows.append(("  strip under 90 %", *(_length(case.strip_m, system) for _, case in here)))
    return _table(study, f"{shown_unit('length', system)}, by side", rows, "First pass that keeps inside")


def _over_tails(study: EdgeStudy, found: OverTails, per: str, system: str) -> Paragraph:
    """What the end trays leave open, in words; the least and the most of all ways of driving."""
    least, most = min(one.least for one in found.beyond_pct), max(one.most for one in found.beyond_pct)
    told = f"{_span(FigureRange(least, most), show_figure, ' to ')} % of a pass"
    if (masses := found.beyond_kg) is not None:
        least, most = min(one.least for one in masses), max(one.most for one in masses)
        told = f"{_mass(study, least, most, system, ' to ')} {shown_unit('mass', system)} per {per}, {told}"
    return Paragraph(
        "THE END TRAYS STILL CATCH: what fell beyond them is not known. Over all plausible tails, beyond the edge: "
        f"{told}. Figures with a hyphen are the least and the most of these; the rest is drawn on a guess. Beside "
        "water and hedges take the largest; lay trays farther out to know."
    )


def edge_json(study: EdgeStudy) -> dict[str, Any]:
    """The study as plain data (spreadcheck/edge/1), SI; ends over the tails stand as in `edge` and `kept_inside`."""
    unit = "_pct_of_peak" if study.profile.relative else "_kg_ha"
    fields = list(map(asdict, study.fields))
    found, over_tails = study.over_tails, None
    if found is not None:
        named = (("beyond_pct", found.beyond_pct), ("beyond_kg_per_100_m", found.beyond_kg),
                 ("first_pass_m", found.first_pass_m))  # fmt: skip
        over_tails = {name: each and [[one.least, one.most] for one in each] for name, each in named}
    mass = study.mass_of_passes
    return envelope(
        "edge/1",
        study,
        bout_width_m=study.bout_width_m,
        target_rate_kg_ha=study.target_kg_ha,
        edge=[_case_json(case) for case in study.cases],
        kept_inside=[{"share_pct": share, **_case_json(case)} for share, case in study.kept],
        over_tails=over_tails,
        mass_of_passes=mass and [mass.least, mass.most],
        whole_field=[{key.replace("_kg_ha", unit): value for key, value in field.items()} for field in fields],
    )


def _case_json(case: EdgeCase) -> dict[str, Any]:
    named = {"beyond_kg": "beyond_kg_per_100_m", "short_kg": "short_kg_per_100_m"}
    return {named.get(key, key): value for key, value in asdict(case).items()}


def edge_csv(study: EdgeStudy, system: str = "metric") -> str:
    """A row a distance, method and side, then the kept shares; what rests on tails or pass has least and most."""
    tails, mass = study.over_tails, study.mass_of_passes
    cases = [("", case) for case in study.cases] + [(f"{share:g}", case) for share, case in study.kept]
    rows = [{"keep_inside_pct": share, **_case_json(case)} for share, case in cases]
    of_pass, kept = rows[: len(study.cases)], rows[len(study.cases) :]
    open_ended = () if tails is None else (
        ("beyond_pct", of_pass, tails.beyond_pct),
        ("beyond_kg_per_100_m", of_pass, tails.beyond_kg or ()),
        ("first_pass_m", kept, tails.first_pass_m),
    )  # fmt: skip
    for key, these, ends in open_ended:
        for row in rows:  # every row has every column
            row |= {f"least_{key}": None, f"most_{key}": None}
        for row, one in zip(these, ends, strict=bool(ends)):
            row |= {f"least_{key}": one.least, f"most_{key}": one.most, key: None}
    if mass is not None:
        for row, key in product(rows, ("beyond_kg_per_100_m", "short_kg_per_100_m")):
            low, high = (row[key],) * 2 if row[key] is not None else (row[f"least_{key}"], row[f"most_{key}"])
            row |= {f"least_{key}": low * mass.least, f"most_{key}": high * mass.most, key: None}
    return csv_text(rows, system)
