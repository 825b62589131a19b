"""The report on paper, as poppler reads it: every section, the library's figures, fonts, page sizes."""

import dataclasses
import functools
import re
from pathlib import Path

import numpy as np
import pytest

from spreadcheck import assess, read_sheet, tray_test
from spreadcheck.sheet.cells import shortest
from spreadcheck.sheet.traytest import FormRow
from spreadcheck.show.analyse import width_tables
from spreadcheck.show.document import Paragraph, Points, Table
from spreadcheck.show.format import show_figure, show_rate, show_width
from spreadcheck.show.pages import document_pdf
from spreadcheck.show.report import (
    plain_words,
    report,
    tray_tables,
)

SAMPLES = Path(__file__).parents[2] / "sample_trays"
UNLIKE = ("blend", "boom_blocked_outlet", "lopsided", "sparse_gaps", "us_units", "volumes")  # what a report can hold
PAGE_POINTS = {"a4": (595.276, 841.890), "letter": (612.0, 792.0)}  # ISO 216: 210 x 297 mm; US Letter: 8.5 x 11 in
# A4 is the narrower paper; on letter, the shorter one, the longest reports are enough
PRINTED = [*((name, "a4") for name in UNLIKE), *((name, "letter") for name in ("lopsided", "blend", "sparse_gaps"))]
HEADINGS = (
    "In short", "What was tested", "How far apart the passes may be driven", "What the field gets",
    "What to do", "Pictures", "Figures", "Method", "What the limits rest on",
    "Raw trays and form", "Doubts about this test",
)  # fmt: skip
HOSTILE = "</b><script>alert(1)</script> $x_1$ \\frac =cmd()|'/C' & %d"


def flat(text):
    """Text with every run of blanks and line ends as one blank."""
    return " ".join(text.split())


@functools.cache
def sample_report(name, system):
    """The report of a sample sheet, once for both papers; pictures are drawn for one product and for a blend."""
    with pytest.MonkeyPatch.context() as patch:
        if name not in ("lopsided", "blend") or system == "metric":
            patch.setattr(
                "spreadcheck.show.report.drawn",
                lambda *_: lambda: '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 3"></svg>',
            )
        return report(assess(read_sheet(SAMPLES / f"{name}.csv")), system)


@functools.cache
def _printed(name, system, paper):
    """The report of a sample sheet on paper, made once."""
    return document_pdf(sample_report(name, system), paper=paper)


def printed_sample(name, system="metric", paper="a4"):
    """The same, however it is asked for."""
    return _printed(name, system, paper)


def printed_test(test, **options):
    return document_pdf(report(assess(test, **options)))


def without_feet(text):
    """Text without the foot of each page, so that a sentence that runs over a page is whole."""
    return re.sub(r"[^\n]* - spreadcheck [\d.]+\s+page \d+ of \d+\s*\f", "\n", text)


def text_of(poppler, data, *options):
    return poppler("pdftotext", *options, "-", "-", data=data)


@pytest.mark.parametrize("name", UNLIKE)
def test_every_section_is_there_in_order(poppler, name):
    """Headings in order; every sentence whole; every page numbered."""
    result = assess(read_sheet(SAMPLES / f"{name}.csv"))
    printed = printed_sample(name, "us")
    raw = text_of(poppler, printed.data, "-layout")
    lines = [line.strip() for line in raw.replace("\f", "\n").splitlines()]
    places = [lines.index(heading) for heading in HEADINGS]
    assert places == sorted(places)
    text = flat(raw)
    running = flat(without_feet(text_of(poppler, printed.data)))
    for sentences in plain_words(result, "us").values():
        assert all(sentence in running for sentence in sentences)
    for block in sample_report(name, "us").blocks:
        texts = block.items if isinstance(block, Points) else [block.text] if isinstance(block, Paragraph) else []
        assert all(flat(text) in running for text in texts)
    assert printed.pages >= 4
    assert printed.missing == ""
    for number in range(1, printed.pages + 1):
        assert f"page {number} of {printed.pages}" in text


