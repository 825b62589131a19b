"""Which bout width pays: stripes, shares, field work and cost, against published tables, closed forms and counts."""

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published_cases import rows

from spreadcheck.errors import CostError, QuantityError, WidthError
from spreadcheck.money.economics import Cost, fieldwork_at, study_widths
from spreadcheck.money.pricefile import Field, basis_from, parse_price, read_price_file
from spreadcheck.money.response import response_curve
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS, ROUND_AND_ROUND
from spreadcheck.sheet.traysheet import read_sheet
from spreadcheck.sheet.traytest import tray_test
from spreadcheck.spread.evenness import Deposit
from spreadcheck.spread.overlap import bout_deposit, overlapped_deposit
from spreadcheck.spread.profile import at_target_rate, metering_factor, profile_from
from spreadcheck.spread.widths import scan_methods, scan_widths
from spreadcheck.units import parse_quantity

SAMPLES = Path(__file__).parents[2] / "sample_trays"
EXAMPLE = SAMPLES / "example_prices.toml"
SIDES = st.sampled_from(METHODS)


@st.composite
def profiles(draw):
    """Any profile: even or uneven, either tail rule, centred or not."""
    count = draw(st.integers(3, 12))
    gaps = draw(st.lists(st.floats(0.2, 3.0), min_size=count - 1, max_size=count - 1))
    rates = draw(st.lists(st.floats(0, 500), min_size=count, max_size=count).filter(lambda each: sum(each) > 10))
    first = draw(st.floats(-15, 3))
    return profile_from(
        np.concatenate(([first], first + np.cumsum(gaps))), rates, tails=draw(st.sampled_from(["taper", "cut"]))
    )


# Field work


@pytest.mark.parametrize("case", rows("field_capacity"), ids=lambda case: f"{case['speed']} {case['width']}")
def test_field_capacity_of_published_tables(case):
    """Iowa State A3-24 / PM 696, Table 1, to the rounding of the print; metric worked examples."""
    field = Field(parse_quantity(case["speed"], "speed"), float(case["efficiency_pct"]))
    capacity = fieldwork_at(field, parse_quantity(case["width"], "length")).capacity_ha_h
    published = parse_quantity(case["capacity"], "field capacity")
    half_a_digit = parse_quantity(f"{case['printed_to']} {case['capacity'].split()[1]}", "field capacity") / 2
    # 8.25 stands for 43,560 / 5,280 exactly, so nothing but the rounding of the print lies between
    assert capacity == pytest.approx(published, abs=half_a_digit * (1 + 1e-9))


def test_published_capacities_are_all_collected():
    assert len(rows("field_capacity")) == 8


@given(st.floats(0.5, 10), st.floats(1, 60), st.floats(10, 100))
def test_capacity_is_width_times_way(speed, width, efficiency):
    """An hour at full efficiency sweeps speed x width: the formula by its meaning, in m2."""
    swept = width * speed * 3600 * (efficiency / 100)
    assert fieldwork_at(Field(speed, efficiency), width).capacity_ha_h == pytest.approx(swept / 1e4)


@given(st.integers(1, 60), st.floats(4, 50))
def test_passes_cover_the_field_and_none_is_idle(number, width):
    """A field of a whole number of bouts takes that many passes, whatever rounding does; a metre more, one more."""
    assert fieldwork_at(Field(width_m=number * width), width).passes == number
    assert fieldwork_at(Field(width_m=number * width + 1), width).passes == number + 1


def test_hours_are_area_over_capacity():
    """84,000 m2 at 10 km/h x 24 m x 70 % = 16.8 ha/h: half an hour, worked on paper; 60 kg/min for 150 kg/ha."""
    work = fieldwork_at(Field(speed_m_s=10 / 3.6, width_m=240, length_m=350), 24, 150)
    assert (work.capacity_ha_h, work.hours) == pytest.approx((16.8, 0.5))
    assert (work.passes, work.spread_width_m) == (10, 240)
    assert work.flow_kg_s * 60 == pytest.approx(60)
    assert fieldwork_at(Field(width_m=100), 30).spread_width_m == 120


@pytest.mark.parametrize(
    ("figures", "message"),
    [
        ({"speed_m_s": 0}, "travel speed: 0 m/s can't be right; give one above 0 and up to 30 m/s, such as"),
        (
            {"efficiency_pct": 120},
            'field efficiency: 120 % can\'t be right; give one above 0 and up to 100 %, such as "70 %"',
        ),
        ({"width_m": -3}, "field width: -3 m can't be right"),
        ({"length_m": math.nan}, "field length: nan m can't be right"),
    ],
)
def test_fields_that_can_not_be(figures, message):
    with pytest.raises(CostError) as error:
        Field(**figures)
    assert message in str(error.value)


