"""The report as a web page, in a real browser: the slider against the library, safety, reading without JavaScript."""

import base64
import dataclasses
import functools
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from selenium.webdriver.common.keys import Keys

from spreadcheck import assess, profile_from, read_sheet, tray_test
from spreadcheck.cli import main
from spreadcheck.judge.assessment import bouts_at
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import FormRow
from spreadcheck.show.format import show_figure, show_rate, show_width
from spreadcheck.show.pages import document_html
from spreadcheck.show.report import bout_table, plain_words, report
from spreadcheck.show.verdict import down_m
from spreadcheck.spread.widths import check_widths

SAMPLES = Path(__file__).parents[2] / "sample_trays"
UNLIKE = ("blend", "boom_blocked_outlet", "lopsided", "sparse_gaps", "us_units", "volumes")  # what a page can hold
FIGURES = {
    "cv": "cv_pct",
    "cvTrays": "cv_trays_pct", "cvLine": "cv_line_pct", "mean": "mean_kg_ha", "least": "min_kg_ha", "most": "max_kg_ha",
    "within10": "within_10_pct", "within20": "within_20_pct",
}  # fmt: skip
HOSTILE = "</script><script>document.title='broken'</script><img src=x onerror=alert(1)>'\"&amp;=cmd()|${1+1}"


@functools.cache
def sample(name, **more):
    return assess(read_sheet(SAMPLES / f"{name}.csv"), **more)


@functools.cache
def sample_page(name, **more):
    """The page of a sample sheet, made once; pictures are drawn for one product and for a blend."""
    with pytest.MonkeyPatch.context() as patch:
        if name not in ("lopsided", "blend"):
            patch.setattr(
                "spreadcheck.show.report.drawn",
                lambda *_: lambda: '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 3"></svg>',
            )
        return report_html(sample(name, **more))


def report_html(result, system="metric", *, paper="a4"):
    """The report as a page."""
    return document_html(report(result, system), paper=paper)


def picture_of(address):
    """The SVG in a data address."""
    return base64.b64decode(address.removeprefix("data:image/svg+xml;base64,")).decode()


def move(browser, value):
    """Move the slider to a value in its own unit, as a finger does; returns the figures that the page then shows."""
    return browser.driver.execute_script(
        "const slider = document.getElementById('slider'); slider.value = arguments[0];"
        "slider.dispatchEvent(new Event('input', { bubbles: true })); return shownFigures();"
        "function shownFigures() { const { pieces, ...rest } = state.figures; return { width: state.width,"
        " method: state.method, ...rest }; }",
        value,
    )


def agrees(found, bout):
    """The page's figures against the library's: 1e-6 of a rate, 1e-6 % of a CV or share."""
    for name, ours in FIGURES.items():
        value = found[name]
        expected = getattr(bout, ours)
        if value is None:  # JSON has no NaN
            assert np.isnan(expected), name
        else:
            assert value == pytest.approx(expected, rel=1e-6, abs=1e-6), (name, bout.width_m, bout.method)


def uneven():
    """Trays at uneven places, heavier on the left; an invented pattern."""
    offset = [-9, -7.5, -6, -4, -3, -1.5, 0, 1, 2.5, 4, 6, 9]
    return tray_test(offset, [0.5, 3, 6, 9, 9, 8, 8, 7, 6, 4, 2, 0.2], tray_width="0.5 m", tray_length="0.5 m")


@pytest.mark.parametrize(
    ("name", "tails"), [("lopsided", "taper"), ("sparse_gaps", "cut"), ("us_units", "taper"), ("uneven", "cut")]
)
@pytest.mark.usefixtures("undrawn")
def test_the_slider_shows_what_the_library_finds(browser, name, tails):
    """Moved over its whole range, both driving methods: every figure within 1e-6 of the library's."""
    result = assess(uneven(), tails=tails) if name == "uneven" else sample(name, tails=tails)
    browser.open(report_html(result))
    low, high = (float(browser.find("#slider").get_attribute(end)) for end in ("min", "max"))
    for method in METHODS:
        browser.driver.execute_script("document.querySelector(`[value='${arguments[0]}']`).click()", method)
        for value in [*np.linspace(low, high, 6).round(1), 7.3, result.bout_width_m or high]:
            found = move(browser, float(value))
            assert found["method"] == method
            assert found["width"] == pytest.approx(value, abs=0.05 + 1e-9)  # half a step of the slider
            agrees(found, bouts_at(result.profile, found["width"])[method])


