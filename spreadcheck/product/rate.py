"""Application rate: what the field gets, held against what was metered and what was wanted, and what to correct.

A rate is a mean over the bout width that is driven. The metered mass per metre of travel stays what it is, so rate x
bout width is the same at every bout width: of product metered for one width but driven at another, the field gets
metered width / driven width.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from spreadcheck.doubts.doubt import Doubt, Quantity, Words
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import Fault, NoSpreadError, QuantityError, record
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.judge.verdict import Verdict
from spreadcheck.limits import LIMITS
from spreadcheck.product.readings import CONFIDENCE_PCT, Scatter, half_width, readings_needed, scatter_of
from spreadcheck.sheet.traytest import FormRow, TrayTest, form_row
from spreadcheck.spread.profile import TAPER, Profile, profile_from
from spreadcheck.spread.tails import FigureRange
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
    mass_kg : float
        Mass spread. [kg]
    area_m2 : float
        Area it was spread over. [m2]

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
    mass_kg : float
        Mass caught. [kg]
    time_s : float
        Time it took. [s]
    speed_m_s : float
        Travel speed in work. [m/s]
    bout_width_m : float
        Bout width in work. [m]

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
    """The rate at another bout width with the same metering.

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
    measured_kg_ha : float
        Rate measured. [kg/ha]
    aimed_kg_ha : float
        Rate the controller aimed at, at the same bout width. [kg/ha]
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

    def __post_init__(self) -> None:
        wrong = [
            (ON_SHEET[name], value) for name, value in vars(self).items() if value is not None and not 0 < value < 1e9
        ]
        if wrong:
            remedy = "give the number in force on the machine"
            raise QuantityError(*(Fault(name, f"{value:g} can't be", f"{remedy}, above 0") for name, value in wrong))

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

    def new_factor(self, rate_kg_ha: float, *, inverse: bool) -> float | None:
        """The calibration factor after a rate was measured; None without the one in force or the rate aimed at."""
        if self.factor is None or self.aimed_kg_ha is None:
            return None
        return corrected_factor(self.factor, measured_kg_ha=rate_kg_ha, aimed_kg_ha=self.aimed_kg_ha, inverse=inverse)

    def new_setting(self, rate_kg_ha: float) -> float | None:
        """Gate or belt setting for the target after a rate was measured; None where setting or target is not known.

        A belt's flow is in proportion to its speed; a gate's only nearly so and over a short way: another run confirms.
        """
        if self.setting is None or self.target_kg_ha is None:
            return None
        return self.setting * self.target_kg_ha / rate_kg_ha


@record
class RateRange:
    """The rate by trays, factor and setting where no single one can be told: over all that is left open.

    `ends_catch`: over all plausible tails, as the end trays still catch; `passes_differ`: over the passes, as they
    differ in level by more than chance.
    """

    ends_catch: bool
    passes_differ: bool
    rate_kg_ha: FigureRange
    factor: FigureRange | None
    setting: FigureRange | None


@record
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
    left_open: RateRange | None = None


@record
class RateCheck:
    """The rate of a test by every way measured; `at_widths` are rates of the first way at other bout widths."""

    settings: RateSettings
    inverse: bool
    tolerance_pct: float
    confidence_pct: float
    figures: tuple[RateFigures, ...] = ()
    at_widths: tuple[tuple[float, float], ...] = ()
    doubts: tuple[Doubt, ...] = ()
    verdict: Verdict | None = None
    bins_together: bool = False  # the trays caught all bins at once: the target is the sum, no factor is corrected

    def form_rows(self, system: str = "metric") -> tuple[FormRow, ...]:
        """The rows for the sheet of the next test: the factor and setting of the first way that gives one."""
        known = (
            ("target rate", "rate", None if self.bins_together else self.settings.target_kg_ha),
            ("bout width", "length", self.settings.bout_width_m),
            ("travel speed", "speed", self.settings.speed_m_s),
        )
        rows = [form_row(label, kind, value, system) for label, kind, value in known if value is not None]
        for label, field in (("calibration factor", "new_factor"), ("gate setting", "new_setting")):
            found = (getattr(figure, field) for figure in self.figures)
            first = next((value for value in found if value is not None), None)
            rows += [] if first is None else [FormRow(label, f"{first:.4g}")]
        return tuple(rows)


