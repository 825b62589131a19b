"""How often `tune` finds the best spinner speed, on simulated series of three machines of different kinds.

Run `python tests/studies/tuning_study.py [SERIES A CELL] [LAID] [DONE]`; seeds are fixed, and series that stand in the
file DONE already (a line each) are not run again, so that a run may be stopped and gone on with. The simulator shares
nothing with the package: two lobes that move out with speed, on a grid of 5 cm; granules counted one by one (3.2 mm,
22.7 mg) in trays of 0.5 x 0.5 m every metre; three passes, each driven 0.15 m off (standard deviation), and, with LAID,
every test's line of trays laid so many metres off. The best speed lies anywhere inside the tested range, in the true
curve.

Columns: the answer, and the best setting tested, within 25 rpm of the true best speed; how far the answer is off on
average [rpm]; answers called clear; clear ones that are more than 25 rpm off or whose interval misses; intervals (95 %)
that hold the best speed, and how wide they are [rpm]; the most that the true CV at the answer lies above that at the
best setting tested [% CV]; bands (95 %) that hold the true CV at the answer.

Effective widths are looked at in coarse steps to save time; the CV and its answer don't depend on them.
"""

import json
import sys
from pathlib import Path

import numpy as np

from spreadcheck import tray_test
from spreadcheck.improve import profiles
from spreadcheck.improve import tune as tuning

BOUT_M = 24.0
FINE_M = np.arange(-40, 40.01, 0.05)
TRAY_M = np.arange(-22.0, 23.0)
SPEEDS = np.arange(350, 1250, 2.0)
MACHINES = ("flat to two humps", "bell to M", "lopsided")
CELLS = [(count, repeat, step) for count in (3, 4, 5, 6) for repeat in (False, True) for step in (40, 80)]
GRANULE_G = 0.0227
WIDTHS = (5, 5, 7, 8, 8, 6, 7, 7, 7, 6, 7, 9)


def pattern(machine, speed):
    """The true profile at a speed: two lobes, the outer flank steeper than the inner."""
    fast = speed / 700.0
    reach, wide, left, lean = {
        "flat to two humps": (5.6 * fast**1.2, 5.4, 0.5, 0.0),
        "bell to M": (5.5 * fast**1.7, 4.9 * fast**0.4, 0.5, 0.0),
        "lopsided": (5.6 * fast**1.3, 5.2, 0.52, 0.5),
    }[machine]
    rate = np.zeros_like(FINE_M)
    for side, part in ((-1, left), (1, 1 - left)):
        away = (FINE_M * side - reach * (1 + 0.04 * lean * side)) / wide
        rate += part * np.exp(-0.5 * (away * np.where(away > 0, 1.25, 1.0)) ** 2)
    return rate / rate.sum() / 0.05


def true_cv(machine, speed):
    """CV of the true deposit over a bout, back-and-forth, as trays a metre apart read it on average."""
    rate, x = pattern(machine, speed), np.arange(-BOUT_M / 2, BOUT_M / 2, 0.05) + 0.025
    away = [x - k * BOUT_M for k in range(-6, 7)]
    deposit = sum(np.interp(-a if k % 2 else a, FINE_M, rate, 0, 0) for k, a in enumerate(away))
    return 100 * deposit.std() / deposit.mean() * np.sqrt(BOUT_M / (BOUT_M - 1))


def one_test(rng, machine, speed, laid_m):
    """A simulated tray test at one speed."""
    rate, laid, catches = pattern(machine, speed), rng.normal(0, laid_m), []
    for _ in range(3):
        mean_g = 150 * BOUT_M * np.interp(TRAY_M + rng.normal(0, 0.15) + laid, FINE_M, rate, 0, 0) * 0.025
        catches.append(rng.poisson(mean_g / GRANULE_G) * GRANULE_G)
    form = {"spinner speed": f"{speed:.2f} rpm", "product": "Granular urea", "bout width": "24 m"}
    form |= {"driving": "back-and-forth"}
    return tray_test(TRAY_M, np.array(catches).T, tray_width="0.5 m", tray_length="0.5 m", form=form)


def one_series(rng, machine, curve, count, repeat, step, laid_m):
    """A series whose best speed lies inside the tested range, and what `tune` makes of it."""
    best = SPEEDS[curve.argmin()]
    speeds = best - rng.uniform(0.02, 0.98) * step * (count - 1) + step * np.arange(count)
    speeds = np.append(speeds, speeds[count // 2]) if repeat else speeds
    answer = tuning.tune([one_test(rng, machine, speed, laid_m) for speed in speeds]).main
    found, (low, high) = answer.best[0], answer.interval[0]
    worse = np.interp(found, SPEEDS, curve) - np.interp(np.sort(speeds)[answer.best_tested], SPEEDS, curve)
    _, *band = answer.figures[tuning.LOWEST]
    return {
        "off": float(abs(found - best)),
        "clear": answer.standing == tuning.CLEAR,
        "held": bool(low - 2 <= best <= high + 2),
        "worse": float(worse),
        "cv held": bool(band[0] <= np.interp(found, SPEEDS, curve) <= band[1]),
        "tested": float(abs(np.sort(speeds)[answer.best_tested] - best)),
        "interval": float(high - low),
    }


def main(series=30, laid_m=0.0, done_file=""):
    """The table, a line a cell."""
    profiles.WIDTH_STEP_M = 4.0
    lines = Path(done_file).read_text().splitlines() if done_file and Path(done_file).exists() else []
    done = {tuple(one): found for one, found in map(json.loads, lines)}
    curves = {machine: np.array([true_cv(machine, speed) for speed in SPEEDS]) for machine in MACHINES}
    print(f"{series} series a cell, a third each of {', '.join(MACHINES)}; lines laid {laid_m:g} m off")
    heads = ("tests", "step", "repeat", "answer", "tested", "off", "clear", "wrong", "held", "wide", "worse", "CV held")
    print("".join(f"{head:>{width}}" for head, width in zip(heads, WIDTHS, strict=True)))
    for number, (count, repeat, step) in enumerate(CELLS):
        found = []
        for at in range(series):
            machine, seed = MACHINES[at % 3], (2026, number, at, int(100 * laid_m))
            if seed not in done:
                rng = np.random.default_rng(seed)
                done[seed] = one_series(rng, machine, curves[machine], count, repeat, step, laid_m)
                if done_file:
                    with open(done_file, "a") as kept:
                        print(json.dumps([seed, done[seed]]), file=kept)
            found.append(done[seed])
        col = {key: np.array([one[key] for one in found], dtype=float) for key in found[0]}
        wrong = np.mean((col["clear"] > 0) & ((col["off"] > 25) | (col["held"] == 0)))
        share = {key: 100 * np.mean(col[key]) for key in ("clear", "held", "cv held")}
        cells = (
            count + repeat, step, "yes" if repeat else "no", f"{100 * np.mean(col['off'] <= 25):.0f} %",
            f"{100 * np.mean(col['tested'] <= 25):.0f} %", f"{col['off'].mean():.1f}", f"{share['clear']:.0f} %",
            f"{100 * wrong:.0f} %", f"{share['held']:.0f} %", f"{col['interval'].mean():.0f}",
            f"{col['worse'].max():.2f}", f"{share['cv held']:.0f} %",
        )  # fmt: skip
        print("".join(f"{cell:>{width}}" for cell, width in zip(cells, WIDTHS, strict=True)), flush=True)


if __name__ == "__main__":
    main(*(kind(value) for kind, value in zip((int, float, str), sys.argv[1:], strict=False)))
