"""Whether the tray line could show the pattern: its length, its spacing, its gaps."""

from __future__ import annotations

from collections.abc import Mapping

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
    high = profile.offset_m[profile.rate_kg_ha >= profile.rate_kg_ha.max() / 2]
    return Judged(max(float(high[-1] - high[0]), profile.spacing_m), "half-rate width")


def line_doubts(
    test: TrayTest, profile: Profile, judged: Judged, *, cv_over_tails: Mapping[str, FigureRange], tails_decide: bool
) -> tuple[Doubt, ...]:
    """Doubts about the tray line: throw not covered, too few trays, gaps, trays closer than they are wide."""
    found = (
        _one_side(profile),
        _end_catch(profile, cv_over_tails, tails_decide),
        _too_short(profile, judged),
        _few_trays(profile, judged),
        _gaps(profile, judged),
        _too_close(test),
    )
    return tuple(doubt for doubt in found if doubt is not None)


def _one_side(profile: Profile) -> Doubt | None:
    """A line that ends early on one side, where the pattern has not fallen off yet."""
    rate, left, right = profile.rate_kg_ha, -float(profile.offset_m[0]), float(profile.offset_m[-1])
    short, long = sorted((left, right))
    share = 100.0 * float(rate[0 if left < right else -1] / rate.max())
    if short > LIMITS["side reach"].value * long or share <= LIMITS["side catch"].value:
        return None
    return doubt("one-side", share=share, short=Quantity(max(short, 0.0), "length"), long=Quantity(long, "length"))


def _end_catch(profile: Profile, cvs: Mapping[str, FigureRange], decides: bool) -> Doubt | None:
    """What fell beyond the end trays is not known; it blocks where so much is missing that it decides the verdict."""
    ends, offset = ends_of(profile), profile.offset_m
    if not ends.catch:
        return None
    left, right = ends.share_pct
    effect = CHECKS["end-catch"].effect
    if cvs:
        ranges = " and ".join(f"{cv.least:.1f} to {cv.most:.1f} % {method}" for method, cv in cvs.items())
        effect += f"; over all plausible tails the CV at the bout width driven is {ranges}"
    return doubt(
        "end-catch",
        effect=effect,
        blocking=ends.open and decides,
        left=left,
        right=right,
        first=_far(offset[0]),
        last=_far(offset[-1]),
    )


def _far(offset_m: float) -> Quantity:
    """How far an end tray stands from the driving line."""
    return Quantity(abs(float(offset_m)), "length")


def _too_short(profile: Profile, judged: Judged) -> Doubt | None:
    """Only where the width concluded is as wide as the line: then the next wider one was never tried."""
    length = float(profile.offset_m[-1] - profile.offset_m[0])
    if judged.what != "effective width" or judged.width_m < length - profile.spacing_m / 2:
        return None
    times = judged.width_m / length
    return doubt("line-too-short", width=judged.words, times=times, length=Quantity(length, "length"))


def _inside(profile: Profile, judged: Judged) -> tuple[int, tuple[float, ...]]:
    """Trays inside the width judged, and those among them that were filled."""
    edge = judged.width_m / 2 * (1 + SAME_PLACE)
    filled = tuple(offset for offset in profile.filled_offset_m if abs(offset) <= edge)
    return int(np.count_nonzero(np.abs(profile.offset_m) <= edge)), filled


def _few_trays(profile: Profile, judged: Judged) -> Doubt | None:
    trays, filled = _inside(profile, judged)
    if trays - len(filled) >= LIMITS["trays in width"].value:
        return None
    counted, spacing = trays_counted(trays - len(filled)), Quantity(profile.spacing_m, "length")
    return doubt("few-trays", trays=counted, width=judged.words, spacing=spacing)


def _gaps(profile: Profile, judged: Judged) -> Doubt | None:
    trays, filled = _inside(profile, judged)
    if not filled:
        return None
    share = 100.0 * len(filled) / trays
    if len(filled) <= LIMITS["gaps in width"].value or share <= LIMITS["gaps share"].value:
        return None
    counted = trays_counted(len(filled))
    return doubt("gaps-in-width", trays=counted, share=share, width=judged.words, places=Places(filled))


def _too_close(test: TrayTest) -> Doubt | None:
    gaps = test.offset_m[1:] - test.offset_m[:-1]
    width, least = test.tray_width_m, float(gaps.min(initial=np.inf))
    if least >= width * (1 - _RIM):
        return None
    at = int(gaps.argmin())
    return doubt(
        "trays-too-close",
        one=test.tray[at],
        other=test.tray[at + 1],
        apart=Quantity(least, "length"),
        width=Quantity(width, "length"),
    )
