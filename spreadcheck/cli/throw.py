"""`spreadcheck throw [SHEET]`: what a change of speed or granule does to the throw."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import click

from spreadcheck.cli.documents import picture
from spreadcheck.cli.options import (
    check_targets,
    json_option,
    overwrite_option,
    plot_option,
    read_test,
    units_option,
    worksheet_options,
    write_result,
)
from spreadcheck.cli.say import say

if TYPE_CHECKING:
    from spreadcheck.product.throw import ThrowStudy


@click.command()
@click.argument("sheet", type=click.Path(allow_dash=True), required=False)
@worksheet_options
@click.option("--spinner-speed", metavar="SPEED", help='Present spinner speed, such as "800 rpm".')
@click.option("--disc-diameter", metavar="LENGTH", help='Circle of the vane tips, such as "0.6 m".')
@click.option("--release-factor", type=float, help="Release speed over the speed of the vane tips; 1.25 if not given.")
@click.option("--release-speed", metavar="SPEED", help='Release speed itself, such as "30 m/s", instead of the disc.')
@click.option("--granule-size", metavar="SIZE", help='Present granule diameter, such as "3.2 mm".')
@click.option("--granule-density", metavar="DENSITY", help='Of a granule, not of the heap, such as "1300 kg/m3".')
@click.option("--sphericity", type=float, help="1 for a ball (the default) down to 0.67.")
@click.option("--disc-height", metavar="LENGTH", help='Vane tips above the ground or crop, such as "0.9 m".')
@click.option("--launch-angle", metavar="ANGLE", help='Above the horizontal, such as "5 deg"; 0 deg if not given.')
@click.option("--air-temperature", metavar="T", help='Such as "18 degC"; 15 degC if not given.')
@click.option("--air-pressure", metavar="P", help='At the place, such as "980 hPa"; 1013.25 hPa if not given.')
@click.option("--relative-humidity", metavar="SHARE", help='Such as "60 %"; dry air if not given.')
@click.option("--wind-speed", metavar="SPEED", help='Such as "3 m/s"; still air if not given.')
@click.option("--wind-from", metavar="SIDE", help='Seen in the travel direction: left, ahead, "behind right"...')
@click.option("--to-spinner-speed", metavar="SPEED", help="Spinner speed after the change.")
@click.option("--to-release-speed", metavar="SPEED", help="Release speed after the change.")
@click.option("--to-granule-size", metavar="SIZE", help="Granule diameter after the change.")
@click.option("--to-granule-density", metavar="DENSITY", help="Granule density after the change.")
@click.option("--to-disc-height", metavar="LENGTH", help="Disc height after the change.")
@click.option("--to-launch-angle", metavar="ANGLE", help="Launch angle after the change.")
@click.option("--speeds", metavar="LIST", help='Speeds of the table, such as "700 rpm; 800 rpm".')
@click.option("--sizes", metavar="LIST", help='Granule sizes of the table, such as "2 mm; 3.2 mm; 4 mm".')
@units_option
@json_option
@plot_option("Draw throw against speed")
@overwrite_option
def throw(
    *,
    sheet: str | None,
    units: str,
    json_file: str | None,
    plot_file: str | None,
    overwrite: bool,
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

    check_targets([json_file, plot_file], overwrite, read=[sheet])
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
    if json_file:
        from spreadcheck.show.json import json_text
        from spreadcheck.show.throw import throw_json

        write_result(json_file, json_text(throw_json(study, assumed=assumed, test=test)), overwrite=overwrite)
    if plot_file:
        _plot(study, plot_file, units, overwrite)
    if json_file != "-":
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


def _plot(study: ThrowStudy, plot_file: str, units: str, overwrite: bool) -> None:
    from spreadcheck.product.throw import smooth_chart
    from spreadcheck.show.plots import file_format
    from spreadcheck.show.throw import throw_figure

    figure = throw_figure(study, smooth_chart(study), units)
    write_result(plot_file, picture(figure, file_format(plot_file)), overwrite=overwrite)
