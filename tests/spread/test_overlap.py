"""The overlap simulator against closed forms, worked examples, plain folding and reference libraries."""

import itertools
import math
import statistics

import numpy as np
import pytest
import scipy.integrate
import scipy.signal
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from published_cases import rounding, rows

from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS, ROUND_AND_ROUND
from spreadcheck.spread.evenness import coefficient_of_variation
from spreadcheck.spread.overlap import bout_deposit, deposit_shares, overlapped_deposit
from spreadcheck.spread.profile import Profile, profile_from
from spreadcheck.spread.widths import scan_widths

FLOATS = 1e-9  # % of CV: what double precision leaves of a figure that is exact


def shape(name):
    """Ideal patterns: triangle of half-base 1, trapezoid of base 2 and top 1, rectangle of width 1."""
    if name == "triangle":
        return profile_from([-1, 0, 1], [0, 1, 0], tails="cut")
    if name == "trapezoid":
        return profile_from([-1, -0.5, 0.5, 1], [0, 1, 1, 0], tails="cut")
    return profile_from([-0.5, 0.5], [1, 1], tails="cut")


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("case", rows("ideal_shapes"), ids=lambda c: f"{c['shape']}-{c['width']}")
def test_ideal_shapes(case, method):
    """Closed forms of the overlapped triangle, trapezoid and rectangle (source in the data file)."""
    got = scan_widths(shape(case["shape"]), float(case["width"]), method).cv_line_pct[0]
    # a flat deposit is flat to rounding only: sqrt of a sum of squares of 1e-16
    assert got == pytest.approx(float(case["cv_pct"]), abs=rounding(case["cv_pct"]) + FLOATS)


@pytest.mark.parametrize(("name", "width"), [("triangle", 1.0), ("trapezoid", 1.5), ("rectangle", 1.0)])
@pytest.mark.parametrize("method", METHODS)
def test_flat_at_the_width_at_half_height(name, width, method):
    """Published theory (Grift; boom-nozzle spacing rule): these shapes are flat at their width at half height."""
    pieces = bout_deposit(shape(name), np.array([width]), method)
    assert np.allclose([pieces.left, pieces.right], 1.0, rtol=1e-12)
    assert pieces.share_between(low=0.99, high=1.01)[0] == pytest.approx(100.0)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("case", rows("gaussian"), ids=lambda c: c["width"])
def test_gaussian_closed_form(case, method):
    """Poisson summation. Linear interpolation at steps of h damps harmonic k of the pattern by sinc^2(k h / w), so by
    at most (pi k h / w)^2 / 3."""
    step, w = 0.01, float(case["width"])
    x = np.arange(-900, 901) * step
    got = scan_widths(profile_from(x, np.exp(-(x**2) / 2)), w, method).cv_line_pct[0]
    power = {k: math.exp(-4 * math.pi**2 * k**2 / w**2) for k in range(1, 20)}
    formula = 100 * math.sqrt(2 * sum(power.values()))
    damping = (math.pi * step / w) ** 2 / 3 * sum(k**2 * e for k, e in power.items()) / sum(power.values())
    assert formula == pytest.approx(float(case["cv_pct"]), abs=rounding(case["cv_pct"]))
    assert got == pytest.approx(formula, rel=damping, abs=1e-7)


def transect():
    """The published transect as a profile: feet and inches stand for metres and kg/ha."""
    cans = rows("catch_can_transect_1997")
    return profile_from([float(c["offset_ft"]) for c in cans], [float(c["depth_in"]) for c in cans])


@pytest.mark.parametrize("case", rows("catch_can_overlap"), ids=lambda c: c["lane_ft"])
def test_published_transect(case):
    """AG-553-2, Table 1, overlapped at five lane spacings: points at the cans, and the continuous profile."""
    lane = float(case["lane_ft"])
    sample = math.sqrt(lane / 20 / (lane / 20 - 1))
    for method, name in ((ROUND_AND_ROUND, "round"), (BACK_AND_FORTH, "back")):
        scan = scan_widths(transect(), lane, method)
        points, line = case[f"{name}_points_pct"], case[f"{name}_line_pct"]
        assert scan.cv_line_pct[0] == pytest.approx(float(line), abs=rounding(line))
        assert scan.cv_trays_pct[0] == pytest.approx(float(points) * sample, abs=rounding(points) * sample)
        assert scan.mean_kg_ha[0] == pytest.approx(8.46 * 20 / lane, rel=1e-12)  # mass balance, exact


