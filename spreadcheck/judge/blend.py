"""A blend, component by component: a nutrient's rate is the sum over components of their rate x what they hold."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import field, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.errors import Fault, NoSpreadError, QuantityError, SheetError, record
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.bands import WidthCurve, width_curves, worst_curve
from spreadcheck.spread.profile import TAPER, FigureRange, Profile, profile_from, profile_of
from spreadcheck.spread.widths import Scan, check_limit, default_widths, scan_methods

LIMITS_TABLE, JOINT_PCT = "limits", 100.0
ZONES = ("far left", "left", "middle", "right", "far right")


@record
class NutrientAnalysis:
    """What each component holds, in % of its mass, and the CV limit of nutrients that have one of their own."""

    content_pct: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    limit_pct: Mapping[str, float] = field(default_factory=dict)

    @property
    def nutrients(self) -> tuple[str, ...]:
        """The nutrients named, in the order of the file."""
        return tuple(dict.fromkeys(nutrient for content in self.content_pct.values() for nutrient in content))


def read_analysis(path: str | os.PathLike[str]) -> NutrientAnalysis:
    """Read the analysis of a blend's components: a small TOML file, a table each, and one of limits if there are any.

    Parameters
    ----------
    path : str or path-like
        The TOML file. [-]

    Returns
    -------
    NutrientAnalysis
        Contents and limits. [%]

    Raises
    ------
    QuantityError
        If the file can't be read, or a content is no number from 0 to 100.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "analysis.toml")
    ...     _ = file.write_text("[urea]\\nN = 46\\n[limits]\\nN = 15\\n")
    ...     read_analysis(file)
    NutrientAnalysis(content_pct={'urea': {'N': 46.0}}, limit_pct={'N': 15.0})
    """
    from spreadcheck.sheet.cells import number_at, read_toml  # no other command reads an analysis

    name = os.fspath(path)
    tables = read_toml(path)
    loose = [key for key, value in tables.items() if not isinstance(value, dict)]
    if loose:
        remedy = f"put it under the component it belongs to, such as [urea] and then {loose[0]} = 46"
        raise QuantityError(Fault(name, f'"{loose[0]}" stands outside any component', remedy))
    limits = tables.pop(LIMITS_TABLE, {})
    if not tables:
        raise QuantityError(Fault(name, "there is no component in it", "write such as [urea] and then N = 46"))
    contents = {}
    for component, content in tables.items():
        place = f"{name} [{component}]"
        contents[component] = {nutrient: number_at(content, nutrient, place=place, high=100) for nutrient in content}
        if (whole := sum(contents[component].values())) > 100:
            problem = f"the contents add up to {whole:g} %"
            raise QuantityError(Fault(place, problem, "give % of the component's mass, 100 at most together"))
    place = f"{name} [{LIMITS_TABLE}]"
    return NutrientAnalysis(
        contents, {part: number_at(limits, part, place=place, low=0.1, high=1000) for part in limits}
    )


@record(eq=False)
class BlendPart:
    """The whole catch, one component or one nutrient: `kind` says which."""

    name: str
    kind: str
    profile: Profile
    limit_pct: float
    width_m: FloatArray  # of the table
    curves: dict[str, WidthCurve]

    @cached_property
    def scans(self) -> dict[str, Scan]:
        """The part's own table for each driving method, worked out when it is asked for."""
        return scan_methods(self.profile, self.width_m)

    def effective_width_m(self, method: str) -> float | None:
        """Widest width within the part's own limit, in a band that is not narrow. [m]"""
        return self.curves[method].effective_width_m(self.limit_pct)


