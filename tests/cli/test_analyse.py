"""`spreadcheck analyse` as a user meets it: outputs, exit codes, and messages for bad input."""

import json
import math
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

import spreadcheck
from spreadcheck.cli import COMMANDS, main
from spreadcheck.sheet.labels import LABELS, METHODS
from spreadcheck.show.analyse import SCREEN, summary_text

SAMPLES = Path(__file__).parents[2] / "sample_trays"
SHEETS = sorted(
    path for path in SAMPLES.glob("*.csv") if path.read_text(encoding="utf-8").startswith("spreadcheck tray sheet")
)


def run(*arguments, **more):
    return CliRunner().invoke(main, [str(argument) for argument in arguments], **more)


@pytest.fixture
def sheet(tmp_path):
    """A copy of a sample in an empty folder."""
    return Path(shutil.copy(SAMPLES / "even_trapezoid.csv", tmp_path / "test.csv"))


@pytest.mark.parametrize("path", SHEETS, ids=lambda p: p.stem)
@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_sample_in_80_columns(path, units):
    result = run("analyse", path, "--units", units, "--every-width")
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.output.splitlines() if not line.startswith("  spreadcheck ")) <= 80
    assert "effective width" in result.stdout
    assert "advised width" in result.stdout
    assert "nan" not in result.output.lower().replace("finance", "")


BLOCKED = {  # catches of 17 trays, and the bout width
    "tails missed": ([16 + (8 - abs(at)) / 4 for at in range(-8, 9)], "8 m"),
    "a container of 1.6 g weighed along": ([1.6 + (8 - abs(at)) / 40 for at in range(-8, 9)], "40 m"),
    "another weight in grams": ([0, 0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.6, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1, 0, 0], "8 m"),
}


@pytest.mark.parametrize("driving", [None, "back-and-forth"])
@pytest.mark.parametrize("name", BLOCKED)
def test_what_blocks_is_told_whole_on_the_screen(name, driving):
    """Every blocking doubt to its last word, and still one screen."""
    catch, bout = BLOCKED[name]
    form = {"bout width": bout, "target rate": "150 kg/ha", "product": "Urea"}
    form |= {"driving": driving} if driving else {}
    passes = [[c * (1 + 0.01 * ((at * 7 + n * 3) % 5 - 2)) for n in range(3)] for at, c in enumerate(catch)]
    test = spreadcheck.tray_test(range(-8, 9), passes, tray_width="0.5 m", tray_length="0.5 m", form=form)
    result = spreadcheck.assess(test)
    lines = summary_text(result).splitlines()
    assert len(lines) <= SCREEN
    assert max(map(len, lines)) <= 80
    told = " ".join(" ".join(lines).split())
    blocking = [doubt for doubt in result.doubts if doubt.blocking]
    assert blocking
    for doubt in blocking:
        assert f"BLOCKS {doubt.code}: {doubt.seen()}" in told
    assert f"put right: {blocking[0].first_step()}" in told


def test_a_doubt_that_is_cut_is_cut_between_words():
    """A figure that lost its end would be another figure."""
    for path in SHEETS:
        result = spreadcheck.assess(spreadcheck.read_sheet(path))
        whole = {doubt.code: f"{doubt.seen()} " for doubt in result.doubts}
        for line in summary_text(result).splitlines():
            if line.startswith("Doubt ") and line.endswith("..."):
                code, _, seen = line.removeprefix("Doubt ").removesuffix("...").partition(": ")
                assert whole[code].startswith(f"{seen} ")


def test_more_names_what_is_not_shown_yet(sheet):
    shown = run("analyse", sheet, "--table", "--doubts").stdout
    assert "More: --advice, --confidence, or --all\n" in shown
    assert "More: " not in run("analyse", sheet, "--all").stdout


def test_samples_cover_the_scenarios():
    """At least six samples, each with a line on what it shows, in the sheet and in the folder's README."""
    assert len(SHEETS) >= 6
    listed = (SAMPLES / "README.md").read_text(encoding="utf-8")
    for path in SHEETS:
        assert path.name in listed
        assert spreadcheck.read_sheet(path).text("notes")


