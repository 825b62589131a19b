"""The plain sentences of a report: every case is told, with the library's own figures in both unit systems."""

import math
import re
from pathlib import Path

import numpy as np
import pytest

from spreadcheck import assess, read_sheet, tray_test
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import both_sides
from spreadcheck.show.analyse import summary_text, width_tables
from spreadcheck.show.document import Table
from spreadcheck.show.format import show_figure, show_rate, show_width
from spreadcheck.show.pattern import pattern_headline
from spreadcheck.show.report import (
    BLANK,
    MOST_CATCHES,
    both_rates,
    plain_words,
    report,
    tray_tables,
)
from spreadcheck.show.verdict import advice_words, advised_words, effective_words, open_mean

SAMPLES = Path(__file__).parents[2] / "sample_trays"
SHEETS = sorted(
    path for path in SAMPLES.glob("*.csv") if path.read_text(encoding="utf-8").startswith("spreadcheck tray")
)
FT_M, LB_AC_KG_HA = 0.3048, 0.45359237 / 0.40468564224  # exact: foot, pound and acre of 1959


def invented(catch, form=None, spacing=1.0, **more):
    """An assessed line of trays with the centre in the middle."""
    catch = np.asarray(catch, dtype=float)
    offset = (np.arange(len(catch)) - (len(catch) - 1) / 2) * spacing
    test = tray_test(offset, catch, tray_width="1 m", tray_length="1 m", form=form, **more)
    return assess(test, relative=True)


def told(result, system="metric"):
    """All sentences by heading."""
    return {heading: " ".join(sentences) for heading, sentences in plain_words(result, system).items()}


@pytest.mark.parametrize("system", ["metric", "us"])
@pytest.mark.parametrize("path", SHEETS, ids=lambda p: p.stem)
def test_figures_are_the_librarys(path, system):
    """Width, CV, mean, least, most and shares as the library rounds them, in every sample."""
    result = assess(read_sheet(path))
    words = told(result, system)
    for method in [result.driving] if result.driving else METHODS:
        bout = result.bouts[method]
        assert f"At {show_width(bout.width_m, system)} (" in words["In short"]
        assert result.verdicts[method].state in words["In short"]
        assert f" {show_figure(bout.cv_pct)} %, " in words["In short"]
        unit = "lb/ac" if system == "us" else "kg/ha"
        for rate in (bout.mean_kg_ha, bout.min_kg_ha, bout.max_kg_ha):
            assert f"{show_rate(rate, result, system)} {unit} (" in words["What the field gets"]
        assert f"{show_figure(bout.within_20_pct, digits=0)} % of it is within 20 %" in words["What the field gets"]
        assert f"the CV is {show_figure(bout.cv_line_pct)} %." in words["What the field gets"]
        assert effective_words(result, method, system) in words["How far apart the passes may be driven"]
        if not result.pattern.kind.outlets and not result.blocking:
            advised = advised_words(result, method, system)
            assert f"drive the passes {advised} (" in words["In short"] or f"or {advised} (" in words["In short"]
            assert f"The advised width is {advised}: " in words["How far apart the passes may be driven"]


@pytest.mark.parametrize("path", SHEETS, ids=lambda p: p.stem)
def test_both_unit_systems_say_the_same(path):
    """Every pair `24 m (78.7 ft)` and `150.0 kg/ha (133.8 lb/ac)` agrees by the exact factors, to its rounding."""
    text = " ".join(told(assess(read_sheet(path))).values())
    lengths = re.findall(r"([\d.]+) m \(([\d.]+) ft\)", text)
    rates = re.findall(r"([\d.]+) kg/ha \(([\d.]+) lb/ac\)", text)
    assert lengths
    assert rates
    for metres, feet in lengths:
        assert float(feet) * FT_M == pytest.approx(float(metres), abs=0.005 + 0.05 * FT_M + 1e-9)
    for kg_ha, lb_ac in rates:
        assert float(lb_ac) * LB_AC_KG_HA == pytest.approx(float(kg_ha), abs=0.05 + 0.05 * LB_AC_KG_HA + 1e-9)


def test_a_lopsided_pattern_is_told_what_to_do():
    result = assess(read_sheet(SAMPLES / "lopsided.csv"))
    words = told(result)
    assert (
        "At 21 m (68.9 ft), back-and-forth: not even enough. CV 27.7 %, over the limit of 15 %" in (words["In short"])
    )
    todo = words["What to do"]
    assert "Drive round-and-round at 21 m (68.9 ft) instead: there the CV is 1.4 %." in todo
    assert "Or drive back-and-forth at 13.1 m (43.0 ft); the same metering then gives 256.4 kg/ha" in todo
    assert "Find out why left and right are not alike" in todo


def test_bands_with_a_stretch_that_fails_are_told():
    words = told(assess(read_sheet(SAMPLES / "sparse_gaps.csv")))
    assert (
        "24.3 to 31.2 m. Other bands within the limit: 4 to 17.5 m; the widths between them are not"
        in (words["How far apart the passes may be driven"])
    )


