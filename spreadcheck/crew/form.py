"""The entry form of a tray test: what a person in the field is asked, in which order, and what is said beside it."""

from __future__ import annotations

import numpy as np

from spreadcheck.errors import Fault, SheetError, record
from spreadcheck.pattern.advice import SPREADERS
from spreadcheck.sheet.cells import shortest
from spreadcheck.sheet.labels import LABELS, TWIN, Label, known_label
from spreadcheck.sheet.traysheet import catch_cell
from spreadcheck.sheet.traytest import FormRow, TrayTest
from spreadcheck.units import KINDS, side_of

# A person fills these in by hand; past them a form is no help, and its file is no longer light.
MAX_FORM_TRAYS = 1_000
MAX_FORM_CELLS = 20_000

# A stretch without a tray is called a gap from this many usual spacings on (own rule: half a tray more than usual).
GAP_SPACINGS = 1.5


ABOUT = (
    "test", "date", "place", "operator", "machine", "product",
    "tray width", "tray length", "runs per catch", "reversed passes", "target rate", "bout width", "driving",
    "wheel track", "scale resolution", "bulk density", "notes",
)  # fmt: skip
CONDITIONS = (
    "wind speed", "wind from", "air temperature", "relative humidity", "surface",
    "travel speed", "spinner speed", "gate setting", "swath height", "vanes", "drop point",
)  # fmt: skip

CELL_RULE = "blank = not weighed (never 0 for it) \u00b7 0 = nothing fell in \u00b7 x = weighed but thrown out"

# Common to operator handbooks and farm-safety advice on spreaders; the maker's manual always goes first.
CAUTIONS = (
    "Wear eye protection, gloves and dust protection; ear protection beside a running machine.",
    "Product label, safety data sheet and local rules first: distance to water and boundaries, wind, storage.",
    "Several passes over one line give the ground several doses: choose land where that does no harm.",
    "The machine maker's manual goes before this form wherever they differ.",
)


@record
class Detail:
    """One row of the form as it is asked; `unit` is the sheet's own, or the one proposed where it gives none."""

    label: str
    value: str
    unit: str
    kind: str = "text"
    choices: tuple[str, ...] = ()


@record
class EntryForm:
    """The entry form of one test. Trays run from left to right as seen when driving."""

    test: TrayTest
    about: tuple[Detail, ...]
    conditions: tuple[Detail, ...]
    further: tuple[Detail, ...]
    places: tuple[str, ...]  # "3 m left", a tray
    cells: tuple[tuple[str, ...], ...]  # a tray: "" not weighed or not yet, "x", or the catch as the sheet writes it
    wheels_m: tuple[float, ...]  # centre lines of the wheels, where the wheel track is known
    gaps_m: tuple[tuple[float, float], ...]  # from tray edge to tray edge
    cautions: tuple[str, ...]  # first of all the parts that this kind of spreader has
    remarks: tuple[str, ...]  # about the passes, before the first weight is written


def entry_form(test: TrayTest) -> EntryForm:
    """The entry form of a tray sheet, with everything that the sheet already knows filled in."""
    trays, columns = test.state.shape
    if trays > MAX_FORM_TRAYS or trays * columns > MAX_FORM_CELLS:
        problem = f"{trays:,} trays x {columns:,} columns are too many to fill in by hand"
        remedy = f"make a form of at most {MAX_FORM_TRAYS:,} trays and {MAX_FORM_CELLS:,} cells"
        raise SheetError(Fault(test.source or "the tray sheet", problem, remedy))
    known = [(label.name if (label := known_label(row.label)) else row.label, row) for row in test.form]
    rows, system, half = dict(known), unit_system(test), (test.quantity("wheel track") or 0.0) / 2

    def detail(name: str) -> Detail:
        label, row = LABELS[name], rows.get(name, FormRow(name, ""))
        return Detail(name, row.value, row.unit or proposed_unit(label, system), label.kind, label.choices)

    further = (row for name, row in known if row.value.strip() and name not in (*ABOUT, *CONDITIONS))
    places = (
        f"{shortest(abs(at))} {test.offset_unit} {side_of(at)}" if at else "centre" for at in test.offset.tolist()
    )
    cells = zip(test.catch.tolist(), test.state.tolist(), strict=True)
    kind = SPREADERS[test.text("spreader type") or TWIN]
    locked = "feed shut, all at a standstill, drive off, engine off, key out - locked out so that nobody can start it."
    cautions = (
        f"Nobody near {kind.moving}, and nobody {kind.clear}. Granules and dust injure eyes.",
        f"Before anyone touches a tray, the hopper, {kind.parts}: {locked}",
        *CAUTIONS,
    )
    remarks = [f"Weigh the trays only after every {test.runs_per_catch} runs."] if test.runs_per_catch > 1 else []
    if test.reversed_passes:
        passes = ", ".join(map(str, test.reversed_passes))
        remarks.append(f"Driven the other way over the line: pass {passes}. The trays keep their names and places.")
    spacing, edge = np.diff(test.offset_m), test.tray_width_m / 2
    gaps = np.flatnonzero(spacing > GAP_SPACINGS * np.median(spacing))
    return EntryForm(
        test=test,
        about=tuple(map(detail, ABOUT)),
        conditions=tuple(map(detail, CONDITIONS)),
        further=tuple(Detail(row.label, row.value, row.unit) for row in further),
        places=tuple(places),
        cells=tuple(tuple(map(catch_cell, row, states)) for row, states in cells),
        wheels_m=(-half, half) if half else (),
        gaps_m=tuple((float(test.offset_m[i] + edge), float(test.offset_m[i + 1] - edge)) for i in gaps),
        cautions=cautions,
        remarks=tuple(remarks),
    )


def unit_system(test: TrayTest) -> str:
    """The unit system in which a test thinks, by the unit of its offsets."""
    return "us" if test.offset_unit in ("ft", "in", "yd") else "metric"


def proposed_unit(label: Label, system: str = "metric") -> str:
    """The unit that a form proposes where the sheet does not give one."""
    quantity = KINDS.get(label.kind)
    return "" if quantity is None else quantity.us if system == "us" else label.unit
