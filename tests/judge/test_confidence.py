"""How sure an answer is: closed forms of counting, Monte Carlo with its own standard error, a reference library,
published findings on tray layouts, and a reduced coverage study."""

import csv
import json
import math
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from spreadcheck.doubts.noise_known import noise_of
from spreadcheck.errors import WidthError
from spreadcheck.judge.assessment import assess
from spreadcheck.judge.confidence import confidence, floor_pct
from spreadcheck.judge.passcount import passes_for, passes_needed
from spreadcheck.judge.plausible import noise_variance, plausible_cv, widest_crossing
from spreadcheck.passes.granules import granule_mass_g
from spreadcheck.passes.laws import VarianceLaw, neighbour_correlation, pass_spread, pooled_law
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import tray_test
from spreadcheck.show.results_confidence import confidence_json
from spreadcheck.spread.profile import pass_rates, profile_from
from spreadcheck.spread.traymap import tray_map
from spreadcheck.spread.widths import default_widths, scan_methods

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "studies"))
import coverage_study as study  # noqa: E402 - a script, not a package
import coverage_tables  # noqa: E402

UREA_MG = granule_mass_g(diameter_mm=2.53, density_kg_m3=1325) * 1000
FORM = {"size guide number": "300", "granule density": "1325 kg/m3"}
GRANULE_G = granule_mass_g(diameter_mm=3.0, density_kg_m3=1325)


def counted_test(pattern_kg_ha, passes, rng, offset=None, form=FORM):
    """A simulated test on 0.25 m2 trays 1 m apart, granule by granule, all granules alike."""
    offset = np.arange(len(pattern_kg_ha)) - len(pattern_kg_ha) // 2 if offset is None else offset
    counts = rng.poisson(np.asarray(pattern_kg_ha)[:, None] * 0.025 / GRANULE_G, size=(len(pattern_kg_ha), passes))
    return tray_test(offset, counts * GRANULE_G, tray_width="0.5 m", tray_length="0.5 m", form=form)


@pytest.mark.parametrize("tails", ["taper", "cut"])
@pytest.mark.parametrize("seed", range(4))
def test_tray_map_is_the_overlap(seed, tails):
    """The linear map gives the CV by trays of the width scan: even lines, gaps, uneven and off-centre lines."""
    rng = np.random.default_rng(seed)
    offset = (
        np.arange(-20.0, 21.0),
        np.sort(rng.choice(np.arange(-40, 41), 30, replace=False)) * 0.5,
        np.arange(-10, 13) + 0.3,
        np.sort(rng.uniform(-15, 15, 12)),
    )[seed]
    rates = rng.uniform(0, 10, len(offset))
    rates[3] = np.nan  # a tray that was not weighed
    profile = profile_from(offset, rates, tails=tails)
    widths = np.sort(np.append(default_widths(profile)[:60], 7.77))
    bouts = tray_map(profile, widths)
    scans = scan_methods(profile, widths)
    found = bouts.cv_of_line_pct(rates[~np.isnan(rates)])
    assert found == pytest.approx(np.concatenate([scans[m].cv_trays_pct for m in METHODS]), abs=1e-9, nan_ok=True)
    many = bouts.cv_pct(rates[~np.isnan(rates)][:, None])[:, 0]
    assert many == pytest.approx(found, abs=1e-5, nan_ok=True)


@pytest.mark.parametrize(
    ("diameter", "density", "rate", "passes", "cv"),
    [(2.53, 1325, 100, 1, 6.70), (3.25, 1600, 100, 1, 10.73), (3.25, 1325, 150, 1, 7.97), (3.25, 1325, 20, 1, 21.82),
     (3.25, 1600, 100, 5, 4.80)],
)  # fmt: skip
def test_floor_is_counting(diameter, density, rate, passes, cv):
    """An even spread read by 0.25 m2 trays without overlap has a CV of 100 / sqrt(granules in a tray): Poisson.

    Tolerance: half of the last digit printed.
    """
    form = {"size guide number": f"{100 * diameter:g}", "granule density": f"{density} kg/m3"}
    catch = np.full((9, passes), rate * 0.025)
    test = tray_test(np.arange(-4.0, 5.0), catch, tray_width="0.5 m", tray_length="0.5 m", form=form)
    result = assess(test, tails="cut", bout_width_m=9.0)
    bouts = tray_map(result.profile, np.array([9.0]))
    noise = noise_of(test, result.profile)
    assert floor_pct(bouts, noise, noise.counting) == pytest.approx(cv, abs=0.005)
    if passes == 1:
        assert confidence(result).bouts[METHODS[0]].noise_floor_pct == pytest.approx(cv, abs=0.005)


