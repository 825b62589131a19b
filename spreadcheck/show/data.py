"""Plain data: the envelope of every `--json`, and the rows of every `--csv`."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping
from operator import attrgetter
from typing import Any

from spreadcheck.doubts.doubt import Doubt, warnings_data
from spreadcheck.errors import hidden_in, visible
from spreadcheck.sheet.labels import LABELS
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.units import KINDS, from_inside, shown_unit

DIGITS = 9  # significant ones: a reading back differs by less than any scale can weigh
About = TrayTest | Mapping[str, Any] | None


def envelope(
    schema: str, about: About | list[dict[str, Any]] = None, warnings: Iterable[Doubt] = (), **found: Any
) -> dict[str, Any]:
    """What a command found, SI throughout, with what it is about and the doubts about it.

    `about` is the test, or what stands for one where there is no sheet, and goes under `test`; a list goes under
    `tests`.
    """
    test = form_data(about) if isinstance(about, TrayTest) else about
    named = {"tests": test} if isinstance(test, list) else {"test": test or {}}
    data: dict[str, Any] = _plain({**named, **found})
    return {"schema": f"spreadcheck/{schema}", **data, "warnings": warnings_data(warnings)}


def picked(thing: object, names: str) -> dict[str, Any]:
    """Some fields of a result under their own names, or under a key: "mean_kg=runs.mean" is `thing.runs.mean`."""
    pairs = (name.partition("=") for name in names.split())
    return {key: attrgetter(field or key)(thing) for key, _, field in pairs}


def _plain(value: Any) -> Any:
    """Arrays and tuples as lists, and None for a figure that is not known: JSON has neither NaN nor infinity."""
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(each) for each in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def form_data(test: TrayTest) -> dict[str, Any]:
    """Known labels in SI under their keys, then unknown ones as they stand, under a key that no known one has."""
    form: dict[str, Any] = {
        LABELS[name].key: list(value) if isinstance(value, tuple) else value for name, value in test.values.items()
    }
    for row in test.form:
        if row.label in test.unknown_labels:
            key = "_".join(row.label.casefold().split())
            form.setdefault(key, " ".join(part for part in (row.value, row.unit) if part))
    return form


def json_text(data: dict[str, Any]) -> str:
    """Plain data as JSON text with a line end, the same for the same data; hidden characters are written as codes."""
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    return text.translate({ord(c): json.dumps(c)[1:-1] for c in hidden_in(text) - {"\n"}}) + "\n"


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
