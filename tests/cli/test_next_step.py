"""The command that a step ends with: filled in, whole, and ready to run; each one here is run as it was printed."""

import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from spreadcheck import read_sheet, tray_test, write_sheet
from spreadcheck.cli import COMMANDS, main
from spreadcheck.show.format import WIDTH, free, next_line

SAMPLES = Path(__file__).parents[2] / "sample_trays"
OFFSETS = range(-8, 9)
CATCH = [0, 0, 1, 2, 3, 4, 5, 6, 6, 6, 5, 4, 3, 2, 1, 0, 0]
NOISE = [0.01, -0.02, 0.015, -0.01, 0.02]


def run(*arguments):
    done = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert done.exit_code == 0, done.output
    return done


def told(done):
    """Every command that the output names, as words."""
    lines = [line for line in done.output.splitlines() if "spreadcheck " in line.split(":")[-1][:14]]
    return [shlex.split(line[line.index("spreadcheck ") :])[1:] for line in lines]


def sheet(folder, name, *, speed=700, **form):
    form = {"spinner speed": f"{speed} rpm", "bout width": "8 m", "target rate": "150 kg/ha", "product": "Urea"} | form
    catch = [[c * speed / 700 * (1 + NOISE[(n + 2 * at) % 5]) for at in range(3)] for n, c in enumerate(CATCH)]
    path = folder / name
    write_sheet(tray_test(list(OFFSETS), catch, tray_width="0.5 m", tray_length="0.5 m", form=form), path)
    return path


@pytest.mark.parametrize("words", [("analyse", "a.csv"), ("record", "/a folder/" + 30 * "deep/" + "it's.csv")])
def test_a_command_is_never_cut(words):
    """On the line if it fits, else whole on a line of its own; the shell reads the same words back."""
    line = next_line(*words)
    *lead, command = line.split("\n")
    assert len(lead) == (len(line) > WIDTH)
    assert shlex.split(command.removeprefix("Next: ")) == ["spreadcheck", *words]


def test_a_name_beside_a_sheet_that_nothing_has(tmp_path):
    assert free("far/field.csv", "-card.pdf") == "far/field-card.pdf"
    (tmp_path / "field-card.pdf").touch()
    assert free(f"{tmp_path}/field.csv", "-card.pdf") == f"{tmp_path}/field-card-2.pdf"


