"""A result that is a document, as a file: which endings there are, and its content."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from spreadcheck.show.document import Document


def check_document(path: str | None) -> None:
    """Refuse a file whose ending names no format, before any work is done."""
    from spreadcheck.errors import Fault, OutputError

    if path and not path.lower().endswith((".html", ".pdf")):
        raise OutputError(Fault(path, "is no name for a report", "end the name in .html or .pdf"))


def document_content(document: Document, path: str) -> str | bytes:
    """The content of the file, by its ending."""
    if path.lower().endswith(".html"):
        from spreadcheck.show.html import document_html

        return document_html(document)
    from spreadcheck.show.pdf import document_pdf

    return document_pdf(document).data


def svg_of(figure: Figure) -> str:
    """A figure as the text of an SVG picture."""
    from spreadcheck.show.plots import figure_bytes

    return figure_bytes(figure, "svg").decode("utf-8")
