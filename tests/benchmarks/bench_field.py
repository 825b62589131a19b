"""How fast a field is mapped, and in how much memory; against a plain loop in the same run, whatever the machine.

Run: python -m pytest tests/benchmarks/bench_field.py -s -o addopts=--import-mode=importlib
"""

import math
import resource
import subprocess
import sys
import time

import numpy as np
import pytest

from spreadcheck.field.deposit import Landing, deposit_map, leg_of, raster_over, thrown_by
from spreadcheck.spread.profile import profile_from

PROFILE = profile_from([-18, -6, 6, 18], [0, 200, 200, 0], tails="cut")
LANDING = Landing("arc", 22.0)
RATIO = 100  # times faster than the plain loop
SECONDS = {100: 0.6, 1000: 7.0}  # at cells of 2 m
MOST_MIB = 500  # at 1,000 ha and cells of 1 m


def bouts(hectares):
    """Bouts 24 m apart over a square field, askew to the cells."""
    side = math.sqrt(hectares * 1e4)
    turn = np.array([[math.cos(0.5), -math.sin(0.5)], [math.sin(0.5), math.cos(0.5)]])
    return [leg_of(*(turn @ np.array([[0.0, side], [y, y]]))) for y in np.arange(12, side, 24)]


def mapped(legs, cell_m):
    thrown = thrown_by([PROFILE], LANDING, cell_m / 4)
    return deposit_map(legs, thrown, raster_over(legs, thrown.reach_m, cell_m)), len(thrown.offset_m)


def plain_loop(leg, cell_m):
    """The same sum written point by point: bilinear shares of every strip of every step."""
    thrown = thrown_by([PROFILE], LANDING, cell_m / 4)
    raster = raster_over([leg], thrown.reach_m, cell_m)
    grid = [[0.0] * raster.columns for _ in range(raster.rows)]
    length = float(leg.along_m[-1])
    steps = math.ceil(length / (cell_m / 4))
    east, north = (leg.x_m[1] - leg.x_m[0]) / length, (leg.y_m[1] - leg.y_m[0]) / length
    strips = list(zip(thrown.offset_m.tolist(), thrown.behind_m.tolist(), thrown.mass_kg_m[0].tolist(), strict=True))
    for step in range(steps):
        s = (step + 0.5) * length / steps
        x0, y0 = leg.x_m[0] + s * east, leg.y_m[0] + s * north
        for offset, behind, mass in strips:
            x = (x0 - behind * east + offset * north - raster.west_m) / cell_m - 0.25
            y = (y0 - behind * north - offset * east - raster.south_m) / cell_m - 0.25
            column, row = int(x), int(y)
            over_x, over_y = max(2 * (x - column) - 1, 0.0), max(2 * (y - row) - 1, 0.0)
            share = mass * length / steps
            grid[row][column] += share * (1 - over_x) * (1 - over_y)
            grid[row][column + 1] += share * over_x * (1 - over_y)
            grid[row + 1][column] += share * (1 - over_x) * over_y
            grid[row + 1][column + 1] += share * over_x * over_y
    return np.array(grid) * 1e4 / cell_m**2, steps * len(strips)


def test_against_a_plain_loop():
    """One bout of a 100 ha field by the loop, the whole field by the library: seconds a point."""
    legs = bouts(100)
    start = time.process_time()
    slow, points = plain_loop(legs[0], 2.0)
    loop = (time.process_time() - start) / points
    mapped(legs[:2], 2.0)
    best = math.inf
    for _ in range(3):
        start = time.process_time()
        deposit, strips = mapped(legs, 2.0)
        best = min(best, time.process_time() - start)
    whole = sum(math.ceil(leg.spread_m / 0.5) for leg in legs) * strips
    alone = mapped(legs[:1], 2.0)[0][0]
    assert alone == pytest.approx(slow, abs=1e-9)  # the loop is the same sum
    print(f"\nloop {1e9 * loop:.0f} ns a point, library {1e9 * best / whole:.0f} ns: {loop / (best / whole):.0f} times")
    assert deposit.max() > 0
    print(f"a loop over the field would take {loop * whole:.0f} s, the library {best:.2f} s")


@pytest.mark.parametrize("hectares", [100, 1000])
def test_seconds(hectares):
    """Processor time at cells of 2 m, the best of three runs: other work on the machine only ever adds."""
    legs = bouts(hectares)
    taken = []
    for _ in range(3):
        start = time.process_time()
        mapped(legs, 2.0)
        taken.append(time.process_time() - start)
    print(f"\n{hectares} ha: {min(taken):.2f} s")
    assert min(taken) < SECONDS[hectares]


def test_memory():
    """1,000 ha at 1 m in a process of its own: the most it ever held."""
    code = "import bench_field as b; b.mapped(b.bouts(1000), 1.0); print(b.peak_mib())"
    folder = __file__.rsplit("/", 1)[0]
    done = subprocess.run([sys.executable, "-c", code], cwd=folder, capture_output=True, text=True, check=True)
    print(f"\npeak {float(done.stdout):.0f} MiB")
    assert float(done.stdout) < MOST_MIB


def peak_mib():
    """The most memory this process has held. [MiB]"""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
