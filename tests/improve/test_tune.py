"""The best setting: analytic machines whose best is known, a few simulated series, goals, edges and bad input.

How often the answer is right over many series is in tests/studies/tuning_study.py, with its result in the docs.
"""

import json
import re
import shutil
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from spreadcheck import read_sheet, tray_test
from spreadcheck.cli import main
from spreadcheck.errors import SpreadcheckError
from spreadcheck.improve.tune import BEYOND, CLEAR, LOWEST, UNCLEAR, WIDEST, tune
from spreadcheck.show.text import terminal_text
from spreadcheck.show.tune import tuning_document, tuning_figure, tuning_json

SAMPLES = Path(__file__).parents[2] / "sample_trays"
SERIES = sorted((SAMPLES / "speed_series").glob("*.csv"))
FORM = {"product": "Granular urea", "bout width": "24 m", "driving": "back-and-forth"}


@pytest.fixture(autouse=True)
def few_draws(monkeypatch):
    """A sixth of the draws: the 5 % that an interval leaves out are known to 3.1 % (sd of a binomial share).

    Docs and doctests run with all of them.
    """
    monkeypatch.setattr("spreadcheck.improve.tune.DRAWS", 50)


def run(*arguments, **more):
    return CliRunner().invoke(main, ["tune", *(str(argument) for argument in arguments)], **more)


def lobes(offset, reach):
    """Two lobes; a periodic sum of normal lobes is most even where they stand a quarter of the bout off the middle."""
    return sum(np.exp(-0.5 * ((offset - side * reach) / 4.6) ** 2) for side in (-1, 1))


def at_setting(value, reach, label="spinner speed", unit="rpm", seed=0, passes=3, spacing=2.0, **form):
    """A test whose lobes lie at `reach`, with 2 % scatter; they are wide, so trays 2 m apart show them."""
    offset = np.arange(-24.0, 24.5, spacing)
    rng = np.random.default_rng([seed, round(1000 * abs(value))])
    rates = lobes(offset, reach)[:, None] * (1 + rng.normal(0, 0.02, (len(offset), passes)))
    labels = FORM | {label: f"{value:g} {unit}".strip()} | form
    labels = {name: said for name, said in labels.items() if said}
    return tray_test(offset, np.round(4 * rates, 6), tray_width="0.5 m", tray_length="0.5 m", form=labels)


def series(speeds, best=700.0, **more):
    """Lobes that move 1 m out with every 50 rpm, a quarter of 24 m off the middle at the best speed."""
    return [at_setting(speed, 6 + (speed - best) / 50, **more) for speed in speeds]


def words(found, system="metric"):
    return " ".join(terminal_text(tuning_document(found, system)).split())


# --- the answer ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("best", [655.0, 700.0, 735.0])
@pytest.mark.parametrize("speeds", [(620, 700, 780), (600, 660, 720, 780), (640, 680, 720, 760, 800)], ids=len)
def test_the_best_speed_of_a_known_machine(best, speeds):
    """By symmetry of the periodic sum the CV is lowest where the lobes stand 6 m off: within 25 rpm, and held."""
    answer = tune(series(speeds, best)).main
    assert abs(answer.best[0] - best) <= 25
    assert answer.interval[0][0] - 2 <= best <= answer.interval[0][1] + 2


def test_a_drop_point_in_marks_of_the_maker():
    found = tune([at_setting(mark, 6 + (mark - 4) * 0.8, "drop point", "") for mark in (1, 3, 5, 7)])
    assert found.tested.settings[0].label == "drop point"
    assert found.main.best[0] == pytest.approx(4, abs=0.5)
    assert "the CV is lowest at " in words(found)


def test_two_settings_together():
    """Lobes move out with speed and with vane angle; the best pairs lie on a line through the middle of the range."""
    tests = [
        at_setting(speed, 6 + (speed - 700) / 50 + angle / 4, spacing=4.0, **{"vane angle": f"{angle} deg"})
        for speed, angle in ((640, -4), (640, 4), (760, -4), (760, 4), (700, 0))
    ]
    found = tune(tests)
    assert [one.label for one in found.tested.settings] == ["spinner speed", "vane angle"]
    speed, angle = found.main.best
    assert abs((speed - 700) / 50 + angle / 4) < 0.5
    assert found.main.standing == UNCLEAR  # a whole line of pairs is as good
    assert {axes.get_xlabel() for axes in tuning_figure(found).axes[1:3]} == {"Spinner speed (rpm)"}
    one = tune(tests, settings=["vane angle"])
    assert one.other_settings[0][0] == "spinner speed"


