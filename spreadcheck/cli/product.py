"""`spreadcheck product`: a product's properties from its readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from spreadcheck.cli.options import options, outputs
from spreadcheck.cli.outputs import Outputs, tell_doubts, write_into
from spreadcheck.cli.say import say

if TYPE_CHECKING:
    from spreadcheck.product.chart import Chart, ChartAnswer
    from spreadcheck.product.product import Product
    from spreadcheck.product.readings import Entry

# option -> the row of a product file that it stands for
_ROWS = {
    "name": "product",
    "sieve_box": "sieve box",
    "sgn": "size guide number",
    "density": "bulk density",
    "granule_density": "granule density",
    "crush": "crush strength",
    "density_entered": "density entered",
    "component": "component",
}


@click.command()
@click.argument("file", required=False, type=click.Path())
@click.option("--name", metavar="TEXT", help="The product's name.")
@click.option(
    "--sieve-box", multiple=True, metavar="LIST", help='Size number and share: "200:10, 250:40, 300:35, 350:15".'
)
@click.option(
    "--sieve-stack",
    multiple=True,
    metavar="LIST|FILE",
    help='Sieve and mass or share: "4 mm: 12 g, ..., pan: 0 g"; or a file that ends in .csv.',
)
@click.option("--rescale", is_flag=True, help="Divide shares that don't add up to 100 by their total.")
@click.option("--sgn", multiple=True, metavar="LIST", help="Size guide number as stated by the supplier.")
@click.option("--density", multiple=True, metavar="LIST", help='Filled containers: "1 L: 0.78 kg", or "48 lb/ft3".')
@click.option("--density-entered", metavar="DENSITY", help="What the rate controller has, to see the rate error.")
@click.option("--granule-density", multiple=True, metavar="LIST", help='Of the granule itself: "1.32 kg/L".')
@click.option("--crush", multiple=True, metavar="LIST", help='Crush strengths: "3.1 kgf, 2.8 kgf" (or lbf, N).')
@click.option("--confidence", type=float, default=95.0, show_default=True, help="Confidence for the mean, in %.")
@click.option("--half-width", metavar="WIDTH", help='Wanted of the mean strength: "0.3 kgf" or "10 %"  [default: 10 %]')
@click.option(
    "--component",
    multiple=True,
    metavar="LIST",
    help='One of a blend: "urea: 60 %, SGN 280, UI 48, density 0.76 kg/L, strength 3.1 kgf".',
)
@click.option("--chart", "chart_file", metavar="FILE", help="Look up speed and width in your machine's setting chart.")
@options("into", "units")
@outputs("json")
def product(
    *,
    file: str | None,
    sieve_stack: tuple[str, ...],
    rescale: bool,
    confidence: float,
    half_width: str | None,
    chart_file: str | None,
    into: str | None,
    units: str,
    out: Outputs,
    **given: str | tuple[str, ...] | None,
) -> None:
    """Size, density and strength of a product or a blend, and the rows for a tray sheet.

    Readings come from options, from a product FILE (.csv), or both. Readings in a list are parted by commas, or by
    semicolons where numbers have decimal commas; an option may come again for a second reading.

    \b
    Examples:
      spreadcheck product --density "1 L: 0.78 kg, 1 L: 0.77 kg"
                          --density-entered "0.80 kg/L"
      spreadcheck product --crush "3.1 kgf, 2.8 kgf, 3.4 kgf" --half-width "10 %"
      spreadcheck product sample_trays/example_product.csv
                          --chart sample_trays/example_setting_chart.csv
      spreadcheck product --density "1 L: 0.78 kg" --into test.csv
    """
    from spreadcheck.product.product import form_rows, product_of
    from spreadcheck.product.productfile import read_readings
    from spreadcheck.product.readings import confidence_given, half_width_given

    wanted_pct, wanted_n = half_width_given(half_width, place="option --half-width")
    entries = [*_file_entries(file), *_stack_entries(sieve_stack), *_option_entries(given)]
    _check(entries)
    out.check(file, chart_file, *sieve_stack)
    result = product_of(
        read_readings(entries, rescale=rescale),
        confidence_pct=confidence_given(confidence, place="option --confidence"),
        half_width_pct=wanted_pct,
        half_width_n=wanted_n,
        rescale=rescale,
    )
    chart, answer = _ask(result, chart_file)
    _present(result, chart, answer, units, out)
    if into:
        rows = (*form_rows(result, units), *(answer.form_rows(units) if answer else ()))
        write_into(into, rows, overwrite=out.overwrite)


def _file_entries(file: str | None) -> tuple[Entry, ...]:
    from spreadcheck.product.productfile import read_product_file

    return read_product_file(file) if file else ()


def _stack_entries(stacks: tuple[str, ...]) -> list[Entry]:
    from spreadcheck.product.productfile import read_stack_file
    from spreadcheck.product.readings import option_entry

    return [
        read_stack_file(text)
        if text.casefold().endswith(".csv")
        else option_entry("sieve stack", text, option="--sieve-stack")
        for text in stacks
    ]


def _option_entries(given: dict[str, str | tuple[str, ...] | None]) -> list[Entry]:
    from spreadcheck.product.readings import option_entry

    entries = []
    for name, texts in given.items():
        option = f"--{name.replace('_', '-')}"
        for text in (texts,) if isinstance(texts, str) else texts or ():
            entries.append(option_entry(_ROWS[name], text, option=option))
    return entries


def _check(entries: list[Entry]) -> None:
    from spreadcheck.errors import Fault, QuantityError

    if not entries:
        remedy = 'give a product file, or options such as --density "1 L: 0.78 kg"; see spreadcheck product --help'
        raise QuantityError(Fault("", "there are no readings", remedy))


def _ask(result: Product, chart_file: str | None) -> tuple[Chart | None, ChartAnswer | None]:
    if not chart_file:
        return None, None
    from spreadcheck.product.chart import ask_chart, read_chart

    chart = read_chart(chart_file)
    width = result.strength.half_width_n if result.strength and result.blend is None else float("nan")
    return chart, ask_chart(chart, result.readings, half_width_n=width)


def _present(
    result: Product,
    chart: Chart | None,
    answer: ChartAnswer | None,
    units: str,
    out: Outputs,
) -> None:
    from spreadcheck.show.product import product_json, product_text

    out.write(json=lambda: product_json(result, answer))
    if not out.screen:
        return
    say(product_text(result, units, chart=chart, answer=answer))
    tell_doubts((*result.doubts, *(answer.doubts if answer else ())), units)
