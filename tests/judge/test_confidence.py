"""How sure an answer is: a pattern overlapped on a fine grid, laws of counting, a reference library, simulations."""

import json
import math
import sys
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
from scipy.special import chdtrc, chdtri

from spreadcheck.errors import QuantityError, WidthError
from spreadcheck.judge.assessment import assess
from spreadcheck.judge.confidence import confidence
from spreadcheck.judge.likely import Line, bouts_on, products, widest_within
from spreadcheck.judge.passcount import passes_for, passes_needed
from spreadcheck.passes.granules import granules
from spreadcheck.passes.noise import FROM_PASSES, FROM_STATED, NOTHING_STATED, Stated, ratio_by_chance
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traysheet import read_sheet
from spreadcheck.sheet.traytest import tray_test
from spreadcheck.show.confidence import confidence_json
from spreadcheck.spread.profile import profile_from
from spreadcheck.spread.widths import scan_methods

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "studies"))
import coverage_study as study  # noqa: E402 - a script, not a package

FORM = {"size guide number": "300", "granule density": "1325 kg/m3"}
GRANULE_G = granules(size_guide_number=300, density_kg_m3=1325).mean_mass_g
TRAPEZOID = np.clip((17 - np.abs(np.arange(-20, 21))) / 9, 0, 1)


def counted_test(pattern_kg_ha, passes, rng, offset=None, form=FORM):
    """A simulated test on 0.25 m2 trays, 1 m apart unless told, granule by granule, all granules alike."""
    offset = np.arange(len(pattern_kg_ha)) - len(pattern_kg_ha) // 2 if offset is None else offset
    counts = rng.poisson(np.asarray(pattern_kg_ha)[:, None] * 0.025 / GRANULE_G, size=(len(pattern_kg_ha), passes))
    return tray_test(offset, counts * GRANULE_G, tray_width="0.5 m", tray_length="0.5 m", form=form)


def two_peaks(x):
    return np.exp(-((x + 7) ** 2) / 60) + 0.85 * np.exp(-((x - 8) ** 2) / 72)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize(("spacing", "off"), [(0.5, 0.01), (1.0, 0.01), (2.0, 0.05)])
def test_products_give_the_cv_on_the_true_line(spacing, off, method):
    """Trays that stand anywhere, against the pattern itself overlapped on a 5 cm grid, at widths between spacings.

    Tolerance: cubic interpolation of a smooth curve at 0.5, 1 and 2 m (Keys: third order).
    """
    x = np.arange(-32, 32 + spacing / 2, spacing) + 0.3 * spacing
    bouts = bouts_on(Line(float(x[0]), spacing, np.eye(len(x))), np.arange(15.0, 33.0, 1.37), method)
    rates = two_peaks(x)
    squares = bouts.variance(products(rates[:, None]))[:, 0]
    found = 100 * np.sqrt(squares) / bouts.mean(np.array([rates.sum()]))[:, 0]
    true = [study.line_cv(two_peaks(study.FINE), width, method) for width in bouts.width_m]
    assert found == pytest.approx(true, abs=off)


@pytest.mark.parametrize("method", METHODS)
def test_straight_between_trays_is_the_cv_by_line(method):
    """Weights of the B-spline give the exact CV by line of the package, worked out from its pieces, to rounding."""
    x = np.arange(-9, 10) * 1.5
    rates = np.random.default_rng(2).random(19) * np.clip(10 - abs(x), 0, 6)
    widths = np.array([9.3, 12.0, 17.7])
    line = Line(float(x[0]), 1.5, np.eye(19))
    bouts = bouts_on(line, widths, method, straight=True)
    found = 100 * np.sqrt(bouts.variance(products(rates[:, None]))[:, 0]) / bouts.mean(rates.sum()[None])[:, 0]
    assert found == pytest.approx(scan_methods(profile_from(x, rates), widths)[method].cv_line_pct, abs=1e-9)


@pytest.mark.parametrize("method", METHODS)
def test_sums_and_transforms_agree(method):
    """A square of a sum is the squares and twice the product; long lines go through Fourier transforms (numpy's)."""
    rng = np.random.default_rng(1)
    for points in (40, 200):
        line = Line(-points / 2 + 0.3, 1.0, np.eye(points))
        bouts = bouts_on(line, np.array([7.3, 19.0, 24.6]), method)
        one, other = rng.random(points), rng.standard_normal((points, 3))
        whole = bouts.variance(products(one[:, None] + other))
        parts = bouts.variance(products(one[:, None])) + bouts.variance(products(other)) + 2 * bouts.along(one) @ other
        assert whole == pytest.approx(parts, abs=1e-10)


