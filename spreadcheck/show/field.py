"""A field map as a document and as plain data; and the page on which the switching can be moved."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

from spreadcheck.doubts.doubt import warnings_data
from spreadcheck.field.deposit import ARC, Landing
from spreadcheck.field.fieldmap import NEAR_PCT, NIL_PCT, SHARES, FieldMap, Spot
from spreadcheck.field.study import DRAWS, LEVEL_PCT, FieldCase, FieldStudy, Worth
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.show.data import envelope, form_data, picked
from spreadcheck.show.document import Answer, Block, Column, Document, Heading, Note, Paragraph, Picture, Points, Table
from spreadcheck.show.format import show_figure, show_share
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
    svg: Callable[[], str] | None = None,
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
    svg : callable or None
        Draws the picture, where something shows it. [-]
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
    if svg is not None:
        cell = length_words(case.found.raster.cell_m, system)
        blocks.append(Picture(f"What {study.name} gets", _PICTURE.format(cell), svg=svg, wide=True))
    blocks.append(_masses(study, system))
    if study.spots:
        spots = ((f"{spot.number}  {spot.name}", times_words(spot)) for spot in study.spots)
        columns = (Column("place", align="left"), Column("times the target"))
        blocks.append(Table(columns, tuple(spots), caption="Heaviest and lightest places"))
    if study.headings:
        best, worst = (pick(study.headings, key=lambda pair: pair[1]) for pick in (min, max))
        told = (
            f"Of {len(study.headings)} headings looked at on coarse cells, {best[0]:g} degrees has the lowest field CV "
            f"({best[1]:.1f} %) and {worst[0]:g} degrees the highest ({worst[1]:.1f} %)."
        )
        blocks.append(Paragraph(told))
    if study.nutrients:
        rows = [
            {Column("part", align="left"): name, **_figures(found, system, "mean", "field CV", *SHARES)}
            for name, found in study.nutrients
        ]
        blocks.append(_table(rows, caption="Each part of the blend on its own map"))
    if len(study.cases) > 1:
        blocks += [Heading("Ways compared"), _ways(study, system)]
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
        points = f"{study.track.points:,} fixes" if study.track else ""
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


def times_words(spot: Spot) -> str:
    """How many times the target one place gets, on the map as in the table; what rounds to none is nothing."""
    return f"{spot.times:.1f}" if spot.times >= 0.05 else "nothing"


def _answers(study: FieldStudy) -> Iterator[Answer]:
    found, sure, inner = study.case.found, study.sure, study.case.found.interior_cv_pct
    further = f"between {sure[0]:.1f} and {sure[1]:.1f} %: one test can't tell it closer" if sure else ""
    yield Answer("Field CV", f"{found.field_cv_pct:.1f} %", further)
    if inner is not None:
        yield Answer("Interior", f"{inner:.1f} %", f"{found.interior_pct:.0f} % of the field, clear of the edge")
    edge = "headland, bout ends and boundary" if inner else "all of it"
    yield Answer("Edge", f"{found.edge_cv_pct:.1f} %", edge)
    near = f"nil: under {NIL_PCT:g} % of the target; near: within {NEAR_PCT:g} %"
    yield Answer("Of the field", share_words(found), near)
    verdict = study.assessment.verdict
    state = verdict.state if verdict else "no bout width"
    yield Answer("The tray test", state, "in an endless field at this bout width")


def share_words(found: FieldMap) -> str:
    """How much of the field gets nil, under, near and over the target."""
    return ", ".join(f"{name} {found.share_pct[name]:.1f} %" for name in SHARES)


def _masses(study: FieldStudy, system: str) -> Table:
    case, found, relative = study.case, study.case.found, study.in_proportion
    area = float(case.ground.polygon.area) / HECTARE_M2
    masses = {
        "metered": found.metered_kg,
        "outside the boundary": found.outside_kg,
        "above the target, where too much fell": found.excess_kg,
        "short of the target, where too little fell": found.missing_kg,
    }
    rows = [
        {
            Column("mass", align="left"): label,
            Column("all", shown_unit("mass", system)): show(None if relative else mass, "mass", system, unit=False),
            Column("a hectare" if system == "metric" else "an acre", shown_unit("rate", system)): show(
                None if relative else mass / area, "rate", system, unit=False
            ),
            Column("of metered", "%"): show_share(mass, found.metered_kg, digits=1),
        }
        for label, mass in masses.items()
    ]
    notes = []
    if case.hours is not None and study.track is None:
        notes.append(f"Driving takes {60 * case.hours:.0f} min with turns, without filling.")
    if case.yield_lost_t is not None:
        notes.append(f"Yield lost against an even dressing: {case.yield_lost_t:.2f} t on this field.")
    if case.total_cost is not None:
        notes.append(f"Priced together: {case.total_cost:.0f} {_currency(study)} on this field.".replace("  ", " "))
    if relative:
        notes.append("Rates are known in proportion only: 100 is the target.")
    target, mean = (show(rate, "rate", system) for rate in (study.case.found.target_kg_ha, found.mean_kg_ha))
    return _table(rows, caption="Shares" if relative else f"Target {target}, mean in the field {mean}", notes=notes)


def _table(rows: Sequence[Mapping[Column, str]], *, caption: str = "", notes: Iterable[str] = ()) -> Table:
    """A table of rows that hold each cell under its column."""
    return Table(tuple(rows[0]), tuple(tuple(row.values()) for row in rows), caption, tuple(notes))


def _figures(found: FieldMap, system: str, *heads: str) -> dict[Column, str]:
    """Figures of a map under their columns."""
    every = {
        Column("mean", shown_unit("rate", system)): show(found.mean_kg_ha, "rate", system, unit=False),
        Column("field CV", "%"): show_figure(found.field_cv_pct),
        Column("interior", "%"): show_figure(found.interior_cv_pct),
        **{Column(name, "%"): show_figure(found.share_pct[name]) for name in SHARES},
        Column("outside", shown_unit("mass", system)): show(found.outside_kg, "mass", system, unit=False),
    }
    return {column: cell for column, cell in every.items() if column.head in heads}


def _currency(study: FieldStudy) -> str:
    return study.asked.basis.prices.currency if study.asked.basis else ""


def _ways(study: FieldStudy, system: str) -> Table:
    cases = study.cases
    costs = any(case.total_cost is not None for case in cases)
    rows = []
    for case in cases:
        share = case.found.share_pct
        row = {
            Column("way", align="left", share=0.34): way_words(case, cases, system),
            **_figures(case.found, system, "field CV", "interior"),
            Column("nil + under", "%"): f"{share['nil'] + share['under']:.1f}",
            **_figures(case.found, system, "over", "outside"),
        }
        if all(each.hours is not None for each in cases):
            row[Column("driving", "min")] = f"{60 * (case.hours or 0):.0f}"
        if costs:
            row[Column("cost", _currency(study))] = show_figure(case.total_cost, digits=0)
        rows.append(row)
    return _table(rows)


def way_words(case: FieldCase, cases: Sequence[FieldCase], system: str = "metric") -> str:
    """What sets one way apart from the others it stands beside."""
    told = [_way_parts(each, system) for each in cases]
    own = _way_parts(case, system)
    varied = [part for part, others in zip(own, zip(*told, strict=True), strict=True) if len(set(others)) > 1]
    return ", ".join(varied) or ("as planned" if case.plan is not None else own[1])


def _way_parts(case: FieldCase, system: str) -> tuple[str, ...]:
    driving, width = case.driving, length_words(case.bout_width_m, system)
    if driving is None:
        return width, f"switched {_moved(case.later_m, system)}" if case.later_m else "as driven"
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


def _moved(later_m: float, system: str) -> str:
    return f"{length_words(abs(later_m), system)} {'later' if later_m > 0 else 'earlier'}"


def _worth_words(worth: Worth, study: FieldStudy, system: str) -> str:
    """What an improvement is called, with the distance where all switching of a track is moved."""
    by = worth.case.later_m - study.case.later_m
    return worth.label if worth.case.plan is not None or not by else f"{worth.label} {_moved(by, system)}"


def _worth(study: FieldStudy, worth: Sequence[Worth], system: str) -> Table:
    priced = any(each.saved_per_year is not None for each in worth)
    rows = []
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
    return _table(rows, notes=["Without the cost of the improvement itself." if priced else unpriced])


def _model(landing: Landing, system: str) -> str:
    shape, where = ("an arc", "about") if landing.model == ARC else ("a line", "behind")
    return f"{shape} {length_words(landing.distance_m, system)} {where} the antenna"


def _trust(study: FieldStudy, system: str) -> Iterator[str]:
    other, found, sure = study.other, study.case.found, study.sure
    yield f"Cells of {length_words(found.raster.cell_m, system)}; granules land on {_model(study.landing, system)}."
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
    if not study.target_known:
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
    return envelope("field/1", _named(study.test), study.doubts, **_field_data(study, worth))


def _named(test: TrayTest) -> dict[str, Any]:
    """The form of the test with its name and file, which go before rows of that name."""
    return {**form_data(test), "name": test.name, "source": test.source}


def _field_data(study: FieldStudy, worth: Sequence[Worth] = ()) -> dict[str, Any]:
    case, sure, relative = study.case, study.sure, study.in_proportion
    ways = [_case_data(each, study.cases, relative=relative) for each in study.cases]
    return {
        "field": study.name,
        "part": study.asked.part or None,
        "area_ha": float(case.ground.polygon.area) / HECTARE_M2,
        "boundary_assumed": case.ground.assumed,
        "cell_m": case.found.raster.cell_m,
        **picked(study, "landing=landing.model landing_distance_m=landing.distance_m"),
        "target_kg_ha": None if relative else study.case.found.target_kg_ha,
        "target_known": study.target_known,
        **ways[0],
        "field_cv_low_pct": sure and sure[0],
        "field_cv_high_pct": sure and sure[1],
        "spots": [picked(spot, "number name times_target=times x_m y_m") for spot in study.spots],
        "other_landing": picked(
            study.other,
            "landing=found.landing.model landing_distance_m=found.landing.distance_m cell_m=found.raster.cell_m "
            "field_cv_pct=found.field_cv_pct "
            "field_cv_of_shown_pct=same_cell_cv_pct differ_pct",
        ),
        "headings": [{"heading_deg": heading, "field_cv_pct": cv} for heading, cv in study.headings],
        "ways": ways,
        "nutrients": [{"name": name, **_map_data(found, relative=relative)} for name, found in study.nutrients],
        "worth": [
            {
                "label": _worth_words(each, study, "metric"),
                **picked(each, "field_cv_pct=case.found.field_cv_pct wasted_less_kg_ha saved_per_ha saved_per_year"),
            }
            for each in worth
        ],
        "verdict": verdict_data(study.assessment.verdict),
    }


def fields_document(studies: Sequence[FieldStudy], system: str = "metric") -> Document:
    """Many fields side by side."""
    rows = []
    for study in studies:
        driving = study.case.driving
        rows.append(
            {
                Column("field", align="left"): study.name,
                Column("area", shown_unit("area", system)): show(
                    study.case.ground.polygon.area, "area", system, unit=False
                ),
                Column("heading", "deg"): f"{driving.heading_deg:g}" if driving else "-",
                **_figures(study.case.found, system, "field CV", "interior", *SHARES, "outside"),
            }
        )
    blocks = (_table(rows), Note("Caution", CAUTIONS[0], CAUTIONS[1:]))
    return Document(f"{len(studies)} fields with the tray test {studies[0].test.name}", blocks)


def fields_json(studies: Sequence[FieldStudy]) -> dict[str, Any]:
    """Many fields as plain data: each with its own figures and warnings."""
    fields = [{**_field_data(study), "warnings": warnings_data(study.doubts)} for study in studies]
    return envelope("field/1", _named(studies[0].test), studies[0].assessment.doubts, fields=fields)


def _map_data(found: FieldMap, *, relative: bool) -> dict[str, Any]:
    masses = picked(found, "mean_kg_ha metered_kg outside_kg excess_kg wasted_kg missing_kg")
    shares = picked(found, "field_cv_pct interior_cv_pct interior_share_pct=interior_pct edge_cv_pct share_pct")
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
