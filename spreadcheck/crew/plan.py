"""A tray line before it is laid: where the trays go, how many passes, how much room, product and time; its sheet."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from spreadcheck.doubts.doubt import Doubt, Quantity, Words
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import Fault, QuantityError, collected, record
from spreadcheck.limits import LIMITS
from spreadcheck.passes.granules import granules, tray_noise
from spreadcheck.sheet.labels import LABELS, REQUIRED
from spreadcheck.sheet.plausible import check
from spreadcheck.sheet.traytest import MAX_OFFSET_M, MAX_PASSES, MAX_TRAYS, CatchState, FormRow, TrayTest, tray_test
from spreadcheck.units import KINDS, counted, from_inside, shown_unit

# travel speed (km/h), its tolerance, runs per measurement, travel speed for which the flow is set (km/h)
_EN_13739_2 = ((4.0, 0.4, 2, 10.0), (6.0, 0.4, 4, 6.0), (10.0, 0.5, 5, 10.0), (12.0, 0.6, 6, 12.0))


@record
class PlanRequest:
    """What the crew has and wants; either the bout width or the throw must be known. Lengths in m, mass in g."""

    target_rate_kg_ha: float
    bout_width_m: float | None = None
    throw_m: float | None = None  # how far granules fly to one side
    tray_width_m: float = 0.5
    tray_length_m: float = 0.5
    spacing_m: float | None = None
    trays: int | None = None  # how many there are
    wheel_track_m: float | None = None
    tyre_width_m: float = 0.5
    travel_speed_m_s: float = 10 / 3.6
    scale_resolution_g: float = 0.1
    runs_per_catch: int = 1
    size_guide_number: float = 325.0
    granule_density_kg_m3: float = 1600.0
    noise_pct: float = LIMITS["plan noise"].value  # of a half-rate catch, by chance and scale together
    settling_s: float = LIMITS["settling"].value
    former_runs: int | None = None  # runs that a former test asks for
    assumed: tuple[str, ...] = ()  # fields that nobody gave: used, told, and not written on the sheet as known

    @property
    def tray_area_m2(self) -> float:
        """Tray width times tray length. [m2]"""
        return self.tray_width_m * self.tray_length_m

    def noise(self, **weighed: int) -> tuple[float, float]:
        """Counting noise and reading error of a half-rate tray, the granules taken as all of one size. [%]"""
        grains = granules(size_guide_number=self.size_guide_number, density_kg_m3=self.granule_density_kg_m3)
        rate, area, step = self.target_rate_kg_ha / 2, self.tray_area_m2, self.scale_resolution_g
        noise = tray_noise(rate, tray_area_m2=area, granules=grains, resolution_g=step, **weighed)
        return float(noise.counting_pct), float(noise.reading_pct)


# field of a request -> what it is called, its unit, the most that can be
_MOST = {
    "target_rate_kg_ha": ("target rate", "kg/ha", 100_000),
    "bout_width_m": ("bout width", "m", MAX_OFFSET_M / 2),
    "throw_m": ("throw", "m", MAX_OFFSET_M / 2),
    "tray_width_m": ("tray width", "m", 20),
    "tray_length_m": ("tray length", "m", 20),
    "spacing_m": ("spacing", "m", MAX_OFFSET_M),
    "trays": ("number of trays", "", MAX_TRAYS),
    "wheel_track_m": ("wheel track", "m", 20),
    "tyre_width_m": ("tyre width", "m", 5),
    "travel_speed_m_s": ("travel speed", "m/s", 30),
    "scale_resolution_g": ("scale resolution", "g", 1000),
    "runs_per_catch": ("number of runs per catch", "", 1000),
    "noise_pct": ("noise", "%", 100),
    "settling_s": ("settling time", "s", 120),
    "former_runs": ("number of runs from a former test", "", 1_000_000),
}
# label of the tray sheet -> field of a request
_ON_SHEET = {
    "tray width": "tray_width_m", "tray length": "tray_length_m", "runs per catch": "runs_per_catch",
    "travel speed": "travel_speed_m_s", "target rate": "target_rate_kg_ha", "bout width": "bout_width_m",
    "wheel track": "wheel_track_m", "scale resolution": "scale_resolution_g",
    "size guide number": "size_guide_number", "granule density": "granule_density_kg_m3",
}  # fmt: skip


def check_request(request: PlanRequest) -> None:
    """Refuse a request that can't be, or that contradicts itself; all faults at once."""
    faults: list[Fault] = []
    if request.bout_width_m is None and request.throw_m is None:
        remedy = "give the bout width wanted or the throw expected"
        faults.append(Fault("plan", "neither the bout width nor the throw is known", remedy))
    if request.spacing_m is not None and request.trays is not None:
        remedy = "give one of them, the other follows"
        faults.append(Fault("plan", "spacing and number of trays are both given", remedy))
    for name, (word, unit, most) in _MOST.items():
        value = getattr(request, name)
        if value is not None and not 0 < value <= most:
            problem = f"a {word} of {value:g} {unit}".rstrip() + " can't be"
            faults.append(Fault("plan", problem, f"give it above 0, up to {most:g} {unit}".rstrip()))
    for label in ("size guide number", "granule density"):
        with collected(faults):
            check(label, getattr(request, _ON_SHEET[label]), place="plan")
    if request.spacing_m is not None and request.spacing_m < request.tray_width_m * (1 - 1e-9):
        problem = f"trays {request.tray_width_m:g} m wide can't stand {request.spacing_m:g} m apart"
        faults.append(Fault("plan", problem, "give a spacing of at least the tray width"))
    if faults:
        raise QuantityError(*faults)


