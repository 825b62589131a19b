"""A recorded track: read, put in metres, cut at gaps, smoothed, with what is metered on each stretch.

Noise in the fixes does two things: headings swing, and the way grows longer, so that more seems metered. So each fix is
replaced by a straight line fitted to its neighbours along the way, and headings are taken over several metres.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from spreadcheck.errors import Fault, SheetError, record, shown
from spreadcheck.field.deposit import Leg
from spreadcheck.field.places import (
    PLACES,
    Boundary,
    Zone,
    check_count,
    checked_degrees,
    csv_parts,
    extra,
    number_in,
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
NEAR_M = 200.0  # of the field: most of a track lies within
_ON = {"1": 1.0, "on": 1.0, "true": 1.0, "yes": 1.0, "0": 0.0, "off": 0.0, "false": 0.0, "no": 0.0, "": 1.0}
_SLOWEST_M_S = 0.1  # metered by time: what stands still spreads no more than this slow crawl

Table = dict[str, FloatArray]  # one line as read: its places, and what was logged at each


@record(eq=False)
class Track:
    """A recorded track: unbroken legs, the UTM zone of its places, what reading it had to do."""

    legs: tuple[Leg, ...]
    zone: Zone | None
    source: str
    gaps: int = 0
    longest_gap_s: float = 0.0
    noise_m: float = 0.0  # standard deviation of the fixes about the smoothed line
    longer_pct: float = 0.0  # how much longer the way was before smoothing
    on_logged: bool = False


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
    >>> len(track.legs[0].x_m), track.on_logged
    (4, True)
    >>> folder.cleanup()
    """
    name, text = os.fspath(path), read_file(path, "track")
    degrees = True
    if text.lstrip().startswith("{"):
        tables = list(_geojson(text, name))
    elif text.lstrip().startswith("<"):
        tables = list(_gpx(text, name))
    else:
        logged = {"time": _seconds, "on": _switch, "heading": number_in, "speed": _speed}
        degrees, tables = csv_parts(text, name, logged)
    tables = [table for table in tables if len(table[PLACES]) > 1]
    if not tables:
        raise SheetError(Fault(name, "has no line of two points or more", "give the track as it was driven"))
    check_count(sum(len(table[PLACES]) for table in tables), name)
    zone = (zone or zone_of(*tables[0][PLACES][0])) if degrees else None
    if zone is not None:
        tables = [{**table, PLACES: zone.metres(table[PLACES])} for table in tables]
    return _track(tables, zone, name)


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


def _geojson(text: str, name: str) -> Iterator[Table]:
    """The lines of a GeoJSON; a property `on` switches a whole line."""
    shapes = read_geojson(text, name)
    kinds = {shape.geom_type for _, shape in shapes}
    if "LineString" not in kinds:
        problem = f"holds {', '.join(sorted(kinds))} and no line"
        raise SheetError(Fault(name, problem, "give the track as a LineString, or as GPX or CSV"))
    for properties, shape in shapes:
        if shape.geom_type == "LineString":
            table = {PLACES: np.asarray(shape.coords)[:, :2]}
            if properties.get("on") is not None:
                on = _switch(str(properties["on"]), f'{name}: property "on"')
                table["on"] = np.full(len(table[PLACES]), on)
            yield table


def _speed(cell: str, place: str) -> float:
    """A speed; NaN where the cell is empty."""
    value = number_in(cell, place)
    if value < 0:
        raise SheetError(Fault(place, f'"{shown(cell)}" is below 0', "write m/s, 0 where it stands still"))
    return value


def _gpx(text: str, name: str) -> Iterator[Table]:
    """The segments of a GPX; routes count where there is no track."""
    gpxpy = extra("gpxpy", "a GPX track")
    try:
        gpx = gpxpy.parse(text)
    except Exception as error:  # the parser raises its own and those of the XML library
        raise SheetError(Fault(name, f"is not GPX ({shown(str(error))})", "save the track again as GPX")) from None
    segments = [segment.points for track in gpx.tracks for segment in track.segments]
    for points in segments or [route.points for route in gpx.routes]:
        degrees = np.array([(point.longitude, point.latitude) for point in points], dtype=float).reshape(-1, 2)
        times = np.array([point.time.timestamp() if point.time else np.nan for point in points])
        yield {PLACES: checked_degrees(degrees, name)} | ({"time": times} if np.isfinite(times).any() else {})


