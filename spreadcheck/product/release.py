"""How a granule leaves the disc: the setting of the spreader, what it throws, and the weather."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

from spreadcheck.errors import Fault, QuantityError
from spreadcheck.product.air import STANDARD_PRESSURE_HPA, Air, air_at, require_between
from spreadcheck.product.flight import SPHERICITIES, Granule
from spreadcheck.sheet.traytest import TrayTest

RELEASE_FACTOR = 1.25  # a radial vane with a friction coefficient of 0.3, rounded: see `release_factor`
RELEASE_SPEEDS_M_S = (1.0, 120.0)

_BOUNDS = {
    "granule_size_mm": (0.3, 20.0),
    "granule_density_kg_m3": (300.0, 6000.0),
    "disc_height_m": (0.05, 20.0),
    "spinner_speed_rpm": (1.0, 10_000.0),
    "disc_diameter_m": (0.05, 5.0),
    "release_factor": (0.5, 2.0),
    "release_speed_m_s": RELEASE_SPEEDS_M_S,
    "launch_angle_deg": (-89.0, 89.0),
    "sphericity": SPHERICITIES,
}
# field -> (kind of quantity, unit inside); a kind of "" is a plain number
QUANTITIES = {
    "spinner_speed_rpm": ("turning speed", "rpm"),
    "release_speed_m_s": ("speed", "m/s"),
    "disc_diameter_m": ("length", "m"),
    "release_factor": ("", ""),
    "granule_size_mm": ("granule size", "mm"),
    "granule_density_kg_m3": ("density", "kg/m3"),
    "sphericity": ("", ""),
    "disc_height_m": ("length", "m"),
    "launch_angle_deg": ("angle", "deg"),
    "temperature_deg_c": ("temperature", "degC"),
    "pressure_hpa": ("pressure", "hPa"),
    "humidity_pct": ("share", "%"),
    "wind_speed_m_s": ("wind speed", "m/s"),
}
# what options call a field
OPTIONS = {
    "spinner_speed": "spinner_speed_rpm",
    "disc_diameter": "disc_diameter_m",
    "release_factor": "release_factor",
    "release_speed": "release_speed_m_s",
    "granule_size": "granule_size_mm",
    "granule_density": "granule_density_kg_m3",
    "sphericity": "sphericity",
    "disc_height": "disc_height_m",
    "launch_angle": "launch_angle_deg",
    "air_temperature": "temperature_deg_c",
    "air_pressure": "pressure_hpa",
    "relative_humidity": "humidity_pct",
    "wind_speed": "wind_speed_m_s",
}
# field -> label of the tray sheet that holds it, and what one unit of the label is worth
_ON_SHEET = {
    "spinner_speed_rpm": ("spinner speed", 1.0),
    "disc_diameter_m": ("disc diameter", 1.0),
    "granule_size_mm": ("size guide number", 0.01),  # median diameter in mm x 100
    "granule_density_kg_m3": ("granule density", 1.0),
    "disc_height_m": ("swath height", 1.0),
    "temperature_deg_c": ("air temperature", 1.0),
    "humidity_pct": ("relative humidity", 1.0),
    "wind_speed_m_s": ("wind speed", 1.0),
}
_NEEDED = {  # field -> how to give it
    "granule_size_mm": 'add --granule-size, such as "3.2 mm", or a row size guide number, 320',
    "granule_density_kg_m3": 'add --granule-density, such as "1300 kg/m3", or a row granule density, 1300, kg/m3',
    "disc_height_m": 'add --disc-height, such as "0.9 m", or a row swath height, 0.9, m',
}
# Fields that may be left open; what is taken for them is said in the result.
_ASSUMED = (
    "release_factor", "launch_angle_deg", "sphericity", "temperature_deg_c", "pressure_hpa", "humidity_pct",
)  # fmt: skip


def name_of(key: str) -> str:
    """A field as the trade calls it."""
    other = {
        "temperature_deg_c": "air temperature",
        "pressure_hpa": "air pressure",
        "humidity_pct": "relative humidity",
    }
    ends = ("_kg_m3", "_deg", "_rpm", "_m_s", "_mm", "_m")
    end = next((end for end in ends if key.endswith(end)), "")
    return other.get(key) or key.removesuffix(end).replace("_", " ")


@dataclass(frozen=True)
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
        for key, (low, high) in _BOUNDS.items():
            value = getattr(self, key)
            if value is not None:
                require_between(name_of(key), value, low, high, QUANTITIES[key][1])
        _check_release(self)


@dataclass(frozen=True)
class Weather:
    """The air and the wind; `wind_from` is a choice of the tray sheet's label, or "" where it is not known."""

    temperature_deg_c: float = 15.0
    pressure_hpa: float = STANDARD_PRESSURE_HPA
    humidity_pct: float = 0.0
    wind_speed_m_s: float = 0.0
    wind_from: str = ""

    def __post_init__(self) -> None:
        air_at(self.temperature_deg_c, pressure_hpa=self.pressure_hpa, humidity_pct=self.humidity_pct)
        require_between("wind speed", self.wind_speed_m_s, 0, 60, "m/s")

    @property
    def air(self) -> Air:
        """Density and viscosity of this air."""
        return air_at(self.temperature_deg_c, pressure_hpa=self.pressure_hpa, humidity_pct=self.humidity_pct)


