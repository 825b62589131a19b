"""The field edge: beyond, short and the strip under 90 %, against closed forms, mass balance and scipy quadrature."""

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
import scipy.integrate
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck.errors import CostError, QuantityError, WidthError
from spreadcheck.field.edge import (
    SIDES,
    deposit_between,
    edge_case,
    first_pass_distance,
    mirrored,
    study_edge,
    support_m,
    whole_field,
)
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS, ROUND_AND_ROUND
from spreadcheck.sheet.traysheet import read_sheet
from spreadcheck.sheet.traytest import tray_test
from spreadcheck.spread.overlap import bout_deposit
from spreadcheck.spread.profile import profile_from
from spreadcheck.spread.widths import scan_widths

SAMPLES = Path(__file__).parents[2] / "sample_trays"
WAYS = [(method, side) for method in METHODS for side in SIDES]
ways = st.sampled_from(WAYS)
TRIANGLE = profile_from([-12, 0, 12], [0, 300, 0], tails="cut")


@st.composite
def profiles(draw):
    """Any profile: even or uneven, either tail rule, centred or not."""
    count = draw(st.integers(3, 10))
    gaps = draw(st.lists(st.floats(0.2, 3.0), min_size=count - 1, max_size=count - 1))
    rates = draw(st.lists(st.floats(0, 500), min_size=count, max_size=count).filter(lambda each: sum(each) > 10))
    first = draw(st.floats(-12, 3))
    return profile_from(
        np.concatenate(([first], first + np.cumsum(gaps))), rates, tails=draw(st.sampled_from(["taper", "cut"]))
    )


def left_to(profile, side):
    """The profile as it lies towards the edge: offsets grow into the field."""
    return profile if side == "left" else mirrored(profile)


def fallen(profile, w, method, first, low, high, numbers):
    """Area that some passes leave between two distances from the edge, each by scipy's quad over its own pieces."""
    x, y = profile.knots
    total = 0.0
    for k in numbers:
        turned = method == BACK_AND_FORTH and k % 2
        knots, rates = (-x[::-1], y[::-1]) if turned else (x, y)
        for a, b, p, q in zip(knots[:-1], knots[1:], rates[:-1], rates[1:], strict=True):
            start, end = (min(max(at + first + k * w, low), high) for at in (a, b))
            if end > start:
                slope = (q - p) / (b - a)
                total += scipy.integrate.quad(
                    lambda u, p=p, a=a, slope=slope, k=k: p + slope * (u - first - k * w - a), start, end
                )[0]
    return total


@given(profiles(), st.floats(3, 30), st.floats(0, 30), ways)
def test_beyond_and_short_equal_quadrature(profile, w, first, way):
    """Passes 0 to 12 beyond the edge, passes -1 to -16 inside it, by another road."""
    method, side = way
    case = edge_case(profile, w, method, first_pass_m=first, side=side)
    lying = left_to(profile, side)
    beyond = fallen(lying, w, method, first, -1e3, 0, range(13)) / 100
    short = fallen(lying, w, method, first, 0, 1e3, range(-1, -17, -1)) / 100
    scale = profile.area_kg_ha_m / 100
    assert case.beyond_kg == pytest.approx(beyond, rel=1e-9, abs=1e-9 * scale)
    assert case.short_kg == pytest.approx(short, rel=1e-9, abs=1e-9 * scale)
    assert case.beyond_pct == pytest.approx(100 * case.beyond_kg / scale)
    assert case.short_pct == pytest.approx(100 * case.short_kg / scale)


@given(profiles(), st.floats(3, 30), st.sampled_from(SIDES))
def test_at_half_a_bout_back_and_forth_is_its_own_mirror_at_the_edge(profile, w, side):
    """The pass that is not driven would be the mirror image of the first one: as much is short as falls beyond."""
    case = edge_case(profile, w, BACK_AND_FORTH, first_pass_m=w / 2, side=side)
    assert case.short_kg == pytest.approx(case.beyond_kg, rel=1e-9, abs=1e-12 * profile.area_kg_ha_m)


