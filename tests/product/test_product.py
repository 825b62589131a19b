"""Size, density and strength of products and blends against definitions, published values and reference libraries."""

import contextlib
import json
import math
import statistics
from pathlib import Path

import fluids
import numpy as np
import pytest
import scipy.stats
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from published_cases import rounding, rows

from spreadcheck.cli import main
from spreadcheck.errors import SpreadcheckError
from spreadcheck.product.product import blender_checks, form_rows, product_of
from spreadcheck.product.readings import (
    US_SIEVES_MM,
    Readings,
    half_width,
    option_entry,
    read_product_file,
    read_readings,
    read_stack_file,
    readings_needed,
    scatter_of,
    sieve_mm,
)
from spreadcheck.product.size import (
    Component,
    blend_of,
    pair_differences,
    risk_of,
    sieve_box,
    sieve_curve,
    size_figures,
)
from spreadcheck.sheet.labels import known_label, read_value
from spreadcheck.sheet.plausible import DENSITIES, density_faults, usual_density
from spreadcheck.units import to_inside

SAMPLES = Path(__file__).parents[2] / "sample_trays"
FLOATS = 1e-9  # relative: what double precision leaves of an exact figure

masses = st.lists(st.floats(0.1, 500), min_size=3, max_size=9)


def run(*arguments):
    return CliRunner().invoke(main, ["product", *(str(argument) for argument in arguments)])


def stack(grams):
    """A sieve stack of whole millimetres from 1 mm up, the first mass in the pan."""
    return sieve_curve(range(1, len(grams)), grams[1:], pan=grams[0])


# Size


@pytest.mark.parametrize(("diameter_mm", "number"), [(2.5, 250), (1.5, 150)])
def test_size_guide_number_is_the_median_in_hundredths(diameter_mm, number):
    """Two trade articles: SGN 250 is 2.5 mm, SGN 150 is 1.5 mm; half the mass coarser, half finer."""
    curve = sieve_curve([diameter_mm - 1, diameter_mm, diameter_mm + 1], [50, 50, 0], pan=0)
    assert 100 * curve.size_at(50) == pytest.approx(number, rel=FLOATS)


@given(st.dictionaries(st.integers(50, 600), st.integers(1, 100), min_size=1, max_size=8))
def test_sieve_box_is_the_weighted_mean(shares):
    """Common practice: the share-weighted mean of the size numbers (numpy.average)."""
    box = sieve_box(list(shares), list(shares.values()), rescale=True)
    expected = np.average(list(shares), weights=list(shares.values()))
    assert box[0] == pytest.approx(expected, rel=FLOATS)


@given(masses, st.floats(1, 99))
def test_size_at_is_read_off_straight_lines(grams, share):
    """numpy.interp on the cumulative masses; beyond the end sieves nothing is known."""
    curve = stack(grams)
    passing = 100 * np.cumsum(grams[:-1]) / math.fsum(grams)
    found = curve.size_at(share)
    if passing[0] < share < passing[-1]:
        assert found == pytest.approx(np.interp(share, passing, np.arange(1, len(grams))), rel=1e-6)
    elif not passing[0] - 1e-6 <= share <= passing[-1] + 1e-6:
        assert math.isnan(found)


def test_normal_sizes_have_the_spread_index_of_theory():
    """d84 and d16 of a normal distribution lie 0.994458 s from its mean, so GSI = 99.4458 s / mean.

    With s = 0.5 and mean 3.25 mm that is 15.30 %.

    Straight lines over steps h miss the distribution by h^2 max|f'| / 8, and a size by that over the density there.
    """
    mean, sd, step = 3.25, 0.5, 0.05
    sizes = np.arange(0.5, 6.0 + step / 2, step)
    passing = scipy.stats.norm.cdf(sizes, mean, sd)
    curve = sieve_curve(sizes, 100 * np.diff([*passing, 1.0]), pan=100 * passing[0])
    steepest = math.exp(-0.5) / math.sqrt(2 * math.pi) / sd**2
    share_off = step**2 * steepest / 8
    size_off = share_off / scipy.stats.norm.pdf(0.994458 * sd, 0, sd)
    figures = size_figures([curve])
    assert figures.spread_index_pct == pytest.approx(15.30, abs=100 * size_off / mean + 0.005)
    assert figures.d50_mm == pytest.approx(mean, abs=size_off)
    main_range = 100 * np.diff(scipy.stats.norm.cdf([2.5, 4.0], mean, sd))[0]
    assert figures.main_range_pct == pytest.approx(main_range, abs=200 * share_off)
    ui = 100 * scipy.stats.norm.ppf(0.05, mean, sd) / scipy.stats.norm.ppf(0.90, mean, sd)
    tail_off = share_off / scipy.stats.norm.pdf(1.6449 * sd, 0, sd)
    assert figures.uniformity_index == pytest.approx(ui, abs=100 * 2 * tail_off / mean)


