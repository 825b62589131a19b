"""A document as one web page, complete in itself, or as a tagged PDF by a fixed Typst template."""

from __future__ import annotations

import base64
import hashlib
import json
from functools import cache, partial
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from spreadcheck.errors import record
from spreadcheck.show.document import TO_WRITE, Document, Place, as_data, gated

SHEETS = {"a4": "A4", "letter": "letter"}  # as a style sheet names them
_SVG = "{http://www.w3.org/2000/svg}"
_LINK = "{http://www.w3.org/1999/xlink}href"
_FONTS = "DejaVu Sans, Verdana, Arial, sans-serif"


def document_html(document: Document, *, paper: str = "a4") -> str:
    """The document as a page, with what its place has of its own: a script that reads its data from #data."""
    own = {block.name: block.made() for block in document.blocks if isinstance(block, Place)}
    places = {name: html for name, (html, _, _) in own.items()}
    script, data = next(((script, data) for _, script, data in own.values()), ("", None))
    style = web_part("document.css") + web_part(f"{document.style}.css")
    margin = 11 if document.style == "card" else 14
    side = " landscape" if document.across else ""
    style += f"@page {{ size: {SHEETS[paper]}{side}; margin: {margin}mm; }}\n"
    return page(
        "document.html", style=style, script=script, data=data, document=as_data(gated(document)), places=places,
        to_write=TO_WRITE,
    )  # fmt: skip


def page(name: str, *, style: str, script: str = "", data: dict[str, Any] | None = None, **words: Any) -> str:
    """A page from its template; its policy lets this style and this script run and nothing else.

    No sign of its data can end the script element that they stand in.
    """
    style_hash, script_hash = (base64.b64encode(hashlib.sha256(x.encode()).digest()).decode() for x in (style, script))
    scripts = f"script-src 'sha256-{script_hash}'; " if script else ""
    policy = f"default-src 'none'; {scripts}style-src 'sha256-{style_hash}'; img-src data:; base-uri 'none'; "
    held = json.dumps(data, separators=(",", ":"), allow_nan=False)
    for sign in "&<>":
        held = held.replace(sign, f"\\u{ord(sign):04x}")
    return from_template(name, style=style, script=script, data=held, policy=policy + "form-action 'none'", **words)


def from_template(name: str, **words: Any) -> str:
    """A page or a part of one, everything in it escaped."""
    made: str = _templates().get_template(name).render(**words)
    return made


@cache
def _templates() -> Any:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    made = Environment(
        loader=FunctionLoader(web_part),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["inline"] = inline_svg
    return made


def web_part(name: str) -> str:
    """The text of a page's part, which lies beside the code."""
    return (files("spreadcheck.show") / "web" / name).read_text(encoding="utf-8")


def inline_svg(svg: str, name: str, title: str, words: str) -> str:
    """A picture as an element of a page of strict policy, which holds back style attributes: each is written out.

    `name` keeps what the picture refers to apart from the other pictures of the page.
    """
    root = ElementTree.fromstring(svg)
    for child in [root.find(f"{_SVG}metadata"), root.find(f"{_SVG}defs")]:
        if child is not None and (child.tag.endswith("metadata") or child.find(f"{_SVG}style") is not None):
            root.remove(child)
    for element in root.iter():
        element.tag = element.tag.removeprefix(_SVG)
        for rule in element.attrib.pop("style", "").split(";"):
            label, _, value = (text.strip() for text in rule.partition(":"))
            if label and label != "font-family":
                element.set(label, value)
        link = element.attrib.pop(_LINK, "")
        if link:
            element.set("href", link if link.startswith("data:image/") else f"#{name}-{link.removeprefix('#')}")
        if "id" in element.attrib:
            element.set("id", f"{name}-{element.attrib['id']}")
        for label, value in element.attrib.items():
            element.set(label, value.replace("url(#", f"url(#{name}-"))
    kept = {"viewBox": root.get("viewBox", ""), "role": "img", "aria-labelledby": f"{name}-title {name}-words"}
    root.attrib.clear()
    # what the figure's own style element says of everything in it
    root.attrib.update(kept | {"stroke-linejoin": "round", "stroke-linecap": "butt", "font-family": _FONTS})
    for place, (tag, text) in enumerate((("title", title), ("desc", words))):
        element = ElementTree.Element(tag, {"id": f"{name}-{'words' if place else 'title'}"})
        element.text = text
        root.insert(place, element)
    return ElementTree.tostring(root, encoding="unicode")


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
