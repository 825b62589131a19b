"""The best spinner speed: known parabolas, certified regressions, scipy and numpy as references, and simulation.

Monte-Carlo tolerances are three binomial standard errors of the rate that is stated.
"""

import json
import shutil
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from spreadcheck import read_sheet, tray_test
from spreadcheck.cli import main
from spreadcheck.errors import SpreadcheckError
from spreadcheck.improve.speedcurve import best_speeds, fit_curve
from spreadcheck.improve.tune import AT_HIGHEST, CLEAR, EDGE, MISFIT, NO_CURVE, UNCLEAR, tune
from spreadcheck.show.plots_tuning import tuning_figure
from spreadcheck.show.tune import tuning_json, tuning_text

SAMPLES = Path(__file__).parents[2] / "sample_trays"
SERIES = sorted((SAMPLES / "speed_series").glob("*.csv"))
SPEEDS = np.array([500.0, 600, 700, 800, 900])


def three_errors(rate, draws):
    """Three binomial standard errors of a rate found in so many draws."""
    return 3 * sqrt(rate * (1 - rate) / draws)


def run(*arguments, **more):
    return CliRunner().invoke(main, ["tune", *(str(argument) for argument in arguments)], **more)


def at_speed(speed, throw=16.0, **form):
    """A test whose straight flanks reach to `throw`: effective width and evenness follow from it."""
    offset = np.arange(-24.0, 25.0)
    rates = np.clip((throw - np.abs(offset)) / (0.5 * throw), 0, 1) * (1 + 1e-5 * speed)
    labels = {"spinner speed": f"{speed:g} rpm", "product": "Granular urea", "bout width": "24 m"} | form
    form = {label: value for label, value in labels.items() if value}
    return tray_test(offset, np.round(4 * rates, 6), tray_width="0.5 m", tray_length="0.5 m", form=form)


# --- the curve, against references -----------------------------------------------------------------------------------


@given(st.floats(450, 950), st.floats(0.5, 50), st.floats(0, 30), st.integers(4, 9))
def test_the_vertex_of_a_known_parabola_is_found(vertex, bend, floor, count):
    """Tests that lie on a parabola: its vertex if it is in the range, else the end that is nearer to it."""
    speeds = np.linspace(500, 900, count)
    curve = fit_curve(speeds, floor + bend * ((speeds - vertex) / 200) ** 2)
    best, _ = best_speeds(curve, 500, 900, smallest=True)
    assert best == pytest.approx(np.clip(vertex, 500, 900), abs=1e-4)
    turned, _ = best_speeds(fit_curve(speeds, floor - bend * ((speeds - vertex) / 200) ** 2), 500, 900, smallest=False)
    assert turned == pytest.approx(np.clip(vertex, 500, 900), abs=1e-4)


# NIST Statistical Reference Datasets, "Pontius" (load cell calibration, quadratic, 40 observations, lower difficulty):
# certified values as printed there [MEM; the data reproduce them to all digits, which no misremembered ones would].
PONTIUS_Y = """.11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146 1.20001 1.30822 1.41599 1.52399
1.63194 1.73947 1.84646 1.95392 2.06128 2.16844 .11052 .22018 .32939 .43886 .54798 .65739 .76596 .87474 .98300 1.09150
1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829"""
PONTIUS = (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14)
PONTIUS_SD = 0.205177424076185e-03


def test_a_certified_quadratic():
    load = np.tile(np.arange(1, 21) * 150_000.0, 2)
    deflection = np.array([float(value) for value in PONTIUS_Y.split()])
    curve = fit_curve(load, deflection)
    at = np.array([150_000.0, 1_234_567.0, 3_000_000.0])
    certified = PONTIUS[0] + PONTIUS[1] * at + PONTIUS[2] * at**2
    assert curve.at(at)[0] == pytest.approx(certified, rel=1e-11)
    assert curve.sd == pytest.approx(PONTIUS_SD, rel=1e-9)
    assert curve.freedom == 37


