"""How often do the intervals hold? Simulated tray tests with a known truth, analysed by several estimators.

Run by hand:  python tests/studies/coverage_study.py > coverage.csv
Its rows are the tables of docs/confidence.md. Everything here is invented: the shapes are none of a real
spreader. A test is simulated granule by granule: counts are Poisson, granules are of two masses (0.6 and 1.4 times the
mean, equally many), the scale reads in 0.01 g. Truth is the CV by trays of the expected rates at the trays.
"""

from __future__ import annotations

import argparse
import csv
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from spreadcheck.judge.plausible import noise_variance, plausible_cv, widest_crossing
from spreadcheck.passes.granules import Granules, granule_mass_g
from spreadcheck.passes.laws import VarianceLaw, pass_spread
from spreadcheck.spread.profile import profile_from
from spreadcheck.spread.traymap import TrayMap, tray_map

SHAPES: dict[str, tuple[Callable[[np.ndarray], np.ndarray], float]] = {  # shape, bout width driven in m
    "triangle": (lambda x: np.clip(1 - np.abs(x) / 18, 0, None), 22.0),
    "trapezoid": (lambda x: np.clip((20 - np.abs(x)) / 12, 0, 1), 30.0),
    "bell": (lambda x: np.exp(-(x**2) / 128), 20.0),
    "two peaks": (lambda x: np.exp(-((x + 7) ** 2) / 60) + 0.85 * np.exp(-((x - 8) ** 2) / 72), 28.0),
}
RATES_KG_HA = (25.0, 50.0, 100.0, 300.0)  # in the field, at the width driven
SPACINGS_M = (0.5, 1.0, 2.0)
PASSES = (1, 3, 5, 9)
LINE_M = 24.0
TRAY_M2 = 0.25
GRANULE_G = granule_mass_g(diameter_mm=3.0, density_kg_m3=1325.0)
MASSES = np.array([0.6, 1.4])  # times the mean mass
GRANULES = Granules(GRANULE_G, float(np.sqrt((MASSES**2).mean())))
STEP_G = 0.01
LIMIT_PCT = 15.0
LEVEL = (5.0, 95.0)
DRAWS = 400


@dataclass(frozen=True)
class Cell:
    """One cell of the study: what is simulated, and the truth."""

    shape: str
    rate_kg_ha: float
    spacing_m: float
    passes: int
    offset_m: np.ndarray
    truth: np.ndarray  # rate of one pass at each tray
    bouts: TrayMap
    driven: int  # which of the widths is driven
    cv_pct: np.ndarray  # true CV of every bout
    width_m: dict[str, float]  # true effective width, between candidates, a method


def cell(shape: str, rate_kg_ha: float, spacing_m: float, passes: int) -> Cell:
    """A cell with its truth."""
    form, driven_m = SHAPES[shape]
    offset = np.arange(-LINE_M, LINE_M + spacing_m / 2, spacing_m)
    pattern = form(offset)
    truth = pattern * rate_kg_ha * driven_m / (pattern.sum() * spacing_m)
    widths = np.arange(10.0, 37.0, max(spacing_m, 1.0))
    bouts = tray_map(profile_from(offset, truth), widths)
    cv = bouts.cv_pct(truth[:, None])
    true_widths = {m: float(widest_crossing(widths, cv[bouts.rows(m)], LIMIT_PCT)[0]) for m in bouts.methods}
    driven = int(np.flatnonzero(widths == driven_m)[0])
    return Cell(shape, rate_kg_ha, spacing_m, passes, offset, truth, bouts, driven, cv[:, 0], true_widths)


def simulate(truth: np.ndarray, passes: int, rng: np.random.Generator) -> np.ndarray:
    """Rates of each pass at each tray, granule by granule; shape (passes, trays)."""
    expected = truth * TRAY_M2 / 10.0 / GRANULE_G
    counts = rng.poisson(expected[None, :, None] / 2, size=(passes, len(truth), 2))
    grams = (counts * MASSES).sum(axis=2) * GRANULE_G
    return np.round(grams / STEP_G) * STEP_G * 10.0 / TRAY_M2


