"""The model of the profiles: scikit-learn's Gaussian process and the overlap of `analyse` as second implementations."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck import assess, tray_test
from spreadcheck.improve.profiles import ProfileModel, folded, many_figures, profile_model
from spreadcheck.sheet.labels import METHODS
from spreadcheck.spread.bands import width_curves
from spreadcheck.spread.profile import profile_from
from spreadcheck.spread.widths import scan_methods

PLACE = np.arange(-9.0, 10.0)
SETTING = np.array([[0.0], [0.3], [0.3], [0.7], [1.0]])


@dataclass(frozen=True, eq=False)
class PlainErrors:
    """Independent errors of known size in place of those of tests."""

    variance: np.ndarray

    def drawn(self, count, rng):
        return np.sqrt(self.variance) * rng.standard_normal((count, *self.variance.shape))


def model_of(settings=SETTING, seed=3):
    """A model with noise of known size."""
    rng = np.random.default_rng(seed)
    wide = 4 + 2 * settings.sum(axis=1, keepdims=True)
    rate = 100 * np.exp(-0.5 * (PLACE / wide) ** 2) + rng.normal(0, 2, (len(settings), len(PLACE)))
    sd = 1.0 + 0.02 * rate
    size = 0.3 + rate.max(axis=0) / 200
    return ProfileModel(PLACE, settings, rate, PlainErrors(sd**2), size, ((0.5, 10.0, 1.0),))


@pytest.mark.parametrize(
    "settings", [SETTING, np.array([[0, 0], [1, 0], [0, 1], [1, 1], [0.4, 0.6]])], ids=["one", "two"]
)
@pytest.mark.parametrize(("length", "size"), [(0.3, 5.0), (1.0, 20.0)])
def test_mean_likelihood_and_spread_are_scikit_learns(settings, length, size):
    """A flat prior on the straight line is a normal prior so wide that its width no longer shows."""
    kernels = pytest.importorskip("sklearn.gaussian_process.kernels")
    from sklearn.gaussian_process import GaussianProcessRegressor

    model, wide = model_of(settings), 1e4
    wanted = np.linspace(0, 1, 7)[:, None] * np.ones(settings.shape[1])
    weights = model.weights(wanted, length, size)
    other, logs = model.log_likelihood(length, size), model.log_likelihood(0.5, 10.0)
    theirs = {}
    for one, two in ((length, size), (0.5, 10.0)):
        total = 0.0
        for tray in range(len(PLACE)):
            line = kernels.ConstantKernel(wide**2) * kernels.DotProduct(1.0)
            kernel = line + kernels.ConstantKernel((two * model.size[tray]) ** 2) * kernels.RBF(one)
            process = GaussianProcessRegressor(kernel, alpha=model.errors.variance[:, tray], optimizer=None)
            process.fit(settings, model.rate[:, tray])
            total += process.log_marginal_likelihood_value_
            if (one, two) == (length, size):
                mean = process.predict(wanted)
                assert weights[tray] @ model.rate[:, tray] == pytest.approx(mean, rel=1e-3, abs=1e-3)
        theirs[one, two] = total
    assert other - logs == pytest.approx(theirs[length, size] - theirs[0.5, 10.0], abs=0.02)


def norris():
    """Norris' calibration of ozone monitors, x and y: linear regression of the lower level of difficulty [NIST]."""
    x = """0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6 556.0
        228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"""
    y = """0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8 557.7
        228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"""
    return tuple(np.array(values.split(), dtype=float) for values in (x, y))


def test_without_departures_the_model_is_the_line_of_nist():
    """NIST StRD, Norris: certified intercept, slope, their standard deviations and that of the residuals.

    Data and certified values are from memory; that the values come out of the data to ten digits speaks for both. The
    model takes the noise as known, so that its errors are those of the residuals given. Tolerance of the fit: what the
    least size of the departures, 1e-6 of the noise, may leave.
    """
    x, y = norris()
    intercept, slope, residual = -0.262323073774029, 1.00211681802045, 0.884796396144373
    variance = np.full((len(x), 1), residual**2)
    setting = x[:, None] / 1000
    model = ProfileModel(np.zeros(1), setting, y[:, None], PlainErrors(variance), np.ones(1), ())
    weights = model.weights(np.array([[0.0], [1.0]]), 1.0, 1e-6 * residual)[0]
    at_0, at_1000 = weights @ y
    assert at_0 == pytest.approx(intercept, rel=1e-8)
    assert (at_1000 - at_0) / 1000 == pytest.approx(slope, rel=1e-10)
    assert np.sqrt((weights[0] ** 2).sum()) * residual == pytest.approx(0.232818234301152, rel=1e-8)
    assert np.sqrt(((weights[1] - weights[0]) ** 2).sum()) * residual / 1000 == pytest.approx(
        0.429796848199937e-3, rel=1e-8
    )