def test_widest_that_is_not_narrow():
    """A dip of 0.3 m beyond the band is not the answer; one of 0.8 m is; a curve that never leaves is censored."""
    width = np.arange(10.0, 20.01, 0.1)
    base = np.where(width <= 14.05, 12.0, 18.0)
    dip = [np.where(np.abs(width - 17) <= half + 1e-9, 10.0, base) for half in (0.1, 0.4)]
    curves = np.stack((base, *dip, np.full_like(base, 9.0), np.full_like(base, 30.0)), axis=1)
    found = widest_within(width, curves, 15.0, 0.6)
    assert found == pytest.approx([14.05, 14.05, 17.46, 20.0, 0.0], abs=0.06)


def test_noise_of_counted_granules_is_poissons():
    """Granules all alike: the variance of a catch is its mean times one granule. Many passes know it to sqrt(2 / K)."""
    rng = np.random.default_rng(5)
    noise = assess(counted_test(100 * TRAPEZOID, 40, rng)).noise
    kilo = GRANULE_G * 40  # g in a 0.25 m2 tray to kg/ha
    body = noise.rate_kg_ha > 20
    assert noise.variance[body].sum() == pytest.approx(
        (noise.rate_kg_ha[body] * kilo).sum(), rel=4 * math.sqrt(2 / 1000)
    )
    drawn = noise.drawn(4000, rng).at_trays_kg_ha
    assert drawn[body].var(axis=1).sum() == pytest.approx((noise.error_kg_ha[body] ** 2).sum(), rel=0.06)


def test_gusts_are_seen_and_lengthen_the_interval():
    """8 % gusts over 3 m: the part is found, neighbours are said to move together, and the interval is longer."""
    rng = np.random.default_rng(7)
    gusts = study.Cell("", 5, 1.0, gusts=0.08)
    calm = study.Cell("", 5, 1.0)
    seen = [assess(study.simulate(cell, "flat", 22.0, rng, facts=True), bout_width_m=22.0) for cell in (gusts, calm)]
    parts = [result.noise.parts() for result in seen]
    assert parts[0]["gusts"] > 0.04 > parts[1]["gusts"]
    windy, still = (confidence(result, draws=800, stated=NOTHING_STATED) for result in seen)
    assert "neighbours-together" in [doubt.code for doubt in windy.doubts]
    assert "neighbours-together" not in [doubt.code for doubt in still.doubts]
    long, short = (sure.bouts[METHODS[0]].high_pct - sure.bouts[METHODS[0]].low_pct for sure in (windy, still))
    assert long > 1.2 * short


def test_against_a_reference_bootstrap():
    """With 60 passes the noise floor hardly matters, and scipy.stats.bootstrap over passes gives the same standard
    error of the CV. Tolerance: 60 passes know a standard deviation to 1 / sqrt(2 x 59), 3 of these."""
    from scipy.stats import bootstrap

    rng = np.random.default_rng(17)
    result = assess(counted_test(300 * TRAPEZOID, 60, rng))
    drawn = confidence(result, draws=2000, stated=NOTHING_STATED)
    width = np.array([27.0])
    bouts, rates = bouts_on(drawn.lines[0], width, METHODS[0]), result.passes.rate_kg_ha

    def cv(number, axis):
        lines = drawn.lines[0].from_trays @ rates[:, number].mean(axis=axis + 1 if axis >= 0 else axis)
        lines = lines.reshape(len(lines), -1)
        return 100 * np.sqrt(bouts.variance(products(lines))[0]) / bouts.mean(lines.sum(axis=0))[0]

    reference = bootstrap(
        (np.arange(60),), cv, n_resamples=1000, method="percentile", vectorized=True, rng=np.random.default_rng(1)
    )
    ours = drawn.likely(width, METHODS[0])[0].cv_pct[0]
    assert ours.std() == pytest.approx(float(np.squeeze(reference.standard_error)), rel=3 / math.sqrt(2 * 59))


@pytest.mark.parametrize(
    "cell", [study.Cell("", 3, 1.0), study.Cell("", 3, 1.0, gusts=0.08)], ids=["counting", "gusts"]
)
def test_coverage_in_small(cell):
    """90 % intervals over 16 simulated tests hold at least 85 %, within 3 binomial standard errors; see the study."""
    rows = study.run(cell, 8)
    least = 0.85 - 3 * math.sqrt(0.85 * 0.15 / len(rows))
    assert np.mean([row["held"] for row in rows]) >= least
    assert np.mean([row["width_held"] for row in rows]) >= least


