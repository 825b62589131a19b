"""Every `--csv`: rows of figures for a spreadsheet, in the units shown, with the unit in the name of the column."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping
from typing import Any

from spreadcheck.errors import visible
from spreadcheck.units import KINDS, from_inside, shown_unit

DIGITS = 9  # significant ones: a reading back differs by less than any scale can weigh


def in_units(row: Mapping[str, Any], kinds: Mapping[str, str], system: str = "metric") -> dict[str, Any]:
    """One row of SI figures in the units that a reader is shown; what has no kind stays as it is."""
    told: dict[str, Any] = {}
    for key, value in row.items():
        if key in kinds:
            kind = kinds[key]
            unit = shown_unit(kind, system)
            said = unit.replace("1/", "per_")  # kg_ha, per_ha, kg_per_100_m
            said = said.replace("/", "_per_" if " " in said else "_").replace(" ", "_")
            name = f"{key.removesuffix(KINDS[kind].key)}{said}"
            told[name] = None if value is None else from_inside(value, unit, kind)
        else:
            told[key] = value
    return told


def csv_text(rows: Iterable[Mapping[str, Any]]) -> str:
    """Rows as CSV, the keys of the first as its header."""
    lines: list[str] = []
    for row in rows:
        if not lines:
            lines.append(csv_line(row))
        lines.append(csv_line(row.values()))
    return "".join(lines)


def csv_line(values: Iterable[object]) -> str:
    """One line of a CSV result, with its line end."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow([csv_cell(value) for value in values])
    return out.getvalue()


def csv_cell(value: object) -> str:
    """A figure to nine digits, yes or no, or typed text on one line; what is not known is empty.

    A leading apostrophe keeps a spreadsheet from running typed text as a formula.
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        from decimal import Decimal

        return f"{Decimal(f'{value + 0.0:.{DIGITS}g}'):f}" if math.isfinite(value) else ""
    text = visible(" ".join(str(value).split()))
    return f"'{text}" if text.startswith(("=", "+", "-", "@")) and isinstance(value, str) else text
