"""Whether the tray line could show the pattern: its length, its spacing, its gaps.

1. `Judged`         the width that the line is held against, and what it is
2. `line_findings`  throw not covered, too few trays, gaps inside the width, trays closer than they are wide
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spreadcheck.doubts.doubt import Check, Finding, count_of, places_of
from spreadcheck.limits import LIMITS
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.profile import SAME_PLACE, Profile
from spreadcheck.units import show

CHECKS = (
    Check(
        "end-catch",
        "mean catch of the end trays, as a share of the peak",
        "what fell beyond the line is missing from the overlap, and the tail drawn there is a guess",
        "lay trays farther out, until the last one catches nothing",
        ("end catch",),
    ),
    Check(
        "line-too-short",
        "effective width against the length of the tray line",
        "wider bouts could not be tested, so the effective width may be wider than said",
        "lay a longer tray line",
        ("line over width",),
    ),
    Check(
        "few-trays",
        "trays with a catch inside the effective width",
        "the CV rests on few points, and what lies between the trays is drawn as a straight line",
        "lay the trays closer, side by side if there are enough of them",
        ("trays in width",),
    ),
    Check(
        "gaps-in-width",
        "trays without a usable catch inside the effective width",
        "the pattern is drawn straight across them, so stripes that fell there are not seen",
        "weigh these trays if they were only forgotten, else repeat the test with trays there",
        ("gaps in width", "gaps share"),
    ),
    Check(
        "trays-too-close",
        "distance between tray centres against the tray width",
        "trays can't stand closer than they are wide, so offsets or tray width are wrong, and with them the answer",
        "measure the tray across the travel and the offsets again, and correct the sheet",
    ),
)
_CHECK = {check.code: check for check in CHECKS}
_RIM = 0.02  # of the tray width: sloping rims let trays stand a little closer than measured


@dataclass(frozen=True)
class Judged:
    """The width that a tray line is held against, and what it is: the effective width, or the next best."""

    width_m: float
    what: str = "effective width"

    @property
    def text(self) -> str:
        """Name and number."""
        return f"the {self.what} of {show(self.width_m, 'length')}"


def judged_width(profile: Profile, effective_m: float | None, bout_width_m: float | None) -> Judged:
    """The effective width; where there is none the bout width driven, else the width at half the peak rate.

    Parameters
    ----------
    profile : Profile
        The single-pass profile. [m, kg/ha]
    effective_m : float or None
        Effective width. [m]
    bout_width_m : float or None
        Bout width driven. [m]

    Returns
    -------
    Judged
        The width and its name. [m]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> judged_width(profile_from([-2, -1, 0, 1, 2], [0, 5, 8, 5, 0]), None, None)
    Judged(width_m=2.0, what='half-rate width')
    """
    if effective_m is not None:
        return Judged(effective_m)
    if bout_width_m is not None:
        return Judged(bout_width_m, "bout width driven")
    high = profile.offset_m[profile.rate_kg_ha >= profile.rate_kg_ha.max() / 2]
    return Judged(max(float(high[-1] - high[0]), profile.spacing_m), "half-rate width")


def line_findings(test: TrayTest, profile: Profile, judged: Judged) -> tuple[Finding, ...]:
    """Doubts about the tray line.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    profile : Profile
        Its single-pass profile. [m, kg/ha]
    judged : Judged
        The width that the line has to serve. [m]

    Returns
    -------
    tuple of Finding
        The findings. [-]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_of
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> test = tray_test([-1, 0, 1], [5, 9, 5], tray_width="0.5 m", tray_length="0.5 m")
    >>> [finding.code for finding in line_findings(test, profile_of(test), Judged(2.0))]
    ['end-catch', 'line-too-short', 'few-trays']
    """
    found = (
        _end_catch(profile),
        _too_short(profile, judged),
        _few_trays(profile, judged),
        _gaps(profile, judged),
        _too_close(test),
    )
    return tuple(finding for finding in found if finding is not None)


def _end_catch(profile: Profile) -> Finding | None:
    rate, offset = profile.rate_kg_ha, profile.offset_m
    left, right = (100.0 * float(rate[at] / rate.max()) for at in (0, -1))
    if max(left, right) <= LIMITS["end catch"].value:
        return None
    seen = (
        f"the end trays still caught {left:.0f} % (at {_side(offset[0])}) and {right:.0f} % (at {_side(offset[-1])}) "
        "of the peak rate"
    )
    return _CHECK["end-catch"].found(seen)


def _side(offset_m: float) -> str:
    """A place on the line as the driver sees it."""
    return f"{abs(offset_m):.4g} m {'left' if offset_m < 0 else 'right'}"


def _too_short(profile: Profile, judged: Judged) -> Finding | None:
    """Only where the width concluded is as wide as the line: then the next wider one was never tried."""
    length = float(profile.offset_m[-1] - profile.offset_m[0])
    if judged.what != "effective width" or judged.width_m < length - profile.spacing_m / 2:
        return None
    seen = f"{judged.text} is {judged.width_m / length:.2f} times the tray line of {show(length, 'length')}"
    return _CHECK["line-too-short"].found(seen)


def _inside(profile: Profile, judged: Judged) -> tuple[int, tuple[float, ...]]:
    """Trays inside the width judged, and those among them that were filled."""
    edge = judged.width_m / 2 * (1 + SAME_PLACE)
    filled = tuple(offset for offset in profile.filled_offset_m if abs(offset) <= edge)
    return int(np.count_nonzero(np.abs(profile.offset_m) <= edge)), filled


def _few_trays(profile: Profile, judged: Judged) -> Finding | None:
    trays, filled = _inside(profile, judged)
    if trays - len(filled) >= LIMITS["trays in width"].value:
        return None
    seen = (
        f"{count_of(trays - len(filled))} with a catch inside {judged.text}, {show(profile.spacing_m, 'length')} apart "
        "at the closest"
    )
    return _CHECK["few-trays"].found(seen)


def _gaps(profile: Profile, judged: Judged) -> Finding | None:
    trays, filled = _inside(profile, judged)
    if not filled:
        return None
    share = 100.0 * len(filled) / trays
    if len(filled) <= LIMITS["gaps in width"].value or share <= LIMITS["gaps share"].value:
        return None
    seen = (
        f"{count_of(len(filled))} ({share:.0f} %) without a usable catch inside {judged.text}, at {places_of(filled)}"
    )
    return _CHECK["gaps-in-width"].found(seen)


def _too_close(test: TrayTest) -> Finding | None:
    gaps = test.offset_m[1:] - test.offset_m[:-1]
    width, least = test.tray_width_m, float(gaps.min(initial=np.inf))
    if least >= width * (1 - _RIM):
        return None
    at = int(gaps.argmin())
    seen = (
        f"trays {test.tray[at]} and {test.tray[at + 1]} stand {show(least, 'length')} apart, and a tray is "
        f"{show(width, 'length')} wide"
    )
    return _CHECK["trays-too-close"].found(seen)