def test_all_faults_of_a_field_are_told_at_once():
    with pytest.raises(CostError) as error:
        Field(speed_m_s=-1, efficiency_pct=0, width_m=0, length_m=0)
    assert len(error.value.faults) == 4


# Metering


@given(profiles(), st.floats(2, 40), st.floats(1, 1000), SIDES)
def test_scaling_gives_the_target_and_keeps_the_cv(profile, width, target, method):
    scaled = at_target_rate(profile, width, target)
    before, after = scan_widths(profile, width, method), scan_widths(scaled, width, method)
    assert after.mean_kg_ha[0] == pytest.approx(target, rel=1e-12)
    assert after.cv_line_pct == pytest.approx(before.cv_line_pct, rel=1e-9, abs=1e-9)
    assert after.max_kg_ha[0] == pytest.approx(before.max_kg_ha[0] * metering_factor(profile, width, target))


def test_flow_fills_the_ground_it_covers():
    """1 kg/min at 6 km/h and 10 m covers 0.1 ha a minute, so 10 kg/ha: whole numbers on paper."""
    assert fieldwork_at(Field(6 / 3.6), 10, 10).flow_kg_s * 60 == pytest.approx(1)


@pytest.mark.parametrize("target", [0, -5, math.nan, math.inf])
def test_targets_that_can_not_be(target):
    with pytest.raises(QuantityError, match=r"target rate: .* kg/ha can't be spread; give a rate above 0"):
        metering_factor(profile_from([-1, 0, 1], [1, 2, 1]), 2, target)


# Shares and stripes


def test_shares_of_a_triangle_wave():
    """A triangle of half-base 12 at 24 m runs straight from 0 to twice the mean: 40 % lie under by over 20 %, 45 % by
    over 10 %, as many over, and the strip below 90 % is 45 % of the bout, at the bout edge."""
    pieces = bout_deposit(profile_from([-12, 0, 12], [0, 300, 0], tails="cut"), np.array([24.0]), BACK_AND_FORTH)
    for margin, share in ((10, 45), (20, 40)):
        under, over = pieces.shares_beyond(margin)
        assert (under[0], over[0]) == pytest.approx((share, share))
    for method in METHODS:
        width, middle = pieces.longest_stripe(method)
        assert (width[0], middle[0]) == pytest.approx((0.45 * 24, 12))


def test_a_mirrored_stripe_goes_on_across_the_bout_edge():
    """A flat pattern from -8 to 12 m at 24 m. Round-and-round the gap is 12 to 16 m: 4 m. Back-and-forth pass 1 is
    turned and reaches 12 to 32 m, pass -1 from -36 to -16 m: gaps of 8 m about every second bout edge."""
    flat = profile_from([-8, 12], [100, 100], tails="cut")
    for method, width, middle in ((ROUND_AND_ROUND, 4, -10), (BACK_AND_FORTH, 8, -12)):
        pieces = bout_deposit(flat, np.array([24.0]), method)
        got_width, got_middle = pieces.longest_stripe(method)
        assert got_width[0] == pytest.approx(width)
        period = 24 if method == ROUND_AND_ROUND else 48
        assert (got_middle[0] - middle + 1e-9) % period == pytest.approx(0, abs=1e-8)


def test_an_even_field_has_no_stripe():
    pieces = bout_deposit(profile_from([-12, 12], [100, 100], tails="cut"), np.array([24.0]), BACK_AND_FORTH)
    width, middle = pieces.longest_stripe(BACK_AND_FORTH)
    assert width[0] == 0
    assert math.isnan(middle[0])
    assert pieces.shares_beyond(10) == (pytest.approx([0]), pytest.approx([0]))


def test_level_on_the_bound_is_not_below():
    """A strip at exactly 90 % of the mean is not short of 90 %."""
    one = np.array([0.0, 1.0])
    line = Deposit(one, np.ones(2), np.array([0.9, 1.1]) * 170, np.array([0.9, 1.1]) * 170, np.array([0]))
    assert line.longest_stripe(ROUND_AND_ROUND)[0][0] == 0
    assert line.shares_beyond(10)[0][0] == 0


