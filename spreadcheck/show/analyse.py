"""An analysis: the answer on one screen, the table of bout widths, plain data, and pandas frames."""

from __future__ import annotations

import itertools
import math
import textwrap
from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.errors import record
from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.verdict import CANT_BE_JUDGED
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.mirror import MIRRORED
from spreadcheck.show.bars import bar_picture
from spreadcheck.show.data import csv_text, envelope, picked
from spreadcheck.show.format import beside, free, next_line, rate_unit, show_figure, show_rate, show_width
from spreadcheck.show.pattern_text import advice_json, pattern_full, pattern_headline, pattern_json
from spreadcheck.show.text import wrapped
from spreadcheck.show.verdict import (
    MARKS,
    advice_words,
    advised_words,
    down_m,
    effective_words,
    field_words,
    marks_words,
    other_bands_words,
    range_json,
    verdict_data,
    verdict_sentence,
    width_down,
)
from spreadcheck.spread.tails import metered_kg_ha_m
from spreadcheck.spread.widths import Scan
from spreadcheck.units import from_inside, show, shown_unit

if TYPE_CHECKING:
    import pandas as pd

WIDTH = 80
SCREEN = 30
ROWS_ON_A_SCREEN = 20
_FEWEST_DOUBTS = 2
_indented = partial(wrapped, indent="  ")


def summary_text(
    result: Assessment,
    system: str = "metric",
    *,
    plain: bool = False,
    advice: bool = False,
    asked: tuple[str, ...] = (),
) -> str:
    """The answer, at most 30 lines of 80 columns; the figures of the pattern under it on request."""
    test, profile = result.test, result.profile
    spaced = f"{show_width(profile.spacing_m, system)} apart" if profile.even else "unevenly spaced"
    passes = "1 pass" if profile.passes_used == 1 else f"mean of {profile.passes_used} passes"
    about = ", ".join(word for word in (test.text("product"), test.text("machine"), test.text("date")) if word)
    named = (test.name, about, f"{len(profile.offset_m)} trays {spaced}, {passes}")
    head = [textwrap.shorten(line, WIDTH, placeholder="...") for line in named if line]
    head += [*_verdict(result, system), *_widths(result, system)]
    picture, shape, gets = _picture(result, system, plain), pattern_headline(result).splitlines(), []
    width = result.bout_width_m or down_m(result.advised_width_m(result.driving or METHODS[0]) or 0.0, system)
    if width:
        bout = result.bouts_at(width)[result.driving or METHODS[0]]
        length, rate = partial(show_width, system=system), partial(show_rate, result=result, system=system)
        gets = _indented(field_words(result, bout, length, rate, f" {rate_unit(result, system)}"))
    following = _next(result, system, asked or ("analyse", test.source or "SHEET")).split("\n")
    rows = sum(math.ceil(len(line) / WIDTH) for line in following)  # a command stands whole, so that it can be copied
    room = SCREEN - len(head) - len(picture) - 1 - rows
    told = _told(result.doubts, system)
    blocks = sum(map(len, told[0] + told[1])) + bool(told[2]) if told[0] else 0
    if blocks and blocks + len(shape) + len(gets) > room:  # figures that can't be relied on give way to what blocks
        gets = []
    if blocks and blocks + len(shape) > room:
        shape = []
    doubts = _doubts(*told, max(room - len(shape) - len(gets), _FEWEST_DOUBTS))
    sure = "" if test.mirrored else "--confidence, "  # of a side that was not tested nothing is sure
    more = f"More: --table, --advice, {sure}--doubts, or --all"
    text = "\n".join(line.rstrip() for line in (*head, *picture, *shape, *gets, *doubts, more, *following))
    return f"{text}\n\n{pattern_full(result, system)}" if advice else text


def _fitted(text: str) -> str:
    return text if len(text) <= WIDTH else text[: WIDTH - 3].rstrip() + "..."


def _verdict(result: Assessment, system: str) -> list[str]:
    """The verdict, of both ways of driving where the sheet names none."""
    if not result.bouts:
        blocked = f"{CANT_BE_JUDGED.capitalize()}: {', '.join(result.blocking)}" if result.blocking else ""
        return [_fitted(blocked or "No bout width is named, so none is judged")]
    said = (verdict_sentence(result.verdicts[method], system) for method in result.judged_methods)
    return [line for sentence in said for line in _indented(sentence)]


