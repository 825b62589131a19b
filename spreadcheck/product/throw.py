"""What a change of spinner speed, granule size or disc height does to the throw, as a ratio to the test in hand."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any, NamedTuple

import numpy as np

from spreadcheck.errors import Fault, QuantityError, record
from spreadcheck.pattern.advice import SPINNERS
from spreadcheck.product.flight import SEA_LEVEL_HPA, Air, Flight, Granule, Release, air_at, fly, terminal_velocity
from spreadcheck.sheet.plausible import BOUNDS, check, require_between
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.units import KINDS

# Release speed over tip speed of a granule that slides along a straight radial vane. On a vane turning at w the
# distance r from the axis obeys r'' + 2 m w r' - w^2 r = 0: centrifugal force, and friction m on the Coriolis force
# that presses the granule to the vane; friction on the disc and air drag are left out. Away from the drop point
# r' = w r (sqrt(1 + m^2) - m), so the factor is sqrt(1 + (sqrt(1 + m^2) - m)^2): 1.25 for m = 0.3, rounded.
RELEASE_FACTOR = 1.25
RELEASE_SPEEDS_M_S = (1.0, 120.0)
DRAG_SPAN = (0.8, 1.2)  # drag of real granules over that of the law, to see how much hangs on it
CHART_SPEEDS = (0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3)  # multiples of the present speed
CHART_SIZES_MM = (2.0, 3.0, 4.0, 5.0)
MOST_CHART_SIZES = 7  # as many as fit into 80 columns
MOST_CHART_SPEEDS = 200
_SPEEDS = ("spinner_speed_rpm", "release_speed_m_s")  # one change, however it is written


class Field(NamedTuple):
    """One thing that a throw depends on; `label` of a tray sheet holds it, a unit of which is worth `worth`."""

    name: str  # as the trade and the options call it
    kind: str = ""  # of quantity; "" for a plain number
    bounds: tuple[float, float] | None = None  # None where they are those of the product or the air
    label: str = ""
    worth: float = 1.0
    assumed: bool = False  # may be left open; what is taken for it is said in the result
    needed: tuple[str, str] = ("", "")  # there is no throw without it: such as an option, and a row, give it


FIELDS = {
    "spinner_speed_rpm": Field("spinner speed", "turning speed", label="spinner speed"),
    "release_speed_m_s": Field("release speed", "speed", RELEASE_SPEEDS_M_S),
    "disc_diameter_m": Field("disc diameter", "length", (0.05, 5.0), "disc diameter"),
    "release_factor": Field("release factor", bounds=(0.5, 2.0), assumed=True),
    # a size guide number is the median diameter in mm x 100
    "granule_size_mm": Field("granule size", "granule size", None, "size guide number", 0.01, needed=("3.2 mm", "320")),
    "granule_density_kg_m3": Field(
        "granule density", "density", label="granule density", needed=("1300 kg/m3", "1300, kg/m3")
    ),
    # from a tetrahedron to a sphere: the compact shapes that the shape law was fitted to
    "sphericity": Field("sphericity", bounds=(0.67, 1.0), assumed=True),
    "disc_height_m": Field("disc height", "length", (0.05, 20.0), "swath height", needed=("0.9 m", "0.9, m")),
    "launch_angle_deg": Field("launch angle", "angle", (-89.0, 89.0), assumed=True),
    "temperature_deg_c": Field("air temperature", "temperature", (-40.0, 60.0), "air temperature", assumed=True),
    "pressure_hpa": Field("air pressure", "pressure", (500.0, 1100.0), assumed=True),
    "humidity_pct": Field("relative humidity", "share", (0.0, 100.0), "relative humidity", assumed=True),
    "wind_speed_m_s": Field("wind speed", "wind speed", (0.0, 60.0), "wind speed"),
}  # fmt: skip


def _check(values: Mapping[str, Any]) -> None:
    """Refuse a value out of the bounds of its field or, where that has none, of the product or disc."""
    for key, known in FIELDS.items():
        if (value := values.get(key)) is not None and known.bounds:
            require_between(known.name, value, *known.bounds, KINDS[known.kind].inside if known.kind else "")
        elif value is not None:
            check(known.name, value, place=known.name)


@record
class ThrowSetting:
    """How the spreader is set and what it throws; a release speed given goes before spinner speed, disc and factor."""

    granule_size_mm: float
    granule_density_kg_m3: float
    disc_height_m: float
    spinner_speed_rpm: float | None = None
    disc_diameter_m: float | None = None  # the circle of the vane tips
    release_factor: float = RELEASE_FACTOR
    release_speed_m_s: float | None = None
    launch_angle_deg: float = 0.0
    sphericity: float = 1.0

    def __post_init__(self) -> None:
        _check(vars(self))
        speed, (low, high) = release_speed(self), RELEASE_SPEEDS_M_S
        if not low <= speed <= high:
            problem = f"{speed:.4g} m/s can't be right; it must lie between {low:g} and {high:g} m/s"
            remedy = "check spinner speed, disc diameter and release factor"
            raise QuantityError(Fault("release speed", problem, remedy))


@record
class Weather:
    """The air and the wind; `wind_from` is a choice of the tray sheet's label, or "" where it is not known."""

    temperature_deg_c: float = 15.0
    pressure_hpa: float = SEA_LEVEL_HPA
    humidity_pct: float = 0.0
    wind_speed_m_s: float = 0.0
    wind_from: str = ""

    def __post_init__(self) -> None:
        _check(vars(self))

    @property
    def air(self) -> Air:
        """Density and viscosity of this air."""
        return air_at(self.temperature_deg_c, pressure_hpa=self.pressure_hpa, humidity_pct=self.humidity_pct)


