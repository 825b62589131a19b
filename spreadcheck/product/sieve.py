"""Granule size from sieves: size guide number (SGN), uniformity index (UI) and the size figures of a sieve curve.

The curve is the share of the mass that passes each sieve, joined by straight lines in mm (not in its logarithm). It
ends at the largest and the smallest sieve: a size that lies beyond them is not known, and none is made up.
d16, d50, d84 are the sizes below which 16, 50, 84 % of the mass passes.
"""

from __future__ import annotations

import itertools

from spreadcheck.product.readings import MM_TO_SIZE_NUMBER, SieveCurve

FLAT = 1e-9  # % of the mass: two shares of the curve closer than this are one


def size_at(curve: SieveCurve, passing_pct: float) -> float | None:
    """The size below which a share of the mass passes, read off the straight line between two sieves.

    Parameters
    ----------
    curve : SieveCurve
        The curve. [mm, %]
    passing_pct : float
        Share that passes. [%]

    Returns
    -------
    float or None
        The size; the middle of a stretch where the curve is level; None beyond the largest or smallest sieve. [mm]

    Examples
    --------
    >>> from spreadcheck.product.readings import curve_of
    >>> curve = curve_of([4, 3, 2], [10, 40, 50], pan=0)
    >>> size_at(curve, 50), size_at(curve, 70), size_at(curve, 95)
    (3.0, 3.5, None)
    """
    found: list[float] = []
    points = list(zip(curve.aperture_mm, curve.passing_pct, strict=True))
    for (low, below), (high, above) in itertools.pairwise(points):
        if abs(above - below) <= FLAT:
            found += [low, high] if abs(passing_pct - below) <= FLAT else []
        elif below - FLAT <= passing_pct <= above + FLAT:
            found.append(low + (high - low) * (passing_pct - below) / (above - below))
    return (min(found) + max(found)) / 2 if found else None


def size_guide_number(curve: SieveCurve) -> float | None:
    """SGN: the size at which half the mass is retained, in mm x 100.

    Parameters
    ----------
    curve : SieveCurve
        The curve. [mm, %]

    Returns
    -------
    float or None
        The size guide number; None where the median lies beyond the sieves. [-]

    Examples
    --------
    >>> from spreadcheck.product.readings import curve_of
    >>> size_guide_number(curve_of([4, 2], [50, 50], pan=0))
    400.0
    """
    median = size_at(curve, 50)
    return None if median is None else MM_TO_SIZE_NUMBER * median


def uniformity_index(curve: SieveCurve) -> float | None:
    """UI: 100 x the size at which 95 % is retained over the size at which 10 % is retained.

    100 means all granules are of one size. The definition is that of the Canadian SGN system, cited from memory.

    Parameters
    ----------
    curve : SieveCurve
        The curve. [mm, %]

    Returns
    -------
    float or None
        The uniformity index; None where one of the two sizes lies beyond the sieves. [-]

    Examples
    --------
    >>> from spreadcheck.product.readings import curve_of
    >>> uniformity_index(curve_of([4, 2], [0, 100], pan=0))
    55.26315789473684
    """
    small, large = size_at(curve, 5), size_at(curve, 90)
    return None if small is None or large is None else 100.0 * small / large


def spread_index(curve: SieveCurve) -> float | None:
    """Granulometric spread index of the European blenders' handbook: 100 (d84 - d16) / (2 d50).

    Parameters
    ----------
    curve : SieveCurve
        The curve. [mm, %]

    Returns
    -------
    float or None
        The index; None where one of the sizes lies beyond the sieves. [%]

    Examples
    --------
    >>> from spreadcheck.product.readings import curve_of
    >>> round(spread_index(curve_of([4, 2], [0, 100], pan=0)), 3)
    22.667
    """
    d16, d50, d84 = (size_at(curve, share) for share in (16, 50, 84))
    return None if d16 is None or d50 is None or d84 is None else 100.0 * (d84 - d16) / (2 * d50)


def share_between(curve: SieveCurve, low_mm: float, high_mm: float | None = None) -> float | None:
    """Share of the mass between two sizes, read off the straight lines of the curve.

    Parameters
    ----------
    curve : SieveCurve
        The curve. [mm, %]
    low_mm : float
        The smaller size; 0 takes everything below the larger. [mm]
    high_mm : float or None
        The larger size; None takes everything above the smaller. [mm]

    Returns
    -------
    float or None
        The share; None where a size lies beyond the sieves. [%]

    Examples
    --------
    >>> from spreadcheck.product.readings import curve_of
    >>> curve = curve_of([4, 3, 2], [10, 40, 50], pan=0)
    >>> share_between(curve, 3, 4), share_between(curve, 4), share_between(curve, 0, 3), share_between(curve, 5)
    (40.0, 10.0, 50.0, None)
    """
    below = 0.0 if low_mm == 0 else _passing_at(curve, low_mm)
    above = 100.0 if high_mm is None else _passing_at(curve, high_mm)
    return None if below is None or above is None else above - below


def _passing_at(curve: SieveCurve, size_mm: float) -> float | None:
    """Share that passes a size; beyond the end sieves it is known only where nothing lies out there."""
    points = list(zip(curve.aperture_mm, curve.passing_pct, strict=True))
    if size_mm > points[-1][0]:
        return 100.0 if points[-1][1] >= 100.0 - FLAT else None
    if size_mm < points[0][0]:
        return 0.0 if points[0][1] <= FLAT else None
    for (low, below), (high, above) in itertools.pairwise(points):
        if low <= size_mm <= high:
            return below + (above - below) * (size_mm - low) / (high - low)
    return None
