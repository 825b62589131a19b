"""Where passes disagree: slips of a whole pass that are tried on the catches, and how well each one fits.

A slip is put right and the passes are held against one another again. It fits by the share of their disagreement that
this takes away, 1 for all of it but chance. What good tests do is allowed for on both sides: each pass has a level of
its own and may be driven a little off the line. How clear a slip has to be was set by tests/studies/explanations.py.
"""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from spreadcheck.doubts.doubt import Doubt, Explanation, Words
from spreadcheck.errors import SpreadcheckError
from spreadcheck.limits import LIMITS
from spreadcheck.passes.passes import FEW, FLOOR, PassCatches, middle_of
from spreadcheck.sheet.traytest import CatchState, FloatArray, TrayTest, with_labels

SWAPPED = "trays-swapped"
MOST_PASSES = 20  # of which explanations are tried
_GUST = 0.04  # of the rate: what passes differ by beside counting, before a difference counts
_TAKEN = 20.0  # chi-square that a slip takes away at least
_MIRRORED, _SHIFTED, _SHIFTED_OF_TWO = 80.0, 25.0, 20.0  # F ratios that good tests don't reach
_MOST_ROWS = 5  # that a pass may be written too high or too low
_NOTHING = 0.02  # of the heaviest pass: less is no pass at all
_LEVEL = 0.5  # of the heaviest pass: less than a pass brings
_WORKED_OUT = 3  # explanations of a doubt that are told, with what the test would get
_ALIKE = 0.1  # explanations that fit worse than the best by more than this are left out
_FOLLOW = {
    "widths-apart",
    "mass-implausible",
    "mass-unchecked",
    "recovery",
    "tray-full",
    "off-centre",
    "few-trays",
    "line-too-short",
    "end-catch",
    "gaps-in-width",
    "few-granules",
    "coarse-scale",
    "pass-level",
}  # doubts that may merely follow from a slip told elsewhere
_SWAP = 3.5  # standard errors by which both trays of a swapped pair are off


def explanations_of(test: TrayTest, catches: PassCatches) -> tuple[Explanation, ...]:
    """The slips of a whole pass that fit the disagreement of the passes, best first; none where nothing is off."""
    passes, trays = catches.rates.shape
    if not 2 <= passes <= MOST_PASSES or trays < 2 * FEW + 1:
        return ()
    if not test.cumulative:
        # passes in which the slide stayed shut, or that were written down as 0 instead of left blank
        level = catches.rates.sum(axis=1)
        empty = [number for number, sum_ in zip(catches.numbers, level, strict=True) if sum_ < _NOTHING * level.max()]
        if empty and len(empty) < passes:
            which, right = f"{'pass' if len(empty) == 1 else 'passes'} {', '.join(map(str, empty))}", test
            for number in empty:
                right = _with_pass(right, number, np.array, lost=slice(None))
            again = "it" if len(empty) == 1 else "them"
            words, remedy = Words(f"nothing was spread in {which}"), f"clear the cells of {which}; or repeat {again}"
            return (Explanation("pass-empty", 1.0, words, remedy, corrected=right),)
        if (summed := _not_emptied(test, catches)) is not None:
            return (summed,)
    # passes that differ from the others by more than chance: the cheap look before anything is tried
    level = catches.rates.sum(axis=1, keepdims=True)
    rates = catches.rates * (level.mean() / np.where(level > 0, level, np.inf))
    mean = rates.mean(axis=0)
    off = (rates - mean) * (passes / (passes - 1))
    apart = (off**2 * _weight(catches, mean)).sum(axis=1)
    suspects: list[int] = np.flatnonzero(apart > 0.8 * trays * passes / (passes - 1) + _TAKEN).tolist()
    if not suspects:
        return ()
    tried = (_mirrored(test, catches, rates), _shifted(test, catches, suspects), _swapped(test, catches, suspects))
    found = sorted((slip for slip in tried if slip is not None), key=lambda slip: -slip.fits)
    return tuple(slip for slip in found if slip.fits > found[0].fits - _ALIKE)


