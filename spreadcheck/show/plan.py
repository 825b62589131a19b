"""A plan as a document: what to lay, drive and carry, the rule behind each figure, the cautions; and as plain data."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from typing import Any

from spreadcheck.crew.plan import Plan, standard_runs
from spreadcheck.doubts.doubt import Doubt
from spreadcheck.limits import LIMITS
from spreadcheck.show.data import envelope, picked
from spreadcheck.show.document import Answer, Document, Heading, Note, Points
from spreadcheck.units import counted, show, shown_unit

CAUTIONS = (
    "Nobody near turning discs: thrown granules hurt eyes and skin.",
    "Take up the trays only after the machine has stopped and left, drive disengaged, engine off, key out.",
    "Goggles and gloves; a respirator in dust. The machine maker's manual, the product label and local rules come "
    "first; products that need a licence are for licensed people.",
    "Keep away from water, wells and boundaries: check the local rules for the distance.",
)
CLOSER = "closer is better, the sparsest of six layouts did worst (Jones, Lawrence and Yule 2008)"
_BULLETIN = "Ohio State University Extension Bulletin 817"

Row = tuple[str, str, tuple[str, ...]]  # what, how much, the rules behind it


def plan_document(plan: Plan, system: str = "metric") -> Document:
    """The plan: figures first, then the rules they follow from."""
    rows = [*_line(plan, system), *_passes(plan, system), *_work(plan, system)]
    rules = tuple(f"{what}: {'; '.join(told)}." for what, _, told in rows if told)
    title = f"Plan: {plan.trays} trays, {show(plan.spacing_m, 'length', system)} apart, {plan.passes} passes"
    figures = (Answer(what, value) for what, value, _ in rows)
    return Document(
        title, (*figures, Heading("The rules behind it"), Points(rules), Note("Caution", CAUTIONS[0], CAUTIONS[1:]))
    )


def _rules(system: str, *codes: str) -> tuple[str, ...]:
    """Limits with their sources."""
    return tuple(LIMITS[code].words(system) for code in codes)


def _line(plan: Plan, system: str) -> Iterator[Row]:
    """Where the trays stand."""
    request, unit = plan.request, shown_unit("length", system)
    length = partial(show, kind="length", system=system)
    end = length(float(plan.offset_m[-1]))
    told = _rules(system, "line over bout")
    if request.throw_m is not None:
        told = (f"past the throw of {length(plan.throw_m)}", *_rules(system, "end catch"))
    yield "Tray line", f"{plan.trays} trays, {length(plan.spacing_m)} apart, out to {end} on each side", told
    right, wheels = (
        [length(offset, unit=False) for offset in plan.offset_m[those].tolist()]
        for those in ((plan.offset_m > 0) & ~plan.at_wheel, plan.at_wheel)
    )
    centre = "" if plan.at_wheel[len(plan.offset_m) // 2] else "C at 0, then "
    named = ", ".join(right if len(right) <= 24 else [*right[:22], "...", right[-1]])
    yield "Offsets", f"{centre}{named} {unit} to the left and to the right", ()
    if request.wheel_track_m is None:
        yield "Wheels", "give --wheel-track to leave the wheel tracks free", ()
    else:
        free = f"no tray at {', '.join(wheels)} {unit}" if wheels else "no tray stands in a wheel track"
        sizes = f"(track {length(request.wheel_track_m)}, tyre {length(request.tyre_width_m)})"
        yield "Wheels", f"{free} {sizes}", _rules(system, "wheel clearance")
    expected = request.bout_width_m is None
    which = "an expected bout width" if expected else "the bout width"
    rules = _rules(system, *(["bout over throw"] * expected), "trays in width")
    inside = f"{counted(plan.trays_in_bout, 'tray')} inside {which} of {length(plan.bout_width_m)}"
    yield "Spacing", inside, rules if plan.spacing_m <= request.tray_width_m else (*rules, CLOSER)


def _passes(plan: Plan, system: str) -> Iterator[Row]:
    """How many passes, and what the standard asks for."""
    request = plan.request
    each = counted(request.runs_per_catch, "run")
    value = (
        f"{plan.passes}, of {each} each, all in the same direction. A tray that catches half the rate, "
        f"{plan.half_catch_g:.3g} g, is then known to {plan.noise_pct:.1f} % (how many granules fall in it by chance "
        f"{plan.counting_pct:.1f} %, the scale {plan.reading_pct:.1f} %). Or catch {plan.runs_together} runs together "
        "and weigh once, which can't show passes that disagree"
    )
    grain = f"granules of {request.size_guide_number / 100:g} mm and {request.granule_density_kg_m3:g} kg/m3"
    rules = (f"at most {request.noise_pct:g} % with {grain}", *_rules(system, "plan noise", "passes"))
    if request.former_runs:
        rules = (*rules, f"the former test asks for {request.former_runs} runs with its own noise")
    yield "Passes", value, rules
    speed, standard = show(request.travel_speed_m_s, "speed", system), standard_runs(request.travel_speed_m_s)
    if standard is None:
        told = "4, 6, 10 or 12 km/h: EN 13739-2:2011, 4.1.2"
        yield "By EN 13739-2", f"{speed} is none of the speeds that it names", (told,)
    else:
        runs, worth = standard
        flow = ", with the flow set as for 10 km/h" if worth != runs else ""
        value = f"{runs} runs at {speed}{flow}: worth {worth:g} passes; this plan drives {plan.runs}"
        yield "By EN 13739-2", value, ("runs per measurement: EN 13739-2:2011, 4.1.2",)


def _work(plan: Plan, system: str) -> Iterator[Row]:
    """Room, product and time that it takes; last, what nobody gave, and how to give it."""
    request, speed = plan.request, show(plan.request.travel_speed_m_s, "speed", system)
    up, out = (show(metres, "length", system, digits=0) for metres in (plan.run_up_m, plan.throw_m))
    rule = f"{request.settling_s:g} s of travel to settle, and one throw before and behind"
    value = f"open the slide {up} before the line at {speed}, close it {out} behind it"
    yield "Run-up, run-out", value, (rule, *_rules(system, "settling"))
    value = f"{show(plan.product_kg, 'mass', system, digits=0)} for the test; keep the hopper at least half full"
    yield "Product", value, (f"hopper at least half full: {_BULLETIN}",)
    value = f"about {plan.driving_s / 60:.0f} min of driving and {plan.weighing_s / 60:.0f} min of weighing"
    yield "Time", value, _rules(system, "turning", "weighing")
    value = (
        f"the middle of the strip gets up to {show(plan.strip_rate_kg_ha, 'rate', system, digits=0)} in all, "
        f"{plan.runs} times the target rate: choose a place where that does no harm, and sweep up what is left"
    )
    yield "Strip", value, ()
    taken = {
        "tray_width_m": f"trays {show(request.tray_width_m, 'length', system)} wide (--tray-width)",
        "tray_length_m": f"{show(request.tray_length_m, 'length', system)} long (--tray-length)",
        "travel_speed_m_s": f"{speed} (--travel-speed)",
        "scale_resolution_g": f"scale steps of {show(request.scale_resolution_g, 'catch mass', system)} "
        "(--scale-resolution)",
    }
    told = [words for name, words in taken.items() if name in request.assumed]
    if told:
        yield "Assumed", f"{', '.join(told)}: give your own, or correct the sheet", ()


def plan_json(plan: Plan, former: Iterable[Doubt] = ()) -> dict[str, Any]:
    """The plan as plain data, SI throughout, keys carry their units; doubts about a former test stand with its own."""
    standard = standard_runs(plan.request.travel_speed_m_s) or (None, None)
    data = {
        "request": vars(plan.request),
        **picked(plan, "bout_width_m throw_m spacing_m"),
        "offset_m": plan.offset_m[~plan.at_wheel],
        "wheel_offset_m": plan.offset_m[plan.at_wheel],
        **picked(
            plan,
            "trays trays_in_bout passes runs_per_catch=request.runs_per_catch runs_weighed_together=runs_together "
            "counting_noise_pct=counting_pct reading_error_pct=reading_pct noise_pct half_rate_catch_g=half_catch_g",
        ),
        "standard_runs": standard[0],
        "standard_equivalent_passes": standard[1],
        **picked(plan, "run_up_m run_out_m=throw_m product_kg driving_s weighing_s"),
    }
    return envelope("plan/1", None, (*plan.doubts, *former), **data)
