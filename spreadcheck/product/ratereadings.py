"""What a rate check is given, as text: settings, masses with their area or time, bout widths."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from spreadcheck.errors import Fault, QuantityError
from spreadcheck.product.ratecheck import RateSettings
from spreadcheck.product.readings import Part, pair, parted, positive, read_all

_KINDS = {
    "target": ("target_kg_ha", "rate"),
    "bout_width": ("bout_width_m", "length"),
    "metered_rate": ("metered_rate_kg_ha", "rate"),
    "metered_width": ("metered_width_m", "length"),
    "discharge": ("discharge_kg_s", "flow"),
    "speed": ("speed_m_s", "speed"),
    "factor": ("factor", ""),
    "setting": ("setting", ""),
}


def settings_given(given: Mapping[str, str | float | None]) -> RateSettings:
    """Settings of the machine from options."""

    def read(item: tuple[str, str | float]) -> tuple[str, float]:
        name, value = item
        field, kind = _KINDS[name]
        place = f"option --{name.replace('_', '-')}"
        if isinstance(value, str):
            return field, positive(value, kind, place=place)
        if not (value > 0 and math.isfinite(value)):
            raise QuantityError(Fault(place, f"{value:g} is not above 0", "give the number in force on the machine"))
        return field, value

    return RateSettings(**dict(read_all([(k, v) for k, v in given.items() if v is not None], read)))


def pairs_given(texts: Sequence[str], kind: str, *, option: str) -> tuple[tuple[float, float], ...]:
    """Masses with their area or time, a run each."""
    place = f"option {option}"
    such_as = "310 kg: 2 ha" if kind == "area" else "36 kg: 30 s"

    def read(part: Part) -> tuple[float, float]:
        first, second = pair(part, such_as=such_as)
        return positive(first, "mass", place=place), positive(second, kind, place=place)

    return read_all([Part(text, place) for line in texts for text in parted(line)], read)


def widths_given(texts: Sequence[str], *, option: str) -> tuple[float, ...]:
    """Bout widths from a list."""
    parts = [text for line in texts for text in parted(line)]
    return read_all(parts, lambda text: positive(text, "length", place=f"option {option}"))
