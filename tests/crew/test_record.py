"""Recording without a terminal: what an entry means, which are doubted, where it goes on, what a new sheet asks.

The thresholds of doubt have no published source: they are this package's own choice, tested as such.
"""

import dataclasses
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck.crew.lock import KeptSheet, take_up
from spreadcheck.crew.newsheet import layout_differences, new_sheet, question, reply_to
from spreadcheck.crew.plan import PlanRequest, plan_line, planned_sheet
from spreadcheck.crew.recording import (
    ASKED,
    DONE,
    HELP,
    MAX_NOTE,
    MAX_TYPED,
    SHOW,
    TAKEN,
    TOLD,
    TRAY_BY_TRAY,
    doubts_of,
    empty_places,
    enter_weight,
    place_named,
    read_entry,
    refusal_of,
    start_recording,
)
from spreadcheck.sheet.traysheet import read_sheet
from spreadcheck.sheet.traytest import CatchColumn, CatchState, tray_test
from spreadcheck.show.record import HELP_TEXT, ROWS, big_letters, page, question_line, table_so_far

NAN = float("nan")


def empty_test(trays=5, passes=2, unit="g", **form):
    """A test on which nothing is weighed yet, trays 1 m apart about the centre line."""
    offsets = np.arange(trays) - (trays - 1) / 2
    labels = {name.replace("_", " "): value for name, value in form.items()}
    return tray_test(
        offsets, np.full((trays, passes), NAN), tray_width="0.5 m", tray_length="0.5 m", unit=unit, form=labels
    )


def typed(recording, *lines):
    """Type lines one after the other; the last reply."""
    reply = None
    for line in lines:
        reply = enter_weight(recording, line)
        recording = reply.recording
    return reply


# --- what an entry means ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("12.3", 12.3),
        ("12,3", 12.3),
        ("  12.34 g", 12.34),
        ("12.3g", 12.3),
        ("12.3 Grams", 12.3),
        (".5", 0.5),
        (",5", 0.5),
        ("7.", 7.0),
        ("+3", 3.0),
        ("0", 0.0),
        ("-0.0", 0.0),
        ("-0.3", -0.3),
        ("\u22120.3", -0.3),
        ("123!", 123.0),
        ("123 g !", 123.0),
    ],
)
def test_weights(text, number):
    entry = read_entry(text, "g")
    assert (entry.kind, entry.number) == ("weight", number)
    assert entry.insists == text.endswith("!")
    assert not str(entry.number).startswith("-0.0")


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ("", "enter", ""),
        ("   ", "enter", ""),
        ("X", "thrown out", ""),
        ("Blank", "blank", ""),
        ("!", "insist", ""),
        ("BACK", "back", ""),
        ("?", "help", ""),
        ("finish later", "later", ""),
        ("go to R4", "go to", "R4"),
        ("goto r4 pass 2", "go to", "r4 pass 2"),
        ("go R4", "go to", "R4"),
        ("note: tray, tilted", "note", "tray, tilted"),
        ("note", "note", ""),
        ("note \x1b[2Jx", "note", "?[2Jx"),
    ],
)
def test_words(text, kind, words):
    entry = read_entry(text, "g")
    assert (entry.kind, entry.words) == (kind, words)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("ST,GS,+ 12.34 g", '"ST,GS,+ 12.34 g" is not a weight; type digits such as 12.3 or 12.3 g, or help'),
        ("1 234", "is not a weight"),
        ("1.234,5", "is not a weight"),
        ("12.3.4", "is not a weight"),
        ("1e3", '"e3" is not'),
        ("nan", "is not a weight"),
        ("\u0661\u0662", "is not a weight"),
        ("0.0123 kg", "This column is in g; type 12.3 if you mean 0.0123 kg"),
        ("12 ml", 'This column is in g, and "ml" is not'),
        ("notable", "is not a weight"),
        ("9" * (MAX_TYPED + 1), f"more than {MAX_TYPED} signs"),
        ("\x02 12.3 g\x03", '"? 12.3 g?" is not a weight'),
    ],
)
def test_what_is_not_an_entry(text, says):
    entry = read_entry(text, "g")
    assert entry.kind == "unclear"
    assert says in entry.words


