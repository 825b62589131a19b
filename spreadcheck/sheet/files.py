"""Files are written whole or not at all, and nothing is written over a tray sheet but a tray sheet."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import stat
from collections.abc import Callable
from pathlib import Path

from spreadcheck.errors import Fault, OutputError
from spreadcheck.sheet.cells import BOOKS, TITLE

_TITLE = re.compile(rb'[\s"]*' + TITLE.encode(), re.IGNORECASE)
BOOK_ENDINGS = (".xlsx", ".xlsm", ".xls", ".ods")
_LONGEST = 150  # bytes of a name that goes into the name of a hidden file beside it


def write_whole(
    path: str | os.PathLike[str],
    data: str | bytes,
    *,
    overwrite: bool = False,
    is_sheet: bool = False,
    before: Callable[[], None] | None = None,
    ending: str = "part",
) -> None:
    """Write a file so that a power cut leaves either the old one or the new one, never a half."""
    check_target(path, overwrite=overwrite, is_sheet=is_sheet)
    name, target = os.fspath(path), Path(os.path.realpath(path))
    temporary = beside(target, f"{os.urandom(8).hex()}.{ending}")
    try:
        # a new file that nobody else can have opened before, whole on the disk
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
        with os.fdopen(handle, "wb") as file:
            file.write(data.encode("utf-8") if isinstance(data, str) else data)
            file.flush()
            os.fsync(file.fileno())
        with contextlib.suppress(FileNotFoundError):  # who may read and write the old file may do so with the new one
            old = target.stat()
            with contextlib.suppress(OSError, AttributeError):
                os.chown(temporary, old.st_uid, old.st_gid)
            os.chmod(temporary, stat.S_IMODE(old.st_mode))
        if before:
            before()
        _take_name(temporary, target, overwrite)
    except FileExistsError:
        raise _exists(name) from None
    except OSError as error:
        reason = error.strerror or str(error)
        remedy = "choose a folder you may write to, with room on its disk"
        raise OutputError(Fault(name, f"can't be written ({reason})", remedy)) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()


def check_target(path: str | os.PathLike[str], *, overwrite: bool = False, is_sheet: bool = False) -> None:
    """Say early, before any long work, that a file can't go where it is wanted."""
    name = os.fspath(path)
    try:
        mode = os.stat(Path(path)).st_mode
    except (FileNotFoundError, NotADirectoryError):
        if not os.path.isdir(os.path.dirname(os.path.realpath(path))):
            raise OutputError(Fault(name, "the folder does not exist", "make it first or choose another")) from None
        return
    except (OSError, ValueError) as error:  # such as a name that is too long
        reason = getattr(error, "strerror", None) or str(error)
        raise OutputError(Fault(name, f"can't be written ({reason})", "choose another name")) from error
    if stat.S_ISDIR(mode):
        raise OutputError(Fault(name, "is a folder", "give a file name"))
    if not stat.S_ISREG(mode):
        raise OutputError(Fault(name, "is not a plain file", "give the name of a file, or - for standard output"))
    if not is_sheet and is_sheet_file(os.path.realpath(path)):
        remedy = "choose another name: nothing is ever written over one but a tray sheet"
        raise OutputError(Fault(name, "is a tray sheet or a workbook", remedy))
    if not overwrite:
        raise _exists(name)


def is_sheet_file(path: str | os.PathLike[str]) -> bool:
    """Whether a plain file looks like a tray sheet: it starts as one, or it is a workbook that may hold one."""
    try:
        with open(path, "rb") as file:
            start = file.read(256)
    except OSError:
        return True
    text = start.removeprefix(b"\xef\xbb\xbf").removeprefix(b"\xff\xfe").removeprefix(b"\xfe\xff").replace(b"\0", b"")
    is_book = start.startswith(BOOKS) and os.fspath(path).casefold().endswith(BOOK_ENDINGS)
    return is_book or _TITLE.match(text) is not None


def beside(target: Path, ending: str) -> Path:
    """The hidden file beside a target that ends so; a name too long for that is replaced by its fingerprint."""
    own = os.fsencode(target.name)
    stem = target.name if len(own) <= _LONGEST else hashlib.sha256(own).hexdigest()[:32]
    return target.with_name(f".{stem}.{ending}")


def _exists(name: str) -> OutputError:
    remedy = "add --overwrite to replace it, or choose another name"
    if is_sheet_file(name):
        remedy = "choose another name: it is a tray sheet, and --overwrite would lose the weights it may hold"
    return OutputError(Fault(name, "exists already", remedy))


def _take_name(temporary: Path, target: Path, overwrite: bool) -> None:
    """Give a file its name; where it may replace nothing, a link does that in one step on disks that know links."""
    linked = False
    if not overwrite:
        try:
            os.link(temporary, target)
            linked = True
        except (OSError, AttributeError, NotImplementedError):
            if target.exists():
                raise FileExistsError from None
    if not linked:
        os.replace(temporary, target)
    with contextlib.suppress(OSError, AttributeError):  # the name itself on the disk, where a folder can be synced
        handle = os.open(target.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
