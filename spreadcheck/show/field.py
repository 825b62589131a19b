"""A field map as a document and as plain data; and the page on which the switching can be moved."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from spreadcheck.doubts.doubt import warnings_data
from spreadcheck.field.case import FieldCase, FieldStudy
from spreadcheck.field.deposit import ARC, Landing
from spreadcheck.field.fieldmap import NEAR_PCT, NIL_PCT, SHARES, FieldMap
from spreadcheck.field.study import Worth
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.show.document import Answer, Block, Column, Document, Heading, Note, Paragraph, Picture, Points, Table
from spreadcheck.show.json import envelope, form_data, picked
from spreadcheck.show.verdict import verdict_data
from spreadcheck.units import HECTARE_M2, show, shown_unit

CAUTIONS = (
    "The map is an estimate for advice, never a permit. It holds for product, setting and weather of the tray test.",
    "Keep the distances to water courses, hedges and neighbours that local rules and the product label ask for.",
    "Stop discs and engine before anyone goes near the spreader; the machine maker's manual says how.",
)


_PICTURE = (
    "Rate on every {} cell in six bands from nil (white, hatched) to far over the target (dark); boundary, track, "
    "scale bar and north. The numbers are the places named below."
)


def field_document(
    study: FieldStudy,
    system: str = "metric",
    *,
    worth: Sequence[Worth] = (),
    svg: str = "",
    front: tuple[Block, ...] = (),
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
    svg : str
        The picture; none if empty. [-]
    front : tuple of Block
        What a page sets in above the figures. [-]

    Returns
    -------
    Document
        The document, for any renderer. [-]

    Examples
    --------
    >>> field_document.__name__  # a whole one is in docs/field.md
    'field_document'
    """
    case = study.case
    blocks: list[Block] = [*_answers(study), *front]
    if svg:
        cell = length_words(case.found.raster.cell_m, system)
        blocks.append(Picture(f"What {study.name} gets", _PICTURE.format(cell), svg=svg, wide=True))
    blocks.append(_masses(study, system))
    if study.spots:
        rows = tuple((f"{spot.number}  {spot.name}", f"{spot.times:.1f}") for spot in study.spots)
        columns = (Column("place", align="left"), Column("times the target"))
        blocks.append(Table(columns, rows, caption="Heaviest and lightest places"))
    if study.headings:
        blocks.append(_headings(study))
    if study.nutrients:
        blocks.append(_nutrients(study, system))
    if len(study.cases) > 1:
        blocks += [Heading("Ways compared"), _ways(study, study.cases, system)]
    if worth:
        blocks += [Heading("What better driving would be worth"), _worth(study, worth, system)]
    blocks += [Heading("How far to trust it"), Points(tuple(_trust(study, system)))]
    blocks.append(Note("Caution", CAUTIONS[0], CAUTIONS[1:]))
    about = f"{show(case.ground.polygon.area, 'area', system)}, with the tray test {study.test.name}"
    return Document(title=f"Field map: {study.name}", blocks=tuple(blocks), about=(about, _driven(study, case, system)))


def length_words(metres: float, system: str) -> str:
    """A length to the decimetre, whole ones without the nought."""
    return show(metres, "length", system, digits=1).replace(".0 ", " ")


def _driven(study: FieldStudy, case: FieldCase, system: str) -> str:
    """How the field is driven, in one sentence."""
    driving = case.driving
    width = length_words(case.bout_width_m, system)
    if driving is None or case.plan is None:
        track = study.track
        points = f"{track.points:,} fixes" if track else ""
        return f"Recorded track of {points}, judged at a bout width of {width}; {way_words(case, [case], system)}"
    best = min(study.headings, key=lambda pair: pair[1], default=(None, 0.0))[0] == driving.heading_deg
    heading = f"heading {driving.heading_deg:g} degrees{' (the best looked at)' if best else ''}"
    rounds = f"{driving.headland_rounds} headland round{'s' * (driving.headland_rounds != 1)}"
    drift = f"; drift of {length_words(driving.drift_m, system)}" if driving.drift_m else ""
    border = "; border device on the outermost round" if driving.border else ""
    return (
        f"Plan: {rounds} and {case.plan.bouts} bouts of {width}, {driving.method}, {heading}; the slide opens "
        f"{length_words(driving.on_m, system)} and shuts "
        f"{length_words(driving.off_m, system)} past the inner edge of the headland{drift}{border}"
    )


