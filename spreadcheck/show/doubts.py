"""Doubts in words for the screen."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from spreadcheck.doubts.doubt import Doubt

WIDTH = 80


def doubt_lines(doubts: Iterable[Doubt], system: str = "metric") -> str:
    """The doubts, each under its code, 80 columns wide.

    >>> from spreadcheck.doubts.register import doubt
    >>> print(doubt_lines([doubt("strength-unknown")]))
    strength-unknown: The crush strength of a component is missing. The weakest
      component, which limits the spinner speed, is not known. Crush about ten
      granules of each component.
    """
    texts = (f"{doubt.code}: {doubt.message(system)}" for doubt in doubts)
    return "\n".join(textwrap.fill(text, WIDTH, subsequent_indent="  ", break_on_hyphens=False) for text in texts)
