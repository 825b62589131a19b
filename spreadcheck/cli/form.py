"""`spreadcheck form SHEET`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from spreadcheck.cli.documents import made_pdf, paper_option
from spreadcheck.cli.options import OutputFile, check_targets, read_test, worksheet_options
from spreadcheck.cli.say import say
from spreadcheck.errors import Fault, OutputError

if TYPE_CHECKING:
    from spreadcheck.crew.form import EntryForm

PAPER_NAMES = {"a4": "A4", "letter": "US Letter"}


@click.command()
@click.argument("sheet", metavar="SHEET")
@worksheet_options
@click.option("--pdf", "pdf_path", type=OutputFile(".pdf"), metavar="FILE", help="Write the form for a clipboard.")
@click.option(
    "--html",
    "html_path",
    type=OutputFile(".html", ".htm"),
    metavar="FILE",
    help="Write the form for a phone: one page, no network.",
)
@paper_option("the PDF")
@click.option("--overwrite", is_flag=True, help="Replace files that are there already.")
def form(sheet: str, pdf_path: str | None, html_path: str | None, paper: str, overwrite: bool) -> None:
    """From a tray sheet to an entry form on paper (PDF) or for a phone (HTML).

    Both show what the sheet knows already and ask for the rest: the details, the
    conditions, and every tray of every pass. The phone saves a tray sheet.

    \b
    spreadcheck form field.csv --pdf field.pdf --html field.html
    """
    from spreadcheck.crew.form import entry_form
    from spreadcheck.sheet.files import write_whole

    wanted = [path for path in (pdf_path, html_path) if path is not None]
    _check_wanted(wanted)
    check_targets([pdf_path, html_path], overwrite, read=[sheet])
    asked = entry_form(read_test(sheet))
    made: list[tuple[str, str | bytes, str]] = []  # all of them before any is written
    if pdf_path is not None:
        made.append((pdf_path, *_pdf(asked, paper)))
    if html_path is not None:
        made.append((html_path, *_html(asked, f"{Path(sheet).stem}-filled.csv")))
    for path, data, what in made:
        write_whole(path, data, overwrite=overwrite)
        say(f"{path}: {what}")


def _check_wanted(wanted: list[str]) -> None:
    if not wanted:
        raise OutputError(Fault("form", "no file is asked for", "add --pdf FILE for paper, --html FILE for a phone"))


def _pdf(asked: EntryForm, paper: str) -> tuple[bytes, str]:
    """The PDF, and what to say about it."""
    from spreadcheck.show.form import column_groups, form_document

    document = form_document(asked)
    made = made_pdf(document, paper=paper)
    side = "across" if document.across else "upright"
    said = f"{made.pages} {'page' if made.pages == 1 else 'pages'}, {PAPER_NAMES[paper]} {side}"
    tables = len(column_groups(asked))
    if tables > 1:
        said += f"; the columns of a tray are in {tables} tables, and the head of each says which"
    return made.data, said


def _html(asked: EntryForm, file_name: str) -> tuple[str, str]:
    """The page, and what to say about it."""
    from spreadcheck.show.form import phone_html

    return phone_html(asked, file_name=file_name), f"open it in the phone's browser; it saves {file_name}"
