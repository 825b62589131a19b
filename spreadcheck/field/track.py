"""A recorded track: read, put in metres, cut at gaps, smoothed, with what is metered on each stretch.

Noise in the fixes does two things: headings swing, and the way grows longer, so that more seems metered. So each fix is
replaced by a straight line fitted to its neighbours along the way, and headings are taken over several metres.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime

import numpy as np

from spreadcheck.errors import Fault, SheetError, record, shown
from spreadcheck.field.deposit import Leg
from spreadcheck.field.places import (
    Boundary,
    Zone,
    check_count,
    csv_parts,
    extra,
    number_in,
    points_of,
    read_file,
    read_geojson,
    zone_of,
)
from spreadcheck.sheet.traytest import FloatArray

BASE_M = 10.0  # headings are taken over so much either way: 0.3 m of noise in each fix then costs 0.5 % of CV
SMOOTH_M = 5.0  # and each fix is fitted over so much either way
GAP_S = 15.0
FASTEST_M_S = 20.0
GAP_M = 60.0  # where no time is logged
_ON = {"1": 1.0, "on": 1.0, "true": 1.0, "yes": 1.0, "0": 0.0, "off": 0.0, "false": 0.0, "no": 0.0, "": 1.0}


@record(eq=False)
class Fixes:
    """One unbroken line of a track as read: places in metres, and what was logged (None where it was not)."""

    x_m: FloatArray
    y_m: FloatArray
    on: FloatArray
    time_s: FloatArray | None = None
    heading_deg: FloatArray | None = None
    speed_m_s: FloatArray | None = None

    @property
    def stretch_m_s(self) -> FloatArray | None:
        """Speed on each stretch: as logged, else from the time; None without either on all of it."""
        if self.speed_m_s is not None and np.isfinite(self.speed_m_s).all():
            return np.asarray((self.speed_m_s[1:] + self.speed_m_s[:-1]) / 2)
        if self.time_s is None or not np.isfinite(self.time_s).all():
            return None
        return np.asarray(np.hypot(np.diff(self.x_m), np.diff(self.y_m)) / np.maximum(np.diff(self.time_s), 1e-3))


@record(eq=False)
class Track:
    """A recorded track: unbroken lines, the UTM zone of its places, what reading it had to do."""

    lines: tuple[Fixes, ...]
    zone: Zone | None
    source: str
    gaps: int = 0
    longest_gap_s: float = 0.0
    repeated: int = 0  # fixes at the place of the one before
    noise_m: float = 0.0  # standard deviation of the fixes about the smoothed line
    longer_pct: float = 0.0  # how much longer the way was before smoothing
    on_logged: bool = False

    @property
    def points(self) -> int:
        """Fixes in it."""
        return sum(len(line.x_m) for line in self.lines)


def read_track(path: str | os.PathLike[str], *, zone: Zone | None = None) -> Track:
    """Read a recorded track.

    Parameters
    ----------
    path : str or path-like
        GPX, GeoJSON lines, or a CSV of longitude,latitude[,time,on,heading,speed] or x_m,y_m[,on,...]; speed in m/s,
        heading in degrees from north, time as ISO 8601 or seconds, on as 1 or 0. [-]
    zone : Zone or None
        The UTM zone to use, such as that of the boundary; that of the first fix if None. [-]

    Returns
    -------
    Track
        The track in metres, cut at gaps, smoothed. [m]

    Raises
    ------
    SheetError
        If it can't be read, has no length or too many points; with the place and what to do.
    MissingExtraError
        If gpxpy or pyproj is needed and not installed.

    Examples
    --------
    >>> import tempfile; from pathlib import Path; folder = tempfile.TemporaryDirectory()
    >>> path = Path(folder.name) / "track.csv"
    >>> _ = path.write_text("x_m,y_m,on\\n0,0,1\\n100,0,1\\n100,24,0\\n0,24,1\\n")
    >>> track = read_track(path)
    >>> track.points, track.on_logged
    (4, True)
    >>> folder.cleanup()
    """
    name = os.fspath(path)
    text = read_file(path, "track")
    start = text.lstrip("\ufeff \r\n\t")
    degrees = True
    if start.startswith("{"):
        tables = list(_geojson(text, name))
    elif start.startswith("<"):
        tables = list(_gpx(text, name))
    else:
        logged = {"time": _seconds, "on": _switch, "heading": number_in, "speed": number_in}
        degrees, tables = csv_parts(text, name, logged)
    tables = [table for table in tables if len(table["x"]) > 1]
    if not tables:
        raise SheetError(Fault(name, "has no line of two points or more", "give the track as it was driven"))
    check_count(sum(len(table["x"]) for table in tables), name)
    if degrees and zone is None:
        zone = zone_of(float(tables[0]["x"][0]), float(tables[0]["y"][0]))
    if degrees and zone is not None:
        for table in tables:
            table["x"], table["y"] = zone.metres(table["x"], table["y"])
    return _track(tables, zone if degrees else None, name)


def _switch(cell: str, place: str) -> float:
    if cell.casefold() not in _ON:
        raise SheetError(Fault(place, f'"{shown(cell)}" is neither on nor off', "write 1 for on, 0 for off"))
    return _ON[cell.casefold()]


def _seconds(cell: str, place: str) -> float:
    """Seconds of a time: ISO 8601, or a plain number of seconds; NaN where empty."""
    try:
        return float(cell or "nan")
    except ValueError:
        pass
    try:
        return datetime.fromisoformat(cell).timestamp()
    except (ValueError, OverflowError):
        remedy = "write it as 2026-04-14T10:15:00Z, or as seconds"
        raise SheetError(Fault(place, f'"{shown(cell)}" is no time', remedy)) from None


def _geojson(text: str, name: str) -> Iterator[dict[str, FloatArray]]:
    """The lines of a GeoJSON; a property `on` switches a whole line."""
    seen = set()
    for properties, kind, coordinates in read_geojson(text, name):
        seen.add(kind)
        lines = {"LineString": [coordinates], "MultiLineString": coordinates}.get(kind, [])
        for line in lines if isinstance(lines, list) else []:
            points = points_of(line, name)
            table = {"x": points[:, 0], "y": points[:, 1]}
            if "on" in properties:
                table["on"] = np.full(len(points), _switch(str(properties["on"]), f'{name}: property "on"'))
            yield table
    if not seen & {"LineString", "MultiLineString"}:
        kinds = ", ".join(sorted(seen))
        raise SheetError(Fault(name, f"holds {kinds} and no line", "give the track as a LineString, or as GPX or CSV"))


def _gpx(text: str, name: str) -> Iterator[dict[str, FloatArray]]:
    """The segments of a GPX; routes count where there is no track."""
    gpxpy = extra("gpxpy", "a GPX track")
    try:
        gpx = gpxpy.parse(text)
    except Exception as error:  # the parser raises its own and those of the XML library
        raise SheetError(Fault(name, f"is not GPX ({shown(str(error))})", "save the track again as GPX")) from None
    segments = [segment.points for track in gpx.tracks for segment in track.segments]
    for points in segments or [route.points for route in gpx.routes]:
        if not points:
            continue
        degrees = points_of([(point.longitude, point.latitude) for point in points], name)
        table = {"x": degrees[:, 0], "y": degrees[:, 1]}
        times = [point.time.timestamp() if point.time else np.nan for point in points]
        if np.isfinite(times).any():
            table["time"] = np.array(times)
        yield table


def _track(tables: list[dict[str, FloatArray]], zone: Zone | None, name: str) -> Track:
    """Cut the tables at gaps, drop fixes that stand still, smooth what is left."""
    lines: list[Fixes] = []
    raw: list[tuple[FloatArray, FloatArray]] = []
    gaps, longest, repeated = 0, 0.0, 0
    for table in tables:
        x, y, time = table["x"], table["y"], table.get("time")
        if time is not None and len(back := np.flatnonzero(np.diff(time) < 0)):
            problem = f"the time runs backwards at point {back[0] + 2}"
            raise SheetError(Fault(name, problem, "put the points in the order they were driven"))
        apart = np.hypot(np.diff(x), np.diff(y))
        cut = apart > GAP_M
        if time is not None and np.isfinite(time).all():
            step = np.diff(time)
            cut = (step > GAP_S) | (apart > np.maximum(step, 0.2) * FASTEST_M_S + 5.0)
            longest = max(longest, float(step.max(initial=0.0)))
        elif len(apart) < 200:  # a drawn track: a corner every bout, and no fixes between
            cut = np.zeros(len(apart), dtype=bool)
        gaps += int(cut.sum())
        for chosen in np.split(np.arange(len(x)), np.flatnonzero(cut) + 1):
            moved = np.concatenate(([True], np.hypot(*np.diff((x[chosen], y[chosen]))) > 1e-6))
            repeated += int((~moved).sum())
            kept = chosen[moved]
            if len(kept) < 2:
                continue
            raw.append((x[kept], y[kept]))
            on = table.get("on", np.ones(len(x)))[kept]
            logged = (None if (each := table.get(key)) is None else each[kept] for key in ("time", "heading", "speed"))
            lines.append(Fixes(*smoothed(x[kept], y[kept]), on, *logged))
    before, after = (
        sum(float(np.hypot(np.diff(x), np.diff(y)).sum()) for x, y in ways)
        for ways in (raw, [(line.x_m, line.y_m) for line in lines])
    )
    if before < 1.0:
        raise SheetError(Fault(name, f"the track is {before:.2g} m long", "give the track as it was driven"))
    if not any(line.on[:-1].any() for line in lines):
        raise SheetError(Fault(name, "the slide is off on all of it", 'write 1 in the column "on" where it is open'))
    off = [(line.x_m - x) ** 2 + (line.y_m - y) ** 2 for line, (x, y) in zip(lines, raw, strict=True)]
    return Track(
        tuple(lines),
        zone,
        name,
        gaps=gaps,
        longest_gap_s=longest,
        repeated=repeated,
        noise_m=float(np.sqrt(np.concatenate(off).mean() / 2)),
        longer_pct=100 * (before / after - 1),
        on_logged=any("on" in table for table in tables),
    )


def smoothed(x_m: FloatArray, y_m: FloatArray, within_m: float = SMOOTH_M) -> tuple[FloatArray, FloatArray]:
    """Each fix on the straight line fitted to its neighbours within so much along the way; the ends stay.

    Running sums give the fit of every fix at once. Where fixes are far apart there is nothing to smooth.
    """
    along = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(x_m), np.diff(y_m)))))
    number = np.arange(len(along))
    # as many either way, so that bends are rounded evenly
    reach = np.minimum(
        number - np.searchsorted(along, along - within_m),
        np.searchsorted(along, along + within_m, "right") - 1 - number,
    )
    reach = np.minimum(reach, np.minimum(number, number[::-1]))
    low, high = number - reach, number + reach + 1
    size = (high - low).astype(float)

    def window(values: FloatArray) -> FloatArray:
        total = np.concatenate(([0.0], np.cumsum(values)))
        return np.asarray(total[high] - total[low])

    found = []
    for values in (x_m, y_m):
        base = values - values[0]
        mean_s, mean_v = window(along) / size, window(base) / size
        spread = window(along**2) / size - mean_s**2
        slope = np.divide(
            window(along * base) / size - mean_s * mean_v, spread, out=np.zeros(len(along)), where=spread > 1e-9
        )
        found.append(np.where(reach > 0, mean_v + slope * (along - mean_s), base) + values[0])
    return found[0], found[1]


def legs_of(track: Track, *, reference_m_s: float | None = None) -> tuple[Leg, ...]:
    """The legs of a track; with a reference speed the flow is metered by time: slower than it is more to the metre."""
    legs = []
    for line in track.lines:
        flow, ahead, speed = np.ones(len(line.x_m) - 1), None, line.stretch_m_s
        if reference_m_s is not None and speed is not None:
            flow = reference_m_s / np.clip(speed, 0.1, None)
        if line.heading_deg is not None and np.isfinite(line.heading_deg).all():
            angle = np.radians(line.heading_deg)
            ahead = np.column_stack((np.sin(angle), np.cos(angle)))
        legs.append(Leg(line.x_m, line.y_m, line.on[:-1], flow, ahead))
    return tuple(legs)


def mean_speed_m_s(track: Track) -> float | None:
    """Mean speed while the slide is open: metres over seconds; None where neither speed nor time is logged. [m/s]"""
    metres = seconds = 0.0
    for line in track.lines:
        if (speed := line.stretch_m_s) is None:
            return None
        way = np.hypot(np.diff(line.x_m), np.diff(line.y_m)) * line.on[:-1]
        metres += float(way.sum())
        seconds += float((way / np.maximum(speed, 1e-3)).sum())
    return metres / seconds


def later_switched(legs: tuple[Leg, ...], later_m: float) -> tuple[Leg, ...]:
    """The same track with every opening and shutting so many metres later along the way (earlier where negative)."""
    found = []
    for leg in legs:
        along = leg.along_m
        flips = np.flatnonzero(np.diff(leg.on) != 0) + 1
        places = np.clip(along[flips] + later_m, 0.0, along[-1])
        if later_m == 0 or not len(flips):
            found.append(leg)
            continue
        cuts = np.unique(np.concatenate((along, places)))
        middle = (cuts[1:] + cuts[:-1]) / 2
        state = (leg.on[0] + np.searchsorted(np.sort(places), middle, "right")) % 2
        segment = np.clip(np.searchsorted(along, middle, "right") - 1, 0, len(along) - 2)
        ahead = None
        if leg.ahead is not None:
            ahead = np.column_stack([np.interp(cuts, along, leg.ahead[:, axis]) for axis in (0, 1)])
        x, y = np.interp(cuts, along, leg.x_m), np.interp(cuts, along, leg.y_m)
        found.append(replace(leg, x_m=x, y_m=y, on=state, flow=leg.flow[segment], ahead=ahead))
    return tuple(found)


def check_near(track: Track, boundary: Boundary) -> None:
    """Refuse a track that does not lie in its field, and say what may be behind it."""
    x = np.concatenate([line.x_m for line in track.lines])
    y = np.concatenate([line.y_m for line in track.lines])
    west, south, east, north = boundary.polygon.bounds
    margin = 200.0
    if (track.zone is None) is not (boundary.zone is None):
        own, other = ("metres", "degrees") if track.zone is None else ("degrees", "metres")
        fault = f"is in {own} and the boundary in {other}"
        raise SheetError(Fault(track.source, fault, "give both in degrees, or both in metres"))

    def near(a: FloatArray, b: FloatArray) -> bool:
        inside = (a > west - margin) & (a < east + margin) & (b > south - margin) & (b < north + margin)
        return bool(np.isfinite(a).all() and inside.mean() > 0.5)

    if near(x, y):
        return
    apart = float(np.hypot(x.mean() - (west + east) / 2, y.mean() - (south + north) / 2))
    far = f"lies {apart / 1000:,.1f} km" if np.isfinite(apart) else "lies out of the zone"
    remedy = "is it the track of another field?"
    if track.zone is not None:
        longitude, latitude = track.zone.degrees(x, y)
        tries = {
            "longitude and latitude are swapped in one of the two files": (latitude, longitude),
            "north and south are mixed up in one of the two files": (longitude, -latitude),
            "east and west are mixed up in one of the two files": (-longitude, latitude),
        }
        for told, (a, b) in tries.items():
            if np.abs(b).max() <= 84 and near(*track.zone.metres(a, b)):
                remedy = f"{told}: put it right there"
    raise SheetError(Fault(track.source, f"{far} from the field of {boundary.source or 'the boundary'}", remedy))