def test_every_word_of_the_help_is_understood():
    """The help page names no word that an entry does not know."""
    for line in HELP_TEXT.splitlines():
        word = line[2:16].strip().replace("WORDS", "some words")
        assert read_entry(word, "g").kind != "unclear", word


# --- doubts ----------------------------------------------------------------------------------------------------------


def doubts(test, tray, column, text):
    return doubts_of(test, tray, column, read_entry(text, test.columns[column].unit))


def with_catches(test, catches):
    """The same test with these catches; NaN for a tray not weighed."""
    catch = np.array(catches, dtype=float)
    return dataclasses.replace(test, catch=catch, state=np.where(np.isnan(catch), 1, 0).astype(np.uint8))


@pytest.mark.parametrize(
    ("text", "doubted"),
    [("12.1", ""), ("121", "at least ten times its neighbour: L2 11.2 g"), ("111.9", ""), ("112", "at least ten times"),
     ("1.12", "at most a tenth of its neighbour"), ("1.13", ""), ("0", "at most a tenth")],
)  # fmt: skip
def test_ten_times_a_neighbour(text, doubted):
    test = with_catches(empty_test(passes=1), [[11.2], [NAN], [NAN], [NAN], [NAN]])
    found = "; ".join(doubts(test, 1, 0, text))
    assert doubted in found
    assert bool(doubted) == bool(found)


def test_it_must_be_ten_times_both_neighbours():
    test = with_catches(empty_test(passes=1), [[1.2], [NAN], [12.0], [NAN], [NAN]])
    assert doubts(test, 1, 0, "12.2") == ()
    assert "its neighbours: L2 1.2 g, C 12 g" in doubts(test, 1, 0, "121")[0]


def test_a_neighbour_is_looked_for_two_trays_away():
    """Over one empty tray, as in a wheel track; not over two."""
    test = with_catches(empty_test(passes=1), [[11.2], [NAN], [NAN], [NAN], [NAN]])
    assert "L2 11.2 g" in doubts(test, 2, 0, "121")[0]
    assert doubts(test, 3, 0, "121") == ()


def test_edges_of_the_pattern_are_not_doubted():
    """Below five steps of the scale nothing is compared: 0, 0.1, 1.2 is a steep edge, 0, 0.1, 12 is a slip."""
    test = with_catches(empty_test(passes=1), [[0.0], [0.1], [NAN], [NAN], [NAN]])
    assert doubts(test, 2, 0, "1.2") == ()
    assert "at least ten times" in doubts(test, 2, 0, "12.0")[0]


def test_the_other_passes_decide():
    """A steep edge that another pass has too is no slip; a weight unlike the other pass is one."""
    test = with_catches(empty_test(), [[0.6, 0.6], [9.0, NAN], [9.1, NAN], [9.0, NAN], [0.6, NAN]])
    assert doubts(test, 1, 1, "9.1") == ()
    assert "of the same tray in the other passes: pass 1 9 g" in doubts(test, 1, 1, "0.9")[0]


def test_passes_that_caught_next_to_nothing_ask_nothing_alone():
    """5 g beside 6 g is a wandering edge, though another pass caught 0; 60 g is unlike both."""
    test = with_catches(empty_test(), [[0.0, 6.0], [0.0, NAN], [9.1, NAN], [9.0, NAN], [0.6, NAN]])
    assert doubts(test, 1, 1, "5.0") == ()
    assert "its neighbour: L2 6 g" in doubts(test, 1, 1, "60.0")[0]


def test_a_scale_that_nobody_named_is_a_usual_one():
    """Weights of 0.01 g do not make 0.05 g a weight to compare with."""
    test = with_catches(empty_test(passes=1), [[0.0], [0.06], [NAN], [NAN], [NAN]])
    assert doubts(test, 2, 0, "1.25") == ()


