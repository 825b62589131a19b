"""What a throw study says: text for a terminal, plain data for other programs, and a figure."""

from __future__ import annotations

import textwrap
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from spreadcheck.product.flight import Flight
from spreadcheck.product.release import QUANTITIES, Weather, name_of, release_speed
from spreadcheck.product.throw import Change, Chart, ThrowStudy, WindThrow
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.show.json import envelope
from spreadcheck.show.plots import plain_style
from spreadcheck.units import show, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH = 80
CAUTIONS = (
    "One granule, thrown once, until it first touches the ground. Vanes, tumbling, granules knocking each other, "
    "bounce and the spreader's travel are not in it. Trust the ratio before the metres, and a tray test before "
    "either: a longer throw also changes the shape of the pattern.",
    "A higher spinner speed breaks weak granules: crush strength and the machine maker's manual set the highest "
    "speed, and the manual the setting.",
    "Thrown granules hurt eyes and skin, and bounce on beyond the distances shown. Keep everybody well clear, "
    "behind and to both sides; stop the drive and the engine before going near the discs.",
)
_LINES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 3)), (0, (1, 3)))


def _shown(key: str, value: float | None, system: str) -> str:
    """A field of a setting with its unit, or a dash."""
    kind = QUANTITIES[key][0]
    if value is None or not kind:
        return "-" if value is None else f"{value:g}"
    if key == "release_speed_m_s":
        kind = "wind speed"  # m/s or mph: a granule's speed is not told in km/h
    return show(value, kind, system)


def throw_text(study: ThrowStudy, system: str = "metric", *, assumed: tuple[str, ...] = (), source: str = "") -> str:
    """The study for a terminal, 80 columns wide."""
    title = "Throw of a granule from the disc" + (f": {source}" if source else "")
    parts = [textwrap.shorten(title, WIDTH, placeholder="...") + "\n" + _sides(study, system)]
    if study.changes:
        parts.append(_changes(study, system))
    if study.winds:
        parts.append(_winds(study, system))
    parts.append(_chart(study, system))
    parts += [_wrapped(_air_line(study.weather, system))]
    if assumed:
        parts.append(_wrapped("Assumed, as nobody gave it: " + _assumed(study, assumed, system) + "."))
    return "\n\n".join(parts) + "\n\n" + "\n".join(_wrapped(caution, indent="  ") for caution in CAUTIONS)


def _wrapped(text: str, *, indent: str = "") -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent=indent, break_on_hyphens=False)


def _row(name: str, *cells: str) -> str:
    return (f"{name:<26}" + "".join(f"{cell:<16}" for cell in cells)).rstrip()


def _sides(study: ThrowStudy, system: str) -> str:
    """Present and changed side by side: what is set, then what comes of it."""
    lines = [_row("", "present", *(["changed"] if study.changed else []))]
    for key in QUANTITIES:
        values = [getattr(setting, key, None) for setting in study.settings]
        if key == "release_speed_m_s":
            values = [release_speed(setting) for setting in study.settings]
        if key == "release_factor" and study.present.release_speed_m_s is not None:
            continue
        if any(value is not None for value in values):
            lines.append(_row(name_of(key), *(_shown(key, value, system) for value in values)))
    flights = study.flights
    lines += [
        _row("terminal velocity", *(show(speed, "wind speed", system) for speed in study.terminal_m_s)),
        _row("flight time", *(f"{flight.time_s:.2f} s" for flight in flights)),
        _row("speed at landing", *(show(flight.landing_speed_m_s, "wind speed", system) for flight in flights)),
        _row("steepness at landing", *(f"{flight.landing_angle_deg:.0f} deg" for flight in flights)),
        _row("throw in still air", *(show(flight.throw_m, "length", system, digits=1) for flight in flights)),
    ]
    return "\n".join(lines)


def _changes(study: ThrowStudy, system: str) -> str:
    lines = ["What each change does to the throw in still air, and the same if granules meet", "20 % less or more drag"]
    lines += [_change_line(change, system) for change in study.changes if change.field or len(study.changes) != 2]
    if study.same_throw:
        key, value = study.same_throw
        lines.append(
            f"To keep the present throw after the other changes: {name_of(key)} {_shown(key, value, system)},"
            "\n  by the flight alone"
        )
    return "\n".join(lines)


