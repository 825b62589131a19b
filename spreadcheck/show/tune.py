"""The best spinner speed for a terminal, plain words first, and as plain data."""

from __future__ import annotations

import math
import textwrap
from typing import Any

from spreadcheck.doubts.doubt import warnings_data
from spreadcheck.improve.speedcurve import NONE, SPEEDS_FOR_A_BEND, SpeedCurve, sampled_speeds
from spreadcheck.improve.tune import AT_HIGHEST, CLEAR, EDGE, MISFIT, NO_CURVE, UNCLEAR, SpeedAnswer, Tuning
from spreadcheck.judge.assessment import Assessment
from spreadcheck.show.analyse import WIDTH
from spreadcheck.show.tables import show_pct, show_width
from spreadcheck.units import show, shown_unit

SCHEMA = "spreadcheck/tuning/1"
_CAUTION = (
    "Nothing is said beyond the speeds tested. The machine maker's manual and the crush strength of the granules set "
    "the highest speed; change it only as the manual says, and keep people well clear of turning discs."
)


def tuning_text(found: Tuning, system: str = "metric") -> str:
    """The best spinner speed in 80 columns."""
    parts = [_heading(found)]
    parts += [_answer(found, one, system) for one in (found.cv, found.width) if one is not None]
    parts += [_table(found, system), "\n".join(_wrapped(line) for line in _notes(found, system)), _wrapped(_CAUTION)]
    return "\n\n".join(parts)


def _wrapped(text: str, indent: str = "  ") -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent=indent, break_on_hyphens=False)


def _rpm(speed: float) -> str:
    return show(speed, "turning speed")


def _heading(found: Tuning) -> str:
    low, high = found.speed_rpm[0], found.speed_rpm[-1]
    speeds = len(set(found.speed_rpm.tolist()))
    machines = dict.fromkeys(result.test.text("machine") for result in found.results)
    about = ", ".join(word for word in (*found.products, *machines) if word)
    lines = [f"{len(found.results)} tests at {speeds} spinner speeds, {_rpm(low)} to {_rpm(high)}", about]
    if found.highest_rpm is not None:
        lines.append(f"Highest speed that the granules allow: {_rpm(found.highest_rpm)}")
    return "\n".join(_wrapped(line) for line in lines)


def _answer(found: Tuning, one: SpeedAnswer, system: str) -> str:
    lines = [_wrapped(_best(found, one, system)), *(_wrapped(f"  {line}", "  ") for line in _standing(found, one))]
    return "\n".join(lines)


def _best(found: Tuning, one: SpeedAnswer, system: str) -> str:
    """The best speed in plain words: from the curve, or from the best test where there is none to trust."""
    what = _named(found, one, system)
    if one.band is None:
        return f"{what} was best in the test at {_rpm(one.best_tested_rpm)}: {_value(one, one.best_tested, system)}."
    low, high = (_number(one, max(end, 0.0), system) for end in one.band)
    best = "lowest" if one.code == "CV" else "widest"
    return (
        f"{what} is {best} at {_rpm(one.best_rpm)}: {_value(one, one.value, system)} on the curve "
        f"({found.level_pct:g} % band {low} to {high}); best test: {_value(one, one.best_tested, system)} at "
        f"{_rpm(one.best_tested_rpm)}."
    )


def _named(found: Tuning, one: SpeedAnswer, system: str) -> str:
    return f"At {show_width(found.bout_width_m, system)} the CV" if one.code == "CV" else "The effective width"


def _number(one: SpeedAnswer, value: float, system: str) -> str:
    return show_pct(value) if one.code == "CV" else show(value, "length", system, unit=False, digits=1)


def _value(one: SpeedAnswer, value: float, system: str) -> str:
    return f"{_number(one, value, system)} {'%' if one.code == 'CV' else shown_unit('length', system)}"


