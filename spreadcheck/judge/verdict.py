"""The verdict on a test at the bout width driven, and the width that is advised."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.errors import record
from spreadcheck.spread.bands import DRIVING_ERROR_M, WidthCurve

FITS = "fits"
NARROWLY = "fits narrowly"
NOT_EVEN = "not even enough"
CANT_BE_JUDGED = "can't be judged"
STATES = (FITS, NARROWLY, NOT_EVEN, CANT_BE_JUDGED)
TAILS_KEEP = 0.9  # of the limit: what the plausible tails have to keep where much was missed, as none of them is seen
SURE_PCT = 90.0  # probability of keeping the limit from which a width is advised and called fitting
EVEN_CHANCE_PCT = 50.0  # probability below which a width is rather not even enough
NEAR = 0.9  # of the widest width that would do: a dip nearer than that is worth its narrower bouts
MUCH_LOWER = 2 / 3  # of the CV at that width: what makes a dip much lower
_LOOKS = 13  # widths looked at from one driving error below the width to one above it


@record
class Verdict:
    """What is said of a test at its bout width, once, for every command.

    `why` says what makes it narrow ("driving error", "tails", "close" or "probability", which below an even chance is
    not even enough) or forbids it ("doubts", whose codes are `blocking`, or "few trays"). Probabilities are the least
    and the greatest over plausible tails; `part` of a blend decides; `untested` is the side taken to be like the other.
    """

    state: str
    method: str
    bout_width_m: float
    cv_pct: float
    cv_trays_pct: float
    limit_pct: float
    error_m: float
    probability_pct: float | None = None
    probability_most_pct: float | None = None
    blocking: tuple[str, ...] = ()
    why: str = ""
    close: bool = False
    part: str = ""
    untested: str = ""

    @property
    def may_be_driven(self) -> bool:
        """Whether the width may be driven as it was tested; not where a side was not."""
        return self.state in (FITS, NARROWLY) and not self.untested


def kept_either_way(curve: WidthCurve, width_m: float, limit_pct: float, error_m: float) -> bool:
    """Whether the limit is kept at every width from one driving error below to one above."""
    widths = width_m + np.linspace(-error_m, error_m, _LOOKS)
    squares = curve.exact(widths[widths > 0])
    return not bool((squares > (limit_pct / 100.0) ** 2).any())


def advised_width(
    curve: WidthCurve,
    limit_pct: float,
    *,
    error_m: float = DRIVING_ERROR_M,
    width_m: ArrayLike = (),
    within_pct: ArrayLike = (),
) -> float | None:
    """The widest bout width that keeps the limit for driving errors either way and, if known, is sure to keep it."""
    widths, within = np.asarray(width_m, dtype=float), np.nan_to_num(np.asarray(within_pct, dtype=float))
    for run in reversed(curve.runs(limit_pct, error_m)):
        if run.narrow:
            continue
        low, high = run.from_m + error_m, run.to_m - error_m
        if not len(widths):
            return _dip_below(curve, low, high)
        tried = np.unique(np.concatenate((widths[(widths > low) & (widths < high)], (low, high))))
        sure = np.interp(tried, widths, within) >= SURE_PCT
        if sure.any():
            at = int(np.flatnonzero(sure)[-1])
            until = float(tried[at])
            if at < len(tried) - 1:  # the straight line to the next width meets the probability asked for
                here, there = np.interp(tried[at : at + 2], widths, within)
                until += float((tried[at + 1] - tried[at]) * (here - SURE_PCT) / (here - there))
            return _dip_below(curve, low, until)
    return None


def _dip_below(curve: WidthCurve, low_m: float, high_m: float) -> float:
    """The lowest CV close below a width at the limit, if much lower: a shifted pattern keeps the limit there."""
    near = curve.width_m[(curve.width_m >= max(low_m, NEAR * high_m)) & (curve.width_m < high_m)]
    if not len(near):
        return high_m
    squares = curve.exact(near)
    at, there = int(np.argmin(squares)), float(curve.exact(np.array([high_m]))[0])
    turns = 0 < at < len(near) - 1
    return float(near[at]) if turns and squares[at] <= MUCH_LOWER**2 * there else high_m
