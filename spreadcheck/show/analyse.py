"""The answer of an analysis on one screen, and the table of bout widths."""

from __future__ import annotations

import shlex
import textwrap

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.judge.assessment import Assessment, Bout
from spreadcheck.judge.verdict import CANT_BE_JUDGED
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.bars import bar_picture
from spreadcheck.show.pattern_text import pattern_full, pattern_headline
from spreadcheck.show.tables import rate_unit, show_pct, show_rate, show_share, show_width, width_rows
from spreadcheck.show.verdict import (
    advice_words,
    effective_words,
    other_bands_words,
    verdict_sentence,
    width_down,
)
from spreadcheck.units import show, shown_unit

WIDTH = 80
SCREEN = 30
ROWS_ON_A_SCREEN = 20
_FEWEST_DOUBTS = 2


def summary_text(result: Assessment, system: str = "metric", *, plain: bool = False, advice: bool = False) -> str:
    """The answer, at most 30 lines of 80 columns; the figures of the pattern under it on request.

    Parameters
    ----------
    result : Assessment
        The assessment. [-]
    system : str
        "metric" or "us". [-]
    plain : bool
        ASCII signs only. [-]
    advice : bool
        Every figure of the pattern, and all that is usually looked at for its shape, under the answer. [-]

    Returns
    -------
    str
        The text. [-]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> test = tray_test([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    >>> print(summary_text(assess(test, bout_width_m=3), plain=True).splitlines()[5])
      advised width         3.6 m                   3.6 m
    """
    head = [*_heading(result, system), *_verdict(result, system), *_widths(result, system)]
    middle = [*_picture(result, system, plain), *_field_gets(result, system)]
    next_line = _fitted(f"Next: {_next(result, system)}")
    room = SCREEN - len(head) - len(middle) - 1 - 1
    lines = [*head, *middle, *_doubts(result, system, max(room, _FEWEST_DOUBTS)), _MORE, next_line]
    text = "\n".join(line.rstrip() for line in lines)
    return f"{text}\n\n{pattern_full(result, system)}" if advice else text


_MORE = "More: --table, --advice, --confidence, --doubts, or --all"


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
    return textwrap.wrap(text, WIDTH, subsequent_indent=indent, break_on_hyphens=False)


def _widths(result: Assessment, system: str) -> list[str]:
    advised = [width_down(result.advised_width_m(method), system) for method in METHODS]
    if result.blocking:
        advised = ["not given"] * len(METHODS)
    bands = [other_bands_words(result, method, system) for method in METHODS]
    lines = [
        _three(f"CV within {result.limit_pct:g} %", *METHODS),
        _three("  advised width", *advised),
        _three("  effective width", *(effective_words(result, method, system) for method in METHODS)),
    ]
    if any(bands):
        shown = ["; ".join(band[:1]) + (f" and {len(band) - 1} more" if len(band) > 1 else "") for band in bands]
        lines.append(_three("  other bands", *(words or "none" for words in shown)))
    if not result.blocking:
        lines += _wrapped("  " + advice_words(result, result.driving or METHODS[0], system))
    return lines


def _three(*cells: str) -> str:
    """A name and a cell a method; cells that are too wide for one line go on in full on the next ones."""
    first, second = (textwrap.wrap(cell, 27) or [""] for cell in cells[1:])
    rows = max(len(first), len(second))
    padded = [column + [""] * (rows - len(column)) for column in (first, second)]
    return "\n".join(
        f"{cells[0] if row == 0 else '':<24}{a:<28}{b}" for row, (a, b) in enumerate(zip(*padded, strict=True))
    )


def _picture(result: Assessment, system: str, plain: bool) -> list[str]:
    profile = result.profile
    rates = [float(show_rate(float(rate), result, system)) for rate in profile.rate_kg_ha]
    off = show(abs(profile.centre_m), "length", system)
    side = "right" if profile.centre_m > 0 else "left"
    centre = "on the driving line" if float(off.split()[0]) == 0 else f"{off} {side} of the line"
    left, right = (show_pct(share, digits=0) for share in (profile.left_share_pct, profile.right_share_pct))
    return [
        f"Single-pass profile, {rate_unit(result, system)}; centre {centre}; {left} : {right} %",
        *bar_picture(profile.offset_m, rates, width=WIDTH, height=4, system=system, plain=plain).splitlines(),
        *pattern_headline(result.pattern).splitlines(),
    ]


def _field_gets(result: Assessment, system: str) -> list[str]:
    """What the field gets at the width driven, or at the advised one, against the target rate."""
    method = result.driving or METHODS[0]
    width = result.bout_width_m or result.advised_width_m(method)
    if width is None:
        return []
    bout = result.bouts_at(width)[method]
    return _wrapped(_bout_words(result, bout, system))


def _bout_words(result: Assessment, bout: Bout, system: str) -> str:
    mean, least, most = (show_rate(rate, result, system) for rate in (bout.mean_kg_ha, bout.min_kg_ha, bout.max_kg_ha))
    target = result.test.quantity("target rate")
    against = (
        f", {show_share(bout.mean_kg_ha, target)} % of the target" if target and not result.profile.relative else ""
    )
    return (
        f"At {width_down(bout.width_m, system)}, {bout.method}, the field gets {mean} {rate_unit(result, system)} on "
        f"average{against}; least {least}, most {most}; {show_pct(bout.within_20_pct, digits=0)} % of it is within "
        "20 % of the mean"
    )


def _doubts(result: Assessment, system: str, room: int) -> list[str]:
    """The doubts, one line each, the blocking ones first and with their remedy; as many as there is room for."""
    if not result.doubts:
        return ["No doubts about this test"]
    ordered = sorted(result.doubts, key=lambda doubt: not doubt.blocking)
    lines: list[str] = []
    for at, doubt in enumerate(ordered):
        added = _doubt_lines(doubt, system)
        left = len(ordered) - at
        if lines and len(lines) + len(added) + (left > 1) > room:
            return [*lines, f"and {left} more doubts, told by --doubts"]
        lines += added
    return lines


def _doubt_lines(doubt: Doubt, system: str) -> list[str]:
    mark = "BLOCKS" if doubt.blocking else "Doubt"
    seen = _fitted(f"{mark} {doubt.code}: {doubt.seen(system)}")
    return [seen, *_wrapped(f"  put right: {doubt.first_step(system)}", "    ")[:2]] if doubt.blocking else [seen]


def _next(result: Assessment, system: str) -> str:
    """The command that ends this step or begins the next one."""
    sheet = shlex.quote(result.test.source or "SHEET")
    command = f"spreadcheck analyse {sheet}"
    if result.blocking:
        return f"put right what blocks, then {command}"
    if result.verdict is None:
        advised = result.advised_width_m(result.driving or METHODS[0])
        return f"{command} --advice" if advised is None else f'{command} --bout-width "{width_down(advised, system)}"'
    if result.verdict.may_be_driven:
        return f"{command} --card card.pdf"
    return f"{command} --advice"


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
            star = "*" if cv <= result.limit_pct else " "
            extremes = f"{show_rate(least, result, system):>8}{show_rate(most, result, system):>8}"
            cells += f"{show_pct(cv):>8}{star}{show_pct(line):>6}{extremes}"
        lines.append(cells)
    lines.append(f"* within the limit of {result.limit_pct:g} %; line: CV by line; all rates at the same metering")
    if len(rows) < total:
        lines.append(f"{len(rows)} of {total} widths are shown; --every-width shows all, --csv FILE writes them")
    return "\n".join(line.rstrip() for line in lines)