@record(eq=False)
class BlendAssessment:
    """A blend assessed part by part."""

    test: TrayTest
    parts: tuple[BlendPart, ...]

    @cached_property
    def judged(self) -> tuple[BlendPart, ...]:
        """The parts that decide: the nutrients where an analysis names them, else the components; never the mass."""
        nutrients = tuple(part for part in self.parts if part.kind == "nutrient")
        return nutrients or tuple(part for part in self.parts if part.kind == "component")

    @cached_property
    def joint(self) -> dict[str, WidthCurve]:
        """The worst judged part at each width, in % of its own limit: within 100 all keep theirs."""
        return self.worst(JOINT_PCT)

    def worst(self, limit_pct: float) -> dict[str, WidthCurve]:
        """The worst judged part at each width, a part with a limit of its own scaled to one limit for all."""
        shares = [limit_pct / part.limit_pct for part in self.judged]
        return {
            method: worst_curve([part.curves[method] for part in self.judged], shares, whole.width_m)
            for method, whole in self.parts[0].curves.items()
        }

    def with_tails(self, left: int, right: int) -> BlendAssessment:
        """The same, with plausible tails drawn beyond the end trays of every part."""
        pairs = [(part, part.profile.ends.profile_with(left, right)) for part in self.parts]
        parts = (replace(part, profile=profile, curves=width_curves(profile)) for part, profile in pairs)
        return replace(self, parts=tuple(parts))

    def widths_over_tails(self, method: str) -> tuple[FigureRange, ...] | None:
        """Least and largest effective width of every part over all plausible tails, 0 for none; None if all fell in."""
        ends = self.parts[0].profile.ends
        if not ends.catch:
            return None
        tried = [self.with_tails(*pair).parts for pair in ends.pairs]
        found = [[part.effective_width_m(method) or 0.0 for part in parts] for parts in zip(*tried, strict=True)]
        return tuple(FigureRange(min(widths), max(widths)) for widths in found)

    def worst_scans(self, whole: dict[str, Scan], limit_pct: float) -> dict[str, Scan]:
        """The tables of the whole catch with the CVs of the worst judged part, scaled in the same way."""

        found = {}
        for method, scan in whole.items():
            shares = [(part.scans[method], limit_pct / part.limit_pct) for part in self.judged]
            trays = np.max([share * own.cv_trays_pct for own, share in shares], axis=0)
            line = np.max([share * own.cv_line_pct for own, share in shares], axis=0)
            found[method] = replace(scan, cv_trays_pct=trays, cv_line_pct=line)
        return found

    def worst_part(self, method: str, width_m: float) -> BlendPart:
        """The judged part that is farthest over its limit, or nearest to it, at a width."""
        return max(self.judged, key=lambda part: part.curves[method].cv_at(width_m) / part.limit_pct)

    def limiting_part(self, method: str) -> BlendPart | None:
        """The judged part that ends the band: the worst just beyond it; None where the tray line ends first."""
        run = self.joint[method].effective_run(JOINT_PCT)
        if run is None:
            best = self.joint[method].best
            return None if best is None else self.worst_part(method, best[0])
        return None if run.censored else self.worst_part(method, run.to_m)


def blend_parts(
    test: TrayTest, analysis: NutrientAnalysis, *, tails: str = TAPER
) -> tuple[tuple[str, str, Profile], ...]:
    """Single-pass profiles of the whole catch, of every component and of every nutrient: name, kind, profile."""
    there, listed = test.components, analysis.content_pct
    if not there:
        remedy = 'name the columns such as "pass 1 / urea" and "pass 1 / potash"'
        raise SheetError(Fault(test.source, "the sheet has no component columns", remedy))
    faults = [
        Fault(test.source, f'column "{column.name}" is in {column.unit}', "weigh the components of a blend in g")
        for column in test.columns
        if column.kind != "catch mass"
    ]
    wrong = {f'there is no component "{name}" in it': f"give its nutrients in % under [{name}]"
             for name in there if listed and name not in listed}  # fmt: skip
    wrong |= {f'"{name}" is not a component of the sheet': f"its components are: {', '.join(there)}"
              for name in listed if name not in there}  # fmt: skip
    wrong |= {f'there is a CV limit for "{name}", which is no nutrient or component': "check its spelling"
              for name in analysis.limit_pct if name not in {*analysis.nutrients, *there, "whole"}}  # fmt: skip
    if faults or wrong:
        raise SheetError(*faults, *(Fault("analysis", problem, remedy) for problem, remedy in wrong.items()))
    whole = profile_of(test, tails=tails)
    rates: dict[str, FloatArray] = {}
    parts: list[tuple[str, str, Profile]] = [("whole", "whole", whole)]
    for component in test.components:
        try:
            profile = profile_of(test, tails=tails, component=component)
        except NoSpreadError as error:
            problem = f'component "{component}": {error.faults[0].problem}'
            raise NoSpreadError(Fault(test.source, problem, "weigh the component, or leave its columns out")) from error
        parts.append((component, "component", profile))
        rates[component] = np.interp(whole.offset_m, profile.offset_m, profile.rate_kg_ha, left=0.0, right=0.0)
    for nutrient in analysis.nutrients:
        mixed = sum((rates[name] * (analysis.content_pct[name].get(nutrient, 0.0) / 100) for name in rates), start=0.0)
        parts.append((nutrient, "nutrient", profile_from(whole.offset_m, np.asarray(mixed), tails=tails)))
    return tuple(parts)


