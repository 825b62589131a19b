"""The tables of the customer's report."""

from __future__ import annotations

from collections.abc import Iterator

from spreadcheck.judge.assessment import Assessment, Bout
from spreadcheck.judge.confidence import Confidence
from spreadcheck.sheet.cells import shortest
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traysheet import catch_cell
from spreadcheck.show.confidence import confidence_rows
from spreadcheck.show.document import Column, Table
from spreadcheck.show.report_words import other_system
from spreadcheck.show.tables import rate_unit, show_pct, show_rate, show_width, width_rows
from spreadcheck.units import show, shown_unit

MOST_WIDTHS = 24  # about so many rows in the table of bout widths
MOST_COLUMNS = 6  # catches side by side; more go into further tables
MOST_CATCHES = 6_000  # more than anyone reads, and than a page in a browser or a printer bears
BLANK = "blank"
CELL_WORDS = "blank: not weighed; x: weighed but thrown out; 0: nothing fell in"


def _words(*heads: str) -> tuple[Column, ...]:
    return tuple(Column(head, align="left") for head in heads)


def _figures(unit: str, *heads: str) -> tuple[Column, ...]:
    return tuple(Column(head, unit) for head in heads)


def limit_table(result: Assessment, system: str = "metric") -> Table:
    """Effective width at the usual CV limits and at the one asked for, both driving methods."""
    rows = tuple(
        (f"{limit:g} %{' (the limit)' if limit == result.limit_pct else ''}", *_widths_at(result, limit, system))
        for limit in result.side_by_side_pct
    )
    return Table((*_words("CV up to"), *_figures("", *METHODS)), rows, "Effective width at other CV limits")


def sure_table(sure: Confidence, system: str = "metric") -> Table:
    """How sure the answer is: noise floor, intervals and probabilities, both driving methods."""
    rows = tuple(
        (label.strip(), "", "") if tuple(cells) == METHODS else (label.strip(), *cells)
        for label, *cells in confidence_rows(sure, system)
        if label
    )
    note = f"Noise known from: {sure.noise.source}; {sure.draws:,} draws, seed {sure.seed}"
    return Table((*_words("What"), *_figures("", *METHODS)), rows, "How sure is the answer", (note,))


def _widths_at(result: Assessment, limit_pct: float, system: str) -> Iterator[str]:
    for method in METHODS:
        width = result.effective_width_m(method, limit_pct)
        yield "none" if width is None else f"{show_width(width, system)} ({_other_length(width, system)})"


def _other_length(length_m: float, system: str) -> str:
    return show(length_m, "length", other_system(system), digits=1)


def bout_table(result: Assessment, system: str = "metric") -> Table:
    """What the field gets at the width driven and at the effective widths."""
    unit = rate_unit(result, system)
    columns = (
        Column("Bout width and driving", align="left", share=5),
        *(Column(head, "%", share=1) for head in ("CV by trays", "CV by line")),
        *(Column(head, unit, share=1) for head in ("Mean", "Least", "Most")),
        *(Column(f"Within {pct} % of mean", "%", share=1.2) for pct in (10, 20)),
    )
    rows = tuple(_bout_row(what, bout, result, system) for what, bout in _bouts_that_matter(result))
    return Table(columns, rows, "What the field gets", ("All rates at the metering of the test.",))


def _bouts_that_matter(result: Assessment) -> Iterator[tuple[str, Bout]]:
    for method in METHODS:
        if result.bouts:
            yield "driven" if result.driving in (None, method) else "the other way", result.bouts[method]
    for method in METHODS:
        width = result.effective_width_m(method)
        if width is not None and width != result.bout_width_m:
            yield "effective width", result.bouts_at(width)[method]


def _bout_row(what: str, bout: Bout, result: Assessment, system: str) -> tuple[str, ...]:
    rates = (show_rate(rate, result, system) for rate in (bout.mean_kg_ha, bout.min_kg_ha, bout.max_kg_ha))
    shares = (show_pct(share, digits=0) for share in (bout.within_10_pct, bout.within_20_pct))
    name = f"{show_width(bout.width_m, system)} {bout.method} ({what})"
    return (name, show_pct(bout.cv_trays_pct), show_pct(bout.cv_line_pct), *rates, *shares)