def _weight(catches: PassCatches, mean: FloatArray) -> FloatArray:
    """One over the variance of a catch at each tray: counting, reading, and what gusts do to a good test."""
    least = FLOOR * max(float(mean.max()), 1e-9)  # where next to nothing fell a single granule must not count
    return np.asarray(1.0 / (catches.error(np.maximum(mean, least)) ** 2 + (_GUST * mean) ** 2 + (least / 5) ** 2))


def _fit(apart: float, left: float, freedom: int) -> tuple[float, float]:
    """Share of the disagreement beyond chance that a slip takes away, and the F ratio that says how clear it is."""
    taken = apart - left
    if taken < _TAKEN:
        return 0.0, 0.0
    return taken / max(apart - freedom, taken), taken * freedom / max(left, 0.5 * freedom)


def _not_emptied(test: TrayTest, catches: PassCatches) -> Explanation | None:
    """Trays not emptied between passes: the differences of the weights agree, the weights themselves don't."""
    sums = catches.laid
    own = np.diff(sums, axis=0, prepend=0.0)
    mean, level = own.mean(axis=0), own.sum(axis=1)
    if level.min() < _LEVEL * level.max():
        return None
    weight = _weight(catches, np.maximum(mean, 0.0))
    apart, left = (float((weight * (rows - rows.mean(axis=0)) ** 2).sum()) for rows in (sums, own))
    fits, _ = _fit(apart, left, own.size - own.shape[1])
    if fits < LIMITS["explained"].value:
        return None
    words = Words("the trays were not emptied between passes, so each weight holds those before it")
    right = with_labels(test, {"weighing": "cumulative"})
    return Explanation("not-emptied", fits, words, "write the row `weighing,cumulative`", corrected=right)


def _mirrored(test: TrayTest, catches: PassCatches, rates: FloatArray) -> Explanation | None:
    """Passes driven the other way and not noted: their left is the others' right; `rates` have the same level."""
    offset, far = catches.offset_m, min(-catches.offset_m[0], catches.offset_m[-1])
    right = offset[(offset > 0) & (offset <= far * (1 + 1e-9))]
    if len(right) < FEW:
        return None
    sides = [np.array([np.interp(places, offset, row) for row in rates]) for places in (right, -right)]
    odd, even = (sides[0] - sides[1]) / 2, ((sides[0] + sides[1]) / 2).mean(axis=0)
    weight = 2.0 * _weight(catches, even)
    scaled = odd * np.sqrt(weight)
    turned = np.linalg.eigh(scaled @ scaled.T)[1][:, -1] < 0
    few, passes = 2 * turned.sum(), len(turned)
    if few > passes or (few == passes and turned[0]):
        turned = ~turned  # the smaller group, the later one of two alike
    if not turned.any():
        return None
    slope = np.gradient(even, right)
    apart = _disagreement(odd, slope, weight)
    left = _disagreement(np.where(turned[:, np.newaxis], -odd, odd), slope, weight)
    fits, clear = _fit(apart, left, odd.size - odd.shape[1])
    if fits < LIMITS["explained"].value or clear < _MIRRORED:
        return None
    flipped = {number for number, other in zip(catches.numbers, turned.tolist(), strict=True) if other}
    noted = "; ".join(map(str, sorted(flipped ^ set(test.reversed_passes))))
    either = f" (or the other {'one' if passes == 2 else 'half'})" if 2 * len(flipped) == passes else ""
    which = f"{'pass' if len(flipped) == 1 else 'passes'} {', '.join(map(str, sorted(flipped)))}{either}"
    remedy = f"write the row `reversed passes,{noted}`" if noted else "clear the row `reversed passes`"
    bare = replace(test, form=tuple(row for row in test.form if row.label.strip().casefold() != "reversed passes"))
    corrected = with_labels(bare, {"reversed passes": noted}) if noted else bare
    words = Words(f"{which} went over the tray line the other way")
    return Explanation("pass-mirrored", fits, words, remedy, corrected=corrected)


