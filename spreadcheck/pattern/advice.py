"""Kinds of spreader, what may lie behind a difference, and what is usually looked at: as data, ranked by the evidence.

Causes, checks and their shares are common practice in the trade unless their standing says otherwise. Machines differ
in which way an adjustment moves the pattern, so no direction and no amount is given: the machine maker's manual has
both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from spreadcheck.errors import record
from spreadcheck.sheet.labels import BOOM, DROP, LIME, SINGLE, SPOUT, TWIN

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
    clear: str = "in the throw on any side"  # where nobody must be
    standing: str = "common practice"


_ALIKE = "alike to both sides"
SPREADERS = {
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
            clear="under the boom or near its outlets",
            least_shoulder=0.8,
            most_shoulder=1.25,
        ),
        Kind(
            DROP,
            "flat from end to end, and steep at both ends",
            outlets=True,
            parts="gates, agitator, auger or feed",
            moving="the agitator and the auger",
            clear="in front of the machine or behind it",
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

STANDING = "common practice"
MANY_HEAPS = "Ohio State University extension, FABE-561, as reported"
DEFER = (
    "Common practice, no diagnosis: the machine maker's manual decides what may be adjusted, which way and how far. "
    "Change one thing at a time and test again after each."
)
LEAST_SHARE = 0.04  # of the evidence: what has less is not named

# what is found, in words; from shift to reach they are ways in which the sides differ, and share one evidence
SIGNS = {
    "ground": "over the ground the pattern lies to one side, whichever way it is driven",
    "shift": "the whole pattern lies to one side",
    "wind": "the pattern is carried over to one side, the more the further it flies",
    "mass": "one side has more",
    "slope": "the catch falls steadily from one side to the other",
    "reach": "one side is thrown further",
    "narrow": "the driving line gets more than the bout edges",
    "wide": "the driving line gets less than the bout edges",
    "hollow": "the middle is lower than the shoulders",
    "peaked": "the middle is higher than the shoulders",
    "heaps": "three heaps or more",
    "outlet": "single outlets are off the others",
}


@record
class Cause:
    """One cause: on which kinds of spreader, how much of each sign it explains and why, what to look at and do.

    `family` groups causes that the same check sets apart from others.
    """

    part: str
    family: str
    signs: Mapping[str, tuple[float, str]]
    look: str
    adjust: str
    kinds: tuple[str, ...] = tuple(SPREADERS)
    standing: str = STANDING


GROUND, PLACE, FEED, THROW, PRODUCT = "line and wind", "where the product lands", "feed", "throw", "product"
_AIR = (BOOM, DROP)
_ALL_BUT_AIR = tuple(kind for kind in SPREADERS if kind not in _AIR)

_ROWS = (  # signs that share a reason stand together
    Cause("tray line", GROUND, {
        "ground": (0.60, "a zero that lies beside the line that was driven stays there"),
        "shift": (0.45, "a zero that lies beside the driving line looks like a machine that throws to one side"),
        "slope": (0.15, "a line that is not level or not square catches less to one end"),
    },
        "was its zero where the middle of the machine was driven, was it square to the travel and level?",
        "lay the line again and repeat the test before anything is adjusted"),
    Cause("wind", GROUND, {
        "ground": (0.40, "a side wind blows to the same side of the ground"),
        "shift": (0.25, "a side wind carries the pattern over"),
        "wind": (0.75, "a side wind carries those granules furthest that fly furthest"),
        "reach": (0.10, "a side wind lengthens the throw on one side"),
    },
        "did it blow across the travel, or in gusts?",
        "wait, or turn the line so that the machine drives along the wind, and repeat the test"),
    Cause("levelness", THROW, {
        "slope": (0.55, "a machine that hangs to one side throws unlike to both"),
        "reach": (0.15, "a machine that hangs to one side throws higher and further on the other"),
        "mass": (0.15, "product runs to the side that hangs"),
        "shift": (0.05, "a machine that hangs throws to one side"),
        "narrow": (0.10, "a machine that is low, or tilted along the travel, throws short"),
        "wind": (0.05, "a tilted machine stretches one side"),
    },
        "does the machine stand level across and along the travel, at working height, with tyres or links alike?",
        "level it as the manual shows, loaded as in the field",
        (TWIN, SINGLE, SPOUT)),
    Cause("levelness", THROW, {
        "slope": (0.45, "a trailer that leans throws unlike to both sides"),
        "mass": (0.20, "a load that lies to one side of the belt feeds one disc more"),
        "reach": (0.15, "the side that stands high throws further"),
        "shift": (0.05, "a trailer that leans throws to one side"),
        "narrow": (0.10, "a rear that sinks under the load brings the discs low, and they throw short"),
    },
        "fully loaded, do the discs stand level and at working height; are tyre pressures alike and the load even?",
        "pump the tyres and set the drawbar as the manual shows, and load evenly; look again half empty",
        (LIME,)),
    Cause("levelness", PLACE, {
        "slope": (0.45, "a boom that hangs to one side lays narrower fans at its low end"),
        "mass": (0.05, "plates of the low side throw beside the trays"),
        "heaps": (0.10, "a boom that is too low at one end: there the fans don't meet"),
    },
        "is the boom level, at the same height above the ground from end to end, fully unfolded and not swinging?",
        "level boom and linkage as the manual shows, and set its height",
        (BOOM,)),
    Cause("levelness", FEED, {
        "slope": (0.40, "product runs to the end that hangs, and less falls out at the other"),
        "mass": (0.20, "product lies at the end that hangs"),
    },
        "does the box stand level across the travel, and is it filled to the same height from end to end?",
        "level it by links or tyres as the manual shows, and fill it evenly",
        (DROP,)),
    Cause("bounce and trays", GROUND, {
        "heaps": (0.10, "bounce or single odd trays look like heaps"),
        "hollow": (0.05, "trays beside wheel tracks, or in the lee of the machine, catch too little"),
    },
        "did granules bounce off hard ground or out of trays; do single trays stand out, as beside wheel tracks?",
        "use trays with a grid on short stubble or grass, and weigh doubtful trays again"),
    Cause("feed", FEED, {
        "mass": (0.50, "one outlet opens less, bridges or is blocked"),
        "slope": (0.15, "one outlet gives less"),
        "reach": (0.05, "a starved disc throws less far"),
        "heaps": (0.05, "a feed that pulses lays heaps where it was strong"),
    },
        "do both outlets give the same, steadily, without lumps or bridging?",
        "clear it; set both sides to the same opening and compare what each gives in a catch",
        (TWIN, LIME)),
    Cause("divider", FEED, {
        "mass": (0.10, "a divider off its centre gives one disc more"),
        "hollow": (0.15, "a worn or wrong divider keeps the middle short"),
        "wide": (0.05, "a divider that sends the flow too far apart"),
    },
        "is the flow divider centred, whole and not worn, and does each disc get its half?",
        "centre or renew it as the manual shows",
        (TWIN, LIME)),
    Cause("paint and build-up", THROW, {
        "reach": (0.10, "one disc cleaner than the other"),
        "narrow": (0.10, "granules that stick or drag leave the vanes slowly and land near the middle"),
        "heaps": (0.05, "vanes unlike each other throw each its own way"),
    },
        "are vanes and discs bare and clean, without paint, rust or caked product?",
        "clean discs and all vanes down to the metal",
        (TWIN, SINGLE)),
    Cause("build-up of lime", THROW, {
        "reach": (0.15, "moist lime cakes on one disc more than on the other"),
        "mass": (0.10, "lime that cakes on divider or chute sends the flow to one disc"),
        "narrow": (0.20, "lime that cakes on vanes drags, and lands near the middle"),
        "heaps": (0.15, "cakes that break off, and vanes caked unlike each other"),
    },
        "are belt, gate, divider, chutes, discs and vanes free of caked lime, and how moist is the load?",
        "scrape and wash all of it before every test and at every stop; spread drier lime",
        (LIME,)),
    Cause("build-up in hoses", THROW, {
        "outlet": (0.20, "dust that cakes in one hose, outlet or on its plate takes from what it lays"),
        "heaps": (0.10, "plates caked unlike each other throw beside their strips"),
        "mass": (0.05, "a distributor caked to one side"),
    },
        "are distributor, hoses, outlets and plates clean inside, dry, and without caked dust or fines?",
        "blow them out and clean the plates; keep product dry and free of dust",
        (BOOM,)),
    Cause("vanes", THROW, {
        "reach": (0.55, "vanes worn, bent or missing on one disc let granules go before they are up to speed"),
        "mass": (0.10, "vanes unlike on both sides"),
        "wind": (0.15, "vanes of one disc of another length or wear"),
        "narrow": (0.20, "worn vanes let granules slip over their edge before they are up to speed"),
        "hollow": (0.05, "vanes that should fill the middle are missing or set for another product"),
        "heaps": (0.15, "bent, loose or mixed vanes throw each its own way"),
    },
        "are any worn, bent, loose, missing, or not the set that goes with the product; are both sides alike?",
        "renew vanes as a set; set their place and length as the manual's table says for the product",
        SPINNERS),
    Cause("product", PRODUCT, {
        "narrow": (0.20, "fine, light or broken granules don't fly far enough"),
        "wide": (0.15, "coarser or heavier granules fly further than the setting was chosen for"),
        "hollow": (0.05, "denser granules go past the middle"),
    },
        "are size, density and strength those the setting was chosen for; is it fine, moist or broken?",
        "measure them with this load and take the setting that the maker's table gives for them",
        _ALL_BUT_AIR),
    Cause("spinner speed", THROW, {
        "narrow": (0.35, "too slow a disc for this product throws narrow, with the most in the middle"),
        "wide": (0.50, "too fast a disc for this product carries it past the middle"),
        "hollow": (0.35, "too fast a disc for this product carries it past the middle"),
        "heaps": (0.20, "a disc speed at which the parts of the pattern don't meet"),
        "reach": (0.10, "one disc turns faster than the other"),
    },
        "measured at the disc, is it what the manual's table says, steady, and the same on both sides?",
        "set it by the table, never above what the manual and the granules' strength allow",
        SPINNERS),
    Cause("drop point", PLACE, {
        "shift": (0.25, "product meets the discs too early or too late, and leaves them to one side"),
        "mass": (0.10, "product meets one disc at another place than the other"),
        "hollow": (0.30, "too little leaves the discs to the rear"),
        "wide": (0.20, "too little leaves the discs to the rear"),
        "narrow": (0.15, "granules leave the discs too much to the rear"),
        "heaps": (0.35, "a heap behind the machine and one on each side: the three parts don't meet"),
    },
        "does the product meet both discs at the place the manual gives for it?",
        "move it the way the manual gives for this shape, a little at a time",
        (TWIN, LIME)),
    Cause("drop point", PLACE, {
        "shift mass slope reach wind": (0.60, "where product meets a single disc decides to which side it leaves"),
        "hollow": (0.40, "product leaves to both sides and too little to the rear"),
        "wide": (0.20, "product leaves to both sides and too little to the rear"),
        "narrow": (0.15, "product leaves too much to the rear"),
        "heaps": (0.40, "product that meets the disc at several places leaves it in several heaps"),
    },
        "does the product meet the disc at the place the manual gives for it, in one stream?",
        "move it the way the manual gives for this shape, a little at a time",
        (SINGLE,),
        "Parish and Piazza (LSU AgCenter)"),
    Cause("rate", PLACE, {
        "heaps": (0.20, "patterns of spinner spreaders shift towards a W as the rate goes up"),
        "hollow": (0.10, "a higher flow meets the discs further out"),
    },
        "is the flow that of the field, and the one that the setting was chosen for?",
        "test at the rate that is used; take the drop point that the manual gives for it",
        SPINNERS,
        MANY_HEAPS),
    Cause("belt", FEED, {
        "mass": (0.20, "a belt that runs askew or a moist load that hangs to one side gives one disc more"),
        "slope": (0.10, "a load that lies to one side of the belt"),
        "heaps": (0.15, "lumps and bridging give pulses"),
    },
        "does the belt bring an even layer to both discs, without lumps, bridging or a layer that hangs to one side?",
        "clear it, set belt and gate as the manual shows, and load evenly across",
        (LIME,)),
    Cause("swing", PLACE, {
        "shift mass slope reach wind": (
            0.45, "a spout that does not swing alike to both sides throws more, or further, to one"),
        "narrow": (0.25, "a stroke that is too short"),
        "wide": (0.25, "a stroke that is too long leaves too little behind"),
        "hollow": (0.35, "a spout that rests too long at the ends of its stroke"),
        "heaps": (0.30, "a spout that rests at the ends of its stroke and behind the machine"),
    },
        "does the spout swing as far to the left as to the right, without play in its drive?",
        "centre its stroke and renew worn joints as the manual shows",
        (SPOUT,)),
    Cause("spout", THROW, {
        "mass reach wind": (0.25, "a worn, bent or caked spout throws unlike to both sides"),
        "heaps": (0.25, "a worn, bent or caked spout lays heaps"),
        "hollow": (0.20, "a worn spout end fills the middle too little"),
        "narrow": (0.15, "a worn or caked spout slows the granules"),
    },
        "is the spout the one for the product, straight, clean inside, and not worn at its end?",
        "clean or renew it as the manual shows",
        (SPOUT,)),
    Cause("shaft speed", THROW, {
        "narrow": (0.35, "a spout that swings too slowly throws short"),
        "wide": (0.50, "a spout that swings too fast leaves too little behind"),
        "hollow": (0.30, "a spout that swings too fast leaves too little behind"),
        "heaps": (0.15, "a speed that changes during the pass"),
    },
        "measured at the shaft, is it what the manual says, and steady at working speed?",
        "set the shaft speed by the manual",
        (SPOUT,)),
    Cause("blocked hose or outlet", FEED, {
        "outlet": (0.55, "lumps, moist product or a kinked hose hold back what goes to one outlet"),
        "mass": (0.15, "several outlets of one side are held back"),
    },
        "is each outlet and its hose free, without lumps, caked product, kinks or nests?",
        "clear it, then catch each outlet for the same time and compare",
        (BOOM,)),
    Cause("deflector plate", PLACE, {
        "outlet": (0.25, "a plate that is bent, lost or set at another angle throws beside its strip"),
        "peaked hollow": (0.20, "plates that are set unlike"),
        "heaps": (0.45, "plates that throw beside their strips"),
    },
        "is each plate there, straight, and at the same angle and height as its neighbours?",
        "set or renew it as the manual shows",
        (BOOM,)),
    Cause("metering rollers", FEED, {
        "outlet": (0.20, "a worn or blocked roller segment gives its outlets less"),
        "mass": (0.35, "the rollers of one side are worn, shut off or set otherwise"),
        "slope": (0.15, "rollers that wear from one end"),
        "heaps": (0.15, "roller segments unlike each other"),
    },
        "are the segments alike, clean, and turned on over the whole width?",
        "clean or renew segments; calibrate every roller as the manual shows",
        (BOOM,)),
    Cause("air flow", THROW, {
        "peaked narrow": (0.50, "too little air: the outlets at the ends starve"),
        "hollow wide": (0.50, "air that favours the long hoses starves the middle"),
        "slope": (0.20, "air that favours one side"),
        "mass": (0.25, "air that favours one side"),
        "heaps": (0.20, "air that favours some hoses"),
    },
        "is the fan at the speed of the manual, with clean inlet, tight hoses and no leaks?",
        "set the fan by the manual and close leaks",
        (BOOM,)),
    Cause("boom height", PLACE, {
        "heaps": (0.20, "too low a boom: the fans of neighbouring outlets don't meet"),
        "outlet": (0.05, "a folded or hanging section"),
    },
        "is the boom at working height, with all sections fully unfolded?",
        "set its height as the manual shows",
        (BOOM,)),
    Cause("blocked gap", FEED, {
        "outlet": (0.60, "lumps, bridging or caked product hold back one gap"),
        "mass": (0.20, "bridging over one half of the box"),
        "heaps": (0.40, "gaps held back here and there"),
    },
        "is every gap free, without lumps, caked product or foreign bodies?",
        "clear it, then catch each gap for the same time and compare",
        (DROP,)),
    Cause("gates", FEED, {
        "outlet": (0.40, "gaps that open unlike, or a bent gate"),
        "mass": (0.40, "the gate of one half opens less"),
        "slope": (0.30, "a gate that is bent or hangs to one end"),
        "peaked narrow": (0.50, "a gate that bends opens most in the middle"),
        "hollow wide": (0.50, "a gate that bends opens least in the middle"),
        "heaps": (0.30, "gaps that open unlike"),
    },
        "do all gaps open alike over the whole width?",
        "straighten and set them as the manual shows",
        (DROP,)),
    Cause("agitator or auger", FEED, {
        "slope": (0.25, "an auger that does not carry product to the far end"),
        "mass": (0.20, "product that lies to one end of the box"),
        "peaked narrow": (0.30, "product that is not carried to the ends"),
        "hollow wide": (0.30, "product that is carried away from the middle"),
    },
        "does it turn, whole and steadily, and does the box stay evenly filled from end to end?",
        "clear or renew it as the manual shows; fill evenly",
        (DROP,)),
)  # fmt: skip

CAUSES = tuple(
    replace(cause, signs={sign: why for signs, why in cause.signs.items() for sign in signs.split()}) for cause in _ROWS
)

# what sets two causes apart, by their families
MACHINE = "machine"
APART = {
    frozenset((GROUND, MACHINE)): "Drive a pass the other way over the same trays, and name it under reversed passes: "
    "what turns with the machine is the machine; what stays on its side of the ground is the line or the wind.",
    frozenset(
        (GROUND,)
    ): "Measure the line's zero from the wheel tracks, and repeat a pass in calm air: a line that is "
    "off stays off, a wind does not.",
    frozenset((FEED, MACHINE)): "Catch what each side or outlet gives for the same time, machine still and as the "
    "manual shows: masses unlike are the feed; masses alike are the throw, or where it lands.",
    frozenset((PRODUCT, MACHINE)): "Measure size, density and strength of this load: as the setting was chosen for, it "
    "is the machine; other than that, it is the product.",
    frozenset((PLACE, THROW)): "Measure the speed and look at the throwing parts first; only where these are right is "
    "the place where the product lands moved.",
}
# what throws nothing has words of its own: air carries to outlets and plates lay, or it falls through gaps
APART_OF = {
    BOOM: {
        frozenset((FEED, MACHINE)): "Catch what each outlet gives for the same time, machine still and as the manual "
        "shows: masses unlike are rollers, hoses or air; masses alike are the plates, or how level and high the boom "
        "is.",
        frozenset((FEED, THROW)): "Catch what each outlet and each roller gives for the same time, machine still and "
        "as the manual shows: rollers unlike are the feed; rollers alike and outlets unlike are the hoses or the air.",
        frozenset((PLACE, THROW)): "Measure the fan's speed and look into hoses and outlets first; only where these "
        "are right are plates or the boom set.",
    },
    DROP: {
        frozenset((FEED, MACHINE)): "Catch what each gap gives for the same time, machine still and as the manual "
        "shows: masses unlike are the gaps or how the box is filled; masses alike are the line or the wind.",
    },
}


def cautions_of(kind: Kind) -> tuple[str, str]:
    """What to mind before any part is touched."""
    return (
        f"Before anyone touches {kind.parts}: feed shut, all at a standstill, drive off, engine off, key out - locked "
        "out so that nobody can start it.",
        f"Nobody near {kind.moving}, and nobody {kind.clear}. Eye protection, gloves and dust protection.",
    )


@record
class Ranked:
    """A cause with its share of the evidence, and why: a sign and a reason each."""

    cause: Cause
    share: float
    why: tuple[tuple[str, str], ...]


def ranked(kind: str, signs: Mapping[str, float], weigh: Mapping[str, float]) -> tuple[Ranked, ...]:
    """The causes of what was found, best borne out first.

    `signs` are what was found, each with its weight; `weigh` is what else is known for or against a family or part
    (wind noted, passes both ways), as a factor.
    """
    found: list[Ranked] = []
    causes = [cause for cause in CAUSES if kind in cause.kinds]
    factor = {cause.part: weigh.get(cause.part, 1.0) * weigh.get(cause.family, 1.0) for cause in causes}
    shared = {
        sign: sum(cause.signs[sign][0] * factor[cause.part] for cause in causes if sign in cause.signs)
        for sign in signs
    }
    for cause in causes:
        parts = {
            sign: weight * cause.signs[sign][0] * factor[cause.part] / shared[sign]
            for sign, weight in signs.items()
            if sign in cause.signs
        }
        share = sum(parts.values()) / max(sum(signs.values()), 1e-12)
        if share >= LEAST_SHARE:
            told = sorted(parts, key=lambda sign: -parts[sign])
            kept = [sign for sign in told if parts[sign] >= parts[told[0]] / 4]
            found.append(Ranked(cause, share, tuple((sign, cause.signs[sign][1]) for sign in kept)))
    return tuple(sorted(found, key=lambda each: -each.share))


def set_apart(kind: str, causes: tuple[Ranked, ...]) -> tuple[str, ...]:
    """The checks that set the first causes apart from one another, in the words for this kind of spreader."""
    checks = APART | APART_OF.get(kind, {})
    told: list[str] = []
    for at, one in enumerate(causes):
        for other in causes[at + 1 :]:
            pair = frozenset((one.cause.family, other.cause.family))
            keys = [pair, *(frozenset((family, MACHINE)) for family in (GROUND, PRODUCT, FEED) if family in pair)]
            check = next((checks[key] for key in keys if key in checks), None)
            if check is not None and check not in told:
                told.append(check)
    return tuple(told)
