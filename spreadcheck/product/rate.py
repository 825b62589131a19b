"""Application rate: what the field gets, held against what was metered and what was wanted, and what to correct."""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace

from spreadcheck.doubts.doubt import Doubt, Quantity, Words
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import Fault, NoSpreadError, QuantityError, read_all, record
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.judge.verdict import Verdict
from spreadcheck.limits import LIMITS
from spreadcheck.product.readings import CONFIDENCE_PCT, Scatter, half_width, readings_needed, scatter_of
from spreadcheck.sheet.traytest import FormRow, TrayTest, form_row
from spreadcheck.spread.profile import TAPER, FigureRange, Profile, profile_from
from spreadcheck.units import HECTARE_M2

TRAYS, AREA, CATCH = "trays", "area", "catch"
TOLERANCE_PCT = 5.0
SAME_WIDTH = 1e-3  # widths closer than this share are one

# field of the settings -> label of the tray sheet
ON_SHEET = {
    "target_kg_ha": "target rate",
    "bout_width_m": "bout width",
    "metered_rate_kg_ha": "metered rate",
    "metered_width_m": "metered width",
    "discharge_kg_s": "discharge",
    "speed_m_s": "travel speed",
    "factor": "calibration factor",
    "setting": "gate setting",
}


def rate_from_trays(profile: Profile, bout_width_m: float) -> float:
    """Mean rate over the bout from a single-pass profile: M / w.

    Parameters
    ----------
    profile : Profile
        The single-pass profile; M is the area under it, tails included. [m, kg/ha]
    bout_width_m : float
        Bout width. [m]

    Returns
    -------
    float
        Mean rate. [kg/ha]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> rate_from_trays(profile_from([-10, 0, 10], [0, 200, 0]), 10)
    200.0
    """
    return profile.area_kg_ha_m / bout_width_m


def rate_from_area(*, mass_kg: float, area_m2: float) -> float:
    """Mean rate from the mass spread over an area.

    Parameters
    ----------
    mass_kg, area_m2 : float
        Mass spread, and the area that it was spread over. [kg, m2]

    Returns
    -------
    float
        Rate. [kg/ha]

    Examples
    --------
    >>> rate_from_area(mass_kg=300, area_m2=20_000)
    150.0
    """
    return mass_kg / area_m2 * HECTARE_M2


def rate_from_catch(*, mass_kg: float, time_s: float, speed_m_s: float, bout_width_m: float) -> float:
    """Rate from the mass that the standing spreader gave in a time: flow / (speed x bout width).

    Parameters
    ----------
    mass_kg, time_s : float
        Mass caught, and the time that it took. [kg, s]
    speed_m_s, bout_width_m : float
        Travel speed and bout width in work. [m/s, m]

    Returns
    -------
    float
        Rate. [kg/ha]

    Examples
    --------
    >>> round(rate_from_catch(mass_kg=36, time_s=30, speed_m_s=10 / 3.6, bout_width_m=24), 6)
    180.0
    """
    return mass_kg / time_s / (speed_m_s * bout_width_m) * HECTARE_M2


def rate_at_width(rate_kg_ha: float, *, from_width_m: float, to_width_m: float) -> float:
    """The rate at another bout width with the same metering: rate x bout width stays.

    Parameters
    ----------
    rate_kg_ha : float
        Rate at the first width. [kg/ha]
    from_width_m, to_width_m : float
        The two bout widths. [m]

    Returns
    -------
    float
        Rate at the second width. [kg/ha]

    Examples
    --------
    >>> rate_at_width(150, from_width_m=24, to_width_m=30)
    120.0
    """
    return rate_kg_ha * from_width_m / to_width_m


def corrected_factor(factor: float, *, measured_kg_ha: float, aimed_kg_ha: float, inverse: bool = False) -> float:
    """The calibration factor that makes the rate measured the rate aimed at.

    The convention is that of a factor in mass a unit of metering (a turn, a pulse, a metre of belt): the controller
    counts less metering the larger it is, so factor x measured / aimed. Some controllers count metering a unit of mass;
    for these `inverse` gives factor x aimed / measured.

    Parameters
    ----------
    factor : float
        The factor in force. [-]
    measured_kg_ha, aimed_kg_ha : float
        Rate measured, and the rate that the controller aimed at, at the same bout width. [kg/ha]
    inverse : bool
        Whether the factor is metering a unit of mass. [-]

    Returns
    -------
    float
        The factor to enter. [-]

    Examples
    --------
    >>> corrected_factor(0.8, measured_kg_ha=165, aimed_kg_ha=150)
    0.88
    >>> corrected_factor(1.1, measured_kg_ha=165, aimed_kg_ha=150, inverse=True)
    1.0
    """
    return factor * aimed_kg_ha / measured_kg_ha if inverse else factor * measured_kg_ha / aimed_kg_ha


