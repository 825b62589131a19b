"""Whether the masses can be right: against what was aimed at, what a tray holds, and what a scale shows.

Where they can't, the usual slips are tried: a decimal point, runs not divided by, ounces, feet, the tray's own weight.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from spreadcheck.doubts.doubt import Doubt, Explanation, Quantity, Words
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import record
from spreadcheck.limits import LIMITS
from spreadcheck.passes.granules import granules_of
from spreadcheck.sheet.traytest import FloatArray, TrayTest, catch_g, rising, with_labels
from spreadcheck.spread.profile import Profile
from spreadcheck.units import FOOT_M, KINDS

_METERED, _TARGET, _WIDTHS = 0.12, 0.22, 0.35  # log standard deviations that good tests keep
_USUAL = (30.0, LIMITS["rate high"].value)  # kg/ha: a peak in it is rather right, and the target wrong
_FITS = 0.5  # an explanation that fits less is not told
_ALIKE = 0.2  # nor is one that fits worse than the best by this
_STEPS_G = (10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
_ENOUGH_READINGS = 15  # different readings before their common step says something about the scale
_SMALL_GRANULE_G = 0.006  # of 2 mm and 1400 kg/m3: the smallest usual one, so that granules scatter least
_NEVER = 1e-3  # chance that the end trays of a line cut short read so alike
_MASSES = KINDS["catch mass"].factors


@record
class _Basis:
    """What the mass caught is held against: `share` of it was caught, good tests keep within `spread` (log)."""

    what: str
    share: float
    spread: float
    by_bout: bool  # whether it rests on the bout width of the form


def mass_doubts(test: TrayTest, profile: Profile, beyond: float) -> Iterator[Doubt]:
    """Doubts about masses, of which up to `beyond` times what was caught fell, and about widths in the wrong unit."""
    if profile.relative:
        return
    yield from _container(test, profile)
    yield from _implausible(test, profile, beyond)
    peak = float(profile.rate_kg_ha.max())
    if peak > LIMITS["rate high"].value and not _bases(test, profile):
        yield doubt("mass-unchecked", rate=Quantity(peak, "rate"))
    most = float(np.nanmax(catch_g(test), initial=0.0))
    depth_mm = most / (test.quantity("bulk density") or 1000.0) / (test.tray_width_m * test.tray_length_m)
    if depth_mm > LIMITS["tray depth"].value:
        yield doubt("tray-full", most=most, depth=depth_mm)
    stated = test.quantity("scale resolution")
    if stated in _STEPS_G and {column.unit for column in test.columns} == {"g"}:
        seen = common_step_g(test.catch)
        if seen is not None and seen != stated:
            yield doubt("scale-steps", seen_step=seen, stated=stated, finer="finer" if seen < stated else "coarser")
    if test.cumulative:  # weights of trays that were not emptied, and that get lighter from pass to pass
        least = np.maximum(3 * (stated or 0.1), 0.02 * test.catch[:, :-1])
        falls = int((np.diff(test.catch, axis=1) < -least).sum())
        if falls:
            yield doubt("weights-fall", falls=falls)


def _bases(test: TrayTest, profile: Profile) -> list[_Basis]:
    """All that the form has to hold the mass against, the surest first."""
    area, bout = profile.area_kg_ha_m, test.bout_width_m
    discharge, speed = test.quantity("discharge"), test.quantity("travel speed")
    metered, target = test.quantity("metered rate"), test.target_kg_ha
    width = test.quantity("metered width") or bout
    found = []
    if discharge is not None and speed is not None:
        found.append(_Basis("what was discharged", area / 1e4 / (discharge / speed), _METERED, False))
    if metered is not None and width is not None:
        by_bout = test.quantity("metered width") is None
        found.append(_Basis("the metered rate", area / width / metered, _METERED, by_bout))
    if target is not None and bout is not None:
        found.append(_Basis("the target rate", area / bout / target, _TARGET, True))
    return found


def _implausible(test: TrayTest, profile: Profile, beyond: float) -> Iterator[Doubt]:
    """The mass far from what was aimed at, or the bout width far from the pattern's own, with the slips that fit."""
    low, high = LIMITS["mass low"].value / 100, LIMITS["mass high"].value / 100
    bases, width, bout = _bases(test, profile), profile.half_rate_width_m, test.bout_width_m
    far = next((basis for basis in bases if not low <= basis.share * beyond or basis.share > high), None)
    times = bout / width if bout is not None else 1.0
    apart = not LIMITS["bout low"].value <= times <= LIMITS["bout high"].value
    if far is None and not apart:
        return
    fitting = sorted(_slips(test, profile, bases, times, width), key=lambda slip: -slip.fits)
    tried = tuple(slip for slip in fitting if slip.fits >= max(_FITS, fitting[0].fits - _ALIKE))
    if far is None:
        given, own = Quantity(bout or 0.0, "length"), Quantity(width, "length")
        yield doubt("widths-apart", bout=given, times=times, width=own, blocking=bool(tried), explanations=tried)
        return
    least, most = LIMITS["mass blocks low"].value / 100, LIMITS["mass blocks high"].value / 100
    blocks = bool(tried) or far.spread == _METERED or not least <= far.share <= most
    rate = Quantity(profile.area_kg_ha_m / (bout or width), "rate")
    yield doubt(
        "mass-implausible", rate=rate, share=100 * far.share, what=far.what, blocking=blocks, explanations=tried
    )


