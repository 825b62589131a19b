"""`spreadcheck widths` as a user meets it: tables, JSON, CSV, what is not priced, and messages for bad input."""

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
from spreadcheck.sheet.labels import METHODS

SAMPLES = Path(__file__).parents[2] / "sample_trays"
SHEETS = sorted(
    path for path in SAMPLES.glob("*.csv") if path.read_text(encoding="utf-8").startswith("spreadcheck tray sheet")
)
PRICES = SAMPLES / "example_prices.toml"
AT = "24 m, 28 m, 30 m"


def run(*arguments, **more):
    return CliRunner().invoke(main, ["widths", *(str(argument) for argument in arguments)], **more)


@pytest.fixture
def sheet(tmp_path):
    """A copy of a sample in an empty folder."""
    return Path(shutil.copy(SAMPLES / "even_trapezoid.csv", tmp_path / "test.csv"))


@pytest.mark.parametrize("path", SHEETS, ids=lambda p: p.stem)
@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("more", [[], ["--at", "6 m:36 m:3 m", "--prices", PRICES]], ids=["plain", "priced"])
def test_every_sample_in_80_columns(path, units, more):
    result = run(path, "--units", units, *more)
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.output.splitlines() if not line.startswith("  spreadcheck ")) <= 80
    assert "nan" not in result.output
    for method in METHODS:
        assert method in result.stdout


def test_the_agronomic_part_stands_alone(sheet):
    text = run(sheet, "--at", AT).stdout
    assert "Longest stripe under 90 % of the mean" in text
    assert "Cost" not in text
    assert "total" not in text.lower()
    assert "No prices were given, so nothing is priced: add --prices FILE" in text


def test_the_lowest_total_is_told_with_its_cv(sheet):
    text = run(sheet, "--at", AT, "--prices", PRICES).stdout
    assert "Lowest total: 24 m back-and-forth, 4.63 EUR/ha, CV 3.0 %" in text
    assert "Lowest round-and-round: 24 m round-and-round" in text
    assert "Yield response: quadratic-plateau, the user's own" in text


def test_a_cheap_width_over_the_limit_is_told(sheet):
    """With a crop that is worth nothing the widest is cheapest, whatever its stripes: that must not go unsaid."""
    text = run(sheet, "--at", AT, "--prices", PRICES, "--crop-price", "0 EUR/t").stdout
    assert "Lowest total: 30 m" in text
    assert "NOT within the CV limit of 15 %" in text


def test_what_is_missing_for_a_total_is_named(sheet):
    text = " ".join(run(sheet, "--at", AT, "--labour", "22 EUR/h").stdout.split())
    assert "No total, as these are not given: the price and use of fuel, the crop price, a yield response." in text
    assert "time 1.31 1.12 1.05" in text  # 22 EUR/h over 16.8, 19.6 and 21 ha/h: on paper


def test_what_was_assumed_is_told(sheet):
    text = " ".join(run(sheet, "--at", "24 m").stdout.split())
    assert "Travel speed 10.0 km/h is the tray test's; add --speed" in text
    assert "Field efficiency taken as 70 %, the usual figure" in text
    assert "the profile is scaled, which takes the pattern to keep its shape" in text
    told = " ".join(run(sheet, "--at", "24 m", "--speed", "12 km/h", "--efficiency", "65 %").stdout.split())
    assert "tray test's" not in told
    assert "taken as" not in told


def test_a_target_rate_that_the_sheet_does_not_state_is_told(sheet):
    """Both rates and the place of the one that is used; nothing where they agree."""
    assert "the sheet states another" not in run(sheet, "--prices", PRICES).stdout
    text = sheet.read_text(encoding="utf-8").replace("target rate,150,", "target rate,180,")
    sheet.write_text(text, encoding="utf-8")
    words = " ".join(run(sheet, "--prices", PRICES).stdout.split())
    assert "Target rate 150.0 kg/ha is used, from " in words
    assert 'table [field], key "target_rate"; the sheet states another' in words
    assert "the sheet states another, 180.0 kg/ha." in words
    words = " ".join(run(sheet, "--prices", PRICES, "--target", "160 kg/ha").stdout.split())
    assert "Target rate 160.0 kg/ha is used, from option --target; the sheet states another" in words


def test_no_target_no_scaling(sheet):
    text = sheet.read_text(encoding="utf-8").replace("target rate,150,kg/ha\n", "")
    shown = run("-", "--at", "24 m", input=text)
    assert shown.exit_code == 0
    assert "No target rate is known" in shown.stdout
    assert "Scaled" not in shown.stdout
    assert "Scaled to the target of 200 kg/ha" in run("-", "--at", "24 m", "--target", "200 kg/ha", input=text).stdout


