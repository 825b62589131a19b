"""Sheets with a slip, as a user meets them: one clear page, no verdict that the slip forbids, the same everywhere.

The patterns are closed forms: a trapezoid, and a Gaussian of which the line misses most (its deposit at 14 m apart is
even to 0.1 % by Poisson summation).
"""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from spreadcheck.cli import main

X = np.arange(-18.0, 18.1, 1.0)
TRAPEZOID = np.clip((18 - np.abs(X)) / 8, 0, 1) * 3.75
FORM = {"bout width": "22,m", "target rate": "150,kg/ha", "driving": "back-and-forth"}
PASSES = [TRAPEZOID * (1 + 0.02 * np.sin(X + phase)) for phase in (0.0, 2.0, 4.0)]


@pytest.fixture
def written(tmp_path, monkeypatch):
    """Write a sheet of passes and form rows; its path."""

    monkeypatch.chdir(tmp_path)

    def write(passes, x=X, name="sheet.csv", **form):
        rows = {**FORM, **{label.replace("_", " "): value for label, value in form.items()}}
        head = ["spreadcheck tray sheet,1", "tray width,0.5,m", "tray length,0.5,m"]
        head += [f"{label},{value}" for label, value in rows.items() if value]
        head += ["", "tray,offset," + ",".join(f"pass {n + 1}" for n in range(len(passes)))]
        head += [",m," + ",".join("g" for _ in passes)]
        trays = [f"T{n},{at:g}," + ",".join(f"{row[n]:.2f}" for row in passes) for n, at in enumerate(x)]
        path = tmp_path / name
        path.write_text("\n".join(head + trays) + "\n", encoding="utf-8")
        return name

    return write


def run(*arguments):
    return CliRunner().invoke(main, list(arguments))


def codes(sheet, *more):
    data = json.loads(run("analyse", sheet, "--json", "-", *more).stdout)
    return data, {warning["code"]: warning for warning in data["warnings"]}


BAD = {
    "target rate in another unit": (PASSES, X, {"target_rate": "15,kg/ha"}, "mass-implausible"),
    "bout wider than twice the line": (PASSES, X, {"bout_width": "80,m"}, "mass-implausible"),
    "the same without a target": (PASSES, X, {"bout_width": "80,m", "target_rate": ""}, "widths-apart"),
    "one pass of zeros": ([*PASSES[:2], 0 * X], X, {}, "passes-disagree"),
    "all trays equal": ([3.75 + 0 * X] * 3, X, {}, "container-weighed"),
}


@pytest.mark.parametrize("case", BAD)
def test_a_contradictory_sheet_is_one_clear_page(written, case):
    passes, x, form, code = BAD[case]
    sheet = written(passes, x, **form)
    done = run("analyse", sheet)
    assert done.exit_code == 0
    lines = done.stdout.splitlines()
    assert len(lines) <= 30
    assert max(map(len, lines)) <= 80
    assert code in done.stdout
    assert "Traceback" not in done.output
    data, found = codes(sheet)
    assert data["verdict"]["state"] == "can't be judged"
    assert found[code]["blocking"]
    assert run("analyse", sheet, "--within-limit").exit_code == 1


@pytest.mark.parametrize(("passes", "x"), [([0 * X] * 3, X), ([[3.0]], [0.0]), ([[3.0, 2.0]], [-1.0, 1.0])])
def test_no_pattern_is_one_message(written, passes, x):
    done = run("analyse", written(passes, x))
    assert done.exit_code == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1


def test_a_sheet_of_which_every_doubt_fires_is_one_page(written):
    """Wind, odd trays, passes that disagree, uneven and crowded trays, a short line, wrong rates and labels."""
    x = np.array([-6, -5, -4, -3, -2.9, -2, -1, 0, 1, 2, 3, 5, 6, 6.3])
    base = np.where(np.abs(x) < 4, 4.0, 3.0) + 0.3 * x
    passes = [base.copy(), base * 0.6, base * 1.7]
    passes[0][3] *= 12
    passes[1][7] = 0.0
    form = {"wind_speed": "9,m/s", "wind_from": "left", "target_rate": "15,kg/ha", "metered_rate": "900,kg/ha",
            "scale_resolution": "1,g", "travel_speed": "12,km/h", "discharge": "5,kg/min",
            "wind_spede": "3,m/s", "size_guide_number": "300", "granule_density": "1.5,kg/L"}  # fmt: skip
    sheet = written(passes, x, **form)
    data, found = codes(sheet)
    assert len(found) >= 10
    assert data["verdict"]["state"] == "can't be judged"
    done = run("analyse", sheet)
    assert done.exit_code == 0
    assert len(done.stdout.splitlines()) <= 30
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "more doubts, told by --doubts" in done.stdout