def release_speed(setting: ThrowSetting) -> float:
    """How fast granules leave the disc: as given, or tip speed times release factor."""
    if setting.release_speed_m_s is not None:
        return setting.release_speed_m_s
    if setting.spinner_speed_rpm is None:
        remedy = 'add --spinner-speed, such as "800 rpm" (a row spinner speed, 800, rpm), or --release-speed'
        raise QuantityError(Fault("", "the spinner speed is missing, and so is the release speed", remedy))
    if setting.disc_diameter_m is None:
        remedy = 'add --disc-diameter, such as "0.6 m" (a row disc diameter, 0.6, m), or --release-speed'
        raise QuantityError(Fault("", "the disc diameter is missing, so the release speed is not known", remedy))
    return setting.release_factor * math.pi * setting.disc_diameter_m * setting.spinner_speed_rpm / 60


def setting_from(
    test: TrayTest | None, given: Mapping[str, float | None], *, wind_from: str = ""
) -> tuple[ThrowSetting, Weather, tuple[str, ...]]:
    """The present values: what is given, else what the tray sheet holds, else a few that are assumed and said."""
    kind = test.text("spreader type") if test else ""
    if kind and kind not in SPINNERS:
        problem = f'the spreader type is "{kind}", which has no discs that throw granules, so there is no throw to tell'
        remedy = "a throw is worked out for discs only; correct the row `spreader type` if it is wrong"
        raise QuantityError(Fault(test.source if test else "", problem, remedy))
    on_sheet = {key: test.quantity(known.label) for key, known in FIELDS.items() if test and known.label}
    values = {key: value * FIELDS[key].worth for key, value in on_sheet.items() if value is not None}
    values |= {key: value for key, value in given.items() if value is not None}
    if given.get("release_speed_m_s") is not None:
        values.pop("disc_diameter_m", None)  # the release speed is known better than the disc tells
    faults = []
    for option, row, known in ((*known.needed, known) for key, known in FIELDS.items() if key not in values):
        remedy = f'add --{known.name.replace(" ", "-")}, such as "{option}", or a row {known.label}, {row}'
        faults += [Fault("", f"the {known.name} is missing", remedy)] if option else []
    if faults:
        raise QuantityError(*faults)

    def of(kind: type) -> dict[str, Any]:
        return {entry.name: values[entry.name] for entry in fields(kind) if entry.name in values}

    setting = ThrowSetting(**of(ThrowSetting))
    weather = Weather(**of(Weather), wind_from=wind_from or (test.text("wind from") if test else ""))
    by_disc = setting.release_speed_m_s is None
    open_ones = (key for key, known in FIELDS.items() if known.assumed and key not in values)
    return setting, weather, tuple(key for key in open_ones if by_disc or key != "release_factor")


