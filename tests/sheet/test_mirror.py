"""One side taken for both: the same whichever way it is driven, and said on every output."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck.cli import main
from spreadcheck.judge.assessment import assess
from spreadcheck.sheet.mirror import MIRRORED, both_sides
from spreadcheck.sheet.traysheet import write_sheet
from spreadcheck.sheet.traytest import tray_test


@given(st.lists(st.floats(0.01, 300), min_size=6, max_size=25), st.booleans(), st.sampled_from([0.0, 0.5]))
def test_both_ways_of_driving_give_the_same(catch, left, first):
    offset = (first + np.arange(len(catch))) * (-1 if left else 1)
    result = assess(both_sides(tray_test(offset, catch, tray_width="0.5 m", tray_length="0.5 m")))
    one, other = result.scans.values()
    np.testing.assert_allclose(one.cv_trays_pct, other.cv_trays_pct, rtol=1e-9, atol=1e-9)
    assert result.profile.centre_m == pytest.approx(0, abs=1e-9)


def test_trays_of_the_shorter_side_are_left_out():
    whole = both_sides(tray_test([-1, 0, 1, 2, 3], [[7], [9], [8], [4], [1]], tray_width="1 m", tray_length="1 m"))
    assert whole.offset.tolist() == [-3, -2, -1, 0, 1, 2, 3]
    assert whole.catch.ravel().tolist() == [1, 4, 8, 9, 8, 4, 1]
    assert whole.tray[0] == "R3 mirrored"


@pytest.mark.usefixtures("undrawn")
def test_every_output_says_so(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    half = tray_test(np.arange(12), 6 * np.clip((12 - np.arange(12)) / 6, 0, 1), tray_width="0.5 m",
                     tray_length="0.5 m", form={"bout width": "12 m"})  # fmt: skip
    write_sheet(half, "half.csv")
    plain = CliRunner().invoke(main, ["analyse", "half.csv"])
    assert "one-side" in plain.output
    files = ["--json", "half.json", "--card", "half.md", "--report", "half.html", "--plot", "half.svg"]
    result = CliRunner().invoke(main, ["analyse", "half.csv", "--mirror", *files])
    assert result.exit_code == 0, result.output
    assert MIRRORED in result.output
    assert "one-side" not in result.output
    assert " : " not in result.output  # a side mirrored makes both halves alike by construction
    assert "--confidence" not in result.output  # which is refused
    everything = CliRunner().invoke(main, ["analyse", "half.csv", "--mirror", "--all"])
    assert everything.exit_code == 0, everything.output
    assert "90 % interval" not in everything.output
    assert "left of the driving line" not in everything.output
    for name in ("half.json", "half.md", "half.html", "half.svg"):
        assert MIRRORED in (tmp_path / name).read_text(encoding="utf-8"), name
    codes = [warning["code"] for warning in json.loads((tmp_path / "half.json").read_text())["warnings"]]
    assert "side-mirrored" in codes


@pytest.mark.parametrize("option", ["--confidence", "--csv"])
def test_what_a_mirrored_side_can_not_give(tmp_path, monkeypatch, option):
    monkeypatch.chdir(tmp_path)
    write_sheet(tray_test(np.arange(9), np.arange(9)[::-1], tray_width="0.5 m", tray_length="0.5 m"), "half.csv")
    given = [option, "half.out.csv"] if option == "--csv" else [option]
    result = CliRunner().invoke(main, ["analyse", "half.csv", "--mirror", *given])
    assert result.exit_code == 2
    assert f"option {option}" in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["half.csv"]
