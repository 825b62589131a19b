"""The labels of the form: their values, the words of refusals, and the table in the docs."""

import io
import re
from pathlib import Path

import pytest
from label_rows import table_rows

from spreadcheck.errors import QuantityError, SheetError
from spreadcheck.sheet.labels import LABELS, METHODS, REQUIRED, known_label, local_date, nearest, read_value
from spreadcheck.sheet.traysheet import read_sheet
from spreadcheck.units import KINDS, unit_named

PAGE = Path(__file__).parents[2] / "docs" / "tray-sheet.md"


def test_docs_list_every_label():
    """The table in docs/tray-sheet.md: each label in the order of the form, its value, and what it is."""
    rows = re.findall(r"(?m)^\| ([^|]+) \| ([^|]+) \| ([^|]+) \|$", PAGE.read_text(encoding="utf-8"))
    names = [row[0] for row in rows]
    start = names.index("test")
    told = rows[start : start + len(table_rows())]
    assert [row[:2] for row in told] == table_rows()
    assert all(len(row[2].strip()) > 3 for row in told)


@pytest.mark.parametrize("label", LABELS.values(), ids=LABELS)
def test_labels_are_whole(label):
    """A label is found by its name, has a key of its own, a kind that is known, a unit of that kind, and a range."""
    assert known_label(f"  {label.name.upper()} ") is label
    assert sum(other.key == label.key for other in LABELS.values()) == 1
    assert re.fullmatch(r"[a-z0-9_]+", label.key)
    assert label.kind in {*KINDS, "text", "date", "count", "number", "passes", "choice"}
    assert not label.unit or unit_named(label.unit, label.kind) == label.unit
    assert label.low < label.high
    assert (label.kind == "choice") == bool(label.choices)
    assert label.kind != "passes" or label.name == "reversed passes"  # its numbers are checked against the table


def test_required_labels_are_known():
    assert set(REQUIRED) <= set(LABELS)
    assert LABELS["driving"].choices == METHODS


@pytest.mark.parametrize(
    ("label", "value", "unit", "inside"),
    [
        ("tray width", "50", "cm", 0.5),
        ("tray width", " 20 ", "Inches", 0.508),
        ("travel speed", "12", "km/h", 12 / 3.6),
        ("runs per catch", "2", "runs", 2),
        ("reversed passes", "4, 2 2", "", (2, 4)),
        ("driving", "Back-And-Forth", "", "back-and-forth"),
        ("wind from", "ahead  left", "", "ahead left"),
        ("date", "2026-04-14", "", "2026-04-14"),
        ("date", "2026-04-14T10:30", "", "2026-04-14"),
        ("notes", "  Windy; gusts ", "", "Windy; gusts"),
        ("air temperature", "50", "degF", 10.0),
        ("relative humidity", "65", "percent", 65.0),
        ("test", "  ", "", None),
    ],
)
def test_values(label, value, unit, inside):
    """What a row says, in the unit used inside."""
    got = read_value(LABELS[label], value, unit)
    assert got == (pytest.approx(inside) if isinstance(inside, float) else inside)


@pytest.mark.parametrize(
    ("label", "value", "unit", "message"),
    [
        ("tray width", "0.5", "", '"tray width" has no unit; write one of m, cm, mm, km, ft, in, yd in the third cell'),
        ("tray width", "0,5", "m", '"tray width" is "0,5", which is not a number; '
         "write digits only; the unit goes into the third cell"),
        ("tray width", "0.5", "kg", '"tray width" can\'t be in "kg"; '
         "write one of m, cm, mm, km, ft, in, yd in the third cell"),
        ("tray width", "50", "m", '"tray width" is 50 m, which can\'t be right; '
         "it must lie between 0.01 and 20 m; check the number and its unit"),
        ("runs per catch", "1.5", "", '"runs per catch" is "1.5"; write a whole number from 1 to 1000'),
        ("gate setting", "-1", "", '"gate setting" is "-1"; write a number from 0 to 1e+09'),
        ("reversed passes", "2; four", "", '"reversed passes" is "2; four"; '
         "write the pass numbers with semicolons, such as 2; 4"),
        ("driving", "sideways", "", '"driving" can\'t be "sideways"; write one of: back-and-forth, round-and-round'),
        ("date", "14.4.2026", "", '"date" is "14.4.2026"; write year-month-day, such as 2026-04-14, or leave it empty'),
        ("date", "2026-04-14 or so", "", '"date" is "2026-04-14 or so"; '
         "write year-month-day, such as 2026-04-14, or leave it empty"),
        ("date", "2026-02-30", "", '"date" is "2026-02-30"; '
         "write year-month-day, such as 2026-04-14, or leave it empty"),
        ("place", "North field", "by the gate", '"place" takes no unit, and its third cell is "by the gate"; '
         "clear it, or put a value with the delimiter in it in double quotes"),
    ],
)  # fmt: skip
def test_refusals(label, value, unit, message):
    """The words of every refusal."""
    with pytest.raises(QuantityError) as caught:
        read_value(LABELS[label], value, unit, place="field.csv: row 4")
    assert str(caught.value) == f"field.csv: row 4: {message}"


def test_nearest():
    """Slips of the hand find their label; other words find none."""
    assert [nearest(word) for word in ("tray widht", "Bulk densty", "wind form", "spiner speed", "tractor driver")] == [
        "tray width", "bulk density", "wind from", "spinner speed", None,
    ]  # fmt: skip
    assert [nearest(word) for word in ("Speed", "density", "speeds", "eed")] == [
        "travel speed",
        "bulk density",
        None,
        None,
    ]


LOCAL_DATES = {
    "10.03.2026": "2026-03-10",  # points: day first, as in DIN 5008 and in all of Europe
    "1.2.2026": "2026-02-01",
    "31.12.2026": "2026-12-31",
    "12.31.2026": None,
    "13/10/2026": "2026-10-13",  # only one reading is a date
    "10/13/2026": "2026-10-13",
    "5/5/2026": "2026-05-05",  # both readings are the same day
    "3/10/2026": None,
    "30/30/2026": None,
    "3.10.26": None,
    "3.10/2026": None,
    "2026-03-10": None,
}


@pytest.mark.parametrize(("text", "date"), LOCAL_DATES.items())
def test_local_dates(text, date):
    """A date as people of a country with decimal commas write it; never guessed."""
    assert local_date(text) == (date or text)


def test_dates_with_slashes_are_read_as_they_are_said_to_be():
    assert local_date("3/10/2026", day_first=True) == "2026-10-03"
    assert local_date("3/10/2026", day_first=False) == "2026-03-10"
    assert local_date("13/10/2026", day_first=False) == "13/10/2026"
    sheet = "spreadcheck tray sheet;1\ndate;{}\ntray width;0,5;m\ntray length;0,5;m\n\n"
    sheet += "tray;offset;pass 1\n;m;g\nL;-1;3\nR;1;3\n"
    assert read_sheet(io.StringIO(sheet.format("10.03.2026"))).text("date") == "2026-03-10"
    with pytest.raises(
        SheetError, match=r'"date" is "3/10/2026"; write .*, or say how it is meant with --dates day-first'
    ):
        read_sheet(io.StringIO(sheet.format("3/10/2026")))
    assert read_sheet(io.StringIO(sheet.format("3/10/2026")), day_first=True).text("date") == "2026-10-03"
    with pytest.raises(SheetError, match=r'"date" is "10\.03\.2026"'):  # a sheet with decimal points
        read_sheet(io.StringIO(sheet.format("10.03.2026").replace(",", ".").replace(";", ",")))