@given(profiles(), st.floats(3, 30), st.integers(8, 14), ways)
def test_mass_balance_of_the_whole_field(profile, w, passes, way):
    """What N passes spread is in the field or beyond one of its edges. The far edge has the other side of the machine
    to it, or the same one where the last pass is turned."""
    method, side = way
    first = w / 2
    field = whole_field(profile, w, method, passes=passes, first_pass_m=first, side=side)
    last_turned = method == BACK_AND_FORTH and (passes - 1) % 2
    far_side = side if last_turned else ("right" if side == "left" else "left")
    beyond = sum(
        edge_case(profile, w, method, first_pass_m=first, side=each).beyond_kg * 100 for each in (side, far_side)
    )
    spread = passes * profile.area_kg_ha_m
    assert field.mean_kg_ha * field.width_m + beyond == pytest.approx(spread, rel=1e-9)
    assert field.beyond_pct == pytest.approx(100 * beyond / spread, abs=1e-7)
    assert field.endless_mean_kg_ha == pytest.approx(profile.area_kg_ha_m / w)


def test_triangle_at_its_edge_on_paper():
    """Half-base 12 m and 300 kg/ha at the centre: one pass spreads 3600 kg/ha m, 36 kg on 100 m. Driven at 6 m,
    6^2 / 12^2 / 2 = 12.5 % falls beyond, 4.5 kg. The field gets 300 kg/ha from 6 m in and 300 - 25 (6 - u) before:
    under 270 up to 4.8 m. Without an edge 12 m apart is even."""
    for method, side in WAYS:
        case = edge_case(TRIANGLE, 12, method, first_pass_m=6, side=side)
        figures = (case.beyond_kg, case.beyond_pct, case.short_kg, case.zone_m, case.strip_m, case.strip_endless_m)
        assert figures == pytest.approx((4.5, 12.5, 4.5, 6.0, 4.8, 0.0), abs=1e-9)


def test_a_lopsided_rectangle_on_paper():
    """100 kg/ha from 8 m left to 4 m right, 12 m apart, first pass at 6 m. Left to the edge 2 of 12 m fall beyond, 2 kg
    on 100 m. Round-and-round the missing pass would end at -6 + 4 m: nothing is short. Right to the edge nothing falls
    beyond and the first 2 m stay bare; the missing pass, 8 m to its inner side, would have covered them."""
    flat = profile_from([-8, 4], [100, 100], tails="cut")
    left = edge_case(flat, 12, ROUND_AND_ROUND, first_pass_m=6, side="left")
    assert (left.beyond_kg, left.short_kg, left.zone_m, left.strip_m) == pytest.approx((2, 0, 0, 0))
    right = edge_case(flat, 12, ROUND_AND_ROUND, first_pass_m=6, side="right")
    assert (right.beyond_kg, right.short_kg, right.zone_m, right.strip_m) == pytest.approx((0, 2, 2, 2))
    assert right.strip_endless_m == pytest.approx(0, abs=1e-9)


def test_whole_field_of_a_rectangle_on_paper():
    """100 kg/ha over 12 m, 10 m apart, first pass at 5 m, two passes: 20 m of field with 2 m of double rate in it. Mean
    (18 x 100 + 2 x 200) / 20 = 110; variance 0.1 x 90^2 + 0.9 x 10^2 = 900; CV 30 / 110. 2 x 1 of 24 m beyond."""
    flat = profile_from([-6, 6], [100, 100], tails="cut")
    field = whole_field(flat, 10, BACK_AND_FORTH, passes=2, first_pass_m=5)
    assert (field.width_m, field.mean_kg_ha) == pytest.approx((20, 110))
    assert field.cv_line_pct == pytest.approx(100 * 30 / 110)
    assert field.beyond_pct == pytest.approx(100 * 2 / 24)
    # endless: 20 % of every bout at the double rate, mean 120, variance 0.2 x 80^2 + 0.8 x 20^2 = 1600
    assert (field.endless_mean_kg_ha, field.endless_cv_line_pct) == pytest.approx((120, 100 * 40 / 120))
    assert field.mean_pct_of_endless == pytest.approx(100 * 110 / 120)


@given(profiles(), st.floats(3, 20), ways)
def test_a_long_field_comes_near_the_endless_one(profile, w, way):
    """Only the edges differ, and what falls beyond them does not depend on N: the gap to the endless mean falls as
    1 / N, from 50 to 400 passes to an eighth, and is what falls beyond."""
    method, side = way
    near, far = (whole_field(profile, w, method, passes=n, first_pass_m=w / 2, side=side) for n in (50, 400))
    gaps = [1 - field.mean_pct_of_endless / 100 for field in (near, far)]
    assert gaps[1] * 8 == pytest.approx(gaps[0], rel=1e-6, abs=1e-9)
    assert gaps[0] * 50 * w * near.endless_mean_kg_ha == pytest.approx(
        near.beyond_pct / 100 * 50 * profile.area_kg_ha_m, rel=1e-6, abs=1e-6
    )