def test_the_same_formulas_on_patterns_of_every_kind(browser):
    """Random patterns: even, with gaps, uneven, off the centre line, with zeros; both tails; any width."""
    browser.open(sample_page("lopsided"))
    draw = np.random.default_rng(5)
    cases = []
    for number in range(150):
        count = int(draw.integers(2, 45))
        spacing = draw.choice([0.25, 0.3048, 0.5, 1.0, 2.0])
        steps = np.arange(count) if number % 3 == 0 else np.sort(draw.choice(3 * count, count, replace=False))
        offset = (steps - draw.integers(0, count)) * spacing
        if number % 3 == 2:
            offset = np.sort(offset + draw.uniform(0, 0.3, count) * spacing)
        rate = np.round(draw.gamma(1.5, 60, count), 1) * (draw.random(count) > 0.15)
        rate[0] += 1
        tails = ("taper", "cut")[number % 2]
        profile = profile_from(offset, rate, tails=tails)
        width = (
            draw.integers(2, 60) * profile.spacing_m if number % 4 else float(draw.uniform(2, 60) * profile.spacing_m)
        )
        check_widths(profile, float(width))
        cases.append((profile, float(width)))
    data = [
        {"offset": p.offset_m.tolist(), "rate": p.rate_kg_ha.tolist(), "tails": p.tails, "width": w} for p, w in cases
    ]
    found = browser.driver.execute_script(
        "return arguments[0].map((one) => [true, false].map((back) => {"
        "const { pieces, ...rest } = figuresAt(profileFrom(one), one.width, back); return rest; }))",
        data,
    )
    for (profile, width), both in zip(cases, found, strict=True):
        for method, figures in zip(METHODS, both, strict=True):
            agrees(figures, bouts_at(profile, width)[method])


def test_what_is_shown_is_rounded_as_the_library_rounds(browser):
    """The table, the sentence and the spoken words at one width; then the other way of driving."""
    result = sample("lopsided")
    browser.open(sample_page("lopsided"))
    assert browser.find("#typed").get_attribute("value") == "21"
    for method in METHODS:
        browser.driver.execute_script("document.querySelector(`[value='${arguments[0]}']`).click()", method)
        move(browser, 17.4)
        bout = bouts_at(result.profile, 17.4)[method]
        assert browser.find("#now-cv").text == f"{show_figure(bout.cv_pct)} %"
        assert browser.find("#now-cv-trays").text == "-"  # between whole spacings it jumps
        assert browser.find("#now-cv-line").text == f"{show_figure(bout.cv_line_pct)} %"
        for name, rate in (("mean", bout.mean_kg_ha), ("least", bout.min_kg_ha), ("most", bout.max_kg_ha)):
            shown = f"{show_rate(rate, result)} kg/ha ({show_rate(rate, result, 'us')} lb/ac)"
            assert browser.find(f"#now-{name}").text == shown
        assert browser.find("#now-within-10").text == f"{show_figure(bout.within_10_pct, digits=0)} %"
        assert browser.find("#now-within-20").text == f"{show_figure(bout.within_20_pct, digits=0)} %"
        move(browser, 17)
        whole = bouts_at(result.profile, 17.0)[method]
        assert browser.find("#now-cv-trays").text == f"{show_figure(whole.cv_trays_pct)} %"
        move(browser, 17.4)
        verdict = "even enough" if bout.cv_pct <= 15 else "NOT even enough"
        assert f"At 17.4 m (57.1 ft), driven {method}: {verdict}, CV" in browser.find("#verdict").text
        assert browser.find("#slider").get_attribute("aria-valuetext") == "17.4 m (57.1 ft)"


def test_the_result_is_spoken_once_the_slider_rests(browser):
    from selenium.webdriver.support.ui import WebDriverWait

    browser.open(sample_page("lopsided"))
    move(browser, 12.0)
    spoken = browser.find("#spoken")
    assert (spoken.get_attribute("aria-live"), spoken.get_attribute("role")) == ("polite", "status")
    wait = WebDriverWait(browser.driver, 5)
    assert wait.until(
        lambda _: spoken.get_attribute("textContent").startswith("At 12 m (39.4 ft), driven back-and-forth")
    )


