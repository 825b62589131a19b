"""A plan as a page of text: what to lay, drive and carry, each with the rule it comes from; then the cautions."""

from __future__ import annotations

import textwrap
from typing import Any

from spreadcheck.crew.plan import Plan
from spreadcheck.crew.planrequest import PlanRequest, standard_runs
from spreadcheck.doubts.doubt import trays_counted
from spreadcheck.limits import LIMITS
from spreadcheck.show.json import envelope
from spreadcheck.units import show

WIDTH = 80
_INDENT = 16

CAUTIONS = (
    "Nobody near turning discs: thrown granules hurt eyes and skin. Take up the trays only after the machine has "
    "stopped and left, drive disengaged, engine off, key out.",
    "Goggles and gloves; a respirator in dust. The machine maker's manual, the product label and local rules come "
    "first; products that need a licence are for licensed people.",
    "Keep away from water, wells and boundaries: check the local rules for the distance.",
)
CLOSER = "closer is better, the sparsest of six layouts did worst (Jones, Lawrence and Yule 2008)"


def plan_text(plan: Plan, system: str = "metric") -> str:
    """The plan, 80 columns wide."""
    parts = (_line, _offsets, _wheels, _inside, _passes, _standard, _room, _product, _time, _strip)
    rows = [part(plan, system) for part in parts]
    text = "\n".join(_shown(*row) for row in rows if row)
    cautions = "\n".join(_wrapped("- " + caution, "  ") for caution in CAUTIONS)
    return f"{text}\n\nCautions\n{cautions}"


Row = tuple[str, str, str]


def _shown(what: str, value: str, rule: str) -> str:
    lines = textwrap.wrap(value, WIDTH - _INDENT)
    lines += textwrap.wrap(f"[{rule}]", WIDTH - _INDENT, subsequent_indent=" ") if rule else []
    return "\n".join(f"{what if not at else '':<{_INDENT}}{line}" for at, line in enumerate(lines))


def _wrapped(text: str, indent: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent=indent)


def _rule(code: str, system: str) -> str:
    """A limit with its source."""
    return LIMITS[code].words(system)


def _line(plan: Plan, system: str) -> Row:
    end = show(float(plan.offset_m[-1]), "length", system)
    value = f"{plan.trays} trays, {show(plan.spacing_m, 'length', system)} apart, out to {end} on each side"
    if plan.request.throw_m is None:
        return "Tray line", value, _rule("line over bout", system)
    throw = show(plan.throw_m, "length", system)
    return "Tray line", value, f"past the throw of {throw}; {_rule('end catch', system)}"


