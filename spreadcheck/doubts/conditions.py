"""Whether a test was made under conditions that its answer can stand on: wind, repeats, scale, mass recovered."""

from __future__ import annotations

from collections.abc import Iterator

from spreadcheck.doubts.doubt import Doubt, Quantity
from spreadcheck.doubts.mass import common_step_g, missed
from spreadcheck.doubts.register import CHECKS, doubt
from spreadcheck.limits import LIMITS
from spreadcheck.passes.granules import granules_of, reading_error_g, tray_noise
from spreadcheck.passes.sides import wind_across
from spreadcheck.sheet.plausible import slip
from spreadcheck.sheet.traytest import TrayTest, catch_g
from spreadcheck.spread.profile import Profile
from spreadcheck.spread.tails import metered_kg_ha_m
from spreadcheck.units import KINDS

_EN_SPEED_M_S = 4.4 / 3.6  # 4 +/- 0.4 km/h
_STEPS_G = (10.0, 5.0, 1.0, 0.5, 0.1)  # of scales that are coarse enough to matter


def condition_doubts(test: TrayTest, profile: Profile) -> Iterator[Doubt]:
    """Doubts about wind and speed, repeats, scale and recovery."""
    yield from _driving(test)
    runs, speed = test.runs_per_catch, test.quantity("travel speed")
    repeats = profile.passes_used * runs
    slow = repeats >= LIMITS["en runs"].value and speed is not None and speed <= _EN_SPEED_M_S + 1e-9
    if repeats < LIMITS["passes"].value and not slow:
        passes = "1 pass" if profile.passes_used == 1 else f"{profile.passes_used} passes"
        yield doubt("few-passes", passes=passes, runs=f"{runs} {'run' if runs == 1 else 'runs'}")
    if profile.passes_used == 1:
        yield doubt("slips-unseen")
    if not profile.relative:
        yield from _weighing(test, profile)


def wind_words(test: TrayTest) -> str:
    """Where the wind came from, in words."""
    direction = test.text("wind from")
    return direction and ("kept changing" if direction == "changing" else f"came from {direction}")


def _driving(test: TrayTest) -> Iterator[Doubt]:
    """Wind, the part of it along the tray line (all of it where it kept changing), and a speed that is not driven."""
    wind, direction = test.quantity("wind speed"), test.text("wind from")
    if wind is not None:
        over = tuple(code for code in CHECKS["wind-speed"].limits if wind > LIMITS[code].value + 1e-9)
        if over:
            yield doubt("wind-speed", limits=over, wind=Quantity(wind, "wind speed"))
        sideways = wind * wind_across(direction) if direction else 0.0
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


def _weighing(test: TrayTest, profile: Profile) -> Iterator[Doubt]:
    """Granules and steps of the scale in the catch of a half-rate tray, and the share of the metered mass caught."""
    half, area, grain = profile.rate_kg_ha.max() / 2, test.tray_width_m * test.tray_length_m, granules_of(test)
    if grain is not None:
        passes, runs = profile.passes_used, test.runs_per_catch
        noise = tray_noise(half, tray_area_m2=area, granules=grain, passes=passes, runs_per_catch=runs)
        if noise.counting_pct > LIMITS["granule noise"].value:
            yield doubt("few-granules", granules=float(noise.count), noise=float(noise.counting_pct))
    half_g = half * area * test.runs_per_catch / 10
    step, known = test.quantity("scale resolution"), "the scale reads"
    if step is None:
        step, known = common_step_g(catch_g(test), _STEPS_G, least=10), "all catches are whole multiples of"
    if step is not None and half_g < LIMITS["scale steps"].value * step * (1 - 1e-9):
        error = 100 * reading_error_g(step) / half_g
        yield doubt("coarse-scale", known=known, step=step, half=half_g, steps=half_g / step, error=error)
    metered = metered_kg_ha_m(test)
    share = 100.0 * profile.area_kg_ha_m / metered if metered else 100.0
    low, high = LIMITS["recovery low"].value, LIMITS["recovery high"].value
    if share > high + 1e-9 or share * missed(profile) < low - 1e-9:
        why = (
            "granules that bounce out of trays without a grid, fall on the rims or fly past the line are lost to the "
            "catch"
            if share < low
            else "granules that bounce in from a hard surface, or a scale zeroed without the tray, add to the catch"
        )
        caught, given = profile.area_kg_ha_m / 10, (metered or 0.0) / 10
        yield doubt("recovery", effect=f"{CHECKS['recovery'].effect}; {why}", share=share, caught=caught, metered=given)
