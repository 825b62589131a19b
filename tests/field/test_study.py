"""A study of a field: rankings that must hold, figures against one another, executors, what can't be studied."""

import pickle
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from spreadcheck.errors import SheetError, WidthError
from spreadcheck.field.fieldmap import SHARES
from spreadcheck.field.places import boundary_from
from spreadcheck.field.study import Asked, study_field, study_fields, switching_steps, worth_of
from spreadcheck.field.track import BASE_M, Track
from spreadcheck.passes.noise import NOTHING_STATED
from spreadcheck.sheet.traytest import tray_test
from spreadcheck.show.field import field_document, field_figure, way_words

X = np.arange(-18, 19.0)
FORM = {"target rate": "150 kg/ha", "bout width": "24 m", "travel speed": "10 km/h"}
RING = np.array([[0, 0], [310, -20], [360, 90], [330, 215], [190, 250], [40, 245], [-15, 120.0]])
FIELD = boundary_from([RING], source="long field.csv")
PLAN = Asked(heading_deg=(94.0,), cell_m=3.0)
ALONE = replace(PLAN, stated=NOTHING_STATED, cell_m=8.0)  # the passes' own noise, on cells that are enough for it


def made(*, passes=3, noise=0.03, seed=1):
    """A flat-topped pattern, even at 24 m, with noise in proportion to its rate."""
    rng = np.random.default_rng(seed)
    shape = np.clip((18 - np.abs(X)) / 12, 0, 1)
    catch = 4.0 * shape[:, None] * (1 + noise * rng.standard_normal((len(X), passes)))
    return tray_test(X, catch, tray_width="0.5 m", tray_length="0.5 m", form=FORM)


TEST = made()


@pytest.fixture(scope="module")
def study():
    return study_field(TEST, PLAN, boundary=FIELD)


def cv(asked, **more):
    return study_field(TEST, replace(PLAN, **asked), boundary=FIELD, **more).case.found.field_cv_pct


def test_figures_agree_with_one_another(study):
    found = study.case.found
    assert sum(found.share_pct.values()) == pytest.approx(100)
    assert tuple(found.share_pct) == SHARES
    kg = found.rate_kg_ha.sum() * found.raster.cell_m**2 / 1e4
    assert kg == pytest.approx(found.metered_kg, rel=1e-9)
    assert found.mean_kg_ha * found.inside.sum() * 9 / 1e4 == pytest.approx(found.metered_kg - found.kg["outside"])
    assert found.inside.sum() * 9 == pytest.approx(FIELD.polygon.area, rel=0.005)
    parts = [found.rate_kg_ha[mask].var() * mask.sum() for mask in (found.inside & found.interior,)]
    assert parts[0] == pytest.approx((found.interior_cv_pct / 100) ** 2 * _mean(found) ** 2 * _count(found))
    assert found.interior_cv_pct < found.field_cv_pct < found.edge_cv_pct
    # metered: rate x width x way, whatever the pattern
    assert found.metered_kg == pytest.approx(150 * 24 * study.case.spread_m / 1e4, rel=1e-9)


def _mean(found):
    return found.rate_kg_ha[found.inside & found.interior].mean()


def _count(found):
    return (found.inside & found.interior).sum()


def test_the_interior_is_the_endless_field(study):
    """Clear of the edge the map is the overlap of the tray test: its CV by line at this width."""
    from spreadcheck.spread.overlap import bout_deposit

    line = float(bout_deposit(study.profile_at(24.0), np.array([24.0]), "back-and-forth").cv_pct[0])
    # 3 m cells average what 1 m trays show: the CV can only fall, and by less than half here
    assert 0.5 * line < study.case.found.interior_cv_pct < line + 0.6


def test_switching_matters_as_it_must(study):
    """Best switching beats the antenna at the edge, and 10 m late either way; the slider moves both ends."""
    best, on = study.case.found.field_cv_pct, study.case.driving.on_m
    steps = dict(switching_steps(study))
    assert steps[0.0] is study.case
    assert (steps[10.0].driving.on_m, steps[10.0].driving.off_m) == pytest.approx((on + 10, on + 10))
    assert best < cv({"on_m": (0.0,), "off_m": (0.0,)})
    assert best < min(steps[10.0].found.field_cv_pct, steps[-10.0].found.field_cv_pct)
    assert min(steps, key=lambda later: steps[later].found.field_cv_pct) == pytest.approx(0, abs=5)


def test_drift_and_too_wide_bouts_cost(study):
    assert study.case.found.field_cv_pct < cv({"drift_m": (2.0,)})
    assert study.case.found.field_cv_pct < cv({"bout_width_m": (30.0,)})


