"""Catches -> single-pass profile: rates by hand, turned passes, gaps, tails; scipy is the reference for integrals."""

import itertools
import math

import numpy as np
import pytest
import scipy.constants
import scipy.integrate
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck.errors import NoSpreadError, SheetError
from spreadcheck.sheet.traytest import TrayTest, tray_test
from spreadcheck.spread.profile import (
    FARTHEST_M,
    metered_kg_ha_m,
    over_tails,
    pass_rates,
    profile_from,
    profile_of,
    tailed,
)

NAN = math.nan


def half_metre(offset_m, catch, **form):
    return tray_test(
        offset_m,
        catch,
        tray_width="0.5 m",
        tray_length="0.5 m",
        form={key.replace("_", " "): value for key, value in form.items()},
    )


def test_rate_of_a_catch():
    """2.5 g in a 0.25 m2 tray is 100 kg/ha: 10 g/m2, and 1 g/m2 = 10 kg/ha (unit arithmetic)."""
    assert pass_rates(half_metre([-1, 1], [2.5, 2.5]))[1][0] == pytest.approx([100.0, 100.0])


def test_rate_in_us_tons_per_acre():
    """Iowa State (Lorimor 2001): a sheet of 56 x 56 in is 1/2000 acre, so 1 lb caught is 1 US ton/acre. The sheet is
    21.7778 ft2 and 43560 / 2000 ft2 is 21.78 ft2: the rule rounds by 1e-4."""
    pound_g = scipy.constants.pound * 1000
    test = tray_test([-1, 1], [pound_g, pound_g], tray_width="56 in", tray_length="56 in")
    short_ton_acre = 2000 * scipy.constants.pound / scipy.constants.acre * 1e4
    assert pass_rates(test)[1][0] == pytest.approx([short_ton_acre] * 2, rel=1.1e-4)


def test_sum_of_k_runs_is_one_run_times_k():
    """Trays are not emptied between runs and the sum is weighed (OSU Bulletin 817; EN 13739-2, 4.1.2)."""
    one, five = half_metre([-1, 0, 1], [2, 3, 1]), half_metre([-1, 0, 1], [10, 15, 5], runs_per_catch="5")
    assert profile_of(five).rate_kg_ha == pytest.approx(profile_of(one).rate_kg_ha)


def test_two_narrow_trays_make_one_wide_one():
    """EN 13739-2, 5.2: two 250 x 500 mm trays side by side may be summed to one of 500 x 500 mm."""
    narrow = tray_test([-0.125, 0.125], [1.2, 1.4], tray_width="0.25 m", tray_length="0.5 m")
    wide = half_metre([-1, 1], [2.6, 2.6])
    assert pass_rates(narrow)[1].mean() == pytest.approx(pass_rates(wide)[1].mean())


def test_reversed_pass_is_turned():
    test = half_metre([-2, -1, 0, 1, 2], [[1, 5], [2, 4], [3, 3], [4, 2], [5, 1]], reversed_passes="2")
    assert pass_rates(test)[1][0] == pytest.approx(pass_rates(test)[1][1])


def test_reversed_pass_on_an_uncentred_line():
    """The turned pass is interpolated where its trays fall between offsets, and has nothing beyond its own ends."""
    test = half_metre([-1, 0, 2], [[0, 4], [0, 2], [0, 8]], reversed_passes="2")
    turned = pass_rates(test)[1][1] / 40
    # the second pass, seen its own way, has 8 at -2, 2 at 0 and 4 at +1
    assert turned[:2] == pytest.approx([5.0, 2.0])
    assert np.isnan(turned[2])


def test_gaps_are_filled_and_ends_dropped():
    test = half_metre([-3, -2, -1, 0, 1, 2, 3], [NAN, 2, NAN, 6, 4, NAN, NAN])
    profile = profile_of(test)
    assert profile.rate_kg_ha / 40 == pytest.approx([2, 4, 6, 4])
    assert profile.filled_offset_m == (-1.0,)
    assert profile.dropped_offset_m == (-3.0, 2.0, 3.0)


def test_a_catch_thrown_out_in_one_pass_leaves_the_others():
    profile = profile_of(half_metre([-1, 0, 1], [[2, 4], [NAN, 6], [2, 4]]))
    assert profile.rate_kg_ha / 40 == pytest.approx([3, 6, 3])
    assert (profile.passes_used, profile.filled_offset_m) == (2, ())


