"""Which bout width pays: evenness, rates, stripes, work and cost of each, for both driving methods.

Cost per hectare = (labour + machine) / field capacity + fuel use x fuel price / field capacity + crop price x yield
lost to unevenness. The yield lost is that of the deposit scaled to the target rate. Product is not in it: at one target
rate every width takes the same. No price is ever assumed: what is not given is not priced, and a total is formed only
of all three.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.errors import CostError, Fault, WidthError, record
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.judge.verdict import Verdict
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.money.pricefile import CostBasis, Prices
from spreadcheck.money.response import Response, share_over_supplied, yield_at, yield_loss
from spreadcheck.money.work import Fieldwork, fieldwork_at
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.evenness import Deposit
from spreadcheck.spread.overlap import bout_deposit
from spreadcheck.spread.profile import TAPER, Profile, metering_factor
from spreadcheck.spread.stripes import longest_stripe, shares_beyond


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
    offset from the driving centre line.
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


@record(eq=False)
class WidthStudy:
    """One tray test at several bout widths: cases by driving method, widths increasing."""

    judged: Assessment
    basis: CostBasis
    cases: dict[str, tuple[WidthCase, ...]]
    speed_from_sheet: bool = False

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """The doubts about the test."""
        return self.judged.doubts

    @property
    def verdict(self) -> Verdict | None:
        """The verdict on the test at the bout width of its sheet."""
        return self.judged.verdict

    @property
    def widths_m(self) -> tuple[float, ...]:
        """The bout widths compared, increasing. [m]"""
        return tuple(case.width_m for case in self.cases[METHODS[0]])

    def cheapest(self, method: str | None = None) -> WidthCase | None:
        """The case with the lowest total, of one driving method or of both; the wider one of equals."""
        cases = [case for name, group in self.cases.items() if method in (None, name) for case in group]
        priced = [(case.cost.total_per_ha, -case.width_m, case) for case in cases]
        known = [(total, width, case) for total, width, case in priced if total is not None]
        return min(known, key=lambda each: each[:2])[2] if known else None

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
        if self.basis.response is None:
            return None
        cases = [case for group in self.cases.values() for case in group]
        rates = [rate for case in cases for rate in (case.at_target_min_kg_ha, case.at_target_max_kg_ha)]
        return float(yield_at(self.basis.response, [rate for rate in rates if rate is not None]).min())


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
    used = _filled_in(given, test)
    if used.response is not None and used.target_kg_ha is None:
        remedy = 'write it on the sheet, in the price file, or add --target "150 kg/ha"'
        raise CostError(Fault("target rate", "is not known, and the yield lost depends on it", remedy))
    judged = assess(test, limit_pct=limit_pct, width_m=width_m, tails=tails, relative=relative)
    if width_m is None:
        judged = judged.with_table(_usual_widths(judged))
    return WidthStudy(
        judged=judged,
        basis=used,
        cases={method: _cases(judged, method, used) for method in METHODS},
        speed_from_sheet=given.field.speed_m_s is None and used.field.speed_m_s is not None,
    )


def _filled_in(basis: CostBasis, test: TrayTest) -> CostBasis:
    """The basis with speed and target rate of the sheet where it has none."""
    speed = test.quantity("travel speed") if basis.field.speed_m_s is None else basis.field.speed_m_s
    target = test.target_kg_ha if basis.target_kg_ha is None else basis.target_kg_ha
    return replace(basis, field=replace(basis.field, speed_m_s=speed), target_kg_ha=target)


_ALIKE_M = 0.02  # effective widths nearer to each other than this are told once


def _usual_widths(judged: Assessment) -> FloatArray:
    """The bout width of the form and the effective widths: what one compares without being told."""
    known = {judged.test.bout_width_m, *(judged.effective_width_m(method) for method in METHODS)} - {None}
    if not known:
        remedy = 'say which widths to compare, such as --at "24 m, 28 m"'
        raise WidthError(Fault("", "no bout width is known and none is within the CV limit", remedy))
    widths = sorted(width for width in known if width is not None)
    return np.array([w for at, w in enumerate(widths) if at == 0 or w - widths[at - 1] > _ALIKE_M])


def _cases(judged: Assessment, method: str, basis: CostBasis) -> tuple[WidthCase, ...]:
    """All bout widths of one driving method, worked out together."""
    profile, scan = judged.profile, judged.scans[method]
    cv, standings = judged.curves[method].cv_of(scan.width_m), judged.standings(method)
    pieces = bout_deposit(profile, scan.width_m, method)
    factors = _factors(profile, scan.width_m, basis.target_kg_ha)
    under_10, over_10 = shares_beyond(pieces, 10)
    under_20, over_20 = shares_beyond(pieces, 20)
    stripe, middle = longest_stripe(pieces, scan.method)
    work = [fieldwork_at(basis.field, float(width), basis.target_kg_ha) for width in scan.width_m]
    costs = _costs(basis, work, _scaled(pieces, factors))
    return tuple(
        WidthCase(
            method=scan.method,
            width_m=float(scan.width_m[at]),
            cv_pct=float(cv[at]),
            standing=standings[at],
            cv_trays_pct=float(scan.cv_trays_pct[at]),
            cv_line_pct=float(scan.cv_line_pct[at]),
            mean_kg_ha=float(scan.mean_kg_ha[at]),
            min_kg_ha=float(scan.min_kg_ha[at]),
            max_kg_ha=float(scan.max_kg_ha[at]),
            metering_factor=None if factors is None else float(factors[at]),
            at_target_min_kg_ha=None if factors is None else float(factors[at] * scan.min_kg_ha[at]),
            at_target_max_kg_ha=None if factors is None else float(factors[at] * scan.max_kg_ha[at]),
            under_10_pct=float(under_10[at]),
            under_20_pct=float(under_20[at]),
            over_10_pct=float(over_10[at]),
            over_20_pct=float(over_20[at]),
            stripe_m=float(stripe[at]),
            stripe_middle_m=None if np.isnan(middle[at]) else float(middle[at]),
            work=work[at],
            cost=costs[at],
        )
        for at in range(len(scan.width_m))
    )


def _factors(profile: Profile, width_m: FloatArray, target_kg_ha: float | None) -> FloatArray | None:
    """What the metering must be changed by at each bout width, if there is a target rate."""
    if target_kg_ha is None:
        return None
    return np.array([metering_factor(profile, float(width), target_kg_ha) for width in width_m])


def _scaled(pieces: Deposit, factors: FloatArray | None) -> Deposit | None:
    """The deposit of each bout at the target rate."""
    if factors is None:
        return None
    factor = np.repeat(factors, np.diff(np.append(pieces.starts, len(pieces.left))))
    return replace(pieces, left=pieces.left * factor, right=pieces.right * factor)


def _costs(basis: CostBasis, work: list[Fieldwork], at_target: Deposit | None) -> list[Cost]:
    losses, over = _losses(basis.response, at_target)
    return [
        Cost(
            time_per_ha=_per_ha(basis.prices.work_per_h, each.capacity_ha_h),
            fuel_per_ha=_per_ha(basis.prices.fuel_per_h, each.capacity_ha_h),
            yield_loss_t_ha=None if losses is None else float(losses[at]),
            yield_per_ha=None if losses is None else _crop_value(basis.prices, float(losses[at])),
            over_supplied_pct=None if over is None else float(over[at]),
        )
        for at, each in enumerate(work)
    ]


def _losses(response: Response | None, at_target: Deposit | None) -> tuple[FloatArray | None, FloatArray | None]:
    if response is None or at_target is None:
        return None, None
    return yield_loss(response, at_target), share_over_supplied(response, at_target)


def _per_ha(price_per_h: float | None, capacity_ha_h: float | None) -> float | None:
    return None if price_per_h is None or capacity_ha_h is None else price_per_h / capacity_ha_h


def _crop_value(prices: Prices, yield_t_ha: float) -> float | None:
    return None if prices.crop_per_t is None else prices.crop_per_t * yield_t_ha