def width_tables(result: Assessment, system: str = "metric") -> tuple[Table, ...]:
    """CV and rates against bout width, a table for each driving method."""
    rows = width_rows(result, most=MOST_WIDTHS)
    total = len(result.scans[METHODS[0]].width_m)
    here, other, unit = (
        shown_unit("length", system),
        shown_unit("length", other_system(system)),
        rate_unit(result, system),
    )
    columns = (
        Column("Bout width", here, align="left"),
        Column("Bout width", other),
        *_figures("%", "CV by trays"),
        *_figures("", f"Within {result.limit_pct:g} %?"),
        *_figures("%", "CV by line"),
        *_figures(unit, "Mean", "Least", "Most"),
    )
    notes = () if len(rows) == total else (f"{len(rows)} of the {total} widths tried are shown.",)
    tables = []
    for method in METHODS:
        cells = []
        for row in rows:
            cv, line, least, most = row.scans[method]
            rates = (show_rate(rate, result, system) for rate in (row.mean, least, most))
            widths = show_width(row.width_m, system, unit=False), _other_length(row.width_m, system).split()[0]
            verdict = "yes" if cv <= result.limit_pct else "no"
            cells.append((*widths, show_pct(cv), verdict, show_pct(line), *rates))
        tables.append(Table(columns, tuple(cells), f"Bout widths, {method}", notes))
    return tuple(tables)


def form_table(result: Assessment) -> Table:
    """The rows of the form as they were written."""
    unknown = set(result.test.unknown_labels)
    rows = tuple(
        (row.label, row.value, row.unit, "not a known label, not used" if row.label in unknown else "")
        for row in result.test.form
    )
    heads = ("Label", "Value", "Unit", "Remark") if any(row[3] for row in rows) else ("Label", "Value", "Unit")
    return Table(_words(*heads), tuple(row[: len(heads)] for row in rows), "The form as written")


def tray_tables(result: Assessment, system: str = "metric") -> tuple[Table, ...]:
    """The raw trays as weighed, with the profile; many passes go into several tables, notes into the last."""
    test = result.test
    if test.catch.size > MOST_CATCHES:
        note = f"The sheet holds {test.catch.size:,} catches, too many for a report: ask for the tray sheet itself."
        return (Table(_words("Tray"), (), "Raw trays", (note,)),)
    starts = range(0, len(test.columns), MOST_COLUMNS)
    groups = [range(start, min(start + MOST_COLUMNS, len(test.columns))) for start in starts]
    return tuple(_tray_table(result, group, system, last=group == groups[-1]) for group in groups)


def _tray_table(result: Assessment, columns: range, system: str, *, last: bool) -> Table:
    test = result.test
    noted = last and any(test.note)
    reverse = set(test.reversed_passes)
    named = tuple(
        Column(column.name + (" (other way)" if column.pass_no in reverse else ""), column.unit)
        for column in (test.columns[at] for at in columns)
    )
    profile = (Column("Profile", rate_unit(result, system)),) if last else ()
    heads = (*_words("Tray"), Column("Offset", test.offset_unit), *named, *profile, *(_words("Note") if noted else ()))
    rates = _profile_cells(result, system)
    rows = tuple(
        (
            test.tray[tray],
            shortest(test.offset[tray]),
            *(catch_cell(float(test.catch[tray, at]), int(test.state[tray, at]), blank=BLANK) for at in columns),
            *((rates[tray],) if last else ()),
            *((test.note[tray],) if noted else ()),
        )
        for tray in range(len(test.tray))
    )
    shown = [test.columns[at].name for at in columns]
    which = "" if len(columns) == len(test.columns) else f", {shown[0]} to {shown[-1]}"
    return Table(heads, rows, f"Raw trays, left to right{which}", (CELL_WORDS,))


def _profile_cells(result: Assessment, system: str) -> list[str]:
    """The rate of the profile at every tray of the sheet, filled ones marked and dropped ones a dash."""
    profile = result.profile
    rates = dict(zip(profile.offset_m.tolist(), profile.rate_kg_ha.tolist(), strict=True))
    filled = set(profile.filled_offset_m)
    cells = []
    for offset in result.test.offset_m.tolist():
        cell = show_rate(rates[offset], result, system) if offset in rates else "-"
        cells.append(f"{cell} filled" if offset in filled else cell)
    return cells
