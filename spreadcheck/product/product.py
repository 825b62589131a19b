"""A product's properties from its readings: size, density, strength; of a blend its weakest part and segregation."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Sequence
from dataclasses import replace

from spreadcheck.doubts.doubt import Doubt, Quantity
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import Fault, QuantityError, record
from spreadcheck.limits import LIMITS
from spreadcheck.passes.granules import diameter_of_sgn_mm
from spreadcheck.product.readings import (
    CONFIDENCE_PCT,
    Readings,
    Scatter,
    half_width,
    readings_needed,
    scatter_of,
)
from spreadcheck.product.segregation import Blend, Component, Difference, blend_of, pair_differences
from spreadcheck.product.sieve import SieveCurve
from spreadcheck.sheet.plausible import CLOSEST_PACKING, DENSITIES_SOURCE, density_faults, usual_density
from spreadcheck.sheet.traytest import FormRow, form_row

SIEVE_STACK, SIEVE_BOX, GIVEN, COMPONENTS = "sieve stack", "sieve box", "given", "mean of the components"
HALF_WIDTH_PCT = 10.0


@record
class SizeFigures:
    """Figures read off the sieve curves, each the mean over the stacks that show it; None where none does. mm and %."""

    d16_mm: float | None
    d50_mm: float | None
    d84_mm: float | None
    uniformity_index: float | None
    spread_index_pct: float | None
    below_1_mm_pct: float | None
    main_range_pct: float | None
    above_5_mm_pct: float | None


@record
class BlenderCheck:
    """One figure of the European blenders' handbook: its value, the unit, what is asked for, and whether it is met."""

    what: str
    value: float | None
    unit: str
    asked: str
    met: bool | None


@record
class StrengthFigures:
    """Crush strength: its readings, how far their mean may be off, and how many readings bring that down.

    `wanted_n` is the half-width wanted; `needed` is None for a single reading.
    """

    scatter: Scatter
    confidence_pct: float
    half_width_n: float
    wanted_n: float
    needed: int | None

    @property
    def more(self) -> int | None:
        """How many more readings that is."""
        return None if self.needed is None else max(0, self.needed - self.scatter.count)


@record
class Product:
    """A product's properties; what was not read is None or empty. `sizes` holds SGN by how it was read, best first."""

    name: str
    sizes: dict[str, Scatter]
    size_figures: SizeFigures | None
    uniformity: Scatter | None
    bulk: Scatter | None
    granule: Scatter | None
    entered_kg_m3: float | None
    strength: StrengthFigures | None
    blend: Blend | None
    differences: tuple[Difference, ...]
    totals_pct: tuple[float, ...]  # what shares added up to, where that is not 100
    doubts: tuple[Doubt, ...]

    @property
    def size_guide_number(self) -> float | None:
        """SGN by the best way it was read: sieve stack, sieve box, given, components of a blend."""
        return next((scatter.mean for scatter in self.sizes.values()), None)

    @property
    def readings(self) -> dict[str, float | None]:
        """What is known of the product, by the label of the form, in the units used inside."""
        return {
            "size guide number": self.size_guide_number,
            "uniformity index": self.uniformity_index,
            "bulk density": _mean(self.bulk),
            "granule density": _mean(self.granule),
            "crush strength": self.deciding_strength_n,
        }

    @property
    def uniformity_index(self) -> float | None:
        """UI from the sieve stacks, else as given."""
        figures = self.size_figures
        if figures is not None and figures.uniformity_index is not None:
            return figures.uniformity_index
        return _mean(self.uniformity)

    @property
    def entry_error_pct(self) -> float | None:
        """The rate error that a wrong density entry causes on a spreader that meters by volume. [%]

        The controller opens for the volume that the target mass would have at the density entered, so the mass that
        comes out is the target x true / entered: an entry too high puts on too little, one too low too much.
        """
        if self.bulk is None or self.entered_kg_m3 is None:
            return None
        return 100.0 * (self.bulk.mean - self.entered_kg_m3) / self.entered_kg_m3

    @property
    def weakest(self) -> Component | None:
        """The component of a blend that limits the spinner speed."""
        return None if self.blend is None else self.blend.weakest

    @property
    def strength_half_width_n(self) -> float:
        """How far the deciding strength may be off, where that is a mean of readings; NaN of a blend. [N]"""
        return math.nan if self.strength is None or self.blend is not None else self.strength.half_width_n

    @property
    def deciding_strength_n(self) -> float | None:
        """Crush strength that limits the spinner speed: the weakest component's, else the mean of the readings. [N]"""
        if self.blend is not None:
            return None if self.weakest is None else self.weakest.strength_n
        return None if self.strength is None else self.strength.scatter.mean


