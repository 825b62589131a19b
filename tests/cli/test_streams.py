"""Where a result can't go: onto a file that is read, a full disk, a closed standard input or output."""

import contextlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from spreadcheck.cli import main
from spreadcheck.errors import OutputError
from spreadcheck.sheet.files import write_whole

SAMPLES = Path(__file__).parents[2] / "sample_trays"
SHEET = (SAMPLES / "lopsided.csv").read_bytes()
BLEND = (SAMPLES / "blend.csv").read_bytes()
READS_ONE = ["analyse", "confidence", "edge", "rate", "throw", "widths"]
FULL = Path("/dev/full")

pytestmark = pytest.mark.usefixtures("folder")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder of a crew: two sheets, a blend, a product file."""
    (tmp_path / "field.csv").write_bytes(SHEET)
    (tmp_path / "second.csv").write_bytes((SAMPLES / "even_trapezoid.csv").read_bytes())
    (tmp_path / "blend.csv").write_bytes(BLEND)
    (tmp_path / "product.csv").write_bytes((SAMPLES / "example_product.csv").read_bytes())
    (tmp_path / "prices.toml").write_bytes((SAMPLES / "example_prices.toml").read_bytes())
    monkeypatch.chdir(tmp_path)
    return tmp_path


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


READ = "is a file that this command reads; write the result to another name"
SHEET_THERE = "is a tray sheet or a workbook; choose another name: nothing is ever written over one but a tray sheet"
NO_JSON = 'this result can\'t be written as ".{}"; end the name in .json'


@pytest.mark.parametrize(
    ("words", "why"),
    [
        *([[command, "field.csv", "--json", "./field.csv"], NO_JSON.format("csv")] for command in READS_ONE),
        (["analyse", "field.csv", "--csv", "field.csv"], READ),
        (["analyse", "field.csv", "--csv", "second.csv"], SHEET_THERE),
        (["batch", ".", "--summary", "field.csv"], SHEET_THERE),
        (["batch", ".", "--summary", "link.csv"], SHEET_THERE),
        (["compare", "second.csv", "field.csv", "--json", "field.csv"], NO_JSON.format("csv")),
        (["form", "field.csv", "--pdf", "field.pdf"], SHEET_THERE),
        (["form", "field.csv", "--html", "blend.csv"], NO_JSON.replace(".json", ".html or .htm").format("csv")),
        (["product", "product.csv", "--json", "product.csv"], NO_JSON.format("csv")),
        (["widths", "field.csv", "--csv", "hard.csv"], READ),
        (["widths", "field.csv", "--prices", "prices.toml", "--json", "prices.toml"], NO_JSON.format("toml")),
        (["widths", "field.csv", "--prices", "prices.json", "--json", "prices.json"], READ),
    ],
)  # fmt: skip
def test_no_result_falls_on_what_is_read_or_on_a_sheet(words, why, folder):
    """Not even with --overwrite: the weights of a test exist once, whatever name they are kept under."""
    (folder / "link.csv").symlink_to("second.csv")
    (folder / "hard.csv").hardlink_to("field.csv")
    (folder / "field.pdf").write_bytes(SHEET)
    (folder / "prices.json").write_bytes((folder / "prices.toml").read_bytes())
    before = contents(folder)
    done = CliRunner().invoke(main, [*words, "--overwrite"])
    assert done.exit_code == 2
    assert done.stderr == f"spreadcheck: {words[-1]}: {why}\n"
    assert contents(folder) == before


@pytest.mark.parametrize("kind", ["utf-16", "quoted", "xlsx", "ods"])
def test_a_sheet_of_any_kind_is_left_alone(kind, folder):
    made = {
        "utf-16": lambda: ("old.csv", SHEET.decode().encode("utf-16")),
        "quoted": lambda: ("old.csv", b'\xef\xbb\xbf"SPREADCHECK tray sheet";1\n'),
        "xlsx": lambda: ("old.xlsx", b"PK\x03\x04 and the rest of it"),
        "ods": lambda: ("old.ods", b"PK\x03\x04 and the rest of it"),
    }
    name, content = made[kind]()
    (folder / name).write_bytes(content)
    with pytest.raises(OutputError, match="is a tray sheet or a workbook"):
        write_whole(name, "<html>", overwrite=True)
    assert (folder / name).read_bytes() == content
    write_whole(name, content + b" ", overwrite=True, is_sheet=True)
    assert (folder / name).read_bytes() == content + b" "


def test_two_names_of_one_output():
    done = CliRunner().invoke(main, ["analyse", "field.csv", "--plot", "out.pdf", "--card", "./out.pdf"])
    assert done.exit_code == 2
    assert done.stderr == "spreadcheck: out.pdf: is asked for twice; give each output a name of its own\n"
    assert not Path("out.pdf").exists()
    twice = CliRunner().invoke(main, ["analyse", "field.csv", "--plot", "a.png", "--plot", "b.png"])
    assert twice.exit_code == 2
    assert "--plot is given twice; give it once" in twice.stderr
    assert not Path("b.png").exists()


def test_names_that_no_file_can_have(folder):
    long = "x" * 300 + ".json"
    for words in (["analyse", "field.csv", "--json", long], ["analyse", long], ["record", "x" * 300 + ".csv"]):
        done = CliRunner().invoke(main, words)
        assert done.exit_code == 2
        assert "(File name too long)" in done.stderr
    just = "x" * 250 + ".json"
    assert CliRunner().invoke(main, ["analyse", "field.csv", "--json", just]).exit_code == 0
    assert json.loads(Path(just).read_text(encoding="utf-8"))
    assert not [name for name in os.listdir(folder) if name.startswith(".")]


def run(words, *, closed=None, stdout=subprocess.PIPE):
    """A command in a process of its own, one of its streams closed from the start."""
    with contextlib.ExitStack() as opened:
        if isinstance(stdout, Path):
            stdout = opened.enter_context(open(stdout, "wb"))
        return subprocess.run(
            [sys.executable, "-m", "spreadcheck", *words],
            stdin=subprocess.DEVNULL,
            stdout=stdout,
            stderr=subprocess.PIPE,
            preexec_fn=None if closed is None else lambda: os.close(closed),
            text=True,
            timeout=60,
            check=False,
        )


@pytest.mark.skipif(not FULL.exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("more", [[], ["--json", "-"]], ids=["text", "json"])
def test_standard_output_on_a_full_disk(more):
    done = run(["analyse", "field.csv", *more], stdout=FULL)
    assert done.returncode == 2
    assert done.stderr == (
        "spreadcheck: standard output: can't be written (No space left on device); make room on the disk, or send the "
        "result elsewhere\n"
    )


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX streams")
def test_closed_streams():
    nothing_in = run(["analyse", "-"], closed=0)
    assert (nothing_in.returncode, nothing_in.stdout) == (2, "")
    assert nothing_in.stderr == "spreadcheck: standard input: is closed; give the name of a tray sheet\n"
    nothing_out = run(["analyse", "field.csv", "--json", "-"], closed=1)
    assert nothing_out.returncode == 2
    assert nothing_out.stderr == "spreadcheck: standard output: is closed; give the result a file name\n"
    told_nobody = run(["batch", ".", "--json", "-"], closed=2)
    assert told_nobody.returncode == 0
    assert json.loads(told_nobody.stdout)["schema"].startswith("spreadcheck/")


def test_a_line_of_two_trays_is_named():
    """In a batch nobody could tell whose fault it is."""
    head = "spreadcheck tray sheet,1\ntray width,0.5,m\ntray length,0.5,m\n\ntray,offset,pass 1\n,m,g\n"
    Path("two.csv").write_text(f"{head}L,-2,3\nR,2,3\n", encoding="utf-8")
    said = "two.csv: the tray line is shorter than two tray spacings; use three trays or more, or give --widths\n"
    assert CliRunner().invoke(main, ["analyse", "two.csv"]).stderr == f"spreadcheck: {said}"
    assert said in CliRunner().invoke(main, ["batch", "."]).stderr


def test_an_empty_list_of_widths_is_no_default():
    done = CliRunner().invoke(main, ["analyse", "field.csv", "--widths", ""])
    assert done.exit_code == 2
    assert "option --widths: there is no bout width in it" in done.stderr


def test_a_name_in_another_script_draws_without_python_words():
    text = SHEET.decode().replace("Lopsided: drop point too far left", "北の畑")
    Path("field.csv").write_text(text, encoding="utf-8")
    done = run(["analyse", "field.csv", "--plot", "field.png"])
    assert done.returncode == 0
    assert "Warning" not in done.stderr
    assert Path("field.png").read_bytes()[1:4] == b"PNG"


@pytest.mark.parametrize(
    "words",
    [
        ["edge", "field.csv", "--passes", "9" * 400],
        ["plan", "--bout-width", "24 m", "--target-rate", "1e-300 kg/ha"],
        ["analyse", "field.csv", "--bout-width", "9" * 400 + " m"],
        ["blend", "blend.csv", "--limit", "0"],
        ["product", "product.csv", "--half-width", "1e-300%"],
        ["rate", "field.csv", "--tolerance", "1e-300"],
    ],
    ids=lambda words: " ".join(words)[:40],
)
def test_numbers_beyond_all_bounds(words):
    """Each is one message and not an overflow."""
    done = CliRunner().invoke(main, words)
    assert isinstance(done.exception, SystemExit)
    assert done.exit_code == 2
