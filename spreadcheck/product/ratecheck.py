"""The rate of a test held against what was metered and what was wanted, and what follows from it.

A rate is a mean over the bout width that is driven. Product metered for one width but driven at another is found by
comparing the two: the field then gets metered width / driven width of what was metered.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

from spreadcheck.doubts.doubt import Doubt, Quantity, Words
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import Fault, NoSpreadError, QuantityError
from spreadcheck.judge.assessment import assess
from spreadcheck.judge.verdict import Verdict
from spreadcheck.product.rate import (
    corrected_factor,
    corrected_setting,
    rate_at_width,
    rate_from_area,
    rate_from_catch,
    rate_from_trays,
    recovery_is_usual,
    recovery_pct,
)
from spreadcheck.product.scatter import CONFIDENCE_PCT, Scatter, half_width, readings_needed, scatter_of
from spreadcheck.sheet.traytest import FormRow, TrayTest, form_row
from spreadcheck.spread.profile import TAPER, Profile, pass_rates, profile_from, profile_of
from spreadcheck.spread.tails import FigureRange, ends_of, over_tails
from spreadcheck.units import HECTARE_M2

TRAYS, AREA, CATCH = "trays", "area", "catch"
TOLERANCE_PCT = 5.0
SAME_WIDTH = 1e-3  # widths closer than this share are one


@dataclass(frozen=True)
class RateSettings:
    """What the machine was set to and what is wanted; None where it is not known. SI; rates in kg/ha.

    `metered_rate_kg_ha` is what the controller aimed at over `metered_width_m`; `discharge_kg_s` a flow test's result.
    """

    target_kg_ha: float | None = None
    bout_width_m: float | None = None
    metered_rate_kg_ha: float | None = None
    metered_width_m: float | None = None
    discharge_kg_s: float | None = None
    speed_m_s: float | None = None
    factor: float | None = None
    setting: float | None = None

    @property
    def expected_kg_ha(self) -> float | None:
        """The rate that the metering should give at the bout width driven."""
        if self.metered_rate_kg_ha is not None:
            return self.metered_rate_kg_ha / self._widened
        if self.discharge_kg_s is None or self.speed_m_s is None or self.bout_width_m is None:
            return None
        return self.discharge_kg_s / (self.speed_m_s * self.bout_width_m) * HECTARE_M2

    @property
    def aimed_kg_ha(self) -> float | None:
        """The rate that the controller aimed at, at the bout width driven: from the rate metered, else the target."""
        rate = self.metered_rate_kg_ha if self.metered_rate_kg_ha is not None else self.target_kg_ha
        return None if rate is None else rate / self._widened

    @property
    def slip_pct(self) -> float | None:
        """Change of the rate by metering for one width and driving another; None where the widths agree."""
        change = 1 / self._widened - 1
        return None if abs(change) <= SAME_WIDTH else 100.0 * change

    @property
    def _widened(self) -> float:
        """Driven width over metered width; 1 where one of them is not known."""
        if self.metered_width_m is None or self.bout_width_m is None:
            return 1.0
        return self.bout_width_m / self.metered_width_m


@dataclass(frozen=True)
class RateFigures:
    """One way of measuring the rate, and what follows from it. Rates in kg/ha at the bout width driven.

    `runs` are the single runs where there are any; `half_width_pct` says how far their mean may be off. `more_runs` are
    still to do until that is within the tolerance; None where a single run says nothing about the scatter.
    """

    way: str
    rate_kg_ha: float
    runs: Scatter
    of_target_pct: float | None
    recovered_pct: float | None
    new_factor: float | None
    new_setting: float | None
    half_width_pct: float
    more_runs: int | None
    over_tails: OverTails | None = None


@dataclass(frozen=True)
class OverTails:
    """The rate by trays, factor and setting over all plausible tails, where the end trays still catch."""

    rate_kg_ha: FigureRange
    factor: FigureRange | None
    setting: FigureRange | None


@dataclass(frozen=True)
class RateCheck:
    """The rate of a test by every way measured; `at_widths` are rates of the first way at other bout widths."""

    settings: RateSettings
    inverse: bool
    tolerance_pct: float
    confidence_pct: float
    figures: tuple[RateFigures, ...]
    at_widths: tuple[tuple[float, float], ...]
    doubts: tuple[Doubt, ...]
    verdict: Verdict | None = None

    def form_rows(self, system: str = "metric") -> tuple[FormRow, ...]:
        """The rows for the sheet of the next test: the factor and setting of the first way that gives one."""
        known = (
            ("target rate", "rate", self.settings.target_kg_ha),
            ("bout width", "length", self.settings.bout_width_m),
            ("travel speed", "speed", self.settings.speed_m_s),
        )
        rows = [form_row(label, kind, value, system) for label, kind, value in known if value is not None]
        found = (
            ("calibration factor", [figure.new_factor for figure in self.figures]),
            ("gate setting", [figure.new_setting for figure in self.figures]),
        )
        for label, values in found:
            first = next((value for value in values if value is not None), None)
            rows += [] if first is None else [FormRow(label, f"{first:.4g}")]
        return tuple(rows)


def settings_of(test: TrayTest, given: RateSettings) -> RateSettings:
    """Settings as given, filled from the labels of a tray sheet where nothing was given."""
    sheet = RateSettings(
        target_kg_ha=test.quantity("target rate"),
        bout_width_m=test.bout_width_m,
        metered_rate_kg_ha=test.quantity("metered rate"),
        metered_width_m=test.quantity("metered width"),
        discharge_kg_s=test.quantity("discharge"),
        speed_m_s=test.quantity("travel speed"),
        factor=test.quantity("calibration factor"),
        setting=test.quantity("gate setting"),
    )
    known = {field.name: getattr(given, field.name) for field in fields(given)}
    return replace(sheet, **{name: value for name, value in known.items() if value is not None})


def check_rate(
    settings: RateSettings,
    *,
    trays: TrayTest | None = None,
    tails: str = TAPER,
    areas: Sequence[tuple[float, float]] = (),
    catches: Sequence[tuple[float, float]] = (),
    new_widths_m: Sequence[float] = (),
    inverse: bool = False,
    tolerance_pct: float = TOLERANCE_PCT,
    confidence_pct: float = CONFIDENCE_PCT,
) -> RateCheck:
    """The rate by every way measured, held against what was metered and what was wanted.

    Parameters
    ----------
    settings : RateSettings
        What the machine was set to; filled from the sheet where it is silent. [SI, kg/ha]
    trays : TrayTest or None
        A tray test. [-]
    tails : str
        What the profile does beyond the end trays: "taper" or "cut". [-]
    areas : sequence of pairs
        Mass spread and area it went on, a run each. [kg, m2]
    catches : sequence of pairs
        Mass caught and time it took, a run each. [kg, s]
    new_widths_m : sequence of float
        Bout widths to see the rate at, with the same metering. [m]
    inverse : bool
        Whether the calibration factor is metering a unit of mass. [-]
    tolerance_pct : float
        Half-width wanted of the mean rate. [%]
    confidence_pct : float
        Confidence of that half-width. [%]

    Returns
    -------
    RateCheck
        What was found. [kg/ha, %]

    Raises
    ------
    QuantityError
        If nothing was measured, or the bout width or travel speed that a way needs is not known.

    Examples
    --------
    >>> found = check_rate(RateSettings(target_kg_ha=150), areas=[(310, 20_000), (316, 20_000)])
    >>> round(found.figures[0].rate_kg_ha, 2), round(found.figures[0].of_target_pct, 1)
    (156.5, 104.3)
    """
    if not 0.001 <= tolerance_pct < 100:
        raise QuantityError(Fault("", f"{tolerance_pct:g} is not a tolerance", "give one in %, such as 5"))
    known = settings if trays is None else settings_of(trays, settings)
    measured = [
        *([_by_trays(trays, known, tails)] if trays is not None else []),
        *([_by_area(areas)] if areas else []),
        *([_by_catch(catches, known)] if catches else []),
    ]
    if not measured:
        remedy = "give a tray sheet, a mass and its area, or a mass and its time"
        raise QuantityError(Fault("", "there is nothing to take a rate from", remedy))
    if new_widths_m and known.bout_width_m is None:
        raise QuantityError(_missing("bout width", "the rate at another bout width"))
    figures = tuple(_figures(*way, known, inverse, tolerance_pct, confidence_pct) for way in measured)
    if trays is not None and ends_of(profile := profile_of(trays, tails=tails)).catch:
        figures = (_open_ended(figures[0], profile, known, inverse), *figures[1:])
    first = figures[0].rate_kg_ha
    at_widths = tuple(
        (width, rate_at_width(first, from_width_m=known.bout_width_m, to_width_m=width))
        for width in new_widths_m
        if known.bout_width_m is not None
    )
    judged = None if trays is None else assess(trays, bout_width_m=known.bout_width_m, tails=tails)
    of_sheet = judged.doubts if judged else ()
    doubts = (*_doubts(known, figures, told={doubt.code for doubt in of_sheet}), *of_sheet)
    verdict = judged.verdict if judged else None
    return RateCheck(known, inverse, tolerance_pct, confidence_pct, figures, at_widths, doubts, verdict)


def _missing(label: str, what: str) -> Fault:
    example = {"bout width": '--bout-width "24 m"', "travel speed": '--speed "10 km/h"'}[label]
    return Fault("", f"{what} needs the {label}", f"give it as {example}, or on the tray sheet")


def _by_trays(test: TrayTest, settings: RateSettings, tails: str) -> tuple[str, float, Scatter]:
    """The rate of the mean profile, and that of each pass by itself."""
    width = settings.bout_width_m
    if width is None:
        raise QuantityError(_missing("bout width", "a rate from trays"))
    rate = rate_from_trays(profile_of(test, tails=tails), width)
    passes = []
    for rates in pass_rates(test):
        try:
            passes.append(rate_from_trays(profile_from(test.offset_m, rates, tails=tails), width))
        except NoSpreadError:  # a pass that was lost says nothing about the scatter
            continue
    return TRAYS, rate, scatter_of(passes or [rate])


def _open_ended(by_trays: RateFigures, profile: Profile, known: RateSettings, inverse: bool) -> RateFigures:
    """The figures by trays where the end trays still catch: ranges in place of all that rest on the whole mass."""
    width = known.bout_width_m or 1.0
    metered = known.expected_kg_ha and known.expected_kg_ha * width
    rate = over_tails(profile, lambda one: rate_from_trays(one, width), metered_kg_ha_m=metered)
    ends, aimed, target = (rate.least, rate.most), known.aimed_kg_ha, known.target_kg_ha
    factors = settings = None
    if known.factor is not None and aimed is not None:
        factor = known.factor
        factors = _range([corrected_factor(factor, measured_kg_ha=r, aimed_kg_ha=aimed, inverse=inverse) for r in ends])
    if known.setting is not None and target is not None:
        setting = known.setting
        settings = _range([corrected_setting(setting, measured_kg_ha=r, target_kg_ha=target) for r in ends])
    return replace(
        by_trays,
        of_target_pct=None,
        recovered_pct=None,
        new_factor=None,
        new_setting=None,
        over_tails=OverTails(rate, factors, settings),
    )


def _range(values: Sequence[float]) -> FigureRange:
    return FigureRange(min(values), max(values))


def _by_area(areas: Sequence[tuple[float, float]]) -> tuple[str, float, Scatter]:
    """The rate of all runs together, and that of each."""
    runs = scatter_of([rate_from_area(mass_kg=mass, area_m2=area) for mass, area in areas])
    mass, area = (sum(column) for column in zip(*areas, strict=True))
    return AREA, rate_from_area(mass_kg=mass, area_m2=area), runs


def _by_catch(catches: Sequence[tuple[float, float]], settings: RateSettings) -> tuple[str, float, Scatter]:
    speed, width = settings.speed_m_s, settings.bout_width_m
    missing = [label for label, value in (("travel speed", speed), ("bout width", width)) if value is None]
    if speed is None or width is None:
        raise QuantityError(*(_missing(label, "a rate from a catch") for label in missing))
    rates = [rate_from_catch(mass_kg=mass, time_s=time, speed_m_s=speed, bout_width_m=width) for mass, time in catches]
    mass, time = (sum(column) for column in zip(*catches, strict=True))
    together = rate_from_catch(mass_kg=mass, time_s=time, speed_m_s=speed, bout_width_m=width)
    return CATCH, together, scatter_of(rates)


def _figures(
    way: str,
    rate: float,
    runs: Scatter,
    settings: RateSettings,
    inverse: bool,
    tolerance_pct: float,
    confidence_pct: float,
) -> RateFigures:
    target, expected, aimed = settings.target_kg_ha, settings.expected_kg_ha, settings.aimed_kg_ha
    factor, setting = settings.factor, settings.setting
    if not rate > 0:
        raise NoSpreadError(Fault("", f"the rate by {way} is 0", "check that the spreader was running"))
    more = None
    if runs.count > 1:
        wanted = runs.mean * tolerance_pct / 100
        more = max(0, readings_needed(runs.sd, wanted, confidence_pct=confidence_pct) - runs.count)
    return RateFigures(
        way=way,
        rate_kg_ha=rate,
        runs=runs,
        of_target_pct=None if target is None else 100.0 * rate / target,
        recovered_pct=None if expected is None else recovery_pct(measured_kg_ha=rate, metered_kg_ha=expected),
        new_factor=None
        if factor is None or aimed is None
        else corrected_factor(factor, measured_kg_ha=rate, aimed_kg_ha=aimed, inverse=inverse),
        new_setting=None
        if setting is None or target is None
        else corrected_setting(setting, measured_kg_ha=rate, target_kg_ha=target),
        half_width_pct=100.0 * half_width(runs, confidence_pct=confidence_pct) / runs.mean,
        more_runs=more,
    )


def _doubts(settings: RateSettings, figures: Sequence[RateFigures], *, told: set[str]) -> tuple[Doubt, ...]:
    """Doubts about the rates; one by trays that the sheet's own doubts tell is not told twice."""
    found = [_slip(settings)] if settings.slip_pct is not None else []
    for figure in figures:
        share = figure.recovered_pct
        if figure.way == TRAYS and told & {"recovery", "mass-implausible"}:
            continue
        if share is not None and not recovery_is_usual(share):
            found.append(
                doubt(
                    "recovery",
                    seen="by {way}, {share:.1f} % of the metered rate was found again",
                    effect="rates from this test are doubtful; the shape of the pattern less so",
                    remedy=_RECOVERY_REMEDY[figure.way],
                    way=figure.way,
                    share=share,
                )
            )
    return tuple(found)


_RECOVERY_REMEDY = {
    TRAYS: "check tray size, tare, runs per catch and whether granules bounced out, then the flow test itself",
    AREA: "check the mass in the hopper before and after, the area, and the flow test",
    CATCH: "check the time, the travel speed and the flow test",
}


def _slip(settings: RateSettings) -> Doubt:
    """Metered over one width but driven at another, with numbers."""
    change = settings.slip_pct or 0.0
    metered, driven = (Quantity(width or 0, "length") for width in (settings.metered_width_m, settings.bout_width_m))
    rate: Words | str = ""
    if settings.metered_rate_kg_ha is not None and settings.expected_kg_ha is not None:
        rates = {"set": settings.metered_rate_kg_ha, "got": settings.expected_kg_ha}
        rate = Words(
            ": {got} where {set} was metered", {name: Quantity(value, "rate") for name, value in rates.items()}
        )
    much = "much" if change > 0 else "little"
    return doubt("metered-width", metered=metered, driven=driven, change=abs(change), much=much, rate=rate)
