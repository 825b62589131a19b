"""Slips of a pass are found, named and put right: injected into tests whose truth is known.

How often in noise is measured by tests/studies/explanations.py; here each slip is plain and its remedy is exact.
"""

import numpy as np
import pytest

from spreadcheck.doubts.explain import explanations_of
from spreadcheck.judge.assessment import assess
from spreadcheck.passes.passes import passes_of
from spreadcheck.sheet.traytest import catch_g, tray_test, with_labels

X = np.arange(-15, 16) * 1.0
LEAN = np.clip((15 - np.abs(X)) / 8, 0, 1) * (1 + 0.4 * X / 15)  # heavier on the right


def laid(catch, **form):
    rows = {label.replace("_", " "): value for label, value in form.items()}
    return tray_test(X, catch, tray_width="0.5 m", tray_length="0.5 m", form=rows)


def counted(passes=3, seed=1):
    """Catches of 200 kg/ha at the peak, counted in granules of 0.025 g."""
    mean = np.repeat(5.0 * LEAN[:, None], passes, axis=1)
    return np.round(np.random.default_rng(seed).poisson(mean / 0.025) * 0.025, 2)


def slips(test):
    return explanations_of(test, passes_of(test).catches)


def explained(test):
    """All explanations of an assessed test, by code."""
    return {slip.code: (doubt, slip) for doubt in assess(test).doubts for slip in doubt.explanations}


@pytest.mark.parametrize("passes", [1, 2, 3, 5])
def test_a_good_test_needs_no_explanation(passes):
    assert not slips(laid(counted(passes)))
    assert not slips(laid(np.zeros((31, passes)) + LEAN[:, None]))  # without any noise


def test_a_pass_driven_the_other_way():
    catch = counted()
    catch[:, 1] = catch[::-1, 1]
    doubt, slip = explained(laid(catch))["pass-mirrored"]
    assert (doubt.code, doubt.blocking) == ("passes-disagree", True)
    assert slip.fits > 0.9
    assert slip.remedy == "write the row `reversed passes,2`"
    right = assess(with_labels(laid(catch), {"reversed passes": "2"}))
    np.testing.assert_array_equal(passes_of(slip.corrected).rate_kg_ha, passes_of(laid(counted())).rate_kg_ha)
    width = right.effective_width_m("back-and-forth")
    assert f"effective width {width:.2f} m back-and-forth" in slip.verdict.text("metric")
    assert f"effective width {width / 0.3048:.2f} ft back-and-forth" in doubt.message("us")
    assert not [doubt for doubt in right.doubts if doubt.explanations]


def test_every_other_pass_driven_the_other_way():
    catch = counted(5)
    catch[:, [1, 3]] = catch[::-1, [1, 3]]
    assert slips(laid(catch))[0].remedy == "write the row `reversed passes,2; 4`"


def test_a_pass_noted_as_reversed_that_was_not():
    (slip,) = slips(laid(counted(), reversed_passes="2"))
    assert slip.remedy == "clear the row `reversed passes`"
    assert slip.corrected.reversed_passes == ()


def test_of_two_passes_either_may_be_the_other_way():
    catch = counted(2)
    catch[:, 0] = catch[::-1, 0]
    assert "(or the other one)" in slips(laid(catch))[0].words.text("metric")


@pytest.mark.parametrize(("by", "row"), [(1, "up"), (-1, "down")])
def test_a_pass_one_row_off(by, row):
    catch = counted()
    catch[:, 2] = np.roll(catch[:, 2], by)
    (slip,) = slips(laid(catch))
    assert (slip.code, slip.remedy) == ("pass-shifted", f"move the catches of pass 3 one row {row}")
    inner = slice(2, -2)
    np.testing.assert_array_equal(slip.corrected.catch[inner, 2], counted()[inner, 2])


def test_two_trays_swapped_in_a_pass():
    catch = counted()
    catch[[3, 20], 1] = catch[[20, 3], 1]
    doubt, slip = explained(laid(catch))["trays-swapped"]
    assert doubt.code == "odd-catch"
    assert slip.remedy == "swap the cells of trays L12 and R5 in pass 2"
    np.testing.assert_array_equal(slip.corrected.catch, counted())


@pytest.mark.parametrize("passes", [2, 3, 5])
def test_trays_not_emptied(passes):
    gross = np.cumsum(counted(passes), axis=1)
    (slip,) = slips(laid(gross))
    assert slip.remedy == "write the row `weighing,cumulative`"
    np.testing.assert_allclose(catch_g(slip.corrected), counted(passes), atol=1e-9)
    assert not slips(laid(gross, weighing="cumulative"))


def test_what_a_test_put_right_gets_is_judged_as_it_was_asked():
    """The bout width and the driving error of the command hold for the test put right too."""
    catch = counted()
    catch[:, 1] = catch[::-1, 1]
    right = with_labels(laid(catch), {"reversed passes": "2"})
    for asked in ({"bout_width_m": 12.0}, {"bout_width_m": 29.0}, {"bout_width_m": 12.0, "driving_error_m": 3.0}):
        found = [slip for doubt in assess(laid(catch), **asked).doubts for slip in doubt.explanations]
        told = next(slip for slip in found if slip.code == "pass-mirrored").verdict.text("metric")
        assert told.startswith(assess(right, **asked).verdict.state)


def test_a_bout_width_that_is_put_right_is_not_asked_again():
    """Feet written for metres on the form: the test put right is judged at the bout width put right."""
    form = {"bout_width": "72 m", "target_rate": "160 kg/ha"}
    slip = explained(laid(counted(), **form))["feet-for-metres"][1]
    asked = assess(laid(counted(), **form), bout_width_m=72.0)
    told = [each.verdict for doubt in asked.doubts for each in doubt.explanations if each.code == "feet-for-metres"]
    assert told == [slip.verdict]


@pytest.mark.parametrize("passes", [3, 4, 6])
@pytest.mark.parametrize("rows", [1, 2, 3, 4, 5])
def test_a_pass_written_more_rows_off_is_not_judged_more_mildly(passes, rows):
    """The pass that is off is named and its remedy is exact; every such test is blocked."""
    catch, far = counted(passes), rows
    catch[:, 1] = np.concatenate((catch[far:, 1], np.zeros(far)))
    doubt, slip = explained(laid(catch))["pass-shifted"]
    assert (doubt.code, doubt.blocking) == ("passes-disagree", True)
    assert slip.remedy == f"move the catches of pass 2 {'one row' if far == 1 else f'{far} rows'} down"
    right = passes_of(laid(counted(passes))).rate_kg_ha
    np.testing.assert_array_equal(passes_of(slip.corrected).rate_kg_ha[far:], right[far:])
