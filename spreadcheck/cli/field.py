"""`spreadcheck field SHEET`: from one tray test and the way a field is driven to a map of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from spreadcheck.cli.options import (
    options,
    output_file,
    outputs,
    quantity_option,
    read_test,
    sheet_argument,
    text_options,
)
from spreadcheck.cli.outputs import Outputs, svg_of, tell_doubts
from spreadcheck.cli.say import say
from spreadcheck.errors import Fault, QuantityError

_MOST_HA = 1_000_000  # a year: more than one machine dresses

T = TypeVar("T")

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from spreadcheck.field.case import Asked, FieldStudy
    from spreadcheck.field.worth import Worth
    from spreadcheck.show.document import Document


@click.command()
@sheet_argument
@click.option("--boundary", "boundaries", metavar="FILE", multiple=True,
              help="The field: GeoJSON polygon, or CSV of corners x_m,y_m; again for each further field.")  # fmt: skip
@text_options(
    ("--track", "FILE", "A recorded track: GPX, GeoJSON lines, or CSV; a plan is made without."),
    ("--bout-width", "LIST", 'Such as "24 m" or "24 m, 27 m"; the sheet\'s if not given.'),
)
@click.option("--headland-rounds", metavar="LIST", default="1", show_default=True, help="Rounds along the boundary.")
@click.option("--heading", metavar="LIST", default="best", show_default=True, help='Degrees from north, or "best".')
@quantity_option("--turning-radius", "length", "LENGTH", "Least radius of turns.", default="8 m")
@click.option("--on-distance", metavar="LIST", default="best", show_default=True,
              help="Antenna past the inner edge of the headland when the slide opens.")  # fmt: skip
@click.option("--off-distance", metavar="LIST", default="best", show_default=True, help="The same when it shuts.")
@click.option(
    "--driving", metavar="LIST", help='"back-and-forth", "round-and-round" or both; the sheet\'s if not given.'
)
@click.option("--drift", metavar="LIST", default="0 m", show_default=True, help="Slow drift off the line, one sigma.")
@click.option("--border-device", type=click.Choice(["off", "on", "both"]), default="off", show_default=True,
              help="An ideal one on the outermost round.")  # fmt: skip
@click.option("--switched-later", metavar="LIST", default="0 m", show_default=True,
              help="Of a track: all switching so much later; earlier if below 0.")  # fmt: skip
@click.option("--by-time", is_flag=True, help="Of a track: metered by time, so slower driving gets more.")
@click.option("--landing", type=click.Choice(["arc", "line"]), default="arc", show_default=True,
              help="Granules land on an arc of the throw, or on a line behind.")  # fmt: skip
@quantity_option("--landing-distance", "length", "LENGTH", "The throw, or how far behind the antenna the line lies.")
@quantity_option("--cell", "length", "LENGTH", "Side of a cell of the map.", default="2 m")
@options("target", "limit", "analysis")
@click.option("--part", metavar="NAME", help="Show this component or nutrient of a blend instead of the whole.")
@click.option("--worth", is_flag=True, help="What better switching, guidance or a border device would change.")
@options("prices")
@text_options(("--product-price", "PRICE", 'Such as "420 EUR/t".'))
@quantity_option("--per-year", "area", "AREA", 'Area dressed like this a year, such as "300 ha"; this field once.')
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
    from spreadcheck.cli.progress import progress_bar
    from spreadcheck.field.places import read_boundary
    from spreadcheck.field.study import part_shown, study_field
    from spreadcheck.field.track import read_track
    from spreadcheck.field.worth import worth_of
    from spreadcheck.units import HECTARE_M2

    out.check(sheet, *boundaries, track, analysis, prices)
    if part is not None:
        _only_whole({"worth": worth, "page": out.asked("page")})
    asked = _asked(wished, analysis, prices)
    if len(boundaries) > 1:
        _several(sheet, boundaries, track, asked, out, units)
        return
    ground = read_boundary(boundaries[0]) if boundaries else None
    driven = read_track(track, zone=ground.zone if ground else None) if track is not None else None
    area = None if per_year_m2 is None else per_year_m2 / HECTARE_M2
    if area is not None and not 0 < area <= _MOST_HA:
        remedy = f"give an area above 0 and up to {_MOST_HA:,} ha"
        raise QuantityError(Fault("option --per-year", f"{area:g} ha can't be dressed in a year", remedy))
    with progress_bar("Field") as told:
        study = study_field(read_test(sheet), asked, boundary=ground, track=driven, progress=told)
    gains = worth_of(study, per_year_ha=area) if worth else ()
    if part is not None:
        study = part_shown(study, part)
    _write(study, gains, out, units)
    if out.screen:
        from spreadcheck.show.field import field_document
        from spreadcheck.show.terminal import terminal_text

        say(terminal_text(field_document(study, units, worth=gains)))
        tell_doubts(study.doubts, units)


def _only_whole(asked: dict[str, bool]) -> None:
    """Refuse with --part what is worked out for the whole catch only."""
    from spreadcheck.errors import Fault, OutputError

    for name, wanted in asked.items():
        if wanted:
            problem = "shows the whole catch, and --part asks for a part of it"
            raise OutputError(Fault(f"option --{name}", problem, "ask for one of them at a time"))


def _several(
    sheet: str,
    boundaries: tuple[str, ...],
    track: str | None,
    asked: Asked,
    out: Outputs,
    units: str,
) -> None:
    """Many fields: figures side by side, and JSON; maps are drawn one field at a time."""
    from spreadcheck.errors import Fault, OutputError
    from spreadcheck.field.places import read_boundary
    from spreadcheck.field.study import study_fields

    odd = [name for name, _ in out.files if name != "json"] + ["track"] * (track is not None)
    if odd:
        problem = f"takes one field, and {len(boundaries)} are given"
        raise OutputError(Fault(f"option --{odd[0]}", problem, "give one --boundary at a time"))
    studies = study_fields(read_test(sheet), asked, [(read_boundary(path), None) for path in boundaries])
    from spreadcheck.show.field import fields_document, fields_json

    out.write(json=lambda: fields_json(studies))
    if out.screen:
        from spreadcheck.show.terminal import terminal_text

        say(terminal_text(fields_document(studies, units)))
        for study in studies:
            tell_doubts(study.doubts, units, about=f"{study.name}:\n")


def _asked(wished: dict[str, Any], analysis: str | None, price_file: str | None) -> Asked:
    """The options as what the library is asked; everything is read before anything is worked out."""
    from spreadcheck.field.case import Asked
    from spreadcheck.judge.nutrients import read_analysis
    from spreadcheck.money.pricefile import basis_from, parse_price, read_price_file
    from spreadcheck.units import parse_quantity

    def length(name: str) -> Callable[[str], float]:
        return lambda text: parse_quantity(text, "length", place=f"option --{name}")

    def best(name: str) -> Callable[[str], float | None]:
        return lambda text: None if text.casefold() == "best" else length(name)(text)

    widths, driving = wished["bout_width"], wished["driving"]
    price = wished["product_price"]
    basis = basis_from(read_price_file(price_file)) if price_file else None
    target = wished["target_kg_ha"]
    if target is None and basis is not None:
        target = basis.target_kg_ha
    return Asked(
        bout_width_m=_listed(widths, length("bout-width")) if widths is not None else (),
        headland_rounds=_listed(wished["headland_rounds"], _whole),
        heading_deg=_listed(wished["heading"], _degrees),
        on_m=_listed(wished["on_distance"], best("on-distance")),
        off_m=_listed(wished["off_distance"], best("off-distance")),
        method=_listed(driving, _method) if driving is not None else (),
        turning_radius_m=wished["turning_radius_m"],
        drift_m=_listed(wished["drift"], length("drift")),
        border={"off": (False,), "on": (True,), "both": (False, True)}[wished["border_device"]],
        later_m=_listed(wished["switched_later"], _signed),
        landing=wished["landing"],
        landing_distance_m=wished["landing_distance_m"],
        cell_m=wished["cell_m"],
        target_kg_ha=target,
        by_time=wished["by_time"],
        tails=wished["tails"],
        limit_pct=wished["limit"],
        basis=basis,
        product_per_t=parse_price(price, "t", place="option --product-price").amount if price is not None else None,
        analysis=read_analysis(analysis) if analysis else None,
    )


def _listed(text: str, read: Callable[[str], T]) -> tuple[T, ...]:
    """The things of a list, each once."""
    return tuple(dict.fromkeys(read(part.strip()) for part in text.replace(";", ",").split(",") if part.strip()))


def _whole(text: str) -> int:
    from spreadcheck.errors import Fault, WidthError, shown

    if not text.isascii() or not text.isdigit():
        fault = Fault("option --headland-rounds", f'"{shown(text)}" is no number of rounds', "give such as 1, or 1, 2")
        raise WidthError(fault)
    return int(text)


def _degrees(text: str) -> float | None:
    from spreadcheck.errors import Fault, QuantityError, shown
    from spreadcheck.units import parse_number

    if text.casefold() == "best":
        return None
    value = parse_number(text.removesuffix("deg").removesuffix("degrees").strip())
    if value is None or not 0 <= value <= 360:
        fault = Fault("option --heading", f'"{shown(text)}" is no heading', 'give 0 to 360 from north, or "best"')
        raise QuantityError(fault)
    return value % 180


def _signed(text: str) -> float:
    """A length that may be below zero."""
    from spreadcheck.units import parse_quantity

    sign = -1.0 if text.startswith(("-", "\u2212")) else 1.0
    return sign * parse_quantity(text.lstrip("-\u2212+"), "length", place="option --switched-later")


def _method(text: str) -> str:
    from spreadcheck.errors import Fault, WidthError, shown
    from spreadcheck.sheet.labels import METHODS

    if text.casefold() not in METHODS:
        fault = Fault("option --driving", f'"{shown(text)}" is not known', f"give {' or '.join(METHODS)}")
        raise WidthError(fault)
    return text.casefold()


def _write(study: FieldStudy, gains: tuple[Worth, ...], out: Outputs, units: str) -> None:
    """Every file that was asked for."""
    from spreadcheck.field.fieldmap import bands_text, geotiff_bytes, grid_csv
    from spreadcheck.show.field import field_document, field_json, with_doubts

    zone = next((given.zone for given in (study.boundary, study.track) if given is not None), None)
    found = study.case.found

    def plot() -> Figure:
        from spreadcheck.show.fieldmap import field_figure

        return field_figure(study, units)

    def page() -> str:
        from spreadcheck.field.worth import switching_steps
        from spreadcheck.show.fieldmap import field_page

        return field_page(study, switching_steps(study), units, worth=gains)

    def report(svg: str = "") -> Document:
        return with_doubts(field_document(study, units, worth=gains, svg=svg), study, units)

    out.write(
        json=lambda: field_json(study, gains),
        plot=plot,
        page=page,
        report=lambda: report(svg_of(plot())),
        report_md=report,
        grid=lambda: grid_csv(found),
        geotiff=lambda: geotiff_bytes(found, zone),
        bands=lambda: bands_text(found, zone),
    )
