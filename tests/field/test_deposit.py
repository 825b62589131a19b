"""The deposit map against closed forms: each is derived in docs/field.md and written out at its check."""

import itertools
import math

import numpy as np
import pytest
import scipy.integrate

from spreadcheck.errors import WidthError
from spreadcheck.field.deposit import (
    ARC,
    LINE,
    Landing,
    Leg,
    Raster,
    best_switching_m,
    bordered,
    deposit_map,
    landing_of,
    leg_of,
    raster_over,
    thrown_by,
)
from spreadcheck.spread.overlap import bout_deposit
from spreadcheck.spread.profile import profile_from

FLAT = profile_from([-12, 12], [100, 100], tails="cut")
SKEWED = profile_from([-14, -8, -3, 6, 11, 16], [0, 160, 200, 190, 120, 0], tails="cut")
BEAT = 0.007  # CV that a uniform field reads with steps of a quarter of the cell: the grid's own error


def mapped(legs, profile, landing, cell_m, **more):
    """A deposit map of one profile, and its raster."""
    thrown = thrown_by([profile], landing, cell_m / 4)
    raster = raster_over(legs, thrown.reach_m, cell_m)
    return deposit_map(legs, thrown, raster, **more)[0], raster


def circle(radius_m, *, turn):
    """Once round a circle about (0, 0); turn +1 to the right, -1 to the left."""
    angle = -turn * np.linspace(0, 2 * np.pi, 4001)
    return leg_of(radius_m * np.cos(angle), radius_m * np.sin(angle))


def radii(raster):
    x, y = raster.centres_m
    return np.hypot(x[None, :], y[:, None])


def at(profile, offset):
    return np.interp(offset, *profile.knots, left=0.0, right=0.0)


@pytest.mark.parametrize("landing", [Landing(LINE, 0), Landing(LINE, 15), Landing(ARC, 20)])
def test_mass_is_kept(landing):
    """Mass on the map = mass metered, whatever the track does: loops, sharp corners, to and fro."""
    rng = np.random.default_rng(3)
    legs = [leg_of(*rng.uniform(-60, 60, (2, 40))), leg_of(np.array([0, 0, 10.0, 0]), np.zeros(4))]
    flow = rng.uniform(0.5, 2, 19)
    legs.append(Leg(*rng.uniform(-40, 40, (2, 20)), on=rng.integers(0, 2, 19), flow=flow))
    deposit, raster = mapped(legs, SKEWED, landing, 1.7)
    metered = sum(leg.spread_m for leg in legs) * SKEWED.area_kg_ha_m / 10_000
    assert deposit.sum() * raster.cell_m**2 / 10_000 == pytest.approx(metered, rel=1e-9)


@pytest.mark.parametrize("landing", [Landing(LINE, 15), Landing(ARC, 20)])
def test_strips_hold_what_the_pattern_has_there(landing):
    """Mass and centre of each strip by scipy's quad, for a pattern that ends in a step on one side."""
    profile = profile_from([-14, -8, -3, 6, 11, 16], [40, 160, 200, 190, 120, 0], tails="cut")
    thrown = thrown_by([profile, SKEWED], landing, 3.0)
    edges = -14 + np.concatenate(([0], np.cumsum([30.0 / 10] * 10)))
    if landing.model == ARC:
        edges = 20 * np.sin(np.linspace(np.arcsin(-14 / 20), np.arcsin(16 / 20), len(thrown.offset_m) + 1))
    for number, (low, high) in enumerate(itertools.pairwise(edges)):
        inner = [x for x in profile.offset_m if low < x < high]
        mass, moment = (
            scipy.integrate.quad(lambda y, n=n: y**n * at(profile, y), low, high, points=inner or None)[0]
            for n in (0, 1)
        )
        assert thrown.mass_kg_m[0, number] == pytest.approx(mass / 1e4, rel=1e-9)
        assert thrown.offset_m[number] == pytest.approx(moment / mass, rel=1e-9, abs=1e-9)
        other = scipy.integrate.quad(lambda y: at(SKEWED, y), low, high, points=inner or None)[0]
        assert thrown.mass_kg_m[1, number] == pytest.approx(other / 1e4, rel=1e-9)


