"""Advice from tested differences: kinds, outlets, and doubts that say the same as the advice."""

from pathlib import Path

import numpy as np
import pytest

import spreadcheck
from spreadcheck.pattern.advice import SPREADERS
from spreadcheck.show.pattern import advice_json, pattern_full

X = np.arange(-24.0, 25.0)
BOOM_X = np.arange(-14.0, 14.5, 0.5)
FORM = {"bout width": "24 m", "wind speed": "1 m/s", "wind from": "ahead"}


def lobes(x, *, at=6.0, wide=5.5, left=1.0, moved=0.0):
    return sum(share * np.exp(-(((side * (x - moved) - at) / wide) ** 2) / 2) for side, share in ((-1, left), (1, 1.0)))


def fans(x, short=None, left=0.0):
    """24 outlets a metre apart, each laying a triangle that reaches to its neighbours: level where all are alike."""
    flows = np.ones(24)
    if short is not None:
        flows[short - 1] = left
    return (flows[:, None] * np.clip(1 - np.abs(x - (np.arange(24) - 11.5)[:, None]), 0, None)).sum(axis=0)


def assessed(x, pattern, *, seed=1, passes=3, granules=120, **form):
    draw = np.random.default_rng(seed)
    catch = draw.poisson(granules * pattern[:, None] * np.ones(passes)) * 0.0238
    labels = FORM | {name.replace("_", " "): value for name, value in form.items()}
    return spreadcheck.assess(spreadcheck.tray_test(x, catch, tray_width="0.5 m", tray_length="0.5 m", form=labels))


@pytest.mark.parametrize("seed", range(24))
def test_doubts_and_advice_never_contradict(seed):
    """Patterns moved by -1.5 to 1.5 m, in winds from either side: one test of one figure speaks in both."""
    draw = np.random.default_rng([3, seed])
    wind = {"wind_speed": f"{draw.uniform(0.5, 3):.1f} m/s", "wind_from": ("left", "right", "ahead")[seed % 3]}
    pattern = lobes(X, moved=draw.uniform(-1.5, 1.5), left=draw.uniform(0.8, 1.0))
    result = assessed(X, pattern, seed=seed, **wind)
    doubts = {doubt.code: doubt for doubt in result.doubts}
    reading = result.pattern
    centre = reading.sides.figures["centre"]
    assert ("off-centre" in doubts) == centre.clear
    if "off-centre" in doubts:
        parts = [each.cause.part for each in reading.advice]
        assert {"tray line", "drop point", "wind", "feed", "levelness", "vanes"} & set(parts[:3])
        seen = doubts["off-centre"].seen("metric")
        assert ("right" if centre.value > 0 else "left") in seen
        if "other way" in seen or "does not explain" in seen:
            assert "wind" not in parts[:2]
        assert "lopsided" in reading.shapes or abs(reading.figures.left_share_pct.value - 50) < 5
    if not reading.signs:
        assert not reading.advice


def test_a_doubt_that_blocks_is_said_before_any_cause():
    result = assessed(X, lobes(X, moved=2.0), target_rate="2000 kg/ha")
    assert result.blocking
    text = " ".join(pattern_full(result).split())
    assert text.index("First put right what blocks a verdict") < text.index("1. ")
    assert advice_json(result)["put_right_first"] == list(result.blocking)


@pytest.mark.parametrize("outlet", [1, 9, 24])
def test_the_blocked_outlet_is_named(outlet):
    """All of what one outlet gives is missing, whether it lies in the row or at an end; the fans are as common."""
    form = {"spreader_type": "pneumatic boom", "number_of_outlets": "24", "outlet_spacing": "1 m"}
    result = assessed(BOOM_X, fans(BOOM_X, outlet), granules=400, **form)
    odd = result.pattern.outlets.odd
    assert odd[0].number == outlet
    assert odd[0].off.value == pytest.approx(-1.0, abs=4 * odd[0].off.error)
    assert result.pattern.advice[0].cause.part == "blocked hose or outlet"
    assert "disc" not in pattern_full(result).replace("discs and all vanes", "")


def test_a_blocked_gap_of_a_drop_spreader_lacks_all_of_its_strip():
    """Strips a spacing wide that don't reach into one another; a tray on the border has half of each."""
    edges, x = np.arange(-12.0, 12.5), np.arange(-14.0, 14.1, 0.25)
    flows = np.where(np.arange(24) == 8, 0.0, 1.0)
    pattern = np.array([np.interp(at, edges, np.concatenate(([0], np.cumsum(flows)))) for at in x])
    pattern = np.gradient(pattern, x)
    form = {"spreader_type": "full-width drop", "number_of_outlets": "24", "outlet_spacing": "1 m"}
    odd = assessed(x, pattern, granules=400, **form).pattern.outlets.odd
    assert odd[0].number == 9
    assert odd[0].off.value == pytest.approx(-1.0, abs=4 * odd[0].off.error)


