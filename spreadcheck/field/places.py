"""Places on the ground: files of points, longitude and latitude to metres, and the boundary of a field."""

from __future__ import annotations

import csv
import importlib
import json
import math
import os
import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np

from spreadcheck.errors import Fault, MissingExtraError, SheetError, record, shown
from spreadcheck.sheet.cells import decoded, unread
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.units import HECTARE_M2

MAX_BYTES = 256 * 1024 * 1024
MAX_POINTS = 2_000_000
LEAST_HA, MOST_HA, LONGEST_M = 0.01, 20_000.0, 50_000.0
DEGREES, METRES = ("longitude", "latitude"), ("x_m", "y_m")
PLACES = "places"  # the key of a table of points under which they stand, two columns


def extra(name: str, what: str) -> Any:
    """A library of the extra `field`, or a message that says what needs it and how to install it."""
    try:
        return importlib.import_module(name)
    except ImportError:
        library = name.partition(".")[0]
        fault = Fault(what, f"needs the library {library}, which is not installed", "install spreadcheck[field]")
        raise MissingExtraError(fault) from None


@record
class Zone:
    """A UTM zone by its EPSG number, such as 32632; its metres are counted from there. Points are two columns."""

    epsg: int

    def metres(self, degrees: FloatArray) -> FloatArray:
        """Longitude and latitude as easting and northing. [m]"""
        return self._moved(4326, self.epsg, degrees)

    def degrees(self, metres: FloatArray) -> FloatArray:
        """Easting and northing as longitude and latitude. [deg]"""
        return self._moved(self.epsg, 4326, metres)

    @staticmethod
    def _moved(start: int, end: int, points: FloatArray) -> FloatArray:
        pyproj = extra("pyproj", "longitude and latitude")
        return np.column_stack(pyproj.Transformer.from_crs(start, end, always_xy=True).transform(*points.T))


