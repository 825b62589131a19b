"""All that is looked at before a test is trusted: the sheet as read, conditions, tray line, passes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from spreadcheck.doubts.agreement import agreement_doubts
from spreadcheck.doubts.conditions import condition_doubts
from spreadcheck.doubts.doubt import Doubt, Listed, Places, Quantity, Words, trays_counted
from spreadcheck.doubts.mass import mass_doubts
from spreadcheck.doubts.register import doubt
from spreadcheck.doubts.trayline import judged_width, line_doubts
from spreadcheck.limits import LIMITS
from spreadcheck.passes.passes import Passes, passes_of
from spreadcheck.sheet.labels import LABELS, MOST_BINS, ONE_AFTER_THE_OTHER, bin_label, nearest
from spreadcheck.sheet.mirror import COPIED
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.profile import Profile
from spreadcheck.spread.tails import FigureRange
from spreadcheck.units import KINDS

_MEASURED_M, _MEASURED = 0.005, 0.005  # how far apart spacings may be before a tape tells: 5 mm, or 0.5 %


def doubts_of(
    test: TrayTest,
    profile: Profile,
    *,
    effective_m: float | None = None,
    bout_width_m: float | None = None,
    passes: Passes | None = None,
    cv_over_tails: Mapping[str, FigureRange] = MappingProxyType({}),
    tails_decide: bool = True,
) -> tuple[Doubt, ...]:
    """Every doubt about a test, before its width is trusted; `cv_over_tails` is that at the width driven, by method."""
    judged = judged_width(profile, effective_m, bout_width_m)
    return (
        *sheet_doubts(test, profile),
        *condition_doubts(test, profile),
        *mass_doubts(test, profile),
        *line_doubts(test, profile, judged, cv_over_tails=cv_over_tails, tails_decide=tails_decide),
        *agreement_doubts(judged, passes or passes_of(test, relative=profile.relative)),
    )


def sheet_doubts(test: TrayTest, profile: Profile) -> Iterator[Doubt]:
    """What reading and averaging had to do to get from the sheet to the profile, in the order of the sheet."""
    for label in test.unknown_labels:
        remedy = 'did you mean "{near}"?' if (near := nearest(label)) else ""
        yield doubt("unknown-label", remedy=remedy, label=label, near=near or "")
    if test.mirrored:
        copied = sum(name.endswith(COPIED) for name in test.tray)
        yield doubt("side-mirrored", trays=trays_counted(copied))
    yield from _bins_differ(test)
    there = {float(offset) for offset in test.offset_m[~test.no_tray]}  # not the places left out, as at the wheels
    without = {"filled-trays": profile.filled_offset_m, "dropped-end-trays": profile.dropped_offset_m}
    for code, offsets in without.items():
        if places := tuple(offset for offset in offsets if offset in there):
            yield doubt(code, trays=trays_counted(len(places)), places=Places(places))
    widest = float((profile.offset_m[1:] - profile.offset_m[:-1]).max())
    if widest - profile.spacing_m > max(_MEASURED_M, _MEASURED * profile.spacing_m):
        least, most = Quantity(profile.spacing_m, "length"), Quantity(widest, "length")
        yield doubt("uneven-spacing", least=least, most=most)


# what bins that run one after the other must have in common, and the limit of their difference
_ALIKE = (
    ("product", ""), ("bulk density", "bins alike"), ("calibration factor", "bins alike"),
    ("size guide number", "segregation low"),
)  # fmt: skip


def _bins_differ(test: TrayTest) -> Iterator[Doubt]:
    """Bins that take over from one another and differ in what the controller or the pattern can't follow."""
    numbers = range(2, MOST_BINS + 1) if test.text("bins run") == ONE_AFTER_THE_OTHER else ()
    for number in numbers:
        each = {name: _unlike(test, name, bin_label(name, number), limit) for name, limit in _ALIKE}
        what = {name: words for name, words in each.items() if words is not None}
        if what:
            limits = tuple(dict.fromkeys(limit for name, limit in _ALIKE if limit and name in what))
            yield doubt("bins-differ", limits=limits, number=number, what=Listed(tuple(what.values())))


def _unlike(test: TrayTest, name: str, other: str, limit: str) -> Words | None:
    """In what the value of another bin is not that of the first; None where it is, or where one is not known."""
    names = {"name": name, "first": test.text(name), "second": test.text(other)}
    if names["first"] and names["second"]:
        same = names["first"].casefold() == names["second"].casefold()
        return None if same else Words("{name} {second} after {first}", names)
    first, second = test.quantity(name), test.quantity(other)
    if first is None or second is None or abs(change := 100 * (second - first) / first) <= LIMITS[limit].value:
        return None
    kind = LABELS[name].kind
    values = {n: Quantity(v, kind) if kind in KINDS else f"{v:.4g}" for n, v in (("first", first), ("second", second))}
    words = "{name} {second} after {first}, {change:.1f} % {more}"
    return Words(words, {**values, "name": name, "change": abs(change), "more": "more" if change > 0 else "less"})