@pytest.mark.parametrize(("cell", "angle"), [(1.0, math.pi / 4), (1.3, 0.0), (2.9, 0.4), (0.7, math.pi / 4)])
@pytest.mark.parametrize("landing", [Landing(LINE, 5), Landing(ARC, 20)])
def test_a_uniform_field_reads_even(landing, cell, angle):
    """Steps that beat with the cells: the worst of 50 settings tried."""
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    legs = [leg_of(*(turn @ np.array([[0.0, 150.0], [y, y]]))) for y in 24.0 * np.arange(4) + 0.37]
    deposit, raster = mapped(legs, FLAT, landing, cell)
    along, across = turn.T @ np.stack([axis.ravel() for axis in np.meshgrid(*raster.centres_m)])
    inside = (along > 35) & (along < 110) & (across > 5) & (across < 67)
    seen = deposit.ravel()[inside]
    assert seen.std() / seen.mean() < BEAT
    assert seen.mean() == pytest.approx(100, rel=BEAT / 3)


def test_straight_bouts_are_the_overlap_as_cells_shrink():
    """The exact CV by line of the overlapped deposit, from below: a cell averages over its own width."""
    profile = profile_from([-15, -9, 9, 15], [0, 200, 200, 0], tails="cut")
    exact = float(bout_deposit(profile, np.array([27.0]), "back-and-forth").cv_pct[0])
    short = []
    for cell in (2.0, 1.0, 0.5):
        legs = [leg_of(np.array([0, 200.0]), np.array([27.0 * k, 27.0 * k])[:: (-1) ** k]) for k in range(6)]
        turn = np.array([[math.cos(0.4), -math.sin(0.4)], [math.sin(0.4), math.cos(0.4)]])
        turned = [leg_of(*(turn @ np.stack((leg.x_m, leg.y_m)))) for leg in legs]
        deposit, raster = mapped(turned, profile, Landing(LINE, 0), cell)
        x, y = np.meshgrid(*raster.centres_m)
        along, across = turn.T @ np.stack((x.ravel(), y.ravel()))
        inside = (along > 20) & (along < 180) & (across > 0) & (across < 108)  # four whole bouts, clear of all ends
        seen = deposit.ravel()[inside]
        short.append(exact - 100 * seen.std() / seen.mean())
    assert exact == pytest.approx(20.73, abs=0.005)
    assert short[0] > short[1] > short[2] > 0
    assert short[2] < 100 * BEAT / 2  # the beat adds in squares: next to nothing beside a CV of 20 %


@pytest.mark.parametrize("turn", [1, -1])
def test_circle_with_a_line_behind(turn):
    """A line a distance d behind: with q = sqrt(r^2 - d^2), D = [p(s (q - R)) + p(s (-q - R))] R / q, s = -turn."""
    radius, behind = 60.0, 12.0
    deposit, raster = mapped([circle(radius, turn=turn)], SKEWED, Landing(LINE, behind), 1.0)
    r = radii(raster)
    q = np.sqrt(np.maximum(r**2 - behind**2, 1e-9))
    expected = (at(SKEWED, -turn * (q - radius)) + at(SKEWED, -turn * (-q - radius))) * radius / q
    ring = (r > radius - 18) & (r < radius + 18)
    assert np.sqrt(np.mean((deposit - expected)[ring] ** 2)) < BEAT * 200
    assert (deposit[~ring & (r > behind)] == 0).all()


