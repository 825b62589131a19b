"""Which bout width pays: evenness, rates, stripes, work and cost of each, for both driving methods.

Cost per hectare = (labour + machine) / field capacity + fuel use x fuel price / field capacity + crop price x yield
lost to unevenness. Field capacity C = S W E / 10 in ha/h with S in km/h and W in m, or S W E / 8.25 in ac/h with mph
and ft (ASAE EP496, agricultural machinery management); field efficiency E is the share of the time at work that is
spent spreading at full speed and width. The yield lost is that of the deposit scaled to the target rate. Product is
not in it: at one target rate every width takes the same. No price is ever assumed: what is not given is not priced,
and a total is formed only of all three.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.errors import CostError, Fault, WidthError, record
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.money.pricefile import CostBasis, Field
from spreadcheck.money.response import yield_loss
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.overlap import bout_deposit
from spreadcheck.spread.profile import TAPER, metered_kg_ha_m, metering_factor, tailed
from spreadcheck.units import HECTARE_M2

_WHOLE = 1e-9  # of a pass: rounding in the widths must not cost a pass
_TIE = 1e-9  # of a total: rounding must not tell two equal ones apart
_ALIKE_M = 0.02  # effective widths nearer to each other than this are told once


@record
class Fieldwork:
    """The work at one bout width: what follows from something that is not known is None.

    `spread_width_m` is what the passes cover side by side: at least the width of the field.
    """

    capacity_ha_h: float | None
    flow_kg_s: float | None
    passes: int | None
    spread_width_m: float | None
    hours: float | None


def fieldwork_at(field: Field, bout_width_m: float, target_kg_ha: float | None = None) -> Fieldwork:
    """The work at one bout width, as far as it can be known; the last pass may go partly over spread ground.

    >>> work = fieldwork_at(Field(speed_m_s=10 / 3.6, width_m=240, length_m=350), 28)
    >>> round(work.capacity_ha_h, 3), work.passes, round(work.hours, 3), work.flow_kg_s
    (19.6, 9, 0.429, None)
    """
    capacity = flow = hours = passes = None
    if field.speed_m_s is not None:
        capacity = field.speed_m_s * 3600 * bout_width_m * field.efficiency_pct / 100 / HECTARE_M2
        flow = None if target_kg_ha is None else target_kg_ha * bout_width_m * field.speed_m_s / HECTARE_M2
        hours = None if field.area_m2 is None else field.area_m2 / HECTARE_M2 / capacity
    if field.width_m is not None:
        passes = max(1, math.ceil(field.width_m / bout_width_m * (1 - _WHOLE)))
    return Fieldwork(capacity, flow, passes, None if passes is None else passes * bout_width_m, hours)


@record
class Cost:
    """Cost per hectare in the user's currency; None where a price or the response is not given."""

    time_per_ha: float | None = None
    fuel_per_ha: float | None = None
    yield_loss_t_ha: float | None = None
    yield_per_ha: float | None = None
    over_supplied_pct: float | None = None

    @property
    def total_per_ha(self) -> float | None:
        """Time, fuel and yield lost together; None unless all three are known. [money/ha]"""
        parts = (self.time_per_ha, self.fuel_per_ha, self.yield_per_ha)
        return None if None in parts else sum(part for part in parts if part is not None)


@record
class WidthCase:
    """What one bout width does under one driving method.

    `cv_pct` decides and `standing` says how it stands to the limit (see `Assessment.standings`); of a blend the CVs are
    those of its worst part. `mean_kg_ha`, `min_kg_ha` and `max_kg_ha` are at the metering of the test (in % of the peak
    where only proportions are known); `at_target_min_kg_ha` and `at_target_max_kg_ha` are scaled by `metering_factor`,
    so that the mean is the target rate. The longest stripe is the widest strip below 90 % of the mean; its middle is an
    offset from the driving centre line. Where the end trays still catch, `over_tails` has the same width with each
    plausible tail: a figure that differs there is known as a range only.
    """

    method: str
    width_m: float
    cv_pct: float
    standing: str
    cv_trays_pct: float
    cv_line_pct: float
    mean_kg_ha: float
    min_kg_ha: float
    max_kg_ha: float
    metering_factor: float | None
    at_target_min_kg_ha: float | None
    at_target_max_kg_ha: float | None
    under_10_pct: float
    under_20_pct: float
    over_10_pct: float
    over_20_pct: float
    stripe_m: float
    stripe_middle_m: float | None
    work: Fieldwork
    cost: Cost
    over_tails: tuple[WidthCase, ...] = ()