def passes_for_noise(request: PlanRequest) -> int:
    """Passes, weighed one by one, until counting noise and reading error of a half-rate tray stay under the share."""
    once = request.noise(runs_per_catch=request.runs_per_catch)
    for_noise = math.ceil((math.hypot(*once) / request.noise_pct) ** 2 - 1e-9)
    for_practice = math.ceil(max(LIMITS["passes"].value, request.former_runs or 0) / request.runs_per_catch)
    if for_noise > MAX_PASSES:
        under = f"the noise of a half-rate tray under {request.noise_pct:g} %"
        problem = f"{for_noise:,} passes would be needed to bring {under}"
        raise QuantityError(Fault("plan", problem, "use larger trays, a finer scale, a higher rate or a larger share"))
    return max(for_noise, for_practice)


def runs_for_noise(request: PlanRequest) -> int:
    """Runs, caught together and weighed once, for the same share: the scale then rounds only once."""
    counting, reading = (part**2 for part in request.noise())
    # counting / n + reading / n^2 = share^2, solved for n
    share = request.noise_pct**2
    runs = (counting + math.sqrt(counting**2 + 4 * share * reading)) / (2 * share)
    return max(math.ceil(runs - 1e-9), int(LIMITS["passes"].value), request.former_runs or 0)


def standard_runs(travel_speed_m_s: float) -> tuple[int, float] | None:
    """Runs per measurement that EN 13739-2, 4.1.2 asks for, and the single passes that they are worth by their flow."""
    speed = travel_speed_m_s * 3.6
    for named, tolerance, runs, flow_speed in _EN_13739_2:
        if abs(speed - named) <= tolerance + 1e-9:
            return runs, runs * flow_speed / named
    return None


@record(eq=False)
class Plan:
    """A tray line proposed: `at_wheel` are the places where no tray can stand, `in_bout` those inside a bout width."""

    request: PlanRequest
    bout_width_m: float
    throw_m: float
    spacing_m: float
    offset_m: NDArray[np.float64]
    at_wheel: NDArray[np.bool_]
    in_bout: NDArray[np.bool_]
    trays: int
    trays_in_bout: int
    passes: int
    runs: int
    runs_together: int
    counting_pct: float
    reading_pct: float
    noise_pct: float  # both, of a half-rate tray after all passes
    half_catch_g: float
    run_up_m: float
    product_kg: float
    strip_rate_kg_ha: float  # what the middle of the strip in front of the line gets from all runs
    driving_s: float
    weighing_s: float
    doubts: tuple[Doubt, ...]


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
    if request.bout_width_m is None:  # the one that is not known follows from the other
        throw = request.throw_m or 0.0
        bout = throw * LIMITS["bout over throw"].value
    else:
        bout = request.bout_width_m
        throw = request.throw_m or bout * LIMITS["line over bout"].value / 2
    spacing = _spacing(request, bout, throw)
    offset, at_wheel = _places(request, spacing, bout, throw)
    in_bout, trays = np.abs(offset) <= bout / 2 + 1e-9, int((~at_wheel).sum())
    passes = passes_for_noise(request)
    counting, reading = request.noise(passes=passes, runs_per_catch=request.runs_per_catch)
    run_up = request.travel_speed_m_s * request.settling_s + throw
    runs, metres = passes * request.runs_per_catch, run_up + throw
    plan = Plan(
        request=request,
        bout_width_m=bout,
        throw_m=throw,
        spacing_m=spacing,
        offset_m=offset,
        at_wheel=at_wheel,
        in_bout=in_bout,
        trays=trays,
        trays_in_bout=int((~at_wheel & in_bout).sum()),
        passes=passes,
        runs=runs,
        runs_together=runs_for_noise(request),
        counting_pct=counting,
        reading_pct=reading,
        noise_pct=math.hypot(counting, reading),
        half_catch_g=request.target_rate_kg_ha / 20 * request.tray_area_m2 * request.runs_per_catch,
        run_up_m=run_up,
        product_kg=runs * request.target_rate_kg_ha * bout * metres / 1e4,
        strip_rate_kg_ha=runs * request.target_rate_kg_ha,
        driving_s=runs * (metres / request.travel_speed_m_s + LIMITS["turning"].value),
        weighing_s=passes * trays * LIMITS["weighing"].value,
        doubts=(),
    )
    return replace(plan, doubts=_doubts(plan))