@given(profiles(), st.floats(1, 40), SIDES)
def test_longest_stripe_equals_a_fine_count(profile, width, method):
    """The exact strip against runs of a grid over two whole periods, to two grid steps. Where two strips nearly meet a
    grid can't tell them apart, so the grid is read a hair below and above the bound."""
    stripe, middle = bout_deposit(profile, np.array([width]), method).longest_stripe(method)
    step = width / 4000
    x = np.arange(-2 * width, 2 * width, step)
    deposit = overlapped_deposit(profile, x, width, method)
    bound = 0.9 * profile.area_kg_ha_m / width

    def longest(rate):
        turns = np.diff((deposit < rate).astype(int), prepend=0, append=0)
        lengths = np.flatnonzero(turns == -1) - np.flatnonzero(turns == 1)
        return step * lengths.max() if len(lengths) else 0.0

    slack = 1e-6 * profile.rate_kg_ha.max()
    assert longest(bound - slack) - 2 * step <= stripe[0] <= longest(bound + slack) + 2 * step
    if stripe[0] > 4 * step:
        at = middle[0] + np.linspace(-0.49, 0.49, 50) * (stripe[0] - 2 * step)
        assert (overlapped_deposit(profile, at, width, method) < bound * (1 + 1e-6)).all()


@given(profiles(), st.floats(1, 40), SIDES, st.sampled_from([10, 20]))
def test_shares_add_up_with_the_share_between(profile, width, method, margin):
    """Under, over and within make the whole; each against the midpoints of a fine division of the pieces."""
    pieces = bout_deposit(profile, np.array([width]), method)
    under, over = (share[0] for share in pieces.shares_beyond(margin))
    mean = profile.area_kg_ha_m / width
    u = (np.arange(1000) + 0.5) / 1000
    values = (pieces.left[:, None] * (1 - u) + pieces.right[:, None] * u) / mean

    def share(inside):
        return 100 * (inside.mean(axis=1) * pieces.length_m).sum() / pieces.length_m.sum()

    assert share(values < 1 - margin / 100 - 1e-8) - 0.2 <= under <= share(values < 1 - margin / 100 + 1e-8) + 0.2
    assert share(values > 1 + margin / 100 + 1e-8) - 0.2 <= over <= share(values > 1 + margin / 100 - 1e-8) + 0.2


@given(profiles(), st.floats(1, 40))
def test_stripes_of_a_symmetric_pattern_do_not_depend_on_the_method(profile, width):
    x, y = profile.offset_m - profile.offset_m[0] + 0.1, profile.rate_kg_ha
    mirrored = profile_from(np.concatenate((-x[::-1], x)), np.concatenate((y[::-1], y)), tails=profile.tails)
    # rounding may close or open a gap of no width where the deposit just touches the bound: compare beside it too
    found = {}
    for method in METHODS:
        pieces = bout_deposit(mirrored, np.array([width]), method)
        found[method] = [pieces.longest_stripe(method, share)[0][0] for share in (89.9999, 90, 90.0001)]
    low = max(min(found[method]) for method in METHODS)
    high = min(max(found[method]) for method in METHODS)
    assert low <= high * (1 + 1e-6) + 1e-6


def test_runs_below_take_steps():
    """10, then a step to 2, then a rise from 2 to 10: below 6 from the step to the middle of the rise."""
    line = Deposit(np.array([0.0, 1, 2]), np.ones(3), np.array([10.0, 2, 2]), np.array([10.0, 2, 10]), np.array([0]))
    starts, ends = line.runs_below(6)
    assert (starts, ends) == (pytest.approx([1]), pytest.approx([2.5]))


# The comparison


def worked_test():
    """A triangle of half-base 12 m with 300 kg/ha at the centre, as a tray test with 1 m trays 12 m apart."""
    return tray_test(
        [-24, -12, 0, 12, 24],
        [0, 0, 30, 0, 0],
        tray_width="1 m",
        tray_length="1 m",
        form={"target rate": "150 kg/ha", "travel speed": "10 km/h"},
    )