def _answers(study: FieldStudy) -> list[Block]:
    found, sure, inner = study.case.found, study.sure, study.case.found.interior_cv_pct
    further = f"between {sure.low_pct:.1f} and {sure.high_pct:.1f} %: one test can't tell it closer" if sure else ""
    edge = "headland, bout ends and boundary" if inner else "all of it"
    shares = ", ".join(f"{name} {found.share_pct[name]:.1f} %" for name in SHARES)
    near = f"nil: under {NIL_PCT:g} % of the target; near: within {NEAR_PCT:g} %"
    verdict = study.assessment.verdict
    answers = [Answer("Field CV", f"{found.field_cv_pct:.1f} %", further)]
    if inner is not None:
        answers.append(
            Answer("Interior", f"{inner:.1f} %", f"{found.interior_pct:.0f} % of the field, clear of the edge")
        )
    answers.append(Answer("Edge", f"{found.edge_cv_pct:.1f} %", edge))
    answers.append(Answer("Of the field", shares, near))
    state = verdict.state if verdict else "no bout width"
    return [*answers, Answer("The tray test", state, "in an endless field at this bout width")]


def _masses(study: FieldStudy, system: str) -> Table:
    case, found, relative = study.case, study.case.found, _in_proportion(study)
    area = float(case.ground.polygon.area) / HECTARE_M2
    masses = {
        "metered": found.metered_kg,
        "outside the boundary": found.outside_kg,
        "above the target, where too much fell": found.excess_kg,
        "short of the target, where too little fell": found.missing_kg,
    }
    rows = tuple(
        (
            label,
            "-" if relative else show(mass, "mass", system, unit=False),
            "-" if relative else show(mass / area, "rate", system, unit=False),
            f"{100 * mass / found.metered_kg:.1f}",
        )
        for label, mass in masses.items()
    )
    columns = (
        Column("mass", align="left"),
        Column("all", shown_unit("mass", system)),
        Column("a hectare" if system == "metric" else "an acre", shown_unit("rate", system)),
        Column("of metered", "%"),
    )
    notes = []
    if case.hours is not None and study.track is None:
        notes.append(f"Driving takes {60 * case.hours:.0f} min with turns, without filling.")
    if case.yield_lost_t is not None:
        notes.append(f"Yield lost against an even dressing: {case.yield_lost_t:.2f} t on this field.")
    if case.total_cost is not None:
        notes.append(f"Priced together: {case.total_cost:.0f} {_currency(study)} on this field.".replace("  ", " "))
    if relative:
        notes.append("Rates are known in proportion only: 100 is the target.")
    target, mean = (show(rate, "rate", system) for rate in (study.target_kg_ha, found.mean_kg_ha))
    caption = "Shares" if relative else f"Target {target}, mean in the field {mean}"
    return Table(columns, rows, caption=caption, notes=tuple(notes))


def _currency(study: FieldStudy) -> str:
    return study.asked.basis.prices.currency if study.asked.basis else ""


def _headings(study: FieldStudy) -> Paragraph:
    best, worst = (pick(study.headings, key=lambda pair: pair[1]) for pick in (min, max))
    return Paragraph(
        f"Of {len(study.headings)} headings looked at on coarse cells, {best[0]:g} degrees has the lowest field CV "
        f"({best[1]:.1f} %) and {worst[0]:g} degrees the highest ({worst[1]:.1f} %)."
    )


def _nutrients(study: FieldStudy, system: str) -> Table:
    columns = [Column("part", align="left"), Column("mean", shown_unit("rate", system)), Column("field CV", "%")]
    rows = [
        (name, show(found.mean_kg_ha, "rate", system, unit=False), f"{found.field_cv_pct:.1f}", *_shares(found))
        for name, found in study.nutrients
    ]
    return Table((*columns, *_SHARES), tuple(rows), caption="Each part of the blend on its own map")


_SHARES = tuple(Column(name, "%") for name in SHARES)


def _shares(found: FieldMap) -> tuple[str, ...]:
    return tuple(f"{found.share_pct[name]:.1f}" for name in SHARES)


def _evenness(found: FieldMap) -> tuple[str, str]:
    """Field CV and CV of the interior."""
    inner = found.interior_cv_pct
    return f"{found.field_cv_pct:.1f}", "-" if inner is None else f"{inner:.1f}"


def _ways(study: FieldStudy, cases: Sequence[FieldCase], system: str) -> Table:
    costs = any(case.total_cost is not None for case in cases)
    hours = all(case.hours is not None for case in cases)
    columns = [Column("way", align="left", share=0.34), Column("field CV", "%"), Column("interior", "%")]
    columns += [Column("nil + under", "%"), Column("over", "%"), Column("outside", shown_unit("mass", system))]
    columns += [Column("driving", "min")] if hours else []
    columns += [Column("cost", _currency(study))] if costs else []
    rows = []
    for case in cases:
        found, share = case.found, case.found.share_pct
        cells = [way_words(case, cases, system), *_evenness(found)]
        cells += [f"{share['nil'] + share['under']:.1f}", f"{share['over']:.1f}"]
        cells += [show(found.outside_kg, "mass", system, unit=False)]
        cells += [f"{60 * (case.hours or 0):.0f}"] if hours else []
        cells += ["-" if case.total_cost is None else f"{case.total_cost:.0f}"] if costs else []
        rows.append(tuple(cells))
    return Table(tuple(columns), tuple(rows))