@given(masses, st.floats(0.2, 5))
def test_scaling_all_sizes(grams, scale):
    """By definition: sizes k times as large have k times the SGN, and the same UI and spread index."""
    scaled = sieve_curve([scale * size for size in range(1, len(grams) + 2)], [*grams, 0.0], pan=0.0)
    small, large = (size_figures([curve]) for curve in (stack([0.0, *grams, 0.0]), scaled))
    assert large.d50_mm == pytest.approx(scale * small.d50_mm, rel=1e-6)
    assert large.uniformity_index == pytest.approx(small.uniformity_index, rel=1e-6)
    assert large.spread_index_pct == pytest.approx(small.spread_index_pct, rel=1e-6)


def test_level_stretch_of_the_curve_gives_its_middle():
    """Own rule: nothing between 2 and 3 mm and half on either side leaves the median in the middle."""
    assert sieve_curve([4, 3, 2, 1], [0, 50, 0, 50], pan=0).size_at(50) == pytest.approx(2.5, rel=FLOATS)


def test_what_lies_beyond_the_sieves_is_not_made_up():
    figures = size_figures([sieve_curve([3, 2], [60, 30], pan=10)])
    assert all(map(math.isnan, (figures.d50_mm, figures.d84_mm, figures.uniformity_index)))
    assert figures.d16_mm == pytest.approx(2 + 6 / 30, rel=FLOATS)
    assert [check.met for check in blender_checks(figures)] == [None] * 5


@pytest.mark.parametrize("number", US_SIEVES_MM)
def test_us_sieves(number):
    """ASTM E11 openings as the fluids library has them."""
    openings = {sieve.old_designation: 1000 * sieve.opening for sieve in fluids.ASTM_E11_sieves.values()}
    assert sieve_mm(f"No. {number}") == pytest.approx(openings[f"No. {number}"], rel=FLOATS)


def test_blenders_limits():
    """European blenders' handbook: d50 3.25 +/- 0.25 mm, fines 0.25 %, coarse 1 %, main range 90 +/- 5 %, GSI < 18."""
    good = size_figures([sieve_curve([5, 4, 3.5, 3, 2.5, 1], [0, 4, 26, 40, 24, 6], pan=0)])
    assert [check.met for check in blender_checks(good)] == [True] * 5
    coarse = size_figures([sieve_curve([6, 5, 4, 2.5, 1], [0, 2, 18, 60, 20], pan=0)])
    assert [check.met for check in blender_checks(coarse)] == [False, True, True, False, False]


# Density


def test_density_units():
    """1 lb/ft3 = 16.01846 kg/m3; urea's 44 to 52 lb/ft3 are 705 to 833 kg/m3 (exact factors)."""
    assert to_inside(1, "lb/ft3", "density") == pytest.approx(16.01846, abs=0.000005)
    urea = usual_density("Granular urea")
    assert (urea.low_kg_m3, urea.high_kg_m3) == (pytest.approx(705, abs=0.5), pytest.approx(833, abs=0.5))


def density_doubts(name, bulk, granule):
    return product_of(Readings(name, bulk_kg_m3=(bulk,), granule_kg_m3=(granule,))).doubts


@given(st.floats(0.01, 50), st.floats(0.4, 1.9))
def test_bulk_density_comes_back(volume_l, kg_l):
    text = f"{volume_l!r} L: {volume_l * kg_l!r} kg"
    found = read_readings([option_entry("bulk density", text, option="--density")]).bulk_kg_m3
    assert found == (pytest.approx(1000 * kg_l, rel=FLOATS),)


