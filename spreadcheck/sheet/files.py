"""Files are written whole or not at all: a temporary file beside the target, synced, then renamed over it.

1. `write_whole`   one file, kept as it was if anything goes wrong
"""

from __future__ import annotations

import contextlib
import os
import stat
from pathlib import Path

from spreadcheck.errors import Fault, OutputError


def write_whole(path: str | os.PathLike[str], data: str | bytes, *, overwrite: bool = False) -> None:
    """Write a file so that a power cut leaves either the old one or the new one, never a half.

    Parameters
    ----------
    path : str or path-like
        Where to write. [-]
    data : str or bytes
        What to write; text is written as UTF-8 with the line ends it has. [-]
    overwrite : bool
        Whether a file that is there already may be replaced. [-]

    Returns
    -------
    None
        Nothing; when it returns, the data is on the disk. [-]

    Raises
    ------
    OutputError
        If the file exists and may not be replaced, or the folder, disk or permissions refuse; nothing was changed.

    Examples
    --------
    >>> import tempfile; folder = tempfile.TemporaryDirectory()
    >>> target = Path(folder.name) / "widths.csv"
    >>> write_whole(target, "width\\n"); target.read_text()
    'width\\n'
    >>> folder.cleanup()
    """
    target = Path(os.path.realpath(path))
    check_target(target, shown=os.fspath(path), overwrite=overwrite)
    content = data.encode("utf-8") if isinstance(data, str) else data
    temporary = target.with_name(f".{target.name[:200]}.{os.getpid()}.part")
    try:
        _write_synced(temporary, content)
        if target.exists():
            os.chmod(temporary, stat.S_IMODE(target.stat().st_mode))
        os.replace(temporary, target)
        _sync_folder(target.parent)
    except OSError as error:
        with contextlib.suppress(OSError):
            temporary.unlink()
        reason = error.strerror or str(error)
        raise OutputError(
            Fault(
                os.fspath(path),
                f"can't be written ({reason})",
                "choose a folder you may write to, with room on its disk",
            )
        ) from error


def check_target(path: str | os.PathLike[str], *, shown: str = "", overwrite: bool = False) -> None:
    """Say early, before any long work, that a file can't go where it is wanted.

    Parameters
    ----------
    path : str or path-like
        Where something will be written. [-]
    shown : str
        How the message names it; the path itself if empty. [-]
    overwrite : bool
        Whether a file that is there already may be replaced. [-]

    Returns
    -------
    None
        Nothing, if the file can be written as far as one can tell. [-]

    Raises
    ------
    OutputError
        If the folder is missing, the path is a folder, or a file is there that may not be replaced.

    Examples
    --------
    >>> check_target("/no such folder/x.csv")
    Traceback (most recent call last):
    ...
    spreadcheck.errors.OutputError: /no such folder/x.csv: the folder does not exist; make it first or choose another
    """
    target = Path(path)
    name = shown or os.fspath(path)
    if target.is_dir():
        raise OutputError(Fault(name, "is a folder", "give a file name"))
    if not target.parent.is_dir():
        raise OutputError(Fault(name, "the folder does not exist", "make it first or choose another"))
    if target.exists() and not target.is_file():
        raise OutputError(Fault(name, "is not a plain file", "give the name of a file, or - for standard output"))
    if target.exists() and not overwrite:
        raise OutputError(Fault(name, "exists already", "add --overwrite to replace it, or choose another name"))


def _write_synced(path: Path, content: bytes) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0), 0o666)
    with os.fdopen(handle, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    """Put the rename itself on the disk, where the system lets a folder be synced."""
    with contextlib.suppress(OSError, AttributeError):
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
