"""Documents as outputs of a command: the option for reports, their paper, the content of the file."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from spreadcheck.cli.options import OutputFile
from spreadcheck.cli.say import say

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from spreadcheck.show.document import Document
    from spreadcheck.show.pdf import Pdf

F = TypeVar("F", bound=Callable[..., Any])
REPORTS = (".html", ".pdf")


def report_option(function: F) -> F:
    """Where reports go."""
    return click.option(
        "--report",
        "report_files",
        type=OutputFile(*REPORTS),
        metavar="FILE",
        multiple=True,
        help="Write a report for a customer; .html or .pdf by the ending, and both may be asked for.",
    )(function)


def paper_option(what: str) -> Callable[[F], F]:
    """The paper of what is printed."""
    return click.option(
        "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help=f"Paper of {what}."
    )


def document_content(document: Document, path: str, *, paper: str = "a4") -> str | bytes:
    """The document in the form that the ending of its file asks for: .html, .pdf, .md, else plain text."""
    form = path.rsplit(".", 1)[-1].lower()
    if form == "pdf":
        return made_pdf(document, paper=paper).data
    if form == "html":
        from spreadcheck.show.html import document_html

        return document_html(document, paper=paper)
    if form == "md":
        from spreadcheck.show.markdown import markdown_text

        return markdown_text(document)
    from spreadcheck.show.terminal import terminal_text

    return terminal_text(document) + "\n"


def made_pdf(document: Document, *, paper: str) -> Pdf:
    """The document on paper; signs that no font has are named on standard error."""
    from spreadcheck.show.pdf import document_pdf

    made = document_pdf(document, paper=paper)
    if made.missing:
        say(f'No font here has a sign for {made.missing} and the PDF shows "?" instead.', err=True)
    return made


def check_document(path: str | None) -> None:
    """Refuse a file whose ending names no format, before any work is done."""
    from spreadcheck.errors import Fault, OutputError

    if path and not path.lower().endswith((".html", ".pdf")):
        raise OutputError(Fault(path, "is no name for a report", "end the name in .html or .pdf"))


def picture(figure: Figure, file_format: str) -> bytes:
    """A figure as the content of a file; signs that its fonts don't have are named on standard error."""
    from spreadcheck.show.plots import figure_bytes, missing_signs

    missing = missing_signs(figure) if file_format != "svg" else ""  # who opens an SVG draws its words in own fonts
    if missing:
        say(f"The font has no sign for {missing} and the picture shows a box instead.", err=True)
    return figure_bytes(figure, file_format)


def svg_of(figure: Figure) -> str:
    """A figure as the text of an SVG picture."""
    from spreadcheck.show.plots import figure_bytes

    return figure_bytes(figure, "svg").decode("utf-8")
