"""The edge of a field: what passes that come to an end leave, and a field of N passes between two edges."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.errors import CostError, Fault, WidthError, record
from spreadcheck.judge.assessment import assess
from spreadcheck.judge.verdict import Verdict
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.evenness import Deposit, cv_of_pieces, mean_of_pieces
from spreadcheck.spread.overlap import deposit_shares
from spreadcheck.spread.profile import TAPER, Profile, at_target_rate, profile_of
from spreadcheck.spread.stripes import STRIPE_PCT, runs_below
from spreadcheck.spread.tails import FigureRange, ends_of, metered_kg_ha_m, tailed
from spreadcheck.spread.widths import check_widths, scan_widths
from spreadcheck.units import parse_quantity

_CHUNK = 2_000  # points looked at together, so that memory stays flat in the number of passes
_SAME = 1e-11  # of the lengths at hand: kinks closer than this are one kink


def mirrored(profile: Profile) -> Profile:
    """The profile with left and right swapped."""
    return replace(profile, offset_m=-profile.offset_m[::-1], rate_kg_ha=profile.rate_kg_ha[::-1])


def area_left_of(profile: Profile, offset_m: FloatArray) -> FloatArray:
    """Area under the profile left of an offset, exact."""
    x, y = profile.knots
    whole = np.concatenate(([0.0], np.cumsum((y[1:] + y[:-1]) * np.diff(x) / 2)))
    at = np.clip(offset_m, x[0], x[-1])
    piece = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    along = at - x[piece]
    slope = (y[piece + 1] - y[piece]) / (x[piece + 1] - x[piece])
    return np.asarray(whole[piece] + along * (y[piece] + slope * along / 2))


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
    first: int | None = None,
    last: int | None = None,
) -> Deposit:
    """The deposit of some passes between two places, as linear pieces between its kinks."""
    # every place between the two where the deposit may bend: the knots of all passes, turned or not, and both ends
    reach, w = reach_m(profile), bout_width_m
    numbers = np.arange(np.floor((low_m - reach) / w), np.ceil((high_m + reach) / w) + 1)
    places = np.sort((numbers[:, None] * w + np.concatenate((profile.knots[0], -profile.knots[0]))).ravel())
    closest = _SAME * (high_m - low_m + reach + w)
    places = places[np.append(True, np.diff(places) > closest)]
    x = np.concatenate(([low_m], places[(places > low_m + closest) & (places < high_m - closest)], [high_m]))
    start, length = x[:-1], np.diff(x)

    def rate(places: FloatArray) -> FloatArray:
        """What the passes from first to last leave at places in order, a stretch of the field at a time."""
        parts = []
        for at in range(0, len(places), _CHUNK):
            numbers, shares = deposit_shares(profile, places[at : at + _CHUNK], bout_width_m, method)
            low, high = (-np.inf if first is None else first), (np.inf if last is None else last)
            parts.append(shares[(numbers >= low) & (numbers <= high)].sum(axis=0))
        return np.concatenate(parts)

    # a step may stand on a kink, so look a quarter inside each piece and extend its straight line to both ends
    near, far = rate(start + length / 4), rate(start + 3 * length / 4)
    left, right = np.maximum(1.5 * near - 0.5 * far, 0.0), np.maximum(1.5 * far - 0.5 * near, 0.0)
    return Deposit(start, length, left, right, np.array([0]))


LEFT, RIGHT = "left", "right"
SIDES = (LEFT, RIGHT)
HALF_BOUT = "half bout"
EDGE_M = 100.0  # of edge, that masses are told for
MOST_LINES = 2  # tray lines in a bout: at more, passes leave most of the ground between them bare
_ROUNDING = 1e-12  # of a pass: less than this beyond the edge is nothing
_TO_KG = EDGE_M / 10_000.0  # kg/ha x m x 100 m -> kg


@record
class EdgeCase:
    """One distance of the first pass from the edge, for one driving method and one side of the machine to the edge.

    Masses are per 100 m of edge, shares in % of what one pass spreads; masses are None where rates are in proportion.
    `strip_m` is how much of the edge zone gets less than 90 % of the mean; `strip_endless_m` how much of it would in an
    endless field, from its stripes alone. The zone ends where no pass driven beyond the edge would have reached.
    """

    method: str
    side: str
    first_pass_m: float
    beyond_kg: float | None
    beyond_pct: float
    short_kg: float | None
    short_pct: float
    zone_m: float
    strip_m: float
    strip_endless_m: float


def edge_case(profile: Profile, bout_width_m: float, method: str, *, first_pass_m: float, side: str = LEFT) -> EdgeCase:
    """What falls beyond the edge and what is short inside it, at one distance of the first pass."""
    check_widths(profile, bout_width_m)
    check_first_pass(first_pass_m)
    inward = profile if side == LEFT else mirrored(profile)
    w, area = bout_width_m, profile.area_kg_ha_m
    beyond = float(_beyond(inward, w, method, np.array([first_pass_m]))[0])
    # what the passes k < 0 of an endless field would leave inside the edge, and how far they would reach
    passes = int(np.floor((first_pass_m + reach_m(inward)) / w)) + 1
    areas = [_left_of(inward, method, -k, np.array(k * w - first_pass_m)) for k in range(1, passes + 1)]
    short = max(float(np.sum(area - np.array(areas))), 0.0)
    left, right = support_m(inward)
    nearest = -left if method == BACK_AND_FORTH else right  # pass -1 is turned when driven back and forth
    zone = max(0.0, first_pass_m - w + nearest, first_pass_m - 2 * w + right)

    def under(first: int | None) -> float:
        """How much of the zone gets too little of the passes from `first` on, or of an endless field."""
        if zone <= 0:
            return 0.0
        pieces = deposit_between(inward, w, method, low_m=-first_pass_m, high_m=zone - first_pass_m, first=first)
        starts, ends = runs_below(pieces, area / w * STRIPE_PCT / 100)
        return float((ends - starts).sum())

    return EdgeCase(
        method=method,
        side=side,
        first_pass_m=first_pass_m,
        beyond_kg=None if profile.relative else beyond * _TO_KG,
        beyond_pct=100 * beyond / area,
        short_kg=None if profile.relative else short * _TO_KG,
        short_pct=100 * short / area,
        zone_m=zone,
        strip_m=under(0),
        strip_endless_m=under(None),
    )


def read_first_pass(text: str, place: str) -> float | None:
    """A distance of the first pass from the edge as a person asks for it: "12 m", or "half bout" for None. [m]"""
    if " ".join(text.casefold().split()) == HALF_BOUT:
        return None
    distance = parse_quantity(text, "length", place=place)
    check_first_pass(distance, place=place)
    return distance


def read_share(text: str, place: str) -> float:
    """A share of a pass to keep inside the field, as a person asks for it: "95 %". [%]"""
    share = parse_quantity(text, "share", place=place)
    check_share(share, place=place)
    return share


def check_share(share_pct: float, *, place: str = "share kept inside") -> None:
    """Refuse a share that can't be kept inside the field."""
    if not 0 < share_pct <= 100:
        raise CostError(Fault(place, f"{share_pct:g} % is not a share of a pass", "give one above 0, up to 100 %"))


