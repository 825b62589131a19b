"""Recorded tracks: formats against each other and pyproj, gaps, noise, switching; files that are no tracks."""

import json

import numpy as np
import pytest
from pyproj import Transformer

from spreadcheck.errors import SheetError
from spreadcheck.field.places import Zone, boundary_from
from spreadcheck.field.track import (
    check_near,
    later_switched,
    mean_speed_m_s,
    metered_by_time,
    read_track,
    smoothed,
)


def fixes(count=60, step_m=3.0):
    """A straight drive north-east in degrees, from a place in zone 32."""
    back = Transformer.from_crs(32632, 4326, always_xy=True)
    along = np.arange(count) * step_m
    return np.column_stack(back.transform(500_000 + along * 0.6, 5_761_000 + along * 0.8))


def as_gpx(points):
    rows = "".join(
        f'<trkpt lat="{lat:.9f}" lon="{lon:.9f}"><time>2026-04-14T10:{at // 60:02}:{at % 60:02}Z</time></trkpt>'
        for at, (lon, lat) in enumerate(points)
    )
    return (
        '<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
        f"<trk><trkseg>{rows}</trkseg></trk></gpx>"
    )


def as_csv(points):
    return "longitude,latitude,time\n" + "".join(f"{x:.9f},{y:.9f},{at}\n" for at, (x, y) in enumerate(points))


def as_geojson(points):
    return json.dumps({"type": "LineString", "coordinates": points.tolist()})


@pytest.mark.parametrize("write", [as_gpx, as_csv, as_geojson])
def test_formats_give_the_same_metres(tmp_path, write):
    """To 0.1 mm, the rounding of the degrees; lengths in UTM metres as pyproj gives them."""
    path = tmp_path / "track"
    path.write_text(write(fixes()))
    track = read_track(path)
    assert track.zone == Zone(32632)
    (line,) = track.legs
    assert line.x_m == pytest.approx(500_000 + np.arange(60) * 1.8, abs=1e-3)
    assert line.y_m == pytest.approx(5_761_000 + np.arange(60) * 2.4, abs=1e-3)
    if write is not as_geojson:
        assert mean_speed_m_s(track.legs) == pytest.approx(3.0, rel=1e-5)
    assert (mean_speed_m_s(track.legs) is not None) == (write is not as_geojson)


def test_gap_in_time_is_not_driven_over(tmp_path):
    """A minute without a fix: two lines, and nothing is spread between them."""
    path = tmp_path / "track.csv"
    seconds = [*range(20), *range(80, 100)]
    path.write_text("x_m,y_m,time\n" + "".join(f"{3 * t},0,{t}\n" for t in seconds))
    track = read_track(path)
    assert (track.gaps, track.longest_gap_s) == (1, 61)
    assert sum(leg.spread_m for leg in track.legs) == pytest.approx(2 * 19 * 3)


def test_metered_by_time(tmp_path):
    """Half the speed gets twice the product to the metre; from times, and from speeds where logged."""
    path = tmp_path / "track.csv"
    path.write_text("x_m,y_m,time,speed\n" + "".join(f"{2 * t},0,{t},{4 - t % 2}\n" for t in range(40)))
    track = read_track(path)
    (leg,) = metered_by_time(track.legs, 7.0)
    assert leg.flow == pytest.approx(np.full(39, 2.0))
    path.write_text("x_m,y_m,time\n" + "".join(f"{2 * t},0,{t}\n" for t in range(40)))
    (leg,) = metered_by_time(read_track(path).legs, 3.0)
    assert leg.flow == pytest.approx(np.full(39, 1.5))


def test_logged_heading_is_used(tmp_path):
    path = tmp_path / "track.csv"
    path.write_text("x_m,y_m,heading\n0,0,10\n0,10,10\n0,20,10\n")
    (leg,) = read_track(path).legs
    assert leg.ahead == pytest.approx(np.tile([np.sin(np.radians(10)), np.cos(np.radians(10))], (3, 1)))


def test_on_and_off(tmp_path):
    path = tmp_path / "track.csv"
    path.write_text("x_m;y_m;on\n0;0;1\n50;0;0\n70;0;1\n100,5;0;0\n")
    (leg,) = read_track(path).legs
    assert leg.on.tolist() == [1, 0, 1]
    assert leg.spread_m == pytest.approx(80.5)
    (later,) = later_switched((leg,), 5.0)
    assert later.spread_m == pytest.approx(80.5)
    assert later.along_m[np.flatnonzero(np.diff(later.on)) + 1] == pytest.approx([55, 75])
    assert later_switched((leg,), 0.0)[0] is leg


