"""The one way out to the terminal: what is said goes through the gate that makes hidden and steering signs visible."""

from __future__ import annotations

import sys

import click

from spreadcheck.errors import visible


def say(text: str = "", *, err: bool = False, end: str = "\n") -> None:
    """Print text of one or more lines; signs that the output can't encode are escaped too."""
    stream = sys.stderr if err else sys.stdout
    encoding = getattr(stream, "encoding", None) or "ascii"
    seen = visible(text, lines=True).encode(encoding, "backslashreplace").decode(encoding)
    click.echo(seen + end, nl=False, err=err)


def steer(signs: str) -> None:
    """Send signs of this program's own that are meant to steer the terminal; never a word from outside."""
    click.echo(signs, nl=False)