def test_volumes_need_a_density():
    """Grams = ml x kg/L (definition of density)."""
    kwargs = {"tray_width": "0.5 m", "tray_length": "0.5 m", "unit": "ml"}
    with pytest.raises(SheetError, match='catches are in ml and the form has no "bulk density"; add a row'):
        profile_of(tray_test([-1, 0, 1], [5, 10, 5], **kwargs))
    relative = profile_of(tray_test([-1, 0, 1], [5, 10, 5], **kwargs), relative=True)
    assert relative.relative
    assert relative.rate_kg_ha == pytest.approx([50, 100, 50])
    known = profile_of(tray_test([-1, 0, 1], [5, 10, 5], form={"bulk density": "800 kg/m3"}, **kwargs), relative=True)
    assert not known.relative
    assert known.rate_kg_ha == pytest.approx([160, 320, 160])


def test_tails():
    """Taper: linear to zero over the last spacing. Cut: ends at the end tray. Areas by hand."""
    taper, cut = (profile_from([-2, 0, 1], [10, 20, 10], tails=tails) for tails in ("taper", "cut"))
    assert cut.area_kg_ha_m == pytest.approx(30 + 15)
    assert taper.area_kg_ha_m == pytest.approx(45 + 10 * 2 / 2 + 10 * 1 / 2)
    assert taper.knots[0].tolist() == [-4, -2, 0, 1, 2]


@given(
    st.lists(st.floats(0, 500), min_size=3, max_size=20).filter(lambda r: sum(r) > 1),
    st.floats(-8, 3),
    st.sampled_from(["taper", "cut"]),
)
def test_centre_and_shares_equal_quadrature(rates, first, tails):
    """Centre = integral of x p / integral of p, left share = integral over x < 0; scipy's quad piece by piece."""
    profile = profile_from(first + np.arange(len(rates)) * 0.7, rates, tails=tails)
    x, y = profile.knots
    breaks = np.unique(np.append(x, 0.0).clip(x[0], x[-1]))

    def integral(weight, low, high):
        inner = breaks[(breaks >= low) & (breaks <= high)]
        return sum(
            scipy.integrate.fixed_quad(lambda t: weight(t) * np.interp(t, x, y), a, b, n=3)[0]
            for a, b in itertools.pairwise(inner)
        )

    area = integral(np.ones_like, x[0], x[-1])
    if area < 1e-6:
        return
    assert profile.area_kg_ha_m == pytest.approx(area)
    assert profile.centre_m == pytest.approx(integral(lambda t: t, x[0], x[-1]) / area, abs=1e-6)
    left = integral(np.ones_like, x[0], 0.0) if x[0] < 0 else 0.0
    assert profile.left_share_pct == pytest.approx(100 * left / area, abs=1e-6)


def test_published_transect_is_nearly_centred():
    """AG-553-2, Table 1: the centroid of the can depths is -0.898 ft (sum of depth x offset over sum of depth)."""
    from published_cases import rows

    cans = rows("catch_can_transect_1997")
    offset, depth = ([float(can[name]) for can in cans] for name in ("offset_ft", "depth_in"))
    by_hand = sum(o * d for o, d in zip(offset, depth, strict=True)) / sum(depth)
    assert by_hand == pytest.approx(-0.8983, abs=5e-5)
    # with tapered tails the line through the cans has exactly the cans' sum as area and their centroid as centre
    profile = profile_from(offset, depth)
    assert profile.area_kg_ha_m == pytest.approx(8.46 * 20)
    assert profile.centre_m == pytest.approx(by_hand)


@pytest.mark.parametrize(
    ("catch", "text"),
    [
        ([0, 0, 0], "all catches are 0, so there is no pattern; check that the spreader was running"),
        ([NAN, 3, NAN], "only 1 of 3 trays have a usable catch; weigh at least two trays"),
        ([NAN, NAN, NAN], "only 0 of 3 trays have a usable catch"),
    ],
)
def test_no_pattern(catch, text):
    with pytest.raises(NoSpreadError, match=text):
        profile_of(half_metre([-1, 0, 1], catch))