def _widths(result: Assessment, system: str) -> list[str]:
    bands = [other_bands_words(result, method, system) for method in METHODS]
    others = [
        "; ".join(band[:1]) + (f" and {len(band) - 1} more" if len(band) > 1 else "") if band else "none"
        for band in bands
    ]
    rows = [
        (f"CV within {result.limit_pct:g} %", *METHODS),
        ("  advised width", *(advised_words(result, method, system) for method in METHODS)),
        ("  effective width", *(effective_words(result, method, system) for method in METHODS)),
        *([("  other bands", *others)] if any(bands) else []),
    ]
    lines = []
    for name, *cells in rows:  # cells that are too wide for one line go on in full on the next ones
        columns = itertools.zip_longest([name], *(wrapped(cell, 27) for cell in cells), fillvalue="")
        lines += [f"{first:<24}{second:<28}{third}" for first, second, third in columns]
    if not result.blocking:
        lines += _indented("  " + advice_words(result, result.driving or METHODS[0], system))
    return lines


def _picture(result: Assessment, system: str, plain: bool) -> list[str]:
    profile = result.profile
    rates = [float(show_rate(float(rate), result, system)) for rate in profile.rate_kg_ha]
    off = show(abs(profile.centre_m), "length", system)
    side = "right" if profile.centre_m > 0 else "left"
    centre = "on the driving line" if float(off.split()[0]) == 0 else f"{off} {side} of the line"
    left, right = (show_figure(share, digits=0) for share in (profile.left_share_pct, profile.right_share_pct))
    shares = MIRRORED if result.test.mirrored else f"centre {centre}; {left} : {right} %"
    return [
        f"Single-pass profile, {rate_unit(result, system)}; {shares}",
        *bar_picture(profile.offset_m, rates, width=WIDTH, height=4, system=system, plain=plain).splitlines(),
    ]


def _told(doubts: tuple[Doubt, ...], system: str) -> tuple[list[list[str]], list[list[str]], list[str]]:
    """Lines of what blocks, of what puts each right, and a line for each other doubt."""
    blocking = [doubt for doubt in doubts if doubt.blocking]
    seen = [_indented(f"BLOCKS {doubt.code}: {doubt.seen(system)}") for doubt in blocking]
    right = [_indented(f"  put right: {doubt.first_step(system)}", indent="    ") for doubt in blocking]
    return seen, right, [_fitted(f"Doubt {d.code}: {d.seen(system)}") for d in doubts if not d.blocking]


def _doubts(seen: list[list[str]], right: list[list[str]], others: list[str], room: int) -> list[str]:
    """The blocking doubts first and whole, with what puts them right; then the others, one line each, while they fit.

    Where there is no room for all, what puts a doubt right is left to --doubts before any blocking doubt is.
    """
    if not seen and not others:
        return ["No doubts about this test"]
    spare = room - sum(map(len, seen)) - bool(others)
    lines: list[str] = []
    left = len(seen) + len(others)
    for what, remedy in zip(seen, right, strict=True):
        if lines and len(lines) + len(what) + (left > 1) > room:
            break
        fits = len(remedy) <= spare
        spare -= len(remedy) if fits else 0
        lines += [*what, *(remedy if fits else [])]
        left -= 1
    for line in others:
        if left > len(others) or (lines and len(lines) + 1 + (left > 1) > room):
            break
        lines.append(line)
        left -= 1
    more = f"and {left} more doubt{'' if left == 1 else 's'}, told by --doubts"
    return [*lines, more] if left else lines


def _next(result: Assessment, system: str, asked: tuple[str, ...]) -> str:
    """The command that ends this step or begins the next one."""
    sheet = result.test.source or "SHEET"
    if result.blocking:
        return next_line(*asked, lead="Next, once what blocks is put right")
    if result.test.mirrored:
        return next_line(
            "record", free(beside(sheet, "-2.csv")), "--like", sheet, lead="Next, with trays on both sides"
        )
    if result.verdict is None:
        advised = result.advised_width_m(result.driving or METHODS[0])
        more = ("--advice",) if advised is None else ("--bout-width", width_down(advised, system))
        return next_line(*asked, *more)
    if result.verdict.may_be_driven and "--card" not in asked:
        return next_line(*asked, "--card", free(beside(sheet, "-card.pdf")))
    if not result.verdict.may_be_driven and not {"--advice", "--all"} & set(asked):
        return next_line(*asked, "--advice")
    return next_line("record", free(beside(sheet, "-2.csv")), "--like", sheet, lead="Next, after a change")


