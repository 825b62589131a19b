"""Whether the tray line could show the pattern: its length, its spacing, its gaps."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from spreadcheck.doubts.doubt import Doubt, Places, Quantity, Words, trays_counted
from spreadcheck.doubts.register import CHECKS, doubt
from spreadcheck.errors import record
from spreadcheck.limits import LIMITS
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.profile import SAME_PLACE, Profile
from spreadcheck.spread.tails import FigureRange, ends_of

_RIM = 0.02  # of the tray width: sloping rims let trays stand a little closer than measured


@record
class Judged:
    """The width that a tray line is held against, and what it is: the effective width, or the next best. [m]"""

    width_m: float
    what: str = "effective width"

    @property
    def words(self) -> Words:
        """Name and number."""
        return Words("the {what} of {width}", {"what": self.what, "width": Quantity(self.width_m, "length")})


def judged_width(profile: Profile, effective_m: float | None, bout_width_m: float | None) -> Judged:
    """The effective width; where there is none the bout width driven, else the width at half the peak rate."""
    if effective_m is not None:
        return Judged(effective_m)
    if bout_width_m is not None:
        return Judged(bout_width_m, "bout width driven")
    return Judged(half_rate_width_m(profile), "half-rate width")


def half_rate_width_m(profile: Profile) -> float:
    """The width over which at least half the peak rate fell. [m]"""
    high = profile.offset_m[profile.rate_kg_ha >= profile.rate_kg_ha.max() / 2]
    return max(float(high[-1] - high[0]), profile.spacing_m)


def line_doubts(
    test: TrayTest, profile: Profile, judged: Judged, *, cv_over_tails: Mapping[str, FigureRange], tails_decide: bool
) -> Iterator[Doubt]:
    """Doubts about the tray line: throw not covered, too few trays, gaps, trays closer than they are wide."""
    yield from _ends(profile, cv_over_tails, tails_decide)
    offset, width = profile.offset_m, judged.words
    length = float(offset[-1] - offset[0])
    if judged.what == "effective width" and judged.width_m >= length - profile.spacing_m / 2:
        times = judged.width_m / length  # as wide as the line: the next wider one was never tried
        yield doubt("line-too-short", width=width, times=times, length=Quantity(length, "length"))
    edge = judged.width_m / 2 * (1 + SAME_PLACE)
    filled = tuple(place for place in profile.filled_offset_m if abs(place) <= edge)
    trays = int(np.count_nonzero(np.abs(offset) <= edge))
    if trays - len(filled) < LIMITS["trays in width"].value:
        counted, spacing = trays_counted(trays - len(filled)), Quantity(profile.spacing_m, "length")
        yield doubt("few-trays", trays=counted, width=width, spacing=spacing)
    share = 100.0 * len(filled) / max(trays, 1)
    if len(filled) > LIMITS["gaps in width"].value and share > LIMITS["gaps share"].value:
        counted = trays_counted(len(filled))
        yield doubt("gaps-in-width", trays=counted, share=share, width=width, places=Places(filled))
    gaps = test.offset_m[1:] - test.offset_m[:-1]
    if (least := float(gaps.min(initial=np.inf))) < test.tray_width_m * (1 - _RIM):
        at = int(gaps.argmin())
        apart, wide = Quantity(least, "length"), Quantity(test.tray_width_m, "length")
        yield doubt("trays-too-close", one=test.tray[at], other=test.tray[at + 1], apart=apart, width=wide)


def _ends(profile: Profile, cvs: Mapping[str, FigureRange], decides: bool) -> Iterator[Doubt]:
    """A side that was not tested; and what fell beyond the end trays, which blocks where it decides the verdict."""
    rate, left, right = profile.rate_kg_ha, -float(profile.offset_m[0]), float(profile.offset_m[-1])
    short, long = sorted((left, right))
    share = 100.0 * float(rate[0 if left < right else -1] / rate.max())
    if short <= LIMITS["side reach"].value * long and share > LIMITS["side catch"].value:
        reach = Quantity(max(short, 0.0), "length")
        yield doubt("one-side", share=share, short=reach, long=Quantity(long, "length"))
    ends, effect = ends_of(profile), CHECKS["end-catch"].effect
    if not ends.catch:
        return
    if cvs:
        ranges = " and ".join(f"{cv.least:.1f} to {cv.most:.1f} % {method}" for method, cv in cvs.items())
        effect += f"; over all plausible tails the CV at the bout width driven is {ranges}"
    first, last = (Quantity(abs(far), "length") for far in (left, right))
    caught, blocks = ends.share_pct, ends.open and decides
    yield doubt("end-catch", effect=effect, blocking=blocks, left=caught[0], right=caught[1], first=first, last=last)
