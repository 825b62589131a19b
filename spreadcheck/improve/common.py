"""What several tests have in common: places along their tray lines, and their passes there; none is given twice."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from spreadcheck.errors import Fault, SheetError
from spreadcheck.passes.passes import Passes
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.profile import SAME_PLACE, Profile

_ENOUGH = 0.5  # of the trays: a pass with fewer catches says little about its own pattern


def passes_at(passes: Passes, profile: Profile, place_m: FloatArray) -> FloatArray:
    """Every pass as rates at given places, gaps filled from its own neighbours."""
    mean = np.interp(place_m, profile.offset_m, profile.rate_kg_ha)
    rows = []
    for row in passes.rate_kg_ha.T:
        known = ~np.isnan(row)
        if known.sum() < max(2.0, _ENOUGH * len(profile.offset_m)):
            continue
        own = np.interp(place_m, passes.offset_m[known], row[known], left=np.nan, right=np.nan)
        own = np.where(np.isnan(own), mean, own)
        if own.any() and row[known].any():
            rows.append(own)
    return np.array(rows).reshape(len(rows), len(place_m))


def common_places(one: Profile, other: Profile, *, place: str = "") -> tuple[FloatArray, bool]:
    """Where two tray lines can be held against each other."""
    a, b = one.offset_m, other.offset_m
    near = SAME_PLACE * min(one.spacing_m, other.spacing_m)
    if len(a) == len(b) and np.abs(a - b).max() <= near:
        return a, True
    low, high = max(a[0], b[0]) - near, min(a[-1], b[-1]) + near
    places = min((line[(line >= low) & (line <= high)] for line in (a, b)), key=len)
    if len(places) < 3:
        problem = "its tray line shares no stretch with three trays in it with that of the first test"
        raise SheetError(Fault(place, problem, "compare tests whose trays cover the same offsets"))
    return places, False


def check_different(tests: Sequence[TrayTest]) -> None:
    """Refuse tests that hold the same catches at the same trays, and name both."""
    faults = [
        Fault(place_of(other), f"holds the same catches as {place_of(one)}", "give each test once")
        for at, other in enumerate(tests)
        for one in tests[:at]
        if same_catches(one, other)
    ]
    if faults:
        raise SheetError(*faults)


def same_catches(one: TrayTest, other: TrayTest) -> bool:
    """Whether two tests hold the same catches at the same trays."""
    return np.array_equal(one.offset, other.offset) and np.array_equal(one.catch, other.catch, equal_nan=True)


def place_of(test: TrayTest) -> str:
    """Where a test is written, for messages."""
    return test.source or test.name
