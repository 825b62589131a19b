"""`spreadcheck edge` as a user meets it: tables, JSON, CSV, cautions, and messages for bad input."""

import csv
import io
import json
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

import spreadcheck
from spreadcheck.cli import main

SAMPLES = Path(__file__).parents[2] / "sample_trays"
SHEETS = sorted(
    path for path in SAMPLES.glob("*.csv") if path.read_text(encoding="utf-8").startswith("spreadcheck tray sheet")
)


def run(*arguments, **more):
    return CliRunner().invoke(main, ["edge", *(str(argument) for argument in arguments)], **more)


@pytest.fixture
def sheet(tmp_path):
    """A copy of a sample in an empty folder."""
    return Path(shutil.copy(SAMPLES / "lopsided.csv", tmp_path / "test.csv"))


@pytest.mark.parametrize("path", SHEETS, ids=lambda p: p.stem)
@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("side", ["left", "both"])
def test_every_sample_in_80_columns(path, units, side):
    more = ["--units", units, "--side", side, "--first-pass", "half bout, 5 m", "--bout-width", "20 m"]
    result = run(path, *more, "--keep-inside", "90 %, 99.75 %")
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.output.splitlines() if not line.startswith("  spreadcheck ")) <= 80
    assert "nan" not in result.output


def test_the_cautions_are_there_and_no_legal_distance(sheet):
    text = " ".join(run(sheet).stdout.split())
    assert "Check local rules: beside water courses" in text
    assert "product label decide" in text
    assert "machine maker's manual" in text
    assert "No distance here is a legal one" in text


def test_table_and_json_agree(sheet):
    """At 10.5 m the left side throws 12.2 % of a pass beyond: of the 31.5 kg that 150 kg/ha x 21 m x 100 m are."""
    data = json.loads(run(sheet, "--json", "-", "--side", "left", "--units", "us").stdout)
    assert data["schema"] == "spreadcheck/edge/1"
    case = data["edge"][0]
    assert case["beyond_kg_per_100_m"] == pytest.approx(case["beyond_pct"] / 100 * 150 * 21 * 100 / 1e4)
    line = next(line for line in run(sheet, "--side", "left").stdout.splitlines() if "beyond the edge, kg" in line)
    assert line.split()[-2] == f"{case['beyond_kg_per_100_m']:.2f}"
    assert data["whole_field"][0]["passes"] == 10
    assert {kept["share_pct"] for kept in data["kept_inside"]} == {95, 98, 99.5}


def test_python_gives_the_same_as_the_command(sheet):
    data = json.loads(run(sheet, "--json", "-", "--first-pass", "9 m", "--passes", "7").stdout)
    study = spreadcheck.study_edge(spreadcheck.read_sheet(sheet), first_pass_m=[9], passes=7)
    for row, case in zip(data["edge"], study.cases, strict=True):
        assert (row["method"], row["side"], row["strip_m"]) == (case.method, case.side, case.strip_m)
    assert [row["cv_line_pct"] for row in data["whole_field"]] == [field.cv_line_pct for field in study.fields]


def test_csv_in_both_unit_systems(sheet):
    metric, us = (
        list(csv.DictReader(io.StringIO(run(sheet, "--csv", "-", "--units", units).stdout)))
        for units in ("metric", "us")
    )
    assert len(metric) == len(us) == 4 + 3 * 4  # half a bout and three shares, two methods, two sides
    # 1 kg on 100 m is 0.3048 kg on 100 ft, over 0.45359237 kg in a pound
    assert float(us[0]["beyond_lb_per_100_ft"]) == pytest.approx(
        float(metric[0]["beyond_kg_per_100_m"]) * 0.3048 / 0.45359237, rel=1e-8
    )
    assert float(us[0]["zone_ft"]) == pytest.approx(float(metric[0]["zone_m"]) / 0.3048, rel=1e-8)


def test_figures_in_proportion_have_no_masses():
    text = (SAMPLES / "volumes.csv").read_text(encoding="utf-8")
    dropped = ("bulk density", "target rate")
    without = "\n".join(line for line in text.splitlines() if not line.startswith(dropped))
    shown = run("-", "--relative", input=without)
    assert shown.exit_code == 0
    assert "rates in proportion only: no masses" in shown.stdout
    assert not re.search(r"\bkg\b", shown.stdout)
    assert "beyond, % of a pass" in shown.stdout


def test_existing_files_are_kept(sheet, tmp_path):
    (tmp_path / "edge.csv").write_text("precious", encoding="utf-8")
    result = run(sheet, "--csv", tmp_path / "edge.csv")
    assert result.exit_code == 2
    assert (tmp_path / "edge.csv").read_text(encoding="utf-8") == "precious"
    assert run(sheet, "--csv", tmp_path / "edge.csv", "--overwrite").exit_code == 0


