"""Recording for real: through a pipe, in a terminal, killed midway, twice at once, on bad disks and bad sheets."""

import contextlib
import errno
import importlib.util
import io
import os
import random
import re
import select
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from spreadcheck.cli import main
from spreadcheck.cli.terminal import MAX_LINE, Typed, TypingStoppedError
from spreadcheck.crew import lock as sheetlock
from spreadcheck.crew.lock import lock_sheet, take_up
from spreadcheck.errors import OutputError, SheetError
from spreadcheck.sheet.traysheet import read_sheet, write_sheet
from spreadcheck.sheet.traytest import CatchState, tray_test

posix = pytest.mark.skipif(os.name != "posix", reason="needs POSIX signals and terminals")
COMMAND = [sys.executable, "-m", "spreadcheck", "record"]
NAN = float("nan")
SHELL = "/bin/sh"  # by its whole name: the tests need nothing but Python on the search path
PATIENCE = 30  # seconds until a session that says nothing counts as hung
DETAILS = "0.5 m\n0.5 m\n3\n1 m\n2\n\nstart\n"


def new_test(trays=5, passes=2):
    offsets = np.arange(trays) - (trays - 1) / 2
    form = {"test": "field", "date": "2026-04-14"}
    return tray_test(offsets, np.full((trays, passes), NAN), tray_width="0.5 m", tray_length="0.5 m", form=form)


@pytest.fixture
def sheet(tmp_path):
    """A sheet with five trays and two passes, nothing weighed."""
    path = tmp_path / "field.csv"
    write_sheet(new_test(), path)
    return path


def flat(text):
    """What is said, whatever lines it is wrapped to."""
    return " ".join(text.split())


def record(path, typed, *options):
    """Record lines to the end of the input: text, bytes, or a stream."""
    return CliRunner().invoke(main, ["record", str(path), *options], input=typed)


class Pieces(io.RawIOBase):
    """A line that brings one piece at a time; one that can be called is done before the next comes."""

    def __init__(self, *pieces):
        self.pieces = list(pieces)

    def readable(self):
        return True

    def readinto(self, room):
        while self.pieces and callable(self.pieces[0]):
            self.pieces.pop(0)()
        piece = self.pieces.pop(0) if self.pieces else b""
        room[: len(piece)] = piece
        return len(piece)


