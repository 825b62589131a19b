"""Application rate: what the field gets, from trays, from an area spread, from a catch; and what to correct.

The metered mass per metre of travel stays what it is, so rate x bout width is the same at every bout width.
"""

from __future__ import annotations

from spreadcheck.spread.profile import Profile
from spreadcheck.units import HECTARE_M2


def rate_from_trays(profile: Profile, bout_width_m: float) -> float:
    """Mean rate over the bout from a single-pass profile: M / w.

    Parameters
    ----------
    profile : Profile
        The single-pass profile; M is the area under it, tails included. [m, kg/ha]
    bout_width_m : float
        Bout width. [m]

    Returns
    -------
    float
        Mean rate. [kg/ha]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> rate_from_trays(profile_from([-10, 0, 10], [0, 200, 0]), 10)
    200.0
    """
    return profile.area_kg_ha_m / bout_width_m


def rate_from_area(*, mass_kg: float, area_m2: float) -> float:
    """Mean rate from the mass spread over an area.

    Parameters
    ----------
    mass_kg : float
        Mass spread. [kg]
    area_m2 : float
        Area it was spread over. [m2]

    Returns
    -------
    float
        Rate. [kg/ha]

    Examples
    --------
    >>> rate_from_area(mass_kg=300, area_m2=20_000)
    150.0
    """
    return mass_kg / area_m2 * HECTARE_M2


def rate_from_catch(*, mass_kg: float, time_s: float, speed_m_s: float, bout_width_m: float) -> float:
    """Rate from the mass that the standing spreader gave in a time: flow / (speed x bout width).

    Parameters
    ----------
    mass_kg : float
        Mass caught. [kg]
    time_s : float
        Time it took. [s]
    speed_m_s : float
        Travel speed in work. [m/s]
    bout_width_m : float
        Bout width in work. [m]

    Returns
    -------
    float
        Rate. [kg/ha]

    Examples
    --------
    >>> round(rate_from_catch(mass_kg=36, time_s=30, speed_m_s=10 / 3.6, bout_width_m=24), 6)
    180.0
    """
    return mass_kg / time_s / (speed_m_s * bout_width_m) * HECTARE_M2


def rate_at_width(rate_kg_ha: float, *, from_width_m: float, to_width_m: float) -> float:
    """The rate at another bout width with the same metering.

    Parameters
    ----------
    rate_kg_ha : float
        Rate at the first width. [kg/ha]
    from_width_m, to_width_m : float
        The two bout widths. [m]

    Returns
    -------
    float
        Rate at the second width. [kg/ha]

    Examples
    --------
    >>> rate_at_width(150, from_width_m=24, to_width_m=30)
    120.0
    """
    return rate_kg_ha * from_width_m / to_width_m


def recovery_pct(*, measured_kg_ha: float, metered_kg_ha: float) -> float:
    """Share of the metered rate that was found again.

    Parameters
    ----------
    measured_kg_ha : float
        Rate measured. [kg/ha]
    metered_kg_ha : float
        Rate metered, at the same bout width. [kg/ha]

    Returns
    -------
    float
        Share recovered. [%]

    Examples
    --------
    >>> recovery_pct(measured_kg_ha=135, metered_kg_ha=150)
    90.0
    """
    return 100.0 * measured_kg_ha / metered_kg_ha


def corrected_factor(factor: float, *, measured_kg_ha: float, aimed_kg_ha: float, inverse: bool = False) -> float:
    """The calibration factor that makes the rate measured the rate aimed at.

    The convention is that of a factor in mass a unit of metering (a turn, a pulse, a metre of belt): the controller
    counts less metering the larger it is, so factor x measured / aimed. Some controllers count metering a unit of mass;
    for these `inverse` gives factor x aimed / measured.

    Parameters
    ----------
    factor : float
        The factor in force. [-]
    measured_kg_ha : float
        Rate measured. [kg/ha]
    aimed_kg_ha : float
        Rate the controller aimed at, at the same bout width. [kg/ha]
    inverse : bool
        Whether the factor is metering a unit of mass. [-]

    Returns
    -------
    float
        The factor to enter. [-]

    Examples
    --------
    >>> corrected_factor(0.8, measured_kg_ha=165, aimed_kg_ha=150)
    0.88
    >>> corrected_factor(1.1, measured_kg_ha=165, aimed_kg_ha=150, inverse=True)
    1.0
    """
    return factor * aimed_kg_ha / measured_kg_ha if inverse else factor * measured_kg_ha / aimed_kg_ha


def corrected_setting(setting: float, *, measured_kg_ha: float, target_kg_ha: float) -> float:
    """Gate or belt setting for the target, taking the flow as proportional to the setting.

    A belt's flow is proportional to its speed; a gate's flow only nearly so and over a short way, so it takes another
    run to confirm.

    Parameters
    ----------
    setting : float
        The setting in force. [unit of the scale]
    measured_kg_ha : float
        Rate measured with it. [kg/ha]
    target_kg_ha : float
        Rate wanted. [kg/ha]

    Returns
    -------
    float
        The setting to try. [unit of the scale]

    Examples
    --------
    >>> corrected_setting(30, measured_kg_ha=120, target_kg_ha=150)
    37.5
    """
    return setting * target_kg_ha / measured_kg_ha
