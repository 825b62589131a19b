"""Reading a spread pattern: its figures, its shape, what differs by more than chance, and what is usually looked at."""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np

from spreadcheck.errors import record
from spreadcheck.limits import LIMITS
from spreadcheck.passes.noise import noise_of
from spreadcheck.passes.passes import Passes, passes_of
from spreadcheck.passes.sides import (
    SHAPE_SHARE,
    Difference,
    Sides,
    Usual,
    chance_of,
    difference,
    left_against_right,
    wind_reach,
)
from spreadcheck.pattern.advice import GROUND, LEAST_SHARE, SPREADERS, Kind, Ranked, ranked, set_apart
from spreadcheck.pattern.figures import (
    UNKNOWN,
    Chance,
    Figures,
    Outlets,
    figures_of,
    line_and_edge,
    outlets_of,
    pass_rows,
)
from spreadcheck.pattern.shape import Peak, Verdict, clear_peaks_of, name_shapes
from spreadcheck.sheet.labels import TWIN
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.profile import Profile

FIRST = 3  # causes that are told apart
_WIND = {  # for or against it
    "explains": 2.0, "may explain": 1.0, "part": 0.7, "other side": 0.05, "not across": 0.1, "not noted": 1.0,
}  # fmt: skip
_CANCELLED = 0.1  # for line and wind, where passes were driven both ways: their mean has next to nothing of them


@record
class PatternReading:
    """What a pattern says about the machine.

    `pass_numbers` are the passes that were compared; `noise` says what chance was read from: "passes", "stated
    population" (one pass, granules known) or "unknown". `peaks` stand clear of chance; there is always one. `kind` is
    the kind of spreader, `kind_stated` whether the sheet names it. `shapes` stand clear of the test's own noise, and of
    the `unclear` ones the test can't tell whether they are there. `differences` are all that were tested: of left and
    right, as `sides` has them too (None where a side is missing), over the ground, of centre and shoulders, of driving
    line and bout edge (where a width is known); `outlets` those of single outlets, where the kind has them. `weigh` is
    what speaks for or against a cause beside the pattern.
    """

    figures: Figures
    pass_numbers: tuple[int, ...]
    peaks: tuple[Peak, ...]
    noise: str
    shapes: tuple[str, ...]
    unclear: tuple[str, ...]
    kind: Kind
    kind_stated: bool
    width_m: float
    sides: Sides | None
    differences: dict[str, Difference]
    outlets: Outlets | None
    weigh: dict[str, float]

    @property
    def passes_hide(self) -> bool:
        """Whether it is mostly how the passes differ that leaves a shape unclear; few trays or a border else."""
        looked = (self.figures.left_shoulder, self.figures.right_shoulder, self.figures.left_share_pct)
        shares = [
            each.of_passes["sd"] ** 2 / each.of_passes["count"] / each.error**2
            for each in looked
            if each.of_passes["count"] > 1 and each.error > 0
        ]
        return max(shares, default=1.0) >= 0.5

    @cached_property
    def signs(self) -> dict[str, float]:
        """What stands clear of chance, each with its weight; the ways in which the sides differ share one."""
        found: dict[str, float] = {}
        if self.outlets is not None and self.outlets.odd:  # a side that is short by an outlet is no sign of its own
            return {"outlet": 1.0}
        if self.sides is not None and self.sides.clear:
            found |= {way: share for way, share in self.sides.odds.items() if share >= LEAST_SHARE}
        for name, low, high in (
            ("ground", "ground", "ground"),
            ("shoulders", "peaked", "hollow"),
            ("bout edge", "wide", "narrow"),
        ):
            if (tested := self.differences.get(name)) is not None and tested.clear:
                found[high if tested.value > 0 else low] = 1.0
        if "several peaks" in self.shapes and not self.kind.outlets:
            found["heaps"] = 1.5
        return found

    @cached_property
    def advice(self) -> tuple[Ranked, ...]:
        """What may lie behind it, best borne out first; empty where nothing stands clear of chance."""
        return ranked(self.kind.name, self.signs, self.weigh) if self.signs else ()

    @property
    def apart(self) -> tuple[str, ...]:
        """The checks that set the first causes apart."""
        return set_apart(self.kind.name, self.advice[:FIRST])