def zone_of(longitude: float, latitude: float) -> Zone:
    """The UTM zone of a place: 6 degrees wide, north 326.. and south 327.. of the equator."""
    number = min(int((longitude + 180) // 6) + 1, 60)
    return Zone((32600 if latitude >= 0 else 32700) + number)


def checked_degrees(points: FloatArray, place: str) -> FloatArray:
    """Refuse too many points, what is no longitude and latitude, or lies where UTM is not defined."""
    check_count(len(points), place)
    longitude, latitude = np.abs(points).max(axis=0, initial=0.0)
    if latitude > 84 or longitude > 180:
        worst = points[np.argmax((np.abs(points) / (180, 84)).max(axis=1))]
        problem = f"longitude {worst[0]:.6g}, latitude {worst[1]:.6g} is no place for a field"
        remedy = "give degrees, or metres as a CSV with the columns x_m,y_m"
        if latitude <= 180 and longitude <= 84:
            remedy = "longitude and latitude may be swapped: write longitude first"
        raise SheetError(Fault(place, problem, remedy))
    return points


def check_count(count: int, place: str) -> None:
    """Refuse more points than a map can be made of in reasonable time."""
    if count > MAX_POINTS:
        problem = f"holds {count:,} points; the most is {MAX_POINTS:,}"
        raise SheetError(Fault(place, problem, "thin them to one a second, or give one field at a time"))


def read_file(path: str | os.PathLike[str], what: str) -> str:
    """A text file of points, whole."""
    name = os.fspath(path)
    try:
        size = os.path.getsize(path)
        if size > MAX_BYTES:
            problem = f"is {size / 2**20:,.0f} MiB; a {what} may have {MAX_BYTES // 2**20} MiB"
            raise SheetError(Fault(name, problem, "give one field's points, thinned to one a second"))
        with open(path, "rb") as file:
            text = decoded(file.read())
    except (OSError, ValueError) as error:  # no file can have some names
        raise SheetError(unread(name, error)) from None
    if text is None or "\0" in text:
        raise SheetError(Fault(name, "is not text", f"give a {what} as GeoJSON or CSV"))
    if not text.strip():
        raise SheetError(Fault(name, "is empty", f"give a {what} with its points"))
    return text.removeprefix("\ufeff")


def number_in(cell: str, place: str) -> float:
    """A number; NaN where the cell is empty."""
    try:
        value = float(cell or "nan")
    except ValueError:
        value = math.inf
    if math.isinf(value) or (cell and math.isnan(value)):
        raise SheetError(Fault(place, f'"{shown(cell)}" is no number', "write a number"))
    return value


def csv_parts(
    text: str, place: str, optional: Mapping[str, Callable[[str, str], float]] | None = None
) -> tuple[bool, list[dict[str, FloatArray]]]:
    """A CSV of points: whether they are in degrees, and the columns of each part between blank rows."""
    delimiter = max(";,\t", key=text.splitlines()[0].count)
    if text.count("\n") > MAX_POINTS + 1_000:
        check_count(text.count("\n"), place)
    try:
        header, *rows = csv.reader(text.splitlines(), delimiter=delimiter)
    except csv.Error:
        problem = "a quoted cell is not closed, or is too long"
        raise SheetError(Fault(place, problem, 'start and end such a cell with "')) from None
    names = [cell.strip().casefold() for cell in header]
    pair = next((pair for pair in (DEGREES, METRES) if set(pair) <= set(names)), None)
    if pair is None:
        problem = f'the first row names no places: "{shown(delimiter.join(header))}"'
        remedy = "head the columns longitude,latitude (degrees) or x_m,y_m (metres)"
        raise SheetError(Fault(f"{place}: row 1", problem, remedy))
    readers = {**dict.fromkeys(pair, number_in), **(optional or {})}
    for name in names:
        if name and (name not in readers or names.count(name) > 1):
            problem = f'the column "{shown(name)}" is not known, or is there twice'
            raise SheetError(Fault(f"{place}: row 1", problem, f"use {', '.join(readers)}"))
    parts: list[list[list[float]]] = [[]]
    known = [(at, name) for at, name in enumerate(names) if name]
    for number, row in enumerate(rows, start=2):
        cells = [cell.strip() if delimiter == "," else cell.strip().replace(",", ".") for cell in row]
        if not any(cells):
            parts.append([])
            continue
        if any(cells[len(names) :]):
            problem = f"has {len(cells)} cells, and the first row names {len(names)}"
            remedy = "write decimals with a point, or put ; between the cells"
            raise SheetError(Fault(f"{place}: row {number}", problem, remedy))
        cells += [""] * (len(names) - len(cells))
        for at, name in known:
            if name in pair and not cells[at]:
                raise SheetError(Fault(f'{place}: row {number}, column "{name}"', "is empty", "write a number"))
        parts[-1].append([readers[name](cells[at], f'{place}: row {number}, column "{name}"') for at, name in known])
    tables = [dict(zip((name for _, name in known), np.array(part).T, strict=True)) for part in parts if part]
    for table in tables:
        table[PLACES] = np.column_stack([table.pop(name) for name in pair])
        if pair == DEGREES:
            checked_degrees(table[PLACES], place)
    return pair == DEGREES, tables


def read_geojson(text: str, place: str) -> list[tuple[dict[str, Any], Any]]:
    """The single shapes of a GeoJSON text in degrees, by shapely, each with the properties of its feature."""
    shapely = extra("shapely", "the field map")
    try:
        data = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as error:
        where = f"{place}: line {error.lineno}" if isinstance(error, json.JSONDecodeError) else place
        raise SheetError(Fault(where, "is not GeoJSON", "save it again as GeoJSON, or give a CSV")) from None
    found = []
    for properties, given in _geometries(data, {}):
        try:
            shape = shapely.geometry.shape(given)
            points = shapely.get_coordinates(shape)
        except Exception:  # shapely's own errors, and five of Python's for what is no list of numbers
            points = np.array([[np.nan, np.nan]])
        if not np.isfinite(points).all():
            problem = "has a shape of no known kind, coordinates that are no places, or too few of them"
            raise SheetError(Fault(place, problem, "give longitude and latitude in degrees"))
        checked_degrees(points, place)
        found += [(properties, part) for part in getattr(shape, "geoms", [shape])]
    if not found:
        raise SheetError(Fault(place, "holds no geometry", "give a GeoJSON of polygons or lines"))
    return found


def _geometries(data: Any, properties: dict[str, Any]) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    """The geometries of a feature collection, a feature or a geometry, with the properties of their feature."""
    if not isinstance(data, dict):
        return
    if data.get("type") == "Feature":
        own = data.get("properties")
        yield from _geometries(data.get("geometry"), own if isinstance(own, dict) else {})
    elif data.get("type") in ("FeatureCollection", "GeometryCollection"):
        parts = data.get("features", data.get("geometries"))
        for part in parts if isinstance(parts, list) else []:
            yield from _geometries(part, properties)
    elif "coordinates" in data:
        yield properties, data


def parts_of(shape: Any) -> list[Any]:
    """The shapely shapes that a shape is made of, without empty ones."""
    return [part for part in getattr(shape, "geoms", [shape]) if not part.is_empty]


def rings_of(shape: Any) -> list[FloatArray]:
    """The closed rings of one polygon or several, outlines and holes, as rows of x and y. [m]"""
    rings = [ring for part in parts_of(shape) for ring in (part.exterior, *part.interiors)]
    return [np.asarray(ring.coords)[:, :2] for ring in rings]


def corners_of(ring: FloatArray, turning_deg: float) -> FloatArray:
    """Corners where a closed ring turns by so much or more, to either side. [m]"""
    points = ring[:-1]
    before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
    across = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.degrees(np.arctan2(across, (before * after).sum(axis=1)))
    return np.asarray(points[np.abs(turn) >= turning_deg])


@record(eq=False)
class Boundary:
    """A field as a shapely polygon in metres east and north, holes and all; `zone` where it came as degrees."""

    polygon: Any
    zone: Zone | None = None
    source: str = ""
    name: str = ""

    @property
    def area_ha(self) -> float:
        """Area without its holes. [ha]"""
        return float(self.polygon.area) / HECTARE_M2


def boundary_from(rings: list[FloatArray], *, zone: Zone | None = None, source: str = "", name: str = "") -> Boundary:
    """A boundary from corners in metres: the outline first, then its holes."""
    shapely, place = extra("shapely", "the field map"), source or "boundary"
    for number, ring in enumerate(rings):
        if len(np.unique(ring, axis=0)) < 3:
            what = "the outline" if number == 0 else f"hole {number}"
            raise SheetError(Fault(place, f"{what} has fewer than three corners", "give all corners in order"))
    boundary = Boundary(shapely.Polygon(rings[0], rings[1:]), zone, source, name)
    if not boundary.polygon.is_valid:
        at, where = "", re.search(r"\[(\S+) (\S+)\]", shapely.is_valid_reason(boundary.polygon))
        if where is not None:
            points = np.array([[float(where[1]), float(where[2])]])
            at = " near x = {:.1f} m, y = {:.1f} m".format(*points[0])
            if zone is not None:
                at = " near longitude {:.6f}, latitude {:.6f}".format(*zone.degrees(points)[0])
        raise SheetError(Fault(place, f"the boundary crosses itself{at}", "put its corners in order, walking round it"))
    area, (west, south, east, north) = boundary.area_ha, boundary.polygon.bounds
    far_m = math.hypot(east - west, north - south)
    for wrong, problem, remedy in (
        (area < LEAST_HA, f"the field has {area * HECTARE_M2:.3g} m2",
         "give its corners in metres or degrees; are two columns the same?"),
        (area > MOST_HA, f"the field has {area:,.0f} ha, more than {MOST_HA:,.0f} ha",
         "check the order of longitude and latitude, and that metres are metres"),
        (far_m > LONGEST_M, f"the field is {far_m / 1000:,.0f} km long",
         f"give one of at most {LONGEST_M / 1000:g} km; are metres metres, and is a corner far off?"),
    ):  # fmt: skip
        if wrong:
            raise SheetError(Fault(place, problem, remedy))
    return boundary


def read_boundary(path: str | os.PathLike[str]) -> Boundary:
    """Read the boundary of a field.

    Parameters
    ----------
    path : str or path-like
        A GeoJSON of one polygon, or a CSV of corners with the columns x_m,y_m or longitude,latitude. [-]

    Returns
    -------
    Boundary
        The boundary. [m]

    Raises
    ------
    SheetError
        If it can't be read or is no field, with the place and what to do.
    MissingExtraError
        If shapely or pyproj is not installed.

    Examples
    --------
    >>> import tempfile; from pathlib import Path; folder = tempfile.TemporaryDirectory()
    >>> path = Path(folder.name) / "field.csv"
    >>> _ = path.write_text("x_m,y_m\\n0,0\\n400,0\\n400,200\\n0,200\\n")
    >>> read_boundary(path).area_ha
    8.0
    >>> folder.cleanup()
    """
    source, text, called = os.fspath(path), read_file(path, "boundary"), ""
    if text.lstrip().startswith("{"):
        degrees, shapes = True, read_geojson(text, source)
        called = next((name for each, _ in shapes if (name := " ".join(str(each.get("name") or "").split())[:60])), "")
        polygons = [shape for _, shape in shapes if shape.geom_type == "Polygon"]
        if len(polygons) != 1:
            problem = f"holds {len(polygons)} polygons" if polygons else "holds no polygon"
            raise SheetError(Fault(source, problem, "give a GeoJSON with the one polygon of one field"))
        rings = rings_of(polygons[0])
    else:
        degrees, tables = csv_parts(text, source)
        rings = [table[PLACES] for table in tables]
    if not rings:
        raise SheetError(Fault(source, "has no corners", "give all corners in order"))
    zone = zone_of(*rings[0][0]) if degrees else None
    if zone is not None:
        rings = [zone.metres(ring) for ring in rings]
    return boundary_from(rings, zone=zone, source=source, name=called)