def test_what_is_written_in_the_picture_can_be_read():
    """No line runs through the name of the limit; a map names what its shades mean, and no figure covers another."""
    curve = tuning_figure(tune(series((620, 700, 780)), highest_rpm=760, limit_pct=8)).axes[1]
    assert not curve.texts
    assert "limit 8 %" in [text.get_text() for text in curve.get_legend().get_texts()]
    tests = [
        at_setting(speed, 6 + (speed - 700) / 50 + angle / 4, spacing=4.0, **{"vane angle": f"{angle} deg"})
        for speed, angle in ((640, -4), (640, 4), (760, -4), (760, 4), (700, 0))
    ]
    found = tune(tests)
    figure = tuning_figure(found)
    figure.draw_without_rendering()
    maps = [axes for axes in figure.axes[1:] if axes.texts]
    assert len(maps) == 2
    for axes in maps:
        boxes = [text.get_window_extent() for text in axes.texts]
        assert len(boxes) == len(found.results)
        assert not any(one.overlaps(other) for one, other in combinations(boxes, 2))
    assert [axes.get_ylabel() for axes in figure.axes if axes not in (figure.axes[0], *maps)] == [
        "CV at 24 m (%)",
        "Effective width (m)",
    ]


def test_of_several_bins_the_one_asked_for_or_the_sum_counts():
    """Some 150 kg/ha were caught: a target of 1,500 is implausible, one of 150 and a sum of 60 and 90 are not."""
    bins = {"bin 2 product": "Potash", "bin 2 target rate": "150 kg/ha", "target rate": "1500 kg/ha"}
    tests = series((660, 700, 740), **bins)
    with pytest.raises(SpreadcheckError, match="mass-implausible"):
        tune(tests)
    second = tune(tests, bin_no=2)
    assert second.products == ("Potash",)
    assert "it is bin 2 whose product and target rate count." in words(second)
    first = tune(series((660, 700, 740), **bins | {"target rate": "150 kg/ha", "bin 2 target rate": "1500 kg/ha"}))
    assert first.products == ("Granular urea",)
    assert "it is bin 1 whose product and target rate count; --bin says another." in words(first)
    shared = {"bins run": "together", "target rate": "60 kg/ha", "bin 2 target rate": "90 kg/ha"}
    together = series((660, 700, 740), **bins | shared)
    both = tune(together)
    assert (both.products, both.like.target_kg_ha) == (("Granular urea + Potash",), pytest.approx(150.0))
    assert "held against the sum of their target rates" in words(both)
    for wrong, said in ((together, "its bins run together"), (series((660, 700, 740)), "names no bin 2")):
        with pytest.raises(SpreadcheckError, match=said):
            tune(wrong, bin_no=2)


def test_the_next_sheet_is_made_in_one_step(tmp_path):
    """The line of trays, machine and product of the best test, the setting to test, and no catches."""
    sheet = tmp_path / "next.csv"
    result = run(*SERIES, "--into", sheet)
    assert result.exit_code == 0, result.output
    made, best = read_sheet(sheet), read_sheet(SERIES[1])
    assert np.isnan(made.catch).all()
    assert np.array_equal(made.offset_m, best.offset_m)
    assert made.text("product") == best.text("product")
    assert f"{made.quantity('spinner speed'):.0f} rpm" in " ".join(result.stderr.split())
    said = " ".join(result.stderr.split())
    assert "is a new sheet for a test on the line of" in said
    assert f"Next: spreadcheck record {sheet}" in said
    wide = [line for line in result.stderr.splitlines() if len(line) > 80 and str(sheet) not in line]
    assert not wide  # a path is never cut, nor is a command


def test_an_edge_asks_for_a_test_beyond_it_as_far_as_the_granules_bear():
    found = tune(series((700, 740, 780), best=660.0))
    assert (found.main.standing, found.main.best, found.main.next.setting) == (BEYOND, (700.0,), (660.0,))
    assert "the best may lie beyond it" in words(found)
    above = tune(series((540, 580, 620), best=660.0))
    assert (above.main.standing, above.main.next.setting) == (BEYOND, (660.0,))
    capped = tune(series((540, 580, 620), best=660.0), highest_rpm=640)
    assert capped.main.next.setting == (640.0,)


def test_the_highest_speed_of_a_form_caps_the_answer():
    tests = series((600, 660, 720, 780), best=760.0)
    tests[0] = at_setting(600, 6 - 160 / 50, **{"highest spinner speed": "700 rpm"})
    found = tune(tests)
    assert found.tested.highest_rpm == 700
    assert found.main.best[0] == pytest.approx(700)
    assert found.main.at_highest
    assert found.main.next is None
    assert found.tested.over.tolist() == [False, False, True, True]
    assert found.results[found.main.best_tested].test.quantity("spinner speed") <= 700
    assert "don't test above it" in words(found)