def test_lack_of_fit_of_a_textbook_case():
    """Bank branches: F = 14.80, pure error mean square 229.6, p = 0.006: Neter, Wasserman & Kutner, Applied linear
    statistical models, chapter on the lack-of-fit test [MEM]. Tolerances: half of the last digit printed."""
    deposit = [125, 100, 200, 75, 150, 175, 75, 175, 125, 200, 100]
    accounts = [160, 112, 124, 28, 152, 156, 42, 124, 150, 104, 136]
    line = np.polyfit(deposit, accounts, 1)
    squares = ((np.polyval(line, deposit) - accounts) ** 2).sum()
    assert squares == pytest.approx(14741.6, abs=0.05)
    curve = fit_curve(deposit, accounts)  # six settings: this package bends the line, so the printed case is the line's
    assert curve.lack_of_fit.repeat_sd**2 == pytest.approx(229.6, abs=0.05)
    assert curve.lack_of_fit.freedom == (3, 5)
    ratio = (squares - 5 * curve.lack_of_fit.repeat_sd**2) / 4 / curve.lack_of_fit.repeat_sd**2
    assert ratio == pytest.approx(14.80, abs=0.005)
    bend = np.polyfit(deposit, accounts, 2)
    bent = ((np.polyval(bend, deposit) - accounts) ** 2).sum()
    bent_ratio = (bent - 1148.0) / 3 / 229.6
    assert curve.lack_of_fit.p == pytest.approx(stats.f.sf(bent_ratio, 3, 5), rel=1e-6)


def test_lack_of_fit_of_a_straight_line_by_hand():
    """Three speeds, repeated: squares of the misfit and of the repeats worked out one by one."""
    speed, value = [500, 500, 700, 700, 900, 900], [10.0, 12, 5, 7, 10, 12]
    curve = fit_curve(speed, value)
    # means 11, 6, 11 about a level line of 28 / 3: 2 (25/9 + 100/9 + 25/9) = 100/3; repeats 6 x 1
    ratio = (100 / 3) / 1 / (6 / 3)
    assert curve.kind == "straight line"
    assert curve.lack_of_fit.repeat_sd == pytest.approx(sqrt(2))
    assert curve.lack_of_fit.p == pytest.approx(stats.f.sf(ratio, 1, 3), rel=1e-9)


def test_the_band_of_a_straight_line_is_the_closed_form():
    """s sqrt(1/n + (x - mean)2 / Sxx) times Student's t, with scipy's line."""
    speed, value = np.array([500.0, 500, 650, 900, 900]), np.array([20.0, 21, 23, 24.5, 26])
    curve = fit_curve(speed, value)
    line = stats.linregress(speed, value)
    at = np.array([500.0, 640, 777, 900])
    fitted, half = curve.at(at)
    assert fitted == pytest.approx(line.intercept + line.slope * at, rel=1e-10)
    sd = sqrt(((value - line.intercept - line.slope * speed) ** 2).sum() / 3)
    sxx = ((speed - speed.mean()) ** 2).sum()
    closed = stats.t.ppf(0.975, 3) * sd * np.sqrt(1 / 5 + (at - speed.mean()) ** 2 / sxx)
    assert half == pytest.approx(closed, rel=1e-10)
    rise, reach = curve.above([900.0], 500.0)
    assert rise[0] == pytest.approx(400 * line.slope)
    assert reach[0] == pytest.approx(stats.t.ppf(0.975, 3) * 400 * line.stderr, rel=1e-9)