def test_border_device_keeps_inside(study):
    device = study_field(TEST, replace(PLAN, border=(True,)), boundary=FIELD).case.found
    assert device.kg["outside"] < 0.6 * study.case.found.kg["outside"]
    assert device.metered_kg == pytest.approx(study.case.found.metered_kg, rel=1e-6)


def test_best_heading_is_the_best_looked_at():
    found = study_field(TEST, Asked(cell_m=4.0), boundary=FIELD)
    best = min(found.headings, key=lambda pair: pair[1])
    assert found.case.driving.heading_deg == best[0]
    assert len(found.headings) > 30
    assert max(c for _, c in found.headings) > best[1] + 1


def test_ways_are_combined_and_named():
    asked = replace(PLAN, bout_width_m=(24.0, 27.0), headland_rounds=(1, 2))
    cases = study_field(TEST, asked, boundary=FIELD).cases
    assert [way_words(case, cases) for case in cases] == [
        "24 m, 1 round",
        "24 m, 2 rounds",
        "27 m, 1 round",
        "27 m, 2 rounds",
    ]
    assert way_words(cases[3], cases, "us") == "88.6 ft, 2 rounds"


def test_work_and_product_are_counted(study):
    plan = study.case.plan
    driven_m = sum(leg.along_m[-1] for leg in plan.legs) + plan.turn_m
    assert study.case.hours == pytest.approx(driven_m / (10 / 3.6) / 3600)
    priced = study_field(TEST, replace(PLAN, product_per_t=400.0), boundary=FIELD).case
    assert priced.total_cost == pytest.approx(priced.found.kg["wasted"] * 0.4)


def test_sureness_narrows_with_passes():
    """Four times the passes halve the noise of the mean, and so the interval; it holds the CV it is about."""
    few, many = (study_field(made(passes=n, noise=0.1), ALONE, boundary=FIELD).sure for n in (8, 32))
    width = [high - low for low, high in (few, many)]
    # widths are known to the scatter of 20 draws and of the noise estimate, a quarter each
    assert 0.25 < width[1] / width[0] < 0.9
    quiet = study_field(made(passes=8, noise=0.001), ALONE, boundary=FIELD)
    assert quiet.sure[0] == pytest.approx(quiet.case.found.field_cv_pct, abs=0.05)


def test_what_one_test_cant_see_widens_the_interval():
    with_it, without = (
        study_field(TEST, asked, boundary=FIELD).sure for asked in (replace(ALONE, stated=PLAN.stated), ALONE)
    )
    assert with_it[1] - with_it[0] > without[1] - without[0]


def test_sureness_holds_the_true_field_cv():
    """The true field CV lies in the 90 % interval of noisy tests about as often as said."""
    truth = study_field(made(noise=0.0), ALONE, boundary=FIELD).case.found.field_cv_pct
    held = 0
    for seed in range(12):
        sure = study_field(made(noise=0.25, seed=seed), ALONE, boundary=FIELD).sure
        held += sure[0] <= truth <= sure[1]
    # 12 tries at 90 %: fewer than 8 in under 0.5 % of runs
    assert held >= 8


def test_one_pass_without_noise_known():
    one = tray_test(X, np.clip(18 - np.abs(X), 0, 12), tray_width="0.5 m", tray_length="0.5 m", form=FORM)
    assert study_field(one, PLAN, boundary=FIELD).sure is None


def track_of(study, *, on=True):
    """The plan of a study as a recorded track, turns left out."""
    legs = tuple(replace(leg, base_m=BASE_M) for leg in study.case.legs)
    return Track(legs, None, "track.csv", on_logged=on)


def test_a_track_of_the_plan_gives_the_map_of_the_plan(study):
    driven = study_field(TEST, PLAN, boundary=FIELD, track=track_of(study))
    # headings over 10 m round the corners of the headland a little: bouts are straight and the same
    assert driven.case.found.field_cv_pct == pytest.approx(study.case.found.field_cv_pct, abs=1.0)
    assert driven.case.found.metered_kg == pytest.approx(study.case.found.metered_kg)


def test_without_a_boundary_the_field_is_what_was_covered(study):
    found = study_field(TEST, PLAN, track=track_of(study, on=False))
    assert found.case.ground.assumed
    assert found.case.ground.polygon.area == pytest.approx(FIELD.polygon.area, rel=0.05)
    codes = {doubt.code for doubt in found.doubts}
    assert {"no-boundary", "switching-unknown"} <= codes


