"""The edge of the field: what falls beyond the boundary, and what is short inside it.

The edge is at u = 0 and the field at u > 0. Pass k (k = 0, 1, 2 ...) is centred at u = d + k w; none is driven beyond
the edge. What falls beyond is the sum over k >= 0 of what each pass leaves at u < 0; what is short is what the passes
k < 0 of an endless field would have left at u > 0. Both are areas under the linear pieces of the profile, so both are
exact. Per 100 m of edge an area A in kg/ha m is A / 100 kg. Shares are of what one pass spreads.

Nothing here is a legal distance: local rules and the product label decide, and the machine maker's manual says how
border-spreading equipment is set.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spreadcheck.errors import CostError, Fault, WidthError
from spreadcheck.field.fieldpasses import area_left_of, deposit_between, mirrored, reach_m, support_m
from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.profile import Profile
from spreadcheck.spread.stripes import STRIPE_PCT, runs_below
from spreadcheck.spread.widths import check_width
from spreadcheck.units import parse_quantity

LEFT, RIGHT = "left", "right"
SIDES = (LEFT, RIGHT)
HALF_BOUT = "half bout"
EDGE_M = 100.0  # of edge, that masses are told for
_ROUNDING = 1e-12  # of a pass: less than this beyond the edge is nothing
_TO_KG = EDGE_M / 10_000.0  # kg/ha x m x 100 m -> kg


@dataclass(frozen=True)
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
    check_width(profile, bout_width_m)
    check_first_pass(first_pass_m)
    inward = profile if side == LEFT else mirrored(profile)
    area = profile.area_kg_ha_m
    beyond = float(_beyond(inward, bout_width_m, method, np.array([first_pass_m]))[0])
    short = _short(inward, bout_width_m, method, first_pass_m)
    zone = _zone(inward, bout_width_m, method, first_pass_m)
    bound = area / bout_width_m * STRIPE_PCT / 100
    return EdgeCase(
        method=method,
        side=side,
        first_pass_m=first_pass_m,
        beyond_kg=None if profile.relative else beyond * _TO_KG,
        beyond_pct=100 * beyond / area,
        short_kg=None if profile.relative else short * _TO_KG,
        short_pct=100 * short / area,
        zone_m=zone,
        strip_m=_under(inward, bout_width_m, method, first_pass_m, zone, bound, first=0),
        strip_endless_m=_under(inward, bout_width_m, method, first_pass_m, zone, bound, first=None),
    )


def parse_first_pass(text: str, *, place: str = "option --first-pass") -> tuple[float | None, ...]:
    """Distances of the first pass from the edge as a person asks for them: "half bout", "12 m", or a list of these."""
    listed = [" ".join(part.casefold().split()) for part in text.replace(";", ",").split(",") if part.strip()]
    if not listed:
        raise WidthError(Fault(place, "there is no distance in it", f'write "{HALF_BOUT}" or such as "8 m"'))
    distances = [None if part == HALF_BOUT else parse_quantity(part, "length", place=place) for part in listed]
    for distance in distances:
        if distance is not None:
            check_first_pass(distance, place=place)
    return tuple(distances)


def parse_shares(text: str, *, place: str = "option --keep-inside") -> tuple[float, ...]:
    """Shares of a pass to keep inside the field, as a person asks for them: "95 %, 99 %"."""
    shares = [parse_quantity(part, "share", place=place) for part in text.replace(";", ",").split(",") if part.strip()]
    if not shares:
        raise CostError(Fault(place, "there is no share in it", 'write such as "95 %, 99 %"'))
    for share in shares:
        check_share(share, place=place)
    return tuple(dict.fromkeys(shares))


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


def _short(profile: Profile, w: float, method: str, first_m: float) -> float:
    """Area that the passes k < 0 of an endless field would leave inside the edge. [kg/ha m]"""
    passes = int(np.floor((first_m + reach_m(profile)) / w)) + 1
    areas = [_left_of(profile, method, -k, np.array(k * w - first_m)) for k in range(1, passes + 1)]
    return max(float(np.sum(profile.area_kg_ha_m - np.array(areas))), 0.0)


def _zone(profile: Profile, w: float, method: str, first_m: float) -> float:
    """How far inside the edge the passes that are not driven would reach. [m]"""
    left, right = support_m(profile)
    nearest = -left if method == BACK_AND_FORTH else right  # pass -1 is turned when driven back and forth
    return max(0.0, first_m - w + nearest, first_m - 2 * w + right)


def _under(
    profile: Profile, w: float, method: str, first_m: float, zone_m: float, rate_kg_ha: float, *, first: int | None
) -> float:
    """How much of the edge zone lies below a rate, of the passes from `first` on or of an endless field. [m]"""
    if zone_m <= 0:
        return 0.0
    starts, ends = runs_below(
        deposit_between(profile, w, method, low_m=-first_m, high_m=zone_m - first_m, first=first), rate_kg_ha
    )
    return float((ends - starts).sum())


def first_pass_distance(
    profile: Profile, bout_width_m: float, method: str, *, share_pct: float, side: str = LEFT
) -> float:
    """The shortest distance of the first pass from the edge that keeps a given share of a pass inside the field."""
    check_share(share_pct)
    check_width(profile, bout_width_m)
    inward = profile if side == LEFT else mirrored(profile)
    return _distance_at(inward, bout_width_m, method, profile.area_kg_ha_m * (1 - share_pct / 100))


def _distance_at(profile: Profile, w: float, method: str, allowed: float) -> float:
    """Where the area beyond falls to what is allowed: quadratic between distances at which a knot meets the edge."""
    knots = np.concatenate((profile.knots[0], -profile.knots[0]))
    places = np.unique(np.maximum(knots[:, None] - w * np.arange(np.ceil(reach_m(profile) / w) + 1), 0.0))
    beyond = _beyond(profile, w, method, places)
    end = int(np.argmax(beyond <= allowed + _ROUNDING * profile.area_kg_ha_m))
    if end == 0:
        return 0.0
    low, high = places[end - 1], places[end]
    g0, middle, g1 = (float(g) for g in _beyond(profile, w, method, np.array([low, (low + high) / 2, high])))
    square, slope, excess = 2 * (g0 - 2 * middle + g1), 4 * middle - 3 * g0 - g1, g0 - allowed
    root = np.sqrt(max(slope * slope - 4 * square * excess, 0.0))
    return float(low + min(2 * excess / (root - slope), 1.0) * (high - low))
