"""What a product or a machine can be, and the likely slip behind a value that can't: one place for every command.

Bounds are wide: outside them no product that is spread and no disc is known (common practice, but where a source
stands). Inside them nothing is refused here, but for densities that the product named can't have.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from spreadcheck.errors import Fault, QuantityError, record, shown
from spreadcheck.units import (
    KGF_N,
    KINDS,
    LB_FT3_KG_M3,
    from_inside,
    parse_number,
    parse_quantity,
    show,
    split_quantity,
    to_inside,
    unit_named,
)

CLOSEST_PACKING = 0.74  # share of space that equal spheres can fill at most: pi / sqrt(18), Hales (2005)
DENSITIES_SOURCE = "span of two published lists of ballpark figures"
_DENSER = 1.03  # a granule as read over its solid: a pycnometer's own error, and traces of heavier salts
_LIGHTER = 0.9  # a granule over the lightest published one
_UNITS_APART = 6.0  # readings of one product differ less than this; N and kgf differ by 9.8
_DECIMAL = (0.1, 10.0)  # a decimal point that slipped


@record
class Bounds:
    """What a value can be, and what it usually is, in the unit inside: a slip is one that leads to a usual value."""

    kind: str
    low: float
    high: float
    usual: tuple[float, float]


BOUNDS = {
    # 0.705 (urea, 44 lb/ft3) to 1.570 kg/L (potassium magnesium sulphate, 98 lb/ft3), organic pellets below and
    # limestone beside that
    "bulk density": Bounds("density", 300, 2000, (500, 1700)),
    # 1220 (urea) to 2830 kg/m3 (solid langbeinite)
    "granule density": Bounds("density", 800, 4000, (1200, 3000)),
    # granules of 0.8 mm to 6 mm are spread (see the limits of the size number)
    "size guide number": Bounds("number", 40, 1500, (80, 600)),
    "granule size": Bounds("granule size", 0.05, 25, (0.8, 6)),
    # component means of 1.89 to 9.20 kgf (European blenders' page); finger and thumb crush below 1 kgf (memory)
    "crush strength": Bounds("force", 0.5 * KGF_N, 20 * KGF_N, (KGF_N, 12 * KGF_N)),
    "uniformity index": Bounds("number", 1, 100, (20, 90)),
    # a spreader is driven from a slow walk, 3 km/h, to 30 km/h on wide tyres
    "travel speed": Bounds("speed", 0.01, 30, (3 / 3.6, 30 / 3.6)),
    # one turn of a disc takes 0.02 to 0.6 s
    "spinner speed": Bounds("turning speed", 100, 3000, (300, 1500)),
    "highest spinner speed": Bounds("turning speed", 100, 3000, (300, 1500)),
}
ONE_GRANULE_N = 1.0  # a single granule of a mean may be weaker than a product
_SIZES = (("mm", 100.0), ("um", 0.1))  # how else a size is written, and the factor to a size number


def slip(label: str, number: float, unit: str = "") -> str:
    """What was probably meant by a value out of its bounds, as a question; "" where nothing usual comes of it."""
    known = BOUNDS.get(label)
    if known is None:
        return ""
    low, high = known.usual
    if label == "granule size" and low <= number / 100 <= high:
        return f"was the size number {number:g} meant, which is {number / 100:g} mm?"
    if label == "granule density" and BOUNDS["bulk density"].low <= to_inside(number, unit, known.kind) < known.low:
        return "is that the density of a heap?"
    if known.kind not in KINDS:
        for what, factor in _SIZES if label == "size guide number" else ():
            if low <= number * factor <= high:
                return f"was {number:g} {what} meant, which is {number * factor:.4g}?"
        meant = [f"{number * factor:.4g}" for factor in (*_DECIMAL, 100.0) if low <= number * factor <= high]
        return f"was {meant[0]} meant?" if meant else ""
    seen: set[float] = set()
    meant = []
    for other, factor in KINDS[known.kind].factors.items():
        if other != unit and factor not in seen and low <= number * factor <= high:
            meant.append(f"{number:g} {other}")
            seen.add(factor)
    if not meant and unit:
        moved = [number * factor for factor in _DECIMAL]
        meant = [f"{n:.4g} {unit}" for n in moved if low <= to_inside(n, unit, known.kind) <= high]
    return f"was {' or '.join(meant[:2])} meant?" if meant else ""


def check(
    label: str, number: float, unit: str = "", *, place: str = "", low: float | None = None, written: str = ""
) -> float:
    """A value in its unit, turned to the unit inside; one that can't be is named with the likely slip."""
    known = BOUNDS[label]
    quantity = known.kind in KINDS
    name = unit or (KINDS[known.kind].inside if quantity else "")
    inside = to_inside(number, name, known.kind) if quantity else number
    least = known.low if low is None else low
    if least * (1 - 1e-9) <= inside <= known.high * (1 + 1e-9):
        return inside
    ends = [f"{from_inside(end, name, known.kind) if quantity else end:.4g}" for end in (least, known.high)]
    between = f"must lie between {ends[0]} and {ends[1]} {name}".rstrip()
    said = slip(label, number, name)
    article = "an" if label[0] in "aeio" else "a"
    problem = f"{shown(written) or f'{number:g} {name}'.rstrip()} can't be {article} {label}"
    raise QuantityError(Fault(place, problem, f"{said} It {between}" if said else f"it {between}"))


