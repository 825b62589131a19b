"""The settings card, one page for the machine; what is not known, or not borne out, is left as a line to write on."""

from __future__ import annotations

import math
from functools import partial

from spreadcheck.errors import record
from spreadcheck.judge.assessment import Assessment
from spreadcheck.pattern.advice import SPINNERS, cautions_of
from spreadcheck.product.rate import recovery_is_usual
from spreadcheck.sheet.labels import BIN_LABELS, LABELS, METHODS, MOST_BINS, bin_label
from spreadcheck.sheet.traytest import MIRRORED
from spreadcheck.show.document import (
    TO_WRITE,
    Block,
    Column,
    Document,
    Field,
    Fields,
    Heading,
    Points,
    Side,
    Table,
    table,
)
from spreadcheck.show.format import from_to, rate_unit, show_figure, show_rate, show_width, target_words
from spreadcheck.show.verdict import advised_words, chance_words, effective_words, if_alike, not_driven_words, open_mean
from spreadcheck.units import KINDS, show

TITLE = "Settings card"
MOST_SIGNS = 60  # of what a person wrote: the card is one page
MOST_DOUBTS = 6
ROW_MM, NOTED_ROW_MM = 6.2, 7.2  # high enough to write on
DOUBT_SIGNS = 200  # of one doubt: what was seen, as a rule to its end

_SPUN = ("spinner speed", "drop point", "vanes")  # set only where discs throw
_TEST = ("machine", "product", "place", "operator")
_PRODUCT = ("bulk density", "size guide number", "uniformity index", "granule density", "crush strength")
_SETTINGS = (
    "travel speed", "spinner speed", "gate setting", "calibration factor", "drop point", "vanes", "swath height",
    "discharge", "target rate", "metered rate", "metered width",
)  # fmt: skip


_OF_BIN = ("bulk density", "calibration factor")  # what is entered for every bin


@record
class CardRow:
    """One row; an empty value is a line to write on, and `note` says why or how sure it is."""

    label: str
    value: str = ""
    note: str = ""


@record
class CardSection:
    """Rows under one heading."""

    heading: str
    rows: tuple[CardRow, ...]


@record
class SettingsCard:
    """The whole card: `about` says which test, `doubts` what is doubtful about it."""

    name: str
    date: str
    about: CardSection
    product: CardSection
    settings: CardSection
    controller: CardSection
    result: CardSection
    doubts: tuple[str, ...]
    cautions: tuple[str, ...]
    bins: Table | None = None


def settings_card(
    result: Assessment, system: str = "metric", *, highest_speed_rpm: float | None = None
) -> SettingsCard:
    """The settings card of a test.

    Parameters
    ----------
    result : Assessment
        The assessment. [-]
    system : str
        "metric" or "us". [-]
    highest_speed_rpm : float, optional
        The highest spinner speed that the maker's manual and the granules' strength allow. [rpm]

    Returns
    -------
    SettingsCard
        The card. [-]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> form = {"bout width": "3 m", "bulk density": "0.78 kg/L", "spinner speed": "800 rpm"}
    >>> test = tray_test(range(-3, 4), [0, 1, 2, 3, 2, 1, 0], tray_width="1 m", tray_length="1 m", form=form)
    >>> for row in settings_card(assess(test)).controller.rows:
    ...     print(f"{row.label}: {row.value or '______'}")
    product density: 0.780 kg/L
    bout width: 3 m
    highest spinner speed: ______
    calibration factor: ______
    """
    test, kind = result.test, result.pattern.kind
    spun = kind.name in SPINNERS
    settings = tuple(n for n in _SETTINGS if spun or n not in _SPUN or n in test.values)
    settings += ("number of outlets", "outlet spacing") if kind.outlets else ()
    mark = f" ({MIRRORED})" if test.mirrored else ""  # that a side was not tested stays on a name however short
    doubts = [f"{doubt.code}: {_clipped(doubt.seen(system), DOUBT_SIGNS)}" for doubt in result.doubts]
    if (more := len(doubts) - MOST_DOUBTS) > 0:
        doubts[MOST_DOUBTS:] = [f"and {more} more, told by spreadcheck analyse"]

    def rows(heading: str, labels: tuple[str, ...]) -> CardSection:
        return CardSection(heading, tuple(CardRow(label, _known(result, label, system)) for label in labels))

    parts = "vanes, drop point, spinner speed" if spun else kind.parts.replace(" or ", ", ")
    cautions = (
        "The machine maker's manual, the product label and local rules go before this card wherever they differ.",
        "For this machine, this product and this load only: take density and size again with every load, and test "
        f"again after a change of product, {parts} or width.",
    )
    faster = "Never faster than the highest spinner speed: granules break and the pattern is another one."
    return SettingsCard(
        name=_clipped(test.name.removesuffix(mark)) + mark,
        date=test.text("date"),
        about=rows("Test", _TEST),
        product=rows("Product, as measured", _PRODUCT),
        settings=rows("Settings in force at the test", settings),
        controller=CardSection("Enter on the rate controller", _controller(result, system, highest_speed_rpm)),
        result=CardSection("Result of the tray test", _result(result, system)),
        doubts=tuple(doubts),
        bins=_bins(result, system),
        cautions=(*cautions, *((faster,) if spun else ()), *cautions_of(kind)),
    )