def test_from_product_to_the_paper_form(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    [plan] = told(run("product", "--sgn", "310", "--granule-density", "1.3 kg/L"))
    assert plan[0] == "plan"
    form, record = told(run(*plan))
    assert record == ["record", "field.csv"]
    planned = read_sheet("field.csv")  # what was measured is not asked again
    assert (planned.quantity("size guide number"), planned.quantity("granule density")) == (310, 1300)
    [weigh] = told(run(*form))
    assert weigh == ["record", "field.csv"]
    assert (tmp_path / "field-form.pdf").read_bytes().startswith(b"%PDF")


def test_from_the_analysis_to_the_card(tmp_path):
    path = sheet(tmp_path, "a test.csv", driving="back-and-forth")
    first = run("analyse", path, "--limit", "25")
    assert told(first)[-1][:4] == ["analyse", str(path), "--limit", "25"]  # as it was asked
    run(*told(first)[-1])
    assert (tmp_path / "a test-card.pdf").exists()


def test_a_command_that_wrote_files_can_be_taken_further(tmp_path):
    """What it wrote is written anew; a card that lies there already is left alone; US units are kept."""
    path, plot = sheet(tmp_path, "a.csv", driving="back-and-forth"), tmp_path / "a.png"
    (tmp_path / "a-card.pdf").write_text("dear to its owner")
    run(*told(run("analyse", path, "--limit", "25", "--units", "us", "--plot", plot))[-1])
    assert (tmp_path / "a-card.pdf").read_text() == "dear to its owner"
    assert (tmp_path / "a-card-2.pdf").read_bytes().startswith(b"%PDF")
    following = told(run("edge", path, "--units", "us"))[-1]
    assert following[following.index("--units") + 1] == "us"
    run(*following)


def test_from_a_comparison_to_its_report_and_card(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    before, after = sheet(tmp_path, "before.csv"), sheet(tmp_path, "after.csv", speed=690)
    report = told(run("compare", before, after))[-1]
    assert report == ["compare", str(before), str(after), "--report", "comparison.pdf"]
    card = told(run(*report))[-1]
    assert card[:2] == ["analyse", str(after)]


def test_from_tuning_into_the_next_sheet(tmp_path):
    """What was found goes into the sheet of the next test, whole or not at all, and never into one that was tested."""
    tests = [
        sheet(tmp_path, f"{speed}.csv", speed=speed, **{"highest spinner speed": "760 rpm"})
        for speed in (640, 700, 760)
    ]
    into = told(run("tune", *tests))[-1]
    following = tmp_path / into[into.index("--into") + 1]
    said = " ".join(run(*into).output.split())
    found = read_sheet(following)
    assert 640 <= found.quantity("spinner speed") <= 760
    assert found.quantity("highest spinner speed") == 760
    assert f"spinner speed {found.quantity('spinner speed'):.0f} rpm" in said or "stands there already" in said
    refused = CliRunner().invoke(main, ["tune", *map(str, tests), "--into", str(tests[0])])
    assert (refused.exit_code, "sheet of the next test" in refused.stderr) == (2, True)


def test_rate_names_the_sheet_of_the_next_test(tmp_path):
    path = sheet(tmp_path, "first.csv", **{"calibration factor": "0.8"})
    into = told(run("rate", path))[-1]
    run(*into)
    assert read_sheet(into[into.index("--into") + 1]).quantity("calibration factor") != 0.8


def test_bins_are_filled_in_one_by_one(tmp_path):
    path = tmp_path / "bins.csv"
    run("plan", "--bout-width", "24 m", "--target-rate", "150 kg/ha", "--sheet", path, "--bins", "2")
    run("product", "--name", "Urea", "--density", "0.77 kg/L", "--into", path)
    run("product", "--name", "DAP", "--density", "0.93 kg/L", "--into", path, "--bin", "2")
    test = read_sheet(path)
    assert (test.text("product"), test.text("bin 2 product")) == ("Urea", "DAP")
    assert (test.quantity("bulk density"), test.quantity("bin 2 bulk density")) == (770, 930)


STUDIES = {  # command and more words -> the command that it ends with
    "widths": ("analyse", "--card"),
    "edge": ("analyse", "--card"),
    "confidence": ("analyse", "--card"),
    "confidence --half-width 0.02m": ("plan", "--former"),
    "batch": ("compare",),
}


@pytest.mark.parametrize("words", STUDIES)
def test_a_study_ends_with_the_next_step(words, tmp_path):
    """The card where the width may be driven; a plan where more passes are needed; the tests of one machine."""
    for name, speed in (("first.csv", 710), ("second.csv", 700)):
        path = sheet(tmp_path, name, speed=speed, driving="back-and-forth", machine="Twin disc", date="2026-04-21")
    command, *more = words.split()
    [following] = told(run(command, tmp_path if command == "batch" else path, *more))[-1:]
    assert set(STUDIES[words]) <= set(following)
    run(*following)


def test_a_priced_width_is_analysed_next(tmp_path):
    path = sheet(tmp_path, "field.csv", driving="back-and-forth")
    prices = SAMPLES / "example_prices.toml"
    [following] = told(run("widths", path, "--at", "6 m, 8 m", "--prices", prices))[-1:]
    assert following[:3] == ["analyse", str(path), "--bout-width"]
    run(*following)


@pytest.mark.parametrize("command", ["widths", "edge", "confidence", "batch"])
def test_a_sheet_that_blocks_is_put_right_next(command, tmp_path):
    path = sheet(tmp_path, "field.csv", **{"target rate": "2000 kg/ha"})
    [following] = told(run(command, tmp_path if command == "batch" else path))[-1:]
    assert following[:2] == ["analyse", str(path)]
    assert following[-1] == "--doubts"
    run(*following)


def test_a_blend_that_is_not_even_asks_for_advice():
    blend = SAMPLES / "blend.csv"
    [following] = told(run("blend", blend))[-1:]
    assert following == ["analyse", str(blend), "--advice"]
    run(*following)


def test_a_plan_of_invented_figures_says_so():
    done = run("rate", "--area", "310 kg: 2 ha")
    assert "the width and the rate as an example: give your own" in done.output
    assert "example" not in run("rate", "--area", "310 kg: 2 ha", "--target", "150 kg/ha", "--bout-width", "8 m").output


def test_every_command_named_is_one():
    assert {"plan", "form", "record", "analyse", "compare", "tune", "rate", "product"} <= set(COMMANDS)
