"""What is asked about a field and what is found; how sure that is, and what is doubtful about it."""

from __future__ import annotations

from dataclasses import field, replace

import numpy as np

from spreadcheck.doubts.doubt import Doubt, Quantity
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import Fault, WidthError, record
from spreadcheck.field.deposit import ARC, LINE, Landing, Leg
from spreadcheck.field.fieldmap import FieldMap, Ground, OtherLanding, Spot, map_field
from spreadcheck.field.places import Boundary
from spreadcheck.field.plan import Driving, Plan, Tried
from spreadcheck.field.track import Track
from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.blend import NutrientAnalysis
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.money.pricefile import CostBasis
from spreadcheck.passes.noise import Noise, Stated
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.profile import TAPER, Profile
from spreadcheck.units import HECTARE_M2

CELL_M = 2.0


@record
class Asked:
    """What is asked about a field; lists are all combined. None: the best heading; switching at the best distance.

    `later_m` switches a recorded track so much later (earlier where negative). `base` holds prices and response.
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
    stated: Stated = field(default_factory=Stated)

    def __post_init__(self) -> None:
        if not 0.05 <= self.cell_m <= 1000:
            raise WidthError(
                Fault("option --cell", f"{self.cell_m:g} m is no cell", "give 0.05 m to 1000 m, such as 2 m")
            )


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
        known = [cost for cost in (self.work_cost, self.yield_cost, self.product_cost) if cost is not None]
        return sum(known) if known else None


@record(eq=False)
class FieldStudy:
    """A field and a tray test. The first case is the one that is shown; the others stand beside it."""

    assessment: Assessment
    asked: Asked
    boundary: Boundary | None
    track: Track | None
    profile: Profile
    landing: Landing
    target_kg_ha: float
    target_known: bool
    cases: tuple[FieldCase, ...]
    spots: tuple[Spot, ...]
    other: OtherLanding
    sure: FieldSure | None
    headings: Tried  # heading and field CV on coarse cells, where the best was looked for
    nutrients: tuple[tuple[str, FieldMap], ...]
    doubts: tuple[Doubt, ...]
    part: str = ""  # the component or nutrient that is shown; the whole catch if empty

    @property
    def test(self) -> TrayTest:
        """The tray test."""
        return self.assessment.test

    @property
    def case(self) -> FieldCase:
        """The case that is shown."""
        return self.cases[0]

    @property
    def name(self) -> str:
        """What the field is called: the name in its boundary, else the file it came from; and the part shown."""
        source = next((given.source for given in (self.boundary, self.track) if given is not None), "")
        called = source.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0]
        if self.boundary is not None and self.boundary.name:
            called = self.boundary.name
        return f"{called}, {self.part}" if self.part else called


DRAWS = 20
LEVEL_PCT = 90.0
COARSE_CELLS = 20_000


@record
class FieldSure:
    """The field CV that the tray test leaves possible, from so many draws on cells of so many metres."""

    low_pct: float
    high_pct: float
    level_pct: float
    draws: int
    cell_m: float


def coarse_cell_m(cell_m: float, area_m2: float) -> float:
    """The cell for maps that are only compared with each other: about twenty thousand to the field."""
    return float(max(cell_m, np.ceil(2 * (area_m2 / COARSE_CELLS) ** 0.5) / 2))


def field_sureness(
    noise: Noise, profile: Profile, case: FieldCase, landing: Landing, *, cell_m: float, base_m: float | None,
    stated: Stated,
) -> FieldSure | None:  # fmt: skip
    """The interval of the field CV from the noise of the test and what is stated; None where it can't be known.

    The deposit is linear in the profile, so noise e of the trays adds its own map. Draws of e are laid on one coarse
    raster beside the profile itself; means, variances and covariances over the field then say which true field CVs go
    with the reading, each draw and its opposite once (the same question that the trays' own interval asks).
    """
    if not noise.known:
        return None
    weighed = ~np.isin(profile.offset_m, profile.filled_offset_m)
    level = float(profile.rate_kg_ha[weighed].sum() / noise.rate_kg_ha.sum())  # where the profile was scaled since
    rng = np.random.default_rng(1)
    drawn = level * noise.drawn(DRAWS, rng, stated=stated).all_at_trays_kg_ha.T.astype(float)
    moved = []
    for each in drawn:
        rates = profile.rate_kg_ha.copy()
        rates[weighed] += each
        if not weighed.all():  # filled trays follow their neighbours
            rates = np.interp(profile.offset_m, profile.offset_m[weighed], rates[weighed])
        moved.append(replace(profile, rate_kg_ha=rates))
    cell = coarse_cell_m(cell_m, case.ground.polygon.area)
    maps = map_field(
        case.legs, [profile, *moved], case.ground, landing, bout_width_m=case.bout_width_m,
        target_kg_ha=[1.0] * (DRAWS + 1), cell_m=cell, base_m=base_m,
    )  # fmt: skip
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
    plausible = 100 * (half - np.clip(both, -half, half)) / mean
    plausible *= case.found.field_cv_pct / (100 * size / mean)  # from coarse cells to those that are reported
    low, high = np.percentile(plausible, [(100 - LEVEL_PCT) / 2, (100 + LEVEL_PCT) / 2])
    return FieldSure(float(low), float(high), LEVEL_PCT, DRAWS, cell)


NOISE_M = 0.15  # departures of fixes from their smoothed line above this are told
DIFFER_PCT = 2.0  # of the field: the landing models are said to differ
TONGUE_HA = 0.02
SLANT = 0.01  # of the field short at slanted bout ends: more is told
OVERLAP = 0.25  # of a bout: a last bout that overlaps more is told


def _length(metres: float, digits: int = 1) -> Quantity:
    return Quantity(metres, "length", digits)


def _area(hectares: float) -> Quantity:
    return Quantity(hectares * HECTARE_M2, "area")


def landing_doubts(landing: Landing, other: OtherLanding, *, given: bool) -> list[Doubt]:
    """Whether the landing distance is known, and whether the landing model matters."""
    found = []
    if not given:
        model = "a throw" if landing.model == ARC else "a distance behind the machine"
        found.append(doubt("landing-distance-assumed", distance=_length(landing.distance_m), model=model))
    if other.differ_pct > DIFFER_PCT:
        cvs = {landing.model: other.same_cell_cv_pct, other.landing.model: other.field_cv_pct}
        cell = _length(other.cell_m)
        found.append(doubt("landing-models-differ", share=other.differ_pct, arc=cvs[ARC], line=cvs[LINE], cell=cell))
    return found


def plan_doubts(plan: Plan, landing: Landing, reach_m: float, cell_m: float, area_ha: float) -> list[Doubt]:
    """Where simple planning fails in this field."""
    radius, width = plan.driving.turning_radius_m, plan.driving.bout_width_m
    headland = plan.driving.headland_rounds * width
    folds = landing.model == LINE and plan.rounds and reach_m > radius
    deep = plan.bouts > 1 and plan.turn_depth_m > headland
    found = (
        folds and doubt("pattern-folds", reach=_length(reach_m), radius=_length(radius), cell=_length(cell_m)),
        deep and doubt("turn-too-deep", depth=_length(plan.turn_depth_m), headland=_length(headland)),
        plan.cut_short and doubt("switched-at-boundary", ends=plan.cut_short, bouts=plan.bouts),
        plan.parts > 1 and doubt("split-field", parts=plan.parts),
        plan.acute_corners and doubt("acute-corners", corners=len(plan.acute_corners)),
        plan.slant_ha > SLANT * area_ha and doubt("slanted-edges", area=_area(plan.slant_ha)),
        plan.tongue_ha > TONGUE_HA and doubt("narrow-tongues", area=_area(plan.tongue_ha)),
        plan.last_over_m > OVERLAP * width and doubt("odd-last-bout", over=_length(plan.last_over_m)),
    )
    return [each for each in found if isinstance(each, Doubt)]


def track_doubts(track: Track, *, boundary_assumed: bool) -> list[Doubt]:
    """What a recorded track leaves open."""
    longest = f"{track.longest_gap_s:.0f} s" if track.longest_gap_s else "of unknown time"
    noisy = track.noise_m > NOISE_M
    found = (
        boundary_assumed and doubt("no-boundary"),
        not track.on_logged and doubt("switching-unknown"),
        track.gaps and doubt("gaps-in-track", gaps=track.gaps, longest=longest),
        noisy and doubt("noisy-track", noise=_length(track.noise_m, 2), longer=track.longer_pct),
    )
    return [each for each in found if isinstance(each, Doubt)]
