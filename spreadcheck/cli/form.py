"""`spreadcheck form SHEET`."""

from __future__ import annotations

from pathlib import Path

import click

from spreadcheck.cli.options import options, output_file, outputs, read_test, sheet_argument
from spreadcheck.cli.outputs import Outputs, made_pdf, name_next
from spreadcheck.cli.terminal import say
from spreadcheck.errors import Fault, OutputError

PAPER_NAMES = {"a4": "A4", "letter": "US Letter"}


@click.command()
@sheet_argument
@options(paper="Paper of the PDF; A4 if not given.")
@outputs(
    pdf=output_file("Write the form for a clipboard.", ".pdf"),
    html=output_file("Write the form for a phone: one page, no network.", ".html", ".htm"),
)
def form(*, sheet: str, out: Outputs) -> None:
    """From a tray sheet to an entry form on paper (PDF) or for a phone (HTML).

    Both show what the sheet knows already and ask for the rest: the details, the
    conditions, and every tray of every pass. The phone saves a tray sheet.

    \b
    spreadcheck form field.csv --pdf field.pdf --html field.html
    """
    from spreadcheck.crew.form import entry_form
    from spreadcheck.show.document import Table
    from spreadcheck.show.form import form_document, phone_html

    if not out.files:
        raise OutputError(Fault("form", "no file is asked for", "add --pdf FILE for paper, --html FILE for a phone"))
    out.check(sheet)
    asked = entry_form(read_test(sheet))
    said: list[str] = []
    saved = f"{Path(sheet).stem}-filled.csv"

    def pdf() -> bytes:
        document = form_document(asked)
        made = made_pdf(document, paper=out.paper)
        side, tables = (
            "across" if document.across else "upright",
            sum(isinstance(each, Table) for each in document.blocks),
        )
        words = f"{made.pages} {'page' if made.pages == 1 else 'pages'}, {PAPER_NAMES[out.paper]} {side}"
        if tables > 1:
            words += f"; the columns of a tray are in {tables} tables, and the head of each says which"
        said.append(words)
        return made.data

    def html() -> str:
        said.append(f"open it in the phone's browser; it saves {saved}")
        return phone_html(asked, file_name=saved)

    out.write(pdf=pdf, html=html)
    for (_, path), words in zip(out.files, said, strict=True):
        say(f"{path}: {words}")
    if out.asked("pdf"):
        name_next("record", sheet, lead="Next, from the paper")
    if out.asked("html"):
        name_next("analyse", saved, lead="Next, from the phone")