@record
class RateSettings:
    """What the machine was set to and what is wanted, None where not known; what does not follow from it is NaN."""

    target_kg_ha: float | None = None
    bout_width_m: float | None = None
    metered_rate_kg_ha: float | None = None  # what the controller aimed at over the metered width
    metered_width_m: float | None = None
    discharge_kg_s: float | None = None  # a flow test's result
    speed_m_s: float | None = None
    factor: float | None = None
    setting: float | None = None

    def __post_init__(self) -> None:
        remedy = "give the number in force on the machine, above 0"
        wrong = {ON_SHEET[x]: value for x, value in vars(self).items() if value is not None and not 0 < value < 1e9}
        if wrong:
            raise QuantityError(*(Fault(label, f"{value:g} can't be", remedy) for label, value in wrong.items()))

    @property
    def expected_kg_ha(self) -> float:
        """The rate that the metering should give at the bout width driven."""
        if self.metered_rate_kg_ha is not None:
            return self.metered_rate_kg_ha / self._widened
        ground = {"speed_m_s": self.speed_m_s or math.nan, "bout_width_m": self.bout_width_m or math.nan}
        return rate_from_catch(mass_kg=self.discharge_kg_s or math.nan, time_s=1.0, **ground)

    @property
    def slip_pct(self) -> float:
        """Change of the rate by metering for one width and driving another; NaN where the widths agree."""
        change = 1 / self._widened - 1
        return math.nan if abs(change) <= SAME_WIDTH else 100.0 * change

    @property
    def _widened(self) -> float:
        """Driven width over metered width; 1 where one of them is not known."""
        known = self.metered_width_m is not None and self.bout_width_m is not None
        return (self.bout_width_m or 1.0) / (self.metered_width_m or 1.0) if known else 1.0

    def new_factor(self, rate_kg_ha: float, *, inverse: bool) -> float:
        """The calibration factor after a rate was measured, held against the rate metered, else the target."""
        aimed = (self.metered_rate_kg_ha or self.target_kg_ha or math.nan) / self._widened
        factor = self.factor or math.nan
        return corrected_factor(factor, measured_kg_ha=rate_kg_ha, aimed_kg_ha=aimed, inverse=inverse)

    def new_setting(self, rate_kg_ha: float) -> float:
        """Gate or belt setting for the target: flow in proportion to it, which a gate's is only nearly."""
        return (self.setting or math.nan) * (self.target_kg_ha or math.nan) / rate_kg_ha


@record
class RateRange:
    """The rate by trays, factor and setting over all that is left open, where no single one can be told."""

    ends_catch: bool  # so over all plausible tails
    passes_differ: bool  # in level by more than chance, so over the passes
    rate_kg_ha: FigureRange
    factor: FigureRange
    setting: FigureRange


@record
class RateFigures:
    """One way of measuring the rate, and what follows from it, else NaN; kg/ha at the bout width driven."""

    way: str
    rate_kg_ha: float
    runs: Scatter  # the rates of the single runs
    of_target_pct: float
    recovered_pct: float
    new_factor: float
    new_setting: float
    half_width_pct: float  # how far their mean may be off
    more_runs: int | None  # still to do until that is within the tolerance; None for a single run, without scatter
    left_open: RateRange | None = None