def check_quantity(label: str, text: str, *, place: str = "", low: float | None = None) -> float:
    """A quantity as people write it, checked as `check` does, and turned to the unit inside."""
    kind = BOUNDS[label].kind
    parse_quantity(text, kind, place=place)  # says what is wrong with number or unit
    number, unit = split_quantity(text)
    value, named = parse_number(number, decimal_comma=True) or 0.0, unit_named(unit, kind) or ""
    return check(label, value, named, place=place, low=low, written=text)


def require_between(name: str, value: float, low: float, high: float, unit: str) -> float:
    """A value between bounds, both allowed, unchanged; anything else is said plainly."""
    if not low <= value <= high:
        behind = f" {unit}" if unit else ""
        remedy = f"it must lie between {low:g} and {high:g}{behind}"
        raise QuantityError(Fault(name, f"{value:g}{behind} can't be right", remedy))
    return value


def check_alike(label: str, readings: Sequence[float], *, place: str = "") -> None:
    """Refuse readings of one product that are as far apart as two units of it: N among kgf."""
    kind = KINDS[BOUNDS[label].kind]
    apart = max(readings) / min(readings)
    pairs = [
        (large, small)
        for large, big in kind.factors.items()
        for small, little in kind.factors.items()
        if big / little >= _UNITS_APART and 0.75 <= apart / (big / little) <= 1.25
    ]
    if pairs:
        low, high = (show(value, kind.name) for value in (min(readings), max(readings)))
        problem = f"the readings of the {label} lie from {low} to {high}, {apart:.0f} times apart"
        raise QuantityError(Fault(place, problem, f"were {pairs[0][0]} and {pairs[0][1]} mixed?"))


@record
class UsualDensity:
    """Densities of a product: usual in bulk, of the solid without pores, and the lightest granule published. kg/m3."""

    product: str
    words: tuple[str, ...]  # its names
    low_kg_m3: float
    high_kg_m3: float
    solid_kg_m3: float
    granule_kg_m3: float | None