def check_first_pass(first_pass_m: float, *, place: str = "first pass") -> None:
    """Refuse a distance from the edge at which no first pass is driven."""
    if not 0 <= first_pass_m <= 1000:
        raise WidthError(Fault(place, f"{first_pass_m:g} m from the edge can't be driven", "give 0 m to 1000 m"))


def _left_of(profile: Profile, method: str, number: int, away_m: FloatArray) -> FloatArray:
    """Area that pass k leaves left of a place, told by the distance of that place from its centre line."""
    if method == BACK_AND_FORTH and number % 2:
        return profile.area_kg_ha_m - area_left_of(profile, -away_m)
    return area_left_of(profile, away_m)


def _beyond(profile: Profile, w: float, method: str, first_m: FloatArray) -> FloatArray:
    """Area that the passes k >= 0 leave beyond the edge, for many distances of the first pass. [kg/ha m]"""
    passes = int(np.ceil(reach_m(profile) / w)) + 1
    left = [_left_of(profile, method, k, -(first_m + k * w)) for k in range(passes)]
    return np.asarray(np.maximum(np.sum(left, axis=0), 0.0))


def first_pass_distance(
    profile: Profile, bout_width_m: float, method: str, *, share_pct: float, side: str = LEFT
) -> float:
    """The shortest distance of the first pass from the edge that keeps a given share of a pass inside the field."""
    check_share(share_pct)
    check_widths(profile, bout_width_m)
    inward, w = profile if side == LEFT else mirrored(profile), bout_width_m
    allowed = profile.area_kg_ha_m * (1 - share_pct / 100)
    # where the area beyond falls to what is allowed: quadratic between distances at which a knot meets the edge
    knots = np.concatenate((inward.knots[0], -inward.knots[0]))
    places = np.unique(np.maximum(knots[:, None] - w * np.arange(np.ceil(reach_m(inward) / w) + 1), 0.0))
    beyond = _beyond(inward, w, method, places)
    end = int(np.argmax(beyond <= allowed + _ROUNDING * profile.area_kg_ha_m))
    if end == 0:
        return 0.0
    low, high = places[end - 1], places[end]
    g0, middle, g1 = (float(g) for g in _beyond(inward, w, method, np.array([low, (low + high) / 2, high])))
    square, slope, excess = 2 * (g0 - 2 * middle + g1), 4 * middle - 3 * g0 - g1, g0 - allowed
    root = np.sqrt(max(slope * slope - 4 * square * excess, 0.0))
    return float(low + min(2 * excess / (root - slope), 1.0) * (high - low))


