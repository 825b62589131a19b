"""The shape of a spread pattern in the trade's own words, named only where it stands clear of the test's own noise.

Thresholds are this tool's own: a trapezoid whose top is at least 0.3 of its base is flat-topped; one with a smaller
top, a triangle and a bell (Gaussian) are peaked. A figure is clear of its threshold when it is further from it than the
one model of the noise explains in 99 of 100 tests. Whether a pattern is alike to both sides is asked by the same test
as the advice and the doubt `off-centre` ask it (`passes.sides`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from enum import Enum

from spreadcheck.errors import record
from spreadcheck.pattern.figures import UNKNOWN, Compared, Figures

LEVEL = 0.15  # flat-topped: both shoulders within this of the centre
PEAKED = 0.85  # peaked: both shoulders at most this share of the centre
HOLLOW = 1.20  # hollow centre: both shoulders at least this share of the centre
LOPSIDED_PCT = 5.0  # lopsided: one side has this much more than half
TAIL_RATIO = 1.5  # one-sided tail: one tail this many times the other

_Z = 2.5758  # standard normal deviate, 99 % two-sided


@record
class Shape:
    """One shape: `meaning` in plain words, `rule` by which it is named, `effect` on the overlap."""

    name: str
    meaning: str
    rule: str
    effect: str


SHAPES = {
    shape.name: shape
    for shape in (
        Shape("flat-topped", "about the same rate from shoulder to shoulder, then falling to both sides",
              f"both shoulders within {100 * LEVEL:g} % of the centre, and no second peak that is clear of chance",
              "even over narrow bout widths and again up to its half-rate width, where it takes good driving"),
        Shape("peaked", "highest about its middle and falling from there to both sides, like a triangle or a bell",
              f"both shoulders at most {100 * PEAKED:g} % of the centre, and no second peak that is clear of chance",
              "forgives driving that is not quite true, at bout widths up to its half-rate width"),
        Shape("double-peaked", "two heaps with a dip between them (M-shaped)",
              "two peaks, each above the dip between them by 10 % of the highest rate, and clear of chance",
              "often a stretch of bout widths fails between narrow and wide ones that are within the limit"),
        Shape("hollow centre", "less in the middle than on both sides of it",
              f"both shoulders at least {100 * HOLLOW:g} % of the centre",
              "a light strip along every driving line, unless neighbouring passes fill it"),
        Shape("several peaks", "three heaps or more",
              "three or more peaks, each above the dips beside it by 10 % of the highest rate, and clear of chance",
              "evenness comes and goes with the bout width: look at all width bands"),
        Shape("lopsided", "more on one side of the driving line than on the other",
              f"one side has at least {50 + LOPSIDED_PCT:g} % of the spread, and the sides differ by more than chance",
              "driven back-and-forth, heavy and light strips in turn; driven round-and-round it matters less"),
        Shape("one-sided tail", "the rate falls more slowly on one side than on the other",
              f"one tail at least {TAIL_RATIO:g} times as long as the other, longer by a tray spacing, and the sides "
              "differ by more than chance",
              "driven back-and-forth, long tails meet long ones and short meet short, so that every second edge "
              "differs"),
    )
}  # fmt: skip


class Verdict(Enum):
    """Whether a shape is there."""

    NAMED = "named"
    ABSENT = "absent"
    UNCLEAR = "unclear"


def margin(figure: Compared) -> float:
    """How far a figure may be off by chance in 99 of 100 tests."""
    return math.inf if math.isnan(figure.error) or math.isnan(figure.value) else _Z * figure.error


def between(figure: Compared, low: float, high: float) -> Verdict:
    """Whether a figure lies between two thresholds, clear of chance."""
    off = margin(figure)
    if math.isinf(off):
        return Verdict.UNCLEAR
    least, most = figure.value - off, figure.value + off
    if least >= low and most <= high:
        return Verdict.NAMED
    return Verdict.ABSENT if most < low or least > high else Verdict.UNCLEAR


def name_shapes(
    figures: Figures, *, spacing_m: float, clear_peaks: int, humps: int, noise: str, unlike: bool
) -> dict[str, Verdict]:
    """The verdict on every shape."""
    if noise == UNKNOWN:
        return dict.fromkeys(SHAPES, Verdict.UNCLEAR)
    sides = (figures.left_shoulder, figures.right_shoulder)
    one = Verdict.ABSENT if clear_peaks > 1 else Verdict.NAMED  # a hump that may be chance takes nothing away
    even = between(figures.left_share_pct, 50 - LOPSIDED_PCT, 50 + LOPSIDED_PCT)
    lopsided = Verdict.ABSENT if even is Verdict.NAMED else Verdict.UNCLEAR  # too near to half to matter
    tails = _tails(figures.tail_left_m, figures.tail_right_m, spacing_m)
    if unlike:
        share = figures.left_share_pct.value
        lopsided = Verdict.NAMED if abs(share - 50) >= LOPSIDED_PCT else Verdict.ABSENT
    elif tails is Verdict.NAMED:  # no one-sided shape where the sides differ by no more than chance
        tails = Verdict.UNCLEAR
    return {
        "flat-topped": _all((*(between(side, 1 - LEVEL, 1 + LEVEL) for side in sides), one)),
        "peaked": _all((*(between(side, -math.inf, PEAKED) for side in sides), one)),
        "double-peaked": _peaks_are(2, 2, clear_peaks, humps),
        "hollow centre": _all(between(side, HOLLOW, math.inf) for side in sides),
        "several peaks": _peaks_are(3, math.inf, clear_peaks, humps),
        "lopsided": lopsided,
        "one-sided tail": tails,
    }


def _all(verdicts: Iterable[Verdict]) -> Verdict:
    found = set(verdicts)
    if Verdict.ABSENT in found:
        return Verdict.ABSENT
    return Verdict.UNCLEAR if Verdict.UNCLEAR in found else Verdict.NAMED


def _peaks_are(low: int, high: float, clear_peaks: int, humps: int) -> Verdict:
    """Chance can hide no peak that stands clear, and humps that don't stand clear may be chance."""
    if low <= clear_peaks <= high and humps <= high:
        return Verdict.NAMED
    return Verdict.ABSENT if humps < low or clear_peaks > high else Verdict.UNCLEAR


def _tails(left: Compared, right: Compared, spacing_m: float) -> Verdict:
    """The longer tail against `TAIL_RATIO` times the shorter: their difference in each pass carries the spread."""
    if math.isnan(left.value) or math.isnan(right.value):
        return Verdict.UNCLEAR
    longer, shorter = (left, right) if left.value >= right.value else (right, left)
    pairs = zip(longer.passes, shorter.passes, strict=True)
    excess = Compared(
        longer.value - TAIL_RATIO * shorter.value,
        tuple(a - TAIL_RATIO * b for a, b in pairs),
        math.hypot(longer.error, TAIL_RATIO * shorter.error),
    )
    beyond = between(excess, 0.0, math.inf)
    if longer.value - shorter.value < spacing_m * (1 - 1e-9):
        return Verdict.UNCLEAR if beyond is Verdict.UNCLEAR else Verdict.ABSENT
    return beyond
