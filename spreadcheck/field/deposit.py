"""The deposit map: where all that a driven track throws comes down, summed on a raster of square cells.

The antenna is at c(s) with the unit vector t of travel and the right normal n. What is thrown at the lateral offset y
lands at q(s, y) = c(s) - b(y) t + y n. The landing distance b(y) is one distance for all offsets (a line across) or
sqrt(T^2 - y^2) (an arc of the throw T about the antenna). A step ds of travel and a strip dy of the pattern hold
p(y) dy ds / 10,000 kg. Each such mass is laid on a square half a cell wide, and each cell takes what falls on it: the
same as a bilinear share on cells half as large, four of them averaged. No mass is lost or made.

Several profiles (nutrients of a blend, draws of the noise) land at the same places, so they are summed in one go.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np

from spreadcheck.errors import Fault, WidthError, record
from spreadcheck.field.edge import reach_m, support_m
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.profile import CUT, Profile
from spreadcheck.units import HECTARE_M2

LINE, ARC = "line", "arc"
LANDINGS = (LINE, ARC)
STEPS_A_CELL = 4  # a uniform field then reads a CV of at most 0.7 %, by the beat of steps and cells
THROW_OF_REACH = 1.2  # throw taken where none is given, as a multiple of the reach of the pattern
MAX_CELLS = 100_000_000
_POINTS = 40_000  # landing points summed at a time: they stay in the processor's cache
_LARGE = 2_000_000
_LEAST_BASE_M = 0.5
_KEPT = 1e-9  # share of a metre: stretches shorter than this are none

Progress = Callable[[float], None]


@record
class Landing:
    """How the granules land behind the antenna: on a line across, or on an arc of the throw; `distance_m` of either."""

    model: str
    distance_m: float

    def behind_m(self, offset_m: FloatArray) -> FloatArray:
        """How far behind the antenna what is thrown at an offset lands. [m]"""
        if self.model == LINE:
            return np.full(np.shape(offset_m), float(self.distance_m))
        return np.sqrt(np.maximum(self.distance_m**2 - np.square(offset_m), 0.0))


@record(eq=False)
class Leg:
    """One unbroken stretch as driven: points, and for each stretch between two whether the slide is open."""

    x_m: FloatArray
    y_m: FloatArray
    on: FloatArray
    flow: FloatArray  # what a metre of a stretch gets against the profile: 1 where metered by distance
    ahead: FloatArray | None = None  # logged headings as unit vectors, one a point, else they are taken over `base_m`
    speed_m_s: FloatArray | None = None  # as logged
    base_m: float | None = None  # either way; one step if None, at least half a metre: planned bends have chords
    border_m: float = 0.0  # how far left the edge lies that a border device keeps to; 0 without one

    @property
    def places_m(self) -> FloatArray:
        """The points, x and y in columns. [m]"""
        return np.column_stack((self.x_m, self.y_m))

    @cached_property
    def along_m(self) -> FloatArray:
        """Distance along the leg at each point. [m]"""
        return np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(self.x_m), np.diff(self.y_m)))))

    @property
    def spread_m(self) -> float:
        """Metres driven with the slide open, as they are metered. [m]"""
        return float((np.diff(self.along_m) * self.flow)[self.on > 0].sum())

    @property
    def open_lines(self) -> list[FloatArray]:
        """The points of each run of open stretches, x and y in columns. [m]"""
        turns = np.flatnonzero(np.diff(self.on > 0, prepend=False, append=False))
        return [self.places_m[start : end + 1] for start, end in turns.reshape(-1, 2)]


def leg_of(x_m: FloatArray, y_m: FloatArray, *, border_m: float = 0.0) -> Leg:
    """A leg driven with the slide open from end to end."""
    stretches = np.ones(len(x_m) - 1)
    return Leg(np.asarray(x_m, float), np.asarray(y_m, float), stretches, stretches, border_m=border_m)


@record
class Raster:
    """Square cells over the field: south-west corner, cell, rows from the south and columns from the west."""

    west_m: float
    south_m: float
    cell_m: float
    rows: int
    columns: int

    @property
    def centres_m(self) -> tuple[FloatArray, FloatArray]:
        """Centres of the columns (east) and of the rows (north). [m]"""
        middle = np.arange(0.5, max(self.rows, self.columns)) * self.cell_m
        return self.west_m + middle[: self.columns], self.south_m + middle[: self.rows]

    @property
    def extent_m(self) -> tuple[float, float, float, float]:
        """West, east, south and north end. [m]"""
        east, north = self.west_m + self.columns * self.cell_m, self.south_m + self.rows * self.cell_m
        return self.west_m, east, self.south_m, north


@record(eq=False)
class Thrown:
    """A pattern cut into lateral strips: where each lands, and the mass that a metre of travel leaves in it."""

    offset_m: FloatArray  # right of travel
    behind_m: FloatArray  # the antenna
    mass_kg_m: FloatArray  # a row a profile

    @property
    def reach_m(self) -> float:
        """How far from the antenna anything lands. [m]"""
        return float(np.hypot(self.offset_m, self.behind_m).max())


def raster_over(legs: Sequence[Leg], reach_m: float, cell_m: float, *, also: Sequence[FloatArray] = ()) -> Raster:
    """The raster that holds all that the legs throw, and the given points (x, y rows) too; lines on whole cells."""
    if not np.isfinite(cell_m) or cell_m <= 0:
        raise WidthError(Fault("option --cell", f"{cell_m:g} m is no cell", "give a length such as 2 m"))
    ends = [end(leg.places_m, axis=0) + by for leg in legs for end, by in ((np.min, -reach_m), (np.max, reach_m))]
    corners = np.concatenate([ends, *also])
    west, south = np.floor(corners.min(axis=0) / cell_m) - 1
    east, north = np.ceil(corners.max(axis=0) / cell_m) + 1
    rows, columns = int(north - south), int(east - west)
    if rows * columns > MAX_CELLS:
        remedy = f"use larger cells, such as {cell_m * 2 * (rows * columns / MAX_CELLS) ** 0.5:.0f} m, or a part of it"
        raise WidthError(Fault("the map", f"{rows:,} x {columns:,} cells of {cell_m:g} m are too many", remedy))
    return Raster(float(west * cell_m), float(south * cell_m), cell_m, rows, columns)


def landing_of(profile: Profile, model: str = ARC, distance_m: float | None = None) -> Landing:
    """The landing model for a pattern; without a distance, an arc a fifth beyond the reach, or the line to match."""
    reach = reach_m(profile)
    if model not in LANDINGS:
        raise WidthError(Fault("option --landing", f'"{model}" is not known', f"use one of {', '.join(LANDINGS)}"))
    if distance_m is not None and not 0 <= distance_m <= 200:
        raise WidthError(Fault("option --landing-distance", f"{distance_m:g} m can't be", "give 0 m to 200 m"))
    if model == ARC and distance_m is not None and distance_m <= reach:
        problem = f"a throw of {distance_m:g} m does not reach the end of the pattern at {reach:g} m"
        raise WidthError(Fault("option --landing-distance", problem, "give the longer throw, or use --landing line"))
    if distance_m is None:
        arc = Landing(ARC, THROW_OF_REACH * reach)
        thrown = thrown_by([profile], arc, 0.05)  # a line at the mean: as much falls outside as is short inside
        distance_m = arc.distance_m if model == ARC else float(np.average(thrown.behind_m, weights=thrown.mass_kg_m[0]))
    return Landing(model, distance_m)


def best_switching_m(profile: Profile, landing: Landing) -> float:
    """Best on and off distance past a square edge: the median of the landing distance weighted by the pattern.

    Parameters
    ----------
    profile : Profile
        The single-pass profile. [m, kg/ha]
    landing : Landing
        How the granules land. [m]

    Returns
    -------
    float
        How far the antenna is past the edge of the bouts when the slide is best opened or shut: short and outside
        together are least. [m]

    Notes
    -----
    Moving the switch by dx changes what is outside by the mass with b(y) below it and what is short by the mass above
    it, so the sum is least where both are equal: at the weighted median. For a rectangle of half-width B on an arc of
    throw T it is sqrt(T^2 - B^2 / 4).

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> flat = profile_from([-18, 18], [100, 100], tails="cut")
    >>> round(best_switching_m(flat, Landing("arc", 21.08)), 2), round((21.08**2 - 9**2) ** 0.5, 2)
    (19.06, 19.06)
    """
    thrown = thrown_by([profile], landing, 0.05)
    order = np.argsort(thrown.behind_m)
    heard = np.cumsum(thrown.mass_kg_m[0][order])
    return float(np.interp(heard[-1] / 2, heard - thrown.mass_kg_m[0][order] / 2, thrown.behind_m[order]))


def thrown_by(profiles: Sequence[Profile], landing: Landing, step_m: float) -> Thrown:
    """Cut profiles into strips no wider than a step, across and along the arc; the mass in each is exact."""
    ends = np.array([support_m(profile) for profile in profiles])
    low, high = float(ends[:, 0].min()), float(ends[:, 1].max())
    if landing.model == ARC:
        throw = landing.distance_m
        first, last = np.arcsin(np.clip([low / throw, high / throw], -1, 1))
        edges = throw * np.sin(np.linspace(first, last, max(1, int(np.ceil(throw * (last - first) / step_m))) + 1))
        edges[[0, -1]] = low, high
    else:
        edges = np.linspace(low, high, max(1, int(np.ceil((high - low) / step_m))) + 1)
    places = np.unique(np.concatenate((edges, *(profile.knots[0] for profile in profiles))))
    places = places[(places >= low) & (places <= high)]
    left, length = places[:-1], np.diff(places)
    near, far = (  # the rates a quarter inside each linear piece; a step may stand on its ends
        np.array([np.interp(left + part * length, *profile.knots, left=0, right=0) for profile in profiles])
        for part in (0.25, 0.75)
    )
    strips = np.searchsorted(places, edges[:-1])
    mass = np.add.reduceat((near + far) / 2 * length, strips, axis=1)
    moment = np.add.reduceat(
        (left + length / 2) * length * (near + far)[0] / 2 + length**2 * (far - near)[0] / 6, strips
    )
    centre = np.divide(moment, mass[0], out=(edges[1:] + edges[:-1]) / 2, where=mass[0] > 0)
    centre = np.clip(centre, edges[:-1], edges[1:])
    return Thrown(centre, landing.behind_m(centre), mass / HECTARE_M2)


def bordered(profile: Profile, border_m: float) -> Profile:
    """The pattern with an ideal border device: what would cross the edge on its left comes down mirrored inside it.

    Against a straight edge half a bout away nothing crosses, and the edge gets what an endless field would give it.
    """
    x, y = profile.knots
    near = np.array([-1e-6, 1e-6]) if profile.tails == CUT else np.zeros(1)
    places = np.concatenate([x, *(-2 * border_m - x[:, None] + near).T, *(x[[0, -1], None] + near).T, [-border_m]])
    # to the right of the mirrored reach nothing is added; at the edge itself both halves meet
    places = np.unique(places[(places >= -border_m) & (places <= max(x[-1], -2 * border_m - x[0]))])
    rates = [np.interp(at, x, y, left=0, right=0) for at in (places, -2 * border_m - places)]
    return replace(profile, offset_m=places, rate_kg_ha=np.sum(rates, axis=0), tails=CUT)


def _steps_of(leg: Leg, step_m: float) -> FloatArray:
    """Cut the open stretches of a leg into equal steps; heading by central difference over its base, or as logged.

    In rows: x and y of their middles, east and north of the unit vector of travel, and the metres that each is metered.
    """
    kept = np.concatenate(([True], np.diff(leg.along_m) > _KEPT))
    along, points = leg.along_m[kept], np.stack((leg.x_m[kept], leg.y_m[kept]))
    on, flow = leg.on[kept[1:]] > 0, leg.flow[kept[1:]]
    if len(along) < 2 or not on.any():
        return np.zeros((5, 0))
    # runs of open stretches with one flow are cut evenly, so that no metre is lost between steps
    new = np.concatenate(([True], (on[1:] != on[:-1]) | (flow[1:] != flow[:-1])))
    start = np.flatnonzero(new)
    first, last = along[start], along[np.append(start[1:], len(on))]
    use = on[start]
    first, last, rate = first[use], last[use], flow[start][use]
    counts = np.maximum(np.ceil((last - first) / step_m).astype(int), 1)
    length = (last - first) / counts
    number = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    at = np.repeat(first, counts) + (number + 0.5) * np.repeat(length, counts)

    def between(values: FloatArray, way: FloatArray) -> FloatArray:
        return np.array([np.interp(way, along, each) for each in values])

    if leg.ahead is not None:
        heading = between(leg.ahead[kept].T, at)
    else:
        base = max(step_m, _LEAST_BASE_M) if leg.base_m is None else leg.base_m
        heading = between(points, np.minimum(at + base, along[-1])) - between(points, np.maximum(at - base, 0.0))
    size = np.hypot(*heading)
    if (lost := size < _KEPT).any():  # driven to and fro within the base: the stretch itself says where it heads
        segment = np.clip(np.searchsorted(along, at[lost], "right") - 1, 0, len(along) - 2)
        heading[:, lost] = np.diff(points)[:, segment]
        size = np.hypot(*heading)
    return np.vstack((between(points, at), heading / size, np.repeat(length * rate, counts)))


def deposit_map(
    legs: Sequence[Leg], thrown: Thrown | Mapping[float, Thrown], raster: Raster, *, progress: Progress | None = None
) -> FloatArray:
    """What every cell of the raster gets from all legs together.

    Parameters
    ----------
    legs : sequence of Leg
        The track. [m]
    thrown : Thrown or mapping of float to Thrown
        The pattern in strips; a mapping holds one for each `border_m` of the legs. [m, kg/m]
    raster : Raster
        The cells; it must hold all that is thrown (`raster_over`). [m]
    progress : callable, optional
        Called with the share that is done, 0 to 1. [-]

    Returns
    -------
    ndarray, shape (profiles, rows, columns)
        Mean deposit of each cell. [kg/ha]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> flat = profile_from([-6, 6], [100, 100], tails="cut")
    >>> thrown = thrown_by([flat], Landing("line", 0), 0.5)
    >>> legs = [leg_of(np.array([0.0, 100.0]), np.array([y, y])) for y in (6.0, 18.0)]
    >>> raster = raster_over(legs, thrown.reach_m, 2.0)
    >>> deposit = deposit_map(legs, thrown, raster)[0]
    >>> float(deposit[deposit > 99].mean().round(2)), float((deposit.sum() * 4 / 10_000).round(6))  # 100 m x 24 m
    (100.0, 24.0)
    """
    by_border = thrown if isinstance(thrown, Mapping) else {leg.border_m: thrown for leg in legs}
    total = np.zeros((len(by_border[legs[0].border_m].mass_kg_m), raster.rows, raster.columns))
    np.empty(_LARGE)  # taken and given back: the C library then keeps the arrays of each turn at hand, twice as fast
    whole = sum(leg.spread_m for leg in legs) or 1.0
    done = 0.0
    for leg in legs:
        strips, steps = by_border[leg.border_m], _steps_of(leg, raster.cell_m / STEPS_A_CELL)
        some = max(1, _POINTS // len(strips.offset_m))
        for at in range(0, steps.shape[1], some):
            chosen = steps[:, at : at + some]
            _splat(total, raster, chosen, strips)
            done += float(chosen[4].sum())
            if progress is not None:
                progress(min(1.0, done / whole))
    total *= HECTARE_M2 / raster.cell_m**2
    return total


def _splat(total: FloatArray, raster: Raster, steps: FloatArray, strips: Thrown) -> None:
    """Lay the masses of some steps on the cells of a window that holds them."""
    cell, (mid_x, mid_y, east, north, metres) = raster.cell_m, steps
    ones = np.ones_like(strips.offset_m)
    # q = c - b t + y n with t = (east, north), n = (north, -east); a quarter cell less: the low corner of its square
    lay_x = np.column_stack(((mid_x - raster.west_m) / cell - 0.25, east, north))
    lay_y = np.column_stack(((mid_y - raster.south_m) / cell - 0.25, north, -east))
    strip = np.stack((ones, -strips.behind_m / cell, strips.offset_m / cell))
    x, y = lay_x @ strip, lay_y @ strip
    column, row = int(x.min()), int(y.min())
    x -= column
    y -= row
    at_x, at_y = np.floor(x), np.floor(y)
    x -= at_x
    y -= at_y
    wide, high = int(at_x.max()) + 1, int(at_y.max()) + 1
    at_y *= wide
    at_y += at_x
    place = at_y.astype(np.intp).ravel()
    for part in (x, y):  # of the square half a cell wide, the part beyond the cell's end
        part += part
        part -= 1.0
        np.maximum(part, 0.0, out=part)
    for profile, mass in enumerate(strips.mass_kg_m):
        all_of_it = metres[:, None] * mass
        over_x, over_y = x * all_of_it, y * all_of_it
        both = over_x * y
        over_x -= both
        over_y -= both
        all_of_it -= over_x
        all_of_it -= over_y
        all_of_it -= both
        for number, part in enumerate((all_of_it, over_x, over_y, both)):
            down, right = divmod(number, 2)
            laid = np.bincount(place, part.ravel(), wide * high).reshape(high, wide)
            r, c = row + down, column + right
            window = total[profile, r : r + high, c : c + wide]
            window += laid[: window.shape[0], : window.shape[1]]
