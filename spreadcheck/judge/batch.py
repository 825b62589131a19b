"""All tray sheets below a folder -> a row a sheet, over all cores, in the same order; a bad one doesn't stop them."""

from __future__ import annotations

import contextlib
import json
import math
import os
import signal
import stat
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from functools import partial
from itertools import chain, islice
from pathlib import Path
from typing import Any

import numpy as np

from spreadcheck.errors import Fault, OutputError, SheetError, SpreadcheckError, record, told
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.sheet.cells import unread
from spreadcheck.sheet.files import BOOK_ENDINGS, is_sheet_file
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traysheet import read_sheet, worksheets_of

ENDINGS = (".csv", ".txt", ".tsv", *BOOK_ENDINGS)
_SHEETS_A_TASK = 32
_TASKS_AHEAD = 8  # a core: enough to keep it busy, few enough to keep memory flat

COLUMNS = (
    "sheet", "test", "date", "machine", "product", "trays", "passes",
    *(f"effective_width_back_and_forth{end}_m" for end in ("", "_least", "_most")),
    *(f"effective_width_round_and_round{end}_m" for end in ("", "_least", "_most")),
    "bout_width_m", "driving", "cv_back_and_forth_pct", "cv_round_and_round_pct", "verdict", "blocking",
    "advised_width_back_and_forth_m", "advised_width_round_and_round_m", "within_limit", "mean_kg_ha", "centre_m",
    "left_share_pct", "warnings",
)  # fmt: skip


@record
class SheetResult:
    """What became of one of the `of` tray sheets in a `file`: a row under `COLUMNS`, or the faults that were found."""

    sheet: str
    row: dict[str, Any] | None
    faults: tuple[str, ...] = ()
    file: str = ""
    of: int = 1


@record
class BatchOptions:
    """What is asked of every sheet. Limit in %, bout width in m (the sheet's own if None)."""

    limit_pct: float = CV_LIMIT_PCT
    bout_width_m: float | None = None
    tails: str = "taper"


