"""What the crew has and wants from a tray test, and how many runs that takes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from spreadcheck.errors import Fault, QuantityError
from spreadcheck.limits import LIMITS
from spreadcheck.passes.granules import Granules, granules, tray_noise
from spreadcheck.sheet.plausible import check
from spreadcheck.sheet.traytest import MAX_OFFSET_M, MAX_PASSES, MAX_TRAYS

# travel speed (km/h), its tolerance, runs per measurement, travel speed for which the flow is set (km/h)
_EN_13739_2 = ((4.0, 0.4, 2, 10.0), (6.0, 0.4, 4, 6.0), (10.0, 0.5, 5, 10.0), (12.0, 0.6, 6, 12.0))


@dataclass(frozen=True)
class PlanRequest:
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
    former_runs: int | None = None  # runs that a former test asks for

    @property
    def tray_area_m2(self) -> float:
        """Tray width times tray length. [m2]"""
        return self.tray_width_m * self.tray_length_m

    @property
    def granules(self) -> Granules:
        """The granules, taken as all of one size. [g, -]"""
        return granules(size_guide_number=self.size_guide_number, density_kg_m3=self.granule_density_kg_m3)


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


def check_request(request: PlanRequest) -> None:
    """Refuse a request that can't be, or that contradicts itself; all faults at once."""
    faults = []
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
    for name, value in (
        ("size guide number", request.size_guide_number),
        ("granule density", request.granule_density_kg_m3),
    ):
        try:
            check(name, value, place="plan")
        except QuantityError as error:
            faults += error.faults
    if request.spacing_m is not None and request.spacing_m < request.tray_width_m * (1 - 1e-9):
        problem = f"trays {request.tray_width_m:g} m wide can't stand {request.spacing_m:g} m apart"
        faults.append(Fault("plan", problem, "give a spacing of at least the tray width"))
    if faults:
        raise QuantityError(*faults)


def passes_for_noise(request: PlanRequest) -> int:
    """Passes, weighed one by one, until counting noise and reading error of a half-rate tray stay under the share."""
    once = tray_noise(
        request.target_rate_kg_ha / 2,
        tray_area_m2=request.tray_area_m2,
        granules=request.granules,
        resolution_g=request.scale_resolution_g,
        runs_per_catch=request.runs_per_catch,
    )
    for_noise = math.ceil((float(once.total_pct) / request.noise_pct) ** 2 - 1e-9)
    for_practice = math.ceil(max(LIMITS["passes"].value, request.former_runs or 0) / request.runs_per_catch)
    if for_noise > MAX_PASSES:
        problem = (
            f"{for_noise:,} passes would be needed to bring the noise of a half-rate tray under {request.noise_pct:g} %"
        )
        raise QuantityError(Fault("plan", problem, "use larger trays, a finer scale, a higher rate or a larger share"))
    return max(for_noise, for_practice)


def runs_for_noise(request: PlanRequest) -> int:
    """Runs, caught together and weighed once, for the same share: the scale then rounds only once."""
    once = tray_noise(
        request.target_rate_kg_ha / 2,
        tray_area_m2=request.tray_area_m2,
        granules=request.granules,
        resolution_g=request.scale_resolution_g,
    )
    counting, reading = float(once.counting_pct) ** 2, float(once.reading_pct) ** 2
    # counting / n + reading / n^2 = share^2, solved for n
    share = request.noise_pct**2
    runs = (counting + math.sqrt(counting**2 + 4 * share * reading)) / (2 * share)
    return max(math.ceil(runs - 1e-9), int(LIMITS["passes"].value), request.former_runs or 0)


def standard_runs(travel_speed_m_s: float) -> tuple[int, float] | None:
    """Runs per measurement that EN 13739-2, 4.1.2 asks for, and the single passes that they are worth.

    At 4 km/h the flow is set as it would be at 10 km/h, so that each run lays down 10/4 of a pass.
    """
    speed = travel_speed_m_s * 3.6
    for named, tolerance, runs, flow_speed in _EN_13739_2:
        if abs(speed - named) <= tolerance + 1e-9:
            return runs, runs * flow_speed / named
    return None
