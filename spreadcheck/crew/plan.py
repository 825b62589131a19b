"""A tray line before it is laid: where the trays go, how many passes, how much room, product and time it takes.

Every rule's number and source stands in `LIMITS`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spreadcheck.crew.planrequest import PlanRequest, check_request, passes_for_noise, runs_for_noise
from spreadcheck.doubts.doubt import Doubt, Quantity, Words, trays_counted
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import Fault, QuantityError
from spreadcheck.limits import LIMITS
from spreadcheck.passes.granules import tray_noise
from spreadcheck.sheet.traytest import MAX_TRAYS, FloatArray


@dataclass(frozen=True, eq=False)
class Plan:
    """A tray line proposed. `at_wheel` marks the places where no tray can stand."""

    request: PlanRequest
    bout_width_m: float
    throw_m: float
    spacing_m: float
    offset_m: FloatArray
    at_wheel: NDArray[np.bool_]
    passes: int
    runs_together: int
    counting_pct: float
    reading_pct: float
    half_catch_g: float
    run_up_m: float
    run_out_m: float
    product_kg: float
    driving_s: float
    weighing_s: float
    doubts: tuple[Doubt, ...]

    @property
    def trays(self) -> int:
        """Trays to lay. [-]"""
        return int((~self.at_wheel).sum())

    @property
    def trays_in_bout(self) -> int:
        """Trays laid inside one bout width. [-]"""
        return int((~self.at_wheel & (np.abs(self.offset_m) <= self.bout_width_m / 2 + 1e-9)).sum())

    @property
    def noise_pct(self) -> float:
        """Counting noise and reading error of a half-rate tray after all passes. [%]"""
        return math.hypot(self.counting_pct, self.reading_pct)

    @property
    def runs(self) -> int:
        """Runs over the line. [-]"""
        return self.passes * self.request.runs_per_catch

    @property
    def strip_rate_kg_ha(self) -> float:
        """What the strip in front of the line gets in the middle of the pattern, from all runs. [kg/ha]"""
        return self.runs * self.request.target_rate_kg_ha


def plan_line(request: PlanRequest) -> Plan:
    """Propose a tray line.

    Parameters
    ----------
    request : PlanRequest
        What the crew has and wants. [m, kg/ha, m/s, g]

    Returns
    -------
    Plan
        The line, the passes, the room, the product and the time. [m, kg, s]

    Raises
    ------
    QuantityError
        If a request can't be, contradicts another, or leaves the width open; all faults at once.

    Examples
    --------
    >>> plan = plan_line(PlanRequest(target_rate_kg_ha=100, bout_width_m=24, wheel_track_m=1.8))
    >>> plan.trays, plan.spacing_m, plan.passes, round(plan.noise_pct, 1)
    (33, 1.5, 5, 6.9)
    """
    check_request(request)
    bout, throw = _expected(request)
    offset, at_wheel, spacing = _line(request, bout, throw)
    passes = passes_for_noise(request)
    noise = tray_noise(
        request.target_rate_kg_ha / 2,
        tray_area_m2=request.tray_area_m2,
        granules=request.granules,
        resolution_g=request.scale_resolution_g,
        passes=passes,
        runs_per_catch=request.runs_per_catch,
    )
    run_up, run_out = request.travel_speed_m_s * request.settling_s + throw, throw
    runs, metres = passes * request.runs_per_catch, run_up + run_out
    plan = Plan(
        request=request,
        bout_width_m=bout,
        throw_m=throw,
        spacing_m=spacing,
        offset_m=offset,
        at_wheel=at_wheel,
        passes=passes,
        runs_together=runs_for_noise(request),
        counting_pct=float(noise.counting_pct),
        reading_pct=float(noise.reading_pct),
        half_catch_g=request.target_rate_kg_ha / 20 * request.tray_area_m2 * request.runs_per_catch,
        run_up_m=run_up,
        run_out_m=run_out,
        product_kg=runs * request.target_rate_kg_ha * bout * metres / 1e4,
        driving_s=runs * (metres / request.travel_speed_m_s + LIMITS["turning"].value),
        weighing_s=passes * int((~at_wheel).sum()) * LIMITS["weighing"].value,
        doubts=(),
    )
    return replace(plan, doubts=_doubts(plan))


def _expected(request: PlanRequest) -> tuple[float, float]:
    """Bout width and throw to one side; the one that is not known follows from the other."""
    ratio = LIMITS["bout over throw"].value
    if request.bout_width_m is None:
        throw = request.throw_m or 0.0
        return throw * ratio, throw
    return request.bout_width_m, request.throw_m or request.bout_width_m * LIMITS["line over bout"].value / 2


def _line(request: PlanRequest, bout_m: float, throw_m: float) -> tuple[FloatArray, NDArray[np.bool_], float]:
    """Offsets, places at the wheels, spacing."""
    if request.spacing_m is not None:
        return *_places(request, request.spacing_m, bout_m, throw_m), request.spacing_m
    step = request.tray_width_m / 2
    widest = max(int(bout_m / step), 2)
    steps = range(2, widest + 1)
    if request.trays is not None:
        spacings = [count * step for count in steps]
        fits = next((s for s in spacings if _count(request, s, bout_m, throw_m)[0] <= request.trays), spacings[-1])
        return *_places(request, fits, bout_m, throw_m), fits
    aim = LIMITS["trays aimed at"].value
    close = next((k * step for k in reversed(steps) if _count(request, k * step, bout_m, throw_m)[1] >= aim), 2 * step)
    return *_places(request, close, bout_m, throw_m), close


def _places(
    request: PlanRequest, spacing_m: float, bout_m: float, throw_m: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """A tray on the centre line and as many to each side as it takes; the last one is to catch nothing."""
    reach = throw_m if request.throw_m is None else throw_m + spacing_m
    half_m = max(reach, bout_m * LIMITS["line over width"].value / 2)
    half = math.ceil(half_m / spacing_m - 1e-9)
    if 2 * half + 1 > MAX_TRAYS:
        problem = f"the line would hold {2 * half + 1:,} trays"
        raise QuantityError(Fault("plan", problem, f"use larger or fewer trays, at most {MAX_TRAYS:,}"))
    offset = np.round(np.arange(-half, half + 1) * spacing_m, 6)
    if request.wheel_track_m is None:
        return offset, np.zeros(len(offset), dtype=bool)
    room = (request.tyre_width_m + request.tray_width_m) / 2 + LIMITS["wheel clearance"].value
    at_wheel = np.abs(np.abs(offset) - request.wheel_track_m / 2) < room - 1e-9
    return offset, np.asarray(at_wheel)


def _count(request: PlanRequest, spacing_m: float, bout_m: float, throw_m: float) -> tuple[int, int]:
    """Trays on the line, and those inside the bout width."""
    offset, at_wheel = _places(request, spacing_m, bout_m, throw_m)
    inside = np.abs(offset) <= bout_m / 2 + 1e-9
    return int((~at_wheel).sum()), int((~at_wheel & inside).sum())


def _doubts(plan: Plan) -> tuple[Doubt, ...]:
    found, request = [], plan.request
    width = Words("the bout width of {width}", {"width": Quantity(plan.bout_width_m, "length")})
    if plan.trays_in_bout < LIMITS["trays in width"].value:
        spacing = Quantity(plan.spacing_m, "length")
        seen = "{trays} inside {width}, {spacing} apart"
        counted = trays_counted(plan.trays_in_bout)
        found.append(doubt("few-trays", seen=seen, trays=counted, width=width, spacing=spacing))
    if request.trays is not None and plan.trays > request.trays:
        seen = f"{trays_counted(request.trays)} can't cover the line; {plan.trays} are planned"
        found.append(doubt("end-catch", seen=seen, limits=(), effect="with fewer, the throw is not covered"))
    inside = np.abs(plan.offset_m) <= plan.bout_width_m / 2 + 1e-9
    gaps = int((plan.at_wheel & inside).sum())
    if gaps > LIMITS["gaps in width"].value and gaps > LIMITS["gaps share"].value / 100 * int(inside.sum()):
        found.append(
            doubt(
                "gaps-in-width",
                seen="{trays} of {places} places inside {width} are at the wheels",
                remedy="use narrower trays, or a tractor on narrower tyres",
                trays=trays_counted(gaps),
                places=int(inside.sum()),
                width=width,
            )
        )
    if plan.half_catch_g < LIMITS["scale steps"].value * request.scale_resolution_g * (1 - 1e-9):
        steps = plan.half_catch_g / request.scale_resolution_g
        seen = "a half-rate tray will catch {half:.3g} g, {steps:.1f} steps of the scale"
        found.append(doubt("coarse-scale", seen=seen, half=plan.half_catch_g, steps=steps))
    if plan.passes > LIMITS["passes at most"].value:
        found.append(doubt("many-passes", passes=plan.passes, runs=plan.runs))
    return tuple(found)
