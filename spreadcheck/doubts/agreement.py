"""Whether the passes of a test agree with one another, tray by tray and side by side, and where their centre lies."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spreadcheck.doubts.doubt import Doubt, Explanation, Listed, Places, Quantity, Value, Words
from spreadcheck.doubts.explain import SWAPPED, explanations_of
from spreadcheck.doubts.register import CHECKS, doubt
from spreadcheck.limits import LIMITS
from spreadcheck.passes.noise import FROM_PASSES, Noise
from spreadcheck.passes.passes import FEW, FLOOR, PassCatches, Passes, middle_of
from spreadcheck.passes.sides import ACROSS, off_centre, wind_reach
from spreadcheck.sheet.traytest import FloatArray, TrayTest, catch_g
from spreadcheck.units import side_of

_BODY = 0.2  # of the peak: trays that say how a whole pass compares
_SLIPS, _SLIPS_SHARE = 2, 0.1  # most slips in one pass, as a number or a share of its trays
_BY_CHANCE = 1.5  # times the average: three standard deviations of a sum of |normal| over some 20 trays
_SHOWN = 4  # of a kind, in one message
_FAR = 3.0  # standard errors at which neighbouring trays are said to move together
_NO_SCATTER = 1e-9  # of the peak


def agreement_doubts(passes: Passes, width_m: float, width: Words) -> Iterator[Doubt]:
    """Doubts about passes that disagree, single catches and trays, and the centre against a width and its words."""
    test, catches = passes.test, passes.catches
    odd, expected = odd_catches(catches)
    few = odd.sum(axis=1, keepdims=True) <= max(_SLIPS, _SLIPS_SHARE * odd.shape[1])
    slips = odd & few  # many odd catches mean that the pass itself was another one
    righted = catches
    if slips.any():  # slips put right, so that one is not found three times over
        rates = np.where(slips, expected, catches.rates)
        righted = replace(catches, rates=rates, laid=catches.laid if catches.reversed.any() else rates)
    tried = explanations_of(test, catches)
    swapped = tuple(slip for slip in tried if slip.code == SWAPPED)
    whole = tuple(slip for slip in tried if slip.code != SWAPPED)
    if slips.any() or swapped:
        yield _odd_doubt(test, catches, slips, expected, swapped)
    if len(catches.numbers) > 1:
        yield from _disagree_doubts(righted, odd & ~slips, whole, emptied=not test.cumulative)
    if (found := off_centre(passes, width_m)) is not None:  # by the same test as the advice on the machine
        centre, side = Quantity(abs(found.value), "length"), side_of(found.value)
        share, wind = 100 * abs(found.value) / width_m, _wind_words(test, found.value)
        yield doubt("off-centre", shift=centre, side=side, share=share, width=width, wind=wind)
    yield from neighbour_doubts(test, righted)


def odd_catches(catches: PassCatches) -> tuple[NDArray[np.bool_], FloatArray]:
    """Catches that stand out from the same tray in the other passes, after each pass's own level is allowed for."""
    rates, passes = catches.rates, len(catches.rates)
    if passes == 1:
        return np.zeros(rates.shape, dtype=bool), rates
    reference = rates[::-1] if passes == 2 else catches.middle
    shares = rates / np.where(reference > 0, reference, np.inf)
    body, centre = catches.middle > _BODY * catches.middle.max(), int(catches.offset_m.searchsorted(0.0, "right"))
    levels = np.ones(rates.shape)  # of each pass on each side: a median over trays, which a slip does not move
    for side in (slice(None, centre), slice(centre, None)):
        inside = shares[:, side][:, body[side]]
        if inside.shape[1] >= FEW:
            levels[:, side] = np.maximum(middle_of(inside.T), FLOOR)[:, np.newaxis]
    expected = rates[::-1] * levels if passes == 2 else middle_of(rates / levels) * levels
    error = catches.error(np.maximum(rates, expected), 1 + 1 / (passes - 1))
    gap, factor = np.abs(rates - expected), LIMITS["catch factor"].value
    odd = gap > np.maximum(LIMITS["catch certainty"].value * error, FLOOR * catches.middle.max())
    odd &= (rates > factor * expected) | (rates * factor < expected)
    if passes == 2 and odd.any():  # the catch that its neighbours bear out is the good one
        low, high = neighbour_band(catches.offset_m, catches.middle[np.newaxis])
        outside = np.abs(rates - np.clip(rates, low, high))
        odd &= (outside > 0) & (outside == outside.max(axis=0))
    return odd, expected


