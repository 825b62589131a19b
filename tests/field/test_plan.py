"""Plans against closed forms and shapely's own areas; boundaries that can't be fields."""

import json
import math

import numpy as np
import pytest
import shapely

from spreadcheck.errors import SheetError, WidthError
from spreadcheck.field.deposit import LINE, Landing, Raster, deposit_map, leg_of, raster_over, thrown_by
from spreadcheck.field.fieldmap import Ground, cells_inside
from spreadcheck.field.places import boundary_from, read_boundary, zone_of
from spreadcheck.field.plan import Driving, heading_cvs, plan_field, turn_length_m
from spreadcheck.spread.profile import profile_from

FLAT = profile_from([-12, 12], [100, 100], tails="cut")
SQUARE = np.array([[0, 0], [300, 0], [300, 300], [0, 300.0]])


def mapped(legs, cell_m=0.5):
    thrown = thrown_by([FLAT], Landing(LINE, 0), cell_m / 4)
    raster = raster_over(legs, thrown.reach_m, cell_m)
    return deposit_map(legs, thrown, raster)[0], raster


def test_rounded_corner_of_the_headland():
    """A 90 degree corner driven with radius r leaves (1 - pi/4)(r + W/2)^2 at each corner."""
    plan = plan_field(boundary_from([SQUARE]), Driving(24, headland_rounds=1, turning_radius_m=8))
    deposit, raster = mapped(plan.legs[: plan.rounds])
    x, y = np.meshgrid(*raster.centres_m)
    corner = (x > 0) & (x < 40) & (y > 0) & (y < 40) & ~((x > 24) & (y > 24))
    # past the driving radius the pattern fans out to r / (r + W/2) = 40 % of the rate; beyond that there is nothing
    nil = (deposit < 20)[corner].sum() * raster.cell_m**2
    assert (1 - math.pi / 4) * (8 + 12) ** 2 == pytest.approx(85.84, abs=0.01)
    assert nil == pytest.approx(85.84, rel=0.02)


def test_triangle_driven_along_a_side():
    """Bouts cut on their centre line leave W / (4 H) of a triangle of height H nil where H is whole bouts."""
    height, width = 240.0, 24.0
    triangle = boundary_from([np.array([[0, 0], [300, 0], [110, height]])])
    plan = plan_field(triangle, Driving(width, headland_rounds=0, heading_deg=90))
    assert plan.bouts == 10
    deposit, raster = mapped(plan.legs)
    inside = cells_inside(triangle.polygon, raster)
    nil = 1 - deposit[inside].sum() / 100 / inside.sum()
    # each half bout of nil inside is met by as much spread outside, so the mean alone would read 0 with a full map
    outside = deposit[~inside].sum() / 100 / inside.sum()
    assert nil == pytest.approx(outside, abs=2e-3)
    assert ((100 - deposit[inside]) / 100).sum() / inside.sum() == pytest.approx(width / (4 * height), rel=0.02)


@pytest.mark.parametrize("heading", [0, 17, 90, 123])
def test_bouts_cover_the_ground(heading):
    """Without a headland a rectangle gets its rate everywhere away from bout ends, and the way is its area over W."""
    field = boundary_from([SQUARE])
    plan = plan_field(field, Driving(24, headland_rounds=0, heading_deg=heading))
    deposit, raster = mapped(plan.legs, 1.0)
    core = cells_inside(field.polygon.buffer(-45), raster)
    assert deposit[core].min() > 95
    assert sum(leg.spread_m for leg in plan.legs) * 24 == pytest.approx(field.polygon.area, rel=0.09)


def test_switching_moves_both_ends():
    near = plan_field(boundary_from([SQUARE]), Driving(24, on_m=0, off_m=0))
    late = plan_field(boundary_from([SQUARE]), Driving(24, on_m=15, off_m=5))
    first, moved = near.legs[1], late.legs[1]
    assert moved.y_m - first.y_m == pytest.approx([15, 5])
    assert late.legs[2].y_m - near.legs[2].y_m == pytest.approx([-15, -5])  # driven the other way
    assert late.cut_short == 0
    assert plan_field(boundary_from([SQUARE]), Driving(24, on_m=0, off_m=30)).cut_short == late.bouts


def test_directions():
    field = boundary_from([SQUARE])
    back = plan_field(field, Driving(24)).legs[1:]
    land = plan_field(field, Driving(24, method="round-and-round")).legs[1:]
    assert [leg.y_m[1] > leg.y_m[0] for leg in back[:4]] == [True, False, True, False]
    up = [bool(leg.y_m[1] > leg.y_m[0]) for leg in land]
    assert up == sorted(up, reverse=True)
    assert up.count(False) == len(up) // 2


