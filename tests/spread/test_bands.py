"""Bands of bout widths, effective and best width, against closed forms, and against the pieces at single widths."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from published_cases import rows
from scipy.optimize import brentq

from spreadcheck.sheet.labels import METHODS
from spreadcheck.spread.bands import width_bands, width_curves
from spreadcheck.spread.profile import profile_from
from spreadcheck.spread.widths import scan_widths

FINE = 0.05


def triangle_squares(w):
    """The same from R, the cubic B-spline of the hat: R(0) = 2/3, R(t) = (2 - t)^3 / 6 for 1 <= t <= 2; M = 1."""
    return w * (2 / 3 + 2 * (2 - w) ** 3 / 6) - 1


def trapezoid_squares(w):
    """A trapezoid of base 2 and top 1: M = 3/2, R(0) = 4/3; R(w) is the overlap of two flanks, and for w < 1.5 of each
    flank with the other's top too. For 1 <= w <= 2 only neighbours meet."""
    lap = 2 - w
    low = max(1.5 - w, 0.0)
    high = min(lap, 0.5)
    flanks = 4 * ((lap * high**2 / 2 - high**3 / 3) - (lap * low**2 / 2 - low**3 / 3))
    return w * (4 / 3 + 2 * (flanks + 2 * low**2)) / 2.25 - 1


def gaussian_squares(w, h):
    """Poisson summation for a Gaussian of standard deviation 1, straight between places h apart: the k-th harmonic is
    sinc(k h / w)^2 times the sum over m of exp(-2 pi^2 (k / w - m / h)^2), m for what sampling folds over."""
    f = np.arange(1, 3000)[:, None] / w
    harmonics = np.sinc(f[:, 0] * h) ** 2 * np.exp(-2 * math.pi**2 * (f - np.arange(130) / h) ** 2).sum(axis=1)
    return float(2 * np.sum(harmonics**2))


def end(squares, limit, low, high, spacing):
    """Where the CV that trays read on average, CV by line times sqrt(n / (n - 1)), meets the limit."""
    return brentq(lambda w: squares(w) * w / (w - spacing) - (limit / 100) ** 2, low, high, xtol=1e-12)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("limit", [5, 10, 15, 20, 25])
def test_the_bands_of_a_triangle(limit, method):
    """The widest band of a triangle ends at the closed form, to 1e-6 m."""
    x = np.arange(-20, 21) * FINE
    curve = width_curves(profile_from(x, 1 - np.abs(x), tails="cut"))[method]
    assert curve.effective_width_m(limit, 0.01) == pytest.approx(end(triangle_squares, limit, 1.0, 1.9, FINE), abs=1e-6)
    band = curve.bands(limit, 0.01)[-1]
    assert band.lowest_cv_pct == pytest.approx(0, abs=1e-3)
    assert band.margin_pct == pytest.approx(limit, abs=1e-3)
    parts = (
        1 / band.lowest_at_m
    )  # passes laid a whole part of the half base apart are level: rounding picks one of them
    assert parts == pytest.approx(round(parts), rel=1e-2)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("limit", [2, 5, 10, 14])
def test_the_bands_of_a_trapezoid(limit, method):
    """The band around the width at half height opens and ends at the closed forms, to 1e-6 m."""
    x = np.arange(-20, 21) * FINE
    curve = width_curves(profile_from(x, np.clip(2 * (1 - np.abs(x)), 0, 1), tails="cut"))[method]
    band = curve.bands(limit, 0.01)[-1]
    assert band.from_m == pytest.approx(end(trapezoid_squares, limit, 1.3, 1.5, FINE), abs=1e-6)
    assert band.to_m == pytest.approx(end(trapezoid_squares, limit, 1.5, 1.9, FINE), abs=1e-6)
    assert (band.lowest_at_m, band.lowest_cv_pct) == (pytest.approx(1.5, abs=1e-3), pytest.approx(0, abs=0.1))


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("limit", [5, 10, 15, 20])
def test_the_band_of_a_gaussian(limit, method):
    x = np.arange(-80, 81) * 0.1
    curve = width_curves(profile_from(x, np.exp(-(x**2) / 2)))[method]
    bands = curve.bands(limit)
    assert len(bands) == 1
    assert bands[0].from_m == pytest.approx(0.2)
    assert not bands[0].censored
    expected = end(lambda w: gaussian_squares(w, 0.1), limit, 2.0, 3.9, 0.1)
    assert bands[0].to_m == pytest.approx(expected, abs=1e-6)


PROFILES = st.tuples(
    st.lists(st.floats(0, 50), min_size=4, max_size=20).filter(lambda rates: max(rates) > 0.5),
    st.sampled_from(["even", "gaps", "uneven"]),
    st.sampled_from(["taper", "cut"]),
)


