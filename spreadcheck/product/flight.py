"""Flight of a granule from the disc to the ground, with air drag and wind; and the air itself.

Axes: x along the throw, y to its right, z up. m dv/dt = (m - m_air) g - rho / 2 Cd A |v - w| (v - w).

References
  Clift, Grace and Weber (1978), Bubbles, Drops, and Particles, Academic Press.
  Haider and Levenspiel (1989), Drag coefficient and terminal velocity of spherical and nonspherical particles,
  Powder Technology 58, 63-70.
  U.S. Standard Atmosphere (1976), which ISO 2533 shares: dry air and Sutherland's constants.
  WMO-No. 8, Guide to Instruments and Methods of Observation, annex 4.B: saturation vapour pressure over water.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from operator import attrgetter
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.errors import Fault, QuantityError, record
from spreadcheck.sheet.traytest import FloatArray

DRY_AIR_J_KG_K = 287.05287  # gas constant of dry air
VAPOUR_J_KG_K = 461.523  # gas constant of water vapour, 8.314462618 / 0.018015268
ZERO_C_K = 273.15
SEA_LEVEL_HPA = 1013.25
GRAVITY_M_S2 = 9.80665
HIGHEST_REYNOLDS = 338_000.0  # where the drag of a sphere collapses and this law ends
LONGEST_FLIGHT_S = 1e5
LOWEST_REYNOLDS = 1e-9  # keeps 24 / Re finite for a granule at rest in the air

DragLaw: TypeAlias = Callable[[FloatArray, FloatArray], FloatArray]

# 24 / Re (1 + a Re^(b - c log10 Re)) up to Re = 20 and up to 260: a, b, c
_SLOW = np.array([[0.1315, 0.1935], [0.82, 0.6305], [0.05, 0.0]])
# log10 Cd = a + b x + c x^2 + d x^3, x = log10 Re, from Re = 260 up to 1500, 12,000, 44,000 and 338,000
_FAST = np.array(
    [
        [1.6435, -2.4571, -1.9181, -4.3390],
        [-1.1242, 2.5558, 0.6370, 1.5809],
        [0.1558, -0.9295, -0.0636, -0.1546],
        [0.0, 0.1049, 0.0, 0.0],
    ]
)
_FAST_ENDS = np.array([1500.0, 12_000.0, 44_000.0])


@record
class Air:
    """Air as a granule meets it."""

    density_kg_m3: float
    viscosity_pa_s: float


def air_at(temperature_deg_c: float, *, pressure_hpa: float = SEA_LEVEL_HPA, humidity_pct: float = 0.0) -> Air:
    """Moist air: dry air and water vapour as ideal gases side by side, and Sutherland's law for the viscosity.

    Vapour pressure over water, in hPa: humidity x 6.112 exp(17.62 t / (243.12 + t)). Viscosity: 1.458e-6 T^1.5 /
    (T + 110.4), T in K.

    Parameters
    ----------
    temperature_deg_c, pressure_hpa, humidity_pct : float
        Air temperature, pressure at the place, not reduced to sea level, relative humidity. [degC, hPa, %]

    Returns
    -------
    Air
        Density and dynamic viscosity. [kg/m3, Pa s]

    Examples
    --------
    >>> air = air_at(15)  # the standard atmosphere at sea level
    >>> round(air.density_kg_m3, 4), round(air.viscosity_pa_s * 1e5, 4)
    (1.225, 1.7894)
    """
    vapour = humidity_pct / 100 * 6.112 * math.exp(17.62 * temperature_deg_c / (243.12 + temperature_deg_c))
    kelvin = temperature_deg_c + ZERO_C_K
    density = 100 * ((pressure_hpa - vapour) / DRY_AIR_J_KG_K + vapour / VAPOUR_J_KG_K) / kelvin
    return Air(density, 1.458e-6 * kelvin * math.sqrt(kelvin) / (kelvin + 110.4))


@record
class Granule:
    """One granule. `sphericity` is the surface of a ball of the same volume over its own surface: 1 for a ball."""

    diameter_m: float
    density_kg_m3: float
    sphericity: float = 1.0


@record
class Release:
    """How a granule leaves the disc, and the wind along the throw (a tail wind is positive) and towards its right."""

    granule: Granule
    speed_m_s: float
    height_m: float
    angle_deg: float = 0.0
    wind_along_m_s: float = 0.0
    wind_across_m_s: float = 0.0
    drag_factor: float = 1.0  # multiplies the drag, to see how much hangs on it


@record
class Flight:
    """Where and how a granule lands: `throw_m` along the throw, `drift_m` to its right."""

    throw_m: float
    drift_m: float
    time_s: float
    landing_speed_m_s: float
    landing_angle_deg: float  # below the horizontal


def sphere_drag(reynolds: ArrayLike) -> FloatArray:
    """Drag coefficient of a smooth ball.

    Parameters
    ----------
    reynolds : array_like
        Reynolds number: air density x speed through the air x diameter / viscosity. [-]

    Returns
    -------
    ndarray
        Drag coefficient. [-]

    Raises
    ------
    QuantityError
        If a Reynolds number is above 338,000, where the law ends.

    Examples
    --------
    >>> sphere_drag([100, 1000, 10_000]).round(4)
    array([1.087 , 0.4711, 0.4052])
    """
    re = np.maximum(np.asarray(reynolds, dtype=float), LOWEST_REYNOLDS)
    if re.size and re.max() > HIGHEST_REYNOLDS:
        problem = f"Reynolds number {re.max():.0f} is beyond the drag law, which ends at {HIGHEST_REYNOLDS:.0f}"
        raise QuantityError(Fault("air drag", problem, "check release speed, granule size and wind speed"))
    x = np.log10(re)
    a, b, c = _SLOW[:, (re >= 20).astype(int)]
    slow = np.where(re < 0.01, 24 / re + 3 / 16, 24 / re * (1 + a * 10 ** (x * (b - c * x))))
    p, q, r, s = _FAST[:, np.searchsorted(_FAST_ENDS, re, side="right")]
    return np.asarray(np.where(re < 260, slow, 10 ** (p + x * (q + x * (r + x * s)))))


def shape_drag(reynolds: ArrayLike, sphericity: ArrayLike) -> FloatArray:
    """Drag coefficient of a compact granule of some sphericity, by its own law (within some 6 % of measurements).

    Cd = 24 / Re (1 + A Re^B) + C / (1 + D / Re), where A to D depend on the sphericity.

    Parameters
    ----------
    reynolds, sphericity : array_like
        Reynolds number with the diameter of a ball of equal volume; surface of that ball over the granule's own. [-]

    Returns
    -------
    ndarray
        Drag coefficient. [-]

    Examples
    --------
    >>> shape_drag(2000, [1, 0.906]).round(2)  # a ball, and a cube with its corners cut off (cuboctahedron)
    array([0.43, 0.73])
    """
    re = np.maximum(np.asarray(reynolds, dtype=float), LOWEST_REYNOLDS)
    f = np.asarray(sphericity, dtype=float)
    a = np.exp(2.3288 + f * (-6.4581 + 2.4486 * f))
    b = 0.0964 + 0.5565 * f
    c = np.exp(4.905 + f * (-13.8944 + f * (18.4222 - 10.2599 * f)))
    d = np.exp(1.4681 + f * (12.2584 + f * (-20.7322 + 15.8855 * f)))
    return np.asarray(24 / re * (1 + a * re**b) + c / (1 + d / re))


def drag_coefficient(reynolds: ArrayLike, sphericity: ArrayLike = 1.0) -> FloatArray:
    """Drag coefficient of a granule: the ball's, times the shape law's ratio of this granule to a ball.

    Parameters
    ----------
    reynolds, sphericity : array_like
        As for `shape_drag`; 1 for a ball. [-]

    Returns
    -------
    ndarray
        Drag coefficient. [-]

    Examples
    --------
    >>> drag_coefficient([1000, 1000], [1, 0.95]).round(3)
    array([0.471, 0.53 ])
    """
    ball = sphere_drag(reynolds)
    shape = np.asarray(sphericity, dtype=float)
    if (shape == 1).all():
        return ball
    return ball * shape_drag(reynolds, shape) / shape_drag(reynolds, 1.0)


def terminal_velocity(granule: Granule, air: Air, *, gravity: float = GRAVITY_M_S2) -> float:
    """The speed of steady fall: drag carries the weight less the buoyancy.

    Parameters
    ----------
    granule, air : Granule, Air
        The granule and the air. [-]
    gravity : float
        Acceleration of free fall. [m/s2]

    Returns
    -------
    float
        Terminal velocity. [m/s]

    Raises
    ------
    QuantityError
        If the granule would fall faster than the drag law reaches, or does not sink.

    Examples
    --------
    >>> round(terminal_velocity(Granule(2.53e-3, 1325), Air(1.2, 1.8e-5)), 1)  # urea
    9.2
    """
    from scipy.optimize import brentq

    weight = gravity * (1 - air.density_kg_m3 / granule.density_kg_m3)
    per_speed = air.density_kg_m3 * granule.diameter_m / air.viscosity_pa_s
    grip = 0.75 * air.density_kg_m3 / (granule.density_kg_m3 * granule.diameter_m)

    def excess(speed: float) -> float:
        return float(grip * drag_coefficient(per_speed * speed, granule.sphericity)) * speed**2 - weight

    fastest = HIGHEST_REYNOLDS / per_speed if per_speed > 0 else 0.0
    if weight <= 0 or fastest == 0 or excess(fastest) <= 0:
        remedy = "check granule size, density and air"
        raise QuantityError(Fault("terminal velocity", "none within the drag law", remedy))
    return float(brentq(excess, 0.0, fastest, xtol=1e-10))


def fly(
    releases: Sequence[Release], air: Air, *, law: DragLaw = drag_coefficient, gravity: float = GRAVITY_M_S2
) -> tuple[Flight, ...]:
    """Follow granules from the disc to the ground, all of them in one integration.

    Parameters
    ----------
    releases : sequence of Release
        The granules as they leave the disc. [-]
    air : Air
        The air; with density 0 the flight is that in a vacuum. [-]
    law : callable
        Drag coefficient from Reynolds number and sphericity, both arrays. [-]
    gravity : float
        Acceleration of free fall. [m/s2]

    Returns
    -------
    tuple of Flight
        One landing a release, in their order. [-]

    Raises
    ------
    QuantityError
        If a granule flies faster than the drag law reaches.

    Examples
    --------
    >>> flights = fly([Release(Granule(3.25e-3, 1325), speed, 1.0) for speed in (20, 30)], Air(1.2, 1.8e-5))
    >>> [round(flight.throw_m, 2) for flight in flights]
    [7.25, 9.96]
    """
    if not releases:
        return ()
    from scipy.integrate import solve_ivp

    names = "granule.diameter_m granule.density_kg_m3 granule.sphericity speed_m_s height_m angle_deg"
    of = attrgetter(*names.split(), "wind_along_m_s", "wind_across_m_s", "drag_factor")
    columns = np.array([of(release) for release in releases], dtype=float).T
    size, density, shape, speed, height, angle, along, across, drag = columns
    grip = 0.75 * air.density_kg_m3 / (density * size) * drag
    per_speed = air.density_kg_m3 * size / air.viscosity_pa_s
    nothing = np.zeros(len(releases))
    wind = np.stack((along, across, nothing))
    fall = np.stack((nothing, nothing, -gravity * (1 - air.density_kg_m3 / density)))

    def motion(_time: float, state: FloatArray) -> FloatArray:
        """The rate of change of all places and velocities."""
        velocity = state.reshape(6, -1)[3:]
        through_air = velocity - wind
        through = np.sqrt((through_air * through_air).sum(axis=0))
        push = grip * law(per_speed * through, shape) * through
        return np.concatenate((velocity, fall - push * through_air)).ravel()

    def above(_time: float, state: FloatArray) -> float:
        """The height of the last granule in the air: the integration ends as it lands."""
        return float(state.reshape(6, -1)[2].max())

    vars(above).update(terminal=True, direction=-1)  # how the integration is told to stop there
    turn = np.radians(angle)
    start = (nothing, nothing, height, speed * np.cos(turn), nothing, speed * np.sin(turn))
    # Granules that land earlier go on below the ground, to no effect. The drag law is made of pieces with small kinks
    # between them, on which a method of high order stalls; this one keeps throws to a few millionths.
    limits = {"rtol": 1e-8, "atol": 1e-9, "events": above, "dense_output": True}
    return _landings(solve_ivp(motion, (0.0, LONGEST_FLIGHT_S), np.concatenate(start), **limits), len(releases))


def _landings(path: Any, count: int) -> tuple[Flight, ...]:
    """Find where each granule crosses the ground: the step in which it does, then Newton's method on its height."""
    heights = path.y.reshape(6, count, -1)[2]
    down = heights <= 0
    down[:, -1] = True
    after = np.maximum(down.argmax(axis=1), 1)
    each = np.arange(count)
    above, below = heights[each, after - 1], heights[each, after]
    time = path.t[after - 1] + (path.t[after] - path.t[after - 1]) * above / (above - below)
    for _ in range(6):
        state = path.sol(time).reshape(6, count, count)[:, each, each]
        time = time - state[2] / state[5]
    x, y, _, vx, vy, vz = path.sol(time).reshape(6, count, count)[:, each, each]
    speed = np.sqrt(vx * vx + vy * vy + vz * vz)
    angle = np.degrees(np.arctan2(-vz, np.hypot(vx, vy)))
    return tuple(Flight(*(float(value) for value in row)) for row in zip(x, y, time, speed, angle, strict=True))
