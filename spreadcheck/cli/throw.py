"""`spreadcheck throw [SHEET]`: what a change of speed or granule does to the throw."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import click

from spreadcheck.cli.options import optional_sheet_argument, options, outputs, read_test, text_options
from spreadcheck.cli.outputs import Outputs
from spreadcheck.cli.say import say

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from spreadcheck.product.throw import ThrowStudy


@click.command()
@optional_sheet_argument
@text_options(
    ("--spinner-speed", "SPEED", 'Present spinner speed, such as "800 rpm".'),
    ("--disc-diameter", "LENGTH", 'Circle of the vane tips, such as "0.6 m".'),
)
@click.option("--release-factor", type=float, help="Release speed over the speed of the vane tips; 1.25 if not given.")
@text_options(
    ("--release-speed", "SPEED", 'Release speed itself, such as "30 m/s", instead of the disc.'),
    ("--granule-size", "SIZE", 'Present granule diameter, such as "3.2 mm".'),
    ("--granule-density", "DENSITY", 'Of a granule, not of the heap, such as "1300 kg/m3".'),
)
@click.option("--sphericity", type=float, help="1 for a ball (the default) down to 0.67.")
@text_options(
    ("--disc-height", "LENGTH", 'Vane tips above the ground or crop, such as "0.9 m".'),
    ("--launch-angle", "ANGLE", 'Above the horizontal, such as "5 deg"; 0 deg if not given.'),
    ("--air-temperature", "T", 'Such as "18 degC"; 15 degC if not given.'),
    ("--air-pressure", "P", 'At the place, such as "980 hPa"; 1013.25 hPa if not given.'),
    ("--relative-humidity", "SHARE", 'Such as "60 %"; dry air if not given.'),
    ("--wind-speed", "SPEED", 'Such as "3 m/s"; still air if not given.'),
    ("--wind-from", "SIDE", 'Seen in the travel direction: left, ahead, "behind right"...'),
    ("--to-spinner-speed", "SPEED", "Spinner speed after the change."),
    ("--to-release-speed", "SPEED", "Release speed after the change."),
    ("--to-granule-size", "SIZE", "Granule diameter after the change."),
    ("--to-granule-density", "DENSITY", "Granule density after the change."),
    ("--to-disc-height", "LENGTH", "Disc height after the change."),
    ("--to-launch-angle", "ANGLE", "Launch angle after the change."),
    ("--speeds", "LIST", 'Speeds of the table, such as "700 rpm; 800 rpm".'),
    ("--sizes", "LIST", 'Granule sizes of the table, such as "2 mm; 3.2 mm; 4 mm".'),
)
@options("units")
@outputs("json", plot="Draw throw against speed; .png, .svg or .pdf by the ending.")
def throw(
    *,
    sheet: str | None,
    units: str,
    out: Outputs,
    wind_from: str | None,
    speeds: str | None,
    sizes: str | None,
    **values: str | float | None,
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
    from spreadcheck.product.throw import study_throw

    out.check(sheet)
    given, changes = _quantities(values)
    test = read_test(sheet) if sheet else None
    present, weather, assumed = setting_from(test, given, wind_from=_wind_side(wind_from))
    by = "speed" if present.spinner_speed_rpm is None else "turning speed"
    study = study_throw(
        present,
        changed_setting(present, changes),
        weather=weather,
        speeds=_list(speeds, by, "option --speeds"),
        sizes_mm=_list(sizes, "granule size", "option --sizes"),
    )
    source = test.name if test else ""
    _write(out, study, units, assumed=assumed, test=test)
    if out.screen:
        from spreadcheck.show.throw import throw_text

        say(throw_text(study, units, assumed=assumed, source=source))


def _quantities(values: dict[str, str | float | None]) -> tuple[dict[str, float | None], dict[str, float | None]]:
    """Options as present and changed fields, in the units used inside."""
    from spreadcheck.product.release import OPTIONS, QUANTITIES
    from spreadcheck.units import parse_quantity

    given: dict[str, float | None] = {}
    changes: dict[str, float | None] = {}
    for option, written in values.items():
        key = OPTIONS[option.removeprefix("to_")]
        target = changes if option.startswith("to_") else given
        if isinstance(written, str):
            place = f"option --{option.replace('_', '-')}"
            target[key] = parse_quantity(written, QUANTITIES[key][0], place=place)
        else:
            target[key] = written
    return given, changes


def _wind_side(text: str | None) -> str:
    from spreadcheck.sheet.labels import LABELS, read_value

    return str(read_value(LABELS["wind from"], text, place="option --wind-from") or "") if text else ""


def _list(text: str | None, kind: str, place: str) -> list[float]:
    """A list of quantities, parted by semicolons, or by commas behind a unit."""
    from spreadcheck.units import parse_quantity

    parts = re.split(r";|(?<=[A-Za-z])\s*,", text) if text else []
    return [parse_quantity(part.strip(), kind, place=place) for part in parts]


def _write(out: Outputs, study: ThrowStudy, units: str, **about: Any) -> None:
    def json() -> dict[str, Any]:
        from spreadcheck.show.throw import throw_json

        return throw_json(study, **about)

    def plot() -> Figure:
        from spreadcheck.product.throw import smooth_chart
        from spreadcheck.show.throw import throw_figure

        return throw_figure(study, smooth_chart(study), units)

    out.write(json=json, plot=plot)
