"""Yield response: closed forms against Jensen and Pesek (1962), scipy quadrature, and each other; bad price files."""

import itertools
import math

import numpy as np
import pytest
import scipy.integrate
from hypothesis import assume, given
from hypothesis import strategies as st

from spreadcheck.errors import CostError, QuantityError
from spreadcheck.money.pricefile import basis_from, read_price_file, response_from
from spreadcheck.money.response import CURVES, mean_yield, response_curve, yield_loss
from spreadcheck.sheet.labels import METHODS
from spreadcheck.spread.evenness import Deposit
from spreadcheck.spread.overlap import bout_deposit
from spreadcheck.spread.profile import profile_from

COEFFICIENTS = {
    "quadratic": {"b0": 3.0, "b1": 0.04, "b2": -0.0001},
    "quadratic-plateau": {"b0": 3.0, "b1": 0.04, "b2": -0.0001},
    "linear-plateau": {"b0": 3.0, "b1": 0.03, "join": 140.0},
    "mitscherlich": {"maximum": 9.0, "c": 0.012, "soil_supply": 45.0},
}
LODGING = {"over_supply_above": 190.0, "over_supply_loss": 0.02}


def pieces_of(ends):
    """A deposit of joined pieces with these (length, left, right)."""
    lengths, left, right = (np.array(each, dtype=float) for each in zip(*ends, strict=True))
    return Deposit(np.cumsum(lengths) - lengths, lengths, left, right, np.array([0]))


deposits = st.lists(st.tuples(st.floats(0.1, 5), st.floats(0, 400), st.floats(0, 400)), min_size=1, max_size=12).map(
    pieces_of
)
responses = st.builds(
    lambda curve, more, content, already: response_curve(
        curve, COEFFICIENTS[curve] | more, content=content, already_kg_ha=already
    ),
    st.sampled_from(list(CURVES)),
    st.sampled_from([{}, LODGING]),
    st.sampled_from([1.0, 0.46]),
    st.sampled_from([0.0, 60.0]),
)


def by_quadrature(response, deposit):
    """Mean yield by scipy's adaptive quad, piece by piece, split at the joins that the piece crosses."""
    joins = [b.high for b in response.branches[:-1]]
    total = 0.0
    for length, left, right in zip(deposit.length_m, deposit.left, deposit.right, strict=True):

        def at(u, left=left, right=right):
            return float(response.yield_at(left + u * (right - left)))

        a, b = response.supply([left, right])
        cuts = sorted({0.0, 1.0, *((join - a) / (b - a) for join in joins if min(a, b) < join < max(a, b))})
        total += length * sum(
            scipy.integrate.quad(at, low, high, epsabs=1e-12, epsrel=1e-12)[0] for low, high in itertools.pairwise(cuts)
        )
    return total / deposit.length_m.sum()


@given(responses, deposits)
def test_mean_yield_equals_quadrature(response, deposit):
    """All curves, with and without over-supply. quad is asked for 1e-12; the rest is rounding of some dozen terms, and
    u at a join is known to 1e-16 over the slope there."""
    assert mean_yield(response, deposit)[0] == pytest.approx(by_quadrature(response, deposit), rel=1e-10, abs=1e-10)


@given(deposits)
def test_quadratic_loss_is_curvature_times_variance(deposit):
    """Jensen and Pesek (1962): loss = -b2 Var(rate), for any distribution of the rate."""
    response = response_curve("quadratic", COEFFICIENTS["quadratic"])
    assume(deposit.left.any() or deposit.right.any())
    variance = (deposit.cv_pct[0] / 100 * deposit.mean_kg_ha[0]) ** 2
    assert yield_loss(response, deposit)[0] == pytest.approx(0.0001 * variance, rel=1e-9, abs=1e-11)


def test_cosine_of_jensen_and_pesek():
    """Their case: the rate varies as a cosine of amplitude a about the mean m; loss = -b2 a^2 / 2. With b2 = -0.0001,
    m = 150 and a = 60 that is 0.18 t/ha at a CV of 28.2843 %. A cosine of 2n straight pieces between its points has the
    mean square (2 + cos(pi / n)) / 6 in place of 1 / 2, so the tolerance is that gap and no more."""
    n = 2000
    wave = 150 + 60 * np.cos(np.pi * np.arange(2 * n + 1) / n)
    deposit = pieces_of(zip(np.ones(2 * n), wave[:-1], wave[1:], strict=True))
    response = response_curve("quadratic", {"b0": 4, "b1": 0.05, "b2": -0.0001})
    chords = (2 + math.cos(math.pi / n)) / 6
    loss = yield_loss(response, deposit)[0]
    assert loss == pytest.approx(0.0001 * 60**2 * chords, rel=1e-11)
    assert loss == pytest.approx(0.18, rel=1.01 * (1 - chords / 0.5))
    assert deposit.cv_pct[0] == pytest.approx(28.2843, abs=5e-5)


