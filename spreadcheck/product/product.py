"""A product's properties from its readings: size, density, strength; of a blend its weakest part and segregation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from spreadcheck.doubts.doubt import Doubt, Quantity
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import Fault, QuantityError
from spreadcheck.limits import LIMITS
from spreadcheck.product import segregation
from spreadcheck.product.density import density_doubts, density_faults, entry_error_pct
from spreadcheck.product.granulesize import SizeFigures, size_doubts, size_figures
from spreadcheck.product.productfile import Readings
from spreadcheck.product.scatter import CONFIDENCE_PCT, Scatter, half_width, readings_needed, scatter_of
from spreadcheck.product.segregation import Blend, Component, Difference, blend_of, pair_differences
from spreadcheck.product.sieve import size_guide_number
from spreadcheck.sheet.traytest import FormRow, form_row

SIEVE_STACK, SIEVE_BOX, GIVEN = "sieve stack", "sieve box", "given"
HALF_WIDTH_PCT = 10.0


@dataclass(frozen=True)
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


@dataclass(frozen=True)
class Product:
    """A product's properties; what was not read is None or empty. `sizes` holds SGN by how it was read, best first."""

    name: str
    sizes: dict[str, Scatter]
    size_figures: SizeFigures | None
    uniformity: Scatter | None
    bulk: Scatter | None
    granule: Scatter | None
    entered_kg_m3: float | None
    entry_error_pct: float | None
    strength: StrengthFigures | None
    blend: Blend | None
    differences: tuple[Difference, ...]
    totals_pct: tuple[float, ...]  # what shares added up to, where that is not 100
    doubts: tuple[Doubt, ...]

    @property
    def size_guide_number(self) -> float | None:
        """SGN by the best way it was read: sieve stack, sieve box, given."""
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
        return None if self.uniformity is None else self.uniformity.mean

    @property
    def weakest(self) -> Component | None:
        """The component of a blend that limits the spinner speed."""
        return None if self.blend is None else segregation.weakest(self.blend)

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
    if len(readings.entered_kg_m3) > 1:
        faults += (Fault("density entered", "there are several", "give the one on the rate controller"),)
    if faults:
        raise QuantityError(*faults)
    blend = blend_of(readings.components, rescale=rescale) if readings.components else None
    entered = readings.entered_kg_m3[0] if readings.entered_kg_m3 else None
    error = None
    if bulk is not None and entered is not None:
        error = entry_error_pct(entered_kg_m3=entered, true_kg_m3=bulk.mean)
    product = Product(
        name=readings.name,
        sizes=_sizes(readings),
        size_figures=size_figures(readings.curves) if readings.curves else None,
        uniformity=_scatter(readings.uniformity_indices),
        bulk=bulk,
        granule=granule,
        entered_kg_m3=entered,
        entry_error_pct=error,
        strength=_strength(readings.strength_n, confidence_pct, half_width_pct, half_width_n),
        blend=blend,
        differences=pair_differences(blend) if blend else (),
        totals_pct=_totals(readings, blend),
        doubts=(),
    )
    return _with_doubts(product, readings)


def _scatter(values: Sequence[float]) -> Scatter | None:
    return scatter_of(values) if values else None


def _mean(scatter: Scatter | None) -> float | None:
    return None if scatter is None else scatter.mean


def _sizes(readings: Readings) -> dict[str, Scatter]:
    stacks = [number for curve in readings.curves if (number := size_guide_number(curve)) is not None]
    read = {
        SIEVE_STACK: stacks,
        SIEVE_BOX: [box.size_guide_number for box in readings.boxes],
        GIVEN: readings.size_guide_numbers,
    }
    return {way: scatter_of(numbers) for way, numbers in read.items() if numbers}


def _strength(
    readings_n: Sequence[float], confidence_pct: float, wanted_pct: float | None, wanted_n: float | None
) -> StrengthFigures | None:
    if not readings_n:
        return None
    scatter = scatter_of(readings_n)
    wanted = wanted_n if wanted_n is not None else scatter.mean * (wanted_pct or HALF_WIDTH_PCT) / 100
    width = half_width(scatter, confidence_pct=confidence_pct)
    needed = readings_needed(scatter.sd, wanted, confidence_pct=confidence_pct) if scatter.count > 1 else None
    return StrengthFigures(scatter, confidence_pct, width, wanted, needed)


def _totals(readings: Readings, blend: Blend | None) -> tuple[float, ...]:
    totals = [box.total_pct for box in readings.boxes] + [curve.total_pct for curve in readings.curves]
    totals += [blend.total_pct] if blend else []
    return tuple(total for total in totals if round(total, 6) != 100)


def _with_doubts(product: Product, readings: Readings) -> Product:
    found = [*size_doubts(product.sizes, product.size_figures, readings.curves), *_strength_doubts(product)]
    if product.bulk is not None:
        found += density_doubts(product.name, product.bulk.mean, _mean(product.granule))
    return replace(product, doubts=tuple(found))


def _strength_doubts(product: Product) -> list[Doubt]:
    found = []
    enough = LIMITS["strength enough"]
    deciding = product.deciding_strength_n
    if deciding is not None and deciding < enough.value:
        whose = f'the weakest component, "{product.weakest.name}", has' if product.weakest else "the product has"
        found.append(doubt("weak-granules", whose=whose, strength=Quantity(deciding, "force")))
    usual = LIMITS["strength readings"]
    if product.strength is not None and product.strength.scatter.count < usual.value:
        count = product.strength.scatter.count
        found.append(
            doubt("few-strength-readings", granules="1 granule was" if count == 1 else f"{count} granules were")
        )
    if product.blend is not None and product.weakest is None:
        found.append(doubt("strength-unknown"))
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
    rows = [FormRow("product", product.name)] if product.name else []
    quantities = (
        ("bulk density", "density", _mean(product.bulk)),
        ("granule density", "density", _mean(product.granule)),
        ("crush strength", "force", product.deciding_strength_n),
    )
    for label, kind, value in quantities:
        if value is not None:
            rows.append(form_row(label, kind, value, system))
    numbers = (
        ("size guide number", product.size_guide_number),
        ("uniformity index", product.uniformity_index),
    )
    rows += [FormRow(label, f"{number:.0f}") for label, number in numbers if number is not None]
    return tuple(rows)
