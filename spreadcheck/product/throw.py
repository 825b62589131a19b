"""What a change of spinner speed, granule size or disc height does to the throw, as a ratio to the test in hand.

The flight is that of `flight.py`: one granule, released once, until it first touches the ground. Vanes, tumbling,
knocks between granules and bounce are not in it, nor is the spreader's own travel: trust the ratio of two throws before
the throws themselves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from spreadcheck.errors import Fault, QuantityError, record
from spreadcheck.product.flight import Air, Flight, Granule, Release, fly, terminal_velocity
from spreadcheck.product.release import RELEASE_SPEEDS_M_S, ThrowSetting, Weather, changed_setting, release_speed
from spreadcheck.sheet.plausible import BOUNDS

DRAG_SPAN = (0.8, 1.2)  # drag of real granules over that of the law, to see how much hangs on it
CHART_SPEEDS = (0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3)  # multiples of the present speed
CHART_SIZES_MM = (2.0, 3.0, 4.0, 5.0)
MOST_CHART_SIZES = 7  # as many as fit into 80 columns
MOST_CHART_SPEEDS = 200
_SPEEDS = ("spinner_speed_rpm", "release_speed_m_s")  # one change, however it is written

# Where the wind blows to, as (right, ahead) of the travel direction, by where it comes from.
_BLOWS = {"left": (1, 0), "right": (-1, 0), "ahead": (0, -1), "behind": (0, 1)}
# Throws: direction as (right, ahead), and what lies to the right and to the left of a granule on its way.
_THROWN = {
    "to the left": ((-1, 0), ("ahead", "behind")),
    "to the right": ((1, 0), ("behind", "ahead")),
    "to the rear": ((0, -1), ("left", "right")),
}
# The same where it is not known from where the wind comes.
_ANY_WIND = {"against the wind": (-1.0, 0.0), "with the wind": (1.0, 0.0), "across the wind": (0.0, 1.0)}


@record
class Change:
    """One change and what it does to the throw in still air. `field` is "" for all changes together."""

    field: str
    before: float
    after: float
    ratio: float
    low: float  # the ratio's range with 20 % less or more drag
    high: float


@record
class WindThrow:
    """Throws in one direction in the wind; `sides` is what lies to the right and to the left of the throw."""

    thrown: str
    present: Flight
    changed: Flight | None
    sides: tuple[str, str]


@record
class Chart:
    """Throw in still air against speed for a few granule sizes: `throw_m[i][j]` is at speed i and size j."""

    field: str  # "spinner_speed_rpm" or "release_speed_m_s"
    speeds: tuple[float, ...]
    release_m_s: tuple[float, ...]
    sizes_mm: tuple[float, ...]
    throw_m: tuple[tuple[float, ...], ...]


@record
class ThrowStudy:
    """The present setting, a changed one if there is one, and what the change does to the throw.

    `flights` and `terminal_m_s` hold the present setting first, then the changed one; the flights are in still air.
    `same_throw` is the speed that keeps the present throw after all other changes, as spinner or release speed.
    """

    present: ThrowSetting
    changed: ThrowSetting | None
    weather: Weather
    flights: tuple[Flight, ...]
    terminal_m_s: tuple[float, ...]
    changes: tuple[Change, ...]  # one at a time, then all together
    same_throw: tuple[str, float] | None
    winds: tuple[WindThrow, ...]
    chart: Chart

    @property
    def ratio(self) -> float | None:
        """Changed throw over present throw in still air. [-]"""
        return self.changes[-1].ratio if self.changes else None

    @property
    def settings(self) -> tuple[ThrowSetting, ...]:
        """The present setting and, if there is one, the changed one."""
        return (self.present,) if self.changed is None else (self.present, self.changed)


def study_throw(
    present: ThrowSetting,
    changed: ThrowSetting | None = None,
    *,
    weather: Weather | None = None,
    speeds: Sequence[float] = (),
    sizes_mm: Sequence[float] = (),
) -> ThrowStudy:
    """What a change of the setting or of the granule does to the throw.

    Parameters
    ----------
    present : ThrowSetting
        The test in hand. [-]
    changed : ThrowSetting or None
        The setting after the change. [-]
    weather : Weather or None
        Air and wind; the standard atmosphere without wind if not given. [-]
    speeds : sequence of float
        Speeds of the chart: spinner speeds where the present one is known, else release speeds; 70 to 130 % of the
        present one if empty. [rpm or m/s]
    sizes_mm : sequence of float
        Granule sizes of the chart; 2 to 5 mm and those of the settings if empty. [mm]

    Returns
    -------
    ThrowStudy
        The study. [-]

    Raises
    ------
    QuantityError
        If a speed or size of the chart can't be right.

    Examples
    --------
    >>> present = ThrowSetting(3.2, 1300, 0.9, spinner_speed_rpm=800, disc_diameter_m=0.6)
    >>> study = study_throw(present, replace(present, spinner_speed_rpm=900))
    >>> round(study.flights[0].throw_m, 1), round(study.ratio, 2)
    (9.8, 1.09)
    """
    weather = weather or Weather()
    settings = (present,) if changed is None else (present, changed)
    releases = [_release(setting) for setting in settings]
    flights = fly(releases, weather.air)
    return ThrowStudy(
        present=present,
        changed=changed,
        weather=weather,
        flights=flights,
        terminal_m_s=tuple(terminal_velocity(release.granule, weather.air) for release in releases),
        changes=_changes(present, changed, weather.air) if changed else (),
        same_throw=_same_throw(present, changed, flights[0].throw_m, weather.air) if changed else None,
        winds=_throws_in_wind(settings, weather),
        chart=throw_chart(settings, weather.air, speeds=speeds, sizes_mm=sizes_mm),
    )


def _release(setting: ThrowSetting, *, drag_factor: float = 1.0, along: float = 0.0, across: float = 0.0) -> Release:
    return Release(
        Granule(setting.granule_size_mm / 1000, setting.granule_density_kg_m3, setting.sphericity),
        release_speed(setting),
        setting.disc_height_m,
        setting.launch_angle_deg,
        wind_along_m_s=along,
        wind_across_m_s=across,
        drag_factor=drag_factor,
    )


def _changes(present: ThrowSetting, changed: ThrowSetting, air: Air) -> tuple[Change, ...]:
    """Each changed field on its own, then all together, each with the law's drag and with less and more of it."""
    trials: dict[str, ThrowSetting] = {}
    for key in _changed_fields(present, changed):
        alone = {name: getattr(changed, name) for name in (_SPEEDS if key in _SPEEDS else (key,))}
        trials[key] = replace(present, **alone)
    trials[""] = changed
    drags = (1.0, *DRAG_SPAN)
    settings = (present, *trials.values())
    flights = fly([_release(setting, drag_factor=drag) for setting in settings for drag in drags], air)
    throws = [flight.throw_m for flight in flights]
    rows = [throws[at : at + len(drags)] for at in range(0, len(throws), len(drags))]
    found = []
    for key, row in zip(trials, rows[1:], strict=True):
        ratios = [after / before for after, before in zip(row, rows[0], strict=True)]
        before, after = (_value(setting, key) for setting in (present, changed))
        found.append(Change(key, before, after, ratios[0], min(ratios), max(ratios)))
    return tuple(found)


