"""What a product can be: handbook values pass whole, and the slips that people make are named.

Sources of the ranges: bulk densities from an industry sheet and a second list on the web, lb/ft3 (undated, "ballpark");
granule densities by gas pycnometer (Cousins, Roberge, Tabil 2021) and from a table on the web; crush strengths from the
European blenders' public page and a trader's sheet; SGN from two trade articles. Factors are exact by definition.
"""

import io

import pytest
from click.testing import CliRunner

from spreadcheck import assess, read_sheet
from spreadcheck.cli import main
from spreadcheck.errors import QuantityError, SheetError
from spreadcheck.sheet.plausible import BOUNDS, CLOSEST_PACKING, DENSITIES, check, check_alike, density_faults
from spreadcheck.units import parse_quantity

# product, bulk lb/ft3 of the two lists together
HANDBOOK = [
    ("urea", 44, 52), ("ammonium nitrate", 45, 62), ("DAP", 55, 60), ("MAP", 60, 65), ("TSP", 65, 75),
    ("potassium chloride", 58, 70), ("potassium magnesium sulphate", 90, 98), ("ammonium sulphate", 47, 66),
]  # fmt: skip
# product, granule density kg/m3
GRANULES = [("urea", 1325), ("urea", 1220), ("urea", 1320), ("ammonium nitrate", 1650), ("ammonium nitrate", 1290)]
STRENGTHS_KGF = (8.44, 8.67, 8.50, 9.20, 1.89, 3.0, 5.0)


@pytest.mark.parametrize(("product", "low", "high"), HANDBOOK)
def test_handbook_densities_pass(product, low, high):
    for value in (low, high):
        inside = check("bulk density", value, "lb/ft3")
        assert density_faults(product, inside, None) == ()


@pytest.mark.parametrize(("product", "density"), GRANULES)
def test_published_granules_pass_and_are_no_bulk_density(product, density):
    assert density_faults(product, None, check("granule density", density, "kg/m3")) == ()
    assert density_faults(product, density, None)[0].remedy.startswith("it is probably the density of a granule")


@pytest.mark.parametrize("usual", DENSITIES, ids=lambda usual: usual.product)
def test_a_heap_of_each_product_fills_less_than_closest_packing(usual):
    """The heaps of the lists, on the solids of the CRC Handbook: none fills more space than equal spheres can."""
    assert usual.high_kg_m3 / usual.solid_kg_m3 < CLOSEST_PACKING


# molar mass g/mol, molar volume m3/mol: table of solids of the CRC Handbook, as the library `chemicals` 1.x ships it
SOLIDS = [
    ("ammonium nitrate", 80.04336, 4.65366279069767e-05),
    ("diammonium phosphate (DAP)", 132.05562, 8.15657813465102e-05),
    ("monoammonium phosphate (MAP)", 115.02570, 6.39033333333333e-05),
    ("potassium chloride", 74.5513, 3.75005030181086e-05),
    ("ammonium sulphate", 132.1395, 7.46553672316384e-05),
]


@pytest.mark.parametrize(("product", "mass", "volume"), SOLIDS)
def test_solids_are_those_of_the_handbook(product, mass, volume):
    [usual] = [usual for usual in DENSITIES if usual.product == product]
    assert usual.solid_kg_m3 == pytest.approx(mass / 1000 / volume, rel=5e-4)  # the handbook has three places


@pytest.mark.parametrize("strength", STRENGTHS_KGF)
def test_published_strengths_pass(strength):
    assert check("crush strength", strength, "kgf") == pytest.approx(strength * 9.80665)


@pytest.mark.parametrize("number", [150, 250, 325])
def test_size_numbers_pass(number):
    assert check("size guide number", number) == number


@pytest.mark.parametrize(
    ("label", "number", "unit", "meant"),
    [
        ("size guide number", 3.25, "", "3.25 mm meant, which is 325"),
        ("size guide number", 3250, "", "3250 um meant, which is 325"),
        ("granule size", 325, "mm", "the size number 325 meant, which is 3.25 mm"),
        ("crush strength", 30, "kgf", "30 N"),
        ("crush strength", 3.1, "N", "3.1 kgf"),
        ("spinner speed", 13.5, "rpm", "13.5 Hz"),
        ("spinner speed", 800, "Hz", "800 rpm"),
        ("bulk density", 0.78, "kg/m3", "0.78 kg/L"),
        ("bulk density", 780, "kg/L", "780 kg/m3"),
        ("bulk density", 48, "kg/m3", "48 lb/ft3"),
        ("bulk density", 6.4, "kg/L", "6.4 lb/gal"),
        ("granule density", 1.3, "kg/m3", "1.3 kg/L"),
        ("uniformity index", 0.5, "", "50"),
    ],
)
def test_slips_are_named(label, number, unit, meant):
    with pytest.raises(QuantityError) as refused:
        check(label, number, unit)
    assert f"was {meant}" in str(refused.value)