def test_keyboard_typed_width_and_buttons(browser):
    """Arrow keys step by 0.1 m; a typed width is taken exactly; a button leads to an effective width."""
    width = down_m(sample("lopsided").effective_width_m("round-and-round"))
    browser.open(sample_page("lopsided"))
    slider = browser.find("#slider")
    slider.send_keys(Keys.ARROW_RIGHT)
    assert browser.driver.execute_script("return state.width") == pytest.approx(21.1)
    slider.send_keys(Keys.HOME)
    assert browser.driver.execute_script("return state.width") == pytest.approx(2)
    typed = browser.find("#typed")
    typed.send_keys(Keys.CONTROL + "a")
    typed.send_keys("17,625")
    assert browser.driver.execute_script("return state.width") == 17.625
    typed.send_keys(Keys.CONTROL + "a")
    typed.send_keys("99")
    assert browser.find("#refused").text == "Type a width from 2 m (6.6 ft) to 36 m (118.1 ft)."
    assert typed.get_attribute("aria-invalid") == "true"
    browser.driver.execute_script(
        "[...document.querySelectorAll('button')]"
        ".find((b) => b.textContent.includes('effective: ' + arguments[0])).click()",
        f"{show_width(width)} round-and-round",
    )
    assert browser.driver.execute_script("return [state.width, state.method]") == [width, "round-and-round"]
    assert browser.find("#refused").text == ""


@pytest.mark.usefixtures("undrawn")
def test_us_units_lead_where_asked_for(browser):
    result = sample("us_units")
    browser.open(report_html(result, "us"))
    assert browser.find("#typed").get_attribute("value") == "56"
    assert browser.find("#slider").get_attribute("step") == "0.5"
    found = move(browser, 40.5)
    assert found["width"] == pytest.approx(40.5 * 0.3048)
    agrees(found, bouts_at(result.profile, found["width"])["round-and-round"])
    assert browser.find("#now-mean").text.split(" ")[1] == "lb/ac"
    assert "At 40.5 ft (12.3 m)" in browser.find("#verdict").text


def test_the_picture_follows(browser):
    """The thick line runs through least and most; the mean line stands at the mean."""
    browser.open(sample_page("lopsided"))
    found = move(browser, 21.0)
    path = browser.find("#deposit").get_attribute("d")
    heights = [252 - float(pair.split()[1]) for pair in path[1:].split("L")]
    scale = 218 / (1.12 * found["most"])  # px a kg/ha: 218 px are 1.12 times the most
    assert max(heights) == pytest.approx(found["most"] * scale, abs=0.01)
    assert min(heights) == pytest.approx(found["least"] * scale, abs=0.01)
    mean = float(re.search(r"M46 ([\d.]+)H", browser.find("#mean").get_attribute("d"))[1])
    assert 252 - mean == pytest.approx(found["mean"] * scale, abs=1e-6)
    assert [browser.find(f"#way{n}").text for n in (-1, 0, 1)] == ["↓", "↑", "↓"]


def test_rates_in_proportion(browser):
    """ml without a bulk density: % of the peak in the page too."""
    test = tray_test(np.arange(-4, 5), [1, 2, 4, 5, 5, 5, 4, 2, 1], tray_width="1 m", tray_length="1 m", unit="ml")
    result = assess(test, relative=True, bout_width_m=5)
    browser.open(report_html(result))
    agrees(move(browser, 6.0), bouts_at(result.profile, 6.0)["back-and-forth"])
    assert browser.find("#now-mean").text.endswith("% of peak")
    assert "kg/ha" not in browser.find("main").text.replace("in kg/ha; the passes", "")


def hostile_test():
    test = read_sheet(SAMPLES / "sparse_gaps.csv")
    form = [FormRow(row.label, HOSTILE, "") if row.label in ("test", "product") else row for row in test.form]
    form += [FormRow("<b>own", HOSTILE, "<i>"), FormRow("operator", "=cmd()", "")]
    note = (HOSTILE, *test.note[1:])
    return dataclasses.replace(test, form=tuple(form), note=note, tray=("<s>", '"', *test.tray[2:]))


