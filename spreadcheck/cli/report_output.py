"""The report for a customer, as an output of `analyse`: its option, its checks, its content."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from spreadcheck.cli.say import say

if TYPE_CHECKING:
    from spreadcheck.judge.assessment import Assessment
    from spreadcheck.judge.confidence import Confidence

F = TypeVar("F", bound=Callable[..., Any])


def report_option(function: F) -> F:
    """Where reports go."""
    return click.option(
        "--report",
        "report_files",
        metavar="FILE",
        multiple=True,
        help="Write a report for a customer; .html or .pdf by the ending, and both may be asked for.",
    )(function)


def check_reports(paths: tuple[str, ...]) -> None:
    """Refuse a file whose ending names no format, before any work is done."""
    for path in paths:
        _format_of(path)


def _format_of(path: str) -> str:
    from spreadcheck.errors import Fault, OutputError

    ending = path.rsplit(".", 1)[-1].lower() if "." in path else ""
    if ending not in ("html", "pdf"):
        raise OutputError(Fault(path, f'a report can\'t be written as "{ending}"', "end the name in .html or .pdf"))
    return ending


def report_content(result: Assessment, path: str, units: str, *, paper: str, sure: Confidence | None) -> str | bytes:
    """The content of one report."""
    if _format_of(path) == "html":
        from spreadcheck.show.report_html import report_html

        return report_html(result, units, paper=paper, sure=sure)
    return _pdf(result, units, paper, sure)


def _pdf(result: Assessment, units: str, paper: str, sure: Confidence | None) -> bytes:
    """The PDF, with a bar on a terminal, and what to say about it."""
    from spreadcheck.show.report_pdf import report_pdf

    with click.progressbar(length=1, label="pages", file=sys.stderr, hidden=not sys.stderr.isatty()) as bar:

        def on_page(pages: int) -> None:
            bar.length = pages
            bar.update(1)

        printed = report_pdf(result, units, paper=paper, sure=sure, on_page=on_page)
    if printed.unprintable:
        say(f'The font has no sign for {printed.unprintable} and the PDF shows "?" instead.', err=True)
    return printed.data
