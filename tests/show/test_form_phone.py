"""The entry form on a phone, in a real browser."""

import base64
import dataclasses
import io
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from selenium.webdriver.common.keys import Keys

from spreadcheck.crew.form import entry_form
from spreadcheck.errors import hidden_in
from spreadcheck.sheet.cells import shortest
from spreadcheck.sheet.traysheet import read_sheet, sheet_text
from spreadcheck.sheet.traytest import CatchState, FormRow, tray_test
from spreadcheck.show.form import phone_html
from spreadcheck.units import parse_number

NAN = float("nan")
SAMPLES = Path(__file__).parents[2] / "sample_trays"
UNLIKE = ("blend", "boom_blocked_outlet", "lopsided", "sparse_gaps", "uneven_spacing", "us_units", "volumes")
FILE = "tray-sheet-filled.csv"


def blank_test(offsets=(-6, -3, 0, 3, 6), passes=2, form=None, **more):
    """A tray sheet that waits for its weights."""
    catch = np.full((len(offsets), passes), NAN)
    known = {"test": "Before vane change", "product": "Granular urea"} | (form or {})
    return tray_test(offsets, catch, tray_width="0.5 m", tray_length="0.5 m", form=known, **more)


def filled(test, cells, *, notes=(), form=()):
    """The same test with cells typed in: a number, None for blank, "x" for thrown out."""
    state = [
        [CatchState.NOT_WEIGHED if c is None else CatchState.THROWN_OUT if c == "x" else 0 for c in r] for r in cells
    ]
    catch = [[NAN if c is None or c == "x" else c for c in row] for row in cells]
    return dataclasses.replace(
        test,
        catch=np.array(catch, dtype=float),
        state=np.array(state, dtype=np.uint8),
        note=tuple(notes) or test.note,
        form=test.form + tuple(form),
    )


def open_form(browser, test):
    """Open the entry form of a test."""
    browser.open(phone_html(entry_form(test), file_name=FILE))


def type_weight(browser, text, *, keep=False):
    """Type a weight and press Enter, as a phone's keypad does; `keep` insists where the form doubts."""
    field = browser.find("#weight")
    field.send_keys(text + Keys.ENTER)
    if keep:
        answer(browser, "Keep")


def answer(browser, start):
    """Press the answer to a question that starts so."""
    next(button for button in browser.all("#answers button") if button.text.startswith(start)).click()


def press(browser, button):
    """Press a button by its id, scrolled clear of the header that stays on top."""
    browser.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", browser.find(f"#{button}"))
    browser.find(f"#{button}").click()


def save(browser):
    """Press save and fetch what the phone saved."""
    press(browser, "save")
    return browser.saved(FILE)


def unfold(browser, number):
    """Unfold a part of the page: 0 the text, 1 the details, 2 the cautions, 3 starting over."""
    browser.all("summary")[number].click()


def detail(browser, label):
    """The field of one detail."""
    return browser.driver.execute_script(
        "return [...document.querySelectorAll('#details label')].find((e) => e.innerText === arguments[0]).control",
        label,
    )


def test_whole_test_typed_with_a_reload_midway(browser):
    """Number, decimal comma, zero, blank, x, note; a reload; the saved file is what the program would write."""
    test = blank_test()
    open_form(browser, test)
    type_weight(browser, "4.10")
    type_weight(browser, "11,7")
    press(browser, "blank")
    browser.find("#note").send_keys('kicked, "by" the wind')
    type_weight(browser, "0012")
    press(browser, "out")
    assert "5 of 10 entered" in browser.shown()
    type_weight(browser, "0")
    browser.driver.refresh()
    assert "6 of 10 entered" in browser.shown()
    assert browser.find("#tray").text == "L1"
    for weight in ("11.25", "12", ".5", "1e1"):
        type_weight(browser, weight, keep=weight in (".5", "1e1"))  # far from what stands beside them
    assert "Every tray is entered" in browser.shown()
    assert "No verdict here: this page looks at single weights only." in browser.shown()
    assert f"spreadcheck analyse {FILE}" in browser.shown()
    assert not re.search(r"\bCV\b|\d %|\bfits\b", browser.shown())  # nothing that could be taken for one
    assert browser.all("#question")[0].is_displayed() is False
    expected = filled(
        test,
        [[4.1, 0], [11.7, 11.25], [None, 12], [12, 0.5], ["x", 10]],
        notes=("", "", "", 'kicked, "by" the wind', ""),
    )
    data = save(browser)
    assert data == sheet_text(expected).encode()
    assert read_sheet(io.BytesIO(data)) == expected