def test_a_line_that_lies_off_is_no_short_outlet_at_the_end():
    """A boom laid 0.4 m off, 1.5 times the usual, takes 0.4 of the last outlet's edge: no statement on that outlet."""
    form = {"spreader_type": "pneumatic boom", "number_of_outlets": "24", "outlet_spacing": "1 m"}
    result = assessed(BOOM_X, fans(BOOM_X - 0.4), granules=400, **form)
    assert not {1, 24} & {one.number for one in result.pattern.outlets.odd}


def test_the_least_shortage_told_is_found_in_80_of_100():
    """A disc short by what is told: of 20 tests some 16 show it, 11 to 20 with 99.7 % (binomial)."""
    sides = assessed(X, lobes(X)).pattern.sides
    short = sides.least_seen("mass")
    assert 0.1 < short < 0.25
    tests = [assessed(X, lobes(X, left=1 - short), seed=seed).pattern.sides for seed in range(20)]
    found = sum(one.figures["mass"].clear for one in tests)
    assert found >= 11
    less = [assessed(X, lobes(X, left=1 - short / 3), seed=seed).pattern.sides for seed in range(20)]
    assert sum(one.figures["mass"].clear for one in less) < 6
    assert f"short by less than about {100 * short:.0f} % can't be seen" in " ".join(
        pattern_full(assessed(X, lobes(X))).split()
    )


def test_a_good_boom_has_nothing_named():
    form = {"spreader_type": "pneumatic boom", "outlet_spacing": "1 m"}
    result = assessed(BOOM_X, fans(BOOM_X), granules=400, **form)
    assert result.pattern.outlets.by == "outlet spacing"
    assert not result.pattern.outlets.odd
    assert not result.pattern.advice


def test_without_outlets_on_the_sheet_single_trays_are_held():
    result = assessed(BOOM_X, fans(BOOM_X, 9), granules=400, spreader_type="pneumatic boom")
    assert result.pattern.outlets.by == "single trays"
    assert result.pattern.outlets.odd[0].offset_m == pytest.approx(-3.5)
    assert "Put number of outlets and outlet spacing on the sheet" in " ".join(pattern_full(result).split())


@pytest.mark.parametrize("kind", SPREADERS)
def test_every_kind_says_what_is_normal_for_it(kind):
    """A line as far off as here is named for each kind; only an unstated kind is called assumed."""
    result = assessed(X, lobes(X, moved=3.0), spreader_type=kind)
    text = " ".join(pattern_full(result).split())
    assert f"Kind of spreader: {kind}. Normal for it" in text
    assert "assumed" not in text
    assert result.pattern.advice


def test_the_kind_is_assumed_where_it_is_not_stated():
    assert "twin disc is assumed" in " ".join(pattern_full(assessed(X, lobes(X))).split())


def test_passes_both_ways_set_line_and_machine_apart():
    """Over the ground a line laid off stays where it is; a drop point turns with the machine."""
    line = np.stack([lobes(X, moved=1.2)] * 4, axis=1)
    turned = line[::-1].copy()
    machine = np.stack([line[:, 0], turned[:, 1], line[:, 2], turned[:, 3]], axis=1)
    named = {}
    for what, pattern in (("line", line), ("machine", machine)):
        catch = np.random.default_rng(5).poisson(150 * pattern) * 0.0238
        form = FORM | {"reversed passes": "2; 4"}
        test = spreadcheck.tray_test(X, catch, tray_width="0.5 m", tray_length="0.5 m", form=form)
        named[what] = spreadcheck.assess(test).pattern.advice[0].cause.part
    assert named == {"line": "tray line", "machine": "drop point"}


def test_tables_give_the_unit_in_a_column_of_its_own():
    """No label ends in a lone unit, however narrow the screen; mass, reach and slope are told in one line."""
    result = spreadcheck.assess(spreadcheck.read_sheet(Path(__file__).parents[2] / "sample_trays" / "lopsided.csv"))
    told = pattern_full(result).splitlines()
    assert not [line for line in told if line.strip() == "%"]
    mass = next(line for line in told if line.startswith("  mass: right gets more"))
    assert mass.split()[4] == "%"
    assert "Mass, reach and slope: how much each would have to differ" in " ".join(told)
    assert max(map(len, told)) <= 80