@given(st.floats(400, 1500), st.floats(400, 1500), st.floats(20, 500))
def test_entry_error_is_that_of_a_volume_metering_machine(entered, true, target):
    """A machine that opens for target / entered litres puts on that volume at the true density."""
    volume = target / entered
    rate = volume * true
    error = product_of(Readings(bulk_kg_m3=(true,), entered_kg_m3=(entered,))).entry_error_pct
    assert target * (1 + error / 100) == pytest.approx(rate, rel=FLOATS)
    assert (error < 0) == (entered > true)


@pytest.mark.parametrize(
    ("bulk", "granule", "what"),
    [(1325, None, "bulk density"), (None, 760, "granule density"), (1100.1, None, "bulk density")],
)
def test_urea_densities_swapped_are_refused(bulk, granule, what):
    """Pycnometer value 1325 kg/m3 (Cousins, Roberge, Tabil 2021) is a granule's; heaps of urea weigh 705 to 833."""
    faults = density_faults("Granular urea", bulk, granule)
    assert [fault.problem.startswith(f"the {what} ") for fault in faults] == [True]


def test_usual_urea_densities_pass():
    """Spec sheet 730 to 770 kg/m3 and the pycnometer value raise no doubt."""
    for bulk in (730, 750, 770):
        assert not density_faults("urea", bulk, 1325)
        assert not density_doubts("urea", bulk, 1325)


def test_a_heap_holds_air():
    """Equal spheres fill pi / sqrt(18) = 74.05 % of the space at most."""
    assert density_faults("CAN", 1000, 990)
    assert [f.code for f in density_doubts("CAN", 1400, 1800)] == ["heap-too-dense"]
    assert not density_doubts("CAN", 0.74 * 1800, 1800)
    assert 0.74 <= math.pi / math.sqrt(18) < 0.745


@pytest.mark.parametrize("usual", DENSITIES, ids=lambda usual: usual.product)
def test_products_are_found_by_name(usual):
    for word in usual.words:
        assert usual_density(f"{word.upper()}, granular") is usual
    assert usual_density(f"{usual.words[0]} blend") is None


@pytest.mark.parametrize(
    "name",
    [
        "Calcium ammonium nitrate",
        "ammonium nitrate sulphate",
        "Ammonium sulphate nitrate 26 N",
        "urea phosphate",
        "coated urea",
        "urea + MAP",
        "DAP/MAP",
        "muriate of potash with boron",
        "magnesium sulphate",  # kieserite holds no potassium
    ],
)
def test_other_products_are_not_held_against_the_one_in_their_name(name):
    assert usual_density(name) is None
    assert not density_faults(name, 1000, 2600)


@pytest.mark.parametrize(
    ("name", "product"),
    [
        ("Urea 46 % N, coarse prills (3 mm)", "granular urea"),
        ("Granular urea (invented example)", "granular urea"),
        ("Ammonium sulfate", "ammonium sulphate"),
        ("DAP 18-46-0", "diammonium phosphate (DAP)"),
        ("Muriate of potash (MOP) 0-0-60, red, standard", "potassium chloride"),
    ],
)
def test_look_and_grade_make_no_other_product(name, product):
    assert usual_density(name).product == product


# Strength


@given(st.lists(st.floats(0.5, 100), min_size=2, max_size=30), st.floats(50, 99.9))
def test_half_width_is_the_t_interval(forces, confidence):
    """scipy.stats.t.interval and the statistics module."""
    scatter = scatter_of(forces)
    assert scatter.sd == pytest.approx(statistics.stdev(forces), rel=FLOATS)
    if scatter.sd > 0:
        low, high = scipy.stats.t.interval(
            confidence / 100, len(forces) - 1, loc=scatter.mean, scale=scipy.stats.sem(forces)
        )
        assert half_width(scatter.sd, scatter.count, confidence_pct=confidence) == pytest.approx(
            (high - low) / 2, rel=1e-6
        )


