"""The air that a granule flies through: density and viscosity from what a weather station shows.

Sources: dry air and Sutherland's constants from the U.S. Standard Atmosphere (1976), which ISO 2533 shares; saturation
vapour pressure over water from WMO-No. 8, Guide to Instruments and Methods of Observation, annex 4.B.
"""

from __future__ import annotations

import math

from spreadcheck.errors import record
from spreadcheck.sheet.plausible import require_between

DRY_AIR_J_KG_K = 287.05287  # gas constant of dry air
VAPOUR_J_KG_K = 461.523  # gas constant of water vapour, 8.314462618 / 0.018015268
ZERO_C_K = 273.15
STANDARD_PRESSURE_HPA = 1013.25

TEMPERATURES_DEG_C = (-40.0, 60.0)
PRESSURES_HPA = (500.0, 1100.0)


@record
class Air:
    """Air as a granule meets it."""

    density_kg_m3: float
    viscosity_pa_s: float


def vapour_pressure(temperature_deg_c: float) -> float:
    """Pressure of water vapour in saturated air, over water.

    e = 6.112 exp(17.62 t / (243.12 + t)), WMO-No. 8, annex 4.B.

    Parameters
    ----------
    temperature_deg_c : float
        Air temperature. [degC]

    Returns
    -------
    float
        Vapour pressure. [hPa]

    Examples
    --------
    >>> round(vapour_pressure(20), 2)
    23.33
    """
    return 6.112 * math.exp(17.62 * temperature_deg_c / (243.12 + temperature_deg_c))


def air_density(
    temperature_deg_c: float, *, pressure_hpa: float = STANDARD_PRESSURE_HPA, humidity_pct: float = 0.0
) -> float:
    """Density of moist air: dry air and water vapour as ideal gases side by side.

    Parameters
    ----------
    temperature_deg_c : float
        Air temperature. [degC]
    pressure_hpa : float
        Air pressure at the place, not reduced to sea level. [hPa]
    humidity_pct : float
        Relative humidity. [%]

    Returns
    -------
    float
        Density. [kg/m3]

    Raises
    ------
    QuantityError
        If a value lies outside what weather brings.

    Examples
    --------
    >>> round(air_density(15), 4)  # the standard atmosphere at sea level
    1.225
    """
    require_between("air temperature", temperature_deg_c, *TEMPERATURES_DEG_C, "degC")
    require_between("air pressure", pressure_hpa, *PRESSURES_HPA, "hPa")
    require_between("relative humidity", humidity_pct, 0, 100, "%")
    vapour = humidity_pct / 100 * vapour_pressure(temperature_deg_c)
    kelvin = temperature_deg_c + ZERO_C_K
    return 100 * ((pressure_hpa - vapour) / DRY_AIR_J_KG_K + vapour / VAPOUR_J_KG_K) / kelvin


def air_viscosity(temperature_deg_c: float) -> float:
    """Dynamic viscosity of air by Sutherland's law, mu = 1.458e-6 T^1.5 / (T + 110.4), T in K.

    Parameters
    ----------
    temperature_deg_c : float
        Air temperature. [degC]

    Returns
    -------
    float
        Dynamic viscosity. [Pa s]

    Raises
    ------
    QuantityError
        If the temperature lies outside what weather brings.

    Examples
    --------
    >>> round(air_viscosity(15) * 1e5, 4)  # the standard atmosphere at sea level
    1.7894
    """
    kelvin = require_between("air temperature", temperature_deg_c, *TEMPERATURES_DEG_C, "degC") + ZERO_C_K
    return 1.458e-6 * kelvin * math.sqrt(kelvin) / (kelvin + 110.4)