def recovery_is_usual(share_pct: float) -> bool:
    """Whether a share recovered lies within 90 to 110 % (EN 13739-2:2011, 5.2), ends included."""
    return LIMITS["recovery low"].value - 1e-9 <= share_pct <= LIMITS["recovery high"].value + 1e-9


def settings_of(test: TrayTest, given: RateSettings) -> RateSettings:
    """Settings as given, filled from the labels of a tray sheet where nothing was given.

    Trays that caught several bins at once say nothing of one bin: its factor and setting are left out.
    """
    sheet = {name: test.quantity(label) for name, label in ON_SHEET.items() if getattr(given, name) is None}
    known = replace(given, **sheet)
    if not test.bins_together:
        return known
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
    judged = None if trays is None else assess(trays, bout_width_m=known.bout_width_m, tails=tails)
    ways = [
        *([_by_trays(judged, known)] if judged else []),
        *([_by_area(areas)] if areas else []),
        *([_by_catch(catches, known)] if catches else []),
    ]
    if not ways:
        remedy = "give a tray sheet, a mass and its area, or a mass and its time"
        raise QuantityError(Fault("", "there is nothing to take a rate from", remedy))
    driven = known.bout_width_m
    if new_widths_m and driven is None:
        raise QuantityError(_missing("bout width", "the rate at another bout width"))
    asked = RateCheck(known, inverse, tolerance_pct, confidence_pct, bins_together=bool(trays and trays.bins_together))
    figures = [_figures(*way, asked) for way in ways]
    if judged:
        figures[0] = _left_open(figures[0], judged, asked)
    if judged and judged.blocking:  # nothing is corrected by trays that can't be relied on
        open_ = figures[0].left_open and replace(figures[0].left_open, factor=None, setting=None)
        figures[0] = replace(figures[0], new_factor=None, new_setting=None, left_open=open_)
    rate, of_sheet = figures[0].rate_kg_ha, judged.doubts if judged else ()
    return replace(
        asked,
        figures=tuple(figures),
        at_widths=tuple((to, rate_at_width(rate, from_width_m=driven or to, to_width_m=to)) for to in new_widths_m),
        doubts=(*_doubts(known, figures, told={doubt.code for doubt in of_sheet}), *of_sheet),
        verdict=judged.verdict if judged else None,
    )


def _missing(label: str, what: str) -> Fault:
    example = {"bout width": '--bout-width "24 m"', "travel speed": '--speed "10 km/h"'}[label]
    return Fault("", f"{what} needs the {label}", f"give it as {example}, or on the tray sheet")


def _by_trays(judged: Assessment, settings: RateSettings) -> tuple[str, float, Scatter]:
    """The rate of the mean profile, and that of each pass by itself, from the passes as they were assessed."""
    width = settings.bout_width_m
    if width is None:
        raise QuantityError(_missing("bout width", "a rate from trays"))
    rate, passes, profile = rate_from_trays(judged.profile, width), [], judged.profile
    for rates in judged.passes.rate_kg_ha.T:
        try:
            passes.append(rate_from_trays(profile_from(judged.passes.offset_m, rates, tails=profile.tails), width))
        except NoSpreadError:  # a pass that was lost says nothing about the scatter
            continue
    return TRAYS, rate, scatter_of(passes or [rate])


def _by_area(areas: Sequence[tuple[float, float]]) -> tuple[str, float, Scatter]:
    """The rate of all runs together, and that of each."""
    together = tuple(map(sum, zip(*areas, strict=True)))
    rate, *rates = (rate_from_area(mass_kg=mass, area_m2=area) for mass, area in (together, *areas))
    return AREA, rate, scatter_of(rates)