def _change_line(change: Change, system: str) -> str:
    ratio = f"x {change.ratio:.2f}  ({change.low:.2f} to {change.high:.2f})"
    if not change.field:
        return f"  {'all together':<50}{ratio}"
    before, after = (_shown(change.field, value, system) for value in (change.before, change.after))
    return f"  {name_of(change.field):<18}{f'{before} -> {after}':<32}{ratio}"


def _winds(study: ThrowStudy, system: str) -> str:
    wind = study.weather
    known = "downwind" not in study.winds[0].sides
    side = f"from {wind.wind_from}" if known else "its direction is not known or changing"
    lines = [
        f"In the wind of {show(wind.wind_speed_m_s, 'wind speed', system)}, {side} "
        f"({'seen in the travel direction' if known else 'three cases'})",
        _row("thrown", "present", *(["", "changed"] if study.changed else [])),
    ]
    lines += [_wind_line(row, system) for row in study.winds]
    return "\n".join(lines)


def _wind_line(row: WindThrow, system: str) -> str:
    flights = [flight for flight in (row.present, row.changed) if flight]
    cells = [
        f"{show(flight.throw_m, 'length', system, digits=1):<10}{_drift(flight, row, system):<17}" for flight in flights
    ]
    return f"{row.thrown:<26}{''.join(cells)}".rstrip()


def _drift(flight: Flight, row: WindThrow, system: str) -> str:
    text = show(abs(flight.drift_m), "length", system, digits=1)
    if float(text.split()[0]) == 0:
        return ""
    return f"{text} {row.sides[0 if flight.drift_m > 0 else 1]}"


def _chart(study: ThrowStudy, system: str) -> str:
    """The table of throws; the present speed and the changed one are marked."""
    chart = study.chart
    by_spinner = chart.field == "spinner_speed_rpm"
    signs = {getattr(setting, chart.field): sign for setting, sign in zip(study.settings, "*+", strict=False)}
    lines = [
        f"Throw in still air, {shown_unit('length', system)}, by granule size; all else as at present",
        (f"{'spinner':>8}" if by_spinner else "") + f"{'release':>8} ",
        (f"{'rpm':>8}" if by_spinner else "") + f"{shown_unit('wind speed', system):>8} ",
    ]
    lines[1] += "".join(f"{f'{size:g} mm':>9}" for size in chart.sizes_mm)
    for speed, release, throws in zip(chart.speeds, chart.release_m_s, chart.throw_m, strict=True):
        start = f"{speed:>8.0f}" if by_spinner else ""
        cells = "".join(f"{show(throw, 'length', system, unit=False, digits=1):>9}" for throw in throws)
        lines.append(f"{start}{show(release, 'wind speed', system, unit=False):>8}{signs.get(speed, ' ')}{cells}")
    marks = {"*": "* present speed", "+": "+ changed speed"}
    lines.append(", ".join(marks[sign] for speed, sign in signs.items() if speed in chart.speeds))
    return "\n".join(line.rstrip() for line in lines).rstrip()


def _air_line(weather: Weather, system: str) -> str:
    air = weather.air
    parts = (
        show(weather.temperature_deg_c, "temperature", system),
        show(weather.pressure_hpa, "pressure", system),
        f"relative humidity {weather.humidity_pct:g} %",
    )
    return f"Air: {', '.join(parts)}; density {air.density_kg_m3:.3f} kg/m3, viscosity {air.viscosity_pa_s:.3g} Pa s."


def _assumed(study: ThrowStudy, assumed: tuple[str, ...], system: str) -> str:
    values = vars(study.present) | vars(study.weather)
    return ", ".join(f"{name_of(key)} {_shown(key, values[key], system)}" for key in assumed)


