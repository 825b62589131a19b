"""What is asked about a field, and what is found: the ways to drive it, each with its map, the work and the money."""

from __future__ import annotations

from dataclasses import dataclass, field

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.errors import Fault, WidthError
from spreadcheck.field.boundary import Boundary
from spreadcheck.field.choose import Tried
from spreadcheck.field.deposit import ARC, Landing, Leg
from spreadcheck.field.fieldmap import FieldMap, Ground, OtherLanding
from spreadcheck.field.plan import Driving, Plan
from spreadcheck.field.spots import Spot
from spreadcheck.field.sure import FieldSure
from spreadcheck.field.track import Track
from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.blend import NutrientAnalysis
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.money.pricefile import CostBasis
from spreadcheck.passes.noise import Stated
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.profile import TAPER, Profile

CELL_M = 2.0


@dataclass(frozen=True)
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


@dataclass(frozen=True, eq=False)
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


@dataclass(frozen=True, eq=False)
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
