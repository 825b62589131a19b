"""A document as a tagged PDF: a fixed Typst template reads it as JSON, the same bytes every time."""

from __future__ import annotations

import json
from functools import cache, partial
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from spreadcheck.errors import record
from spreadcheck.show.document import Document, as_data, gated

PAPERS = {"a4": "a4", "letter": "us-letter"}
_OWN = "DejaVu Sans"  # comes with matplotlib, so that every computer prints the same page
_PROBE = (
    b'#set document(title: "signs", date: none)\n'
    b"#set text(font: json(bytes(sys.inputs.fonts)), fallback: false)\n"
    b"#sys.inputs.signs"
)


@record
class Pdf:
    """A PDF, how many pages it has, and the signs that no font here has: "?" stands for each."""

    data: bytes
    pages: int
    missing: str = ""


def document_pdf(document: Document, *, paper: str = "a4") -> Pdf:
    """The document on A4 or US Letter, tagged by PDF/UA-1; scripts that DejaVu lacks are set in fonts of the system."""
    import typst

    words = json.dumps(as_data(gated(document)), ensure_ascii=False)
    made = partial(_compiled, _template(), paper=PAPERS[paper])
    missing = ""
    try:
        data = made(document=words)
    except typst.TypstError as error:
        if not _lacks_a_sign(error):
            raise
        missing = missing_signs(words)
        data = made(document=words.translate({ord(sign): "?" for sign in missing}), system=True)
    return Pdf(data, data.count(b"<</Type/Page/"), missing)


def missing_signs(text: str) -> str:
    """The signs of a text that no font of this computer has, each once; halving finds the few among many."""
    import typst

    signs = "".join(dict.fromkeys(sign for sign in text if ord(sign) > 0xFF))
    try:
        if signs:
            _compiled(_PROBE, signs=" ".join(signs), system=True)
    except typst.TypstError as error:
        if not _lacks_a_sign(error):
            raise
        half = len(signs) // 2
        return missing_signs(signs[:half]) + missing_signs(signs[half:]) if half else signs
    return ""


def _lacks_a_sign(error: Exception) -> bool:
    return "could not be displayed" in str(error)


def _compiled(template: bytes, *, system: bool = False, form: Any = "pdf", ppi: int = 100, **inputs: str) -> Any:
    import typst

    fonts, families = _fonts(system=system)
    inputs["fonts"] = json.dumps(families)
    standards: Any = ["ua-1"] if form == "pdf" else []
    return typst.compile(template, format=form, ppi=ppi, sys_inputs=inputs, font_paths=fonts, pdf_standards=standards)


def document_pictures(document: Document, *, paper: str = "a4", dots_per_inch: int = 100) -> list[bytes]:
    """The pages of the document as PNG pictures."""
    words = json.dumps(as_data(gated(document)))
    made = _compiled(_template(), system=True, form="png", ppi=dots_per_inch, document=words, paper=PAPERS[paper])
    return made if isinstance(made, list) else [made]


def _template() -> bytes:
    return (files("spreadcheck.show") / "typst" / "document.typ").read_bytes()


@cache
def _fonts(*, system: bool) -> tuple[Any, tuple[str, ...]]:
    """Where the fonts lie, matplotlib's being found without loading it, and the families to try in turn.

    Families are named one by one, because matplotlib's folder has fonts with a box, or another sign, for any letter.
    """
    import typst

    found = find_spec("matplotlib")
    assert found is not None
    assert found.origin is not None
    own = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"
    fonts = typst.Fonts(include_system_fonts=system, include_embedded_fonts=False, font_paths=[own])
    if not system:
        return fonts, (_OWN,)
    others = typst.Fonts(include_system_fonts=True, include_embedded_fonts=False).families()
    likely = sorted(others, key=lambda family: ("Sans" not in family, family))
    return fonts, (_OWN, *(family for family in likely if family != _OWN and "Last" not in family))