@pytest.mark.parametrize("case", rows("student_t"), ids=lambda case: case["degrees"])
def test_half_width_against_printed_t(case):
    """Readings 1 SD apart from their mean by construction: the half-width is t / sqrt(n)."""
    count = int(case["degrees"]) + 1
    numbers = np.arange(count) - (count - 1) / 2
    readings = 10 + numbers / numbers.std(ddof=1)
    got = half_width(readings.std(ddof=1), len(readings)) * math.sqrt(count)
    assert got == pytest.approx(float(case["t"]), abs=rounding(case["t"]))


def test_half_width_of_a_published_data_set():
    """NIST/SEMATECH e-Handbook, 1.3.5.2 (heat flow meter, from memory): n 195, SD 0.022789, 9.258242 to 9.264679."""
    count = 195
    numbers = np.arange(count) - (count - 1) / 2
    readings = 9.261460 + 0.022789 * numbers / numbers.std(ddof=1)
    printed = (9.264679 - 9.258242) / 2
    sd_rounding = 0.0000005 / 0.022789  # relative rounding of the printed SD
    assert half_width(readings.std(ddof=1), len(readings)) == pytest.approx(printed, abs=5e-7 + printed * sd_rounding)


@given(st.floats(0.05, 5), st.floats(0.2, 5), st.sampled_from([80.0, 90.0, 95.0, 99.0]))
def test_readings_needed_is_the_smallest_number(sd, wanted, confidence):
    """n readings reach the half-width and n - 1 do not (scipy.stats.t)."""
    count = readings_needed(sd, wanted, confidence_pct=confidence)

    def reached(n):
        return scipy.stats.t.ppf(0.5 + confidence / 200, n - 1) * sd / math.sqrt(n) <= wanted

    assert count >= 2
    assert reached(count)
    assert count == 2 or not reached(count - 1)


# Blends


def blend_named(name):
    cases = [case for case in rows("blend_strength") if case["blend"] == name]
    parts = [Component(c["component"], float(c["share_pct"]), strength_n=float(c["strength_kgf"])) for c in cases]
    return blend_of(parts), cases


@pytest.mark.parametrize(("name", "low"), [("CAN blend", 8.44), ("AN blend", 1.89)])
def test_mean_and_weakest_of_published_blends(name, low):
    """The page prints 8.51 for a mean that is 8.5152 by its own figures: it cut, so a unit of its last place is due."""
    blend, cases = blend_named(name)
    mean = blend.mean("strength_n")
    printed = cases[0]["mean_kgf"]
    assert mean == pytest.approx(float(printed), abs=2 * rounding(printed))
    assert blend.weakest.strength_n == low


def test_recomputed_blend_means():
    """The same figures multiplied out by hand: 8.5152 and 5.5601 kgf."""
    for name, value in (("CAN blend", 8.5152), ("AN blend", 5.5601)):
        mean = blend_named(name)[0].mean("strength_n")
        assert mean == pytest.approx(value, abs=0.00005)


def test_rescaled_blend_is_a_mean_over_its_own_mass():
    """numpy.average, whose weights need not add up to 100."""
    blend = blend_of([Component("a", 60, 300), Component("b", 30, 240)], rescale=True)
    expected = np.average([300, 240], weights=[60, 30])
    assert blend.mean("size_guide_number") == pytest.approx(expected, rel=FLOATS)


def test_a_name_may_hold_commas(tmp_path):
    """Of a product always, of a component where semicolons part the rest, at the command line and in a file."""
    written = "urea, prilled: 40 %; SGN 250; strength 3,1 kgf"
    sheet = tmp_path / "product.csv"
    sheet.write_text(f'spreadcheck product,1\nproduct,"Blend, for maize"\ncomponent,"{written}"\n')
    typed = [option_entry("product", "Blend, for maize", option="--name")]
    typed.append(option_entry("component", written, option="--component"))
    for entries in (typed, read_product_file(sheet)):
        found = read_readings(entries)
        (part,) = found.components
        assert (found.name, part.name, part.share_pct) == ("Blend, for maize", "urea, prilled", 40.0)
        assert (part.size_guide_number, part.strength_n) == (250.0, pytest.approx(3.1 * 9.80665))


