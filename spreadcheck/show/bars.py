"""A small bar picture of catches or rates for a terminal: left of the travel direction on the left."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.units import from_inside, shown_unit

_BLOCKS = " ▁▂▃▄▅▆▇█"
_PLAIN = " .:#"
_MARGIN = 11


def bar_picture(
    offset_m: ArrayLike,
    rate: ArrayLike,
    *,
    width: int = 80,
    height: int = 5,
    system: str = "metric",
    plain: bool = False,
) -> str:
    """Bars over a line of trays, as text: one column or more a tray, or several trays a column on a long line."""
    offsets, rates = np.asarray(offset_m, dtype=float), np.asarray(rate, dtype=float)
    columns = _columns(offsets, rates, width - _MARGIN - 2)
    top, signs = float(np.nanmax(rates)) if np.isfinite(rates).any() else 0.0, _PLAIN if plain else _BLOCKS
    steps = len(signs) - 1
    filled = np.nan_to_num(columns / top if top > 0 else columns * 0.0) * height * steps
    levels = np.where((filled > 0) & (filled < 1), 1, np.round(filled)).astype(int)
    lines = []
    for row in reversed(range(height)):
        here = [signs[part] for part in np.clip(levels - row * steps, 0, steps).tolist()]
        if row == 0 and not plain:
            here = ["·" if gap else sign for gap, sign in zip(np.isnan(columns).tolist(), here, strict=True)]
        highest = f"{top:.0f}" if top >= 100 or top == int(top) else f"{top:.3g}"
        lines.append(f"{f'{highest} |' if row == height - 1 else '|':>{_MARGIN}}{''.join(here)}")
    return "\n".join(line.rstrip() for line in [*lines, *_scale(offsets, len(columns), system)])


def _columns(offsets: FloatArray, rates: FloatArray, room: int) -> FloatArray:
    """The height at each column of the picture: the tray nearest to it, or the mean of the trays that share it."""
    spacing = float(np.diff(offsets).min()) if len(offsets) > 1 else 1.0
    places = round((offsets[-1] - offsets[0]) / spacing) + 1
    if places > room:
        at = np.minimum(((offsets - offsets[0]) / (offsets[-1] - offsets[0]) * room).astype(int), room - 1)
        known = ~np.isnan(rates)
        sums = np.bincount(at[known], rates[known], room)
        counts = np.bincount(at[known], minlength=room)
        means: FloatArray = np.divide(sums, counts, out=np.full(room, np.nan), where=counts > 0)
        return means
    each = max(1, min(room // places, 4))
    columns = np.full(places, np.nan)
    columns[np.round((offsets - offsets[0]) / spacing).astype(int)] = rates
    return np.repeat(columns, each)


def _scale(offsets: FloatArray, columns: int, system: str) -> list[str]:
    """The axis with the centre line marked, and the offsets of both ends."""
    unit = shown_unit("length", system)
    span = offsets[-1] - offsets[0] if len(offsets) > 1 else 1.0
    centre = -offsets[0] / span * (columns - 1) if span else 0.0
    axis, labels, ends = ["-"] * columns, [" "] * columns, []
    for offset in (float(offsets[0]), float(offsets[-1])):
        side = " left" if offset < 0 else " right" if offset > 0 else ""
        ends.append(f"{abs(from_inside(offset, unit, 'length')):.4g} {unit}{side}")
    left, right = ends
    if 0 <= centre <= columns - 1:
        axis[round(centre)] = "|"
        if len(left) < centre < columns - 2 - len(right):
            labels[round(centre)] = "0"
    text = left + "".join(labels)[len(left) :]
    text = text[: max(columns - len(right), len(left) + 2)].ljust(len(left) + 2) + right
    return [f"{'0 +':>{_MARGIN}}{''.join(axis)}", f"{'':>{_MARGIN}}{text}"]