def test_json_keeps_the_contract(sheet):
    result = run("analyse", sheet, "--json", "-")
    data = json.loads(result.stdout)
    assert data["schema"] == "spreadcheck/analysis/1"
    assert data["test"]["tray_width_m"] == 0.5
    assert data["test"]["bout_width_m"] == 24
    assert data["test"]["travel_speed_m_s"] == pytest.approx(10 / 3.6)
    assert set(data["profile"]) >= {"offset_m", "rate_kg_ha", "passes_used", "filled_offset_m"}
    assert data["cv_limit_pct"] == 15
    assert data["pattern"]["advice"] == data["advice"]["causes"]
    for method in METHODS:
        found = data["methods"][method]
        assert found["bands_m"][-1][1] == found["effective_width_m"]
        assert list(found["scan"][0]) == [
            "width_m",
            "cv_trays_pct",
            "cv_line_pct",
            "mean_kg_ha",
            "min_kg_ha",
            "max_kg_ha",
        ]
        bout = data["bout"][method]
        at_24 = next(row for row in found["scan"] if row["width_m"] == 24)
        assert bout["cv_trays_pct"] == at_24["cv_trays_pct"]
        assert len(bout["offset_m"]) == len(bout["rate_kg_ha"]) == 25
    assert isinstance(data["warnings"], list)


def test_python_gives_the_same_as_the_command(sheet):
    data = json.loads(run("analyse", sheet, "--json", "-", "--limit", "20").stdout)
    result = spreadcheck.assess(spreadcheck.read_sheet(sheet), limit_pct=20)
    for method in METHODS:
        assert data["methods"][method]["effective_width_m"] == result.effective_width_m(method)
    frame = spreadcheck.widths_frame(result)
    widest = frame.query("method == 'back-and-forth' and against_limit == 'within'").width_m.max()
    assert widest == np.floor(result.effective_width_m(METHODS[0]))  # the table stands at whole metres
    assert len(spreadcheck.profile_frame(result)) == 37


def test_units_change_what_is_shown_only(sheet):
    metric, us = (
        json.loads(run("analyse", sheet, "--json", "-", "--units", units).stdout) for units in ("metric", "us")
    )
    assert metric == us
    assert "lb/ac" in run("analyse", sheet, "--units", "us").stdout


def test_csv_and_plots(sheet, tmp_path):
    result = run("analyse", sheet, "--csv", tmp_path / "w.csv", "--units", "us")
    assert result.exit_code == 0
    header = (tmp_path / "w.csv").read_text(encoding="utf-8").splitlines()[0]
    assert header == "method,width_ft,cv_trays_pct,cv_line_pct,mean_lb_ac,min_lb_ac,max_lb_ac,against_limit"
    starts = {"svg": b"<?xml", "pdf": b"%PDF"}
    for ending, start in starts.items():
        target = tmp_path / f"plot.{ending}"
        assert run("analyse", sheet, "--plot", target).exit_code == 0
        assert target.read_bytes().startswith(start)
    text = (tmp_path / "plot.svg").read_text(encoding="utf-8")
    for words in ("Catches and single-pass profile", "Overlapped deposit", "CV against bout width", "limit 15 %"):
        assert words in text


def test_existing_files_are_kept(sheet, tmp_path):
    (tmp_path / "w.csv").write_text("precious", encoding="utf-8")
    result = run("analyse", sheet, "--csv", tmp_path / "w.csv", "--json", tmp_path / "new.json")
    assert result.exit_code == 2
    assert f"{tmp_path / 'w.csv'}: exists already; add --overwrite to replace it" in result.stderr
    assert (tmp_path / "w.csv").read_text(encoding="utf-8") == "precious"
    assert not (tmp_path / "new.json").exists()
    assert run("analyse", sheet, "--csv", tmp_path / "w.csv", "--overwrite").exit_code == 0
    assert (tmp_path / "w.csv").read_text(encoding="utf-8").startswith("method")


def test_within_limit_for_scripts(sheet):
    assert run("analyse", sheet, "--within-limit").exit_code == 0
    assert run("analyse", sheet, "--within-limit", "--bout-width", "30 m").exit_code == 1
    assert run("analyse", sheet, "--within-limit", "--bout-width", "30 m", "--limit", "30").exit_code == 0
    text = sheet.read_text(encoding="utf-8").replace("bout width,24,m\n", "")
    result = run("analyse", "-", "--within-limit", input=text)
    assert result.exit_code == 2
    assert 'option --within-limit: no bout width is known; add --bout-width, such as "24 m"' in result.stderr