@pytest.mark.parametrize(
    ("offset", "catch", "text"),
    [
        ([0, 0], [1, 2], "two trays stand at the same offset"),
        ([0, 1], [1, -2], "a catch is -2; catches are 0 or from 1e-06 to 1e\\+07"),
        ([0, math.inf], [1, 2], "an offset is not a finite number of metres"),
        ([0, 1], [1, 2, 3], "don't match; give one offset and one row of catches a tray"),
    ],
)
def test_arrays_that_are_no_test(offset, catch, text):
    with pytest.raises(SheetError, match=text):
        half_metre(offset, catch)


def test_equal_tests_are_equal():
    one, other = half_metre([-1, 0, 1], [2, NAN, 1]), half_metre([1, 0, -1], [1, NAN, 2])
    assert one == other
    assert one != half_metre([-1, 0, 1], [2, 0, 1])
    assert isinstance(one, TrayTest)


# what was not caught: closed forms of the tails' areas, and what the metering allows


def exponential(fall, end_m=6.0, spacing=0.5):
    """An exponential pattern both ways, whose line ends at end_m."""
    x = np.arange(-end_m, end_m + spacing / 2, spacing)
    return profile_from(x, 100 * np.exp(-fall * np.abs(x)), tails="cut")


def test_fall_of_an_exponential_is_its_own():
    ends = exponential(0.2).ends
    assert ends.fall_per_m == pytest.approx((0.2, 0.2))
    assert ends.share_pct == pytest.approx((100 * math.exp(-1.2),) * 2)
    assert (ends.catch, ends.open, ends.closed) == (True, True, False)


@pytest.mark.parametrize("fall", [0.15, 0.3])
def test_mass_beyond_in_closed_form(fall):
    """From a cut at half a spacing to the exponential itself: 2 x 100 exp(-6 f) / f beyond both ends, up to the reach.

    Tolerance: straight lines between points 0.5 m apart over an exponential, f^2 h^2 / 12, and the last point.
    """
    profile = exponential(fall)
    caught = profile.area_kg_ha_m
    found = over_tails(profile, lambda one: one.area_kg_ha_m)
    ends = profile.ends
    assert ends.reach_m <= FARTHEST_M
    beyond = 2 * 100 * math.exp(-6 * fall) / fall * (1 - math.exp(-fall * ends.reach_m))
    assert found.most - caught == pytest.approx(beyond, rel=0.03)
    assert found.least - caught == pytest.approx(2 * profile.rate_kg_ha[0] * 0.25)  # to zero over half a spacing


def test_metering_bounds_the_tails():
    """Where 10 % more was metered than caught, the tail can't hold more; a rate that fits no tail is not used."""
    profile = exponential(0.2)
    every = over_tails(profile, lambda one: one.area_kg_ha_m)
    most = profile.area_kg_ha_m * 1.1
    bounded = over_tails(profile, lambda one: one.area_kg_ha_m, metered_kg_ha_m=most)
    assert bounded.most <= most < every.most
    assert over_tails(profile, lambda one: one.area_kg_ha_m, metered_kg_ha_m=1.0) == every


def test_what_was_metered():
    """Rate times width; or what left the hopper, over the speed: 90 kg/min at 10 km/h is 5,400 kg/ha m."""

    def test(form):
        return tray_test([-1, 1], [5, 5], tray_width="0.5 m", tray_length="0.5 m", form=form)

    assert metered_kg_ha_m(test({})) is None
    assert metered_kg_ha_m(test({"metered rate": "150 kg/ha", "bout width": "24 m"})) == pytest.approx(3600)
    assert metered_kg_ha_m(test({"discharge": "90 kg/min", "travel speed": "10 km/h"})) == pytest.approx(5400)


def test_closed_ends_leave_one_figure():
    x = np.arange(-10.0, 11.0)
    profile = profile_from(x, np.clip(8 - np.abs(x), 0, None))
    assert over_tails(profile, lambda one: one.area_kg_ha_m).single
    assert profile.ends.closed


def test_a_side_without_a_tail_worth_drawing_is_drawn_once():
    """A line laid on one side only: six tails at the driving line, and one at the far end, which caught nothing."""
    one_sided, open_ends = (profile_from(range(5), rates).ends for rates in ([9, 8, 6, 2, 0], [6, 8, 9, 8, 6]))
    assert len(one_sided.pairs) == len(tailed(one_sided)) == 6
    assert {right for _, right in one_sided.pairs} == {0}
    assert len(open_ends.pairs) == len(tailed(open_ends)) == 36
