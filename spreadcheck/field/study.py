"""One field and one tray test: the maps of the ways to drive it, metered as a controller set for the width would do."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import field, replace
from functools import cached_property, partial
from typing import Any

import numpy as np

from spreadcheck.doubts.doubt import Doubt, Quantity
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import CostError, Fault, QuantityError, SheetError, WidthError, record, shown
from spreadcheck.field.deposit import ARC, LINE, Landing, Leg, Progress, best_switching_m, landing_of
from spreadcheck.field.edge import reach_m
from spreadcheck.field.fieldmap import NEAR_PCT, FieldMap, Ground, OtherLanding, Spot, find_spots, map_field
from spreadcheck.field.places import Boundary, extra
from spreadcheck.field.plan import Driving, Plan, Tried, heading_cvs, plan_field
from spreadcheck.field.track import Track, check_near, later_switched, mean_speed_m_s, metered_by_time
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.judge.blend import NutrientAnalysis, blend_parts
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.money.pricefile import CostBasis, known_sum
from spreadcheck.passes.noise import Stated
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.profile import TAPER, Profile, at_target_rate, metering_factor
from spreadcheck.spread.widths import check_widths
from spreadcheck.units import HECTARE_M2

CELL_M = 2.0
MAX_WAYS = 60
COARSE_CELLS = 20_000  # to a field, for maps that are only compared with each other
MOST_A_YEAR_HA = 1_000_000  # more than one machine dresses
DRAWS, LEVEL_PCT = 20, 90.0  # of the noise, and of the interval of the field CV that they give
SHIFTS_M = np.arange(-40.0, 40.1, 4.0)  # of all switching of a recorded track
LEAST_GAIN_PCT = 0.3  # of field CV: a shift of all switching that gains less is not worth a word
STEPS_M = (-20.0, -15.0, -10.0, -5.0, 0.0, 5.0, 10.0, 15.0, 20.0)  # of the switching on the page
NOISE_M = 0.15  # departures of fixes from their smoothed line above this are told
DIFFER_PCT = 2.0  # of the field: the landing models are said to differ
TONGUE_HA = 0.02
SLANT = 0.01  # of the field short at slanted bout ends: more is told
OVERLAP = 0.25  # of a bout: a last bout that overlaps more is told
# what a plan combines: lists in what is asked, one value each in how it is driven
_COMBINED = ("bout_width_m", "headland_rounds", "method", "heading_deg", "on_m", "off_m", "drift_m", "border")


@record
class Asked:
    """What is asked about a field; lists are all combined. None: the best heading; switching at the best distance.

    `later_m` switches a recorded track so much later (earlier where negative). `basis`: prices and response. `part`
    is the component or nutrient of a blend that is shown instead of the whole catch.
    """

    bout_width_m: tuple[float, ...] = ()
    headland_rounds: tuple[int, ...] = (1,)
    heading_deg: tuple[float | None, ...] = (None,)
    on_m: tuple[float | None, ...] = (None,)
    off_m: tuple[float | None, ...] = (None,)
    method: tuple[str, ...] = ()
    turning_radius_m: float = 8.0
    drift_m: tuple[float, ...] = (0.0,)
    border: tuple[bool, ...] = (False,)
    later_m: tuple[float, ...] = (0.0,)
    landing: str = ARC
    landing_distance_m: float | None = None
    cell_m: float = CELL_M
    target_kg_ha: float | None = None
    by_time: bool = False
    tails: str = TAPER
    limit_pct: float = CV_LIMIT_PCT
    basis: CostBasis | None = None
    product_per_t: float | None = None
    analysis: NutrientAnalysis | None = None
    part: str = ""
    stated: Stated = field(default_factory=Stated)

    def __post_init__(self) -> None:
        if not 0.05 <= self.cell_m <= 1000:
            remedy = "give 0.05 m to 1000 m, such as 2 m"
            raise WidthError(Fault("option --cell", f"{self.cell_m:g} m is no cell", remedy))
        if odd := set(self.method) - set(METHODS):
            problem = f'"{shown(min(odd))}" is not known'
            raise WidthError(Fault("option --driving", problem, f"give {' or '.join(METHODS)}"))


@record(eq=False)
class FieldCase:
    """One way to drive the field: its legs and map, the work, and the money as far as it is priced."""

    bout_width_m: float
    legs: tuple[Leg, ...]
    ground: Ground
    found: FieldMap
    plan: Plan | None = None
    later_m: float = 0.0
    hours: float | None = None
    work_cost: float | None = None
    yield_lost_t: float | None = None
    yield_cost: float | None = None
    product_cost: float | None = None
    tried: Tried = ()  # heading and field CV on coarse cells, where the best was looked for

    @property
    def driving(self) -> Driving | None:
        """How it was planned; None for a recorded track."""
        return self.plan.driving if self.plan else None

    @property
    def spread_m(self) -> float:
        """Metres driven with the slide open. [m]"""
        return sum(leg.spread_m for leg in self.legs)

    @property
    def total_cost(self) -> float | None:
        """Work, yield lost and product wasted together, as far as priced; None where nothing is. [money]"""
        return known_sum(self.work_cost, self.yield_cost, self.product_cost)


@record(eq=False)
class FieldStudy:
    """A field and a tray test, from which all else follows. The first case is shown; the others stand beside it.

    Rates are scaled so that an endless field at the bout width gets the target.
    """

    assessment: Assessment
    asked: Asked
    boundary: Boundary | None
    track: Track | None
    progress: Progress | None = None

    @property
    def test(self) -> TrayTest:
        """The tray test."""
        return self.assessment.test

    @property
    def name(self) -> str:
        """What the field is called: the name in its boundary, else the file it came from; and the part shown."""
        given = self.boundary or self.track
        called = given.source.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0] if given else ""
        called = (self.boundary.name if self.boundary else "") or called
        return f"{called}, {self.asked.part}" if self.asked.part else called

    @property
    def in_proportion(self) -> bool:
        """Whether only proportions are known: catches in ml, no bulk density and no target rate."""
        return self.assessment.profile.relative and self.asked.target_kg_ha is None

    @cached_property
    def target_kg_ha(self) -> float:
        """The target of the whole catch. [kg/ha]"""
        if self.asked.target_kg_ha is not None:
            return self.asked.target_kg_ha
        profile = self.assessment.profile
        return 100.0 if profile.relative else profile.area_kg_ha_m / self.asked.bout_width_m[0]

    @property
    def speed_m_s(self) -> float | None:
        """The speed that is driven: of the price file, else of the test. [m/s]"""
        priced = self.asked.basis.field.speed_m_s if self.asked.basis else None
        return self.test.quantity("travel speed") if priced is None else priced

    @cached_property
    def landing(self) -> Landing:
        """How the granules land."""
        return landing_of(self.assessment.profile, self.asked.landing, self.asked.landing_distance_m)

    def profile_at(self, bout_width_m: float) -> Profile:
        """The profile as metered for a bout width."""
        return at_target_rate(self.assessment.profile, bout_width_m, self.target_kg_ha)

    def coarse_m(self, ground: Ground) -> float:
        """The cell for maps that are only compared with each other. [m]"""
        return float(max(self.asked.cell_m, np.ceil(2 * (ground.polygon.area / COARSE_CELLS) ** 0.5) / 2))

    @cached_property
    def ways(self) -> tuple[FieldCase, ...]:
        """Every way that is asked for, for the whole catch."""
        ways = list(_planned(self) if self.track is None else _driven(self, self.track))
        return tuple(_case(self, way, number, len(ways)) for number, way in enumerate(ways))

    @property
    def headings(self) -> Tried:
        """Headings and field CVs of the first way whose best heading was looked for."""
        return next((case.tried for case in self.ways if case.tried), ())

    @cached_property
    def cases(self) -> tuple[FieldCase, ...]:
        """The ways as they are shown; of a part of a blend the first alone, its map that of the part."""
        if not self.asked.part:
            return self.ways
        found = {name.casefold(): found for name, found in self.nutrients}.get(self.asked.part.casefold())
        if found is None:
            known = ", ".join(name for name, _ in self.nutrients)
            remedy = f"give one of {known}" if known else "give a sheet with component columns"
            raise SheetError(Fault("option --part", f'"{shown(self.asked.part)}" is no part of this blend', remedy))
        return (replace(self.ways[0], found=found),)

    @property
    def case(self) -> FieldCase:
        """The case that is shown."""
        return self.cases[0]

    @cached_property
    def nutrients(self) -> tuple[tuple[str, FieldMap], ...]:
        """A map of each component and nutrient of a blend; its mean is its target."""
        if not self.test.components:
            return ()
        case, asked = self.ways[0], self.asked
        factor = metering_factor(self.assessment.profile, case.bout_width_m, self.target_kg_ha)
        scaled = {
            name: replace(profile, rate_kg_ha=profile.rate_kg_ha * factor)
            for name, kind, profile in blend_parts(self.test, asked.analysis or NutrientAnalysis(), tails=asked.tails)
            if kind != "whole"
        }
        targets = [profile.area_kg_ha_m / case.bout_width_m for profile in scaled.values()]
        maps = map_field(
            case.legs, list(scaled.values()), case.ground, self.landing, targets=targets, cell_m=asked.cell_m
        )
        return tuple(zip(scaled, maps, strict=True))

    @cached_property
    def spots(self) -> tuple[Spot, ...]:
        """The heaviest and the lightest places."""
        case, width = self.case, self.case.bout_width_m  # the headland of a track is one round
        headland = case.driving.headland_rounds * width if case.driving else width
        return find_spots(case.found, case.ground, bout_width_m=width, headland_m=headland)

    @cached_property
    def other(self) -> OtherLanding:
        """The other landing model for the whole catch, its distance such that the same switching suits it."""
        case, arc = self.ways[0], self.landing.model == ARC
        profile, cell = self.profile_at(case.bout_width_m), self.coarse_m(case.ground)
        distance, reach = best_switching_m(self.assessment.profile, self.landing), reach_m(profile)
        throw = max(1.05 * reach, float(np.hypot(distance, reach / 2)))
        both = [self.landing, Landing(LINE, distance) if arc else Landing(ARC, throw)]
        same, found = (
            case.found
            if landing is self.landing and cell == self.asked.cell_m
            else map_field(case.legs, [profile], case.ground, landing, targets=[self.target_kg_ha], cell_m=cell)[0]
            for landing in both
        )
        differs = np.zeros(found.inside.shape, dtype=bool)  # rasters end apart, but lie on the same lines
        differs[found.inside] = np.abs(same.field_kg_ha - found.field_kg_ha) > self.target_kg_ha * NEAR_PCT / 100
        return OtherLanding(found, same.field_cv_pct, differs)

    @cached_property
    def sure(self) -> tuple[float, float] | None:
        """The lowest and highest field CV that the test leaves possible; None where that can't be known. [%]

        The deposit is linear in the profile, so noise e of the trays adds its own map. Draws of e are laid on one
        coarse raster beside the profile itself; means, variances and covariances over the field then say which true
        field CVs go with the reading, each draw and its opposite once (the question of the trays' own interval).
        """
        if self.asked.part or not self.assessment.noise.known:
            return None
        case, noise = self.case, self.assessment.noise
        profile = self.profile_at(case.bout_width_m)
        weighed = ~np.isin(profile.offset_m, profile.filled_offset_m)
        level = float(profile.rate_kg_ha[weighed].sum() / noise.rate_kg_ha.sum())  # where the profile was scaled since
        drawn = noise.drawn(DRAWS, np.random.default_rng(1), stated=self.asked.stated).all_at_trays_kg_ha.T.astype(
            float
        )
        profiles = [profile]
        for each in level * drawn:  # filled trays follow their neighbours
            rates = np.interp(profile.offset_m, profile.offset_m[weighed], profile.rate_kg_ha[weighed] + each)
            profiles.append(replace(profile, rate_kg_ha=rates))
        targets, cell = [1.0] * len(profiles), self.coarse_m(case.ground)
        maps = map_field(case.legs, profiles, case.ground, self.landing, targets=targets, cell_m=cell)
        base = maps[0].field_kg_ha
        mean, size = base.mean(), base.std()
        if not mean > 0 or not size > 0:
            return None
        errors = np.array([found.field_kg_ha - base for found in maps[1:]])
        shift, own = errors.mean(axis=1), errors.var(axis=1)
        along = ((errors - shift[:, None]) * (base - mean)).mean(axis=1) / size
        both = np.concatenate((along, -along))
        read = (size * (1 + np.concatenate((shift, -shift)) / mean)) ** 2
        half = np.sqrt(np.maximum(both**2 + read - np.tile(own, 2), 0.0))
        # from coarse cells to those that are reported
        plausible = (half - np.clip(both, -half, half)) / size * case.found.field_cv_pct
        low, high = np.percentile(plausible, [(100 - LEVEL_PCT) / 2, (100 + LEVEL_PCT) / 2])
        return float(low), float(high)

    @cached_property
    def doubts(self) -> tuple[Doubt, ...]:
        """What is doubtful about the test, and about the map."""
        return (*self.assessment.doubts, *map_doubts(self))


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
    if boundary is None and track is None:
        raise WidthError(Fault("the field", "is not known", "give --boundary FILE for a plan, or --track FILE"))
    if boundary is not None and track is not None:
        check_near(track, boundary)
    asked = asked or Asked()
    width = asked.bout_width_m[0] if asked.bout_width_m else None
    result = assess(test, limit_pct=asked.limit_pct, bout_width_m=width, tails=asked.tails, relative=True)
    if result.bout_width_m is None:
        remedy = 'write it on the sheet, or add --bout-width "24 m"'
        raise WidthError(Fault(test.source or "the sheet", "names no bout width", remedy))
    asked = replace(
        asked,
        bout_width_m=asked.bout_width_m or (result.bout_width_m,),
        method=asked.method or (test.text("driving") or BACK_AND_FORTH,),
        target_kg_ha=test.target_kg_ha if asked.target_kg_ha is None else asked.target_kg_ha,
    )
    check_widths(result.profile, asked.bout_width_m)
    study = FieldStudy(result, asked, boundary, track, progress)
    for name in ("cases", "spots", "sure", "doubts", "nutrients"):
        getattr(study, name)
    return study


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
    if executor is None and len(fields) > 1:
        with ProcessPoolExecutor(max_workers=min(len(fields), 8)) as local:
            return study_fields(test, asked, fields, local)
    if executor is None:
        return tuple(study_field(test, asked, boundary=boundary, track=track) for boundary, track in fields)
    jobs = [executor.submit(study_field, test, asked, boundary=boundary, track=track) for boundary, track in fields]
    return tuple(job.result() for job in jobs)


def _planned(study: FieldStudy) -> Iterator[dict[str, Any]]:
    """Every combination of what is asked."""
    asked, boundary, reach = study.asked, study.boundary, reach_m(study.assessment.profile)
    assert boundary is not None
    ways = list(itertools.product(*(getattr(asked, name) for name in _COMBINED)))
    if len(ways) > MAX_WAYS:
        problem = f"{len(ways)} ways to drive are too many"
        raise WidthError(Fault("", problem, f"compare at most {MAX_WAYS} at once"))
    best: dict[str, Any] = {"on_m": best_switching_m(study.assessment.profile, study.landing), "heading_deg": 0.0}
    best["off_m"] = best["on_m"]
    headings: dict[tuple[object, ...], Tried] = {}
    tried: Tried
    for way in ways:
        given = {name: best[name] if value is None else value for name, value in zip(_COMBINED, way, strict=True)}
        driving, tried = Driving(**given, turning_radius_m=asked.turning_radius_m), ()
        width = driving.bout_width_m
        ground = Ground(boundary.polygon, boundary.polygon.buffer(-(driving.headland_rounds * width + reach)))
        if way[3] is None:  # the best heading, looked for once for each width, rounds and method
            if way[:3] not in headings:
                plain, profile = replace(driving, drift_m=0.0, border=False), study.profile_at(width)
                cell = study.coarse_m(ground)
                headings[way[:3]] = heading_cvs(boundary, plain, profile, ground, study.landing, cell)
            tried = headings[way[:3]]
            driving = replace(driving, heading_deg=min(tried, key=lambda pair: pair[1])[0])
        plan = plan_field(boundary, driving)
        driven_m = sum(float(leg.along_m[-1]) for leg in plan.legs) + plan.turn_m
        hours = None if study.speed_m_s is None else driven_m / study.speed_m_s / 3600
        yield {
            "bout_width_m": width, "legs": plan.legs, "ground": ground, "hours": hours, "plan": plan, "tried": tried,
        }  # fmt: skip


def _driven(study: FieldStudy, track: Track) -> Iterator[dict[str, Any]]:
    """The track as driven and with its switching moved."""
    asked, reach = study.asked, reach_m(study.assessment.profile)
    legs, mean = track.legs, mean_speed_m_s(track.legs)
    if asked.by_time:
        if mean is None:
            remedy = "give a track with time or speed on all of it, or leave --by-time out"
            raise SheetError(Fault(track.source, "logs neither time nor speed on all of it", remedy))
        legs = metered_by_time(legs, study.speed_m_s or mean)
    hours = None if mean is None else sum(float(leg.along_m[-1]) for leg in legs) / mean / 3600
    shapely = extra("shapely", "the field map")
    for width, later in itertools.product(asked.bout_width_m, asked.later_m):
        if study.boundary is None:  # within half a bout of what was driven with the slide open, small gaps closed
            lines = [shapely.LineString(line).simplify(0.3) for leg in legs for line in leg.open_lines]
            along = shapely.union_all(shapely.buffer(lines, width / 2, quad_segs=4, cap_style="flat"))
            polygon = along.buffer(width / 4, quad_segs=4).buffer(-width / 4, quad_segs=4)
        else:
            polygon = study.boundary.polygon
        ground = Ground(polygon, polygon.buffer(-(width + reach)), assumed=study.boundary is None)
        moved = later_switched(legs, later)
        yield {"bout_width_m": width, "legs": moved, "ground": ground, "hours": hours, "later_m": later}


def _case(study: FieldStudy, way: dict[str, Any], number: int, count: int) -> FieldCase:
    """One way of so many mapped, and its money as far as priced."""
    asked, progress = study.asked, study.progress
    (found,) = map_field(
        way["legs"], [study.profile_at(way["bout_width_m"])], way["ground"], study.landing,
        targets=[study.target_kg_ha], cell_m=asked.cell_m,
        progress=progress and (lambda share: progress((number + share) / count)),
    )  # fmt: skip
    if not found.inside.any():
        raise WidthError(Fault("option --cell", "the field is smaller than a cell", "use smaller cells"))
    money: dict[str, Any] = {}
    if asked.basis is not None:
        response, prices = asked.basis.response, asked.basis.prices
        if response is not None:
            if asked.target_kg_ha is None:
                remedy = 'write it on the sheet, or add --target "150 kg/ha"'
                raise CostError(Fault("target rate", "is not known, and the yield lost depends on it", remedy))
            short = float(response.yield_at(study.target_kg_ha)) - float(response.yield_at(found.field_kg_ha).mean())
            money["yield_lost_t"] = lost = short * way["ground"].area_ha
            money["yield_cost"] = None if prices.crop_per_t is None else lost * prices.crop_per_t
        hourly = known_sum(prices.work_per_h, prices.fuel_per_h)
        money["work_cost"] = None if hourly is None or way["hours"] is None else hourly * way["hours"]
    if asked.product_per_t is not None and asked.target_kg_ha is not None:
        money["product_cost"] = found.kg["wasted"] / 1000 * asked.product_per_t
    return FieldCase(**way, found=found, **money)


def map_doubts(study: FieldStudy) -> Iterator[Doubt]:
    """What is doubtful about a map: landing distance and model, what simple planning fails at, a poor track."""
    case, landing, other, track = study.ways[0], study.landing, study.other, study.track
    length, area = partial(Quantity, kind="length", digits=1), partial(Quantity, kind="area")
    if study.asked.landing_distance_m is None:
        model = "a throw" if landing.model == ARC else "a distance behind the machine"
        yield doubt("landing-distance-assumed", distance=length(landing.distance_m), model=model)
    if other.differ_pct > DIFFER_PCT:
        cvs = {landing.model: other.same_cell_cv_pct, other.found.landing.model: other.found.field_cv_pct}
        cell = length(other.found.raster.cell_m)
        yield doubt("landing-models-differ", share=other.differ_pct, arc=cvs[ARC], line=cvs[LINE], cell=cell)
    if (plan := case.plan) is not None:
        radius, width = plan.driving.turning_radius_m, plan.driving.bout_width_m
        headland = plan.driving.headland_rounds * width
        if landing.model == LINE and plan.rounds and (reach := reach_m(study.assessment.profile)) > radius:
            cell = length(study.asked.cell_m)
            yield doubt("pattern-folds", reach=length(reach), radius=length(radius), cell=cell)
        if plan.bouts > 1 and plan.turn_depth_m > headland:
            yield doubt("turn-too-deep", depth=length(plan.turn_depth_m), headland=length(headland))
        if plan.cut_short:
            yield doubt("switched-at-boundary", ends=plan.cut_short, bouts=plan.bouts)
        if plan.parts > 1:
            yield doubt("split-field", parts=plan.parts)
        if plan.acute_corners:
            yield doubt("acute-corners", corners=len(plan.acute_corners))
        if plan.slant_ha > SLANT * case.ground.area_ha:
            yield doubt("slanted-edges", area=area(plan.slant_ha * HECTARE_M2))
        if plan.tongue_ha > TONGUE_HA:
            yield doubt("narrow-tongues", area=area(plan.tongue_ha * HECTARE_M2))
        if plan.last_over_m > OVERLAP * width:
            yield doubt("odd-last-bout", over=length(plan.last_over_m))
    if case.ground.assumed:
        yield doubt("no-boundary")
    if track is not None:
        if not track.on_logged:
            yield doubt("switching-unknown")
        if track.gaps:
            longest = f"{track.longest_gap_s:.0f} s" if track.longest_gap_s else "of unknown time"
            yield doubt("gaps-in-track", gaps=track.gaps, longest=longest)
        if track.noise_m > NOISE_M:
            yield doubt("noisy-track", noise=Quantity(track.noise_m, "length", 2), longer=track.longer_pct)


@record(eq=False)
class Worth:
    """One improvement against the case that is shown; `saved_per_year` is None where nothing is priced."""

    label: str
    case: FieldCase
    cv_less_pct: float
    wasted_less_kg_ha: float
    saved_per_ha: float | None
    saved_per_year: float | None


def hectares_a_year(area_m2: float) -> float:
    """An area dressed in a year, in hectares; refused where no machine dresses it."""
    if not 0 < area_m2 <= MOST_A_YEAR_HA * HECTARE_M2:
        remedy = f"give an area above 0 and up to {MOST_A_YEAR_HA:,} ha"
        problem = f"{area_m2 / HECTARE_M2:g} ha can't be dressed in a year"
        raise QuantityError(Fault("option --per-year", problem, remedy))
    return area_m2 / HECTARE_M2


def worth_of(study: FieldStudy, *, per_year_ha: float | None = None) -> tuple[Worth, ...]:
    """What each improvement alone, and all together, would change."""
    case, area, found = study.case, study.case.ground.area_ha, []
    for label, better in _planned_better(study) if study.track is None else _driven_better(study):
        saved = a_year = None
        if case.total_cost is not None and better.total_cost is not None:
            saved = (case.total_cost - better.total_cost) / area
            a_year = saved * (area if per_year_ha is None else per_year_ha)
        less_cv = case.found.field_cv_pct - better.found.field_cv_pct
        less_wasted = (case.found.kg["wasted"] - better.found.kg["wasted"]) / area
        found.append(Worth(label, better, less_cv, less_wasted, saved, a_year))
    return tuple(found)


def _way(study: FieldStudy, *, planned: bool = False, **changed: Any) -> FieldCase:
    """The way that is shown with something else asked; `planned` leaves a track for a plan in the boundary."""
    case, asked = study.case, study.asked
    shown: dict[str, Any] = {"bout_width_m": (case.bout_width_m,), "later_m": (case.later_m,)}
    if case.driving is not None:
        shown = {name: (getattr(case.driving, name),) for name in _COMBINED}
    asked = replace(asked, **{**shown, **changed})
    return replace(study, asked=asked, track=None if planned else study.track, progress=None).case


def _planned_better(study: FieldStudy) -> Iterator[tuple[str, FieldCase]]:
    """What would make a plan better, and all of it together."""
    driving = study.case.driving
    assert driving is not None
    best: dict[str, Any] = {"on_m": (None,), "off_m": (None,)}
    switched, together, count = _way(study, **best), {}, 0
    assert switched.driving is not None
    if max(abs(switched.driving.on_m - driving.on_m), abs(switched.driving.off_m - driving.off_m)) > 0.5:
        together, count = best, 1
        yield "best switching", switched
    for label, helps, change in (
        ("exact guidance", driving.drift_m, {"drift_m": (0.0,)}),
        ("border device", not driving.border and driving.headland_rounds, {"border": (True,)}),
    ):
        if helps:
            together, count = together | change, count + 1
            yield label, _way(study, **change)
    if count > 1:
        yield "all together", _way(study, **together)


def _driven_better(study: FieldStudy) -> Iterator[tuple[str, FieldCase]]:
    """What would make a recorded drive better."""
    case, cell, cvs = study.case, study.coarse_m(study.case.ground), {}
    profile = study.profile_at(case.bout_width_m)
    for later in SHIFTS_M.tolist():
        moved = later_switched(case.legs, later)
        (found,) = map_field(moved, [profile], case.ground, study.landing, targets=[1.0], cell_m=cell)
        cvs[later] = found.field_cv_pct
    shift = min(cvs, key=cvs.__getitem__)
    if cvs[0.0] - cvs[shift] >= LEAST_GAIN_PCT:
        yield "all switching moved", _way(study, later_m=(case.later_m + shift,))
    if study.boundary is not None:
        plan: dict[str, Any] = {"heading_deg": (None,), "on_m": (None,), "off_m": (None,), "drift_m": (0.0,)}
        planned = _way(study, planned=True, **plan, border=(False,))
        yield "exact guidance, best switching", planned
        assert planned.driving is not None
        plan["heading_deg"] = (planned.driving.heading_deg,)
        yield "with a border device too", _way(study, planned=True, **plan, border=(True,))


def switching_steps(study: FieldStudy) -> tuple[tuple[float, FieldCase], ...]:
    """The case that is shown with every opening and shutting of the slide so many metres later, earlier if below 0."""
    case, found = study.case, []
    for later in STEPS_M:
        changed: dict[str, Any] = {"later_m": (case.later_m + later,)}
        if case.driving is not None:
            changed = {"on_m": (case.driving.on_m + later,), "off_m": (case.driving.off_m + later,)}
        found.append((later, _way(study, **changed) if later else case))
    return tuple(found)