def _track(tables: list[Table], zone: Zone | None, name: str) -> Track:
    """Cut the tables at gaps, drop fixes that stand still, smooth what is left."""
    parts: list[Table] = []
    gaps, longest = 0, 0.0
    for table in tables:
        time, apart = table.get("time"), np.hypot(*np.diff(table[PLACES], axis=0).T)
        if time is not None and len(back := np.flatnonzero(np.diff(time) < 0)):
            problem = f"the time runs backwards at point {back[0] + 2}"
            raise SheetError(Fault(name, problem, "put the points in the order they were driven"))
        cut = apart > GAP_M
        if time is not None and np.isfinite(time).all():
            step = np.diff(time)
            cut = (step > GAP_S) | (apart > np.maximum(step, 0.2) * FASTEST_M_S + 5.0)
            longest = max(longest, float(step.max(initial=0.0)))
        elif len(apart) < 200:  # a drawn track: a corner every bout, and no fixes between
            cut[:] = False
        gaps += int(cut.sum())
        for chosen in np.split(np.arange(len(apart) + 1), np.flatnonzero(cut) + 1):
            moved = np.hypot(*np.diff(table[PLACES][chosen], axis=0).T) > 1e-6
            kept = chosen[np.append(True, moved)]
            if len(kept) > 1:
                parts.append({key: values[kept] for key, values in table.items()})
    legs = tuple(map(_leg, parts))
    before = sum(float(np.hypot(*np.diff(part[PLACES], axis=0).T).sum()) for part in parts)
    if before < 1.0:
        raise SheetError(Fault(name, f"the track is {before:.2g} m long", "give the track as it was driven"))
    if not any(leg.on.any() for leg in legs):
        raise SheetError(Fault(name, "the slide is off on all of it", 'write 1 in the column "on" where it is open'))
    off = np.concatenate([leg.places_m - part[PLACES] for leg, part in zip(legs, parts, strict=True)])
    return Track(
        legs,
        zone,
        name,
        gaps=gaps,
        longest_gap_s=longest,
        noise_m=float(np.sqrt(np.square(off).mean())),
        longer_pct=100 * (before / sum(float(leg.along_m[-1]) for leg in legs) - 1),
        on_logged=any("on" in table for table in tables),
    )


def _leg(part: Table) -> Leg:
    """A leg from an unbroken line, smoothed; speed as logged, else from the time, and headings where all are logged."""
    x, y = smoothed(part[PLACES]).T
    none = np.full(len(x), np.nan)
    time, heading, speed = (part.get(key, none) for key in ("time", "heading", "speed"))
    speeds = (speed[1:] + speed[:-1]) / 2
    if not np.isfinite(speed).all():
        speeds = np.hypot(np.diff(x), np.diff(y)) / np.maximum(np.diff(time), 1e-3)
    ahead = np.column_stack((np.sin(np.radians(heading)), np.cos(np.radians(heading))))
    return Leg(
        x,
        y,
        on=part.get("on", np.ones(len(x)))[:-1],
        flow=np.ones(len(x) - 1),
        ahead=ahead if np.isfinite(ahead).all() else None,
        speed_m_s=speeds if np.isfinite(speeds).all() else None,
        base_m=BASE_M,
    )


