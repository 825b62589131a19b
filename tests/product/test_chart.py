"""Setting charts: looked up as typed, nothing interpolated, every fault told with its row and column.

There is no published chart to check against (each maker prints its own), so the charts here are the project's own and
the expected answers are read off them by eye; properties are checked against plain comparison of numbers.
"""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck.cli import main
from spreadcheck.errors import QuantityError, SheetError
from spreadcheck.product.chart import Chart, ChartRow, find_settings, read_chart
from spreadcheck.units import to_inside

SAMPLE = Path(__file__).parents[2] / "sample_trays" / "example_setting_chart.csv"
HEADER = "SGN from,SGN to,strength from,strength to,highest spinner speed,expected width"
UNITS = ",,kgf,kgf,rpm,m"


def chart_file(folder, *rows, header=HEADER, units=UNITS):
    file = folder / "chart.csv"
    file.write_text("\n".join(["spreadcheck setting chart,1", "", header, units, *rows]) + "\n")
    return file


def answer(size, strength_kgf):
    return find_settings(
        read_chart(SAMPLE), {"size guide number": size, "crush strength": to_inside(strength_kgf, "kgf", "force")}
    )


def test_the_shipped_chart_says_that_it_is_invented():
    """Its first rows say so in the file and wherever its answer is shown."""
    assert "INVENTED EXAMPLE" in SAMPLE.read_text().splitlines()[1]
    assert [path for path in SAMPLE.parent.glob("*.csv") if "setting chart" in path.read_text()] == [SAMPLE]
    shown = CliRunner().invoke(main, ["product", "--sgn", "280", "--crush", "3 kgf", "--chart", str(SAMPLE)]).output
    assert "INVENTED EXAMPLE" in shown


@pytest.mark.parametrize(
    ("size", "strength_kgf", "speed", "width"),
    [(220, 2.0, 550, 15), (280, 3.0, 720, 24), (280, 3.99, 720, 24), (359, 50.0, 900, 28), (200, 1.5, 550, 15)],
)
def test_rows_are_found_as_printed(size, strength_kgf, speed, width):
    """Read off the sample by eye; the speed is that of the row, never one between two rows."""
    found = answer(size, strength_kgf)
    assert [row.highest_speed_rpm for row in found.rows] == [speed]
    assert found.expected_width_m == width
    assert not found.doubts


@pytest.mark.parametrize(
    ("size", "strength_kgf", "why"),
    [
        (150, 3.0, "SGN 150 is below every band of size"),
        (400, 3.0, "SGN 400 is above every band of size"),
        (280, 1.0, "crush strength 1.0 kgf (2.2 lbf) is below every band of strength"),
    ],
)
def test_outside_every_band(size, strength_kgf, why):
    found = answer(size, strength_kgf)
    assert found.rows == ()
    assert found.why_none == why
    assert found.highest_speed_rpm is None


def test_gaps_and_missing_pairs_are_told(tmp_path):
    chart = read_chart(chart_file(tmp_path, "200,249,2,3,600,18", "250,300,3,4,700,24"))
    force = to_inside(2.5, "kgf", "force")
    assert (
        find_settings(chart, {"size guide number": 249.5, "crush strength": force}).why_none
        == "SGN 249.5 is in a gap between the bands of size"
    )
    assert find_settings(chart, {"size guide number": 280, "crush strength": force}).why_none == (
        "no row holds SGN 280 together with crush strength 2.5 kgf (5.5 lbf)"
    )


def test_a_reading_on_a_shared_edge_lies_in_both_rows():
    found = answer(250, 3.0)
    assert [row.highest_speed_rpm for row in found.rows] == [650, 720]
    assert found.highest_speed_rpm == 650  # the safe side
    assert "because a reading stands on the edge that they share" in found.doubts[0].message()


def test_overlapping_bands_are_told(tmp_path):
    chart = read_chart(chart_file(tmp_path, "200,260,2,3,600,18", "240,300,2,3,700,24", "300,340,2,3,800,28"))
    found = find_settings(chart, {"size guide number": 250, "crush strength": to_inside(2.5, "kgf", "force")})
    assert [row.number for row in found.rows] == [5, 6]
    assert [doubt.code for doubt in found.doubts] == ["two-rows-of-the-chart", "chart-rows-overlap"]
    assert "5 and 6" in found.doubts[1].message()
    assert "their bands overlap" in found.doubts[0].message()


def test_a_mean_that_may_lie_below_its_band_is_told():
    chart = read_chart(SAMPLE)
    force, edge = to_inside(2.7, "kgf", "force"), to_inside(2.5, "kgf", "force")
    sure = find_settings(
        chart, {"size guide number": 280, "crush strength": force}, strength_half_width_n=0.99 * (force - edge)
    )
    unsure = find_settings(
        chart, {"size guide number": 280, "crush strength": force}, strength_half_width_n=1.01 * (force - edge)
    )
    assert not sure.doubts
    assert [doubt.code for doubt in unsure.doubts] == ["strength-near-an-edge"]


