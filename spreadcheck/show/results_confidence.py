"""How sure an assessment is, as plain data for other programs: JSON in SI, keys with their units.

1. `confidence_json`   schema spreadcheck/confidence/1
2. `passes_json`, `steering_json`   its parts on passes needed and on steering
"""

from __future__ import annotations

import math
from typing import Any

from spreadcheck.doubts.doubt import warnings_data
from spreadcheck.judge.confidence import BoutConfidence, Confidence, CvBand
from spreadcheck.judge.passcount import PassesNeeded
from spreadcheck.judge.steering import SteeringEffect, SteeringScan

SCHEMA = "spreadcheck/confidence/1"


def confidence_json(
    sure: Confidence,
    *,
    needed: PassesNeeded | None = None,
    steering: SteeringEffect | None = None,
) -> dict[str, Any]:
    """How sure an assessment is, as plain data; unknown figures are None.

    Parameters
    ----------
    sure : Confidence
        Noise floor, intervals and probabilities. [-]
    needed : PassesNeeded, optional
        Passes needed for a half-width. [-]
    steering : SteeringEffect, optional
        The effect of steering. [-]

    Returns
    -------
    dict
        Data that `json.dumps` takes. [SI]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> from spreadcheck.judge.confidence import confidence
    >>> test = tray_test([-1, 0, 1], [[5, 6], [9, 8], [5, 5]], tray_width="0.5 m", tray_length="0.5 m")
    >>> data = confidence_json(confidence(assess(test)))
    >>> data["schema"], data["noise"]["source"], data["seed"]
    ('spreadcheck/confidence/1', 'passes', 1)
    """
    result, profile = sure.assessment, sure.assessment.profile
    unit = "pct_of_peak" if profile.relative else "kg_ha"
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "cv_limit_pct": result.limit_pct,
        "level_pct": sure.level_pct,
        "draws": sure.draws,
        "seed": sure.seed,
        "noise": _noise_json(sure),
        "trays": {
            "offset_m": profile.offset_m.tolist(),
            f"standard_error_{unit}": [_or_none(float(error)) for error in sure.tray_error_kg_ha],
        },
        "methods": {method: _band_json(band) for method, band in sure.bands.items()},
    }
    if sure.bouts:
        data["bout"] = {"width_m": result.bout_width_m}
        data["bout"] |= {method: _bout_json(bout, width=False) for method, bout in sure.bouts.items()}
    if needed is not None:
        data["passes_needed"] = passes_json(needed)
    if steering is not None:
        data["steering"] = steering_json(steering)
    data["warnings"] = warnings_data((*sure.assessment.doubts, *sure.doubts))
    return data


def _noise_json(sure: Confidence) -> dict[str, Any]:
    noise, both = sure.noise, sure.noise.agreement
    law = noise.law
    return {
        "source": noise.source or None,
        "passes": noise.passes,
        "degrees_of_freedom": law.freedom if law and math.isfinite(law.freedom) else None,
        "missing_for_counting": list(noise.missing),
        "variance_ratio_passes_to_counting": both.ratio if both else None,
        "variance_ratio_by_chance": [both.low, both.high] if both else None,
        "passes_and_counting_agree": both.agree if both else None,
    }


def _band_json(band: CvBand) -> dict[str, Any]:
    scan = [_bout_json(band.at(index)) for index in range(len(band.width_m))]
    floors = zip(scan, band.passes_floor_pct, band.counting_floor_pct, strict=True)
    for entry, passes, counting in floors:
        entry |= {
            "noise_floor_passes_pct": _or_none(float(passes)),
            "noise_floor_counting_pct": _or_none(float(counting)),
        }
    return {
        "effective_width_m": band.effective_width_m,
        "crossing_as_read_m": band.crossing_m,
        "crossing_without_noise_m": band.without_noise_m,
        "crossing_low_m": band.effective_low_m,
        "crossing_high_m": band.effective_high_m,
        "sure_width_m": band.sure_width_m,
        "scan": scan,
    }


def _bout_json(bout: BoutConfidence, *, width: bool = True) -> dict[str, Any]:
    entry = {
        "width_m": bout.width_m,
        "cv_trays_pct": _or_none(bout.cv_trays_pct),
        "noise_floor_pct": _or_none(bout.noise_floor_pct),
        "cv_without_noise_pct": _or_none(bout.cv_without_noise_pct),
        "cv_low_pct": _or_none(bout.low_pct),
        "cv_high_pct": _or_none(bout.high_pct),
        "within_limit_probability_pct": _or_none(bout.within_pct),
    }
    return entry if width else {key: value for key, value in entry.items() if key != "width_m"}


def passes_json(needed: PassesNeeded) -> dict[str, Any]:
    """Passes needed, as plain data.

    Parameters
    ----------
    needed : PassesNeeded
        The answer. [-]

    Returns
    -------
    dict
        Data that `json.dumps` takes. [SI]

    Examples
    --------
    >>> passes_json(PassesNeeded("round-and-round", 0.5, 90.0, 24.0, "passes", 3, 7, 4, ((1, 1.4),)))["passes"]
    7
    """
    return {
        "method": needed.method,
        "half_width_m": needed.half_width_m,
        "level_pct": needed.level_pct,
        "passes": needed.passes,
        "passes_with_trays_at_half_the_spacing": needed.closer_trays_passes,
        "half_widths": [{"passes": passes, "half_width_m": half} for passes, half in needed.half_widths_m],
        "why_not": needed.why_not or None,
    }


def steering_json(effect: SteeringEffect) -> dict[str, Any]:
    """The effect of steering, as plain data.

    Parameters
    ----------
    effect : SteeringEffect
        The effect. [m, %]

    Returns
    -------
    dict
        Data that `json.dumps` takes. [SI]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> from spreadcheck.judge.steering import Steering, steering_effect
    >>> test = tray_test([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    >>> steering_json(steering_effect(assess(test), Steering(0.2)))["methods"]["round-and-round"]["steered_width_m"]
    3.0
    """
    return {
        "sd_m": effect.steering.sd_m,
        "correlation_pass_to_pass": effect.steering.correlation,
        "methods": {
            method: {
                "straight_width_m": effect.straight_width_m(method),
                "steered_width_m": effect.steered_width_m(method),
                "scan": _steered_json(scan),
            }
            for method, scan in effect.scans.items()
        },
        "bout": {method: _steered_json(scan)[0] for method, scan in effect.bouts.items()},
    }


def _steered_json(scan: SteeringScan) -> list[dict[str, float]]:
    columns = (scan.width_m.tolist(), scan.cv_straight_pct.tolist(), scan.cv_steered_pct.tolist())
    keys = ("width_m", "cv_line_straight_pct", "cv_line_steered_pct")
    return [dict(zip(keys, row, strict=True)) for row in zip(*columns, strict=True)]


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value
