"""Where a recording is shown: whole pages on a terminal, plain lines in a pipe, a file or on request."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, TextIO

from spreadcheck.cli.outputs import plain_terminal
from spreadcheck.cli.say import WIDTH, folded, say, steer

if TYPE_CHECKING:
    from spreadcheck.crew.answers import Reply
    from spreadcheck.crew.recording import Recording

CLEAR = "\x1b[2J\x1b[1;1H"  # ECMA-48: erase the page, go to its first column and line


class ScreenGoneError(Exception):
    """The terminal was closed, or nobody reads the output any more: recording on unseen would be guesswork."""


class Screen:
    """What a person sees while recording."""

    def __init__(self, *, units: str | None, plain: bool) -> None:
        self._units, self._ascii = units, plain or plain_terminal()
        self._terminal = sys.stdout.isatty()
        self._pages = self._terminal and not plain and os.environ.get("TERM") != "dumb"
        self._kept: list[str] = []  # lines for the next page
        self._long = False  # whether they need a screen of their own

    @property
    def _width(self) -> int:
        return min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns - 1) if self._terminal else WIDTH

    def say(self, text: str) -> None:
        """Something worth knowing now: at once as a line, or with the next page."""
        self._tell(folded(text, self._width))

    def _tell(self, text: str) -> None:
        if self._pages:
            self._kept.append(text)
        elif text:
            self._print(text)

    def ask(self, text: str) -> None:
        """A question on a line of its own; a terminal answers behind it."""
        for line in self._kept:
            self._print(line)
        self._kept = []
        self._print(folded(text, self._width), end=" " if self._terminal else "\n")

    def ask_weight(self, recording: Recording, *, bell: bool = False) -> None:
        """The next tray, large on a page of its own where there are pages."""
        from spreadcheck.show.record import page, question_line

        if self._pages:
            self._steer(CLEAR)
        if self._pages and not self._long:
            said, self._kept = "\n".join(self._kept), []
            self._print(page(recording, said, system=self._units, plain=self._ascii, width=self._width))
        self._long = False
        if bell and self._terminal:
            self._steer("\a")
        self.ask(question_line(recording, system=self._units))

    def show_reply(self, reply: Reply, before: Recording) -> None:
        """What an entry led to: a sentence, the table, the words to use; the bars when a pass is through."""
        from spreadcheck.crew.answers import HELP, SHOW
        from spreadcheck.show.record import HELP_TEXT, table_so_far

        if reply.sort in (SHOW, HELP):
            self._long = True
            self._tell(HELP_TEXT if reply.sort == HELP else table_so_far(reply.recording, width=self._width))
        else:
            self.say(reply.say)
        if not self._pages and reply.recording.part(reply.recording.at) != before.part(before.at):
            self._show_bars(replace(reply.recording, at=before.at))

    def _show_bars(self, recording: Recording) -> None:
        """The bars alone, between plain lines."""
        from spreadcheck.show.record import picture

        self._print(picture(recording, system=self._units, plain=self._ascii, width=self._width))

    def end(self, said: str, command: str) -> None:
        """The last words, under the last question, and the command that goes on, never cut."""
        if self._terminal:
            self._print("")
        for text in (*self._kept, folded(said, self._width), command):
            self._print(text)

    def warn(self, text: str) -> None:
        """Words on standard error."""
        self._print(folded(text, self._width), err=True)

    def _print(self, text: str, *, end: str = "\n", err: bool = False) -> None:
        """Text, flushed, as a reader waits for it."""
        self._send(lambda: say(text, err=err, end=end), sys.stderr if err else sys.stdout)

    def _steer(self, signs: str) -> None:
        """A signal to the terminal."""
        self._send(lambda: steer(signs), sys.stdout)

    def _send(self, send: Callable[[], None], stream: TextIO) -> None:
        try:
            send()
            stream.flush()
        except OSError as error:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())  # what is left in it must not fail at the end
            raise ScreenGoneError from error