def _standing(found: Tuning, one: SpeedAnswer) -> list[str]:
    """How sure it is, and what to test next."""
    said = []
    if one.stretch_rpm is not None:
        low, high = one.stretch_rpm
        alike = f"From {_rpm(low)} to {_rpm(high)} the tests can't tell it from the best."
        said.append("No other speed comes near." if low == high else alike)
    said.append({
        CLEAR: "The best speed lies within the tested range; a test at that speed confirms it.",
        EDGE: "That is the edge of the tested range: the best speed may lie beyond it.",
        AT_HIGHEST: "That is the highest speed that the granules allow: don't test above it.",
        UNCLEAR: "Which speed is best is unclear: the bands overlap over more than half of the range.",
        MISFIT: f"No curve is drawn from this: {_misfit(one.curve)}.",
        NO_CURVE: f"No curve can be drawn: {one.curve.why_not}.",
    }[one.standing])  # fmt: skip
    if one.next_rpm is not None:
        beyond = one.standing == EDGE
        manual = ", if the manual and the granules allow it" if beyond and one.next_rpm > one.best_rpm else ""
        again = " once more" if one.next_rpm in one.curve.speed_rpm else ""
        wider = ", for wider bouts" if one is not found.main else ""
        said.append(f"Next{wider}: test{again} at {_rpm(one.next_rpm)}{manual}.")
    if one.without:
        why = "fewer than two trays lie in a bout" if one.code == "CV" else "no width is within the limit"
        said.append(f"Left out, because {why}: {', '.join(one.without)}.")
    return said


def _misfit(curve: SpeedCurve) -> str:
    p = curve.lack_of_fit.p if curve.lack_of_fit else 0.0
    return f"a {curve.kind} misses the tests by more than repeats at one speed differ (p = {p:.2g})"


def _table(found: Tuning, system: str) -> str:
    """A line a test."""
    wanted = f"CV at {show_width(found.bout_width_m, system)}" if found.bout_width_m is not None else ""
    unit = shown_unit("length", system)
    lines = [
        f"{'speed':>7}{wanted:>14}{'effective width':>18}{'passes':>8}  test",
        f"{'rpm':>7}{'%' if wanted else '':>14}{unit:>18}",
    ]
    for speed, result in zip(found.speed_rpm, found.results, strict=True):
        cv = show_pct(result.bouts[found.method].cv_trays_pct) if wanted else ""
        width = show_width(result.effective_width_m(found.method), system, unit=False)
        name = textwrap.shorten(result.test.name, WIDTH - 49, placeholder="...")
        mark = "*" if speed > found.allowed_rpm[1] else " "
        line = f"{show(float(speed), 'turning speed', unit=False):>7}{mark}{cv:>13}{width:>18}"
        lines.append(f"{line}{result.profile.passes_used:>8}  {name}")
    if found.speed_rpm[-1] > found.allowed_rpm[1]:
        lines.append("* over the highest speed: never taken for the best")
    return "\n".join(line.rstrip() for line in lines)


def _notes(found: Tuning, system: str) -> list[str]:
    notes = [_curve_words(one, system) for one in (found.cv, found.width) if one is not None]
    driving = "" if found.method_stated else "; the forms don't agree on the driving, --driving says which is meant"
    notes.append(f"Driving: {found.method}{driving}. CV limit {found.limit_pct:g} %.")
    if found.bout_width_m is None:
        notes.append('No bout width is known: add --bout-width, such as "24 m", for the CV there.')
    if found.width is None:
        notes.append("No test has an effective width within the limit.")
    if found.cut_short:
        notes.append(
            f"As wide as the tray line, so the true width may be larger: {', '.join(found.cut_short)}; a longer line "
            "would tell."
        )
    if len(found.products) > 1:
        notes.append(f"Tests of different products are mixed, as asked for: {', '.join(found.products)}.")
    elif found.products == ("not stated",):
        notes.append("No form names a product; the curve means something for one product only.")
    if found.other_settings:
        said = "; ".join(f"{label} ({', '.join(dict.fromkeys(values))})" for label, values in found.other_settings)
        notes.append(f"The sheets differ in more than the speed: {said}.")
    return notes


