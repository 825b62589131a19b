"""Blends: parts add up to the whole, nutrients follow their carriers, and messages for analyses that don't fit."""

import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck import assess
from spreadcheck.cli import main
from spreadcheck.errors import NoSpreadError, QuantityError, SheetError
from spreadcheck.judge.blend import NutrientAnalysis, assess_blend, read_analysis, zone_shares
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traysheet import read_sheet
from spreadcheck.show.blend import blend_document, blend_json
from spreadcheck.show.text import terminal_text

SAMPLES = Path(__file__).parents[2] / "sample_trays"


def blend_of(catches, names=("urea", "potash")):
    """A test with one pass; `catches` is a row of component masses for each tray, 1 m apart."""
    half = len(catches) // 2
    rows = "\n".join(f"T{at},{at - half}," + ",".join(f"{mass}" for mass in row) for at, row in enumerate(catches))
    columns = ",".join(f"pass 1 / {name}" for name in names)
    form = "spreadcheck tray sheet,1\ntray width,1,m\ntray length,1,m\n\n"
    return read_sheet(io.StringIO(f"{form}tray,offset,{columns}\n,m{',g' * len(names)}\n{rows}\n"))


MASSES = st.lists(st.tuples(st.integers(0, 90), st.integers(1, 90)), min_size=3, max_size=15).filter(
    lambda rows: sum(row[0] for row in rows) > 0
)


@given(MASSES)
def test_components_add_up_to_the_whole(catches):
    """Masses add up: area, and the moment of the spread, of the parts are those of the whole."""
    whole, *parts = assess_blend(blend_of(catches), width_m=[2.0]).parts
    assert sum(part.profile.area_kg_ha_m for part in parts) == pytest.approx(whole.profile.area_kg_ha_m)
    moment = sum(part.profile.area_kg_ha_m * part.profile.centre_m for part in parts)
    assert moment == pytest.approx(whole.profile.area_kg_ha_m * whole.profile.centre_m, abs=1e-6)


@given(MASSES)
def test_a_nutrient_with_one_carrier_spreads_like_its_carrier(catches):
    """CV does not mind a factor: N of urea alone has urea's CV; equal contents everywhere give the whole's CV."""
    test = blend_of(catches)
    one = assess_blend(test, NutrientAnalysis({"urea": {"N": 46}, "potash": {"K2O": 60}}), width_m=[2, 3])
    parts = {part.name: part for part in one.parts}
    both = assess_blend(test, NutrientAnalysis({"urea": {"S": 10}, "potash": {"S": 10}}), width_m=[2, 3]).parts[-1]
    for method in METHODS:
        for nutrient, carrier in ((parts["N"], parts["urea"]), (parts["K2O"], parts["potash"]), (both, parts["whole"])):
            expected = carrier.scans[method].cv_trays_pct
            assert nutrient.scans[method].cv_trays_pct == pytest.approx(expected, rel=1e-6, abs=1e-6, nan_ok=True)


@given(MASSES)
def test_the_joint_width_suits_every_part(catches):
    blend = assess_blend(blend_of(catches), width_m=np.arange(2, 12))
    for method in METHODS:
        joint = blend.joint[method].effective_width_m(100)
        own = [part.effective_width_m(method) for part in blend.judged]
        if joint is not None:
            assert all(width is not None and width >= joint for width in own)
        elif None in own:
            assert blend.limiting_part(method) is not None


def test_own_limits_are_kept():
    """A part with a wider limit of its own no longer limits the blend."""
    test = read_sheet(SAMPLES / "blend.csv")
    strict = assess_blend(test)
    lenient = assess_blend(test, NutrientAnalysis({name: {"X": 1} for name in test.components}, {"urea": 60}))
    assert strict.limiting_part(METHODS[0]).name == "urea"
    assert lenient.joint[METHODS[0]].effective_width_m(100) > strict.joint[METHODS[0]].effective_width_m(100)
    assert lenient.limiting_part(METHODS[0]).name != "urea"


def test_zones_show_what_flies_farther():
    """All of the second component falls left of the centre line, all of the first right of it (by construction)."""
    shares = zone_shares(assess_blend(blend_of([(0, 5), (0, 5), (0, 0), (5, 0), (5, 0)]), width_m=[3.0]))
    assert shares["urea"][[0, 1, 3, 4, 5]] == pytest.approx([0, 0, 100, 100, 50], abs=1e-6)


def test_zones_of_a_line_laid_the_other_way_are_the_same_the_other_way():
    """Also where a component is not known at one end: both lie within what the whole catch is known of."""
    rows: list[tuple[int | str, int]] = [(1, 2), (6, 5), (9, 8), (8, 9), (5, 7), (4, 3), ("x", 2)]
    one, other = (zone_shares(assess_blend(blend_of(each), width_m=[3.0])) for each in (rows, rows[::-1]))
    for name, shares in one.items():
        assert shares[:5] == pytest.approx(other[name][4::-1], abs=1e-6)
        assert shares[5] == pytest.approx(other[name][5], abs=1e-6)


