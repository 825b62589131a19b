"""Speed of reading a sheet. Run: pytest tests/benchmarks -s -o addopts=--import-mode=importlib

Processor time, not wall time: another program on the machine does not change it much.
"""

import csv as stdlib_csv
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
    """A sheet of 41 trays and 3 passes, against the csv module alone: checks and units cost at most 40 times that."""
    catch = np.round(np.random.default_rng(1).random((41, 3)) * 20, 1)
    test = tray_test(np.arange(-20, 21) * 0.5, catch, tray_width="0.5 m", tray_length="0.5 m", form=FORM)
    for name in ("a.csv", "a.xlsx"):
        write_sheet(test, tmp_path / name)
    csv = milliseconds(lambda: read_sheet(tmp_path / "a.csv"), 500)
    xlsx = milliseconds(lambda: read_sheet(tmp_path / "a.xlsx"), 30)
    text = (tmp_path / "a.csv").read_text(encoding="utf-8")
    cells = milliseconds(lambda: list(stdlib_csv.reader(text.splitlines())), 500)
    print(f"\n41 trays x 3 passes: CSV {csv:.2f} ms, XLSX {xlsx:.1f} ms, cells alone {cells:.3f} ms (processor time)")
    print(f"CSV sheet {csv / cells:.0f} times its cells; workbook {xlsx / csv:.1f} times the CSV sheet")
    assert csv / cells <= 40