@given(st.floats(1, 40), st.floats(50, 150))
def test_doubling_the_cv_quadruples_the_loss(amplitude, mean):
    response = response_curve("quadratic", COEFFICIENTS["quadratic"])
    one, two = (pieces_of([(1, mean - a, mean + a)]) for a in (amplitude, 2 * amplitude))
    assert two.cv_pct[0] == pytest.approx(2 * one.cv_pct[0])
    # the yield is some 7 t/ha and the loss as small as 3e-5: the difference keeps 1e-15 x 7 / 3e-5 of itself
    assert yield_loss(response, two)[0] == pytest.approx(4 * yield_loss(response, one)[0], rel=1e-8)


@given(st.sampled_from(list(CURVES)), deposits)
def test_unevenness_never_pays(curve, deposit):
    """All four curves are concave, so by Jensen's inequality no uneven deposit yields more than its mean rate."""
    assert yield_loss(response_curve(curve, COEFFICIENTS[curve]), deposit)[0] >= -1e-12


@given(st.sampled_from(list(CURVES)), st.floats(0, 400))
def test_an_even_deposit_loses_nothing(curve, rate):
    deposit = pieces_of([(3, rate, rate), (1, rate, rate)])
    assert yield_loss(response_curve(curve, COEFFICIENTS[curve]), deposit)[0] == pytest.approx(0, abs=1e-12)


def test_linear_plateau_on_paper():
    """Rates 0 to 280 in a straight run, join 140: half the field on the slope with a mean of 3 + 0.03 x 70, half on the
    plateau of 7.2. Mean 6.15, at the mean rate 7.2: 1.05 t/ha lost."""
    response = response_curve("linear-plateau", COEFFICIENTS["linear-plateau"])
    deposit = pieces_of([(1, 0, 280)])
    assert mean_yield(response, deposit)[0] == pytest.approx(6.15)
    assert yield_loss(response, deposit)[0] == pytest.approx(1.05)


def test_mitscherlich_on_paper():
    """Mean of A (1 - exp(-c (x + b))) for x from 0 to X: A - A exp(-c b) (1 - exp(-c X)) / (c X)."""
    response = response_curve("mitscherlich", COEFFICIENTS["mitscherlich"])
    c, b, top, most = 0.012, 45.0, 9.0, 300.0
    expected = top - top * math.exp(-c * b) * (1 - math.exp(-c * most)) / (c * most)
    assert mean_yield(response, pieces_of([(1, 0, most)]))[0] == pytest.approx(expected, rel=1e-14)
    assert response.yield_at(0) == pytest.approx(9 * (1 - math.exp(-0.54)))


def test_mitscherlich_takes_pieces_that_hardly_rise():
    """The closed form divides by the rise of a piece; nearly level pieces must not lose digits in it."""
    response = response_curve("mitscherlich", COEFFICIENTS["mitscherlich"])
    for rise in (0, 1e-13, 1e-9, 1e-6, 1e-3):
        middle = float(response.yield_at(100 + rise / 2))
        assert mean_yield(response, pieces_of([(1, 100, 100 + rise)]))[0] == pytest.approx(middle, rel=1e-10)


def test_the_plateau_begins_at_the_top():
    """-b1 / (2 b2) = 200, where the quadratic is 3 + 4 = 7 t/ha; level beyond, and one curve below."""
    plateau, open_end = (response_curve(name, COEFFICIENTS[name]) for name in ("quadratic-plateau", "quadratic"))
    assert plateau.yield_at([200, 300, 1000]) == pytest.approx([7, 7, 7])
    assert open_end.yield_at(300) == pytest.approx(6)
    below = np.linspace(0, 200, 41)
    assert plateau.yield_at(below) == pytest.approx(open_end.yield_at(below))


def test_content_and_what_was_given_before():
    """46 % of 100 kg/ha on top of 60: the yield at 106."""
    one = response_curve("quadratic", COEFFICIENTS["quadratic"], content=0.46, already_kg_ha=60)
    other = response_curve("quadratic", COEFFICIENTS["quadratic"])
    assert one.yield_at(100) == pytest.approx(other.yield_at(106))


def test_over_supply_is_continuous_and_only_the_users():
    response = response_curve("quadratic-plateau", COEFFICIENTS["quadratic-plateau"] | {
        "over_supply_above": 230, "over_supply_loss": 0.02})  # fmt: skip
    assert response.yield_at([230 - 1e-9, 230 + 1e-9]) == pytest.approx([7, 7])
    assert response.yield_at(280) == pytest.approx(7 - 0.02 * 50)
    assert response.over_supplied_pct(pieces_of([(1, 230, 230)]))[0] == 0  # on the limit is not over it
    assert response_curve("quadratic", COEFFICIENTS["quadratic"]).over_supplied_pct(pieces_of([(1, 0, 9)])) is None


