"""One field and one tray test: the maps of the ways to drive it, metered as a controller set for the width would do."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from spreadcheck.errors import CostError, Fault, SheetError, WidthError, record, shown
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
from spreadcheck.field.edge import reach_m
from spreadcheck.field.fieldmap import NEAR_PCT, FieldMap, Ground, OtherLanding, find_spots, map_field
from spreadcheck.field.places import Boundary, extra
from spreadcheck.field.plan import Driving, Plan, Tried, heading_cvs, plan_field
from spreadcheck.field.track import BASE_M, Track, check_near, later_switched, mean_speed_m_s, metered_by_time
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.judge.blend import NutrientAnalysis, blend_parts
from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.profile import Profile, metering_factor
from spreadcheck.spread.widths import check_widths
from spreadcheck.units import HECTARE_M2

MAX_WAYS = 60
SHIFTS_M = np.arange(-40.0, 40.1, 4.0)  # of all switching of a recorded track
LEAST_GAIN_PCT = 0.3  # of field CV: a shift of all switching that gains less is not worth a word


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
            check_widths(self.profile, width)
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
        cases, headings = self.ways()
        case = cases[0]
        width, profile, other = case.bout_width_m, self.scaled(case.bout_width_m), self._other(case)
        doubts = landing_doubts(self.landing, other, given=self.asked.landing_distance_m is not None)
        if case.plan is not None and self.boundary is not None:
            reach, area = reach_m(self.profile), self.boundary.area_ha
            doubts += plan_doubts(case.plan, self.landing, reach, self.asked.cell_m, area)
        if self.track is not None:
            doubts += track_doubts(self.track, boundary_assumed=case.ground.assumed)
        return FieldStudy(
            assessment=self.result,
            asked=self.asked,
            boundary=self.boundary,
            track=self.track,
            profile=profile,
            landing=self.landing,
            target_kg_ha=self.target,
            target_known=self.target_known,
            cases=tuple(cases),
            spots=find_spots(case.found, case.ground, bout_width_m=width, headland_m=_headland_m(case)),
            other=other,
            sure=field_sureness(
                self.result.noise,
                profile,
                case,
                self.landing,
                cell_m=self.asked.cell_m,
                base_m=self.base_m,
                stated=self.asked.stated,
            ),
            headings=headings,
            nutrients=self._nutrients(case),
            doubts=(*self.result.doubts, *doubts),
        )

    def ways(self) -> tuple[list[FieldCase], Tried]:
        """Every way that is asked for, and the headings that were looked at."""
        if self.track is not None:
            return self._driven(self.track), ()
        assert self.boundary is not None  # one of the two is there
        return self._planned(self.boundary)

    def scaled(self, bout_width_m: float, profile: Profile | None = None) -> Profile:
        """The profile as metered for a bout width."""
        factor = metering_factor(self.profile, bout_width_m, self.target)
        profile = profile or self.profile
        return replace(profile, rate_kg_ha=profile.rate_kg_ha * factor)

    def _planned(self, boundary: Boundary) -> tuple[list[FieldCase], Tried]:
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
            problem = f"{len(ways)} ways to drive are too many"
            raise WidthError(Fault("", problem, f"compare at most {MAX_WAYS} at once"))
        best, field = best_switching_m(self.profile, self.landing), boundary.polygon
        cases: list[FieldCase] = []
        tried: dict[tuple[Any, ...], Tried] = {}
        for number, (width, rounds, method, heading, on, off, drift, border) in enumerate(ways):
            driving = Driving(
                width, rounds, 0.0 if heading is None else heading, asked.turning_radius_m,
                best if on is None else on, best if off is None else off, method, border, drift,
            )  # fmt: skip
            ground = Ground(field, field.buffer(-(rounds * width + reach_m(self.profile))))
            if heading is None:
                key = (width, rounds, method)
                if key not in tried:
                    tried[key] = heading_cvs(
                        boundary, replace(driving, drift_m=0.0, border=False), self.scaled(width), ground,
                        self.landing, coarse_cell_m(asked.cell_m, field.area),
                    )  # fmt: skip
                driving = replace(driving, heading_deg=min(tried[key], key=lambda pair: pair[1])[0])
            plan = plan_field(boundary, driving)
            hours = None if self.speed is None else plan.driven_m / self.speed / 3600
            done = (number / len(ways), 1 / len(ways))
            cases.append(self._case(width, plan.legs, ground, hours, done, plan=plan))
        return cases, next(iter(tried.values()), ())

    def _driven(self, track: Track) -> list[FieldCase]:
        """The track as driven and with its switching moved."""
        mean, legs = mean_speed_m_s(track.legs), track.legs
        if self.asked.by_time and mean is None:
            remedy = "give a track with time or speed on all of it, or leave --by-time out"
            raise SheetError(Fault(track.source, "logs neither time nor speed on all of it", remedy))
        if self.asked.by_time and mean is not None:
            legs = metered_by_time(legs, self.speed or mean)
        hours = None if mean is None else sum(float(leg.along_m[-1]) for leg in legs) / mean / 3600
        ways, cases = list(itertools.product(self.widths, self.asked.later_m)), []
        for number, (width, later) in enumerate(ways):
            if self.boundary is None:
                ground = _ground_along(legs, width, self.profile)
            else:
                field = self.boundary.polygon
                ground = Ground(field, field.buffer(-(width + reach_m(self.profile))))
            done = (number / len(ways), 1 / len(ways))
            cases.append(self._case(width, later_switched(legs, later), ground, hours, done, later_m=later))
        return cases

    def _case(
        self, width: float, legs: Sequence[Leg], ground: Ground, hours: float | None, done: tuple[float, float],
        *, plan: Plan | None = None, later_m: float = 0.0,
    ) -> FieldCase:  # fmt: skip
        """One way mapped, its work and its money as far as priced; `done` is the share before it, and its own."""

        def told(share: float) -> None:
            if self.progress is not None:
                self.progress(done[0] + done[1] * share)

        (found,) = map_field(
            legs, [self.scaled(width)], ground, self.landing, bout_width_m=width, target_kg_ha=[self.target],
            cell_m=self.asked.cell_m, base_m=self.base_m, progress=told,
        )  # fmt: skip
        if not found.inside.any():
            raise WidthError(Fault("option --cell", "the field is smaller than a cell", "use smaller cells"))
        basis, area = self.asked.basis, float(ground.polygon.area) / HECTARE_M2
        work = lost = value = product = None
        if basis is not None and basis.response is not None:
            if not self.target_known:
                remedy = 'write it on the sheet, or add --target "150 kg/ha"'
                raise CostError(Fault("target rate", "is not known, and the yield lost depends on it", remedy))
            even = float(basis.response.yield_at(self.target))
            lost = (even - float(basis.response.yield_at(found.field_kg_ha).mean())) * area
            value = None if basis.prices.crop_per_t is None else lost * basis.prices.crop_per_t
        if basis is not None and hours is not None:
            hourly = [price for price in (basis.prices.work_per_h, basis.prices.fuel_per_h) if price is not None]
            work = hours * sum(hourly) if hourly else None
        if self.asked.product_per_t is not None and self.target_known:
            product = found.wasted_kg / 1000 * self.asked.product_per_t
        return FieldCase(width, tuple(legs), ground, found, plan, later_m, hours, work, lost, value, product)

    def _maps(
        self, case: FieldCase, profiles: Sequence[Profile], targets: Sequence[float], landing: Landing, cell_m: float
    ) -> Sequence[FieldMap]:
        """Further maps of a way that was mapped."""
        return map_field(
            case.legs, profiles, case.ground, landing, bout_width_m=case.bout_width_m, target_kg_ha=targets,
            cell_m=cell_m, base_m=self.base_m,
        )  # fmt: skip

    def _other(self, case: FieldCase) -> OtherLanding:
        """The other landing model, its distance such that the same switching suits it."""
        model = LINE if self.landing.model == ARC else ARC
        distance = best_switching_m(self.profile, self.landing)
        reach = reach_m(self.profile)
        landing = Landing(model, distance if model == LINE else max(1.05 * reach, float(np.hypot(distance, reach / 2))))
        profile, cell = self.scaled(case.bout_width_m), coarse_cell_m(self.asked.cell_m, case.ground.polygon.area)
        both = [
            case.found
            if each is self.landing and cell == self.asked.cell_m
            else self._maps(case, [profile], [self.target], each, cell)[0]
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
        maps = self._maps(case, scaled, targets, self.landing, self.asked.cell_m)
        return tuple((name, found) for (name, _, _), found in zip(parts, maps, strict=True))


def _ground_along(legs: Sequence[Leg], bout_width_m: float, profile: Profile) -> Ground:
    """The ground within half a bout of what was driven with the slide open, small gaps closed."""
    shapely = extra("shapely", "the field map")
    lines = [shapely.LineString(line).simplify(0.3) for leg in legs for line in leg.open_lines]
    half = bout_width_m / 2
    ground = shapely.union_all(shapely.buffer(lines, half, quad_segs=4, cap_style="flat"))
    ground = ground.buffer(half / 2, quad_segs=4).buffer(-half / 2, quad_segs=4)
    return Ground(ground, ground.buffer(-(bout_width_m + reach_m(profile))), assumed=True)


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
    return made.ways()[0]


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
    if executor is not None or len(jobs) < 2:
        found = list((map if executor is None else executor.map)(_alone, jobs))
    else:
        with ProcessPoolExecutor(max_workers=min(len(jobs), 8)) as local:
            found = list(local.map(_alone, jobs))
    shared = _assessed(test, asked)
    return tuple(FieldStudy(assessment=shared, **each) for each in found)


def _assessed(test: TrayTest, asked: Asked) -> Assessment:
    """The test at the bout width that is shown first; the same for every field."""
    width = asked.bout_width_m[0] if asked.bout_width_m else None
    return assess(test, limit_pct=asked.limit_pct, bout_width_m=width, tails=asked.tails, relative=True)


def _alone(job: tuple[TrayTest, Asked, Boundary | None, Track | None]) -> dict[str, Any]:
    """One field, without the assessment: that can't travel between processes, and is the same for all."""
    test, asked, boundary, track = job
    study = study_field(test, asked, boundary=boundary, track=track)
    return {name: value for name, value in vars(study).items() if name != "assessment"}


