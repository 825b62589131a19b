"""`spreadcheck field` as a user meets it: text, JSON, files, page, and messages for bad input."""

import json
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from spreadcheck.cli import main

SAMPLES = Path(__file__).parents[2] / "sample_trays"
SHEET, BOUNDARY, TRACK = (
    SAMPLES / name for name in ("even_trapezoid.csv", "field_boundary.geojson", "field_track.csv")
)
PLAN = ("--boundary", BOUNDARY, "--heading", "94", "--cell", "6 m")
DRIVEN = ("--boundary", BOUNDARY, "--track", TRACK, "--cell", "6 m")


def run(*arguments):
    return CliRunner().invoke(main, ["field", *(str(argument) for argument in arguments)])


@pytest.mark.parametrize("way", [PLAN, DRIVEN, DRIVEN[2:]])
@pytest.mark.parametrize("units", ["metric", "us"])
def test_text_in_80_columns(way, units):
    result = run(SHEET, *way, "--units", units)
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.output.splitlines()) <= 80
    assert "nan" not in result.output
    assert "Field CV" in result.stdout
    assert "never a permit" in result.stdout
    assert "by local rules" in result.stdout or "local rules and the product label" in " ".join(result.stdout.split())
    assert "Cells of" in result.stdout
    assert "granules land on an arc" in result.stdout
    assert "landing-distance-assumed" in result.stderr


def test_json_keeps_the_contract():
    result = run(SHEET, *PLAN, "--json", "-", "--landing-distance", "22 m")
    data = json.loads(result.stdout)
    assert data["schema"] == "spreadcheck/field/1"
    wanted = {
        "test", "cell_m", "landing", "area_ha", "field_cv_pct", "interior_cv_pct", "share_pct", "metered_kg",
        "outside_kg", "verdict", "warnings",
    }  # fmt: skip
    assert wanted <= set(data)
    assert data["test"]["name"]
    assert data["test"]["source"] == str(SHEET)
    assert data["test"]["tray_width_m"] == 0.5
    assert set(data["share_pct"]) == {"nil", "under", "near", "over"}
    assert (data["cell_m"], data["landing"], data["landing_distance_m"]) == (6.0, "arc", 22.0)
    assert data["verdict"]["state"] == "fits"
    assert data["field_cv_low_pct"] <= data["field_cv_pct"] + 0.5
    assert "landing-distance-assumed" not in {warning["code"] for warning in data["warnings"]}
    assert data["ways"][0]["bouts"] == 12


def test_files_are_written_whole_and_not_twice(tmp_path):
    names = {"plot": "m.png", "page": "m.html", "report": "m.pdf", "grid": "m.csv", "geotiff": "m.tif",
             "bands": "m.geojson", "json": "m.json"}  # fmt: skip
    options = [part for option, name in names.items() for part in (f"--{option}", tmp_path / name)]
    result = run(SHEET, *PLAN, *options)
    assert result.exit_code == 0, result.output
    starts = {"m.png": b"\x89PNG", "m.pdf": b"%PDF", "m.tif": b"II", "m.html": b"<!doctype", "m.csv": b"x_m,y_m"}
    for name, start in starts.items():
        assert (tmp_path / name).read_bytes().startswith(start)
    again = run(SHEET, *PLAN, *options)
    assert again.exit_code == 2
    assert "exists already; add --overwrite" in again.stderr


def test_page_is_complete_in_itself(tmp_path, browser):
    """The slider changes map and words; nothing is fetched and no word of a file is markup."""
    boundary = json.loads(BOUNDARY.read_text(encoding="utf-8"))
    boundary["properties"]["name"] = "<img src=x onerror=alert(1)>"
    (tmp_path / "field.geojson").write_text(json.dumps(boundary), encoding="utf-8")
    page = tmp_path / "field.html"
    result = run(SHEET, "--boundary", tmp_path / "field.geojson", "--heading", "94", "--cell", "4 m", "--page", page)
    assert result.exit_code == 0, result.output
    text = page.read_text(encoding="utf-8")
    assert "<img src=x" not in text
    assert "http://" not in text.replace("http://www.w3.org", "")
    address = browser.open(text, "field.html")
    assert {asked for asked in browser.requests() if not asked.startswith("data:")} == {address}
    window = browser.driver
    first = window.find_element("id", "field-words").text
    image = window.find_element("id", "field-map").get_attribute("href")
    window.execute_script(
        "const s = document.getElementById('field-switch'); s.value = 8; s.dispatchEvent(new Event('input'))"
    )
    assert first.startswith("Slide switched as in the figures above: field CV")
    assert window.find_element("id", "field-words").text.startswith("Slide switched 20 m later: field CV")
    assert window.find_element("id", "field-map").get_attribute("href") != image


def test_report_names_the_doubts(tmp_path):
    result = run(SHEET, *PLAN, "--report", tmp_path / "r.md")
    assert result.exit_code == 0, result.output
    text = (tmp_path / "r.md").read_text(encoding="utf-8")
    assert "No landing distance is given" in text
    assert "never a permit" in text