@pytest.mark.parametrize("level", [90, 95, 99])
def test_the_band_of_a_quadratic_is_numpys_covariance(level):
    rng = np.random.default_rng(1)
    speed = np.array([500.0, 560, 610, 700, 700, 820, 900])
    value = 8 + ((speed - 690) / 80) ** 2 + rng.normal(0, 0.5, len(speed))
    curve = fit_curve(speed, value, level_pct=level)
    coefficients, covariance = np.polyfit(speed - 700, value, 2, cov=True)
    at = np.array([500.0, 655, 900])
    powers = np.stack(((at - 700) ** 2, at - 700, np.ones(3)), axis=1)
    fitted, half = curve.at(at)
    assert fitted == pytest.approx(powers @ coefficients, rel=1e-9)
    errors = np.sqrt(np.einsum("ij,jk,ik->i", powers, covariance, powers))
    assert half == pytest.approx(stats.t.ppf(0.5 + level / 200, 4) * errors, rel=1e-7)


def test_widths_are_never_surer_than_their_steps():
    """Effective widths that lie on a line by luck: one test is off by rounding to whole steps, step / sqrt(12)."""
    curve = fit_curve(SPEEDS, [20, 21, 22, 23, 24], step=1.0)
    assert curve.sd == pytest.approx(1 / sqrt(12))
    assert fit_curve(SPEEDS, [20, 25, 19, 30, 21], step=1.0).sd > 1


def test_how_often_band_stretch_and_misfit_are_right():
    """A parabola with normal scatter: the band at one speed holds it 95 times in 100; the stretch holds its vertex at
    least as often; and the curve is said to miss the tests 5 times in 100."""
    rng, draws = np.random.default_rng(2), 2000
    speed = np.repeat(SPEEDS, 2)
    truth = 8 + ((speed - 720) / 70) ** 2
    held = vertex = missed = 0
    for _ in range(draws):
        curve = fit_curve(speed, truth + rng.normal(0, 1, len(speed)))
        fitted, half = curve.at(650)
        held += abs(float(fitted[0]) - (8 + 1)) <= half[0]
        _, (low, high) = best_speeds(curve, 500, 900, smallest=True)
        vertex += low <= 720 <= high
        missed += curve.misses
    assert held / draws == pytest.approx(0.95, abs=three_errors(0.95, draws))
    assert vertex / draws >= 0.95 - three_errors(0.95, draws)
    assert missed / draws == pytest.approx(0.05, abs=three_errors(0.05, draws))


def test_a_real_misfit_is_found():
    curve = fit_curve(np.repeat(SPEEDS, 2), [10, 10.2, 6, 6.1, 12, 12.1, 6, 6.2, 10, 10.1])
    assert curve.misses


@pytest.mark.parametrize(
    ("speeds", "kind", "why"),
    [
        ([500, 600, 700, 800], "quadratic", ""),
        ([500, 600, 700], "straight line", ""),
        ([500, 500, 900], "straight line", ""),
        ([500, 900], "none", "2 tests leave nothing to judge a line by"),
        ([500, 500, 500], "none", "all tests with this figure are at one speed"),
    ],
)
def test_as_bent_as_the_number_of_speeds_allows(speeds, kind, why):
    curve = fit_curve(speeds, np.arange(len(speeds), dtype=float) ** 1.5)
    assert (curve.kind, curve.why_not) == (kind, why)


def test_a_curve_is_never_asked_for_beyond_the_tests():
    curve = fit_curve(SPEEDS, [14, 8, 6, 8, 14])
    for speed in (499, 901):
        with pytest.raises(SpreadcheckError, match="keep within 500 and 900 rpm"):
            curve.at(speed)
    with pytest.raises(SpreadcheckError, match="speeds and figures don't match"):
        fit_curve([500, 600], [1, 2, 3])


# --- the answer ------------------------------------------------------------------------------------------------------


def narrowest(speeds, throws, **more):
    return tune([at_speed(speed, throw) for speed, throw in zip(speeds, throws, strict=True)], **more)


def test_the_sample_series():
    """Six tests with one repeat: a clear best for 24 m within the range, and a width that still grows at the edge."""
    found = tune([read_sheet(path) for path in SERIES])
    assert found.cv.standing == CLEAR
    assert found.cv.next_rpm is None
    low, high = found.cv.stretch_rpm
    assert 560 < low < found.cv.best_rpm < high < 880
    assert (found.width.standing, found.width.best_rpm, found.width.next_rpm) == (EDGE, 880, 960)
    assert found.cv.curve.lack_of_fit.freedom == (2, 1)
    assert (found.method, found.bout_width_m) == ("back-and-forth", 24.0)