def width_table(result: Assessment, system: str = "metric", *, every: bool = False) -> str:
    """The table of bout widths, 80 columns wide."""
    rows = width_rows(result, most=None if every else ROWS_ON_A_SCREEN)
    total = len(result.scans[METHODS[0]].width_m)
    unit = rate_unit(result, system).replace("% of peak", "% peak")
    figures = f"{unit:>8}{unit:>8}"
    lines = [
        f"{'Bout':<8}{'':>8} {f' {METHODS[0]} ':-^29}  {f' {METHODS[1]} ':-^29}",
        f"{'width':<8}{'mean':>8}" + f"{'CV':>8} {'line':>6}{'least':>8}{'most':>8}" * 2,
        f"{shown_unit('length', system):<8}{unit:>8}" + f"{'%':>8} {'%':>6}{figures}" * 2,
    ]
    for row in rows:
        cells = f"{show_width(row.width_m, system, unit=False):<8}{show_rate(row.mean, result, system):>8}"
        for method in METHODS:
            cv, line, least, most = row.scans[method]
            mark = MARKS.get(row.standing[method], " ")
            extremes = f"{show_rate(least, result, system):>8}{show_rate(most, result, system):>8}"
            cells += f"{show_figure(cv):>8}{mark}{show_figure(line):>6}{extremes}"
        lines.append(cells)
    lines += [
        *_indented(marks_words(result)),
        "CV: by trays as they lay; line: CV by line; all rates at the same metering",
        "The CV of the verdict is what such trays read on average, wherever they lie",
    ]
    if len(rows) < total:
        lines.append(f"{len(rows)} of {total} widths are shown; --every-width shows all, --csv FILE writes them")
    return "\n".join(line.rstrip() for line in lines)


@record
class WidthRow:
    """One row of the table of bout widths."""

    width_m: float
    mean: float
    scans: dict[str, tuple[float, ...]]  # CV by trays, CV by line, least, most
    standing: dict[str, str]  # to the limit, see `Assessment.standings`
    marks: tuple[str, ...]  # what is special about the width


def width_rows(result: Assessment, *, most: int | None = None) -> tuple[WidthRow, ...]:
    """The table of bout widths: every candidate, or regularly thinned, with the widths that matter always kept.

    The effective width marks the widest one that the table holds.
    """
    widths = result.scans[METHODS[0]].width_m.tolist()
    marks: dict[float, tuple[str, ...]] = {}
    for method in METHODS:
        effective = result.effective_width_m(method) or 0.0
        if inside := [width for width in widths if width <= effective + 1e-6]:
            marks[inside[-1]] = (*marks.get(inside[-1], ()), f"effective {method}")
    if result.bout_width_m is not None:
        marks[result.bout_width_m] = (*marks.get(result.bout_width_m, ()), "driven")
    step = 1 if most is None or len(widths) <= most else math.ceil(len(widths) / most)
    columns = {method: scan_columns(scan) for method, scan in result.scans.items()}
    standings = {method: result.standings(method) for method in METHODS}
    return tuple(
        WidthRow(
            width,
            columns[METHODS[0]]["mean"][at],
            {m: tuple(each[name][at] for name in _OF_METHOD) for m, each in columns.items()},
            {method: each[at] for method, each in standings.items()},
            marks.get(width, ()),
        )
        for at, width in enumerate(widths)
        if at % step == 0 or width in marks
    )


_OF_METHOD = ("cv_trays_pct", "cv_line_pct", "min", "max")


def scan_columns(scan: Scan) -> dict[str, list[float]]:
    """A scan as plain columns by the names of their JSON keys."""
    names = ("width_m", "cv_trays_pct", "cv_line_pct", "mean", "min", "max")
    arrays = (scan.width_m, scan.cv_trays_pct, scan.cv_line_pct, scan.mean_kg_ha, scan.min_kg_ha, scan.max_kg_ha)
    return {name: array.tolist() for name, array in zip(names, arrays, strict=True)}


