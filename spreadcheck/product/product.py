"""A product's properties from its readings: size, density, strength; of a blend its weakest part and segregation."""

from __future__ import annotations

import math
from dataclasses import replace

from spreadcheck.doubts.doubt import Doubt, Quantity
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import Fault, QuantityError, record
from spreadcheck.limits import LIMITS
from spreadcheck.product.readings import CONFIDENCE_PCT, Readings, Scatter, half_width, readings_needed, scatter_of
from spreadcheck.product.size import Blend, Difference, SizeFigures, blend_of, pair_differences, size_figures
from spreadcheck.sheet.labels import LABELS
from spreadcheck.sheet.plausible import CLOSEST_PACKING, DENSITIES_SOURCE, density_faults, usual_density
from spreadcheck.sheet.traytest import FormRow, form_row
from spreadcheck.units import KINDS

GIVEN, COMPONENTS = "given", "mean of the components"


@record
class BlenderCheck:
    """One figure of the European blenders' handbook, and whether what it asks for is met; None if not known."""

    what: str
    value: float
    unit: str
    asked: str
    met: bool | None


@record
class Product:
    """A product's properties; a figure that was not read is NaN. `sizes` holds SGN by how it was read, best first."""

    name: str
    sizes: dict[str, Scatter]
    size_figures: SizeFigures | None
    size_guide_number: float
    uniformity_index: float
    bulk: Scatter
    granule: Scatter
    entered_kg_m3: float
    entry_error_pct: float  # of the rate by a wrong density entry, on a spreader that meters by volume
    strength: Scatter
    confidence_pct: float
    half_width_n: float  # how far the mean strength may be off
    wanted_n: float  # how far it may be
    needed: int | None  # readings that it takes for that; None if a single one says nothing
    deciding_strength_n: float  # limits the spinner speed: the weakest component's, else the mean of the readings
    blend: Blend | None
    differences: tuple[Difference, ...]
    totals_pct: tuple[float, ...]  # what shares added up to, where that is not 100
    doubts: tuple[Doubt, ...]

    @property
    def readings(self) -> dict[str, float]:
        """What is known of the product, by the label of the form, in the units used inside."""
        found = {
            "bulk density": self.bulk.mean,
            "granule density": self.granule.mean,
            "crush strength": self.deciding_strength_n,
            "size guide number": self.size_guide_number,
            "uniformity index": self.uniformity_index,
        }
        return {label: value for label, value in found.items() if not math.isnan(value)}


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
    half_width_pct, half_width_n : float or None
        Half-width wanted of the mean crush strength, in % of it or as a force; 10 % if neither is given. [%, N]
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
    bulk, granule, strength = map(scatter_of, (readings.bulk_kg_m3, readings.granule_kg_m3, readings.strength_n))
    faults = density_faults(readings.name, bulk.mean, granule.mean)
    for part in readings.components:
        faults += density_faults(part.name, part.bulk_kg_m3, part.granule_kg_m3, place=part.name)
    if len(readings.entered_kg_m3) > 1:
        faults += (Fault("density entered", "there are several", "give the one on the rate controller"),)
    if faults:
        raise QuantityError(*faults)
    blend = blend_of(readings.components, rescale=rescale) if readings.components else None
    figures = size_figures(readings.curves) if readings.curves else None
    mixed = blend.mean("size_guide_number") if blend else math.nan
    read = {  # a size number is mm x 100
        "sieve stack": [100.0 * size for x in readings.curves if not math.isnan(size := x.size_at(50))],
        "sieve box": [number for number, _ in readings.boxes],
        GIVEN: readings.size_guide_numbers,
        COMPONENTS: [] if math.isnan(mixed) else [mixed],
    }
    sizes = {way: scatter_of(numbers) for way, numbers in read.items() if numbers}
    entered = readings.entered_kg_m3[0] if readings.entered_kg_m3 else math.nan
    uniformity = figures.uniformity_index if figures else math.nan
    weakest = blend.weakest if blend else None
    wanted_n = half_width_n if half_width_n is not None else strength.mean * (half_width_pct or 10.0) / 100
    needed = None
    if strength.count > 1:
        needed = readings_needed(strength.sd, wanted_n, confidence_pct=confidence_pct)
    totals = [total for _, total in readings.boxes] + [curve.total_pct for curve in readings.curves]
    totals += [blend.total_pct] if blend else []
    product = Product(
        name=readings.name,
        sizes=sizes,
        size_figures=figures,
        size_guide_number=next((scatter.mean for scatter in sizes.values()), math.nan),
        uniformity_index=scatter_of(readings.uniformity_indices).mean if math.isnan(uniformity) else uniformity,
        bulk=bulk,
        granule=granule,
        entered_kg_m3=entered,
        # the controller opens for the volume that the target mass has at the density entered: target x true / entered
        entry_error_pct=100.0 * (bulk.mean - entered) / entered,
        strength=strength,
        confidence_pct=confidence_pct,
        half_width_n=half_width(strength.sd, strength.count, confidence_pct=confidence_pct),
        wanted_n=wanted_n,
        needed=needed,
        deciding_strength_n=weakest.strength_n if weakest else math.nan if blend else strength.mean,
        blend=blend,
        differences=pair_differences(blend) if blend else (),
        totals_pct=tuple(total for total in totals if round(total, 6) != 100),
        doubts=(),
    )
    return replace(product, doubts=tuple(_doubts(product, readings)))