@pytest.mark.parametrize("turn", [1, -1])
def test_circle_with_an_arc(turn):
    """An arc of the throw T about the antenna: D = p(s (r^2 - R^2 - T^2) / (2 R)); no fanning, J = 1."""
    radius, throw = 60.0, 20.0
    deposit, raster = mapped([circle(radius, turn=turn)], SKEWED, Landing(ARC, throw), 1.0)
    r = radii(raster)
    expected = at(SKEWED, -turn * (r**2 - radius**2 - throw**2) / (2 * radius))
    ring = (r > 40) & (r < 82)
    assert np.sqrt(np.mean((deposit - expected)[ring] ** 2)) < BEAT * 200


def test_rectangle_on_a_circle():
    """CV^2 = (R / W) ln[(R + h) / (R - h)] - (...)^2 for the ring trimmed to half-width h: density R / r."""
    radius, trimmed = 60.0, 11.0
    deposit, raster = mapped([circle(radius, turn=1)], FLAT, Landing(LINE, 0), 0.5)
    seen = deposit[np.abs(radii(raster) - radius) < trimmed]
    width = 2 * trimmed
    cv = math.sqrt(radius / width * math.log((radius + trimmed) / (radius - trimmed)) - 1)
    assert cv == pytest.approx(0.1069, abs=5e-5)
    assert seen.std() / seen.mean() == pytest.approx(cv, abs=BEAT / 2)
    assert seen.mean() == pytest.approx(100, rel=0.002)


def test_involute_coils_are_parallel():
    """Coils of an involute lie 2 pi a apart everywhere: a flat pattern as wide gives its rate, whatever the curve."""
    a = 24 / (2 * np.pi)
    t = np.linspace(6, 26, 20_000)
    leg = leg_of(a * (np.cos(t) + t * np.sin(t)), a * (np.sin(t) - t * np.cos(t)))
    deposit, raster = mapped([leg], FLAT, Landing(LINE, 0), 1.0)
    r = radii(raster)
    inner = deposit[(r > a * 6 + 30) & (r < a * 26 - 30)]
    assert inner.mean() == pytest.approx(100, rel=1e-3)


def test_slanted_headland_edge():
    """Bouts that end on their centre line at an edge slanted by phi: nil (W^2 / 8) cot(phi), and as much double."""
    slant, width = math.radians(60), 24.0
    legs = [leg_of(np.array([-150.0, width * k / math.tan(slant)]), np.full(2, width * k)) for k in range(-3, 4)]
    deposit, raster = mapped(legs, FLAT, Landing(LINE, 0), 0.5)
    x, y = np.meshgrid(*raster.centres_m)
    bouts = np.abs(y) < 1.5 * width  # three whole bouts
    inside = x < y / math.tan(slant)
    cell = raster.cell_m**2
    nil = ((100 - deposit) / 100)[bouts & inside & (x > -100)].sum() * cell / 3
    outside = (deposit / 100)[bouts & ~inside].sum() * cell / 3
    expected = 0.5 * math.tan(slant) * (width / 2 / math.tan(slant)) ** 2
    assert expected == pytest.approx(41.57, abs=0.005)
    assert nil == pytest.approx(expected, rel=0.01)
    assert outside == pytest.approx(expected, rel=0.01)


def test_kink_in_a_track():
    """A kink by the angle alpha in a line across: gap and double each B^2 tan(alpha / 2) for the half-width B."""
    alpha, half = math.radians(30), 12.0
    x, y = np.array([-80.0, 0, 80 * math.cos(alpha)]), np.array([0, 0, 80 * math.sin(alpha)])
    deposit, raster = mapped([leg_of(x, y)], FLAT, Landing(LINE, 0), 0.25)
    near = np.hypot(*np.meshgrid(*raster.centres_m)) < 40
    double = np.maximum(deposit[near] - 100, 0).sum() / 100 * raster.cell_m**2
    assert double == pytest.approx(half**2 * math.tan(alpha / 2), rel=0.02)