def test_numbers_are_written_as_the_program_writes_them(browser):
    """The shortest text that reads back as the same double: checked against Python's own `repr`."""
    generator = np.random.default_rng(20260414)
    weights = [*(10 ** generator.uniform(-6, 7, 400)), *np.round(generator.uniform(0, 100, 200), 1)]
    weights += [1e-6, 9.99e-5, 1e-4, 0.00012, 1e7, 123456.789, 0.1 + 0.2, 5e-324 * 0, 100.0, 3]
    open_form(browser, blank_test())
    texts = browser.driver.execute_script("return arguments[0].map((text) => catchOf(text, SHEET.columns[0]).cell)",
                                          [repr(float(weight)) for weight in weights])  # fmt: skip
    assert texts == [shortest(weight) for weight in weights]


def test_a_number_is_read_as_the_program_reads_it(browser):
    """The page takes and refuses the same writings as `parse_number` does."""
    texts = ["12.5", "12,5", " 7 ", "+3", ".5", "5.", "1e2", "", "abc", "1 200", "1.200,5", "nan", "inf", "0x10", "١٢",
             "1_0", "--3", "3g", "\u22123", "1e999"]  # fmt: skip
    open_form(browser, blank_test())
    read = dict(zip(texts, browser.driver.execute_script("return arguments[0].map(numberOf)", texts), strict=True))
    assert read == {text: parse_number(text, decimal_comma=True) for text in texts}


def test_doubt_is_asked_about_and_can_be_insisted_on(browser):
    open_form(browser, blank_test())
    type_weight(browser, "12")
    type_weight(browser, "120")
    question = "120 is 10 times as much or more: the trays beside it and its other passes have 12. Is it right?"
    assert browser.find("#asked").text == question
    answer(browser, "Correct")
    assert browser.find("#tray").text == "L1"
    type_weight(browser, "13")  # the weight stays selected, so that typing replaces it
    assert browser.find("#tray").text == "C"
    type_weight(browser, "130")
    answer(browser, "Keep 130")
    assert browser.find("#tray").text == "R1"
    press(browser, "back")
    press(browser, "back")
    type_weight(browser, "1.2")  # a tenth of one neighbour and of the other
    assert browser.find("#asked").text.startswith(
        "1.2 is a tenth or less: the trays beside it and its other passes have 12 to 130"
    )


def test_negative_weight_is_never_kept(browser):
    """A sheet holds no negative catch, so the form offers what it can hold."""
    open_form(browser, blank_test())
    type_weight(browser, "-0.4")
    assert browser.find("#asked").text == (
        "-0.4 is below nothing. Was the weight of the empty tray taken off twice? A sheet holds no negative catch."
    )
    answer(browser, "Enter 0")
    type_weight(browser, "-3")
    answer(browser, "Keep it as x")
    type_weight(browser, "twelve")
    assert '"twelve" is not a weight; type digits, or press Blank or x' in browser.shown()
    type_weight(browser, Keys.BACKSPACE)
    assert "Nothing typed: press Blank if this tray was not weighed" in browser.shown()
    type_weight(browser, "99999999")
    assert "99999999 g can't be right for one tray; check the number" in browser.shown()
    press(browser, "save")
    answer(browser, "Drop it")
    answer(browser, "Save it so")
    cells = [[0, None], ["x", None], [None, None], [None, None], [None, None]]
    assert browser.saved(FILE) == sheet_text(filled(blank_test(), cells)).encode()


