"""How sure an assessment is, as plain data for other programs: schema spreadcheck/confidence/2, SI, keys with units."""

from __future__ import annotations

import math
from typing import Any

from spreadcheck.judge.confidence import BoutConfidence, Confidence, CvBand
from spreadcheck.judge.passcount import PassesNeeded
from spreadcheck.judge.steering import SteeringEffect, SteeringScan
from spreadcheck.show.json import envelope
from spreadcheck.show.verdict import verdict_data


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
    ('spreadcheck/confidence/2', 'passes', 1)
    """
    result, profile = sure.assessment, sure.assessment.profile
    unit = "pct_of_peak" if profile.relative else "kg_ha"
    data: dict[str, Any] = {
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
    verdict = verdict_data(sure.judged.verdict)
    return envelope("confidence/2", result.test, (*result.doubts, *sure.doubts), verdict=verdict, **data)


def _noise_json(sure: Confidence) -> dict[str, Any]:
    noise, both, stated = sure.noise, sure.noise.agreement, sure.stated
    parts = noise.parts() if noise.known else dict.fromkeys(("counting", "scatter", "gusts", "wander_m"))
    return {
        "source": noise.source or None,
        "passes": noise.passes,
        "degrees_of_freedom": noise.freedom if math.isfinite(noise.freedom) else None,
        "at_peak_pct": {name: _pct(parts[name]) for name in ("counting", "scatter", "gusts")},
        "wander_m": parts["wander_m"],
        "stated": {
            "tray_efficiency_pct": stated.tray_efficiency_pct,
            "laying_error_m": stated.laying_error_m,
            "wind_shift_m": stated.wind_shift_m,
        },
        "missing_for_counting": list(noise.missing),
        "variance_ratio_passes_to_counting": both.ratio if both else None,
        "variance_ratio_by_chance": [both.low, both.high] if both else None,
        "passes_and_counting_agree": both.agree if both else None,
        "end_trays_pct_of_peak": list(sure.ends.share_pct),
        "tails_open": sure.ends.open,
    }


def _pct(share: float | None) -> float | None:
    return None if share is None else 100.0 * share


def _band_json(band: CvBand) -> dict[str, Any]:
    return {
        "effective_width_m": band.effective_width_m,
        "effective_width_without_noise_m": band.without_noise_m or None,
        "effective_width_low_m": band.effective_low_m,
        "effective_width_high_m": band.effective_high_m,
        "effective_width_high_censored": band.effective_high_m >= float(band.width_m[-1]) - 1e-9,
        "sure_width_m": band.sure_width_m,
        "scan": [_bout_json(band.at(index)) for index in range(len(band.width_m))],
    }


def _bout_json(bout: BoutConfidence, *, width: bool = True) -> dict[str, Any]:
    line_low, line_high = bout.line_interval_pct
    entry = {
        "width_m": bout.width_m,
        "cv_trays_pct": _or_none(bout.cv_trays_pct),
        "noise_floor_pct": _or_none(bout.noise_floor_pct),
        "cv_without_noise_pct": _or_none(bout.cv_without_noise_pct),
        "cv_low_pct": _or_none(bout.low_pct),
        "cv_high_pct": _or_none(bout.high_pct),
        "cv_line_low_pct": _or_none(line_low),
        "cv_line_high_pct": _or_none(line_high),
        "within_limit_probability_pct": _or_none(bout.within_pct),
        "within_limit_probability_most_pct": _or_none(bout.within_most_pct),
    }
    if width:
        return entry
    entry |= {
        "cv_low_passes_alone_pct": _or_none(bout.alone_low_pct),
        "cv_high_passes_alone_pct": _or_none(bout.alone_high_pct),
    }
    return {key: value for key, value in entry.items() if key != "width_m"}


def passes_json(needed: PassesNeeded) -> dict[str, Any]:
    """Passes needed, as plain data."""
    return {
        "method": needed.method,
        "half_width_m": needed.half_width_m,
        "level_pct": needed.level_pct,
        "passes": needed.passes,
        "passes_with_trays_at_half_the_spacing": needed.closer_trays_passes,
        "half_widths": [{"passes": passes, "half_width_m": half} for passes, half in needed.half_widths_m],
        "half_width_unseen_m": needed.unseen_m,
        "why_not": needed.why_not or None,
    }


def steering_json(effect: SteeringEffect) -> dict[str, Any]:
    """The effect of steering, as plain data."""
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