def test_docs_show_the_study():
    """The table of docs/confidence.md is that of the result file."""
    page = (ROOT / "docs" / "confidence.md").read_text(encoding="utf-8")
    result = ROOT / "tests" / "studies" / "coverage.csv"
    assert study.table(result) in page
    for gusts in (False, True):  # the probability of keeping the limit: p above 0.01
        table, square, bins = study.calibration(result, gusts=gusts)
        assert table in page
        assert chdtrc(bins, square) > 0.01


def test_what_one_test_can_not_see():
    """Stated terms only lengthen intervals; a shift does nothing round-and-round; too large ones are refused."""
    result = assess(counted_test(100 * TRAPEZOID, 3, np.random.default_rng(1)), bout_width_m=24)

    def length(method, **stated):
        bout = confidence(result, draws=300, stated=Stated(**{**vars(NOTHING_STATED), **stated})).bouts[method]
        return bout.high_pct - bout.low_pct

    back, round_ = METHODS
    assert length(back, wind_shift_m=0.8) > 1.3 * length(back)
    assert length(round_, wind_shift_m=0.8) == length(round_)
    assert length(round_, tray_efficiency_pct=6.0) > 1.1 * length(round_)
    with pytest.raises(QuantityError, match="laying error: 11 can't be; give a number from 0 to 10"):
        Stated(laying_error_m=11)


def test_open_ends_leave_a_range():
    """A line that ends at half of the peak: the truth (no longer the reading) is held, and the width is a range."""
    cell = study.Cell("", 3, 0.5, end_share=0.5)
    test = study.simulate(cell, "bell", 20.0, np.random.default_rng(3), facts=True)
    result = assess(test, bout_width_m=12.0)
    sure = confidence(result, draws=100)
    true = study.line_cv(study.SHAPES["bell"](study.FINE), 12.0, METHODS[0])
    bout = sure.bouts[METHODS[0]]
    assert sure.ends.open
    assert bout.low_pct * bout.line_share <= true <= bout.high_pct * bout.line_share
    least, most = sure.kept(np.array([12.0]), METHODS[0])[:, 0]
    assert least <= most
    if result.blocking:  # then nothing is said of how likely it is
        assert np.isnan((bout.within_pct, bout.within_most_pct)).all()
    else:
        assert (least, most) == (bout.within_pct, bout.within_most_pct)


def test_trays_two_metres_apart_read_the_line():
    """Without noise: what a pattern does between its trays moves the CV by 0.4 points at most (standard deviation)."""
    for shape, form in study.SHAPES.items():
        off = []
        for phase in (0.0, 0.5, 1.0, 1.5):
            offset = np.arange(-18.0, 18.1, 2.0) + phase
            catch = np.round(10 * form(offset), 3)
            test = tray_test(offset, np.array([catch] * 3).T, tray_width="0.5 m", tray_length="0.5 m")
            drawn = confidence(assess(test), draws=100, stated=NOTHING_STATED)
            for method in METHODS:
                widths = study.truth(shape, 2.0, method) * np.array([0.85, 0.95, 1.02, 1.1])
                true = [study.line_cv(form(study.FINE), width, method) for width in widths]
                off.append(drawn.likely(widths, method)[0].read_pct - true)
        assert np.std(off) < 0.5


def test_a_reading_under_the_floor_is_one_sided():
    """Ten times lighter: the noise alone reads more than the truth; the interval starts at 0 and holds it."""
    under = 0
    for seed in range(8):
        result = assess(counted_test(5 * TRAPEZOID, 3, np.random.default_rng(seed)), bout_width_m=25)
        bout = confidence(result, draws=200, stated=NOTHING_STATED).bouts[METHODS[1]]
        under += bout.all_noise
        assert bout.low_pct == 0 or not bout.all_noise
        assert bout.high_pct > 3
    assert under


def test_a_reading_of_nothing_stays_small():
    """Where a width happens to read next to nothing, the interval is that of the noise and not of a division by it."""
    result = assess(read_sheet(ROOT / "sample_trays" / "us_units.csv"))
    for band in confidence(result, draws=300).bands.values():
        narrow = band.width_m < 8  # the CV read there is 0.1 to 3.1 %, the noise floor 1 to 2 %
        assert band.high_pct[narrow].max() < 8