def product_of(
    readings: Readings,
    *,
    confidence_pct: float = CONFIDENCE_PCT,
    half_width_pct: float | None = None,
    half_width_n: float | None = None,
    rescale: bool = False,
) -> Product:
    """A product's properties from its readings.

    Parameters
    ----------
    readings : Readings
        The readings. [inside units]
    confidence_pct : float
        Confidence for the mean crush strength. [%]
    half_width_pct : float or None
        Half-width wanted of the mean crush strength, in % of it; 10 if neither is given. [%]
    half_width_n : float or None
        The same as a force. [N]
    rescale : bool
        Divide component shares by their total where they don't add up to 100. [-]

    Returns
    -------
    Product
        The properties. [inside units]

    Raises
    ------
    QuantityError
        If a density can't be, several densities are said to be entered, or a blend's shares don't add up to 100.

    Examples
    --------
    >>> product = product_of(Readings("Granular urea", bulk_kg_m3=(770.0, 780.0), entered_kg_m3=(800.0,)))
    >>> product.bulk.mean, product.entry_error_pct
    (775.0, -3.125)
    """
    bulk, granule = _scatter(readings.bulk_kg_m3), _scatter(readings.granule_kg_m3)
    faults = density_faults(readings.name, _mean(bulk), _mean(granule))
    for part in readings.components:
        faults += density_faults(part.name, part.bulk_kg_m3, part.granule_kg_m3, place=part.name)
    if len(readings.entered_kg_m3) > 1:
        faults += (Fault("density entered", "there are several", "give the one on the rate controller"),)
    if faults:
        raise QuantityError(*faults)
    blend = blend_of(readings.components, rescale=rescale) if readings.components else None
    totals = [box.total_pct for box in readings.boxes] + [curve.total_pct for curve in readings.curves]
    totals += [blend.total_pct] if blend else []
    product = Product(
        name=readings.name,
        sizes=_sizes(readings, blend),
        size_figures=size_figures(readings.curves) if readings.curves else None,
        uniformity=_scatter(readings.uniformity_indices),
        bulk=bulk,
        granule=granule,
        entered_kg_m3=readings.entered_kg_m3[0] if readings.entered_kg_m3 else None,
        strength=_strength(readings.strength_n, confidence_pct, half_width_pct, half_width_n),
        blend=blend,
        differences=pair_differences(blend) if blend else (),
        totals_pct=tuple(total for total in totals if round(total, 6) != 100),
        doubts=(),
    )
    return replace(product, doubts=tuple(_doubts(product, readings.curves)))


def _scatter(values: Sequence[float]) -> Scatter | None:
    return scatter_of(values) if values else None


def _mean(scatter: Scatter | None) -> float | None:
    return None if scatter is None else scatter.mean


def _sizes(readings: Readings, blend: Blend | None) -> dict[str, Scatter]:
    """SGN by every way it was read; a blend that was not sieved has the mean of its components over the mass."""
    mixed = blend.mean("size_guide_number") if blend else None
    read: dict[str, Sequence[float]] = {
        SIEVE_STACK: [number for curve in readings.curves if (number := curve.size_guide_number) is not None],
        SIEVE_BOX: [box.size_guide_number for box in readings.boxes],
        GIVEN: readings.size_guide_numbers,
        COMPONENTS: [] if mixed is None else [mixed],
    }
    return {way: scatter_of(numbers) for way, numbers in read.items() if numbers}


def _strength(
    readings_n: Sequence[float], confidence_pct: float, wanted_pct: float | None, wanted_n: float | None
) -> StrengthFigures | None:
    if not readings_n:
        return None
    scatter = scatter_of(readings_n)
    wanted = wanted_n if wanted_n is not None else scatter.mean * (wanted_pct or HALF_WIDTH_PCT) / 100
    width = half_width(scatter.sd, scatter.count, confidence_pct=confidence_pct)
    needed = readings_needed(scatter.sd, wanted, confidence_pct=confidence_pct) if scatter.count > 1 else None
    return StrengthFigures(scatter, confidence_pct, width, wanted, needed)


def size_figures(curves: Sequence[SieveCurve]) -> SizeFigures:
    """Figures read off one or more sieve curves of a product, each the mean over the curves that show it."""

    def mean(figure: Callable[[SieveCurve], float | None]) -> float | None:
        known = [value for curve in curves if (value := figure(curve)) is not None]
        return statistics.fmean(known) if known else None

    return SizeFigures(
        d16_mm=mean(lambda curve: curve.size_at(16)),
        d50_mm=mean(lambda curve: curve.size_at(50)),
        d84_mm=mean(lambda curve: curve.size_at(84)),
        uniformity_index=mean(lambda curve: curve.uniformity_index),
        spread_index_pct=mean(lambda curve: curve.spread_index_pct),
        below_1_mm_pct=mean(lambda curve: curve.share_between(0, 1)),
        main_range_pct=mean(lambda curve: curve.share_between(2.5, 4)),
        above_5_mm_pct=mean(lambda curve: curve.share_between(5)),
    )