def _odd_doubt(
    test: TrayTest, catches: PassCatches, odd: NDArray[np.bool_], expected: FloatArray, swapped: tuple[Explanation, ...]
) -> Doubt:
    """Single odd catches in the words of the weighing notes: the tray as it lay, in the sheet's own unit."""
    if not odd.any():
        return doubt("odd-catch", catches=swapped[0].words, explanations=swapped)
    ratio = np.divide(catches.rates, expected, out=np.full(odd.shape, np.nan), where=expected > 0)
    tens = np.maximum(ratio, 1 / np.where(ratio > 0, ratio, np.inf))
    slipped = (tens >= 8) & (tens <= 12.5)  # about ten times, or a tenth of, what the other passes caught there
    places = np.argwhere(odd)
    worst = places[np.argsort(-np.abs(catches.rates - expected)[odd], kind="stable")].tolist()
    net = catch_g(test, relative=True) if test.cumulative or np.any(test.tare_g) else None
    others = "the other pass has" if len(catches.numbers) == 2 else "the other passes have"
    told = []
    for at, tray in worst[:_SHOWN]:
        number, rate, times = catches.numbers[at], float(catches.rates[at, tray]), float(ratio[at, tray])
        place = catches.offset_m[tray] * (-1 if number in test.reversed_passes else 1)
        row = int(np.abs(test.offset_m - place).argmin())
        columns = [index for index, column in enumerate(test.columns) if column.pass_no == number]
        caught = float((test.catch if net is None else net)[row, columns].sum())
        point = ": has a decimal point slipped?" if slipped[at, tray] else ""
        values: dict[str, Value] = {
            "tray": test.tray[row],
            "number": number,
            "caught": caught,
            "unit": test.columns[columns[0]].unit if net is None else "g net",
            "others": others,
            "usual": float(expected[at, tray]) * (caught / rate if rate > 0 else 1 / test.kg_ha_per_g),
            "times": "" if np.isnan(times) else f" ({times:.{1 if times >= 1 else 2}f} times{point})",
        }
        told.append(
            Words(
                "tray {tray} in pass {number}: {caught:g} {unit} where {others} about {usual:.3g} {unit}{times}", values
            )
        )
    listed = Listed(tuple(told), len(worst) - _SHOWN)
    return doubt("odd-catch", catches=listed, blocking=bool(slipped[odd].any()), explanations=swapped)


def _held(catches: PassCatches) -> tuple[FloatArray, NDArray[np.bool_], FloatArray, float]:
    """How each pass is held against the middle of the others, by the scatter of their catches.

    By how much it caught more on the left and on the right of the driving line [%], and whether that is too far; the
    share of it that fell at other trays, its level put alike [%], and what that is on average by chance alone.
    """
    passes, rates = len(catches.numbers), catches.rates
    left, right = (int(catches.offset_m.searchsorted(0.0, side)) for side in ("left", "right"))
    trays = np.array([left, len(catches.offset_m) - right])
    sums = np.stack((rates[:, :left].sum(axis=1), rates[:, right:].sum(axis=1)), axis=1)
    reference = sums[::-1] if passes == 2 else middle_of(sums)
    usable = (reference > 0) & (trays >= FEW)
    gap = np.where(usable, sums / np.where(usable, reference, 1.0) - 1.0, 0.0)
    error = np.sqrt((catches.scatter * reference + catches.reading * trays) * (1 + 1 / max(passes - 1, 1)))
    too_far = usable & (np.abs(sums - reference) > LIMITS["pass certainty"].value * error)
    moved = []
    for at, own in enumerate(rates):
        others = middle_of(np.delete(rates, at, axis=0))
        totals = float(own.sum()), float(others.sum())
        moved.append(50 * np.abs(own / totals[0] - others / totals[1]).sum() if min(totals) > 0 else 100.0)
    scatter = catches.error(catches.middle, passes / (passes - 1)).sum()
    by_chance = 50 * np.sqrt(2 / np.pi) * scatter / max(float(catches.middle.sum()), 1e-12)
    return 100.0 * gap, too_far & (np.abs(gap) > LIMITS["pass gap"].value / 100), np.array(moved), float(by_chance)


