"""Bout widths of a table, and what the field gets at each: both CVs, mean, least and most."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spreadcheck.errors import Fault, WidthError, record
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import FloatArray, rising
from spreadcheck.spread.evenness import Deposit, cv_of_points
from spreadcheck.spread.overlap import bout_deposit, overlapped_deposit, tray_points
from spreadcheck.spread.profile import SAME_PLACE, Profile
from spreadcheck.units import parse_quantity

MAX_WIDTHS = 10_000
MAX_WIDTH_M = 1_000.0
LEAST_LIMIT_PCT, MOST_LIMIT_PCT = 0.001, 1_000.0
MAX_MULTIPLES = 1_900  # spacings in a tray line of which the table has every one
MAX_OVERLAPS = 2_000  # passes over one point; more means the width was mistyped
_CHUNK = 1_000_000  # points worked on at a time


@record(eq=False)
class Scan:
    """Evenness and deposit at every candidate bout width, for one driving method; widths increase."""

    method: str
    width_m: FloatArray
    cv_trays_pct: FloatArray
    cv_line_pct: FloatArray
    mean_kg_ha: FloatArray
    min_kg_ha: FloatArray
    max_kg_ha: FloatArray


def default_widths(profile: Profile, *, place: str = "") -> FloatArray:
    """Every whole multiple of the tray spacing, from two spacings to the length of the tray line.

    Of a line longer than 1,900 spacings only every so many, so that the table takes no longer than that of 1,900: a
    width takes passes x trays. The search for bands looks at every width all the same.

    Parameters
    ----------
    profile : Profile
        The single-pass profile; with uneven trays the smallest spacing counts. [m, kg/ha]
    place : str
        The sheet it came from, for messages. [-]

    Returns
    -------
    ndarray, shape (widths,)
        Candidate bout widths. [m]

    Raises
    ------
    WidthError
        If the line is shorter than two spacings.

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> default_widths(profile_from([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1]))
    array([2., 3., 4.])
    """
    length, spacing = float(profile.offset_m[-1] - profile.offset_m[0]), profile.spacing_m
    most = int(np.floor(length / spacing + SAME_PLACE * len(profile.offset_m)))
    if most < 2:
        raise WidthError(
            Fault(place, "the tray line is shorter than two tray spacings", "use three trays or more, or give --widths")
        )
    step = int(np.ceil((most / MAX_MULTIPLES) ** 2))
    widths = np.arange(max(step, 2), most + 1, step) * (spacing if profile.places is None else length / most)
    return np.asarray(np.round(widths, 12))


def parse_widths(text: str, *, place: str = "option --widths") -> FloatArray:
    """Bout widths as a person asks for them: a list with commas, or "first:last:step".

    Parameters
    ----------
    text : str
        What was written, each width with its unit. [-]
    place : str
        Where it was written, for messages. [-]

    Returns
    -------
    ndarray, shape (widths,)
        Bout widths, increasing, each once. [m]

    Raises
    ------
    WidthError
        If the range is empty or too long, or a width can't be driven.

    Examples
    --------
    >>> parse_widths("18 m:20 m:0.5 m"), parse_widths("24 m, 60 ft")
    (array([18. , 18.5, 19. , 19.5, 20. ]), array([18.288, 24.   ]))
    """
    if ":" in text:
        parts = [parse_quantity(part, "length", place=place) for part in text.split(":")]
        if len(parts) != 3:
            raise WidthError(Fault(place, f'"{text}" is not a range', 'write first:last:step, such as "18 m:36 m:1 m"'))
        first, last, step = parts
        if not (step > 0 and last >= first):
            remedy = "write first:last:step with last above first and a step above 0"
            raise WidthError(Fault(place, f'"{text}" holds no bout width', remedy))
        count = (last - first) / step
        if count >= MAX_WIDTHS:
            remedy = f"use a larger step, so that it holds at most {MAX_WIDTHS:,}"
            raise WidthError(Fault(place, f'"{text}" holds {count + 1:,.0f} bout widths', remedy))
        widths = np.round(first + step * np.arange(int(count + SAME_PLACE) + 1), 12)
    else:
        listed = [part for part in text.replace(";", ",").split(",") if part.strip()]
        if not listed:
            remedy = 'write such as "18 m, 24 m" or "18 m:36 m:1 m"'
            raise WidthError(Fault(place, "there is no bout width in it", remedy))
        widths = np.array([parse_quantity(part, "length", place=place) for part in listed])
    _check_driven(widths, place)
    if len(widths) > MAX_WIDTHS:
        raise WidthError(Fault(place, f"{len(widths):,} bout widths", f"give at most {MAX_WIDTHS:,}"))
    return rising(widths)


def _check_driven(widths: FloatArray, place: str = "") -> None:
    bad = widths[~((widths > 0) & (widths <= MAX_WIDTH_M))]
    if len(bad):
        remedy = f"give widths above 0 and up to {MAX_WIDTH_M:g} m"
        raise WidthError(Fault(place, f"a bout width of {bad[0]:g} m can't be driven", remedy))


def check_limit(limit_pct: float) -> None:
    """Refuse a CV limit that nothing can meet or miss."""
    if not LEAST_LIMIT_PCT <= limit_pct <= MOST_LIMIT_PCT:
        wanted = "above 0" if limit_pct < LEAST_LIMIT_PCT else f"of at most {MOST_LIMIT_PCT:,.0f} %"
        remedy = f"give a limit {wanted}, such as 15"
        raise WidthError(Fault("CV limit", f"{limit_pct:g} % can't be met or missed", remedy))


def check_widths(profile: Profile, widths: ArrayLike, *, place: str = "") -> None:
    """Refuse bout widths that can't be driven over this profile, and trays too uneven to lay every width over them."""
    asked = np.atleast_1d(np.asarray(widths, dtype=float))
    _check_driven(asked)
    most = float(np.ptp(profile.offset_m)) / profile.spacing_m
    if most > MAX_MULTIPLES and profile.places is None:
        problem = f"the trays stand unevenly, and their line is {most:,.0f} times its smallest spacing"
        remedy = f"put neighbouring trays together until it is at most {MAX_MULTIPLES:,} times"
        raise WidthError(Fault(place, f"{problem} ({profile.spacing_m:g} m)", remedy))
    least = float(asked.min())
    overlaps = np.ptp(profile.knots[0]) / least
    if overlaps > MAX_OVERLAPS:
        problem = f"at a bout width of {least:g} m {overlaps:,.0f} passes would overlap"
        raise WidthError(Fault("", problem, "check the number and its unit"))