def test_going_about(browser):
    """Any tray, any pass, from the right, and back over the border of a pass."""
    open_form(browser, blank_test())
    browser.all("#trays button")[3].click()
    assert browser.find("#tray").text == "R1"
    press(browser, "order")
    type_weight(browser, "5")
    assert browser.find("#tray").text == "C"
    browser.choose("#pass", "1")
    assert browser.find("#tray").text == "R2"
    assert browser.find("#place").text == "6 m right, pass 2"
    press(browser, "back")
    assert (browser.find("#tray").text, browser.find("#place").text) == ("L2", "6 m left, pass 1")
    type_weight(browser, "7")  # the end of the pass: on to the first tray of it that is missing
    assert browser.find("#tray").text == "R2"
    press(browser, "save")
    assert browser.find("#asked").text == "8 cells are not entered; the sheet will have them blank. Save it so?"
    answer(browser, "Go on")


def test_what_is_typed_is_not_dropped_in_silence(browser):
    """Going elsewhere with a weight typed and not entered asks first."""
    open_form(browser, blank_test())
    browser.find("#weight").send_keys("4.2")
    for leave in (browser.all("#trays button")[3].click, lambda: press(browser, "save")):
        leave()
        assert browser.find("#asked").text == "4.2 is typed for L2 and not entered yet."
        answer(browser, "Stay")
    browser.choose("#pass", "1")
    assert browser.find("#place").text == "6 m left, pass 1"
    answer(browser, "Drop it")
    assert browser.find("#place").text == "6 m left, pass 2"


def test_details_of_the_form(browser):
    """Rows keep their place; new ones follow in the order of the form; what can't be right is not taken."""
    test = blank_test()
    known = test.form
    test = dataclasses.replace(test, form=(*known, FormRow("Wind speed", "", "m/s"), FormRow("own label", "seven")))
    open_form(browser, test)
    unfold(browser, 1)
    detail(browser, "wind speed").send_keys("1,40")
    detail(browser, "surface").send_keys("stubble; short, dry")
    detail(browser, "operator").send_keys("  Ann <b>\t")
    detail(browser, "wind from").send_keys("ahead left")
    detail(browser, "relative humidity").send_keys("140" + Keys.TAB)
    assert "Not taken: it must be from 0 to 100 %." in browser.shown()
    detail(browser, "spinner speed").send_keys("800")
    detail(browser, "air temperature").send_keys("50")
    browser.driver.execute_script(
        "const unit = arguments[0].parentNode.querySelector('.unit'); unit.value = 'degF';"
        "unit.dispatchEvent(new Event('change'))", detail(browser, "air temperature"))  # fmt: skip
    detail(browser, "own label").send_keys(" and eight")
    press(browser, "save")
    answer(browser, "Save it so")
    data = browser.saved(FILE)
    form = [*known, FormRow("Wind speed", "1.4", "m/s"), FormRow("own label", "seven and eight")]
    form += [
        FormRow("operator", "Ann <b>"), FormRow("wind from", "ahead left"), FormRow("air temperature", "50", "degF"),
        FormRow("surface", "stubble; short, dry"), FormRow("spinner speed", "800", "rpm"),
    ]  # fmt: skip
    expected = dataclasses.replace(test, form=tuple(form))
    assert data == sheet_text(expected).encode()
    assert read_sheet(io.BytesIO(data)).quantity("air temperature") == pytest.approx(10)


HOSTILE = "</script><img src=x onerror=\"document.title='broken'\">'&amp;${1+1}"


def test_what_people_write_is_shown_as_text(browser):
    test = blank_test(
        (-1, 0, 1), 1, {"test": HOSTILE, "product": HOSTILE, "<b>own": HOSTILE}, tray=["<i>", '"', "&lt;"]
    )
    test = dataclasses.replace(test, note=(HOSTILE, "", ""))
    open_form(browser, test)
    assert browser.driver.title == HOSTILE
    assert browser.find("h1").text == HOSTILE
    assert [b.text.split("\n")[0] for b in browser.all("#trays button")] == ["<i>", '"', "&lt;"]
    assert browser.find("#note").get_attribute("value") == HOSTILE
    assert not browser.all("img, i, b")
    for weight in "123":
        type_weight(browser, weight)
    assert save(browser) == sheet_text(filled(test, [[1], [2], [3]])).encode()


