"""The settings card: what it fills in and leaves open, one page in each form, nothing written becomes markup."""

import dataclasses
import functools
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import spreadcheck
from spreadcheck.cli import main
from spreadcheck.sheet.traytest import MIRRORED, both_sides
from spreadcheck.show.card import MOST_DOUBTS, MOST_SIGNS, card_document, settings_card
from spreadcheck.show.pages import document_html, document_pdf
from spreadcheck.show.text import markdown_text

SAMPLES = Path(__file__).parents[2] / "sample_trays"
PAPERS = {"a4": (595, 842), "letter": (612, 792)}  # points: ISO 216, ANSI Y14.1

FULL = {
    "date": "2026-04-02", "bulk density": "0.78 kg/L", "size guide number": "310", "uniformity index": "48",
    "granule density": "1320 kg/m3", "crush strength": "4 kgf", "travel speed": "10 km/h", "spinner speed": "800 rpm",
    "gate setting": "32.5", "calibration factor": "0.8", "swath height": "0.9 m", "discharge": "80 kg/min",
    "target rate": "240 kg/ha", "bout width": "12 m", "driving": "back-and-forth",
}  # fmt: skip


def assessed(more=None, *, drop=(), **options):
    """A trapezoid of 3 equal passes: 240 kg/ha over 6 m, falling to 0 at 9 m, so 12 m is even and gets 240 kg/ha."""
    x = np.arange(-9.0, 10.0)
    catch = np.repeat(np.clip(9 - np.abs(x), 0, 6)[:, None], 3, axis=1)
    form = {label: value for label, value in (FULL | (more or {})).items() if label not in drop}
    test = spreadcheck.tray_test(x, catch, tray_width="0.5 m", tray_length="0.5 m", form=form)
    return spreadcheck.assess(test, **options)


def row(section, label):
    return next(r for r in section.rows if r.label == label)


@functools.cache
def worst():
    """Long texts of wide signs and of markup, and more doubts than the page takes."""
    long = "<b>& *Wörks* | `W` [x](y) " + "W" * 200
    texts = dict.fromkeys(("test", "machine", "product", "place", "operator", "drop point", "vanes"), long)
    return assessed(texts | {f"odd {n} {'W' * 60}": long for n in range(12)} | {"target rate": "100 kg/ha"})


# ---- what is filled in


def test_what_is_known_is_filled_in():
    card = settings_card(assessed(), highest_speed_rpm=900)
    found = {r.label: r.value for r in card.controller.rows}
    assert found == {
        "product density": "0.780 kg/L",
        "bout width": "12 m",
        "highest spinner speed": "900 rpm",
        "calibration factor": "0.8",
    }
    assert row(card.settings, "swath height").value == "0.9 m"
    assert row(card.settings, "gate setting").value == "32.5"
    assert row(card.product, "crush strength").value == "4.0 kgf"
    assert row(card.controller, "calibration factor").note == "as in force; the trays found 100 % of the target"
    assert row(card.result, "CV at 12 m back-and-forth").value == "0.0 %, within the limit"
    assert row(card.result, "pattern").value == "can't be told"  # one pass
    assert card.date == "2026-04-02"


def test_us_units():
    card = settings_card(assessed(), "us")
    assert row(card.controller, "product density").value == "48.7 lb/ft3"  # 780 kg/m3 / 16.018 463
    assert row(card.controller, "bout width").value == "39.37 ft"
    assert "lb/ac" in row(card.result, "CV at 39.37 ft back-and-forth").note


def test_what_is_unknown_is_a_line_to_write_on():
    """Without a form nothing is made up: every row but the result is empty."""
    card = settings_card(assessed(drop=FULL))
    empty = [r for s in (card.about, card.product, card.settings, card.controller) for r in s.rows]
    assert all(r.value == "" for r in empty)
    assert card.date == ""
    assert row(card.controller, "bout width").note.startswith("none was named; effective width ")
    assert row(card.result, "CV at the bout width driven").value == ""


def test_a_width_over_the_limit_is_not_entered():
    card = settings_card(assessed(bout_width_m=16.5))
    width = row(card.controller, "bout width")
    assert width.value == ""
    assert width.note.startswith("16.5 m is not within the CV limit; effective width ")
    assert row(card.result, "CV at 16.5 m back-and-forth").value.endswith("OVER the limit")


