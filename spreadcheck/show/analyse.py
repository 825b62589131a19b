"""An analysis: the answer on one screen, the table of bout widths, plain data, and pandas frames."""

from __future__ import annotations

import itertools
import math
import textwrap
from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.judge.assessment import CLOSE, OVER, WITHIN, Assessment
from spreadcheck.judge.verdict import CANT_BE_JUDGED
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import MIRRORED
from spreadcheck.show.data import csv_text, envelope, picked
from spreadcheck.show.document import Column, Document, Table, table
from spreadcheck.show.format import about_test, free, next_line, rate_unit, show_figure, show_rate, show_width
from spreadcheck.show.pattern import advice_json, pattern_full, pattern_headline, pattern_json
from spreadcheck.show.text import bar_picture, terminal_text, wrapped
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
    verdict_sentence,
    width_down,
)
from spreadcheck.spread.profile import metered_kg_ha_m
from spreadcheck.units import counted, show, shown_unit, side_of

if TYPE_CHECKING:
    import pandas as pd

WIDTH = 80
SCREEN = 30
ROWS_ON_A_SCREEN = 20
OTHER_SYSTEM = {"metric": "us", "us": "metric"}
_indented = partial(wrapped, indent="  ")
_fitted = partial(textwrap.shorten, width=WIDTH, placeholder="...")  # cut between words, never inside a figure


def summary_text(
    result: Assessment,
    system: str = "metric",
    *,
    plain: bool = False,
    advice: bool = False,
    asked: tuple[str, ...] = (),
) -> str:
    """The answer, at most 30 lines of 80 columns; the figures of the pattern under it on request."""
    test, profile, method = result.test, result.profile, result.driving or METHODS[0]
    spaced = f"{show_width(profile.spacing_m, system)} apart" if profile.even else "unevenly spaced"
    passes = "1 pass" if profile.passes_used == 1 else f"mean of {profile.passes_used} passes"
    trays = f"{len(profile.offset_m)} trays {spaced}, {passes}"
    head = [_fitted(line) for line in (test.name, *about_test(test), trays)]
    head += [*_answer(result, system), *_picture(result, system, plain)]
    shape, gets = pattern_headline(result).splitlines(), []
    if width := result.bout_width_m or down_m(result.advised_width_m(method) or 0.0, system):
        length, rate = partial(show_width, system=system), partial(show_rate, result=result, system=system)
        bout = result.bouts_at(width)[method]
        gets = _indented(field_words(result, bout, length, rate, f" {rate_unit(result, system)}"))
    following = _next(result, system, asked or ("analyse", test.file)).split("\n")
    rows = sum(math.ceil(len(line) / WIDTH) for line in following)  # a command stands whole, so that it can be copied
    room = SCREEN - len(head) - 1 - rows
    told = _fitting(result, shape, gets, room, system)
    sure = () if test.mirrored else ("--confidence",)  # of a side that was not tested nothing is sure
    left = [option for option in ("--table", "--advice", *sure, "--doubts") if option not in asked]
    more = [f"More: {', '.join(left)}, or --all"] if left and "--all" not in asked else []
    text = "\n".join(line.rstrip() for line in (*head, *told, *more, *following))
    return f"{text}\n\n{pattern_full(result, system)}" if advice else text


def _answer(result: Assessment, system: str) -> list[str]:
    """The verdict, of both ways of driving where the sheet names none; then the widths."""
    blocked = f"{CANT_BE_JUDGED.capitalize()}: {', '.join(result.blocking)}" if result.blocking else ""
    lines = [_fitted(blocked or "No bout width is named, so none is judged")] if not result.bouts else []
    for method in result.judged_methods if result.bouts else ():
        lines += _indented(verdict_sentence(result.verdicts[method], system))
    bands = [other_bands_words(result, method, system) for method in METHODS]
    others = [band[0] + (f" and {len(band) - 1} more" if band[1:] else "") if band else "none" for band in bands]
    rows = [
        (f"CV within {result.limit_pct:g} %", *METHODS),
        ("  advised width", *(advised_words(result, method, system) for method in METHODS)),
        ("  effective width", *(effective_words(result, method, system) for method in METHODS)),
        *([("  other bands", *others)] if any(bands) else []),
    ]
    for name, *cells in rows:  # cells that are too wide for one line go on in full on the next ones
        columns = itertools.zip_longest([name], *(wrapped(cell, 26) for cell in cells), fillvalue="")
        lines += [f"{first:<24}{second:<28}{third}" for first, second, third in columns]
    if not result.blocking:
        lines += _indented("  " + advice_words(result, result.driving or METHODS[0], system))
    return lines