def profile_of_kind(rates, kind, tails):
    x = (np.arange(len(rates)) - len(rates) / 3) * 0.75
    if kind == "gaps":
        x = x + 1.5 * (np.arange(len(rates)) > 2)
    if kind == "uneven":
        x = x + 0.11 * np.sin(np.arange(len(rates)))
    return profile_from(x, np.round(rates, 3), tails=tails)


@settings(max_examples=40)
@given(PROFILES, st.floats(3, 60))
def test_the_curve_is_the_exact_cv_by_line_and_bands_are_where_it_keeps_the_limit(kind, limit):
    profile = profile_of_kind(*kind)
    for method, curve in width_curves(profile).items():
        scan = scan_widths(profile, curve.width_m, method)
        n = curve.width_m / profile.spacing_m
        # both squares carry rounding of some 1e-13, and a root magnifies it near a CV of 0
        assert curve.cv_pct**2 == pytest.approx(scan.cv_line_pct**2 * n / (n - 1), rel=1e-8, abs=1e-6)
        bands = width_bands(curve, limit)
        inside = np.zeros(len(n), dtype=bool)
        for band in bands:
            inside |= (curve.width_m >= band.from_m) & (curve.width_m <= band.to_m)
            assert band.from_m <= band.lowest_at_m <= band.to_m
            assert curve.cv_at(band.to_m) <= limit * (1 + 1e-9)
            assert curve.cv_at(band.from_m) <= limit * (1 + 1e-9)
            assert band.lowest_cv_pct == pytest.approx(curve.cv_at(band.lowest_at_m), abs=1e-9)
            assert band.censored == (band.to_m == curve.width_m[-1])
            if not band.censored:
                assert curve.cv_at(band.to_m) == pytest.approx(limit, abs=1e-4)
                assert curve.cv_at(band.to_m + 1e-4) > limit or band.to_m - band.from_m < 1e-3
        assert (inside == (curve.cv_pct <= limit)).all()


def test_a_narrow_band_is_never_the_effective_one():
    """A band that opens for less than twice the driving error is named, and the wide band below it is the answer."""
    x = np.arange(-18, 19) * 1.0
    curve = width_curves(profile_from(x, np.clip((18 - np.abs(x)) / 12, 0, 1)))["round-and-round"]
    bands = curve.bands(0.5)
    assert bands[-1].narrow
    assert bands[-1].to_m - bands[-1].from_m < 0.6
    assert curve.effective_width_m(0.5) < bands[-1].from_m
    assert curve.effective_width_m(0.5, error_m=0.01) == bands[-1].to_m


def test_no_width_within_the_limit():
    curve = width_curves(profile_from([-2, -1, 0, 1, 2], [9, 1, 9, 1, 9], tails="cut"))["round-and-round"]
    assert curve.effective_run(1) is None
    assert curve.bands(1) == ()
    at, cv = curve.best
    assert cv == pytest.approx(curve.cv_pct.min(), abs=2)
    assert curve.cv_at(at) == pytest.approx(cv)


def test_a_line_of_two_trays_has_no_widths_to_search():
    curve = width_curves(profile_from([0, 1], [1, 2]))["back-and-forth"]
    assert not len(curve.width_m)
    assert curve.bands(15) == ()
    assert curve.best is None
    assert math.isnan(curve.cv_at(1.5))


def test_the_line_ends_before_the_limit_is_reached():
    curve = width_curves(profile_from(np.arange(-5, 6), np.ones(11)))["back-and-forth"]
    assert curve.effective_run(30).censored
    assert curve.effective_width_m(30) == 10
    assert not curve.effective_run(15).censored


@pytest.mark.parametrize("case", rows("catch_can_overlap"), ids=lambda case: case["lane_ft"])
def test_the_curve_of_the_published_transect(case):
    """Evans, Barker, Smith and Sheffield (1997), AG-553-2, Table 1: CV by line at five lanes, printed to 0.001 %."""
    cans = rows("catch_can_transect_1997")
    profile = profile_from([float(can["offset_ft"]) for can in cans], [float(can["depth_in"]) for can in cans])
    curves, lane = width_curves(profile), float(case["lane_ft"])
    n = lane / 20
    for method, column in (("round-and-round", "round_line_pct"), ("back-and-forth", "back_line_pct")):
        assert curves[method].cv_at(lane) * math.sqrt((n - 1) / n) == pytest.approx(float(case[column]), abs=0.0006)
        kept = [band.from_m <= lane <= band.to_m for band in curves[method].bands(12)]
        assert any(kept) == (float(case[column]) * math.sqrt(n / (n - 1)) <= 12)