def test_best_switching_distance():
    """A rectangle of half-width B on an arc T: the median of the landing distance is sqrt(T^2 - B^2 / 4)."""
    wide = profile_from([-18, 18], [100, 100], tails="cut")
    landing = Landing(ARC, 21.1)
    best = best_switching_m(wide, landing)
    assert best == pytest.approx(math.sqrt(21.1**2 - 81), abs=0.05)

    def wrong(past_m):  # short inside and outside, of a bout driven from far left to the edge at x = 0
        legs = [leg_of(np.array([-90.0, past_m]), np.array([36.0 * k] * 2)) for k in range(3)]
        deposit, raster = mapped(legs, wide, landing, 0.5)
        x, y = np.meshgrid(*raster.centres_m)
        bout = (np.abs(y - 36) < 18) & (x > -40)
        return np.maximum(100 - deposit, 0)[bout & (x < 0)].sum() + deposit[bout & (x > 0)].sum()

    assert wrong(best) < min(wrong(best - 1.5), wrong(best + 1.5))
    mean = landing_of(wide, LINE).distance_m  # mean of sqrt(T^2 - y^2) over -B to B, T = 1.2 B
    b = 1 / 1.2
    assert mean == pytest.approx(21.6 / 2 * (math.sqrt(1 - b * b) + math.asin(b) / b), abs=0.01)


def test_ideal_border_device():
    """Nothing crosses a straight edge half a bout away, no mass is lost, and the edge strip gets the full overlap."""
    wide = profile_from([-18, -6, 6, 18], [0, 200, 200, 0], tails="cut")
    device = bordered(wide, 12)
    assert device.area_kg_ha_m == pytest.approx(wide.area_kg_ha_m, rel=1e-9)
    assert device.knots[0][0] == -12
    assert at(device, -np.array([0.0, 9, 11.9])) == pytest.approx([200, 200, 200])


def test_uneven_speed_metered_by_time():
    """Metered by time a metre driven at half speed gets twice as much."""
    leg = Leg(np.array([0, 50.0, 100]), np.zeros(3), on=np.ones(2), flow=np.array([1.0, 2.0]))
    deposit, raster = mapped([leg], FLAT, Landing(LINE, 0), 1.0)
    row = deposit[raster.rows // 2]
    x = raster.centres_m[0]
    assert row[(x > 5) & (x < 45)] == pytest.approx(100, rel=0.01)
    assert row[(x > 55) & (x < 95)] == pytest.approx(200, rel=0.01)


def test_several_profiles_land_together():
    """Two profiles summed in one go are the two summed alone, where their strips are the same."""
    half = profile_from([-14, -8, -3, 6, 11, 16], [0, 80, 100, 95, 60, 0], tails="cut")
    legs = [circle(40, turn=1)]
    thrown = thrown_by([SKEWED, half], Landing(ARC, 20), 0.5)
    raster = raster_over(legs, thrown.reach_m, 2.0)
    both = deposit_map(legs, thrown, raster)
    assert both[1] == pytest.approx(both[0] / 2, abs=1e-9)


def test_progress_runs_to_the_end():
    told = []
    mapped([circle(100, turn=1)], FLAT, Landing(LINE, 0), 0.5, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: landing_of(SKEWED, "ring"), '--landing: "ring" is not known'),
        (lambda: landing_of(SKEWED, ARC, 15), "does not reach the end of the pattern at 16 m"),
        (lambda: landing_of(SKEWED, LINE, -1), "-1 m can't be"),
        (lambda: raster_over([circle(60, turn=1)], 20, 0), "0 m is no cell"),
        (lambda: raster_over([circle(6000, turn=1)], 20, 0.1), "are too many; use larger cells, such as"),
    ],
)
def test_what_cant_be(call, said):
    with pytest.raises(WidthError, match=said):
        call()


def test_raster_places():
    """Centres stand half a cell from the corner."""
    x, y = Raster(10, 20, 2, rows=2, columns=3).centres_m
    assert x.tolist() == [11, 13, 15]
    assert y.tolist() == [21, 23]
