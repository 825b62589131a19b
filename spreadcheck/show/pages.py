"""A document as one web page, complete in itself, or as a tagged PDF by a fixed Typst template."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable
from functools import cache, partial
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from spreadcheck.errors import record
from spreadcheck.show.document import TO_WRITE, Document, Place, as_data

PAPERS = {"a4": ("A4", "a4"), "letter": ("letter", "us-letter")}  # as a style sheet names it, and as Typst does
_OWN = "DejaVu Sans"  # comes with matplotlib, so that every computer prints the same page
_PROBE = (
    b'#set document(title: "signs", date: none)\n'
    b"#set text(font: json(bytes(sys.inputs.fonts)), fallback: false)\n"
    b"#sys.inputs.signs"
)


def document_html(document: Document, *, paper: str = "a4") -> str:
    """The document as a page, with what its place has of its own: a script that reads its data from #data."""
    own = {block.name: block.made() for block in document.blocks if isinstance(block, Place)}
    script, data = next(((script, data) for _, script, data in own.values()), ("", None))
    style = web_part("document.css") + web_part(f"{document.style}.css")
    margin, side = 11 if document.style == "card" else 14, " landscape" if document.across else ""
    style += f"@page {{ size: {PAPERS[paper][0]}{side}; margin: {margin}mm; }}\n"
    places = {name: html for name, (html, _, _) in own.items()}
    words = {"document": as_data(document), "places": places, "to_write": TO_WRITE}
    return page("document.html", style=style, script=script, data=data, **words)


def page(name: str, *, style: str, script: str = "", data: dict[str, Any] | None = None, **words: Any) -> str:
    """A page from its template; its policy lets this style and this script run and nothing else."""
    style_hash, script_hash = (base64.b64encode(hashlib.sha256(x.encode()).digest()).decode() for x in (style, script))
    scripts = f"script-src 'sha256-{script_hash}'; " if script else ""
    policy = f"default-src 'none'; {scripts}style-src 'sha256-{style_hash}'; img-src data:; base-uri 'none'; "
    held = json.dumps(data, separators=(",", ":"), allow_nan=False)
    for sign in "&<>":  # none can end the script element that the data stand in
        held = held.replace(sign, f"\\u{ord(sign):04x}")
    words |= {"style": style, "script": script, "data": held, "policy": policy + "form-action 'none'"}
    return template(name)(**words)


@cache
def template(name: str) -> Callable[..., str]:
    """What fills in a page or a part of one, everything in it escaped."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    made = Environment(
        loader=FunctionLoader(web_part),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["base64"] = lambda text: base64.b64encode(text.encode()).decode()
    render: Callable[..., str] = made.get_template(name).render
    return render


def web_part(name: str) -> str:
    """The text of a page's part, which lies beside the code."""
    return (files("spreadcheck.show") / "web" / name).read_text(encoding="utf-8")


@record
class Pdf:
    """A PDF, how many pages it has, and the signs that no font here has: "?" stands for each."""

    data: bytes
    pages: int
    missing: str = ""


def document_pdf(document: Document, *, paper: str = "a4") -> Pdf:
    """The document on A4 or US Letter, tagged by PDF/UA-1; scripts that DejaVu lacks are set in fonts of the system."""
    words, missing = json.dumps(as_data(document), ensure_ascii=False), ""
    text = (files("spreadcheck.show") / "typst" / "document.typ").read_bytes()
    made = partial(_compiled, text, paper=PAPERS[paper][1])
    data = made(document=words)
    if data is None:
        missing = missing_signs(words)
        data = made(document=words.translate({ord(sign): "?" for sign in missing}), system=True)
        assert data is not None
    return Pdf(data, data.count(b"<</Type/Page/"), missing)


def missing_signs(text: str) -> str:
    """The signs of a text that no font of this computer has, each once; halving finds the few among many."""
    signs = "".join(dict.fromkeys(sign for sign in text if ord(sign) > 0xFF))
    if not signs or _compiled(_PROBE, signs=" ".join(signs), system=True) is not None:
        return ""
    half = len(signs) // 2
    return missing_signs(signs[:half]) + missing_signs(signs[half:]) if half else signs


def _compiled(text: bytes, *, system: bool = False, **inputs: str) -> bytes | None:
    """The pages that a Typst text makes of its inputs; None where a sign of theirs is in none of the fonts."""
    import typst

    fonts, families = _fonts(system=system)
    inputs["fonts"] = json.dumps(families)
    try:
        return typst.compile(text, format="pdf", sys_inputs=inputs, font_paths=fonts, pdf_standards=["ua-1"])
    except typst.TypstError as error:
        if "could not be displayed" not in str(error):
            raise
        return None


@cache
def _fonts(*, system: bool) -> tuple[Any, tuple[str, ...]]:
    """Where the fonts lie, and the families to try by name: some in matplotlib's folder have a box for any letter."""
    import typst

    found = find_spec("matplotlib")
    assert found is not None
    assert found.origin is not None
    own = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"
    fonts = typst.Fonts(include_system_fonts=system, include_embedded_fonts=False, font_paths=[own])
    others = typst.Fonts(include_system_fonts=True, include_embedded_fonts=False).families() if system else []
    likely = sorted(others, key=lambda family: ("Sans" not in family, family))
    return fonts, (_OWN, *(family for family in likely if family != _OWN and "Last" not in family))