def test_no_width_is_even_enough():
    """A single heap: nothing passes, the best is told, and nobody is sent out with this setting."""
    result = invented([0, 0, 0, 0, 9, 0, 0, 0, 0], {"bout width": "5 m", "driving": "back-and-forth"})
    assert all(result.effective_width_m(method) is None for method in METHODS)
    words = told(result)
    assert words["In short"].startswith("No bout width that was tried is even enough with this setting")
    best = result.curves[METHODS[0]].best
    best_words = f"none; best {show_figure(best[1])} % at {show_width(best[0])}."
    assert best_words in words["How far apart the passes may be driven"]
    assert "Don't spread with this setting" in words["What to do"]


def test_only_one_way_of_driving_is_even_enough():
    """Masses 2 6 10 8 4 overlapped at 3 m: 2 + 8, 6 + 4 and 10, level round-and-round; 8 10 12 back-and-forth. A wide
    band about that width keeps 15 % one way; the other way no band is wide enough to be driven."""
    test = tray_test(np.arange(-3, 4), [0, 2, 6, 10, 8, 4, 0], tray_width="1 m", tray_length="1 m")
    result = assess(test, limit_pct=3)
    widths = [result.effective_width_m(method) for method in METHODS]
    answer = told(result)["In short"]
    for method, width in zip(METHODS, widths, strict=True):
        assert (f"none is advised {method}" in answer) == (width is None and any(widths))


def test_nothing_is_known_of_the_driving():
    """No bout width and no driving method: the report judges none, and tells the rate at the advised widths."""
    result = invented([0, 1, 2, 3, 2, 1, 0])
    words = told(result)
    assert "It is not known how far apart the passes are driven" in words["In short"]
    assert words["What the field gets"].startswith("At 3.6 m (11.8 ft), back-and-forth, the field gets 25.0 kg/ha")
    assert "Choose a bout width from the bands above" in words["What to do"]


@pytest.mark.parametrize("target", ["150 kg/ha", "2000 kg/ha"])
def test_the_answer_leads_where_the_way_of_driving_is_not_known(target):
    """Also where a doubt blocks, as a rate twenty times too low does: what is strong is the verdict."""
    result = invented([0, 1, 2, 3, 2, 1, 0], {"bout width": "3 m", "target rate": target})
    strong, *more = plain_words(result)["In short"]
    assert strong.startswith("At 3 m (9.8 ft), back-and-forth: can't be judged" if result.blocking else "Advised: ")
    assert more.count("It is not known which way the passes are driven, so both are judged.") == 1


def test_rates_in_proportion_only():
    """ml without a bulk density: shares of the peak, and no rate in any unit."""
    result = invented([0, 1, 2, 3, 2, 1, 0], {"bout width": "3 m", "target rate": "150 kg/ha"}, unit="ml")
    words = told(result)["What the field gets"]
    assert "the field gets 100.0 % of peak on average" in words
    assert "100 % is the peak of a single pass" in words
    assert "kg/ha" not in words


def test_a_dip_says_how_far_its_limit_reaches():
    """A level boom: bouts a little over 24 m join edge to edge, and 1 m off either way they gap or double."""
    x = np.arange(-28, 29) * 0.5
    form = {"bout width": "24 m", "driving": METHODS[0]}
    catch = np.where(np.abs(x) < 12, 8.0, np.where(np.abs(x) == 12, 4.0, 0.0))
    result = assess(tray_test(x, catch, tray_width="0.5 m", tray_length="0.5 m", form=form))
    curve, advised = result.curves[METHODS[0]], result.advised_width_m(METHODS[0])
    assert result.advised_width_m(METHODS[0]) in result.curves[METHODS[0]].width_m.tolist()
    room = float(re.search(r"kept up to ([0-9.]+) m off to either side", advice_words(result, METHODS[0]))[1])
    assert max(curve.cv_at(advised - room), curve.cv_at(advised + room)) <= result.limit_pct
    assert max(curve.cv_at(advised - room - 0.1), curve.cv_at(advised + room + 0.1)) > result.limit_pct


def test_a_line_that_ends_inside_the_pattern_says_so():
    """Passes that agree to the gram: it is not chance that hides the shape, but what no tray stood under."""
    result = invented([6, 8, 9, 10, 9, 8, 6], {"bout width": "5 m"})
    headline = " ".join(pattern_headline(result).split())
    assert "the tray line ends inside the pattern" in headline
    assert "passes differ" not in headline


def test_a_side_that_was_not_tested_is_never_told_as_measured():
    """Half a line, mirrored: every answer says so, only trays laid out count, and no width is advised."""
    half = tray_test([0, 1, 2, 3], [9, 6, 3, 0], tray_width="1 m", tray_length="1 m", form={"bout width": "3 m"})
    result = assess(both_sides(half))
    words = told(result)
    assert words["In short"].startswith("No width is advised: one side mirrored, not tested")
    assert "if the left is like the right: fits" in words["In short"]
    assert "4 trays" in words["What was tested"]
    assert "The left was not tested" in words["What was tested"]
    assert "falls to the left" not in words["What was tested"]
    assert "advised width is" not in " ".join(words.values())
    assert "--confidence" not in advice_words(result, METHODS[0])
    assert result.within_limit is False
    assert "can be driven" not in words["What to do"]