def test_another_component_is_no_reference():
    columns = (CatchColumn(1, "potash"), CatchColumn(1, "urea"))
    test = dataclasses.replace(with_catches(empty_test(), [[1.0, NAN]] * 5), columns=columns)
    assert doubts(test, 2, 1, "12.0") == ()


@pytest.mark.parametrize(
    ("text", "doubted"), [("12.3", False), ("12.34", True), ("12.30", False), ("12", False), ("12.05", True)]
)
def test_finer_than_the_scale(text, doubted):
    found = doubts(empty_test(scale_resolution="0.1 g"), 2, 0, text)
    assert bool(found) == doubted
    assert all("steps of 0.1 g" in doubt for doubt in found)


def test_scale_resolution_in_another_unit():
    assert doubts(empty_test(scale_resolution="500 mg"), 2, 0, "12.5") == ()
    assert "steps of 0.5 g" in doubts(empty_test(scale_resolution="500 mg"), 2, 0, "12.3")[0]


def test_a_comma_before_three_digits():
    assert "taken as a decimal mark, 1.234 g" in doubts(empty_test(), 2, 0, "1,234")[0]
    assert doubts(empty_test(), 2, 0, "1.234") == ()
    assert doubts(empty_test(scale_resolution="0.001 g"), 2, 0, "1,234") == ()


def test_first_weight_against_the_target_rate():
    """150 kg/ha brings 150 / 10 x 0.25 = 3.75 g into a tray of 0.25 m2; ten times that is 37.5 g."""
    test = empty_test(target_rate="150 kg/ha")
    assert doubts(test, 2, 0, "37.4") == ()
    assert "the target rate brings into a tray, 3.75 g" in doubts(test, 2, 0, "37.5")[0]
    assert doubts(empty_test(target_rate="150 kg/ha", runs_per_catch="4"), 2, 0, "37.5") == ()


@pytest.mark.parametrize(
    ("number", "says"), [(-0.1, "Tare it again"), (1.1e7, "more than any tray holds"), (1e-7, "dust of a granule")]
)
def test_refused_even_if_insisted_on(number, says):
    assert says in refusal_of(number, "g")
    recording = start_recording(empty_test())
    reply = typed(recording, f"{number:.8f}!")
    assert reply.sort == ASKED
    assert says in reply.say
    again = typed(reply.recording, f"{number:.8f}", "!")
    assert again.recording.filled == 0


# --- the recording ---------------------------------------------------------------------------------------------------


def test_pass_by_pass_from_left_to_right():
    recording = start_recording(empty_test(3, 2))
    assert [recording.name(place) for place in range(recording.cells)] == [
        "L1, pass 1", "C, pass 1", "R1, pass 1", "L1, pass 2", "C, pass 2", "R1, pass 2",
    ]  # fmt: skip
    reply = typed(recording, "5", "9", "6", "5.1", "9.1", "6.1")
    assert reply.recording.over
    np.testing.assert_array_equal(reply.recording.test.catch, [[5, 5.1], [9, 9.1], [6, 6.1]])


def test_tray_by_tray():
    reply = typed(start_recording(empty_test(3, 2), order=TRAY_BY_TRAY), "5", "5.1", "9", "9.1", "6", "6.1")
    assert reply.recording.over
    np.testing.assert_array_equal(reply.recording.test.catch, [[5, 5.1], [9, 9.1], [6, 6.1]])


@pytest.mark.parametrize("insist", ["121", "121.0 g", "!"])
def test_insisting(insist):
    asked = typed(start_recording(empty_test()), "11.2", "121")
    assert asked.sort == ASKED
    assert asked.recording.filled == 1
    taken = typed(asked.recording, insist)
    assert (taken.sort, taken.say) == (TAKEN, "L1, pass 1: 121 g")


def test_a_doubt_is_dropped_by_another_entry():
    """The doubtful weight is not taken when it comes again after something else was typed."""
    reply = typed(start_recording(empty_test()), "11.2", "121", "hm", "121")
    assert reply.sort == ASKED
    assert typed(reply.recording, "12.1").say == "L1, pass 1: 12.1 g"


