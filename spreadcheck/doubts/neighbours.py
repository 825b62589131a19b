"""Each tray against its neighbours: a tray that stands out in every pass was tilted, kicked or shielded."""

from __future__ import annotations

import numpy as np

from spreadcheck.doubts.doubt import Doubt, Listed, Places, Words
from spreadcheck.doubts.register import doubt
from spreadcheck.limits import LIMITS
from spreadcheck.passes.passes import FEW, FLOOR, PassCatches
from spreadcheck.sheet.traytest import FloatArray, TrayTest

_SHOWN = 4  # trays, in one message


def neighbour_band(offset_m: FloatArray, rates: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest rate that the two neighbours on either side of each tray allow.

    A tray may lie anywhere between its four neighbours, or on the line drawn through the two on one side: so a peak, an
    edge and a slope are all allowed, and a lone spike is not.
    """
    x, y = offset_m, rates
    low, high = np.full(y.shape, np.inf), np.full(y.shape, -np.inf)
    on_right = y[:, 1:-1] + (y[:, 1:-1] - y[:, :-2]) * ((x[2:] - x[1:-1]) / (x[1:-1] - x[:-2]))
    on_left = y[:, 1:-1] + (y[:, 1:-1] - y[:, 2:]) * ((x[1:-1] - x[:-2]) / (x[2:] - x[1:-1]))
    allowed = (
        (slice(1, None), y[:, :-1]),
        (slice(None, -1), y[:, 1:]),
        (slice(2, None), y[:, :-2]),
        (slice(None, -2), y[:, 2:]),
        (slice(2, None), np.maximum(on_right, 0.0)),
        (slice(None, -2), np.maximum(on_left, 0.0)),
    )
    for trays, values in allowed:
        np.minimum(low[:, trays], values, out=low[:, trays])
        np.maximum(high[:, trays], values, out=high[:, trays])
    return low, high


def out_of_line(catches: PassCatches) -> tuple[FloatArray, FloatArray]:
    """Trays that stand out from their neighbours in every pass, as the trays lay."""
    groups = _by_direction(catches)
    means = np.array([group.mean(axis=0) for group in groups])
    low, high = neighbour_band(catches.offset_m, means)
    step = np.maximum(means - high, 0.0) - np.maximum(low - means, 0.0)
    allowed = np.where(step > 0, high, low)
    enough = np.maximum(LIMITS["tray step"].value / 100 * allowed, FLOOR * catches.peak)
    marked = (np.abs(step) > enough).all(axis=0)
    marked[[0, -1]] = False  # an end tray has neighbours on one side only
    if marked.any():
        for row, group in enumerate(groups):
            error = catches.error(np.maximum(means[row], allowed[row])) / len(group) ** 0.5
            marked &= np.abs(step[row]) > LIMITS["catch certainty"].value * error
            marked &= ((group - allowed[row]) * np.sign(step[0]) > 0).all(axis=0)
    return np.where(marked, step.mean(axis=0), 0.0), allowed.mean(axis=0)


def _by_direction(catches: PassCatches) -> list[FloatArray]:
    """Passes driven one way and passes driven the other way, as the trays lay: each has a pattern of its own."""
    if not catches.reversed.any():
        return [catches.laid]
    return [catches.laid[way] for way in (~catches.reversed, catches.reversed) if way.any()]


def neighbour_doubts(test: TrayTest, catches: PassCatches) -> tuple[Doubt, ...]:
    """Trays that stand out from their neighbours in every pass: one doubt that lists them, or none."""
    if len(catches.offset_m) < 2 * FEW + 1:
        return ()
    step, allowed = out_of_line(catches)
    marked = np.flatnonzero(step)
    if not len(marked):
        return ()
    found, offsets = [], catches.offset_m[marked]
    for tray in marked[:_SHOWN].tolist():
        row = int(np.abs(test.offset_m - catches.offset_m[tray]).argmin())
        ratio = 1 + float(step[tray] / allowed[tray]) if allowed[tray] > 0 else float("inf")
        level = (
            f"{ratio:.2f} times what its neighbours allow" if np.isfinite(ratio) else "a catch where none is expected"
        )
        found.append(Words("tray {tray} shows {level}", {"tray": test.tray[row], "level": level}))
    passes = len(catches.numbers)
    where = "in the only pass" if passes == 1 else f"in all {passes} passes"
    others = Words(" (and others, at {places})", {"places": Places(tuple(offsets.tolist()))})
    more = others if len(marked) > _SHOWN else ""
    passes_and_more = Words("{where}{more}", {"where": where, "more": more})
    return (doubt("tray-out-of-line", trays=Listed(tuple(found)), passes=passes_and_more),)