def test_mixed_units_are_seen_and_a_wide_spread_is_not():
    """N and kgf differ by 9.8; ten prills may lie four times apart."""
    with pytest.raises(QuantityError, match="were kgf and N mixed"):
        check_alike("crush strength", [30.0, 28.0, 3.1])
    check_alike("crush strength", [8.0, 12.0, 32.0])


def test_bushels_and_gallons():
    """US bushel 2150.42 in3 and gallon 231 in3 (NIST Handbook 44, appendix C): 35.239 L."""
    assert parse_quantity("1 lb/bu", "density") == pytest.approx(0.45359237 / 0.0352390702, rel=1e-8)
    assert parse_quantity("1 lb/gal", "density") == pytest.approx(0.45359237 / 0.003785411784)
    assert parse_quantity("1 bu", "volume") == pytest.approx(2150.42 * 0.016387064)
    assert parse_quantity("1 gallon", "volume") == pytest.approx(231 * 0.016387064)


SHEET = """spreadcheck tray sheet,1
tray width,0.5,m
tray length,0.5,m
{rows}

tray,offset,pass 1
,m,g
L1,-1,10
C,0,12
R1,1,10
"""


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("size guide number,3.2", 'row 4, column "B": "size guide number" is "3.2"'),
        ("crush strength,31,kgf", "was 31 N meant"),
        ("highest spinner speed,13,rpm", "was 13 Hz meant"),
        ("granule density,0.76,kg/L", "is that the density of a heap?"),
        ("product,Urea\nbulk density,1.31,kg/L", 'row 5, column "B": the bulk density 1.310 kg/L can\'t be that'),
        ("bin 2 product,Urea\nbin 2 granule density,0.9,kg/L", 'row 5, column "B": the granule density 0.900 kg/L is'),
        ("bulk density,0.9,kg/L\ngranule density,0.88,kg/L", "whether the two were swapped"),
    ],
)
def test_no_sheet_carries_an_impossible_value(rows, said):
    with pytest.raises(SheetError) as refused:
        read_sheet(io.StringIO(SHEET.format(rows=rows)))
    assert said in str(refused.value)


@pytest.mark.parametrize(
    "arguments",
    [
        ["product", "--sgn", "3.2"],
        ["product", "--component", "urea: 60 %, strength 31 kgf", "--component", "DAP: 40 %"],
        ["product", "--name", "urea", "--density", "1.31 kg/L"],
        ["throw", "--release-speed", "30 m/s", "--granule-size", "320 mm", "--granule-density", "1300 kg/m3",
         "--disc-height", "0.9 m"],
        ["plan", "--target-rate", "150 kg/ha", "--bout-width", "24 m", "--size-guide-number", "3.2"],
        ["tune", "none.csv", "--highest-speed", "13 rpm"],
        ["analyse", "sample_trays/even_trapezoid.csv", "--card", "card.pdf", "--highest-speed", "13 rpm"],
    ],
)  # fmt: skip
def test_no_option_carries_an_impossible_value(arguments):
    """Whatever the command: refused, nothing written, and the likely slip named."""
    done = CliRunner().invoke(main, arguments)
    assert (done.exit_code, done.stdout) == (2, "")
    assert "probably" in done.stderr or " meant" in done.stderr


def test_every_bound_holds_what_is_usual():
    for known in BOUNDS.values():
        assert known.low < known.usual[0] < known.usual[1] < known.high


BINS = "bins run,{run}\nproduct,Urea\nbulk density,0.77,kg/L\nbin 2 product,{other}\nbin 2 bulk density,{density},kg/L"


@pytest.mark.parametrize(
    ("run", "other", "density", "said"),
    [
        ("one after the other", "UREA", 0.77, []),
        ("one after the other", "Urea", 0.78, []),  # 1.3 %, a container's own error
        ("one after the other", "Urea", 0.72, ["bulk density 0.720 kg/L after 0.770 kg/L, 6.5 % less"]),
        ("one after the other", "DAP", 0.93, ["product DAP after Urea", "20.8 % more"]),
        ("together", "DAP", 0.93, []),
    ],
)
def test_bins_that_take_over_from_one_another(run, other, density, said):
    """100 (0.72 / 0.77 - 1) = -6.49 %, 100 (0.93 / 0.77 - 1) = 20.78 %."""
    test = read_sheet(io.StringIO(SHEET.format(rows=BINS.format(run=run, other=other, density=density))))
    assert test.quantity("bin 2 bulk density") == pytest.approx(1000 * density)
    seen = [doubt.seen() for doubt in assess(test).doubts if doubt.code == "bins-differ"]
    assert len(seen) == bool(said)
    assert all(words in seen[0] for words in said)