def release_factor(friction: float) -> float:
    """Release speed over tip speed of a granule that slides along a straight radial vane.

    On a vane turning at w the distance r from the axis obeys r'' + 2 m w r' - w^2 r = 0: centrifugal force, and
    friction m on the Coriolis force that presses the granule to the vane; friction on the disc and air drag are left
    out. Away from the drop point r' = w r (sqrt(1 + m^2) - m): the factor is sqrt(1 + (sqrt(1 + m^2) - m)^2).
    """
    m = require_between("friction on the vane", friction, 0, 2, "")
    return math.hypot(1.0, math.hypot(1.0, m) - m)


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


def _check_release(setting: ThrowSetting) -> None:
    speed = release_speed(setting)
    low, high = RELEASE_SPEEDS_M_S
    if not low <= speed <= high:
        problem = f"{speed:.4g} m/s can't be right; it must lie between {low:g} and {high:g} m/s"
        raise QuantityError(Fault("release speed", problem, "check spinner speed, disc diameter and release factor"))


def granule_of(setting: ThrowSetting) -> Granule:
    """The granule of a setting as the flight needs it."""
    return Granule(setting.granule_size_mm / 1000, setting.granule_density_kg_m3, setting.sphericity)


def setting_from(
    test: TrayTest | None, given: Mapping[str, float | None], *, wind_from: str = ""
) -> tuple[ThrowSetting, Weather, tuple[str, ...]]:
    """The present values: what is given, else what the tray sheet holds, else a few that are assumed and said."""
    values = _from_sheet(test) | {key: value for key, value in given.items() if value is not None}
    if given.get("release_speed_m_s") is not None:
        values.pop("disc_diameter_m", None)  # the release speed is known better than the disc tells
    missing = [Fault("", f"the {name_of(key)} is missing", how) for key, how in _NEEDED.items() if key not in values]
    if missing:
        raise QuantityError(*missing)
    setting = ThrowSetting(**{entry.name: values[entry.name] for entry in fields(ThrowSetting) if entry.name in values})
    weather = Weather(
        temperature_deg_c=values.get("temperature_deg_c", Weather.temperature_deg_c),
        pressure_hpa=values.get("pressure_hpa", Weather.pressure_hpa),
        humidity_pct=values.get("humidity_pct", Weather.humidity_pct),
        wind_speed_m_s=values.get("wind_speed_m_s", Weather.wind_speed_m_s),
        wind_from=wind_from or (test.text("wind from") if test else ""),
    )
    by_disc = setting.release_speed_m_s is None
    return setting, weather, tuple(k for k in _ASSUMED if k not in values and (by_disc or k != "release_factor"))


def _from_sheet(test: TrayTest | None) -> dict[str, float]:
    found = {key: (test.quantity(label) if test else None, worth) for key, (label, worth) in _ON_SHEET.items()}
    return {key: value * worth for key, (value, worth) in found.items() if value is not None}


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
