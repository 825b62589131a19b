"""The kinds of spreader as data: the shapes that are normal for each, and the cautions that go with its parts."""

from __future__ import annotations

import math

from spreadcheck.errors import record
from spreadcheck.sheet.traytest import TrayTest

TWIN, SINGLE, SPOUT, BOOM, DROP, LIME = (
    "twin disc", "single disc", "swinging spout", "pneumatic boom", "full-width drop", "belt and spinners for lime",
)  # fmt: skip
SPINNERS = (TWIN, SINGLE, LIME)


@record
class Kind:
    """One kind of spreader: what is normal for it, and between which shares of the centre its shoulders then lie."""

    name: str
    normal: str
    least_shoulder: float = 0.0
    most_shoulder: float = 1.2
    outlets: bool = False  # whether it lays the product outlet by outlet
    parts: str = "discs, vanes, feed or divider"
    moving: str = "turning discs"
    standing: str = "common practice"


_ALIKE = "alike to both sides"
KINDS = {
    kind.name: kind
    for kind in (
        Kind(TWIN, f"flat-topped, or falling from the middle like a triangle or a bell; {_ALIKE}"),
        Kind(
            SINGLE,
            "peaked or flat, and often one-sided: granules leave a single disc nearly along its rim, so that it is "
            "skewed by nature",
            parts="disc, vanes or feed",
            moving="the turning disc",
            standing="Parish and Piazza (LSU AgCenter)",
        ),
        Kind(
            SPOUT,
            f"nearly a triangle or a bell, {_ALIKE}",
            parts="spout, its drive or the feed",
            moving="the swinging spout",
        ),
        Kind(
            BOOM,
            "flat, outlet by outlet, and falling within an outlet or two at both ends",
            outlets=True,
            parts="rollers, fan, hoses or outlets",
            moving="the boom as it unfolds, the fan and the rollers",
            least_shoulder=0.8,
            most_shoulder=1.25,
        ),
        Kind(
            DROP,
            "flat from end to end, and steep at both ends",
            outlets=True,
            parts="gates, agitator, auger or feed",
            moving="the agitator and the auger",
            least_shoulder=0.8,
            most_shoulder=1.25,
        ),
        Kind(
            LIME,
            f"flat-topped or peaked, {_ALIKE}; narrower and rougher the finer and moister the lime",
            most_shoulder=1.25,
            parts="belt, discs, vanes or divider",
            moving="turning discs and the belt",
        ),
    )
}


def kind_of(test: TrayTest) -> tuple[Kind, bool]:
    """The kind of spreader of a test, and whether the sheet says it; twin discs are assumed where it does not."""
    named = test.text("spreader type")
    return KINDS[named or TWIN], bool(named)


def cautions_of(kind: Kind) -> tuple[str, str]:
    """What to mind before any part is touched."""
    return (
        f"Before anyone touches {kind.parts}: feed shut, all at a standstill, drive off, engine off, key out - locked "
        "out so that nobody can start it.",
        f"Nobody near {kind.moving}, and nobody in the throw on any side. Eye protection, gloves and dust protection.",
    )


def expected_width_m(test: TrayTest, driven_m: float | None) -> float:
    """The width that the pattern is to serve: the one driven, else the one expected; NaN where neither is known. [m]"""
    return driven_m or test.bout_width_m or test.quantity("expected width") or math.nan
