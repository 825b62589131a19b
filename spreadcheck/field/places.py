"""Places on the ground: files of points, longitude and latitude to metres, and the boundary of a field."""

from __future__ import annotations

import csv
import importlib
import json
import math
import os
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np

from spreadcheck.errors import Fault, MissingExtraError, SheetError, record, shown
from spreadcheck.sheet.cells import decoded
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.units import HECTARE_M2


def extra(name: str, what: str) -> Any:
    """A library of the extra `field`, or a message that says what needs it and how to install it."""
    try:
        return importlib.import_module(name)
    except ImportError:
        library = name.partition(".")[0]
        fault = Fault(what, f"needs the library {library}, which is not installed", "install spreadcheck[field]")
        raise MissingExtraError(fault) from None


MAX_BYTES = 256 * 1024 * 1024
MAX_POINTS = 2_000_000
DEGREES, METRES = ("longitude", "latitude"), ("x_m", "y_m")


@record
class Zone:
    """A UTM zone by its EPSG number, such as 32632; its metres are counted from there."""

    epsg: int

    def metres(self, longitude: FloatArray, latitude: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Easting and northing. [m]"""
        return self._moved(4326, self.epsg, longitude, latitude)

    def degrees(self, x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Longitude and latitude. [deg]"""
        return self._moved(self.epsg, 4326, x_m, y_m)

    @staticmethod
    def _moved(start: int, end: int, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        pyproj = extra("pyproj", "longitude and latitude")
        moved = pyproj.Transformer.from_crs(start, end, always_xy=True).transform(x, y)
        return np.asarray(moved[0], float), np.asarray(moved[1], float)


def zone_of(longitude: float, latitude: float) -> Zone:
    """The UTM zone of a place: 6 degrees wide, north 326.. and south 327.. of the equator."""
    number = min(int((longitude + 180) // 6) + 1, 60)
    return Zone((32600 if latitude >= 0 else 32700) + number)


def check_degrees(longitude: FloatArray, latitude: FloatArray, place: str) -> None:
    """Refuse what is no longitude and latitude, or lies where UTM is not defined."""
    if np.abs(latitude).max() > 84 or np.abs(longitude).max() > 180:
        worst = int(np.argmax(np.maximum(np.abs(latitude) / 84, np.abs(longitude) / 180)))
        problem = f"longitude {longitude[worst]:.6g}, latitude {latitude[worst]:.6g} is no place for a field"
        swap = np.abs(latitude).max() <= 180 and np.abs(longitude).max() <= 84
        remedy = (
            "longitude and latitude may be swapped: write longitude first"
            if swap
            else "give degrees, or metres as a CSV with the columns x_m,y_m"
        )
        raise SheetError(Fault(place, problem, remedy))


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
    except OSError as error:
        raise SheetError(Fault(name, f"can't be read ({error.strerror or error})", f"give a {what} file")) from None
    if text is None or "\0" in text:
        raise SheetError(Fault(name, "is not text", f"give a {what} as GeoJSON or CSV"))
    if not text.strip():
        raise SheetError(Fault(name, "is empty", f"give a {what} with its points"))
    return text


def check_count(count: int, place: str) -> None:
    """Refuse more points than a map can be made of in reasonable time."""
    if count > MAX_POINTS:
        problem = f"holds {count:,} points; the most is {MAX_POINTS:,}"
        raise SheetError(Fault(place, problem, "thin them to one a second, or give one field at a time"))


Read = Callable[[str, str], float]  # a cell and its place -> a number


def number_in(cell: str, place: str) -> float:
    """A number; NaN where the cell is empty."""
    try:
        value = float(cell) if cell else math.nan
    except ValueError:
        value = math.inf
    if math.isinf(value) or (cell and math.isnan(value)):
        raise SheetError(Fault(place, f'"{shown(cell)}" is no number', "write a number"))
    return value


def _must_be_number(cell: str, place: str) -> float:
    if not cell:
        raise SheetError(Fault(place, "is empty", "write a number"))
    return number_in(cell, place)


def csv_parts(
    text: str, place: str, optional: Mapping[str, Read] | None = None
) -> tuple[bool, list[dict[str, FloatArray]]]:
    """A CSV of points: whether they are in degrees, and the columns of each part between blank rows, places as x, y."""
    delimiter = max(";,\t", key=text.splitlines()[0].count)
    if text.count("\n") > MAX_POINTS + 1_000:
        check_count(text.count("\n"), place)
    header, *rows = csv.reader(text.splitlines(), delimiter=delimiter)
    names = [cell.strip().casefold().removeprefix("\ufeff") for cell in header]
    pair = next((pair for pair in (DEGREES, METRES) if set(pair) <= set(names)), None)
    if pair is None:
        problem = f'the first row names no places: "{shown(delimiter.join(header))}"'
        remedy = "head the columns longitude,latitude (degrees) or x_m,y_m (metres)"
        raise SheetError(Fault(f"{place}: row 1", problem, remedy))
    readers: dict[str, Read] = {**dict.fromkeys(pair, _must_be_number), **(optional or {})}
    odd = [name for name in names if name and name not in readers]
    if odd:
        raise SheetError(
            Fault(f"{place}: row 1", f'the column "{shown(odd[0])}" is not known', f"use {', '.join(readers)}")
        )
    parts: list[list[list[float]]] = [[]]
    known = [(at, name, readers[name]) for at, name in enumerate(names) if name]
    for number, row in enumerate(rows, start=2):
        cells = [cell.strip() if delimiter == "," else cell.strip().replace(",", ".") for cell in row]
        if any(cells):
            cells += [""] * (len(names) - len(cells))
            parts[-1].append([read(cells[at], f'{place}: row {number}, column "{name}"') for at, name, read in known])
        elif parts[-1]:
            parts.append([])
    called = {pair[0]: "x", pair[1]: "y"}
    columns = [called.get(name, name) for _, name, _ in known]
    found = [dict(zip(columns, np.array(part).T, strict=True)) for part in parts if part]
    if pair == DEGREES:
        for each in found:
            check_degrees(each["x"], each["y"], place)
    return pair == DEGREES, found


def read_geojson(text: str, place: str) -> list[tuple[dict[str, Any], str, Any]]:
    """The geometries of a GeoJSON text: properties, type and coordinates of each."""
    try:
        data = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as error:
        where = f"{place}: line {error.lineno}" if isinstance(error, json.JSONDecodeError) else place
        raise SheetError(Fault(where, "is not GeoJSON", "save it again as GeoJSON, or give a CSV")) from None
    found = list(_geometries(data, {}))
    if not found:
        raise SheetError(Fault(place, "holds no geometry", "give a GeoJSON of polygons or lines"))
    return found


def _geometries(data: Any, properties: dict[str, Any]) -> Iterator[tuple[dict[str, Any], str, Any]]:
    """The geometries of a feature collection, a feature or a geometry, with the properties of their feature."""
    if not isinstance(data, dict):
        return
    if data.get("type") == "Feature":
        own = data.get("properties")
        yield from _geometries(data.get("geometry"), own if isinstance(own, dict) else {})
        return
    held = {"FeatureCollection": "features", "GeometryCollection": "geometries"}.get(str(data.get("type")))
    parts = data.get(held) if held else None
    for part in parts if isinstance(parts, list) else []:
        yield from _geometries(part, properties)
    if held is None and "coordinates" in data:
        yield properties, str(data.get("type")), data["coordinates"]


def points_of(coordinates: Any, place: str) -> FloatArray:
    """A list of GeoJSON positions as rows of longitude and latitude. [deg]"""
    try:
        points = np.array([[float(value) for value in position[:2]] for position in coordinates], dtype=float)
    except (TypeError, ValueError, KeyError):
        points = np.zeros((0, 0))
    if points.ndim != 2 or points.shape[1:] != (2,) or not np.isfinite(points).all():
        raise SheetError(Fault(place, "has coordinates that are no places", "give longitude and latitude in degrees"))
    check_count(len(points), place)
    check_degrees(points[:, 0], points[:, 1], place)
    return points


def parts_of(shape: Any) -> list[Any]:
    """The shapely shapes that a shape is made of, without empty ones."""
    return [part for part in getattr(shape, "geoms", [shape]) if not part.is_empty]


def rings_of(shape: Any) -> list[FloatArray]:
    """The closed rings of one polygon or several, outlines and holes, as rows of x and y. [m]"""
    rings = [ring for part in parts_of(shape) for ring in (part.exterior, *part.interiors)]
    return [np.asarray(ring.coords)[:, :2] for ring in rings]


def corners_of(ring: FloatArray, turning_deg: float) -> FloatArray:
    """Corners where a closed ring turns by so much or more, to either side. [m]"""
    points = ring[:-1] if np.array_equal(ring[0], ring[-1]) else ring
    before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
    across = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.degrees(np.arctan2(across, (before * after).sum(axis=1)))
    return np.asarray(points[np.abs(turn) >= turning_deg])


LEAST_HA, MOST_HA, LONGEST_M = 0.01, 20_000.0, 50_000.0


@record(eq=False)
class Boundary:
    """The outline of a field and its holes, corners in metres east and north; `zone` where they came as degrees."""

    rings: tuple[FloatArray, ...]
    zone: Zone | None = None
    source: str = ""
    name: str = ""

    @cached_property
    def polygon(self) -> Any:
        """The field as a shapely polygon."""
        return extra("shapely", "the field map").Polygon(self.rings[0], self.rings[1:])

    @property
    def area_ha(self) -> float:
        """Area without its holes. [ha]"""
        return float(self.polygon.area) / HECTARE_M2


def boundary_from(rings: list[FloatArray], *, zone: Zone | None = None, source: str = "") -> Boundary:
    """A boundary from corners in metres: the outline first, then its holes."""
    shapely = extra("shapely", "the field map")
    name = source or "boundary"
    for number, ring in enumerate(rings):
        if len(np.unique(ring, axis=0)) < 3:
            what = "the outline" if number == 0 else f"hole {number}"
            raise SheetError(Fault(name, f"{what} has fewer than three corners", "give all corners in order"))
    boundary = Boundary(tuple(np.asarray(ring, float) for ring in rings), zone, source)
    area = abs(boundary.area_ha)
    if not boundary.polygon.is_valid:
        where = re.search(r"\[(\S+) (\S+)\]", shapely.is_valid_reason(boundary.polygon))
        at = ""
        if where is not None and zone is None:
            at = f" near x = {float(where[1]):.1f} m, y = {float(where[2]):.1f} m"
        elif where is not None and zone is not None:
            (longitude,), (latitude,) = zone.degrees(np.array([float(where[1])]), np.array([float(where[2])]))
            at = f" near longitude {longitude:.6f}, latitude {latitude:.6f}"
        raise SheetError(Fault(name, f"the boundary crosses itself{at}", "put its corners in order, walking round it"))
    west, south, east, north = boundary.polygon.bounds
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
            raise SheetError(Fault(name, problem, remedy))
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
    name = os.fspath(path)
    text, called = read_file(path, "boundary"), ""
    if text.lstrip("\ufeff \r\n\t").startswith("{"):
        degrees, polygons = True, []
        for properties, kind, coordinates in read_geojson(text, name):
            called = called or " ".join(str(properties.get("name") or "").split())[:60]
            if kind == "Polygon":
                polygons.append(coordinates)
            elif kind == "MultiPolygon" and isinstance(coordinates, list):
                polygons += coordinates
        if len(polygons) != 1:
            problem = f"holds {len(polygons)} polygons" if polygons else "holds no polygon"
            raise SheetError(Fault(name, problem, "give a GeoJSON with the one polygon of one field"))
        if not isinstance(polygons[0], list) or not polygons[0]:
            raise SheetError(Fault(name, "holds a polygon without corners", "give all corners in order"))
        rings = [points_of(ring, name) for ring in polygons[0]]
    else:
        degrees, parts = csv_parts(text, name)
        if not parts:
            raise SheetError(Fault(name, "has no corners", "give all corners in order, one a row"))
        rings = [np.column_stack((part["x"], part["y"])) for part in parts]
    if not degrees:
        return boundary_from(rings, source=name)
    zone = zone_of(*rings[0][0])
    boundary = boundary_from([np.column_stack(zone.metres(*ring.T)) for ring in rings], zone=zone, source=name)
    return replace(boundary, name=called)
