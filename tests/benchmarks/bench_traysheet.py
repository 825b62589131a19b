"""Speed of reading a sheet. Run: pytest tests/benchmarks -s -o addopts=--import-mode=importlib

Processor time, not wall time: another program on the machine does not change it much.
"""

import statistics
import time

import numpy as np

from spreadcheck.sheet.traysheet import read_sheet, write_sheet
from spreadcheck.sheet.traytest import tray_test

FORM = {
    "test": "Speed", "date": "2026-04-14", "travel speed": "12 km/h", "spinner speed": "800 rpm",
    "target rate": "150 kg/ha", "bout width": "24 m", "driving": "back-and-forth", "wind speed": "1.4 m/s",
    "wind from": "left", "scale resolution": "0.1 g",
}  # fmt: skip


def milliseconds(action, count):
    """Median processor time of one call."""
    took = []
    for _ in range(count):
        start = time.process_time_ns()
        action()
        took.append((time.process_time_ns() - start) / 1e6)
    return statistics.median(took)


def test_reading(tmp_path):
    """A sheet of 41 trays and 3 passes in less than 1.5 ms."""
    catch = np.round(np.random.default_rng(1).random((41, 3)) * 20, 1)
    test = tray_test(np.arange(-20, 21) * 0.5, catch, tray_width="0.5 m", tray_length="0.5 m", form=FORM)
    for name in ("a.csv", "a.xlsx"):
        write_sheet(test, tmp_path / name)
    csv = milliseconds(lambda: read_sheet(tmp_path / "a.csv"), 500)
    xlsx = milliseconds(lambda: read_sheet(tmp_path / "a.xlsx"), 30)
    print(f"\nreading 41 trays x 3 passes: CSV {csv:.2f} ms, XLSX {xlsx:.1f} ms (median processor time)")
    assert csv < 1.5
