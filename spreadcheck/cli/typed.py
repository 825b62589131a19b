"""Lines as they are typed by a person or sent by a scale, and the signals that end the typing.

A signal never breaks off the saving of an entry: it is noted, and ends the wait for the next line.
"""

from __future__ import annotations

import signal
import threading
from io import BufferedReader
from types import FrameType
from typing import Any

MAX_LINE = 65_536  # bytes without a line end: no person, no scale

_SIGNALS = [number for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if (number := getattr(signal, name, None))]


class TypingStoppedError(Exception):
    """Ctrl-C, an order to end, or a closed terminal; `number` is the signal's."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class Typed:
    """Lines of standard input, one at a time, whatever ends them: line feed, carriage return or both."""

    def __init__(self, stream: BufferedReader | None, encoding: str = "utf-8") -> None:
        self._stream, self._encoding = stream, encoding
        self._waiting, self._signal = False, 0
        self._bytes, self._after_return = b"", False
        self._before: dict[int, Any] = {}
        self._at_terminal = False
        self.broken_off = ""  # what stood after the last line end when the input ended
        self.failed = ""  # why the input can't be read any more

    def __enter__(self) -> Typed:
        self._at_terminal = bool(self._stream and self._stream.isatty())  # asked now: one that has closed is none
        if threading.current_thread() is threading.main_thread():
            heard = [number for number in _SIGNALS if signal.getsignal(number) != signal.SIG_IGN]  # as under nohup
            self._before = {number: signal.signal(number, self._signalled) for number in heard}
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            # a terminal that closes may send its signal behind the end of its input: it must not cut off the way out
            late = self._at_terminal and number == getattr(signal, "SIGHUP", None)
            signal.signal(number, signal.SIG_IGN if late else handler)

    def line(self) -> str | None:
        """The next line without its end, or None when the input has ended; raises `TypingStoppedError` at a signal."""
        if self._signal:
            raise TypingStoppedError(self._signal)
        while (found := self._cut()) is None:
            chunk = self._wait()
            if not chunk:
                self.broken_off = self._text(self._bytes)
                return None
            self._bytes += chunk
        return self._text(found)

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

    def _cut(self) -> bytes | None:
        """The first whole line that has arrived; a line feed right behind a carriage return ends nothing."""
        if self._after_return and self._bytes:
            self._bytes = self._bytes.removeprefix(b"\n")
            self._after_return = False
        ends = [at for end in (b"\n", b"\r") if (at := self._bytes.find(end)) >= 0]
        if not ends and len(self._bytes) <= MAX_LINE:
            return None
        at = min(ends, default=MAX_LINE)
        found, end, self._bytes = self._bytes[:at], self._bytes[at : at + 1], self._bytes[at + 1 :]
        self._after_return = end == b"\r"
        return found

    def _text(self, line: bytes) -> str:
        return line.decode(self._encoding, "replace")
