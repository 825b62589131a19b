"""The report for a customer as one self-contained HTML file: on a screen, on a phone and on paper.

Plain words first, then a slider, the pictures, the tables, method and sources, raw trays and doubts. The page's own
parts lie in `customer/`: page.html, page.css, overlap.js (the formulas once more) and page.js (what is shown). Its
content security policy lets this script and this style run and nothing else. Everything a person wrote is escaped.
"""

from __future__ import annotations

import html
from collections.abc import Callable
from functools import partial
from string import Template
from typing import Any

from spreadcheck import __version__
from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.confidence import Confidence
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.inlinesvg import inline_svg
from spreadcheck.show.plots import draw_deposit, draw_profile, draw_widths, shown_bout
from spreadcheck.show.plots_confidence import draw_band
from spreadcheck.show.sheettables import (
    BLANK,
    Table,
    bout_table,
    form_table,
    limit_table,
    sure_table,
    tray_tables,
    width_tables,
)
from spreadcheck.show.tables import rate_unit, show_width
from spreadcheck.show.webpage import json_for_page, part, strict_policy
from spreadcheck.show.words import (
    Passage,
    band_words,
    doubt_words,
    method_words,
    other_system,
    picture_words,
    plain_words,
    source_words,
)
from spreadcheck.units import shown_unit, to_inside

SHEETS = {"a4": "A4", "letter": "letter"}  # as a style sheet names them
SLIDER_STEP = {"metric": 0.1, "us": 0.5}  # m, ft


def report_html(
    result: Assessment, system: str = "metric", *, paper: str = "a4", sure: Confidence | None = None
) -> str:
    """The report of an assessment; `system` leads, `paper` is what it is printed on, `sure` adds how sure it is."""
    style = part("customer", "page.css") + f"@page {{ size: {SHEETS[paper]}; margin: 15mm 14mm; }}\n"
    script = part("customer", "overlap.js") + part("customer", "page.js")
    return Template(part("customer", "page.html")).substitute(
        policy=strict_policy(script, style),
        style=style,
        script=script,
        title=_text(result.test.name),
        words="\n".join(_passage(passage, first=at == 0) for at, passage in enumerate(plain_words(result, system))),
        jumps="\n".join(_jumps(result, system)),
        length_unit=_text(shown_unit("length", system)),
        rate_unit=_text(rate_unit(result, system)),
        pictures=_pictures(result, system, sure),
        tables=_tables(result, system, sure),
        version=_text(__version__),
        data=json_for_page(_data(result, system)),
    )


def _text(text: str) -> str:
    return html.escape(text, quote=True)


def _section(heading: str, content: str, *, kind: str = "") -> str:
    named = f' class="{kind}"' if kind else ""
    return f"<section{named}>\n<h2>{_text(heading)}</h2>\n{content}\n</section>"


def _passage(passage: Passage, *, first: bool = False) -> str:
    if passage.steps:
        return _section(passage.heading, _list(passage.sentences))
    paragraphs = "\n".join(f"<p>{_text(sentence)}</p>" for sentence in passage.sentences)
    return _section(passage.heading, paragraphs, kind="answer" if first else "")


def _list(sentences: tuple[str, ...]) -> str:
    return "<ul>\n" + "\n".join(f"<li>{_text(sentence)}</li>" for sentence in sentences) + "\n</ul>"


def _pictures(result: Assessment, system: str, sure: Confidence | None) -> str:
    draws: list[Callable[[Any, Assessment, str], None]] = [draw_profile, draw_deposit, draw_widths]
    words = list(picture_words(result, system))
    if sure is not None and sure.known:
        draws.append(partial(draw_band, sure))
        words.append(band_words(sure, system))
    named = zip(draws, ("profile", "deposit", "widths", "sure"), words, strict=False)
    figures = (
        f"<figure>\n{_picture(draw, name, told, result, system)}\n"
        f"<figcaption><strong>{_text(told[0])}.</strong> {_text(told[1])}</figcaption>\n</figure>"
        for draw, name, told in named
    )
    return _section("Pictures", "\n".join(figures), kind="new-page")