def counting_law() -> VarianceLaw:
    """The variance of one catch from its granules and its scale alone."""
    per_rate = 10.0 * GRANULES.mean_mass_g * GRANULES.mass_spread**2 / TRAY_M2
    return VarianceLaw((10.0 * STEP_G / TRAY_M2) ** 2 / 12.0, per_rate, 0.0)


Draws = np.ndarray  # CVs, shape (bouts, draws)


def resampled_passes(cell: Cell, rates: np.ndarray, rng: np.random.Generator) -> Draws:
    """Plain bootstrap: passes drawn with replacement."""
    chosen = rng.integers(0, len(rates), size=(DRAWS, len(rates)))
    return cell.bouts.cv_pct(rates[chosen].mean(axis=1).T)


def added_noise(cell: Cell, rates: np.ndarray, rng: np.random.Generator) -> Draws:
    """Parametric bootstrap: noise of the fitted law on top of the mean pattern."""
    mean = rates.mean(axis=0)
    spread = np.sqrt(pass_spread(rates).at(mean) / len(rates))
    return cell.bouts.cv_pct(mean[:, None] + spread[:, None] * rng.standard_normal((len(mean), DRAWS)))


def added_twice(cell: Cell, rates: np.ndarray, rng: np.random.Generator) -> Draws:
    """The same with the noise floor taken out of every draw twice: once for the test, once for the resampling."""
    mean = rates.mean(axis=0)
    variance = pass_spread(rates).at(mean) / len(rates)
    floor = noise_variance(cell.bouts, variance) / cell.bouts.mean(mean[:, None])[:, 0] ** 2 * 1e4
    return np.sqrt(np.maximum(added_noise(cell, rates, rng) ** 2 - 2 * floor[:, None], 0.0))


def taken_out(cell: Cell, rates: np.ndarray, rng: np.random.Generator) -> Draws:
    """The estimator of the package: noise drawn again and taken back out."""
    mean = rates.mean(axis=0)
    law = pass_spread(rates) if len(rates) > 1 else counting_law()
    variance = law.at(mean) / len(rates)
    return plausible_cv(cell.bouts, mean, variance, draws=DRAWS, freedom=law.freedom, rng=rng)


ESTIMATORS = {
    "passes resampled": resampled_passes,
    "noise added": added_noise,
    "noise added, floor out twice": added_twice,
    "noise taken out": taken_out,
}
CHOSEN = "noise taken out"


@dataclass(frozen=True)
class Score:
    """What one estimator did in one cell for one method; shares in %."""

    cell: Cell
    estimator: str
    method: str
    cv_cover: float
    width_cover: float
    candidate_cover: float  # of the effective width on whole candidates, as the scan gives it
    cv_low_miss: float
    width_low_miss: float
    cv_bias: float  # median of the draws less the truth
    width_bias: float
    cv_length: float
    width_length: float
    read_bias: float  # the CV as read less the truth
    out_bias: float  # the CV with the noise floor out, less the truth
    width_read_bias: float
    width_out_bias: float
    true_cv: float
    true_width: float
    safe: float  # of the tests with a width at 90 % probability, how many were right


def scores(cell: Cell, tests: int, rng: np.random.Generator, estimators: list[str]) -> Iterator[Score]:
    """Simulate one cell and score every estimator on the same tests."""
    methods = cell.bouts.methods
    found = {name: np.empty((tests, len(methods), 7)) for name in estimators}
    read = np.empty((tests, len(methods), 4))
    for test in range(tests):
        rates = simulate(cell.truth, cell.passes, rng)
        read[test] = _readings(cell, rates)
        for name in estimators:
            draws = ESTIMATORS[name](cell, rates, rng)
            found[name][test] = [_figures(cell, draws[cell.bouts.rows(m)]) for m in methods]
    for name in estimators:
        for at, method in enumerate(methods):
            yield _score(cell, name, method, found[name][:, at], read[:, at])


def _readings(cell: Cell, rates: np.ndarray) -> list[list[float]]:
    """CV and effective width as read, and with the noise floor out; a list a method."""
    mean = rates.mean(axis=0)
    law = pass_spread(rates) if len(rates) > 1 else counting_law()
    deposit = cell.bouts.mean(mean[:, None])[:, 0]
    floor = 1e4 * noise_variance(cell.bouts, law.at(mean) / len(rates)) / deposit**2
    read = cell.bouts.cv_pct(mean[:, None])[:, 0]
    out = np.sqrt(np.maximum(read**2 - floor, 0.0))
    curves = np.stack((read, out), axis=1)
    return [
        [*curves[cell.bouts.rows(m)][cell.driven], *widest_crossing(cell.bouts.width_m, curves[cell.bouts.rows(m)], 15)]
        for m in cell.bouts.methods
    ]