def test_the_highest_speed_bounds_the_best_one_and_the_next_test():
    tests = [read_sheet(path) for path in SERIES]
    bounded = tune(tests, highest_rpm=850)
    assert (bounded.width.standing, bounded.width.best_rpm, bounded.width.next_rpm) == (AT_HIGHEST, 850, None)
    assert bounded.width.best_tested_rpm <= 800
    just_above = tune(tests, highest_rpm=900)
    assert (just_above.width.standing, just_above.width.next_rpm) == (EDGE, 900)
    lowest = tune(tests, highest_rpm=700).cv
    assert lowest.best_rpm <= 700


def test_an_edge_below_asks_for_a_slower_test():
    found = narrowest([600, 700, 800, 900, 1000], [20, 19, 18, 17, 16], bout_width_m=24)
    assert found.width.standing == EDGE
    assert (found.width.best_rpm, found.width.next_rpm) == (600, 500)
    assert "may lie beyond" in tuning_text(found)


def test_unclear_asks_for_the_widest_gap_then_for_a_repeat():
    """CVs that scatter: the next test goes between the speeds that can't be told apart, and where these lie close,
    once more to the speed next to the best."""
    found = tune([at_speed(s, t) for s, t in zip([500, 600, 700, 900], [14, 18, 13, 17], strict=True)])
    assert found.width.standing == UNCLEAR
    assert found.width.next_rpm == 800
    close = tune([at_speed(s, t) for s, t in zip(range(500, 1000, 50), [14, 18, 13, 17, 15] * 2, strict=True)])
    assert close.width.standing == UNCLEAR
    assert close.width.next_rpm in close.speed_rpm
    assert f"test once more at {close.width.next_rpm:.0f} rpm" in tuning_text(close)


def test_two_tests_give_no_curve_but_the_better_one():
    found = narrowest([500, 900], [14, 16])
    assert (found.width.standing, found.width.best_rpm, found.width.next_rpm) == (NO_CURVE, 900, 700)
    assert found.width.band is None
    text = " ".join(tuning_text(found).split())
    assert "was best in the test at 900 rpm" in text
    assert "No curve can be drawn: 2 tests leave nothing to judge a line by." in text


def test_a_straight_line_says_what_a_bend_needs():
    found = narrowest([500, 700, 900], [14, 15.4, 17])
    assert found.width.curve.kind == "straight line"
    assert "(a bend needs tests at 4 speeds)" in " ".join(tuning_text(found).split())


def test_a_curve_that_misses_the_tests_is_not_used():
    """Repeats agree and the curve goes past them: the best test stands, and the next one goes beside it."""
    throws = [14, 14.1, 18, 18.1, 13, 13.1, 18, 18.2, 14, 14.2]
    speeds = np.repeat([500, 600, 700, 800, 900], 2)
    found = narrowest(speeds, throws)
    assert found.width.standing == MISFIT
    assert found.width.band is None
    assert found.width.best_rpm in (600, 800)
    assert found.width.next_rpm in (550, 650, 750, 850)
    assert "misses the tests by more than repeats at one speed differ" in " ".join(tuning_text(found).split())


