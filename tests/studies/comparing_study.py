"""How often `compare` sees a change where nothing was changed, and how often it sees a real one.

Run `python tests/studies/comparing_study.py [COMPARISONS A CELL]`; seeds are fixed. Simulated twin discs: two lobes on
a grid of 5 cm, granules counted one by one in trays of 0.5 x 0.5 m every metre, passes driven 0.15 m off. From test to
test the line is laid 0.25 m off, the wind shifts the pattern by 0.25 m, the rate is off by 2 % and the pattern wider or
narrower by 1 % (standard deviations). `told` is that any line of the comparison stands; `asked` that the figure in
question, judged alone, does.
"""

import sys

import numpy as np

from spreadcheck import compare, tray_test

FINE_M = np.arange(-40, 40.01, 0.05)
TRAY_M = np.arange(-22.0, 23.0)
CELLS = (
    ("nothing changed", 0.0, 1.0, ""),
    ("10 % wider", 0.0, 1.1, "effective width"),
    ("moved 1.5 m", 1.5, 1.0, "centre"),
)


def one_test(rng, passes, shift_m, wide):
    """A simulated test of a machine whose pattern is moved and stretched."""
    shift = shift_m + rng.normal(0, 0.25) + rng.normal(0, 0.25)
    wide, rate = wide * (1 + rng.normal(0, 0.01)), 1 + rng.normal(0, 0.02)
    lobes = sum(np.exp(-0.5 * ((FINE_M / wide - side * 6) / 4.6) ** 2) for side in (-1, 1)) / wide
    catches = []
    for _ in range(passes):
        mean_g = 3.75 * rate * np.interp(TRAY_M - shift - rng.normal(0, 0.15), FINE_M, lobes / lobes.max(), 0, 0)
        catches.append(rng.poisson(mean_g / 0.0227) * 0.0227)
    form = {"bout width": "24 m", "target rate": "150 kg/ha", "driving": "back-and-forth"}
    return tray_test(TRAY_M, np.array(catches).T, tray_width="0.5 m", tray_length="0.5 m", form=form)


def main(comparisons=100):
    """The table, a line a cell."""
    print(f"{comparisons} comparisons a cell\n{'':<18}{'passes':>8}{'told':>8}{'asked':>8}  most often told")
    for number, (name, shift_m, wide, question) in enumerate(CELLS):
        for passes in (3, 5):
            told, asked, lines = 0, 0, {}
            for at in range(comparisons):
                rng = np.random.default_rng([2026, number, passes, at])
                tests = [one_test(rng, passes, 0.0, 1.0), one_test(rng, passes, shift_m, wide)]
                change = compare(tests, question=question).changes[0]
                seen = [one for one in change.differences if one.evidence.beyond]
                told += bool(seen) or bool(change.trays.overall.beyond)
                asked += any(one.code == question for one in seen)
                for one in seen:
                    lines[one.code] = lines.get(one.code, 0) + 1
            most = max(lines, key=lines.get, default="none")
            alone = f"{100 * asked / comparisons:.0f} %" if question else ""
            print(
                f"{name:<18}{f'{passes} + {passes}':>8}{100 * told / comparisons:>6.0f} %{alone:>8}  {most}", flush=True
            )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
