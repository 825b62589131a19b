"""`spreadcheck form`: the command, and the clipboard page as poppler reads and draws it."""

import dataclasses
import re

import numpy as np
import pytest
from click.testing import CliRunner

from spreadcheck.cli import main
from spreadcheck.crew.form import CAUTIONS, CELL_RULE, MAX_FORM_CELLS, entry_form
from spreadcheck.errors import SheetError
from spreadcheck.sheet.cells import shortest
from spreadcheck.sheet.traysheet import sheet_text, write_sheet
from spreadcheck.sheet.traytest import CatchState, FormRow, tray_test
from spreadcheck.show.document import Table
from spreadcheck.show.form import ACROSS_COLUMNS, column_groups, form_document, named_trays
from spreadcheck.show.pages import document_pdf

PAGE_POINTS = {"a4": (595.276, 841.890), "letter": (612.0, 792.0)}  # ISO 216: 210 x 297 mm; US Letter: 8.5 x 11 in


def blank_test(trays=9, passes=3, spacing=3.0, **form):
    """A tray sheet that waits for its weights."""
    offsets = (np.arange(trays) - (trays - 1) / 2) * spacing
    known = {"test": "Before vane change", "product": "Granular urea", "wheel track": "1.8 m"} | form
    return tray_test(
        offsets, np.full((trays, passes), float("nan")), tray_width="0.5 m", tray_length="0.5 m", form=known
    )


def printed_form(test, paper="a4"):
    return document_pdf(form_document(entry_form(test)), paper=paper)


CASES = [
    # trays, passes, paper, pages, across
    (9, 3, "a4", 1, False),
    (9, 3, "letter", 1, False),
    (41, 3, "a4", 2, False),
    (41, 3, "letter", 3, False),
    (21, 9, "a4", 2, True),
    (9, 9, "letter", 2, True),
    (9, 20, "a4", 3, True),
    (2, 1, "a4", 1, False),
]


