"""How often do the intervals hold? Simulated tray tests with a known truth.

Run by hand:  python tests/studies/coverage_study.py tests/studies/coverage.csv 160
A run that was stopped goes on where it ended. The table of docs/confidence.md is made of its rows by `table`.
Everything here is invented, and the generator shares nothing with the tool: patterns on a fine grid, granules of
unequal mass counted by Poisson's law, noise that the tool's own model holds, and noise that it does not. Truth is the
CV on the true line of the field, overlapped here by plain interpolation; a width is kept where that CV times
sqrt(n / (n - 1)) is within 15 %, n trays in a bout.
"""

from __future__ import annotations

import csv
import itertools
import sys
import time
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np

from spreadcheck.judge.assessment import assess
from spreadcheck.judge.confidence import confidence
from spreadcheck.passes.noise import Stated
from spreadcheck.sheet.traytest import tray_test

SEED = 20261129
TESTS = 160  # a cell, a quarter of them for each shape; half as many where the line ends early
DRAWS = 400
LIMIT = 15.0
FINE = np.arange(-40.0, 40.0 + 1e-9, 0.02)
METHODS = ("back-and-forth", "round-and-round")
SGN, UI, DENSITY, RATE = 320.0, 50.0, 1325.0, 150.0


def _ragged(x: np.ndarray) -> np.ndarray:
    body = 1 / (1 + np.exp((np.abs(x) - 10) / 1.2))
    return body * (1 + 0.16 * np.cos(2 * np.pi * x / 5.3 + 0.7) + 0.1 * np.cos(2 * np.pi * x / 8.9 + 2.0))


SHAPES: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "flat": lambda x: np.clip((15.0 - np.abs(x)) / 8.0, 0, 1) ** 1.2,
    "bell": lambda x: np.exp(-((x / 7.5) ** 2)) * (np.abs(x) < 16),
    "lopsided": lambda x: np.exp(-(((x + 4) / 6.0) ** 2)) + 0.75 * np.exp(-(((x - 5) / 5.5) ** 2)),
    "ragged": _ragged,
}


@dataclass(frozen=True)
class Cell:
    """One cell: how the test is made, and what it tells the tool of what can't be seen."""

    name: str
    passes: int = 3
    spacing_m: float = 0.5
    scatter: float = 0.0
    heavy: bool = False  # scatter with Student's t, 3 degrees of freedom
    gusts: float = 0.0
    length_m: float = 3.0
    wander_m: float = 0.0
    gust_shift_m: float = 0.0  # gusts that move the pattern as they lift it
    bad_pass: float = 0.0  # one pass with this much more on its left than on its right
    trays: float = 0.0
    laid_m: float = 0.0
    wind_m: float = 0.0
    end_share: float = 0.0  # the line ends where the pattern is at this share of its peak
    inside: bool = True  # noise of the model's own family
    stated: Stated = field(default=Stated(0.0, 0.0, 0.0))