def _changed_fields(present: ThrowSetting, changed: ThrowSetting) -> list[str]:
    """The fields that differ; a speed counts once, as spinner speed where that is known."""
    keys = [key for key in vars(present) if getattr(present, key) != getattr(changed, key)]
    return [key for key in keys if key != "release_speed_m_s" or "spinner_speed_rpm" not in keys]


def _value(setting: ThrowSetting, key: str) -> float:
    value = getattr(setting, key) if key else None
    return math.nan if value is None else float(value)


def _same_throw(present: ThrowSetting, changed: ThrowSetting, throw_m: float, air: Air) -> tuple[str, float] | None:
    """The speed that keeps the present throw after the other changes; None without other changes or beyond reach."""
    from scipy.optimize import brentq

    if not set(_changed_fields(present, changed)) - set(_SPEEDS):
        return None

    def gap(speed: float) -> float:
        return fly([replace(_release(changed), speed_m_s=speed)], air)[0].throw_m - throw_m

    low, high = RELEASE_SPEEDS_M_S
    if not gap(low) < 0 < gap(high):
        return None
    speed = float(brentq(gap, low, high, rtol=1e-5))
    if changed.spinner_speed_rpm is None:
        return "release_speed_m_s", speed
    return "spinner_speed_rpm", changed.spinner_speed_rpm * speed / release_speed(changed)