def find_sheets(folder: str | os.PathLike[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The tray sheets below a folder, by their names relative to it and in order; and what looked like one but isn't.

    A text file is a tray sheet if it starts as one; a workbook is taken for one. Hidden files are passed over.

    Parameters
    ----------
    folder : str or path-like
        Where to look. [-]

    Returns
    -------
    tuple of tuple of str
        Tray sheets, and other files with an ending that a sheet could have. [-]

    Raises
    ------
    OutputError
        If there is no such folder.

    Examples
    --------
    >>> find_sheets("no such folder")
    Traceback (most recent call last):
    ...
    spreadcheck.errors.OutputError: no such folder: is not a folder; give the folder that holds the tray sheets
    """
    root = Path(folder)
    if not os.fspath(folder) or not os.path.isdir(root):  # an empty name would mean the folder one stands in
        raise OutputError(
            Fault(os.fspath(folder) or '""', "is not a folder", "give the folder that holds the tray sheets")
        )
    closed: list[Path] = []  # folders that can't be looked into; each has its fault among the sheets
    names = []
    for place, folders, files in os.walk(root, onerror=lambda error: closed.append(Path(error.filename))):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        names += [Path(place, name) for name in files if name.lower().endswith(ENDINGS) and name[0] not in ".~"]
    found: tuple[list[str], list[str]] = ([], [])
    for path in sorted([*names, *closed], key=lambda path: path.relative_to(root).parts):
        other = False  # of all that can't be looked into, reading will say what is wrong; a pipe is never opened
        with contextlib.suppress(OSError):
            plain = path not in closed and stat.S_ISREG(path.stat().st_mode)
            other = plain and path.suffix.lower() not in BOOK_ENDINGS and not is_sheet_file(path)
        found[other].append(path.relative_to(root).as_posix())
    return tuple(found[0]), tuple(found[1])


def summarise(folder: str, sheet: str, options: BatchOptions) -> list[SheetResult]:
    """Read and assess the tray sheet in a file, or all of a workbook; whatever goes wrong is a fault of that file."""
    path, results = Path(folder, sheet), []
    try:
        _check_file(path)
        titles = worksheets_of(path)
    except Exception as error:
        return [SheetResult(sheet, None, _faults(path, error))]
    for title in titles:
        name = f"{sheet} [{title}]" if title else sheet
        try:
            row = _row(name, assess(read_sheet(path, worksheet=title), relative=True, **asdict(options)))
            results.append(SheetResult(name, row, (), sheet, len(titles)))
        except Exception as error:
            place = str(Path(folder, name))  # of a workbook, with the worksheet
            faults = tuple(fault.replace(str(path), place, 1) for fault in _faults(path, error))
            results.append(SheetResult(name, None, faults, sheet, len(titles)))
    return results


def _faults(path: Path, error: Exception) -> tuple[str, ...]:
    """What to say of an error: its faults, or that this program has one of its own."""
    if isinstance(error, SpreadcheckError):
        return tuple(told(error.faults))
    problem = f"can't be judged, by a fault of this program ({type(error).__name__}: {error})"
    return (str(Fault(str(path), problem, "please report it, with the sheet")),)


def _check_file(path: Path) -> None:
    """Refuse what is no file to read: a folder that was closed, a pipe, a device, a link that leads nowhere."""
    problem, remedy = "is not a plain file", "take it out of the folder"
    try:
        mode = path.stat().st_mode
        if stat.S_ISREG(mode):
            return
        if stat.S_ISDIR(mode):
            problem, remedy = "the folder can't be looked into", "check who may read it"
    except OSError as error:
        if not path.is_symlink():
            raise SheetError(unread(str(path), error)) from None
        problem, remedy = "is a link that leads nowhere", "put the link right, or take it out of the folder"
    raise SheetError(Fault(str(path), problem, remedy))


def _row(sheet: str, result: Assessment) -> dict[str, Any]:
    test, profile = result.test, result.profile
    row: dict[str, Any] = dict.fromkeys(COLUMNS) | {
        "sheet": sheet,
        **{name: test.text(name) for name in ("test", "date", "machine", "product")},
        "trays": len(profile.offset_m),
        "passes": profile.passes_used,
        "bout_width_m": result.bout_width_m,
        "driving": result.driving or "",
        "verdict": result.verdict.state if result.verdict else "",
        "blocking": " ".join(result.blocking),
        "within_limit": result.within_limit,
        "centre_m": profile.centre_m,
        "left_share_pct": profile.left_share_pct,
        "warnings": " ".join(dict.fromkeys(doubt.code for doubt in result.doubts)),
    }
    for method in METHODS:
        name, bout = method.replace("-", "_"), result.bouts.get(method)
        width, over = result.effective_width_m(method), result.effective_over_tails(method)
        least, most = width, None if result.censored(method) else width  # a least without a most is "at least"
        if over is not None and not over.single:  # no one width is told that rests on what fell beyond the end trays
            line_m = float(np.ptp(profile.offset_m))
            width, least, most = None, min(over.least, line_m) or None, over.most if over.most <= line_m else None
        if not result.blocking:
            row |= {f"effective_width_{name}{end}_m": m for end, m in (("", width), ("_least", least), ("_most", most))}
        row[f"advised_width_{name}_m"] = result.advised_width_m(method)
        row[f"cv_{name}_pct"] = None if bout is None or math.isnan(bout.cv_pct) else bout.cv_pct
    if BACK_AND_FORTH in result.bouts and not profile.relative and not result.area_range(None):
        row["mean_kg_ha"] = result.bouts[BACK_AND_FORTH].mean_kg_ha
    return row


def run_batch(
    folder: str | os.PathLike[str],
    sheets: Iterable[str],
    options: BatchOptions | None = None,
    *,
    workers: int | None = None,
    done: Mapping[str, list[SheetResult]] | None = None,
) -> Iterator[SheetResult]:
    """Assess many sheets over all cores; results come in the order of the sheets.

    Parameters
    ----------
    folder : str or path-like
        Where the sheets lie. [-]
    sheets : iterable of str
        Their names relative to it. [-]
    options : BatchOptions, optional
        What is asked of every sheet. [%, m]
    workers : int, optional
        How many processes; one a core if not given, and none of its own for 1. [-]
    done : mapping of str to list of SheetResult, optional
        Results that an earlier run has found already, by file. [-]

    Returns
    -------
    iterator of SheetResult
        What became of each sheet, one after the other. [-]

    Examples
    --------
    >>> [result.sheet for result in run_batch("sample_trays", ["lopsided.csv", "us_units.csv"], workers=1)]
    ['lopsided.csv', 'us_units.csv']
    """
    asked = options or BatchOptions()
    work, known = partial(_work, os.fspath(folder), asked), done or {}
    entries = ((sheet, known.get(sheet)) for sheet in sheets)
    tasks = iter(lambda: list(islice(entries, _SHEETS_A_TASK)), [])
    count = workers or cores()
    yield from _pooled(work, tasks, count) if count > 1 else chain.from_iterable(map(work, tasks))


def _pooled(
    work: Callable[[_Task], list[SheetResult]], tasks: Iterator[_Task], count: int, *, alone: bool = False
) -> Iterator[SheetResult]:
    """The work over several processes; where one dies, its sheets are tried one by one."""
    from concurrent.futures import Future, ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    def new_pool(count: int) -> ProcessPoolExecutor:  # processes that leave Ctrl-C to the one that started them
        return ProcessPoolExecutor(count, initializer=signal.signal, initargs=(signal.SIGINT, signal.SIG_IGN))

    pool, ahead = new_pool(count), deque[tuple[_Task, Future[list[SheetResult]]]]()
    try:
        while True:
            ahead.extend((task, pool.submit(work, task)) for task in islice(tasks, count * _TASKS_AHEAD - len(ahead)))
            if not ahead:
                return
            task, future = ahead.popleft()
            try:
                yield from future.result()
            except BrokenProcessPool:
                lost = [*task, *(entry for later, _ in ahead for entry in later)]
                pool.shutdown(wait=False, cancel_futures=True)
                pool, ahead = new_pool(count), deque()
                if alone:
                    problem, remedy = "its reading ended the process", "look at the memory, or take the file out"
                    yield SheetResult(lost[0][0], None, (str(Fault(lost[0][0], problem, remedy)),))
                for entry in () if alone else lost:
                    yield from _pooled(work, iter([[entry]]), 1, alone=True)
    finally:
        pool.shutdown(cancel_futures=True)


def cores() -> int:
    """How many cores this process may use."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed else os.cpu_count() or 1


_Entry = tuple[str, list[SheetResult] | None]
_Task = list[_Entry]


def _work(folder: str, options: BatchOptions, task: _Task) -> list[SheetResult]:
    return [result for sheet, known in task for result in known or summarise(folder, sheet, options)]


@dataclass
class Journal:
    """What a run has done, beside its summary: a line of JSON a sheet, which counts while its file is as it was."""

    path: Path
    folder: Path
    options: BatchOptions
    known: dict[str, list[SheetResult]] = field(default_factory=dict)

    def load(self) -> None:
        """Take up what an earlier run has written, as far as it still holds."""
        try:
            text = self.path.read_text(encoding="utf-8", errors="replace")
        except OSError as error:
            reason = error.strerror or str(error)
            raise OutputError(Fault(str(self.path), f"can't be read ({reason})", "start without --resume")) from error
        for line in text.splitlines():
            result = self._result(line)
            if result:
                self.known.setdefault(result.file, []).append(result)
        self.known = {file: results for file, results in self.known.items() if len(results) == results[0].of}
        if text and not text.endswith("\n"):
            self._write("\n")

    def _result(self, line: str) -> SheetResult | None:
        """What a line says; None for one that is cut off, damaged, of another program or no longer true."""
        try:
            sheet, file, of, mark, asked, row, faults = json.loads(line)
            texts = all(isinstance(text, str) for text in (sheet, file, *faults))
            whole = row is None or (isinstance(row, dict) and set(row) == set(COLUMNS) and row["sheet"] == sheet)
            holds = asked == asdict(self.options) and mark == self._mark(file)
            return SheetResult(sheet, row, tuple(faults), file, of) if texts and whole and holds else None
        except (ValueError, TypeError, RecursionError):
            return None

    def add(self, result: SheetResult) -> None:
        """Write down one result; it is in the file when this returns."""
        file = result.file or result.sheet
        if file not in self.known:
            entry = (result.sheet, file, result.of, self._mark(file), asdict(self.options), result.row, result.faults)
            self._write(json.dumps(entry) + "\n")

    def _write(self, text: str) -> None:
        try:
            with self.path.open("a", encoding="utf-8") as file:
                file.write(text)
        except OSError as error:
            reason = error.strerror or str(error)
            fault = Fault(str(self.path), f"can't be written ({reason})", "make room and use --resume")
            raise OutputError(fault) from error

    def _mark(self, sheet: str) -> list[int]:
        try:
            found = (self.folder / sheet).stat()
        except (OSError, ValueError):
            return []
        return [found.st_size, found.st_mtime_ns]
