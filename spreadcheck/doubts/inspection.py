"""All that is looked at before a test is trusted: the sheet as read, conditions and weighing, the tray line."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

import numpy as np

from spreadcheck.doubts.agreement import agreement_doubts, wind_words
from spreadcheck.doubts.doubt import Doubt, Listed, Places, Quantity, Words
from spreadcheck.doubts.mass import common_step_g, mass_doubts
from spreadcheck.doubts.register import CHECKS, doubt
from spreadcheck.limits import LIMITS
from spreadcheck.passes.granules import granules_of, reading_error_g, tray_noise
from spreadcheck.passes.passes import Passes, passes_of
from spreadcheck.passes.sides import ACROSS
from spreadcheck.sheet.labels import LABELS, MOST_BINS, ONE_AFTER_THE_OTHER, bin_label, nearest
from spreadcheck.sheet.plausible import slip
from spreadcheck.sheet.traytest import COPIED, TrayTest, catch_g
from spreadcheck.spread.profile import SAME_PLACE, FigureRange, Profile, metered_kg_ha_m, over_tails
from spreadcheck.units import KINDS, counted

EFFECTIVE = "effective width"
_RIM = 0.02  # of the tray width: sloping rims let trays stand a little closer than measured
_EN_SPEED_M_S = 4.4 / 3.6  # 4 +/- 0.4 km/h
_STEPS_G = (10.0, 5.0, 1.0, 0.5, 0.1)  # of scales that are coarse enough to matter
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
    known = {EFFECTIVE: effective_m, "bout width driven": bout_width_m, "half-rate width": profile.half_rate_width_m}
    what, held_m = next((name, width) for name, width in known.items() if width is not None)
    width = Words("the {what} of {width}", {"what": what, "width": Quantity(held_m, "length")})
    # by how much the mass may be larger than what was caught: over the plausible tails beyond the end trays
    beyond = over_tails(profile, lambda one: one.area_kg_ha_m).most / profile.area_kg_ha_m
    return (
        *sheet_doubts(test, profile),
        *condition_doubts(test, profile, beyond),
        *mass_doubts(test, profile, beyond),
        *line_doubts(test, profile, held_m, width, cv_over_tails=cv_over_tails, tails_decide=tails_decide),
        *agreement_doubts(passes or passes_of(test, relative=profile.relative), held_m, width),
    )


def sheet_doubts(test: TrayTest, profile: Profile) -> Iterator[Doubt]:
    """What reading and averaging had to do to get from the sheet to the profile, in the order of the sheet."""
    for label in test.unknown_labels:
        remedy = 'did you mean "{near}"?' if (near := nearest(label)) else ""
        yield doubt("unknown-label", remedy=remedy, label=label, near=near or "")
    if test.mirrored:
        copied = sum(name.endswith(COPIED) for name in test.tray)
        yield doubt("side-mirrored", trays=counted(copied, "tray"))
    in_turn = test.text("bins run") == ONE_AFTER_THE_OTHER  # what the controller or the pattern can't follow
    for number in range(2, MOST_BINS + 1) if in_turn else ():
        each = {name: _unlike(test, name, bin_label(name, number), limit) for name, limit in _ALIKE}
        what = {name: words for name, words in each.items() if words is not None}
        if what:
            limits = tuple(dict.fromkeys(limit for name, limit in _ALIKE if limit and name in what))
            yield doubt("bins-differ", limits=limits, number=number, what=Listed(tuple(what.values())))
    there = {float(offset) for offset in test.offset_m[~test.no_tray]}  # not the places left out, as at the wheels
    without = {"filled-trays": profile.filled_offset_m, "dropped-end-trays": profile.dropped_offset_m}
    for code, offsets in without.items():
        if places := tuple(offset for offset in offsets if offset in there):
            yield doubt(code, trays=counted(len(places), "tray"), places=Places(places))
    widest = float((profile.offset_m[1:] - profile.offset_m[:-1]).max())
    if widest - profile.spacing_m > max(_MEASURED_M, _MEASURED * profile.spacing_m):
        least, most = Quantity(profile.spacing_m, "length"), Quantity(widest, "length")
        yield doubt("uneven-spacing", least=least, most=most)


# what bins that run one after the other must have in common, and the limit of their difference
_ALIKE = (
    ("product", ""), ("bulk density", "bins alike"), ("calibration factor", "bins alike"),
    ("size guide number", "segregation low"),
)  # fmt: skip


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


def condition_doubts(test: TrayTest, profile: Profile, beyond: float) -> Iterator[Doubt]:
    """Doubts about wind (all of it lies across where it kept changing) and speed, repeats, scale and recovery."""
    wind, direction = test.quantity("wind speed"), test.text("wind from")
    if wind is not None:
        over = tuple(code for code in CHECKS["wind-speed"].limits if wind > LIMITS[code].value + 1e-9)
        if over:
            yield doubt("wind-speed", limits=over, wind=Quantity(wind, "wind speed"))
        sideways = wind * ACROSS[direction] if direction else 0.0
        if sideways > LIMITS["wind across"].value + 1e-9:
            least, most = (sideways * LIMITS[code].value for code in ("drift least", "drift most"))
            yield doubt(
                "wind-across",
                effect=CHECKS["wind-across"].effect + "; granules drift about {least} to {most} in such a wind",
                direction=wind_words(test),
                wind=Quantity(sideways, "wind speed"),
                least=Quantity(least, "length", 1),
                most=Quantity(most, "length", 1),
            )
    speed, low, high = test.quantity("travel speed"), LIMITS["speed low"].value, LIMITS["speed high"].value
    if speed is not None and not low - 1e-9 <= speed <= high + 1e-9:
        row = next(row for row in test.form if row.label.strip().casefold() == "travel speed")
        unit, factors = f"{row.value} {row.unit}".split()[-1], KINDS["speed"].factors
        meant = slip("travel speed", speed / factors[unit], unit) if unit in factors else ""
        yield doubt("speed-unusual", remedy=meant, speed=Quantity(speed, "speed"))
    runs = test.runs_per_catch
    repeats = profile.passes_used * runs
    slow = repeats >= LIMITS["en runs"].value and speed is not None and speed <= _EN_SPEED_M_S + 1e-9
    if repeats < LIMITS["passes"].value and not slow:
        passes, each = counted(profile.passes_used, "pass", "passes"), " each" * (profile.passes_used > 1)
        yield doubt("few-passes", passes=passes, runs=f"{counted(runs, 'run')}{each}")
    if profile.passes_used == 1:
        yield doubt("slips-unseen")
    if not profile.relative:
        yield from _weighing(test, profile, beyond)


def _weighing(test: TrayTest, profile: Profile, beyond: float) -> Iterator[Doubt]:
    """Granules and steps of the scale in the catch of a half-rate tray, and the share of the metered mass caught."""
    half, grain = profile.rate_kg_ha.max() / 2, granules_of(test)
    if grain is not None:
        area, passes, runs = test.tray_width_m * test.tray_length_m, profile.passes_used, test.runs_per_catch
        noise = tray_noise(half, tray_area_m2=area, granules=grain, passes=passes, runs_per_catch=runs)
        if noise.counting_pct > LIMITS["granule noise"].value:
            yield doubt("few-granules", granules=float(noise.count), noise=float(noise.counting_pct))
    half_g = half / test.kg_ha_per_g
    step, known = test.quantity("scale resolution"), "the scale reads"
    if step is None:
        step, known = common_step_g(catch_g(test), _STEPS_G, least=10), "all catches are whole multiples of"
    if step is not None and half_g < LIMITS["scale steps"].value * step * (1 - 1e-9):
        error = 100 * reading_error_g(step) / half_g
        yield doubt("coarse-scale", known=known, step=step, half=half_g, steps=half_g / step, error=error)
    metered = metered_kg_ha_m(test)
    share = 100.0 * profile.area_kg_ha_m / metered if metered else 100.0
    low, high = LIMITS["recovery low"].value, LIMITS["recovery high"].value
    if share > high + 1e-9 or share * beyond < low - 1e-9:
        why = (
            "granules that bounce out of trays without a grid, fall on the rims or fly past the line are lost to the "
            "catch"
            if share < low
            else "granules that bounce in from a hard surface, or a scale zeroed without the tray, add to the catch"
        )
        caught, given = profile.area_kg_ha_m / 10, (metered or 0.0) / 10
        yield doubt("recovery", effect=f"{CHECKS['recovery'].effect}; {why}", share=share, caught=caught, metered=given)


def line_doubts(
    test: TrayTest,
    profile: Profile,
    held_m: float,
    width: Words,
    *,
    cv_over_tails: Mapping[str, FigureRange],
    tails_decide: bool,
) -> Iterator[Doubt]:
    """Doubts about the tray line: throw not covered, too few trays, gaps, trays closer than they are wide."""
    offset, rate = profile.offset_m, profile.rate_kg_ha
    left, right = -float(offset[0]), float(offset[-1])
    short, long = sorted((left, right))
    share = 100.0 * float(rate[0 if left < right else -1] / rate.max())
    if short <= LIMITS["side reach"].value * long and share > LIMITS["side catch"].value:
        reach = Quantity(max(short, 0.0), "length")
        yield doubt("one-side", share=share, short=reach, long=Quantity(long, "length"))
    ends, effect = profile.ends, CHECKS["end-catch"].effect
    if ends.catch:  # what fell beyond the end trays blocks where it decides the verdict
        if cv_over_tails:
            ranges = " and ".join(f"{cv.least:.1f} to {cv.most:.1f} % {how}" for how, cv in cv_over_tails.items())
            effect += f"; over all plausible tails the CV at the bout width driven is {ranges}"
        first, last = (Quantity(abs(far), "length") for far in (left, right))
        caught, blocks = ends.share_pct, ends.open and tails_decide
        yield doubt(
            "end-catch", effect=effect, blocking=blocks, left=caught[0], right=caught[1], first=first, last=last
        )
    if width.values["what"] == EFFECTIVE and held_m >= right + left - profile.spacing_m / 2:
        times = held_m / (right + left)  # as wide as the line: the next wider one was never tried
        yield doubt("line-too-short", width=width, times=times, length=Quantity(right + left, "length"))
    edge = held_m / 2 * (1 + SAME_PLACE)
    filled = tuple(place for place in profile.filled_offset_m if abs(place) <= edge)
    trays = int(np.count_nonzero(np.abs(offset) <= edge))
    if trays - len(filled) < LIMITS["trays in width"].value:
        few, spacing = counted(trays - len(filled), "tray"), Quantity(profile.spacing_m, "length")
        yield doubt("few-trays", trays=few, width=width, spacing=spacing)
    share = 100.0 * len(filled) / max(trays, 1)
    if len(filled) > LIMITS["gaps in width"].value and share > LIMITS["gaps share"].value:
        missing = counted(len(filled), "tray")
        yield doubt("gaps-in-width", trays=missing, share=share, width=width, places=Places(filled))
    gaps = test.offset_m[1:] - test.offset_m[:-1]
    if (least := float(gaps.min(initial=np.inf))) < test.tray_width_m * (1 - _RIM):
        at = int(gaps.argmin())
        apart, wide = Quantity(least, "length"), Quantity(test.tray_width_m, "length")
        yield doubt("trays-too-close", one=test.tray[at], other=test.tray[at + 1], apart=apart, width=wide)
