"""The passes of a test one by one, at places that several tests share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from spreadcheck.errors import Fault, SheetError
from spreadcheck.passes.passes import Passes
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.profile import SAME_PLACE, Profile, profile_from

_ENOUGH = 0.5  # of the trays: a pass with fewer catches says little about its own pattern


def pass_profiles(passes: Passes, profile: Profile) -> tuple[Profile, ...]:
    """The profile of every pass on its own, gaps filled from its own neighbours.

    Parameters
    ----------
    passes : Passes
        The passes of the test. [kg/ha]
    profile : Profile
        Its single-pass profile, the mean of the passes. [m, kg/ha]

    Returns
    -------
    tuple of Profile
        A profile a pass, on the scale of the mean; passes with catches in fewer than half of the trays, or with nothing
        caught, are left out. [m, kg/ha]

    Examples
    --------
    >>> from spreadcheck import profile_of, tray_test
    >>> from spreadcheck.passes.passes import passes_of
    >>> test = tray_test([-1, 0, 1], [[5, 9], [10, 10], [7, 5]], tray_width="0.5 m", tray_length="0.5 m")
    >>> [round(one.centre_m, 3) for one in pass_profiles(passes_of(test), profile_of(test))]
    [0.091, -0.167]
    """
    return tuple(
        profile_from(passes.offset_m, row, tails=profile.tails)
        for row in passes.rate_kg_ha.T
        if (~np.isnan(row)).sum() >= max(2.0, _ENOUGH * len(profile.offset_m)) and np.nansum(row) > 0
    )


def rates_at(passes: Sequence[Profile], profile: Profile, place_m: FloatArray) -> FloatArray:
    """Every pass as rates at given places.

    Parameters
    ----------
    passes : sequence of Profile
        The passes. [m, kg/ha]
    profile : Profile
        Their mean, which stands in beyond the end trays of a pass that is shorter. [m, kg/ha]
    place_m : ndarray, shape (places,)
        Offsets within the tray line. [m]

    Returns
    -------
    ndarray, shape (passes, places)
        Rates. [kg/ha]

    Examples
    --------
    >>> one = profile_from([-1, 0, 1], [1, 2, 1])
    >>> rates_at([one], one, np.array([-0.5, 0.0]))
    array([[1.5, 2. ]])
    """
    mean = np.interp(place_m, profile.offset_m, profile.rate_kg_ha)
    rows = [np.interp(place_m, one.offset_m, one.rate_kg_ha, left=np.nan, right=np.nan) for one in passes]
    return np.array([np.where(np.isnan(row), mean, row) for row in rows]).reshape(len(passes), len(place_m))


def common_places(one: Profile, other: Profile) -> tuple[FloatArray, bool]:
    """Where two tray lines can be held against each other.

    Parameters
    ----------
    one, other : Profile
        The profiles. [m, kg/ha]

    Returns
    -------
    tuple of (ndarray, bool)
        The trays where both lines are alike; else, within the stretch that both cover, the trays of the line that has
        fewer there. Whether the lines are alike. [m], [-]

    Raises
    ------
    SheetError
        If the lines share no stretch with three trays in it.

    Examples
    --------
    >>> common_places(profile_from([-2, 0, 2], [1, 2, 1]), profile_from([-3, -1, 0, 1, 3], [1, 2, 2, 2, 1]))
    (array([-2.,  0.,  2.]), False)
    """
    a, b = one.offset_m, other.offset_m
    near = SAME_PLACE * min(one.spacing_m, other.spacing_m)
    if len(a) == len(b) and np.abs(a - b).max() <= near:
        return a, True
    low, high = max(a[0], b[0]) - near, min(a[-1], b[-1]) + near
    inside = [line[(line >= low) & (line <= high)] for line in (a, b)]
    places = min(inside, key=len)
    if len(places) < 3:
        problem = "the two tray lines share no stretch with three trays in it"
        raise SheetError(Fault("", problem, "compare tests whose trays cover the same offsets"))
    return places, False


def check_different(tests: Sequence[TrayTest]) -> None:
    """Refuse the same test given twice.

    Parameters
    ----------
    tests : sequence of TrayTest
        The tests. [-]

    Returns
    -------
    None
        Nothing, if no two tests hold the same catches. [-]

    Raises
    ------
    SheetError
        If two tests hold the same catches at the same trays; names both.

    Examples
    --------
    >>> from spreadcheck import tray_test
    >>> one = tray_test([-1, 1], [1, 2], tray_width="1 m", tray_length="1 m")
    >>> check_different([one, one])
    Traceback (most recent call last):
    ...
    spreadcheck.errors.SheetError: tray test: holds the same catches as tray test; give each test once
    """
    faults = [
        Fault(_place(other), f"holds the same catches as {_place(one)}", "give each test once")
        for at, other in enumerate(tests)
        for one in tests[:at]
        if np.array_equal(one.offset, other.offset) and np.array_equal(one.catch, other.catch, equal_nan=True)
    ]
    if faults:
        raise SheetError(*faults)


def _place(test: TrayTest) -> str:
    return test.source or test.name
