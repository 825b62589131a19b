"""A figure as an SVG element that can stand inside a web page of a strict security policy.

A strict policy holds back style attributes, so each of them is written out as the attributes it stands for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.etree import ElementTree

from spreadcheck.show.plots import figure_bytes

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SVG = "{http://www.w3.org/2000/svg}"
_LINK = "{http://www.w3.org/1999/xlink}href"
_FONTS = "DejaVu Sans, Verdana, Arial, sans-serif"


def inline_svg(figure: Figure, name: str, title: str, description: str) -> str:
    """The element; `name` keeps what it refers to apart from the other pictures of the page."""
    root = ElementTree.fromstring(figure_bytes(figure, "svg"))
    for child in [root.find(f"{_SVG}metadata"), root.find(f"{_SVG}defs")]:
        if child is not None:
            root.remove(child)
    for element in root.iter():
        element.tag = element.tag.removeprefix(_SVG)
        _spread_out(element, name)
    kept = {"viewBox": root.get("viewBox", ""), "role": "img", "aria-labelledby": f"{name}-title {name}-words"}
    root.attrib.clear()
    # what the figure's own style element says of everything in it
    root.attrib.update(kept | {"stroke-linejoin": "round", "stroke-linecap": "butt", "font-family": _FONTS})
    for place, (tag, text) in enumerate((("title", title), ("desc", description))):
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
        element.set("href", f"#{name}-{link.removeprefix('#')}")
    if "id" in element.attrib:
        element.set("id", f"{name}-{element.attrib['id']}")
    for label, value in element.attrib.items():
        if value.startswith("url(#"):
            element.set(label, f"url(#{name}-{value.removeprefix('url(#')}")
