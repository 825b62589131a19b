"""The tables of docs/confidence.md from the result files of the coverage study.

Run by hand:  python tests/studies/coverage_tables.py
"""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path

HERE = Path(__file__).parent


def read(name: str) -> list[dict[str, str]]:
    """The rows of a result file."""
    with (HERE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def by_cell() -> str:
    """Bias and coverage of the chosen estimator, cell by cell, both driving methods."""
    shapes = list(dict.fromkeys(row["shape"] for row in read("coverage_chosen.csv")))
    cells: dict[tuple[float, float, float], dict[str, list[dict[str, str]]]] = defaultdict(lambda: defaultdict(list))
    for row in read("coverage_chosen.csv"):
        key = float(row["passes"]), float(row["spacing_m"]), float(row["rate_kg_ha"])
        cells[key][row["shape"]].append(row)
    lines = [
        f"| passes | spacing m | kg/ha | {' | '.join(shapes)} |",
        "| ---: | ---: | ---: |" + " --- |" * len(shapes),
    ]
    for (passes, spacing, rate), of_shape in sorted(cells.items()):
        shown = " | ".join(cell_text(of_shape[shape]) for shape in shapes)
        lines.append(f"| {passes:.0f} | {spacing:g} | {rate:.0f} | {shown} |")
    return "\n".join(lines)


def cell_text(rows: list[dict[str, str]]) -> str:
    """Bias of the CV; coverage of the CV; coverage of the width; the two driving methods side by side."""
    bias, cv, width = (
        ", ".join(f"{float(row[key]):{form}}" for row in rows)
        for key, form in (("cv_bias", "+.1f"), ("cv_cover", ".1f"), ("width_cover", ".1f"))
    )
    return f"{bias}; {cv}; {width}"


def compared() -> str:
    """Worst, mean and best of every estimator over the cells in which all were tried."""
    found: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    keys = ("cv_bias", "cv_cover", "cv_length", "width_bias", "width_cover", "width_length")
    for row in read("coverage_compared.csv"):
        for key in keys:
            found[row["estimator"]][key].append(float(row[key]))
    head = "| estimator | CV bias % | CV coverage % | CV length % | width bias m | width coverage % | width length m |"
    lines = [head, "| --- |" + " --- |" * len(keys)]
    for estimator, columns in found.items():
        spans = [f"{min(v):.1f} to {max(v):.1f}, mean {sum(v) / len(v):.1f}" for v in columns.values()]
        lines.append(f"| {estimator} | {' | '.join(spans)} |")
    return "\n".join(lines)


if __name__ == "__main__":
    print(compared(), by_cell(), sep="\n\n")
