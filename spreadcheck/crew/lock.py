"""One recorder a sheet, by the system's own lock on a file beside it, and never over somebody else's change."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

from spreadcheck.errors import Fault, OutputError, SheetError, record
from spreadcheck.sheet.cells import MAX_BYTES
from spreadcheck.sheet.files import beside, check_target, write_whole
from spreadcheck.sheet.traysheet import check_ending, read_sheet, sheet_bytes, write_sheet
from spreadcheck.sheet.traytest import TrayTest

_ENDING = "recording"  # of temporary files; made only by who holds the sheet's lock
_COPIES = 99  # copies set aside beside one sheet before it is time to clear up

if sys.platform == "win32":
    import msvcrt

    def _hold(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _hold(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


@record
class KeptSheet:
    """A sheet as it was last read or written here. `digest` is "" while the file does not exist."""

    path: str
    digest: str

    def keep(self, test: TrayTest) -> KeptSheet:
        """Write the test whole over the sheet, unless something else has changed it; the sheet as it stands then."""
        content = sheet_bytes(test, self.path)

        def check() -> None:  # as late as can be: a slow disk takes seconds to write, and others save meanwhile
            if _digest(self.path) != self.digest:
                raise OutputError(Fault(self.path, "was changed by something else", "compare the two"))

        try:
            replaces = bool(self.digest)
            write_whole(self.path, content, overwrite=replaces, is_sheet=True, before=check, ending=_ENDING)
        except OutputError:
            if _digest(self.path) != self.digest:
                raise _changed(self.path, test) from None
            raise
        # of these bytes, not of what is in the file by now
        return KeptSheet(self.path, hashlib.sha256(content).hexdigest())


@contextlib.contextmanager
def lock_sheet(path: str | os.PathLike[str]) -> Iterator[None]:
    """Hold a sheet for this process while it is recorded on."""
    target = Path(os.path.realpath(path))
    check_target(path, overwrite=True, is_sheet=True)
    own = os.access in os.supports_effective_ids
    if target.exists() and target.stat().st_nlink > 1:
        remedy = "record on a copy, or remove the other name"
        raise OutputError(
            Fault(os.fspath(path), "has a second name (a hard link) that would keep the old sheet", remedy)
        )
    if target.exists() and not os.access(target, os.W_OK, effective_ids=own):
        raise OutputError(Fault(os.fspath(path), "is marked as not to be written to", "allow it, or record on a copy"))
    lock = beside(target, "lock")
    handle = _held(lock, os.fspath(path))
    try:
        # what recordings of this sheet have left that were killed while they wrote: nobody else holds the lock
        left = re.compile(re.escape(beside(target, "").name) + rf"[0-9a-f]{{16}}\.{_ENDING}")
        with contextlib.suppress(OSError):
            for entry in target.parent.iterdir():
                if left.fullmatch(entry.name):
                    with contextlib.suppress(OSError):
                        entry.unlink()
        yield
    finally:
        # while it is still held, so that nobody takes one that is about to go; some systems keep an open file's name,
        # and a file that stays holds nothing
        with contextlib.suppress(OSError):
            lock.unlink()
        os.close(handle)


def take_up(path: str | os.PathLike[str]) -> tuple[KeptSheet, TrayTest | None]:
    """A sheet from the disk to go on with, and the test in it."""
    name = os.fspath(path)
    check_ending(name)
    digest = _digest(name)
    if not digest:
        return KeptSheet(name, ""), None
    test = read_sheet(name)
    if zipfile.is_zipfile(name):  # a workbook is written anew, and nothing else: other worksheets would be lost
        from spreadcheck.sheet.workbook import filled_worksheets

        if filled_worksheets(Path(name).read_bytes()) > 1:
            remedy = "copy the tray sheet into a workbook of its own"
            raise SheetError(Fault(name, "holds further worksheets, which a recording would drop", remedy))
    if _digest(name) != digest:
        raise SheetError(Fault(name, "changed while it was being read", "close what else has it open and try again"))
    return KeptSheet(name, digest), test


def _held(lock: Path, shown: str) -> int:
    """The handle of a lock file that this process holds, and that still has its name."""
    while True:
        try:
            handle = os.open(lock, os.O_RDWR | os.O_CREAT, 0o666)
        except OSError as error:
            reason = error.strerror or str(error)
            fault = Fault(shown, f"its folder can't be written to ({reason})", "record in a folder you may write to")
            raise OutputError(fault) from error
        try:
            _hold(handle)
        except OSError as error:
            os.close(handle)
            problem, remedy = f"can't be locked ({error.strerror or error})", "record on a disk of this computer"
            if isinstance(error, (BlockingIOError, PermissionError)):
                problem = "is being recorded on already"
                remedy = "finish the other recording first, or record on another sheet"
            raise OutputError(Fault(shown, problem, remedy)) from error
        with contextlib.suppress(FileNotFoundError):
            if os.path.samestat(os.fstat(handle), os.stat(lock)):
                return handle
        os.close(handle)  # its last holder has just removed it: the name now stands for another file, or for none


def _digest(path: str) -> str:
    """What is in a file, as a fingerprint; "" if there is none."""
    try:
        with open(path, "rb") as file:
            return hashlib.sha256(file.read(MAX_BYTES + 1)).hexdigest()
    except FileNotFoundError:
        return ""
    except OSError as error:
        reason = error.strerror or str(error)
        raise SheetError(Fault(path, f"can't be read ({reason})", "check the file and its disk")) from error


def _changed(path: str, test: TrayTest) -> OutputError:
    """The sheet is not as it was left: it stays so, and what was recorded here is set aside beside it."""
    stem, ending = os.path.splitext(path)
    copies = (f"{stem}.recorded{'' if number == 1 else f'-{number}'}{ending}" for number in range(1, _COPIES + 1))
    copy = next((copy for copy in copies if not os.path.exists(copy)), "")
    remedy = f"what was recorded here is in {copy}; compare the two and keep one"
    try:
        write_sheet(test, copy)
    except (OutputError, SheetError):
        remedy = "what was recorded here could not be set aside; make room beside it"
    return OutputError(
        Fault(path, "was changed or removed by something else during the recording, and was left as it is", remedy)
    )
