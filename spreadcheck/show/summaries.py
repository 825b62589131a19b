"""The summary of a batch: as CSV, as Parquet, as plain data, and what is said at its end."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from typing import Any

from spreadcheck.errors import Fault, MissingExtraError, visible
from spreadcheck.judge.batch import COLUMNS, SheetResult
from spreadcheck.show.csv import csv_line
from spreadcheck.show.json import envelope


@dataclass
class Summary:
    """A growing summary. `keep_rows` keeps the rows themselves too, for JSON and pictures."""

    keep_rows: bool = False
    lines: list[str] = field(default_factory=lambda: [csv_line(COLUMNS)])
    rows: list[dict[str, Any]] = field(default_factory=list)
    bad: list[SheetResult] = field(default_factory=list)

    def add(self, result: SheetResult) -> None:
        """Take in what became of one sheet."""
        if result.row is None:
            self.bad.append(result)
            return
        self.lines.append(csv_line(result.row[column] for column in COLUMNS))
        if self.keep_rows:
            self.rows.append(result.row)

    def csv_text(self) -> str:
        """All rows as CSV, in the order they came."""
        return "".join(self.lines)

    def parquet_bytes(self) -> bytes:
        """All rows as Parquet, through pandas; needs the extra `parquet`."""
        check_parquet()
        import pandas as pd

        target = io.BytesIO()
        seen = [{key: visible(v) if isinstance(v, str) else v for key, v in row.items()} for row in self.rows]
        pd.DataFrame.from_records(seen, columns=list(COLUMNS)).to_parquet(target, index=False)
        return target.getvalue()

    def json_data(self) -> dict[str, Any]:
        """All rows and all faults as plain data."""
        bad = [{"sheet": result.sheet, "faults": list(result.faults)} for result in self.bad]
        return envelope("batch/1", self.rows, bad=bad)


def check_parquet() -> None:
    """Say early that Parquet can't be written here."""
    from importlib.util import find_spec

    if find_spec("pyarrow") is None:
        remedy = "install it with: pip install 'spreadcheck[parquet]', or write .csv"
        raise MissingExtraError(Fault("Parquet", "the library pyarrow is not installed", remedy))


def closing_words(summary: Summary, others: tuple[str, ...]) -> str:
    """What is said at the end of a batch."""
    good, bad = len(summary.lines) - 1, len(summary.bad)
    words = [f"{good} sheet{'' if good == 1 else 's'} summarised"]
    if bad:
        words.append(f"{bad} can't be used")
    if others:
        shown = others[0] + (", ..." if len(others) > 1 else "")
        words.append(f"{len(others)} other file{'' if len(others) == 1 else 's'} passed over ({shown})")
    return "\n".join([", ".join(words), *(fault for result in summary.bad for fault in result.faults)])