def cells() -> Iterator[Cell]:
    """All cells of the study."""
    for passes in (2, 3, 5):
        yield Cell("counting", passes)
    yield from (Cell("counting", 3, h) for h in (1.0, 2.0))
    for passes in (2, 3, 5):
        yield Cell("scatter 5 %", passes, scatter=0.05)
    yield from (Cell("scatter 5 %", 3, h, scatter=0.05) for h in (1.0, 2.0))
    for passes in (2, 3, 5):
        yield Cell("gusts 4 %", passes, gusts=0.04)
    yield from (Cell("gusts 4 %", 3, h, gusts=0.04) for h in (1.0, 2.0))
    for passes in (2, 3, 5):
        yield from (Cell("gusts 8 %", passes, h, gusts=0.08) for h in (0.5, 1.0, 2.0))
    yield Cell("gusts 8 %, 6 m long", 3, gusts=0.08, length_m=6.0)
    for passes in (2, 3, 5):
        yield Cell("wandering 0.3 m", passes, wander_m=0.3)
    yield from (Cell("wandering 0.3 m", 3, h, wander_m=0.3) for h in (1.0, 2.0))
    yield Cell("all of them", 3, scatter=0.03, gusts=0.05, wander_m=0.2)
    yield Cell("all of them", 5, scatter=0.03, gusts=0.05, wander_m=0.2)
    stated = Stated(5.0, 0.0, 0.0)
    yield from (
        Cell("trays differ 5 %, stated", p, h, trays=0.05, stated=stated) for p, h in ((3, 0.5), (5, 0.5), (3, 1.0))
    )
    yield Cell("laid 0.3 m off, stated", 3, laid_m=0.3, stated=Stated(0.0, 0.3, 0.0))
    yield Cell("wind 0.8 m, stated", 3, wind_m=0.8, stated=Stated(0.0, 0.0, 0.8))
    yield Cell("one pass, counting", 1)
    yield Cell("one pass, scatter 5 %", 1, scatter=0.05)
    yield Cell("one pass, gusts 8 %", 1, gusts=0.08)
    for share in (0.10, 0.20, 0.32, 0.50, 0.65, 0.76):
        yield Cell(f"ends at {100 * share:.0f} % of the peak", 3, scatter=0.02, end_share=share)
    yield from (Cell("heavy tails 5 %", p, scatter=0.05, heavy=True, inside=False) for p in (2, 3, 5))
    yield from (Cell("one bad pass 15 %", p, scatter=0.02, bad_pass=0.15, inside=False) for p in (3, 5))
    yield from (Cell("gusts 6 % that shift 0.8 m", p, gusts=0.06, gust_shift_m=0.8, inside=False) for p in (2, 3, 5))
    yield from (
        Cell("gusts 6 % that shift 0.8 m", 3, h, gusts=0.06, gust_shift_m=0.8, inside=False) for h in (1.0, 2.0)
    )


