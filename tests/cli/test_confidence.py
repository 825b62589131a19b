"""`spreadcheck confidence`: what it prints, writes and refuses."""

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from spreadcheck.cli import main

ROOT = Path(__file__).parents[2]
SHEET = str(ROOT / "sample_trays" / "even_trapezoid.csv")
ONE_PASS = """spreadcheck tray sheet,1
tray width,0.5,m
tray length,0.5,m
bout width,3,m

tray,offset,pass 1
,m,g
L2,-2,1
L1,-1,2
C,0,3
R1,1,2
R2,2,1
"""


def run(*arguments, draws=200, **extra):
    """The command, with few draws where a test looks at no figure that rests on them."""
    return CliRunner().invoke(main, ["confidence", "--draws", str(draws), *arguments], **extra)


def test_the_whole():
    done = CliRunner().invoke(main, ["confidence", SHEET, "--steering", "0.3 m"])
    assert done.exit_code == 0
    lines = done.stdout.splitlines()
    assert lines[0] == "How sure is the answer: Even trapezoid at 24 m"
    assert lines[2].startswith("At 24 m, back-and-forth: fits. CV 3.0 %")
    assert "2,000 draws, seed 1." in " ".join(lines)
    assert max(map(len, lines)) <= 80
    for heading in ("CV at 24 m", "Effective width (CV up to 15 %)", "Passes needed to pin", "Steering error 0.3 m"):
        assert any(line.strip().startswith(heading) for line in lines)


def test_json(tmp_path):
    target = tmp_path / "sure.json"
    assert run(SHEET, "--json", str(target), "--steering", "10 cm", "--seed", "7", "--draws", "500").exit_code == 0
    data = json.loads(target.read_text(encoding="utf-8"))
    assert (data["schema"], data["seed"], data["draws"]) == ("spreadcheck/confidence/2", 7, 500)
    assert data["noise"]["source"] == "passes"
    assert data["noise"]["passes_and_counting_agree"] is True
    assert data["bout"]["width_m"] == 24.0
    assert data["bout"]["back-and-forth"]["cv_low_pct"] < data["bout"]["back-and-forth"]["cv_high_pct"]
    assert data["steering"]["sd_m"] == pytest.approx(0.1)
    assert data["passes_needed"]["passes"] >= 1


def test_only_json_on_standard_output():
    assert json.loads(run(SHEET, "--json", "-").stdout)["cv_limit_pct"] == 15.0


def test_plot(tmp_path):
    target = tmp_path / "sure.png"
    assert run(SHEET, "--draws", "200", "--plot", str(target)).exit_code == 0
    assert target.stat().st_size > 10_000


def test_one_pass_without_granules():
    done = run("-", input=ONE_PASS)
    assert done.exit_code == 0
    said = " ".join(done.stdout.split())
    assert "The noise of this test can't be known: it has one pass" in said
    assert "the form lacks: size guide number, granule density." in said


def test_one_pass_with_granules_from_options():
    done = run("-", "--size-guide-number", "300", "--granule-density", "1325 kg/m3", input=ONE_PASS)
    said = " ".join(done.stdout.split())
    assert "The intervals hold for noise as stated for spreaders in general, and for no other." in said
    assert "With 1 pass no slip of a whole pass can be looked for." in " ".join(done.stderr.split())
    assert "Can't be told: one pass tells nothing about how passes differ" in said


