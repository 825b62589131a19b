"""Published cases: data files under tests/published, their source and rounding in the header of each."""

import csv
from pathlib import Path

FOLDER = Path(__file__).parent / "published"


def rows(name):
    """The rows of one data file as dictionaries of text."""
    lines = (FOLDER / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def rounding(text):
    """Half a unit in the last printed place; a printed bare whole number is exact."""
    return 0.5 * 10.0 ** -len(text.split(".")[1]) if "." in text else 0.0