@given(
    st.lists(st.tuples(st.sampled_from([480, 560, 640, 700, 760, 850, 930]), st.floats(6, 22)), min_size=2, max_size=7),
    st.one_of(st.none(), st.floats(480, 1000)),
)
def test_nothing_is_said_beyond_the_tests_or_above_the_highest_speed(tests, highest):
    speeds = [speed for speed, _ in tests]
    assume(len(set(speeds)) > 1 and len(set(tests)) == len(tests) and (highest is None or highest >= min(speeds)))
    try:
        found = tune([at_speed(speed, throw) for speed, throw in tests], highest_rpm=highest)
    except SpreadcheckError as error:
        assume("holds the same catches" not in str(error))
        raise
    for one in (found.cv, found.width):
        if one is None:
            continue
        assert min(speeds) <= one.best_rpm <= min(max(speeds), highest or np.inf)
        assert one.best_tested_rpm in speeds
        assert one.next_rpm is None or one.next_rpm <= (highest or np.inf)
        if one.stretch_rpm:
            assert min(speeds) - 1 <= one.stretch_rpm[0] <= one.stretch_rpm[1] <= max(speeds) + 1
    json.dumps(tuning_json(found), allow_nan=False)
    assert max(len(line) for line in tuning_text(found).splitlines()) <= 80


def test_tests_without_a_width_within_the_limit_are_named():
    hollow = tray_test(
        np.arange(-24.0, 25.0), np.where(np.abs(np.arange(-24, 25)) == 20, 5.0, 0.0), tray_width="0.5 m",
        tray_length="0.5 m", form={"spinner speed": "950 rpm", "product": "Granular urea", "test": "Hollow"},
    )  # fmt: skip
    tests = [at_speed(s, t) for s, t in zip([500, 600, 700, 800], [14, 15, 16, 17], strict=True)]
    found = tune([*tests, hollow])
    assert found.width.without == ("Hollow",)
    assert found.width.best_rpm <= 800
    assert "Left out, because no width is within the limit: Hollow." in " ".join(tuning_text(found).split())


def test_one_test_with_a_width_sends_the_next_one_beside_it():
    """Where only one pattern keeps the limit: no curve, that test is the best, and the next goes next to it."""
    rates = np.where(np.abs(np.arange(-24, 25)) == 20, 5.0, 0.0)
    size = {"tray_width": "0.5 m", "tray_length": "0.5 m"}
    forms = [{"spinner speed": f"{rpm} rpm", "product": "Granular urea", "bout width": "24 m"} for rpm in (500, 800)]
    slow, fast = (
        tray_test(np.arange(-24.0, 25.0), k * rates, form=f, **size) for k, f in zip((1, 2), forms, strict=True)
    )
    found = tune([slow, at_speed(600, 14), fast])
    assert (found.width.standing, found.width.best_rpm, found.width.next_rpm) == (NO_CURVE, 600, 700)
    assert found.width.curve.why_not == "only one test has this figure"


def test_no_width_and_no_bout_width_leave_nothing_to_tune():
    """Said in text, data and picture; not an error, since the tests are sound."""
    form = {"bout width": ""}
    tests = [at_speed(500, 13.3, **form), at_speed(600, 14.7, **form)]
    found = tune(tests, limit_pct=1e-6)
    assert (found.cv, found.width, found.main) == (None, None, None)
    assert "No test has an effective width within the limit." in tuning_text(found)
    assert tuning_json(found)["effective_width"] is None
    assert tuning_figure(found).axes[0].get_title() == "No test has an effective width within the limit"


def test_a_width_as_wide_as_the_tray_line_may_be_wider():
    flat = [
        tray_test([-4, -2, 0, 2, 4], np.array([5, 5, 5, 5, 5]) * (1 + speed / 1e4), tray_width="0.5 m",
                  tray_length="0.5 m", form={"spinner speed": f"{speed} rpm", "test": f"at {speed}"})
        for speed in (500, 600)
    ]  # fmt: skip
    found = tune(flat, limit_pct=60)
    assert found.cut_short == ("at 500", "at 600")
    assert "As wide as the tray line, so the true width may be larger: at 500, at 600" in " ".join(
        tuning_text(found).split()
    )


def test_what_else_differs_is_said():
    found = tune([at_speed(500, 14), at_speed(600, 15, machine="Other disc"), at_speed(700, 16)])
    assert found.other_settings == (("machine", ("not stated", "Other disc", "not stated")),)
    assert "differ in more than the speed: machine (not stated, Other disc)" in " ".join(tuning_text(found).split())