def test_stated_terms_are_shown_and_set():
    """What one test can't see stands beside the figures, and options change it and them."""
    plain, windy = run(SHEET).stdout, run(SHEET, "--wind-shift", "3 ft", "--tray-efficiency", "4 %").stdout
    assert "trays differ by 2 %, the line lies 0.25 m off" in " ".join(plain.split())
    assert "trays differ by 4 %" in windy
    assert "0.91 m" in windy
    interval = [re.search(r"interval, all told +(\S+ \S+ \S+ %)", text)[1] for text in (plain, windy)]
    assert interval[0] != interval[1]
    alone = [re.search(r"interval, passes alone +(\S+ to \S+ %)", text)[1] for text in (plain, windy)]
    assert alone[0] == alone[1]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--granule-density", "1325"], 'option --granule-density: "1325" has no unit'),
        (["--size-guide-number", "big"], 'option --size-guide-number: "size guide number" is "big"'),
        (["--steering", "-1 m"], "steering: a steering error of -1 m can't be"),
        (["--steering", "0.1 m", "--drift", "-1"], "steering: a correlation of -1 from pass to pass can't be"),
        (["--drift", "0.5"], "option --drift: there is no driving error to drift; add --steering"),
        (["--laying-error", "1"], 'option --laying-error: "1" has no unit'),
        (["--tray-efficiency", "good"], 'option --tray-efficiency: "good" is not a share'),
        (["--tray-efficiency", "80 %"], "tray efficiency: 80 can't be; give a number from 0 to 50"),
        (["--half-width", "1"], 'option --half-width: "1" has no unit'),
        (["--half-width", "0 m"], "half-width: 0 m can't be reached"),
        (["--draws", "5"], "draws: 5 draws can't tell the ends of an interval"),
        (["--level", "100"], "level: 100 % is no level of an interval"),
        (["--plot", "sure.txt"], 'sure.txt: a plot can\'t be written as ".txt"'),
        (["--limit", "0"], "CV limit: 0 % can't be met or missed"),
        (["--limit", "9" * 40], "CV limit: 1e+40 % can't be met or missed; give a limit of at most"),
    ],
)
def test_refusals(options, message, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("spreadcheck.passes.noise.Noise.drawn", None)  # refused before any test is drawn
    done = run(SHEET, *options)
    assert done.exit_code == 2
    assert done.stderr.startswith(f"spreadcheck: {message}")
    assert not done.stdout
    assert not list(tmp_path.iterdir())


def test_a_seed_has_bounds():
    done = run(SHEET, "--seed", "-1")
    assert done.exit_code == 2
    assert "Invalid value for '--seed': -1 is not in the range" in done.stderr


@pytest.mark.usefixtures("undrawn")
def test_analyse_says_how_sure_it_is(tmp_path, poppler):
    """`analyse --confidence` gives the figures of `confidence` in text, JSON, picture and both forms of the report."""
    files = {name: tmp_path / name for name in ("own.json", "a.json", "sure.svg", "r.html", "r.pdf")}
    own = CliRunner().invoke(main, ["confidence", SHEET, "--json", str(files["own.json"])])
    interval = re.search(r"90 % interval, all told +(\S+ \S+ \S+ %)", own.stdout)[1]
    options = ["--json", "a.json", "--plot", "sure.svg", "--report", "r.html", "--report", "r.pdf"]
    done = CliRunner().invoke(main, ["analyse", SHEET, "--confidence", *(str(files.get(o, o)) for o in options)])
    assert done.exit_code == 0, done.output
    assert "with the noise taken out" in done.stdout
    assert max(len(line) for line in done.stdout.splitlines() if not line.startswith("  spreadcheck ")) <= 80
    both, alone = (json.loads(files[name].read_text(encoding="utf-8")) for name in ("a.json", "own.json"))
    assert both["schema"] == "spreadcheck/analysis/1"
    assert both["confidence"]["methods"] == alone["methods"]
    assert "noise floor" in files["sure.svg"].read_text(encoding="utf-8")
    page = files["r.html"].read_text(encoding="utf-8")
    printed = " ".join(poppler("pdftotext", "-layout", "-", "-", data=files["r.pdf"].read_bytes()).split())
    for text in (page, printed):
        assert "noise floor of the passes" in text
        assert interval in text
    assert page.count("<svg") + page.count("<img") == 5  # the slider's, the three of every report, and how sure it is


@pytest.mark.usefixtures("undrawn")
def test_without_the_option_nothing_says_how_sure_it_is(tmp_path):
    page, data = tmp_path / "r.html", tmp_path / "a.json"
    done = CliRunner().invoke(main, ["analyse", SHEET, "--json", str(data), "--report", str(page)])
    assert done.exit_code == 0
    assert "with the noise taken out" not in done.stdout
    assert "confidence" not in json.loads(data.read_text(encoding="utf-8"))
    assert "noise floor of the passes" not in page.read_text(encoding="utf-8")


def test_no_probability_while_a_doubt_forbids_a_verdict(tmp_path):
    """Catches ten times too heavy: the verdict comes first and says what blocks it; nothing says how likely it fits."""
    lines = Path(SHEET).read_text(encoding="utf-8").splitlines()
    start = next(at for at, line in enumerate(lines) if line.startswith("tray,offset")) + 2
    cells = [line.split(",") for line in lines[start:]]
    heavy = [",".join([*row[:2], *(f"{10 * float(catch):g}" for catch in row[2:])]) for row in cells]
    sheet = tmp_path / "heavy.csv"
    sheet.write_text("\n".join([*lines[:start], *heavy]) + "\n", encoding="utf-8")
    done = run(str(sheet), "--json", str(tmp_path / "sure.json"))
    assert done.exit_code == 0, done.output
    said = " ".join(done.stdout.split())
    assert "At 24 m, back-and-forth: can't be judged. What blocks it:" in said
    assert "probability of CV" not in said
    assert "No probability and no sure width are given while a doubt forbids a verdict." in said
    data = json.loads((tmp_path / "sure.json").read_text(encoding="utf-8"))
    assert data["verdict"]["state"] == "can't be judged"
    assert data["verdict"]["probability_pct"] is None
    assert data["bout"]["back-and-forth"]["within_limit_probability_pct"] is None
    assert data["methods"]["back-and-forth"]["sure_width_m"] is None


def test_no_probability_of_a_blend():
    """Its worst part decides, and the noise is known of all components together only."""
    done = CliRunner().invoke(main, ["confidence", str(ROOT / "sample_trays" / "blend.csv"), "--draws", "200"])
    assert done.exit_code == 0
    assert "not even enough" in done.stdout
    assert "all components together" in " ".join(done.stdout.split())
    assert "probability of CV" not in done.stdout
    assert "kept with a probability" not in done.stdout
