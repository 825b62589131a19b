"""How often a comparison says that something changed where nothing did, by the number of passes of the two tests.

Run `python tests/studies/false_alarms_of_comparisons.py`; about half a minute. Normal scatter, a level of 95 %, so that
5 in 100 are promised. `Welch alone` is what Welch's test would do everywhere; `figure` and `trays` are what the package
does.
"""

import sys
from math import sqrt

import numpy as np
from scipy import stats

from spreadcheck.passes.evidence import figure_evidence, tray_evidence

PASSES = ((2, 2), (3, 3), (4, 4), (5, 5), (2, 4), (3, 6), (2, 5), (2, 8), (2, 12), (3, 12))
DRAWS = 5000


def rates(before, after, draws=DRAWS):
    """False alarms in 100: Welch's test alone, one figure, any of 30 trays; and the test that was used."""
    rng = np.random.default_rng(before * 100 + after)
    a, b = rng.normal(size=(before, draws)), rng.normal(size=(after, draws))
    welch = np.mean(stats.ttest_ind(b, a, equal_var=False).pvalue <= 0.05)
    found = [figure_evidence(a[:, at], b[:, at]) for at in range(draws)]
    mean = np.linspace(5, 150, 30)
    trays = 0
    for _ in range(draws):
        lines = mean + np.sqrt(mean) * rng.standard_normal((before + after, 30))
        trays += bool(tray_evidence(lines[:before], lines[before:]).beyond.any())
    return 100 * welch, 100 * np.mean([bool(one.beyond) for one in found]), 100 * trays / draws, found[0].test


def main():
    """The table, a line a pair of numbers of passes."""
    error = 100 * sqrt(0.05 * 0.95 / DRAWS)
    lines = [f"passes   Welch alone   figure   trays   test of the figure   ({DRAWS} draws, +/- {error:.1f})"]
    for before, after in PASSES:
        welch, figure, trays, test = rates(before, after)
        lines.append(f"{before:>2} + {after:<2}{welch:>13.1f}{figure:>9.1f}{trays:>8.1f}   {test}")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
