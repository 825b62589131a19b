"""Limits as data: CV limits and test-condition limits, each with its unit, source and clause.

`standing` says how sure the source is: "read" in the standard or publication itself, "reported" by another publication,
"common practice" where the trade does so without a published source, "memory" where the clause was not at hand,
"computed" where it follows from a closed form or a simulation that the tests repeat.
"""

from __future__ import annotations

from spreadcheck.errors import record
from spreadcheck.units import from_inside, shown_unit

_KINDS = {"kg/ha": "rate", "m/s": "wind speed", "m": "length", "N": "force"}  # shown in the reader's units


@record
class Limit:
    """One published or customary limit. `value` is in `unit`."""

    code: str
    value: float
    unit: str
    what: str
    source: str
    standing: str

    def words(self, system: str = "metric") -> str:
        """The limit with its number and source, as one phrase in a reader's units."""
        told = {"read": "", "reported": ", as reported", "memory": ", from memory", self.source: ""}
        sure = told.get(self.standing, f", {self.standing}")
        value, unit = self.value, self.unit
        if unit in _KINDS:
            unit = shown_unit(_KINDS[unit], system)
            value = from_inside(value, unit, _KINDS[self.unit])
        return f"{self.what}: {f'{value:.3g} {unit}'.rstrip()} ({self.source}{sure})"


_BLENDERS = "European blenders' handbook, 3rd ed. (2016), and the same body's public page"


