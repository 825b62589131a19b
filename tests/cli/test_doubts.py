"""Every command that reads a sheet carries its doubts, in words in the reader's units and as data."""

import json
import re

import pytest
from click.testing import CliRunner

from spreadcheck.cli import main

ROWS = """spreadcheck tray sheet,1
test,{name}
tray width,0.5,m
tray length,0.5,m
bout width,10,m
target rate,150,kg/ha
travel speed,10,km/h
spinner speed,{speed},rpm
wind speed,3,m/s
wind spede,3,m/s

tray,offset,{head}
"""
CODES = {"unknown-label", "wind-speed"}
COMMANDS = {
    "analyse": ["one.csv", "--doubts"],
    "confidence": ["one.csv"],
    "widths": ["one.csv", "--at", "8 m, 10 m"],
    "edge": ["one.csv"],
    "rate": ["one.csv"],
    "throw": [
        "one.csv",
        "--release-speed",
        "30 m/s",
        "--granule-size",
        "3 mm",
        "--granule-density",
        "1300 kg/m3",
        "--disc-height",
        "0.9 m",
    ],
    "blend": ["blend.csv"],
    "compare": ["one.csv", "two.csv"],
    "tune": ["one.csv", "two.csv", "three.csv"],
}


@pytest.fixture(autouse=True)
def _sheets(tmp_path, monkeypatch):
    """Four sheets with a wind over the limits and a misspelt label."""
    monkeypatch.chdir(tmp_path)
    for at, name in enumerate(("one", "two", "three")):
        level = 0.9 + 0.02 * at
        trays = [f"T{x},{x},{max(0, 8 - abs(x)) * level:.2f},{max(0, 8 - abs(x)) * 0.95:.2f}" for x in range(-9, 10)]
        head = ROWS.format(name=name, speed=700 + 50 * at, head="pass 1,pass 2")
        (tmp_path / f"{name}.csv").write_text(head + ",m,g,g\n" + "\n".join(trays) + "\n")
    head = ROWS.format(name="blend", speed=700, head="pass 1 / urea,pass 1 / potash")
    (tmp_path / "blend.csv").write_text(head + ",m,g,g\n" + "\n".join(trays) + "\n")


def warnings(data):
    """All warnings of a result, wherever they stand in it."""
    tests = [data, *(test for test in data.get("tests", []) if isinstance(test, dict))]
    return [warning for test in tests for warning in test.get("warnings", [])]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_carries_the_doubts_of_its_sheets(command):
    told = CliRunner().invoke(main, [command, *COMMANDS[command], "--units", "us"])
    assert told.exit_code == 0, told.output
    for code in CODES:
        assert f"{code}: " in told.output
    assert "the wind blew at 6.7 mph" in " ".join(told.output.lower().split())  # 3 / 0.44704; short on the screen
    result = CliRunner().invoke(main, [command, *COMMANDS[command], "--json", "doubts.json"])
    assert result.exit_code == 0, result.output
    with open("doubts.json", encoding="utf-8") as file:
        found = warnings(json.load(file))
    assert {warning["code"] for warning in found} >= CODES
    assert all(isinstance(warning["blocking"], bool) for warning in found)
    assert any("The wind blew at 3.0 m/s" in warning["message"] for warning in found)  # data stay in SI


@pytest.mark.parametrize("command", ["analyse", "rate", "throw", "compare", "tune"])
def test_every_report_carries_verdict_and_doubts(command):
    """Paper has no standard error: both stand in the report, once each test."""
    words = [word for word in COMMANDS[command] if word != "--doubts"]
    made = CliRunner().invoke(main, [command, *words, "--report", "told.md"])
    assert made.exit_code == 0, made.output
    with open("told.md", encoding="utf-8") as file:
        told = file.read()
    assert "The wind blew at 3.0 m/s" in told
    assert re.search(r"fits|not even enough|can't be judged", told)


def test_a_summary_of_many_sheets_names_the_codes():
    told = CliRunner().invoke(main, ["batch", "."]).output
    assert len(re.findall(r"unknown-label wind-speed", told)) == 4
