"""The value column of the label table in docs/tray-sheet.md, made from the labels themselves."""

from spreadcheck.sheet.cells import shortest
from spreadcheck.sheet.labels import LABELS
from spreadcheck.units import KINDS, units_of

_WORDS = {"text": "words", "date": "year-month-day, such as 2026-04-14", "passes": "pass numbers, such as 2; 4"}


def value_cell(label):
    """What a label takes, with its limits and units."""
    if label.kind == "choice":
        return "one of: " + ", ".join(label.choices)
    if label.kind in _WORDS:
        return _WORDS[label.kind]
    between = " to ".join(shortest(float(f"{end:.9g}")) for end in (label.low, label.high))
    if label.kind == "count":
        return f"a whole number, {between}"
    if label.kind == "number":
        return f"a number, {between}"
    return f"{between} {KINDS[label.kind].inside}; in {units_of(label.kind)}"


def table_rows():
    """(label, value) of every known label, in the order of the form."""
    return [(label.name, value_cell(label)) for label in LABELS.values() if label.bin == 1]