def test_noise_gain_against_simulation():
    """What noise adds to s^2 on average, at every width and method, within 4.5 of the simulation's standard errors."""
    rng = np.random.default_rng(3)
    rates = 100 * np.clip(1.05 - np.abs(np.arange(-20, 21)) / 20, 0, 1)
    profile = profile_from(np.arange(-20.0, 21.0), rates)
    bouts = tray_map(profile, default_widths(profile))
    variance = rng.uniform(0.5, 2.0, 41) * rates / 5
    added = bouts.variance(rates[:, None] + np.sqrt(variance)[:, None] * rng.standard_normal((41, 20_000)))
    added -= bouts.variance(rates[:, None])
    error = added.std(axis=1, ddof=1) / math.sqrt(20_000)
    assert np.nanmax(np.abs(added.mean(axis=1) - noise_variance(bouts, variance)) / error) < 4.5


def test_law_is_found_again():
    """A law in, the same law out; a factor on a whole pass is not noise; Poisson counts have variance = mean."""
    rate = np.linspace(0, 100, 41)
    law = pooled_law(rate, 4.0 + 0.5 * rate + 0.01 * rate**2, np.full(41, 2.0))
    assert (law.constant, law.by_rate, law.by_square) == pytest.approx((4.0, 0.5, 0.01), rel=1e-6)
    rates = rate * np.array([0.8, 1.0, 1.3])[:, None]
    assert not pass_spread(rates).at(rate).any() or pass_spread(rates).at(rate).max() < 1e-20
    counts = np.random.default_rng(5).poisson(rate, size=(4000, 3, 41))
    ratio = np.array(
        [pass_spread(each.astype(float)).at(each.mean(axis=0)).sum() / each.mean(axis=0).sum() for each in counts]
    )
    assert abs(ratio.mean() - 1) < 4 * ratio.std(ddof=1) / math.sqrt(len(ratio))


def test_noise_out_is_unbiased():
    """CV^2 less the floor^2 is the true CV^2 on average, the floor taken from the passes of the same test.

    Tolerance: 4 standard errors of the simulation, and 3 Var(mean) / mean^2 of bias from dividing by a mean that is
    itself read by trays.
    """
    rng = np.random.default_rng(11)
    truth = 50 * np.clip((17 - np.abs(np.arange(-20, 21))) / 9, 0, 1)
    profile = profile_from(np.arange(-20.0, 21.0), truth)
    bouts = tray_map(profile, np.array([24.0]), METHODS[:1])
    true = bouts.cv_of_line_pct(truth)[0]
    found = []
    for _ in range(400):
        test = counted_test(truth, 3, rng)
        noise = noise_of(test, assess(test).profile)
        rates = pass_rates(test).mean(axis=0)
        found.append(
            bouts.cv_of_line_pct(rates)[0] ** 2
            - noise_variance(bouts, noise.law.at(rates) / 3)[0] / bouts.mean(rates[:, None])[0, 0] ** 2 * 1e4
        )
    found = np.array(found)
    relative = 3 * 0.12**2 / 3 / 24  # 12 % a tray, 3 passes, 24 trays in the mean
    assert abs(found.mean() - true**2) < 4 * found.std(ddof=1) / math.sqrt(len(found)) + relative * found.mean()


