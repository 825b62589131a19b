"""Tests held against each other: scipy as the reference, closed forms, and simulations in which nothing changed.

Monte-Carlo tolerances are three binomial standard errors of the rate that is stated.
"""

import itertools
import json
import os
import re
import shutil
from dataclasses import replace
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from spreadcheck import assess, read_sheet, tray_test
from spreadcheck.cli import main
from spreadcheck.errors import SpreadcheckError
from spreadcheck.improve.between import Terms, between_sd, difference_evidence
from spreadcheck.improve.compare import compare
from spreadcheck.improve.profiles import many_figures, passes_at
from spreadcheck.passes.passes import holm
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.compare import comparison_document, comparison_json
from spreadcheck.show.text import terminal_text

SAMPLES = Path(__file__).parents[2] / "sample_trays"
BEFORE, AFTER = SAMPLES / "before_vane_change.csv", SAMPLES / "after_vane_change.csv"


def three_errors(rate, draws):
    """Three binomial standard errors of a rate found in so many draws."""
    return 3 * sqrt(rate * (1 - rate) / draws)


def run(*arguments, **more):
    return CliRunner().invoke(main, ["compare", *(str(argument) for argument in arguments)], **more)


def spread_test(rng, passes, *, shift=0.0, rate=1.0, scatter=0.06, spacing=1.0, half=16.0, **form):
    """A simulated test: a trapezoid, every tray of every pass off by chance; `rate` times 160 kg/ha on its top."""
    offset = np.arange(-half, half + spacing / 2, spacing)
    grams = 4.0 * rate * np.clip((15 - np.abs(offset - shift)) / 8, 0, 1)
    catches = grams[:, None] * (1 + scatter * rng.standard_normal((len(offset), passes)))
    labels = {"target rate": f"{150 * rate:g} kg/ha", "bout width": "22 m"} | form
    return tray_test(offset, np.clip(catches, 0, None), tray_width="0.5 m", tray_length="0.5 m", form=labels)


def said(found, system="metric"):
    return terminal_text(comparison_document(found, system))


def differences(change):
    return {f"{one.code} {one.method}".strip(): one for one in change.differences}


# --- the tests themselves, against scipy -----------------------------------------------------------------------------


@pytest.mark.parametrize(("before", "after"), [(2, 2), (3, 3), (3, 6), (5, 4), (12, 20)])
@pytest.mark.parametrize("level", [90, 95, 99])
def test_without_spread_between_tests_it_is_scipys_welch(before, after, level):
    rng = np.random.default_rng(before * 100 + after)
    a, b = rng.normal(60, 2, before), rng.normal(57, 5, after)
    found = difference_evidence(a, b, (), level_pct=level)
    reference = stats.ttest_ind(b, a, equal_var=False)
    ends = reference.confidence_interval(level / 100)
    assert found.p == pytest.approx(reference.pvalue, rel=1e-9)
    assert (found.low, found.high) == pytest.approx((ends.low, ends.high), rel=1e-9)
    assert found.beyond == (reference.pvalue <= 1 - level / 100)


def test_welch_of_a_textbook_case():
    """Two samples of 15, t = -2.46, 25.0 degrees of freedom, p = 0.021: a widely printed example [MEM].

    Tolerance: half of the last digit printed.
    """
    a = [27.5, 21.0, 19.0, 23.6, 17.0, 17.9, 16.9, 20.1, 21.9, 22.6, 23.1, 19.6, 19.0, 21.7, 21.4]
    b = [27.1, 22.0, 20.8, 23.4, 23.4, 23.5, 25.8, 22.0, 24.8, 20.2, 21.9, 22.1, 22.9, 20.5, 24.4]
    assert difference_evidence(a, b, (), level_pct=95).p == pytest.approx(0.021, abs=0.0005)


def test_with_spread_between_tests_by_hand():
    """Variances 1/3 of each mean and 4 of each test: t = 6 / sqrt(26/3), freedom (26/3)^2 / (2 (1/3)^2 / 2)."""
    found = difference_evidence([1, 2, 3], [7, 8, 9], [(2.0, np.inf)] * 2, level_pct=95)
    assert found.p == pytest.approx(2 * stats.t.sf(6 / sqrt(26 / 3), (26 / 3) ** 2 * 9), rel=1e-9)
    learned = difference_evidence([1, 2, 3], [7, 8, 9], [(2.0, 5.0)] * 2, level_pct=95)
    freedom = (26 / 3) ** 2 / (1 / 9 + 2 * 16 / 5)
    assert learned.p == pytest.approx(2 * stats.t.sf(6 / sqrt(26 / 3), freedom), rel=1e-9)