def _disagree_doubts(
    catches: PassCatches, apart: NDArray[np.bool_], tried: tuple[Explanation, ...], *, emptied: bool
) -> Iterator[Doubt]:
    """Passes that caught more or less, on one side or on both, or `apart` from the others at many trays."""
    passes, many = len(catches.numbers), apart.sum(axis=1)
    gaps, too_far, moved, by_chance = _held(catches)
    named = [f"pass {number}" for number in catches.numbers]
    others = named[::-1] if passes == 2 else ["the middle pass"] * passes
    far = bool(moved.max() > max(LIMITS["pass elsewhere"].value, _BY_CHANCE * by_chance))
    marked = np.flatnonzero(too_far.any(axis=1) | (many > 0))
    if passes == 2:
        marked = marked[-1:]  # of two passes each is off against the other: said once
    worst = marked[np.argsort(-np.abs(gaps[marked]).max(axis=1), kind="stable")]
    if not (far or tried):
        level = worst[too_far[worst].all(axis=1) & (gaps[worst].prod(axis=1) > 0)]
        if len(level):
            off = [(named[at], round(gaps[at].mean()), others[at]) for at in level[:_SHOWN].tolist()]
            more = {True: "more", False: "less"}
            told = tuple(Words(f"{one} caught {abs(by)} % {more[by > 0]} than {other}") for one, by, other in off)
            remedy, times = CHECKS["pass-level"].remedy, 1 + gaps[level].mean(axis=1) / 100
            # trays that were not emptied hold an earlier pass too: near a whole number of passes, and none in the first
            multiple = np.clip(np.rint(times), 2, np.maximum(level, 1) + 1)
            near = np.abs(times / multiple - 1) <= LIMITS["pass gap"].value / 100
            full = [named[at] for at in sorted(level[near & (level > 0)].tolist())] if emptied else []
            if full:
                look = f"look whether the trays were emptied before {', '.join(full)}: full trays would weigh as much"
                remedy = f"{look}. If they were not, take off what they held before; if they were, {remedy}"
            yield doubt("pass-level", remedy=remedy, passes=Listed(told, len(level) - _SHOWN, " passes"))
        weight = 1 + gaps[worst] / 100  # of a pass ten times as heavy, sides 10 points apart are 1 % unlike
        alike = weight.max(axis=1) <= weight.min(axis=1) * (1 + LIMITS["pass gap"].value / 100)
        worst = worst[~(np.isin(worst, level) & alike & (many[worst] == 0))]  # its pattern is that of the others
        if not len(worst):
            return
    told, factor = (), LIMITS["catch factor"].value
    for at in worst[:_SHOWN].tolist():
        left, right = map(round, gaps[at].tolist())
        trays = f", and {many[at]} of its trays are apart by a factor of more than {factor:g}" if many[at] else ""
        sides = f"{left:+d} % on the left and {right:+d} % on the right"
        told = (*told, Words(f"{named[at]} caught {sides} against {others[at]}{trays}"))
    if far:
        at, rest = int(moved.argmax()), "the other pass" if passes == 2 else "the other passes"
        where = "{share:.0f} % of pass {number} fell at other trays than in {others}"
        values: dict[str, Value] = {"share": float(moved[at]), "number": catches.numbers[at], "others": rest}
        told = (*told, Words(where, values))
    elif not told:
        told = (Words("the {passes} passes differ from tray to tray by more than chance", {"passes": passes}),)
    listed = Listed(told, len(worst) - _SHOWN, " passes")
    yield doubt("passes-disagree", passes=listed, blocking=far or bool(tried), explanations=tried)


_WIND = {
    "not across": "{wind} does not explain the side",
    "other side": "{wind} would have carried it the other way, so the cause is the machine or the tray line",
    "part": "{wind} {carries} this side, up to {most} at its speed, which explains only part of it",
    "explains": "{wind} {carries} this side, up to {most} at its speed, which explains it",
    "may explain": "{wind} {carries} this side, up to {most} at its speed, which may explain it",
}


def wind_words(test: TrayTest) -> str:
    """Where the wind came from, in words."""
    direction = test.text("wind from")
    return direction and ("kept changing" if direction == "changing" else f"came from {direction}")


def _wind_words(test: TrayTest, shift_m: float) -> Words:
    """Whether the wind explains the side, and how far it could have carried the pattern."""
    found, speed = wind_reach(test, shift_m), test.quantity("wind speed")
    if found == "not noted" or speed is None:
        return Words("wind speed and direction are not on the form, so it can't be said whether the wind did it")
    direction = test.text("wind from")
    most = speed * ACROSS[direction] * LIMITS["drift most"].value
    values: dict[str, Value] = {"wind": f"the wind, which {wind_words(test)},", "most": Quantity(most, "length", 1)}
    return Words(_WIND[found], {**values, "carries": "may carry to" if direction == "changing" else "carries to"})