@record
class RateCheck:
    """The rate of a test by every way measured; `at_widths` are rates of the first way at other bout widths."""

    settings: RateSettings
    inverse: bool
    tolerance_pct: float
    confidence_pct: float
    test: TrayTest | None = None
    figures: tuple[RateFigures, ...] = ()
    at_widths: tuple[tuple[float, float], ...] = ()
    doubts: tuple[Doubt, ...] = ()
    verdict: Verdict | None = None

    @property
    def bins_together(self) -> bool:
        """Whether the trays caught all bins at once: the target is the sum, no factor is corrected."""
        return self.test is not None and self.test.bins_together

    def form_rows(self, system: str = "metric") -> tuple[FormRow, ...]:
        """The rows for the sheet of the next test: the factor and setting of the first way that gives one."""
        known = (
            ("target rate", "rate", None if self.bins_together else self.settings.target_kg_ha),
            ("bout width", "length", self.settings.bout_width_m),
            ("travel speed", "speed", self.settings.speed_m_s),
        )
        rows = [form_row(label, kind, value, system) for label, kind, value in known if value is not None]
        for label, field in (("calibration factor", "new_factor"), ("gate setting", "new_setting")):
            found = [value for each in self.figures if not math.isnan(value := getattr(each, field))]
            rows += [FormRow(label, f"{value:.4g}") for value in found[:1]]
        return tuple(rows)


def recovery_is_usual(share_pct: float) -> bool:
    """Whether a share recovered lies within 90 to 110 % (EN 13739-2:2011, 5.2), ends included."""
    return LIMITS["recovery low"].value - 1e-9 <= share_pct <= LIMITS["recovery high"].value + 1e-9


def settings_of(test: TrayTest, given: RateSettings) -> RateSettings:
    """Settings as given, filled from the labels of a tray sheet where nothing was given."""
    sheet = {name: test.quantity(label) for name, label in ON_SHEET.items() if getattr(given, name) is None}
    known = replace(given, **sheet)
    if not test.bins_together:
        return known
    # trays that caught several bins at once say nothing of one bin's factor and setting
    target = test.target_kg_ha if given.target_kg_ha is None else given.target_kg_ha
    return replace(known, target_kg_ha=target, factor=None, setting=None)


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
    trays, tails : TrayTest or None, str
        A tray test, and what its profile does beyond the end trays: "taper" or "cut". [-]
    areas, catches : sequence of pairs
        Mass spread and area it went on, or mass caught and time it took, a run each. [kg, m2 or s]
    new_widths_m : sequence of float
        Bout widths to see the rate at, with the same metering. [m]
    inverse : bool
        Whether the calibration factor is metering a unit of mass. [-]
    tolerance_pct, confidence_pct : float
        Half-width wanted of the mean rate, and the confidence of it. [%]

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
    asked = RateCheck(known, inverse, tolerance_pct, confidence_pct, trays)
    judged = None if trays is None else assess(trays, bout_width_m=known.bout_width_m, tails=tails)
    figures = [_by_trays(judged, asked)] if judged else []
    if areas:
        figures.append(_by_runs(AREA, areas, asked))
    if catches:
        needed = ("travel speed", "bout width")
        speed, width = read_all(needed, lambda label: _needed(known, label, "a rate from a catch"))
        figures.append(_by_runs(CATCH, [(mass, time * speed * width) for mass, time in catches], asked))
    if not figures:
        remedy = "give a tray sheet, a mass and its area, or a mass and its time"
        raise QuantityError(Fault("", "there is nothing to take a rate from", remedy))
    driven = _needed(known, "bout width", "the rate at another bout width") if new_widths_m else math.nan
    rate, of_sheet = figures[0].rate_kg_ha, judged.doubts if judged else ()
    return replace(
        asked,
        figures=tuple(figures),
        at_widths=tuple((to, rate_at_width(rate, from_width_m=driven, to_width_m=to)) for to in new_widths_m),
        doubts=(*_doubts(known, figures, told={doubt.code for doubt in of_sheet}), *of_sheet),
        verdict=judged.verdict if judged else None,
    )


def _needed(settings: RateSettings, label: str, what: str) -> float:
    """A setting that something can't do without."""
    value, example = {
        "bout width": (settings.bout_width_m, '--bout-width "24 m"'),
        "travel speed": (settings.speed_m_s, '--speed "10 km/h"'),
    }[label]
    if value is None:
        raise QuantityError(Fault("", f"{what} needs the {label}", f"give it as {example}, or on the tray sheet"))
    return value


def _by_runs(way: str, runs: Sequence[tuple[float, float]], check: RateCheck) -> RateFigures:
    """The rate of all runs together, and that of each, from their mass and area."""
    together = map(sum, zip(*runs, strict=True))
    rate, *rates = (rate_from_area(mass_kg=mass, area_m2=area) for mass, area in (together, *runs))
    return _figures(way, rate, rates, check)


