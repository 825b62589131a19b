"""How a granule leaves the disc: the setting of the spreader, what it throws, and the weather."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any, NamedTuple

from spreadcheck.errors import Fault, QuantityError, record
from spreadcheck.pattern.kinds import SPINNERS
from spreadcheck.product.flight import SPHERICITIES, STANDARD_PRESSURE_HPA, Air, air_density, air_viscosity
from spreadcheck.sheet.plausible import BOUNDS, check, require_between
from spreadcheck.sheet.traytest import TrayTest

# Release speed over tip speed of a granule that slides along a straight radial vane. On a vane turning at w the
# distance r from the axis obeys r'' + 2 m w r' - w^2 r = 0: centrifugal force, and friction m on the Coriolis force
# that presses the granule to the vane; friction on the disc and air drag are left out. Away from the drop point
# r' = w r (sqrt(1 + m^2) - m), so the factor is sqrt(1 + (sqrt(1 + m^2) - m)^2): 1.25 for m = 0.3, rounded.
RELEASE_FACTOR = 1.25
RELEASE_SPEEDS_M_S = (1.0, 120.0)


class Field(NamedTuple):
    """One thing that a throw depends on; `label` of a tray sheet holds it, a unit of which is worth `worth`."""

    name: str  # as the trade and the options call it
    kind: str = ""  # of quantity; "" for a plain number
    unit: str = ""  # inside
    bounds: tuple[float, float] | None = None  # None where they are those of the product or the air
    label: str = ""
    worth: float = 1.0
    assumed: bool = False  # may be left open; what is taken for it is said in the result
    how: str = ""  # to give it, where there is no throw without it


FIELDS = {
    "spinner_speed_rpm": Field("spinner speed", "turning speed", "rpm", label="spinner speed"),
    "release_speed_m_s": Field("release speed", "speed", "m/s", RELEASE_SPEEDS_M_S),
    "disc_diameter_m": Field("disc diameter", "length", "m", (0.05, 5.0), "disc diameter"),
    "release_factor": Field("release factor", bounds=(0.5, 2.0), assumed=True),
    "granule_size_mm": Field(
        "granule size", "granule size", "mm", label="size guide number", worth=0.01,  # median diameter in mm x 100
        how='add --granule-size, such as "3.2 mm", or a row size guide number, 320',
    ),
    "granule_density_kg_m3": Field(
        "granule density", "density", "kg/m3", label="granule density",
        how='add --granule-density, such as "1300 kg/m3", or a row granule density, 1300, kg/m3',
    ),
    "sphericity": Field("sphericity", bounds=SPHERICITIES, assumed=True),
    "disc_height_m": Field(
        "disc height", "length", "m", (0.05, 20.0), "swath height",
        how='add --disc-height, such as "0.9 m", or a row swath height, 0.9, m',
    ),
    "launch_angle_deg": Field("launch angle", "angle", "deg", (-89.0, 89.0), assumed=True),
    "temperature_deg_c": Field("air temperature", "temperature", "degC", label="air temperature", assumed=True),
    "pressure_hpa": Field("air pressure", "pressure", "hPa", assumed=True),
    "humidity_pct": Field("relative humidity", "share", "%", label="relative humidity", assumed=True),
    "wind_speed_m_s": Field("wind speed", "wind speed", "m/s", label="wind speed"),
}  # fmt: skip


@record
class ThrowSetting:
    """How the spreader is set and what it throws.

    The release speed is given, or follows from spinner speed, disc diameter (the circle of the vane tips) and release
    factor. `release_speed_m_s` wins where both could tell.
    """

    granule_size_mm: float
    granule_density_kg_m3: float
    disc_height_m: float
    spinner_speed_rpm: float | None = None
    disc_diameter_m: float | None = None
    release_factor: float = RELEASE_FACTOR
    release_speed_m_s: float | None = None
    launch_angle_deg: float = 0.0
    sphericity: float = 1.0

    def __post_init__(self) -> None:
        for key, value in vars(self).items():
            known = FIELDS[key]
            if value is not None and known.bounds is not None:
                require_between(known.name, value, *known.bounds, known.unit)
            elif value is not None and known.name in BOUNDS:
                check(known.name, value, place=known.name)
        speed, (low, high) = release_speed(self), RELEASE_SPEEDS_M_S
        if not low <= speed <= high:
            problem = f"{speed:.4g} m/s can't be right; it must lie between {low:g} and {high:g} m/s"
            raise QuantityError(
                Fault("release speed", problem, "check spinner speed, disc diameter and release factor")
            )


@record
class Weather:
    """The air and the wind; `wind_from` is a choice of the tray sheet's label, or "" where it is not known."""

    temperature_deg_c: float = 15.0
    pressure_hpa: float = STANDARD_PRESSURE_HPA
    humidity_pct: float = 0.0
    wind_speed_m_s: float = 0.0
    wind_from: str = ""

    def __post_init__(self) -> None:
        _ = self.air
        require_between("wind speed", self.wind_speed_m_s, 0, 60, "m/s")

    @property
    def air(self) -> Air:
        """Density and viscosity of this air."""
        here = {"pressure_hpa": self.pressure_hpa, "humidity_pct": self.humidity_pct}
        return Air(air_density(self.temperature_deg_c, **here), air_viscosity(self.temperature_deg_c))


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
    needed = {key: known.how for key, known in FIELDS.items() if known.how and key not in values}
    if needed:
        raise QuantityError(*(Fault("", f"the {FIELDS[key].name} is missing", how) for key, how in needed.items()))

    def of(kind: type) -> dict[str, Any]:
        return {entry.name: values[entry.name] for entry in fields(kind) if entry.name in values}

    setting = ThrowSetting(**of(ThrowSetting))
    weather = Weather(**of(Weather), wind_from=wind_from or (test.text("wind from") if test else ""))
    by_disc = setting.release_speed_m_s is None
    open_ones = (key for key, known in FIELDS.items() if known.assumed and key not in values)
    return setting, weather, tuple(key for key in open_ones if by_disc or key != "release_factor")


def changed_setting(present: ThrowSetting, changes: Mapping[str, float | None]) -> ThrowSetting | None:
    """The setting after a change, or None where nothing changes.

    A release speed that was given, rather than worked out from the disc, follows the spinner speed in proportion.
    """
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
