"""A blend: its weakest component, the means over its mass, and how far its components may part.

Size decides most about segregation, before density and shape (European blenders' handbook, 3rd ed., 2016). Differences
are in % of the mean of the two. The bands "below 10 %: low, up to 20 %: caution, above: high" for SGN and UI are North
American blenders' practice, cited from memory. Flight compares size x density: air slows a granule in proportion to
1 / (size x density) (drag on a sphere), so granules alike in it fly alike; no published band is known for it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

from spreadcheck.errors import Fault, QuantityError, record, shown
from spreadcheck.limits import LIMITS

LOW, CAUTION, HIGH = "low", "caution", "high"
RISKS = (LOW, CAUTION, HIGH)
ROUNDING_PCT = 0.05  # what rounding to 0.1 % can add to or take from one share


@record
class Component:
    """One component of a blend; a property that is not known is None. Densities in kg/m3, strength in N."""

    name: str
    share_pct: float
    size_guide_number: float | None = None
    uniformity_index: float | None = None
    bulk_kg_m3: float | None = None
    granule_kg_m3: float | None = None
    strength_n: float | None = None


@record
class Blend:
    """Components in the order given; shares divided by their total, which was `total_pct`."""

    components: tuple[Component, ...]
    total_pct: float


@record
class Difference:
    """How two components differ, in % of their mean; None where a property of one is not known.

    `flight_by_bulk` says that bulk densities had to stand in for the granules' own.
    """

    first: str
    second: str
    size_pct: float | None
    uniformity_pct: float | None
    flight_pct: float | None
    flight_by_bulk: bool

    @property
    def risk(self) -> str | None:
        """The worse of the risks by SGN and UI; None where neither is known."""
        risks = [risk_of(value) for value in (self.size_pct, self.uniformity_pct) if value is not None]
        return max(risks, key=RISKS.index, default=None)


def check_total(shares_pct: Sequence[float], *, what: str, place: str = "", rescale: bool = False) -> float:
    """The total of shares that must add up to 100, apart from what rounding each to 0.1 can do."""
    total = sum(shares_pct)
    off = round(total - 100, 9)
    if total <= 0:
        raise QuantityError(Fault(place, f"the {what} are all 0", "write what was read"))
    if abs(off) > ROUNDING_PCT * len(shares_pct) and not rescale:
        amount = f"{abs(off):g} % too {'much' if off > 0 else 'little'}"
        problem = f"the {what} add up to {round(total, 9):g} %, {amount}"
        raise QuantityError(Fault(place, problem, "check them, or add --rescale to divide by their total"))
    return total


def blend_of(components: Sequence[Component], *, rescale: bool = False, place: str = "") -> Blend:
    """A blend from its components."""
    names = [component.name.casefold() for component in components]
    if len(names) < 2:
        raise QuantityError(Fault(place, "a blend has two components or more", "give every component"))
    if len(set(names)) < len(names):
        twice = next(component.name for component in components if names.count(component.name.casefold()) > 1)
        raise QuantityError(Fault(place, f'the component "{shown(twice)}" is there twice', "give each one once"))
    shares = [component.share_pct for component in components]
    return Blend(tuple(components), check_total(shares, what="component shares", place=place, rescale=rescale))


def weakest(blend: Blend) -> Component | None:
    """The component with the lowest crush strength, which limits the spinner speed (common practice)."""
    strengths = [component.strength_n for component in blend.components]
    if any(strength is None for strength in strengths):
        return None
    return min(blend.components, key=lambda component: component.strength_n or 0.0)


def mass_weighted_mean(blend: Blend, value: Callable[[Component], float | None]) -> float | None:
    """Mean of a property over the mass of the blend."""
    total = 0.0
    for component in blend.components:
        known = value(component)
        if known is None:
            return None
        total += component.share_pct * known
    return total / blend.total_pct


def risk_of(difference_pct: float) -> str:
    """The risk of segregation by a difference in SGN or UI."""
    if difference_pct < LIMITS["segregation low"].value:
        return LOW
    return CAUTION if difference_pct <= LIMITS["segregation caution"].value else HIGH


def pair_differences(blend: Blend) -> tuple[Difference, ...]:
    """How each pair of components differs, worst in size first."""
    found = [_difference(first, second) for first, second in itertools.combinations(blend.components, 2)]
    return tuple(sorted(found, key=lambda pair: -(pair.size_pct or 0.0)))


def _difference(first: Component, second: Component) -> Difference:
    both_granule = first.granule_kg_m3 is not None and second.granule_kg_m3 is not None
    return Difference(
        first.name,
        second.name,
        _apart(first.size_guide_number, second.size_guide_number),
        _apart(first.uniformity_index, second.uniformity_index),
        _apart(_flight(first, by_bulk=not both_granule), _flight(second, by_bulk=not both_granule)),
        flight_by_bulk=not both_granule,
    )


def _flight(component: Component, *, by_bulk: bool) -> float | None:
    density = component.bulk_kg_m3 if by_bulk else component.granule_kg_m3
    size = component.size_guide_number
    return None if density is None or size is None else size * density


def _apart(first: float | None, second: float | None) -> float | None:
    if first is None or second is None:
        return None
    return 100.0 * abs(first - second) / ((first + second) / 2)
