"""Every `--json` has the same envelope: schema, what it is about, and the doubts about it."""

import json
import re

import pytest
from click.testing import CliRunner
from test_docs import ROOT

from spreadcheck.cli import COMMANDS, main

SAMPLES = ROOT / "sample_trays"
SHEET = str(SAMPLES / "lopsided.csv")
VANES = [str(SAMPLES / f"{when}_vane_change.csv") for when in ("before", "after")]
SPEEDS = [str(path) for path in sorted((SAMPLES / "speed_series").glob("*.csv"))]
WORDS = {
    "product": ["--name", "Granular urea", "--sgn", "320"],
    "throw": [
        SHEET,
        "--release-speed",
        "30 m/s",
        "--granule-size",
        "3 mm",
        "--granule-density",
        "1300 kg/m3",
        "--disc-height",
        "0.9 m",
    ],
    "rate": [SHEET],
    "plan": ["--trays", "41", "--target-rate", "150 kg/ha", "--bout-width", "24 m"],
    "analyse": [SHEET],
    "confidence": [SHEET],
    "blend": [str(SAMPLES / "blend.csv")],
    "compare": VANES,
    "tune": SPEEDS,
    "widths": [SHEET, "--at", "18 m, 24 m"],
    "edge": [SHEET],
    "batch": [str(SAMPLES / "speed_series"), "--summary", "summary.csv"],
}
WITHOUT = {"form", "record"}  # they make a sheet or a page, not a result


def test_no_command_is_left_out():
    """A command that has `--json` is tried below."""
    having = {name for name in COMMANDS if "--json" in CliRunner().invoke(main, [name, "--help"]).stdout}
    assert having - {"field"} <= set(WORDS)


@pytest.mark.parametrize("command", list(WORDS))
def test_the_envelope(command, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(main, [command, *WORDS[command], "--json", "out.json"])
    assert done.exit_code in (0, 3), done.output
    data = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert re.fullmatch(r"spreadcheck/\w+/\d+", data["schema"])
    assert ("test" in data) != ("tests" in data)
    assert isinstance(data.get("test", {}), dict)
    assert isinstance(data.get("tests", []), list)
    for warning in data["warnings"]:
        assert {"code", "message", "blocking"} <= set(warning)