BAD = {
    "no unit": (
        ["--first-pass", "12"],
        'option --first-pass: "12" has no unit; write it out, such as "12 m" or "12 ft"',
    ),
    "words": (["--first-pass", "whole bout"], 'option --first-pass: "whole bout" is not a length'),
    "beyond": (["--first-pass", "-2 m"], "option --first-pass: -2 m from the edge can't be driven; give 0 m to 1000 m"),
    "nothing": (
        ["--first-pass", ","],
        "option --first-pass: there is nothing in it; give one or more, parted by commas",
    ),
    "share": (["--keep-inside", "101 %"], "option --keep-inside: 101 % is not a share of a pass; give one above 0"),
    "bare share": (["--keep-inside", "95"], 'option --keep-inside: "95" has no unit; write it out, such as "95 %"'),
    "passes": (["--passes", "0"], "passes: 0 passes, the first 10.5 m from the edge, make no field; give 1 to 1,000"),
    "bout": (["--bout-width", "0 m"], "a bout width of 0 m can't be driven"),
    "target": (["--target", "0 kg/ha"], "target rate: 0 kg/ha can't be spread"),
    "side": (["--side", "front"], "'front' is not one of 'left', 'right', 'both'"),
}


@pytest.mark.parametrize(("arguments", "message"), BAD.values(), ids=BAD)
def test_bad_values(sheet, arguments, message, monkeypatch):
    monkeypatch.chdir(sheet.parent)
    result = run(sheet, *arguments)
    assert result.exit_code == 2
    assert message in " ".join(result.stderr.split())
    assert "Traceback" not in result.output
    assert result.stdout == ""
    assert [path.name for path in sheet.parent.iterdir()] == ["test.csv"]


def test_a_bout_width_must_be_known(sheet):
    text = sheet.read_text(encoding="utf-8").replace("bout width,21,m\n", "")
    result = run("-", input=text)
    assert result.exit_code == 2
    assert 'bout width: is not known; write it on the sheet, or add --bout-width "24 m"' in result.stderr


def test_masses_are_ranges_where_the_passes_differ_in_level(tmp_path):
    """One pass caught 0.7 times what the others did: which is right no tray can tell, but to a target it is scaled."""
    trays = [(offset, 5.0 * max(9 - abs(offset), 0)) for offset in range(-9, 10)]
    rows = [f"{at},{at},{catch},{0.7 * catch:g},{catch}" for at, catch in trays]
    form = ["spreadcheck tray sheet,1", "tray width,0.5,m", "tray length,0.5,m", "bout width,8,m"]
    table = ["", "tray,offset,pass 1,pass 2,pass 3", ",m,g,g,g"]
    path, aimed = tmp_path / "level.csv", tmp_path / "target.csv"
    path.write_text("\n".join([*form, *table, *rows]) + "\n")
    aimed.write_text("\n".join([*form, "target rate,150,kg/ha", *table, *rows]) + "\n")
    result = run(path)
    assert "pass-level" in result.output
    data = json.loads(run(path, "--json", "-").stdout)
    least, most = data["mass_of_passes"]
    assert [least, most] == pytest.approx([0.7 / 0.9, 1 / 0.9])  # masses 1, 0.7 and 1 over their mean of 0.9
    kilos = data["edge"][0]["beyond_kg_per_100_m"]
    assert f"{kilos * least:.2f}-{kilos * most:.2f}" in result.output
    row = next(csv.DictReader(io.StringIO(run(path, "--csv", "-").stdout)))
    assert row["beyond_kg_per_100_m"] == ""
    ends = [float(row[f"{end}_beyond_kg_per_100_m"]) for end in ("least", "most")]
    assert ends == pytest.approx([kilos * least, kilos * most])
    mean = data["whole_field"][0]["endless_mean_kg_ha"]
    assert f"{mean * least:.1f} kg/ha to {mean * most:.1f} kg/ha" in " ".join(result.output.split())
    assert json.loads(run(aimed, "--json", "-").stdout)["mass_of_passes"] is None
    assert "differ in level, and" not in run(aimed).output
    compared = CliRunner().invoke(main, ["widths", str(aimed), "--at", "8 m, 9 m"]).output
    assert "mean, kg/ha (-22 to +11 %)" in compared
    assert "metering, against the test's (-10 to +29 %)" in compared
    table = CliRunner().invoke(main, ["widths", str(aimed), "--at", "8 m, 9 m", "--csv", "-"]).stdout
    row = next(csv.DictReader(io.StringIO(table)))
    assert row["mean_kg_ha"] == row["metering_factor"] == ""
    rates = [float(row[f"{end}_mean_kg_ha"]) for end in ("least", "most")]
    factors = [float(row[f"{end}_metering_factor"]) for end in ("least", "most")]
    assert rates[1] / rates[0] == pytest.approx(1 / 0.7)
    assert factors[0] * rates[1] == pytest.approx(factors[1] * rates[0])  # both make the target
