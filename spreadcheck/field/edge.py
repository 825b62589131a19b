"""The edge of a field: what passes that come to an end leave, and a field of N passes between two edges."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.errors import CostError, Fault, WidthError, record
from spreadcheck.judge.assessment import assess
from spreadcheck.judge.verdict import Verdict
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.evenness import STRIPE_PCT, Deposit
from spreadcheck.spread.profile import TAPER, FigureRange, Profile, at_target_rate, metered_kg_ha_m, profile_of, tailed
from spreadcheck.spread.widths import check_widths, scan_widths

LEFT, RIGHT = "left", "right"
SIDES = (LEFT, RIGHT)
EDGE_M = 100.0  # of edge, that masses are told for
SHARES_PCT = (95.0, 98.0, 99.5)  # of a pass, kept inside the field
MAX_PASSES = 1_000
MOST_LINES = 2  # tray lines in a bout: at more, passes leave most of the ground between them bare
_SAME = 1e-11  # of the lengths at hand: kinks closer than this are one kink
_ROUNDING = 1e-12  # of a pass: less than this beyond the edge is nothing
_TO_KG = EDGE_M / 10_000.0 / 100  # % of kg/ha x m x 100 m -> kg


def mirrored(profile: Profile) -> Profile:
    """The profile with left and right swapped."""
    return replace(profile, offset_m=-profile.offset_m[::-1], rate_kg_ha=profile.rate_kg_ha[::-1])


def support_m(profile: Profile) -> tuple[float, float]:
    """Where a pass begins and ends to leave anything: zero catches at the end of the line are no reach."""
    x, y = profile.knots
    caught = np.flatnonzero(y > 0)
    return float(x[max(caught[0] - 1, 0)]), float(x[min(caught[-1] + 1, len(x) - 1)])


def reach_m(profile: Profile) -> float:
    """How far from its centre line a pass leaves anything, on either side."""
    return max(abs(end) for end in support_m(profile))


def deposit_between(
    profile: Profile,
    bout_width_m: float,
    method: str,
    *,
    low_m: float,
    high_m: float,
    first: float = -np.inf,
    last: float = np.inf,
) -> Deposit:
    """The deposit of the passes from first to last between two places, as linear pieces between its kinks."""
    reach, w = reach_m(profile), bout_width_m
    turned = mirrored(profile) if method == BACK_AND_FORTH else profile
    passes = (profile.knots, turned.knots)
    numbers = np.arange(max(first, np.floor((low_m - reach) / w)), min(last, np.ceil((high_m + reach) / w)) + 1)
    x = np.sort((numbers[:, None] * w + np.concatenate((passes[0][0], passes[1][0]))).ravel())
    closest = _SAME * (high_m - low_m + reach + w)
    x = x[(x > low_m + closest) & (x < high_m - closest)]
    x = np.concatenate(([low_m], x[np.diff(x, prepend=low_m) > closest], [high_m]))
    start, length = x[:-1], np.diff(x)
    # a step may stand on a kink, so look a quarter inside each piece and extend its straight line to both ends
    places = np.stack((start + length / 4, start + 3 * length / 4))
    rates = np.zeros_like(places)
    for number in numbers:
        knots, rate = passes[int(number) % 2]
        some = slice(*np.searchsorted(places[0], number * w + knots[[0, -1]]))
        rates[:, some] += np.interp(places[:, some] - number * w, knots, rate)
    near, far = rates
    left, right = np.maximum(1.5 * near - 0.5 * far, 0.0), np.maximum(1.5 * far - 0.5 * near, 0.0)
    return Deposit(start, length, left, right, np.array([0]))


@record
class EdgeCase:
    """One distance of the first pass from the edge, for one driving method and one side of the machine to the edge.

    Masses are per 100 m of edge, shares in % of what one pass spreads; masses are None where rates are in proportion.
    """

    method: str
    side: str
    first_pass_m: float
    beyond_kg: float | None
    beyond_pct: float
    short_kg: float | None
    short_pct: float
    zone_m: float  # it ends where no pass driven beyond the edge would have reached
    strip_m: float  # of the zone, with less than 90 % of the mean
    strip_endless_m: float  # the same in an endless field, from its stripes alone


def _driven(profile: Profile, bout_width_m: float, method: str, side: str) -> Deposit:
    """What the passes k >= 0 leave left of their outermost line, the side of the machine to the edge on the left."""
    check_widths(profile, bout_width_m)
    inward = profile if side == LEFT else mirrored(profile)
    return deposit_between(inward, bout_width_m, method, low_m=-reach_m(inward), high_m=0.0, first=0)


def _beyond_pct(profile: Profile, bout_width_m: float, first_pass_m: float, method: str, side: str) -> float:
    """What falls beyond the edge. [% of a pass]"""
    driven = _driven(profile, bout_width_m, method, side)
    share = np.clip((-first_pass_m - driven.start_m) / driven.length_m, 0.0, 1.0)  # of each piece
    area = driven.length_m * share * (driven.left + (driven.right - driven.left) * share / 2)
    return 100 * float(area.sum()) / profile.area_kg_ha_m


def edge_case(profile: Profile, bout_width_m: float, method: str, *, first_pass_m: float, side: str = LEFT) -> EdgeCase:
    """What falls beyond the edge and what is short inside it, at one distance of the first pass."""
    beyond = _beyond_pct(profile, bout_width_m, first_pass_m, method, side)
    inward, w, area = profile if side == LEFT else mirrored(profile), bout_width_m, profile.area_kg_ha_m
    left, right = support_m(inward)
    nearest = -left if method == BACK_AND_FORTH else right  # pass -1 is turned when driven back and forth
    zone, short, strips = max(0.0, first_pass_m - w + nearest, first_pass_m - 2 * w + right), 0.0, [0.0, 0.0]
    if zone > 0:
        missing, *fields = (
            deposit_between(inward, w, method, low_m=-first_pass_m, high_m=zone - first_pass_m, first=first, last=last)
            for first, last in ((-np.inf, -1), (0, np.inf), (-np.inf, np.inf))
        )
        short = 100 * float(missing.mean_kg_ha[0]) * zone / area
        under = (pieces.runs_below(area / w * STRIPE_PCT / 100) for pieces in fields)
        strips = [float((ends - starts).sum()) for starts, ends in under]
    kilos = [None if profile.relative else pct * area * _TO_KG for pct in (beyond, short)]
    return EdgeCase(method, side, first_pass_m, kilos[0], beyond, kilos[1], short, zone, *strips)


def first_pass_distance(
    profile: Profile, bout_width_m: float, method: str, *, share_pct: float, side: str = LEFT
) -> float:
    """The shortest distance of the first pass from the edge that keeps a given share of a pass inside the field."""
    if not 0 < share_pct <= 100:
        problem = f"{share_pct:g} % is not a share of a pass"
        raise CostError(Fault("option --keep-inside", problem, "give one above 0, up to 100 %"))
    driven = _driven(profile, bout_width_m, method, side)
    allowed = profile.area_kg_ha_m * (1 - share_pct / 100)
    fallen = np.cumsum(driven.length_m * (driven.left + driven.right) / 2)
    over = fallen > allowed + _ROUNDING * profile.area_kg_ha_m
    if not over.any():
        return 0.0
    at = int(np.argmax(over))  # within this piece what has fallen grows to what is allowed: a square to solve
    start, length, left, right = (
        float(each[at]) for each in (driven.start_m, driven.length_m, driven.left, driven.right)
    )
    excess = max(allowed - (float(fallen[at - 1]) if at else 0.0), 0.0)
    root = math.sqrt(max(left * left + 2 * (right - left) / length * excess, 0.0))
    return max(-(start + (2 * excess / (left + root) if excess else 0.0)), 0.0)


@record
class WholeField:
    """A field of N passes between two edges, and the endless field beside it; both CVs by line."""

    method: str
    side: str
    first_pass_m: float
    passes: int
    width_m: float
    mean_kg_ha: float
    cv_line_pct: float
    beyond_pct: float  # of all that was spread, over both edges
    endless_mean_kg_ha: float
    endless_cv_line_pct: float
    mean_pct_of_endless: float


@record(eq=False)
class EdgeStudy:
    """One tray test at the edge of a field; rates are scaled to the target where one is known."""

    test: TrayTest
    profile: Profile
    bout_width_m: float
    target_kg_ha: float | None
    cases: tuple[EdgeCase, ...]
    kept: tuple[tuple[float, EdgeCase], ...]  # the share of one pass kept inside the field [%], and how
    fields: tuple[WholeField, ...]
    doubts: tuple[Doubt, ...]
    verdict: Verdict | None
    over_tails: OverTails | None = None
    mass_of_passes: FigureRange | None = None  # least and largest over their mean, where masses rest on which is right


@record
class OverTails:
    """What falls beyond the field edge over all plausible tails, where the end trays still catch: a range each."""

    beyond_pct: tuple[FigureRange, ...]  # beside `EdgeStudy.cases`
    beyond_kg: tuple[FigureRange, ...] | None  # None in proportion only
    first_pass_m: tuple[FigureRange, ...]  # beside `EdgeStudy.kept`


def whole_field(
    profile: Profile, bout_width_m: float, method: str, *, passes: int, first_pass_m: float, side: str = LEFT
) -> WholeField:
    """A field of N passes between two edges, both at the same distance from the outermost pass; no headland."""
    check_widths(profile, bout_width_m)
    width = float(2 * first_pass_m + (passes - 1) * bout_width_m) if 1 <= passes <= MAX_PASSES else 0.0
    if width <= 0:
        problem = f"{str(passes)[:12]} passes, the first {first_pass_m:g} m from the edge, make no field"
        raise WidthError(Fault("passes", problem, f"give 1 to {MAX_PASSES:,} passes and a distance above 0"))
    inward = profile if side == LEFT else mirrored(profile)
    pieces = deposit_between(
        inward, bout_width_m, method, low_m=-first_pass_m, high_m=width - first_pass_m, first=0, last=passes - 1
    )
    mean, endless = float(pieces.mean_kg_ha[0]), scan_widths(inward, bout_width_m, method)
    endless_mean, spread = float(endless.mean_kg_ha[0]), passes * profile.area_kg_ha_m
    return WholeField(
        method, side, first_pass_m, passes, width, mean, float(pieces.cv_pct[0]),
        beyond_pct=max(100 * (1 - mean * width / spread), 0.0),
        endless_mean_kg_ha=endless_mean,
        endless_cv_line_pct=float(endless.cv_line_pct[0]),
        mean_pct_of_endless=100 * mean / endless_mean,
    )  # fmt: skip


def study_edge(
    test: TrayTest,
    *,
    bout_width_m: float | None = None,
    first_pass_m: Sequence[float | None] = (None,),
    share_pct: Sequence[float] = SHARES_PCT,
    passes: int = 10,
    sides: Sequence[str] = SIDES,
    target_kg_ha: float | None = None,
    tails: str = TAPER,
    relative: bool = False,
) -> EdgeStudy:
    """One tray test at the edge of a field, for both driving methods.

    Parameters
    ----------
    test : TrayTest
        The test; its bout width and target rate are taken where none is given. [-]
    bout_width_m : float or None
        The bout width. [m]
    first_pass_m, share_pct : sequence of float
        Distances of the first pass from the edge, None for half a bout; shares of a pass to keep inside. [m, %]
    passes, sides : int, sequence of str
        Passes of the whole field; which sides of the machine to the edge: "left", "right" or both. [-]
    target_kg_ha : float or None
        Target rate, to which the profile is scaled. [kg/ha]
    tails, relative : str, bool
        Beyond the end trays: "taper" or "cut"; whether catches in ml without bulk density are enough. [-]

    Returns
    -------
    EdgeStudy
        The figures. [kg, %, m]

    Raises
    ------
    NoSpreadError
        If the test has no pattern.
    WidthError
        If no bout width is known, or a width, distance or number of passes can't be driven.
    CostError
        If a share can't be kept.

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> test = tray_test([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    >>> study = study_edge(test, bout_width_m=3, sides=["left"])
    >>> round(study.cases[0].beyond_pct, 3), round(study.kept[1][1].first_pass_m, 3)
    (12.5, 2.051)
    """
    width = test.bout_width_m if bout_width_m is None else bout_width_m
    if width is None:
        remedy = 'write it on the sheet, or add --bout-width "24 m"'
        raise WidthError(Fault("bout width", "is not known", remedy))
    caught = profile_of(test, tails=tails, relative=relative)
    check_widths(caught, width, place=test.source)
    line_m = float(test.offset_m.max() - test.offset_m.min())
    if width > MOST_LINES * line_m:
        problem = f"{width:g} m is more than {MOST_LINES} times the tray line of {line_m:g} m, so passes would not meet"
        remedy = "check the number and its unit, and the unit of the offsets"
        raise WidthError(Fault("bout width", problem, remedy))
    target = test.target_kg_ha if target_kg_ha is None else target_kg_ha

    distances = dict.fromkeys(width / 2 if first is None else first for first in first_pass_m)
    for first in distances:
        if not 0 <= first <= 1000:
            problem = f"{first:g} m from the edge can't be driven"
            raise WidthError(Fault("option --first-pass", problem, "give 0 m to 1000 m"))
    ways, shares = (list(itertools.product(values, METHODS, sides)) for values in (distances, share_pct))

    def scaled(one: Profile) -> Profile:
        return one if target is None else at_target_rate(one, width, target)

    def kept_m(one: Profile) -> list[float]:
        return [first_pass_distance(one, width, method, share_pct=share, side=side) for share, method, side in shares]

    def over(figures: Sequence[Sequence[float]]) -> tuple[FigureRange, ...]:
        return tuple(FigureRange(min(each), max(each)) for each in zip(*figures, strict=True))

    profile, tails_drawn = scaled(caught), None
    if caught.ends.catch:
        drawn = [scaled(one) for one in tailed(caught.ends, metered_kg_ha_m(test, width))]
        beyond = [[_beyond_pct(one, width, *way) for way in ways] for one in drawn]
        kilos = [[pct * one.area_kg_ha_m * _TO_KG for pct in each] for one, each in zip(drawn, beyond, strict=True)]
        tails_drawn = OverTails(over(beyond), None if profile.relative else over(kilos), over(list(map(kept_m, drawn))))
    judged = assess(test, bout_width_m=width, tails=tails, relative=relative)
    kept = zip(shares, kept_m(profile), strict=True)
    return EdgeStudy(
        test=test,
        profile=profile,
        bout_width_m=width,
        target_kg_ha=target,
        cases=tuple(edge_case(profile, width, method, first_pass_m=at, side=side) for at, method, side in ways),
        kept=tuple(
            (share, edge_case(profile, width, method, first_pass_m=at, side=side)) for (share, method, side), at in kept
        ),
        fields=tuple(
            whole_field(profile, width, method, passes=passes, first_pass_m=at, side=side) for at, method, side in ways
        ),
        doubts=judged.doubts,
        verdict=judged.verdict,
        over_tails=tails_drawn,
        mass_of_passes=judged.mass_of_passes if target is None and not profile.relative else None,
    )
