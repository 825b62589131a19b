"""What better switching, guidance or a border device would be worth a year on this field."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from spreadcheck.errors import record
from spreadcheck.field.case import Asked, FieldCase, FieldStudy, coarse_cell_m
from spreadcheck.field.plan import later_cvs
from spreadcheck.field.study import ways_of
from spreadcheck.units import HECTARE_M2

LEAST_GAIN_PCT = 0.3  # of field CV: a shift of all switching that gains less is not worth a word


@record(eq=False)
class Worth:
    """One improvement against the case that is shown; `saved_per_year` is None where nothing is priced."""

    label: str
    case: FieldCase
    cv_less_pct: float
    wasted_less_kg_ha: float
    saved_per_ha: float | None
    saved_per_year: float | None


def worth_of(study: FieldStudy, *, per_year_ha: float | None = None) -> tuple[Worth, ...]:
    """What each improvement alone, and all together, would change."""
    shown, area, found = study.case, float(study.case.ground.polygon.area) / HECTARE_M2, []
    for label, case in _planned(study) if study.track is None else _driven(study):
        saved = None
        if shown.total_cost is not None and case.total_cost is not None:
            saved = (shown.total_cost - case.total_cost) / area
        less_cv = shown.found.field_cv_pct - case.found.field_cv_pct
        less_wasted = (shown.found.wasted_kg - case.found.wasted_kg) / area
        a_year = None if saved is None else saved * (area if per_year_ha is None else per_year_ha)
        found.append(Worth(label, case, less_cv, less_wasted, saved, a_year))
    return tuple(found)


def _as_shown(study: FieldStudy) -> Asked:
    """What is asked, narrowed to the case that is shown."""
    driving = study.case.driving
    if driving is None:
        return replace(study.asked, bout_width_m=(study.case.bout_width_m,), later_m=(study.case.later_m,))
    names = ("bout_width_m", "headland_rounds", "heading_deg", "on_m", "off_m", "method", "drift_m", "border")
    narrowed: dict[str, Any] = {name: (getattr(driving, name),) for name in names}
    return replace(study.asked, **narrowed)


def _planned(study: FieldStudy) -> list[tuple[str, FieldCase]]:
    base, driving = _as_shown(study), study.case.driving
    assert driving is not None
    changes: dict[str, dict[str, tuple[object, ...]]] = {}
    switched = ways_of(study, replace(base, on_m=(None,), off_m=(None,)))[0]
    assert switched.driving is not None
    if max(abs(switched.driving.on_m - driving.on_m), abs(switched.driving.off_m - driving.off_m)) > 0.5:
        changes["best switching"] = {"on_m": (None,), "off_m": (None,)}
    if driving.drift_m:
        changes["exact guidance"] = {"drift_m": (0.0,)}
    if not driving.border and driving.headland_rounds:
        changes["border device"] = {"border": (True,)}
    ways = [
        (label, switched if label == "best switching" else ways_of(study, replace(base, **change))[0])  # type: ignore[arg-type]
        for label, change in changes.items()
    ]
    if len(changes) > 1:
        together = {name: value for change in changes.values() for name, value in change.items()}
        ways.append(("all together", ways_of(study, replace(base, **together))[0]))  # type: ignore[arg-type]
    return ways


def _driven(study: FieldStudy) -> list[tuple[str, FieldCase]]:
    base, case, ways = _as_shown(study), study.case, []
    cell = coarse_cell_m(study.asked.cell_m, case.ground.polygon.area)
    tried = later_cvs(case.legs, study.profile, case.ground, study.landing, bout_width_m=case.bout_width_m, cell_m=cell)
    shift, lowest = min(tried, key=lambda pair: pair[1])
    if dict(tried)[0.0] - lowest >= LEAST_GAIN_PCT:
        (moved,) = ways_of(study, replace(base, later_m=(case.later_m + shift,)))
        ways.append(("all switching moved", moved))
    if study.boundary is not None:
        plan = replace(base, heading_deg=(None,), on_m=(None,), off_m=(None,), drift_m=(0.0,), border=(False,))
        (planned,) = ways_of(study, plan, planned=True)
        ways.append(("exact guidance, best switching", planned))
        assert planned.driving is not None
        bordered = replace(plan, heading_deg=(planned.driving.heading_deg,), border=(True,))
        ways.append(("with a border device too", ways_of(study, bordered, planned=True)[0]))
    return ways


STEPS_M = (-20.0, -15.0, -10.0, -5.0, 0.0, 5.0, 10.0, 15.0, 20.0)


def switching_steps(study: FieldStudy) -> tuple[tuple[float, FieldCase], ...]:
    """The case that is shown with every opening and shutting of the slide so many metres later, earlier if below 0."""
    base, found = _as_shown(study), []
    for later in STEPS_M:
        driving = study.case.driving
        if not later:
            found.append((later, study.case))
            continue
        if driving is None:
            asked = replace(base, later_m=(study.case.later_m + later,))
        else:
            asked = replace(base, on_m=(driving.on_m + later,), off_m=(driving.off_m + later,))
        found.append((later, ways_of(study, asked)[0]))
    return tuple(found)
