"""An assessment as rows, CSV and pandas frames; the rounding rules in one place.

Frames hold unrounded figures in SI; text rounds widths to 0.01, CVs and rates to 0.1, shares to 1 %.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.judge.assessment import Assessment
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.csv import csv_text
from spreadcheck.spread.widths import Scan
from spreadcheck.units import from_inside, show, shown_unit

if TYPE_CHECKING:
    import pandas as pd

CLOSE_CALL_PCT = 1.0


def show_width(width_m: float | None, system: str = "metric", *, unit: bool = True) -> str:
    """A bout width as a reader sees it: to 0.01, without trailing zeros."""
    if width_m is None:
        return "none"
    number = show(width_m, "length", system, unit=False, digits=2).rstrip("0").rstrip(".")
    return f"{number} {shown_unit('length', system)}" if unit else number


def rate_unit(result: Assessment, system: str = "metric") -> str:
    """The unit in which the rates of an assessment are shown."""
    return "% of peak" if result.profile.relative else shown_unit("rate", system)


def show_rate(rate: float, result: Assessment, system: str = "metric") -> str:
    """A rate as a reader sees it, without its unit."""
    return f"{rate:.1f}" if result.profile.relative else show(rate, "rate", system, unit=False)


def show_pct(share: float, *, digits: int = 1) -> str:
    """A CV or a share as a reader sees it, without the sign."""
    return "-" if math.isnan(share) else f"{share:.{digits}f}"


def show_share(part: float, whole: float, *, digits: int = 0) -> str:
    """One figure as a share of another, as a reader sees it, without the sign."""
    return show_pct(100.0 * part / whole if whole else math.nan, digits=digits)


def is_close_call(cv_pct: float, limit_pct: float) -> bool:
    """Whether a CV is so close to its limit that a reader should be told: within 1 %, more than rounding hides."""
    return abs(cv_pct - limit_pct) <= CLOSE_CALL_PCT


@dataclass(frozen=True)
class WidthRow:
    """One row of the table of bout widths; `marks` says what is special about the width."""

    width_m: float
    mean: float
    scans: dict[str, tuple[float, float, float, float]]  # CV by trays, CV by line, least, most
    marks: tuple[str, ...]


def width_rows(result: Assessment, *, most: int | None = None) -> tuple[WidthRow, ...]:
    """The table of bout widths: every candidate, or regularly thinned, with the widths that matter always kept."""
    widths = result.scans[METHODS[0]].width_m
    marks = _marks(result)
    step = 1 if most is None or len(widths) <= most else math.ceil(len(widths) / most)
    return tuple(
        _width_row(result, at, marks.get(float(width), ()))
        for at, width in enumerate(widths)
        if at % step == 0 or float(width) in marks
    )


def _width_row(result: Assessment, at: int, marks: tuple[str, ...]) -> WidthRow:
    scans = result.scans
    figures = {
        method: (
            float(scan.cv_trays_pct[at]),
            float(scan.cv_line_pct[at]),
            float(scan.min_kg_ha[at]),
            float(scan.max_kg_ha[at]),
        )
        for method, scan in scans.items()
    }
    first = scans[METHODS[0]]
    return WidthRow(float(first.width_m[at]), float(first.mean_kg_ha[at]), figures, marks)


def _marks(result: Assessment) -> dict[float, tuple[str, ...]]:
    """What is special about widths of the table; the effective width marks the widest one that it holds."""
    marks: dict[float, tuple[str, ...]] = {}
    widths = result.scans[METHODS[0]].width_m
    for method in METHODS:
        effective = result.effective_width_m(method)
        if effective is not None and (widths <= effective + 1e-6).any():
            width = float(widths[widths <= effective + 1e-6][-1])
            marks[width] = (*marks.get(width, ()), f"effective {method}")
    if result.bout_width_m is not None:
        marks[result.bout_width_m] = (*marks.get(result.bout_width_m, ()), "driven")
    return marks


def scan_columns(scan: Scan) -> tuple[list[float], ...]:
    """A scan as plain columns: width, CV by trays, CV by line, mean, least, most."""
    columns = (scan.width_m, scan.cv_trays_pct, scan.cv_line_pct, scan.mean_kg_ha, scan.min_kg_ha, scan.max_kg_ha)
    return tuple(column.tolist() for column in columns)


def _width_records(result: Assessment, system: str) -> Iterator[dict[str, Any]]:
    """A record for each driving method and width, in the units of one system; names carry the units."""
    length = shown_unit("length", system)
    relative = result.profile.relative
    rate = "pct_of_peak" if relative else shown_unit("rate", system).replace("/", "_")
    per_rate = 1.0 if relative else from_inside(1.0, shown_unit("rate", system), "rate")
    per_length = from_inside(1.0, length, "length")
    for scan in result.scans.values():
        for width, cv_trays, cv_line, mean, least, most in zip(*scan_columns(scan), strict=True):
            yield {
                "method": scan.method,
                f"width_{length}": width * per_length,
                "cv_trays_pct": cv_trays,
                "cv_line_pct": cv_line,
                f"mean_{rate}": mean * per_rate,
                f"min_{rate}": least * per_rate,
                f"max_{rate}": most * per_rate,
                "within_limit": bool(cv_trays <= result.limit_pct),
            }


def widths_csv(result: Assessment, system: str = "metric") -> str:
    """The table of bout widths for a spreadsheet: every width, both driving methods.

    Parameters
    ----------
    result : Assessment
        The assessment. [-]
    system : str
        "metric" or "us"; the column names carry the units. [-]

    Returns
    -------
    str
        CSV text, figures to nine digits; a width without a CV by trays has an empty cell. [-]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> test = tray_test([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    >>> print(*widths_csv(assess(test)).splitlines()[:2], sep="\\n")
    method,width_m,cv_trays_pct,cv_line_pct,mean_kg_ha,min_kg_ha,max_kg_ha,within_limit
    back-and-forth,2,15.713484,6.415003,45,40,50,no
    """
    return csv_text(_width_records(result, system))


def widths_frame(result: Assessment) -> pd.DataFrame:
    """The table of bout widths as a pandas frame, a row for each driving method and width.

    Parameters
    ----------
    result : Assessment
        The assessment. [-]

    Returns
    -------
    pandas.DataFrame
        The columns of `widths_csv`, unrounded. [m, kg/ha, %]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> test = tray_test([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    >>> widths_frame(assess(test)).query("within_limit").groupby("method").width_m.max().to_dict()
    {'back-and-forth': 3.0, 'round-and-round': 3.0}
    """
    import pandas as pd

    return pd.DataFrame.from_records(list(_width_records(result, "metric")))


def profile_frame(result: Assessment) -> pd.DataFrame:
    """The single-pass profile as a pandas frame, a row a tray.

    Parameters
    ----------
    result : Assessment
        The assessment. [-]

    Returns
    -------
    pandas.DataFrame
        offset_m, rate_kg_ha (or rate_pct_of_peak), filled. [m, kg/ha]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> profile_frame(assess(tray_test([-1, 0, 1], [1, 2, 1], tray_width="1 m", tray_length="1 m")))
       offset_m  rate_kg_ha  filled
    0      -1.0        10.0   False
    1       0.0        20.0   False
    2       1.0        10.0   False
    """
    import pandas as pd

    profile = result.profile
    rate = "rate_pct_of_peak" if profile.relative else "rate_kg_ha"
    filled = np.isin(profile.offset_m, profile.filled_offset_m)
    return pd.DataFrame({"offset_m": profile.offset_m, rate: profile.rate_kg_ha, "filled": filled})
