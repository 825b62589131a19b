"""How often `compare` sees a change where nothing was changed, and how often it sees a real one.

Run `python tests/studies/comparing_study.py [COMPARISONS A CELL]`; seeds are fixed. Simulated twin discs: two lobes on
a grid of 5 cm, granules counted one by one in trays of 0.5 x 0.5 m every metre, passes driven 0.15 m off. From test to
test the line is laid 0.25 m off, the wind shifts the pattern by 0.25 m, the rate is off by 2 % and the pattern wider or
narrower by 1 % (standard deviations); in the last cells all of them 1.5 times as large as `compare` takes them to be,
without and with four repeats of the first test. *told*: any line of the comparison stands; *its line*: that of the
figure that was changed does, all lines counted together; *asked*: it does where it alone was asked about.
"""

import itertools
import sys

import numpy as np

from spreadcheck import compare, tray_test

FINE_M = np.arange(-40, 40.01, 0.05)
TRAY_M = np.arange(-22.0, 23.0)
CELLS = (  # what, its figure, moved [m], wider, times as large, repeats
    ("nothing changed", "", 0.0, 1.0, 1.0, 0),
    ("10 % wider", "effective width", 0.0, 1.1, 1.0, 0),
    ("moved 1.5 m", "centre", 1.5, 1.0, 1.0, 0),
    ("nothing, 1.5 times", "", 0.0, 1.0, 1.5, 0),
    ("the same, 4 repeats", "", 0.0, 1.0, 1.5, 4),
)


def one_test(rng, passes, shift_m=0.0, wide=1.0, large=1.0):
    """A simulated test of a machine whose pattern is moved and stretched."""
    shift = shift_m + rng.normal(0, 0.25 * large) + rng.normal(0, 0.25 * large)
    wide, rate = wide * (1 + rng.normal(0, 0.01 * large)), 1 + rng.normal(0, 0.02 * large)
    lobes = sum(np.exp(-0.5 * ((FINE_M / wide - side * 6) / 4.6) ** 2) for side in (-1, 1)) / wide
    mean_g = 3.75 * rate * lobes / lobes.max()
    driven = TRAY_M - shift - rng.normal(0, 0.15, (passes, 1))
    catches = rng.poisson(np.interp(driven, FINE_M, mean_g, 0, 0) / 0.0227) * 0.0227
    form = {"bout width": "24 m", "target rate": "150 kg/ha", "driving": "back-and-forth"}
    return tray_test(TRAY_M, catches.T, tray_width="0.5 m", tray_length="0.5 m", form=form)


def main(comparisons=100):
    """The table, a line a cell."""
    print(f"{comparisons} comparisons a cell\n{'':<20}{'passes':>8}{'told':>8}{'its line':>10}{'asked':>8}")
    for number, ((name, figure, shift_m, wide, large, repeats), passes) in enumerate(itertools.product(CELLS, (3, 5))):
        told = line = asked = 0
        for at in range(comparisons):
            rng = np.random.default_rng([2027, number, at])
            tests = [one_test(rng, passes, large=large), one_test(rng, passes, shift_m, wide, large)]
            more = [one_test(rng, passes, large=large) for _ in range(repeats)]
            change = compare(tests, repeats=more).changes[0]
            seen = {one.code for one in change.differences if one.evidence.beyond}
            told += bool(seen) or bool(change.trays.overall.beyond)
            line += figure in seen
            if figure:
                alone = compare(tests, question=figure).changes[0].differences
                asked += any(one.evidence.beyond for one in alone if one.code == figure)
        shares = [
            f"{100 * count / comparisons:.0f} %" if figure or at == 0 else ""
            for at, count in enumerate((told, line, asked))
        ]
        print(f"{name:<20}{f'{passes} + {passes}':>8}{shares[0]:>8}{shares[1]:>10}{shares[2]:>8}", flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