def heed_signals():
    """A run of the tests in the background starts with SIGINT ignored, and its children would inherit that."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@contextlib.contextmanager
def session(path):
    """A recording that is fed line by line; killed at the end if it still runs."""
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "bufsize": 0}
    with subprocess.Popen([*COMMAND, str(path)], **pipes, preexec_fn=heed_signals) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


def heard(process, words):
    """What a session says until these words come."""
    said, end = b"", time.monotonic() + PATIENCE
    while words.encode() not in said:
        assert time.monotonic() < end, f"waited for {words!r}, heard {said!r}"
        ready, _, _ = select.select([process.stdout], [], [], 0.2)
        if ready:
            chunk = os.read(process.stdout.fileno(), 65536)
            assert chunk, f"ended before {words!r}: {said!r}"
            said += chunk
    return said.decode()


def no_leftovers(folder):
    return not [name for name in os.listdir(folder) if name.endswith((".lock", ".part", ".recording"))]


# --- through a pipe --------------------------------------------------------------------------------------------------


def test_a_new_sheet_through_a_pipe(tmp_path):
    path = tmp_path / "field.csv"
    done = subprocess.run(
        [*COMMAND, str(path)],
        input=DETAILS + "5\n12,3 g\n6\n4.8\n\n\nx\n",
        capture_output=True,
        encoding="utf-8",
        timeout=PATIENCE,
        env=os.environ | {"PYTHONIOENCODING": "utf-8"},
        check=True,
    )
    assert done.stderr == ""
    test = read_sheet(path)
    assert test.tray == ("L1", "C", "R1")
    np.testing.assert_array_equal(test.catch, [[5, 4.8], [12.3, NAN], [6, NAN]])
    assert test.state[:, 1].tolist() == [CatchState.WEIGHED, CatchState.NOT_WEIGHED, CatchState.THROWN_OUT]
    assert "Weigh only after the machine has stopped and left the tray line." in done.stdout
    assert "\x1b" not in done.stdout
    assert "\a" not in done.stdout
    assert done.stdout.count("0 +--") == 2  # the bars, once a pass
    assert "all 6 places asked for, 1 left empty (C pass 2)" in flat(done.stdout)
    assert f"spreadcheck analyse {path}" in done.stdout
    assert no_leftovers(tmp_path)


def test_a_recorded_sheet_can_be_analysed(tmp_path):
    path = tmp_path / "field.csv"
    record(path, "0.5 m\n0.5 m\n5\n1 m\n1\n\nstart\n2\n8\n10\n8\n2\n")
    done = CliRunner().invoke(main, ["analyse", str(path)])
    assert done.exit_code == 0
    assert "effective width" in done.stdout.casefold()


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\n\n"], ids=["LF", "CRLF", "CR", "LF LF"])
def test_line_ends_of_scales(sheet, end):
    done = record(sheet, "".join(f"{weight} g{end}" for weight in ("5", "9", "12", "9", "5")))
    assert done.exit_code == 0
    assert read_sheet(sheet).catch[:, 0].tolist() == [5, 9, 12, 9, 5]


def trickle(content):
    """A line from a scale that brings one byte at a time."""
    return Pieces(*(content[at : at + 1] for at in range(len(content))))


@pytest.mark.parametrize(
    ("content", "lines"),
    [
        (b"1\r\n2\r\n", ["1", "2"]),
        (b"1\r2\r", ["1", "2"]),
        (b"1\n\n2\n", ["1", "", "2"]),
        (b"1\r\r\n2\n", ["1", "", "2"]),
        (b"1\n\r\n", ["1", ""]),
        (b"", []),
    ],
)
@pytest.mark.parametrize("stream", [io.BytesIO, trickle])
def test_what_ends_a_line(content, lines, stream):
    typed = Typed(io.BufferedReader(stream(content)))
    found = []
    while (line := typed.line()) is not None:
        found.append(line)
    assert found == lines
    assert typed.broken_off == ""


def test_what_has_no_enter_behind_it_is_not_taken(sheet):
    done = record(sheet, "5\n12")
    assert done.exit_code == 0
    assert done.stderr == '"12" was not taken: no Enter came after it.\n'
    assert "1 of 10 recorded, next is L1, pass 1" in flat(done.stdout)
    assert read_sheet(sheet).catch[0, 0] == 5


def test_going_on_in_a_second_session(sheet):
    record(sheet, "5\nblank\n12\nfinish later\n9\n")
    done = record(sheet, "9\n")
    assert "Going on after the last weight, pass by pass: 2 of 10 recorded. Left empty before it: L1 pass 1." in flat(
        done.stdout
    )
    np.testing.assert_array_equal(read_sheet(sheet).catch[:, 0], [5, NAN, 12, 9, NAN])


def test_bytes_that_are_no_text(sheet):
    done = record(sheet, b"\xff\xfe\x00\x07\n5\n" + b"9" * (MAX_LINE + 9) + b"\n9\n")
    assert done.exit_code == 0
    assert read_sheet(sheet).catch[:2, 0].tolist() == [5, 9]


def test_closed_and_unreadable_input(sheet, tmp_path):
    before = sheet.read_bytes()
    closed = subprocess.run([SHELL, "-c", f"{sys.executable} -m spreadcheck record {sheet} <&-"], capture_output=True)
    assert closed.returncode == 0
    folder = subprocess.run(
        [SHELL, "-c", f"{sys.executable} -m spreadcheck record {sheet} < {tmp_path}"], capture_output=True, text=True
    )
    assert folder.returncode in (0, 1)
    assert "Traceback" not in folder.stderr
    assert sheet.read_bytes() == before


def test_an_output_that_can_show_ascii_only(sheet):
    done = subprocess.run(
        [*COMMAND, str(sheet)],
        input=b"5\n9\n12\n9\n5\n",
        capture_output=True,
        env=os.environ | {"PYTHONIOENCODING": "ascii"},
        check=True,
    )
    assert done.stdout.isascii()
    assert b"####" in done.stdout


def test_a_sheet_of_text_with_the_name_of_a_workbook(sheet, tmp_path):
    """It is read as analyse reads it; the recording makes a workbook of it."""
    pytest.importorskip("openpyxl")
    path = tmp_path / "text.xlsx"
    path.write_bytes(sheet.read_bytes())
    assert record(path, "7\n").exit_code == 0
    assert path.read_bytes().startswith(b"PK")
    assert read_sheet(path).tray == read_sheet(sheet).tray


def test_an_xlsx_sheet(tmp_path):
    pytest.importorskip("openpyxl")
    path = tmp_path / "field.xlsx"
    assert record(path, DETAILS + "5\n9\nnote kicked\n6\n").exit_code == 0
    assert record(path, "4.8\n").exit_code == 0
    test = read_sheet(path)
    np.testing.assert_array_equal(test.catch, [[5, 4.8], [9, NAN], [6, NAN]])
    assert test.note == ("", "", "kicked")


def test_tray_by_tray_and_us_units(sheet):
    done = record(sheet, "5\n5.1\n", "--tray-by-tray", "--units", "us")
    assert "L2, 6.562 ft left, pass 2 of 2" in done.stdout
    assert read_sheet(sheet).catch[0].tolist() == [5, 5.1]
    again = record(sheet, "9\n")
    assert "Going on after the last weight, tray by tray: 2 of 10 recorded. L" in flat(again.stdout)
    np.testing.assert_array_equal(read_sheet(sheet).catch[1], [9, NAN])
    asked = record(sheet, "", "--pass-by-pass").stdout
    assert "Left empty before it: C pass 1, R1 pass 1, R2 pass 1." in flat(asked)


# --- details of a new sheet ------------------------------------------------------------------------------------------


def test_the_sheet_is_on_the_disk_before_the_optional_details(tmp_path):
    path = tmp_path / "field.csv"
    done = record(path, "0.5 m\n0.5 m\n3\n1 m\n2\n\nFirst\n")
    assert done.exit_code == 0
    assert read_sheet(path).name == "First"
    assert f"Saved in {path}: the details so far." in flat(done.stdout)


def test_no_sheet_without_a_tray_line(tmp_path):
    path = tmp_path / "field.csv"
    done = record(path, "0.5 m\n0.5\n")
    assert done.exit_code == 2
    assert '"tray length" has no unit' in done.stdout
    assert done.stderr == (
        f"spreadcheck: {path}: was not made: its tray line is not complete; "
        "start again and answer as far as the unit of the catches\n"
    )
    assert os.listdir(tmp_path) == []


def test_like_another_sheet(sheet, tmp_path):
    record(sheet, "5\n9\n")
    second = tmp_path / "second.csv"
    done = record(second, "Second\nstart\n6\n", "--like", str(sheet))
    assert done.exit_code == 0
    test = read_sheet(second)
    assert test.name == "Second"
    np.testing.assert_array_equal(test.catch[:2, 0], [6, NAN])
    assert record(second, "", "--like", str(sheet)).exit_code == 0


# --- bad sheets and bad disks ----------------------------------------------------------------------------------------


def refused(path, *options):
    """A recording that must be refused at once: exit 2, the message, no change and nothing left behind."""
    before = path.read_bytes() if path.is_file() else None
    done = record(path, "5\n9\n", *options)
    assert done.exit_code == 2, done.stdout
    assert "Traceback" not in done.stderr
    assert (path.read_bytes() if path.is_file() else None) == before
    assert no_leftovers(path.parent)
    return done.stderr


def test_a_sheet_of_another_layout(sheet, tmp_path):
    other = tmp_path / "other.csv"
    write_sheet(new_test(trays=7), other)
    assert refused(sheet, "--like", str(other)) == (
        f"spreadcheck: {sheet}: has another layout than {other}: it has 5 trays, not 7; "
        "record on a new sheet, or leave --like out\n"
    )


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"spreadcheck tray sheet,1\ntray width,0.5,m\n", "tray"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "neither text nor a workbook"),
        (
            b"spreadcheck tray sheet,1\ntray width,0.5,m\ntray length,0.5,m\n\ntray,offset,pass 1\n,m,g\nL1,-1,1o\n",
            "1o",
        ),
    ],
)
def test_a_corrupted_sheet(tmp_path, content, says):
    path = tmp_path / "field.csv"
    path.write_bytes(content)
    message = refused(path)
    assert message.startswith(f"spreadcheck: {path}")
    assert says in message


def test_names_that_no_sheet_can_have(tmp_path):
    assert "give it one of these endings" in refused(tmp_path / "field.txt")
    assert "the folder does not exist" in record(tmp_path / "none" / "field.csv", "").stderr
    folder = tmp_path / "folder.csv"
    folder.mkdir()
    assert refused(folder) == f"spreadcheck: {folder}: is a folder; give a file name\n"


@contextlib.contextmanager
def as_nobody():
    """Root may write anywhere, so become somebody who may not."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@posix
