"""An analysis: the answer on one screen, the table of bout widths, plain data, and pandas frames."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.errors import record
from spreadcheck.judge.assessment import Assessment, Bout
from spreadcheck.judge.verdict import CANT_BE_JUDGED
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.mirror import MIRRORED
from spreadcheck.show.bars import bar_picture
from spreadcheck.show.csv import csv_text
from spreadcheck.show.format import rate_unit, show_pct, show_rate, show_share, show_width, target_words
from spreadcheck.show.json import envelope
from spreadcheck.show.nextstep import beside, next_line
from spreadcheck.show.pattern_text import advice_json, pattern_full, pattern_headline, pattern_json
from spreadcheck.show.terminal import wrapped
from spreadcheck.show.verdict import (
    MARKS,
    advice_words,
    advised_words,
    down_m,
    effective_words,
    marks_words,
    open_mean,
    other_bands_words,
    range_json,
    verdict_data,
    verdict_sentence,
    width_down,
)
from spreadcheck.spread.bands import Band
from spreadcheck.spread.widths import Scan
from spreadcheck.units import from_inside, show, shown_unit

if TYPE_CHECKING:
    import pandas as pd

WIDTH = 80
SCREEN = 30
ROWS_ON_A_SCREEN = 20
_FEWEST_DOUBTS = 2


def summary_text(
    result: Assessment,
    system: str = "metric",
    *,
    plain: bool = False,
    advice: bool = False,
    asked: tuple[str, ...] = (),
) -> str:
    """The answer, at most 30 lines of 80 columns; the figures of the pattern under it on request.

    >>> from spreadcheck import assess, tray_test
    >>> test = tray_test(range(-3, 4), [0, 1, 2, 3, 2, 1, 0], tray_width="1 m", tray_length="1 m")
    >>> print(summary_text(assess(test, bout_width_m=3), plain=True).splitlines()[5])
      advised width         3.6 m                   3.6 m
    """
    head = [*_heading(result, system), *_verdict(result, system), *_widths(result, system)]
    picture, shape = _picture(result, system, plain), pattern_headline(result).splitlines()
    gets = _field_gets(result, system)
    following = _next(result, system, asked or ("analyse", result.test.source or "SHEET")).split("\n")
    rows = sum(math.ceil(len(line) / WIDTH) for line in following)  # a command stands whole, so that it can be copied
    room = SCREEN - len(head) - len(picture) - 1 - rows
    blocks = _room_to_tell(result.doubts, system)
    if blocks and blocks + len(shape) + len(gets) > room:  # figures that can't be relied on give way to what blocks
        gets = []
    if blocks and blocks + len(shape) > room:
        shape = []
    middle = [*picture, *shape, *gets]
    doubts = _doubts(result, system, max(room - len(shape) - len(gets), _FEWEST_DOUBTS))
    sure = "" if result.test.mirrored else "--confidence, "  # of a side that was not tested nothing is sure
    more = f"More: --table, --advice, {sure}--doubts, or --all"
    lines = [*head, *middle, *doubts, more, *following]
    text = "\n".join(line.rstrip() for line in lines)
    return f"{text}\n\n{pattern_full(result, system)}" if advice else text


def _fitted(text: str) -> str:
    return text if len(text) <= WIDTH else text[: WIDTH - 3].rstrip() + "..."


def _heading(result: Assessment, system: str) -> list[str]:
    test, profile = result.test, result.profile
    spaced = f"{show_width(profile.spacing_m, system)} apart" if profile.even else "unevenly spaced"
    passes = "1 pass" if profile.passes_used == 1 else f"mean of {profile.passes_used} passes"
    about = ", ".join(word for word in (test.text("product"), test.text("machine"), test.text("date")) if word)
    lines = [test.name, about, f"{len(profile.offset_m)} trays {spaced}, {passes}"]
    return [textwrap.shorten(line, WIDTH, placeholder="...") for line in lines if line]


def _verdict(result: Assessment, system: str) -> list[str]:
    """The verdict, of both ways of driving where the sheet names none."""
    if not result.bouts:
        blocked = f"{CANT_BE_JUDGED.capitalize()}: {', '.join(result.blocking)}" if result.blocking else ""
        return [_fitted(blocked or "No bout width is named, so none is judged")]
    judged = [result.driving] if result.driving else list(METHODS)
    return [line for m in judged for line in _wrapped(verdict_sentence(result.verdicts[m], system))]


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    return wrapped(text, indent=indent)


def _widths(result: Assessment, system: str) -> list[str]:
    advised = [advised_words(result, method, system) for method in METHODS]
    bands = [other_bands_words(result, method, system) for method in METHODS]
    lines = [
        *_three(f"CV within {result.limit_pct:g} %", *METHODS),
        *_three("  advised width", *advised),
        *_three("  effective width", *(effective_words(result, method, system) for method in METHODS)),
    ]
    if any(bands):
        shown = ["; ".join(band[:1]) + (f" and {len(band) - 1} more" if len(band) > 1 else "") for band in bands]
        lines += _three("  other bands", *(words or "none" for words in shown))
    if not result.blocking:
        lines += _wrapped("  " + advice_words(result, result.driving or METHODS[0], system))
    return lines


def _three(*cells: str) -> list[str]:
    """A name and a cell a method; cells that are too wide for one line go on in full on the next ones."""
    first, second = (wrapped(cell, 27) for cell in cells[1:])
    rows = max(len(first), len(second))
    padded = [column + [""] * (rows - len(column)) for column in (first, second)]
    return [f"{cells[0] if row == 0 else '':<24}{a:<28}{b}" for row, (a, b) in enumerate(zip(*padded, strict=True))]


def _picture(result: Assessment, system: str, plain: bool) -> list[str]:
    profile = result.profile
    rates = [float(show_rate(float(rate), result, system)) for rate in profile.rate_kg_ha]
    off = show(abs(profile.centre_m), "length", system)
    side = "right" if profile.centre_m > 0 else "left"
    centre = "on the driving line" if float(off.split()[0]) == 0 else f"{off} {side} of the line"
    left, right = (show_pct(share, digits=0) for share in (profile.left_share_pct, profile.right_share_pct))
    shares = MIRRORED if result.test.mirrored else f"centre {centre}; {left} : {right} %"
    return [
        f"Single-pass profile, {rate_unit(result, system)}; {shares}",
        *bar_picture(profile.offset_m, rates, width=WIDTH, height=4, system=system, plain=plain).splitlines(),
    ]


def _field_gets(result: Assessment, system: str) -> list[str]:
    """What the field gets at the width driven, or at the advised one, against the target rate."""
    method = result.driving or METHODS[0]
    advised = result.advised_width_m(method)
    if result.bout_width_m is None and advised is None:
        return []
    width = result.bout_width_m or down_m(advised or 0.0, system)
    bout = result.bouts_at(width)[method]
    return _wrapped(_bout_words(result, bout, system))


def _bout_words(result: Assessment, bout: Bout, system: str) -> str:
    at, together = show_width(bout.width_m, system), ", all components together" if bout.part else ""
    together += "; trays can't tell the bins apart" if result.test.bins_together else ""
    near = f"{show_pct(bout.within_20_pct, digits=0)} % of it is within 20 % of the mean"
    ends = open_mean(result, bout.width_m, lambda rate: show_rate(rate, result, system))
    if ends is not None:  # where the tails are open, so is what lies near the mean
        told = f"{ends[0]} {rate_unit(result, system)} on average, {ends[1]}{'' if result.tail_curves else f'; {near}'}"
        return f"At {at}, {bout.method}, the field gets {told}{together}"
    mean, least, most = (show_rate(rate, result, system) for rate in (bout.mean_kg_ha, bout.min_kg_ha, bout.max_kg_ha))
    target = result.test.target_kg_ha
    against = (
        f", {show_share(bout.mean_kg_ha, target)} % of {target_words(result.test, system)}"
        if target and not result.profile.relative
        else ""
    )
    return (
        f"At {at}, {bout.method}, the field gets {mean} {rate_unit(result, system)} on "
        f"average{against}; least {least}, most {most}; {near}{together}"
    )


def _doubts(result: Assessment, system: str, room: int) -> list[str]:
    """The blocking doubts first and whole, with what puts them right; then the others, one line each, while they fit.

    Where there is no room for all, what puts a doubt right is left to --doubts before any blocking doubt is.
    """
    if not result.doubts:
        return ["No doubts about this test"]
    seen, right, others = _told(result.doubts, system)
    spare = room - sum(map(len, seen)) - bool(others)
    lines: list[str] = []
    left = len(result.doubts)
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


def _told(doubts: tuple[Doubt, ...], system: str) -> tuple[list[list[str]], list[list[str]], list[str]]:
    """Lines of what blocks, of what puts each right, and a line for each other doubt."""
    blocking = [doubt for doubt in doubts if doubt.blocking]
    seen = [_wrapped(f"BLOCKS {doubt.code}: {doubt.seen(system)}") for doubt in blocking]
    right = [_wrapped(f"  put right: {doubt.first_step(system)}", "    ") for doubt in blocking]
    return seen, right, [_fitted(f"Doubt {d.code}: {d.seen(system)}") for d in doubts if not d.blocking]


def _room_to_tell(doubts: tuple[Doubt, ...], system: str) -> int:
    """The lines that the blocking doubts take, with one for how many others there are; 0 where none blocks."""
    seen, right, others = _told(doubts, system)
    return sum(map(len, seen + right)) + bool(others) if seen else 0


def _next(result: Assessment, system: str, asked: tuple[str, ...]) -> str:
    """The command that ends this step or begins the next one."""
    sheet = result.test.source or "SHEET"
    if result.blocking:
        return next_line(*asked, lead="Next, once what blocks is put right")
    if result.test.mirrored:
        return next_line("record", beside(sheet, "-2.csv"), "--like", sheet, lead="Next, with trays on both sides")
    if result.verdict is None:
        advised = result.advised_width_m(result.driving or METHODS[0])
        more = ("--advice",) if advised is None else ("--bout-width", width_down(advised, system))
        return next_line(*asked, *more)
    if result.verdict.may_be_driven and "--card" not in asked:
        return next_line(*asked, "--card", beside(sheet, "-card.pdf"))
    if not result.verdict.may_be_driven and not {"--advice", "--all"} & set(asked):
        return next_line(*asked, "--advice")
    return next_line("record", beside(sheet, "-2.csv"), "--like", sheet, lead="Next, after a change")


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
            cells += f"{show_pct(cv):>8}{mark}{show_pct(line):>6}{extremes}"
        lines.append(cells)
    lines += [*_wrapped(marks_words(result)), "CV: by trays; line: CV by line; all rates at the same metering"]
    if len(rows) < total:
        lines.append(f"{len(rows)} of {total} widths are shown; --every-width shows all, --csv FILE writes them")
    return "\n".join(line.rstrip() for line in lines)


@record
class WidthRow:
    """One row of the table of bout widths; `marks` says what is special about the width."""

    width_m: float
    mean: float
    scans: dict[str, tuple[float, float, float, float]]  # CV by trays, CV by line, least, most
    standing: dict[str, str]  # to the limit, see `Assessment.standings`
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
    standing = {method: result.standings(method)[at] for method in METHODS}
    return WidthRow(float(first.width_m[at]), float(first.mean_kg_ha[at]), figures, standing, marks)


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
        rows = zip(*scan_columns(scan), result.standings(scan.method), strict=True)
        for width, cv_trays, cv_line, mean, least, most, standing in rows:
            yield {
                "method": scan.method,
                f"width_{length}": width * per_length,
                "cv_trays_pct": cv_trays,
                "cv_line_pct": cv_line,
                f"mean_{rate}": mean * per_rate,
                f"min_{rate}": least * per_rate,
                f"max_{rate}": most * per_rate,
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
            "centre_m": profile.centre_m,
            "left_share_pct": profile.left_share_pct,
            "right_share_pct": profile.right_share_pct,
        },
        "pattern": {**pattern_json(result.pattern), "advice": advice["causes"]},
        "advice": advice,
        "cv_limit_pct": result.limit_pct,
        "methods": {method: _method_json(result, scan) for method, scan in result.scans.items()},
    }
    if result.bouts:
        data["bout"] = {"width_m": result.bout_width_m, "within_limit": result.within_limit}
        data["bout"] |= {method: _bout_json(bout) for method, bout in result.bouts.items()}
    data["verdict"] = verdict_data(result.verdict)
    rates: dict[str, Any] = _named(data, "pct_of_peak" if profile.relative else "kg_ha")
    return envelope("analysis/1", result.test, result.doubts, **rates)


def _method_json(result: Assessment, scan: Scan) -> dict[str, Any]:
    best = result.best(scan.method)
    return {
        "effective_width_m": result.effective_width_m(scan.method),
        "effective_width_censored": result.censored(scan.method),
        "effective_width_over_tails_m": range_json(result.effective_over_tails(scan.method)),
        "advised_width_m": result.advised_width_m(scan.method),
        "bands_m": [list(band) for band in result.bands_m(scan.method)],
        "bands": [_band_json(band) for band in result.bands(scan.method)],
        "best_width_m": best[0] if best else None,
        "limits": [
            {
                "cv_limit_pct": limit,
                "effective_width_m": result.effective_width_m(scan.method, limit),
                "bands_m": [list(band) for band in result.bands_m(scan.method, limit)],
            }
            for limit in result.side_by_side_pct
        ],
        "scan": [
            {
                "width_m": width,
                "cv_trays_pct": cv_trays,
                "cv_line_pct": cv_line,
                "mean": mean,
                "min": least,
                "max": most,
            }
            for width, cv_trays, cv_line, mean, least, most in zip(*scan_columns(scan), strict=True)
        ],
    }


def _band_json(band: Band) -> dict[str, Any]:
    keys = ("from_m", "to_m", "lowest_cv_pct", "lowest_at_m", "margin_pct", "narrow")
    return {key: getattr(band, key) for key in keys}


def _bout_json(bout: Bout) -> dict[str, Any]:
    return {
        "cv_pct": bout.cv_pct,
        "cv_trays_pct": bout.cv_trays_pct,
        "cv_line_pct": bout.cv_line_pct,
        "mean": bout.mean_kg_ha,
        "min": bout.min_kg_ha,
        "max": bout.max_kg_ha,
        "within_10_pct": bout.within_10_pct,
        "within_20_pct": bout.within_20_pct,
        "offset_m": bout.offset_m,
        "rate": bout.rate_kg_ha,
    }


def _named(data: Any, unit: str) -> Any:
    """Rates get their unit into their key: kg_ha, or pct_of_peak where only proportions are known."""
    if isinstance(data, dict):
        return {
            f"{key}_{unit}" if key in ("rate", "mean", "min", "max") else key: _named(value, unit)
            for key, value in data.items()
        }
    return [_named(value, unit) for value in data] if isinstance(data, list) else data