@record(eq=False)
class WidthStudy:
    """One tray test at several bout widths: cases by driving method, widths increasing."""

    judged: Assessment
    basis: CostBasis
    cases: dict[str, tuple[WidthCase, ...]]
    speed_from_sheet: bool = False

    @property
    def widths_m(self) -> tuple[float, ...]:
        """The bout widths compared, increasing. [m]"""
        return tuple(case.width_m for case in self.cases[METHODS[0]])

    def _priced(self, method: str | None) -> list[WidthCase]:
        """The cases that have a total, of one driving method or of both."""
        cases = [case for name, group in self.cases.items() if method in (None, name) for case in group]
        return [case for case in cases if case.cost.total_per_ha is not None]

    def cheapest(self, method: str | None = None) -> WidthCase | None:
        """The case with the lowest total, of one driving method or of both; the wider one of equals."""
        return min(self._priced(method), key=lambda case: (case.cost.total_per_ha, -case.width_m), default=None)

    def lowest(self, method: str | None = None) -> WidthCase | None:
        """The case with the lowest total as `cheapest` has it, if it is that with every plausible tail."""
        best = self.cheapest(method)
        for at, tail in enumerate(best.over_tails if best else ()):
            totals = [case.over_tails[at].cost.total_per_ha or 0.0 for case in self._priced(method)]
            own = tail.cost.total_per_ha or 0.0
            if own > min(totals) + _TIE * abs(own):
                return None
        return best

    def thinned(self, most: int) -> tuple[float, ...]:
        """At most so many widths spread over all of them, first and last and those with a lowest total kept. [m]"""
        widths = self.widths_m
        if len(widths) <= most:
            return widths
        best = {case.width_m for method in METHODS if (case := self.cheapest(method))}
        places = np.linspace(0, len(widths) - 1, most - len(best)).round().astype(int)
        return tuple(sorted({widths[at] for at in places} | best))

    @property
    def lowest_yield_t_ha(self) -> float | None:
        """The lowest yield that the response gives at any rate that falls; below 0 the curve is out of its range."""
        cases = [case for group in self.cases.values() for case in group]
        rates = [
            rate for case in cases for rate in (case.at_target_min_kg_ha, case.at_target_max_kg_ha) if rate is not None
        ]
        return None if self.basis.response is None else float(self.basis.response.yield_at(rates).min())


def study_widths(
    test: TrayTest,
    basis: CostBasis | None = None,
    *,
    width_m: ArrayLike | None = None,
    limit_pct: float = CV_LIMIT_PCT,
    tails: str = TAPER,
    relative: bool = False,
) -> WidthStudy:
    """One tray test at several bout widths, for both driving methods.

    Parameters
    ----------
    test : TrayTest
        The test; its target rate and travel speed are taken where the basis has none. [-]
    basis : CostBasis or None
        Field, target rate, prices and response; None for the agronomic part alone. [-]
    width_m : array_like, shape (widths,), optional
        Bout widths; the form's and the effective widths if not given. [m]
    limit_pct : float
        CV limit. [%]
    tails : str
        What happens beyond the end trays: "taper" or "cut". [-]
    relative : bool
        Whether rates in proportion are enough, where catches are in ml and no bulk density is given. [-]

    Returns
    -------
    WidthStudy
        The comparison. [m, kg/ha, %, money/ha]

    Raises
    ------
    NoSpreadError
        If the test has no pattern.
    WidthError
        If a bout width can't be driven or none is known.
    CostError
        If a response is given and no target rate is known.

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> test = tray_test([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    >>> study = study_widths(test, width_m=[3, 4])
    >>> [(case.width_m, round(case.cv_trays_pct, 1), case.stripe_m) for case in study.cases["round-and-round"]]
    [(3.0, 0.0, 0.0), (4.0, 22.2, 2.05)]
    """
    given = basis or CostBasis()
    speed = test.quantity("travel speed") if given.field.speed_m_s is None else given.field.speed_m_s
    target = test.target_kg_ha if given.target_kg_ha is None else given.target_kg_ha
    used = replace(given, field=replace(given.field, speed_m_s=speed), target_kg_ha=target)
    if used.response is not None and used.target_kg_ha is None:
        remedy = 'write it on the sheet, in the price file, or add --target "150 kg/ha"'
        raise CostError(Fault("target rate", "is not known, and the yield lost depends on it", remedy))
    judged = assess(test, limit_pct=limit_pct, width_m=width_m, tails=tails, relative=relative)
    if width_m is None:  # the bout width of the form and the effective widths: what one compares without being told
        known = [test.bout_width_m, *(judged.effective_width_m(method) for method in METHODS)]
        widths = sorted(width for width in known if width is not None)
        if not widths:
            remedy = 'say which widths to compare, such as --at "24 m, 28 m"'
            raise WidthError(Fault("", "no bout width is known and none is within the CV limit", remedy))
        kept = [w for at, w in enumerate(widths) if at == 0 or w - widths[at - 1] > _ALIKE_M]
        judged = judged.with_table(np.array(kept))
    ends, cases = judged.profile.ends, {method: _cases(judged, method, used) for method in METHODS}
    if ends.catch:
        if (blend := judged.blend) is None:
            every = [replace(judged, profile=one) for one in tailed(ends, metered_kg_ha_m(test, judged.bout_width_m))]
        else:
            parts = [(ends.profile_with(*pair), blend.with_tails(*pair)) for pair in ends.pairs]
            every = [replace(judged, profile=profile, blend=blended) for profile, blended in parts]
        for at, curves in enumerate(judged.tail_curves):
            every[at] = replace(every[at], curves=curves, tail_curves=())
        for method in METHODS:
            over = zip(*(_cases(one, method, used) for one in every), strict=True)
            cases[method] = tuple(
                replace(case, standing=case.standing if {one.standing for one in each} == {case.standing} else "",
                        over_tails=each)
                for case, each in zip(cases[method], over, strict=True)
            )  # fmt: skip
    return WidthStudy(
        judged=judged,
        basis=used,
        cases=cases,
        speed_from_sheet=given.field.speed_m_s is None and used.field.speed_m_s is not None,
    )