# --- bad input -------------------------------------------------------------------------------------------------------

SEVERAL = [at_speed(500, 14), at_speed(600, 15), at_speed(700, 16)]
BAD_TESTS = {
    "one test": (SEVERAL[:1], {}, "one test says nothing about speed; give tests at two speeds or more"),
    "one speed": ([at_speed(500, 14), at_speed(500, 15)], {}, "all tests are at 500 rpm; give tests at two speeds"),
    "no speed": (
        [*SEVERAL, at_speed(0, 13, test="Third", **{"spinner speed": ""})],
        {},
        'Third: the form has no "spinner speed"; add a row such as spinner speed, 800, rpm',
    ),
    "products": (
        [at_speed(500, 14, test="A"), at_speed(600, 15, test="B", product="Potash")],
        {},
        'the tests are of different products: "Granular urea" in A; "Potash" in B; give tests of one product, or add '
        "--any-product to mix them all the same",
    ),
    "product not named": (
        [at_speed(500, 14), at_speed(600, 15, test="B", product="")],
        {},
        'B: the form has no "product" and others do; name the product on its form, or add --any-product',
    ),
    "same test": ([SEVERAL[0], SEVERAL[0]], {}, "holds the same catches as"),
    "highest below": (SEVERAL, {"highest_rpm": 450}, "450 rpm lies below every speed tested (from 500 rpm)"),
    "bout widths": (
        [at_speed(500, 14), at_speed(600, 15, **{"bout width": "28 m"})],
        {},
        'the forms name different bout widths (24 m, 28 m); say which is wanted: --bout-width "24 m"',
    ),
    "driving": (SEVERAL, {"driving": "circles"}, 'driving: "circles"; use one of back-and-forth, round-and-round'),
    "level": (SEVERAL, {"level_pct": 10}, "level: 10 % can't be used; give 50 or more and less than 100"),
}


@pytest.mark.parametrize(("tests", "options", "message"), BAD_TESTS.values(), ids=BAD_TESTS)
def test_bad_tests(tests, options, message):
    with pytest.raises(SpreadcheckError) as error:
        tune(tests, **options)
    assert message in str(error.value)


def test_products_are_mixed_only_when_told():
    tests = [at_speed(500, 14), at_speed(600, 15, product="Potash"), at_speed(700, 16, product=" granular  UREA")]
    found = tune(tests, any_product=True)
    assert "Tests of different products are mixed, as asked for: Granular urea, Potash" in " ".join(
        tuning_text(found).split()
    )
    tune([tests[0], tests[2]])  # spelt differently, and one product all the same
    unnamed = tune([at_speed(500, 14, product=""), at_speed(600, 15, product="")])
    assert "No form names a product" in tuning_text(unnamed)


# --- the command -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("sheets", [SERIES, SERIES[:3], SERIES[:2]], ids=len)
def test_command_in_80_columns(units, sheets):
    result = run(*sheets, "--units", units)
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.output.splitlines()) <= 80
    assert "nan" not in result.output
    assert "The machine maker's manual" in result.stdout


def test_command_says_it_in_plain_words():
    text = " ".join(run(*SERIES, "--highest-speed", "850 rpm").stdout.split())
    assert "6 tests at 5 spinner speeds, 560 rpm to 880 rpm" in text
    assert "At 24 m the CV is lowest at 713 rpm: 7.4 % on the curve (95 % band 5.3 to 9.5)" in text
    assert "That is the highest speed that the granules allow: don't test above it." in text
    assert "* over the highest speed: never taken for the best" in text