def blender_checks(figures: SizeFigures) -> tuple[BlenderCheck, ...]:
    """The size of a product against the European blenders' handbook (3rd ed., 2016)."""
    spread, low, high = (LIMITS[code].value for code in ("spread index", "median low", "median high"))
    fines, coarse = LIMITS["fines"].value, LIMITS["coarse"].value
    least, most = LIMITS["main range low"].value, LIMITS["main range high"].value
    rows: tuple[tuple[str, float | None, str, str, Callable[[float], bool]], ...] = (
        ("spread index (GSI)", figures.spread_index_pct, "%", f"below {spread:g}", lambda x: x < spread),
        ("median d50", figures.d50_mm, "mm", f"{low:g} to {high:g}", lambda x: low <= x <= high),
        ("below 1 mm", figures.below_1_mm_pct, "%", f"up to {fines:g}", lambda x: x <= fines),
        ("2.5 to 4 mm", figures.main_range_pct, "%", f"{least:g} to {most:g}", lambda x: least <= x <= most),
        ("above 5 mm", figures.above_5_mm_pct, "%", f"up to {coarse:g}", lambda x: x <= coarse),
    )
    return tuple(
        BlenderCheck(what, value, unit, asked, None if value is None else met(value))
        for what, value, unit, asked, met in rows
    )


def _doubts(product: Product, curves: Sequence[SieveCurve]) -> list[Doubt]:
    """What speaks against the size, the strength and the density read."""
    found = []
    smallest, largest = LIMITS["size number low"].value, LIMITS["size number high"].value
    for way, scatter in product.sizes.items():
        if not smallest <= scatter.mean <= largest:
            size = Quantity(diameter_of_sgn_mm(scatter.mean), "granule size")
            found.append(doubt("unusual-size", number=scatter.mean, way=way, size=size))
    if product.size_figures is not None and None in vars(product.size_figures).values():
        found.append(doubt("open-sieve-curve"))
    for curve in curves:
        if curve.loss_pct is not None and abs(curve.loss_pct) > LIMITS["sieve loss"].value:
            change = "less" if curve.loss_pct > 0 else "more"
            found.append(doubt("sieve-loss", loss=abs(curve.loss_pct), change=change))
    deciding, strength = product.deciding_strength_n, product.strength
    if deciding is not None and deciding < LIMITS["strength enough"].value:
        whose = f'the weakest component, "{product.weakest.name}", has' if product.weakest else "the product has"
        found.append(doubt("weak-granules", whose=whose, strength=Quantity(deciding, "force")))
    if strength is not None and strength.scatter.count < LIMITS["strength readings"].value:
        count = strength.scatter.count
        found.append(doubt("few-strength-readings", granules=f"{count} granule{'s were' if count > 1 else ' was'}"))
    if product.blend is not None and product.weakest is None:
        found.append(doubt("strength-unknown"))
    bulk, granule, usual = _mean(product.bulk), _mean(product.granule), usual_density(product.name)
    if bulk is not None and usual is not None and not usual.low_kg_m3 <= bulk <= usual.high_kg_m3:
        low, high, seen = (Quantity(x, "density") for x in (usual.low_kg_m3, usual.high_kg_m3, bulk))
        name, source = usual.product, DENSITIES_SOURCE
        found.append(doubt("unusual-density", bulk=seen, low=low, high=high, product=name, source=source))
    if bulk is not None and granule is not None and CLOSEST_PACKING * granule < bulk:
        found.append(doubt("heap-too-dense", share=100 * bulk / granule))
    return found


def form_rows(product: Product, system: str = "metric") -> tuple[FormRow, ...]:
    """The rows that the form of a tray sheet takes, rounded as they are shown.

    The crush strength is the one that limits the spinner speed: of a blend, its weakest component's.

    Parameters
    ----------
    product : Product
        The product. [inside units]
    system : str
        "metric" or "us". [-]

    Returns
    -------
    tuple of FormRow
        The rows. [units in them]

    Examples
    --------
    >>> form_rows(product_of(Readings("Granular urea", bulk_kg_m3=(770.0, 780.0))))[1]
    FormRow(label='bulk density', value='0.775', unit='kg/L')
    """
    known = product.readings
    rows = [FormRow("product", product.name)] if product.name else []
    for label, kind in (("bulk density", "density"), ("granule density", "density"), ("crush strength", "force")):
        if (value := known[label]) is not None:
            rows.append(form_row(label, kind, value, system))
    for label in ("size guide number", "uniformity index"):
        if (value := known[label]) is not None:
            rows.append(FormRow(label, f"{value:.0f}"))
    return tuple(rows)
