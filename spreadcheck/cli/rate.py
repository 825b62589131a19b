"""`spreadcheck rate`: the application rate against what was metered and what was wanted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from spreadcheck.cli.options import options, outputs, quantity, read_test, several, sheets_argument
from spreadcheck.cli.outputs import Outputs, name_next, write_into
from spreadcheck.show.format import free, plan_words

if TYPE_CHECKING:
    from collections.abc import Callable


def _run(kind: str, such_as: str) -> Callable[[str, str], tuple[float, float]]:
    """Reads the mass of a run with its area or its time."""

    def read(text: str, place: str) -> tuple[float, float]:
        from spreadcheck.product.readings import Part, pair, positive

        mass, second = pair(Part(text, place), such_as=such_as)
        return positive(mass, "mass", place=place), positive(second, kind, place=place)

    return read


def _width(text: str, place: str) -> float:
    from spreadcheck.product.readings import positive

    return positive(text, "length", place=place)


@click.command()
@sheets_argument("sheet", required=False)
@options(
    area=several(_run("area", "310 kg: 2 ha"), 'Mass spread and its area, a run each: "310 kg: 2 ha".', field="areas",
                 again=True),
    catch=several(_run("time", "36 kg: 30 s"), 'Mass caught and its time, a run each: "36 kg: 30 s".', field="catches",
                  again=True),
    target='Rate wanted, such as "150 kg/ha".',
    bout_width='Bout width driven, such as "24 m".',
    speed=quantity("speed", "SPEED", 'Travel speed in work, such as "12 km/h".'),
    metered_rate=quantity("rate", "RATE", "Rate that the controller aimed at."),
    metered_width=quantity("length", "WIDTH", "Width that the controller or gate chart was set for."),
    discharge=quantity("flow", "FLOW", 'Flow found in a flow test, such as "72 kg/min".'),
    factor={"type": float, "help": "Calibration factor in force."},
    inverse_factor={"is_flag": True, "field": "inverse",
                    "help": "The factor is turns or pulses a kg: the new one is factor x aimed / measured."},
    setting={"type": float, "help": "Gate or belt setting in force."},
    tolerance={"type": float, "default": 5.0, "field": "tolerance_pct",
               "help": "How close to know the mean rate, in % either way."},
    confidence={"help": "How sure that must be, in %.", "field": "confidence_pct"},
    new_width=several(_width, 'Rate at other bout widths: "27 m, 30 m".', field="new_widths_m", again=True),
    bin={"type": click.IntRange(1, 6), "default": 1, "show_default": False, "field": "bin_no",
         "help": "With --into: the bin that was metered."},
)  # fmt: skip
@options("tails", "into", "units")
@outputs("json", "report")
def rate(*, sheet: str | None, bin_no: int, into: str | None, units: str, out: Outputs, **given: Any) -> None:
    """Application rate by trays, by area and by catch; share recovered; what to correct.

    A tray SHEET gives the mean rate over the bout, and fills in what options leave out: target rate, bout width,
    metered rate, metered width, discharge, travel speed, calibration factor, gate setting. --into is for the sheet of
    the next test: the factor and setting found, target rate, bout width and travel speed.

    \b
    Examples:
      spreadcheck rate sample_trays/even_trapezoid.csv --factor 0.82
      spreadcheck rate --area "310 kg: 2 ha, 318 kg: 2 ha" --target "150 kg/ha"
      spreadcheck rate first.csv --factor 0.82 --into second.csv
      spreadcheck rate --catch "36 kg: 30 s" --speed "10 km/h" --bout-width "24 m"
    """
    from spreadcheck.product.rate import ON_SHEET, RateSettings, check_rate
    from spreadcheck.show.rate import rate_document, rate_json

    out.check(sheet, into=into)
    trays = read_test(sheet) if sheet else None
    settings = RateSettings(**{name: given.pop(name) for name in ON_SHEET})
    result = check_rate(settings, trays=trays, **given)
    out.show(rate_document(result, units), result, json=lambda: rate_json(result))
    if into:
        from spreadcheck.crew.newsheet import rows_of_bin

        write_into(into, rows_of_bin(result.form_rows(units), bin_no), overwrite=out.overwrite, like=trays)
    elif out.screen and result.verdict and result.verdict.blocking:
        name_next(*out.again(), lead="Next, once that is put right")
    elif out.screen and sheet and sheet != "-":
        name_next(*out.again("--into", free(sheet, "-next.csv")), lead="Next, a sheet for the next test")
    elif out.screen:
        width, target = result.settings.bout_width_m, result.settings.target_kg_ha
        examples = [what for what, value in (("the width", width), ("the rate", target)) if value is None]
        told = f" ({' and '.join(examples)} as an example: give your own)" if examples else ""
        name_next(*plan_words(width, target, units), lead=f"Next, a tray test{told}")