def blender_checks(figures: SizeFigures) -> tuple[BlenderCheck, ...]:
    """The size of a product against the European blenders' handbook (3rd ed., 2016)."""
    found = []
    for what, value, unit, low, high in (
        ("spread index (GSI)", figures.spread_index_pct, "%", "", "spread index"),
        ("median d50", figures.d50_mm, "mm", "median low", "median high"),
        ("below 1 mm", figures.below_1_mm_pct, "%", "", "fines"),
        ("2.5 to 4 mm", figures.main_range_pct, "%", "main range low", "main range high"),
        ("above 5 mm", figures.above_5_mm_pct, "%", "", "coarse"),
    ):
        most, least = LIMITS[high].value, LIMITS[low].value if low else 0.0
        strict = high == "spread index"
        asked = f"{f'{least:g} to' if low else 'below' if strict else 'up to'} {most:g}"
        met = least <= value < most if strict else least <= value <= most
        found.append(BlenderCheck(what, value, unit, asked, None if math.isnan(value) else met))
    return tuple(found)


def _doubts(product: Product, readings: Readings) -> list[Doubt]:
    """What speaks against the size, the strength and the density read; nothing is said of what is NaN."""
    found = []
    smallest, largest = LIMITS["size number low"].value, LIMITS["size number high"].value
    for way, scatter in product.sizes.items():
        if not smallest <= scatter.mean <= largest:
            size = Quantity(scatter.mean / 100, "granule size")
            found.append(doubt("unusual-size", number=scatter.mean, way=way, size=size))
    if product.size_figures and any(map(math.isnan, vars(product.size_figures).values())):
        found.append(doubt("open-sieve-curve"))
    for curve in readings.curves:
        if abs(curve.loss_pct) > LIMITS["sieve loss"].value:
            change = "less" if curve.loss_pct > 0 else "more"
            found.append(doubt("sieve-loss", loss=abs(curve.loss_pct), change=change))
    weakest, count = product.blend and product.blend.weakest, product.strength.count
    if product.deciding_strength_n < LIMITS["strength enough"].value:
        whose = f'the weakest component, "{weakest.name}", has' if weakest else "the product has"
        found.append(doubt("weak-granules", whose=whose, strength=Quantity(product.deciding_strength_n, "force")))
    if 0 < count < LIMITS["strength readings"].value:
        found.append(doubt("few-strength-readings", granules=f"{count} granule{'s were' if count > 1 else ' was'}"))
    if product.blend and not weakest:
        found.append(doubt("strength-unknown"))
    bulk, granule, usual = product.bulk.mean, product.granule.mean, usual_density(product.name)
    if usual and (bulk < usual.low_kg_m3 or bulk > usual.high_kg_m3):
        low, high, seen = (Quantity(x, "density") for x in (usual.low_kg_m3, usual.high_kg_m3, bulk))
        name, source = usual.product, DENSITIES_SOURCE
        found.append(doubt("unusual-density", bulk=seen, low=low, high=high, product=name, source=source))
    if CLOSEST_PACKING * granule < bulk:
        found.append(doubt("heap-too-dense", share=100 * bulk / granule))
    return found


def form_rows(product: Product, system: str = "metric") -> tuple[FormRow, ...]:
    """The rows that the form of a tray sheet takes, rounded as they are shown.

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
    rows = [FormRow("product", product.name)] if product.name else []
    for label, value in product.readings.items():
        kind = LABELS[label].kind
        rows.append(form_row(label, kind, value, system) if kind in KINDS else FormRow(label, f"{value:.0f}"))
    return tuple(rows)
