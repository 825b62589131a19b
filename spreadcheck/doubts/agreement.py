"""Whether the passes of a test agree with one another, tray by tray and side by side, and where their centre lies."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spreadcheck.doubts.conditions import wind_words
from spreadcheck.doubts.doubt import Doubt, Explanation, Listed, Quantity, Value, Words
from spreadcheck.doubts.explain import SWAPPED, explanations_of
from spreadcheck.doubts.neighbours import neighbour_band, neighbour_doubts
from spreadcheck.doubts.register import doubt
from spreadcheck.doubts.trayline import Judged
from spreadcheck.limits import LIMITS
from spreadcheck.passes.passes import FEW, FLOOR, PassCatches, Passes, middle_of
from spreadcheck.passes.sides import off_centre, wind_across, wind_reach
from spreadcheck.sheet.traytest import FloatArray, TrayTest, catch_g

_BODY = 0.2  # of the peak: trays that say how a whole pass compares
_SLIPS, _SLIPS_SHARE = 2, 0.1  # most slips in one pass, as a number or a share of its trays
_BY_CHANCE = 1.5  # times the average: three standard deviations of a sum of |normal| over some 20 trays
_SHOWN = 4  # of a kind, in one message


def agreement_doubts(judged: Judged, passes: Passes) -> tuple[Doubt, ...]:
    """Doubts about passes that disagree, single catches and trays, and the centre of the spread."""
    test, catches = passes.test, passes.catches
    odd, expected = odd_catches(catches)
    slips = odd & _few_in_pass(odd)
    righted = _righted(catches, slips, expected) if slips.any() else catches
    tried = explanations_of(test, catches)
    swapped = tuple(slip for slip in tried if slip.code == SWAPPED)
    whole = tuple(slip for slip in tried if slip.code != SWAPPED)
    found = (
        _odd_doubt(test, catches, slips, expected, swapped),
        *_disagree_doubts(righted, odd & ~slips, whole),
        _off_centre_doubt(passes, judged),
    )
    agreed = tuple(doubt for doubt in found if doubt is not None)
    return (*agreed, *neighbour_doubts(test, righted))


def _few_in_pass(odd: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether a pass has so few odd catches that they are slips; many mean that the pass itself was another one."""
    few = odd.sum(axis=1, keepdims=True) <= max(_SLIPS, _SLIPS_SHARE * odd.shape[1])
    return np.asarray(few)


def _righted(catches: PassCatches, slips: NDArray[np.bool_], expected: FloatArray) -> PassCatches:
    """The passes with slips put right, so that one slip is not found three times over."""
    rates = np.where(slips, expected, catches.rates)
    return replace(catches, rates=rates, laid=catches.laid if catches.reversed.any() else rates)


def odd_catches(catches: PassCatches) -> tuple[NDArray[np.bool_], FloatArray]:
    """Catches that stand out from the same tray in the other passes, after each pass's own level is allowed for."""
    rates, passes = catches.rates, len(catches.rates)
    if passes == 1:
        return np.zeros(rates.shape, dtype=bool), rates
    levels = _levels(catches, rates[::-1] if passes == 2 else catches.middle)
    expected = rates[::-1] * levels if passes == 2 else middle_of(rates / levels) * levels
    error = catches.error(np.maximum(rates, expected), 1 + 1 / (passes - 1))
    gap, factor = np.abs(rates - expected), LIMITS["catch factor"].value
    odd = gap > np.maximum(LIMITS["catch certainty"].value * error, FLOOR * catches.peak)
    odd &= (rates > factor * expected) | (rates * factor < expected)
    if passes == 2 and odd.any():  # the catch that its neighbours bear out is the good one
        low, high = neighbour_band(catches.offset_m, catches.middle[np.newaxis])
        outside = np.abs(rates - np.clip(rates, low, high))
        odd &= (outside > 0) & (outside == outside.max(axis=0))
    return odd, expected


def _levels(catches: PassCatches, reference: FloatArray) -> FloatArray:
    """Level of each pass on each side against the reference: a median over trays, which a slip does not move."""
    body = catches.middle > _BODY * catches.peak
    centre = int(catches.offset_m.searchsorted(0.0, "right"))
    levels = np.ones(catches.rates.shape)
    shares = catches.rates / np.where(reference > 0, reference, np.inf)
    for side in (slice(None, centre), slice(centre, None)):
        inside = shares[:, side][:, body[side]]
        if inside.shape[1] >= FEW:
            levels[:, side] = np.maximum(middle_of(inside.T), FLOOR)[:, np.newaxis]
    return levels