def _cases(judged: Assessment, method: str, basis: CostBasis) -> tuple[WidthCase, ...]:
    """All bout widths of one driving method, worked out together."""
    profile, scan, target = judged.profile, judged.scans[method], basis.target_kg_ha
    pieces = bout_deposit(profile, scan.width_m, method)
    under_10, over_10 = pieces.shares_beyond(10)
    under_20, over_20 = pieces.shares_beyond(20)
    stripe, middle = pieces.longest_stripe(scan.method)
    factors = lost = over = None
    if target is not None:
        factors = np.array([metering_factor(profile, float(width), target) for width in scan.width_m])
        each = np.repeat(factors, np.diff(np.append(pieces.starts, len(pieces.left))))
        at_target = replace(pieces, left=pieces.left * each, right=pieces.right * each)
        if basis.response is not None:
            lost, over = yield_loss(basis.response, at_target), basis.response.over_supplied_pct(at_target)
    columns: dict[str, Any] = {
        **{name: values for name, values in vars(scan).items() if name != "method"},
        "cv_pct": judged.curves[method].cv_of(scan.width_m),
        "metering_factor": factors,
        "at_target_min_kg_ha": None if factors is None else factors * scan.min_kg_ha,
        "at_target_max_kg_ha": None if factors is None else factors * scan.max_kg_ha,
        "under_10_pct": under_10,
        "under_20_pct": under_20,
        "over_10_pct": over_10,
        "over_20_pct": over_20,
        "stripe_m": stripe,
        "stripe_middle_m": [None if math.isnan(place) else place for place in middle.tolist()],
    }
    standings, cases = judged.standings(method), []
    for at, width in enumerate(scan.width_m.tolist()):
        row: dict[str, Any] = {name: _at(values, at) for name, values in columns.items()}
        work, loss = fieldwork_at(basis.field, width, target), _at(lost, at)
        time, fuel = (
            None if per_h is None or work.capacity_ha_h is None else per_h / work.capacity_ha_h
            for per_h in (basis.prices.work_per_h, basis.prices.fuel_per_h)
        )
        worth = None if loss is None or basis.prices.crop_per_t is None else basis.prices.crop_per_t * loss
        cost = Cost(time, fuel, loss, worth, _at(over, at))
        cases.append(WidthCase(method=scan.method, standing=standings[at], work=work, cost=cost, **row))
    return tuple(cases)


def _at(values: Any, at: int) -> float | None:
    """A figure of one width, None where it is not known."""
    return None if values is None or values[at] is None else float(values[at])