SHARES_PCT = (95.0, 98.0, 99.5)  # of a pass, kept inside the field
MAX_PASSES = 1_000


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

    @property
    def mean_pct_of_endless(self) -> float:
        """The mean of the field as a share of that of the endless field. [%]"""
        return 100 * self.mean_kg_ha / self.endless_mean_kg_ha


@record
class Kept:
    """The distance of the first pass that keeps a share of one pass inside the field."""

    method: str
    side: str
    share_pct: float
    case: EdgeCase


@record(eq=False)
class EdgeStudy:
    """One tray test at the edge of a field; rates are scaled to the target where one is known."""

    test: TrayTest
    profile: Profile
    bout_width_m: float
    target_kg_ha: float | None
    cases: tuple[EdgeCase, ...]
    kept: tuple[Kept, ...]
    fields: tuple[WholeField, ...]
    doubts: tuple[Doubt, ...]
    verdict: Verdict | None
    over_tails: OverTails | None = None
    mass_of_passes: FigureRange | None = None  # least and largest over their mean, where masses rest on which is right


@record
class OverTails:
    """What falls beyond the edge over all plausible tails, where the end trays still catch: a range for each case.

    `beyond_pct` and `beyond_kg` (None in proportion only) stand beside `EdgeStudy.cases`, `first_pass_m` beside
    `EdgeStudy.kept`.
    """

    beyond_pct: tuple[FigureRange, ...]
    beyond_kg: tuple[FigureRange, ...] | None
    first_pass_m: tuple[FigureRange, ...]