def _odd_doubt(
    test: TrayTest,
    catches: PassCatches,
    odd: NDArray[np.bool_],
    expected: FloatArray,
    swapped: tuple[Explanation, ...],
) -> Doubt | None:
    if not odd.any():
        return doubt("odd-catch", catches=swapped[0].words, explanations=swapped) if swapped else None
    places = np.argwhere(odd)
    worst = places[np.argsort(-np.abs(catches.rates - expected)[odd], kind="stable")].tolist()
    told = tuple(
        _odd_words(test, catches, at, float(catches.rates[at, tray]), float(expected[at, tray]), tray)
        for at, tray in worst[:_SHOWN]
    )
    slipped = any(_slipped(float(catches.rates[at, tray]), float(expected[at, tray])) for at, tray in worst)
    listed = Listed(told, len(worst) - _SHOWN)
    return doubt("odd-catch", catches=listed, blocking=slipped, explanations=swapped)


def _odd_words(test: TrayTest, catches: PassCatches, at: int, rate: float, expected: float, tray: int) -> Words:
    """One odd catch in the words of the weighing notes: the tray as it lay, in the sheet's own unit."""
    number = catches.numbers[at]
    place = catches.offset_m[tray] * (-1 if number in test.reversed_passes else 1)
    row = int(np.abs(test.offset_m - place).argmin())
    columns = [index for index, column in enumerate(test.columns) if column.pass_no == number]
    caught, unit = float(test.catch[row, columns].sum()), test.columns[columns[0]].unit
    if test.cumulative or np.any(test.tare_g):
        caught, unit = float(catch_g(test, relative=True)[row, columns].sum()), "g net"
    others = "the other pass has" if len(catches.numbers) == 2 else "the other passes have"
    per_rate = test.runs_per_catch * test.tray_width_m * test.tray_length_m / 10
    usual = expected * (caught / rate if rate > 0 else per_rate)
    times = f" ({_times(rate / expected)})" if expected > 0 else ""
    template = "tray {tray} in pass {number}: {caught:g} {unit} where {others} about {usual:.3g} {unit}{times}"
    values: dict[str, Value] = {
        "tray": test.tray[row],
        "number": number,
        "caught": caught,
        "unit": unit,
        "others": others,
    }
    return Words(template, {**values, "usual": usual, "times": times})


def _slipped(rate: float, expected: float) -> bool:
    """Whether a catch is about ten times, or a tenth of, what the other passes caught there."""
    return expected > 0 and (8 <= rate / expected <= 12.5 or 0.08 <= rate / expected <= 0.125)


def _times(ratio: float) -> str:
    slip = ": has a decimal point slipped?" if _slipped(ratio, 1.0) else ""
    return f"{ratio:.{1 if ratio >= 1 else 2}f} times{slip}"


def pass_gaps(catches: PassCatches) -> tuple[FloatArray, NDArray[np.bool_]]:
    """How far each pass lies from the middle pass left and right of the driving line, and whether that is too far."""
    passes = len(catches.numbers)
    left, right = (int(catches.offset_m.searchsorted(0.0, side)) for side in ("left", "right"))
    trays = np.array([left, len(catches.offset_m) - right])
    sums = np.stack((catches.rates[:, :left].sum(axis=1), catches.rates[:, right:].sum(axis=1)), axis=1)
    reference = sums[::-1] if passes == 2 else middle_of(sums)
    usable = (reference > 0) & (trays >= FEW)
    gap = np.where(usable, sums / np.where(usable, reference, 1.0) - 1.0, 0.0)
    error = np.sqrt((catches.scatter * reference + catches.reading * trays) * (1 + 1 / max(passes - 1, 1)))
    too_far = usable & (np.abs(sums - reference) > LIMITS["pass certainty"].value * error)
    return 100.0 * gap, too_far & (np.abs(gap) > LIMITS["pass gap"].value / 100)


def elsewhere(catches: PassCatches) -> FloatArray:
    """The share of each pass that fell at other trays than in the middle of the others, its level put alike. [%]"""
    found = []
    for at, rates in enumerate(catches.rates):
        others = middle_of(np.delete(catches.rates, at, axis=0))
        own, sum_ = float(rates.sum()), float(others.sum())
        found.append(50 * np.abs(rates / own - others / sum_).sum() if own > 0 and sum_ > 0 else 100.0)
    return np.array(found)


def _elsewhere_by_chance(catches: PassCatches) -> float:
    """What `elsewhere` is on average where passes differ by the scatter of their catches alone. [%]"""
    error = catches.error(catches.middle, 1 + 1 / max(len(catches.numbers) - 1, 1))
    return float(50 * np.sqrt(2 / np.pi) * error.sum() / max(float(catches.middle.sum()), 1e-12))


