"""CV by line at any bout width without a sampling grid, from the correlations of the single-pass profile."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import record
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.evenness import cv_of_pieces
from spreadcheck.spread.overlap import bout_deposit
from spreadcheck.spread.profile import SAME_PLACE, Profile

LineSquares = Callable[[FloatArray], FloatArray]
"""Bout widths -> the square of CV by line as a share of the mean, a row a driving method in the order of METHODS."""

_FILLED = 8  # places on the even line for each tray that stands there; past it pieces are quicker
_FEW = 1_000  # knots up to which sums are quick enough; they are exact to the last digit


def line_squares(profile: Profile) -> LineSquares:
    """The square of CV by line as a function of bout widths: a row for back-and-forth, then for round-and-round.

    With M the integral of p, R its autocorrelation and C(t) the integral of p(x) p(t - x), sums over all integers k:
    round-and-round CV^2 = w sum R(k w) / M^2 - 1;
    back-and-forth CV^2 = w [sum R(2 k w) + sum C((2 k + 1) w)] / M^2 - 1.
    Trays on an even line, gaps in it allowed, are correlated; others are integrated piece by piece at every width.
    """
    even = _on_even_line(profile)
    if even is None:
        return lambda width_m: np.stack([(cv_of_pieces(bout_deposit(profile, width_m, m)) / 100) ** 2 for m in METHODS])
    first, step, rates = even
    last = first + step * (len(rates) - 1)
    same = _correlation(rates, first, rates, first, step)
    mirrored = _correlation(rates[::-1], -last, rates, first, step)
    area2, level, farthest = profile.area_kg_ha_m**2, float(same.at(np.zeros(1))[0]), max(abs(first), abs(last))

    def squares(width_m: FloatArray) -> FloatArray:
        number, away, starts = _neighbours(width_m, last - first)
        alike = 2 * same.at(away)
        both = np.add.reduceat(np.stack((np.where(number % 2 == 0, alike, 0.0), alike)), starts, axis=1)
        number, away, starts = _neighbours(width_m, 2 * farthest, every=2)
        both[0] += np.add.reduceat(mirrored.at(away) + mirrored.at(-away), starts)
        return np.maximum(width_m * (both + level) / area2 - 1.0, 0.0)

    return squares


def _neighbours(
    width_m: FloatArray, reach_m: float, *, every: int = 1
) -> tuple[NDArray[np.intp], FloatArray, NDArray[np.intp]]:
    """The passes on one side that may reach pass 0: their numbers, how far away they are, where each width starts."""
    counts = (reach_m / (every * width_m)).astype(np.intp) + 1
    starts = np.cumsum(counts) - counts
    number = every * (np.arange(starts[-1] + counts[-1]) - np.repeat(starts, counts)) + 1
    return number, number * np.repeat(width_m, counts), starts


def _on_even_line(profile: Profile) -> tuple[float, float, FloatArray] | None:
    """First knot, step and rates on an even line that holds every knot of the profile; None if there is none."""
    x, y = profile.knots
    step = profile.spacing_m
    if profile.even:
        return float(x[0]), float((x[-1] - x[0]) / (len(x) - 1)), y
    places = (x - x[0]) / step
    whole = np.rint(places)
    if np.abs(places - whole).max() > SAME_PLACE * len(x) or whole[-1] > _FILLED * len(x):
        return None
    return float(x[0]), float((x[-1] - x[0]) / whole[-1]), np.interp(np.arange(whole[-1] + 1), whole, y)


@record(eq=False)
class _Correlation:
    """Integral of q(x) p(x + t) over x: a cubic in t between places one step apart, zero outside."""

    first_m: float
    step_m: float
    cubic: FloatArray  # shape (4, cells): powers 0 to 3 of the part of a step

    def at(self, t_m: FloatArray) -> FloatArray:
        place = (t_m - self.first_m) / self.step_m
        cell = np.clip(place, 0, self.cubic.shape[1] - 1).astype(np.intp)  # at both ends the integral is 0
        part = np.clip(place - cell, 0.0, 1.0)
        c0, c1, c2, c3 = self.cubic[:, cell]
        return np.asarray(c0 + part * (c1 + part * (c2 + part * c3)))


def _correlation(q: FloatArray, q_first: float, p: FloatArray, p_first: float, step: float) -> _Correlation:
    """Both are straight between knots one step apart and zero outside, with a step there if an end rate is not zero.

    For t = (k + s) steps, piece i of q meets piece i + k of p over the first 1 - s of its length and piece i + k + 1
    over the rest; A, B, E, F are the sums over i of rate x rate, rate x rise, rise x rate and rise x rise.
    """
    near = np.zeros((4, 2 * len(q) - 1))
    pairs = ((q[:-1], p[:-1]), (q[:-1], np.diff(p)), (np.diff(q), p[:-1]), (np.diff(q), np.diff(p)))
    for sums, (of_q, of_p) in zip(near, pairs, strict=True):
        sums[1:-1] = _sliding_products(of_p, of_q)
    a, b, e, f = (sums[:-1] for sums in near)
    a1, b1, e1, f1 = (sums[1:] for sums in near)
    cubic = step * np.array(
        (
            a + (b + e) / 2 + f / 3,
            a1 + e1 - a - e - f / 2,
            (b1 - e1 + f1 - b + e) / 2,
            (f - f1) / 6,
        )
    )
    return _Correlation(p_first - q_first - step * (len(q) - 1), step, cubic)


def _sliding_products(p: FloatArray, q: FloatArray) -> FloatArray:
    """`np.correlate(p, q, "full")` of two lists of one length; by Fourier transforms where they are long."""
    if len(p) <= _FEW:
        return np.correlate(p, q, "full")
    size = 1 << (2 * len(p) - 2).bit_length()
    round_about = np.fft.irfft(np.fft.rfft(p, size) * np.fft.rfft(q, size).conj(), size)
    return np.concatenate((round_about[1 - len(p) :], round_about[: len(p)]))
