"""Words from outside can't steer the terminal, and every way out has its exit code."""

import array
import json
import os
import signal
import subprocess
import sys
import time
import unicodedata
from pathlib import Path

import pytest
from click.testing import CliRunner

from spreadcheck.cli import main
from spreadcheck.errors import hidden_in, visible

SAMPLES = Path(__file__).parents[2] / "sample_trays"
HOSTILE = "a\x1b[2J\x1b]0;gone\x07\x9b31m\u202exe\u2066b\u200b\u200d\ufeff\u00ad\u3164\U000e0041\x7f z"


@pytest.fixture
def hostile(tmp_path, monkeypatch):
    """Sheets whose every word is hostile, in a folder of their own."""
    monkeypatch.chdir(tmp_path)
    for name in ("lopsided", "even_trapezoid", "blend"):
        text = (SAMPLES / f"{name}.csv").read_text(encoding="utf-8")
        lines = text.replace("/ potash", f"/ {HOSTILE}").splitlines()
        form = [f"{label},{HOSTILE}" for label in ("test", "machine", "product", "place", "operator", "notes", "vanes")]
        kept = [line for line in lines[1:] if line.split(",")[0] not in {row.split(",")[0] for row in form}]
        (tmp_path / f"{name}.csv").write_text(
            "\n".join([lines[0], *form, f"{HOSTILE}y,{HOSTILE}", *kept]) + "\n", "utf-8"
        )
    return tmp_path


def hidden_outside_ascii_table():
    """Unicode's own words for what must not pass (Unicode 15, general categories and default-ignorable signs)."""
    for code in range(sys.maxunicode + 1):
        if unicodedata.category(chr(code)) in ("Cc", "Cf", "Cs", "Zl", "Zp"):
            yield chr(code)


def test_every_steering_sign_is_escaped():
    """All of Unicode's control, format and separator signs; the escape is plain ASCII and differs for each."""
    escapes = [visible(sign) for sign in hidden_outside_ascii_table()]
    assert all(escape.isascii() and escape.isprintable() and escape.startswith("\\") for escape in escapes)
    assert len(set(escapes)) > len(escapes) - 129  # bytes that are no text read as the C1 signs of the same number


@pytest.mark.parametrize("text", ["Düse 5 µm ½ ° – “x” …", "北の畑", "поле", "حقل", "खेत", "a\u00a0b", "🚜"])
def test_what_shows_is_left_alone(text):
    assert visible(text) == text


COMMANDS = [
    ["analyse", "lopsided.csv", "--advice"],
    ["analyse", "lopsided.csv", "--csv", "-"],
    ["batch", "."],
    ["blend", "blend.csv"],
    ["compare", "even_trapezoid.csv", "lopsided.csv"],
    ["confidence", "lopsided.csv"],
    ["edge", "lopsided.csv"],
    ["form", "lopsided.csv", "--html", "x.html"],
    ["rate", "lopsided.csv"],
    ["throw", "lopsided.csv"],
    ["tune", "even_trapezoid.csv", "lopsided.csv"],
    ["widths", "lopsided.csv"],
    ["record", "lopsided.csv"],
    [HOSTILE],
    ["analyse", f"{HOSTILE}.csv"],
    ["analyse", "lopsided.csv", f"--{HOSTILE}"],
    ["analyse", "lopsided.csv", "--bout-width", HOSTILE],
]


@pytest.mark.usefixtures("hostile")
@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: ascii(words[0]) + words[-1][:5].strip("\x1b"))
def test_no_word_steers_the_terminal(words):
    done = CliRunner().invoke(main, words, input="show\nfinish\n")
    assert hidden_in(done.stdout + done.stderr) <= {"\n"}
    assert not done.exception or isinstance(done.exception, SystemExit)


@pytest.mark.usefixtures("hostile")
def test_json_keeps_the_words_and_can_be_printed():
    done = CliRunner().invoke(main, ["analyse", "lopsided.csv", "--json", "-"])
    assert hidden_in(done.stdout) <= {"\n"}
    assert json.loads(done.stdout)["test"]["machine"] == HOSTILE


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX signals")
def test_interrupted_and_unread():
    """Ctrl-C is 130, as shells count signals; a reader that leaves is 141 and not the code of a CV over the limit."""
    import fcntl
    import termios

    command = [sys.executable, "-m", "spreadcheck"]
    waits = subprocess.Popen(
        [*command, "analyse", "-"],
        stdin=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a run in the background ignores it
    )
    waits.stdin.write("test,\n")
    waits.stdin.flush()
    deadline, left = time.monotonic() + 60, array.array("i", [1])
    while left[0] and time.monotonic() < deadline:  # once it has read the line it is loaded, and waits for more
        time.sleep(0.02)
        fcntl.ioctl(waits.stdin, termios.FIONREAD, left)
    waits.send_signal(signal.SIGINT)
    _, said = waits.communicate(timeout=30)
    # Python ends by the signal itself where it came while a module was loaded; shells show both as 130
    assert waits.returncode in (130, -signal.SIGINT)
    assert said.strip() == "spreadcheck: interrupted"
    reading, writing = os.pipe()
    os.close(reading)
    sheet = str(SAMPLES / "lopsided.csv")
    unread = subprocess.run([*command, "analyse", sheet], stdout=writing, stderr=subprocess.PIPE, check=False)
    os.close(writing)
    assert (unread.returncode, unread.stderr) == (141, b"")