def neighbour_band(offset_m: FloatArray, rates: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest rate that the two neighbours on either side of each tray allow.

    A tray may lie anywhere between its four neighbours, or on the line drawn through the two on one side: so a peak, an
    edge and a slope are all allowed, and a lone spike is not.
    """
    x, y = offset_m, rates
    low, high = np.full(y.shape, np.inf), np.full(y.shape, -np.inf)
    on_right = y[:, 1:-1] + (y[:, 1:-1] - y[:, :-2]) * ((x[2:] - x[1:-1]) / (x[1:-1] - x[:-2]))
    on_left = y[:, 1:-1] + (y[:, 1:-1] - y[:, 2:]) * ((x[1:-1] - x[:-2]) / (x[2:] - x[1:-1]))
    allowed = (
        (slice(1, None), y[:, :-1]),
        (slice(None, -1), y[:, 1:]),
        (slice(2, None), y[:, :-2]),
        (slice(None, -2), y[:, 2:]),
        (slice(2, None), np.maximum(on_right, 0.0)),
        (slice(None, -2), np.maximum(on_left, 0.0)),
    )
    for trays, values in allowed:
        np.minimum(low[:, trays], values, out=low[:, trays])
        np.maximum(high[:, trays], values, out=high[:, trays])
    return low, high


def neighbour_doubts(test: TrayTest, catches: PassCatches) -> Iterator[Doubt]:
    """Trays that stand out from their neighbours in every pass, as the trays lay: one doubt that lists them."""
    if len(catches.offset_m) < 2 * FEW + 1:
        return
    ways = (~catches.reversed, catches.reversed)  # each has a pattern of its own
    groups = [catches.laid[way] for way in ways if way.any()]
    means = np.array([group.mean(axis=0) for group in groups])
    low, high = neighbour_band(catches.offset_m, means)
    step = np.maximum(means - high, 0.0) - np.maximum(low - means, 0.0)
    allowed = np.where(step > 0, high, low)
    enough = np.maximum(LIMITS["tray step"].value / 100 * allowed, FLOOR * catches.middle.max())
    marked = (np.abs(step) > enough).all(axis=0)
    marked[[0, -1]] = False  # an end tray has neighbours on one side only
    if not marked.any():
        return
    for row, group in enumerate(groups):
        error = catches.error(np.maximum(means[row], allowed[row])) / len(group) ** 0.5
        marked &= np.abs(step[row]) > LIMITS["catch certainty"].value * error
        marked &= ((group - allowed[row]) * np.sign(step[0]) > 0).all(axis=0)
    marked &= step.mean(axis=0) != 0
    found, passes, places = [], len(catches.numbers), catches.offset_m[marked]
    for tray in np.flatnonzero(marked)[:_SHOWN].tolist():
        row, usual = int(np.abs(test.offset_m - catches.offset_m[tray]).argmin()), float(allowed.mean(axis=0)[tray])
        times = 1 + float(step.mean(axis=0)[tray]) / usual if usual > 0 else 0.0
        level = f"{times:.2f} times what its neighbours allow" if usual > 0 else "a catch where none is expected"
        found.append(Words("tray {tray} shows {level}", {"tray": test.tray[row], "level": level}))
    where = "in the only pass" if passes == 1 else f"in all {passes} passes"
    others = Words(" (and others, at {places})", {"places": Places(tuple(places.tolist()))})
    told = Words("{where}{more}", {"where": where, "more": others if len(places) > _SHOWN else ""})
    if found:
        yield doubt("tray-out-of-line", trays=Listed(tuple(found)), passes=told)


def noise_doubts(noise: Noise) -> Iterator[Doubt]:
    """What is doubtful about the noise of a test, as the passes show it."""
    if noise.source != FROM_PASSES:
        check = CHECKS["one-pass"]
        stated = f"{check.effect}; the one shown holds for noise as stated, none of it measured" if noise.known else ""
        remedy = "" if noise.known else "for one from stated noise add to the form: {missing}. Better, " + check.remedy
        yield doubt("one-pass", effect=stated, remedy=remedy, missing=", ".join(noise.missing))
        return
    if abs(noise.residual).max() < _NO_SCATTER:
        yield doubt("passes-alike", passes=noise.passes)
    correlation, error = noise.neighbours
    if abs(correlation) > _FAR * error:
        how = "rise and fall together" if correlation > 0 else "take from each other"
        yield doubt("neighbours-together", how=how, correlation=correlation, chance=_FAR * error)
    both = noise.agreement
    if both is not None and not both.agree:
        small, known = both.ratio <= 1, "check size guide number and granule density, and that trays were emptied"
        effect = "the spread between the passes is used; it is smaller than chance allows" if small else ""
        remedy = f"{known} between passes" if small else ""
        yield doubt("noise-disagrees", effect=effect, remedy=remedy, ratio=both.ratio, low=both.low, high=both.high)