@pytest.mark.parametrize("method", METHODS)
def test_many_bouts_at_once_are_each_alone(method):
    profile = profile_from(np.arange(-9, 10), np.maximum(0, 8 - np.abs(np.arange(-9, 10) - 1)) * 40)
    response = response_curve("mitscherlich", COEFFICIENTS["mitscherlich"])
    widths = np.array([6.0, 8.5, 11.0])
    together = mean_yield(response, bout_deposit(profile, widths, method))
    alone = [mean_yield(response, bout_deposit(profile, widths[at : at + 1], method))[0] for at in range(3)]
    assert together == pytest.approx(alone, rel=1e-12)


BAD_CURVES = [
    ("quadratik", {}, '"quadratik" is not a response curve; did you mean "quadratic"?'),
    ("straight", {}, "is not a response curve; use one of quadratic, quadratic-plateau, linear-plateau, mitscherlich"),
    ("quadratic", {"b0": 1, "b1": 1}, '"b2" is missing for quadratic; add a line such as b2 = ...'),
    (
        "quadratic",
        COEFFICIENTS["quadratic"] | {"b3": 1},
        '"b3" is not a coefficient of quadratic; its coefficients are b0',
    ),
    ("quadratic", COEFFICIENTS["quadratic"] | {"b2": 0.1}, "b2: 0.1 can't be right for quadratic; it must be below 0"),
    (
        "quadratic-plateau",
        COEFFICIENTS["quadratic"] | {"b1": -1},
        "b1: -1 can't be right for quadratic-plateau; it must",
    ),
    ("linear-plateau", COEFFICIENTS["linear-plateau"] | {"join": -1}, "join: -1 can't be right"),
    (
        "mitscherlich",
        COEFFICIENTS["mitscherlich"] | {"c": math.nan},
        "c: nan can't be right for mitscherlich; it must be a",
    ),
    ("mitscherlich", COEFFICIENTS["mitscherlich"] | {"soil_supply": -1}, "soil_supply: -1 can't be right"),
    (
        "quadratic",
        COEFFICIENTS["quadratic"] | {"over_supply_above": 9},
        '"over_supply_loss" is missing beside over_supply',
    ),
]


@pytest.mark.parametrize(("curve", "coefficients", "message"), BAD_CURVES, ids=[case[2][:40] for case in BAD_CURVES])
def test_curves_that_can_not_be(curve, coefficients, message):
    with pytest.raises(CostError) as error:
        response_curve(curve, coefficients)
    assert message in str(error.value)


def test_supplies_that_can_not_be():
    with pytest.raises(CostError, match="a nutrient content of 146 %; give one above 0 and up to 100 %"):
        response_curve("quadratic", COEFFICIENTS["quadratic"], content=1.46)
    with pytest.raises(CostError, match="-5 kg/ha already given; give 0 or more"):
        response_curve("quadratic", COEFFICIENTS["quadratic"], already_kg_ha=-5)


# The response table of a price file


def test_units_of_the_table_do_not_change_the_answer():
    """One curve written in t/ha on kg/ha, in kg/ha, and in bushels of 60 lb on lb/ac; 1 lb/ac = 1.12085116 kg/ha."""
    lb_ac = 0.45359237 / 4046.8564224 * 1e4
    metric = {"curve": "quadratic", "rate_unit": "kg/ha", "yield_unit": "t/ha", **COEFFICIENTS["quadratic"]}
    kilos = {**metric, "yield_unit": "kg/ha", "b0": 3000, "b1": 40, "b2": -0.1}
    bu = 60 * lb_ac / 1000  # t/ha in a bushel an acre
    bushels = {**metric, "rate_unit": "lb/ac", "yield_unit": "bu/ac", "b0": 3 / bu, "b1": 0.04 * lb_ac / bu,
               "b2": -0.0001 * lb_ac**2 / bu}  # fmt: skip
    rates = [0, 80, 210]
    expected = response_curve("quadratic", COEFFICIENTS["quadratic"]).yield_at(rates)
    for table in (metric, kilos, bushels):
        assert response_from(table, bushel_kg=60 * 0.45359237).yield_at(rates) == pytest.approx(expected, rel=1e-12)