def scan_widths(profile: Profile, width_m: ArrayLike, method: str) -> Scan:
    """CV by trays, CV by line and the true mean, smallest and largest deposit at every bout width.

    Parameters
    ----------
    profile : Profile
        The single-pass profile. [m, kg/ha]
    width_m : array_like, shape (widths,)
        Bout widths. [m]
    method : str
        "back-and-forth" or "round-and-round". [-]

    Returns
    -------
    Scan
        The figures, an entry a width; CV by trays is NaN where fewer than two trays lie in a bout. [m, %, kg/ha]

    Raises
    ------
    WidthError
        If a width can't be driven.

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> scan = scan_widths(profile_from([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1]), [3, 4], "round-and-round")
    >>> scan.cv_trays_pct.round(4), scan.cv_line_pct.round(4), scan.mean_kg_ha
    (array([ 0.    , 22.2222]), array([ 0.    , 14.3444]), array([3.  , 2.25]))
    """
    return scan_methods(profile, width_m, (method,))[method]


def scan_methods(profile: Profile, width_m: ArrayLike, methods: Sequence[str] = METHODS) -> dict[str, Scan]:
    """The scans of several driving methods, worked out together.

    Parameters
    ----------
    profile : Profile
        The single-pass profile. [m, kg/ha]
    width_m : array_like, shape (widths,)
        Bout widths. [m]
    methods : sequence of str
        Driving methods. [-]

    Returns
    -------
    dict of str to Scan
        A scan a method. [m, %, kg/ha]

    Raises
    ------
    WidthError
        If a width can't be driven.

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> skewed = profile_from([-3, -2, -1, 0, 1, 2, 3], [0, 2, 6, 10, 8, 4, 0])
    >>> {method: scan.cv_trays_pct.round(4) for method, scan in scan_methods(skewed, [3, 4]).items()}
    {'back-and-forth': array([20.    , 29.8142]), 'round-and-round': array([ 0.    , 25.5314])}
    """
    widths = np.atleast_1d(np.asarray(width_m, dtype=float))
    check_widths(profile, widths)
    load = np.cumsum((len(profile.knots[0]) + widths / profile.spacing_m) * (np.ptp(profile.knots[0]) / widths + 2))
    chunks = np.split(widths, np.flatnonzero(np.diff((load // _CHUNK).astype(int))) + 1)  # so that memory stays flat
    laid = [lay(profile, chunk, methods) for chunk in chunks]
    cv_trays, cv_line, least, most = (
        np.concatenate([getattr(each, name).reshape(len(methods), -1) for each in laid], axis=1)
        for name in ("cv_trays_pct", "cv_line_pct", "min_kg_ha", "max_kg_ha")
    )
    mean = profile.area_kg_ha_m / widths
    return {
        method: Scan(method, widths, cv_trays[at], cv_line[at], mean, least[at], most[at])
        for at, method in enumerate(methods)
    }


@record(eq=False)
class Laid:
    """What the field gets at each bout width, width after width for each method in turn.

    `offset_m` and `rate_kg_ha` are the points of CV by trays, bout after bout from `starts` on; the other arrays have
    an entry a bout.
    """

    offset_m: FloatArray
    rate_kg_ha: FloatArray
    starts: NDArray[np.intp]
    pieces: Deposit
    cv_trays_pct: FloatArray
    cv_line_pct: FloatArray
    min_kg_ha: FloatArray
    max_kg_ha: FloatArray


def lay(profile: Profile, widths: FloatArray, methods: Sequence[str] = METHODS) -> Laid:
    """Lay passes side by side at every width, by every method."""
    w = np.tile(widths, len(methods))
    back = np.repeat([method == BACK_AND_FORTH for method in methods], len(widths))
    x, weights, starts = tray_points(profile, w)
    counts = np.diff(starts, append=len(x))
    deposit = overlapped_deposit(profile, x, np.repeat(w, counts), np.repeat(back, counts))
    pieces = bout_deposit(profile, w, back)
    least = np.minimum.reduceat(np.minimum(pieces.left, pieces.right), pieces.starts)
    most = np.maximum.reduceat(np.maximum(pieces.left, pieces.right), pieces.starts)
    return Laid(x, deposit, starts, pieces, cv_of_points(deposit, weights, starts), pieces.cv_pct, least, most)