def test_a_read_only_folder():
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "field.csv"
        write_sheet(new_test(), path)
        path.chmod(0o666)
        before = path.read_bytes()
        CliRunner().invoke(main, ["record", "--help"])
        Path(name).chmod(0o555)
        with as_nobody():
            done = record(path, "5\n")
        Path(name).chmod(0o755)
        assert done.exit_code == 2
        assert done.stderr == (
            f"spreadcheck: {path}: its folder can't be written to (Permission denied); "
            "record in a folder you may write to\n"
        )
        assert path.read_bytes() == before


@posix
def test_a_read_only_file():
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "field.csv"
        write_sheet(new_test(), path)
        path.chmod(0o444)
        Path(name).chmod(0o777)
        with as_nobody():
            done = record(path, "5\n")
        assert done.exit_code == 2
        assert "is marked as not to be written to; allow it, or record on a copy" in done.stderr
        assert stat.S_IMODE(path.stat().st_mode) == 0o444


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_full_disk(sheet, monkeypatch, call):
    """The third entry meets a full disk: the two before it stay, the message names the one that is lost."""
    real, saves = getattr(os, call), []

    def full(*arguments):
        if call == "replace" or stat.S_ISREG(os.fstat(arguments[0]).st_mode):
            saves.append(arguments)
            if len(saves) == 3:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(*arguments)

    monkeypatch.setattr(os, call, full)
    done = record(sheet, "5\n9\n12\n9\n")
    assert done.exit_code == 2
    assert done.stderr == (
        f"spreadcheck: {sheet}: can't be written (No space left on device); "
        "choose a folder you may write to, with room on its disk\n"
        f"spreadcheck: {sheet}: C, pass 1: this last entry is not in the sheet; type it again when you go on\n"
    )
    np.testing.assert_array_equal(read_sheet(sheet).catch[:, 0], [5, 9, NAN, NAN, NAN])
    assert no_leftovers(sheet.parent)


