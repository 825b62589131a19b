"""A document in its four forms: nothing written in it is markup, nothing is lost, the same bytes every time."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from spreadcheck.show.document import (
    TO_WRITE,
    Answer,
    Column,
    Document,
    Heading,
    Note,
    Paragraph,
    Picture,
    Place,
    Points,
    Side,
    Table,
    gated,
)
from spreadcheck.show.pages import Pdf, document_html, document_pdf, missing_signs
from spreadcheck.show.text import markdown_text, terminal_text

NASTY = '#panic("x") *b* _i_ $1$ <img src=x onerror=alert(1)> {{ 7*7 }} | `c` \\ [l](u) \u202eturned \x1b[2J'
SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 90 40"><rect style="fill: #ccc" width="90" height="30"/>'
    '<text x="3" y="38" font-family="DejaVu Sans" font-size="8">trays</text></svg>'
)


def every_block(words: str = "words") -> Document:
    cells = Table(
        (Column("tray", align="left"), Column("rate", "kg/ha"), Column("note", align="left")),
        (("L1", "98.5", words), ("C", "101.25", TO_WRITE)),
        f"Rates {words}",
        (f"Noted: {words}",),
    )
    blocks = (
        Heading(f"In short {words}"),
        Paragraph(f"Said {words}", "strong"),
        Answer(f"Even? {words}", f"yes {words}", f"because {words}"),
        Note("Doubt", f"seen {words}", (f"do {words}",)),
        Points((f"one {words}", "two"), numbered=True),
        Side((Heading("Left"), Points((f"left {words}",))), (Heading("Right"), cells)),
        Picture(f"Profile {words}", f"what it shows {words}", lambda: SVG),
        Place("own", lambda: ("<p>own part</p>", "", {})),
    )
    return Document(f"Title {words}", blocks, over="Report", about=(f"About {words}",), foot=f"Foot {words}")


@pytest.fixture(scope="module")
def nasty_pdf() -> Pdf:
    return document_pdf(every_block(NASTY))


def test_no_hidden_sign_gets_past_the_gate_in_any_block() -> None:
    assert "\u202e" not in repr(gated(every_block(NASTY)))
    assert "\x1b" not in terminal_text(every_block(NASTY))


def test_every_word_is_in_the_text_for_a_terminal_within_80_columns() -> None:
    text = terminal_text(every_block("a long word or two " * 6))
    assert max(map(len, text.splitlines())) <= 80
    for said in (
        "Title",
        "About",
        "In short",
        "Said",
        "Even?",
        "yes",
        "Doubt: seen",
        "1. one",
        "left",
        "Foot",
    ):
        assert said in text


def test_the_layout_of_answers_and_tables() -> None:
    """Answers share a column of questions; figures stand right, words left, heads over their units."""
    table = Table((Column("tray", align="left"), Column("rate", "kg/ha")), (("L1", "98.5"), ("C", "101.25")))
    answers = (Answer("Even enough?", "yes"), Answer("Why?", "so", "further"))
    text = terminal_text(Document("A test", (Heading("In short"), *answers, table)))
    assert text.splitlines() == [
        "A test",
        "",
        "In short",
        "Even enough?  yes",
        "Why?          so; further",
        "",
        "  tray    rate",
        "         kg/ha",
        "  L1      98.5",
        "  C     101.25",
    ]


def test_a_table_too_wide_for_the_terminal_goes_on_below_with_its_first_column_again() -> None:
    columns = (Column("tray", align="left"), *(Column(f"column{at}") for at in range(14)))
    table = Table(columns, (("L1", *(f"{at}.12345" for at in range(14))),))
    lines = terminal_text(Document("", (table,))).splitlines()
    assert max(map(len, lines)) <= 80
    assert sum("L1" in line for line in lines) == 2
    assert all(f"column{at}" in "\n".join(lines) for at in range(14))


def test_a_head_breaks_between_words_and_at_a_hyphen_only_where_a_word_has_no_room() -> None:
    heads = ("effective width back-and-forth", "effective width round-and-round", "mean")
    wide = Table((Column("part", align="left"), *map(Column, heads)), (("x" * 18, "1", "2", "3"),))
    assert ["part", "back-and-forth", "round-and-round", "mean"] in [
        line.split() for line in terminal_text(Document("", (wide,))).splitlines()
    ]
    narrow = Table(tuple(Column("back-and-forth") for _ in range(6)), (("1",) * 6,))
    assert "back-and-" in terminal_text(Document("", (narrow,)))


def test_a_ragged_table_is_refused_where_it_is_made() -> None:
    with pytest.raises(ValueError, match="needs 2 cells"):
        Table((Column("a"), Column("b")), (("1",),))


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        assert not [name for name, _ in attrs if name.startswith("on") or name == "style"]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_page_shows_every_word_and_makes_markup_of_none() -> None:
    page = document_html(every_block(NASTY))
    read = _Tags()
    read.feed(page)
    assert read.tags.count("img") == 1  # the picture
    assert "script" not in read.tags
    shown = NASTY.replace("\u202e", "\\u202e").replace("\x1b", "\\x1b")
    assert read.text.count(shown) >= 14
    assert "own part" in read.text
    assert not re.findall(r"(?:src|href)=\"(?!data:)(?!#)", page)


def test_headings_of_the_page_open_sections_that_are_closed() -> None:
    page = document_html(every_block())
    assert page.count("<section>") == page.count("</section>") == 3


def test_markdown_escapes_every_sign_of_markup() -> None:
    plain = Document("Test <1>", (Answer("Even enough?", "yes"), Points(("a*b",))))
    assert markdown_text(plain) == "# Test \\<1\\>\n\n**Even enough?** yes\n\n- a\\*b\n"
    text = markdown_text(every_block(NASTY))
    assert "\\<img" in text
    assert re.search(r"(?<!\\)(<img|\*b|`c)", text) is None


def test_the_pdf_is_tagged_and_shows_words_as_words(poppler, nasty_pdf):
    assert re.search(r"Tagged: +yes", poppler("pdfinfo", "-", data=nasty_pdf.data))
    assert nasty_pdf.pages == 1
    assert nasty_pdf.missing == ""
    assert '#panic("x") *b* _i_ $1$' in poppler("pdftotext", "-layout", "-", "-", data=nasty_pdf.data)


def test_the_pdf_has_the_same_bytes_every_time(nasty_pdf: Pdf) -> None:
    assert document_pdf(every_block(NASTY)).data == nasty_pdf.data


def test_a_sign_that_no_font_has_is_named_and_the_rest_stays(poppler):
    lost = "\u16b5\U00016f50"  # a letter of an old script that DejaVu lacks or has, and one that hardly a font has
    assert "\U00016f50" in missing_signs(f"Tray {lost}")
    made = document_pdf(Document(f"Tray {lost}", (Paragraph("words"),)))
    assert "\U00016f50" in made.missing
    assert "Tray" in poppler("pdftotext", "-", "-", data=made.data)
    assert missing_signs("Tray, 3 m²") == ""


def test_paper_and_its_side() -> None:
    upright, letter = document_pdf(Document("t", ())), document_pdf(Document("t", ()), paper="letter")
    across = document_pdf(Document("t", (), across=True))
    assert b"/MediaBox[0 0 595.2756 841.8898]" in upright.data
    assert b"/MediaBox[0 0 612 792]" in letter.data
    assert b"/MediaBox[0 0 841.8898 595.2756]" in across.data
