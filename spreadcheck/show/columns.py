"""Rows of figures for a spreadsheet: SI keys turned to the units shown, and the CSV text."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from spreadcheck.errors import visible
from spreadcheck.units import KINDS, from_inside, shown_unit


def in_units(row: Mapping[str, Any], kinds: Mapping[str, str], system: str = "metric") -> dict[str, Any]:
    """One row in the units that a reader is shown, figures rounded to nine digits."""
    told: dict[str, Any] = {}
    for key, value in row.items():
        if key in kinds:
            kind = kinds[key]
            unit = shown_unit(kind, system)
            name = f"{key.removesuffix(KINDS[kind].key)}{_in_key(unit)}"
            told[name] = None if value is None else _nine(from_inside(value, unit, kind))
        else:
            told[key] = _nine(value) if isinstance(value, float) else value
    return told


def _in_key(unit: str) -> str:
    """A unit as a key ends in it: kg_ha, per_ha, kg_per_100_m."""
    unit = unit.replace("1/", "per_")
    return unit.replace("/", "_per_" if " " in unit else "_").replace(" ", "_")


def _nine(value: float) -> float:
    return float(f"{value:.9g}")


def csv_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """Rows as CSV, the keys of the first as its header."""
    out = io.StringIO()
    writer = csv.DictWriter(out, rows[0].keys(), lineterminator="\n")
    writer.writeheader()
    writer.writerows({key: visible(v) if isinstance(v, str) else v for key, v in row.items()} for row in rows)
    return out.getvalue()
