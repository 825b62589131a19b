"""Bulk density: from a filled container, against what the product usually has, and what a wrong entry does to the rate.

The published lists of bulk densities call themselves ballpark figures and disagree, so only the range that they span
together is used, and only for a product named as in the list.
"""

from __future__ import annotations

from dataclasses import dataclass

from spreadcheck.doubts.doubt import Doubt, Quantity
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import Fault
from spreadcheck.units import LB_FT3_KG_M3, show

CLOSEST_PACKING = 0.74  # share of space that equal spheres can fill at most: pi / sqrt(18), Hales (2005)
UREA_PARTING_KG_M3 = 1100.0  # own rule: between urea's bulk (up to 833) and granule densities (1220 and up)


@dataclass(frozen=True)
class UsualDensity:
    """The bulk densities usual for a product, spanned by two published lists in lb/ft3, in the inside unit."""

    product: str
    words: tuple[str, ...]  # all of one of these are in a product's name
    low_kg_m3: float
    high_kg_m3: float


def _usual(product: str, words: tuple[str, ...], low_lb_ft3: float, high_lb_ft3: float) -> UsualDensity:
    return UsualDensity(product, words, low_lb_ft3 * LB_FT3_KG_M3, high_lb_ft3 * LB_FT3_KG_M3)


# An industry sheet ("ballpark" figures, undated), read; widened by a second list on the web, as reported.
DENSITIES_SOURCE = "span of two published lists of ballpark figures"
DENSITIES: tuple[UsualDensity, ...] = (
    _usual("granular urea", ("urea",), 44, 52),
    _usual("ammonium nitrate", ("ammonium nitrate",), 45, 62),
    _usual("diammonium phosphate (DAP)", ("diammonium phosphate", "dap"), 55, 60),
    _usual("monoammonium phosphate (MAP)", ("monoammonium phosphate", "map"), 60, 65),
    _usual("triple superphosphate (TSP)", ("triple superphosphate", "tsp"), 65, 75),
    _usual("potassium chloride", ("potassium chloride", "muriate of potash", "mop"), 58, 70),
    _usual("potassium magnesium sulphate", ("magnesium sulphate", "magnesium sulfate"), 90, 98),
    _usual("ammonium sulphate", ("ammonium sulphate", "ammonium sulfate"), 47, 66),
)
MIXTURES = ("blend", "mix", "coated", "+", "/", "magnesium sulphate ammonium", "nitrate sulphate", "uan")


def bulk_density(*, mass_kg: float, volume_l: float) -> float:
    """Bulk density of a product from one filled container, struck off level and not tamped."""
    return 1000.0 * mass_kg / volume_l


def entry_error_pct(*, entered_kg_m3: float, true_kg_m3: float) -> float:
    """The rate error that a wrong density entry causes on a spreader that meters by volume.

    The controller opens for the volume that the target mass would have at the density entered, so the mass that comes
    out is the target x true / entered: an entry too high puts on too little, an entry too low too much.
    """
    return 100.0 * (true_kg_m3 - entered_kg_m3) / entered_kg_m3


def usual_density(product: str) -> UsualDensity | None:
    """The usual bulk density of a product named plainly, or None."""
    name = " ".join(product.casefold().split())
    if any(word in name for word in MIXTURES):
        return None
    words = set(name.replace(",", " ").split())
    found = [usual for usual in DENSITIES if any(_named(word, name, words) for word in usual.words)]
    return found[0] if len(found) == 1 else None


def _named(word: str, name: str, words: set[str]) -> bool:
    return word in name if " " in word else word in words


def density_faults(product: str, bulk_kg_m3: float | None, granule_kg_m3: float | None) -> tuple[Fault, ...]:
    """What can't be: the density of the granules given for that of the heap, or the other way round."""
    usual = usual_density(product)
    urea = usual is not None and usual.product == "granular urea"
    found = []
    if urea and bulk_kg_m3 is not None and bulk_kg_m3 > UREA_PARTING_KG_M3:
        found.append(
            Fault(
                "bulk density",
                f"{show(bulk_kg_m3, 'density')} is the density of urea granules, not of a heap of them",
                "fill a container level, weigh it, and give that",
            )
        )
    if urea and granule_kg_m3 is not None and granule_kg_m3 < UREA_PARTING_KG_M3:
        found.append(
            Fault(
                "granule density",
                f"{show(granule_kg_m3, 'density')} is the bulk density of urea, not that of a granule",
                "give the density of the granule itself, or leave it out",
            )
        )
    if not found and bulk_kg_m3 is not None and granule_kg_m3 is not None and bulk_kg_m3 >= granule_kg_m3:
        found.append(
            Fault(
                "bulk density",
                f"{show(bulk_kg_m3, 'density')} is not below the granule density {show(granule_kg_m3, 'density')}",
                "a heap holds air between its granules; check whether the two were swapped",
            )
        )
    return tuple(found)


def density_doubts(product: str, bulk_kg_m3: float, granule_kg_m3: float | None = None) -> tuple[Doubt, ...]:
    """What is doubtful about a bulk density."""
    found = []
    usual = usual_density(product)
    if usual is not None and not usual.low_kg_m3 <= bulk_kg_m3 <= usual.high_kg_m3:
        found.append(
            doubt(
                "unusual-density",
                bulk=Quantity(bulk_kg_m3, "density"),
                low=Quantity(usual.low_kg_m3, "density"),
                high=Quantity(usual.high_kg_m3, "density"),
                product=usual.product,
                source=DENSITIES_SOURCE,
            )
        )
    if granule_kg_m3 is not None and CLOSEST_PACKING * granule_kg_m3 < bulk_kg_m3 < granule_kg_m3:
        found.append(doubt("heap-too-dense", share=100 * bulk_kg_m3 / granule_kg_m3))
    return tuple(found)