def _offsets(plan: Plan, system: str) -> Row:
    right = plan.offset_m[(plan.offset_m > 0) & ~plan.at_wheel].tolist()
    places = [show(offset, "length", system, unit=False) for offset in right]
    centre = not bool(plan.at_wheel[len(plan.offset_m) // 2])
    shown = ", ".join(places if len(places) <= 24 else [*places[:22], "...", places[-1]])
    unit = show(0.0, "length", system).split()[1]
    return "Offsets", f"{'C at 0, then ' if centre else ''}{shown} {unit} to the left and to the right", ""


def _wheels(plan: Plan, system: str) -> Row:
    track = plan.request.wheel_track_m
    if track is None:
        return "Wheels", "give --wheel-track to leave the wheel tracks free", ""
    places = ", ".join(show(offset, "length", system, unit=False) for offset in plan.offset_m[plan.at_wheel].tolist())
    unit = show(0.0, "length", system).split()[1]
    left_free = f"no tray at {places} {unit}" if places else "no tray stands in a wheel track"
    tyre = show(plan.request.tyre_width_m, "length", system)
    value = f"{left_free} (track {show(track, 'length', system)}, tyre {tyre})"
    return "Wheels", value, _rule("wheel clearance", system)


def _inside(plan: Plan, system: str) -> Row:
    width = show(plan.bout_width_m, "length", system)
    sparse = "" if plan.spacing_m <= plan.request.tray_width_m else f"; {CLOSER}"
    if plan.request.bout_width_m is None:
        value = f"{trays_counted(plan.trays_in_bout)} inside an expected bout width of {width}"
        return (
            "Spacing",
            value,
            f"{_rule('bout over throw', system)}; {_rule('trays in width', system)}{sparse}",
        )
    value = f"{trays_counted(plan.trays_in_bout)} inside the bout width of {width}"
    return "Spacing", value, f"{_rule('trays in width', system)}{sparse}"


def _passes(plan: Plan, system: str) -> Row:
    request = plan.request
    each = "1 run" if request.runs_per_catch == 1 else f"{request.runs_per_catch} runs"
    value = (
        f"{plan.passes} of {each} each, all in the same direction: the {plan.half_catch_g:.3g} g of a half-rate "
        f"tray are then known to {plan.noise_pct:.1f} % (granule counting {plan.counting_pct:.1f} %, reading "
        f"{plan.reading_pct:.1f} %). Or {plan.runs_together} runs caught together and weighed once, which can't show "
        "passes that disagree"
    )
    grain = f"granules of {request.size_guide_number / 100:g} mm and {request.granule_density_kg_m3:g} kg/m3"
    rule = f"at most {request.noise_pct:g} % with {grain}; "
    rule += f"{_rule('plan noise', system)}; {_rule('passes', system)}"
    if request.former_runs:
        rule += f"; the former test asks for {request.former_runs} runs with its own noise"
    return "Passes", value, rule


def _standard(plan: Plan, system: str) -> Row:
    speed, standard = show(plan.request.travel_speed_m_s, "speed", system), standard_runs(plan.request.travel_speed_m_s)
    if standard is None:
        return (
            "Against EN",
            f"{speed} is none of the speeds that it names",
            "4, 6, 10 or 12 km/h: EN 13739-2:2011, 4.1.2",
        )
    runs, worth = standard
    flow = ", with the flow set as for 10 km/h" if worth != runs else ""
    value = f"{runs} runs at {speed}{flow}: worth {worth:g} passes; this plan drives {plan.runs}"
    return "Against EN", value, "runs per measurement: EN 13739-2:2011, 4.1.2"


def _room(plan: Plan, system: str) -> Row:
    up, out = show(plan.run_up_m, "length", system, digits=0), show(plan.run_out_m, "length", system, digits=0)
    value = (
        f"open the slide {up} before the line at {show(plan.request.travel_speed_m_s, 'speed', system)}, "
        f"close it {out} behind it"
    )
    rule = f"{plan.request.settling_s:g} s of travel to settle, and one throw before and behind; "
    rule += f"{_rule('settling', system)}"
    return "Run-up, run-out", value, rule


def _product(plan: Plan, system: str) -> Row:
    value = f"{show(plan.product_kg, 'mass', system, digits=0)} for the test; keep the hopper at least half full"
    return "Product", value, "hopper at least half full: Ohio State University Extension Bulletin 817"


def _time(plan: Plan, system: str) -> Row:
    value = f"about {plan.driving_s / 60:.0f} min of driving and {plan.weighing_s / 60:.0f} min of weighing"
    return "Time", value, f"{_rule('turning', system)}; {_rule('weighing', system)}"


def _strip(plan: Plan, system: str) -> Row:
    value = (
        f"the middle of the strip gets up to {show(plan.strip_rate_kg_ha, 'rate', system, digits=0)} in all, "
        f"{plan.runs} times the target rate: choose a place where that does no harm, and sweep up what is left"
    )
    return "Strip", value, ""


def plan_json(plan: Plan) -> dict[str, Any]:
    """The plan as plain data, SI throughout, keys carry their units."""
    standard = standard_runs(plan.request.travel_speed_m_s)
    data = {
        "request": {name: getattr(plan.request, name) for name in PlanRequest.__dataclass_fields__},
        "bout_width_m": plan.bout_width_m,
        "throw_m": plan.throw_m,
        "spacing_m": plan.spacing_m,
        "offset_m": plan.offset_m[~plan.at_wheel].tolist(),
        "wheel_offset_m": plan.offset_m[plan.at_wheel].tolist(),
        "trays": plan.trays,
        "trays_in_bout": plan.trays_in_bout,
        "passes": plan.passes,
        "runs_per_catch": plan.request.runs_per_catch,
        "runs_weighed_together": plan.runs_together,
        "counting_noise_pct": plan.counting_pct,
        "reading_error_pct": plan.reading_pct,
        "noise_pct": plan.noise_pct,
        "half_rate_catch_g": plan.half_catch_g,
        "standard_runs": standard[0] if standard else None,
        "standard_equivalent_passes": standard[1] if standard else None,
        "run_up_m": plan.run_up_m,
        "run_out_m": plan.run_out_m,
        "product_kg": plan.product_kg,
        "driving_s": plan.driving_s,
        "weighing_s": plan.weighing_s,
    }
    return envelope("plan/1", None, plan.doubts, **data)