def test_another_doubtful_weight_is_no_insisting():
    reply = typed(start_recording(empty_test()), "11.2", "121", "130")
    assert reply.sort == ASKED
    assert reply.recording.filled == 1


def test_nothing_to_insist_on():
    assert "nothing to insist on" in typed(start_recording(empty_test()), "!").say


def test_one_enter_does_nothing_two_leave_a_tray_empty():
    once = typed(start_recording(empty_test()), "")
    assert (once.sort, once.recording.at) == (ASKED, 0)
    assert "Leave L2, pass 1 empty" in once.say
    assert typed(once.recording, "5").say == "L2, pass 1: 5 g"
    twice = typed(once.recording, "")
    assert (twice.sort, twice.recording.at) == (TAKEN, 1)
    assert empty_places(twice.recording) == (0,)


def test_an_empty_line_after_every_weight_is_harmless():
    """A scale that sends two line ends a weight shifts nothing."""
    reply = typed(start_recording(empty_test(3, 1)), "5", "", "9", "", "6")
    assert reply.recording.test.catch.ravel().tolist() == [5, 9, 6]


def test_blank_takes_a_weight_out():
    reply = typed(start_recording(empty_test()), "5", "back", "blank")
    assert "5 g taken out" in reply.say
    assert reply.recording.test.state[0, 0] == CatchState.NOT_WEIGHED
    assert reply.recording.at == 1


def test_zero_blank_and_x_are_three_things():
    reply = typed(start_recording(empty_test(3, 1)), "0", "blank", "x")
    assert reply.recording.test.state.ravel().tolist() == [
        CatchState.WEIGHED, CatchState.NOT_WEIGHED, CatchState.THROWN_OUT,
    ]  # fmt: skip


def test_back_corrects_the_last_entry_and_goes_on():
    reply = typed(start_recording(empty_test()), "5", "9", "back")
    assert reply.say == "L1, pass 1 holds 9 g; Enter keeps it, blank takes it out."
    reply = typed(reply.recording, "8")
    assert reply.recording.name(reply.recording.at) == "C, pass 1"
    assert reply.recording.test.catch[1, 0] == 8


def test_back_and_enter_keeps():
    reply = typed(start_recording(empty_test()), "5", "9", "back", "back", "")
    assert (reply.sort, reply.say) == (TOLD, "L2, pass 1: 5 g, kept")
    assert reply.recording.name(reply.recording.at) == "C, pass 1"


def test_back_follows_what_was_typed_not_the_line():
    reply = typed(start_recording(empty_test()), "go to R2", "5", "back")
    assert reply.recording.name(reply.recording.at) == "R2, pass 1"


def test_back_at_the_first_tray():
    reply = typed(start_recording(empty_test()), "back")
    assert "nothing to go back to" in reply.say
    assert reply.recording.at == 0


def test_go_to_and_next():
    reply = typed(start_recording(empty_test()), "go to R1 pass 2")
    assert reply.recording.name(reply.recording.at) == "R1, pass 2"
    assert typed(reply.recording, "go to c").recording.at == place_named(reply.recording, "C pass 2")
    assert typed(reply.recording, "next").recording.at == 0


@pytest.mark.parametrize("where", ["R9", "R1 pass 9", "pass 2", "R1 2"])
def test_go_to_nowhere(where):
    reply = typed(start_recording(empty_test()), f"go to {where}")
    assert reply.say == f'There is no tray "{where}"; the trays run from L2 to R2, the passes are pass 1, pass 2.'
    assert reply.recording.at == 0


def test_go_to_a_component():
    columns = (CatchColumn(1, "potash"), CatchColumn(1, "urea"))
    recording = start_recording(dataclasses.replace(empty_test(), columns=columns))
    assert place_named(recording, "C pass 1 / Urea") == 7
    assert place_named(recording, "C pass 1") == 2