def changed_setting(present: ThrowSetting, changes: Mapping[str, float | None]) -> ThrowSetting | None:
    """The setting after a change, if any; a release speed that was given follows the spinner speed in proportion."""
    new = {key: value for key, value in changes.items() if value is not None}
    if not new:
        return None
    spin, before = new.get("spinner_speed_rpm"), present.spinner_speed_rpm
    if spin is not None and "release_speed_m_s" in new:
        remedy = "give --to-spinner-speed or --to-release-speed, not both"
        raise QuantityError(Fault("", "the changed speed is given twice", remedy))
    if spin is not None and before is None:
        remedy = "add --spinner-speed, or give --to-release-speed"
        raise QuantityError(Fault("", "the present spinner speed is not known, so it can't be changed", remedy))
    if spin is not None and before is not None and present.release_speed_m_s is not None:
        new["release_speed_m_s"] = present.release_speed_m_s * spin / before
    elif "release_speed_m_s" in new and before is not None:
        new["spinner_speed_rpm"] = before * new["release_speed_m_s"] / release_speed(present)
    return replace(present, **new)


# Directions as seen from the driver's seat: 1 is to the right, 1j ahead. Where the wind blows to, by where it is from.
_BLOWS = {"left": 1, "right": -1, "ahead": -1j, "behind": 1j}
# Throws: their direction, and what lies to the right and to the left of a granule on its way.
_THROWN = {
    "to the left": (-1, ("ahead", "behind")),
    "to the right": (1, ("behind", "ahead")),
    "to the rear": (-1j, ("left", "right")),
}
# Along and across the throw, where it is not known from where the wind comes.
_ANY_WIND = {"against the wind": (-1.0, 0.0), "with the wind": (1.0, 0.0), "across the wind": (0.0, 1.0)}


@record
class Change:
    """One change and what it does to the throw in still air. `field` is "" for all changes together."""

    field: str
    before: float | None
    after: float | None
    ratio: float
    low: float  # the ratio's range with 20 % less or more drag
    high: float


@record
class WindThrow:
    """Throws in one direction in the wind, one a setting; `sides`: what lies to the right and to the left of them."""

    thrown: str
    flights: tuple[Flight, ...]
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
    """The present setting and the changed one if there is one, and what the change does to the throw."""

    settings: tuple[ThrowSetting, ...]
    weather: Weather
    flights: tuple[Flight, ...]  # in still air, one a setting
    terminal_m_s: tuple[float, ...]
    changes: tuple[Change, ...]  # one at a time, then all together
    same_throw: tuple[str, float] | None  # spinner or release speed that keeps the throw after all other changes
    ratio: float | None  # changed throw over present throw in still air
    winds: tuple[WindThrow, ...]
    chart: Chart


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
    present, changed : ThrowSetting
        The setting of the test in hand, and that after the change, if any. [-]
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
    air, settings = weather.air, (present,) if changed is None else (present, changed)
    releases = [_release(setting) for setting in settings]
    flights, changes = fly(releases, air), _changes(present, changed, air) if changed else ()
    speed, winds = weather.wind_speed_m_s, []
    for thrown, (along, across) in wind_parts(weather.wind_from).items() if speed else ():
        wind = {"wind_along_m_s": along * speed, "wind_across_m_s": across * speed}
        sides = _THROWN[thrown][1] if thrown in _THROWN else ("downwind", "upwind")
        winds.append(WindThrow(thrown, fly([_release(setting, **wind) for setting in settings], air), sides))
    return ThrowStudy(
        settings=settings,
        weather=weather,
        flights=flights,
        terminal_m_s=tuple(terminal_velocity(release.granule, air) for release in releases),
        changes=changes,
        ratio=changes[-1].ratio if changes else None,
        same_throw=_same_throw(present, changed, flights[0].throw_m, air) if changed else None,
        winds=tuple(winds),
        chart=throw_chart(settings, air, speeds=speeds, sizes_mm=sizes_mm),
    )