def wind_parts(wind_from: str) -> dict[str, tuple[float, float]]:
    """What a wind of speed 1 does to each throw: along it (a tail wind is positive), and across towards its right."""
    words = wind_from.split()
    if not words or any(word not in _BLOWS for word in words):
        return dict(_ANY_WIND)
    right, ahead = (sum(_BLOWS[word][axis] for word in words) / math.sqrt(len(words)) for axis in (0, 1))
    return {
        thrown: (right * to[0] + ahead * to[1] + 0.0, right * to[1] - ahead * to[0] + 0.0)
        for thrown, (to, _) in _THROWN.items()
    }


def _throws_in_wind(settings: Sequence[ThrowSetting], weather: Weather) -> tuple[WindThrow, ...]:
    """Throws to the left, right and rear in the wind; against, with and across it where its direction is not known."""
    speed = weather.wind_speed_m_s
    if speed == 0:
        return ()
    parts = wind_parts(weather.wind_from)
    winds = [(along * speed, across * speed) for along, across in parts.values()]
    each = [_release(setting, along=along, across=across) for along, across in winds for setting in settings]
    flights = fly(each, weather.air)
    present, changed = flights[:: len(settings)], flights[1::2] if len(settings) > 1 else [None] * len(parts)
    sides = (_THROWN[thrown][1] if thrown in _THROWN else ("downwind", "upwind") for thrown in parts)
    return tuple(WindThrow(*row) for row in zip(parts, present, changed, sides, strict=True))


def throw_chart(
    settings: Sequence[ThrowSetting], air: Air, *, speeds: Sequence[float] = (), sizes_mm: Sequence[float] = ()
) -> Chart:
    """Throw in still air against speed for a few granule sizes, all else as in the present setting."""
    present = settings[0]
    by = "release_speed_m_s" if present.spinner_speed_rpm is None else "spinner_speed_rpm"
    sizes = sorted(set(sizes_mm) or {*CHART_SIZES_MM, *(setting.granule_size_mm for setting in settings)})
    chosen = sorted(set(speeds) or _usual_speeds(settings, by))
    for count, most, what in ((len(sizes), MOST_CHART_SIZES, "sizes"), (len(chosen), MOST_CHART_SPEEDS, "speeds")):
        if count > most:
            raise QuantityError(Fault("", f"{count} {what} are more than the table holds", f"give {most} or fewer"))
    at_speed = [changed_setting(present, {by: speed}) or present for speed in chosen]
    grid = [replace(setting, granule_size_mm=size) for setting in at_speed for size in sizes]
    throws = [flight.throw_m for flight in fly([_release(setting) for setting in grid], air)]
    rows = tuple(tuple(throws[at : at + len(sizes)]) for at in range(0, len(throws), len(sizes)))
    release = tuple(release_speed(setting) for setting in at_speed)
    return Chart(by, tuple(chosen), release, tuple(sizes), rows)


def _usual_speeds(settings: Sequence[ThrowSetting], by: str) -> set[float]:
    """70 to 130 % of the present speed as far as disc and granules may go, and the changed speed."""
    now, release = _value(settings[0], by), release_speed(settings[0])
    low, high = (speed / release for speed in RELEASE_SPEEDS_M_S)
    if by == "spinner_speed_rpm":
        disc = BOUNDS["spinner speed"]
        low, high = max(low, disc.low / now), min(high, disc.high / now)
    usual = {round(now * share, 6) for share in CHART_SPEEDS if low <= share <= high}
    return usual | {_value(setting, by) for setting in settings}


def smooth_chart(study: ThrowStudy, *, points: int = 41) -> Chart:
    """The chart of a study over the same range of speeds, close enough for smooth lines."""
    low, high = study.chart.speeds[0], study.chart.speeds[-1]
    speeds = [low + (high - low) * at / (points - 1) for at in range(points)]
    return throw_chart(study.settings, study.weather.air, speeds=speeds, sizes_mm=study.chart.sizes_mm)