def test_json_is_si_and_whole(sheet):
    metric, us = (
        json.loads(run(sheet, "--at", AT, "--prices", PRICES, "--json", "-", "--units", units).stdout)
        for units in ("metric", "us")
    )
    assert metric == us
    assert metric["schema"] == "spreadcheck/widths/1"
    assert metric["target_rate_kg_ha"] == 150
    assert metric["prices"]["currency"] == "EUR"
    assert metric["response"]["curve"] == "quadratic-plateau"
    assert metric["lowest_total"]["width_m"] == 24
    assert metric["lowest_total"]["within_limit"] is True
    study = spreadcheck.study_widths(
        spreadcheck.read_sheet(sheet), spreadcheck.basis_from(spreadcheck.read_price_file(PRICES)), width_m=[24, 28, 30]
    )
    for method in METHODS:
        for row, case in zip(metric["methods"][method], study.cases[method], strict=True):
            assert row["width_m"] == case.width_m
            assert row["total_per_ha"] == case.cost.total_per_ha
            assert row["stripe_m"] == case.stripe_m
            assert row["flow_kg_s"] == case.work.flow_kg_s


def test_csv_has_a_row_a_width_and_method(sheet):
    rows = {}
    for units in ("metric", "us"):
        text = run(sheet, "--at", AT, "--prices", PRICES, "--csv", "-", "--units", units).stdout
        rows[units] = list(csv.DictReader(io.StringIO(text)))
        assert len(rows[units]) == 6
    metric, us = rows["metric"][1], rows["us"][1]
    assert float(us["width_ft"]) == pytest.approx(float(metric["width_m"]) / 0.3048, rel=1e-8)
    assert float(us["total_per_ac"]) == pytest.approx(float(metric["total_per_ha"]) * 0.40468564224, rel=1e-8)
    assert float(us["flow_lb_min"]) == pytest.approx(float(metric["flow_kg_min"]) / 0.45359237, rel=1e-8)
    assert float(us["min_lb_ac"]) < float(us["at_target_min_lb_ac"])  # at 28 m the metering is turned up


def test_files_are_written_whole_and_kept(sheet, tmp_path):
    target = tmp_path / "widths.json"
    assert run(sheet, "--at", AT, "--json", target).exit_code == 0
    before = target.read_bytes()
    again = run(sheet, "--at", AT, "--json", target)
    assert again.exit_code == 2
    assert "exists already; add --overwrite to replace it" in again.stderr
    assert target.read_bytes() == before
    assert run(sheet, "--at", AT, "--json", target, "--overwrite").exit_code == 0


def test_many_widths_are_thinned_on_the_screen_only(sheet):
    """Hundreds of widths don't flood a terminal: first, last and cheapest are kept, and the CSV has them all."""
    many = ["--at", "10 m:36 m:0.1 m", "--prices", PRICES]
    text = run(sheet, *many).stdout
    assert "15 of 261 widths are shown; --csv FILE writes them all" in text
    heads = [line.split()[1::2] for line in text.splitlines() if line.startswith("  back-and-forth ")]
    shown = [float(width) for head in heads for width in head]
    best = float(re.search(r"Lowest total: ([\d.]+) m", text)[1])
    assert (shown[0], shown[-1]) == (10, 36)
    assert best in shown
    assert len(run(sheet, *many, "--csv", "-").stdout.splitlines()) == 1 + 2 * 261


def test_figures_in_proportion_say_so():
    text = (SAMPLES / "volumes.csv").read_text(encoding="utf-8")
    without = "\n".join(line for line in text.splitlines() if not line.startswith("bulk density"))
    assert run("-", "--at", "16 m", input=without).exit_code == 2
    shown = run("-", "--at", "16 m", "--relative", input=without).stdout
    assert "mean, % of peak" in shown
    assert "least, kg/ha" in shown  # at the target rate these are rates again
    data = json.loads(run("-", "--at", "16 m", "--relative", "--json", "-", input=without).stdout)
    assert "mean_pct_of_peak" in data["methods"]["back-and-forth"][0]


def test_what_a_person_typed_does_not_break_a_line(sheet):
    """A long or odd currency and product are shortened and shown as text."""
    text = sheet.read_text(encoding="utf-8").replace("Granular urea", "<script>" + "x" * 200)
    result = run("-", "--at", AT, "--labour", "1 QWERTYUIOPASDFGHJKL/h", input=text)
    assert result.exit_code == 0
    assert max(len(line) for line in result.output.splitlines() if not line.startswith("  spreadcheck ")) <= 80


