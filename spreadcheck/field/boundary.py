"""The boundary of a field: read from a file, checked, in metres; and which cells of a raster lie inside.

A GeoJSON polygon may have holes (ponds, woods). In a CSV of corners a blank row ends the outline; what follows are
holes.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import Fault, SheetError
from spreadcheck.field.deposit import Raster
from spreadcheck.field.extras import extra
from spreadcheck.field.places import DEGREES, Zone, csv_columns, points_of, read_file, read_geojson, zone_of
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.units import HECTARE_M2

LEAST_HA, MOST_HA = 0.01, 20_000.0


@dataclass(frozen=True, eq=False)
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
        at = _fault_place(shapely.is_valid_reason(boundary.polygon), zone)
        raise SheetError(Fault(name, f"the boundary crosses itself{at}", "put its corners in order, walking round it"))
    if area < LEAST_HA:
        remedy = "give its corners in metres or degrees; are two columns the same?"
        raise SheetError(Fault(name, f"the field has {area * HECTARE_M2:.3g} m2", remedy))
    if area > MOST_HA:
        problem = f"the field has {area:,.0f} ha, more than {MOST_HA:,.0f} ha"
        raise SheetError(Fault(name, problem, "check the order of longitude and latitude, and that metres are metres"))
    return boundary


def _fault_place(reason: str, zone: Zone | None) -> str:
    """Where shapely saw the fault, in the coordinates of the file."""
    inner = reason[reason.find("[") + 1 : reason.find("]")].split()
    try:
        x, y = float(inner[0]), float(inner[1])
    except (ValueError, IndexError):
        return ""
    if zone is None:
        return f" near x = {x:.1f} m, y = {y:.1f} m"
    longitude, latitude = zone.degrees(np.array([x]), np.array([y]))
    return f" near longitude {longitude[0]:.6f}, latitude {latitude[0]:.6f}"


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
        called, rings = _geojson_rings(text, name)
        degrees = True
    else:
        columns, _ = csv_columns(text, name, optional=())
        degrees = DEGREES[0] in columns
        pair = DEGREES if degrees else ("x_m", "y_m")
        points = np.column_stack([columns[column] for column in pair])
        if not len(points):
            raise SheetError(Fault(name, "has no corners", "give all corners in order, one a row"))
        if degrees:
            points_of(points.tolist(), name)
        rings = [points[columns["part"] == part] for part in np.unique(columns["part"])]
    if not degrees:
        return boundary_from(rings, source=name)
    zone = zone_of(*rings[0][0])
    boundary = boundary_from([np.column_stack(zone.metres(*ring.T)) for ring in rings], zone=zone, source=name)
    return replace(boundary, name=called)


def _geojson_rings(text: str, name: str) -> tuple[str, list[FloatArray]]:
    """The name and the rings of the one polygon in a GeoJSON."""
    polygons: list[Any] = []
    called = ""
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
    return called, [points_of(ring, name) for ring in polygons[0]]


def cells_inside(polygon: Any, raster: Raster) -> NDArray[np.bool_]:
    """Which cells have their centre inside a shapely polygon or several: crossings counted along each row."""
    toggles = np.zeros((raster.rows, raster.columns + 1), dtype=np.uint8)
    for part in getattr(polygon, "geoms", [polygon]):
        if not part.is_empty:
            for ring in (part.exterior, *part.interiors):
                _toggle(toggles, raster, np.asarray(ring.coords)[:, :2])
    return (np.bitwise_xor.accumulate(toggles, axis=1)[:, :-1]).astype(bool)


def _toggle(toggles: NDArray[np.uint8], raster: Raster, ring: FloatArray) -> None:
    """Mark, for every row whose centre line an edge of the ring crosses, the first cell east of the crossing."""
    x = (ring[:, 0] - raster.west_m) / raster.cell_m
    y = (ring[:, 1] - raster.south_m) / raster.cell_m
    first, last = np.ceil(np.minimum(y[:-1], y[1:]) - 0.5), np.ceil(np.maximum(y[:-1], y[1:]) - 0.5)
    first, last = np.clip(first, 0, raster.rows).astype(int), np.clip(last, 0, raster.rows).astype(int)
    counts = last - first
    edge = np.repeat(np.arange(len(counts)), counts)
    row = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts - first, counts)
    slope = np.diff(x)[edge] / np.diff(y)[edge]
    column = np.ceil(x[edge] + (row + 0.5 - y[edge]) * slope - 0.5)
    np.bitwise_xor.at(toggles, (row, np.clip(column, 0, raster.columns).astype(int)), 1)