def _picture(result: Assessment, system: str, plain: bool) -> list[str]:
    profile = result.profile
    rates = [float(show_rate(float(rate), result, system)) for rate in profile.rate_kg_ha]
    off = show(abs(profile.centre_m), "length", system)
    centre = "on the driving line" if float(off.split()[0]) == 0 else f"{off} {side_of(profile.centre_m)} of the line"
    left, right = (show_figure(share, digits=0) for share in (profile.left_share_pct, 100 - profile.left_share_pct))
    shares = MIRRORED if result.test.mirrored else f"centre {centre}; {left} : {right} %"
    bars = bar_picture(profile.offset_m, rates, width=WIDTH, height=4, system=system, plain=plain)
    return [f"Single-pass profile, {rate_unit(result, system)}; {shares}", *bars.splitlines()]


def _fitting(result: Assessment, shape: list[str], gets: list[str], room: int, system: str) -> list[str]:
    """What fits of shape, rates and doubts: what blocks goes before its remedies, and those before all else."""
    parts = [(2, shape), (3, gets)]
    for doubt in sorted(result.doubts, key=lambda doubt: not doubt.blocking):
        if doubt.blocking:
            parts.append((0, _indented(f"BLOCKS {doubt.code}: {doubt.seen(system)}")))
            parts.append((1, wrapped(f"  put right: {doubt.first_step(system)}", indent="    ")))
        else:
            parts.append((4, [_fitted(f"Doubt {doubt.code}: {doubt.seen(system)}")]))
    kept, left = sorted(range(len(parts)), key=lambda at: parts[at][0]), 0
    while kept and sum(len(parts[at][1]) for at in kept) + (left > 0) > room:
        left += parts[kept.pop()][0] in (0, 4)
    lines = [line for at in sorted(kept) for line in parts[at][1]]
    if left:
        lines.append(f"and {counted(left, 'more doubt')}, told by --doubts")
    return lines if result.doubts else [*lines, "No doubts about this test"]


def _next(result: Assessment, system: str, asked: tuple[str, ...]) -> str:
    """The command that ends this step or begins the next one."""
    sheet, verdict = result.test.file, result.verdict
    if result.blocking:
        return next_line(*asked, lead="Next, once what blocks is put right")
    if verdict is None and not result.test.mirrored:
        advised = result.advised_width_m(result.driving or METHODS[0])
        more = ("--advice",) if advised is None else ("--bout-width", width_down(advised, system))
        return next_line(*asked, *more)
    if verdict is not None and not result.test.mirrored:
        if verdict.may_be_driven and "--card" not in asked:
            return next_line(*asked, "--card", free(sheet, "-card.pdf"))
        if not verdict.may_be_driven and not {"--advice", "--all"} & set(asked):
            return next_line(*asked, "--advice")
    lead = "Next, with trays on both sides" if result.test.mirrored else "Next, after a change"
    return next_line("record", free(sheet, "-2.csv"), "--like", sheet, lead=lead)


def widths_text(result: Assessment, system: str = "metric", *, every: bool = False) -> str:
    """The table of bout widths on a screen, both ways of driving side by side, and what its figures are."""
    tables = width_tables(result, system, most=None if every else ROWS_ON_A_SCREEN)
    rate, length = rate_unit(result, system).replace("% of peak", "% peak"), shown_unit("length", system)
    heads = {"CV ": "% ", "line": "%", "least": rate, "most": rate}
    columns = (Column("bout width", length, align="left"), Column("mean", rate), *(
        Column(head, unit, over=method) for method in METHODS for head, unit in heads.items()
    ))  # fmt: skip
    marks = {"yes": MARKS[WITHIN], CLOSE: MARKS[CLOSE]}
    rows = []
    for both in zip(*(each.rows for each in tables), strict=True):
        width, *_, mean, _, _ = both[0]
        told = ((cv + marks.get(kept, " "), line, *ends) for _, _, cv, kept, line, _, *ends in both)
        rows.append((width, mean, *itertools.chain.from_iterable(told)))
    notes = (
        marks_words(result),
        "CV: by trays as they lay; line: CV by line; all rates at the same metering.",
        "The CV of the verdict is what such trays read on average, wherever they lie.",
        *(f"{note} --every-width shows all, --csv FILE writes them." for note in tables[0].notes),
    )
    return terminal_text(Document("", (Table(columns, tuple(rows), notes=notes),)))