def test_worth():
    poor = study_field(
        TEST, replace(PLAN, on_m=(0.0,), off_m=(0.0,), drift_m=(1.0,), product_per_t=400.0, cell_m=6.0), boundary=FIELD
    )
    worth = {each.label: each for each in worth_of(poor, per_year_ha=100)}
    assert list(worth) == ["best switching", "exact guidance", "border device", "all together"]
    assert worth["best switching"].cv_less_pct > 5
    assert worth["all together"].cv_less_pct > max(worth[label].cv_less_pct for label in list(worth)[:3])
    assert worth["all together"].saved_per_year == pytest.approx(100 * worth["all together"].saved_per_ha)
    driven = study_field(TEST, replace(PLAN, cell_m=6.0), boundary=FIELD, track=track_of(poor))
    assert [each.label for each in worth_of(driven)][-2:] == [
        "exact guidance, best switching",
        "with a border device too",
    ]


def test_both_landing_models_agree_away_from_bends(study):
    assert study.other.found.landing.model == "line"
    assert 0 < study.other.differ_pct < 20
    inside = study.other.found.interior & study.other.found.inside
    assert study.other.differs[inside].mean() < 0.01


def test_spots_are_where_it_is_heavy_and_light(study):
    found, (east, north) = study.case.found, study.case.found.raster.centres_m
    for spot in study.spots:
        row, column = np.abs(north - spot.y_m).argmin(), np.abs(east - spot.x_m).argmin()
        patch = found.rate_kg_ha[row - 1 : row + 2, column - 1 : column + 2] / found.target_kg_ha
        assert patch.mean() == pytest.approx(spot.times, abs=0.35)
    assert {spot.times > 1 for spot in study.spots} == {True, False}
    corner = min((spot for spot in study.spots if spot.times < 1), key=lambda spot: spot.times)
    assert corner.name.startswith("headland corner ")


def test_a_place_that_gets_nothing_is_told_alike_on_screen_and_map(study, monkeypatch):
    spots = tuple(replace(study.spots[0], times=times) for times in (0.049, 0.051))
    monkeypatch.setitem(vars(study), "spots", spots)
    table = next(b for b in field_document(study).blocks if getattr(b, "caption", "") == "Heaviest and lightest places")
    assert [times for _, times in table.rows] == ["nothing", "0.1"]
    on_map = [text.get_text() for axes in field_figure(study).axes for text in axes.texts]
    told = next(text for text in on_map if text.startswith("Heaviest and lightest places")).splitlines()
    assert [line.rsplit(": ", 1)[1] for line in told[1:]] == ["nothing", "0.1"]


def test_widths_travel_between_processes(study):
    """Fields are worked out in processes of their own: the CV over all widths is the same on the other side."""
    there = pickle.loads(pickle.dumps(study.assessment))
    for method, curve in study.assessment.curves.items():
        np.testing.assert_array_equal(there.curves[method].cv_of(curve.width_m), curve.cv_of(curve.width_m))


def test_executors_give_the_same():
    """Local processes, threads and a cluster of dask: one result."""
    from distributed import Client, LocalCluster

    asked = replace(PLAN, cell_m=6.0)
    fields = [(FIELD, None), (boundary_from([RING * 0.8]), None)]
    here = study_fields(TEST, asked, fields)
    with ThreadPoolExecutor(2) as threads:
        threaded = study_fields(TEST, asked, fields, threads)
    with (
        LocalCluster(n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        spread = study_fields(TEST, asked, fields, client.get_executor())
    figures = [[each.case.found.field_cv_pct for each in run] for run in (here, threaded, spread)]
    assert figures[0] == figures[1] == figures[2]


@pytest.mark.parametrize(
    ("asked", "given", "error", "said"),
    [
        ({}, {}, WidthError, "the field: is not known; give --boundary FILE"),
        ({"bout_width_m": (24.0,) * 61}, {"boundary": FIELD}, WidthError, "61 ways to drive are too many"),
        ({"cell_m": 900.0}, {"boundary": FIELD}, WidthError, "the field is smaller than a cell"),
        ({"by_time": True}, {"track": "plan"}, SheetError, "logs neither time nor speed"),
        ({"bout_width_m": (270.0,)}, {"boundary": FIELD}, WidthError, "too small for 1 headland round of 270 m"),
    ],
)
def test_what_cant_be_studied(study, asked, given, error, said):
    more = {key: track_of(study) if value == "plan" else value for key, value in given.items()}
    with pytest.raises(error, match=said):
        study_field(TEST, replace(PLAN, **asked), **more)


def test_no_bout_width():
    bare = tray_test(X, np.clip(18 - np.abs(X), 0, 12), tray_width="0.5 m", tray_length="0.5 m")
    with pytest.raises(WidthError, match=r'names no bout width; write it on the sheet, or add --bout-width "24 m"'):
        study_field(bare, boundary=FIELD)
