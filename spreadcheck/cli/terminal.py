"""The terminal: words go out through one gate, pages of a recording are shown, typed lines and signals come in."""

from __future__ import annotations

import os
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from io import BufferedReader
from types import FrameType
from typing import TYPE_CHECKING, Any

import click

from spreadcheck.errors import visible

if TYPE_CHECKING:
    from spreadcheck.crew.recording import Recording, Reply

WIDTH = 80
WAIT_S = 1.0
WIDE = 40


def say(text: str = "", *, err: bool = False, end: str = "\n", own: bool = False) -> None:
    """Print text of one or more lines; signs that the output can't encode are escaped too.

    `own` are signs of this program's own that are meant to steer the terminal: never a word from outside.
    """
    if not own:
        encoding = getattr(sys.stderr if err else sys.stdout, "encoding", None) or "ascii"
        text = visible(text, lines=True).encode(encoding, "backslashreplace").decode(encoding)
    click.echo(text + end, nl=False, err=err)


def folded(text: str, width: int = WIDTH) -> str:
    """Words on lines that fit, what follows a line's first indented; one that is too long, such as a path, is whole."""
    fit = textwrap.TextWrapper(width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
    return "\n".join(part for line in text.splitlines() for part in fit.wrap(line))


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[float], None]]:
    """A bar for work of more than a second, none where nobody looks: a function that is told the share done, 0 to 1."""
    start, seen = time.monotonic(), [-1]
    looked_at = sys.stderr is not None and sys.stderr.isatty()

    def told(share: float) -> None:
        done = round(WIDE * min(max(share, 0.0), 1.0))
        if looked_at and done != seen[0] and time.monotonic() - start > WAIT_S:
            seen[0] = done
            bar = "#" * done + "." * (WIDE - done)
            say(f"\r{label} [{bar}] {100 * share:3.0f} %", err=True, end="", own=True)

    try:
        yield told
    finally:
        if seen[0] >= 0:
            say("\r" + " " * (WIDE + len(label) + 10), err=True, end="\r", own=True)


def plain_terminal() -> bool:
    """Whether standard output can't show block characters."""
    encoding = getattr(sys.stdout, "encoding", None) or "ascii"
    return "▁█·".encode(encoding, "replace").decode(encoding) != "▁█·"


CLEAR = "\x1b[2J\x1b[1;1H"  # ECMA-48: erase the page, go to its first column and line


class ScreenGoneError(Exception):
    """The terminal was closed, or nobody reads the output any more: recording on unseen would be guesswork."""


class Screen:
    """What a person sees while recording: whole pages on a terminal, plain lines in a pipe, a file or on request."""

    def __init__(self, *, units: str | None, plain: bool) -> None:
        self._units, self._ascii = units, plain or plain_terminal()
        self._terminal = sys.stdout.isatty()
        self._pages = self._terminal and not plain and os.environ.get("TERM") != "dumb"
        self._kept: list[str] = []  # lines for the next page
        self._long = False  # whether they need a screen of their own

    @property
    def _width(self) -> int:
        from shutil import get_terminal_size  # commands that only print need none of it

        return min(WIDTH, get_terminal_size((WIDTH, 24)).columns - 1) if self._terminal else WIDTH

    def say(self, text: str, *, whole: bool = False, err: bool = False) -> None:
        """Something worth knowing: at once as a line, or with the next page; `whole` where its lines are made."""
        told = text if whole else folded(text, self._width)
        if self._pages and not err:
            self._kept.append(told)
        elif told:
            self._print(told, err=err)

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
            self._print(CLEAR, end="", own=True)
        if self._pages and not self._long:
            said, self._kept = "\n".join(self._kept), []
            self._print(page(recording, said, system=self._units, plain=self._ascii, width=self._width))
        self._long = False
        if bell and self._terminal:
            self._print("\a", end="", own=True)
        self.ask(question_line(recording, system=self._units))

    def show_reply(self, reply: Reply, before: Recording) -> None:
        """What an entry led to: a sentence, the table, the words to use; the bars alone when a pass is through."""
        from spreadcheck.crew.recording import HELP, SHOW
        from spreadcheck.show.record import HELP_TEXT, picture, table_so_far

        if reply.sort in (SHOW, HELP):
            self._long = True
            told = HELP_TEXT if reply.sort == HELP else table_so_far(reply.recording, width=self._width)
            self.say(told, whole=True)
        else:
            self.say(reply.say)
        if not self._pages and reply.recording.part(reply.recording.at) != before.part(before.at):
            done = replace(reply.recording, at=before.at)
            self._print(picture(done, system=self._units, plain=self._ascii, width=self._width))

    def end(self, said: str, command: str) -> None:
        """The last words, under the last question, and the command that goes on, never cut."""
        if self._terminal:
            self._print("")
        for text in (*self._kept, folded(said, self._width), command):
            self._print(text)

    def _print(self, text: str, *, end: str = "\n", err: bool = False, own: bool = False) -> None:
        """Text, flushed, as a reader waits for it."""
        stream = sys.stderr if err else sys.stdout
        try:
            say(text, err=err, end=end, own=own)
            stream.flush()
        except OSError as error:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())  # what is left in it must not fail at the end
            raise ScreenGoneError from error


