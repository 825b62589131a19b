"""Numbers that no option can mean: one message that names the place, exit 2, no traceback, however long the number."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from spreadcheck.cli import main

SAMPLES = Path(__file__).parents[2] / "sample_trays"
COMMANDS = {
    "throw": (
        *("throw", "--granule-size", "3.2 mm", "--granule-density", "1300 kg/m3", "--spinner-speed", "800 rpm"),
        *("--disc-diameter", "0.7 m", "--disc-height", "1 m", "--wind-speed", "3 m/s", "--wind-from", "left"),
    ),
    "tune": ("tune", *map(str, sorted((SAMPLES / "speed_series").glob("*.csv")))),
    "confidence": ("confidence", str(SAMPLES / "lopsided.csv"), "--draws", "200"),
    "field": (
        *("field", str(SAMPLES / "even_trapezoid.csv"), "--cell", "10 m"),
        *("--boundary", str(SAMPLES / "field_boundary.geojson")),
    ),
}
OPTIONS = [
    *(("throw", option, unit) for option, unit in (
        ("--spinner-speed", " rpm"), ("--disc-diameter", " m"), ("--release-speed", " km/h"), ("--release-factor", ""),
        ("--granule-size", " mm"), ("--granule-density", " kg/L"), ("--sphericity", ""), ("--disc-height", " m"),
        ("--air-pressure", " hPa"), ("--relative-humidity", " %"), ("--wind-speed", " m/s"), ("--speeds", " rpm"),
        ("--to-spinner-speed", " rpm"), ("--to-granule-size", " mm"), ("--to-disc-height", " m"), ("--sizes", " mm"),
    )),
    *(("tune", option, unit) for option, unit in (
        ("--bout-width", " m"), ("--highest-speed", " rpm"), ("--limit", ""), ("--level", ""),
    )),
    *(("confidence", option, unit) for option, unit in (
        ("--limit", ""), ("--level", ""), ("--steering", " m"), ("--laying-error", " m"), ("--wind-shift", " m"),
        ("--drift", ""), ("--size-guide-number", ""), ("--uniformity-index", ""), ("--tray-efficiency", ""),
        ("--half-width", " m"), ("--draws", ""), ("--seed", ""),
    )),
    *(("field", option, unit) for option, unit in (
        ("--bout-width", " m"), ("--headland-rounds", ""), ("--heading", ""), ("--turning-radius", " m"),
        ("--drift", " m"), ("--landing-distance", " m"), ("--cell", " m"), ("--target", " kg/ha"), ("--limit", ""),
        ("--per-year", " ha"),
    )),
]  # fmt: skip


@pytest.mark.parametrize(
    "number", ["9" * 400, "-1", "nan", "inf", "1e400"], ids=["400 digits", "-1", "nan", "inf", "1e400"]
)
@pytest.mark.parametrize(("command", "option", "unit"), OPTIONS)
def test_a_number_that_can_not_be_meant(command: str, option: str, unit: str, number: str) -> None:
    with_it = ("--steering", "0.10 m") if (command, option) == ("confidence", "--drift") else ()
    done = CliRunner().invoke(main, [*COMMANDS[command], *with_it, option, number + unit])
    assert isinstance(done.exception, SystemExit), done.exception
    assert done.exit_code == 2, done.output
    told = [line for line in done.stderr.splitlines() if line.startswith(("spreadcheck:", "Error:"))]
    assert len(told) == 1, done.stderr
    assert len(told[0]) < 700


@pytest.mark.parametrize("option", [("--target", "0 kg/ha"), ("--per-year", "0 ha")])
def test_nought_is_not_taken_for_not_given(option: tuple[str, str]) -> None:
    done = CliRunner().invoke(main, [*COMMANDS["field"], *option])
    assert done.exit_code == 2, done.output
