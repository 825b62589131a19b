"""How well `tune` finds spinner speed and drop point together, on simulated series; run it with [SERIES A CELL].

The machine is the first of `tuning_study.py`, whose drop point moves the pattern by 0.12 m and the left share by 0.6 %
a millimetre. Columns: the true CV at the answer, at the best setting tested and at the best of all settings inside the
tests, on average [%]; the most that the answer is worse than the best tested; answers called clear, and clear ones
whose intervals miss the best setting; intervals (95 %) of both settings that hold it.
"""

import sys

import numpy as np
from tuning_study import BOUT_M, FINE_M, GRANULE_G, TRAY_M, pattern

from spreadcheck import tray_test
from spreadcheck.improve import profiles
from spreadcheck.improve import tune as tuning

NORMAL_MM = 20.0
DESIGNS = {
    "3 x 3": [(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)],
    "corners, middle twice": [(-1, -1), (-1, 1), (1, -1), (1, 1), (0, 0), (0, 0)],
}


def pattern_at(speed, drop_mm):
    """The true profile at a speed and a drop point."""
    off = drop_mm - NORMAL_MM
    rate = np.interp(FINE_M - 0.12 * off, FINE_M, pattern("flat to two humps", speed), 0, 0)
    return rate * np.where(FINE_M < 0, 1 - 0.012 * off, 1 + 0.012 * off)


def true_cv(speed, drop_mm):
    """CV of the true deposit over two bouts, back-and-forth, as trays a metre apart read it on average."""
    rate, x = pattern_at(speed, drop_mm), np.arange(-BOUT_M / 2, 3 * BOUT_M / 2, 0.1) + 0.05
    away = [x - k * BOUT_M for k in range(-6, 8)]
    deposit = sum(np.interp(-a if k % 2 else a, FINE_M, rate, 0, 0) for k, a in zip(range(-6, 8), away, strict=True))
    return 100 * deposit.std() / deposit.mean() * np.sqrt(BOUT_M / (BOUT_M - 1))


def one_test(rng, speed, drop_mm):
    """A simulated tray test, three passes."""
    driven = TRAY_M + rng.normal(0, 0.15, (3, 1))
    mean_g = 150 * BOUT_M * np.interp(driven, FINE_M, pattern_at(speed, drop_mm), 0, 0) * 0.025
    form = {"spinner speed": f"{speed:.2f} rpm", "drop point": f"{drop_mm:.3f} mm", "product": "Granular urea"}
    form |= {"bout width": "24 m", "driving": "back-and-forth"}
    catches = rng.poisson(np.maximum(mean_g, 0) / GRANULE_G) * GRANULE_G
    return tray_test(TRAY_M, catches.T, tray_width="0.5 m", tray_length="0.5 m", form=form)


def main(series=20):
    """The table, a line a design."""
    profiles.WIDTH_STEP_M = 4.0
    print(f"{series} series a cell")
    print(f"{'tests':<24}{'answer':>8}{'tested':>8}{'best':>8}{'worse':>8}{'clear':>8}{'wrong':>8}{'held':>8}")
    for name, places in DESIGNS.items():
        rows = []
        for at in range(series):
            rng = np.random.default_rng([2028, len(places), at])
            middle = (rng.uniform(660, 760), rng.uniform(NORMAL_MM - 4, NORMAL_MM + 4))
            tests = [(middle[0] + 80 * a, middle[1] + 8 * b) for a, b in places]
            found = tuning.tune([one_test(rng, *one) for one in tests])
            axes = [np.linspace(column.min(), column.max(), 33) for column in found.tested.value.T]
            truth = np.array([[true_cv(speed, drop) for drop in axes[1]] for speed in axes[0]])
            best = [axis[i] for axis, i in zip(axes, np.unravel_index(truth.argmin(), truth.shape), strict=True)]
            slack = [(axis[1] - axis[0]) / 2 for axis in axes]
            ends = zip(found.main.interval, best, slack, strict=True)
            held = all(low - more <= at_best <= high + more for (low, high), at_best, more in ends)
            answer, tested = true_cv(*found.main.best), true_cv(*found.tested.value[found.main.best_tested])
            clear = found.main.standing == tuning.CLEAR
            rows.append((answer, tested, truth.min(), answer - tested, clear, clear and not held, held))
        col = np.array(rows, dtype=float).T
        cells = [f"{one.mean():.1f}" for one in col[:3]] + [f"{col[3].max():.2f}"]
        cells += [f"{100 * one.mean():.0f} %" for one in col[4:]]
        print(f"{name:<24}" + "".join(f"{cell:>8}" for cell in cells), flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
