"""Masses that can't be right, and the slip behind them: factors by hand, the pattern held against what it was."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from spreadcheck.judge.assessment import assess
from spreadcheck.sheet.traysheet import read_sheet
from spreadcheck.sheet.traytest import tray_test, with_labels

SAMPLES = Path(__file__).parents[2] / "sample_trays"

X = np.arange(-15, 16) * 1.0
SHAPE = np.clip((15 - np.abs(X)) / 8, 0, 1)  # 22 m of the peak, half-rate width 22 m
AREA = 200.0 * 22.0  # kg/ha m with 5 g in the fullest tray of 0.25 m2
KNOWN = {
    "target": {"bout width": "20 m", "target rate": "220 kg/ha"},
    "metered": {"metered rate": "220 kg/ha", "metered width": "20 m"},
    "discharge": {"discharge": f"{AREA / 1e4 * 3 * 60:g} kg/min", "travel speed": "3 m/s"},
}


def doubts(catch=5.0 * SHAPE, x=X, unit="g", form=None):
    catch = np.asarray(catch)
    test = tray_test(x, np.repeat(catch[:, None], 3, axis=1), tray_width="0.5 m", tray_length="0.5 m", unit=unit,
                     form=form or {})  # fmt: skip
    return {doubt.code: doubt for doubt in assess(test).doubts}


@pytest.mark.parametrize("basis", KNOWN)
def test_a_good_mass_raises_nothing(basis):
    assert not doubts(form=KNOWN[basis])


@pytest.mark.parametrize("basis", KNOWN)
@pytest.mark.parametrize(
    ("factor", "code", "remedy"),
    [
        (10, "decimal-point", "divide all catches by 10"),
        (0.1, "decimal-point", "multiply all catches by 10"),
        (0.01, "decimal-point", "multiply all catches by 100"),
        (4, "runs-per-catch", "write the row `runs per catch,4`"),
        (1 / 28.349523125, "mass-unit", "write oz for g in the row of units"),
    ],
)
def test_slips_of_all_masses(basis, factor, code, remedy):
    found = doubts(5.0 * SHAPE * factor, form=KNOWN[basis])["mass-implausible"]
    assert found.blocking
    assert f"is {100 * factor:.0f} % of " in found.seen()
    best = found.explanations[0]
    assert (best.code, best.remedy) == (code, remedy)
    assert best.fits > 0.95
    if basis == "target":
        assert "a mean rate of 220.0 kg/ha, 100 % of the target" in found.message()


def test_grams_where_the_sheet_says_ounces():
    found = doubts(5.0 * SHAPE, unit="oz", form=KNOWN["metered"])["mass-implausible"]
    assert found.explanations[0].remedy == "write g for oz in the row of units"


def test_grams_where_the_sheet_says_kilograms():
    found = doubts(unit="kg", form=KNOWN["target"])["mass-implausible"]
    assert "100000 % of the target rate" in found.seen()
    assert found.explanations[0].remedy == "write g for kg in the row of units"


def test_runs_that_are_on_the_form_but_were_not_driven():
    found = doubts(form=KNOWN["metered"] | {"runs per catch": "3"})["mass-implausible"]
    assert found.explanations[0].remedy == "write the row `runs per catch,1`"


def test_bout_width_in_feet():
    found = doubts(form=KNOWN["target"] | {"bout width": "65.6 m"})["mass-implausible"]
    assert found.explanations[0].remedy == "write the row `bout width,65.6,ft`"
    alone = doubts(form={"bout width": "65.6 m"})["widths-apart"]
    assert alone.blocking
    assert alone.explanations[0].remedy == "write the row `bout width,65.6,ft`"
    assert "the bout width of 65.60 m is 2.98 times the 22.00 m" in alone.seen()


def test_offsets_in_feet():
    found = doubts(x=X / 0.3048, form=KNOWN["target"])["mass-implausible"]
    assert found.explanations[0].remedy == "write ft for m below `offset`"


def test_the_offsets_are_named_beside_the_bout_width():
    """Metres written under `ft`: bout width and pattern are as far apart as with a bout width in feet under `m`."""
    x, bout = np.arange(-15.0, 16.0), {"bout width": "20 m"}
    catch = np.repeat(5.0 * SHAPE[:, None], 3, axis=1)
    rows = ("write the row `bout width,20,ft`", "write m for ft below `offset`")
    for tray in ("0.2 m", "0.5 m"):  # the wider trays overlap unless the offsets are in metres
        test = tray_test(x, catch, tray_width=tray, tray_length="0.5 m", form=bout)
        found = {doubt.code: doubt for doubt in assess(replace(test, offset_unit="ft")).doubts}["widths-apart"]
        assert found.blocking
        assert [row in found.first_step() for row in rows] == [tray == "0.2 m", True]


def test_a_bout_far_too_wide_is_told_and_judged():
    found = doubts(form={"bout width": "52 m"})["widths-apart"]
    assert found.blocking == bool(found.explanations)


@pytest.mark.parametrize("tare", [2.0, 30.0, 125.0])
def test_trays_weighed_with_what_was_in_them(tare):
    long = np.arange(-20.0, 21.0)  # out to where nothing falls
    scatter = np.random.default_rng(1).normal(0, 0.004 * tare, len(long))
    gross = np.round(5.0 * np.clip((15 - np.abs(long)) / 8, 0, 1) + tare + scatter, 2)
    found = doubts(gross, long)["container-weighed"]
    (slip,) = found.explanations
    assert found.blocking
    assert slip.corrected.quantity("tare") == pytest.approx(tare, rel=0.01)
    assert slip.remedy.startswith("weigh an empty tray and write the row `tare,")


def test_a_container_is_found_where_only_the_last_trays_caught_nothing():
    """85 g in every tray make 5 g eighteen times as much; ten times too heavy would leave ends that catch 94 %."""
    form = KNOWN["target"] | {"scale resolution": "0.1 g"}
    found = doubts(5.0 * SHAPE + 85.0, form=form)
    assert not {"mass-implausible", "end-catch"} & found.keys()  # both follow from it
    (slip,) = found["container-weighed"].explanations
    assert slip.remedy == "weigh an empty tray and write the row `tare,85,g`"
    assert not slip.leaves


@pytest.mark.parametrize("target", ["", "150 kg/ha", "300 kg/ha"])
def test_a_container_is_found_though_no_rate_tells_it(target):
    """12 g in every tray of a sample: its six last catches read just that, where granules would scatter by 0.5 g."""
    made = read_sheet(SAMPLES / "even_trapezoid.csv")
    form = tuple(row for row in made.form if row.label != "target rate")
    test = replace(made, form=form, catch=made.catch + 12.0)
    if target:
        test = with_labels(test, {"target rate": target})
    found = {doubt.code: doubt for doubt in assess(test).doubts}
    assert found["container-weighed"].explanations[0].remedy == "weigh an empty tray and write the row `tare,12,g`"
    assert found["container-weighed"].explanations[0].leaves <= {"mass-implausible"}  # 51 % of 300 kg/ha
    assert "end-catch" not in found


@pytest.mark.parametrize("scale", [0.01, 0.1, 0.5])
def test_a_line_cut_short_is_no_container_without_a_rate(scale):
    """Granules of 0.025 g scatter at the ends: alike to a chance of 1e-3, so of 12 lines at most one (p 7e-5)."""
    rng, middle = np.random.default_rng(5), np.arange(-10.0, 11.0)
    shape, alarms = np.clip((18 - np.abs(middle)) / 10, 0, 1), 0
    for _ in range(12):
        catch = np.round(rng.poisson(400.0 * shape[:, None], (21, 3)) * 0.025 / scale) * scale
        test = tray_test(middle, catch, tray_width="0.5 m", tray_length="0.5 m", form={"bout width": "20 m"})
        alarms += any(doubt.code == "container-weighed" for doubt in assess(test).doubts)
    assert alarms <= 1


def test_passes_that_are_copies_say_nothing_of_a_container():
    assert "container-weighed" not in doubts(5.0 * SHAPE + 2.0, form={"bout width": "20 m"})


def test_passes_that_are_near_copies_say_nothing_of_a_container():
    """Passes of 99, 100 and 101 % of one pattern that ends at 21 % of its peak: the ends differ as all trays do."""
    x = np.arange(-8.0, 8.1, 0.5)
    catch = 2.5 * np.exp(-((x / 6.4) ** 2))[:, None] * [0.99, 1.0, 1.01]
    test = tray_test(x, catch, tray_width="0.5 m", tray_length="0.5 m", form={"bout width": "10 m"})
    assert "container-weighed" not in {doubt.code for doubt in assess(test).doubts}


def test_a_line_across_the_middle_with_runs_forgotten_is_no_container():
    """Ends that catch 75 % of the peak and three times the mass: taking the ends off brings 40 % of what was meant."""
    rng = np.random.default_rng(3)
    middle = np.arange(-9.0, 10.0)
    shape = np.clip((15 - np.abs(middle)) / 8, 0, 1)
    for _ in range(6):
        found = doubts(3 * rng.poisson(200.0 * shape) * 0.025, middle, form=KNOWN["target"])
        assert "container-weighed" not in found


def test_ends_that_still_catch_granules_are_no_container():
    """A flat pattern cut off at both ends: granules of 0.025 g scatter by chance as trays would not."""
    rng = np.random.default_rng(2)
    for _ in range(12):
        assert "container-weighed" not in doubts(rng.poisson(np.full(31, 100.0)) * 0.025)


def test_a_rare_rate_asks_for_the_rows_that_would_tell():
    found = doubts(50.0 * SHAPE)["mass-unchecked"]
    assert not found.blocking
    assert "`target rate`" in found.remedy()
    assert "mass-unchecked" not in doubts(24.9 * SHAPE)


def test_more_than_a_tray_holds():
    """6 kg at 1 kg/L in 0.25 m2 lie 24 mm deep."""
    assert "holds 6000 g, a layer of 24 mm" in doubts(6000 * SHAPE)["tray-full"].seen()


@pytest.mark.parametrize(("step", "stated", "word"), [(1.0, "0.1 g", "coarser"), (0.1, "1 g", "finer")])
def test_last_digits_that_are_not_those_of_the_scale(step, stated, word):
    catch = np.round(np.arange(3, 34) * step, 1)
    assert word in doubts(catch, form={"scale resolution": stated})["scale-steps"].seen()
    assert "scale-steps" not in doubts(catch, form={"scale resolution": f"{step:g} g"})


def test_cumulative_weights_that_fall():
    catch = np.stack((5.0 * SHAPE, 4.0 * SHAPE), axis=1)
    test = tray_test(X, catch, tray_width="0.5 m", tray_length="0.5 m", form={"weighing": "cumulative"})
    codes = {doubt.code: doubt for doubt in assess(test).doubts}
    assert codes["weights-fall"].blocking


@pytest.mark.parametrize("side", [X >= 0, X <= 0, X >= -3])
def test_one_side_only(side):
    found = doubts(5.0 * SHAPE[side], X[side])["one-side"]
    assert found.blocking
    assert "--mirror" in found.remedy()