def test_trays_named_like_passes():
    test = dataclasses.replace(empty_test(3, 2), tray=("1", "pass 2", "bin pass 1"))
    recording = start_recording(test)
    assert place_named(recording, "pass 2") == 1
    assert place_named(recording, "bin pass 1") == 2
    assert place_named(recording, "bin pass 1 pass 2") == 5


def test_after_the_last_tray_the_first_open_one_comes():
    reply = typed(start_recording(empty_test(3, 1)), "go to R1", "5")
    assert reply.recording.name(reply.recording.at) == "L1, pass 1"


def test_notes():
    reply = typed(start_recording(empty_test()), "note tilted, a bit", "note wet")
    assert reply.recording.test.note[0] == "tilted, a bit; wet"
    assert reply.recording.at == 0
    assert "no words" in typed(reply.recording, "note").say
    assert "longer than" in typed(reply.recording, f"note {'w' * MAX_NOTE}").say


def test_past_the_end():
    reply = typed(start_recording(empty_test(2, 1)), "5", "6", "7")
    assert reply.sort == ASKED
    assert "was not taken" in reply.say
    assert typed(reply.recording, "").sort == DONE
    assert typed(reply.recording, "back").recording.at == 1
    assert typed(reply.recording, "go to L1").recording.at == 0


@pytest.mark.parametrize(("word", "sort"), [("show", SHOW), ("help", HELP), ("finish later", DONE), ("quit", DONE)])
def test_words_that_change_nothing(word, sort):
    recording = typed(start_recording(empty_test()), "5").recording
    reply = enter_weight(recording, word)
    assert reply.sort == sort
    assert reply.recording is recording


def test_going_on_behind_the_last_weight():
    test = typed(start_recording(empty_test(4, 2)), "5", "blank", "x", "6", "5").recording.test
    again = start_recording(test)
    assert again.name(again.at) == "L1, pass 2"
    assert [again.name(place) for place in empty_places(again)] == ["L1, pass 1"]


def test_going_back_to_skipped_trays_takes_them_in_a_row():
    """Who recorded from the right first, and starts again, can fill the left side without naming every tray."""
    again = start_recording(typed(start_recording(empty_test(4, 1)), "go to R2", "5").recording.test)
    reply = typed(again, "go to L2", "5", "6", "7")
    assert reply.recording.test.catch.ravel().tolist() == [5, 6, 7, 5]
    assert reply.recording.over


def test_the_state_is_never_changed_in_place():
    recording = start_recording(empty_test())
    enter_weight(recording, "5")
    assert np.isnan(recording.test.catch).all()


ENTRY = st.one_of(
    st.sampled_from(
        ["", "x", "blank", "!", "back", "next", "show", "help", "go to R1", "go to L2 pass 2", "go to nowhere",
         "note kicked", 'note "a, b"; c', "note =1+1", "-1", "0", "12.3", "12,34", "121", "1e5", "1 g", "2 kg",
         "1,234", "1e9"]
    ),
    st.decimals(0, 50, places=2).map(str),
    st.text(max_size=20),
    st.text(max_size=20).map("note {}".format),
)  # fmt: skip


@given(lines=st.lists(ENTRY, max_size=25), order=st.sampled_from(["pass by pass", "tray by tray"]))
def test_the_sheet_on_the_disk_equals_the_state(lines, order):
    """Whatever is typed, the sheet can be read after every line and holds exactly the state; nothing is lost."""
    with tempfile.TemporaryDirectory() as folder:
        kept = KeptSheet(str(Path(folder) / "field.csv"), "")
        recording = start_recording(empty_test(), order=order)
        kept = kept.keep(recording.test)
        for line in lines:
            reply = enter_weight(recording, line)
            if reply.recording.test is not recording.test:
                kept = kept.keep(reply.recording.test)
            assert read_sheet(kept.path) == reply.recording.test
            changed = (reply.recording.test.state != recording.test.state).sum()
            assert changed <= 1
            assert changed == 0 or reply.sort == TAKEN
            recording = reply.recording
            assert 0 <= recording.at <= recording.cells
        again = start_recording(read_sheet(kept.path), order=order)
        filled = [place for place in range(again.cells) if again.now(place)]
        assert again.at == max(filled, default=-1) + 1