@pytest.mark.parametrize(
    ("analysis", "message"),
    [
        (
            NutrientAnalysis({"urea": {"N": 46}}),
            'analysis: there is no component "potash" in it; give its nutrients in %',
        ),
        (
            NutrientAnalysis({"urea": {"N": 46}, "potash": {"K2O": 60}, "sand": {"X": 1}}),
            'analysis: "sand" is not a component of the sheet; its components are: urea, potash',
        ),
        (
            NutrientAnalysis({"urea": {"N": 46}, "potash": {"K2O": 60}}, {"P": 15}),
            'analysis: there is a CV limit for "P", which is no nutrient or component; check its spelling',
        ),
    ],
)
def test_an_analysis_that_does_not_fit(analysis, message):
    with pytest.raises(SheetError) as caught:
        assess_blend(blend_of([(1, 2), (2, 3), (1, 2)]), analysis)
    assert message in str(caught.value)


def test_sheets_that_are_no_blend():
    with pytest.raises(SheetError, match="has no component columns; name the columns such as"):
        assess_blend(read_sheet(SAMPLES / "lopsided.csv"))
    with pytest.raises(NoSpreadError, match='component "potash": all catches are 0'):
        assess_blend(blend_of([(1, 0), (2, 0), (1, 0)]))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("N = 46\n", '"N" stands outside any component; put it under the component it belongs to'),
        ("[urea]\nN = 460\n", '[urea]: "N" is 460; write a number from 0 to 100'),
        ("[urea]\nN = '46'\n", '[urea]: "N" is 46; write a number from 0 to 100'),
        ("[urea]\nN = 60\nS = 50\n", "[urea]: the contents add up to 110 %; give % of the component's mass"),
        ("[limits]\nN = 15\n", "there is no component in it"),
        ("[urea]\nN = 46\n[limits]\nN = 0\n", '[limits]: "N" is 0; write a number from 0.1 to 1000'),
        ("[urea\n", "is not a TOML file (Expected"),
    ],
)
def test_analyses_that_cant_be_read(tmp_path, text, message):
    path = tmp_path / "a.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(QuantityError) as caught:
        read_analysis(path)
    assert str(caught.value).startswith(str(path))
    assert message in str(caught.value)


def test_blend_command(tmp_path):
    sheet, analysis = str(SAMPLES / "blend.csv"), str(SAMPLES / "example_blend_analysis.toml")
    shown = CliRunner().invoke(main, ["blend", sheet, "--analysis", analysis, "--plot", str(tmp_path / "b.svg")])
    assert shown.exit_code == 0, shown.output
    assert max(len(line) for line in shown.stdout.splitlines()) <= 80
    data = json.loads(CliRunner().invoke(main, ["blend", sheet, "--analysis", analysis, "--json", "-"]).stdout)
    assert data["schema"] == "spreadcheck/blend/1"
    assert [part["name"] for part in data["parts"] if part["kind"] == "nutrient"] == ["N", "K2O", "P2O5"]
    assert "Share of each component" in (tmp_path / "b.svg").read_text(encoding="utf-8")


def test_trays_that_end_inside_the_spread_give_no_width_as_known():
    """The sample cut at 9 m to either side: the same words as the analysis has, not the end of the search."""
    test = read_sheet(SAMPLES / "blend.csv")
    inside = np.abs(test.offset_m) <= 9
    short = replace(
        test, tray=tuple(np.array(test.tray)[inside]), offset=test.offset[inside], catch=test.catch[inside],
        state=test.state[inside], note=tuple(np.array(test.note)[inside]),
        tare=None if test.tare is None else test.tare[inside],
    )  # fmt: skip
    judged = assess(short)
    text = terminal_text(blend_document(judged, judged.blend))
    assert judged.tail_curves
    assert "what fell beyond them is missing" in text
    assert not re.search(r" (?<!at least )18 m", text)
    parts = [line for line in text.splitlines() if line.startswith("  potash  ")]
    assert "at least" in parts[0]
    data = blend_json(judged, judged.blend)
    for method in METHODS:
        least, most = data["all_parts"][method]["effective_width_over_tails_m"]
        every = [part["methods"][method]["effective_width_over_tails_m"] for part in data["parts"]]
        assert least <= min(part[0] for part in every[1:]) + 0.01  # all parts together suit no width that one does not
        assert most <= max(part[1] for part in every[1:]) + 0.01  # ends are refined to 0.01 m
        assert all(low <= high for low, high in every)
        assert any(low < high for low, high in every)
    whole = assess(test)
    assert blend_json(whole, whole.blend)["all_parts"][METHODS[0]]["effective_width_over_tails_m"] is None