def _by_trays(judged: Assessment, check: RateCheck) -> RateFigures:
    """The rate of the mean profile, and of each pass by itself; ranges where ends or passes leave the mass open."""
    settings, profile, passes = check.settings, judged.profile, []
    width = _needed(settings, "bout width", "a rate from trays")
    for rates in judged.passes.rate_kg_ha.T:
        with suppress(NoSpreadError):  # a pass that was lost says nothing about the scatter
            passes.append(rate_from_trays(profile_from(judged.passes.offset_m, rates, tails=profile.tails), width))
    rate = rate_from_trays(profile, width)
    figures = _figures(TRAYS, rate, passes or [rate], check)
    if judged.blocking:  # nothing is corrected by trays that can't be relied on
        figures, settings = replace(figures, new_factor=math.nan, new_setting=math.nan), RateSettings()
    expected = check.settings.expected_kg_ha * width
    area = judged.area_range(None if math.isnan(expected) else expected)
    if area is None:
        return figures
    ends = (area.least / width, area.most / width)
    left_open = RateRange(
        ends_catch=bool(judged.tail_curves),
        passes_differ=judged.mass_of_passes is not None,
        rate_kg_ha=FigureRange(*ends),
        factor=FigureRange(*sorted(settings.new_factor(end, inverse=check.inverse) for end in ends)),
        setting=FigureRange(*sorted(map(settings.new_setting, ends))),
    )
    bare = replace(figures, of_target_pct=math.nan, recovered_pct=math.nan, new_factor=math.nan, new_setting=math.nan)
    return replace(bare, left_open=left_open)


def _figures(way: str, rate: float, rates: Sequence[float], check: RateCheck) -> RateFigures:
    """What follows from a rate and those of its runs."""
    if not rate > 0:
        raise NoSpreadError(Fault("", f"the rate by {way} is 0", "check that the spreader was running"))
    runs = scatter_of(rates)
    settings, sure, more = check.settings, {"confidence_pct": check.confidence_pct}, None
    if runs.count > 1:
        more = max(0, readings_needed(runs.sd, runs.mean * check.tolerance_pct / 100, **sure) - runs.count)
    return RateFigures(
        way=way,
        rate_kg_ha=rate,
        runs=runs,
        of_target_pct=100.0 * rate / (settings.target_kg_ha or math.nan),
        recovered_pct=100.0 * rate / settings.expected_kg_ha,
        new_factor=settings.new_factor(rate, inverse=check.inverse),
        new_setting=settings.new_setting(rate),
        half_width_pct=100.0 * half_width(runs.sd, runs.count, **sure) / runs.mean,
        more_runs=more,
    )


_RECOVERY_REMEDY = {
    TRAYS: "check tray size, tare, runs per catch and whether granules bounced out, then the flow test itself",
    AREA: "check the mass in the hopper before and after, the area, and the flow test",
    CATCH: "check the time, the travel speed and the flow test",
}


def _doubts(settings: RateSettings, figures: Sequence[RateFigures], *, told: set[str]) -> list[Doubt]:
    """Doubts about the rates; one by trays that the sheet's own doubts tell is not told twice."""
    found = []
    if not math.isnan(change := settings.slip_pct):
        metered, driven = (Quantity(x or 0, "length") for x in (settings.metered_width_m, settings.bout_width_m))
        rate: Words | str = ""
        if settings.metered_rate_kg_ha is not None:
            rates = {"set": settings.metered_rate_kg_ha, "got": settings.expected_kg_ha}
            values = {name: Quantity(value, "rate") for name, value in rates.items()}
            rate = Words(": {got} where {set} was metered", values)
        much = "much" if change > 0 else "little"
        found.append(doubt("metered-width", metered=metered, driven=driven, change=abs(change), much=much, rate=rate))
    for figure in figures:
        way, share = figure.way, figure.recovered_pct
        known = way == TRAYS and told & {"recovery", "mass-implausible"}
        if not (math.isnan(share) or known or recovery_is_usual(share)):
            seen = "by {way}, {share:.1f} % of the metered rate was found again"
            effect = "rates from this test are doubtful; the shape of the pattern less so"
            remedy = _RECOVERY_REMEDY[way]
            found.append(doubt("recovery", seen=seen, effect=effect, remedy=remedy, way=way, share=share))
    return found