def way_words(case: FieldCase, cases: Sequence[FieldCase], system: str = "metric") -> str:
    """What sets one way apart from the others it stands beside."""
    told = [_way_parts(each, system) for each in cases]
    own = _way_parts(case, system)
    varied = [part for at, part in enumerate(own) if len({parts[at] for parts in told}) > 1]
    return ", ".join(varied) or ("as planned" if case.plan is not None else own[1])


def _way_parts(case: FieldCase, system: str) -> tuple[str, ...]:
    driving, width = case.driving, length_words(case.bout_width_m, system)
    if driving is None:
        moved = f"switched {length_words(abs(case.later_m), system)} {'later' if case.later_m > 0 else 'earlier'}"
        return width, moved if case.later_m else "as driven"
    return (
        width,
        f"{driving.headland_rounds} round{'s' * (driving.headland_rounds != 1)}",
        driving.method,
        f"heading {driving.heading_deg:g}",
        f"on {length_words(driving.on_m, system)}",
        f"off {length_words(driving.off_m, system)}",
        f"drift {length_words(driving.drift_m, system)}" if driving.drift_m else "no drift",
        "border device" if driving.border else "no border device",
    )


def _worth_words(worth: Worth, study: FieldStudy, system: str) -> str:
    """What an improvement is called, with the distance where all switching of a track is moved."""
    by = worth.case.later_m - study.case.later_m
    if worth.case.plan is not None or not by:
        return worth.label
    return f"{worth.label} {length_words(abs(by), system)} {'later' if by > 0 else 'earlier'}"


def _worth(study: FieldStudy, worth: Sequence[Worth], system: str) -> Table:
    priced = any(each.saved_per_year is not None for each in worth)
    columns = [Column("with", align="left"), Column("field CV", "%"), Column("less CV", "points")]
    columns += [Column("less wasted", shown_unit("rate", system))]
    columns += [Column("saved a year", _currency(study))] if priced else []
    rows = []
    for each in worth:
        saved = "-" if each.saved_per_year is None else f"{round(each.saved_per_year)}"
        less = show(each.wasted_less_kg_ha, "rate", system, unit=False)
        cells = (
            _worth_words(each, study, system),
            f"{each.case.found.field_cv_pct:.1f}",
            f"{each.cv_less_pct:.1f}",
            less,
        )
        rows.append((*cells, saved) if priced else cells)
    unpriced = "Nothing is priced: give --prices and --product-price."
    note = "Without the cost of the improvement itself." if priced else unpriced
    return Table(tuple(columns), tuple(rows), notes=(note,))


def _model(landing: Landing, system: str) -> str:
    if landing.model == ARC:
        return f"an arc {length_words(landing.distance_m, system)} about the antenna"
    return f"a line {length_words(landing.distance_m, system)} behind the antenna"


def _trust(study: FieldStudy, system: str) -> list[str]:
    other, found = study.other, study.case.found
    told = [
        f"Cells of {length_words(found.raster.cell_m, system)}; granules land on {_model(study.landing, system)}.",
        f"On {_model(other.landing, system)} instead, {other.differ_pct:.1f} % of the field would differ by more than "
        f"{NEAR_PCT:g} % of the target: field CV {other.field_cv_pct:.1f} % against {other.same_cell_cv_pct:.1f} %, "
        f"both on cells of {length_words(other.cell_m, system)}.",
    ]
    if study.part:
        told.append("The landing models and headings are compared for the whole catch.")
    elif study.sure is None:
        told.append(
            "The noise of the trays is not known, so neither is its part in the field CV: weigh several passes."
        )
    else:
        told.append(
            f"The field CV of {found.field_cv_pct:.1f} % comes from one tray line. With its noise, and what one "
            f"test can't see, drawn {study.sure.draws} times, the true one lies between {study.sure.low_pct:.1f} and "
            f"{study.sure.high_pct:.1f} % ({study.sure.level_pct:g} %)."
        )
    if not study.target_known:
        told.append("No target rate is known: the target is the mean of an endless field at the bout width.")
    return told


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
    return envelope("field/1", _named(study.test), study.doubts, **_field_data(study, worth))


def _named(test: TrayTest) -> dict[str, Any]:
    """The form of the test with its name and file, which go before rows of that name."""
    return {**form_data(test), "name": test.name, "source": test.source}


