"""A field of N passes between two edges, against the endless field; and all that a tray test says about its edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.errors import Fault, WidthError
from spreadcheck.field.edge import LEFT, SIDES, EdgeCase, check_first_pass, edge_case, first_pass_distance
from spreadcheck.field.fieldpasses import deposit_between, mirrored
from spreadcheck.judge.assessment import assess
from spreadcheck.judge.verdict import Verdict
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.evenness import cv_of_pieces, mean_of_pieces
from spreadcheck.spread.metering import at_target_rate
from spreadcheck.spread.profile import TAPER, Profile, profile_of
from spreadcheck.spread.tails import FigureRange, ends_of, metered_kg_ha_m, tailed
from spreadcheck.spread.widths import check_width, scan_widths

SHARES_PCT = (95.0, 98.0, 99.5)  # of a pass, kept inside the field
MAX_PASSES = 1_000


@dataclass(frozen=True)
class WholeField:
    """A field of N passes between two edges, and the endless field beside it; both CVs by line."""

    method: str
    side: str
    first_pass_m: float
    passes: int
    width_m: float
    mean_kg_ha: float
    cv_line_pct: float
    beyond_pct: float  # of all that was spread, over both edges
    endless_mean_kg_ha: float
    endless_cv_line_pct: float

    @property
    def mean_pct_of_endless(self) -> float:
        """The mean of the field as a share of that of the endless field. [%]"""
        return 100 * self.mean_kg_ha / self.endless_mean_kg_ha


@dataclass(frozen=True)
class Kept:
    """The distance of the first pass that keeps a share of one pass inside the field."""

    method: str
    side: str
    share_pct: float
    case: EdgeCase


@dataclass(frozen=True, eq=False)
class EdgeStudy:
    """One tray test at the edge of a field; rates are scaled to the target where one is known."""

    test: TrayTest
    profile: Profile
    bout_width_m: float
    target_kg_ha: float | None
    cases: tuple[EdgeCase, ...]
    kept: tuple[Kept, ...]
    fields: tuple[WholeField, ...]
    doubts: tuple[Doubt, ...]
    verdict: Verdict | None
    over_tails: OverTails | None = None


@dataclass(frozen=True)
class OverTails:
    """What falls beyond the edge over all plausible tails, where the end trays still catch: a range for each case.

    `beyond_pct` and `beyond_kg` (None in proportion only) stand beside `EdgeStudy.cases`, `first_pass_m` beside
    `EdgeStudy.kept`.
    """

    beyond_pct: tuple[FigureRange, ...]
    beyond_kg: tuple[FigureRange, ...] | None
    first_pass_m: tuple[FigureRange, ...]


def whole_field(
    profile: Profile, bout_width_m: float, method: str, *, passes: int, first_pass_m: float, side: str = LEFT
) -> WholeField:
    """A field of N passes between two edges, both at the same distance from the outermost pass; no headland."""
    check_width(profile, bout_width_m)
    check_first_pass(first_pass_m)
    width = float(2 * first_pass_m + (passes - 1) * bout_width_m) if 1 <= passes <= MAX_PASSES else 0.0
    if width <= 0:
        problem = f"{str(passes)[:12]} passes, the first {first_pass_m:g} m from the edge, make no field"
        raise WidthError(Fault("passes", problem, f"give 1 to {MAX_PASSES:,} passes and a distance above 0"))
    inward = profile if side == LEFT else mirrored(profile)
    pieces = deposit_between(
        inward, bout_width_m, method, low_m=-first_pass_m, high_m=width - first_pass_m, first=0, last=passes - 1
    )
    mean = float(mean_of_pieces(pieces)[0])
    endless = scan_widths(inward, bout_width_m, method)
    return WholeField(
        method=method,
        side=side,
        first_pass_m=first_pass_m,
        passes=passes,
        width_m=width,
        mean_kg_ha=mean,
        cv_line_pct=float(cv_of_pieces(pieces)[0]),
        beyond_pct=max(100 * (1 - mean * width / (passes * profile.area_kg_ha_m)), 0.0),
        endless_mean_kg_ha=float(endless.mean_kg_ha[0]),
        endless_cv_line_pct=float(endless.cv_line_pct[0]),
    )


def study_edge(
    test: TrayTest,
    *,
    bout_width_m: float | None = None,
    first_pass_m: Sequence[float | None] = (None,),
    share_pct: Sequence[float] = SHARES_PCT,
    passes: int = 10,
    sides: Sequence[str] = SIDES,
    target_kg_ha: float | None = None,
    tails: str = TAPER,
    relative: bool = False,
) -> EdgeStudy:
    """One tray test at the edge of a field, for both driving methods.

    Parameters
    ----------
    test : TrayTest
        The test; its bout width and target rate are taken where none is given. [-]
    bout_width_m : float or None
        The bout width. [m]
    first_pass_m : sequence of float or None
        Distances of the first pass from the edge; None stands for half a bout. [m]
    share_pct : sequence of float
        Shares of a pass to keep inside the field. [%]
    passes : int
        Passes of the whole field. [-]
    sides : sequence of str
        Which sides of the machine to the edge: "left", "right" or both. [-]
    target_kg_ha : float or None
        Target rate, to which the profile is scaled. [kg/ha]
    tails : str
        What happens beyond the end trays: "taper" or "cut". [-]
    relative : bool
        Whether rates in proportion are enough, where catches are in ml and no bulk density is given. [-]

    Returns
    -------
    EdgeStudy
        The figures. [kg, %, m]

    Raises
    ------
    NoSpreadError
        If the test has no pattern.
    WidthError
        If no bout width is known, or a width, distance or number of passes can't be driven.
    CostError
        If a share can't be kept.

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> test = tray_test([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    >>> study = study_edge(test, bout_width_m=3, sides=["left"])
    >>> round(study.cases[0].beyond_pct, 3), round(study.kept[1].case.first_pass_m, 3)
    (12.5, 2.051)
    """
    width = test.bout_width_m if bout_width_m is None else bout_width_m
    if width is None:
        remedy = 'write it on the sheet, or add --bout-width "24 m"'
        raise WidthError(Fault("bout width", "is not known", remedy))
    profile = profile_of(test, tails=tails, relative=relative)
    check_width(profile, width)
    target = test.quantity("target rate") if target_kg_ha is None else target_kg_ha
    if target is not None:
        profile = at_target_rate(profile, width, target)
    distances = tuple(dict.fromkeys(width / 2 if first is None else first for first in first_pass_m))
    ways = [(method, side) for method in METHODS for side in sides]
    judged = assess(test, bout_width_m=width, tails=tails, relative=relative)
    study = EdgeStudy(
        test=test,
        profile=profile,
        bout_width_m=width,
        target_kg_ha=target,
        cases=tuple(
            edge_case(profile, width, method, first_pass_m=first, side=side)
            for first in distances
            for method, side in ways
        ),
        kept=tuple(_kept(profile, width, method, side, share) for share in share_pct for method, side in ways),
        fields=tuple(
            whole_field(profile, width, method, passes=passes, first_pass_m=first, side=side)
            for first in distances
            for method, side in ways
        ),
        doubts=judged.doubts,
        verdict=judged.verdict,
    )
    if not ends_of(profile).catch:
        return study
    metered = metered_kg_ha_m(test, width)
    if metered is not None:
        metered *= profile.area_kg_ha_m / profile_of(test, tails=tails, relative=relative).area_kg_ha_m
    return replace(study, over_tails=_over_tails(study, tailed(ends_of(profile), metered)))


def _over_tails(study: EdgeStudy, profiles: Sequence[Profile]) -> OverTails:
    """The cases again with every plausible tail."""
    width, target = study.bout_width_m, study.target_kg_ha
    if target is not None:
        profiles = [at_target_rate(profile, width, target) for profile in profiles]
    pct, kilos, distances = [], [], []
    for case in study.cases:
        found = [edge_case(p, width, case.method, first_pass_m=case.first_pass_m, side=case.side) for p in profiles]
        pct.append(_range([one.beyond_pct for one in found]))
        kilos.append(_range([one.beyond_kg or 0.0 for one in found]))
    for kept in study.kept:
        wanted: dict[str, Any] = {"share_pct": kept.share_pct, "side": kept.side}
        distances.append(_range([first_pass_distance(p, width, kept.method, **wanted) for p in profiles]))
    return OverTails(tuple(pct), None if study.profile.relative else tuple(kilos), tuple(distances))


def _range(values: Sequence[float]) -> FigureRange:
    return FigureRange(min(values), max(values))


def _kept(profile: Profile, width_m: float, method: str, side: str, share_pct: float) -> Kept:
    """The distance that keeps a share inside, and what it leaves short."""
    distance = first_pass_distance(profile, width_m, method, share_pct=share_pct, side=side)
    return Kept(method, side, share_pct, edge_case(profile, width_m, method, first_pass_m=distance, side=side))
