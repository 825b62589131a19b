"""The report for a customer: plain words first, then pictures, figures, method and sources, raw trays and doubts."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from spreadcheck import __version__
from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.confidence import Confidence
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.document import Block, Document, Heading, Paragraph, Picture, Place, Points
from spreadcheck.show.html import document_html, part_html, web_part
from spreadcheck.show.plots import draw_deposit, draw_profile, draw_widths, figure_bytes, plain_style, shown_bout
from spreadcheck.show.plots_confidence import draw_band
from spreadcheck.show.report_tables import bout_table, form_table, limit_table, sure_table, tray_tables, width_tables
from spreadcheck.show.report_words import (
    band_words,
    doubt_words,
    method_words,
    other_system,
    picture_words,
    plain_words,
    source_words,
)
from spreadcheck.show.tables import rate_unit, show_width
from spreadcheck.units import shown_unit, to_inside

SLIDER_STEP = {"metric": 0.1, "us": 0.5}  # m, ft


def report(result: Assessment, system: str = "metric", *, sure: Confidence | None = None) -> Document:
    """The report of an assessment; `system` leads, `sure` adds how sure the answer is."""
    known = sure if sure is not None and sure.known else None
    figures = (bout_table(result, system), *([sure_table(known, system)] if known else []))
    doubts = (*doubt_words(result, system), *(doubt.message(system) for doubt in (sure.doubts if sure else ())))
    blocks: tuple[Block, ...] = (
        *_plain_part(result, system),
        Place("slider"),
        Heading("Pictures"),
        *_pictures(result, system, known),
        Heading("Figures"),
        *figures,
        limit_table(result, system),
        *width_tables(result, system),
        Heading("Method"),
        *map(Paragraph, method_words(result)),
        Heading("What the limits rest on"),
        Points(source_words()),
        Heading("Raw trays and form"),
        *tray_tables(result, system),
        form_table(result),
        Heading("Doubts about this test"),
        Points(doubts),
    )
    name = result.test.name
    return Document(name, blocks, over="Spread pattern report", foot=f"{name} - spreadcheck {__version__}")


def _plain_part(result: Assessment, system: str) -> list[Block]:
    answer, *further = plain_words(result, system)
    first, *rest = answer.sentences
    blocks: list[Block] = [Heading(answer.heading), Paragraph(first, "strong"), *map(Paragraph, rest)]
    for passage in further:
        told = Points(passage.sentences) if passage.steps else Paragraph(" ".join(passage.sentences))
        blocks += [Heading(passage.heading), told]
    return blocks


def _pictures(result: Assessment, system: str, sure: Confidence | None) -> list[Block]:
    draws: list[Callable[[Any, Assessment, str], None]] = [draw_profile, draw_deposit, draw_widths]
    words = list(picture_words(result, system))
    if sure is not None:
        draws.append(partial(draw_band, sure))
        words.append(band_words(sure, system))
    return [Picture(*told, svg=_svg(draw, result, system)) for draw, told in zip(draws, words, strict=True)]


_SMALL = {"font.size": 9, "axes.labelsize": 9, "axes.spines.top": False, "axes.spines.right": False}


def _svg(draw: Callable[[Any, Assessment, str], None], result: Assessment, system: str) -> str:
    """One picture, small enough that its signs can be read on a phone; its title stands below it."""
    from matplotlib.figure import Figure

    with plain_style(**_SMALL):
        figure = Figure(figsize=(4.8, 3.3), layout="constrained")
        axes = figure.subplots()
        draw(axes, result, system)
        axes.set_title("")
        return figure_bytes(figure, "svg").decode()


def report_html(
    result: Assessment, system: str = "metric", *, paper: str = "a4", sure: Confidence | None = None
) -> str:
    """The report as a web page with a slider for the bout width."""
    units = {"length_unit": shown_unit("length", system), "rate_unit": rate_unit(result, system)}
    slider = part_html("slider.html", jumps=_jumps(result, system), **units)
    script = "".join(map(web_part, ("core.js", "overlap.js", "report.js")))
    return document_html(
        report(result, system, sure=sure), paper=paper, places={"slider": slider}, script=script,
        data=_slider_data(result, system),
    )  # fmt: skip


def _jumps(result: Assessment, system: str) -> list[tuple[float, str, str]]:
    """Buttons that lead the slider to the widths that matter: width, method, what is said."""
    driven = [(result.bout_width_m, result.driving or METHODS[0], "driven")]
    effective = [(result.effective_width_m(method), method, "effective") for method in METHODS]
    return [
        (width, method, f"{what}: {show_width(width, system)} {method}")
        for width, method, what in driven + effective
        if width is not None
    ]


def _slider_data(result: Assessment, system: str) -> dict[str, Any]:
    """What the slider needs, all in SI; a unit is worth so much of the unit inside."""
    profile, widths = result.profile, result.scans[METHODS[0]].width_m
    method, width = shown_bout(result)
    systems = (system, other_system(system))
    rates = [{"unit": rate_unit(result, name), "worth": _worth("rate", name)} for name in systems]
    return {
        "offset": profile.offset_m.tolist(),
        "rate": profile.rate_kg_ha.tolist(),
        "tails": profile.tails,
        "parts": _parts(result),
        "blocking": list(result.blocking),
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


def _parts(result: Assessment) -> list[dict[str, Any]]:
    """The parts of a blend that decide, each with the factor that brings its limit to that of the report."""
    return [
        {
            "offset": part.profile.offset_m.tolist(),
            "rate": part.profile.rate_kg_ha.tolist(),
            "tails": part.profile.tails,
            "share": result.limit_pct / part.limit_pct,
        }
        for part in (result.blend.judged if result.blend else ())
    ]


def _worth(kind: str, system: str) -> float:
    return to_inside(1.0, shown_unit(kind, system), kind)
