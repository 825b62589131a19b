"""What was found goes into the form of a sheet: whole or not at all, and what stood there is said."""

from dataclasses import replace

import pytest
from click.testing import CliRunner

from spreadcheck import SheetError, read_sheet, tray_test, write_sheet
from spreadcheck.cli import main
from spreadcheck.crew.lock import lock_sheet
from spreadcheck.crew.newsheet import fill_in
from spreadcheck.sheet.traytest import FormRow

DENSITY = FormRow("bulk density", "0.775", "kg/L")


def sheet_with(**form):
    return tray_test([-2, -1, 0, 1, 2], [0, 4, 5, 4, 0], tray_width="0.5 m", tray_length="0.5 m", form=form)


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def test_new_blank_same_and_other():
    """A label that is missing or blank takes the value; the same value in another unit is left as it was typed."""
    assert fill_in(sheet_with(), [DENSITY]).test.quantity("bulk density") == 775
    same = fill_in(sheet_with(**{"bulk density": "775 kg/m3"}), [DENSITY])
    assert (same.written, same.replaced) == ((), ())
    assert next(row for row in same.test.form if row.label == "bulk density").unit == "kg/m3"
    other = sheet_with(**{"bulk density": "0.8 kg/L"})
    with pytest.raises(
        SheetError, match=r'"bulk density" is 0.8 kg/L there, and 0.775 kg/L was found; add --overwrite'
    ):
        fill_in(other, [DENSITY])
    replaced = fill_in(other, [DENSITY], overwrite=True)
    assert replaced.replaced == (FormRow("bulk density", "0.8", "kg/L"),)
    assert replaced.test.quantity("bulk density") == 775


def test_all_or_nothing(tmp_path):
    """One label that stands otherwise keeps all of them off the sheet, and each such label is named."""
    path = tmp_path / "test.csv"
    write_sheet(sheet_with(**{"bulk density": "0.8 kg/L", "size guide number": "280"}), path)
    before = path.read_bytes()
    done = run("product", "--density", "1 L: 0.775 kg", "--sgn", "320", "--name", "Urea", "--into", path)
    assert done.exit_code == 2
    assert done.stderr.count("add --overwrite to replace what stands there") == 2
    assert path.read_bytes() == before
    done = run("product", "--density", "1 L: 0.775 kg", "--sgn", "320", "--name", "Urea", "--into", path, "--overwrite")
    assert done.exit_code == 0
    assert "bulk density was 0.8 kg/L" in " ".join(done.stderr.split())
    assert done.stderr.endswith(f" spreadcheck analyse {path}\n")
    test = read_sheet(path)
    assert (test.quantity("size guide number"), test.text("product")) == (320, "Urea")
    assert test.catch.tolist() == [[0], [4], [5], [4], [0]]


def test_the_chart_goes_along(tmp_path):
    """Speed and width of the setting chart are filled in too, and the card takes the highest speed from there."""
    path, card = tmp_path / "next test.csv", tmp_path / "card.md"
    assert run("plan", "--bout-width", "24 m", "--target-rate", "150 kg/ha", "--sheet", path).exit_code == 0
    done = run("product", "sample_trays/example_product.csv", "--chart", "sample_trays/example_setting_chart.csv",
               "--into", path)  # fmt: skip
    assert f" spreadcheck record '{path}'" in done.stderr
    test = read_sheet(path)
    assert (test.quantity("highest spinner speed"), test.quantity("expected width")) == (780, 27)
    known = sheet_with(**{"highest spinner speed": "780 rpm", "spinner speed": "700 rpm", "bout width": "2 m"})
    write_sheet(known, tmp_path / "known.csv")
    assert run("analyse", tmp_path / "known.csv", "--card", card).exit_code == 0
    assert "780 rpm" in card.read_text(encoding="utf-8")


def test_the_next_sheet_only(tmp_path):
    """A tested sheet keeps the setting that was tested; the factor found is for the next one."""
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    form = {"target rate": "250 kg/ha", "bout width": "2 m"}
    write_sheet(sheet_with(**form), first)
    write_sheet(sheet_with(**form), second)
    refused = run("rate", first, "--factor", "0.8", "--into", first)
    assert (refused.exit_code, "sheet of the next test" in refused.stderr) == (2, True)
    assert run("rate", first, "--factor", "0.8", "--into", second).exit_code == 0
    assert read_sheet(second).quantity("calibration factor") > 0
    assert read_sheet(first).quantity("calibration factor") is None


def test_never_while_it_is_recorded_on(tmp_path):
    path = tmp_path / "test.csv"
    write_sheet(sheet_with(), path)
    with lock_sheet(path):
        done = run("product", "--density", "1 L: 0.775 kg", "--into", path)
    assert done.exit_code == 2
    assert "recorded" in done.stderr


@pytest.mark.parametrize(
    ("name", "why"),
    [("none.csv", "is not there; give the name of a tray sheet"), ("test.pdf", "end the name in .csv or .xlsx")],
)
def test_no_sheet(name, why, tmp_path):
    done = run("product", "--density", "1 L: 0.775 kg", "--into", tmp_path / name)
    assert done.exit_code == 2
    assert why in done.stderr


def test_rows_of_ones_own_are_told_apart():
    """Labels that this package doesn't know are matched by their words, not with the first of them."""
    own = (FormRow("other knob", "3"), FormRow("My  Lever", "5", "mm"))
    sheet = replace(sheet_with(), form=(*sheet_with().form, *own))
    filled = fill_in(sheet, [FormRow("my lever", "7", "mm")], overwrite=True)
    assert [(row.label, row.value) for row in filled.test.form[-2:]] == [("other knob", "3"), ("My  Lever", "7")]
    assert fill_in(sheet, [FormRow("my lever", "5", "mm")]).written == ()