def test_smoothing_takes_the_noise_out():
    """White noise of 0.3 m lengthens 2 m steps; a line stays a line; a circle of 60 m keeps its radius to 0.1 m."""
    rng = np.random.default_rng(1)
    along = np.arange(0, 2000, 2.0)
    x, y = along + 0.3 * rng.standard_normal(1000), 0.3 * rng.standard_normal(1000)
    new = smoothed(np.column_stack((x, y))).T
    assert new[1].std() < 0.6 * y.std()
    raw, way = (np.hypot(np.diff(a), np.diff(b)).sum() for a, b in ((x, y), new))
    assert raw > 1.01 * 1998
    assert way < raw
    line = smoothed(np.column_stack((along, along / 2))).T
    assert line[0] == pytest.approx(along)
    angle = np.linspace(0, 2, 60)
    round_x, round_y = smoothed(60 * np.column_stack((np.cos(angle), np.sin(angle)))).T
    # a line fitted over +-h lies h^2 / (6 r) inside the arc: 25 / 360 = 0.07 m
    assert np.hypot(round_x, round_y) == pytest.approx(np.full(60, 60), abs=0.1)


def test_far_from_its_field(tmp_path):
    path = tmp_path / "track.csv"
    path.write_text(as_csv(fixes()))
    track = read_track(path)
    corners = np.array([[0, 0], [400, 0], [400, 300], [0, 300.0]])
    there = Zone(32632)
    check_near(track, boundary_from([corners + np.array([499_900, 5_760_900])], zone=there))
    with pytest.raises(SheetError, match=r"lies 5\d.\d km from the field of b.csv; is it the track of another field"):
        check_near(track, boundary_from([corners + np.array([550_000, 5_760_900])], zone=there, source="b.csv"))
    with pytest.raises(SheetError, match="is in degrees and the boundary in metres"):
        check_near(track, boundary_from([corners]))


def test_swapped_and_wrong_hemisphere(tmp_path):
    """The message says what would bring the two together."""
    there = Zone(32632)
    corners = np.array([[499_900, 5_760_900], [500_300, 5_760_900], [500_300, 5_761_200], [499_900, 5_761_200.0]])
    field = boundary_from([corners], zone=there)
    points = fixes()
    for changed, said in (
        (points[:, ::-1], "longitude and latitude are swapped in one of the two files"),
        (points * [1, -1], "north and south are mixed up"),
        (points * [-1, 1], "east and west are mixed up"),
    ):
        path = tmp_path / "track.csv"
        path.write_text(as_csv(changed))
        with pytest.raises(SheetError, match=said):
            check_near(read_track(path, zone=there), field)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x_m,y_m\n1,1\n1,1\n1,1\n", "the track is 0 m long"),
        ("x_m,y_m\n1,1\n", "no line of two points"),
        ("x_m,y_m,on\n1,1,0\n90,1,0\n", "the slide is off on all of it"),
        ("x_m,y_m,on\n1,1,maybe\n9,1,0\n", r'row 2, column "on": "maybe" is neither on nor off'),
        ("x_m,y_m,time\n1,1,noon\n9,1,1\n", r'row 2, column "time": "noon" is no time'),
        ("x_m,y_m,time\n1,1,5\n9,1,4\n", "the time runs backwards at point 2"),
        ("x_m,y_m,speed\n1,1,fast\n9,1,4\n", r'column "speed": "fast" is no number'),
        ("x_m,y_m,speed\n1,1,-3\n9,1,4\n", r'row 2, column "speed": "-3" is below 0'),
        ("<gpx><trk>", "is not GPX"),
        ('{"type": "Point", "coordinates": [9, 52]}', "holds Point and no line"),
    ],
)
def test_no_track(tmp_path, text, said):
    path = tmp_path / "track.txt"
    path.write_text(text)
    with pytest.raises(SheetError, match=said):
        read_track(path)


def test_too_many_points(tmp_path, monkeypatch):
    """Told before they are read one by one."""
    monkeypatch.setattr("spreadcheck.field.places.MAX_POINTS", 2_000)
    path = tmp_path / "track.csv"
    path.write_text("x_m,y_m\n" + "1,1\n" * 10_000)
    with pytest.raises(SheetError, match=r"points; the most is 2,000; thin them"):
        read_track(path)
