"""One side of a tray line taken for both, where the other side was not tested."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from spreadcheck.sheet.traytest import MIN_SPACING_M, FormRow, TrayTest

MIRRORED = "one side mirrored, not tested"
COPIED = " mirrored"  # ends the name of a tray that was not laid out


def both_sides(test: TrayTest) -> TrayTest:
    """The test with its longer side mirrored onto the other one; every output of it says so in its name.

    Trays of the shorter side are left out, one on the driving line stays. The pattern is then the same left and right,
    so back-and-forth and round-and-round give the same answers.

    Parameters
    ----------
    test : TrayTest
        The test; it is not changed. [-]

    Returns
    -------
    TrayTest
        The test as both sides would be. [-]

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> half = tray_test([0, 1, 2], [9, 8, 3], tray_width="0.5 m", tray_length="0.5 m", form={"test": "Half"})
    >>> whole = both_sides(half)
    >>> whole.name, whole.offset, whole.catch.ravel()
    ('Half (one side mirrored, not tested)', array([-2., -1.,  0.,  1.,  2.]), array([3., 8., 9., 8., 3.]))
    """
    side = 1.0 if test.offset_m[-1] >= -test.offset_m[0] else -1.0
    there = np.flatnonzero(side * test.offset_m >= MIN_SPACING_M)
    at = np.concatenate((np.flatnonzero(np.abs(test.offset_m) < MIN_SPACING_M), there))
    rows = np.concatenate((there, at))
    offset = np.concatenate(
        (-test.offset[there], np.where(np.abs(test.offset_m[at]) < MIN_SPACING_M, 0, test.offset[at]))
    )
    order = np.argsort(offset, kind="stable")
    names = [f"{test.tray[tray]}{COPIED}" for tray in there] + [test.tray[tray] for tray in at]
    form = tuple(row for row in test.form if row.label.strip().casefold() not in ("test", "reversed passes"))
    return replace(
        test,
        form=(FormRow("test", f"{test.name} ({MIRRORED})"), *form),
        tray=tuple(names[row] for row in order),
        offset=offset[order],
        catch=np.ascontiguousarray(test.catch[rows[order]]),
        state=np.ascontiguousarray(test.state[rows[order]]),
        note=tuple(test.note[row] for row in rows[order]),
        tare=None if test.tare is None else test.tare[rows[order]],
        mirrored="left" if side > 0 else "right",
    )