def test_cost_of_a_triangle_on_paper():
    """Half-base 12 m, 24 m apart, scaled to 150 kg/ha: the rate runs from 0 to 300, variance 300^2 / 12 = 7500.
    Quadratic with b2 = -0.0001: 0.75 t/ha lost, 142.50 at 190/t. 60/h at 16.8 ha/h: 3.571; 14 L/h x 1.20/L: 1.00."""
    options = {"labour": "22 EUR/h", "machine": "38 EUR/h", "fuel": "1.20 EUR/L", "fuel_use": "14 L/h"}
    basis = dataclasses.replace(
        basis_from(options=options | {"crop_price": "190 EUR/t"}),
        response=response_curve("quadratic", {"b0": 3, "b1": 0.04, "b2": -0.0001}),
    )
    study = study_widths(worked_test(), basis, width_m=[12, 24])
    for method in METHODS:
        narrow, wide = study.cases[method]
        assert wide.metering_factor == pytest.approx(1)
        assert (wide.at_target_min_kg_ha, wide.at_target_max_kg_ha) == pytest.approx((0, 300))
        assert wide.cost.yield_loss_t_ha == pytest.approx(0.75, rel=1e-12)
        parts = (wide.cost.time_per_ha, wide.cost.fuel_per_ha, wide.cost.yield_per_ha)
        assert parts == pytest.approx((60 / 16.8, 1.0, 142.5))
        assert wide.cost.total_per_ha == pytest.approx(60 / 16.8 + 1 + 142.5)
        assert narrow.cost.yield_loss_t_ha == pytest.approx(0, abs=1e-12)
        assert narrow.metering_factor == pytest.approx(0.5)
    assert study.cheapest() is study.cases[METHODS[0]][0]
    assert study.cheapest(ROUND_AND_ROUND).width_m == 12
    assert study.speed_from_sheet


def test_the_wider_of_equal_totals_is_taken():
    basis = dataclasses.replace(
        basis_from(options={"labour": "0/h", "fuel": "0/L", "fuel_use": "0 L/h", "crop_price": "0/t"}),
        response=response_curve("linear-plateau", {"b0": 1, "b1": 1, "join": 1}),
    )
    assert study_widths(worked_test(), basis, width_m=[12, 24]).cheapest().width_m == 24


def test_the_study_agrees_with_the_scan():
    test = read_sheet(SAMPLES / "lopsided.csv")
    study = study_widths(test, read_basis(), width_m=[18, 21, 24])
    scans = scan_methods(study.judged.profile, [18, 21, 24])
    for method in METHODS:
        for at, case in enumerate(study.cases[method]):
            assert case.cv_trays_pct == scans[method].cv_trays_pct[at]
            assert case.min_kg_ha == scans[method].min_kg_ha[at]
            assert case.at_target_max_kg_ha == pytest.approx(case.max_kg_ha * 150 / case.mean_kg_ha)


def read_basis():
    return basis_from(read_price_file(EXAMPLE))


def test_no_price_is_ever_made_up():
    """Without prices nothing is priced; with some, only what they are for; a total only of all three."""
    test = worked_test()
    assert {case.cost for group in study_widths(test, width_m=[24]).cases.values() for case in group} == {Cost()}
    some = study_widths(test, basis_from(options={"labour": "22 EUR/h"}), width_m=[24])
    cost = some.cases[METHODS[0]][0].cost
    assert cost.time_per_ha == pytest.approx(22 / 16.8)
    assert (cost.fuel_per_ha, cost.yield_per_ha, cost.total_per_ha) == (None, None, None)
    assert some.cheapest() is None
    assert basis_from().prices.any_given is False


def test_over_supply_only_if_the_user_gives_it():
    test = worked_test()
    without, limited = {"b0": 3, "b1": 0.02, "join": 100}, {"over_supply_above": 240, "over_supply_loss": 0.05}
    bases = [
        dataclasses.replace(basis_from(), response=response_curve("linear-plateau", without | more))
        for more in ({}, limited)
    ]
    free, lodged = (study_widths(test, basis, width_m=[24]).cases[METHODS[0]][0].cost for basis in bases)
    assert free.over_supplied_pct is None
    assert lodged.over_supplied_pct == pytest.approx(20)  # 240 to 300 of a straight run from 0 to 300
    # on that fifth the yield falls by 0 to 0.05 x 60 = 3 t/ha, 1.5 on average
    assert lodged.yield_loss_t_ha - free.yield_loss_t_ha == pytest.approx(0.2 * 1.5)


def test_widths_that_one_compares_without_being_told():
    study = study_widths(read_sheet(SAMPLES / "lopsided.csv"))
    assert 21 in study.widths_m  # the sheet's own
    assert len(study.widths_m) >= 2


