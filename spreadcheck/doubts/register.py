"""What is wrong or doubtful about a test: each finding with what was seen, its threshold and source, effect and remedy.

1. `sheet_findings`  what reading and averaging had to do: unknown labels, filled and dropped trays, uneven spacing
2. `quality_findings`   what the trade checks: conditions, tray line, agreement of passes and trays
3. `CHECKS`          every code with what it asks, its limits, its effect and its remedy
"""

from __future__ import annotations

from spreadcheck.doubts import agreement, conditions, neighbours, trayline
from spreadcheck.doubts.agreement import agreement_findings
from spreadcheck.doubts.conditions import condition_findings
from spreadcheck.doubts.doubt import Check, Finding, count_of, places_of
from spreadcheck.doubts.trayline import judged_width, line_findings
from spreadcheck.sheet.labels import nearest
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.spread.profile import Profile
from spreadcheck.units import show

__all__ = ["CHECKS", "Check", "Finding", "quality_findings", "sheet_findings"]

_SHEET_CHECKS = (
    Check(
        "unknown-label",
        "labels of the form that are not known",
        "it was kept and not used",
        "nothing need be done if it is a remark of your own",
    ),
    Check(
        "filled-trays",
        "trays without a usable catch in any pass, with neighbours on both sides",
        "the rate there is interpolated between the neighbours",
        "weigh these trays if they were only forgotten",
    ),
    Check(
        "dropped-end-trays",
        "trays without a usable catch in any pass, at the ends of the line",
        "the pattern is taken to end before them",
        "weigh these trays if they were only forgotten; write 0 if nothing fell in",
    ),
    Check(
        "uneven-spacing",
        "distances between neighbouring trays",
        "CV by trays is taken at the smallest spacing, on the line drawn between trays",
        "nothing need be done if the trays stood so",
    ),
)
CHECKS = {
    check.code: check
    for check in (*_SHEET_CHECKS, *conditions.CHECKS, *trayline.CHECKS, *agreement.CHECKS, *neighbours.CHECKS)
}


def sheet_findings(test: TrayTest, profile: Profile) -> tuple[Finding, ...]:
    """What reading and averaging had to do to get from the sheet to the profile.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    profile : Profile
        Its single-pass profile. [m, kg/ha]

    Returns
    -------
    tuple of Finding
        The findings, in the order of the sheet. [-]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_of
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> test = tray_test([-1, 0, 1], [5, 9, 5], tray_width="0.5 m", tray_length="0.5 m", form={"windspeed": "2 m/s"})
    >>> print(sheet_findings(test, profile_of(test))[0].message)
    The form row "windspeed" is not a known label. It was kept and not used. Did you mean "wind speed"?
    """
    found = [_unknown_label(label) for label in test.unknown_labels]
    filled, dropped = profile.filled_offset_m, profile.dropped_offset_m
    if filled:
        seen = f"{count_of(len(filled))} without a usable catch at {places_of(filled)}"
        found.append(CHECKS["filled-trays"].found(seen))
    if dropped:
        seen = f"{count_of(len(dropped))} at the end of the line without a usable catch at {places_of(dropped)}"
        found.append(CHECKS["dropped-end-trays"].found(seen))
    if not profile.even:
        widest = float((profile.offset_m[1:] - profile.offset_m[:-1]).max())
        seen = f"the trays stand {show(profile.spacing_m, 'length')} to {show(widest, 'length')} apart"
        found.append(CHECKS["uneven-spacing"].found(seen))
    return tuple(found)


def _unknown_label(label: str) -> Finding:
    near = nearest(label)
    seen = f'the form row "{label}" is not a known label'
    return CHECKS["unknown-label"].found(seen, remedy=f'did you mean "{near}"?' if near else "")


def quality_findings(
    test: TrayTest, profile: Profile, *, effective_m: float | None = None, bout_width_m: float | None = None
) -> tuple[Finding, ...]:
    """What the trade checks about a test before it trusts the width.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    profile : Profile
        Its single-pass profile. [m, kg/ha]
    effective_m : float, optional
        The effective width that was concluded. [m]
    bout_width_m : float, optional
        The bout width driven; what the line is held against where there is no effective width. [m]

    Returns
    -------
    tuple of Finding
        The findings: conditions, tray line, agreement. [-]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_of
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> test = tray_test([-1, 0, 1], [5, 9, 5], tray_width="0.5 m", tray_length="0.5 m")
    >>> [finding.code for finding in quality_findings(test, profile_of(test), effective_m=1.0)]
    ['few-passes', 'end-catch', 'few-trays']
    """
    judged = judged_width(profile, effective_m, bout_width_m)
    return (
        *condition_findings(test, profile),
        *line_findings(test, profile, judged),
        *agreement_findings(test, profile, judged),
    )
