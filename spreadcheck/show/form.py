"""The entry form: on paper for a clipboard, and as a web page for a phone that needs no network.

On paper rows are at least 8.5 mm high, so that they can be written on with gloves. Up to five columns of catches stand
upright, up to nine across the page; more go into further tables.
"""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

import numpy as np

from spreadcheck.crew.form import (
    ABOUT,
    CELL_RULE,
    CONDITIONS,
    Detail,
    EntryForm,
    proposed_unit,
    unit_system,
)
from spreadcheck.crew.recording import SLIP
from spreadcheck.errors import visible
from spreadcheck.sheet.cells import TITLE, VERSION, shortest
from spreadcheck.sheet.labels import LABELS, REQUIRED, Label, known_label
from spreadcheck.sheet.traysheet import sheet_text
from spreadcheck.sheet.traytest import MAX_CATCH, MIN_CATCH
from spreadcheck.show.data import picked
from spreadcheck.show.document import Block, Column, Document, Field, Fields, Heading, Paragraph, Picture, Points, Table
from spreadcheck.show.pages import page, template, web_part
from spreadcheck.units import KINDS, unit_named

ROW_MM = 8.5
UPRIGHT_COLUMNS, ACROSS_COLUMNS = 5, 9
UPRIGHT_MM, ACROSS_MM = 186, 273  # between the margins of A4
TRAY_MM, PLACE_MM, NOTE_MM, WIDEST_CATCH_MM = 17, 27, 36, 30
UNIT_COLUMN = 15.2  # details are laid on columns of about this width
SPAN, SPAN_NAME, SPAN_CHOICE = 3, 4, 6  # of those columns
SIGNS_A_COLUMN = 7
NAMES = ("test", "date", "place", "operator", "machine", "product")


def form_document(form: EntryForm) -> Document:
    """The entry form for a clipboard: the details, the conditions, the tray line, cautions, and one row a tray."""
    across, passes = len(form.test.columns) > UPRIGHT_COLUMNS, [column.pass_no for column in form.test.columns]
    room, most = (ACROSS_MM, ACROSS_COLUMNS) if across else (UPRIGHT_MM, UPRIGHT_COLUMNS)
    tray_line = "The tray line as seen when driving"
    gaps = f"; {len(form.gaps_m)} gaps" if form.gaps_m else ""
    wheels = "; wheels dashed" if form.wheels_m else ""
    seen = f"{len(form.places)} trays from {form.places[0]} to {form.places[-1]}{gaps}{wheels}; travel is upwards."
    remarks = [Paragraph(" ".join(form.remarks), "strong")] if form.remarks else []
    blocks: tuple[Block, ...] = (
        Heading("The test"),
        Fields(tuple(_field_rows(form.about + form.further, room))),
        Heading("Conditions to note"),
        Fields(tuple(_field_rows(form.conditions, room))),
        Heading(tray_line),
        Picture(tray_line, seen, lambda: sketch_svg(form, room), captioned=False),
        Heading("Cautions"),
        Points(form.cautions, small=True),
        Heading("The trays"),
        Paragraph(f"From left to right as seen when driving: {CELL_RULE}", "small"),
        *remarks,
        *(_table(form, columns, room) for columns in column_groups(passes, most)),
    )
    name = form.test.text("test") or os.path.basename(form.test.source) or form.test.name
    known = ", ".join(word for word in (name, form.test.text("date"), form.test.text("product")) if word)
    return Document(f"Tray test entry form: {name}", blocks, foot=known, across=across, style="form")


def column_groups(passes: Sequence[int], most: int) -> Iterator[range]:
    """The columns of each table by the pass of every column, those of one pass kept together where they fit."""
    start = stop = 0
    for _, group in groupby(passes):
        size = len(list(group))
        if stop > start and stop - start + size > most:
            yield range(start, stop)
            start = stop
        stop += size
        while stop - start > most:
            yield range(start, start + most)
            start += most
    yield range(start, stop)


