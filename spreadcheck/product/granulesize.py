"""The size of a product's granules over all its sieve stacks, held against what European blenders ask for."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from spreadcheck.doubts.doubt import Doubt, Quantity
from spreadcheck.doubts.register import doubt
from spreadcheck.limits import LIMITS
from spreadcheck.product.scatter import Scatter
from spreadcheck.product.sieve import SieveCurve, diameter_mm, share_between, size_at, spread_index, uniformity_index


@dataclass(frozen=True)
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


@dataclass(frozen=True)
class BlenderCheck:
    """One figure of the European blenders' handbook: its value, the unit, what is asked for, and whether it is met."""

    what: str
    value: float | None
    unit: str
    asked: str
    met: bool | None


def size_figures(curves: Sequence[SieveCurve]) -> SizeFigures:
    """Figures read off one or more sieve curves of a product, each the mean over the curves that show it."""

    def mean(figure: Callable[[SieveCurve], float | None]) -> float | None:
        known = [value for curve in curves if (value := figure(curve)) is not None]
        return statistics.fmean(known) if known else None

    return SizeFigures(
        d16_mm=mean(lambda curve: size_at(curve, 16)),
        d50_mm=mean(lambda curve: size_at(curve, 50)),
        d84_mm=mean(lambda curve: size_at(curve, 84)),
        uniformity_index=mean(uniformity_index),
        spread_index_pct=mean(spread_index),
        below_1_mm_pct=mean(lambda curve: share_between(curve, 0, 1)),
        main_range_pct=mean(lambda curve: share_between(curve, 2.5, 4)),
        above_5_mm_pct=mean(lambda curve: share_between(curve, 5)),
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


def size_doubts(
    sizes: Mapping[str, Scatter], figures: SizeFigures | None, curves: Sequence[SieveCurve]
) -> tuple[Doubt, ...]:
    """What is doubtful about the size of a product."""
    found = []
    low, high = LIMITS["size number low"].value, LIMITS["size number high"].value
    for way, scatter in sizes.items():
        if not low <= scatter.mean <= high:
            size = Quantity(diameter_mm(scatter.mean), "granule size")
            found.append(doubt("unusual-size", number=scatter.mean, way=way, size=size))
    if figures is not None and None in vars(figures).values():
        found.append(doubt("open-sieve-curve"))
    for curve in curves:
        if curve.loss_pct is not None and abs(curve.loss_pct) > LIMITS["sieve loss"].value:
            change = "less" if curve.loss_pct > 0 else "more"
            found.append(doubt("sieve-loss", loss=abs(curve.loss_pct), change=change))
    return tuple(found)