def test_a_strong_mean_does_not_save_a_weak_component():
    """European blenders' page: 3 kgf or more is enough; the second blend has 5.56 on average, 1.89 in one part."""
    parts = [f"{c['component']}: {c['share_pct']} %, strength {c['strength_kgf']} kgf" for c in rows("blend_strength")]
    strong, weak = (
        product_of(read_readings([option_entry("component", part, option="--component") for part in half]))
        for half in (parts[:4], parts[4:])
    )
    assert "weak-granules" not in [doubt.code for doubt in strong.doubts]
    assert "weak-granules" in [doubt.code for doubt in weak.doubts]
    assert weak.blend.weakest.name == "prilled AN"


def test_bands_of_segregation_risk():
    """Below 10 % low, 10 to 20 % caution, above high: North American blenders' practice, from memory."""
    assert [risk_of(value) for value in (0, 9.99, 10, 20, 20.01)] == ["low", "low", "caution", "caution", "high"]


@given(st.floats(150, 450), st.floats(1000, 2500), st.floats(0.5, 2))
def test_equal_size_times_density_flies_alike(size, density, scale):
    """Drag on a sphere: deceleration is 3 rho Cd v^2 / (4 rho_p d), the same for the same rho_p d."""
    pair = pair_differences(
        blend_of(
            [
                Component("a", 50, size_guide_number=size, granule_kg_m3=density),
                Component("b", 50, size_guide_number=size * scale, granule_kg_m3=density / scale),
            ]
        )
    )[0]
    assert pair.flight_pct == pytest.approx(0, abs=1e-9)
    assert pair.size_pct == pytest.approx(200 * abs(scale - 1) / (scale + 1), rel=1e-6, abs=1e-9)


def test_unknown_properties_give_no_risk():
    blend = blend_of([Component("a", 50, 300), Component("b", 50)])
    assert pair_differences(blend)[0].risk is None
    assert blend.weakest is None
    assert math.isnan(blend.mean("size_guide_number"))


# The command


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("sample", ["example_product.csv", "example_blend.csv"])
def test_samples_in_80_columns(sample, units):
    result = run(SAMPLES / sample, "--units", units)
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert "invented" in result.output


@pytest.mark.parametrize("units", ["metric", "us"])
def test_form_rows_read_back(units):
    """The rows for a tray sheet are taken by the sheet's own reader, and mean the same to their rounding."""
    product = product_of(read_readings(read_product_file(SAMPLES / "example_product.csv")))
    found = {row.label: read_value(known_label(row.label), row.value, row.unit) for row in form_rows(product, units)}
    assert found["bulk density"] == pytest.approx(768.0, abs=1.0)
    assert found["crush strength"] == pytest.approx(product.deciding_strength_n, abs=0.05 * 9.80665)
    assert found["size guide number"] == round(product.size_guide_number)
    assert found["uniformity index"] == round(product.uniformity_index)


def test_json_is_si_whatever_is_shown():
    texts = [run(SAMPLES / "example_product.csv", "--units", units, "--json", "-").stdout for units in ("metric", "us")]
    assert texts[0] == texts[1]
    data = json.loads(texts[0])
    assert data["schema"] == "spreadcheck/product/1"
    assert data["bulk_density"]["mean_kg_m3"] == pytest.approx(768.0)
    assert data["rate_error_pct"] == pytest.approx(-4.0)
    assert data["crush_strength"]["mean_newton"] == pytest.approx(3.03 * 9.80665)
    blend = json.loads(run(SAMPLES / "example_blend.csv", "--json", "-").stdout)["blend"]
    assert blend["weakest"] == "limestone"
    assert blend["components"][0]["strength_newton"] == pytest.approx(statistics.fmean([2.9, 3.2, 3.0]) * 9.80665)


def test_sign_of_a_density_entry_in_words():
    high = run("--density", "1 L: 0.76 kg", "--density-entered", "0.80 kg/L").output
    low = run("--density", "1 ft3: 48 lb", "--density-entered", "40 lb/ft3", "--units", "us").output
    same = run("--density", "0.8 kg/L", "--density-entered", "800 kg/m3").output
    assert "Density entered 0.800 kg/L is too high: the field gets 5.0 % too little" in " ".join(high.split())
    assert "Density entered 40.0 lb/ft3 is too low: the field gets 20.0 % too much" in " ".join(low.split())
    assert "as measured: no rate error" in " ".join(same.split())


