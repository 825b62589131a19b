"""Whether a test was made under conditions that its answer can stand on.

1. `condition_findings`   all of these, in order
2. wind        over the standards' limits, or across the travel direction
3. repeats     too few passes; too few granules in a half-rate tray; a scale too coarse for it
4. recovery    mass caught against mass metered
"""

from __future__ import annotations

import math

import numpy as np

from spreadcheck.doubts.doubt import Check, Finding
from spreadcheck.limits import LIMITS
from spreadcheck.passes.noise import granules_of, reading_error_g, tray_noise
from spreadcheck.sheet.traytest import FloatArray, TrayTest, catch_g
from spreadcheck.spread.profile import Profile
from spreadcheck.units import show

CHECKS = (
    Check(
        "wind-speed",
        "wind on the form against the limits of the standards",
        "wind carries fine granules farther than coarse ones, bends the pattern and changes from pass to pass",
        "repeat the test in calmer air, and take the width only as a first guess until then",
        ("wind iso", "wind asabe", "wind hard"),
    ),
    Check(
        "wind-across",
        "sideways part of the wind, from its speed and direction on the form",
        "a sideways wind shifts the whole pattern to one side, which back-and-forth driving turns into stripes",
        "lay the tray line so that the machine drives along the wind, or wait for calmer air",
        ("wind across",),
    ),
    Check(
        "few-passes",
        "passes with usable catches times runs per catch",
        "chance and the state of the machine in one moment weigh heavily in the mean",
        "drive more passes over the line, all in the same direction",
        ("passes", "en runs"),
    ),
    Check(
        "few-granules",
        "counting noise of a half-rate tray, where size guide number and granule density are known",
        "chance alone makes the overlapped deposit look uneven, so the CV is too high and the width too narrow",
        "drive more passes or more runs a catch, or use larger trays",
        ("granule noise",),
    ),
    Check(
        "coarse-scale",
        "steps of the scale in the catch of a half-rate tray",
        "rounding moves the light catches at the edges, where the overlap is decided",
        "use a finer scale, or leave the trays and drive several runs before weighing (runs per catch)",
        ("scale steps",),
    ),
    Check(
        "recovery",
        "mass caught by the trays against mass metered (discharge and travel speed, or metered rate and width)",
        "rates are off by this share; CV and widths only if the loss differs along the line",
        "weigh the discharge again, check travel speed, tray size and the scale's zero",
        ("recovery low", "recovery high"),
    ),
)
_CHECK = {check.code: check for check in CHECKS}

_SIDEWAYS = {"left": 1.0, "right": 1.0, "changing": 1.0, "ahead": 0.0, "behind": 0.0}  # the others are diagonal
_EN_SPEED_M_S = 4.4 / 3.6  # 4 +/- 0.4 km/h
_STEPS_G = (10.0, 5.0, 1.0, 0.5, 0.1)
_ENOUGH_READINGS = 10  # different catches before their common step says something about the scale


def condition_findings(test: TrayTest, profile: Profile) -> tuple[Finding, ...]:
    """Doubts about wind, repeats, scale and recovery.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    profile : Profile
        Its single-pass profile. [m, kg/ha]

    Returns
    -------
    tuple of Finding
        The findings. [-]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_of
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> test = tray_test([-1, 0, 1], [5, 9, 5], tray_width="0.5 m", tray_length="0.5 m", form={"wind speed": "3 m/s"})
    >>> [finding.code for finding in condition_findings(test, profile_of(test))]
    ['wind-speed', 'few-passes']
    """
    found = (
        _wind(test),
        _wind_across(test),
        _few_passes(test, profile),
        _few_granules(test, profile),
        _coarse_scale(test, profile),
        _recovery(test, profile),
    )
    return tuple(finding for finding in found if finding is not None)


def sideways_wind_m_s(test: TrayTest) -> float | None:
    """The part of the wind that blows along the tray line; a changing wind counts whole.

    Parameters
    ----------
    test : TrayTest
        The test. [-]

    Returns
    -------
    float or None
        Speed across the travel direction; None where speed or direction is not on the form. [m/s]

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> form = {"wind speed": "2 m/s", "wind from": "ahead left"}
    >>> round(sideways_wind_m_s(tray_test([-1, 1], [5, 5], tray_width="1 m", tray_length="1 m", form=form)), 3)
    1.414
    """
    speed, direction = test.quantity("wind speed"), test.text("wind from")
    if speed is None or not direction:
        return None
    return speed * _SIDEWAYS.get(direction, math.sqrt(0.5))


def wind_words(test: TrayTest) -> str:
    """Where the wind came from, in words.

    Parameters
    ----------
    test : TrayTest
        The test. [-]

    Returns
    -------
    str
        Such as "came from ahead left"; empty where the form does not say it. [-]

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> wind_words(tray_test([-1, 1], [5, 5], tray_width="1 m", tray_length="1 m", form={"wind from": "left"}))
    'came from left'
    """
    direction = test.text("wind from")
    if not direction:
        return ""
    return "kept changing" if direction == "changing" else f"came from {direction}"