def test_open_ends_are_told_as_ranges_only():
    """Trays that end inside the spread: the mean is told as the range over plausible tails, nothing else is."""
    result = assess(tray_test(range(-2, 3), [6, 8, 9, 8, 6], tray_width="1 m", tray_length="1 m",
                              form={"bout width": "7 m"}))  # fmt: skip
    assert result.blocking
    (ends, because), bout = (
        open_mean(result, 7, lambda rate: both_rates(rate, result, "metric")),
        result.bouts[METHODS[0]],
    )
    gets = told(result)["What the field gets"]
    assert f"gets {ends} on average, {because}." in gets
    assert "thinnest" not in gets
    assert show_figure(bout.cv_line_pct) + " %." not in gets
    tables = [block.caption for block in report(result).blocks if isinstance(block, Table)]
    assert not any(caption.startswith(("Bout widths", "Effective width at")) for caption in tables)


def test_a_boom_is_told_of_outlets_not_of_discs():
    words = told(assess(read_sheet(SAMPLES / "boom_blocked_outlet.csv")))
    todo = words["What to do"]
    assert "rollers, fan, hoses or outlets" in todo
    assert not re.search("disc|vane|drop point|kinder", todo)
    assert "Drive " not in todo


def test_why_a_blocked_outlet_makes_the_width_small_is_told_beside_it():
    why = "A blocked outlet leaves a stripe at every width: clear what lays too little and test again."
    for name, blocked in (("boom_blocked_outlet", True), ("lopsided", False)):
        result = assess(read_sheet(SAMPLES / f"{name}.csv"))
        assert all((why in advice_words(result, method)) == blocked for method in METHODS)
        assert (why in " ".join(summary_text(result).split())) == blocked


def test_a_close_call_is_told():
    """A limit half a per cent below the CV: over it, and close."""
    test = tray_test(
        range(-3, 4), [0, 1, 2, 3, 2, 1, 0], tray_width="1 m", tray_length="1 m", form={"bout width": "4 m"}
    )
    cv = assess(test).bouts[METHODS[0]].cv_pct
    close = told(assess(test, limit_pct=cv - 0.5))["In short"]
    assert "not even enough" in close
    assert "This is close to the limit" in close
    assert "close to the limit" not in told(assess(test, limit_pct=cv - 3))["In short"]


def test_a_bout_that_can_not_be_judged():
    result = invented([1, 2, 3, 2, 1], {"bout width": "1.5 m", "driving": "back-and-forth"})
    assert math.isnan(result.bouts["back-and-forth"].cv_trays_pct)
    assert "back-and-forth: can't be judged, fewer than two trays lie in a bout" in told(result)["In short"]


def test_a_line_that_ends_first_is_told():
    """An even line that reads the same to its ends: the effective width is at least the line, and why."""
    words = told(assess(invented(np.ones(11)).test, limit_pct=30))["How far apart the passes may be driven"]
    assert "at least 10 m, the line ends there" in words


def test_doubts_are_counted_and_told():
    result = assess(read_sheet(SAMPLES / "sparse_gaps.csv"))
    assert f"{len(result.doubts)} doubt" in told(result)["In short"]
    assert report(result).blocks[-1].items == tuple(f"{doubt.code}: {doubt.message()}" for doubt in result.doubts)
    assert report(invented([1, 2, 3, 2, 1])).blocks[-1].items[0]


def test_raw_trays_tell_blank_x_and_nothing_apart():
    table = tray_tables(assess(read_sheet(SAMPLES / "sparse_gaps.csv")))[0]
    cells = {row[0]: row for row in table.rows}
    assert cells["L7"][2:5] == ("5.4", "x", "6.1")
    assert cells["L7"][-1] == "kicked over in pass 2"
    assert cells["L10"][2:5] == ("0", "0", "0")
    blanks = [row for row in table.rows if BLANK in row]
    assert blanks
    assert all("filled" in row[5] for row in blanks if row.count(BLANK) == 3)


def test_many_passes_stand_in_several_tables():
    result = invented(np.ones((5, 14)) * [[1], [2], [3], [2], [1]])
    tables = tray_tables(result)
    heads = [column.head for table in tables for column in table.columns if column.head.startswith("pass")]
    assert heads == [f"pass {number}" for number in range(1, 15)]
    assert tables[0].caption == "Raw trays, left to right, pass 1 to pass 6"


def test_more_catches_than_a_report_bears_are_left_out_and_said():
    many = invented(np.ones((MOST_CATCHES // 10 + 1, 10)), spacing=0.05)
    (table,) = tray_tables(many)
    assert table.rows == ()
    assert "too many for a report" in table.notes[0]


def test_thinned_widths_are_said():
    table = width_tables(assess(read_sheet(SAMPLES / "lopsided.csv")), most=24)[0]
    assert table.notes == (f"{len(table.rows)} of the 35 widths of the table are shown.",)
    assert {"13", "21", "23"} <= {row[0] for row in table.rows}
