"""The noise of a single tray: against the Poisson law, worked values and simulations with numpy's generator."""

import math

import numpy as np
import pytest

from spreadcheck.errors import QuantityError
from spreadcheck.passes import granules as noise
from spreadcheck.passes.granules import Granules, granules, tray_noise
from spreadcheck.sheet.traytest import tray_test

# Worked values of the Poisson law for spheres (n = rate x area / mass, CV = 100 / sqrt(n)), computed independently and
# printed to the digits given here; granule density of urea from Cousins, Roberge and Tabil (2021), gas pycnometer.
# diameter mm, density kg/m3, rate kg/ha, mass mg, granules in a 0.25 m2 tray, CV %
WORKED = [
    (2.53, 1325, 100, 11.235, 222.5, 6.70),
    (3.25, 1600, 100, 28.759, 86.9, 10.73),
    (3.25, 1325, 150, 23.816, 157.5, 7.97),
    (3.25, 1325, 20, 23.816, 21.0, 21.82),
]


@pytest.mark.parametrize(("diameter", "density", "rate", "mass_mg", "count", "cv"), WORKED)
def test_worked_values(diameter, density, rate, mass_mg, count, cv):
    """Tolerances are half of the last digit printed."""
    grain = granules(size_guide_number=100 * diameter, density_kg_m3=density)
    assert grain.mean_mass_g * 1000 == pytest.approx(mass_mg, abs=0.0005)
    in_tray = tray_noise(rate, tray_area_m2=0.25, granules=grain)
    assert in_tray.count == pytest.approx(count, abs=0.05)
    assert in_tray.counting_pct == pytest.approx(cv, abs=0.005)


def test_five_equivalent_passes():
    """Five equivalent passes of EN 13739 bring 10.73 % down to 4.80 %, weighed one by one or together."""
    grain = granules(size_guide_number=325, density_kg_m3=1600)
    for repeats in ({"passes": 5}, {"runs_per_catch": 5}):
        found = tray_noise(100, tray_area_m2=0.25, granules=grain, **repeats)
        assert found.counting_pct == pytest.approx(4.80, abs=0.005)


def spread_of(catches: np.ndarray) -> tuple[float, float]:
    """CV of simulated catches in %, and its own standard error by splitting them into 40 lots."""
    lots = catches.reshape(40, -1)
    each = 100 * lots.std(axis=1, ddof=1) / lots.mean(axis=1)
    return float(each.mean()), float(each.std(ddof=1) / math.sqrt(len(each)))


@pytest.mark.parametrize("rate", [20.0, 100.0, 150.0])
def test_equal_granules_against_simulation(rate):
    """A perfectly even deposit, caught by Poisson counts."""
    rng = np.random.default_rng(20260414)
    grain = granules(size_guide_number=325, density_kg_m3=1325)
    even = tray_noise(rate, tray_area_m2=0.25, granules=grain)
    caught = rng.poisson(float(even.count), 80_000) * grain.mean_mass_g
    found, error = spread_of(caught)
    assert even.counting_pct == pytest.approx(found, abs=4 * error)