def line_cv(p: np.ndarray, width: float, method: str) -> float:
    """CV on the line of a fine pattern, %, by laying passes over a bout (two bouts where they alternate)."""
    length = 2 * width if method == METHODS[0] else width
    points = int(np.ceil(length / 0.05))
    x = (np.arange(points) + 0.5) * (length / points)
    deposit = np.zeros_like(x)
    for k in range(-int(40 // width) - 1, int((40 + length) // width) + 2):
        away = x - k * width
        deposit += np.interp(-away if method == METHODS[0] and k % 2 else away, FINE, p, left=0, right=0)
    return float(100 * deposit.std() / deposit.mean())


@cache
def truth(shape: str, spacing: float, method: str) -> float:
    """The true effective width: the widest that keeps the limit, by the curve of trays at this spacing."""
    p = SHAPES[shape](FINE)
    widths = np.arange(32.0, 6.0, -0.1)
    n = widths / spacing
    within = np.array([line_cv(p, w, method) for w in widths]) * np.sqrt(n / (n - 1)) <= LIMIT
    runs = [at for at in range(len(widths) - 6) if within[at : at + 7].all()]
    low, high = widths[runs[0]], widths[runs[0]] + 0.1
    for _ in range(12):
        middle = (low + high) / 2
        inside = line_cv(p, middle, method) * np.sqrt(middle / spacing / (middle / spacing - 1)) <= LIMIT
        low, high = (middle, high) if inside else (low, middle)
    return float(low)


def masses(rng: np.random.Generator, expected_g: np.ndarray) -> np.ndarray:
    """Catches in g of granules with lognormal sizes (in nine classes), each class counted by Poisson's law."""
    g = np.log(100 / UI) / (1.6448536 + 1.2815516)
    z = np.linspace(-2.6, 2.6, 9)
    share = np.exp(-(z**2) / 2)
    mass = DENSITY * np.pi / 6 * (SGN / 100 * np.exp(g * z)) ** 3 * 1e-6  # shares are of the mass, as SGN is
    caught = expected_g[..., None] * share / share.sum() / mass
    return (rng.poisson(caught) * mass).sum(axis=-1)


def along(rng: np.random.Generator, x: np.ndarray, length: float) -> np.ndarray:
    """Noise along the line with exponential correlation, by its covariance."""
    covariance = np.exp(-np.abs(x[:, None] - x) / length)
    return np.linalg.cholesky(covariance + 1e-10 * np.eye(len(x))) @ rng.standard_normal(len(x))


def simulate(cell: Cell, shape: str, bout_m: float, rng: np.random.Generator, facts: bool):
    """One tray test of a cell."""
    form = SHAPES[shape]
    fine = form(FINE)
    level = RATE * bout_m / (fine.sum() * 0.02)
    if cell.end_share:
        caught = FINE[fine >= cell.end_share * fine.max()]
        first, last = np.ceil(caught[0] / cell.spacing_m), np.floor(caught[-1] / cell.spacing_m)
    else:
        last = np.ceil(17.0 / cell.spacing_m)
        first = -last
    x = np.arange(first, last + 1) * cell.spacing_m
    catch = []
    off = cell.laid_m * rng.standard_normal() + cell.wind_m * rng.standard_normal()
    keeps = 1 + cell.trays * rng.standard_normal(len(x))
    bad = rng.integers(cell.passes)
    for number in range(cell.passes):
        gust = along(rng, x, cell.length_m) if cell.gusts else np.zeros(len(x))
        moved = cell.wander_m * rng.standard_normal() + off
        if cell.gust_shift_m:
            moved = moved + cell.gust_shift_m * along(rng, x, 8.0)
        rate = level * form(x + moved) * (1 + cell.gusts * gust)
        if cell.bad_pass and number == bad:
            rate = rate * (1 - cell.bad_pass * np.tanh(x / 4))
        if cell.scatter:
            odd = rng.standard_t(3, len(x)) / np.sqrt(3) if cell.heavy else rng.standard_normal(len(x))
            rate = rate * (1 + cell.scatter * odd)
        grams = masses(rng, np.maximum(rate * keeps, 0) * 0.025)
        catch.append(np.round(grams, 2))
    rows = {"size guide number": "320", "granule density": "1325 kg/m3", "uniformity index": "50"} if facts else {}
    return tray_test(x, np.array(catch).T, tray_width="0.5 m", tray_length="0.5 m", form=rows)


def run(cell: Cell, tests: int, first: int = 0) -> list[dict[str, object]]:
    """Tests of one cell: whether each interval held, and what was said of the limit."""
    rows = []
    for number in range(first, tests):
        shape = tuple(SHAPES)[number % 4]
        rng = np.random.default_rng([SEED, zlib.crc32(repr(cell).encode()), number])
        factor = rng.uniform(0.85, 1.1)
        facts = cell.passes == 1 or number % 8 < 4
        test = simulate(cell, shape, truth(shape, cell.spacing_m, METHODS[0]), rng, facts=facts)
        sure = confidence(assess(test), draws=DRAWS, seed=1, stated=cell.stated)
        span = sure.assessment.profile.offset_m
        for method in METHODS:
            crossing = truth(shape, cell.spacing_m, method)
            bout = factor * crossing
            real = line_cv(SHAPES[shape](FINE), bout, method)
            at = sure.band_at(np.array([bout]), method).at(0)
            low, high = at.low_pct * at.line_share, at.high_pct * at.line_share
            grid = np.arange(max(2 * cell.spacing_m, 0.5 * crossing), min(1.5 * crossing, span[-1] - span[0]), 0.4)
            band = sure.band_at(grid, method) if len(grid) > 3 else None
            width_held = band is None or (
                band.effective_low_m <= crossing
                and (crossing <= band.effective_high_m or band.effective_high_m >= grid[-1] - 1e-9)
            )
            rows.append(
                {
                    "cell": cell.name, "passes": cell.passes, "spacing_m": cell.spacing_m, "method": method,
                    "shape": shape, "inside": cell.inside, "ends": bool(cell.end_share), "test": number,
                    "of_width": round(factor, 4), "cv": round(real, 3), "low": round(low, 3), "high": round(high, 3),
                    "held": low <= real <= high,
                    "width": round(crossing, 3),
                    "width_low": round(band.effective_low_m, 3) if band else np.nan,
                    "width_high": round(band.effective_high_m, 3) if band else np.nan,
                    "width_held": bool(width_held),
                    "said": round(float(sure.kept(np.array([bout]), method)[0, 0]), 1),
                    "kept": real / at.line_share <= LIMIT,
                }
            )  # fmt: skip
    return rows


def table(path: Path) -> str:
    """The table of docs/confidence.md: how often 90 % intervals held, back-and-forth / round-and-round."""
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    lines = [
        "| noise of the test | passes | spacing | CV on the line held | effective width held | length of CV interval |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    groups: dict[tuple[str, ...], list[dict[str, str]]] = {}
    for row in rows:
        groups.setdefault((row["cell"], row["passes"], row["spacing_m"]), []).append(row)
    for (name, passes, spacing), group in groups.items():
        by_method = [[row for row in group if row["method"] == method] for method in METHODS]
        held, width_held = (
            " / ".join(f"{100 * np.mean([row[key] == 'True' for row in part]):.0f} %" for part in by_method)
            for key in ("held", "width_held")
        )
        length = " / ".join(
            f"{np.median([float(row['high']) - float(row['low']) for row in part]):.1f}" for part in by_method
        )
        lines.append(f"| {name} | {passes} | {float(spacing):g} m | {held} | {width_held} | {length} points |")
    return "\n".join(lines)


BINS = (0, 5, 20, 40, 60, 80, 95, 100.001)
BALANCED = 0.9  # bouts from here to 1.1 of the true width: as many keep the limit as do not


def calibration(path: Path, *, gusts: bool) -> tuple[str, float, int]:
    """Probability said against share kept, for noise of the model's family: a table, its chi-square, how many bins.

    Both driving methods of a test have the same noise, so one of them is taken, by turns of four tests; of the bouts
    those that keep the limit as often as not, since how often it is kept depends on the mix that is asked.
    """
    with path.open(encoding="utf-8") as file:
        rows = [
            row
            for row in csv.DictReader(file)
            if ("gusts" in row["cell"]) == gusts
            and row["ends"] == "False"
            and row["inside"] == "True"
            and float(row["of_width"]) >= BALANCED
            and row["method"] == METHODS[int(row["test"]) // 4 % 2]
        ]
    said = np.array([float(row["said"]) for row in rows])
    kept = np.array([row["kept"] == "True" for row in rows])
    lines, square, used = ["| said | share kept | tests |", "| --- | --- | --- |"], 0.0, 0
    for low, high in itertools.pairwise(BINS):
        inside = (said >= low) & (said < high)
        chance = said[inside] / 100
        if not (chance * (1 - chance)).sum() > 0.5:
            continue
        square += (kept[inside].sum() - chance.sum()) ** 2 / (chance * (1 - chance)).sum()
        used += 1
        lines.append(f"| {said[inside].mean():.0f} % | {100 * kept[inside].mean():.0f} % | {inside.sum()} |")
    return "\n".join(lines), float(square), used


def main() -> None:
    """Run all cells in rounds of eight tests, and write a row a test and method; goes on where a former run ended."""
    target, tests = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else TESTS
    done: dict[str, int] = {}
    if target.exists():
        with target.open(encoding="utf-8") as file:
            for row in csv.DictReader(file):
                key = f"{row['cell']} {row['passes']} {float(row['spacing_m']):g}"
                done[key] = max(done.get(key, 0), int(row["test"]) + 1)
    start, new = time.process_time(), not target.exists()
    for until in range(8, tests + 1, 8):
        for cell in cells():
            key = f"{cell.name} {cell.passes} {cell.spacing_m:g}"
            first = done.get(key, 0)
            if first >= until or (cell.end_share and until > tests // 2):
                continue
            rows = run(cell, until, first)
            with target.open("a", newline="", encoding="utf-8") as file:
                writer = csv.DictWriter(file, rows[0].keys(), lineterminator="\n")
                if new:
                    writer.writeheader()
                writer.writerows(rows)
            new, done[key] = False, until
        print(f"{until} tests a cell, {time.process_time() - start:.0f} s", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main()