def _disagreement(rows: FloatArray, slope: FloatArray, weight: FloatArray) -> float:
    """Chi-square of rows about their mean, when each may be shifted by the driving error."""
    apart = rows - rows.mean(axis=0)
    most = LIMITS["driving error"].value
    shift = np.clip((apart * slope * weight).sum(axis=1) / max((slope**2 * weight).sum(), 1e-12), -most, most)
    return float((weight * (apart - shift[:, np.newaxis] * slope) ** 2).sum())


def _shifted(test: TrayTest, catches: PassCatches, suspects: list[int]) -> Explanation | None:
    """A pass whose catches were written some rows too high or too low."""
    best = (0.0, 0.0, 0, 0)
    rows = range(1, min(_MOST_ROWS, catches.rates.shape[1] // 4) + 1)
    for at in suspects[-1:] if len(catches.rates) == 2 else suspects:
        others = middle_of(np.delete(catches.rates, at, axis=0))  # one slip in them must not move it
        for far in rows:
            weight = _weight(catches, others)
            weight[:far] = weight[-far:] = 0.0  # the trays that move in from nowhere
            moved = np.array([np.roll(catches.rates[at], by) for by in (0, -far, far)])
            apart, *left = _misfit(moved, others, catches.offset_m, weight)
            by = int(np.argmin(left))
            fits, clear = _fit(apart, left[by], moved.shape[1] - 2 * far)
            best = max(best, (clear, fits, at, (-far, far)[by]))
    clear, fits, at, by = best
    if fits < LIMITS["explained"].value or clear < (_SHIFTED_OF_TWO if len(catches.rates) == 2 else _SHIFTED):
        return None
    number = catches.numbers[at]
    moved_by = -by if number in test.reversed_passes else by
    far = abs(by)
    trays, rows_moved = ("one tray", "one row") if far == 1 else (f"{far} trays", f"{far} rows")
    where = f"{trays} too far to the {'right' if moved_by < 0 else 'left'}"
    words = Words(f"the catches of pass {number} stand {where}, or the machine was driven that far off the line")
    remedy = f"move the catches of pass {number} {rows_moved} {'up' if moved_by < 0 else 'down'}"
    corrected = _with_pass(
        test,
        number,
        lambda cells: np.roll(cells, moved_by, axis=0),
        lost=slice(-far, None) if moved_by < 0 else slice(far),
    )
    return Explanation("pass-shifted", fits, words, remedy, corrected=corrected)


def _misfit(rows: FloatArray, other: FloatArray, offset_m: FloatArray, weight: FloatArray) -> list[float]:
    """Chi-square of rows against another pass, when each may have its own level and the driving error."""
    slope, most = np.gradient(other, offset_m), LIMITS["driving error"].value
    pairs = np.array([other, slope]) * weight
    normal = pairs @ np.array([other, slope]).T
    if abs(np.linalg.det(normal)) <= 1e-12 * normal[0, 0] * normal[1, 1]:
        return [0.0] * len(rows)
    level, along = np.linalg.solve(normal, pairs @ rows.T)
    shift = np.clip(along / np.where(level > 0, level, np.inf), -most, most)
    shape = other + shift[:, np.newaxis] * slope
    fitted = (rows * shape * weight).sum(axis=1) / (shape**2 * weight).sum(axis=1)
    misfit = (weight * (rows - fitted[:, np.newaxis] * shape) ** 2).sum(axis=1)
    return [float(value) for value in misfit]


def _with_pass(test: TrayTest, number: int, change: Callable[[Any], Any], *, lost: slice | None = None) -> TrayTest:
    """A test with the cells of one pass changed; rows `lost` are then not weighed."""
    columns = [at for at, column in enumerate(test.columns) if column.pass_no == number]
    catch, state = test.catch.copy(), test.state.copy()
    catch[:, columns], state[:, columns] = change(catch[:, columns]), change(state[:, columns])
    if lost is not None:
        catch[lost, columns], state[lost, columns] = np.nan, CatchState.NOT_WEIGHED
    return replace(test, catch=catch, state=state)


def _swapped(test: TrayTest, catches: PassCatches, suspects: list[int]) -> Explanation | None:
    """Two catches of a pass written at each other's trays."""
    best = (0.0, 0, (0, 0))
    for at in suspects:
        row, others = catches.rates[at], middle_of(np.delete(catches.rates, at, axis=0))
        others = others * (row.sum() / max(float(others.sum()), 1e-12))
        error = np.sqrt((1 + 1 / (len(catches.rates) - 1)) / _weight(catches, others))
        off = (row - others) / error
        marked = np.argsort(-np.abs(off))[:4]
        marked = marked[np.abs(off[marked]) > _SWAP]
        for one, other in itertools.combinations(marked.tolist(), 2):
            left = (row[[other, one]] - others[[one, other]]) / error[[one, other]]
            if off[one] * off[other] < 0 and np.abs(left).max() < _SWAP / 1.5:
                apart, pair = float((off**2).sum()), float((off[[one, other]] ** 2).sum())
                fits, _ = _fit(apart, apart - pair + float((left**2).sum()), len(row) - 1)
                best = max(best, (fits, at, (one, other)))
    fits, at, both = best
    if fits < LIMITS["explained"].value:
        return None
    if len(catches.rates) == 2:  # the one whose pattern bends more there, against the line through the neighbours
        row = np.pad(catches.rates, ((0, 0), (1, 1)), mode="edge")
        at = int(np.abs(row[:, 1:-1] - (row[:, :-2] + row[:, 2:]) / 2)[:, both].sum(axis=1).argmax())
    number = catches.numbers[at]
    turn = -1 if number in test.reversed_passes else 1
    rows = [int(np.abs(test.offset_m - turn * catches.offset_m[tray]).argmin()) for tray in both]
    order = np.arange(len(test.tray))
    order[rows] = rows[::-1]
    names = " and ".join(test.tray[row] for row in rows)
    return Explanation(
        SWAPPED,
        fits,
        Words(f"the catches of trays {names} in pass {number} stand at each other's place"),
        f"swap the cells of trays {names} in pass {number}",
        corrected=_with_pass(test, number, lambda cells: cells[order]),
    )


def with_verdicts(
    doubts: tuple[Doubt, ...], judged: Callable[[TrayTest], tuple[Words, frozenset[str], bool]]
) -> tuple[Doubt, ...]:
    """The doubts, their best explanations with what the test put right would get; mere consequences of a slip are out.

    A doubt about a width or a total that is gone once a slip is put right says nothing that the slip doesn't. A doubt
    about passes that disagree names no slip that leaves them disagreeing, and the test blocked.
    """
    told, gone = [], set()
    for each in doubts:
        found = []
        for slip in each.explanations[:_WORKED_OUT]:
            if slip.corrected is not None:
                with contextlib.suppress(SpreadcheckError):  # put right in this way, the test can't be assessed at all
                    verdict, leaves, blocked = judged(slip.corrected)
                    slip = replace(slip, verdict=verdict, leaves=leaves, blocked=blocked)
            vain = slip.leaves is not None and each.code in slip.leaves and slip.blocked
            if not (vain and each.code == "passes-disagree"):
                found.append(slip)
        found.sort(key=lambda slip: slip.blocked)
        told.append(replace(each, explanations=tuple(found)))
        best = found[0] if found else None
        if best is not None and each.blocking and best.leaves is not None and best.fits >= LIMITS["explained"].value:
            gone |= _FOLLOW - best.leaves - {each.code}
    return tuple(each for each in told if each.code not in gone)
