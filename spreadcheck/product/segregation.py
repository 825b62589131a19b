"""A blend: its weakest component, the means over its mass, and how far its components may part.

Size decides most about segregation, before density and shape (European blenders' handbook, 3rd ed., 2016). Differences
are in % of the mean of the two. The bands "below 10 %: low, up to 20 %: caution, above: high" for SGN and UI are North
American blenders' practice, cited from memory. Flight compares size x density: air slows a granule in proportion to
1 / (size x density) (drag on a sphere), so granules alike in it fly alike; no published band is known for it.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from spreadcheck.errors import Fault, QuantityError, record, shown
from spreadcheck.limits import LIMITS

RISKS = ("low", "caution", "high")
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

    def flight(self, *, by_bulk: bool) -> float | None:
        """Size x density: what decides how the air slows it."""
        density = self.bulk_kg_m3 if by_bulk else self.granule_kg_m3
        return None if density is None or self.size_guide_number is None else self.size_guide_number * density


@record
class Blend:
    """Components in the order given; shares divided by their total, which was `total_pct`."""

    components: tuple[Component, ...]
    total_pct: float

    @property
    def weakest(self) -> Component | None:
        """The component with the lowest crush strength, which limits the spinner speed (common practice)."""
        known = all(part.strength_n is not None for part in self.components)
        return min(self.components, key=lambda part: part.strength_n or 0.0) if known else None

    def mean(self, name: str) -> float | None:
        """Mean of a property over the mass; None where a component's is not known."""
        values = [getattr(part, name) for part in self.components]
        if None in values:
            return None
        return (
            float(sum(part.share_pct * value for part, value in zip(self.components, values, strict=True)))
            / self.total_pct
        )


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
    twice = [component.name for component in components if names.count(component.name.casefold()) > 1]
    if twice:
        raise QuantityError(Fault(place, f'the component "{shown(twice[0])}" is there twice', "give each one once"))
    shares = [component.share_pct for component in components]
    return Blend(tuple(components), check_total(shares, what="component shares", place=place, rescale=rescale))


def risk_of(difference_pct: float) -> str:
    """The risk of segregation by a difference in SGN or UI."""
    if difference_pct < LIMITS["segregation low"].value:
        return RISKS[0]
    return RISKS[1] if difference_pct <= LIMITS["segregation caution"].value else RISKS[2]


def pair_differences(blend: Blend) -> tuple[Difference, ...]:
    """How each pair of components differs, worst in size first."""

    def apart(first: float | None, second: float | None) -> float | None:
        return None if first is None or second is None else 100.0 * abs(first - second) / ((first + second) / 2)

    found = []
    for one, other in itertools.combinations(blend.components, 2):
        size = apart(one.size_guide_number, other.size_guide_number)
        uniformity = apart(one.uniformity_index, other.uniformity_index)
        by_bulk = None in (one.granule_kg_m3, other.granule_kg_m3)
        flight = apart(one.flight(by_bulk=by_bulk), other.flight(by_bulk=by_bulk))
        found.append(Difference(one.name, other.name, size, uniformity, flight, by_bulk))
    return tuple(sorted(found, key=lambda pair: -(pair.size_pct or 0.0)))
