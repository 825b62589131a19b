"""The settings card of `spreadcheck analyse --card`."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from spreadcheck.cli.documents import document_content
from spreadcheck.cli.options import OutputFile

if TYPE_CHECKING:
    from spreadcheck.judge.assessment import Assessment

F = TypeVar("F", bound=Callable[..., Any])


def card_options(function: F) -> F:
    """Where the card goes, and the highest spinner speed on it."""
    highest = click.option("--highest-speed", metavar="SPEED", help='Highest spinner speed for the card: "900 rpm".')
    card = click.option(
        "--card",
        "card_file",
        type=OutputFile(".pdf", ".html", ".md"),
        metavar="FILE",
        help="Write a settings card of one page; .pdf, .html or .md.",
    )
    return card(highest(function))


def highest_speed_rpm(card_file: str | None, highest_speed: str | None) -> float | None:
    """The highest spinner speed, if it can be one and there is a card to write it on. [rpm]"""
    if not highest_speed:
        return None
    from spreadcheck.errors import Fault, OutputError
    from spreadcheck.sheet.labels import LABELS
    from spreadcheck.units import parse_quantity

    place = "option --highest-speed"
    if not card_file:
        raise OutputError(Fault(place, "no card is asked for", "add --card FILE, ending in .pdf, .html or .md"))
    rpm, known = parse_quantity(highest_speed, "turning speed", place=place), LABELS["spinner speed"]
    if not known.low <= rpm <= known.high:
        problem = f"{highest_speed} can't be a spinner speed"
        raise OutputError(Fault(place, problem, f"give one from {known.low:g} to {known.high:g} rpm"))
    return rpm


def card_content(
    result: Assessment, card_file: str, units: str, *, highest_rpm: float | None, paper: str
) -> str | bytes:
    """The card in the form that the file's ending asks for."""
    from spreadcheck.show.card import card_document, settings_card

    highest = result.test.quantity("highest spinner speed") if highest_rpm is None else highest_rpm
    card = settings_card(result, units, highest_speed_rpm=highest)
    return document_content(card_document(card), card_file, paper=paper)