def test_two_tests_are_never_clear():
    found = tune(series((660, 740)))
    assert found.main.standing == UNCLEAR
    assert "no more than a straight line" in words(found)


def test_never_one_already_settled():
    """The next setting lies among those that can't be told from the best, and pays for itself."""
    for seed in range(4):
        answer = tune(series((560, 700, 840), seed=seed, passes=2)).main
        low, high = answer.alike[0]
        if answer.next is not None:
            assert low - 5 <= answer.next.setting[0] <= high + 5
            assert answer.next.gain >= 0.1


def test_both_goals_trade_off():
    found = tune(series((620, 660, 700, 740, 780)))
    settings, cvs, widths = zip(*found.trade_off, strict=True)
    assert list(cvs) == sorted(cvs)
    assert list(widths) == sorted(widths)
    assert settings[0][0] == pytest.approx(found.main.best[0])
    assert widths[-1] == pytest.approx(found.answers[WIDEST].figures[WIDEST][0], abs=0.1)


def test_one_pass_a_test_says_that_scatter_is_assumed():
    found = tune(series((620, 660, 700, 740, 780), passes=1))
    assert found.model.errors.assumed
    assert "No test has two passes or more" in words(found)


def test_a_test_that_can_not_be_judged_is_left_out_and_named():
    """A decimal point that slipped in one pass blocks the verdict: the answer is that of the other tests."""
    tests = series((620, 660, 700, 740, 780))
    catches = tests[1].catch.copy()
    catches[10, 0] *= 10
    form = FORM | {"spinner speed": "660 rpm", "test": "Slipped"}
    slipped = tray_test(tests[1].offset_m, catches, tray_width="0.5 m", tray_length="0.5 m", form=form)
    found, others = tune([*tests[:1], slipped, *tests[2:]]), tune([*tests[:1], *tests[2:]])
    assert [one.test for one in found.left_out] == [slipped]
    assert found.answers == others.answers
    said = words(found)
    assert "Left out, for they can't be judged. Slipped: " in said
    assert "Stop here" not in said
    assert "Left out" not in words(others)
    assert tuning_json(found)["left_out"][0]["name"] == "Slipped"


def shifted_pass(folder, sheet):
    """A sheet of the series whose third pass stands one row too low, which blocks its verdict."""
    lines = sheet.read_text(encoding="utf-8").splitlines()
    head = next(at for at, line in enumerate(lines) if line.startswith("tray,offset"))
    column = lines[head].split(",").index("pass 3")
    rows = [line.split(",") for line in lines[head + 2 :]]
    for row, caught in zip(rows, [row[column] for row in rows[1:]] + ["0"], strict=True):
        row[column] = caught
    written = folder / sheet.name
    written.write_text("\n".join([*lines[: head + 2], *map(",".join, rows)]) + "\n", encoding="utf-8")
    return written


def test_nothing_is_tuned_or_written_where_too_few_can_be_judged(tmp_path):
    shifted = [shifted_pass(tmp_path, sheet) for sheet in SERIES[1:3]]
    following = tmp_path / "next.csv"
    shutil.copy(SERIES[-1], following)
    stood = following.read_bytes()
    result = run(*shifted, SERIES[4], "--into", following, "--overwrite")
    assert result.exit_code == 2
    for sheet in shifted:
        assert f"{sheet}: can't be judged (" in result.stderr
    assert "the tests that can are too few to tune by" in result.stderr
    assert following.read_bytes() == stood


def test_the_sheet_gets_the_setting_that_the_screen_names(tmp_path):
    """Where a next test is asked for its setting is written, else the best one; the screen says which and why."""
    following = tmp_path / "next.csv"
    for sheets, why in ((SERIES[1:5:2], "the next one to test"), (SERIES, "the best one")):
        shutil.copy(SERIES[-1], following)
        found = tune([read_sheet(sheet) for sheet in sheets])
        assert (found.main.next is None) == (sheets is SERIES)
        wanted = found.main.best if found.main.next is None else found.main.next.setting
        result = run(*sheets, "--into", following, "--overwrite")
        assert result.exit_code == 0, result.output
        assert f"next.csv gets {wanted[0]:.0f} rpm: {why} for the lowest CV" in result.stderr.replace("\n  ", " ")
        assert read_sheet(following).quantity("spinner speed") == pytest.approx(round(wanted[0]))