def test_best_heading_of_a_rectangle():
    """Four bouts fill it along its long side, and no bout end is slanted."""
    field = boundary_from([np.array([[0, 0], [400, 0], [400, 96], [0, 96.0]])])
    ground = Ground(field.polygon, field.polygon.buffer(-36))
    tried = heading_cvs(field, Driving(24), FLAT, ground, Landing(LINE, 0), 4)
    assert min(tried, key=lambda pair: pair[1])[0] == 90.0


def test_turns():
    """A half circle of diameter W where W = 2 r; the bulb of touching circles where W = 0: 3 full circles' 5/6."""
    assert turn_length_m(16, 8) == pytest.approx((8 * math.pi, 8))
    length, depth = turn_length_m(1e-9, 8)  # alpha = 60 deg: r (pi + 4 pi / 3)
    assert length == pytest.approx(8 * math.pi * 7 / 3, rel=1e-6)
    assert depth == pytest.approx(8 * (1 + math.sqrt(3)), rel=1e-6)


def test_hole_and_neck():
    """Round a hole the boundary is on the left too; a neck splits the ground inside the headland."""
    hole = np.array([[120, 120], [120, 180], [180, 180], [180, 120.0]])
    plan = plan_field(boundary_from([SQUARE, hole]), Driving(24, border=True))
    assert plan.rounds == 2
    for leg in plan.legs[:2]:
        assert leg.border_m == 12
        at = int(np.argmax(np.diff(leg.along_m)))
        ahead = np.array([leg.x_m[at + 1] - leg.x_m[at], leg.y_m[at + 1] - leg.y_m[at]])
        left = np.array([-ahead[1], ahead[0]]) / np.hypot(*ahead) * 13
        place = shapely.Point(leg.x_m[at] + left[0], leg.y_m[at] + left[1])
        assert not plan_polygon(SQUARE, hole).contains(place)
    neck = np.array([[0, 0], [300, 0], [300, 120], [330, 120], [330, 0], [600, 0], [600, 200], [0, 200.0]])
    neck[2:4, 1] = 160  # 40 m wide
    assert plan_field(boundary_from([neck]), Driving(24)).parts == 2


def plan_polygon(outer, hole):
    return shapely.Polygon(outer, [hole])


def test_acute_corners_and_tongues_are_told():
    wedge = boundary_from([np.array([[0, 0], [400, 0], [400, 150]])])
    plan = plan_field(wedge, Driving(24))
    assert plan.acute_corners[0] == (0, 0)
    tongue = np.array([[0, 0], [300, 0], [300, 260], [400, 260], [400, 300], [0, 300.0]])  # 100 m long, 40 m wide
    assert plan_field(boundary_from([tongue]), Driving(24)).tongue_ha == pytest.approx(0.4, rel=0.01)
    assert plan_field(boundary_from([SQUARE]), Driving(24)).tongue_ha == pytest.approx(0, abs=1e-6)


def test_drift_is_slow_and_as_large_as_asked():
    field = boundary_from([SQUARE * 10])
    straight = plan_field(field, Driving(24, headland_rounds=0))
    drifted = plan_field(field, Driving(24, headland_rounds=0, drift_m=1.0))
    off = np.concatenate([leg.x_m - s.x_m[0] for leg, s in zip(drifted.legs, straight.legs, strict=True)])
    # 125 bouts of 3,000 m hold about 1,875 independent lengths of 2 x 100 m: standard error of the deviation 1.6 %
    assert off.std() == pytest.approx(1.0, rel=0.05)
    assert abs(np.diff(off)).mean() < 0.4


def test_cells_inside_is_shapely():
    """The centres that the crossings find are those that shapely finds, holes and slivers too."""
    rng = np.random.default_rng(5)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 40))
    outer = np.column_stack((np.cos(angle), np.sin(angle))) * rng.uniform(40, 100, 40)[:, None]
    polygon = shapely.Polygon(outer, [[(-10, -10), (-10, 10), (10, 10), (10, -10)]])
    raster = Raster(-101.3, -99.2, 1.7, 120, 121)
    x, y = np.meshgrid(*raster.centres_m)
    assert (cells_inside(polygon, raster) == shapely.contains_xy(polygon, x, y)).all()
    assert cells_inside(polygon, raster).sum() * 1.7**2 == pytest.approx(polygon.area, rel=0.01)


def test_too_small_for_the_rounds():
    with pytest.raises(WidthError, match=r"too small for 1 headland round of 24 m; give fewer rounds"):
        plan_field(boundary_from([SQUARE[:4] / 15]), Driving(24))
    with pytest.raises(WidthError, match="driven with a turning radius of 30 m"):
        plan_field(boundary_from([SQUARE / 6]), Driving(24, turning_radius_m=30))


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"headland_rounds": -1}, "--headland-rounds: -1 rounds"),
        ({"turning_radius_m": 0}, "--turning-radius: 0 m is no"),
        ({"on_m": 900}, "--on-distance: 900 m past"),
        ({"drift_m": 11}, "--drift: 11 m"),
    ],
)
def test_what_cant_be_driven(given, said):
    with pytest.raises(WidthError, match=said):
        Driving(24, **given)