def test_nothing_leaves_the_phone(browser):
    """The page asks for itself alone, and its policy holds back whatever tries to reach out."""
    html = phone_html(entry_form(blank_test()), file_name=FILE)
    address = browser.open(html)
    type_weight(browser, "1")
    asked = [url for url in browser.requests() if not url.startswith(("data:", "chrome:"))]
    assert asked == [address]
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", html)
    done = browser.driver.execute_async_script(
        "const done = arguments[0]; fetch('/empty.html').then(() => done('reached'), () => done('held back'))"
    )
    assert done == "held back"
    assert "Content Security Policy" in browser.complaints()[0]


def test_two_tests_do_not_mix(browser):
    """What is kept is kept under the fingerprint of the sheet."""
    one, other = blank_test(), blank_test(form={"test": "After vane change"})
    open_form(browser, one)
    type_weight(browser, "4")
    (browser.pages / "other.html").write_text(phone_html(entry_form(other)), encoding="utf-8")
    browser.driver.get(f"{browser.address}/other.html")
    assert "0 of 10 entered" in browser.shown()
    browser.driver.get(f"{browser.address}/page.html")
    assert "1 of 10 entered" in browser.shown()
    unfold(browser, 3)
    press(browser, "forget")
    answer(browser, "Forget it")
    assert "0 of 10 entered" in browser.shown()
    browser.driver.refresh()
    assert "0 of 10 entered" in browser.shown()


def test_opened_from_the_phones_own_files(browser):
    """No server at all: kept over a reload, and saved."""
    test = blank_test((-1, 1), 1)
    (browser.pages / "own.html").write_text(phone_html(entry_form(test), file_name=FILE), encoding="utf-8")
    browser.driver.get((browser.pages / "own.html").as_uri())
    type_weight(browser, "4")
    browser.driver.refresh()
    assert "1 of 2 entered" in browser.shown()
    type_weight(browser, "5")
    assert save(browser) == sheet_text(filled(test, [[4], [5]])).encode()


def test_storage_that_is_broken_or_refused_is_said(browser):
    open_form(browser, blank_test())
    assert "Kept in this browser after every entry." in browser.shown()
    browser.driver.execute_script("localStorage.setItem(KEY, '{\"cells\": 7}')")
    browser.driver.refresh()
    assert "What this phone had kept of this test can't be read; the form starts from the sheet." in browser.shown()
    script = {"source": "Storage.prototype.setItem = () => { throw new Error('full') }"}
    added = browser.driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", script)
    browser.driver.refresh()
    assert "This browser keeps nothing" in browser.shown()
    type_weight(browser, "4")
    assert "1 of 10 entered" in browser.shown()
    browser.driver.execute_script("saved = true")  # or the browser asks before it leaves the page
    browser.driver.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", added)
    browser.driver.get(f"{browser.address}/empty.html")


def test_a_sheet_that_is_half_filled_goes_on(browser):
    """Catches that the sheet holds already are there; x and components keep their meaning."""
    sheet = (
        "spreadcheck tray sheet,1\ntest,Blend\ntray width,1,ft\ntray length,1,ft\nreversed passes,2\n\n"
        "tray,offset,pass 1 / potash,pass 1 / urea,pass 2 / potash,pass 2 / urea\n,ft,g,g,oz,g\n"
        "L1,-2.5,3.25,x,,\nR1,2.5,,0,,\n"
    )
    test = read_sheet(io.StringIO(sheet))
    open_form(browser, test)
    assert "3 of 8 entered" in browser.shown()
    assert browser.find("#place").text == "2.5 ft left, pass 1 / potash"
    browser.choose("#pass", "2")
    assert browser.find("#place").text == "2.5 ft left, pass 2 / potash"
    assert browser.find("#way").text == "This pass was driven the other way; the trays keep their names."
    assert browser.find("#unit").text == "oz"
    for weight in ("0.5", "0.25"):
        type_weight(browser, weight)
    press(browser, "save")
    answer(browser, "Save it so")
    expected = filled(test, [[3.25, "x", 0.5, None], [None, 0, 0.25, None]])
    assert browser.saved(FILE) == sheet_text(expected).encode()