def _picture(
    draw: Callable[[Any, Assessment, str], None], name: str, words: tuple[str, str], result: Assessment, system: str
) -> str:
    """One picture, small enough that its signs can be read on a phone; its title stands below it."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context({"font.size": 9, "axes.labelsize": 9, "axes.spines.top": False, "axes.spines.right": False}):
        figure = Figure(figsize=(4.8, 3.3), layout="constrained")
        axes = figure.subplots()
        draw(axes, result, system)
        axes.set_title("")
        return inline_svg(figure, f"{name}-picture", *words)


def _tables(result: Assessment, system: str, sure: Confidence | None) -> str:
    known = (sure_table(sure, system),) if sure is not None and sure.known else ()
    figures = (bout_table(result, system), *known, limit_table(result, system), *width_tables(result, system))
    doubts = (*doubt_words(result, system), *(doubt.message(system) for doubt in (sure.doubts if sure else ())))
    method = "\n".join(f"<p>{_text(words)}</p>" for words in method_words(result))
    trays = (*tray_tables(result, system), form_table(result))
    return "\n".join(
        (
            _section("Figures", "\n".join(map(_table, figures)), kind="new-page"),
            _section("Method", method),
            _section("What the limits rest on", _list(source_words())),
            _section("Raw trays and form", "\n".join(map(_table, trays)), kind="new-page"),
            _section("Doubts about this test", _list(doubts)),
        )
    )


def _table(table: Table) -> str:
    caption, note = _text(table.caption), f'<p class="note">{_text(table.note)}</p>' if table.note else ""
    head = "".join(f'<th scope="col"{_kind(table, at)}>{_text(cell)}</th>' for at, cell in enumerate(table.head))
    rows = "\n".join(_row(table, row) for row in table.rows)
    return (
        f'<div class="wide" role="region" aria-label="{caption}" tabindex="0">\n<table>\n<caption>{caption}</caption>\n'
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody>\n</table>\n</div>{note}"
    )


def _kind(table: Table, column: int) -> str:
    return ' class="words"' if column in table.words else ""


def _row(table: Table, row: tuple[str, ...]) -> str:
    first, *rest = row
    cells = "".join(_cell(table, at, cell) for at, cell in enumerate(rest, start=1))
    return f'<tr><th scope="row"{_kind(table, 0)}>{_text(first)}</th>{cells}</tr>'


def _cell(table: Table, column: int, cell: str) -> str:
    if column in table.words:
        return f'<td class="words">{_text(cell)}</td>'
    kind = {BLANK: ' class="blank"', "x": ' class="out"', "yes": ' class="within"'}.get(cell, "")
    return f"<td{kind}>{_text(cell)}</td>"


def _jumps(result: Assessment, system: str) -> list[str]:
    """Buttons that lead the slider to the widths that matter."""
    driven = [(result.bout_width_m, result.driving or METHODS[0], "driven")]
    effective = [(result.effective_width_m(method), method, "effective") for method in METHODS]
    return [
        f'<button type="button" data-width="{width!r}" data-method="{method}">{what}: '
        f"{_text(show_width(width, system))} {method}</button>"
        for width, method, what in driven + effective
        if width is not None
    ]


def _data(result: Assessment, system: str) -> dict[str, Any]:
    """What the slider needs, all in SI; a unit is worth so much of the unit inside."""
    profile, widths = result.profile, result.scans[METHODS[0]].width_m
    method, width = shown_bout(result)
    systems = (system, other_system(system))
    rates = [{"unit": rate_unit(result, name), "worth": _worth("rate", name)} for name in systems]
    return {
        "offset": profile.offset_m.tolist(),
        "rate": profile.rate_kg_ha.tolist(),
        "tails": profile.tails,
        "limit": result.limit_pct,
        "narrowest": min(float(widths[0]), width),
        "widest": max(float(widths[-1]), float(profile.offset_m[-1] - profile.offset_m[0]), width),
        "width": width,
        "method": method,
        "lengths": [
            {"unit": shown_unit("length", name), "worth": _worth("length", name), "step": SLIDER_STEP[name]}
            for name in systems
        ],
        "rates": [{"unit": rate_unit(result), "worth": 1.0}] if profile.relative else rates,
    }


def _worth(kind: str, system: str) -> float:
    return to_inside(1.0, shown_unit(kind, system), kind)
