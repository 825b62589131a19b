"""An assessment as plain data for other programs: JSON in SI, keys with their units."""

from __future__ import annotations

import json
import math
from typing import Any

from spreadcheck.doubts.doubt import warnings_data
from spreadcheck.errors import hidden_in
from spreadcheck.judge.assessment import Assessment, Bout
from spreadcheck.pattern.figures import Compared
from spreadcheck.pattern.reading import PatternReading
from spreadcheck.pattern.shape import margin
from spreadcheck.sheet.labels import LABELS
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.show.tables import scan_columns
from spreadcheck.spread.widths import Scan

SCHEMA = "spreadcheck/analysis/1"


def analysis_json(result: Assessment) -> dict[str, Any]:
    """The whole result as plain data, schema spreadcheck/analysis/1: SI throughout, keys carry their units.

    Parameters
    ----------
    result : Assessment
        The assessment. [-]

    Returns
    -------
    dict
        Data that `json.dumps` takes; unknown figures are None. [SI]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> test = tray_test([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    >>> data = analysis_json(assess(test))
    >>> data["schema"], data["methods"]["round-and-round"]["effective_width_m"], data["test"]
    ('spreadcheck/analysis/1', 3.0, {'tray_width_m': 1.0, 'tray_length_m': 1.0})
    """
    profile = result.profile
    data: dict[str, Any] = {
        "profile": {
            "offset_m": profile.offset_m.tolist(),
            "rate": profile.rate_kg_ha.tolist(),
            "tails": profile.tails,
            "passes_used": profile.passes_used,
            "filled_offset_m": list(profile.filled_offset_m),
            "dropped_offset_m": list(profile.dropped_offset_m),
            "centre_m": profile.centre_m,
            "left_share_pct": profile.left_share_pct,
            "right_share_pct": profile.right_share_pct,
        },
        "pattern": _pattern_json(result.pattern),
        "cv_limit_pct": result.limit_pct,
        "methods": {method: _method_json(result, scan) for method, scan in result.scans.items()},
    }
    if result.bouts:
        data["bout"] = {"width_m": result.bout_width_m, "within_limit": result.within_limit}
        data["bout"] |= {method: _bout_json(bout) for method, bout in result.bouts.items()}
    data["warnings"] = warnings_data(result.doubts)
    rates: dict[str, Any] = _named(data, "pct_of_peak" if profile.relative else "kg_ha")
    return {"schema": SCHEMA, "test": _form_json(result.test), **rates}


def _form_json(test: TrayTest) -> dict[str, Any]:
    """Known labels in SI under their keys, then unknown ones as they stand, under a key that no known one has."""
    form: dict[str, Any] = {
        LABELS[name].key: list(value) if isinstance(value, tuple) else value for name, value in test.values.items()
    }
    for row in test.form:
        if row.label in test.unknown_labels:
            key = "_".join(row.label.casefold().split())
            form.setdefault(key, " ".join(part for part in (row.value, row.unit) if part))
    return form


def _pattern_json(reading: PatternReading) -> dict[str, Any]:
    figures = {
        name: _compared_json(figure) if isinstance(figure, Compared) else _finite(figure)
        for name, figure in vars(reading.figures).items()
    }
    return {
        "shapes": list(reading.shapes),
        "cant_tell": list(reading.unclear),
        "noise_from": reading.noise,
        "passes": list(reading.pass_numbers),
        "figures": figures,
        "peaks": [
            {"offset_m": peak.offset_m, "rate": peak.rate_kg_ha, "passes_offset_m": list(peak.pass_offset_m)}
            for peak in reading.peaks
        ],
        "advice": [
            {
                "part": item.check.part,
                "look": item.check.look,
                "adjust": item.check.adjust,
                "standing": item.check.standing,
                "why": dict(item.why),
            }
            for item in reading.advice
        ],
    }


def _compared_json(figure: Compared) -> dict[str, Any]:
    return {
        "value": _finite(figure.value),
        "margin": _finite(margin(figure)),
        "passes": [_finite(value) for value in figure.passes],
        "passes_mean": _finite(figure.mean),
        "passes_sd": _finite(figure.sd),
        "passes_least": _finite(figure.least),
        "passes_most": _finite(figure.most),
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _method_json(result: Assessment, scan: Scan) -> dict[str, Any]:
    best = result.best(scan.method)
    return {
        "effective_width_m": result.effective_width_m(scan.method),
        "bands_m": [list(band) for band in result.bands_m(scan.method)],
        "best_width_m": best[0] if best else None,
        "limits": [
            {
                "cv_limit_pct": limit,
                "effective_width_m": result.effective_width_m(scan.method, limit),
                "bands_m": [list(band) for band in result.bands_m(scan.method, limit)],
            }
            for limit in result.side_by_side_pct
        ],
        "scan": [
            {
                "width_m": width,
                "cv_trays_pct": _or_none(cv_trays),
                "cv_line_pct": cv_line,
                "mean": mean,
                "min": least,
                "max": most,
            }
            for width, cv_trays, cv_line, mean, least, most in zip(*scan_columns(scan), strict=True)
        ],
    }


def _bout_json(bout: Bout) -> dict[str, Any]:
    return {
        "cv_trays_pct": _or_none(bout.cv_trays_pct),
        "cv_line_pct": bout.cv_line_pct,
        "mean": bout.mean_kg_ha,
        "min": bout.min_kg_ha,
        "max": bout.max_kg_ha,
        "within_10_pct": bout.within_10_pct,
        "within_20_pct": bout.within_20_pct,
        "offset_m": bout.offset_m.tolist(),
        "rate": bout.rate_kg_ha.tolist(),
    }


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value


def _named(data: Any, unit: str) -> Any:
    """Rates get their unit into their key: kg_ha, or pct_of_peak where only proportions are known."""
    if isinstance(data, dict):
        return {
            f"{key}_{unit}" if key in ("rate", "mean", "min", "max") else key: _named(value, unit)
            for key, value in data.items()
        }
    return [_named(value, unit) for value in data] if isinstance(data, list) else data


def json_text(data: dict[str, Any]) -> str:
    """Plain data as JSON text, the same for the same data."""
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False)
    # signs that can't be seen stand in words only, where JSON's own escapes read back as the same words
    return text.translate({ord(c): json.dumps(c)[1:-1] for c in hidden_in(text) - {"\n"}}) + "\n"
