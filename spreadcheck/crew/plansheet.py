"""What a plan leaves behind: the tray sheet to fill in, and the plan for other programs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from spreadcheck.crew.plan import Plan
from spreadcheck.sheet.traytest import CatchState, FormRow, TrayTest, tray_test
from spreadcheck.units import KINDS, from_inside, shown_unit


def planned_sheet(plan: Plan, system: str = "metric") -> TrayTest:
    """The tray sheet of a plan, with all details as form rows and blank catches, ready to be filled in.

    Parameters
    ----------
    plan : Plan
        The plan. [m, kg/ha]
    system : str
        "metric" or "us": the units that the sheet is written in. [-]

    Returns
    -------
    TrayTest
        The sheet. [-]

    Examples
    --------
    >>> from spreadcheck import Wish, plan_line
    >>> sheet = planned_sheet(plan_line(Wish(target_rate_kg_ha=100, bout_width_m=24, wheel_track_m=1.8)))
    >>> sheet.quantity("bout width"), len(sheet.tray), sheet.passes
    (24.0, 33, (1, 2, 3, 4, 5))
    """
    wish, unit = plan.wish, shown_unit("length", system)
    blank = tray_test(
        plan.offset_m,
        np.full((len(plan.offset_m), plan.passes), np.nan),
        tray_width=f"{wish.tray_width_m!r} m",
        tray_length=f"{wish.tray_length_m!r} m",
    )
    return replace(
        blank,
        form=_form(plan, system),
        offset=np.round(plan.offset_m / KINDS["length"].factors[unit], 4),
        offset_unit=unit,
        state=np.where(plan.at_wheel[:, None], CatchState.NO_TRAY, blank.state).astype(np.uint8),
        note=tuple("wheel track, no tray" if wheel else "" for wheel in plan.at_wheel.tolist()),
    )


def _form(plan: Plan, system: str) -> tuple[FormRow, ...]:
    """All details that are known, and a blank row for each that is still to be noted."""
    wish = plan.wish
    lengths = {"tray width": wish.tray_width_m, "tray length": wish.tray_length_m}
    known: list[tuple[str, str, float | None]] = [
        *((label, "length", value) for label, value in lengths.items()),
        ("travel speed", "speed", wish.travel_speed_m_s),
        ("target rate", "rate", wish.target_rate_kg_ha),
        ("bout width", "length", wish.bout_width_m),
        ("wheel track", "length", wish.wheel_track_m),
        ("scale resolution", "catch mass", wish.scale_resolution_g),
    ]
    rows = [FormRow(label, "") for label in ("test", "date", "place", "operator", "machine", "product")]
    rows += [_row(label, kind, value, system) for label, kind, value in known if value is not None]
    rows.append(FormRow("runs per catch", str(wish.runs_per_catch)))
    rows += [FormRow("spinner speed", "", "rpm"), FormRow("discharge", "", shown_unit("flow", system))]
    rows += [FormRow("wind speed", "", shown_unit("wind speed", system)), FormRow("wind from", "")]
    rows += [FormRow("bulk density", "", shown_unit("density", system)), FormRow("size guide number", "")]
    rows += [FormRow("granule density", "", "kg/m3"), FormRow("notes", "")]
    return tuple(rows)


def _row(label: str, kind: str, value: float, system: str) -> FormRow:
    unit = shown_unit(kind, system)
    return FormRow(label, f"{from_inside(value, unit, kind):.6g}", unit)
