"""How often a good test gets an explanation that it does not need, and how often a slip is found.

Run by hand: `python tests/studies/explanations.py [good tests] [cases]`; 2000 and 200 take about a minute. The result
is written down in docs/test-quality.md. Fixed seeds, so that it comes out the same.
"""

import sys
from collections import Counter
from dataclasses import dataclass

import numpy as np

from spreadcheck.doubts.inspection import doubts_of
from spreadcheck.passes.passes import passes_of
from spreadcheck.sheet.traytest import tray_test

VISIBLE, VISIBLE_TRAY = 12.0, 6.0  # standard errors by which a slip of a pass, or of one tray, has to stand out
SHAPES = ("flat", "bell", "lopsided", "ragged")


@dataclass
class Made:
    """A good test as it was made: offsets, true pattern of every pass in g, catches in g, form."""

    x: np.ndarray
    shape: object
    passes: int
    catch: np.ndarray
    form: dict
    half: float  # half-rate width
    area: float  # rate over the width, kg/ha m
    sd: np.ndarray  # of a catch at each tray, as it was made
    mean: np.ndarray

    def clear(self, change):
        """How far a change of the catches of one pass stands out from the other passes, in standard errors."""
        few = 1 + 1 / max(self.passes - 1, 1)
        return np.sqrt(np.sum(change**2 / (few * (self.sd**2 + (0.02 * self.mean.max()) ** 2))))


def smooth(rng, x, length, draws):
    """Random curves with a standard deviation of 1, alike over a length."""
    apart = x[:, None] - x[None, :]
    root = np.linalg.cholesky(np.exp(-0.5 * (apart / length) ** 2) + 1e-6 * np.eye(len(x)))
    return (root @ rng.standard_normal((len(x), draws))).T


def pattern(rng, kind):
    """A pattern from 0 to 1 over the offset, and how far it throws."""
    throw = rng.uniform(10, 18)
    if kind == "bell":
        sd = throw / 3
        return (lambda x: np.exp(-0.5 * (x / sd) ** 2)), throw
    top = rng.uniform(0.3, 0.7) * throw
    lean, off = (rng.uniform(0.2, 0.5), rng.uniform(0.5, 2.5)) if kind == "lopsided" else (0.0, 0.0)
    side = rng.choice([-1, 1])
    knots = np.linspace(-25, 25, 101)
    rough = 1 + (0.12 * smooth(rng, knots, 1.5, 1)[0] if kind == "ragged" else 0 * knots)

    def shape(x):
        y = side * x - off
        return np.clip((throw - np.abs(y)) / (throw - top), 0, 1) * (1 + lean * y / throw) * np.interp(x, knots, rough)

    return shape, throw + off


def good(rng, *, passes=None, kind=None, basis=None, spacing=None, least=0.75):
    """A good test: chance of counting, scatter, gusts, levels, driving error; a form as people fill it in."""
    kind = kind or rng.choice(SHAPES)
    passes = passes or int(rng.integers(1, 6))
    spacing = spacing or rng.choice([0.5, 1.0, 2.0])
    shape, throw = pattern(rng, kind)
    reach = throw * rng.uniform(least, 1.25)
    count = int(np.ceil(reach / spacing))
    x = np.arange(-count, count + 1) * spacing
    peak = rng.choice([60.0, 100.0, 200.0, 400.0]) * 0.025  # g in a tray of 0.25 m2
    grain, scatter, gust = rng.uniform(0.015, 0.04), rng.choice([0.0, 0.05]), rng.choice([0.0, 0.04, 0.08])
    catch = np.empty((len(x), passes))
    for at in range(passes):
        mean = peak * shape(x + rng.normal(0, 0.1)) * (1 + rng.normal(0, 0.03))
        mean = mean * np.clip(1 + gust * smooth(rng, x, 1.5, 1)[0] + scatter * rng.standard_normal(len(x)), 0.2, None)
        catch[:, at] = rng.poisson(np.maximum(mean, 0) / grain) * grain
    catch = np.round(catch, rng.choice([1, 2]))
    fine = np.linspace(-25, 25, 1001)
    true = shape(fine)
    above = fine[true >= true.max() / 2]
    half, area = float(above[-1] - above[0]), float(peak * 40 * np.trapezoid(true, fine))
    bout = max(round(half * rng.uniform(0.6, 1.4)), 4)
    form = {"bout width": f"{bout} m"} if rng.random() < 0.8 or basis == "target" else {}
    if basis == "target" or (basis is None and rng.random() < 0.7):
        form["target rate"] = f"{area / bout * np.exp(rng.normal(0, 0.1)):.4g} kg/ha"
    if basis == "metered" or (basis is None and rng.random() < 0.3):
        form |= {"metered rate": f"{area / bout * rng.normal(1, 0.04):.4g} kg/ha", "metered width": f"{bout} m"}
    if basis == "discharge" or (basis is None and rng.random() < 0.2):
        form |= {"discharge": f"{area / 1e4 * 3.0 * 60 * rng.normal(1, 0.04):.4g} kg/min", "travel speed": "3 m/s"}
    level = peak * shape(x)
    sd = np.sqrt(grain * level + (gust**2 + scatter**2 + 0.03**2) * level**2)
    return Made(x, shape, passes, catch, form, half, area, sd, level)