def test_no_mark_while_a_doubt_blocks(written):
    """A table of widths, the lowest total, the joint width of a blend: nothing is called within the limit."""
    sheet = written([*PASSES[:2], 0 * X])
    prices = ("--labour", "20 EUR/h", "--fuel", "1 EUR/L", "--fuel-use", "10 L/h", "--speed", "10 km/h")
    text = run("widths", sheet, "--at", "16 m, 22 m", *prices).stdout
    assert "*" not in text
    assert "No width is marked: the test can't be judged until this is put right" in text
    assert "within the CV limit" not in text
    table = run("analyse", sheet, "--table").stdout
    assert "*" not in table
    data = json.loads(run("widths", sheet, "--at", "16 m, 22 m", "--json", "-").stdout)
    assert {row["standing"] for rows in data["methods"].values() for row in rows} == {""}


def test_a_pass_of_zeros_is_named_with_what_the_test_would_get(written):
    _, found = codes(written([*PASSES[:2], 0 * X]))
    tried = found["passes-disagree"]["explanations"][0]
    assert (tried["code"], tried["words"]) == ("pass-empty", "nothing was spread in pass 3")
    assert "effective width" in tried["verdict"]


def test_the_target_rate_may_be_what_is_wrong(written):
    """At a usual rate in the trays the target is the likelier slip; at ten times it, the catches are."""
    _, found = codes(written(PASSES, target_rate="15,kg/ha"))
    assert found["mass-implausible"]["explanations"][0]["code"] == "target-rate"
    _, found = codes(written([10 * each for each in PASSES]))
    assert found["mass-implausible"]["explanations"][0]["code"] == "decimal-point"


def test_one_pass_says_that_slips_cant_be_seen(written):
    _, found = codes(written(PASSES[:1]))
    assert not found["slips-unseen"]["blocking"]
    assert "slips-unseen" not in codes(written(PASSES))[1]


def test_what_follows_from_a_slip_is_not_told_beside_it(written):
    """125 g of container in every tray: the mass is far too large from that alone."""
    _, found = codes(written([each + 125 for each in PASSES]))
    assert found["container-weighed"]["blocking"]
    assert not found.keys() & {"mass-implausible", "widths-apart", "tray-full"}


# --- lines that end while the pattern goes on


def gaussian(far_m, sd_m=9.0):
    x = np.arange(-far_m, far_m + 0.1, 1.0)
    return x, [3.75 * np.exp(-0.5 * (x / sd_m) ** 2) * (1 + 0.01 * np.sin(x + phase)) for phase in (0.0, 2.0, 4.0)]


def test_a_line_that_ends_high_blocks_where_the_tails_decide(written):
    """The whole pattern is even at 14 m; cut at 67 % of its peak it reads 17 % there: no verdict either way."""
    x, passes = gaussian(8.0)
    sheet = written(passes, x, bout_width="14,m", target_rate="")
    data, found = codes(sheet)
    assert found["end-catch"]["blocking"]
    assert "over all plausible tails the CV at the bout width driven is" in found["end-catch"]["message"]
    for method in data["methods"].values():
        least, most = method["effective_width_over_tails_m"]
        assert (least or 0.0) < most
        assert method["advised_width_m"] is None
    text = run("analyse", sheet).stdout
    assert "it rests" in text
    assert "by what fell beyond the end trays" in " ".join(text.split())
    for command in (["edge"], ["widths"], ["rate"], ["confidence", "--draws", "200"]):
        assert "can't be judged" in run(*command, sheet).stdout


def test_a_line_that_ends_low_is_judged_and_told(written):
    """At 8 % of the peak the tails decide nothing at 14 m: a doubt, no block, and the advised width allows for them."""
    x, passes = gaussian(20.0)
    data, found = codes(written(passes, x, bout_width="14,m", target_rate=""))
    assert not found["end-catch"]["blocking"]
    assert data["verdict"]["state"] == "fits"
    for method in data["methods"].values():
        assert method["advised_width_m"] <= method["effective_width_over_tails_m"][0]


def test_a_whole_line_has_no_tails(written):
    data, found = codes(written(PASSES))
    assert "end-catch" not in found
    assert {method["effective_width_over_tails_m"] for method in data["methods"].values()} == {None}