def test_ways_side_by_side_and_worth():
    result = run(
        SHEET, *PLAN, "--on-distance", "0 m", "--off-distance", "0 m, best", "--worth", "--prices",
        SAMPLES / "example_prices.toml", "--product-price", "420 EUR/t", "--per-year", "300 ha",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "Ways compared" in result.stdout
    assert "best switching" in result.stdout
    assert "EUR" in result.stdout


def test_blend_has_a_map_for_each_nutrient():
    result = run(
        SAMPLES / "blend.csv", *PLAN, "--bout-width", "18 m", "--target", "200 kg/ha", "--analysis",
        SAMPLES / "example_blend_analysis.toml", "--json", "-",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    nutrients = json.loads(result.stdout)["nutrients"]
    assert {each["name"] for each in nutrients} >= {"urea", "N"}
    assert all(each["field_cv_pct"] > 0 for each in nutrients)


def test_a_part_of_a_blend_on_its_own_map(tmp_path):
    """Its figures are those in the table of parts, its files hold its own rates."""
    given = (
        SAMPLES / "blend.csv",
        *PLAN,
        "--bout-width",
        "18 m",
        "--analysis",
        SAMPLES / "example_blend_analysis.toml",
    )
    whole = json.loads(run(*given, "--json", "-").stdout)
    part = json.loads(run(*given, "--part", "k2o", "--json", "-").stdout)
    listed = next(each for each in whole["nutrients"] if each["name"].casefold() == "k2o")
    assert part["field_cv_pct"] == listed["field_cv_pct"]
    assert part["metered_kg"] == listed["metered_kg"] < whole["metered_kg"]
    result = run(*given, "--part", "K2O", "--plot", tmp_path / "k.png")
    assert result.exit_code == 0, result.output
    unknown = run(*given, "--part", "gold")
    assert unknown.exit_code == 2
    assert '"gold" is no part of this blend; give one of' in unknown.stderr
    both = run(*given, "--part", "K2O", "--worth")
    assert both.exit_code == 2
    assert "option --worth: shows the whole catch" in both.stderr


def test_many_fields(tmp_path):
    square = tmp_path / "square.csv"
    square.write_text("x_m,y_m\n0,0\n200,0\n200,200\n0,200\n", encoding="utf-8")
    more = (*PLAN, "--boundary", square)
    result = run(SHEET, *more)
    assert result.exit_code == 0, result.output
    assert "2 fields with the tray test" in result.stdout
    assert len(json.loads(run(SHEET, *more, "--json", "-").stdout)["fields"]) == 2
    refused = run(SHEET, *more, "--plot", tmp_path / "x.png")
    assert refused.exit_code == 2
    assert "option --plot: takes one field, and 2 are given" in refused.stderr


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ((), "the field: is not known; give --boundary FILE for a plan, or --track FILE"),
        ((*PLAN, "--headland-rounds", "one"), '"one" is no number of rounds'),
        ((*PLAN[:2], "--heading", "north"), '"north" is no heading'),
        ((*PLAN, "--on-distance", "20"), "option --on-distance"),
        ((*PLAN, "--landing-distance", "10 m"), "does not reach the end of the pattern"),
        ((*PLAN, "--driving", "sideways"), '"sideways" is not known'),
        ((*PLAN, "--report", "x.doc"), 'a report can\'t be written as ".doc"'),
        ((*PLAN[:4], "--cell", "0 m"), "0 m is no cell"),
        ((*PLAN, "--turning-radius", "300 m"), "300 m is no turning radius"),
        (("--boundary", "none.csv"), "none.csv: the file does not exist; check its name and folder"),
        ((*DRIVEN, "--by-time", "--switched-later", "900 km"), ""),
    ],
)
def test_bad_input(options, said):
    result = run(SHEET, *options)
    assert result.exit_code == (2 if said else 0), result.output
    assert said in result.stderr
    assert "Traceback" not in result.output


@pytest.mark.parametrize("library", ["shapely", "pyproj"])
def test_missing_library(monkeypatch, library):
    monkeypatch.setitem(sys.modules, library, None)
    result = run(SHEET, *PLAN)
    assert result.exit_code == 2
    assert f"needs the library {library}, which is not installed; install spreadcheck[field]" in result.stderr


def test_catches_in_ml_in_proportion_only(tmp_path):
    """Without bulk density and target rate shares are told, and no mass."""
    kept = ("bulk density", "target rate")
    rows = (SAMPLES / "volumes.csv").read_text(encoding="utf-8").splitlines()
    sheet = tmp_path / "ml.csv"
    sheet.write_text("\n".join(row for row in rows if not row.startswith(kept)) + "\n", encoding="utf-8")
    result = run(sheet, *PLAN, "--bout-width", "12 m", "--json", "-")
    data = json.loads(result.stdout)
    assert data["outside_kg"] is data["target_kg_ha"] is data["ways"][0]["metered_kg"] is None
    assert data["field_cv_pct"] > 0
    text = run(sheet, *PLAN, "--bout-width", "12 m").stdout
    assert "Rates are known in proportion only" in text


def test_bar_after_a_second_and_none_where_nobody_looks(monkeypatch):
    """On a terminal the bar comes after a second and is wiped at the end; into a file nothing goes."""
    import io

    from spreadcheck.cli.terminal import progress_bar

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    for stream, seen in ((Terminal(), True), (io.StringIO(), False)):
        monkeypatch.setattr("sys.stderr", stream)
        clock = iter([0.0, 0.5, 1.5, 1.6])
        monkeypatch.setattr("time.monotonic", lambda clock=clock: next(clock))
        with progress_bar("Field") as told:
            for share in (0.25, 0.5, 1.0):
                told(share)
        shown = stream.getvalue()
        assert ("50 %" in shown) is seen
        assert "25 %" not in shown
        assert shown.endswith("\r") is seen
