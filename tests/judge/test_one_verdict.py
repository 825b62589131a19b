"""One verdict on a sheet with a slip: every command says the same, and none says that the width can be driven."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from spreadcheck.cli import main

SAMPLES = Path(__file__).parents[2] / "sample_trays"


def table_of(name):
    """A sample's form, with unit row, and its rows of trays as cells."""
    lines = (SAMPLES / name).read_text(encoding="utf-8").splitlines()
    at = next(row for row, line in enumerate(lines) if line.startswith("tray,")) + 2
    return lines[:at], [line.split(",") for line in lines[at:] if line]


def decimal_point(head, rows):
    """The point of one catch left out."""
    row = next(row for row in rows if row[0] == "R4")
    row[3] = row[3].replace(".", "")
    return head, rows


def reversed_pass(head, rows):
    """Pass 2 weighed from the other end of the line."""
    catches = [row[3] for row in rows][::-1]
    return head, [[*row[:3], catch, *row[4:]] for row, catch in zip(rows, catches, strict=True)]


def one_side(head, rows):
    """The right side of the line only."""
    return head, [row for row in rows if float(row[1]) >= 0]


def feet(head, rows):
    """Offsets in metres under a unit of feet."""
    return [*head[:-1], head[-1].replace(",m,", ",ft,", 1)], rows


SLIPS = {
    "odd-catch": (decimal_point, "even_trapezoid.csv"),
    "passes-disagree": (reversed_pass, "lopsided.csv"),
    "one-side": (one_side, "even_trapezoid.csv"),
    "trays-too-close": (feet, "even_trapezoid.csv"),
}


@pytest.fixture(params=SLIPS)
def slip(request, tmp_path):
    """The code of the doubt that blocks, and the sheet."""
    change, name = SLIPS[request.param]
    head, rows = change(*table_of(name))
    path = tmp_path / "slip.csv"
    path.write_text("\n".join([*head, *(",".join(row) for row in rows)]) + "\n", encoding="utf-8")
    return request.param, path


def run(*arguments):
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert result.exit_code == 0, result.output
    return result.stdout


@pytest.mark.usefixtures("undrawn")
def test_the_verdict_is_the_same_everywhere(slip, tmp_path):
    code, sheet = slip
    assert "can't be judged" in run("batch", tmp_path)
    card, page, answer = tmp_path / "card.md", tmp_path / "page.html", tmp_path / "answer.json"
    for command, *options in (
        ("analyse", "--card", card, "--report", page),
        ("widths",),
        ("edge",),
        ("confidence", "--draws", 200),  # the verdict rests on none of them
    ):
        if command == "edge" and code == "trays-too-close":  # offsets under feet: such passes have no edge
            refused = CliRunner().invoke(main, ["edge", str(sheet)])
            assert (refused.exit_code, "and the unit of the offsets" in refused.output) == (2, True)
            continue
        assert "can't be judged" in run(command, sheet, "--json", answer, "--overwrite", *options)
        data = json.loads(answer.read_text(encoding="utf-8"))
        assert data["verdict"]["state"] == "can't be judged"
        assert code in data["verdict"]["blocking"]
    for file in (card, page):
        text = file.read_text(encoding="utf-8")
        assert code in text
        assert "can be driven with the machine" not in text
    assert ", within the limit" not in card.read_text(encoding="utf-8")


def test_the_screen_tells_the_slip_that_explains_it(tmp_path):
    """The remedy of a doubt is that of its best explanation; one that leaves the test blocked is not the best."""
    for change, name, remedy in (
        (reversed_pass, "lopsided.csv", "`reversed passes,2`"),
        (feet, "even_trapezoid.csv", "write m for ft"),
    ):
        head, rows = change(*table_of(name))
        sheet = tmp_path / "slip.csv"
        sheet.write_text("\n".join([*head, *(",".join(row) for row in rows)]) + "\n", encoding="utf-8")
        assert remedy in run("analyse", sheet)


def test_widths_that_are_alike_are_told_once():
    """Both ways of driving a symmetric pattern have one effective width: one column, not two."""
    data = json.loads(run("widths", SAMPLES / "even_trapezoid.csv", "--json", "-"))
    assert [round(case["width_m"], 1) for case in data["methods"]["back-and-forth"]] == [24.0, 27.8]