def _disagree_doubts(
    catches: PassCatches, apart: NDArray[np.bool_], tried: tuple[Explanation, ...]
) -> tuple[Doubt, ...]:
    """Passes that caught more or less, on one side or on both, or `apart` from the others at many trays."""
    passes = len(catches.numbers)
    if passes == 1:
        return ()
    gaps, too_far = pass_gaps(catches)
    many = apart.sum(axis=1)
    moved = elsewhere(catches)
    worst_pass, far = (
        int(moved.argmax()),
        bool(moved.max() > max(LIMITS["pass elsewhere"].value, _BY_CHANCE * _elsewhere_by_chance(catches))),
    )
    moved_words = Words(
        "{share:.0f} % of pass {number} fell at other trays than in {others}",
        {
            "share": float(moved.max()),
            "number": catches.numbers[worst_pass],
            "others": "the other pass" if passes == 2 else "the other passes",
        },
    )
    marked = np.flatnonzero(too_far.any(axis=1) | (many > 0))
    if passes == 2 and len(marked):
        marked = marked[-1:]  # of two passes each is off against the other: said once
    worst = marked[np.argsort(-np.abs(gaps[marked]).max(axis=1), kind="stable")]
    found: tuple[Doubt, ...] = ()
    if not (far or tried):
        level = worst[too_far[worst].all(axis=1) & (gaps[worst].prod(axis=1) > 0)]
        levels = tuple(Words(_level_text(catches, at, float(gaps[at].mean()))) for at in level[:_SHOWN].tolist())
        found = (doubt("pass-level", passes=Listed(levels, len(level) - _SHOWN, " passes")),) if levels else ()
        alike = np.ptp(gaps[worst], axis=1) <= LIMITS["pass gap"].value
        worst = worst[~(np.isin(worst, level) & alike & (many[worst] == 0))]  # its pattern is that of the others
        if not len(worst):
            return found
    told = tuple(Words(_gap_text(catches, at, gaps[at].tolist(), int(many[at]))) for at in worst[:_SHOWN].tolist())
    if far:
        told = (*told, moved_words)
    elif not told:
        told = (Words("the {passes} passes differ from tray to tray by more than chance", {"passes": passes}),)
    listed = Listed(told, len(worst) - _SHOWN, " passes")
    return (*found, doubt("passes-disagree", passes=listed, blocking=far or bool(tried), explanations=tried))


def _level_text(catches: PassCatches, at: int, gap: float) -> str:
    other = f"pass {catches.numbers[1 - at]}" if len(catches.numbers) == 2 else "the middle pass"
    more = "more" if gap > 0 else "less"
    return f"pass {catches.numbers[at]} caught {abs(gap):.0f} % {more} than {other}"


def _gap_text(catches: PassCatches, at: int, gaps: list[float], many: int) -> str:
    left, right = (f"{gap:+.0f}".replace("-0", "+0") if abs(gap) < 0.5 else f"{gap:+.0f}" for gap in gaps)
    other = f"pass {catches.numbers[1 - at]}" if len(catches.numbers) == 2 else "the middle pass"
    trays = (
        f", and {many} of its trays are apart by a factor of more than {LIMITS['catch factor'].value:g}" if many else ""
    )
    return f"pass {catches.numbers[at]} caught {left} % on the left and {right} % on the right against {other}{trays}"


def _off_centre_doubt(passes: Passes, judged: Judged) -> Doubt | None:
    """The centre of the spread, by the same test as the advice on the machine."""
    found = off_centre(passes, judged.width_m)
    if found is None:
        return None
    centre = found.value
    return doubt(
        "off-centre",
        shift=Quantity(abs(centre), "length"),
        side="right" if centre > 0 else "left",
        share=100 * abs(centre) / judged.width_m,
        width=judged.words,
        wind=_wind_words(passes.test, centre),
    )


_WIND = {
    "not across": "{wind} does not explain the side",
    "other side": "{wind} would have carried it the other way, so the cause is the machine or the tray line",
    "part": "{wind} {carries} this side, up to {most} at its speed, which explains only part of it",
    "explains": "{wind} {carries} this side, up to {most} at its speed, which explains it",
    "may explain": "{wind} {carries} this side, up to {most} at its speed, which may explain it",
}


def _wind_words(test: TrayTest, shift_m: float) -> Words:
    """Whether the wind explains the side, and how far it could have carried the pattern."""
    found, speed = wind_reach(test, shift_m), test.quantity("wind speed")
    if found == "not noted" or speed is None:
        return Words("wind speed and direction are not on the form, so it can't be said whether the wind did it")
    direction = test.text("wind from")
    most = speed * wind_across(direction) * LIMITS["drift most"].value
    values: dict[str, Value] = {"wind": f"the wind, which {wind_words(test)},", "most": Quantity(most, "length", 1)}
    return Words(_WIND[found], {**values, "carries": "may carry to" if direction == "changing" else "carries to"})
