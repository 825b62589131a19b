"""A document as one web page: complete in itself, everything in it escaped, a strict policy on what may run."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any
from xml.etree import ElementTree

from spreadcheck.show.document import TO_WRITE, Document, as_data, gated

SHEETS = {"a4": "A4", "letter": "letter"}  # as a style sheet names them
_SVG = "{http://www.w3.org/2000/svg}"
_LINK = "{http://www.w3.org/1999/xlink}href"
_FONTS = "DejaVu Sans, Verdana, Arial, sans-serif"


def document_html(
    document: Document,
    *,
    paper: str = "a4",
    places: Mapping[str, str] | None = None,
    script: str = "",
    data: dict[str, Any] | None = None,
) -> str:
    """The document as a page; `places` are parts that the command escaped itself, `script` reads `data` from #data."""
    style = web_part("document.css") + web_part(f"{document.style}.css")
    margin = 11 if document.style == "card" else 14
    side = " landscape" if document.across else ""
    style += f"@page {{ size: {SHEETS[paper]}{side}; margin: {margin}mm; }}\n"
    return page(
        "document.html", style=style, script=script, data=data, document=as_data(gated(document)), places=places or {},
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
