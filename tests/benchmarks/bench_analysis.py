"""Speed of the heart, as ratios against plain Python in the same run. Run: pytest tests/benchmarks -s

Machines are noisy: the ratio and the medians are what to read.
"""

import statistics
import subprocess
import sys
import time

import numpy as np
import pytest

from spreadcheck.pattern.reading import read_pattern
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import tray_test
from spreadcheck.spread.profile import profile_of
from spreadcheck.spread.widths import default_widths, scan_methods


def arrays():
    """41 trays, 3 passes: an invented pattern."""
    x = np.arange(-20, 21) * 0.5
    noise = np.random.default_rng(1).random((41, 3))
    return x, np.clip(12 - np.abs(x), 0, 8)[:, None] + noise


def whole_analysis(x, catch):
    """From arrays to both CVs, mean, least and most at all default widths, both methods."""
    profile = profile_of(tray_test(x, catch, tray_width="0.5 m", tray_length="0.5 m"))
    return scan_methods(profile, default_widths(profile))


def plain_loop(x, catch):
    """CV by trays at all default widths, both methods, as a plain Python loop over trays and passes would do it."""
    rates = [sum(row) / len(row) / 0.25 * 10 for row in catch]
    found = {}
    for method in METHODS:
        for spacings in range(2, len(x)):
            w = spacings * 0.5
            values, weights = [], []
            for place in x:
                if abs(place) > w / 2 + 1e-9:
                    continue
                total = 0.0
                for k in range(-len(x), len(x) + 1):
                    away = place - k * w
                    if method == BACK_AND_FORTH and k % 2:
                        away = -away
                    for other, rate in zip(x, rates, strict=True):
                        if abs(other - away) < 1e-6:
                            total += rate
                values.append(total)
                weights.append(0.5 if abs(abs(place) - w / 2) < 1e-9 else 1.0)
            n = sum(weights)
            mean = sum(a * b for a, b in zip(values, weights, strict=True)) / n
            squares = sum(b * (a - mean) ** 2 for a, b in zip(values, weights, strict=True))
            found[method, w] = 100 * (squares / (n - 1)) ** 0.5 / mean
    return found


def median_seconds(function, rounds):
    seconds = []
    for _ in range(rounds):
        begin = time.perf_counter()
        function()
        seconds.append(time.perf_counter() - begin)
    return statistics.median(seconds)


@pytest.mark.benchmark(group="analysis")
def test_whole_analysis_of_41_trays(benchmark):
    """At least 50 times as fast as the plain loop of the same run."""
    x, catch = arrays()
    scans = benchmark(whole_analysis, x, catch)
    plain = plain_loop(x.tolist(), catch.tolist())
    for method, scan in scans.items():
        assert scan.cv_trays_pct == pytest.approx([plain[method, w] for w in scan.width_m.tolist()])
    ours = median_seconds(lambda: whole_analysis(x, catch), 200)
    theirs = median_seconds(lambda: plain_loop(x.tolist(), catch.tolist()), 3)
    print(f"\nwhole analysis {ours * 1e3:.2f} ms; plain loop {theirs * 1e3:.0f} ms; ratio {theirs / ours:.0f}")
    assert theirs / ours >= 50


@pytest.mark.benchmark(group="analysis")
def test_pattern_of_41_trays(benchmark):
    """At most half of the whole analysis of the same run; it is worked out only when it is asked for."""
    x, catch = arrays()
    test = tray_test(x, catch, tray_width="0.5 m", tray_length="0.5 m")
    profile = profile_of(test)
    benchmark(read_pattern, test, profile)
    ours = median_seconds(lambda: read_pattern(test, profile), 500)
    whole = median_seconds(lambda: whole_analysis(x, catch), 200)
    print(f"\npattern {ours * 1e3:.3f} ms; whole analysis {whole * 1e3:.3f} ms; ratio {ours / whole:.2f}")
    assert ours / whole <= 0.5


def command_seconds(arguments, rounds=9):
    return median_seconds(lambda: subprocess.run([sys.executable, *arguments], check=True, capture_output=True), rounds)


@pytest.mark.parametrize(
    ("ours", "plain", "most"),
    [
        (["-m", "spreadcheck", "analyse", "sample_trays/even_trapezoid.csv"], ["-c", "import numpy, click"], 2.0),
        (["-m", "spreadcheck", "--version"], ["-c", "import click"], 1.5),
    ],
    ids=["analyse", "version"],
)
def test_start_up(ours, plain, most):
    """The command against the bare imports that it can't do without."""
    ratio = command_seconds(ours) / command_seconds(plain)
    print(f"\n{' '.join(ours[1:3])}: {ratio:.2f} times {plain[1]!r}")
    assert ratio <= most