def read_pattern(
    test: TrayTest,
    profile: Profile,
    passes: Passes | None = None,
    *,
    width_m: float | None = None,
    bout_width_m: float | None = None,
) -> PatternReading:
    """Read the pattern of a test.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    profile : Profile
        Its single-pass profile. [m, kg/ha]
    passes : Passes, optional
        Its passes, if they are at hand. [kg/ha]
    width_m : float, optional
        The width that the centre of the spread is held against: as a rule the effective width; else the bout or
        expected width, or the half-rate width. [m]
    bout_width_m : float, optional
        The bout width driven; the sheet's bout or expected width if not given. [m]

    Returns
    -------
    PatternReading
        The reading. [%, m, -]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_of
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> level = [0, 8, 16, 16, 16, 16, 16, 8, 0, 0, 0]
    >>> rows = [[rate, rate * (1.01 if at % 2 else 0.99)] for at, rate in enumerate(level)]
    >>> test = tray_test(range(-6, 5), rows, tray_width="0.5 m", tray_length="0.5 m")
    >>> reading = read_pattern(test, profile_of(test))
    >>> reading.shapes, reading.advice[0].cause.part, round(reading.sides.figures["centre"].value, 1)
    (('flat-topped', 'lopsided'), 'tray line', -2.0)
    """
    passes = passes or passes_of(test, relative=profile.relative)
    noise = noise_of(passes)
    # where the pattern lies is not asked here, so no shift of the line counts
    alone = Usual(LIMITS["tray efficiency"].value / 100, np.zeros((1, len(noise.offset_m))))
    chance = Chance(noise, alone, profile.offset_m)
    told = chance if noise.known else None
    numbers, rows = pass_rows(passes, profile)
    figures = figures_of(profile, rows, told)
    stated = test.text("spreader type")
    kind = SPREADERS[stated or TWIN]
    driven_m = bout_width_m or test.bout_width_m or test.quantity("expected width") or math.nan
    held = width_m or (figures.half_of_peak_m.value if math.isnan(driven_m) else driven_m)
    sides = left_against_right(passes, 0.0 if math.isnan(held) else held)
    clear, humps = clear_peaks_of(profile, rows, told, figures.half_of_peak_m.value)
    verdicts = name_shapes(
        figures,
        spacing_m=profile.spacing_m,
        clear_peaks=len(clear),
        humps=humps,
        noise=noise.source or UNKNOWN,
        unlike=sides is not None and sides.clear,
    )
    shapes, unclear = (
        tuple(name for name, each in verdicts.items() if each is wanted) for wanted in (Verdict.NAMED, Verdict.UNCLEAR)
    )
    weigh: dict[str, float] = {}
    differences: dict[str, Difference] = {}
    if sides is not None:
        weigh["wind"], differences = _WIND[wind_reach(test, sides.figures["centre"].value)], dict(sides.figures)
        if sides.ground is not None:
            weigh[GROUND], differences["ground"] = _CANCELLED, sides.ground
    if told:
        differences |= _shape(profile, figures, told, kind, driven_m)
    return PatternReading(
        figures,
        numbers,
        clear,
        noise.source or UNKNOWN,
        shapes,
        unclear,
        kind,
        bool(stated),
        driven_m,
        sides,
        differences,
        outlets_of(kind.name, test, profile, told, driven_m) if told and kind.outlets else None,
        weigh,
    )


def _shape(profile: Profile, figures: Figures, chance: Chance, kind: Kind, width_m: float) -> dict[str, Difference]:
    """Shoulders against the centre, beyond what is normal for the kind, and driving line against bout edge.

    Each with the chance that noise alone takes it past its limit, from its share of the chance of error.
    """
    ratio, found = figures.shoulder_to_centre, {}
    edge, of_edge = (math.nan, None) if math.isnan(width_m) else line_and_edge(profile, width_m)
    normal = kind.most_shoulder - 1 if ratio.value > 1 else 1 - kind.least_shoulder
    for name, value, weights, least in (
        ("shoulders", ratio.value - 1, ratio.weights, normal),
        ("bout edge", edge, of_edge, LIMITS["line and edge"].value / 100),
    ):
        if not math.isnan(value) and weights is not None:
            variance = chance.variances(weights[np.newaxis] * chance.noise.peak_kg_ha)[0]
            alone = chance_of(chance.noise, max(abs(value) - least, 0.0), variance)
            found[name] = difference(chance.noise, value, variance, min(alone / SHAPE_SHARE, 1.0), least)
    return found