@pytest.mark.parametrize("name", UNLIKE)
def test_a_sheet_is_written_as_the_program_writes_it(browser, name):
    """Nothing typed: what the page would save equals what the program would, byte for byte."""
    test = read_sheet(SAMPLES / f"{name}.csv")
    open_form(browser, test)
    assert browser.driver.execute_script("return sheetText(state)") == sheet_text(test)
    assert browser.driver.execute_script("return document.documentElement.scrollWidth <= innerWidth")


def test_targets_are_big_and_the_page_is_no_wider_than_the_phone(browser):
    """Gloved fingers: every button and field is at least 48 CSS pixels high, every button as wide."""
    open_form(browser, blank_test(tuple(range(-20, 21)), 3))
    for number in range(4):
        unfold(browser, number)
    shown = browser.driver.execute_script(
        "return [...document.querySelectorAll('button, input, select, summary, textarea')]"
        ".filter((e) => e.checkVisibility({ visibilityProperty: true }))"
        ".map((e) => [e.offsetWidth, e.offsetHeight, e.outerHTML])"
    )
    assert len(shown) >= 100
    assert not [name for width, height, name in shown if min(width, height) < 48]
    assert browser.driver.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    assert browser.find("#weight").get_attribute("inputmode") == "decimal"


def test_the_picture_grows(browser):
    """One bar a weight, as high as its share of the highest; a line where other passes have weights."""
    open_form(browser, blank_test())
    for weight in ("5", "10", "20"):
        type_weight(browser, weight)
    press(browser, "out")
    heights = [float(bar.get_attribute("height")) for bar in browser.all("#picture .bar")]
    assert heights == pytest.approx([145 / 4, 145 / 2, 145])
    assert [t.text for t in browser.all("#picture text")] == ["x", "LEFT", "RIGHT", "highest 20 g"]
    browser.choose("#pass", "1")
    assert len(browser.all("#picture .bar")) == 0
    assert len(browser.all("#picture .others")) == 3


class _Parts(HTMLParser):
    """Tags and the attributes that could reach out."""

    def __init__(self):
        super().__init__()
        self.reaching = []
        self.policy = ""

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        self.reaching += [found[name] for name in ("src", "href", "action", "data", "poster") if name in found]
        if found.get("http-equiv") == "Content-Security-Policy":
            self.policy = found["content"]


def test_one_file_that_needs_nothing():
    """No outside resource in the markup, a policy of hashes only, and light enough to send in a message."""
    html = phone_html(entry_form(blank_test(tuple(range(-20, 21)), 3)))
    parts = _Parts()
    parts.feed(html)
    assert parts.reaching == ["data:,"]
    assert parts.policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in parts.policy
    assert len(base64.b64decode(re.search(r"sha256-([^']+)'", parts.policy)[1])) == 32
    assert len(html.encode()) < 64 * 1024


def test_signs_that_hide_are_shown_as_escapes(browser):
    """Words of a sheet that would turn the reading direction or clear a screen: seen on the page, kept in the sheet."""
    test = dataclasses.replace(
        blank_test(form={"test": "a\x1b[2J", "own \u202eword": "b\u200b"}), tray=("x\u2066", "L1", "C", "R1", "R2")
    )
    open_form(browser, test)
    assert hidden_in(browser.shown()) <= {"\n"}
    for escape in (r"a\x1b[2J", r"x\u2066"):
        assert escape in browser.shown()
    assert browser.driver.execute_script("return SHEET.trays[0].name") == "x\u2066"
