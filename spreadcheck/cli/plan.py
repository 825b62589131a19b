"""`spreadcheck plan`: lay out a good test."""

from __future__ import annotations

import contextlib
import os
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from spreadcheck.cli.options import options, outputs, quantity, read_test, words
from spreadcheck.cli.outputs import Outputs, name_next
from spreadcheck.cli.terminal import say
from spreadcheck.errors import Fault, OutputError, QuantityError, SpreadcheckError
from spreadcheck.show.format import free

if TYPE_CHECKING:
    from spreadcheck.judge.assessment import Assessment


@click.command()
@options(
    bout_width='Bout width wanted, such as "24 m" or "80 ft".',
    throw=quantity("length", "DISTANCE", 'How far granules fly to one side, such as "18 m".'),
    target_rate=quantity("rate", "RATE", 'Such as "100 kg/ha" or "90 lb/ac".', required=True),
    tray_width=quantity("length", "WIDTH", "Across the travel.", default="0.5 m"),
    tray_length=quantity("length", "LENGTH", "Along the travel.", default="0.5 m"),
    trays={"type": click.IntRange(3), "help": "How many trays there are; the closest spacing follows."},
    spacing=quantity("length", "DISTANCE", "Distance between tray centres, if it is fixed."),
    wheel_track=quantity("length", "WIDTH", "Distance between the wheels, centre to centre."),
    tyre_width=quantity("length", "WIDTH", "Width of a tyre.", default="0.5 m"),
    travel_speed=quantity("speed", "SPEED", "Speed over the line.", default="10 km/h"),
    scale_resolution=quantity("catch mass", "MASS", "Step of the scale.", default="0.1 g"),
    runs_per_catch={"type": click.IntRange(1), "default": 1, "help": "Runs before weighing."},
    size_guide_number={"type": float, "default": 325, "help": "Median granule diameter in mm x 100. The default is "
                       "what European blenders aim at."},
    granule_density=quantity("density", "DENSITY", "Of the granule, not in bulk. The default is a heavy granule, the "
                             "cautious side.", default="1600 kg/m3"),
    noise={"type": float, "default": 7, "field": "noise_pct",
           "help": "Largest noise of a tray that catches half the rate, in %. Two such trays make one deposit with "
           "4.9 % noise, which lifts a CV of 14 % to 14.8 %: still the same answer at 15 %."},
    settling=quantity("time", "TIME", "Until speed and flow are steady.", default="5 s"),
    former=words("SHEET", "A former test; its own noise tells how many passes are needed."),
    half_width=quantity("length", "LENGTH", 'With --former: how close to know the effective width, such as "1 m" '
                        "either way."),
    sheet=words("FILE", "Write the tray sheet to fill in, .csv or .xlsx."),
    bins={"type": click.IntRange(1, 6), "default": 1, "show_default": False,
          "help": "With --sheet: bins of the machine, a product each."},
)  # fmt: skip
@options("units")
@outputs("json")
def plan(
    *,
    former: str | None,
    half_width_m: float | None,
    sheet: str | None,
    bins: int,
    units: str,
    out: Outputs,
    **wished: Any,
) -> None:
    """Lay out a tray line: where the trays go, how many passes, how much room.

    Give the bout width wanted, the throw expected, or both. Every figure comes with the rule it follows from.

    \b
    Examples:
      spreadcheck plan --bout-width "24 m" --target-rate "100 kg/ha"
      spreadcheck plan --throw "60 ft" --target-rate "90 lb/ac" --units us
      spreadcheck plan --bout-width "24 m" --target-rate "100 kg/ha" \\
        --former sample_trays/even_trapezoid.csv --half-width "0.5 m"
    """
    from spreadcheck.crew.plan import PlanRequest, plan_line, planned_sheet
    from spreadcheck.judge.assessment import assess
    from spreadcheck.judge.passcount import runs_from_former
    from spreadcheck.sheet.traysheet import write_sheet
    from spreadcheck.show.plan import plan_document, plan_json

    if sheet and sheet != former:
        _check_no_catches(sheet)  # before it is said that --overwrite would do
    out.check(former, sheet=sheet)
    runs = None
    tests: tuple[Assessment, ...] = ()
    if (former is None) != (half_width_m is None):
        missing = "--former" if former is None else "--half-width"
        raise QuantityError(Fault(f"option {missing}", "is missing", "give --former and --half-width together"))
    if former is not None and half_width_m is not None:
        test = read_test(former)
        runs = runs_from_former(test, half_width_m)
        tests = (assess(test, relative=True),)
    # fields that stand at their defaults because nobody gave them
    source = click.get_current_context().get_parameter_source
    fields = ("tray_width_m", "tray_length_m", "travel_speed_m_s", "scale_resolution_g", "size_guide_number",
              "granule_density_kg_m3")  # fmt: skip
    assumed = tuple(name for name in fields if source(name) is ParameterSource.DEFAULT)
    planned = plan_line(PlanRequest(**wished, assumed=assumed, former_runs=runs))
    if sheet:
        write_sheet(planned_sheet(planned, units, bins=bins), sheet, overwrite=out.overwrite)
        say(f"{sheet} written", err=True)
    former_doubts = [doubt for each in tests for doubt in each.doubts]
    out.show(plan_document(planned, units), planned.doubts, tests=tests, json=lambda: plan_json(planned, former_doubts))
    if sheet:
        name_next("form", sheet, "--pdf", free(sheet, "-form.pdf"), lead="Next, on paper")
        name_next("record", sheet, lead="Or, at the scale")
    elif out.screen:
        name_next(*out.again("--sheet", free("field.csv")))


def _check_no_catches(sheet: str) -> None:
    """Refuse to lay an empty sheet over weights, whatever the options: they can't be weighed again."""
    from spreadcheck.sheet.files import is_sheet_file
    from spreadcheck.sheet.traysheet import read_sheet

    if not os.path.isfile(sheet) or not is_sheet_file(sheet):
        return
    problem = "is there already and can't be read, so that it may hold weights"
    with contextlib.suppress(SpreadcheckError):
        if read_sheet(sheet).blank:
            return
        problem = "holds weights already, and an empty sheet would replace them"
    raise OutputError(Fault(sheet, problem, "give --sheet another name"))
