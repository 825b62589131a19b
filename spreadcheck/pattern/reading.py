"""Reading a spread pattern: its figures first, then its shape, then what is usually looked at."""

from __future__ import annotations

import math

import numpy as np

from spreadcheck.errors import record
from spreadcheck.passes.noise import Noise
from spreadcheck.passes.passes import Passes, passes_of
from spreadcheck.pattern.advice import Advice, checks_for
from spreadcheck.pattern.figures import Figures, figures_of, pass_rows, tray_variance
from spreadcheck.pattern.peaks import LEAST_RISE, Peak, clear_rise, peaks_of, smoothed, window_trays
from spreadcheck.pattern.shape import Verdict, name_shapes
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.profile import Profile


@record
class PatternReading:
    """What a pattern says about the machine.

    `pass_numbers` are the passes that were compared; `noise` says what chance was read from: "passes", "counting" (one
    pass, granules known) or "unknown". `peaks` stand clear of chance; there is always one.
    """

    figures: Figures
    pass_numbers: tuple[int, ...]
    peaks: tuple[Peak, ...]
    noise: str
    verdicts: dict[str, Verdict]

    @property
    def shapes(self) -> tuple[str, ...]:
        """The shapes that stand clear of the test's own noise."""
        return tuple(name for name, verdict in self.verdicts.items() if verdict is Verdict.NAMED)

    @property
    def unclear(self) -> tuple[str, ...]:
        """The shapes of which the test can't tell whether they are there."""
        return tuple(name for name, verdict in self.verdicts.items() if verdict is Verdict.UNCLEAR)

    @property
    def advice(self) -> tuple[Advice, ...]:
        """What is usually looked at for these shapes, what to look at first standing first."""
        return checks_for(self.shapes)


def read_pattern(
    test: TrayTest, profile: Profile, passes: Passes | None = None, noise: Noise | None = None
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
    noise : Noise, optional
        Their noise, where it is at hand; else chance is read from the scatter of the passes. [kg/ha]

    Returns
    -------
    PatternReading
        The reading. [%, m, -]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_of
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> rows = [[0, 0], [8, 8.1], [16, 15.9], [16, 16.1], [16, 16], [16, 16.1], [16, 15.9], [8, 8], [0, 0]]
    >>> test = tray_test([-5, -4, -3, -2, -1, 0, 1, 2, 3], rows, tray_width="0.5 m", tray_length="0.5 m")
    >>> reading = read_pattern(test, profile_of(test))
    >>> reading.shapes, reading.unclear, reading.advice[0].check.part
    (('flat-topped', 'lopsided'), (), 'tray line')
    """
    rows = pass_rows(passes or passes_of(test, relative=profile.relative), profile)
    variance, source = tray_variance(test, profile, rows, noise)
    figures = figures_of(profile, rows.rate_kg_ha, variance)
    clear, humps = _peaks(profile, rows.rate_kg_ha, variance, figures.half_of_peak_m.value)
    verdicts = name_shapes(figures, spacing_m=profile.spacing_m, clear_peaks=len(clear), humps=humps, noise=source)
    return PatternReading(figures, rows.numbers, clear, source, verdicts)


def _peaks(
    profile: Profile, rows: FloatArray, variance: FloatArray | None, half_width_m: float
) -> tuple[tuple[Peak, ...], int]:
    """The peaks that stand clear of chance, and how many there are by the rise alone."""
    window = window_trays(profile.spacing_m, half_width_m)
    rates = smoothed(np.concatenate((profile.rate_kg_ha[np.newaxis], rows)), window)
    least = LEAST_RISE * float(rates[0].max())
    humps = peaks_of(profile.offset_m, rates, rise=least)
    if variance is None or len(humps) == 1:
        return humps, len(humps)
    sigma = math.sqrt(float(variance.max()) / window)
    body = int((profile.rate_kg_ha > profile.rate_kg_ha.max() / 2).sum())
    rise = max(least, clear_rise(sigma, body))
    return (humps if rise == least else peaks_of(profile.offset_m, rates, rise=rise)), len(humps)