def test_lines_of_trays_that_differ_are_drawn_on_what_they_share():
    tests = series((640, 680, 720, 760))
    short = np.arange(-20.0, 21.0, 2.0)
    rates = 4 * lobes(short, 6.8)[:, None] * np.ones((1, 2))
    form = FORM | {"spinner speed": "740 rpm"}
    tests.append(tray_test(short, rates, tray_width="0.5 m", tray_length="0.5 m", form=form))
    found = tune(tests)
    assert (found.model.place_m[0], found.model.place_m[-1]) == (-20, 20)
    assert abs(found.main.best[0] - 700) <= 25


def test_no_bout_width_leaves_the_width_only():
    found = tune([at_setting(speed, 6 + (speed - 700) / 50, **{"bout width": ""}) for speed in (660, 700, 740)])
    assert LOWEST not in found.answers
    assert found.main is found.answers[WIDEST]
    assert "add --bout-width" in words(found)
    assert found.trade_off == ()


# --- bad input -------------------------------------------------------------------------------------------------------

THREE = series((660, 700, 740))
BAD_TESTS = {
    "one test": (THREE[:1], {}, "one test says nothing about a setting; give tests at two settings or more"),
    "nothing differs": (
        [at_setting(500, 5, seed=1), at_setting(500, 6, seed=2)],
        {},
        "the forms differ in no setting that is a number",
    ),
    "all at one": (
        [at_setting(500, 5, seed=1), at_setting(500, 6, seed=2)],
        {"settings": ["spinner speed"]},
        "all tests have the same spinner speed, 500 rpm; give tests at two settings or more",
    ),
    "no speed": (
        [*THREE, at_setting(800, 5, test="Third", **{"spinner speed": ""})],
        {},
        'Third: the form has no "spinner speed"; add a row such as spinner speed, 800, rpm',
    ),
    "text and number": (
        [
            at_setting(3, 5, "drop point", "mm"),
            at_setting(4, 6, "drop point", "mm", test="B", **{"drop point": "front"}),
        ],
        {},
        'B: "drop point" is "front", no number; add a row such as drop point, 12, mm',
    ),
    "units": (
        [at_setting(3, 5, "drop point", "mm"), at_setting(4, 6, "drop point", "deg")],
        {},
        '"drop point" is written in different units: "mm", "deg"; write all in one unit',
    ),
    "changed together": (
        [at_setting(640 + 40 * at, 5 + at, tilt=f"{at} deg") for at in range(4)],
        {},
        "spinner speed and tilt were changed together in all tests",
    ),
    "three differ": (
        [
            at_setting(640, 5, tilt="1 deg", **{"gate setting": "3"}),
            at_setting(680, 6, tilt="2 deg", **{"gate setting": "4"}),
        ],
        {},
        "the forms differ in spinner speed, tilt, gate setting; say which one or two are tuned: --setting LABEL",
    ),
    "products": (
        [at_setting(500, 5, test="A"), at_setting(600, 6, test="B", product="Potash")],
        {},
        'the tests are of different products: "Granular urea" in A; "Potash" in B; give tests of one product, or add '
        "--any-product to mix them all the same",
    ),
    "same test": ([THREE[0], THREE[0]], {}, "holds the same catches as"),
    "highest below": (THREE, {"highest_rpm": 450}, "450 rpm lies below every speed tested (from 660 rpm)"),
    "bout widths": (
        [at_setting(500, 5), at_setting(600, 6, **{"bout width": "28 m"})],
        {},
        'the forms name different bout widths (24 m, 28 m); say which is wanted: --bout-width "24 m"',
    ),
    "driving": (THREE, {"driving": "circles"}, 'driving: "circles"; use one of back-and-forth, round-and-round'),
    "level": (THREE, {"level_pct": 10}, "level: 10 % can't be used; give 50 or more and less than 100"),
}


@pytest.mark.parametrize(("tests", "options", "message"), BAD_TESTS.values(), ids=BAD_TESTS)
def test_bad_tests(tests, options, message):
    with pytest.raises(SpreadcheckError) as error:
        tune(tests, **options)
    assert message in str(error.value)


def test_products_are_mixed_only_when_told():
    other = at_setting(700, 6, product="Potash")
    found = tune([THREE[0], other, THREE[2]], any_product=True)
    assert "Tests of different products are mixed, as asked for: Granular urea, Potash" in words(found)
    spelt = at_setting(700, 6, product=" granular  UREA")
    tune([THREE[0], spelt])
    unnamed = tune([at_setting(500, 5, product=""), at_setting(600, 6, product="")])
    assert "No form names a product" in words(unnamed)