def test_options_and_file_say_the_same(tmp_path):
    """One grammar, whatever door it comes through: options, commas, semicolons with decimal commas, UTF-16."""
    options = ["--name", "Urea", "--density", "1 L: 0.78 kg, 1 L: 0.77 kg", "--crush", "31 N, 28 N"]
    options += ["--sieve-stack", "4 mm: 3 g, 3 mm: 20.5 g, 2 mm: 20 g, pan: 0 g"]
    rows_written = (
        "spreadcheck product;1\nproduct;Urea\nbulk density;1 L: 0,78 kg;1 L: 0,77 kg\n"
        "crush strength;31 N;28 N\nsieve stack;4 mm: 3 g;3 mm: 20,5 g;2 mm: 20 g;pan: 0 g\n"
    )
    wanted = run(*options, "--json", "-").stdout
    for encoding in ("utf-8", "utf-8-sig", "utf-16"):
        file = tmp_path / f"{encoding}.csv"
        file.write_text(rows_written, encoding=encoding)
        assert run(file, "--json", "-").stdout == wanted


def test_sieve_stack_in_a_file_of_its_own(tmp_path):
    file = tmp_path / "stack.csv"
    file.write_text("spreadcheck sieve stack,1\nsieve,retained\nmm,g\n4,10\n3,40\n2,50\npan,0\n")
    assert "SGN 300" in run("--sieve-stack", file).output
    shares = read_readings([read_stack_file(file)]).curves[0].passing_pct
    assert shares == pytest.approx((0.0, 50.0, 90.0))


def test_rescaling_is_asked_for_and_told():
    refused = run("--sieve-box", "200:20, 300:45, 400:30")
    assert refused.exit_code == 2
    assert "the sieve-box shares add up to 95 %, 5 % too little; check them, or add --rescale" in refused.output
    told = run("--sieve-box", "200:20, 300:45, 400:30", "--rescale")
    assert told.exit_code == 0
    assert "they added up to 95 % and were divided by that" in told.output
    assert f"SGN {(200 * 20 + 300 * 45 + 400 * 30) / 95:.0f}," in told.output
    rounded = run("--sieve-box", "200:33.3, 300:33.3, 400:33.3")
    assert "they added up to 99.9 %" in rounded.output


BAD = [
    (["--sieve-box", "200:60, 300:45"], "add up to 105 %, 5 % too much; check them, or add --rescale"),
    (["--sieve-box", "200:60, 200:40"], "option --sieve-box: the size number 200 is there twice; give each one once"),
    (["--sieve-box", "200"], 'option --sieve-box: "200" is not a pair; write it as "250: 40"'),
    (["--sieve-box", "-5:100"], "-5 is not a size number; give one above 0"),
    (["--sieve-stack", "4 mm: 3 g, 2 mm: 9 g"], 'there is no "pan"; write what fell through all sieves'),
    (["--sieve-stack", "4 mm: 3 g, 2 mm: 9 %, pan: 0 g"], "masses and shares stand side by side"),
    (["--sieve-stack", "4: 3 g, 2 mm: 9 g, pan: 0 g"], '"4" has no unit; write it out, such as "4 mm"'),
    (["--sieve-stack", "4 mm: 3, 2 mm: 9 g, pan: 0 g"], '"3" has no unit; write "3 g" or "3 %"'),
    (["--sieve-stack", "No. 9: 3 g, 2 mm: 9 g, pan: 0 g"], '"No. 9" is not a US sieve'),
    (["--sieve-stack", "4 mm: 0 g, 2 mm: 0 g, pan: 0 g"], "nothing lies on any sieve"),
    (["--sieve-stack", "4 mm: 50 %, 2 mm: 40 %, pan: 0 %"], "the sieve shares add up to 90 %, 10 % too little"),
    (["--sieve-stack", "none.csv"], "none.csv: the file does not exist; check its name and folder"),
    (["--density", "1 L: 780 kg"], '"1 L: 780 kg": 780 kg/L can\'t be a bulk density; was 780 kg/m3'),
    (
        ["--density", "1 q: 5 kg"],
        '"q" in "1 q" is not a unit of volume; use one of L, ml, m3, ft3, gal',
    ),
    (["--density", "0 L: 5 kg"], 'the volume "0 L" is not above 0; check the number'),
    (["--density", "0.78"], '"0.78" has no unit; write it out, such as "0.78 kg/L" or "0.78 lb/ft3"'),
    (
        ["--name", "urea", "--density", "1325 kg/m3"],
        "1.325 kg/L can't be that of a heap of granular urea",
    ),
    (["--crush", "3 kg"], '"kg" in "3 kg" is not a unit of force; use one of N, kgf, lbf'),
    (["--crush", "0 kgf"], "0 kgf can't be a crush strength; it must lie between"),
    (["--crush", ""], 'option --crush: "crush strength" has no reading; write one, or leave the row out'),
    (["--crush", "3 N, 4 N", "--confidence", "0.95"], "option --confidence: 0.95 is not a confidence in %"),
    (["--crush", "3 N, 4 N", "--half-width", "0 %"], "option --half-width: 0 % is not a half-width"),
    (["--crush", "30 N, 90 N", "--half-width", "0.001 N"], "it would take more than 1,000,000 readings"),
    (["--component", "urea: 60 %"], "a blend has two components or more; give every component"),
    (["--component", "a: 60 %", "--component", "b: 30 %"], "the component shares add up to 90 %, 10 % too little"),
    (["--component", "a: 60 %", "--component", "A: 40 %"], 'the component "a" is there twice'),
    (["--component", "a: 60 %, colour red"], '"colour red" is not a property of a component'),
    (["--sgn", "abc"], 'the size guide number is "abc"; write a plain number'),
    ([], "there are no readings; give a product file, or options such as"),
]