def test_probability_falls_with_width():
    """Vectorised over widths, NaN where the noise is not known."""
    rng = np.random.default_rng(2)
    drawn = confidence(assess(counted_test(100 * TRAPEZOID, 3, rng)), draws=500)
    said, most = drawn.kept(np.array([24.0, 27.0, 33.0]), METHODS[0])
    assert (said == most).all()  # nothing is missed beyond the end trays
    assert said[0] > 99
    assert said[2] < 1
    unknown = confidence(assess(counted_test(100 * TRAPEZOID, 1, rng, form={})), draws=500)
    assert np.isnan(unknown.kept(np.array([24.0]), METHODS[0])).all()
    narrow = confidence(
        assess(counted_test(100 * TRAPEZOID, 3, rng), bout_width_m=1.0), draws=300
    )  # no two trays in a bout
    assert np.isnan(narrow.kept(np.array([1.0, 24.0]), METHODS[0])[0]).tolist() == [True, False]


@pytest.mark.parametrize("freedom", [10, 40, 200])
@pytest.mark.parametrize("share", [0.025, 0.975])
def test_range_by_chance_against_scipy(freedom, share):
    """Wilson and Hilferty's quantiles of chi-square, against scipy's: within 1 % from ten degrees of freedom on."""
    z = NormalDist().inv_cdf(share)
    assert ratio_by_chance(freedom, z) == pytest.approx(chdtri(freedom, 1 - share) / freedom, rel=0.01)


def test_passes_and_counting_agree():
    """Granules that fall by chance alone: the two ways of knowing the noise agree in 95 % of tests (binomial)."""
    rng = np.random.default_rng(19)
    agree = [assess(counted_test(100 * TRAPEZOID, 3, rng)).noise.agreement.agree for _ in range(40)]
    assert np.mean(agree) >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 40)


def test_passes_needed():
    """More passes pin the width better, closer trays too, and what one test can't see stands apart."""
    test = counted_test(25 * TRAPEZOID, 5, np.random.default_rng(29))
    needed = passes_for(confidence(assess(test), stated=NOTHING_STATED), 0.35)
    halves = [half for _, half in needed.half_widths_m]
    assert halves == sorted(halves, reverse=True)
    assert 2 <= needed.passes <= 60
    assert needed.closer_trays_passes < needed.passes
    assert halves[3] / halves[6] == pytest.approx(math.sqrt(25 / 5), rel=0.2)  # small noise goes as the root
    assert needed.unseen_m == 0
    unsteady = passes_for(confidence(assess(test), stated=Stated(0.0, 0.0, 3.0)), 0.35)
    assert unsteady.passes == needed.passes
    assert unsteady.unseen_m > 0.35
    asked = {"limit_pct": 20.0, "tails": "cut", "level_pct": 80.0, "draws": 300, "seed": 5, "stated": NOTHING_STATED}
    sure = confidence(assess(test, limit_pct=20, tails="cut"), draws=300, seed=5, level_pct=80, stated=NOTHING_STATED)
    assert passes_needed(test, 0.35, **asked) == passes_for(sure, 0.35)  # as it is asked of the library


def test_passes_that_can_not_be_told():
    ramp = tray_test([-2, -1, 0, 1, 2], [[1, 1.1], [2, 2.1], [3, 3.2], [2, 2.1], [1, 1]],
                     tray_width="0.5 m", tray_length="0.5 m")  # fmt: skip
    with pytest.raises(WidthError, match="half-width: 0 m can't be reached"):
        passes_for(confidence(assess(ramp)), 0.0)
    assert passes_for(confidence(assess(ramp)), 0.5).why_not == "the end trays still catch; lay trays farther out first"
    one = assess(counted_test(50 * TRAPEZOID, 1, np.random.default_rng(1)))
    assert passes_for(confidence(one), 0.5).why_not.startswith("one pass tells nothing about how passes differ")
    line = assess(counted_test(50 * TRAPEZOID, 3, np.random.default_rng(1)), limit_pct=80)
    assert "the tray line is too short to find the end" in passes_for(confidence(line), 0.5).why_not
    none = assess(counted_test(50 * (1 + np.arange(41) % 2) * TRAPEZOID, 3, np.random.default_rng(1)), limit_pct=0.01)
    assert "no bout width is within the limit" in passes_for(confidence(none), 0.5).why_not


def test_one_pass_says_so():
    known = confidence(assess(counted_test(50 * TRAPEZOID, 1, np.random.default_rng(1)), bout_width_m=24), draws=300)
    assert known.noise.source == FROM_STATED
    assert "holds for noise as stated" in known.doubts[0].message()
    unknown = confidence(assess(counted_test(50 * TRAPEZOID, 1, np.random.default_rng(1), form={}), bout_width_m=24))
    assert (unknown.noise.known, unknown.noise.missing) == (False, ("size guide number", "granule density"))
    data = confidence_json(unknown)
    assert (data["noise"]["source"], data["methods"], "bout" in data) == (None, {}, False)


