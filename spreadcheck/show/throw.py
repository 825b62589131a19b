"""A throw study as a document, as plain data, and as a figure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.judge.assessment import Assessment
from spreadcheck.product.throw import FIELDS, ThrowStudy, release_speed, throw_chart
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.show.data import envelope, picked
from spreadcheck.show.document import Answer, Block, Document, Heading, Note, Paragraph, Picture, Table, table
from spreadcheck.show.plots import LINE, drawn, line_style, panels, plain_style
from spreadcheck.units import from_inside, show, shown_unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure

CAUTIONS = (
    "One granule, thrown once, until it first touches the ground. Vanes, tumbling, granules knocking each other, "
    "bounce and the spreader's travel are not in it. Trust the ratio before the metres, and a tray test before "
    "either: a longer throw also changes the shape of the pattern.",
    "A higher spinner speed breaks weak granules: crush strength and the machine maker's manual set the highest "
    "speed, and the manual the setting.",
    "Thrown granules hurt eyes and skin, and bounce on beyond the distances shown. Keep everybody well clear, "
    "behind and to both sides; stop the drive and the engine before going near the discs.",
)
_SIDES = ("present", "changed")


def _shown(key: str, value: float | None, system: str) -> str:
    """A field of a setting with its unit, or a dash."""
    kind = FIELDS[key].kind
    if value is None or not kind:
        return "-" if value is None else f"{value:g}"
    if key == "release_speed_m_s":
        kind = "wind speed"  # m/s or mph: a granule's speed is not told in km/h
    return show(value, kind, system)


def throw_document(
    study: ThrowStudy, system: str = "metric", *, assumed: tuple[str, ...] = (), test: TrayTest | None = None
) -> Document:
    """What is set, what each change does to the throw, what the wind does, and the table of throws."""
    weather, air = study.weather, study.weather.air
    blocks: list[Block] = [_sides(study, system)]
    if study.changes:
        blocks += _changes(study, system)
    if study.winds:
        blocks.append(_winds(study, system))
    picture = drawn(throw_figure, study, system)
    blocks.append(Picture("Throw against speed, by granule size", "The table below has its figures.", picture))
    told = (
        f"Air: {show(weather.temperature_deg_c, 'temperature', system)}, "
        f"{show(weather.pressure_hpa, 'pressure', system)}, relative humidity {weather.humidity_pct:g} %; density "
        f"{air.density_kg_m3:.3f} kg/m3, viscosity {air.viscosity_pa_s:.3g} Pa s."
    )
    blocks += [_chart(study, system), Paragraph(told, "small")]
    if assumed:
        values = vars(study.settings[0]) | vars(weather)
        taken = ", ".join(f"{FIELDS[key].name} {_shown(key, values[key], system)}" for key in assumed)
        blocks.append(Paragraph(f"Assumed, as nobody gave it: {taken}.", "small"))
    blocks += [Note("What it is", CAUTIONS[0]), *(Note("Caution", text) for text in CAUTIONS[1:])]
    return Document(f"Throw of a granule from the disc{f': {test.name}' if test else ''}", tuple(blocks))


def _sides(study: ThrowStudy, system: str) -> Table:
    """Present and changed side by side: what is set, then what comes of it."""
    rows = []
    for key, known in FIELDS.items():
        values = [getattr(setting, key, None) for setting in study.settings]
        if key == "release_speed_m_s":
            values = [release_speed(setting) for setting in study.settings]
        if key == "release_factor" and study.settings[0].release_speed_m_s is not None:
            continue
        if any(value is not None for value in values):
            rows.append((known.name, *(_shown(key, value, system) for value in values)))
    flights = study.flights
    rows += [
        ("terminal velocity", *(show(speed, "wind speed", system) for speed in study.terminal_m_s)),
        ("flight time", *(f"{flight.time_s:.2f} s" for flight in flights)),
        ("speed at landing", *(show(flight.landing_speed_m_s, "wind speed", system) for flight in flights)),
        ("steepness at landing", *(f"{flight.landing_angle_deg:.0f} deg" for flight in flights)),
        ("throw in still air", *(show(flight.throw_m, "length", system, digits=1) for flight in flights)),
    ]
    return table("<; present<; changed<" if len(study.settings) > 1 else "<; present<", rows)


def _changes(study: ThrowStudy, system: str) -> Iterator[Block]:
    rows = []
    for change in study.changes:
        name, step = "all together", ""
        if change.field:
            name = FIELDS[change.field].name
            step = " -> ".join(_shown(change.field, value, system) for value in (change.before, change.after))
        elif len(study.changes) == 2:  # one change: all together is the same
            continue
        rows.append((name, step, f"x {change.ratio:.2f}", f"{change.low:.2f} to {change.high:.2f}"))
    note = "Range: the same if the air brakes granules 20 % less or more."
    yield Heading("What each change does to the throw in still air")
    yield table("change<; <; throw; range<", rows, notes=(note,))
    if study.same_throw:
        key, value = study.same_throw
        said = f"{FIELDS[key].name} {_shown(key, value, system)}"
        yield Answer("To keep the present throw", said, "after the other changes, by the flight alone")


def _winds(study: ThrowStudy, system: str) -> Table:
    wind, rows = study.weather, []
    for row in study.winds:
        cells = [row.thrown]
        for flight in row.flights:
            throw, drift = (show(x, "length", system, digits=1) for x in (flight.throw_m, abs(flight.drift_m)))
            side = f", {drift} {row.sides[0 if flight.drift_m > 0 else 1]}"
            cells.append(throw + side * (float(drift.split()[0]) > 0))
        rows.append(tuple(cells))
    known = "downwind" not in study.winds[0].sides
    side = f"from {wind.wind_from}, seen in the travel direction" if known else "its direction not known or changing"
    caption = f"In the wind of {show(wind.wind_speed_m_s, 'wind speed', system)}, {side}"
    return table("thrown<; present<; changed<" if len(study.settings) > 1 else "thrown<; present<", rows, caption)


def _chart(study: ThrowStudy, system: str) -> Table:
    """The table of throws; the present speed and the changed one are marked."""
    chart = study.chart
    by_spinner = chart.field == "spinner_speed_rpm"
    signs = {getattr(setting, chart.field): sign for setting, sign in zip(study.settings, "*+", strict=False)}
    rows = []
    for speed, release, throws in zip(chart.speeds, chart.release_m_s, chart.throw_m, strict=True):
        start = (f"{speed:.0f}",) * by_spinner
        cells = (show(throw, "length", system, unit=False, digits=1) for throw in throws)
        rows.append((*start, show(release, "wind speed", system, unit=False) + signs.get(speed, " "), *cells))
    heads = ["spinner, rpm"] * by_spinner + [f"release, {shown_unit('wind speed', system)} "]
    heads += [f"{size:g} mm, {shown_unit('length', system)}" for size in chart.sizes_mm]
    marks = {"*": "* present speed", "+": "+ changed speed"}
    note = ", ".join(marks[sign] for speed, sign in signs.items() if speed in chart.speeds)
    caption = "Throw in still air by granule size; all else as at present"
    return table("; ".join(heads), rows, caption, notes=(note,) if note else ())


def throw_json(
    study: ThrowStudy, *, assumed: tuple[str, ...] = (), test: TrayTest | None = None, judged: Assessment | None = None
) -> dict[str, Any]:
    """The study as plain data: SI, keys carry their units; with verdict and doubts of the test, if it was judged."""
    sides = [
        {
            **vars(setting),
            "release_speed_m_s": release_speed(setting),
            "terminal_velocity_m_s": fall,
            **picked(flight, "throw_m time_s landing_speed_m_s landing_angle_deg"),
        }
        for setting, fall, flight in zip(study.settings, study.terminal_m_s, study.flights, strict=True)
    ]
    weather, chart = study.weather, study.chart
    changes = [picked(change, "field before after ratio ratio_low=low ratio_high=high") for change in study.changes]
    data: dict[str, Any] = {
        "weather": {**vars(weather), **vars(weather.air), "wind_from": weather.wind_from or None},
        "present": sides[0],
        "changed": sides[1] if len(sides) > 1 else None,
        "ratio": study.ratio,
        "changes": [change | {"field": change["field"] or "all together"} for change in changes],
        "same_throw": study.same_throw and dict([study.same_throw]),
        "wind": [
            {"thrown": row.thrown, "drift_positive": row.sides[0]}
            | dict(zip(_SIDES, (*row.flights, None), strict=False))
            for row in study.winds
        ],
        "chart": {chart.field: chart.speeds, **picked(chart, "release_m_s granule_size_mm=sizes_mm throw_m")},
        "assumed": assumed,
        "cautions": CAUTIONS,
        "verdict": None,  # unless the test was judged
    }
    return envelope("throw/1", judged or test, **data)


@plain_style()
def throw_figure(study: ThrowStudy, system: str = "metric") -> Figure:
    """Throw in still air against speed, one line a granule size, with the present and the changed throw marked."""
    figure, (axes,) = panels("", 7.2, 5.0)
    close = np.linspace(study.chart.speeds[0], study.chart.speeds[-1], 41).tolist()  # enough for smooth lines
    chart = throw_chart(study.settings, study.weather.air, speeds=close, sizes_mm=study.chart.sizes_mm)
    kind = "turning speed" if chart.field == "spinner_speed_rpm" else "wind speed"
    length, scale = (from_inside(1.0, shown_unit(each, system), each) for each in ("length", kind))
    speeds, curves = np.array(chart.speeds) * scale, np.array(chart.throw_m).T * length
    # one line a size, told apart by dashes and greys, its size written at its end and clear of the last
    reach, gap, height = speeds[-1] - speeds[0] or 1.0, 0.035 * (curves[-1][-1] - curves[0][0]), -math.inf
    axes.set_xlim(speeds[0] - 0.03 * reach, speeds[-1] + 0.12 * reach)
    for at, (curve, size) in enumerate(zip(curves, chart.sizes_mm, strict=True)):
        axes.plot(speeds, curve, ls=line_style(at)["ls"], color=str(0.7 * (len(curves) - at) / len(curves)), lw=1.8)
        height = max(curve[-1], height + gap)
        axes.text(speeds[-1] + 0.012 * reach, height, f"{size:g} mm", va="center", fontsize=9)
    for setting, flight, style, name in zip(study.settings, study.flights, LINE.values(), _SIDES, strict=False):
        speed = release_speed(setting) if kind == "wind speed" else setting.spinner_speed_rpm
        label = f"{name}: {setting.granule_size_mm:g} mm, {show(flight.throw_m, 'length', system, digits=1)}"
        at_point = (speed or 0.0) * scale, flight.throw_m * length
        axes.plot(*at_point, **style | {"ls": ""}, ms=9, mec="white", label=label, zorder=3)
    axes.set(
        xlabel=f"{FIELDS[chart.field].name}, {shown_unit(kind, system)}",
        ylabel=f"throw in still air, {shown_unit('length', system)}",
    )
    title = "Throw of a granule against speed, by granule size; lines: all else as at present\n"
    axes.set_title(f"{title}flight alone: vanes, tumbling and bounce are not in it", loc="left", fontsize=10)
    axes.grid(color="#dddddd", lw=0.6)
    axes.set_axisbelow(True)
    axes.legend(loc="upper left", fontsize=10)
    return figure
