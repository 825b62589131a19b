"""The map of a field for other programs: GeoTIFF, GeoJSON of rate bands, CSV grid."""

from __future__ import annotations

import io
import itertools
import json
from typing import Any

import numpy as np

from spreadcheck.field.extras import extra
from spreadcheck.field.fieldmap import NEAR_PCT, NIL_PCT, FieldMap
from spreadcheck.field.places import Zone
from spreadcheck.sheet.traytest import FloatArray

# rate bands in % of the target, lowest first
BANDS_PCT = (0.0, NIL_PCT, 50.0, 100 - NEAR_PCT, 100 + NEAR_PCT, 150.0, float("inf"))
NO_DATA = -1.0


def geotiff_bytes(found: FieldMap, zone: Zone | None) -> bytes:
    """The rates as a GeoTIFF of one 32-bit float band, north up, -1 where nothing fell outside the field.

    >>> from spreadcheck.field.deposit import Landing, Raster
    >>> one = np.ones((2, 2))
    >>> found = FieldMap(Raster(0, 0, 2, 2, 2), Landing("line", 0), 1.0, one, one > 0, one > 0, 1.0)
    >>> geotiff_bytes(found, None)[:2]
    b'II'
    """
    tifffile = extra("tifffile", "a GeoTIFF")
    raster = found.raster
    shown = np.where((found.rate_kg_ha > 0) | found.inside, found.rate_kg_ha, NO_DATA)[::-1].astype(np.float32)
    west, _, _, north = raster.extent_m
    # GTModelType projected, GTRasterType pixel is area, ProjectedCRS (32767: user-defined), linear unit metre
    keys = [1, 1, 1, 4, 1024, 0, 1, 1, 1025, 0, 1, 1, 3072, 0, 1, zone.epsg if zone else 32767, 3076, 0, 1, 9001]
    tags = [
        (33550, "d", 3, (raster.cell_m, raster.cell_m, 0.0), True),
        (33922, "d", 6, (0.0, 0.0, 0.0, west, north, 0.0), True),
        (34735, "H", len(keys), tuple(keys), True),
        (42113, "s", 0, f"{NO_DATA:g}", True),
    ]
    content = io.BytesIO()
    tifffile.imwrite(
        content, shown, extratags=tags, compression="zlib", rowsperstrip=64, metadata=None, software="",
        description="application rate, kg/ha",
    )  # fmt: skip
    return content.getvalue()


def bands_geojson(found: FieldMap, zone: Zone | None) -> dict[str, Any]:
    """The rate bands as GeoJSON polygons, in longitude and latitude where the zone is known, else in metres.

    >>> from spreadcheck.field.deposit import Landing, Raster
    >>> rate = np.array([[100.0, 100], [100, 30]])
    >>> found = FieldMap(Raster(0, 0, 2, 2, 2), Landing("line", 0), 100.0, rate, rate > 0, rate > 0, 1.0)
    >>> [(f["properties"]["from_kg_ha"], f["properties"]["area_ha"]) for f in bands_geojson(found, None)["features"]]
    [(5.0, 0.0004), (85.0, 0.0012)]
    """
    shapely = extra("shapely", "rate bands")
    raster = found.raster
    of_target = 100 * found.rate_kg_ha / found.target_kg_ha
    features = []
    for low, high in itertools.pairwise(BANDS_PCT):
        cells = found.inside & (of_target >= low) & (of_target < high)
        if not cells.any():
            continue
        shape = shapely.union_all(_runs(shapely, cells, raster.west_m, raster.south_m, raster.cell_m))
        polygons = [
            [_ring(ring, zone) for ring in (part.exterior, *part.interiors)]
            for part in (shapely.geometry.polygon.orient(part) for part in getattr(shape, "geoms", [shape]))
        ]
        top = None if np.isinf(high) else round(high / 100 * found.target_kg_ha, 3)
        features.append(
            {
                "type": "Feature",
                "properties": {
                    "from_kg_ha": round(low / 100 * found.target_kg_ha, 3),
                    "to_kg_ha": top,
                    "from_pct_of_target": low,
                    "to_pct_of_target": None if np.isinf(high) else high,
                    "area_ha": round(float(cells.sum()) * raster.cell_m**2 / 10_000, 6),
                },
                "geometry": {"type": "MultiPolygon", "coordinates": polygons},
            }
        )
    return {"type": "FeatureCollection", "features": features}


def _runs(shapely: Any, cells: FloatArray | Any, west: float, south: float, cell: float) -> Any:
    """Each row's runs of cells as boxes."""
    edges = np.diff(np.pad(cells.astype(np.int8), ((0, 0), (1, 1))), axis=1)
    rows, starts = np.nonzero(edges == 1)
    _, ends = np.nonzero(edges == -1)
    return shapely.box(west + starts * cell, south + rows * cell, west + ends * cell, south + (rows + 1) * cell)


def _ring(ring: Any, zone: Zone | None) -> list[list[float]]:
    points = np.asarray(ring.coords)[:, :2]
    if zone is None:
        return [[round(float(x), 3), round(float(y), 3)] for x, y in points]
    longitude, latitude = zone.degrees(points[:, 0], points[:, 1])
    return [[round(float(x), 8), round(float(y), 8)] for x, y in zip(longitude, latitude, strict=True)]


def bands_text(found: FieldMap, zone: Zone | None) -> str:
    """The GeoJSON of the rate bands as text."""
    return json.dumps(bands_geojson(found, zone), separators=(",", ":")) + "\n"


def grid_csv(found: FieldMap) -> str:
    """Every cell that gets anything or lies in the field: x_m, y_m, rate_kg_ha, inside (1 or 0)."""
    x, y = found.raster.centres_m
    rows, columns = np.nonzero(found.inside | (found.rate_kg_ha > 0))
    lines = ["x_m,y_m,rate_kg_ha,inside"]
    rates, inside = found.rate_kg_ha[rows, columns], found.inside[rows, columns].astype(int)
    cells = zip(x[columns].tolist(), y[rows].tolist(), rates.tolist(), inside.tolist(), strict=True)
    lines += [f"{east:.10g},{north:.10g},{rate:.6g},{within}" for east, north, rate, within in cells]
    return "\n".join(lines) + "\n"