GOOD = '[response]\ncurve = "quadratic"\nrate_unit = "kg/ha"\nyield_unit = "t/ha"\nb0 = 3\nb1 = 0.04\nb2 = -0.0001\n'
BAD_FILES = {
    "nonsense": ("prices are high", "is not a TOML file"),
    "binary": (b"\xff\xfe\x00", "is not text; save it as text, in UTF-8"),
    "unknown table": ("[cost]\n", '"cost" is not a table of a price file; did you mean "costs"?'),
    "loose key": ('labour = "22 EUR/h"\n', '"labour" is not a table of a price file; use field, costs, crop, response'),
    "unknown key": (
        '[costs]\nlabor = "22 EUR/h"\n',
        ': table [costs]: "labor" is not a key of a price file; did you mean "labour"?',
    ),
    "bare number": (
        "[costs]\nlabour = 22\n",
        ': table [costs], key "labour": 22 has no unit; write it in quotes with its unit, such as labour = "22 EUR/h"',
    ),
    "negative price": (
        '[crop]\nprice = "-190 EUR/t"\n',
        ': table [crop], key "price": the price "-190 EUR/t" is negative; give 0 or more',
    ),
    "fuel alone": ('[costs]\nfuel = "1.15 EUR/L"\n', ': table [costs], key "fuel": fuel is given without fuel_use'),
    "no curve": (
        GOOD.replace('curve = "quadratic"\n', ""),
        ': table [response]: "curve" is missing; add a line such as curve = "quadratic"',
    ),
    "unknown curve": (GOOD.replace('"quadratic"', '"cubic"'), ': table [response]: "cubic" is not a response curve'),
    "unknown coefficient": (GOOD + "b4 = 1\n", ': table [response]: "b4" is not a coefficient of quadratic'),
    "missing coefficient": (GOOD.replace("b1 = 0.04\n", ""), ': table [response]: "b1" is missing for quadratic'),
    "text for a number": (
        GOOD.replace("b0 = 3", 'b0 = "3"'),
        ': table [response], key "b0": "3" is not a number; write a bare number',
    ),
    "true for a number": (GOOD.replace("b0 = 3", "b0 = true"), ': table [response], key "b0": "True" is not a number'),
    "number for text": (
        GOOD + "nutrient_content = 46\n",
        ', key "nutrient_content": 46 is not text; write it in quotes, such as nutrient_content = "46 %"',
    ),
    "not finite": (
        GOOD.replace("b0 = 3", "b0 = inf"),
        ": table [response], b0: inf can't be right for quadratic; it must be a finite number",
    ),
    "unit": (
        GOOD.replace('"kg/ha"', '"kg"'),
        ': table [response], key "rate_unit": "kg" is not a unit of rate; use one of kg/ha',
    ),
    "bushels": (
        GOOD.replace('"t/ha"', '"bu/ac"'),
        ': table [response], key "yield_unit": the mass of a bushel is not known; add the mass of a bushel: bushel =',
    ),
    "wrong sign": (
        GOOD.replace("-0.0001", "0.0001"),
        ": table [response], b2: 0.0001 can't be right for quadratic; it must be below 0",
    ),
    "too large": (
        GOOD.replace("b0 = 3", "b0 = 1" + "0" * 400),
        ', key "b0": the number is too large; check its digits',
    ),
    "endless": (GOOD.replace("b0 = 3", "b0 = 1" + "0" * 5000), "is not a TOML file"),
    "table as text": ('response = "quadratic"\n', '"response" is not a table of a price file'),
    "deep": ("a = " + "[" * 5000, "is not a TOML file"),
    "huge": ("# " + "x" * 70_000, "is larger than 64 KiB; give a small file that a person typed"),
}


@pytest.mark.parametrize(("content", "message"), BAD_FILES.values(), ids=BAD_FILES)
def test_price_files_that_can_not_be_used(tmp_path, content, message):
    """Every message names the file, and the table and key where there is one."""
    path = tmp_path / "prices.toml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises((CostError, QuantityError)) as error:
        basis_from(read_price_file(path))
    assert str(error.value).startswith(str(path))
    assert message in str(error.value)


def test_all_faults_of_a_file_at_once(tmp_path):
    path = tmp_path / "prices.toml"
    path.write_text(
        '[costs]\nlabour = "-1/h"\nfuel = "1/L"\n[field]\nspeed = "9"\nwidth = "0 m"\n[response]\n', encoding="utf-8"
    )
    with pytest.raises(CostError) as error:
        basis_from(read_price_file(path))
    text = str(error.value)
    for part in (
        "negative",
        "without fuel_use",
        'key "speed": "9" has no unit',
        "field width: 0 m",
        '"curve" is missing',
    ):
        assert part in text


def test_a_missing_file():
    with pytest.raises(QuantityError, match=r"nowhere.toml: the file does not exist; check its name and folder"):
        read_price_file("nowhere.toml")
