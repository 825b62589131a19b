"""The model of the profiles: scikit-learn's Gaussian process and the overlap of `analyse` as second implementations."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck.improve.profiles import Noise, ProfileModel, fold_form, profile_model
from spreadcheck.sheet.labels import METHODS
from spreadcheck.spread.profile import profile_from
from spreadcheck.spread.widths import scan_methods

PLACE = np.arange(-9.0, 10.0)
SETTING = np.array([[0.0], [0.3], [0.3], [0.7], [1.0]])


def model_of(settings=SETTING, seed=3):
    """A model with noise of known size, its shift and stretch left out."""
    rng = np.random.default_rng(seed)
    wide = 4 + 2 * settings.sum(axis=1, keepdims=True)
    rate = 100 * np.exp(-0.5 * (PLACE / wide) ** 2) + rng.normal(0, 2, (len(settings), len(PLACE)))
    sd = 1.0 + 0.02 * rate
    still = np.zeros_like(rate)
    noise = Noise(sd**2, np.eye(len(PLACE)), sd, still, still, 0.0, 1.0, assumed=True)
    size = 0.3 + rate.max(axis=0) / 200
    return ProfileModel(PLACE, settings, rate, noise, size, np.full((5, 6), 1 / 30))


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
            process = GaussianProcessRegressor(kernel, alpha=model.noise.variance[:, tray], optimizer=None)
            process.fit(settings, model.rate[:, tray])
            total += process.log_marginal_likelihood_value_
            if (one, two) == (length, size):
                mean = process.predict(wanted)
                assert weights[tray] @ model.rate[:, tray] == pytest.approx(mean, rel=1e-3, abs=1e-3)
        theirs[one, two] = total
    assert other - logs == pytest.approx(theirs[length, size] - theirs[0.5, 10.0], abs=0.02)


def test_drawn_errors_spread_as_scikit_learn_says():
    """Standard deviation of 4000 draws: three standard errors of it are 3 / sqrt(8000), 3.4 %."""
    kernels = pytest.importorskip("sklearn.gaussian_process.kernels")
    from sklearn.gaussian_process import GaussianProcessRegressor

    from spreadcheck.improve import profiles

    model = model_of()
    weight = np.zeros((5, 6))
    weight[2, 3] = 1.0
    model = ProfileModel(model.place_m, model.setting, model.rate, model.noise, model.size, weight)
    length, size = profiles.LENGTHS[2], profiles.SIZES[3] * model.rate.max()
    wanted = np.array([[0.0], [0.5], [0.85]])
    drawn = model.errors(wanted, 4000, np.random.default_rng(5)).std(axis=0)
    for tray in (2, 9, 15):
        line = kernels.ConstantKernel(1e8) * kernels.DotProduct(1.0)
        kernel = line + kernels.ConstantKernel((size * model.size[tray]) ** 2) * kernels.RBF(length)
        process = GaussianProcessRegressor(kernel, alpha=model.noise.variance[:, tray], optimizer=None)
        expected = process.fit(model.setting, model.rate[:, tray]).predict(wanted, return_std=True)[1]
        assert drawn[:, tray] == pytest.approx(expected, rel=3 / np.sqrt(8000) + 0.01)


@given(st.floats(4.5, 25), st.sampled_from(METHODS), st.integers(0, 1000))
def test_the_fold_is_that_of_analyse(width, method, seed):
    """CV by line by the spline form, and by the pieces between kinks that `analyse` integrates."""
    rate = np.random.default_rng(seed).uniform(5, 100, len(PLACE))
    form = fold_form(PLACE, width, method)
    expected = scan_methods(profile_from(PLACE, rate), [width])[method].cv_line_pct[0]
    assert 100 * np.sqrt(rate @ form @ rate) / rate.sum() == pytest.approx(expected, rel=1e-9)


def test_profiles_that_change_in_a_straight_line_are_found_exactly():
    """Between tests without noise on a straight line, the model is that line, whatever lengths and sizes."""
    ends = 100 * np.exp(-0.5 * (PLACE / 4) ** 2), 60 * np.exp(-0.5 * (PLACE / 7) ** 2)
    ends = [end / end.sum() for end in ends]
    passes = [((1 - at) * ends[0] + at * ends[1])[None] * np.ones((2, 1)) for at in (0.0, 0.2, 0.5, 1.0)]
    model = profile_model(PLACE, np.array([[0.0], [0.2], [0.5], [1.0]]), passes)
    assert model.mean(np.array([[0.75]]))[0] == pytest.approx(0.25 * ends[0] + 0.75 * ends[1], rel=1e-6)


def test_more_passes_make_a_surer_model():
    rng = np.random.default_rng(1)
    shapes = [np.exp(-0.5 * (PLACE / wide) ** 2) for wide in (4, 4.5, 5, 5.5)]
    setting = np.linspace(0, 1, 4)[:, None]
    spread = []
    for count in (2, 8):
        passes = [100 * shape * (1 + rng.normal(0, 0.08, (count, len(PLACE)))) for shape in shapes]
        spread.append(profile_model(PLACE, setting, passes).noise.passes_sd.mean())
    assert spread[1] < 0.7 * spread[0]  # a half by the passes, give or take what the law is off by
