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

from spreadcheck.show.document import TO_WRITE, Document, as_data

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
        "document.html", style=style, script=script, data=data, document=as_data(document), places=places or {},
        to_write=TO_WRITE,
    )  # fmt: skip


def page(name: str, *, style: str, script: str = "", data: dict[str, Any] | None = None, **words: Any) -> str:
    """A page from its template; its policy lets this style and this script run and nothing else."""
    template = _templates().get_template(name)
    made: str = template.render(
        style=style, script=script, data=json_for_page(data), policy=_policy(script, style), **words
    )
    return made


def part_html(name: str, **words: Any) -> str:
    """A part of a page from its template, everything in it escaped."""
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


def _policy(script: str, style: str) -> str:
    scripts = f"script-src {_hash(script)}; " if script else ""
    return f"default-src 'none'; {scripts}style-src {_hash(style)}; img-src data:; base-uri 'none'; form-action 'none'"


def _hash(content: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()}'"


def json_for_page(data: Any) -> str:
    """Data as JSON without a sign that could end its script element."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


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
        _spread_out(element, name)
    kept = {"viewBox": root.get("viewBox", ""), "role": "img", "aria-labelledby": f"{name}-title {name}-words"}
    root.attrib.clear()
    # what the figure's own style element says of everything in it
    root.attrib.update(kept | {"stroke-linejoin": "round", "stroke-linecap": "butt", "font-family": _FONTS})
    for place, (tag, text) in enumerate((("title", title), ("desc", words))):
        element = ElementTree.Element(tag, {"id": f"{name}-{'words' if place else 'title'}"})
        element.text = text
        root.insert(place, element)
    return ElementTree.tostring(root, encoding="unicode")


def _spread_out(element: ElementTree.Element, name: str) -> None:
    """Style as attributes, and every name and reference under the picture's own name."""
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
        if value.startswith("url(#"):
            element.set(label, f"url(#{name}-{value.removeprefix('url(#')}")
