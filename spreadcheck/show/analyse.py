"""The summary of an assessment for a terminal: what a crew reads in ten seconds, then the table of bout widths."""

from __future__ import annotations

import math
import textwrap

from spreadcheck.judge.assessment import Assessment, Bout
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.bars import bar_picture
from spreadcheck.show.pattern_text import pattern_full, pattern_text
from spreadcheck.show.tables import rate_unit, show_pct, show_rate, show_width, width_rows
from spreadcheck.units import show, shown_unit

WIDTH = 80
ROWS_ON_A_SCREEN = 20


def summary_text(result: Assessment, system: str = "metric", *, plain: bool = False, advice: bool = False) -> str:
    """The summary of an assessment, 80 columns wide."""
    pattern = pattern_full(result, system) if advice else pattern_text(result, system)
    parts = [_heading(result, system), _picture(result, system, plain), pattern, _effective(result, system)]
    if result.bouts:
        parts.append(_driven(result, system))
    if result.doubts:
        codes = ", ".join(dict.fromkeys(doubt.code for doubt in result.doubts))
        parts.append(textwrap.fill(f"Doubts about this test, told below: {codes}", WIDTH))
    return "\n\n".join(parts)


def _heading(result: Assessment, system: str) -> str:
    test, profile = result.test, result.profile
    about = ", ".join(word for word in (test.text("product"), test.text("machine"), test.text("date")) if word)
    spaced = f"{show_width(profile.spacing_m, system)} apart" if profile.even else "unevenly spaced"
    passes = "1 pass" if profile.passes_used == 1 else f"mean of {profile.passes_used} passes"
    lines = [test.name, about, f"{len(profile.offset_m)} trays {spaced}, {passes}"]
    return "\n".join(textwrap.shorten(line, WIDTH, placeholder="...") for line in lines if line)


def _picture(result: Assessment, system: str, plain: bool) -> str:
    profile = result.profile
    rates = profile.rate_kg_ha if profile.relative else _shown_rates(result, system)
    off = show(abs(profile.centre_m), "length", system)
    side = "right" if profile.centre_m > 0 else "left"
    centre = "on the driving line" if float(off.split()[0]) == 0 else f"{off} {side} of the driving line"
    shares = (
        f"{show_pct(profile.left_share_pct, digits=0)} % left, {show_pct(profile.right_share_pct, digits=0)} % right"
    )
    return "\n".join(
        (
            f"Single-pass profile, {rate_unit(result, system)}",
            bar_picture(profile.offset_m, rates, width=WIDTH, system=system, plain=plain),
            f"Centre of the spread {centre}; {shares}",
        )
    )


def _shown_rates(result: Assessment, system: str) -> list[float]:
    return [float(show_rate(float(rate), result, system)) for rate in result.profile.rate_kg_ha]


def _effective(result: Assessment, system: str) -> str:
    """The limit asked for first, with its bands; then the other usual limits."""
    lines = [_three("Effective width", *METHODS), _limit_line(result, result.limit_pct, system)]
    lines += _band_lines(result, system)
    lines += [_limit_line(result, limit, system) for limit in result.side_by_side_pct if limit != result.limit_pct]
    return "\n".join(line.rstrip() for line in lines)


def _limit_line(result: Assessment, limit_pct: float, system: str) -> str:
    widths = [show_width(result.effective_width_m(method, limit_pct), system) for method in METHODS]
    asked = " (the limit)" if limit_pct == result.limit_pct else ""
    return _three(f"  CV up to {limit_pct:g} %{asked}", *widths)


def _three(*cells: str) -> str:
    return f"{cells[0]:<32}{cells[1]:<24}{cells[2]}"


def _band_lines(result: Assessment, system: str) -> list[str]:
    """Bands below the effective one: a stretch that fails lies between; or the best CV where none is within."""
    cells = []
    for method in METHODS:
        bands, best = result.bands_m(method), result.best(method)
        if not bands:
            cells.append([f"best {show_pct(best[1])} % at {show_width(best[0], system)}"] if best else ["no CV"])
            continue
        cells.append([_band(band, system) for band in reversed(bands)][:4])
    rows = max(len(column) for column in cells)
    padded = [column + [""] * (rows - len(column)) for column in cells]
    return [_three("    is kept at" if row == 0 else "", *pair) for row, pair in enumerate(zip(*padded, strict=True))]


def _band(band: tuple[float, float], system: str) -> str:
    low, high = (show_width(end, system, unit=False) for end in band)
    unit = shown_unit("length", system)
    return f"{high} {unit}" if low == high else f"{low} to {high} {unit}"


def _driven(result: Assessment, system: str) -> str:
    methods = [result.driving] if result.driving else list(METHODS)
    return "\n".join(_bout_lines(result, result.bouts[method], system) for method in methods)


def _bout_lines(result: Assessment, bout: Bout, system: str) -> str:
    verdict = "within" if bout.cv_trays_pct <= result.limit_pct else "OVER"
    known = f"CV {show_pct(bout.cv_trays_pct)} %: {verdict} the limit of {result.limit_pct:g} %"
    if math.isnan(bout.cv_trays_pct):
        known = "no CV by trays: fewer than two trays in a bout"
    mean, least, most = (show_rate(rate, result, system) for rate in (bout.mean_kg_ha, bout.min_kg_ha, bout.max_kg_ha))
    near, fair = (show_pct(share, digits=0) for share in (bout.within_10_pct, bout.within_20_pct))
    return "\n".join(
        (
            f"At {show_width(bout.width_m, system)}, {bout.method}: {known}",
            f"  The field gets {mean} {rate_unit(result, system)} on average, least {least}, most {most};",
            f"  {near} % of the bout is within 10 % of the mean, {fair} % within 20 %",
            f"  CV by line, between the trays too: {show_pct(bout.cv_line_pct)} %",
        )
    )


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