def _wind(test: TrayTest) -> Finding | None:
    speed = test.quantity("wind speed")
    if speed is None:
        return None
    over = tuple(code for code in _CHECK["wind-speed"].limits if speed > LIMITS[code].value + 1e-9)
    if not over:
        return None
    return _CHECK["wind-speed"].found(f"the wind blew at {show(speed, 'wind speed')}", limits=over)


def _wind_across(test: TrayTest) -> Finding | None:
    sideways = sideways_wind_m_s(test)
    if sideways is None or sideways <= LIMITS["wind across"].value + 1e-9:
        return None
    least, most = (sideways * LIMITS[code].value for code in ("drift least", "drift most"))
    return _CHECK["wind-across"].found(
        f"the wind {wind_words(test)}, {show(sideways, 'wind speed')} of it across the travel",
        effect=f"{_CHECK['wind-across'].effect}; granules drift about {least:.1f} to {most:.1f} m in such a wind",
    )


def _few_passes(test: TrayTest, profile: Profile) -> Finding | None:
    runs, speed = test.runs_per_catch, test.quantity("travel speed")
    repeats = profile.passes_used * runs
    if repeats >= LIMITS["passes"].value:
        return None
    if repeats >= LIMITS["en runs"].value and speed is not None and speed <= _EN_SPEED_M_S + 1e-9:
        return None
    passes = "1 pass" if profile.passes_used == 1 else f"{profile.passes_used} passes"
    return _CHECK["few-passes"].found(f"{passes} of {runs} {'run' if runs == 1 else 'runs'} each")


def _few_granules(test: TrayTest, profile: Profile) -> Finding | None:
    grain = granules_of(test)
    if grain is None or profile.relative:
        return None
    noise = tray_noise(
        profile.rate_kg_ha.max() / 2,
        tray_area_m2=test.tray_width_m * test.tray_length_m,
        granules=grain,
        passes=profile.passes_used,
        runs_per_catch=test.runs_per_catch,
    )
    if noise.counting_pct <= LIMITS["granule noise"].value:
        return None
    seen = (
        f"a tray at half the peak rate caught about {float(noise.count):.0f} granules in all passes, "
        f"a counting noise of {float(noise.counting_pct):.1f} %"
    )
    return _CHECK["few-granules"].found(seen)


def _coarse_scale(test: TrayTest, profile: Profile) -> Finding | None:
    if profile.relative:
        return None
    half_g = profile.rate_kg_ha.max() / 2 * test.tray_width_m * test.tray_length_m * test.runs_per_catch / 10
    step, known = test.quantity("scale resolution"), "the scale reads"
    if step is None:
        step, known = _common_step_g(catch_g(test), half_g), "all catches are whole multiples of"
    if step is None or half_g >= LIMITS["scale steps"].value * step * (1 - 1e-9):
        return None
    seen = (
        f"{known} {step:g} g, and a tray at half the peak rate caught {half_g:.3g} g, {half_g / step:.1f} steps; "
        f"rounding has a standard error of {100 * reading_error_g(step) / half_g:.1f} % there"
    )
    return _CHECK["coarse-scale"].found(seen)


def _common_step_g(caught_g: FloatArray, half_g: float) -> float | None:
    """The coarsest step that all catches are multiples of, if it matters and there are enough different ones."""
    fits = LIMITS["scale steps"].value
    if half_g >= fits * _STEPS_G[0]:
        return None
    different = np.unique(caught_g[caught_g > 0])
    if len(different) < _ENOUGH_READINGS:
        return None
    for step in _STEPS_G:
        in_steps = different / step
        if np.abs(in_steps - np.rint(in_steps)).max() < 1e-6:
            return step
    return None


def _recovery(test: TrayTest, profile: Profile) -> Finding | None:
    metered = _metered_kg_m(test)
    if metered is None or profile.relative:
        return None
    share = 100.0 * profile.area_kg_ha_m / 1e4 / metered
    low, high = LIMITS["recovery low"].value, LIMITS["recovery high"].value
    if low - 1e-9 <= share <= high + 1e-9:
        return None
    why = (
        "granules that bounce out of trays without a grid, fall on the rims or fly past the line are lost to the catch"
        if share < low
        else "granules that bounce in from a hard surface, or a scale zeroed without the tray, add to the catch"
    )
    return _CHECK["recovery"].found(
        f"the trays caught {share:.0f} % of what was metered ({profile.area_kg_ha_m / 10:.1f} g of "
        f"{metered * 1000:.1f} g on each metre of travel)",
        effect=f"{_CHECK['recovery'].effect}; {why}",
    )


def _metered_kg_m(test: TrayTest) -> float | None:
    """What was metered on each metre of travel, by the discharge or else by the metered rate. [kg/m]"""
    discharge, speed = test.quantity("discharge"), test.quantity("travel speed")
    if discharge is not None and speed is not None:
        return discharge / speed
    rate, width = test.quantity("metered rate"), test.quantity("metered width") or test.bout_width_m
    return rate * width / 1e4 if rate is not None and width is not None else None