def test_a_width_that_is_only_not_sure_is_told_as_that():
    """The limit is kept as measured; below an even chance the width is left open, below 90 % it is entered and said."""

    def card(kept_pct):
        judged = dataclasses.replace(assessed(), kept=lambda width_m, _: np.full((2, len(width_m)), kept_pct))
        return row(settings_card(judged).controller, "bout width")

    unlikely, likely, sure = card(40.0), card(70.0), card(95.0)
    assert unlikely.value == ""
    assert unlikely.note.startswith("12 m keeps the CV limit as measured, but with a probability of 40 % only; ")
    assert (likely.value, sure.value) == ("12 m", "12 m")
    assert likely.note == "driven back-and-forth; kept with a probability of 70 % only"
    assert sure.note == "driven back-and-forth"


def test_a_factor_is_left_open_where_passes_differ_in_level():
    test = assessed().test
    heavy = spreadcheck.assess(dataclasses.replace(test, catch=test.catch * [1, 1, 1.3]))
    factor = row(settings_card(heavy).controller, "calibration factor")
    assert factor.value == ""
    assert (
        factor.note == "0.8 in force; the trays found 240.0 to 312.0 kg/ha, by which pass is right: settle that first"
    )
    assert row(settings_card(heavy).controller, "bout width").value == "12 m"


@pytest.mark.parametrize(("target", "entered"), [(265, True), (268, False), (219, True), (217, False)])
def test_a_factor_is_entered_only_where_the_rate_is_right(target, entered):
    """EN 13739-2:2011, 5.2: the trays must find 90 to 110 %; 240 of 266.7 and of 218.2 kg/ha are those bounds."""
    factor = row(settings_card(assessed({"target rate": f"{target} kg/ha"})).controller, "calibration factor")
    assert (factor.value == "0.8") is entered
    assert ("correct it first (spreadcheck rate)" in factor.note) is not entered


def test_a_width_of_a_side_not_tested_is_not_entered():
    """One side mirrored: the line stays open, nothing is advised, and the name keeps saying it, however long."""
    half = spreadcheck.tray_test([0, 1, 2, 3], [9, 6, 3, 0], tray_width="1 m", tray_length="1 m",
                                 form={"test": "T" * 90, "bout width": "3 m"})  # fmt: skip
    card = settings_card(spreadcheck.assess(both_sides(half)))
    assert card.name.endswith(MIRRORED + ")")
    assert row(card.controller, "bout width").value == ""
    assert MIRRORED in row(card.controller, "bout width").note
    assert "advised not given" in row(card.result, "effective width back-and-forth").note
    assert "if the left is like the right" in row(card.result, "CV at 3 m back-and-forth").value


def test_a_boom_has_no_lines_for_discs():
    card = settings_card(assessed({"spreader type": "pneumatic boom"}, drop=("spinner speed", "drop point", "vanes")))
    labels = {r.label for r in (*card.settings.rows, *card.controller.rows)}
    assert not labels & {"spinner speed", "vanes", "drop point", "highest spinner speed"}
    assert "number of outlets" in labels
    assert not any("spinner" in caution or "vanes" in caution for caution in card.cautions)


def test_open_ends_are_told_as_ranges():
    test = spreadcheck.tray_test(range(-2, 3), [6, 8, 9, 8, 6], tray_width="1 m", tray_length="1 m",
                                 form={"bout width": "7 m"})  # fmt: skip
    cv = row(settings_card(spreadcheck.assess(test)).result, "CV at 7 m back-and-forth")
    assert " to " in cv.value
    assert "least" not in cv.note


def test_a_speed_above_the_highest_is_said():
    note = row(settings_card(assessed(), highest_speed_rpm=750).controller, "highest spinner speed").note
    assert note == "the 800 rpm of the test is above it: set it lower, test again"


def test_doubts_are_there_and_limited():
    card = settings_card(worst())
    assert len(card.doubts) == MOST_DOUBTS + 1
    assert re.fullmatch(r"and \d+ more, told by spreadcheck analyse", card.doubts[-1])
    codes = [doubt.code for doubt in worst().doubts][:MOST_DOUBTS]
    assert [doubt.split(":")[0] for doubt in card.doubts[:-1]] == codes


def test_relative_figures_and_no_width_at_all():
    x = np.arange(-3.0, 4.0)
    test = spreadcheck.tray_test(x, [0, 0, 9, 0, 9, 0, 0], tray_width="0.5 m", tray_length="0.5 m", unit="ml")
    card = settings_card(spreadcheck.assess(test, relative=True, bout_width_m=0.5, limit_pct=0.001))
    assert row(card.result, "effective width back-and-forth").value == "none"
    assert row(card.result, "CV at 0.5 m back-and-forth").value == "none: fewer than two trays in a bout"
    assert "% of peak" in row(card.result, "CV at 0.5 m back-and-forth").note


# ---- the three forms