def test_a_shift_of_the_line_moves_the_centre_and_nothing_else():
    """The centre of a moved profile moves as far: its standard deviation is that of laying and wind together."""
    place = np.arange(-20.0, 21.0)
    moved = Terms(0.3, 0.4, 0.0, 0.0).moved(place, np.clip(10 - np.abs(place), 0, None))
    figures = many_figures(place, moved, METHODS, limit_pct=15, width_m=None, reference_m=20)
    assert between_sd(figures["centre", ""])[0] == pytest.approx(0.5, rel=0.02)  # 60 draws scaled to that
    assert between_sd(figures["mean rate", ""])[0] < 1e-2 * 100 / 20


def test_repeats_that_agree_make_a_comparison_surer():
    rng = np.random.default_rng(3)
    before, *repeats = (spread_test(rng, 3) for _ in range(7))
    after = spread_test(rng, 3, shift=1.1)
    alone = differences(compare([before, after]).changes[0])["centre"].evidence.p
    assert differences(compare([before, after], repeats=repeats).changes[0])["centre"].evidence.p < alone


def test_a_question_is_judged_alone():
    rng = np.random.default_rng(4)
    tests = [spread_test(rng, 3), spread_test(rng, 3, shift=0.9)]
    together, asked = (
        differences(compare(tests, question=question).changes[0])["centre"].evidence.p for question in (None, "centre")
    )
    assert asked < together
    with pytest.raises(SpreadcheckError, match="no figure that is compared"):
        compare(tests, question="colour")


@given(st.lists(st.floats(0, 1), min_size=1, max_size=6))
def test_holm_is_the_closed_test(p):
    """Holm's rule is Bonferroni's over every set of statements that holds the one asked for (closure principle)."""
    closed = [
        max(
            min(1.0, len(chosen) * min(p[i] for i in chosen))
            for size in range(1, len(p) + 1)
            for chosen in itertools.combinations(range(len(p)), size)
            if one in chosen
        )
        for one in range(len(p))
    ]
    assert holm(p) == pytest.approx(closed, abs=1e-12)


# --- how often they err ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("passes", [3, 5])
def test_a_line_laid_again_is_no_change(passes):
    """25 unchanged pairs, laid 0.25 m off with 2 % of rate: 5 % may alarm, so more than 5 have a chance of 0.1 %."""
    alarms = 0
    for seed in range(25):
        rng = np.random.default_rng([seed, passes])
        pair = [spread_test(rng, passes, shift=rng.normal(0, 0.25), rate=1 + rng.normal(0, 0.02)) for _ in range(2)]
        change = compare(pair, profiles="measured").changes[0]
        alarms += any(one.evidence.beyond for one in change.differences) or bool(change.trays.overall.beyond)
    assert alarms <= 5


def test_three_tests_are_ranked():
    rng = np.random.default_rng(2)
    found = compare([spread_test(rng, 3, shift=shift) for shift in (2.0, 0.0, 1.0)])
    assert [one.test for one in found.ranking] == [1, 2, 0]
    assert sum(one.probability_pct for one in found.ranking) == pytest.approx(100)
    assert "From best to worst" in terminal_text(comparison_document(found))


