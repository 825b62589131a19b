"""What commands leave behind: files written whole, the doubts and the verdict told, the next step named."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from spreadcheck.cli.terminal import folded, say

if TYPE_CHECKING:
    from spreadcheck.doubts.doubt import Doubt
    from spreadcheck.judge.assessment import Assessment
    from spreadcheck.judge.verdict import Verdict
    from spreadcheck.sheet.traytest import FormRow, TrayTest
    from spreadcheck.show.data import Judged
    from spreadcheck.show.document import Document
    from spreadcheck.show.pages import Pdf


class Outputs(NamedTuple):
    """The files that a command was asked for: (kind, path) each, in the order of its options."""

    files: tuple[tuple[str, str], ...]
    overwrite: bool
    paper: str
    units: str

    def asked(self, kind: str) -> bool:
        """Whether a file of this kind was asked for."""
        return any(kind == each for each, _ in self.files)

    @property
    def screen(self) -> bool:
        """Whether standard output is free for the text of the result."""
        return all(path != "-" for _, path in self.files)

    def check(self, *read: str | None, sheet: str | None = None, into: str | None = None) -> None:
        """Refuse outputs, a sheet, or one to go `into`, that can't be written, or fall on each other or on an input."""
        from spreadcheck.errors import Fault, OutputError

        inputs = {same_place(path) for path in read if path} - {"-"}
        if into and same_place(into) in inputs:
            problem = "is the sheet of the test itself, which keeps the setting that was tested"
            raise OutputError(Fault(into, problem, "give --into the sheet of the next test"))
        given = [path for path in (*(path for _, path in self.files), sheet) if path]
        places = [same_place(path) for path in given]
        for path, place in zip(given, places, strict=True):
            if places.count(place) > 1:
                raise OutputError(Fault(path, "is asked for twice", "give each output a name of its own"))
            if place in inputs:
                raise OutputError(Fault(path, "is a file that this command reads", "write the result to another name"))
            if path != "-":
                from spreadcheck.sheet.files import check_target  # a command that writes nothing needs none of it

                check_target(path, overwrite=self.overwrite, is_sheet=path == sheet)

    def show(
        self,
        document: Document,
        about: Judged | Iterable[Doubt] = (),
        *,
        tests: Iterable[Assessment] = (),
        **makers: Callable[[], Any],
    ) -> None:
        """Every file asked for, then the result on the screen, with its verdict and doubts, and those of `tests`."""
        from spreadcheck.show.format import names_of
        from spreadcheck.show.text import terminal_text, wrapped
        from spreadcheck.show.verdict import to_hand_over, verdict_sentence

        doubts, verdict = (about, None) if isinstance(about, Iterable) else (about.doubts, about.verdict)
        every = tuple(tests)
        self.write(**makers, report=lambda: to_hand_over(document, doubts, self.units, verdict=verdict, tests=every))
        if not self.screen:
            return
        say(terminal_text(document))
        if verdict is not None:
            said = verdict_sentence(verdict, self.units)
            say("\n" + "\n".join(wrapped(f"Verdict: {said[0].lower()}{said[1:]}", indent="  ")))
        self.tell(doubts)
        for name, result in zip(names_of(every), every, strict=True):
            self.tell(result.doubts, about=f"Doubts about {name}:\n")

    def write(self, **makers: Callable[[], Any]) -> None:
        """Make every file that was asked for, then write them: of plain data, a document, a figure, or the content."""
        if not self.files:
            return
        from spreadcheck.errors import Fault, OutputError
        from spreadcheck.sheet.files import write_whole

        made: dict[str, Any] = {}
        contents = []
        for kind, path in self.files:
            ending = path.rsplit(".", 1)[-1].lower()
            if kind not in made:
                made[kind] = makers[kind]()
            contents.append(self._content(made[kind], ending))
        for (_, path), content in zip(self.files, contents, strict=True):
            if path != "-":
                write_whole(path, content, overwrite=self.overwrite)
                say(f"{path} written", err=True)
            elif sys.stdout is None:
                raise OutputError(Fault("standard output", "is closed", "give the result a file name"))
            else:
                sys.stdout.buffer.write(content.encode("utf-8") if isinstance(content, str) else content)
                sys.stdout.buffer.flush()

    def _content(self, found: Any, ending: str) -> str | bytes:
        """What a command made, in the form that the ending of its file asks for."""
        from spreadcheck.show.document import Document

        if isinstance(found, (str, bytes)):
            return found
        if isinstance(found, dict):
            from spreadcheck.show.data import json_text

            return json_text(found)
        if not isinstance(found, Document):
            from spreadcheck.show.plots import figure_bytes, missing_signs

            missing = missing_signs(found) if ending != "svg" else ""  # who opens an SVG draws its words in own fonts
            if missing:
                say(f"The font has no sign for {missing} and the picture shows a box instead.", err=True)
            return figure_bytes(found, ending)
        if ending == "pdf":
            return made_pdf(found, paper=self.paper).data
        if ending == "html":
            from spreadcheck.show.pages import document_html

            return document_html(found, paper=self.paper)
        from spreadcheck.show.text import markdown_text

        return markdown_text(found)

    def tell(self, doubts: Iterable[Doubt], *, about: str = "") -> None:
        """Tell doubts on standard error, below the result."""
        from spreadcheck.show.verdict import doubt_lines

        told = doubt_lines(doubts, self.units)
        if told:
            say(f"\n{about}{told}", err=True)

    def again(self, *more: str) -> tuple[str, ...]:
        """The command that was given, with more words behind it; what it has just written it may write anew."""
        words: tuple[str, ...] = click.get_current_context().meta.get("spreadcheck words", ())
        if any(path != "-" and os.path.lexists(path) for _, path in self.files):
            more = ("--overwrite", *more)
        new = (word for word in dict.fromkeys(more) if word != "--overwrite" or word not in words)
        return (*("SHEET" if word == "-" else word for word in words), *new)


