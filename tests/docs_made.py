"""What in docs/ is made by the tool itself: the command reference and the pictures.

Run `python tests/docs_made.py` after a change of commands, options or plots; a test fails while they differ.
"""

import sys
from pathlib import Path

import click

from spreadcheck.cli import COMMANDS, main

DOCS = Path(__file__).parent.parent / "docs"
SAMPLES = Path(__file__).parent.parent / "sample_trays"


def command_reference():
    """docs/commands.md: the help of every command, as the command itself prints it."""
    parts = [
        "# Command reference\n",
        "Made from the commands' own help by `python tests/docs_made.py`.\n",
        f"```text\n{help_of(main, 'spreadcheck')}```\n",
    ]
    context = click.Context(main, info_name="spreadcheck")
    for name in COMMANDS:
        command = main.get_command(context, name)
        parts.append(f"## {name}\n\n```text\n{help_of(command, f'spreadcheck {name}')}```\n")
    return "\n".join(parts)


def help_of(command, name):
    """The help text of one command, 80 columns wide."""
    context = click.Context(command, info_name=name, terminal_width=80, max_content_width=80)
    return command.get_help(context) + "\n"


def pictures():
    """docs/pictures: name -> content, each drawn from a sample sheet."""
    from spreadcheck import assess, read_sheet
    from spreadcheck.plots import analysis_figure, figure_bytes

    return {
        "lopsided.png": figure_bytes(analysis_figure(assess(read_sheet(SAMPLES / "lopsided.csv"))), "png"),
    }


if __name__ == "__main__":
    (DOCS / "commands.md").write_text(command_reference(), encoding="utf-8")
    for name, content in pictures().items():
        (DOCS / "pictures" / name).write_bytes(content)
    sys.stdout.write("docs/commands.md and docs/pictures are up to date\n")
