"""Limits as data: CV limits and test-condition limits, each with its unit, source and clause.

`standing` says how sure the source is: "read" in the standard or publication itself, "reported" by another publication,
"common practice" where the trade does so without a published source, "memory" where the clause was not at hand.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Limit:
    """One published or customary limit. `value` is in `unit`."""

    code: str
    value: float
    unit: str
    what: str
    source: str
    standing: str


_BLENDERS = "European blenders' handbook, 3rd ed. (2016), and the same body's public page"


def _limits() -> dict[str, Limit]:
    rows = (
        Limit("cv normal", 15.0, "%", "largest CV for normal spreading",
              "EN 13739 as cited in a European good-practice sheet on measuring with trays", "reported"),
        Limit("cv hall", 10.0, "%", "CV a good pattern shows under test-hall conditions (5 to 10 %)",
              "Irish farm advisory article on fertiliser spreading", "read"),
        Limit("cv top dressing", 25.0, "%", "largest CV for edge and late top-dressing work, and for "
              "low-analysis fertilisers", "EN 13739-1; six test methods compared by Lawrence (2007)", "reported"),
        Limit("cv stripes", 20.0, "%", "CV above which stripes show in cereals and yield is lost",
              "UK fertiliser manual RB209 as reported; Irish research service conference report", "reported"),
        Limit("wind iso", 2.0, "m/s", "highest mean wind during a tray test", "ISO 5690-1:1985", "memory"),
        Limit("wind asabe", 8 / 3.6, "m/s", "highest wind during a tray test (about 8 km/h, 5 mph)",
              "ASABE S341", "memory"),
        Limit("wind hard", 15 / 3.6, "m/s", "wind at which national test rules stop a test (15 km/h)",
              "Grafton et al. (2015), abstract", "reported"),
        Limit("recovery low", 90.0, "%", "lowest share of the metered rate that the trays may show",
              "EN 13739-2:2011, 5.2", "read"),
        Limit("recovery high", 110.0, "%", "highest share of the metered rate that the trays may show",
              "EN 13739-2:2011, 5.2", "read"),
        Limit("strength enough", 3 * 9.80665, "N", "crush strength enough for blending and spreading (3 kgf)",
              "European blenders' public page (3 to 5 kg or more); producers' data", "read"),
        Limit("strength readings", 10, "", "granules that are usually crushed", "common practice", "common practice"),
        Limit("spread index", 18.0, "%", "granulometric spread index below which sizes are close enough to blend",
              _BLENDERS, "read"),
        Limit("median low", 3.0, "mm", "smallest median diameter d50 for blending (3.25 - 0.25)", _BLENDERS, "read"),
        Limit("median high", 3.5, "mm", "largest median diameter d50 for blending (3.25 + 0.25)", _BLENDERS, "read"),
        Limit("fines", 0.25, "%", "largest share below 1 mm", _BLENDERS, "read"),
        Limit("coarse", 1.0, "%", "largest share above 5 mm", _BLENDERS, "read"),
        Limit("main range low", 85.0, "%", "smallest share from 2.5 to 4 mm (90 - 5)", _BLENDERS, "read"),
        Limit("main range high", 95.0, "%", "largest share from 2.5 to 4 mm (90 + 5)", _BLENDERS, "read"),
        Limit("segregation low", 10.0, "%", "difference in SGN or UI below which a blend hardly parts",
              "North American blenders' practice", "memory"),
        Limit("segregation caution", 20.0, "%", "difference in SGN or UI above which a blend parts readily",
              "North American blenders' practice", "memory"),
    )  # fmt: skip
    return {limit.code: limit for limit in rows}


LIMITS = _limits()
CV_LIMIT_PCT = LIMITS["cv normal"].value
SIDE_BY_SIDE_PCT = (10.0, 15.0, 20.0, 25.0)