def test_json_says_nothing_of_the_limit_where_a_test_cant_be_judged(tmp_path):
    """Neither kept nor missed: null, as batch leaves it blank; an exit code has to say no."""
    catch = [(8 - abs(at)) / 40 for at in range(-8, 9)]
    form = {"bout width": "4 m", "target rate": "2000 kg/ha"}
    test = spreadcheck.tray_test(range(-8, 9), catch, tray_width="0.5 m", tray_length="0.5 m", form=form)
    path = tmp_path / "too_heavy.csv"
    path.write_text(spreadcheck.sheet_text(test), encoding="utf-8")
    result = run("analyse", path, "--json", "-", "--within-limit")
    data = json.loads(result.stdout)
    assert data["verdict"]["state"] == "can't be judged"
    assert data["bout"]["within_limit"] is None
    assert result.exit_code == 1


def test_the_driving_method_named_is_the_one_judged():
    """Lopsided at 21 m: stripes back-and-forth, even round-and-round."""
    lopsided = SAMPLES / "lopsided.csv"
    assert run("analyse", lopsided, "--within-limit").exit_code == 1
    around = lopsided.read_text(encoding="utf-8").replace("driving,back-and-forth", "driving,round-and-round")
    assert run("analyse", "-", "--within-limit", input=around).exit_code == 0


def test_standard_input_and_output(sheet):
    piped = run("analyse", "-", "--csv", "-", input=sheet.read_bytes())
    assert piped.exit_code == 0
    assert piped.stdout == spreadcheck.widths_csv(spreadcheck.assess(spreadcheck.read_sheet(sheet)))


BAD = {
    "bout width of 0": (["--bout-width", "0 m"], "a bout width of 0 m can't be driven; give widths above 0"),
    "bout width without unit": (["--bout-width", "24"], 'option --bout-width: "24" has no unit; write it out'),
    "no number": (["--bout-width", "wide"], 'option --bout-width: "wide" is not a length; write a number and its unit'),
    "billion steps": (["--widths", "1 m:1000 m:0.000001 m"], "holds 999,000,001 bout widths; use a larger step"),
    "tiny width": (["--bout-width", "0.001 m"], "passes would overlap; check the number and its unit"),
    "limit of 0": (["--limit", "0"], "CV limit: 0 % can't be met or missed; give a limit above 0"),
    "limit nan": (["--limit", "nan"], "can't be met or missed"),
    "odd plot ending": (
        ["--plot", "x.bmp"],
        'x.bmp: a plot can\'t be written as ".bmp"; end the name in .png, .svg or .pdf',
    ),
    "no folder": (["--json", "nowhere/x.json"], "nowhere/x.json: the folder does not exist; make it first"),
    "no ending": (["--json", "x", "--csv", "x.csv"], 'x: this result can\'t be written as ""; end the name in .json'),
    "unknown option": (["--swath", "24 m"], "No such option"),
}


