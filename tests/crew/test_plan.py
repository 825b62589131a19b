"""Planning a tray line: against the standard, worked values, simulated catches and the rules it names."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck.cli import main
from spreadcheck.crew.plan import PlanRequest, passes_for_noise, plan_line, planned_sheet, runs_for_noise, standard_runs
from spreadcheck.errors import QuantityError
from spreadcheck.judge.assessment import assess
from spreadcheck.judge.passcount import passes_needed
from spreadcheck.limits import LIMITS
from spreadcheck.passes.granules import granules
from spreadcheck.sheet.traysheet import read_sheet, write_sheet
from spreadcheck.sheet.traytest import CatchState, with_labels
from spreadcheck.show.plan import plan_document, plan_json
from spreadcheck.show.text import terminal_text
from spreadcheck.spread.overlap import bout_deposit
from spreadcheck.spread.profile import profile_from

USUAL = PlanRequest(target_rate_kg_ha=100, bout_width_m=24, wheel_track_m=1.8)


# --- against the standard and worked values --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("speed_km_h", "runs", "worth"),
    [
        (4, 2, 5.0),  # EN 13739-2:2011, 4.1.2: two runs at 4 km/h, flow as at 10 km/h: 2 x 10/4
        (6, 4, 4.0),
        (10, 5, 5.0),
        (12, 6, 6.0),
        (3.6, 2, 5.0),  # tolerances of the same clause: 4 +/- 0.4, 6 +/- 0.4, 10 +/- 0.5, 12 +/- 0.6 km/h
        (4.4, 2, 5.0),
        (6.4, 4, 4.0),
        (9.5, 5, 5.0),
        (12.6, 6, 6.0),
    ],
)
def test_runs_of_en_13739_2(speed_km_h, runs, worth):
    assert standard_runs(speed_km_h / 3.6) == (runs, worth)


@pytest.mark.parametrize("speed_km_h", [3.5, 4.5, 5.5, 6.5, 8, 9.4, 10.6, 11.3, 12.7])
def test_speeds_that_the_standard_does_not_name(speed_km_h):
    assert standard_runs(speed_km_h / 3.6) is None


def words_of(plan):
    """What a plan says on the screen."""
    return terminal_text(plan_document(plan))


def test_passes_by_hand():
    """Half of 100 kg/ha of 28.759 mg granules: 10.73 x sqrt(2) = 15.17 %; 0.1 g / sqrt(12) of 1.25 g: 2.309 %."""
    once = math.hypot(10.73 * math.sqrt(2), 100 * 0.1 / math.sqrt(12) / 1.25)
    assert math.ceil((once / 7) ** 2) == 5
    assert passes_for_noise(USUAL) == 5
    assert plan_line(USUAL).noise_pct == pytest.approx(once / math.sqrt(5), rel=0.001)  # 10.73 is printed to 0.05 %


def test_the_plan_meets_the_standard_where_it_stands():
    """At 100 kg/ha, 3.25 mm and 10 km/h the default share asks for what EN 13739-2 asks for: five passes."""
    assert plan_line(USUAL).runs == standard_runs(10 / 3.6)[0]


def test_room_product_and_time_by_hand():
    """10 km/h for 5 s are 13.89 m; throw 24 m; 61.89 m x 24 m x 100 kg/ha x 5 = 74.27 kg; 22.28 s + 2 min a run."""
    plan = plan_line(USUAL)
    assert plan.run_up_m == pytest.approx(50 / 3.6 + 24)
    assert plan.throw_m == 24
    assert plan.product_kg == pytest.approx(74.27, abs=0.005)
    assert plan.driving_s == pytest.approx(5 * (22.28 + 120), abs=0.05)
    assert plan.weighing_s == 5 * 33 * 20
    assert plan.strip_rate_kg_ha == 500


def test_bout_to_expect_from_the_throw():
    """A triangle of half-base 1 has a CV of 15 % at 1.34416 (closed form), so the printed 1.344 stays just within."""
    x = np.linspace(-1, 1, 2001)
    profile = profile_from(x, 1 - np.abs(x))
    ratio = LIMITS["bout over throw"].value
    cv = [float(bout_deposit(profile, np.array([w]), "back-and-forth").cv_pct[0]) for w in (ratio, ratio + 0.001)]
    assert cv[0] == pytest.approx(15, abs=0.02)
    assert cv[0] < 15 < cv[1]
    plan = plan_line(PlanRequest(target_rate_kg_ha=100, throw_m=18))
    assert plan.bout_width_m == pytest.approx(18 * 1.344)


def test_reason_for_the_default_share():
    """Two half-rate trays with 7 % each make a deposit with 7 / sqrt(2) = 4.9 %, which lifts 14 % to 14.8 %."""
    overlap = LIMITS["plan noise"].value / math.sqrt(2)
    lifted = math.sqrt(14**2 + round(overlap, 1) ** 2)
    help_text = " ".join(CliRunner().invoke(main, ["plan", "--help"]).output.split())
    assert f"with {overlap:.1f} % noise, which lifts a CV of 14 % to {lifted:.1f} %" in help_text


@pytest.mark.parametrize("rate", [40.0, 150.0])
def test_planned_noise_is_what_simulated_tests_show(rate):
    """Granules counted into a half-rate tray, read on the scale, averaged over the planned passes."""
    plan = plan_line(PlanRequest(target_rate_kg_ha=rate, bout_width_m=24, scale_resolution_g=0.05))
    mass = granules(size_guide_number=325, density_kg_m3=1600).mean_mass_g
    rng = np.random.default_rng(11)
    # the empty tray's weight lies anywhere between two steps of the scale, so that rounding is uniform
    shift = rng.uniform(0, 0.05, (40_000, plan.passes))
    grams = rng.poisson(plan.half_catch_g / mass, shift.shape) * mass
    means = (np.round((grams + shift) / 0.05) * 0.05 - shift).mean(axis=1)
    found = 100 * means.std(ddof=1) / plan.half_catch_g
    assert plan.noise_pct == pytest.approx(found, abs=4 * found / math.sqrt(2 * 40_000))


# --- properties ------------------------------------------------------------------------------------------------------


wishes = st.builds(
    PlanRequest,
    target_rate_kg_ha=st.floats(20, 600),
    bout_width_m=st.one_of(st.none(), st.floats(6, 48)),
    throw_m=st.floats(4, 50),
    tray_width_m=st.sampled_from([0.25, 0.3048, 0.5, 1.0]),
    trays=st.one_of(st.none(), st.integers(5, 120)),
    wheel_track_m=st.one_of(st.none(), st.floats(1.2, 3.0)),
    scale_resolution_g=st.sampled_from([0.01, 0.1, 0.5]),
    runs_per_catch=st.integers(1, 4),
    noise_pct=st.floats(4, 15),
)


@given(wishes)
def test_a_line_is_sound(request):
    """Symmetric, trays clear of each other and the wheels, the throw covered, noise under the share."""
    plan = plan_line(request)
    x = plan.offset_m
    assert x == pytest.approx(-x[::-1])
    assert np.diff(x) == pytest.approx(plan.spacing_m, abs=2e-6)
    assert plan.spacing_m >= request.tray_width_m * (1 - 1e-9)
    assert x[-1] >= request.throw_m + plan.spacing_m - 1e-5
    assert 2 * x[-1] >= 1.5 * plan.bout_width_m - 1e-5  # OSU Bulletin 817
    assert plan.noise_pct <= request.noise_pct * (1 + 1e-9)
    assert plan.runs >= 3  # OSU Bulletin 817
    if request.wheel_track_m is not None:
        laid = np.abs(x[~plan.at_wheel])
        gap = np.abs(laid - request.wheel_track_m / 2) - request.tray_width_m / 2 - request.tyre_width_m / 2
        assert (gap >= 0.1 - 2e-6).all()
    if request.trays is not None and plan.trays > request.trays:
        assert any("can't cover the line" in doubt.seen() for doubt in plan.doubts)


@given(wishes)
def test_no_pass_too_many(request):
    """One pass fewer would be over the share, or fewer than three runs; the same for runs weighed together."""
    plan = plan_line(request)
    fewer = plan.passes - 1
    if fewer * request.runs_per_catch >= 3:
        assert plan.noise_pct * math.sqrt(plan.passes / fewer) > request.noise_pct
    mass = granules(size_guide_number=325, density_kg_m3=1600).mean_mass_g
    half_g = request.target_rate_kg_ha / 20 * request.tray_area_m2

    def together(runs):
        return 100 * math.hypot(
            math.sqrt(mass / half_g / runs), request.scale_resolution_g / math.sqrt(12) / half_g / runs
        )

    runs = runs_for_noise(request)
    assert together(runs) <= request.noise_pct * (1 + 1e-9)
    assert runs == 3 or together(runs - 1) > request.noise_pct


def test_closer_trays_where_there_are_more():
    spacings = [
        plan_line(PlanRequest(target_rate_kg_ha=100, bout_width_m=24, trays=n)).spacing_m for n in (25, 33, 49, 97)
    ]
    assert spacings == [2.0, 1.5, 1.0, 0.5]


def test_default_aims_at_sixteen_trays_inside_the_bout():
    """NC State AG-553: at least 16 gauges; one step of half a tray wider would have fewer."""
    for bout in (12, 18, 24, 28, 36):
        plan = plan_line(PlanRequest(target_rate_kg_ha=100, bout_width_m=bout, wheel_track_m=1.8))
        wider = plan_line(
            PlanRequest(target_rate_kg_ha=100, bout_width_m=bout, wheel_track_m=1.8, spacing_m=plan.spacing_m + 0.25)
        )
        assert plan.trays_in_bout >= 16 > wider.trays_in_bout


# --- doubts ----------------------------------------------------------------------------------------------------------


def codes(**options):
    return {doubt.code: doubt.seen() for doubt in plan_line(PlanRequest(**{"target_rate_kg_ha": 300} | options)).doubts}


def test_nothing_to_doubt():
    assert codes(bout_width_m=24, wheel_track_m=1.8) == {}


def test_too_sparse():
    seen = codes(bout_width_m=24, trays=17)
    assert seen == {"few-trays": "9 trays inside the bout width of 24.00 m, 3.00 m apart"}


def test_one_tray_is_counted_in_words():
    text = words_of(plan_line(PlanRequest(target_rate_kg_ha=300, bout_width_m=24, trays=3)))
    assert "Spacing          1 tray inside the bout width of 24.00 m\n" in text


def test_too_few_trays_to_cover_the_throw():
    assert "3 trays can't cover the line" in codes(bout_width_m=24, throw_m=30, trays=3)["end-catch"]


def test_light_catches():
    seen = codes(bout_width_m=24, target_rate_kg_ha=20)
    assert seen["coarse-scale"] == "a half-rate tray will catch 0.25 g, 2.5 steps of the scale"
    assert seen["many-passes"] == "27 passes are needed, 27 runs"


def test_places_at_the_wheels():
    seen = codes(bout_width_m=8, spacing_m=0.5, wheel_track_m=1.8, tyre_width_m=0.8)
    assert seen["gaps-in-width"] == "6 trays of 17 places inside the bout width of 8.00 m are at the wheels"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({}, "plan: neither the bout width nor the throw is known; give the bout width wanted or the throw expected"),
        ({"bout_width_m": 0}, "plan: a bout width of 0 m can't be; give it above 0, up to 500 m"),
        (
            {"bout_width_m": 24, "noise_pct": float("nan")},
            "plan: a noise of nan % can't be; give it above 0, up to 100 %",
        ),
        ({"bout_width_m": 24, "spacing_m": 0.4}, "plan: trays 0.5 m wide can't stand 0.4 m apart"),
        ({"bout_width_m": 24, "spacing_m": 1, "trays": 20}, "plan: spacing and number of trays are both given"),
        (
            {"bout_width_m": 24, "noise_pct": 0.01},
            "passes would be needed to bring the noise",
        ),
        ({"bout_width_m": 400, "tray_width_m": 0.02, "spacing_m": 0.02}, "plan: the line would hold 40,001 trays"),
    ],
)
def test_wishes_that_cannot_be(options, message):
    with pytest.raises(QuantityError) as error:
        plan_line(PlanRequest(**{"target_rate_kg_ha": 100} | options))
    assert message in str(error.value)


def test_all_faults_at_once():
    with pytest.raises(QuantityError) as error:
        plan_line(PlanRequest(target_rate_kg_ha=-1, tray_width_m=0))
    assert len(error.value.faults) == 3


# --- the sheet -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
@pytest.mark.parametrize("system", ["metric", "us"])
def test_sheet_reads_back(tmp_path, ending, system):
    plan = plan_line(PlanRequest(target_rate_kg_ha=100, bout_width_m=24, wheel_track_m=1.8, spacing_m=0.5))
    sheet = planned_sheet(plan, system)
    write_sheet(sheet, tmp_path / f"plan{ending}")
    test = read_sheet(tmp_path / f"plan{ending}")
    assert test == sheet
    assert test.unknown_labels == ()
    assert (test.state[~plan.at_wheel] == CatchState.NOT_WEIGHED).all()
    assert test.no_tray.tolist() == plan.at_wheel.tolist()
    assert test.catch.shape == (97, 5)
    assert test.offset_m == pytest.approx(plan.offset_m, abs=2e-5)  # feet are written to 0.0001
    assert test.quantity("bout width") == pytest.approx(24, rel=1e-6)
    assert test.quantity("target rate") == pytest.approx(100, rel=1e-6)
    assert test.note.count("wheel track, no tray") == int(plan.at_wheel.sum()) == 4


@pytest.mark.parametrize("system", ["metric", "us"])
def test_a_filled_sheet_is_assessed_without_a_doubt(system):
    """What was planned passes the checks of a test, wheel tracks and offsets in feet too: simulated catches."""
    plan = plan_line(PlanRequest(target_rate_kg_ha=300, bout_width_m=24, throw_m=18, wheel_track_m=1.8))
    assert not plan.doubts
    sheet = planned_sheet(plan, system)
    mass = granules(size_guide_number=325, density_kg_m3=1600).mean_mass_g
    shape = np.clip((18 - np.abs(plan.offset_m)) / 12, 0, 1)
    mean = 300 * shape * plan.request.tray_area_m2 / 10 / mass
    catch = np.round(np.random.default_rng(3).poisson(mean[:, None], (len(shape), plan.passes)) * mass, 1)
    catch[plan.at_wheel] = np.nan
    state = np.where(np.isnan(catch), sheet.state, CatchState.WEIGHED).astype(np.uint8)
    test = with_labels(
        replace(sheet, catch=catch, state=state), {"size guide number": "325", "granule density": "1600 kg/m3"}
    )
    assert not assess(test).doubts


# --- the command -----------------------------------------------------------------------------------------------------


ASK = ["plan", "--bout-width", "24 m", "--target-rate", "100 kg/ha", "--wheel-track", "1.8 m"]


def run(*arguments):
    return CliRunner().invoke(main, list(arguments))


def test_command_shows_the_plan():
    done = run(*ASK)
    assert done.exit_code == 0
    assert "Tray line        33 trays, 1.50 m apart, out to 24.00 m on each side\n" in done.stdout
    assert "Nobody near turning discs" in done.stdout
    assert all(len(line) <= 80 for line in done.stdout.splitlines())
    assert done.stderr.lstrip().startswith("coarse-scale: A half-rate tray will catch 1.25 g")


def test_every_rule_has_its_source():
    """Each rule that was used is printed with where it comes from."""
    text = " ".join(words_of(plan_line(USUAL)).split())
    for code in ("line over bout", "trays in width", "wheel clearance", "plan noise", "passes", "settling", "weighing"):
        assert LIMITS[code].words() in text
    assert "EN 13739-2:2011, 4.1.2" in text
    thrown = " ".join(words_of(plan_line(PlanRequest(target_rate_kg_ha=100, throw_m=18))).split())
    assert LIMITS["bout over throw"].words() in thrown
    assert LIMITS["end catch"].words() in thrown


def test_standard_at_four_km_h():
    text = " ".join(
        words_of(plan_line(PlanRequest(target_rate_kg_ha=100, bout_width_m=24, travel_speed_m_s=4 / 3.6))).split()
    )
    assert "2 runs at 4.0 km/h, with the flow set as for 10 km/h: worth 5 passes; this plan drives 5" in text


def test_command_in_us_units(tmp_path):
    sheet = tmp_path / "plan.csv"
    done = run(
        "plan", "--throw", "60 ft", "--target-rate", "90 lb/ac", "--tray-width", "1 ft", "--tray-length", "2 ft",
        "--trays", "25", "--units", "us", "--sheet", str(sheet),
    )  # fmt: skip
    assert done.exit_code == 0
    assert "Tray line        25 trays, 5.50 ft apart, out to 66.00 ft on each side" in done.stdout
    test = read_sheet(sheet)
    assert test.offset_unit == "ft"
    assert test.offset[-1] == 66
    assert f"{sheet} written" in done.stderr


def test_command_as_json():
    done = run(*ASK, "--json", "-")
    data = json.loads(done.stdout)
    nobody_gave = ("tray_width_m", "tray_length_m", "travel_speed_m_s", "scale_resolution_g", "size_guide_number",
                   "granule_density_kg_m3")  # fmt: skip
    assert data == plan_json(plan_line(replace(USUAL, assumed=nobody_gave)))
    assert data["schema"] == "spreadcheck/plan/1"
    assert data["standard_equivalent_passes"] == 5
    assert [warning["code"] for warning in data["warnings"]] == ["coarse-scale"]
    assert len(data["offset_m"]) == data["trays"] == 33


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ["plan", "--target-rate", "100"],
            'option --target-rate: "100" has no unit; write it out, such as "100 kg/ha"',
        ),
        (["plan", "--target-rate", "100 kg/ha"], "plan: neither the bout width nor the throw is known"),
        ([*ASK, "--spacing", "0 m"], "plan: a spacing of 0 m can't be"),
        ([*ASK, "--tyre-width", "50 kg"], 'option --tyre-width: "kg" in "50 kg" is not a unit of length'),
        ([*ASK, "--sheet", "plan.txt"], "plan.txt: a tray sheet is a .csv or an .xlsx file"),
        ([*ASK, "--sheet", "/no such folder/plan.csv"], "the folder does not exist"),
    ],
)
def test_command_says_what_is_wrong(arguments, message):
    done = run(*arguments)
    assert done.exit_code == 2
    assert message in done.stderr
    assert done.stdout == ""


def test_nothing_is_replaced_unasked(tmp_path):
    sheet, result = tmp_path / "plan.csv", tmp_path / "plan.json"
    sheet.write_text("mine")
    done = run(*ASK, "--sheet", str(sheet), "--json", str(result))
    assert done.exit_code == 2
    assert "exists already; add --overwrite to replace it" in done.stderr
    assert sheet.read_text() == "mine"
    assert not result.exists()
    assert run(*ASK, "--sheet", str(sheet), "--json", str(result), "--overwrite").exit_code == 0
    assert read_sheet(sheet).passes == (1, 2, 3, 4, 5)


@pytest.mark.parametrize("damage", [None, "tray width"])
def test_weights_are_never_replaced_by_an_empty_sheet(tmp_path, damage):
    sheet = tmp_path / "field.csv"
    text = Path("sample_trays/even_trapezoid.csv").read_text(encoding="utf-8")
    sheet.write_text(text if damage is None else text.replace(damage, "?"), encoding="utf-8")
    before = sheet.read_bytes()
    for more in ([], ["--overwrite"], ["--overwrite", "--former", str(sheet), "--half-width", "0.5 m"]):
        done = run(*ASK, "--sheet", str(sheet), *more)
        assert done.exit_code == 2
        assert ("is a file that this command reads" if "--former" in more else "another name") in done.stderr
        assert sheet.read_bytes() == before


def test_an_empty_sheet_may_be_planned_anew(tmp_path):
    sheet = str(tmp_path / "field.csv")
    assert run(*ASK, "--sheet", sheet).exit_code == 0
    assert run(*ASK, "--sheet", sheet).exit_code == 2
    assert run(*ASK, "--sheet", sheet, "--overwrite", "--bins", "2").exit_code == 0


def test_no_number_of_passes_from_a_blocked_test(tmp_path):
    """Ten times the mass metered can't have been caught: what is wrong there may be wrong with the noise too."""
    test = read_sheet("sample_trays/even_trapezoid.csv")
    blocked = replace(test, catch=10 * test.catch)
    assert assess(blocked).blocking == ("mass-implausible",)
    assert passes_needed(test, 1.0).passes
    needed = passes_needed(blocked, 1.0)
    assert needed.passes is None
    assert "a doubt blocks the verdict (mass-implausible); put that right first" in needed.why_not
    sheet = tmp_path / "former.csv"
    write_sheet(blocked, sheet)
    done = run(*ASK, "--former", str(sheet), "--half-width", "1 m")
    assert done.exit_code == 2
    assert "can't tell how many passes are needed: a doubt blocks the verdict" in " ".join(done.stderr.split())


