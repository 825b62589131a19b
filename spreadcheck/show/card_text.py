"""The settings card as Markdown, and which form a file gets by its ending."""

from __future__ import annotations

import re

from spreadcheck.errors import Fault, OutputError
from spreadcheck.show.card import TITLE, CardRow, CardSection, SettingsCard

FORMATS = ("pdf", "html", "md")
LINE = r"\_\_\_\_\_\_\_\_\_\_\_\_"


def card_format(path: str) -> str:
    """The form of the card by the ending of its file."""
    ending = path.rsplit(".", 1)[-1].lower() if "." in path else ""
    if ending not in FORMATS:
        raise OutputError(Fault(path, f'a card can\'t be written as "{ending}"', "end the name in .pdf, .html or .md"))
    return ending


def card_text(card: SettingsCard) -> str:
    """The card as Markdown."""
    parts = [f"# {TITLE}: {_escaped(card.name)}", f"Date of the test: {_escaped(card.date) or LINE}"]
    parts += [_section(s) for s in (card.about, card.product, card.settings, card.controller, card.result)]
    if card.doubts:
        parts.append(_listed("Doubts about the test", card.doubts))
    parts.append(_listed("Cautions", card.cautions))
    parts.append(f"Signed: {LINE}{LINE} Date: {LINE}")
    return "\n\n".join(parts) + "\n"


def _section(section: CardSection) -> str:
    return "\n".join(
        (f"## {section.heading}", "", "| what | value | note |", "| --- | --- | --- |", *map(_row, section.rows))
    )


def _row(row: CardRow) -> str:
    return f"| {_escaped(row.label)} | {_escaped(row.value) or LINE} | {_escaped(row.note)} |".replace("|  |", "| |")


def _listed(heading: str, lines: tuple[str, ...]) -> str:
    return "\n".join((f"## {heading}", "", *(f"- {_escaped(line)}" for line in lines)))


def _escaped(text: str) -> str:
    """Text in which nothing is markup: signs of Markdown and HTML get a backslash."""
    return re.sub(r"([\\`*_{}\[\]<>#|~!&])", r"\\\1", text)