def test_what_people_write_is_shown_as_text(browser):
    browser.open(report_html(assess(hostile_test())))
    assert browser.driver.title == f"{HOSTILE}: spread pattern report"
    assert browser.find("h1").text == HOSTILE
    text = browser.shown()
    assert text.count(HOSTILE) >= 4  # heading, product, the form's rows, the note
    assert "=cmd()" in text
    assert "<b>own" in text
    assert not browser.all("img:not(figure img), main b, main i, main s")
    assert len(browser.all("script")) == 2


def test_nothing_reaches_out(browser):
    """The page asks for itself alone, and its policy holds back whatever tries."""
    html = sample_page("lopsided")
    address = browser.open(html)
    move(browser, 10.0)
    assert [url for url in browser.requests() if not url.startswith(("data:", "chrome:"))] == [address]
    done = browser.driver.execute_async_script(
        "const done = arguments[0]; fetch('/empty.html').then(() => done('reached'), () => done('held back'))"
    )
    assert done == "held back"
    assert "Content Security Policy" in browser.complaints()[0]


@pytest.mark.parametrize("name", UNLIKE)
def test_no_wider_than_a_phone(browser, name):
    """390 CSS pixels: the page itself never scrolls sideways, only a wide table does within its own frame."""
    browser.open(sample_page(name))
    assert browser.driver.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    for field in browser.all("#try input, #try button"):
        target = field if field.get_attribute("type") != "radio" else field.find_element("xpath", "..")
        assert target.size["height"] >= 44, field.get_attribute("outerHTML")
    for picture in browser.all("figure img"):
        drawn = picture_of(picture.get_attribute("src"))
        width = float(re.search(r'viewBox="0 0 ([\d.]+) ', drawn)[1])
        for size in re.findall(r"font: (?:[a-z]+ )*([\d.]+)px", drawn):
            assert float(size) * picture.size["width"] / width >= 8  # CSS pixels: the smallest sign can be read


def test_it_reads_without_javascript(browser):
    """Words, figures, three pictures, tables; the slider is not shown at all."""
    result = sample("lopsided")
    browser.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        (browser.pages / "plain.html").write_text(sample_page("lopsided"), encoding="utf-8")
        browser.driver.get(f"{browser.address}/plain.html")
        text = browser.shown()
        shown = [figure.is_displayed() for figure in browser.all("figure")]
        hidden = not browser.find("#try").is_displayed()
    finally:
        browser.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    assert hidden
    assert shown == [False, True, True, True]
    for heading, sentences in plain_words(result).items():
        assert heading in text
        assert all(sentence in text for sentence in sentences)
    assert "Opened in a web browser with JavaScript" in text
    assert "21 m back-and-forth (driven) 27.7 27.8 27.0 159.9 89.7 229.3 41 50" in text
    assert " ".join(bout_table(result).rows[2]) in text  # the first of the effective widths


def luminance(colour):
    """Relative luminance of an sRGB colour, WCAG 2.1."""
    parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_contrast(browser):
    """WCAG 2.1, 1.4.3: every text against what lies behind it, at least 4.5 to 1."""
    browser.open(sample_page("sparse_gaps"))
    pairs = browser.driver.execute_script(
        "const behind = (e) => { for (let at = e; at; at = at.parentElement) { const c = getComputedStyle(at)"
        ".backgroundColor; if (c !== 'rgba(0, 0, 0, 0)') return c; } return 'rgb(255, 255, 255)'; };"
        "return [...new Set([...document.querySelectorAll('body *')].filter((e) => [...e.childNodes].some((n) =>"
        " n.nodeType === 3 && n.textContent.trim())).map((e) => `${getComputedStyle(e)[e.namespaceURI.includes('svg') ?"
        " 'fill' : 'color']}|${behind(e)}`))]"
    )
    assert len(pairs) >= 3
    for pair in pairs:
        light, dark = sorted((luminance(colour) for colour in pair.split("|")), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, pair


@pytest.mark.parametrize(("paper", "size"), [("a4", "595 x 842"), ("letter", "612 x 792")])
@pytest.mark.usefixtures("undrawn")
def test_it_prints(browser, poppler, paper, size):
    """Page size as asked for, no slider on paper, and every row of every table there."""
    result = sample("lopsided")
    browser.open(report_html(result, paper=paper))
    printed = browser.driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})
    data = base64.b64decode(printed["data"])
    info = poppler("pdfinfo", "-", data=data)
    width, height = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", info).groups()
    assert f"{float(width):.0f} x {float(height):.0f}" == size
    text = poppler("pdftotext", "-layout", "-", "-", data=data)
    assert "Try another bout width" not in text
    assert "In short" in text
    assert "Raw trays" in text
    rows = [line.split() for line in text.splitlines()]
    for tray in result.test.tray:
        assert any(row[:1] == [tray] for row in rows), tray