def test_drawn_errors_spread_as_scikit_learn_says():
    """Standard deviation of 4000 draws: three standard errors of it are 3 / sqrt(8000), 3.4 %."""
    kernels = pytest.importorskip("sklearn.gaussian_process.kernels")
    from sklearn.gaussian_process import GaussianProcessRegressor

    model = model_of()
    length, size = 0.5, 0.16 * model.rate.max()
    model = replace(model, pairs=((length, size, 1.0),))
    wanted = np.array([[0.0], [0.5], [0.85]])
    drawn = model.drawn(wanted, 4000, np.random.default_rng(5)).std(axis=0)
    for tray in (2, 9, 15):
        line = kernels.ConstantKernel(1e8) * kernels.DotProduct(1.0)
        kernel = line + kernels.ConstantKernel((size * model.size[tray]) ** 2) * kernels.RBF(length)
        process = GaussianProcessRegressor(kernel, alpha=model.errors.variance[:, tray], optimizer=None)
        expected = process.fit(model.setting, model.rate[:, tray]).predict(wanted, return_std=True)[1]
        assert drawn[:, tray] == pytest.approx(expected, rel=3 / np.sqrt(8000) + 0.01)


@given(st.floats(4.5, 25), st.sampled_from(METHODS), st.integers(0, 1000))
def test_the_fold_is_that_of_analyse(width, method, seed):
    """CV by line by the spline form, and by the pieces between kinks that `analyse` integrates."""
    rate = np.random.default_rng(seed).uniform(5, 100, (2, len(PLACE)))
    expected = [scan_methods(profile_from(PLACE, row), [width])[method].cv_line_pct[0] for row in rate]
    spread, mean = folded(PLACE, rate, np.array([width]), method)
    by_line = 100 * spread[0] / mean[0] * np.sqrt((width - 1) / width)  # trays stand 1 m apart
    assert by_line == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("place", [PLACE, PLACE + 0.25, PLACE / 2 - 1.1], ids=["centred", "beside", "half a metre"])
def test_many_figures_are_those_of_an_assessment(place):
    """Many at once, against the profile's own figures and the curve of each width, one by one."""
    rng = np.random.default_rng(5)
    rates = (100 * np.exp(-((place / np.ptp(place)) ** 2) * 12) + rng.uniform(0, 5, (3, len(place)))).round(3)
    width = 0.4 * np.ptp(place)
    found = many_figures(place, rates, METHODS, limit_pct=15, width_m=width, reference_m=width)
    for at, row in enumerate(rates):
        profile = profile_from(place, row)
        curves = width_curves(profile)
        assert found["mean rate", ""][at] == pytest.approx(profile.area_kg_ha_m / width, rel=1e-9)
        assert found["centre", ""][at] == pytest.approx(profile.centre_m, abs=1e-9)
        assert found["left share", ""][at] == pytest.approx(profile.left_share_pct, rel=1e-9)
        for method in METHODS:
            assert found["CV", method][at] == pytest.approx(curves[method].cv_at(width), rel=1e-7)
            exact = curves[method].effective_width_m(15)
            assert found["effective width", method][at] == pytest.approx(exact, abs=0.1)  # straight over 0.5 m


def noise_of(rate):
    """The noise of passes, shape (trays, passes)."""
    return assess(tray_test(PLACE, rate, tray_width="1 m", tray_length="1 m")).noise


def test_profiles_that_change_in_a_straight_line_are_found_exactly():
    """Between tests without noise on a straight line, the model is that line, whatever lengths and sizes."""
    ends = 100 * np.exp(-0.5 * (PLACE / 4) ** 2), 60 * np.exp(-0.5 * (PLACE / 7) ** 2)
    ends = [end / end.sum() for end in ends]
    setting = np.array([[0.0], [0.2], [0.5], [1.0]])
    rate = (1 - setting) * ends[0] + setting * ends[1]
    model = profile_model(PLACE, setting, rate, [noise_of(np.stack((row, row), axis=1)) for row in rate])
    assert model.mean(np.array([[0.75]]))[0] == pytest.approx(0.25 * ends[0] + 0.75 * ends[1], rel=1e-6)


def test_more_passes_make_a_surer_model():
    """Four times the passes halve the errors, by the noise of each test; draws of it shrink as much or more.

    A standard deviation from few readings reads low by c4, which is 0.886 of 3 and 0.978 of 12 (Montgomery, Statistical
    Quality Control, from memory), so that trays judged each alone show 0.5 * 0.978 / 0.886 = 0.552, and pooled ones
    0.5. It varies by sqrt(1 - c4^2) / c4, 52 % and 22 %; over the 4 tests of 15 trays that weigh in (the square of the
    sum of the rates over the sum of their squares) the ratio by sqrt(0.52^2 + 0.22^2) / sqrt(60) = 7.3 %. Three times
    that is allowed. Draws of a noise that few passes tell are wider still (Student's t), so they have no lower end.
    """
    rng = np.random.default_rng(1)
    rate = np.array([100 * np.exp(-0.5 * (PLACE / wide) ** 2) for wide in (4, 4.5, 5, 5.5)])
    setting, stated, drawn = np.linspace(0, 1, 4)[:, None], [], []
    for count in (3, 12):
        passes = rate[:, :, None] * (1 + rng.normal(0, 0.08, (4, len(PLACE), count)))
        model = profile_model(PLACE, setting, passes.mean(axis=2), [noise_of(one) for one in passes])
        stated.append(np.sqrt(model.errors.variance).mean())
        still = replace(model.errors, shift_m=0.0)
        drawn.append(still.drawn(400, rng).std(axis=0).mean())
    highest = 0.552 * (1 + 3 * 0.073)
    assert 0.5 * (1 - 3 * 0.073) < stated[1] / stated[0] < highest
    assert drawn[1] / drawn[0] < highest
