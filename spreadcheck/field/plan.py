"""A plan: headland rounds and parallel bouts, where the slide opens and shuts, the turns; and which heading is best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from spreadcheck.errors import Fault, WidthError, record
from spreadcheck.field.deposit import Landing, Leg, leg_of
from spreadcheck.field.fieldmap import Ground, map_field
from spreadcheck.field.places import Boundary, corners_of, extra, parts_of, rings_of
from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.spread.profile import Profile
from spreadcheck.units import HECTARE_M2, counted

MAX_ROUNDS = 20
_ARC_PARTS = 32  # chords of a quarter circle
_SHORTEST_M = 0.5  # pieces of bouts shorter than this are not driven
_ACUTE_DEG = 60.0
_DRIFT_STEP_M = 5.0
DRIFT_OVER_M = 100.0  # over which a drift lasts


@record
class Driving:
    """How a field is to be driven."""

    bout_width_m: float
    headland_rounds: int = 1
    heading_deg: float = 0.0  # from north, clockwise
    turning_radius_m: float = 8.0
    on_m: float = 0.0  # how far the antenna is past the headland's inner edge when the slide opens
    off_m: float = 0.0  # the same when it shuts
    method: str = BACK_AND_FORTH
    border: bool = False
    drift_m: float = 0.0  # standard deviation of a slow drift off the line

    def __post_init__(self) -> None:
        past = "{:g} m past the headland can't be"
        for option, good, problem, remedy in (
            ("headland-rounds", 0 <= self.headland_rounds <= MAX_ROUNDS,
             f"{self.headland_rounds} rounds can't be driven", f"give 0 to {MAX_ROUNDS}"),
            ("turning-radius", 0 < self.turning_radius_m <= 100, f"{self.turning_radius_m:g} m is no turning radius",
             "give a length up to 100 m, such as 8 m"),
            ("on-distance", abs(self.on_m) <= 200, past.format(self.on_m), "give up to 200 m"),
            ("off-distance", abs(self.off_m) <= 200, past.format(self.off_m), "give up to 200 m"),
            ("drift", 0 <= self.drift_m <= 10, f"{self.drift_m:g} m is no drift",
             "give a length up to 10 m, such as 0.3 m"),
        ):  # fmt: skip
            if not good:
                raise WidthError(Fault(f"option --{option}", problem, remedy))


@record(eq=False)
class Plan:
    """A field as it is to be driven: rounds, bouts, turns, and what simple planning does not solve."""

    driving: Driving
    legs: tuple[Leg, ...]
    rounds: int  # closed lines driven along the boundary
    bouts: int
    turn_m: float  # all turns together, driven with the slide shut
    turn_depth_m: float
    parts: int  # pieces into which necks split the ground inside the headland
    acute_corners: tuple[tuple[float, float], ...]  # corners of the outline under 60 deg
    tongue_ha: float  # ground too narrow for the headland rounds
    slant_ha: float  # ground short at bout ends on slanted edges; as much is double or outside
    last_over_m: float  # how far the last bout overlaps what is spread already
    cut_short: int  # bouts whose slide could not be opened or shut where it should, for the boundary


def turn_length_m(bout_width_m: float, radius_m: float) -> tuple[float, float]:
    """Length and depth of the turn into the next bout."""
    if bout_width_m >= 2 * radius_m:
        return float(np.pi * radius_m + bout_width_m - 2 * radius_m), radius_m
    alpha = np.arccos((bout_width_m + 2 * radius_m) / (4 * radius_m))
    return float(radius_m * (np.pi + 4 * alpha)), float(radius_m * (1 + 2 * np.sin(alpha)))


def plan_field(boundary: Boundary, driving: Driving) -> Plan:
    """Headland rounds and bouts of a field.

    Parameters
    ----------
    boundary : Boundary
        The field. [m]
    driving : Driving
        How it is to be driven. [m, deg]

    Returns
    -------
    Plan
        The plan; rounds first, then the bouts in the order they are driven. [m]

    Raises
    ------
    WidthError
        If the field is too small for the rounds and the turn.

    Examples
    --------
    >>> from spreadcheck.field.places import boundary_from
    >>> field = boundary_from([np.array([[0, 0], [400, 0], [400, 200], [0, 200]])])
    >>> plan = plan_field(field, Driving(24, heading_deg=90, on_m=20, off_m=20))
    >>> plan.rounds, plan.bouts, round(plan.legs[1].spread_m), round(plan.last_over_m)
    (1, 7, 352, 16)
    """
    shapely = extra("shapely", "the field map")
    field, width = boundary.polygon, driving.bout_width_m
    rings = [ring for number in range(driving.headland_rounds) for ring in _round(field, driving, number)]
    inner = field.buffer(-driving.headland_rounds * width, join_style="mitre", mitre_limit=5.0)
    bouts, last_over, cut_short = _bouts(shapely, field, inner, driving)
    if not rings and (driving.headland_rounds or not bouts):
        rounds, radius = driving.headland_rounds, driving.turning_radius_m
        problem = f"the field is too small for {counted(rounds, 'headland round')} of {width:g} m"
        if rounds and not field.buffer(-width / 2).is_empty:
            problem += f" driven with a turning radius of {radius:g} m"
        remedy = "give fewer rounds, a narrower bout or a smaller turning radius"
        raise WidthError(Fault(boundary.source, problem, remedy))
    legs = [*rings, *bouts]
    if driving.drift_m:
        legs = [_drifted(leg, driving, number) for number, leg in enumerate(legs)]
    turn, depth = turn_length_m(width, driving.turning_radius_m)
    if driving.method != BACK_AND_FORTH:  # round and round a land: on average half of it is crossed at each end
        turn += width * max(len(bouts) / 2 - 1, 0)
    deep = width if driving.headland_rounds else width / 2
    wide = field.buffer(-deep, join_style="mitre").buffer(deep, join_style="mitre")  # corners come back, tongues don't
    return Plan(
        driving=driving,
        legs=tuple(legs),
        rounds=len(rings),
        bouts=len(bouts),
        turn_m=max(len(bouts) - 1, 0) * turn,
        turn_depth_m=depth,
        parts=len(parts_of(inner)),
        acute_corners=tuple((x, y) for x, y in corners_of(rings_of(field)[0], 180 - _ACUTE_DEG).tolist()),
        tongue_ha=float(field.difference(wide).area) / HECTARE_M2,
        slant_ha=_slant_m2(inner, driving) / HECTARE_M2,
        last_over_m=last_over,
        cut_short=cut_short,
    )


def _round(field: Any, driving: Driving, number: int) -> list[Leg]:
    """One headland round: closed lines with the boundary on their left, clockwise round the outline."""
    inward, r = (number + 0.5) * driving.bout_width_m, driving.turning_radius_m
    moved = field.buffer(-(inward + r), _ARC_PARTS).buffer(2 * r, _ARC_PARTS).buffer(-r, _ARC_PARTS)
    legs = []
    for part in parts_of(moved):
        for ring, clockwise in ((part.exterior, True), *((hole, False) for hole in part.interiors)):
            points = np.asarray(ring.coords)[:, :2]
            if bool(ring.is_ccw) is clockwise:
                points = points[::-1]
            device = driving.border and number == 0
            legs.append(leg_of(*points.T, border_m=driving.bout_width_m / 2 if device else 0.0))
    return legs


def _bouts(shapely: Any, field: Any, inner: Any, driving: Driving) -> tuple[list[Leg], float, int]:
    """The bouts in order, how far the last overlaps, and how many could not be switched where they should be."""
    if inner.is_empty:
        return [], 0.0, 0
    heading, width = np.radians(driving.heading_deg), driving.bout_width_m
    ahead = np.array([np.sin(heading), np.cos(heading)])
    right = np.array([np.cos(heading), -np.sin(heading)])
    turn = np.stack((right, ahead))  # metres east and north -> across and along

    def turned(shape: Any) -> Any:
        return shapely.transform(shape, lambda points: points @ turn.T)

    ground, whole = turned(inner), turned(field)
    low, _, high, _ = ground.bounds
    count = max(int(np.ceil((high - low) / width - 1e-6)), 1)
    across = low + (np.arange(count) + 0.5) * width
    last_over = float(low + count * width - high)
    if count == 1 or across[-1] > high:  # the last odd bout may lie beyond the ground: it is driven on its edge at most
        across[-1] = min(across[-1], high - 1e-3) if count > 1 else (low + high) / 2
    lines = shapely.linestrings([[(at, whole.bounds[1] - 1), (at, whole.bounds[3] + 1)] for at in across])
    clipped, within = shapely.intersection(lines, ground), shapely.intersection(lines, whole)
    legs, cut_short = [], 0
    for number, (pieces, free) in enumerate(zip(clipped, within, strict=True)):
        up = number % 2 == 0 if driving.method == BACK_AND_FORTH else number < (count + 1) // 2
        spans, limits = _spans(pieces), _spans(free)
        for start, end in spans if up else spans[::-1]:
            bottom_end, top_end = next(((a, b) for a, b in limits if a - 1e-6 <= (start + end) / 2 <= b), (start, end))
            opened, shut = (start + driving.on_m, end + driving.off_m)
            if not up:
                opened, shut = end - driving.on_m, start - driving.off_m
            ends = np.clip([opened, shut], bottom_end, top_end)
            cut_short += bool(np.abs(ends - [opened, shut]).max() > 0.01)
            if (ends[1] - ends[0]) * (1 if up else -1) <= _SHORTEST_M:
                continue
            points = np.column_stack((np.full(2, across[number]), ends)) @ turn
            legs.append(leg_of(*points.T))
    return legs, last_over, cut_short


def _spans(shape: Any) -> list[tuple[float, float]]:
    """Where a line along the heading lies in some ground: from and to, in order."""
    lines = [part for part in parts_of(shape) if part.geom_type == "LineString"]
    spans = [tuple(sorted((float(line.coords[0][1]), float(line.coords[-1][1])))) for line in lines]
    return sorted((low, high) for low, high in spans if high - low > _SHORTEST_M)


def _slant_m2(inner: Any, driving: Driving) -> float:
    """Ground short where bouts end on slanted edges: (W^2 / 8) cot(phi) each, so W / 8 for each metre along the bouts.

    Edges that pass less than a bout are left out: no bout ends on them.
    """
    heading, width = np.radians(driving.heading_deg), driving.bout_width_m
    edges = np.concatenate([np.zeros((0, 2)), *(np.diff(ring, axis=0) for ring in rings_of(inner))])
    along = np.abs(edges @ [np.sin(heading), np.cos(heading)])
    across = np.abs(edges @ [np.cos(heading), -np.sin(heading)])
    return float(along[across >= width].sum()) * width / 8


def _drifted(leg: Leg, driving: Driving, seed: int) -> Leg:
    """A leg driven with a slow drift to either side: an even wandering of first order along the way, from a seed."""
    along = leg.along_m
    places = np.unique(np.concatenate((along, np.arange(0, along[-1], _DRIFT_STEP_M))))
    x, y = np.interp(places, along, leg.x_m), np.interp(places, along, leg.y_m)
    off = np.random.default_rng(seed).standard_normal(len(places))
    for at, kept in enumerate(np.exp(-np.diff(places) / DRIFT_OVER_M), start=1):
        off[at] = kept * off[at - 1] + np.sqrt(1 - kept * kept) * off[at]
    east, north = np.gradient(x, places), np.gradient(y, places)
    size = np.maximum(np.hypot(east, north), 1e-9)
    shift = driving.drift_m * off
    return leg_of(x + shift * north / size, y - shift * east / size, border_m=leg.border_m)


HEADING_STEP_DEG = 6.0
MOST_SIDES = 20

Tried = tuple[tuple[float, float], ...]


def heading_cvs(
    boundary: Boundary, driving: Driving, profile: Profile, ground: Ground, landing: Landing, cell_m: float
) -> Tried:
    """The field CV of every heading looked at: all round in steps, along each long side, then finer about the best."""
    sides = np.diff(rings_of(boundary.polygon)[0], axis=0)
    length = np.hypot(*sides.T)
    long = np.argsort(-length)[:MOST_SIDES]
    long = long[length[long] > 2 * driving.bout_width_m]
    along = np.degrees(np.arctan2(sides[long, 0], sides[long, 1])) % 180
    tried: dict[float, float] = {}

    def look(headings: Sequence[float]) -> None:
        for heading in sorted({round(float(h) % 180, 2) for h in headings} - set(tried)):
            try:
                plan = plan_field(boundary, replace(driving, heading_deg=heading))
            except WidthError:
                continue
            (found,) = map_field(plan.legs, [profile], ground, landing, targets=[1.0], cell_m=cell_m)
            tried[heading] = found.field_cv_pct

    look([*np.arange(0, 180, HEADING_STEP_DEG), *along])
    if not tried:
        plan_field(boundary, driving)  # says what is wrong
    for step in (HEADING_STEP_DEG / 2, HEADING_STEP_DEG / 4):
        best = min(tried, key=lambda heading: tried[heading])
        look([best - step, best + step])
    return tuple(sorted(tried.items()))
