"""What is doubtful about the map of a field, each doubt from the register."""

from __future__ import annotations

from spreadcheck.doubts.doubt import Doubt, Quantity
from spreadcheck.doubts.register import doubt
from spreadcheck.field.deposit import ARC, LINE, Landing
from spreadcheck.field.fieldmap import OtherLanding
from spreadcheck.field.plan import Plan
from spreadcheck.field.track import Track
from spreadcheck.units import HECTARE_M2

NOISE_M = 0.15  # departures of fixes from their smoothed line above this are told
DIFFER_PCT = 2.0  # of the field: the landing models are said to differ
TONGUE_HA = 0.02
SLANT = 0.01  # of the field short at slanted bout ends: more is told
OVERLAP = 0.25  # of a bout: a last bout that overlaps more is told


def _length(metres: float, digits: int = 1) -> Quantity:
    return Quantity(metres, "length", digits)


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
    driving, found = plan.driving, []
    headland = driving.headland_rounds * driving.bout_width_m
    if landing.model == LINE and plan.rounds and reach_m > driving.turning_radius_m:
        radius = _length(driving.turning_radius_m)
        found.append(doubt("pattern-folds", reach=_length(reach_m), radius=radius, cell=_length(cell_m)))
    if plan.bouts > 1 and plan.turn_depth_m > headland:
        found.append(doubt("turn-too-deep", depth=_length(plan.turn_depth_m), headland=_length(headland)))
    if plan.cut_short:
        found.append(doubt("switched-at-boundary", ends=plan.cut_short, bouts=plan.bouts))
    if plan.parts > 1:
        found.append(doubt("split-field", parts=plan.parts))
    if plan.acute_corners:
        found.append(doubt("acute-corners", corners=len(plan.acute_corners)))
    if plan.slant_ha > SLANT * area_ha:
        found.append(doubt("slanted-edges", area=Quantity(plan.slant_ha * HECTARE_M2, "area")))
    if plan.tongue_ha > TONGUE_HA:
        found.append(doubt("narrow-tongues", area=Quantity(plan.tongue_ha * HECTARE_M2, "area")))
    if plan.last_over_m > OVERLAP * driving.bout_width_m:
        found.append(doubt("odd-last-bout", over=_length(plan.last_over_m)))
    return found


def track_doubts(track: Track, *, boundary_assumed: bool) -> list[Doubt]:
    """What a recorded track leaves open."""
    found = []
    if boundary_assumed:
        found.append(doubt("no-boundary"))
    if not track.on_logged:
        found.append(doubt("switching-unknown"))
    if track.gaps:
        longest = f"{track.longest_gap_s:.0f} s" if track.longest_gap_s else "of unknown time"
        found.append(doubt("gaps-in-track", gaps=track.gaps, longest=longest))
    if track.noise_m > NOISE_M:
        found.append(doubt("noisy-track", noise=_length(track.noise_m, 2), longer=track.longer_pct))
    return found