MAX_LINE = 65_536  # bytes without a line end: no person, no scale
_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")  # those that the system has


class TypingStoppedError(Exception):
    """Ctrl-C, an order to end, or a closed terminal; `number` is the signal's."""

    number = property(lambda self: self.args[0])


class Typed:
    """Lines of standard input, one at a time, whatever ends them: line feed, carriage return or both.

    A signal never breaks off the saving of an entry: it is noted, and ends the wait for the next line.
    """

    def __init__(self, stream: BufferedReader | None, encoding: str = "utf-8") -> None:
        self._stream, self._encoding = stream, encoding
        self._waiting, self._signal = False, 0
        self._bytes, self._after_return = b"", False
        self._before: dict[int, Any] = {}
        self._at_terminal = False
        self.broken_off = ""  # what stood after the last line end when the input ended
        self.failed = ""  # why the input can't be read any more

    def __enter__(self) -> Typed:
        import signal
        import threading

        self._at_terminal = bool(self._stream and self._stream.isatty())  # asked now: one that has closed is none
        if threading.current_thread() is threading.main_thread():
            numbers = [number for name in _SIGNALS if (number := getattr(signal, name, None))]
            heard = [number for number in numbers if signal.getsignal(number) != signal.SIG_IGN]  # as under nohup
            self._before = {number: signal.signal(number, self._signalled) for number in heard}
        return self

    def __exit__(self, *_: object) -> None:
        import signal

        for number, handler in self._before.items():
            # a terminal that closes may send its signal behind the end of its input: it must not cut off the way out
            late = self._at_terminal and number == getattr(signal, "SIGHUP", None)
            signal.signal(number, signal.SIG_IGN if late else handler)

    def line(self) -> str | None:
        """The next line without its end, or None when the input has ended; raises `TypingStoppedError` at a signal."""
        if self._signal:
            raise TypingStoppedError(self._signal)
        while True:
            if self._after_return and self._bytes:  # a line feed right behind a carriage return ends nothing
                self._bytes, self._after_return = self._bytes.removeprefix(b"\n"), False
            ends = [at for end in (b"\n", b"\r") if (at := self._bytes.find(end)) >= 0]
            if ends or len(self._bytes) > MAX_LINE:
                break
            chunk = self._wait()
            if not chunk:
                self.broken_off = self._bytes.decode(self._encoding, "replace")
                return None
            self._bytes += chunk
        at = min(ends, default=MAX_LINE)
        found, end, self._bytes = self._bytes[:at], self._bytes[at : at + 1], self._bytes[at + 1 :]
        self._after_return = end == b"\r"
        return found.decode(self._encoding, "replace")

    def _signalled(self, number: int, frame: FrameType | None) -> None:
        self._signal = number
        if self._waiting:
            self._waiting = False
            raise TypingStoppedError(number)

    def _wait(self) -> bytes:
        self._waiting = True
        try:
            if self._signal:
                raise TypingStoppedError(self._signal)
            return self._stream.read1(4096) if self._stream else b""
        except OSError as error:  # a scale that was unplugged ends the input
            self.failed = error.strerror or str(error)
            return b""
        finally:
            self._waiting = False