def _by_catch(catches: Sequence[tuple[float, float]], settings: RateSettings) -> tuple[str, float, Scatter]:
    """The same from masses caught over a time."""
    speed, width = settings.speed_m_s, settings.bout_width_m
    missing = [label for label, value in (("travel speed", speed), ("bout width", width)) if value is None]
    if speed is None or width is None:
        raise QuantityError(*(_missing(label, "a rate from a catch") for label in missing))
    together = tuple(map(sum, zip(*catches, strict=True)))
    rate, *rates = (
        rate_from_catch(mass_kg=mass, time_s=time, speed_m_s=speed, bout_width_m=width)
        for mass, time in (together, *catches)
    )
    return CATCH, rate, scatter_of(rates)


def _figures(way: str, rate: float, runs: Scatter, check: RateCheck) -> RateFigures:
    """What follows from a rate and its runs."""
    if not rate > 0:
        raise NoSpreadError(Fault("", f"the rate by {way} is 0", "check that the spreader was running"))
    settings, sure = check.settings, check.confidence_pct
    target, expected, more = settings.target_kg_ha, settings.expected_kg_ha, None
    if runs.count > 1:
        wanted = runs.mean * check.tolerance_pct / 100
        more = max(0, readings_needed(runs.sd, wanted, confidence_pct=sure) - runs.count)
    return RateFigures(
        way=way,
        rate_kg_ha=rate,
        runs=runs,
        of_target_pct=None if target is None else 100.0 * rate / target,
        recovered_pct=None if expected is None else 100.0 * rate / expected,
        new_factor=settings.new_factor(rate, inverse=check.inverse),
        new_setting=settings.new_setting(rate),
        half_width_pct=100.0 * half_width(runs.sd, runs.count, confidence_pct=sure) / runs.mean,
        more_runs=more,
    )


def _left_open(by_trays: RateFigures, judged: Assessment, check: RateCheck) -> RateFigures:
    """The figures by trays; where ends or passes leave them open, ranges in place of all that rest on the mass."""
    settings = check.settings
    width = settings.bout_width_m or 1.0
    area = judged.area_range(settings.expected_kg_ha and settings.expected_kg_ha * width)
    if area is None:
        return by_trays
    rate = FigureRange(area.least / width, area.most / width)

    def span(ends: Sequence[float | None]) -> FigureRange | None:
        known = [end for end in ends if end is not None]
        return FigureRange(min(known), max(known)) if known else None

    found = RateRange(
        ends_catch=bool(judged.tail_curves),
        passes_differ=judged.mass_of_passes is not None,
        rate_kg_ha=rate,
        factor=span([settings.new_factor(end, inverse=check.inverse) for end in (rate.least, rate.most)]),
        setting=span([settings.new_setting(end) for end in (rate.least, rate.most)]),
    )
    bare = replace(by_trays, of_target_pct=None, recovered_pct=None, new_factor=None, new_setting=None)
    return replace(bare, left_open=found)


_RECOVERY_REMEDY = {
    TRAYS: "check tray size, tare, runs per catch and whether granules bounced out, then the flow test itself",
    AREA: "check the mass in the hopper before and after, the area, and the flow test",
    CATCH: "check the time, the travel speed and the flow test",
}


def _doubts(settings: RateSettings, figures: Sequence[RateFigures], *, told: set[str]) -> list[Doubt]:
    """Doubts about the rates; one by trays that the sheet's own doubts tell is not told twice."""
    found = []
    if (change := settings.slip_pct) is not None:
        metered, driven = (Quantity(x or 0, "length") for x in (settings.metered_width_m, settings.bout_width_m))
        rate: Words | str = ""
        if settings.metered_rate_kg_ha is not None and settings.expected_kg_ha is not None:
            rates = {"set": settings.metered_rate_kg_ha, "got": settings.expected_kg_ha}
            values = {name: Quantity(value, "rate") for name, value in rates.items()}
            rate = Words(": {got} where {set} was metered", values)
        much = "much" if change > 0 else "little"
        found.append(doubt("metered-width", metered=metered, driven=driven, change=abs(change), much=much, rate=rate))
    for figure in figures:
        share, known = figure.recovered_pct, figure.way == TRAYS and told & {"recovery", "mass-implausible"}
        if share is None or known or recovery_is_usual(share):
            continue
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
    return found
