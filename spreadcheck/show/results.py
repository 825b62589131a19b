"""An assessment as plain data for other programs: JSON in SI, keys with their units."""

from __future__ import annotations

from typing import Any

from spreadcheck.judge.assessment import Assessment, Bout
from spreadcheck.pattern.figures import Compared
from spreadcheck.pattern.reading import PatternReading
from spreadcheck.pattern.shape import margin
from spreadcheck.show.json import envelope, known
from spreadcheck.show.tables import scan_columns
from spreadcheck.show.verdict import verdict_data
from spreadcheck.spread.bands import Band
from spreadcheck.spread.widths import Scan


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
    >>> data["schema"], data["methods"]["round-and-round"]["bands"][0]["lowest_at_m"], data["test"]
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
    data["verdict"] = verdict_data(result.verdict)
    rates: dict[str, Any] = _named(data, "pct_of_peak" if profile.relative else "kg_ha")
    return envelope("analysis/1", result.test, result.doubts, **rates)


def _pattern_json(reading: PatternReading) -> dict[str, Any]:
    figures = {
        name: _compared_json(figure) if isinstance(figure, Compared) else known(figure)
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
        "value": known(figure.value),
        "margin": known(margin(figure)),
        "passes": [known(value) for value in figure.passes],
        "passes_mean": known(figure.mean),
        "passes_sd": known(figure.sd),
        "passes_least": known(figure.least),
        "passes_most": known(figure.most),
    }


def _method_json(result: Assessment, scan: Scan) -> dict[str, Any]:
    best = result.best(scan.method)
    return {
        "effective_width_m": result.effective_width_m(scan.method),
        "effective_width_censored": result.censored(scan.method),
        "advised_width_m": result.advised_width_m(scan.method),
        "bands_m": [list(band) for band in result.bands_m(scan.method)],
        "bands": [_band_json(band) for band in result.bands(scan.method)],
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
                "cv_trays_pct": known(cv_trays),
                "cv_line_pct": cv_line,
                "mean": mean,
                "min": least,
                "max": most,
            }
            for width, cv_trays, cv_line, mean, least, most in zip(*scan_columns(scan), strict=True)
        ],
    }


def _band_json(band: Band) -> dict[str, Any]:
    keys = ("from_m", "to_m", "lowest_cv_pct", "lowest_at_m", "margin_pct", "narrow")
    return {key: getattr(band, key) for key in keys}


def _bout_json(bout: Bout) -> dict[str, Any]:
    return {
        "cv_pct": known(bout.cv_pct),
        "cv_trays_pct": known(bout.cv_trays_pct),
        "cv_line_pct": bout.cv_line_pct,
        "mean": bout.mean_kg_ha,
        "min": bout.min_kg_ha,
        "max": bout.max_kg_ha,
        "within_10_pct": bout.within_10_pct,
        "within_20_pct": bout.within_20_pct,
        "offset_m": bout.offset_m.tolist(),
        "rate": bout.rate_kg_ha.tolist(),
    }


def _named(data: Any, unit: str) -> Any:
    """Rates get their unit into their key: kg_ha, or pct_of_peak where only proportions are known."""
    if isinstance(data, dict):
        return {
            f"{key}_{unit}" if key in ("rate", "mean", "min", "max") else key: _named(value, unit)
            for key, value in data.items()
        }
    return [_named(value, unit) for value in data] if isinstance(data, list) else data
