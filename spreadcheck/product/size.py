"""Granule size from sieves, and how far the components of a blend may part; what is not known is NaN."""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence

import numpy as np

from spreadcheck.errors import Fault, QuantityError, record, shown
from spreadcheck.limits import LIMITS

MM_TO_SIZE_NUMBER = 100.0
FLAT = 1e-9  # % of the mass: two shares of the curve closer than this are one
ROUNDING_PCT = 0.05  # what rounding to 0.1 % can add to or take from one share


def check_total(shares_pct: Sequence[float], *, what: str, place: str = "", rescale: bool = False) -> float:
    """The total of shares that must add up to 100, apart from what rounding each to 0.1 can do."""
    total = sum(shares_pct)
    off = round(total - 100, 9)
    if total <= 0:
        raise QuantityError(Fault(place, f"the {what} are all 0", "write what was read"))
    if abs(off) > ROUNDING_PCT * len(shares_pct) and not rescale:
        problem = f"the {what} add up to {round(total, 9):g} %, {abs(off):g} % too {'much' if off > 0 else 'little'}"
        raise QuantityError(Fault(place, problem, "check them, or add --rescale to divide by their total"))
    return total


def _check_sizes(sizes: Sequence[float], what: str, place: str) -> None:
    for size in sizes:
        if not size > 0:
            raise QuantityError(Fault(place, f"{size:g} is not a {what}", "give one above 0"))
        if list(sizes).count(size) > 1:
            raise QuantityError(Fault(place, f"the {what} {size:g} is there twice", "give each one once"))


def sieve_box(
    size_numbers: Sequence[float], shares_pct: Sequence[float], *, rescale: bool = False, place: str = ""
) -> tuple[float, float]:
    """SGN of a sieve box, the mean of its size numbers by their shares (common practice), and the total of these."""
    _check_sizes(size_numbers, "size number", place)
    total = check_total(shares_pct, what="sieve-box shares", place=place, rescale=rescale)
    return sum(x * share for x, share in zip(size_numbers, shares_pct, strict=True)) / total, total


@record
class SieveCurve:
    """Share of the mass that passes each sieve, smallest sieve first; a size beyond the end sieves is not known."""

    aperture_mm: tuple[float, ...]
    passing_pct: tuple[float, ...]
    total_pct: float = 100.0  # what the shares as read added up to; 100 where masses were read
    loss_pct: float = math.nan  # share of the weighed-in sample that was not found again

    def size_at(self, passing_pct: float) -> float:
        """The size below which a share of the mass passes, by straight lines in mm; the middle of a level stretch."""
        sizes, shares = np.array(self.aperture_mm), np.array(self.passing_pct)
        level = sizes[np.abs(shares - passing_pct) <= FLAT]
        if len(level):
            return float(level[0] + level[-1]) / 2
        return float(np.interp(passing_pct, shares, sizes, left=math.nan, right=math.nan))

    def share_between(self, low_mm: float, high_mm: float = math.inf) -> float:
        """Share of the mass between two sizes; beyond the end sieves it is known only if nothing lies there. [%]"""
        sizes, shares = self.aperture_mm, self.passing_pct
        none, all_ = 0.0 if shares[0] <= FLAT else math.nan, 100.0 if shares[-1] >= 100.0 - FLAT else math.nan
        below, above = np.interp((low_mm, high_mm), sizes, shares, left=none, right=all_).tolist()
        return float((above if high_mm < math.inf else 100.0) - (below if low_mm else 0.0))


def sieve_curve(
    aperture_mm: Sequence[float],
    retained: Sequence[float],
    *,
    pan: float,
    shares: bool = False,
    sample: float = math.nan,
    rescale: bool = False,
    place: str = "",
) -> SieveCurve:
    """The curve of what each sieve of a stack retained, in g, or in % if `shares`."""
    _check_sizes(aperture_mm, "sieve", place)
    if len(aperture_mm) < 2:
        raise QuantityError(Fault(place, "a sieve curve takes two sieves or more", "give every sieve of the stack"))
    total = sum(retained) + pan
    if shares:
        check_total([*retained, pan], what="sieve shares", place=place, rescale=rescale)
    elif total <= 0:
        raise QuantityError(Fault(place, "nothing lies on any sieve", "write the mass that each sieve retained"))
    sizes, masses = zip(*sorted(zip(aperture_mm, retained, strict=True)), strict=True)
    passing = tuple(100.0 * mass / total for mass in itertools.accumulate(masses[:-1], initial=pan))
    return SieveCurve(sizes, passing, total if shares else 100.0, 100.0 * (1 - total / sample))