@pytest.mark.parametrize("case", rows("integer_examples"), ids=lambda c: f"{c['masses']}@{c['spacings']}")
def test_integer_examples(case):
    """Whole-number examples that can be worked on paper."""
    masses = [float(mass) for mass in case["masses"].split()]
    half, w = (len(masses) - 1) / 2, int(case["spacings"])
    profile = profile_from(np.arange(len(masses)) - half, masses)
    sample = case["round_sample_pct"]
    got = scan_widths(profile, float(w), ROUND_AND_ROUND).cv_trays_pct[0]
    if w % 2 == 1:
        assert got == pytest.approx(float(sample), abs=rounding(sample))
    # over a whole period every lattice point counts once, whichever the phase of the bout
    for method, period, column in ((ROUND_AND_ROUND, w, "round"), (BACK_AND_FORTH, 2 * w, "back")):
        deposits = overlapped_deposit(profile, np.arange(period) - half, w, method)
        printed = case[f"{column}_population_pct"]
        assert 100 * scipy.stats.variation(deposits) == pytest.approx(float(printed), abs=rounding(printed))


def test_offset_triangle():
    """A triangle whose centre stands off the driving line: round-and-round stays flat, back-and-forth does not
    (closed form; printed to 0.0001 %). Its reversed passes make the two methods part."""
    for shift, printed in ((0.05, 9.6609), (0.10, 18.6190), (0.15, 26.8328), (0.20, 34.2540)):
        profile = profile_from([shift - 1, shift, shift + 1], [0, 1, 0], tails="cut")
        assert scan_widths(profile, 1.0, ROUND_AND_ROUND).cv_line_pct[0] == pytest.approx(0, abs=FLOATS)
        assert scan_widths(profile, 1.0, BACK_AND_FORTH).cv_line_pct[0] == pytest.approx(printed, abs=5e-5)


def test_skewed_triangle():
    """Legs 0.8 and 1.2 at a bout of 1 (closed form; printed to 0.0001 %)."""
    profile = profile_from([-0.8, 0, 1.2], [0, 1, 0], tails="cut")
    assert scan_widths(profile, 1.0, ROUND_AND_ROUND).cv_line_pct[0] == pytest.approx(9.6225, abs=5e-5)
    assert scan_widths(profile, 1.0, BACK_AND_FORTH).cv_line_pct[0] == pytest.approx(18.9419, abs=5e-5)


def plain_fold(offsets, rates, w, method):
    """The overlap as a person would do it: add up every tray of every pass that falls on the same place."""
    places = {}
    for k in range(-60, 61):
        for x, rate in zip(offsets, rates, strict=True):
            turned = -x if method == BACK_AND_FORTH and k % 2 else x
            place = round(turned + k * w, 6)
            places[place] = places.get(place, 0.0) + rate
    return places


RATES = st.lists(st.integers(0, 300), min_size=5, max_size=41).filter(lambda rates: any(rates[1:-1]))
SIDES = st.sampled_from(METHODS)


@given(RATES, st.integers(2, 12), SIDES)
def test_cv_by_trays_equals_a_plain_fold(rates, spacings, method):
    """Whole multiples of the spacing: trays added up by hand, then statistics.stdev where no tray is on an edge."""
    rates = rates if len(rates) % 2 else [*rates, 0]
    half = len(rates) // 2
    offsets = [0.5 * (at - half) for at in range(len(rates))]
    w = spacings * 0.5
    places = plain_fold(offsets, rates, w, method)
    inside = [(x, places.get(x, 0.0)) for x in (round(0.5 * j, 6) for j in range(-spacings, spacings + 1))]
    inside = [(x, value) for x, value in inside if abs(x) <= w / 2]
    weights = [0.5 if abs(x) == w / 2 else 1.0 for x, _ in inside]
    n = sum(weights)
    mean = sum(weight * value for weight, (_, value) in zip(weights, inside, strict=True)) / n
    squares = sum(weight * (value - mean) ** 2 for weight, (_, value) in zip(weights, inside, strict=True))
    got = scan_widths(profile_from(offsets, rates), w, method).cv_trays_pct[0]
    assert got == pytest.approx(100 * math.sqrt(squares / (n - 1)) / mean, rel=1e-9, abs=1e-7)
    if spacings % 2:
        values = [value for _, value in inside]
        assert got == pytest.approx(100 * statistics.stdev(values) / statistics.mean(values), rel=1e-9, abs=1e-7)