@posix
@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root can mount a small disk")
def test_a_disk_that_is_really_full(tmp_path):
    disk = tmp_path / "disk"
    disk.mkdir()
    mount, unmount = (shutil.which(name, path=os.defpath) for name in ("mount", "umount"))
    if not mount or not unmount:
        pytest.skip("there is no mount command here")
    mounted = subprocess.run([mount, "-t", "tmpfs", "-o", "size=64k", "none", str(disk)], capture_output=True)
    if mounted.returncode:
        pytest.skip("mounting is not allowed here")
    try:
        path = disk / "field.csv"
        write_sheet(new_test(), path)
        record(path, "5\n")
        before = path.read_bytes()
        with contextlib.suppress(OSError), open(disk / "filler", "wb", buffering=0) as filler:
            while True:
                filler.write(b"x" * 4096)
        done = record(path, "9\n")
        assert done.exit_code == 2
        assert "can't be written (No space left on device)" in done.stderr
        assert "L1, pass 1: this last entry is not in the sheet" in done.stderr
        assert path.read_bytes() == before
        (disk / "filler").unlink()
        assert record(path, "9\n").exit_code == 0
        assert read_sheet(path).catch[:2, 0].tolist() == [5, 9]
    finally:
        subprocess.run([unmount, str(disk)], check=True)


@pytest.mark.parametrize("change", ["edited", "removed"])
def test_a_sheet_that_something_else_changes(sheet, change):
    """The other change stays, and what was recorded here is set aside beside it."""
    edited = sheet.read_bytes().replace(b"L2,", b"L2 wet,")
    act = sheet.unlink if change == "removed" else lambda: sheet.write_bytes(edited)
    done = record(sheet, io.BufferedReader(Pieces(b"5\n", act, b"9\n", b"12\n")))
    assert done.exit_code == 2
    assert not sheet.exists() if change == "removed" else sheet.read_bytes() == edited
    aside = read_sheet(sheet.with_name("field.recorded.csv"))
    np.testing.assert_array_equal(aside.catch[:3, 0], [5, 9, NAN])
    assert no_leftovers(sheet.parent)


@posix
@pytest.mark.parametrize("window", ["the weights are on the way to the disk", "the new name is on the way to it"])
def test_another_save_on_a_slow_disk(sheet, monkeypatch, window):
    """A disk that takes its time: another program saves while one entry is written, before or after the rename."""
    theirs, real = sheet.read_bytes().replace(b"L2,", b"L2 wet,"), os.fsync
    on_file, synced = window == "the weights are on the way to the disk", []

    def slow(handle):
        real(handle)
        if stat.S_ISREG(os.fstat(handle).st_mode) == on_file:
            synced.append(handle)
            if len(synced) == 2:  # while the second entry is saved
                sheet.write_bytes(theirs)

    monkeypatch.setattr(os, "fsync", slow)
    done = record(sheet, "5\n9\n12\n")
    assert done.exit_code == 2
    assert f"{sheet}: was changed or removed by something else" in done.stderr
    assert sheet.read_bytes() == theirs
    typed = [5, 9] if on_file else [5, 9, 12]  # the change is seen at the entry that meets it
    aside = read_sheet(sheet.with_name("field.recorded.csv"))
    assert aside.catch[: len(typed), 0].tolist() == typed
    assert no_leftovers(sheet.parent)


def test_a_sheet_that_appears_while_a_new_one_is_written(tmp_path, monkeypatch):
    """Two crews start the same new sheet on a shared disk: the second is told, and keeps what it typed."""
    path, real = tmp_path / "field.csv", os.link

    def late(source, target):
        if os.fspath(target).endswith("field.csv") and not path.exists():
            path.write_bytes(b"theirs")
        return real(source, target)

    monkeypatch.setattr(os, "link", late)
    kept, _ = take_up(path)
    with pytest.raises(OutputError, match=r"left as it is; what was recorded here is in .*field\.recorded\.csv"):
        kept.keep(new_test())
    assert path.read_bytes() == b"theirs"
    assert read_sheet(tmp_path / "field.recorded.csv") == new_test()


def test_a_disk_without_links(tmp_path, monkeypatch):
    """A memory stick knows no links: a new sheet is made all the same, and still replaces nothing."""
    monkeypatch.setattr(os, "link", lambda *_: (_ for _ in ()).throw(PermissionError(errno.EPERM, "no links")))
    path = tmp_path / "field.csv"
    write_sheet(new_test(), path)
    with pytest.raises(OutputError, match="exists already"):
        write_sheet(new_test(), path)
    assert os.listdir(tmp_path) == ["field.csv"]


def test_what_is_said_about_a_changed_sheet(sheet):
    kept, test = take_up(sheet)
    sheet.write_text("mine")
    (sheet.parent / "field.recorded.csv").write_text("older")
    with pytest.raises(OutputError) as caught:
        kept.keep(test)
    assert str(caught.value) == (
        f"{sheet}: was changed or removed by something else during the recording, and was left as it is; "
        f"what was recorded here is in {sheet.parent / 'field.recorded-2.csv'}; compare the two and keep one"
    )
    assert sheet.read_text() == "mine"
    assert (sheet.parent / "field.recorded.csv").read_text() == "older"


