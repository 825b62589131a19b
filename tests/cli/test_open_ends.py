"""Commands on a line that ends where the pattern is still at 45 % of its peak: ranges that hold the closed form."""

import csv
import json
import math

import numpy as np
import pytest
from click.testing import CliRunner

from spreadcheck.cli import main
from spreadcheck.judge.assessment import assess
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traysheet import read_sheet

WIDTH_M, REACH_M, SPREAD_M = 14.0, 8.0, 9.0  # bout width, end of the line, scale of the Gaussian pattern


@pytest.fixture(scope="module")
def sheet(tmp_path_factory):
    """Three passes of 100 exp(-(x / 9)^2) kg/ha caught in trays of 0.25 m2 from -8 to 8 m."""
    x = np.arange(-REACH_M, REACH_M + 0.1, 0.5)
    grams = 2.5 * np.exp(-((x / SPREAD_M) ** 2))
    catches = [",".join(f"{g * k:.4f}" for k in (0.99, 1.0, 1.01)) for g in grams.tolist()]
    rows = [f"T{n},{at:g},{caught}" for n, (at, caught) in enumerate(zip(x.tolist(), catches, strict=True))]
    form = ["spreadcheck tray sheet,1", "tray width,0.5,m", "tray length,0.5,m", "bout width,14,m",
            "target rate,100,kg/ha", "calibration factor,0.8,", "", "tray,offset,pass 1,pass 2,pass 3",
            ",m,g,g,g"]  # fmt: skip
    path = tmp_path_factory.mktemp("short") / "short.csv"
    path.write_text("\n".join([*form, *rows]) + "\n", encoding="utf-8")
    return str(path)


def told(command, sheet):
    done = CliRunner().invoke(main, [command, sheet, "--json", "-"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_rate_gives_a_range(sheet):
    """The true rate is 100 x 9 sqrt(pi) / 14 kg/ha, and the factor follows it; no single factor is given."""
    found = told("rate", sheet)["measured"][0]
    true = 100 * SPREAD_M * math.sqrt(math.pi) / WIDTH_M
    least, most = found["over_tails"]["rate_kg_ha"]
    assert least < true < most
    low, high = found["over_tails"]["calibration_factor"]
    assert low < 0.8 * true / 100 < high
    assert (found["calibration_factor"], found["recovered_pct"]) == (None, None)
    text = CliRunner().invoke(main, ["rate", sheet]).stdout
    assert "The end trays still catch" in text
    assert "a range" in text


def test_a_blocked_test_gives_the_range_too(sheet, tmp_path):
    """A sheet that can't be judged has no single rate either: `analyse` and `rate` tell the same range."""
    path = tmp_path / "blocked.csv"
    with open(sheet, encoding="utf-8") as lines:
        path.write_text(lines.read().replace("width,14,m", "width,16,m\ndriving,back-and-forth"), encoding="utf-8")
    found = told("rate", str(path))
    assert found["verdict"]["blocking"]
    least, most = found["measured"][0]["over_tails"]["rate_kg_ha"]
    assert found["measured"][0]["over_tails"]["calibration_factor"] is None
    words = " ".join(CliRunner().invoke(main, ["analyse", str(path)]).stdout.split())
    assert f"the field gets {least:.1f} to {most:.1f} kg/ha" in words


def test_edge_gives_a_range(sheet):
    """Half a bout from the edge, erfc(7 / 9) / 2 + erfc(21 / 9) / 2 of a pass falls beyond it."""
    found = told("edge", sheet)["over_tails"]
    true = 50 * (math.erfc(7 / SPREAD_M) + math.erfc(21 / SPREAD_M))
    assert all(least < true < most for least, most in found["beyond_pct"])
    assert all(least < most for least, most in found["first_pass_m"])
    rows = list(csv.DictReader(CliRunner().invoke(main, ["edge", sheet, "--csv", "-"]).stdout.splitlines()))
    ranges = [row for row in rows if row["least_beyond_pct"]]
    ends = np.array([[row["least_beyond_pct"], row["most_beyond_pct"]] for row in ranges], float)
    assert ends == pytest.approx(np.array(found["beyond_pct"]), rel=1e-8)  # CSV has nine digits
    assert {row["beyond_pct"] for row in ranges} == {""}
    text = CliRunner().invoke(main, ["edge", sheet]).stdout
    assert "THE END TRAYS STILL CATCH" in text
    assert max(map(len, text.splitlines())) <= 80


def test_widths_and_confidence_say_so(sheet):
    text = " ".join(CliRunner().invoke(main, ["widths", sheet]).stdout.split())
    assert 'every figure with "to" runs from least to most over all plausible tails' in text
    sure = CliRunner().invoke(main, ["confidence", "--draws", "100", sheet]).stdout
    assert "not known" in sure
    assert max(map(len, sure.splitlines())) <= 80


def test_widths_have_the_ranges_that_an_assessment_has(sheet):
    """No single figure that rests on the tails is given anywhere; what rests on none stays single."""
    whole = assess(read_sheet(sheet))
    asked = ["--at", "12 m, 14 m, 16 m", "--prices", "sample_trays/example_prices.toml", "--target", "150 kg/ha"]
    done = CliRunner().invoke(main, ["widths", sheet, *asked, "--json", "-"])
    data = json.loads(done.stdout)
    for method in METHODS:
        for row in data["methods"][method]:
            assert row["cv_pct"] is None
            assert row["total_per_ha"] is None
            over = whole.cv_over_tails(method, row["width_m"])
            assert (row["least_cv_pct"], row["most_cv_pct"]) == pytest.approx((over.least, over.most))
            assert over.least < over.most
            work = row["time_per_ha"] + row["fuel_per_ha"]  # rests on no tail
            assert row["least_total_per_ha"] == pytest.approx(work + row["least_yield_per_ha"])
            assert row["least_total_per_ha"] < row["most_total_per_ha"]
            assert (row["least_time_per_ha"], row["most_time_per_ha"]) == (row["time_per_ha"], row["time_per_ha"])
    table = list(csv.DictReader(CliRunner().invoke(main, ["widths", sheet, *asked, "--csv", "-"]).stdout.splitlines()))
    assert [row["cv_pct"] for row in table] == [""] * 6
    assert all(float(row["least_cv_pct"]) < float(row["most_cv_pct"]) for row in table)
    screen = CliRunner().invoke(main, ["widths", sheet, *asked]).stdout
    assert max(map(len, screen.splitlines())) <= 80
    for line in (line for line in screen.splitlines() if line.startswith(("  CV", "    total"))):
        assert " to " in line


def test_a_line_that_ends_in_nothing_is_told_as_before():
    whole = told("rate", "sample_trays/even_trapezoid.csv")["measured"][0]
    assert whole["over_tails"] is None
    assert told("edge", "sample_trays/even_trapezoid.csv")["over_tails"] is None
