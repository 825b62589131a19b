"""What a plan leaves behind: the tray sheet to fill in, and the plan for other programs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from spreadcheck.crew.plan import Plan
from spreadcheck.sheet.labels import LABELS
from spreadcheck.sheet.traytest import CatchState, FormRow, TrayTest, tray_test
from spreadcheck.units import KINDS, from_inside, shown_unit


def planned_sheet(plan: Plan, system: str = "metric", *, bins: int = 1) -> TrayTest:
    """The tray sheet of a plan, with all details as form rows and blank catches, ready to be filled in.

    Parameters
    ----------
    plan : Plan
        The plan. [m, kg/ha]
    system : str
        "metric" or "us": the units that the sheet is written in. [-]
    bins : int
        How many bins the machine has: each has a product of its own on the form. [-]

    Returns
    -------
    TrayTest
        The sheet. [-]

    Examples
    --------
    >>> from spreadcheck import PlanRequest, plan_line
    >>> sheet = planned_sheet(plan_line(PlanRequest(target_rate_kg_ha=100, bout_width_m=24, wheel_track_m=1.8)))
    >>> sheet.quantity("bout width"), len(sheet.tray), sheet.passes
    (24.0, 33, (1, 2, 3, 4, 5))
    """
    request, unit = plan.request, shown_unit("length", system)
    blank = tray_test(
        plan.offset_m,
        np.full((len(plan.offset_m), plan.passes), np.nan),
        tray_width=f"{request.tray_width_m!r} m",
        tray_length=f"{request.tray_length_m!r} m",
    )
    return replace(
        blank,
        form=_form(plan, system, bins),
        offset=np.round(plan.offset_m / KINDS["length"].factors[unit], 4),
        offset_unit=unit,
        state=np.where(plan.at_wheel[:, None], CatchState.NO_TRAY, blank.state).astype(np.uint8),
        note=tuple("wheel track, no tray" if wheel else "" for wheel in plan.at_wheel.tolist()),
    )


def _form(plan: Plan, system: str, bins: int) -> tuple[FormRow, ...]:
    """Every label that a later command can use: what the plan knows filled in, the rest blank, its unit beside it."""
    request = plan.request
    known = {
        "tray width": request.tray_width_m,
        "tray length": request.tray_length_m,
        "travel speed": request.travel_speed_m_s,
        "target rate": request.target_rate_kg_ha,
        "bout width": request.bout_width_m,
        "wheel track": request.wheel_track_m,
        "scale resolution": request.scale_resolution_g,
    }
    rows = []
    for label in LABELS.values():
        if label.bin > bins or (label.name == "bins run" and bins == 1):
            continue
        value = known.get(label.name)
        if value is not None:
            rows.append(_row(label.name, label.kind, value, system))
        elif label.name == "runs per catch":
            rows.append(FormRow(label.name, str(request.runs_per_catch)))
        else:
            unit = label.unit if system == "metric" or not label.unit else shown_unit(label.kind, system)
            rows.append(FormRow(label.name, "", unit))
    return tuple(rows)


def _row(label: str, kind: str, value: float, system: str) -> FormRow:
    unit = shown_unit(kind, system)
    return FormRow(label, f"{from_inside(value, unit, kind):.6g}", unit)
