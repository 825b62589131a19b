"""Whether a test was made under conditions that its answer can stand on: wind, repeats, scale, mass recovered."""

from __future__ import annotations

import numpy as np

from spreadcheck.doubts.doubt import Doubt, Quantity
from spreadcheck.doubts.mass import missed
from spreadcheck.doubts.register import CHECKS, doubt
from spreadcheck.limits import LIMITS
from spreadcheck.passes.granules import granules_of, reading_error_g, tray_noise
from spreadcheck.passes.sides import wind_across
from spreadcheck.sheet.plausible import slip
from spreadcheck.sheet.traytest import FloatArray, TrayTest, catch_g, rising
from spreadcheck.spread.profile import Profile
from spreadcheck.units import KINDS

_EN_SPEED_M_S = 4.4 / 3.6  # 4 +/- 0.4 km/h
_STEPS_G = (10.0, 5.0, 1.0, 0.5, 0.1)
_ENOUGH_READINGS = 10  # different catches before their common step says something about the scale


def condition_doubts(test: TrayTest, profile: Profile) -> tuple[Doubt, ...]:
    """Doubts about wind, repeats, scale and recovery."""
    found = (
        _wind(test),
        _wind_across(test),
        _speed(test),
        _few_passes(test, profile),
        doubt("slips-unseen") if profile.passes_used == 1 else None,
        _few_granules(test, profile),
        _coarse_scale(test, profile),
        _recovery(test, profile),
    )
    return tuple(doubt for doubt in found if doubt is not None)


def sideways_wind_m_s(test: TrayTest) -> float | None:
    """The part of the wind that blows along the tray line; a changing wind counts whole."""
    speed, direction = test.quantity("wind speed"), test.text("wind from")
    if speed is None or not direction:
        return None
    return speed * wind_across(direction)


def wind_words(test: TrayTest) -> str:
    """Where the wind came from, in words."""
    direction = test.text("wind from")
    if not direction:
        return ""
    return "kept changing" if direction == "changing" else f"came from {direction}"


def _wind(test: TrayTest) -> Doubt | None:
    speed = test.quantity("wind speed")
    if speed is None:
        return None
    over = tuple(code for code in CHECKS["wind-speed"].limits if speed > LIMITS[code].value + 1e-9)
    return doubt("wind-speed", limits=over, wind=Quantity(speed, "wind speed")) if over else None


def _speed(test: TrayTest) -> Doubt | None:
    """A travel speed that is not driven, and the unit that was probably meant."""
    speed, low, high = test.quantity("travel speed"), LIMITS["speed low"].value, LIMITS["speed high"].value
    if speed is None or low - 1e-9 <= speed <= high + 1e-9:
        return None
    row = next(row for row in test.form if row.label.strip().casefold() == "travel speed")
    unit, factors = f"{row.value} {row.unit}".split()[-1], KINDS["speed"].factors
    meant = slip("travel speed", speed / factors[unit], unit) if unit in factors else ""
    return doubt("speed-unusual", remedy=meant, speed=Quantity(speed, "speed"))


def _wind_across(test: TrayTest) -> Doubt | None:
    sideways = sideways_wind_m_s(test)
    if sideways is None or sideways <= LIMITS["wind across"].value + 1e-9:
        return None
    least, most = (sideways * LIMITS[code].value for code in ("drift least", "drift most"))
    return doubt(
        "wind-across",
        effect=CHECKS["wind-across"].effect + "; granules drift about {least} to {most} in such a wind",
        direction=wind_words(test),
        wind=Quantity(sideways, "wind speed"),
        least=Quantity(least, "length", 1),
        most=Quantity(most, "length", 1),
    )


def _few_passes(test: TrayTest, profile: Profile) -> Doubt | None:
    runs, speed = test.runs_per_catch, test.quantity("travel speed")
    repeats = profile.passes_used * runs
    if repeats >= LIMITS["passes"].value:
        return None
    if repeats >= LIMITS["en runs"].value and speed is not None and speed <= _EN_SPEED_M_S + 1e-9:
        return None
    passes = "1 pass" if profile.passes_used == 1 else f"{profile.passes_used} passes"
    return doubt("few-passes", passes=passes, runs=f"{runs} {'run' if runs == 1 else 'runs'}")


def _few_granules(test: TrayTest, profile: Profile) -> Doubt | None:
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
    return doubt("few-granules", granules=float(noise.count), noise=float(noise.counting_pct))


def _coarse_scale(test: TrayTest, profile: Profile) -> Doubt | None:
    if profile.relative:
        return None
    half_g = profile.rate_kg_ha.max() / 2 * test.tray_width_m * test.tray_length_m * test.runs_per_catch / 10
    step, known = test.quantity("scale resolution"), "the scale reads"
    if step is None:
        step, known = _common_step_g(catch_g(test), half_g), "all catches are whole multiples of"
    if step is None or half_g >= LIMITS["scale steps"].value * step * (1 - 1e-9):
        return None
    error = 100 * reading_error_g(step) / half_g
    return doubt("coarse-scale", known=known, step=step, half=half_g, steps=half_g / step, error=error)


def _common_step_g(caught_g: FloatArray, half_g: float) -> float | None:
    """The coarsest step that all catches are multiples of, if it matters and there are enough different ones."""
    fits = LIMITS["scale steps"].value
    if half_g >= fits * _STEPS_G[0]:
        return None
    different = rising(caught_g[caught_g > 0])
    if len(different) < _ENOUGH_READINGS:
        return None
    for step in _STEPS_G:
        in_steps = different / step
        if np.abs(in_steps - np.rint(in_steps)).max() < 1e-6:
            return step
    return None


def _recovery(test: TrayTest, profile: Profile) -> Doubt | None:
    metered = _metered_kg_m(test)
    if metered is None or profile.relative:
        return None
    share = 100.0 * profile.area_kg_ha_m / 1e4 / metered
    low, high = LIMITS["recovery low"].value, LIMITS["recovery high"].value
    if low - 1e-9 <= share * missed(profile) and share <= high + 1e-9:
        return None
    why = (
        "granules that bounce out of trays without a grid, fall on the rims or fly past the line are lost to the catch"
        if share < low
        else "granules that bounce in from a hard surface, or a scale zeroed without the tray, add to the catch"
    )
    return doubt(
        "recovery",
        effect=f"{CHECKS['recovery'].effect}; {why}",
        share=share,
        caught=profile.area_kg_ha_m / 10,
        metered=metered * 1000,
    )


def _metered_kg_m(test: TrayTest) -> float | None:
    """What was metered on each metre of travel, by the discharge or else by the metered rate. [kg/m]"""
    discharge, speed = test.quantity("discharge"), test.quantity("travel speed")
    if discharge is not None and speed is not None:
        return discharge / speed
    rate, width = test.quantity("metered rate"), test.quantity("metered width") or test.bout_width_m
    return rate * width / 1e4 if rate is not None and width is not None else None