def _figures(cell: Cell, draws: Draws) -> list[float]:
    widths = cell.bouts.width_m
    crossing = widest_crossing(widths, draws, LIMIT_PCT)
    sure = np.flatnonzero((draws <= LIMIT_PCT).mean(axis=1) >= 0.9)
    safe = widths[sure[-1]] if len(sure) else np.nan
    at = draws[cell.driven]
    return [*np.percentile(at, [*LEVEL, 50]), *np.percentile(crossing, [*LEVEL, 50]), safe]


def _score(cell: Cell, name: str, method: str, found: np.ndarray, read: np.ndarray) -> Score:
    cv, width = cell.cv_pct[cell.bouts.rows(method)], cell.width_m[method]
    true_cv, widths = cv[cell.driven], cell.bouts.width_m
    low, high, middle, w_low, w_high, w_middle, safe = found.T
    within = widths[cv <= LIMIT_PCT]

    def floor(values: np.ndarray) -> np.ndarray:
        return np.searchsorted(widths, values, side="right")

    true_at = floor(np.array([within[-1]]))[0]
    sure = safe[~np.isnan(safe)]
    right = np.isin(sure, within)
    return Score(
        cell,
        name,
        method,
        100 * np.mean((low <= true_cv) & (true_cv <= high)),
        100 * np.mean((w_low <= width) & (width <= w_high)),
        100 * np.mean((floor(w_low) <= true_at) & (true_at <= floor(w_high))),
        100 * np.mean(true_cv < low),
        100 * np.mean(width < w_low),
        float(np.median(middle) - true_cv),
        float(np.median(w_middle) - width),
        float(np.median(high - low)),
        float(np.median(w_high - w_low)),
        float(np.median(read[:, 0]) - true_cv),
        float(np.median(read[:, 1]) - true_cv),
        float(np.median(read[:, 2]) - width),
        float(np.median(read[:, 3]) - width),
        float(true_cv),
        width,
        100 * float(right.mean()) if len(right) else np.nan,
    )


def rows(asked: argparse.Namespace) -> Iterator[dict[str, object]]:
    """Every cell, method and estimator as one row of the result file."""
    estimators = list(ESTIMATORS) if asked.estimators == "all" else [CHOSEN]
    cells = [(a, b, c) for a in SHAPES for b in RATES_KG_HA for c in SPACINGS_M]
    for passes in [int(part) for part in asked.passes.split(",")]:
        for number, (shape, rate, spacing) in enumerate(cells):
            if str(spacing) not in asked.spacings.split(",") or shape not in asked.shapes.split(","):
                continue
            here = cell(shape, rate, spacing, passes)
            usable = [name for name in estimators if passes > 1 or name == CHOSEN]
            rng = np.random.default_rng([asked.seed, passes, number])
            for score in scores(here, asked.tests, rng, usable):
                lead = {"shape": shape, "rate_kg_ha": rate, "spacing_m": spacing, "passes": passes}
                figures = {key: value for key, value in vars(score).items() if key != "cell"}
                yield lead | {key: round(v, 3) if isinstance(v, float) else v for key, v in figures.items()}


def main() -> None:
    """Run the study and write its rows as CSV to standard output."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--tests", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=20260414)
    parser.add_argument("--estimators", choices=["chosen", "all"], default="chosen")
    parser.add_argument("--passes", default="1,3,5,9")
    parser.add_argument("--spacings", default="0.5,1.0,2.0")
    parser.add_argument("--shapes", default=",".join(SHAPES))
    asked = parser.parse_args()
    begun, writer = time.time(), None
    for row in rows(asked):
        if writer is None:
            writer = csv.DictWriter(sys.stdout, list(row))
            writer.writeheader()
        writer.writerow(row)
        sys.stdout.flush()
    print(f"seed {asked.seed}, {asked.tests} tests a cell, {DRAWS} draws, {time.time() - begun:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    main()
