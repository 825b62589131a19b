"""What the metering does: the same pattern at the rate that is wanted.

Mean deposit = area of the profile / bout width, so one metering gives every bout width another rate. A comparison of
widths at one target rate scales the profile, and so takes for granted that the pattern keeps its shape at the new
metering: a test at that metering decides.
"""

from __future__ import annotations

from dataclasses import replace

from spreadcheck.errors import Fault, QuantityError
from spreadcheck.spread.profile import Profile
from spreadcheck.units import HECTARE_M2

MAX_RATE_KG_HA = 100_000.0


def metering_factor(profile: Profile, bout_width_m: float, target_kg_ha: float) -> float:
    """How much more or less must be metered than in the test, for the mean deposit to be the target rate.

    Parameters
    ----------
    profile : Profile
        The single-pass profile. [m, kg/ha]
    bout_width_m : float
        The bout width. [m]
    target_kg_ha : float
        The target rate. [kg/ha]

    Returns
    -------
    float
        Metering over that of the test. [-]

    Raises
    ------
    QuantityError
        If the target rate can't be spread.

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> metering_factor(profile_from([-1, 0, 1], [100, 200, 100]), 2.0, 150.0)  # the test gave 400 / 2 = 200 kg/ha
    0.75
    """
    if not 0 < target_kg_ha <= MAX_RATE_KG_HA:
        remedy = f"give a rate above 0 and up to {MAX_RATE_KG_HA:,.0f} kg/ha"
        raise QuantityError(Fault("target rate", f"{target_kg_ha:g} kg/ha can't be spread", remedy))
    return target_kg_ha * bout_width_m / profile.area_kg_ha_m


def at_target_rate(profile: Profile, bout_width_m: float, target_kg_ha: float) -> Profile:
    """The profile scaled so that the mean deposit at a bout width is the target rate.

    Parameters
    ----------
    profile : Profile
        The single-pass profile; rates in proportion become rates. [m, kg/ha]
    bout_width_m : float
        The bout width. [m]
    target_kg_ha : float
        The target rate. [kg/ha]

    Returns
    -------
    Profile
        The profile at the new metering. [m, kg/ha]

    Raises
    ------
    QuantityError
        If the target rate can't be spread.

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> at_target_rate(profile_from([-1, 0, 1], [100, 200, 100]), 2.0, 150.0).rate_kg_ha
    array([ 75., 150.,  75.])
    """
    factor = metering_factor(profile, bout_width_m, target_kg_ha)
    return replace(profile, rate_kg_ha=profile.rate_kg_ha * factor, relative=False)


def flow_kg_s(rate_kg_ha: float, bout_width_m: float, speed_m_s: float) -> float:
    """What must leave the hopper each second to give a rate at a bout width and speed.

    Parameters
    ----------
    rate_kg_ha : float
        The rate. [kg/ha]
    bout_width_m : float
        The bout width. [m]
    speed_m_s : float
        Travel speed. [m/s]

    Returns
    -------
    float
        The flow. [kg/s]

    Examples
    --------
    >>> round(flow_kg_s(150, 24, 10 / 3.6) * 60, 6)  # kg/min at 10 km/h
    60.0
    """
    return rate_kg_ha * bout_width_m * speed_m_s / HECTARE_M2