def _slips(
    test: TrayTest, profile: Profile, bases: list[_Basis], times: float, width_m: float
) -> Iterator[Explanation]:
    """Every slip of a unit or a factor, with how well the masses and widths agree when it is put right."""

    def fits(mass: float = 1.0, bout: float = 1.0, offsets: float = 1.0) -> float:
        """Agreement where the sheet has the mass, the bout width and the offsets too large by these factors."""
        off = [math.log(b.share / (mass * offsets / (bout if b.by_bout else 1))) / b.spread for b in bases]
        if test.bout_width_m is not None:
            off.append(math.log(times / bout * offsets) / _WIDTHS)
        wide = 3.0 <= width_m / offsets <= 60.0
        return math.exp(-0.5 * sum(x * x for x in off) / len(off)) if wide else 0.0

    def put_right(code: str, words: str, remedy: str, right: TrayTest, **factors: float) -> Explanation:
        return Explanation(code, fits(**factors), Words(words), remedy, corrected=right)

    peak, runs = float(profile.rate_kg_ha.max()), test.runs_per_catch
    if bases and all(basis.what == "the target rate" for basis in bases) and not test.bins_together:
        for factor, wrong in ((0.1, "small"), (10.0, "large")):
            words, remedy = f"the target rate of the form is 10 times too {wrong}", "correct the row `target rate`"
            right = with_labels(test, {"target rate": f"{(test.target_kg_ha or 0) / factor:g} kg/ha"})
            found = put_right("target-rate", words, remedy, right, mass=1 / factor)
            yield found if _USUAL[0] <= peak <= _USUAL[1] else replace(found, fits=0.95 * found.fits)
    for factor in (10.0, 100.0, 0.1, 0.01):
        far, heavy, way = (factor, "heavy", "divide") if factor > 1 else (1 / factor, "light", "multiply")
        words = f"all catches are {far:g} times too {heavy}: the decimal point"
        right, remedy = replace(test, catch=test.catch / factor), f"{way} all catches by {far:g}"
        yield put_right("decimal-point", words, remedy, right, mass=factor)
    for really in (*range(2 * runs, 10 * runs, runs), *((1,) if runs > 1 else ())):
        fell = f"{really} runs fell into the trays before they were weighed"
        words = fell if really > 1 else "the trays were weighed after each run"
        right = with_labels(test, {"runs per catch": str(really)})
        yield put_right("runs-per-catch", words, f"write the row `runs per catch,{really}`", right, mass=really / runs)
    units = {column.unit for column in test.columns}
    for unit, other in itertools.permutations(("g", "oz", "kg", "lb"), 2):
        if units == {unit}:
            words, remedy = f"the catches are in {other}", f"write {other} for {unit} in the row of units"
            right = replace(test, columns=tuple(replace(column, unit=other) for column in test.columns))
            yield put_right("mass-unit", words, remedy, right, mass=_MASSES[unit] / _MASSES[other])
    row = next((row for row in test.form if row.label.strip().casefold() == "bout width"), None)
    for unit, other, factor in (("m", "ft", 1 / FOOT_M), ("ft", "m", FOOT_M)):
        if row is not None and row.unit.strip().casefold() == unit:
            words, remedy = f"the bout width is in {other}", f"write the row `bout width,{row.value},{other}`"
            right = with_labels(test, {"bout width": f"{row.value} {other}"})
            yield put_right("feet-for-metres", words, remedy, right, bout=factor)
        if test.offset_unit == unit:
            words, remedy = f"the offsets are in {other}", f"write {other} for {unit} below `offset`"
            yield put_right("feet-for-metres", words, remedy, replace(test, offset_unit=other), offsets=factor)