@given(profiles(), st.floats(3, 20), ways)
def test_an_inner_stretch_is_the_endless_field(profile, w, way):
    """Far from both ends the pieces of N passes are those of the endless bout."""
    method, side = way
    lying = left_to(profile, side)
    pieces = deposit_between(lying, w, method, low_m=-w / 2, high_m=w / 2, first=-40, last=40)
    endless = bout_deposit(lying, np.array([w]), method)
    assert pieces.mean_kg_ha[0] == pytest.approx(endless.mean_kg_ha[0], rel=1e-9)
    # CV comes from a variance, so near 0 it keeps half the digits
    assert pieces.cv_pct[0] == pytest.approx(endless.cv_pct[0], rel=1e-6, abs=1e-5)
    assert pieces.cv_pct[0] == pytest.approx(scan_widths(lying, w, method).cv_line_pct[0], rel=1e-6, abs=1e-5)


@given(profiles(), st.floats(3, 30), st.floats(1, 99.9), ways)
def test_the_distance_keeps_the_share_and_no_more(profile, w, share, way):
    """Solved back: at the distance found the share beyond is what is allowed; the distance is 0 where even a pass along
    the edge itself keeps more."""
    method, side = way
    distance = first_pass_distance(profile, w, method, share_pct=share, side=side)
    beyond = edge_case(profile, w, method, first_pass_m=distance, side=side).beyond_pct
    if distance > 0:
        assert beyond == pytest.approx(100 - share, rel=1e-7, abs=1e-7)
    else:
        assert beyond <= 100 - share + 1e-9


def test_distances_of_a_triangle():
    """(12 - d)^2 / 288 falls beyond for 0 < d < 12 while pass 1 at d + 24 is out of reach: 98 % inside at
    12 - sqrt(5.76) = 9.6 m, 50 % on the edge itself, all of it at 12 m."""
    for method, side in WAYS:
        for share, distance in ((98, 9.6), (99.5, 10.8), (50, 0), (100, 12)):
            got = first_pass_distance(TRIANGLE, 24, method, share_pct=share, side=side)
            assert got == pytest.approx(distance, abs=1e-6)  # at 100 % a double root: half the digits


@given(profiles(), st.floats(3, 30), st.floats(0, 20), st.floats(0.01, 5), ways)
def test_farther_from_the_edge_less_falls_beyond_and_more_is_short(profile, w, first, more, way):
    method, side = way
    near, far = (edge_case(profile, w, method, first_pass_m=at, side=side) for at in (first, first + more))
    slack = 1e-9 * profile.area_kg_ha_m
    assert far.beyond_kg <= near.beyond_kg + slack
    assert far.short_kg >= near.short_kg - slack


@given(profiles(), st.floats(3, 30), st.floats(0, 20), st.sampled_from(METHODS))
def test_the_other_side_is_the_mirror_image(profile, w, first, method):
    one = edge_case(profile, w, method, first_pass_m=first, side="right")
    other = edge_case(mirrored(profile), w, method, first_pass_m=first, side="left")
    assert one.beyond_kg == pytest.approx(other.beyond_kg)
    assert one.strip_m == pytest.approx(other.strip_m)


@given(profiles(), st.floats(3, 30), st.floats(0, 20), ways)
def test_strip_equals_a_fine_count(profile, w, first, way):
    """Metres under 90 % in the edge zone against a plain count of a grid, to a step at each turn of the deposit."""
    method, side = way
    case = edge_case(profile, w, method, first_pass_m=first, side=side)
    lying = left_to(profile, side)
    x, y = lying.knots
    n = 4000
    u = (np.arange(n) + 0.5) / n * case.zone_m
    deposit = np.zeros(n)
    for k in range(25):
        away = u - first - k * w
        away = -away if method == BACK_AND_FORTH and k % 2 else away
        deposit += np.interp(away, x, y, left=0.0, right=0.0)
    bound = 0.9 * profile.area_kg_ha_m / w
    slack, step = 1e-6 * bound, case.zone_m / n
    turns = 2 * (len(x) + 2) * (case.zone_m / w + 2 + np.ptp(x) / w)
    low, high = ((deposit < bound + each).sum() * step for each in (-slack, slack))
    assert low - turns * step <= case.strip_m <= high + turns * step