# --- what is shown ---------------------------------------------------------------------------------------------------


def test_question_names_tray_side_pass_and_count():
    recording = start_recording(empty_test(5, 3, reversed_passes="2"))
    assert question_line(recording) == "L2, 2 m left, pass 1 of 3, tray 1 of 5 [g]:"
    assert question_line(recording, system="us") == "L2, 6.562 ft left, pass 1 of 3, tray 1 of 5 [g]:"
    later = typed(recording, "go to C pass 2").recording
    assert question_line(later) == (
        "C, on the centre line, pass 2 of 3 (driven the other way; go by the names on the trays), tray 3 of 5 [g]:"
    )


def test_pages_fit_a_terminal_of_80_by_24():
    recording = typed(start_recording(empty_test(41, 3)), "0", "0", "1.2").recording
    lines = [*page(recording, "L18, pass 1: 1.2 g").splitlines(), question_line(recording)]
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80


def test_page_in_ascii():
    recording = typed(start_recording(empty_test(41, 3)), "0", "0", "1.2").recording
    assert page(recording, "", plain=True).isascii()


def test_table_of_many_passes_stays_within_80_columns():
    table = table_so_far(typed(start_recording(empty_test(3, 20)), "5", "x").recording)
    assert max(map(len, table.splitlines())) <= 80
    assert sum("pass 20" in line for line in table.splitlines()) == 1


def test_every_sign_of_a_tray_name_is_drawn_apart():
    """No two of the large signs look the same."""
    signs = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-+."
    drawn = {sign: "\n".join(big_letters(sign)) for sign in signs}
    assert len(set(drawn.values())) == len(signs)


@pytest.mark.parametrize("name", ["a tray with a long name", "\u00c41"])
def test_names_that_can_not_be_drawn_stay_words(name):
    lines = big_letters(name)
    assert len(lines) == ROWS
    assert lines[2] == name


# --- a new sheet -----------------------------------------------------------------------------------------------------


def details(*lines, like=None):
    """Answer the questions about a new sheet; the state and everything that was said."""
    state, said = new_sheet(like), []
    for line in lines:
        state, words = reply_to(state, line)
        said.append(words)
    return state, said


def test_details_of_a_new_sheet():
    state, said = details(
        "0,5 m", "50 cm", "4", "2 ft", "3", "", "Before, vane change", "2026-04-14", *[""] * 7, "2", "2 3"
    )
    assert not any(said)
    test = state.test
    assert test.tray == ("L2", "L1", "R1", "R2")
    assert test.offset.tolist() == [-3, -1, 1, 3]
    assert test.offset_unit == "ft"
    assert (test.tray_width_m, test.tray_length_m, test.runs_per_catch) == (0.5, 0.5, 2)
    assert test.reversed_passes == (2, 3)
    assert [column.name for column in test.columns] == ["pass 1", "pass 2", "pass 3"]
    assert (test.state == CatchState.NOT_WEIGHED).all()
    assert test.name == "Before, vane change"


def test_details_with_offsets_one_by_one():
    state, _ = details("0.5 m", "0.5 m", "-3 -1,5 0 1,5 3 m", "2", "ml")
    assert state.test.offset.tolist() == [-3, -1.5, 0, 1.5, 3]
    assert state.test.columns[0].unit == "ml"
    assert question(state) == "Test (Enter to skip)"


