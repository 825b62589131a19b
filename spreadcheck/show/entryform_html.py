"""The entry form for a phone: one self-contained HTML file that needs no network and sends nothing anywhere.

The page's own parts lie in `phone/`: page.html, page.css, rules.js (the rules of the sheet), keeping.js (the browser's
storage) and page.js (what is shown). Its content security policy lets this script and this style run and nothing else;
everything a person wrote reaches the page as JSON and is shown as text, never as markup.
"""

from __future__ import annotations

import hashlib
import html
import math
from string import Template
from typing import Any

from spreadcheck.crew.form import (
    ABOUT,
    CAUTIONS,
    CELL_RULE,
    CONDITIONS,
    DOUBT_TIMES,
    EntryForm,
    proposed_unit,
    unit_system,
)
from spreadcheck.sheet.cells import TITLE, VERSION, shortest
from spreadcheck.sheet.labels import LABELS, REQUIRED, Label, known_label
from spreadcheck.sheet.traysheet import sheet_text
from spreadcheck.sheet.traytest import MAX_CATCH, MIN_CATCH, CatchColumn, TrayTest, column_kind
from spreadcheck.show.webpage import json_for_page, part, strict_policy
from spreadcheck.units import KINDS, unit_named


def entry_form_html(form: EntryForm, *, file_name: str = "tray-sheet-filled.csv") -> str:
    """The entry form as one HTML file; `file_name` is what the phone saves the filled sheet as."""
    style = part("phone", "page.css")
    script = "\nconst SHEET = JSON.parse(document.getElementById('sheet').textContent);\n" + "".join(
        part("phone", name) for name in ("rules.js", "keeping.js", "page.js")
    )
    return Template(part("phone", "page.html")).substitute(
        policy=strict_policy(script, style),
        title=html.escape(form.test.name),
        style=style,
        script=script,
        sheet=json_for_page(_sheet(form, file_name)),
    )


def _sheet(form: EntryForm, file_name: str) -> dict[str, Any]:
    """Everything the page has to know, in the order of the sheet."""
    test = form.test
    reverse = set(test.reversed_passes)
    return {
        "fingerprint": hashlib.sha256(sheet_text(test).encode()).hexdigest()[:32],
        "name": test.name,
        "file": file_name,
        "title": [TITLE, str(VERSION)],
        "lowest": MIN_CATCH,
        "highest": MAX_CATCH,
        "doubt": DOUBT_TIMES,
        "cautions": [*CAUTIONS, CELL_RULE, *form.remarks],
        "form": [[row.label, row.value, row.unit] for row in test.form],
        "labels": _asked(test),
        "offsetUnit": test.offset_unit,
        "columns": [_column(column, reverse) for column in test.columns],
        "trays": [
            {
                "name": name,
                "offset": shortest(test.offset[at]),
                "at": float(test.offset_m[at]),
                "place": form.places[at],
                "note": test.note[at],
                "cells": form.cells[at],
            }
            for at, name in enumerate(test.tray)
        ],
    }


def _column(column: CatchColumn, reverse: set[int]) -> dict[str, Any]:
    kind, unit = column_kind(column.unit) or ("catch mass", "g")
    return {
        "name": column.name,
        "pass": column.pass_no,
        "component": column.component,
        "unit": column.unit,
        "factor": KINDS[kind].factors[unit],
        "reversed": column.pass_no in reverse,
    }


def _asked(test: TrayTest) -> list[dict[str, Any]]:
    """The rows a phone offers: those of the paper form first, then every other known one, then the sheet's own."""
    written = {label.name: row.unit for row in test.form if (label := known_label(row.label))}
    system = unit_system(test)
    known = [LABELS[name] for name in dict.fromkeys([*ABOUT, *CONDITIONS, *LABELS])]
    own = [Label(row.label) for row in test.form if known_label(row.label) is None]
    return [_label(label, written.get(label.name, ""), system) for label in known + own]


def _label(label: Label, written: str, system: str) -> dict[str, Any]:
    """A row and its checks; `written` is the unit as the sheet spells it."""
    kind = KINDS.get(label.kind)
    units = {unit: [factor, kind.shifts.get(unit, 0.0)] for unit, factor in kind.factors.items()} if kind else {}
    usual = unit_named(written, label.kind) if kind else None
    if usual:
        units[written] = units[usual]
    return {
        "name": label.name,
        "kind": label.kind,
        "unit": proposed_unit(label, system),
        "units": units,
        "inside": kind.inside if kind else "",
        "low": label.low,
        "high": label.high if math.isfinite(label.high) else None,
        "choices": label.choices,
        "required": label.name in REQUIRED,
    }