def test_what_a_study_refuses():
    response = response_curve("quadratic", {"b0": 3, "b1": 0.04, "b2": -0.0001})
    bare = tray_test([-1, 0, 1], [1, 2, 1], tray_width="1 m", tray_length="1 m")
    with pytest.raises(CostError, match=r"target rate: is not known, and the yield lost depends on it; write it on"):
        study_widths(bare, dataclasses.replace(basis_from(), response=response), width_m=[2])
    spikes = tray_test([-2, -1, 0, 1, 2], [9, 0, 0, 0, 0], tray_width="1 m", tray_length="1 m")
    with pytest.raises(WidthError, match=r"none is within the CV limit; say which widths to compare, such as --at"):
        study_widths(spikes, limit_pct=0.001)
    with pytest.raises(WidthError, match="a bout width of -2 m can't be driven"):
        study_widths(bare, width_m=[-2])
    with pytest.raises(WidthError, match="0 % can't be met or missed"):
        study_widths(bare, width_m=[2], limit_pct=0)


# Prices


@pytest.mark.parametrize(
    ("text", "per", "amount", "currency"),
    [
        ("22 EUR/h", "h", 22, "EUR"),
        ("EUR 22 per h", "h", 22, "EUR"),
        ("€1,15/L", "L", 1.15, "€"),
        ("0.5/min", "h", 30, ""),
        ("$3.785411784/gal", "L", 1, "$"),  # the US gallon is 231 cubic inches: 3.785411784 L
        ("0.19 EUR/kg", "t", 190, "EUR"),
        ("0.45359237/lb", "t", 1000, ""),
        ("907.18474 USD/short ton", "t", 1000, "USD"),  # 2000 lb
        ("27.2155422 USD/bu", "t", 1000, "USD"),  # 60 lb
    ],
)
def test_prices_as_people_write_them(text, per, amount, currency):
    found = parse_price(text, per, bushel_kg=60 * 0.45359237)
    assert found == (pytest.approx(amount, rel=1e-12), currency)


@pytest.mark.parametrize(
    ("text", "per", "message"),
    [
        ("22", "h", '"22" is not a price; write an amount and what it is for: "22 EUR/h"'),
        ("dear", "h", '"dear" is not a price'),
        ("22 EUR/t", "h", '"t" in "22 EUR/t" is not what this price is for; use one of h, hr, min'),
        ("-22 EUR/h", "h", 'the price "-22 EUR/h" is negative; give 0 or more; 0 where it costs nothing'),
        ("1,200 EUR/t", "t", 'the comma in "1,200 EUR/t" may mark thousands or decimals'),
        ("1e99 EUR/t", "t", 'the price "1e99 EUR/t" is too large'),
        ("5 USD/bu", "t", '"5 USD/bu" is for a bushel, whose mass is not known; add the mass of a bushel: bushel ='),
    ],
)
def test_prices_that_can_not_be_read(text, per, message):
    with pytest.raises(CostError) as error:
        parse_price(text, per)
    assert message in str(error.value)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (
            {"labour": "22 EUR/h", "fuel": "1 USD/L", "fuel_use": "9 L/h"},
            'option --fuel: prices are in "EUR" and in "USD"',
        ),
        ({"fuel": "1 EUR/L"}, "option --fuel: fuel is given without fuel_use; add fuel_use = "),
        ({"fuel_use": "14 L/h"}, "option --fuel-use: fuel_use is given without fuel; add fuel = "),
        ({"fuel": "1/L", "fuel_use": "-4 L/h"}, 'option --fuel-use: "-4 L/h" can\'t be right'),
        ({"bushel": "60"}, 'option --bushel: "60" has no unit'),
        ({"speed": "12"}, 'option --speed: "12" has no unit'),
        ({"field_width": "0 m"}, "field width: 0 m can't be right"),
    ],
)
def test_options_that_can_not_be_used(options, message):
    with pytest.raises(CostError) as error:
        basis_from(options=options)
    assert message in str(error.value)


def test_an_option_goes_before_the_file():
    basis = basis_from(read_price_file(EXAMPLE), {"labour": "30 EUR/h", "speed": "14 km/h"})
    assert basis.prices.labour_per_h == 30
    assert basis.prices.machine_per_h == 38
    assert basis.field.speed_m_s == pytest.approx(14 / 3.6)


def test_the_example_is_marked_as_invented():
    assert EXAMPLE.read_text(encoding="utf-8").startswith("# An INVENTED example")
    assert "example_prices.toml" in (SAMPLES / "README.md").read_text(encoding="utf-8")
