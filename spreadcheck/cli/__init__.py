"""The command line: one file a command, loaded only when that command is called; it parses and shows, no more."""

from __future__ import annotations

import contextlib
import errno
import importlib
import io
import os
import sys
from collections.abc import Callable
from typing import Any, TextIO

import click

from spreadcheck import __version__
from spreadcheck.cli.terminal import say
from spreadcheck.errors import Fault, SpreadcheckError, told

UNUSABLE, INTERRUPTED, NOBODY_READS = 2, 130, 141  # see docs/reliability.md

# command -> (step of the job it serves, one line on what it does); the file of the same name holds it
COMMANDS: dict[str, tuple[str, str]] = {
    "product": ("Set up the machine", "Size, density and strength of a product; speed and width from your chart."),
    "throw": ("Set up the machine", "What a change of spinner speed or granule does to the throw."),
    "rate": ("Set up the machine", "The application rate against the target: share recovered and what to correct."),
    "plan": ("Run the test", "Lay out a tray line: where the trays go, how many passes, how much room."),
    "form": ("Run the test", "From a tray sheet to an entry form on paper (PDF) or for a phone (HTML)."),
    "record": ("Run the test", "Enter the weights tray by tray; each is on the disk before the next is asked."),
    "analyse": ("Judge the test", "From a tray sheet to the effective width, the CV and what the field gets."),
    "confidence": ("Judge the test", "How sure the answer is: noise floor, intervals, passes needed, steering."),
    "blend": ("Judge the test", "CV and effective width of every component and nutrient of a blend."),
    "compare": ("Improve the machine", "What a change did to the pattern, and whether chance explains it."),
    "tune": ("Improve the machine", "The best setting from tests at several."),
    "widths": ("Decide and cost", "Which bout width pays: evenness, rates, stripes, work and cost of each."),
    "edge": ("Decide and cost", "What falls beyond the field edge, and what is short inside it."),
    "field": ("Decide and cost", "What a field gets: a map from a tray test and the way that is driven."),
    "batch": ("Keep an overview", "One summary row for every tray sheet below a folder."),
}


class Steps(click.Group):
    """A group that loads a command when it is called and lists them by the step of the job."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = getattr(importlib.import_module(f"spreadcheck.cli.{cmd_name}"), cmd_name)
        for option in command.params:  # click's own word would be FLOAT or INTEGER RANGE
            if isinstance(option.type, (click.types.FloatParamType, click.types.IntParamType)):
                option.metavar = option.metavar or "NUMBER"
        return command

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        """As click's own, but of two files for one option it would take the last without a word."""
        name = click.utils.make_str(args[0])
        if name not in COMMANDS and not name.startswith("-"):
            from difflib import get_close_matches

            near = get_close_matches(name, COMMANDS, n=1)
            hint = f'did you mean "{near[0]}"?' if near else f"the commands are: {', '.join(COMMANDS)}."
            ctx.fail(f'there is no command "{name}"; {hint}')
        found = _, command, rest = super().resolve_command(ctx, args)
        given: list[click.Parameter] = []
        if command is not None:
            with contextlib.suppress(click.UsageError):  # the command itself will say so
                given = command.make_parser(click.Context(command, ctx, name)).parse_args(list(rest))[2]
        for option in dict.fromkeys(given):
            if option.metavar == "FILE" and not option.multiple and given.count(option) > 1:
                ctx.fail(f"{option.opts[0]} is given twice; give it once")
        ctx.meta["spreadcheck words"] = tuple(args)
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for step in dict.fromkeys(step for step, _ in COMMANDS.values()):
            with formatter.section(step):
                formatter.write_dl([(name, line) for name, (at, line) in COMMANDS.items() if at == step])

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except SpreadcheckError as error:
            for line in told(error.faults):
                say(f"spreadcheck: {line}", err=True)
            ctx.exit(UNUSABLE)
        except OSError as error:
            if error.errno == errno.EPIPE:
                _drop_output(sys.stdout, sys.stderr)
                ctx.exit(NOBODY_READS)
            if error.filename is not None:
                raise
            problem = f"can't be written ({error.strerror or error})"
            fault = Fault("standard output", problem, "make room on the disk, or send the result elsewhere")
            say(f"spreadcheck: {fault}", err=True)
            _drop_output(sys.stdout)
            ctx.exit(UNUSABLE)

    def main(self, *args: Any, standalone_mode: bool = True, **extra: Any) -> Any:
        """As click's own, with the exit codes of docs/reliability.md and its messages through the gate."""
        run: Callable[..., Any] = super().main
        if not standalone_mode:
            return run(*args, standalone_mode=False, **extra)
        try:
            code = run(*args, standalone_mode=False, **extra)
        except click.ClickException as error:
            told = io.StringIO()
            error.show(told)
            say(told.getvalue(), err=True, end="")
            code = UNUSABLE
        except click.Abort:
            say("spreadcheck: interrupted", err=True)
            code = INTERRUPTED
        sys.exit(code if isinstance(code, int) else 0)


def _drop_output(*streams: TextIO | None) -> None:
    """Let what is still waiting for an output go, or Python would complain about it at the end."""
    for stream in filter(None, streams):  # None where it was closed
        with contextlib.suppress(OSError, ValueError), open(os.devnull, "wb") as nowhere:
            os.dup2(nowhere.fileno(), stream.fileno())


@click.group(cls=Steps, context_settings={"help_option_names": ["--help"], "max_content_width": 80})
@click.version_option(__version__, message="spreadcheck %(version)s")
def main() -> None:
    """Tray tests of granular-fertiliser spreaders: from tray weights to an effective width."""


if __name__ == "__main__":
    sys.exit(main())