def test_same_seed_same_figures():
    result = assess(counted_test(50 * TRAPEZOID, 3, np.random.default_rng(1)), bout_width_m=24)
    one, again, other = (json.dumps(confidence_json(confidence(result, seed=s, draws=300))) for s in (5, 5, 6))
    assert one == again
    assert one.replace('"seed": 5', '"seed": 6') != other


def test_missing_catches_and_volumes():
    """Thrown-out catches leave fewer passes at a tray; ml without a bulk density still give intervals from passes."""
    nan = float("nan")
    catch = [[2, 2.2, 1.9], [4, nan, 4.2], [6, 6.3, 5.8], [nan, nan, nan], [2, 2.1, 2.2]]
    test = tray_test([-2, -1, 0, 1, 2], catch, tray_width="0.5 m", tray_length="0.5 m", unit="ml")
    sure = confidence(assess(test, bout_width_m=3, relative=True), draws=300)
    assert sure.noise.source == FROM_PASSES
    assert sure.noise.used.tolist() == [3, 2, 3, 3]
    assert np.isnan(sure.tray_error_kg_ha).tolist() == [False, False, False, True, False]
    assert sure.noise.missing == ("size guide number", "granule density", "bulk density")


def test_uneven_and_long_lines():
    """Trays that stand unevenly, and lines of 600 and 4,000 trays, are drawn too: finite intervals."""
    rng = np.random.default_rng(4)
    uneven = np.sort(rng.choice(np.arange(-40, 41), 35, replace=False)) * 0.5
    for offset in (uneven, np.arange(-300, 300) * 0.06, np.arange(-2_000, 2_000) * 0.01):
        pattern = 100 * np.clip((17 - np.abs(offset)) / 9, 0, 1)
        drawn = confidence(assess(counted_test(pattern, 3, rng, offset), width_m=[20.0, 24.0]), draws=300)
        for method in METHODS:
            band = drawn.band_at(np.array([20.0, 24.0]), method)
            assert np.isfinite(band.high_pct).all()
            assert (band.low_pct <= band.high_pct).all()


def test_covariance_with_a_pattern_against_plain_sums():
    """Weights on the rates of another pattern: sum over m of apart(m) (p(j + m) + p(j - m)) / 2, and of folded."""
    rng, points = np.random.default_rng(5), 31
    bouts = bouts_on(Line(-15.3, 1.0, np.eye(points)), np.array([4.3, 12.0]), METHODS[0])
    pattern, other = rng.random(points), rng.random(points)
    both, minus = (bouts.variance(products((pattern + sign * other)[:, None]))[:, 0] for sign in (1, -1))
    assert bouts.along(pattern) @ other == pytest.approx((both - minus) / 4, rel=1e-12)


def test_a_thousand_passes_weigh_as_their_squares():
    """More passes than trays: the same noise as from a plain look at every pass."""
    rng = np.random.default_rng(6)
    rates = 100 * TRAPEZOID[:, None] * rng.normal(1, 0.05, (41, 400))
    noise = assess(tray_test(np.arange(-20, 21), rates / 40, tray_width="0.5 m", tray_length="0.5 m")).noise
    assert np.sqrt(noise.variance[20]) == pytest.approx(5, rel=3 / np.sqrt(2 * 399))


@pytest.mark.parametrize(
    ("setting", "message"), [({"draws": 10}, "10 draws"), ({"seed": -1}, "-1 is no seed"), ({"level_pct": 30}, "30 %")]
)
def test_settings_that_can_not_be_used(setting, message):
    with pytest.raises(WidthError, match=message):
        confidence(assess(counted_test(50 * TRAPEZOID, 3, np.random.default_rng(1))), **setting)


def test_the_driving_error_asked_for_makes_a_band_narrow_here_too():
    """An assessment and its confidence pass over the same narrow bands: their widths as read agree to the step."""
    x = np.arange(-10.0, 11.0)
    rate = np.round(10 * np.exp(-(((abs(x) - 6.0) / 2.0) ** 2)) + 7 * np.exp(-((x / 3.0) ** 2)), 1)
    test = tray_test(x, rate[:, None] * np.array([0.99, 1.0, 1.01]), tray_width="0.5 m", tray_length="0.5 m")
    found = {}
    for error_m in (0.3, 1.0):
        judged = assess(test, driving_error_m=error_m)
        sure = confidence(judged, draws=100).bands["round-and-round"]
        found[error_m] = judged.effective_width_m("round-and-round")
        assert sure.effective_width_m == pytest.approx(found[error_m], abs=0.1)
    assert found[0.3] > found[1.0] + 3  # the wider band is too narrow to drive with the larger error
