"""All tray sheets below a folder -> one summary row a sheet, over all cores, in the same order every time.

A sheet that can't be used never stops the rest.
"""

from __future__ import annotations

import json
import math
import os
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

from spreadcheck.errors import Fault, OutputError, SpreadcheckError
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.sheet.cells import TITLE
from spreadcheck.sheet.labels import BACK_AND_FORTH, ROUND_AND_ROUND
from spreadcheck.sheet.traysheet import read_sheet

ENDINGS = (".csv", ".txt", ".tsv", ".xlsx")
_SHEETS_A_TASK = 32
_TASKS_AHEAD = 8  # a core: enough to keep it busy, few enough to keep memory flat

COLUMNS = (
    "sheet",
    "test",
    "date",
    "machine",
    "product",
    "trays",
    "passes",
    "effective_width_back_and_forth_m",
    "effective_width_round_and_round_m",
    "bout_width_m",
    "driving",
    "cv_back_and_forth_pct",
    "cv_round_and_round_pct",
    "within_limit",
    "mean_kg_ha",
    "centre_m",
    "left_share_pct",
    "warnings",
)


@dataclass(frozen=True)
class SheetResult:
    """What became of one sheet: a row under `COLUMNS`, or the faults that were found."""

    sheet: str
    row: dict[str, Any] | None
    faults: tuple[str, ...] = ()


@dataclass(frozen=True)
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
    if not os.fspath(folder) or not root.is_dir():  # an empty name would mean the folder one stands in
        raise OutputError(
            Fault(os.fspath(folder) or '""', "is not a folder", "give the folder that holds the tray sheets")
        )
    names = []
    for place, folders, files in os.walk(root):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        names += [Path(place, name) for name in files if name.lower().endswith(ENDINGS) and name[0] not in ".~"]
    ordered = sorted(names, key=lambda path: path.relative_to(root).parts)
    sheets = {path: _starts_as_sheet(path) for path in ordered}
    shown = {path: path.relative_to(root).as_posix() for path in ordered}
    return (
        tuple(shown[path] for path, is_sheet in sheets.items() if is_sheet),
        tuple(shown[path] for path, is_sheet in sheets.items() if not is_sheet),
    )


def _starts_as_sheet(path: Path) -> bool:
    if path.suffix.lower() == ".xlsx":
        return True
    try:
        with path.open("rb") as file:
            start = file.read(256)
    except OSError:
        return True  # reading it will say what is wrong
    return TITLE.encode() in start.replace(b"\0", b"").lower()  # without the zeros of UTF-16


def summarise(folder: str, sheet: str, options: BatchOptions) -> SheetResult:
    """Read and assess one sheet."""
    try:
        test = read_sheet(Path(folder, sheet))
        result = assess(
            test, limit_pct=options.limit_pct, bout_width_m=options.bout_width_m, tails=options.tails, relative=True
        )
    except SpreadcheckError as error:
        return SheetResult(sheet, None, tuple(str(fault) for fault in error.faults))
    return SheetResult(sheet, _row(sheet, result))


def _row(sheet: str, result: Assessment) -> dict[str, Any]:
    test, profile, bouts = result.test, result.profile, result.bouts
    back, around = bouts.get(BACK_AND_FORTH), bouts.get(ROUND_AND_ROUND)
    return {
        "sheet": sheet,
        **{name: test.text(name) for name in ("test", "date", "machine", "product")},
        "trays": len(profile.offset_m),
        "passes": profile.passes_used,
        "effective_width_back_and_forth_m": result.effective_width_m(BACK_AND_FORTH),
        "effective_width_round_and_round_m": result.effective_width_m(ROUND_AND_ROUND),
        "bout_width_m": result.bout_width_m,
        "driving": result.driving or "",
        "cv_back_and_forth_pct": _known(back.cv_trays_pct) if back else None,
        "cv_round_and_round_pct": _known(around.cv_trays_pct) if around else None,
        "within_limit": result.within_limit,
        "mean_kg_ha": back.mean_kg_ha if back and not profile.relative else None,
        "centre_m": profile.centre_m,
        "left_share_pct": profile.left_share_pct,
        "warnings": " ".join(dict.fromkeys(doubt.code for doubt in result.doubts)),
    }


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def run_batch(
    folder: str | os.PathLike[str],
    sheets: Iterable[str],
    options: BatchOptions | None = None,
    *,
    workers: int | None = None,
    done: Mapping[str, SheetResult] | None = None,
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
    done : mapping of str to SheetResult, optional
        Results that an earlier run has found already. [-]

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
    work = partial(_work, os.fspath(folder), asked)
    known = done or {}
    tasks = _tasks((sheet, known.get(sheet)) for sheet in sheets)
    count = workers or cores()
    if count == 1:
        for task in tasks:
            yield from work(task)
        return
    from concurrent.futures import Future, ProcessPoolExecutor

    with ProcessPoolExecutor(count) as pool:
        ahead: deque[Future[list[SheetResult]]] = deque(
            pool.submit(work, task) for task in islice(tasks, count * _TASKS_AHEAD)
        )
        while ahead:
            yield from ahead.popleft().result()
            ahead.extend(pool.submit(work, task) for task in islice(tasks, 1))


def cores() -> int:
    """How many cores this process may use."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed else os.cpu_count() or 1


_Task = list[tuple[str, SheetResult | None]]


def _tasks(sheets: Iterator[tuple[str, SheetResult | None]]) -> Iterator[_Task]:
    while task := list(islice(sheets, _SHEETS_A_TASK)):
        yield task


def _work(folder: str, options: BatchOptions, task: _Task) -> list[SheetResult]:
    return [result or summarise(folder, sheet, options) for sheet, result in task]


@dataclass
class Journal:
    """What a run has done so far, beside its summary: a line of JSON a sheet, added as results come.

    A sheet counts as done while its file is as it was (size and time) and the same was asked. A last line cut off by a
    kill is not counted.
    """

    path: Path
    folder: Path
    options: BatchOptions
    known: dict[str, SheetResult] = field(default_factory=dict)

    def load(self) -> None:
        """Take up what an earlier run has written, as far as it still holds."""
        try:
            text = self.path.read_text(encoding="utf-8", errors="replace")
        except OSError as error:
            reason = error.strerror or str(error)
            raise OutputError(Fault(str(self.path), f"can't be read ({reason})", "start without --resume")) from error
        for line in text.splitlines():
            try:
                sheet, mark, asked, row, faults = json.loads(line)
            except (ValueError, TypeError):
                continue
            if asked == asdict(self.options) and mark == self._mark(sheet):
                self.known[sheet] = SheetResult(sheet, row, tuple(faults))
        if text and not text.endswith("\n"):
            self._write("\n")

    def add(self, result: SheetResult) -> None:
        """Write down one result; it is in the file when this returns."""
        if result.sheet not in self.known:
            entry = (result.sheet, self._mark(result.sheet), asdict(self.options), result.row, result.faults)
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
        except OSError:
            return []
        return [found.st_size, found.st_mtime_ns]
