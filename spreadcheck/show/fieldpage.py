"""The web page of a field map: the map redrawn for each place of the slider that moves the switching."""

from __future__ import annotations

import base64
import struct
import zlib
from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from spreadcheck.field.case import FieldCase, FieldStudy
from spreadcheck.field.fieldmap import BANDS_PCT, SHARES, FieldMap
from spreadcheck.field.worth import Worth
from spreadcheck.show.document import Place
from spreadcheck.show.field import field_document, with_doubts
from spreadcheck.show.fieldplot import COLOURS, INK, TRACK, band_labels, scale_bar, thinned
from spreadcheck.show.html import document_html, web_part
from spreadcheck.units import show

_ROWS = 700  # of the picture on the page


def field_page(
    study: FieldStudy, steps: Sequence[tuple[float, FieldCase]], system: str = "metric", *, worth: Sequence[Worth] = ()
) -> str:
    """The study as one page, complete in itself, with a slider over the steps of switching."""
    document = with_doubts(field_document(study, system, worth=worth, front=(Place("map"),)), study, system)
    start = next(number for number, (later, _) in enumerate(steps) if not later)
    relative = study.assessment.profile.relative and not study.target_known
    labels = band_labels(study.target_kg_ha, system, relative=relative)
    places = {"map": _map_svg(study, len(steps), start, labels, system)}
    data = {"steps": [_step(later, case, system) for later, case in steps]}
    return document_html(document, places=places, script=web_part("field.js"), data=data)


def _step(later_m: float, case: FieldCase, system: str) -> dict[str, Any]:
    """What the slider shows at one place: the picture and its figures, in words."""
    found = case.found
    moved = "as in the figures above" if not later_m else f"{show(abs(later_m), 'length', system, digits=0)} "
    moved += "" if not later_m else ("later" if later_m > 0 else "earlier")
    shares = ", ".join(f"{name} {found.share_pct[name]:.1f} %" for name in SHARES)
    words = f"Slide switched {moved}: field CV {found.field_cv_pct:.1f} %; {shares}; outside "
    return {"image": _png_url(found), "words": words + show(found.outside_kg, "mass", system)}


def _png_url(found: FieldMap) -> str:
    """The rate bands as a picture of few colours, rows from the north, clear where nothing falls."""
    rates, _ = thinned(found, _ROWS)
    band = np.searchsorted(np.array(BANDS_PCT[1:-1]), rates, "right") + 1
    band[rates <= 0] = 0
    rows = np.pad(band[::-1].astype(np.uint8), ((0, 0), (1, 0)))  # each row starts with its filter, none
    colours = b"\xff\xff\xff" + b"".join(bytes.fromhex(colour[1:]) for colour in COLOURS)
    size = struct.pack(">IIBBBBB", band.shape[1], band.shape[0], 8, 3, 0, 0, 0)
    parts = ((b"IHDR", size), (b"PLTE", colours), (b"tRNS", b"\0"), (b"IDAT", zlib.compress(rows.tobytes(), 9)))
    content = b"".join(
        struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        for name, body in (*parts, (b"IEND", b""))
    )
    return "data:image/png;base64," + base64.b64encode(b"\x89PNG\r\n\x1a\n" + content).decode()


def _map_svg(study: FieldStudy, steps: int, start: int, labels: Sequence[str], system: str) -> str:
    """Picture, boundary, spots and legend as SVG in metres, and the slider; words are escaped here."""
    found = study.case.found
    _, (west, east, south, north) = thinned(found, _ROWS)
    polygon = study.case.ground.polygon
    low_x, low_y, high_x, high_y = polygon.bounds
    room = 0.06 * max(high_x - low_x, high_y - low_y) + 10
    box = (low_x - room - west, north - high_y - room, high_x - low_x + 2 * room, high_y - low_y + 3 * room)
    size = max(box[2:])
    long, said = scale_bar(size, system)
    left, right, below = low_x - west, high_x - west, north - low_y + 1.2 * room
    marks = (
        f'<path d="M{left:.1f},{below:.1f} h{long:.1f}" stroke="{INK}" stroke-width="{size / 120:.2f}"/>'
        f'<text x="{left + long / 2:.1f}" y="{below - size / 80:.1f}" font-size="{size / 32:.1f}" '
        f'text-anchor="middle">{escape(said)}</text><path d="M{right:.1f},{below:.1f} v{-0.6 * room:.1f} '
        f'l{-size / 120:.1f},{size / 60:.1f} m{size / 120:.1f},{-size / 60:.1f} l{size / 120:.1f},{size / 60:.1f}" '
        f'fill="none" stroke="{INK}" stroke-width="{size / 300:.2f}"/><text x="{right + size / 60:.1f}" '
        f'y="{below:.1f}" font-size="{size / 32:.1f}">N</text>'
    )
    outline = " ".join(
        _path(np.asarray(ring.coords)[:, :2], west, north) + " Z"
        for part in getattr(polygon, "geoms", [polygon])
        for ring in (part.exterior, *part.interiors)
    )
    drives = " ".join(_path(line, west, north) for leg in study.case.legs for line in leg.open_lines)
    spots = "".join(
        f'<circle cx="{spot.x_m - west:.1f}" cy="{north - spot.y_m:.1f}" r="{size / 45:.1f}" fill="#fff" '
        f'stroke="{INK}" stroke-width="{size / 400:.2f}"/>'
        f'<text x="{spot.x_m - west:.1f}" y="{north - spot.y_m + size / 90:.1f}" '
        f'font-size="{size / 32:.1f}" text-anchor="middle">{spot.number}</text>'
        for spot in study.spots
    )
    legend = "".join(
        f'<li><svg width="18" height="14" aria-hidden="true"><rect width="18" height="14" fill="{colour}" '
        f'stroke="{INK}"/></svg> {escape(label)}</li>'
        for colour, label in reversed(list(zip(COLOURS, labels, strict=True)))
    )
    return (
        f'<figure><svg viewBox="{" ".join(f"{value:.1f}" for value in box)}" role="img" aria-label="Map of the field">'
        f'<image id="field-map" href="{_png_url(found)}" x="0" y="0" width="{east - west:.1f}" '
        f'height="{north - south:.1f}" preserveAspectRatio="none" image-rendering="pixelated"/>'
        f'<path d="{drives}" fill="none" stroke="{TRACK}" stroke-width="{size / 900:.2f}"/>'
        f'<path d="{outline}" fill="none" stroke="{INK}" stroke-width="{size / 250:.2f}"/>{spots}{marks}</svg>'
        f'<p><label for="field-switch">Slide opened and shut earlier or later</label><br>'
        f'<input type="range" id="field-switch" min="0" max="{steps - 1}" step="1" value="{start}"></p>'
        f'<p id="field-words" aria-live="polite"></p></figure><ul>{legend}</ul>'
    )


def _path(points: Any, west: float, north: float) -> str:
    """A line as the path of an SVG, to the decimetre."""
    return "M" + " L".join(f"{x - west:.1f},{north - y:.1f}" for x, y in points)