ROWS = tuple(
    ChartRow(
        4 + at, {"size guide number": (low, low + 50.0), "crush strength": (force, force + 10.0)}, 500.0 + at, 18.0
    )
    for at, (low, force) in enumerate((low, force) for low in (200.0, 250.0, 300.0) for force in (15.0, 25.0, 35.0))
)


@given(st.floats(150, 400), st.floats(5, 60))
def test_look_up_is_plain_comparison(size, strength):
    """The rows found are those whose numbers enclose the readings, and there is a reason whenever there are none."""
    found = find_settings(Chart("chart.csv", (), ROWS), {"size guide number": size, "crush strength": strength})
    plain = [
        r
        for r in ROWS
        if r.bands["size guide number"][0] <= size <= r.bands["size guide number"][1]
        and r.bands["crush strength"][0] <= strength <= r.bands["crush strength"][1]
    ]
    near_edge = any(
        abs(v - e) < 1e-6 for v, ends in ((size, (200, 250, 300, 350)), (strength, (15, 25, 35, 45))) for e in ends
    )
    assert near_edge or list(found.rows) == plain
    assert bool(found.rows) != bool(found.why_none)


def test_units_of_the_unit_row(tmp_path):
    """The same chart in lbf and ft: 6.6138679 lbf is 3 kgf and 80 ft is 24.384 m (exact factors)."""
    file = chart_file(tmp_path, "200,300,6.6138679,open,700,80", units=",,lbf,lbf,rpm,ft")
    row = read_chart(file).rows[0]
    assert row.bands["crush strength"][0] == pytest.approx(3 * 9.80665, rel=1e-7)
    assert row.expected_width_m == pytest.approx(24.384, rel=1e-12)


def test_full_words_notes_and_semicolons(tmp_path):
    file = tmp_path / "chart.csv"
    file.write_text(
        "spreadcheck setting chart;1\nmachine;ours\nnote;Size guide number from;Size guide number to;"
        "Crush strength from;Crush strength to;Highest spinner speed;Expected width\n;;;kgf;kgf;rpm;m\n"
        ";200;300;2,5;4;700;24,5\n"
    )
    chart = read_chart(file)
    assert chart.remarks == (("machine", "ours"),)
    assert (chart.rows[0].expected_width_m, chart.rows[0].bands["size guide number"]) == (24.5, (200, 300))


FAULTY = [
    (
        ["200,,2,3,600,18"],
        HEADER,
        UNITS,
        'row 5, column "SGN to": the cell is empty; copy the number from the printed chart, or',
    ),
    (["200,250,2,3,,18"], HEADER, UNITS, 'row 5, column "highest spinner speed": the cell is empty; copy the number'),
    (["200,250,2,3,600"], HEADER, UNITS, 'row 5, column "expected width": the cell is empty'),
    (
        ["200,250,x,3,600,18"],
        HEADER,
        UNITS,
        'row 5, column "strength from": "x" is not a number; write digits only, or open',
    ),
    (["250,200,2,3,600,18"], HEADER, UNITS, 'row 5, column "SGN to": the band ends below or at its "SGN from"'),
    (
        ["200,250,2,3,60000,18"],
        HEADER,
        UNITS,
        "60000 rpm can't be a highest spinner speed; it must lie between 100 and 3000 rpm",
    ),
    (["200,250,2,3,600,18"], HEADER, ",,kg,kgf,rpm,m", 'row 4, column "strength from": "kg" is not a unit of force'),
    (
        ["200,250,2,3,600,18"],
        HEADER,
        ",,kgf,kgf,rpm,",
        'column "expected width": the unit is missing; write one of m, cm',
    ),
    ([], HEADER, UNITS, "the chart has no rows; write a row for each band of the printed chart"),
    (["1"], "SGN from,SGN to", "", 'row 3: the column "expected width" is missing; give each column once'),
    (["1"], HEADER + ",SGN to", UNITS, 'row 3: the column "SGN to" is there twice'),
    (["1"], HEADER + ",colour", UNITS, 'row 3: "colour" is not a column of a setting chart; use SGN from'),
    (["1"], "a,b", UNITS, "there is no header row; write one: SGN from,SGN to"),
]


@pytest.mark.parametrize(("rows", "header", "units", "message"), FAULTY, ids=[case[-1][:60] for case in FAULTY])
def test_faults_of_a_chart(rows, header, units, message, tmp_path):
    file = chart_file(tmp_path, *rows, header=header, units=units)
    result = CliRunner().invoke(main, ["product", "--sgn", "280", "--crush", "3 kgf", "--chart", str(file)])
    assert result.exit_code == 2
    assert message in result.output
    assert result.stdout == ""


