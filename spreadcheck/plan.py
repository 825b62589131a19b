"""A tray line before it is laid: where the trays go, how many passes, how much room, product and time it takes.

1. `Wish`        what the crew has and wants
2. `Plan`, `plan_line`   the line proposed, and what is doubtful about it
3. `passes_needed`, `runs_needed`   repeats until chance and scale stay under a share, weighed one by one or together
4. `standard_runs`       what EN 13739-2 asks for at a travel speed
5. `planned_sheet`       the tray sheet to fill in
6. `plan_json`           the plan for other programs

Every rule's number and source stands in `LIMITS`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import Fault, QuantityError
from spreadcheck.finding import Check, Finding, count_of
from spreadcheck.limits import LIMITS
from spreadcheck.noise import Granules, granules, tray_noise
from spreadcheck.quality import CHECKS
from spreadcheck.traytest import MAX_OFFSET_M, MAX_PASSES, MAX_TRAYS, FloatArray, FormRow, TrayTest, tray_test
from spreadcheck.units import KINDS, from_inside, show, shown_unit

SCHEMA = "spreadcheck/plan/1"

# travel speed (km/h), its tolerance, runs per measurement, travel speed for which the flow is set (km/h)
_EN_13739_2 = ((4.0, 0.4, 2, 10.0), (6.0, 0.4, 4, 6.0), (10.0, 0.5, 5, 10.0), (12.0, 0.6, 6, 12.0))

MANY_PASSES = Check(
    "many-passes",
    "passes that the plan needs",
    "the crew tires, the wind changes, and the strip is spread over many times",
    "use larger trays, a finer scale, several runs a catch or a higher share of noise",
    ("passes at most",),
)


@dataclass(frozen=True)
class Wish:
    """What the crew has and wants; lengths in m, rate in kg/ha, speed in m/s.

    Either the bout width or the throw (how far granules fly to one side) must be known. `trays` is how many trays there
    are; `noise_pct` the share of a half-rate catch that chance and scale together may make up.
    """

    target_rate_kg_ha: float
    bout_width_m: float | None = None
    throw_m: float | None = None
    tray_width_m: float = 0.5
    tray_length_m: float = 0.5
    spacing_m: float | None = None
    trays: int | None = None
    wheel_track_m: float | None = None
    tyre_width_m: float = 0.5
    travel_speed_m_s: float = 10 / 3.6
    scale_resolution_g: float = 0.1
    runs_per_catch: int = 1
    size_guide_number: float = 325.0
    granule_density_kg_m3: float = 1600.0
    noise_pct: float = LIMITS["plan noise"].value
    settling_s: float = LIMITS["settling"].value

    @property
    def tray_area_m2(self) -> float:
        """Tray width times tray length. [m2]"""
        return self.tray_width_m * self.tray_length_m


@dataclass(frozen=True, eq=False)
class Plan:
    """A tray line proposed. `at_wheel` marks the places where no tray can stand."""

    wish: Wish
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
    findings: tuple[Finding, ...]

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
        return self.passes * self.wish.runs_per_catch

    @property
    def strip_rate_kg_ha(self) -> float:
        """What the strip in front of the line gets in the middle of the pattern, from all runs. [kg/ha]"""
        return self.runs * self.wish.target_rate_kg_ha


def plan_line(wish: Wish) -> Plan:
    """Propose a tray line.

    Parameters
    ----------
    wish : Wish
        What the crew has and wants. [m, kg/ha, m/s, g]

    Returns
    -------
    Plan
        The line, the passes, the room, the product and the time. [m, kg, s]

    Raises
    ------
    QuantityError
        If a wish can't be, contradicts another, or leaves the width open; all faults at once.

    Examples
    --------
    >>> plan = plan_line(Wish(target_rate_kg_ha=100, bout_width_m=24, wheel_track_m=1.8))
    >>> plan.trays, plan.spacing_m, plan.passes, round(plan.noise_pct, 1)
    (33, 1.5, 5, 6.9)
    """
    _check(wish)
    bout, throw = _expected(wish)
    offset, at_wheel, spacing = _line(wish, bout, throw)
    passes = passes_needed(wish)
    noise = tray_noise(
        wish.target_rate_kg_ha / 2,
        tray_area_m2=wish.tray_area_m2,
        granules=_grain(wish),
        resolution_g=wish.scale_resolution_g,
        passes=passes,
        runs_per_catch=wish.runs_per_catch,
    )
    run_up, run_out = wish.travel_speed_m_s * wish.settling_s + throw, throw
    runs, metres = passes * wish.runs_per_catch, run_up + run_out
    plan = Plan(
        wish=wish,
        bout_width_m=bout,
        throw_m=throw,
        spacing_m=spacing,
        offset_m=offset,
        at_wheel=at_wheel,
        passes=passes,
        runs_together=runs_needed(wish),
        counting_pct=float(noise.counting_pct),
        reading_pct=float(noise.reading_pct),
        half_catch_g=wish.target_rate_kg_ha / 20 * wish.tray_area_m2 * wish.runs_per_catch,
        run_up_m=run_up,
        run_out_m=run_out,
        product_kg=runs * wish.target_rate_kg_ha * bout * metres / 1e4,
        driving_s=runs * (metres / wish.travel_speed_m_s + LIMITS["turning"].value),
        weighing_s=passes * int((~at_wheel).sum()) * LIMITS["weighing"].value,
        findings=(),
    )
    return replace(plan, findings=_doubts(plan))


def _check(wish: Wish) -> None:
    faults = []
    if wish.bout_width_m is None and wish.throw_m is None:
        remedy = "give the bout width wanted or the throw expected"
        faults.append(Fault("plan", "neither the bout width nor the throw is known", remedy))
    if wish.spacing_m is not None and wish.trays is not None:
        remedy = "give one of them, the other follows"
        faults.append(Fault("plan", "spacing and number of trays are both given", remedy))
    for name, (word, unit, most) in _MOST.items():
        value = getattr(wish, name)
        if value is not None and not 0 < value <= most:
            problem = f"a {word} of {value:g} {unit}".rstrip() + " can't be"
            faults.append(Fault("plan", problem, f"give it above 0, up to {most:g} {unit}".rstrip()))
    if wish.spacing_m is not None and wish.spacing_m < wish.tray_width_m * (1 - 1e-9):
        problem = f"trays {wish.tray_width_m:g} m wide can't stand {wish.spacing_m:g} m apart"
        faults.append(Fault("plan", problem, "give a spacing of at least the tray width"))
    if faults:
        raise QuantityError(*faults)


# field of a wish -> what it is called, its unit, the most that can be
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
    "size_guide_number": ("size guide number", "", 2000),
    "granule_density_kg_m3": ("granule density", "kg/m3", 6000),
    "noise_pct": ("noise", "%", 100),
    "settling_s": ("settling time", "s", 120),
}


def _expected(wish: Wish) -> tuple[float, float]:
    """Bout width and throw to one side; the one that is not known follows from the other."""
    ratio = LIMITS["bout over throw"].value
    if wish.bout_width_m is None:
        throw = wish.throw_m or 0.0
        return throw * ratio, throw
    return wish.bout_width_m, wish.throw_m or wish.bout_width_m * LIMITS["line over bout"].value / 2


def _line(wish: Wish, bout_m: float, throw_m: float) -> tuple[FloatArray, NDArray[np.bool_], float]:
    """Offsets, places at the wheels, spacing."""
    if wish.spacing_m is not None:
        return *_places(wish, wish.spacing_m, bout_m, throw_m), wish.spacing_m
    step = wish.tray_width_m / 2
    widest = max(int(bout_m / step), 2)
    steps = range(2, widest + 1)
    if wish.trays is not None:
        spacings = [count * step for count in steps]
        fits = next((s for s in spacings if _count(wish, s, bout_m, throw_m)[0] <= wish.trays), spacings[-1])
        return *_places(wish, fits, bout_m, throw_m), fits
    aim = LIMITS["trays aimed at"].value
    close = next((k * step for k in reversed(steps) if _count(wish, k * step, bout_m, throw_m)[1] >= aim), 2 * step)
    return *_places(wish, close, bout_m, throw_m), close


def _places(wish: Wish, spacing_m: float, bout_m: float, throw_m: float) -> tuple[FloatArray, NDArray[np.bool_]]:
    """A tray on the centre line and as many to each side as it takes; the last one is to catch nothing."""
    reach = throw_m if wish.throw_m is None else throw_m + spacing_m
    half_m = max(reach, bout_m * LIMITS["line over width"].value / 2)
    half = math.ceil(half_m / spacing_m - 1e-9)
    if 2 * half + 1 > MAX_TRAYS:
        problem = f"the line would hold {2 * half + 1:,} trays"
        raise QuantityError(Fault("plan", problem, f"use larger or fewer trays, at most {MAX_TRAYS:,}"))
    offset = np.round(np.arange(-half, half + 1) * spacing_m, 6)
    if wish.wheel_track_m is None:
        return offset, np.zeros(len(offset), dtype=bool)
    room = (wish.tyre_width_m + wish.tray_width_m) / 2 + LIMITS["wheel clearance"].value
    at_wheel = np.abs(np.abs(offset) - wish.wheel_track_m / 2) < room - 1e-9
    return offset, np.asarray(at_wheel)


def _count(wish: Wish, spacing_m: float, bout_m: float, throw_m: float) -> tuple[int, int]:
    """Trays on the line, and those inside the bout width."""
    offset, at_wheel = _places(wish, spacing_m, bout_m, throw_m)
    inside = np.abs(offset) <= bout_m / 2 + 1e-9
    return int((~at_wheel).sum()), int((~at_wheel & inside).sum())


def _grain(wish: Wish) -> Granules:
    return granules(size_guide_number=wish.size_guide_number, density_kg_m3=wish.granule_density_kg_m3)


def passes_needed(wish: Wish) -> int:
    """Passes, weighed one by one, until counting noise and reading error of a half-rate tray stay under the share.

    Parameters
    ----------
    wish : Wish
        What the crew has and wants. [m, kg/ha, m/s, g]

    Returns
    -------
    int
        Passes, at least so many that three runs are driven. [-]

    Examples
    --------
    >>> passes_needed(Wish(target_rate_kg_ha=100, bout_width_m=24))
    5
    """
    once = tray_noise(
        wish.target_rate_kg_ha / 2,
        tray_area_m2=wish.tray_area_m2,
        granules=_grain(wish),
        resolution_g=wish.scale_resolution_g,
        runs_per_catch=wish.runs_per_catch,
    )
    for_noise = math.ceil((float(once.total_pct) / wish.noise_pct) ** 2 - 1e-9)
    for_practice = math.ceil(LIMITS["passes"].value / wish.runs_per_catch)
    if for_noise > MAX_PASSES:
        problem = (
            f"{for_noise:,} passes would be needed to bring the noise of a half-rate tray under {wish.noise_pct:g} %"
        )
        raise QuantityError(Fault("plan", problem, "use larger trays, a finer scale, a higher rate or a larger share"))
    return max(for_noise, for_practice)


def runs_needed(wish: Wish) -> int:
    """Runs, caught together and weighed once, for the same share: the scale then rounds only once.

    Parameters
    ----------
    wish : Wish
        What the crew has and wants. [m, kg/ha, m/s, g]

    Returns
    -------
    int
        Runs, at least three. [-]

    Examples
    --------
    >>> light = Wish(target_rate_kg_ha=20, bout_width_m=24)
    >>> runs_needed(light), passes_needed(light)
    (24, 27)
    """
    once = tray_noise(
        wish.target_rate_kg_ha / 2,
        tray_area_m2=wish.tray_area_m2,
        granules=_grain(wish),
        resolution_g=wish.scale_resolution_g,
    )
    counting, reading = float(once.counting_pct) ** 2, float(once.reading_pct) ** 2
    # counting / n + reading / n^2 = share^2, solved for n
    share = wish.noise_pct**2
    runs = (counting + math.sqrt(counting**2 + 4 * share * reading)) / (2 * share)
    return max(math.ceil(runs - 1e-9), int(LIMITS["passes"].value))


def standard_runs(travel_speed_m_s: float) -> tuple[int, float] | None:
    """Runs per measurement that EN 13739-2, 4.1.2 asks for, and the single passes that they are worth.

    At 4 km/h the flow is set as it would be at 10 km/h, so that each run lays down 10/4 of a pass.

    Parameters
    ----------
    travel_speed_m_s : float
        Travel speed. [m/s]

    Returns
    -------
    tuple of (int, float), or None
        Runs and equivalent passes; None at a speed that the standard does not name. [-]

    Examples
    --------
    >>> standard_runs(4 / 3.6), standard_runs(12 / 3.6), standard_runs(8 / 3.6)
    ((2, 5.0), (6, 6.0), None)
    """
    speed = travel_speed_m_s * 3.6
    for named, tolerance, runs, flow_speed in _EN_13739_2:
        if abs(speed - named) <= tolerance + 1e-9:
            return runs, runs * flow_speed / named
    return None


def _doubts(plan: Plan) -> tuple[Finding, ...]:
    found, wish = [], plan.wish
    width = f"the bout width of {show(plan.bout_width_m, 'length')}"
    if plan.trays_in_bout < LIMITS["trays in width"].value:
        seen = f"{count_of(plan.trays_in_bout)} inside {width}, {show(plan.spacing_m, 'length')} apart"
        found.append(CHECKS["few-trays"].found(seen))
    if wish.trays is not None and plan.trays > wish.trays:
        seen = f"{count_of(wish.trays)} can't cover the line; {plan.trays} are planned"
        found.append(CHECKS["end-catch"].found(seen, limits=(), effect="with fewer, the throw is not covered"))
    inside = np.abs(plan.offset_m) <= plan.bout_width_m / 2 + 1e-9
    gaps = int((plan.at_wheel & inside).sum())
    if gaps > LIMITS["gaps in width"].value and gaps > LIMITS["gaps share"].value / 100 * int(inside.sum()):
        seen = f"{count_of(gaps)} of {int(inside.sum())} places inside {width} are at the wheels"
        found.append(CHECKS["gaps-in-width"].found(seen, remedy="use narrower trays, or a tractor on narrower tyres"))
    if plan.half_catch_g < LIMITS["scale steps"].value * wish.scale_resolution_g * (1 - 1e-9):
        steps = plan.half_catch_g / wish.scale_resolution_g
        seen = f"a half-rate tray will catch {plan.half_catch_g:.3g} g, {steps:.1f} steps of the scale"
        found.append(CHECKS["coarse-scale"].found(seen))
    if plan.passes > LIMITS["passes at most"].value:
        found.append(MANY_PASSES.found(f"{plan.passes} passes are needed, {plan.runs} runs"))
    return tuple(found)


def planned_sheet(plan: Plan, system: str = "metric") -> TrayTest:
    """The tray sheet of a plan, with all details as form rows and blank catches, ready to be filled in.

    Parameters
    ----------
    plan : Plan
        The plan. [m, kg/ha]
    system : str
        "metric" or "us": the units that the sheet is written in. [-]

    Returns
    -------
    TrayTest
        The sheet. [-]

    Examples
    --------
    >>> sheet = planned_sheet(plan_line(Wish(target_rate_kg_ha=100, bout_width_m=24, wheel_track_m=1.8)))
    >>> sheet.quantity("bout width"), len(sheet.tray), sheet.passes
    (24.0, 33, (1, 2, 3, 4, 5))
    """
    wish, unit = plan.wish, shown_unit("length", system)
    blank = tray_test(
        plan.offset_m,
        np.full((len(plan.offset_m), plan.passes), np.nan),
        tray_width=f"{wish.tray_width_m!r} m",
        tray_length=f"{wish.tray_length_m!r} m",
    )
    return replace(
        blank,
        form=_form(plan, system),
        offset=np.round(plan.offset_m / KINDS["length"].factors[unit], 4),
        offset_unit=unit,
        note=tuple("wheel track, no tray" if wheel else "" for wheel in plan.at_wheel.tolist()),
    )


def _form(plan: Plan, system: str) -> tuple[FormRow, ...]:
    """All details that are known, and a blank row for each that is still to be noted."""
    wish = plan.wish
    lengths = {"tray width": wish.tray_width_m, "tray length": wish.tray_length_m}
    known: list[tuple[str, str, float | None]] = [
        *((label, "length", value) for label, value in lengths.items()),
        ("travel speed", "speed", wish.travel_speed_m_s),
        ("target rate", "rate", wish.target_rate_kg_ha),
        ("bout width", "length", wish.bout_width_m),
        ("wheel track", "length", wish.wheel_track_m),
        ("scale resolution", "catch mass", wish.scale_resolution_g),
    ]
    rows = [FormRow(label, "") for label in ("test", "date", "place", "operator", "machine", "product")]
    rows += [_row(label, kind, value, system) for label, kind, value in known if value is not None]
    rows.append(FormRow("runs per catch", str(wish.runs_per_catch)))
    rows += [FormRow("spinner speed", "", "rpm"), FormRow("discharge", "", shown_unit("flow", system))]
    rows += [FormRow("wind speed", "", shown_unit("wind speed", system)), FormRow("wind from", "")]
    rows += [FormRow("bulk density", "", shown_unit("density", system)), FormRow("size guide number", "")]
    rows += [FormRow("granule density", "", "kg/m3"), FormRow("notes", "")]
    return tuple(rows)


def _row(label: str, kind: str, value: float, system: str) -> FormRow:
    unit = shown_unit(kind, system)
    return FormRow(label, f"{from_inside(value, unit, kind):.6g}", unit)


def plan_json(plan: Plan) -> dict[str, Any]:
    """The plan as plain data, SI throughout, keys carry their units.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    dict
        Data that `json.dumps` takes. [SI]

    Examples
    --------
    >>> data = plan_json(plan_line(Wish(target_rate_kg_ha=100, bout_width_m=24)))
    >>> data["schema"], data["passes"], data["spacing_m"]
    ('spreadcheck/plan/1', 5, 1.5)
    """
    standard = standard_runs(plan.wish.travel_speed_m_s)
    return {
        "schema": SCHEMA,
        "wish": {name: getattr(plan.wish, name) for name in Wish.__dataclass_fields__},
        "bout_width_m": plan.bout_width_m,
        "throw_m": plan.throw_m,
        "spacing_m": plan.spacing_m,
        "offset_m": plan.offset_m[~plan.at_wheel].tolist(),
        "wheel_offset_m": plan.offset_m[plan.at_wheel].tolist(),
        "trays": plan.trays,
        "trays_in_bout": plan.trays_in_bout,
        "passes": plan.passes,
        "runs_per_catch": plan.wish.runs_per_catch,
        "runs_weighed_together": plan.runs_together,
        "counting_noise_pct": plan.counting_pct,
        "reading_error_pct": plan.reading_pct,
        "noise_pct": plan.noise_pct,
        "half_rate_catch_g": plan.half_catch_g,
        "standard_runs": standard[0] if standard else None,
        "standard_equivalent_passes": standard[1] if standard else None,
        "run_up_m": plan.run_up_m,
        "run_out_m": plan.run_out_m,
        "product_kg": plan.product_kg,
        "driving_s": plan.driving_s,
        "weighing_s": plan.weighing_s,
        "warnings": [{"code": finding.code, "message": finding.message} for finding in plan.findings],
    }