@pytest.mark.parametrize("system", ["metric", "us"])
def test_figures_are_the_librarys(poppler, system):
    """Each row of the table of widths, as the library rounds its figures."""
    result = assess(read_sheet(SAMPLES / "lopsided.csv"))
    rows = [line.split() for line in text_of(poppler, printed_sample("lopsided", system).data, "-layout").splitlines()]
    for method, scan in result.scans.items():
        told = 0
        for at, width_m in enumerate(scan.width_m):
            cv, width = scan.cv_trays_pct[at], show_width(width_m, system, unit=False)
            figures = [
                show_figure(cv), "yes" if cv <= 15 else "no", show_figure(scan.cv_line_pct[at]),
                *(show_rate(each[at], result, system) for each in (scan.mean_kg_ha, scan.min_kg_ha, scan.max_kg_ha)),
            ]  # fmt: skip
            told += any(found[:1] == [width] and found[2:] == figures for found in rows)
        assert 20 < told < len(scan.width_m), method  # of many widths some are shown


def test_raw_trays_are_whole(poppler):
    """Every tray with its catches as written; x and blank told apart; notes."""
    result = assess(read_sheet(SAMPLES / "sparse_gaps.csv"))
    rows = [line.split() for line in text_of(poppler, printed_sample("sparse_gaps", "us").data, "-layout").splitlines()]
    (table,) = tray_tables(result, "us")
    for cells in table.rows:
        expected = " ".join(cells).split()
        assert any(found == expected for found in rows), cells
    assert any(row[:5] == ["L7", shortest(-14), "5.4", "x", "6.1"] for row in rows)
    assert sum(row.count("blank") for row in rows) >= 6


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_page_size_and_fonts(poppler, paper):
    printed = printed_sample("lopsided", paper=paper)
    info = poppler("pdfinfo", "-", data=printed.data)
    assert int(re.search(r"Pages:\s+(\d+)", info)[1]) == printed.pages
    size = tuple(map(float, re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", info).groups()))
    assert size == pytest.approx(PAGE_POINTS[paper], abs=0.01)
    assert re.search(r"Tagged:\s+yes", info)
    assert re.search(r"Title:\s+Spread pattern report: Lopsided: drop point too far left", info)
    fonts = poppler("pdffonts", "-", data=printed.data).splitlines()[2:]
    assert {"DejaVuSans", "DejaVuSans-Bold"} <= {line.split()[0].split("+")[-1] for line in fonts}
    assert all(re.search(r"TrueType .* yes +\S+ +yes ", line) for line in fonts), fonts


def words_outside(poppler, data, margin_mm=9):
    """Words that stand outside the margins, or that are cut by the edge of the page."""
    margin = margin_mm / 25.4 * 72
    outside, width, height = [], 0.0, 0.0
    for line in poppler("pdftotext", "-bbox", "-", "-", data=data).splitlines():
        if page := re.search(r'<page width="([\d.]+)" height="([\d.]+)"', line):
            width, height = map(float, page.groups())
        elif word := re.search(r'xMin="([-\d.]+)" yMin="([-\d.]+)" xMax="([-\d.]+)" yMax="([-\d.]+)">(.*)<', line):
            left, top, right, bottom = map(float, word.groups()[:4])
            if left < margin or right > width - margin or top < margin or bottom > height - margin:
                outside.append(word[5])
    return outside


def hostile():
    """A sheet with the longest and oddest words that a person might type."""
    test = read_sheet(SAMPLES / "sparse_gaps.csv")
    form = [FormRow(row.label, HOSTILE, "") if row.label in ("test", "product") else row for row in test.form]
    form += [FormRow("own " + "label " * 30, "word " * 300, "u" * 300), FormRow("w" * 400, "z" * 4000)]
    note = (HOSTILE, "n" * 900, *test.note[2:])
    return dataclasses.replace(test, form=tuple(form), note=note, tray=("t" * 300, *test.tray[1:]))


def test_what_people_write_is_shown_as_text(poppler):
    """No formula signs, no markup; words too long for the page are cut or broken, never run over its edge."""
    printed = printed_test(hostile())
    text = flat(text_of(poppler, printed.data))
    assert text.count(flat(HOSTILE)) >= 2
    assert words_outside(poppler, printed.data) == []


@pytest.mark.parametrize(("name", "paper"), PRINTED)
def test_nothing_runs_off_the_page(poppler, name, paper):
    assert words_outside(poppler, printed_sample(name, "us", paper).data) == []


@pytest.mark.usefixtures("undrawn")
def test_many_trays_and_passes(poppler):
    """61 trays, 14 passes: every tray once in every table of passes, the head again on every page."""
    x = np.arange(-30, 31)
    catch = np.clip(30 - np.abs(x), 0, 15)[:, None] + np.arange(14) / 10
    result = assess(tray_test(x, catch, tray_width="0.5 m", tray_length="0.5 m"))
    printed = document_pdf(report(result))
    rows = [line.split() for line in text_of(poppler, printed.data, "-layout").splitlines()]
    for tray, offset in zip(result.test.tray, result.test.offset, strict=True):
        assert sum(row[:2] == [tray, shortest(offset)] for row in rows) == 3
    heads = sum(row[:2] == ["Offset", "pass"] for row in rows)
    assert heads >= 3
    assert words_outside(poppler, printed.data) == []


@pytest.mark.usefixtures("undrawn")
def test_rates_in_proportion(poppler):
    test = tray_test(np.arange(-4, 5), [1, 2, 4, 5, 5, 5, 4, 2, 1], tray_width="1 m", tray_length="1 m", unit="ml")
    text = flat(text_of(poppler, printed_test(test, relative=True, bout_width_m=5).data))
    assert "% of peak on average" in text
    assert "lb/ac" not in text


@pytest.mark.usefixtures("undrawn")
def test_signs_that_no_font_has_are_named():
    test = read_sheet(SAMPLES / "lopsided.csv")
    test = dataclasses.replace(test, form=(*test.form, FormRow("operator", "\U00016f50 and Li")))
    assert printed_test(test).missing == "\U00016f50"


def test_the_same_report_twice_is_the_same_file():
    again = document_pdf(report(assess(read_sheet(SAMPLES / "lopsided.csv")), "us"))
    assert again.data == printed_sample("lopsided", "us").data


def filled(poppler, data):
    """How far down each page but the last is written or drawn on, as a share of its height between the margins."""
    shares = []
    for page in poppler("pdftoppm", "-r", "20", "-gray", "-", data=data).split(b"P5\n")[1:]:
        size, _, pixels = page.split(b"\n", 2)
        width, height = map(int, size.split())
        rows = np.frombuffer(pixels[: width * height], np.uint8).reshape(height, width).min(axis=1) < 200
        top, foot = (round(mm / 25.4 * 20) for mm in (16, 18))
        body = rows[top : height - foot]
        shares.append((np.flatnonzero(body)[-1] + 1) / len(body))
    return shares[:-1]


@pytest.mark.parametrize(("name", "paper"), PRINTED)
def test_no_page_is_nearly_empty(poppler, name, paper):
    """Every page but the last is at least a third filled."""
    assert min(filled(poppler, printed_sample(name, "us", paper).data)) >= 1 / 3


def test_tables_of_the_figures(poppler):
    result = assess(read_sheet(SAMPLES / "volumes.csv"))
    text = flat(text_of(poppler, printed_sample("volumes", "us").data, "-layout"))
    tables = [block for block in sample_report("volumes", "us").blocks if isinstance(block, Table)]
    assert {"What the field gets", "Effective width at other CV limits"} < {table.caption for table in tables}
    assert {table.caption for table in width_tables(result, "us")} < {table.caption for table in tables}
    for table in (table for table in tables if table.caption.startswith(("What", "Effective", "Bout widths"))):
        assert table.caption in text
        for row in table.rows:
            assert " ".join(row) in text
