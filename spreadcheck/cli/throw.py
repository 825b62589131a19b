"""`spreadcheck throw [SHEET]`: what a change of speed or granule does to the throw."""

from __future__ import annotations

from contextlib import suppress

import click

from spreadcheck.cli.options import Parsed, options, outputs, quantity, read_test, several, sheets_argument
from spreadcheck.cli.outputs import Outputs, name_next
from spreadcheck.errors import SpreadcheckError
from spreadcheck.show.format import free
from spreadcheck.units import parse_quantity, parted

_PRESENT = {
    "spinner_speed": quantity("turning speed", "SPEED", 'Present spinner speed, such as "800 rpm".'),
    "disc_diameter": quantity("length", "LENGTH", 'Circle of the vane tips, such as "0.6 m".'),
    "release_factor": {"type": float, "help": "Release speed, as a multiple of the speed of the vane tips; 1.25 if "
                       "not given."},
    "release_speed": quantity("speed", "SPEED", 'Release speed itself, such as "30 m/s", instead of the disc.'),
    "granule_size": quantity("granule size", "SIZE", 'Present granule diameter, such as "3.2 mm".'),
    "granule_density": quantity("density", "DENSITY", 'Of a granule, not of the heap, such as "1300 kg/m3".'),
    "sphericity": {"type": float, "help": "1 for a ball (the default) down to 0.67."},
    "disc_height": quantity("length", "LENGTH", 'Vane tips above the ground or crop, such as "0.9 m".'),
    "launch_angle": quantity("angle", "ANGLE", 'Above the horizontal, such as "5 deg"; 0 deg if not given.'),
}  # fmt: skip
_CHANGED = {
    f"to_{name}": {**_PRESENT[name], "help": f"{name.replace('_', ' ').capitalize()} after the change."}
    for name in ("spinner_speed", "release_speed", "granule_size", "granule_density", "disc_height", "launch_angle")
}


def _wind_side(text: str, place: str) -> str:
    from spreadcheck.sheet.labels import LABELS, read_value

    return str(read_value(LABELS["wind from"], text, place=place) or "") if text else ""


@click.command()
@sheets_argument("sheet", required=False)
@options(
    **_PRESENT,
    air_temperature=quantity("temperature", "T", 'Such as "18 degC"; 15 degC if not given.', field="temperature_deg_c"),
    air_pressure=quantity("pressure", "P", 'At the place, such as "980 hPa"; 1013.25 hPa if not given.',
                          field="pressure_hpa"),
    relative_humidity=quantity("share", "SHARE", 'Such as "60 %"; dry air if not given.', field="humidity_pct"),
    wind_speed=quantity("wind speed", "SPEED", 'Such as "3 m/s"; still air if not given.'),
)  # fmt: skip
@click.option("--wind-from", type=Parsed(_wind_side), default="", metavar="SIDE",
              help='Seen in the travel direction: left, ahead, "behind right"...')  # fmt: skip
@options(**_CHANGED)
@click.option("--speeds", default="", metavar="LIST", help='Speeds of the table, such as "700 rpm; 800 rpm".')
@options(sizes=several("granule size", 'Granule sizes of the table, such as "2 mm; 3.2 mm; 4 mm".'))
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
    from spreadcheck.judge.assessment import assess
    from spreadcheck.product.throw import changed_setting, setting_from, study_throw
    from spreadcheck.show.throw import throw_document, throw_figure, throw_json

    out.check(sheet)
    test = read_test(sheet) if sheet else None
    changes = {name.removeprefix("to_"): values.pop(name) for name in tuple(values) if name.startswith("to_")}
    present, weather, assumed = setting_from(test, values, wind_from=wind_from)
    kind = "speed" if present.spinner_speed_rpm is None else "turning speed"
    study = study_throw(
        present,
        changed_setting(present, changes),
        weather=weather,
        speeds=[parse_quantity(part, kind, place="option --speeds") for part in parted(speeds)],
        sizes_mm=sizes_mm,
    )
    judged = None
    with suppress(SpreadcheckError):  # its trays may not be weighed yet
        judged = assess(test, relative=True) if test else None
    out.show(
        throw_document(study, units, assumed=assumed, test=test),
        judged or (),
        json=lambda: throw_json(study, assumed=assumed, test=test, judged=judged),
        plot=lambda: throw_figure(study, units),
    )
    if out.screen and sheet and sheet != "-":
        name_next("record", free(sheet, "-2.csv"), "--like", sheet, lead="Next, after the change")
