"""The report for a customer on paper: the same words, pictures and tables as the HTML report, A4 or US Letter."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from spreadcheck import __version__
from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.confidence import Confidence
from spreadcheck.show.paper import FONT, Page, pdf_of, unprintable, wrapped
from spreadcheck.show.paperflow import Flow
from spreadcheck.show.plots import draw_deposit, draw_profile, draw_widths
from spreadcheck.show.plots_confidence import draw_band
from spreadcheck.show.sheettables import bout_table, form_table, limit_table, sure_table, tray_tables, width_tables
from spreadcheck.show.words import band_words, doubt_words, method_words, picture_words, plain_words, source_words

PICTURE_HEIGHT = 46.0
CAPTION_HEIGHT = 32.0  # mm: the words above a picture and the scale below it
NAME_LINES = 3


@dataclass(frozen=True)
class PrintedReport:
    """The PDF of a report, and what its user is told about it."""

    data: bytes
    pages: int
    unprintable: str  # characters that the font lacks; "?" stands for each


def report_pdf(
    result: Assessment,
    system: str = "metric",
    *,
    paper: str = "a4",
    sure: Confidence | None = None,
    on_page: Callable[[int], object] | None = None,
) -> PrintedReport:
    """The report as a PDF; `sure` adds how sure it is, `on_page` is told after each page how many there are."""
    pages = report_pages(result, system, paper=paper, sure=sure)
    told = partial(on_page, len(pages)) if on_page else None
    data = pdf_of(pages, title=f"Spread pattern report: {result.test.name}", on_page=told)
    test = result.test
    written = [test.name, *test.tray, *test.note, *(column.name for column in test.columns)]
    written += [f"{row.label}{row.value}{row.unit}" for row in test.form]
    return PrintedReport(data, len(pages), unprintable("".join(written)))


def report_pages(
    result: Assessment, system: str = "metric", *, paper: str = "a4", sure: Confidence | None = None
) -> list[Page]:
    """The pages of the report, drawn."""
    flow = Flow(paper)
    _plain_part(flow, result, system)
    _picture_part(flow, result, system, sure)
    _table_part(flow, result, system, sure)
    flow.feet(f"{result.test.name} - spreadcheck {__version__}")
    return flow.pages


def _plain_part(flow: Flow, result: Assessment, system: str) -> None:
    flow.line("Spread pattern report", size=9, leading=5)
    for line in wrapped(result.test.name, flow.room * 0.9, 16)[:NAME_LINES]:
        flow.line(line, size=16, leading=7.5, bold=True)
    flow.y += 1
    answer, *further = plain_words(result, system)
    flow.heading(answer.heading)
    for number, sentence in enumerate(answer.sentences):
        flow.paragraph(sentence, bold=number == 0)
    for passage in further:
        flow.heading(passage.heading)
        for sentence in passage.sentences if passage.steps else (" ".join(passage.sentences),):
            flow.paragraph(sentence, mark="\u2022" if passage.steps else "")


def _picture_part(flow: Flow, result: Assessment, system: str, sure: Confidence | None) -> None:
    from matplotlib import rc_context

    flow.new_page()
    flow.heading("Pictures")
    words = list(picture_words(result, system))
    draws: list[Callable[[Any, Assessment, str], None]] = [draw_profile, draw_deposit, draw_widths]
    if sure is not None and sure.known:
        draws.append(partial(draw_band, sure))
        words.append(band_words(sure, system))
    for draw, (title, description) in zip(draws, words, strict=True):
        flow.need(PICTURE_HEIGHT + CAPTION_HEIGHT)  # words and picture stay together
        flow.paragraph(f"{title}. {description}")
        with rc_context({"font.family": FONT, "font.size": 8, "axes.spines.top": False, "axes.spines.right": False}):
            flow.plot(partial(_untitled, draw, result, system), height=PICTURE_HEIGHT)


def _untitled(draw: Callable[[Any, Assessment, str], None], result: Assessment, system: str, axes: Any) -> None:
    """A plot without its own title, which stands above it already."""
    draw(axes, result, system)
    axes.set_title("")


def _table_part(flow: Flow, result: Assessment, system: str, sure: Confidence | None) -> None:
    flow.new_page()
    flow.heading("Figures")
    known = (sure_table(sure, system),) if sure is not None and sure.known else ()
    for table in (bout_table(result, system), *known, limit_table(result, system), *width_tables(result, system)):
        flow.table(table)
    flow.heading("Method")
    for words in method_words(result):
        flow.paragraph(words)
    flow.heading("What the limits rest on")
    for words in source_words():
        flow.paragraph(words, mark="\u2022")
    flow.new_page()
    flow.heading("Raw trays and form")
    for table in (*tray_tables(result, system), form_table(result)):
        flow.table(table)
    flow.heading("Doubts about this test")
    for words in (*doubt_words(result, system), *(doubt.message(system) for doubt in (sure.doubts if sure else ()))):
        flow.paragraph(words, mark="\u2022")