def assess_blend(
    test: TrayTest,
    analysis: NutrientAnalysis | None = None,
    *,
    limit_pct: float = CV_LIMIT_PCT,
    width_m: ArrayLike | None = None,
    tails: str = TAPER,
) -> BlendAssessment:
    """CV and effective width of the whole, of every component and of every nutrient, and the width that suits all.

    Parameters
    ----------
    test : TrayTest
        A test with component columns. [-]
    analysis : NutrientAnalysis, optional
        What the components hold; without it components alone are judged. [%]
    limit_pct : float
        CV limit of every part that has none of its own. [%]
    width_m : array_like, shape (widths,), optional
        Candidate bout widths; whole multiples of the tray spacing if not given. [m]
    tails : str
        "taper" or "cut". [-]

    Returns
    -------
    BlendAssessment
        The parts; the whole catch first. [m, kg/ha, %]

    Raises
    ------
    SheetError
        If the sheet is no blend or the analysis does not fit it.
    NoSpreadError
        If a component was never caught.

    Examples
    --------
    >>> import io
    >>> from spreadcheck.sheet.traysheet import read_sheet
    >>> test = read_sheet(io.StringIO('''spreadcheck tray sheet,1
    ... tray width,1,m
    ... tray length,1,m
    ... tray,offset,pass 1 / urea,pass 1 / potash
    ... ,m,g,g
    ... L2,-2,1,0
    ... L1,-1,2,2
    ... C,0,3,6
    ... R1,1,2,2
    ... R2,2,1,0
    ... '''))
    >>> blend = assess_blend(test)
    >>> [(part.name, part.effective_width_m("round-and-round")) for part in blend.parts]
    [('whole', None), ('urea', 3.93...), ('potash', None)]
    >>> blend.joint["round-and-round"].effective_width_m(100), blend.limiting_part("round-and-round").name
    (None, 'potash')
    """
    check_limit(limit_pct)
    analysis = analysis or NutrientAnalysis()
    profiles = blend_parts(test, analysis, tails=tails)
    if width_m is None:
        width_m = default_widths(profiles[0][2], place=test.source)
    widths = np.unique(np.asarray(width_m, dtype=float))
    parts = (
        BlendPart(name, kind, profile, analysis.limit_pct.get(name, limit_pct), widths, width_curves(profile))
        for name, kind, profile in profiles
    )
    return BlendAssessment(test, tuple(parts))


def zone_shares(blend: BlendAssessment) -> dict[str, FloatArray]:
    """Share of each component, in % of the catch, in five zones from left to right of equal catch, and in all."""
    whole, *parts = [part for part in blend.parts if part.kind != "nutrient"]
    knots = [part.profile.knots for part in (whole, *parts)]
    first, last = knots[0][0][[0, -1]]  # a part may have caught where the whole is not known
    x = np.unique(np.clip(np.concatenate((*(at for at, _ in knots), np.linspace(first, last, 2001))), first, last))
    rates = np.array([np.interp(x, *own, left=0.0, right=0.0) for own in knots])
    grown = np.pad(np.cumsum((rates[:, 1:] + rates[:, :-1]) * np.diff(x) / 2, axis=1), ((0, 0), (1, 0)))
    edges = np.interp(np.linspace(0, grown[0, -1], len(ZONES) + 1), grown[0], x)
    inside = np.diff([np.interp(edges, x, each) for each in grown[1:]])
    amounts = np.column_stack((inside, inside.sum(axis=1)))
    total = amounts.sum(axis=0)
    return dict(zip((part.name for part in parts), 100.0 * amounts / np.where(total > 0, total, np.nan), strict=True))
