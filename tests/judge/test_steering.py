"""Steering error against closed forms, against Monte Carlo with its own standard error, and against the width scan."""

import math

import numpy as np
import pytest

from spreadcheck.errors import WidthError
from spreadcheck.judge.steering import Steering, steering_scan
from spreadcheck.sheet.labels import METHODS
from spreadcheck.spread.profile import profile_from
from spreadcheck.spread.widths import scan_methods

RNG = np.random.default_rng(20260414)
LAYOUTS = {
    "even": np.arange(-20.0, 21.0),
    "off centre": np.arange(-10.0, 13.0) + 0.3,
    "gaps": np.delete(np.arange(-15.0, 16.0), [4, 5, 17]),
}


@pytest.mark.parametrize("tails", ["taper", "cut"])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_no_error_is_the_width_scan(layout, tails):
    """Without an error the sum of correlations is CV by line, which the scan integrates piece by piece.

    Tolerance: |t|^3 / 12 reaches 10^4 and cancels down to R, with 16 digits: 1e-6 % of CV at the widths here.
    """
    offset = LAYOUTS[layout]
    profile = profile_from(offset, RNG.uniform(2, 10, len(offset)), tails=tails)
    widths = np.linspace(3, 30, 40)
    for method, scan in scan_methods(profile, widths).items():
        straight = steering_scan(profile, widths, method, Steering(0.0)).cv_steered_pct
        assert straight == pytest.approx(scan.cv_line_pct, abs=1e-6)


@pytest.mark.parametrize("error", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("width", [2.5, 3.0, 4.0])
def test_bell_shape(width, error):
    """Gaussian profile of SD 1, independent errors: Poisson summation and the spectrum of a jittered comb.

    CV^2 = sum over n <> 0 of exp(-4 pi^2 n^2 (1 + e^2) / w^2) + w / (2 sqrt pi) (1 - 1 / sqrt(1 + e^2)). Without error
    this is the closed form of the overlapped bell; the second term is the power that the jitter scatters.
    Tolerance: straight pieces of length h change the profile by h^2 / 8 of its curvature, here 1 part in 5,000.
    """
    n = np.arange(1, 20)
    comb = 2 * np.exp(-4 * math.pi**2 * n**2 * (1 + error**2) / width**2).sum()
    scattered = width / (2 * math.sqrt(math.pi)) * (1 - 1 / math.sqrt(1 + error**2))
    x = np.arange(-7, 7.0001, 0.04)
    profile = profile_from(x, np.exp(-(x**2) / 2))
    for method in METHODS:
        scan = steering_scan(profile, np.array([width]), method, Steering(error))
        assert scan.cv_steered_pct[0] == pytest.approx(100 * math.sqrt(comb + scattered), rel=1e-3)


def field(profile, width, method, error, passes, rng):
    """CV^2 of one simulated field, passes shifted by an autoregressive error; the ends of the field are left out."""
    shift = np.empty(passes)
    step = math.sqrt(1 - error.correlation**2)
    shift[0], fresh = rng.standard_normal(), rng.standard_normal(passes)
    for k in range(1, passes):
        shift[k] = error.correlation * shift[k - 1] + step * fresh[k]
    x = np.arange(10 * width, (passes - 10) * width, 0.02)
    deposit, (knots, rates) = np.zeros(len(x)), profile.knots
    for k in range(passes):
        centre = k * width + error.sd_m * shift[k]
        first, last = np.searchsorted(x, [centre - 20, centre + 20])
        away = x[first:last] - centre
        back = -1.0 if method == METHODS[0] and k % 2 else 1.0
        deposit[first:last] += np.interp(back * away, knots, rates, left=0, right=0)
    return (deposit**2).mean() / (profile.area_kg_ha_m / width) ** 2 - 1


@pytest.mark.parametrize("correlation", [0.0, 0.9])
@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("tails", ["taper", "cut"])
def test_closed_form_against_simulation(tails, method, correlation):
    """CV^2 of simulated fields is the closed form, within 4 of the simulation's own standard errors."""
    rng = np.random.default_rng(7)
    profile = profile_from(LAYOUTS["off centre"], np.random.default_rng(3).uniform(2, 10, 23), tails=tails)
    error = Steering(0.7, correlation)
    found = np.array([field(profile, 9.0, method, error, 220, rng) for _ in range(20)])
    expected = (steering_scan(profile, np.array([9.0]), method, error).cv_steered_pct[0] / 100) ** 2
    assert abs(found.mean() - expected) < 4 * found.std(ddof=1) / math.sqrt(len(found))


def test_properties():
    """All passes shifted alike do nothing; the mirrored pattern gives the same; scaling lengths leaves the CV."""
    offset, rates = LAYOUTS["even"], np.random.default_rng(5).uniform(2, 10, 41)
    profile, widths = profile_from(offset, rates), np.array([12.0, 17.0, 24.0])
    alike = steering_scan(profile, widths, METHODS[0], Steering(1.0, 1.0))
    assert alike.cv_steered_pct == pytest.approx(alike.cv_straight_pct, abs=1e-6)
    one = steering_scan(profile, widths, METHODS[0], Steering(0.5)).cv_steered_pct
    mirrored = steering_scan(profile_from(offset, rates[::-1]), widths, METHODS[0], Steering(0.5)).cv_steered_pct
    assert mirrored == pytest.approx(one, rel=1e-9)
    doubled = steering_scan(profile_from(2 * offset, rates), 2 * widths, METHODS[0], Steering(1.0)).cv_steered_pct
    assert doubled == pytest.approx(one, rel=1e-9)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Steering(-0.1), "steering: a steering error of -0.1 m can't be"),
        (lambda: Steering(float("nan")), "steering: a steering error of nan m can't be"),
        (lambda: Steering(0.1, 1.5), "steering: a correlation of 1.5 from pass to pass can't be"),
    ],
)
def test_impossible_errors(make, message):
    with pytest.raises(WidthError) as raised:
        make()
    assert str(raised.value).startswith(message)


def test_too_many_uneven_trays():
    offset = np.cumsum(np.where(np.arange(400) % 2, 1.0, 1.5))
    profile = profile_from(offset, np.ones(400))
    with pytest.raises(WidthError, match="402 unevenly spaced trays are too many"):
        steering_scan(profile, np.array([20.0]), METHODS[0], Steering(0.1))