def geojson(*rings, kind="Polygon"):
    return json.dumps({"type": "Feature", "properties": {}, "geometry": {"type": kind, "coordinates": list(rings)}})


GROUND = [[9.0, 52.0], [9.006, 52.0], [9.006, 52.002], [9.0, 52.002], [9.0, 52.0]]


def test_read_geojson(tmp_path):
    """Area from pyproj's ellipsoid, and the UTM zone of the place; UTM scale is within 0.04 %, squared."""
    from pyproj import Geod

    path = tmp_path / "field.geojson"
    path.write_text(geojson(GROUND))
    boundary = read_boundary(path)
    area = Geod(ellps="WGS84").polygon_area_perimeter(*np.array(GROUND).T)[0]
    assert boundary.zone == zone_of(9.0, 52.0)
    assert boundary.zone.epsg == 32632
    assert zone_of(151.2, -33.9).epsg == 32756
    assert boundary.area_ha == pytest.approx(area / 1e4, rel=8.1e-4)


def test_read_corner_list_with_a_hole(tmp_path):
    path = tmp_path / "field.csv"
    path.write_text("x_m;y_m\n0;0\n400,5;0\n400,5;200\n0;200\n\n100;50\n150;50\n150;100\n100;100\n")
    assert read_boundary(path).area_ha == pytest.approx((400.5 * 200 - 2500) / 1e4)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x_m,y_m\n0,0\n400,200\n400,0\n0,200\n", r"crosses itself near x = 200.0 m, y = 100.0 m; put its corners in"),
        ("x_m,y_m\n0,0\n400,200\n", "the outline has fewer than three corners"),
        ("x_m,y_m\n0,0\n4,0\n4,4\n", r"has 8 m2; give its corners"),
        ("x_m,y_m\n0,0\n90000,0\n90000,9000\n", r"more than 20,000 ha; check the order of longitude"),
        ("x_m,y_m\n0,0\n90000,0\n90000,100\n", "is 90 km long; give one of at most 50 km"),
        ("x_m,y_m\n0,0\n1,x\n", r'row 3, column "y_m": "x" is no number'),
        ("east,north\n0,0\n", r"row 1: the first row names no places"),
        ("x_m,y_m,crop\n0,0,w\n", r'the column "crop" is not known, or is there twice; use x_m, y_m'),
        ("x_m,y_m,x_m\n0,0,1\n", r'the column "x_m" is not known, or is there twice'),
        ("x_m,y_m\n0,5,0,5\n", r"row 2: has 4 cells, and the first row names 2; write decimals with a point"),
        ('x_m,y_m\n0,"0\n' + "10,10\n" * 40_000, r"a quoted cell is not closed, or is too long"),
        ("", "is empty"),
        ("longitude,latitude\n52.0,109.0\n52.0,109.1\n52.1,109.0\n", "may be swapped: write longitude first"),
        ("longitude,latitude\n512000,5761000\n512001,5761000\n", "or metres as a CSV with the columns x_m,y_m"),
        ('{"type": "Feature"', "line 1: is not GeoJSON"),
        ('{"type": "Feature"}', "holds no geometry"),
        (geojson([9.0, 52.0], [9.1, 52.0], kind="LineString"), "holds no polygon"),
        (geojson([GROUND], [GROUND], kind="MultiPolygon"), "holds 2 polygons"),
        (geojson([["a", 2], [3, 4]]), "coordinates that are no places"),
        (geojson(), "has no corners"),
        (geojson([[9, 52], [9.006, 52.002], [9.006, 52], [9, 52.002], [9, 52]]), "near longitude 9.003000, latitude"),
    ],
)
def test_no_boundary(tmp_path, text, said):
    path = tmp_path / "field.txt"
    path.write_text(text)
    with pytest.raises(SheetError, match=said):
        read_boundary(path)


def test_unreadable_boundary(tmp_path):
    with pytest.raises(SheetError, match="the file does not exist; check its name and folder"):
        read_boundary(tmp_path / "none.csv")
    with pytest.raises(SheetError, match="can't be read as text"):
        read_boundary("no\0name.csv")
    (tmp_path / "x.bin").write_bytes(bytes(range(256)))
    with pytest.raises(SheetError, match="is not text"):
        read_boundary(tmp_path / "x.bin")


def test_leg_of_measures_itself():
    assert leg_of(np.array([0, 3.0]), np.array([0, 4.0])).spread_m == 5
