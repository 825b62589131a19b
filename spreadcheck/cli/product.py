"""`spreadcheck product`: a product's properties from its readings."""

from __future__ import annotations

import math

import click

from spreadcheck.cli.options import Parsed, options, outputs
from spreadcheck.cli.outputs import Outputs, name_next, write_into
from spreadcheck.errors import Fault, QuantityError
from spreadcheck.show.format import plan_words
from spreadcheck.units import show

# option -> the row of a product file that it stands for, what stands for a value, and the help
_ROWS = {
    "sieve_box": ("sieve box", "LIST", 'Size number and share: "200:10, 250:40, 300:35, 350:15".'),
    "sieve_stack": ("sieve stack", "LIST|FILE",
                    'Sieve and mass or share: "4 mm: 12 g, ..., pan: 0 g"; or a file that ends in .csv.'),
    "sgn": ("size guide number", "LIST", 'Size guide number as stated by the supplier: "280", or "2.8 mm".'),
    "density": ("bulk density", "LIST", 'Filled containers: "1 L: 0.78 kg", "1 gal: 6.4 lb"; or "48 lb/ft3".'),
    "density_entered": ("density entered", "DENSITY",
                        "What the rate controller works with: how far is the rate off?"),
    "granule_density": ("granule density", "LIST", 'Of the granule itself: "1.32 kg/L".'),
    "crush": ("crush strength", "LIST", 'Crush strengths: "3.1 kgf, 2.8 kgf" (or lbf, N).'),
    "component": ("component", "LIST",
                  'One of a blend: "urea: 60 %, SGN 280, UI 48, density 0.76 kg/L, strength 3 kgf".'),
}  # fmt: skip
_READINGS = {
    name: {"metavar": metavar, "multiple": True, "default": None, "show_default": False, "help": text}
    for name, (_, metavar, text) in _ROWS.items()
}


def _half_width(text: str, place: str) -> dict[str, float]:
    """In % of the mean strength, or as a force."""
    from spreadcheck.product.readings import positive, share

    if not text.strip().endswith("%"):
        return {"half_width_n": positive(text, "force", place=place)}
    wanted = share(text, place=place)
    if wanted < 1e-6:
        raise QuantityError(Fault(place, f"{wanted:g} % is not a half-width", "give one above 0"))
    return {"half_width_pct": wanted}


@click.command()
@click.argument("file", required=False, type=click.Path())
@click.option("--name", metavar="TEXT", help="The product's name.")
@options(**_READINGS)
@click.option("--rescale", is_flag=True, help="Divide shares that don't add up to 100 by their total.")
@options("confidence")
@click.option("--half-width", type=Parsed(_half_width), default={}, metavar="WIDTH",
              help='How close to know the mean strength: "0.3 kgf" or "10 %"  [default: 10 %]')  # fmt: skip
@click.option("--chart", "chart_file", metavar="FILE", help="Look up speed and width in your machine's setting chart.")
@click.option("--bin", "bin_no", type=click.IntRange(1, 6), default=1, help="With --into: the bin that holds it.")
@options("into", "units")
@outputs("json", "report")
def product(
    *,
    file: str | None,
    name: str | None,
    rescale: bool,
    confidence: float,
    half_width: dict[str, float],
    chart_file: str | None,
    bin_no: int,
    into: str | None,
    units: str,
    out: Outputs,
    **given: tuple[str, ...],
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
    from spreadcheck.product.readings import option_entry, read_product_file, read_readings, read_stack_file
    from spreadcheck.show.product import product_document, product_json

    entries = [*(read_product_file(file) if file else ())]
    if name is not None:
        entries.append(option_entry("product", name, option="--name"))
    for option, texts in given.items():
        for text in texts or ():
            if option == "sieve_stack" and text.casefold().endswith(".csv"):
                entries.append(read_stack_file(text))
            else:
                entries.append(option_entry(_ROWS[option][0], text, option=f"--{option.replace('_', '-')}"))
    if not entries:
        remedy = 'give a product file, or options such as --density "1 L: 0.78 kg"; see spreadcheck product --help'
        raise QuantityError(Fault("", "there are no readings", remedy))
    out.check(file, chart_file, *(given["sieve_stack"] or ()))
    readings = read_readings(entries, rescale=rescale)
    result = product_of(readings, confidence_pct=confidence, rescale=rescale, **half_width)
    answer = None
    if chart_file:
        from spreadcheck.product.chart import find_settings, read_chart

        half = math.nan if result.blend else result.half_width_n
        answer = find_settings(read_chart(chart_file), result.readings, strength_half_width_n=half)
    doubts = (*result.doubts, *(answer.doubts if answer else ()))
    document = product_document(result, units, answer)
    out.show(document, doubts, json=lambda: product_json(result, answer))
    if into:
        from spreadcheck.crew.newsheet import rows_of_bin

        rows = (*form_rows(result, units), *(answer.form_rows(units) if answer else ()))
        write_into(into, rows_of_bin(rows, bin_no), overwrite=out.overwrite)
    elif out.screen:
        known = []
        if not math.isnan(result.size_guide_number):
            known += ["--size-guide-number", f"{result.size_guide_number:.0f}"]
        if result.granule.count:
            known += ["--granule-density", show(result.granule.mean, "density", units)]
        width = answer.expected_width_m if answer else None
        own = "width and target rate" if width is None else "target rate"
        name_next(*plan_words(width, None, units, *known), lead=f"Next, with your own {own}")