# --- the command -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("units", "sheets"), [("us", SERIES), ("metric", SERIES[:2])])
def test_command_in_80_columns(units, sheets):
    result = run(*sheets, "--units", units)
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.output.splitlines() if not line.startswith("  spreadcheck ")) <= 80
    assert "nan" not in result.output
    assert "maker's manual" in result.stdout


def test_json_keeps_the_contract():
    metric, us = (json.loads(run(*SERIES, "--json", "-", "--units", units).stdout) for units in ("metric", "us"))
    assert metric == us
    assert metric["schema"] == "spreadcheck/tuning/3"
    assert metric["settings"] == [{"label": "spinner speed", "unit": "rpm"}]
    assert [test["setting"][0] for test in metric["tests"]] == [560, 640, 720, 720, 800, 880]
    cv = metric["lowest_cv"]
    assert cv["standing"] == CLEAR
    assert cv["best"]["cv_band_pct"][0] < cv["best"]["cv_pct"] < cv["best"]["cv_band_pct"][1]
    assert cv["best"]["interval"][0][0] <= cv["best"]["setting"][0] <= cv["best"]["interval"][0][1]
    assert metric["widest"]["next"] == {"setting": [960.0], "why": "beyond the edge of the range", "gain": None}


def test_order_of_the_sheets_does_not_matter():
    one, other = (tuning_json(tune([read_sheet(sheet) for sheet in sheets])) for sheets in (SERIES, SERIES[::-1]))
    assert one["lowest_cv"]["best"]["setting"] == pytest.approx(other["lowest_cv"]["best"]["setting"], abs=5)
    assert one["widest"]["standing"] == other["widest"]["standing"]


def test_plot_and_report(tmp_path):
    result = run(*SERIES, "--highest-speed", "850 rpm", "--plot", tmp_path / "t.svg", "--report", tmp_path / "t.html")
    assert result.exit_code == 0, result.output
    text = (tmp_path / "t.svg").read_text(encoding="utf-8")
    for said in ("CV at 24 m, back-and-forth", "Effective width", "95 % band", "highest speed: 850 rpm"):
        assert said in text
    page = (tmp_path / "t.html").read_text(encoding="utf-8")
    assert "The best spinner speed" in page
    assert "data:image/svg+xml" in page


BAD = {
    "no sheets": ([], "one test says nothing about a setting"),
    "twice": ([SERIES[0], SERIES[0], SERIES[1]], f"{SERIES[0]}: is given twice; give each sheet once"),
    "speed without unit": ([*SERIES, "--highest-speed", "900"], 'option --highest-speed: "900" has no unit; write it'),
    "highest below": ([*SERIES, "--highest-speed", "500 rpm"], "500 rpm lies below every speed tested (from 560 rpm)"),
    "bout width without unit": ([*SERIES, "--bout-width", "24"], 'option --bout-width: "24" has no unit'),
    "odd plot": ([*SERIES, "--plot", "x.bmp"], 'a plot can\'t be written as ".bmp"'),
    "odd report": (
        [*SERIES, "--report", "x.docx"],
        'x.docx: a report can\'t be written as ".docx"; end the name in .html, .pdf or .md',
    ),
    "no such setting": ([*SERIES, "--setting", "colour"], 'the form has no "colour"'),
    "a date": ([*SERIES, "--setting", "date"], '"date" is "2026-05-06", no number'),
    "three settings": (
        [*SERIES, "--setting", "tilt", "--setting", "tilt"],
        "option --setting: tilt, tilt; name one label, or two different ones",
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


def test_a_copy_under_another_name_is_the_same_test(tmp_path):
    copy = shutil.copy(SERIES[0], tmp_path / "copy.csv")
    result = run(*SERIES, copy)
    assert result.exit_code == 2
    assert f"{copy}: holds the same catches as {SERIES[0]}; give each test once" in result.stderr


def test_the_best_alone_is_not_told_from_itself():
    """At 21 m the slowest spinner is best by far: no other setting is said to be as good, and no line repeats it."""
    speeds = Path(__file__).parents[2] / "sample_trays" / "speed_series"
    found = tune([read_sheet(speeds / f"rpm_{speed}.csv") for speed in (560, 640, 720, 800)], bout_width_m=21)
    text = words(found)
    for alone in re.findall(r"an't be told from the best: (\d+ rpm)\.", " ".join(text.split())):
        assert f"lowest at {alone}" not in " ".join(text.split())