def test_all_faults_of_a_chart_at_once(tmp_path):
    file = chart_file(tmp_path, "200,,2,3,600,18", "250,300,2,x,,24")
    with pytest.raises(SheetError) as caught:
        read_chart(file)
    assert [fault.place.split(": ")[1] for fault in caught.value.faults] == [
        'row 5, column "SGN to"',
        'row 6, column "strength to"',
        'row 6, column "highest spinner speed"',
    ]


def test_the_chart_needs_both_readings():
    result = CliRunner().invoke(main, ["product", "--density", "0.8 kg/L", "--chart", str(SAMPLE)])
    assert result.exit_code == 2
    assert "the chart needs a size guide number; read a sieve: --sieve-box" in result.output
    assert "the chart needs a crush strength; crush about ten granules" in result.output


def test_chart_in_json_and_the_weakest_component_decides():
    parts = ["--component", "a: 50 %, strength 6 kgf", "--component", "b: 50 %, strength 2 kgf"]
    found = CliRunner().invoke(main, ["product", "--sgn", "280", *parts, "--chart", str(SAMPLE), "--json", "-"])
    chart = json.loads(found.stdout)["chart"]
    assert chart["highest_speed_rpm"] == 600
    assert chart["rows"] == [{"row": 11, "highest_speed_rpm": 600.0, "expected_width_m": 18.0}]


@given(st.lists(st.sampled_from(["", "200", "250", "open", "x", "-1", "1e9", "2;5", '"']), min_size=1, max_size=7))
def test_any_row_is_read_or_told(tmp_path_factory, cells):
    file = chart_file(tmp_path_factory.mktemp("charts"), ",".join(cells))
    try:
        chart = read_chart(file)
    except SheetError as error:
        told = str(error)
        chart = None
    assert chart is not None or "chart.csv" in told


def further(tmp_path, header="bulk density from,bulk density to", units="kg/L,kg/L", cells=("0.7,0.8", "0.8,0.9")):
    """A chart with a further pair of columns: two rows that differ by it alone."""
    lines = ["spreadcheck setting chart,1", "", f"{HEADER},{header}", f",,N,N,rpm,m,{units}"]
    lines += [
        f"200,300,20,40,{speed},{width},{more}" for speed, width, more in zip((700, 800), (24, 27), cells, strict=True)
    ]
    path = tmp_path / "chart.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def test_a_density_column_decides(tmp_path):
    """Two rows with the same size and strength are told apart by the density of the heap."""
    chart = read_chart(further(tmp_path))
    readings = {"size guide number": 250.0, "crush strength": 30.0, "bulk density": 750.0}
    assert find_settings(chart, readings).highest_speed_rpm == 700
    assert find_settings(chart, readings | {"bulk density": 850.0}).highest_speed_rpm == 800
    both = find_settings(chart, readings | {"bulk density": 800.0})
    assert [doubt.code for doubt in both.doubts] == ["two-rows-of-the-chart"]
    none = find_settings(chart, readings | {"bulk density": 950.0})
    assert none.why_none == "bulk density 0.950 kg/L (59.3 lb/ft3) is above every band of bulk density"
    assert not none.doubts
    with pytest.raises(QuantityError, match=r"the chart needs a bulk density; weigh a filled container: --density"):
        find_settings(chart, readings | {"bulk density": None})


def test_any_further_column(tmp_path):
    """A label without a unit does as well; what no product is read for is said."""
    chart = read_chart(further(tmp_path, "uniformity index from,uniformity index to", ",", ("30,50", "50,70")))
    readings = {"size guide number": 250.0, "crush strength": 30.0}
    assert find_settings(chart, readings | {"uniformity index": 60.0}).highest_speed_rpm == 800
    odd = read_chart(further(tmp_path, "gate setting from,gate setting to", ",", ("1,2", "2,3")))
    with pytest.raises(QuantityError, match=r"the chart needs a gate setting; leave its two columns out"):
        find_settings(odd, readings)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"header": "bulk density from", "units": "kg/L", "cells": ("0.7", "0.8")}, '"bulk density to" is missing'),
        ({"units": "m,m"}, '"m" is not a unit of density'),
        ({"cells": ("0.8,0.7", "0.8,0.9")}, "the band ends below or at its"),
        ({"header": "colour from,colour to"}, '"colour from" is not a column of a setting chart'),
        ({"cells": ("0.7,x", "0.8,0.9")}, '"x" is not a number'),
    ],
)
def test_a_further_column_with_a_fault(change, why, tmp_path):
    with pytest.raises(SheetError) as told:
        read_chart(further(tmp_path, **change))
    assert why in str(told.value)
