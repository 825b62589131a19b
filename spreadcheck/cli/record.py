"""`spreadcheck record SHEET`: enter the weights tray by tray."""

from __future__ import annotations

import contextlib
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import click

from spreadcheck.cli.options import options, words
from spreadcheck.cli.terminal import Screen, ScreenGoneError, Typed, TypingStoppedError, say
from spreadcheck.errors import Fault, OutputError, SheetError, shown

if TYPE_CHECKING:
    from io import BufferedReader

    from spreadcheck.crew.lock import KeptSheet
    from spreadcheck.crew.recording import Recording
    from spreadcheck.sheet.traytest import TrayTest

SIGNAL_EXIT = 128  # what a shell adds to the number of a signal
HANG_UP = 1  # the number of the signal that a closed terminal sends
_LATER = ("finish", "finish later", "later", "quit")


@click.command()
@click.argument("sheet", type=click.Path())
@options(like=words("OTHER", "Take the tray line and passes of another sheet; a SHEET that exists must have the same."))
@click.option(
    "--tray-by-tray/--pass-by-pass",
    default=None,
    help="Ask for all passes of a tray and then the next tray, or for all trays of a pass and then the next pass. "
    "If not given: as the sheet was begun, and a new one pass by pass.",
)
@options(units={"default": None, "help": "Units of the offsets; the sheet's if not given."})
@click.option("--plain", is_flag=True, help="One line a tray, no large letters; the screen is never cleared.")
@click.pass_context
def record(
    ctx: click.Context, *, sheet: str, like: str | None, tray_by_tray: bool | None, units: str | None, plain: bool
) -> None:
    """Enter the weights of a test tray by tray; each is saved before the next is asked for.

    Weigh only after the machine has stopped and left the tray line. Recording goes on where the sheet stops. If SHEET,
    a .csv or .xlsx file, does not exist, its details are asked for first. Type help at any tray. A scale that sends
    digits and Enter can be connected through a pipe.

    \b
    Examples:
      spreadcheck record field.csv
      spreadcheck record second.csv --like field.csv
      spreadcheck record field.csv < /dev/ttyUSB0
    """
    from spreadcheck.crew.lock import lock_sheet, take_up

    encoding = getattr(sys.stdin, "encoding", None) or "utf-8"
    bare = cast("BufferedReader", sys.stdin.buffer) if sys.stdin is not None else None
    with lock_sheet(sheet), Typed(bare, encoding) as typed:
        kept, test = take_up(sheet)
        test = _on_the_line_of(like, sheet, test)
        sitting = _Sitting(sheet, kept, Screen(units=units, plain=plain), typed)
        try:
            code = sitting.run(test, tray_by_tray=tray_by_tray)
        except ScreenGoneError:
            code = SIGNAL_EXIT + HANG_UP
            with contextlib.suppress(OSError):  # standard error may have gone with it
                say(f"spreadcheck: the output was closed; what was recorded is in {sheet}", err=True)
    ctx.exit(code)


def _on_the_line_of(like: str | None, sheet: str, test: TrayTest | None) -> TrayTest | None:
    """The test whose line a new sheet takes over; a sheet that exists must stand on that line already."""
    if like is None:
        return test
    from spreadcheck.crew.newsheet import layout_differences
    from spreadcheck.sheet.traysheet import read_sheet

    other = read_sheet(like)
    differences = layout_differences(test, other) if test else ()
    if differences:
        remedy = "record on a new sheet, or leave --like out"
        raise SheetError(*(Fault(sheet, f"has another layout than {like}: {each}", remedy) for each in differences))
    return test or other


@dataclass
class _Sitting:
    """One sitting at one sheet: asks, saves each answer, and says at the end how to go on."""

    path: str
    kept: KeptSheet
    screen: Screen
    typed: Typed
    recording: Recording | None = None

    def run(self, test: TrayTest | None, *, tray_by_tray: bool | None) -> int:
        """The details that are not known, then the weights; the exit code."""
        from spreadcheck.show.record import closing_lines

        code = 0
        try:
            ready = self._details(test)
            if ready is not None:
                self._weights(ready, tray_by_tray)
        except TypingStoppedError as stop:
            code = SIGNAL_EXIT + stop.number
        if self.typed.failed:
            self.screen.say(f"The input can't be read any more ({self.typed.failed}).", err=True)
        if self.typed.broken_off.strip():
            self.screen.say(f'"{shown(self.typed.broken_off)}" was not taken: no Enter came after it.', err=True)
        self.screen.end(*closing_lines(self.recording, self.path, made=bool(self.kept.digest)))
        return code

    def _details(self, test: TrayTest | None) -> TrayTest | None:
        """The test once its details are asked, None to go on later; a new one on the disk as soon as its line is known.

        Of a sheet that is there nothing is asked but a name and a date that it lacks, and of people only: what comes
        through a pipe are weights.
        """
        from spreadcheck.crew.newsheet import new_sheet, question, reply_to, unnamed

        if test is not None and self.kept.digest:
            new = unnamed(test)
            if new.over or sys.stdin is None or not sys.stdin.isatty():
                return test
            self.screen.say(f"{self.path} has no name or date of the test yet. Type start to skip them.")
        else:
            new = new_sheet(test)
            self._save(new.test)
            self.screen.say(f"{self.path} is a new sheet. Type back to go back one question, start to skip the rest.")
        while not new.over:
            self.screen.ask(f"{question(new)}:")
            line = self.typed.line()
            if line is None or line.strip().casefold() in _LATER:
                if not self.kept.digest:
                    remedy = "start again and answer as far as the unit of the catches"
                    raise SheetError(Fault(self.path, "was not made: its tray line is not complete", remedy))
                return None
            before, (new, said) = new, reply_to(new, line)
            if new is not before:
                self._save(new.test)
            self.screen.say(said)
        return new.test

    def _weights(self, test: TrayTest, tray_by_tray: bool | None) -> None:
        from spreadcheck.crew.recording import ASKED, DONE, enter_weight, order_of, start_recording
        from spreadcheck.show.record import opening_lines

        recording = self.recording = start_recording(test, order=order_of(test, tray_by_tray))
        for text in opening_lines(recording, self.path):
            self.screen.say(text)
        self.screen.ask_weight(recording)
        while (line := self.typed.line()) is not None:
            before, reply = recording, enter_weight(recording, line)
            if reply.recording.test is not before.test:
                self._save(reply.recording.test, before)
            recording = self.recording = reply.recording
            if reply.sort == DONE:
                return
            self.screen.show_reply(reply, before)
            self.screen.ask_weight(recording, bell=reply.sort == ASKED)

    def _save(self, test: TrayTest | None, before: Recording | None = None) -> None:
        """Put a test on the disk, once its line is known; where that fails, say which entry is not there."""
        try:
            self.kept = self.kept.keep(test) if test else self.kept
        except OutputError as error:
            if before is None:
                raise
            place = f"{self.path}: {before.name(before.at)}"
            lost = Fault(place, "this last entry is not in the sheet", "type it again when you go on")
            raise OutputError(*error.faults, lost) from error
