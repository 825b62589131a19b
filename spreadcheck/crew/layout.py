"""The tray line of a test: tray size, trays, offsets and passes, without what was caught."""

from __future__ import annotations

from spreadcheck.sheet.traytest import TrayTest


def layout_differences(test: TrayTest, other: TrayTest) -> tuple[str, ...]:
    """How the tray lines of two tests differ: tray size, trays, offsets, passes; empty where they are the same."""
    found = [
        f"the {name} is {one:g} m, not {two:g} m"
        for name, one, two in (
            ("tray width", test.tray_width_m, other.tray_width_m),
            ("tray length", test.tray_length_m, other.tray_length_m),
        )
        if abs(one - two) > 1e-9
    ]
    found += _tray_differences(test, other)
    if test.columns != other.columns:
        one, two = (_columns_named(each) for each in (test, other))
        found.append(f"it has {one}, not {two}")
    return tuple(found)


def _tray_differences(test: TrayTest, other: TrayTest) -> list[str]:
    if len(test.tray) != len(other.tray):
        return [f"it has {len(test.tray)} trays, not {len(other.tray)}"]
    for name, one, two, other_name in zip(test.tray, test.offset_m, other.offset_m, other.tray, strict=True):
        if name.casefold() != other_name.casefold():
            return [f"the tray at {one:g} m is {name}, not {other_name}"]
        if abs(one - two) > 1e-6:
            return [f"tray {name} stands at {one:g} m, not at {two:g} m"]
    return []


def _columns_named(test: TrayTest) -> str:
    units = {column.unit for column in test.columns}
    plain = units == {"g"}
    return ", ".join(column.name if plain else f"{column.name} in {column.unit}" for column in test.columns)