# --- what better driving would be worth


@record(eq=False)
class Worth:
    """One improvement against the case that is shown; `saved_per_year` is None where nothing is priced."""

    label: str
    case: FieldCase
    cv_less_pct: float
    wasted_less_kg_ha: float
    saved_per_ha: float | None
    saved_per_year: float | None


def worth_of(study: FieldStudy, *, per_year_ha: float | None = None) -> tuple[Worth, ...]:
    """What each improvement alone, and all together, would change."""
    shown, area, found = study.case, float(study.case.ground.polygon.area) / HECTARE_M2, []
    for label, case in _planned(study) if study.track is None else _driven(study):
        saved = None
        if shown.total_cost is not None and case.total_cost is not None:
            saved = (shown.total_cost - case.total_cost) / area
        less_cv = shown.found.field_cv_pct - case.found.field_cv_pct
        less_wasted = (shown.found.wasted_kg - case.found.wasted_kg) / area
        a_year = None if saved is None else saved * (area if per_year_ha is None else per_year_ha)
        found.append(Worth(label, case, less_cv, less_wasted, saved, a_year))
    return tuple(found)


def _as_shown(study: FieldStudy) -> Asked:
    """What is asked, narrowed to the case that is shown."""
    driving = study.case.driving
    if driving is None:
        return replace(study.asked, bout_width_m=(study.case.bout_width_m,), later_m=(study.case.later_m,))
    names = ("bout_width_m", "headland_rounds", "heading_deg", "on_m", "off_m", "method", "drift_m", "border")
    narrowed: dict[str, Any] = {name: (getattr(driving, name),) for name in names}
    return replace(study.asked, **narrowed)