def test_a_sheet_that_changes_while_it_is_read(sheet, monkeypatch):
    def slow(path):
        test = read_sheet(path)
        sheet.write_text(sheet.read_text() + "\n")
        return test

    monkeypatch.setattr("spreadcheck.crew.lock.read_sheet", slow)
    with pytest.raises(SheetError, match="changed while it was being read"):
        take_up(sheet)


# --- one recorder a sheet --------------------------------------------------------------------------------------------


@posix
def test_two_recordings_of_one_sheet(sheet):
    with session(sheet) as first:
        heard(first, "L2, 2 m left")
        link = sheet.parent / "same.csv"
        link.symlink_to(sheet)
        for name in (sheet, link):
            second = record(name, "5\n")
            assert second.exit_code == 2
            assert second.stderr == (
                f"spreadcheck: {name}: is being recorded on already; "
                "finish the other recording first, or record on another sheet\n"
            )
        first.stdin.write(b"6\n")
        heard(first, "L1, 1 m left")
        assert read_sheet(sheet).catch[0, 0] == 6
        first.kill()
        first.wait(PATIENCE)
    assert (sheet.parent / ".field.csv.lock").exists()  # the dead one's file is still there, and holds nothing
    assert record(sheet, "9\n").exit_code == 0
    assert read_sheet(sheet).catch[:2, 0].tolist() == [6, 9]
    assert no_leftovers(sheet.parent)


@posix
def test_two_hard_links_are_one_sheet(sheet):
    """A save gives the new content one of the two names: the other would be a second sheet with half of the weights."""
    second = sheet.with_name("same.csv")
    second.hardlink_to(sheet)
    before = sheet.read_bytes()
    for name in (sheet, second):
        done = record(name, "5\n")
        assert done.exit_code == 2
        assert done.stderr == (
            f"spreadcheck: {name}: has a second name (a hard link) that would keep the old sheet; "
            "record on a copy, or remove the other name\n"
        )
    assert sheet.read_bytes() == second.read_bytes() == before
    second.unlink()
    assert record(sheet, "5\n").exit_code == 0


def test_only_what_dead_recordings_left_is_cleared(sheet):
    dead = sheet.with_name(".field.csv.0123456789abcdef.recording")
    others = [
        ".field.csv.0123456789abcdef.part",  # of a command that may be at work
        ".field.csv.0123456789abcdeg.recording",
        ".field.csv.recording",
        "field.csv.0123456789abcdef.recording",
        ".field2.csv.0123456789abcdef.recording",
    ]
    for name in (dead.name, *others):
        sheet.with_name(name).write_bytes(b"half")
    with lock_sheet(sheet):
        assert not dead.exists()
    assert sorted(os.listdir(sheet.parent)) == sorted(["field.csv", *others])


@posix
def test_nobody_can_prepare_the_temporary_file(sheet, monkeypatch):
    """Its name is random, and a link that waits under it is not followed."""
    monkeypatch.setattr("os.urandom", bytes)  # so many zeros
    target = sheet.with_name("mine.txt")
    target.write_bytes(b"mine")
    trap = sheet.with_name(".field.csv.0000000000000000.part")
    trap.symlink_to(target)
    with pytest.raises(OutputError):
        write_sheet(new_test(), sheet, overwrite=True)
    assert target.read_bytes() == b"mine"


def test_the_lock_of_windows(sheet, monkeypatch):
    """A double of Windows: its lock is refused while another handle has it, and an open file keeps its name."""
    held, closed, unlinked = set(), os.close, Path.unlink

    class Msvcrt:
        LK_NBLCK = 2

        @staticmethod
        def locking(handle, mode, size):
            assert (mode, size) == (Msvcrt.LK_NBLCK, 1)
            key = os.fstat(handle).st_ino
            if key in {inode for _, inode in held}:
                raise PermissionError(errno.EACCES, "Permission denied")
            held.add((handle, key))

    def close(handle):
        held.difference_update({entry for entry in held if entry[0] == handle})
        closed(handle)

    def unlink(path, missing_ok=False):
        if path.exists() and os.stat(path).st_ino in {inode for _, inode in held}:
            raise PermissionError(errno.EACCES, "in use by another process")
        unlinked(path, missing_ok)

    monkeypatch.setitem(sys.modules, "msvcrt", Msvcrt)
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(os, "close", close)
    monkeypatch.setattr(Path, "unlink", unlink)
    windows = importlib.util.module_from_spec(importlib.util.find_spec("spreadcheck.crew.lock"))
    monkeypatch.setitem(sys.modules, windows.__name__, windows)  # dataclasses look their module up
    windows.__spec__.loader.exec_module(windows)
    for _ in range(2):  # the file that stays behind holds nothing
        with windows.lock_sheet(sheet):
            with pytest.raises(OutputError, match="being recorded on already"), windows.lock_sheet(sheet):
                pytest.fail("held twice")
            kept, test = windows.take_up(sheet)
            kept.keep(test)
        assert not held
    assert sorted(os.listdir(sheet.parent)) == [".field.csv.lock", "field.csv"]


