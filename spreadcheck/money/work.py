"""Field work: how much of a field is spread in an hour, and in how many passes.

Field capacity C = S W E / 10 in ha/h with S in km/h and W in m, or S W E / 8.25 in ac/h with mph and ft (ASAE EP496,
agricultural machinery management). Field efficiency E is the share of the time at work that is spent spreading at full
speed and width; turns, refilling and short bouts take the rest.
"""

from __future__ import annotations

import math

from spreadcheck.errors import CostError, Fault, record
from spreadcheck.units import HECTARE_M2

EFFICIENCY_PCT = 70.0  # usual for fertiliser spreaders, range 60 to 80 (ASAE D497, from memory)
_WHOLE = 1e-9  # of a pass: rounding in the widths must not cost a pass

# what each figure is called, the largest that can be, and how it is written
_LIMITS = {
    "speed_m_s": ("travel speed", 30.0, "m/s", "12 km/h"),
    "efficiency_pct": ("field efficiency", 100.0, "%", "70 %"),
    "width_m": ("field width", 100_000.0, "m", "240 m"),
    "length_m": ("field length", 100_000.0, "m", "400 m"),
}


@record
class Field:
    """The field and how it is driven: speed, field efficiency, width across the passes, length along them."""

    speed_m_s: float | None = None
    efficiency_pct: float = EFFICIENCY_PCT
    width_m: float | None = None
    length_m: float | None = None

    def __post_init__(self) -> None:
        _check(**{name: getattr(self, name) for name in _LIMITS})

    @property
    def area_m2(self) -> float | None:
        """The area, if both sides are known. [m2]"""
        return None if self.width_m is None or self.length_m is None else self.width_m * self.length_m


@record
class Fieldwork:
    """The work at one bout width: what follows from something that is not known is None.

    `spread_width_m` is what the passes cover side by side: at least the width of the field.
    """

    capacity_ha_h: float | None
    flow_kg_s: float | None
    passes: int | None
    spread_width_m: float | None
    hours: float | None


def _check(**figures: float | None) -> None:
    """Refuse figures that no field and no spreader at work can have, all at once."""
    faults = []
    for name, value in figures.items():
        called, most, unit, example = _LIMITS[name]
        if value is not None and not 0 < value <= most:
            remedy = f'give one above 0 and up to {most:,.0f} {unit}, such as "{example}"'
            faults.append(Fault(called, f"{value:g} {unit} can't be right", remedy))
    if faults:
        raise CostError(*faults)


def field_capacity(*, speed_m_s: float, bout_width_m: float, efficiency_pct: float) -> float:
    """Field capacity: the area spread in an hour of work.

    Parameters
    ----------
    speed_m_s : float
        Travel speed. [m/s]
    bout_width_m : float
        Bout width. [m]
    efficiency_pct : float
        Field efficiency. [%]

    Returns
    -------
    float
        Field capacity, C = S W E / 10 with S in km/h (ASAE EP496). [ha/h]

    Raises
    ------
    CostError
        If the speed is not above 0 or the efficiency is not a share of the time.

    Examples
    --------
    >>> round(field_capacity(speed_m_s=10 / 3.6, bout_width_m=24, efficiency_pct=70), 6)
    16.8
    """
    _check(speed_m_s=speed_m_s, efficiency_pct=efficiency_pct)
    return speed_m_s * 3600 * bout_width_m * efficiency_pct / 100 / HECTARE_M2


def passes_over(field_width_m: float, bout_width_m: float) -> int:
    """Passes that a field takes, the last one perhaps partly over ground that is spread already.

    Parameters
    ----------
    field_width_m : float
        Width of the field across the passes. [m]
    bout_width_m : float
        Bout width. [m]

    Returns
    -------
    int
        Passes. [-]

    Raises
    ------
    CostError
        If the field has no width.

    Examples
    --------
    >>> passes_over(240, 24), passes_over(240, 28)
    (10, 9)
    """
    _check(width_m=field_width_m)
    return max(1, math.ceil(field_width_m / bout_width_m * (1 - _WHOLE)))


def fieldwork_at(field: Field, bout_width_m: float, target_kg_ha: float | None = None) -> Fieldwork:
    """The work at one bout width.

    Parameters
    ----------
    field : Field
        The field and how it is driven. [m, m/s, %]
    bout_width_m : float
        The bout width. [m]
    target_kg_ha : float or None
        Target rate. [kg/ha]

    Returns
    -------
    Fieldwork
        Capacity, flow, passes and hours, as far as they can be known. [ha/h, kg/s, -, h]

    Examples
    --------
    >>> work = fieldwork_at(Field(speed_m_s=10 / 3.6, width_m=240, length_m=350), 24)
    >>> round(work.capacity_ha_h, 3), work.passes, round(work.hours, 3), work.flow_kg_s
    (16.8, 10, 0.5, None)
    """
    speed, capacity, flow = field.speed_m_s, None, None
    if speed is not None:
        capacity = field_capacity(speed_m_s=speed, bout_width_m=bout_width_m, efficiency_pct=field.efficiency_pct)
        flow = None if target_kg_ha is None else flow_kg_s(target_kg_ha, bout_width_m, speed)
    passes = None if field.width_m is None else passes_over(field.width_m, bout_width_m)
    return Fieldwork(
        capacity_ha_h=capacity,
        flow_kg_s=flow,
        passes=passes,
        spread_width_m=None if passes is None else passes * bout_width_m,
        hours=None if field.area_m2 is None or capacity is None else field.area_m2 / HECTARE_M2 / capacity,
    )


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