@pytest.mark.parametrize(("options", "message"), BAD, ids=[" ".join(options) for options, _ in BAD])
def test_bad_readings_are_told(options, message):
    result = run(*options)
    assert result.exit_code == 2
    assert message in result.output
    assert result.stdout == ""


BAD_FILES = [
    ("", "is empty; start it with the row spreadcheck product,1"),
    ("tray sheet,1\n", 'the first cell is "tray sheet", so this is not a product file; the first row must be '),
    ("spreadcheck product,2\nproduct,x\n", 'column "B": the version is "2", and this program reads version 1'),
    ("spreadcheck product,1\n", "has nothing below its title; add the rows that were left out"),
    ("spreadcheck product,1\nweight,3 kg\n", 'row 2: "weight" is not a row of a product file; use product, sieve box'),
    ("spreadcheck product,1\ncrush strength,3 kgf,soft\n", 'row 2, column "C": "soft" is not a force; write a number'),
    ('spreadcheck product,1\nproduct,"x\n', "a quoted cell is not closed"),
]


@pytest.mark.parametrize(("text", "message"), BAD_FILES)
def test_bad_product_files_are_told(text, message, tmp_path):
    file = tmp_path / "product.csv"
    file.write_text(text)
    result = run(file)
    assert result.exit_code == 2
    assert message in result.output
    assert str(file) in result.output


def test_all_faults_are_told_at_once(tmp_path):
    file = tmp_path / "product.csv"
    file.write_text("spreadcheck product,1\ncrush strength,x,y\nbulk density,1 L\n")
    lines = run(file).output.splitlines()
    assert len(lines) == 3
    assert all("row" in line for line in lines)


def test_json_file_is_not_replaced_unasked(tmp_path):
    target = tmp_path / "product.json"
    target.write_text("mine")
    refused = run("--crush", "30 N", "--json", target)
    assert refused.exit_code == 2
    assert "exists already; add --overwrite to replace it" in refused.output
    assert target.read_text() == "mine"
    assert run("--crush", "30 N", "--json", target, "--overwrite").exit_code == 0
    assert json.loads(target.read_text())["deciding_strength_newton"] == 30.0


@given(st.text(max_size=60))
def test_any_text_is_read_or_told(text):
    """Whatever is typed gives readings or a message, never another error."""
    for label in ("sieve box", "sieve stack", "bulk density", "crush strength", "component", "size guide number", text):
        with contextlib.suppress(SpreadcheckError):
            product_of(read_readings([option_entry(label, text, option="--x")]))