def card_document(card: SettingsCard) -> Document:
    """The card as a page: what is to be entered stands in the middle, doubts and cautions at its foot."""

    def section(of: CardSection, *, noted: bool = False) -> tuple[Block, ...]:
        """A headed table of label, value and, across the page, the note beside it."""
        shares = {"What": 0.30, "Value": 0.27, "Note": 0.43} if noted else {"What": 0.4, "Value": 0.6}
        columns = tuple(Column(head, align="left", share=share) for head, share in shares.items())
        rows = tuple((row.label, row.value or TO_WRITE, row.note)[: len(shares)] for row in of.rows)
        height = NOTED_ROW_MM if noted else ROW_MM
        return Heading(of.heading), Table(columns, rows, boxed=True, headed=False, row_mm=height)

    doubts = (Heading("Doubts about the test"), Points(card.doubts, small=True)) if card.doubts else ()
    blocks: tuple[Block, ...] = (
        Side((*section(card.about), *section(card.product)), section(card.settings)),
        *((card.bins,) if card.bins else ()),
        *section(card.controller, noted=True),
        *section(card.result, noted=True),
        *doubts,
        Heading("Cautions"),
        Points(card.cautions, small=True),
        Fields(((Field("Signature", share=2), Field("Date")),)),
    )
    date = f"Date of the test: {card.date or TO_WRITE}"
    return Document(f"{TITLE}: {card.name}", blocks, about=(date,), style="card")


def _bins(result: Assessment, system: str) -> Table | None:
    """What every bin of a machine with several holds; None where the form has one bin."""
    values, every = result.test.values, range(1, MOST_BINS + 1)
    numbers = [n for n in every if n == 1 or any(bin_label(x, n) in values for x in BIN_LABELS)]
    if len(numbers) == 1:
        return None
    known = [x for x in BIN_LABELS if any(bin_label(x, n) in values for n in numbers)]
    rows = tuple((x, *(_known(result, bin_label(x, n), system) or TO_WRITE for n in numbers)) for x in known)
    how = result.test.text("bins run")
    said = f"Bins, {'run ' + how if how else 'not said whether they run one after the other or together'}."
    if any(doubt.code == "bins-differ" for doubt in result.doubts):
        said += " They differ in what must be the same: see the doubts."
    return table("; ".join(("what<", *(f"bin {n}<" for n in numbers))), rows, said, boxed=True)


def _clipped(text: str, most: int = MOST_SIGNS) -> str:
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def _known(result: Assessment, label: str, system: str) -> str:
    """What a row of the form says, empty where it says nothing; numbers without a unit stand as they were written."""
    kind, written = LABELS[label].kind, result.test.values.get(label)
    if not isinstance(written, (int, float)):
        return _clipped(str(written)) if written is not None else ""
    if kind == "length":
        return show_width(float(written), system)
    return show(float(written), kind, system) if kind in KINDS else f"{written:.10g}"


def _controller(result: Assessment, system: str, highest_rpm: float | None) -> tuple[CardRow, ...]:
    density = _known(result, "bulk density", system)
    rows = [
        CardRow("product density", density, "bulk density; take it with every load"),
        CardRow("bout width", *_width(result, system)),
    ]
    if highest_rpm is not None or result.pattern.kind.name in SPINNERS:
        speed, source = "", "by the machine maker's manual and the crush strength"
        if highest_rpm is not None:
            speed, in_force = show(highest_rpm, "turning speed", system), result.test.quantity("spinner speed")
            if in_force is not None and in_force > highest_rpm:
                above = show(in_force, "turning speed", system)
                source = f"the {above} of the test is above it: set it lower, test again"
        rows.append(CardRow("highest spinner speed", speed, source))
    rows.append(CardRow("calibration factor", *_factor(result, system)))
    for number in result.test.bins[1:]:  # no tray tells how much came from a further bin
        density, factor = (_known(result, bin_label(x, number), system) for x in _OF_BIN)
        note = "as in force; not held against the trays" if factor else ""
        rows.append(CardRow(f"bin {number} product density", density))
        rows.append(CardRow(f"bin {number} calibration factor", factor, note))
    return tuple(rows)


