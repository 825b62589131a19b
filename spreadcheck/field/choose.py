"""What to choose: the best heading, the best place to switch, and the field CV of each that was tried.

All are looked at on coarse cells, which rank ways to drive as fine ones do and take a moment only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spreadcheck.errors import WidthError
from spreadcheck.field.boundary import Boundary
from spreadcheck.field.deposit import Landing, Leg
from spreadcheck.field.fieldmap import Ground, map_field
from spreadcheck.field.plan import Driving, plan_field
from spreadcheck.field.track import BASE_M, later_switched
from spreadcheck.spread.profile import Profile

HEADING_STEP_DEG = 6.0
MOST_SIDES = 20
SHIFTS_M = np.arange(-40.0, 40.1, 4.0)

Tried = tuple[tuple[float, float], ...]


def heading_cvs(
    boundary: Boundary, driving: Driving, profile: Profile, ground: Ground, landing: Landing, cell_m: float
) -> Tried:
    """The field CV of every heading looked at: all round in steps, along each long side, then finer about the best.

    >>> from spreadcheck.field.boundary import boundary_from
    >>> from spreadcheck.spread.profile import profile_from
    >>> field = boundary_from([np.array([[0, 0], [400, 0], [400, 96], [0, 96]])])
    >>> flat = profile_from([-12, 12], [100, 100], tails="cut")
    >>> ground = Ground(field.polygon, field.polygon.buffer(-36))
    >>> tried = heading_cvs(field, Driving(24), flat, ground, Landing("line", 0), 4)
    >>> min(tried, key=lambda pair: pair[1])[0]  # along the long side
    90.0
    """
    ring = boundary.rings[0]
    sides = np.diff(np.concatenate((ring, ring[:1])), axis=0)
    length = np.hypot(*sides.T)
    long = np.argsort(-length)[:MOST_SIDES]
    long = long[length[long] > 2 * driving.bout_width_m]
    along = np.degrees(np.arctan2(sides[long, 0], sides[long, 1])) % 180
    tried: dict[float, float] = {}

    def look(headings: Sequence[float]) -> None:
        for heading in sorted({round(float(h) % 180, 2) for h in headings} - set(tried)):
            try:
                plan = plan_field(boundary, replace(driving, heading_deg=heading))
            except WidthError:
                continue
            (found,) = map_field(
                plan.legs, [profile], ground, landing, bout_width_m=driving.bout_width_m, target_kg_ha=[1.0],
                cell_m=cell_m,
            )  # fmt: skip
            tried[heading] = found.field_cv_pct

    look([*np.arange(0, 180, HEADING_STEP_DEG), *along])
    if not tried:
        plan_field(boundary, driving)  # says what is wrong
    for step in (HEADING_STEP_DEG / 2, HEADING_STEP_DEG / 4):
        best = min(tried, key=lambda heading: tried[heading])
        look([best - step, best + step])
    return tuple(sorted(tried.items()))


def later_cvs(
    legs: tuple[Leg, ...], profile: Profile, ground: Ground, landing: Landing, *, bout_width_m: float, cell_m: float
) -> Tried:
    """The field CV of a recorded track with all its switching so many metres later along the way. [m, %]"""
    found = []
    for later in SHIFTS_M.tolist():
        (each,) = map_field(
            later_switched(legs, later), [profile], ground, landing, bout_width_m=bout_width_m, target_kg_ha=[1.0],
            cell_m=cell_m, base_m=BASE_M,
        )  # fmt: skip
        found.append((later, each.field_cv_pct))
    return tuple(found)
