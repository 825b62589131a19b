"""A blend assessed part by part, as text of 80 columns and as plain data."""

from __future__ import annotations

from typing import Any

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.judge.blend import ZONES, BlendAssessment, BlendPart, zone_shares
from spreadcheck.judge.verdict import Verdict
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.json import envelope
from spreadcheck.show.tables import scan_columns, show_pct, show_width
from spreadcheck.show.verdict import verdict_data
from spreadcheck.units import show, shown_unit


def blend_text(blend: BlendAssessment, system: str = "metric") -> str:
    """A blend's result for a terminal."""
    return "\n\n".join((blend.test.name, _parts_table(blend, system), _joint_lines(blend, system), _zone_table(blend)))


def _parts_table(blend: BlendAssessment, system: str) -> str:
    lines = [
        f"{'':<20}{'limit':>7}{'left':>7}{'centre':>10}   effective width",
        f"{'part':<20}{'CV %':>7}{'%':>7}{shown_unit('length', system):>10}   {METHODS[0]:<17}{METHODS[1]}",
    ]
    for part in blend.parts:
        widths = [show_width(part.effective_width_m(method), system) for method in METHODS]
        centre = show(part.profile.centre_m, "length", system, unit=False)
        share = show_pct(part.profile.left_share_pct)
        name = f"{part.name}" if part.kind != "nutrient" else f"  {part.name}"
        lines.append(f"{name[:19]:<20}{part.limit_pct:>7g}{share:>7}{centre:>10}   {widths[0]:<17}{widths[1]}")
    return "\n".join(lines)


def _joint_lines(blend: BlendAssessment, system: str) -> str:
    lines = ["All parts within their limits"]
    for method in METHODS:
        limiting = blend.limiting_part(method)
        bands = [_band(band, system) for band in reversed(blend.joint_bands_m(method))]
        lines.append(f"  {method}: {', '.join(bands[:3]) or 'at no width tried'}")
        lines.append(f"    limited by {limiting.name}" if limiting else "    the widest tried is still within")
    return "\n".join(lines)


def _band(band: tuple[float, float], system: str) -> str:
    low, high = (show_width(end, system, unit=False) for end in band)
    return f"{high if low == high else f'{low} to {high}'} {shown_unit('length', system)}"


def _zone_table(blend: BlendAssessment) -> str:
    lines = [
        "Share of each component in % of the catch, in five zones of equal catch",
        f"{'':<17}" + "".join(f"{zone:>10}" for zone in (*ZONES, "all")),
    ]
    for name, shares in zone_shares(blend).items():
        lines.append(f"{name[:16]:<17}" + "".join(f"{show_pct(float(share)):>10}" for share in shares))
    return "\n".join(lines)


def blend_json(
    blend: BlendAssessment, doubts: tuple[Doubt, ...] = (), verdict: Verdict | None = None
) -> dict[str, Any]:
    """A blend's result as plain data, SI."""
    data: dict[str, Any] = {
        "parts": [_part_json(part) for part in blend.parts],
        "all_parts": {method: _joint_json(blend, method) for method in METHODS},
        "zones": list(ZONES),
        "component_share_pct": {
            name: {"zones": shares[:-1].tolist(), "all": float(shares[-1])}
            for name, shares in zone_shares(blend).items()
        },
    }
    return envelope("blend/1", blend.test, doubts, verdict=verdict_data(verdict), **data)


def _joint_json(blend: BlendAssessment, method: str) -> dict[str, Any]:
    limiting = blend.limiting_part(method)
    return {
        "effective_width_m": blend.joint_width_m(method),
        "bands_m": [list(band) for band in blend.joint_bands_m(method)],
        "limiting_part": limiting.name if limiting else None,
    }


def _part_json(part: BlendPart) -> dict[str, Any]:
    return {
        "name": part.name,
        "kind": part.kind,
        "cv_limit_pct": part.limit_pct,
        "offset_m": part.profile.offset_m.tolist(),
        "rate_kg_ha": part.profile.rate_kg_ha.tolist(),
        "centre_m": part.profile.centre_m,
        "left_share_pct": part.profile.left_share_pct,
        "methods": {
            method: {
                "effective_width_m": part.effective_width_m(method),
                "width_m": scan_columns(scan)[0],
                "cv_trays_pct": [None if cv != cv else cv for cv in scan_columns(scan)[1]],
            }
            for method, scan in part.scans.items()
        },
    }