def test_the_lock_is_free_again(sheet):
    for _ in range(2):
        with lock_sheet(sheet), pytest.raises(OutputError, match="being recorded on already"), lock_sheet(sheet):
            pytest.fail("held twice")


@posix
def test_a_lock_file_that_goes_while_one_waits_for_it(sheet, monkeypatch):
    """The holder before removes its lock file as it leaves; who had opened that one takes the new name instead."""
    real, lock = sheetlock._hold, sheet.with_name(".field.csv.lock")
    tries = []

    def late(handle):
        if not tries:
            lock.unlink()
        tries.append(handle)
        real(handle)

    monkeypatch.setattr(sheetlock, "_hold", late)
    with lock_sheet(sheet):
        assert lock.exists()
        assert len(tries) == 2
        with pytest.raises(OutputError, match="being recorded on already"), lock_sheet(sheet):
            pytest.fail("held twice")


@posix
def test_many_at_once_and_only_one_gets_in(sheet):
    """Four start together: each one is either refused and told so, or its weight is in the sheet."""
    crowd = [
        subprocess.Popen([*COMMAND, str(sheet)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        for _ in range(4)
    ]
    ends = [process.communicate(b"7\n", PATIENCE) for process in crowd]
    accepted = sum(out.count(b": 7 g") for out, _ in ends)
    refusals = sum(b"being recorded on already" in error for _, error in ends)
    assert accepted + refusals == len(crowd)
    assert accepted >= 1
    assert (read_sheet(sheet).state == CatchState.WEIGHED).sum() == accepted


# --- killed, ended, interrupted --------------------------------------------------------------------------------------


@posix
def test_killed_in_the_middle(sheet):
    """Each entry is on the disk when the next is asked; kill -9 loses the one being typed, and no other."""
    with session(sheet) as process:
        heard(process, "L2, 2 m left")
        for weight, then in (("5", "L1, 1 m left"), ("9", "C, on the centre line"), ("12", "R1, 1 m right")):
            process.stdin.write(f"{weight}\n".encode())
            heard(process, then)
            assert float(weight) in read_sheet(sheet).catch
        process.stdin.write(b"8.")
        time.sleep(0.2)
        process.send_signal(signal.SIGKILL)
        assert process.wait(PATIENCE) == -signal.SIGKILL
    np.testing.assert_array_equal(read_sheet(sheet).catch[:, 0], [5, 9, 12, NAN, NAN])
    done = record(sheet, "9\n5\n")
    assert "3 of 10 recorded" in done.stdout
    assert read_sheet(sheet).catch[:, 0].tolist() == [5, 9, 12, 9, 5]


@posix
def test_killed_at_any_moment(tmp_path):
    """Wherever the kill falls, also inside a save, the sheet can be read and holds every entry that was confirmed."""
    path = tmp_path / "field.csv"
    write_sheet(new_test(trays=401, passes=2), path)
    weights = [f"{10 + 0.01 * at:.2f}" for at in range(802)]
    chance = random.Random(3)
    total = 0
    for _ in range(6):
        at = int((read_sheet(path).state == CatchState.WEIGHED).sum())
        with session(path) as process:
            heard(process, "Type help")
            os.set_blocking(process.stdin.fileno(), False)
            process.stdin.write("".join(f"{weight}\n" for weight in weights[at : at + 200]).encode())
            time.sleep(chance.uniform(0.05, 0.5))
            process.kill()
            said = process.stdout.read().decode()
            process.wait(PATIENCE)
        order = read_sheet(path).catch.T.ravel()
        count = int((~np.isnan(order)).sum())
        assert order[:count].tolist() == [float(weight) for weight in weights[:count]]
        confirmed = at + said.count(" g\n")
        assert confirmed <= count <= confirmed + 1  # saved, and killed before it was confirmed
        total = count
    assert total > 6


@posix
@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129)])
def test_ended_by_a_signal(sheet, number, code):
    before = signal.signal(number, signal.default_int_handler)  # a run in the background starts with SIGINT ignored
    try:
        done = record(sheet, io.BufferedReader(Pieces(b"5\n", lambda: os.kill(os.getpid(), number), b"9\n")))
    finally:
        signal.signal(number, before)
    assert done.exit_code == code
    assert f"Saved in {sheet}: 1 of 10 recorded, next is L1, pass 1." in flat(done.stdout)
    assert f"spreadcheck record {sheet}" in done.stdout.split("To go on:")[1]
    np.testing.assert_array_equal(read_sheet(sheet).catch[:, 0], [5, NAN, NAN, NAN, NAN])
    assert no_leftovers(sheet.parent)


