"""Maps for other programs, read back by libraries that know the formats: rasterio, shapely, pyproj."""

import csv
import io
import json

import numpy as np
import pytest
import rasterio
import shapely
from pyproj import Geod

from spreadcheck.field.deposit import Landing, Raster
from spreadcheck.field.fieldmap import NO_DATA, FieldMap, bands_geojson, geotiff_bytes, grid_csv
from spreadcheck.field.places import Zone

RASTER = Raster(500_000.0, 6_096_000.0, 2.0, rows=30, columns=40)


@pytest.fixture
def found():
    rng = np.random.default_rng(4)
    rate = rng.uniform(0, 300, (30, 40))
    rate[:, :5] = 0
    inside = np.zeros((30, 40), dtype=bool)
    inside[4:-4, 3:-3] = True
    return FieldMap(RASTER, Landing("line", 0), 150.0, rate, inside, inside, 1.0)


def test_geotiff_read_by_rasterio(found):
    with rasterio.open(io.BytesIO(geotiff_bytes(found, Zone(32631)))) as tiff:
        assert tiff.crs.to_epsg() == 32631
        assert tiff.transform.to_gdal() == (500_000.0, 2.0, 0.0, 6_096_060.0, 0.0, -2.0)
        assert tiff.nodata == NO_DATA
        band = tiff.read(1)
        assert band.dtype == np.float32
        shown = np.where((found.rate_kg_ha > 0) | found.inside, found.rate_kg_ha, NO_DATA)
        assert band[::-1] == pytest.approx(shown, rel=1e-6)
        # a place in the field, by the file's own transform
        value = next(tiff.sample([(500_021.0, 6_096_013.0)]))[0]
        assert value == pytest.approx(found.rate_kg_ha[6, 10], rel=1e-6)


def test_geotiff_in_metres_of_its_own(found):
    with rasterio.open(io.BytesIO(geotiff_bytes(found, None))) as tiff:
        assert tiff.crs is None or tiff.crs.to_epsg() is None
        assert tiff.transform.a == 2.0


def test_bands_cover_the_field_once(found):
    """In metres: areas are those of the cells, shapes are valid and do not overlap."""
    features = bands_geojson(found, None)["features"]
    shapes = [shapely.geometry.shape(feature["geometry"]) for feature in features]
    assert all(shape.is_valid for shape in shapes)
    assert shapely.union_all(shapes).area == pytest.approx(found.inside.sum() * 4)
    for shape, feature in zip(shapes, features, strict=True):
        assert shape.area == pytest.approx(feature["properties"]["area_ha"] * 1e4)
        low, high = (feature["properties"][key] for key in ("from_kg_ha", "to_kg_ha"))
        cells = found.inside & (found.rate_kg_ha >= low) & (found.rate_kg_ha < (np.inf if high is None else high))
        assert shape.area == pytest.approx(cells.sum() * 4)
        exterior = shape.geoms[0].exterior
        assert exterior.is_ccw  # RFC 7946, 3.1.6
    assert features[-1]["properties"]["to_kg_ha"] is None


def test_bands_in_degrees(found):
    """Area on the ellipsoid by pyproj: UTM's scale on the central meridian is 0.9996, squared."""
    data = json.loads(json.dumps(bands_geojson(found, Zone(32631))))
    area = sum(
        abs(Geod(ellps="WGS84").geometry_area_perimeter(shapely.geometry.shape(feature["geometry"]))[0])
        for feature in data["features"]
    )
    assert area == pytest.approx(found.inside.sum() * 4 / 0.9996**2, rel=1e-4)
    longitude, latitude = data["features"][0]["geometry"]["coordinates"][0][0][0]
    assert (longitude, latitude) == (pytest.approx(3.0, abs=0.01), pytest.approx(55.0, abs=0.1))


def test_grid(found):
    rows = list(csv.DictReader(io.StringIO(grid_csv(found))))
    assert list(rows[0]) == ["x_m", "y_m", "rate_kg_ha", "inside"]
    assert sum(row["inside"] == "1" for row in rows) == found.inside.sum()
    assert sum(float(row["rate_kg_ha"]) for row in rows) == pytest.approx(found.rate_kg_ha.sum(), rel=1e-5)
    assert {float(row["x_m"]) % 2 for row in rows} == {1.0}
