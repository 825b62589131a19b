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


@pytest.mark.parametrize(
    "words",
    [
        *([command, "field.csv", "--json", "./field.csv"] for command in READS_ONE),
        ["analyse", "field.csv", "--csv", "field.csv"],
        ["batch", ".", "--summary", "field.csv"],
        ["blend", "blend.csv", "--json", "blend.csv"],
        ["compare", "second.csv", "field.csv", "--json", "field.csv"],
        ["form", "field.csv", "--pdf", "field.csv"],
        ["product", "product.csv", "--json", "product.csv"],
        ["tune", "second.csv", "field.csv", "--json", "field.csv"],
        ["widths", "field.csv", "--prices", "prices.toml", "--json", "prices.toml"],
    ],
    ids=" ".join,
)
def test_no_result_falls_on_what_is_read(words, folder):
    """Not even with --overwrite: the weights of a test exist once."""
    before = contents(folder)
    done = CliRunner().invoke(main, [*words, "--overwrite"])
    assert done.exit_code == 2
    wanted = f"{words[-1]}: is a file that this command reads; write the result to another name\n"
    assert done.stderr == f"spreadcheck: {wanted}"
    assert contents(folder) == before


def test_two_names_of_one_output():
    done = CliRunner().invoke(main, ["analyse", "field.csv", "--json", "out.x", "--csv", "./out.x"])
    assert done.exit_code == 2
    assert done.stderr == "spreadcheck: out.x: is asked for twice; give each output a name of its own\n"
    assert not Path("out.x").exists()


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
