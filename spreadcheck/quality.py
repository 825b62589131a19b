"""What is wrong or doubtful about a test: each finding with what was seen, its threshold and source, effect and remedy.

1. `Finding`         one doubt, under a stable code
2. `sheet_findings`  what reading and averaging had to do: unknown labels, filled and dropped trays, uneven spacing
"""

from __future__ import annotations

from dataclasses import dataclass

from spreadcheck.labels import nearest
from spreadcheck.profile import Profile
from spreadcheck.traytest import TrayTest
from spreadcheck.units import show


@dataclass(frozen=True)
class Finding:
    """One doubt about a test, under a stable code.

    `seen` is what was found, `threshold` the limit it is held against and where that limit comes from, `effect` what it
    does to the answer and `remedy` what to do about it.
    """

    code: str
    seen: str
    effect: str
    remedy: str
    threshold: str = ""

    @property
    def message(self) -> str:
        """All of it as one plain paragraph."""
        parts = (self.seen, self.threshold, self.effect, self.remedy)
        return " ".join(
            part[0].upper() + part[1:].rstrip(".") + ("" if part[-1] in "?." else ".") for part in parts if part
        )


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
    >>> from spreadcheck.profile import profile_of
    >>> from spreadcheck.traytest import tray_test
    >>> test = tray_test([-1, 0, 1], [5, 9, 5], tray_width="0.5 m", tray_length="0.5 m", form={"windspeed": "2 m/s"})
    >>> print(sheet_findings(test, profile_of(test))[0].message)
    The form row "windspeed" is not a known label. It was kept and not used. Did you mean "wind speed"?
    """
    found = [_unknown_label(label) for label in test.unknown_labels]
    if profile.filled_offset_m:
        found.append(
            Finding(
                "filled-trays",
                f"{_trays(len(profile.filled_offset_m))} without a usable catch at {_places(profile.filled_offset_m)}",
                "the rate there is interpolated between the neighbours",
                "weigh these trays if they were only forgotten",
            )
        )
    if profile.dropped_offset_m:
        found.append(
            Finding(
                "dropped-end-trays",
                f"{_trays(len(profile.dropped_offset_m))} at the end of the line without a usable catch at "
                f"{_places(profile.dropped_offset_m)}",
                "the pattern is taken to end before them",
                "weigh these trays if they were only forgotten; write 0 if nothing fell in",
            )
        )
    if not profile.even:
        found.append(
            Finding(
                "uneven-spacing",
                "the trays are not evenly spaced",
                f"CV by trays is taken at the smallest spacing, {show(profile.spacing_m, 'length')}, on the line drawn "
                "between trays",
                "nothing need be done if the trays stood so",
            )
        )
    return tuple(found)


def _unknown_label(label: str) -> Finding:
    near = nearest(label)
    return Finding(
        "unknown-label",
        f'the form row "{label}" is not a known label',
        "it was kept and not used",
        f'did you mean "{near}"?' if near else "nothing need be done if it is a remark of your own",
    )


def _trays(count: int) -> str:
    return "1 tray" if count == 1 else f"{count} trays"


def _places(offsets_m: tuple[float, ...]) -> str:
    shown = ", ".join(f"{offset:g}" for offset in offsets_m[:8])
    more = f" and {len(offsets_m) - 8} more" if len(offsets_m) > 8 else ""
    return f"{shown}{more} m"
