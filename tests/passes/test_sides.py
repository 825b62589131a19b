"""Left against right: what a noted wind explains, and what passes driven both ways tell of machine and ground."""

import numpy as np
import pytest

from spreadcheck.passes.passes import passes_of
from spreadcheck.passes.sides import left_against_right, wind_reach
from spreadcheck.sheet.traytest import tray_test

X = np.arange(-16, 17) * 1.0


def laid(shifts, *, blank=(), **form):
    """Passes whose pattern lies that far right on the trays, 3 % of noise."""
    rng = np.random.default_rng(5)
    pattern = np.array([np.interp(np.abs(X - shift), [0, 10, 15], [20, 20, 0]) for shift in shifts]).T
    catch = np.round(pattern * rng.normal(1, 0.03, pattern.shape), 1)
    for tray, number in blank:
        catch[tray, number] = np.nan
    rows = {label.replace("_", " "): value for label, value in form.items()}
    return tray_test(X, catch, tray_width="0.5 m", tray_length="0.5 m", form=rows)


@pytest.mark.parametrize(
    ("speed", "direction", "shift", "said"),
    [
        (3, "changing", 1.0, "may explain"),
        (3, "changing", -1.0, "may explain"),
        (0.5, "changing", 1.0, "part"),
        (3, "left", 1.0, "explains"),
        (3, "behind right", 1.0, "other side"),
        (3, "ahead", 1.0, "not across"),
    ],
)
def test_what_the_wind_explains(speed, direction, shift, said):
    """A granule drifts at most 0.9 m for each m/s (`LIMITS`): 2.7 m at 3 m/s, 0.45 m at 0.5 m/s."""
    test = laid([0, 0], wind_speed=f"{speed} m/s", wind_from=direction)
    assert wind_reach(test, shift) == said


@pytest.mark.parametrize("blank", [(), ((5, 0),), ((5, 0), (20, 3)), ((0, 1),)])
def test_blank_cells_keep_the_test_of_the_ground(blank):
    """Machine that throws 1.2 m to its right, then a line that lies 1.2 m off: only the second stays on its side."""
    turned = {"reversed_passes": "2; 4"}
    machine = left_against_right(passes_of(laid([1.2, -1.2, 1.2, -1.2], blank=blank, **turned)), 24.0).ground
    ground = left_against_right(passes_of(laid([1.2] * 4, blank=blank, **turned)), 24.0).ground
    # 3 % of noise on some 25 trays of 20 at up to 15 m moves a centre by 0.05 m: 0.15 m is three of these
    assert machine.value == pytest.approx(0.0, abs=0.15)
    assert ground.value == pytest.approx(1.2, abs=0.15)