_ROWS = (
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
    Limit("speed low", 3 / 3.6, "m/s", "slowest travel speed (3 km/h)", "a slow walk", "common practice"),
    Limit("speed high", 30 / 3.6, "m/s", "fastest travel speed (30 km/h)", "wide tyres on even ground",
          "common practice"),
    Limit("recovery low", 90.0, "%", "lowest share of the metered rate that the trays may show",
          "EN 13739-2:2011, 5.2", "read"),
    Limit("recovery high", 110.0, "%", "highest share of the metered rate that the trays may show",
          "EN 13739-2:2011, 5.2", "read"),
    Limit("wind across", 1.0, "m/s", "sideways wind that a test may have",
          "half of the ISO 5690-1 limit, since the whole pattern drifts one way", "common practice"),
    Limit("drift least", 0.1, "m per m/s", "least sideways drift a granule shows",
          "drag flight of spheres of 1 to 4 mm, thrown at 20 to 50 m/s and 0 to 10 deg from 1 m", "computed"),
    Limit("drift most", 0.9, "m per m/s", "most sideways drift a granule shows",
          "drag flight of spheres of 1 to 4 mm, thrown at 20 to 50 m/s and 0 to 10 deg from 1 m", "computed"),
    Limit("end catch", 5.0, "% of the peak", "largest catch of an end tray",
          "ISO 5690-1:1985 asks for trays across the full throw, from memory; the share", "common practice"),
    Limit("open end", 12.0, "% of the peak", "catch of an end tray above which figures that rest on the tails are "
          "ranges", "simulated tests with lines that miss the tails", "computed"),
    Limit("trays in width", 10, "trays", "fewest trays inside the effective width",
          "university extension author, in a farm paper", "read"),
    Limit("gaps in width", 2, "trays", "most trays without a catch inside the effective width",
          "ISO 5690-1:1985 leaves out the trays at the wheel tracks, from memory; the number", "common practice"),
    Limit("passes", 3, "passes", "fewest passes", "Ohio State University Extension Bulletin 817", "read"),
    Limit("en runs", 2, "runs", "runs per measurement at 4 km/h, with the flow set as for 10 km/h",
          "EN 13739-2:2011, 4.1.2", "read"),
    Limit("pass gap", 10.0, "%", "largest gap between one pass and the others on one side",
          "the +/-10 % of EN 13739-2:2011, 5.2, held against single passes", "common practice"),
    Limit("pass elsewhere", 14.0, "%", "largest share of a pass that may fall at other trays than in the others",
          "simulated good tests: 13.3 % in 1 of 100", "computed"),
    Limit("pass certainty", 3.2, "standard errors", "smallest gap between passes that is more than chance",
          "simulated tests with counting noise", "computed"),
    Limit("catch certainty", 4.5, "standard errors", "smallest step of one catch that is more than chance",
          "simulated tests with counting noise", "computed"),
    Limit("tray step", 25.0, "%", "largest step of a tray beyond what its four neighbours allow",
          "the step of a tilted or kicked tray", "common practice"),
    Limit("catch factor", 1.5, "times", "largest factor between one catch and the same tray in other passes",
          "a slip of the pen is larger", "common practice"),
    Limit("off centre", 2.5, "% of the width", "farthest that the centre of the spread may lie off the line",
          "a triangular pattern that far off has a CV of 4.9 % from it, back-and-forth", "computed"),
    Limit("rate between tests", 2.0, "%", "how far the rate is off, from test to test",
          "standard deviation of a calibrated machine", "common practice"),
    Limit("stretch between tests", 1.0, "%", "how far throw and pattern are wider or narrower, from test to test",
          "standard deviation; turning speed and product as they vary over a day", "common practice"),
    Limit("least gain", 0.1, "%", "gain in CV below which another test is not worth its while",
          "a CV is not read closer than that", "common practice"),
    Limit("least gain in width", 0.1, "m", "gain in width below which another test is not worth its while",
          "a bout width is not driven closer than that", "common practice"),
    Limit("scale steps", 20, "steps", "fewest steps of the scale in the catch of a half-rate tray",
          "rounding then moves no such catch by more than 2.5 %", "common practice"),
    Limit("granule noise", 10.0, "%", "largest counting noise of a half-rate tray",
          "an overlap of two such trays has 7.1 %, which lifts a CV of 13.2 % to 15 %", "computed"),
    Limit("plan noise", 7.0, "%", "noise of a half-rate tray that a plan allows",
          "five equivalent passes of EN 13739-2 reach it with granules of 3.25 mm at 100 kg/ha", "computed"),
    Limit("gaps share", 10.0, "%", "largest share of such trays",
          "as many as dense lines leave out at the wheels", "common practice"),
    Limit("line over width", 1.5, "times", "shortest tray line, as a multiple of the effective width",
          "Ohio State University Extension Bulletin 817 (1.5 to 2 times)", "read"),
    Limit("line over bout", 2.0, "times", "tray line where only the bout width is known, as a multiple of it",
          "Ohio State University Extension Bulletin 817 (1.5 to 2 times the expected width)", "read"),
    Limit("bout over throw", 1.344, "times", "bout width to be expected from the throw to one side",
          "a triangular pattern has a CV of 15 % there", "computed"),
    Limit("trays aimed at", 16, "trays", "trays with a catch inside the bout width that a plan aims at",
          "NC State Extension AG-553, at least 16 gauges across a pattern", "read"),
    Limit("passes at most", 20, "passes", "most passes that a plan asks for without a doubt",
          "a crew's day", "common practice"),
    Limit("wheel clearance", 0.1, "m", "free room between a tyre and a tray",
          "driving to a hand's breadth", "common practice"),
    Limit("tray efficiency", 2.0, "%", "how far trays differ in what they keep of what falls on them (standard "
          "deviation)", "trays of one make, with dividers, on level ground", "common practice"),
    Limit("outlet gap", 10.0, "%", "how far an outlet of a boom may lie off the middle one",
          "the +/-10 % of EN 13739-2:2011, 5.2, held against single outlets", "common practice"),
    Limit("line and edge", 12.0, "% of the mean", "how far the deposit about the driving line may lie off that "
          "about the bout edges", "a wave with a CV of 5 %, the best spreaders' own, differs by it between "
          "thirds of the bout", "computed"),
    Limit("unlike sides", 3.0, "%", "how far the two sides of a good machine differ in what they give (standard "
          "deviation)", "outlets of a machine that was set by a bucket test", "common practice"),
    Limit("unlike sides of one disc", 10.0, "%", "how far the two sides of a good single disc differ in what they "
          "give (standard deviation)", "granules leave nearly along the rim, so that a single disc is skewed by "
          "nature, Parish and Piazza (LSU AgCenter); the number", "common practice"),
    Limit("laying error", 0.25, "m", "how far the tray line lies off the line that is driven (standard deviation)",
          "a tape, and a driver who aims at a peg", "common practice"),
    Limit("wind of the day", 0.25, "m", "how far the wind of the day moves the pattern (standard deviation)",
          "0.5 m/s across, at 0.5 m of drift for each m/s", "common practice"),
    Limit("settling", 5.0, "s", "time in which speed and flow settle after the slide opens",
          "working speed is reached before the row, Ohio State University Extension Bulletin 817; the time",
          "common practice"),
    Limit("turning", 120.0, "s", "time to come round for the next run", "turning in a field", "common practice"),
    Limit("weighing", 20.0, "s", "time to weigh and empty a tray", "two people, one calls out", "common practice"),
    Limit("explained", 0.7, "of 1", "least share of a disagreement that an explanation has to take away",
          "simulated tests, see the study of explanations", "computed"),
    Limit("driving error", 0.3, "m", "how far off the line a good pass may be driven",
          "steering by eye along marks", "common practice"),
    Limit("side reach", 0.5, "times", "least reach of the shorter side of a tray line, of the longer one",
          "a side that reaches less was hardly tested", "common practice"),
    Limit("side catch", 30.0, "% of the peak", "largest catch at the end of a side that was tested",
          "a side ends where the pattern has fallen off", "common practice"),
    Limit("mass low", 60.0, "%", "lowest share of the rate aimed at that a good test shows",
          "machines are set by tables that may be a third off", "common practice"),
    Limit("mass high", 165.0, "%", "highest share of the rate aimed at that a good test shows",
          "machines are set by tables that may be a third off", "common practice"),
    Limit("mass blocks low", 50.0, "%", "lowest share of the target rate that is judged",
          "half the rate is another setting", "common practice"),
    Limit("mass blocks high", 200.0, "%", "highest share of the target rate that is judged",
          "twice the rate is another setting", "common practice"),
    Limit("bout low", 0.45, "times", "narrowest bout width, as a multiple of the width at half the peak rate",
          "narrower ones waste half of the work", "common practice"),
    Limit("bout high", 2.2, "times", "widest bout width, as a multiple of the width at half the peak rate",
          "wider ones leave strips without a granule", "common practice"),
    Limit("rate high", 1000.0, "kg/ha", "highest rate of granular fertiliser that is usual",
          "dressings above it are split; lime goes higher", "common practice"),
    Limit("tray depth", 20.0, "mm", "deepest layer that trays hold back", "granules bounce out of a full tray",
          "common practice"),
    Limit("sphere packing", 74.0, "%", "largest share of space that equal spheres fill, a poured heap less",
          "pi / sqrt(18), Hales (2005)", "computed"),
    Limit("size number low", 80.0, "", "smallest size guide number that is spread", "granules of 0.8 mm",
          "common practice"),
    Limit("size number high", 600.0, "", "largest size guide number that is spread", "granules of 6 mm",
          "common practice"),
    Limit("sieve loss", 1.0, "%", "largest loss in sieving", "more spoils the reading", "memory"),
    Limit("strength enough", 3 * 9.80665, "N", "crush strength enough for blending and spreading",
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
    Limit("bins alike", 2.0, "%", "largest difference between bins that run one after the other",
          "a level container is read that closely; the rate is off by as much", "common practice"),
    Limit("segregation low", 10.0, "%", "difference in SGN or UI below which a blend hardly parts",
          "North American blenders' practice", "memory"),
    Limit("segregation caution", 20.0, "%", "difference in SGN or UI above which a blend parts readily",
          "North American blenders' practice", "memory"),
)  # fmt: skip
LIMITS = {limit.code: limit for limit in _ROWS}
CV_LIMIT_PCT = LIMITS["cv normal"].value
SIDE_BY_SIDE_PCT = (10.0, 15.0, 20.0, 25.0)