class Outline(HTMLParser):
    """Tags with their attributes."""

    def __init__(self, html):
        super().__init__()
        self.tags = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    handle_startendtag = handle_starttag

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.mark.parametrize("name", UNLIKE)
def test_a_page_for_everyone(name):
    """Language, one main heading, scopes, captions, named pictures, unique names; nothing outside, no inline style."""
    html = sample_page(name)
    page = Outline(html)
    assert page.all("html") == [{"lang": "en"}]
    assert len(page.all("h1")) == 1
    assert all(head.get("scope") in ("col", "row") for head in page.all("th"))
    assert len(page.all("table")) == len(page.all("caption")) >= 6
    names = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(names) == len(set(names))
    (slider,) = page.all("svg")
    assert slider["role"] == "img"
    assert set(slider["aria-labelledby"].split()) <= set(names)
    pictures = page.all("img")
    assert len(pictures) == 3
    assert all(len(picture["alt"]) > 40 and "<svg" in picture_of(picture["src"]) for picture in pictures)
    for _, attributes in page.tags:
        assert "style" not in attributes
        assert not any(name.startswith("on") for name in attributes)
        assert attributes.get("href", "#").startswith("#") or attributes["href"] == "data:,"
        assert attributes.get("href", "#")[1:] in {"", "ata:,", *names}
        assert attributes.get("src", "data:").startswith("data:")
    policy = next(tag["content"] for tag in page.all("meta") if tag.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in policy
    assert len(html.encode()) < 300 * 1024  # light enough for a message
    for heading in plain_words(sample(name)):
        assert heading in html


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_the_command_writes_both(tmp_path, undrawn):
    """Both files show one report: its three pictures are drawn once."""
    page, pdf = tmp_path / "r.html", tmp_path / "r.PDF"
    sheet = SAMPLES / "lopsided.csv"
    done = run("analyse", sheet, "--report", page, "--report", pdf, "--paper", "letter", "--units", "us", "--limit", 30)
    assert done.exit_code == 0, done.output
    text = page.read_text(encoding="utf-8")
    assert "size: letter" in text
    assert "At 68.9 ft (21.0 m), back-and-forth: fits. CV 27.7 %, within the limit of 30 %" in text
    assert pdf.read_bytes().startswith(b"%PDF")
    assert len(undrawn) == 3
    assert "effective width" in done.stdout  # the summary is shown as ever


@pytest.mark.parametrize(
    ("targets", "message"),
    [
        (["r.docx"], 'r.docx: a report can\'t be written as ".docx"; end the name in .html, .pdf or .md'),
        (["report"], 'report: a report can\'t be written as ""; end the name in .html, .pdf or .md'),
        (["old.html", "new.pdf"], "old.html: exists already; add --overwrite to replace it, or choose another name"),
        (["r.html", "r.html"], "r.html: is asked for twice; give each output a name of its own"),
        (["nowhere/r.pdf"], "nowhere/r.pdf: the folder does not exist; make it first or choose another"),
    ],
)
def test_a_target_that_can_not_be_used(tmp_path, monkeypatch, targets, message):
    """One message, exit code 2, nothing written."""
    monkeypatch.chdir(tmp_path)
    Path("old.html").write_text("precious", encoding="utf-8")
    asked = [part for target in targets for part in ("--report", target)]
    done = run("analyse", SAMPLES / "lopsided.csv", *asked, "--json", "r.json")
    assert (done.exit_code, done.stderr.strip()) == (2, f"spreadcheck: {message}")
    assert [path.name for path in tmp_path.iterdir()] == ["old.html"]
    assert Path("old.html").read_text(encoding="utf-8") == "precious"