@pytest.mark.parametrize(
    ("before", "line", "says"),
    [
        ([], "", '"tray width" is needed'),
        ([], "0.5", '"tray width" has no unit; write it behind the number, one of m, cm'),
        ([], "50 m", "which can't be right"),
        ([], "half a metre", "which is not a number"),
        (["0.5 m", "0.5 m"], "", "trays are needed"),
        (["0.5 m", "0.5 m"], "1", "from 2 to 10000"),
        (["0.5 m", "0.5 m"], "-3 0 3 kg", '"kg" is not a unit of length'),
        (["0.5 m", "0.5 m"], "-3 0 0 3 m", "two trays stand at the same offset"),
        (["0.5 m", "0.5 m"], "-0.2 0.2 m", "trays 0.5 m wide can't stand 0.4 m apart"),
        (["0.5 m", "0.5 m", "5"], "", "the spacing is needed"),
        (["0.5 m", "0.5 m", "5"], "0.3 m", "trays 0.5 m wide can't stand 0.3 m apart"),
        (["0.5 m", "0.5 m", "5000"], "1 m", "is not a finite number of metres"),
        (["0.5 m", "0.5 m", "5", "1 m"], "0", "from 1 to 1000"),
        (["0.5 m", "0.5 m", "5", "1 m", "2"], "m", '"m" is not a unit of catches'),
        (["0.5 m", "0.5 m", "5", "1 m", "2", "g", ""], "14.4.2026", "write year-month-day"),
        (["0.5 m", "0.5 m", "5", "1 m", "2", "g", *[""] * 10], "3", "there is no pass 3; the test has 2"),
        (["0.5 m"], "start", "tray line must be known"),
        ([], "back", "nothing to go back to"),
        ([], "x" * (MAX_TYPED + 1), "make it shorter"),
    ],
)
def test_details_are_asked_again_with_the_reason(before, line, says):
    state, said = details(*before)
    assert not any(said)
    again, words = reply_to(state, line)
    assert says in words
    assert again is state


def test_back_through_the_details():
    state, _ = details("0.5 m", "0.5 m", "-1 1 m", "back", "5", "1 m", "2", "g")
    assert len(state.test.tray) == 5
    state, _ = details("0.5 m", "back", "1 m", "1 m", "3", "2 m", "1", "g")
    assert state.test.tray_width_m == 1
    assert [row.label for row in state.test.form] == ["tray width", "tray length"]


def test_an_answer_given_before_is_shown_and_kept():
    state, _ = details("0.5 m", "0.5 m", "5", "1 m", "2", "g", *["back"] * 6)
    assert question(state) == "Tray width (now 0.5 m; Enter keeps it)"
    kept, said = details("0.5 m", "0.5 m", "5", "1 m", "2", "g", *["back"] * 6, *[""] * 6)
    assert not any(said)
    assert kept.test.offset.tolist() == [-2, -1, 0, 1, 2]
    _, words = reply_to(state, "1.2 m")
    assert "trays 1.2 m wide can't stand 1 m apart" in words


def test_fewer_passes_forget_the_reversed_ones():
    state, _ = details("0.5 m", "0.5 m", "5", "1 m", "4", "g", *[""] * 9, "4", *["back"] * 12)
    assert question(state).startswith("Passes (now 4")
    state, _ = reply_to(state, "2")
    assert state.test.reversed_passes == ()


def test_start_skips_the_rest():
    state, _ = details("0.5 m", "0.5 m", "5", "1 m", "2", "g", "start")
    assert state.over


def test_every_optional_label_is_asked():
    """Enter all the way down: each known label comes once, and nothing is noted."""
    state, asked = details("0.5 m", "0.5 m", "5", "1 m", "2", "g")[0], []
    while not state.over:
        asked.append(question(state))
        state, said = reply_to(state, "")
        assert said == ""
    assert len(asked) == len(set(asked)) > 25
    assert [row.label for row in state.test.form] == ["tray width", "tray length"]


def test_like_another_test():
    """The line, the passes and the machine are the same; catches, day and wind are not."""
    form = {"test": "First", "wind speed": "1.4 m/s", "machine": "Trailed", "bout width": "24 m"}
    other = tray_test([-1, 0, 1], [[5, 5], [9, NAN], [6, 6]], tray_width="0.5 m", tray_length="0.5 m", form=form)
    state = new_sheet(other)
    assert layout_differences(state.test, other) == ()
    assert (state.test.state == CatchState.NOT_WEIGHED).all()
    assert {row.label for row in state.test.form} == {"tray width", "tray length", "machine", "bout width"}
    state, said = details("Second", "", like=other)
    assert said == ["", ""]
    assert state.test.name == "Second"