@posix
def test_a_signal_never_breaks_off_a_save(sheet, monkeypatch):
    """Ctrl-C in the middle of writing: the entry is saved whole, and the recording ends then."""
    real, before = os.replace, signal.signal(signal.SIGINT, signal.default_int_handler)

    def interrupted(*arguments):
        os.kill(os.getpid(), signal.SIGINT)
        return real(*arguments)

    monkeypatch.setattr(os, "replace", interrupted)
    try:  # a run in the background starts with SIGINT ignored
        done = record(sheet, "5\n9\n")
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        signal.signal(signal.SIGINT, before)
    assert done.exit_code == 130
    np.testing.assert_array_equal(read_sheet(sheet).catch[:, 0], [5, NAN, NAN, NAN, NAN])
    assert "1 of 10 recorded, next is L1, pass 1" in flat(done.stdout)


@posix
def test_what_was_ignored_stays_ignored():
    """Who starts a recording of a scale with nohup means it to outlive the terminal."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with Typed(io.BufferedReader(io.BytesIO(b"1\n"))) as typed:
            os.kill(os.getpid(), signal.SIGHUP)
            assert typed.line() == "1"
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


@posix
def test_a_signal_between_two_lines_ends_the_wait():
    with Typed(io.BufferedReader(io.BytesIO(b"1\n2\n"))) as typed:
        assert typed.line() == "1"
        os.kill(os.getpid(), signal.SIGTERM)
        with pytest.raises(TypingStoppedError) as stop:
            typed.line()
    assert stop.value.number == signal.SIGTERM


# --- in a terminal ---------------------------------------------------------------------------------------------------


class Terminal:
    """A recording in a real pseudo-terminal of 80 by 24."""

    def __init__(self, *arguments):
        import fcntl
        import pty
        import struct
        import termios

        self.pid, self.handle = pty.fork()
        if self.pid == 0:
            heed_signals()
            os.environ.update(TERM="xterm", PYTHONIOENCODING="utf-8")
            os.execv(COMMAND[0], [*COMMAND, *arguments])
        fcntl.ioctl(self.handle, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.said = ""

    def type(self, keys, then):
        """Press keys, and wait until these words are shown; what was shown since the keys were pressed."""
        os.write(self.handle, keys.encode())
        start, end = len(self.said), time.monotonic() + PATIENCE
        while then not in self.said[start:]:
            assert time.monotonic() < end, f"waited for {then!r}, saw {self.said[start:]!r}"
            ready, _, _ = select.select([self.handle], [], [], 0.2)
            if ready:
                try:
                    self.said += os.read(self.handle, 65536).decode(errors="replace").replace("\r\n", "\n")
                except OSError:  # the other end is closed
                    break
        return self.said[start:]

    def exit_code(self, *, hang_up=False):
        while not hang_up and select.select([self.handle], [], [], PATIENCE)[0]:
            try:
                if not os.read(self.handle, 65536):
                    break
            except OSError:  # the other end is closed
                break
        os.close(self.handle)
        return os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])


@posix
def test_a_session_in_a_terminal(sheet):
    terminal = Terminal(str(sheet))
    first = terminal.type("", "L2, 2 m left, pass 1 of 2, tray 1 of 5 [g]:")
    assert "\x1b[2J" in first
    assert "██      ██████     2 m left" in first
    terminal.type("5\n", "L1, 1 m left")
    terminal.type("120\n", "at least ten times its neighbour")
    terminal.type("12\n", "C, on the centre line")
    page = terminal.type("help\n", "C, on the centre line, pass 1 of 2, tray 3 of 5 [g]:").split("\x1b[2J")[-1]
    assert len(page.splitlines()) <= 24
    assert "finish later" in page
    assert "> ." in terminal.type("show\n", "tray 3 of 5 [g]:")
    page = terminal.type("12.3\n", "R1, 1 m right").split("\x1b[2J\x1b[1;1H")[-1]
    assert "█" in page
    assert page.splitlines()[0].endswith(" - 3 of 10 recorded")
    assert max(map(len, page.splitlines())) <= 80
    end = terminal.type("\x04", "To go on:")
    assert "3 of 10 recorded" in flat(end)
    assert terminal.exit_code() == 0
    assert read_sheet(sheet).catch[:3, 0].tolist() == [5, 12, 12.3]


@posix
def test_a_sheet_without_a_name_is_asked_for_it_before_the_first_weight(tmp_path):
    """As one made by `plan --sheet` or `--into`, row by row in its place; through a pipe come weights alone."""
    sheet = tmp_path / "next.csv"
    form = {"Test": "", "machine": "Trailed twin-disc"}
    write_sheet(tray_test([-1, 0, 1], [NAN] * 3, tray_width="0.5 m", tray_length="0.5 m", form=form), sheet)
    assert record(sheet, "5\nback\nblank\n").stdout.count("Test (") == 0
    terminal = Terminal(str(sheet), "--plain")
    assert "has no name or date of the test yet." in flat(terminal.type("", "Test (Enter to skip): "))
    weight = terminal.type("12.3 g\n", "Test (Enter to skip): ")  # a scale that types like a keyboard
    assert '"12.3 g" is a weight and no name; name the test in words, or type start.' in flat(weight)
    terminal.type("Second run\n", "Date (year-month-day; Enter to skip): ")
    terminal.type("2026-04-15\n", "tray 1 of 3 [g]:")
    terminal.type("5\n", "tray 2 of 3 [g]:")
    terminal.type("finish\n", "To go on:")
    assert terminal.exit_code() == 0
    test = read_sheet(sheet)
    assert [(row.label, row.value) for row in test.form][2:4] == [
        ("test", "Second run"),
        ("machine", "Trailed twin-disc"),
    ]
    assert (test.text("date"), test.catch[0, 0]) == ("2026-04-15", 5)
    again = Terminal(str(sheet), "--plain")  # where a weight stands nothing is asked any more
    assert "Test (" not in again.type("", "tray 2 of 3 [g]:")
    again.exit_code(hang_up=True)


@posix
def test_control_c_in_a_terminal(sheet):
    terminal = Terminal(str(sheet))
    terminal.type("", "tray 1 of 5 [g]:")
    terminal.type("5\n", "tray 2 of 5 [g]:")
    assert "1 of 10 recorded, next is L1, pass 1" in flat(terminal.type("12\x03", "To go on:"))
    assert terminal.exit_code() == 130
    assert read_sheet(sheet).catch[0, 0] == 5


@posix
def test_a_terminal_that_is_closed(sheet):
    terminal = Terminal(str(sheet))
    terminal.type("", "tray 1 of 5 [g]:")
    terminal.type("5\n", "tray 2 of 5 [g]:")
    assert terminal.exit_code(hang_up=True) == 129
    assert read_sheet(sheet).catch[0, 0] == 5
    assert no_leftovers(sheet.parent)


@posix
def test_output_that_nobody_reads(sheet):
    """The reader of a pipe goes away: the recording ends, saved, without a traceback."""
    done = subprocess.run(
        [
            SHELL,
            "-c",
            f"(echo 5; sleep 1; echo 9; sleep 1; echo 12) | {' '.join(COMMAND)} {sheet} | sed '/pass 1: 5 g/q'",
        ],
        env=os.environ | {"PATH": os.defpath},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == f"spreadcheck: the output was closed; what was recorded is in {sheet}\n"
    assert read_sheet(sheet).catch[0, 0] == 5
    assert no_leftovers(sheet.parent)


@posix
def test_plain_lines_in_a_terminal(sheet):
    terminal = Terminal(str(sheet), "--plain")
    terminal.type("", "tray 1 of 5 [g]:")
    terminal.type("5\n", "tray 2 of 5 [g]:")
    terminal.type("finish\n", "To go on:")
    assert terminal.exit_code() == 0
    assert "\x1b" not in terminal.said
    assert terminal.said.isascii()


@pytest.mark.parametrize("terminal", [False, pytest.param(True, marks=posix)])
def test_no_words_are_wider_than_80_columns(tmp_path, monkeypatch, terminal):
    """Nor is a command to copy ever cut: one that is too long for the line has a line of its own."""
    monkeypatch.chdir(tmp_path)
    name = "a-test-of-the-machine-with-a-long-name-after-the-new-vanes.csv"
    test = tray_test([-2, -1, 0, 1, 2], np.full((5, 2), NAN), tray_width="0.5 m", tray_length="0.5 m")
    write_sheet(test, name)
    typed = ["5", "-3", "900", "!", *["blank"] * 8, "perhaps"]
    if terminal:
        shown = Terminal(name, "--plain")
        shown.type("", "Test (Enter to skip):")
        shown.type("start\n", "tray 1 of 5 [g]:")
        for line in typed:
            shown.type(f"{line}\n", ":")
        shown.type("finish\n", "To judge the test:")
        shown.exit_code()
        said = re.sub(r"(\[g\]|show): ", r"\1:\n", shown.said.replace("\r", ""))  # Enter is not echoed here
    else:
        said = record(name, "".join(f"{line}\n" for line in typed)).output
    assert "Saved in" in said
    wide = [line for line in said.splitlines() if len(line) > 80]
    assert wide in ([], [f"  spreadcheck record {name}"], [f"  spreadcheck analyse {name}"])


# --- the page in docs ------------------------------------------------------------------------------------------------


def test_the_recording_in_the_docs_is_a_real_one(tmp_path, monkeypatch):
    """docs/recording.md shows exactly what its typed lines lead to, and the sheet that comes of them."""
    text = (Path(__file__).parents[2] / "docs" / "recording.md").read_text(encoding="utf-8")
    section = text.split("## A recording, line by line")[1].split("\n## ")[0]
    lead, shown, _, sheet_shown, _ = section.split("```")
    listed = lead[lead.index("does not show:") :]
    typed = [part.strip("`") for part in re.findall(r"`[^`]+`|\bEnter\b", listed)]
    typed = ["" if part == "Enter" else part for part in typed]
    monkeypatch.chdir(tmp_path)
    done = record("field.csv", "".join(f"{line}\n" for line in typed))
    assert done.stdout.strip() == shown.strip()
    assert Path("field.csv").read_text(encoding="utf-8").strip() == sheet_shown.strip()