def whole_field(
    profile: Profile, bout_width_m: float, method: str, *, passes: int, first_pass_m: float, side: str = LEFT
) -> WholeField:
    """A field of N passes between two edges, both at the same distance from the outermost pass; no headland."""
    check_widths(profile, bout_width_m)
    check_first_pass(first_pass_m)
    width = float(2 * first_pass_m + (passes - 1) * bout_width_m) if 1 <= passes <= MAX_PASSES else 0.0
    if width <= 0:
        problem = f"{str(passes)[:12]} passes, the first {first_pass_m:g} m from the edge, make no field"
        raise WidthError(Fault("passes", problem, f"give 1 to {MAX_PASSES:,} passes and a distance above 0"))
    inward = profile if side == LEFT else mirrored(profile)
    pieces = deposit_between(
        inward, bout_width_m, method, low_m=-first_pass_m, high_m=width - first_pass_m, first=0, last=passes - 1
    )
    mean = float(mean_of_pieces(pieces)[0])
    endless = scan_widths(inward, bout_width_m, method)
    return WholeField(
        method=method,
        side=side,
        first_pass_m=first_pass_m,
        passes=passes,
        width_m=width,
        mean_kg_ha=mean,
        cv_line_pct=float(cv_of_pieces(pieces)[0]),
        beyond_pct=max(100 * (1 - mean * width / (passes * profile.area_kg_ha_m)), 0.0),
        endless_mean_kg_ha=float(endless.mean_kg_ha[0]),
        endless_cv_line_pct=float(endless.cv_line_pct[0]),
    )


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
    first_pass_m : sequence of float or None
        Distances of the first pass from the edge; None stands for half a bout. [m]
    share_pct : sequence of float
        Shares of a pass to keep inside the field. [%]
    passes : int
        Passes of the whole field. [-]
    sides : sequence of str
        Which sides of the machine to the edge: "left", "right" or both. [-]
    target_kg_ha : float or None
        Target rate, to which the profile is scaled. [kg/ha]
    tails : str
        What happens beyond the end trays: "taper" or "cut". [-]
    relative : bool
        Whether rates in proportion are enough, where catches are in ml and no bulk density is given. [-]

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
    >>> round(study.cases[0].beyond_pct, 3), round(study.kept[1].case.first_pass_m, 3)
    (12.5, 2.051)
    """
    width = test.bout_width_m if bout_width_m is None else bout_width_m
    if width is None:
        remedy = 'write it on the sheet, or add --bout-width "24 m"'
        raise WidthError(Fault("bout width", "is not known", remedy))
    profile = profile_of(test, tails=tails, relative=relative)
    check_widths(profile, width)
    line_m = float(test.offset_m.max() - test.offset_m.min())
    if width > MOST_LINES * line_m:
        problem = f"{width:g} m is more than {MOST_LINES} times the tray line of {line_m:g} m, so passes would not meet"
        remedy = "check the number and its unit, and the unit of the offsets"
        raise WidthError(Fault("bout width", problem, remedy))
    target = test.target_kg_ha if target_kg_ha is None else target_kg_ha
    if target is not None:
        profile = at_target_rate(profile, width, target)
    distances = tuple(dict.fromkeys(width / 2 if first is None else first for first in first_pass_m))
    cases = list(itertools.product(distances, METHODS, sides))
    kept = []
    for share, method, side in itertools.product(share_pct, METHODS, sides):
        first = first_pass_distance(profile, width, method, share_pct=share, side=side)
        kept.append(Kept(method, side, share, edge_case(profile, width, method, first_pass_m=first, side=side)))
    judged = assess(test, bout_width_m=width, tails=tails, relative=relative)
    study = EdgeStudy(
        test=test,
        profile=profile,
        bout_width_m=width,
        target_kg_ha=target,
        cases=tuple(edge_case(profile, width, method, first_pass_m=first, side=side) for first, method, side in cases),
        kept=tuple(kept),
        fields=tuple(
            whole_field(profile, width, method, passes=passes, first_pass_m=first, side=side)
            for first, method, side in cases
        ),
        doubts=judged.doubts,
        verdict=judged.verdict,
        mass_of_passes=judged.mass_of_passes if target is None and not profile.relative else None,
    )
    if not ends_of(profile).catch:
        return study
    metered = metered_kg_ha_m(test, width)
    if metered is not None:
        metered *= profile.area_kg_ha_m / profile_of(test, tails=tails, relative=relative).area_kg_ha_m
    return replace(study, over_tails=_over_tails(study, tailed(ends_of(profile), metered)))


def _over_tails(study: EdgeStudy, profiles: Sequence[Profile]) -> OverTails:
    """The cases again with every plausible tail."""
    width, target = study.bout_width_m, study.target_kg_ha
    if target is not None:
        profiles = [at_target_rate(profile, width, target) for profile in profiles]
    cases = [
        [edge_case(p, width, case.method, first_pass_m=case.first_pass_m, side=case.side) for p in profiles]
        for case in study.cases
    ]
    kilos = tuple(_range([one.beyond_kg or 0.0 for one in found]) for found in cases)
    return OverTails(
        beyond_pct=tuple(_range([one.beyond_pct for one in found]) for found in cases),
        beyond_kg=None if study.profile.relative else kilos,
        first_pass_m=tuple(
            _range([first_pass_distance(p, width, k.method, share_pct=k.share_pct, side=k.side) for p in profiles])
            for k in study.kept
        ),
    )


def _range(values: Sequence[float]) -> FigureRange:
    return FigureRange(min(values), max(values))
