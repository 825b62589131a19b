"""Speed and memory of a batch: sheets a second on two cores, memory against the number of sheets.

Run: python -m pytest tests/benchmarks/bench_batch.py -s -o addopts=--import-mode=importlib
"""

import subprocess
import sys
import time

import numpy as np
import pytest

from spreadcheck.sheet.traysheet import write_sheet
from spreadcheck.sheet.traytest import tray_test

PROGRAM = """
import resource, sys
from spreadcheck.judge.batch import find_sheets, run_batch
from spreadcheck.show.batch import batch_csv
found = list(run_batch(sys.argv[1], find_sheets(sys.argv[1])[0][: int(sys.argv[2])], workers=2))
assert batch_csv(found).count("\\n") == int(sys.argv[2]) + 1
peak = [resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
print(*peak)
"""


@pytest.fixture(scope="module")
def sheets(tmp_path_factory):
    """10,000 sheets of 41 trays and 3 passes."""
    folder = tmp_path_factory.mktemp("sheets")
    x = np.arange(-20, 21) * 0.5
    rng = np.random.default_rng(4)
    for number in range(10_000):
        catch = np.round(np.clip(12 - np.abs(x), 0, 8)[:, None] + rng.random((41, 3)), 1)
        if number < 50:
            form = {"test": f"Test {number}", "bout width": "14 m", "date": "2026-04-14"}
            test = tray_test(x, catch, tray_width="0.5 m", tray_length="0.5 m", form=form)
            write_sheet(test, folder / f"{number:05}.csv")
        else:
            content = (folder / f"{number % 50:05}.csv").read_bytes()
            (folder / f"{number:05}.csv").write_bytes(content)
    return folder


def batch_of(folder, count):
    begin = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", PROGRAM, str(folder), str(count)], capture_output=True, check=True)
    return time.perf_counter() - begin, [int(kilobytes) / 1024 for kilobytes in done.stdout.split()]


def test_sheets_a_second_and_flat_memory(sheets):
    """The time grows no faster than the sheets, and memory by no more than their rows from 2,000 to 10,000 of them."""
    short, small = batch_of(sheets, 2_000)
    seconds, large = batch_of(sheets, 10_000)
    print(f"\n{10_000 / seconds:.0f} sheets/s; peak memory 2,000 sheets {small} MiB, 10,000 sheets {large} MiB")
    assert seconds / short <= 5 * 1.3  # five times the sheets, start included in both
    assert large[0] - small[0] < 8_000 * 4 / 1024  # the rows and the names: well under 4 KiB a sheet
    assert large[1] - small[1] < 5