@st.composite
def profiles(draw, min_trays=3):
    """Any profile: even or uneven, either tail rule, centred or not."""
    count = draw(st.integers(min_trays, 15))
    gaps = draw(st.lists(st.floats(0.1, 3.0), min_size=count - 1, max_size=count - 1))
    if draw(st.booleans()):
        gaps = [gaps[0]] * (count - 1)
    first = draw(st.floats(-20, 5))
    rates = draw(st.lists(st.floats(0, 500), min_size=count, max_size=count).filter(lambda r: sum(r) > 1))
    tails = draw(st.sampled_from(["taper", "cut"]))
    profile = profile_from(np.concatenate(([first], first + np.cumsum(gaps))), rates, tails=tails)
    return profile if profile.area_kg_ha_m > 1e-3 else profile_from([0, 1, 2], [1, 1, 1])


def correlation_cv(profile: Profile, w: float, method: str) -> float:
    """CV by line from the profile's correlations R and C, each integral done by scipy's quad piece by piece."""
    x, y = profile.knots
    area = scipy.integrate.trapezoid(y, x)
    reach = max(abs(x[0]), abs(x[-1]))

    def p(at):
        return np.interp(at, x, y, left=0.0, right=0.0)

    def product(other_knots, other):
        breaks = np.unique(np.concatenate((x, other_knots)))
        breaks = breaks[(breaks >= x[0]) & (breaks <= x[-1])]
        total = 0.0
        for a, b in itertools.pairwise(breaks):
            total += scipy.integrate.fixed_quad(lambda t: p(t) * other(t), a, b, n=2)[0]  # exact for a quadratic
        return total

    total = 0.0
    for k in range(-int(2 * reach / w) - 2, int(2 * reach / w) + 3):
        if method == BACK_AND_FORTH and k % 2:
            total += product(k * w - x, lambda t, k=k: p(k * w - t))
        else:
            total += product(x - k * w, lambda t, k=k: p(t + k * w))
    return w * total / area**2 - 1.0


@given(profiles(), st.floats(0.8, 60), SIDES)
def test_cv_by_line_equals_the_correlation_formula(profile, w, method):
    """CV^2 = w sum R(kw) / M^2 - 1, and with C for every second pass: another road to the same exact figure."""
    got = (scan_widths(profile, w, method).cv_line_pct[0] / 100) ** 2
    scale = (
        w * len(profile.offset_m) * profile.rate_kg_ha.max() ** 2 * np.ptp(profile.knots[0]) / profile.area_kg_ha_m**2
    )
    assert got == pytest.approx(correlation_cv(profile, w, method), rel=1e-9, abs=1e-12 * (scale + 10))


def test_cv_by_line_equals_discrete_correlation():
    """On an even grid R at whole spacings is a B-spline mix of scipy.signal.correlate: (1, 4, 1) / 6 of the rates."""
    rates = np.array([0.0, 2, 6, 10, 8, 4, 0])
    profile = profile_from(np.arange(-3, 4), rates, tails="cut")
    full = scipy.signal.correlate(rates, rates)
    spline = np.convolve(full, [1 / 6, 4 / 6, 1 / 6])
    middle = len(spline) // 2
    for w in (2, 3, 4, 5):
        total = sum(spline[middle + k * w] for k in range(-6, 7) if abs(k * w) <= middle)
        cv = 100 * math.sqrt(w * total / rates.sum() ** 2 - 1)
        assert scan_widths(profile, float(w), ROUND_AND_ROUND).cv_line_pct[0] == pytest.approx(cv, rel=1e-9, abs=1e-5)


@given(profiles(), st.floats(0.8, 60), SIDES)
def test_extremes_and_mean_hold_everywhere(profile, w, method):
    """No point of a fine grid over two periods lies outside the smallest and largest deposit; mean = M / w."""
    scan = scan_widths(profile, w, method)
    x = np.linspace(-2 * w, 2 * w, 4001)
    deposit = overlapped_deposit(profile, x, w, method)
    slack = 1e-9 * profile.rate_kg_ha.max()
    steps = 2 * profile.rate_kg_ha[[0, -1]].max() if profile.tails == "cut" else 0.0  # a grid point may hit a step
    assert scan.min_kg_ha[0] - slack - steps <= deposit.min()
    assert deposit.max() <= scan.max_kg_ha[0] + slack + steps
    pieces = bout_deposit(profile, np.array([w]), method)
    assert pieces.mean_kg_ha[0] == pytest.approx(scan.mean_kg_ha[0], rel=1e-9)
    assert scan.mean_kg_ha[0] * w == pytest.approx(scipy.integrate.trapezoid(*profile.knots[::-1]), rel=1e-12)