def _container(test: TrayTest, profile: Profile) -> Iterator[Doubt]:
    """The same mass in the outer trays: the tray itself, as granules fall by chance and would scatter.

    Where only the last tray of each side caught nothing, what was aimed at has to come right too, unless all passes
    read the same there as they would not by chance.
    """
    rates, grams = profile.rate_kg_ha, catch_g(test)
    three, peak = max(3, len(rates) // 12), float(rates.max())
    if min(rates[0], rates[-1]) <= LIMITS["end catch"].value / 100 * peak or np.any(test.tare_g) or test.cumulative:
        return
    grams = grams[~np.isnan(grams).all(axis=1)]
    if len(grams) < 2 * three + 3 or test.components:
        return
    seen = [_same(test, profile, grams, ends) for ends in (three, 1)]
    ends, tare, varies, chance, fits = max(seen, key=lambda one: one[-1])
    if fits < LIMITS["explained"].value:
        return
    weight = f"{tare:.3g}"
    words = Words(f"the trays were weighed with what was in them; an empty one weighs {weight} g")
    remedy = f"weigh an empty tray and write the row `tare,{weight},g`"
    right = with_labels(test, {"tare": f"{weight} g"})
    tried = Explanation("container-weighed", fits, words, remedy, corrected=right)
    trays = "last tray on each side weighs" if ends == 1 else f"{ends} outer trays on each side weigh"
    yield doubt("container-weighed", trays=trays, tare=tare, varies=varies, chance=chance, explanations=(tried,))


def _same(test: TrayTest, profile: Profile, grams: FloatArray, ends: int) -> tuple[int, float, float, float, float]:
    """The trays looked at on each side, their mass, how it varies, how granules would by chance, and how it fits."""
    outer = np.concatenate((grams[:ends].ravel(), grams[-ends:].ravel()))
    outer = outer[~np.isnan(outer)]
    tare = float(np.median(outer))
    varies = 1.4826 * float(np.median(np.abs(outer - tare)))
    grain = granules_of(test)
    chance = math.sqrt(tare * (grain.mean_mass_g if grain else _SMALL_GRANULE_G))
    step = test.quantity("scale resolution") or common_step_g(grams) or 0.0
    fits = 1 - (varies / chance) ** 2 if chance > step else 0.0
    rate = tare / grams[~np.isnan(grams)].max() * float(profile.rate_kg_ha.max())
    if rate > LIMITS["rate high"].value:
        fits = max(fits, 1 - (varies / (0.05 * tare)) ** 2)  # no spreader brings as much to the end of the line
    if ends == 1 and not _never_by_chance(grams, tare, chance, step):
        # what was aimed at has to come right once it is taken off every tray
        bases, length = _bases(test, profile), profile.offset_m[-1] - profile.offset_m[0] + profile.spacing_m
        left = 1 - rate * length / profile.area_kg_ha_m
        low, high = LIMITS["mass low"].value / 100, LIMITS["mass high"].value / 100
        if not bases or left <= 0 or all(low <= basis.share <= high for basis in bases):
            return ends, tare, varies, chance, 0.0
        off = [(math.log(basis.share * left) / basis.spread) ** 2 for basis in bases]
        fits = min(fits, math.exp(-0.5 * sum(off) / len(off)))
    return ends, tare, varies, chance, fits


def _never_by_chance(grams: FloatArray, tare: float, chance: float, step: float) -> bool:
    """Whether the last trays of all passes weigh the same where granules would not, and no tray weighs less.

    Their squared deviations over the variance of granules, the rounding of the scale added, are chi-square of one less
    than there are of them. The other trays have to differ more from pass to pass, else the passes are near copies.
    """
    last = grams[[0, -1]][~np.isnan(grams[[0, -1]])]
    others = grams[1:-1][np.nansum(grams[1:-1], axis=1) > 0]
    if len(last) < 2 or not len(others):
        return False
    apart = float(((last - last.mean()) ** 2).sum()) + len(last) * step**2 / 12
    scatter = tare * float(np.sqrt(np.nanmean((others / np.nanmean(others, axis=1, keepdims=True) - 1) ** 2)))
    if scatter <= 3 * math.sqrt(apart / len(last)) or np.nanmin(grams) < tare - chance:
        return False
    from scipy.special import gammainc  # only where the end trays read alike

    return bool(gammainc((len(last) - 1) / 2, apart / chance**2 / 2) < _NEVER)


def common_step_g(
    grams: FloatArray, steps_g: Sequence[float] = _STEPS_G, *, least: int = _ENOUGH_READINGS
) -> float | None:
    """The coarsest usual step of a scale that all readings are multiples of."""
    different = rising(grams[grams > 0])
    fits = (step for step in steps_g if np.abs(different / step - np.rint(different / step)).max() < 1e-6)
    return next(fits, None) if len(different) >= least else None
