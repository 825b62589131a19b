"""A scan of 100,000 profiles of one layout, vectorised over the tests, against one scan after the other.

Run: python -m pytest tests/benchmarks/bench_many_profiles.py -s -o addopts=--import-mode=importlib
"""

import time

import numpy as np
import pytest

from spreadcheck.sheet.labels import METHODS
from spreadcheck.spread.profile import profile_from
from spreadcheck.spread.traymap import tray_map
from spreadcheck.spread.widths import default_widths, scan_methods

PROFILES = 100_000
CHUNK = 5_000  # tray lines worked on at a time, so that memory stays flat
ONE_BY_ONE = 300


def test_100_000_profiles_of_one_layout():
    """CV by trays at all default widths, both methods: 10 times as fast as single scans or more, same figures."""
    offset = np.arange(-20, 21) * 0.5
    noise = np.random.default_rng(3).random((41, PROFILES))
    lines = 100 * np.clip(12 - np.abs(offset), 0, 8)[:, None] / 8 + 20 * noise
    one = profile_from(offset, lines[:, 0])
    widths = default_widths(one)
    begin = time.perf_counter()
    bouts = tray_map(one, widths)
    widest = np.concatenate(
        [widest_within(bouts.cv_pct(lines[:, at : at + CHUNK]), widths) for at in range(0, PROFILES, CHUNK)], axis=1
    )
    seconds = time.perf_counter() - begin
    begin = time.perf_counter()
    for at in range(ONE_BY_ONE):
        scans = scan_methods(profile_from(offset, lines[:, at]), widths)
        for row, method in enumerate(METHODS):
            within = scans[method].cv_trays_pct <= 15
            assert widest[row, at] == pytest.approx(widths[within].max())
    single = (time.perf_counter() - begin) / ONE_BY_ONE
    print(
        f"\n{PROFILES:,} profiles in {seconds:.2f} s; {single * PROFILES / seconds:.0f} times one scan after the other"
    )
    assert single * PROFILES / seconds >= 10


def widest_within(cv_pct, widths):
    """Effective width of every tray line at 15 %, a row a method."""
    within = cv_pct.reshape(len(METHODS), len(widths), -1) <= 15
    last = len(widths) - 1 - np.argmax(within[:, ::-1], axis=1)
    return np.where(within.any(axis=1), widths[last], np.nan)