def _spacing(request: PlanRequest, bout_m: float, throw_m: float) -> float:
    """The spacing given, the closest that the trays suffice for, or the widest with as many as are aimed at."""

    def trays(spacing_m: float, within_m: float = math.inf) -> int:
        offset, at_wheel = _places(request, spacing_m, bout_m, throw_m)
        return int((~at_wheel & (np.abs(offset) <= within_m + 1e-9)).sum())

    if request.spacing_m is not None:
        return request.spacing_m
    step, aim = request.tray_width_m / 2, LIMITS["trays aimed at"].value
    spacings = [count * step for count in range(2, max(int(bout_m / step), 2) + 1)]
    if request.trays is not None:
        return next((wide for wide in spacings if trays(wide) <= (request.trays or 0)), spacings[-1])
    return next((wide for wide in reversed(spacings) if trays(wide, bout_m / 2) >= aim), spacings[0])


def _places(
    request: PlanRequest, spacing_m: float, bout_m: float, throw_m: float
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
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


def _doubts(plan: Plan) -> tuple[Doubt, ...]:
    found, request = [], plan.request
    width = Words("the bout width of {width}", {"width": Quantity(plan.bout_width_m, "length")})
    if plan.trays_in_bout < LIMITS["trays in width"].value:
        trays, spacing = counted(plan.trays_in_bout, "tray"), Quantity(plan.spacing_m, "length")
        seen = "{trays} inside {width}, {spacing} apart"
        found.append(doubt("few-trays", seen=seen, trays=trays, width=width, spacing=spacing))
    if request.trays is not None and plan.trays > request.trays:
        seen = f"{counted(request.trays, 'tray')} can't cover the line; {plan.trays} are planned"
        found.append(doubt("end-catch", seen=seen, limits=(), effect="with fewer, the throw is not covered"))
    places = int(plan.in_bout.sum())
    gaps = places - plan.trays_in_bout
    if gaps > LIMITS["gaps in width"].value and gaps > LIMITS["gaps share"].value / 100 * places:
        seen = "{trays} of {places} places inside {width} are at the wheels"
        remedy, trays = "use narrower trays, or a tractor on narrower tyres", counted(gaps, "tray")
        told = doubt("gaps-in-width", seen=seen, remedy=remedy, trays=trays, places=places, width=width)
        found.append(told)
    if plan.half_catch_g < LIMITS["scale steps"].value * request.scale_resolution_g * (1 - 1e-9):
        steps = plan.half_catch_g / request.scale_resolution_g
        seen = "a half-rate tray will catch {half:.3g} g, {steps:.1f} steps of the scale"
        found.append(doubt("coarse-scale", seen=seen, half=plan.half_catch_g, steps=steps))
    if plan.passes > LIMITS["passes at most"].value:
        found.append(doubt("many-passes", passes=plan.passes, runs=plan.runs))
    return tuple(found)


def planned_sheet(plan: Plan, system: str = "metric", *, bins: int = 1) -> TrayTest:
    """The tray sheet of a plan, with all details as form rows and blank catches, ready to be filled in.

    Parameters
    ----------
    plan : Plan
        The plan. [m, kg/ha]
    system : str
        "metric" or "us": the units that the sheet is written in. [-]
    bins : int
        How many bins the machine has: each has a product of its own on the form. [-]

    Returns
    -------
    TrayTest
        The sheet. [-]

    Examples
    --------
    >>> from spreadcheck import PlanRequest, plan_line
    >>> sheet = planned_sheet(plan_line(PlanRequest(target_rate_kg_ha=100, bout_width_m=24, wheel_track_m=1.8)))
    >>> sheet.quantity("bout width"), len(sheet.tray), sheet.passes
    (24.0, 33, (1, 2, 3, 4, 5))
    """
    request, unit = plan.request, shown_unit("length", system)
    blank = tray_test(
        plan.offset_m,
        np.full((len(plan.offset_m), plan.passes), np.nan),
        tray_width=f"{request.tray_width_m!r} m",
        tray_length=f"{request.tray_length_m!r} m",
    )
    rows = []
    for label in LABELS.values():
        if label.bin > bins or (label.name == "bins run" and bins == 1):
            continue
        name, field = label.name, _ON_SHEET.get(label.name, "")
        known = name in REQUIRED or field not in request.assumed  # the line is laid for trays of an assumed size too
        value = getattr(request, field, None) if known else None
        own = shown_unit(label.kind, system) if label.kind in KINDS and (value or system == "us") else label.unit
        if value is not None:
            value = f"{from_inside(value, own, label.kind) if own else value:.6g}"
        rows.append(FormRow(name, value or "", own))
    return replace(
        blank,
        form=tuple(rows),
        offset=np.round(plan.offset_m / KINDS["length"].factors[unit], 4),
        offset_unit=unit,
        state=np.where(plan.at_wheel[:, None], CatchState.NO_TRAY, blank.state).astype(np.uint8),
        note=tuple("wheel track, no tray" if wheel else "" for wheel in plan.at_wheel.tolist()),
    )