def _field_data(study: FieldStudy, worth: Sequence[Worth] = ()) -> dict[str, Any]:
    case, sure, other = study.case, study.sure, study.other
    return {
        "field": study.name,
        "part": study.part or None,
        "area_ha": float(case.ground.polygon.area) / HECTARE_M2,
        "boundary_assumed": case.ground.assumed,
        "cell_m": case.found.raster.cell_m,
        "landing": study.landing.model,
        "landing_distance_m": study.landing.distance_m,
        "target_kg_ha": None if _in_proportion(study) else study.target_kg_ha,
        "target_known": study.target_known,
        **_case_json(case, study),
        "field_cv_low_pct": None if sure is None else sure.low_pct,
        "field_cv_high_pct": None if sure is None else sure.high_pct,
        "spots": [
            {"number": s.number, "name": s.name, "times_target": s.times, "x_m": s.x_m, "y_m": s.y_m}
            for s in study.spots
        ],
        "other_landing": {
            "landing": other.landing.model,
            "landing_distance_m": other.landing.distance_m,
            "cell_m": other.cell_m,
            "field_cv_pct": other.field_cv_pct,
            "field_cv_of_shown_pct": other.same_cell_cv_pct,
            "differ_pct": other.differ_pct,
        },
        "headings": [{"heading_deg": heading, "field_cv_pct": cv} for heading, cv in study.headings],
        "ways": [_case_json(each, study) for each in study.cases],
        "nutrients": [
            {"name": name, **_map_json(found, relative=_in_proportion(study))} for name, found in study.nutrients
        ],
        "worth": [
            {
                "label": _worth_words(each, study, "metric"),
                "field_cv_pct": each.case.found.field_cv_pct,
                **picked(each, "wasted_less_kg_ha saved_per_ha saved_per_year"),
            }
            for each in worth
        ],
        "verdict": verdict_data(study.assessment.verdict),
    }


def fields_document(studies: Sequence[FieldStudy], system: str = "metric") -> Document:
    """Many fields side by side."""
    columns = [Column("field", align="left"), Column("area", shown_unit("area", system)), Column("heading", "deg")]
    columns += [
        Column("field CV", "%"),
        Column("interior", "%"),
        *_SHARES,
        Column("outside", shown_unit("mass", system)),
    ]
    rows = []
    for study in studies:
        found, driving = study.case.found, study.case.driving
        area = show(study.case.ground.polygon.area, "area", system, unit=False)
        heading = "-" if driving is None else f"{driving.heading_deg:g}"
        outside = show(found.outside_kg, "mass", system, unit=False)
        rows.append((study.name, area, heading, *_evenness(found), *_shares(found), outside))
    blocks = (Table(tuple(columns), tuple(rows)), Note("Caution", CAUTIONS[0], CAUTIONS[1:]))
    return Document(f"{len(studies)} fields with the tray test {studies[0].test.name}", blocks)


def fields_json(studies: Sequence[FieldStudy]) -> dict[str, Any]:
    """Many fields as plain data: each with its own figures and warnings."""
    fields = [{**_field_data(study), "warnings": warnings_data(study.doubts)} for study in studies]
    return envelope("field/1", _named(studies[0].test), studies[0].assessment.doubts, fields=fields)


def _map_json(found: FieldMap, *, relative: bool) -> dict[str, Any]:
    masses = ("mean_kg_ha", "metered_kg", "outside_kg", "excess_kg", "wasted_kg", "missing_kg")
    return {
        "field_cv_pct": found.field_cv_pct,
        "interior_cv_pct": found.interior_cv_pct,
        "interior_share_pct": found.interior_pct,
        "edge_cv_pct": found.edge_cv_pct,
        "share_pct": found.share_pct,
        **{key: None if relative else getattr(found, key) for key in masses},
    }


def _in_proportion(study: FieldStudy) -> bool:
    """Whether only proportions are known: catches in ml, no bulk density and no target rate."""
    return study.assessment.profile.relative and not study.target_known


def _case_json(case: FieldCase, study: FieldStudy) -> dict[str, Any]:
    driving, plan = case.driving, case.plan
    way: dict[str, Any] = {
        "way": way_words(case, study.cases),
        "bout_width_m": case.bout_width_m,
        "spread_m": case.spread_m,
    }
    if driving is not None and plan is not None:
        way |= {
            "headland_rounds": driving.headland_rounds,
            "heading_deg": driving.heading_deg,
            "on_distance_m": driving.on_m,
            "off_distance_m": driving.off_m,
            "driving": driving.method,
            "border_device": driving.border,
            "drift_m": driving.drift_m,
            "bouts": plan.bouts,
            "turns_m": plan.turn_m,
        }
    else:
        way["switched_later_m"] = case.later_m
    return {
        **way,
        **_map_json(case.found, relative=_in_proportion(study)),
        "driving_h": case.hours,
        **picked(case, "work_cost yield_lost_t yield_cost product_cost"),
    }