def _width_records(result: Assessment, system: str) -> Iterator[dict[str, Any]]:
    """A record for each driving method and width, in the units of one system; names carry the units."""
    length = shown_unit("length", system)
    relative = result.profile.relative
    rate = "pct_of_peak" if relative else shown_unit("rate", system).replace("/", "_")
    per_rate = 1.0 if relative else from_inside(1.0, shown_unit("rate", system), "rate")
    per_length = from_inside(1.0, length, "length")
    for scan in result.scans.values():
        columns = scan_columns(scan)
        for at, standing in enumerate(result.standings(scan.method)):
            row = {name: values[at] for name, values in columns.items()}
            yield {
                "method": scan.method,
                f"width_{length}": row["width_m"] * per_length,
                "cv_trays_pct": row["cv_trays_pct"],
                "cv_line_pct": row["cv_line_pct"],
                **{f"{name}_{rate}": row[name] * per_rate for name in ("mean", "min", "max")},
                "against_limit": standing,
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
    >>> test = tray_test(range(-3, 4), [0, 1, 2, 3, 2, 1, 0], tray_width="1 m", tray_length="1 m")
    >>> print(*widths_csv(assess(test)).splitlines()[:2], sep="\\n")
    method,width_m,cv_trays_pct,cv_line_pct,mean_kg_ha,min_kg_ha,max_kg_ha,against_limit
    back-and-forth,2,15.713484,6.415003,45,40,50,close
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
    >>> test = tray_test(range(-3, 4), [0, 1, 2, 3, 2, 1, 0], tray_width="1 m", tray_length="1 m")
    >>> widths_frame(assess(test)).query("against_limit == 'within'").groupby("method").width_m.max().to_dict()
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


def analysis_json(result: Assessment) -> dict[str, Any]:
    """The whole result as plain data, schema spreadcheck/analysis/1: SI throughout, keys carry their units.

    Parameters
    ----------
    result : Assessment
        The assessment. [-]

    Returns
    -------
    dict
        Data that `json.dumps` takes; unknown figures are None. [SI]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> test = tray_test(range(-3, 4), [0, 1, 2, 3, 2, 1, 0], tray_width="1 m", tray_length="1 m")
    >>> data = analysis_json(assess(test))
    >>> data["schema"], data["methods"]["round-and-round"]["bands"][0]["lowest_at_m"], data["test"]
    ('spreadcheck/analysis/1', 3.0, {'tray_width_m': 1.0, 'tray_length_m': 1.0})
    """
    profile, advice = result.profile, advice_json(result)
    data: dict[str, Any] = {
        "profile": {
            "offset_m": profile.offset_m,
            "rate": profile.rate_kg_ha,
            "tails": profile.tails,
            "passes_used": profile.passes_used,
            "filled_offset_m": list(profile.filled_offset_m),
            "dropped_offset_m": list(profile.dropped_offset_m),
            **picked(profile, "centre_m left_share_pct right_share_pct"),
        },
        "pattern": {**pattern_json(result.pattern), "advice": advice["causes"]},
        "advice": advice,
        "cv_limit_pct": result.limit_pct,
        "methods": {method: _method_json(result, scan) for method, scan in result.scans.items()},
    }
    if result.bouts:
        area, width = result.area_range(metered_kg_ha_m(result.test, result.bout_width_m)), result.bout_width_m or 1.0
        ends = None if area is None else [area.least / width, area.most / width]
        data["bout"] = {"width_m": result.bout_width_m, "within_limit": result.within_limit, "mean_range": ends}
        for method, bout in result.bouts.items():
            figures = {key.removesuffix("_kg_ha"): value for key, value in vars(bout).items()}
            data["bout"][method] = {key: value for key, value in figures.items() if key not in _ABOUT_BOUT}
    data["verdict"] = verdict_data(result.verdict)
    rates: dict[str, Any] = _named(data, "pct_of_peak" if profile.relative else "kg_ha")
    return envelope("analysis/1", result.test, result.doubts, **rates)


_RATES = ("rate", "mean", "mean_range", "min", "max")
_ABOUT_BOUT = ("method", "width_m", "part")
_OF_BAND = ("from_m", "to_m", "lowest_cv_pct", "lowest_at_m", "margin_pct", "narrow")


def _method_json(result: Assessment, scan: Scan) -> dict[str, Any]:
    best, columns = result.curves[scan.method].best, scan_columns(scan)
    return {
        "effective_width_m": result.effective_width_m(scan.method),
        "effective_width_censored": result.censored(scan.method),
        "effective_width_over_tails_m": range_json(result.effective_over_tails(scan.method)),
        "advised_width_m": result.advised_width_m(scan.method),
        "bands_m": [list(band) for band in result.bands_m(scan.method)],
        "bands": [{key: getattr(band, key) for key in _OF_BAND} for band in result.bands(scan.method)],
        "best_width_m": best[0] if best else None,
        "limits": [
            {
                "cv_limit_pct": limit,
                "effective_width_m": result.effective_width_m(scan.method, limit),
                "bands_m": [list(band) for band in result.bands_m(scan.method, limit)],
            }
            for limit in result.side_by_side_pct
        ],
        "scan": [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)],
    }


def _named(data: Any, unit: str) -> Any:
    """Rates get their unit into their key: kg_ha, or pct_of_peak where only proportions are known."""
    if isinstance(data, dict):
        return {f"{key}_{unit}" if key in _RATES else key: _named(value, unit) for key, value in data.items()}
    return [_named(value, unit) for value in data] if isinstance(data, list) else data