@record
class SizeFigures:
    """Figures read off a sieve curve, in mm and %; d16, d50, d84: 16, 50, 84 % of the mass is smaller."""

    d16_mm: float
    d50_mm: float
    d84_mm: float
    uniformity_index: float
    spread_index_pct: float
    below_1_mm_pct: float
    main_range_pct: float
    above_5_mm_pct: float


def size_figures(curves: Sequence[SieveCurve]) -> SizeFigures:
    """Figures read off one or more sieve curves of a product, each the mean over the curves that show it.

    Uniformity index: 100 x the size at which 95 % of the mass is retained over that at which 10 % is (Canadian SGN
    system, from memory). Spread index: 100 (d84 - d16) / (2 d50) (European blenders' handbook, 3rd ed., 2016).

    >>> even = size_figures([sieve_curve([4, 2], [0, 100], pan=0)])
    >>> even.d50_mm, round(even.uniformity_index, 2), round(even.spread_index_pct, 3)
    (3.0, 55.26, 22.667)
    """
    rows = []
    for curve in curves:
        d5, d16, d50, d84, d90 = map(curve.size_at, (5, 16, 50, 84, 90))
        shares = (curve.share_between(0, 1), curve.share_between(2.5, 4), curve.share_between(5))
        rows.append((d16, d50, d84, 100 * d5 / d90, 100 * (d84 - d16) / (2 * d50), *shares))
    known = ([value for value in column if not math.isnan(value)] for column in zip(*rows, strict=True))
    return SizeFigures(*(statistics.fmean(values) if values else math.nan for values in known))


@record
class Component:
    """One component of a blend; a property that is not known is NaN. Densities in kg/m3, strength in N."""

    name: str
    share_pct: float
    size_guide_number: float = math.nan
    uniformity_index: float = math.nan
    bulk_kg_m3: float = math.nan
    granule_kg_m3: float = math.nan
    strength_n: float = math.nan


@record
class Blend:
    """Components in the order given; shares divided by their total, which was `total_pct`."""

    components: tuple[Component, ...]
    total_pct: float

    @property
    def weakest(self) -> Component | None:
        """The component with the lowest crush strength, which limits the spinner speed (common practice)."""
        known = not math.isnan(self.mean("strength_n"))
        return min(self.components, key=lambda part: part.strength_n) if known else None

    def mean(self, name: str) -> float:
        """Mean of a property over the mass; NaN where a component's is not known."""
        return sum(part.share_pct * float(getattr(part, name)) for part in self.components) / self.total_pct


def blend_of(components: Sequence[Component], *, rescale: bool = False) -> Blend:
    """A blend from its components."""
    names = [component.name.casefold() for component in components]
    if len(names) < 2:
        raise QuantityError(Fault("", "a blend has two components or more", "give every component"))
    twice = [component.name for component in components if names.count(component.name.casefold()) > 1]
    if twice:
        raise QuantityError(Fault("", f'the component "{shown(twice[0])}" is there twice', "give each one once"))
    shares = [component.share_pct for component in components]
    return Blend(tuple(components), check_total(shares, what="component shares", rescale=rescale))


@record
class Difference:
    """How two components differ, in % of their mean; `flight_by_bulk`: by bulk density for want of the granules'."""

    first: str
    second: str
    size_pct: float
    uniformity_pct: float
    flight_pct: float
    flight_by_bulk: bool
    risk: str | None


def risk_of(*differences_pct: float) -> str | None:
    """The risk of segregation by the larger difference in SGN or UI; None where none is known."""
    worst = max((each for each in differences_pct if not math.isnan(each)), default=None)
    if worst is None:
        return None
    low, caution = LIMITS["segregation low"].value, LIMITS["segregation caution"].value
    return "low" if worst < low else "caution" if worst <= caution else "high"


def pair_differences(blend: Blend) -> tuple[Difference, ...]:
    """How each pair of components differs, worst in size first, which counts most (European blenders' handbook)."""

    def apart(first: float, second: float) -> float:
        return 100.0 * abs(first - second) / ((first + second) / 2)

    found = []
    for pair in itertools.combinations(blend.components, 2):
        size = apart(*(part.size_guide_number for part in pair))
        uniformity = apart(*(part.uniformity_index for part in pair))
        by_bulk = any(math.isnan(part.granule_kg_m3) for part in pair)
        density = [part.bulk_kg_m3 if by_bulk else part.granule_kg_m3 for part in pair]
        # air slows a granule in proportion to 1 / (size x density) (drag on a sphere)
        flight = apart(*(part.size_guide_number * each for part, each in zip(pair, density, strict=True)))
        first, second = (part.name for part in pair)
        found.append(Difference(first, second, size, uniformity, flight, by_bulk, risk_of(size, uniformity)))
    return tuple(sorted(found, key=lambda each: -np.nan_to_num(each.size_pct)))