def made_pdf(document: Document, *, paper: str) -> Pdf:
    """The document on paper; signs that no font has are named on standard error."""
    from spreadcheck.show.pages import document_pdf

    made = document_pdf(document, paper=paper)
    if made.missing:
        say(f'No font here has a sign for {made.missing} and the PDF shows "?" instead.', err=True)
    return made


def write_into(sheet: str, rows: Iterable[FormRow], *, overwrite: bool, like: TrayTest | None = None) -> None:
    """Write rows into the form of a sheet, say what was written and what stood there, and name the next step."""
    from spreadcheck.crew.newsheet import fill_in_sheet, row_words
    from spreadcheck.errors import shown

    filled = fill_in_sheet(sheet, rows, overwrite=overwrite, like=like)
    if filled.like:
        say(folded(f"{sheet} is a new sheet for a test on the line of {shown(filled.like)}"), err=True)
    told = "; ".join(f"{row.label} {row_words(row)}" for row in filled.written)
    say(folded(f"{sheet}: {told or 'all of it stands there already'}"), err=True)
    for row in filled.replaced:
        say(folded(f"{sheet}: {row.label} was {row_words(row)}"), err=True)
    name_next("record" if filled.to_be_weighed else "analyse", sheet)


def name_next(*words: str, lead: str = "Next") -> None:
    """The command that takes the next step, filled in, on standard error; an analysis keeps the units."""
    from spreadcheck.show.format import next_line

    if words[0] == "analyse" and click.get_current_context().params.get("units") == "us":
        words += ("--units", "us")
    say(next_line(*words, lead=lead), err=True)


def name_analysis(verdict: Verdict | None, sheet: str, *more: str, limit_pct: float | None = None) -> None:
    """The analysis that follows a study of a sheet: its card where it may be driven, what blocks it, or advice."""
    from spreadcheck.limits import CV_LIMIT_PCT
    from spreadcheck.show.format import free

    if sheet == "-":  # it has no name to go on with
        return
    if limit_pct not in (None, CV_LIMIT_PCT):
        more += ("--limit", f"{limit_pct:g}")
    if verdict is not None and verdict.may_be_driven:
        more += ("--card", free(sheet, "-card.pdf"))
    else:
        more += ("--doubts" if verdict is not None and verdict.blocking else "--advice",)
    name_next("analyse", sheet, *more)


def same_place(path: str) -> str:
    """The file behind a name, however it is spelled or linked; - is standard input or output."""
    try:
        found = None if path == "-" else os.stat(path)
    except (OSError, ValueError):
        return os.path.realpath(path)
    return f"{found.st_dev} {found.st_ino}" if found else path