def test_zero_catches_at_the_end_of_the_line_are_no_reach():
    """A line of trays that goes on beyond the throw does not make the edge zone wider."""
    rates = [0, 0, 100, 200, 100, 0, 0]
    assert support_m(profile_from(np.arange(-3, 4), rates)) == (-2, 2)
    wide, bare = profile_from(np.arange(-3, 4), rates), profile_from([-1, 0, 1], [100, 200, 100])
    for method, side in WAYS:
        assert edge_case(wide, 2, method, first_pass_m=1, side=side) == edge_case(
            bare, 2, method, first_pass_m=1, side=side
        )


def test_study_of_a_sheet():
    """Scaled to the sheet's target: masses are those of 150 kg/ha at its bout width of 21 m; both sides and methods."""
    test = read_sheet(SAMPLES / "lopsided.csv")
    study = study_edge(test, first_pass_m=[None, 8.0, 10.5])
    assert study.target_kg_ha == 150
    assert study.fields[0].endless_mean_kg_ha == pytest.approx(150)
    assert [case.first_pass_m for case in study.cases] == [10.5] * 4 + [8.0] * 4  # half a bout is 10.5 m: told once
    case = study.cases[0]
    assert case.beyond_kg == pytest.approx(case.beyond_pct / 100 * 150 * 21 / 100)
    for share, case in study.kept:
        assert case.beyond_pct == pytest.approx(100 - share, abs=1e-6)


def test_relative_figures_have_no_masses():
    test = tray_test([-1, 0, 1], [5, 9, 5], tray_width="1 m", tray_length="1 m", unit="ml", form={"bout width": "2 m"})
    case = study_edge(test, relative=True).cases[0]
    assert (case.beyond_kg, case.short_kg) == (None, None)
    assert case.beyond_pct > 0
    assert study_edge(test, relative=True, target_kg_ha=100).cases[0].beyond_kg > 0


BARE = tray_test([-1, 0, 1], [1, 2, 1], tray_width="1 m", tray_length="1 m")


@pytest.mark.parametrize(
    ("arguments", "kind", "message"),
    [
        ({}, WidthError, 'bout width: is not known; write it on the sheet, or add --bout-width "24 m"'),
        ({"bout_width_m": 0}, WidthError, "a bout width of 0 m can't be driven"),
        ({"bout_width_m": 4.01}, WidthError, "bout width: 4.01 m is more than 2 times the tray line of 2 m"),
        ({"bout_width_m": 2, "first_pass_m": [-1]}, WidthError, "option --first-pass: -1 m from the edge can't"),
        ({"bout_width_m": 2, "first_pass_m": [math.nan]}, WidthError, "option --first-pass: nan m from the edge can't"),
        ({"bout_width_m": 2, "passes": 0}, WidthError, "passes: 0 passes, the first 1 m from the edge, make no field"),
        ({"bout_width_m": 2, "passes": 2000}, WidthError, "passes: 2000 passes"),
        ({"bout_width_m": 2, "passes": 1, "first_pass_m": [0]}, WidthError, "passes: 1 passes, the first 0 m from"),
        ({"bout_width_m": 2, "share_pct": [101]}, CostError, "option --keep-inside: 101 % is not a share of a pass"),
        ({"bout_width_m": 2, "target_kg_ha": -1}, QuantityError, "target rate: -1 kg/ha can't be spread"),
    ],
)  # fmt: skip
def test_what_a_study_refuses(arguments, kind, message):
    with pytest.raises(kind) as error:
        study_edge(BARE, **arguments)
    assert message in str(error.value)


def test_a_sheet_that_takes_too_long_is_named():
    """3,999 uneven spacings: the refusal names the sheet that it is of."""
    offset = np.append(np.arange(2_000) * 0.01, 40.0043)
    made = tray_test(offset, np.ones(len(offset)), tray_width="1 cm", tray_length="1 m")
    test = dataclasses.replace(made, source="long.csv")
    with pytest.raises(WidthError, match=r"^long\.csv: the trays stand unevenly"):
        study_edge(test, bout_width_m=24)


def test_a_bout_of_two_tray_lines_is_still_studied():
    assert study_edge(BARE, bout_width_m=4.0, relative=True).bout_width_m == 4.0