def test_a_light_application_reads_13_where_4_is_true():
    """50 kg/ha of 3 mm granules (1325 kg/m3), 0.25 m2 trays, one pass: 66.7 granules a tray, 12.2 % by Poisson; with a
    true CV of 4 % the trays read sqrt(4^2 + 12.2^2) = 12.9 %. With the noise taken out, 4 % comes back."""
    rng = np.random.default_rng(13)
    offset = np.arange(-24.0, 24.5, 0.5)
    pattern = np.clip((20 - np.abs(offset)) / 12, 0, 1)
    profile = profile_from(offset, pattern)
    widths = np.arange(25.0, 28.0, 0.5)
    cv = tray_map(profile, widths, METHODS[:1]).cv_of_line_pct(pattern)
    at = int(np.abs(cv - 4).argmin())
    assert cv[at] == pytest.approx(4, abs=0.5)
    bouts = tray_map(profile, widths[[at]], METHODS[:1])
    truth = pattern * 50 / bouts.mean(pattern[:, None])[0, 0]
    read, out = [], []
    for _ in range(1000):
        test = counted_test(truth, 1, rng, offset)
        rates = pass_rates(test)[0]
        noise = noise_of(test, profile_from(offset, rates))
        assert noise.source == "counting"
        read.append(bouts.cv_of_line_pct(rates)[0])
        out.append(read[-1] ** 2 - floor_pct(bouts, noise, noise.law)[0] ** 2)
    assert np.mean(read) == pytest.approx(13, abs=0.5)
    error = np.std(out, ddof=1) / math.sqrt(len(out))
    relative = 3 * 0.122**2 / 53  # of CV^2, from dividing by a mean of 53 trays
    assert abs(np.mean(out) - cv[at] ** 2) < 4 * error + relative * np.mean(np.square(read))


def test_against_a_reference_bootstrap():
    """With many heavy passes the noise floor hardly matters, and scipy.stats.bootstrap over passes gives the same
    standard error of the CV. Tolerance: 60 passes know a standard deviation to 1 / sqrt(2 x 59), 3 of these."""
    from scipy.stats import bootstrap

    rng = np.random.default_rng(17)
    truth = 300 * np.clip((17 - np.abs(np.arange(-20, 21))) / 9, 0, 1)
    rates = pass_rates(counted_test(truth, 60, rng))
    profile = profile_from(np.arange(-20.0, 21.0), rates.mean(axis=0))
    bouts = tray_map(profile, np.array([27.0]), METHODS[:1])

    def cv(*number, axis):
        return bouts.cv_pct(rates[number[0]].mean(axis=axis - 1).reshape(-1, 41).T)[0]

    reference = bootstrap(
        (np.arange(60),), cv, n_resamples=2000, method="percentile", vectorized=True, rng=np.random.default_rng(1)
    )
    law = pass_spread(rates)
    ours = plausible_cv(
        bouts, rates.mean(axis=0), law.at(rates.mean(axis=0)) / 60, draws=2000, freedom=law.freedom, rng=rng
    )
    assert ours[0].std() == pytest.approx(reference.standard_error, rel=3 / math.sqrt(2 * 59))
    shift = abs(np.median(ours) - np.mean(reference.confidence_interval))
    assert shift < 0.5 * reference.standard_error


REDUCED = [("triangle", 50.0, 2.0, 3), ("trapezoid", 25.0, 1.0, 5), ("bell", 100.0, 2.0, 9),
           ("two peaks", 25.0, 2.0, 3), ("bell", 25.0, 2.0, 1)]  # fmt: skip


@pytest.mark.parametrize(("shape", "rate", "spacing", "passes"), REDUCED)
def test_coverage(shape, rate, spacing, passes):
    """The coverage study in small: 90 % intervals hold 85 to 95 % of truths, within 3 binomial standard errors."""
    tests = 200
    cell = study.cell(shape, rate, spacing, passes)
    margin = 3 * 100 * math.sqrt(0.9 * 0.1 / tests)
    for score in study.scores(cell, tests, np.random.default_rng([1, passes]), [study.CHOSEN]):
        assert 85 - margin <= score.cv_cover <= 95 + margin
        assert 85 - margin <= score.width_cover <= 95 + margin


def test_other_estimators_do_not_hold():
    """The study can tell: the plain bootstrap and noise added on top miss most truths of a light application."""
    cell = study.cell("trapezoid", 25.0, 2.0, 3)
    for score in study.scores(cell, 60, np.random.default_rng(1), ["passes resampled", "noise added"]):
        assert score.cv_cover < 50