def test_unequal_granules_against_simulation():
    """Lognormal sizes drawn by number; the size guide number is where half of the drawn mass is coarser."""
    rng = np.random.default_rng(7)
    g, density, rate, trays = 0.25, 1500.0, 60.0, 40_000
    number_median_mm = 3.0 / math.exp(3 * g**2)  # mass median 3.0 mm (Hatch and Choate, 1929)
    grain = granules(size_guide_number=300, density_kg_m3=density, log_sd=g)
    n = float(tray_noise(rate, tray_area_m2=0.25, granules=grain).count)
    counts = rng.poisson(n, trays)
    diameters = number_median_mm * np.exp(g * rng.standard_normal(counts.sum()))
    masses = density * math.pi / 6 * diameters**3 * 1e-6
    caught = np.add.reduceat(masses, np.concatenate(([0], np.cumsum(counts)[:-1])))
    # the size guide number really halves the mass; the error of a weighted share is that of its effective number
    coarse = masses[diameters > 3.0].sum() / masses.sum()
    effective = masses.sum() ** 2 / (masses**2).sum()
    assert coarse == pytest.approx(0.5, abs=4 * 0.5 / math.sqrt(effective))
    standard_error = caught.std(ddof=1) / math.sqrt(trays)
    assert rate * 0.25 / 10 == pytest.approx(caught.mean(), abs=4 * standard_error)
    found, error = spread_of(caught)
    counted = float(tray_noise(rate, tray_area_m2=0.25, granules=grain).counting_pct)
    assert counted == pytest.approx(found, abs=4 * error)
    assert counted / grain.mass_spread < found - 4 * error  # leaving the spread of masses out would not pass
    read, error = spread_of(np.round(caught / 0.2) * 0.2)
    noise_of = tray_noise(rate, tray_area_m2=0.25, granules=grain, resolution_g=0.2)
    assert noise_of.total_pct == pytest.approx(read, abs=4 * error)
    assert noise_of.counting_pct < read - 4 * error  # leaving the reading error out would not pass


def test_spread_of_masses_needs_both_parts():
    """For a size guide number, sizes of log spread g raise the noise by exp(2.25 g^2): fewer coarse, more fine."""
    one, mixed = (granules(size_guide_number=300, density_kg_m3=1500, log_sd=g) for g in (0.0, 0.3))
    ratio = [float(tray_noise(80, tray_area_m2=0.25, granules=grain).counting_pct) for grain in (one, mixed)]
    assert ratio[1] / ratio[0] == pytest.approx(math.exp(2.25 * 0.3**2), rel=1e-12)


def test_reading_error_by_hand():
    """0.1 g steps, 2.5 g in the tray at 100 kg/ha: 0.1 / sqrt(12) / 2.5 = 1.1547 %."""
    single = tray_noise(100, tray_area_m2=0.25, resolution_g=0.1)
    assert single.reading_pct == pytest.approx(4 / math.sqrt(12), rel=1e-12)
    assert single.counting_pct == 0
    assert np.isnan(single.count)
    # four runs weighed together are rounded once; four passes are rounded four times, and averaged
    assert tray_noise(100, tray_area_m2=0.25, resolution_g=0.1, runs_per_catch=4).reading_pct == pytest.approx(
        single.reading_pct / 4
    )
    assert tray_noise(100, tray_area_m2=0.25, resolution_g=0.1, passes=4).reading_pct == pytest.approx(
        single.reading_pct / 2
    )


def test_empty_tray_has_no_finite_noise():
    found = tray_noise([0.0, 100.0], tray_area_m2=0.25, granules=Granules(0.02), resolution_g=0.1)
    assert np.isinf(found.total_pct[0])
    assert np.isfinite(found.total_pct[1])


def test_granules_of_a_form():
    def of(**form):
        rows = {label.replace("_", " "): value for label, value in form.items()}
        return noise.granules_of(tray_test([-1, 1], [5, 5], tray_width="0.5 m", tray_length="0.5 m", form=rows))

    assert of(size_guide_number="325") is None  # the granule density is never guessed
    assert of(granule_density="1600 kg/m3") is None
    even = of(size_guide_number="325", granule_density="1.6 g/cm3")
    assert even.mean_mass_g * 1000 == pytest.approx(28.759, abs=0.0005)
    mixed = of(size_guide_number="325", granule_density="1.6 g/cm3", uniformity_index="50")
    assert mixed.mass_spread > 1 > mixed.mean_mass_g / even.mean_mass_g


@pytest.mark.parametrize("index", [0, -1, 101])
def test_impossible_uniformity(index):
    with pytest.raises(QuantityError, match=rf"uniformity index: {index} can't be; give a number above 0, up to 100"):
        noise.log_sd_of_uniformity(index)


def test_impossible_granule():
    with pytest.raises(QuantityError, match="granule: a granule of 0 mm and 1325 kg/m3 can't be"):
        granules(size_guide_number=0, density_kg_m3=1325)
