"""A doubt about a test: what was seen, the limit it is held against, what it does to the answer, what to do.

1. `Finding`   one doubt, under a stable code
2. `Check`     what is looked at under one code: limits, effect and remedy, so that a finding only adds what was seen
3. `count_of`, `places_of`   trays in words
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from spreadcheck.limits import LIMITS


@dataclass(frozen=True)
class Finding:
    """One doubt about a test, under a stable code.

    `seen` is what was found, `threshold` the limit it is held against and where that limit comes from, `effect` what it
    does to the answer and `remedy` what to do about it.
    """

    code: str
    seen: str
    effect: str
    remedy: str
    threshold: str = ""

    @property
    def message(self) -> str:
        """All of it as one plain paragraph."""
        parts = (self.seen, self.threshold, self.effect, self.remedy)
        return " ".join(
            part[0].upper() + part[1:].rstrip(".") + ("" if part[-1] in "?." else ".") for part in parts if part
        )


@dataclass(frozen=True)
class Check:
    """What is looked at under one code; `limits` are codes of `LIMITS`."""

    code: str
    asks: str
    effect: str
    remedy: str
    limits: tuple[str, ...] = ()

    def found(self, seen: str, *, effect: str = "", remedy: str = "", limits: tuple[str, ...] | None = None) -> Finding:
        """A finding of this check, with the numbers of this test put in where they are given."""
        held = self.limits if limits is None else limits
        threshold = "; ".join(LIMITS[code].text for code in held)
        return Finding(self.code, seen, effect or self.effect, remedy or self.remedy, threshold)


def count_of(count: int) -> str:
    """Trays, counted in words.

    Parameters
    ----------
    count : int
        How many. [trays]

    Returns
    -------
    str
        The words. [-]

    Examples
    --------
    >>> count_of(1), count_of(3)
    ('1 tray', '3 trays')
    """
    return "1 tray" if count == 1 else f"{count} trays"


def places_of(offsets_m: Sequence[float]) -> str:
    """Offsets as a short list.

    Parameters
    ----------
    offsets_m : sequence of float
        Offsets of trays. [m]

    Returns
    -------
    str
        The first eight, and how many more there are. [-]

    Examples
    --------
    >>> places_of([-1.5, 0, 2])
    '-1.5, 0, 2 m'
    """
    shown = ", ".join(f"{offset:g}" for offset in offsets_m[:8])
    more = f" and {len(offsets_m) - 8} more" if len(offsets_m) > 8 else ""
    return f"{shown}{more} m"