def _curve_words(one: SpeedAnswer, system: str) -> str:
    """What the curve is made of."""
    curve = one.curve
    what = "CV" if one.code == "CV" else "Effective width"
    if curve.kind == NONE:
        return f"{what}: no curve."
    few = f" (a bend needs tests at {SPEEDS_FOR_A_BEND} speeds)" if curve.speeds < SPEEDS_FOR_A_BEND else ""
    text = (
        f"{what}: {curve.kind} through {len(curve.value)} tests{few}, one test off by {_value(one, curve.sd, system)} "
        f"(standard deviation, {curve.freedom} degrees of freedom)"
    )
    fit = curve.lack_of_fit
    if fit is None:
        return f"{text}; no repeats at one speed to judge the curve by."
    return f"{text}; repeats differ by {_value(one, fit.repeat_sd, system)}, lack of fit p = {fit.p:.2g}."


def tuning_json(found: Tuning) -> dict[str, Any]:
    """The tuning as plain data, schema spreadcheck/tuning/1: SI throughout, keys carry their units."""
    return {
        "schema": SCHEMA,
        "bout_width_m": found.bout_width_m,
        "cv_limit_pct": found.limit_pct,
        "level_pct": found.level_pct,
        "driving": found.method,
        "driving_stated": found.method_stated,
        "products": list(found.products),
        "highest_speed_rpm": found.highest_rpm,
        "allowed_rpm": list(found.allowed_rpm),
        "tests": [
            {
                "name": result.test.name,
                "source": result.test.source,
                "spinner_speed_rpm": speed,
                "cv_trays_pct": _cv(result, found.method),
                "effective_width_m": result.effective_width_m(found.method),
                "passes_used": result.profile.passes_used,
                "warnings": warnings_data(result.doubts),
            }
            for speed, result in zip(found.speed_rpm.tolist(), found.results, strict=True)
        ],
        "cv": _answer_json(found.cv, "pct"),
        "effective_width": _answer_json(found.width, "m"),
        "width_limited_by_tray_line": list(found.cut_short),
        "other_settings": {label: list(values) for label, values in found.other_settings},
        "warnings": warnings_data(doubt for result in found.results for doubt in result.doubts),
    }


def _cv(result: Assessment, method: str) -> float | None:
    if not result.bouts or math.isnan(result.bouts[method].cv_trays_pct):
        return None
    return result.bouts[method].cv_trays_pct


def _answer_json(one: SpeedAnswer | None, unit: str) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "standing": one.standing,
        "best_rpm": one.best_rpm,
        f"best_{unit}": one.value,
        f"best_band_{unit}": list(one.band) if one.band else None,
        "best_tested_rpm": one.best_tested_rpm,
        f"best_tested_{unit}": one.best_tested,
        "not_told_from_best_rpm": list(one.stretch_rpm) if one.stretch_rpm else None,
        "next_test_rpm": one.next_rpm,
        "left_out": list(one.without),
        "curve": _curve_json(one.curve, unit),
    }


def _curve_json(curve: SpeedCurve, unit: str) -> dict[str, Any]:
    data: dict[str, Any] = {"kind": curve.kind, "why_none": curve.why_not or None}
    if curve.kind == NONE:
        return data
    speed = sampled_speeds(curve)
    value, half = curve.at(speed)
    fit = curve.lack_of_fit
    return data | {
        "speed_rpm": speed,
        f"value_{unit}": value.tolist(),
        f"band_low_{unit}": (value - half).tolist(),
        f"band_high_{unit}": (value + half).tolist(),
        f"scatter_{unit}": curve.sd,
        "degrees_of_freedom": curve.freedom,
        "lack_of_fit": None if fit is None else {"p": fit.p, f"repeat_sd_{unit}": fit.repeat_sd},
    }