def sheet(made, **options):
    """The test of what was made."""
    return tray_test(made.x, made.catch, tray_width="0.5 m", tray_length="0.5 m", form=made.form, **options)


def tried(test):
    """The codes of the explanations that the doubts of a test carry, and of the doubts that are one themselves."""
    passes = passes_of(test)
    doubts = doubts_of(test, passes.profile(), bout_width_m=test.bout_width_m, passes=passes)
    codes = {explanation.code for doubt in doubts for explanation in doubt.explanations}
    return codes | ({doubt.code for doubt in doubts} & {"one-side", "mass-implausible", "widths-apart"})


def mirrored(rng):
    made = good(rng, passes=int(rng.integers(2, 6)), kind="lopsided")
    at = rng.integers(made.passes)
    made.catch[:, at] = made.catch[::-1, at]
    return sheet(made), "pass-mirrored"


def any_shifted(rng):
    return shifted(rng, 0.0)


def shifted(rng, least=VISIBLE):
    while True:
        made, by = good(rng, passes=int(rng.integers(2, 6)), spacing=rng.choice([1.0, 2.0])), rng.choice([-1, 1])
        if made.clear(np.roll(made.mean, by) - made.mean) > least:
            break
    at = rng.integers(made.passes)
    made.catch[:, at] = np.roll(made.catch[:, at], by)
    return sheet(made), "pass-shifted"


def swapped(rng):
    while True:
        made = good(rng, passes=int(rng.integers(2, 6)))
        one, other = rng.choice(len(made.x), 2, replace=False)
        change = np.zeros(len(made.x))
        change[one] = change[other] = made.mean[one] - made.mean[other]
        if min(made.clear(change * (np.arange(len(change)) == tray)) for tray in (one, other)) > VISIBLE_TRAY:
            break
    at = rng.integers(made.passes)
    made.catch[[one, other], at] = made.catch[[other, one], at]
    return sheet(made), "trays-swapped"


def not_emptied(rng):
    made = good(rng, passes=int(rng.integers(2, 6)))
    made.catch = np.cumsum(made.catch, axis=1)
    return sheet(made), "not-emptied"


def known(rng):
    """A test with something on its form that the mass can be held against."""
    return good(rng, basis=rng.choice(["target", "metered", "discharge"]))


def decimal(rng):
    made = known(rng)
    made.catch = made.catch * rng.choice([10.0, 0.1])
    return sheet(made), "decimal-point"


def runs(rng):
    made = known(rng)
    made.catch = made.catch * rng.integers(2, 7)
    return sheet(made), "runs-per-catch"


def ounces(rng):
    made = known(rng)
    made.catch, unit = (made.catch / 28.349523125, "g") if rng.random() < 0.5 else (made.catch, "oz")
    return sheet(made, unit=unit), "mass-unit"


def container(rng):
    made = good(rng, least=1.1)  # out to where nothing falls, else the tail hides it
    tare = rng.choice([2.0, 10.0, 50.0, 125.0])
    weights = tare + rng.normal(0, min(0.005 * tare, 0.5), (len(made.x), 1))
    made.catch = np.round(made.catch + weights, 2)
    return sheet(made), "container-weighed"


def feet_bout(rng):
    made = known(rng)
    made.form["bout width"] = f"{made.half / 0.3048 * rng.uniform(0.7, 1.3):.0f} m"
    if "metered width" in made.form or rng.random() < 0.5:
        made.form["target rate"] = f"{made.area / made.half:.4g} kg/ha"
    return sheet(made), "feet-for-metres"


def feet_offsets(rng):
    made = good(rng, basis="target")
    made.x = made.x / 0.3048
    return sheet(made), "feet-for-metres"


def one_side(rng):
    made = good(rng)
    side = made.x >= 0 if rng.random() < 0.5 else made.x >= -0.1 * made.x[-1]
    made.x, made.catch = made.x[side], made.catch[side]
    return sheet(made), "one-side"


SLIPS = {
    "mirrored": mirrored,
    "shifted": shifted,
    "shifted, plain or not": any_shifted,
    "swapped": swapped,
    "not emptied": not_emptied,
    "decimal point": decimal,
    "runs per catch": runs,
    "grams for ounces": ounces,
    "container weighed": container,
    "feet for metres, bout": feet_bout,
    "feet for metres, offsets": feet_offsets,
    "one side": one_side,
}


def main(good_tests=2000, cases=200):
    """Print the rates of false alarms and of slips found."""
    rng = np.random.default_rng(2026)
    false, any_false = Counter(), 0
    for _ in range(good_tests):
        codes = tried(sheet(good(rng)))
        false.update(codes)
        any_false += bool(codes)
    print(f"good tests with an explanation: {any_false} of {good_tests}; {dict(false)}")
    for name, make in SLIPS.items():
        rng, found, others = np.random.default_rng(7), 0, Counter()
        for _ in range(cases):
            test, code = make(rng)
            codes = tried(test)
            found += code in codes
            others.update(codes - {code})
        print(f"{name}: found in {found} of {cases}; besides {dict(others)}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
