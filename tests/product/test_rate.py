"""Application rate against closed forms, published examples and reference libraries; then the command."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
import scipy.integrate
import scipy.stats
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck import tray_test
from spreadcheck.cli import main
from spreadcheck.errors import NoSpreadError
from spreadcheck.limits import LIMITS
from spreadcheck.product.rate import (
    RateSettings,
    check_rate,
    corrected_factor,
    rate_at_width,
    rate_from_area,
    rate_from_catch,
    rate_from_trays,
    recovery_is_usual,
    settings_of,
)
from spreadcheck.spread.overlap import overlapped_deposit
from spreadcheck.spread.profile import profile_from
from spreadcheck.units import from_inside, to_inside

SAMPLES = Path(__file__).parents[2] / "sample_trays"
FLOATS = 1e-9

positive = st.floats(0.1, 1000)


def run(*arguments):
    return CliRunner().invoke(main, ["rate", *(str(argument) for argument in arguments)])


def triangle(form=None, passes=((2.5, 5.0, 2.5),)):
    """Trays 10 m apart, the end ones empty: the first pass is a triangle of 100, 200, 100 kg/ha."""
    catch = np.pad(np.array(passes).T, ((1, 1), (0, 0)))
    return tray_test([-20, -10, 0, 10, 20], catch, tray_width="0.5 m", tray_length="0.5 m", form=form)


# Rates


def test_sheet_of_a_two_thousandth_of_an_acre():
    """Iowa State (Lorimor 2001): 1 lb on a sheet of 56 x 56 in is 1 US ton an acre; it prints 21.78 ft2."""
    area = to_inside(56, "in", "length") ** 2
    rate = rate_from_area(mass_kg=to_inside(1, "lb", "mass"), area_m2=area)
    tons = from_inside(rate, "lb/ac", "rate") / 2000
    assert tons == pytest.approx(1.0, rel=0.005 / 21.78)
    assert rate_from_area(mass_kg=to_inside(1, "lb", "mass"), area_m2=to_inside(21.78, "ft2", "area")) == pytest.approx(
        to_inside(2000, "lb/ac", "rate"), rel=FLOATS
    )


def test_grams_on_a_tray():
    """m x 10 / A: 2.5 g on 0.25 m2 is 100 kg/ha (exact)."""
    assert rate_from_area(mass_kg=0.0025, area_m2=0.25) == pytest.approx(100.0, rel=FLOATS)


@given(st.lists(st.floats(0, 500), min_size=3, max_size=40).filter(lambda rates: max(rates) > 1), st.floats(2, 60))
def test_rate_from_trays_is_the_mean_of_the_overlapped_deposit(rates, width):
    """Mass balance: mean deposit x bout width = area of the single pass, whatever the bout width."""
    profile = profile_from(np.arange(len(rates)), rates)
    x, y = profile.knots
    assert rate_from_trays(profile, width) == pytest.approx(scipy.integrate.trapezoid(y, x) / width, rel=FLOATS)


@pytest.mark.parametrize("method", ["back-and-forth", "round-and-round"])
def test_rate_from_trays_against_the_simulator(method):
    """The overlapped deposit averaged over a period on a fine grid; the rule is exact but for its kinks."""
    profile = profile_from([-6, -3, 0, 3, 6], [20, 130, 180, 110, 0])
    width, count = 7.0, 14_000
    at = (np.arange(count) + 0.5) * 2 * width / count
    mean = overlapped_deposit(profile, at, width, method).mean()
    steepest, step = 150 / 3, 2 * width / count
    assert rate_from_trays(profile, width) == pytest.approx(mean, abs=steepest * step)


@given(positive, positive, st.floats(0.5, 10), st.floats(2, 60))
def test_catch_and_area_agree(mass, time, speed, width):
    """What comes out in a time falls on the area driven in that time: speed x time x width."""
    by_catch = rate_from_catch(mass_kg=mass, time_s=time, speed_m_s=speed, bout_width_m=width)
    assert by_catch == pytest.approx(rate_from_area(mass_kg=mass, area_m2=speed * time * width), rel=FLOATS)


def test_flow_of_the_field_capacity_formula():
    """C = S W / 10 ha/h (km/h, m): at 10 km/h and 24 m 24 ha/h, so 72 kg/min are 4320 / 24 = 180 kg/ha."""
    rate = rate_from_catch(mass_kg=72, time_s=60, speed_m_s=10 / 3.6, bout_width_m=24)
    assert rate == pytest.approx(72 * 60 / (10 * 24 / 10), rel=FLOATS)


@given(positive, st.floats(2, 60), st.floats(2, 60))
def test_same_metering_keeps_rate_times_width(rate, first, second):
    other = rate_at_width(rate, from_width_m=first, to_width_m=second)
    assert other * second == pytest.approx(rate * first, rel=FLOATS)
    assert rate_at_width(other, from_width_m=second, to_width_m=first) == pytest.approx(rate, rel=FLOATS)


@pytest.mark.parametrize(
    ("measured", "usual"), [(90.0, True), (89.99, False), (110.0, True), (110.01, False), (100.0, True)]
)
def test_recovery_limits(measured, usual):
    """EN 13739-2:2011, 5.2 (public preview): the rate from trays must be 90 to 110 % of that of the flow test."""
    assert (LIMITS["recovery low"].value, LIMITS["recovery high"].value) == (90, 110)
    assert recovery_is_usual(measured) is usual


# Corrections


@given(st.floats(0.1, 10), positive, positive, st.booleans())
def test_corrected_factor_gives_what_is_aimed_at(factor, measured, aimed, inverse):
    """A controller with mass a unit of metering runs aimed / factor units, else aimed x factor."""
    new = corrected_factor(factor, measured_kg_ha=measured, aimed_kg_ha=aimed, inverse=inverse)
    units_run = aimed * factor if inverse else aimed / factor
    mass_a_unit = measured / units_run
    units_now = aimed * new if inverse else aimed / new
    assert units_now * mass_a_unit == pytest.approx(aimed, rel=FLOATS)


@given(positive, positive, positive)
def test_both_conventions_are_each_others_inverse(factor, measured, aimed):
    one = corrected_factor(factor, measured_kg_ha=measured, aimed_kg_ha=aimed)
    other = corrected_factor(1 / factor, measured_kg_ha=measured, aimed_kg_ha=aimed, inverse=True)
    assert one * other == pytest.approx(1.0, rel=FLOATS)


@given(positive, positive, positive)
def test_corrected_setting_on_a_flow_in_proportion(setting, measured, target):
    new = RateSettings(target_kg_ha=target, setting=setting).new_setting(measured)
    assert measured / setting * new == pytest.approx(target, rel=FLOATS)


# The slip: metered over one width but driven at another


def test_metered_for_one_width_driven_at_another():
    """Metered 200 kg/ha for 20 m and driven at 25 m: 200 x 20 / 25 = 160 kg/ha, 20 % too little."""
    settings = RateSettings(bout_width_m=25, metered_rate_kg_ha=200, metered_width_m=20, target_kg_ha=200, factor=0.8)
    found = check_rate(settings, areas=[(160, 10_000)])
    assert settings.expected_kg_ha == pytest.approx(160)
    assert settings.slip_pct == pytest.approx(-20)
    figure = found.figures[0]
    assert figure.recovered_pct == pytest.approx(100)
    assert figure.of_target_pct == pytest.approx(80)
    assert figure.new_factor == pytest.approx(0.8)  # the machine put out what it should: the factor is right
    (slip,) = found.doubts
    assert slip.code == "metered-width"
    assert "metered for 20.00 m but driven at 25.00 m" in slip.message()
    assert "20.0 % too little from that alone: 160.0 kg/ha where 200.0 kg/ha was metered" in slip.message()
    assert "160.0 kg/ha" not in slip.message("us")
    assert "142.7 lb/ac where 178.4 lb/ac was metered" in slip.message("us")


def test_too_narrow_gives_too_much():
    settings = RateSettings(bout_width_m=18, metered_width_m=24)
    assert settings.slip_pct == pytest.approx(100 / 3)
    assert "33.3 % too much" in check_rate(settings, areas=[(1, 1)]).doubts[0].message()


@pytest.mark.parametrize(("metered", "driven"), [(24, None), (None, 24), (24, 24), (24, 24.01)])
def test_no_slip_where_widths_agree_or_are_unknown(metered, driven):
    assert math.isnan(RateSettings(bout_width_m=driven, metered_width_m=metered).slip_pct)


def test_slip_from_the_labels_of_a_sheet():
    form = {"bout width": "20 m", "metered width": "10 m", "metered rate": "400 kg/ha", "target rate": "400 kg/ha"}
    found = check_rate(RateSettings(), trays=triangle(form))
    assert found.figures[0].rate_kg_ha == pytest.approx(200)  # 4000 kg/ha m over 20 m
    assert found.figures[0].recovered_pct == pytest.approx(100)
    codes = [doubt.code for doubt in found.doubts]
    assert codes[0] == "metered-width"
    assert "few-passes" in codes  # the doubts of the sheet come behind
    assert "recovery" not in codes


# All together


def test_options_go_before_the_sheet():
    settings = settings_of(triangle({"bout width": "20 m", "target rate": "100 kg/ha"}), RateSettings(bout_width_m=10))
    assert (settings.bout_width_m, settings.target_kg_ha) == (10, 100)


def test_expected_rate_from_a_flow_test():
    """72 kg/min at 10 km/h and 24 m is 180 kg/ha, as above."""
    settings = RateSettings(discharge_kg_s=1.2, speed_m_s=10 / 3.6, bout_width_m=24)
    assert settings.expected_kg_ha == pytest.approx(180, rel=FLOATS)
    found = check_rate(settings, areas=[(150, 10_000)])
    assert found.figures[0].recovered_pct == pytest.approx(100 * 150 / 180)
    assert [doubt.code for doubt in found.doubts] == ["recovery"]


def test_runs_of_a_tray_test_are_its_passes():
    """Passes twice and once as heavy: 2/3 and 4/3 of their mean; runs per catch divides both."""
    form = {"bout width": "10 m", "runs per catch": "2"}
    found = check_rate(RateSettings(), trays=triangle(form, [(2.5, 5, 2.5), (5, 10, 5)])).figures[0]
    assert found.runs.readings == pytest.approx((200, 400))
    assert found.rate_kg_ha == pytest.approx(300)


@given(st.lists(st.floats(80, 120), min_size=2, max_size=8), st.floats(1, 20))
def test_runs_still_to_do(rates, tolerance):
    """With that many runs of the same scatter the t interval is within the tolerance, with one less it is not."""
    figure = check_rate(RateSettings(), areas=[(r, 10_000) for r in rates], tolerance_pct=tolerance).figures[0]
    mean, sd = np.mean(rates), np.std(rates, ddof=1)

    def within(count):
        return scipy.stats.t.ppf(0.975, count - 1) * sd / math.sqrt(count) <= mean * tolerance / 100 * (1 + 1e-9)

    total = len(rates) + figure.more_runs
    assert within(total)
    assert figure.more_runs == 0 or not within(total - 1)


def test_one_run_says_nothing_about_the_scatter():
    figure = check_rate(RateSettings(), areas=[(150, 10_000)]).figures[0]
    assert figure.more_runs is None
    assert math.isnan(figure.half_width_pct)
    assert "one run says nothing about the scatter" in run("--area", "150 kg: 1 ha").output


def test_runs_of_different_areas_are_weighted():
    """All mass over all area: (100 + 300) kg on 3 ha."""
    assert check_rate(RateSettings(), areas=[(100, 1e4), (300, 2e4)]).figures[0].rate_kg_ha == pytest.approx(400 / 3)


# The command


@pytest.mark.parametrize("units", ["metric", "us"])
def test_output_in_80_columns(units):
    result = run(
        SAMPLES / "even_trapezoid.csv", "--factor", 0.82, "--setting", 31, "--new-width", "27 m, 30 m",
        "--metered-width", "18 m", "--metered-rate", "150 kg/ha", "--area", "310 kg: 2 ha", "--catch", "36 kg: 30 s",
        "--units", units,
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.output.splitlines() if not line.startswith("  spreadcheck ")) <= 80
    widths = {"metric": "18.00 m but driven at 24.00 m", "us": "59.06 ft but driven at 78.74 ft"}
    assert f"metered-width: The rate was metered for {widths[units]}" in " ".join(result.output.split())


def test_json_is_si_whatever_is_shown():
    options = [SAMPLES / "even_trapezoid.csv", "--new-width", "30 m", "--factor", 0.8, "--json", "-"]
    texts = [run(*options, "--units", units).stdout for units in ("metric", "us")]
    assert texts[0] == texts[1]
    data = json.loads(texts[0])
    assert data["schema"] == "spreadcheck/rate/1"
    (trays,) = data["measured"]
    assert data["same_metering"] == [{"bout_width_m": 30.0, "rate_kg_ha": pytest.approx(trays["rate_kg_ha"] * 24 / 30)}]
    assert trays["calibration_factor"] == pytest.approx(0.8 * trays["rate_kg_ha"] / 150)


def test_convention_is_stated_and_turned_over():
    options = ["--area", "165 kg: 1 ha", "--target", "150 kg/ha"]
    usual = run(*options, "--factor", 0.8).output
    inverse = run(*options, "--factor", 1.1, "--inverse-factor").output
    assert "0.8 -> 0.88" in usual
    assert "mass that one unit of metering gives (a turn, a pulse): factor x measured" in " ".join(usual.split())
    assert "1.1 -> 1\n" in inverse
    assert "the metering that one unit of mass takes: factor x aimed / measured" in " ".join(inverse.split())


def test_us_input():
    """1338.26 lb on 10 ac is 133.826 lb/ac, 150 kg/ha to the sixth digit (1 lb/ac = 1.1208511 kg/ha)."""
    data = json.loads(run("--area", "1338.26 lb: 10 ac", "--json", "-").stdout)
    assert data["measured"][0]["rate_kg_ha"] == pytest.approx(133.826 * 1.1208511, rel=1e-7)


BAD = [
    ([], "there is nothing to take a rate from; give a tray sheet, a mass and its area, or a mass and its time"),
    (["--area", "310 kg"], 'option --area: "310 kg" is not a pair; write it as "310 kg: 2 ha"'),
    (["--area", "310 kg: 2"], '"2" has no unit; write it out, such as "2 ha" or "2 ac"'),
    (["--area", "310 kg: 2 m"], '"m" in "2 m" is not a unit of area; use one of m2, ha, ac, ft2'),
    (["--area", "0 kg: 2 ha"], 'option --area: the mass "0 kg" is not above 0; check the number'),
    (["--catch", "36 kg: 30 s"], 'a rate from a catch needs the travel speed; give it as --speed "10 km/h"'),
    (["--catch", "36 kg: 30 s", "--speed", "10 km/h"], 'needs the bout width; give it as --bout-width "24 m"'),
    (["--area", "1 kg: 1 ha", "--new-width", "30 m"], "the rate at another bout width needs the bout width"),
    (["--area", "1 kg: 1 ha", "--target", "150"], 'option --target: "150" has no unit'),
    (["--area", "1 kg: 1 ha", "--bout-width", "-24 m"], "bout width: -24 can't be"),
    (["--area", "1 kg: 1 ha", "--factor", "0"], "calibration factor: 0 can't be; give the number in force"),
    (["--area", "1 kg: 1 ha", "--factor", "nan"], "calibration factor: nan can't be"),
    (["--area", "1 kg: 1 ha", "--tolerance", "0"], "0 is not a tolerance; give one in %, such as 5"),
    (["--area", "1 kg: 1 ha", "--confidence", "95000"], "option --confidence: 95000 is not a confidence in %"),
    (["no-such-sheet.csv"], "no-such-sheet.csv: the file does not exist"),
]


@pytest.mark.parametrize(("options", "message"), BAD, ids=[" ".join(options) for options, _ in BAD])
def test_bad_input_is_told(options, message):
    result = run(*options)
    assert result.exit_code == 2
    assert message in result.output
    assert result.stdout == ""


def test_a_sheet_without_a_bout_width(tmp_path):
    text = (SAMPLES / "even_trapezoid.csv").read_text().replace("bout width,24,m\n", "")
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(text)
    assert "a rate from trays needs the bout width" in run(sheet).output
    assert run(sheet, "--bout-width", "24 m").exit_code == 0


def test_volumes_without_a_density_have_no_rate(tmp_path):
    text = (SAMPLES / "volumes.csv").read_text()
    sheet = tmp_path / "sheet.csv"
    sheet.write_text("\n".join(line for line in text.splitlines() if not line.startswith("bulk density")))
    result = run(sheet, "--bout-width", "24 m")
    assert result.exit_code == 2
    assert 'the catches are in ml and the form has no "bulk density"' in result.output


@pytest.mark.parametrize(("least", "most", "said"), [(222.2, 222.21, "222.2"), (222.2, 230.0, "222.2 to 230.0")])
def test_a_range_of_one_figure_is_one_figure(least, most, said):
    from spreadcheck.show.format import from_to

    assert from_to(f"{least:.1f}", f"{most:.1f}") == said


def test_nothing_is_corrected_by_trays_that_block(tmp_path):
    """One catch of 93 for 9.3 g blocks the verdict: no factor is told from it, and none is written."""
    text = (SAMPLES / "even_trapezoid.csv").read_text()
    row = next(line for line in text.splitlines() if line.startswith("C,"))
    cells = row.split(",")
    path = tmp_path / "slip.csv"
    path.write_text(text.replace(row, ",".join([*cells[:2], cells[2].replace(".", ""), *cells[3:]])))
    done = run(path, "--factor", 0.82)
    assert done.exit_code == 0, done.output
    assert "Until then the trays say nothing about factor or setting" in " ".join(done.output.split())
    assert "0.82 ->" not in done.output


@pytest.mark.parametrize("ways", [{"areas": [(0, 10_000)]}, {"catches": [(0, 60)]}])
def test_nothing_spread_gives_no_rate(ways):
    """A mass of 0 kg is refused in words, in the library too."""
    with pytest.raises(NoSpreadError, match="is 0; check that the spreader was running"):
        check_rate(RateSettings(speed_m_s=3.0, bout_width_m=24.0), **ways)