def _field_rows(asked: tuple[Detail, ...], room: float) -> Iterator[tuple[Field, ...]]:
    """Details packed into rows, each row stretched to the full width."""
    most = round(room / UNIT_COLUMN)
    row: list[Field] = []
    for detail in asked:
        span = SPAN_NAME if detail.label in NAMES else SPAN_CHOICE if detail.choices else SPAN
        span = min(max(span, len(detail.value) // SIGNS_A_COLUMN), most)  # a long text gets the room to be read
        if sum(field.share for field in row) + span > most:
            yield tuple(row)
            row = []
        # choices of one word; "ahead left" goes without saying
        choices = " / ".join(choice for choice in detail.choices if " " not in choice)
        row.append(Field(detail.label, detail.value.strip(), detail.unit, choices, span))
    yield tuple(row)


def _table(form: EntryForm, columns: range, room: float) -> Table:
    reverse = set(form.test.reversed_passes)
    catch = min((room - TRAY_MM - PLACE_MM - NOTE_MM) / len(columns), WIDEST_CATCH_MM)
    heads = [Column("tray", align="left", share=TRAY_MM), Column("offset", align="left", share=PLACE_MM)]
    for column in (form.test.columns[at] for at in columns):
        other_way = " (other way)" if column.pass_no in reverse else ""
        head = f"pass {column.pass_no} {column.component}".strip()
        heads.append(Column(head, column.unit + other_way, "left", catch))
    heads.append(Column("note", "", "left", room - TRAY_MM - PLACE_MM - catch * len(columns)))
    offset = form.test.offset
    rows = tuple(
        (name, form.places[at], *(form.cells[at][column] for column in columns), form.test.note[at])
        for at, name in enumerate(form.test.tray)
    )
    right = next((at for at in range(1, len(rows)) if offset[at - 1] < 0 <= offset[at]), -1)
    first, last = form.test.columns[columns[0]].name, form.test.columns[columns[-1]].name
    whole = len(columns) == len(form.test.columns)
    caption = "" if whole else first if first == last else f"{first} to {last}"
    return Table(tuple(heads), rows, caption, boxed=True, row_mm=ROW_MM, heavy_above=right)


LINE_AT, TRAY_HIGH, SIDE_ROOM, SKETCH_HEIGHT = 13.0, 5.0, 6.0, 26.0  # mm
LABEL_MM, NOTE_MM_HIGH = 2.5, 2.2  # letters
SIGN_WIDE = 0.62  # of their height: what a letter takes of the line


def sketch_svg(form: EntryForm, room: float) -> str:
    """The tray line as seen when driving, to scale: trays, wheels, gaps, left and right, the travel arrow. [mm]"""
    half = form.test.tray_width_m / 2
    reach = max(*(abs(float(at)) + half for at in form.test.offset_m), *(abs(w) * 1.2 for w in form.wheels_m), half)
    scale, centre = (room - 2 * SIDE_ROOM) / (2 * reach), room / 2

    spots, wheels, gaps = (
        (centre + np.asarray(offsets_m) * scale).tolist()
        for offsets_m in (form.test.offset_m, form.wheels_m, form.gaps_m)
    )
    names = [
        (spots[at], below, size, visible(named[at]))
        for named, below, size in ((form.test.tray, 3.6, LABEL_MM), (form.places, 6.8, NOTE_MM_HIGH))
        for at in named_trays(spots, [len(name) * size * SIGN_WIDE + 2 for name in named])
    ]
    track = next((f"{each.value} {each.unit}" for each in form.about if each.label == "wheel track"), "")
    return template("sketch.svg")(room=room, height=SKETCH_HEIGHT, line_at=LINE_AT, high=TRAY_HIGH, note=NOTE_MM_HIGH,
        centre=centre, spots=spots, half=half * scale, wheels=wheels, gaps=gaps,
        names=names, track=visible(f"dashed: wheel track, {track} apart"),
    )  # fmt: skip


def named_trays(spots: Sequence[float], widths: Sequence[float]) -> list[int]:
    """Which trays can carry their name without touching another: both ends, and every one, second, third... between."""
    last = len(spots) - 1

    def apart(one: int, other: int) -> bool:
        return abs(spots[one] - spots[other]) >= (widths[one] + widths[other]) / 2

    for stride in range(1, last + 2):
        even = list(range(last // 2 % stride, last + 1, stride))  # the centre is always one of them
        if all(map(apart, even, even[1:])):
            break
    ends = [0, last] if apart(0, last) else [0]
    return sorted({*ends, *(at for at in even if all(at == end or apart(at, end) for end in ends))})


def phone_html(form: EntryForm, *, file_name: str = "tray-sheet-filled.csv") -> str:
    """The entry form as one web page; `file_name` is what the phone saves the filled sheet as."""
    test, columns = form.test, []
    for column in test.columns:
        more = {"factor": KINDS[column.kind].factors[column.unit], "reversed": column.pass_no in test.reversed_passes}
        columns.append(picked(column, "name pass=pass_no component unit") | more)
    written = {label.name: row.unit for row in test.form if (label := known_label(row.label))}
    # the rows a phone offers: those of the paper form first, then every other known one, then the sheet's own
    offered = [LABELS[name] for name in dict.fromkeys([*ABOUT, *CONDITIONS, *LABELS])]
    offered += [Label(row.label) for row in test.form if known_label(row.label) is None]
    data = {
        "fingerprint": hashlib.sha256(sheet_text(test).encode()).hexdigest()[:32],
        "name": test.name,
        "file": file_name,
        "title": [TITLE, str(VERSION)],
        "lowest": MIN_CATCH,
        "highest": MAX_CATCH,
        "doubt": int(SLIP),
        "cautions": [*form.cautions, CELL_RULE, *form.remarks],
        "form": [[row.label, row.value, row.unit] for row in test.form],
        "labels": [_label(label, written.get(label.name, ""), unit_system(test)) for label in offered],
        "offsetUnit": test.offset_unit,
        "columns": columns,
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
    script = "".join(map(web_part, ("core.js", "rules.js", "keeping.js", "phone.js")))
    return page("phone.html", style=web_part("phone.css"), script=script, data=data, title=visible(test.name))


def _label(label: Label, written: str, system: str) -> dict[str, Any]:
    """A row and its checks; `written` is the unit as the sheet spells it."""
    kind = KINDS.get(label.kind)
    units = {unit: [factor, kind.shifts.get(unit, 0.0)] for unit, factor in kind.factors.items()} if kind else {}
    usual = unit_named(written, label.kind) if kind else None
    if usual:
        units[written] = units[usual]
    return {
        **picked(label, "name kind"),
        "unit": proposed_unit(label, system),
        "units": units,
        "inside": kind.inside if kind else "",
        "low": label.low,
        "high": label.high if math.isfinite(label.high) else None,
        "choices": label.choices,
        "required": label.name in REQUIRED,
    }