@pytest.mark.parametrize(("arguments", "message"), BAD.values(), ids=BAD)
def test_bad_values(sheet, arguments, message, monkeypatch):
    monkeypatch.chdir(sheet.parent)
    result = run("analyse", sheet, *arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert "Traceback" not in result.output
    assert result.stdout == ""
    assert [path.name for path in sheet.parent.iterdir()] == ["test.csv"]


@pytest.mark.parametrize("content", [b"", b"\x89PNG\r\n\x1a\n\x00\x00", b"a,b\n1,2\n", b"spreadcheck tray sheet,1\n"])
def test_files_that_are_no_sheet(tmp_path, content):
    path = tmp_path / "odd.csv"
    path.write_bytes(content)
    result = run("analyse", path)
    assert result.exit_code == 2
    assert result.stderr.startswith(f"spreadcheck: {path}")
    assert result.stdout == ""


def test_folder_missing_file_and_all_zero(tmp_path, sheet):
    assert f"{tmp_path}: " in run("analyse", tmp_path).stderr
    assert run("analyse", tmp_path / "none.csv").exit_code == 2
    head, table = sheet.read_text(encoding="utf-8").split("\n\n")
    rows = table.splitlines()
    zeros = rows[:2] + [",".join([*row.split(",")[:2], "0", "0", "0"]) for row in rows[2:]]
    result = run("analyse", "-", input=head + "\n\n" + "\n".join(zeros))
    assert result.exit_code == 2
    assert "all catches are 0, so there is no pattern; check that the spreader was running" in result.stderr


def test_relative_figures_from_volumes():
    text = (SAMPLES / "volumes.csv").read_text(encoding="utf-8")
    without = "\n".join(line for line in text.splitlines() if not line.startswith("bulk density"))
    refused = run("analyse", "-", input=without)
    assert refused.exit_code == 2
    assert 'catches are in ml and the form has no "bulk density"' in refused.stderr
    shown = run("analyse", "-", "--relative", input=without)
    assert "% of peak" in shown.stdout
    assert "kg/ha" not in shown.stdout
    relative = json.loads(run("analyse", "-", "--relative", "--json", "-", input=without).stdout)
    known = json.loads(run("analyse", SAMPLES / "volumes.csv", "--json", "-").stdout)
    assert max(relative["profile"]["rate_pct_of_peak"]) == pytest.approx(100)
    for method in METHODS:
        one, other = relative["methods"][method], known["methods"][method]
        assert one["effective_width_m"] == pytest.approx(other["effective_width_m"], rel=1e-9)
        assert math.isclose(one["scan"][5]["cv_line_pct"], other["scan"][5]["cv_line_pct"], rel_tol=1e-9)


def test_unknown_command_names_the_nearest():
    result = run("analyze", "x.csv")
    assert result.exit_code == 2
    assert 'there is no command "analyze"; did you mean "analyse"?' in result.stderr


def test_help_lists_every_command_by_its_step():
    text = run("--help").stdout
    for name, (step, line) in COMMANDS.items():
        assert name in text
        assert step in text
        assert line[:30] in text
    assert max(len(line) for line in text.splitlines() if not line.startswith("  spreadcheck ")) <= 80


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(name):
    result = run(name, "--help")
    assert result.exit_code == 0
    assert f"spreadcheck {name}" in result.stdout
    assert max(len(line) for line in result.stdout.splitlines() if not line.startswith("  spreadcheck ")) <= 80


def test_plain_signs_where_the_terminal_has_no_blocks(sheet):
    done = subprocess.run(
        [sys.executable, "-m", "spreadcheck", "analyse", str(sheet)],
        capture_output=True,
        check=True,
        env={"PYTHONIOENCODING": "ascii", "PATH": "", "PYTHONPATH": str(Path(spreadcheck.__file__).parent.parent)},
    )
    assert "#" in done.stdout.decode("ascii")


def test_heavy_libraries_stay_out_of_an_analysis(sheet):
    """Neither scipy, pandas nor matplotlib is imported for a summary and a table."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "spreadcheck", "analyse", str(sheet)],
        capture_output=True,
        text=True,
        check=True,
    )
    loaded = {line.split("|")[-1].strip().split(".")[0] for line in done.stderr.splitlines() if "|" in line}
    assert "numpy" in loaded
    assert not loaded & {"scipy", "pandas", "matplotlib"}


CELLS = st.sampled_from(["", "x", "0", "1", "12.5", "7,5", "-3", "1e9", "1e-9", "abc", '"', "nan", "0.0001", "  4 "])
NUMBERS = st.sampled_from(["0.5", "1", "-2", "0", "12", "1000", "1e300", "", "ft", "2,5"])


@st.composite
def odd_sheets(draw):
    """Sheets of the right outline with anything in their cells."""
    delimiter = draw(st.sampled_from([",", ";", "\t"]))
    rows = [["spreadcheck tray sheet", "1"], ["tray width", draw(NUMBERS), "m"], ["tray length", draw(NUMBERS), "m"]]
    rows += [[draw(st.sampled_from([*LABELS, "colour"])), draw(NUMBERS), draw(st.sampled_from(["m", "km/h", ""]))]]
    passes, trays = draw(st.integers(1, 4)), draw(st.integers(0, 9))
    rows += [[], ["tray", "offset", *(f"pass {n + 1}" for n in range(passes))], ["", "m", *["g"] * passes]]
    step = draw(st.sampled_from([0.5, 1, 0.3333, 400, 0.0005]))
    for at in range(trays):
        offset = f"{(at - trays // 2) * step:g}" if draw(st.integers(0, 20)) else draw(NUMBERS)
        rows.append(
            [f"T{at}", offset, *(draw(CELLS if draw(st.integers(0, 5)) == 0 else st.just("3")) for _ in range(passes))]
        )
    return "\n".join(delimiter.join(row) for row in rows) + "\n"


@given(odd_sheets(), st.sampled_from(["taper", "cut"]))
def test_a_random_sheet_never_gives_a_traceback_or_a_nan(text, tails):
    """Either a full answer with finite figures, or messages that name the place; nothing between."""
    result = run("analyse", "-", "--json", "-", "--tails", tails, "--bout-width", "2 m", input=text)
    if result.exit_code == 0:
        json.loads(result.stdout, parse_constant=lambda name: pytest.fail(f"{name} in the JSON"))
    else:
        assert result.exit_code == 2, result.exception
        assert result.stdout == ""
        assert all(line.startswith("spreadcheck: ") for line in result.stderr.splitlines())