def test_like_another_test_keeps_every_setting():
    """A setting that the first test had is not lost, and one that it left out is not asked for."""
    form = {"vanes": "A4", "vane angle": "12 deg", "tilt": "3 deg", "disc height": "0.9 m", "drop point": "4"}
    other = tray_test([-1, 0, 1], [[5, 5], [9, 9], [6, 6]], tray_width="0.5 m", tray_length="0.5 m", form=form)
    state = new_sheet(other)
    kept = {row.label: row.value for row in state.test.form}
    assert all(kept[name] == value.split()[0] for name, value in form.items())
    assert set(state.steps) == {
        "test", "date", "weighing", "tare", "wind speed", "wind from", "air temperature", "relative humidity",
        "discharge", "metered rate", "notes",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"tray": ("L1", "X", "R1")}, "the tray at 0 m is C, not X"),
        ({"offset": np.array([-1.0, 0.1, 1.0])}, "tray C stands at 0 m, not at 0.1 m"),
        (
            {"columns": (CatchColumn(1), CatchColumn(2, unit="ml"))},
            "it has pass 1, pass 2, not pass 1 in g, pass 2 in ml",
        ),
    ],
)  # fmt: skip
def test_layouts_that_differ(change, says):
    test = empty_test(3, 2)
    assert layout_differences(test, dataclasses.replace(test, **change)) == (says,)


ANSWER = st.one_of(
    st.sampled_from(["", "back", "0.5 m", "0.6 m", "2", "3", "1 m", "1,5 ft", "g", "x", "-1 1 m"]), st.text(max_size=15)
)


@given(st.lists(ANSWER, max_size=45))
def test_any_details_make_a_sheet_that_reads_back(lines):
    """Whatever is answered, and however often one goes back, a line that is complete can be written and read again."""
    state, _ = details("0.5 m", "0.5 m", "5", "1 m", "3", "g")
    with tempfile.TemporaryDirectory() as folder:
        kept = KeptSheet(str(Path(folder) / "field.csv"), "")
        for line in lines:
            if state.over:
                break
            state, _ = reply_to(state, line)
            if state.test is not None:
                kept = kept.keep(state.test)
                assert take_up(kept.path)[1] == state.test


def test_places_without_a_tray_are_not_asked_for():
    """A planned sheet marks its wheel tracks with -: recording starts at the first tray and steps over them."""
    sheet = planned_sheet(
        plan_line(PlanRequest(target_rate_kg_ha=100, bout_width_m=24, wheel_track_m=1.8, spacing_m=0.5))
    )
    recording, asked = start_recording(sheet), []
    for _ in range(len(sheet.tray) - 4):
        asked.append(recording.at)
        recording = enter_weight(recording, "5").recording
    assert asked[0] == 0
    assert not any(sheet.no_tray[at] for at in asked)
    assert len(set(asked)) == len(sheet.tray) - 4
    again = start_recording(recording.test)
    assert again.at == recording.at == len(sheet.tray)  # the second pass
    assert not again.left_empty


def test_no_way_back_to_a_place_without_tray():
    """Going back passes over a wheel track, and going to one is refused: no weight lands where no tray stands."""
    nan = float("nan")
    test = tray_test([-2, -1, 0, 1], [9.0, nan, nan, nan], tray_width="0.5 m", tray_length="0.5 m")
    state = test.state.copy()
    state[1] = CatchState.NO_TRAY
    recording = start_recording(dataclasses.replace(test, state=state))
    assert recording.name(recording.at).startswith("C")
    assert "holds 9 g" in enter_weight(recording, "back").say
    gone = enter_weight(recording, f"go to {test.tray[1]}")
    assert (gone.sort, gone.recording.at) == (ASKED, recording.at)
    assert "No tray stands at" in gone.say