# In bulk, lb/ft3: an industry sheet (undated), widened by a second list on the web. Solids, kg/m3: CRC Handbook of
# Chemistry and Physics, five of them read in its table of solids; urea, TSP and langbeinite from memory. Granules,
# kg/m3: a table on the web.
_ROWS: tuple[tuple[str, tuple[str, ...], float, float, float, float | None], ...] = (
    ("granular urea", ("urea",), 44, 52, 1323, 1220),
    ("ammonium nitrate", ("ammonium nitrate",), 45, 62, 1720, 1290),
    ("diammonium phosphate (DAP)", ("diammonium phosphate", "dap"), 55, 60, 1619, None),
    ("monoammonium phosphate (MAP)", ("monoammonium phosphate", "map"), 60, 65, 1800, None),
    ("triple superphosphate (TSP)", ("triple superphosphate", "tsp"), 65, 75, 2220, None),
    ("potassium chloride", ("potassium chloride", "muriate of potash", "mop"), 58, 70, 1988, None),
    ("potassium magnesium sulphate", ("potassium magnesium sulphate", "langbeinite"), 90, 98, 2830, None),
    ("ammonium sulphate", ("ammonium sulphate",), 47, 66, 1770, None),
)
DENSITIES = tuple(
    UsualDensity(product, words, low * LB_FT3_KG_M3, high * LB_FT3_KG_M3, solid, granule)
    for product, words, low, high, solid, granule in _ROWS
)
# Words that say how a product looks or is graded, not what else is in it. Any other word makes it another product:
# calcium ammonium nitrate and urea phosphate are no ammonium nitrate and no urea.
_HARMLESS = re.compile(
    "granul(ar|ated|es?)|prill(s|ed)?|coarse|fine|standard|grade|fertili[sz]er|solid|dry|white|red|pink|mm|n|p|k|p2o5|k2o"
    "|invented|example|sample"
)


def usual_density(product: str) -> UsualDensity | None:
    """The densities of a product by its full name, harmless words and numbers aside, or None."""
    name = product.casefold().replace("sulfate", "sulphate")
    words = [word for word in re.findall(r"[^\W\d_]\w*|[+/&]", name) if not _HARMLESS.fullmatch(word)]
    left, found = f" {' '.join(words)} ", []
    for usual in DENSITIES:
        for known in usual.words:
            if f" {known} " in left:
                left = left.replace(f" {known} ", " ")
                found.append(usual)
    return found[0] if found and not left.strip() and all(each is found[0] for each in found) else None


def density_faults(
    product: str, bulk_kg_m3: float | None, granule_kg_m3: float | None, *, place: str = ""
) -> tuple[Fault, ...]:
    """What can't be: the density of the granules given for that of the heap, or the other way round."""
    usual = usual_density(product)
    bulk, granule = ("-" if value is None else show(value, "density") for value in (bulk_kg_m3, granule_kg_m3))
    found = []
    if usual is not None:
        solid = show(usual.solid_kg_m3, "density")
        lightest = usual.high_kg_m3 if usual.granule_kg_m3 is None else _LIGHTER * usual.granule_kg_m3
        if bulk_kg_m3 is not None and bulk_kg_m3 > CLOSEST_PACKING * usual.solid_kg_m3:
            problem = f"the bulk density {bulk} can't be that of a heap of {usual.product}, whose solid has {solid}"
            remedy = "it is probably the density of a granule: fill a container level, weigh it, and give that"
            found.append(Fault(place, problem, remedy))
        if granule_kg_m3 is not None and granule_kg_m3 < lightest:
            problem = f"the granule density {granule} is the bulk density of {usual.product}, not that of a granule"
            found.append(Fault(place, problem, "give the density of the granule itself, or leave it out"))
        if granule_kg_m3 is not None and granule_kg_m3 > _DENSER * usual.solid_kg_m3:
            problem = f"the granule density {granule} is above that of solid {usual.product}, {solid}"
            found.append(Fault(place, problem, "check the number, its unit and the name of the product"))
    if not found and bulk_kg_m3 is not None and granule_kg_m3 is not None and bulk_kg_m3 >= granule_kg_m3:
        problem = f"the bulk density {bulk} is not below the granule density {granule}"
        remedy = "a heap holds air between its granules; check whether the two were swapped"
        found.append(Fault(place, problem, remedy))
    return tuple(found)
