"""How often the checks of agreement are wrong, and how often they find a fault.

Run: python tests/studies/false_alarms.py

Tests are simulated as in tests/doubts: 41 trays of 0.25 m2, granules of 3.25 mm and 1600 kg/m3 counted by
chance, read to 0.1 g. `unsteady` adds what a real spreader does on its own: every catch varies by so many % besides.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "doubts"))

from test_register import (
    PASSES_CHECKS,
    SHAPES,
    doubled_tray,
    kicked_tray,
    one_sided_pass,
    rates_of_codes,
    slip_down,
    slip_up,
)

TESTS = 1000
ALARM_TESTS = 300  # in each of 48 settings
FAULTS = (
    (doubled_tray, "tray-out-of-line"),
    (kicked_tray, "tray-out-of-line"),
    (one_sided_pass, "passes-disagree"),
    (slip_up, "odd-catch"),
    (slip_down, "odd-catch"),
)


def unsteady(share):
    """A fault that is none: every catch varies on its own."""
    rng = np.random.default_rng(7)

    def vary(catch):
        catch *= rng.normal(1.0, share, catch.shape).clip(0.2)

    return vary


def worst_alarms(*, share=0.0):
    """The largest rate of each check over shapes, rates and numbers of passes."""
    worst = dict.fromkeys(PASSES_CHECKS, 0.0)
    for shape in SHAPES.values():
        for rate in (50.0, 100.0, 150.0, 300.0):
            for passes in (2, 3, 5):
                shown = rates_of_codes(ALARM_TESTS, shape=shape, rate=rate, passes=passes, fault=unsteady(share))
                worst = {code: max(most, shown.get(code, 0.0)) for code, most in worst.items()}
    return worst


if __name__ == "__main__":
    for share in (0.0, 0.1):
        print(f"false alarms, worst of 48 settings, {100 * share:.0f} % unsteady: {worst_alarms(share=share)}")
    for rate in (50.0, 100.0, 150.0):
        found = {
            fault.__name__: round(rates_of_codes(TESTS, shape=SHAPES["trapezoid"], rate=rate, fault=fault).get(code, 0))
            for fault, code in FAULTS
        }
        print(f"found at {rate:.0f} kg/ha, three passes, %: {found}")
