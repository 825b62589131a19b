"""Granule size from sieves: size guide number (SGN), uniformity index (UI) and the size figures of a sieve curve.

The curve is the share of the mass that passes each sieve, joined by straight lines in mm (not in its logarithm). It
ends at the largest and the smallest sieve: a size that lies beyond them is not known, and none is made up.
d16, d50, d84 are the sizes below which 16, 50, 84 % of the mass passes.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np

from spreadcheck.errors import Fault, QuantityError, record
from spreadcheck.product.segregation import check_total

MM_TO_SIZE_NUMBER = 100.0
FLAT = 1e-9  # % of the mass: two shares of the curve closer than this are one


@record
class SieveBox:
    """A sieve-box reading: the share in each compartment under the size number printed beside it."""

    size_number: tuple[float, ...]
    share_pct: tuple[float, ...]
    total_pct: float

    @classmethod
    def of(
        cls, size_number: Sequence[float], share_pct: Sequence[float], *, rescale: bool = False, place: str = ""
    ) -> SieveBox:
        """From its size numbers and shares; refused where the shares don't add up to 100."""
        _check_sizes(size_number, "size number", place)
        total = check_total(share_pct, what="sieve-box shares", place=place, rescale=rescale)
        numbers, shares = zip(*sorted(zip(size_number, share_pct, strict=True)), strict=True)
        return cls(numbers, shares, total)

    @property
    def size_guide_number(self) -> float:
        """Share-weighted mean of the size numbers (common practice)."""
        weighted = zip(self.size_number, self.share_pct, strict=True)
        return sum(number * share for number, share in weighted) / self.total_pct


@record
class SieveCurve:
    """The cumulative sieve curve: share of the mass that passes each sieve, smallest sieve first.

    `total_pct` is what the shares as read added up to (100 where masses were read); `loss_pct` is the share of the
    weighed-in sample that was not found again, or None where the sample was not weighed.

    >>> curve = SieveCurve.of([4, 3, 2], [10, 40, 50], pan=0)
    >>> curve.size_at(50), curve.size_at(70), curve.size_at(95)
    (3.0, 3.5, None)
    >>> curve.share_between(3, 4), curve.share_between(4), curve.share_between(0, 3), curve.share_between(5)
    (40.0, 10.0, 50.0, None)
    >>> even = SieveCurve.of([4, 2], [0, 100], pan=0)
    >>> even.size_guide_number, round(even.uniformity_index, 2), round(even.spread_index_pct, 3)
    (300.0, 55.26, 22.667)
    """

    aperture_mm: tuple[float, ...]
    passing_pct: tuple[float, ...]
    total_pct: float = 100.0
    loss_pct: float | None = None

    @classmethod
    def of(
        cls,
        aperture_mm: Sequence[float],
        retained: Sequence[float],
        *,
        pan: float,
        shares: bool = False,
        sample: float | None = None,
        rescale: bool = False,
        place: str = "",
    ) -> SieveCurve:
        """From what each sieve of a stack retained, in g, or in % if `shares`."""
        _check_sizes(aperture_mm, "sieve", place)
        if len(aperture_mm) < 2:
            raise QuantityError(Fault(place, "a sieve curve takes two sieves or more", "give every sieve of the stack"))
        total = sum(retained) + pan
        if shares:
            check_total([*retained, pan], what="sieve shares", place=place, rescale=rescale)
        elif total <= 0:
            raise QuantityError(Fault(place, "nothing lies on any sieve", "write the mass that each sieve retained"))
        sizes, masses = zip(*sorted(zip(aperture_mm, retained, strict=True)), strict=True)
        below = itertools.accumulate(masses[:-1], initial=pan)
        loss = None if sample is None else 100.0 * (1 - total / sample)
        return cls(sizes, tuple(100.0 * mass / total for mass in below), total if shares else 100.0, loss)

    def size_at(self, passing_pct: float) -> float | None:
        """The size below which a share of the mass passes, read off the straight line between two sieves. [mm]

        It is the middle of a stretch where the curve is level; None beyond the largest or smallest sieve.
        """
        found: list[float] = []
        for (low, below), (high, above) in itertools.pairwise(zip(self.aperture_mm, self.passing_pct, strict=True)):
            if abs(above - below) <= FLAT:
                found += [low, high] if abs(passing_pct - below) <= FLAT else []
            elif below - FLAT <= passing_pct <= above + FLAT:
                found.append(low + (high - low) * (passing_pct - below) / (above - below))
        return (min(found) + max(found)) / 2 if found else None

    @property
    def size_guide_number(self) -> float | None:
        """SGN: the size at which half the mass is retained, in mm x 100. [-]"""
        median = self.size_at(50)
        return None if median is None else MM_TO_SIZE_NUMBER * median

    @property
    def uniformity_index(self) -> float | None:
        """UI: 100 x the size at which 95 % is retained over the size at which 10 % is retained. [-]

        100 means all granules are of one size. The definition is that of the Canadian SGN system, cited from memory.
        """
        small, large = self.size_at(5), self.size_at(90)
        return None if small is None or large is None else 100.0 * small / large

    @property
    def spread_index_pct(self) -> float | None:
        """Granulometric spread index of the European blenders' handbook: 100 (d84 - d16) / (2 d50). [%]"""
        d16, d50, d84 = (self.size_at(share) for share in (16, 50, 84))
        return None if d16 is None or d50 is None or d84 is None else 100.0 * (d84 - d16) / (2 * d50)

    def share_between(self, low_mm: float, high_mm: float = math.inf) -> float | None:
        """Share of the mass between two sizes; None where one of them is beyond the sieves. [%]"""
        below, above = (self._passing_at(size) for size in (low_mm, high_mm))
        return None if below is None or above is None else above - below

    def _passing_at(self, size_mm: float) -> float | None:
        """Share that passes a size; beyond the end sieves it is known only where nothing lies out there."""
        sizes, shares = self.aperture_mm, self.passing_pct
        if size_mm in (0, math.inf):
            return 100.0 if size_mm else 0.0
        if size_mm > sizes[-1]:
            return 100.0 if shares[-1] >= 100.0 - FLAT else None
        if size_mm < sizes[0]:
            return 0.0 if shares[0] <= FLAT else None
        return float(np.interp(size_mm, sizes, shares))


def _check_sizes(sizes: Sequence[float], what: str, place: str) -> None:
    for size in sizes:
        if not size > 0:
            raise QuantityError(Fault(place, f"{size:g} is not a {what}", "give one above 0"))
    twice = sorted({size for size in sizes if list(sizes).count(size) > 1})
    if twice:
        raise QuantityError(Fault(place, f"the {what} {twice[0]:g} is there twice", "give each one once"))
