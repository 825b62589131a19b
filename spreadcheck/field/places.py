"""Places on the ground: longitude and latitude to metres, and files of points.

Longitude and latitude (WGS 84) go to the UTM zone of the first point; metres stay metres. Within a field UTM lengths
are true to 0.04 %.
"""

from __future__ import annotations

import json
import math
import os
from dataclasses import dataclass
from typing import Any

import numpy as np

from spreadcheck.errors import Fault, SheetError, shown
from spreadcheck.field.extras import extra
from spreadcheck.sheet.csvrows import decoded
from spreadcheck.sheet.traytest import FloatArray

MAX_BYTES = 256 * 1024 * 1024
MAX_POINTS = 2_000_000
DEGREES, METRES = ("longitude", "latitude"), ("x_m", "y_m")


@dataclass(frozen=True)
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


def csv_columns(text: str, place: str, *, optional: tuple[str, ...]) -> tuple[dict[str, FloatArray], list[list[str]]]:
    """The columns of a CSV of points, by name; blank rows separate parts. Columns of text are left to the caller.

    Returns numbers (NaN where a cell of an optional column is empty) and the raw rows; `part` counts blank rows.
    """
    import csv

    header = text.splitlines()[0]
    delimiter = max(";,\t", key=header.count)
    if text.count("\n") > MAX_POINTS + 1_000:
        check_count(text.count("\n"), place)
    rows = list(csv.reader(text.splitlines(), delimiter=delimiter))
    names = [cell.strip().casefold().removeprefix("\ufeff") for cell in rows[0]]
    pair = next((pair for pair in (DEGREES, METRES) if set(pair) <= set(names)), None)
    if pair is None:
        problem = f'the first row names no places: "{shown(delimiter.join(rows[0]))}"'
        remedy = "head the columns longitude,latitude (degrees) or x_m,y_m (metres)"
        raise SheetError(Fault(f"{place}: row 1", problem, remedy))
    odd = [name for name in names if name and name not in (*pair, *optional)]
    if odd:
        known = ", ".join((*pair, *optional))
        raise SheetError(Fault(f"{place}: row 1", f'the column "{shown(odd[0])}" is not known', f"use {known}"))
    part = 0
    kept: list[list[str]] = []
    numbers: list[int] = []
    parts: list[int] = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            part += bool(kept)
            continue
        kept.append([*row, *[""] * (len(names) - len(row))])
        numbers.append(number)
        parts.append(part)
    found: dict[str, FloatArray] = {"part": np.array(parts, float), "row": np.array(numbers, float)}
    for name in (*pair, *(name for name in optional if name in names and name not in ("time", "on"))):
        at = names.index(name)
        cells = [row[at].strip() for row in kept]
        if delimiter != ",":
            cells = [cell.replace(",", ".") for cell in cells]
        found[name] = _numbers(cells, numbers, name, place, required=name in pair)
    for name in ("time", "on"):
        if name in names:
            at = names.index(name)
            found[name] = np.array([row[at].strip() for row in kept], dtype=object)
    return found, kept


def _numbers(cells: list[str], rows: list[int], name: str, place: str, *, required: bool) -> FloatArray:
    """The cells of a column as numbers; the first that is none is named."""
    values = np.full(len(cells), np.nan)
    for at, cell in enumerate(cells):
        if not cell and not required:
            continue
        try:
            values[at] = float(cell)
        except ValueError:
            values[at] = math.nan
        if not math.isfinite(values[at]):
            problem = f'"{shown(cell)}" is no number' if cell else "is empty"
            raise SheetError(Fault(f'{place}: row {rows[at]}, column "{name}"', problem, "write a number"))
    return values


def read_geojson(text: str, place: str) -> list[tuple[dict[str, Any], str, Any]]:
    """The geometries of a GeoJSON text: properties, type and coordinates of each."""
    try:
        data = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as error:
        where = f"{place}: line {error.lineno}" if isinstance(error, json.JSONDecodeError) else place
        raise SheetError(Fault(where, "is not GeoJSON", "save it again as GeoJSON, or give a CSV")) from None
    found: list[tuple[dict[str, Any], str, Any]] = []
    _geometries(data, {}, found)
    if not found:
        raise SheetError(Fault(place, "holds no geometry", "give a GeoJSON of polygons or lines"))
    return found


def _geometries(data: Any, properties: dict[str, Any], found: list[tuple[dict[str, Any], str, Any]]) -> None:
    """Collect the geometries of a feature collection, a feature or a geometry."""
    if not isinstance(data, dict):
        return
    if data.get("type") == "FeatureCollection":
        for feature in data.get("features") or []:
            _geometries(feature, properties, found)
    elif data.get("type") == "Feature":
        own = data.get("properties")
        _geometries(data.get("geometry"), own if isinstance(own, dict) else {}, found)
    elif data.get("type") == "GeometryCollection":
        for geometry in data.get("geometries") or []:
            _geometries(geometry, properties, found)
    elif "coordinates" in data:
        found.append((properties, str(data.get("type")), data["coordinates"]))


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
