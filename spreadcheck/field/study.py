"""One field and one tray test: the maps of the ways to drive it, metered as a controller set for the width would do."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.errors import CostError, Fault, SheetError, WidthError, shown
from spreadcheck.field.case import (
    Asked,
    FieldCase,
    FieldStudy,
    coarse_cell_m,
    field_sureness,
    landing_doubts,
    plan_doubts,
    track_doubts,
)
from spreadcheck.field.deposit import ARC, LINE, Landing, Leg, Progress, best_switching_m, landing_of
from spreadcheck.field.fieldmap import NEAR_PCT, FieldMap, Ground, OtherLanding, find_spots, map_field, reach_of
from spreadcheck.field.places import Boundary, extra
from spreadcheck.field.plan import Driving, Plan, Tried, heading_cvs, plan_field
from spreadcheck.field.track import BASE_M, Track, check_near, has_speed, later_switched, legs_of, mean_speed_m_s
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.judge.blend import NutrientAnalysis, blend_parts
from spreadcheck.money.response import yield_at
from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.profile import Profile, metering_factor
from spreadcheck.spread.widths import check_width
from spreadcheck.units import HECTARE_M2

MAX_WAYS = 60


def study_field(
    test: TrayTest,
    asked: Asked | None = None,
    *,
    boundary: Boundary | None = None,
    track: Track | None = None,
    progress: Progress | None = None,
) -> FieldStudy:
    """From one tray test and the way a field is driven to a map of what every square metre gets.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    asked : Asked or None
        How the field is driven and what is asked; the sheet's bout width and one headland round if None. [m, deg]
    boundary : Boundary or None
        The field; needed for a plan. [m]
    track : Track or None
        A recorded track; a plan is made where there is none. [m]
    progress : callable, optional
        Called with the share that is done. [-]

    Returns
    -------
    FieldStudy
        Maps, figures and doubts. [kg/ha, %, kg]

    Raises
    ------
    WidthError
        If there is neither boundary nor track, no bout width is known, or the field is too small for the plan.
    SheetError
        If the track is far from the boundary.
    CostError
        If what is asked for can't be priced.

    Examples
    --------
    >>> from spreadcheck import tray_test
    >>> from spreadcheck.field.places import boundary_from
    >>> catch = [4, 10, 16, 20, 20, 20, 20, 16, 10, 4]
    >>> test = tray_test(np.arange(-13.5, 15, 3), catch, tray_width="1 m", tray_length="1 m")
    >>> field = boundary_from([np.array([[0, 0], [400, 0], [400, 200], [0, 200]])])
    >>> study = study_field(test, Asked(bout_width_m=(18.0,), heading_deg=(90.0,)), boundary=field)
    >>> found = study.case.found
    >>> found.interior_cv_pct < found.field_cv_pct, round(sum(found.share_pct.values()), 6), study.case.plan.bouts
    (True, 100.0, 10)
    """
    asked = asked or Asked()
    if boundary is None and track is None:
        raise WidthError(Fault("the field", "is not known", "give --boundary FILE for a plan, or --track FILE"))
    if boundary is not None and track is not None:
        check_near(track, boundary)
    result = _assessed(test, asked)
    if result.bout_width_m is None:
        remedy = 'write it on the sheet, or add --bout-width "24 m"'
        raise WidthError(Fault(test.source or "the sheet", "names no bout width", remedy))
    return _Study(result, asked, boundary, track, progress).made()


@dataclass
class _Study:
    """A study while it is being made: what all its cases share."""

    result: Assessment
    asked: Asked
    boundary: Boundary | None
    track: Track | None
    progress: Progress | None

    def __post_init__(self) -> None:
        self.test, self.profile = self.result.test, self.result.profile
        self.widths = self.asked.bout_width_m or (self.result.bout_width_m or 0.0,)
        for width in self.widths:
            check_width(self.profile, width)
        known = self.asked.target_kg_ha
        if known is None:
            known = self.test.target_kg_ha
        self.target_known = known is not None
        first = self.widths[0]
        of_test = 100.0 if self.profile.relative else self.profile.area_kg_ha_m / first
        self.target = of_test if known is None else known
        self.landing = landing_of(self.profile, self.asked.landing, self.asked.landing_distance_m)
        self.base_m = None if self.track is None else BASE_M
        self.speed = self.test.quantity("travel speed")
        if self.asked.basis is not None and self.asked.basis.field.speed_m_s is not None:
            self.speed = self.asked.basis.field.speed_m_s

    def made(self) -> FieldStudy:
        """The whole study."""
        cases, headings = self.track_cases() if self.track is not None else self.plan_cases()
        case = cases[0]
        headland = _headland_m(case)
        other = self._other(case)
        return FieldStudy(
            assessment=self.result,
            asked=self.asked,
            boundary=self.boundary,
            track=self.track,
            profile=self.scaled(case.bout_width_m),
            landing=self.landing,
            target_kg_ha=self.target,
            target_known=self.target_known,
            cases=tuple(cases),
            spots=find_spots(case.found, case.ground, bout_width_m=case.bout_width_m, headland_m=headland),
            other=other,
            sure=field_sureness(
                self.result.noise,
                self.scaled(case.bout_width_m),
                case,
                self.landing,
                cell_m=self.asked.cell_m,
                base_m=self.base_m,
                stated=self.asked.stated,
            ),
            headings=headings,
            nutrients=self._nutrients(case),
            doubts=(*self.result.doubts, *self._doubts(case, other)),
        )

    def scaled(self, bout_width_m: float, profile: Profile | None = None) -> Profile:
        """The profile as metered for a bout width."""
        factor = metering_factor(self.profile, bout_width_m, self.target)
        profile = profile or self.profile
        return replace(profile, rate_kg_ha=profile.rate_kg_ha * factor)

    # --- a plan in a boundary

    def plan_cases(self) -> tuple[list[FieldCase], Tried]:
        """Every combination of what is asked, and the headings that were looked at."""
        asked = self.asked
        methods = asked.method or (self.test.text("driving") or BACK_AND_FORTH,)
        ways = list(
            itertools.product(
                self.widths, asked.headland_rounds, methods, asked.heading_deg, asked.on_m, asked.off_m,
                asked.drift_m, asked.border,
            )
        )  # fmt: skip
        if len(ways) > MAX_WAYS:
            raise WidthError(
                Fault("", f"{len(ways)} ways to drive are too many", f"compare at most {MAX_WAYS} at once")
            )
        best = best_switching_m(self.profile, self.landing)
        cases: list[FieldCase] = []
        found: dict[tuple[Any, ...], Tried] = {}
        for number, (width, rounds, method, heading, on, off, drift, border) in enumerate(ways):
            driving = Driving(
                width, rounds, 0.0 if heading is None else heading, asked.turning_radius_m,
                best if on is None else on, best if off is None else off, method, border, drift,
            )  # fmt: skip
            if heading is None:
                key = (width, rounds, method)
                if key not in found:
                    found[key] = self._headings(replace(driving, drift_m=0.0, border=False))
                driving = replace(driving, heading_deg=min(found[key], key=lambda pair: pair[1])[0])
            cases.append(self._planned(driving, number / len(ways), 1 / len(ways)))
        return cases, next(iter(found.values()), ())

    def _planned(self, driving: Driving, done: float, part: float) -> FieldCase:
        assert self.boundary is not None
        plan = plan_field(self.boundary, driving)
        ground = self._ground_of(driving.headland_rounds * driving.bout_width_m)
        case = self._case(driving.bout_width_m, plan.legs, ground, plan, done=done, part=part)
        if self.speed is None:
            return case
        return self._with_work(case, plan.driven_m / self.speed / 3600)

    def _ground_of(self, headland_m: float) -> Ground:
        assert self.boundary is not None
        polygon = self.boundary.polygon
        return Ground(polygon, polygon.buffer(-(headland_m + reach_of(self.profile))))

    def _headings(self, driving: Driving) -> Tried:
        assert self.boundary is not None
        ground = self._ground_of(driving.headland_rounds * driving.bout_width_m)
        return heading_cvs(
            self.boundary, driving, self.scaled(driving.bout_width_m), ground, self.landing,
            coarse_cell_m(self.asked.cell_m, ground.polygon.area),
        )  # fmt: skip

    # --- a recorded track

    def track_cases(self) -> tuple[list[FieldCase], Tried]:
        """The track as driven and with its switching moved."""
        assert self.track is not None
        reference = None
        if self.asked.by_time:
            if not has_speed(self.track):
                remedy = "give a track with time or speed on all of it, or leave --by-time out"
                raise SheetError(Fault(self.track.source, "logs neither time nor speed on all of it", remedy))
            reference = self.speed or mean_speed_m_s(self.track)
        legs = legs_of(self.track, reference_m_s=reference)
        cases = []
        shifts = self.asked.later_m
        for number, (width, later) in enumerate(itertools.product(self.widths, shifts)):
            ground = self._ground_of(width) if self.boundary is not None else _ground_along(legs, width, self.profile)
            moved = later_switched(legs, later)
            done, part = number / len(self.widths) / len(shifts), 1 / len(self.widths) / len(shifts)
            case = self._case(width, moved, ground, None, done=done, part=part, later_m=later)
            if has_speed(self.track):
                whole = sum(float(leg.along_m[-1]) for leg in legs)
                case = self._with_work(case, whole / mean_speed_m_s(self.track) / 3600)
            cases.append(case)
        return cases, ()

    # --- maps and money

    def _case(
        self, width: float, legs: Sequence[Leg], ground: Ground, plan: Plan | None, *, done: float,
        part: float, later_m: float = 0.0,
    ) -> FieldCase:  # fmt: skip
        told = None if self.progress is None else (lambda share: self.progress(done + part * share))  # type: ignore[misc]
        (found,) = map_field(
            legs, [self.scaled(width)], ground, self.landing, bout_width_m=width, target_kg_ha=[self.target],
            cell_m=self.asked.cell_m, base_m=self.base_m, progress=told,
        )  # fmt: skip
        if not found.inside.any():
            raise WidthError(Fault("option --cell", "the field is smaller than a cell", "use smaller cells"))
        case = FieldCase(width, tuple(legs), ground, found, plan, later_m)
        return self._priced(case)

    def _maps(
        self, case: FieldCase, profiles: Sequence[Profile], targets: Sequence[float], **more: Any
    ) -> Sequence[FieldMap]:
        """Further maps of a way that was mapped, as its own but for what is said."""
        own: dict[str, Any] = {"landing": self.landing, "cell_m": self.asked.cell_m, **more}
        return map_field(
            case.legs,
            profiles,
            case.ground,
            bout_width_m=case.bout_width_m,
            target_kg_ha=targets,
            base_m=self.base_m,
            **own,
        )

    def _priced(self, case: FieldCase) -> FieldCase:
        """Yield lost and product wasted, as far as priced."""
        basis, area = self.asked.basis, float(case.ground.polygon.area) / HECTARE_M2
        lost = value = product = None
        if basis is not None and basis.response is not None:
            if not self.target_known:
                remedy = 'write it on the sheet, or add --target "150 kg/ha"'
                raise CostError(Fault("target rate", "is not known, and the yield lost depends on it", remedy))
            even = float(yield_at(basis.response, self.target))
            lost = (even - float(yield_at(basis.response, case.found.field_kg_ha).mean())) * area
            value = None if basis.prices.crop_per_t is None else lost * basis.prices.crop_per_t
        if self.asked.product_per_t is not None and self.target_known:
            product = case.found.wasted_kg / 1000 * self.asked.product_per_t
        return replace(case, yield_lost_t=lost, yield_cost=value, product_cost=product)

    def _with_work(self, case: FieldCase, hours: float) -> FieldCase:
        prices = None if self.asked.basis is None else self.asked.basis.prices
        hourly = [] if prices is None else [p for p in (prices.work_per_h, prices.fuel_per_h) if p is not None]
        return replace(case, hours=hours, work_cost=hours * sum(hourly) if hourly else None)

    def _other(self, case: FieldCase) -> OtherLanding:
        """The other landing model, its distance such that the same switching suits it."""
        model = LINE if self.landing.model == ARC else ARC
        distance = best_switching_m(self.profile, self.landing)
        reach = reach_of(self.profile)
        landing = Landing(model, distance if model == LINE else max(1.05 * reach, float(np.hypot(distance, reach / 2))))
        profile, cell = self.scaled(case.bout_width_m), coarse_cell_m(self.asked.cell_m, case.ground.polygon.area)
        both = [
            case.found
            if each is self.landing and cell == self.asked.cell_m
            else self._maps(case, [profile], [self.target], landing=each, cell_m=cell)[0]
            for each in (self.landing, landing)
        ]
        own, other = (found.field_kg_ha for found in both)  # rasters end apart, but lie on the same lines
        differs = np.zeros(both[1].inside.shape, dtype=bool)
        differs[both[1].inside] = np.abs(own - other) > self.target * NEAR_PCT / 100
        return OtherLanding(landing, both[1], both[0].field_cv_pct, differs)

    def _nutrients(self, case: FieldCase) -> tuple[tuple[str, FieldMap], ...]:
        """A map of each component and nutrient of a blend."""
        if not self.test.components:
            return ()
        contents = self.asked.analysis or NutrientAnalysis()
        parts = [part for part in blend_parts(self.test, contents, tails=self.asked.tails) if part[1] != "whole"]
        scaled = [self.scaled(case.bout_width_m, profile) for _, _, profile in parts]
        targets = [profile.area_kg_ha_m / case.bout_width_m for profile in scaled]
        maps = self._maps(case, scaled, targets)
        return tuple((name, found) for (name, _, _), found in zip(parts, maps, strict=True))

    def _doubts(self, case: FieldCase, other: OtherLanding) -> list[Doubt]:
        found = landing_doubts(self.landing, other, given=self.asked.landing_distance_m is not None)
        if case.plan is not None:
            assert self.boundary is not None
            reach, area = reach_of(self.profile), self.boundary.area_ha
            return found + plan_doubts(case.plan, self.landing, reach, self.asked.cell_m, area)
        assert self.track is not None
        return found + track_doubts(self.track, boundary_assumed=case.ground.assumed)


def _ground_along(legs: Sequence[Leg], bout_width_m: float, profile: Profile) -> Ground:
    """The ground within half a bout of what was driven with the slide open, small gaps closed."""
    shapely = extra("shapely", "the field map")
    lines = [shapely.LineString(line).simplify(0.3) for leg in legs for line in leg.open_lines]
    half = bout_width_m / 2
    ground = shapely.union_all(shapely.buffer(lines, half, quad_segs=4, cap_style="flat"))
    ground = ground.buffer(half / 2, quad_segs=4).buffer(-half / 2, quad_segs=4)
    return Ground(ground, ground.buffer(-(bout_width_m + reach_of(profile))), assumed=True)


def part_shown(study: FieldStudy, name: str) -> FieldStudy:
    """The study with a component or nutrient of a blend in place of the whole, as driven first; its mean is the target.

    Figures, places, picture and files are then those of that part; ways and headings stay those of the whole.
    """
    maps = {part.casefold(): found for part, found in study.nutrients}
    found = maps.get(name.casefold())
    if found is None:
        known = ", ".join(part for part, _ in study.nutrients)
        remedy = f"give one of {known}" if known else "give a sheet with component columns"
        raise SheetError(Fault("option --part", f'"{shown(name)}" is no part of this blend', remedy))
    case = replace(study.case, found=found)
    headland = _headland_m(case)
    spots = find_spots(found, case.ground, bout_width_m=case.bout_width_m, headland_m=headland)
    return replace(
        study, cases=(case,), target_kg_ha=found.target_kg_ha, spots=spots, part=name, sure=None, nutrients=()
    )


def _headland_m(case: FieldCase) -> float:
    """How deep the headland is; of a track, one round. [m]"""
    return case.driving.headland_rounds * case.bout_width_m if case.driving else case.bout_width_m


def ways_of(study: FieldStudy, asked: Asked, *, planned: bool = False) -> list[FieldCase]:
    """Other ways to drive the field of a study; `planned` leaves the track for a plan in the boundary."""
    made = _Study(study.assessment, asked, study.boundary, None if planned else study.track, None)
    return (made.track_cases() if made.track is not None else made.plan_cases())[0]


def study_fields(
    test: TrayTest,
    asked: Asked,
    fields: Sequence[tuple[Boundary | None, Track | None]],
    executor: Executor | None = None,
) -> tuple[FieldStudy, ...]:
    """Many fields in one run.

    Parameters
    ----------
    test : TrayTest
        The test that stands for all of them. [-]
    asked : Asked
        What is asked about each. [-]
    fields : sequence of (Boundary or None, Track or None)
        The fields. [m]
    executor : concurrent.futures.Executor, optional
        Where they are worked out; local processes if not given. [-]

    Returns
    -------
    tuple of FieldStudy
        A study a field, in the order given. [kg/ha, %, kg]

    Examples
    --------
    >>> study_fields.__name__  # a run is in docs/field.md
    'study_fields'
    """
    jobs = [(test, asked, *field) for field in fields]
    if executor is not None:
        studies = list(executor.map(_alone, jobs))
    elif len(jobs) < 2:
        studies = list(map(_alone, jobs))
    else:
        with ProcessPoolExecutor(max_workers=min(len(jobs), 8)) as local:
            studies = list(local.map(_alone, jobs))
    shared = _assessed(test, asked)
    return tuple(replace(study, assessment=shared) for study in studies)


def _assessed(test: TrayTest, asked: Asked) -> Assessment:
    """The test at the bout width that is shown first; the same for every field."""
    width = asked.bout_width_m[0] if asked.bout_width_m else None
    return assess(test, limit_pct=asked.limit_pct, bout_width_m=width, tails=asked.tails, relative=True)


def _alone(job: tuple[TrayTest, Asked, Boundary | None, Track | None]) -> FieldStudy:
    """One field, without the assessment: that can't travel between processes, and is the same for all."""
    test, asked, boundary, track = job
    study = study_field(test, asked, boundary=boundary, track=track)
    return replace(study, assessment=None)  # type: ignore[arg-type]