def smoothed(points_m: FloatArray, within_m: float = SMOOTH_M) -> FloatArray:
    """Each fix on the straight line fitted to its neighbours within so much along the way; the ends stay.

    Running sums give the fit of every fix at once. Where fixes are far apart there is nothing to smooth.
    """
    along = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(points_m, axis=0).T))))
    number = np.arange(len(along))
    # as many either way, so that bends are rounded evenly
    before = number - np.searchsorted(along, along - within_m)
    after = np.searchsorted(along, along + within_m, "right") - 1 - number
    reach = np.min((before, after, number, number[::-1]), axis=0)

    def mean(values: FloatArray) -> FloatArray:
        total = np.concatenate((np.zeros((1, 2)), np.cumsum(values, axis=0)))
        return np.asarray((total[number + reach + 1] - total[number - reach]) / (2 * reach + 1)[:, None])

    way, base = np.column_stack((along, along)), points_m - points_m[0]
    mean_way, mean_base = mean(way), mean(base)
    spread = mean(way**2) - mean_way**2
    joint = mean(way * base) - mean_way * mean_base
    slope = np.divide(joint, spread, out=np.zeros_like(base), where=spread > 1e-9)
    return np.asarray(np.where(reach[:, None] > 0, mean_base + slope * (way - mean_way), base) + points_m[0])


def metered_by_time(legs: Sequence[Leg], reference_m_s: float) -> tuple[Leg, ...]:
    """The same legs metered by time: slower than the reference speed is more to the metre."""
    flows = (None if leg.speed_m_s is None else reference_m_s / np.maximum(leg.speed_m_s, _SLOWEST_M_S) for leg in legs)
    return tuple(leg if flow is None else replace(leg, flow=flow) for leg, flow in zip(legs, flows, strict=True))


def mean_speed_m_s(legs: Sequence[Leg]) -> float | None:
    """Mean speed while the slide is open: metres over seconds; None where neither speed nor time is logged. [m/s]"""
    metres = seconds = 0.0
    for leg in legs:
        if leg.speed_m_s is None:
            return None
        way = np.diff(leg.along_m) * leg.on
        metres += float(way.sum())
        seconds += float((way / np.maximum(leg.speed_m_s, 1e-3)).sum())
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
        points = leg.places_m if leg.ahead is None else np.hstack((leg.places_m, leg.ahead))
        x, y, *ahead = (np.interp(cuts, along, each) for each in points.T)
        heads = np.column_stack(ahead) if ahead else None
        found.append(replace(leg, x_m=x, y_m=y, on=state, flow=leg.flow[segment], ahead=heads, speed_m_s=None))
    return tuple(found)


def check_near(track: Track, boundary: Boundary) -> None:
    """Refuse a track that does not lie in its field, and say what may be behind it."""
    places = np.concatenate([leg.places_m for leg in track.legs])
    low, high = np.reshape(boundary.polygon.bounds, (2, 2))
    if (track.zone is None) is not (boundary.zone is None):
        own, other = ("metres", "degrees") if track.zone is None else ("degrees", "metres")
        fault = f"is in {own} and the boundary in {other}"
        raise SheetError(Fault(track.source, fault, "give both in degrees, or both in metres"))

    def near(points: FloatArray) -> bool:
        inside = ((points > low - NEAR_M) & (points < high + NEAR_M)).all(axis=1)
        return bool(np.isfinite(points).all() and inside.mean() > 0.5)

    if near(places):
        return
    apart = float(np.hypot(*(places.mean(axis=0) - (low + high) / 2)))
    far = f"lies {apart / 1000:,.1f} km" if np.isfinite(apart) else "lies out of the zone"
    remedy = "is it the track of another field?"
    if track.zone is not None:
        degrees = track.zone.degrees(places)
        tries = {
            "longitude and latitude are swapped in one of the two files": degrees[:, ::-1],
            "north and south are mixed up in one of the two files": degrees * (1, -1),
            "east and west are mixed up in one of the two files": degrees * (-1, 1),
        }
        for told, points in tries.items():
            if np.abs(points[:, 1]).max() <= 84 and near(track.zone.metres(points)):
                remedy = f"{told}: put it right there"
    raise SheetError(Fault(track.source, f"{far} from the field of {boundary.source or 'the boundary'}", remedy))