def test_a_former_test_asks_for_its_own_runs():
    """As many runs as that test's own noise asks for: passes needed times its runs per catch, shared among catches."""
    former = "sample_trays/even_trapezoid.csv"
    runs = passes_needed(read_sheet(former), 0.1).passes * read_sheet(former).runs_per_catch
    more = ["--former", former, "--half-width", "0.1 m"]
    data = json.loads(run(*ASK, *more, "--json", "-").stdout)
    assert data["passes"] == runs
    together = json.loads(run(*ASK, *more, "--runs-per-catch", "5", "--json", "-").stdout)
    assert together["passes"] == math.ceil(runs / 5)
    assert f"the former test asks for {runs} runs" in " ".join(run(*ASK, *more).stdout.split())
    more = ["--former", "sample_trays/volumes.csv", "--half-width", "0.5 m", "--json", "-"]
    warned = json.loads(run(*ASK, *more).stdout)["warnings"]
    assert "few-passes" in [each["code"] for each in warned]  # what speaks against the former test is told


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--former", "sample_trays/lopsided.csv"], "option --half-width: is missing; give --former and --half-width"),
        (["--half-width", "1 m"], "option --former: is missing; give --former and --half-width together"),
        (
            ["--former", "sample_trays/even_trapezoid.csv", "--half-width", "0.0001 m"],
            "not even 1,000 passes like these pin the effective width to +/- 0.0001 m; allow a larger half-width",
        ),
        (["--former", "none.csv", "--half-width", "1 m"], "none.csv: the file does not exist"),
    ],
)
def test_former_tests_that_say_nothing(arguments, message):
    done = run(*ASK, *arguments)
    assert done.exit_code == 2
    assert message in done.stderr