class Written(HTMLParser):
    """Text and tags of a page."""

    def __init__(self, page):
        super().__init__()
        self.words, self.tags = [], set()
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)

    def handle_data(self, data):
        self.words.append(data)


def every_text(card):
    sections = (card.about, card.product, card.settings, card.controller, card.result)
    for section in sections:
        yield section.heading
        for r in section.rows:
            yield from (text for text in (r.label, r.value, r.note) if text)
    yield from (card.name, *card.doubts, *card.cautions)


def squeezed(text):
    return re.sub(r"\s+", "", text)


@pytest.mark.parametrize("system", ["metric", "us"])
def test_html_says_everything_and_nothing_becomes_markup(system):
    card = settings_card(worst(), system, highest_speed_rpm=900)
    page = Written(document_html(card_document(card)))
    for text in every_text(card):
        assert text in page.words, text
    assert not page.tags & {"b", "script", "img", "a", "iframe"}


def test_markdown_says_everything_and_nothing_becomes_markup():
    card = settings_card(worst())
    text = markdown_text(card_document(card))
    plain = re.sub(r"\\(.)", r"\1", text)
    for part in every_text(card):
        assert part in plain, part
    assert not re.search(r"(?<!\\)[<`*\[]", text)
    tables = [line for line in text.splitlines() if line.startswith("|")]
    assert {len(re.findall(r"(?<!\\)\|", line)) for line in tables} == {3, 4}


