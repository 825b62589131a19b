"""Options that commands share: one table, types that say what is wrong, files that are written whole."""

import json

import click
import pytest
from click.testing import CliRunner

from spreadcheck.cli import COMMANDS, main
from spreadcheck.cli.options import options, outputs, quantity, several


def shared(name):
    """The options of a command by their long name."""
    return {param.opts[0]: param for param in main.get_command(None, name).params if isinstance(param, click.Option)}


ALL = {name: shared(name) for name in COMMANDS}


@pytest.mark.parametrize("option", ["--limit", "--tails", "--units", "--json", "--overwrite", "--relative", "--dates"])
def test_an_option_means_the_same_in_every_command(option):
    """Type, default and field are those of the one table wherever an option stands (record has units of its own)."""
    found = [given[option] for name, given in ALL.items() if option in given and name != "record"]
    assert len(found) > 4
    assert {(param.name, param.type.name, str(param.default), param.is_flag) for param in found} == {
        (found[0].name, found[0].type.name, str(found[0].default), found[0].is_flag)
    }


def test_quantities_are_floats_in_the_units_inside():
    """1 ft = 0.3048 m, exactly; the field of the command has the unit in its name."""

    @click.command()
    @options(
        tray_width=quantity("length", "WIDTH", "Across the travel.", default="0.5 m"),
        at=several(lambda text, place: (place, text), "Places.", field="at_m"),
    )
    def command(**given):
        click.echo(repr(given))

    run = CliRunner().invoke
    assert run(command, []).output == "{'tray_width_m': 0.5, 'at_m': ()}\n"
    assert run(command, ["--tray-width", "2 ft"]).output == "{'tray_width_m': 0.6096, 'at_m': ()}\n"
    assert "(('option --at', '1'), ('option --at', '2'))" in run(command, ["--at", "1; 2, 1"]).output
    assert "(('option --at', '1'),)" in run(command, ["--at", "1,1"]).output
    assert 'option --tray-width: "2" has no unit' in str(run(command, ["--tray-width", "2"]).exception)


def test_an_option_that_may_come_again_keeps_equal_readings_and_tells_all_faults():
    @click.command()
    @options(width=several("length", "Widths.", field="widths_m", again=True))
    def command(widths_m):
        click.echo(repr(widths_m))

    run = CliRunner().invoke
    assert run(command, ["--width", "3,2 m; 3.2 m", "--width", "1 ft"]).output == "(3.2, 3.2, 0.3048)\n"
    assert run(command, []).output == "()\n"
    told = str(run(command, ["--width", "3 kg, 4"]).exception)
    assert '"kg" in "3 kg" is not a unit of length' in told
    assert '"4" has no unit' in told


@pytest.fixture
def command():
    """A command with two outputs, the second of which may fail."""

    @click.command()
    @click.option("--fail", is_flag=True)
    @options("units")
    @outputs("json", csv="The table.")
    def made(*, fail, units, out):
        out.check()

        def csv():
            if fail:
                raise ValueError
            return "a\n"

        out.write(json=lambda: {"units": units}, csv=csv)
        click.echo(f"screen {out.screen} paper {out.paper}")

    return made


def test_files_are_made_before_the_first_is_written(command, tmp_path):
    """Where one can't be made nothing is written; else both are, and nothing is replaced unasked."""
    data, table = tmp_path / "x.json", tmp_path / "x.csv"
    files = ["--json", str(data), "--csv", str(table)]
    run = CliRunner().invoke
    assert run(command, [*files, "--fail"]).exit_code == 1
    assert not data.exists()
    done = run(command, [*files, "--units", "us"])
    assert "screen True paper letter" in done.output
    assert json.loads(data.read_text(encoding="utf-8")) == {"units": "us"}
    assert table.read_text(encoding="utf-8") == "a\n"
    assert "exists" in str(run(command, files).exception)
    assert run(command, [*files, "--overwrite"]).exit_code == 0


def test_paper_follows_the_units_in_every_command():
    """US units print on Letter, whether a command has --paper or not; what is typed wins."""

    @click.command()
    @options("paper", "units")
    @outputs("json")
    def made(*, units, out):
        click.echo(f"{units} {out.paper}")

    for words, told in {
        (): "metric a4",
        ("--units", "us"): "us letter",
        ("--units", "us", "--paper", "a4"): "us a4",
        ("--paper", "letter"): "metric letter",
    }.items():
        assert CliRunner().invoke(made, words).output.strip() == told


def test_a_dash_takes_the_screen_and_an_odd_ending_is_refused(command):
    run = CliRunner().invoke
    assert "screen False paper a4" in run(command, ["--json", "-"]).output
    assert 'can\'t be written as ".txt"; end the name in .json' in str(run(command, ["--json", "x.txt"]).exception)
