"""Speed of the report: one step of the slider in the browser, and the making of both files.

Run: pytest tests/benchmarks/bench_report.py -s -o addopts=--import-mode=importlib
"""

import statistics
import time

import numpy as np
import pytest

from spreadcheck import assess, tray_test
from spreadcheck.show.pages import document_html, document_pdf
from spreadcheck.show.report import report

STEP = """
const slider = document.getElementById("slider"), low = Number(slider.min), high = Number(slider.max), taken = [];
const radios = [...document.querySelectorAll("input[name=method]")];
for (let i = 0; i < 400; i += 1) {
  if (i % 100 === 0) radios[(i / 100) % 2].click();
  const begin = performance.now();
  slider.value = low + (high - low) * ((i * 37) % 100) / 99;
  slider.dispatchEvent(new Event("input", { bubbles: true }));
  document.getElementById("deposit").getBBox();  // the layout that follows is part of the answer
  document.body.offsetHeight;
  taken.push(performance.now() - begin);
}
return taken;
"""


def result():
    """41 trays, 3 passes: an invented pattern."""
    x = np.arange(-20, 21) * 1.0
    catch = np.clip(24 - np.abs(x), 0, 12)[:, None] + np.random.default_rng(1).random((41, 3))
    return assess(tray_test(x, catch, tray_width="0.5 m", tray_length="0.5 m", form={"bout width": "24 m"}))


@pytest.mark.parametrize("tails", ["taper", "cut"])
def test_slider_step(browser, tails):
    """41 trays: figures, sentence, table and picture; the worst step is not ten times the usual one."""
    test = result().test
    browser.open(document_html(report(assess(test, tails=tails))))
    taken = browser.driver.execute_script(STEP)
    middle = statistics.median(taken)
    print(f"\nslider step, {tails}: median {middle:.2f} ms, worst of {len(taken)} {max(taken):.1f} ms")
    assert sorted(taken)[int(0.99 * len(taken))] / middle <= 10


def test_making():
    """A PDF of 41 trays takes at most 1.3 times what the HTML page takes, in one process."""
    test, taken = result(), {}
    for name, make in (("HTML", document_html), ("PDF", document_pdf)):
        seconds = []
        for _ in range(5):
            begin = time.perf_counter()
            make(report(test))
            seconds.append(time.perf_counter() - begin)
        taken[name] = statistics.median(seconds)
    print(f"\nHTML: median {taken['HTML']:.2f} s, PDF: {taken['PDF'] / taken['HTML']:.2f} times that")
    assert taken["PDF"] <= 1.3 * taken["HTML"]