def slipped(test):
    """The test with a decimal point that slipped in one pass, which blocks its verdict."""
    catches = test.catch.copy()
    catches[len(catches) // 2, 0] *= 10
    return replace(test, catch=catches)


def test_a_test_that_can_not_be_judged_has_no_chance_to_be_best():
    """It stands last, whatever its CV; the others share the chances, and one alone has none either."""
    rng = np.random.default_rng(2)
    tests = [spread_test(rng, 3, shift=shift) for shift in (2.0, 0.0, 1.0)]
    found = compare([tests[0], slipped(tests[1]), tests[2]])
    assert [one.test for one in found.ranking] == [2, 0, 1]
    assert found.ranking[-1].probability_pct is None
    assert sum(one.probability_pct for one in found.ranking[:2]) == pytest.approx(100)
    row = next(line for line in terminal_text(comparison_document(found)).splitlines() if line.endswith("be judged"))
    assert found.results[1].test.name in row
    alone = compare([tests[0], slipped(tests[1]), slipped(tests[2])])
    assert [one.probability_pct for one in alone.ranking] == [None, None, None]


def test_tests_without_any_effective_width_are_not_ranked():
    rng = np.random.default_rng(2)
    tests = [spread_test(rng, 3, shift=shift, **{"bout width": ""}) for shift in (2.0, 0.0, 1.0)]
    found = compare(tests, limit_pct=0.01)
    assert all(one.effective_width_m("back-and-forth") is None for one in found.results)
    assert found.ranking == ()


def test_the_only_test_with_a_width_is_not_called_surely_the_best():
    """Between a width and none there is no distance, so no chance can be drawn; the note says what is known."""
    rng = np.random.default_rng(2)
    tests = [spread_test(rng, 3, shift=shift, **{"bout width": ""}) for shift in (2.0, 0.0, 1.0)]
    curves = [one.curves["back-and-forth"] for one in compare(tests).results]
    limit = next(
        limit for limit in range(1, 40) if sum(one.effective_width_m(limit) is not None for one in curves) == 1
    )
    found = compare(tests, limit_pct=limit)
    assert [one.value is None for one in found.ranking] == [False, True, True]
    assert [one.probability_pct for one in found.ranking] == [None, None, None]
    assert "Only one test has a width within the limit" in " ".join(terminal_text(comparison_document(found)).split())


def test_sheets_of_an_archive_that_can_not_be_judged_are_named(tmp_path):
    """Nothing is learned from them, as before; the reader is told which they are and why."""
    folder = archive_of(tmp_path / "archive", 3)
    sheet = folder / "2.csv"
    head, rows = sheet.read_text(encoding="utf-8").split("\n\n", 1)
    lines = rows.splitlines()
    cells = lines[len(lines) // 2].split(",")
    cells[2] = f"{10 * float(cells[2]):.1f}"
    lines[len(lines) // 2] = ",".join(cells)
    sheet.write_text("\n\n".join([head.replace("Before vane change", "Slipped"), "\n".join(lines)]), encoding="utf-8")
    result = run(BEFORE, AFTER, "--archive", folder, "--json", tmp_path / "c.json")
    assert result.exit_code == 0, result.output
    told = " ".join(result.stdout.split())
    assert "Nothing is learned from tests that can't be judged:" in told
    assert "of the archive (" in told
    found = json.loads((tmp_path / "c.json").read_text("utf-8"))
    assert found["between_tests"]["learned_from_tests"] == 3
    assert [os.path.basename(one["source"]) for one in found["left_out"]] == ["2.csv"]


def test_nothing_is_learned_from_repeats_that_can_not_be_judged():
    rng = np.random.default_rng(2)
    tests = [spread_test(rng, 3) for _ in range(4)]
    without = compare(tests[:2], repeats=tests[2:3])
    found = compare(tests[:2], repeats=[tests[2], slipped(tests[3])])
    assert [len(group) for one in (found, without) for group in one.unchanged] == [2, 2]
    assert [one.test.catch.max() for one in found.left_out] == [slipped(tests[3]).catch.max()]
    assert "Nothing is learned from tests that can't be judged" in " ".join(said(found).split())
    first = compare([slipped(tests[0]), tests[1]], repeats=tests[2:3])
    assert first.unchanged == ()
    assert first.left_out[0] is first.results[0]


# --- changes that are there ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("passes", [3, 5])
def test_an_injected_shift_is_found(passes):
    """The whole spread 2.5 m to the right: the centre follows and stands; the rate does not."""
    rng = np.random.default_rng(2)
    change = compare([spread_test(rng, passes, half=19), spread_test(rng, passes, shift=2.5, half=19)]).changes[0]
    found = differences(change)
    centre = found["centre"]
    assert centre.evidence.low <= 2.5 <= centre.evidence.high
    assert centre.evidence.beyond
    assert found["left share"].evidence.beyond
    assert not found["mean rate"].evidence.beyond


def test_figures_are_those_of_an_analysis():
    tests = [read_sheet(BEFORE), read_sheet(AFTER)]
    change = compare(tests).changes[0]
    found = differences(change)
    before, after = (assess(test) for test in tests)
    assert (found["centre"].before, found["centre"].after) == (before.profile.centre_m, after.profile.centre_m)
    for method in (before.driving,):
        assert found[f"CV {method}"].after == pytest.approx(after.bouts[method].cv_pct)
        assert found[f"effective width {method}"].before == before.effective_width_m(method)
    assert found["mean rate"].before == before.bouts[METHODS[0]].mean_kg_ha
    assert change.difference_kg_ha == pytest.approx(after.profile.rate_kg_ha - before.profile.rate_kg_ha)


def test_swapping_the_sheets_turns_every_change_round():
    tests = [read_sheet(BEFORE), read_sheet(AFTER)]
    one, other = compare(tests).changes[0], compare(tests[::-1]).changes[0]
    for a, b in zip(one.differences, other.differences, strict=True):
        assert b.change == pytest.approx(-a.change)
        assert b.evidence.p == pytest.approx(a.evidence.p)
    assert other.trays.p == pytest.approx(one.trays.p)


def test_other_rates_are_compared_at_the_same_mean():
    """Twice the catch and twice the target rate: the same profile, so that no tray differs, and it is said."""
    rng = np.random.default_rng(5)
    before = spread_test(rng, 4, scatter=0.05)
    doubled = tray_test(
        before.offset_m, 2 * before.catch * (1 + 1e-9), tray_width="0.5 m", tray_length="0.5 m",
        form={"target rate": "300 kg/ha", "bout width": "22 m"},
    )  # fmt: skip
    found = compare([before, doubled])
    change = found.changes[0]
    assert change.factor == pytest.approx(0.5)
    assert np.abs(change.difference_kg_ha).max() < 1e-6
    assert differences(change)["mean rate"].change == pytest.approx(differences(change)["mean rate"].before)
    text = " ".join(said(found).split())
    assert "Profiles: the later one times 0.500, to the same mean (the target rates differ)." in text
    measured = compare([before, doubled], profiles="measured").changes[0]
    assert measured.difference_kg_ha == pytest.approx(measured.before_kg_ha)


def test_rates_are_not_taken_for_the_same_where_no_target_says_so():
    rng = np.random.default_rng(6)
    tests = [spread_test(rng, 3), spread_test(rng, 3)]
    assert compare(tests).changes[0].why_scaled == ""
    no_target = tray_test(tests[1].offset_m, tests[1].catch, tray_width="0.5 m", tray_length="0.5 m")
    assert "no target rate" in compare([tests[0], no_target]).changes[0].why_scaled


def test_other_tray_lines_are_compared_between_the_trays():
    """The same straight-sided pattern under trays 1 m and 0.5 m apart, on lines of other lengths: no difference."""
    rng = np.random.default_rng(7)
    coarse = spread_test(rng, 3, scatter=0, half=16)
    fine = spread_test(rng, 3, scatter=0, half=15.5, spacing=0.5)
    found = compare([coarse, fine])
    change = found.changes[0]
    assert not change.same_trays
    assert change.place_m.tolist() == list(range(-15, 16))
    assert np.abs(change.difference_kg_ha).max() < 1e-9
    for one in change.differences:
        assert one.change == pytest.approx(0, abs=1e-9)
    text = " ".join(said(found).split())
    assert "The trays stood differently: all figures here are from the lines drawn between trays, at 31 places" in text


def test_lines_that_share_nothing_can_not_be_compared():
    left = tray_test([-9, -8, -7], [1, 2, 1], tray_width="1 m", tray_length="1 m")
    right = tray_test([7, 8, 9], [1, 2, 2], tray_width="1 m", tray_length="1 m")
    with pytest.raises(SpreadcheckError, match="that of the first test overlap over fewer than three trays"):
        compare([left, right])


def test_a_stretch_in_which_nothing_fell():
    left = tray_test(range(-9, 1), [1, 2, 3, 3, 2, 1, 0, 0, 0, 0], tray_width="1 m", tray_length="1 m")
    right = tray_test(range(-3, 7), [0, 0, 0, 0, 1, 2, 3, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    with pytest.raises(SpreadcheckError, match="nothing fell into the trays of the stretch that both tray lines cover"):
        compare([left, right])


# --- what can't be said ----------------------------------------------------------------------------------------------


def test_one_pass_each_says_that_nothing_can_be_said():
    rng = np.random.default_rng(8)
    found = compare([spread_test(rng, 1), spread_test(rng, 1, shift=3.0)])
    change = found.changes[0]
    assert all(one.evidence.p is None and one.evidence.beyond is None for one in change.differences)
    assert change.trays.overall.p is None
    assert not change.trays.beyond.any()
    text = " ".join(said(found).split())
    assert (
        "No statement is possible on whether chance explains this: one pass shows no spread; drive two passes" in text
    )
    assert "by chance" in text
    assert "chance may explain" not in text
    data = comparison_json(found)["changes"][0]
    assert {one["more_than_chance"] for one in data["differences"]} == {None}


def test_one_pass_against_some_shows_no_spread():
    rng = np.random.default_rng(9)
    found = compare([spread_test(rng, 1), spread_test(rng, 19, shift=3.0)])
    assert differences(found.changes[0])["centre"].evidence.p is None
    assert comparison_json(found)["changes"][0]["differences"][0]["why_no_statement"] == "one pass shows no spread"


def test_gaps_and_half_weighed_passes():
    """A gap is filled from the pass's own neighbours; a pass with fewer than half of the catches is left out."""
    rng = np.random.default_rng(10)
    whole = spread_test(rng, 4)
    catches = whole.catch.copy()
    catches[10, 0] = np.nan
    catches[:20, 3] = np.nan
    form = {"target rate": "150 kg/ha", "bout width": "22 m"}
    gappy = tray_test(whole.offset_m, catches, tray_width="0.5 m", tray_length="0.5 m", form=form)
    found = compare([spread_test(rng, 4), gappy])
    assert found.changes[0].passes == (4, 3)
    assert "on which the tests rest: 4 before, 3 after." in " ".join(said(found).split())


def test_more_than_two_are_each_held_against_the_first():
    rng = np.random.default_rng(12)
    tests = [spread_test(rng, 3), spread_test(rng, 3, shift=1.0), spread_test(rng, 3, shift=-1.0)]
    found = compare(tests)
    assert [change.before.test for change in found.changes] == [tests[0]] * 2
    assert [round(differences(change)["centre"].change) for change in found.changes] == [1, -1]
    assert (
        differences(found.changes[1])["centre"].change == differences(compare(tests[::2]).changes[0])["centre"].change
    )
    assert "Each test is compared with the first only." in " ".join(said(found).split())


def test_reversed_passes_are_turned_before_they_are_compared():
    """The second pass of each test is driven the other way: turned round, it is a pass like the first."""
    rng = np.random.default_rng(13)
    plain = spread_test(rng, 2, shift=1.0)
    turned = np.column_stack((plain.catch[:, 0], plain.catch[::-1, 1]))
    form = {"target rate": "150 kg/ha", "bout width": "22 m", "reversed passes": "2"}
    other = tray_test(plain.offset_m, turned * (1 + 1e-12), tray_width="0.5 m", tray_length="0.5 m", form=form)
    base = spread_test(rng, 2)
    one, two = (differences(compare([base, test]).changes[0])["centre"] for test in (plain, other))
    assert two.evidence.p == pytest.approx(one.evidence.p, rel=1e-6)


CELL = st.one_of(st.just(float("nan")), st.just(0.0), st.floats(0.01, 50))


@settings(max_examples=8)
@given(st.integers(1, 4), st.integers(1, 4), st.data())
def test_any_catches_give_an_answer_or_a_message(before, after, data):
    """Gaps, zeros and odd passes: finite JSON and 80 columns, or an error on purpose; no traceback, no warning."""
    tests = []
    for passes in (before, after):
        count = data.draw(st.integers(3, 7))
        cells = data.draw(st.lists(CELL, min_size=count * passes, max_size=count * passes))
        tests.append((np.arange(count) - count // 2, np.reshape(cells, (count, passes))))
    try:
        found = compare([tray_test(*one, tray_width="1 m", tray_length="1 m") for one in tests], bout_width_m=2.5)
    except SpreadcheckError:
        return
    json.dumps(comparison_json(found), allow_nan=False)
    assert max(len(line) for line in said(found).splitlines()) <= 80


# --- the command -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("units", ["metric", "us"])
def test_command_in_80_columns(units):
    result = run(BEFORE, AFTER, SAMPLES / "lopsided.csv", SAMPLES / "us_units.csv", "--units", units)
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert "nan" not in result.output


def test_command_says_it_in_plain_words():
    text = " ".join(run(BEFORE, AFTER).stdout.split())
    assert "The centre of the spread lies 1.54 m farther to the right; that is more than chance explains." in text
    assert "The mean rate at 21 m rose from 148.9 kg/ha to 152.7 kg/ha; chance may explain that." in text
    assert "The sheets differ in: vanes worn through on the right disc -> new on both discs" in text
    assert "Before the vane change. At 21 m, back-and-forth: not even enough." in text
    for word in ("Holm", "Bonferroni", "Welch", "p =", "standard deviation", "Gaussian"):
        assert word not in text


def test_a_width_that_jumps_by_a_small_shift_is_no_change_and_says_why():
    """Laid half a metre otherwise, the sample before the change has a second band of widths; after it, always."""
    change = compare([read_sheet(BEFORE), read_sheet(AFTER)]).changes[0]
    width = differences(change)["effective width back-and-forth"]
    assert width.jumps
    assert "chance may explain that: a small shift of the line takes one of them to the other." in " ".join(
        run(BEFORE, AFTER).stdout.split()
    )
    wider = compare([read_sheet(SAMPLES / "speed_series" / f"rpm_{speed}.csv") for speed in (560, 720, 880)])
    p = [differences(one)["effective width back-and-forth"].evidence.p for one in wider.changes]
    assert p[1] <= p[0] < 0.05  # the farther a width goes within a band, the surer


def test_two_machines_are_not_before_and_after():
    rng = np.random.default_rng(21)
    one, other = spread_test(rng, 3, machine="Old"), spread_test(rng, 3, shift=2.5, machine="New")
    text = " ".join(said(compare([one, other])).split())
    assert "against" in text
    assert " before " not in text
    assert " first second change" in text


def archive_of(folder, count, machine="Trailed twin-disc"):
    """Sheets of the machine as it was before, each laid a little off, and one that can't be read."""
    folder.mkdir(exist_ok=True)
    head, rows = BEFORE.read_text(encoding="utf-8").split("\n\n", 1)
    head = head.replace("Trailed twin-disc", machine)
    rng = np.random.default_rng(7)
    for number in range(count):
        lines = rows.splitlines()
        body = [
            ",".join(
                [*line.split(",")[:2], *(f"{float(cell) * rng.normal(1, 0.03):.1f}" for cell in line.split(",")[2:])]
            )
            for line in lines[2:]
        ]
        (folder / f"{number}.csv").write_text("\n".join([head, "", *lines[:2], *body]), encoding="utf-8")
    (folder / "torn.csv").write_text("spreadcheck tray sheet,1\ntray width,0.5,m\n", encoding="utf-8")
    return folder


def test_spread_between_tests_is_learned_from_an_archive(tmp_path):
    """The sheets of this machine with nothing changed, and no others; the same as naming them with --repeat."""
    folder = archive_of(tmp_path / "archive", 4)
    shutil.copy(BEFORE, folder / "before_again.csv")  # a copy of what is compared tells nothing
    shutil.copy(SAMPLES / "lopsided.csv", folder)  # another machine
    result = run(BEFORE, AFTER, "--archive", folder, "--json", tmp_path / "c.json")
    assert result.exit_code == 0, result.output
    assert "torn.csv" in result.stderr
    assert "learned from 5 tests in which nothing was changed" in " ".join(result.stdout.split())
    named = [word for number in range(4) for word in ("--repeat", folder / f"{number}.csv")]
    assert run(BEFORE, AFTER, *named, "--json", tmp_path / "r.json").exit_code == 0
    archived, repeated = (json.loads((tmp_path / name).read_text("utf-8")) for name in ("c.json", "r.json"))
    assert archived == repeated
    assert archived["between_tests"]["learned_from_tests"] == 5


def test_a_later_test_may_have_its_repeats_in_the_archive():
    series = SAMPLES / "speed_series"
    result = run(series / "rpm_640.csv", series / "rpm_720.csv", "--archive", series)
    assert result.exit_code == 0, result.output
    assert "learned from 2 tests in which nothing was changed" in " ".join(result.stdout.split())


def test_an_archive_without_repeats_is_refused(tmp_path):
    other = run(BEFORE, AFTER, "--archive", archive_of(tmp_path / "a", 2, machine="Mounted"))
    assert other.exit_code == 2
    problem = 'no two sheets that can be judged are tests of "Trailed twin-disc" with the same product and settings'
    assert problem in other.stderr
    (tmp_path / "empty").mkdir()
    assert "holds no tray sheet that can be read" in run(BEFORE, AFTER, "--archive", tmp_path / "empty").stderr
    assert "is not a folder" in run(BEFORE, AFTER, "--archive", tmp_path / "none").stderr


def test_groups_of_an_archive_are_pooled_by_hand():
    """Two groups of 2 and 3 tests: squares 0.02 and 0.02 with 1 + 2 degrees of freedom, beside 4 of the stated 0.3."""
    found = between_sd(np.array([-0.3, 0.0, 0.3]), [np.array([0.1, 0.3]), np.array([0.5, 0.7, 0.6])])
    assert found == (pytest.approx(sqrt((4 * 0.09 + 0.02 + 0.02) / 7)), 7)


def test_json_keeps_the_contract():
    metric, us = (json.loads(run(BEFORE, AFTER, "--json", "-", "--units", units).stdout) for units in ("metric", "us"))
    assert metric == us
    assert metric["schema"] == "spreadcheck/comparison/2"
    assert metric["bout_width_m"] == 21
    assert [test["passes_used"] for test in metric["tests"]] == [5, 5]
    assert [test["verdict"]["state"] for test in metric["tests"]] == ["not even enough", "fits"]
    assert [one["code"] for one in metric["warnings"]] == ["off-centre"]
    change = metric["changes"][0]
    by_name = {(one["figure"], one["driving"]): one for one in change["differences"]}
    centre = by_name["centre", None]
    assert centre["change_m"] == pytest.approx(centre["after_m"] - centre["before_m"])
    assert centre["low_m"] < centre["change_m"] < centre["high_m"]
    assert centre["more_than_chance"] is True
    profile = change["profile"]
    lengths = {
        len(profile[key]) for key in ("offset_m", "before_kg_ha", "after_kg_ha", "difference_kg_ha", "p_together")
    }
    assert lengths == {35}
    assert change["settings"]["vanes"] == {"before": "worn through on the right disc", "after": "new on both discs"}


def test_the_plot(tmp_path):
    assert run(BEFORE, AFTER, SAMPLES / "lopsided.csv", "--plot", tmp_path / "c.svg").exit_code == 0
    text = (tmp_path / "c.svg").read_text(encoding="utf-8")
    for words in ("Single-pass profiles", "Change of the profile", "CV against bout width", "limit 15 %", "large open"):
        assert words in text


def test_one_sheet_may_come_from_standard_input():
    piped = run(BEFORE, "-", input=AFTER.read_bytes())
    assert piped.exit_code == 0
    assert "1.54 m farther to the right" in " ".join(piped.stdout.split())


BAD = {
    "one sheet only": ([BEFORE], "one test can't be compared; give the test before and the test after"),
    "none": ([], "one test can't be compared; give the test before and the test after"),
    "the same file twice": ([BEFORE, BEFORE], f"{BEFORE}: is given twice; give each sheet once"),
    "missing file": ([BEFORE, "none.csv"], "none.csv: the file does not exist; check its name and folder"),
    "bout width without unit": ([BEFORE, AFTER, "--bout-width", "24"], '"24" has no unit; write it out'),
    "limit of 0": ([BEFORE, AFTER, "--limit", "0"], "CV limit: 0 % can't be met or missed"),
    "level of 100": (
        [BEFORE, AFTER, "--level", "100"],
        "level: 100 % can't be used; give 50 or more and less than 100",
    ),
    "level nan": ([BEFORE, AFTER, "--level", "nan"], "level: nan % can't be used"),
    "rate error below 0": ([BEFORE, AFTER, "--rate-error", "-1"], "rate: -1 can't be how far tests differ; give 0"),
    "stretch nan": ([BEFORE, AFTER, "--stretch", "nan"], "stretch: nan can't be how far tests differ; give 0 or more"),
    "laying without unit": ([BEFORE, AFTER, "--laying-error", "0.2"], '"0.2" has no unit; write it out'),
    "odd plot": ([BEFORE, AFTER, "--plot", "x.bmp"], 'a plot can\'t be written as ".bmp"'),
    "no such choice": ([BEFORE, AFTER, "--profiles", "raw"], "'raw' is not one of"),
}


@pytest.mark.parametrize(("arguments", "message"), BAD.values(), ids=BAD)
def test_bad_values(arguments, message, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    result = run(*arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert result.stdout == ""
    assert list(tmp_path.iterdir()) == []


def test_a_copy_of_a_sheet_is_the_same_test(tmp_path):
    copy = shutil.copy(BEFORE, tmp_path / "copy.csv")
    result = run(BEFORE, copy)
    assert result.exit_code == 2
    assert f"{copy}: holds the same catches as {BEFORE}; give each test once" in result.stderr


def test_faults_of_all_sheets_at_once(tmp_path):
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_text("spreadcheck tray sheet,1\ntray width,0,m\n", encoding="utf-8")
    result = run(tmp_path / "a.csv", tmp_path / "b.csv")
    assert result.exit_code == 2
    assert "a.csv" in result.stderr
    assert "b.csv" in result.stderr


def test_volumes_without_a_density_are_compared_in_proportion_only_when_asked(tmp_path):
    text = (SAMPLES / "volumes.csv").read_text(encoding="utf-8")
    sheet = tmp_path / "ml.csv"
    sheet.write_text("\n".join(line for line in text.splitlines() if not line.startswith("bulk density")), "utf-8")
    refused = run(BEFORE, sheet)
    assert refused.exit_code == 2
    assert 'the catches are in ml and the form has no "bulk density"' in refused.stderr
    shown = run(BEFORE, sheet, "--relative")
    assert shown.exit_code == 0, shown.output
    assert "(rates are known in proportion only)" in " ".join(shown.stdout.split())
    assert "Mean rate" not in shown.stdout


def test_units_of_the_sheets_may_differ():
    """Feet and pounds against metres and kilograms: SI inside, one scale outside."""
    result = run(SAMPLES / "us_units.csv", BEFORE, "--json", "-")
    assert result.exit_code == 0
    data = json.loads(result.stdout)
    us = read_sheet(SAMPLES / "us_units.csv")
    assert data["bout_width_m"] == pytest.approx(us.bout_width_m)
    assert data["changes"][0]["profile"]["same_trays"] is False


def test_existing_files_are_kept(tmp_path):
    (tmp_path / "c.json").write_text("precious", encoding="utf-8")
    assert run(BEFORE, AFTER, "--json", tmp_path / "c.json").exit_code == 2
    assert (tmp_path / "c.json").read_text(encoding="utf-8") == "precious"


def test_single_pass_profiles_keep_their_mean():
    """The passes of a test, averaged, are its profile."""
    result = assess(read_sheet(BEFORE))
    rates = passes_at(result, result.profile.offset_m)
    assert rates.mean(axis=0) == pytest.approx(result.profile.rate_kg_ha)


def test_the_trays_named_are_those_that_differ(tmp_path):
    """As many as are counted, each by its place; and tests of one name are told apart by their files."""
    found = compare([read_sheet(BEFORE), read_sheet(AFTER)])
    change = found.changes[0]
    named = re.search(r"differs at (\d+) of \d+ trays \(([^)]*)\)", " ".join(said(found).split()))
    beyond = change.place_m[change.trays.beyond]
    assert int(named[1]) == len(beyond) == 1
    assert {float(place) for place in re.findall(r"at (\d+) m", named[2])} == set(np.abs(beyond))
    one = tmp_path / "again.csv"
    one.write_text(AFTER.read_text(encoding="utf-8").replace("After the vane change", "Before the vane change"))
    words = said(compare([read_sheet(BEFORE), read_sheet(one)]))
    assert "Before the vane change (before_vane_change.csv), mean" in words
    assert "Before the vane change (again.csv), mean" in words


def test_a_spread_that_is_only_wider_differs_at_no_tray_by_itself():
    """Trays differ by much, but the stretch of the whole explains it; the sentence doesn't lay that to chance."""
    rng = np.random.default_rng(7)
    tests = []
    for width in (10.0, 11.0):
        at = np.arange(-16, 17.0)
        level = 20 * np.exp(-(np.abs(at / width) ** 3))
        catches = level[:, None] * rng.normal(1, 0.03, (at.size, 3)).clip(0)
        tests.append(tray_test(at, catches, tray_width="0.5 m", tray_length="0.5 m", form={"test": f"{width:g} m"}))
    words = " ".join(said(compare(tests)).split())
    assert "Beyond what rate, shift and stretch of the whole explain, the profile differs at none of 33 trays" in words
    assert "(with them it differs most by " in words


def test_trays_that_caught_nothing_in_both_tests_do_not_differ():
    """A pattern that moved by 2 m leaves corners that no shift follows; where nothing fell twice, nothing differs."""
    rng = np.random.default_rng(30)
    before, after = (spread_test(rng, 3, shift=shift, scatter=0.04, spacing=2.0, half=20.0) for shift in (-2.0, 0.0))
    [change] = compare([before, after]).changes
    empty = (np.nanmax(before.catch, axis=1) == 0) & (np.nanmax(after.catch, axis=1) == 0)
    assert empty.sum() >= 2
    assert change.trays.p[empty].min() == 1


def test_a_blocked_test_is_put_right_before_its_differences_are_read(tmp_path):
    path = tmp_path / "slip.csv"
    words = BEFORE.read_text(encoding="utf-8")
    row = next(line for line in words.splitlines() if line.startswith("C,0,"))
    cells = row.split(",")
    path.write_text(
        words.replace(row, ",".join([*cells[:2], f"{10 * float(cells[2]):g}", *cells[3:]])), encoding="utf-8"
    )
    done = run(path, AFTER)
    assert "Put right first what blocks" in done.stdout
    assert f"Next: spreadcheck analyse {path} --doubts" in " ".join(done.stderr.split())
