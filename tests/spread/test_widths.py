"""The scan of bout widths: candidates, effective width and bands, against closed forms and plain loops."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck.errors import QuantityError, WidthError
from spreadcheck.judge.assessment import assess, bouts_at
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import tray_test
from spreadcheck.spread.bands import width_curves
from spreadcheck.spread.profile import profile_from
from spreadcheck.spread.widths import (
    default_widths,
    parse_widths,
    scan_methods,
    scan_widths,
)


def test_half_rate_rules_of_the_handbooks():
    """OSU Bulletin 817, sect. 14: 4 in of product in the centre bottles and 2 in at 6 ft on both sides give an
    effective swath of 12 ft. A straight-sided pattern with those readings is flat at that spacing."""
    profile = profile_from(np.arange(-12, 13, 2), np.clip(4 - np.abs(np.arange(-12, 13, 2)) / 3, 0, 4))
    scan = scan_widths(profile, [12.0], METHODS[0])
    assert scan.cv_line_pct[0] == pytest.approx(0, abs=1e-6)


def test_default_widths():
    """Whole multiples of the spacing from two spacings to the length of the line, first to last tray centre."""
    assert default_widths(profile_from(np.arange(-3, 4) * 0.5, [1] * 7)).tolist() == [1, 1.5, 2, 2.5, 3]
    assert default_widths(profile_from([0, 1, 3, 4], [1] * 4)).tolist() == [2, 3, 4]
    feet = profile_from(np.arange(-10, 11) * 4 * 0.3048, [1] * 21)
    assert default_widths(feet) / 0.3048 == pytest.approx(np.arange(2, 21) * 4)
    with pytest.raises(WidthError, match="shorter than two tray spacings; use three trays or more"):
        default_widths(profile_from([0, 1], [1, 2]))


def test_a_line_of_thousands_of_trays_has_a_table_of_as_much_work():
    """A width takes passes x trays, so the number of widths falls as trays get more; the CV needs no table."""
    for trays, step in ((1_901, 1), (1_902, 2), (4_001, 5), (10_001, 28)):
        widths = default_widths(profile_from(np.arange(trays) * 0.01, np.ones(trays)))
        assert widths / 0.01 == pytest.approx(np.arange(max(step, 2), trays, step))
    gap = np.delete(np.arange(4_001) * 0.01, 1_000)
    assert len(default_widths(profile_from(gap, np.ones(4_000)))) == 800
    uneven = np.append(np.arange(4_000) * 0.01, 41.0043)
    with pytest.raises(WidthError, match="stand unevenly, and their line is 4,100 times its smallest spacing"):
        scan_widths(profile_from(uneven, np.ones(4_001)), [5.0], METHODS[0])


@pytest.mark.parametrize("method", METHODS)
def test_the_curve_of_a_long_line_against_its_pieces(method):
    """Past a thousand trays the correlations come by Fourier transforms; the pieces are integrated without any."""
    profile = profile_from(np.arange(1_500) * 0.02, np.random.default_rng(1).random(1_500))
    widths = np.array([0.7, 3.33, 12.0])
    scan, n = scan_widths(profile, widths, method), widths / 0.02
    # both squares carry the rounding of some thousand products
    assert width_curves(profile)[method].cv_of(widths) ** 2 == pytest.approx(
        scan.cv_line_pct**2 * n / (n - 1), rel=1e-8, abs=1e-6
    )


def test_missing_rows_are_like_blank_trays():
    """A tray left out of an even line is found by the smallest spacing on the line, as if it had been left blank."""
    x = np.arange(-5, 6) * 1.0
    rates = np.array([0, 2, 5, 8, 9, 9, 8, 8, 6, 2, 0.0])
    blank = rates.copy()
    blank[[3, 7]] = math.nan
    kept = ~np.isnan(blank)
    for method in METHODS:
        one = scan_widths(profile_from(x, blank), [4, 6, 7], method)
        other = scan_widths(profile_from(x[kept], rates[kept]), [4, 6, 7], method)
        assert one.cv_trays_pct == pytest.approx(other.cv_trays_pct)
        assert one.cv_line_pct == pytest.approx(other.cv_line_pct)


def test_bout_wider_than_the_tray_line_counts_the_bare_strip():
    """At twice the length of the line half of the field is bare; the points there count as zeros."""
    profile = profile_from([-1, 0, 1], [1, 1, 1], tails="cut")
    scan = scan_widths(profile, [6.0], METHODS[1])
    values = [0.0, 0.0, 1, 1, 1, 0.0]  # one period of the points: -2 .. 3, with both edges sharing one weight
    assert scan.cv_trays_pct[0] == pytest.approx(100 * np.std(values, ddof=1) / np.mean(values))
    assert scan.min_kg_ha[0] == 0


def test_a_bout_of_less_than_two_trays_has_no_cv_by_trays():
    profile = profile_from([-1, 0, 1], [1, 2, 1])
    scan = scan_widths(profile, [1.5, 2.0], METHODS[0])
    assert np.isnan(scan.cv_trays_pct).tolist() == [True, False]
    assert np.isfinite(scan.cv_line_pct).all()


@pytest.mark.parametrize(
    ("text", "widths"),
    [
        ("18 m:20 m:0.5 m", [18, 18.5, 19, 19.5, 20]),
        ("18 m:19.2 m:0.5 m", [18, 18.5, 19]),
        ("24 m, 18 m, 24 m; 20 m", [18, 20, 24]),
        ("60ft", [18.288]),
    ],
)
def test_widths_asked_for(text, widths):
    assert parse_widths(text) == pytest.approx(widths)


@pytest.mark.parametrize(
    ("text", "error", "message"),
    [
        ("24", QuantityError, 'option --widths: "24" has no unit; write it out, such as "24 m" or "24 ft"'),
        (
            "0 m",
            WidthError,
            "option --widths: a bout width of 0 m can't be driven; give widths above 0 and up to 1000 m",
        ),
        ("-3 m", WidthError, "option --widths: a bout width of -3 m can't be driven"),
        ("2000 m", WidthError, "option --widths: a bout width of 2000 m can't be driven"),
        (
            "1 m:1000 m:0.000001 m",
            WidthError,
            "holds 999,000,001 bout widths; use a larger step, so that it holds at most",
        ),
        ("20 m:10 m:1 m", WidthError, "holds no bout width; write first:last:step with last above first"),
        ("10 m:20 m:0 m", WidthError, "holds no bout width"),
        ("10 m:20 m", WidthError, '"10 m:20 m" is not a range; write first:last:step, such as "18 m:36 m:1 m"'),
        (" , ", WidthError, "there is no bout width in it"),
        ("", WidthError, "there is no bout width in it"),
        ("24 kg", QuantityError, '"kg" in "24 kg" is not a unit of length; use one of m, cm'),
    ],
)
def test_widths_that_are_none(text, error, message):
    with pytest.raises(error) as caught:
        parse_widths(text)
    assert message in str(caught.value)


def test_a_width_so_small_that_thousands_of_passes_overlap():
    with pytest.raises(WidthError, match="4,000 passes would overlap; check the number and its unit"):
        scan_widths(profile_from([-1, 0, 1], [1, 2, 1]), [0.001], METHODS[0])


def test_long_lines_are_scanned_in_chunks():
    """A tray line of a thousand trays gives the same figures in chunks as width by width."""
    rng = np.random.default_rng(5)
    profile = profile_from(np.arange(1001) * 0.1 - 50, rng.random(1001) * np.linspace(1, 2, 1001))
    widths = default_widths(profile)
    scans = scan_methods(profile, widths)
    assert len(widths) == 999
    for at in (0, 3, 500, 998):
        for method in METHODS:
            one = scan_widths(profile, widths[at], method)
            assert scans[method].cv_trays_pct[at] == pytest.approx(one.cv_trays_pct[0])
            assert scans[method].cv_line_pct[at] == pytest.approx(one.cv_line_pct[0])
            assert scans[method].max_kg_ha[at] == pytest.approx(one.max_kg_ha[0])


def test_assessment_of_arrays():
    x = np.arange(-18, 19) * 1.0
    test = tray_test(
        x,
        np.clip((18 - np.abs(x)) / 12, 0, 1) * 4,
        tray_width="0.5 m",
        tray_length="0.5 m",
        form={"bout width": "24 m", "driving": "round-and-round"},
    )
    result = assess(test)
    assert result.within_limit
    assert result.bouts[METHODS[1]].cv_line_pct == pytest.approx(0, abs=1e-6)  # base 36, top 12: flat at 24
    assert result.bouts[METHODS[1]].within_10_pct == pytest.approx(100)
    assert result.effective_width_m(METHODS[0], 10) <= result.effective_width_m(METHODS[0], 25)
    assert result.side_by_side_pct == (10, 15, 20, 25)
    assert assess(test, limit_pct=12).side_by_side_pct == (10, 12, 15, 20, 25)
    assert not assess(test, bout_width_m=31).within_limit
    with pytest.raises(WidthError, match="CV limit: 0 % can't be met or missed"):
        assess(test, limit_pct=0)


@given(
    st.lists(st.floats(0, 50), min_size=3, max_size=25).filter(lambda c: max(c) > 0.01),
    st.floats(0.5, 40),
    st.sampled_from(["taper", "cut"]),
)
def test_a_random_test_never_gives_a_nan(catch, width, tails):
    x = (np.arange(len(catch)) - len(catch) / 3) * 0.75
    test = tray_test(x, np.where(np.array(catch) < 1e-6, 0, catch), tray_width="0.5 m", tray_length="0.5 m")
    result = assess(test, bout_width_m=width, tails=tails)
    for scan in result.scans.values():
        n_at_least_2 = scan.width_m / 0.75 >= 2 - 1e-9
        assert np.isfinite(scan.cv_trays_pct[n_at_least_2]).all()
        assert np.isfinite(scan.cv_line_pct).all()
        assert (scan.min_kg_ha <= scan.mean_kg_ha * (1 + 1e-9)).all()
        assert (scan.mean_kg_ha <= scan.max_kg_ha * (1 + 1e-9)).all()
    for bout in bouts_at(result.profile, width).values():
        assert 0 <= bout.within_10_pct <= bout.within_20_pct <= 100 + 1e-9
