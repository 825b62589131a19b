"""`spreadcheck throw [SHEET]`: what a change of speed or granule does to the throw."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from spreadcheck.cli.options import (
    Parsed,
    list_option,
    optional_sheet_argument,
    options,
    outputs,
    quantity,
    read_test,
)
from spreadcheck.cli.outputs import Outputs, name_next, svg_of
from spreadcheck.show.nextstep import beside, free
from spreadcheck.units import parse_quantity, parted

if TYPE_CHECKING:
    from spreadcheck.judge.assessment import Assessment
    from spreadcheck.sheet.traytest import TrayTest
    from spreadcheck.show.document import Document

# option -> kind of quantity, what stands for the value, and the help; those of the changed setting have no other
_PRESENT = {
    "spinner_speed": ("turning speed", "SPEED", 'Present spinner speed, such as "800 rpm".'),
    "disc_diameter": ("length", "LENGTH", 'Circle of the vane tips, such as "0.6 m".'),
    "release_factor": ("", "", "Release speed, as a multiple of the speed of the vane tips; 1.25 if not given."),
    "release_speed": ("speed", "SPEED", 'Release speed itself, such as "30 m/s", instead of the disc.'),
    "granule_size": ("granule size", "SIZE", 'Present granule diameter, such as "3.2 mm".'),
    "granule_density": ("density", "DENSITY", 'Of a granule, not of the heap, such as "1300 kg/m3".'),
    "sphericity": ("", "", "1 for a ball (the default) down to 0.67."),
    "disc_height": ("length", "LENGTH", 'Vane tips above the ground or crop, such as "0.9 m".'),
    "launch_angle": ("angle", "ANGLE", 'Above the horizontal, such as "5 deg"; 0 deg if not given.'),
    "air_temperature": ("temperature", "T", 'Such as "18 degC"; 15 degC if not given.'),
    "air_pressure": ("pressure", "P", 'At the place, such as "980 hPa"; 1013.25 hPa if not given.'),
    "relative_humidity": ("share", "SHARE", 'Such as "60 %"; dry air if not given.'),
    "wind_speed": ("wind speed", "SPEED", 'Such as "3 m/s"; still air if not given.'),
}
_CHANGED = ("spinner_speed", "release_speed", "granule_size", "granule_density", "disc_height", "launch_angle")


def _option(kind: str, metavar: str, text: str) -> dict[str, Any]:
    return quantity(kind, metavar, text) if kind else {"type": float, "help": text}


_GIVEN = {name: _option(*row) for name, row in _PRESENT.items()}
_AFTER = {
    f"to_{name}": _option(*_PRESENT[name][:2], f"{name.replace('_', ' ').capitalize()} after the change.")
    for name in _CHANGED
}

# option -> field of the weather, where that is called otherwise
_WEATHER = {
    "air_temperature_deg_c": "temperature_deg_c",
    "air_pressure_hpa": "pressure_hpa",
    "relative_humidity_pct": "humidity_pct",
}


def _wind_side(text: str, place: str) -> str:
    from spreadcheck.sheet.labels import LABELS, read_value

    return str(read_value(LABELS["wind from"], text, place=place) or "") if text else ""


@click.command()
@optional_sheet_argument
@options(**_GIVEN)
@click.option("--wind-from", type=Parsed(_wind_side), default="", metavar="SIDE",
              help='Seen in the travel direction: left, ahead, "behind right"...')  # fmt: skip
@options(**_AFTER)
@click.option("--speeds", default="", metavar="LIST", help='Speeds of the table, such as "700 rpm; 800 rpm".')
@list_option("--sizes", "sizes_mm", "granule size",
             'Granule sizes of the table, such as "2 mm; 3.2 mm; 4 mm".')  # fmt: skip
@options("units")
@outputs("json", "report", plot="Draw throw against speed; .png, .svg or .pdf by the ending.")
def throw(
    *,
    sheet: str | None,
    units: str,
    out: Outputs,
    wind_from: str,
    speeds: str,
    sizes_mm: tuple[float, ...],
    **values: float | None,
) -> None:
    """What a change of spinner speed or granule does to the throw.

    The flight of one granule with air drag, in still air and in wind, and the ratio of the changed throw to the present
    one. Present values come from the options, else from a tray SHEET (spinner speed, disc diameter, size guide number,
    granule density, swath height, air temperature, relative humidity, wind); changed ones from the --to options.

    \b
    Examples:
      spreadcheck throw --release-speed "30 m/s" --granule-size "3.2 mm"
        --granule-density "1300 kg/m3" --disc-height "0.9 m"
        --to-granule-size "2.5 mm"
      spreadcheck throw test.csv --disc-diameter "0.6 m"
        --to-spinner-speed "900 rpm" --plot throw.png
    """
    from spreadcheck.product.release import changed_setting, setting_from
    from spreadcheck.product.throw import smooth_chart, study_throw
    from spreadcheck.show.throw import throw_document, throw_figure, throw_json

    out.check(sheet)
    test = read_test(sheet) if sheet else None
    given = {_WEATHER.get(name, name): value for name, value in values.items() if not name.startswith("to_")}
    changes = {name.removeprefix("to_"): value for name, value in values.items() if name.startswith("to_")}
    present, weather, assumed = setting_from(test, given, wind_from=wind_from)
    kind = "speed" if present.spinner_speed_rpm is None else "turning speed"
    study = study_throw(
        present,
        changed_setting(present, changes),
        weather=weather,
        speeds=[parse_quantity(part, kind, place="option --speeds") for part in parted(speeds)],
        sizes_mm=sizes_mm,
    )
    judged = _judged(test)
    doubts, verdict = (judged.doubts, judged.verdict) if judged else ((), None)

    def figure() -> Any:
        return throw_figure(study, smooth_chart(study), units)

    def report() -> Document:
        from spreadcheck.show.verdict import to_hand_over

        document = throw_document(study, units, assumed=assumed, test=test, svg=svg_of(figure()))
        return to_hand_over(document, doubts, units, verdict=verdict)

    out.write(
        json=lambda: throw_json(study, assumed=assumed, test=test, judged=judged),
        plot=figure,
        report=report,
    )
    out.show(throw_document(study, units, assumed=assumed, test=test), doubts, units, verdict=verdict)
    if out.screen and sheet and sheet != "-":
        name_next("record", free(beside(sheet, "-2.csv")), "--like", sheet, lead="Next, after the change")


def _judged(test: TrayTest | None) -> Assessment | None:
    """The assessment of the sheet, where its trays were weighed: its verdict and doubts are told here too."""
    from spreadcheck.errors import SpreadcheckError
    from spreadcheck.judge.assessment import assess

    try:
        return None if test is None else assess(test, relative=True)
    except SpreadcheckError:
        return None
