"""The one way out to the terminal: what is said goes through the gate that makes hidden and steering signs visible."""

from __future__ import annotations

import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

from spreadcheck.errors import visible

WIDTH = 80
WAIT_S = 1.0
WIDE = 40


def say(text: str = "", *, err: bool = False, end: str = "\n") -> None:
    """Print text of one or more lines; signs that the output can't encode are escaped too."""
    stream = sys.stderr if err else sys.stdout
    encoding = getattr(stream, "encoding", None) or "ascii"
    seen = visible(text, lines=True).encode(encoding, "backslashreplace").decode(encoding)
    click.echo(seen + end, nl=False, err=err)


def folded(text: str, width: int = WIDTH) -> str:
    """Words on lines that fit, what follows a line's first indented; one that is too long, such as a path, is whole."""
    fit = textwrap.TextWrapper(width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
    return "\n".join(part for line in text.splitlines() for part in fit.wrap(line))


def steer(signs: str, *, err: bool = False) -> None:
    """Send signs of this program's own that are meant to steer the terminal; never a word from outside."""
    click.echo(signs, nl=False, err=err)


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[float], None]]:
    """A bar for work of more than a second, none where nobody looks: a function that is told the share done, 0 to 1."""
    start, seen = time.monotonic(), [-1]
    looked_at = sys.stderr is not None and sys.stderr.isatty()

    def told(share: float) -> None:
        done = round(WIDE * min(max(share, 0.0), 1.0))
        if looked_at and done != seen[0] and time.monotonic() - start > WAIT_S:
            seen[0] = done
            bar = "#" * done + "." * (WIDE - done)
            steer(f"\r{label} [{bar}] {100 * share:3.0f} %", err=True)

    try:
        yield told
    finally:
        if seen[0] >= 0:
            steer("\r" + " " * (WIDE + len(label) + 10) + "\r", err=True)