def width_tables(result: Assessment, system: str = "metric", *, most: int | None = None) -> tuple[Table, ...]:
    """CV and rates against bout width, a table a method: all, or every so many with the effective and driven ones."""
    widths, other = result.width_m, OTHER_SYSTEM[system]
    effective = [width for method in METHODS if (width := result.effective_width_m(method))]
    kept = {
        *(np.searchsorted(widths, np.array(effective) + 1e-6, side="right") - 1).tolist(),
        *np.flatnonzero(widths == result.bout_width_m).tolist(),
        *range(0, len(widths), math.ceil(len(widths) / (most or len(widths)))),
    }
    length, width_other, rate = shown_unit("length", system), shown_unit("length", other), rate_unit(result, system)
    heads = (
        f"Bout width, {length}<; Bout width, {width_other}; CV by trays, %; Within {result.limit_pct:g} %?; "
        f"CV by line, %; Mean, {rate}; Least, {rate}; Most, {rate}"
    )
    rows: dict[str, list[tuple[str, ...]]] = {method: [] for method in METHODS}
    for number, (method, width, cv, line, *rates, standing) in enumerate(map(dict.values, width_records(result))):
        if number % len(widths) in kept:
            both = show_width(width, system, unit=False), show(width, "length", other, unit=False, digits=1)
            against = {WITHIN: "yes", CLOSE: CLOSE, OVER: "no"}.get(standing, "-")
            told = (show_rate(rate, result, system) for rate in rates)
            rows[method].append((*both, show_figure(cv), against, show_figure(line), *told))
    some = len(rows[METHODS[0]])
    notes = () if some == len(widths) else (f"{some} of the {len(widths)} widths of the table are shown.",)
    return tuple(table(heads, cells, f"Bout widths, {method}", notes=notes) for method, cells in rows.items())


def width_records(result: Assessment) -> Iterator[dict[str, Any]]:
    """The table of bout widths in SI, a record for each driving method and width; keys carry the units."""
    unit = "pct_of_peak" if result.profile.relative else "kg_ha"
    names = ("width_m", "cv_trays_pct", "cv_line_pct", f"mean_{unit}", f"min_{unit}", f"max_{unit}", "against_limit")
    for method, scan in result.scans.items():
        figures = (scan.width_m, scan.cv_trays_pct, scan.cv_line_pct, scan.mean_kg_ha, scan.min_kg_ha, scan.max_kg_ha)
        for row in zip(*(figure.tolist() for figure in figures), result.standings(method), strict=True):
            yield {"method": method, **dict(zip(names, row, strict=True))}


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
    return csv_text(width_records(result), system)


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

    return pd.DataFrame.from_records(list(width_records(result)))


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
    profile, advice, width = result.profile, advice_json(result), result.bout_width_m
    records = list(width_records(result))
    unit = "pct_of_peak" if profile.relative else "kg_ha"
    data: dict[str, Any] = {
        "profile": {
            "offset_m": profile.offset_m,
            f"rate_{unit}": profile.rate_kg_ha,
            **picked(profile, "tails passes_used filled_offset_m dropped_offset_m"),
            **picked(profile, "centre_m left_share_pct"),
            "right_share_pct": 100 - profile.left_share_pct,
        },
        "pattern": {**pattern_json(result.pattern, unit), "advice": advice["causes"]},
        "advice": advice,
        "cv_limit_pct": result.limit_pct,
        "methods": {method: _method_json(result, method, records) for method in METHODS},
    }
    if width is not None:
        area = result.area_range(metered_kg_ha_m(result.test, width))
        ends = None if area is None else (area.least / width, area.most / width)
        data["bout"] = {"width_m": width, "within_limit": result.within_limit, f"mean_range_{unit}": ends}
        about = ("method", "width_m", "part")
        for method, bout in result.bouts.items():
            figures = {key.replace("kg_ha", unit): value for key, value in vars(bout).items() if key not in about}
            data["bout"][method] = figures
    return envelope("analysis/1", result, **data)


def _method_json(result: Assessment, method: str, records: list[dict[str, Any]]) -> dict[str, Any]:
    best, told = result.curves[method].best, ("method", "against_limit")
    return {
        "effective_width_m": result.effective_width_m(method),
        "effective_width_censored": result.censored(method),
        "effective_width_over_tails_m": range_json(result.effective_over_tails(method)),
        "advised_width_m": result.advised_width_m(method),
        "bands_m": [(band.from_m, band.to_m) for band in result.bands(method)],
        "bands": [
            picked(band, "from_m to_m lowest_cv_pct lowest_at_m margin_pct narrow") for band in result.bands(method)
        ],
        "best_width_m": best[0] if best else None,
        "limits": [
            {
                "cv_limit_pct": limit,
                "effective_width_m": result.effective_width_m(method, limit),
                "bands_m": [(band.from_m, band.to_m) for band in result.bands(method, limit)],
            }
            for limit in result.side_by_side_pct
        ],
        "scan": [
            {key: value for key, value in record.items() if key not in told}
            for record in records
            if record["method"] == method
        ],
    }
