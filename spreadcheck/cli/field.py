"""`spreadcheck field SHEET`: from one tray test and the way a field is driven to a map of it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import click

from spreadcheck.cli.options import options, output_file, outputs, quantity, read_test, several, sheet_argument, words
from spreadcheck.cli.outputs import Outputs
from spreadcheck.errors import Fault, OutputError, QuantityError, WidthError, shown
from spreadcheck.units import parse_number

if TYPE_CHECKING:
    from spreadcheck.field.study import Asked


def _whole(text: str, place: str) -> int:
    if not text.isascii() or not text.isdigit():
        raise WidthError(Fault(place, f'"{shown(text)}" is no number of rounds', "give such as 1, or 1, 2"))
    return int(text)


def _degrees(text: str, place: str) -> float:
    value = parse_number(text.removesuffix("deg").removesuffix("degrees").strip())
    if value is None or not 0 <= value <= 360:
        problem = f'"{shown(text)}" is no heading'
        raise QuantityError(Fault(place, problem, 'give 0 to 360 from north, or "best"'))
    return value % 180


@click.command()
@sheet_argument
@click.option("--boundary", "boundaries", metavar="FILE", multiple=True,
              help="The field: GeoJSON polygon, or CSV of corners x_m,y_m; again for each further field.")  # fmt: skip
@options(
    track=words("FILE", "A recorded track: GPX, GeoJSON lines, or CSV; a plan is made without."),
    bout_width=several("length", 'Such as "24 m" or "24 m, 27 m"; the sheet\'s if not given.'),
    headland_rounds=several(_whole, "Rounds along the boundary.", "1"),
    heading=several(_degrees, 'Degrees from north, or "best".', "best", field="heading_deg", unknown="best"),
    turning_radius=quantity("length", "LENGTH", "Least radius of turns.", default="8 m"),
    on_distance=several("length", "How far the antenna is past the headland's inner edge when the slide opens.",
                        "best", field="on_m", unknown="best"),
    off_distance=several("length", "The same when it shuts.", "best", field="off_m", unknown="best"),
    driving=several(lambda text, _: text.casefold(),
                    '"back-and-forth", "round-and-round" or both; the sheet\'s if not given.', field="method"),
    drift=several("length", "Slow drift off the line (standard deviation).", "0 m"),
    border_device={"type": click.Choice(["off", "on", "both"]), "default": "off",
                   "help": "A perfect border device on the outermost round."},
    switched_later=several("length", "Of a track: all switching so much later; earlier if below 0.", "0 m",
                           field="later_m"),
    by_time={"is_flag": True, "help": "Of a track: metered by time, so slower driving gets more."},
    landing={"type": click.Choice(["arc", "line"]), "default": "arc",
             "help": "Granules land on an arc of the throw, or on a line behind."},
    landing_distance=quantity("length", "LENGTH", "The throw, or how far behind the antenna the line lies."),
    cell=quantity("length", "LENGTH", "Side of a cell of the map.", default="2 m"),
)  # fmt: skip
@options(
    "target", "limit", "analysis",
    part=words("NAME", "Show this component or nutrient of a blend instead of the whole."),
    worth={"is_flag": True, "help": "What better switching, guidance or a border device would change."},
    prices={},
    product_price=words("PRICE", 'Such as "420 EUR/t".'),
    per_year=quantity("area", "AREA", 'Area dressed like this a year, such as "300 ha"; this field once.'),
)  # fmt: skip
@options("tails", "units")
@outputs(
    "json",
    plot="Draw the map; .png, .svg or .pdf by the ending.",
    page=output_file("Web page with the map and a slider for the switching.", ".html"),
    report="The map as a report to hand over; .html, .pdf or .md.",
    grid=output_file("CSV of the cells: x_m, y_m, rate_kg_ha, inside.", ".csv"),
    geotiff=output_file("GeoTIFF of the rates.", ".tif", ".tiff"),
    bands=output_file("GeoJSON of the rate bands.", ".geojson", ".json"),
)
def field(
    *,
    sheet: str,
    boundaries: tuple[str, ...],
    track: str | None,
    analysis: str | None,
    part: str | None,
    worth: bool,
    prices: str | None,
    per_year_m2: float | None,
    units: str,
    out: Outputs,
    **wished: Any,
) -> None:
    """What a field gets, from one tray test and the way it is driven.

    With a boundary, headland rounds and bouts are planned; with a recorded track, the map is of what was driven, and a
    boundary shows what was missed. Lists are combined and set side by side. The map is an estimate for advice, never a
    permit: keep distances to water by local rules.

    \b
    Examples:
      spreadcheck field sample_trays/even_trapezoid.csv \\
        --boundary sample_trays/field_boundary.geojson --plot map.png
      spreadcheck field sample_trays/even_trapezoid.csv \\
        --boundary sample_trays/field_boundary.geojson \\
        --track sample_trays/field_track.csv
    """
    from spreadcheck.cli.terminal import progress_bar
    from spreadcheck.field.fieldmap import bands_geojson, geotiff_bytes, grid_csv
    from spreadcheck.field.places import read_boundary
    from spreadcheck.field.study import hectares_a_year, study_field, study_fields, switching_steps, worth_of
    from spreadcheck.field.track import read_track
    from spreadcheck.show.field import (
        field_document,
        field_figure,
        field_json,
        field_page,
        fields_document,
        fields_json,
    )

    out.check(sheet, *boundaries, track, analysis, prices)
    if part is not None and (worth or out.asked("page")):  # worked out for the whole catch only
        problem = "shows the whole catch, and --part asks for a part of it"
        which = "option --worth" if worth else "option --page"
        raise OutputError(Fault(which, problem, "ask for one of them at a time"))
    asked = _asked(wished, analysis, prices, part or "")
    if len(boundaries) > 1:  # figures side by side, and JSON; maps are drawn one field at a time
        for name in [name for name, _ in out.files if name != "json"] + ["track"] * (track is not None):
            problem = f"takes one field, and {len(boundaries)} are given"
            raise OutputError(Fault(f"option --{name}", problem, "give one --boundary at a time"))
        studies = study_fields(read_test(sheet), asked, [(read_boundary(path), None) for path in boundaries])
        out.show(fields_document(studies, units), json=lambda: fields_json(studies))
        for study in studies if out.screen else ():
            out.tell(study.doubts, about=f"{study.name}:\n")
        return
    ground = read_boundary(boundaries[0]) if boundaries else None
    driven = read_track(track, zone=ground.zone if ground else None) if track is not None else None
    area = None if per_year_m2 is None else hectares_a_year(per_year_m2)
    if area is not None and not worth:
        raise OutputError(Fault("option --per-year", "nothing is worked out for a year", "add --worth"))
    with progress_bar("Field") as told:
        study = study_field(read_test(sheet), asked, boundary=ground, track=driven, progress=told)
    gains = worth_of(study, per_year_ha=area) if worth else ()
    zone, found = next((given.zone for given in (ground, driven) if given is not None), None), study.case.found
    out.show(
        field_document(study, units, worth=gains),
        study.doubts,
        json=lambda: field_json(study, gains),
        plot=lambda: field_figure(study, units),
        page=lambda: field_page(study, switching_steps(study), units, worth=gains),
        grid=lambda: grid_csv(found),
        geotiff=lambda: geotiff_bytes(found, zone),
        bands=lambda: json.dumps(bands_geojson(found, zone), separators=(",", ":")) + "\n",
    )


def _asked(wished: dict[str, Any], analysis: str | None, price_file: str | None, part: str) -> Asked:
    """The options as what the library is asked; everything is read before anything is worked out."""
    from spreadcheck.field.study import Asked
    from spreadcheck.judge.blend import read_analysis
    from spreadcheck.money.pricefile import basis_from, parse_price, read_price_file

    price, target, limit, border = map(wished.pop, ("product_price", "target_kg_ha", "limit_pct", "border_device"))
    basis = basis_from(read_price_file(price_file)) if price_file else None
    return Asked(
        **wished,
        border={"off": (False,), "on": (True,), "both": (False, True)}[border],
        target_kg_ha=basis.target_kg_ha if target is None and basis is not None else target,
        limit_pct=limit,
        basis=basis,
        product_per_t=parse_price(price, "t", place="option --product-price")[0] if price is not None else None,
        analysis=read_analysis(analysis) if analysis else None,
        part=part,
    )
