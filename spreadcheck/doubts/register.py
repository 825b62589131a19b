"""Every doubt that any command can raise: what it asks, its limits, its words, and whether it blocks a verdict."""

from __future__ import annotations

from spreadcheck.doubts.doubt import Check, Doubt, Explanation, Value, Words

_ROWS = (
    # --- the sheet as it was read
    Check(
        "unknown-label",
        "labels of the form that are not known",
        'the form row "{label}" is not a known label',
        "it was kept and not used",
        "nothing need be done if it is a remark of your own",
    ),
    Check(
        "filled-trays",
        "trays without a usable catch in any pass, with neighbours on both sides",
        "{trays} without a usable catch at {places}",
        "the rate there is interpolated between the neighbours",
        "weigh these trays if they were only forgotten",
    ),
    Check(
        "dropped-end-trays",
        "trays without a usable catch in any pass, at the ends of the line",
        "{trays} at the end of the line without a usable catch at {places}",
        "the pattern is taken to end before them",
        "weigh these trays if they were only forgotten; write 0 if nothing fell in",
    ),
    Check(
        "uneven-spacing",
        "distances between neighbouring trays",
        "the trays stand {least} to {most} apart",
        "CV by trays is taken at the smallest spacing, on the line drawn between trays",
        "nothing need be done if the trays stood so",
    ),
    # --- the conditions of the test
    Check(
        "wind-speed",
        "wind on the form against the limits of the standards",
        "the wind blew at {wind}",
        "wind carries fine granules farther than coarse ones, bends the pattern and changes from pass to pass",
        "repeat the test in calmer air, and take the width only as a first guess until then",
        ("wind iso", "wind asabe", "wind hard"),
    ),
    Check(
        "wind-across",
        "sideways part of the wind, from its speed and direction on the form",
        "the wind {direction}, {wind} of it across the travel",
        "a sideways wind shifts the whole pattern to one side, which back-and-forth driving turns into stripes",
        "lay the tray line so that the machine drives along the wind, or wait for calmer air",
        ("wind across",),
    ),
    Check(
        "speed-unusual",
        "travel speed on the form",
        "the travel speed is {speed}",
        "the mass thrown on each metre of travel, and every rate drawn from a discharge, goes by it",
        "look whether the speed and its unit are right",
        ("speed low", "speed high"),
    ),
    Check(
        "few-passes",
        "passes with usable catches times runs per catch",
        "{passes} of {runs} each",
        "chance and the state of the machine in one moment weigh heavily in the mean",
        "drive more passes over the line, all in the same direction",
        ("passes", "en runs"),
    ),
    Check(
        "slips-unseen",
        "whether there are passes to hold against one another",
        "with 1 pass no slip of a whole pass can be looked for",
        "a pass driven the other way, or written a tray too far, would not be seen",
        "weigh the trays after each of several passes",
    ),
    Check(
        "few-granules",
        "counting noise of a half-rate tray, where size guide number and granule density are known",
        "a tray at half the peak rate caught about {granules:.0f} granules in all passes, "
        "a counting noise of {noise:.1f} %",
        "chance alone makes the overlapped deposit look uneven, so the CV is too high and the width too narrow",
        "drive more passes or more runs a catch, or use larger trays",
        ("granule noise",),
    ),
    Check(
        "coarse-scale",
        "steps of the scale in the catch of a half-rate tray",
        "{known} {step:g} g, and a tray at half the peak rate caught {half:.3g} g, {steps:.1f} steps; rounding has a "
        "standard error of {error:.1f} % there",
        "rounding moves the light catches at the edges, where the overlap is decided",
        "use a finer scale, or leave the trays and drive several runs before weighing (runs per catch)",
        ("scale steps",),
    ),
    Check(
        "recovery",
        "mass caught by the trays against mass metered (discharge and travel speed, or metered rate and width)",
        "the trays caught {share:.0f} % of what was metered ({caught:.1f} g of {metered:.1f} g on each metre of "
        "travel)",
        "rates are off by this share; CV and widths only if the loss differs along the line",
        "weigh the discharge again, check travel speed, tray size and the scale's zero",
        ("recovery low", "recovery high"),
    ),
    Check(
        "mass-implausible",
        "mean rate against the rate metered or aimed at, or the mass discharged",
        "a mean rate of {rate} is {share:.0f} % of {what}",
        "rates can't be relied on, and driven as tested the field would get as much too little or too much",
        "look for a slip in the weights or the form; if there is none, set the machine anew and test again",
        ("mass low", "mass high"),
        blocking=True,
    ),
    Check(
        "mass-unchecked",
        "peak rate, where nothing on the form says what was aimed at",
        "the peak rate is {rate}, and the form has nothing to hold it against",
        "a slip in all weights, such as a decimal point, would not be seen",
        "add the rows `target rate` and `bout width`, or `discharge` and `travel speed`",
        ("rate high",),
    ),
    Check(
        "widths-apart",
        "bout width against the width at half the peak rate",
        "the bout width of {bout} is {times:.2f} times the {width} over which at least half the peak rate fell",
        "the bout width or the offsets are in another unit than the sheet says, or the bout width is not for this "
        "pattern",
        "check the units of the bout width and of the offsets",
        ("bout low", "bout high"),
    ),
    Check(
        "container-weighed",
        "whether all outer trays weigh the same",
        "the {trays} {tare:.3g} g within {varies:.2g} g, where chance would leave "
        "granules no closer than {chance:.2g} g",
        "the weight of the trays counts as fertiliser, so the pattern looks more even and wider than it is",
        "weigh an empty tray and write it into the row `tare`",
        blocking=True,
    ),
    Check(
        "tray-full",
        "the fullest tray against what a tray holds back",
        "the fullest tray holds {most:.0f} g, a layer of {depth:.0f} mm",
        "granules bounce out of a full tray, or a weight or a unit is wrong",
        "check the weights and their unit, and the size of the tray",
        ("tray depth",),
    ),
    Check(
        "scale-steps",
        "last digits of the weights against the resolution of the scale on the form",
        "the weights go in steps of {seen_step:g} g, {finer} than the {stated:g} g of the form",
        "the error of reading is not the one that is reckoned with",
        "correct the row `scale resolution`, or look whether weights were rounded or averaged",
    ),
    Check(
        "weights-fall",
        "cumulative weights from pass to pass",
        "{falls} weights are lighter than the one of the pass before",
        "trays that were not emptied can't get lighter, so what the passes caught is not known",
        "clear the row `weighing` if the trays were emptied, or correct the weights",
        blocking=True,
    ),
    # --- the tray line
    Check(
        "one-side",
        "how far the tray line reaches on either side",
        "the tray line reaches {short} on one side and {long} on the other, and still caught {share:.0f} % of the peak "
        "rate where it ends first",
        "one side of the pattern was not tested, so no width can be judged",
        "lay trays on both sides; until then `analyse --mirror` judges the side that was tested as both",
        ("side reach", "side catch"),
        blocking=True,
    ),
    Check(
        "side-mirrored",
        "whether a side was tested",
        "one side mirrored, not tested: {trays} were copied to the other side",
        "a spreader seldom throws alike to both sides, so widths are a first guess",
        "lay trays on both sides",
    ),
    Check(
        "end-catch",
        "mean catch of the end trays, as a share of the peak",
        "the end trays still caught {left:.0f} % (at {first} left) and {right:.0f} % (at {last} right) of the peak "
        "rate",
        "what fell beyond the line is missing from the overlap, and the tail drawn there is a guess",
        "lay trays farther out, until the last one catches nothing",
        ("end catch",),
    ),
    Check(
        "line-too-short",
        "effective width against the length of the tray line",
        "{width} is {times:.2f} times the tray line of {length}",
        "wider bouts could not be tested, so the effective width may be wider than said",
        "lay a longer tray line",
        ("line over width",),
    ),
    Check(
        "few-trays",
        "trays with a catch inside the effective width",
        "{trays} with a catch inside {width}, {spacing} apart at the closest",
        "the CV rests on few points, and what lies between the trays is drawn as a straight line",
        "lay the trays closer, side by side if there are enough of them",
        ("trays in width",),
    ),
    Check(
        "gaps-in-width",
        "trays without a usable catch inside the effective width",
        "{trays} ({share:.0f} %) without a usable catch inside {width}, at {places}",
        "the pattern is drawn straight across them, so stripes that fell there are not seen",
        "weigh these trays if they were only forgotten, else repeat the test with trays there",
        ("gaps in width", "gaps share"),
    ),
    Check(
        "trays-too-close",
        "distance between tray centres against the tray width",
        "trays {one} and {other} stand {apart} apart, and a tray is {width} wide",
        "trays can't stand closer than they are wide, so offsets or tray width are wrong, and with them the answer",
        "measure the tray across the travel and the offsets again, and correct the sheet",
        blocking=True,
    ),
    # --- the passes against one another
    Check(
        "odd-catch",
        "each catch against the same tray in the other passes",
        "{catches}",
        "one wrong catch bends the mean at its tray and shows up as a stripe in the overlap",
        "look at the weighing notes; correct the slip, or throw the catch out with x",
        ("catch factor", "catch certainty"),
    ),
    Check(
        "passes-disagree",
        "what each pass caught left and right of the driving line, against the middle pass",
        "{passes}",
        "their mean is a pattern that no pass had",
        "look for a gust, a change of speed, setting or filling, a side slope; repeat the pass or throw it out with x",
        ("pass gap", "pass certainty", "pass elsewhere"),
    ),
    Check(
        "pass-level",
        "the mass of each pass against the middle pass, where left and right differ the same way",
        "{passes}",
        "a level of its own hardly changes CV and widths; mean rate, share of the target and calibration "
        "factor rest on which pass is right, and are told as ranges",
        "look whether speed, gate or filling was another in that pass; repeat it, or throw it out with x",
        ("pass gap", "pass certainty"),
    ),
    Check(
        "off-centre",
        "distance of the centre of the spread from the driving line, against the effective width",
        "the centre of the spread lies {shift} to the {side}, {share:.1f} % of {width}; {wind}",
        "driven back-and-forth, heavy and light edges alternate: a triangular pattern off centre by 5 % of its bout "
        "width has a CV of 9.7 % from this alone; round-and-round is not touched",
        "check that the tray line's zero was where the machine was driven, the drop point, the vanes and the wind",
        ("off centre",),
    ),
    Check(
        "tray-out-of-line",
        "each tray against its two neighbours on either side, in every pass",
        "{trays}, {passes}",
        "a spike or a hole that the machine did not make raises the CV, or one that it made is hidden",
        "look whether the tray was level, whole, dry and clear of stubble; throw it out (x), or lay closer trays there",
        ("tray step", "catch certainty"),
    ),
    # --- how sure the answer is
    Check(
        "one-pass",
        "how many passes stand behind the noise",
        "1 pass tells nothing about how passes differ",
        "no interval from passes is possible",
        "weigh the trays after each of three passes or more",
    ),
    Check(
        "passes-alike",
        "whether passes differ at all",
        "all {passes} passes have the same catches but for a factor",
        "the noise reads as none, so every interval is a point",
        "enter what was weighed in each pass, not their mean",
    ),
    Check(
        "neighbours-together",
        "whether neighbouring trays differ together from pass to pass",
        "neighbouring trays {how} from pass to pass (correlation {correlation:.2f}, where chance alone stays within "
        "{chance:.2f})",
        "the intervals take it in and are the longer for it; where gusts shift the pattern too, simulated 90 % "
        "intervals held only 66 to 88 %",
        "repeat the test in steady conditions, driven on the line",
    ),
    Check(
        "noise-disagrees",
        "the variance between passes against that of counting granules",
        "the passes differ {ratio:.2g} times as much (in variance) as counting granules explains, where chance alone "
        "leaves {low:.2f} to {high:.2f} times",
        "the spread between the passes is used, as it holds all that happened",
        "look for what changed from pass to pass: wind, speed, feed, trays that bounce granules out",
    ),
    # --- a line planned
    Check(
        "many-passes",
        "passes that a plan needs",
        "{passes} passes are needed, {runs} runs",
        "the crew tires, the wind changes, and the strip is spread over many times",
        "use larger trays, a finer scale, several runs a catch or a higher share of noise",
        ("passes at most",),
    ),
    # --- the rate
    Check(
        "metered-width",
        "the width that the rate was metered for against the width driven",
        "the rate was metered for {metered} but driven at {driven}",
        "the field gets {change:.1f} % too {much} from that alone{rate}",
        "enter the width that is driven, or drive the width that was entered; the calibration factor is not to blame "
        "for it, and its correction leaves it out",
    ),
    Check(
        "bins-differ",
        "product, density, factor and size number of bins that run one after the other",
        "bin {number} is not as bin 1: {what}",
        "from the change of bin on the rate is off by as much, and another product spreads another pattern",
        "fill both from one load, or stop at the change of bin and enter the density and the factor of the next one",
        ("bins alike", "segregation low"),
    ),
    # --- the product
    Check(
        "unusual-density",
        "bulk density against what is usual for the product",
        "the bulk density is {bulk}, and {low} to {high} is usual for {product} ({source})",
        "a wrong density makes the rate wrong in proportion",
        "weigh a level container again; check the tare and the container's volume",
    ),
    Check(
        "heap-too-dense",
        "bulk density against the density of a granule",
        "the bulk density is {share:.0f} % of the granule density",
        "one of the two densities is probably not what it says",
        "weigh a level container again",
        ("sphere packing",),
    ),
    Check(
        "unusual-size",
        "size guide number against what is spread",
        "SGN {number:.0f} by {way} means granules of {size}",
        "a chart read with it gives a wrong speed and width",
        "check that size numbers are mm x 100 and apertures are in the unit written",
        ("size number low", "size number high"),
    ),
    Check(
        "open-sieve-curve",
        "whether the sieves reach past all sizes",
        "some sizes lie above the largest or below the smallest sieve",
        "the figures that need them are shown as a dash",
        "add a larger sieve that all passes and a smaller one that all stays on",
    ),
    Check(
        "sieve-loss",
        "mass on the sieves against the mass of the sample",
        "the sieves hold {loss:.1f} % {change} than the sample weighed",
        "the shares may be wrong",
        "sieve a fresh sample and brush out every sieve",
        ("sieve loss",),
    ),
    Check(
        "weak-granules",
        "crush strength against what blending and spreading need",
        "{whose} {strength} of crush strength",
        "vanes at full speed break granules, and fragments and dust fall short",
        "keep to the spinner speed that the machine's manual allows for it",
        ("strength enough",),
    ),
    Check(
        "few-strength-readings",
        "granules crushed",
        "{granules} crushed",
        "the mean is uncertain",
        "crush more, taken at random and of the usual size",
        ("strength readings",),
    ),
    Check(
        "strength-unknown",
        "crush strength of every component of a blend",
        "the crush strength of a component is missing",
        "the weakest component, which limits the spinner speed, is not known",
        "crush about ten granules of each component",
    ),
    # --- the maker's chart
    Check(
        "two-rows-of-the-chart",
        "rows of the chart that hold the readings",
        "the readings lie in rows {rows} of the chart, because {why}",
        "the chart gives more than one answer",
        "go by the maker's chart; the lowest of their speeds is the safe side",
    ),
    Check(
        "chart-rows-overlap",
        "rows of the chart against one another",
        "rows {first} and {second} of the chart overlap in size and in strength",
        "readings there have two answers",
        "compare both rows with the printed chart",
    ),
    Check(
        "strength-near-an-edge",
        "how far the mean crush strength may be off, against the band it lies in",
        "the mean crush strength may be as low as {least}, below its band",
        "the speed of the next lower band may be the right one",
        "crush more granules, or keep to the lower speed",
    ),
    # --- the map of a field
    Check(
        "landing-distance-assumed",
        "whether the landing distance behind the machine is known",
        "no landing distance is given, so {model} of {distance} is taken",
        "where bouts begin and end on the map, and the best place to switch, move with it",
        "measure how far behind the machine the middle of the pattern lands, or see the machine maker's manual, and "
        "give it with --landing-distance",
    ),
    Check(
        "landing-models-differ",
        "the field with its granules landing on an arc, and on a line across",
        "on {share:.0f} % of the field the two landing models differ by more than 15 % of the target (field CV "
        "{arc:.1f} % for an arc, {line:.1f} % for a line, both on cells of {cell})",
        "bends, corners and bout ends are less sure than the rest of the map",
        "look at the second map before acting on these places",
    ),
    Check(
        "pattern-folds",
        "reach of the pattern against the tightest bend, where granules land on a line across",
        "half the pattern reaches {reach}, more than the tightest bend of {radius}, so a line across folds over itself "
        "inside the bend",
        "the CV of such a map grows without end as its cells shrink; this one holds for cells of {cell} only",
        "compare maps of the same cells, or use an arc",
    ),
    Check(
        "turn-too-deep",
        "depth of the turn against the depth of the headland",
        "the turn reaches {depth} past the end of a bout and the headland is {headland} deep",
        "the machine can't turn inside the field as planned",
        "plan more headland rounds, or a tighter turn if the machine can drive it",
    ),
    Check(
        "switched-at-boundary",
        "places where the slide should open or shut against the boundary",
        "on {ends} of {bouts} bouts the antenna would have to be outside the field when the slide opens or shuts",
        "there it is switched at the boundary, so bout ends get less or more than planned",
        "plan more headland rounds, or switch nearer",
    ),
    Check(
        "split-field",
        "pieces of the ground inside the headland",
        "a neck splits the ground inside the headland into {parts} pieces",
        "the plan drives them line by line and does not count the way between them",
        "plan each piece as a field of its own",
    ),
    Check(
        "acute-corners",
        "corners of the boundary under 60 degrees",
        "the boundary has {corners} corner(s) under 60 degrees",
        "rounds and bouts can't fill such a corner: it gets too little at its tip and too much behind it",
        "drive it by hand, or leave it out of the field",
    ),
    Check(
        "slanted-edges",
        "bout ends on edges of the headland that are not square to the bouts",
        "bouts end on slanted edges: the slide shuts all of the pattern at once, so about {area} stays short there and "
        "as much gets twice the rate",
        "bout ends look like the teeth of a saw on the map",
        "choose a heading square to the longer edges, or shut the pattern side by side where the machine can",
    ),
    Check(
        "narrow-tongues",
        "ground narrower than two headland rounds",
        "{area} of the field lies in tongues narrower than two rounds",
        "both rounds overlap there, or none fits in",
        "drive tongues by hand with half the pattern shut where the machine can",
    ),
    Check(
        "odd-last-bout",
        "how far the last bout overlaps ground that is spread already",
        "the field is no whole number of bouts wide: the last bout overlaps {over} of ground that is spread already",
        "that strip gets too much",
        "shut one side there if the machine can; spacing all bouts closer raises the rate everywhere",
    ),
    Check(
        "no-boundary",
        "whether the boundary of a recorded track is known",
        "no boundary is given, so the field is the ground within half a bout of the track",
        "ground that was missed altogether and what fell outside can't be seen",
        "give the boundary with --boundary",
    ),
    Check(
        "switching-unknown",
        "whether the track logs where the slide was open",
        "the track does not log where the slide was open, so it is taken as open all the way",
        "turns and drives to the gate are counted as spread",
        'give a CSV with the column "on" (1 or 0), or the boundary to see what matters',
    ),
    Check(
        "gaps-in-track",
        "gaps between the fixes of a track",
        "the track has {gaps} gap(s), the longest {longest}",
        "nothing is taken as spread there, so ground under a gap looks missed",
        "look whether the receiver lost its signal there",
    ),
    Check(
        "noisy-track",
        "departures of the fixes from the smoothed track",
        "the fixes scatter by {noise} about the smoothed track, which is {longer:.1f} % shorter than the raw one",
        "noise swings the headings and adds to the CV; smoothing takes most of it out and rounds tight bends a little",
        "use a receiver with a correction signal, and log heading and speed",
    ),
)
CHECKS = {check.code: check for check in _ROWS}


def doubt(
    code: str,
    *,
    seen: str = "",
    effect: str = "",
    remedy: str = "",
    limits: tuple[str, ...] | None = None,
    blocking: bool | None = None,
    explanations: tuple[Explanation, ...] = (),
    **values: Value,
) -> Doubt:
    """A doubt of the register with the numbers of one test; its words may be put closer to the case."""
    check = CHECKS[code]
    return Doubt(
        code,
        Words(seen or check.seen, values),
        Words(effect or check.effect, values),
        Words(remedy or check.remedy, values),
        check.limits if limits is None else limits,
        check.blocking if blocking is None else blocking,
        explanations,
    )