def test_the_whole_study_met_its_bar():
    """Every cell of the study on file: 4 shapes x 4 rates x 3 spacings x 4 numbers of passes x 2 driving methods."""
    with (ROOT / "tests" / "studies" / "coverage_chosen.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 4 * 4 * 3 * 4 * 2
    for row in rows:
        if row["passes"] != "1":
            assert 85 <= float(row["cv_cover"]) <= 95, row
            assert 85 <= float(row["width_cover"]) <= 95, row


def test_docs_show_the_study():
    """The tables of docs/confidence.md are those of the result files."""
    page = (ROOT / "docs" / "confidence.md").read_text(encoding="utf-8")
    assert coverage_tables.by_cell() in page
    assert coverage_tables.compared() in page


def test_passes_and_counting_agree():
    """Granules that fall by chance alone: the two ways of knowing the noise agree in 95 % of tests (binomial)."""
    rng, truth = np.random.default_rng(19), 100 * np.clip((17 - np.abs(np.arange(-20, 21))) / 9, 0, 1)
    profile = profile_from(np.arange(-20.0, 21.0), truth)
    agree = [noise_of(counted_test(truth, 3, rng), profile).agreement.agree for _ in range(400)]
    assert abs(np.mean(agree) - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 400)


def test_neighbours_move_together_in_wind():
    """Passes shifted sideways by half a tray are told from chance; counting alone is not flagged."""
    rng = np.random.default_rng(23)
    x = np.arange(-20.0, 21.0)
    shifted = [rng.poisson(300 * np.exp(-((x - shift) ** 2) / 100)) for shift in (-0.8, 0.0, 0.8)]
    correlation, error = neighbour_correlation(np.array(shifted, dtype=float))
    assert correlation > 3 * error
    catch = np.array(shifted).T * 0.02
    sure = confidence(assess(tray_test(x, catch, tray_width="0.5 m", tray_length="0.5 m")))
    assert "neighbours-together" in [doubt.code for doubt in sure.doubts]


def half_width_m(spacing_m, tray_width_m, passes):
    """Half-width at 100 kg/ha of 2.53 mm urea from trays 0.5 m long; the pattern itself is known without noise."""
    offset = np.arange(-20.0, 20.0 + spacing_m / 2, spacing_m)
    catch = 100 * np.clip((17 - np.abs(offset)) / 9, 0, 1) * tray_width_m * 0.5 / 10
    form = {"size guide number": "253", "granule density": "1325 kg/m3"}
    test = tray_test(offset, catch, tray_width=f"{tray_width_m} m", tray_length="0.5 m", form=form)
    result = assess(test, width_m=np.arange(16.0, 33.0))
    return dict(passes_for(result, 0.5).half_widths_m)[passes]


def test_published_findings_on_layouts():
    """Jones, Lawrence & Yule (2008, Powder Technology; abstract), 80 trays of 0.5 m, two replicates at 80 to 150 kg/ha:
    good layouts find the bout width to within a tray (0.5 m), trays of 0.25 m do no better, sparse ones are worst."""
    contiguous = half_width_m(0.5, 0.5, 2)
    assert contiguous < 0.5
    assert half_width_m(0.25, 0.25, 2) == pytest.approx(contiguous, rel=0.1)  # the same granules, cut finer
    assert half_width_m(1.0, 0.5, 2) > 1.2 * contiguous
    assert half_width_m(2.0, 0.5, 2) > 1.2 * half_width_m(1.0, 0.5, 2)


def test_passes_needed_do_pin_the_width():
    """Tests with the passes asked for: their effective widths without noise spread as far as was wanted.

    Tolerance: 300 widths know the distance of two quantiles to about 8 %; the forecast rests on one test of 5 passes.
    """
    rng = np.random.default_rng(29)
    truth = 25 * np.clip((17 - np.abs(np.arange(-20, 21))) / 9, 0, 1)
    needed = passes_needed(counted_test(truth, 5, rng), 0.35)
    assert 2 <= needed.passes <= 40
    assert [half for _, half in needed.half_widths_m] == sorted((h for _, h in needed.half_widths_m), reverse=True)
    profile = profile_from(np.arange(-20.0, 21.0), truth)
    widths = default_widths(profile)
    bouts = tray_map(profile, widths, METHODS[:1])
    found = []
    for _ in range(300):
        rates = pass_rates(counted_test(truth, needed.passes, rng)).mean(axis=0)
        law = VarianceLaw(0, GRANULE_G * 40, 0)
        floor = noise_variance(bouts, law.at(rates) / needed.passes) / bouts.mean(rates[:, None])[:, 0] ** 2 * 1e4
        out = np.sqrt(np.maximum(bouts.cv_of_line_pct(rates) ** 2 - floor, 0))
        found.append(widest_crossing(widths, out[:, None], 15.0)[0])
    low, high = np.percentile(found, [5, 95])
    assert (high - low) / 2 == pytest.approx(0.35, rel=0.3)


def test_passes_that_can_not_be_told():
    flat = tray_test(np.arange(-4.0, 5.0), np.full(9, 2.5), tray_width="0.5 m", tray_length="0.5 m", form=FORM)
    with pytest.raises(WidthError, match="half-width: 0 m can't be reached"):
        passes_for(assess(flat), 0.0)
    ramp = tray_test([-2, -1, 0, 1, 2], [[1, 1.1], [2, 2.1], [3, 3.2], [2, 2.1], [1, 1]],
                     tray_width="0.5 m", tray_length="0.5 m")  # fmt: skip
    none = passes_for(assess(ramp, limit_pct=0.001, width_m=[2.0, 4.0]), 0.5)
    assert none.why_not in ("", "no bout width is within the limit, so there is no effective width to pin")
    wide = passes_for(assess(ramp, limit_pct=80), 0.5)
    assert (
        wide.why_not
        == "the widest bout width tried is still within the limit: the tray line is too short to find the end"
    )


def test_one_pass_says_so():
    truth = 50 * np.clip((17 - np.abs(np.arange(-20, 21))) / 9, 0, 1)
    known = confidence(assess(counted_test(truth, 1, np.random.default_rng(1)), bout_width_m=24))
    assert known.noise.source == "counting"
    assert (
        known.doubts[0].message().startswith("1 pass tells nothing about how passes differ. No interval from passes is")
    )
    unknown = confidence(assess(counted_test(truth, 1, np.random.default_rng(1), form={}), bout_width_m=24))
    assert (unknown.known, unknown.noise.missing) == (False, ("size guide number", "granule density"))
    data = confidence_json(unknown)
    assert (data["noise"]["source"], data["methods"], "bout" in data) == (None, {}, False)


def test_same_seed_same_figures():
    truth = 50 * np.clip((17 - np.abs(np.arange(-20, 21))) / 9, 0, 1)
    result = assess(counted_test(truth, 3, np.random.default_rng(1)), bout_width_m=24)
    one, again, other = (json.dumps(confidence_json(confidence(result, seed=seed))) for seed in (5, 5, 6))
    assert one == again
    assert one.replace('"seed": 5', '"seed": 6') != other


def test_missing_catches_and_volumes():
    """Thrown-out catches leave fewer passes at a tray; ml without a bulk density still give intervals from passes."""
    nan = float("nan")
    catch = [[2, 2.2, 1.9], [4, nan, 4.2], [6, 6.3, 5.8], [nan, nan, nan], [2, 2.1, 2.2]]
    test = tray_test([-2, -1, 0, 1, 2], catch, tray_width="0.5 m", tray_length="0.5 m", unit="ml")
    sure = confidence(assess(test, bout_width_m=3, relative=True))
    assert sure.noise.used.tolist() == [3, 2, 3, 3]
    assert np.isnan(sure.tray_error_kg_ha).tolist() == [False, False, False, True, False]
    assert sure.noise.missing == ("size guide number", "granule density", "bulk density")


def test_speed():
    """2,000 draws of 41 trays and 5 passes, all widths, both driving methods: at most 1 s on one core."""
    truth = 100 * np.clip((17 - np.abs(np.arange(-20, 21))) / 9, 0, 1)
    result = assess(counted_test(truth, 5, np.random.default_rng(1)), bout_width_m=24)
    confidence(result, draws=100)  # imports
    begun = time.process_time()
    confidence(result, draws=2000)
    assert time.process_time() - begun < 1.0