def throw_json(study: ThrowStudy, *, assumed: tuple[str, ...] = (), test: TrayTest | None = None) -> dict[str, Any]:
    """The study as plain data: SI, keys carry their units."""
    sides = [
        asdict(setting)
        | {"release_speed_m_s": release_speed(setting), "terminal_velocity_m_s": terminal}
        | asdict(flight)
        for setting, terminal, flight in zip(study.settings, study.terminal_m_s, study.flights, strict=True)
    ]
    for side in sides:
        side.pop("drift_m")  # still air
    air = study.weather.air
    weather = asdict(study.weather) | {"density_kg_m3": air.density_kg_m3, "viscosity_pa_s": air.viscosity_pa_s}
    data: dict[str, Any] = {
        "weather": weather | {"wind_from": study.weather.wind_from or None},
        "present": sides[0],
        "changed": sides[1] if study.changed else None,
        "ratio": study.ratio,
        "changes": [_change_json(change) for change in study.changes],
        "same_throw": dict([study.same_throw]) if study.same_throw else None,
        "wind": [_wind_json(row) for row in study.winds],
        "chart": {
            study.chart.field: list(study.chart.speeds),
            "release_m_s": list(study.chart.release_m_s),
            "granule_size_mm": list(study.chart.sizes_mm),
            "throw_m": [list(row) for row in study.chart.throw_m],
        },
        "assumed": list(assumed),
        "cautions": list(CAUTIONS),
    }
    return envelope("throw/1", test, **data)


def _change_json(change: Change) -> dict[str, Any]:
    known = bool(change.field)
    return {
        "field": change.field or "all together",
        "before": change.before if known else None,
        "after": change.after if known else None,
        "ratio": change.ratio,
        "ratio_low": change.low,
        "ratio_high": change.high,
    }


def _wind_json(row: WindThrow) -> dict[str, Any]:
    return {
        "thrown": row.thrown,
        "drift_positive": row.sides[0],
        "present": asdict(row.present),
        "changed": asdict(row.changed) if row.changed else None,
    }


@plain_style()
def throw_figure(study: ThrowStudy, chart: Chart, system: str = "metric") -> Figure:
    """Throw in still air against speed, one line a granule size, with the present and the changed throw marked."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 5.0), layout="constrained")
    axes = figure.add_subplot()
    kind = "turning speed" if chart.field == "spinner_speed_rpm" else "wind speed"
    speeds = [_number(speed, kind, system) for speed in chart.speeds]
    curves = [[_number(row[at], "length", system) for row in chart.throw_m] for at in range(len(chart.sizes_mm))]
    _draw_curves(axes, speeds, curves, chart.sizes_mm)
    for setting, flight, mark, face in zip(study.settings, study.flights, "os", ("#1b4f72", "#c0651a"), strict=False):
        speed = release_speed(setting) if kind == "wind speed" else setting.spinner_speed_rpm
        name = "present" if mark == "o" else "changed"
        label = f"{name}: {setting.granule_size_mm:g} mm, {show(flight.throw_m, 'length', system, digits=1)}"
        at_point = ([_number(speed, kind, system)], [_number(flight.throw_m, "length", system)])
        axes.plot(*at_point, mark, ms=9, color=face, mec="white", label=label, zorder=3)
    axes.set_xlabel(f"{name_of(chart.field)}, {shown_unit(kind, system)}")
    axes.set_ylabel(f"throw in still air, {shown_unit('length', system)}")
    axes.set_title(
        "Throw of a granule against speed, by granule size; lines: all else as at present\n"
        "flight alone: vanes, tumbling and bounce are not in it",
        loc="left",
        fontsize=10,
    )
    axes.grid(color="#dddddd", lw=0.6)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(loc="upper left", frameon=False)
    return figure


def _draw_curves(axes: Axes, speeds: list[float], curves: list[list[float]], sizes_mm: tuple[float, ...]) -> None:
    """One line a size, told apart by dashes and greys, its size written at its end."""
    reach = speeds[-1] - speeds[0]
    axes.set_xlim(speeds[0] - 0.03 * reach, speeds[-1] + 0.12 * reach)
    greys = [str(0.7 * at / len(curves)) for at in range(len(curves), 0, -1)]
    for curve, grey, dash in zip(curves, greys, _LINES, strict=False):
        axes.plot(speeds, curve, ls=dash, color=grey, lw=1.8)
    heights = _apart([curve[-1] for curve in curves], 0.035 * (curves[-1][-1] - curves[0][0]))
    for size, height in zip(sizes_mm, heights, strict=True):
        axes.text(speeds[-1] + 0.012 * reach, height, f"{size:g} mm", va="center", fontsize=9)


def _apart(heights: list[float], gap: float) -> list[float]:
    """Rising heights, each at least a gap above the last, so that labels don't fall on each other."""
    placed: list[float] = []
    for height in heights:
        placed.append(max(height, placed[-1] + gap) if placed else height)
    return placed


def _number(value: float | None, kind: str, system: str) -> float:
    return float(show(value, kind, system, unit=False, digits=4))