BAD = {
    "no unit": (["--at", "24"], 'option --at: "24" has no unit; write it out, such as "24 m" or "24 ft"'),
    "nothing": (["--at", ""], "option --at: there is no bout width in it"),
    "zero": (["--at", "0 m"], "option --at: a bout width of 0 m can't be driven; give widths above 0"),
    "far too wide": (["--at", "24 m, 5000 m"], "option --at: a bout width of 5000 m can't be driven"),
    "hair": (["--at", "0.001 m"], "passes would overlap; check the number and its unit"),
    "negative price": (["--labour", "-22 EUR/h"], 'option --labour: the price "-22 EUR/h" is negative; give 0 or more'),
    "bare price": (["--crop-price", "190"], 'option --crop-price: "190" is not a price; write an amount and what it'),
    "wrong unit": (["--fuel", "1 EUR/kg", "--fuel-use", "9 L/h"], 'option --fuel: "kg" in "1 EUR/kg" is not what this'),
    "fuel alone": (["--fuel", "1.15 EUR/L"], "option --fuel: fuel is given without fuel_use; add fuel_use"),
    "two currencies": (
        ["--labour", "9 EUR/h", "--crop-price", "9 USD/t"],
        'prices are in "EUR" and in "USD"; give all',
    ),
    "bushels": (["--crop-price", "5 USD/bu"], "is for a bushel, whose mass is not known"),
    "speed": (["--speed", "0 km/h"], "travel speed: 0 m/s can't be right; give one above 0"),
    "efficiency": (
        ["--efficiency", "170 %"],
        "field efficiency: 170 % can't be right; give one above 0 and up to 100 %",
    ),
    "field": (["--field-width", "-3 m"], "field width: -3 m can't be right"),
    "target": (["--target", "-5 kg/ha"], "target rate: -5 kg/ha can't be spread; give a rate above 0"),
    "limit": (["--limit", "0"], "CV limit: 0 % can't be met or missed"),
    "price file": (["--prices", "none.toml"], "none.toml: the file does not exist; check its name and folder"),
    "sheet as prices": (["--prices", "test.csv"], "test.csv: is not a TOML file"),
    "no ending": (["--json", "x", "--csv", "x.csv"], 'x: this result can\'t be written as ""; end the name in .json'),
}


@pytest.mark.parametrize(("arguments", "message"), BAD.values(), ids=BAD)
def test_bad_values(sheet, arguments, message, monkeypatch):
    monkeypatch.chdir(sheet.parent)
    result = run(sheet, *arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert "Traceback" not in result.output
    assert result.stdout == ""
    assert [path.name for path in sheet.parent.iterdir()] == ["test.csv"]


def test_every_fault_of_a_price_file_is_one_line(sheet, tmp_path):
    prices = tmp_path / "mine.toml"
    prices.write_text('[costs]\nlabour = "-1/h"\nfuel = "1/L"\n[response]\ncurve = "cubic"\n', encoding="utf-8")
    result = run(sheet, "--prices", prices)
    assert result.exit_code == 2
    lines = result.stderr.splitlines()
    assert len(lines) == 4
    assert all(line.startswith(f"spreadcheck: {prices}: table [") for line in lines)


def test_a_cheapest_width_that_is_close_is_told_as_close():
    """Round-and-round at 16 m the CV of 14.3 % keeps the limit and CV by trays of 14.5 % does not: close, not over."""
    text = run(SAMPLES / "lopsided.csv", "--at", "16 m", "--prices", PRICES, "--limit", "14.4").stdout
    assert re.search(r"That is close to the CV limit of 14.4 %: CV by trays is \d+\.\d %", text)
    assert "NOT within" not in text


def test_a_lowest_total_that_rests_on_the_tails_is_not_named(tmp_path):
    """At 18 m alone it is told without saying that it keeps the limit; against 21 m the tails decide which is lower."""
    lines = (SAMPLES / "lopsided.csv").read_text(encoding="utf-8").splitlines()
    start = next(at for at, line in enumerate(lines) if line.startswith("tray,offset")) + 2
    kept = [line for line in lines[start:] if abs(float(line.split(",")[1])) <= 11]
    (tmp_path / "short.csv").write_text("\n".join([*lines[:start], *kept, ""]))

    def told(*at):
        return " ".join(run(tmp_path / "short.csv", "--at", ", ".join(at), "--prices", PRICES).stdout.split())

    assert "Whether that keeps the CV limit of 15 % rests on what fell beyond the end trays." in told("18 m")
    assert re.search(
        r"Lowest total: 18 m round-and-round, [\d.]+ to [\d.]+ EUR/ha, CV [\d.]+ to [\d.]+ %", told("18 m")
    )
    both = told("18 m", "21 m")
    assert "Lowest total: none is named, as which it is rests on what fell beyond the end trays." in both


def test_the_next_command_names_the_limit_only_where_it_was_asked_for():
    priced = [SAMPLES / "lopsided.csv", "--at", AT, "--prices", PRICES]
    assert "--limit" not in run(*priced).output
    assert "--limit 12" in run(*priced, "--limit", "12").output
