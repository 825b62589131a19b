"""`spreadcheck batch FOLDER`: all tray sheets below a folder."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spreadcheck.cli.options import options, outputs
from spreadcheck.cli.outputs import Outputs, name_next
from spreadcheck.cli.terminal import say

if TYPE_CHECKING:
    from spreadcheck.judge.batch import BatchOptions, Journal


@click.command()
@click.argument("folder", type=click.Path())
@click.option("--summary", metavar="FILE", help="Write the rows as .csv or .parquet; - for standard output, as CSV.")
@options("limit", bout_width='Bout width for all, such as "24 m"; else each sheet\'s own.')
@click.option("--resume", is_flag=True, help="Go on with a stopped run: do only what is missing.")
@click.option("--workers", type=click.IntRange(1, 256), help="Processes to use; one a core if not given.")
@options("units")
@outputs("json", plot="Draw effective width by machine over dates; .png, .svg or .pdf.")
@click.pass_context
def batch(
    ctx: click.Context,
    *,
    folder: str,
    summary: str | None,
    limit_pct: float,
    bout_width_m: float | None,
    resume: bool,
    workers: int | None,
    units: str,
    out: Outputs,
) -> None:
    """One summary row for every tray sheet below a folder.

    A terminal shows a table; a file or a pipe gets all figures as CSV. Sheets stand in the order of their names. One
    that can't be used is named at the end with its faults and never stops the others; the exit code is then 3. With
    --summary, a run that was stopped goes on with --resume. --units changes table and picture only: files are metric.

    \b
    Examples:
      spreadcheck batch sample_trays
      spreadcheck batch tests_2026 --summary season.csv --plot season.png
    """
    from spreadcheck.errors import Fault, OutputError
    from spreadcheck.judge.batch import BatchOptions, find_sheets, run_batch
    from spreadcheck.show import batch as shown

    looked_at = summary is None and out.screen and sys.stdout is not None and sys.stdout.isatty()
    summary, written = summary or "-", out
    if summary != "-" or (out.screen and not looked_at):
        written = out._replace(files=(*out.files, ("summary", summary)))
    written.check()
    ending = Path(summary).suffix.lower()
    if summary != "-" and ending not in (".csv", ".parquet"):
        problem = f'a summary can\'t be written as "{ending}"'
        raise OutputError(Fault(summary, problem, "end the name in .csv or .parquet"))
    if ending == ".parquet":
        shown.check_parquet()
    asked = BatchOptions(limit_pct=limit_pct, bout_width_m=bout_width_m)
    sheets, others = find_sheets(folder)
    written.check(*(str(Path(folder, sheet)) for sheet in sheets))
    journal = _journal(summary, folder, asked, resume, out.overwrite)
    found, results = [], run_batch(folder, sheets, asked, workers=workers, done=journal.known if journal else None)
    watched = sys.stderr is not None and sys.stderr.isatty()
    with click.progressbar(length=len(sheets), label="sheets", file=sys.stderr, hidden=not watched) as bar:
        for result in results:
            if journal:
                journal.add(result)
            found.append(result)
            bar.update(1)
    makers: dict[str, Any] = {
        "json": lambda: shown.batch_json(found),
        "plot": lambda: shown.trend_figure(found, units),
        "summary": lambda: shown.batch_parquet(found) if ending == ".parquet" else shown.batch_csv(found),
    }
    if looked_at:
        written.show(shown.batch_document(found, folder, units), **makers)
    else:
        written.write(**makers)
    if journal:
        journal.path.unlink(missing_ok=True)
    say(shown.closing_words(found, others), err=True)
    if then := shown.following(found, folder):
        name_next(*then)
    good = [result for result in found if result.row is not None]
    if not good or len(good) < len(found):
        ctx.exit(3 if good else 2)


def _journal(summary: str, folder: str, options: BatchOptions, resume: bool, overwrite: bool) -> Journal | None:
    """The journal beside the summary: a new one, or that of the run that was stopped."""
    from spreadcheck.errors import Fault, OutputError
    from spreadcheck.judge.batch import Journal

    if summary == "-":
        if resume:
            raise OutputError(Fault("option --resume", "there is no summary file to go on with", "add --summary FILE"))
        return None
    journal = Journal(Path(f"{summary}.journal"), Path(folder), options)
    if resume and journal.path.exists():
        journal.load()
    elif journal.path.exists() and not overwrite:
        remedy = "add --resume to go on with it, or --overwrite to start again"
        raise OutputError(Fault(str(journal.path), "is there from a run that was stopped", remedy))
    else:
        journal.path.unlink(missing_ok=True)
    return journal
