"""The verdict and the advised width: each state, what blocks it, and the screen that carries them."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.optimize import brentq

from spreadcheck import assess, read_sheet, tray_test
from spreadcheck.cli import main
from spreadcheck.doubts.doubt import Doubt, Words
from spreadcheck.errors import NoSpreadError, WidthError
from spreadcheck.judge.blend import NutrientAnalysis
from spreadcheck.judge.verdict import CANT_BE_JUDGED, FITS, NARROWLY, NOT_EVEN, advised_width
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import CatchState, with_labels
from spreadcheck.show.analyse import SCREEN, analysis_json, summary_text
from spreadcheck.show.report import plain_words
from spreadcheck.show.verdict import verdict_sentence

SAMPLES = Path(__file__).parents[2] / "sample_trays"
SHEETS = [p for p in sorted(SAMPLES.glob("*.csv")) if p.read_text("utf-8").startswith("spreadcheck tray sheet")]
BLOCKS = Doubt("made-up", Words("something is off"), Words("no figure holds"), Words("weigh it again"), blocking=True)


def triangle(bout_width, **form):
    """Trays 0.5 m apart under a triangle of half-base 10 m: at 15 % the crossing is 1.344 times that, less n - 1."""
    x = np.arange(-20, 21) * 0.5
    form = {"bout width": f"{bout_width} m", "driving": "back-and-forth"} | form
    return tray_test(x, 10 - np.abs(x), tray_width="0.5 m", tray_length="0.5 m", form=form)


def test_the_states_follow_the_width():
    """Ends of the band from the closed form: fits inside by the driving error, narrowly up to the end, then not."""
    end = assess(triangle(12)).effective_width_m("back-and-forth")
    closed = brentq(lambda w: (w * (2 / 3 + (2 - w) ** 3 / 3) - 1) * w / (w - 0.05) - 0.0225, 1.1, 1.9)
    assert end == pytest.approx(10 * closed, abs=1e-6)  # CV^2 of a triangle (test_bands.py), n = width / 0.5 m
    states = [assess(triangle(12), bout_width_m=end + off).verdict.state for off in (-0.35, -0.25, -0.01, 0.01)]
    assert states == [FITS, NARROWLY, NARROWLY, NOT_EVEN]
    assert assess(triangle(0.9)).verdict.state == CANT_BE_JUDGED
    assert assess(triangle(0.9)).verdict.why == "few trays"
    steady = assess(triangle(12), bout_width_m=end - 0.25, driving_error_m=0.1)
    assert steady.verdict.state == FITS


def assessed_words(test):
    """What is told of a test put right."""
    result = assess(test)
    width, rate = result.effective_width_m("back-and-forth"), result.bouts["back-and-forth"].mean_kg_ha
    share = 100 * rate / test.quantity("target rate")
    return (
        f"{result.verdict.state}; effective width {width:.2f} m back-and-forth; "
        f"a mean rate of {rate:.1f} kg/ha, {share:.0f} % of the target"
    )


def test_slips_that_lead_to_one_another_come_to_an_end():
    """The lopsided sample weighed with its trays: put right one way, it looks wrong in another, and so on for ever."""
    test = read_sheet(SAMPLES / "lopsided.csv")
    result = assess(replace(test, catch=test.catch + 85.0))
    assert result.verdict.state == CANT_BE_JUDGED
    (slip,) = next(doubt for doubt in result.doubts if doubt.code == "container-weighed").explanations
    assert slip.remedy.endswith("`tare,85,g`")
    assert slip.verdict.text("metric") == assessed_words(test)


def test_what_rests_on_the_tails_does_not_plainly_fit():
    """The lopsided sample cut at 11 m either side, where 64 and 22 % of the peak fell: tails bring it to 14.2 %."""
    whole = read_sheet(SAMPLES / "lopsided.csv")
    far = np.abs(whole.offset_m) > 11
    catch, state = whole.catch.copy(), whole.state.copy()
    catch[far], state[far] = np.nan, 1
    form = {"driving": "round-and-round", "bout width": "19 m"}
    short = with_labels(replace(whole, catch=catch, state=state), form)
    result = assess(short)
    over = result.cv_over_tails("round-and-round", 19.0)
    assert 0.9 * result.limit_pct < over.most < result.limit_pct
    assert (result.verdict.state, result.verdict.why) == (NARROWLY, "tails")
    advised = result.advised_width_m("round-and-round")
    reached = [result.cv_over_tails("round-and-round", advised + off).most for off in (-0.3, 0.0, 0.3)]
    assert max(reached) <= 0.9 * result.limit_pct + 1e-6


@pytest.mark.parametrize(("probability", "state"), [(45.0, NOT_EVEN), (55.0, NARROWLY), (95.0, FITS)])
def test_below_an_even_chance_it_is_not_even_enough(probability, state):
    result = replace(assess(triangle(12)), kept=lambda width_m, _method: np.full((2, len(width_m)), probability))
    assert result.verdict.state == state
    assert ("but kept with a probability of 45 % only" in verdict_sentence(result.verdict)) == (state == NOT_EVEN)


def test_what_was_not_caught_leaves_a_range_of_probabilities():
    """The least of it judges, and the sentence tells both ends, as the table of how sure it is does."""
    kept = np.array([[60.0], [97.0]])
    result = replace(assess(triangle(12)), kept=lambda width_m, _method: np.broadcast_to(kept, (2, len(width_m))))
    assert result.verdict.state == NARROWLY
    assert "kept with a probability of 60 to 97 % only" in verdict_sentence(result.verdict)


@pytest.mark.parametrize("weighed", [2, 6, 16])
def test_a_sheet_half_filled_in_says_so(weighed):
    """A sheet as planned, trays weighed from the left: not a short line, nor a line on one side."""
    test = triangle(12)
    state, catch = test.state.copy(), test.catch.copy()
    state[weighed:], catch[weighed:] = CatchState.NOT_WEIGHED, np.nan
    with pytest.raises(NoSpreadError, match=rf"{41 - weighed} of 41 trays are not weighed yet; .*spreadcheck record"):
        assess(replace(test, state=state, catch=catch))


def test_a_blocking_doubt_forbids_the_verdict_everywhere():
    """Neither the sentence, the report, the screen nor an advised width says that the width can be driven."""
    result = replace(assess(triangle(12)), doubts=(BLOCKS,))
    verdict = result.verdict
    assert (verdict.state, verdict.blocking, verdict.may_be_driven) == (CANT_BE_JUDGED, ("made-up",), False)
    assert result.advised_width_m("back-and-forth") is None
    text = " ".join(sentence for sentences in plain_words(result).values() for sentence in sentences) + summary_text(
        result
    )
    assert "can be driven" not in text
    assert "BLOCKS made-up: something is off" in text
    assert "put right: weigh it again" in text
    assert "can be driven" in " ".join(plain_words(assess(triangle(12)))["What to do"])


def test_the_advised_width_is_a_driving_error_inside_the_band():
    result = assess(triangle(12))
    for method in METHODS:
        curve, advised = result.curves[method], result.advised_width_m(method)
        assert advised == pytest.approx(result.effective_width_m(method) - 0.3)
        assert all(curve.cv_at(width) <= 15 for width in np.linspace(advised - 0.3, advised + 0.3 - 1e-7, 25))
        sure = advised_width(curve, 15, width_m=[10, 12, 13], within_pct=[100, 95, 70])
        assert sure == pytest.approx(12 + 5 / 25)  # 95 % at 12 m, 70 % at 13 m: 90 % on the line between
        assert advised_width(curve, 15, width_m=[1, 13], within_pct=[50, 50]) is None


def test_the_worse_way_counts_where_none_is_named():
    result = assess(read_sheet(SAMPLES / "lopsided.csv"))
    assert [result.verdicts[method].state for method in METHODS] == [NOT_EVEN, FITS]
    assert result.verdict.method == "back-and-forth"


def test_close_is_said_where_the_trays_and_the_curve_disagree():
    """A limit between the two figures at a whole number of spacings."""
    result = assess(read_sheet(SAMPLES / "lopsided.csv"))
    bout = result.bouts["back-and-forth"]
    assert bout.cv_pct < bout.cv_trays_pct
    between = assess(result.test, limit_pct=(bout.cv_pct + bout.cv_trays_pct) / 2).verdict
    assert (between.state, between.close) == (NARROWLY, True)
    assert "close: CV by trays 27.8 % does not keep it" in verdict_sentence(between)


def test_a_blend_never_passes_on_its_total_mass():
    """The mass is even at 21 m, urea is not: the verdict, the effective width and the screen are of the worst part."""
    test = read_sheet(SAMPLES / "blend.csv")
    result = assess(test, bout_width_m=21)
    whole = result.blend.parts[0]
    assert whole.curves["back-and-forth"].cv_at(21) < 15
    assert (result.verdict.state, result.verdict.part) == (NOT_EVEN, "urea")
    assert "CV of urea" in summary_text(result)
    nutrients = NutrientAnalysis({name: {"N": 10.0 if name == "urea" else 0.0, "X": 1.0} for name in test.components})
    assert assess(test, bout_width_m=21, analysis=nutrients).verdict.part == "N"
    for method in METHODS:
        worst = max(part.curves[method].cv_at(18.0) for part in result.blend.judged)
        assert result.curves[method].cv_at(18.0) == pytest.approx(worst)


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("path", SHEETS, ids=lambda p: p.stem)
def test_the_answer_fits_one_screen(path, units):
    shown = CliRunner().invoke(main, ["analyse", str(path), "--units", units]).stdout.splitlines()
    assert len(shown) <= SCREEN
    assert len(shown) >= 15
    assert max(map(len, (line for line in shown if str(path) not in line))) <= 80


def test_json_carries_the_verdict():
    data = json.loads(CliRunner().invoke(main, ["analyse", str(SAMPLES / "lopsided.csv"), "--json", "-"]).stdout)
    result = assess(read_sheet(SAMPLES / "lopsided.csv"))
    found = data["verdict"]
    assert found == {name: getattr(result.verdict, name) for name in found} | {"blocking": []}
    assert {"state", "method", "bout_width_m", "probability_pct", "why", "close", "untested"} < set(found)
    assert data["verdict"]["state"] == NOT_EVEN
    for method in METHODS:
        found = data["methods"][method]
        assert found["advised_width_m"] == result.advised_width_m(method)
        assert found["bands"][-1]["to_m"] == found["effective_width_m"]
        assert found["effective_width_censored"] is False
    unnamed = tray_test([-1, 0, 1], [1, 2, 1], tray_width="1 m", tray_length="1 m")
    assert analysis_json(assess(unnamed))["verdict"] is None


@pytest.mark.parametrize("error_m", [-1.0, 5.1, math.nan])
def test_a_driving_error_that_nobody_makes_is_refused(error_m):
    """A width advised for an error below 0 would be wider than the band itself."""
    with pytest.raises(WidthError, match="can't be; give 0 to 5 m to either side"):
        assess(triangle(12), driving_error_m=error_m)


def test_passes_all_turned_with_one_side_thrown_out():
    """Turned round, no tray has a catch where it lay: the test is blocked in words, and nothing breaks."""
    catches, turned = [[2, 2], [5, 5], [9, 9], [5, 5], [2, 2]], {"reversed passes": "1; 2"}
    test = tray_test([-2, -1, 0, 1, 2], catches, tray_width="0.5 m", tray_length="0.5 m", form=turned)
    state = test.state.copy()
    state[:3] = CatchState.THROWN_OUT
    found = assess(replace(test, state=state))
    assert found.blocking