@given(profiles(), st.floats(0.8, 60))
def test_symmetric_patterns_are_alike_under_both_methods(profile, w):
    """A pattern that is its own mirror image can't tell which way the neighbour was driven."""
    x, y = profile.offset_m - profile.offset_m[0] + 0.1, profile.rate_kg_ha
    mirrored = profile_from(np.concatenate((-x[::-1], x)), np.concatenate((y[::-1], y)), tails=profile.tails)
    back, around = (scan_widths(mirrored, w, method) for method in METHODS)
    assert back.cv_line_pct == pytest.approx(around.cv_line_pct, rel=1e-6, abs=1e-6)
    assert back.cv_trays_pct == pytest.approx(around.cv_trays_pct, rel=1e-6, abs=1e-6, nan_ok=True)
    assert back.max_kg_ha == pytest.approx(around.max_kg_ha, rel=1e-9)


@given(profiles(), st.floats(0.8, 60), SIDES)
def test_mirroring_the_trays_mirrors_the_deposit(profile, w, method):
    mirror = profile_from(-profile.offset_m[::-1], profile.rate_kg_ha[::-1], tails=profile.tails)
    one, other = (scan_widths(each, w, method) for each in (profile, mirror))
    for name in ("cv_line_pct", "cv_trays_pct", "min_kg_ha", "max_kg_ha"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-6, abs=1e-6, nan_ok=True)
    x = np.linspace(-w / 2, w / 2, 101)
    if profile.tails == "taper":
        here, there = overlapped_deposit(profile, x, w, method), overlapped_deposit(mirror, -x, w, method)
        assert here == pytest.approx(there, rel=1e-9, abs=1e-9)


@given(profiles(), st.floats(0.8, 60), SIDES, st.floats(0.01, 100))
def test_scaling_catches_leaves_cv_and_scaling_lengths_too(profile, w, method, factor):
    heavier = profile_from(profile.offset_m, profile.rate_kg_ha * factor, tails=profile.tails)
    longer = profile_from(profile.offset_m * factor, profile.rate_kg_ha, tails=profile.tails)
    here = scan_widths(profile, w, method)
    assert scan_widths(heavier, w, method).cv_line_pct == pytest.approx(here.cv_line_pct, rel=1e-6, abs=1e-6)
    assert scan_widths(heavier, w, method).mean_kg_ha == pytest.approx(here.mean_kg_ha * factor)
    if w * factor < 1000:
        assert scan_widths(longer, w * factor, method).cv_line_pct == pytest.approx(
            here.cv_line_pct, rel=1e-6, abs=1e-6
        )


@given(profiles(), st.floats(0.8, 60), st.floats(-5, 5))
def test_round_and_round_does_not_mind_a_shift(profile, w, shift):
    """Moving the whole pattern sideways moves the deposit and leaves its evenness."""
    moved = profile_from(profile.offset_m + shift, profile.rate_kg_ha, tails=profile.tails)
    here, there = (scan_widths(each, w, ROUND_AND_ROUND) for each in (profile, moved))
    assert here.cv_line_pct == pytest.approx(there.cv_line_pct, rel=1e-6, abs=1e-6)


@given(profiles(), st.floats(0.8, 60), SIDES)
def test_shares_of_the_passes_add_up(profile, w, method):
    x = np.linspace(-w, w, 57)
    _, shares = deposit_shares(profile, x, w, method)
    assert shares.sum(axis=0) == pytest.approx(overlapped_deposit(profile, x, w, method), rel=1e-9, abs=1e-9)


@given(st.lists(st.floats(0.1, 1e6), min_size=2, max_size=50), st.sampled_from([0, 1]))
def test_cv_equals_scipy(rates, ddof):
    got = coefficient_of_variation(rates, ddof=ddof)
    assert got == pytest.approx(100 * scipy.stats.variation(rates, ddof=ddof), rel=1e-9, abs=1e-7)


@given(profiles(), st.floats(0.8, 60), SIDES, st.floats(1, 50))
def test_share_within_equals_a_fine_count(profile, w, method, margin):
    """The exact share lies between what a fine grid of piece midpoints says, to one grid cell a piece edge."""
    pieces = bout_deposit(profile, np.array([w]), method)
    mean = pieces.mean_kg_ha[0]
    u = (np.arange(2000) + 0.5) / 2000
    values = pieces.left[:, None] * (1 - u) + pieces.right[:, None] * u
    inside = (np.abs(values / mean - 1) <= margin / 100 + 1e-9).mean(axis=1)
    count = 100 * (inside * pieces.length_m).sum() / pieces.length_m.sum()
    assert pieces.share_between(low=1 - margin / 100, high=1 + margin / 100)[0] == pytest.approx(
        count, abs=100 * 2 / 2000 + 1e-6
    )