def test_json_keeps_the_contract():
    metric, us = (json.loads(run(*SERIES, "--json", "-", "--units", units).stdout) for units in ("metric", "us"))
    assert metric == us
    assert metric["schema"] == "spreadcheck/tuning/1"
    assert [test["spinner_speed_rpm"] for test in metric["tests"]] == [560, 640, 720, 720, 800, 880]
    cv = metric["cv"]
    assert cv["best_band_pct"][0] < cv["best_pct"] < cv["best_band_pct"][1]
    assert cv["not_told_from_best_rpm"][0] < cv["best_rpm"] < cv["not_told_from_best_rpm"][1]
    curve = cv["curve"]
    assert curve["kind"] == "quadratic"
    assert (curve["speed_rpm"][0], curve["speed_rpm"][-1]) == (560, 880)
    assert len(curve["speed_rpm"]) == len(curve["value_pct"]) == len(curve["band_low_pct"])
    assert metric["effective_width"]["next_test_rpm"] == 960


def test_order_of_the_sheets_does_not_matter():
    one, other = (json.loads(run(*sheets, "--json", "-").stdout) for sheets in (SERIES, SERIES[::-1]))
    assert one["cv"]["best_rpm"] == pytest.approx(other["cv"]["best_rpm"])
    assert one["effective_width"]["standing"] == other["effective_width"]["standing"]


def test_plots_of_every_kind(tmp_path):
    for ending, start in {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}.items():
        assert run(*SERIES, "--highest-speed", "850 rpm", "--plot", tmp_path / f"t.{ending}").exit_code == 0
        assert (tmp_path / f"t.{ending}").read_bytes().startswith(start)
    text = (tmp_path / "t.svg").read_text(encoding="utf-8")
    for words in ("CV at 24 m, back-and-forth", "Effective width", "95 % band of the curve", "highest speed: 850 rpm"):
        assert words in text
    assert run(*SERIES[:2], "--plot", tmp_path / "few.svg").exit_code == 0
    assert "quadratic" not in (tmp_path / "few.svg").read_text(encoding="utf-8")


BAD = {
    "no sheets": ([], "one test says nothing about speed"),
    "one sheet": (SERIES[:1], "one test says nothing about speed; give tests at two speeds or more"),
    "twice": ([SERIES[0], SERIES[0], SERIES[1]], f"{SERIES[0]}: is given twice; give each sheet once"),
    "speed without unit": ([*SERIES, "--highest-speed", "900"], 'option --highest-speed: "900" has no unit; write it'),
    "speed in other units": ([*SERIES, "--highest-speed", "9 m"], "option --highest-speed"),
    "highest below": ([*SERIES, "--highest-speed", "500 rpm"], "500 rpm lies below every speed tested (from 560 rpm)"),
    "bout width without unit": ([*SERIES, "--bout-width", "24"], 'option --bout-width: "24" has no unit'),
    "odd plot": ([*SERIES, "--plot", "x.bmp"], 'a plot can\'t be written as "bmp"'),
    "other product": (
        [SERIES[0], SAMPLES / "lopsided.csv"],
        f'the tests are of different products: "Compound 15-15-15, granular" in {SERIES[0]}; "Granular urea" in',
    ),
}


@pytest.mark.parametrize(("arguments", "message"), BAD.values(), ids=BAD)
def test_bad_values(arguments, message, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    result = run(*arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert result.stdout == ""
    assert list(tmp_path.iterdir()) == []


def test_sheets_without_a_speed_are_all_named(tmp_path):
    names = []
    for path in SERIES[:2]:
        text = path.read_text(encoding="utf-8")
        target = tmp_path / path.name
        target.write_text("\n".join(x for x in text.splitlines() if not x.startswith("spinner")), encoding="utf-8")
        names.append(target)
    result = run(*names, *SERIES[2:])
    assert result.exit_code == 2
    assert [line.split(": ")[1] for line in result.stderr.splitlines()] == [str(name) for name in names]
    assert result.stderr.count('the form has no "spinner speed"; add a row such as spinner speed, 800, rpm') == 2


def test_a_copy_under_another_name_is_the_same_test(tmp_path):
    copy = shutil.copy(SERIES[0], tmp_path / "copy.csv")
    result = run(*SERIES, copy)
    assert result.exit_code == 2
    assert f"{copy}: holds the same catches as {SERIES[0]}; give each test once" in result.stderr