@pytest.mark.parametrize(("trays", "passes", "paper", "pages", "across"), CASES)
def test_pages_hold_every_tray_and_every_pass(poppler, trays, passes, paper, pages, across):
    """Page size, number of pages, every tray with its offset once a page of columns, every heading, cautions, rules."""
    test = blank_test(trays, passes)
    form = entry_form(test)
    document = form_document(form)
    printed = document_pdf(document, paper=paper)
    assert (printed.pages, document.across) == (pages, across)
    info = poppler("pdfinfo", "-", data=printed.data)
    assert int(re.search(r"Pages:\s+(\d+)", info)[1]) == pages
    size = tuple(map(float, re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", info).groups()))
    assert size == pytest.approx(PAGE_POINTS[paper][:: -1 if across else 1], abs=0.01)
    text = poppler("pdftotext", "-layout", "-", "-", data=printed.data)
    rows = [line.split() for line in text.splitlines()]
    tables = sum(isinstance(block, Table) for block in document.blocks)
    for name, offset in zip(test.tray, test.offset, strict=True):
        side = "centre" if offset == 0 else f"{shortest(abs(offset))} m {'left' if offset < 0 else 'right'}"
        found = [row for row in rows if row[: 1 + len(side.split())] == [name, *side.split()]]
        assert len(found) == tables, name
    assert set(re.findall(r"pass \d+", text)) == {f"pass {number + 1}" for number in range(passes)}
    assert [f"page {n} of {pages}" in page for n, page in enumerate(text.split("\f")[:-1], 1)] == [True] * pages
    whole = " ".join(text.split())
    assert all(caution in whole for caution in CAUTIONS)
    assert re.search(r"Tagged:\s+yes", info)
    assert CELL_RULE in whole
    for word in ("LEFT", "RIGHT", "travel", "wind speed", "relative humidity", "gate setting", "wheel track", "note"):
        assert word in whole


def test_fonts_are_embedded(poppler):
    """TrueType, embedded, with the table that turns signs back into text."""
    fonts = poppler("pdffonts", "-", data=printed_form(blank_test()).data).splitlines()[2:]
    assert {"DejaVuSans", "DejaVuSans-Bold"} <= {line.split()[0].split("+")[-1] for line in fonts}
    assert all(re.search(r"TrueType .* yes +\S+ +yes ", line) for line in fonts), fonts


def _grey(poppler, data, dpi=100, page=1):
    """A page as an array of grey levels, 0 black to 255 white."""
    image = poppler("pdftoppm", "-gray", "-r", str(dpi), "-f", str(page), "-l", str(page), "-", data=data)
    _, width, height, _ = image.split(maxsplit=4)[:4]
    return np.frombuffer(image[-int(width) * int(height) :], dtype=np.uint8).reshape(int(height), int(width))


def _black_white(poppler, data, page, dpi=150):
    colours = poppler("pdftoppm", "-r", str(dpi), "-f", str(page), "-l", str(page), "-", data=data)
    _, width, height, _ = colours.split(maxsplit=4)[:4]
    return np.frombuffer(colours[-3 * int(width) * int(height) :], dtype=np.uint8).reshape(-1, 3)


@pytest.mark.parametrize(("trays", "passes", "paper"), [(9, 3, "letter"), (41, 3, "a4"), (21, 9, "a4")])
def test_rows_are_high_enough_for_gloves(poppler, trays, passes, paper):
    """Measured on the drawn page, where the heavy rule takes 0.3 mm of the 8.5 mm of its row; one row a tray."""
    dpi = 200
    printed = printed_form(blank_test(trays, passes), paper=paper)
    seen = 0
    for page in range(1, printed.pages + 1):
        grey = _grey(poppler, printed.data, dpi, page)
        strip = grey[:, int(-14 / 25.4 * dpi) - 20 : int(-14 / 25.4 * dpi)]  # just inside the right margin
        dark = np.flatnonzero((strip < 128).all(axis=1))
        rules = dark[np.r_[True, np.diff(dark) > 2]] * 25.4 / dpi
        seen += (np.diff(rules) >= 8.2).sum()
    details = 10  # rows of details whose last box ends at the same edge
    assert trays <= seen <= trays + details


def test_black_and_white_alone(poppler):
    """No colour anywhere, and little ink: a page that any printer and copier takes."""
    data = printed_form(blank_test(41, 3)).data
    pixels = _black_white(poppler, data, page=1)
    assert (pixels.max(axis=1) == pixels.min(axis=1)).all()
    assert (pixels[:, 0] < 128).mean() < 0.06


def test_known_values_and_remarks_are_printed(poppler):
    """What the sheet knows is filled in: catches, x, notes, runs, reversed passes, own labels, components."""
    test = blank_test(3, 2, **{"runs per catch": "2", "reversed passes": "2"})
    columns = tuple(
        dataclasses.replace(c, component=name) for c, name in zip(test.columns, ("potash", "urea"), strict=True)
    )
    catch = np.array([[10.25, np.nan], [np.nan, np.nan], [np.nan, 3]])
    state = np.where(np.isnan(catch), CatchState.NOT_WEIGHED, CatchState.WEIGHED).astype(np.uint8)
    state[1, 0] = CatchState.THROWN_OUT
    test = dataclasses.replace(
        test, columns=columns, catch=catch, state=state, note=("tilted $x$", "", ""),
        form=(*test.form, FormRow("cab colour", "green & <grey>")),
    )  # fmt: skip
    text = " ".join(poppler("pdftotext", "-layout", "-", "-", data=printed_form(test).data).split())
    assert "L1 3 m left 10.25 tilted $x$" in text
    assert "C centre x" in text
    assert "R1 3 m right 3" in text
    assert "Weigh the trays only after every 2 runs. Driven the other way over the line: pass 2." in text
    assert "pass 1 potash pass 2 urea" in text
    assert "g (other way)" in text
    assert "green & <grey>" in text


def test_gaps_and_wheels_are_found():
    """A stretch more than half as long again as the usual spacing is a gap; wheels stand half the track each side."""
    test = tray_test(
        [-2, -1.5, -1, 1, 1.5, 2], [1] * 6, tray_width="0.5 m", tray_length="0.5 m", form={"wheel track": "2 m"}
    )
    form = entry_form(test)
    assert form.gaps_m == ((-0.75, 0.75),)
    assert form.wheels_m == (-1.0, 1.0)
    assert entry_form(blank_test()).gaps_m == ()


def test_signs_that_no_font_has_are_named():
    """A question mark stands for each, and the caller is told which."""
    assert printed_form(blank_test(product="Ökostoff \U00016f50")).missing == "\U00016f50"


def test_rows_of_the_sheets_own_are_all_there(poppler):
    """Sixty of them go on over the page, and so do words of hundreds of letters."""
    test = blank_test(9, 3)
    own = tuple(FormRow(f"own {number:02d}", "value") for number in range(60))
    long = FormRow("own " + "label " * 20, "word " * 200 + "w" * 400, "u" * 60)
    data = printed_form(dataclasses.replace(test, form=(*test.form, *own, long))).data
    text = poppler("pdftotext", "-layout", "-", "-", data=data)
    assert set(re.findall(r"own \d\d", text)) == {row.label for row in own}
    assert len(re.findall("word", text)) == 200


@pytest.mark.parametrize("passes", [[1], [1, 1, 2, 2], [1] * 4 + [2] * 4 + [3] * 4, [1] * 23, list(range(1, 41))])
def test_columns_of_a_pass_stay_together(passes):
    """Every column on one page, no page with more than it holds, a pass torn apart only where it must be."""
    pages = list(column_groups(passes, ACROSS_COLUMNS))
    assert [at for page in pages for at in page] == list(range(len(passes)))
    assert all(0 < len(page) <= ACROSS_COLUMNS for page in pages)
    for number in set(passes):
        on = {i for i, page in enumerate(pages) if number in [passes[at] for at in page]}
        assert len(on) == -(-passes.count(number) // ACROSS_COLUMNS)


def test_names_in_the_sketch_never_touch():
    spots, widths = np.linspace(0, 180, 200), np.full(200, 7.0)
    named = named_trays(list(spots), list(widths))
    assert (np.diff(spots[named]) >= 7).all()
    assert {0, 99, 199} <= set(named)


@pytest.fixture
def sheet(tmp_path):
    """A sheet on the disk."""
    write_sheet(blank_test(), tmp_path / "field.csv")
    return tmp_path / "field.csv"


def run(*arguments):
    """Exit code, standard output, standard error."""
    done = CliRunner().invoke(main, ["form", *map(str, arguments)])
    return done.exit_code, done.stdout, done.stderr


def test_command_writes_both(sheet, tmp_path):
    pdf, html = tmp_path / "a.pdf", tmp_path / "a.html"
    code, out, err = run(sheet, "--pdf", pdf, "--html", html, "--paper", "letter")
    assert code == 0
    assert " ".join(err.split()) == (
        f"{pdf} written {html} written Next, from the paper: spreadcheck record {sheet} "
        "Next, from the phone: spreadcheck analyse field-filled.csv"
    )
    assert out == (
        f"{pdf}: 1 page, US Letter upright\n{html}: open it in the phone's browser; it saves field-filled.csv\n"
    )
    assert pdf.read_bytes().startswith(b"%PDF")
    assert html.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert '"file":"field-filled.csv"' in html.read_text(encoding="utf-8")


def test_command_says_when_columns_need_more_tables(tmp_path):
    write_sheet(blank_test(9, 20, product="\U00016f50"), tmp_path / "wide.csv")
    code, out, err = run(tmp_path / "wide.csv", "--pdf", tmp_path / "w.pdf")
    assert code == 0
    assert out == (
        f"{tmp_path / 'w.pdf'}: 3 pages, A4 across; "
        "the columns of a tray are in 3 tables, and the head of each says which\n"
    )
    assert err.startswith('No font here has a sign for \U00016f50 and the PDF shows "?" instead.\n')


def test_command_refuses(sheet, tmp_path):
    """One message with a remedy, exit code 2, nothing written."""
    there = tmp_path / "there.pdf"
    there.write_bytes(b"mine")
    other = tmp_path / "other.html"
    assert run(sheet) == (
        2, "", "spreadcheck: form: no file is asked for; add --pdf FILE for paper, --html FILE for a phone\n"
    )  # fmt: skip
    message = f"spreadcheck: {there}: exists already; add --overwrite to replace it, or choose another name\n"
    assert run(sheet, "--pdf", there, "--html", other) == (2, "", message)
    assert (there.read_bytes(), other.exists()) == (b"mine", False)
    assert run(sheet, "--pdf", there, "--overwrite")[0] == 0
    assert there.read_bytes().startswith(b"%PDF")
    message = f"spreadcheck: {tmp_path / 'no.csv'}: the file does not exist; check its name and folder\n"
    assert run(tmp_path / "no.csv", "--html", other) == (2, "", message)


def test_command_refuses_a_sheet_without_trays(tmp_path):
    empty = tmp_path / "empty.csv"
    empty.write_text(
        "spreadcheck tray sheet,1\ntray width,0.5,m\ntray length,0.5,m\n\ntray,offset,pass 1\n,m,g\n", encoding="utf-8"
    )
    message = f"spreadcheck: {empty}: the table has no trays; a spread pattern needs at least two\n"
    assert run(empty, "--pdf", tmp_path / "e.pdf") == (2, "", message)
    assert not (tmp_path / "e.pdf").exists()


def test_library_refuses_what_nobody_fills_in():
    with pytest.raises(SheetError, match="200 trays x 101 columns are too many to fill in by hand"):
        entry_form(blank_test(200, MAX_FORM_CELLS // 200 + 1))


@pytest.mark.parametrize(("kind", "moving"), [("pneumatic boom", "the boom as it unfolds"), ("", "turning discs")])
def test_cautions_name_the_parts_of_the_spreader(kind, moving):
    """A boom has no discs to keep away from, on the paper as on the phone."""
    form = entry_form(
        tray_test(
            [-1, 0, 1], [1, 2, 1], tray_width="0.5 m", tray_length="0.5 m", form={"spreader type": kind} if kind else {}
        )
    )
    said = " ".join(form.cautions)
    assert moving in said
    assert ("disc" in said) == (not kind)


def test_a_sheet_from_standard_input_saves_under_a_plain_name(tmp_path):
    """Nothing that is named next starts with a -, which a command would take for an option."""
    sheet = sheet_text(blank_test())
    page = tmp_path / "page.html"
    done = CliRunner().invoke(main, ["form", "-", "--html", str(page)], input=sheet)
    assert done.exit_code == 0
    assert done.stderr.endswith("Next, from the phone: spreadcheck analyse tray-sheet-filled.csv\n")
    assert '"file":"tray-sheet-filled.csv"' in page.read_text(encoding="utf-8")