def _planned(study: FieldStudy) -> list[tuple[str, FieldCase]]:
    base, driving = _as_shown(study), study.case.driving
    assert driving is not None
    best: dict[str, Any] = {"on_m": (None,), "off_m": (None,)}
    (switched,) = ways_of(study, replace(base, **best))
    assert switched.driving is not None
    off = max(abs(switched.driving.on_m - driving.on_m), abs(switched.driving.off_m - driving.off_m))
    ways, together = [("best switching", switched)] if off > 0.5 else [], best if off > 0.5 else {}
    for label, helps, change in (
        ("exact guidance", driving.drift_m, {"drift_m": (0.0,)}),
        ("border device", not driving.border and driving.headland_rounds, {"border": (True,)}),
    ):
        if helps:
            ways.append((label, ways_of(study, replace(base, **change))[0]))
            together = together | change
    if len(ways) > 1:
        ways.append(("all together", ways_of(study, replace(base, **together))[0]))
    return ways


def _driven(study: FieldStudy) -> list[tuple[str, FieldCase]]:
    base, case, ways = _as_shown(study), study.case, []
    cell = coarse_cell_m(study.asked.cell_m, case.ground.polygon.area)
    cvs = {}
    for later in SHIFTS_M.tolist():
        (found,) = map_field(
            later_switched(case.legs, later), [study.profile], case.ground, study.landing,
            bout_width_m=case.bout_width_m, target_kg_ha=[1.0], cell_m=cell, base_m=BASE_M,
        )  # fmt: skip
        cvs[later] = found.field_cv_pct
    shift = min(cvs, key=cvs.__getitem__)
    if cvs[0.0] - cvs[shift] >= LEAST_GAIN_PCT:
        (moved,) = ways_of(study, replace(base, later_m=(case.later_m + shift,)))
        ways.append(("all switching moved", moved))
    if study.boundary is not None:
        plan = replace(base, heading_deg=(None,), on_m=(None,), off_m=(None,), drift_m=(0.0,), border=(False,))
        (planned,) = ways_of(study, plan, planned=True)
        ways.append(("exact guidance, best switching", planned))
        assert planned.driving is not None
        bordered = replace(plan, heading_deg=(planned.driving.heading_deg,), border=(True,))
        ways.append(("with a border device too", ways_of(study, bordered, planned=True)[0]))
    return ways


STEPS_M = (-20.0, -15.0, -10.0, -5.0, 0.0, 5.0, 10.0, 15.0, 20.0)


def switching_steps(study: FieldStudy) -> tuple[tuple[float, FieldCase], ...]:
    """The case that is shown with every opening and shutting of the slide so many metres later, earlier if below 0."""
    base, driving, found = _as_shown(study), study.case.driving, []
    for later in STEPS_M:
        if driving is None:
            asked = replace(base, later_m=(study.case.later_m + later,))
        else:
            asked = replace(base, on_m=(driving.on_m + later,), off_m=(driving.off_m + later,))
        found.append((later, ways_of(study, asked)[0] if later else study.case))
    return tuple(found)