@pytest.mark.parametrize(
    ("name", "paper"),
    [(None, "a4"), (None, "letter"), ("blend", "a4"), ("boom_blocked_outlet", "letter"), ("lopsided", "a4"),
     ("sparse_gaps", "letter"), ("us_units", "letter"), ("volumes", "a4")],
)  # fmt: skip
def test_pdf_is_one_page_with_everything_on_it(poppler, name, paper):
    result = worst() if name is None else spreadcheck.assess(spreadcheck.read_sheet(SAMPLES / f"{name}.csv"))
    card = settings_card(result, highest_speed_rpm=900)
    data = document_pdf(card_document(card), paper=paper).data
    about = poppler("pdfinfo", "-", data=data)
    assert re.search(r"Pages:\s+1\n", about)
    width, height = map(float, re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", about).groups())
    assert (width, height) == pytest.approx(PAPERS[paper], abs=1)
    text = squeezed(poppler("pdftotext", "-layout", "-", "-", data=data))
    assert "Signature" in text
    for caution in card.cautions:
        assert squeezed(caution)[:60] in text
    if name is None:
        return  # texts of 60 wide signs are set smaller and cut
    raw = squeezed(poppler("pdftotext", "-raw", "-", "-", data=data))
    for section in (card.about, card.product, card.settings, card.controller, card.result):
        for r in section.rows:
            assert squeezed(r.label) in raw
            assert squeezed(r.value) in raw
            assert squeezed(r.note) in raw, r.note


def inked(poppler, data):
    """The page as an array of grey values, 20 dots to the inch."""
    pgm = poppler("pdftoppm", "-r", "20", "-gray", "-", data=data)
    head = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", pgm)
    return np.frombuffer(pgm[head.end() :], np.uint8).reshape(int(head[2]), int(head[1]))


@pytest.mark.parametrize("paper", PAPERS)
def test_pdf_keeps_its_margins(poppler, paper):
    """Nothing is drawn within 8 mm of the edge, even in the worst case."""
    grey = inked(poppler, document_pdf(card_document(settings_card(worst())), paper=paper).data)
    edge = int(8 / 25.4 * 20)
    for side in (grey[:edge], grey[-edge:], grey[:, :edge], grey[:, -edge:]):
        assert side.min() == 255


@pytest.mark.parametrize("paper", PAPERS)
def test_html_prints_on_one_page(browser, poppler, paper):
    """A real browser prints the worst card on one sheet, and shows it on a phone without sideways scrolling."""
    import base64

    browser.open(document_html(card_document(settings_card(worst(), highest_speed_rpm=900)), paper=paper))
    wide = browser.driver.execute_script("return [document.documentElement.scrollWidth, window.innerWidth]")
    assert wide[0] <= wide[1]
    printed = browser.driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
    about = poppler("pdfinfo", "-", data=base64.b64decode(printed["data"]))
    assert re.search(r"Pages:\s+1\n", about)
    width, height = map(float, re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", about).groups())
    assert (width, height) == pytest.approx(PAPERS[paper], abs=1.5)
    assert "Signature" in browser.shown()


# ---- the command


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.mark.parametrize("ending", ["pdf", "html", "md"])
def test_the_command_writes_each_form(tmp_path, ending):
    target = tmp_path / f"card.{ending}"
    result = run("analyse", SAMPLES / "us_units.csv", "--units", "us", "--card", target, "--highest-speed", "750 rpm")
    assert result.exit_code == 0
    start = {"pdf": b"%PDF", "html": b"<!doctype html>", "md": b"# Settings card: "}[ending]
    assert target.read_bytes().startswith(start)
    if ending != "pdf":
        assert "750 rpm" in target.read_text(encoding="utf-8")
    again = run("analyse", SAMPLES / "us_units.csv", "--card", target)
    assert again.exit_code == 2
    assert "exists already; add --overwrite" in again.stderr


def test_the_same_card_twice_is_the_same_file():
    card = card_document(settings_card(assessed()))
    assert document_pdf(card) == document_pdf(card)


def test_signs_that_no_font_has_are_named(tmp_path):
    text = (SAMPLES / "lopsided.csv").read_text(encoding="utf-8").replace("Test crew A", "\U00016f50")
    sheet = tmp_path / "test.csv"
    sheet.write_text(text, encoding="utf-8")
    result = run("analyse", sheet, "--card", tmp_path / "card.pdf")
    assert result.exit_code == 0
    assert 'No font here has a sign for \U00016f50 and the PDF shows "?" instead.' in result.stderr


BAD = {
    "ending": (
        ["--card", "card.docx"],
        'card.docx: this result can\'t be written as ".docx"; end the name in .pdf, .html or .md',
    ),
    "no ending": (["--card", "card"], 'card: this result can\'t be written as ""; end the name in'),
    "folder": (["--card", "nowhere/card.md"], "nowhere/card.md: the folder does not exist; make it first"),
    "twice": (["--card", "a.pdf", "--plot", "a.pdf"], "a.pdf: is asked for twice; give each output a name of its own"),
    "speed without unit": (["--card", "a.md", "--highest-speed", "750"], 'option --highest-speed: "750" has no unit'),
    "impossible speed": (
        ["--card", "a.md", "--highest-speed", "0 rpm"],
        "option --highest-speed: 0 rpm can't be a highest spinner speed; it must lie between 100 and 3000 rpm",
    ),
    "speed without card": (
        ["--highest-speed", "750 rpm"],
        "option --highest-speed: no card is asked for; add --card FILE",
    ),
}


@pytest.mark.parametrize(("arguments", "message"), BAD.values(), ids=BAD)
def test_bad_values_are_said_and_nothing_is_written(tmp_path, monkeypatch, arguments, message):
    monkeypatch.chdir(tmp_path)
    result = run("analyse", SAMPLES / "lopsided.csv", *arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert result.stdout == ""
    assert not list(tmp_path.iterdir())


def test_what_a_person_wrote_is_kept_short():
    assert len(row(settings_card(worst()).about, "machine").value) == MOST_SIGNS


def test_a_doubt_is_told_to_its_end():
    """What was seen is a sentence that a reader must get whole."""
    card = settings_card(spreadcheck.assess(spreadcheck.read_sheet(SAMPLES / "lopsided.csv")))
    (doubt,) = card.doubts
    assert doubt.startswith("off-centre: the centre of the spread lies 2.13 m to the left, ")
    assert doubt.endswith("; the wind, which came from ahead, does not explain the side")


def test_bins_that_run_together():
    """The trays are held against the sum of the targets (240 kg/ha caught: 150 + 90), and judge no bin by itself."""
    bins = {"target rate": "150 kg/ha", "bin 2 target rate": "90 kg/ha", "bin 2 calibration factor": "1.25"}
    result = assessed(bins | {"bin 2 bulk density": "1.05 kg/L", "bins run": "together", "calibration factor": "0.8"})
    assert result.test.target_kg_ha == pytest.approx(240)
    rows = settings_card(result).controller
    assert row(rows, "calibration factor").value == "0.8"
    assert "100 % of the bins' targets together, 240.0 kg/ha" in row(rows, "calibration factor").note
    assert (row(rows, "bin 2 product density").value, row(rows, "bin 2 calibration factor").value) == (
        "1.050 kg/L",
        "1.25",
    )
    check = spreadcheck.check_rate(spreadcheck.RateSettings(factor=0.8, setting=30), trays=result.test)
    assert check.figures[0].of_target_pct == pytest.approx(100, abs=1e-9)
    assert np.isnan([check.figures[0].new_factor, check.figures[0].new_setting]).all()
    assert "target rate" not in {each.label for each in check.form_rows()}  # the sum is no bin's target
    alone = assessed(bins | {"bins run": "one after the other"})
    assert alone.test.target_kg_ha == pytest.approx(150)
    assert assessed({"bin 2 product": "Potash", "bins run": "together"}).test.target_kg_ha is None
