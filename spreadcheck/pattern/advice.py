"""What usually causes a shape and what is usually looked at, as data: common practice, never a number of clicks.

All of it is common practice in the trade without a published rule, but for `SINGLE_DISC`. Machines differ in which way
an adjustment moves the pattern, so no direction and no amount is given: the machine maker's manual gives both.
"""

from __future__ import annotations

from collections.abc import Iterable

from spreadcheck.errors import record

STANDING = "common practice"

SINGLE_DISC = (
    "granules leave a single disc nearly along its rim, so that it throws to one side by nature (LSU AgCenter)"
)


@record
class Check:
    """One thing to look at: `look` is what to look for, `adjust` what is usually done about it."""

    code: str
    part: str
    look: str
    adjust: str
    standing: str = STANDING


@record
class Cause:
    """Why the thing behind a check may give a shape."""

    check: str
    why: str


def _checks() -> dict[str, Check]:
    listed = (
        Check(
            "tray line",
            "tray line",
            "was its zero where the middle of the machine was driven, was it square to the travel and level?",
            "lay the line again and repeat the test before anything is adjusted",
        ),
        Check(
            "wind",
            "wind",
            "did it blow across the travel, or in gusts?",
            "wait, or turn the line so that the machine drives along the wind, and repeat the test",
        ),
        Check(
            "levelness",
            "levelness",
            "does the machine stand level across and along the travel, at working height, with tyres or links alike?",
            "level it as the manual shows, loaded as in the field",
        ),
        Check(
            "bounce",
            "bounce and trays",
            "did granules bounce off hard ground or out of trays; do single trays stand out, as beside wheel tracks?",
            "use trays with a grid on short stubble or grass, and weigh doubtful trays again",
        ),
        Check(
            "build-up",
            "paint and build-up",
            "are vanes and discs bare and clean, without paint, rust or caked product?",
            "clean both discs and all vanes down to the metal",
        ),
        Check(
            "wear",
            "vanes",
            "are any worn, bent, loose, missing, or not the set that goes with the product; are both discs alike?",
            "renew vanes as a set; set their place and length as the manual's table says for the product",
        ),
        Check(
            "feed",
            "feed",
            "do both outlets or the belt give the same, steadily, without lumps or bridging?",
            "clear it; set both sides to the same opening and compare what each gives in a catch",
        ),
        Check(
            "product",
            "product",
            "are size, density and strength those the setting was chosen for; is it fine, moist or broken?",
            "measure them with this load and take the setting that the maker's table gives for them",
        ),
        Check(
            "spinner speed",
            "spinner speed",
            "measured at the disc, is it what the manual's table says, steady, and the same on both discs?",
            "set it by the table, never above what the manual and the granules' strength allow",
        ),
        Check(
            "divider",
            "divider",
            "is the flow divider centred, whole and not worn, and does each disc get its half?",
            "centre or renew it as the manual shows",
        ),
        Check(
            "drop point",
            "drop point",
            "does the product meet both discs at the place the manual gives for it?",
            "move it the way the manual gives for this shape, a little at a time",
        ),
    )
    return {check.code: check for check in listed}


CHECKS = _checks()

CAUSES: dict[str, tuple[Cause, ...]] = {
    "flat-topped": (),
    "peaked": (
        Cause("build-up", "granules that stick or drag leave the vanes slowly and land near the middle"),
        Cause("wear", "worn vanes let granules slip over their edge before they are up to speed"),
        Cause("product", "fine, light or broken granules don't fly far enough to fill the sides"),
        Cause("spinner speed", "too slow a disc for this product throws narrow, with the most in the middle"),
        Cause("drop point", "granules leave the disc too much to the rear"),
        Cause("levelness", "a machine that is tilted along the travel, or low, shortens the throw to the sides"),
    ),
    "double-peaked": (
        Cause("spinner speed", "a disc speed that does not go with the product leaves a heap on either side"),
        Cause("drop point", "each disc throws its half to its own side, and too little behind the machine"),
        Cause("build-up", "vanes that are not bare throw all granules the same way"),
        Cause("wear", "vanes of another set, or set for another product, spread each half too narrowly"),
        Cause("divider", "a divider that sends the flow too far apart"),
        Cause("levelness", "a machine that is tilted along the travel throws over or short of the middle"),
    ),
    "hollow centre": (
        Cause("drop point", "too little leaves the discs to the rear"),
        Cause("divider", "a worn or wrong divider keeps the middle short"),
        Cause("spinner speed", "too fast a disc for this product carries it past the middle"),
        Cause("bounce", "trays beside the wheel tracks, in the lee of the machine or blown empty catch too little"),
        Cause("wear", "vanes that should fill the middle are missing or set for another product"),
        Cause("build-up", "build-up on a part that should guide granules to the middle"),
    ),
    "several peaks": (
        Cause("bounce", "bounce or single odd trays look like heaps"),
        Cause("feed", "a feed that pulses lays heaps where it was strong"),
        Cause("build-up", "vanes unlike each other throw each its own way"),
        Cause("wear", "bent, loose or mixed vanes throw each its own way"),
        Cause("drop point", "a heap behind the machine and one on each side: the three parts don't meet"),
        Cause("spinner speed", "a disc speed at which the parts of the pattern don't meet"),
    ),
    "lopsided": (
        Cause("tray line", "a zero that lies beside the driving line looks like a lopsided machine"),
        Cause("wind", "a side wind carries the pattern over"),
        Cause("levelness", "a machine that hangs to one side throws further to the other"),
        Cause("build-up", "one disc cleaner than the other"),
        Cause("wear", "vanes worn, bent or missing on one disc"),
        Cause("feed", "one side opens wider or is blocked"),
        Cause("spinner speed", "one disc turns slower than the other"),
        Cause("divider", "a divider off its centre gives one disc more"),
        Cause("drop point", "product meets the discs too early or too late; " + SINGLE_DISC),
    ),
    "one-sided tail": (
        Cause("wind", "a side wind carries the fine granules furthest"),
        Cause("levelness", "a machine that hangs to one side throws higher and further on the other"),
        Cause("tray line", "a line that is not square or not level stretches one side"),
        Cause("build-up", "one disc cleaner than the other"),
        Cause("wear", "vanes of one disc worn or of another length"),
        Cause("spinner speed", "one disc turns faster than the other"),
        Cause("drop point", "product meets one disc at another place than the other"),
    ),
}

DEFER = (
    "Common practice, no diagnosis: the machine maker's manual decides what may be adjusted, which way and how far. "
    "Change one thing at a time and test again after each."
)
CAUTIONS = (
    "Before anyone touches discs, vanes, feed or divider: feed shut, discs at a standstill, drive off, engine off, key "
    "out - locked out so that nobody can start it.",
    "Nobody near turning discs, and nobody in the throw on any side. Eye protection, gloves and dust protection.",
    DEFER,
)


@record
class Advice:
    """One check for the shapes found, and why for each of them."""

    check: Check
    why: tuple[tuple[str, str], ...]  # shape, reason


def checks_for(shapes: Iterable[str]) -> tuple[Advice, ...]:
    """What to look at for the shapes of one pattern, in the order in which it is usually looked at.

    The test itself comes first, then what costs nothing but cleaning, then wear, then settings.
    """
    whys: dict[str, list[tuple[str, str]]] = {}
    for shape in shapes:
        for cause in CAUSES[shape]:
            whys.setdefault(cause.check, []).append((shape, cause.why))
    return tuple(Advice(check, tuple(whys[code])) for code, check in CHECKS.items() if code in whys)