def _width(result: Assessment, system: str) -> tuple[str, str]:
    """The bout width driven, if the test bears it out; else a line, and why."""
    effective = "effective width " + "; ".join(f"{effective_words(result, m, system)} {m}" for m in METHODS)
    verdict, width = result.verdict, show_width(result.bout_width_m, system)
    if verdict is None:
        return "", f"none was named; {effective}"
    if result.blocking:
        return "", f"{width}: can't be judged, put right first: {', '.join(result.blocking)}"
    if result.test.mirrored:
        return "", f"{width}: {MIRRORED}; test both sides first"
    if not verdict.may_be_driven:
        return "", f"{width} {not_driven_words(verdict)}; {effective}"
    way = f"driven {result.driving}" if result.driving else "both ways of driving"
    if verdict.why == "probability":
        sure = chance_words(verdict.probability_pct, verdict.probability_most_pct)
        way += f"; kept with a probability of {sure} only"
    expected = result.test.quantity("expected width")
    chart = f"; the setting chart expects {show_width(expected, system)}" if expected is not None else ""
    return width, way + chart


def _factor(result: Assessment, system: str) -> tuple[str, str]:
    """The calibration factor in force, unless the trays found another rate than was aimed at."""
    factor, target = _known(result, "calibration factor", "metric"), result.test.target_kg_ha
    bout = next(iter(result.bouts.values()), None)
    if not factor:
        return "", ""
    if target is None or bout is None or result.profile.relative:
        return factor, "as in force; not held against a target rate"
    ends = open_mean(result, bout.width_m, partial(show_rate, result=result, system=system))
    if ends is not None:
        found = f"{ends[0]} {rate_unit(result, system)}, {ends[1]}"
        return "", f"{factor} in force; the trays found {found}: settle that first"
    share = 100.0 * bout.mean_kg_ha / target
    aim = target_words(result.test, lambda rate: show(rate, "rate", system))
    said = f"the trays found {show_figure(share, digits=0)} % of {aim}"
    if result.test.bins_together:
        said += "; they can't tell the bins apart: calibrate each alone"
        return factor if recovery_is_usual(share) else "", f"{factor} in force; {said}"
    if recovery_is_usual(share):
        return factor, f"as in force; {said}"
    return "", f"{factor} was in force and {said}: correct it first (spreadcheck rate)"


def _result(result: Assessment, system: str) -> tuple[CardRow, ...]:
    """What the trays found: effective widths, the CV and rates at the bout width driven, and the pattern."""
    limit, unit, mirrored = f"CV up to {result.limit_pct:g} %", rate_unit(result, system), result.test.mirrored
    rate = partial(show_rate, result=result, system=system)
    rows = []
    for method in METHODS:
        value, note = "none", f"no width has a {limit}"
        if result.effective_width_m(method) is not None:
            why = f"; holds only {if_alike(mirrored)}" if mirrored else ""
            note = f"{limit}; advised {advised_words(result, method, system)}{why}"
            value = effective_words(result, method, system)
        rows.append(CardRow(f"effective width {method}", value, note))
    if result.bout_width_m is None:
        rows.append(CardRow("CV at the bout width driven"))
    for method, bout in result.bouts.items():
        cv = f"{show_figure(bout.cv_pct)} %"
        if not result.blocking:
            cv += f", {'within' if bout.cv_pct <= result.limit_pct else 'OVER'} the limit"
            cv += f" {if_alike(mirrored)}" if mirrored else ""
        if math.isnan(bout.cv_pct):
            cv = "none: fewer than two trays in a bout"
        if (over := result.cv_over_tails(method, bout.width_m)) is not None:
            cv = f"{from_to(show_figure(over.least), show_figure(over.most))} %: it rests on the tails"
        note = f"mean {rate(bout.mean_kg_ha)}, least {rate(bout.min_kg_ha)}, most {rate(bout.max_kg_ha)} {unit}"
        if (ends := open_mean(result, bout.width_m, rate)) is not None:
            note = f"mean {ends[0]} {unit}, {ends[1]}"
        at = f"{f'of {bout.part} ' if bout.part else ''}at {show_width(bout.width_m, system)}"
        rows.append(CardRow(f"CV {at} {method}", cv, note))
    reading = result.pattern
    shape = ", ".join(reading.shapes) or ("can't be told" if reading.unclear else "no shape stands out")
    half = show(reading.figures.half_of_peak_m.value, "length", system, digits=1)
    look = "" if result.blocking else ", ".join(each.cause.part for each in reading.advice[:3])
    side = MIRRORED if mirrored else f"{show_figure(result.profile.left_share_pct)} % left"
    told = f"half-rate width {half}, {side}"
    return (*rows, CardRow("pattern", shape, f"{told}; look at first: {look}" if look else told))
