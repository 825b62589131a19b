"""A bar on standard error for work that takes more than a second; none where nobody looks."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

WAIT_S = 1.0
WIDE = 40


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[float], None]]:
    """A function that is told the share done, 0 to 1."""
    start, seen = time.monotonic(), [-1]
    looked_at = sys.stderr is not None and sys.stderr.isatty()

    def told(share: float) -> None:
        done = round(WIDE * min(max(share, 0.0), 1.0))
        if looked_at and done != seen[0] and time.monotonic() - start > WAIT_S:
            seen[0] = done
            bar = "#" * done + "." * (WIDE - done)
            _steered(f"\r{label} [{bar}] {100 * share:3.0f} %")

    try:
        yield told
    finally:
        if seen[0] >= 0:
            _steered("\r" + " " * (WIDE + len(label) + 10) + "\r")


def _steered(signs: str) -> None:
    """Signs of this program's own, never a word from outside."""
    sys.stderr.write(signs)
    sys.stderr.flush()
