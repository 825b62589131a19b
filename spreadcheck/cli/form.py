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
    from spreadcheck.units import counted

    if not out.files:
        raise OutputError(Fault("form", "no file is asked for", "add --pdf FILE for paper, --html FILE for a phone"))
    out.check(sheet)
    asked = entry_form(read_test(sheet))
    stem = "tray-sheet" if sheet == "-" else Path(sheet).stem  # a name that starts with - would be an option
    made, saved, said = form_document(asked), f"{stem}-filled.csv", {}
    if out.asked("pdf"):
        paper = made_pdf(made, paper=out.paper)
        tables = sum(isinstance(each, Table) for each in made.blocks)
        side = "across" if made.across else "upright"
        said["pdf"] = f"{counted(paper.pages, 'page')}, {PAPER_NAMES[out.paper]} {side}"
        if tables > 1:
            said["pdf"] += f"; the columns of a tray are in {tables} tables, and the head of each says which"
    said["html"] = f"open it in the phone's browser; it saves {saved}"
    out.write(pdf=lambda: paper.data, html=lambda: phone_html(asked, file_name=saved))
    for kind, path in out.files:
        say(f"{path}: {said[kind]}")
    if out.asked("pdf") and sheet != "-":
        name_next("record", sheet, lead="Next, from the paper")
    if out.asked("html"):
        name_next("analyse", saved, lead="Next, from the phone")
