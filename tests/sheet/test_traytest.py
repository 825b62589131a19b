"""The data model: tests from plain arrays, units of catches, equality."""

import dataclasses
import json

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck.cli import main
from spreadcheck.errors import SheetError
from spreadcheck.judge.assessment import assess
from spreadcheck.sheet.traysheet import write_sheet
from spreadcheck.sheet.traytest import MIRRORED, CatchColumn, CatchState, TrayTest, both_sides, catch_g, tray_test
from spreadcheck.units import POUND_KG


def made(offset=(-1, 0, 1), catch=(5, 10, 5), **more):
    """A small test from arrays."""
    return tray_test(offset, catch, **{"tray_width": "0.5 m", "tray_length": "0.5 m"} | more)


def test_from_arrays():
    """Trays come in order of offset and are named by side; NaN is a tray not weighed."""
    test = made([2, -2, 0, -4], [[1, 2], [3, np.nan], [5, 6], [7, 8]], unit="grams", form={"bout width": "24m"})
    assert test.tray == ("L2", "L1", "C", "R1")
    assert test.catch[:, 0].tolist() == [7, 3, 5, 1]
    assert test.state[1].tolist() == [CatchState.WEIGHED, CatchState.NOT_WEIGHED]
    assert {column.unit for column in test.columns} == {"g"}
    assert test.bout_width_m == 24
    assert test.note == ("",) * 4


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"offset": [0, 1]}, "(2,) offsets, (3, 1) catches and 2 tray names don't match; "
         "give one offset and one row of catches a tray"),
        ({"catch": [5, -1, 5]}, "a catch is -1; catches are 0 or from 1e-06 to 1e+07 g or ml"),
        ({"catch": [5, np.inf, 5]}, "a catch is inf; catches are 0 or from 1e-06 to 1e+07 g or ml"),
        ({"catch": [5, 2e4, 5], "unit": "kg"}, "a catch is 20000; catches are 0 or from 1e-06 to 1e+07 g or ml"),
        ({"unit": "m"}, '"m" is not a unit of catches; use g or ml'),
        ({"offset": [0, 0, 1]}, "two trays stand at the same offset; give every tray an offset of its own"),
        ({"offset": [0, np.nan, 1]}, "an offset is not a finite number of metres; keep within 1000 m"),
        ({"tray": ["a", " a", "b"]}, "a tray has no name, or two have the same; give every tray a name of its own"),
    ],
)  # fmt: skip
def test_refusals(more, message):
    """The words of every refusal."""
    with pytest.raises(SheetError) as caught:
        made(**more)
    assert str(caught.value) == message


def test_one_millimetre_apart_is_far_enough():
    """3.001 - 3 is less than 0.001 in floating point; one millimetre is allowed all the same."""
    assert 3.001 - 3 < 0.001
    assert len(made([0, 3, 3.001]).tray) == 3


@given(st.lists(st.floats(0.01, 1000), min_size=3, max_size=3))
def test_units_of_catches(catch):
    """Any mass in grams; ml by the bulk density, or as they are for relative figures."""
    assert np.allclose(catch_g(made(catch=catch, unit="lb")).ravel(), np.array(catch) * POUND_KG * 1000, rtol=1e-14)
    heap = made(catch=catch, unit="ml", form={"bulk density": "0.78 kg/L"})
    assert np.allclose(catch_g(heap).ravel(), np.array(catch) * 0.78, rtol=1e-14)
    bare = made(catch=catch, unit="ml")
    assert catch_g(bare, relative=True).ravel().tolist() == catch
    with pytest.raises(SheetError, match='the catches are in ml and the form has no "bulk density"; add a row such as'):
        catch_g(bare)


def test_equality():
    """Two tests are equal when a sheet of them would be; where they came from does not matter."""
    test = made(catch=[5, np.nan, 5])
    assert test == dataclasses.replace(test, source="other.csv", note=())
    assert test != dataclasses.replace(test, note=("", "wet", ""))
    assert test != dataclasses.replace(test, state=np.full_like(test.state, CatchState.THROWN_OUT))
    assert test != dataclasses.replace(test, offset_unit="ft")
    assert test != "a test"


def test_passes_and_components():
    """Passes in order of number, components in the order of the sheet."""
    columns = (CatchColumn(3, "urea"), CatchColumn(3, "potash"), CatchColumn(1, "urea"))
    test = TrayTest(
        form=(),
        tray=("a", "b"),
        offset=np.array([0.0, 1.0]),
        columns=columns,
        catch=np.ones((2, 3)),
        state=np.zeros((2, 3), dtype=np.uint8),
        offset_unit="ft",
    )
    assert test.passes == (1, 3)
    assert test.components == ("urea", "potash")
    assert test.offset_m.tolist() == [0, 0.3048]
    with pytest.raises(
        SheetError, match=r'"tray width" is missing from the form; add a row such as tray width, 0\.5, m'
    ):
        _ = test.tray_width_m


# --- one side taken for both: the same whichever way it is driven, and said on every output ---------------------------


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