def test_what_nobody_gave_is_told_and_not_written_as_known(tmp_path):
    """Scale and speed stay blank on the sheet unless a person gave them, if only the usual ones."""
    told = run(*ASK, "--sheet", str(tmp_path / "a.csv")).stdout
    assert "Assumed" in told
    assert "scale steps of 0.10 g (--scale-resolution)" in " ".join(told.split())
    blank = read_sheet(tmp_path / "a.csv")
    assert blank.quantity("scale resolution") is blank.quantity("travel speed") is None
    given = run(*ASK, "--scale-resolution", "0.1 g", "--travel-speed", "10 km/h", "--sheet", str(tmp_path / "b.csv"))
    assert "scale steps" not in given.stdout
    filled = read_sheet(tmp_path / "b.csv")
    assert filled.quantity("scale resolution") == pytest.approx(0.1)
    assert filled.quantity("travel speed") == pytest.approx(10 / 3.6)


def test_a_tray_sheet_is_not_replaced_first(tmp_path, monkeypatch):
    """A sheet that may hold weights: another name is proposed before it is replaced."""
    monkeypatch.chdir(tmp_path)
    assert run(*ASK, "--sheet", "field.csv").exit_code == 0
    refused = run(*ASK, "--sheet", "field.csv")
    assert "field.csv: exists already; choose another name: it is a tray sheet" in refused.stderr
    assert "--sheet field-2.csv" in " ".join(run(*ASK).stderr.split())