def _release(setting: ThrowSetting, **flight: float) -> Release:
    granule = Granule(setting.granule_size_mm / 1000, setting.granule_density_kg_m3, setting.sphericity)
    return Release(granule, release_speed(setting), setting.disc_height_m, setting.launch_angle_deg, **flight)


def _changed_fields(present: ThrowSetting, changed: ThrowSetting) -> list[str]:
    """The fields that differ; a speed counts once, as spinner speed where that is known."""
    keys = [key for key in vars(present) if getattr(present, key) != getattr(changed, key)]
    return [key for key in keys if key != "release_speed_m_s" or "spinner_speed_rpm" not in keys]


def _changes(present: ThrowSetting, changed: ThrowSetting, air: Air) -> tuple[Change, ...]:
    """Each changed field on its own, then all together, each with the law's drag and with less and more of it."""
    trials = [("", present)]
    for key in _changed_fields(present, changed):
        alone = {name: getattr(changed, name) for name in (_SPEEDS if key in _SPEEDS else (key,))}
        trials.append((key, replace(present, **alone)))
    trials.append(("", changed))
    drags = (1.0, *DRAG_SPAN)
    releases = [_release(setting, drag_factor=drag) for _, setting in trials for drag in drags]
    throws = np.reshape([flight.throw_m for flight in fly(releases, air)], (-1, len(drags)))
    found = []
    for (key, _), ratios in zip(trials[1:], (throws[1:] / throws[0]).tolist(), strict=True):
        before, after = (getattr(setting, key, None) for setting in (present, changed))
        found.append(Change(key, before, after, ratios[0], min(ratios), max(ratios)))
    return tuple(found)


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
        return _ANY_WIND
    wind = sum(_BLOWS[word] for word in words) / math.sqrt(len(words))
    turned = {thrown: wind / to for thrown, (to, _) in _THROWN.items()}
    return {thrown: (seen.real + 0.0, 0.0 - seen.imag) for thrown, seen in turned.items()}


def throw_chart(
    settings: Sequence[ThrowSetting], air: Air, *, speeds: Sequence[float] = (), sizes_mm: Sequence[float] = ()
) -> Chart:
    """Throw in still air against speed for a few granule sizes, all else as in the present setting."""
    present = settings[0]
    by = "release_speed_m_s" if present.spinner_speed_rpm is None else "spinner_speed_rpm"
    sizes = sorted(set(sizes_mm) or {*CHART_SIZES_MM, *(setting.granule_size_mm for setting in settings)})
    # 70 to 130 % of the present speed as far as disc and granules may go, and the changed speed
    now, release = getattr(present, by), release_speed(present)
    low, high = (now * speed / release for speed in RELEASE_SPEEDS_M_S)
    if by == "spinner_speed_rpm":
        low, high = max(low, BOUNDS["spinner speed"].low), min(high, BOUNDS["spinner speed"].high)
    usual = {round(now * share, 6) for share in CHART_SPEEDS if low <= now * share <= high}
    chosen = sorted(set(speeds) or usual | {getattr(setting, by) for setting in settings})
    for count, most, what in ((len(sizes), MOST_CHART_SIZES, "sizes"), (len(chosen), MOST_CHART_SPEEDS, "speeds")):
        if count > most:
            raise QuantityError(Fault("", f"{count} {what} are more than the table holds", f"give {most} or fewer"))
    at_speed = [changed_setting(present, {by: speed}) or present for speed in chosen]
    grid = [_release(replace(setting, granule_size_mm=size)) for setting in at_speed for size in sizes]
    throws = np.reshape([flight.throw_m for flight in fly(grid, air)], (-1, len(sizes)))
    rows = tuple(map(tuple, throws.tolist()))
    return Chart(by, tuple(chosen), tuple(map(release_speed, at_speed)), tuple(sizes), rows)
