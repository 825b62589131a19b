"""What was not caught: closed forms of the tails' areas, and what the metering allows."""

import math

import numpy as np
import pytest

from spreadcheck.sheet.traytest import tray_test
from spreadcheck.spread.profile import profile_from
from spreadcheck.spread.tails import FARTHEST_M, ends_of, metered_kg_ha_m, over_tails, tailed


def exponential(fall, end_m=6.0, spacing=0.5):
    """An exponential pattern both ways, whose line ends at end_m."""
    x = np.arange(-end_m, end_m + spacing / 2, spacing)
    return profile_from(x, 100 * np.exp(-fall * np.abs(x)), tails="cut")


def test_fall_of_an_exponential_is_its_own():
    ends = ends_of(exponential(0.2))
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
    ends = ends_of(profile)
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
    assert ends_of(profile).closed


def test_a_side_without_a_tail_worth_drawing_is_drawn_once():
    """A line laid on one side only: six tails at the driving line, and one at the far end, which caught nothing."""
    one_sided, open_ends = (ends_of(profile_from(range(5), rates)) for rates in ([9, 8, 6, 2, 0], [6, 8, 9, 8, 6]))
    assert len(one_sided.pairs) == len(tailed(one_sided)) == 6
    assert {right for _, right in one_sided.pairs} == {0}
    assert len(open_ends.pairs) == len(tailed(open_ends)) == 36
